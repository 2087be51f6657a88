package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/store"
	"laidup/internal/webhook"
)

const us, them = "brennick-motors", "harrow-lane"

var noon = time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC)

// hooked is a store with what its tests do again and again.
type hooked struct {
	*testing.T
	*store.Store
}

func (h hooked) must(err error) {
	h.Helper()
	if err != nil {
		h.Fatal(err)
	}
}

func (h hooked) subscribe(organisation, id string, types ...string) {
	h.Helper()
	h.must(h.AddSubscription(h.Context(), webhook.Subscription{
		ID: id, Organisation: organisation, URL: "https://example.org/" + id, Types: types, Secret: "sealed " + id, CreatedAt: noon,
	}, 20))
}

// assess has a report on a vehicle assessed, with gates as GateStates are written.
func (h hooked) assess(organisation, name, vehicle, gates string) {
	h.Helper()
	h.accept(organisation, name, vehicle)
	h.finish(name, gates)
}

func (h hooked) accept(organisation, name, vehicle string) {
	h.Helper()
	_, err := h.Accept(h.Context(), assess.Submission{
		Organisation: organisation, ReportID: "r-" + name, AssessmentID: "a-" + name, Vehicle: vehicle, Inspected: "2026-05-02",
		Body: []byte("{}"), Gate: "crank", RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a"}, At: noon,
	})
	h.must(err)
}

func (h hooked) finish(name, gates string) {
	h.Helper()
	h.must(h.Finish(h.Context(), "a-"+name, assess.Outcome{
		Body: []byte("{}"), AsOf: "2026-05-02", VerdictState: "blocked", Blockers: 3, Gates: assess.ParseGateStates(gates),
	}, noon))
}

// events are the events of an organisation: of each its type and, if it has any, its gates.
func (h hooked) events(organisation string) (all []string) {
	h.Helper()
	list, err := h.EventsAfter(h.Context(), organisation, 0, time.Time{}, 1000)
	h.must(err)
	for _, e := range list {
		var body struct {
			Type string
			Data struct {
				Assessment string
				Gates      []assess.GateChange
			}
		}
		h.must(json.Unmarshal(e.Body, &body))
		said := body.Type + " " + body.Data.Assessment
		for _, g := range body.Data.Gates {
			from := "null"
			if g.From != nil {
				from = *g.From
			}
			said += " " + g.Gate + ":" + from + ">" + g.To
		}
		all = append(all, said)
	}
	return all
}

func (h hooked) deliveries(organisation, id string, state webhook.State) []webhook.Delivery {
	h.Helper()
	list, err := h.Deliveries(h.Context(), webhook.Page{Organisation: organisation, Subscription: id, State: state, Limit: 1000})
	h.must(err)
	return list
}

func (h hooked) claim(at time.Time, each, limit int) []webhook.Task {
	h.Helper()
	tasks, err := h.Claim(h.Context(), at, at.Add(time.Minute), webhook.Room{OfSubscription: each, OfOrganisation: 1000, AtOnce: limit})
	h.must(err)
	return tasks
}

func onEachStore(t *testing.T, test func(h hooked)) {
	onEachEngine(t, func(t *testing.T, o store.Options) { test(hooked{t, migrated(t, o)}) })
}

func same(t *testing.T, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

func TestWhatHappensIsRecordedWithIt(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.assess(us, "one", "tern-01", "turn_over=clear crank=blocked")
		h.assess(us, "two", "tern-01", "turn_over=clear crank=blocked")
		h.accept(us, "three", "tern-01")
		h.assess(us, "four", "tern-01", "turn_over=clear crank=unproven")
		h.finish("three", "turn_over=blocked crank=blocked") // a late word
		h.accept(us, "five", "tern-01")
		h.must(h.Fail(h.Context(), "a-five", []byte("{}"), noon))
		if err := h.Fail(h.Context(), "a-five", []byte("{}"), noon); !errors.Is(err, assess.ErrFinished) {
			h.Errorf("failed twice: %v", err)
		}
		same(h.T, h.events(us), []string{
			"assessment.finished a-one", "readiness.changed a-one turn_over:null>clear crank:null>blocked",
			"assessment.finished a-two",
			"assessment.finished a-four", "readiness.changed a-four crank:blocked>unproven",
			"assessment.finished a-three",
			"assessment.finished a-five",
		})
		same(h.T, h.events(them), nil)
	})
}

