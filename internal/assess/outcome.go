package assess

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"laidup/internal/logging"
	"laidup/internal/outcome"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// OutcomeSubmission is an outcome on its way into the store.
type OutcomeSubmission struct {
	ID, Organisation, Vehicle string
	Body                      []byte    // an [outcome.Form] as posted
	At                        time.Time // when it was received; stored to the millisecond
	Before                    time.Time // what came in until then was known before the attempt
	Month                     string    // of the attempt: 2026-05
	PostedBy                  string
	Replaces                  string // the id of the outcome that it corrects; empty: none
	Event                     OutcomeSaid
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	// Fingerprint is a digest of what the key came with.
	IdempotencyKey string
	Fingerprint    string
}

// OutcomeSaid is what the event of an outcome says of it.
type OutcomeSaid struct {
	Gate      string
	Attempted *bool
	Harms     int
	Parts     int
}

// RecordedOutcome is a stored outcome.
type RecordedOutcome struct {
	ID, Vehicle  string
	Organisation string // only [OutcomeStore.Uncounted] tells
	Body         []byte
	ReceivedAt   time.Time
	Before       time.Time
	Month        string
	PostedBy     string
	WithdrawnAt  time.Time // zero: it stands
	Because      string    // why it was withdrawn; empty where it was replaced
	ReplacedBy   string
	AssessmentID string // that it judges; empty: none, or not known yet
	Waiting      bool   // the counts have not what they should of it
	Problem      string // why it cannot be counted
}

// OutcomePage asks for a vehicle's outcomes, the last that came first. Cursor: BeforeReceived and BeforeID of the last one seen;
// zero starts at the beginning.
type OutcomePage struct {
	Organisation   string
	Vehicle        string
	BeforeReceived time.Time
	BeforeID       string
	Limit          int
}

// OutcomeWithdrawal is the wish to withdraw an outcome.
type OutcomeWithdrawal struct {
	Organisation, ID, Because string
	At                        time.Time
}

// Judged is what an outcome says of an assessment, on its way into the counts.
type Judged struct {
	AssessmentID string // empty: there is none to judge
	RuleSet      RuleSetRef
	Counts       []outcome.Count
	Problem      string // why it cannot be counted; empty: it can
}

// JudgedRuleSet is a rule set of which outcomes were counted.
type JudgedRuleSet struct {
	RuleSet  RuleSetRef
	Outcomes int
	NewestAt time.Time
}

// CountsOf asks for the counts of a rule set.
type CountsOf struct {
	Organisation, Digest string
	Kind                 outcome.Kind
	Monthly              bool // by months, which only gates are counted by
}

// CountRow is a row of the counts.
type CountRow struct {
	Name, Family, Period string
	Step                 outcome.Step
	Seen, Events, Unseen int
}

// OutcomeStore keeps outcomes, and counts what they say of assessments. What goes for [Store] goes for it.
type OutcomeStore interface {
	// RecordOutcome stores an outcome that waits to be counted, and marks the one that it replaces as withdrawn.
	// It returns ErrKeyReused when the idempotency key is known with another fingerprint, and ErrNothingToReplace when
	// there is no outcome on the vehicle that it may replace; repeat says that the key and fingerprint are those of the
	// outcome that it returns.
	RecordOutcome(ctx context.Context, s OutcomeSubmission) (r RecordedOutcome, repeat bool, err error)
	// Outcome returns one outcome.
	Outcome(ctx context.Context, organisation, id string) (RecordedOutcome, error)
	// Outcomes lists a vehicle's outcomes.
	Outcomes(ctx context.Context, p OutcomePage) ([]RecordedOutcome, error)
	// WithdrawOutcome marks an outcome as withdrawn, which then waits to be taken out of the counts. Again changes nothing.
	WithdrawOutcome(ctx context.Context, w OutcomeWithdrawal) (r RecordedOutcome, repeat bool, err error)
	// LastBefore returns the last assessment, with its body if it is done, of what was known of a vehicle before a time;
	// those that failed are left out. ErrNotAssessedYet where there is none.
	LastBefore(ctx context.Context, organisation, vehicle string, before time.Time) (Assessment, error)

	// Uncounted returns outcomes of all organisations that wait, longest waiting first.
	Uncounted(ctx context.Context, limit int) ([]RecordedOutcome, error)
	// CountOutcome puts what an outcome says into the counts in place of what they have of it, once: it returns ErrFinished where it
	// does not wait any more, or was withdrawn since, unlike what withdrawn says.
	CountOutcome(ctx context.Context, id string, withdrawn bool, j Judged) error
	// JudgedRuleSets lists the rule sets that outcomes were counted of, that with the newest outcome first.
	JudgedRuleSets(ctx context.Context, organisation string) ([]JudgedRuleSet, error)
	// Counts returns counts, by name, period and step.
	Counts(ctx context.Context, q CountsOf) ([]CountRow, error)
}

