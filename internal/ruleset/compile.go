package ruleset

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/document"
	"laidup/internal/report"
)

// maxFindingsRead bounds the combinations to be tried when what a condition reads is contradicted.
const maxFindingsRead = 8

// maxCauses bounds the causes of all hazards together: each is weighed on every assessment.
const maxCauses = 5000

// maxWeight is the greatest weight of evidence on a curve, in decibans either way: beyond it, what
// comes of it would be no number any more.
const maxWeight = 200

// compiler turns a document into a set and collects what is wrong with it.
type compiler struct {
	ctx   context.Context
	src   *document.Tree
	form  *Document
	cat   *catalogue.Catalogue
	set   *Set
	trees *condition.Trees // nil: every condition is parsed
	nodes int              // of the conditions so far

	gates   map[string]*Gate
	faults  map[string]*Fault
	hazards map[string]*Hazard
	proofs  map[string]*Proof
	limits  []limitForm // as written, then those that rules block by
	clears  map[*catalogue.Finding]clearAt
}

// clearAt is what is asked of a finding, and where.
type clearAt struct {
	value   string
	number  float64 // as a condition reads it
	pointer string
}

// limitForm is a limit and where it is written.
type limitForm struct {
	LimitForm
	pointer string
	ifAt    string // where its `if` is written
	gateAt  string // where its gate is written
	rule    *Rule  // that blocks by it
}

func (c *compiler) mistake(pointer, format string, args ...any) {
	c.src.Mistake(pointer, format, args...)
}

// over says whether it is no use going on.
func (c *compiler) over() bool { return c.src.More() || c.nodes > maxNodes || c.ctx.Err() != nil }

// cost counts the nodes of a condition that was compiled.
func (c *compiler) cost(pointer string, nodes int) {
	if c.nodes += nodes; c.nodes > maxNodes {
		c.mistake(pointer, "all conditions up to here have more than %d nodes together: the rule set needs fewer, or simpler ones", maxNodes)
	}
}

func at(steps ...any) string { return document.Pointer(steps...) }

func (c *compiler) compile() *Set {
	cat, faults := catalogue.Knowing(c.trees, c.form.Catalogue)
	for _, f := range faults {
		c.mistake("/catalogue"+f.Pointer, "%s", f.Text)
	}
	if cat == nil {
		return nil
	}
	c.cat = cat
	c.clears = map[*catalogue.Finding]clearAt{}
	c.set = &Set{
		Name: c.form.Name, Version: c.form.Version, Is: c.form.Is, Catalogue: cat,
		ProofCredence: c.form.ProofCredence, LookNext: c.form.LookNext,
		Assumes: c.form.Assumes, Cautions: c.form.Cautions,
		CommonError: c.form.CommonError, LikelyBad: c.form.LikelyBad,
	}
	for s := Catastrophic; s <= Negligible; s++ {
		c.set.Weight[s] = c.form.SeverityWeights[s.String()]
	}
	for s := Critical; s <= Negligible; s++ {
		if c.set.Weight[s] > c.set.Weight[s-1] {
			c.mistake(at("severity_weights", s), "weighs more than what is worse")
		}
	}
	for i, a := range c.form.LookNext.Access {
		if !slices.Contains(catalogue.Access, a) {
			c.mistake(at("look_next", "access", i), "%q is not an access", a)
		}
	}
	c.compileGates()
	c.compileFaults()
	c.compileHazards()
	c.compileRules()
	c.compileLimits()
	c.compileProofs()
	c.compileFollows()
	c.harmless()
	c.compileWeights()
	c.compileCondition()
	c.tests()
	return c.set
}

// unique reports an id that stands twice in a list.
func (c *compiler) unique(seen map[string]bool, list string, i int, id string) {
	if seen[id] {
		c.mistake(at(list, i, "id"), "%q is there already", id)
	}
	seen[id] = true
}

// first keeps what an id stood for first: that it stands twice is a mistake of the second.
func first[T any](known map[string]*T, id string, entry *T) {
	if _, there := known[id]; !there {
		known[id] = entry
	}
}

