package score_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"laidup/internal/score"
)

// centre is the centre of log-odds, in natural units, that spread normally by sd and whose mean
// probability is p.
func centre(p, sd float64) float64 {
	mean := func(c float64) float64 {
		const steps = 400
		sum, weight := 0.0, 0.0
		for i := range steps + 1 {
			z := -6 + 12*float64(i)/steps
			w := math.Exp(-z * z / 2)
			sum += w / (1 + math.Exp(-c-sd*z))
			weight += w
		}
		return sum / weight
	}
	low, high := -40.0, 40.0
	for range 80 {
		if c := (low + high) / 2; mean(c) < p {
			low = c
		} else {
			high = c
		}
	}
	return (low + high) / 2
}

// The ranges of the chance to get through, against a Monte Carlo of the same model: log-odds of every
// fault and chance normal about the centre that gives the mean, an error shared by all faults.
func TestRangesAgainstMonteCarlo(t *testing.T) {
	const k = math.Ln10 / 10
	random := rand.New(rand.NewPCG(17, 4))
	for _, c := range []struct {
		name   string
		faults int
		spread float64 // of faults and chances, dB
		p      float64 // about which faults are drawn
		within float64
	}{
		{"one, sure of", 1, 2, 0.1, 0.02},
		{"three, sure of", 3, 2, 0.1, 0.02},
		{"ten, sure of", 10, 1, 0.05, 0.02},
		{"ten that are likely, sure of", 10, 2, 0.2, 0.02},
		{"thirty, guessed at", 30, 4, 0.02, 0.02},
		{"thirty, likelier, guessed at", 30, 3, 0.05, 0.02},
		{"one, guessed at", 1, 4, 0.3, 0.1},
		{"five, guessed at", 5, 4, 0.1, 0.1},
	} {
		t.Run(c.name, func(t *testing.T) {
			type cause struct{ p, chance, spread, tau float64 }
			var causes []cause
			var faults, harms strings.Builder
			for i := range c.faults {
				x := cause{
					p:      math.Round(c.p*(0.3+1.4*random.Float64())*1e6) / 1e6,
					chance: math.Round((0.1+0.8*random.Float64())*1e3) / 1e3,
					spread: math.Round(c.spread*(0.5+0.5*random.Float64())*10) / 10,
					tau:    math.Round(c.spread*(0.5+0.5*random.Float64())*10) / 10,
				}
				causes = append(causes, x)
				fmt.Fprintf(&faults, "  - {id: f%d, item: a, prior: {is: %v, spread: %v}}\n", i, x.p, x.spread)
				fmt.Fprintf(&harms, "  - {id: h%d, causes: [{fault: f%d, chance: %v, spread: %v}]}\n", i, i, x.chance, x.tau)
			}
			set := shedWith(t, "faults:\n"+faults.String()+"hazards:\n"+harms.String())
			g := score.Evaluate(set, decodeAll(t, set, day()), -1).Gates[0]
			atP, atChance := make([]float64, c.faults), make([]float64, c.faults)
			for i, x := range causes {
				// The common error widens what the mean is a mean of.
				atP[i] = centre(x.p, k*math.Hypot(x.spread, 1.5))
				atChance[i] = centre(x.chance, k*x.tau)
			}
			logistic := func(l float64) float64 { return 1 / (1 + math.Exp(-l)) }
			const draws = 20000
			through := make([]float64, draws)
			for n := range through {
				shared := 1.5 * k * random.NormFloat64()
				through[n] = 1
				for i, x := range causes {
					p := logistic(atP[i] + shared + x.spread*k*random.NormFloat64())
					through[n] *= 1 - p*logistic(atChance[i]+x.tau*k*random.NormFloat64())
				}
			}
			slices.Sort(through)
			low, high := through[draws/10], through[draws-draws/10]
			if math.Abs(g.ChanceThroughLow.Float()-low) > c.within || math.Abs(g.ChanceThroughHigh.Float()-high) > c.within {
				t.Errorf("through %.4f: the range is %.4f to %.4f, by Monte Carlo %.4f to %.4f", g.ChanceThrough.Float(), g.ChanceThroughLow.Float(), g.ChanceThroughHigh.Float(), low, high)
			}
		})
	}
}

// propagated is the 80 % range of a chance by first-order propagation, its derivatives taken by differences:
// of(p, c) is the chance under probabilities of faults and chances of harms, which spread by so many decibans.
func propagated(of func(p, c []float64) float64, p, c, spread, tau []float64) (low, high float64) {
	const k, step = math.Ln10 / 10, 1e-5
	moved := func(x []float64, i int, by float64) []float64 {
		y := slices.Clone(x)
		y[i] = 1 / (1 + math.Exp(-math.Log(x[i]/(1-x[i]))-by*k))
		return y
	}
	variance, common := 0.0, 0.0
	for i := range p {
		d := (math.Log(of(moved(p, i, step), c)) - math.Log(of(moved(p, i, -step), c))) / (2 * step)
		variance += d * d * spread[i] * spread[i]
		common += d
	}
	variance += 1.5 * 1.5 * common * common
	for i := range c {
		if c[i] == 1 {
			continue
		}
		d := (math.Log(of(p, moved(c, i, step))) - math.Log(of(p, moved(c, i, -step)))) / (2 * step)
		variance += d * d * tau[i] * tau[i]
	}
	t := of(p, c)
	by := 1.2815515655 * math.Sqrt(variance) / (1 - t)
	logit := math.Log(t / (1 - t))
	return 1 / (1 + math.Exp(by-logit)), 1 / (1 + math.Exp(-by-logit))
}