// The types of events of outcomes.
const (
	OutcomeRecorded  = "outcome.recorded"
	OutcomeWithdrawn = "outcome.withdrawn" // or replaced by another
)

type outcomeData struct {
	Outcome    string `json:"outcome"`
	Vehicle    string `json:"vehicle"`
	Gate       string `json:"gate,omitempty"`
	Attempted  *bool  `json:"attempted,omitempty"`
	Harms      int    `json:"harms"`
	Parts      int    `json:"parts"`
	Replaces   string `json:"replaces,omitempty"`
	ReplacedBy string `json:"replaced_by,omitempty"`
	Path       string `json:"path"`
}

// OutcomeEvent says that an outcome was recorded.
func OutcomeEvent(s OutcomeSubmission) Event {
	return Event{OutcomeRecorded, s.At, outcomeData{
		Outcome: s.ID, Vehicle: s.Vehicle, Gate: s.Event.Gate, Attempted: s.Event.Attempted, Harms: s.Event.Harms, Parts: s.Event.Parts,
		Replaces: s.Replaces, Path: outcomePath(s.ID),
	}}
}

// OutcomeWithdrawnEvent says that an outcome was withdrawn, or replaced.
func OutcomeWithdrawnEvent(r RecordedOutcome) Event {
	said := saidOf(r)
	return Event{OutcomeWithdrawn, r.WithdrawnAt, outcomeData{
		Outcome: r.ID, Vehicle: r.Vehicle, Gate: said.Gate, Attempted: said.Attempted, Harms: said.Harms, Parts: said.Parts,
		ReplacedBy: r.ReplacedBy, Path: outcomePath(r.ID),
	}}
}

func outcomePath(id string) string { return "/v1/outcomes/" + url.PathEscape(id) }

func saidOf(r RecordedOutcome) OutcomeSaid {
	f, _ := outcome.DecodeForm(r.Body) // it was checked when it came
	return OutcomeSaid{f.Gate, f.Attempted, len(f.Came), len(f.Parts)}
}

// BadOutcomeError means that an outcome cannot be taken: these are its faults.
type BadOutcomeError struct {
	Faults []report.Fault
}

// Error counts the faults.
func (e *BadOutcomeError) Error() string {
	return fmt.Sprintf("the outcome has %d faults", len(e.Faults))
}

// OutcomeOrder is an outcome as it comes in.
type OutcomeOrder struct {
	Body           []byte
	IdempotencyKey string
	received       time.Time // elsewhere, where it is imported
}

