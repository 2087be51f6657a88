package plan

import (
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"maps"
	"path"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/jobbook"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/schema"
)

type world struct {
	set    *ruleset.Set
	book   *jobbook.Book
	scorer *score.Scorer
}

var theWorld = sync.OnceValue(func() *world {
	return &world{builtin.FirstStart(), builtin.Jobs(), score.New(builtin.FirstStart())}
})

func ourWorld(testing.TB) *world { return theWorld() }

func (w *world) decode(t testing.TB, data []byte) *report.Report {
	t.Helper()
	r, _, faults := report.Decode(data, w.set.Catalogue)
	if len(faults) > 0 {
		t.Fatalf("%v", faults)
	}
	return r
}

// demos has the reports of each demo vehicle, and as much as was known at the first.
func (w *world) demos(t testing.TB) map[string][]*report.Report {
	t.Helper()
	out := map[string][]*report.Report{}
	files, err := schema.FS.ReadDir("demo")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		data, err := schema.FS.ReadFile(path.Join("demo", f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		name := strings.SplitN(f.Name(), ".", 2)[0]
		if len(out[name]) == 0 { // later reports are about what was done since
			out[name] = append(out[name], w.decode(t, data))
		}
	}
	return out
}

// unseen has a dossier of each kind of vehicle that the rule set's own tests know, in which nobody looked at
// anything.
func (w *world) unseen(t testing.TB) map[string][]*report.Report {
	t.Helper()
	out := map[string][]*report.Report{}
	for _, x := range w.set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		kind, is := strings.CutPrefix(form.Name, "nobody_looked_at_")
		if !is {
			continue
		}
		out[kind] = []*report.Report{w.decode(t, reportOf(t, "2026-05-02", form.Vehicle, form.LayUp, nil))}
	}
	return out
}

