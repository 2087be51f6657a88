// Package score turns a dossier into an assessment under a rule set. It is pure: no clock, no I/O,
// no randomness; the same dossier and rule set give the same bytes on every machine.
//
// The model is Bayes' rule in odds form with conditionally independent lines of evidence, in
// decibans (I. J. Good's weight of evidence), on faults; hazards, which are what faults do at a gate;
// and severity x probability by MIL-STD-882E. See docs/scoring.md.
package score

import (
	"cmp"
	"math"
	"slices"
	"sync"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// Scorer scores under one rule set. It is safe for concurrent use.
type Scorer struct {
	set *ruleset.Set
	// What every assessment says of a hazard, fault or rule is written down once.
	hazardTexts []HazardText
	faultTexts  []FaultText
	ruleTexts   []RuleText
	halfLife    []float64 // years, by item
	onFacts     factConditions
	// What does not depend on the dossier, by index.
	fixedFaults  []fixedFault
	fixedHazards []fixedHazard
	followReads  [][]int       // by follow: the slots of findings of its item that it reads
	rulesReading [][]fixedRule // as [ruleset.Set] has them
	neededFrom   []int         // by item: the gate that needs it, or -1
	// asks has by slot the value of a finding that clears what it is asked for: one over the whole
	// rule set. NaN where none is asked for; that of a date is +Inf and stands for the day.
	asks []float64
	// scratch keeps the memory of evaluations for the next ones.
	scratch sync.Pool
}

// New returns a scorer for a rule set.
func New(set *ruleset.Set) *Scorer {
	s := &Scorer{set: set, onFacts: newFactConditions(), neededFrom: make([]int, len(set.Catalogue.Items))}
	for _, r := range set.Rules {
		s.ruleTexts = append(s.ruleTexts, RuleText{r.ID, r.Source})
	}
	for _, h := range set.Hazards {
		s.fixedHazards = append(s.fixedHazards, s.fixHazard(h))
		s.hazardTexts = append(s.hazardTexts, HazardText{h.ID, h.Gate.ID, h.What, h.Source})
	}
	s.asks = slices.Repeat([]float64{math.NaN()}, set.Catalogue.Size)
	for i, it := range set.Catalogue.Items {
		s.asks[it.Removed.Slot] = 0 // whatever is off is to be back on
		years := set.HalfLife[i]
		if it.HalfLife > 0 {
			years = it.HalfLife
		}
		s.halfLife = append(s.halfLife, years)
		s.neededFrom[i] = slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == it.NeededFrom.Gate })
	}
	for _, f := range set.Follows {
		reads := append(slices.Clone(f.When.Reads()), f.Because.Reads()...)
		s.followReads = append(s.followReads, slices.DeleteFunc(reads, func(slot int) bool {
			owner := set.Catalogue.Owner(slot)
			return owner == nil || owner.Item != f.Item
		}))
	}
	for _, p := range set.Proofs {
		s.ask(p.ClearBy)
	}
	for _, l := range set.Limits {
		s.ask(l.ClearBy)
	}
	for _, r := range set.Rules {
		s.ask(r.ClearBy)
	}
	for _, f := range set.Faults {
		s.ask(f.ClearBy)
		s.faultTexts = append(s.faultTexts, FaultText{f.ID, f.Item.ID, f.Is, f.Source.String()})
		s.fixedFaults = append(s.fixedFaults, s.fixFault(f))
		if n := &s.neededFrom[f.Item.Index]; f.Item.NeededFrom.Gate == "" {
			for _, h := range f.Hazards {
				if *n < 0 || h.Gate.Index < *n {
					*n = h.Gate.Index
				}
			}
		}
	}
	s.placeHazards()
	for _, rules := range set.RulesReading {
		list := make([]fixedRule, len(rules))
		for i, r := range rules {
			list[i] = s.fixRule(r)
		}
		s.rulesReading = append(s.rulesReading, list)
	}
	for i, f := range set.Faults {
		s.fixedFaults[i].harms = s.harmsOf(f)
	}
	return s
}