func TestWhoSubscribesIsTold(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.subscribe(us, "all")
		h.subscribe(us, "readiness", assess.ReadinessChanged)
		h.subscribe(us, "off")
		h.must(h.DisableSubscription(h.Context(), us, "off", "gone", noon))
		h.subscribe(them, "theirs")
		h.assess(us, "one", "tern-01", "crank=blocked")
		for id, want := range map[string]int{"all": 2, "readiness": 1, "off": 0} {
			if n := len(h.deliveries(us, id, "")); n != want {
				h.Errorf("%s has %d deliveries, want %d", id, n, want)
			}
		}
		if n := len(h.deliveries(them, "theirs", "")); n != 0 {
			h.Errorf("strangers have %d deliveries", n)
		}
		event, err := h.SendTo(h.Context(), us, "readiness", assess.Event{Type: assess.SubscriptionTest, At: noon})
		h.must(err)
		if list := h.deliveries(us, "readiness", webhook.Waiting); len(list) != 2 || list[0].Event != event || list[0].Type != assess.SubscriptionTest {
			h.Errorf("deliveries %+v", list)
		}
		// What was missed is made up for, without tests that are for others.
		h.must(h.ResumeSubscription(h.Context(), us, "off"))
		n, err := h.ReplaySince(h.Context(), us, "off", time.Now().Add(-time.Hour), noon)
		if h.must(err); n != 2 {
			h.Errorf("%d were replayed", n)
		}
	})
}

func TestSubscriptionsAreOfTheirOrganisation(t *testing.T) {
	onEachStore(t, func(h hooked) {
		ctx := h.Context()
		h.subscribe(us, "ours")
		h.assess(us, "one", "tern-01", "crank=blocked")
		event := h.deliveries(us, "ours", "")[0].Event
		for what, err := range map[string]error{
			"read":   func() error { _, err := h.Subscription(ctx, them, "ours"); return err }(),
			"rotate": h.RotateSecret(ctx, them, "ours", "x", noon),
			"resume": h.ResumeSubscription(ctx, them, "ours"),
			"delete": h.DeleteSubscription(ctx, them, "ours"),
			"replay": h.Replay(ctx, them, "ours", event, noon),
			"test":   func() error { _, err := h.SendTo(ctx, them, "ours", assess.Event{Type: "x"}); return err }(),
			"none":   h.Replay(ctx, us, "ours", "evt_none", noon),
		} {
			if !errors.Is(err, webhook.ErrNotFound) {
				h.Errorf("%s: %v", what, err)
			}
		}
		if n := len(h.deliveries(them, "ours", "")); n != 0 {
			h.Errorf("strangers see %d deliveries", n)
		}
		if n, err := h.ReplaySince(ctx, them, "ours", noon, noon); n != 0 || err != nil {
			h.Errorf("strangers replay %d (%v)", n, err)
		}
		s, err := h.Subscription(ctx, us, "ours")
		if h.must(err); s.Secret != "sealed ours" || s.URL != "https://example.org/ours" || len(s.Types) != 0 || !s.CreatedAt.Equal(noon) || !s.DisabledAt.IsZero() {
			h.Errorf("%+v", s)
		}
		h.must(h.RotateSecret(ctx, us, "ours", "new", noon.Add(time.Hour)))
		if s, err = h.Subscription(ctx, us, "ours"); err != nil || s.Secret != "new" || s.SecretBefore != "sealed ours" || !s.BeforeUntil.Equal(noon.Add(time.Hour)) {
			h.Errorf("%+v, %v", s, err)
		}
		h.must(h.DeleteSubscription(ctx, us, "ours"))
		if tasks := h.claim(time.Now().Add(time.Hour), 9, 9); len(tasks) != 0 {
			h.Errorf("deleted and told: %+v", tasks)
		}
		for i := range 3 {
			err := h.AddSubscription(ctx, webhook.Subscription{ID: fmt.Sprint("n", i), Organisation: us, CreatedAt: noon}, 2)
			if errors.Is(err, webhook.ErrTooMany) != (i == 2) {
				h.Errorf("subscription %d: %v", i, err)
			}
		}
		if list, err := h.Subscriptions(ctx, us); err != nil || len(list) != 2 || list[0].ID != "n0" {
			h.Errorf("%+v, %v", list, err)
		}
	})
}

