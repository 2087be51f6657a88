package jobbook_test

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"laidup/internal/condition"
	"laidup/internal/jobbook"
	"laidup/internal/plan"
)

// Whatever of the generic book is done on a vehicle, by whatever way in, there is an order in which each
// thing is opened once and nothing is spoiled after it was shown.
func TestTheGenericBookHasAnOrder(t *testing.T) {
	b := generic(t)
	seeds := rand.New(rand.NewPCG(1, 2))
	for _, v := range vehicles(t) {
		for _, share := range []float64{1, 0.8, 0.6, 0.4, 0.2, 0.1} {
			c := &chosen{b: b, v: v, r: b.Reach(v.Facts), rnd: seeds, ways: map[*jobbook.State]*jobbook.Way{}, open: map[*jobbook.Job][]*jobbook.State{}}
			for _, j := range b.Jobs {
				if (!j.Discovered || share < 1) && seeds.Float64() < share {
					c.job(j)
				}
			}
			if share == 1 && (len(c.jobs) < 50 || len(c.ways) < 4) {
				t.Errorf("%s: only %d jobs and %d states", v.Name, len(c.jobs), len(c.ways))
			}
			o := c.order()
			path, err := o.Sequence()
			switch {
			case err != nil:
				t.Errorf("%s, %v of all: %v", v.Name, share, err)
			case path.Twice != "":
				t.Errorf("%s, %v of all: %s is opened twice: %v", v.Name, share, path.Twice, path.Clash)
			}
		}
	}
}

// chosen is what is to be done on a vehicle, drawn by lot.
type chosen struct {
	b    *jobbook.Book
	v    jobbook.Vehicle
	r    jobbook.Reach
	rnd  *rand.Rand
	jobs []*jobbook.Job
	ways map[*jobbook.State]*jobbook.Way
	open map[*jobbook.Job][]*jobbook.State
}

func (c *chosen) may(on *condition.Condition) bool {
	return jobbook.Holds(on, c.v.Facts) != condition.False
}

// job takes a job, and what must be done with it.
func (c *chosen) job(j *jobbook.Job) {
	has := len(j.Items) == 0 || slices.ContainsFunc(j.Gives, func(g jobbook.Give) bool { return g.Finding.Item.AppliesTo(c.v.Facts) })
	if slices.Contains(c.jobs, j) || !c.r.Jobs[j.Index] || !has {
		return
	}
	c.jobs = append(c.jobs, j)
	for _, next := range slices.Concat(j.Must, j.Then, j.With) {
		c.job(next)
	}
	var list []jobbook.Opening
	for _, o := range j.Open {
		if c.may(o.When) {
			list = append(list, o)
		}
	}
	if list != nil {
		for _, s := range list[c.rnd.IntN(len(list))].All {
			if c.state(s) {
				c.open[j] = append(c.open[j], s)
			}
		}
	}
}

// state opens a state by one of its ways, and what that needs; false where the vehicle does not have it.
func (c *chosen) state(s *jobbook.State) bool {
	if !c.r.Has[s.Index] || c.ways[s] != nil {
		return c.r.Has[s.Index]
	}
	var list []*jobbook.Way
	for _, w := range s.Ways {
		if c.may(w.When) && !slices.Contains(w.Needs, s) {
			list = append(list, w)
		}
	}
	w := list[c.rnd.IntN(len(list))]
	c.ways[s] = w
	for _, n := range w.Needs {
		c.state(n)
	}
	for _, j := range slices.Concat(w.After, w.Then) {
		c.job(j)
	}
	return true
}

func (c *chosen) order() *plan.Order {
	o := &plan.Order{}
	ids := func(list []*jobbook.Job) (out []string) {
		for _, j := range list {
			out = append(out, j.ID)
		}
		return out
	}
	for s, w := range c.ways {
		site := plan.Site{ID: s.ID, First: ids(w.After), Then: ids(w.Then), Again: int64(w.Open.Likely + w.Close.Likely)}
		for _, n := range w.Needs {
			if c.r.Has[n.Index] {
				site.Needs = append(site.Needs, n.ID)
			}
		}
		for _, f := range s.Spoils {
			site.Spoils = append(site.Spoils, f.Item.ID+"."+f.ID)
		}
		o.States = append(o.States, site)
	}
	slices.SortFunc(o.States, func(a, b plan.Site) int { return strings.Compare(a.ID, b.ID) })
	reports := map[string]int{}
	for _, j := range c.jobs {
		for _, g := range j.Gives {
			reports[g.Finding.Item.ID+"."+g.Finding.ID]++
		}
	}
	for _, j := range c.jobs {
		p := plan.Piece{ID: j.ID, After: slices.Concat(ids(j.After), ids(j.Must)), Proof: j.Proof}
		for _, s := range c.open[j] {
			p.Open = append(p.Open, s.ID)
		}
		for _, x := range j.Fitted {
			for _, s := range x.Shut {
				if c.ways[s] != nil && !slices.Contains(j.Closes, s) {
					p.Shut = append(p.Shut, s.ID)
				}
			}
		}
		for _, s := range j.Closes {
			if c.ways[s] != nil {
				p.Closes = append(p.Closes, s.ID)
			}
		}
		for _, f := range j.Spoils {
			p.Spoils = append(p.Spoils, f.Item.ID+"."+f.ID)
		}
		// A finding that a proof shows too need not hold because of the job.
		for _, g := range j.Gives {
			if f := g.Finding.Item.ID + "." + g.Finding.ID; reports[f] == 1 || j.Proof {
				p.Reports = append(p.Reports, f)
			}
		}
		for _, other := range c.jobs {
			if slices.Contains(other.Then, j) {
				p.After = append(p.After, other.ID)
			}
		}
		o.Jobs = append(o.Jobs, p)
	}
	return o
}
