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

// Explanation is the arithmetic of one rule and its fault on one dossier.
type Explanation struct {
	Rule  string
	Fault string
	Steps []Step
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

// Explain says what a rule, its fault and the hazards that this causes make of a dossier: the reports on
// one vehicle, at least one, decoded with the rule set's catalogue. All numbers that it shows are those
// that the assessment has; what leads to them is worked out beside it.
func Explain(set *ruleset.Set, reports []*report.Report, rule string) (*Explanation, error) {
	r := findRule(set, rule)
	if r == nil {
		return nil, fmt.Errorf("explain rule %s: there is no such rule in %s %s", rule, set.Name, set.Version)
	}
	if len(reports) == 0 {
		return nil, fmt.Errorf("explain rule %s: there is no report to explain it on", rule)
	}
	x := &explainer{
		bench: newBench(context.Background(), set), rule: r, out: &Explanation{Rule: r.ID, Fault: r.Fault.ID},
		dossier: report.Lay(reports, set.Catalogue, set.ProofCredence),
	}
	x.a = x.assess(reports...)
	x.says()
	x.reads()
	c := causeIn(x.a, r.Fault.ID)
	if c == nil {
		x.step("The fault does nothing on this vehicle", x.whyNotThere())
		x.blocks()
		return x.out, nil
	}
	x.fires(c)
	x.prior(c)
	x.sum(c)
	x.harm()
	x.blocks()
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
		fmt.Sprintf("It speaks of %s: %s.", r.Fault.ID, r.Fault.Is),
		"Line of evidence: "+spaced(r.LineName)+".",
		"Source: "+r.Source+".")
	if r.General {
		lines = append(lines, "It is a general word: it counts only where nothing more specific on its line was reported.")
	}
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
		said := false
		for _, place := range x.dossier.Places(f.Item) {
			st := place.Of(f)
			if st == nil {
				continue
			}
			said = true
			for i := range st.Values {
				v := &st.Values[i]
				by := strongest(v.Support, func(s report.Support) float64 { return s.Alarms })
				lines = append(lines, fmt.Sprintf("%s, %s: %s (%s, alarms %g, reassures %g, %s)",
					f.Item.Is+placeName(f.Item, &place), f.Is, shown(f, v), x.set.Catalogue.Methods[v.Method()].ID, by.Alarms, by.Reassures, by.On))
			}
			if len(st.Values) > 1 {
				lines = append(lines, "  these contradict each other: the worse counts")
			}
		}
		if !said {
			lines = append(lines, fmt.Sprintf("%s, %s: not reported", f.Item.Is, f.Is))
		}
	}
	for _, slot := range facts {
		if slot == x.set.Catalogue.AsOf {
			continue
		}
		f := x.set.Catalogue.Owner(slot)
		lines = append(lines, fmt.Sprintf("fact, %s: %s", nameOf(f, slot == x.set.Catalogue.YearsLaidUp), ruleset.Say(f, x.dossier.Frame[slot])))
	}
	x.step("What it reads", lines...)
}

// placeName is how a place is told from the others; nothing where there are none.
func placeName(it *catalogue.Item, p *report.Place) string {
	switch {
	case p.Position >= 0:
		return " " + spaced(it.Positions[p.Position].ID)
	case p.Position == report.Somewhere:
		return " (at a position that nobody named)"
	case p.Position == report.Others:
		return " (elsewhere)"
	}
	return ""
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
	f, frame := x.rule.Fault, x.dossier.Frame
	switch {
	case !f.Item.AppliesTo(frame):
		return f.Item.Is + " is there where " + f.Item.Applies.Source() + "."
	case !there(f.When, frame):
		return "It exists where " + f.When.Source() + "."
	case len(f.Hazards) == 0:
		return "It causes no hazard: what is said of it is for a limit."
	}
	return "None of the hazards that it causes exists on this vehicle."
}

