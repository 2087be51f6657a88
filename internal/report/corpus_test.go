package report_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"laidup/internal/report"
)

var update = flag.Bool("update", false, "write the golden files anew")

const corpus = "../../testdata/reports"

func documents(t *testing.T, folder string) map[string][]byte {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(corpus, folder, "*.json"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no documents in %s (%v)", folder, err)
	}
	all := map[string][]byte{}
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		all[strings.TrimSuffix(filepath.Base(p), ".json")] = data
	}
	return all
}

func TestGoodReports(t *testing.T) {
	for name, data := range documents(t, "ok") {
		if _, _, faults := report.Decode(data, builtIn(t)); len(faults) > 0 {
			t.Errorf("%s: %v", name, faults)
		}
	}
}

// The number of faults of each bad report whose name does not say that it has one. A golden file
// is not written anew while a document has another number.
var faultsOf = map[string]int{"several_at_once": 6, "missing_fields": 3, "found_before_item_in_document_order": 2}

// Bad reports are named for the reason; what is said of each is in faults.golden.
func TestBadReports(t *testing.T) {
	bad := documents(t, "bad")
	for name := range faultsOf {
		if bad[name] == nil {
			t.Errorf("there is no %s.json", name)
		}
	}
	checker := report.NewChecker(builtIn(t))
	names := make([]string, 0, len(bad))
	for name := range bad {
		names = append(names, name)
	}
	slices.Sort(names)
	var b strings.Builder
	for _, name := range names {
		_, _, faults := checker.Decode(bad[name])
		want := faultsOf[name]
		if want == 0 {
			want = 1
		}
		if len(faults) != want {
			t.Errorf("%s has %d faults, want %d: %v", name, len(faults), want, faults)
		}
		fmt.Fprintf(&b, "%s\n", name)
		for _, f := range faults {
			if malformed := strings.HasPrefix(name, "malformed_"); malformed != (f.Code == report.Malformed) {
				t.Errorf("%s has a fault of kind %s", name, f.Code)
			}
			fmt.Fprintf(&b, "  %s: %s: %s\n", f.Pointer, f.Code, f.Detail)
		}
	}
	golden := filepath.Join(corpus, "bad", "faults.golden")
	if *update {
		if t.Failed() {
			t.Fatal("not written: mend the above first")
		}
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Split(b.String(), "\n")
	for i, line := range strings.Split(string(want), "\n") {
		if i >= len(got) || got[i] != line {
			t.Fatalf("line %d is %q, want %q (-update writes it anew)", i+1, at0(got, i), line)
		}
	}
	if b.String() != string(want) {
		t.Error("more is said than is in the golden file")
	}
}

func at0(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}
