package assess

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"laidup/internal/calendar"
	"laidup/internal/jobbook"
	"laidup/internal/logging"
	"laidup/internal/plan"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/wording"
)

// PlanSubmission is a plan on its way into the store. It covers the reports that Basis covers.
type PlanSubmission struct {
	ID           string
	Organisation string
	Basis        Assessment // the assessment that it is made of
	Gate         string
	Request      []byte // a [plan.Form] as JSON, with every default that would change tomorrow
	At           time.Time
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	// Fingerprint is a digest of what the key came with.
	IdempotencyKey string
	Fingerprint    string
	WhatIfOf       string // the plan that it is to be held beside; empty: it is one to work by
}

// Plan is a stored plan. It covers the reports on Vehicle that stood at Ordinal, so that it comes out the same whenever
// it is made.
type Plan struct {
	ID, Vehicle, Gate      string
	AssessmentID, ReportID string
	Ordinal                int
	RuleSet                RuleSetRef
	Request                []byte // a [plan.Form] as JSON
	State                  State
	Attempt                int    // how often it was handed to the queue
	Organisation           string // whose it is; only [PlanStore.StartPlan] tells
	Starts                 int    // how often a worker began with it; only [PlanStore.StartPlan] tells
	CreatedAt              time.Time
	EnqueuedAt             time.Time  // when it was last handed to the queue, or created
	FinishedAt             time.Time  // zero until done or failed
	Current                bool       // but for those of its own steps no report came on the vehicle since, and none was withdrawn; workers are not told
	Body                   []byte     // a [plan.Plan] as JSON, once done
	Done                   []StepDone // the steps of it that are done; only [Account.Plan] tells
	Problem                []byte     // problem details, once failed
	WhatIfOf               string     // the plan that it is to be held beside; empty: it is one to work by
}

// Tick is what somebody said of a step of a plan: that it is done, or that it is not after all. It is never changed; the
// newest of a step counts.
type Tick struct {
	Plan      string
	Step      int
	Undone    bool
	On        string // the day on which it was done; empty where it is not
	Inspector string // who did it; empty: nobody told
	Report    string // the id of the report of what was found; empty: the step finds nothing
	Stands    bool   // its report, if it has one, was not withdrawn; only [PlanStore.Ticks] tells
	At        time.Time
	By        string // the id of the API key that it came with; empty: none was needed
}

// TickSubmission is a tick on its way into the store.
type TickSubmission struct {
	Tick
	Organisation, Vehicle string
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	IdempotencyKey, Fingerprint string
}

// PlanPage asks for a vehicle's plans without bodies, newest first. Cursor: BeforeCreated and BeforeID of the last one seen;
// zero starts at the beginning.
type PlanPage struct {
	Organisation  string
	Vehicle       string
	BeforeCreated time.Time
	BeforeID      string
	Limit         int
}