// ask notes what findings clear, as numbers.
func (s *Scorer) ask(clear []ruleset.Clear) {
	for _, c := range clear {
		if c.Value == nil {
			s.asks[c.Finding.Slot] = math.Inf(1)
			continue
		}
		one := slices.Concat([]byte(`{"`+c.Finding.ID+`":`), c.Value, []byte(`}`))
		if values, faults := report.DecodeFound(one, c.Finding.Item, s.set.Catalogue); len(faults) == 0 && len(values) == 1 {
			s.asks[c.Finding.Slot] = values[0].Number
		}
	}
}

// fewToSearch is up to how many it is quicker to look at all of a list.
const fewToSearch = 32

// addNew adds what is not in a list yet.
func addNew[T comparable](list []T, more ...T) []T {
	if len(list)+len(more) > fewToSearch {
		there := make(map[T]bool, len(list)+len(more))
		for _, x := range list {
			there[x] = true
		}
		for _, x := range more {
			if !there[x] {
				there[x] = true
				list = append(list, x)
			}
		}
		return list
	}
	for _, x := range more {
		if !slices.Contains(list, x) {
			list = append(list, x)
		}
	}
	return list
}

func enumerable(f *catalogue.Finding) bool {
	return f.Kind == catalogue.Flag || f.Kind == catalogue.Choice
}

// RuleSet returns the rule set that the scorer scores under.
func (s *Scorer) RuleSet() *ruleset.Set { return s.set }

// Evaluate is for who scores once: [New] and [Scorer.Evaluate] in one.
func Evaluate(set *ruleset.Set, reports []*report.Report, gate int) *Assessment {
	return New(set).Evaluate(reports, gate)
}

// Evaluate assesses the dossier of a vehicle: its reports, at least one, in the order in which
// they came. Gate is the index of the gate asked about; below 0 means the one that the rule set
// asks about. The reports must have been decoded with the rule set's catalogue. Evaluate keeps no
// reference to its arguments. The assessment has reasons as codes: package wording puts them into
// words.
func (s *Scorer) Evaluate(reports []*report.Report, gate int) *Assessment {
	if gate < 0 {
		gate = s.set.Asks
	}
	e, ok := s.scratch.Get().(*evaluation)
	if !ok {
		e = &evaluation{Scorer: s}
	}
	e.begin(reports)
	e.applying()
	e.fire()
	e.weigh()
	e.harm()
	e.block()
	a := &Assessment{
		Schema:  SchemaName,
		State:   "done",
		Vehicle: e.dossier.Vehicle.Reference,
		AsOf:    e.dossier.AsOf.String(),
		RuleSet: RuleSet{s.set.Name, s.set.Version, s.set.Digest},
	}
	e.register(a)
	e.gates(a, gate)
	e.condition(a)
	e.lookNext(a)
	e.conflicts(a)
	a.Cautions = append([]string{}, s.set.Cautions...)
	for _, f := range e.dossier.Taken {
		a.Taken = append(a.Taken, TakenFact{f.In + "." + f.ID, report.Form(report.Value{Finding: f, Number: e.dossier.Frame[f.Slot]})})
	}
	for _, it := range e.dossier.Misplaced {
		a.Misplaced = append(a.Misplaced, it.ID)
	}
	a.Assumes = append([]string{}, s.set.Assumes...)
	e.dossier, e.shown = nil, nil
	s.scratch.Put(e)
	return a
}

// evaluation is the work on one assessment. Its slices are used again by the next.
type evaluation struct {
	*Scorer
	space             report.Workspace
	dossier           *report.Dossier
	frame             condition.Frame
	items             []itemState // by index
	faults            []fault     // by index
	hazards           []hazard    // by index
	blocks            []*blocker
	tried             []fired // in the order in which they were tried
	dealt             []fired // by fault
	passed            []bool  // by limit: its rule was tried and holds nowhere
	terms, trialTerms []harmTerm
	starts            []int // where those of a fault begin, and where the next one goes
	order             []ranked
	causes            []cause              // of all hazards, one hazard after another
	trial             []cause              // of the assignment tried
	open              []*catalogue.Finding // the facts to be tried
	free              []choice             // the values that are tried for them
	picked            []int                // what counts of the evidence on one fault
	shown             []Evidence           // what the register says of evidence; the assessment keeps it
	decided           []condition.Truth    // the conditions on facts, under those that are known
	supposing         bool                 // values are tried for facts that are not
	unknown           []bool               // by slot of a fact: it is not known, and its values can be tried

	reading reading
}

