package plan

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// Work is one step as the schedule sees it. Times are in minutes of working time since the start.
type Work struct {
	ID      string
	Minutes int64
	After   []Link
	Needs   []Demand // while it lasts
	Holds   []Hold   // from its beginning on
	Release int64    // it does not begin before, for its parts are on their way
}

// Link is a step that has to be done before, and what has to pass after it.
type Link struct {
	Step int
	Lag  int64
}

// Demand is how much of a resource is taken.
type Demand struct{ Resource, Amount int }

// Hold takes of a resource from the beginning of a step until the end of step Until, such as a lift on
// which a vehicle stays up.
type Hold struct {
	Demand
	Until int
}

// Network is what critical path reckons with: steps, what comes before what, and nothing else.
type Network []Work

// Timing has for each step the earliest and latest start and finish (CPM). Length is the longest path.
type Timing struct {
	ES, EF, LS, LF []int64
	Length         int64
}

// Float returns by how much a step may be late without making the whole late, with resources ignored.
func (t *Timing) Float(step int) int64 { return t.LS[step] - t.ES[step] }

// Times works out the critical path. The error is of steps that wait for each other in a ring.
func (n Network) Times() (*Timing, error) {
	order, err := n.sorted()
	if err != nil {
		return nil, err
	}
	t := &Timing{make([]int64, len(n)), make([]int64, len(n)), make([]int64, len(n)), make([]int64, len(n)), 0}
	for _, i := range order {
		t.ES[i] = n[i].Release
		for _, l := range n[i].After {
			t.ES[i] = max(t.ES[i], t.EF[l.Step]+l.Lag)
		}
		t.EF[i] = t.ES[i] + n[i].Minutes
		t.Length = max(t.Length, t.EF[i])
	}
	for i := range n {
		t.LF[i] = t.Length
	}
	for _, i := range slices.Backward(order) {
		t.LS[i] = t.LF[i] - n[i].Minutes
		for _, l := range n[i].After {
			t.LF[l.Step] = min(t.LF[l.Step], t.LS[i]-l.Lag)
		}
	}
	return t, nil
}

// sorted returns the steps in an order in which each comes after what it waits for, the first possible one.
func (n Network) sorted() ([]int, error) {
	waits := make([]int, len(n))
	next := n.followers()
	var ready, out []int
	for i := range n {
		waits[i] = len(n[i].After)
		if waits[i] == 0 {
			ready = append(ready, i)
		}
	}
	for len(ready) > 0 {
		slices.Sort(ready)
		i := ready[0]
		ready = ready[1:]
		out = append(out, i)
		for _, l := range next[i] {
			if waits[l.Step]--; waits[l.Step] == 0 {
				ready = append(ready, l.Step)
			}
		}
	}
	if len(out) < len(n) {
		for i := range n {
			if waits[i] > 0 {
				return nil, fmt.Errorf("plan: step %q waits for itself, by others", n[i].ID)
			}
		}
	}
	return out, nil
}

// followers returns for each step what waits for it.
func (n Network) followers() [][]Link {
	out := make([][]Link, len(n))
	for i := range n {
		for _, l := range n[i].After {
			out[l.Step] = append(out[l.Step], Link{i, l.Lag})
		}
	}
	return out
}

// Project asks for a short schedule of steps that share resources: the resource-constrained project
// scheduling problem, with release dates and resources that are held from one step to another.
type Project struct {
	Work     Network
	Capacity []int // of each resource
	// Passes is how many orders are tried beyond the usual ones; 0 means 20, or more where there are few steps.
	Passes int
}

// Schedule is a schedule that was made. It is feasible and not proven to be the shortest: Bound is the
// least that any takes, by the longest path and by the work that each resource has to do.
type Schedule struct {
	Start    []int64
	Makespan int64
	Bound    int64
	Timing   *Timing // with resources ignored
	// Slack is by how much each step may begin later while no other moves and no resource is overdrawn.
	Slack []int64
}