// PlanStore keeps plans. What goes for [Store] goes for it.
type PlanStore interface {
	// Basis returns the newest assessment of a vehicle that has not failed, finished or not, without its body;
	// ErrNotAssessedYet where there is none.
	Basis(ctx context.Context, organisation, vehicle string) (Assessment, error)
	// OrderPlan stores a queued plan. It returns ErrKeyReused when the idempotency key is known with another
	// fingerprint; repeat says that the key and fingerprint are those of the plan that it returns.
	OrderPlan(ctx context.Context, s PlanSubmission) (p Plan, repeat bool, err error)
	// Plan returns one plan with its body.
	Plan(ctx context.Context, organisation, id string) (Plan, error)
	// Tick writes down what is said of a step of a plan of a vehicle that finds nothing, or is not done after all. Where a
	// step finds something, [Store.Accept] does with the report. It returns ErrNotFound where the vehicle has no
	// such plan, and ErrKeyReused when the idempotency key is known with another fingerprint; repeat says that the
	// key and fingerprint are known, and that nothing was written.
	Tick(ctx context.Context, t TickSubmission) (repeat bool, err error)
	// Ticks lists what was said of the steps of a vehicle's plans, or of one of them if it is named, in the order in
	// which it was said.
	Ticks(ctx context.Context, organisation, vehicle, plan string) ([]Tick, error)
	// Plans lists a vehicle's plans, but for those that are only to be held beside another.
	Plans(ctx context.Context, p PlanPage) ([]Plan, error)
	// WhatIfs lists the plans that are to be held beside one, with their bodies, oldest first.
	WhatIfs(ctx context.Context, organisation, plan string, limit int) ([]Plan, error)
	// RetryPlan is for plans what [Store.Retry] is for assessments; it returns ErrNotFailed.
	RetryPlan(ctx context.Context, organisation, id string, at time.Time) (attempt int, err error)
	// StartPlan, PutBackPlan, FinishPlan, FailPlan, WaitingPlans and PlanEnqueued are for plans what [Store] has for
	// assessments.
	StartPlan(ctx context.Context, id string) (Plan, error)
	PutBackPlan(ctx context.Context, id string) error
	FinishPlan(ctx context.Context, id string, body []byte, at time.Time) error
	FailPlan(ctx context.Context, id string, problem []byte, at time.Time) error
	WaitingPlans(ctx context.Context, before, after time.Time, limit int) ([]Plan, error)
	PlanEnqueued(ctx context.Context, id string, attempt int, at time.Time) error
}

// ErrNoPlans means that this service makes no plans, or that there is no job book for the rule set.
var ErrNoPlans = errors.New("no plans")

// BadPlanOrderError means that what a plan was asked for cannot be taken: these are its faults.
type BadPlanOrderError struct {
	Faults []report.Fault
}

// Error counts the faults.
func (e *BadPlanOrderError) Error() string {
	return fmt.Sprintf("the order of a plan has %d faults", len(e.Faults))
}

// farthestStart is how many days from now a plan may begin, either way.
const farthestStart = 3660

// OrderPlan stores a plan to be made of a vehicle's reports as they are now, and hands it to the queue. body is a
// [plan.Form]. It is planned under the rule set of the newest assessment, or the current one where there is no job book for
// that. Once it returns without an error the order is safe: the sweep hands it over if the queue is down. Work begins
// today unless the order says when. The error is a [*BadPlanOrderError], [ErrNotFound], [ErrNotAssessedYet],
// [ErrKeyReused], [ErrNoPlans], or one of the store's.
func (own Account) OrderPlan(ctx context.Context, reference string, body []byte, key string) (Plan, error) {
	s := own.service
	if s.plans == nil || s.jobs == nil {
		return Plan{}, ErrNoPlans
	}
	form, faults := plan.DecodeForm(body)
	if len(faults) > 0 {
		return Plan{}, &BadPlanOrderError{faults}
	}
	basis, err := s.plans.Basis(ctx, own.organisation, reference)
	if err != nil {
		return Plan{}, fmt.Errorf("find what to plan %s by: %w", reference, err)
	}
	set, book, err := own.plannedBy(ctx, basis.RuleSet)
	if err != nil {
		return Plan{}, err
	}
	basis.RuleSet = refOf(set)
	if _, err := gateOf(set, basis.Gate); err != nil {
		basis.Gate = set.Gates[set.Asks].ID
	}
	q, faults := form.Request(book, set)
	at := s.clock()
	today := dayOf(at)
	if q.Start != 0 && (q.Start < today-farthestStart || q.Start > today+farthestStart) {
		faults = append(faults, report.Fault{Pointer: "/start", Code: report.OutOfRange, Detail: "a plan begins within ten years of today: leave it out to begin today"})
	}
	if len(faults) > 0 {
		return Plan{}, &BadPlanOrderError{faults}
	}
	asked, err := json.Marshal(form)
	if err != nil {
		return Plan{}, fmt.Errorf("encode order of a plan: %w", err)
	}
	form.Gate = cmp.Or(form.Gate, basis.Gate)
	form.Start = cmp.Or(form.Start, today.String())
	if form.Off == nil {
		if form.Off, err = own.off(ctx, basis.Vehicle, book); err != nil {
			return Plan{}, err
		}
	}
	request, err := json.Marshal(form)
	if err != nil {
		return Plan{}, fmt.Errorf("encode order of a plan: %w", err)
	}
	return own.order(ctx, PlanSubmission{
		Basis: basis, Gate: form.Gate, Request: request, At: at, IdempotencyKey: key, Fingerprint: fingerprint("plan", strings.ToLower(reference), asked),
	})
}

