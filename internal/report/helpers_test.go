package report_test

import (
	"encoding/json"
	"flag"
	"io/fs"
	"slices"
	"strconv"
	"sync"
	"testing"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/schema"

	"go.yaml.in/yaml/v3"
)

type object = map[string]any
type list = []any

// builtInFolder is the rule set that comes with the program.
const builtInFolder = schema.FirstStart + "/"

var catalogueOnce = sync.OnceValues(func() (*catalogue.Catalogue, error) {
	paths, err := fs.Glob(schema.FS, builtInFolder+"*.yaml")
	if err != nil {
		return nil, err
	}
	var doc catalogue.Document
	for _, p := range paths {
		data, err := fs.ReadFile(schema.FS, p)
		if err != nil {
			return nil, err
		}
		var written struct {
			Catalogue any `json:"catalogue,omitempty"`
			Systems   any `json:"systems,omitempty"`
		}
		if err := yaml.Unmarshal(data, &written); err != nil {
			return nil, err
		}
		if data, err = json.Marshal(written); err != nil {
			return nil, err
		}
		file := struct {
			Catalogue *catalogue.Document
			Systems   []catalogue.SystemForm
		}{Catalogue: &doc}
		if err := json.Unmarshal(data, &file); err != nil {
			return nil, err
		}
		for _, s := range file.Systems {
			if i := slices.IndexFunc(doc.Systems, func(have catalogue.SystemForm) bool { return have.ID == s.ID }); i >= 0 {
				doc.Systems[i].Items = append(doc.Systems[i].Items, s.Items...)
			} else {
				doc.Systems = append(doc.Systems, s)
			}
		}
	}
	return newCatalogue(doc), nil
})

func newCatalogue(doc catalogue.Document) *catalogue.Catalogue {
	cat, faults := catalogue.New(doc)
	if len(faults) > 0 {
		panic(faults[0].Pointer + ": " + faults[0].Text)
	}
	return cat
}

// builtIn is the catalogue of the rule set that comes with the program, without its rules.
func builtIn(t testing.TB) *catalogue.Catalogue {
	t.Helper()
	cat, err := catalogueOnce()
	if err != nil {
		t.Fatal(err)
	}
	return cat
}

// placed is a small catalogue that has every kind of position, of part and of fact.
var placed = sync.OnceValue(func() *catalogue.Catalogue {
	nought, one, most := 0.0, 1.0, 24.0
	flag := func(id string) catalogue.FindingForm { return catalogue.FindingForm{ID: id, Kind: catalogue.Flag} }
	return newCatalogue(catalogue.Document{
		Methods: []catalogue.Method{
			{ID: "tested", Is: "tested", Alarms: 0.98, Reassures: 0.95, AtMost: 25},
			{ID: "seen", Is: "seen", Alarms: 0.9, Reassures: 0.86, AtMost: 20},
			{ID: "told", Is: "told", Alarms: 0.35, Reassures: 0.35, AtMost: 7},
		},
		Positions: map[string]catalogue.PositionList{
			"corners": {IDs: []string{"front_left", "front_right", "rear_left", "rear_right"}},
			"pots":    {Count: "cylinders", Is: "cylinder"},
		},
		Facts: []catalogue.FindingForm{
			{ID: "built", Kind: catalogue.Date, In: "vehicle"},
			{ID: "cylinders", Kind: catalogue.Count, Min: &one, Max: &most, In: "vehicle"},
			{ID: "brakes", Kind: catalogue.Choice, Values: []string{"hydraulic", "cable"}, In: "vehicle"},
			{ID: "voltage", Kind: catalogue.Choice, Values: []string{"6", "12", "24"}, Worse: "neither", In: "vehicle"},
			{ID: "figures.belt_interval", Kind: catalogue.Quantity, Unit: "a", Min: &one, Max: &most, In: "vehicle"},
			{ID: "figures.from", Kind: catalogue.Text, In: "vehicle"},
			{ID: "last_ran", Kind: catalogue.Date, In: "lay_up"},
		},
		Systems: []catalogue.SystemForm{{ID: "all", Items: []catalogue.ItemForm{
			{ID: "brake_hoses", Applies: `brakes != "cable"`, Access: "wheels", Positions: catalogue.PositionsForm{List: "corners"},
				Finds: []catalogue.FindingForm{flag("perished"), {ID: "leak", Kind: catalogue.Choice, Values: []string{"none", "weep", "run"}}}},
			{ID: "spark_plugs", Access: "none", Positions: catalogue.PositionsForm{List: "pots"}, Parts: map[string][]string{"washer": {"blows"}},
				Finds: []catalogue.FindingForm{{ID: "gap", Kind: catalogue.Quantity, Unit: "mm", Min: &nought, Max: &most}, flag("blows")}},
			{ID: "distributor", Access: "none", Parts: map[string][]string{"cap": {"cracked", "tracking"}, "rotor": {"burnt"}},
				Finds: []catalogue.FindingForm{flag("cracked"), flag("tracking"), flag("burnt")}},
			{ID: "fuel_pipes", Access: "underside", Positions: catalogue.PositionsForm{IDs: []string{"along_sill", "over_axle"}},
				Finds: []catalogue.FindingForm{flag("pitted"), {ID: "record", Kind: catalogue.Text}}},
			{ID: "battery", Access: "none", Finds: []catalogue.FindingForm{flag("secured")}},
		}}},
	})
})

// validReport is a report with nothing wrong. Each call makes a new one, to be spoilt.
func validReport() object {
	return object{
		"schema":    report.SchemaName,
		"reference": "bench-2026-014",
		"vehicle": object{
			"reference": "marrick-tern-01", "description": "Marrick Tern 2.0, saloon", "vin": nil,
			"built": "1987", "odometer": object{"value": 84210, "unit": "km"},
			"fuel": "petrol", "fuel_delivery": "carburettor", "ignition": "points", "cylinders": 4,
			"valve_drive": "belt", "interference": "yes", "turbocharged": false, "cooling": "liquid",
			"layout": "front_engine_rear_drive", "gearbox": "manual", "clutch": "hydraulic",
			"brake_servo": true, "power_steering": false, "hybrid": false,
			"air_conditioning": object{"fitted": false},
		},
		"lay_up":     object{"last_ran": "2015-08", "storage": "dry_indoors"},
		"inspection": object{"date": "2026-05-02", "inspector": "bench 2", "purpose": "first_start"},
		"observations": list{
			object{"item": "timing_belt", "method": "seen", "found": object{"fraying": true, "age": object{"value": 11, "unit": "a"}}, "note": "left edge, two cords"},
			object{"item": "battery", "method": "measured", "found": object{"open_circuit": object{"value": 11.9, "unit": "V"}}},
			object{"item": "compression", "method": "measured", "date": "2026-04-30", "found": object{"lowest": object{"value": 9, "unit": "bar"}, "highest": object{"value": 1100, "unit": "kPa"}}},
			object{"item": "timing_marks", "method": "tested", "found": object{"turns_by_hand_since_fitting": 2}},
		},
	}
}

// marshal encodes a value that a test wrote; t may be nil where nothing can go wrong.
func marshal(t testing.TB, v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// thorough has rapid try at least n examples for the rest of a test.
func thorough(t *testing.T, n int) {
	t.Helper()
	checks := flag.Lookup("rapid.checks")
	before := checks.Value.String()
	if set, err := strconv.Atoi(before); err != nil || set >= n || testing.Short() {
		return
	}
	if err := checks.Value.Set(strconv.Itoa(n)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := checks.Value.Set(before); err != nil {
			t.Error(err)
		}
	})
}
