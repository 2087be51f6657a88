package assesstest

import (
	"bytes"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/assess"
)

// StoreWithPlans is a store that keeps plans as well.
type StoreWithPlans interface {
	assess.Store
	assess.PlanStore
}

// PlanStore runs the suite that every store of plans must pass. Each call of open gives a fresh, empty store
// which the open function closes when its test ends.
func PlanStore(t *testing.T, open func(t *testing.T) StoreWithPlans) {
	for name, test := range map[string]func(plans, *testing.T){
		"a plan is kept as it was ordered, and written once":   plans.life,
		"a failed plan keeps why":                              plans.fails,
		"what a plan is made of is the newest that stands":     plans.basis,
		"a plan is current until a report comes or goes":       plans.current,
		"a repeat gets the first plan, and another is refused": plans.repeats,
		"of repeats at once one is stored":                     plans.race,
		"plans are listed newest first, page by page":          plans.listed,
		"plans go with their vehicle":                          plans.erased,
		"what is said of steps is kept as it was said":         plans.ticked,
		"a failed plan is queued again when asked for":         plans.retried,
		"plans to be held beside another are listed with it":   plans.beside,
		"what waits too long is found, longest first":          plans.waiting,
		"what is one organisation's is unknown to another":     plans.strangers,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			test(plans{suite{s}, s}, t)
		})
	}
}

type plans struct {
	suite
	assess.PlanStore
}

// order stores a plan of a vehicle.
func (s plans) order(t *testing.T, name, vehicle string, at time.Time) assess.Plan {
	t.Helper()
	b, err := s.Basis(t.Context(), us, vehicle)
	check(t, err)
	p, repeat, err := s.OrderPlan(t.Context(), planned(name, b, at))
	check(t, err)
	if repeat {
		t.Errorf("plan %s is a repeat", name)
	}
	return p
}

func planned(name string, basis assess.Assessment, at time.Time) assess.PlanSubmission {
	return assess.PlanSubmission{ID: "plan-" + name, Organisation: us, Basis: basis, Gate: "crank", Request: []byte(`{"gate":"crank"}`), At: at, Fingerprint: "f"}
}

func (s plans) life(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	p := s.order(t, "1", "TERN-01", start)
	want := assess.Plan{
		ID: "plan-1", Vehicle: "tern-01", Gate: "crank", AssessmentID: "assessment-a", ReportID: "report-a", Ordinal: 1, Organisation: us,
		RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a1b"}, Request: []byte(`{"gate":"crank"}`),
		State: assess.Queued, CreatedAt: stored(start), EnqueuedAt: stored(start), Current: true,
	}
	same(t, p, want)
	for n := 1; n <= 2; n++ { // the second is a worker that comes after one that died
		begun, err := s.StartPlan(t.Context(), "plan-1")
		check(t, err)
		want.State, want.Starts, want.Current = assess.Running, n, false // which no worker has to know
		same(t, begun, want)
	}
	check(t, s.PutBackPlan(t.Context(), "plan-1"))
	if b, err := s.Backlog(t.Context()); err != nil || b.Plans != 1 {
		t.Errorf("%d plans are left, %v", b.Plans, err)
	}
	check(t, s.FinishPlan(t.Context(), "plan-1", []byte(`{"steps":[]}`), start.Add(time.Second)))
	want.State, want.Starts, want.Current, want.FinishedAt, want.Body = assess.Done, 1, true, stored(start.Add(time.Second)), []byte(`{"steps":[]}`)
	p, err := s.PlanStore.Plan(t.Context(), us, "plan-1")
	check(t, err)
	same(t, p, want)
	for what, err := range map[string]error{
		"finished": s.FinishPlan(t.Context(), "plan-1", []byte(`{}`), start), "failed": s.FailPlan(t.Context(), "plan-1", []byte(`{}`), start),
		"put back": s.PutBackPlan(t.Context(), "plan-1"),
	} {
		if !errors.Is(err, assess.ErrFinished) {
			t.Errorf("a finished plan is %s: %v", what, err)
		}
	}
	if _, err := s.StartPlan(t.Context(), "plan-1"); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("a finished plan is begun: %v", err)
	}
	check(t, s.PlanEnqueued(t.Context(), "plan-1", 9, start))
	p, err = s.PlanStore.Plan(t.Context(), us, "plan-1")
	check(t, err)
	same(t, p, want)
	if b, err := s.Backlog(t.Context()); err != nil || b.Plans != 0 {
		t.Errorf("%d plans are left, %v", b.Plans, err)
	}
}

