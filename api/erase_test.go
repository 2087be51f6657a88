package api_test

import (
	"bytes"
	"errors"
	"net/http"
	"strings"
	"testing"

	"laidup/internal/assess"
)

func (w *workshop) erase(reference, body string, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodDelete, "/v1/vehicles/"+reference, []byte(body), append(headers, "Content-Type: application/json")...)
}

func TestAnErasedVehicleIsUnknown(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		ours, theirs := w.key("harrow-lane", "admin"), w.key("brennick-motors", "admin")
		body := demo(t, "brennick-wren-03.1", nil)
		report := w.sent(body, ours)
		w.sent(body, theirs)
		assessment := w.post("/v1/reports", body, ours, "Idempotency-Key: bench-1").object(t)["id"].(string)
		batch := w.do(http.MethodPost, "/v1/batches", append(bytes.ReplaceAll(body, []byte("\n"), nil), '\n'), ours, "Content-Type: application/x-ndjson")
		batch.is(t, http.StatusAccepted)
		w.queue.workers.Wait()
		w.chunks.workers.Wait()

		done := w.erase("BRENNICK-wren-03", `{"reference":"brennick-wren-03","reason":"the owner asks for it"}`, ours)
		done.is(t, http.StatusOK)
		if o := done.object(t); o["reports"] != 3. || o["assessments"] != 3. || o["batch_lines"] != 1. {
			t.Errorf("erased are %v", o)
		}
		for _, path := range []string{
			"/v1/reports/" + report, "/v1/reports/" + report + "/status", "/v1/assessments/" + assessment, "/v1/assessments/" + assessment + "/sheet",
			"/v1/vehicles/brennick-wren-03", "/v1/vehicles/brennick-wren-03/reports", "/v1/vehicles/brennick-wren-03/readiness", "/v1/vehicles/brennick-wren-03/appraisal",
		} {
			w.get(path, ours).problem(t, http.StatusNotFound, "not-found")
		}
		if list := w.get("/v1/vehicles", ours).object(t)["vehicles"].([]any); len(list) > 0 {
			t.Errorf("there are %v", list)
		}
		line := w.get(batch.Header.Get("Location")+"/results", ours).object(t)
		if line["line"] != 1. || line["state"] != "erased" || line["vehicle"] != nil || line["assessment"] != nil {
			t.Errorf("its line in the batch is %v", line)
		}
		if state := w.get(batch.Header.Get("Location"), ours).object(t); state["state"] != "done" {
			t.Errorf("the batch is %v", state)
		}
		w.get("/v1/vehicles/brennick-wren-03", theirs).is(t, http.StatusOK)
		w.erase("brennick-wren-03", `{"reference":"brennick-wren-03","reason":"again"}`, ours).problem(t, http.StatusNotFound, "not-found")
		// The key of before stands for nothing: what comes with it is a report on a new vehicle.
		w.post("/v1/reports", demo(t, "brennick-wren-03.2", nil), ours, "Idempotency-Key: bench-1").is(t, http.StatusAccepted)
		if v := w.get("/v1/vehicles/brennick-wren-03", ours).object(t); v["reports"] != 1. {
			t.Errorf("the new vehicle is %v", v)
		}
		audit := w.get("/v1/audit", ours)
		audit.is(t, http.StatusOK)
		first := audit.object(t)["entries"].([]any)[0].(object)
		if first["action"] != "vehicle.erased" || first["subject"] != nil || first["detail"].(object)["reason"] != "the owner asks for it" || first["by"].(object)["through"] != "key" {
			t.Errorf("the audit trail has %v", first)
		}
		if strings.Contains(string(audit.text), "wren") || strings.Contains(w.log.String(), "wren") {
			t.Errorf("audit trail or log name it: %s\n%s", audit.text, w.log)
		}
		if list := w.get("/v1/audit", theirs).object(t)["entries"].([]any); len(list) > 0 {
			t.Errorf("theirs is %v", list)
		}
	})
}

