package assess

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
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
	Done                   []StepDone // what was reported of it; only [Account.Plan] tells
	Problem                []byte     // problem details, once failed
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
	// StepReports lists the reports of a plan's steps that stand, without their bodies, oldest first: by their
	// reference, which begins with the plan's id and a slash.
	StepReports(ctx context.Context, organisation string, p Plan) ([]Report, error)
	// Plans lists a vehicle's plans.
	Plans(ctx context.Context, p PlanPage) ([]Plan, error)
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
	request, err := json.Marshal(form)
	if err != nil {
		return Plan{}, fmt.Errorf("encode order of a plan: %w", err)
	}
	p, repeat, err := s.plans.OrderPlan(ctx, PlanSubmission{
		ID: s.newID(), Organisation: own.organisation, Basis: basis, Gate: form.Gate, Request: request, At: at,
		IdempotencyKey: key, Fingerprint: fingerprint("plan", strings.ToLower(reference), asked),
	})
	if err != nil {
		return Plan{}, fmt.Errorf("store plan of %s: %w", reference, err)
	}
	s.log.InfoContext(ctx, "plan ordered", "plan", p.ID, "assessment", p.AssessmentID, "gate", p.Gate, "repeat", repeat)
	if !repeat {
		s.hand(context.WithoutCancel(ctx), s.planning(), errand{p.ID, firstAttempt}, senderWaits)
	}
	return p, nil
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

// StepDone is a step of a plan that was reported as done.
type StepDone struct {
	Step       int
	Report, On string // the id of the newest report of it, and the day on which it was done
}

// stepsDone lists the steps of a plan that were reported, and whose report stands, by their numbers.
func (own Account) stepsDone(ctx context.Context, p Plan) ([]StepDone, error) {
	reports, err := own.service.plans.StepReports(ctx, own.organisation, p)
	if err != nil {
		return nil, fmt.Errorf("list what was done of plan %s: %w", p.ID, err)
	}
	newest := map[int]StepDone{}
	for _, r := range reports {
		if step := plan.StepOf(p.ID, r.Reference); step > 0 {
			newest[step] = StepDone{step, r.ID, r.Inspected}
		}
	}
	return slices.SortedFunc(maps.Values(newest), func(a, b StepDone) int { return a.Step - b.Step }), nil
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

// ReportStep reports what a step of a plan found, as a report on the vehicle: what the step reports if all is well, and what
// body, a [plan.DoneForm], has besides or instead. The error is a [*BadPlanOrderError], [ErrNotFound], [ErrPlanUnfinished],
// or one of [Account.Submit].
func (own Account) ReportStep(ctx context.Context, id string, step int, body []byte, key string) (Accepted, error) {
	p, err := own.Plan(ctx, id)
	if err != nil {
		return Accepted{}, err
	}
	if p.State != Done {
		return Accepted{}, ErrPlanUnfinished
	}
	var made plan.Plan
	if err := json.Unmarshal(p.Body, &made); err != nil {
		return Accepted{}, fmt.Errorf("read plan %s: %w", id, err)
	}
	if step < 1 || step > len(made.Steps) {
		return Accepted{}, fmt.Errorf("step %d of plan %s: %w", step, id, ErrNotFound)
	}
	form, faults := plan.DecodeDone(body)
	if len(faults) > 0 {
		return Accepted{}, &BadPlanOrderError{faults}
	}
	form.Date = cmp.Or(form.Date, own.service.Today().String())
	done, faults := made.Done(step, form)
	if len(faults) > 0 {
		return Accepted{}, &BadPlanOrderError{faults}
	}
	// Sent again tomorrow it is the same, though it would be dated tomorrow.
	sent := fmt.Appendf(nil, "step %d of %s\x00%s", step, id, body)
	return own.Submit(ctx, Order{Body: done, Sent: sent, Gate: p.Gate, IdempotencyKey: key})
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