// fires says whether the rule fired and with what effect, or why it did not.
func (x *explainer) fires(c *score.Cause) {
	ev, counts := evidence(c, x.rule)
	if ev == nil {
		x.step("It does not fire", x.whyNot())
		return
	}
	w, share := ev.WeightDB.Float(), ev.Credence.Float()
	lines := []string{"Because " + ev.Because + "."}
	if len(ev.At) > 0 {
		lines = append(lines, "At "+spaced(strings.Join(ev.At, ", "))+".")
	}
	if w < 0 {
		lines = append(lines, x.ageing()...)
	} else if w > 0 {
		lines = append(lines, "A defect does not heal: an alarm does not age.")
	}
	lines = append(lines, fmt.Sprintf("w' = 10 log10(c * 10^(w/10) + 1 - c) = 10 log10(%.4f * %.4f + %.4f), from w = %+g dB and c = %.4f",
		share, math.Pow(10, w/10), 1-share, w, share))
	full := 10 * math.Log10(share*math.Pow(10, w/10)+1-share)
	if full-ev.EffectiveDB.Float() > 1e-5 {
		lines = append(lines, fmt.Sprintf("That is %+.4f dB, and an alarm by this method counts for %+.4f dB at most.", full, ev.EffectiveDB.Float()))
	} else {
		lines = append(lines, fmt.Sprintf("w' = %+.4f dB", ev.EffectiveDB.Float()))
	}
	for _, o := range slices.Concat(c.Evidence, c.Outweighed) {
		if or := findRule(x.set, o.Rule); o.Rule != x.rule.ID && or.Line == x.rule.Line {
			lines = append(lines, fmt.Sprintf("On the same line: %s, %+.4f dB.", o.Rule, o.EffectiveDB.Float()))
		}
	}
	if counts {
		x.step("It fires and counts", lines...)
	} else {
		x.step("It fires and does not count", append(lines, "Of one line only one rule counts: the largest that speaks for the fault, else the strongest against it, and that only where every position is known.")...)
	}
}

func (x *explainer) whyNot() string {
	var missing []string
	for _, slot := range x.rule.Needs {
		if f := x.set.Catalogue.Owner(slot); x.dossier.Standing(f) == nil {
			missing = append(missing, f.Item.ID+"."+f.ID)
		}
	}
	if len(missing) > 0 {
		return "Not reported: " + strings.Join(missing, ", ") + ". A rule whose findings were not all reported says nothing."
	}
	if x.rule.General {
		for _, slot := range x.rule.Specific {
			if f := x.set.Catalogue.Owner(slot); x.dossier.Standing(f) != nil {
				return "It is a general word, and " + f.Item.ID + "." + f.ID + " says more."
			}
		}
	}
	switch x.rule.When.Holds(x.dossier.Frame) {
	case condition.False:
		return "What was found does not meet the condition."
	case condition.Unknown:
		return "Something that is not known leaves it undecided, and undecided reassures nobody."
	}
	return "The condition holds, but on what was found the rule weighs nothing."
}

// ageing shows how what the rule reads has aged.
func (x *explainer) ageing() []string {
	var lines []string
	for _, slot := range x.rule.Needs {
		f := x.set.Catalogue.Owner(slot)
		st := x.dossier.Standing(f)
		for i := range st.Values {
			v := &st.Values[i]
			half := x.set.HalfLife[v.Finding.Item.Index]
			age := func(s report.Support) float64 { return math.Max(0, s.On.YearsTo(x.dossier.AsOf)) }
			by := strongest(v.Support, func(s report.Support) float64 { return s.Reassures * math.Pow(0.5, age(s)/half) })
			lines = append(lines, fmt.Sprintf("%s reassures %g, %.2f years before %s, half-life %g years: %g * 0.5^(%.2f/%g) = %.4f",
				v.Finding.Is, by.Reassures, age(by), x.dossier.AsOf, half, by.Reassures, age(by), half, v.Reassures(x.dossier.AsOf, half)))
		}
	}
	if len(x.rule.Needs) > 1 {
		lines = append(lines, "Of several the least counts.")
	}
	return lines
}

