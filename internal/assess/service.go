// Package assess has the use cases of the service and the ports that they need: reports come in,
// are validated and stored with the assessment they ask for, handed to a queue, scored and written
// once. It knows no HTTP, no SQL and no queue product.
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
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"

	"laidup/internal/calendar"
	"laidup/internal/jobbook"
	"laidup/internal/logging"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/wording"
)

// Options are what a [Service] is made of. Store, Queue, RuleSets and Loader are required.
type Options struct {
	Store       Store
	Queue       Queue
	Batches     BatchStore      // required where there are batches
	Chunks      Queue           // of chunks of batches; required where there are batches
	Plans       PlanStore       // required where there are plans
	Planning    Queue           // of plans; required where there are plans
	Outcomes    OutcomeStore    // required where there are outcomes
	Attachments AttachmentStore // required where there are files
	Files       Files           // of attachments; nil: there are none
	// Jobs has the job book for a rule set, the same each time; required where there are plans. It is called by many at
	// once.
	Jobs     func(*ruleset.Set) (*jobbook.Book, error)
	RuleSets []*ruleset.Set  // the built-in ones; the first is the one that reports are scored under
	Loader   *ruleset.Loader // reads those that are published
	Clock    Clock           // nil: time.Now
	NewID    func() string   // makes ids that sort by time; required
	Log      *slog.Logger    // nil: no log
	Observer Observer        // nil: nobody
	Notices  Notices         // nil: there are no other processes
	Turns    TurnStore       // nil: work is done in the order in which tasks come, whosever it is

	// OverdueAfter is how long an assessment may wait before the sweep hands it over again; zero
	// means 10 seconds.
	OverdueAfter time.Duration
	// TryFor is how long the trial of one rule set may take; zero means 30 seconds, which the timeouts of
	// the server leave room for.
	TryFor time.Duration
}

// Service is the use cases. It is safe for concurrent use.
type Service struct {
	store       Store
	queue       Queue
	batches     BatchStore
	chunks      Queue
	plans       PlanStore
	planQueue   Queue
	outcomes    OutcomeStore
	attachments AttachmentStore
	files       Files               // nil: there are none
	unpacking   *semaphore.Weighted // has room for as many pixels as are unpacked at once
	pruned      atomic.Int64        // when attachments were last pruned, unix ms
	jobs        func(*ruleset.Set) (*jobbook.Book, error)
	shelf       *shelf
	trying      chan struct{} // has room for as many rule sets as are tried at once
	clock       Clock
	newID       func() string
	log         *slog.Logger
	tell        Observer
	board       board
	notices     Notices // nil: there are no other processes
	turns       *turns
	overdue     time.Duration
	tryFor      time.Duration
	checker     *report.Checker
}

// New makes a service. The error tells of a rule set whose reports cannot be checked.
func New(o Options) (*Service, error) {
	s := &Service{store: o.Store, queue: o.Queue, batches: o.Batches, chunks: o.Chunks, plans: o.Plans, planQueue: o.Planning, outcomes: o.Outcomes, attachments: o.Attachments, files: o.Files, unpacking: semaphore.NewWeighted(pixelsAtOnce), jobs: o.Jobs, trying: make(chan struct{}, triedAtOnce), clock: o.Clock, newID: o.NewID, log: logging.Carrying(o.Log), tell: o.Observer, notices: o.Notices, turns: newTurns(o.Turns), overdue: o.OverdueAfter, tryFor: cmp.Or(o.TryFor, 30*time.Second)}
	if s.clock == nil {
		s.clock = time.Now
	}
	if s.tell == nil {
		s.tell = nobody{}
	}
	if s.overdue == 0 {
		s.overdue = 10 * time.Second
	}
	var err error
	if s.shelf, err = newShelf(o); err != nil {
		return nil, err
	}
	s.checker = report.NewChecker(s.current().Catalogue)
	if s.notices != nil {
		s.notices.Follow(s.board.tell)
	}
	return s, nil
}

// Keep stores the built-in rule sets, so that what is assessed under them can be worked out again
// by a later version of the program that has others.
func (s *Service) Keep(ctx context.Context) error {
	for _, set := range s.builtIn() {
		if err := s.store.KeepRuleSet(ctx, refOf(set), set.Canonical); err != nil {
			return fmt.Errorf("keep rule set %s %s: %w", set.Name, set.Version, err)
		}
	}
	return nil
}

func (s *Service) builtIn() []*ruleset.Set {
	sets := make([]*ruleset.Set, len(s.shelf.builtIn))
	for i, b := range s.shelf.builtIn {
		sets[i] = b.RuleSet()
	}
	return sets
}

// current is the rule set that new reports are scored under.
func (s *Service) current() *ruleset.Set { return s.shelf.builtIn[0].RuleSet() }

