package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// scored scores a report that was written.
func scored(t *testing.T, text, rules string) *score.Assessment {
	t.Helper()
	code, out, errs := session(t, text, "score", "--format", "json", "--rules", rules, "-")
	if code == exitBad {
		t.Fatalf("%s", errs)
	}
	var a score.Assessment
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatal(err)
	}
	return &a
}

func TestAReportToBeginWithIsValidAndOpensNoGate(t *testing.T) {
	worse := []string{score.Clear, score.Unproven, score.Blocked}
	for kind := range kindsOfVehicle {
		for _, rules := range []string{"first-start", "pre-purchase"} {
			t.Run(kind+" under "+rules, func(t *testing.T) {
				code, text, errs := session(t, "", "new", "report", "--vehicle", kind, "--date", "2026-05-02", "--rules", rules)
				if code != 0 || !strings.Contains(errs, "laidup check FILE") {
					t.Fatalf("status %d: %s", code, errs)
				}
				if code, out, errs := session(t, text, "check", "--rules", rules, "-"); code != 0 || !strings.Contains(out, "valid: ") {
					t.Fatalf("status %d: %s", code, errs)
				}
				var whole struct{ Observations []exampleObservation }
				if err := json.Unmarshal([]byte(text), &whole); err != nil {
					t.Fatal(err)
				}
				written := scored(t, text, rules)
				if len(whole.Observations) != written.Coverage.Applying+len(written.Misplaced) || !strings.HasPrefix(whole.Observations[0].Note, "EXAMPLE. ") {
					t.Errorf("%d observations on %d items", len(whole.Observations), written.Coverage.Applying)
				}
				// As good as nobody having looked.
				blank := text[:strings.Index(text, `"observations"`)] + `"observations": []}`
				for i, g := range scored(t, blank, rules).Gates {
					if got := written.Gates[i].State; slices.Index(worse, got) < slices.Index(worse, g.State) || got == score.Clear {
						t.Errorf("%s is %s, and %s with nothing reported", g.Gate, got, g.State)
					}
				}
			})
		}
	}
}

func TestAReportToBeginWithGoesIntoAFileThatIsNotThere(t *testing.T) {
	file := filepath.Join(t.TempDir(), "report.json")
	args := []string{"new", "report", "--vehicle", "motorcycle", "--reference", "brennick-wren-09", "--purpose", "pre_purchase", "--bare", "--out", file}
	if code, out, errs := session(t, "", args...); code != 0 || out != "" || !strings.Contains(errs, "laidup score "+file) {
		t.Fatalf("status %d, %q, %s", code, out, errs)
	}
	before, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(before), `"note"`) || !strings.Contains(string(before), `"reference": "brennick-wren-09"`) || !strings.Contains(string(before), `"purpose": "pre_purchase"`) {
		t.Fatalf("%v: %.300s", err, before)
	}
	if code, _, errs := session(t, "", args...); code != exitBad || !strings.Contains(errs, "exists") {
		t.Errorf("status %d over a file that is there: %s", code, errs)
	}
	for _, odd := range [][]string{{"--reference", "a b"}, {"--date", "2026-02-30"}, {"--vehicle", "boat"}} {
		if code, out, errs := session(t, "", append([]string{"new", "report"}, odd...)...); code != exitBad || out != "" || errs == "" {
			t.Errorf("%v: status %d, %q", odd, code, out)
		}
	}
}

func TestAReportToBeginWithMayHaveTheLooksThatSettleMost(t *testing.T) {
	of := func(args ...string) (names []string) {
		code, text, errs := session(t, "", append([]string{"new", "report", "--date", "2026-05-02", "--rules", "pre-purchase"}, args...)...)
		var whole struct{ Observations []exampleObservation }
		if err := json.Unmarshal([]byte(text), &whole); code != 0 || err != nil {
			t.Fatalf("status %d, %v: %s", code, err, errs)
		}
		for _, o := range whole.Observations {
			names = append(names, o.Item)
		}
		return names
	}
	code, blank, errs := session(t, "", "new", "report", "--date", "2026-05-02", "--rules", "pre-purchase")
	if code != 0 {
		t.Fatal(errs)
	}
	first := scored(t, blank[:strings.Index(blank, `"observations"`)]+`"observations": []}`, "pre-purchase").LookNext
	five, twelve := of("--looks", "5"), of("--looks", "12")
	if len(five) != 5 || len(twelve) != 12 {
		t.Errorf("%d and %d items", len(five), len(twelve))
	}
	for _, l := range first[:5] {
		if !slices.Contains(five, l.Item) || !slices.Contains(twelve, l.Item) {
			t.Errorf("%s is to be looked at first, and is not in the report of 5 looks %v or of 12 %v", l.Item, five, twelve)
		}
	}
	code, table, errs := session(t, "", "new", "report", "--looks", "12", "--rules", "pre-purchase", "--format", "csv")
	if names, _, _ := strings.Cut(table, "\r\n"); code != 0 || strings.Count(names, ",") > 120 {
		t.Errorf("status %d, %d columns: %s", code, strings.Count(names, ",")+1, errs)
	}
	if code, _, errs := session(t, "", "new", "report", "--looks", "-1"); code != exitBad || !strings.Contains(errs, "--looks") {
		t.Errorf("status %d: %s", code, errs)
	}
}

