// Package rulecheck is the workbench of who writes rule sets. [Test] runs the tests that a rule set
// carries, [Lint] looks for what no test would say, [Explain] shows the arithmetic of one rule on
// one dossier, [Diff] shows what another version changes, and [Doc] writes the whole book for a
// person to read. It is pure.
package rulecheck

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Today is the day from which the tests of rule sets speak, so that what they expect never changes
// with the clock.
const Today = "2026-05-02"

var today = calendar.DayOf(2026, 5, 2)

// bench is a rule set with what is needed to try it.
type bench struct {
	set    *ruleset.Set
	scorer *score.Scorer
	ctx    context.Context
	asked  int // how often over was
}

func newBench(ctx context.Context, set *ruleset.Set) *bench {
	return &bench{set: set, scorer: score.New(set), ctx: ctx}
}

// over says whether the time for trying is up. It is asked wherever a rule set that means harm could
// have us try for hours.
func (b *bench) over() bool {
	b.asked++
	return b.asked%64 == 0 && b.ctx.Err() != nil
}

// assess scores reports and says in words why.
func (b *bench) assess(reports ...*report.Report) *score.Assessment {
	a := b.scorer.Evaluate(reports, -1)
	wording.English().Write(a)
	return a
}

// lay lays one report of today.
func (b *bench) lay(vehicle, layUp map[string]any, observations []ruleset.ObservationForm) (*report.Dossier, error) {
	r, err := b.report(Today, vehicle, layUp, observations)
	if err != nil {
		return nil, err
	}
	return report.Lay([]*report.Report{r}, b.set.Catalogue, b.set.ProofCredence), nil
}

// report makes a report as a form would post it.
func (b *bench) report(date string, vehicle, layUp map[string]any, observations []ruleset.ObservationForm) (*report.Report, error) {
	v := map[string]any{"reference": "tested"}
	maps.Copy(v, vehicle)
	form := map[string]any{
		"schema": report.SchemaName, "vehicle": v, "inspection": map[string]any{"date": date}, "observations": observations,
	}
	if len(observations) == 0 {
		form["observations"] = []any{}
	}
	if len(layUp) > 0 {
		form["lay_up"] = layUp
	}
	data, err := json.Marshal(form)
	if err != nil {
		return nil, fmt.Errorf("write report: %w", err)
	}
	r, _, faults := report.Decode(data, b.set.Catalogue)
	if len(faults) > 0 {
		said := make([]string, len(faults))
		for i, f := range faults {
			said[i] = f.Pointer + ": " + f.Detail
		}
		return nil, errors.New("is not a report that could be posted: " + strings.Join(said, "; "))
	}
	return r, nil
}

// tested makes observations by functional test out of findings by item.
func tested(found ruleset.FindingsForm) []ruleset.ObservationForm {
	var list []ruleset.ObservationForm
	for _, item := range slices.Sorted(maps.Keys(found)) {
		list = append(list, ruleset.ObservationForm{Item: item, SeenForm: ruleset.SeenForm{Method: "tested", Found: found[item]}})
	}
	return list
}

// entry finds the entry of a hazard in a register; nil where the hazard does not exist.
func entry(a *score.Assessment, hazard string) *score.Entry {
	for i := range a.Register {
		if a.Register[i].Hazard == hazard {
			return &a.Register[i]
		}
	}
	return nil
}

// causeIn finds a fault among the causes of a register: where it is likeliest, since facts that are not
// known may be read another way for each hazard. Nil where it causes nothing there.
func causeIn(a *score.Assessment, fault string) *score.Cause {
	var worst *score.Cause
	for i := range a.Register {
		for k := range a.Register[i].Causes {
			if c := &a.Register[i].Causes[k]; c.Fault == fault && (worst == nil || c.Probability > worst.Probability) {
				worst = c
			}
		}
	}
	return worst
}

// evidence finds what became of a rule in the ledger of its fault: the evidence of it that counts or is
// outweighed.
func evidence(c *score.Cause, r *ruleset.Rule) (ev *score.Evidence, counts bool) {
	for i := range c.Evidence {
		if c.Evidence[i].Rule == r.ID {
			return &c.Evidence[i], true
		}
	}
	for i := range c.Outweighed {
		if c.Outweighed[i].Rule == r.ID {
			return &c.Outweighed[i], false
		}
	}
	return nil, false
}

func findRule(set *ruleset.Set, id string) *ruleset.Rule {
	return find(set.Rules, func(r *ruleset.Rule) string { return r.ID }, id)
}

// find finds an entry of a list by its id; nil where there is none.
func find[T any](list []*T, idOf func(*T) string, id string) *T {
	for _, x := range list {
		if idOf(x) == id {
			return x
		}
	}
	return nil
}

// there reports whether an optional condition does not rule something out.
func there(c *condition.Condition, f condition.Frame) bool {
	return c == nil || c.Holds(f) != condition.False
}

func gateIndex(set *ruleset.Set, id string) int {
	return slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == id })
}

func spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }
