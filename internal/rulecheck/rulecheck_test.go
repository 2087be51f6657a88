package rulecheck_test

import (
	"context"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"laidup/internal/report"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/schema"
)

var update = flag.Bool("update", false, "write the golden files anew")

//go:embed testdata/small.yaml
var small string

var loaderOnce = sync.OnceValues(func() (*ruleset.Loader, error) { return ruleset.NewLoader(schema.FS) })

var builtInOnce = sync.OnceValues(func() (*ruleset.Set, error) {
	l, err := loaderOnce()
	if err != nil {
		return nil, err
	}
	return l.Folder(schema.FS, "rulesets/first-start/1.0.0")
})

func builtIn(t testing.TB) *ruleset.Set {
	t.Helper()
	set, err := builtInOnce()
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// spoilt is the small rule set with words replaced by others, in pairs.
func spoilt(t testing.TB, pairs ...string) *ruleset.Set {
	t.Helper()
	l, err := loaderOnce()
	if err != nil {
		t.Fatal(err)
	}
	text := small
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("the small rule set has no %q", pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	set, err := l.Document("small.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func test(t *testing.T, set *ruleset.Set) []rulecheck.Failure {
	t.Helper()
	failures, err := rulecheck.Test(t.Context(), set)
	if err != nil {
		t.Fatal(err)
	}
	return failures
}

func lint(t *testing.T, set *ruleset.Set) []rulecheck.Finding {
	t.Helper()
	findings, err := rulecheck.Lint(t.Context(), set)
	if err != nil {
		t.Fatal(err)
	}
	return findings
}

func TestAWorkbenchThatIsToldToStopStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := rulecheck.Test(ctx, builtIn(t)); !errors.Is(err, context.Canceled) {
		t.Errorf("tests: %v", err)
	}
	if _, err := rulecheck.Lint(ctx, builtIn(t)); !errors.Is(err, context.Canceled) {
		t.Errorf("lint: %v", err)
	}
}

func TestTheBuiltInRuleSetPassesItsOwnTests(t *testing.T) {
	set := builtIn(t)
	for _, f := range test(t, set) {
		t.Error(f)
	}
	dossiers, kinds, gates := 0, map[string]bool{}, map[string]bool{}
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if form.Rule != "" {
			continue
		}
		dossiers++
		for _, b := range form.Expect.Blocks {
			kinds[b.Kind+" at "+b.By] = true
		}
		for g, state := range form.Expect.Gates {
			gates[g+" "+state] = true
		}
	}
	if dossiers < 60 {
		t.Errorf("only %d dossiers", dossiers)
	}
	for _, g := range set.Gates {
		for _, state := range []string{score.Clear, score.Unproven, score.Blocked} {
			if !gates[g.ID+" "+state] {
				t.Errorf("no dossier expects %s to be %s", g.ID, state)
			}
		}
	}
	for _, kind := range []string{"defect", "unproven", "duty"} {
		if !kinds[kind+" at hand_turn"] || !kinds[kind+" at first_start"] {
			t.Errorf("%s is not expected at hand_turn and first_start", kind)
		}
	}
}

func TestTheBuiltInRuleSetHasNothingOddAboutIt(t *testing.T) {
	for _, f := range lint(t, builtIn(t)) {
		t.Error(f)
	}
}

func TestTheSmallRuleSetIsInOrder(t *testing.T) {
	set := spoilt(t)
	for _, f := range test(t, set) {
		t.Error(f)
	}
	for _, f := range lint(t, set) {
		t.Error(f)
	}
}

// Whatever a rule gets wrong, a test that speaks of it says so, and where it is written.
func TestFailures(t *testing.T) {
	for name, c := range map[string]struct {
		change []string
		test   string
		says   string
	}{
		"a condition turned round":      {[]string{"when: found.fraying", "when: '!found.fraying'"}, "belt_fraying", "does not fire on map[timing_belt:map[fraying:true]]"},
		"a condition that always holds": {[]string{`when: 'found.noise in ["slight", "rough"]'`, `when: 'found.noise in ["silent", "slight", "rough"]'`}, "belt_noise", "which it should let pass"},
		"another weight":                {[]string{"[11.8, 15]", "[11.8, 14]"}, "volts", "weighs 14 dB"},
		"a rule without a test":         {[]string{"  - {rule: bought,", "  - {rule: loose,", `{battery: {receipt: "no. 5"}}`, "{battery: {secured: false}}"}, "bought", "no test says on what it fires"},
		"nothing to let pass":           {[]string{", silent: {timing_belt: {noise: silent}}", ""}, "belt_noise", "no test says what it lets pass"},
		"a rule there is not":           {[]string{"{rule: bought", "{rule: sold"}, "sold", "is not a rule"},
		"an item there is not":          {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_chain: {noise: slight}}"}, "belt_noise", "timing_chain"},
		"a value there is not":          {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_belt: {noise: loud}}"}, "belt_noise", "loud"},
		"something left out":            {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_belt: {fraying: true}}"}, "belt_noise", "fires leaves out [timing_belt.noise]"},
		"silent of something else":      {[]string{"silent: {timing_belt: {noise: silent}}", "silent: {timing_belt: {fraying: false}}"}, "belt_noise", "silent leaves out"},
		"answered after all":            {[]string{"unanswered: {timing_belt: {noise: rough}}", "unanswered: {timing_belt: {fraying: false}}"}, "belt_fraying", "unanswered leaves out nothing"},
		"on a vehicle that has it not":  {[]string{"{rule: loose, vehicle: {cylinders: 4}", "{rule: loose, vehicle: {cylinders: 1}"}, "loose", "battery"},
		"the same name twice":           {[]string{"name: frayed", "name: all_sound"}, "all_sound", "name of another test"},
		"another state":                 {[]string{"{hand_turn: clear, crank: clear}", "{hand_turn: clear, crank: blocked}"}, "all_sound", "crank is clear, not blocked: nothing"},
		"a gate there is not":           {[]string{"gates: {hand_turn: clear, crank: clear}", "gates: {take_off: clear}"}, "all_sound", `"take_off", which is not a gate`},
		"another kind of blocker":       {[]string{"kind: defect}]", "kind: duty}]"}, "frayed", "timing_belt does not block by crank (duty)"},
		"an item that blocks nothing":   {[]string{"{item: timing_belt, by: crank, kind: defect}", "{item: battery, by: crank}"}, "frayed", "battery does not block by crank (any kind)"},
		"an item that is not free":      {[]string{"      severity: {timing_belt: critical}", "      free: [{item: timing_belt, at: crank}]"}, "frayed", "timing_belt blocks crank (defect)"},
		"an item expected in vain":      {[]string{"severity: {timing_belt: critical}", "severity: {gearbox: critical}"}, "frayed", `"gearbox", which is not an item`},
		"another severity":              {[]string{"severity: {timing_belt: critical}", "severity: {timing_belt: marginal}"}, "frayed", "is critical (valve_strike), not marginal"},
		"a renewal that proves nothing": {[]string{"method: documented, found: {renewed", "method: told, found: {renewed"}, "renewed_since", "crank is blocked, not clear"},
		"a correction taken back":       {[]string{"vehicle: {cylinders: 1}", "vehicle: {cylinders: 2}", "gates: {crank: clear}", "severity: {battery: critical}"}, "renewed_since", "the worst entry for battery is negligible"},
		"an impossible report":          {[]string{`- date: "2026-05-02"`, `- date: "2026-05-42"`}, "renewed_since", "report 1 is not a report"},
		"a sound day that never was":    {[]string{`sound: "2026-04-30"`, `sound: "2026-04-31"`}, "renewed_since", "is not a report"},
	} {
		t.Run(name, func(t *testing.T) {
			failures := test(t, spoilt(t, c.change...))
			i := slices.IndexFunc(failures, func(f rulecheck.Failure) bool { return f.Test == c.test && strings.Contains(f.Detail, c.says) })
			if i < 0 {
				t.Fatalf("failures are %v", failures)
			}
			f := failures[i]
			if strings.HasPrefix(f.Detail, "no test") {
				if f.File != "" || f.String() != f.Test+": "+f.Detail {
					t.Errorf("a test that is not there is said to be at %s", f)
				}
			} else if f.File != "small.yaml" || f.Line < 120 || f.String() != fmt.Sprintf("small.yaml:%d: %s: %s", f.Line, f.Test, f.Detail) {
				t.Errorf("%s does not say where it is", f)
			}
		})
	}
}

// A fault of each kind is found; what is in order is not.
func TestLint(t *testing.T) {
	for name, c := range map[string]struct {
		change      []string
		kind, entry string
		says        string
	}{
		"a finding nobody reads":               {[]string{"            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: colour, kind: text}\n"}, rulecheck.Unread, "timing_belt.colour", "no rule"},
		"an item nobody needs":                 {[]string{"    - id: electrics\n      is: electrics\n      items:\n", "    - id: electrics\n      is: electrics\n      items:\n        - {id: horn, minutes: 1, access: none, finds: []}\n"}, rulecheck.Unwatched, "horn", "no hazard and no proof"},
		"a rule between two limits that cross": {[]string{"when: found.open_circuit >= 0.0", "when: found.open_circuit > 12.6 && found.open_circuit < 12.5"}, rulecheck.NeverFire, "volts", "fires on nothing"},
		"a rule of no weight":                  {[]string{"    weight: 3\n", "    weight: 0\n"}, rulecheck.NeverFire, "belt_noise", "fires on nothing"},
		"a hazard of no vehicle":               {[]string{"    severity: negligible\n", "    severity: negligible\n    when: 'cylinders < 1'\n"}, rulecheck.NeverFire, "flat", "exists on no vehicle"},
		"one finding counted twice":            {[]string{"line: noise\n    when: 'found.noise in [\"slight\", \"rough\"]'", "line: noise\n    when: found.fraying"}, rulecheck.Twice, "valve_strike", "belt_fraying and belt_noise both count timing_belt.fraying = true"},
		"a worse word that weighs less":        {[]string{`found.noise in ["slight", "rough"]`, `found.noise == "slight"`}, rulecheck.Backward, "valve_strike", "timing_belt.noise = rough makes it less likely than slight"},
		"a curve that turns back":              {[]string{"[[11.8, 15], [12.2, 0], [12.7, -10]]", "[[10, 5], [11.8, 15], [12.7, -10]]"}, rulecheck.Backward, "flat", "battery.open_circuit ="},
		"a worse word that blocks no more":     {[]string{"    weight: 3\n", "    weight: 3\n    blocks: {gate: crank}\n", `found.noise in ["slight", "rough"]`, `found.noise == "slight"`, "      {found.noise}", "      {found.noise}"}, rulecheck.Backward, "valve_strike", "timing_belt.noise = rough"},
		"a clearing that leaves it":            {[]string{"found: {open_circuit: {value: 12.7, unit: V}, secured: true}", "found: {open_circuit: {value: 12.7, unit: V}}"}, rulecheck.Uncleared, "flat", "after loose, what clears it leaves it blocking hand_turn"},
		"a renewal that proves nothing":        {[]string{", 'years_since(found.renewed) < 2.0'", ""}, rulecheck.Unproving, "valve_strike", "leaves the proof belt_proven undone"},
		"a clearing against a proof":           {[]string{"proven_by: ['!found.fraying', 'years_since(found.renewed) < 2.0']", "proven_by: ['!found.fraying && age > 5.0']"}, rulecheck.Unproving, "valve_strike", "leaves the proof belt_proven undone"},
	} {
		t.Run(name, func(t *testing.T) {
			change := c.change
			for i := len(change) - 2; i >= 0; i -= 2 {
				if change[i] == change[i+1] {
					change = slices.Delete(slices.Clone(change), i, i+2)
				}
			}
			findings := lint(t, spoilt(t, change...))
			if !slices.ContainsFunc(findings, func(f rulecheck.Finding) bool {
				return f.Kind == c.kind && f.Entry == c.entry && strings.Contains(f.Detail, c.says) && strings.HasSuffix(f.String(), "("+c.kind+")")
			}) {
				t.Errorf("findings are %v", findings)
			}
		})
	}
}

// A week code is read as the age, says weeks since 2000 only, and is said as a person would.
func TestLintKnowsWeekCodes(t *testing.T) {
	stamped := func(years string) *ruleset.Set {
		return spoilt(t, "            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: stamped, kind: week_code}\n",
			`found.noise in ["slight", "rough"]`, `found.noise != "silent" && years_since(found.stamped) > `+years, "{found.noise}", "of {found.stamped}")
	}
	if findings := lint(t, spoilt(t, "            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: stamped, kind: week_code}\n")); len(findings) > 0 {
		t.Errorf("findings are %v", findings)
	}
	for years, never := range map[string]bool{"9.0": false, "26.0": false, "27.0": true} {
		findings := lint(t, stamped(years))
		if got := slices.ContainsFunc(findings, func(f rulecheck.Finding) bool { return f.Kind == rulecheck.NeverFire && f.Entry == "belt_noise" }); got != never {
			t.Errorf("more than %s years: findings are %v", years, findings)
		}
	}
	set := stamped("9.0")
	r := decode(t, set, smallReport("2026-05-02", `"cylinders":1`, `{"item":"timing_belt","method":"seen","found":{"noise":"rough","stamped":"0914"}}`))
	e, err := rulecheck.Explain(set, []*report.Report{r}, "belt_noise")
	if err != nil || !strings.Contains(e.String(), "Because the belt is of week 9 of 2014.") {
		t.Errorf("it says %s (%v)", e, err)
	}
}

func decode(t testing.TB, set *ruleset.Set, data string) *report.Report {
	t.Helper()
	r, _, faults := report.Decode([]byte(data), set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return r
}

func smallReport(date, vehicle, observations string) string {
	return `{"schema":"laidup.report/1","vehicle":{"reference":"t1",` + vehicle + `},"inspection":{"date":"` + date + `"},"observations":[` + observations + `]}`
}

// The figures are those of the worked examples: valve strike, aged 11 documented, frayed seen.
func TestExplainShowsTheArithmetic(t *testing.T) {
	set := spoilt(t)
	frayed := decode(t, set, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}},{"item":"timing_belt","method":"documented","found":{"age":{"value":11,"unit":"a"}}}`))
	sound := decode(t, set, smallReport("2023-05-02", `"interference":"no"`, `{"item":"timing_belt","method":"seen","found":{"fraying":false}}`))
	later := decode(t, set, smallReport("2026-05-02", `"cylinders":1`, `{"item":"timing_belt","method":"told","found":{"noise":"silent"}}`))
	for name, c := range map[string]struct {
		reports []*report.Report
		rule    string
		says    []string
	}{
		"it fires, counts and blocks":          {[]*report.Report{frayed}, "belt_fraying", []string{"-18.540859", "+19.547248", "+1.006389", "p = 1 / (1 + 10^(-L/10)) = 0.55767454", "0.9 * 0.012 + 0.1 * 0.03", "blocks crank (defect) by itself", "On the blocking list: rank 1", "this one is high: at or above it"}},
		"a reassuring look three years old":    {[]*report.Report{sound, later}, "belt_sound", []string{"0.9 * 0.5^(3.00/2) = 0.3182", "-1.5374 dB", "not reported: the value for an unknown number counts", "severity marginal", "The rule itself never blocks"}},
		"what was not found":                   {[]*report.Report{frayed}, "belt_sound", []string{"It does not fire", "does not meet the condition"}},
		"what nobody looked at":                {[]*report.Report{frayed}, "belt_noise", []string{"noise: not reported", "Not reported: timing_belt.noise"}},
		"a rule of a vehicle without the item": {[]*report.Report{later}, "volts", []string{"does not exist on this vehicle", "battery is there where cylinders > 1"}},
		"a free-running engine":                {[]*report.Report{decode(t, set, smallReport("2026-05-02", `"interference":"no"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}}`))}, "belt_fraying", []string{`only where interference != "no"`}},
		"two that contradict each other":       {[]*report.Report{decode(t, set, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}},{"item":"timing_belt","method":"tested","found":{"fraying":false}}`))}, "belt_fraying", []string{"these contradict each other: the worse counts", "fraying: false (tested, credence 0.98", "It fires and counts"}},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := rulecheck.Explain(set, c.reports, c.rule)
			if err != nil {
				t.Fatal(err)
			}
			text := e.String()
			for _, want := range c.says {
				if !strings.Contains(text, want) {
					t.Errorf("%q is not said in\n%s", want, text)
				}
			}
		})
	}
	oneLine := spoilt(t, "line: noise", "line: surface")
	both := decode(t, oneLine, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true,"noise":"rough"}}`))
	if e, err := rulecheck.Explain(oneLine, []*report.Report{both}, "belt_noise"); err != nil || !strings.Contains(e.String(), "It fires and is outweighed on its line") || !strings.Contains(e.String(), "On the same line: belt_fraying, +19.5472 dB") || !strings.Contains(e.String(), "not counted: belt_noise") {
		t.Errorf("an outweighed rule: %v\n%v", err, e)
	}
	if _, err := rulecheck.Explain(set, []*report.Report{frayed}, "belt_frayed"); err == nil || !strings.Contains(err.Error(), "explain rule belt_frayed") {
		t.Errorf("a rule there is not: %v", err)
	}
	if _, err := rulecheck.Explain(set, nil, "belt_fraying"); err == nil {
		t.Error("nothing to explain it on")
	}
}

// Every rule of the built-in set can be explained on every demo dossier, and the sum that is shown
// is that of the assessment.
func TestExplainAgreesWithTheAssessment(t *testing.T) {
	set := builtIn(t)
	data, err := schema.FS.ReadFile("demo/marrick-tern-01.1.json")
	if err != nil {
		t.Fatal(err)
	}
	reports := []*report.Report{decode(t, set, string(data))}
	a := score.Evaluate(set, reports, -1)
	for _, r := range set.Rules {
		e, err := rulecheck.Explain(set, reports, r.ID)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(a.Register, func(x score.Entry) bool { return x.Hazard == r.Hazard.ID })
		if i < 0 {
			continue
		}
		if want := fmt.Sprintf("%+12.6f  together", a.Register[i].TotalDB.Float()); !strings.Contains(e.String(), want) {
			t.Errorf("%s: no %q in\n%s", r.ID, want, e)
		}
		sum := a.Register[i].PriorDB.Float()
		for _, ev := range a.Register[i].Evidence {
			sum += ev.EffectiveDB.Float()
			if !strings.Contains(e.String(), fmt.Sprintf("%+12.6f  %s: ", ev.EffectiveDB.Float(), ev.Rule)) {
				t.Errorf("%s: %s is not in the sum", r.ID, ev.Rule)
			}
		}
		if math.Abs(sum-a.Register[i].TotalDB.Float()) > 1e-6 {
			t.Errorf("%s: the parts make %v", r.ID, sum)
		}
	}
}

func TestDiff(t *testing.T) {
	frayed := rulecheck.Dossier{Name: "frayed", Reports: [][]byte{[]byte(smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}}`))}}
	seen := rulecheck.Dossier{Name: "seen", Reports: [][]byte{[]byte(smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":false,"noise":"rough"}},{"item":"timing_belt","method":"documented","found":{"age":{"value":1,"unit":"a"}}}`))}}
	for name, c := range map[string]struct {
		change   []string
		changes  []string
		dossiers string
	}{
		"nothing":                          {nil, nil, "[]"},
		"only its tests and its name":      {[]string{"name: small", "name: smaller", "weighs: 15", "weighs: 14"}, nil, "[]"},
		"a weight that changes no verdict": {[]string{"weight: 3\n", "weight: 4\n"}, []string{"rule belt_noise: weight 3 becomes 4"}, "[]"},
		"a block taken away": {[]string{"    blocks: {gate: crank, when: 'interference != \"no\"'}\n", "", "weight: 20\n", "weight: 0.5\n"},
			[]string{`rule belt_fraying: blocks {"gate":"crank","when":"interference != \"no\""} becomes nothing; weight 20 becomes 0.5`}, "[]"},
		"a rule that blocks sooner": {[]string{"    weight: 3\n", "    weight: 3\n    blocks: {gate: hand_turn}\n"}, []string{`rule belt_noise: blocks nothing becomes {"gate":"hand_turn"}`},
			`[{seen [] [{hand_turn clear blocked} {crank clear blocked}] [+timing_belt hand_turn defect by rule belt_noise]}]`},
		"a credence": {[]string{"{id: seen, credence: 0.9,", "{id: seen, credence: 0.5,"}, []string{"method seen: credence 0.9 becomes 0.5"},
			`[{frayed [] [] [+timing_belt crank unproven by method seen]} {seen [] [{crank clear unproven}] [+timing_belt crank unproven by method seen]}]`},
		"a hazard gone": {[]string{small[strings.Index(small, "  - id: flat\n"):strings.Index(small, "rules:\n")], "", small[strings.Index(small, "  - id: volts\n"):strings.Index(small, "proofs:\n")], ""},
			[]string{"hazard flat: removed", "rule bought: removed", "rule loose: removed", "rule volts: removed"}, "[]"},
		"a finding with another name": {[]string{"{id: noise, kind: choice", "{id: sound, kind: choice", `found.noise in`, `found.sound in`, "{found.noise}", "{found.sound}", "of: noise", "of: sound"}, nil,
			"[{seen [under small 1.0.0, report 1: /observations/0/found/noise"},
	} {
		t.Run(name, func(t *testing.T) {
			d, err := rulecheck.Diff(spoilt(t), spoilt(t, c.change...), []rulecheck.Dossier{frayed, seen})
			if err != nil {
				t.Fatal(err)
			}
			var said []string
			for _, x := range d.Changes {
				said = append(said, x.String())
			}
			if c.changes != nil && !slices.Equal(said, c.changes) || c.changes == nil && strings.HasPrefix(name, "only") && len(said) > 0 {
				t.Errorf("changes are %q", said)
			}
			var out []string
			for _, x := range d.Dossiers {
				var moved []string
				for _, b := range x.Blockers {
					sign, by := "-", ""
					if b.New {
						sign = "+"
					}
					for _, w := range b.Why {
						by, _, _ = strings.Cut(w.String(), ":")
					}
					moved = append(moved, sign+b.Item+" "+b.Gate+" "+b.Kind+" by "+by)
				}
				out = append(out, fmt.Sprintf("{%s %v %v %v}", x.Dossier, x.Faults, x.Gates, moved))
			}
			if got := fmt.Sprint(out); !strings.HasPrefix(got, c.dossiers) {
				t.Errorf("dossiers are %s\nwant %s", got, c.dossiers)
			}
		})
	}
	if d, err := rulecheck.Diff(spoilt(t), spoilt(t), []rulecheck.Dossier{{Name: "empty"}}); err != nil || len(d.Dossiers) != 1 || len(d.Dossiers[0].Faults) == 0 {
		t.Errorf("a dossier without a report: %+v, %v", d, err)
	}
}

func TestTheRuleBookIsThatOfTheBuiltInRuleSet(t *testing.T) {
	set := builtIn(t)
	book, err := rulecheck.Doc(set)
	if err != nil {
		t.Fatal(err)
	}
	again, err := rulecheck.Doc(set)
	if err != nil || string(again) != string(book) {
		t.Errorf("the book is another the second time: %v", err)
	}
	text := string(book)
	for _, r := range set.Rules {
		if !strings.Contains(text, "| `"+r.ID+"` |") {
			t.Errorf("the book has no rule %s", r.ID)
		}
	}
	for _, h := range set.Hazards {
		if !strings.Contains(text, "#### `"+h.ID+"`\n") {
			t.Errorf("the book has no hazard %s", h.ID)
		}
	}
	for _, p := range set.Proofs {
		if !strings.Contains(text, "Proof `"+p.ID+"`\n") {
			t.Errorf("the book has no proof %s", p.ID)
		}
	}
	for _, it := range set.Catalogue.Items {
		if !strings.Contains(text, "(`"+it.ID+"`)") {
			t.Errorf("the book has no item %s", it.ID)
		}
	}
	for i, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, "|") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") < 3 || strings.TrimRight(line, " ") != line {
			t.Errorf("line %d is not as it should be: %q", i+1, line)
		}
	}
	path := filepath.Join("..", "..", "docs", "rule-book.md")
	if *update {
		if err := os.WriteFile(path, book, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Error("docs/rule-book.md is not that of the rule set any more: look at what changed, then write it anew with -update")
	}
}
