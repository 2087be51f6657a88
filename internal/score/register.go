package score

import (
	"cmp"
	"slices"

	"laidup/internal/ruleset"
)

// register lists the hazards by risk, worst first, with what each rests on.
func (e *evaluation) register(a *Assessment) {
	total := 0.0
	for i := range e.hazards {
		if h := &e.hazards[i]; h.applies {
			e.order = append(e.order, ranked{h, h.risk, h.index, e.fixedHazards[i].place})
			total += h.index.Float()
		}
	}
	order := e.order
	slices.SortFunc(order, byRisk)
	shares := shareOut(order, total)
	a.Register = make([]Entry, len(order))
	causes := make([]Cause, 0, len(e.causes))
	e.shown = make([]Evidence, 0, len(e.tried))
	for i, x := range order {
		h := x.hazard
		// Written in place: an entry is large and there are many.
		w := &a.Register[i]
		w.Rank, w.HazardText, w.Item = i+1, &e.hazardTexts[h.Index], h.causes[0].fault.Item.ID
		w.Severity, w.Probability, w.Level, w.Risk = h.severity.String(), h.p, levelNames[h.level-'A'], h.risk.String()
		range80 := e.hazardRange(h)
		w.Low, w.High = range80.Low, range80.High
		w.RiskIndex, w.Share, w.RestsOn = h.index, shares[i], RestsOnUnknown
		from := len(causes)
		left := Share(1e10) // what rounding leaves over goes to the weightiest
		for k := range h.causes {
			c := &h.causes[k]
			share := Share(round(c.share * 1e10))
			left -= share
			causes = causes[:len(causes)+1] // written in place too
			e.explain(&causes[len(causes)-1], c, share)
			switch f := c.fault; {
			case f.known():
				w.RestsOn = RestsOnFound
			case f.told && w.RestsOn == RestsOnUnknown:
				w.RestsOn = RestsOnTold
			}
		}
		w.Causes = causes[from:len(causes):len(causes)]
		w.Causes[0].Share += left
	}
}

// What a hazard rests on.
const (
	RestsOnFound   = "found"   // at least one credible finding counts
	RestsOnTold    = "told"    // only what somebody said counts
	RestsOnUnknown = "unknown" // the years alone
)

// known reports whether credible evidence counts for or against a fault.
func (f *fault) known() bool {
	return slices.ContainsFunc(f.evidence, func(x fired) bool { return !x.hearsay })
}

var levelNames = [...]string{"A", "B", "C", "D", "E", "F"}

// ranked is a hazard with what the register is sorted by, side by side.
type ranked struct {
	*hazard
	risk  ruleset.Risk
	index Number
	place int
}

func byRisk(a, b ranked) int {
	switch {
	case a.risk != b.risk:
		return int(a.risk) - int(b.risk)
	case a.index != b.index:
		return cmp.Compare(b.index, a.index)
	}
	return a.place - b.place
}

func (e *evaluation) explain(w *Cause, c *cause, share Share) {
	f := c.fault
	if !f.explained {
		// It stands in the register once for each harm that the fault may do.
		f.explained = true
		f.shown, f.hidden, f.at = e.evidence(f.evidence), e.evidence(f.outweighed), names(f.Item, e.alarms(f))
		f.range80 = f.ranged(f.p)
	}
	w.FaultText, w.At, w.Probability, w.Chance, w.Share = &e.faultTexts[f.Index], f.at, c.p, Share(round(c.chance*1e10)), share
	w.Prior, w.PriorDB, w.ShiftsDB, w.TotalDB = Share(round(f.prior*1e10)), f.priorDB, c.shift, c.total
	w.Evidence = f.shown
	range80 := f.range80
	if c.p != f.p { // under the worst of facts that are not known
		range80 = f.ranged(c.p)
	}
	w.Low, w.High = range80.Low, range80.High
	if len(f.hidden) > 0 {
		w.Outweighed = f.hidden
	}
}

// evidence writes down what fired, in the one piece of memory that an assessment's evidence has.
func (e *evaluation) evidence(list []fired) []Evidence {
	from := len(e.shown)
	for i := range list {
		x := &list[i]
		ev := Evidence{
			RuleText: &e.ruleTexts[x.rule.Index], WeightDB: toDecibans(x.weight), Credence: Share(round(x.credence * 1e10)),
			EffectiveDB: x.effective, Because: x.says,
		}
		if x.position >= 0 && x.named {
			ev.At = names(x.rule.Item, []int{x.position})
		}
		e.shown = append(e.shown, ev)
	}
	return e.shown[from:len(e.shown):len(e.shown)]
}

// shareOut gives each hazard its share of the summed index, in whole units that add up to 1: what
// rounding leaves over goes to the largest.
func shareOut(order []ranked, total float64) []Share {
	shares := make([]Share, len(order))
	if total == 0 {
		return shares
	}
	const one = 1e10
	left := Share(one)
	for i, h := range order {
		shares[i] = Share(h.index.Float() / total * one)
		left -= shares[i]
	}
	largest := 0
	for i := range shares {
		if shares[i] > shares[largest] {
			largest = i
		}
	}
	shares[largest] += left
	return shares
}