func (e *evaluation) begin(reports []*report.Report) {
	e.dossier = e.space.Lay(reports, e.set.Catalogue, e.set.ProofCredence)
	e.frame = e.dossier.Frame
	e.items = again(e.items, len(e.set.Catalogue.Items))
	e.faults = again(e.faults, len(e.set.Faults))
	e.hazards = again(e.hazards, len(e.set.Hazards))
	e.passed = again(e.passed, len(e.set.Limits))
	e.starts = again(e.starts, 2*len(e.set.Faults)+1)
	e.unknown = again(e.unknown, e.set.Catalogue.Size)
	e.decide()
	e.blocks, e.tried, e.order, e.causes = e.blocks[:0], e.tried[:0], e.order[:0], e.causes[:0]
	for _, f := range e.set.Catalogue.Facts {
		e.unknown[f.Slot] = enumerable(f) && !e.frame.Known(f.Slot)
	}
}

// again returns n zero elements in the memory of a slice that is not needed any more.
func again[T any](old []T, n int) []T {
	if cap(old) < n {
		return make([]T, n)
	}
	clear(old[:n])
	return old[:n]
}

type itemState struct {
	applies, found bool
	off            bool // by a credible word it is off the vehicle
	saidOff        bool // somebody says so: nothing found on it proves anything
}

func (e *evaluation) applying() {
	for i, it := range e.set.Catalogue.Items {
		s, known := &e.items[i], &e.dossier.Items[i]
		if s.applies = known.Applies && !known.NotFitted; !s.applies {
			continue
		}
		for k := range known.Places {
			p := &known.Places[k]
			for _, st := range p.Standing {
				s.found = s.found || st != nil
			}
			if st := p.Of(it.Removed); st != nil {
				for n := range st.Values {
					off := st.Values[n].Number == 1
					s.off = s.off || off && e.credible(&st.Values[n])
					s.saidOff = s.saidOff || off
				}
			}
		}
	}
}

// credible reports whether a value rests on more than somebody's word.
func (e *evaluation) credible(v *report.StandingValue) bool {
	return v.Alarms() >= e.set.ProofCredence
}

// fault is what becomes of one fault.
type fault struct {
	*ruleset.Fault
	fixed   *fixedFault
	there   bool                 // the item is, and the fault may be
	varies  bool                 // a fact that it hangs on is not known
	open    []*catalogue.Finding // those facts
	prior   float64
	shift   Decibans // under the facts as they are known
	priorDB Decibans
	// What the fault's prior would be had nobody said what is only hearsay.
	unheardDB Decibans

	evidence   []fired // what counts, strongest first
	outweighed []fired
	weightDB   Decibans // of the evidence
	// credibleDB is the weight without hearsay that reassures: hearsay alone clears no gate.
	credibleDB Decibans
	alarmed    bool // credible evidence speaks for it
	rumoured   bool // only somebody's word does
	decided    bool // a fact that nobody has told decides about it
	told       bool // some of the evidence or of the prior is hearsay
	p, atGate  Share

	// What the register says of it, once it was written.
	explained     bool
	shown, hidden []Evidence
	range80       Interval80 // of p
	at            []string
}

// totals are the weights of a fault under a shift: as the register has it, and as gates do.
func (f *fault) totals(shift Decibans) (total, atGate Decibans) {
	return f.priorDB + f.capped(f.priorDB, shift) + f.weightDB, f.unheardDB + f.capped(f.unheardDB, shift) + f.credibleDB
}