// Schedule makes a schedule: serial schedule generation from several orders, each improved by shifting
// everything to the right and back to the left (double justification; Valls, Ballestin, Quintanilla 2005,
// from memory). Ties go to the step that comes first.
func (p *Project) Schedule() (*Schedule, error) {
	t, err := p.Work.Times()
	if err != nil {
		return nil, err
	}
	for _, w := range p.Work {
		for _, d := range p.demands(&w) {
			if d.Resource >= len(p.Capacity) || d.Amount > p.Capacity[d.Resource] {
				return nil, fmt.Errorf("plan: step %q takes %d of resource %d, more than there is", w.ID, d.Amount, d.Resource)
			}
		}
	}
	best := &Schedule{Timing: t, Makespan: -1, Bound: p.bound(t)}
	try := func(priority []int64) {
		start, ok := p.serial(priority, false)
		for range 4 {
			if !ok {
				return
			}
			end := p.makespan(start)
			if best.Makespan >= 0 && end >= best.Makespan {
				// It may still get better by justification, once.
				if end > best.Makespan+best.Makespan/10 {
					return
				}
			} else {
				best.Start, best.Makespan = start, end
			}
			if best.Makespan == best.Bound {
				return
			}
			back := make([]int64, len(start))
			for i := range start {
				back[i] = -(start[i] + p.Work[i].Minutes)
			}
			right, fine := p.serial(back, true)
			if !fine {
				return
			}
			for i := range right { // mirrored: the last to end comes first
				right[i] = -(right[i] + p.Work[i].Minutes)
			}
			before := end
			start, ok = p.serial(right, false)
			if ok && p.makespan(start) >= before {
				return
			}
		}
	}
	given := make([]int64, len(p.Work))
	for i := range given {
		given[i] = int64(i)
	}
	try(given)
	try(t.LS)
	try(t.LF)
	passes := p.Passes
	if passes <= 0 {
		passes = max(20, 3000/max(1, len(p.Work)))
	}
	r := newStream("schedule")
	for range passes {
		if best.Makespan == best.Bound {
			break
		}
		// The latest start, shaken by up to a quarter of the whole.
		shaken := make([]int64, len(p.Work))
		for i := range shaken {
			shaken[i] = t.LS[i] + int64(r.below(uint64(t.Length/4+1))) // #nosec G115 -- below a quarter of the length
		}
		try(shaken)
	}
	if best.Makespan < 0 {
		return nil, errHeld
	}
	best.Slack = p.slack(best.Start, best.Makespan)
	return best, nil
}

func (p *Project) makespan(start []int64) int64 {
	end := int64(0)
	for i, s := range start {
		end = max(end, s+p.Work[i].Minutes)
	}
	return end
}

// bound is what any schedule takes at least.
func (p *Project) bound(t *Timing) int64 {
	bound := t.Length
	for r, capacity := range p.Capacity {
		if capacity == 0 {
			continue
		}
		var work int64
		for _, w := range p.Work {
			for _, d := range w.Needs {
				if d.Resource == r {
					work += int64(d.Amount) * w.Minutes
				}
			}
		}
		bound = max(bound, (work+int64(capacity)-1)/int64(capacity))
	}
	return bound
}

// demands returns what a step takes of each resource in total while it lasts, held ones included.
func (p *Project) demands(w *Work) []Demand {
	out := slices.Clone(w.Needs)
	for _, h := range w.Holds {
		out = append(out, h.Demand)
	}
	return out
}

// forever is after all time.
const forever = int64(1) << 60

// profile is how much of a resource is taken from each time on, in order of time.
type profile []taking

type taking struct {
	at     int64
	amount int
}

// split makes a time one at which the amount may change, and returns its place.
func (u *profile) split(at int64) int {
	i, is := slices.BinarySearchFunc(*u, at, func(t taking, at int64) int { return cmp.Compare(t.at, at) })
	if !is {
		amount := 0
		if i > 0 {
			amount = (*u)[i-1].amount
		}
		*u = slices.Insert(*u, i, taking{at, amount})
	}
	return i
}

func (u *profile) take(from, until int64, amount int) {
	if from >= until {
		return
	}
	a := u.split(from)
	b := u.split(until)
	for i := a; i < b; i++ {
		(*u)[i].amount += amount
	}
}

// fits returns the earliest time from on at which the amount is free for that long; forever if never.
func (u profile) fits(from, long int64, amount, capacity int) int64 {
	i, is := slices.BinarySearchFunc(u, from, func(t taking, at int64) int { return cmp.Compare(t.at, at) })
	if !is {
		i--
	}
	at := from
	for k := max(i, 0); k < len(u) && (u[k].at < at+long || long == 0 && u[k].at <= at); k++ {
		if u[k].amount+amount <= capacity || k+1 < len(u) && u[k+1].at <= at {
			continue
		}
		if k+1 == len(u) {
			return forever
		}
		at = u[k+1].at
	}
	return at
}

