package score

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// AppraisalSchema is what an appraisal states as its schema.
const AppraisalSchema = "laidup.appraisal/1"

// Appraisal is what a buyer is to know before the purchase: an assessment put as a dealer asks, with
// what each number rests on. schema/json/appraisal.schema.json describes every field, and
// docs/appraisal.md says how it is made. Its numbers are those of the assessment, or made of them.
type Appraisal struct {
	Schema      string  `json:"schema"`
	Vehicle     string  `json:"vehicle"`
	Description string  `json:"description"`
	Assessment  string  `json:"assessment,omitempty"`
	RuleSet     RuleSet `json:"rule_set"`
	AsOf        string  `json:"as_of"`
	// NewerReportWaiting is set by whoever stores reports: the answer may change any moment.
	NewerReportWaiting bool               `json:"newer_report_waiting"`
	Gate               string             `json:"gate"` // the gate asked about
	Gates              []AppraisedGate    `json:"gates"`
	Blockers           []Blocker          `json:"blockers"`
	Condition          AppraisedCondition `json:"condition"`
	Coverage           Looked             `json:"coverage"`
	Unknown            Unknown            `json:"unknown"`
	Conflicts          []Contradiction    `json:"conflicts"`
	VIN                VIN                `json:"vin"`
	Risk               CarriedRisk        `json:"risk"`
	Cautions           []string           `json:"cautions"`
	Assumes            []string           `json:"assumes"`
}

// AppraisedGate is a [Gate] with the reason for its state in words.
type AppraisedGate struct {
	Gate           string `json:"gate"`
	Is             string `json:"is"`
	State          string `json:"state"`
	Blockers       int    `json:"blockers"`
	ChanceUnharmed Share  `json:"chance_unharmed"`
	ChanceThrough  Share  `json:"chance_through"`
	Because        string `json:"because"`
}

// AppraisedCondition is the condition with what its range rests on.
type AppraisedCondition struct {
	Range
	Because string            `json:"because"`
	Systems []AppraisedSystem `json:"systems"`
	Widest  []Widening        `json:"widest"` // the ungraded items that make it wide, widest first
}

// AppraisedSystem is the condition of one system with what its range rests on.
type AppraisedSystem struct {
	System string `json:"system"`
	Is     string `json:"is"`
	Range
	Coverage Looked `json:"coverage"`
	Because  string `json:"because"`
}

// Widening is an item that nobody graded: Points is what it adds to the width of the range of the
// whole vehicle.
type Widening struct {
	Item    string `json:"item"`
	Is      string `json:"is"`
	Points  Number `json:"points"`
	Because string `json:"because"`
}

// Looked says what was looked at, and how. Those looked at are measured or tested, known credibly in
// another way (seen), or known by somebody's word alone; Ungraded is of all that apply. Shares are
// weighted as the condition is.
type Looked struct {
	Applying      int    `json:"applying"`
	LookedAt      int    `json:"looked_at"`
	Measured      int    `json:"measured"`
	Seen          int    `json:"seen"`
	ToldOnly      int    `json:"told_only"`
	Ungraded      int    `json:"ungraded"`
	LookedAtShare Share  `json:"looked_at_share"`
	MeasuredShare Share  `json:"measured_share"`
	SeenShare     Share  `json:"seen_share"`
	ToldShare     Share  `json:"told_share"`
	UngradedShare Share  `json:"ungraded_share"`
	Because       string `json:"because"`
}

// Unknown is what nobody has proven of what a gate and all earlier ones need, and what a look at all
// of it would cost.
type Unknown struct {
	Gate     string       `json:"gate"`
	Items    int          `json:"items"`
	Minutes  Number       `json:"minutes"`
	ByAccess []AccessCost `json:"by_access"` // least to be taken apart first
	LookNext []NamedLook  `json:"look_next"` // what settles most risk a minute, first
	Because  string       `json:"because"`
}

// AccessCost is what the looks cost that need one kind of access.
type AccessCost struct {
	Access  string `json:"access"`
	Items   int    `json:"items"`
	Minutes Number `json:"minutes"`
}

// NamedLook is a [Look] with the name of its item.
type NamedLook struct {
	Look
	Is string `json:"is"`
}

