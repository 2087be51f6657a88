package rulecheck

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// uncleared posts what is said to clear a fault where nobody looked, on a vehicle for each of its
// hazards on which that is at its worst; then, on the first of them with all its facts known, after the
// worst that the rules of the fault know, one rule after another; and looks whether it still blocks.
func (l *linter) uncleared(fault *ruleset.Fault) {
	var vehicle condition.Frame
	for _, h := range fault.Hazards {
		f, ok := l.vehicleWith(h, fault)
		if !ok {
			continue
		}
		if l.clears(fault, f, "with nobody having looked", nil) {
			return
		}
		if vehicle == nil {
			vehicle = l.described(f)
		}
	}
	for _, r := range l.rules[fault] {
		if l.done() || vehicle == nil {
			return
		}
		if found := l.worst(r); found != nil && l.clears(fault, vehicle, "after "+r.ID, found) {
			return
		}
	}
}

// standing looks for alarms that outlast what clears them: whatever was found before, once what is asked
// for is found, nothing of it may speak for the fault.
func (l *linter) standing(fault *ruleset.Fault) {
	for _, r := range l.rules[fault] {
		f, after := blank(l.set.Catalogue), condition.Frame(nil)
		l.tries(f, r.Needs, limitsOf(r), func() bool {
			if w, _ := weightOn(r, f); w <= 0 {
				return false
			}
			after = append(after[:0], f...)
			for _, c := range r.ClearBy {
				if it := c.Finding.Item; c.Finding == it.Renewed {
					for _, x := range it.Finds {
						after[x.Slot] = condition.Unset
					}
				}
			}
			l.layClears(after, r.ClearBy)
			w, _ := weightOn(r, after)
			if w <= 0 || !answered(r, after) {
				return false
			}
			l.add(Standing, r.ID, "still speaks for %s once what clears it was found", fault.ID)
			return true
		})
	}
}

// described is a vehicle of which every choice and flag among the facts is known: those that were not
// have their first value.
func (l *linter) described(f condition.Frame) condition.Frame {
	f = slices.Clone(f)
	for _, fact := range l.set.Catalogue.Facts {
		if fact.Values != nil && !f.Known(fact.Slot) {
			f[fact.Slot] = 0
		}
	}
	return f
}

// vehicleWith finds facts on which a hazard exists, is at its worst, and has a fault among its causes.
// Facts that nothing asks for stay unknown.
func (l *linter) vehicleWith(h *ruleset.Hazard, fault *ruleset.Fault) (condition.Frame, bool) {
	cat := l.set.Catalogue
	var slots []int
	conditions := []*condition.Condition{h.When, fault.When, fault.Item.Applies}
	all := slices.Clone(conditions)
	for _, s := range h.Severity {
		all = append(all, s.When)
	}
	worst := ruleset.Negligible
	for _, s := range h.Severity {
		worst = min(worst, s.Is)
	}
	for _, c := range all {
		if c != nil {
			slots = append(slots, c.Reads()...)
		}
	}
	slices.Sort(slots)
	slots = slices.Compact(slots)
	values := make([][]float64, len(slots))
	for i, slot := range slots {
		values[i] = valuesOf(cat, slot, literals(sourcesOf(all)...))
	}
	// At its worst if that can be; a fault may be there only where the hazard is not so bad.
	for _, bad := range []ruleset.Severity{worst, ruleset.Negligible} {
		f := blank(cat)
		if l.combine(f, slots, values, func() bool {
			return !slices.ContainsFunc(conditions, func(c *condition.Condition) bool { return c != nil && c.Holds(f) != condition.True }) && h.SeverityOn(f) <= bad
		}) {
			return f, true
		}
	}
	return nil, false
}

func sourcesOf(conditions []*condition.Condition) []string {
	var list []string
	for _, c := range conditions {
		if c != nil {
			list = append(list, c.Source())
		}
	}
	return list
}

// worst returns findings on which a rule speaks most for its fault, or blocks; nil where it only
// reassures.
func (l *linter) worst(r *ruleset.Rule) condition.Frame {
	f := blank(l.set.Catalogue)
	var best condition.Frame
	most := 0.0
	l.tries(f, r.Needs, limitsOf(r), func() bool {
		w, blocks := weightOn(r, f)
		if w > most || blocks && best == nil {
			best, most = slices.Clone(f), math.Max(w, most)
		}
		return false
	})
	return best
}

