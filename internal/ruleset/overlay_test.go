package ruleset_test

import (
	"strings"
	"testing"

	"laidup/internal/ruleset"
	"laidup/schema"
)

const overlay = `
schema: laidup.rule_set/1
extends: {name: first-start, version: 1.0.0}
without: {rules: [belt_fraying]}
name: our-yard
version: 2.0.0
is: "ours"
asks: road_test
assumes: ["ours alone"]
half_lives: [{item: battery, years: 9, source: {kind: judgement}}]
rules:
  - {id: belt_sound_to_us, hazard: valve_strike, line: belt_surface, when: "!found.fraying", weight: -3, because: "it looks sound to us", source: {kind: judgement}}
tests:
  - {rule: belt_sound_to_us, fires: {timing_belt: {fraying: false}}, silent: {timing_belt: {fraying: true}}}
`

func overlayLoader(t *testing.T) (*ruleset.Loader, *ruleset.Set) {
	t.Helper()
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	base, err := l.Folder(schema.FS, "rulesets/first-start/1.0.0")
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
	battery := set.Catalogue.Item("battery").Index
	if set.HalfLife[battery] != 9 || base.HalfLife[battery] == 9 {
		t.Errorf("half-life of the battery %v, the base has %v", set.HalfLife[battery], base.HalfLife[battery])
	}
	for i := range set.HalfLife {
		if i != battery && set.HalfLife[i] != base.HalfLife[i] {
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

func TestFaultsOfAnOverlay(t *testing.T) {
	l, _ := overlayLoader(t)
	for name, c := range map[string]struct{ old, new, want string }{
		"no such base":                             {"version: 1.0.0}", "version: 9.9.9}", "ours.yaml:3:10: /extends: there is no rule set first-start 9.9.9 to extend"},
		"nothing to do without":                    {"[belt_fraying]", "[belt_frying]", "/without/rules: what it extends has no belt_frying"},
		"a catalogue of its own":                   {"asks: road_test", "asks: road_test\ncatalogue: {}", "/catalogue: an overlay speaks of the catalogue of what it extends"},
		"a fault in its rule":                      {`"!found.fraying"`, `"!found.frying"`, "ours.yaml:12:"},
		"a fault in the base's rule that it makes": {"without: {rules: [belt_fraying]}", "without: {hazards: [valve_strike]}", "first-start 1.0.0:"},
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