// capped is what a shift may add to a prior.
func (f *fault) capped(prior, shift Decibans) Decibans {
	return min(shift, max(0, f.fixed.most-prior))
}

// weigh puts prior and evidence of every fault together.
func (e *evaluation) weigh() {
	e.deal()
	for i, rf := range e.set.Faults {
		f := &e.faults[i]
		fixed := &e.fixedFaults[i]
		f.there = e.items[rf.Item.Index].applies && e.holds(fixed.when) != condition.False
		if !f.there {
			continue
		}
		f.fixed, f.open = fixed, e.undecided(f.open[:0], fixed.asks)
		f.varies = len(f.open) > 0
		var unheard float64
		f.prior, unheard = e.prior(&rf.Prior, rf.Item)
		f.priorDB = logOdds(f.prior)
		if f.unheardDB = f.priorDB; unheard != f.prior {
			f.unheardDB = logOdds(unheard)
		}
		f.told = f.told || unheard != f.prior
		f.shift = e.shift(fixed)
		total, atGate := f.totals(f.shift)
		f.p = probability(total)
		if f.atGate = f.p; atGate != total {
			f.atGate = probability(atGate)
		}
	}
}

// shift adds up the shifts of a fault under the facts in the frame; what cannot be decided counts the
// worse way.
func (e *evaluation) shift(f *fixedFault) Decibans {
	var sum Decibans
	for i := range f.shifts {
		s := &f.shifts[i]
		switch e.holds(s.when) {
		case condition.True:
			sum += s.db
		case condition.Unknown:
			sum += max(0, s.db)
		}
	}
	return sum
}

// prior is the probability with nobody having looked, at the worst place. What a number was reported
// with credence c says counts for c, the worst that it may be without it for the rest, and never more
// than without it. The second result is the same where hearsay cannot lower it.
func (e *evaluation) prior(p *ruleset.Prior, it *catalogue.Item) (worst, unheard float64) {
	if p.Over == ruleset.Constant {
		return p.Curve[0][1], p.Curve[0][1]
	}
	places := e.dossier.Places(it)
	for i := range places {
		if !places[i].Real() {
			continue
		}
		w, u := e.priorAt(p, it, places, i)
		worst, unheard = max(worst, w), max(unheard, u)
	}
	return worst, unheard
}

func (e *evaluation) priorAt(p *ruleset.Prior, it *catalogue.Item, places []report.Place, i int) (worst, unheard float64) {
	place := &places[i]
	x := math.Inf(1)
	switch p.Over {
	case ruleset.Age:
		x = place.Unvouched.High
	case ruleset.LaidUp:
		x = place.LaidUp.High
	case ruleset.SinceBuilt:
		x = place.SinceBuilt.High
	case ruleset.Odometer:
		x = place.Driven.High
	}
	without := ruleset.At(p.Curve, x)
	narrowed := func(x, c float64) float64 {
		return min(without, float64(c*ruleset.At(p.Curve, x))+float64((1-c)*without))
	}
	switch p.Over {
	case ruleset.Age:
		st := place.Of(it.Age)
		if st == nil {
			return without, without
		}
		least := min(place.LaidUp.Low, place.Unvouched.Low)
		for k := range st.Values {
			v := &st.Values[k]
			at := narrowed(max(v.Number, least), v.Alarms())
			worst = max(worst, at)
			if e.credible(v) {
				unheard = max(unheard, at)
			}
		}
		if unheard == 0 {
			unheard = without
		}
		return worst, max(worst, unheard)
	case ruleset.Formula:
		return e.formula(p, it, places, i, without, narrowed)
	}
	return without, without
}