// What counts of a contradiction.
const (
	SeenCounts  = "seen"  // the word was overturned
	WorseCounts = "worse" // nobody has settled it: the worse counts
)

// Contradiction is a finding on which statements contradict each other: Told is hearsay, Seen what
// is known better.
type Contradiction struct {
	Item      string      `json:"item"`
	Is        string      `json:"is"`
	Finding   string      `json:"finding"`
	FindingIs string      `json:"finding_is"`
	Told      []Statement `json:"told"`
	Seen      []Statement `json:"seen"`
	Counts    string      `json:"counts"`
	Because   string      `json:"because"`
}

// Statement is one observation of a finding.
type Statement struct {
	Value   json.RawMessage `json:"value"`
	InWords string          `json:"in_words"`
	Method  string          `json:"method"`
	Date    string          `json:"date"`
}

// VIN is the vehicle identification number as last reported, with what is odd about it.
type VIN struct {
	VIN      string   `json:"vin"`
	Cautions []string `json:"cautions"`
}

// What a hazard rests on.
const (
	RestsOnFound   = "found"         // at least one credible finding counts
	RestsOnTold    = "told"          // only what somebody said counts
	RestsOnNothing = "nothing_known" // the years alone
)

// CarriedRisk is the risk that a buyer would carry who starts the vehicle as it stands and goes on to
// the last gate.
type CarriedRisk struct {
	Gate string `json:"gate"` // the last
	// ChanceOfHarm is that at least one critical or catastrophic hazard comes true on the way: what is
	// left of 1 by the chance of getting through the last gate.
	ChanceOfHarm Share `json:"chance_of_harm"`
	// WithoutTheWord is the same if no reassuring hearsay counted, as for gates: where it is much
	// higher, it is the seller's word that makes the vehicle look good.
	WithoutTheWord Share           `json:"without_the_word"`
	RestsOn        RestingShares   `json:"rests_on"`
	Because        string          `json:"because"`
	BySeverity     []SeverityRisk  `json:"by_severity"` // worst first, those that there are
	ByGate         []GateRisk      `json:"by_gate"`
	Hazards        []CarriedRiskOf `json:"hazards"` // as the register ranks them
}

// RestingShares are the shares of a chance of harm. Hazards that all have to be escaped multiply, so
// their logarithms add up: a hazard of probability p has the part -ln(1-p).
type RestingShares struct {
	Found   Share `json:"found"`
	Told    Share `json:"told"`
	Nothing Share `json:"nothing_known"`
}

// SeverityRisk sums up the hazards of one severity. Chance is that at least one of them comes true on
// the way to the last gate.
type SeverityRisk struct {
	Severity string `json:"severity"`
	Hazards  int    `json:"hazards"`
	Chance   Share  `json:"chance"`
	Worst    string `json:"worst"` // risk level among them
	Found    int    `json:"found"`
	Told     int    `json:"told"`
	Nothing  int    `json:"nothing_known"`
}

// GateRisk is the chance of harm at one gate alone.
type GateRisk struct {
	Gate         string `json:"gate"`
	Hazards      int    `json:"hazards"` // critical and catastrophic
	ChanceOfHarm Share  `json:"chance_of_harm"`
	Because      string `json:"because"`
}

// CarriedRiskOf is one hazard of the register with what it rests on.
type CarriedRiskOf struct {
	Rank        int    `json:"rank"`
	Hazard      string `json:"hazard"`
	Item        string `json:"item"`
	Gate        string `json:"gate"`
	What        string `json:"what"`
	Severity    string `json:"severity"`
	Probability Share  `json:"probability"`
	Risk        string `json:"risk"`
	RiskIndex   Number `json:"risk_index"`
	RestsOn     string `json:"rests_on"`
	Because     string `json:"because"`
}

// JSON encodes the appraisal.
func (a *Appraisal) JSON() ([]byte, error) { return json.Marshal(a) }

// mostShown is how many looks, and how many widenings, an appraisal shows.
const mostShown = 10

// instruments are the methods, by the names that the catalogue of the built-in rule sets gives them,
// that read a value off something better than a person.
var instruments = []string{"tested", "measured"}

