package outcome

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// surest is how near to 0 or 1 a forecast comes in the log score, where it would else be infinite: as near
// as rounding leaves it.
const surest = 1e-5

// Scores is how good forecasts were.
type Scores struct {
	Seen   int `json:"seen"`
	Events int `json:"events"`
	Unseen int `json:"unseen"` // missing: shut gates, parts of which nobody could tell

	Expected *float64  `json:"expected"` // events, by the forecasts of what was seen
	Ratio    *float64  `json:"ratio"`    // observed to expected
	RatioIn  *Interval `json:"ratio_in"` // 95 %, exact
	Surprise *float64  `json:"surprise"` // probability of a number as far out if the forecasts are right

	Brier  *float64 `json:"brier"`
	Skill  *float64 `json:"skill"` // 1: perfect; 0: no better than the base rate
	Murphy *Murphy  `json:"murphy"`
	CORP   *CORP    `json:"corp"`

	LogScore *float64 `json:"log_score"` // nats, the less the better
	Clipped  int      `json:"clipped"`   // forecasts of 0 or 1 that the log score takes for less sure

	AUC           *float64     `json:"auc"`           // probability that of two the one that came true had the higher forecast
	Spiegelhalter *float64     `json:"spiegelhalter"` // z: about normal if the forecasts are right
	Hosmer        *HosmerTest  `json:"hosmer_lemeshow"`
	Corrected     *Corrected   `json:"corrected"`
	Bands         []Band       `json:"bands"`
	Curve         []CurvePoint `json:"curve"`
}

// Murphy splits the Brier score: Brier = Reliability - Resolution + Uncertainty, exactly where each cell has
// one forecast (A. H. Murphy, J. Appl. Meteor. 12:595, 1973).
type Murphy struct {
	Reliability float64 `json:"reliability"` // 0: what is forecast comes as often as forecast
	Resolution  float64 `json:"resolution"`  // the more the forecasts tell cases apart, the larger
	Uncertainty float64 `json:"uncertainty"` // of the base rate alone
}

// CORP splits the Brier score by the best forecasts that keep the order of those made, which isotonic
// regression finds: Brier = Miscalibration - Discrimination + Uncertainty (Dimitriadis, Gneiting and Jordan,
// PNAS 118:e2016191118, 2021). No width of bins has to be chosen.
type CORP struct {
	Miscalibration float64 `json:"miscalibration"`
	Discrimination float64 `json:"discrimination"`
	Uncertainty    float64 `json:"uncertainty"`
}

// CurvePoint is a point of the CORP reliability curve.
type CurvePoint struct {
	P    float64 `json:"p"`
	Rate float64 `json:"rate"`
	Seen int     `json:"seen"`
}

// HosmerTest is the test of Hosmer and Lemeshow on the bands.
type HosmerTest struct {
	Square  float64 `json:"chi_square"`
	Degrees int     `json:"degrees_of_freedom"`
	P       float64 `json:"p"`
}

// Band joins neighbouring forecasts for a reliability diagram.
type Band struct {
	From    float64   `json:"from"`
	To      float64   `json:"to"`
	Mean    *float64  `json:"mean"` // of the forecasts seen
	Seen    int       `json:"seen"`
	Events  int       `json:"events"`
	Unseen  int       `json:"unseen"`
	Rate    *float64  `json:"rate"`
	RateIn  *Interval `json:"rate_in"`  // 95 %, exact
	Outside bool      `json:"outside"`  // the mean forecast lies outside of it
	Chance  *float64  `json:"surprise"` // as Surprise of [Scores]
}

// Score works out how good forecasts were.
func Score(cells []Cell) Scores {
	cells = Merge(cells)
	t := total(cells)
	s := Scores{Seen: t.seen, Events: t.events, Unseen: t.unseen, Bands: Bands(cells), Curve: []CurvePoint{}}
	if t.seen == 0 {
		return s
	}
	n := float64(t.seen)
	s.Expected, s.Ratio = known(t.expected), known(ratio(float64(t.events), t.expected))
	if in := Exact(t.events, t.seen); t.expected > 0 {
		s.RatioIn = between(in.Low*n/t.expected, in.High*n/t.expected)
	}
	s.Surprise = known(twoSided(t.events, t.seen, t.expected/n))
	brier := brierOf(cells)
	base := float64(t.events) / n
	uncertain := base * (1 - base)
	s.Brier, s.Skill = known(brier), known(1-ratio(brier, uncertain))
	s.Murphy = murphy(cells, base)
	best := Isotonic(cells)
	recalibrated := slices.Clone(seen(cells))
	for i := range recalibrated {
		recalibrated[i].P = best[i]
		s.Curve = append(s.Curve, CurvePoint{*known(seen(cells)[i].P), *known(best[i]), recalibrated[i].Seen})
	}
	left := brierOf(recalibrated)
	s.CORP = &CORP{*known(brier - left), *known(uncertain - left), *known(uncertain)}
	logs, clipped := LogScore(cells, surest)
	s.LogScore, s.Clipped = known(logs), clipped
	s.AUC = known(auc(cells))
	s.Spiegelhalter = known(spiegelhalter(cells))
	s.Hosmer = hosmer(s.Bands)
	s.Corrected = correct(cells)
	return s
}

func seen(cells []Cell) []Cell {
	return slices.DeleteFunc(slices.Clone(cells), func(c Cell) bool { return c.Seen == 0 })
}

// brierOf is the mean square of forecast less what came (G. W. Brier, Mon. Wea. Rev. 78:1, 1950).
func brierOf(cells []Cell) float64 {
	var sum, n float64
	for _, c := range cells {
		k, m := float64(c.Events), float64(c.Seen-c.Events)
		sum += k*(1-c.P)*(1-c.P) + m*c.P*c.P
		n += k + m
	}
	return ratio(sum, n)
}

