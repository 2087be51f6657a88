package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"laidup/internal/assess"
)

// Assessment implements [assess.Store].
func (s *Store) Assessment(ctx context.Context, organisation, id string) (assess.Assessment, error) {
	a, err := one(ctx, s.read, assessmentFieldsBody, selectAssessment, organisation, id)
	if err != nil {
		return a, fmt.Errorf("select assessment %s: %w", id, err)
	}
	return a, nil
}

// Start implements [assess.Store].
func (s *Store) Start(ctx context.Context, id string) (assess.Assessment, error) {
	var a assess.Assessment
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var err error
		a, err = one(ctx, tx, startedFields, startAssessment, id)
		if errors.Is(err, assess.ErrNotFound) {
			return unchanged(ctx, tx, selectState, id)
		}
		return err
	})
	if err != nil {
		return assess.Assessment{}, fmt.Errorf("start assessment %s: %w", id, err)
	}
	return a, nil
}

// PutBack implements [assess.Store].
func (s *Store) PutBack(ctx context.Context, id string) error {
	if err := s.update(ctx, selectState, id, putBackAssessment, id); err != nil {
		return fmt.Errorf("put assessment %s back: %w", id, err)
	}
	return nil
}

// Finish implements [assess.Store].
func (s *Store) Finish(ctx context.Context, id string, o assess.Outcome, at time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		a := assess.Assessment{State: assess.Done, FinishedAt: at, Outcome: o}
		err := tx.QueryRowContext(ctx, finishAssessment, at.UnixMilli(), o.AsOf, o.VerdictState, o.Blockers, string(o.Summary), string(o.Body), id).
			Scan(finishedFields(&a)...)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return unchanged(ctx, tx, selectState, id)
		case err != nil:
			return err
		}
		var before string
		c := o.Coverage
		err = tx.QueryRowContext(ctx, noteVerdict, a.Ordinal, o.Gates.String(), c.Applying, c.LookedAt, int64(c.Share), a.Organisation, a.Vehicle).Scan(&before)
		late := errors.Is(err, sql.ErrNoRows)
		if err == nil {
			err = noteJudged(ctx, tx, a.Organisation, a.Vehicle, o.Gates)
		}
		if err != nil && !late {
			return fmt.Errorf("note verdict: %w", err)
		}
		return emit(ctx, tx, a.Organisation, assess.Events(a, assess.ParseGateStates(before), !late)...)
	})
	if err != nil {
		return fmt.Errorf("finish assessment %s: %w", id, err)
	}
	return nil
}

// noteJudged writes down how a vehicle stands at each gate, by the assessment that was just noted.
func noteJudged(ctx context.Context, tx *sql.Tx, organisation, vehicle string, gates assess.GateStates) error {
	if len(gates) == 0 {
		return nil
	}
	states, blockers := map[string]string{}, map[string]int{}
	for _, g := range gates {
		states[g.Gate], blockers[g.Gate] = g.State, g.Blockers
	}
	// What JSON cannot have in it, no map of text and numbers has.
	of, err := json.Marshal(states)
	if err != nil {
		return err
	}
	many, err := json.Marshal(blockers)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, noteGates, string(of), string(many), organisation, vehicle)
	return err
}

// Fail implements [assess.Store].
func (s *Store) Fail(ctx context.Context, id string, problem []byte, at time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		a := assess.Assessment{State: assess.Failed, FinishedAt: at}
		err := tx.QueryRowContext(ctx, failAssessment, at.UnixMilli(), string(problem), id).Scan(finishedFields(&a)...)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return unchanged(ctx, tx, selectState, id)
		case err != nil:
			return err
		}
		return emit(ctx, tx, a.Organisation, assess.Events(a, nil, false)...)
	})
	if err != nil {
		return fmt.Errorf("fail assessment %s: %w", id, err)
	}
	return nil
}

// Retry implements [assess.Store].
func (s *Store) Retry(ctx context.Context, organisation, id string, at time.Time) (attempt int, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, retryAssessment, at.UnixMilli(), organisation, id).Scan(&attempt)
		if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		var state assess.State
		if err := tx.QueryRowContext(ctx, selectOwnState, organisation, id).Scan(&state); err != nil {
			return domain(err)
		}
		return assess.ErrNotFailed
	})
	if err != nil {
		return 0, fmt.Errorf("retry assessment %s: %w", id, err)
	}
	return attempt, nil
}

