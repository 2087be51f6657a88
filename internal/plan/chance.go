package plan

import (
	"cmp"
	"math"
	"slices"
)

// Range is a low, a likely and a high amount, Low <= Likely <= High. It is read as a beta distribution as
// PERT has it: mean (Low + 4 Likely + High) / 6, shapes 1 + 4 (Likely-Low)/(High-Low) and
// 1 + 4 (High-Likely)/(High-Low). Its variance is (mean-Low)(High-mean)/7, not the ((High-Low)/6)^2 of
// PERT's table.
type Range struct{ Low, Likely, High int64 }

// Sixfold returns six times the mean, which is whole.
func (r Range) Sixfold() int64 { return r.Low + 4*r.Likely + r.High }

// Times returns the range of so many of it.
func (r Range) Times(n int64) Range { return Range{r.Low * n, r.Likely * n, r.High * n} }

// Plus returns the range that adds low to low, likely to likely, high to high.
func (r Range) Plus(o Range) Range {
	return Range{r.Low + o.Low, r.Likely + o.Likely, r.High + o.High}
}

const (
	cells  = 1024 // of the density
	levels = 512  // of the table of quantiles
	one    = int64(1) << 30
)

// quantiles is a table of the quantiles of a range at 0, 1/levels, ... 1. Its entries are scaled by 1024,
// so that what lies between two levels keeps its fraction.
type quantiles []int64

// table works the quantiles out in whole numbers from a density of which each cell is rounded to a whole
// number, so that it is the same on every machine.
func (r Range) table() quantiles {
	q := make(quantiles, levels+1)
	width := r.High - r.Low
	if width <= 0 {
		for i := range q {
			q[i] = r.Low * 1024
		}
		return q
	}
	a := float64(4*(r.Likely-r.Low)) / float64(width)
	b := float64(4*(r.High-r.Likely)) / float64(width)
	// The density at its peak is 1, so that no range is too flat to be told in whole numbers.
	peak := density(float64(r.Likely-r.Low)/float64(width), a, b)
	var sums [cells + 1]int64
	for i := range cells {
		x := (float64(i) + 0.5) / cells
		sums[i+1] = sums[i] + int64(math.Round(density(x, a, b)/peak*float64(one)))
	}
	total := sums[cells]
	cell := 0
	for i := range q {
		want := total / levels * int64(i)
		for cell < cells-1 && sums[cell+1] < want {
			cell++
		}
		share := int64(0)
		if in := sums[cell+1] - sums[cell]; in > 0 {
			share = min(1024, max(0, (want-sums[cell])*1024/in))
		}
		q[i] = r.Low*1024 + width*(int64(cell)*1024+share)/cells
	}
	q[0], q[levels] = r.Low*1024, r.High*1024
	return q
}

// density is that of the beta, not normed.
func density(x, a, b float64) float64 {
	return math.Pow(x, a) * math.Pow(1-x, b)
}

// at returns the quantile at a share of 2^64, rounded.
func (q quantiles) at(u uint64) int64 {
	i := u >> (64 - 9)                 // levels is 2^9
	rest := int64(u << 9 >> (64 - 20)) // #nosec G115 -- 20 bits
	v := q[i]<<20 + (q[i+1]-q[i])*rest
	return (v + 1<<29) >> 30
}

// Quantile returns the amount below which the range is with a chance in ten thousand.
func (r Range) Quantile(chance int) int64 {
	if chance >= 10_000 {
		return r.High
	}
	return r.table().below(chance)
}

// below returns the quantile of a chance in ten thousand, below all of it.
func (q quantiles) below(chance int) int64 {
	return q.at(uint64(max(0, chance)) * (math.MaxUint64 / 10_000)) // #nosec G115 -- not below 0
}

// Common is by how much all that a plan draws hangs together, in per cent: each amount is, with that
// chance, drawn at the level that is common to the whole plan, else at one of its own. One stiff car is stiff
// everywhere. Two amounts correlate by its square. The figure is judgement.
const Common = 60

// Runs is how many times a plan is drawn.
const Runs = 2000

// Percentiles are what an amount stays below with 10, 50, 80 and 90 per cent.
type Percentiles struct {
	P10 int64 `json:"p10"`
	P50 int64 `json:"p50"`
	P80 int64 `json:"p80"`
	P90 int64 `json:"p90"`
}

