package plan

import (
	"container/heap"
	"slices"
)

// search finds the cheapest set of actions that leads to all goals. Bounds come from landmarks (sets of
// actions of which every answer has at least one): each raises the bound by the least cost left among its
// actions, which all pay it (dual ascent). An action whose cost left would lift the bound to the best
// answer known is in no better one. What remains open is branched upon, best bound first.
//
// Delete-free planning and landmarks: Haslum, Slaney, Thiebaux, "Minimal landmarks for optimal delete-free
// planning", ICAPS 2012; Helmert and Domshlak, "Landmarks, critical paths and abstractions", ICAPS 2009
// (both from memory).
type search struct {
	acts  []action
	atoms int
	goals []int32
	adder [][]int32 // actions that add an atom
	user  [][]int32 // actions that need it
	free  []int32   // actions that need nothing

	work  int
	best  []bool // the best answer known
	cost  int64  // its cost, scaled
	bound int64  // what any answer costs at least, scaled

	// Of one ascent, kept to save memory.
	left      []int64 // cost left
	reached   []bool  // by actions with no cost left
	waits     []int32 // of how many atoms an action still waits
	applied   []bool
	queue     []int32
	in        []int32 // stamp: the atom is inside the cut
	seen      []int32 // stamp: the action was looked at
	stamp     int32
	landmarks []landmark
	cutSize   []int32 // by goal, at the last time
	value     []int64 // estimate of what reaching an atom costs
}

type landmark struct {
	acts   []int32
	raised int64
}

const never = int64(1) << 62

// The states of an action in a node.
const (
	open int8 = iota
	taken
	barred
)

func newSearch(acts []action, atoms int, goals []int32) *search {
	s := &search{acts: acts, atoms: atoms, goals: goals, cost: never}
	s.adder, s.user = make([][]int32, atoms), make([][]int32, atoms)
	for i := range acts {
		a := int32(i) // #nosec G115 -- a problem has some thousand actions
		for _, f := range acts[i].add {
			s.adder[f] = append(s.adder[f], a)
		}
		for _, f := range acts[i].pre {
			s.user[f] = append(s.user[f], a)
		}
		if len(acts[i].pre) == 0 {
			s.free = append(s.free, a)
		}
	}
	n := len(acts)
	s.left, s.waits, s.applied, s.seen = make([]int64, n), make([]int32, n), make([]bool, n), make([]int32, n)
	s.reached, s.in, s.value = make([]bool, atoms), make([]int32, atoms), make([]int64, atoms)
	s.cutSize = make([]int32, len(goals))
	return s
}

// begin makes nothing reached.
func (s *search) begin() {
	clear(s.reached)
	clear(s.applied)
	for i := range s.acts {
		s.waits[i] = int32(len(s.acts[i].pre)) // #nosec G115 -- few
	}
}

// apply reaches what the action adds, and all that follows by actions that may be used.
func (s *search) apply(a int32, may func(int32) bool) {
	s.queue = append(s.queue[:0], a)
	s.applied[a] = true
	for len(s.queue) > 0 {
		a := s.queue[len(s.queue)-1]
		s.queue = s.queue[:len(s.queue)-1]
		for _, f := range s.acts[a].add {
			if s.reached[f] {
				continue
			}
			s.reached[f] = true
			for _, u := range s.user[f] {
				s.waits[u]--
				if s.waits[u] == 0 && !s.applied[u] && may(u) {
					s.applied[u] = true
					s.queue = append(s.queue, u)
				}
			}
		}
	}
}

// reach reaches all that the actions that may be used lead to, and says whether all goals are among it.
func (s *search) reach(may func(int32) bool) bool {
	s.begin()
	for _, a := range s.free {
		if !s.applied[a] && may(a) {
			s.apply(a, may)
		}
	}
	return s.arrived()
}

func (s *search) arrived() bool {
	for _, g := range s.goals {
		if !s.reached[g] {
			return false
		}
	}
	return true
}