// RecordOutcome stores what came of an attempt, or what parts in the hand were like; it is counted by the next sweep. The
// error is a [*BadOutcomeError], [ErrNotFound], [ErrKeyReused], [ErrNothingToReplace], or one of the store's.
func (own Account) RecordOutcome(ctx context.Context, reference string, o OutcomeOrder) (RecordedOutcome, bool, error) {
	s := own.service
	if s.outcomes == nil {
		return RecordedOutcome{}, false, ErrNotFound
	}
	v, err := own.Vehicle(ctx, reference)
	if err != nil {
		return RecordedOutcome{}, false, err
	}
	form, faults := outcome.DecodeForm(o.Body)
	if len(faults) > 0 {
		return RecordedOutcome{}, false, &BadOutcomeError{faults}
	}
	at := s.clock()
	if !o.received.IsZero() {
		at = o.received
	}
	before, month, _ := form.When(at)
	if before.After(at.Add(24 * time.Hour)) {
		faults = append(faults, report.Fault{Pointer: "/at", Code: report.OutOfRange, Detail: "this time has not come yet: say when it was"})
	}
	set, fault, err := own.judgedBy(ctx, v.Reference, form, before)
	if err != nil {
		return RecordedOutcome{}, false, err
	}
	if fault != nil {
		faults = append(faults, *fault)
	}
	if faults = append(faults, form.Check(set)...); len(faults) > 0 {
		return RecordedOutcome{}, false, &BadOutcomeError{faults}
	}
	r, repeat, err := s.outcomes.RecordOutcome(ctx, OutcomeSubmission{
		ID: s.newID(), Organisation: own.organisation, Vehicle: v.Reference, Body: o.Body, At: at, Before: before, Month: month,
		PostedBy: ActorOf(ctx).Key, Replaces: form.Replaces, Event: OutcomeSaid{form.Gate, form.Attempted, len(form.Came), len(form.Parts)},
		IdempotencyKey: o.IdempotencyKey, Fingerprint: fingerprint("outcome", strings.ToLower(v.Reference), o.Body),
	})
	if err != nil {
		return RecordedOutcome{}, false, fmt.Errorf("store outcome on %s: %w", reference, err)
	}
	s.log.InfoContext(ctx, "outcome recorded", "outcome", r.ID, "gate", form.Gate, "parts", len(form.Parts), "repeat", repeat)
	return r, repeat, nil
}

