package outcome

import (
	"math"
	"testing"
)

// near fails unless a figure is what a source has, to half a unit of its last digit.
func near(t *testing.T, what string, got any, want, within float64) {
	t.Helper()
	var x float64
	switch g := got.(type) {
	case float64:
		x = g
	case *float64:
		if g == nil {
			t.Errorf("%s: null, want %v", what, want)
			return
		}
		x = *g
	case int:
		x = float64(g)
	}
	if !(math.Abs(x-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, x, want, within)
	}
}

// one makes a cell of each forecast with what came of it.
func one(p []float64, y []int) []Cell {
	var cells []Cell
	for i := range p {
		cells = append(cells, Cell{P: p[i], Seen: 1, Events: y[i]})
	}
	return cells
}

// J. P. Finley, Tornado predictions, Amer. Meteor. J. 1:85 (1884): the table as the WWRP verification group of the
// Australian Bureau of Meteorology has it, and its figures (scores worked out again).
func TestFinleysTornadoes(t *testing.T) {
	r := Table{Hits: 28, False: 72, Misses: 23, Quiet: 2680}.Rates()
	near(t, "proportion correct", r.Correct, .966, 5e-4)
	near(t, "never forecast", r.NeverCorrect, .982, 5e-4)
	near(t, "bias", r.Bias, 1.96, 5e-3)
	near(t, "probability of detection", r.Sensitivity, .549, 5e-4)
	near(t, "false alarm ratio", r.FalseRatio, .720, 5e-4)
	near(t, "probability of false detection", r.FalseRate, .0262, 5e-5)
	near(t, "critical success index", r.ThreatScore, .228, 5e-4)
	near(t, "random hits", r.RandomHits, 1.82, 5e-3)
	near(t, "equitable threat score", r.Equitable, .216, 5e-4)
	near(t, "Peirce", r.Peirce, .523, 5e-4)
	near(t, "Heidke", r.Heidke, 146768.0/413053, 5e-7)
	near(t, "odds ratio", r.OddsRatio, 45.3, .05)
	near(t, "Yule", r.Yule, .957, 5e-4)
	near(t, "SEDI", r.Extremal, .753, 5e-4)
	near(t, "an alarm in dB", r.AlarmDB, 13.22, 5e-3)
	near(t, "none in dB", r.QuietDB, -3.34, 5e-3)
}

// scikit-learn's documentation of brier_score_loss, log_loss and roc_auc_score (from memory, worked out again).
func TestTinyScores(t *testing.T) {
	near(t, "Brier", Score(one([]float64{.1, .9, .8, .3}, []int{0, 1, 1, 0})).Brier, .0375, 1e-9)
	near(t, "log score", Score(one([]float64{.1, .9, .8, .35}, []int{0, 1, 1, 0})).LogScore, .21616, 5e-6)
	near(t, "AUC", Score(one([]float64{.1, .4, .35, .8}, []int{0, 0, 1, 1})).AUC, .75, 1e-9)
}

// Worked out again: (-2 log2 .999 - log2 .001) / 3.
func TestLogScoreIsClippedAndCounted(t *testing.T) {
	nats, clipped := LogScore(one([]float64{1, 0, .0005}, []int{1, 0, 1}), .001)
	near(t, "bits", nats/math.Ln2, (-2*math.Log2(.999)-math.Log2(.001))/3, 1e-12)
	near(t, "bits", nats/math.Ln2, 3.323, 5e-4)
	near(t, "clipped", clipped, 3, 0)
}

// D. S. Wilks, Statistical Methods in the Atmospheric Sciences, Table 7.3, as the R package verification has it;
// the scores are worked out again. The table has shares: 10,000 forecasts stand for them.
func TestMurphyOfWilksTable(t *testing.T) {
	y := []float64{0, .05, .1, .2, .3, .4, .5, .6, .7, .8, .9, 1}
	share := []float64{.4112, .0671, .1833, .0986, .0616, .0366, .0303, .0275, .0245, .0220, .0170, .0203}
	rate := []float64{.006, .019, .059, .150, .277, .377, .511, .587, .723, .779, .934, .933}
	const n = 1e7
	var cells []Cell
	for i := range y {
		m := math.Round(share[i] * n)
		cells = append(cells, Cell{P: y[i], Seen: int(m), Events: int(math.Round(m * rate[i]))})
	}
	s := Score(cells)
	near(t, "base rate", float64(s.Events)/float64(s.Seen), .1615, 5e-5)
	near(t, "reliability", s.Murphy.Reliability, .000828, 5e-7)
	near(t, "resolution", s.Murphy.Resolution, .062787, 5e-7)
	near(t, "uncertainty", s.Murphy.Uncertainty, .135420, 1e-6)
	near(t, "Brier", s.Brier, .073461, 1e-6)
	near(t, "skill", s.Skill, .4575, 5e-5)
}

