package score_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"

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

// forEachSet checks a property of the small garage, many times, and of the book, where each takes longer.
func forEachSet(t *testing.T, check func(*rapid.T, *ruleset.Set)) {
	for _, of := range []struct {
		name string
		set  *ruleset.Set
		many int
	}{{"garage", garage(t), 300}, {"book", builtin.FirstStart(), 30}} {
		t.Run(of.name, func(t *testing.T) {
			examples(t, of.many)
			rapid.Check(t, func(t *rapid.T) { check(t, of.set) })
		})
	}
}

// examples has rapid try so many examples for the rest of a test, unless the command line says how many.
func examples(t *testing.T, n int) {
	t.Helper()
	setting(t, "rapid.checks", strconv.Itoa(n))
}

// repeatable has rapid draw the same examples each time, unless the command line names a seed: what is held
// against a whole rule book meets one example in a thousand that is for its author to judge.
func repeatable(t *testing.T) {
	t.Helper()
	setting(t, "rapid.seed", "1")
}

// setting gives a flag another value for the rest of a test, unless the command line does.
func setting(t *testing.T, name, value string) {
	t.Helper()
	f := flag.Lookup(name)
	before := f.Value.String()
	if before != f.DefValue {
		return
	}
	if err := f.Value.Set(value); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := f.Value.Set(before); err != nil {
			t.Error(err)
		}
	})
}

// factsFor leaves of a vehicle the facts that a rule set knows.
func factsFor(set *ruleset.Set, facts object) object {
	known := object{}
	for id, v := range facts {
		if set.Catalogue.Fact("vehicle", id) != nil || id == "air_conditioning" && set.Catalogue.Fact("vehicle", id+".fitted") != nil {
			known[id] = v
		}
	}
	return known
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
		o["vehicle"] = factsFor(set, facts)
		o["vehicle"].(object)["reference"] = "drawn"
		if rapid.Bool().Draw(t, "lay-up known") {
			o["lay_up"] = object{"last_ran": rapid.SampledFrom([]string{"2015-08", "2019", "2022-01-31"}).Draw(t, "last ran"), "storage": rapid.SampledFrom(append([]string{"unknown"}, set.Catalogue.Fact("lay_up", "storage").Values...)).Draw(t, "storage")}
			if day < calendar.DayOf(2022, 2, 1) {
				delete(o, "lay_up")
			}
		}
		observations := []object{}
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
	return slices.DeleteFunc(observations, func(ob object) bool {
		it := set.Catalogue.Item(ob["item"].(string))
		if !it.AppliesTo(frame) {
			return true
		}
		named, _ := ob["at"].([]string)
		has, known := it.PositionsOn(frame)
		named = slices.DeleteFunc(named, func(id string) bool {
			return known && !slices.ContainsFunc(has, func(p *catalogue.Position) bool { return p.ID == id })
		})
		if delete(ob, "at"); len(named) > 0 {
			ob["at"] = named
		}
		return false
	})
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
	o := object{"item": it.ID, "method": method, "found": found}
	if len(it.Positions) > 0 && rapid.IntRange(0, 2).Draw(t, "named") == 0 {
		// Up to the second: what a vehicle has fewer of is left out by fitting.
		named := []string{}
		for i := range min(len(it.Positions), 2+rapid.IntRange(0, 2).Draw(t, "positions")) {
			if rapid.Bool().Draw(t, "at") {
				named = append(named, it.Positions[i].ID)
			}
		}
		if len(named) > 0 {
			o["at"] = named
		}
	}
	return o
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

func inJSON(t interface{ Fatal(...any) }, v any) string {
	data, err := json.Marshal(v)
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
	for _, x := range a.Blockers {
		if x.Kind == "defect" && !slices.ContainsFunc(b.Blockers, func(y score.Blocker) bool { return y.Item == x.Item && y.Kind != "unproven" }) {
			t.Fatalf("%s: %s was a defect at %s, and is no more", what, x.Item, x.Gate)
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
			if found["renewed"] != nil {
				return true // what a renewal supersedes is another matter
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
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		before, after, what := spoilt(t, set)
		notBetter(t, what, evaluate(t, set, before), evaluate(t, set, after))
	})
}

func TestReassuringHearsayClearsNoGate(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
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
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
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
			for _, c := range e.Causes {
				p[e.Hazard+" "+c.Fault] = c.Probability
			}
		}
		for _, e := range evaluate(t, set, append(after, well)).Register {
			for _, c := range e.Causes {
				if c.Probability > p[e.Hazard+" "+c.Fault] {
					t.Fatalf("%s found sound: the probability of %s rises from %v to %v", it.ID, c.Fault, p[e.Hazard+" "+c.Fault].Float(), c.Probability.Float())
				}
			}
		}
	})
}