// MostWhatIfs is how many plans may be held beside one.
const MostWhatIfs = 20

// WhatIf orders a plan to be held beside one: of the same reports and begun on the same day, with a change. body is a
// [plan.Form] of which at least one member is given. What goes for [Account.OrderPlan] goes for it.
func (own Account) WhatIf(ctx context.Context, id string, body []byte, key string) (Plan, error) {
	s := own.service
	if s.plans == nil || s.jobs == nil {
		return Plan{}, ErrNoPlans
	}
	of, err := s.plans.Plan(ctx, own.organisation, id)
	if err != nil {
		return Plan{}, fmt.Errorf("load plan %s: %w", id, err)
	}
	change, faults := plan.DecodeForm(body)
	if len(faults) > 0 {
		return Plan{}, &BadPlanOrderError{faults}
	}
	base, faults := plan.DecodeForm(of.Request)
	if len(faults) > 0 {
		return Plan{}, fmt.Errorf("read order of plan %s: %s", id, faults[0].Detail)
	}
	set, book, err := own.plannedBy(ctx, of.RuleSet)
	if err != nil {
		return Plan{}, err
	}
	form := base.With(change)
	_, faults = change.Request(book, set)
	if asked, err := json.Marshal(form.Since(base)); err == nil && string(asked) == "{}" {
		faults = append(faults, report.Fault{Pointer: "", Code: report.Missing, Detail: `say what is to be otherwise than in the plan: {"people": 2}, {"without": ["renew_clutch"]}, {"late": {"timing_belt": 7}}, {"gate": "crank"}`})
	}
	root := cmp.Or(of.WhatIfOf, of.ID)
	others, err := s.plans.WhatIfs(ctx, own.organisation, root, MostWhatIfs)
	if err != nil {
		return Plan{}, err
	}
	if len(others) == MostWhatIfs {
		faults = append(faults, report.Fault{Pointer: "", Code: report.OutOfRange, Detail: fmt.Sprintf("%d plans stand beside this one already: order a plan with this change", MostWhatIfs)})
	}
	if len(faults) > 0 {
		return Plan{}, &BadPlanOrderError{faults}
	}
	request, err := json.Marshal(form)
	if err != nil {
		return Plan{}, fmt.Errorf("encode order of a plan: %w", err)
	}
	return own.order(ctx, PlanSubmission{
		Basis: Assessment{ID: of.AssessmentID, ReportID: of.ReportID, Vehicle: of.Vehicle, Ordinal: of.Ordinal, Gate: form.Gate, RuleSet: refOf(set)},
		Gate:  form.Gate, Request: request, WhatIfOf: root, IdempotencyKey: key, Fingerprint: fingerprint("what if", id, body), At: s.clock(),
	})
}

// order stores a plan to be made, and hands it to the queue.
func (own Account) order(ctx context.Context, o PlanSubmission) (Plan, error) {
	s := own.service
	o.ID, o.Organisation = s.newID(), own.organisation
	p, repeat, err := s.plans.OrderPlan(ctx, o)
	if err != nil {
		return Plan{}, fmt.Errorf("store plan of %s: %w", o.Basis.Vehicle, err)
	}
	s.log.InfoContext(ctx, "plan ordered", "plan", p.ID, "assessment", p.AssessmentID, "gate", p.Gate, "what_if_of", p.WhatIfOf, "repeat", repeat)
	if !repeat {
		s.hand(context.WithoutCancel(ctx), s.planning(), errand{p.ID, firstAttempt}, senderWaits)
	}
	return p, nil
}

