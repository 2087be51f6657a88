package score_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/schema"

	"pgregory.net/rapid"
)

// The vehicles that dossiers are drawn for: every kind that the rules tell apart, and the unknown.
var vehicles = map[string]object{
	"petrol car":   {"fuel": "petrol", "fuel_delivery": "carburettor", "ignition": "points", "cylinders": 4, "valve_drive": "belt", "interference": "yes", "turbocharged": false, "cooling": "liquid", "layout": "front_engine_rear_drive", "gearbox": "manual", "clutch": "hydraulic", "brake_servo": true, "power_steering": false, "hybrid": false, "air_conditioning": object{"fitted": true, "refrigerant": "R-12"}, "built": "1987"},
	"diesel van":   {"fuel": "diesel", "fuel_delivery": "injection", "ignition": "none", "cylinders": 4, "valve_drive": "chain", "interference": "yes", "turbocharged": true, "cooling": "liquid", "layout": "front_engine_front_drive", "gearbox": "manual", "clutch": "cable", "brake_servo": true, "power_steering": true, "hybrid": false, "air_conditioning": object{"fitted": false}, "built": "1996"},
	"motorcycle":   {"fuel": "petrol", "fuel_delivery": "carburettor", "ignition": "electronic", "cylinders": 2, "valve_drive": "chain", "interference": "yes", "turbocharged": false, "cooling": "air", "layout": "motorcycle", "gearbox": "manual", "clutch": "cable", "brake_servo": false, "power_steering": false, "hybrid": false, "air_conditioning": object{"fitted": false}, "built": "1979"},
	"air-cooled":   {"fuel": "petrol", "fuel_delivery": "carburettor", "ignition": "distributor", "cylinders": 4, "valve_drive": "gears", "interference": "no", "turbocharged": false, "cooling": "air", "layout": "rear_engine", "gearbox": "manual", "clutch": "cable", "brake_servo": false, "power_steering": false, "hybrid": false, "air_conditioning": object{"fitted": false}, "built": "1968"},
	"automatic":    {"fuel": "petrol", "fuel_delivery": "injection", "ignition": "coil_on_plug", "cylinders": 6, "valve_drive": "belt", "interference": "no", "turbocharged": false, "cooling": "liquid", "layout": "front_engine_front_drive", "gearbox": "automatic", "clutch": "none", "brake_servo": true, "power_steering": true, "hybrid": false, "air_conditioning": object{"fitted": true, "refrigerant": "R-134a"}, "built": "1999"},
	"hybrid":       {"fuel": "petrol", "fuel_delivery": "injection", "ignition": "coil_on_plug", "cylinders": 4, "valve_drive": "chain", "interference": "yes", "turbocharged": false, "cooling": "liquid", "layout": "front_engine_front_drive", "gearbox": "automatic", "clutch": "none", "brake_servo": true, "power_steering": true, "hybrid": true, "air_conditioning": object{"fitted": true, "refrigerant": "R-134a"}, "built": "2007"},
	"gas van":      {"fuel": "lpg", "fuel_delivery": "injection", "ignition": "electronic", "cylinders": 4, "valve_drive": "belt", "interference": "yes", "turbocharged": false, "cooling": "liquid", "layout": "front_engine_rear_drive", "gearbox": "manual", "clutch": "rod", "brake_servo": true, "power_steering": true, "hybrid": false, "air_conditioning": object{"fitted": false}, "built": "2001"},
	"unknown kind": {},
}

var asOf = calendar.DayOf(2026, 5, 2)

// wild draws a dossier: one to three reports with anything at all found on some of the items.
func wild(t *rapid.T, set *ruleset.Set) []object {
	facts := vehicles[rapid.SampledFrom(slices.Sorted(maps.Keys(vehicles))).Draw(t, "vehicle")]
	share := rapid.SampledFrom([]int{5, 30, 70, 95}).Draw(t, "share looked at")
	flawed := rapid.SampledFrom([]int{0, 5, 50}).Draw(t, "share flawed")
	var reports []object
	for i := range rapid.IntRange(1, 3).Draw(t, "reports") {
		day := asOf - calendar.Day(rapid.IntRange(0, 1500).Draw(t, "days before")*min(1, 2-i%3))
		o := reportOn(day.String())
		o["vehicle"] = maps.Clone(facts)
		o["vehicle"].(object)["reference"] = "drawn"
		if rapid.Bool().Draw(t, "lay-up known") {
			o["lay_up"] = object{"last_ran": rapid.SampledFrom([]string{"2015-08", "2019", "2022-01-31"}).Draw(t, "last ran"), "storage": rapid.SampledFrom([]string{"dry_indoors", "damp_indoors", "outdoors", "unknown"}).Draw(t, "storage")}
			if day < calendar.DayOf(2022, 2, 1) {
				delete(o, "lay_up")
			}
		}
		var observations []object
		for _, it := range set.Catalogue.Items {
			if rapid.IntRange(0, 99).Draw(t, "look") < share {
				observations = append(observations, drawObservation(t, set, it, flawed))
			}
		}
		o["observations"] = fitting(t, set, o, observations)
		reports = append(reports, o)
	}
	return reports
}

