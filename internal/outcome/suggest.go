package outcome

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat/distuv"
)

// Kind says of what a [Series] counts forecasts.
type Kind string

// The kinds of series, with what was forecast and which event is counted.
const (
	Gates   Kind = "gate"   // harm, critical or worse, in an attempt at the gate
	Hazards Kind = "hazard" // that harm in an attempt at its gate
	Causes  Kind = "cause"  // that harm by that fault: the name is FAULT>HAZARD
	Faults  Kind = "fault"  // that the part is bad
	Rules   Kind = "rule"   // that the part is bad, where the rule counted: the name is FAULT>RULE
	Methods Kind = "method" // that the part is bad; the forecast is 1 after an alarm by the method and 0 after none
)

// Series is the forecasts of one thing with what came of them. Family is what it shares experience with: faults of a
// system, causes of a gate.
type Series struct {
	Kind    Kind
	Name    string
	Family  string
	Cells   []Cell
	Periods []Period // the same by stretches of time; none: nobody asks for drift
}

// What a family is believed to begin with, in attempts that came out just as forecast: that many are needed to move
// its correction half the way.
const familyAttempts = 20

// How many attempts a member's prior is worth, that is, what its family comes to: between these, by how far the
// members of the family lie apart, and the middle one where there are too few to tell.
const (
	leastAttempts, fewAttempts, mostAttempts = 10, 50, 1000
	tellingMembers                           = 3
)

// leastSeen is from how many attempts on anything is suggested, leastShift by how much it has to differ.
const (
	leastSeen  = 20
	leastShift = 1.0 // dB
)

// shift is a correction of log-odds with its standard deviation, in nats, and the information that it rests on.
type shift struct{ at, sd, information float64 }

// fit finds the correction of all log-odds under which the outcomes are likeliest, together with a number of attempts
// that came out as the forecasts corrected by towards had it. Zero attempts is maximum likelihood.
func fit(cells []Cell, towards, attempts float64) shift {
	cells = seen(cells)
	t := total(cells)
	if t.seen == 0 {
		if attempts == 0 {
			return shift{towards, math.Inf(1), 0}
		}
		return shift{towards, 0, 0}
	}
	// The attempts are spread over the forecasts as those that were seen.
	weight := attempts / float64(t.seen)
	at := towards
	if attempts == 0 {
		at = 0
	}
	logit := make([]float64, len(cells))
	for i, c := range cells {
		logit[i] = math.Log(c.P / (1 - c.P))
	}
	slope := func(at float64) (score, information float64) {
		for i, c := range cells {
			n, p := float64(c.Seen), logistic(logit[i]+at)
			score += float64(c.Events) - n*p
			information += n * (1 + weight) * p * (1 - p)
			score += weight * n * (logistic(logit[i]+towards) - p)
		}
		return score, information
	}
	const most = 12 // nats: without an event, or with nothing else, the likeliest correction has no end
	for range 100 {
		score, information := slope(at)
		if information <= 0 {
			break
		}
		step := min(max(score/information, -1), 1)
		at = min(max(at+step, -most), most)
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	_, information := slope(at)
	return shift{at, 1 / math.Sqrt(information), information}
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// inDB is how many decibans one nat of log-odds has.
var inDB = 10 / math.Ln10

// Suggestion is a correction of one number of a rule set, with what it rests on. It is never applied by itself.
type Suggestion struct {
	Kind     Kind     `json:"kind"`
	Name     string   `json:"name"`
	Family   string   `json:"family"`
	Seen     int      `json:"seen"`
	Events   int      `json:"events"`
	Expected *float64 `json:"expected"`

	ShiftDB     float64   `json:"shift_db"` // to add to the log-odds of the forecast
	ShiftIn     *Interval `json:"shift_in"` // 95 %
	RawDB       *float64  `json:"raw_db"`   // by its own outcomes alone; null: they set it no bound
	FamilyDB    float64   `json:"family_db"`
	FamilySeen  int       `json:"family_seen"`
	PriorWorth  float64   `json:"prior_worth"` // attempts that what the family says is worth
	Significant bool      `json:"significant"` // the interval has no 0, and there is enough of it
}

// family is the correction that all members share, and how many attempts it is worth for one of them.
func family(members []Series) (f shift, attempts float64, total1 sum) {
	var all []Cell
	for _, m := range members {
		all = append(all, m.Cells...)
	}
	all = Merge(all)
	total1 = total(all)
	f = fit(all, 0, familyAttempts)
	// Moments of DerSimonian and Laird (Control. Clin. Trials 7:177, 1986): how far the members lie apart
	// beyond what chance does.
	var weights, squares, weighted, spread float64
	telling := 0
	var own []shift
	for _, m := range members {
		// Half an event more and half a one less keep a member without any from being infinitely far away.
		s := fit(m.Cells, f.at, 1)
		if s.information <= 0 || totalSeen(m.Cells) == 0 {
			continue
		}
		own = append(own, s)
		telling++
		weights, squares, weighted = weights+s.information, squares+s.information*s.information, weighted+s.information*s.at
	}
	if telling < tellingMembers {
		return f, fewAttempts, total1
	}
	mean := weighted / weights
	for _, s := range own {
		spread += s.information * (s.at - mean) * (s.at - mean)
	}
	apart := (spread - float64(telling-1)) / (weights - squares/weights)
	perAttempt := weights / float64(total1.seen) // information of one attempt
	if apart <= 0 {
		return f, mostAttempts, total1
	}
	return f, min(max(1/(apart*perAttempt), leastAttempts), mostAttempts), total1
}

func totalSeen(cells []Cell) int { return total(cells).seen }

// Suggest works out corrections for series of one kind: those of a family lend one another what they have seen
// (empirical Bayes). Each series of which anything was seen has one, by family and name.
func Suggest(series []Series) []Suggestion {
	families := map[string][]Series{}
	for _, s := range series {
		if totalSeen(s.Cells) > 0 {
			families[s.Family] = append(families[s.Family], s)
		}
	}
	list := []Suggestion{}
	for name, members := range families {
		f, attempts, t := family(members)
		for _, m := range members {
			list = append(list, suggestion(m, name, f, attempts, t.seen))
		}
	}
	slices.SortFunc(list, func(a, b Suggestion) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Family, b.Family), cmp.Compare(a.Name, b.Name))
	})
	return list
}

