package plan

import (
	"errors"
	"flag"
	"fmt"
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var graphs = flag.Int("graphs", 300, "how many small graphs are compared with brute force")

// smallProblem draws a problem small enough for brute force: ways that may hold each other up in rings,
// alternatives, jobs that need jobs, findings given by several, jobs to be done now or later.
func smallProblem(r *rand.Rand, choices int) *Problem {
	p := &Problem{}
	states := 2 + r.IntN(5)
	ways := 1 + r.IntN(choices-2)
	state := func() string { return fmt.Sprintf("s%d", r.IntN(states)) }
	some := func(most int) []string {
		var out []string
		for range r.IntN(most + 1) {
			if s := state(); !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
		return out
	}
	for i := range ways {
		needs := some(2)
		if i < states && r.IntN(2) == 0 {
			needs = nil
		}
		p.Ways = append(p.Ways, Way{ID: fmt.Sprintf("w%02d", i), Opens: state(), Needs: needs, Cost: int64(r.IntN(12)), Closing: int64(r.IntN(9))})
		if jobs := choices - ways; r.IntN(6) == 0 {
			p.Ways[i].Jobs = []string{fmt.Sprintf("j%02d", r.IntN(jobs))}
		}
	}
	for i := range choices - ways {
		j := Task{ID: fmt.Sprintf("j%02d", i), Cost: int64(r.IntN(8))}
		for range r.IntN(3) {
			j.Open = append(j.Open, some(2))
		}
		for range r.IntN(3) {
			j.Gives = append(j.Gives, fmt.Sprintf("f%d", r.IntN(4)))
		}
		if r.IntN(3) == 0 {
			j.Needs = append(j.Needs, fmt.Sprintf("j%02d", r.IntN(choices-ways)))
		}
		if r.IntN(4) == 0 {
			j.Closes = []string{state()}
		}
		switch r.IntN(4) {
		case 0:
			j.Optional, j.Later = true, int64(r.IntN(25))
		case 1:
			p.Must = append(p.Must, j.ID)
		}
		p.Jobs = append(p.Jobs, j)
	}
	for i := range 4 {
		if r.IntN(2) == 0 {
			p.Want = append(p.Want, fmt.Sprintf("f%d", i))
		}
	}
	return p
}

// holds says whether the ways and jobs are an answer, and what it costs, by the words of the contract alone.
func holds(p *Problem, ways, jobs map[string]bool) (int64, bool) {
	isOpen := map[string]bool{}
	var possible func(id string, seen map[string]bool) bool
	possible = func(id string, seen map[string]bool) bool {
		if seen[id] {
			return true
		}
		seen[id] = true
		j := p.Jobs[slices.IndexFunc(p.Jobs, func(j Task) bool { return j.ID == id })]
		access := len(j.Open) == 0
		for _, a := range j.Open {
			access = access || !slices.ContainsFunc(a, func(s string) bool { return !isOpen[s] })
		}
		return access && jobs[id] && !slices.ContainsFunc(j.Needs, func(n string) bool { return !possible(n, seen) })
	}
	for again := true; again; {
		again = false
		for _, w := range p.Ways {
			if ways[w.ID] && slices.ContainsFunc(w.Jobs, func(n string) bool { return !possible(n, map[string]bool{}) }) {
				continue
			}
			if ways[w.ID] && !isOpen[w.Opens] && !slices.ContainsFunc(w.Needs, func(s string) bool { return !isOpen[s] }) {
				isOpen[w.Opens], again = true, true
			}
		}
	}
	var cost int64
	for _, w := range p.Ways {
		if !ways[w.ID] {
			continue
		}
		cost += w.Cost
		if !slices.ContainsFunc(p.Jobs, func(j Task) bool { return jobs[j.ID] && slices.Contains(j.Closes, w.Opens) }) {
			cost += w.Closing
		}
	}
	given := map[string]bool{}
	for _, j := range p.Jobs {
		if !jobs[j.ID] {
			if j.Optional {
				cost += j.Later
			}
			if slices.Contains(p.Must, j.ID) {
				return 0, false
			}
			continue
		}
		cost += j.Cost
		access := len(j.Open) == 0
		for _, a := range j.Open {
			access = access || !slices.ContainsFunc(a, func(s string) bool { return !isOpen[s] })
		}
		if !access || slices.ContainsFunc(j.Needs, func(n string) bool { return !jobs[n] }) {
			return 0, false
		}
		for _, g := range j.Gives {
			given[g] = true
		}
	}
	for _, f := range p.Want {
		if !given[f] {
			return 0, false
		}
	}
	return cost, true
}

func bruteForce(p *Problem) (int64, bool) {
	best, found := int64(0), false
	n, m := len(p.Ways), len(p.Jobs)
	for set := range uint32(1) << (n + m) {
		// Most sets are dearer than what is known: their cost is had cheaply.
		cost := int64(0)
		for rest := set; rest != 0; rest &= rest - 1 {
			if i := bits.TrailingZeros32(rest); i < n {
				cost += p.Ways[i].Cost
			} else {
				cost += p.Jobs[i-n].Cost
			}
		}
		if found && cost >= best {
			continue
		}
		ways, jobs := map[string]bool{}, map[string]bool{}
		for i := range n {
			ways[p.Ways[i].ID] = set>>i&1 == 1
		}
		for i := range m {
			jobs[p.Jobs[i].ID] = set>>(n+i)&1 == 1
		}
		if cost, ok := holds(p, ways, jobs); ok && (!found || cost < best) {
			best, found = cost, true
		}
	}
	return best, found
}

func setOf(ids []string) map[string]bool {
	out := map[string]bool{}
	for _, id := range ids {
		out[id] = true
	}
	return out
}

// checkAnswer holds an answer against the problem's own words.
func checkAnswer(t interface {
	Helper()
	Errorf(string, ...any)
}, p *Problem, o *Opening) {
	t.Helper()
	cost, ok := holds(p, setOf(o.Ways), setOf(o.Jobs))
	if !ok || cost != o.Cost {
		t.Errorf("%d ways and %d jobs for %d are no answer, or cost %d", len(o.Ways), len(o.Jobs), o.Cost, cost)
	}
	if o.Bound > o.Cost || o.Proven != (o.Bound == o.Cost) || (o.Gap() == 0) != o.Proven {
		t.Errorf("cost %d, bound %d, proven %t, gap %d", o.Cost, o.Bound, o.Proven, o.Gap())
	}
	for _, j := range p.Jobs {
		if j.Optional && slices.Contains(o.Jobs, j.ID) == slices.Contains(o.Left, j.ID) {
			t.Errorf("optional job %s is both done and left, or neither", j.ID)
		}
	}
}

func TestTheOptimumIsThatOfBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 1))
	solved := 0
	for i := range *graphs {
		choices := 8 + r.IntN(4)
		if i%50 == 0 {
			choices = 16
		}
		p := smallProblem(r, choices)
		want, possible := bruteForce(p)
		o, err := p.Solve()
		var beyond *OutOfReach
		switch {
		case errors.As(err, &beyond):
			if possible {
				t.Fatalf("graph %d: %v, and it costs %d\n%+v", i, err, want, p)
			}
			continue
		case err != nil:
			t.Fatal(err)
		case !possible:
			t.Fatalf("graph %d: an answer where there is none: %+v to %+v", i, o, p)
		}
		solved++
		checkAnswer(t, p, o)
		if o.Cost != want || !o.Proven {
			t.Fatalf("graph %d: %+v, and the optimum is %d\n%+v", i, o, want, p)
		}
	}
	if solved < *graphs/4 {
		t.Errorf("only %d of %d graphs had an answer", solved, *graphs)
	}
	t.Logf("%d graphs, %d with an answer", *graphs, solved)
}