func TestOrderAndUnitsChangeNothing(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
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
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
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
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		a := evaluate(t, set, wild(t, set))
		var read score.Assessment
		if err := json.Unmarshal([]byte(bytesOf(t, a)), &read); err != nil {
			t.Fatal(err)
		}
		for i := range read.Gates[1:] {
			if read.Gates[i+1].ChanceThrough > read.Gates[i].ChanceThrough {
				t.Fatalf("the chance rises from %s to %s", read.Gates[i].Gate, read.Gates[i+1].Gate)
			}
		}
		for _, g := range read.Gates {
			if g.ChanceThroughHigh > 0 && !(g.ChanceThroughLow <= g.ChanceThrough && g.ChanceThrough <= g.ChanceThroughHigh) {
				t.Fatalf("%s: %v lies outside its range", g.Gate, g.ChanceThrough.Float())
			}
		}
		shares := score.Share(0)
		for i, e := range read.Register {
			causes := score.Share(0)
			for _, c := range e.Causes {
				sum := c.PriorDB + c.ShiftsDB
				for _, ev := range c.Evidence {
					sum += ev.EffectiveDB
				}
				if sum != c.TotalDB {
					t.Fatalf("%s of %s: the parts are %v, the total is %v", c.Fault, e.Hazard, sum.Float(), c.TotalDB.Float())
				}
				causes += c.Share
			}
			if causes != 1e10 {
				t.Fatalf("%s: the shares of its causes add up to %v", e.Hazard, causes.Float())
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
	o := reportOn(a.AsOf)
	o["vehicle"] = object{"reference": vehicle.(object)["reference"]}
	found := map[string]object{}
	for _, b := range blockers {
		for _, c := range b.ClearBy {
			if c.Fact != "" {
				where, fact, _ := strings.Cut(c.Fact, ".")
				if o[where] == nil {
					o[where] = object{}
				}
				o[where].(object)[fact] = c.Found[0].Value
				continue
			}
			key := c.Item + " " + strings.Join(c.At, " ")
			if found[key] == nil {
				found[key] = object{}
			}
			for _, f := range c.Found {
				found[key][f.ID] = f.Value
			}
		}
	}
	var observations []object
	for _, key := range slices.Sorted(maps.Keys(found)) {
		item, places, _ := strings.Cut(key, " ")
		ob := observation(item, "tested", found[key])
		if places != "" {
			ob["at"] = strings.Fields(places)
		}
		observations = append(observations, ob)
	}
	if observations != nil {
		o["observations"] = observations
	}
	return o
}

func TestWhatClearsABlockerClearsIt(t *testing.T) {
	repeatable(t)
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		objects := wild(t, set)
		a := evaluate(t, set, objects)
		if len(a.Blockers) == 0 {
			t.Skip("nothing blocks")
		}
		b := a.Blockers[rapid.IntRange(0, len(a.Blockers)-1).Draw(t, "blocker")]
		after := evaluate(t, set, append(objects, followUp(a, objects[0]["vehicle"], []score.Blocker{b})))
		for _, still := range after.Blockers {
			// Something else may come up on the same item.
			again := slices.ContainsFunc(still.Faults, func(f string) bool { return slices.Contains(b.Faults, f) }) ||
				len(still.Faults) == 0 && slices.ContainsFunc(still.Rules, func(r string) bool { return slices.Contains(b.Rules, r) })
			if again && still.Kind == b.Kind && still.Item == b.Item && still.Gate == b.Gate && slices.Equal(still.At, b.At) {
				t.Fatalf("%s %s %s %v (%v) stays after %s: %s %v", b.Gate, b.Kind, b.Item, b.At, b.Rules, inJSON(t, b.ClearBy), inJSON(t, still.Reason), still.Rules)
			}
		}
	})
}

