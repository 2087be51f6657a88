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
	"sync"

	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// Scorer scores under one rule set. It is safe for concurrent use.
type Scorer struct {
	set *ruleset.Set
	// effective has, by rule and method, the effective weight of a rule of constant weight.
	effective [][]Decibans
	// What every assessment says of a hazard or a rule is written down once.
	hazardTexts []HazardText
	ruleTexts   []RuleText
	// scratch keeps the memory of evaluations for the next ones.
	scratch sync.Pool
}

// New returns a scorer for a rule set.
func New(set *ruleset.Set) *Scorer {
	s := &Scorer{set: set, effective: make([][]Decibans, len(set.Rules))}
	for i, r := range set.Rules {
		s.effective[i] = make([]Decibans, len(set.Catalogue.Methods))
		s.ruleTexts = append(s.ruleTexts, RuleText{r.ID, r.Source})
		for m := range set.Catalogue.Methods {
			s.effective[i][m] = effective(r.Weight, set.Catalogue.Methods[m].Credence)
		}
	}
	for _, h := range set.Hazards {
		s.hazardTexts = append(s.hazardTexts, HazardText{h.ID, h.Item.ID, h.Gate.ID, h.What, h.Source})
	}
	return s
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
// reference to its arguments.
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
	e.probabilities()
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
	a.Cautions = e.cautions()
	a.Assumes = append([]string{}, s.set.Assumes...)
	s.scratch.Put(e)
	return a
}

// evaluation is the work on one assessment. Its slices are used again by the next.
type evaluation struct {
	*Scorer
	space   report.Workspace
	dossier *report.Dossier
	frame   condition.Frame
	items   []itemState // by index
	hazards []hazard    // by index
	blocks  []*blocker
	tried   []fired // in the order in which they were tried
	dealt   []fired // by hazard
	starts  []int   // where those of a hazard begin, and where the next one goes
	order   []*hazard

	choice  []*report.StandingValue // see choose
	choices int
	at      []int // which of its values each finding has in the choice
}

