package api_test

import (
	"bytes"
	"fmt"
	"net/http"
	"strings"
	"testing"
)

// yard is an overlay that a dealer might publish: it fears a frayed belt more, and has a rule of its
// own.
const yard = `
schema: laidup.rule_set/1
name: brennick-yard
version: 1.0.0
is: "May it be cranked in our yard?"
asks: crank
extends: {name: first-start, version: 1.0.0}
cautions: ["Only on the concrete."]
rules:
  - id: yard_belt_cracked
    hazard: valve_strike
    item: timing_belt
    line: yard
    when: found.cracked
    weight: 6
    because: "the yard does not trust a cracked belt"
    source: {kind: judgement}
tests:
  - {rule: yard_belt_cracked, fires: {timing_belt: {cracked: true}}, silent: {timing_belt: {cracked: false}}}
`

func (w *workshop) publish(document string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, "/v1/rule_sets", []byte(document), "Content-Type: application/yaml")
}

func TestAPublishedRuleSetIsListedReadAndScoredUnder(t *testing.T) {
	t.Parallel()
	w := open(t)
	checked := w.do(http.MethodPost, "/v1/rule_sets/check", []byte(yard), "Content-Type: application/yaml")
	checked.is(t, http.StatusOK)
	if c := checked.object(t); c["valid"] != true || c["rules"].(float64) < 800 || c["link"] != nil {
		t.Errorf("check: %.300s", checked.text)
	}
	w.get("/v1/rule_sets/brennick-yard/1.0.0").problem(t, http.StatusNotFound, "not-found")

	a := w.publish(yard)
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
		id := w.post("/v1/reports?rule_set="+named, tern(t, "tern-01")).object(t)["id"].(string)
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
	w.post("/v1/reports?rule_set=brennick-yard/2.0.0", tern(t, "tern-01")).problem(t, http.StatusBadRequest, "no-such-rule-set")
	w.post("/v1/reports?rule_set=brennick-yard&gate=moon", tern(t, "tern-01")).problem(t, http.StatusBadRequest, "no-such-gate", "crank")
}

func TestANameWithoutAVersionIsTheLatest(t *testing.T) {
	t.Parallel()
	w := open(t)
	// 1.10.0 is later than 1.9.0, whatever came first.
	for _, v := range []string{"1.10.0", "1.9.0"} {
		w.publish(strings.Replace(yard, "version: 1.0.0\nis", "version: "+v+"\nis", 1)).is(t, http.StatusCreated)
	}
	id := w.post("/v1/reports?rule_set=brennick-yard", tern(t, "tern-01")).object(t)["id"].(string)
	w.queue.workers.Wait()
	if set := w.get("/v1/assessments/" + id).object(t)["rule_set"].(object); set["version"] != "1.10.0" {
		t.Errorf("scored under %v", set)
	}
}

func TestAPublishedVersionNeverChanges(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.publish(yard).object(t)["rule_set"].(object)["digest"]
	w.publish(yard).is(t, http.StatusOK)
	w.publish(strings.Replace(yard, "weight: 6", "weight: 7", 1)).problem(t, http.StatusConflict, "version-published", "higher version")
	if got := w.get("/v1/rule_sets/brennick-yard/1.0.0").Header.Get("ETag"); got != fmt.Sprintf("%q", first) {
		t.Errorf("ETag %s, want %s", got, first)
	}
}

func TestWhatCannotBePublished(t *testing.T) {
	t.Parallel()
	w := open(t)
	replace := func(old, new string) string {
		if !strings.Contains(yard, old) {
			t.Fatalf("no %q", old)
		}
		return strings.Replace(yard, old, new, 1)
	}
	canonical := builtIn(t).Canonical
	for name, c := range map[string]struct {
		document             string
		code, pointer, entry string
		words                string
	}{
		"a rule without a test":         {yard[:strings.Index(yard, "tests:")], "test_failed", "", "yard_belt_cracked", "no test says on what it fires"},
		"a rule without a source":       {replace("    source: {kind: judgement}\n", ""), "unloadable", "/rules/", "", "source"},
		"a test that does not hold":     {replace("fires: {timing_belt: {cracked: true}}", "fires: {timing_belt: {cracked: false}}"), "test_failed", "/tests/", "yard_belt_cracked", "does not fire"},
		"a condition of the wrong type": {replace("when: found.cracked", "when: found.age"), "unloadable", "/rules/", "yard_belt_cracked", ""},
		"an unknown base":               {replace("extends: {name: first-start, version: 1.0.0}", "extends: {name: first-start, version: 9.0.0}"), "unloadable", "/extends", "", "9.0.0"},
		"a built-in name":               {replace("name: brennick-yard", "name: first-start"), "name_taken", "/name", "", "name of its own"},
		"another catalogue":             {string(bytes.Replace(bytes.Replace(canonical, []byte(`"name":"first-start"`), []byte(`"name":"own"`), 1), []byte(`"minutes":5`), []byte(`"minutes":6`), 1)), "other_catalogue", "/catalogue", "", "extends"},
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
	w.do(http.MethodPost, "/v1/rule_sets", []byte(yard), "Content-Type: text/plain").problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type", "application/yaml")
	w.do(http.MethodPost, "/v1/rule_sets", bytes.Repeat([]byte("#"), 5<<20), "Content-Type: application/yaml").problem(t, http.StatusRequestEntityTooLarge, "body-too-large", "rule set")
	if n := len(w.get("/v1/rule_sets").object(t)["rule_sets"].([]any)); n != 1 {
		t.Errorf("%d rule sets are listed", n)
	}
}