func reportOf(t testing.TB, date string, vehicle, layUp map[string]any, observations []any) []byte {
	t.Helper()
	v := map[string]any{"reference": "tested"}
	for k, x := range vehicle {
		v[k] = x
	}
	if observations == nil {
		observations = []any{}
	}
	form := map[string]any{"schema": report.SchemaName, "vehicle": v, "inspection": map[string]any{"date": date}, "observations": observations}
	if layUp != nil {
		form["lay_up"] = layUp
	}
	data, err := json.Marshal(form)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func (w *world) plan(t testing.TB, reports []*report.Report, q Request) (*Plan, *score.Assessment) {
	t.Helper()
	gate := slices.IndexFunc(w.set.Gates, func(g *ruleset.Gate) bool { return g.ID == q.Goal })
	a := w.scorer.Evaluate(reports, gate)
	d := report.Lay(reports, w.set.Catalogue, w.set.ProofCredence)
	p, err := Make(w.book, w.set, d, a, q)
	if err != nil {
		t.Fatalf("%s: %v", q.Goal, err)
	}
	asDescribed(t, p)
	return p, a
}

// posted makes a report of all that the steps of a plan report.
func (w *world) posted(t testing.TB, reports []*report.Report, p *Plan) *report.Report {
	t.Helper()
	var observations []any
	for _, s := range p.Steps {
		for _, c := range slices.Concat(s.Reports, s.Measures) {
			o := map[string]any{"item": c.Item, "method": "tested", "found": c.Found}
			if len(c.At) > 0 {
				o["at"] = c.At
			}
			observations = append(observations, o)
		}
	}
	vehicle := map[string]any{"reference": reports[0].Vehicle.Reference}
	layUp := map[string]any{}
	for _, f := range p.Facts {
		in, id, _ := strings.Cut(f.Fact, ".")
		into := vehicle
		if in == "lay_up" {
			into = layUp
		}
		for _, v := range f.Found {
			set(into, id, v.Value)
		}
	}
	return w.decode(t, reportOf(t, p.AsOf, vehicle, layUp, observations))
}

func set(into map[string]any, id string, v json.RawMessage) {
	outer, inner, deep := strings.Cut(id, ".")
	if !deep {
		into[outer] = v
		return
	}
	if into[outer] == nil {
		into[outer] = map[string]any{}
	}
	set(into[outer].(map[string]any), inner, v)
}

// checkPlan holds a plan against what it promises: nothing is left out, nothing comes too soon, and who
// posts what it reports finds the goal clear.
func (w *world) checkPlan(t *testing.T, reports []*report.Report, p *Plan) {
	t.Helper()
	for _, c := range p.Open {
		t.Errorf("nothing gives %s %v", c.Item, c.Found)
	}
	begins := map[int]int64{}
	for i, s := range p.Steps {
		if s.Step != i+1 || i > 0 && s.Begins < p.Steps[i-1].Begins {
			t.Errorf("step %d of %d begins at %d", s.Step, i+1, s.Begins)
		}
		begins[s.Step] = s.Begins + s.Minutes.Likely
		for _, n := range s.After {
			if n >= s.Step && p.Steps[n-1].Minutes.Likely > 0 || begins[n] > s.Begins {
				t.Errorf("step %d %s begins at %d, and step %d ends at %d", s.Step, s.ID, s.Begins, n, begins[n])
			}
		}
		if s.Float < 0 || s.Slack < 0 {
			t.Errorf("step %d: float %d, slack %d", s.Step, s.Float, s.Slack)
		}
	}
	for _, x := range []Percentiles{p.Totals.Labour, p.Totals.Days} {
		if x.P10 > x.P50 || x.P50 > x.P80 || x.P80 > x.P90 {
			t.Errorf("%+v", x)
		}
	}
	if !p.Proof.Clears && len(p.Open) == 0 && len(p.Facts) == 0 {
		t.Errorf("it was tried, and does not make %s clear", p.Goal)
	}
	if !p.Proof.Optimal {
		t.Errorf("not proven: %+v", p.Proof)
	}
	w.checkSpoiled(t, p)
	after := append(slices.Clone(reports), w.posted(t, reports, p))
	a := w.scorer.Evaluate(after, slices.IndexFunc(w.set.Gates, func(g *ruleset.Gate) bool { return g.ID == p.Goal }))
	if a.Verdict.State != score.Clear {
		for _, b := range a.BlockersBy(p.Goal) {
			t.Errorf("after the plan %s is %s: %s %s %+v, cleared by %+v", p.Goal, a.Verdict.State, b.Item, b.At, b.Reason, b.ClearBy)
		}
	}
}

// checkSpoiled looks for a step that spoils what one before it reported last.
func (w *world) checkSpoiled(t *testing.T, p *Plan) {
	t.Helper()
	last := map[string]Doing{}
	for _, s := range p.Steps {
		for _, c := range slices.Concat(s.Reports, s.Measures) {
			for _, f := range c.Found {
				last[c.Item+"."+f.ID] = s
			}
		}
	}
	for _, s := range p.Steps {
		var spoils []string
		switch s.Act {
		case Shuts:
			i := slices.IndexFunc(w.book.States, func(x *jobbook.State) bool { return x.ID == s.ID })
			spoils = keys(w.book.States[i].Spoils)
		case Does:
			if i := slices.IndexFunc(w.book.Jobs, func(x *jobbook.Job) bool { return x.ID == s.ID }); i >= 0 {
				spoils = keys(w.book.Jobs[i].Spoils)
			}
		}
		for _, f := range spoils {
			if by, is := last[f]; is && by.Begins < s.Begins && by.ID != s.ID {
				t.Errorf("step %d %s spoils %s, which step %d %s reported", s.Step, s.ID, f, by.Step, by.ID)
			}
		}
	}
}

func TestWhatThePlanReportsMakesTheGoalClear(t *testing.T) {
	w := ourWorld(t)
	for name, reports := range w.demos(t) {
		for _, g := range w.set.Gates {
			t.Run(name+"/"+g.ID, func(t *testing.T) {
				p, a := w.plan(t, reports, Request{Goal: g.ID})
				w.checkPlan(t, reports, p)
				t.Logf("%s: %d blockers, %d steps, %d ways, %d tries, work %d, labour %v, days %v, %d weighed, twice %q", a.Verdict.State, a.Verdict.Blockers, len(p.Steps), len(p.Opening), p.Proof.Tries, p.Proof.Work, p.Totals.Labour, p.Totals.Days, len(p.While), p.Twice)
			})
		}
	}
}

func TestWhatThePlanReportsMakesTheGoalClearWhereNobodyLooked(t *testing.T) {
	w := ourWorld(t)
	unseen := w.unseen(t)
	for i, name := range slices.Sorted(maps.Keys(unseen)) {
		reports := unseen[name]
		t.Run(name, func(t *testing.T) {
			goal, people := "road_test", 1+i%2
			if i%4 == 3 {
				goal = "crank"
			}
			p, _ := w.plan(t, reports, Request{Goal: goal, People: people})
			w.checkPlan(t, reports, p)
		})
	}
}

func TestPlansRepeatAndAnswerWhatIf(t *testing.T) {
	w := ourWorld(t)
	reports := w.demos(t)["marrick-tern-01"]
	q := Request{Goal: "road_test"}
	p, _ := w.plan(t, reports, q)
	first, err := p.JSON()
	if err != nil {
		t.Fatal(err)
	}
	again, _ := w.plan(t, reports, q)
	if second, err := again.JSON(); err != nil || !bytes.Equal(first, second) {
		t.Errorf("another plan: %v", err)
	}

	bare, _ := w.plan(t, reports, Request{Goal: "road_test", Now: true})
	w.checkPlan(t, reports, bare)
	if len(bare.While) > 0 || bare.Totals.Labour.P50 >= p.Totals.Labour.P50 || len(p.While) == 0 {
		t.Errorf("only what is needed: %d weighed, %d and %d minutes", len(bare.While), bare.Totals.Labour.P50, p.Totals.Labour.P50)
	}
	if p.Totals.Cost != nil || slices.ContainsFunc(p.Order, func(o Ordered) bool { return o.Price != nil }) {
		t.Error("money without anybody's prices")
	}

	two, _ := w.plan(t, reports, Request{Goal: "road_test", People: 2})
	w.checkPlan(t, reports, two)
	if two.Totals.Makes > p.Totals.Makes || two.Totals.Labour != p.Totals.Labour {
		t.Errorf("two people take %d minutes, one %d; labour %+v and %+v", two.Totals.Makes, p.Totals.Makes, two.Totals.Labour, p.Totals.Labour)
	}
	// One person is never idle but for parts and bought-in work.
	busy := int64(0)
	for _, s := range bare.Steps {
		busy += s.Minutes.Likely
	}
	if bare.Totals.Makes < busy {
		t.Errorf("one person does %d minutes in %d", busy, bare.Totals.Makes)
	}

	without, _ := w.plan(t, reports, Request{Goal: "road_test", Without: []string{"renew_timing_belt"}})
	if slices.ContainsFunc(without.Steps, func(s Doing) bool { return s.ID == "renew_timing_belt" }) || !slices.ContainsFunc(without.Open, func(c score.Clearing) bool { return c.Item == "timing_belt" }) {
		t.Errorf("without the belt: %+v", without.Open)
	}
	licensed, _ := w.plan(t, reports, Request{Goal: "road_test", Licences: []string{"refrigerant_handler"}})
	w.checkPlan(t, reports, licensed)
	for _, c := range []struct {
		p      *Plan
		bought bool
	}{{p, true}, {licensed, false}} {
		i := slices.IndexFunc(c.p.Steps, func(s Doing) bool { return s.ID == "recover_refrigerant" })
		if i < 0 || c.p.Steps[i].BoughtIn != c.bought || c.p.Steps[i].Licensed == "" {
			t.Errorf("step %d, bought in %t", i, c.bought)
		}
	}

	a := w.scorer.Evaluate(reports, -1)
	d := report.Lay(reports, w.set.Catalogue, w.set.ProofCredence)
	for name, q := range map[string]Request{"no such gate": {Goal: "moon"}, "no such job": {Without: []string{"dance"}}} {
		if p, err := Make(w.book, w.set, d, a, q); err == nil {
			t.Errorf("%s: %v", name, p)
		}
	}
	if p, err := Make(w.book, w.set, d, a, Request{}); err != nil || p.Goal != a.Verdict.Gate {
		t.Errorf("without a goal: %v", err)
	}
}

// A gate further on asks for all that the gates before it ask for, and what is proven for one of them is not
// spoiled by what the next one needs.
func TestAFurtherGoalIsNeverLess(t *testing.T) {
	w := ourWorld(t)
	for name, reports := range w.demos(t) {
		last := int64(0)
		for _, g := range w.set.Gates {
			p, _ := w.plan(t, reports, Request{Goal: g.ID, Now: true})
			labour := int64(0)
			for _, s := range p.Steps {
				labour += s.Minutes.Likely * int64(s.People)
			}
			// What a look is expected to lead to is in the cost and not in the hours: some slack is right.
			if labour < last*9/10 {
				t.Errorf("%s: %d minutes up to %s, %d before it", name, labour, g.ID, last)
			}
			last = labour
		}
	}
}

func BenchmarkMake(b *testing.B) {
	w := ourWorld(b)
	reports := w.demos(b)["marrick-tern-01"]
	a := w.scorer.Evaluate(reports, len(w.set.Gates)-1)
	d := report.Lay(reports, w.set.Catalogue, w.set.ProofCredence)
	for b.Loop() {
		if _, err := Make(w.book, w.set, d, a, Request{Goal: "road_test"}); err != nil {
			b.Fatal(err)
		}
	}
}

var found = flag.Int("found", 150, "of how many entries of the rule set one is found to be bad and planned for")

// What the rule set's own tests let each rule and limit fire on is found on a vehicle of which nothing else is
// known: a plan sees to it all the same.
func TestWhatIsFoundBadIsSeenTo(t *testing.T) {
	w := ourWorld(t)
	// Every entry is tried on the first kind of vehicle that has what it reads.
	var kinds []ruleset.TestForm
	for _, x := range w.set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(form.Name, "nobody_looked_at_") {
			kinds = append(kinds, form)
		}
	}
	planned := 0
	for i, x := range w.set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if len(form.Fires) == 0 || i%*found != 0 {
			continue
		}
		var observations []any
		for item, findings := range form.Fires {
			observations = append(observations, map[string]any{"item": item, "method": "seen", "found": findings})
		}
		var r *report.Report
		kindOf := ""
		for _, kind := range kinds {
			if slices.ContainsFunc(slices.Collect(maps.Keys(form.Vehicle)), func(fact string) bool {
				return kind.Vehicle[fact] != nil && !reflect.DeepEqual(kind.Vehicle[fact], form.Vehicle[fact])
			}) {
				continue // no such vehicle
			}
			if form.Vehicle["fuel"] != nil && kind.Vehicle["drive"] == "electric" {
				continue // nor this
			}
			vehicle, layUp := maps.Clone(kind.Vehicle), maps.Clone(kind.LayUp)
			maps.Copy(vehicle, form.Vehicle)
			if layUp == nil {
				layUp = map[string]any{}
			}
			maps.Copy(layUp, form.LayUp)
			decoded, _, faults := report.Decode(reportOf(t, "2026-05-02", vehicle, layUp, observations), w.set.Catalogue)
			if len(faults) == 0 {
				r, kindOf = decoded, strings.TrimPrefix(kind.Name, "nobody_looked_at_")
				break
			}
		}
		if r == nil {
			continue
		}
		t.Run(cmp.Or(form.Rule, form.Limit, form.Proof, form.Follow)+"/"+kindOf, func(t *testing.T) {
			planned++
			reports := []*report.Report{r}
			p, _ := w.plan(t, reports, Request{Goal: "road_test", Now: true})
			w.checkPlan(t, reports, p)
		})
	}
	t.Logf("%d planned", planned)
}

