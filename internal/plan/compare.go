package plan

import (
	"cmp"
	"maps"
	"slices"

	"laidup/internal/score"
)

// Figures is what a plan comes to, in few numbers, so that it can be held beside another.
type Figures struct {
	Goal    string           `json:"goal"`
	Clears  bool             `json:"clears"` // the goal is clear once all that the steps report was reported; as [Proven] has it
	Steps   int              `json:"steps"`
	Labour  Percentiles      `json:"labour"`
	Cost    *Sums            `json:"cost,omitempty"`
	Days    Percentiles      `json:"days"`
	Working int64            `json:"working_minutes"`
	Ends    string           `json:"ends"`
	Open    []score.Clearing `json:"not_given,omitempty"`
	NoOrder bool             `json:"no_order,omitzero"`
}

// Figures sums a plan up.
func (p *Plan) Figures() Figures {
	t := p.Totals
	return Figures{p.Goal, p.Proof.Clears, len(p.Steps), t.Labour, t.Cost, t.Days, t.Makes, t.Ends, p.Open, p.NoOrder != nil}
}

// Difference is what a plan opens and does, and another does not, and the other way round; each in the order of ids.
type Difference struct {
	Opens    []Named `json:"opens"`
	OpensNot []Named `json:"opens_not"`
	Does     []Named `json:"does"`
	DoesNot  []Named `json:"does_not"`
}

// Beside holds a plan against another, from, of the same vehicle.
func (p *Plan) Beside(from *Plan) Difference {
	opens, does := p.taken()
	opened, done := from.taken()
	return Difference{without(opens, opened), without(opened, opens), without(does, done), without(done, does)}
}

// taken has what a plan opens and the jobs that it does, with what they are called.
func (p *Plan) taken() (opens, does map[string]string) {
	opens, does = map[string]string{}, map[string]string{}
	for _, o := range p.Opening {
		opens[o.State] = o.Is
	}
	for _, s := range p.Steps {
		if s.Act == Does {
			does[s.ID] = s.Is
		}
	}
	if p.NoOrder != nil {
		for _, j := range p.NoOrder.Jobs {
			does[j.ID] = j.Is
		}
	}
	return opens, does
}

// without lists what is among some and not among others.
func without(some, others map[string]string) []Named {
	list := []Named{}
	for _, id := range slices.Sorted(maps.Keys(some)) {
		if _, is := others[id]; !is {
			list = append(list, Named{id, some[id]})
		}
	}
	return list
}

// With is a request with a change: what the change has stands instead, but that jobs to be left out and licences are added to
// those that there are, and of plant, traits and parts only those named change.
func (f Form) With(change Form) Form {
	f.Gate, f.Start, f.People = cmp.Or(change.Gate, f.Gate), cmp.Or(change.Start, f.Start), cmp.Or(change.People, f.People)
	f.Now = f.Now || change.Now
	f.Without, f.Licences = added(f.Without, change.Without), added(f.Licences, change.Licences)
	f.Plant, f.Traits, f.Late = over(f.Plant, change.Plant), over(f.Traits, change.Traits), over(f.Late, change.Late)
	if change.Off != nil {
		f.Off = change.Off
	}
	return f
}

// Since is what a request has that another, from, has not or has otherwise: what made one of the other.
func (f Form) Since(from Form) Form {
	var c Form
	if f.Gate != from.Gate {
		c.Gate = f.Gate
	}
	if max(1, f.People) != max(1, from.People) {
		c.People = max(1, f.People)
	}
	if f.Start != from.Start {
		c.Start = f.Start
	}
	c.Now = f.Now && !from.Now
	gone := func(list []string) func(string) bool {
		return func(x string) bool { return slices.Contains(list, x) }
	}
	c.Without = slices.DeleteFunc(slices.Clone(f.Without), gone(from.Without))
	c.Licences = slices.DeleteFunc(slices.Clone(f.Licences), gone(from.Licences))
	c.Plant, c.Traits, c.Late = changed(f.Plant, from.Plant), changed(f.Traits, from.Traits), changed(f.Late, from.Late)
	if !slices.Equal(f.Off, from.Off) {
		c.Off = f.Off
		if c.Off == nil {
			c.Off = []string{}
		}
	}
	return c
}

func added(list, more []string) []string {
	list = slices.Clone(list)
	for _, x := range more {
		if !slices.Contains(list, x) {
			list = append(list, x)
		}
	}
	return list
}

func over[V any](m, change map[string]V) map[string]V {
	if len(change) == 0 {
		return m
	}
	out := maps.Clone(m)
	if out == nil {
		out = map[string]V{}
	}
	maps.Copy(out, change)
	return out
}

func changed[V comparable](m, from map[string]V) map[string]V {
	var out map[string]V
	for k, v := range m {
		if was, is := from[k]; !is || was != v {
			out = over(out, map[string]V{k: v})
		}
	}
	return out
}