// missing returns the goals that all actions together do not reach.
func (s *search) missing() []int32 {
	s.reach(func(int32) bool { return true })
	var out []int32
	for _, g := range s.goals {
		if !s.reached[g] {
			out = append(out, g)
		}
	}
	return out
}

// node is a part of the answers: some actions are taken, some barred.
type node struct {
	bound  int64
	state  []int8
	branch int32
	serial int
}

type nodes []*node

func (h nodes) Len() int { return len(h) }
func (h nodes) Less(i, j int) bool {
	if h[i].bound != h[j].bound {
		return h[i].bound < h[j].bound
	}
	return h[i].serial > h[j].serial // the deeper
}
func (h nodes) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *nodes) Push(x any)   { *h = append(*h, x.(*node)) }
func (h *nodes) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}

// run searches until the best answer is proven or the limit of work is reached.
func (s *search) run(limit int) {
	root := &node{state: make([]int8, len(s.acts))}
	s.prune(root.state)
	if !s.look(root, limit) {
		s.bound = s.cost
		return
	}
	h := &nodes{root}
	serial := 0
	for h.Len() > 0 {
		n := heap.Pop(h).(*node)
		if n.bound >= s.cost {
			break // and so is every other
		}
		if s.work >= limit {
			s.bound = n.bound
			return
		}
		for _, state := range []int8{barred, taken} {
			child := &node{bound: n.bound, state: slices.Clone(n.state)}
			child.state[n.branch] = state
			serial++
			child.serial = serial
			if s.look(child, limit) {
				heap.Push(h, child)
			}
		}
	}
	s.bound = s.cost
}

// prune bars what leads to no goal, or cannot be reached.
func (s *search) prune(state []int8) {
	s.reach(func(int32) bool { return true })
	wanted := make([]bool, s.atoms)
	todo := slices.Clone(s.goals)
	for _, g := range todo {
		wanted[g] = true
	}
	useful := make([]bool, len(s.acts))
	for len(todo) > 0 {
		f := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for _, a := range s.adder[f] {
			if useful[a] || !s.applied[a] {
				continue
			}
			useful[a] = true
			for _, q := range s.acts[a].pre {
				if !wanted[q] {
					wanted[q] = true
					todo = append(todo, q)
				}
			}
		}
	}
	for a := range state {
		if !useful[a] {
			state[a] = barred
		}
	}
}

// necessary takes every action without which the goals are not reached, which is one of any answer. It
// returns false if they are not reached at all.
func (s *search) necessary(state []int8, plan []bool) bool {
	may := func(a int32) bool { return state[a] != barred }
	if !s.reach(may) {
		return false
	}
	for a := range state {
		if state[a] == open && plan[a] {
			state[a] = barred
			if !s.reach(may) {
				state[a] = taken
			} else {
				state[a] = open
			}
		}
	}
	return true
}

// glances is how often a node is looked at again while its bound still bars actions.
const glances = 6

// look works out the bound of a node, an answer, what may be barred, and where to branch. It returns false
// if nothing better than the best answer is to be had in it.
func (s *search) look(n *node, limit int) bool {
	for round := range glances {
		s.work++
		lower, ok := s.ascend(n.state, round)
		if !ok {
			return false
		}
		n.bound = max(n.bound, lower)
		plan, cost := s.answer(n.state)
		if cost < s.cost {
			s.cost, s.best = cost, plan
		}
		if n.bound >= s.cost {
			return false
		}
		n.branch = s.choose(n.state, plan)
		bars := 0
		for a := range n.state {
			if n.state[a] == open && lower+s.left[a] >= s.cost {
				n.state[a] = barred
				bars++
			}
		}
		if n.branch < 0 || s.work >= limit || bars == 0 && round > 0 {
			break
		}
		if bars > 0 && !s.necessary(n.state, plan) {
			return false
		}
	}
	return n.branch >= 0
}

