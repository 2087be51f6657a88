package score_test

import (
	"io/fs"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/score"
	"laidup/schema"
)

func TestChangesSayWhatAFollowUpHasChanged(t *testing.T) {
	one, two := demo(t, "brennick-wren-03.1.json"), demo(t, "brennick-wren-03.1.json", "brennick-wren-03.2.json")
	c := two.ChangesFrom(one)
	if len(c.Gates) == 0 || len(c.Gone) == 0 || len(c.Risk) == 0 {
		t.Fatalf("%d gates, %d gone, %d risks", len(c.Gates), len(c.Gone), len(c.Risk))
	}
	states := map[string]string{}
	for _, g := range one.Gates {
		states[g.Gate] = g.State
	}
	for _, g := range c.Gates {
		states[g.Gate] = g.To
	}
	for _, g := range two.Gates {
		if states[g.Gate] != g.State {
			t.Errorf("%s is %s by the changes, and %s", g.Gate, states[g.Gate], g.State)
		}
	}
	// What is gone and what is new lead from the one list to the other.
	if got, want := len(one.Blockers)-len(c.Gone)+len(c.New), len(two.Blockers); got != want {
		t.Errorf("%d blockers by the changes, and %d", got, want)
	}
	for _, r := range c.Risk[1:] {
		if r.Probability.From == nil && r.Probability.To == nil {
			t.Errorf("%s neither was nor is", r.Hazard)
		}
	}
	if c.Coverage.From.Float() >= c.Coverage.To.Float() {
		t.Errorf("coverage from %v to %v", c.Coverage.From, c.Coverage.To)
	}
}

func TestNothingHasChangedFromItself(t *testing.T) {
	a := demo(t, "marrick-tern-01.1.json")
	c := a.ChangesFrom(a)
	if len(c.Gates)+len(c.Gone)+len(c.New)+len(c.Other)+len(c.Risk) > 0 {
		t.Errorf("%+v", c)
	}
}

// demo scores demo reports, as the dossier of one vehicle.
func demo(t *testing.T, names ...string) *score.Assessment {
	t.Helper()
	set := builtin.FirstStart()
	var dossier []*report.Report
	for _, name := range names {
		data, err := fs.ReadFile(schema.FS, "demo/"+name)
		if err != nil {
			t.Fatal(err)
		}
		r, _, faults := report.Decode(data, set.Catalogue)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		dossier = append(dossier, r)
	}
	return score.Evaluate(set, dossier, -1)
}