func (c *compiler) compileGates() {
	c.gates = map[string]*Gate{}
	seen := map[string]bool{}
	for i, form := range c.form.Gates {
		c.unique(seen, "gates", i, form.ID)
		g := &Gate{ID: form.ID, Is: form.Is, Index: i, Tolerates: [Negligible + 1]float64{1, 1, 1, 1, 1}, Because: form.Because, Cautions: form.Cautions}
		worse := Severity(0) // the last that a tolerance was given for
		for sev := Catastrophic; sev <= Negligible; sev++ {
			p, given := form.Tolerates[sev.String()]
			if !given {
				continue
			}
			g.Tolerates[sev] = p
			if p < g.Tolerates[worse] && worse != 0 {
				c.mistake(at("gates", i, "tolerates", sev), "is less than is tolerated of what is %s: what is worse is tolerated less", worse)
			}
			worse = sev
		}
		first(c.gates, g.ID, g)
		c.set.Gates = append(c.set.Gates, g)
	}
	if g := c.gate("/asks", c.form.Asks); g != nil {
		c.set.Asks = g.Index
	}
	for i, s := range c.form.Catalogue.Systems {
		for j, it := range s.Items {
			if it.NeededFrom != nil {
				c.gate(at("catalogue", "systems", i, "items", j, "needed_from", "gate"), it.NeededFrom.Gate)
			}
		}
	}
}

func (c *compiler) gate(pointer, id string) *Gate {
	g := c.gates[id]
	if g == nil {
		c.mistake(pointer, "%q is not a gate of this rule set", id)
	}
	return g
}

func (c *compiler) item(pointer, id string) *catalogue.Item {
	it := c.cat.Item(id)
	if it == nil {
		c.mistake(pointer, "%q is not an item of the catalogue", id)
	}
	return it
}

// condition compiles an optional condition over everything that is declared.
func (c *compiler) condition(pointer, source, item string) *condition.Condition {
	if source == "" || c.over() {
		return nil
	}
	cond, err := c.cat.Conditions.Compile(source, item)
	c.compiled(pointer, cond, err)
	return cond
}

// onFacts compiles an optional condition over the vehicle's facts alone.
func (c *compiler) onFacts(pointer, source string) *condition.Condition {
	if source == "" || c.over() {
		return nil
	}
	cond, err := c.cat.FactsOnly.Compile(source, "")
	if faults, ok := err.(condition.Faults); ok {
		for i, f := range faults {
			if findingRead.MatchString(f.Text) {
				faults[i].Text += ": only facts about the vehicle can be read here"
			}
		}
	}
	c.compiled(pointer, cond, err)
	return cond
}

// findingRead is what is said of a condition on facts that reads a finding.
var findingRead = regexp.MustCompile(`^reads "(found\.|other\.|age")`)

func (c *compiler) formula(pointer, source, item string) *condition.Formula {
	if c.over() {
		return nil
	}
	f, err := c.cat.Conditions.CompileFormula(source, item)
	c.conditionMistakes(pointer, err)
	if err == nil {
		c.cost(pointer, f.Nodes())
	}
	return f
}

func (c *compiler) compiled(pointer string, cond *condition.Condition, err error) {
	c.conditionMistakes(pointer, err)
	if err == nil {
		c.cost(pointer, cond.Nodes())
	}
}

func (c *compiler) conditionMistakes(pointer string, err error) {
	if err == nil {
		return
	}
	faults, ok := err.(condition.Faults)
	if !ok {
		faults = condition.Faults{{Text: err.Error()}}
	}
	for _, f := range faults {
		c.mistake(pointer, "%s (line %d, column %d of the condition)", f.Text, f.Line, f.Column)
	}
}

// findings returns which of the slots read are findings of items.
func (c *compiler) findings(pointer string, reads ...[]int) []int {
	var needs []int
	for _, slot := range slices.Concat(reads...) {
		if f := c.cat.Owner(slot); f != nil && f.Item != nil {
			needs = append(needs, slot)
		}
	}
	slices.Sort(needs)
	needs = slices.Compact(needs)
	if len(needs) > maxFindingsRead {
		c.mistake(pointer, "reads %d findings: %d is the limit", len(needs), maxFindingsRead)
	}
	return needs
}

// maxCurve is as far as curves go: between numbers beyond it a line is no number any more.
const maxCurve = 1e12

// curve checks a curve whose values lie between two limits.
func (c *compiler) curve(pointer string, knots []Knot, least, most float64) []Knot {
	for i, k := range knots {
		if math.Abs(k[0]) > maxCurve {
			c.mistake(pointer+at("curve", i), "%v is further out than %v", k[0], maxCurve)
		}
		if k[1] < least || k[1] > most {
			c.mistake(pointer+at("curve", i), "%v is not between %v and %v", k[1], least, most)
		}
	}
	for i := 1; i < len(knots); i++ {
		if !(knots[i][0] > knots[i-1][0]) {
			c.mistake(pointer+at("curve", i), "the knots of a curve go from left to right")
		}
	}
	return knots
}

