package ruleset_test

import (
	"strings"
	"testing"

	"laidup/internal/ruleset"
	"laidup/schema"
)

const overlay = `
schema: laidup.rule_set/2
extends: {name: first-start, version: 2.0.0}
without: {rules: [belt_fraying]}
name: our-yard
version: 2.0.0
is: "ours"
asks: road_test
assumes: ["ours alone"]
half_lives: [{item: starter_motor, years: 9, source: {kind: judgement}}]
rules:
  - {id: belt_sound_to_us, fault: timing_belt_weak, line: belt_surface, when: "!found.fraying", weight: -3, because: "it looks sound to us", source: {kind: judgement}}
faults:
  - id: timing_belt_weak
    item: timing_belt
    is: "the belt is weak, we think"
    prior: {is: 0.5, spread: 1}
    source: {kind: judgement}
limits:
  - {id: belt_over_age_to_us, fault: timing_belt_weak, when: age >= 4.0, gate: crank, guards: [valve_strike], because: "ours are changed at four years", source: {kind: judgement}}
proofs:
  - {id: belt_seen_by_us, item: timing_belt, gate: crank, proves: "!found.slack", guards: [valve_strike], because: "we look", clear_by: [{item: timing_belt, found: {slack: false}}], source: {kind: judgement}}
follows:
  - {id: belt_was_slack, item: timing_belt, when: found.slack, needs: belt_seen_by_us, because: "it was slack", source: {kind: judgement}}
tests:
  - {limit: belt_over_age_to_us, fires: {timing_belt: {age: {value: 4, unit: a}}}}
  - {rule: belt_sound_to_us, fires: {timing_belt: {fraying: false}}, silent: {timing_belt: {fraying: true}}}
`

func overlayLoader(t *testing.T) (*ruleset.Loader, *ruleset.Set) {
	t.Helper()
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	base, err := l.Folder(schema.FS, schema.FirstStart)
	if err != nil {
		t.Fatal(err)
	}
	return l.Knowing(base), base
}

func TestAnOverlaySaysOnlyWhereItDiffers(t *testing.T) {
	l, base := overlayLoader(t)
	set, err := l.Document("ours.yaml", []byte(overlay))
	if err != nil {
		t.Fatal(err)
	}
	if set.Name != "our-yard" || set.Gates[set.Asks].ID != "road_test" || len(set.Assumes) != 1 {
		t.Errorf("%s asks %s and assumes %v", set.Name, set.Gates[set.Asks].ID, set.Assumes)
	}
	if len(set.Hazards) != len(base.Hazards) || len(set.Rules) != len(base.Rules) {
		t.Errorf("%d hazards and %d rules, the base has %d and %d", len(set.Hazards), len(set.Rules), len(base.Hazards), len(base.Rules))
	}
	for _, r := range set.Rules {
		if r.ID == "belt_fraying" {
			t.Error("the rule that it does without is there")
		}
	}
	// What blocked by the rule that it does without has gone, and a limit of its own has come.
	if len(set.Limits) != len(base.Limits) || len(set.Faults) != len(base.Faults) || len(set.Proofs) != len(base.Proofs)+1 || len(set.Follows) != len(base.Follows)+1 {
		t.Errorf("%d limits, %d faults, %d proofs and %d follows, the base has %d, %d, %d and %d",
			len(set.Limits), len(set.Faults), len(set.Proofs), len(set.Follows), len(base.Limits), len(base.Faults), len(base.Proofs), len(base.Follows))
	}
	for i, f := range set.Faults {
		if own := f.ID == "timing_belt_weak"; f.ID != base.Faults[i].ID || own != (f.Is == "the belt is weak, we think") {
			t.Errorf("in the place of %s is %s: %s", base.Faults[i].ID, f.ID, f.Is)
		}
	}
	entryTests := 0
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if kind, _ := form.Entry(); kind == "" {
			t.Errorf("a test of a dossier was taken over: %s", form.Name)
		} else if kind == "limit" {
			entryTests++
		}
	}
	if entryTests == 0 {
		t.Error("its test of a limit is not there")
	}
	starter := set.Catalogue.Item("starter_motor").Index
	if set.HalfLife[starter] != 9 || base.HalfLife[starter] == 9 {
		t.Errorf("half-life of the starter motor %v, the base has %v", set.HalfLife[starter], base.HalfLife[starter])
	}
	for i := range set.HalfLife {
		if i != starter && set.HalfLife[i] != base.HalfLife[i] {
			t.Errorf("the half-life of %s is another", set.Catalogue.Items[i].ID)
		}
	}
}

func TestAnOverlayStandsOnItsOwnOnceItIsRead(t *testing.T) {
	l, _ := overlayLoader(t)
	set, err := l.Document("ours.yaml", []byte(overlay))
	if err != nil {
		t.Fatal(err)
	}
	alone, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	again, err := alone.Document("stored.json", set.Canonical)
	if err != nil || again.Digest != set.Digest {
		t.Errorf("read again without its base: %v", err)
	}
}

func TestMistakesOfAnOverlay(t *testing.T) {
	l, _ := overlayLoader(t)
	for name, c := range map[string]struct{ old, new, want string }{
		"no such base":                               {"version: 2.0.0}", "version: 9.9.9}", "ours.yaml:3:10: /extends: there is no rule set first-start 9.9.9 to extend"},
		"nothing to do without":                      {"[belt_fraying]", "[belt_frying]", "/without/rules: what it extends has no belt_frying"},
		"systems of its own":                         {"asks: road_test", "asks: road_test\nsystems: [{id: ours, is: ours, items: []}]", "ours.yaml:9:1: /catalogue: an overlay speaks of the catalogue of what it extends"},
		"a catalogue of its own":                     {"asks: road_test", "asks: road_test\ncatalogue: {}", "/catalogue: an overlay speaks of the catalogue of what it extends"},
		"a mistake in its rule":                      {`"!found.fraying"`, `"!found.frying"`, "ours.yaml:12:"},
		"a mistake in the base's rule that it makes": {"without: {rules: [belt_fraying]}", "without: {hazards: [valve_strike]}", "first-start 2.0.0:"},
	} {
		t.Run(name, func(t *testing.T) {
			text := strings.Replace(overlay, c.old, c.new, 1)
			if text == overlay {
				t.Fatal("nothing was spoilt")
			}
			_, err := l.Document("ours.yaml", []byte(text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%q is not in:\n%v", c.want, err)
			}
		})
	}
}