// fitting leaves out what the vehicle does not have.
func fitting(t *rapid.T, set *ruleset.Set, o object, observations []object) []object {
	o["observations"] = []object{}
	frame := report.Lay([]*report.Report{drawn(t, set, o)}, set.Catalogue, set.ProofCredence).Frame
	return slices.DeleteFunc(observations, func(ob object) bool { return !set.Catalogue.Item(ob["item"].(string)).AppliesTo(frame) })
}

func drawObservation(t *rapid.T, set *ruleset.Set, it *catalogue.Item, flawed int) object {
	method := rapid.SampledFrom(set.Catalogue.Methods).Draw(t, "method").ID
	found := object{}
	for _, f := range it.Finds {
		likely := 70
		if f.Common() {
			likely = 4
		}
		if rapid.IntRange(0, 99).Draw(t, f.ID) < likely {
			found[f.ID] = drawValue(t, f, rapid.IntRange(0, 99).Draw(t, "flawed") < flawed)
		}
	}
	if len(found) == 0 {
		found["judged"] = rapid.SampledFrom([]string{"sound", "serviceable", "worn", "unfit"}).Draw(t, "judged")
	}
	// What was found contradictory in itself is a fault, not a finding.
	if lo, ok := found["lowest"].(object); ok && found["highest"] != nil {
		hi := found["highest"].(object)
		if lo["value"].(float64) > hi["value"].(float64) {
			found["lowest"], found["highest"] = hi, lo
		}
	}
	return object{"item": it.ID, "method": method, "found": found}
}

func drawValue(t *rapid.T, f *catalogue.Finding, flawed bool) any {
	switch f.Kind {
	case catalogue.Flag:
		if f.Worse == catalogue.Neither {
			return rapid.Bool().Draw(t, f.ID)
		}
		return flawed == (f.Worse == catalogue.Higher)
	case catalogue.Choice:
		if flawed {
			return rapid.SampledFrom(f.Values).Draw(t, f.ID)
		}
		return f.Values[0]
	case catalogue.Count:
		return rapid.IntRange(int(f.Min), int(min(f.Max, 12))).Draw(t, f.ID)
	case catalogue.Date:
		return (calendar.DayOf(2021, 1, 1) - calendar.Day(rapid.IntRange(0, 4000).Draw(t, f.ID))).String()
	case catalogue.WeekCode:
		return fmt.Sprintf("%02d%02d", rapid.IntRange(1, 53).Draw(t, f.ID), rapid.IntRange(6, 20).Draw(t, f.ID))
	case catalogue.Text:
		return "R-2026-031"
	}
	hi := min(f.Max, 10*max(1, math.Abs(f.Min)))
	if f.ID == "age" {
		hi = 15
	}
	return object{"value": math.Round(rapid.Float64Range(max(f.Min, -50), max(hi, f.Min+1)).Draw(t, f.ID)*100) / 100, "unit": f.Unit.Code}
}

func drawn(t *rapid.T, set *ruleset.Set, o object) *report.Report {
	data, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	for _, f := range faults {
		if f.Code == report.Impossible {
			t.Skip("an impossible report")
		}
	}
	if len(faults) > 0 {
		t.Fatalf("faults: %v in %s", faults, data)
	}
	return r
}

func evaluate(t *rapid.T, set *ruleset.Set, objects []object) *score.Assessment {
	var reports []*report.Report
	for _, o := range objects {
		reports = append(reports, drawn(t, set, o))
	}
	return score.Evaluate(set, reports, -1)
}

