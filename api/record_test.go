package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/store"
	"laidup/internal/testserver"
	"laidup/schema"
)

// onEachStore opens a workshop on each kind of store.
func onEachStore(t *testing.T, test func(t *testing.T, w *workshop)) {
	t.Parallel()
	for kind, options := range map[string]func() store.Options{
		"SQLite":     func() store.Options { return store.Options{DataDir: t.TempDir()} },
		"PostgreSQL": func() store.Options { return store.Options{DatabaseURL: testserver.PostgreSQL(t)} },
	} {
		t.Run(kind, func(t *testing.T) {
			o := options()
			var err error
			if o.Migrations, err = fs.Sub(schema.FS, "migrations"); err != nil {
				t.Fatal(err)
			}
			st, err := store.Open(t.Context(), o)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = st.Close() })
			if err := st.Migrate(t.Context()); err != nil {
				t.Fatal(err)
			}
			test(t, openWith(t, builtin.FirstStart(), st))
		})
	}
	t.Run("memory", func(t *testing.T) {
		test(t, openWith(t, builtin.FirstStart(), assesstest.NewMemory()))
	})
}

// demo is a report of the demo, changed.
func demo(t testing.TB, name string, change func(object)) []byte {
	t.Helper()
	data, err := fs.ReadFile(schema.FS, "demo/"+name+".json")
	if err != nil {
		t.Fatal(err)
	}
	if change == nil {
		return data
	}
	var o object
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	change(o)
	if data, err = json.Marshal(o); err != nil {
		t.Fatal(err)
	}
	return data
}

var anyID = regexp.MustCompile(`"(id|report)":"[^"]*"`)

// newest is the newest assessment of a vehicle, without ids; empty where there is none.
func (w *workshop) newest(reference, key string) string {
	w.t.Helper()
	w.queue.workers.Wait()
	v := w.get("/v1/vehicles/"+reference, key)
	v.is(w.t, http.StatusOK)
	newest, _ := v.object(w.t)["newest"].(object)
	if newest == nil {
		return ""
	}
	return anyID.ReplaceAllString(string(w.get("/v1/assessments/"+newest["id"].(string), key).text), `"$1":"x"`)
}

func (w *workshop) sent(body []byte, key string) string {
	w.t.Helper()
	a := w.post("/v1/reports", body, key)
	a.is(w.t, http.StatusAccepted)
	return a.object(w.t)["report"].(string)
}

func TestAReportIsReadBackAsItWasPosted(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		ours, theirs := w.key("harrow-lane", "reports"), w.key("brennick-motors", "reports")
		// Spaces, escapes and a number's own form are kept.
		body := bytes.Replace(demo(t, "brennick-wren-03.1", nil), []byte(`"bench 1"`), []byte(`"b\u0065nch  1, \"north\" <bay>"`), 1)
		id := w.sent(body, ours)
		a := w.get("/v1/reports/"+id, ours)
		a.is(t, http.StatusOK)
		if !bytes.Equal(a.text, body) {
			t.Error("it is not what was posted")
		}
		a.has(t, "Content-Type", "application/json", "Report-Withdrawn", "", "Report-Replaced-By", "")
		if a.Header.Get("Report-Received") == "" {
			t.Error("it does not say when it came")
		}
		tag := a.Header.Get("ETag")
		w.get("/v1/reports/"+id, ours, "If-None-Match: "+tag).is(t, http.StatusNotModified)
		status := w.get("/v1/reports/"+id+"/status", ours).object(t)
		if status["inspector"] != `bench  1, "north" <bay>` || status["reference"] != "bench-2026-030" || status["withdrawn"] != nil || len(status["notes"].([]any)) == 0 {
			t.Errorf("status is %v", status)
		}
		for _, path := range []string{"/v1/reports/" + id, "/v1/reports/" + id + "/status", "/v1/vehicles/brennick-wren-03/reports", "/v1/reports/none"} {
			w.get(path, theirs).problem(t, http.StatusNotFound, "not-found")
		}
		w.post("/v1/reports/"+id+"/withdraw", []byte(`{"reason":"x"}`), theirs).problem(t, http.StatusNotFound, "not-found")

		withdrawn := w.post("/v1/reports/"+id+"/withdraw", []byte(`{"reason":"it was of another motorcycle"}`), ours)
		withdrawn.is(t, http.StatusOK)
		again := w.get("/v1/reports/"+id, ours, "If-None-Match: "+tag)
		again.is(t, http.StatusOK)
		if !bytes.Equal(again.text, body) || again.Header.Get("Report-Withdrawn") == "" {
			t.Errorf("withdrawn it is %.100s with %v", again.text, again.Header)
		}
	})
}

