package plan

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// Order asks for an order of opening states, doing jobs and shutting the states again, in which every job
// finds open what it needs open and in place what it needs fitted, and nothing is spoiled after it was
// reported. Of several orders it takes one that shuts early and proves late; ties go by id.
type Order struct {
	States []Site
	Jobs   []Piece
}

// Site is a state that the plan opens.
type Site struct {
	ID     string
	Needs  []string // states that are open before it and until it is shut
	First  []string // jobs that are done before it is opened
	Then   []string // jobs that are done once it has been shut
	Spoils []string // findings
	// Already says that it is open when the work begins: nothing comes before its opening.
	Already bool
	// Again is what opening and shutting it once more would cost.
	Again int64
}

// Piece is a job that the plan does. Names of states and jobs that the plan does not have mean nothing.
type Piece struct {
	ID      string
	Open    []string // states that are open while it is done
	Shut    []string // states that are not open while it is done: it comes before or after them
	After   []string // jobs that come before it
	Reports []string // findings that hold at the end because this job reports them
	Spoils  []string // findings that whoever reports them reports afterwards
	Closes  []string // states whose shutting this job is
	Proof   bool
}

// Act is what a step does.
type Act string

// The acts of steps.
const (
	Opens Act = "open"
	Does  Act = "do"
	Shuts Act = "shut"
)

// Step is one step of a path. Visit is 2 where a state is opened and shut for the second time, else 1.
type Step struct {
	Act   Act
	ID    string // of the state or job
	Visit int
}

// Path is an order. Before has the pairs of steps, by their places in Steps, of which the first has to be
// done before the second begins; what follows from them by a chain may be left out.
type Path struct {
	Steps  []Step
	Before [][2]int
	// Twice is the state that is opened twice because there is no order otherwise, and Clash why; empty
	// where every state is opened once.
	Twice string
	Clash []Conflict
	Tries int // orders of two things that were tried against each other
}

// Conflict is one part of a clash: in short form why one thing has to come before another.
type Conflict struct {
	Because string // inside, fitted, after, spoils, first, then, already
	One     string // the state or job that is to come first, or that needs something
	Other   string
}

func (c Conflict) String() string {
	switch c.Because {
	case "fitted":
		return fmt.Sprintf("%s is not done while %s is open", c.One, c.Other)
	case "spoils":
		return fmt.Sprintf("%s spoils what %s reports", c.One, c.Other)
	case "inside":
		return fmt.Sprintf("%s needs %s open", c.One, c.Other)
	case "then":
		return fmt.Sprintf("%s is done once %s is shut", c.Other, c.One)
	case "already":
		return fmt.Sprintf("%s is open already, before %s", c.One, c.Other)
	}
	return fmt.Sprintf("%s comes before %s", c.One, c.Other)
}

// Clash is the error of an order that there is not, not even with one state opened twice: a smallest set
// of conditions that contradict each other.
type Clash struct{ Parts []Conflict }

func (e *Clash) Error() string {
	var parts []string
	for _, p := range e.Parts {
		parts = append(parts, p.String())
	}
	return "plan: there is no order: " + strings.Join(parts, "; ")
}

// maxTries is how many alternatives the search for an order follows before it gives up; real books need
// some dozens.
const maxTries = 20_000

// Sequence finds the order. Where there is none with every state opened once, the cheapest state with
// which there is one is opened twice. The error is *[Clash] where that does not help either.
func (o *Order) Sequence() (*Path, error) {
	q, err := newSequence(o, "")
	if err != nil {
		return nil, err
	}
	if q.search(q.relations) {
		return q.path(), nil
	}
	clash := q.clash()
	states := slices.Clone(q.states)
	slices.SortStableFunc(states, func(a, b *Site) int { return cmp.Compare(a.Again, b.Again) })
	tries := q.tries
	for _, s := range states {
		if q, err = newSequence(o, s.ID); err != nil {
			return nil, err
		}
		found := q.search(q.relations)
		tries += q.tries
		if found {
			p := q.path()
			p.Twice, p.Clash, p.Tries = s.ID, clash, tries
			return p, nil
		}
	}
	return nil, &Clash{clash}
}