// The ranges of gates, steps, hazards and causes, against derivatives taken by differences.
func TestShedRangesByDifferences(t *testing.T) {
	set := shedWith(t, `
gates:
  - {id: now, is: now, tolerates: {critical: 0.01}, because: an example}
  - {id: then, is: then, tolerates: {critical: 0.01}, because: an example}
  - {id: later, is: later, tolerates: {critical: 0.01}, because: an example}
faults: [{id: fa, item: a, prior: {is: 0.2, spread: 3}}, {id: fb, item: b, prior: {is: 0.1, spread: 4}}, {id: fc, item: c, prior: {is: 0.3, spread: 2}}]
hazards:
  - {id: one, gate: now, causes: [{fault: fa, chance: 0.4, spread: 2}, {fault: fb, chance: 0.3, spread: 1}]}
  - {id: two, gate: now, causes: [{fault: fa, chance: 0.1, spread: 3}]}
  - {id: three, gate: later, causes: [{fault: fa, chance: 0.5, spread: 2}, {fault: fb, chance: 1, spread: 2}, {fault: fc, chance: 0.2, spread: 4}]}
  - {id: four, gate: later, severity: marginal, causes: [{fault: fc, chance: 0.9, spread: 4}]}
`)
	a := score.Evaluate(set, decodeAll(t, set, day()), -1)
	p, spread := []float64{0.2, 0.1, 0.3}, []float64{3, 4, 2}
	c, tau := []float64{0.4, 0.3, 0.1, 0.5, 1, 0.2}, []float64{2, 1, 3, 2, 2, 4}
	first := func(p, c []float64) float64 {
		return (1 - p[0]*(1-(1-c[0])*(1-c[2]))) * (1 - p[1]*c[1])
	}
	last := func(p, c []float64) float64 {
		return (1 - p[0]*(1-(1-c[0])*(1-c[2])*(1-c[3]))) * (1 - p[1]*(1-(1-c[1])*(1-c[4]))) * (1 - p[2]*c[5])
	}
	step := func(p, c []float64) float64 { return last(p, c) / first(p, c) }
	range80 := func(what string, gotLow, got, gotHigh float64, of func(p, c []float64) float64, not bool) {
		t.Helper()
		low, high := propagated(of, p, c, spread, tau)
		want := of(p, c)
		if not {
			low, want, high = 1-high, 1-want, 1-low
		}
		near(t, what, got, want, 6)
		near(t, what+", low", gotLow, low, 6)
		near(t, what+", high", gotHigh, high, 6)
	}
	gate := func(i int) score.Gate { return a.Gates[i] }
	range80("through now", gate(0).ChanceThroughLow.Float(), gate(0).ChanceThrough.Float(), gate(0).ChanceThroughHigh.Float(), first, false)
	range80("unharmed now", gate(0).ChanceUnharmedLow.Float(), gate(0).ChanceUnharmed.Float(), gate(0).ChanceUnharmedHigh.Float(), first, false)
	range80("through then, where nothing more happens", gate(1).ChanceThroughLow.Float(), gate(1).ChanceThrough.Float(), gate(1).ChanceThroughHigh.Float(), first, false)
	range80("through later", gate(2).ChanceThroughLow.Float(), gate(2).ChanceThrough.Float(), gate(2).ChanceThroughHigh.Float(), last, false)
	range80("unharmed later", gate(2).ChanceUnharmedLow.Float(), gate(2).ChanceUnharmed.Float(), gate(2).ChanceUnharmedHigh.Float(), step, false)
	if g := gate(1); g.ChanceUnharmed != 1e10 || g.ChanceUnharmedLow != 0 || g.ChanceUnharmedHigh != 0 {
		t.Errorf("then: unharmed %v, %v to %v", g.ChanceUnharmed, g.ChanceUnharmedLow, g.ChanceUnharmedHigh)
	}
	for id, of := range map[string]func(p, c []float64) float64{
		"one":   func(p, c []float64) float64 { return (1 - p[0]*c[0]) * (1 - p[1]*c[1]) },
		"two":   func(p, c []float64) float64 { return 1 - p[0]*c[2] },
		"three": func(p, c []float64) float64 { return (1 - p[0]*c[3]) * (1 - p[1]*c[4]) * (1 - p[2]*c[5]) },
	} {
		e := entry(t, a, id)
		range80(id, e.Low.Float(), e.Probability.Float(), e.High.Float(), of, true)
	}
	for i, id := range []string{"fa", "fb", "fc"} {
		x := causeOf(t, a, "three", id)
		by := 1.2815515655 * math.Ln10 / 10 * math.Hypot(spread[i], 1.5)
		logit := math.Log(p[i] / (1 - p[i]))
		near(t, id+", low", x.Low.Float(), 1/(1+math.Exp(by-logit)), 8)
		near(t, id+", high", x.High.Float(), 1/(1+math.Exp(-by-logit)), 8)
	}
}
