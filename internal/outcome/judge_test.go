package outcome_test

import (
	"encoding/json"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/outcome"
	"laidup/internal/score"
)

const assessment = `{
 "gates": [{"gate": "turn", "chance_unharmed": 0.99}, {"gate": "crank", "chance_unharmed": 0.8}],
 "register": [
  {"hazard": "valve_strike", "gate": "crank", "severity": "critical", "probability": 0.1, "causes": [
    {"fault": "belt_weak", "item": "timing_belt", "probability": 0.2, "chance": 0.4, "evidence": [{"rule": "belt_fraying", "effective_db": 9}]},
    {"fault": "tensioner_bad", "item": "tensioner", "probability": 0.05, "chance": 0.3, "evidence": []}]},
  {"hazard": "starter_jams", "gate": "crank", "severity": "marginal", "probability": 0.05, "causes": [
    {"fault": "starter_bad", "item": "starter", "probability": 0.1, "chance": 0.5, "evidence": []}]}],
 "condition": {"systems": [{"system": "timing_drive", "items": [{"item": "timing_belt"}, {"item": "tensioner"}]}, {"system": "starting", "items": [{"item": "starter"}]}]}
}`

func judge(t *testing.T, form string) map[string]outcome.Count {
	t.Helper()
	var a score.Assessment
	if err := json.Unmarshal([]byte(assessment), &a); err != nil {
		t.Fatal(err)
	}
	f, faults := outcome.DecodeForm([]byte(form))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	got := map[string]outcome.Count{}
	for _, c := range outcome.Judge(f, &a, map[string]string{"timing_belt": "seen"}) {
		got[string(c.Kind)+" "+c.Name] = c
	}
	return got
}

func TestJudge(t *testing.T) {
	const event, none, unseen, absent = "event", "none", "unseen", "absent"
	for name, c := range map[string]struct {
		form string
		want map[string]string
	}{
		"nothing happened": {`{"gate": "crank", "attempted": true, "came": []}`, map[string]string{
			"gate crank": none, "gate turn": absent, "hazard valve_strike": none, "cause belt_weak>valve_strike": none, "cause starter_bad>starter_jams": none, "fault belt_weak": absent}},
		"shut": {`{"gate": "crank", "attempted": false}`, map[string]string{
			"gate crank": unseen, "hazard valve_strike": unseen, "cause belt_weak>valve_strike": unseen}},
		"a harm whose cause is told": {`{"gate": "crank", "attempted": true, "came": [{"hazard": "valve_strike", "fault": "belt_weak"}]}`, map[string]string{
			"gate crank": event, "hazard valve_strike": event, "cause belt_weak>valve_strike": event, "cause tensioner_bad>valve_strike": none, "hazard starter_jams": none}},
		"a harm whose cause is not told": {`{"gate": "crank", "attempted": true, "came": [{"hazard": "valve_strike"}]}`, map[string]string{
			"gate crank": event, "cause belt_weak>valve_strike": unseen, "cause tensioner_bad>valve_strike": unseen}},
		"a harm that has one cause, and is not serious": {`{"gate": "crank", "attempted": true, "came": [{"hazard": "starter_jams"}]}`, map[string]string{
			"gate crank": none, "hazard starter_jams": event, "cause starter_bad>starter_jams": event}},
		"it came out worse than forecast": {`{"gate": "crank", "attempted": true, "came": [{"hazard": "starter_jams", "severity": "critical"}]}`, map[string]string{"gate crank": event}},
		"something else":                  {`{"gate": "crank", "attempted": true, "came": [{"hazard": "other", "severity": "catastrophic"}]}`, map[string]string{"gate crank": event, "hazard valve_strike": none}},
		"a bad part": {`{"parts": [{"fault": "belt_weak", "bad": "yes"}, {"fault": "tensioner_bad", "bad": "cannot_tell"}]}`, map[string]string{
			"fault belt_weak": event, "rule belt_weak>belt_fraying": event, "method seen": event, "fault tensioner_bad": unseen, "gate crank": absent}},
		"a good part":             {`{"parts": [{"fault": "belt_weak", "bad": "no"}]}`, map[string]string{"fault belt_weak": none, "method seen": none}},
		"a part without forecast": {`{"parts": [{"fault": "nobody_knows", "bad": "no"}]}`, map[string]string{"fault nobody_knows": absent}},
	} {
		t.Run(name, func(t *testing.T) {
			got := judge(t, c.form)
			for series, want := range c.want {
				n, there := got[series]
				is := absent
				switch {
				case !there:
				case n.Unseen == 1:
					is = unseen
				case n.Event == 1:
					is = event
				default:
					is = none
				}
				if is != want {
					t.Errorf("%s: %s, want %s", series, is, want)
				}
			}
		})
	}
	got := judge(t, `{"gate": "crank", "attempted": true, "came": [], "parts": [{"fault": "belt_weak", "bad": "no"}]}`)
	if s := got["gate crank"].Step; s != outcome.StepOf(.2) {
		t.Errorf("the gate counts at step %d", s)
	}
	if c := got["cause belt_weak>valve_strike"]; c.Step != outcome.StepOf(.08) || c.Family != "timing_drive" {
		t.Errorf("cause %+v", c)
	}
	if c := got["method seen"]; c.Step != 1 {
		t.Errorf("an alarm by eye counts at step %d", c.Step)
	}
}