// vehicle draws a problem of the shape that vehicles have: a few ways lead to most states, jobs sit behind
// one or two of them, some behind either of two; the findings of must jobs are wanted and the others are
// to be done now or later, at a chance of what they would cost alone.
func vehicle(r *rand.Rand, states, jobs, must, later int) *Problem {
	p := &Problem{}
	alone := make([]int64, states) // what opening a state costs by its first way
	for s := range states {
		for k := range 1 + r.IntN(3)/2 + r.IntN(4)/3 {
			w := Way{ID: fmt.Sprintf("w%02d.%d", s, k), Opens: fmt.Sprintf("s%02d", s), Cost: 100 * int64(10+r.IntN(60))}
			if r.IntN(8) == 0 {
				w.Cost *= 8 // an engine comes out
			}
			need := w.Cost
			if s > 5 {
				for range 1 + r.IntN(2) + r.IntN(5)/4*3 {
					n := r.IntN(s)
					if k > 0 && r.IntN(4) == 0 {
						n = r.IntN(states) // rings
					}
					if name := fmt.Sprintf("s%02d", n); n != s && !slices.Contains(w.Needs, name) {
						w.Needs = append(w.Needs, name)
						need += alone[n]
					}
				}
			}
			if k == 0 {
				alone[s] = need
			}
			p.Ways = append(p.Ways, w)
		}
	}
	for i := range jobs {
		j := Task{ID: fmt.Sprintf("j%03d", i), Gives: []string{fmt.Sprintf("f%03d", i)}, Cost: 100 * int64(5+r.IntN(150))}
		access := int64(0)
		for k := range 1 + r.IntN(10)/7 {
			var open []string
			for range 1 + r.IntN(5)/3 {
				if r.IntN(3) == 0 {
					continue // behind nothing
				}
				s := r.IntN(states)
				if name := fmt.Sprintf("s%02d", s); !slices.Contains(open, name) {
					open = append(open, name)
					if k == 0 {
						access += alone[s]
					}
				}
			}
			j.Open = append(j.Open, open)
		}
		if i > 0 && r.IntN(8) == 0 {
			j.Needs = append(j.Needs, fmt.Sprintf("j%03d", r.IntN(i)))
		}
		if r.IntN(10) == 0 {
			j.Gives = append(j.Gives, fmt.Sprintf("f%03d", r.IntN(jobs)))
		}
		switch {
		case i < must:
			p.Want = append(p.Want, j.Gives[0])
		case i < must+later:
			j.Optional = true
			chance := int64(2 + r.IntN(40))
			j.Cost /= 4
			j.Later = (access + j.Cost + 100*int64(r.IntN(300))) * chance / 100
		}
		p.Jobs = append(p.Jobs, j)
	}
	return p
}

