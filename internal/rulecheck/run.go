package rulecheck

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Failure is a test that does not hold, or a rule that has none.
type Failure struct {
	File    string // where the test is written; empty where there is none
	Line    int
	Pointer string // JSON Pointer to the test, in the document; empty where there is none
	Test    string // the rule, or the name of the dossier
	Detail  string
}

// String writes the failure as editors understand it.
func (f Failure) String() string {
	if f.File == "" {
		return fmt.Sprintf("%s: %s", f.Test, f.Detail)
	}
	return fmt.Sprintf("%s:%d: %s: %s", f.File, f.Line, f.Test, f.Detail)
}

// tests is one run of all tests.
type tests struct {
	*bench
	at       ruleset.Test
	name     string
	failures []Failure

	fires, silent map[string]bool // rules that a test shows to fire, and to let something pass
	names         map[string]bool
}

// Test runs all tests of a rule set and returns those that do not hold. A rule without a source, or
// that no test shows to fire and to let pass what it reads, is a failure too. The error is that of
// ctx, when it ends before the tests do.
func Test(ctx context.Context, set *ruleset.Set) ([]Failure, error) {
	t := &tests{bench: newBench(ctx, set), fires: map[string]bool{}, silent: map[string]bool{}, names: map[string]bool{}}
	for _, written := range set.Tests {
		if ctx.Err() != nil || len(t.failures) > maxTold {
			break
		}
		t.at = written
		form, err := written.Form()
		switch t.name = cmp.Or(form.Rule, form.Name); {
		case err != nil:
			t.fail("%s", err)
		case form.Rule != "":
			t.rule(form)
		default:
			t.dossier(form)
		}
	}
	t.at = ruleset.Test{}
	for _, r := range set.Rules {
		if ctx.Err() != nil || len(t.failures) > maxTold {
			break
		}
		t.name = r.ID
		if r.Source == "" {
			t.fail("has no source: say on whose word it stands")
		}
		if !t.fires[r.ID] {
			t.fail("no test says on what it fires: add {rule: %s, fires: ...} to tests", r.ID)
		}
		if !t.silent[r.ID] && t.canBeSilent(r, blank(set.Catalogue)) {
			t.fail("no test says what it lets pass: add silent: ... to its test")
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("test rule set %s %s: %w", set.Name, set.Version, err)
	}
	if len(t.failures) > maxTold {
		t.failures = append(t.failures[:maxTold:maxTold], Failure{Detail: "there are more failures than these: mend these first"})
	}
	return t.failures, nil
}

// How much is told: of many failures the first, and of what was found in the way the beginning.
const (
	maxTold   = 200
	maxDetail = 1000 // bytes
)

func (t *tests) fail(format string, args ...any) {
	t.failures = append(t.failures, Failure{t.at.File, t.at.Line, t.at.Pointer, t.name, clip(fmt.Sprintf(format, args...))})
}

// clip leaves of a text as much as is told.
func clip(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	return strings.ToValidUTF8(s[:maxDetail], "") + "…"
}

func (t *tests) rule(form ruleset.TestForm) {
	r := findRule(t.set, form.Rule)
	if r == nil {
		t.fail("is not a rule of this rule set")
		return
	}
	if form.Fires != nil {
		t.fires[r.ID] = true
		t.ruleFires(r, form)
	}
	if form.Silent != nil {
		t.silent[r.ID] = true
		t.ruleSilent(r, form)
	}
	t.ruleUnanswered(r, form)
}

// ruleOn scores the findings of a rule test; missing are the findings that the rule reads and that
// are not there.
func (t *tests) ruleOn(what string, r *ruleset.Rule, form ruleset.TestForm, found ruleset.FindingsForm) (ev *score.Evidence, missing []string, ok bool) {
	a, rep, err := t.try(form.Vehicle, form.LayUp, tested(found))
	if err != nil {
		t.fail("%s %s", what, err)
		return nil, nil, false
	}
	d := report.Lay([]*report.Report{rep}, t.set.Catalogue, t.set.ProofCredence)
	for _, slot := range r.Needs {
		if f := t.set.Catalogue.Owner(slot); d.Standing[slot] == nil {
			missing = append(missing, f.Item.ID+"."+f.ID)
		}
	}
	if entry(a, r.Hazard.ID) == nil {
		t.fail("%s is on a vehicle that does not have the hazard %s", what, r.Hazard.ID)
		return nil, nil, false
	}
	ev, _ = evidence(a, r)
	return ev, missing, true
}

func (t *tests) ruleFires(r *ruleset.Rule, form ruleset.TestForm) {
	ev, missing, ok := t.ruleOn("fires", r, form, form.Fires)
	switch {
	case !ok:
	case len(missing) > 0:
		t.fail("fires leaves out %v, which the rule reads", missing)
	case ev == nil:
		t.fail("does not fire on %v (when: %s)", form.Fires, r.When.Source())
	case form.Weighs != nil && math.Abs(ev.WeightDB.Float()-*form.Weighs) > 1e-6:
		t.fail("weighs %v dB on %v, not %v", ev.WeightDB.Float(), form.Fires, *form.Weighs)
	}
}

func (t *tests) ruleSilent(r *ruleset.Rule, form ruleset.TestForm) {
	ev, missing, ok := t.ruleOn("silent", r, form, form.Silent)
	switch {
	case !ok:
	case len(missing) > 0:
		t.fail("silent leaves out %v: report all that the rule reads, or it says nothing", missing)
	case ev != nil:
		t.fail("fires on %v, which it should let pass (when: %s)", form.Silent, r.When.Source())
	}
}

func (t *tests) ruleUnanswered(r *ruleset.Rule, form ruleset.TestForm) {
	ev, missing, ok := t.ruleOn("unanswered", r, form, form.Unanswered)
	switch {
	case !ok:
	case len(missing) == 0:
		t.fail("unanswered leaves out nothing that the rule reads")
	case ev != nil:
		t.fail("fires although %v was not reported", missing)
	}
}

func (t *tests) dossier(form ruleset.TestForm) {
	if t.names[form.Name] {
		t.fail("is the name of another test already")
	}
	t.names[form.Name] = true
	reports, err := t.reports(form)
	if err != nil {
		t.fail("%s", err)
		return
	}
	t.verdicts(form.Expect, t.scorer.Evaluate(reports, -1))
}

func (t *tests) reports(form ruleset.TestForm) ([]*report.Report, error) {
	var list []*report.Report
	date, observations := Today, []ruleset.ObservationForm(nil)
	switch {
	case form.Sound != "":
		if form.Sound != ruleset.SoundToday {
			date = string(form.Sound)
		}
		var err error
		if observations, err = t.sound(date, form.Vehicle, form.LayUp); err != nil {
			return nil, err
		}
	case len(form.Reports) > 0:
		date = form.Reports[0].Date
	}
	// What is set is a report of its own where nothing else was looked at.
	observations = altered(observations, form.Unset, form.Set)
	if len(form.Reports) == 0 || len(observations) > 0 {
		r, err := t.report(date, form.Vehicle, form.LayUp, observations)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	for i, rf := range form.Reports {
		vehicle, layUp := rf.Vehicle, map[string]any(nil)
		if len(list) == 0 {
			vehicle, layUp = maps.Clone(form.Vehicle), form.LayUp
			if vehicle == nil {
				vehicle = map[string]any{}
			}
			maps.Copy(vehicle, rf.Vehicle)
		}
		r, err := t.report(rf.Date, vehicle, layUp, rf.Observations)
		if err != nil {
			return nil, fmt.Errorf("report %d %w", i+1, err)
		}
		list = append(list, r)
	}
	return list, nil
}

func (t *tests) verdicts(want ruleset.ExpectForm, a *score.Assessment) {
	gate := func(id string) int {
		i := gateIndex(t.set, id)
		if i < 0 {
			t.fail("expects something of %q, which is not a gate", id)
		}
		return i
	}
	item := func(id string) {
		if t.set.Catalogue.Item(id) == nil {
			t.fail("expects something of %q, which is not an item", id)
		}
	}
	checks := 0
	for _, id := range slices.Sorted(maps.Keys(want.Gates)) {
		checks++
		if i := gate(id); i >= 0 && a.Gates[i].State != want.Gates[id] {
			t.fail("%s is %s, not %s: %s", id, a.Gates[i].State, want.Gates[id], inTheWay(a, id))
		}
	}
	for _, w := range want.Blocks {
		checks++
		item(w.Item)
		if by := gate(w.By); by >= 0 && !slices.ContainsFunc(a.BlockersBy(w.By), func(b score.Blocker) bool {
			return b.Item == w.Item && (w.Kind == "" || b.Kind == w.Kind)
		}) {
			t.fail("%s does not block by %s (%s): in the way is %s", w.Item, w.By, cmp.Or(w.Kind, "any kind"), inTheWay(a, w.By))
		}
	}
	for _, w := range want.Free {
		checks++
		item(w.Item)
		if gate(w.At) < 0 {
			continue
		}
		for _, b := range a.BlockersBy(w.At) {
			if b.Item == w.Item {
				t.fail("%s blocks %s (%s): %s %v", b.Item, b.Gate, b.Kind, b.Because, b.Rules)
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(want.Severity)) {
		checks++
		item(id)
		i := slices.IndexFunc(a.Register, func(e score.Entry) bool { return e.Item == id })
		switch {
		case i < 0:
			t.fail("there is no hazard of %s on this vehicle", id)
		case a.Register[i].Severity != want.Severity[id]:
			t.fail("the worst entry for %s is %s (%s), not %s", id, a.Register[i].Severity, a.Register[i].Hazard, want.Severity[id])
		}
	}
	if checks == 0 {
		t.fail("expects nothing")
	}
}

// inTheWay names what blocks a gate.
func inTheWay(a *score.Assessment, gate string) string {
	s := ""
	for _, b := range a.BlockersBy(gate) {
		if len(s) > maxDetail {
			break
		}
		if s != "" {
			s += "; "
		}
		s += fmt.Sprintf("%s at %s (%s: %s)", b.Item, b.Gate, b.Kind, b.Because)
	}
	return cmp.Or(s, "nothing")
}