// judgedBy is the rule set that names in an outcome are held against: that of the assessment which it judges, or the current
// one. The fault is that of an assessment which cannot be judged.
func (own Account) judgedBy(ctx context.Context, vehicle string, f outcome.Form, before time.Time) (*ruleset.Set, *report.Fault, error) {
	s := own.service
	a, err := own.toJudge(ctx, vehicle, f, before)
	switch {
	case errors.Is(err, ErrNotFound) && f.Assessment != "", err == nil && a.Vehicle != vehicle:
		return s.current(), &report.Fault{Pointer: "/assessment", Code: report.WrongValue, Detail: "this vehicle has no such assessment: leave it out for the last one before the attempt"}, nil
	case errors.Is(err, ErrNotAssessedYet):
		return s.current(), nil, nil
	case err != nil:
		return nil, nil, err
	case f.Assessment != "" && a.CreatedAt.After(before):
		return s.current(), &report.Fault{Pointer: "/assessment", Code: report.Impossible, Detail: "this assessment was made after the attempt: leave it out for the last one before, or say the time of the attempt in at"}, nil
	}
	scorer, err := s.shelf.version(ctx, own.organisation, a.RuleSet)
	if errors.As(err, new(*UnscorableError)) {
		return s.current(), nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	return scorer.RuleSet(), nil, nil
}

// toJudge is the assessment that an outcome is to be held against.
func (own Account) toJudge(ctx context.Context, vehicle string, f outcome.Form, before time.Time) (Assessment, error) {
	if f.Assessment != "" {
		return own.Assessment(ctx, f.Assessment)
	}
	a, err := own.service.outcomes.LastBefore(ctx, own.organisation, vehicle, before)
	if err != nil {
		return a, fmt.Errorf("find what to judge: %w", err)
	}
	return a, nil
}

// Outcome returns a stored outcome.
func (own Account) Outcome(ctx context.Context, id string) (RecordedOutcome, error) {
	if own.service.outcomes == nil {
		return RecordedOutcome{}, ErrNotFound
	}
	r, err := own.service.outcomes.Outcome(ctx, own.organisation, id)
	if err != nil {
		return r, fmt.Errorf("load outcome %s: %w", id, err)
	}
	return r, nil
}

// Outcomes lists a vehicle's outcomes; the organisation of the page is filled in.
func (own Account) Outcomes(ctx context.Context, p OutcomePage) ([]RecordedOutcome, error) {
	if own.service.outcomes == nil {
		return nil, nil
	}
	p.Organisation = own.organisation
	list, err := own.service.outcomes.Outcomes(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list outcomes of %s: %w", p.Vehicle, err)
	}
	return list, nil
}

// WithdrawOutcome takes an outcome out of the counts. It stays and says why. Again changes nothing.
func (own Account) WithdrawOutcome(ctx context.Context, id, because string) (RecordedOutcome, error) {
	if own.service.outcomes == nil {
		return RecordedOutcome{}, ErrNotFound
	}
	r, repeat, err := own.service.outcomes.WithdrawOutcome(ctx, OutcomeWithdrawal{own.organisation, id, because, own.service.clock()})
	if err != nil {
		return r, fmt.Errorf("withdraw outcome %s: %w", id, err)
	}
	own.service.log.InfoContext(ctx, "outcome withdrawn", "outcome", id, "repeat", repeat)
	return r, nil
}

// countedAtOnce is how many outcomes one sweep counts.
const countedAtOnce = 500

// CountOutcomes brings the counts up to date with outcomes that wait, some at a time, and returns how many it counted. Two that
// do so at once count each outcome once.
func (s *Service) CountOutcomes(ctx context.Context) (counted int, err error) {
	if s.outcomes == nil {
		return 0, nil
	}
	waiting, err := s.outcomes.Uncounted(ctx, countedAtOnce)
	if err != nil {
		return 0, fmt.Errorf("find outcomes to count: %w", err)
	}
	for _, r := range waiting {
		j, ready, err := s.judge(ctx, r)
		if err == nil && ready {
			err = s.outcomes.CountOutcome(ctx, r.ID, !r.WithdrawnAt.IsZero(), j)
		}
		switch {
		case errors.Is(err, ErrFinished), errors.Is(err, ErrNotFound): // counted by another, withdrawn or erased meanwhile
		case err != nil:
			return counted, fmt.Errorf("count outcome %s: %w", r.ID, err)
		case ready:
			counted++
			if j.Problem != "" {
				s.log.WarnContext(ctx, "outcome cannot be counted", "outcome", r.ID, "problem", j.Problem)
			}
		}
	}
	return counted, nil
}

// judge works out what an outcome says. It is not ready while what it judges is not finished.
func (s *Service) judge(ctx context.Context, r RecordedOutcome) (j Judged, ready bool, err error) {
	if !r.WithdrawnAt.IsZero() {
		return Judged{}, true, nil
	}
	form, faults := outcome.DecodeForm(r.Body)
	if len(faults) > 0 {
		return Judged{Problem: "it cannot be read any more"}, true, nil
	}
	own := Account{service: s, organisation: r.Organisation}
	a, err := own.toJudge(ctx, r.Vehicle, form, r.Before)
	switch {
	case errors.Is(err, ErrNotAssessedYet):
		return Judged{Problem: "nothing was known of the vehicle before the attempt"}, true, nil
	case err != nil:
		return j, false, err
	case a.State == Failed:
		return Judged{Problem: "the assessment failed"}, true, nil
	case a.State != Done:
		return j, false, nil
	}
	err = logging.Guard(ctx, s.log, func() error {
		var of score.Assessment
		if err := json.Unmarshal(a.Outcome.Body, &of); err != nil {
			return fmt.Errorf("read assessment %s: %w", a.ID, err)
		}
		methods, err := s.methodsOf(ctx, r.Organisation, a)
		if err != nil {
			return err
		}
		j = Judged{AssessmentID: a.ID, RuleSet: a.RuleSet, Counts: outcome.Judge(form, &of, methods)}
		return nil
	})
	if panicked(err) {
		return Judged{Problem: "something went wrong here"}, true, nil
	}
	return j, err == nil, err
}

// methodsOf says by which method each item of an assessment was looked at, where there was one alone.
func (s *Service) methodsOf(ctx context.Context, organisation string, a Assessment) (map[string]string, error) {
	reports, err := s.store.Dossier(ctx, organisation, a.Vehicle, a.Ordinal)
	if err != nil {
		return nil, fmt.Errorf("load dossier: %w", err)
	}
	methods := map[string]string{}
	for _, r := range reports {
		var said struct {
			Observations []struct{ Item, Method string } `json:"observations"`
		}
		if err := json.Unmarshal(r.Body, &said); err != nil {
			continue // it was checked when it came
		}
		for _, o := range said.Observations {
			if before, known := methods[o.Item]; known && before != o.Method {
				o.Method = "" // by several: whose it is cannot be said
			}
			methods[o.Item] = o.Method
		}
	}
	return methods, nil
}

// series puts counts together.
func series(kind outcome.Kind, rows, monthly []CountRow) []outcome.Series {
	var list []outcome.Series
	cell := func(r CountRow) outcome.Cell {
		c := outcome.CellOf(kind, r.Step)
		c.Seen, c.Events, c.Unseen = r.Seen, r.Events, r.Unseen
		return c
	}
	for _, r := range rows {
		if n := len(list); n == 0 || list[n-1].Name != r.Name {
			list = append(list, outcome.Series{Kind: kind, Name: r.Name, Family: r.Family})
		}
		last := &list[len(list)-1]
		last.Cells = append(last.Cells, cell(r))
	}
	for _, r := range monthly {
		at, known := slices.BinarySearchFunc(list, r.Name, func(s outcome.Series, name string) int { return strings.Compare(s.Name, name) })
		if !known {
			continue
		}
		of := &list[at]
		if n := len(of.Periods); n == 0 || of.Periods[n-1].Name != r.Period {
			of.Periods = append(of.Periods, outcome.Period{Name: r.Period})
		}
		p := &of.Periods[len(of.Periods)-1]
		p.Cells = append(p.Cells, cell(r))
	}
	return list
}

// Series returns what was counted of one kind of thing under a rule set; by months as well, where they are counted by months.
func (own Account) Series(ctx context.Context, digest string, kind outcome.Kind) ([]outcome.Series, error) {
	if own.service.outcomes == nil {
		return nil, nil
	}
	q := CountsOf{Organisation: own.organisation, Digest: digest, Kind: kind}
	rows, err := own.service.outcomes.Counts(ctx, q)
	if err != nil {
		return nil, fmt.Errorf("load counts of %s: %w", kind, err)
	}
	var monthly []CountRow
	if kind == outcome.Gates {
		q.Monthly = true
		if monthly, err = own.service.outcomes.Counts(ctx, q); err != nil {
			return nil, fmt.Errorf("load monthly counts of %s: %w", kind, err)
		}
	}
	return series(kind, rows, monthly), nil
}

// JudgedRuleSets lists the rule sets that outcomes were counted of, that with the newest outcome first.
func (own Account) JudgedRuleSets(ctx context.Context) ([]JudgedRuleSet, error) {
	if own.service.outcomes == nil {
		return nil, nil
	}
	list, err := own.service.outcomes.JudgedRuleSets(ctx, own.organisation)
	if err != nil {
		return nil, fmt.Errorf("list judged rule sets: %w", err)
	}
	return list, nil
}
