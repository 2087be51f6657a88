package ruleset

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"

	"github.com/go-json-experiment/json/jsontext"
)

// maxFindingsRead bounds the combinations to be tried when what a condition reads is contradicted.
const maxFindingsRead = 8

// maxWays bounds the ways of all proofs together: each is tried on every assessment.
const maxWays = 1000

// maxWeight is the greatest weight of evidence on a curve, in decibans either way: beyond it, what
// comes of it would be no number any more.
const maxWeight = 200

// compiler turns a document into a set and collects what is wrong with it.
type compiler struct {
	bounded
	ctx   context.Context
	src   *source
	form  *Document
	cat   *catalogue.Catalogue
	set   *Set
	nodes int // of the conditions so far

	gates   map[string]*Gate
	hazards map[string]*Hazard
	clears  map[*catalogue.Finding]clearAt
}

type clearAt struct {
	value   string
	pointer string
}

func (c *compiler) fault(pointer, format string, args ...any) {
	if len(c.faults) == maxFaults {
		c.more = true
		return
	}
	c.note(c.src.at(pointer, fmt.Sprintf(format, args...)))
}

// over says whether it is no use going on.
func (c *compiler) over() bool { return c.more || c.nodes > maxNodes || c.ctx.Err() != nil }

// cost counts the nodes of a condition that was compiled.
func (c *compiler) cost(pointer string, nodes int) {
	if c.nodes += nodes; c.nodes > maxNodes {
		c.fault(pointer, "all conditions up to here have more than %d nodes together: the rule set needs fewer, or simpler ones", maxNodes)
	}
}

// at makes a JSON Pointer.
func at(parts ...any) string {
	var p jsontext.Pointer
	for _, part := range parts {
		p = p.AppendToken(fmt.Sprint(part))
	}
	return string(p)
}

func (c *compiler) compile() *Set {
	cat, faults := catalogue.New(c.form.Catalogue)
	for _, f := range faults {
		c.fault("/catalogue"+f.Pointer, "%s", f.Text)
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
	}
	for s := Catastrophic; s <= Negligible; s++ {
		c.set.Weight[s] = c.form.SeverityWeights[s.String()]
	}
	for s := Critical; s <= Negligible; s++ {
		if c.set.Weight[s] > c.set.Weight[s-1] {
			c.fault(at("severity_weights", s), "weighs more than what is worse")
		}
	}
	for i, a := range c.form.LookNext.Access {
		if !slices.Contains(catalogue.Access, a) {
			c.fault(at("look_next", "access", i), "%q is not an access", a)
		}
	}
	c.compileGates()
	c.compileHazards()
	c.compileRules()
	c.compileProofs()
	c.compileWeights()
	c.compileCondition()
	c.tests()
	return c.set
}

// unique reports an id that stands twice in a list.
func (c *compiler) unique(seen map[string]bool, list string, i int, id string) {
	if seen[id] {
		c.fault(at(list, i, "id"), "%q is there already", id)
	}
	seen[id] = true
}

func (c *compiler) compileGates() {
	c.gates = map[string]*Gate{}
	seen := map[string]bool{}
	for i, form := range c.form.Gates {
		c.unique(seen, "gates", i, form.ID)
		g := &Gate{ID: form.ID, Is: form.Is, Index: i, Tolerance: Risk(slices.Index(riskNames, form.Tolerance)), Cautions: form.Cautions}
		c.gates[g.ID] = g
		c.set.Gates = append(c.set.Gates, g)
	}
	if g := c.gate("/asks", c.form.Asks); g != nil {
		c.set.Asks = g.Index
	}
}

func (c *compiler) gate(pointer, id string) *Gate {
	g := c.gates[id]
	if g == nil {
		c.fault(pointer, "%q is not a gate of this rule set", id)
	}
	return g
}

