package plan

import (
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWhatIsOffFollowsFromWhatWasTicked(t *testing.T) {
	p := &Plan{
		Opening: []Opened{{State: "coolant_out", Closed: "fill_coolant"}, {State: "cover_off"}},
		Steps: []Doing{
			{Act: Opens, ID: "coolant_out"}, {Act: Opens, ID: "cover_off"}, {Act: Does, ID: "renew_belt"}, {Act: Shuts, ID: "cover_off"}, {Act: Does, ID: "fill_coolant"},
		},
	}
	for name, c := range map[string]struct {
		before       []string
		done, undone []int
		want         []string
	}{
		"nothing was ticked":                {[]string{"wheel_off"}, nil, nil, []string{"wheel_off"}},
		"two are opened":                    {[]string{"wheel_off"}, []int{1, 2, 3}, nil, []string{"coolant_out", "cover_off", "wheel_off"}},
		"one is shut again":                 {nil, []int{1, 2, 3, 4}, nil, []string{"coolant_out"}},
		"a job does the closing":            {nil, []int{1, 2, 3, 4, 5}, nil, nil},
		"ticked in another order":           {nil, []int{4, 2, 1}, nil, []string{"coolant_out"}},
		"an opening is taken back":          {[]string{"cover_off"}, nil, []int{2}, nil},
		"a closing is taken back":           {nil, nil, []int{4}, []string{"cover_off"}},
		"the closing of a job taken back":   {nil, nil, []int{5}, []string{"coolant_out"}},
		"steps that the plan has not":       {nil, []int{0, 6}, nil, nil},
		"what is done overrules what isn't": {nil, []int{2}, []int{4}, []string{"cover_off"}},
	} {
		if d := cmp.Diff(c.want, OffAfter(c.before, Ticked{p, c.done, c.undone})); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// In the middle of the work another plan is made: it knows what is off, opens none of it again, shuts all of it,
// opens no more than was left to be opened, and leads to the goal as well.
func TestAPlanInTheMiddleOfTheWorkKnowsWhatIsOff(t *testing.T) {
	w := ourWorld(t)
	demos := w.demos(t)
	for _, name := range slices.Sorted(maps.Keys(demos)) {
		reports := demos[name]
		whole, _ := w.plan(t, reports, Request{Goal: "road_test", Now: true})
		if len(whole.Opening) == 0 {
			continue
		}
		for _, part := range []int{3, 2} {
			var done []int
			for i := range len(whole.Steps) * (part - 1) / part {
				done = append(done, i+1)
			}
			part := *whole
			part.Steps = part.Steps[:len(done)]
			so := append(slices.Clone(reports), w.posted(t, reports, &part))
			off := OffAfter(nil, Ticked{whole, done, nil})
			if len(off) == 0 {
				continue
			}
			p, _ := w.plan(t, so, Request{Goal: "road_test", Now: true, Off: off})
			w.checkPlan(t, so, p)
			for _, o := range p.Opening {
				if slices.Contains(off, o.State) && !o.Already {
					t.Errorf("%s: %s is opened again", name, o.State)
				}
			}
			for _, s := range off {
				shut := slices.ContainsFunc(p.Steps, func(d Doing) bool { return d.Act == Shuts && d.ID == s }) ||
					slices.ContainsFunc(p.Opening, func(o Opened) bool { return o.State == s && o.Closed != "" })
				if !shut {
					t.Errorf("%s: %s stays open", name, s)
				}
			}
			opening := func(steps []Doing) (sum int64) {
				for _, s := range steps {
					if s.Act == Opens {
						sum += s.Minutes.Likely * int64(s.People)
					}
				}
				return sum
			}
			if left, now := opening(whole.Steps[len(done):]), opening(p.Steps); now > left {
				t.Errorf("%s: %d minutes of opening were left, %d are planned", name, left, now)
			}
		}
	}
}

// What is open is shut, though no blocker asks for anything.
func TestWhatIsOpenIsShutWhereTheGateIsClear(t *testing.T) {
	w := ourWorld(t)
	reports := w.demos(t)["marrick-tern-01"]
	p, _ := w.plan(t, reports, Request{Goal: "hand_turn", Off: []string{"coolant_out"}})
	w.checkPlan(t, reports, p)
	if len(p.Opening) == 0 || len(p.Steps) < 2 || !p.Steps[0].Already || p.Steps[0].Minutes.High != 0 {
		t.Errorf("%+v %+v", p.Opening, p.Steps)
	}
	unknown, _ := w.plan(t, reports, Request{Goal: "hand_turn", Off: []string{"battery_box_off_the_moon"}})
	if len(unknown.Steps) != 0 {
		t.Errorf("%+v", unknown.Steps)
	}
}

func TestAPartThatComesLateHoldsUpTheWork(t *testing.T) {
	w := ourWorld(t)
	reports := w.demos(t)["marrick-tern-01"]
	q := Request{Goal: "first_start", Now: true}
	p, _ := w.plan(t, reports, q)
	q.Late = map[string]int{}
	for _, o := range p.Order {
		q.Late[o.Part] = 30
	}
	late, _ := w.plan(t, reports, q)
	w.checkPlan(t, reports, late)
	if late.Totals.Days.P50 < p.Totals.Days.P50+15 || late.Totals.Labour != p.Totals.Labour {
		t.Errorf("days %+v and %+v, labour %+v and %+v", p.Totals.Days, late.Totals.Days, p.Totals.Labour, late.Totals.Labour)
	}
	for i, o := range late.Order {
		if o.Lead.Low < 30 {
			t.Errorf("part %d comes in %+v days", i, o.Lead)
		}
	}
}