// Worked out by hand.
func TestMurphyByHand(t *testing.T) {
	s := Score([]Cell{{P: .1, Seen: 5, Events: 1}, {P: .5, Seen: 2, Events: 1}, {P: .9, Seen: 3, Events: 3}})
	near(t, "Brier", s.Brier, .138, 1e-9)
	near(t, "reliability", s.Murphy.Reliability, .008, 1e-9)
	near(t, "resolution", s.Murphy.Resolution, .120, 1e-9)
	near(t, "uncertainty", s.Murphy.Uncertainty, .250, 1e-9)
	near(t, "log score", s.LogScore, .44264, 5e-6)
	near(t, "skill", s.Skill, .448, 1e-9)
	near(t, "Spiegelhalter z", s.Spiegelhalter, .2357, 5e-5)
}

// The first is a case of the tests of the R package reliabilitydiag (Dimitriadis, Gneiting and Jordan, PNAS
// 118:e2016191118); the second is worked out by hand.
func TestCORP(t *testing.T) {
	s := Score(one([]float64{.1, .2, .3, .4}, []int{0, 1, 0, 1}))
	near(t, "Brier", s.Brier, .275, 1e-9)
	near(t, "miscalibration", s.CORP.Miscalibration, .150, 1e-9)
	near(t, "discrimination", s.CORP.Discrimination, .125, 1e-9)
	near(t, "uncertainty", s.CORP.Uncertainty, .250, 1e-9)
	for i, want := range []float64{0, .5, .5, 1} {
		near(t, "curve", s.Curve[i].Rate, want, 1e-9)
	}
	s = Score(one([]float64{.05, .1, .2, .25, .4, .45, .6, .7, .8, .95}, []int{0, 0, 1, 0, 0, 1, 1, 0, 1, 1}))
	near(t, "Brier", s.Brier, .1870, 1e-9)
	near(t, "miscalibration", s.CORP.Miscalibration, .05367, 5e-6)
	near(t, "discrimination", s.CORP.Discrimination, .11667, 5e-6)
	for i, want := range []float64{0, 0, 1. / 3, 1. / 3, 1. / 3, 2. / 3, 2. / 3, 2. / 3, 1, 1} {
		near(t, "curve", s.Curve[i].Rate, want, 1e-9)
	}
}

// R's example of isoreg, and one of Python's documentation (both from memory, worked out again). The numbers are
// rates of ten, for cells count.
func TestIsotonic(t *testing.T) {
	for _, c := range []struct {
		y    []int
		want []float64
	}{
		{[]int{1, 0, 4, 3, 3, 5, 4, 2, 0}, []float64{.5, .5, 3, 3, 3, 3, 3, 3, 3}},
		{[]int{5, 3, 1, 2, 8, 10, 7, 9, 6, 4}, []float64{2.75, 2.75, 2.75, 2.75, 7.3333, 7.3333, 7.3333, 7.3333, 7.3333, 7.3333}},
	} {
		var cells []Cell
		for i, y := range c.y {
			cells = append(cells, Cell{P: float64(i) / 20, Seen: 10, Events: y})
		}
		for i, got := range Isotonic(cells) {
			near(t, "fitted", got*10, c.want[i], 5e-5)
		}
	}
}

// A. Gelman et al., Bayesian Data Analysis, section 2.4: girls among births with placenta praevia (from memory,
// worked out again).
func TestPlacentaPraevia(t *testing.T) {
	b := Posterior{1, 1}.After(437, 980)
	near(t, "alpha", b.Alpha, 438, 0)
	near(t, "beta", b.Beta, 544, 0)
	near(t, "mean", b.Mean(), .446, 5e-4)
	near(t, "sd", b.SD(), .016, 5e-4)
	near(t, "low", b.In().Low, .415, 5e-4)
	near(t, "high", b.In().High, .477, 5e-4)
	near(t, "below .485", b.Below(.485), .9928, 5e-5)
	b = Prior(.485, 200).After(437, 980)
	near(t, "median", b.Quantile(.5), .4525, 5e-4)
	near(t, "low", b.In().Low, .424, 5e-4)
	near(t, "high", b.In().High, .481, 5e-4)
}