// PercentilesOf sorts the amounts drawn. The zero value comes of none.
func PercentilesOf(drawn []int64) Percentiles {
	if len(drawn) == 0 {
		return Percentiles{}
	}
	slices.Sort(drawn)
	at := func(per int) int64 { return drawn[min(len(drawn)-1, len(drawn)*per/100)] }
	return Percentiles{at(10), at(50), at(80), at(90)}
}

// Draws draws amounts, each from a stream that belongs to its name, and a level common to all of them.
type Draws struct {
	runs   int
	common []uint64
	tables map[Range]quantiles // each is worked out once
}

// NewDraws begins draws of so many runs.
func NewDraws(runs int) *Draws {
	d := &Draws{runs: runs, common: make([]uint64, runs), tables: map[Range]quantiles{}}
	s := newStream("common")
	for i := range d.common {
		d.common[i] = s.uint64()
	}
	return d
}

func (d *Draws) table(r Range) quantiles {
	q, is := d.tables[r]
	if !is {
		q = r.table()
		d.tables[r] = q
	}
	return q
}

// Of draws an amount for each run. The same name gives the same levels whatever else is drawn. Common is in
// per cent.
func (d *Draws) Of(name string, r Range, common int) []int64 {
	out := make([]int64, d.runs)
	s := newStream("amount " + name)
	q := d.table(r)
	for i := range out {
		u, pick := s.uint64(), s.below(100)
		if int(pick) < common { // #nosec G115 -- below 100
			u = d.common[i]
		}
		out[i] = q.at(u)
	}
	return out
}

// Happens draws for each run whether something with that chance, in ten thousand, comes to light.
func (d *Draws) Happens(name string, chance int) []bool {
	out := make([]bool, d.runs)
	s := newStream("chance " + name)
	for i := range out {
		out[i] = int(s.below(10_000)) < chance // #nosec G115 -- below 10,000
	}
	return out
}

// Fails returns the chance that a part which has held until age fails before age + horizon, by a Weibull
// distribution of its life (1 - R(age+horizon)/R(age)).
func Fails(shape, scale, age, horizon float64) float64 {
	if shape <= 0 || scale <= 0 || horizon <= 0 {
		return 0
	}
	age = max(0, age)
	return -math.Expm1(math.Pow(age/scale, shape) - math.Pow((age+horizon)/scale, shape))
}

// usualAge is how old a part is on average, at any time, if it is renewed whenever it fails (renewal theory: the
// mean of the square of its life over twice the mean).
func usualAge(shape, scale float64) float64 {
	return scale * math.Gamma(1+2/shape) / (2 * math.Gamma(1+1/shape))
}

// NowOrLater weighs a job that is not needed yet, while what it needs is open. All amounts are in one unit,
// chances in ten thousand.
type NowOrLater struct {
	Chance   int   // that it is needed within the horizon if it is left
	New      int   // the same once it is renewed
	Alone    int64 // what it costs when it is needed: access, work, parts, and what its failing costs
	Marginal int64 // what it costs now, with that open which is open anyway
}

// Now is what doing it now costs, and what its failing all the same is expected to.
func (n NowOrLater) Now() int64 { return n.Marginal + n.expected(n.New) }

// Later is what leaving it is expected to cost.
func (n NowOrLater) Later() int64 { return n.expected(n.Chance) }

func (n NowOrLater) expected(chance int) int64 { return (n.Alone*int64(chance) + 5000) / 10_000 }

// RenewAt returns the age at which to renew a part so that the cost over time is least, if renewing it costs
// planned and its failing costs failed, and that cost over time (age replacement; Barlow and Proschan, from
// memory). It returns infinity where it is best run until it fails.
func RenewAt(shape, scale, planned, failed float64) (age, rate float64) {
	mean := scale * math.Gamma(1+1/shape)
	if shape <= 1 || failed <= planned {
		return math.Inf(1), failed / mean
	}
	survives := func(t float64) float64 { return math.Exp(-math.Pow(t/scale, shape)) }
	cost := func(t float64) float64 {
		const n = 2000 // Simpson's rule
		sum := survives(0) + survives(t)
		for i := 1; i < n; i++ {
			sum += float64(2+2*(i%2)) * survives(t*float64(i)/n)
		}
		r := survives(t)
		return (planned*r + failed*(1-r)) / (sum * t / n / 3)
	}
	low, high := scale*1e-4, scale*5
	golden := (math.Sqrt(5) - 1) / 2
	for high-low > scale*1e-9 {
		a, b := high-golden*(high-low), low+golden*(high-low)
		if cost(a) < cost(b) {
			high = b
		} else {
			low = a
		}
	}
	age = (low + high) / 2
	return age, cost(age)
}