func suggestion(m Series, familyName string, f shift, attempts float64, familySeen int) Suggestion {
	t := total(m.Cells)
	own := fit(m.Cells, f.at, attempts)
	// How sure the member is, and how sure the family is of what the member leans on.
	leans := attempts / (attempts + float64(t.seen))
	sd := math.Sqrt(own.sd*own.sd + leans*leans*f.sd*f.sd)
	s := Suggestion{
		Kind: m.Kind, Name: m.Name, Family: familyName, Seen: t.seen, Events: t.events, Expected: known(t.expected),
		ShiftDB: *known(own.at * inDB), FamilyDB: *known(f.at * inDB), FamilySeen: familySeen, PriorWorth: *known(math.Round(attempts)),
	}
	if t.events > 0 && t.events < t.seen {
		s.RawDB = known(fit(m.Cells, 0, 0).at * inDB)
	}
	z := distuv.UnitNormal.Quantile(1 - (1-covered)/2)
	s.ShiftIn = between((own.at-z*sd)*inDB, (own.at+z*sd)*inDB)
	s.Significant = s.ShiftIn != nil && (s.ShiftIn.Low > 0 || s.ShiftIn.High < 0) && t.seen >= leastSeen && math.Abs(s.ShiftDB) >= leastShift
	return s
}

// Shifted is a probability with a correction in decibans added to its log-odds; 0 and 1 stay.
func Shifted(p, db float64) float64 {
	if p <= 0 || p >= 1 {
		return p
	}
	return probability(decibans(p) + db)
}

// Difference is the correction of what one series has beyond another, as that of a rule beyond that of the fault
// where the rule was silent: the correction of its weight.
func Difference(with, without Suggestion) (db float64, in *Interval) {
	db = *known(with.ShiftDB - without.ShiftDB)
	if with.ShiftIn == nil || without.ShiftIn == nil {
		return db, nil
	}
	half := math.Hypot(with.ShiftIn.High-with.ShiftIn.Low, without.ShiftIn.High-without.ShiftIn.Low) / 2
	return db, between(db-half, db+half)
}

// FitMoments finds the beta distribution whose mean and variance are those of the observed shares: events[i] of
// seen[i]. ok is false where the shares lie too close together, or too few are there.
func FitMoments(events, seen []int) (b Posterior, ok bool) {
	n := float64(len(events))
	var mean, square float64
	for i := range events {
		mean += float64(events[i]) / float64(seen[i]) / n
	}
	for i := range events {
		d := float64(events[i])/float64(seen[i]) - mean
		square += d * d / (n - 1)
	}
	worth := mean*(1-mean)/square - 1
	if !(worth > 0) || math.IsInf(worth, 0) || mean <= 0 || mean >= 1 {
		return Posterior{}, false
	}
	return Prior(mean, worth), true
}

// Likelihood is the logarithm of the probability of the counts if each share was drawn from b, without what does not
// depend on b.
func (b Posterior) Likelihood(events, seen []int) float64 {
	var sum float64
	for i := range events {
		after := b.After(events[i], seen[i])
		sum += logBeta(after.Alpha, after.Beta) - logBeta(b.Alpha, b.Beta)
	}
	return sum
}

func logBeta(a, b float64) float64 {
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	return la + lb - lab
}

// FitLikely finds the beta distribution under which the counts are likeliest, from the start given.
func FitLikely(events, seen []int, from Posterior) (Posterior, bool) {
	at := func(x []float64) Posterior { return Posterior{math.Exp(x[0]), math.Exp(x[1])} }
	found, err := optimize.Minimize(optimize.Problem{Func: func(x []float64) float64 { return -at(x).Likelihood(events, seen) }},
		[]float64{math.Log(from.Alpha), math.Log(from.Beta)}, &optimize.Settings{MajorIterations: 1000}, &optimize.NelderMead{})
	if err != nil || found == nil {
		return Posterior{}, false
	}
	return at(found.X), true
}