// serial schedules one step after the other, each as early as possible, of those that are ready the one
// with the least priority. Mirrored it does so on time turned round, without release dates.
func (p *Project) serial(priority []int64, mirrored bool) ([]int64, bool) {
	n := len(p.Work)
	follow := p.Work.followers()
	before := func(i int) []Link {
		if mirrored {
			return follow[i]
		}
		return p.Work[i].After
	}
	after := func(i int) []Link {
		if mirrored {
			return p.Work[i].After
		}
		return follow[i]
	}
	// holds[i] is what step i begins to hold, frees[i] what it ends.
	type held struct {
		Demand
		by int
	}
	holds, frees := make([][]held, n), make([][]held, n)
	for i, w := range p.Work {
		for _, h := range w.Holds {
			from, to := i, h.Until
			if mirrored {
				from, to = to, from
			}
			holds[from] = append(holds[from], held{h.Demand, to})
			frees[to] = append(frees[to], held{h.Demand, from})
		}
	}
	use := make([]profile, len(p.Capacity))
	start := make([]int64, n)
	waits := make([]int, n)
	done := make([]bool, n)
	for i := range n {
		waits[i] = len(before(i))
	}
	for count := 0; count < n; {
		// Those ready in the order of priority; the first that can be placed at all is placed.
		var ready []int
		for i := range n {
			if !done[i] && waits[i] == 0 {
				ready = append(ready, i)
			}
		}
		slices.SortStableFunc(ready, func(a, b int) int { return cmp.Compare(priority[a], priority[b]) })
		placed := false
		for _, i := range ready {
			w := &p.Work[i]
			at := int64(0)
			if !mirrored {
				at = w.Release
			}
			for _, l := range before(i) {
				at = max(at, start[l.Step]+p.Work[l.Step].Minutes+l.Lag)
			}
			for again := true; again && at < forever; {
				again = false
				for _, d := range w.Needs {
					if t := use[d.Resource].fits(at, w.Minutes, d.Amount, p.Capacity[d.Resource]); t > at {
						at, again = t, true
					}
				}
				for _, h := range holds[i] {
					if t := use[h.Resource].fits(at, forever, h.Amount, p.Capacity[h.Resource]); t > at {
						at, again = t, true
					}
				}
			}
			if at >= forever {
				continue
			}
			start[i] = at
			for _, d := range w.Needs {
				use[d.Resource].take(at, at+w.Minutes, d.Amount)
			}
			for _, h := range holds[i] {
				use[h.Resource].take(at, 2*forever, h.Amount)
			}
			for _, h := range frees[i] {
				use[h.Resource].take(at+w.Minutes, 2*forever, -h.Amount)
			}
			done[i], placed = true, true
			count++
			for _, l := range after(i) {
				waits[l.Step]--
			}
			break
		}
		if !placed {
			return nil, false
		}
	}
	return start, true
}

// slack works out for each step how far it can move while nothing else does.
func (p *Project) slack(start []int64, makespan int64) []int64 {
	use := p.usage(start)
	follow := p.Work.followers()
	out := make([]int64, len(start))
	for i := range p.Work {
		w := &p.Work[i]
		end := start[i] + w.Minutes
		room := makespan - end
		for _, l := range follow[i] {
			room = min(room, start[l.Step]-l.Lag-end)
		}
		for _, d := range p.demands(w) {
			for _, t := range use[d.Resource] {
				// What is taken from then on leaves no room for this step, which is not among it.
				if t.at >= end && t.amount+d.Amount > p.Capacity[d.Resource] {
					room = min(room, t.at-end)
					break
				}
			}
		}
		for k := range p.Work {
			for _, h := range p.Work[k].Holds {
				if h.Until == i {
					room = min(room, p.freeAfter(use, h, end)-end)
				}
			}
		}
		out[i] = max(0, room)
	}
	return out
}

// freeAfter returns until when what is held could be held longer than to end.
func (p *Project) freeAfter(use []profile, h Hold, end int64) int64 {
	for _, t := range use[h.Resource] {
		if t.at >= end && t.amount+h.Amount > p.Capacity[h.Resource] {
			return t.at
		}
	}
	return forever
}

// usage is what a schedule takes of each resource over time.
func (p *Project) usage(start []int64) []profile {
	use := make([]profile, len(p.Capacity))
	for i, w := range p.Work {
		for _, d := range w.Needs {
			use[d.Resource].take(start[i], start[i]+w.Minutes, d.Amount)
		}
		for _, h := range w.Holds {
			use[h.Resource].take(start[i], start[h.Until]+p.Work[h.Until].Minutes, h.Amount)
		}
	}
	return use
}

// errHeld means that what is held by some steps is needed by others first.
var errHeld = errors.New("plan: there is no schedule: what is held by some steps is needed by others first")
