package assess_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/ruleset"
)

// workshop is a service with a store and a queue in memory, and a clock that stands still.
type workshop struct {
	*assess.Service
	assess.Account
	store  *assesstest.Memory
	queue  *assesstest.Queue
	chunks *assesstest.Queue
	now    time.Time
	ids    atomic.Int64
}

func open(t *testing.T) *workshop {
	t.Helper()
	l := builtin.Loader()
	set := builtin.FirstStart()
	return openWith(t, l, set)
}

// openWith opens a workshop with rule sets.
func openWith(t testing.TB, l *ruleset.Loader, sets ...*ruleset.Set) *workshop {
	t.Helper()
	var err error
	w := &workshop{store: assesstest.NewMemory(), queue: &assesstest.Queue{}, chunks: &assesstest.Queue{}, now: time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC)}
	w.Service, err = assess.New(assess.Options{
		Store: w.store, Queue: w.queue, Batches: w.store, Chunks: w.chunks, RuleSets: sets, Loader: l, Clock: func() time.Time { return w.now },
		NewID: func() string { return fmt.Sprintf("id-%04d", w.ids.Add(1)) }, OverdueAfter: 10 * time.Second,
	})
	if err != nil {
		t.Fatal(err)
	}
	w.Account = w.Service.For("brennick-motors")
	return w
}