// relation is a condition on the order with its alternatives, the preferred one first; of an alternative
// all pairs hold, the first before the second.
type relation struct {
	why Conflict
	alt [][][2]int32
}

// sequence is an order in the making. Its nodes are the steps.
type sequence struct {
	states    []*Site
	jobs      []*Piece
	steps     []Step
	relations []relation
	tries     int
	after     order // what comes after what, found
	chosen    [][2]int32
}

// order is for each node the set of nodes after it, closed under chains.
type order [][]uint64

func (r order) has(a, b int32) bool { return r[a][b/64]>>(b%64)&1 == 1 }

func (r order) clone() order {
	out := make(order, len(r))
	flat := make([]uint64, len(r)*len(r[0]))
	for i := range r {
		out[i] = flat[i*len(r[0]) : (i+1)*len(r[0])]
		copy(out[i], r[i])
	}
	return out
}

// add puts a before b; false if b is before a already.
func (r order) add(a, b int32) bool {
	if a == b || r.has(b, a) {
		return false
	}
	if r.has(a, b) {
		return true
	}
	for x := range r {
		if int32(x) == a || r.has(int32(x), a) { // #nosec G115 -- some hundred steps
			for w := range r[x] {
				r[x][w] |= r[b][w]
			}
			r[x][b/64] |= 1 << (b % 64)
		}
	}
	return true
}