func (s plans) erased(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.accept(t, submission("b", "dale-01", start))
	s.order(t, "1", "tern-01", start)
	s.order(t, "2", "dale-01", start)
	_, err := s.StartPlan(t.Context(), "plan-1")
	check(t, err)
	_, err = s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "tern-01", Because: "sold"})
	check(t, err)
	if _, err := s.PlanStore.Plan(t.Context(), us, "plan-1"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("the plan of a vehicle that is gone: %v", err)
	}
	if err := s.FinishPlan(t.Context(), "plan-1", []byte(`{}`), start); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("who was planning meanwhile stores it: %v", err)
	}
	if _, err := s.PlanStore.Plan(t.Context(), us, "plan-2"); err != nil {
		t.Errorf("the plan of another vehicle: %v", err)
	}
}

func (s plans) fails(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	check(t, s.FailPlan(t.Context(), "plan-1", []byte(`{"title":"x"}`), start))
	p, err := s.PlanStore.Plan(t.Context(), us, "plan-1")
	check(t, err)
	if p.State != assess.Failed || !bytes.Equal(p.Problem, []byte(`{"title":"x"}`)) || p.Body != nil || p.FinishedAt.IsZero() {
		t.Errorf("%+v", p)
	}
	for _, err := range []error{s.FinishPlan(t.Context(), "plan-9", nil, start), s.FailPlan(t.Context(), "plan-9", nil, start), s.PutBackPlan(t.Context(), "plan-9"), s.PlanEnqueued(t.Context(), "plan-9", 1, start)} {
		if !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("there is no such plan, and the error is %v", err)
		}
	}
}

func (s plans) basis(t *testing.T) {
	if _, err := s.Basis(t.Context(), us, "tern-01"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("no vehicle: %v", err)
	}
	is := func(want string) {
		t.Helper()
		if b, err := s.Basis(t.Context(), us, "tern-01"); err != nil || b.ID != want {
			t.Errorf("a plan is made of %s, %v; want %s", b.ID, err, want)
		}
	}
	s.accept(t, submission("a", "tern-01", start))
	is("assessment-a")
	s.accept(t, submission("b", "tern-01", start))
	is("assessment-b")
	check(t, s.Fail(t.Context(), "assessment-b", []byte(`{}`), start))
	is("assessment-a")
	for _, name := range []string{"b", "a"} {
		_, err := s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-" + name, AssessmentID: "assessment-without-" + name, Because: "x", At: start})
		check(t, err)
		if name == "b" {
			is("assessment-without-b")
		}
	}
	if _, err := s.Basis(t.Context(), us, "tern-01"); !errors.Is(err, assess.ErrNotAssessedYet) {
		t.Errorf("no report is left: %v", err)
	}
}

func (s plans) current(t *testing.T) {
	is := func(name string, want bool) {
		t.Helper()
		if p, err := s.PlanStore.Plan(t.Context(), us, "plan-"+name); err != nil || p.Current != want {
			t.Errorf("plan %s is current: %t, %v", name, p.Current, err)
		}
	}
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	s.accept(t, submission("x", "dale-02", start)) // another vehicle
	is("1", true)
	s.accept(t, submission("b", "tern-01", start))
	is("1", false)
	s.order(t, "2", "tern-01", start)
	is("2", true)
	// The reports of its own steps change nothing, and no more does that one of them is withdrawn. Another report that only
	// calls itself so does.
	step := submission("step", "tern-01", start)
	step.Step = &assess.StepRef{Plan: "plan-2", Number: 7, Inspector: "A. Brenner"}
	s.accept(t, step)
	is("2", true)
	_, err := s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-step", AssessmentID: "assessment-c", Because: "x", At: start})
	check(t, err)
	is("2", true)
	other := submission("other", "tern-01", start)
	other.Reference = "plan-2/8"
	s.accept(t, other)
	is("2", false)
	lost := submission("lost", "dale-02", start)
	lost.Step = &assess.StepRef{Plan: "plan-2", Number: 7}
	if _, err := s.Accept(t.Context(), lost); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a step of the plan of another vehicle is reported: %v", err)
	}
	if _, err := s.Report(t.Context(), us, "report-lost"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("and stored: %v", err)
	}
	s.order(t, "3", "tern-01", start)
	_, err = s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-b", AssessmentID: "assessment-d", Because: "x", At: start})
	check(t, err)
	is("3", false)
}

