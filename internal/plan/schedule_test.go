package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// network makes steps of lines "id minutes predecessors".
func network(t *testing.T, text string) Network {
	t.Helper()
	var n Network
	at := map[string]int{}
	for line := range strings.Lines(strings.TrimSpace(text)) {
		f := strings.Fields(line)
		w := Work{ID: f[0]}
		if _, err := fmt.Sscan(f[1], &w.Minutes); err != nil {
			t.Fatal(err)
		}
		for _, p := range f[2:] {
			w.After = append(w.After, Link{Step: at[p]})
		}
		at[w.ID] = len(n)
		n = append(n, w)
	}
	return n
}

// Taylor, Introduction to Management Science, chapter 8: seven activities, given as arrows between events
// (read in a second-hand copy; reckoned anew).
func TestCriticalPathOfATextbook(t *testing.T) {
	n := network(t, `
1-2 7
1-3 10
2-4 6 1-2
3-4 5 1-3
3-5 4 1-3
4-5 3 2-4 3-4
5-6 2 3-5 4-5`)
	got, err := n.Times()
	if err != nil {
		t.Fatal(err)
	}
	want := &Timing{
		ES: []int64{0, 0, 7, 10, 10, 15, 18}, EF: []int64{7, 10, 13, 15, 14, 18, 20},
		LS: []int64{2, 0, 9, 10, 14, 15, 18}, LF: []int64{9, 10, 15, 15, 18, 18, 20}, Length: 20,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	var path []string
	for i := range n {
		if got.Float(i) == 0 {
			path = append(path, n[i].ID)
		}
	}
	if want := []string{"1-3", "3-4", "4-5", "5-6"}; !slices.Equal(path, want) {
		t.Errorf("path %v", path)
	}
}

// A PERT exercise of fourteen activities (low, likely, high; read second-hand, reckoned anew): A-C-E-H-I-K-M-N,
// 50.8333 days, variance 11.194444, done in 55 days with probability 0.893496. Means are counted in sixths,
// so that they are whole. Its variance is the table's ((b-a)/6)^2, which is not that of the beta.
func TestPERTOfATextbook(t *testing.T) {
	type estimate struct{ low, likely, high int64 }
	of := map[string]estimate{
		"A": {5, 5, 7}, "B": {1, 2, 5}, "C": {5, 5, 5}, "D": {4, 8, 13}, "E": {1, 10, 17}, "F": {1, 5, 7}, "G": {2, 6, 9},
		"H": {4, 4, 6}, "I": {2, 7, 10}, "J": {2, 4, 7}, "K": {6, 10, 13}, "L": {2, 6, 6}, "M": {2, 2, 3}, "N": {7, 7, 12},
	}
	n := network(t, "A 0\nB 0\nC 0 A\nD 0 A\nE 0 B C\nF 0 D\nG 0 D\nH 0 E F\nI 0 G H\nJ 0 I\nK 0 I\nL 0 J\nM 0 K\nN 0 L M")
	for i := range n {
		e := of[n[i].ID]
		n[i].Minutes = e.low + 4*e.likely + e.high
	}
	got, err := n.Times()
	if err != nil {
		t.Fatal(err)
	}
	if got.Length != 305 {
		t.Errorf("%d sixths of a day, want 305 (50.8333 days)", got.Length)
	}
	slack := map[string]int64{"B": 48, "D": 11, "F": 11, "G": 30, "J": 15, "L": 15} // 8, 1.8333, 1.8333, 5, 2.5, 2.5
	variance := 0.0
	path := ""
	for i := range n {
		if got.Float(i) != slack[n[i].ID] {
			t.Errorf("%s has a float of %d sixths, want %d", n[i].ID, got.Float(i), slack[n[i].ID])
		}
		if got.Float(i) == 0 {
			path += n[i].ID
			d := float64(of[n[i].ID].high-of[n[i].ID].low) / 6
			variance += d * d
		}
	}
	if path != "ACEHIKMN" || math.Abs(variance-11.194444) > 1e-6 {
		t.Errorf("path %s, variance %f", path, variance)
	}
	if p := normal((55 - 305.0/6) / math.Sqrt(variance)); math.Abs(p-0.893496) > 1e-6 {
		t.Errorf("done in 55 days with probability %f", p)
	}
}

// normal is the normal distribution function.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

func TestWhatWaitsForItselfIsRefused(t *testing.T) {
	n := Network{{ID: "a", After: []Link{{Step: 1}}}, {ID: "b", After: []Link{{Step: 0}}}}
	if _, err := n.Times(); err == nil {
		t.Error("a ring has times")
	}
	if _, err := (&Project{Work: n}).Schedule(); err == nil {
		t.Error("a ring has a schedule")
	}
	if _, err := (&Project{Work: Network{{ID: "a", Needs: []Demand{{0, 2}}}}, Capacity: []int{1}}).Schedule(); err == nil {
		t.Error("two people where there is one")
	}
	// Each holds what the other needs.
	locked := &Project{Capacity: []int{1}, Work: Network{
		{ID: "a", Minutes: 1, Holds: []Hold{{Demand{0, 1}, 2}}}, {ID: "b", Minutes: 1, Needs: []Demand{{0, 1}}, After: []Link{{Step: 0}}}, {ID: "c", After: []Link{{Step: 1}}}}}
	if s, err := locked.Schedule(); err == nil {
		t.Errorf("a lift in two places: %v", s)
	}
}

// smallProject draws a project with people, a lift that is held, lags and parts on their way.
func smallProject(r *rand.Rand, n int) *Project {
	p := &Project{Capacity: []int{1 + r.IntN(3), 1}}
	for i := range n {
		w := Work{ID: fmt.Sprintf("w%d", i), Minutes: int64(r.IntN(9)), Needs: []Demand{{0, 1 + r.IntN(p.Capacity[0])}}}
		for k := range i {
			if r.IntN(4) == 0 {
				w.After = append(w.After, Link{k, int64(r.IntN(2) * r.IntN(5))})
			}
		}
		if r.IntN(5) == 0 {
			w.Release = int64(r.IntN(15))
		}
		p.Work = append(p.Work, w)
	}
	// A pair holds the lift, and between them others do not wait for it.
	if n >= 4 && r.IntN(2) == 0 {
		a := r.IntN(n - 1)
		b := a + 1 + r.IntN(n-a-1)
		p.Work[a].Holds = []Hold{{Demand{1, 1}, b}}
		if !slices.ContainsFunc(p.Work[b].After, func(l Link) bool { return l.Step == a }) {
			p.Work[b].After = append(p.Work[b].After, Link{Step: a})
		}
		if c := r.IntN(n); c != a && c != b && c < a {
			p.Work[c].Needs = append(p.Work[c].Needs, Demand{1, 1})
		}
	}
	return p
}

// checkSchedule holds a schedule against the project's own words, minute by minute.
func checkSchedule(t interface {
	Helper()
	Errorf(string, ...any)
}, p *Project, start []int64, makespan int64) {
	t.Helper()
	for i, w := range p.Work {
		if start[i] < w.Release || start[i]+w.Minutes > makespan {
			t.Errorf("%s from %d for %d, released at %d, all done at %d", w.ID, start[i], w.Minutes, w.Release, makespan)
		}
		for _, l := range w.After {
			if start[i] < start[l.Step]+p.Work[l.Step].Minutes+l.Lag {
				t.Errorf("%s at %d, too soon after %s", w.ID, start[i], p.Work[l.Step].ID)
			}
		}
	}
	for at := range makespan {
		taken := make([]int, len(p.Capacity))
		for i, w := range p.Work {
			if start[i] <= at && at < start[i]+w.Minutes {
				for _, d := range w.Needs {
					taken[d.Resource] += d.Amount
				}
			}
			for _, h := range w.Holds {
				if start[i] <= at && at < start[h.Until]+p.Work[h.Until].Minutes {
					taken[h.Resource] += h.Amount
				}
			}
		}
		for r := range taken {
			if taken[r] > p.Capacity[r] {
				t.Errorf("at %d resource %d has %d of %d taken", at, r, taken[r], p.Capacity[r])
			}
		}
	}
}

// shortest tries all orders: serial generation reaches an optimal schedule from one of them (Sprecher,
// Kolisch, Drexl 1995, from memory).
func shortest(p *Project) int64 {
	n := len(p.Work)
	priority := make([]int64, n)
	best := forever
	var permute func(k int)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	permute = func(k int) {
		if k == n {
			for at, i := range order {
				priority[i] = int64(at)
			}
			if start, ok := p.serial(priority, false); ok {
				best = min(best, p.makespan(start))
			}
			return
		}
		for i := k; i < n; i++ {
			order[k], order[i] = order[i], order[k]
			permute(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	permute(0)
	return best
}

func TestSchedulesAreFeasibleAndSmallOnesShortest(t *testing.T) {
	const cases = 150
	longer := 0
	r := rand.New(rand.NewPCG(14, 7))
	for i := range cases {
		p := smallProject(r, 3+r.IntN(4))
		s, err := p.Schedule()
		if err != nil {
			t.Fatalf("case %d: %v\n%+v", i, err, p)
		}
		checkSchedule(t, p, s.Start, s.Makespan)
		best := shortest(p)
		if s.Makespan < best || s.Bound > best {
			t.Errorf("case %d: %d, at least %d, and the shortest is %d", i, s.Makespan, s.Bound, best)
		}
		if s.Makespan > best {
			longer++
		}
	}
	if longer > cases/50 {
		t.Errorf("%d of %d are longer than the shortest", longer, cases)
	}
}

func TestSchedulesKeepWhatWasSaid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := smallProject(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 9)), rapid.IntRange(1, 25).Draw(t, "steps"))
		s, err := p.Schedule()
		if err != nil {
			t.Fatal(err)
		}
		checkSchedule(t, p, s.Start, s.Makespan)
		if s.Makespan < s.Bound || s.Bound < s.Timing.Length {
			t.Errorf("makespan %d, bound %d, path %d", s.Makespan, s.Bound, s.Timing.Length)
		}
		critical := false
		for i := range p.Work {
			if s.Timing.ES[i] > s.Timing.LS[i] || s.Timing.EF[i] != s.Timing.ES[i]+p.Work[i].Minutes || s.Start[i] < s.Timing.ES[i] {
				t.Errorf("step %d: %+v starts at %d", i, s.Timing, s.Start[i])
			}
			critical = critical || s.Timing.Float(i) == 0
			// The slack can be used, whole and by half, one step at a time.
			for _, by := range []int64{s.Slack[i], s.Slack[i] / 2} {
				moved := slices.Clone(s.Start)
				moved[i] += by
				checkSchedule(t, p, moved, s.Makespan)
			}
		}
		if !critical {
			t.Error("no step is critical")
		}
		again, err := p.Schedule()
		if err != nil || cmp.Diff(s, again) != "" {
			t.Errorf("another schedule: %v %s", err, cmp.Diff(s, again))
		}
		// One person with nothing to wait for is never idle.
		alone := &Project{Work: slices.Clone(p.Work), Capacity: []int{1}}
		total := int64(0)
		for i := range alone.Work {
			w := &alone.Work[i]
			w.Needs, w.Holds, w.Release, w.After = []Demand{{0, 1}}, nil, 0, slices.Clone(w.After)
			for k := range w.After {
				w.After[k].Lag = 0
			}
			total += w.Minutes
		}
		if one, err := alone.Schedule(); err != nil || one.Makespan != total {
			t.Errorf("one person: %v, %v, want %d", one, err, total)
		}
	})
}

func TestStreamsAreThoseOfPCG(t *testing.T) {
	s := newStream("a")
	want := rand.NewPCG(s.hi, s.lo)
	for range 1000 {
		if a, b := s.uint64(), want.Uint64(); a != b {
			t.Fatalf("%x, want %x", a, b)
		}
	}
	if newStream("a").uint64() == newStream("b").uint64() {
		t.Error("two names have one stream")
	}
}

func BenchmarkSchedule(b *testing.B) {
	r := rand.New(rand.NewPCG(14, 11))
	p := &Project{Capacity: []int{2}}
	for i := range 350 {
		w := Work{ID: fmt.Sprintf("w%d", i), Minutes: int64(5 + r.IntN(200)), Needs: []Demand{{0, 1 + r.IntN(5)/4}}}
		for range min(i, 2) {
			w.After = append(w.After, Link{Step: r.IntN(i)})
		}
		p.Work = append(p.Work, w)
	}
	for b.Loop() {
		if _, err := p.Schedule(); err != nil {
			b.Fatal(err)
		}
	}
}