func (x *explainer) prior(c *score.Cause) {
	f := x.rule.Fault
	p := &f.Prior
	var lines []string
	switch p.Over {
	case ruleset.Constant:
		lines = append(lines, fmt.Sprintf("The same for all: p0 = %g.", p.Curve[0][1]))
	default:
		lines = append(lines, fmt.Sprintf("A curve over %s: %s; the last where that is not known.", overName(p), priorKnots(p.Curve)))
		lines = append(lines, x.priorAt(p, f.Item)...)
	}
	if p.Anchor != nil {
		lines = append(lines, "It rests on "+p.Anchor.Cite+": "+p.Anchor.Says+".")
	}
	lines = append(lines, fmt.Sprintf("p0 = %.8f, L0 = 10 log10(p0 / (1 - p0)) = %+.6f dB, give or take %g dB", c.Prior.Float(), c.PriorDB.Float(), p.Spread))
	for _, s := range p.Shifts {
		holds := map[condition.Truth]string{condition.True: "holds", condition.False: "does not hold", condition.Unknown: "is not decided: what is worse counts"}[s.When.Holds(x.dossier.Frame)]
		lines = append(lines, fmt.Sprintf("%+g dB where %s, which %s.", s.DB, s.When.Source(), holds))
	}
	x.step("Prior of "+f.ID+", with nobody having looked", lines...)
}

func overName(p *ruleset.Prior) string {
	switch p.Over {
	case ruleset.Age:
		return "the age of the part"
	case ruleset.LaidUp:
		return "the years laid up"
	case ruleset.SinceBuilt:
		return "the years since it was built"
	case ruleset.Odometer:
		return "the distance driven"
	}
	return p.Of.Source()
}

func priorKnots(c []ruleset.Knot) string {
	parts := make([]string, len(c))
	for i, k := range c {
		parts[i] = fmt.Sprintf("%g at %g", k[1], k[0])
	}
	return strings.Join(parts, ", ")
}

// priorAt says what is known of the number of a prior, at each place.
func (x *explainer) priorAt(p *ruleset.Prior, it *catalogue.Item) []string {
	var lines []string
	for _, place := range x.dossier.Places(it) {
		if !place.Real() {
			continue
		}
		var known report.Interval
		switch p.Over {
		case ruleset.Age:
			known = place.Unvouched
		case ruleset.LaidUp:
			known = place.LaidUp
		case ruleset.SinceBuilt:
			known = place.SinceBuilt
		case ruleset.Odometer:
			known = place.Driven
		default:
			if v := p.Of.Value(x.dossier.Frame); v == v {
				lines = append(lines, fmt.Sprintf("It is %.4g, where the curve is at %.6g.", v, ruleset.At(p.Curve, v)))
			} else {
				lines = append(lines, "Something that it needs is not known: the worst of the curve counts.")
			}
			continue
		}
		most := "at most " + ruleset.Say(nil, known.High)
		if math.IsInf(known.High, 1) {
			most = "as much as you like"
		}
		lines = append(lines, fmt.Sprintf("Known%s: at least %s, %s, where the curve is at %.6g.", placeName(it, &place), ruleset.Say(nil, known.Low), most, ruleset.At(p.Curve, known.High)))
		if st := place.Of(it.Age); p.Over == ruleset.Age && st != nil {
			for i := range st.Values {
				v := &st.Values[i]
				at, share, without := ruleset.At(p.Curve, math.Max(v.Number, known.Low)), v.Alarms(), ruleset.At(p.Curve, known.High)
				lines = append(lines, fmt.Sprintf("An age of %s is reported, to be believed for %g: %g * %.6g + %.4g * %.6g", ruleset.Say(v.Finding, v.Number), share, share, at, 1-share, without))
			}
		}
	}
	return lines
}