func (s plans) ticked(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	s.order(t, "2", "tern-01", start)
	say := func(plan string, step int, change func(*assess.TickSubmission)) (bool, error) {
		x := assess.TickSubmission{Tick: assess.Tick{Plan: plan, Step: step, On: "2026-05-03", Inspector: "A. Brenner", At: start, By: "key-1"}, Organisation: us, Vehicle: "tern-01"}
		if change != nil {
			change(&x)
		}
		return s.Tick(t.Context(), x)
	}
	_, err := say("plan-1", 4, nil)
	check(t, err)
	report := submission("step", "tern-01", start)
	report.Step, report.PostedBy, report.Inspected = &assess.StepRef{Plan: "plan-1", Number: 7, Inspector: "B. Orlo"}, "key-2", "2026-05-04"
	s.accept(t, report)
	_, err = say("plan-2", 1, nil)
	check(t, err)
	_, err = say("plan-1", 4, func(x *assess.TickSubmission) { x.Undone, x.On, x.Inspector, x.By = true, "", "", "" })
	check(t, err)
	for i, want := range []struct {
		repeat bool
		err    error
	}{{false, nil}, {true, nil}, {false, assess.ErrKeyReused}} {
		repeat, err := say("plan-1", 5, func(x *assess.TickSubmission) {
			x.IdempotencyKey, x.Fingerprint = "key", []string{"f", "f", "g"}[i]
		})
		if repeat != want.repeat || !errors.Is(err, want.err) {
			t.Errorf("sent for the %d. time: repeat %t, %v", i+1, repeat, err)
		}
	}
	for name, change := range map[string]func(*assess.TickSubmission){
		"of another vehicle": func(x *assess.TickSubmission) { x.Vehicle = "dale-02" }, "of another organisation": func(x *assess.TickSubmission) { x.Organisation = them },
		"of no plan": func(x *assess.TickSubmission) { x.Plan = "plan-9" },
	} {
		if _, err := say("plan-1", 1, change); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("a step %s is ticked: %v", name, err)
		}
	}
	first := assess.Tick{Plan: "plan-1", Step: 4, On: "2026-05-03", Inspector: "A. Brenner", Stands: true, At: stored(start), By: "key-1"}
	reported := assess.Tick{Plan: "plan-1", Step: 7, On: "2026-05-04", Inspector: "B. Orlo", Report: "report-step", Stands: true, At: stored(start), By: "key-2"}
	undone := assess.Tick{Plan: "plan-1", Step: 4, Undone: true, Stands: true, At: stored(start)}
	second, fifth := first, first
	second.Plan, second.Step, fifth.Step = "plan-2", 1, 5
	list, err := s.Ticks(t.Context(), us, "TERN-01", "plan-1")
	check(t, err)
	same(t, list, []assess.Tick{first, reported, undone, fifth})
	_, err = s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-step", AssessmentID: "assessment-c", Because: "x", At: start})
	check(t, err)
	reported.Stands = false
	list, err = s.Ticks(t.Context(), us, "tern-01", "")
	check(t, err)
	same(t, list, []assess.Tick{first, reported, second, undone, fifth})
	if list, err := s.Ticks(t.Context(), them, "tern-01", "plan-1"); err != nil || len(list) > 0 {
		t.Errorf("another organisation is told of %v, %v", list, err)
	}
	_, err = s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "tern-01", Because: "sold"})
	check(t, err)
	if list, err := s.Ticks(t.Context(), us, "tern-01", ""); err != nil || len(list) > 0 {
		t.Errorf("of an erased vehicle %v is told, %v", list, err)
	}
}

