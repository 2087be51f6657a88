package rulecheck_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Every kind of vehicle is among the dossiers of the rule set three times: with everything found sound,
// with nobody having looked, and sick.
const (
	soundKind = "sound_"
	bareKind  = "nobody_looked_at_"
	sickKind  = "sick_"
)

// dossiersOf returns the dossier tests whose names begin so, by the rest of their names.
func dossiersOf(t *testing.T, set *ruleset.Set, prefix string) map[string]ruleset.TestForm {
	t.Helper()
	forms := map[string]ruleset.TestForm{}
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if kind, ok := strings.CutPrefix(form.Name, prefix); ok {
			forms[kind] = form
		}
	}
	return forms
}

// kindsOf returns a bare dossier of each kind of vehicle.
func kindsOf(t *testing.T) map[string]ruleset.TestForm {
	t.Helper()
	return dossiersOf(t, builtin.FirstStart(), bareKind)
}

func TestEveryKindOfVehicleIsThereSoundBareAndSick(t *testing.T) {
	set := builtin.FirstStart()
	bare := kindsOf(t)
	if len(bare) < 20 {
		t.Errorf("only %d kinds of vehicle", len(bare))
	}
	for _, prefix := range []string{soundKind, sickKind} {
		forms := dossiersOf(t, set, prefix)
		for kind := range bare {
			if _, there := forms[kind]; !there {
				t.Errorf("there is no dossier %s%s", prefix, kind)
			}
		}
	}
}

// mostRounds is how often a workshop is sent back to a vehicle, once what it is has been told.
const mostRounds = 3

// Whoever does what the lists ask for, for every gate, is let through to the road test, and is never
// asked for what the vehicle does not have.
func TestEveryKindOfVehicleIsClearedByWhatIsAskedOfIt(t *testing.T) {
	t.Parallel()
	set := builtin.FirstStart()
	scorer := score.New(set)
	for kind, form := range kindsOf(t) {
		little := map[string]any{}
		for _, fact := range []string{"kind", "layout", "built", "fuel", "fuel_delivery", "stroke", "drive", "brakes", "cooling"} {
			if v, told := form.Vehicle[fact]; told {
				little[fact] = v
			}
		}
		damp := map[string]any{"last_ran": "2006-05", "storage": "damp_indoors"}
		if built, _ := form.Vehicle["built"].(string); built >= "2006" {
			damp["last_ran"] = built // as long as it can have stood
		}
		for name, c := range map[string]struct{ vehicle, layUp map[string]any }{
			"a dry decade":                      {form.Vehicle, map[string]any{"last_ran": "2015-08", "storage": "dry_indoors"}},
			"twenty damp years":                 {form.Vehicle, damp},
			"since it was built, nothing said":  {form.Vehicle, nil},
			"twenty damp years, little told":    {little, damp},
			"three months, hardly worth a name": {form.Vehicle, map[string]any{"last_ran": "2026-02", "storage": "dry_indoors"}},
		} {
			t.Run(kind+"/"+name, func(t *testing.T) {
				reports, err := rulecheck.ReportsOf(set, ruleset.TestForm{Vehicle: c.vehicle, LayUp: c.layUp})
				if err != nil {
					t.Fatal(err)
				}
				clearedByWhatIsAsked(t, scorer, set, form.Vehicle, reports)
			})
		}
	}
	for kind, form := range dossiersOf(t, set, sickKind) {
		t.Run("sick "+kind, func(t *testing.T) {
			reports, err := rulecheck.ReportsOf(set, form)
			if err != nil {
				t.Fatal(err)
			}
			clearedByWhatIsAsked(t, scorer, set, form.Vehicle, reports)
		})
	}
}

// clearedByWhatIsAsked answers what is asked about a vehicle, then does all that is asked of it.
func clearedByWhatIsAsked(t *testing.T, scorer *score.Scorer, set *ruleset.Set, facts map[string]any, reports []*report.Report) {
	t.Helper()
	assess := func() *score.Assessment {
		a := scorer.Evaluate(reports, len(set.Gates)-1)
		notAskedInVain(t, set, facts, reports, a)
		return a
	}
	a := assess()
	for range len(set.Catalogue.Facts) {
		var asked []score.Blocker
		for _, b := range a.Blockers {
			if b.Reason.Code == score.ReasonFactUnknown {
				asked = append(asked, b)
			}
		}
		if len(asked) == 0 {
			break
		}
		reports = append(reports, answered(t, set, facts, asked))
		a = assess()
	}
	for range mostRounds {
		if len(a.Blockers) == 0 {
			break
		}
		reports = append(reports, answered(t, set, facts, a.Blockers))
		a = assess()
	}
	for _, b := range a.Blockers {
		t.Errorf("after %d rounds %s %v still blocks %s (%s, %s): %s; asked for was %s", mostRounds, b.Item, b.At, b.Gate, b.Kind, b.Reason.Code, strings.Join(b.Rules, ", "), said(b.ClearBy))
	}
	for _, g := range a.Gates {
		if g.State != score.Clear && len(a.Blockers) == 0 {
			t.Errorf("nothing blocks %s, and it is %s", g.Gate, g.State)
		}
	}
}

