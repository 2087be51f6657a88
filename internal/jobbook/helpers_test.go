package jobbook_test

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/jobbook"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/schema"
)

func loader(t testing.TB) *jobbook.Loader {
	t.Helper()
	l, err := jobbook.NewLoader(schema.FS, builtin.FirstStart())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func generic(testing.TB) *jobbook.Book { return builtin.Jobs() }

// vehicles are one of every kind that the rule set's own dossiers know.
func vehicles(t testing.TB) []jobbook.Vehicle {
	t.Helper()
	set := builtin.FirstStart()
	var list []jobbook.Vehicle
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if kind, ok := strings.CutPrefix(form.Name, "nobody_looked_at_"); ok {
			kind = strings.ReplaceAll(kind, "_", " ")
			list = append(list, vehicle(t, kind, form.Vehicle, form.LayUp))
			little := map[string]any{}
			for _, fact := range []string{"kind", "layout", "fuel", "drive"} {
				if v, told := form.Vehicle[fact]; told {
					little[fact] = v
				}
			}
			list = append(list, vehicle(t, kind+" of which little is told", little, nil))
		}
	}
	if len(list) < 2*20 {
		t.Fatalf("only %d kinds of vehicle", len(list)/2)
	}
	// These layouts are not among the dossiers.
	for name, layout := range map[string]string{"mid-engined car": "mid_engine", "rear-engined car": "rear_engine", "front-engined car": "front_engine_rear_drive"} {
		list = append(list, vehicle(t, name, map[string]any{
			"kind": "car", "drive": "combustion", "fuel": "petrol", "fuel_delivery": "injection", "ignition": "electronic", "voltage": "12", "starter": "electric",
			"stroke": "four", "cylinders": 8, "valve_drive": "belt", "interference": "yes", "cooling": "liquid", "layout": layout, "gearbox": "manual",
			"clutch": "hydraulic", "brakes": "hydraulic", "brake_servo": true, "air_conditioning": map[string]any{"fitted": true, "refrigerant": "R-134a"}, "built": "1986",
		}, nil))
	}
	return append(list, vehicle(t, "vehicle of which nothing is told", nil, nil))
}

// vehicle is one of which that much is known.
func vehicle(t testing.TB, name string, facts, layUp map[string]any) jobbook.Vehicle {
	t.Helper()
	set := builtin.FirstStart()
	reports := []*report.Report{reportOf(t, ruleset.TestForm{Name: name, Vehicle: facts, LayUp: layUp})}
	return jobbook.Vehicle{Name: name, Facts: report.Lay(reports, set.Catalogue, set.ProofCredence).Frame}
}

// reportOf is one report of what a dossier sets, without what it takes for sound: of that nothing stands on
// a list.
func reportOf(t testing.TB, form ruleset.TestForm) *report.Report {
	t.Helper()
	vehicle := map[string]any{"reference": "tested"}
	maps.Copy(vehicle, form.Vehicle)
	observations := []ruleset.ObservationForm{}
	for _, item := range slices.Sorted(maps.Keys(form.Set)) {
		for _, seen := range form.Set[item] {
			observations = append(observations, ruleset.ObservationForm{Item: item, SeenForm: seen})
		}
	}
	whole := map[string]any{"schema": report.SchemaName, "vehicle": vehicle, "inspection": map[string]any{"date": "2026-05-02"}, "observations": observations}
	if form.LayUp != nil {
		whole["lay_up"] = form.LayUp
	}
	data, err := json.Marshal(whole)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, builtin.FirstStart().Catalogue)
	if len(faults) > 0 {
		t.Fatalf("%s: %v", form.Name, faults)
	}
	return r
}