// ascend raises landmarks until the goals are reached by actions with no cost left. It returns the bound,
// and false if the goals cannot be reached.
func (s *search) ascend(state []int8, round int) (int64, bool) {
	var bound int64
	for a := range s.acts {
		switch state[a] {
		case taken:
			bound += s.acts[a].cost
			s.left[a] = 0
		case barred:
			s.left[a] = never
		default:
			s.left[a] = s.acts[a].cost
		}
	}
	s.estimate()
	s.landmarks = s.landmarks[:0]
	may := func(a int32) bool { return s.left[a] == 0 }
	if s.reach(may) {
		return bound, true
	}
	clear(s.cutSize)
	for {
		// The goal with the smallest cut at the last time comes first: small cuts raise the bound most.
		at := -1
		for i, g := range s.goals {
			if !s.reached[g] && (at < 0 || s.cutSize[i] < s.cutSize[at]) {
				at = i
			}
		}
		if at < 0 {
			return bound, true
		}
		cut := s.cut(s.goals[at], round)
		if len(cut) == 0 {
			return 0, false
		}
		s.cutSize[at] = int32(len(cut)) // #nosec G115 -- few
		least := never
		for _, a := range cut {
			least = min(least, s.left[a])
		}
		bound += least
		s.landmarks = append(s.landmarks, landmark{cut, least})
		for _, a := range cut {
			s.left[a] -= least
		}
		for _, a := range cut {
			if s.left[a] == 0 && s.waits[a] == 0 && !s.applied[a] {
				s.apply(a, may)
			}
		}
	}
}

// cut returns a landmark for an atom that is not reached: the actions that enter a set of atoms, none of
// them reached, into which no action without cost leads from outside.
func (s *search) cut(goal int32, round int) []int32 {
	s.stamp++
	in := s.stamp
	s.in[goal] = in
	inside := []int32{goal}
	var border []int32
	for i := 0; i < len(inside); i++ {
		for _, a := range s.adder[inside[i]] {
			if s.left[a] == never || s.seen[a] == in {
				continue
			}
			s.seen[a] = in
			if s.left[a] > 0 {
				border = append(border, a)
				continue
			}
			// An action without cost that has not been applied waits for something: that goes inside too.
			if s.entersFromInside(a, in) {
				continue
			}
			pick := int32(-1)
			for _, f := range s.acts[a].pre {
				if !s.reached[f] && (pick < 0 || s.before(f, pick, round)) {
					pick = f
				}
			}
			s.in[pick] = in
			inside = append(inside, pick)
		}
	}
	out := border[:0]
	for _, a := range border {
		if !s.entersFromInside(a, in) {
			out = append(out, a)
		}
	}
	return out
}

func (s *search) before(f, than int32, round int) bool {
	if round%2 == 1 {
		return s.value[f] < s.value[than]
	}
	return s.value[f] > s.value[than]
}

func (s *search) entersFromInside(a, in int32) bool {
	for _, f := range s.acts[a].pre {
		if s.in[f] == in {
			return true
		}
	}
	return false
}

// estimate works out for each atom what reaching it costs at least if of several needs only the dearest
// is paid for (h-max), by the costs left.
func (s *search) estimate() {
	for f := range s.value {
		s.value[f] = never
	}
	s.spread(s.left, func(sum, v int64) int64 { return max(sum, v) })
}

// spread is Dijkstra's algorithm on actions with several needs: it fills value, and returns for each atom
// the action by which it is reached, -1 for none.
func (s *search) spread(cost []int64, join func(sum, v int64) int64) []int32 {
	by := make([]int32, s.atoms)
	for f := range by {
		by[f] = -1
	}
	need := make([]int64, len(s.acts))
	h := &costHeap{}
	enter := func(a int32) {
		if cost[a] >= never {
			return
		}
		v := need[a] + cost[a]
		for _, f := range s.acts[a].add {
			if v < s.value[f] {
				s.value[f], by[f] = v, a
				h.push(costed{v, f})
			}
		}
	}
	for a := range s.acts {
		s.waits[a] = int32(len(s.acts[a].pre)) // #nosec G115 -- few
	}
	for _, a := range s.free {
		enter(a)
	}
	for len(*h) > 0 {
		top := h.pop()
		if top.cost > s.value[top.atom] {
			continue
		}
		for _, u := range s.user[top.atom] {
			s.waits[u]--
			need[u] = join(need[u], top.cost)
			if s.waits[u] == 0 {
				enter(u)
			}
		}
	}
	return by
}

