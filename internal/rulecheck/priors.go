package rulecheck

import (
	"slices"
	"strings"

	"laidup/internal/condition"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// counted looks for numbers that are in the prior of a fault and in a rule for it as well.
func (l *linter) counted(fault *ruleset.Fault) {
	cat := l.set.Catalogue
	var slots []int
	switch fault.Prior.Over {
	case ruleset.Age:
		slots = []int{fault.Item.Age.Slot, fault.Item.Renewed.Slot}
		if fault.Item.Made != nil {
			slots = append(slots, fault.Item.Made.Slot)
		}
	case ruleset.LaidUp:
		slots = []int{cat.YearsLaidUp, cat.LastRan}
	case ruleset.SinceBuilt:
		slots = []int{cat.YearsSinceBuilt, cat.Built}
	case ruleset.Odometer:
		slots = []int{cat.Odometer}
	case ruleset.Formula:
		for _, slot := range fault.Prior.Of.Reads() {
			if f := cat.Owner(slot); slot != cat.AsOf && (f == nil || f.Item != nil || f.Values == nil) {
				slots = append(slots, slot)
			}
		}
	}
	for _, r := range l.rules[fault] {
		findings, facts := readsOf(r)
		for _, slot := range slices.Concat(findings, facts) {
			if slices.Contains(slots, slot) {
				l.add(Counted, r.ID, "reads %s, and so does the prior of %s: a number counts once", nameOf(cat.Owner(slot), slot == cat.YearsLaidUp), fault.ID)
				break
			}
		}
	}
}

// worstPriors looks at what the priors come to where nobody knows anything of a vehicle, and where all
// that can go wrong has been put right.
func (l *linter) worstPriors() {
	if l.done() {
		return
	}
	for _, f := range l.set.Faults {
		if f.Prior.Over == ruleset.Constant {
			l.add(Constant, f.ID, "is as likely after three months as after fifty years: say why in its source, or make a curve of it")
		}
	}
	bare, err := l.report(Today, nil, nil, nil)
	if err != nil {
		return
	}
	a := l.assess(bare)
	for _, f := range l.set.Faults {
		c := causeIn(a, f.ID)
		if c == nil {
			continue
		}
		if most := f.Prior.Curve[len(f.Prior.Curve)-1][1]; c.Prior.Float() < most-1e-9 {
			l.add(Ignorance, f.ID, "is %s where nothing is known, and up to %s where something is", percent(c.Prior.Float()), percent(most))
		}
	}
	for _, h := range l.set.Hazards {
		if l.done() {
			return
		}
		if e := entry(a, h.ID); e != nil {
			l.bunched(h, e)
		}
		l.unclearable(h)
	}
}

// hair is how little below a tolerance a probability is when nobody believes that it just came so.
const hair = 0.75

func (l *linter) bunched(h *ruleset.Hazard, e *score.Entry) {
	tolerated := tolerance(h, e.Severity)
	if p := e.Probability.Float(); tolerated < 1 && p <= tolerated && p > hair*tolerated {
		l.add(Bunched, h.ID, "comes to %s at the worst, just below the %s that %s tolerates: see that nobody fitted it to that", percent(p), percent(tolerated), spaced(h.Gate.ID))
	}
}

// tolerance is the probability of a hazard that its gate tolerates.
func tolerance(h *ruleset.Hazard, severity string) float64 {
	for s := ruleset.Catastrophic; s <= ruleset.Negligible; s++ {
		if s.String() == severity {
			return h.Gate.Tolerates[s]
		}
	}
	return 1
}

// unclearable looks whether a hazard is tolerated when each of its causes has been put right: on a vehicle
// of which nothing else is known; where some causes have items that only a known vehicle has, on one
// for each cause.
func (l *linter) unclearable(h *ruleset.Hazard) {
	vehicles := []condition.Frame{blank(l.set.Catalogue)}
	if slices.ContainsFunc(h.Causes, func(c ruleset.Cause) bool { return !clearsOn(c.Fault, vehicles[0]) }) {
		vehicles = vehicles[:0]
		for _, c := range h.Causes {
			if f, ok := l.vehicleWith(h, c.Fault); ok {
				vehicles = append(vehicles, f)
			}
		}
	}
	for _, f := range vehicles {
		if l.unclearableOn(h, f) {
			return
		}
	}
}

// clearsOn reports whether a vehicle that may have a fault has all that clears it.
func clearsOn(fault *ruleset.Fault, f condition.Frame) bool {
	return !slices.ContainsFunc(fault.ClearBy, func(c ruleset.Clear) bool { return !c.Finding.Item.AppliesTo(f) })
}

func (l *linter) unclearableOn(h *ruleset.Hazard, f condition.Frame) bool {
	asked := ruleset.FindingsForm{}
	for _, c := range h.Causes {
		if faultThere(c.Fault, f) == "" {
			ask(asked, c.Fault.ClearBy)
		}
	}
	vehicle, layUp := l.factsOf(f)
	r, err := l.report(Today, vehicle, layUp, tested(asked))
	if err != nil {
		l.add(Unpostable, h.ID, "what clears its causes %s", err)
		return true
	}
	e := entry(l.assess(r), h.ID)
	if e == nil {
		return false
	}
	tolerated := tolerance(h, e.Severity)
	if p := e.Probability.Float(); p > tolerated {
		var left []string
		for _, c := range e.Causes[:min(3, len(e.Causes))] {
			left = append(left, c.Fault+" "+percent(c.Probability.Float()*c.Chance.Float()))
		}
		l.add(Unclearable, h.ID, "is still %s likely when all its causes are cleared, and %s tolerates %s: most of it is %s; ask for more, or for a new part",
			percent(p), spaced(h.Gate.ID), percent(tolerated), strings.Join(left, ", "))
		return true
	}
	if e.Severity != ruleset.Critical.String() && e.Severity != ruleset.Catastrophic.String() {
		return false
	}
	for _, c := range e.Causes {
		if p := c.Probability.Float(); p > l.set.LikelyBad {
			l.add(Unclearable, h.ID, "%s is still %s likely when it is cleared, and a part likelier bad than %s is not passed", c.Fault, percent(p), percent(l.set.LikelyBad))
			return true
		}
	}
	return false
}

// ask adds what clears something to findings that are to be posted.
func ask(asked ruleset.FindingsForm, clears []ruleset.Clear) {
	for _, c := range clears {
		it := c.Finding.Item.ID
		if asked[it] == nil {
			asked[it] = map[string]any{}
		}
		asked[it][c.Finding.ID] = clearValue(c, Today)
	}
}