func TestASlipErasesNothing(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.accept("tern-01")
	for what, c := range map[string]struct {
		body     string
		pointers string
	}{
		"nothing":                    {`{}`, "/reference /reason"},
		"no confirmation":            {`{"reason":"x"}`, "/reference"},
		"another vehicle":            {`{"reference":"tern-02","reason":"x"}`, "/reference"},
		"other letters":              {`{"reference":"TERN-01","reason":"x"}`, "/reference"},
		"no reason":                  {`{"reference":"tern-01","reason":" "}`, "/reason"},
		"too long a reason":          {`{"reference":"tern-01","reason":"` + strings.Repeat("x", 2001) + `"}`, "/reason"},
		"a reason that names it":     {`{"reference":"tern-01","reason":"Tern-01 was sold"}`, "/reason"},
		"no JSON":                    {`tern-01`, ""},
		"a member that is not known": {`{"reference":"tern-01","reason":"x","force":true}`, ""},
	} {
		p := w.erase("tern-01", c.body).problem(t, http.StatusUnprocessableEntity, "bad-erasure")
		var pointers []string
		faults, _ := p["errors"].([]any)
		for _, f := range faults {
			pointers = append(pointers, f.(object)["pointer"].(string))
		}
		if got := strings.Join(pointers, " "); got != c.pointers {
			t.Errorf("%s: the faults are at %q, want %q", what, got, c.pointers)
		}
	}
	w.do(http.MethodDelete, "/v1/vehicles/tern-01", nil).problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
	w.erase("none", `{"reference":"none","reason":"x"}`).problem(t, http.StatusNotFound, "not-found")
	w.erase("tern-01", `{"reference":"tern-01","reason":"x"}`, w.key("workshop", "reports", "rule_sets", "webhooks")).problem(t, http.StatusForbidden, "scope-needed")
	w.get("/v1/vehicles/tern-01").is(t, http.StatusOK)
}

// A worker has the assessment in hand while the vehicle is erased: it stores nothing, and ends quietly.
func TestWhatIsErasedWhileItIsScoredDoesNotComeBack(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", "admin")
		w.queue.holiday.Store(true)
		w.sent(demo(t, "brennick-wren-03.1", nil), key)
		w.erase("brennick-wren-03", `{"reference":"brennick-wren-03","reason":"x"}`, key).is(t, http.StatusOK)
		task, ok := w.queue.Take()
		if !ok {
			t.Fatal("nothing is queued")
		}
		if err := w.service.Score(t.Context(), task.AssessmentID); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("scoring ends with %v", err)
		}
		if n, err := w.service.Sweep(t.Context()); n != 0 || err != nil {
			t.Errorf("%d are handed over again, %v", n, err)
		}
		w.get("/v1/vehicles/brennick-wren-03", key).problem(t, http.StatusNotFound, "not-found")
	})
}

func TestTheAuditTrailSaysWhoDidWhat(t *testing.T) {
	t.Parallel()
	w := open(t)
	admin := w.key("harrow-lane", "admin")
	id := w.sent(tern(t, "tern-01"), admin)
	by := w.get("/v1/reports/"+id+"/status", admin).object(t)["posted_by"].(string)
	if by == "" || !strings.Contains(admin, "lu_"+by+"_") {
		t.Errorf("the report was posted by %q", by)
	}
	for range 3 {
		id := w.sent(tern(t, "tern-01"), admin)
		w.post("/v1/reports/"+id+"/withdraw", []byte(`{"reason":"made by mistake"}`), admin).is(t, http.StatusOK)
	}
	page := w.get("/v1/audit?limit=2", admin)
	page.is(t, http.StatusOK)
	first := page.object(t)["entries"].([]any)[0].(object)
	if first["action"] != "report.withdrawn" || first["by"].(object)["key"] != by || first["by"].(object)["through"] != "key" {
		t.Errorf("the newest entry is %v", first)
	}
	next := w.get("/v1/audit?limit=2&cursor="+page.object(t)["next"].(string), admin).object(t)
	if len(next["entries"].([]any)) != 1 || next["next"] != nil {
		t.Errorf("the next page is %v", next)
	}
	w.get("/v1/audit", w.key("harrow-lane", "read")).problem(t, http.StatusForbidden, "scope-needed")
	// On this machine none needs a key: nobody is known.
	id = w.post("/v1/reports", tern(t, "tern-01")).object(t)["report"].(string)
	w.post("/v1/reports/"+id+"/withdraw", []byte(`{"reason":"made by mistake"}`)).is(t, http.StatusOK)
	last := w.get("/v1/audit").object(t)["entries"].([]any)[0].(object)
	if who := last["by"].(object); who["through"] != "machine" || who["key"] != nil {
		t.Errorf("it was done by %v", who)
	}
	if view := w.get("/v1/reports/" + id + "/status").object(t); view["posted_by"] != "" {
		t.Errorf("the report was posted by %v", view["posted_by"])
	}
}
