package jobbook

import (
	"slices"

	"laidup/internal/condition"
)

// Reach is what can be opened and done on one vehicle. Where a fact is not known, what may hold is taken to
// hold, and so is what hangs on a trait.
type Reach struct {
	// Has says, by the index of a state, whether the vehicle has it. A need of one that it does not have is
	// met.
	Has []bool
	// States says, by index, whether there is a way to open it, with all that the way needs.
	States []bool
	// Jobs says, by index, whether it can be done, with all that must be done for it.
	Jobs []bool
	// Looks says, by the index of the item in the catalogue, whether one can get to look at it.
	Looks []bool
}

// Reach finds what can be opened and done on a vehicle with the facts in a frame. Ways that only lead to one
// another open nothing.
func (b *Book) Reach(f condition.Frame) Reach {
	may := func(c *condition.Condition) bool { return Holds(c, f) != condition.False }
	r := Reach{make([]bool, len(b.States)), make([]bool, len(b.States)), make([]bool, len(b.Jobs)), make([]bool, len(b.Looks))}
	has := make([]bool, len(b.Jobs))
	for i, s := range b.States {
		r.Has[i] = may(s.When)
	}
	for i, j := range b.Jobs {
		has[i] = may(j.When)
	}
	open := func(s *State) bool { return r.States[s.Index] || !r.Has[s.Index] }
	done := func(j *Job) bool { return r.Jobs[j.Index] || !has[j.Index] }
	opened := func(list []Opening) bool {
		return list == nil || slices.ContainsFunc(list, func(o Opening) bool { return may(o.When) && all(o.All, open) })
	}
	// Each round opens or does something more, or is the last.
	for more := true; more; {
		more = false
		for _, w := range b.Ways {
			i := w.State.Index
			if !r.States[i] && r.Has[i] && may(w.When) && all(w.Needs, open) && all(w.After, done) {
				r.States[i], more = true, true
			}
		}
		for i, j := range b.Jobs {
			if !r.Jobs[i] && has[i] && opened(j.Open) && all(j.Must, done) {
				r.Jobs[i], more = true, true
			}
		}
	}
	for i, l := range b.Looks {
		r.Looks[i] = l.Item.AppliesTo(f) && opened(l.Open)
	}
	return r
}

func all[T any](list []*T, yes func(*T) bool) bool {
	return !slices.ContainsFunc(list, func(x *T) bool { return !yes(x) })
}