// formula is priorAt for a curve over a formula: of what was found, of the years that this part has stood and
// been there, and of how far it was driven.
func (e *evaluation) formula(p *ruleset.Prior, it *catalogue.Item, places []report.Place, i int, without float64, narrowed func(x, c float64) float64) (worst, unheard float64) {
	cat, place := e.set.Catalogue, &places[i]
	counted := [...]struct {
		slot int
		most float64
	}{{cat.YearsLaidUp, place.LaidUp.High}, {cat.YearsSinceBuilt, place.SinceBuilt.High}, {cat.Odometer, place.Driven.High}}
	var saved [len(counted)]float64
	for k, c := range counted {
		if c.slot < 0 {
			continue
		}
		if saved[k] = e.frame[c.slot]; math.IsInf(c.most, 1) {
			c.most = condition.Unset
		}
		e.frame[c.slot] = c.most
	}
	defer func() {
		for k, c := range counted {
			if c.slot >= 0 {
				e.frame[c.slot] = saved[k]
			}
		}
	}()
	if len(p.Needs) == 0 {
		if x := p.Of.Value(e.frame); x == x {
			without = ruleset.At(p.Curve, x)
		}
		return without, without
	}
	if !e.choose(p.Needs, it, places, i) {
		return without, without
	}
	for ok := true; ok; ok = e.chooseNext() {
		at, certain := without, false
		if x := p.Of.Value(e.frame); x == x {
			c, _ := e.reading.alarms()
			at, certain = narrowed(x, c), c >= e.set.ProofCredence
		}
		worst = max(worst, at)
		if !certain {
			at = without
		}
		unheard = max(unheard, at)
	}
	e.restore()
	return worst, unheard
}

// ratio is the likelihood ratio of a weight in decibans: 10^(w/10).
func ratio(w float64) float64 { return math.Exp(w * (math.Ln10 / 10)) }

// decibans is the weight of a likelihood ratio or of odds.
func decibans(ratio float64) Decibans { return toDecibans(math.Log(ratio) * (10 / math.Ln10)) }

func toDecibans(db float64) Decibans { return Decibans(round(db * unitsPerDeciban)) }

// logOdds is a probability in decibans.
func logOdds(p float64) Decibans { return decibans(p / (1 - p)) }

// probability turns a total weight into a probability.
func probability(total Decibans) Share {
	return Share(round(1 / (1 + ratio(-total.Float())) * 1e10))
}

// round rounds to the nearest whole number, halves away from zero.
func round(v float64) int64 { return int64(math.Round(v)) }

func magnitude(d Decibans) Decibans { return max(d, -d) }

// lookNext ranks the items without evidence by the risk that a look would settle, a minute.
func (e *evaluation) lookNext(a *Assessment) {
	a.LookNext = []Look{}
	rest := make([]Number, len(e.items))
	evidence := make([]bool, len(e.items))
	for i := range e.faults {
		f := &e.faults[i]
		if f.there && len(f.evidence) > 0 {
			evidence[f.Item.Index] = true
		}
	}
	for i := range e.hazards {
		h := &e.hazards[i]
		if !h.applies {
			continue
		}
		for k := range h.causes {
			c := &h.causes[k]
			if c.fault.Reassured && len(c.fault.evidence) == 0 {
				rest[c.fault.Item.Index] += Number(round(h.index.Float() * c.share * 1e6))
			}
		}
	}
	for i, it := range e.set.Catalogue.Items {
		s := e.items[i]
		if !s.applies || s.off || evidence[i] || rest[i] == 0 || !slices.Contains(e.set.LookNext.Access, it.Access) {
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
	for _, known := range e.dossier.Conflicts {
		c := Conflict{Item: known.Item.ID, At: e.position(known.Item, known.At), Finding: "fitted", Values: []ConflictValue{}}
		if known.Standing != nil {
			c.Finding = known.Finding.ID
			for i := range known.Values {
				v := &known.Values[i]
				c.Values = append(c.Values, ConflictValue{
					Value: report.Form(v.Value), Method: e.set.Catalogue.Methods[v.Method()].ID, Date: v.On().String(),
				})
			}
		}
		a.Conflicts = append(a.Conflicts, c)
	}
}

// position names a position of an item; what is no position has no name.
func (e *evaluation) position(it *catalogue.Item, at int) string {
	if at < 0 {
		return ""
	}
	return it.Positions[at].ID
}