func TestVehiclesOfFullSizeAreProven(t *testing.T) {
	for _, c := range []struct{ must, later int }{{10, 80}, {20, 0}, {40, 40}, {40, 80}, {240, 0}} {
		const n = 5
		proven := 0
		for i := range n {
			p := vehicle(rand.New(rand.NewPCG(14, uint64(i))), 80, 300, c.must, c.later)
			o, err := p.Solve()
			if err != nil {
				t.Fatal(err)
			}
			checkAnswer(t, p, o)
			if o.Proven {
				proven++
			}
			// What is stopped early says by how much it may be wrong, and is not.
			p.Limit = 1
			early, err := p.Solve()
			if err != nil {
				t.Fatal(err)
			}
			checkAnswer(t, p, early)
			if o.Proven && (early.Bound > o.Cost || early.Cost < o.Cost) || early.Work > 10 {
				t.Errorf("stopped early: %d to %d in %d, and the optimum is %d", early.Bound, early.Cost, early.Work, o.Cost)
			}
			t.Logf("must %d, later %d, seed %d: %d ways %d jobs %d left, cost %d, gap %d, work %d", c.must, c.later, i, len(o.Ways), len(o.Jobs), len(o.Left), o.Cost, o.Gap(), o.Work)
		}
		if proven < n {
			t.Errorf("must %d, later %d: only %d of %d were proven", c.must, c.later, proven, n)
		}
	}
}

