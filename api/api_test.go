package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/access/accesstest"
	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/jobbook"
	"laidup/internal/ruleset"
	"laidup/schema"
)

// TestMain fails as well where something is described that no test has seen, once all of them ran.
func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		if run := flag.Lookup("test.run").Value.String(); code == 0 && run == "" && !testing.Short() {
			for _, name := range unanswered() {
				fmt.Fprintf(os.Stderr, "no test has seen %s: show it, or take it out of schema/openapi.yaml\n", name)
				code = 1
			}
		}
		os.Exit(code)
	}))
}

type object = map[string]any

// tern is a report as it is posted, on the vehicle given.
func tern(t testing.TB, vehicle string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "cases", "base-tern.json"))
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Replace(data, []byte("marrick-tern-01"), []byte(vehicle), 1)
}

// workshop is an API with everything behind it, in memory.
type workshop struct {
	t       testing.TB
	api     *api.API
	service *assess.Service
	store   *assesstest.Memory
	queue   *queue
	chunks  *queue
	plans   *queue
	files   *assesstest.Files
	keys    *access.Keys
	log     *journal
	ticks   *atomic.Int64 // seconds since the day began; each look at the clock takes one
}

// open opens a workshop whose queue works by itself.
func open(t testing.TB, change ...func(*api.Options)) *workshop {
	t.Helper()
	return openOn(t, builtin.FirstStart(), change...)
}

// openOn is open on another rule set.
func openOn(t testing.TB, set *ruleset.Set, change ...func(*api.Options)) *workshop {
	t.Helper()
	memory := assesstest.NewMemory()
	w := openWith(t, set, memory, change...)
	w.store = memory
	return w
}

// openBy is open with a job book.
func openBy(t testing.TB, jobs func(*ruleset.Set) (*jobbook.Book, error)) *workshop {
	t.Helper()
	memory := assesstest.NewMemory()
	w := openAll(t, builtin.FirstStart(), memory, jobs)
	w.store = memory
	return w
}

// openWith is openOn with another store, which the workshop does not have at hand.
func openWith(t testing.TB, set *ruleset.Set, st assesstest.StoreWithBatches, change ...func(*api.Options)) *workshop {
	t.Helper()
	return openAll(t, set, st, builtin.JobsOf(nil), change...)
}

