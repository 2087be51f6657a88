package score

import (
	"cmp"
	"math"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// This file has what does not depend on the dossier, worked out once for a rule set.

// factConditions are the conditions on facts of a rule set, each once: a hundred stand for five hundred. Their
// numbers are good for holds.
type factConditions struct {
	list   []*condition.Condition // the first is none, and always holds
	number map[string]int32       // by source
}

func newFactConditions() factConditions {
	return factConditions{list: []*condition.Condition{nil}, number: map[string]int32{}}
}

// add returns the number of a condition; nil is the one that always holds.
func (f *factConditions) add(c *condition.Condition) int32 {
	if c == nil {
		return 0
	}
	n, ok := f.number[c.Source()]
	if !ok {
		n = int32(len(f.list)) //nolint:gosec // bounded by the size of a rule set
		f.list, f.number[c.Source()] = append(f.list, c), n
	}
	return n
}

// fixedFault is what is known of a fault before anything is known of the vehicle.
type fixedFault struct {
	applies, when int32 // conditions: that the vehicle has the item, and that it can have the fault
	shifts        []fixedShift
	asks          []int32  // all its conditions
	most          Decibans // the most that shifts make of its prior
	spread        float64  // how far its odds are uncertain, as a factor
	harms         []fixedHarm
}

type fixedShift struct {
	when int32
	db   Decibans
}

// fixedHarm is one harm that a fault does: a cause of a hazard.
type fixedHarm struct {
	hazard int
	cause  *fixedCause
}

// fixedHazard is what is known of a hazard before anything is known of the vehicle.
type fixedHazard struct {
	*ruleset.Hazard
	when     int32
	severity []int32 // conditions, as it has them
	causes   []fixedCause
	asks     []int32 // all its conditions, apart from those of its causes' faults
	place    int     // by gate, then by id
}

type fixedCause struct {
	*ruleset.Cause
	gate int
	when []int32 // conditions, as its chance has them
}

// fixedRule is what is known of a rule before anything is known of the vehicle.
type fixedRule struct {
	*ruleset.Rule
	item, of int32 // by index: the item of the rule and that of its fault
	// Most rules hang on one flag or choice: by value, a bit where the rule may hold.
	slot  int32 // -1: it hangs on more
	holds uint64
	ratio float64 // the likelihood ratio of its weight
	limit int32   // that which is not crossed where the rule holds nowhere; -1 for none
}

func (s *Scorer) fixRule(r *ruleset.Rule) fixedRule {
	x := fixedRule{Rule: r, item: int32(r.Item.Index), of: int32(r.Fault.Item.Index), slot: -1, ratio: ratio(r.Weight), limit: -1} //nolint:gosec // bounded by the size of a rule set
	if l := r.Limit; l != nil && len(l.Interval) == 0 && slices.Equal(l.Needs, r.Needs) {
		x.limit = int32(l.Index) //nolint:gosec // as above
	}
	if len(r.Needs) > 1 || !slices.Equal(r.Needs, r.When.Reads()) {
		return x
	}
	f := s.set.Catalogue.Owner(r.Needs[0])
	if !enumerable(f) || len(f.Values) > 64 {
		return x
	}
	x.slot = int32(f.Slot) //nolint:gosec // as above
	frame := slices.Repeat(condition.Frame{condition.Unset}, s.set.Catalogue.Size)
	for v := range f.Values {
		if frame[f.Slot] = float64(v); r.When.Holds(frame) != condition.False {
			x.holds |= 1 << v
		}
	}
	return x
}

func (s *Scorer) fixFault(f *ruleset.Fault) fixedFault {
	x := fixedFault{applies: s.onFacts.add(f.Item.Applies), when: s.onFacts.add(f.When), most: math.MaxInt64 / 2}
	x.asks = append(x.asks, x.applies, x.when)
	for _, shift := range f.Prior.Shifts {
		when := s.onFacts.add(shift.When)
		x.shifts, x.asks = append(x.shifts, fixedShift{when, toDecibans(shift.DB)}), append(x.asks, when)
	}
	if f.Prior.Cap < 1 {
		x.most = logOdds(f.Prior.Cap)
	}
	x.spread = math.Exp(commonZ * decibanLog * math.Sqrt(sq(f.Prior.Spread)+sq(s.set.CommonError)))
	return x
}

func (s *Scorer) fixHazard(h *ruleset.Hazard) fixedHazard {
	x := fixedHazard{Hazard: h, when: s.onFacts.add(h.When)}
	x.asks = append(x.asks, x.when)
	for _, sev := range h.Severity {
		when := s.onFacts.add(sev.When)
		x.severity, x.asks = append(x.severity, when), append(x.asks, when)
	}
	for i := range h.Causes {
		c := fixedCause{Cause: &h.Causes[i], gate: h.Gate.Index}
		for _, chance := range h.Causes[i].Chance {
			when := s.onFacts.add(chance.When)
			c.when, x.asks = append(c.when, when), append(x.asks, when)
		}
		x.causes = append(x.causes, c)
	}
	return x
}

// placeHazards puts hazards in the order of those that are as bad as one another.
func (s *Scorer) placeHazards() {
	order := slices.SortedFunc(slices.Values(s.set.Hazards), func(a, b *ruleset.Hazard) int {
		return cmp.Or(a.Gate.Index-b.Gate.Index, cmp.Compare(a.ID, b.ID))
	})
	for i, h := range order {
		s.fixedHazards[h.Index].place = i
	}
}

// harmsOf lists the harms of a fault, by gate.
func (s *Scorer) harmsOf(f *ruleset.Fault) (list []fixedHarm) {
	for _, h := range f.Hazards {
		for i := range h.Causes {
			if h.Causes[i].Fault == f {
				list = append(list, fixedHarm{h.Index, &s.fixedHazards[h.Index].causes[i]})
			}
		}
	}
	return list
}

// decide evaluates the conditions on facts.
func (e *evaluation) decide() {
	e.decided = append(e.decided[:0], condition.True)
	for _, c := range e.onFacts.list[1:] {
		e.decided = append(e.decided, c.Holds(e.frame))
	}
}

// holds says whether a condition on facts holds: as it was decided, or, while values are tried for unknown facts,
// under those.
func (e *evaluation) holds(n int32) condition.Truth {
	if e.supposing && n > 0 {
		return e.onFacts.list[n].Holds(e.frame)
	}
	return e.decided[n]
}

// severityOn is [ruleset.Hazard.SeverityOn] under the facts in the frame.
func (e *evaluation) severityOn(h *fixedHazard) ruleset.Severity {
	return h.SeverityBy(func(i int) condition.Truth { return e.holds(h.severity[i]) })
}

// chanceOn is [ruleset.Cause.ChanceOn] under the facts in the frame.
func (e *evaluation) chanceOn(c *fixedCause) float64 {
	return c.ChanceBy(func(i int) condition.Truth { return e.holds(c.when[i]) })
}

// undecided adds the facts that are not known and on which conditions hang that cannot be decided without
// them. What is decided as it stands is the same whatever they are.
func (e *evaluation) undecided(facts []*catalogue.Finding, asks []int32) []*catalogue.Finding {
	for _, n := range asks {
		if e.decided[n] != condition.Unknown {
			continue
		}
		for _, slot := range e.onFacts.list[n].Reads() {
			if e.unknown[slot] {
				facts = addNew(facts, e.set.Catalogue.Owner(slot))
			}
		}
	}
	return facts
}