// clears posts findings, then what clears all that blocks on account of a fault or beside it, and
// reports whether the fault still blocks.
func (l *linter) clears(fault *ruleset.Fault, vehicle condition.Frame, when string, found condition.Frame) bool {
	facts, layUp := l.factsOf(vehicle)
	var observations []ruleset.ObservationForm
	if found != nil {
		observations = l.observed(found)
	}
	before, err := l.report(Today, facts, layUp, observations)
	if err != nil {
		return false // what is not possible together is not asked
	}
	var asked []score.Clearing
	for _, b := range l.assess(before).Blockers {
		if concerns(b, fault) || beside(b, fault) {
			asked = append(asked, b.ClearBy...)
		}
	}
	if len(asked) == 0 {
		return false
	}
	after, err := l.report(Today, nil, nil, posted(asked))
	if err != nil {
		l.add(Unpostable, fault.ID, "%s, what clears it %s", when, err)
		return true
	}
	for _, b := range l.assess(before, after).Blockers {
		if concerns(b, fault) {
			l.add(Uncleared, fault.ID, "%s, what clears it leaves it blocking %s (%s: %s, by %s)", when, b.Gate, b.Kind, b.Because, strings.Join(b.Rules, ", "))
			return true
		}
	}
	return false
}

func concerns(b score.Blocker, f *ruleset.Fault) bool { return slices.Contains(b.Faults, f.ID) }

// beside reports whether a blocker is about another cause of a hazard of a fault.
func beside(b score.Blocker, f *ruleset.Fault) bool {
	for _, h := range f.Hazards {
		for _, c := range h.Causes {
			if slices.Contains(b.Faults, c.Fault.ID) {
				return true
			}
		}
	}
	return false
}

// posted makes observations by test of what blockers ask for, each finding at a position once. What is
// asked of facts is left out: an answer may take away what else is asked for.
func posted(asked []score.Clearing) []ruleset.ObservationForm {
	var list []ruleset.ObservationForm
	for _, c := range asked {
		if c.Item == "" {
			continue
		}
		i := slices.IndexFunc(list, func(o ruleset.ObservationForm) bool { return o.Item == c.Item && slices.Equal(o.At, c.At) })
		if i < 0 {
			i = len(list)
			list = append(list, ruleset.ObservationForm{Item: c.Item, SeenForm: ruleset.SeenForm{Method: "tested", At: c.At, Found: map[string]any{}}})
		}
		for _, f := range c.Found {
			list[i].Found[f.ID] = json.RawMessage(f.Value)
		}
	}
	return list
}

// factsOf writes the known facts of a frame in the form of reports.
func (l *linter) factsOf(f condition.Frame) (vehicle, layUp map[string]any) {
	vehicle, layUp = map[string]any{}, map[string]any{}
	for _, fact := range l.set.Catalogue.Facts {
		if !f.Known(fact.Slot) {
			continue
		}
		into := vehicle
		if fact.In == "lay_up" {
			into = layUp
		}
		id := fact.ID
		if group, member, grouped := strings.Cut(id, "."); grouped {
			if into[group] == nil {
				into[group] = map[string]any{}
			}
			into, id = into[group].(map[string]any), member
		}
		into[id] = formOf(fact, f[fact.Slot])
	}
	return vehicle, layUp
}

// observed writes the known findings of a frame as observations by test.
func (l *linter) observed(f condition.Frame) []ruleset.ObservationForm {
	found := ruleset.FindingsForm{}
	for _, it := range l.set.Catalogue.Items {
		for _, x := range it.Finds {
			if !f.Known(x.Slot) {
				continue
			}
			if found[it.ID] == nil {
				found[it.ID] = map[string]any{}
			}
			found[it.ID][x.ID] = formOf(x, f[x.Slot])
		}
	}
	return tested(found)
}

func formOf(f *catalogue.Finding, v float64) json.RawMessage {
	return report.Form(report.Value{Finding: f, Number: v, Text: "given"})
}

// unproving looks whether, once what clears something has been posted, the item's proofs that are asked
// for whatever the odds can still be given: what is renewed has lost all that was found on it.
func (l *linter) unproving(entry string, it *catalogue.Item, clears []ruleset.Clear) {
	renewed := slices.ContainsFunc(clears, func(c ruleset.Clear) bool { return c.Finding == it.Renewed })
	for _, p := range l.set.Proofs {
		if p.Item != it || !p.Always {
			continue
		}
		f := blank(l.set.Catalogue)
		if !renewed {
			l.layClears(f, p.ClearBy)
		}
		l.layClears(f, clears)
		if p.Proves.Holds(f) != condition.True {
			l.add(Unproving, entry, "what clears it leaves the proof %s undone", p.ID)
		}
	}
}