// The mid-engined car of our own draft of a job book, by its likely hours times people, in person-minutes:
// no published example. Worked out by two other methods as well (implicit hitting sets, dual ascent).
func midEngined(panel bool) *Problem {
	p := &Problem{
		Ways: []Way{
			{ID: "battery", Opens: "battery_isolated", Cost: 12},
			{ID: "lift", Opens: "raised", Cost: 24},
			{ID: "stands", Opens: "raised", Cost: 120},
			{ID: "wheels", Opens: "wheels_off", Needs: []string{"raised"}, Cost: 42},
			{ID: "undertray", Opens: "undertray_off", Needs: []string{"raised"}, Cost: 60},
			{ID: "lid", Opens: "engine_lid_off", Cost: 180},
			{ID: "coolant", Opens: "coolant_out", Needs: []string{"undertray_off"}, Cost: 102},
			{ID: "circuit", Opens: "circuit_open", Jobs: []string{"recover_refrigerant"}, Cost: 48},
			{ID: "exhaust", Opens: "exhaust_off", Needs: []string{"raised"}, Cost: 120},
			{ID: "cover_in_place", Opens: "timing_cover_off", Needs: []string{"inner_panel_off", "battery_isolated"}, Cost: 120},
			{ID: "cover_on_table", Opens: "timing_cover_off", Needs: []string{"engine_out"}, Cost: 48},
			{ID: "engine", Opens: "engine_out", Needs: []string{"battery_isolated", "raised", "wheels_off", "undertray_off", "exhaust_off", "coolant_out", "engine_lid_off", "fuel_depressurised"}, Cost: 2640},
			{ID: "engine_and_circuit", Opens: "engine_out", Needs: []string{"battery_isolated", "raised", "wheels_off", "undertray_off", "exhaust_off", "coolant_out", "engine_lid_off", "fuel_depressurised", "circuit_open"}, Cost: 2400},
			{ID: "split", Opens: "gearbox_split", Needs: []string{"engine_out"}, Cost: 324},
			{ID: "fuel", Opens: "fuel_depressurised", Needs: []string{"battery_isolated"}, Cost: 36},
		},
		Jobs: []Task{
			{ID: "recover_refrigerant", Cost: 36},
			{ID: "find_reference", Gives: []string{"reference_found"}, Open: [][]string{{"timing_cover_off"}}, Cost: 24},
			{ID: "renew_belt", Gives: []string{"belt_renewed"}, Open: [][]string{{"timing_cover_off"}}, Needs: []string{"find_reference", "renew_tensioner"}, Cost: 78},
			{ID: "renew_tensioner", Gives: []string{"tensioner_renewed"}, Open: [][]string{{"timing_cover_off"}}, Cost: 24},
			{ID: "prove_marks", Gives: []string{"marks_aligned"}, Open: [][]string{{"timing_cover_off"}}, Needs: []string{"find_reference"}, Cost: 18},
			{ID: "renew_clutch", Gives: []string{"clutch_renewed"}, Open: [][]string{{"gearbox_split"}}, Cost: 108},
		},
	}
	if panel {
		p.Ways = append(p.Ways, Way{ID: "panel", Opens: "inner_panel_off", Cost: 180})
	}
	return p
}

func TestOneMoreJobChangesTheWayIn(t *testing.T) {
	belt, clutch := []string{"belt_renewed", "marks_aligned"}, []string{"clutch_renewed"}
	for name, c := range map[string]struct {
		panel bool
		want  []string
		hours int64 // in hundredths
		way   string
	}{
		"the belt, through the panel":         {true, belt, 760, "cover_in_place"},
		"the belt, where there is no panel":   {false, belt, 5420, "cover_on_table"},
		"the clutch":                          {true, clutch, 5820, "split"},
		"belt and clutch, the engine is out":  {true, slices.Concat(belt, clutch), 6140, "cover_on_table"},
		"belt and clutch, there is no panel ": {false, slices.Concat(belt, clutch), 6140, "cover_on_table"},
	} {
		t.Run(name, func(t *testing.T) {
			p := midEngined(c.panel)
			p.Want = c.want
			o, err := p.Solve()
			if err != nil {
				t.Fatal(err)
			}
			checkAnswer(t, p, o)
			if o.Cost*100/60 != c.hours || !o.Proven || !slices.Contains(o.Ways, c.way) {
				t.Errorf("%d.%02d h, %+v", o.Cost/60, o.Cost%60*100/60, o)
			}
		})
	}
}

func BenchmarkOpen(b *testing.B) {
	for _, c := range []struct{ must, later int }{{10, 80}, {30, 0}, {40, 40}, {40, 80}, {40, 200}, {240, 0}} {
		b.Run(fmt.Sprintf("must=%d/later=%d", c.must, c.later), func(b *testing.B) {
			work, proven := 0, 0
			for i := range b.N {
				p := vehicle(rand.New(rand.NewPCG(14, uint64(i%60))), 80, 300, c.must, c.later)
				o, err := p.Solve()
				if err != nil {
					b.Fatal(err)
				}
				work += o.Work
				if o.Proven {
					proven++
				}
			}
			b.ReportMetric(float64(work)/float64(b.N), "ascents/op")
			b.ReportMetric(100*float64(proven)/float64(b.N), "%proven")
		})
	}
}

func problems(max int) *rapid.Generator[*Problem] {
	return rapid.Custom(func(t *rapid.T) *Problem {
		return smallProblem(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3)), rapid.IntRange(6, max).Draw(t, "choices"))
	})
}

func solve(t *rapid.T, p *Problem) *Opening {
	o, err := p.Solve()
	if beyond := (*OutOfReach)(nil); errors.As(err, &beyond) {
		t.Skip("out of reach")
	}
	if err != nil {
		t.Fatal(err)
	}
	checkAnswer(t, p, o)
	if !o.Proven {
		t.Fatalf("not proven: %+v", o)
	}
	return o
}

