package rulecheck

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"laidup/internal/ruleset"
)

// plots shows how likely parts are bad where nobody looked, and how that compares with what is
// tolerated.
func (b *book) plots() error {
	b.overYears()
	return b.againstTolerances()
}

// plotted are the years laid up at which priors are shown.
var plotted = []float64{0.25, 1, 5, 20, 40}

// overYears shows the priors that grow with the years, by how the vehicle stood: those over the lay-up
// first, then those over the age of a part or of the vehicle.
func (b *book) overYears() {
	b.priorsOver("## Priors over the years laid up", "How likely a part is bad where nobody looked, after %s years. Each bar is ten times as likely as one four steps lower.", ruleset.LaidUp)
	b.priorsOver("## Priors over the age", "The same over the age of the part, which is that of the lay-up at least where nobody vouches for a newer one, or over the years since the vehicle was built: at %s years.", ruleset.Age, ruleset.SinceBuilt)
}

func (b *book) priorsOver(title, says string, over ...ruleset.PriorOf) {
	storage := b.set.Catalogue.Fact("lay_up", "storage")
	if storage == nil {
		return
	}
	var rows [][]string
	for _, f := range b.set.Faults {
		if !slices.Contains(over, f.Prior.Over) {
			continue
		}
		row := []string{"`" + f.ID + "`"}
		for v := range storage.Values {
			frame := blank(b.set.Catalogue)
			frame[storage.Slot] = float64(v)
			var at []string
			var line strings.Builder
			for _, x := range plotted {
				p := shifted(f, ruleset.At(f.Prior.Curve, x), func(s ruleset.Shift) bool { return there(s.When, frame) })
				at = append(at, strings.TrimSuffix(percent(round3(p)), " %"))
				line.WriteRune(bar(p))
			}
			row = append(row, fmt.Sprintf("%s %s %%", line.String(), strings.Join(at, ", ")))
		}
		rests := f.Source.String()
		if f.Prior.Anchor != nil {
			rests += ", published rate"
		}
		rows = append(rows, append(row, rests))
	}
	if len(rows) == 0 {
		return
	}
	var at []string
	for _, x := range plotted {
		at = append(at, number(x))
	}
	b.line("%s", title)
	b.line("")
	b.line(says, strings.Join(at, ", "))
	b.line("")
	head := []string{"fault"}
	for _, v := range storage.Values {
		head = append(head, spaced(v))
	}
	b.head(append(head, "rests on")...)
	for _, r := range rows {
		b.row(r...)
	}
	b.line("")
}

// shifted is a prior with the shifts that hold.
func shifted(f *ruleset.Fault, p float64, holds func(ruleset.Shift) bool) float64 {
	db := 10 * math.Log10(p/(1-p))
	for _, s := range f.Prior.Shifts {
		if holds(s) {
			db += s.DB
		}
	}
	return min(max(f.Prior.Cap, p), 1/(1+math.Pow(10, -db/10)))
}

func round3(p float64) float64 {
	const digits = 1e5
	if p >= 0.001 {
		return math.Round(p*digits/100) * 100 / digits
	}
	return math.Round(p*digits) / digits
}

// bar draws a probability between one in a hundred and one, on a scale of its logarithm.
func bar(p float64) rune {
	const bars = "▁▂▃▄▅▆▇█"
	runes := []rune(bars)
	i := int(math.Round(7 + 4*math.Log10(p)))
	return runes[min(max(i, 0), len(runes)-1)]
}

// binWidth is that of the distribution of priors, in decibans.
const binWidth = 3

// againstTolerances shows how far the hazards, where nothing at all is known of a vehicle, lie from what
// is tolerated: a heap just below would mean that somebody fitted them.
func (b *book) againstTolerances() error {
	bench := newBench(context.Background(), b.set)
	bare, err := bench.report(Today, nil, nil, nil)
	if err != nil {
		return fmt.Errorf("write rule book: %w", err)
	}
	bins := map[int]int{}
	for _, e := range bench.assess(bare).Register {
		h := find(b.set.Hazards, func(h *ruleset.Hazard) string { return h.ID }, e.Hazard)
		if t := tolerance(h, e.Severity); t < 1 && e.Probability > 0 {
			bins[int(math.Floor(10*math.Log10(e.Probability.Float()/t)/binWidth))]++
		}
	}
	if len(bins) == 0 {
		return nil
	}
	least, most := math.MaxInt, math.MinInt
	for n := range bins {
		least, most = min(least, n), max(most, n)
	}
	b.line("## Where nothing is known, against what is tolerated")
	b.line("")
	b.line("The hazards on a vehicle of which nobody knows anything, by how far they are above what their gate tolerates, in decibans (+10 is ten times).")
	b.line("")
	b.head("from", "to", "hazards", "")
	for n := range slices.Values(span(least, most)) {
		b.row(signed(float64(n*binWidth)), signed(float64((n+1)*binWidth)), number(float64(bins[n])), strings.Repeat("█", bins[n]))
	}
	b.line("")
	return nil
}

func span(from, to int) []int {
	var list []int
	for n := from; n <= to; n++ {
		list = append(list, n)
	}
	return list
}