func (c *compiler) compileFaults() {
	c.faults = map[string]*Fault{}
	seen := map[string]bool{}
	for i, form := range c.form.Faults {
		p := at("faults", i)
		c.unique(seen, "faults", i, form.ID)
		f := &Fault{
			ID: form.ID, Is: form.Is, Index: len(c.set.Faults), Cautions: form.Cautions, Source: form.Source,
			Item: c.item(p+"/item", form.Item),
		}
		if f.Item == nil {
			first(c.faults, form.ID, nil) // what names it need not say so again
			continue
		}
		f.When = c.onFacts(p+"/when", form.When)
		c.prior(p+"/prior", form, f)
		if f.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy); len(form.ClearBy) == 0 {
			f.ClearBy = []Clear{c.clear(p, f.Item.Renewed, nil, math.NaN())}
		}
		first(c.faults, f.ID, f)
		c.set.Faults = append(c.set.Faults, f)
		reads := [][]int{f.Prior.reads()}
		for _, s := range f.Prior.Shifts {
			reads = append(reads, readsOf(s.When))
		}
		f.Facts = c.facts(append(reads, readsOf(f.Item.Applies), readsOf(f.When))...)
	}
}

// readsOf returns the slots that an optional condition reads.
func readsOf(cond *condition.Condition) []int {
	if cond == nil {
		return nil
	}
	return cond.Reads()
}

// reads returns the slots that the formula of a prior reads.
func (p *Prior) reads() []int {
	if p.Of == nil {
		return nil
	}
	return p.Of.Reads()
}

// facts returns the choices and flags among the facts at the slots given.
func (c *compiler) facts(reads ...[]int) []*catalogue.Finding {
	var slots []int
	for _, slot := range slices.Concat(reads...) {
		if f := c.cat.Owner(slot); f != nil && f.Item == nil && f.Values != nil {
			slots = append(slots, slot)
		}
	}
	slices.Sort(slots)
	var facts []*catalogue.Finding
	for _, slot := range slices.Compact(slots) {
		facts = append(facts, c.cat.Owner(slot))
	}
	return facts
}

// overNames are the numbers that a prior may be a curve over by name alone.
var overNames = map[string]PriorOf{"age": Age, "years_laid_up": LaidUp, "years_since_built": SinceBuilt, "odometer": Odometer}

func (c *compiler) prior(pointer string, form FaultForm, f *Fault) {
	prior := form.Prior
	f.Prior = Prior{Spread: prior.Spread, Cap: 1, Anchor: prior.Anchor}
	switch over, named := overNames[strings.TrimSpace(prior.Of)]; {
	case prior.Is != nil:
		f.Prior.Curve = []Knot{{0, *prior.Is}}
	case named:
		f.Prior.Over = over
		if over == Odometer && c.cat.Odometer < 0 {
			c.mistake(pointer+"/of", "the catalogue has no odometer among its facts")
		}
	default:
		f.Prior.Over = Formula
		if f.Prior.Of = c.formula(pointer+"/of", prior.Of, form.Item); f.Prior.Of != nil {
			f.Prior.Needs = c.findings(pointer+"/of", f.Prior.Of.Reads())
		}
	}
	if prior.Is == nil {
		f.Prior.Curve = c.curve(pointer, prior.Knots, 0, 1)
	}
	most := 0.0
	for i, k := range f.Prior.Curve {
		if prior.Is == nil && !(k[1] > 0 && k[1] < 1) {
			c.mistake(pointer+at("curve", i), "a probability lies between 0 and 1")
		}
		if k[1] < most {
			c.mistake(pointer+at("curve", i), "the curve falls from %v to %v: nothing gets better by standing, so let it rise or stay level", most, k[1])
		}
		most = max(most, k[1])
	}
	if prior.Cap != nil {
		if f.Prior.Cap = *prior.Cap; f.Prior.Cap < most {
			c.mistake(pointer+"/cap", "is below the %v that the prior is without any shift: raise it, or lower the prior", most)
		}
	}
	for i, s := range prior.Shifts {
		f.Prior.Shifts = append(f.Prior.Shifts, Shift{c.onFacts(pointer+at("shifts", i, "when"), s.When), s.DB})
	}
}