// Parts that came in boxes are put back on, or new ones are.
func TestWhatIsOffIsPutBack(t *testing.T) {
	w := ourWorld(t)
	unseen := w.unseen(t)
	const share = 5 // one item in so many is off
	off := 0
	for k, name := range slices.Sorted(maps.Keys(unseen)) {
		d := report.Lay(unseen[name], w.set.Catalogue, w.set.ProofCredence)
		var observations []any
		for i, it := range w.set.Catalogue.Items {
			if it.AppliesTo(d.Frame) && i%share == k%share {
				observations = append(observations, map[string]any{"item": it.ID, "method": "seen", "found": map[string]any{"removed": true}})
			}
		}
		off += len(observations)
		t.Run(name, func(t *testing.T) {
			reports := append(slices.Clone(unseen[name]), w.decode(t, reportOf(t, "2026-05-02", nil, nil, observations)))
			p, _ := w.plan(t, reports, Request{Goal: "road_test", Now: true})
			w.checkPlan(t, reports, p)
		})
	}
	if off < len(unseen) {
		t.Errorf("%d parts were off", off)
	}
}

// istra is the demo car as if its engine sat in the middle, with more found on it.
func (w *world) istra(t testing.TB, more ...map[string]any) []*report.Report {
	t.Helper()
	data, err := schema.FS.ReadFile("demo/marrick-tern-01.1.json")
	if err != nil {
		t.Fatal(err)
	}
	var form map[string]any
	if err := json.Unmarshal(data, &form); err != nil {
		t.Fatal(err)
	}
	vehicle := form["vehicle"].(map[string]any)
	maps.Copy(vehicle, map[string]any{"reference": "solvane-istra", "layout": "mid_engine", "fuel_delivery": "injection", "ignition": "electronic", "cylinders": 8, "air_conditioning": map[string]any{"fitted": false}})
	delete(vehicle, "final_drive")
	var kept []any
	for _, o := range form["observations"].([]any) {
		if !slices.Contains([]string{"carburettor", "distributor", "refrigerant", "propshaft", "ac_compressor"}, o.(map[string]any)["item"].(string)) {
			kept = append(kept, o)
		}
	}
	for _, o := range more {
		kept = append(kept, o)
	}
	form["observations"] = kept
	if data, err = json.Marshal(form); err != nil {
		t.Fatal(err)
	}
	return []*report.Report{w.decode(t, data)}
}