func (e *evaluation) begin(reports []*report.Report) {
	e.dossier = e.space.Lay(reports, e.set.Catalogue, e.set.ProofCredence)
	e.frame = e.dossier.Frame
	e.items = again(e.items, len(e.set.Catalogue.Items))
	e.hazards = again(e.hazards, len(e.set.Hazards))
	e.starts = again(e.starts, 2*len(e.set.Hazards)+1)
	e.blocks, e.tried, e.order = e.blocks[:0], e.tried[:0], e.order[:0]
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

// maxChoices bounds the choices tried among contradicting values: with more, only the lowest and the
// highest of each finding are tried.
const maxChoices = 4096

// choose begins to go through the choices among contradicting values of the findings at the slots
// given. The first choice, all lowest, is made; it returns false when one of the findings was not
// reported.
//
//	if e.choose(slots) {
//		for ok := true; ok; ok = e.chooseNext(slots) { ... }
//	}
func (e *evaluation) choose(slots []int) bool {
	e.choice, e.choices = e.choice[:0], 1
	for _, slot := range slots {
		st := e.dossier.Standing[slot]
		if st == nil {
			return false
		}
		e.choices = min(e.choices*len(st.Values), maxChoices+1)
		e.choice = append(e.choice, &st.Values[0])
	}
	if e.choices > 1 {
		e.at = again(e.at, len(slots))
	}
	return true
}

// chooseNext makes the next choice, as one counts; after the last it goes back to the first and
// returns false.
func (e *evaluation) chooseNext(slots []int) bool {
	if e.choices == 1 {
		return false
	}
	for i, slot := range slots {
		values := e.dossier.Standing[slot].Values
		next := e.at[i] + 1
		if e.choices > maxChoices && next < len(values) {
			next = len(values) - 1
		}
		if next == len(values) || e.at[i] == len(values)-1 {
			next = 0
		}
		e.at[i], e.choice[i], e.frame[slot] = next, &values[next], values[next].Number
		if next > 0 {
			return true
		}
	}
	return false
}

// aged is the least credence of the choice made, each halved by the half life of its item.
func (e *evaluation) aged() float64 {
	c := 1.0
	for _, v := range e.choice {
		c = min(c, v.Aged(e.dossier.AsOf, e.set.HalfLife[v.Finding.Item.Index]))
	}
	return c
}

// credence is the least credence of the choice made, and the method that has it; 1 and -1 where
// nothing was chosen.
func (e *evaluation) credence() (c float64, method int) {
	c, method = 1, -1
	for _, v := range e.choice {
		if method < 0 || v.Credence() < c {
			c, method = v.Credence(), v.Method()
		}
	}
	return c, method
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
	e.deal()
}

// deal gives each hazard the rules that fired for it. A line counts once: the largest effective
// weight if any speaks for the hazard, else the one that speaks most against it.
func (e *evaluation) deal() {
	starts, next := e.starts[:len(e.hazards)+1], e.starts[len(e.hazards)+1:]
	for i := range e.tried {
		starts[e.tried[i].rule.Hazard.Index+1]++
	}
	for i := range e.hazards {
		starts[i+1] += starts[i]
		next[i] = starts[i]
	}
	e.dealt = again(e.dealt, len(e.tried))
	for i := range e.tried {
		h := e.tried[i].rule.Hazard.Index
		e.dealt[next[h]] = e.tried[i]
		next[h]++
	}
	for i := range e.hazards {
		mine := e.dealt[starts[i]:starts[i+1]]
		slices.SortFunc(mine, byLine)
		counting := 0
		for k := range mine {
			if k == 0 || mine[k].rule.Line != mine[counting-1].rule.Line {
				f := mine[k]
				copy(mine[counting+1:k+1], mine[counting:k])
				mine[counting] = f
				counting++
			}
		}
		e.hazards[i].evidence, e.hazards[i].outweighed = mine[:counting:counting], mine[counting:]
		slices.SortFunc(e.hazards[i].evidence, strongestFirst)
	}
}

func byLine(a, b fired) int {
	if a.rule.Line != b.rule.Line {
		return a.rule.Line - b.rule.Line
	}
	if x, y := max(a.effective, 0), max(b.effective, 0); x != y {
		return cmp.Compare(y, x)
	}
	if a.effective != b.effective {
		return cmp.Compare(a.effective, b.effective)
	}
	return cmp.Compare(a.rule.ID, b.rule.ID)
}

func strongestFirst(a, b fired) int {
	if x, y := magnitude(a.effective), magnitude(b.effective); x != y {
		return cmp.Compare(y, x)
	}
	return cmp.Compare(a.rule.ID, b.rule.ID)
}

// try fires a rule if everything it reads was reported. Where observations contradict each other
// the choice that speaks most for the hazard counts.
func (e *evaluation) try(r *ruleset.Rule) {
	if len(e.dossier.Conflicts) == 0 {
		// Most rules of an item do not fire: that is soon seen where nothing is contradicted.
		for _, slot := range r.Needs {
			if !e.frame.Known(slot) {
				return
			}
		}
		if r.When.Holds(e.frame) == condition.False {
			return
		}
	}
	if !e.choose(r.Needs) {
		return
	}
	best := e.read(r)
	for e.chooseNext(r.Needs) {
		now := e.read(r)
		blocks := best.blocks || now.blocks
		if now.effective > best.effective || now.effective == best.effective && now.credence > best.credence {
			best = now
		}
		best.blocks = blocks
	}
	if best.credence > 0 && (best.weight != 0 || best.blocks) {
		e.tried = append(e.tried, best)
	}
}

// read reads a rule under the choice made; its credence is 0 where it does not fire.
func (e *evaluation) read(r *ruleset.Rule) fired {
	now := fired{rule: r}
	holds := r.When.Holds(e.frame)
	if holds == condition.False {
		return now
	}
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
	credence, method := e.credence()
	now.hearsay = credence < e.set.ProofCredence
	now.credence = credence
	if now.weight < 0 {
		now.credence = e.aged()
	}
	if now.credence == credence && now.weight == r.Weight && r.WeightOf == nil {
		now.effective = e.effective[r.Index][method]
	} else {
		now.effective = effective(now.weight, now.credence)
	}
	return now
}

// effective is the weight of a finding that tells the truth with share c, and else nothing:
// 10 log10(c 10^(w/10) + 1 - c).
func effective(w, c float64) Decibans {
	return decibans(float64(c*ratio(w)) + (1 - c))
}

// ratio is the likelihood ratio of a weight in decibans: 10^(w/10).
func ratio(w float64) float64 { return math.Exp(w * (math.Ln10 / 10)) }

// decibans is the weight of a likelihood ratio or of odds.
func decibans(ratio float64) Decibans {
	return Decibans(round(math.Log(ratio) * (10 / math.Ln10) * unitsPerDeciban))
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
		h.atGate = h.risk
		if credible := h.credible(); h.removed || unheard != h.prior || credible != h.totalDB-h.priorDB {
			h.atGate = RiskOf(h.severity, Level(probability(decibans(unheard/(1-unheard))+credible).Float()))
		}
		h.index = Number(round(h.p.Float() * e.set.Weight[h.severity] * 1e6))
	}
}