// Current is the rule set that reports are scored under unless another is named. Its catalogue is
// that of all.
func (s *Service) Current() *ruleset.Set { return s.current() }

// InvalidError means that a report was not accepted: these are its faults.
type InvalidError struct {
	Faults []report.Fault
}

// Error counts the faults.
func (e *InvalidError) Error() string { return fmt.Sprintf("the report has %d faults", len(e.Faults)) }

// NoSuchGateError means that a gate was asked about that the rule set does not have: these are those
// that it has.
type NoSuchGateError struct {
	Gates []string
}

// Error lists the gates.
func (e *NoSuchGateError) Error() string {
	return "no such gate: the gates are " + strings.Join(e.Gates, ", ")
}

// Checked is what is known of a valid report before it is scored.
type Checked struct {
	Vehicle      string           `json:"vehicle"`
	Inspected    string           `json:"inspected"`
	Observations int              `json:"observations"`
	Cautions     []report.Caution `json:"cautions"`
}

// Check validates a report and stores nothing. The error is an [*InvalidError].
func (s *Service) Check(body []byte) (Checked, error) {
	_, c, err := s.decode(body, s.clock())
	return c, err
}

// decode reads a report that came in at a time.
func (s *Service) decode(body []byte, at time.Time) (*report.Report, Checked, error) {
	r, cautions, faults := s.checker.DecodeBy(dayOf(at), body)
	if len(faults) > 0 {
		return nil, Checked{}, &InvalidError{faults}
	}
	if cautions == nil {
		cautions = []report.Caution{}
	}
	return r, Checked{r.Vehicle.Reference, r.Inspected.String(), len(r.Observations), cautions}, nil
}

// dayOf is the day at a time in UTC.
func dayOf(t time.Time) calendar.Day { return calendar.DayOf(t.UTC().Date()) }

// gateOf finds a gate of a rule set by its id; empty is the one that the rule set asks about.
func gateOf(set *ruleset.Set, id string) (int, error) {
	if id == "" {
		return set.Asks, nil
	}
	var ids []string
	for i, g := range set.Gates {
		if g.ID == id {
			return i, nil
		}
		ids = append(ids, g.ID)
	}
	return 0, &NoSuchGateError{ids}
}

// senderWaits is how long the sender of a report that is stored waits for the queue; sweepWaits, for
// which nobody waits, is longer.
const (
	senderWaits = time.Second
	sweepWaits  = 5 * time.Second
)

// lane is one kind of work that is handed to a queue, and handed over again when that has lost it.
type lane struct {
	what  string // as logs have it
	queue Queue
	// enqueued notes in the store that an attempt was handed over.
	enqueued func(ctx context.Context, id string, attempt int, at time.Time) error
}

// errand is a piece of work of a lane that waits.
type errand struct {
	id      string
	attempt int
}

// hand hands work over and notes it. What goes wrong is mended by the sweep.
func (s *Service) hand(ctx context.Context, l lane, e errand, wait time.Duration) bool {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	if err := l.queue.Enqueue(ctx, e.id, e.attempt); err != nil {
		s.log.WarnContext(ctx, l.what+" waits for the sweep", l.what, e.id, "attempt", e.attempt, "error", err)
		return false
	}
	if e.attempt > firstAttempt {
		if err := l.enqueued(ctx, e.id, e.attempt, s.clock()); err != nil {
			s.log.WarnContext(ctx, "attempt not noted", l.what, e.id, "attempt", e.attempt, "error", err)
		}
	}
	return true
}

// handAgain hands over again what has waited too long and waits in no queue.
func (s *Service) handAgain(ctx context.Context, l lane, waiting []errand) (handed int, err error) {
	for _, e := range waiting {
		// Who stores work hands the first attempt over and leaves it to the sweep to note later ones.
		e.attempt = max(e.attempt, firstAttempt)
		held, err := l.queue.Holds(ctx, e.id, e.attempt)
		if err != nil {
			return handed, fmt.Errorf("look for %s %s in the queue: %w", l.what, e.id, err)
		}
		if held {
			// It waits its turn: look at it again later, behind the others.
			err = l.enqueued(ctx, e.id, e.attempt, s.clock())
		} else if s.hand(ctx, l, errand{e.id, e.attempt + 1}, sweepWaits) {
			s.tell.HandedOver()
			s.log.InfoContext(ctx, l.what+" handed to the queue again", l.what, e.id, "attempt", e.attempt+1)
			handed++
		}
		if err != nil {
			return handed, fmt.Errorf("note %s %s: %w", l.what, e.id, err)
		}
	}
	return handed, nil
}

// Score works out an assessment and writes it once. Working it out again changes nothing. The
// error is [ErrNotFound] or [ErrFinished] where there is nothing to do, else one worth a retry.
func (s *Service) Score(ctx context.Context, id string) error {
	err := s.score(ctx, id)
	if err != nil && !errors.Is(err, ErrNotFound) && !errors.Is(err, ErrFinished) {
		s.tell.Interrupted()
	}
	return err
}