func TestADeliveryIsClaimedByOneUntilItsLeaseIsOver(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.subscribe(us, "hangs")
		h.subscribe(us, "other", assess.ReadinessChanged)
		for i := range 10 {
			h.assess(us, fmt.Sprint(i), fmt.Sprint("tern-", i), "crank=blocked")
		}
		now := time.Now().Add(time.Minute)
		var mu sync.Mutex
		got, to := map[int64]int{}, map[string]int{}
		var all sync.WaitGroup
		for range 8 {
			all.Go(func() {
				for range 3 {
					tasks, err := h.Claim(h.Context(), now, now.Add(time.Minute), webhook.Room{OfSubscription: 3, OfOrganisation: 1000, AtOnce: 2})
					if err != nil {
						h.Error(err)
					}
					mu.Lock()
					for _, task := range tasks {
						got[task.Number]++
						to[task.To.ID]++
					}
					mu.Unlock()
				}
			})
		}
		all.Wait()
		for n, times := range got {
			if times != 1 {
				h.Errorf("%d was claimed %d times", n, times)
			}
		}
		// Those that claim in the same moment do not see each other's leases: they may go a little over.
		if to["hangs"] < 3 || to["other"] < 3 || to["hangs"] > 3*8 {
			h.Errorf("claimed %v", to)
		}
		if tasks := h.claim(now.Add(30*time.Second), 3, 9); len(tasks) != 0 {
			h.Errorf("more than a few in flight: %+v", tasks)
		}
		again := h.claim(now.Add(2*time.Minute), 3, 9)
		if len(again) != 6 {
			h.Fatalf("%d were claimed after the lease", len(again))
		}
		first := again[0]
		if first.Attempts != 0 || first.To.URL == "" || first.To.Secret == "" || len(first.Body) == 0 || first.Event == "" {
			h.Errorf("%+v", first)
		}
		late := now.Add(3 * time.Minute)
		h.must(h.Settle(h.Context(), first.Number, webhook.Result{State: webhook.Delivered, Status: 204, At: late, DueAt: late}))
		h.must(h.Settle(h.Context(), first.Number, webhook.Result{State: webhook.Dead, At: late, DueAt: late})) // a late word
		list := h.deliveries(us, first.To.ID, webhook.Delivered)
		if len(list) != 1 || list[0].Attempts != 1 || list[0].Status != 204 || list[0].Event != first.Event {
			h.Errorf("%+v", list)
		}
		h.must(h.Replay(h.Context(), us, first.To.ID, first.Event, late))
		if list := h.deliveries(us, first.To.ID, webhook.Waiting); !slices.ContainsFunc(list, func(d webhook.Delivery) bool { return d.Event == first.Event && d.Attempts == 0 }) {
			h.Errorf("not waiting again: %+v", list)
		}
		if b, err := h.DeliveryBacklog(h.Context(), late); err != nil || b.Due != 30 || b.Oldest.IsZero() {
			h.Errorf("%+v, %v", b, err)
		}
	})
}