func TestAWithdrawnReportIsAsIfItHadNeverCome(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		with, without := w.key("harrow-lane", "reports"), w.key("brennick-motors", "reports")
		const vehicle = "brennick-wren-03"
		chance := rand.New(rand.NewPCG(3, 14))
		for round := range 4 {
			reference := fmt.Sprintf("%s-%d", vehicle, round)
			made := func(name, replaces string) []byte {
				return demo(t, name, func(o object) {
					o["vehicle"].(object)["reference"] = reference
					if replaces != "" {
						o["replaces"] = replaces
					}
				})
			}
			var ids []string
			var stand []string
			for _, n := range chance.Perm(3) {
				name := fmt.Sprintf("%s.%d", vehicle, n+1)
				ids = append(ids, w.sent(made(name, ""), with))
				stand = append(stand, name)
			}
			withdraw := func(i int) {
				t.Helper()
				w.post("/v1/reports/"+ids[i]+"/withdraw", []byte(`{"reason":"made by mistake"}`), with).is(t, http.StatusOK)
				ids, stand = slices.Delete(ids, i, i+1), slices.Delete(stand, i, i+1)
			}
			withdraw(chance.IntN(3))
			if round%2 == 1 { // another one comes in the place of one that stands
				i := chance.IntN(len(ids))
				name := stand[i]
				id := w.sent(made(name, ids[i]), with)
				ids, stand = append(slices.Delete(ids, i, i+1), id), append(slices.Delete(stand, i, i+1), name)
			}
			for _, name := range stand {
				w.sent(made(name, ""), without)
			}
			got, want := w.newest(reference, with), w.newest(reference, without)
			if got != want || got == "" {
				t.Errorf("round %d: with reports withdrawn the assessment is\n%.300s\nand without them\n%.300s", round, got, want)
			}
			for len(ids) > 0 {
				withdraw(len(ids) - 1)
			}
			if got := w.newest(reference, with); got != "" {
				t.Errorf("round %d: with no report left the assessment is %.100s", round, got)
			}
			w.get("/v1/vehicles/"+reference+"/readiness", with).problem(t, http.StatusConflict, "not-assessed-yet")
			w.sent(made(vehicle+".1", ""), with)
			if w.newest(reference, with) == "" {
				t.Errorf("round %d: a report after all were withdrawn counts for nothing", round)
			}
		}
	})
}

func TestWithdrawing(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.accept("tern-01")
	id := w.post("/v1/reports", tern(t, "tern-01")).object(t)["report"].(string)
	at := "/v1/reports/" + id + "/withdraw"
	for what, body := range map[string]string{
		"nothing": `{}`, "no reason": `{"reason":" "}`, "too long a reason": `{"reason":"` + strings.Repeat("x", 2001) + `"}`,
		"a NUL": `{"reason":"a\u0000"}`, "more than a reason": `{"reason":"x","by":"me"}`, "no JSON": `reason`,
	} {
		if p := w.post(at, []byte(body)).problem(t, http.StatusUnprocessableEntity, "bad-withdrawal"); p["detail"] == "" {
			t.Errorf("%s: %v", what, p)
		}
	}
	w.do(http.MethodPost, at, []byte(`{"reason":"x"}`), "Content-Type: text/plain").problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
	w.post("/v1/reports/none/withdraw", []byte(`{"reason":"x"}`)).problem(t, http.StatusNotFound, "not-found")

	first := w.post(at, []byte(`{"reason":"of another vehicle"}`))
	first.is(t, http.StatusOK)
	assessment, _ := first.object(t)["assessment"].(string)
	if assessment == "" {
		t.Fatalf("withdrawn is %s", first.text)
	}
	w.get("/v1/assessments/"+assessment).is(t, http.StatusOK)
	second := w.post(at, []byte(`{"reason":"another reason"}`)).object(t)
	if second["assessment"] != nil || second["withdrawn"].(object)["reason"] != "of another vehicle" {
		t.Errorf("withdrawn again it is %v", second)
	}
	if v := w.get("/v1/vehicles/tern-01").object(t); v["reports"] != 1. || v["withdrawn"] != 1. {
		t.Errorf("the vehicle has %v reports, %v withdrawn", v["reports"], v["withdrawn"])
	}
}