// Appraise puts an assessment as a buyer asks. The reports are those that it was made of, in the order
// in which they came, and the scorer is of the rule set that it was made under. Gate is the index of
// the gate asked about; below 0 means the one that the assessment is about. Like Evaluate it is pure.
func (s *Scorer) Appraise(a *Assessment, reports []*report.Report, gate int) *Appraisal {
	if gate < 0 {
		gate = slices.IndexFunc(a.Gates, func(g Gate) bool { return g.Gate == a.Verdict.Gate })
	}
	p := &appraiser{set: s.set, a: a, reports: reports}
	p.dossier = report.Lay(reports, s.set.Catalogue, s.set.ProofCredence)
	for _, h := range s.set.Hazards {
		p.hazards = append(p.hazards, h.ID)
	}
	out := &Appraisal{
		Schema: AppraisalSchema, Vehicle: a.Vehicle, Description: p.dossier.Vehicle.Description, Assessment: a.ID,
		RuleSet: a.RuleSet, AsOf: a.AsOf, Gate: a.Gates[gate].Gate, Gates: p.gates(),
		Blockers: append([]Blocker{}, a.Blockers...), Unknown: p.unknown(a.Gates[gate]), Conflicts: p.contradictions(), VIN: p.vin(),
		Cautions: append([]string{}, a.Cautions...), Assumes: append([]string{}, a.Assumes...),
	}
	out.Condition, out.Coverage = p.condition()
	out.Risk = p.risk()
	return out
}

type appraiser struct {
	set     *ruleset.Set
	a       *Assessment
	reports []*report.Report
	dossier *report.Dossier
	hazards []string
}

func (p *appraiser) isHearsay(credence float64) bool { return credence < p.set.ProofCredence }

func (p *appraiser) gates() []AppraisedGate {
	gates := make([]AppraisedGate, len(p.a.Gates))
	for i, g := range p.a.Gates {
		gates[i] = AppraisedGate{g.Gate, g.Is, g.State, g.Blockers, g.ChanceUnharmed, g.ChanceThrough, p.gateBecause(g)}
	}
	return gates
}

func (p *appraiser) gateBecause(g Gate) string {
	if g.Blockers == 0 {
		return "everything that it needs is proven, and nothing was found that must not be there"
	}
	kinds := map[string]int{}
	here := p.a.BlockersBy(g.Gate)
	for _, b := range here {
		kinds[b.Kind]++
	}
	var words []string
	for _, k := range []struct{ kind, one, more string }{
		{ruleset.Defect.String(), "defect", "defects"}, {ruleset.Duty.String(), "duty", "duties"}, {ruleset.Unproven.String(), "thing not proven", "things not proven"},
	} {
		if n := kinds[k.kind]; n > 0 {
			words = append(words, counted(n, k.one, k.more))
		}
	}
	return listed(words) + ", here or at an earlier gate; first of them: " + here[0].Because
}

// look is how one item was looked at.
type look struct {
	item                      *catalogue.Item
	found, credible, measured bool
}

func (p *appraiser) look(id string) look {
	l := look{item: p.set.Catalogue.Item(id)}
	for _, f := range l.item.Finds {
		st := p.dossier.Standing[f.Slot]
		if st == nil {
			continue
		}
		l.found = true
		for i := range st.Values {
			for _, by := range st.Values[i].Support {
				l.credible = l.credible || !p.isHearsay(by.Credence)
				l.measured = l.measured || !p.isHearsay(by.Credence) && slices.Contains(instruments, p.set.Catalogue.Methods[by.Method].ID)
			}
		}
	}
	return l
}

// tally adds up how items were looked at.
type tally struct {
	Looked
	toldAndGraded                           int
	all, lookedAt, measured, told, ungraded float64 // weights
}

func (t *tally) add(l look, graded bool, weight float64) {
	t.Applying++
	t.all += weight
	if !graded {
		t.Ungraded++
		t.ungraded += weight
	}
	if !l.found {
		return
	}
	t.LookedAt++
	t.lookedAt += weight
	switch {
	case l.measured:
		t.Measured++
		t.measured += weight
	case l.credible:
		t.Seen++
	default:
		t.ToldOnly++
		t.told += weight
		if graded {
			t.toldAndGraded++
		}
	}
}