func TestOldEventsGoInSmallSteps(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.subscribe(us, "ours")
		for i := range 5 {
			h.assess(us, fmt.Sprint(i), "tern-01", "crank=blocked") // 6 events
		}
		for _, want := range []int{4, 2, 0} {
			if n, err := h.PruneEvents(h.Context(), time.Now().Add(time.Hour), 4); err != nil || n != want {
				h.Errorf("%d went, want %d (%v)", n, want, err)
			}
		}
		if n := len(h.deliveries(us, "ours", "")); n != 0 {
			h.Errorf("%d deliveries are left", n)
		}
	})
}

func TestEventsAreFoundByTheirPlace(t *testing.T) {
	onEachStore(t, func(h hooked) {
		ctx := h.Context()
		if place, err := h.PlaceBefore(ctx, us, time.Time{}); err != nil || place != 0 {
			h.Errorf("place %d (%v)", place, err)
		}
		h.assess(us, "one", "tern-01", "crank=blocked")
		h.assess(them, "two", "tern-01", "crank=blocked")
		all, err := h.EventsAfter(ctx, us, 0, time.Time{}, 9)
		if h.must(err); len(all) != 2 {
			h.Fatalf("%d events", len(all))
		}
		place, recorded, err := h.EventPlace(ctx, us, all[1].ID)
		if err != nil || place != all[1].Place || !recorded.Equal(all[1].RecordedAt) {
			h.Errorf("%d, %s, %v", place, recorded, err)
		}
		if _, _, err := h.EventPlace(ctx, them, all[1].ID); !errors.Is(err, assess.ErrNotFound) {
			h.Errorf("strangers: %v", err)
		}
		for since, want := range map[time.Time]int64{recorded.Add(-time.Hour): all[0].Place - 1, recorded.Add(time.Hour): all[1].Place} {
			if place, err := h.PlaceBefore(ctx, us, since); err != nil || place != want {
				h.Errorf("since %s: %d, want %d (%v)", since, place, want, err)
			}
		}
		for until, want := range map[time.Time]int{recorded.Add(-time.Hour): 0, recorded.Add(time.Hour): 1} {
			if list, err := h.EventsAfter(ctx, us, all[0].Place, until, 9); err != nil || len(list) != want {
				h.Errorf("until %s: %d events (%v)", until, len(list), err)
			}
		}
	})
}

// A withdrawal tells whoever subscribes, in the transaction that it happens in, and so does a replacement.
func TestWithdrawalsTell(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		s := migrated(t, o)
		accept := func(name, replaces string) {
			t.Helper()
			_, err := s.Accept(t.Context(), assess.Submission{
				Organisation: "brennick-motors", ReportID: "r" + name, AssessmentID: "a" + name, Vehicle: "tern-01", Reference: "bench-" + name,
				Inspected: "2026-05-02", Body: []byte(`{}`), Gate: "crank", At: time.Now(), Replaces: replaces,
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		accept("1", "")
		accept("2", "r1")
		for range 2 { // the second time nothing happens
			w := assess.Withdrawal{Organisation: "brennick-motors", ReportID: "r2", AssessmentID: "a3", Because: "x", At: time.Now()}
			if _, err := s.Withdraw(t.Context(), w); err != nil {
				t.Fatal(err)
			}
		}
		events, err := s.EventsAfter(t.Context(), "brennick-motors", 0, time.Time{}, 9)
		if err != nil || len(events) != 2 {
			t.Fatalf("%d events: %v", len(events), err)
		}
		for i, want := range []string{
			`"data":{"report":"r1","vehicle":"tern-01","reference":"bench-1","replaced_by":"r2","assessment":"a2","path":"/v1/reports/r1"}`,
			`"data":{"report":"r2","vehicle":"tern-01","reference":"bench-2","path":"/v1/reports/r2"}`,
		} {
			if events[i].Type != assess.ReportWithdrawn || !strings.Contains(string(events[i].Body), want) {
				t.Errorf("event %d is %s, want %s", i, events[i].Body, want)
			}
		}
	})
}
