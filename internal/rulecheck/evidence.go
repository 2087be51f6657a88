package rulecheck

import (
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// twice looks for one finding that counts on two lines of a fault at once: it would be taken for
// two pieces of evidence.
func (l *linter) twice(fault *ruleset.Fault) {
	cat := l.set.Catalogue
	rules := l.rules[fault]
	for i, a := range rules {
		for _, b := range rules[i+1:] {
			if l.over() || l.full() {
				return
			}
			if a.Line == b.Line || len(a.Needs) != 1 || len(b.Needs) != 1 || a.Needs[0] != b.Needs[0] {
				continue
			}
			slot := a.Needs[0]
			f := blank(cat)
			for _, v := range valuesOf(cat, slot, append(limitsOf(a), limitsOf(b)...)) {
				f[slot] = v
				wa, _ := weightOn(a, f)
				wb, _ := weightOn(b, f)
				if wa*wb > 0 {
					owner := cat.Owner(slot)
					l.add(Twice, fault.ID, "%s and %s both count %s.%s = %s, on different lines: put them on one", a.ID, b.ID, owner.Item.ID, owner.ID, ruleset.Say(owner, v))
					break
				}
			}
		}
	}
}

// again looks for rules of a fault with the same condition.
func (l *linter) again(fault *ruleset.Fault) {
	first := map[string]*ruleset.Rule{}
	for _, r := range l.rules[fault] {
		key := r.Item.ID + "\x00" + strings.Join(strings.Fields(r.When.Source()), "")
		if r.WeightOf != nil {
			continue // a weight that differs by a number may well go with a threshold
		}
		if old := first[key]; old != nil && old.Weight*r.Weight > 0 {
			l.add(Again, r.ID, "has the condition of %s: leave one out", old.ID)
		} else {
			first[key] = r
		}
	}
}

// shared lists findings that speak for several faults: one spongy pedal is not five faults.
func (l *linter) shared() {
	faults := map[int][]string{}
	for _, r := range l.set.Rules {
		if r.General || r.Weight == 0 && r.WeightOf == nil {
			continue
		}
		for _, slot := range r.Needs {
			if !l.set.Catalogue.Owner(slot).Common() && !slices.Contains(faults[slot], r.Fault.ID) {
				faults[slot] = append(faults[slot], r.Fault.ID)
			}
		}
	}
	for _, it := range l.set.Catalogue.Items {
		for _, f := range it.Finds {
			if by := faults[f.Slot]; len(by) > 1 {
				l.add(Shared, it.ID+"."+f.ID, "speaks for %d faults: %s; give it to the one that it fits, or share its weight out", len(by), strings.Join(by, ", "))
			}
		}
	}
}

// generalShare is how much of the weakest look a general word may weigh.
const generalShare = 1.0 / 3

// general looks for general words that weigh more than a third of the weakest look on their line, and
// for those that no look on their line takes the place of.
func (l *linter) general(fault *ruleset.Fault) {
	rules := l.rules[fault]
	looks := slices.ContainsFunc(rules, func(r *ruleset.Rule) bool { return !r.General })
	for _, g := range rules {
		if !g.General || g.WeightOf != nil || g.Weight == 0 {
			continue
		}
		if len(g.Specific) == 0 {
			if looks {
				l.add(General, g.ID, "counts beside every look, because none is on its line: put it on the line of what one would look at")
			}
			continue
		}
		weakest, by := math.Inf(1), ""
		for _, r := range rules {
			if r.General || r.Line != g.Line {
				continue
			}
			if w := strongestOf(r, g.Weight); w > 0 && w < weakest {
				weakest, by = w, r.ID
			}
		}
		if most := weakest * generalShare; math.Abs(g.Weight) > most+1e-9 {
			l.add(General, g.ID, "weighs %+g dB, more than a third of the look %s (%g dB): a general word says less than a look", g.Weight, by, weakest)
		}
	}
}

// strongestOf is the most that a rule weighs in the direction of a weight; 0 where it does not.
func strongestOf(r *ruleset.Rule, like float64) float64 {
	sign := math.Copysign(1, like)
	most := 0.0
	if r.WeightOf == nil {
		most = sign * r.Weight
	}
	for _, k := range r.Curve {
		most = math.Max(most, sign*k[1])
	}
	return math.Max(0, most)
}

// loud looks for alarms that weigh more than they may by any method.
func (l *linter) loud(fault *ruleset.Fault) {
	for _, r := range l.rules[fault] {
		most := math.Inf(1)
		for _, slot := range r.Needs {
			f, by := l.set.Catalogue.Owner(slot), 0.0
			for m := range l.set.Catalogue.Methods {
				by = math.Max(by, f.Figures(m).AtMost)
			}
			most = math.Min(most, by)
		}
		if w := strongestOf(r, 1); w > most {
			l.add(Loud, r.ID, "weighs %g dB, and no method carries more than %g: what does that at once belongs into a limit", w, most)
		}
	}
}

// backward looks for a worse value of a finding on which the fault is less likely than on a better
// one, or which blocks a later gate. The other findings that the rules read together with it are
// not reported, at their best, and at their worst.
func (l *linter) backward(fault *ruleset.Fault) {
	cat := l.set.Catalogue
	limits := map[int][]float64{}
	note := func(slots []int, of []float64) {
		for _, slot := range slots {
			if f := cat.Owner(slot); f != nil && f.Item != nil && len(limits[slot]) < mostLimits {
				limits[slot] = append(limits[slot], of...)
			}
		}
	}
	for _, r := range l.rules[fault] {
		if l.ctx.Err() != nil {
			return
		}
		note(r.Needs, limitsOf(r))
	}
	for _, x := range l.limits[fault] {
		note(slices.Concat(x.Needs, x.Interval), literals(x.When.Source()))
	}
	var bends []float64
	for _, k := range fault.Prior.Curve {
		bends = append(bends, k[0])
	}
	note(fault.Prior.Needs, bends)
	if fault.Prior.Over == ruleset.Age {
		note([]int{fault.Item.Age.Slot}, bends)
	}
	slots := make([]int, 0, len(limits))
	for slot := range limits {
		slots = append(slots, slot)
	}
	slices.Sort(slots)
	values := map[int][]float64{} // best first
	for _, slot := range slots {
		f := cat.Owner(slot)
		list := valuesOf(cat, slot, limits[slot])
		if f.Worse == catalogue.Lower {
			slices.Reverse(list)
		}
		values[slot] = list
	}
	for _, slot := range slots {
		f := cat.Owner(slot)
		if f.Worse == catalogue.Neither || l.ctx.Err() != nil {
			continue
		}
		for _, others := range []string{"not reported", "best", "worst"} {
			frame := blank(cat)
			for _, o := range slots {
				switch list := values[o]; others {
				case "best":
					frame[o] = list[0]
				case "worst":
					frame[o] = list[len(list)-1]
				}
			}
			if l.falls(fault, f, frame, values[slot], others) {
				break
			}
		}
	}
}

// falls goes through the values of a finding, best first, and reports the first step back.
func (l *linter) falls(fault *ruleset.Fault, f *catalogue.Finding, frame condition.Frame, values []float64, others string) bool {
	last, lastGate := math.Inf(-1), len(l.set.Gates)
	for i, v := range values {
		if l.over() {
			return true
		}
		frame[f.Slot] = v
		if !possible(l.set.Catalogue, frame, []int{f.Slot}) {
			continue
		}
		total, gate := l.total(fault, frame)
		if total < last-1e-9 {
			l.add(Backward, fault.ID, "%s.%s = %s makes it less likely than %s (%.2f after %.2f dB; other findings %s)",
				f.Item.ID, f.ID, ruleset.Say(f, v), ruleset.Say(f, values[max(0, i-1)]), total, last, others)
			return true
		}
		if gate > lastGate {
			l.add(Backward, fault.ID, "%s.%s = %s no longer blocks %s as %s does (other findings %s)",
				f.Item.ID, f.ID, ruleset.Say(f, v), l.set.Gates[lastGate].ID, ruleset.Say(f, values[max(0, i-1)]), others)
			return true
		}
		last, lastGate = total, min(lastGate, gate)
	}
	return false
}

// total is the weight of prior and evidence on a frame of tested findings, and the first gate that
// a limit blocks.
func (l *linter) total(fault *ruleset.Fault, f condition.Frame) (total float64, gate int) {
	gate = len(l.set.Gates)
	p := priorOn(fault, f)
	total = 10 * math.Log10(p/(1-p))
	lines := map[int]float64{}
	for _, r := range l.rules[fault] {
		if l.over() {
			return 0, 0 // nobody will hear of it
		}
		if !answered(r, f) || r.General && slices.ContainsFunc(r.Specific, f.Known) {
			continue
		}
		w, _ := weightOn(r, f)
		switch old := lines[r.Line]; {
		case w > 0:
			lines[r.Line] = math.Max(old, w)
		case old <= 0:
			lines[r.Line] = math.Min(old, w)
		}
	}
	for _, w := range lines {
		total += w
	}
	for _, x := range l.limits[fault] {
		if !slices.ContainsFunc(slices.Concat(x.Needs, x.Interval), func(slot int) bool { return !f.Known(slot) }) && x.When.Holds(f) != condition.False {
			gate = min(gate, x.Gate.Index)
		}
	}
	return math.Round(total*1e9) / 1e9, gate
}

// priorOn is the prior of a fault on a frame, without shifts; the worst where its number is not known.
func priorOn(fault *ruleset.Fault, f condition.Frame) float64 {
	p := &fault.Prior
	x := math.Inf(1)
	switch p.Over {
	case ruleset.Age:
		x = f[fault.Item.Age.Slot]
	case ruleset.Formula:
		x = p.Of.Value(f)
	}
	if x != x {
		x = math.Inf(1)
	}
	return ruleset.At(p.Curve, x)
}