func (x *explainer) sum(c *score.Cause) {
	lines := []string{fmt.Sprintf("%+12.6f  prior", c.PriorDB.Float())}
	if c.ShiftsDB != 0 {
		lines = append(lines, fmt.Sprintf("%+12.6f  shifts", c.ShiftsDB.Float()))
	}
	for _, ev := range c.Evidence {
		lines = append(lines, fmt.Sprintf("%+12.6f  %s: %s", ev.EffectiveDB.Float(), ev.Rule, ev.Because))
	}
	lines = append(lines,
		fmt.Sprintf("%+12.6f  together", c.TotalDB.Float()),
		fmt.Sprintf("P = 1 / (1 + 10^(-L/10)) = %.8f, and by the spread of the estimates %.4f to %.4f", c.Probability.Float(), c.Low.Float(), c.High.Float()))
	for _, ev := range c.Outweighed {
		lines = append(lines, fmt.Sprintf("not counted: %s (%+.4f dB), outweighed on its line", ev.Rule, ev.EffectiveDB.Float()))
	}
	x.step("Sum for "+c.Fault, lines...)
}

// harm shows the hazards that the fault causes.
func (x *explainer) harm() {
	for _, h := range x.rule.Fault.Hazards {
		e := entry(x.a, h.ID)
		if e == nil {
			x.step("Hazard "+h.ID, "It does not exist on this vehicle.")
			continue
		}
		lines := []string{sentence(h.What) + "."}
		for _, c := range e.Causes {
			lines = append(lines, fmt.Sprintf("%s: %.8f * %g = %.8f, share %.4f", c.Fault, c.Probability.Float(), c.Chance.Float(), c.Probability.Float()*c.Chance.Float(), c.Share.Float()))
		}
		tolerated := tolerance(h, e.Severity)
		above := "no more than"
		if e.Probability.Float() > tolerated {
			above = "more than"
		}
		lines = append(lines,
			fmt.Sprintf("p = 1 - product of (1 - q) = %.8f, level %s; severity %s; risk %s; risk index %g", e.Probability.Float(), e.Level, e.Severity, e.Risk, e.RiskIndex.Float()),
			fmt.Sprintf("%s tolerates %g of what is %s: this is %s that.", sentence(spaced(h.Gate.ID)), tolerated, e.Severity, above))
		x.step("Hazard "+h.ID, lines...)
	}
}

func (x *explainer) blocks() {
	r, limit := x.rule, x.rule.Limit
	var lines []string
	switch {
	case limit == nil:
		lines = append(lines, "The rule itself never blocks.")
	case !there(limit.If, x.dossier.Frame):
		lines = append(lines, fmt.Sprintf("The rule blocks %s only where %s.", spaced(limit.Gate.ID), limit.If.Source()))
	case !slices.ContainsFunc(x.a.Blockers, func(b score.Blocker) bool { return slices.Contains(b.Rules, limit.ID) }):
		lines = append(lines, fmt.Sprintf("The rule would block %s, but does not.", spaced(limit.Gate.ID)))
	case !slices.ContainsFunc(x.a.Blockers, func(b score.Blocker) bool {
		return slices.Contains(b.Rules, limit.ID) && b.Kind == limit.Kind.String()
	}):
		lines = append(lines, fmt.Sprintf("The rule would block %s (%s) if there were more than somebody's word for it.", spaced(limit.Gate.ID), limit.Kind))
	default:
		lines = append(lines, fmt.Sprintf("The rule blocks %s (%s) by itself, whatever the risk.", spaced(limit.Gate.ID), limit.Kind))
	}
	found := false
	for _, b := range x.a.Blockers {
		if slices.Contains(b.Faults, r.Fault.ID) || slices.Contains(b.Rules, r.ID) {
			found = true
			at := ""
			if len(b.At) > 0 {
				at = " at " + spaced(strings.Join(b.At, ", "))
			}
			lines = append(lines, fmt.Sprintf("On the blocking list: rank %d, %s, %s%s: %s (by %s)", b.Rank, spaced(b.Gate), b.Kind, at, b.Because, strings.Join(b.Rules, ", ")))
		}
	}
	if !found {
		lines = append(lines, "Not on the blocking list.")
	}
	x.step("Does it block?", lines...)
}