// What clears the entries of a gate, posted together, leaves it clear. An answer may bring up what could not
// be asked before: a part that is back on the vehicle, a fact by which it has another one.
func TestWhatClearsTheEntriesOfAGateClearsTheGate(t *testing.T) {
	const rounds = 3
	repeatable(t)
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		objects := wild(t, set)
		vehicle := objects[0]["vehicle"]
		a := evaluate(t, set, objects)
		gate := rapid.IntRange(0, len(a.Gates)-1).Draw(t, "gate")
		for range rounds {
			if a.Gates[gate].State == score.Clear {
				return
			}
			objects = append(objects, followUp(a, vehicle, a.BlockersBy(a.Gates[gate].Gate)))
			a = evaluate(t, set, objects)
		}
		if left := a.BlockersBy(a.Gates[gate].Gate); len(left) > 0 {
			t.Fatalf("%s still has %d entries: %s", a.Gates[gate].Gate, len(left), inJSON(t, left))
		}
	})
}

func TestNobodyLookedIsNeverClear(t *testing.T) {
	set := builtin.FirstStart()
	for name, facts := range vehicles {
		t.Run(name, func(t *testing.T) {
			o := reportOn("2026-05-02")
			o["vehicle"] = maps.Clone(facts)
			o["vehicle"].(object)["reference"] = "unseen"
			a := score.Evaluate(set, []*report.Report{decode(t, set, o)}, -1)
			for _, g := range a.Gates {
				if g.State == score.Clear {
					t.Errorf("%s is clear", g.Gate)
				}
			}
			for _, b := range a.Blockers {
				if b.Kind == "defect" {
					t.Errorf("%s is a defect at %s", b.Item, b.Gate)
				}
			}
		})
	}
}

// A longer lay-up never makes a vehicle that nobody looked at better.
func TestALongerLayUpIsNeverBetter(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		facts := factsFor(set, vehicles[rapid.SampledFrom(slices.Sorted(maps.Keys(vehicles))).Draw(t, "vehicle")])
		facts["reference"], facts["built"] = "drawn", "1960"
		storage := rapid.SampledFrom(set.Catalogue.Fact("lay_up", "storage").Values).Draw(t, "storage")
		years := rapid.IntRange(0, 50).Draw(t, "years")
		laidUp := func(years int) *score.Assessment {
			o := reportOn("2026-05-02")
			o["vehicle"], o["lay_up"] = facts, object{"last_ran": calendar.DayOf(2026-years, 5, 2).String(), "storage": storage}
			return evaluate(t, set, []object{o})
		}
		before, after := laidUp(years), laidUp(years+rapid.IntRange(1, 10).Draw(t, "more"))
		notBetter(t, "more years", before, after)
		for i, g := range after.Gates {
			if g.ChanceThrough > before.Gates[i].ChanceThrough {
				t.Fatalf("more years raise the chance through %s from %v to %v", g.Gate, before.Gates[i].ChanceThrough.Float(), g.ChanceThrough.Float())
			}
		}
	})
}

