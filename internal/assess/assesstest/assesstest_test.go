package assesstest_test

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
)

func TestMemory(t *testing.T) {
	t.Parallel()
	assesstest.Store(t, func(*testing.T) assess.Store { return assesstest.NewMemory() })
}

func TestMemoryKeepsBatches(t *testing.T) {
	t.Parallel()
	assesstest.PlanStore(t, func(*testing.T) assesstest.StoreWithPlans { return assesstest.NewMemory() })
	assesstest.OutcomeStore(t, func(*testing.T) assesstest.StoreWithOutcomes { return assesstest.NewMemory() })
	assesstest.BatchStore(t, func(*testing.T) assesstest.StoreWithBatches { return assesstest.NewMemory() })
	assesstest.AttachmentStore(t, func(*testing.T) assesstest.StoreWithBatches { return assesstest.NewMemory() })
}

func TestMemoryBreaksAndMends(t *testing.T) {
	t.Parallel()
	store, broken := assesstest.NewMemory(), errors.New("disk is gone")
	store.Break(broken)
	if _, err := store.Report(t.Context(), "us", "a"); !errors.Is(err, broken) {
		t.Errorf("Report returned %v, want %v", err, broken)
	}
	store.Break(nil)
	if err := store.Ping(t.Context()); err != nil {
		t.Errorf("Ping returned %v after mending", err)
	}
}

func TestQueue(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	var queue assesstest.Queue
	for _, attempt := range []int{1, 1, 2} {
		if err := queue.Enqueue(ctx, "a", attempt); err != nil {
			t.Fatal(err)
		}
	}
	all := []assesstest.Task{{AssessmentID: "a", Attempt: 1}, {AssessmentID: "a", Attempt: 2}}
	if diff := cmp.Diff(all, queue.Handed()); diff != "" {
		t.Error(diff)
	}
	if task, ok := queue.Take(); !ok || task != all[0] {
		t.Errorf("Take returned %v, %v", task, ok)
	}
	for attempt, want := range []bool{false, false, true, false} {
		if held, err := queue.Holds(ctx, "a", attempt); err != nil || held != want {
			t.Errorf("Holds attempt %d: %v, %v", attempt, held, err)
		}
	}
	queue.Lose()
	if _, ok := queue.Take(); ok {
		t.Error("a lost task was taken")
	}
	down := errors.New("connection refused")
	queue.Break(down)
	if err := queue.Enqueue(ctx, "b", 1); !errors.Is(err, down) {
		t.Errorf("Enqueue returned %v, want %v", err, down)
	}
	if err := queue.Ping(ctx); !errors.Is(err, down) {
		t.Errorf("Ping returned %v, want %v", err, down)
	}
}