// Side is a plan as it is held beside another. Figures is nil until it is made, and Than, which is what it opens and does that
// the other does not, until both are; Change is what its order has otherwise.
type Side struct {
	Stored  Plan
	Change  plan.Form
	Figures *plan.Figures
	Than    *plan.Difference
}

// WhatIfs returns a plan and those that are held beside it, in that order; of one that is held beside another, those of
// the other.
func (own Account) WhatIfs(ctx context.Context, id string) ([]Side, error) {
	of, err := own.Plan(ctx, id)
	if err == nil && of.WhatIfOf != "" {
		of, err = own.Plan(ctx, of.WhatIfOf)
	}
	if err != nil {
		return nil, err
	}
	beside, err := own.service.plans.WhatIfs(ctx, own.organisation, of.ID, MostWhatIfs)
	if err != nil {
		return nil, fmt.Errorf("list what stands beside plan %s: %w", id, err)
	}
	var base plan.Form
	var from *plan.Plan
	var sides []Side
	for i, stored := range append([]Plan{of}, beside...) {
		asked, faults := plan.DecodeForm(stored.Request)
		if len(faults) > 0 {
			return nil, fmt.Errorf("read order of plan %s: %s", stored.ID, faults[0].Detail)
		}
		if i == 0 {
			base = asked
		}
		s := Side{Stored: stored, Change: asked.Since(base)}
		if stored.State == Done {
			read, err := made(stored)
			if err != nil {
				return nil, err
			}
			figures := read.Figures()
			s.Figures = &figures
			if i == 0 {
				from = read
			} else if from != nil {
				than := read.Beside(from)
				s.Than = &than
			}
		}
		sides = append(sides, s)
	}
	return sides, nil
}

// off tells what is open on a vehicle by what was ticked: what was open when its newest plan was ordered, and what was
// said of its steps, and of those of others since then. States that the book does not know are left out.
func (own Account) off(ctx context.Context, vehicle string, book *jobbook.Book) ([]string, error) {
	plans := own.service.plans
	newest, err := plans.Plans(ctx, PlanPage{Organisation: own.organisation, Vehicle: vehicle, Limit: 1})
	if err != nil || len(newest) == 0 {
		return nil, err
	}
	ticks, err := plans.Ticks(ctx, own.organisation, vehicle, "")
	if err != nil {
		return nil, fmt.Errorf("find what is off %s: %w", vehicle, err)
	}
	said := map[string][]Tick{}
	var order []string // of the plans, those first of which something was said last
	for _, t := range ticks {
		said[t.Plan] = append(said[t.Plan], t)
		order = slices.DeleteFunc(order, func(id string) bool { return id == t.Plan })
		order = append(order, t.Plan)
	}
	order = append(slices.DeleteFunc(order, func(id string) bool { return id == newest[0].ID }), newest[0].ID)
	var list []plan.Ticked
	for _, id := range order {
		last := lastSaid(said[id])
		ticked := plan.Ticked{}
		for step, t := range last {
			switch since := !t.At.Before(newest[0].CreatedAt); {
			case done(t) && (since || id == newest[0].ID):
				ticked.Done = append(ticked.Done, step)
			case !done(t) && since && id != newest[0].ID:
				ticked.Undone = append(ticked.Undone, step)
			}
		}
		if len(ticked.Done)+len(ticked.Undone) == 0 {
			continue
		}
		stored, err := plans.Plan(ctx, own.organisation, id)
		if err != nil {
			return nil, fmt.Errorf("find what is off %s: %w", vehicle, err)
		}
		if ticked.Plan, err = made(stored); err != nil {
			return nil, err
		}
		list = append(list, ticked)
	}
	asked, faults := plan.DecodeForm(newest[0].Request)
	if len(faults) > 0 {
		return nil, fmt.Errorf("read order of plan %s: %s", newest[0].ID, faults[0].Detail)
	}
	return slices.DeleteFunc(plan.OffAfter(asked.Off, list...), func(id string) bool {
		return !slices.ContainsFunc(book.States, func(s *jobbook.State) bool { return s.ID == id })
	}), nil
}

