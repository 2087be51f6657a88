package wording_test

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"laidup/internal/score"
	"laidup/internal/wording"
)

const allOfIt = 10_000_000_000

// codes are those of reasons, as package score has them.
var codes = []string{
	score.ReasonFound, score.ReasonOff, score.ReasonNotLookedAt, score.ReasonNotEnough, score.ReasonOnlyTold, score.ReasonLikelyBad,
	score.ReasonProof, score.ReasonFollow, score.ReasonNumberUnknown, score.ReasonFactUnknown,
}

func TestReasonsInWords(t *testing.T) {
	t.Parallel()
	w := wording.English()
	full := score.Reason{Is: "timing belt", Says: "the timing belt is frayed", What: "valves meet pistons", Chance: allOfIt / 4}
	for code, want := range map[string]string{
		score.ReasonFound:         "the timing belt is frayed",
		score.ReasonOff:           "the vehicle is without the timing belt",
		score.ReasonNotLookedAt:   "nobody has looked at the timing belt; the danger: valves meet pistons",
		score.ReasonNotEnough:     "not enough is known of the timing belt; the danger: valves meet pistons",
		score.ReasonOnlyTold:      "somebody says, and nobody has looked, that the timing belt is frayed",
		score.ReasonLikelyBad:     "25 % of such vehicles have trouble with the timing belt, and nothing that is known of this one rules it out; the danger: valves meet pistons",
		score.ReasonProof:         "the timing belt is frayed",
		score.ReasonFollow:        "the timing belt is frayed",
		score.ReasonNumberUnknown: "nobody knows the age or the wear of the timing belt well enough to say that no limit is passed",
		score.ReasonFactUnknown:   "nobody has reported this, and it alone decides: timing belt; the danger: valves meet pistons",
	} {
		r := full
		r.Code = code
		if got := w.Reason(r); got != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
	if got := w.Reason(score.Reason{Code: score.ReasonOff, Is: "{what} battery", What: "fire"}); got != "the vehicle is without the {what} battery" {
		t.Error("what a rule set says is read as a text: ", got)
	}
	if got := w.Reason(score.Reason{Code: score.ReasonOnlyTold, Is: "battery"}); got != "somebody says, and nobody has looked, that the vehicle is without the battery" {
		t.Error(got)
	}
}

// Every reason that score can give has words, and there are no words that no reason calls for.
func TestEveryReasonHasWords(t *testing.T) {
	t.Parallel()
	file, err := parser.ParseFile(token.NewFileSet(), filepath.Join("..", "score", "assessment.go"), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	declared := 0
	ast.Inspect(file, func(n ast.Node) bool {
		if spec, ok := n.(*ast.ValueSpec); ok && strings.HasPrefix(spec.Names[0].Name, "Reason") {
			declared++
		}
		return true
	})
	if declared != len(codes) {
		t.Errorf("score has %d reasons, this test knows %d", declared, len(codes))
	}
	reasons := wording.English().Reasons
	for _, code := range codes {
		if reasons[code] == "" {
			t.Errorf("%s has no words", code)
		}
	}
	if want := len(codes) + 1; len(reasons) != want { // and what is told to be off
		t.Errorf("there are words for %d reasons, not %d", len(reasons), want)
	}
	for code := range reasons {
		if wording.English().Brief[code] == "" {
			t.Errorf("%s has no brief words", code)
		}
	}
}

// What package appraisal says stands in the text file, all of it and nothing else; and what it fills in
// is what the text has room for.
func TestWhatABuyerIsToldHasWords(t *testing.T) {
	t.Parallel()
	w := wording.English()
	called := map[string]bool{}
	files, err := filepath.Glob(filepath.Join("..", "appraisal", "*.go"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	call := regexp.MustCompile(`words\.(Appraise|Count)\("(\w+)"([^\n]*)`)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range call.FindAllStringSubmatch(string(text), -1) {
			texts := w.Appraisal
			if m[1] == "Count" {
				texts = w.Counts
			}
			called[m[2]] = true
			if texts[m[2]] == "" && !strings.HasSuffix(m[2], "_") { // else the rest of the key is made there
				t.Errorf("%s: there are no words %s", name, m[2])
			}
		}
		for key := range w.Appraisal {
			if strings.Contains(string(text), strconv.Quote(key)) {
				called[key] = true
			}
		}
	}
	for key := range w.Appraisal {
		if !called[key] && !strings.HasPrefix(key, "rests_") {
			t.Errorf("nobody says %s", key)
		}
	}
}

func TestTheWordsThatAnAssessmentIsWrittenIn(t *testing.T) {
	t.Parallel()
	a := &score.Assessment{
		Blockers:  []score.Blocker{{Reason: score.Reason{Code: score.ReasonOff, Is: "battery"}}},
		Misplaced: []string{"spark_plugs"}, Cautions: []string{"Careful."},
		Taken: []score.TakenFact{{Fact: "vehicle.air_conditioning.fitted", Value: json.RawMessage("false")}},
	}
	wording.English().Write(a)
	if a.Words != "en/1" || a.Blockers[0].Because != "the vehicle is without the battery" {
		t.Errorf("%+v", a)
	}
	want := []string{"Careful.", "Something was reported on the spark plugs, which by its facts this vehicle does not have: it was left out."}
	if !slices.Equal(a.Cautions, want) {
		t.Error(a.Cautions)
	}
	if want := []string{"Not reported: air conditioning fitted; by what else was reported it is taken for no."}; !slices.Equal(a.Assumes, want) {
		t.Error(a.Assumes)
	}
}

// Every language says all that English says, fills in the same, and has both forms of what is counted.
func TestEveryLanguageSaysAllOfIt(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob(filepath.Join("text", "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	filled := regexp.MustCompile(`\{\w+\}`)
	holds := func(text string) []string {
		names := filled.FindAllString(text, -1)
		slices.Sort(names)
		return slices.Compact(names)
	}
	english := wording.English()
	for _, file := range files {
		language := strings.TrimSuffix(filepath.Base(file), ".yaml")
		w, err := wording.In(language)
		if err != nil {
			t.Error(err)
			continue
		}
		if w.Language != language || w.Version < 1 || w.And == "" {
			t.Errorf("%s calls itself %s", file, w.Name())
		}
		for what, pair := range map[string][2]map[string]string{
			"reasons": {english.Reasons, w.Reasons}, "counts": {english.Counts, w.Counts}, "values": {english.Values, w.Values},
			"appraisal": {english.Appraisal, w.Appraisal}, "brief": {english.Brief, w.Brief}, "verdict": {english.Verdicts, w.Verdicts}, "do": {english.Do, w.Do}, "": {
				{"misplaced": english.Misplaced, "taken": english.Taken}, {"misplaced": w.Misplaced, "taken": w.Taken},
			},
		} {
			if len(pair[0]) != len(pair[1]) {
				t.Errorf("%s: %s has %d texts, English %d", file, what, len(pair[1]), len(pair[0]))
			}
			for key, text := range pair[0] {
				if got := pair[1][key]; got == "" || !slices.Equal(holds(text), holds(got)) || strings.Contains(text, " | ") != strings.Contains(got, " | ") {
					t.Errorf("%s: %s %s is %q, in English %q", file, what, key, got, text)
				}
			}
		}
	}
}

func TestALanguageThatThereIsNot(t *testing.T) {
	t.Parallel()
	if _, err := wording.In("xx"); err == nil || !strings.Contains(err.Error(), "xx") {
		t.Error(err)
	}
}

func TestSharesInWords(t *testing.T) {
	t.Parallel()
	for share, want := range map[score.Share]string{
		0:                 "0 %",
		1:                 "under 0.1 %",
		9_999_999:         "under 0.1 %",
		10_000_000:        "0.1 %",
		14_999_999:        "0.1 %",
		21_000_000:        "0.2 %",
		96_000_000:        "1.0 %",
		250_000_000:       "2.5 %",
		994_999_999:       "9.9 %",
		995_000_000:       "10 %",
		1_796_315_557:     "18 %",
		5_000_000_000:     "50 %",
		9_849_000_000:     "98 %",
		9_899_999_999:     "99 %",
		9_900_000_000:     "99.0 %",
		9_980_000_000:     "99.8 %",
		9_990_000_000:     "99.9 %",
		9_990_000_001:     "over 99.9 %",
		9_999_999_999:     "over 99.9 %",
		allOfIt:           "100 %",
		math.MinInt64:     "0 %",
		allOfIt + 1:       "100 %",
		-1:                "0 %",
		9_980_000_000 / 2: "50 %",
	} {
		if got := wording.English().Percent(share); got != want {
			t.Errorf("%d is %q, want %q", share, got, want)
		}
	}
}

// Certainty is said of what is certain and of nothing else; and who goes by the words is misled by
// half of their last digit at most, in order.
func TestNoShareIsRoundedToCertainty(t *testing.T) {
	t.Parallel()
	w := wording.English()
	check := func(t interface {
		Errorf(string, ...any)
	}, s score.Share) float64 {
		said := w.Percent(s)
		if (said == "100 %") != (s == allOfIt) || (said == "0 %") != (s == 0) {
			t.Errorf("%d is said to be %q", s, said)
		}
		number, digits := strings.TrimSuffix(said, " %"), 0
		for _, bound := range []string{"over ", "under "} {
			number = strings.TrimPrefix(number, bound)
		}
		if _, after, ok := strings.Cut(number, "."); ok {
			digits = len(after)
		}
		v, err := strconv.ParseFloat(number, 64)
		if err != nil {
			t.Errorf("%d is said to be %q", s, said)
		}
		of := 100 * s.Float()
		switch {
		case strings.HasPrefix(said, "over "):
			if of <= v {
				t.Errorf("%d is said to be %q", s, said)
			}
		case strings.HasPrefix(said, "under "):
			if of >= v {
				t.Errorf("%d is said to be %q", s, said)
			}
		case math.Abs(of-v) > 0.5*math.Pow10(-digits)+1e-9:
			t.Errorf("%d is said to be %q", s, said)
		}
		return v
	}
	last := 0.0
	for s := score.Share(0); s <= allOfIt; s += 100_000 {
		v := check(t, s)
		if v < last {
			t.Errorf("%d is said to be less than what comes before it: %s", s, w.Percent(s))
		}
		last = v
		if t.Failed() {
			return
		}
	}
	rapid.Check(t, func(t *rapid.T) { check(t, score.Share(rapid.Int64Range(0, allOfIt).Draw(t, "share"))) })
	for near := range score.Share(1000) {
		check(t, near)
		check(t, allOfIt-near)
	}
}

func TestChancesInWords(t *testing.T) {
	t.Parallel()
	for want, c := range map[string][3]score.Share{
		"82 % (74 to 88)":                {8_200_000_000, 7_400_000_000, 8_800_000_000},
		"82 %":                           {8_200_000_000, 0, 0},
		"100 %":                          {allOfIt, 0, 0},
		"1.2 % (0.6 to 2.4)":             {124_000_000, 61_000_000, 240_000_000},
		"under 0.1 % (under 0.1 to 0.3)": {9_000_000, 2_000_000, 30_000_000},
		"over 99.9 %":                    {9_999_000_000, 9_995_000_000, 9_999_900_000},
		"99.8 % (99.1 to over 99.9)":     {9_980_000_000, 9_910_000_000, allOfIt},
		"0.5 % (under 0.1 to 2.0)":       {50_000_000, 0, 200_000_000},
	} {
		if got := wording.English().Chance(c[0], c[1], c[2]); got != want {
			t.Errorf("%v is %q, want %q", c, got, want)
		}
		alone := wording.English().Range(c[0], c[1], c[2])
		if _, inside, ranged := strings.Cut(strings.TrimSuffix(want, ")"), " ("); ranged && alone != inside+" %" || !ranged && alone != "" {
			t.Errorf("the range of %v is %q", c, alone)
		}
	}
}

func TestHowMuchWasLookedAt(t *testing.T) {
	t.Parallel()
	for of, want := range map[score.Coverage]string{
		{Applying: 78, LookedAt: 0, Share: 0}:              "0 %",
		{Applying: 78, LookedAt: 1, Share: 0}:              "under 0.1 %", // what it weighs is nothing
		{Applying: 78, LookedAt: 1, Share: 128_000_000}:    "1.3 %",
		{Applying: 78, LookedAt: 77, Share: 9_980_000_000}: "99.8 %",
		{Applying: 78, LookedAt: 77, Share: allOfIt}:       "over 99.9 %",
		{Applying: 78, LookedAt: 78, Share: allOfIt}:       "100 %",
		{}: "0 %",
	} {
		if got := wording.English().Looked(of); got != want {
			t.Errorf("%+v is %q, want %q", of, got, want)
		}
	}
}

func TestValuesInWords(t *testing.T) {
	t.Parallel()
	for raw, want := range map[string]string{
		"true": "yes", "false": "no", `"sludge_or_metal"`: "sludge or metal", "3": "3", `{"value":2.1,"unit":"kPa"}`: "2.1 kPa",
		`{"value":11,"unit":"a"}`: "11 years", "not JSON": "not JSON",
	} {
		if got := wording.English().Value(json.RawMessage(raw)); got != want {
			t.Errorf("%s is %q, want %q", raw, got, want)
		}
	}
}

func TestWhatClearsInWords(t *testing.T) {
	t.Parallel()
	found := func(id, raw string) score.FindingForm { return score.FindingForm{ID: id, Value: json.RawMessage(raw)} }
	got := wording.English().Clearing([]score.Clearing{
		{Item: "brake_hoses", At: []string{"front_left", "rear_right"}, Found: score.FindingsForm{found("perished", "false"), found("renewed", `"2026-05-02"`)}},
		{Item: "battery", Found: score.FindingsForm{found("removed", "false")}},
		{Item: "timing_marks", Found: score.FindingsForm{found("aligned", "true")}},
		{Fact: "lay_up.storage", Found: score.FindingsForm{found("storage", `"dry_indoors"`)}},
	})
	want := "brake hoses (front left, rear right): perished no, renewed (note the date); battery: removed no; timing marks: aligned; " +
		"a report of the storage (dry indoors asks for nothing more)"
	if got != want {
		t.Errorf("%q", got)
	}
}

func TestContradictionsInWords(t *testing.T) {
	t.Parallel()
	w := wording.English()
	c := score.Conflict{Item: "brake_hoses", At: "front_left", Finding: "perished", Values: []score.ConflictValue{
		{Value: json.RawMessage("true"), Method: "seen", Date: "2026-05-02"}, {Value: json.RawMessage("false"), Method: "told", Date: "2026-04-02"},
	}}
	if got := w.Contradicted("brake hoses", c) + ": " + w.Contradiction(c); got != "brake hoses (front left), perished: yes (seen, 2026-05-02) against no (told, 2026-04-02)" {
		t.Error(got)
	}
	if got := w.Contradicted("clutch", score.Conflict{Finding: "fitted"}) + ": " + w.Contradiction(score.Conflict{}); got != "clutch, fitted: reported as not fitted, although something was found on it" {
		t.Error(got)
	}
}

func TestLists(t *testing.T) {
	t.Parallel()
	w := wording.English()
	for want, list := range map[string][]string{"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}} {
		if got := w.List(list); got != want {
			t.Errorf("%v is %q", list, got)
		}
	}
	if w.Count("item", 1) != "1 item" || w.Count("item", 2) != "2 items" {
		t.Error(w.Count("item", 1), w.Count("item", 2))
	}
}
