// Package score turns a dossier into an assessment under a rule set. It is pure: no clock, no I/O,
// no randomness; the same dossier and rule set give the same bytes on every machine.
//
// The model is Bayes' rule in odds form with conditionally independent lines of evidence, in
// decibans (I. J. Good's weight of evidence), and severity x probability by MIL-STD-882E. See
// docs/scoring.md.
package score

import (
	"cmp"
	"math"
	"slices"

	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// Evaluate assesses the dossier of a vehicle: its reports, at least one, in the order in which
// they came. Gate is the index of the gate asked about; below 0 means the one that the rule set
// asks about. The reports must have been decoded with the rule set's catalogue. Evaluate keeps no
// reference to its arguments.
func Evaluate(set *ruleset.Set, reports []*report.Report, gate int) *Assessment {
	if gate < 0 {
		gate = set.Asks
	}
	e := &evaluation{
		set:     set,
		dossier: report.Lay(reports, set.Catalogue, set.ProofCredence),
		hazards: make([]hazard, len(set.Hazards)),
	}
	e.frame = e.dossier.Frame
	e.applying()
	e.fire()
	e.probabilities()
	e.block()
	a := &Assessment{
		Schema:  SchemaName,
		State:   "done",
		Vehicle: e.dossier.Vehicle.Reference,
		AsOf:    e.dossier.AsOf.String(),
		RuleSet: RuleSet{set.Name, set.Version, set.Digest},
	}
	e.register(a)
	e.gates(a, gate)
	e.condition(a)
	e.lookNext(a)
	e.conflicts(a)
	a.Cautions = e.cautions()
	a.Assumes = append([]string{}, set.Assumes...)
	return a
}

// evaluation is the work on one assessment.
type evaluation struct {
	set     *ruleset.Set
	dossier *report.Dossier
	frame   condition.Frame
	items   []itemState // by index
	hazards []hazard    // by index
	blocks  []*blocker
	fired   []fired
}

type itemState struct {
	applies, found bool
	removed        bool // surely off the vehicle: it can do no harm
	maybeOff       bool // somebody says it is off: nothing found on it proves anything
}

// hazard is what becomes of one hazard.
type hazard struct {
	*ruleset.Hazard
	applies    bool
	removed    bool
	severity   ruleset.Severity
	prior      float64
	priorDB    Decibans
	totalDB    Decibans
	p          Share
	level      byte
	risk       ruleset.Risk
	index      Number
	evidence   []fired // what counts, strongest first
	outweighed []fired
	alarmed    bool // some evidence speaks for it
	// atGate is the risk that gates go by. It is the risk above, had nobody said what is only
	// hearsay and speaks against the hazard: hearsay alone clears no gate.
	atGate ruleset.Risk
}

// fired is a rule that fired.
type fired struct {
	rule      *ruleset.Rule
	weight    float64
	credence  float64
	effective Decibans
	blocks    bool
	hearsay   bool // its method proves nothing, at any age
}

func (e *evaluation) applying() {
	e.items = make([]itemState, len(e.set.Catalogue.Items))
	for i, it := range e.set.Catalogue.Items {
		s := &e.items[i]
		if s.applies = it.AppliesTo(e.frame); !s.applies {
			continue
		}
		for _, f := range it.Finds {
			s.found = s.found || e.dossier.Standing[f.Slot] != nil
		}
		if st := e.dossier.Standing[it.Removed.Slot]; st != nil {
			s.removed = true
			for i := range st.Values {
				off := st.Values[i].Number == 1
				s.removed = s.removed && off && st.Values[i].Credence() >= e.set.ProofCredence
				s.maybeOff = s.maybeOff || off
			}
		}
	}
}

// each calls f under every choice among the contradicting values of the findings at the slots
// given, the lowest and the highest of each: what is worst lies at an end. It returns false when
// one of the findings was not reported.
func (e *evaluation) each(slots []int, f func(choice []*report.StandingValue)) bool {
	var buffer [8]*report.StandingValue
	choice := buffer[:0]
	contradicted := false
	for _, slot := range slots {
		st := e.dossier.Standing[slot]
		if st == nil {
			return false
		}
		contradicted = contradicted || len(st.Values) > 1
		choice = append(choice, &st.Values[0])
	}
	f(choice)
	if !contradicted {
		return true
	}
	e.choose(slots, 0, choice, f)
	for _, slot := range slots {
		e.frame[slot] = e.dossier.Standing[slot].Values[0].Number
	}
	return true
}

// choose goes through the choices from the slot at position i on; the all-lowest one is done twice,
// which changes nothing.
func (e *evaluation) choose(slots []int, i int, choice []*report.StandingValue, f func([]*report.StandingValue)) {
	if i == len(slots) {
		f(choice)
		return
	}
	values := e.dossier.Standing[slots[i]].Values
	for _, v := range []*report.StandingValue{&values[0], &values[len(values)-1]} {
		choice[i] = v
		e.frame[slots[i]] = v.Number
		e.choose(slots, i+1, choice, f)
		if len(values) == 1 {
			return
		}
	}
}

// credence is the least credence of a choice; with aged, that of each finding is halved by the half
// life of its item.
func (e *evaluation) credence(choice []*report.StandingValue, aged bool) float64 {
	c := 1.0
	for _, v := range choice {
		if aged {
			c = min(c, v.Aged(e.dossier.AsOf, e.set.HalfLife[v.Finding.Item.Index]))
		} else {
			c = min(c, v.Credence())
		}
	}
	return c
}

// fire tries the rules that read findings of the items on which something was found.
func (e *evaluation) fire() {
	for i, h := range e.set.Hazards {
		st := &e.hazards[i]
		st.Hazard = h
		st.applies = e.items[h.Item.Index].applies && (h.When == nil || h.When.Holds(e.frame) != condition.False)
		st.removed = e.items[h.Item.Index].removed
	}
	for i := range e.items {
		if !e.items[i].found {
			continue
		}
		for _, r := range e.set.RulesReading[i] {
			if h := &e.hazards[r.Hazard.Index]; h.applies {
				e.try(r)
			}
		}
	}
	// A line counts once: the largest effective weight if any speaks for the hazard, else the
	// one that speaks most against it.
	slices.SortStableFunc(e.fired, func(a, b fired) int {
		return cmp.Or(
			cmp.Compare(a.rule.Hazard.Index, b.rule.Hazard.Index),
			cmp.Compare(a.rule.Line, b.rule.Line),
			-cmp.Compare(max(a.effective, 0), max(b.effective, 0)),
			cmp.Compare(a.effective, b.effective),
			cmp.Compare(a.rule.ID, b.rule.ID),
		)
	})
	for i, f := range e.fired {
		h := &e.hazards[f.rule.Hazard.Index]
		first := i == 0 || e.fired[i-1].rule.Hazard != f.rule.Hazard || e.fired[i-1].rule.Line != f.rule.Line
		if first {
			h.evidence = append(h.evidence, f)
		} else {
			h.outweighed = append(h.outweighed, f)
		}
	}
}

// try fires a rule if everything it reads was reported. Where observations contradict each other
// the choice that speaks most for the hazard counts.
func (e *evaluation) try(r *ruleset.Rule) {
	best := fired{rule: r, effective: math.MinInt64}
	e.each(r.Needs, func(choice []*report.StandingValue) {
		now := fired{rule: r}
		holds := r.When.Holds(e.frame)
		if holds != condition.False {
			now.weight = r.Weight
			if r.WeightOf != nil {
				if x := r.WeightOf.Value(e.frame); x == x {
					now.weight = ruleset.At(r.Curve, x)
				}
			}
			now.blocks = r.Blocks != nil && (r.Blocks.When == nil || r.Blocks.When.Holds(e.frame) != condition.False)
			if holds == condition.Unknown {
				// Undecided is read as the worse way: it alarms but does not reassure.
				now.weight = max(now.weight, 0)
			}
			now.credence = e.credence(choice, now.weight < 0)
			now.effective = effective(now.weight, now.credence)
			now.hearsay = e.credence(choice, false) < e.set.ProofCredence
		}
		blocks := best.blocks || now.blocks
		if now.effective > best.effective || now.effective == best.effective && now.credence > best.credence {
			best = now
		}
		best.blocks = blocks
	})
	if best.credence > 0 && (best.weight != 0 || best.blocks) {
		e.fired = append(e.fired, best)
	}
}

// effective is the weight of a finding that tells the truth with share c, and else nothing:
// 10 log10(c 10^(w/10) + 1 - c).
func effective(w, c float64) Decibans {
	return decibans(float64(c*math.Pow(10, w/10)) + (1 - c))
}

// decibans is the weight of a likelihood ratio or of odds.
func decibans(ratio float64) Decibans {
	return Decibans(round(10 * math.Log10(ratio) * unitsPerDeciban))
}

// round rounds to the nearest whole number, halves away from zero.
func round(v float64) int64 { return int64(math.Round(v)) }

func (e *evaluation) probabilities() {
	for i := range e.hazards {
		h := &e.hazards[i]
		if !h.applies {
			continue
		}
		h.severity = h.SeverityOn(e.frame)
		var unheard float64
		h.prior, unheard = e.prior(&h.Prior)
		h.priorDB = decibans(h.prior / (1 - h.prior))
		h.totalDB = h.priorDB
		slices.SortStableFunc(h.evidence, func(a, b fired) int {
			return cmp.Or(-cmp.Compare(magnitude(a.effective), magnitude(b.effective)), cmp.Compare(a.rule.ID, b.rule.ID))
		})
		for _, f := range h.evidence {
			h.totalDB += f.effective
			h.alarmed = h.alarmed || f.effective > 0
		}
		h.p, h.level = probability(h.totalDB), 'F'
		if h.removed {
			h.p = 0
		} else {
			h.level = Level(h.p.Float())
		}
		h.risk = RiskOf(h.severity, h.level)
		h.atGate = RiskOf(h.severity, Level(probability(decibans(unheard/(1-unheard))+h.credible()).Float()))
		h.index = Number(round(h.p.Float() * e.set.Weight[h.severity] * 1e6))
	}
}

// probability turns a total weight into a probability.
func probability(total Decibans) Share {
	return Share(round(1 / (1 + math.Pow(10, -total.Float()/10)) * 1e10))
}

// credible adds up the lines of evidence without reassuring hearsay.
func (h *hazard) credible() Decibans {
	total := Decibans(0)
	for _, f := range h.evidence {
		if f.effective > 0 || !f.hearsay {
			total += f.effective
			continue
		}
		// Of the others on the line, the strongest that is not hearsay comes first.
		for _, o := range h.outweighed {
			if o.rule.Line == f.rule.Line && !o.hearsay {
				total += o.effective
				break
			}
		}
	}
	return total
}

func magnitude(d Decibans) Decibans { return max(d, -d) }

// prior is the probability with nobody having looked. What a number was reported with credence c
// says counts for c, the value for an unknown number for the rest; of contradicting numbers the
// worse counts. The second result is the same where hearsay cannot lower it.
func (e *evaluation) prior(p *ruleset.Prior) (worst, unheard float64) {
	if p.Of == nil {
		return p.Unknown, p.Unknown
	}
	reported := e.each(p.Needs, func(choice []*report.StandingValue) {
		at, c := p.Unknown, 0.0
		if x := p.Of.Value(e.frame); x == x {
			c = e.credence(choice, false)
			at = float64(c*ruleset.At(p.Curve, x)) + float64((1-c)*p.Unknown)
		}
		worst, unheard = max(worst, at), max(unheard, at)
		if c < e.set.ProofCredence {
			unheard = max(unheard, p.Unknown)
		}
	})
	if !reported {
		return p.Unknown, p.Unknown
	}
	return worst, unheard
}

// register lists the hazards by risk, worst first, with what each rests on.
func (e *evaluation) register(a *Assessment) {
	var order []*hazard
	total := 0.0
	for i := range e.hazards {
		if h := &e.hazards[i]; h.applies {
			order = append(order, h)
			total += h.index.Float()
		}
	}
	slices.SortFunc(order, func(a, b *hazard) int {
		return cmp.Or(
			cmp.Compare(a.risk, b.risk),
			-cmp.Compare(a.index, b.index),
			cmp.Compare(a.Gate.Index, b.Gate.Index),
			cmp.Compare(a.ID, b.ID),
		)
	})
	shares := shareOut(order, total)
	a.Register = make([]Entry, len(order))
	for i, h := range order {
		entry := Entry{
			Rank: i + 1, Hazard: h.ID, Item: h.Item.ID, Gate: h.Gate.ID, What: h.What,
			Severity: h.severity.String(), Probability: h.p, Level: string(h.level), Risk: h.risk.String(),
			RiskIndex: h.index, Share: shares[i], RestsOn: "unknown",
			Prior: Share(round(h.prior * 1e10)), PriorDB: h.priorDB, TotalDB: h.totalDB,
			Evidence: make([]Evidence, 0, len(h.evidence)), Source: h.Source,
		}
		if len(h.evidence) > 0 || h.removed {
			entry.RestsOn = "found"
		}
		for _, f := range h.evidence {
			entry.Evidence = append(entry.Evidence, e.explain(f))
		}
		for _, f := range h.outweighed {
			entry.Outweighed = append(entry.Outweighed, e.explain(f))
		}
		a.Register[i] = entry
	}
}

func (e *evaluation) explain(f fired) Evidence {
	return Evidence{
		Rule: f.rule.ID, WeightDB: Decibans(round(f.weight * unitsPerDeciban)), Credence: Share(round(f.credence * 1e10)),
		EffectiveDB: f.effective, Because: f.rule.Because.On(e.frame), Source: f.rule.Source,
	}
}

// shareOut gives each hazard its share of the summed index, in whole units that add up to 1: what
// rounding leaves over goes to the largest remainders.
func shareOut(order []*hazard, total float64) []Share {
	shares := make([]Share, len(order))
	if total == 0 {
		return shares
	}
	const one = 1e10
	type remainder struct {
		at   int
		left float64
	}
	rest := make([]remainder, len(order))
	given := int64(0)
	for i, h := range order {
		exact := h.index.Float() / total * one
		floor := math.Floor(exact)
		shares[i] = Share(floor)
		given += int64(floor)
		rest[i] = remainder{i, exact - floor}
	}
	slices.SortStableFunc(rest, func(a, b remainder) int { return -cmp.Compare(a.left, b.left) })
	for i := 0; given < one && i < len(rest); i++ {
		shares[rest[i].at]++
		given++
	}
	return shares
}

// lookNext ranks the items without evidence by the risk that a look would settle, a minute.
func (e *evaluation) lookNext(a *Assessment) {
	a.LookNext = []Look{}
	rest := make([]Number, len(e.items))
	evidence := make([]bool, len(e.items))
	for i := range e.hazards {
		h := &e.hazards[i]
		if !h.applies {
			continue
		}
		at := h.Item.Index
		evidence[at] = evidence[at] || len(h.evidence) > 0
		if len(h.evidence) == 0 && h.Reassured {
			rest[at] += h.index
		}
	}
	for i, it := range e.set.Catalogue.Items {
		s := e.items[i]
		if !s.applies || s.removed || evidence[i] || rest[i] == 0 || !slices.Contains(e.set.LookNext.Access, it.Access) {
			continue
		}
		a.LookNext = append(a.LookNext, Look{
			Item: it.ID, Minutes: Number(round(it.Minutes * 1e6)), Access: it.Access, RiskIndex: rest[i],
			// What takes no time at all counts as a minute.
			PerMinute: Number(round(rest[i].Float() / max(it.Minutes, 1) * 1e6)),
		})
	}
	slices.SortStableFunc(a.LookNext, func(x, y Look) int {
		return cmp.Or(-cmp.Compare(x.PerMinute, y.PerMinute), -cmp.Compare(x.RiskIndex, y.RiskIndex))
	})
	a.LookNext = a.LookNext[:min(len(a.LookNext), e.set.LookNext.Most)]
}

func (e *evaluation) conflicts(a *Assessment) {
	a.Conflicts = []Conflict{}
	for _, st := range e.dossier.Conflicts {
		c := Conflict{Item: st.Finding.Item.ID, Finding: st.Finding.ID, Says: "the observations contradict each other: the worse one counts until somebody looks again"}
		for i := range st.Values {
			v := &st.Values[i]
			by := v.Support[len(v.Support)-1]
			c.Values = append(c.Values, ConflictValue{
				Value: report.Form(v.Value), Method: e.set.Catalogue.Methods[by.Method].ID, Date: by.On.String(),
			})
		}
		a.Conflicts = append(a.Conflicts, c)
	}
}

func (e *evaluation) cautions() []string {
	cautions := append([]string{}, e.set.Cautions...)
	for _, it := range e.dossier.Misplaced {
		cautions = append(cautions, "Something was reported on the "+it.Is+", which by its facts this vehicle does not have: it was left out.")
	}
	return cautions
}
