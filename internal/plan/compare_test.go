package plan

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestARequestWithAChangeIsToldApartByTheChange(t *testing.T) {
	base := Form{Gate: "first_start", People: 1, Start: "2026-05-04", Without: []string{"renew_fuel"}, Plant: map[string]int{"lift": 1}, Off: []string{"coolant_out"}}
	for name, change := range map[string]Form{
		"nothing":              {},
		"another person":       {People: 2},
		"without a job":        {Without: []string{"renew_battery"}},
		"a part a week late":   {Late: map[string]int{"timing_belt": 7}},
		"another gate":         {Gate: "road_test"},
		"no lift":              {Plant: map[string]int{"lift": 0}},
		"a trait":              {Traits: map[string]bool{"inner_panel": true}},
		"a licence":            {Licences: []string{"refrigerant_handler"}},
		"nothing off":          {Off: []string{}},
		"only what is needed":  {Now: true},
		"another day and more": {Start: "2026-06-01", People: 3, Late: map[string]int{"timing_belt": 7, "fuel": 2}},
	} {
		if d := cmp.Diff(change, base.With(change).Since(base), cmp.Comparer(func(a, b []string) bool {
			return slices.Equal(a, b)
		})); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
	if base.Plant["lift"] != 1 || len(base.Without) != 1 {
		t.Errorf("the request itself was changed: %+v", base)
	}
}

// Side by side: the plan without a job leaves something out, another person is done sooner with the same work, a late part
// makes it last longer, a further gate takes more.
func TestPlansSideBySide(t *testing.T) {
	w := ourWorld(t)
	reports := w.demos(t)["marrick-tern-01"]
	form := Form{Gate: "first_start"}
	make := func(change Form) *Plan {
		q, faults := form.With(change).Request(w.book, w.set)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		p, _ := w.plan(t, reports, q)
		return p
	}
	p := make(Form{})
	same := make(Form{})
	if d := cmp.Diff(p.Figures(), same.Figures()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(Difference{[]Named{}, []Named{}, []Named{}, []Named{}}, same.Beside(p)); d != "" {
		t.Error(d)
	}
	without := make(Form{Without: []string{"renew_timing_belt"}})
	if f := without.Figures(); f.Clears || len(f.Open) == 0 || f.Labour.P50 >= p.Totals.Labour.P50 {
		t.Errorf("without the belt: %+v", f)
	}
	if d := without.Beside(p); !slices.ContainsFunc(d.DoesNot, func(n Named) bool { return n.ID == "renew_timing_belt" }) || len(d.Does) > 0 {
		t.Errorf("without the belt: %+v", d)
	}
	two := make(Form{People: 2}).Figures()
	if two.Working >= p.Totals.Makes || two.Labour != p.Totals.Labour {
		t.Errorf("two people: %+v", two)
	}
	late := map[string]int{}
	for _, o := range p.Order {
		late[o.Part] = 7
	}
	if f := make(Form{Late: late}).Figures(); f.Days.P50 <= p.Totals.Days.P50 || f.Labour != p.Totals.Labour {
		t.Errorf("parts a week late: %+v", f)
	}
	further := make(Form{Gate: "road_test"})
	if f := further.Figures(); f.Goal != "road_test" || f.Labour.P50 <= p.Totals.Labour.P50 || len(further.Beside(p).Does) == 0 {
		t.Errorf("up to the road test: %+v", f)
	}
}