type costed struct {
	cost int64
	atom int32
}

// costHeap is a heap of costs without the indirection of package container/heap: it is in the inner loop.
type costHeap []costed

func (h costHeap) less(i, j int) bool {
	return h[i].cost < h[j].cost || h[i].cost == h[j].cost && h[i].atom < h[j].atom
}

func (h *costHeap) push(c costed) {
	*h = append(*h, c)
	for i := len(*h) - 1; i > 0; {
		up := (i - 1) / 2
		if !h.less(i, up) {
			return
		}
		(*h)[i], (*h)[up] = (*h)[up], (*h)[i]
		i = up
	}
}

func (h *costHeap) pop() costed {
	top := (*h)[0]
	n := len(*h) - 1
	(*h)[0] = (*h)[n]
	*h = (*h)[:n]
	for i := 0; ; {
		least := i
		for k := 2*i + 1; k <= 2*i+2 && k < n; k++ {
			if h.less(k, least) {
				least = k
			}
		}
		if least == i {
			return top
		}
		(*h)[i], (*h)[least] = (*h)[least], (*h)[i]
		i = least
	}
}

// answer makes an answer of the actions that the ascent left without cost, and leaves out what it can do
// without, the dearest first.
func (s *search) answer(state []int8) ([]bool, int64) {
	cost := make([]int64, len(s.acts))
	for a := range s.acts {
		switch {
		case s.left[a] != 0:
			cost[a] = never
		case state[a] == taken:
			cost[a] = 0
		default:
			cost[a] = s.acts[a].cost
		}
	}
	for f := range s.value {
		s.value[f] = never
	}
	by := s.spread(cost, func(sum, v int64) int64 { return min(sum+v, never/2) })
	plan := make([]bool, len(s.acts))
	todo := slices.Clone(s.goals)
	for len(todo) > 0 {
		f := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if a := by[f]; !plan[a] {
			plan[a] = true
			todo = append(todo, s.acts[a].pre...)
		}
	}
	s.thin(plan)
	var sum int64
	for a, is := range plan {
		if is {
			sum += s.acts[a].cost
		}
	}
	return plan, sum
}

// thin leaves out what the plan can do without.
func (s *search) thin(plan []bool) {
	var order []int32
	for a, is := range plan {
		if is {
			order = append(order, int32(a)) // #nosec G115 -- few
		}
	}
	slices.SortFunc(order, func(a, b int32) int {
		if d := s.acts[b].cost - s.acts[a].cost; d != 0 {
			return int(max(-1, min(1, d)))
		}
		return int(a - b)
	})
	may := func(a int32) bool { return plan[a] }
	for _, a := range order {
		plan[a] = false
		if !s.reach(may) {
			plan[a] = true
		}
	}
}

// choose returns the action to branch on: that of the answer that sits in most of what the landmarks pay
// twice; -1 if nothing is paid twice, so that the answer is the cheapest of the node.
func (s *search) choose(state []int8, plan []bool) int32 {
	weight := make([]int64, len(s.acts))
	for _, l := range s.landmarks {
		hits := int64(0)
		for _, a := range l.acts {
			if plan[a] {
				hits++
			}
		}
		if hits < 2 {
			continue
		}
		for _, a := range l.acts {
			if plan[a] && state[a] == open {
				weight[a] += l.raised * (hits - 1)
			}
		}
	}
	at := int32(-1)
	for a, w := range weight {
		if w > 0 && (at < 0 || w > weight[at]) {
			at = int32(a) // #nosec G115 -- few
		}
	}
	return at
}