// The frayed belt of a mid-engined car is renewed through the panel behind the seats; with an oil-soaked clutch as
// well the engine comes out, and the belt is renewed on the table. The rear seal, which nobody asked for, is
// renewed then, and left with the engine in.
func TestOneMoreBlockerChangesTheWayIn(t *testing.T) {
	w := ourWorld(t)
	q := Request{Goal: "road_test", Traits: map[string]bool{"inner_panel": true, "compressor_stays": true}}
	opens := func(p *Plan, state string) bool {
		return slices.ContainsFunc(p.Opening, func(o Opened) bool { return o.State == state })
	}
	at := func(p *Plan, act Act, id string) int {
		return slices.IndexFunc(p.Steps, func(s Doing) bool { return s.Act == act && s.ID == id })
	}
	reports := w.istra(t)
	belt, _ := w.plan(t, reports, q)
	w.checkPlan(t, reports, belt)
	reports = w.istra(t, map[string]any{"item": "clutch_plate", "method": "seen", "found": map[string]any{"oil_soaked": true}})
	both, _ := w.plan(t, reports, q)
	w.checkPlan(t, reports, both)
	if !opens(belt, "inner_panel_off") || opens(belt, "engine_out") {
		t.Errorf("the belt alone: %+v", belt.Opening)
	}
	if opens(both, "inner_panel_off") || !opens(both, "engine_out") || !opens(both, "gearbox_split") {
		t.Errorf("belt and clutch: %+v", both.Opening)
	}
	if at(belt, Does, "renew_rear_seal") >= 0 || at(both, Does, "renew_rear_seal") < 0 {
		t.Errorf("the rear seal: step %d with the engine in, %d with it out", at(belt, Does, "renew_rear_seal"), at(both, Does, "renew_rear_seal"))
	}
	find, split, back, prove, covers := at(both, Does, "find_reference"), at(both, Opens, "gearbox_split"), at(both, Shuts, "gearbox_split"), at(both, Does, "prove_marks"), at(both, Shuts, "timing_cover_off")
	if find < 0 || (find > split && find < back) || prove < back && prove > split || prove > covers {
		t.Errorf("reference %d, split %d to %d, marks proven %d, covers on %d", find, split, back, prove, covers)
	}
	if len(belt.Assumed) > 0 || len(both.Assumed) > 0 {
		t.Errorf("assumed although it was told: %+v %+v", belt.Assumed, both.Assumed)
	}
	// Where nobody told of the panel, it is taken not to come out, and asked for.
	q.Traits = nil
	untold, _ := w.plan(t, w.istra(t), q)
	i := slices.IndexFunc(untold.Assumed, func(a Assumed) bool { return a.What == "inner_panel" })
	if opens(untold, "inner_panel_off") || !opens(untold, "engine_out") || i < 0 || untold.Assumed[i].Saves == nil || untold.Assumed[i].Saves.Minutes < 20*60 {
		t.Errorf("not told: %+v, assumed %+v", untold.Opening, untold.Assumed)
	}
}

