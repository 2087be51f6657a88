package site

import (
	"fmt"
	"slices"
	"time"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
)

// decision is a condition on facts in a form that needs no interpreter: steps, each of which asks for
// one fact and says where each answer leads. Where is 0 for no, 1 for yes, and n+2 for the step n.
type decision struct {
	Start int    `json:"start"`
	Steps []step `json:"steps,omitempty"`
}

// step asks for the fact at a place of the catalogue. To says where its values lead, in their order, of
// a flag no before yes; of a date it is first what leads on before the first of the years in Cuts, then
// what from each of them on. Last comes where it leads that the fact is not known.
type step struct {
	Of   int   `json:"of"`
	Cuts []int `json:"cuts,omitempty"`
	To   []int `json:"to"`
}

// mostWays is how many combinations of facts are tried for a condition. What hangs on more has no
// decision.
const mostWays = 1 << 18

// The years that a date is tried at: before and after there is no vehicle.
const (
	firstYear = 1885
	lastYear  = 2060
)

// decide makes a decision of a condition: whether answer says yes of a frame with the facts in it. What
// hangs on numbers, on more than the years of dates or on too much has none.
func decide(cat *catalogue.Catalogue, cond *condition.Condition, answer func(condition.Frame) bool) *decision {
	d := &decider{cat: cat, answer: answer, frame: make(condition.Frame, cat.Size), known: map[string]int{}}
	for i := range d.frame {
		d.frame[i] = condition.Unset
	}
	ways := 1
	for _, slot := range cond.Reads() {
		fact := cat.Owner(slot)
		switch {
		case fact == nil || fact.Item != nil:
			return nil
		case fact.Kind == catalogue.Flag || fact.Kind == catalogue.Choice:
			ways *= len(fact.Values) + 1
		case fact.Kind == catalogue.Date:
			ways *= lastYear - firstYear + 2
		default:
			return nil
		}
		if ways > mostWays {
			return nil
		}
		d.facts = append(d.facts, fact)
	}
	// Dates last: their many values are laid together at once.
	slices.SortStableFunc(d.facts, func(a, b *catalogue.Finding) int {
		return btoi(a.Kind == catalogue.Date) - btoi(b.Kind == catalogue.Date)
	})
	start := d.from(0)
	return &decision{start, d.steps}
}

type decider struct {
	cat    *catalogue.Catalogue
	answer func(condition.Frame) bool
	facts  []*catalogue.Finding
	frame  condition.Frame
	steps  []step
	known  map[string]int // where a step stands, by what it says: there is each but once
}

// from makes the steps that ask for the facts from one on, and returns where they begin.
func (d *decider) from(i int) int {
	if i == len(d.facts) {
		return btoi(d.answer(d.frame))
	}
	fact := d.facts[i]
	s := step{Of: slices.Index(d.cat.Facts, fact)}
	if fact.Kind == catalogue.Date {
		for year := firstYear; year <= lastYear; year++ {
			to := d.inYear(i, year)
			if len(s.To) == 0 {
				s.To = append(s.To, to)
			} else if to != s.To[len(s.To)-1] {
				s.Cuts, s.To = append(s.Cuts, year), append(s.To, to)
			}
		}
	} else {
		for v := range fact.Values {
			d.frame[fact.Slot] = float64(v)
			s.To = append(s.To, d.from(i+1))
		}
	}
	d.frame[fact.Slot] = condition.Unset
	s.To = append(s.To, d.from(i+1))
	if !slices.ContainsFunc(s.To, func(to int) bool { return to != s.To[0] }) {
		return s.To[0]
	}
	key := fmt.Sprint(s)
	at, there := d.known[key]
	if !there {
		at = len(d.steps)
		d.known[key] = at
		d.steps = append(d.steps, s)
	}
	return at + 2
}

// inYear is where a date in a year leads. Where its days lead to different places, the answer may be yes
// on some vehicle: it counts as if it were not known.
func (d *decider) inYear(i, year int) int {
	slot := d.facts[i].Slot
	at := func(day calendar.Day) int {
		d.frame[slot] = float64(day)
		return d.from(i + 1)
	}
	first, last := at(calendar.DayOf(year, time.January, 1)), at(calendar.DayOf(year, time.December, 31))
	if first != last {
		d.frame[slot] = condition.Unset
		return d.from(i + 1)
	}
	return first
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
