// Package archtest holds tests of what no compiler sees: who may import whom, and that what a page
// promises is there.
package archtest

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "laidup/"

// allowed is the table of imports within the project: what a package may use. A package that is
// not here may not exist.
var allowed = map[string][]string{
	"schema":                     {},
	"internal/calendar":          {},
	"internal/quantity":          {},
	"internal/handbook":          {"internal/calendar"},
	"internal/spelling":          {},
	"internal/condition":         {"internal/calendar", "internal/handbook", "internal/quantity", "internal/spelling"},
	"internal/catalogue":         {"internal/condition", "internal/quantity"},
	"internal/report":            {"internal/calendar", "internal/catalogue", "internal/condition", "internal/handbook", "internal/quantity", "internal/spelling"},
	"internal/spreadsheet":       {"internal/catalogue", "internal/report", "internal/spelling"},
	"internal/document":          {},
	"internal/ruleset":           {"internal/calendar", "internal/catalogue", "internal/condition", "internal/document", "internal/handbook", "internal/quantity", "internal/report"},
	"internal/builtin":           {"internal/jobbook", "internal/ruleset", "schema"},
	"internal/jobbook":           {"internal/catalogue", "internal/condition", "internal/document", "internal/report", "internal/ruleset", "internal/spelling"},
	"internal/score":             {"internal/calendar", "internal/catalogue", "internal/condition", "internal/quantity", "internal/report", "internal/ruleset"},
	"internal/plan":              {"internal/calendar", "internal/catalogue", "internal/condition", "internal/jobbook", "internal/report", "internal/ruleset", "internal/score"},
	"internal/outcome":           {"internal/calendar", "internal/report", "internal/ruleset", "internal/score"},
	"internal/rulecheck":         {"internal/calendar", "internal/catalogue", "internal/condition", "internal/quantity", "internal/report", "internal/ruleset", "internal/score", "internal/wording"},
	"internal/logging":           {},
	"internal/origin":            {},
	"internal/version":           {},
	"internal/tracing":           {"internal/assess", "internal/logging", "internal/origin", "internal/version", "worker"},
	"internal/photo":             {},
	"internal/bucket":            {"internal/assess"},
	"internal/assess":            {"internal/outcome", "internal/photo", "internal/appraisal", "internal/calendar", "internal/logging", "internal/wording", "internal/report", "internal/rulecheck", "internal/ruleset", "internal/score", "internal/jobbook", "internal/plan", "internal/catalogue", "internal/spreadsheet"},
	"internal/assess/assesstest": {"internal/assess", "internal/outcome", "internal/report", "internal/score"},
	"internal/wording":           {"internal/quantity", "internal/score"},
	"internal/appraisal":         {"internal/catalogue", "internal/report", "internal/ruleset", "internal/score", "internal/wording"},
	"internal/access":            {},
	"internal/access/accesstest": {"internal/access"},
	"internal/config":            {},
	"internal/webhook":           {"internal/assess", "internal/logging"},
	"internal/store":             {"internal/outcome", "internal/access", "internal/assess", "internal/webhook"},
	"internal/queue":             {"internal/assess", "internal/logging", "internal/origin"},
	"worker":                     {"internal/assess", "internal/logging"},
	"api/pages":                  {"internal/outcome", "internal/appraisal", "internal/assess", "internal/calendar", "internal/catalogue", "internal/condition", "internal/plan", "internal/report", "internal/ruleset", "internal/score", "internal/wording"},
	"api/wire":                   {"internal/access", "internal/appraisal", "internal/assess", "internal/photo", "internal/plan", "internal/ruleset", "internal/score", "internal/webhook"},
	"api/describe":               {"api/wire", "schema", "internal/access"},
	"api/site":                   {"internal/outcome", "api/pages", "api/wire", "internal/access", "internal/assess", "internal/calendar", "internal/catalogue", "internal/condition", "internal/quantity", "internal/report", "internal/ruleset", "internal/score", "internal/plan", "internal/wording"},
	"api":                        {"api/describe", "api/site", "api/wire", "internal/appraisal", "internal/access", "internal/assess", "internal/catalogue", "internal/logging", "internal/origin", "internal/report", "internal/ruleset", "internal/score", "internal/webhook", "internal/calendar", "internal/photo", "internal/plan", "internal/spreadsheet"},
	"cmd/laidup":                 {"api", "worker", "schema", "internal/access", "internal/assess", "internal/bucket", "internal/builtin", "internal/calendar", "internal/catalogue", "internal/condition", "internal/config", "internal/jobbook", "internal/logging", "internal/plan", "internal/quantity", "internal/queue", "internal/report", "internal/rulecheck", "internal/ruleset", "internal/score", "internal/store", "internal/tracing", "internal/version", "internal/webhook", "internal/wording", "internal/spreadsheet"},
	"internal/testserver":        {},
	"internal/faults":            {},
	"internal/archtest":          {},
}

// pure packages know no clock, no randomness and nothing outside the process.
var pure = []string{"internal/wording", "internal/calendar", "internal/handbook", "internal/quantity", "internal/condition", "internal/catalogue", "internal/report", "internal/ruleset", "internal/jobbook", "internal/score", "internal/outcome", "internal/rulecheck", "internal/appraisal", "internal/plan", "internal/photo", "internal/spreadsheet"}

var impure = []string{"os", "net", "net/http", "database/sql", "log", "log/slog", "math/rand", "math/rand/v2", "crypto/rand", "os/exec", "syscall"}

// saysNothing are package names that say nothing.
var saysNothing = []string{"util", "utils", "common", "helper", "helpers", "model", "models", "types", "misc", "base"}

func TestImports(t *testing.T) {
	root := filepath.Join("..", "..")
	packages := map[string]bool{}
	err := fs.WalkDir(os.DirFS(root), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata" || d.Name() == "node_modules"):
			return fs.SkipDir
		case !strings.HasSuffix(name, ".go"):
			return nil
		}
		packages[path.Dir(name)] = true
		checkFile(t, root, name)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for p := range allowed {
		if !packages[p] {
			t.Errorf("the table has %s, which does not exist", p)
		}
	}
	if len(packages) < 15 {
		t.Errorf("only %d packages were found", len(packages))
	}
}

func checkFile(t *testing.T, root, name string) {
	// The whole file is read so that a cached pass is impossible: the test depends on its text.
	src, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	f, err := parser.ParseFile(token.NewFileSet(), name, src, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	dir := path.Dir(name)
	uses, known := allowed[dir]
	if !known {
		t.Errorf("%s: the package is not in the table of imports", name)
	}
	if slices.Contains(saysNothing, f.Name.Name) {
		t.Errorf("%s: package %s says nothing by its name", name, f.Name.Name)
	}
	test := strings.HasSuffix(name, "_test.go")
	for _, im := range f.Imports {
		target, err := strconv.Unquote(im.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		if ours, is := strings.CutPrefix(target, module); is && !test && !slices.Contains(uses, ours) {
			t.Errorf("%s imports %s", name, ours)
		}
		if slices.Contains(pure, dir) && !test && slices.Contains(impure, target) {
			t.Errorf("%s is pure and imports %s", name, target)
		}
		if !test && (target == "testing" || target == module+"internal/testserver") && dir != "internal/testserver" && !strings.HasSuffix(dir, "test") {
			t.Errorf("%s ships and imports %s", name, target)
		}
	}
	if slices.Contains(pure, dir) && !test && strings.Contains(string(src), "time.Now(") {
		t.Errorf("%s is pure and asks for the time", name)
	}
}