func (s plans) retried(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	_, err := s.StartPlan(t.Context(), "plan-1")
	check(t, err)
	if _, err := s.RetryPlan(t.Context(), us, "plan-1", start); !errors.Is(err, assess.ErrNotFailed) {
		t.Errorf("a plan that is being made is tried again: %v", err)
	}
	check(t, s.PlanEnqueued(t.Context(), "plan-1", 3, start))
	check(t, s.FailPlan(t.Context(), "plan-1", []byte(`{"title":"x"}`), start))
	for name, try := range map[string][2]string{"of nobody": {us, "plan-9"}, "of another": {them, "plan-1"}} {
		if _, err := s.RetryPlan(t.Context(), try[0], try[1], start); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("a plan %s is tried again: %v", name, err)
		}
	}
	if attempt, err := s.RetryPlan(t.Context(), us, "plan-1", start.Add(time.Hour)); err != nil || attempt != 3 {
		t.Errorf("attempt %d, %v", attempt, err)
	}
	p, err := s.PlanStore.Plan(t.Context(), us, "plan-1")
	check(t, err)
	if p.State != assess.Queued || p.Problem != nil || !p.FinishedAt.IsZero() || p.Starts != 0 || !p.EnqueuedAt.Equal(stored(start.Add(time.Hour))) {
		t.Errorf("%+v", p)
	}
	check(t, s.FinishPlan(t.Context(), "plan-1", []byte(`{}`), start))
	if _, err := s.RetryPlan(t.Context(), us, "plan-1", start); !errors.Is(err, assess.ErrNotFailed) {
		t.Errorf("a plan that is done is tried again: %v", err)
	}
}

func (s plans) beside(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	b, err := s.Basis(t.Context(), us, "tern-01")
	check(t, err)
	for i, name := range []string{"2", "3"} {
		x := planned(name, b, start.Add(time.Duration(i)*time.Second))
		x.WhatIfOf = "plan-1"
		_, _, err := s.OrderPlan(t.Context(), x)
		check(t, err)
	}
	check(t, s.FinishPlan(t.Context(), "plan-2", []byte(`{"x":1}`), start))
	list, err := s.Plans(t.Context(), assess.PlanPage{Organisation: us, Vehicle: "tern-01", Limit: 9})
	check(t, err)
	if len(list) != 1 || list[0].ID != "plan-1" || list[0].WhatIfOf != "" {
		t.Errorf("listed are %+v", list)
	}
	list, err = s.WhatIfs(t.Context(), us, "plan-1", 9)
	check(t, err)
	if len(list) != 2 || list[0].ID != "plan-2" || list[1].ID != "plan-3" || list[1].WhatIfOf != "plan-1" || string(list[0].Body) != `{"x":1}` {
		t.Errorf("beside it are %+v", list)
	}
	if list, err := s.WhatIfs(t.Context(), them, "plan-1", 9); err != nil || len(list) > 0 {
		t.Errorf("another organisation is told of %v, %v", list, err)
	}
	if list, err := s.WhatIfs(t.Context(), us, "plan-1", 1); err != nil || len(list) != 1 {
		t.Errorf("of one %d are listed, %v", len(list), err)
	}
}

func (s plans) repeats(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	b, err := s.Basis(t.Context(), us, "tern-01")
	check(t, err)
	first := planned("1", b, start)
	first.IdempotencyKey = "key"
	_, _, err = s.OrderPlan(t.Context(), first)
	check(t, err)
	again := planned("2", b, start.Add(time.Hour))
	again.IdempotencyKey = "key"
	if p, repeat, err := s.OrderPlan(t.Context(), again); err != nil || !repeat || p.ID != "plan-1" {
		t.Errorf("a repeat gets %s, repeat %t, %v", p.ID, repeat, err)
	}
	again.Fingerprint = "other"
	if _, _, err := s.OrderPlan(t.Context(), again); !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("another order under the key: %v", err)
	}
	theirs := planned("3", b, start)
	theirs.IdempotencyKey = ""
	if p, repeat, err := s.OrderPlan(t.Context(), theirs); err != nil || repeat || p.ID != "plan-3" {
		t.Errorf("without a key: %s, repeat %t, %v", p.ID, repeat, err)
	}
}