func (s *Service) score(ctx context.Context, id string) error {
	ctx = logging.With(ctx, slog.String("assessment", id))
	a, err := s.store.Start(ctx, id)
	if err != nil {
		return fmt.Errorf("start assessment %s: %w", id, err)
	}
	ctx = logging.With(ctx, slog.String("report", a.ReportID), slog.String("organisation", a.Organisation), slog.Int("starts", a.Starts))
	s.log.DebugContext(ctx, "assessment begun")
	s.board.tell(aboutWork(a.ID))
	began := time.Now()
	outcome, err := s.outcome(ctx, a)
	done := Finished{State: Done, RuleSet: a.RuleSet, OfBatch: a.Batch != "", WorkedOut: time.Since(began)}
	unscorable, err := s.settle(ctx, id, err, ending{
		func() error { return s.store.Finish(ctx, id, outcome, s.clock()) }, s.store.Fail, s.store.PutBack,
	})
	if err != nil {
		return fmt.Errorf("score assessment %s: %w", id, err)
	}
	if unscorable != nil {
		done.State = Failed
	}
	done.SinceAccepted = max(0, s.clock().Sub(a.CreatedAt))
	s.tell.Finished(done)
	s.changed(aboutWork(a.ID), aboutVehicle(a.Organisation, a.Vehicle), aboutAll(a.Organisation))
	of := []any{"rule_set", a.RuleSet.Name + "/" + a.RuleSet.Version, "ms", milliseconds(done.WorkedOut), "since_accepted_ms", milliseconds(done.SinceAccepted)}
	if unscorable != nil {
		s.log.WarnContext(ctx, "assessment failed", append(of, "title", unscorable.Title, "error", unscorable)...)
	} else {
		s.log.InfoContext(ctx, "assessment done", append(of, "gate", a.Gate, "verdict", outcome.VerdictState)...)
	}
	return nil
}

// ending is how the store is told what came of a piece of work.
type ending struct {
	finish  func() error
	fail    func(ctx context.Context, id string, problem []byte, at time.Time) error
	putBack func(ctx context.Context, id string) error
}

// settle tells the store that work is finished, or by which error it failed for good, which it returns. Where the store
// is away, or the worker is told to stop, the start is taken back.
func (s *Service) settle(ctx context.Context, id string, work error, e ending) (never *UnscorableError, err error) {
	switch err = work; {
	case errors.As(work, &never):
		var problem []byte
		if problem, err = json.Marshal(never); err == nil {
			err = e.fail(ctx, id, problem, s.clock())
		}
	case work == nil:
		err = e.finish()
	}
	if errors.Is(err, ErrUnavailable) || err != nil && errors.Is(ctx.Err(), context.Canceled) {
		s.takeBack(ctx, id, e.putBack)
	}
	return never, err
}

// takeBack takes back a start: however long the store is away, and however often workers are told to
// stop, nothing is given up for it.
func (s *Service) takeBack(ctx context.Context, id string, putBack func(context.Context, string) error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := putBack(ctx, id); err != nil && !errors.Is(err, ErrFinished) {
		s.log.WarnContext(ctx, "start not taken back", "error", err)
	}
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// UnscorableError means that an assessment can never be worked out: trying again would not help.
type UnscorableError struct {
	Title  string `json:"title"`
	Detail string `json:"detail"`
}

// Error returns the detail.
func (e *UnscorableError) Error() string { return e.Detail }

// maxStarts is how often workers begin with an assessment that none of them finishes, before it is
// given up: something in it ends them.
const maxStarts = 20

// outcome works an assessment out. What panics will panic again: it is unscorable.
func (s *Service) outcome(ctx context.Context, a Assessment) (Outcome, error) {
	return guarded(ctx, s, a.ID, a.Starts, func() (Outcome, error) { return s.work(ctx, a) })
}

// guarded does a piece of work that has begun so often: one that panics, or ends its workers, is given up.
func guarded[T any](ctx context.Context, s *Service, id string, starts int, work func() (T, error)) (v T, err error) {
	var none T
	if starts > maxStarts {
		return none, &UnscorableError{"Given up", fmt.Sprintf("workers began with it %d times and none finished: tell us the id %s", maxStarts, id)}
	}
	err = logging.Guard(ctx, s.log, func() (err error) {
		v, err = work()
		return err
	})
	if panicked(err) {
		return none, &UnscorableError{"Something went wrong here", fmt.Sprintf("this is our fault, not that of the reports: tell us the id %s", id)}
	}
	return v, err
}

// panicked says whether work ended with a panic.
func panicked(err error) bool { return errors.As(err, new(*logging.PanicError)) }

func (s *Service) work(ctx context.Context, a Assessment) (Outcome, error) {
	scorer, err := s.shelf.version(ctx, a.Organisation, a.RuleSet)
	var gone *UnscorableError
	if errors.As(err, &gone) {
		return Outcome{}, &UnscorableError{gone.Title, gone.Detail + fmt.Sprintf(`; post the report again, with "replaces": "%s" in it, under another Idempotency-Key and a rule set that is there (GET /v1/rule_sets)`, a.ReportID)}
	}
	if err != nil {
		return Outcome{}, err
	}
	set := scorer.RuleSet()
	reports, err := s.reports(ctx, a, set)
	if err != nil {
		return Outcome{}, err
	}
	gate := slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == a.Gate })
	result := scorer.Evaluate(reports, gate)
	wording.English().Write(result)
	result.ID, result.Report = a.ID, a.ReportID
	body, err := result.JSON()
	if err != nil {
		return Outcome{}, fmt.Errorf("encode assessment %s: %w", a.ID, err)
	}
	summary, err := json.Marshal(SummaryOf(result))
	if err != nil {
		return Outcome{}, fmt.Errorf("encode summary of %s: %w", a.ID, err)
	}
	gates := make(GateStates, len(result.Gates))
	for i, g := range result.Gates {
		gates[i] = GateState{g.Gate, g.State, g.Blockers}
	}
	return Outcome{Body: body, AsOf: result.AsOf, VerdictState: result.Verdict.State, Blockers: result.Verdict.Blockers, Summary: summary, Gates: gates, Coverage: result.Coverage}, nil
}

