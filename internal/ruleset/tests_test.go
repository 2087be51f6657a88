package ruleset_test

import (
	"reflect"
	"strings"
	"testing"

	"laidup/internal/ruleset"
)

func TestARuleSetCarriesItsTestsUnread(t *testing.T) {
	set := load(t, small+`
tests:
  - {rule: belt_fraying, fires: {timing_belt: {fraying: true}}, silent: {timing_belt: {fraying: false}}, weighs: 20}
  - name: sound
    source: common practice
    vehicle: {interference: "yes"}
    sound: true
    set: {timing_belt: {method: seen, found: {fraying: true}}}
    reports: [{date: "2026-05-02", observations: [{item: battery, method: seen, found: {secured: true}}]}]
    expect: {gates: {crank: blocked}, blocks: [{item: timing_belt, by: crank, kind: defect}]}
  - {name: on_a_day, source: common practice, sound: "2026-04-30", expect: {free: [{item: battery, at: crank}]}}
  - {name: not_sound, source: common practice, sound: false, expect: {severity: {battery: negligible}}}
  - {rule: nowhere, fires: {nothing: {at: all}}}
  - {limit: belt_over_age, fires: {timing_belt: {age: {value: 6, unit: a}}}}
  - {proof: belt_proven, fires: {timing_belt: {fraying: false}}}
  - {follow: belt_was_frayed, fires: {timing_belt: {fraying: true}}}
  - name: at_one_side
    source: common practice
    set:
      battery: [{method: seen, at: [left], found: {secured: true}}, {method: told, at: [right], found: {secured: false}}]
      timing_belt: {method: seen, fitted: false}
    expect: {blocks: [{item: battery, by: crank, at: [right]}]}
`)
	if len(set.Tests) != 9 {
		t.Fatalf("%d tests", len(set.Tests))
	}
	first := strings.Count(small, "\n") + 3
	if x := set.Tests[0]; x.File != "small.yaml" || x.Line != first || set.Tests[2].Line != first+8 {
		t.Errorf("written at %s:%d and %d, not %d", x.File, x.Line, set.Tests[2].Line, first)
	}
	forms := make([]ruleset.TestForm, len(set.Tests))
	for i, x := range set.Tests {
		var err error
		if forms[i], err = x.Form(); err != nil {
			t.Fatal(err)
		}
	}
	if f := forms[0]; f.Rule != "belt_fraying" || *f.Weighs != 20 || !reflect.DeepEqual(f.Silent, ruleset.FindingsForm{"timing_belt": {"fraying": false}}) || f.Unanswered != nil {
		t.Errorf("read as %+v", f)
	}
	if f := forms[1]; f.Sound != ruleset.SoundToday || f.Set["timing_belt"][0].Method != "seen" || f.Reports[0].Observations[0].Found["secured"] != true || f.Expect.Blocks[0].By != "crank" {
		t.Errorf("read as %+v", f)
	}
	if forms[2].Sound != "2026-04-30" || forms[3].Sound != "" {
		t.Errorf("sound on %q and %q", forms[2].Sound, forms[3].Sound)
	}
	for i, want := range []string{"rule belt_fraying", " ", " ", " ", "rule nowhere", "limit belt_over_age", "proof belt_proven", "follow belt_was_frayed", " "} {
		if kind, id := forms[i].Entry(); kind+" "+id != want {
			t.Errorf("test %d is of %s %s, want %s", i, kind, id, want)
		}
	}
	sides := forms[8]
	if l := sides.Set["battery"]; len(l) != 2 || l[1].At[0] != "right" || l[1].Method != "told" || *sides.Set["timing_belt"][0].Fitted || sides.Expect.Blocks[0].At[0] != "right" {
		t.Errorf("read as %+v", sides)
	}
	// A rule set from its own canonical form has the same tests, and is the same.
	again, err := loader(t).Document("again.json", set.Canonical)
	if err != nil || again.Digest != set.Digest || len(again.Tests) != 9 {
		t.Errorf("read again it is another: %v", err)
	}
	form, err := set.Document()
	if err != nil || form.Rules[0].ID != set.Rules[0].ID || len(form.Tests) != 9 {
		t.Errorf("as a document: %v", err)
	}
}

func TestMistakesOfTests(t *testing.T) {
	for name, c := range map[string]struct{ test, text string }{
		"a rule test that says nothing":   {`{rule: belt_fraying}`, "missing properties"},
		"a test of two entries":           {`{rule: belt_fraying, limit: belt_over_age, fires: {timing_belt: {fraying: true}}}`, "several forms at once"},
		"a proof test that says nothing":  {`{proof: belt_proven}`, "missing properties"},
		"fitted after all":                {`{name: x, source: y, set: {battery: {method: seen, fitted: true}}, expect: {gates: {crank: clear}}}`, "value must be false"},
		"nothing found":                   {`{name: x, source: y, set: {battery: {method: seen, at: [left]}}, expect: {gates: {crank: clear}}}`, "missing properties: 'found'"},
		"an unknown field":                {`{rule: belt_fraying, fires: {timing_belt: {fraying: true}}, sometimes: {}}`, "'sometimes' not allowed"},
		"findings without an item":        {`{rule: belt_fraying, fires: {fraying: true}}`, "expected object, but got boolean"},
		"a dossier that expects nothing":  {`{name: x, source: common practice}`, "missing properties: 'expect'"},
		"an empty expectation":            {`{name: x, source: common practice, expect: {}}`, "minimum 1 properties"},
		"a dossier on nobody's word":      {`{name: x, expect: {gates: {crank: clear}}}`, "missing properties: 'source'"},
		"a state there is not":            {`{name: x, source: y, expect: {gates: {crank: perhaps}}}`, `"clear", "unproven", "blocked"`},
		"a sound day that is none":        {`{name: x, source: y, sound: yesterday, expect: {gates: {crank: clear}}}`, "does not match pattern"},
		"an observation without a method": {`{name: x, source: y, reports: [{date: "2026-05-02", observations: [{item: battery, found: {secured: true}}]}], expect: {gates: {crank: clear}}}`, "missing properties: 'method'"},
	} {
		t.Run(name, func(t *testing.T) {
			mistakes := mistakesOf(t, "small.yaml", small+"\ntests:\n  - "+c.test+"\n")
			if !strings.Contains(mistakes.Error(), c.text) || mistakes[0].File != "small.yaml" || mistakes[0].Line < strings.Count(small, "\n") {
				t.Errorf("mistakes are\n%s", mistakes)
			}
		})
	}
}
