package api_test

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/api"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
)

func TestPreferWait(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		header []string
		want   time.Duration
		ok     bool
	}{
		"none":                     {nil, 0, false},
		"empty":                    {[]string{""}, 0, false},
		"wait":                     {[]string{"wait=10"}, 10 * time.Second, true},
		"in capitals":              {[]string{"WAIT=10"}, 10 * time.Second, true},
		"with spaces":              {[]string{" wait = 10 "}, 10 * time.Second, true},
		"quoted":                   {[]string{`wait="10"`}, 10 * time.Second, true},
		"among others":             {[]string{"respond-async, wait=10;x=y, handling=lenient"}, 10 * time.Second, true},
		"on the second line":       {[]string{"respond-async", "wait=10"}, 10 * time.Second, true},
		"twice":                    {[]string{"wait=5, wait=10"}, 5 * time.Second, true},
		"in a quoted string":       {[]string{`foo=", wait=10"`}, 0, false},
		"between escaped quotes":   {[]string{`foo="\", wait=10, \""`}, 0, false},
		"as a parameter":           {[]string{"foo; wait=10"}, 0, false},
		"zero":                     {[]string{"wait=0"}, 0, true},
		"longer than may be":       {[]string{"wait=100"}, 30 * time.Second, true},
		"longer than the universe": {[]string{"wait=99999999999999999999"}, 0, false},
		"below zero":               {[]string{"wait=-1"}, 0, false},
		"without a value":          {[]string{"wait"}, 0, false},
		"half a second":            {[]string{"wait=0.5"}, 0, false},
		"another word":             {[]string{"waiting=10"}, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			if got, ok := wire.PreferredWait(c.header, 30*time.Second); ok != c.ok || ok && got != c.want {
				t.Errorf("%v, %v", got, ok)
			}
		})
	}
}

func TestIdempotencyKeys(t *testing.T) {
	t.Parallel()
	for header, want := range map[string]string{
		`abc`: "abc", `"abc"`: "abc", ` "abc" `: "abc", `"a\"b\\c"`: `a"b\c`, `a\b`: `a\b`, `!~`: "!~", `"é"`: "", `"a`: "", `a"`: "", `"a"b`: "",
		`"a\b"`: "", `""`: "", ``: "", `a b`: "", "a\tb": "", `"a b"`: "", `"a\`: "",
	} {
		got, err := wire.IdempotencyKey([]string{header})
		if got != want || (err == nil) != (want != "") {
			t.Errorf("%s is read as %q, %v", header, got, err)
		}
	}
	if got, err := wire.IdempotencyKey(nil); got != "" || err != nil {
		t.Errorf("without a header: %q, %v", got, err)
	}
}

func TestNegotiation(t *testing.T) {
	t.Parallel()
	offers := []string{"application/json", "text/csv"}
	for accept, want := range map[string]string{
		"":                                       "application/json",
		"gibberish":                              "application/json",
		",, ,":                                   "application/json",
		"TEXT/CSV":                               "text/csv",
		"text/csv;header=present":                "text/csv",
		"text/csv;q=1.000, application/json":     "application/json",
		"text/csv, */*;q=0.1":                    "text/csv",
		"text/csv;q=0.001, */*;q=0.002":          "application/json",
		"application/*;q=0.2, text/*;q=0.3":      "text/csv",
		"*/*;q=0.5, application/json;q=0.1":      "text/csv",
		"text/csv;Q=0":                           "",
		"image/png":                              "",
		"*/*;q=0":                                "",
		"text/csv;q=2, application/json;q=0.1":   "application/json",
		"text/csv;q=1.5, application/json;q=0.1": "application/json",
		`text/csv;x=";q=0", image/png`:           "text/csv",
		"application/json;q=0.1234, text/csv":    "text/csv",
	} {
		if got := wire.Negotiate([]string{accept}, offers); got != want {
			t.Errorf("%q is answered in %q, want %q", accept, got, want)
		}
	}
	if got := wire.Negotiate([]string{"image/png", "text/csv"}, offers); got != "text/csv" {
		t.Errorf("two lines are answered in %q", got)
	}
}

func TestCellsAreHarmless(t *testing.T) {
	t.Parallel()
	for cell, want := range map[string]string{
		"": "", "word": "word", "1": "1", "-7.1": "-7.1", "-7": "-7", "0.5": "0.5", "a=b": "a=b",
		"=1+1": "'=1+1", "+1": "'+1", "-1+1": "'-1+1", "-": "'-", "-7.": "'-7.", "-.5": "'-.5", "-1e5": "'-1e5", "@A1": "'@A1",
		"\t=1": "'\t=1", "\r=1": "'\r=1", "-cmd|' /C calc'!A0": "'-cmd|' /C calc'!A0",
	} {
		if got := wire.Harmless(cell); got != want {
			t.Errorf("%q becomes %q, want %q", cell, got, want)
		}
	}
}

func TestTablesKeepEveryCell(t *testing.T) {
	t.Parallel()
	what := "a \"quoted\", comma\nand two lines; é 車"
	text := api.RegisterTable([]score.Entry{{
		Rank: 1, HazardText: &score.HazardText{What: what}, Probability: 8_200_000_000, Low: 7_400_000_000, High: 8_800_000_000,
		Causes: []score.Cause{
			{
				FaultText: &score.FaultText{Fault: "hose_weak"}, At: []string{"front_left", "rear_right"}, Probability: 8_000_000_000, Chance: 5_000_000_000,
				PriorDB: -7_100_000_000, ShiftsDB: 2_000_000_000, TotalDB: 9_400_000_000,
				Evidence: []score.Evidence{{RuleText: &score.RuleText{}, At: []string{"front_left"}, Because: "it is worn", EffectiveDB: 14_500_000_000}},
			},
			{FaultText: &score.FaultText{Fault: "pipe_thin"}, Chance: 1e10, PriorDB: -9_000_000_000, TotalDB: -9_000_000_000},
		},
	}})
	if head, _, ok := strings.Cut(string(text), "\r\n"); !ok || !strings.HasPrefix(head, "rank,hazard,") {
		t.Errorf("first line %q", head)
	}
	lines, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		what, "0.82", "0.74", "0.88", "hose_weak at front_left rear_right: 0.8 x 0.5; pipe_thin: 0 x 1",
		"hose_weak: prior -7.1, shifts 2, it is worn at front_left 14.5, together 9.4 dB; pipe_thin: prior -9, together -9 dB",
	} {
		if !slices.Contains(lines[1], want) {
			t.Errorf("no %q in %q", want, lines[1])
		}
	}
}

func FuzzCursor(f *testing.F) {
	f.Add(api.EncodeCursor(time.UnixMilli(1777712345678), "tern-01"))
	f.Add("dgAAAZ3d")
	f.Add("")
	f.Fuzz(func(t *testing.T, s string) {
		at, name, again, ok := api.DecodeCursor(s)
		if ok && (again != s || name == "" || at.Year() > 9999 || at.UnixMilli() < 0) {
			t.Errorf("%q is read as %v %q and written as %q", s, at, name, again)
		}
	})
}

func FuzzPrefer(f *testing.F) {
	for _, s := range []string{"wait=10", `respond-async; a="b\"", wait = "3"`, `wait="`, `"`, `\`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, ok := wire.PreferredWait([]string{s}, 30*time.Second); ok && (d < 0 || d > 30*time.Second) {
			t.Errorf("%q waits %v", s, d)
		}
	})
}

func FuzzIdempotencyKey(f *testing.F) {
	for _, s := range []string{"a", `"a"`, `"a\"b"`, `"a\`, ` "a";x `} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		key, err := wire.IdempotencyKey([]string{s})
		if err != nil {
			return
		}
		if key == "" || len(key) > 200 || strings.Trim(key, "!\"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_`abcdefghijklmnopqrstuvwxyz{|}~") != "" {
			t.Errorf("%q is read as %q", s, key)
		}
		quoted := `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(key) + `"`
		if again, err := wire.IdempotencyKey([]string{quoted}); again != key || err != nil {
			t.Errorf("%q, quoted as %s, is read as %q, %v", key, quoted, again, err)
		}
	})
}