// A look at what nobody looked at is named where it is worth more than it takes.
func TestALookIsNamedOnlyWhereItIsWorthMoreThanItTakes(t *testing.T) {
	w := ourWorld(t)
	named, listed := 0, 0
	vehicles := w.demos(t)
	unseen := w.unseen(t)
	for _, kind := range []string{"petrol_car", "motorcycle"} {
		vehicles[kind] = unseen[kind]
	}
	for _, reports := range vehicles {
		p, _ := w.plan(t, reports, Request{Goal: "road_test"})
		for _, x := range p.While {
			if x.Look == nil {
				continue
			}
			named++
			if x.Look.Worth.Minutes < x.Look.Minutes || x.Look.Worth.Minutes > x.Alone.Minutes {
				t.Errorf("%s: %+v", x.Job, x.Look)
			}
		}
		for i, x := range p.Looks {
			if x.Worth.Minutes < x.Minutes || x.PerMinute < 100 || x.PerMinute != Cents(x.Worth.Minutes*100/x.Minutes) || i > 0 && x.PerMinute > p.Looks[i-1].PerMinute {
				t.Errorf("look %d: %+v", i, x)
			}
			listed++
		}
	}
	if listed < named {
		t.Errorf("%d looks are listed, and %d named with the jobs", listed, named)
	}
	if named == 0 {
		t.Error("no look is worth anything")
	}
}

