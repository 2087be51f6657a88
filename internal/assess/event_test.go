package assess_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"laidup/internal/assess"
)

// states draws the states of some gates.
func states(t *rapid.T, name string) assess.GateStates {
	gates := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"hand_turn", "crank", "first_start", "road_test"}), 0, 4, rapid.ID).Draw(t, name)
	var s assess.GateStates
	for _, g := range gates {
		s = append(s, assess.GateState{Gate: g, State: rapid.SampledFrom([]string{"clear", "unproven", "blocked"}).Draw(t, name+" "+g)})
	}
	return s
}

// Whoever keeps the gates by what events say has them as they are.
func TestChangesOfReadinessLeadFromTheGatesBeforeToThoseOfNow(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		before, now := states(t, "before"), states(t, "now")
		a := assess.Assessment{ID: "a", Vehicle: "tern-01", State: assess.Done, FinishedAt: time.UnixMilli(1), Outcome: assess.Outcome{Gates: now}}
		kept := map[string]string{}
		for _, g := range before {
			kept[g.Gate] = g.State
		}
		events := assess.Events(a, assess.ParseGateStates(before.String()), true)
		if len(events) > 2 || events[0].Type != assess.AssessmentFinished {
			t.Fatalf("%+v", events)
		}
		for _, e := range events[1:] {
			body, err := e.Body()
			if err != nil {
				t.Fatal(err)
			}
			var told struct {
				Type string
				Data struct{ Gates []assess.GateChange }
			}
			if err := json.Unmarshal(body, &told); err != nil || told.Type != assess.ReadinessChanged || len(told.Data.Gates) == 0 {
				t.Fatalf("%s (%v)", body, err)
			}
			for _, g := range told.Data.Gates {
				if was, known := kept[g.Gate]; known != (g.From != nil) || known && was != *g.From || was == g.To {
					t.Fatalf("%+v, and it was %q", g, was)
				}
				kept[g.Gate] = g.To
			}
		}
		for _, g := range now {
			if kept[g.Gate] != g.State {
				t.Fatalf("%s is kept as %q and is %q", g.Gate, kept[g.Gate], g.State)
			}
		}
		// A late word says nothing of how things stand.
		if late := assess.Events(a, before, false); len(late) != 1 {
			t.Fatalf("%+v", late)
		}
	})
}

func TestEventsAreThin(t *testing.T) {
	t.Parallel()
	a := assess.Assessment{ID: "a", ReportID: "r", Vehicle: "tern-01", Gate: "crank", State: assess.Failed, FinishedAt: time.UnixMilli(1_777_777_777_123), Problem: []byte(`{"detail":"long"}`)}
	body, err := assess.Events(a, nil, false)[0].Body()
	if err != nil {
		t.Fatal(err)
	}
	want := `{"type":"assessment.finished","timestamp":"2026-05-03T03:09:37.123Z","data":{"assessment":"a","report":"r","vehicle":"tern-01","state":"failed","gate":"crank","rule_set":{"name":"","version":"","digest":""},"path":"/v1/assessments/a"}}`
	if string(body) != want {
		t.Errorf("got  %s\nwant %s", body, want)
	}
	if strings.Contains(string(body), "long") || slices.Contains(assess.EventTypes, assess.SubscriptionTest) {
		t.Error("too much is told")
	}
}