func read(t testing.TB, parts ...string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(append([]string{"..", ".."}, parts...)...))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func (w *workshop) submit(t *testing.T, parts ...string) assess.Accepted {
	t.Helper()
	a, err := w.Submit(context.Background(), assess.Order{Body: read(t, parts...)})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func (w *workshop) sweep(t *testing.T) int {
	t.Helper()
	n, err := w.Sweep(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAReportIsSafeWhenTheQueueIsDown(t *testing.T) {
	w := open(t)
	w.queue.Break(errors.New("no queue"))
	a := w.submit(t, "testdata", "cases", "base-tern.json")
	w.queue.Break(nil)
	w.now = w.now.Add(11 * time.Second)
	if n := w.sweep(t); n != 1 {
		t.Fatalf("%d were handed over", n)
	}
	if err := w.Score(context.Background(), a.AssessmentID); err != nil {
		t.Fatal(err)
	}
	got, err := w.Assessment(context.Background(), a.AssessmentID)
	if err != nil || got.State != assess.Done || got.Outcome.VerdictState == "" {
		t.Fatalf("%+v (%v)", got.State, err)
	}
	w.now = w.now.Add(time.Minute)
	if n := w.sweep(t); n != 0 {
		t.Fatalf("%d were handed over although all is done", n)
	}
}

// A worker that was killed with a task in hand leaves a name taken in the queue: the next attempt
// needs another.
func TestAnAttemptThatAWorkerTookAndLostIsFollowedByTheNext(t *testing.T) {
	w := open(t)
	a := w.submit(t, "testdata", "cases", "base-tern.json")
	w.queue.Take()
	var attempts []int
	for range 3 {
		w.now = w.now.Add(11 * time.Second)
		w.sweep(t)
		for {
			task, ok := w.queue.Take()
			if !ok {
				break
			}
			if task.AssessmentID != a.AssessmentID {
				t.Errorf("%s was handed over", task.AssessmentID)
			}
			attempts = append(attempts, task.Attempt)
		}
	}
	if fmt.Sprint(attempts) != "[2 3 4]" {
		t.Errorf("attempts %v", attempts)
	}
}

func TestWhatWaitsItsTurnIsNotHandedOverAgain(t *testing.T) {
	w := open(t)
	w.submit(t, "testdata", "cases", "base-tern.json")
	for range 3 {
		w.now = w.now.Add(11 * time.Second)
		if n := w.sweep(t); n != 0 {
			t.Fatalf("%d were handed over", n)
		}
	}
	w.queue.Lose()
	w.now = w.now.Add(11 * time.Second)
	if n := w.sweep(t); n != 1 {
		t.Fatalf("%d were handed over after the queue lost everything", n)
	}
}

func TestScoringTwiceWritesOnce(t *testing.T) {
	w := open(t)
	a := w.submit(t, "testdata", "cases", "base-dale.json")
	if err := w.Score(context.Background(), a.AssessmentID); err != nil {
		t.Fatal(err)
	}
	first, err := w.Assessment(context.Background(), a.AssessmentID)
	if err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(time.Hour)
	if err := w.Score(context.Background(), a.AssessmentID); !errors.Is(err, assess.ErrFinished) {
		t.Fatalf("scoring again: %v", err)
	}
	second, err := w.Assessment(context.Background(), a.AssessmentID)
	if err != nil || string(second.Outcome.Body) != string(first.Outcome.Body) || !second.FinishedAt.Equal(first.FinishedAt) {
		t.Fatalf("it was written again (%v)", err)
	}
}

func TestAnAssessmentCoversTheReportsUpToItsOwn(t *testing.T) {
	w := open(t)
	one := w.submit(t, "schema", "demo", "brennick-wren-03.1.json")
	w.submit(t, "schema", "demo", "brennick-wren-03.2.json")
	three := w.submit(t, "schema", "demo", "brennick-wren-03.3.json")
	// The last is scored first.
	for _, id := range []string{three.AssessmentID, one.AssessmentID} {
		if err := w.Score(context.Background(), id); err != nil {
			t.Fatal(err)
		}
	}
	for id, want := range map[string]string{one.AssessmentID: "blocked", three.AssessmentID: "clear"} {
		a, err := w.Assessment(context.Background(), id)
		if err != nil || a.Outcome.VerdictState != want {
			t.Errorf("%s is %s, want %s (%v)", id, a.Outcome.VerdictState, want, err)
		}
	}
	r, err := w.Readiness(context.Background(), "brennick-wren-03", "first_start")
	if err != nil || r.State != "clear" || r.AsOf != "2026-03-22" || r.NewerReportWaiting {
		t.Errorf("%+v (%v)", r, err)
	}
}

func TestReadinessSaysThatANewerReportWaits(t *testing.T) {
	w := open(t)
	one := w.submit(t, "schema", "demo", "brennick-wren-03.1.json")
	if _, err := w.Readiness(context.Background(), "brennick-wren-03", ""); !errors.Is(err, assess.ErrNotAssessedYet) {
		t.Fatalf("before the first assessment: %v", err)
	}
	if err := w.Score(context.Background(), one.AssessmentID); err != nil {
		t.Fatal(err)
	}
	w.submit(t, "schema", "demo", "brennick-wren-03.2.json")
	r, err := w.Readiness(context.Background(), "brennick-wren-03", "crank")
	if err != nil || r.State != "unproven" || !r.NewerReportWaiting || len(r.Blockers) == 0 {
		t.Errorf("%+v (%v)", r, err)
	}
	if _, err := w.Readiness(context.Background(), "brennick-wren-03", "moon"); !errors.As(err, new(*assess.NoSuchGateError)) {
		t.Errorf("no such gate: %v", err)
	}
	if _, err := w.Readiness(context.Background(), "nobody", ""); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("no such vehicle: %v", err)
	}
}

func TestNothingIsStoredOfABadReport(t *testing.T) {
	w := open(t)
	body := strings.Replace(string(read(t, "testdata", "cases", "base-tern.json")), `"timing_belt"`, `"timing_blt"`, 1)
	_, err := w.Submit(context.Background(), assess.Order{Body: []byte(body)})
	var invalid *assess.InvalidError
	if !errors.As(err, &invalid) || len(invalid.Faults) != 1 || invalid.Faults[0].Pointer != "/observations/0/item" {
		t.Fatalf("%v", err)
	}
	if _, err := w.Vehicle(context.Background(), "marrick-tern-01"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("the vehicle is stored: %v", err)
	}
	if b, err := w.Backlog(context.Background()); b != (assess.Backlog{}) || err != nil {
		t.Errorf("%+v is left to do (%v)", b, err)
	}
}

func TestARepeatWithTheSameKeyChangesNothing(t *testing.T) {
	w := open(t)
	body := read(t, "testdata", "cases", "base-tern.json")
	first, err := w.Submit(context.Background(), assess.Order{Body: body, Gate: "crank", IdempotencyKey: "key"})
	if err != nil {
		t.Fatal(err)
	}
	again, err := w.Submit(context.Background(), assess.Order{Body: body, Gate: "crank", IdempotencyKey: "key"})
	if err != nil || !again.Repeat || again.AssessmentID != first.AssessmentID {
		t.Errorf("%+v (%v)", again.Receipt, err)
	}
	if _, err := w.Submit(context.Background(), assess.Order{Body: body, Gate: "road_test", IdempotencyKey: "key"}); !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("another gate with the key: %v", err)
	}
	if n := len(w.queue.Handed()); n != 1 {
		t.Errorf("%d tasks", n)
	}
}

// A new version of the program has other rule sets built in: what the old one took in is worked out
// as the old one would have.
func TestAnAssessmentIsMadeUnderTheRuleSetThatItWasAskedFor(t *testing.T) {
	for name, keep := range map[string]bool{"kept": true, "not kept": false} {
		t.Run(name, func(t *testing.T) {
			old := open(t)
			if keep {
				if err := old.Keep(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			var ids []string
			for range 2 {
				ids = append(ids, old.submit(t, "testdata", "cases", "base-tern.json").AssessmentID)
			}
			l := builtin.Loader()
			other := builtin.PrePurchase()
			young, err := assess.New(assess.Options{Store: old.store, Queue: old.queue, RuleSets: []*ruleset.Set{other}, Loader: l, NewID: func() string { return "id" }})
			if err != nil {
				t.Fatal(err)
			}
			if err := old.Score(t.Context(), ids[0]); err != nil {
				t.Fatal(err)
			}
			if err := young.Score(t.Context(), ids[1]); err != nil {
				t.Fatal(err)
			}
			want, err := old.Assessment(t.Context(), ids[0])
			if err != nil {
				t.Fatal(err)
			}
			got, err := young.For("brennick-motors").Assessment(t.Context(), ids[1])
			if err != nil {
				t.Fatal(err)
			}
			if !keep {
				if got.State != assess.Failed || !strings.Contains(string(got.Problem), "not there any more") {
					t.Errorf("%s: %s", got.State, got.Problem)
				}
				return
			}
			same := strings.NewReplacer(ids[1], ids[0], got.ReportID, want.ReportID)
			if got.State != assess.Done || want.Outcome.Body == nil || len(got.Outcome.Body) < 1000 || got.RuleSet != want.RuleSet {
				t.Fatalf("%s under %+v", got.State, got.RuleSet)
			}
			// The second covers one report more, of the same day and words.
			if a, b := string(want.Outcome.Body), same.Replace(string(got.Outcome.Body)); a != b {
				t.Errorf("another assessment:\n%.300s\n%.300s", a, b)
			}
		})
	}
}

// outage is a store that cannot write what was worked out.
type outage struct {
	assess.Store
	err error
}

func (o *outage) Finish(ctx context.Context, id string, out assess.Outcome, at time.Time) error {
	if o.err != nil {
		return o.err
	}
	return o.Store.Finish(ctx, id, out, at)
}

// However often the store fails once the work is done, the assessment is not given up for it.
func TestAnOutageIsNotHeldAgainstAnAssessment(t *testing.T) {
	w := open(t)
	store := &outage{w.store, fmt.Errorf("finish: %w", assess.ErrUnavailable)}
	l := builtin.Loader()
	s, err := assess.New(assess.Options{Store: store, Queue: w.queue, RuleSets: []*ruleset.Set{w.Current()}, Loader: l, NewID: func() string { return "id" }})
	if err != nil {
		t.Fatal(err)
	}
	a := w.submit(t, "testdata", "cases", "base-tern.json")
	for range 50 {
		if err := s.Score(t.Context(), a.AssessmentID); !errors.Is(err, assess.ErrUnavailable) {
			t.Fatal(err)
		}
	}
	stopped, stop := context.WithCancel(t.Context())
	stop()
	store.err = context.Canceled
	for range 50 {
		if err := s.Score(stopped, a.AssessmentID); !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
	}
	store.err = nil
	if err := s.Score(t.Context(), a.AssessmentID); err != nil {
		t.Fatal(err)
	}
	if got, err := w.Assessment(t.Context(), a.AssessmentID); err != nil || got.State != assess.Done {
		t.Errorf("%s (%v)", got.State, err)
	}
}

// What another process received by a clock that is ahead is found when the queue has lost it.
func TestTheSweepFindsWhatAClockAheadHasReceived(t *testing.T) {
	w := open(t)
	w.now = w.now.Add(time.Hour)
	w.submit(t, "testdata", "cases", "base-tern.json")
	w.now = w.now.Add(-time.Hour)
	w.queue.Lose()
	if n := w.sweep(t); n != 1 {
		t.Errorf("%d were handed over", n)
	}
	if n := w.sweep(t); n != 0 {
		t.Errorf("%d were handed over again at once", n)
	}
}