func (t *tally) sum() Looked {
	part := func(of float64) Share { return Share(round(of / t.all * 1e10)) }
	if t.all > 0 {
		t.LookedAtShare, t.MeasuredShare, t.ToldShare, t.UngradedShare = part(t.lookedAt), part(t.measured), part(t.told), part(t.ungraded)
		t.SeenShare = max(0, t.LookedAtShare-t.MeasuredShare-t.ToldShare)
	}
	t.Because = fmt.Sprintf("something is known of %d of %s: %d by measuring or testing, %d by a look, a hand or a paper, %d by somebody's word alone",
		t.LookedAt, counted(t.Applying, "item", "items"), t.Measured, t.Seen, t.ToldOnly)
	return t.Looked
}

// rangeBecause says what the range of a condition rests on.
func (t *tally) rangeBecause(r Range) string {
	var words string
	switch {
	case t.Ungraded == 0:
		words = "no range: of every item a finding says how good it is"
	case t.Ungraded == t.Applying:
		words = fmt.Sprintf("all of the range, %s points, is what is usual at such an age: nobody graded anything", points(r.High-r.Low))
	default:
		words = fmt.Sprintf("the range of %s points comes from the %s that nobody graded: what is not graded may be anything that is usual at its age",
			points(r.High-r.Low), counted(t.Ungraded, "item", "items"))
	}
	if t.toldAndGraded > 0 {
		words += fmt.Sprintf("; %s graded by somebody's word alone, and the range does not allow for that word being wrong", counted(t.toldAndGraded, "item is", "items are"))
	}
	return words
}

func points(n Number) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", n.Float()), ".0") }

func (p *appraiser) condition() (AppraisedCondition, Looked) {
	c := AppraisedCondition{Range: p.a.Condition.Range, Systems: []AppraisedSystem{}, Widest: []Widening{}}
	var whole tally
	systemWeights := 0.0
	for _, s := range p.a.Condition.Systems {
		systemWeights += p.set.SystemWeight[p.system(s.System)]
	}
	for _, s := range p.a.Condition.Systems {
		at := p.system(s.System)
		var t tally
		for _, it := range s.Items {
			l := p.look(it.Item)
			weight := p.set.ItemWeight[l.item.Index]
			t.add(l, it.Graded, weight)
			whole.add(l, it.Graded, weight)
		}
		for _, it := range s.Items {
			item := p.set.Catalogue.Item(it.Item)
			part := p.set.ItemWeight[item.Index] / t.all * p.set.SystemWeight[at] / systemWeights
			wide := Number(round((it.High - it.Low).Float() * part * 1e6))
			if it.Graded || wide <= 0 {
				continue
			}
			c.Widest = append(c.Widest, Widening{it.Item, item.Is, wide, fmt.Sprintf("nobody graded it: it may be anything from %s to %s", points(it.Low), points(it.High))})
		}
		c.Systems = append(c.Systems, AppraisedSystem{s.System, p.set.Catalogue.Systems[at].Is, s.Range, t.sum(), t.rangeBecause(s.Range)})
	}
	slices.SortStableFunc(c.Widest, func(x, y Widening) int { return cmp.Compare(y.Points, x.Points) })
	c.Widest = c.Widest[:min(len(c.Widest), mostShown)]
	c.Because = whole.rangeBecause(c.Range)
	return c, whole.sum()
}

func (p *appraiser) system(id string) int {
	return slices.IndexFunc(p.set.Catalogue.Systems, func(s *catalogue.System) bool { return s.ID == id })
}