func bytesOf(t interface{ Fatal(...any) }, a *score.Assessment) string {
	data, err := a.JSON()
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// copyOf copies a drawn dossier, so that it can be changed.
func copyOf(t *rapid.T, objects []object) []object {
	data, err := json.Marshal(objects)
	if err != nil {
		t.Fatal(err)
	}
	var c []object
	if err := json.Unmarshal(data, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

var worseState = map[string]int{score.Clear: 0, score.Unproven: 1, score.Blocked: 2}

// notBetter checks that b, in which something is worse than in a, comes out no better.
func notBetter(t *rapid.T, what string, a, b *score.Assessment) {
	p := map[string]score.Share{}
	for _, e := range a.Register {
		p[e.Hazard] = e.Probability
	}
	for _, e := range b.Register {
		if e.Probability < p[e.Hazard] {
			t.Fatalf("%s: the probability of %s falls from %v to %v", what, e.Hazard, p[e.Hazard].Float(), e.Probability.Float())
		}
	}
	for i, g := range b.Gates {
		if worseState[g.State] < worseState[a.Gates[i].State] {
			t.Fatalf("%s: %s goes from %s to %s", what, g.Gate, a.Gates[i].State, g.State)
		}
	}
	if b.Condition.Expected > a.Condition.Expected || b.Condition.Low > a.Condition.Low || b.Condition.High > a.Condition.High {
		t.Fatalf("%s: the condition rises from %+v to %+v", what, a.Condition.Range, b.Condition.Range)
	}
}

// worsened returns a value worse than v, or nil where there is none.
func worsened(t *rapid.T, f *catalogue.Finding, v any) any {
	switch f.Kind {
	case catalogue.Flag:
		if worse := f.Worse == catalogue.Higher; f.Worse != catalogue.Neither && v != worse {
			return worse
		}
	case catalogue.Choice:
		if i := slices.Index(f.Values, v.(string)); f.Worse == catalogue.Higher && i < len(f.Values)-1 {
			return f.Values[rapid.IntRange(i+1, len(f.Values)-1).Draw(t, "worse")]
		}
	case catalogue.Count:
		if n := v.(float64); f.Worse == catalogue.Lower && n > 0 {
			return float64(rapid.IntRange(0, int(n)-1).Draw(t, "worse"))
		}
	case catalogue.Quantity:
		n := v.(object)["value"].(float64)
		lo, hi := max(f.Min, n-1e6), n
		if f.Worse == catalogue.Higher {
			lo, hi = n, min(f.Max, n+1e6)
			if f.ID == "age" {
				hi = min(hi, 15)
			}
		}
		if f.Worse != catalogue.Neither && lo < hi {
			return object{"value": rapid.Float64Range(lo, hi).Draw(t, "worse"), "unit": f.Unit.Code}
		}
	}
	return nil
}

// confirms reports whether an observation other than the one given has that very value of a finding
// of its, or nearly that age.
func confirms(objects []object, report, observation int, id string, value any) bool {
	item := objects[report]["observations"].([]any)[observation].(object)["item"]
	number := func(v any) (float64, bool) {
		q, ok := v.(object)
		if !ok {
			return 0, false
		}
		n, ok := q["value"].(float64)
		return n, ok
	}
	for i, o := range objects {
		for k, ob := range o["observations"].([]any) {
			found := ob.(object)["found"].(object)
			if ob.(object)["item"] != item || i == report && k == observation {
				continue
			}
			if id == "age" && (found["age"] != nil || found["renewed"] != nil || found["week_code"] != nil) {
				a, _ := number(value)
				b, ok := number(found["age"])
				if !ok || math.Abs(a-b) < 6 {
					return true
				}
			}
			if fmt.Sprint(found[id]) == fmt.Sprint(value) {
				return true
			}
		}
	}
	return false
}

// spoilt draws a dossier, and the same with one finding worse; what says which.
func spoilt(t *rapid.T, set *ruleset.Set) (before, after []object, what string) {
	before = copyOf(t, wild(t, set))
	after = copyOf(t, before)
	r := rapid.IntRange(0, len(after)-1).Draw(t, "report")
	observations := after[r]["observations"].([]any)
	if len(observations) == 0 {
		t.Skip("nothing was looked at")
	}
	at := rapid.IntRange(0, len(observations)-1).Draw(t, "observation")
	ob := observations[at].(object)
	found := ob["found"].(object)
	id := rapid.SampledFrom(slices.Sorted(maps.Keys(found))).Draw(t, "finding")
	f := set.Catalogue.Item(ob["item"].(string)).Find(id)
	worse := worsened(t, f, found[id])
	if worse == nil {
		t.Skip("it cannot get worse")
	}
	if confirms(after, r, at, id, worse) {
		t.Skip("it becomes what somebody else found too: that confirms, it does not contradict")
	}
	what = fmt.Sprintf("%s.%s (%s) %v -> %v", ob["item"], id, ob["method"], found[id], worse)
	found[id] = worse
	return before, after, what
}

func TestAWorseFindingNeverMakesAnythingBetter(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		before, after, what := spoilt(t, set)
		notBetter(t, what, evaluate(t, set, before), evaluate(t, set, after))
	})
}

func TestReassuringHearsayClearsNoGate(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		before := wild(t, set)
		a := evaluate(t, set, before)
		after := copyOf(t, before)
		told := reportOn(a.AsOf)
		told["vehicle"] = after[0]["vehicle"]
		var observations []object
		for _, it := range set.Catalogue.Items {
			ob := drawObservation(t, set, it, 0)
			ob["method"] = "told"
			observations = append(observations, ob)
		}
		told["observations"] = fitting(t, set, told, observations)
		b := evaluate(t, set, append(after, told))
		for i, g := range b.Gates {
			if worseState[g.State] < worseState[a.Gates[i].State] {
				t.Fatalf("hearsay takes %s from %s to %s: gone is %+v", g.Gate, a.Gates[i].State, g.State, a.BlockersBy(g.Gate))
			}
		}
	})
}

