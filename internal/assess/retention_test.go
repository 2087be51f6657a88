package assess_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"laidup/internal/assess"
)

func TestVehiclesAreErasedOnceTheyOutlivedTheirRetention(t *testing.T) {
	t.Parallel()
	w := open(t)
	ctx := context.Background()
	post := func(own assess.Account, reference string) {
		t.Helper()
		body := strings.Replace(string(read(t, "testdata", "cases", "base-tern.json")), "marrick-tern-01", reference, 1)
		if _, err := own.Submit(ctx, assess.Order{Body: []byte(body)}); err != nil {
			t.Fatal(err)
		}
	}
	left := func(own assess.Account) int {
		t.Helper()
		list, err := own.Vehicles(ctx, assess.VehiclePage{Limit: 99})
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	theirs := w.For("harrow-lane")
	for i := range 30 {
		post(w.Account, fmt.Sprintf("tern-%02d", i))
		post(theirs, fmt.Sprintf("tern-%02d", i))
	}
	w.now = w.now.Add(89 * 24 * time.Hour)
	post(w.Account, "tern-07") // it was looked at again
	if err := w.SetRetention(ctx, 90); err != nil {
		t.Fatal(err)
	}
	w.sweep(t)
	if n := left(w.Account); n != 30 {
		t.Fatalf("before their time %d are left", n)
	}
	w.now = w.now.Add(2 * 24 * time.Hour)
	// Some at a time: nothing else has to wait for it.
	w.sweep(t)
	if n := left(w.Account); n != 10 {
		t.Errorf("after a sweep %d are left", n)
	}
	w.sweep(t)
	w.sweep(t)
	if n := left(w.Account); n != 1 {
		t.Errorf("in the end %d are left", n)
	}
	if _, err := w.Vehicle(ctx, "tern-07"); err != nil {
		t.Errorf("the one that was looked at again: %v", err)
	}
	if n := left(theirs); n != 30 {
		t.Errorf("of those who set nothing %d are left", n)
	}
	audit, err := w.Audit(ctx, assess.AuditPage{Limit: 99})
	if err != nil || len(audit) != 30 || audit[0].By.Through != assess.ByService || audit[0].Action != assess.VehicleErased {
		t.Errorf("the audit trail has %d entries, %v", len(audit), err)
	}
	// With the work that was queued for them nothing comes back.
	for {
		task, ok := w.queue.Take()
		if !ok {
			break
		}
		if err := w.Score(ctx, task.AssessmentID); err != nil && !errors.Is(err, assess.ErrNotFound) {
			t.Error(err)
		}
	}
	if n := left(w.Account); n != 1 {
		t.Errorf("once the queue is empty there are %d", n)
	}
}
