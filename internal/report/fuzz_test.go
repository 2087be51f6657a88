package report_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/internal/catalogue"
	"laidup/internal/report"
)

// again writes a report anew from what was read of it.
func again(r *report.Report, cat *catalogue.Catalogue) object {
	vehicle := object{"reference": r.Vehicle.Reference, "description": r.Vehicle.Description, "vin": r.Vehicle.VIN}
	layUp := object{}
	for _, v := range r.Facts {
		into := map[string]object{"vehicle": vehicle, "lay_up": layUp}[v.Finding.In]
		id := v.Finding.ID
		if outer, inner, grouped := strings.Cut(id, "."); grouped {
			group, _ := into[outer].(object)
			if group == nil {
				group = object{}
				into[outer] = group
			}
			into, id = group, inner
		}
		into[id] = report.Form(v)
	}
	observations := list{}
	for _, o := range r.Observations {
		found := object{}
		for _, v := range o.Found {
			found[v.Finding.ID] = report.Form(v)
		}
		observation := object{"item": o.Item.ID, "method": cat.Methods[o.Method].ID, "date": o.On.String(), "note": o.Note, "found": found}
		if o.NotFitted {
			delete(observation, "found")
			observation["fitted"] = false
		}
		if len(o.At) > 0 {
			at := list{}
			for _, k := range o.At {
				at = append(at, o.Item.Positions[k].ID)
			}
			observation["at"] = at
		}
		if o.Part != nil {
			observation["part"] = o.Part.ID
		}
		observations = append(observations, observation)
	}
	inspection := object{"date": r.Inspected.String(), "inspector": r.Inspector}
	if r.Purpose != "" {
		inspection["purpose"] = r.Purpose
	}
	return object{"schema": report.SchemaName, "reference": r.Reference, "vehicle": vehicle, "lay_up": layUp, "inspection": inspection, "observations": observations}
}

func FuzzDecode(f *testing.F) {
	for _, folder := range []string{"ok", "bad"} {
		paths, err := filepath.Glob(filepath.Join(corpus, folder, "*.json"))
		if err != nil {
			f.Fatal(err)
		}
		for _, p := range paths {
			data, err := os.ReadFile(p)
			if err != nil {
				f.Fatal(err)
			}
			if len(data) < 8000 {
				f.Add(data)
			}
		}
	}
	f.Add(marshal(f, validReport()))
	f.Add(marshal(f, placedReport()))
	builtIn := builtIn(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		fuzzDecode(t, data, builtIn)
		fuzzDecode(t, data, placed())
	})
}

// fuzzDecode holds whatever was sent against what is true of every report.
func fuzzDecode(t *testing.T, data []byte, cat *catalogue.Catalogue) {
	r, cautions, faults := report.Decode(data, cat)
	if (r == nil) != (len(faults) > 0) {
		t.Fatalf("report %v, faults %v", r, faults)
	}
	var doc any
	plainErr := json.Unmarshal(data, &doc)
	for _, fault := range faults {
		if fault.Detail == "" || fault.Code == "" || len(faults) > report.MaxFaults+1 {
			t.Fatalf("fault %+v of %d", fault, len(faults))
		}
		if fault.Code == report.Malformed {
			if len(faults) > 1 {
				t.Fatalf("not JSON, and %v", faults)
			}
			continue
		}
		if plainErr == nil && !hasDuplicate(faults) {
			if msg := badPointer(doc, fault); msg != "" {
				t.Fatalf("%s: %+v", msg, fault)
			}
		}
	}
	if r == nil {
		return
	}
	if plainErr != nil {
		t.Fatalf("accepted, but %v", plainErr)
	}
	for _, c := range cautions {
		if c.Pointer == "" || c.Detail == "" {
			t.Fatalf("caution %+v", c)
		}
	}
	d := report.Lay([]*report.Report{r}, cat, sufficient)
	// Written anew it is the same report.
	rewritten := marshal(t, again(r, cat))
	r2, _, faults := report.Decode(rewritten, cat)
	if len(faults) > 0 {
		t.Fatalf("%s\nwritten anew is\n%s\nwith %v", data, rewritten, faults)
	}
	if a, b := text(d), text(report.Lay([]*report.Report{r2}, cat, sufficient)); a != b {
		t.Fatalf("%s\nwritten anew:\n%s", a, b)
	}
}

func hasDuplicate(faults []report.Fault) bool {
	for _, f := range faults {
		if f.Code == report.Duplicate {
			return true
		}
	}
	return false
}

func FuzzDecodeFound(f *testing.F) {
	cat := builtIn(f)
	for _, seed := range []string{
		`{"fraying": true, "age": {"value": 18, "unit": "mo"}, "renewed": "2025-04"}`, `{"lowest": {"value": 9, "unit": "bar"}, "highest": {"value": 160, "unit": "psi"}}`,
		`{"turns_by_hand_since_fitting": 2e0}`, `{"recovery_record": "R 12/7 \u0000"}`, `{"freezing_point": {"unit": "degF", "value": -31.5}}`, `{"removed": null}`, `{"judged": "sound"}`, `{}`, `[`, `{"a": 1e400}`,
	} {
		for item := range uint8(4) {
			f.Add([]byte(seed), item*7)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, item uint8) {
		it := cat.Items[int(item)%len(cat.Items)]
		values, faults := report.DecodeFound(data, it, cat)
		for _, fault := range faults {
			if fault.Detail == "" || fault.Pointer != "" && fault.Pointer[0] != '/' {
				t.Fatalf("fault %+v", fault)
			}
		}
		if len(faults) > 0 {
			return
		}
		found := object{}
		for _, v := range values {
			if v.Finding.Item != it || v.Number != v.Number {
				t.Fatalf("value %+v", v)
			}
			found[v.Finding.ID] = report.Form(v)
		}
		again, faults := report.DecodeFound(marshal(t, found), it, cat)
		if len(faults) > 0 || len(again) != len(values) {
			t.Fatalf("%s written anew is %s with %v", data, marshal(t, found), faults)
		}
	})
}