// unknown adds up what a look costs at all that a gate and the earlier ones miss proof of.
func (p *appraiser) unknown(g Gate) Unknown {
	u := Unknown{Gate: g.Gate, ByAccess: []AccessCost{}, LookNext: []NamedLook{}}
	seen := map[string]bool{}
	costs := make([]AccessCost, len(catalogue.Access))
	for _, b := range p.a.BlockersBy(g.Gate) {
		if b.Kind != ruleset.Unproven.String() || seen[b.Item] {
			continue
		}
		seen[b.Item] = true
		it := p.set.Catalogue.Item(b.Item)
		minutes := Number(round(it.Minutes * 1e6))
		u.Items++
		u.Minutes += minutes
		cost := &costs[slices.Index(catalogue.Access, it.Access)]
		cost.Access = it.Access
		cost.Items++
		cost.Minutes += minutes
	}
	for _, c := range costs {
		if c.Items > 0 {
			u.ByAccess = append(u.ByAccess, c)
		}
	}
	for _, l := range p.a.LookNext[:min(len(p.a.LookNext), mostShown)] {
		u.LookNext = append(u.LookNext, NamedLook{l, p.set.Catalogue.Item(l.Item).Is})
	}
	if u.Items == 0 {
		u.Because = "no proof is missing at this gate or an earlier one"
		return u
	}
	var how []string
	for _, c := range u.ByAccess {
		how = append(how, fmt.Sprintf("%s %s min", spaced(c.Access), points(c.Minutes)))
	}
	u.Because = fmt.Sprintf("proof of %s is missing at this gate or an earlier one: a first look at each, one after another, takes a practised hand %s min (by what has to be off first: %s); what is found then may need more",
		counted(u.Items, "item", "items"), points(u.Minutes), listed(how))
	return u
}

// contradictions lists the word against the eye first: what stands against each other in the dossier,
// and the words that better knowledge has overturned.
func (p *appraiser) contradictions() []Contradiction {
	list := []Contradiction{}
	for _, st := range p.dossier.Conflicts {
		c := contradictionOn(st.Finding, WorseCounts)
		for i := range st.Values {
			v := &st.Values[i]
			by := v.Support[len(v.Support)-1]
			if p.isHearsay(v.Credence()) {
				c.Told = append(c.Told, p.statement(v.Value, by.Method, by.On.String()))
			} else {
				c.Seen = append(c.Seen, p.statement(v.Value, by.Method, by.On.String()))
			}
		}
		list = append(list, c)
	}
	list = append(list, p.overturned()...)
	for i := range list {
		list[i].Because = list[i].words()
	}
	slices.SortStableFunc(list, func(x, y Contradiction) int { return x.order() - y.order() })
	return list
}

func contradictionOn(f *catalogue.Finding, counts string) Contradiction {
	return Contradiction{Item: f.Item.ID, Is: f.Item.Is, Finding: f.ID, FindingIs: f.Is, Told: []Statement{}, Seen: []Statement{}, Counts: counts}
}

func (c *Contradiction) order() int {
	switch {
	case len(c.Told) > 0 && len(c.Seen) > 0:
		return 0
	case len(c.Seen) > 0:
		return 1
	}
	return 2
}

func (c *Contradiction) words() string {
	var said []string
	for _, s := range slices.Concat(c.Told, c.Seen) {
		said = append(said, fmt.Sprintf("%s (%s, %s)", s.InWords, spaced(s.Method), s.Date))
	}
	end := "nobody has settled it, and the worse one counts"
	if c.Counts == SeenCounts {
		end = "what is known better counts"
	}
	return fmt.Sprintf("%s, %s: %s; %s", c.Is, c.FindingIs, strings.Join(said, " against "), end)
}

func (p *appraiser) statement(v report.Value, method int, date string) Statement {
	s := Statement{report.Form(v), "", p.set.Catalogue.Methods[method].ID, date}
	s.InWords = InWords(s.Value)
	switch it := v.Finding.Item; v.Finding {
	case it.Age:
		s.InWords = fmt.Sprintf("%.1f years", v.Number) // counted from dates, it has many decimals
	case it.Renewed, it.Made:
		s.InWords = v.Finding.Is + " " + s.InWords
	}
	return s
}