// lastSaid has the newest tick of each step of a plan, of which these are all.
func lastSaid(ticks []Tick) map[int]Tick {
	last := map[int]Tick{}
	for _, t := range ticks {
		if t.Undone || t.Stands || !done(last[t.Step]) {
			last[t.Step] = t // the report of an earlier one stands though that of a later one was withdrawn
		}
	}
	return last
}

// done says whether a step is done by its newest tick.
func done(t Tick) bool { return t.Step > 0 && !t.Undone && t.Stands }

// made reads a plan that is done.
func made(p Plan) (*plan.Plan, error) {
	var read plan.Plan
	if err := json.Unmarshal(p.Body, &read); err != nil {
		return nil, fmt.Errorf("read plan %s: %w", p.ID, err)
	}
	return &read, nil
}

// plannedBy finds what to plan by: the rule set of an assessment, or the current one where that is gone or no job book is
// written for it.
func (own Account) plannedBy(ctx context.Context, ref RuleSetRef) (*ruleset.Set, *jobbook.Book, error) {
	s := own.service
	scorer, err := s.shelf.version(ctx, own.organisation, ref)
	if err == nil {
		if book, err := s.jobs(scorer.RuleSet()); err == nil {
			return scorer.RuleSet(), book, nil
		}
	} else if !errors.As(err, new(*UnscorableError)) {
		return nil, nil, err
	}
	book, err := s.jobs(s.current())
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrNoPlans, err)
	}
	return s.current(), book, nil
}

// Plan returns a stored plan.
func (own Account) Plan(ctx context.Context, id string) (Plan, error) {
	if own.service.plans == nil {
		return Plan{}, ErrNotFound
	}
	p, err := own.service.plans.Plan(ctx, own.organisation, id)
	if err != nil {
		return p, fmt.Errorf("load plan %s: %w", id, err)
	}
	if p.State == Done {
		p.Done, err = own.stepsDone(ctx, p)
	}
	return p, err
}

// StepDone is a step of a plan that somebody said is done.
type StepDone struct {
	Step      int
	On        string // the day on which it was done
	Inspector string // who did it; empty: nobody told
	Report    string // the id of the newest report of what was found; empty: it finds nothing
	At        time.Time
	By        string // the id of the API key that it came with; empty: none was needed
}

// stepsDone lists the steps of a plan that are done, by their numbers.
func (own Account) stepsDone(ctx context.Context, p Plan) ([]StepDone, error) {
	ticks, err := own.service.plans.Ticks(ctx, own.organisation, p.Vehicle, p.ID)
	if err != nil {
		return nil, fmt.Errorf("list what was done of plan %s: %w", p.ID, err)
	}
	var list []StepDone
	for _, t := range lastSaid(ticks) {
		if done(t) {
			list = append(list, StepDone{t.Step, t.On, t.Inspector, t.Report, t.At, t.By})
		}
	}
	slices.SortFunc(list, func(a, b StepDone) int { return a.Step - b.Step })
	return list, nil
}

// Plans lists a vehicle's plans; the organisation of the page is filled in.
func (own Account) Plans(ctx context.Context, p PlanPage) ([]Plan, error) {
	if own.service.plans == nil {
		return nil, nil
	}
	p.Organisation = own.organisation
	list, err := own.service.plans.Plans(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list plans of %s: %w", p.Vehicle, err)
	}
	return list, nil
}

// Said counts how often something was said of each step of a plan.
func (own Account) Said(ctx context.Context, p Plan) (map[int]int, error) {
	ticks, err := own.service.plans.Ticks(ctx, own.organisation, p.Vehicle, p.ID)
	if err != nil {
		return nil, fmt.Errorf("list what was said of plan %s: %w", p.ID, err)
	}
	said := map[int]int{}
	for _, t := range ticks {
		said[t.Step]++
	}
	return said, nil
}