// probability turns a total weight into a probability.
func probability(total Decibans) Share {
	return Share(round(1 / (1 + ratio(-total.Float())) * 1e10))
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
	if !e.choose(p.Needs) {
		return p.Unknown, p.Unknown
	}
	for ok := true; ok; ok = e.chooseNext(p.Needs) {
		at, c := p.Unknown, 0.0
		if x := p.Of.Value(e.frame); x == x {
			c, _ = e.credence()
			at = float64(c*ruleset.At(p.Curve, x)) + float64((1-c)*p.Unknown)
		}
		worst, unheard = max(worst, at), max(unheard, at)
		if c < e.set.ProofCredence {
			unheard = max(unheard, p.Unknown)
		}
	}
	return worst, unheard
}

// register lists the hazards by risk, worst first, with what each rests on.
func (e *evaluation) register(a *Assessment) {
	order := e.order
	total := 0.0
	for i := range e.hazards {
		if h := &e.hazards[i]; h.applies {
			order = append(order, h)
			total += h.index.Float()
		}
	}
	slices.SortFunc(order, byRisk)
	shares := shareOut(order, total)
	a.Register = make([]Entry, len(order))
	explained := make([]Evidence, 0, len(e.tried))
	explain := func(list []fired) []Evidence {
		from := len(explained)
		for i := range list {
			explained = append(explained, e.explain(&list[i]))
		}
		return explained[from:len(explained):len(explained)]
	}
	for i, h := range order {
		// Written in place: an entry is large and there are many.
		w := &a.Register[i]
		w.Rank, w.HazardText = i+1, &e.hazardTexts[h.Index]
		w.Severity, w.Probability, w.Level, w.Risk = h.severity.String(), h.p, levelNames[h.level-'A'], h.risk.String()
		w.RiskIndex, w.Share, w.RestsOn = h.index, shares[i], "unknown"
		w.Prior, w.PriorDB, w.TotalDB = Share(round(h.prior*1e10)), h.priorDB, h.totalDB
		w.Evidence, w.Outweighed = explain(h.evidence), explain(h.outweighed)
		if len(h.evidence) > 0 || h.removed {
			w.RestsOn = "found"
		}
	}
}

var levelNames = [...]string{"A", "B", "C", "D", "E", "F"}

func byRisk(a, b *hazard) int {
	switch {
	case a.risk != b.risk:
		return int(a.risk) - int(b.risk)
	case a.index != b.index:
		return cmp.Compare(b.index, a.index)
	case a.Gate != b.Gate:
		return a.Gate.Index - b.Gate.Index
	}
	return cmp.Compare(a.ID, b.ID)
}

func (e *evaluation) explain(f *fired) Evidence {
	return Evidence{
		RuleText: &e.ruleTexts[f.rule.Index], WeightDB: Decibans(round(f.weight * unitsPerDeciban)), Credence: Share(round(f.credence * 1e10)),
		EffectiveDB: f.effective, Because: f.rule.Because.On(e.frame),
	}
}

// shareOut gives each hazard its share of the summed index, in whole units that add up to 1: what
// rounding leaves over goes to the largest.
func shareOut(order []*hazard, total float64) []Share {
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