// overturned lists hearsay that does not stand any more since better knowledge contradicts it. What a
// renewal has made a matter of the past contradicts nothing.
func (p *appraiser) overturned() []Contradiction {
	var list []Contradiction
	for _, r := range p.reports {
		for i := range r.Observations {
			o := &r.Observations[i]
			if !p.isHearsay(p.set.Catalogue.Methods[o.Method].Credence) || p.renewedSince(o) {
				continue
			}
			for _, v := range o.Found {
				about := p.saidOf(o, v)
				st := p.dossier.Standing[about.Finding.Slot]
				if st == nil || about.Finding.Kind == catalogue.Text || stands(st, about) {
					continue
				}
				told := p.statement(v, o.Method, o.On.String())
				at := slices.IndexFunc(list, func(c Contradiction) bool { return c.Item == o.Item.ID && c.Finding == about.Finding.ID })
				if at >= 0 {
					list[at].Told = append(list[at].Told, told)
					continue
				}
				c := contradictionOn(about.Finding, SeenCounts)
				c.Told = append(c.Told, told)
				for k := range st.Values {
					by := st.Values[k].Support[len(st.Values[k].Support)-1]
					if !p.isHearsay(by.Credence) {
						c.Seen = append(c.Seen, p.statement(st.Values[k].Value, by.Method, by.On.String()))
					}
				}
				if len(c.Seen) > 0 {
					list = append(list, c)
				}
			}
		}
	}
	return list
}

// saidOf is what an observed value says as the dossier has it: when a part was made or renewed, and how
// old it was on that day, says how old it is now.
func (p *appraiser) saidOf(o *report.Observation, v report.Value) report.Value {
	switch v.Finding {
	case o.Item.Age:
		v.Number += o.On.YearsTo(p.dossier.AsOf)
	case o.Item.Renewed, o.Item.Made:
		return report.Value{Finding: o.Item.Age, Number: max(0, v.Date.Earliest().YearsTo(p.dossier.AsOf))}
	}
	return v
}

// stands reports whether a value is still one of those that stand. Ages are told in whole years.
func stands(st *report.Standing, v report.Value) bool {
	return slices.ContainsFunc(st.Values, func(s report.StandingValue) bool {
		return s.Number == v.Number || v.Finding == v.Finding.Item.Age && math.Abs(s.Number-v.Number) < 1
	})
}

func (p *appraiser) renewedSince(o *report.Observation) bool {
	st := p.dossier.Standing[o.Item.Renewed.Slot]
	return st != nil && slices.ContainsFunc(st.Values, func(v report.StandingValue) bool {
		return !p.isHearsay(v.Credence()) && v.Date.Latest() >= o.On
	})
}

// vin says what is odd about the number on the plate.
func (p *appraiser) vin() VIN {
	v := VIN{VIN: p.dossier.Vehicle.VIN, Cautions: []string{}}
	if v.VIN == "" {
		v.Cautions = append(v.Cautions, "nobody reported a vehicle identification number: nothing says that the papers are of this vehicle")
		return v
	}
	if odd := report.OddVIN(v.VIN); odd != "" {
		v.Cautions = append(v.Cautions, odd)
	}
	for _, r := range p.reports {
		if other := r.Vehicle.VIN; other != "" && other != v.VIN {
			v.Cautions = once(append(v.Cautions, "an earlier report has another number, "+other+": are these reports of one vehicle?"))
		}
	}
	return v
}

// resting has a quantity by what it rests on.
type resting map[string]float64

// escape is what a hazard adds to the logarithm of the chance of getting through. What is as good as
// certain counts as one chance in 1e10 to escape: that is the last digit of a share.
func escape(p Share) float64 { return -math.Log(1 - min(p.Float(), 1-1e-10)) }