// Worked out again.
func TestPriorOnAHazardOfOnePercent(t *testing.T) {
	b := Prior(.01, 20)
	near(t, "alpha", b.Alpha, .2, 1e-12)
	b = b.After(2, 30)
	near(t, "mean", b.Mean(), .044, 1e-9)
	near(t, "low", b.In().Low, .0063, 5e-5)
	near(t, "high", b.In().High, .1151, 5e-5)
	near(t, "in dB", decibans(b.Mean())-decibans(.01), 6.59, 5e-3)
}

// R. E. Tarone, Biometrics 38:215 (1982): tumours in 70 groups of rats, and the 71st.
var (
	ratTumours = []int{
		0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 1, 5, 2, 5,
		3, 2, 7, 7, 3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4,
	}
	rats = []int{
		20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23, 20, 20, 20, 20, 20, 20, 10, 49, 19, 46,
		27, 17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20, 20, 20, 20, 48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14,
	}
)

// A. Gelman et al., Bayesian Data Analysis, sections 5.1 and 5.3 (the book's figures from memory, worked out again).
func TestRatTumours(t *testing.T) {
	if len(rats) != 71 || len(ratTumours) != 71 {
		t.Fatalf("%d and %d groups", len(rats), len(ratTumours))
	}
	b, ok := FitMoments(ratTumours[:70], rats[:70])
	if !ok {
		t.Fatal("no fit by moments")
	}
	near(t, "mean rate", b.Mean(), .1360, 5e-5)
	near(t, "alpha by moments", b.Alpha, 1.356, 5e-4)
	near(t, "beta by moments", b.Beta, 8.615, 5e-3)
	b = b.After(4, 14)
	near(t, "current mean", b.Mean(), .223, 5e-4)
	near(t, "current sd", b.SD(), .083, 5e-4)
	b, ok = FitLikely(ratTumours, rats, Posterior{1.4, 8.6})
	if !ok {
		t.Fatal("no fit by likelihood")
	}
	near(t, "likeliest alpha", b.Alpha, 2.342, 5e-3)
	near(t, "likeliest beta", b.Beta, 14.115, 5e-2)
	// The book's prior on (alpha, beta) is (alpha + beta)^(-5/2); the grid is of log(alpha/beta) and log(alpha + beta),
	// where it has alpha beta beside it.
	const side = 100
	var weight, alpha, beta float64
	for i := range side {
		for j := range side {
			x, z := -2.3+1.0*float64(i)/(side-1), 1+4.0*float64(j)/(side-1)
			n := math.Exp(z)
			a := n * logistic(x)
			g := Posterior{a, n - a}
			w := math.Exp(g.Likelihood(ratTumours, rats)-b.Likelihood(ratTumours, rats)) * math.Pow(n, -2.5) * g.Alpha * g.Beta
			weight, alpha, beta = weight+w, alpha+w*g.Alpha, beta+w*g.Beta
		}
	}
	near(t, "E(alpha)", alpha/weight, 2.40, 2e-2)
	near(t, "E(beta)", beta/weight, 14.32, 1e-1)
}

// R. G. Newcombe, Stat. Med. 17:857 (1998), Table I (the cases from memory, worked out again); 0 of 30 beside the
// rule of three.
func TestIntervals(t *testing.T) {
	for _, c := range []struct {
		events, seen           int
		low, high, wLow, wHigh float64
	}{
		{81, 263, .2527, .3676, .2553, .3662},
		{0, 20, 0, .1684, 0, .1611},
	} {
		e, w := Exact(c.events, c.seen), Wilson(c.events, c.seen)
		near(t, "exact low", e.Low, c.low, 5e-5)
		near(t, "exact high", e.High, c.high, 5e-5)
		near(t, "Wilson low", w.Low, c.wLow, 5e-5)
		near(t, "Wilson high", w.High, c.wHigh, 5e-5)
	}
	// One-sided, at which the rule of three aims: 1 - .05^(1/30).
	near(t, "0 of 30", Posterior{1, 30}.Quantile(.95), .0950, 5e-5)
	near(t, "rule of three", 3.0/30, .1, 1e-12)
}

// The formula of Steiner et al., Biostatistics 1:441 (2000) (from memory, worked out again), and Wald's limits.
func TestCUSUMWeights(t *testing.T) {
	for _, c := range []struct{ p, harm, none float64 }{{.01, .6832, -.00995}, {.1, .5978, -.0953}, {.5, .2877, -.4055}} {
		near(t, "harm", Weight(c.p, 2, true), c.harm, 5e-5)
		near(t, "none", Weight(c.p, 2, false), c.none, 5e-5)
	}
	up, down := WaldLimits(.05, .1)
	near(t, "upper", up, 2.890, 5e-4)
	near(t, "lower", down, -2.251, 5e-4)
}

