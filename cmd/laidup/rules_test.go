package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/schema"
)

var firstStart = filepath.Join("..", "..", "schema", filepath.FromSlash(schema.FirstStart))

// changedRules is a copy of the built-in rule set with words in one of its files replaced.
func changedRules(t *testing.T, file string, pairs ...string) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(firstStart)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, file)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("%s has no %q", file, pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// smallRules is a small rule set in a file, with words replaced.
func smallRules(t *testing.T, pairs ...string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "internal", "rulecheck", "testdata", "small.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("the small rule set has no %q", pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	path := filepath.Join(t.TempDir(), "small.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestRulesTellByTheirExitStatusWhetherThereIsSomethingToMend(t *testing.T) {
	small := smallRules(t)
	turned := smallRules(t, "    when: found.fraying\n    weight", "    when: '!found.fraying'\n    weight")
	constant := smallRules(t, "{of: years_laid_up, curve: [[0, 0.05], [1, 0.3]], spread", "{is: 0.3, spread")
	broken := smallRules(t, "name: small", "name: Small Name")
	reports := t.TempDir()
	for name, text := range map[string]string{
		"1.json": `{"schema":"laidup.report/1","vehicle":{"reference":"a1","interference":"yes"},"inspection":{"date":"2026-05-02"},"observations":[{"item":"timing_belt","method":"seen","found":{"fraying":true}}]}`,
		"2.json": `{"schema":"laidup.report/1","vehicle":{"reference":"a1"},"inspection":{"date":"2026-05-03"},"observations":[{"item":"timing_belt","method":"told","found":{"noise":"silent"}}]}`,
		"3.json": `{"schema":"laidup.report/1","vehicle":{"reference":"a2"},"inspection":{"date":"2026-05-03"},"observations":[]}`,
	} {
		if err := os.WriteFile(filepath.Join(reports, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	report := filepath.Join(reports, "1.json")
	for name, c := range map[string]struct {
		args []string
		want int
		says string
	}{
		"the built-in tests":            {[]string{"test"}, 0, " 0 failures"},
		"rules in order":                {[]string{"lint", "--rules", small}, 0, " 0 findings, and 0 for somebody to judge"},
		"rules for somebody to judge":   {[]string{"lint", "--rules", constant}, 0, "battery_flat: is as likely after three months as after fifty years"},
		"a folder":                      {[]string{"doc", "--rules", firstStart}, 0, "# Rule book: first-start"},
		"a file":                        {[]string{"test", "--rules", small}, 0, "small 1.0.0: 17 tests of 6 rules, 3 limits, 1 proofs and 1 follow-ups, 0 failures"},
		"a rule turned round":           {[]string{"test", "--rules", turned}, 1, "belt_fraying: never fires on"},
		"a rule turned round is odd":    {[]string{"lint", "--rules", turned}, 1, "belt_weak: timing_belt.fraying = true makes it less likely than false"},
		"nothing changes":               {[]string{"diff", small, small, "--reports", reports}, 0, "0 of 2 dossiers"},
		"a rule changes":                {[]string{"diff", small, turned, "--reports", reports}, 1, "1 of 2 dossiers"},
		"a rule changes and no report":  {[]string{"diff", small, turned}, 1, "rule belt_fraying: when"},
		"explained":                     {[]string{"explain", report, "--rule", "belt_fraying", "--rules", small}, 0, "together"},
		"no such rule":                  {[]string{"explain", report, "--rule", "belt_frayed", "--rules", small}, 2, "there is no such rule"},
		"no rule named":                 {[]string{"explain", report}, 2, "--rule"},
		"no such report":                {[]string{"explain", "nowhere.json", "--rule", "belt_fraying", "--rules", small}, 2, "nowhere.json"},
		"no such rule set":              {[]string{"lint", "--rules", "nowhere"}, 2, "nowhere"},
		"a rule set that does not load": {[]string{"test", "--rules", broken}, 2, "small.yaml:3:"},
		"nothing to compare with":       {[]string{"diff", small}, 2, "<to>"},
		"no reports in the folder":      {[]string{"diff", small, small, "--reports", firstStart}, 2, "no .json file"},
		"no such command":               {[]string{"polish"}, 2, "polish"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, out, errs := session(t, "", append([]string{"rules"}, c.args...)...)
			if code != c.want || !strings.Contains(out+errs, c.says) {
				t.Errorf("exit status %d, want %d, %q not said in\n%.2000s%s", code, c.want, c.says, out, errs)
			}
			if (code == exitBad) != (errs != "") {
				t.Errorf("status %d and %q", code, errs)
			}
		})
	}
}

func TestRulesAreReadable(t *testing.T) {
	stricter := changedRules(t, "timing_drive.yaml",
		"when: 'age >= first_known(figures.belt_interval_age, 6.0)'\n    gate: road_test", "when: 'age >= first_known(figures.belt_interval_age, 12.0)'\n    gate: road_test",
		"    blocks: {gate: crank, if: 'interference != \"no\"'}\n    because: \"the timing belt is frayed\"\n", "    blocks: hand_turn\n    because: \"it is frayed\"\n",
		"  - id: belt_cracked\n", "  - id: belt_fraying_once\n    fault: timing_belt_weak\n    line: belt_surface\n    when: found.fraying\n    weight: 20\n    because: \"it is frayed\"\n    source: {kind: judgement}\n  - id: belt_cracked\n")
	for golden, args := range map[string][]string{
		"rules-explain.txt":      {"explain", demo("marrick-tern-01.1.json"), "--rule", "belt_fraying"},
		"rules-explain-not.txt":  {"explain", demo("brennick-wren-03.1.json"), demo("brennick-wren-03.2.json"), demo("brennick-wren-03.3.json"), "--rule", "no_pressure_on_starter"},
		"rules-explain-aged.txt": {"explain", demo("brennick-wren-03.1.json"), demo("brennick-wren-03.2.json"), demo("brennick-wren-03.3.json"), "--rule", "primed"},
		"rules-diff.txt":         {"diff", firstStart, stricter, "--reports", demo("")},
	} {
		t.Run(golden, func(t *testing.T) {
			_, out, errs := session(t, "", append([]string{"rules"}, args...)...)
			if errs != "" {
				t.Fatal(errs)
			}
			readable(t, golden, out)
		})
	}
}
