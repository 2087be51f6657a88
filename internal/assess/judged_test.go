package assess_test

import (
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"testing"

	"laidup/internal/assess"
	"laidup/internal/score"
)

// Rule sets of an organisation's own may have other gates: its lists can be judged there, and nobody
// else's.
func TestListsAreJudgedAtGatesThatThereAre(t *testing.T) {
	t.Parallel()
	w := open(t)
	accepted := w.submit(t, "schema", "demo", "marrick-tern-01.1.json")
	if err := w.store.Finish(t.Context(), accepted.AssessmentID, assess.Outcome{
		Body: []byte(`{}`), Gates: assess.GateStates{{Gate: "tow", State: score.Clear}, {Gate: "crank", State: score.Clear}},
	}, w.now); err != nil {
		t.Fatal(err)
	}
	built := []string{"hand_turn", "crank", "first_start", "warm_up", "yard_move", "road_test"}
	for organisation, want := range map[string][]string{"brennick-motors": append(slices.Clone(built), "tow"), "harrow-lane": built} {
		of := w.For(organisation)
		gates, err := of.Gates(t.Context())
		if err != nil || !slices.Equal(gates, want) {
			t.Errorf("%s has the gates %v (%v)", organisation, gates, err)
		}
		for asked, gate := range map[string]string{"": "first_start", "crank": "crank", "tow": "tow", "launch": ""} {
			if !slices.Contains(want, gate) {
				gate = ""
			}
			got, err := of.JudgedAt(t.Context(), asked)
			var none *assess.NoSuchGateError
			if got != gate || errors.As(err, &none) != (gate == "") {
				t.Errorf("%s asks about %q and is judged at %q (%v)", organisation, asked, got, err)
			}
			if none != nil && !slices.Equal(none.Gates, want) {
				t.Errorf("%s is told of the gates %v", organisation, none.Gates)
			}
		}
	}
}

func TestAnAssessmentIsJudgedByItsSummary(t *testing.T) {
	t.Parallel()
	w := open(t)
	accepted := w.submit(t, "schema", "demo", "marrick-tern-01.1.json")
	if err := w.Score(t.Context(), accepted.AssessmentID); err != nil {
		t.Fatal(err)
	}
	stored, err := w.Assessment(t.Context(), accepted.AssessmentID)
	if err != nil {
		t.Fatal(err)
	}
	var whole score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &whole); err != nil {
		t.Fatal(err)
	}
	history, err := w.History(t.Context(), assess.HistoryPage{Vehicle: "marrick-tern-01", Limit: 1})
	if err != nil || len(history) != 1 {
		t.Fatal(history, err)
	}
	for _, g := range whole.Gates {
		at, coverage, err := history[0].At(g.Gate)
		if err != nil || !reflect.DeepEqual(at, &assess.GateState{Gate: g.Gate, State: g.State, Blockers: g.Blockers}) || coverage != whole.Coverage {
			t.Errorf("at %s it is %+v with %+v (%v), want %+v", g.Gate, at, coverage, err, g)
		}
	}
	if at, coverage, err := history[0].At("launch"); at != nil || coverage != whole.Coverage || err != nil {
		t.Errorf("at a gate that is not there it is %+v with %+v (%v)", at, coverage, err)
	}
	// What is not finished is not judged, and what cannot be read is not clear.
	if at, coverage, err := (assess.Assessment{}).At("crank"); at != nil || coverage != (score.Coverage{}) || err != nil {
		t.Errorf("unfinished it is %+v with %+v (%v)", at, coverage, err)
	}
	if at, _, err := (assess.Assessment{Outcome: assess.Outcome{Summary: []byte(`{`)}}).At("crank"); at != nil || err == nil {
		t.Errorf("unreadable it is %+v (%v)", at, err)
	}
}
