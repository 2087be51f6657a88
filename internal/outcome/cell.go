// Package outcome says how good forecasts of harm and of bad parts were, by what came of them: scores,
// calibration, drift, and the corrections that they suggest to a rule set.
//
// Everything is worked out of counts by rounded forecast ([Cell]), so that one more outcome is one more
// count. The package is pure: no clock, no store, no randomness. What cannot be said of the counts at
// hand is nil, never 0; a forecast of which nobody saw what came is missing, not harmless.
package outcome

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// Cell counts forecasts of about one probability. The zero value is no forecast.
type Cell struct {
	P      float64 // what was forecast, 0 to 1
	Seen   int     // of how many it is known what came
	Events int     // of these, how many came true: harm was done, the part was bad
	Unseen int     // of how many it is not known: the gate stayed shut, or nobody could tell
}

// The steps of a rounded forecast, in decibans: half a deciban is a twelfth of the odds.
const (
	stepDB = 0.5
	mostDB = 50 // odds of 100,000 to 1: what is said to be surer counts as this
)

// Step is a forecast rounded to half a deciban of its odds, counted from even odds.
type Step int

// StepOf rounds a probability; what is outside 0 to 1 counts as the end that it is beyond.
func StepOf(p float64) Step {
	switch {
	case !(p > 0):
		return -mostDB / stepDB
	case p >= 1:
		return mostDB / stepDB
	}
	return Step(math.Round(min(max(decibans(p), -mostDB), mostDB) / stepDB))
}

// P is the probability that a step stands for.
func (s Step) P() float64 { return probability(float64(s) * stepDB) }

// decibans is the log-odds of a probability, and probability takes them back.
func decibans(p float64) float64     { return 10 * math.Log10(p/(1-p)) }
func probability(db float64) float64 { return 1 / (1 + math.Pow(10, -db/10)) }

// Merge joins cells of the same forecast, and sorts them by it. Empty ones are left out.
func Merge(cells []Cell) []Cell {
	at := map[float64]Cell{}
	for _, c := range cells {
		m := at[c.P]
		at[c.P] = Cell{c.P, m.Seen + c.Seen, m.Events + c.Events, m.Unseen + c.Unseen}
	}
	merged := slices.SortedFunc(maps.Values(at), func(a, b Cell) int { return cmp.Compare(a.P, b.P) })
	return slices.DeleteFunc(merged, func(c Cell) bool { return c.Seen == 0 && c.Unseen == 0 })
}

// Without takes the counts of some cells from others that have them among theirs.
func Without(all, some []Cell) []Cell {
	left := slices.Clone(all)
	for _, c := range some {
		left = append(left, Cell{c.P, -c.Seen, -c.Events, -c.Unseen})
	}
	return Merge(left)
}

// sum is what scores are made of.
type sum struct {
	seen, events, unseen int
	expected             float64 // sum of the forecasts of what was seen
	variance             float64 // of the number of events, if the forecasts are right
}

func total(cells []Cell) sum {
	var t sum
	for _, c := range cells {
		n := float64(c.Seen)
		t.seen, t.events, t.unseen = t.seen+c.Seen, t.events+c.Events, t.unseen+c.Unseen
		t.expected += n * c.P
		t.variance += n * c.P * (1 - c.P)
	}
	return t
}

// known is a number, rounded so that all machines write it alike; nil where there is none.
func known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	const places = 1e9
	x = math.Round(x*places) / places
	if x == 0 {
		x = 0 // not -0
	}
	return &x
}

// ratio is a share of two numbers; not a number where there is nothing to share.
func ratio(a, b float64) float64 {
	if b == 0 {
		return math.NaN()
	}
	return a / b
}