func (s plans) race(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	b, err := s.Basis(t.Context(), us, "tern-01")
	check(t, err)
	var all sync.WaitGroup
	var stored atomic.Int64
	for i := range 8 {
		all.Go(func() {
			o := planned(fmt.Sprint(i), b, start)
			o.IdempotencyKey = "key"
			if _, repeat, err := s.OrderPlan(t.Context(), o); err != nil {
				t.Error(err)
			} else if !repeat {
				stored.Add(1)
			}
		})
	}
	all.Wait()
	list, err := s.Plans(t.Context(), assess.PlanPage{Organisation: us, Vehicle: "tern-01", Limit: 9})
	check(t, err)
	if stored.Load() != 1 || len(list) != 1 {
		t.Errorf("%d are stored, and %d listed", stored.Load(), len(list))
	}
}

func (s plans) listed(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.accept(t, submission("x", "dale-02", start))
	for i, name := range []string{"1", "2", "3", "4"} {
		s.order(t, name, "tern-01", start.Add(time.Duration(i/2)*time.Minute)) // two at one time
	}
	s.order(t, "5", "dale-02", start)
	check(t, s.FinishPlan(t.Context(), "plan-2", []byte(`{}`), start))
	var seen []string
	page := assess.PlanPage{Organisation: us, Vehicle: "Tern-01", Limit: 3}
	for {
		list, err := s.Plans(t.Context(), page)
		check(t, err)
		for _, p := range list {
			seen = append(seen, p.ID)
			if p.Body != nil {
				t.Errorf("the list has the body of %s", p.ID)
			}
		}
		if len(list) < page.Limit {
			break
		}
		last := list[len(list)-1]
		page.BeforeCreated, page.BeforeID = last.CreatedAt, last.ID
	}
	same(t, seen, []string{"plan-4", "plan-3", "plan-2", "plan-1"})
	if _, err := s.Plans(t.Context(), assess.PlanPage{Organisation: us, Vehicle: "nowhere", Limit: 3}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("plans of no vehicle: %v", err)
	}
}

func (s plans) waiting(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	for i, name := range []string{"1", "2", "3", "4"} {
		s.order(t, name, "tern-01", start.Add(time.Duration(i)*time.Minute))
	}
	check(t, s.FinishPlan(t.Context(), "plan-2", []byte(`{}`), start))
	check(t, s.PlanEnqueued(t.Context(), "plan-1", 2, start.Add(10*time.Minute)))
	check(t, s.PlanEnqueued(t.Context(), "plan-1", 1, start)) // late word
	found := func(before, after time.Time, limit int) (ids []string) {
		t.Helper()
		list, err := s.WaitingPlans(t.Context(), before, after, limit)
		check(t, err)
		for _, p := range list {
			ids = append(ids, fmt.Sprint(p.ID, " ", p.Attempt))
		}
		return ids
	}
	far := start.Add(time.Hour)
	same(t, found(start.Add(5*time.Minute), far, 9), []string{"plan-3 0", "plan-4 0"})
	same(t, found(far, far, 2), []string{"plan-3 0", "plan-4 0"})
	same(t, found(start, start.Add(5*time.Minute), 9), []string{"plan-1 2"}) // by a clock that was set back
}

func (s plans) strangers(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.order(t, "1", "tern-01", start)
	const them = "another"
	if _, err := s.PlanStore.Plan(t.Context(), them, "plan-1"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's plan: %v", err)
	}
	if _, err := s.Plans(t.Context(), assess.PlanPage{Organisation: them, Vehicle: "tern-01", Limit: 3}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's plans: %v", err)
	}
	if _, err := s.Basis(t.Context(), them, "tern-01"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's vehicle: %v", err)
	}
	theirs := submission("b", "tern-01", start)
	theirs.Organisation = them
	s.accept(t, theirs)
	b, err := s.Basis(t.Context(), them, "tern-01")
	check(t, err)
	o := planned("2", b, start)
	o.Organisation = them
	if _, repeat, err := s.OrderPlan(t.Context(), o); err != nil || repeat || b.ID != "assessment-b" {
		t.Errorf("made of %s, repeat %t, %v", b.ID, repeat, err)
	}
	if p, err := s.PlanStore.Plan(t.Context(), us, "plan-1"); err != nil || !p.Current {
		t.Errorf("another's report makes it not current: %t, %v", p.Current, err)
	}
}
