package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"laidup/api"
)

func TestPathsAndMethodsThatAreNotThere(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, path := range []string{"/v1", "/v1/", "/v1/report", "/v1/reports/", "/v1/vehicles/", "/v2/reports", "/../etc/passwd", "/metrics", "/%00"} {
		w.get(path).problem(t, http.StatusNotFound, "no-such-route")
	}
	for _, c := range []struct{ method, path, allow string }{
		{http.MethodGet, "/v1/reports", "POST"},
		{http.MethodHead, "/v1/reports", "POST"},
		{http.MethodPut, "/v1/reports", "POST"},
		{http.MethodPost, "/v1/catalogue", "GET, HEAD"},
		{http.MethodPut, "/v1/vehicles/tern-01", "DELETE, GET, HEAD"},
		{"BREW", "/healthz", "GET, HEAD"},
	} {
		a := w.do(c.method, c.path, nil)
		a.is(t, http.StatusMethodNotAllowed)
		if allow := a.Header.Get("Allow"); !strings.Contains(allow, c.allow) {
			t.Errorf("%s %s allows %q", c.method, c.path, allow)
		}
		if c.method != http.MethodHead {
			a.problem(t, http.StatusMethodNotAllowed, "method-not-allowed", "Allow")
		}
	}
}

func TestHeadIsGetWithoutABody(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) {
		o.Metrics = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
			w.WriteHeader(http.StatusOK)
		})
	})
	id := w.assess("tern-01")
	names := strings.NewReplacer("{id}", id, "{reference}", "tern-01", "{name}", "first-start", "{version}", "2.0.0")
	for _, r := range w.api.Routes() {
		if r.Method != http.MethodGet || slices.Contains(r.Media, "text/event-stream") { // that one does not end
			continue
		}
		t.Run(r.Path, func(t *testing.T) {
			get, head := w.get(names.Replace(r.Path)), w.do(http.MethodHead, names.Replace(r.Path), nil)
			if get.StatusCode != head.StatusCode || get.StatusCode >= 500 {
				t.Errorf("GET answers %d, HEAD %d", get.StatusCode, head.StatusCode)
			}
			get.Header.Del("X-Request-Id")
			head.Header.Del("X-Request-Id")
			if diff := cmp.Diff(get.Header, head.Header); diff != "" || len(head.text) > 0 {
				t.Errorf("%s and %d bytes", diff, len(head.text))
			}
		})
	}
	a := w.do(http.MethodHead, "/v1/vehicles/no", nil)
	a.is(t, http.StatusNotFound)
	if len(a.text) > 0 {
		t.Errorf("a problem with a body: %s", a.text)
	}
}

func TestParametersThatAreNotTaken(t *testing.T) {
	t.Parallel()
	w := open(t)
	for path, words := range map[string]string{
		"/v1/vehicles?page=2":                         `"page"`,
		"/v1/vehicles?limit=1&offset=3":               `"offset"`,
		"/v1/vehicles?Limit=1":                        `limit, cursor`,
		"/v1/vehicles?limit=1&limit=2":                `2 times`,
		"/v1/vehicles?cursor=":                        `empty`,
		"/v1/catalogue?v=1":                           `takes none`,
		"/v1/vehicles?limit=%zz":                      `cannot be read`,
		"/v1/vehicles?limit=1;cursor=x":               `cannot be read`,
		"/healthz?" + strings.Repeat("x", 500) + "=1": `…`,
		"/v1/assessments/x/blockers?gates=crank":      `gate, format`,
	} {
		a := w.get(path)
		a.problem(t, http.StatusBadRequest, "bad-query", words)
		if len(a.text) > 500 {
			t.Errorf("the answer repeats too much: %s", a.text)
		}
	}
	w.post("/v1/reports?gate=crank&dry_run=1", tern(t, "tern-01")).problem(t, http.StatusBadRequest, "bad-query", "dry_run")
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, a := range []answer{w.get("/healthz"), w.get("/nowhere"), w.post("/v1/reports", nil), w.do(http.MethodOptions, "/v1/reports", nil)} {
		a.has(t, "X-Content-Type-Options", "nosniff", "Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'",
			"Referrer-Policy", "no-referrer", "Server", "", "X-Powered-By", "")
		if a.Header.Get("X-Request-Id") == "" {
			t.Error("a request without an id")
		}
	}
}

func TestRequestIDs(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, id := range []string{"order-66", "0198f2d4-7c1b-7aaa-8000-000000000000", "a.b_c~d"} {
		w.get("/healthz", "X-Request-Id: "+id).has(t, "X-Request-Id", id)
	}
	for _, id := range []string{"", " ", "a b", "a\"b", "a\nlevel=ERROR", "<script>", strings.Repeat("x", 65), "schl\u00fcssel", "a\x00"} {
		if got := w.get("/nowhere", "X-Request-Id: "+id).Header.Get("X-Request-Id"); got == id || len(got) < 20 {
			t.Errorf("%q became %q", id, got)
		}
	}
	if got := w.get("/healthz", "X-Request-Id: a", "X-Request-Id: b").Header.Get("X-Request-Id"); len(got) < 20 {
		t.Errorf("two ids became %q", got)
	}
	first, second := w.get("/healthz"), w.get("/healthz")
	if first.Header.Get("X-Request-Id") == second.Header.Get("X-Request-Id") {
		t.Error("two requests have one id")
	}
}

