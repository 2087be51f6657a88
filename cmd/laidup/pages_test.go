package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/config"
	"laidup/internal/report"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"
)

// yard is the API on an embedded store with many vehicles, of which some have an assessment as large
// as they come.
func yard(tb testing.TB, vehicles int) http.Handler {
	tb.Helper()
	ctx := context.Background()
	st, err := openStore(ctx, config.Store{Data: tb.TempDir()})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { st.Close() })
	loader, sets := builtin.Loader(), builtin.RuleSets()
	body, err := fs.ReadFile(schema.FS, "demo/marrick-tern-01.1.json")
	if err != nil {
		tb.Fatal(err)
	}
	r, _, faults := report.Decode(body, sets[0].Catalogue)
	if len(faults) > 0 {
		tb.Fatal(faults)
	}
	a := score.Evaluate(sets[0], []*report.Report{r}, -1)
	wording.English().Write(a)
	var all sync.WaitGroup
	for w := range 16 {
		all.Go(func() {
			for i := w; i < vehicles; i += 16 {
				id, o := fmt.Sprintf("a-%06d", i), assess.Outcome{Body: []byte(`{}`), AsOf: "2026-05-02", VerdictState: "blocked", Blockers: i % 20}
				for _, g := range a.Gates {
					o.Gates = append(o.Gates, assess.GateState{Gate: g.Gate, State: "blocked", Blockers: i % 20})
				}
				if i%100 == 0 {
					large := *a
					large.ID, large.Vehicle = id, fmt.Sprintf("tern-%06d", i)
					body, err := large.JSON()
					if err != nil {
						tb.Error(err)
						return
					}
					o.Body = body
				}
				_, err := st.Accept(ctx, assess.Submission{
					Organisation: access.Workshop, ReportID: "r-" + id, AssessmentID: id, Vehicle: fmt.Sprintf("tern-%06d", i), Description: "Marrick Tern 2.0, saloon",
					Inspected: "2026-05-02", Body: []byte(`{}`), Gate: "first_start", At: time.UnixMilli(int64(i)),
					RuleSet: assess.RuleSetRef{Name: sets[0].Name, Version: sets[0].Version, Digest: sets[0].Digest},
				})
				if err == nil {
					err = st.Finish(ctx, id, o, time.UnixMilli(int64(i)))
				}
				if err != nil {
					tb.Error(err)
				}
			}
		})
	}
	all.Wait()
	service, err := assess.New(assess.Options{Store: st, Queue: &assesstest.Queue{}, Batches: st, Chunks: &assesstest.Queue{}, RuleSets: sets, Loader: loader, NewID: func() string { return "id" }})
	if err != nil {
		tb.Fatal(err)
	}
	pages, err := api.New(api.Options{Service: service, Keys: access.New(st, nil, nil), Open: true})
	if err != nil {
		tb.Fatal(err)
	}
	return pages.Handler()
}

// askFor asks for a page and returns its size.
func askFor(tb testing.TB, h http.Handler, path string) int64 {
	tb.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "localhost"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		tb.Fatalf("%s: %d %s", path, w.Code, w.Body)
	}
	n, _ := io.Copy(io.Discard, w.Body) // a buffer can be read
	return n
}

// everyPage are the pages of a yard, the slowest of each kind.
var everyPage = map[string]string{
	"vehicles":        "/vehicles?limit=50",
	"a search":        "/vehicles?search=tern-0099",
	"one of many":     "/vehicles?search=no+such+one",
	"most in the way": "/vehicles?sort=blockers&verdict=blocked",
	"a vehicle":       "/vehicles/tern-000100?gate=road_test",
	"the bench":       "/vehicles/tern-000100/ready?gate=road_test",
	"a comparison":    "/compare?vehicle=tern-000100&vehicle=tern-000200&vehicle=tern-000300&vehicle=tern-000400",
	"the form":        "/inspect",
	"a follow-up":     "/vehicles/tern-000100/inspect?gate=road_test",
	"signing in":      "/sign-in",
}

func TestPagesAreLight(t *testing.T) {
	h := yard(t, 500)
	for name, path := range everyPage {
		if n := askFor(t, h, path); n > 100_000 {
			t.Errorf("%s has %d bytes", name, n)
		}
	}
}

// BenchmarkPages measures each page among 10,000 vehicles; it is to take less than 50 ms.
func BenchmarkPages(b *testing.B) {
	h := yard(b, 10_000)
	for name, path := range everyPage {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				askFor(b, h, path)
			}
		})
	}
}