// firstAttempt is the attempt that a submission is handed over as.
const firstAttempt = 1

// sweepBatch is how many overdue assessments one sweep looks at.
const sweepBatch = 500

// Sweep hands over again what has waited too long and is not waiting in the queue, so that losing
// the whole queue, or a worker, loses no assessment, no plan and no chunk of a batch. It counts outcomes that wait, and erases what has
// outlived the retention of its organisation, some at a time, and photos that no report links. It returns how many it handed over.
func (s *Service) Sweep(ctx context.Context) (int, error) {
	now := s.clock()
	before, after := now.Add(-s.overdue), now.Add(s.overdue)
	waiting, err := s.store.Waiting(ctx, before, after, sweepBatch)
	if err != nil {
		return 0, fmt.Errorf("find waiting assessments: %w", err)
	}
	var errands []errand
	for _, a := range waiting {
		errands = append(errands, errand{a.ID, a.Attempt})
	}
	handed, err := s.handAgain(ctx, s.singly(), errands)
	if err == nil {
		var plans int
		plans, err = s.sweepPlans(ctx, before, after)
		handed += plans
	}
	if err == nil && s.batches != nil {
		var more int
		more, err = s.sweepChunks(ctx, before, after)
		handed += more
	}
	if err != nil {
		return handed, err
	}
	_, err = s.CountOutcomes(ctx)
	return handed, errors.Join(err, s.outlived(ctx), s.sweepAttachments(ctx))
}

func (s *Service) sweepChunks(ctx context.Context, before, after time.Time) (int, error) {
	chunks, err := s.batches.WaitingChunks(ctx, before, after, sweptChunks)
	if err != nil {
		return 0, fmt.Errorf("find waiting chunks: %w", err)
	}
	var errands []errand
	for _, c := range chunks {
		errands = append(errands, errand{c.ID, c.Attempt})
	}
	return s.handAgain(ctx, s.byTheChunk(), errands)
}

// singly is the lane of assessments that somebody waits for.
func (s *Service) singly() lane { return lane{"assessment", s.queue, s.store.Enqueued} }

// byTheChunk is the lane of chunks of batches.
func (s *Service) byTheChunk() lane { return lane{"chunk", s.chunks, s.batches.ChunkEnqueued} }

// ReportSchema returns the JSON Schema of reports.
func (s *Service) ReportSchema() []byte { return s.checker.Schema() }

// Ready says whether reports can be taken: whether the store can be reached. The queue's error
// comes apart, since reports are safe without it.
func (s *Service) Ready(ctx context.Context) (store, queue error) {
	// Side by side: one that hangs must not make the other look down.
	asked := make(chan error, 1)
	go func() { asked <- s.queue.Ping(ctx) }()
	store = s.store.Ping(ctx)
	return store, <-asked
}

// Now is the service's time.
func (s *Service) Now() time.Time { return s.clock() }

// Backlog says how much is left to do, and what has failed, of all organisations.
func (s *Service) Backlog(ctx context.Context) (Backlog, error) {
	b, err := s.store.Backlog(ctx)
	if err != nil {
		return Backlog{}, fmt.Errorf("ask for the backlog: %w", err)
	}
	return b, nil
}