func FuzzAccept(f *testing.F) {
	for _, s := range []string{"*/*", "text/csv;q=0.5, application/json", `a/b;c=";,";q=0`, ";", "text/*;q=0"} {
		f.Add(s)
	}
	offers := []string{"application/json", "text/csv"}
	f.Fuzz(func(t *testing.T, s string) {
		if got := wire.Negotiate([]string{s}, offers); got != "" && !slices.Contains(offers, got) {
			t.Errorf("%q is answered in %q", s, got)
		}
		if got := wire.Negotiate([]string{s + ", text/csv;q=1"}, offers); got == "" && !strings.ContainsAny(s, `"\`) && !strings.Contains(strings.ToLower(s), "text/csv") {
			t.Errorf("%q and CSV is answered with nothing", s)
		}
	})
}

func FuzzPostReport(f *testing.F) {
	f.Add(tern(f, "tern-01"))
	f.Add([]byte(`{"schema":"laidup.report/1","vehicle":{"reference":"a","description":"\u0000"},"inspection":{"date":"2026-05-02"},"observations":[]}`))
	f.Add([]byte(`[`))
	var w *workshop
	n := 0
	f.Fuzz(func(t *testing.T, body []byte) {
		if n%assess.MaxReports == 0 { // no vehicle takes more
			w = open(t)
		}
		n++
		w.t = t
		a := w.post("/v1/reports", body, "Prefer: wait=10")
		switch a.StatusCode {
		case http.StatusOK:
			if state := a.object(t)["state"]; state != "done" {
				t.Errorf("assessment %s", a.text)
			}
		case http.StatusUnprocessableEntity:
			if len(a.object(t)["errors"].([]any)) == 0 {
				t.Errorf("a refusal without a reason: %s", a.text)
			}
		default:
			t.Errorf("status %d: %s", a.StatusCode, a.text)
		}
	})
}

// BenchmarkPostReport is the way of a report from the wire to its receipt, in memory.
func BenchmarkPostReport(b *testing.B) {
	w := open(b)
	w.queue.holiday.Store(true)
	body := tern(b, "tern-01")
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		w.post("/v1/reports", body).is(b, http.StatusAccepted)
	}
}