func TestOneMoreFindingIsNeverCheaperAndSharingNeverDearer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := problems(24).Draw(t, "problem")
		for i := range p.Jobs {
			p.Jobs[i].Optional = false // what is left is paid for on both sides otherwise
		}
		p.Must = nil
		cut := rapid.IntRange(0, len(p.Want)).Draw(t, "cut")
		first, second := *p, *p
		first.Want, second.Want = p.Want[:cut], p.Want[cut:]
		all, a, b := solve(t, p), solve(t, &first), solve(t, &second)
		if a.Cost > all.Cost || b.Cost > all.Cost {
			t.Errorf("a part costs %d and %d, all %d", a.Cost, b.Cost, all.Cost)
		}
		if all.Cost > a.Cost+b.Cost {
			t.Errorf("together %d, apart %d and %d", all.Cost, a.Cost, b.Cost)
		}
	})
}

func TestOneMoreWayIsNeverDearerAndDearerLaterAddsNoMoreThanThat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := problems(20).Draw(t, "problem")
		before := solve(t, p)
		more := *p
		more.Ways = append(slices.Clone(p.Ways), Way{ID: "x", Opens: "s1", Cost: rapid.Int64Range(0, 10).Draw(t, "cost")})
		if o := solve(t, &more); o.Cost > before.Cost {
			t.Errorf("one more way: %d, before %d", o.Cost, before.Cost)
		}
		dearer := *p
		dearer.Jobs = slices.Clone(p.Jobs)
		by, which := rapid.Int64Range(0, 20).Draw(t, "by"), rapid.IntRange(0, len(p.Jobs)-1).Draw(t, "which")
		dearer.Jobs[which].Later += by
		o := solve(t, &dearer)
		if o.Cost < before.Cost || o.Cost > before.Cost+by {
			t.Errorf("later dearer by %d: %d, before %d", by, o.Cost, before.Cost)
		}
		if id := p.Jobs[which].ID; slices.Contains(before.Jobs, id) && !slices.Contains(o.Jobs, id) {
			t.Errorf("%s was done, and with leaving dearer it is left", id)
		}
	})
}

func TestNeitherOrderNorUnusedWaysMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := problems(24).Draw(t, "problem")
		before := solve(t, p)
		turned := *p
		turned.Ways, turned.Jobs, turned.Want, turned.Must = slices.Clone(p.Ways), slices.Clone(p.Jobs), slices.Clone(p.Want), slices.Clone(p.Must)
		slices.Reverse(turned.Ways)
		slices.Reverse(turned.Jobs)
		slices.Reverse(turned.Want)
		slices.Reverse(turned.Must)
		if d := cmp.Diff(before, solve(t, &turned)); d != "" {
			t.Errorf("in another order: %s", d)
		}
		fewer := *p
		fewer.Ways = slices.DeleteFunc(slices.Clone(p.Ways), func(w Way) bool { return !slices.Contains(before.Ways, w.ID) })
		after := solve(t, &fewer)
		after.Work = before.Work
		if d := cmp.Diff(before, after); d != "" {
			t.Errorf("without the ways that it does not use: %s", d)
		}
	})
}

func TestAProblemThatIsNoneIsRefused(t *testing.T) {
	for name, p := range map[string]*Problem{
		"two ways":        {Ways: []Way{{ID: "a", Opens: "s"}, {ID: "a", Opens: "s"}}},
		"two jobs":        {Jobs: []Task{{ID: "a"}, {ID: "a"}}},
		"less than free":  {Ways: []Way{{ID: "a", Opens: "s", Cost: -1}}},
		"negative job":    {Jobs: []Task{{ID: "a", Cost: -1}}},
		"beyond counting": {Jobs: []Task{{ID: "a", Cost: maxCost}, {ID: "b", Cost: maxCost}}},
		"needs nobody":    {Jobs: []Task{{ID: "a", Needs: []string{"b"}}}},
		"must do nothing": {Must: []string{"b"}},
	} {
		if o, err := p.Solve(); err == nil {
			t.Errorf("%s: %+v", name, o)
		}
	}
	_, err := (&Problem{Want: []string{"f"}, Jobs: []Task{{ID: "a", Open: [][]string{{"s"}}}}, Must: []string{"a"}}).Solve()
	if want := "plan: no job that can be reached gives f; nothing opens what a needs"; err == nil || err.Error() != want {
		t.Errorf("%v", err)
	}
	o, err := (&Problem{}).Solve()
	if err != nil || o.Cost != 0 || !o.Proven {
		t.Errorf("nothing to do: %+v, %v", o, err)
	}
}