// BadStepReportError means that what was said of a step cannot be taken: these are its faults.
type BadStepReportError struct {
	Faults []report.Fault
}

// Error counts the faults.
func (e *BadStepReportError) Error() string {
	return fmt.Sprintf("the report of a step has %d faults", len(e.Faults))
}

// step loads a plan that is done, and the number of steps tells whether it has one.
func (own Account) step(ctx context.Context, id string, step int) (Plan, *plan.Plan, error) {
	p, err := own.Plan(ctx, id)
	if err != nil {
		return p, nil, err
	}
	if p.State != Done {
		return p, nil, ErrPlanUnfinished
	}
	read, err := made(p)
	if err == nil && (step < 1 || step > len(read.Steps)) {
		err = fmt.Errorf("step %d of plan %s: %w", step, id, ErrNotFound)
	}
	return p, read, err
}

// ReportStep says that a step of a plan is done. What it finds is a report on the vehicle: what the step reports if all is
// well, and what body, a [plan.DoneForm], has besides or instead; found is nil where it finds nothing. The error is a
// [*BadStepReportError], [ErrNotFound], [ErrPlanUnfinished], or one of [Account.Submit].
func (own Account) ReportStep(ctx context.Context, id string, step int, body []byte, key string) (said StepDone, found *Accepted, err error) {
	p, read, err := own.step(ctx, id, step)
	if err != nil {
		return StepDone{}, nil, err
	}
	form, faults := plan.DecodeDone(body)
	now := own.service.clock()
	if form.Date == "" {
		form.Date = dayOf(now).String()
	} else if d, err := calendar.Parse(form.Date); err == nil && d.Earliest() > dayOf(now)+report.DaysAhead {
		faults = append(faults, report.Fault{Pointer: "/date", Code: report.OutOfRange, Detail: "this day is still to come: write the day on which it was done"})
	}
	if len(faults) > 0 {
		return StepDone{}, nil, &BadStepReportError{faults}
	}
	posted, faults := read.Done(step, form)
	if len(faults) > 0 {
		return StepDone{}, nil, &BadStepReportError{faults}
	}
	// Sent again tomorrow it is the same, though it would be dated tomorrow.
	sent := fmt.Appendf(nil, "step %d of %s\x00%s", step, id, body)
	said = StepDone{Step: step, On: form.Date, Inspector: form.Inspector, At: now, By: ActorOf(ctx).Key}
	if posted != nil {
		accepted, err := own.Submit(ctx, Order{Body: posted, Sent: sent, Gate: p.Gate, IdempotencyKey: key, Step: &StepRef{id, step, form.Inspector}})
		said.Report = accepted.ReportID
		return said, &accepted, err
	}
	t := TickSubmission{
		Tick:         Tick{Plan: id, Step: step, On: said.On, Inspector: said.Inspector, At: now, By: said.By},
		Organisation: own.organisation, Vehicle: p.Vehicle, IdempotencyKey: key, Fingerprint: fingerprint("", "", sent),
	}
	repeat, err := own.service.plans.Tick(ctx, t)
	if err != nil {
		return StepDone{}, nil, fmt.Errorf("tick step %d of plan %s: %w", step, id, err)
	}
	own.service.log.InfoContext(ctx, "step done", "plan", id, "step", step, "repeat", repeat)
	return said, nil, nil
}