// Knowing an age never raises a probability over not knowing it.
func TestKnowingAnAgeIsNeverWorse(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		before := wild(t, set)
		it := rapid.SampledFrom(set.Catalogue.Items).Draw(t, "item")
		for _, o := range before {
			for _, ob := range o["observations"].([]object) {
				if found := ob["found"].(object); ob["item"] == it.ID && (found["age"] != nil || found["renewed"] != nil || it.Made != nil) {
					t.Skip("something is known of it")
				}
			}
		}
		a := evaluate(t, set, before)
		aged := reportOn(a.AsOf)
		aged["vehicle"] = object{"reference": "drawn"}
		aged["observations"] = []object{observation(it.ID, rapid.SampledFrom([]string{"documented", "told", "seen"}).Draw(t, "method"), object{"age": object{"value": rapid.IntRange(0, 60).Draw(t, "age"), "unit": "a"}})}
		if !applies(t, set, before, it) {
			t.Skip("the vehicle has none")
		}
		p := map[string]score.Share{}
		for _, e := range a.Register {
			p[e.Hazard] = e.Probability
		}
		for _, e := range evaluate(t, set, append(before, aged)).Register {
			reads := slices.ContainsFunc(set.Rules, func(r *ruleset.Rule) bool { return r.Item == it && slices.Contains(r.Needs, it.Age.Slot) })
			if e.Probability > p[e.Hazard] && !reads {
				t.Fatalf("the age of %s raises %s from %v to %v", it.ID, e.Hazard, p[e.Hazard].Float(), e.Probability.Float())
			}
		}
	})
}

func applies(t *rapid.T, set *ruleset.Set, objects []object, it *catalogue.Item) bool {
	var reports []*report.Report
	for _, o := range objects {
		reports = append(reports, drawn(t, set, o))
	}
	return it.AppliesTo(report.Lay(reports, set.Catalogue, set.ProofCredence).Frame)
}

// teaches reports whether one more report says something of the vehicle itself: where a clutch cable is
// spoken of, the vehicle has no hydraulic clutch.
func teaches(t *rapid.T, set *ruleset.Set, before []object, more object) bool {
	facts := func(objects []object) []float64 {
		var reports []*report.Report
		for _, o := range objects {
			reports = append(reports, drawn(t, set, o))
		}
		frame := report.Lay(reports, set.Catalogue, set.ProofCredence).Frame
		var values []float64
		for _, f := range set.Catalogue.Facts {
			values = append(values, frame[f.Slot])
		}
		return values
	}
	return !slices.EqualFunc(facts(before), facts(append(slices.Clip(before), more)), func(x, y float64) bool { return x == y || x != x && y != y })
}

// A part that is taken off never makes a chance better, and is asked for by the gate that needs it.
func TestTakingAPartOffIsNeverBetter(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		before := wild(t, set)
		it := rapid.SampledFrom(set.Catalogue.Items).Draw(t, "item")
		if !applies(t, set, before, it) {
			t.Skip("the vehicle has none")
		}
		a := evaluate(t, set, before)
		off := reportOn(a.AsOf, observation(it.ID, "seen", object{"removed": true}))
		off["vehicle"] = object{"reference": "drawn"}
		if teaches(t, set, before, off) {
			t.Skip("who speaks of the part says what vehicle it is")
		}
		b := evaluate(t, set, append(before, off))
		for i, g := range b.Gates {
			if g.ChanceThrough > a.Gates[i].ChanceThrough {
				t.Fatalf("%s off: the chance through %s rises from %v to %v", it.ID, g.Gate, a.Gates[i].ChanceThrough.Float(), g.ChanceThrough.Float())
			}
		}
	})
}