func said(asked []score.Clearing) string {
	data, err := json.Marshal(asked)
	if err != nil {
		return err.Error()
	}
	return string(data)
}

// answered is the report of a workshop that has done all that blockers ask for, by test. What is asked
// about the vehicle is answered as it is, where that is known.
func answered(t *testing.T, set *ruleset.Set, facts map[string]any, blockers []score.Blocker) *report.Report {
	t.Helper()
	vehicle, layUp := map[string]any{"reference": "tested"}, map[string]any{}
	var list []ruleset.ObservationForm
	for _, b := range blockers {
		for _, c := range b.ClearBy {
			if c.Fact != "" {
				where, fact, _ := strings.Cut(c.Fact, ".")
				var value any = c.Found[0].Value
				if known, told := facts[fact]; told {
					value = known
				}
				if where == "lay_up" {
					layUp[fact] = value
				} else if group, member, grouped := strings.Cut(fact, "."); grouped {
					if known, told := facts[group].(map[string]any); told && known[member] != nil {
						value = known[member]
					}
					if vehicle[group] == nil {
						vehicle[group] = map[string]any{}
					}
					vehicle[group].(map[string]any)[member] = value
				} else {
					vehicle[fact] = value
				}
				continue
			}
			i := slices.IndexFunc(list, func(o ruleset.ObservationForm) bool { return o.Item == c.Item && slices.Equal(o.At, c.At) })
			if i < 0 {
				i = len(list)
				list = append(list, ruleset.ObservationForm{Item: c.Item, SeenForm: ruleset.SeenForm{Method: "tested", At: c.At, Found: map[string]any{}}})
			}
			for _, f := range c.Found {
				list[i].Found[f.ID] = f.Value
			}
		}
	}
	form := map[string]any{
		"schema": report.SchemaName, "vehicle": vehicle, "inspection": map[string]any{"date": rulecheck.Today}, "observations": list,
	}
	if list == nil {
		form["observations"] = []any{}
	}
	if len(layUp) > 0 {
		form["lay_up"] = layUp
	}
	data, err := json.Marshal(form)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	if len(faults) > 0 {
		t.Fatalf("what is asked for cannot be posted: %v", faults)
	}
	return r
}