func (c *compiler) compileHazards() {
	c.hazards = map[string]*Hazard{}
	seen := map[string]bool{}
	causes := 0
	for i, form := range c.form.Hazards {
		p := at("hazards", i)
		c.unique(seen, "hazards", i, form.ID)
		h := &Hazard{
			ID: form.ID, What: form.What, Index: i, Cautions: form.Cautions, Source: form.Source.String(),
			Gate: c.gate(p+"/gate", form.Gate), When: c.onFacts(p+"/when", form.When),
		}
		reads := [][]int{readsOf(h.When)}
		for k, s := range form.Severity {
			sev := SeverityWhen{c.onCase(p+"/severity", k, len(form.Severity), s.When), Severity(slices.Index(severityNames, s.Is))}
			h.Severity = append(h.Severity, sev)
			reads = append(reads, readsOf(sev.When))
		}
		for k, cause := range form.Causes {
			cp := p + at("causes", k)
			causes++
			x := Cause{Fault: c.fault(cp+"/fault", cause.Fault), Spread: cause.Spread}
			for j, chance := range cause.Chance {
				when := c.onCase(cp+"/chance", j, len(cause.Chance), chance.When)
				x.Chance = append(x.Chance, ChanceWhen{when, chance.Is})
				reads = append(reads, readsOf(when))
			}
			if x.Fault == nil {
				continue
			}
			if slices.ContainsFunc(h.Causes, func(y Cause) bool { return y.Fault == x.Fault }) {
				c.mistake(cp+"/fault", "%q is a cause of it already: leave one out", cause.Fault)
				continue
			}
			for _, fact := range x.Fault.Facts {
				reads = append(reads, []int{fact.Slot})
			}
			h.Causes = append(h.Causes, x)
			x.Fault.Hazards = append(x.Fault.Hazards, h)
		}
		h.Facts = c.facts(reads...)
		first(c.hazards, h.ID, h)
		c.set.Hazards = append(c.set.Hazards, h)
	}
	for _, f := range c.set.Faults {
		slices.SortStableFunc(f.Hazards, func(a, b *Hazard) int {
			if a.Gate == nil || b.Gate == nil {
				return 0
			}
			return a.Gate.Index - b.Gate.Index
		})
	}
	if causes > maxCauses {
		c.mistake("/hazards", "have %d causes together: %d is the limit", causes, maxCauses)
	}
}

// onCase compiles the condition of one of several cases, of which the last holds else.
func (c *compiler) onCase(pointer string, k, n int, when string) *condition.Condition {
	if last := k == n-1; last != (when == "") {
		c.mistake(pointer, "the last case, and only the last, goes without a condition")
	}
	return c.onFacts(pointer+at(k, "when"), when)
}

// fault finds a fault that an entry names; nil where there is none.
func (c *compiler) fault(pointer, id string) *Fault {
	f, known := c.faults[id]
	if !known {
		c.mistake(pointer, "%q is not a fault of this rule set", id)
	}
	return f
}

// guards finds the hazards that an entry names.
func (c *compiler) guards(pointer string, ids []string) []*Hazard {
	var hazards []*Hazard
	for i, id := range ids {
		h := c.hazards[id]
		switch {
		case h == nil:
			c.mistake(pointer+at(i), "%q is not a hazard of this rule set", id)
		case slices.Contains(hazards, h):
			c.mistake(pointer+at(i), "%q is there already", id)
		default:
			hazards = append(hazards, h)
		}
	}
	return hazards
}

// clear makes one thing that is asked for. Over a whole rule set one finding is asked for by one
// value only, since all that is asked for is posted together.
func (c *compiler) clear(pointer string, f *catalogue.Finding, value json.RawMessage, number float64) Clear {
	if old, ok := c.clears[f]; ok && old.value != string(value) {
		c.mistake(pointer, "asks for another %s of %s than %s does: all that clears a gate is posted together", f.ID, f.Item.ID, old.pointer)
	} else if !ok {
		c.clears[f] = clearAt{string(value), number, pointer}
	}
	return Clear{Finding: f, Value: value}
}

// clearBy compiles findings that clear something.
func (c *compiler) clearBy(pointer string, form []Clearing) []Clear {
	var clears []Clear
	for i, cl := range form {
		p := pointer + at(i)
		it := c.item(p+"/item", cl.Item)
		if it == nil {
			continue
		}
		for _, id := range slices.Sorted(maps.Keys(cl.Found)) {
			f := it.Find(id)
			fp := p + at("found", id)
			if f == nil {
				c.mistake(fp, "%q cannot be found on %s", id, it.ID)
				continue
			}
			if slices.ContainsFunc(clears, func(x Clear) bool { return x.Finding == f }) {
				c.mistake(fp, "is asked for already")
				continue
			}
			if cl.Found[id] == "as_of" && f.Kind == catalogue.Date {
				clears = append(clears, c.clear(fp, f, nil, math.NaN()))
				continue
			}
			data, err := json.Marshal(cl.Found[id])
			if err != nil {
				c.mistake(fp, "%s", err)
				continue
			}
			values, faults := report.DecodeFound(fmt.Appendf(nil, "{%q:%s}", id, data), it, c.cat)
			if len(faults) > 0 {
				c.mistake(fp, "%s", faults[0].Detail)
				continue
			}
			clears = append(clears, c.clear(fp, f, data, values[0].Number))
		}
	}
	slices.SortStableFunc(clears, func(a, b Clear) int { return a.Finding.Slot - b.Finding.Slot })
	return clears
}