// Enqueued implements [assess.Store]. Late word about an earlier attempt than the one known
// changes nothing either.
func (s *Store) Enqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	err := s.update(ctx, selectState, id, noteEnqueued, attempt, at.UnixMilli(), id)
	if err != nil && !errors.Is(err, assess.ErrFinished) {
		return fmt.Errorf("note attempt %d at assessment %s: %w", attempt, id, err)
	}
	return nil
}

// update runs a statement that changes something unfinished: an assessment, or a plan, of which state selects the
// state.
func (s *Store) update(ctx context.Context, state, id, query string, args ...any) error {
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return unchanged(ctx, tx, state, id)
	})
}

// unchanged says why a statement left something as it is, of which state selects the state.
func unchanged(ctx context.Context, tx *sql.Tx, state, id string) error {
	var is assess.State
	if err := tx.QueryRowContext(ctx, state, id).Scan(&is); err != nil {
		return domain(err)
	}
	if is == assess.Done || is == assess.Failed {
		return assess.ErrFinished
	}
	return nil
}

// Waiting implements [assess.Store].
func (s *Store) Waiting(ctx context.Context, before, after time.Time, limit int) ([]assess.Assessment, error) {
	waiting, err := overdue(ctx, s, assessmentFields, selectWaiting, selectWaitingAhead, before, after, limit)
	if err != nil {
		return nil, fmt.Errorf("select waiting assessments: %w", err)
	}
	return waiting, nil
}

// overdue selects what waits since before, and then what was handed over after a time that has not come: by a clock
// that went wrong.
func overdue[T any](ctx context.Context, s *Store, fields func(*T) []any, late, ahead string, before, after time.Time, limit int) ([]T, error) {
	waiting, err := many(ctx, s.read, fields, late, before.UnixMilli(), limit)
	if err != nil || len(waiting) == limit {
		return waiting, err
	}
	more, err := many(ctx, s.read, fields, ahead, after.UnixMilli(), limit-len(waiting))
	return append(waiting, more...), err
}

// Backlog implements [assess.Store].
func (s *Store) Backlog(ctx context.Context) (assess.Backlog, error) {
	var b assess.Backlog
	if err := row(ctx, s.read, []any{&b.Unfinished, instant{&b.Oldest}, &b.Failed, &b.Chunks, &b.Plans}, selectBacklog); err != nil {
		return assess.Backlog{}, fmt.Errorf("select backlog: %w", err)
	}
	return b, nil
}

// History implements [assess.Store]. The cursor's BeforeID is enough to find the place; one that
// is not the vehicle's gives an empty page.
func (s *Store) History(ctx context.Context, p assess.HistoryPage) ([]assess.Assessment, error) {
	p.Vehicle = s.spelled(ctx, p.Organisation, p.Vehicle)
	history, err := many(ctx, s.read, summedFields, selectHistory, p.Organisation, p.Vehicle, p.BeforeID, p.Limit)
	if err == nil && len(history) == 0 {
		err = s.vehicleExists(ctx, p.Organisation, p.Vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select history %s: %w", p.Vehicle, err)
	}
	return history, nil
}

// assessmentFields says where the assessmentColumns go.
func assessmentFields(a *assess.Assessment) []any {
	return []any{
		orZero[string]{&a.ID}, orZero[string]{&a.ReportID}, orZero[string]{&a.Vehicle}, orZero[int]{&a.Ordinal},
		orZero[string]{&a.Gate},
		orZero[string]{&a.RuleSet.Name}, orZero[string]{&a.RuleSet.Version}, orZero[string]{&a.RuleSet.Digest},
		orZero[assess.State]{&a.State}, orZero[int]{&a.Attempt},
		instant{&a.CreatedAt}, instant{&a.EnqueuedAt}, instant{&a.FinishedAt},
		orZero[string]{&a.Outcome.AsOf}, orZero[string]{&a.Outcome.VerdictState}, orZero[int]{&a.Outcome.Blockers},
		orZero[[]byte]{&a.Problem},
	}
}

// summedFields says where the assessmentColumns and the summary go.
func summedFields(a *assess.Assessment) []any {
	return append(assessmentFields(a), orZero[[]byte]{&a.Outcome.Summary})
}

// startedFields says where the columns go that startAssessment returns.
func startedFields(a *assess.Assessment) []any {
	return append(assessmentFields(a), &a.Organisation, &a.Starts, &a.Batch)
}

// assessmentFieldsBody says where the assessmentColumns and the body go.
func assessmentFieldsBody(a *assess.Assessment) []any {
	return append(assessmentFields(a), orZero[[]byte]{&a.Outcome.Body})
}