// An example shows where on the vehicle an item was looked at, and says what else can be said.
func TestAReportToBeginWithNamesPositions(t *testing.T) {
	one, most := 1.0, 24.0
	cat, faults := catalogue.New(catalogue.Document{
		Methods: []catalogue.Method{{ID: "seen", Alarms: 0.9, Reassures: 0.86, AtMost: 20}, {ID: "told", Alarms: 0.35, Reassures: 0.35, AtMost: 7}},
		Positions: map[string]catalogue.PositionList{
			"ends": {IDs: []string{"front", "rear"}}, "pots": {Count: "cylinders", Is: "cylinder"},
		},
		Facts: []catalogue.FindingForm{
			{ID: "built", In: "vehicle", Kind: catalogue.Date},
			{ID: "cylinders", In: "vehicle", Kind: catalogue.Count, Min: &one, Max: &most},
			{ID: "voltage", In: "vehicle", Kind: catalogue.Choice, Values: []string{"6", "12", "24"}},
			{ID: "last_ran", In: "lay_up", Kind: catalogue.Date},
		},
		Systems: []catalogue.SystemForm{{ID: "all", Items: []catalogue.ItemForm{
			{ID: "linings", Access: "wheels", Positions: catalogue.PositionsForm{List: "ends"}, Finds: []catalogue.FindingForm{{ID: "worn", Kind: catalogue.Flag}}},
			{ID: "plugs", Access: "none", Positions: catalogue.PositionsForm{List: "pots"}, Finds: []catalogue.FindingForm{{ID: "fouled", Kind: catalogue.Flag}}},
			{ID: "distributor", Access: "none", Parts: map[string][]string{"cap": {"cracked"}}, Finds: []catalogue.FindingForm{{ID: "cracked", Kind: catalogue.Flag}}},
		}}},
	})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for kind, want := range map[string][3]string{
		"car":        {"[front rear]", "[cylinder_1 cylinder_2 cylinder_3 cylinder_4]", "[]"},
		"motorcycle": {"[front rear]", "[cylinder_1 cylinder_2]", "[]"},
		"unknown":    {"[front rear]", "[cylinder_1]", "[]"},
	} {
		c := &newReportCommand{Vehicle: kind, Reference: "x", Date: "2026-05-02", Purpose: "first_start"}
		set := &ruleset.Set{Catalogue: cat, ProofCredence: 0.6}
		list, err := c.observations(terminal{err: io.Discard, today: calendar.DayOf(2026, 5, 2)}, set)
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		text, err := c.jsonText(set, list)
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		var whole struct {
			Vehicle      map[string]any
			Observations []exampleObservation
		}
		if err := json.Unmarshal(text, &whole); err != nil {
			t.Fatal(err)
		}
		for i, o := range whole.Observations {
			if got := fmt.Sprint(o.At); got != want[i] || o.Method != "told" || !strings.Contains(o.Note, "fitted: false in place of found") {
				t.Errorf("%s: %s is at %s by %s, want %s: %s", kind, o.Item, got, o.Method, want[i], o.Note)
			}
		}
		for i, said := range []string{"at: those of front, rear that you", "at: those of cylinder_1 to cylinder_24 that you", "part: cap, beside renewed"} {
			if !strings.Contains(whole.Observations[i].Note, said) {
				t.Errorf("%s: %s", kind, whole.Observations[i].Note)
			}
		}
		if volts := whole.Vehicle["voltage"]; (volts == "12") != (kind != "unknown") {
			t.Errorf("%s has %v V", kind, volts)
		}
	}
}

// A fact of a kind of vehicle that the catalogue does not have would be left out in silence.
func TestKindsOfVehiclesSpeakTheCatalogue(t *testing.T) {
	set, err := loadRules("")
	if err != nil {
		t.Fatal(err)
	}
	for kind, facts := range kindsOfVehicle {
		for fact, value := range facts {
			f := set.Catalogue.Fact("vehicle", fact)
			switch word, is := value.(string); {
			case f == nil:
				t.Errorf("%s has %s, which is no fact", kind, fact)
			case is && !slices.Contains(f.Values, word):
				t.Errorf("%s has %s %q, which is none of %v", kind, fact, word, f.Values)
			}
		}
	}
}
