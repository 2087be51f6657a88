package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Offline nothing is kept: a date that has not come, by this machine's clock, is worth a word on standard
// error, and the answer is given all the same. The clock of the tests shows 2026-06-12.
func TestOfflineADateThatHasNotComeIsWarnedOf(t *testing.T) {
	data, err := os.ReadFile(testcase("base-tern.json"))
	if err != nil {
		t.Fatal(err)
	}
	var line bytes.Buffer
	if err := json.Compact(&line, data); err != nil {
		t.Fatal(err)
	}
	dated := func(date string) string {
		return strings.Replace(line.String(), `"date":"2026-05-02"`, `"date":"`+date+`"`, 1) + "\n"
	}
	const words = "is in the future (today is 2026-06-12): correct the date, and check the year first"
	for _, c := range []struct {
		date string
		want bool
	}{
		{"2026-06-12", false},
		{"2026-06-13", false},
		{"2026-06-14", true},
		{"2062-05-02", true},
	} {
		for name, args := range map[string][]string{
			"score":      {"score", "-"},
			"check":      {"check", "-"},
			"batch":      {"batch", "-"},
			"new report": {"new", "report", "--date", c.date},
		} {
			code, out, errs := session(t, dated(c.date), args...)
			want := "/inspection/date: caution: " + c.date + " " + words
			if code == exitBad || out == "" || strings.Contains(errs, "caution") != c.want || c.want && strings.Count(errs, want) != 1 {
				t.Errorf("%s of %s: status %d, %q, said %s", name, c.date, code, out[:min(len(out), 80)], errs)
			}
		}
	}

	var lot strings.Builder
	for i := range 30 {
		lot.WriteString(strings.Replace(dated("2062-05-02"), "marrick-tern-01", fmt.Sprintf("tern-%d", i), 1))
	}
	file := filepath.Join(t.TempDir(), "lot.ndjson")
	if err := os.WriteFile(file, []byte(lot.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := session(t, "", "batch", file)
	if code != exitClear || strings.Count(out, `"as_of":"2062-05-02"`) != 30 || strings.Count(errs, words) != linesWarnedOf || !strings.Contains(errs, "line 1: /inspection/date") ||
		!strings.Contains(errs, "20 more lines have dates in the future.") {
		t.Errorf("status %d, said %s", code, errs)
	}
}