func (p *appraiser) risk() CarriedRisk {
	last := p.a.Gates[len(p.a.Gates)-1]
	c := CarriedRisk{Gate: last.Gate, ChanceOfHarm: unlikely(last.ChanceThrough), BySeverity: []SeverityRisk{}, ByGate: []GateRisk{}, Hazards: []CarriedRiskOf{}}
	parts, harmful, unheard := resting{}, 0, 1.0
	safe := map[string]float64{} // by severity
	for i := range p.a.Register {
		e := &p.a.Register[i]
		h := p.carried(e)
		c.Hazards = append(c.Hazards, h)
		at := slices.IndexFunc(c.BySeverity, func(s SeverityRisk) bool { return s.Severity == e.Severity })
		if at < 0 {
			// The register is ranked by risk: the first of a severity has the worst.
			at, safe[e.Severity] = len(c.BySeverity), 1
			c.BySeverity = append(c.BySeverity, SeverityRisk{Severity: e.Severity, Worst: e.Risk})
		}
		s := &c.BySeverity[at]
		s.Hazards++
		safe[e.Severity] *= 1 - e.Probability.Float()
		s.Chance = unlikely(Share(round(safe[e.Severity] * 1e10)))
		switch h.RestsOn {
		case RestsOnFound:
			s.Found++
		case RestsOnTold:
			s.Told++
		default:
			s.Nothing++
		}
		if harms(e.Severity) {
			harmful++
			parts[h.RestsOn] += escape(e.Probability)
			unheard *= 1 - p.unheard(e).Float()
		}
	}
	slices.SortFunc(c.BySeverity, func(x, y SeverityRisk) int { return bad(x.Severity) - bad(y.Severity) })
	for _, g := range p.a.Gates {
		c.ByGate = append(c.ByGate, p.atGate(g, c.Hazards))
	}
	c.RestsOn = parts.shares()
	c.WithoutTheWord = max(c.ChanceOfHarm, unlikely(Share(round(unheard*1e10))))
	c.Because = fmt.Sprintf("started as it stands, nothing mended first: 1 less the chance of %s of getting through %s unharmed, which multiplies the chances of escaping each of %s that are critical or catastrophic, as if they had nothing to do with one another",
		last.ChanceThrough.Percent(), spaced(last.Gate), counted(harmful, "hazard", "hazards"))
	if c.ChanceOfHarm > 0 {
		c.Because += fmt.Sprintf("; by logarithms %s of that rests on what was found, %s on somebody's word alone and %s on nothing but the years",
			c.RestsOn.Found.Percent(), c.RestsOn.Told.Percent(), c.RestsOn.Nothing.Percent())
	}
	if c.WithoutTheWord > c.ChanceOfHarm {
		c.Because += fmt.Sprintf("; if nothing counted that is only told and reassures, it would be %s", c.WithoutTheWord.Percent())
	}
	return c
}

// unlikely is the chance that something does not happen.
func unlikely(s Share) Share { return 1e10 - s }

// severities are the names, worst first.
var severities = []string{ruleset.Catastrophic.String(), ruleset.Critical.String(), ruleset.Marginal.String(), ruleset.Negligible.String()}

func bad(severity string) int { return slices.Index(severities, severity) }

// harms reports whether a hazard of the severity counts for the chance of getting through.
func harms(severity string) bool { return bad(severity) <= bad(ruleset.Critical.String()) }

// shares turns parts into shares that add up to 1: what rounding leaves over goes to the largest.
func (r resting) shares() RestingShares {
	var out RestingShares
	total := r[RestsOnFound] + r[RestsOnTold] + r[RestsOnNothing]
	if total == 0 {
		return out
	}
	left, largest := Share(1e10), &out.Nothing
	most := 0.0
	for _, of := range []struct {
		name string
		into *Share
	}{{RestsOnNothing, &out.Nothing}, {RestsOnTold, &out.Told}, {RestsOnFound, &out.Found}} {
		*of.into = Share(r[of.name] / total * 1e10)
		left -= *of.into
		if r[of.name] > most {
			most, largest = r[of.name], of.into
		}
	}
	*largest += left
	return out
}

func (p *appraiser) atGate(g Gate, hazards []CarriedRiskOf) GateRisk {
	out := GateRisk{Gate: g.Gate, ChanceOfHarm: unlikely(g.ChanceUnharmed), Because: "there is no critical or catastrophic hazard here"}
	var worst *CarriedRiskOf
	for i := range hazards {
		h := &hazards[i]
		if h.Gate != g.Gate || !harms(h.Severity) {
			continue
		}
		out.Hazards++
		if worst == nil || h.Probability > worst.Probability {
			worst = h
		}
	}
	if worst != nil {
		out.Because = fmt.Sprintf("likeliest, at %s: %s. %s", worst.Probability.Percent(), worst.What, restsOnWords[worst.RestsOn])
	}
	return out
}

var restsOnWords = map[string]string{
	RestsOnFound:   "It rests on something found.",
	RestsOnTold:    "It rests on somebody's word alone.",
	RestsOnNothing: "Nothing is known of it: it rests on the years alone.",
}