func (c *compiler) item(pointer, id string) *catalogue.Item {
	it := c.cat.Item(id)
	if it == nil {
		c.fault(pointer, "%q is not an item of the catalogue", id)
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
	c.compiled(pointer, cond, err)
	return cond
}

func (c *compiler) formula(pointer, source, item string) *condition.Formula {
	if c.over() {
		return nil
	}
	f, err := c.cat.Conditions.CompileFormula(source, item)
	c.conditionFaults(pointer, err)
	if err == nil {
		c.cost(pointer, f.Nodes())
	}
	return f
}

func (c *compiler) compiled(pointer string, cond *condition.Condition, err error) {
	c.conditionFaults(pointer, err)
	if err == nil {
		c.cost(pointer, cond.Nodes())
	}
}

func (c *compiler) conditionFaults(pointer string, err error) {
	if err == nil {
		return
	}
	faults, ok := err.(condition.Faults)
	if !ok {
		faults = condition.Faults{{Text: err.Error()}}
	}
	for _, f := range faults {
		c.fault(pointer, "%s (line %d, column %d of the condition)", f.Text, f.Line, f.Column)
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
		c.fault(pointer, "reads %d findings: %d is the limit", len(needs), maxFindingsRead)
	}
	return needs
}

// maxCurve is as far as curves go: between numbers beyond it a line is no number any more.
const maxCurve = 1e12

// curve checks a curve whose values lie between two limits.
func (c *compiler) curve(pointer string, knots []Knot, least, most float64) []Knot {
	for i, k := range knots {
		if math.Abs(k[0]) > maxCurve {
			c.fault(pointer+at("curve", i), "%v is further out than %v", k[0], maxCurve)
		}
		if k[1] < least || k[1] > most {
			c.fault(pointer+at("curve", i), "%v is not between %v and %v", k[1], least, most)
		}
	}
	for i := 1; i < len(knots); i++ {
		if !(knots[i][0] > knots[i-1][0]) {
			c.fault(pointer+at("curve", i), "the knots of a curve go from left to right")
		}
	}
	return knots
}

func (c *compiler) compileHazards() {
	c.hazards = map[string]*Hazard{}
	seen := map[string]bool{}
	for i, form := range c.form.Hazards {
		p := at("hazards", i)
		c.unique(seen, "hazards", i, form.ID)
		h := &Hazard{
			ID: form.ID, What: form.What, Index: i, Cautions: form.Cautions, Source: form.Source.String(),
			Item: c.item(p+"/item", form.Item), Gate: c.gate(p+"/gate", form.Gate), When: c.onFacts(p+"/when", form.When),
		}
		for k, s := range form.Severity {
			sp := p + "/severity"
			h.Severity = append(h.Severity, SeverityWhen{c.onFacts(sp+at(k, "when"), s.When), Severity(slices.Index(severityNames, s.Is))})
			if last := k == len(form.Severity)-1; last != (s.When == "") {
				c.fault(sp, "the last case, and only the last, goes without a condition")
			}
		}
		c.prior(p+"/prior", form, h)
		h.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy)
		c.hazards[h.ID] = h
		c.set.Hazards = append(c.set.Hazards, h)
	}
}

func (c *compiler) prior(pointer string, form HazardForm, h *Hazard) {
	if form.Prior.Is != nil {
		h.Prior.Unknown = *form.Prior.Is
		return
	}
	h.Prior.Of = c.formula(pointer+"/of", form.Prior.Of, form.Item)
	h.Prior.Curve = c.curve(pointer, form.Prior.Knots, 0, 1)
	h.Prior.Unknown = *form.Prior.WhenUnknown
	if h.Prior.Of != nil {
		h.Prior.Needs = c.findings(pointer+"/of", h.Prior.Of.Reads())
	}
	for i, k := range h.Prior.Curve {
		if !(k[1] > 0 && k[1] < 1) {
			c.fault(pointer+at("curve", i), "a probability lies between 0 and 1")
		}
		// Ignorance must not pay: an unknown number counts as the worst the curve has.
		if k[1] > h.Prior.Unknown {
			c.fault(pointer+"/when_unknown", "is below the curve's %v: not knowing would be better than knowing", k[1])
			break
		}
	}
}