// layClears puts what clears something into a frame, as it is once it has been posted.
func (l *linter) layClears(f condition.Frame, clears []ruleset.Clear) {
	for _, c := range clears {
		f[c.Finding.Slot] = l.numberOf(c)
		if it := c.Finding.Item; c.Finding == it.Renewed {
			f[it.Age.Slot] = 0
		}
	}
}

// numberOf is a clearing value as a condition reads it.
func (l *linter) numberOf(c ruleset.Clear) float64 {
	if c.Value == nil {
		return float64(today)
	}
	one := fmt.Appendf(nil, "{%q:%s}", c.Finding.ID, c.Value)
	values, faults := report.DecodeFound(one, c.Finding.Item, l.set.Catalogue)
	if len(faults) > 0 || len(values) == 0 {
		return condition.Unset
	}
	return values[0].Number
}

// unmeetable looks for kinds of vehicle that are asked for what they do not have, or that what clears a
// proof does not prove it for.
func (l *linter) unmeetable() {
	for _, p := range l.set.Proofs {
		l.meetable(p.ID, []*condition.Condition{p.When, p.Item.Applies}, p.ClearBy, p)
	}
	for _, f := range l.set.Faults {
		l.meetable(f.ID, []*condition.Condition{f.When, f.Item.Applies}, f.ClearBy, nil)
	}
	for _, x := range l.set.Limits {
		on := []*condition.Condition{x.If, x.Item.Applies}
		if x.Fault != nil {
			if sameClears(x.ClearBy, x.Fault.ClearBy) {
				continue
			}
			on = append(on, x.Fault.When, x.Fault.Item.Applies)
		}
		l.meetable(x.ID, on, x.ClearBy, nil)
	}
}

// meetable looks at every kind of vehicle, known and unknown, on which none of the conditions is false.
func (l *linter) meetable(entry string, on []*condition.Condition, clears []ruleset.Clear, proof *ruleset.Proof) {
	if l.done() {
		return
	}
	cat := l.set.Catalogue
	var reads []int
	items := slices.Clone(on)
	for _, c := range clears {
		items = append(items, c.Finding.Item.Applies)
	}
	if proof != nil {
		items = append(items, proof.Proves)
	}
	for _, c := range items {
		if c != nil {
			reads = append(reads, c.Reads()...)
		}
	}
	slices.Sort(reads)
	f := blank(cat)
	l.layClears(f, clears)
	var slots []int
	var values [][]float64
	numbers := false
	for _, slot := range slices.Compact(reads) {
		switch owner := cat.Owner(slot); {
		case owner != nil && owner.Item != nil || slot == cat.AsOf:
		case owner != nil && owner.Values != nil:
			slots = append(slots, slot)
			values = append(values, append([]float64{condition.Unset}, valuesOf(cat, slot, nil)...))
		default:
			numbers = true
		}
	}
	l.combine(f, slots, values, func() bool {
		if slices.ContainsFunc(on, func(c *condition.Condition) bool { return !there(c, f) }) {
			return false
		}
		for _, c := range clears {
			if !c.Finding.Item.AppliesTo(f) {
				l.add(Unmeetable, entry, "asks for %s of the %s, which a vehicle with %s does not have", c.Finding.ID, c.Finding.Item.Is, l.kindOf(f, slots))
				return true
			}
		}
		if proof != nil && proof.Proves.Holds(f) != condition.True && !numbers {
			l.add(Unmeetable, entry, "is not met by what clears it on a vehicle with %s", l.kindOf(f, slots))
			return true
		}
		return false
	})
}

// kindOf says which vehicle a frame is of.
func (l *linter) kindOf(f condition.Frame, slots []int) string {
	var said []string
	for _, slot := range slots {
		said = append(said, nameOf(l.set.Catalogue.Owner(slot), false)+" "+ruleset.Say(l.set.Catalogue.Owner(slot), f[slot]))
	}
	if len(said) == 0 {
		return "nothing known of it"
	}
	return strings.Join(said, ", ")
}

// nameOf names a fact or finding; a number that is counted from a date belongs to nothing.
func nameOf(f *catalogue.Finding, laidUp bool) string {
	switch {
	case f == nil && laidUp:
		return "the years laid up"
	case f == nil:
		return "the years since it was built"
	case f.Item != nil:
		return f.Item.ID + "." + f.ID
	}
	return spaced(f.ID)
}
