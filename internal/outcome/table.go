package outcome

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Table counts alarms against what was so: by a method of looking at parts, or by a warning.
type Table struct {
	Hits   int `json:"hits"`         // alarm, and bad
	False  int `json:"false_alarms"` // alarm, and good
	Misses int `json:"misses"`       // no alarm, and bad
	Quiet  int `json:"quiet"`        // no alarm, and good
	// What nobody could check, by whether there was an alarm.
	AlarmUnseen int `json:"alarms_unseen"`
	QuietUnseen int `json:"quiet_unseen"`
}

// Rates are what a [Table] comes to, by the names of forecast verification (Jolliffe and Stephenson, Forecast
// Verification, 2nd ed., 2012, chapter 3) and of diagnostic tests.
type Rates struct {
	Correct       *float64  `json:"correct"`      // share of all that was right
	Bias          *float64  `json:"bias"`         // alarms to bad ones
	Sensitivity   *float64  `json:"sensitivity"`  // hit rate, probability of detection
	Specificity   *float64  `json:"specificity"`  // of good ones, the share without alarm
	FalseRate     *float64  `json:"false_rate"`   // probability of false detection: 1 - specificity
	FalseRatio    *float64  `json:"false_ratio"`  // false alarm ratio: of the alarms, the share that was false
	ThreatScore   *float64  `json:"threat_score"` // critical success index
	Equitable     *float64  `json:"equitable"`    // equitable threat score, Gilbert skill score
	Peirce        *float64  `json:"peirce"`       // sensitivity - false rate
	Heidke        *float64  `json:"heidke"`       // kappa
	OddsRatio     *float64  `json:"odds_ratio"`
	Yule          *float64  `json:"yule"`           // odds ratio skill score
	Extremal      *float64  `json:"extremal"`       // symmetric extremal dependence index
	AlarmDB       *float64  `json:"alarm_db"`       // likelihood ratio of an alarm, in decibans
	QuietDB       *float64  `json:"quiet_db"`       // likelihood ratio of none
	Reassures     *float64  `json:"reassures"`      // see Credence
	TrueOfAlarms  *float64  `json:"true_of_alarms"` // 1 - false ratio
	NeverCorrect  *float64  `json:"never_correct"`  // share that would be right with no alarm ever
	RandomHits    *float64  `json:"random_hits"`    // hits that as many alarms would have by chance
	SensitivityIn *Interval `json:"sensitivity_in"` // 95 %, exact
	FalseRateIn   *Interval `json:"false_rate_in"`
}

// Rates works out what the table comes to, of what was checked alone.
func (t Table) Rates() Rates {
	a, b, c, d := float64(t.Hits), float64(t.False), float64(t.Misses), float64(t.Quiet)
	n := a + b + c + d
	h, f := ratio(a, a+c), ratio(b, b+d)
	random := ratio((a+b)*(a+c), n)
	odds := ratio(a*d, b*c)
	lh, lf, mh, mf := math.Log(h), math.Log(f), math.Log1p(-h), math.Log1p(-f)
	return Rates{
		Correct: known(ratio(a+d, n)), NeverCorrect: known(ratio(b+d, n)), Bias: known(ratio(a+b, a+c)),
		Sensitivity: known(h), Specificity: known(1 - f), FalseRate: known(f), FalseRatio: known(ratio(b, a+b)), TrueOfAlarms: known(ratio(a, a+b)),
		ThreatScore: known(ratio(a, a+b+c)), Equitable: known(ratio(a-random, a+b+c-random)), RandomHits: known(random),
		Peirce: known(h - f), Heidke: known(ratio(2*(a*d-b*c), (a+c)*(c+d)+(a+b)*(b+d))),
		OddsRatio: known(odds), Yule: known(ratio(odds-1, odds+1)),
		Extremal: known(ratio(lf-lh+mh-mf, lf+lh+mh+mf)),
		AlarmDB:  known(10 * math.Log10(ratio(h, f))), QuietDB: known(10 * math.Log10(ratio(1-h, 1-f))),
		Reassures:     known(Credence(h, f)),
		SensitivityIn: Exact(t.Hits, t.Hits+t.Misses), FalseRateIn: Exact(t.False, t.False+t.Quiet),
	}
}

// Credence is what a reassuring look is worth: the share of bad parts that it finds, less those good ones that it
// condemns. With 1 - sensitivity over 1 - false rate of the odds left, a look tells the truth with this
// probability and else nothing.
func Credence(sensitivity, falseRate float64) float64 {
	return ratio(sensitivity-falseRate, 1-falseRate)
}