func murphy(cells []Cell, base float64) *Murphy {
	var reliability, resolution, n float64
	for _, c := range seen(cells) {
		m := float64(c.Seen)
		rate := float64(c.Events) / m
		reliability += m * (c.P - rate) * (c.P - rate)
		resolution += m * (rate - base) * (rate - base)
		n += m
	}
	return &Murphy{*known(reliability / n), *known(resolution / n), *known(base * (1 - base))}
}

// Isotonic gives each cell of which anything was seen the rate that fits best among those that do not fall as the
// forecast grows (pool adjacent violators; Ayer et al., Ann. Math. Stat. 26:641, 1955). cells are sorted.
func Isotonic(cells []Cell) []float64 {
	type block struct {
		events, seen float64
		cells        int
	}
	var blocks []block
	for _, c := range seen(cells) {
		blocks = append(blocks, block{float64(c.Events), float64(c.Seen), 1})
		for len(blocks) > 1 {
			a, b := blocks[len(blocks)-2], blocks[len(blocks)-1]
			if a.events*b.seen < b.events*a.seen {
				break
			}
			blocks = append(blocks[:len(blocks)-2], block{a.events + b.events, a.seen + b.seen, a.cells + b.cells})
		}
	}
	var fitted []float64
	for _, b := range blocks {
		fitted = append(fitted, slices.Repeat([]float64{b.events / b.seen}, b.cells)...)
	}
	return fitted
}

// LogScore is the mean of -ln of the probability that was given to what came, in nats. Forecasts nearer to 0 or
// 1 than clip count as that near, and are counted. Not a number where nothing was seen.
func LogScore(cells []Cell, clip float64) (score float64, clipped int) {
	var sum, n float64
	for _, c := range cells {
		p := min(max(c.P, clip), 1-clip)
		if p != c.P {
			clipped += c.Seen
		}
		k, m := float64(c.Events), float64(c.Seen-c.Events)
		sum -= k*math.Log(p) + m*math.Log1p(-p)
		n += k + m
	}
	return ratio(sum, n), clipped
}

// auc is the area under the ROC curve, ties counting half (Hanley and McNeil, Radiology 143:29, 1982).
func auc(cells []Cell) float64 {
	var below, pairs, events float64
	for _, c := range cells {
		k, m := float64(c.Events), float64(c.Seen-c.Events)
		pairs += k * (below + m/2)
		below += m
		events += k
	}
	return ratio(pairs, events*below)
}

// spiegelhalter is the z statistic of D. J. Spiegelhalter (Stat. Med. 5:421, 1986).
func spiegelhalter(cells []Cell) float64 {
	var over, variance float64
	for _, c := range cells {
		n, k := float64(c.Seen), float64(c.Events)
		over += (k - n*c.P) * (1 - 2*c.P)
		variance += n * (1 - 2*c.P) * (1 - 2*c.P) * c.P * (1 - c.P)
	}
	return ratio(over, math.Sqrt(variance))
}

// hosmer is nil unless at least two bands expect five of both ends: the statistic has its distribution only then.
func hosmer(bands []Band) *HosmerTest {
	const least = 5
	var square float64
	degrees := 0
	for _, b := range bands {
		if b.Mean == nil {
			continue
		}
		n, k := float64(b.Seen), float64(b.Events)
		if n**b.Mean < least || n*(1-*b.Mean) < least {
			continue
		}
		square += (k - n**b.Mean) * (k - n**b.Mean) / (n * *b.Mean * (1 - *b.Mean))
		degrees++
	}
	if degrees < 2 {
		return nil
	}
	// The forecasts were not fitted to these outcomes: no degree of freedom is lost.
	p := 1 - distuv.ChiSquared{K: float64(degrees)}.CDF(square)
	return &HosmerTest{*known(square), degrees, *known(p)}
}

// edges are where bands begin: the levels of probability of MIL-STD-882E, Table II, are among them.
var edges = []float64{0, 0.001, 0.003, 0.01, 0.03, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9}

// Bands joins cells, which are sorted, for a reliability diagram. Empty bands are left out.
func Bands(cells []Cell) []Band {
	bands := []Band{}
	split(cells, func(from, to float64, _ []Cell, t sum) {
		b := Band{From: from, To: to, Seen: t.seen, Events: t.events, Unseen: t.unseen, RateIn: Exact(t.events, t.seen)}
		if t.seen > 0 {
			n := float64(t.seen)
			b.Mean, b.Rate = known(t.expected/n), known(float64(t.events)/n)
			b.Outside = *b.Mean < b.RateIn.Low || *b.Mean > b.RateIn.High
			b.Chance = known(twoSided(t.events, t.seen, t.expected/n))
		}
		bands = append(bands, b)
	})
	return bands
}

// split hands over the bands that are not empty, from the least sure.
func split(cells []Cell, each func(from, to float64, in []Cell, t sum)) {
	for i, from := range edges {
		to := 1.0
		if i+1 < len(edges) {
			to = edges[i+1]
		}
		low, _ := slices.BinarySearchFunc(cells, from, func(c Cell, p float64) int { return cmp.Compare(c.P, p) })
		high := len(cells)
		if i+1 < len(edges) {
			high, _ = slices.BinarySearchFunc(cells, to, func(c Cell, p float64) int { return cmp.Compare(c.P, p) })
		}
		in := cells[low:high]
		if t := total(in); t.seen > 0 || t.unseen > 0 {
			each(from, to, in, t)
		}
	}
}