func openAll(t testing.TB, set *ruleset.Set, st assesstest.StoreWithBatches, jobs func(*ruleset.Set) (*jobbook.Book, error), change ...func(*api.Options)) *workshop {
	t.Helper()
	w := &workshop{t: t, ticks: new(atomic.Int64), queue: &queue{}, chunks: &queue{}, plans: &queue{}, files: &assesstest.Files{}, log: &journal{}}
	var ids atomic.Int64
	service, err := assess.New(assess.Options{
		Store: st, Queue: w.queue, Batches: st, Chunks: w.chunks, Outcomes: st, Plans: st, Planning: w.plans, Attachments: st, Files: w.files, Jobs: jobs, RuleSets: []*ruleset.Set{set}, Loader: builtin.Loader(),
		TryFor: 10 * time.Minute, // under the race detector the built-in ones take long
		NewID:  func() string { return fmt.Sprintf("id-%06d", ids.Add(1)) },
		Clock: func() time.Time {
			return time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC).Add(time.Duration(w.ticks.Add(1)) * time.Second)
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	w.service = service
	w.queue.score = service.Score
	w.chunks.score = service.WorkChunk
	w.plans.score = service.MakePlan
	t.Cleanup(w.queue.workers.Wait)
	t.Cleanup(w.chunks.workers.Wait)
	t.Cleanup(w.plans.workers.Wait)
	w.keys = access.New(new(accesstest.Memory), nil, nil)
	o := api.Options{Service: service, Keys: w.keys, Open: true, Schemas: schema.FS, Version: "v1.2.3", Log: slog.New(slog.NewJSONHandler(w.log, nil))}
	for _, c := range change {
		c(&o)
	}
	if w.api, err = api.New(o); err != nil {
		t.Fatal(err)
	}
	return w
}

// queue is a queue with workers of its own, unless they are on holiday.
type queue struct {
	assesstest.Queue
	score   func(context.Context, string) error
	holiday atomic.Bool
	workers sync.WaitGroup
}

func (q *queue) Enqueue(ctx context.Context, id string, attempt int) error {
	if err := q.Queue.Enqueue(ctx, id, attempt); err != nil || q.holiday.Load() {
		return err
	}
	q.workers.Go(q.work)
	return nil
}

// work does one task.
func (q *queue) work() {
	if task, ok := q.Take(); ok {
		if err := q.score(context.Background(), task.AssessmentID); err != nil && !errors.Is(err, assess.ErrFinished) {
			panic(err)
		}
	}
}

// journal is a log that can be read while it is written.
type journal struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.text.String()
}

// answer is a response with its body read.
type answer struct {
	*http.Response
	text []byte
}

func (a answer) into(t testing.TB, v any) {
	t.Helper()
	if err := json.Unmarshal(a.text, v); err != nil {
		t.Fatalf("%s: %s", err, a.text)
	}
}

func (a answer) object(t testing.TB) (o object) {
	t.Helper()
	a.into(t, &o)
	return o
}

// do sends a request; headers come as "Name: value".
func (w *workshop) do(method, path string, body []byte, headers ...string) answer {
	w.t.Helper()
	r := httptest.NewRequestWithContext(w.t.Context(), method, path, bytes.NewReader(body))
	r.Host = "localhost:8416"
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			r.Host = value
			continue
		}
		r.Header.Add(name, value)
	}
	rec := httptest.NewRecorder()
	w.handler().ServeHTTP(rec, r)
	res := rec.Result()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return answer{res, text}
}

func (w *workshop) get(path string, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodGet, path, nil, headers...)
}

// post posts JSON.
func (w *workshop) post(path string, body []byte, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, path, body, append(headers, "Content-Type: application/json")...)
}

// accept posts a report and returns the id of its assessment.
func (w *workshop) accept(vehicle string) string {
	w.t.Helper()
	a := w.post("/v1/reports", tern(w.t, vehicle))
	a.is(w.t, http.StatusAccepted)
	return a.object(w.t)["id"].(string)
}

// assess posts a report and returns the id of its assessment, which is finished.
func (w *workshop) assess(vehicle string) string {
	w.t.Helper()
	id := w.accept(vehicle)
	w.queue.workers.Wait()
	return id
}

func (a answer) is(t testing.TB, status int) answer {
	t.Helper()
	if a.StatusCode != status {
		t.Fatalf("status %d, want %d: %s", a.StatusCode, status, a.text)
	}
	return a
}

// has checks headers, given as name and value in turn.
func (a answer) has(t testing.TB, headers ...string) {
	t.Helper()
	for i := 0; i < len(headers); i += 2 {
		if got := a.Header.Get(headers[i]); got != headers[i+1] {
			t.Errorf("%s is %q, want %q", headers[i], got, headers[i+1])
		}
	}
}

// problem checks that the answer is a problem of the kind and that its detail has the words.
func (a answer) problem(t testing.TB, status int, name string, words ...string) object {
	t.Helper()
	a.is(t, status)
	a.has(t, "Content-Type", "application/problem+json", "Cache-Control", "no-store")
	p := a.object(t)
	if p["type"] != "/problems/"+name || p["status"] != float64(status) || p["title"] == "" || p["instance"] != a.Header.Get("X-Request-Id") {
		t.Errorf("problem %v, want %s", p, name)
	}
	for _, word := range words {
		if !strings.Contains(p["detail"].(string), word) {
			t.Errorf("detail %q does not say %q", p["detail"], word)
		}
	}
	if p["detail"] == "" {
		t.Error("the problem has no detail")
	}
	return p
}
