package score_test

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"

	"go.yaml.in/yaml/v3"
)

// object is a JSON object in the making.
type object = map[string]any

// acceptance is one case of testdata/cases/cases.yaml: what a careful practitioner would say.
type acceptance struct {
	Name    string
	Base    string
	Source  string
	Empty   bool
	Vehicle object
	Unset   []string
	Set     map[string]struct {
		Method string
		Found  object
	}
	Expect struct {
		Gates  map[string]string
		Blocks []struct{ Item, By, Kind string }
		Free   []struct{ Item, At string }
		// Severity of the register's worst entry for an item.
		Severity map[string]string
	}
}

func readJSON(t testing.TB, name string) object {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "cases", name))
	if err != nil {
		t.Fatal(err)
	}
	var o object
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	return o
}

// report makes the report of a case out of its base.
func (c *acceptance) report(t testing.TB) object {
	o := readJSON(t, c.Base+".json")
	maps.Copy(o["vehicle"].(object), c.Vehicle)
	observations := []any{}
	for _, x := range o["observations"].([]any) {
		ob := x.(object)
		item := ob["item"].(string)
		if c.Empty || slices.Contains(c.Unset, item) {
			continue
		}
		found := ob["found"].(object)
		for f := range c.Set[item].Found {
			delete(found, f)
		}
		if len(found) > 0 {
			observations = append(observations, ob)
		}
	}
	for _, item := range slices.Sorted(maps.Keys(c.Set)) {
		observations = append(observations, object{"item": item, "method": c.Set[item].Method, "found": c.Set[item].Found})
	}
	o["observations"] = observations
	return o
}

func decode(t testing.TB, set *ruleset.Set, o object) *report.Report {
	t.Helper()
	data, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	if len(faults) > 0 {
		t.Fatalf("faults: %v", faults)
	}
	return r
}

func gateIndex(t testing.TB, set *ruleset.Set, id string) int {
	t.Helper()
	i := slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == id })
	if i < 0 {
		t.Fatalf("no gate %q", id)
	}
	return i
}

func TestAcceptanceCases(t *testing.T) {
	set := builtin.FirstStart()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "cases", "cases.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var cases []acceptance
	if err := yaml.Unmarshal(data, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) < 25 {
		t.Fatalf("only %d cases", len(cases))
	}
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			a := score.Evaluate(set, []*report.Report{decode(t, set, c.report(t))}, -1)
			checks := 0
			for gate, want := range c.Expect.Gates {
				checks++
				if got := a.Gates[gateIndex(t, set, gate)].State; got != want {
					t.Errorf("%s is %s, want %s", gate, got, want)
				}
			}
			for _, want := range c.Expect.Blocks {
				checks++
				by := gateIndex(t, set, want.By)
				if !slices.ContainsFunc(a.Blockers, func(b score.Blocker) bool {
					return b.Item == want.Item && gateIndex(t, set, b.Gate) <= by && (want.Kind == "" || b.Kind == want.Kind)
				}) {
					t.Errorf("%s does not block by %s (%s)", want.Item, want.By, want.Kind)
				}
			}
			for _, want := range c.Expect.Free {
				checks++
				at := gateIndex(t, set, want.At)
				for _, b := range a.Blockers {
					if b.Item == want.Item && gateIndex(t, set, b.Gate) <= at {
						t.Errorf("%s blocks %s: %s", b.Item, b.Gate, b.Because)
					}
				}
			}
			for item, want := range c.Expect.Severity {
				checks++
				i := slices.IndexFunc(a.Register, func(e score.Entry) bool { return e.Item == item })
				if i < 0 || a.Register[i].Severity != want {
					t.Errorf("the worst entry for %s is not %s: %+v", item, want, a.Register[max(i, 0)])
				}
			}
			if checks == 0 {
				t.Error("the case expects nothing")
			}
			if t.Failed() {
				for _, b := range a.Blockers {
					t.Logf("%s %s %s %s: %s %v", b.Gate, b.Kind, b.Item, b.Hazard, b.Because, b.Rules)
				}
			}
		})
	}
}
