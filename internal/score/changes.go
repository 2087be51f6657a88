package score

import (
	"cmp"
	"slices"
)

// Changes is what is different in one assessment of a vehicle from another.
type Changes struct {
	Gates []GateChange `json:"gates"` // whose state is another
	// Gone and New are the blockers that only the earlier and only the later one has; Other those
	// that both have for another reason, as the later one has them.
	Gone  []Blocker `json:"gone"`
	New   []Blocker `json:"new"`
	Other []Blocker `json:"other"`
	// Risk has the hazards whose odds moved by a deciban or more, or that only one of the two has;
	// most moved first.
	Risk []RiskChange `json:"risk"`

	Condition     RangeChange `json:"condition"`
	Coverage      ShareChange `json:"coverage"`
	ChanceThrough ShareChange `json:"chance_through"` // to the last gate
}

// GateChange is a gate whose state is another. A state is empty where there is no such gate.
type GateChange struct {
	Gate string `json:"gate"`
	From string `json:"from"`
	To   string `json:"to"`
}

// RiskChange is a hazard whose probability moved, with the evidence that only one of the two has.
type RiskChange struct {
	Hazard      string      `json:"hazard"`
	Item        string      `json:"item"`
	What        string      `json:"what"`
	Probability ShareChange `json:"probability"`
	Gone        []string    `json:"gone"` // evidence that only the earlier one has, in words
	New         []string    `json:"new"`
}

// RangeChange is a condition that was and is.
type RangeChange struct {
	From Range `json:"from"`
	To   Range `json:"to"`
}

// ShareChange is a share that was and is; nil where there was or is none.
type ShareChange struct {
	From *Share `json:"from"`
	To   *Share `json:"to"`
}

// ChangesFrom says what is different in an assessment from an earlier one of the same vehicle.
func (a *Assessment) ChangesFrom(earlier *Assessment) Changes {
	c := Changes{
		Gates: []GateChange{}, Gone: []Blocker{}, New: []Blocker{}, Other: []Blocker{}, Risk: []RiskChange{},
		Condition: RangeChange{earlier.Condition.Range, a.Condition.Range},
		Coverage:  ShareChange{&earlier.Coverage.Share, &a.Coverage.Share},
	}
	if n, m := len(earlier.Gates), len(a.Gates); n > 0 && m > 0 {
		c.ChanceThrough = ShareChange{&earlier.Gates[n-1].ChanceThrough, &a.Gates[m-1].ChanceThrough}
	}
	c.gates(earlier.Gates, a.Gates)
	c.blockers(earlier.Blockers, a.Blockers)
	c.risks(earlier.Register, a.Register)
	return c
}

// Decide says whether the state of a gate, or what blocks one, is different.
func (c *Changes) Decide() bool { return len(c.Gates)+len(c.Gone)+len(c.New)+len(c.Other) > 0 }

// Any says whether anything at all is different.
func (c *Changes) Any() bool {
	same := func(s ShareChange) bool { return s.From == s.To || s.From != nil && s.To != nil && *s.From == *s.To }
	return c.Decide() || len(c.Risk) > 0 || c.Condition.From != c.Condition.To ||
		!same(c.Coverage) || !same(c.ChanceThrough)
}

func (c *Changes) gates(before, after []Gate) {
	was := map[string]string{}
	for _, g := range before {
		was[g.Gate] = g.State
	}
	for _, g := range after {
		if was[g.Gate] != g.State {
			c.Gates = append(c.Gates, GateChange{g.Gate, was[g.Gate], g.State})
		}
		delete(was, g.Gate)
	}
	for _, g := range before {
		if state, gone := was[g.Gate]; gone {
			c.Gates = append(c.Gates, GateChange{g.Gate, state, ""})
		}
	}
}

// sameBlocker reports whether two blockers are one matter at one gate.
func sameBlocker(a, b Blocker) bool {
	return a.Gate == b.Gate && a.Item == b.Item && a.Kind == b.Kind && slices.Equal(a.At, b.At)
}

func (c *Changes) blockers(before, after []Blocker) {
	for _, b := range before {
		if !slices.ContainsFunc(after, func(x Blocker) bool { return sameBlocker(x, b) }) {
			c.Gone = append(c.Gone, b)
		}
	}
	for _, b := range after {
		i := slices.IndexFunc(before, func(x Blocker) bool { return sameBlocker(x, b) })
		switch {
		case i < 0:
			c.New = append(c.New, b)
		case before[i].Reason != b.Reason:
			c.Other = append(c.Other, b)
		}
	}
}

// noticed is by what odds have to be multiplied or divided to be worth a line: a deciban.
const noticed = 1.2589254117941673

func (c *Changes) risks(before, after []Entry) {
	was := map[string]*Entry{}
	for i := range before {
		was[before[i].Hazard] = &before[i]
	}
	moved := map[string]float64{}
	add := func(from, to *Entry) {
		r := RiskChange{Gone: becauses(from, to), New: becauses(to, from)}
		if from != nil {
			r.Hazard, r.Item, r.What, r.Probability.From = from.Hazard, from.Item, from.What, &from.Probability
		}
		if to != nil {
			r.Hazard, r.Item, r.What, r.Probability.To = to.Hazard, to.Item, to.What, &to.Probability
		}
		c.Risk = append(c.Risk, r)
		moved[r.Hazard] = shift(from, to)
	}
	for i := range after {
		to := &after[i]
		from := was[to.Hazard]
		if from == nil || shift(from, to) >= noticed {
			add(from, to)
		}
		delete(was, to.Hazard)
	}
	for i := range before {
		if from := was[before[i].Hazard]; from != nil {
			add(from, nil)
		}
	}
	slices.SortStableFunc(c.Risk, func(x, y RiskChange) int { return cmp.Compare(moved[y.Hazard], moved[x.Hazard]) })
}

// shift is by what the odds of a hazard were multiplied or divided; 1 is not at all.
func shift(from, to *Entry) float64 {
	odds := func(e *Entry) float64 {
		if e == nil {
			return 1e-9
		}
		p := e.Probability.Float()
		return max(1e-9, p) / max(1e-9, 1-p)
	}
	ratio := odds(to) / odds(from)
	return max(ratio, 1/ratio)
}

// becauses lists the evidence that one entry has and another has not, in words.
func becauses(of, not *Entry) []string {
	list := []string{}
	if of == nil {
		return list
	}
	for i := range of.Causes {
		for _, ev := range of.Causes[i].Evidence {
			if !not.says(ev.Because) && !slices.Contains(list, ev.Because) {
				list = append(list, ev.Because)
			}
		}
	}
	return list
}

// says reports whether an entry has evidence of these words.
func (e *Entry) says(because string) bool {
	if e == nil {
		return false
	}
	for i := range e.Causes {
		if slices.ContainsFunc(e.Causes[i].Evidence, func(x Evidence) bool { return x.Because == because }) {
			return true
		}
	}
	return false
}
