package rulecheck

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Explanation is the arithmetic of one rule and its hazard on one dossier.
type Explanation struct {
	Rule   string
	Hazard string
	Steps  []Step
}

// Step is one part of an explanation.
type Step struct {
	Head  string
	Lines []string
}

// String writes the explanation as plain text.
func (e *Explanation) String() string {
	var b strings.Builder
	for _, s := range e.Steps {
		fmt.Fprintf(&b, "%s\n", s.Head)
		for _, l := range s.Lines {
			fmt.Fprintf(&b, "  %s\n", l)
		}
	}
	return b.String()
}

// explainer works out an explanation.
type explainer struct {
	*bench
	rule    *ruleset.Rule
	dossier *report.Dossier
	a       *score.Assessment
	out     *Explanation
}

// Explain says what a rule and its hazard make of a dossier: the reports on one vehicle, at least
// one, decoded with the rule set's catalogue. All numbers that it shows are those that the
// assessment has; what leads to them is worked out beside it.
func Explain(set *ruleset.Set, reports []*report.Report, rule string) (*Explanation, error) {
	r := findRule(set, rule)
	if r == nil {
		return nil, fmt.Errorf("explain rule %s: there is no such rule in %s %s", rule, set.Name, set.Version)
	}
	if len(reports) == 0 {
		return nil, fmt.Errorf("explain rule %s: there is no report to explain it on", rule)
	}
	x := &explainer{
		bench: newBench(context.Background(), set), rule: r, out: &Explanation{Rule: r.ID, Hazard: r.Hazard.ID},
		dossier: report.Lay(reports, set.Catalogue, set.ProofCredence),
	}
	x.a = x.scorer.Evaluate(reports, -1)
	x.says()
	x.reads()
	e := entry(x.a, r.Hazard.ID)
	if e == nil {
		x.step("The hazard does not exist on this vehicle", "The facts rule it out: "+x.whyNotThere())
		return x.out, nil
	}
	x.fires(e)
	x.prior(e)
	x.sum(e)
	x.blocks(e)
	return x.out, nil
}

func (x *explainer) step(head string, lines ...string) {
	x.out.Steps = append(x.out.Steps, Step{head, lines})
}

func (x *explainer) says() {
	r := x.rule
	lines := []string{"It holds when " + r.When.Source() + "."}
	if r.WeightOf != nil {
		lines = append(lines, fmt.Sprintf("It weighs by %s: %s dB.", r.WeightOf.Source(), knots(r.Curve)))
	} else {
		lines = append(lines, fmt.Sprintf("It weighs %+g dB.", r.Weight))
	}
	lines = append(lines,
		fmt.Sprintf("It speaks of %s: %s.", r.Hazard.ID, r.Hazard.What),
		"Line of evidence: "+spaced(r.LineName)+".",
		"Source: "+r.Source+".")
	x.step("Rule "+r.ID, lines...)
}

func knots(c []ruleset.Knot) string {
	parts := make([]string, len(c))
	for i, k := range c {
		parts[i] = fmt.Sprintf("%+g at %g", k[1], k[0])
	}
	return strings.Join(parts, ", ")
}

// reads shows what was found of what the rule reads.
func (x *explainer) reads() {
	var lines []string
	findings, facts := readsOf(x.rule)
	for _, slot := range findings {
		f := x.set.Catalogue.Owner(slot)
		st := x.dossier.Standing[slot]
		if st == nil {
			lines = append(lines, fmt.Sprintf("%s, %s: not reported", f.Item.Is, f.Is))
			continue
		}
		for i := range st.Values {
			v := &st.Values[i]
			m := x.set.Catalogue.Methods[v.Method()]
			by := strongest(v.Support, func(s report.Support) float64 { return s.Credence })
			lines = append(lines, fmt.Sprintf("%s, %s: %s (%s, credence %g, %s)", f.Item.Is, f.Is, shown(f, v), m.ID, by.Credence, by.On))
		}
		if len(st.Values) > 1 {
			lines = append(lines, "  these contradict each other: the worse counts")
		}
	}
	for _, slot := range facts {
		if slot == x.set.Catalogue.AsOf {
			continue
		}
		name := "counted from a date"
		f := x.set.Catalogue.Owner(slot)
		if f != nil {
			name = f.Is
		}
		lines = append(lines, fmt.Sprintf("fact, %s: %s", name, ruleset.Say(f, x.dossier.Frame[slot])))
	}
	x.step("What it reads", lines...)
}

// strongest picks the observation that is worth most, and of equal ones the newest.
func strongest(list []report.Support, worth func(report.Support) float64) report.Support {
	best := list[0]
	for _, s := range list[1:] {
		if w, most := worth(s), worth(best); w > most || w == most && s.On > best.On {
			best = s
		}
	}
	return best
}

