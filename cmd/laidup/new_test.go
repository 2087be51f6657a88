package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

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
				if len(whole.Observations) != written.Coverage.Applying || !strings.HasPrefix(whole.Observations[0].Note, "EXAMPLE. ") {
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

// A fact of a kind of vehicle that the catalogue does not have would be left out in silence.
func TestKindsOfVehiclesSpeakTheCatalogue(t *testing.T) {
	set, err := loadRules("")
	if err != nil {
		t.Fatal(err)
	}
	for kind, facts := range kindsOfVehicle {
		for fact := range facts {
			if set.Catalogue.Fact("vehicle", fact) == nil {
				t.Errorf("%s has %s, which is no fact", kind, fact)
			}
		}
	}
}
