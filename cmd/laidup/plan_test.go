package main

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/internal/plan"
)

func TestPlanTellsByItsExitStatusWhetherItLeadsToTheGate(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		want int
	}{
		"frayed belt":                  {[]string{demo("marrick-tern-01.1.json")}, 0},
		"nothing to do":                {[]string{testcase("base-tern.json")}, 0},
		"without the job that it asks": {[]string{demo("marrick-tern-01.1.json"), "--without", "renew_timing_belt"}, 1},
		"no such gate":                 {[]string{testcase("base-tern.json"), "--gate", "moon"}, 2},
		"no such job":                  {[]string{testcase("base-tern.json"), "--without", "dance"}, 2},
		"no such plant":                {[]string{testcase("base-tern.json"), "--plant", "crane=1"}, 2},
		"no such trait":                {[]string{testcase("base-tern.json"), "--trait", "nice=true"}, 2},
		"nobody":                       {[]string{testcase("base-tern.json"), "--people", "0"}, 2},
		"no such licence":              {[]string{testcase("base-tern.json"), "--licence", "pilot"}, 2},
		"no such day":                  {[]string{testcase("base-tern.json"), "--start", "2026-05"}, 2},
		"no such job book":             {[]string{testcase("base-tern.json"), "--jobs", "nowhere"}, 2},
		"no such state":                {[]string{testcase("base-tern.json"), "--off", "roof_off"}, 2},
		"no such part":                 {[]string{testcase("base-tern.json"), "--late", "moon=7"}, 2},
		"what if nobody":               {[]string{testcase("base-tern.json"), "--what-if", "people=0"}, 2},
		"what if what":                 {[]string{testcase("base-tern.json"), "--what-if", "weather=fine"}, 2},
		"what if a part is late":       {[]string{testcase("base-tern.json"), "--what-if", "late=coolant"}, 2},
		"no such file":                 {[]string{"nowhere.json"}, 2},
		"two vehicles":                 {[]string{testcase("base-tern.json"), testcase("base-dale.json")}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			saysByStatus(t, c.want, append([]string{"plan"}, c.args...)...)
		})
	}
}

func TestAllThatIsWrongWithWhatIsAskedComesAtOnce(t *testing.T) {
	_, _, errs := session(t, "", "plan", testcase("base-tern.json"), "--gate", "moon", "--without", "dance", "--licence", "pilot", "--plant", "crane=1", "--start", "soon")
	for _, want := range []string{"--gate: ", "--without dance: ", "--licence pilot: ", "--plant crane: ", "--start: "} {
		if !strings.Contains(errs, want) {
			t.Errorf("nothing is said of %s:\n%s", want, errs)
		}
	}
}

func TestPlanAsJSONIsThePlan(t *testing.T) {
	code, out, _ := session(t, "", "plan", "--format", "json", "--people", "2", "--start", "2026-06-01", demo("marrick-tern-01.1.json"))
	var p plan.Plan
	if err := json.Unmarshal([]byte(out), &p); err != nil {
		t.Fatal(err)
	}
	if code != exitClear || p.Schema != plan.SchemaName || p.Vehicle != "marrick-tern-01" || p.Goal != "first_start" || len(p.Steps) == 0 || p.Steps[0].Day != "2026-06-01" || !p.Proof.Optimal {
		t.Errorf("status %d, %s to %s, %d steps, %+v", code, p.Vehicle, p.Goal, len(p.Steps), p.Proof)
	}
}

// ownPrices writes a workshop's job book, laid over the generic one.
func ownPrices(t *testing.T, more string) (book string) {
	t.Helper()
	book = filepath.Join(t.TempDir(), "ours.yaml")
	text := "schema: laidup.job_book/1\nname: ours\nversion: 1.0.0\nis: \"our own prices\"\nextends: {name: generic, version: 1.0.0}\nrate: {cents: 8000, currency: EUR}\n"
	if err := os.WriteFile(book, []byte(text+more), 0o600); err != nil {
		t.Fatal(err)
	}
	return book
}

