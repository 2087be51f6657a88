package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/score"

	"laidup/schema"
)

var update = flag.Bool("update", false, "write the golden files anew")

// session runs the program as a person at a terminal without colour would.
// saysByStatus runs a command that has to end with a status: 2 with nothing but what is wrong, else with nothing
// but an answer.
func saysByStatus(t *testing.T, want int, args ...string) {
	t.Helper()
	code, out, errs := session(t, "", args...)
	if code != want {
		t.Errorf("exit status %d, want %d\n%s", code, want, errs)
	}
	if (code == 2) != (errs != "") || (code == 2) == (out != "") {
		t.Errorf("status %d with %d bytes of answer and %q", code, len(out), errs)
	}
}

func session(t *testing.T, stdin string, args ...string) (code int, out, err string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(context.Background(), args, terminal{in: strings.NewReader(stdin), out: &stdout, err: &stderr, width: 100, today: calendar.DayOf(2026, 6, 12)})
	return code, stdout.String(), stderr.String()
}

func testcase(name string) string { return filepath.Join("..", "..", "testdata", "cases", name) }

func demo(name string) string { return filepath.Join("..", "..", "schema", "demo", name) }

func TestScoreTellsByItsExitStatusWhetherTheKeyMayBeTurned(t *testing.T) {
	for name, c := range map[string]struct {
		args []string
		want int
	}{
		"sound petrol car":                  {[]string{testcase("base-tern.json")}, 0},
		"sound diesel van, to be cranked":   {[]string{testcase("base-dale.json"), "--gate", "crank"}, 0},
		"frayed belt":                       {[]string{demo("marrick-tern-01.1.json")}, 1},
		"frayed belt, only turning by hand": {[]string{demo("marrick-tern-01.1.json"), "--gate", "hand_turn"}, 0},
		"nobody looked everywhere":          {[]string{demo("corvane-dale-07.1.json")}, 1},
		"before its follow-ups":             {[]string{demo("brennick-wren-03.1.json")}, 1},
		"after its follow-ups":              {[]string{demo("brennick-wren-03.1.json"), demo("brennick-wren-03.2.json"), demo("brennick-wren-03.3.json")}, 0},
		"no such file":                      {[]string{"nowhere.json"}, 2},
		"no such gate":                      {[]string{testcase("base-tern.json"), "--gate", "moon"}, 2},
		"two vehicles":                      {[]string{testcase("base-tern.json"), testcase("base-dale.json")}, 2},
		"a rule set is not a report":        {[]string{testcase("cases.yaml")}, 2},
		"no report":                         {nil, 2},
		"no such rule set":                  {[]string{testcase("base-tern.json"), "--rules", "nowhere"}, 2},
	} {
		t.Run(name, func(t *testing.T) {
			saysByStatus(t, c.want, append([]string{"score"}, c.args...)...)
		})
	}
}

func TestScoreReadsStandardInputAndSaysAllFaultsAtOnce(t *testing.T) {
	code, out, errs := session(t, `{"schema":"laidup.report/1","vehicle":{"reference":"a b"},"inspection":{"date":"2026-02-30"},"observations":[{"item":"timing_belt","method":"seen","found":{"frayng":true}}]}`, "score", "-")
	if code != exitBad || out != "" {
		t.Errorf("status %d, %q", code, out)
	}
	for _, want := range []string{"-: /vehicle/reference: ", "-: /inspection/date: ", "-: /observations/0/found/frayng: "} {
		if !strings.Contains(errs, want) {
			t.Errorf("%q is not said in\n%s", want, errs)
		}
	}
}

func TestScoreAsJSONIsTheAssessment(t *testing.T) {
	code, out, _ := session(t, "", "score", "--format", "json", demo("marrick-tern-01.1.json"))
	var a score.Assessment
	if err := json.Unmarshal([]byte(out), &a); err != nil {
		t.Fatal(err)
	}
	if code != exitBlocked || a.Schema != score.SchemaName || a.Vehicle != "marrick-tern-01" || a.Verdict.State != score.Blocked || a.Blockers[0].Item != "timing_belt" || a.Blockers[0].Gate != "crank" {
		t.Errorf("status %d, %+v, first blocker %+v", code, a.Verdict, a.Blockers[0])
	}
}