func (c *compiler) compileRules() {
	c.set.RulesReading = make([][]*Rule, len(c.cat.Items))
	seen := map[string]bool{}
	lines := map[string]int{}
	byLine := map[string][]*Rule{}
	for i, form := range c.form.Limits {
		c.unique(seen, "limits", i, form.ID)
		p := at("limits", i)
		c.limits = append(c.limits, limitForm{LimitForm: form, pointer: p, ifAt: p + "/if", gateAt: p + "/gate"})
	}
	for i, form := range c.form.Rules {
		p := at("rules", i)
		c.unique(seen, "rules", i, form.ID)
		f := c.fault(p+"/fault", form.Fault)
		if f == nil {
			continue
		}
		r := &Rule{ID: form.ID, Index: len(c.set.Rules), Fault: f, Item: f.Item, LineName: form.Line, Weight: form.Weight.Is, Cautions: form.Cautions, Source: form.Source.String()}
		if form.Item != "" {
			r.Item = c.item(p+"/item", form.Item)
		}
		if r.Item == nil {
			continue
		}
		if r.LineName == "" {
			r.LineName = "rule " + r.ID
		}
		key := f.ID + "\x00" + r.LineName
		line, ok := lines[key]
		if !ok {
			line = f.Lines
			lines[key] = line
			f.Lines++
		}
		r.Line = line
		c.ruleConditions(p, form, r)
		byLine[key] = append(byLine[key], r)
		r.Because = c.text(p+"/because", form.Because, r.Item)
		if r.lowers() {
			f.Reassured = true
		}
		if r.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy); len(form.ClearBy) == 0 {
			r.ClearBy = f.ClearBy
		} else if form.Blocks == nil && !r.raises() {
			c.mistake(p+"/clear_by", "belongs to a rule that speaks for its fault, or blocks a gate")
		}
		c.set.Rules = append(c.set.Rules, r)
		if form.Blocks == nil {
			continue
		}
		c.limits = append(c.limits, limitForm{
			LimitForm: LimitForm{
				ID: form.ID, Fault: form.Fault, Item: r.Item.ID, When: form.When, Gate: form.Blocks.Gate, If: form.Blocks.If, Kind: form.Blocks.Kind,
				Because: form.Because, Cautions: form.Cautions, Source: form.Source,
			},
			pointer: p, ifAt: p + "/blocks/if", gateAt: p + "/blocks/gate", rule: r,
		})
	}
	for _, rules := range byLine {
		specifics(rules)
	}
}

// specifics tells the general rules of a line which findings the others read.
func specifics(rules []*Rule) {
	var specific []int
	for _, r := range rules {
		if !r.General {
			specific = append(specific, r.Needs...)
		}
	}
	slices.Sort(specific)
	specific = slices.Compact(specific)
	for _, r := range rules {
		if r.General {
			r.Specific = specific
		}
	}
}

// raises reports whether the rule can make its fault more probable.
func (r *Rule) raises() bool {
	return r.Weight > 0 || slices.ContainsFunc(r.Curve, func(k Knot) bool { return k[1] > 0 })
}

// lowers reports whether the rule can make its fault less probable.
func (r *Rule) lowers() bool {
	return r.Weight < 0 || slices.ContainsFunc(r.Curve, func(k Knot) bool { return k[1] < 0 })
}

func (c *compiler) ruleConditions(p string, form RuleForm, r *Rule) {
	r.When = c.condition(p+"/when", form.When, r.Item.ID)
	reads := [][]int{readsOf(r.When)}
	if form.Weight.Of != "" {
		r.WeightOf = c.formula(p+"/weight/of", form.Weight.Of, r.Item.ID)
		r.Curve = c.curve(p+"/weight", form.Weight.Knots, -maxWeight, maxWeight)
		if r.WeightOf != nil {
			reads = append(reads, r.WeightOf.Reads())
		}
	}
	r.Needs = c.findings(p+"/when", reads...)
	if r.When == nil {
		return
	}
	if len(r.Needs) == 0 {
		c.mistake(p+"/when", "reads no finding: what the facts alone say belongs into the prior")
		return
	}
	r.General = !slices.ContainsFunc(r.Needs, func(slot int) bool { return c.cat.Owner(slot).ID != "judged" })
	first := c.cat.Owner(r.Needs[0]).Item.Index
	c.set.RulesReading[first] = append(c.set.RulesReading[first], r)
}

