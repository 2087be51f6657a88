package appraisal

import (
	"math"
	"slices"

	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// resting has a quantity by what it rests on.
type resting map[string]float64

// escape is what a hazard adds to the logarithm of the chance of getting through. What is as good as
// certain counts as one chance in 1e10 to escape: that is the last digit of a share.
func escape(p score.Share) float64 { return -math.Log(1 - min(p.Float(), 1-1e-10)) }

func share(p float64) score.Share { return score.Share(math.Round(p * 1e10)) }

func (p *appraiser) risk() CarriedRisk {
	last := p.a.Gates[len(p.a.Gates)-1]
	c := CarriedRisk{Gate: last.Gate, ChanceOfHarm: unlikely(last.ChanceThrough), BySeverity: []SeverityRisk{}, ByGate: []GateRisk{}, Hazards: []CarriedRiskOf{}}
	c.ChanceOfHarmLow, c.ChanceOfHarmHigh = unlikelyRange(last.ChanceThroughLow, last.ChanceThroughHigh)
	parts := resting{}
	for i := range p.a.Register {
		e := &p.a.Register[i]
		h := p.carried(e)
		c.Hazards = append(c.Hazards, h)
		at := slices.IndexFunc(c.BySeverity, func(s SeverityRisk) bool { return s.Severity == e.Severity })
		if at < 0 {
			// The register is ranked by risk: the first of a severity has the worst.
			at = len(c.BySeverity)
			c.BySeverity = append(c.BySeverity, SeverityRisk{Severity: e.Severity, Worst: e.Risk})
		}
		s := &c.BySeverity[at]
		s.Hazards++
		switch h.RestsOn {
		case score.RestsOnFound:
			s.Found++
		case score.RestsOnTold:
			s.Told++
		default:
			s.Unknown++
		}
		if harms(e.Severity) {
			parts[h.RestsOn] += escape(e.Probability)
		}
	}
	for i := range c.BySeverity {
		s := &c.BySeverity[i]
		if s.Chance = p.atLeastOne(s.Severity); harms(s.Severity) {
			s.Chance = min(s.Chance, c.ChanceOfHarm)
		}
	}
	slices.SortFunc(c.BySeverity, func(x, y SeverityRisk) int { return bad(x.Severity) - bad(y.Severity) })
	for _, g := range p.a.Gates {
		c.ByGate = append(c.ByGate, p.atGate(g, c.Hazards))
	}
	c.RestsOn = parts.shares()
	c.WithoutTheWord = c.ChanceOfHarm
	if last.ChanceWithoutWord > 0 {
		c.WithoutTheWord = unlikely(last.ChanceWithoutWord)
	}
	c.Because = p.words.Appraise("harm", "chance", p.words.Chance(last.ChanceThrough, last.ChanceThroughLow, last.ChanceThroughHigh), "gate", wording.Spaced(last.Gate))
	if c.ChanceOfHarm > 0 {
		c.Because = p.words.Appraise("harm_rests", "text", c.Because, "found", p.words.Percent(c.RestsOn.Found), "told", p.words.Percent(c.RestsOn.Told), "unknown", p.words.Percent(c.RestsOn.Unknown))
	}
	if c.WithoutTheWord > c.ChanceOfHarm {
		c.Because = p.words.Appraise("harm_without_word", "text", c.Because, "chance", p.words.Percent(c.WithoutTheWord))
	}
	return c
}

// atLeastOne is the chance that at least one hazard of a severity comes true on the way to the last gate.
// As in the chance of getting through, each fault counts once with all that it may do.
func (p *appraiser) atLeastOne(severity string) score.Share {
	type fault struct{ bad, escape float64 }
	faults := map[string]fault{}
	var order []string // so that the product is the same every time
	for i := range p.a.Register {
		if p.a.Register[i].Severity != severity {
			continue
		}
		for k := range p.a.Register[i].Causes {
			c := &p.a.Register[i].Causes[k]
			f, known := faults[c.Fault]
			if !known {
				order, f.escape = append(order, c.Fault), 1
			}
			faults[c.Fault] = fault{max(f.bad, c.Probability.Float()), f.escape * (1 - c.Chance.Float())}
		}
	}
	safe := 1.0
	for _, id := range order {
		f := faults[id]
		safe *= 1 - f.bad*(1-f.escape)
	}
	return unlikely(share(safe))
}

// unlikely is the chance that something does not happen.
func unlikely(s score.Share) score.Share { return 1e10 - s }

// unlikelyRange is the range of the chance that something does not happen; none where there is none.
func unlikelyRange(low, high score.Share) (from, to score.Share) {
	if high == 0 {
		return 0, 0
	}
	return max(1, unlikely(high)), unlikely(low)
}

// severities are the names, worst first.
var severities = []string{ruleset.Catastrophic.String(), ruleset.Critical.String(), ruleset.Marginal.String(), ruleset.Negligible.String()}

func bad(severity string) int { return slices.Index(severities, severity) }

// harms reports whether a hazard of the severity counts for the chance of getting through.
func harms(severity string) bool { return bad(severity) <= bad(ruleset.Critical.String()) }

// shares turns parts into shares that add up to 1: what rounding leaves over goes to the largest.
func (r resting) shares() RestingShares {
	var out RestingShares
	total := r[score.RestsOnFound] + r[score.RestsOnTold] + r[score.RestsOnUnknown]
	if total == 0 {
		return out
	}
	left, largest := score.Share(1e10), &out.Unknown
	most := 0.0
	for _, of := range []struct {
		name string
		into *score.Share
	}{{score.RestsOnUnknown, &out.Unknown}, {score.RestsOnTold, &out.Told}, {score.RestsOnFound, &out.Found}} {
		*of.into = score.Share(r[of.name] / total * 1e10)
		left -= *of.into
		if r[of.name] > most {
			most, largest = r[of.name], of.into
		}
	}
	*largest += left
	return out
}

func (p *appraiser) atGate(g score.Gate, hazards []CarriedRiskOf) GateRisk {
	out := GateRisk{Gate: g.Gate, ChanceOfHarm: unlikely(g.ChanceUnharmed), Because: p.words.Appraise("gate_harmless")}
	out.ChanceOfHarmLow, out.ChanceOfHarmHigh = unlikelyRange(g.ChanceUnharmedLow, g.ChanceUnharmedHigh)
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
		out.Because = p.words.Appraise("gate_likeliest", "chance", p.words.Chance(worst.Probability, worst.Low, worst.High), "what", worst.What, "rests", p.words.Appraise("rests_"+worst.RestsOn))
	}
	return out
}

