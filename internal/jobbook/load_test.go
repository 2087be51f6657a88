package jobbook_test

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"

	"laidup/internal/condition"
	"laidup/internal/jobbook"
	"laidup/internal/ruleset"
)

// small is a whole book of which the tests change a line.
const small = `schema: laidup.job_book/1
name: small
version: 1.0.0
is: "a book for tests"
rule_set: {name: first-start, version: 2.0.0}
source: {kind: judgement}
rate: {cents: 9000, currency: EUR}
horizon: {years: 5, distance: 20000}
kinds:
  - {id: belted, is: "with a belt", when: 'valve_drive == "belt"'}
  - {id: motorcycle, is: "a motorcycle", when: 'kind == "motorcycle"'}
traits:
  - {id: panel, is: "the panel comes out", assumed: false}
fittings:
  - {id: covers_on, is: "the covers are on"}
places:
  - {id: bay, is: "the bay", room: 1}
plant:
  - {id: lift, is: "a lift"}
parts:
  - {id: belt, is: "belt", kind: stock, price: [0.5, 1.0, 2.5], lead: [0, 1, 5]}
  - {id: pump, is: "pump", kind: specialist, money: [9000, 12000, 30000], lead: [1, 4, 42]}
looks:
  - {access: none}
  - {access: covers, open: [covers_off]}
  - {access: underside}
  - {access: wheels}
  - {access: part_strip}
  - {access: gearbox_split}
  - {item: timing_marks, open: [{on: [motorcycle], all: []}, {on: [belted], all: [covers_off]}], not: [aligned]}
states:
  - {id: raised, is: "raised", ways: [{holds: [lift], open: [0.1, 0.2, 0.4], close: [0.1, 0.2, 0.3]}]}
  - id: covers_off
    is: "covers off"
    on: [belted]
    shuts: [covers_on]
    spoils: {oil_pressure: [primed]}
    ways:
      - {id: past_the_wheel, unless: [panel], needs: [raised], open: [0.8, 1.3, 2.5], close: [0.8, 1.3, 2.2], places: [bay]}
      - {id: through_the_panel, if: [panel], open: [0.5, 0.7, 1.0], close: [0.5, 0.7, 1.0]}
jobs:
  - id: renew_belt
    is: "renew the belt"
    on: [belted]
    when: 'fuel == "petrol"'
    gives: {timing_belt: [renewed], compression: {leakage_worst: {value: 8, unit: "%"}}}
    shows: {timing_belt: [slack]}
    open: [covers_off]
    hours: [0.8, 1.3, 2.5]
    places: [bay]
    parts: [{any: [belt, pump], times: 2}]
    reveals: [{what: "oil about", chance: 0.125, adds: [prove_pressure]}]
    later: {item: timing_belt, shape: 3, scale: 12, per: a, fails: [2, 20, 60]}
  - {id: prove_pressure, is: "prove the pressure", proof: true, shows: {oil_pressure: [primed]}, fitted: [covers_on], after: [renew_belt], hours: [0.3, 0.5, 1]}
`

// changed is the small book with one text in the place of another.
func changed(t *testing.T, pairs ...string) string {
	t.Helper()
	s := small
	for i := 0; i < len(pairs); i += 2 {
		if strings.Count(s, pairs[i]) != 1 {
			t.Fatalf("%q stands %d times in the small book", pairs[i], strings.Count(s, pairs[i]))
		}
		s = strings.Replace(s, pairs[i], pairs[i+1], 1)
	}
	return s
}

func mistakesOf(t *testing.T, l *jobbook.Loader, text string) ruleset.Mistakes {
	t.Helper()
	b, err := l.Document("small.yaml", []byte(text))
	var mistakes ruleset.Mistakes
	if !errors.As(err, &mistakes) || len(mistakes) == 0 || b != nil {
		t.Fatalf("loaded: %v", err)
	}
	return mistakes
}