// entries reads the log.
func (w *workshop) entries() (all []object) {
	w.t.Helper()
	d := json.NewDecoder(strings.NewReader(w.log.String()))
	for {
		var o object
		if err := d.Decode(&o); err == io.EOF {
			return all
		} else if err != nil {
			w.t.Fatalf("%s in %s", err, w.log)
		}
		all = append(all, o)
	}
}

func TestTheAccessLog(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	w.get("/v1/assessments/"+id, "X-Request-Id: mine")
	w.do("BREW", "/%0Alevel=ERROR", nil)
	entries := w.entries()
	if len(entries) != 3 {
		t.Fatalf("log %s", w.log)
	}
	e := entries[1]
	if e["request"] != "mine" || e["method"] != "GET" || e["route"] != "/v1/assessments/{id}" || e["status"] != 200.0 || e["bytes"].(float64) < 1000 || e["ms"].(float64) < 0 {
		t.Errorf("entry %v", e)
	}
	if e := entries[2]; e["method"] != "other" || e["route"] != "unmatched" || e["status"] != 404.0 {
		t.Errorf("entry %v", e)
	}
}

func TestTheLogKeepsSecrets(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.post("/v1/reports?gate=crank", tern(t, "tern-01"), "Idempotency-Key: hush-hush", "Authorization: Bearer lu_secret", "Cookie: a=lu_cookie")
	w.queue.workers.Wait()
	w.store.Break(errors.New("down"))
	w.post("/v1/reports", tern(t, "tern-01"), "Idempotency-Key: hush-hush", "Authorization: Bearer lu_secret")
	for _, secret := range []string{"hush-hush", "lu_", "Marrick", "laidup.report/1"} {
		if strings.Contains(w.log.String(), secret) {
			t.Errorf("the log has %s: %s", secret, w.log)
		}
	}
}

func TestAPanicIsAProblem(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) {
		o.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("wrench in the works") })
	})
	a := w.get("/metrics")
	a.problem(t, http.StatusInternalServerError, "internal-error", "instance")
	if bytes.Contains(a.text, []byte("wrench")) {
		t.Errorf("the client is told %s", a.text)
	}
	log := w.log.String()
	if !strings.Contains(log, "wrench in the works") || !strings.Contains(log, "serve_test.go") {
		t.Errorf("the log has no stack: %s", log)
	}
	w.get("/healthz").is(t, http.StatusOK)
}

func TestAnAbortedAnswerStaysAborted(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) {
		o.Metrics = http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) })
	})
	defer func() {
		if cause := recover(); cause != http.ErrAbortHandler {
			t.Errorf("recovered %v", cause)
		}
	}()
	w.get("/metrics")
}

func TestHealth(t *testing.T) {
	t.Parallel()
	w := open(t)
	expect := func(status int, want string) {
		t.Helper()
		a := w.get("/readyz")
		if a.StatusCode != status || string(a.text) != want {
			t.Errorf("readyz answers %d %s, want %d %s", a.StatusCode, a.text, status, want)
		}
		if a := w.get("/healthz"); a.StatusCode != http.StatusOK || string(a.text) != `{"status":"ok","version":"v1.2.3"}` {
			t.Errorf("healthz answers %d %s", a.StatusCode, a.text)
		}
	}
	expect(http.StatusOK, `{"status":"ready","store":"up","queue":"up","version":"v1.2.3"}`)
	w.queue.Break(errors.New("refused"))
	expect(http.StatusOK, `{"status":"ready","store":"up","queue":"down","version":"v1.2.3"}`)
	w.store.Break(errors.New("refused"))
	expect(http.StatusServiceUnavailable, `{"status":"unavailable","store":"down","queue":"down","version":"v1.2.3"}`)
	w.queue.Break(nil)
	expect(http.StatusServiceUnavailable, `{"status":"unavailable","store":"down","queue":"up","version":"v1.2.3"}`)
	w.store.Break(nil)
	expect(http.StatusOK, `{"status":"ready","store":"up","queue":"up","version":"v1.2.3"}`)
}

func TestRequestsAreObserved(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	var seen []api.Observation
	w := open(t, func(o *api.Options) {
		o.Observe = func(_ context.Context, one api.Observation) {
			mu.Lock()
			defer mu.Unlock()
			if one.Took <= 0 {
				t.Errorf("%v took no time", one)
			}
			one.Took = time.Duration(0)
			seen = append(seen, one)
		}
	})
	w.get("/v1/vehicles/one")
	w.get("/v1/vehicles/another")
	w.get("/one/more")
	w.do("BREW", "/healthz", nil)
	w.post("/v1/reports", nil)
	want := []api.Observation{
		{Method: "GET", Route: "/v1/vehicles/{reference}", Status: 404},
		{Method: "GET", Route: "/v1/vehicles/{reference}", Status: 404},
		{Method: "GET", Route: "unmatched", Status: 404},
		{Method: "other", Route: "/healthz", Status: 405},
		{Method: "POST", Route: "/v1/reports", Status: 422},
	}
	if diff := cmp.Diff(want, seen); diff != "" {
		t.Error(diff)
	}
}

func TestEveryRouteIsDescribed(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, r := range open(t).api.Routes() {
		if key := r.Method + " " + r.Path; seen[key] || r.Doc == "" || !strings.HasSuffix(r.Doc, ".") && !strings.HasSuffix(r.Doc, "?") {
			t.Errorf("%s: %q", key, r.Doc)
		} else {
			seen[key] = true
		}
	}
}