func (p *appraiser) carried(e *Entry) CarriedRiskOf {
	h := CarriedRiskOf{
		Rank: e.Rank, Hazard: e.Hazard, Item: e.Item, Gate: e.Gate, What: e.What, Severity: e.Severity,
		Probability: e.Probability, Risk: e.Risk, RiskIndex: e.RiskIndex,
	}
	is := p.set.Catalogue.Item(e.Item).Is
	if e.Risk == ruleset.Eliminated.String() {
		h.RestsOn, h.Because = RestsOnFound, "the "+is+" is off the vehicle"
		return h
	}
	told := ""
	for i := range e.Evidence {
		ev := &e.Evidence[i]
		if !p.onHearsay(ev) {
			h.RestsOn, h.Because = RestsOnFound, ev.Because
			if n := len(e.Evidence) - 1; n > 0 {
				h.Because += fmt.Sprintf(", and %s more of evidence", counted(n, "line", "lines"))
			}
			return h
		}
		if told == "" {
			told = "somebody said so: " + ev.Because
		}
	}
	switch prior := &p.set.Hazards[slices.Index(p.hazards, e.Hazard)].Prior; {
	case told != "":
		h.RestsOn, h.Because = RestsOnTold, told
	case p.reads(prior.Needs) && p.anyTold(prior.Needs):
		h.RestsOn, h.Because = RestsOnTold, fmt.Sprintf("nobody has looked at the %s well enough, and how old or worn it is somebody only said: %s is what such a number makes likely", is, e.Prior.Percent())
	case p.reads(prior.Needs) && len(prior.Needs) > 0:
		h.RestsOn, h.Because = RestsOnNothing, fmt.Sprintf("nobody has looked at the %s well enough: %s is what its known age or wear alone makes likely", is, e.Prior.Percent())
	default:
		h.RestsOn, h.Because = RestsOnNothing, fmt.Sprintf("nobody has looked at the %s well enough: %s is what the years alone make likely", is, e.Prior.Percent())
	}
	return h
}

// unheard is the probability of a hazard with no reassuring hearsay counted. Where another rule was
// outweighed on a line by hearsay, it counts instead.
func (p *appraiser) unheard(e *Entry) Share {
	if e.Risk == ruleset.Eliminated.String() {
		return e.Probability
	}
	prior, total := &p.set.Hazards[slices.Index(p.hazards, e.Hazard)].Prior, e.PriorDB
	if p.anyTold(prior.Needs) && prior.Unknown > e.Prior.Float() {
		total = decibans(prior.Unknown / (1 - prior.Unknown))
	}
	for i := range e.Evidence {
		ev := &e.Evidence[i]
		if ev.EffectiveDB > 0 || !p.onHearsay(ev) {
			total += ev.EffectiveDB
			continue
		}
		line := p.rule(ev.Rule).Line
		for k := range e.Outweighed {
			if o := &e.Outweighed[k]; p.rule(o.Rule).Line == line && !p.onHearsay(o) {
				total += o.EffectiveDB
				break
			}
		}
	}
	return max(e.Probability, probability(total))
}

func (p *appraiser) rule(id string) *ruleset.Rule {
	return p.set.Rules[slices.IndexFunc(p.set.Rules, func(r *ruleset.Rule) bool { return r.ID == id })]
}

// reads reports whether something stands of every finding at the slots given.
func (p *appraiser) reads(slots []int) bool {
	return !slices.ContainsFunc(slots, func(slot int) bool { return p.dossier.Standing[slot] == nil })
}

// anyTold reports whether one of the findings at the slots given is hearsay, or contradicted by it.
func (p *appraiser) anyTold(slots []int) bool {
	return slices.ContainsFunc(slots, func(slot int) bool {
		st := p.dossier.Standing[slot]
		return st != nil && slices.ContainsFunc(st.Values, func(v report.StandingValue) bool { return p.isHearsay(v.Credence()) })
	})
}

// onHearsay reports whether evidence rests on hearsay. What speaks for a hazard has the credence of
// what it read; what speaks against it has aged, so that only the dossier tells. Where hearsay
// contradicts what it may have read, it is taken for hearsay.
func (p *appraiser) onHearsay(ev *Evidence) bool {
	credence := ev.Credence.Float()
	if ev.EffectiveDB > 0 || !p.isHearsay(credence) {
		return p.isHearsay(credence)
	}
	return p.anyTold(p.rule(ev.Rule).Needs)
}
