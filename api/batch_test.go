package api_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
)

// ternLine is a report on a vehicle, as one line.
func ternLine(t testing.TB, vehicle string) string {
	t.Helper()
	var line bytes.Buffer
	if err := json.Compact(&line, tern(t, vehicle)); err != nil {
		t.Fatal(err)
	}
	return line.String() + "\n"
}

// postBatch posts lines.
func (w *workshop) postBatch(path, text string, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, path, []byte(text), append(headers, "Content-Type: application/x-ndjson")...)
}

// batch posts lines and waits until they are worked on; it returns where the batch is.
func (w *workshop) batch(text string, headers ...string) string {
	w.t.Helper()
	a := w.postBatch("/v1/batches", text, headers...)
	a.is(w.t, http.StatusAccepted)
	w.chunks.workers.Wait()
	return a.Header.Get("Location")
}

func at(t testing.TB, o object, path ...string) any {
	t.Helper()
	var v any = o
	for _, p := range path {
		m, ok := v.(object)
		if !ok {
			t.Fatalf("no %s in %v", p, o)
		}
		v = m[p]
	}
	return v
}

func TestABatchIsTakenWorkedOnAndAnsweredLineByLine(t *testing.T) {
	t.Parallel()
	w := open(t)
	text := ternLine(t, "lot-1") + "\n" + "not json\n" + ternLine(t, "=1+1") + ternLine(t, "lot-2")
	a := w.postBatch("/v1/batches?gate=crank", text, "Idempotency-Key: auction")
	a.is(t, http.StatusAccepted)
	a.has(t, "Retry-After", "1", "Cache-Control", "no-store")
	location := a.Header.Get("Location")
	got := a.object(t)
	if location != "/v1/batches/"+got["id"].(string) || got["gate"] != "crank" || got["idempotency_key"] != "auction" || at(t, got, "lines", "received") != 4.0 || at(t, got, "lines", "refused") != 2.0 {
		t.Errorf("%s: %v", location, got)
	}
	w.chunks.workers.Wait()
	got = w.get(location).object(t)
	if got["state"] != "done" || at(t, got, "lines", "done") != 2.0 || at(t, got, "lines", "waiting") != 0.0 || at(t, got, "pace", "per_second") == 0.0 || got["finished_at"] == nil {
		t.Errorf("%v", got)
	}

	results := w.get(at(t, got, "links", "results").(string))
	results.is(t, http.StatusOK)
	results.has(t, "Content-Type", "application/x-ndjson", "Cache-Control", "no-store")
	lines := strings.Split(strings.TrimSuffix(string(results.text), "\n"), "\n")
	if len(lines) != 4 {
		t.Fatalf("%s", results.text)
	}
	var first, second object
	if err := json.Unmarshal([]byte(lines[0]), &first); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(lines[1]), &second); err != nil {
		t.Fatal(err)
	}
	if first["line"] != 1.0 || first["vehicle"] != "lot-1" || at(t, first, "summary", "verdict", "gate") != "crank" || at(t, first, "summary", "condition", "low") == nil {
		t.Errorf("%v", first)
	}
	whole := w.get("/v1/assessments/" + first["assessment"].(string)).object(t)
	if at(t, whole, "verdict", "state") != at(t, first, "summary", "verdict", "state") || whole["report"] != first["report"] {
		t.Errorf("%v, %v", whole["verdict"], first)
	}
	if second["line"] != 3.0 || second["state"] != "refused" || at(t, second, "problem", "type") != "/problems/invalid-report" || second["assessment"] != nil {
		t.Errorf("%v", second)
	}

	table := w.get(location+"/results", "Accept: text/csv")
	table.has(t, "Content-Type", "text/csv; charset=utf-8; header=present")
	rows, err := csv.NewReader(bytes.NewReader(table.text)).ReadAll()
	if err != nil || len(rows) != 5 || rows[0][0] != "line" || rows[1][2] != "lot-1" || rows[2][1] != "refused" || rows[4][0] != "5" {
		t.Errorf("%v (%v)", rows, err)
	}
	if rest := w.get(location + "/results?first_line=4&format=csv"); bytes.Count(rest.text, []byte("\n")) != 3 {
		t.Errorf("%s", rest.text)
	}

	// The same again is the same batch.
	again := w.postBatch("/v1/batches?gate=crank", text, "Idempotency-Key: auction")
	again.is(t, http.StatusAccepted)
	again.has(t, "Location", location)
	if v := w.get("/v1/vehicles/lot-1").object(t); v["reports"] != 1.0 {
		t.Errorf("%v", v)
	}
}