// lacking are items, and findings of items, that vehicles of which a fact is known do not have.
var lacking = []struct {
	fact  string
	is    []any
	lacks []string
}{
	{"stroke", []any{"two"}, []string{"oil_pressure", "valve_gear", "timing_belt", "timing_chain", "timing_marks", "belt_tensioner", "idler_bearings", "cam_and_crank_seals", "engine_oil", "oil_filter", "breather"}},
	{"stroke", []any{"four"}, []string{"two_stroke_oil_feed", "two_stroke_crankcase"}},
	{"kind", []any{"motorcycle"}, []string{"ball_joints", "steering_joints", "steering_play", "suspension_bushes", "seat_belts", "airbags", "cabin", "glass_and_wipers", "bonnet_and_lids", "propshaft", "driveshafts", "parking_brake", "jacking_points", "sills_and_floor", "subframe_mounts", "power_steering", "brake_servo", "clutch_pressure_plate", "release_bearing", "clutch_return_spring"}},
	{"kind", []any{"car", "van", "truck", "tractor"}, []string{"fork", "swing_arm", "head_bearings", "motorcycle_stand", "final_drive_chain"}},
	{"kind", []any{"tractor"}, []string{"airbags"}},
	{"brakes", []any{"cable", "rod"}, []string{"brake_fluid", "brake_hoses", "brake_pipes", "calipers_and_cylinders", "brake_pedal.master_leak", "brake_pedal.reserve", "air_brakes"}},
	{"brakes", []any{"hydraulic"}, []string{"brake_linkage", "air_brakes"}},
	{"brakes", []any{"air"}, []string{"brake_fluid", "calipers_and_cylinders"}},
	{"brake_servo", []any{false}, []string{"brake_servo"}},
	{"starter", []any{"kick"}, []string{"starter_motor.solenoid_sticks", "starter_motor.ring_gear_worn", "start_interlock"}},
	{"starter", []any{"handle"}, []string{"starter_motor", "start_interlock"}},
	{"starter", []any{"electric", "kick", "electric_and_kick"}, []string{"starting_handle"}},
	{"cooling", []any{"air"}, []string{"coolant", "coolant_hoses", "radiator", "water_pump", "thermostat", "core_plugs", "cylinder_block", "head_gasket.combustion_gas_in_coolant"}},
	{"drive", []any{"electric"}, []string{"fuel", "fuel_tank", "fuel_lines", "fuel_leak_test", "fuel_pump", "fuel_filter", "injectors", "throttle", "crankshaft", "cylinders", "compression", "engine_oil", "oil_pressure", "exhaust", "spark_plugs", "ignition_coil", "alternator", "starter_motor", "engine_stop", "air_filter", "coolant"}},
	{"drive", []any{"combustion"}, []string{"high_voltage", "traction_battery", "inverter_cooling"}},
	{"fuel", []any{"diesel"}, []string{"spark_plugs", "plug_leads", "ignition_coil", "distributor", "ignition_timing", "carburettor", "gas_fuel_system"}},
	{"fuel", []any{"petrol"}, []string{"glow_plugs", "injection_pump", "gas_fuel_system"}},
	{"fuel", []any{"lpg", "cng"}, []string{"glow_plugs", "injection_pump"}},
	{"fuel_delivery", []any{"carburettor"}, []string{"injectors", "injection_pump"}},
	{"fuel_delivery", []any{"injection"}, []string{"carburettor"}},
	{"gearbox", []any{"automatic"}, []string{"clutch_plate", "clutch_pressure_plate", "release_bearing", "clutch_return_spring"}},
	{"clutch", []any{"cable", "rod", "none"}, []string{"clutch_hydraulics", "clutch_slave_cylinder"}},
	{"clutch", []any{"hydraulic", "none"}, []string{"clutch_cable"}},
	{"valve_drive", []any{"chain", "gears"}, []string{"timing_belt", "belt_tensioner", "idler_bearings"}},
	{"valve_drive", []any{"belt", "gears"}, []string{"timing_chain"}},
	{"turbocharged", []any{false}, []string{"turbocharger"}},
	{"power_steering", []any{false}, []string{"power_steering"}},
	{"ignition", []any{"coil_on_plug", "none"}, []string{"distributor"}},
	{"air_conditioning", []any{map[string]any{"fitted": false}}, []string{"refrigerant", "ac_compressor"}},
}

// notAskedInVain looks for what is asked of a vehicle that has none by the facts that were told.
func notAskedInVain(t *testing.T, set *ruleset.Set, facts map[string]any, reports []*report.Report, a *score.Assessment) {
	t.Helper()
	frame := report.Lay(reports, set.Catalogue, set.ProofCredence).Frame
	told := func(fact string) bool {
		if f := set.Catalogue.Fact("vehicle", fact); f != nil {
			return frame.Known(f.Slot)
		}
		f := set.Catalogue.Fact("vehicle", fact+".fitted")
		return f != nil && frame.Known(f.Slot)
	}
	for _, l := range lacking {
		v, known := facts[l.fact]
		if !known || !told(l.fact) || !slices.ContainsFunc(l.is, func(x any) bool { return fmt.Sprint(x) == fmt.Sprint(v) }) {
			continue
		}
		for _, b := range a.Blockers {
			asked := []string{b.Item}
			for _, c := range b.ClearBy {
				asked = append(asked, c.Item)
				for _, f := range c.Found {
					asked = append(asked, c.Item+"."+f.ID)
				}
			}
			for _, lacks := range l.lacks {
				if slices.Contains(asked, lacks) {
					t.Errorf("a vehicle with %s %v is asked for %s at %s: %s", l.fact, v, lacks, b.Gate, strings.Join(b.Rules, ", "))
				}
			}
		}
	}
	if v, known := facts["drive"]; known && v != "combustion" && len(reports) == 1 && told("drive") {
		if !slices.ContainsFunc(a.Blockers, func(b score.Blocker) bool { return b.Item == "high_voltage" }) && nobodyLooked(reports[0]) {
			t.Errorf("nobody is asked to isolate the high voltage of a vehicle whose drive is %v", v)
		}
	}
}

func nobodyLooked(r *report.Report) bool { return len(r.Observations) == 0 }

// The items that no vehicle of a kind has are items of the rule set, so that a new name is noticed.
func TestWhatVehiclesLackIsInTheCatalogue(t *testing.T) {
	set := builtin.FirstStart()
	names := map[string]bool{}
	for _, l := range lacking {
		for _, name := range l.lacks {
			names[name] = true
		}
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		item, finding, _ := strings.Cut(name, ".")
		it := set.Catalogue.Item(item)
		if it == nil || finding != "" && it.Find(finding) == nil {
			t.Errorf("the catalogue has no %s", name)
		}
	}
}