// TakeBackStep says that a step of a plan is not done after all: it was ticked by mistake. What was reported of it is
// withdrawn. Nothing changes where the step is not done. The error is [ErrNotFound], [ErrPlanUnfinished], or one of the store's.
func (own Account) TakeBackStep(ctx context.Context, id string, step int) error {
	p, _, err := own.step(ctx, id, step)
	if err != nil || !slices.ContainsFunc(p.Done, func(d StepDone) bool { return d.Step == step }) {
		return err
	}
	ticks, err := own.service.plans.Ticks(ctx, own.organisation, p.Vehicle, id)
	if err != nil {
		return fmt.Errorf("take back step %d of plan %s: %w", step, id, err)
	}
	for _, t := range ticks {
		if t.Step == step && t.Report != "" && t.Stands {
			if _, err := own.Withdraw(ctx, t.Report, fmt.Sprintf("Step %d of plan %s was marked as done by mistake.", step, id)); err != nil {
				return err
			}
		}
	}
	_, err = own.service.plans.Tick(ctx, TickSubmission{
		Tick: Tick{Plan: id, Step: step, Undone: true, At: own.service.clock(), By: ActorOf(ctx).Key}, Organisation: own.organisation, Vehicle: p.Vehicle,
	})
	if err != nil {
		return fmt.Errorf("take back step %d of plan %s: %w", step, id, err)
	}
	own.service.log.InfoContext(ctx, "step not done after all", "plan", id, "step", step)
	return nil
}

// RetryPlan queues a failed plan again. The error is [ErrNotFound] or [ErrNotFailed].
func (own Account) RetryPlan(ctx context.Context, id string) error {
	if own.service.plans == nil {
		return ErrNotFound
	}
	attempt, err := own.service.plans.RetryPlan(ctx, own.organisation, id, own.service.clock())
	if err != nil {
		return fmt.Errorf("retry plan %s: %w", id, err)
	}
	attempt = max(attempt, firstAttempt) + 1
	own.service.log.InfoContext(ctx, "failed plan is tried again", "plan", id, "attempt", attempt)
	own.service.hand(context.WithoutCancel(ctx), own.service.planning(), errand{id, attempt}, senderWaits)
	return nil
}

// ErrPlanUnfinished means that a plan has no steps yet, or has failed.
var ErrPlanUnfinished = errors.New("plan not finished")

// AwaitPlan returns a plan as soon as it is finished, or as it is when ctx ends or the time given is over.
func (own Account) AwaitPlan(ctx context.Context, id string, wait time.Duration) (Plan, error) {
	return await(ctx, own.service.board.watch(aboutWork(id)), wait, func() (Plan, State, error) {
		p, err := own.Plan(ctx, id)
		return p, p.State, err
	})
}

// Whoever waits asks again when he is told to, and from time to time: word from another process may be lost.
const (
	firstPause  = 100 * time.Millisecond
	longerPause = time.Second
)

// await asks for something until it is finished, ctx ends or the time given is over. It ends the watch.
func await[T any](ctx context.Context, w *Watch, wait time.Duration, ask func() (T, State, error)) (T, error) {
	defer w.Stop()
	deadline := time.NewTimer(wait)
	defer deadline.Stop()
	pause := firstPause
	again := time.NewTimer(pause)
	defer again.Stop()
	for {
		v, state, err := ask()
		if err != nil || state == Done || state == Failed {
			return v, err
		}
		select {
		case <-ctx.Done():
			return v, nil
		case <-deadline.C:
			return v, nil
		case <-w.C:
		case <-again.C:
			pause = min(2*pause, longerPause)
			again.Reset(pause)
		}
	}
}

// MakePlan makes a plan and writes it once. Making it again changes nothing. The error is [ErrNotFound] or [ErrFinished]
// where there is nothing to do, else one worth a retry.
func (s *Service) MakePlan(ctx context.Context, id string) error {
	if s.plans == nil {
		return fmt.Errorf("make plan %s: %w", id, ErrNoPlans)
	}
	err := s.makePlan(ctx, id)
	if err != nil && !errors.Is(err, ErrNotFound) && !errors.Is(err, ErrFinished) {
		s.tell.Interrupted()
	}
	return err
}