func shown(f *catalogue.Finding, v *report.StandingValue) string {
	if f.Kind == catalogue.Text {
		return v.Text
	}
	return ruleset.Say(f, v.Number)
}

func (x *explainer) whyNotThere() string {
	h := x.rule.Hazard
	if h.Item.Applies != nil && h.Item.Applies.Holds(x.dossier.Frame) == condition.False {
		return h.Item.Is + " is there where " + h.Item.Applies.Source() + "."
	}
	if h.When != nil {
		return "it exists where " + h.When.Source() + "."
	}
	return "the item is not there."
}

// fires says whether the rule fired and with what effect, or why it did not.
func (x *explainer) fires(e *score.Entry) {
	ev, counts := evidence(x.a, x.rule)
	if ev == nil {
		x.step("It does not fire", x.whyNot())
		return
	}
	w, c := ev.WeightDB.Float(), ev.Credence.Float()
	lines := []string{"Because " + ev.Because + "."}
	if w < 0 {
		lines = append(lines, x.ageing()...)
	} else if w > 0 {
		lines = append(lines, "A defect does not heal: its credence does not age.")
	}
	lines = append(lines, fmt.Sprintf("w' = 10 log10(c * 10^(w/10) + 1 - c) = 10 log10(%.4f * %.4f + %.4f) = %+.4f dB, from w = %+g dB and c = %.4f",
		c, math.Pow(10, w/10), 1-c, ev.EffectiveDB.Float(), w, c))
	for _, o := range slices.Concat(e.Evidence, e.Outweighed) {
		if or := findRule(x.set, o.Rule); o.Rule != x.rule.ID && or.Line == x.rule.Line {
			lines = append(lines, fmt.Sprintf("On the same line: %s, %+.4f dB.", o.Rule, o.EffectiveDB.Float()))
		}
	}
	if counts {
		x.step("It fires and counts", lines...)
	} else {
		x.step("It fires and is outweighed on its line", append(lines, "Of one line only one rule counts: the largest that speaks for the hazard, else the strongest against it.")...)
	}
}

func (x *explainer) whyNot() string {
	var missing []string
	for _, slot := range x.rule.Needs {
		if x.dossier.Standing[slot] == nil {
			f := x.set.Catalogue.Owner(slot)
			missing = append(missing, f.Item.ID+"."+f.ID)
		}
	}
	if len(missing) > 0 {
		return "Not reported: " + strings.Join(missing, ", ") + ". A rule whose findings were not all reported says nothing."
	}
	switch x.rule.When.Holds(x.dossier.Frame) {
	case condition.False:
		return "What was found does not meet the condition."
	case condition.Unknown:
		return "A fact that is not known leaves it undecided, and undecided reassures nobody."
	}
	return "The condition holds, but on what was found the rule weighs nothing and blocks nothing."
}

// ageing shows how the credence of what the rule reads has aged.
func (x *explainer) ageing() []string {
	var lines []string
	for _, slot := range x.rule.Needs {
		st := x.dossier.Standing[slot]
		for i := range st.Values {
			v := &st.Values[i]
			half := x.set.HalfLife[v.Finding.Item.Index]
			age := func(s report.Support) float64 { return math.Max(0, s.On.YearsTo(x.dossier.AsOf)) }
			by := strongest(v.Support, func(s report.Support) float64 { return s.Credence * math.Pow(0.5, age(s)/half) })
			lines = append(lines, fmt.Sprintf("Credence of %s: %g, %.2f years before %s, half-life %g years: %g * 0.5^(%.2f/%g) = %.4f",
				v.Finding.Is, by.Credence, age(by), x.dossier.AsOf, half, by.Credence, age(by), half, v.Aged(x.dossier.AsOf, half)))
		}
	}
	if len(x.rule.Needs) > 1 {
		lines = append(lines, "Of several the least counts.")
	}
	return lines
}

func (x *explainer) prior(e *score.Entry) {
	p := &x.rule.Hazard.Prior
	var lines []string
	switch {
	case p.Of == nil:
		lines = append(lines, fmt.Sprintf("A constant: p0 = %g.", p.Unknown))
	default:
		lines = append(lines, fmt.Sprintf("A curve over %s: %s; %g when that is not known.", p.Of.Source(), priorKnots(p.Curve), p.Unknown))
		lines = append(lines, x.priorAt(p)...)
	}
	lines = append(lines, fmt.Sprintf("p0 = %.8f, L0 = 10 log10(p0 / (1 - p0)) = %+.6f dB", e.Prior.Float(), e.PriorDB.Float()))
	x.step("Prior of "+e.Hazard+", with nobody having looked", lines...)
}

