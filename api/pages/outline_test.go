package pages

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/calendar"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Whatever a vehicle of a drawn kind has, it stands in the picture: no system of the built-in rule sets is without a place.
func TestEverySystemHasItsPlaceInThePicture(t *testing.T) {
	t.Parallel()
	cat := builtin.FirstStart().Catalogue
	for kind, draw := range drawings {
		for _, s := range cat.Systems {
			if _, ok := draw.places[s.ID]; !ok && !slices.Contains(besideEngine, s.ID) {
				t.Errorf("%s: %s stands nowhere", kind, s.ID)
			}
		}
		at := slices.Collect(maps.Values(draw.places))
		for i, x := range at {
			for _, y := range at[:i] {
				if dx, dy := x.x-y.x, x.y-y.y; dx*dx+dy*dy < 20*20 {
					t.Errorf("%s: marks at %v and %v hide one another", kind, x, y)
				}
			}
		}
	}
}

// A system is as bad as the worst thing in it, and names that.
func TestASystemIsAsTheWorstInIt(t *testing.T) {
	t.Parallel()
	cat := builtin.FirstStart().Catalogue
	blocker := func(rank int, kind, item string) score.Blocker {
		return score.Blocker{Rank: rank, Gate: "crank", Kind: kind, Item: item, Reason: score.Reason{Code: score.ReasonFound, Says: item}}
	}
	a := &score.Assessment{
		Gates:     []score.Gate{{Gate: "hand_turn"}, {Gate: "crank", Blockers: 4}},
		Blockers:  []score.Blocker{blocker(1, "unproven", "fuel_pump"), blocker(2, "defect", "fuel"), blocker(3, "duty", "refrigerant"), blocker(4, "unproven", "vehicle.kind")},
		Condition: score.Condition{Systems: []score.SystemCondition{{System: "fuel", Items: []score.ItemCondition{{Item: "fuel"}, {Item: "fuel_pump"}}}, {System: "brakes"}}},
	}
	got := map[string]PlacedSystem{}
	for _, s := range systemsAt(a, "crank", cat, nil, wording.English().Clause) {
		got[s.ID] = s
	}
	if f := got["fuel"]; f.State != score.Blocked || f.Because != "fuel" || f.Blocker != 2 || f.More != 1 {
		t.Errorf("%+v", f)
	}
	if got["air_conditioning"].State != score.Blocked || got["brakes"].State != fine || len(got) != 3 {
		t.Errorf("%+v", got)
	}
	for _, s := range systemsAt(a, "hand_turn", cat, nil, wording.English().Clause) {
		if s.State != fine {
			t.Errorf("at a gate that nothing blocks: %+v", s)
		}
	}
}

func TestTheTimeLineSaysWhichGatesOpened(t *testing.T) {
	t.Parallel()
	p, err := New("en")
	if err != nil {
		t.Fatal(err)
	}
	judged := func(day, crank string) assess.Assessment {
		return assess.Assessment{State: assess.Done, Outcome: assess.Outcome{AsOf: day, Summary: []byte(`{"gates":[{"gate":"crank","state":"` + crank + `"}]}`)}}
	}
	history := []assess.Assessment{judged("2026-05-04", "blocked"), judged("2026-05-03", "clear"), judged("2026-05-02", "unproven"), {State: assess.Queued}} // newest first
	all, err := p.timeline(builtin.FirstStart().Catalogue, nil, history, calendar.DayOf(2026, 5, 9))
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	for _, m := range all {
		said = append(said, strings.TrimSpace(m.Gap+" "+m.On+" "+m.Kind+" +"+strings.Join(m.Opened, "")+" -"+strings.Join(m.Shut, "")))
	}
	want := []string{"2026-05-02 inspected + -", "2026-05-03 inspected +crank -", "2026-05-04 inspected + -crank", "5 days 2026-05-09 now + -"}
	if !slices.Equal(said, want) {
		t.Errorf("%q", said)
	}
}

// Every gate of the built-in rule sets has a short name in sentences.
func TestGatesHaveShortWords(t *testing.T) {
	t.Parallel()
	for _, set := range builtin.RuleSets() {
		for _, g := range set.Gates {
			if wording.English().Do[g.Is] == "" {
				t.Errorf("%s of %s: there are no shorter words for %q", g.ID, set.Name, g.Is)
			}
		}
	}
}