func (p *appraiser) carried(e *score.Entry) CarriedRiskOf {
	return CarriedRiskOf{
		Rank: e.Rank, Hazard: e.Hazard, Item: e.Item, Gate: e.Gate, What: e.What, Severity: e.Severity,
		Probability: e.Probability, Low: e.Low, High: e.High, Risk: e.Risk, RiskIndex: e.RiskIndex, RestsOn: e.RestsOn, Because: p.carriedBecause(e),
	}
}

// carriedBecause says what a hazard rests on: the strongest credible evidence on any of its causes, else
// what somebody said, else the years.
func (p *appraiser) carriedBecause(e *score.Entry) string {
	var strongest *score.Evidence
	lines := 0
	for i := range e.Causes {
		for k := range e.Causes[i].Evidence {
			ev := &e.Causes[i].Evidence[k]
			lines++
			if strongest == nil || magnitude(ev.EffectiveDB) > magnitude(strongest.EffectiveDB) {
				strongest = ev
			}
		}
	}
	first := &e.Causes[0]
	switch {
	case strongest != nil && e.RestsOn == score.RestsOnFound && lines > 1:
		return p.words.Appraise("hazard_found_more", "because", strongest.Because, "line", p.words.Count("line", lines-1))
	case strongest != nil && e.RestsOn == score.RestsOnFound:
		return p.words.Appraise("hazard_found", "because", strongest.Because)
	case strongest != nil:
		return p.words.Appraise("hazard_told", "because", strongest.Because)
	case e.RestsOn == score.RestsOnTold:
		return p.words.Appraise("hazard_told_number", "is", p.is(first.Item), "chance", p.words.Chance(first.Probability, first.Low, first.High), "fault", first.Is)
	}
	return p.words.Appraise("hazard_unknown", "is", p.is(first.Item), "chance", p.words.Chance(first.Probability, first.Low, first.High), "fault", first.Is)
}

func magnitude(d score.Decibans) score.Decibans { return max(d, -d) }