// clearBy compiles findings that clear something. Over a whole rule set one finding is cleared by
// one value only, since all that is asked for is posted together.
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
				c.fault(fp, "%q cannot be found on %s", id, it.ID)
				continue
			}
			clear := Clear{Finding: f}
			if cl.Found[id] != "as_of" || f.Kind != catalogue.Date {
				data, err := json.Marshal(cl.Found[id])
				if err != nil {
					c.fault(fp, "%s", err)
					continue
				}
				one := fmt.Appendf(nil, "{%q:%s}", id, data)
				if _, faults := report.DecodeFound(one, it, c.cat); len(faults) > 0 {
					c.fault(fp, "%s", faults[0].Detail)
					continue
				}
				clear.Value = data
			}
			if old, ok := c.clears[f]; ok && old.value != string(clear.Value) {
				c.fault(fp, "asks for another value than %s does: all that clears a gate is posted together", old.pointer)
			} else {
				c.clears[f] = clearAt{string(clear.Value), fp}
			}
			clears = append(clears, clear)
		}
	}
	slices.SortStableFunc(clears, func(a, b Clear) int { return a.Finding.Slot - b.Finding.Slot })
	return clears
}

func (c *compiler) compileRules() {
	c.set.RulesReading = make([][]*Rule, len(c.cat.Items))
	seen := map[string]bool{}
	lines := map[string]int{}
	for i, form := range c.form.Rules {
		p := at("rules", i)
		c.unique(seen, "rules", i, form.ID)
		h := c.hazards[form.Hazard]
		if h == nil {
			c.fault(p+"/hazard", "%q is not a hazard of this rule set", form.Hazard)
			continue
		}
		r := &Rule{ID: form.ID, Index: len(c.set.Rules), Hazard: h, Item: h.Item, LineName: form.Line, Weight: form.Weight.Is, Cautions: form.Cautions, Source: form.Source.String()}
		if form.Item != "" {
			r.Item = c.item(p+"/item", form.Item)
		}
		if r.Item == nil {
			continue
		}
		if r.LineName == "" {
			r.LineName = "rule " + r.ID
		}
		line, ok := lines[h.ID+"\x00"+r.LineName]
		if !ok {
			line = h.Lines
			lines[h.ID+"\x00"+r.LineName] = line
			h.Lines++
		}
		r.Line = line
		c.ruleConditions(p, form, r)
		var err error
		if r.Because, err = compileText(form.Because, r.Item.ID, c.cat); err != nil {
			c.fault(p+"/because", "%s", err)
		}
		r.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy)
		if len(form.ClearBy) == 0 {
			r.ClearBy = h.ClearBy
		}
		if r.lowers() {
			h.Reassured = true
		}
		c.set.Rules = append(c.set.Rules, r)
	}
}

// lowers reports whether the rule can make its hazard less probable.
func (r *Rule) lowers() bool {
	return r.Weight < 0 || slices.ContainsFunc(r.Curve, func(k Knot) bool { return k[1] < 0 })
}

func (c *compiler) ruleConditions(p string, form RuleForm, r *Rule) {
	r.When = c.condition(p+"/when", form.When, r.Item.ID)
	var reads [][]int
	if r.When != nil {
		reads = append(reads, r.When.Reads())
	}
	if form.Weight.Of != "" {
		r.WeightOf = c.formula(p+"/weight/of", form.Weight.Of, r.Item.ID)
		r.Curve = c.curve(p+"/weight", form.Weight.Knots, -maxWeight, maxWeight)
		if r.WeightOf != nil {
			reads = append(reads, r.WeightOf.Reads())
		}
	}
	if b := form.Blocks; b != nil {
		r.Blocks = &Blocks{Gate: c.gate(p+"/blocks/gate", b.Gate), Kind: Defect, When: c.onFacts(p+"/blocks/when", b.When)}
		if b.Kind == "duty" {
			r.Blocks.Kind = Duty
		}
	}
	r.Needs = c.findings(p+"/when", reads...)
	if r.When == nil {
		return
	}
	if len(r.Needs) == 0 {
		c.fault(p+"/when", "reads no finding: what the facts alone say belongs into the prior")
		return
	}
	first := c.cat.Owner(r.Needs[0]).Item.Index
	c.set.RulesReading[first] = append(c.set.RulesReading[first], r)
}

