package api_test

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/ruleset"
)

// yard is an overlay that a dealer might publish: it fears a cracked belt more, and has a rule of its
// own.
const yard = `
schema: laidup.rule_set/2
name: brennick-yard
version: 1.0.0
is: "May it be cranked in our yard?"
asks: crank
extends: {name: first-start, version: 2.0.0}
cautions: ["Only on the concrete."]
rules:
  - id: yard_belt_cracked
    fault: timing_belt_weak
    line: yard
    when: found.cracked
    weight: 6
    because: "the yard does not trust a cracked belt"
    source: {kind: judgement}
tests:
  - {rule: yard_belt_cracked, fires: {timing_belt: {cracked: true}}, silent: {timing_belt: {cracked: false}}}
`

// keep stores a rule set that nobody has tried: trying the whole book takes a while.
func (w *workshop) keep(organisation, document string) {
	w.t.Helper()
	set, err := builtin.Loader().Knowing(builtin.FirstStart()).Document("", []byte(document))
	if err != nil {
		w.t.Fatal(err)
	}
	ref := assess.RuleSetRef{Name: set.Name, Version: set.Version, Digest: set.Digest}
	if _, err := w.store.Publish(w.t.Context(), assess.Publication{RuleSetRef: ref, Organisation: organisation, Is: set.Is}, set.Canonical); err != nil {
		w.t.Fatal(err)
	}
}

// smallYard is yard on a small rule set, which is soon tried.
var smallYard = strings.NewReplacer("first-start, version: 2.0.0", "small, version: 1.0.0", "timing_belt_weak", "belt_weak", "found.cracked", `found.noise == "rough"`,
	"{cracked: true}", "{noise: rough}", "{cracked: false}", "{noise: slight}").Replace(yard)

// small reads the rule set that smallYard extends.
func small(t testing.TB) *ruleset.Set {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "internal", "rulecheck", "testdata", "small.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	set, err := builtin.Loader().Document("small.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// smallReport is a report in the words of the small rule set.
func smallReport(vehicle string) []byte {
	return fmt.Appendf(nil, `{"schema":"laidup.report/1","vehicle":{"reference":%q},"inspection":{"date":"2026-05-02"},"observations":[{"item":"timing_belt","method":"seen","found":{"fraying":true,"noise":"rough"}}]}`, vehicle)
}

func (w *workshop) publish(document string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, "/v1/rule_sets", []byte(document), "Content-Type: application/yaml")
}

func TestAPublishedRuleSetIsListedReadAndScoredUnder(t *testing.T) {
	t.Parallel()
	w := openOn(t, small(t))
	checked := w.do(http.MethodPost, "/v1/rule_sets/check", []byte(smallYard), "Content-Type: application/yaml")
	checked.is(t, http.StatusOK)
	if c := checked.object(t); c["valid"] != true || c["rules"].(float64) != 7 || c["link"] != nil {
		t.Errorf("check: %.300s", checked.text)
	}
	w.get("/v1/rule_sets/brennick-yard/1.0.0").problem(t, http.StatusNotFound, "not-found")

	a := w.publish(smallYard)
	a.is(t, http.StatusCreated)
	link := "/v1/rule_sets/brennick-yard/1.0.0"
	a.has(t, "Location", link)
	digest := a.object(t)["rule_set"].(object)["digest"].(string)

	got := w.get(link)
	got.is(t, http.StatusOK)
	got.has(t, "ETag", `"`+digest+`"`, "Cache-Control", "private, max-age=31536000, immutable")
	if !bytes.Contains(got.text, []byte(`"yard_belt_cracked"`)) || !bytes.Contains(got.text, []byte(`"catalogue"`)) {
		t.Errorf("it is not whole: %.200s", got.text)
	}
	// The canonical form is a rule set on its own: another workshop can take it over.
	again := w.do(http.MethodPost, "/v1/rule_sets", got.text, "Content-Type: application/json")
	again.is(t, http.StatusOK)

	list := w.get("/v1/rule_sets").object(t)["rule_sets"].([]any)
	if last := list[len(list)-1].(object); len(list) != 2 || last["name"] != "brennick-yard" || last["current"] != false || last["published_at"] == nil || last["link"] != link {
		t.Errorf("list %v", list)
	}

	for _, named := range []string{"brennick-yard", "brennick-yard/1.0.0"} {
		id := w.post("/v1/reports?rule_set="+named, smallReport("tern-01")).object(t)["id"].(string)
		w.queue.workers.Wait()
		done := w.get("/v1/assessments/" + id).object(t)
		if set := done["rule_set"].(object); done["state"] != "done" || set["digest"] != digest {
			t.Errorf("%s: %v %v", named, done["state"], done["rule_set"])
		}
		if v := done["verdict"].(object); v["gate"] != "crank" {
			t.Errorf("%s: verdict %v", named, v)
		}
		if !strings.Contains(fmt.Sprint(done["cautions"]), "Only on the concrete.") {
			t.Errorf("%s: cautions %v", named, done["cautions"])
		}
	}
	w.post("/v1/reports?rule_set=brennick-yard/2.0.0", smallReport("tern-01")).problem(t, http.StatusBadRequest, "no-such-rule-set")
	w.post("/v1/reports?rule_set=brennick-yard&gate=moon", smallReport("tern-01")).problem(t, http.StatusBadRequest, "no-such-gate", "crank")
}

