package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/api"
)

// walk follows a list from page to page by its Link headers, and returns what name takes from each.
func (w *workshop) walk(path, list, name string, between func()) (seen []string, pages int) {
	w.t.Helper()
	for path != "" {
		a := w.get(path)
		a.is(w.t, http.StatusOK)
		body := a.object(w.t)
		for _, e := range body[list].([]any) {
			seen = append(seen, e.(object)[name].(string))
		}
		pages++
		link := a.Header.Get("Link")
		next, _ := body["next"].(string)
		if (next == "") != (link == "") {
			w.t.Fatalf("next is %q and the link %q", next, link)
		}
		path, _, _ = strings.Cut(strings.TrimPrefix(link, "<"), `>; rel="next"`)
		if path != "" {
			u, err := url.Parse(path)
			if err != nil || u.Query().Get("cursor") != next {
				w.t.Fatalf("link %s with next %s", link, next)
			}
			between()
		}
	}
	return seen, pages
}

func TestVehiclesPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	var want []string
	for i := range 11 {
		want = append(want, fmt.Sprintf("tern-%02d", i))
		w.accept(want[i])
	}
	slices.Reverse(want)
	newcomers := 0
	seen, pages := w.walk("/v1/vehicles?limit=4", "vehicles", "reference", func() {
		newcomers++
		w.accept(fmt.Sprintf("new-%02d", newcomers))
		w.accept("tern-10") // was seen already and moves to the top
	})
	if !slices.Equal(seen, want) || pages != 3 {
		t.Errorf("%d pages: %v", pages, seen)
	}
	if seen, pages := w.walk("/v1/vehicles?limit=13", "vehicles", "reference", func() {}); len(seen) != 13 || pages != 1 {
		t.Errorf("%d vehicles on %d pages: a last page that is full has no next", len(seen), pages)
	}
}

func TestNoVehiclesYet(t *testing.T) {
	t.Parallel()
	a := open(t).get("/v1/vehicles")
	a.is(t, http.StatusOK)
	a.has(t, "Link", "")
	if string(a.text) != `{"vehicles":[]}` {
		t.Errorf("answer %s", a.text)
	}
}

func TestAVehicle(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.assess("tern-01")
	w.queue.holiday.Store(true)
	second := w.accept("tern-01")
	a := w.get("/v1/vehicles/tern-01")
	a.is(t, http.StatusOK)
	var body struct {
		Reference, Description string
		Reports                int
		UpdatedAt              time.Time `json:"updated_at"`
		Waiting                bool
		Newest                 struct {
			ID      string
			State   string
			AsOf    string `json:"as_of"`
			Verdict struct {
				Gate, State string
				Blockers    int
			}
		}
		History []struct {
			ID, State string
			Verdict   *object
		}
		Next string
	}
	a.into(t, &body)
	if body.Reference != "tern-01" || !strings.Contains(body.Description, "Marrick") || body.Reports != 2 || !body.Waiting || body.UpdatedAt.IsZero() {
		t.Errorf("cover %s", a.text)
	}
	whole := w.get("/v1/assessments/" + first).object(t)["verdict"].(object)
	if n := body.Newest; n.ID != first || n.State != "done" || n.AsOf != "2026-05-02" || n.Verdict.Gate != "first_start" ||
		n.Verdict.State != whole["state"] || float64(n.Verdict.Blockers) != whole["blockers"] {
		t.Errorf("newest %+v, verdict %v", n, whole)
	}
	if h := body.History; len(h) != 2 || h[0].ID != second || h[0].State != "queued" || h[0].Verdict != nil || h[1].ID != first || h[1].Verdict == nil {
		t.Errorf("history %s", a.text)
	}
}

func TestAHistoryPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	var want []string
	for range 7 {
		want = append(want, w.accept("tern-01"))
		w.accept("tern-02")
	}
	slices.Reverse(want)
	seen, pages := w.walk("/v1/vehicles/tern-01?limit=3", "history", "id", func() { w.accept("tern-01") })
	if !slices.Equal(seen, want) || pages != 3 {
		t.Errorf("%d pages: %v, want %v", pages, seen, want)
	}
}

func TestPagesThatAreNotThere(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	for range 3 {
		w.accept("tern-01")
	}
	w.accept("tern-02")
	other := w.get("/v1/vehicles/tern-01?limit=1").object(t)["next"].(string)
	own := w.get("/v1/vehicles?limit=1").object(t)["next"].(string)
	for _, query := range []string{
		"limit=0", "limit=201", "limit=-1", "limit=1.5", "limit=ten", "limit=99999999999999999999", "limit=", "limit=%2B1",
		"cursor=x", "cursor=" + other, "cursor=" + own + "=", "cursor=" + own + "A", "cursor=%0A" + own, "cursor=" + own[:10],
		"cursor=" + api.EncodeCursor(time.UnixMilli(1<<60), "tern-01"), "cursor=" + api.EncodeCursor(time.UnixMilli(-1), "tern-01"),
		"cursor=" + api.EncodeCursor(time.Now(), "a\x00b"), "cursor=" + api.EncodeCursor(time.Now(), ""),
	} {
		t.Run(query, func(t *testing.T) {
			w.get("/v1/vehicles?"+query).problem(t, http.StatusBadRequest, "bad-query")
		})
	}
	w.get("/v1/vehicles?limit=200&cursor="+own).is(t, http.StatusOK)
	w.get("/v1/vehicles/tern-01?cursor="+own).problem(t, http.StatusBadRequest, "bad-query", "cursor")
}

func TestNoSuchVehicle(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, reference := range []string{"no", "%00", "a%2Fb", "%20", strings.Repeat("x", 101)} {
		for _, part := range []string{"", "/readiness"} {
			w.get("/v1/vehicles/"+reference+part).problem(t, http.StatusNotFound, "not-found")
		}
	}
}

func TestAReferenceMayBeEscaped(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.assess("tern-01")
	w.get("/v1/vehicles/t%65rn%2D01/readiness").is(t, http.StatusOK)
}

func TestReadiness(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	a := w.get("/v1/vehicles/tern-01/readiness?gate=crank")
	a.problem(t, http.StatusConflict, "not-assessed-yet", "again")
	a.has(t, "Retry-After", "1")
	w.queue.work()

	a = w.get("/v1/vehicles/tern-01/readiness?gate=crank")
	a.is(t, http.StatusOK)
	a.has(t, "Cache-Control", "private, no-cache")
	body := a.object(t)
	if body["vehicle"] != "tern-01" || body["gate"] != "crank" || body["state"] == "" || body["as_of"] != "2026-05-02" || body["assessment"] != id ||
		body["blockers"] == nil || body["cautions"] == nil || body["newer_report_waiting"] != false {
		t.Errorf("answer %s", a.text)
	}
	if gate := w.get("/v1/vehicles/tern-01/readiness").object(t)["gate"]; gate != "first_start" {
		t.Errorf("without a gate it is about %v", gate)
	}
	w.accept("tern-01")
	if a := w.get("/v1/vehicles/tern-01/readiness"); a.object(t)["newer_report_waiting"] != true {
		t.Errorf("answer %.300s", a.text)
	}
	w.get("/v1/vehicles/tern-01/readiness?gate=launch").problem(t, http.StatusBadRequest, "no-such-gate", "crank", "first_start")
}