// The demo van, up to the road test: what pays is renewed while the wheels are off, without a look where that would not change
// anything, and the rest is left; the engine is turned by hand, and oil pressure built, once the sump is shut.
func TestOnTheVanOnlyWhatPaysIsRenewed(t *testing.T) {
	w := ourWorld(t)
	p, _ := w.plan(t, w.demos(t)["corvane-dale-07"], Request{Goal: "road_test"})
	at := func(act Act, id string) int {
		return slices.IndexFunc(p.Steps, func(s Doing) bool { return s.Act == act && s.ID == id })
	}
	if at(Does, "renew_steering_joints") < 0 || at(Does, "look:steering_joints") >= 0 {
		t.Error("the steering joints are not renewed, or looked at first")
	}
	for _, job := range []string{"renew_ball_joints", "renew_wheel_bearings", "renew_dampers", "renew_water_pump"} {
		i := slices.IndexFunc(p.While, func(x Weighed) bool { return x.Job == job })
		if i < 0 || p.While[i].Done || p.While[i].Now.Minutes <= p.While[i].Later.Minutes {
			t.Errorf("%s: %+v", job, p.While[max(0, i)])
		}
	}
	if i := slices.IndexFunc(p.Looks, func(x LookFor) bool { return x.Item == "wheel_bearings" }); i < 0 || p.Looks[i].Minutes != 10 {
		t.Errorf("looks: %+v", p.Looks)
	}
	if shut, turned, primed := at(Shuts, "sump_off"), at(Does, "turn_by_hand"), at(Does, "prime_oil"); shut < 0 || shut > turned || turned > primed {
		t.Errorf("the sump is shut at %d, the engine turned at %d, oil pressure built at %d", shut, turned, primed)
	}
}