// A workshop's own prices make money of it.
func TestPlanWithOwnPrices(t *testing.T) {
	book := ownPrices(t, "")
	code, out, errs := session(t, "", "plan", "--jobs", book, demo("marrick-tern-01.1.json"))
	if code != exitClear || !strings.Contains(out, " EUR") || !strings.Contains(out, "  cost ") {
		t.Errorf("status %d, %s\n%s", code, errs, out)
	}
}

func TestPlanIsReadable(t *testing.T) {
	for golden, args := range map[string][]string{
		"plan-belt.txt":    {"plan", demo("marrick-tern-01.1.json")},
		"plan-diesel.txt":  {"plan", demo("corvane-dale-07.1.json"), "--gate", "road_test", "--people", "2"},
		"plan-what-if.txt": {"plan", demo("marrick-tern-01.1.json"), "--now", "--off", "coolant_out", "--what-if", "people=2", "--what-if", "without=renew_timing_belt", "--what-if", "late=timing_belt:14", "--what-if", "gate=road_test"},
		"plan-nothing.txt": {"plan", demo("marrick-tern-01.1.json"), "--gate", "hand_turn"},
	} {
		t.Run(golden, func(t *testing.T) {
			_, out, _ := session(t, "", args...)
			readable(t, golden, out)
		})
	}
}

func TestAServerPlansByItsOwnJobBook(t *testing.T) {
	book, addr := ownPrices(t, ""), freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--workers", "2", "--jobs", book)
	report, err := os.ReadFile(demo("marrick-tern-01.1.json"))
	if err != nil {
		t.Fatal(err)
	}
	if status, data, err := p.post(report, "Prefer", "wait=20"); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	req, err := http.NewRequest(http.MethodPost, p.url+"/v1/vehicles/marrick-tern-01/plans", strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Prefer", "wait=20")
	status, data, err := p.do(req)
	var stored struct{ Plan plan.Plan }
	if err != nil || json.Unmarshal(data, &stored) != nil || status != http.StatusOK || stored.Plan.Book.Name != "ours" || stored.Plan.Currency != "EUR" {
		t.Errorf("%d (%v), by job book %s in %q:\n%.300s", status, err, stored.Plan.Book.Name, stored.Plan.Currency, data)
	}
}

func TestAServerDoesNotStartByAJobBookThatCannotBeRead(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	code, _, errs := session(t, "", "serve", "--addr", "127.0.0.1:0", "--data", data, "--jobs", ownPrices(t, "hours:\n  - {of: dance, hours: [1, 2, 3]}\n"))
	if code != exitBad || !strings.Contains(errs, "dance") {
		t.Errorf("status %d: %s", code, errs)
	}
	if _, err := os.Stat(data); err == nil {
		t.Error("a store was made")
	}
}

func TestJobsLintSaysWhatIsOdd(t *testing.T) {
	code, out, _ := session(t, "", "jobs", "lint", demo("marrick-tern-01.1.json"), demo("corvane-dale-07.1.json"))
	if code != exitClear || !strings.Contains(out, "generic 1.0.0: ") || !strings.Contains(out, "on 2 vehicles; 0 findings") {
		t.Errorf("status %d:\n%s", code, out)
	}
	code, out, _ = session(t, "", "jobs", "lint", "--jobs", ownPrices(t, "parts:\n  - {id: gold_bolt, is: \"golden bolt\", kind: stock, price: [1, 2, 3], lead: [0, 1, 2]}\n"))
	if code != exitBlocked || !strings.Contains(out, "unused: ") || !strings.Contains(out, "gold_bolt") {
		t.Errorf("status %d:\n%s", code, out)
	}
}

func TestPlansSideBySideAsJSON(t *testing.T) {
	code, out, errs := session(t, "", "plan", "--format", "json", "--now", "--what-if", "gate=crank,people=2", demo("marrick-tern-01.1.json"))
	var both struct {
		Plan   plan.Plan
		WhatIf []besidePlan `json:"what_if"`
	}
	if err := json.Unmarshal([]byte(out), &both); err != nil {
		t.Fatal(err, errs)
	}
	if code != exitClear || both.Plan.Goal != "first_start" || len(both.WhatIf) != 1 || both.WhatIf[0].Figures.Goal != "crank" || both.WhatIf[0].Change.People != 2 {
		t.Errorf("status %d, %+v", code, both.WhatIf)
	}
}
