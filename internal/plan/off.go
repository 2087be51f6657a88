package plan

import (
	"maps"
	"slices"
)

// Ticked is a plan with the numbers of those of its steps that somebody said are done, and of those that somebody said are
// not done after all.
type Ticked struct {
	Plan         *Plan
	Done, Undone []int
}

// OffAfter returns the ids of the states that are open on a vehicle, in order, once steps have been ticked: before has
// those that were open, and the plans follow one another, a later one overruling those before it. Of one plan the last
// step decides, by the order of the plan, that opens a state or shuts it: steps may be ticked in any order.
func OffAfter(before []string, plans ...Ticked) []string {
	off := map[string]bool{}
	for _, id := range before {
		off[id] = true
	}
	for _, t := range plans {
		t.each(t.Undone, func(id string, open bool) { off[id] = !open })
		t.each(t.Done, func(id string, open bool) { off[id] = open })
	}
	maps.DeleteFunc(off, func(_ string, open bool) bool { return !open })
	return slices.Sorted(maps.Keys(off))
}

// each tells what each of some steps opens and shuts, in the order of the plan.
func (t Ticked) each(steps []int, tell func(state string, open bool)) {
	steps = slices.Clone(steps)
	slices.Sort(steps)
	for _, n := range steps {
		if n < 1 || n > len(t.Plan.Steps) {
			continue
		}
		switch s := t.Plan.Steps[n-1]; s.Act {
		case Opens, Shuts:
			tell(s.ID, s.Act == Opens)
		case Does:
			for _, o := range t.Plan.Opening {
				if o.Closed == s.ID {
					tell(o.State, false)
				}
			}
		}
	}
}
