package store

import (
	"context"
	"database/sql"
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
			return unchanged(ctx, tx, id)
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
	if err := s.update(ctx, id, putBackAssessment, id); err != nil {
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
			return unchanged(ctx, tx, id)
		case err != nil:
			return err
		}
		var before string
		err = tx.QueryRowContext(ctx, noteVerdict, a.Ordinal, o.VerdictState, o.Blockers, o.Gates.String(), a.Organisation, a.Vehicle).Scan(&before)
		late := errors.Is(err, sql.ErrNoRows)
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

// Fail implements [assess.Store].
func (s *Store) Fail(ctx context.Context, id string, problem []byte, at time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		a := assess.Assessment{State: assess.Failed, FinishedAt: at}
		err := tx.QueryRowContext(ctx, failAssessment, at.UnixMilli(), string(problem), id).Scan(finishedFields(&a)...)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return unchanged(ctx, tx, id)
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
	err := s.update(ctx, id, noteEnqueued, attempt, at.UnixMilli(), id)
	if err != nil && !errors.Is(err, assess.ErrFinished) {
		return fmt.Errorf("note attempt %d at assessment %s: %w", attempt, id, err)
	}
	return nil
}

// update runs a statement that changes an unfinished assessment.
func (s *Store) update(ctx context.Context, id, query string, args ...any) error {
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return unchanged(ctx, tx, id)
	})
}

// unchanged says why a statement left an assessment as it is.
func unchanged(ctx context.Context, tx *sql.Tx, id string) error {
	var state assess.State
	if err := tx.QueryRowContext(ctx, selectState, id).Scan(&state); err != nil {
		return domain(err)
	}
	if state == assess.Done || state == assess.Failed {
		return assess.ErrFinished
	}
	return nil
}

// Waiting implements [assess.Store].
func (s *Store) Waiting(ctx context.Context, before, after time.Time, limit int) ([]assess.Assessment, error) {
	waiting, err := many(ctx, s.read, assessmentFields, selectWaiting, before.UnixMilli(), limit)
	if err == nil && len(waiting) < limit {
		var ahead []assess.Assessment
		ahead, err = many(ctx, s.read, assessmentFields, selectWaitingAhead, after.UnixMilli(), limit-len(waiting))
		waiting = append(waiting, ahead...)
	}
	if err != nil {
		return nil, fmt.Errorf("select waiting assessments: %w", err)
	}
	return waiting, nil
}

// Backlog implements [assess.Store].
func (s *Store) Backlog(ctx context.Context) (assess.Backlog, error) {
	var b assess.Backlog
	if err := row(ctx, s.read, []any{&b.Unfinished, instant{&b.Oldest}, &b.Failed, &b.Chunks}, selectBacklog); err != nil {
		return assess.Backlog{}, fmt.Errorf("select backlog: %w", err)
	}
	return b, nil
}

// History implements [assess.Store]. The cursor's BeforeID is enough to find the place; one that
// is not the vehicle's gives an empty page.
func (s *Store) History(ctx context.Context, p assess.HistoryPage) ([]assess.Assessment, error) {
	history, err := many(ctx, s.read, assessmentFields, selectHistory, p.Organisation, p.Vehicle, p.BeforeID, p.Limit)
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

// startedFields says where the columns go that startAssessment returns.
func startedFields(a *assess.Assessment) []any {
	return append(assessmentFields(a), &a.Organisation, &a.Starts, &a.Batch)
}

// assessmentFieldsBody says where the assessmentColumns and the body go.
func assessmentFieldsBody(a *assess.Assessment) []any {
	return append(assessmentFields(a), orZero[[]byte]{&a.Outcome.Body})
}
