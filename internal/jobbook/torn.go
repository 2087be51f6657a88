package jobbook

import (
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
)

// torn looks, on one vehicle, for jobs between which something would have to be opened twice: one that has
// to be reported once a state is shut comes before one that needs that state open; or one that needs
// something in place comes between two that need it away.
func (l *linter) torn(v Vehicle, r Reach) {
	first := l.firsts(r)
	need := make([][]bool, len(l.book.Jobs))
	for i, j := range l.book.Jobs {
		if r.Jobs[i] {
			need[i] = l.book.needed(j.Open, v.Facts, r)
		}
	}
	for i, j := range l.book.Jobs {
		if !r.Jobs[i] {
			continue
		}
		for _, s := range l.book.States {
			if !r.Has[s.Index] || slices.Contains(j.Closes, s) {
				continue
			}
			var before, after *Job // that need the state open, before and after this job
			for k, other := range l.book.Jobs {
				switch {
				case k == i || need[k] == nil || !need[k][s.Index]:
				case first[i][k]:
					before = other
				case first[k][i]:
					after = other
				}
			}
			spoiled := slices.ContainsFunc(j.Gives, func(g Give) bool { return slices.Contains(s.Spoils, g.Finding) })
			away := slices.ContainsFunc(j.Fitted, func(x *Fitting) bool { return slices.Contains(s.Shuts, x) })
			switch {
			case spoiled && after != nil:
				l.add(Torn, j.ID, "is reported once %s is shut, and comes before %s, for which that is open, on the %s", s.ID, after.ID, v.Name)
			case away && before != nil && after != nil:
				l.add(Torn, j.ID, "needs %s shut, and comes between %s and %s, which need it open, on the %s", s.ID, before.ID, after.ID, v.Name)
			case away && need[i][s.Index]:
				l.add(Torn, j.ID, "needs %s both open and shut, on the %s", s.ID, v.Name)
			}
		}
		for _, f := range j.Spoils {
			for k, other := range l.book.Jobs {
				if k != i && r.Jobs[k] && first[i][k] && other.Proof && gives(other, f) {
					l.add(Torn, j.ID, "spoils %s and comes after %s, which proves it", name(f), other.ID)
				}
			}
		}
	}
}

func gives(j *Job, f *catalogue.Finding) bool {
	return slices.ContainsFunc(j.Gives, func(g Give) bool { return g.Finding == f })
}

// firsts says, by the indices of two jobs, whether the second comes before the first where all jobs of the
// vehicle are in the plan.
func (l *linter) firsts(r Reach) [][]bool {
	n := len(l.book.Jobs)
	m := make([][]bool, n)
	for i := range m {
		m[i] = make([]bool, n)
	}
	for i, j := range l.book.Jobs {
		for _, x := range slices.Concat(j.After, j.Must) {
			m[i][x.Index] = true
		}
		for _, x := range j.Then {
			m[x.Index][i] = true
		}
	}
	for k := range n {
		if !r.Jobs[k] {
			continue // nothing hangs on what is not done
		}
		for i := range n {
			if m[i][k] {
				for x := range n {
					m[i][x] = m[i][x] || m[k][x]
				}
			}
		}
	}
	return m
}

// needed says, by index, which states are open whatever alternative and whatever way is taken.
func (b *Book) needed(list []Opening, f condition.Frame, r Reach) []bool {
	path := make([]bool, len(b.States))
	var state func(s *State) []bool
	union := func(into []bool, states []*State) []bool {
		for _, s := range states {
			if r.Has[s.Index] {
				for i, x := range state(s) {
					into[i] = into[i] || x
				}
			}
		}
		return into
	}
	common := func(all, one []bool) []bool {
		if all == nil {
			return one
		}
		for i := range all {
			all[i] = all[i] && one[i]
		}
		return all
	}
	state = func(s *State) []bool {
		var all []bool
		if !path[s.Index] {
			path[s.Index] = true
			for _, w := range s.Ways {
				if Holds(w.When, f) == condition.False || slices.ContainsFunc(w.Needs, func(n *State) bool { return path[n.Index] }) {
					continue
				}
				all = common(all, union(make([]bool, len(b.States)), w.Needs))
			}
			path[s.Index] = false
		}
		if all == nil {
			all = make([]bool, len(b.States))
		}
		all[s.Index] = true
		return all
	}
	var all []bool
	for _, o := range list {
		if Holds(o.When, f) != condition.False {
			all = common(all, union(make([]bool, len(b.States)), o.All))
		}
	}
	if all == nil {
		all = make([]bool, len(b.States))
	}
	return all
}