func TestAReassuringFindingNeverRaisesAProbability(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		before := wild(t, set)
		a := evaluate(t, set, before)
		// On an item on which nothing was found so far, all is well.
		after := copyOf(t, before)
		seen := map[string]bool{}
		for _, o := range after {
			for _, ob := range o["observations"].([]any) {
				seen[ob.(object)["item"].(string)] = true
			}
		}
		well := reportOn(a.AsOf)
		well["vehicle"] = after[0]["vehicle"]
		it := rapid.SampledFrom(set.Catalogue.Items).Draw(t, "item")
		found := object{}
		for _, f := range it.Finds {
			if !f.Common() && (f.Kind == catalogue.Choice || f.Kind == catalogue.Flag && f.Worse != catalogue.Neither) {
				found[f.ID] = drawValue(t, f, false)
			}
		}
		if seen[it.ID] || len(found) == 0 {
			t.Skip("looked at already")
		}
		well["observations"] = fitting(t, set, well, []object{{"item": it.ID, "method": rapid.SampledFrom([]string{"seen", "tested", "told"}).Draw(t, "method"), "found": found}})
		p := map[string]score.Share{}
		for _, e := range a.Register {
			p[e.Hazard] = e.Probability
		}
		for _, e := range evaluate(t, set, append(after, well)).Register {
			if e.Probability > p[e.Hazard] {
				t.Fatalf("%s found sound: the probability of %s rises from %v to %v", it.ID, e.Hazard, p[e.Hazard].Float(), e.Probability.Float())
			}
		}
	})
}

func TestOrderAndUnitsChangeNothing(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		before := wild(t, set)
		want := bytesOf(t, evaluate(t, set, before))
		if got := bytesOf(t, evaluate(t, set, before)); got != want {
			t.Fatal("the same dossier gives other bytes the second time")
		}
		after := copyOf(t, before)
		for _, o := range after {
			obs := o["observations"].([]any)
			for i := len(obs) - 1; i > 0; i-- {
				k := rapid.IntRange(0, i).Draw(t, "swap")
				obs[i], obs[k] = obs[k], obs[i]
			}
			for _, ob := range obs {
				found := ob.(object)["found"].(object)
				for id, v := range found {
					q, ok := v.(object)
					if !ok {
						continue
					}
					switch q["unit"] {
					case "kPa":
						found[id] = object{"value": json.Number(fmt.Sprintf("%.10g", q["value"].(float64)/100)), "unit": "bar"}
					case "mm":
						found[id] = object{"value": json.Number(fmt.Sprintf("%.10g", q["value"].(float64)/10)), "unit": "cm"}
					case "V":
						found[id] = object{"value": json.Number(fmt.Sprintf("%.10g", q["value"].(float64)*1000)), "unit": "mV"}
					case "a":
						found[id] = object{"value": q["value"], "unit": "yr"}
					}
				}
			}
		}
		if got := bytesOf(t, evaluate(t, set, after)); got != want {
			t.Fatalf("another order and other units give\n%s\ninstead of\n%s", got, want)
		}
	})
}

func TestARemovedReportAddedAgainGivesTheSame(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, set)
		var reports []*report.Report
		for _, o := range objects {
			reports = append(reports, drawn(t, set, o))
		}
		want := bytesOf(t, score.Evaluate(set, reports, -1))
		if len(reports) > 1 {
			score.Evaluate(set, reports[:len(reports)-1], -1)
		}
		if got := bytesOf(t, score.Evaluate(set, reports, -1)); got != want {
			t.Fatal("evaluating without a report changes what comes out with it")
		}
	})
}