// A finding at one position changes no other position.
func TestAFindingAtOnePositionChangesNoOther(t *testing.T) {
	forEachSet(t, func(t *rapid.T, set *ruleset.Set) {
		before := wild(t, set)
		placed := slices.DeleteFunc(slices.Clone(set.Catalogue.Items), func(it *catalogue.Item) bool {
			return len(it.Positions) < 2 || it.PositionsOf != nil || it.PositionsWhen != nil
		})
		it := rapid.SampledFrom(placed).Draw(t, "item")
		if !applies(t, set, before, it) {
			t.Skip("the vehicle has none")
		}
		a := evaluate(t, set, before)
		more := reportOn(a.AsOf)
		more["vehicle"] = object{"reference": "drawn"}
		ob := drawObservation(t, set, it, 50)
		for id := range ob["found"].(object) {
			// A date or a week code may be refused for what else is known.
			if f := it.Find(id); f.Common() || f.Kind == catalogue.Date || f.Kind == catalogue.WeekCode {
				delete(ob["found"].(object), id)
			}
		}
		if len(ob["found"].(object)) == 0 {
			t.Skip("nothing was found")
		}
		k := rapid.IntRange(0, len(it.Positions)-1).Draw(t, "where")
		ob["at"] = []string{it.Positions[k].ID}
		more["observations"] = []object{ob}
		was, is := places(t, set, before, it), places(t, set, append(before, more), it)
		for at, says := range is {
			if at == k || at == report.Somewhere {
				continue // what was said of no position may end where all have been named
			}
			if old, ok := was[at]; !ok {
				old = was[report.Whole]
				if says != old {
					t.Fatalf("%v at %s: at %d it was %s, and is %s", ob["found"], it.Positions[k].ID, at, old, says)
				}
			} else if says != old {
				t.Fatalf("%v at %s: at %d it was %s, and is %s", ob["found"], it.Positions[k].ID, at, old, says)
			}
		}
	})
}

// places writes what stands at each place of an item.
func places(t *rapid.T, set *ruleset.Set, objects []object, it *catalogue.Item) map[int]string {
	var reports []*report.Report
	for _, o := range objects {
		reports = append(reports, drawn(t, set, o))
	}
	d := report.Lay(reports, set.Catalogue, set.ProofCredence)
	all := map[int]string{}
	for _, p := range d.Places(it) {
		s := fmt.Sprint(p.Age, p.LaidUp, p.SinceBuilt, p.Driven)
		for _, st := range p.Standing {
			if st != nil {
				for _, v := range st.Values {
					s += fmt.Sprint(" ", st.Finding.ID, " ", v.Number, " ", v.Method(), " ", v.On())
				}
			}
		}
		all[p.Position] = s
	}
	return all
}

// On a vehicle proven sound, a measurement on the permitted side of a limit makes no defect, and the same
// on the wrong side does. The limits are those that compare one number with another and have no clause
// on facts.
func TestTheTwoSidesOfALimit(t *testing.T) {
	set := garage(t)
	examples(t, 300)
	rapid.Check(t, func(t *rapid.T) {
		corner := rapid.SampledFrom([]string{"front_left", "front_right", "rear_left", "rear_right"}).Draw(t, "corner")
		bore := float64(rapid.IntRange(0, 400).Draw(t, "hundredths")) / 100
		method := rapid.SampledFrom([]string{"tested", "seen", "documented"}).Draw(t, "method")
		years := rapid.IntRange(0, 15).Draw(t, "years")
		all := append(sound(), at(observation("hoses", method, object{"bore": object{"value": bore, "unit": "mm"}}), corner))
		all = slices.DeleteFunc(all, func(o object) bool { return o["item"] == "belt" })
		all = append(all, observation("belt", method, object{"renewed": calendar.DayOf(2026-years, 5, 2).String()}), observation("belt", "tested", object{"cracked": false}))
		r := drawn(t, set, car(today, all...))
		var want []string
		if years >= 12 {
			want = append(want, "start defect belt found")
		}
		if bore < 2 {
			want = append(want, "road defect hoses ["+corner+"] found")
		}
		a := score.Evaluate(set, []*report.Report{r}, -1)
		if got := slices.DeleteFunc(list(a), func(s string) bool { return !strings.Contains(s, " defect ") }); !slices.Equal(got, want) {
			t.Fatalf("a bore of %v and a belt of %d years: %v, want %v", bore, years, got, want)
		}
	})
}