func TestANameWithoutAVersionIsTheLatest(t *testing.T) {
	t.Parallel()
	w := openOn(t, small(t))
	// 1.10.0 is later than 1.9.0, whatever came first.
	for _, v := range []string{"1.10.0", "1.9.0"} {
		w.publish(strings.Replace(smallYard, "version: 1.0.0\nis", "version: "+v+"\nis", 1)).is(t, http.StatusCreated)
	}
	id := w.post("/v1/reports?rule_set=brennick-yard", smallReport("tern-01")).object(t)["id"].(string)
	w.queue.workers.Wait()
	if set := w.get("/v1/assessments/" + id).object(t)["rule_set"].(object); set["version"] != "1.10.0" {
		t.Errorf("scored under %v", set)
	}
}

func TestAPublishedVersionNeverChanges(t *testing.T) {
	t.Parallel()
	w := openOn(t, small(t))
	first := w.publish(smallYard).object(t)["rule_set"].(object)["digest"]
	w.publish(smallYard).is(t, http.StatusOK)
	w.publish(strings.Replace(smallYard, "weight: 6", "weight: 7", 1)).problem(t, http.StatusConflict, "version-published", "higher version")
	if got := w.get("/v1/rule_sets/brennick-yard/1.0.0").Header.Get("ETag"); got != fmt.Sprintf("%q", first) {
		t.Errorf("ETag %s, want %s", got, first)
	}
}

func TestWhatCannotBePublished(t *testing.T) {
	t.Parallel()
	w := openOn(t, small(t))
	replace := func(old, new string) string {
		if !strings.Contains(smallYard, old) {
			t.Fatalf("no %q", old)
		}
		return strings.Replace(smallYard, old, new, 1)
	}
	canonical := small(t).Canonical
	for name, c := range map[string]struct {
		document             string
		code, pointer, entry string
		words                string
	}{
		"a rule without a test":         {smallYard[:strings.Index(smallYard, "tests:")], "test_failed", "", "yard_belt_cracked", "no test says when it fires"},
		"a rule without a source":       {replace("    source: {kind: judgement}\n", ""), "unloadable", "/rules/", "", "source"},
		"a test that does not hold":     {replace("fires: {timing_belt: {noise: rough}}", "fires: {timing_belt: {noise: silent}}"), "test_failed", "/tests/", "yard_belt_cracked", "never fires"},
		"a condition of the wrong type": {replace(`when: found.noise == "rough"`, "when: found.age"), "unloadable", "/rules/", "yard_belt_cracked", ""},
		"an unknown base":               {replace("extends: {name: small, version: 1.0.0}", "extends: {name: small, version: 9.0.0}"), "unloadable", "/extends", "", "9.0.0"},
		"a built-in name":               {replace("name: brennick-yard", "name: small"), "name_taken", "/name", "", "name of its own"},
		"another catalogue":             {string(bytes.Replace(bytes.Replace(canonical, []byte(`"name":"small"`), []byte(`"name":"own"`), 1), []byte(`"minutes":5`), []byte(`"minutes":6`), 1)), "other_catalogue", "/catalogue", "", "extends"},
		"no rule set at all":            {"[1, 2]", "unloadable", "", "", "mapping"},
		"nothing":                       {"", "unloadable", "", "", ""},
		"aliases that multiply":         {"a: &a [x, x]\nb: &b [*a, *a]\n", "unloadable", "", "", "aliases"},
		"a nest":                        {strings.Repeat("[", 5000) + strings.Repeat("]", 5000), "unloadable", "", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			a := w.publish(c.document)
			p := a.problem(t, http.StatusUnprocessableEntity, "faulty-rule-set")
			first, _ := p["errors"].([]any)[0].(object)
			entry, _ := first["entry"].(string)
			if first["code"] != c.code || !strings.HasPrefix(first["pointer"].(string), c.pointer) || c.entry != "" && entry != c.entry || !strings.Contains(fmt.Sprint(first["detail"]), c.words) {
				t.Errorf("answer %s", a.text)
			}
		})
	}
	w.do(http.MethodPost, "/v1/rule_sets", []byte(smallYard), "Content-Type: text/plain").problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type", "application/yaml")
	w.do(http.MethodPost, "/v1/rule_sets", bytes.Repeat([]byte("#"), 5<<20), "Content-Type: application/yaml").problem(t, http.StatusRequestEntityTooLarge, "body-too-large", "rule set")
	if n := len(w.get("/v1/rule_sets").object(t)["rule_sets"].([]any)); n != 1 {
		t.Errorf("%d rule sets are listed", n)
	}
}