// Decision is one of several acts to be chosen, in states of the world that are not known.
type Decision struct {
	Prior []float64   // of each state
	Cost  [][]float64 // of each act in each state
}

// Best returns what the best act is expected to cost.
func (d *Decision) Best() float64 { return d.best(d.Prior) }

func (d *Decision) best(weight []float64) float64 {
	least := math.Inf(1)
	for _, act := range d.Cost {
		sum := 0.0
		for s, c := range act {
			sum += weight[s] * c
		}
		least = min(least, sum)
	}
	return least
}

// Perfect is by how much the best act would cost less if the state were known (EVPI).
func (d *Decision) Perfect() float64 {
	known := 0.0
	for s, p := range d.Prior {
		least := math.Inf(1)
		for _, act := range d.Cost {
			least = min(least, act[s])
		}
		known += p * least
	}
	return max(0, d.Best()-known)
}

// Sample is by how much it would cost less if a signal were known (EVSI). Likelihood has for each signal
// its chance in each state.
func (d *Decision) Sample(likelihood [][]float64) float64 {
	with := 0.0
	weight := make([]float64, len(d.Prior))
	for _, signal := range likelihood {
		for s, p := range d.Prior {
			weight[s] = p * signal[s]
		}
		with += d.best(weight)
	}
	return max(0, d.Best()-with)
}

// LookSignal turns the weights of evidence of a look, in decibans for and against, into the chances of its
// two answers in the states bad and good. A weight of nothing is no signal.
func LookSignal(found, clear float64) [][]float64 {
	up, down := math.Pow(10, found/10), math.Pow(10, clear/10)
	if up <= down {
		return [][]float64{{1, 1}}
	}
	alarm := (1 - down) / (up - down) // of a good one
	hit := up * alarm
	return [][]float64{{hit, alarm}, {1 - hit, 1 - alarm}}
}

// Try is a repair that may mend what is wrong: by Chance, in ten thousand, it is this. Cover names what has to
// be opened for it first; empty for nothing.
type Try struct {
	ID     string
	Chance int
	Cost   int64
	Cover  string
}

// TryOrder puts tries in the order that is expected to cost least, if the chances exclude each other and a
// cover, once open, stays open. What it costs to open them is in covers. It is chance over cost, where what is
// behind a cover comes in blocks that carry the opening (Kadane and Simon 1977; Ottosen and Jensen 2012, both
// second-hand). Expected is in ten thousandths of the unit of cost.
func TryOrder(tries []Try, covers map[string]int64) (order []Try, expected int64) {
	rest := slices.Clone(tries)
	slices.SortStableFunc(rest, func(a, b Try) int {
		// a before b if its chance for what it costs is higher.
		if d := cmp.Compare(int64(b.Chance)*a.Cost, int64(a.Chance)*b.Cost); d != 0 {
			return d
		}
		return cmp.Compare(a.ID, b.ID)
	})
	isOpen := map[string]bool{"": true}
	left := int64(10_000)
	for len(rest) > 0 {
		best, bestChance, bestCost := -1, int64(0), int64(0)
		better := func(chance, cost int64) bool { return best < 0 || chance*bestCost > bestChance*cost }
		for i, t := range rest {
			if isOpen[t.Cover] {
				if better(int64(t.Chance), t.Cost) {
					best, bestChance, bestCost = i, int64(t.Chance), t.Cost
				}
				continue
			}
			// The best block behind a cover begins with its first try.
			if slices.IndexFunc(rest, func(o Try) bool { return o.Cover == t.Cover }) < i {
				continue
			}
			chance, cost := int64(0), covers[t.Cover]
			for _, o := range rest[i:] {
				if o.Cover != t.Cover {
					continue
				}
				chance += int64(o.Chance)
				cost += o.Cost
				if better(chance, cost) {
					best, bestChance, bestCost = i, chance, cost
				}
			}
		}
		t := rest[best]
		cost := t.Cost
		if !isOpen[t.Cover] {
			cost += covers[t.Cover]
			isOpen[t.Cover] = true
		}
		expected += cost * left
		left -= int64(t.Chance)
		order = append(order, t)
		rest = slices.Delete(rest, best, best+1)
	}
	return order, expected
}
