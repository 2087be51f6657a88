package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Problem asks for the cheapest set of ways to open and jobs to do with which every finding of Want is
// given and every job of Must is done, what several jobs need open being paid for once. States are known
// by their names alone.
//
// It is minimal-cost planning without deletes: a state once opened stays open until the work is done. Of
// several cheapest answers it takes that with the fewest ways and jobs, and among those one that depends
// on their ids only, never on the order in which they are given.
type Problem struct {
	Ways []Way
	Jobs []Task
	Want []string // findings
	Must []string // ids of jobs
	// Limit is how many bounds may be worked out (ascents); 0 means DefaultLimit. It counts work and not
	// time, so that a busy machine gives the same answer.
	Limit int
}

// DefaultLimit is one or two seconds of work for 300 jobs and 80 states, which need some 40 at most.
const DefaultLimit = 300

// Way opens one state once all of Needs are open.
type Way struct {
	ID    string
	Opens string
	Needs []string
	// Jobs are ids of jobs that must be in the plan where the way is taken, and possible without it.
	Jobs []string
	Cost int64 // of opening, not negative
	// Closing, not negative, is what closing costs, unless a job in the plan Closes the state.
	Closing int64
}

// Task is a job as the optimiser sees it: what it gives, what it needs and what it costs, access apart.
type Task struct {
	ID    string
	Gives []string // findings
	// Open has the alternatives, each a set of states all of which must be open. None at all means that
	// nothing need be open.
	Open [][]string
	// Needs are ids of jobs without which this one may not be in the plan, in whatever order.
	Needs []string
	// Closes are states whose closing this job is: no way that opens one of them costs its Closing then.
	Closes []string
	Cost   int64
	// Optional says that the job is to be done or left, whichever is cheaper; Later, not negative, is
	// what leaving it costs. A job that is not optional is done where it is needed, at no cost if not.
	Optional bool
	Later    int64
}

// Opening is the answer: ids of the ways taken and the jobs done and left, each in the order of ids.
type Opening struct {
	Ways []string
	Jobs []string
	Left []string
	Cost int64 // of all three
	// Bound is what any answer costs at least; equal to Cost where Proven.
	Bound  int64
	Proven bool
	Work   int // bounds worked out
}

// Gap is by which part of Cost the bound falls short, in hundredths of a per cent, rounded up: 0 if proven.
func (o *Opening) Gap() int {
	if o.Cost <= o.Bound {
		return 0
	}
	return int(((o.Cost-o.Bound)*10_000 + o.Cost - 1) / o.Cost)
}

// OutOfReach says what no way and no job leads to.
type OutOfReach struct{ Findings, Jobs []string }

func (e *OutOfReach) Error() string {
	var parts []string
	if len(e.Findings) > 0 {
		parts = append(parts, "no job that can be reached gives "+strings.Join(e.Findings, ", "))
	}
	if len(e.Jobs) > 0 {
		parts = append(parts, "nothing opens what "+strings.Join(e.Jobs, ", ")+" needs")
	}
	return "plan: " + strings.Join(parts, "; ")
}

// Costs are scaled by unit, so that the ties of a thousand choices, which are added to them, never outweigh one.
const unit = 1 << 36

// tie makes each choice a little dearer than nothing: the fewest choices win, then the id decides.
func tie(id string) int64 {
	const offset, prime = 14695981039346656037, 1099511628211 // FNV-1a
	h := uint64(offset)
	for i := range len(id) {
		h = (h ^ uint64(id[i])) * prime
	}
	return (1<<15 + int64((h^h>>32)&0x7fff)) << 10
}

// maxCost is the greatest sum of all costs of a problem, whatever their unit is.
const maxCost = 1 << 25

// Solve finds the cheapest answer, or the best one within the limit, with its bound. The error is
// *[OutOfReach] where there is no answer at all; another one says what is wrong with the problem.
func (p *Problem) Solve() (*Opening, error) {
	return p.exact(nil, nil)
}