func TestReplacing(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.post("/v1/reports", tern(t, "tern-01")).object(t)["report"].(string)
	other := w.post("/v1/reports", tern(t, "wren-02")).object(t)["report"].(string)
	replacing := func(id string) []byte {
		return bytes.Replace(tern(t, "tern-01"), []byte(`"schema"`), []byte(`"replaces":"`+id+`","schema"`), 1)
	}
	refused := func(id string) {
		t.Helper()
		p := w.post("/v1/reports", replacing(id)).problem(t, http.StatusUnprocessableEntity, "invalid-report")
		if faults, _ := p["errors"].([]any); len(faults) != 1 || faults[0].(object)["pointer"] != "/replaces" {
			t.Errorf("replacing %s is refused with %v", id, p)
		}
	}
	refused(other)
	refused("none")
	second := w.post("/v1/reports", replacing(first), "Idempotency-Key: again")
	second.is(t, http.StatusAccepted)
	if again := w.post("/v1/reports", replacing(first), "Idempotency-Key: again"); !bytes.Equal(again.text, second.text) {
		t.Errorf("sent again it is answered %s", again.text)
	}
	refused(first)
	id := second.object(t)["report"].(string)
	w.get("/v1/reports/"+first).has(t, "Report-Replaced-By", id)
	list := w.get("/v1/vehicles/tern-01/reports").object(t)["reports"].([]any)
	if len(list) != 2 || list[0].(object)["withdrawn"] != nil || list[1].(object)["withdrawn"].(object)["replaced_by"] != id {
		t.Errorf("the reports are %v", list)
	}
	// In a batch as well.
	lines := slices.Concat(bytes.ReplaceAll(replacing(id), []byte("\n"), nil), []byte("\n"), bytes.ReplaceAll(replacing(first), []byte("\n"), nil), []byte("\n"))
	batch := w.do(http.MethodPost, "/v1/batches", lines, "Content-Type: application/x-ndjson")
	batch.is(t, http.StatusAccepted)
	w.chunks.workers.Wait()
	results := strings.Split(strings.TrimSpace(string(w.get(batch.Header.Get("Location")+"/results").text)), "\n")
	if len(results) != 2 || !strings.Contains(results[0], `"done"`) || !strings.Contains(results[1], `"/replaces"`) {
		t.Errorf("the results are %q", results)
	}
}

func TestReportsPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	var want []string
	for range 5 {
		want = append(want, w.post("/v1/reports", tern(t, "tern-01")).object(t)["report"].(string))
	}
	slices.Reverse(want)
	seen, pages := w.walk("/v1/vehicles/tern-01/reports?limit=2", "reports", "id", func() {})
	if !slices.Equal(seen, want) || pages != 3 {
		t.Errorf("%d pages have %q, want %q", pages, seen, want)
	}
	w.get("/v1/vehicles/none/reports").problem(t, http.StatusNotFound, "not-found")
}

func TestReferencesThatDifferInCaseAreOneVehicle(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", "reports")
		spelled := func(reference string) []byte {
			return demo(t, "brennick-wren-03.1", func(o object) { o["vehicle"].(object)["reference"] = reference })
		}
		w.sent(spelled("Wren-03"), key)
		w.sent(spelled("WREN-03"), key)
		w.queue.workers.Wait()
		v := w.get("/v1/vehicles/wren-03", key).object(t)
		if v["reference"] != "Wren-03" || v["reports"] != 2. || len(v["history"].([]any)) != 2 {
			t.Errorf("the vehicle is %v with %v reports", v["reference"], v["reports"])
		}
		for _, path := range []string{"/readiness", "/reports", "/appraisal"} {
			a := w.get("/v1/vehicles/wReN-03"+path, key)
			a.is(t, http.StatusOK)
			if a.object(t)["vehicle"] != "Wren-03" {
				t.Errorf("%s is of %v", path, a.object(t)["vehicle"])
			}
		}
		if one := w.get("/v1/assessments/"+v["newest"].(object)["id"].(string), key).object(t); one["vehicle"] != "Wren-03" {
			t.Errorf("the assessment is of %v", one["vehicle"])
		}
		if list := w.get("/v1/vehicles", key).object(t)["vehicles"].([]any); len(list) != 1 {
			t.Errorf("there are %d vehicles", len(list))
		}
	})
}
