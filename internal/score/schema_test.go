package score_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"

	"github.com/santhosh-tekuri/jsonschema/v5"
	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"
)

// answerSchema compiles one of the schemas of what the service answers.
func answerSchema(t testing.TB, name string) *jsonschema.Schema {
	t.Helper()
	data, err := fs.ReadFile(schema.FS, "json/"+name+".schema.json")
	if err != nil {
		t.Fatal(err)
	}
	var said struct {
		ID string `json:"$id"`
	}
	if err := json.Unmarshal(data, &said); err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.AssertFormat = true
	if err := c.AddResource(said.ID, bytes.NewReader(data)); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(said.ID)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// isOf holds an answer against a schema.
func isOf(t interface{ Fatalf(string, ...any) }, s *jsonschema.Schema, what string, answer []byte) {
	var v any
	if err := json.Unmarshal(answer, &v); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if err := s.Validate(v); err != nil {
		t.Fatalf("%s: %#v", what, err)
	}
}

// prePurchase loads the rule set that dealers ask by.
func prePurchase(t testing.TB) *ruleset.Set {
	t.Helper()
	l := builtin.Loader()
	set, err := l.Knowing(builtin.FirstStart()).Folder(schema.FS, "rulesets/pre-purchase/2.0.0")
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// demoDossiers has the demo reports as they are posted, by vehicle.
var demoDossiers = map[string][]string{
	"tern": {"marrick-tern-01.1.json"},
	"dale": {"corvane-dale-07.1.json"},
	"wren": {"brennick-wren-03.1.json", "brennick-wren-03.2.json", "brennick-wren-03.3.json"},
}

// everyDossier has the dossiers of all acceptance cases and of the demo, read under a rule set.
func everyDossier(t testing.TB, set *ruleset.Set) map[string][]*report.Report {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "cases", "cases.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var cases []acceptance
	if err := yaml.Unmarshal(data, &cases); err != nil {
		t.Fatal(err)
	}
	all := map[string][]*report.Report{}
	for _, c := range cases {
		all[c.Name] = []*report.Report{decode(t, set, c.report(t))}
	}
	for vehicle, names := range demoDossiers {
		var dossier []*report.Report
		for _, name := range names {
			dossier = append(dossier, demoReport(t, set, name))
			all["demo "+vehicle+" to "+name] = slices.Clone(dossier)
		}
	}
	return all
}

func demoReport(t testing.TB, set *ruleset.Set, name string) *report.Report {
	t.Helper()
	data, err := fs.ReadFile(schema.FS, "demo/"+name)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return r
}

// worded is an assessment as it is stored: with its reasons in words.
func worded(t interface{ Fatal(...any) }, a *score.Assessment) []byte {
	words, err := wording.In("en")
	if err != nil {
		t.Fatal(err)
	}
	words.Write(a)
	return []byte(bytesOf(t, a))
}

// The schema is closed: a field that it does not describe fails here.
func TestEveryAssessmentIsAsItsSchemaSays(t *testing.T) {
	s := answerSchema(t, "assessment")
	for _, set := range []*ruleset.Set{builtin.FirstStart(), prePurchase(t)} {
		scorer := score.New(set)
		for name, dossier := range everyDossier(t, set) {
			isOf(t, s, set.Name+": "+name, worded(t, scorer.Evaluate(dossier, -1)))
		}
	}
	set := builtin.FirstStart()
	scorer := score.New(set)
	examples(t, 30)
	rapid.Check(t, func(t *rapid.T) {
		var dossier []*report.Report
		for _, o := range wild(t, set) {
			dossier = append(dossier, drawn(t, set, o))
		}
		isOf(t, s, "drawn", worded(t, scorer.Evaluate(dossier, -1)))
	})
}

// Each schema can be used alone; what two of them describe they describe alike.
func TestSchemasDescribeTheSameAlike(t *testing.T) {
	defs := map[string]map[string]any{}
	for name, number := range map[string]int{"assessment": 2, "appraisal": 2, "appraisals": 2} {
		data, err := fs.ReadFile(schema.FS, "json/"+name+".schema.json")
		if err != nil {
			t.Fatal(err)
		}
		var doc struct {
			ID   string         `json:"$id"`
			Defs map[string]any `json:"$defs"`
		}
		if err := json.Unmarshal(data, &doc); err != nil {
			t.Fatal(err)
		}
		if doc.ID != fmt.Sprintf("urn:laidup:%s:%d", name, number) {
			t.Errorf("%s has the $id %s", name, doc.ID)
		}
		defs[name] = doc.Defs
	}
	shared := 0
	for _, of := range []string{"appraisal", "appraisals"} {
		for name, def := range defs[of] {
			if other, both := defs["assessment"][name]; both {
				shared++
				if !reflect.DeepEqual(def, other) {
					t.Errorf("%s is described in two ways", name)
				}
			}
		}
	}
	if shared < 16 {
		t.Errorf("only %d definitions are shared", shared)
	}
}

// A field that no schema describes is refused: every object that has properties is closed. An
// assessment as a whole is closed by the branch for its state.
func TestSchemasAreClosed(t *testing.T) {
	files, err := fs.Glob(schema.FS, "json/*.schema.json")
	if err != nil || len(files) < 3 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		data, err := fs.ReadFile(schema.FS, file)
		if err != nil {
			t.Fatal(err)
		}
		var doc map[string]any
		if err := json.Unmarshal(data, &doc); err != nil {
			t.Fatal(err)
		}
		if doc["if"] != nil {
			delete(doc, "if")
			delete(doc, "properties")
		}
		var walk func(at string, v any)
		walk = func(at string, v any) {
			switch v := v.(type) {
			case map[string]any:
				if _, is := v["properties"].(map[string]any); is && v["additionalProperties"] != false {
					t.Errorf("%s%s is open", file, at)
				}
				for name, inner := range v {
					walk(at+"/"+name, inner)
				}
			case []any:
				for _, inner := range v {
					walk(at, inner)
				}
			}
		}
		walk("", doc)
	}
}

// The book for a seller's yard has the same hazards: it judges as first-start does, and proposes only
// what can be looked at there.
func TestPrePurchaseJudgesAsFirstStartDoes(t *testing.T) {
	first, yard := builtin.FirstStart(), prePurchase(t)
	proposed := 0
	examples(t, 30)
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, first)
		a, b := evaluate(t, first, objects), evaluate(t, yard, objects)
		for i := range a.Gates {
			if a.Gates[i].State != b.Gates[i].State || a.Gates[i].ChanceThrough != b.Gates[i].ChanceThrough {
				t.Fatalf("%+v against %+v", a.Gates[i], b.Gates[i])
			}
		}
		if b.Verdict.Gate != "road_test" || len(b.LookNext) > 10 {
			t.Fatalf("%+v, %d looks", b.Verdict, len(b.LookNext))
		}
		for _, l := range b.LookNext {
			proposed++
			if l.Access != "none" {
				t.Fatalf("%s is proposed, which needs %s off", l.Item, l.Access)
			}
		}
	})
	if proposed == 0 {
		t.Error("nothing was ever proposed")
	}
}