// exact solves the problem in which some jobs spare no closing and some more must be done. A job may come
// into an answer only because it spares a closing, although nothing opens what it needs: then it either
// spares nothing or has to be made possible, and the cheaper of the two is the answer.
func (p *Problem) exact(sparesNot, must []string) (*Opening, error) {
	o, err := p.solve(sparesNot, must)
	if err != nil {
		return nil, err
	}
	closer := p.idle(o, sparesNot)
	if closer == "" {
		return o, nil
	}
	without, err := p.exact(append(slices.Clone(sparesNot), closer), must)
	if err != nil {
		return nil, err
	}
	best, bound := without, without.Bound
	best.Work += o.Work
	if with, err := p.exact(sparesNot, append(slices.Clone(must), closer)); err == nil {
		with.Work += best.Work
		without.Work = with.Work
		bound = min(bound, with.Bound)
		if with.Cost < best.Cost {
			best = with
		}
	}
	best.Bound = max(bound, o.Bound)
	best.Proven = best.Bound == best.Cost
	return best, nil
}

// idle returns a job of an answer that spares a closing but cannot be done with what the answer opens, or
// needs one that cannot; empty for none. Those that spare nothing are none.
func (p *Problem) idle(o *Opening, sparesNot []string) string {
	isOpen, idle := map[string]bool{}, map[string]bool{}
	for _, w := range p.Ways {
		if _, is := slices.BinarySearch(o.Ways, w.ID); is {
			isOpen[w.Opens] = true
		}
	}
	byID := map[string]*Task{}
	for i := range p.Jobs {
		j := &p.Jobs[i]
		byID[j.ID] = j
		idle[j.ID] = len(j.Open) > 0 && !slices.ContainsFunc(j.Open, func(states []string) bool {
			return !slices.ContainsFunc(states, func(s string) bool { return !isOpen[s] })
		})
	}
	whole, err := wholes(p.Jobs, byID)
	if err != nil {
		return ""
	}
	for _, id := range o.Jobs {
		if len(byID[id].Closes) > 0 && !slices.Contains(sparesNot, id) && slices.ContainsFunc(whole[id], func(n string) bool { return idle[n] }) {
			return id
		}
	}
	return ""
}

// solve is Solve without the check that jobs which spare a closing can be done.
func (p *Problem) solve(sparesNot, more []string) (*Opening, error) {
	c, err := p.compile(sparesNot, more)
	if err != nil {
		return nil, err
	}
	limit := p.Limit
	if limit <= 0 {
		limit = DefaultLimit
	}
	s := newSearch(c.acts, c.atoms, c.goals)
	if missing := s.missing(); len(missing) > 0 {
		e := &OutOfReach{}
		for _, g := range missing {
			if name, is := strings.CutPrefix(c.names[g], "given "); is {
				e.Findings = append(e.Findings, name)
			} else {
				e.Jobs = append(e.Jobs, strings.TrimPrefix(c.names[g], "done "))
			}
		}
		return nil, e
	}
	s.run(limit)
	o := &Opening{Work: s.work}
	for a, in := range s.best {
		if !in {
			continue
		}
		switch act := &c.acts[a]; act.what {
		case takesWay:
			o.Ways = append(o.Ways, act.id)
		case doesJob:
			o.Jobs = append(o.Jobs, act.id)
		}
	}
	slices.Sort(o.Ways)
	slices.Sort(o.Jobs)
	o.Ways = slices.Compact(o.Ways)
	p.account(o)
	o.Bound = min(o.Cost, max(0, s.bound)/unit)
	o.Proven = o.Bound == o.Cost
	return o, nil
}

// account works out what an answer leaves and what it costs: an answer that is not the best may have paid
// for leaving what it does.
func (p *Problem) account(o *Opening) {
	closed := map[string]bool{}
	for _, j := range p.Jobs {
		switch _, is := slices.BinarySearch(o.Jobs, j.ID); {
		case is:
			o.Cost += j.Cost
			for _, s := range j.Closes {
				closed[s] = true
			}
		case j.Optional:
			o.Cost += j.Later
			o.Left = append(o.Left, j.ID)
		}
	}
	for _, w := range p.Ways {
		if _, is := slices.BinarySearch(o.Ways, w.ID); !is {
			continue
		}
		o.Cost += w.Cost
		if !closed[w.Opens] {
			o.Cost += w.Closing
		}
	}
	slices.Sort(o.Left)
}