func TestWhatOfABatchIsRefusedSaysHowToMendIt(t *testing.T) {
	t.Parallel()
	w := open(t)
	line := ternLine(t, "lot-1")
	w.batch(line, "Idempotency-Key: taken")
	post := func(path, text string, headers ...string) answer { return w.postBatch(path, text, headers...) }
	post("/v1/batches", line+line, "Idempotency-Key: taken").problem(t, http.StatusConflict, "batch-closed")
	post("/v1/batches", ternLine(t, "lot-2"), "Idempotency-Key: taken").problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused", "another batch")
	post("/v1/batches?gate=crank", line, "Idempotency-Key: taken").problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused")
	post("/v1/batches?gate=take_off", line).problem(t, http.StatusBadRequest, "no-such-gate", "crank")
	post("/v1/batches?rule_set=none", line).problem(t, http.StatusBadRequest, "no-such-rule-set")
	post("/v1/batches?first_line=0", line).problem(t, http.StatusBadRequest, "bad-query", "first_line")
	post("/v1/batches?first_line=2", line).problem(t, http.StatusBadRequest, "bad-query", "Idempotency-Key")
	post("/v1/batches?first_line=9", line, "Idempotency-Key: taken").problem(t, http.StatusBadRequest, "bad-query", "at most 2")
	w.post("/v1/batches", []byte(line)).problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type", "application/x-ndjson")
	w.get("/v1/batches/none").problem(t, http.StatusNotFound, "not-found")
	w.get("/v1/batches/none/results").problem(t, http.StatusNotFound, "not-found")
	w.post("/v1/batches/none/cancel", nil).problem(t, http.StatusNotFound, "not-found")
	w.get("/v1/batches?cursor=none").problem(t, http.StatusBadRequest, "bad-query", "cursor")
}

func TestBatchesAreListedPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	var want []string
	for i := range 5 {
		want = append([]string{w.batch(ternLine(t, fmt.Sprint("lot-", i)))}, want...)
	}
	var got []string
	for path := "/v1/batches?limit=2"; path != ""; {
		var page struct {
			Batches []struct{ Links struct{ Batch string } }
			Next    string
		}
		w.get(path).into(t, &page)
		for _, b := range page.Batches {
			got = append(got, b.Links.Batch)
		}
		path = ""
		if page.Next != "" {
			path = "/v1/batches?limit=2&cursor=" + page.Next
		}
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestABatchCanBeCancelled(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.chunks.holiday.Store(true)
	location := w.batch(ternLine(t, "lot-1") + ternLine(t, "lot-2"))
	a := w.post(location+"/cancel", nil)
	a.is(t, http.StatusOK)
	if got := a.object(t); got["state"] != "cancelled" || got["finished_at"] != nil {
		t.Errorf("%v", got)
	}
	w.chunks.work()
	if got := w.get(location).object(t); at(t, got, "lines", "failed") != 2.0 || got["finished_at"] == nil {
		t.Errorf("%v", got)
	}
	results := string(w.get(location + "/results?format=csv").text)
	if strings.Count(results, "Cancelled") != 2 {
		t.Error(results)
	}
	done := w.batch(ternLine(t, "lot-3"))
	w.chunks.work()
	w.post(done+"/cancel", nil).problem(t, http.StatusConflict, "batch-closed")
}

func TestVehiclesAreScoredAgain(t *testing.T) {
	t.Parallel()
	w := open(t)
	batch := w.batch(ternLine(t, "lot-1") + ternLine(t, "lot-2"))
	order := func(o string, headers ...string) answer { return w.post("/v1/rescores", []byte(o), headers...) }
	for _, o := range []string{
		`{"rule_set":"first-start","vehicles":["lot-2","lot-1"]}`,
		`{"rule_set":"first-start/2.0.0","everything":true,"gate":"crank"}`,
		fmt.Sprintf(`{"rule_set":"first-start","batch":%q}`, strings.TrimPrefix(batch, "/v1/batches/")),
	} {
		a := order(o, "Idempotency-Key: "+fmt.Sprint(len(o)))
		a.is(t, http.StatusAccepted)
		w.chunks.workers.Wait()
		got := w.get(a.Header.Get("Location")).object(t)
		if got["kind"] != "rescore" || got["state"] != "done" || at(t, got, "lines", "done") != 2.0 || at(t, got, "lines", "changed") != 0.0 && !strings.Contains(o, "gate") {
			t.Errorf("%s: %v", o, got)
		}
		results := w.get(a.Header.Get("Location") + "/results")
		if !bytes.Contains(results.text, []byte(`"rescored":{"vehicle":"lot-`)) || bytes.Count(results.text, []byte("\n")) != 2 {
			t.Errorf("%s", results.text)
		}
		table := string(w.get(a.Header.Get("Location") + "/results?format=csv").text)
		if !strings.HasPrefix(table, "line,state,vehicle,changed,decides_otherwise,") || strings.Count(table, "\n") != 3 {
			t.Error(table)
		}
		again := order(o, "Idempotency-Key: "+fmt.Sprint(len(o)))
		again.has(t, "Location", a.Header.Get("Location"))
	}
	for o, pointers := range map[string][]string{
		`{}`: {"/rule_set", ""},
		`{"rule_set":"first-start","vehicles":[]}`:                                        {"/vehicles"},
		`{"rule_set":"first-start","vehicles":["lot-1","a b","lot-1"],"everything":true}`: {"", "/vehicles/1", "/vehicles/2"},
		`{"rule_set":"first-start","vehicles":["lot-1","nix"]}`:                           {"/vehicles/1"},
		`{"rule_set":"first-start","batch":"no id"}`:                                      {"/batch"},
	} {
		p := order(o).problem(t, http.StatusUnprocessableEntity, "bad-rescore-order")
		var got []string
		for _, e := range p["errors"].([]any) {
			got = append(got, e.(object)["pointer"].(string))
		}
		if strings.Join(got, " ") != strings.Join(pointers, " ") {
			t.Errorf("%s: %q, want %q", o, got, pointers)
		}
	}
	order(`{"rule_set":"first-start","everything":true,"x":1}`).problem(t, http.StatusUnprocessableEntity, "bad-rescore-order", "/x")
	order(`{"rule_set":"none","everything":true}`).problem(t, http.StatusBadRequest, "no-such-rule-set")
	order(`{"rule_set":"first-start","everything":true,"gate":"take_off"}`).problem(t, http.StatusBadRequest, "no-such-gate")
	order(`{"rule_set":"first-start","batch":"none"}`).problem(t, http.StatusNotFound, "not-found")
}

func TestAnOrganisationSendsAFewBatchesAtOnce(t *testing.T) {
	t.Parallel()
	w := open(t)
	release := make(chan struct{})
	started := make(chan struct{})
	for range 4 {
		go func() {
			r, err := http.NewRequest(http.MethodPost, "/v1/batches", &waiting{started: started, release: release})
			if err != nil {
				t.Error(err)
			}
			r.Host, r.Header = "localhost:8416", http.Header{"Content-Type": {"application/x-ndjson"}}
			w.api.Handler().ServeHTTP(&discard{header: http.Header{}}, r)
			started <- struct{}{}
		}()
		<-started
	}
	w.postBatch("/v1/batches", ternLine(t, "lot-1")).problem(t, http.StatusTooManyRequests, "too-many-requests", "4 batches")
	close(release)
	for range 4 {
		<-started
	}
	w.postBatch("/v1/batches", ternLine(t, "lot-1")).is(t, http.StatusAccepted)
}

// waiting is a body that says when it is read first, and ends when it is released.
type waiting struct {
	started chan<- struct{}
	release <-chan struct{}
}

func (r *waiting) Read([]byte) (int, error) {
	r.started <- struct{}{}
	<-r.release
	return 0, io.EOF
}

func (r *waiting) Close() error { return nil }

type discard struct{ header http.Header }

func (d *discard) Header() http.Header         { return d.header }
func (d *discard) WriteHeader(int)             {}
func (d *discard) Write(p []byte) (int, error) { return len(p), nil }

// A report that was sent over several lines is no batch, and its sender is to see that at a glance.
func TestABatchOfNoReportSaysSo(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.postBatch("/v1/batches", "{\n\"schema\": \"laidup.report/1\"\n}\n")
	a.is(t, http.StatusAccepted)
	w.chunks.workers.Wait()
	got := w.get(a.Header.Get("Location")).object(t)
	if got["state"] != "refused" || got["finished_at"] == nil || at(t, got, "lines", "refused") != 3.0 {
		t.Errorf("%v", got)
	}
}