func (c *compiler) compileProofs() {
	seen := map[string]bool{}
	ways := 0
	for i, form := range c.form.Proofs {
		p := at("proofs", i)
		c.unique(seen, "proofs", i, form.ID)
		pr := &Proof{ID: form.ID, Item: c.item(p+"/item", form.Item), Gate: c.gate(p+"/gate", form.Gate), Cautions: form.Cautions, Source: form.Source.String()}
		pr.When = c.onFacts(p+"/when", form.When)
		for k, s := range form.ProvenBy {
			pp := p + at("proven_by", k)
			cond := c.condition(pp, s, form.Item)
			if cond == nil || pr.Item == nil {
				continue
			}
			way := Proven{When: cond, Needs: c.findings(pp, cond.Reads()), ReadsRemoved: slices.Contains(cond.Reads(), pr.Item.Removed.Slot)}
			if len(way.Needs) == 0 {
				c.fault(pp, "reads no finding: facts alone prove nothing")
			}
			pr.ProvenBy = append(pr.ProvenBy, way)
			ways++
		}
		var err error
		if pr.Because, err = compileText(form.Because, form.Item, c.cat); err != nil {
			c.fault(p+"/because", "%s", err)
		}
		pr.ClearBy = c.clearBy(p+"/clear_by", form.ClearBy)
		c.set.Proofs = append(c.set.Proofs, pr)
	}
	if ways > maxWays {
		c.fault("/proofs", "have %d ways to prove something: %d is the limit", ways, maxWays)
	}
}

func (c *compiler) compileWeights() {
	c.set.HalfLife = slices.Repeat([]float64{c.form.HalfLife.Years}, len(c.cat.Items))
	c.set.ItemWeight = slices.Repeat([]float64{1}, len(c.cat.Items))
	c.set.SystemWeight = slices.Repeat([]float64{1}, len(c.cat.Systems))
	seen := map[string]bool{}
	once := func(pointer, id string) {
		if seen[id] {
			c.fault(pointer, "%q is there already", id)
		}
		seen[id] = true
	}
	for i, h := range c.form.HalfLives {
		once(at("half_lives", i, "item"), h.Item)
		if it := c.item(at("half_lives", i, "item"), h.Item); it != nil {
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
			c.fault(at("weights", "systems", i, "id"), "%q is not a system of the catalogue", w.ID)
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
		c.fault("/unseen/of", "%q: use age, years_laid_up or years_since_built", u.Of)
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
		c.fault(p+"/of", "%q cannot be found on %s", form.Of, it.ID)
		return
	}
	g := &Grade{Finding: f}
	switch {
	case form.Map != nil && (f.Kind == catalogue.Choice || f.Kind == catalogue.Flag):
		g.ByValue = slices.Repeat([]float64{math.NaN()}, len(f.Values))
		for _, v := range slices.Sorted(maps.Keys(form.Map)) {
			k := slices.Index(f.Values, v)
			if k < 0 {
				c.fault(p+at("map", v), "%s is never %q", f.ID, v)
				continue
			}
			g.ByValue[k] = form.Map[v]
		}
		c.fallsAsItWorsens(p, f, g)
	case form.Knots != nil && (f.Kind == catalogue.Quantity || f.Kind == catalogue.Count):
		g.Curve = c.curve(p, form.Knots, 0, 100)
		for k, knot := range g.Curve {
			if k > 0 && f.Worse != catalogue.Neither && float64(f.Worse)*(knot[1]-g.Curve[k-1][1]) > 0 {
				c.fault(p+at("curve", strconv.Itoa(k)), "a worse %s gets a better condition", f.ID)
			}
		}
	default:
		c.fault(p, "a choice or flag is graded by a map, a measurement or count by a curve")
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
			c.fault(p+"/map", "a worse %s gets a better condition", f.ID)
		}
		last = v
	}
}
