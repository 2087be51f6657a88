package score

import (
	"cmp"
	"math"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// hazard is what becomes of one hazard.
type hazard struct {
	*ruleset.Hazard
	applies  bool
	severity ruleset.Severity
	causes   []cause // weightiest first
	p        Share
	level    byte
	risk     ruleset.Risk
	index    Number
	// excess is the probability that gates go by, over what the gate tolerates: above 1 it blocks.
	// It is the risk had nobody said what is only hearsay and reassures.
	excess  float64
	decided bool                 // a fact that nobody has told decides about it
	open    []*catalogue.Finding // the facts that it hangs on and that are not known
	facts   []choice             // the unknown facts that were tried, and the values that count
}

// cause is a fault that may do the harm of a hazard.
type cause struct {
	*ruleset.Cause
	fault        *fault
	chance       float64
	shift, total Decibans
	p            Share
	q, gateQ     float64
	gateP        Share
	share        float64
}

// choice is a value tried for a fact that is not known.
type choice struct {
	fact  *catalogue.Finding
	value int
}

// maxAssignments bounds the assignments of unknown facts that are tried for one hazard; beyond it each
// unknown fact counts the worse way by itself.
const maxAssignments = 512

// above reports whether a hazard is more probable than its gate tolerates.
func (h *hazard) above() bool { return h.applies && h.excess > 1 }

// assign tries every assignment of values to the facts that are not known. What each is given as are
// the values tried; it is good until the next.
func (e *evaluation) assign(facts []*catalogue.Finding, try func([]choice)) {
	open, n := e.free[:0], 1
	for _, f := range facts {
		if e.unknown[f.Slot] {
			if n *= len(f.Values); n > maxAssignments {
				open = open[:0]
				break
			}
			open = append(open, choice{fact: f})
		}
	}
	if len(open) == 0 {
		try(nil)
		return
	}
	e.free = open
	within := e.supposing
	e.supposing = true
	for {
		for _, c := range open {
			e.frame[c.fact.Slot] = float64(c.value)
		}
		try(open)
		k := 0
		for ; k < len(open); k++ {
			if open[k].value++; open[k].value < len(open[k].fact.Values) {
				break
			}
			open[k].value = 0
		}
		if k == len(open) {
			break
		}
	}
	for _, c := range open {
		e.frame[c.fact.Slot] = condition.Unset
	}
	e.supposing = within
}

// harm works out how probable each hazard is, under the worst assignment of the facts that are not known.
func (e *evaluation) harm() {
	for i, rh := range e.set.Hazards {
		h := &e.hazards[i]
		h.Hazard = rh
		h.excess = -1
		first := len(e.causes)
		e.open = e.undecided(e.open[:0], e.fixedHazards[i].asks)
		for k := range rh.Causes {
			e.open = addNew(e.open, e.faults[rh.Causes[k].Fault.Index].open...)
		}
		if len(e.open) == 0 {
			e.causes = e.under(h, e.causes)
		} else {
			h.open = slices.Clone(e.open)
			e.assign(h.open, func(tried []choice) {
				now := hazard{Hazard: rh, open: h.open}
				e.trial = e.under(&now, e.trial[:0])
				if !now.applies || now.excess < h.excess || now.excess == h.excess && now.index <= h.index {
					return
				}
				*h = now
				h.facts = slices.Clone(tried)
				e.causes = append(e.causes[:first], e.trial...)
			})
		}
		if h.applies {
			h.causes = e.causes[first:len(e.causes):len(e.causes)]
		}
	}
	// Kept in one piece of memory, which may have moved as it grew.
	at := 0
	for i := range e.hazards {
		if h := &e.hazards[i]; h.applies {
			n := len(h.causes)
			h.causes = e.causes[at : at+n : at+n]
			at += n
			slices.SortFunc(h.causes, weightiestFirst)
		}
	}
}

func weightiestFirst(a, b cause) int {
	return cmp.Or(cmp.Compare(b.share, a.share), cmp.Compare(b.q, a.q), cmp.Compare(a.fault.ID, b.fault.ID))
}

// under works a hazard out under the facts as they stand in the frame, and appends its causes to a list.
func (e *evaluation) under(h *hazard, list []cause) []cause {
	rh, fixed := h.Hazard, &e.fixedHazards[h.Index]
	if e.holds(fixed.when) == condition.False {
		return list
	}
	first := len(list)
	escape, gateEscape := 1.0, 1.0
	for i := range rh.Causes {
		rc := &rh.Causes[i]
		f := &e.faults[rc.Fault.Index]
		if !f.there || f.varies && !e.applies(f.fixed) {
			continue
		}
		list = append(list, cause{Cause: rc, fault: f, shift: f.shift, p: f.p, gateP: f.atGate})
		c := &list[len(list)-1]
		if f.varies {
			c.shift = e.shift(f.fixed)
		}
		total, atGate := f.totals(c.shift)
		c.total, c.shift = total, f.capped(f.priorDB, c.shift)
		if f.varies {
			c.p, c.gateP = probability(total), probability(atGate)
		}
		c.chance = e.chanceOn(&fixed.causes[i])
		c.q, c.gateQ = float64(c.p.Float()*c.chance), float64(c.gateP.Float()*c.chance)
		escape *= 1 - c.q
		gateEscape *= 1 - c.gateQ
	}
	mine := list[first:]
	if len(mine) == 0 {
		return list
	}
	shareCauses(mine)
	h.applies = true
	h.severity = e.severityOn(fixed)
	h.p = Share(round((1 - escape) * 1e10))
	h.level = Level(h.p.Float())
	h.risk = RiskOf(h.severity, h.level)
	h.index = Number(round(h.p.Float() * e.set.Weight[h.severity] * 1e6))
	h.excess = float64(round((1-gateEscape)*1e10)) / 1e10 / rh.Gate.Tolerates[h.severity]
	return list
}

// shareCauses gives each cause its share of the hazard, by what it adds to the logarithm of escaping it.
func shareCauses(list []cause) {
	if len(list) == 1 && list[0].q > 1e-15 {
		list[0].share = 1 // as most: no logarithm is needed for it
		return
	}
	sum := 0.0
	for i := range list {
		list[i].share = -math.Log(1 - min(list[i].q, 1-1e-10))
		sum += list[i].share
	}
	if sum > 0 {
		for i := range list {
			list[i].share /= sum
		}
	}
}

// applies reports whether a fault may be there under the facts in the frame.
func (e *evaluation) applies(f *fixedFault) bool {
	return e.holds(f.applies) != condition.False && e.holds(f.when) != condition.False
}

// harmTerm is one harm of a fault: where, with what chance, and the spread of that chance's log-odds.
type harmTerm struct {
	gate        int
	chance, tau float64 // decibans
}

// commonZ is the standard normal deviate that leaves 10 % beyond it.
const commonZ = 1.2815515655

// decibanLog is what one deciban adds to the natural logarithm of odds: ln(10) / 10.
const decibanLog = math.Ln10 / 10

// through adds up the chances of getting through each gate unharmed. A fault that is there may do harm at
// several gates: its probability counts once.
type through struct {
	log, unheard []float64 // ln of the chance, by gate; the same if no hearsay reassured
	variance     []float64 // of ln, what faults and chances do not share
	common       []float64 // sum of the derivatives that all faults share
	// The same of the step from one gate to the next.
	stepVariance []float64
	stepCommon   []float64
}

func newThrough(gates int) *through {
	all := make([]float64, 6*gates)
	cut := func(i int) []float64 { return all[i*gates : (i+1)*gates : (i+1)*gates] }
	return &through{cut(0), cut(1), cut(2), cut(3), cut(4), cut(5)}
}

// add counts one fault: probability p (atGate if no hearsay reassured), spread of its log-odds in
// decibans, and its harms in the order of the gates.
func (t *through) add(p, atGate, spread float64, harms []harmTerm) {
	escape, before := 1.0, 0.0
	n := 0
	var log, unheard, variance float64 // as they were at the gate before
	var room [16]float64
	was := room[:] // what each chance did to the logarithm there
	if len(harms) > len(room) {
		was = make([]float64, len(harms))
	}
	for g := range t.log {
		first := n
		for ; n < len(harms) && harms[n].gate == g; n++ {
			escape *= 1 - harms[n].chance
		}
		if n == 0 {
			continue
		}
		if n == first {
			// It does nothing here that it has not done.
			t.log[g] += log
			t.unheard[g] += unheard
			t.variance[g] += variance
			t.common[g] += before
			continue
		}
		s := 1 - escape
		rest := 1 - float64(p*s)
		log = math.Log(max(rest, 1e-10))
		if unheard = log; atGate != p {
			unheard = math.Log(max(1-float64(atGate*s), 1e-10))
		}
		t.log[g] += log
		t.unheard[g] += unheard
		if variance = 0; rest <= 0 {
			before = 0
			continue
		}
		d := s * p * (1 - p) * decibanLog / rest
		variance = sq(d * spread)
		t.common[g] += d
		step := d - before
		t.stepVariance[g] += float64(step*spread) * float64(step*spread)
		t.stepCommon[g] += step
		before = d
		for k := range n {
			c := harms[k].chance
			if c >= 1 {
				continue
			}
			x := p * (escape / (1 - c)) * c * (1 - c) * decibanLog * harms[k].tau / rest
			variance += float64(x * x)
			t.stepVariance[g] += sq(x - was[k])
			was[k] = x
		}
		t.variance[g] += variance
	}
}

// interval is the 80 % range of a chance T with the variance of ln T given, by first-order propagation on
// the scale of log-odds; the zero value where T is 0 or 1.
func interval(t, variance float64) Interval80 {
	if !(t > 0 && t < 1) || variance <= 0 {
		return Interval80{}
	}
	low, high := ends(t, math.Exp(commonZ*math.Sqrt(variance)/(1-t)))
	return Interval80{max(low, 1), high}
}

// ranged is the 80 % range of the chance of getting through a gate.
func (t *through) ranged(g int, common float64) Interval80 {
	return interval(math.Exp(t.log[g]), t.variance[g]+sq(common*t.common[g]))
}

// rangedStep is the 80 % range of the chance of passing a gate alone, having got to it.
func (t *through) rangedStep(g int, common float64) Interval80 {
	return interval(t.step(g), t.stepVariance[g]+sq(common*t.stepCommon[g]))
}

// step is the chance of passing a gate alone.
func (t *through) step(g int) float64 {
	if g == 0 {
		return math.Exp(t.log[0])
	}
	return math.Exp(t.log[g] - t.log[g-1])
}

func sq(x float64) float64 { return float64(x * x) }

// getThrough works out the chances of getting through the gates.
func (e *evaluation) getThrough() *through {
	t := newThrough(len(e.set.Gates))
	for i := range e.faults {
		if f := &e.faults[i]; f.there && len(f.fixed.harms) > 0 {
			e.getPast(f, t)
		}
	}
	return t
}

// getPast counts what one fault may do, under the facts with which it does most.
func (e *evaluation) getPast(f *fault, t *through) {
	var worst, worstGate float64
	terms, most := e.terms[:0], -1.0
	e.open = append(e.open[:0], f.open...)
	for _, x := range f.fixed.harms {
		e.open = e.undecided(e.open, e.fixedHazards[x.hazard].asks)
	}
	e.assign(e.open, func(tried []choice) {
		if len(tried) > 0 && !e.applies(f.fixed) {
			return
		}
		p, atGate := f.p.Float(), f.atGate.Float()
		if f.varies && len(tried) > 0 {
			total, gate := f.totals(e.shift(f.fixed))
			p, atGate = probability(total).Float(), probability(gate).Float()
		}
		escape, list := 1.0, e.trialTerms[:0]
		for _, x := range f.fixed.harms {
			h := &e.fixedHazards[x.hazard]
			if e.holds(h.when) == condition.False || e.severityOn(h) > ruleset.Critical {
				continue
			}
			chance := e.chanceOn(x.cause)
			list = append(list, harmTerm{x.cause.gate, chance, x.cause.Spread})
			escape *= 1 - chance
		}
		if harm := p * (1 - escape); harm > most {
			most, worst, worstGate = harm, p, atGate
			terms = append(terms[:0], list...)
		}
		e.trialTerms = list
	})
	e.terms = terms
	t.add(worst, worstGate, f.Prior.Spread, terms)
}

// faultRange is the 80 % range of a probability of a fault.
func (f *fault) ranged(share Share) Interval80 {
	p := share.Float()
	if !(p > 0 && p < 1) {
		return Interval80{}
	}
	low, high := ends(p, f.fixed.spread)
	return Interval80{max(1, low), high}
}

// ends are the ends of the range of a probability of which the odds are uncertain by a factor.
func ends(p, factor float64) (low, high Share) {
	against := (1 - p) / p
	return Share(round(1e10 / (1 + against*factor))), Share(round(1e10 / (1 + against/factor)))
}

// hazardRange is the 80 % range of the probability of a hazard: what [through] does, of one gate.
func (e *evaluation) hazardRange(h *hazard) Interval80 {
	escape, variance, common := 1.0, 0.0, 0.0
	for i := range h.causes {
		c := &h.causes[i]
		p := c.p.Float()
		rest := 1 - float64(p*c.chance)
		escape *= max(rest, 1e-10)
		if rest <= 0 {
			continue
		}
		d := c.chance * p * (1 - p) * decibanLog / rest
		variance += sq(d*c.fault.Prior.Spread) + sq(p*c.chance*(1-c.chance)*decibanLog*c.Spread/rest)
		common += d
	}
	range80 := interval(escape, variance+sq(common*e.set.CommonError))
	if range80 == (Interval80{}) {
		return range80
	}
	return Interval80{max(1, unlikely(range80.High)), unlikely(range80.Low)}
}

// unlikely is the chance that something does not happen.
func unlikely(s Share) Share { return 1e10 - s }