// readable compares what a command writes with a golden file, and looks whether it fits on a page.
func readable(t *testing.T, golden, out string) {
	t.Helper()
	// The digests change with every word of the rule set and the job book.
	out = regexp.MustCompile(`sha256:[0-9a-f]{64}`).ReplaceAllString(out, "sha256:…")
	for i, line := range strings.Split(out, "\n") {
		if n := len([]rune(line)); n > 110 || strings.TrimRight(line, " ") != line {
			t.Errorf("line %d has %d characters or ends in a space: %q", i+1, n, line)
		}
	}
	path := filepath.Join("testdata", golden)
	if *update {
		if err := os.WriteFile(path, []byte(out), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if out != string(want) {
		t.Errorf("the text has changed: look at it, then write it anew with -update\n%s", out)
	}
}

func TestTextIsReadable(t *testing.T) {
	for golden, args := range map[string][]string{
		"blocked.txt":  {"score", demo("marrick-tern-01.1.json")},
		"unproven.txt": {"score", demo("corvane-dale-07.1.json"), "--gate", "road_test"},
		"clear.txt":    {"score", demo("brennick-wren-03.1.json"), demo("brennick-wren-03.2.json"), demo("brennick-wren-03.3.json")},
	} {
		t.Run(golden, func(t *testing.T) {
			_, out, _ := session(t, "", args...)
			if strings.Contains(out, "\x1b") {
				t.Error("there is colour in plain text")
			}
			readable(t, golden, out)
		})
	}
}

func TestColourOnlyRepeatsWhatTheWordsSay(t *testing.T) {
	var plain, coloured bytes.Buffer
	args := []string{"score", demo("marrick-tern-01.1.json")}
	run(context.Background(), args, terminal{out: &plain, err: &plain, width: 100})
	run(context.Background(), args, terminal{out: &coloured, err: &coloured, width: 100, colour: true})
	text := coloured.String()
	if !strings.Contains(text, "\x1b[") {
		t.Fatal("no colour")
	}
	for _, code := range []string{"\x1b[1;7m", "\x1b[1m", "\x1b[0m"} {
		text = strings.ReplaceAll(text, code, "")
	}
	if text != plain.String() {
		t.Error("without its colour codes the text is another")
	}
}

func TestCheckSaysWhatIsValid(t *testing.T) {
	code, out, errs := session(t, "", "check", testcase("base-tern.json"), demo("brennick-wren-03.2.json"))
	if code != 0 || !strings.Contains(out, "marrick-tern-01") || !strings.Contains(out, "brennick-wren-03") {
		t.Errorf("status %d: %s%s", code, out, errs)
	}
	code, out, errs = session(t, "{}", "check", "-", testcase("base-tern.json"))
	if code != exitBad || !strings.Contains(errs, "-: /vehicle: vehicle is missing") || !strings.Contains(out, "base-tern.json: valid") {
		t.Errorf("status %d: %s%s", code, out, errs)
	}
}

func TestAnotherRuleSetCanBeScoredBy(t *testing.T) {
	folder := filepath.Join("..", "..", "schema", filepath.FromSlash(schema.FirstStart))
	_, byFolder, errs := session(t, "", "score", "--format", "json", "--rules", folder, testcase("base-dale.json"))
	_, builtIn, _ := session(t, "", "score", "--format", "json", testcase("base-dale.json"))
	if byFolder != builtIn || builtIn == "" {
		t.Errorf("the same rule set from a folder gives another answer: %s", errs)
	}
	broken := filepath.Join(t.TempDir(), "broken.yaml")
	if err := os.WriteFile(broken, []byte("schema: laidup.rule_set/2\nname: Broken Name\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, _, errs := session(t, "", "score", "--rules", broken, testcase("base-dale.json"))
	if code != exitBad || !strings.Contains(errs, "broken.yaml:2:") {
		t.Errorf("status %d: %s", code, errs)
	}
}

func TestHelpNamesEveryCommandAndUnknownOnesAreRefused(t *testing.T) {
	code, out, _ := session(t, "", "--help")
	for _, c := range []string{"score", "check", "serve", "work", "migrate", "demo"} {
		if code != 0 || !strings.Contains(out, "\n  "+c) {
			t.Errorf("status %d, %s is not in\n%s", code, c, out)
		}
	}
	if code, _, errs := session(t, "", "start-her-up"); code != exitBad || errs == "" {
		t.Errorf("status %d: %q", code, errs)
	}
}

func TestAWorkerAloneNeedsAStoreAndAQueueThatOthersReach(t *testing.T) {
	code, _, errs := session(t, "", "work")
	if code != exitBad || !strings.Contains(errs, "--database-url") {
		t.Errorf("status %d: %s", code, errs)
	}
}