// Five seen where 1.2 were expected of very many rare ones, which is Poisson's: worked out again.
func TestSeenAgainstExpected(t *testing.T) {
	const many = 10_000_000
	near(t, "five or more", atLeast(5, many, 1.2/many), .00775, 5e-6)
}

// Worked out again: the first number that reaches it.
func TestAttemptsNeeded(t *testing.T) {
	for _, c := range []struct {
		p0, p1 float64
		want   int
	}{{.01, .02, 905}, {.01, .03, 301}, {.05, .10, 169}, {.05, .15, 52}, {.20, .30, 116}, {.30, .15, 49}} {
		near(t, "attempts", AttemptsNeeded(c.p0, c.p1, .05, .8), float64(c.want), 0)
	}
}

// Of studies of inspection: sensitivity and the share of false finds (worked out again; .05 for the blades is assumed).
func TestCredenceOfAStudy(t *testing.T) {
	for _, c := range []struct{ s, f, want float64 }{
		{.77, .02, .77}, {.868, .05, .86}, {.826, .05, .82}, {.668, .05, .65}, {.638, .05, .62}, {5. / 13, .04, .36},
	} {
		near(t, "credence", Credence(c.s, c.f), c.want, 5e-3)
	}
}

// C. B. Begg and R. A. Greenes, Biometrics 39:207 (1983), their example of liver scans after Drum and Christacopoulos
// (from memory, worked out again): .84 and .74, where those checked alone give .90 and .63.
func TestVerificationBias(t *testing.T) {
	scans := Table{Hits: 231, False: 32, Misses: 27, Quiet: 54, AlarmUnseen: 166, QuietUnseen: 140}
	r := scans.Rates()
	near(t, "sensitivity of those checked", r.Sensitivity, .90, 5e-3)
	near(t, "specificity of those checked", r.Specificity, .63, 5e-3)
	s, f := scans.Unbiased()
	near(t, "sensitivity", s, .84, 5e-3)
	near(t, "specificity", f, .74, 5e-3)
}

func TestEdgeCases(t *testing.T) {
	none := Score(nil)
	for what, x := range map[string]*float64{"Brier": none.Brier, "skill": none.Skill, "log": none.LogScore, "AUC": none.AUC, "ratio": none.Ratio, "expected": none.Expected, "surprise": none.Surprise, "z": none.Spiegelhalter} {
		if x != nil {
			t.Errorf("%s of no forecast is %v, want null", what, *x)
		}
	}
	if none.Murphy != nil || none.CORP != nil || none.RatioIn != nil || none.Corrected != nil || none.Hosmer != nil {
		t.Errorf("scores of no forecast are there: %+v", none)
	}
	quiet := Score([]Cell{{P: .1, Seen: 10}})
	if quiet.AUC != nil || quiet.Skill != nil {
		t.Error("AUC and skill without any event are there")
	}
	near(t, "Brier without any event", quiet.Brier, .01, 1e-9)
	near(t, "ratio without any event", quiet.Ratio, 0, 0)
	same := Score([]Cell{{P: .3, Seen: 10, Events: 4}})
	near(t, "discrimination of one forecast for all", same.CORP.Discrimination, 0, 1e-12)
	near(t, "AUC of one forecast for all", same.AUC, .5, 0)
	sure := Score([]Cell{{P: 0, Seen: 3, Events: 1}, {P: 1, Seen: 2, Events: 2}})
	near(t, "clipped", sure.Clipped, 5, 0)
	if sure.LogScore == nil {
		t.Error("the log score of a sure forecast that was wrong is null")
	}
	single := Score([]Cell{{P: .2, Seen: 1, Events: 1}})
	near(t, "Brier of one", single.Brier, .64, 1e-9)
	if single.AUC != nil || single.Spiegelhalter == nil {
		t.Errorf("one observation: AUC %v, z %v", single.AUC, single.Spiegelhalter)
	}
	shut := Score([]Cell{{P: .9, Unseen: 4}})
	if shut.Brier != nil || shut.Unseen != 4 || shut.Bands[0].Rate != nil || shut.Bands[0].RateIn != nil {
		t.Errorf("a shut gate counts as an outcome: %+v", shut)
	}
	if s, f := (Table{Hits: 3, False: 1}).Unbiased(); s != nil || f != nil {
		t.Error("without any quiet one checked, sensitivity cannot be corrected")
	}
	if r := (Table{}).Rates(); r.Sensitivity != nil || r.OddsRatio != nil {
		t.Error("rates of an empty table are there")
	}
}