func (c *compiler) text(pointer, form string, it *catalogue.Item) Text {
	t, err := compileText(form, it.ID, c.cat)
	if err != nil {
		c.mistake(pointer, "%s", err)
	}
	return t
}

func (c *compiler) compileLimits() {
	c.set.LimitsReading = make([][]*Limit, len(c.cat.Items))
	for _, form := range c.limits {
		p := form.pointer
		l := &Limit{ID: form.ID, Index: len(c.set.Limits), Kind: Defect, Cautions: form.Cautions, Source: form.Source.String()}
		if form.Kind == "duty" {
			l.Kind = Duty
		}
		switch {
		case form.Fault != "":
			if l.Fault = c.fault(p+"/fault", form.Fault); l.Fault == nil {
				continue
			}
			l.Item = l.Fault.Item
		case form.Item == "":
			c.mistake(p, "speaks of no fault and of no item: name one")
			continue
		}
		if form.Item != "" {
			l.Item = c.item(p+"/item", form.Item)
		}
		if l.Item == nil {
			continue
		}
		l.Gate = c.gate(form.gateAt, form.Gate)
		l.If = c.onFacts(form.ifAt, form.If)
		if form.rule != nil {
			l.When, l.Because = form.rule.When, form.rule.Because
			form.rule.Limit = l
		} else {
			l.When = c.condition(p+"/when", form.When, l.Item.ID)
			l.Because = c.text(p+"/because", form.Because, l.Item)
		}
		c.limitReads(p+"/when", l)
		l.Guards = c.guards(p+"/guards", form.Guards)
		if len(form.Guards) == 0 && l.Fault != nil {
			l.Guards = l.Fault.Hazards
		}
		if len(l.Interval) > 0 && len(l.Guards) == 0 {
			c.mistake(p, "reads a number that may not be known and guards nothing: name the fault, or in guards the hazards above whose tolerance it is to be asked for")
		}
		switch {
		case form.rule != nil:
			l.ClearBy = form.rule.ClearBy
		case len(form.ClearBy) > 0:
			l.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy)
		case l.Fault != nil:
			l.ClearBy = l.Fault.ClearBy
		default:
			c.mistake(p, "says nothing of what clears it: add clear_by")
		}
		c.set.Limits = append(c.set.Limits, l)
	}
}

// limitReads parts what a limit reads into the numbers of which the least and the most may be known,
// and findings.
func (c *compiler) limitReads(pointer string, l *Limit) {
	if l.When == nil {
		return
	}
	interval := []int{c.cat.YearsLaidUp, c.cat.YearsSinceBuilt, l.Item.Age.Slot, c.cat.Odometer}
	var rest []int
	for _, slot := range l.When.Reads() {
		if slices.Contains(interval, slot) {
			l.Interval = append(l.Interval, slot)
		} else {
			rest = append(rest, slot)
		}
	}
	l.Needs = c.findings(pointer, rest)
	if len(l.When.Reads()) == 0 {
		c.mistake(pointer, "reads nothing: a limit is crossed by a finding, an age, a distance or a fact")
	}
	if len(l.Needs) > 0 {
		first := c.cat.Owner(l.Needs[0]).Item.Index
		c.set.LimitsReading[first] = append(c.set.LimitsReading[first], l)
	}
}

func (c *compiler) compileProofs() {
	c.proofs = map[string]*Proof{}
	seen := map[string]bool{}
	for i, form := range c.form.Proofs {
		p := at("proofs", i)
		c.unique(seen, "proofs", i, form.ID)
		pr := &Proof{
			ID: form.ID, Index: len(c.set.Proofs), Always: form.Always, Kind: Unproven, Cautions: form.Cautions, Source: form.Source.String(),
			Item: c.item(p+"/item", form.Item), Gate: c.gate(p+"/gate", form.Gate), When: c.onFacts(p+"/when", form.When),
		}
		if form.Kind == "duty" {
			pr.Kind = Duty
		}
		pr.Guards = c.guards(p+"/guards", form.Guards)
		switch {
		case form.Always && len(form.Guards) > 0:
			c.mistake(p+"/guards", "is asked for always, and while these are likely: leave out always or guards")
		case !form.Always && len(form.Guards) == 0:
			c.mistake(p, "is never asked for: name in guards the hazards above whose tolerance it is, or say always: true")
		}
		before := c.src.Len()
		pr.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy)
		refused := c.src.Len() > before
		if pr.Item == nil {
			first(c.proofs, form.ID, nil)
			continue
		}
		pr.Because = c.text(p+"/because", form.Because, pr.Item)
		if pr.Proves = c.condition(p+"/proves", form.Proves, form.Item); pr.Proves != nil {
			pr.Needs = c.findings(p+"/proves", pr.Proves.Reads())
			pr.ReadsRemoved = slices.Contains(pr.Needs, pr.Item.Removed.Slot)
			if len(pr.Needs) == 0 {
				c.mistake(p+"/proves", "reads no finding: facts alone prove nothing")
			} else if !refused {
				c.proven(p, pr)
			}
		}
		first(c.proofs, pr.ID, pr)
		c.set.Proofs = append(c.set.Proofs, pr)
	}
}

