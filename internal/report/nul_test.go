package report_test

import (
	"fmt"
	"testing"

	"laidup/internal/catalogue"
	"laidup/internal/report"
)

// TestTextsHoldNoNUL holds every place of a report that takes free text, or a word, against the one
// character that not every store can keep.
func TestTextsHoldNoNUL(t *testing.T) {
	t.Parallel()
	cat, faults := catalogue.New(catalogue.Document{
		Methods: []catalogue.Method{{ID: "seen", Alarms: 0.9, Reassures: 0.8, AtMost: 20}},
		Facts: []catalogue.FindingForm{
			{ID: "built", In: "vehicle", Kind: catalogue.Date},
			{ID: "fuel", In: "vehicle", Kind: catalogue.Choice, Values: []string{"petrol", "diesel"}},
			{ID: "last_ran", In: "lay_up", Kind: catalogue.Date},
		},
		Systems: []catalogue.SystemForm{{ID: "fuel_system", Items: []catalogue.ItemForm{
			{ID: "tank", Access: "none", Finds: []catalogue.FindingForm{{ID: "label", Kind: catalogue.Text}, {ID: "depth", Kind: catalogue.Quantity, Unit: "mm"}}},
		}}},
	})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	texts := []string{
		"/reference", "/vehicle/reference", "/vehicle/description", "/vehicle/vin", "/vehicle/built", "/vehicle/fuel", "/lay_up/last_ran",
		"/inspection/date", "/inspection/inspector", "/inspection/purpose", "/observations/0/item", "/observations/0/method",
		"/observations/0/note", "/observations/0/found/label", "/observations/0/found/depth/unit",
	}
	plain := map[string]string{
		"/vehicle/reference": "tern-01", "/vehicle/built": "1987", "/vehicle/fuel": "petrol", "/lay_up/last_ran": "2015-08",
		"/inspection/date": "2026-05-02", "/inspection/purpose": "first_start", "/observations/0/item": "tank",
		"/observations/0/method": "seen", "/observations/0/found/depth/unit": "mm",
	}
	document := func(nulAt string) []byte {
		text := func(pointer string) string {
			word := plain[pointer]
			if word == "" {
				word = "words"
			}
			if pointer == nulAt {
				word += `\u0000`
			}
			return `"` + word + `"`
		}
		args := make([]any, len(texts))
		for i, pointer := range texts {
			args[i] = text(pointer)
		}
		return fmt.Appendf(nil, `{"schema": "laidup.report/1", "reference": %s,
			"vehicle": {"reference": %s, "description": %s, "vin": %s, "built": %s, "fuel": %s}, "lay_up": {"last_ran": %s},
			"inspection": {"date": %s, "inspector": %s, "purpose": %s},
			"observations": [{"item": %s, "method": %s, "note": %s, "found": {"label": %s, "depth": {"value": 1, "unit": %s}}}]}`, args...)
	}
	if _, _, faults := report.Decode(document(""), cat); len(faults) > 0 {
		t.Fatalf("without a NUL: %v", faults)
	}
	for _, pointer := range texts {
		r, _, faults := report.Decode(document(pointer), cat)
		if r != nil || len(faults) == 0 || faults[0].Pointer != pointer {
			t.Errorf("a NUL in %s: %v", pointer, faults)
		}
	}
}