func TestThePartsOfAnExplanationAddUp(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		a := evaluate(t, set, wild(t, set))
		var read score.Assessment
		if err := json.Unmarshal([]byte(bytesOf(t, a)), &read); err != nil {
			t.Fatal(err)
		}
		shares := score.Share(0)
		for i, e := range read.Register {
			sum := e.PriorDB
			for _, ev := range e.Evidence {
				sum += ev.EffectiveDB
			}
			if sum != e.TotalDB {
				t.Fatalf("%s: the parts are %v, the total is %v", e.Hazard, sum.Float(), e.TotalDB.Float())
			}
			if e.Rank != i+1 {
				t.Fatalf("rank %d at place %d", e.Rank, i)
			}
			shares += e.Share
		}
		if shares != 1e10 {
			t.Fatalf("the shares add up to %v", shares.Float())
		}
	})
}

// followUp is the report that a list of blockers asks for.
func followUp(a *score.Assessment, vehicle any, blockers []score.Blocker) object {
	found := map[string]object{}
	for _, b := range blockers {
		for _, c := range b.ClearBy {
			if found[c.Item] == nil {
				found[c.Item] = object{}
			}
			for _, f := range c.Found {
				found[c.Item][f.ID] = f.Value
			}
		}
	}
	var observations []object
	for _, item := range slices.Sorted(maps.Keys(found)) {
		observations = append(observations, observation(item, "tested", found[item]))
	}
	o := reportOn(a.AsOf, observations...)
	o["vehicle"] = object{"reference": vehicle.(object)["reference"]}
	return o
}

func TestWhatClearsABlockerClearsIt(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, set)
		a := evaluate(t, set, objects)
		if len(a.Blockers) == 0 {
			t.Skip("nothing blocks")
		}
		b := a.Blockers[rapid.IntRange(0, len(a.Blockers)-1).Draw(t, "blocker")]
		after := evaluate(t, set, append(objects, followUp(a, objects[0]["vehicle"], []score.Blocker{b})))
		for _, still := range after.Blockers {
			if still.Kind == b.Kind && still.Item == b.Item && still.Gate == b.Gate && still.Hazard == b.Hazard {
				t.Fatalf("%s %s %s (%v) stays after %+v: %s %v", b.Gate, b.Kind, b.Item, b.Rules, b.ClearBy, still.Because, still.Rules)
			}
		}
	})
}

func TestWhatClearsAllBlockersOfAGateClearsTheGate(t *testing.T) {
	set := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, set)
		a := evaluate(t, set, objects)
		g := rapid.IntRange(0, len(a.Gates)-1).Draw(t, "gate")
		blockers := a.BlockersBy(a.Gates[g].Gate)
		after := evaluate(t, set, append(objects, followUp(a, objects[0]["vehicle"], blockers)))
		if after.Gates[g].State != score.Clear {
			still := after.BlockersBy(a.Gates[g].Gate)[0]
			t.Fatalf("%s is %s: %s %s %s %v: %s", a.Gates[g].Gate, after.Gates[g].State, still.Gate, still.Kind, still.Item, still.Rules, still.Because)
		}
	})
}

// The book for a seller's yard has the same hazards: it judges as first-start does, and proposes only
// what can be looked at there.
func TestPrePurchaseJudgesAsFirstStartDoes(t *testing.T) {
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	first := builtIn(t)
	yard, err := l.Knowing(first).Folder(schema.FS, "rulesets/pre-purchase/1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	proposed := 0
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, first)
		a, b := evaluate(t, first, objects), evaluate(t, yard, objects)
		for i := range a.Gates {
			if a.Gates[i].State != b.Gates[i].State || a.Gates[i].ChanceThrough != b.Gates[i].ChanceThrough {
				t.Fatalf("%+v against %+v", a.Gates[i], b.Gates[i])
			}
		}
		if b.Verdict.Gate != "road_test" || len(b.LookNext) > 10 {
			t.Fatalf("%+v, %d looks", b.Verdict, len(b.LookNext))
		}
		for _, l := range b.LookNext {
			proposed++
			if l.Access != "none" {
				t.Fatalf("%s is proposed, which needs %s off", l.Item, l.Access)
			}
		}
	})
	if proposed == 0 {
		t.Error("nothing was ever proposed")
	}
}

func TestNobodyLookedIsNeverClear(t *testing.T) {
	set := builtIn(t)
	for name, facts := range vehicles {
		t.Run(name, func(t *testing.T) {
			o := reportOn("2026-05-02")
			o["vehicle"] = maps.Clone(facts)
			o["vehicle"].(object)["reference"] = "unseen"
			a := score.Evaluate(set, []*report.Report{decode(t, set, o)}, -1)
			for _, g := range a.Gates {
				if g.State != score.Unproven {
					t.Errorf("%s is %s", g.Gate, g.State)
				}
			}
		})
	}
}