func priorKnots(c []ruleset.Knot) string {
	parts := make([]string, len(c))
	for i, k := range c {
		parts[i] = fmt.Sprintf("%g at %g", k[1], k[0])
	}
	return strings.Join(parts, ", ")
}

func (x *explainer) priorAt(p *ruleset.Prior) []string {
	at := p.Of.Value(x.dossier.Frame)
	c := 1.0
	for _, slot := range p.Needs {
		st := x.dossier.Standing[slot]
		if st == nil {
			f := x.set.Catalogue.Owner(slot)
			return []string{fmt.Sprintf("%s of %s is not reported: the value for an unknown number counts.", f.Is, f.Item.Is)}
		}
		for i := range st.Values {
			c = math.Min(c, st.Values[i].Credence())
		}
		if len(st.Values) > 1 {
			return []string{"Contradicting numbers were reported: that which gives the greatest probability counts."}
		}
	}
	if at != at {
		return []string{"A fact that it needs is not known: the value for an unknown number counts."}
	}
	on := ruleset.At(p.Curve, at)
	if c == 1 {
		return []string{fmt.Sprintf("It is %.4g, where the curve is at %.6g.", at, on)}
	}
	return []string{fmt.Sprintf("It is %.4g, reported with credence %g: %g * %.6g + %.4g * %g", at, c, c, on, 1-c, p.Unknown)}
}

func (x *explainer) sum(e *score.Entry) {
	lines := []string{fmt.Sprintf("%+12.6f  prior", e.PriorDB.Float())}
	for _, ev := range e.Evidence {
		lines = append(lines, fmt.Sprintf("%+12.6f  %s: %s", ev.EffectiveDB.Float(), ev.Rule, ev.Because))
	}
	lines = append(lines,
		fmt.Sprintf("%+12.6f  together", e.TotalDB.Float()),
		fmt.Sprintf("p = 1 / (1 + 10^(-L/10)) = %.8f, level %s; severity %s; risk %s; risk index %g",
			e.Probability.Float(), e.Level, e.Severity, e.Risk, e.RiskIndex.Float()))
	for _, ev := range e.Outweighed {
		lines = append(lines, fmt.Sprintf("not counted: %s (%+.4f dB), outweighed on its line", ev.Rule, ev.EffectiveDB.Float()))
	}
	x.step("Sum for "+e.Hazard, lines...)
}

func (x *explainer) blocks(e *score.Entry) {
	r := x.rule
	var lines []string
	switch ev, _ := evidence(x.a, r); {
	case r.Blocks == nil:
		lines = append(lines, "The rule itself never blocks.")
	case ev == nil:
		lines = append(lines, fmt.Sprintf("The rule would block %s, but does not fire.", spaced(r.Blocks.Gate.ID)))
	case r.Blocks.When != nil && r.Blocks.When.Holds(x.dossier.Frame) == condition.False:
		lines = append(lines, fmt.Sprintf("The rule blocks %s only where %s.", spaced(r.Blocks.Gate.ID), r.Blocks.When.Source()))
	default:
		lines = append(lines, fmt.Sprintf("The rule blocks %s (%s) by itself, whatever the risk.", spaced(r.Blocks.Gate.ID), r.Blocks.Kind))
	}
	h := r.Hazard
	above := "below"
	if slices.ContainsFunc(x.a.Blockers, func(b score.Blocker) bool { return slices.Contains(b.Rules, h.ID) }) ||
		riskReaches(e.Risk, h.Gate.Tolerance) {
		above = "at or above"
	}
	lines = append(lines, fmt.Sprintf("At %s a risk blocks from %s; this one is %s: %s it.", spaced(h.Gate.ID), h.Gate.Tolerance, e.Risk, above))
	found := false
	for _, b := range x.a.Blockers {
		if b.Hazard == h.ID || slices.Contains(b.Rules, h.ID) || slices.Contains(b.Rules, r.ID) {
			found = true
			lines = append(lines, fmt.Sprintf("On the blocking list: rank %d, %s, %s: %s (by %s)", b.Rank, spaced(b.Gate), b.Kind, b.Because, strings.Join(b.Rules, ", ")))
		}
	}
	if !found {
		lines = append(lines, "Not on the blocking list.")
	}
	x.step("Does it block?", lines...)
}

// riskReaches reports whether a risk level, by its name, is at or above a tolerance.
func riskReaches(risk string, tolerance ruleset.Risk) bool {
	for r := ruleset.High; r <= tolerance; r++ {
		if r.String() == risk {
			return true
		}
	}
	return false
}