func (s *Service) makePlan(ctx context.Context, id string) error {
	ctx = logging.With(ctx, slog.String("plan", id))
	p, err := s.plans.StartPlan(ctx, id)
	if err != nil {
		return fmt.Errorf("start plan %s: %w", id, err)
	}
	ctx = logging.With(ctx, slog.String("organisation", p.Organisation), slog.Int("starts", p.Starts))
	began := time.Now()
	// What panics will panic again, and what cannot be planned now cannot be planned later.
	body, err := guarded(ctx, s, p.ID, p.Starts, func() ([]byte, error) { return s.planned(ctx, p) })
	never, err := s.settle(ctx, id, err, ending{
		func() error { return s.plans.FinishPlan(ctx, id, body, s.clock()) }, s.plans.FailPlan, s.plans.PutBackPlan,
	})
	if err != nil {
		return fmt.Errorf("make plan %s: %w", id, err)
	}
	s.changed(aboutWork(p.ID), aboutAll(p.Organisation))
	if never != nil {
		s.tell.PlanFinished(Failed)
		s.log.WarnContext(ctx, "plan failed", "title", never.Title, "error", never)
	} else {
		s.tell.PlanFinished(Done)
		s.log.InfoContext(ctx, "plan done", "gate", p.Gate, "ms", milliseconds(time.Since(began)))
	}
	return nil
}

// planned makes a plan.
func (s *Service) planned(ctx context.Context, p Plan) ([]byte, error) {
	of := Assessment{ID: p.AssessmentID, Organisation: p.Organisation, Vehicle: p.Vehicle, Ordinal: p.Ordinal, RuleSet: p.RuleSet}
	scorer, err := s.shelf.version(ctx, of.Organisation, of.RuleSet)
	if err != nil {
		return nil, err
	}
	set := scorer.RuleSet()
	reports, err := s.reports(ctx, of, set)
	if err != nil {
		return nil, err
	}
	book, err := s.jobBook(set)
	if err != nil {
		return nil, err
	}
	form, faults := plan.DecodeForm(p.Request)
	q, more := form.Request(book, set)
	if faults = slices.Concat(faults, more); len(faults) > 0 {
		return nil, &UnscorableError{"The job book is another by now", fmt.Sprintf("what was asked for cannot be had of it any more; order a new plan: %s: %s", faults[0].Pointer, faults[0].Detail)}
	}
	gate, err := gateOf(set, p.Gate)
	if err != nil {
		return nil, &UnscorableError{"No such gate", err.Error()}
	}
	reports = plan.AsOf(reports, q.Start)
	a := scorer.Evaluate(reports, gate)
	wording.English().Write(a)
	a.ID, a.Report = p.AssessmentID, p.ReportID
	made, err := plan.Make(book, set, report.Lay(reports, set.Catalogue, set.ProofCredence), a, q)
	if err != nil {
		return nil, &UnscorableError{"The plan cannot be made", fmt.Sprintf("%s: tell us the id %s", err, p.ID)}
	}
	made.ID = p.ID
	body, err := made.JSON()
	if err != nil {
		return nil, fmt.Errorf("encode plan %s: %w", p.ID, err)
	}
	return body, nil
}

// jobBook returns the job book for a rule set.
func (s *Service) jobBook(set *ruleset.Set) (*jobbook.Book, error) {
	if s.jobs == nil {
		return nil, &UnscorableError{"No job book", "this service has no job book to plan by"}
	}
	book, err := s.jobs(set)
	if err != nil {
		return nil, &UnscorableError{"No job book", fmt.Sprintf("there is no job book for rule set %s %s: %s", set.Name, set.Version, err)}
	}
	return book, nil
}

// planning is the lane of plans.
func (s *Service) planning() lane { return lane{"plan", s.planQueue, s.plans.PlanEnqueued} }

// sweepPlans hands over again the plans that wait too long and that no queue holds.
func (s *Service) sweepPlans(ctx context.Context, before, after time.Time) (int, error) {
	if s.plans == nil {
		return 0, nil
	}
	waiting, err := s.plans.WaitingPlans(ctx, before, after, sweepBatch)
	if err != nil {
		return 0, fmt.Errorf("find waiting plans: %w", err)
	}
	var errands []errand
	for _, p := range waiting {
		errands = append(errands, errand{p.ID, p.Attempt})
	}
	return s.handAgain(ctx, s.planning(), errands)
}

// Today is the day that it is for the service, in UTC.
func (s *Service) Today() calendar.Day { return dayOf(s.clock()) }