// Unbiased is sensitivity and specificity where only some were checked, and which depends on the alarm alone
// (Begg and Greenes, Biometrics 39:207, 1983). Nil where of one side nothing was checked.
func (t Table) Unbiased() (sensitivity, specificity *float64) {
	s, f, _, _ := t.unbiased()
	return known(s), known(f)
}

// unbiased has the standard deviations as well, by the variance that Begg and Greenes give of the logarithms of the odds.
func (t Table) unbiased() (sensitivity, specificity, sdSensitivity, sdSpecificity float64) {
	alarms, quiet := float64(t.Hits+t.False), float64(t.Misses+t.Quiet)
	bad, badQuiet := ratio(float64(t.Hits), alarms), ratio(float64(t.Misses), quiet)
	alarms, quiet = alarms+float64(t.AlarmUnseen), quiet+float64(t.QuietUnseen)
	s := ratio(bad*alarms, bad*alarms+badQuiet*quiet)
	f := ratio((1-badQuiet)*quiet, (1-bad)*alarms+(1-badQuiet)*quiet)
	sizes := ratio(1, alarms) + ratio(1, quiet)
	checked, checkedQuiet := float64(t.Hits+t.False), float64(t.Misses+t.Quiet)
	sd := math.Sqrt(sizes + ratio(1-bad, checked*bad) + ratio(1-badQuiet, checkedQuiet*badQuiet))
	sdGood := math.Sqrt(sizes + ratio(bad, checked*(1-bad)) + ratio(badQuiet, checkedQuiet*(1-badQuiet)))
	return s, f, sd * s * (1 - s), sdGood * f * (1 - f)
}

// Corrected are scores for all that was forecast, not only what was seen: each band counts for as many as it
// has, as if those unseen came out as those seen of the same band (Begg and Greenes, Biometrics 39:207, 1983).
// That holds where it depends on the forecast alone whether a gate was opened. Share says of how much of all
// it can be said: where of a band nothing was seen, nothing can.
type Corrected struct {
	Share float64  `json:"share"`
	Rate  *float64 `json:"rate"` // events to forecasts
	Mean  *float64 `json:"mean"` // of the forecasts
	Brier *float64 `json:"brier"`
	AUC   *float64 `json:"auc"`
}

// correct is nil where nothing is unseen.
func correct(cells []Cell) *Corrected {
	t := total(cells)
	if t.unseen == 0 || t.seen == 0 {
		return nil
	}
	var all, events, forecast, brier, below, pairs, lost float64
	split(cells, func(_, _ float64, in []Cell, b sum) {
		if b.seen == 0 {
			lost += float64(b.unseen)
			return
		}
		// The unseen of a band are spread over it as those seen are.
		weight := float64(b.seen+b.unseen) / float64(b.seen)
		for _, c := range in {
			k, m := weight*float64(c.Events), weight*float64(c.Seen-c.Events)
			all, events, forecast = all+k+m, events+k, forecast+(k+m)*c.P
			brier += k*(1-c.P)*(1-c.P) + m*c.P*c.P
			pairs += k * (below + m/2)
			below += m
		}
	})
	return &Corrected{
		Share: *known(ratio(all, all+lost)), Rate: known(ratio(events, all)), Mean: known(ratio(forecast, all)),
		Brier: known(ratio(brier, all)), AUC: known(ratio(pairs, events*below)),
	}
}

// Posterior is what is believed of a share: a beta distribution, worth Alpha + Beta observations.
type Posterior struct{ Alpha, Beta float64 }

// Prior is a belief with a mean that is worth a number of attempts.
func Prior(mean, attempts float64) Posterior {
	return Posterior{mean * attempts, (1 - mean) * attempts}
}

// After is the belief after some have been seen.
func (b Posterior) After(events, seen int) Posterior {
	return Posterior{b.Alpha + float64(events), b.Beta + float64(seen-events)}
}

// Mean is the mean.
func (b Posterior) Mean() float64 { return b.Alpha / (b.Alpha + b.Beta) }

// SD is the standard deviation.
func (b Posterior) SD() float64 {
	n := b.Alpha + b.Beta
	return math.Sqrt(b.Alpha * b.Beta / (n * n * (n + 1)))
}

// Quantile is where a share of the belief lies below.
func (b Posterior) Quantile(share float64) float64 {
	return distuv.Beta{Alpha: b.Alpha, Beta: b.Beta}.Quantile(share)
}

// Below is how much of the belief lies below x.
func (b Posterior) Below(x float64) float64 {
	return distuv.Beta{Alpha: b.Alpha, Beta: b.Beta}.CDF(x)
}

// In is the 95 % interval.
func (b Posterior) In() *Interval {
	tail := (1 - covered) / 2
	return between(b.Quantile(tail), b.Quantile(1-tail))
}