func newSequence(o *Order, twice string) (*sequence, error) {
	q := &sequence{}
	for i := range o.States {
		q.states = append(q.states, &o.States[i])
	}
	for i := range o.Jobs {
		q.jobs = append(q.jobs, &o.Jobs[i])
	}
	slices.SortFunc(q.states, func(a, b *Site) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortFunc(q.jobs, func(a, b *Piece) int { return cmp.Compare(a.ID, b.ID) })
	node := func(s Step) int32 {
		q.steps = append(q.steps, s)
		return int32(len(q.steps) - 1) // #nosec G115 -- some hundred steps
	}
	job, site := map[string]int32{}, map[string]*Site{}
	opens, shuts := map[string][]int32{}, map[string][]int32{} // by visit
	for _, j := range q.jobs {
		if _, is := job[j.ID]; is {
			return nil, fmt.Errorf("plan: there are two jobs %q in the order", j.ID)
		}
		job[j.ID] = node(Step{Does, j.ID, 1})
	}
	closer := map[string]int32{}
	for _, j := range q.jobs {
		for _, s := range j.Closes {
			if _, is := closer[s]; !is {
				closer[s] = job[j.ID]
			}
		}
	}
	must := func(why Conflict, a, b int32) {
		if a != b {
			q.relations = append(q.relations, relation{why, [][][2]int32{{{a, b}}}})
		}
	}
	for _, s := range q.states {
		if site[s.ID] != nil {
			return nil, fmt.Errorf("plan: there are two states %q in the order", s.ID)
		}
		site[s.ID] = s
		visits := 1
		if s.ID == twice {
			visits = 2
		}
		for v := range visits {
			opens[s.ID] = append(opens[s.ID], node(Step{Opens, s.ID, v + 1}))
			if at, is := closer[s.ID]; is && v == visits-1 {
				shuts[s.ID] = append(shuts[s.ID], at)
			} else {
				shuts[s.ID] = append(shuts[s.ID], node(Step{Shuts, s.ID, v + 1}))
			}
			must(Conflict{"inside", s.ID, s.ID}, opens[s.ID][v], shuts[s.ID][v])
			if v > 0 {
				must(Conflict{"inside", s.ID, s.ID}, shuts[s.ID][v-1], opens[s.ID][v])
			}
		}
	}
	// within puts a step or a pair of steps inside one of the visits of a state.
	within := func(why Conflict, first, last int32, state string) {
		r := relation{why: why}
		for v := range opens[state] {
			alt := [][2]int32{{opens[state][v], first}}
			if last != shuts[state][v] {
				alt = append(alt, [2]int32{last, shuts[state][v]})
			}
			r.alt = append(r.alt, alt)
		}
		q.relations = append(q.relations, r)
	}
	for _, s := range q.states {
		for v := range opens[s.ID] {
			for _, n := range s.Needs {
				if site[n] == nil {
					return nil, fmt.Errorf("plan: state %q needs %q, which is not opened", s.ID, n)
				}
				within(Conflict{"inside", s.ID, n}, opens[s.ID][v], shuts[s.ID][v], n)
			}
			for _, k := range s.First {
				if at, is := job[k]; is && (v > 0 || !s.Already) {
					must(Conflict{"first", k, s.ID}, at, opens[s.ID][v])
				}
			}
			for _, k := range s.Then {
				if at, is := job[k]; is {
					must(Conflict{"then", s.ID, k}, shuts[s.ID][v], at)
				}
			}
		}
	}
	for _, s := range q.states {
		if !s.Already {
			continue
		}
		for _, j := range q.jobs {
			must(Conflict{"already", s.ID, j.ID}, opens[s.ID][0], job[j.ID])
		}
		for _, other := range q.states {
			if !other.Already {
				must(Conflict{"already", s.ID, other.ID}, opens[s.ID][0], opens[other.ID][0])
			}
		}
	}
	reporters := map[string][]string{}
	for _, j := range q.jobs {
		for _, g := range j.Reports {
			reporters[g] = append(reporters[g], j.ID)
		}
	}
	for _, j := range q.jobs {
		at := job[j.ID]
		for _, s := range j.Open {
			if site[s] == nil {
				return nil, fmt.Errorf("plan: job %q needs %q, which is not opened", j.ID, s)
			}
			within(Conflict{"inside", j.ID, s}, at, at, s)
		}
		for _, s := range j.Shut {
			if site[s] == nil || closer[s] == at && slices.Contains(j.Closes, s) {
				continue
			}
			r := relation{why: Conflict{"fitted", j.ID, s}}
			last := len(opens[s]) - 1
			before, behind := [][2]int32{{at, opens[s][0]}}, [][2]int32{{shuts[s][last], at}}
			r.alt = append(r.alt, before)
			for v := range last {
				r.alt = append(r.alt, [][2]int32{{shuts[s][v], at}, {at, opens[s][v+1]}})
			}
			r.alt = append(r.alt, behind)
			if j.Proof {
				slices.Reverse(r.alt)
			}
			q.relations = append(q.relations, r)
		}
		for _, k := range j.After {
			if first, is := job[k]; is {
				must(Conflict{"after", k, j.ID}, first, at)
			}
		}
		for _, g := range j.Spoils {
			for _, k := range reporters[g] {
				must(Conflict{"spoils", j.ID, k}, at, job[k])
			}
		}
	}
	for _, s := range q.states {
		for _, g := range s.Spoils {
			for _, k := range reporters[g] {
				for v := range shuts[s.ID] {
					must(Conflict{"spoils", s.ID, k}, shuts[s.ID][v], job[k])
				}
			}
		}
	}
	return q, nil
}

// search looks for an order in which the relations hold.
func (q *sequence) search(relations []relation) bool {
	n := len(q.steps)
	if n == 0 {
		return true
	}
	start := make(order, n)
	for i := range start {
		start[i] = make([]uint64, (n+63)/64)
	}
	q.chosen = nil
	open := make([]int, len(relations))
	for i := range open {
		open[i] = i
	}
	return q.descend(relations, open, start)
}

// possible says whether an alternative can hold, and whether it does already.
func (r order) possible(alt [][2]int32) (can, does bool) {
	does = true
	for _, p := range alt {
		if p[0] == p[1] || r.has(p[1], p[0]) {
			return false, false
		}
		does = does && r.has(p[0], p[1])
	}
	return true, does
}

// descend settles what has only one alternative left, and tries the alternatives of one of the others. open
// are the relations not settled yet.
func (q *sequence) descend(relations []relation, open []int, r order) bool {
	settle := func(alt [][2]int32) bool {
		for _, p := range alt {
			if !r.add(p[0], p[1]) {
				return false
			}
			q.chosen = append(q.chosen, p)
		}
		return true
	}
	kept := len(q.chosen)
	fail := func() bool { q.chosen = q.chosen[:kept]; return false }
	branch := -1
	for again := true; again; {
		again, branch = false, -1
		fewest := 0
		rest := open[:0:0]
		for _, i := range open {
			var left [][][2]int32
			done := false
			for _, alt := range relations[i].alt {
				can, does := r.possible(alt)
				if does {
					left, done = [][][2]int32{alt}, true
					break
				}
				if can {
					left = append(left, alt)
				}
			}
			switch {
			case len(left) == 0:
				return fail()
			case done || len(left) == 1:
				if !settle(left[0]) {
					return fail()
				}
				again = again || !done
			default:
				rest = append(rest, i)
				if branch < 0 || len(left) < fewest {
					branch, fewest = i, len(left)
				}
			}
		}
		open = rest
	}
	if branch < 0 {
		q.after = r
		return true
	}
	for _, alt := range relations[branch].alt {
		if can, _ := r.possible(alt); !can {
			continue
		}
		if q.tries >= maxTries {
			return fail()
		}
		q.tries++
		next := r.clone()
		mark := len(q.chosen)
		ok := true
		for _, p := range alt {
			ok = ok && next.add(p[0], p[1])
			q.chosen = append(q.chosen, p)
		}
		if ok && q.descend(relations, slices.DeleteFunc(slices.Clone(open), func(i int) bool { return i == branch }), next) {
			return true
		}
		q.chosen = q.chosen[:mark]
	}
	return fail()
}

// clash leaves out of the relations what can be left out while there is still no order.
func (q *sequence) clash() []Conflict {
	kept := slices.Clone(q.relations)
	try := func(without []relation) bool {
		p := &sequence{steps: q.steps}
		return !p.search(without) && p.tries < maxTries
	}
	// Whole stretches go first: most relations have nothing to do with it.
	for size := len(kept) / 2; size >= 1; size /= 2 {
		for at := 0; at < len(kept); {
			without := slices.Concat(kept[:at], kept[min(len(kept), at+size):])
			if try(without) {
				kept = without
			} else {
				at += size
			}
		}
	}
	var out []Conflict
	for _, r := range kept {
		if r.why.One != r.why.Other && !slices.Contains(out, r.why) {
			out = append(out, r.why)
		}
	}
	return out
}

// path writes the order down: what is ready and can be done without opening more comes first, then what
// can be shut, then what has to be opened, the latest opening first.
func (q *sequence) path() *Path {
	p := &Path{Tries: q.tries}
	n := len(q.steps)
	if n == 0 {
		return p
	}
	waits := make([]int, n)
	for a := range n {
		for w, set := range q.after[a] {
			for ; set != 0; set &= set - 1 {
				waits[w*64+bits.TrailingZeros64(set)]++
			}
		}
	}
	piece, site := map[string]*Piece{}, map[string]*Site{}
	for _, j := range q.jobs {
		piece[j.ID] = j
	}
	for _, s := range q.states {
		site[s.ID] = s
	}
	rank := func(s Step) int {
		switch s.Act {
		case Shuts:
			return 2
		case Opens:
			return 3
		}
		switch j := piece[s.ID]; {
		case !j.Proof:
			return 0
		case len(j.Open) > 0:
			return 1
		}
		return 4
	}
	openedAt := map[string]int{}
	place := make([]int, n)
	done := make([]bool, n)
	for len(p.Steps) < n {
		best := -1
		var bestKey [2]int
		for i, s := range q.steps {
			if done[i] || waits[i] > 0 {
				continue
			}
			key := [2]int{rank(s)}
			if s.Act == Opens {
				for _, need := range site[s.ID].Needs {
					key[1] = min(key[1], -openedAt[need])
				}
			}
			if best < 0 || slices.Compare(key[:], bestKey[:]) < 0 || key == bestKey && s.ID < q.steps[best].ID {
				best, bestKey = i, key
			}
		}
		done[best] = true
		place[best] = len(p.Steps)
		p.Steps = append(p.Steps, q.steps[best])
		if s := q.steps[best]; s.Act == Opens {
			openedAt[s.ID] = len(p.Steps)
		}
		for w, set := range q.after[best] {
			for ; set != 0; set &= set - 1 {
				waits[w*64+bits.TrailingZeros64(set)]--
			}
		}
	}
	for _, e := range q.chosen {
		p.Before = append(p.Before, [2]int{place[e[0]], place[e[1]]})
	}
	slices.SortFunc(p.Before, func(a, b [2]int) int { return slices.Compare(a[:], b[:]) })
	p.Before = slices.Compact(p.Before)
	return p
}