// What an action of the compiled problem stands for.
const (
	joins     = iota // nothing that costs: an alternative is open, or a set of jobs is complete
	takesWay         // a state is opened
	doesJob          // a job is paid for
	leavesJob        // an optional job is left
)

// action is one choice: once all of pre hold, all of add hold. cost is scaled and has its tie.
type action struct {
	pre, add []int32
	cost     int64
	what     int
	id       string
}

// compiled is a problem as actions on atoms.
type compiled struct {
	acts  []action
	goals []int32
	names []string // of atoms
	index map[string]int32
	atoms int
}

func (c *compiled) atom(name string) int32 {
	if i, is := c.index[name]; is {
		return i
	}
	i := int32(len(c.names))
	c.index[name] = i
	c.names = append(c.names, name)
	return i
}

func (c *compiled) act(what int, id, key string, price int64, pre, add []int32) {
	slices.Sort(pre)
	cost := price*unit + 1
	if what != joins {
		cost += tie(key) // which how choices are put together never outweighs
	}
	c.acts = append(c.acts, action{slices.Compact(pre), add, cost, what, id})
}

func (p *Problem) compile(sparesNot, more []string) (*compiled, error) {
	c := &compiled{index: map[string]int32{}}
	ways, jobs := slices.Clone(p.Ways), slices.Clone(p.Jobs)
	slices.SortFunc(ways, func(a, b Way) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortFunc(jobs, func(a, b Task) int { return cmp.Compare(a.ID, b.ID) })
	byID := map[string]*Task{}
	for i := range jobs {
		if byID[jobs[i].ID] != nil {
			return nil, fmt.Errorf("plan: there are two jobs %q", jobs[i].ID)
		}
		byID[jobs[i].ID] = &jobs[i]
	}
	if err := checkCosts(ways, jobs); err != nil {
		return nil, err
	}
	whole, err := wholes(jobs, byID)
	if err != nil {
		return nil, err
	}
	// Jobs that something else asks for are paid for by an action of their own.
	shared := map[string]bool{}
	closers := map[string][]string{}
	for _, j := range jobs {
		for _, n := range whole[j.ID][1:] {
			shared[n] = true
		}
		if len(j.Closes) > 0 && !slices.Contains(sparesNot, j.ID) {
			for _, n := range whole[j.ID] {
				shared[n] = true
			}
			for _, s := range j.Closes {
				closers[s] = append(closers[s], j.ID)
			}
		}
	}
	for _, w := range ways {
		for _, id := range w.Jobs {
			if byID[id] == nil {
				return nil, fmt.Errorf("plan: way %q needs job %q, which there is not", w.ID, id)
			}
			for _, n := range whole[id] {
				shared[n] = true
			}
		}
	}
	for i, w := range ways {
		if i > 0 && ways[i-1].ID == w.ID {
			return nil, fmt.Errorf("plan: there are two ways %q", w.ID)
		}
		pre := c.opened(w.Needs)
		for _, id := range w.Jobs {
			for _, n := range whole[id] {
				pre = append(pre, c.possible(byID[n], true)...)
			}
		}
		add := []int32{c.atom("open " + w.Opens)}
		c.act(takesWay, w.ID, "way "+w.ID, w.Cost+w.Closing, slices.Clone(pre), add)
		if w.Closing == 0 {
			continue
		}
		for _, id := range closers[w.Opens] {
			spared := slices.Clone(pre)
			for _, n := range whole[id] {
				spared = append(spared, c.atom("paid "+n))
			}
			c.act(takesWay, w.ID, "way "+w.ID, w.Cost, spared, add)
		}
	}
	for i := range jobs {
		c.job(&jobs[i], whole[jobs[i].ID], shared, byID)
	}
	want := slices.Clone(p.Want)
	slices.Sort(want)
	for _, g := range slices.Compact(want) {
		c.goals = append(c.goals, c.atom("given "+g))
	}
	must := slices.Concat(p.Must, more)
	slices.Sort(must)
	for _, id := range slices.Compact(must) {
		if byID[id] == nil {
			return nil, fmt.Errorf("plan: job %q must be done, which there is not", id)
		}
		c.goals = append(c.goals, c.atom("done "+id))
	}
	c.atoms = len(c.names)
	return c, nil
}

func checkCosts(ways []Way, jobs []Task) error {
	var sum int64
	for _, w := range ways {
		if w.Cost < 0 || w.Cost > maxCost || w.Closing < 0 || w.Closing > maxCost {
			return fmt.Errorf("plan: way %q costs %d and %d: use 0 to %d", w.ID, w.Cost, w.Closing, int64(maxCost))
		}
		sum += w.Cost + w.Closing
	}
	for _, j := range jobs {
		if j.Cost < 0 || j.Cost > maxCost || j.Later < 0 || j.Later > maxCost {
			return fmt.Errorf("plan: job %q costs %d, later %d: use 0 to %d", j.ID, j.Cost, j.Later, int64(maxCost))
		}
		sum += j.Cost + j.Later
	}
	if sum > maxCost {
		return fmt.Errorf("plan: the costs add up to %d: use at most %d", sum, int64(maxCost))
	}
	return nil
}

// wholes returns for each job all that it can't do without, itself first.
func wholes(jobs []Task, byID map[string]*Task) (map[string][]string, error) {
	whole := map[string][]string{}
	for i := range jobs {
		all := []string{jobs[i].ID}
		for k := 0; k < len(all); k++ {
			for _, n := range byID[all[k]].Needs {
				if byID[n] == nil {
					return nil, fmt.Errorf("plan: job %q needs %q, which there is not", all[k], n)
				}
				if !slices.Contains(all, n) {
					all = append(all, n)
				}
			}
		}
		whole[jobs[i].ID] = all
	}
	return whole, nil
}

func (c *compiled) opened(states []string) []int32 {
	var out []int32
	for _, s := range states {
		out = append(out, c.atom("open "+s))
	}
	return out
}

// possible returns the atoms that have to hold for a job to be done: its access, and that it is paid for
// where that is an action of its own.
func (c *compiled) possible(j *Task, paid bool) []int32 {
	var pre []int32
	switch len(j.Open) {
	case 0:
	case 1:
		pre = c.opened(j.Open[0])
	default:
		pre = append(pre, c.atom("access "+j.ID))
	}
	if paid {
		pre = append(pre, c.atom("paid "+j.ID))
	}
	return pre
}

// job compiles one job. One that others need is paid for by an action of its own, for it may be needed
// before it is the turn of either.
func (c *compiled) job(j *Task, whole []string, shared map[string]bool, byID map[string]*Task) {
	add := []int32{c.atom("done " + j.ID)}
	for _, g := range j.Gives {
		add = append(add, c.atom("given "+g))
	}
	if j.Optional {
		settled := c.atom("settled " + j.ID)
		add = append(add, settled)
		c.goals = append(c.goals, settled)
		c.act(leavesJob, j.ID, "leave "+j.ID, j.Later, nil, []int32{settled})
	}
	apart := len(whole) > 1 || shared[j.ID]
	var pre []int32
	for _, id := range whole {
		pre = append(pre, c.possible(byID[id], apart)...)
	}
	if len(j.Open) > 1 {
		for i, states := range j.Open {
			c.act(joins, "", "access "+j.ID+" "+strconv.Itoa(i), 0, c.opened(states), []int32{c.atom("access " + j.ID)})
		}
	}
	if apart {
		c.act(doesJob, j.ID, "job "+j.ID, j.Cost, nil, []int32{c.atom("paid " + j.ID)})
		c.act(joins, "", "set "+j.ID, 0, pre, add)
		return
	}
	c.act(doesJob, j.ID, "job "+j.ID, j.Cost, pre, add)
}
