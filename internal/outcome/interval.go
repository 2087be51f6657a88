package outcome

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval is a range; nil where there is none.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

func between(low, high float64) *Interval {
	l, h := known(low), known(high)
	if l == nil || h == nil {
		return nil
	}
	return &Interval{*l, *h}
}

// covered is the share of intervals that have the truth in them.
const covered = 0.95

// Exact is the 95 % interval of Clopper and Pearson (Biometrika 26:404, 1934) of a share: it has the truth
// in it at least so often, whatever the truth is. Nil without any observation.
func Exact(events, seen int) *Interval {
	if seen <= 0 {
		return nil
	}
	tail, k, n := (1-covered)/2, float64(events), float64(seen)
	low, high := 0.0, 1.0
	if events > 0 {
		low = distuv.Beta{Alpha: k, Beta: n - k + 1}.Quantile(tail)
	}
	if events < seen {
		high = distuv.Beta{Alpha: k + 1, Beta: n - k}.Quantile(1 - tail)
	}
	return between(low, high)
}

// Wilson is the 95 % score interval of E. B. Wilson (JASA 22:209, 1927): narrower than [Exact], and has the
// truth in it as often on the average. Nil without any observation.
func Wilson(events, seen int) *Interval {
	if seen <= 0 {
		return nil
	}
	z := distuv.UnitNormal.Quantile(1 - (1-covered)/2)
	n := float64(seen)
	p := float64(events) / n
	middle, half := p+z*z/(2*n), z*math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	by := 1 + z*z/n
	return between(max(0, (middle-half)/by), min(1, (middle+half)/by))
}

// atLeast is the probability of that many events or more in n trials of probability p.
func atLeast(events, n int, p float64) float64 {
	switch {
	case events <= 0:
		return 1
	case events > n || p <= 0:
		return 0
	case p >= 1:
		return 1
	}
	return distuv.Beta{Alpha: float64(events), Beta: float64(n - events + 1)}.CDF(p)
}

// twoSided is the probability of a number of events as far out as that, or further, to either side: twice the
// smaller tail. It is exact where all forecasts are alike, and else on the safe side for whatever is more
// than one event from what was expected, for the sum of unlike trials varies less than that of like ones
// (Hoeffding, Annals of Mathematical Statistics 27:713, 1956).
func twoSided(events, n int, p float64) float64 {
	return min(1, 2*min(atLeast(events, n, p), 1-atLeast(events+1, n, p)))
}

// AttemptsNeeded is how many attempts it takes until a one-sided exact test of a chance p0 notices with the
// probability power that the chance is p1 instead, where it gives a false alarm with at most alpha: the first
// number that does, or 0 where none up to 100,000 does.
func AttemptsNeeded(p0, p1, alpha, power float64) int {
	const most = 100_000
	for n := 1; n <= most; n++ {
		if p1 > p0 {
			k := limitOf(n, func(k int) bool { return atLeast(k, n, p0) <= alpha })
			if atLeast(k, n, p1) >= power {
				return n
			}
			continue
		}
		k := limitOf(n, func(k int) bool { return 1-atLeast(k+1, n, p0) > alpha }) - 1
		if k >= 0 && 1-atLeast(k+1, n, p1) >= power {
			return n
		}
	}
	return 0
}

// limitOf is the least k from 0 to n+1 with which a condition holds that holds for all above it.
func limitOf(n int, holds func(int) bool) int {
	low, high := 0, n+1
	for low < high {
		if middle := (low + high) / 2; holds(middle) {
			high = middle
		} else {
			low = middle + 1
		}
	}
	return low
}
