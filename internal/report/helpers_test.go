package report_test

import (
	"encoding/json"
	"flag"
	"io/fs"
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

var catalogueOnce = sync.OnceValues(func() (*catalogue.Catalogue, error) {
	data, err := fs.ReadFile(schema.FS, "rulesets/first-start/1.0.0/catalogue.yaml")
	if err != nil {
		return nil, err
	}
	var whole struct{ Catalogue any }
	if err := yaml.Unmarshal(data, &whole); err != nil {
		return nil, err
	}
	if data, err = json.Marshal(whole.Catalogue); err != nil {
		return nil, err
	}
	var doc catalogue.Document
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil, err
	}
	cat, faults := catalogue.New(doc)
	if len(faults) > 0 {
		panic(faults[0].Pointer + ": " + faults[0].Text)
	}
	return cat, nil
})

// builtIn is the catalogue of the rule set that comes with the program, without its rules.
func builtIn(t testing.TB) *catalogue.Catalogue {
	t.Helper()
	cat, err := catalogueOnce()
	if err != nil {
		t.Fatal(err)
	}
	return cat
}

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
