package rulecheck

import (
	"math"
	"regexp"
	"slices"
	"strconv"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// mostTried bounds the combinations of values that are tried for one question, and mostLimits the
// numbers around which values are looked for.
const (
	mostTried  = 200_000
	mostLimits = 2000
)

var (
	quoted  = regexp.MustCompile(`"[^"]*"`)
	numeral = regexp.MustCompile(`[0-9]+(\.[0-9]+)?`)
)

// literals returns the numbers that stand in conditions and formulas.
func literals(sources ...string) []float64 {
	var list []float64
	for _, s := range sources {
		for _, n := range numeral.FindAllString(quoted.ReplaceAllString(s, ""), -1) {
			if v, err := strconv.ParseFloat(n, 64); err == nil {
				list = append(list, v)
			}
		}
	}
	return list
}

// limitsOf returns the numbers at which a rule changes its mind.
func limitsOf(r *ruleset.Rule) []float64 {
	sources := []string{r.When.Source()}
	if r.WeightOf != nil {
		sources = append(sources, r.WeightOf.Source())
	}
	limits := literals(sources...)
	for _, k := range r.Curve {
		limits = append(limits, k[0])
	}
	return limits
}

// valuesOf returns the values of a slot that could make a difference to who asks about the limits
// given: every word of a choice, and of a number each limit, a little less and a little more, and
// what is possible at most and least. They are in rising order.
func valuesOf(cat *catalogue.Catalogue, slot int, limits []float64) []float64 {
	limits = limits[:min(len(limits), mostLimits)]
	f := cat.Owner(slot)
	if f == nil {
		if slot == cat.AsOf {
			return []float64{float64(today)}
		}
		return numbers(0, 150, limits, 1e-3)
	}
	switch f.Kind {
	case catalogue.Flag, catalogue.Choice:
		list := make([]float64, len(f.Values))
		for i := range list {
			list[i] = float64(i)
		}
		return list
	case catalogue.Text:
		return []float64{1}
	case catalogue.Date:
		list := []float64{float64(today), float64(today - 40*366)}
		for _, l := range limits {
			day := float64(today) - l*365.2425
			list = append(list, math.Floor(day)-9, math.Ceil(day)+9)
		}
		return ordered(list, 0, float64(today))
	case catalogue.WeekCode:
		list := []float64{float64(today), float64(today - 20*366)}
		for _, l := range limits {
			list = append(list, float64(today)-l*365.2425-9, float64(today)-l*365.2425+9)
		}
		for i, day := range list {
			list[i] = monday(day)
		}
		return ordered(list, monday(float64(firstCoded)+6), float64(today))
	case catalogue.Count:
		list := numbers(f.Min, f.Max, limits, 1)
		for i := range list {
			list[i] = math.Round(list[i])
		}
		return ordered(list, f.Min, f.Max)
	}
	return numbers(f.Min, f.Max, limits, 1e-3)
}

// firstCoded is when codes of four digits came into use.
var firstCoded = calendar.DayOf(2000, 1, 1)

// monday is the day on which the week of a day began: day 4 was a Monday.
func monday(day float64) float64 { return math.Floor((day-4)/7)*7 + 4 }

// numbers returns each limit and its neighbours, within what is possible.
func numbers(least, most float64, limits []float64, step float64) []float64 {
	list := []float64{0, 1, 100, 1000}
	for _, l := range limits {
		d := math.Max(step, math.Abs(l)*step)
		list = append(list, l-d, l, l+d, -l)
		// A limit may be a share of another measurement.
		list = append(list, 100*l, 100*(l-d), 100*(l+d), 1000*l, 1000*(l-d), 1000*(l+d))
	}
	for _, v := range []float64{least, most} {
		if !math.IsInf(v, 0) {
			list = append(list, v)
		}
	}
	return ordered(list, least, most)
}

func ordered(list []float64, least, most float64) []float64 {
	list = slices.DeleteFunc(list, func(v float64) bool { return v < least || v > most })
	slices.Sort(list)
	return slices.Compact(list)
}

// blank is a frame of today in which nothing else is known.
func blank(cat *catalogue.Catalogue) condition.Frame {
	f := make(condition.Frame, cat.Size)
	for i := range f {
		f[i] = condition.Unset
	}
	f[cat.AsOf] = float64(today)
	return f
}

// combine goes through the combinations of values of some slots that one report could have, until
// yes returns true, and returns whether it did. A slot without values keeps what the frame has. Once
// the time is up it tries no more.
func (b *bench) combine(f condition.Frame, slots []int, values [][]float64, yes func() bool) bool {
	cat, tried := b.set.Catalogue, 0
	var from func(i int) bool
	from = func(i int) bool {
		if i == len(slots) {
			tried++
			return possible(cat, f, slots) && yes()
		}
		if len(values[i]) == 0 {
			return from(i + 1)
		}
		before := f[slots[i]]
		for _, v := range values[i] {
			f[slots[i]] = v
			if tried < mostTried && !b.over() && from(i+1) {
				return true
			}
		}
		f[slots[i]] = before
		return false
	}
	return from(0)
}

// possible reports whether the findings at some slots do not contradict one another.
func possible(cat *catalogue.Catalogue, f condition.Frame, slots []int) bool {
	for _, slot := range slots {
		if owner := cat.Owner(slot); owner != nil && owner.Item != nil {
			for _, m := range owner.Item.Musts {
				if m.Hold.Holds(f) == condition.False {
					return false
				}
			}
		}
	}
	return true
}

// readsOf returns what a rule reads: findings first, then facts.
func readsOf(r *ruleset.Rule) (findings, facts []int) {
	reads := slices.Clone(r.When.Reads())
	if r.WeightOf != nil {
		reads = append(reads, r.WeightOf.Reads()...)
	}
	slices.Sort(reads)
	for _, slot := range slices.Compact(reads) {
		if !slices.Contains(r.Needs, slot) {
			facts = append(facts, slot)
		}
	}
	return r.Needs, facts
}

// weightOn returns what a rule weighs on a frame in which all findings that it reads are known, and
// whether it blocks; it fires where one of them is not nothing. Undecided is read as the worse way.
func weightOn(r *ruleset.Rule, f condition.Frame) (weight float64, blocks bool) {
	holds := r.When.Holds(f)
	if holds == condition.False {
		return 0, false
	}
	weight = r.Weight
	if r.WeightOf != nil {
		if x := r.WeightOf.Value(f); x == x {
			weight = ruleset.At(r.Curve, x)
		}
	}
	if holds == condition.Unknown {
		weight = math.Max(weight, 0)
	}
	return weight, r.Limit != nil && there(r.Limit.If, f)
}

func firesOn(r *ruleset.Rule, f condition.Frame) bool {
	weight, blocks := weightOn(r, f)
	return weight != 0 || blocks
}

// canBeSilent reports whether a rule ever lets pass what it reads, on a vehicle with the facts in a
// frame. One that asks only whether a text was given, or weighs any number, does not.
func (b *bench) canBeSilent(r *ruleset.Rule, facts condition.Frame) bool {
	f := slices.Clone(facts)
	return b.tries(f, r.Needs, limitsOf(r), func() bool { return !firesOn(r, f) })
}

// tries goes through the values of some slots that could make a difference to who asks about the
// limits given, until yes returns true, and returns whether it did.
func (b *bench) tries(f condition.Frame, slots []int, limits []float64, yes func() bool) bool {
	values := make([][]float64, len(slots))
	for i, slot := range slots {
		values[i] = valuesOf(b.set.Catalogue, slot, limits)
	}
	return b.combine(f, slots, values, yes)
}

// answered reports whether all findings that a rule reads are known in a frame.
func answered(r *ruleset.Rule, f condition.Frame) bool {
	return !slices.ContainsFunc(r.Needs, func(slot int) bool { return !f.Known(slot) })
}

// numberIn is what is known at a place of a number that limits read.
func (b *bench) numberIn(it *catalogue.Item, p *report.Place, d *report.Dossier, slot int) report.Interval {
	switch cat := b.set.Catalogue; slot {
	case it.Age.Slot:
		return p.Age
	case cat.YearsLaidUp:
		return p.LaidUp
	case cat.YearsSinceBuilt:
		return d.SinceBuilt
	case cat.Odometer:
		return d.Driven
	}
	return report.Interval{Low: 0, High: math.Inf(1)}
}
