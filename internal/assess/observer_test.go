package assess_test

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/logging"
	"laidup/internal/ruleset"
)

// diary is an observer that writes down what it is told.
type diary struct {
	accepted, interrupted, handedOver int
	finished                          []assess.Finished
	tried                             []assess.Trial
}

func (d *diary) ReportAccepted()             { d.accepted++ }
func (d *diary) Finished(f assess.Finished)  { d.finished = append(d.finished, f) }
func (d *diary) Interrupted()                { d.interrupted++ }
func (d *diary) ChunkFinished()              {}
func (d *diary) PlanFinished(assess.State)   {}
func (d *diary) HandedOver()                 { d.handedOver++ }
func (d *diary) RuleSetTried(t assess.Trial) { d.tried = append(d.tried, t) }

func TestWhatHappensIsToldAndLogged(t *testing.T) {
	l := builtin.Loader()
	set := builtin.FirstStart()
	store, queue, told, now := assesstest.NewMemory(), new(assesstest.Queue), new(diary), time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC)
	var log bytes.Buffer
	ids := 0
	service, err := assess.New(assess.Options{
		Store: store, Queue: queue, RuleSets: []*ruleset.Set{set}, Loader: l, Observer: told, Log: logging.New(&log, slog.LevelInfo, false),
		Clock: func() time.Time { return now }, NewID: func() string { ids++; return "id-" + string(rune('a'-1+ids)) },
	})
	if err != nil {
		t.Fatal(err)
	}
	own, ctx := service.For("brennick-motors"), logging.With(t.Context(), slog.String("request", "r"))
	order := assess.Order{Body: read(t, "testdata", "cases", "base-tern.json"), IdempotencyKey: "key"}
	for range 2 { // the second is a repeat
		if _, err := own.Submit(ctx, order); err != nil {
			t.Fatal(err)
		}
	}
	queue.Lose()
	now = now.Add(15 * time.Second)
	if n, err := service.Sweep(ctx); n != 1 || err != nil {
		t.Fatalf("%d handed over (%v)", n, err)
	}
	store.Break(errors.New("disk is gone"))
	if err := service.Score(ctx, "id-b"); err == nil {
		t.Fatal("scored without a store")
	}
	store.Break(nil)
	for range 2 { // the second finds nothing to do
		if err := service.Score(ctx, "id-b"); err != nil && !errors.Is(err, assess.ErrFinished) {
			t.Fatal(err)
		}
	}
	// One that no worker survives is given up in the end, and says so.
	order.IdempotencyKey = ""
	if _, err := own.Submit(ctx, order); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if _, err := store.Start(ctx, "id-f"); err != nil {
			t.Fatal(err)
		}
	}
	if err := service.Score(ctx, "id-f"); err != nil {
		t.Fatal(err)
	}
	if err := own.Retry(ctx, "id-f"); err != nil {
		t.Fatal(err)
	}
	if _, err := service.CheckRuleSet(ctx, []byte(`{"no":1}`)); err == nil {
		t.Fatal("no fault")
	}

	ref := assess.RuleSetRef{Name: set.Name, Version: set.Version, Digest: set.Digest}
	want := &diary{accepted: 2, interrupted: 1, handedOver: 1, tried: []assess.Trial{assess.Faulty}, finished: []assess.Finished{
		{State: assess.Done, RuleSet: ref, SinceAccepted: 15 * time.Second}, {State: assess.Failed, RuleSet: ref},
	}}
	if diff := cmp.Diff(want, told, cmp.AllowUnexported(diary{}), cmpopts.IgnoreFields(assess.Finished{}, "WorkedOut")); diff != "" {
		t.Error(diff)
	}
	for _, line := range []string{
		`msg="report accepted" request=r report=id-a assessment=id-b rule_set=first-start/2.0.0 repeat=false`,
		`repeat=true`,
		`msg="assessment handed to the queue again" request=r assessment=id-b attempt=2`,
		`msg="assessment done" request=r assessment=id-b report=id-a organisation=brennick-motors starts=1 rule_set=first-start/2.0.0`,
		`level=WARN msg="assessment failed" request=r assessment=id-f report=id-e organisation=brennick-motors starts=21`,
		`msg="failed assessment is tried again" request=r assessment=id-f attempt=2`,
	} {
		if !strings.Contains(log.String(), line) {
			t.Errorf("%s is not in\n%s", line, &log)
		}
	}
}