// maxTried bounds the kinds of vehicle that a proof is tried on.
const maxTried = 2000

// today is the day on which what clears a proof is tried: any day does.
const today = calendar.Day(20_000)

// proven checks that what clears a proof proves it, on every kind of vehicle that it is asked of. What
// hangs on dates and distances too is left to whoever scores.
func (c *compiler) proven(pointer string, pr *Proof) {
	if c.over() {
		return
	}
	frame := slices.Repeat(condition.Frame{condition.Unset}, c.cat.Size)
	frame[c.cat.AsOf] = float64(today)
	for _, cl := range pr.ClearBy {
		n := c.clears[cl.Finding].number
		if cl.Value == nil {
			n = float64(today)
		}
		frame[cl.Finding.Slot] = n
		if it := cl.Finding.Item; cl.Finding == it.Renewed && !frame.Known(it.Age.Slot) {
			frame[it.Age.Slot] = 0
		}
	}
	facts := c.facts(pr.Proves.Reads(), readsOf(pr.When), readsOf(pr.Item.Applies))
	numbers := slices.ContainsFunc(pr.Proves.Reads(), func(slot int) bool {
		f := c.cat.Owner(slot)
		return (f == nil || f.Item == nil && f.Values == nil) && !frame.Known(slot)
	})
	tried := 0
	var try func(rest []*catalogue.Finding) bool
	try = func(rest []*catalogue.Finding) bool {
		if len(rest) > 0 {
			f := rest[0]
			for v := range f.Values {
				frame[f.Slot] = float64(v)
				if !try(rest[1:]) {
					return false
				}
			}
			return true
		}
		if tried++; tried > maxTried {
			return false
		}
		if holds(pr.When, frame) == condition.False || !pr.Item.AppliesTo(frame) {
			return true
		}
		switch t := pr.Proves.Holds(frame); {
		case t == condition.True, t == condition.Unknown && numbers:
			return true
		}
		var kind []string
		for _, f := range facts {
			kind = append(kind, strings.ReplaceAll(f.ID, "_", " ")+": "+f.Values[int(frame[f.Slot])])
		}
		on := ""
		if len(kind) > 0 {
			on = " on a vehicle with " + strings.Join(kind, ", ")
		}
		c.mistake(pointer+"/clear_by", "does not make `proves` true%s: ask for the findings that do", on)
		return false
	}
	try(facts)
}

func (c *compiler) compileFollows() {
	seen := map[string]bool{}
	for i, form := range c.form.Follows {
		p := at("follows", i)
		c.unique(seen, "follows", i, form.ID)
		f := &Follow{ID: form.ID, Index: len(c.set.Follows), Item: c.item(p+"/item", form.Item), Outlasts: form.Outlasts, Source: form.Source.String()}
		proof, known := c.proofs[form.Needs]
		if !known {
			c.mistake(p+"/needs", "%q is not a proof of this rule set", form.Needs)
		}
		if f.Proof = proof; proof == nil || f.Item == nil {
			continue
		}
		f.Because = c.text(p+"/because", form.Because, f.Item)
		if f.When = c.condition(p+"/when", form.When, form.Item); f.When != nil {
			if f.Needs = c.findings(p+"/when", f.When.Reads()); len(f.Needs) == 0 {
				c.mistake(p+"/when", "reads no finding: there is nothing that was found and is to be followed up")
			}
		}
		c.set.Follows = append(c.set.Follows, f)
	}
}

// harmless reports the faults that nothing comes of.
func (c *compiler) harmless() {
	harm := map[*Fault]bool{}
	for _, l := range c.set.Limits {
		harm[l.Fault] = true
	}
	for i, form := range c.form.Faults {
		if f := c.faults[form.ID]; f != nil && len(f.Hazards) == 0 && !harm[f] {
			c.mistake(at("faults", i), "does no harm: name it among the causes of a hazard, or in a limit, or leave it out")
		}
	}
}