func TestCheckNamesWhatTheRuleSetLacks(t *testing.T) {
	f, faults := outcome.DecodeForm([]byte(`{"gate": "no_gate", "attempted": true, "came": [{"hazard": "no_hazard", "fault": "no_fault"}], "parts": [{"fault": "no_fault", "bad": "no", "method": "no_method"}]}`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	var at []string
	for _, x := range f.Check(builtin.FirstStart()) {
		at = append(at, x.Pointer)
	}
	if got := strings.Join(at, " "); got != "/gate /came/0/hazard /came/0/fault /parts/0/fault /parts/0/method" {
		t.Errorf("faults at %s", got)
	}
}

// What is suggested becomes an overlay that loads, and has the corrected numbers and no others.
func TestOverlayLoads(t *testing.T) {
	set := builtin.FirstStart()
	rule := set.Rules[0]
	hazard := set.Hazards[0]
	cause := hazard.Causes[0].Fault.ID
	fault := set.Faults[3].ID
	text, entries, err := outcome.Overlay(set, []outcome.Correction{
		{Of: outcome.OfPrior, Suggestion: outcome.Suggestion{Name: fault}, By: 3},
		{Of: outcome.OfChance, Suggestion: outcome.Suggestion{Name: cause + ">" + hazard.ID}, By: 1.5},
		{Of: outcome.OfWeight, Suggestion: outcome.Suggestion{Name: rule.Fault.ID + ">" + rule.ID}, By: -1},
		{Of: outcome.OfPrior, Suggestion: outcome.Suggestion{Name: "is_not_there"}, By: 3},
	})
	if err != nil || entries != 3 {
		t.Fatalf("%d entries, %v", entries, err)
	}
	corrected, err := builtin.Loader().Knowing(set).Document("corrected.yaml", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if corrected.Digest == set.Digest || len(corrected.Faults) != len(set.Faults) || len(corrected.Rules) != len(set.Rules) {
		t.Error("the overlay is not the same rule set with other numbers")
	}
	before, after := priorOf(set.Canonical, fault), priorOf(corrected.Canonical, fault)
	if before == after || before == "" {
		t.Errorf("prior before %s, after %s", before, after)
	}
}

func priorOf(canonical []byte, fault string) string {
	var doc struct {
		Faults []struct {
			ID    string          `json:"id"`
			Prior json.RawMessage `json:"prior"`
		} `json:"faults"`
	}
	if json.Unmarshal(canonical, &doc) != nil {
		return ""
	}
	for _, f := range doc.Faults {
		if f.ID == fault {
			return string(f.Prior)
		}
	}
	return ""
}