func TestABookIsReadInWholeMinutesCentsAndDays(t *testing.T) {
	b, err := loader(t).Document("small.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	way, job := b.Ways[1], b.Jobs[0]
	if way.ID != "covers_off.past_the_wheel" || b.Ways[0].ID != "raised" || way.State != b.States[1] || way.Index != 1 {
		t.Errorf("the ways are %q and %q", b.Ways[0].ID, way.ID)
	}
	if want := (jobbook.Hours{Low: 48, Likely: 78, High: 150}); way.Open != want {
		t.Errorf("opens in %v, want %v minutes", way.Open, want)
	}
	if b.Parts[0].Price != (jobbook.Range{Low: 30, Likely: 60, High: 150}) || b.Parts[0].Money != nil || *b.Parts[1].Money != (jobbook.Range{Low: 9000, Likely: 12000, High: 30000}) {
		t.Errorf("prices are %v and %v", b.Parts[0], b.Parts[1])
	}
	if n := job.Parts[0]; n.Times != 2 || len(n.Any) != 2 || n.Any[0] != b.Parts[0] {
		t.Errorf("needs %v", n)
	}
	if s := job.Reveals[0]; s.Chance != 1250 || s.Adds[0] != b.Jobs[1] {
		t.Errorf("reveals %v", s)
	}
	if len(job.Gives) != 3 || job.Gives[0].Shown || string(job.Gives[0].Value) != `{"unit":"%","value":8}` || job.Gives[1].Value != nil || !job.Gives[2].Shown {
		t.Errorf("gives %v", job.Gives)
	}
	if len(job.Readings) != 1 || job.Readings[0].ID != "leakage_worst" {
		t.Errorf("readings are %v", job.Readings)
	}
	if x := b.Fittings[0]; len(x.Shut) != 1 || x.Shut[0] != b.States[1] {
		t.Errorf("is taken away by %v", x.Shut)
	}
	if job.Later.Fails != (jobbook.Range{Low: 120, Likely: 1200, High: 3600}) || job.Later.Unit != jobbook.Years {
		t.Errorf("later costs %v", job.Later)
	}
	if job.Source.Kind != "judgement" || b.Rate != 9000 || b.Currency != "EUR" || job.People != 1 {
		t.Errorf("source %v, rate %d %s, people %d", job.Source, b.Rate, b.Currency, job.People)
	}
}

// A job and its variants share a vehicle out among them, and whoever names the job names all of them.
func TestAVariantIsTheJobWhereItHolds(t *testing.T) {
	b, err := loader(t).Document("small.yaml", []byte(changed(t, "    parts: [{any", "    variants:\n      - {id: motorcycle, on: [motorcycle], hours: [0.1, 0.2, 0.3], open: [raised]}\n      - {id: old, when: 'year_of(built) < 1960.0', is: another}\n    parts: [{any")))
	if err != nil {
		t.Fatal(err)
	}
	job, motorcycle, old, prove := b.Jobs[0], b.Jobs[1], b.Jobs[2], b.Jobs[3]
	if motorcycle.ID != "renew_belt.motorcycle" || motorcycle.Of != job || job.Of != nil || motorcycle.Index != 1 || motorcycle.Hours.Likely != 12 || motorcycle.Open[0].All[0] != b.States[0] || motorcycle.Is != job.Is {
		t.Errorf("the variant is %v", motorcycle)
	}
	if old.Is != "another" || old.Hours != job.Hours || len(old.Gives) != len(job.Gives) || old.Later == nil {
		t.Errorf("the variant is %v", old)
	}
	if !slices.Equal(prove.After, []*jobbook.Job{job, motorcycle, old}) {
		t.Errorf("comes after %d jobs", len(prove.After))
	}
	belted := map[string]any{"valve_drive": "belt", "fuel": "petrol", "kind": "car", "built": "1990"}
	for _, c := range []struct {
		fact, value string
		want        *jobbook.Job
	}{{"kind", "car", job}, {"kind", "motorcycle", motorcycle}, {"built", "1955", old}} {
		facts := maps.Clone(belted)
		facts[c.fact] = c.value
		v := vehicle(t, c.value, facts, nil)
		for _, j := range b.Jobs[:3] {
			if got := jobbook.Holds(j.When, v.Facts) == condition.True; got != (j == c.want) {
				t.Errorf("%s %s: %s holds: %v", c.fact, c.value, j.ID, got)
			}
		}
	}
}

func TestEveryItemHasALook(t *testing.T) {
	b := generic(t)
	for i, it := range b.Catalogue.Items {
		k := b.Looks[i]
		if k.Item != it || k.Hours.Low > k.Hours.Likely || k.Hours.Likely != int(it.Minutes) || k.Hours.High < k.Hours.Likely {
			t.Errorf("the look at %s is %v", it.ID, k)
		}
	}
	small, err := loader(t).Document("small.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	marks := small.Looks[small.Catalogue.Item("timing_marks").Index]
	if len(marks.Open) != 2 || marks.Open[0].All != nil || marks.Open[1].All[0] != small.States[1] || slices.Contains(marks.Gives, marks.Item.Find("aligned")) || !slices.Contains(marks.Gives, marks.Item.Find("reference_found")) {
		t.Errorf("the look at the marks is %v", marks)
	}
}

func TestOneDigestForOneBook(t *testing.T) {
	l := loader(t)
	a, err := l.Document("a.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	b, err := l.Document("again.json", a.Canonical)
	if err != nil {
		t.Fatal(err)
	}
	c, err := l.Document("c.yaml", []byte(changed(t, "lead: [0, 1, 5]", "lead: [0, 1, 6]")))
	if err != nil {
		t.Fatal(err)
	}
	if a.Digest != b.Digest || a.Digest == c.Digest || !strings.HasPrefix(a.Digest, "sha256:") {
		t.Errorf("digests are %s, %s and %s", a.Digest, b.Digest, c.Digest)
	}
}

func TestCharacters(t *testing.T) {
	l := loader(t)
	base, err := l.Document("small.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	for is, fine := range map[string]bool{`r\u00fcck \ud83d\ude97`: true, `a\u2028b`: true, `a\u0000b`: false, `a\u0085b`: true, `a\nb`: true} {
		text := strings.Replace(string(base.Canonical), "a book for tests", is, 1)
		b, err := l.Document("small.json", []byte(text))
		if (err == nil) != fine {
			t.Errorf("%s: %v", is, err)
			continue
		}
		if !fine {
			continue
		}
		if again, err := l.Document("again.json", b.Canonical); err != nil || again.Is != b.Is {
			t.Errorf("%s reads back otherwise: %v", is, err)
		}
	}
}

func TestMistakesOfABookComeAtOnceWithTheirPlaces(t *testing.T) {
	text := changed(t,
		"open: [0.8, 1.3, 2.5], close", "open: [0.8, 0.3, 2.5], close", // not in order
		"gives: {timing_belt: [renewed], compression", "gives: {timing_belts: [renewed], compression", // no such item
		"shows: {timing_belt: [slack]}", "shows: {timing_belt: [slacks]}", // no such finding
		"after: [renew_belt]", "after: [renew_belts]", // no such job
		`when: 'fuel == "petrol"'`, `when: 'fuel == "petroleum"'`,
		"adds: [prove_pressure]", "adds: [prove_presure]",
	)
	lines := strings.Split(text, "\n")
	want := map[string]string{ // what is on the line
		"covers_off.past_the_wheel /states/1/ways/0/open": "0.3",
		"renew_belt /jobs/0/when":                         "petroleum",
		"renew_belt /jobs/0/gives/timing_belts":           "timing_belts",
		"renew_belt /jobs/0/shows/timing_belt/0":          "slacks",
		"renew_belt /jobs/0/reveals/0/adds/0":             "prove_presure",
		"prove_pressure /jobs/1/after/0":                  "renew_belts",
	}
	mistakes := mistakesOf(t, loader(t), text)
	for _, m := range mistakes {
		on, is := want[m.Entry+" "+m.Pointer]
		if !is || m.File != "small.yaml" || m.Line < 1 || !strings.Contains(lines[m.Line-1], on) {
			t.Errorf("told is %v", m)
		}
	}
	if len(mistakes) != len(want) {
		t.Errorf("told is\n%v", mistakes)
	}
}

func TestWhatCannotBeABook(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		says string
	}{
		"no YAML":                      {"jobs: [", "not YAML"},
		"no mapping":                   {"- 1", "a job book is a mapping"},
		"another schema":               {changed(t, "laidup.job_book/1", "laidup.job_book/2"), "value must be \"laidup.job_book/1\""},
		"for other rules":              {changed(t, "{name: first-start, version: 2.0.0}", "{name: first-start, version: 1.0.0}"), "is written for first-start 1.0.0"},
		"twice":                        {changed(t, "id: prove_pressure", "id: renew_belt"), "there is a renew_belt already"},
		"job and state of one name":    {changed(t, "id: prove_pressure, is", "id: raised, is"), "raised is the name of a state"},
		"ways without names":           {changed(t, "id: past_the_wheel, ", ""), "needs an id, for covers_off has several ways"},
		"a ring":                       {changed(t, "parts: [{any: [belt, pump], times: 2}]", "after: [prove_pressure]"), "comes after itself: prove_pressure, then renew_belt, then prove_pressure again"},
		"needs itself":                 {changed(t, "needs: [raised]", "needs: [covers_off]"), "covers_off needs itself"},
		"with one that is not with it": {changed(t, "    places: [bay]\n    parts", "    with: [prove_pressure]\n    places: [bay]\n    parts"), "with goes both ways"},
		"fitted and away":              {changed(t, "    open: [covers_off]\n", "    open: [covers_off]\n    fitted: [covers_on]\n"), "covers_off takes away covers_on"},
		"given twice":                  {changed(t, "shows: {timing_belt: [slack]}", "shows: {timing_belt: [renewed]}"), "renewed is among what it gives already"},
		"no such value":                {changed(t, `{value: 8, unit: "%"}`, `{value: 8, unit: "psi"}`), "psi"},
		"a price and money":            {changed(t, "money: [9000", "price: [1, 1, 1], money: [9000"), "has a price in money too"},
		"no price":                     {changed(t, "price: [0.5, 1.0, 2.5], ", ""), "needs a price"},
		"money of no currency":         {changed(t, "rate: {cents: 9000, currency: EUR}\n", ""), "money needs a currency"},
		"a chance of nothing":          {changed(t, "chance: 0.125", "chance: 0.00001"), "as good as never"},
		"no such position":             {changed(t, "    open: [covers_off]\n", "    open: [covers_off]\n    at: {timing_belt: [left]}\n"), "timing_belt has no position \"left\""},
		"at what it does not give":     {changed(t, "    open: [covers_off]\n", "    open: [covers_off]\n    at: {tyres: [rear_left]}\n"), "gives nothing on tyres"},
		"a variant of nothing":         {changed(t, "    parts: [{any", "    variants: [{id: other, hours: [1, 1, 1]}]\n    parts: [{any"), "has to say on which vehicles"},
		"a variant's hours":            {changed(t, "    parts: [{any", "    variants: [{id: other, on: [motorcycle], hours: [1, 0, 1]}]\n    parts: [{any"), "low, likely and high"},
		"no such gate":                 {changed(t, "proof: true,", "proof: true, once: first_crank,"), "there is no gate \"first_crank\""},
		"no look at some items":        {changed(t, "  - {access: wheels}\n", ""), "the catalogue has items behind \"wheels\""},
		"two looks at one item":        {changed(t, "  - {access: wheels}\n", "  - {access: wheels}\n  - {item: timing_marks}\n"), "there is a look at timing_marks already"},
		"a look at nothing":            {changed(t, "  - {access: wheels}\n", "  - {access: wheels}\n  - {fitted: [covers_on]}\n"), "one of the two"},
		"reads a finding":              {changed(t, `'fuel == "petrol"'`, "'found.slack'"), "found"},
		"bought in without a licence":  {changed(t, "    hours: [0.8, 1.3, 2.5]\n    places", "    hours: [0.8, 1.3, 2.5]\n    bought_in: [belt]\n    places"), "only licensed work is bought in"},
		"overlay words without a base": {small + "prices: []\n", "this one extends none"},
		"misspelt":                     {changed(t, "needs: [raised]", "needs: [raise]"), "did you mean \"raised\"?"},
		"unknown member":               {changed(t, "    on: [belted]\n    shuts", "    in: [belted]\n    shuts"), "additionalProperties 'in' not allowed"},
		"anchors":                      {changed(t, "id: lift,", "id: &x lift,"), "anchors and aliases are not used"},
	} {
		t.Run(name, func(t *testing.T) {
			mistakes := mistakesOf(t, loader(t), c.text)
			if !slices.ContainsFunc(mistakes, func(m ruleset.Mistake) bool { return strings.Contains(m.Detail, c.says) }) {
				t.Errorf("says\n%v\nand not %q", mistakes, c.says)
			}
			if len(mistakes) > 3 {
				t.Errorf("one mistake is told as\n%v", mistakes)
			}
		})
	}
}

func TestALargeBookIsRefusedBeforeItIsRead(t *testing.T) {
	for name, text := range map[string]string{
		"long":   strings.Repeat("#", jobbook.MaxSource+1),
		"nested": "a: " + strings.Repeat("[", 100) + strings.Repeat("]", 100),
		"many":   "a: [" + strings.Repeat("1,", 160_000) + "1]",
	} {
		if m := mistakesOf(t, loader(t), text); len(m) > 3 {
			t.Errorf("%s: %d mistakes", name, len(m))
		}
	}
}