func (c *compiler) compileWeights() {
	c.set.HalfLife = slices.Repeat([]float64{c.form.HalfLife.Years}, len(c.cat.Items))
	c.set.ItemWeight = slices.Repeat([]float64{1}, len(c.cat.Items))
	c.set.SystemWeight = slices.Repeat([]float64{1}, len(c.cat.Systems))
	for _, it := range c.cat.Items {
		if it.HalfLife > 0 {
			c.set.HalfLife[it.Index] = it.HalfLife
		}
	}
	seen := map[string]bool{}
	once := func(pointer, id string) {
		if seen[id] {
			c.mistake(pointer, "%q is there already", id)
		}
		seen[id] = true
	}
	for i, h := range c.form.HalfLives {
		once(at("half_lives", i, "item"), h.Item)
		it := c.item(at("half_lives", i, "item"), h.Item)
		switch {
		case it == nil:
		case it.HalfLife > 0:
			c.mistake(at("half_lives", i), "%s has a half_life of its own in the catalogue: leave one out", it.ID)
		default:
			c.set.HalfLife[it.Index] = h.Years
		}
	}
	clear(seen)
	for i, w := range c.form.Weights.Items {
		once(at("weights", "items", i, "id"), w.ID)
		if it := c.item(at("weights", "items", i, "id"), w.ID); it != nil {
			c.set.ItemWeight[it.Index] = w.Weight
		}
	}
	clear(seen)
	for i, w := range c.form.Weights.Systems {
		once(at("weights", "systems", i, "id"), w.ID)
		index := slices.IndexFunc(c.cat.Systems, func(s *catalogue.System) bool { return s.ID == w.ID })
		if index < 0 {
			c.mistake(at("weights", "systems", i, "id"), "%q is not a system of the catalogue", w.ID)
			continue
		}
		c.set.SystemWeight[index] = w.Weight
	}
}

func (c *compiler) compileCondition() {
	u := c.form.Unseen
	c.set.Unseen = Unseen{
		Of:  u.Of,
		Low: c.curve("/unseen/low", u.Low.Knots, 0, 100), Expected: c.curve("/unseen/expected", u.Expected.Knots, 0, 100), High: c.curve("/unseen/high", u.High.Knots, 0, 100),
		LowElse: *u.Low.WhenUnknown, ExpectedElse: *u.Expected.WhenUnknown, HighElse: *u.High.WhenUnknown,
	}
	if u.Of != "age" && u.Of != "years_since_built" && u.Of != "years_laid_up" {
		c.mistake("/unseen/of", "%q: use age, years_laid_up or years_since_built", u.Of)
	}
	c.set.Grades = make([][]*Grade, len(c.cat.Items))
	for i, form := range c.form.Grades {
		if form.Item == "*" {
			for _, it := range c.cat.Items {
				c.grade(i, form, it)
			}
		} else if it := c.item(at("grades", i, "item"), form.Item); it != nil {
			c.grade(i, form, it)
		}
	}
}

func (c *compiler) grade(i int, form GradeForm, it *catalogue.Item) {
	p := at("grades", i)
	f := it.Find(form.Of)
	if f == nil {
		c.mistake(p+"/of", "%q cannot be found on %s", form.Of, it.ID)
		return
	}
	g := &Grade{Finding: f}
	switch {
	case form.Map != nil && (f.Kind == catalogue.Choice || f.Kind == catalogue.Flag):
		g.ByValue = slices.Repeat([]float64{math.NaN()}, len(f.Values))
		for _, v := range slices.Sorted(maps.Keys(form.Map)) {
			k := slices.Index(f.Values, v)
			if k < 0 {
				c.mistake(p+at("map", v), "%s is never %q", f.ID, v)
				continue
			}
			g.ByValue[k] = form.Map[v]
		}
		c.fallsAsItWorsens(p, f, g)
	case form.Knots != nil && (f.Kind == catalogue.Quantity || f.Kind == catalogue.Count):
		g.Curve = c.curve(p, form.Knots, 0, 100)
		for k, knot := range g.Curve {
			if k > 0 && f.Worse != catalogue.Neither && float64(f.Worse)*(knot[1]-g.Curve[k-1][1]) > 0 {
				c.mistake(p+at("curve", strconv.Itoa(k)), "a worse %s gets a better condition", f.ID)
			}
		}
	default:
		c.mistake(p, "a choice or flag is graded by a map, a measurement or count by a curve")
		return
	}
	c.set.Grades[it.Index] = append(c.set.Grades[it.Index], g)
}

// fallsAsItWorsens checks that a worse value never gets a better condition.
func (c *compiler) fallsAsItWorsens(p string, f *catalogue.Finding, g *Grade) {
	last := math.NaN()
	for _, v := range g.ByValue {
		if v != v {
			continue
		}
		if float64(f.Worse)*(v-last) > 0 {
			c.mistake(p+"/map", "a worse %s gets a better condition", f.ID)
		}
		last = v
	}
}
