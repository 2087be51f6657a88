package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"laidup/internal/assess"
)

var _ assess.PlanStore = (*Store)(nil)

// Basis implements [assess.PlanStore].
func (s *Store) Basis(ctx context.Context, organisation, vehicle string) (assess.Assessment, error) {
	vehicle = s.spelled(ctx, organisation, vehicle)
	a, err := one(ctx, s.read, basisFields, selectBasis, organisation, vehicle)
	if errors.Is(err, assess.ErrNotFound) {
		if err = s.vehicleExists(ctx, organisation, vehicle); err == nil {
			err = assess.ErrNotAssessedYet
		}
	}
	if err != nil {
		return assess.Assessment{}, fmt.Errorf("select what to plan %s by: %w", vehicle, err)
	}
	return a, nil
}

// OrderPlan implements [assess.PlanStore].
func (s *Store) OrderPlan(ctx context.Context, o assess.PlanSubmission) (p assess.Plan, repeat bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		b, set, id, at := o.Basis, o.Basis.RuleSet, o.ID, o.At.UnixMilli()
		repeat = false
		added, err := tx.ExecContext(ctx, insertPlan, o.ID, o.Organisation, b.Vehicle, b.Ordinal, b.ID, b.ReportID, o.Gate,
			set.Name, set.Version, set.Digest, string(o.Request), o.IdempotencyKey, o.Fingerprint, at, o.WhatIfOf)
		if err != nil {
			return err
		}
		if n, err := added.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			repeat = true
			if id, err = sentBefore(ctx, tx, selectPlanByKey, o.Organisation, o.IdempotencyKey, o.Fingerprint); err != nil {
				return err
			}
		}
		p, err = one(ctx, tx, planFieldsBody, selectPlan, o.Organisation, id)
		return err
	})
	if err != nil {
		return assess.Plan{}, false, fmt.Errorf("store plan %s: %w", o.ID, err)
	}
	return p, repeat, nil
}

// Plan implements [assess.PlanStore].
func (s *Store) Plan(ctx context.Context, organisation, id string) (assess.Plan, error) {
	p, err := one(ctx, s.read, planFieldsBody, selectPlan, organisation, id)
	if err != nil {
		return p, fmt.Errorf("select plan %s: %w", id, err)
	}
	return p, nil
}

// Tick implements [assess.PlanStore].
func (s *Store) Tick(ctx context.Context, t assess.TickSubmission) (repeat bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		repeat = false
		err := insertStep(ctx, tx, t)
		if !errors.Is(err, errTold) {
			return err
		}
		repeat = true
		_, err = sentBefore(ctx, tx, selectTickByKey, t.Organisation, t.IdempotencyKey, t.Fingerprint)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("tick step %d of plan %s: %w", t.Step, t.Plan, err)
	}
	return repeat, nil
}

// errTold means that a tick with its idempotency key is there.
var errTold = errors.New("ticked before")

// insertStep writes a tick of a plan of the vehicle; ErrNotFound where there is no such plan.
func insertStep(ctx context.Context, tx *sql.Tx, t assess.TickSubmission) error {
	found, err := tx.ExecContext(ctx, lockPlan, t.Organisation, t.Plan, t.Vehicle)
	if err != nil {
		return fmt.Errorf("lock plan %s: %w", t.Plan, err)
	}
	if n, err := found.RowsAffected(); err != nil {
		return err
	} else if n == 0 {
		return assess.ErrNotFound
	}
	undone := 0
	if t.Undone {
		undone = 1
	}
	added, err := tx.ExecContext(ctx, insertTick, t.Organisation, t.Vehicle, t.Plan, t.Step, undone, t.On, t.Inspector, t.Report,
		t.At.UnixMilli(), t.By, t.IdempotencyKey, t.Fingerprint)
	if err != nil {
		return fmt.Errorf("insert tick: %w", err)
	}
	if n, err := added.RowsAffected(); err != nil {
		return err
	} else if n == 0 {
		return errTold
	}
	return nil
}

// Ticks implements [assess.PlanStore].
func (s *Store) Ticks(ctx context.Context, organisation, vehicle, plan string) ([]assess.Tick, error) {
	list, err := many(ctx, s.read, tickFields, selectTicks, organisation, s.spelled(ctx, organisation, vehicle), plan)
	if err != nil {
		return nil, fmt.Errorf("select what was ticked of %s: %w", vehicle, err)
	}
	return list, nil
}

// WhatIfs implements [assess.PlanStore].
func (s *Store) WhatIfs(ctx context.Context, organisation, plan string, limit int) ([]assess.Plan, error) {
	list, err := many(ctx, s.read, planFieldsBody, selectWhatIfs, organisation, plan, limit)
	if err != nil {
		return nil, fmt.Errorf("select what stands beside plan %s: %w", plan, err)
	}
	return list, nil
}

// RetryPlan implements [assess.PlanStore].
func (s *Store) RetryPlan(ctx context.Context, organisation, id string, at time.Time) (attempt int, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, retryPlan, at.UnixMilli(), organisation, id).Scan(&attempt)
		if !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		var state assess.State
		if err := tx.QueryRowContext(ctx, selectOwnPlanState, organisation, id).Scan(&state); err != nil {
			return domain(err)
		}
		return assess.ErrNotFailed
	})
	if err != nil {
		return 0, fmt.Errorf("retry plan %s: %w", id, err)
	}
	return attempt, nil
}

// Plans implements [assess.PlanStore].
func (s *Store) Plans(ctx context.Context, p assess.PlanPage) ([]assess.Plan, error) {
	p.Vehicle = s.spelled(ctx, p.Organisation, p.Vehicle)
	list, err := many(ctx, s.read, planFields, selectPlans, p.Organisation, p.Vehicle, p.BeforeID, p.BeforeCreated.UnixMilli(), p.Limit)
	if err == nil && len(list) == 0 {
		err = s.vehicleExists(ctx, p.Organisation, p.Vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select plans of %s: %w", p.Vehicle, err)
	}
	return list, nil
}

// StartPlan implements [assess.PlanStore].
func (s *Store) StartPlan(ctx context.Context, id string) (p assess.Plan, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if p, err = one(ctx, tx, workedFields, startPlan, id); errors.Is(err, assess.ErrNotFound) {
			return unchanged(ctx, tx, selectPlanState, id)
		}
		return err
	})
	if err != nil {
		return assess.Plan{}, fmt.Errorf("start plan %s: %w", id, err)
	}
	return p, nil
}

// PutBackPlan implements [assess.PlanStore].
func (s *Store) PutBackPlan(ctx context.Context, id string) error {
	if err := s.update(ctx, selectPlanState, id, putBackPlan, id); err != nil {
		return fmt.Errorf("put plan %s back: %w", id, err)
	}
	return nil
}

// FinishPlan implements [assess.PlanStore].
func (s *Store) FinishPlan(ctx context.Context, id string, body []byte, at time.Time) error {
	if err := s.endPlan(ctx, id, finishPlan, body, at); err != nil {
		return fmt.Errorf("finish plan %s: %w", id, err)
	}
	return nil
}

// FailPlan implements [assess.PlanStore].
func (s *Store) FailPlan(ctx context.Context, id string, problem []byte, at time.Time) error {
	if err := s.endPlan(ctx, id, failPlan, problem, at); err != nil {
		return fmt.Errorf("fail plan %s: %w", id, err)
	}
	return nil
}

func (s *Store) endPlan(ctx context.Context, id, query string, text []byte, at time.Time) error {
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		p, err := one(ctx, tx, workedFields, query, at.UnixMilli(), string(text), id)
		switch {
		case errors.Is(err, assess.ErrNotFound):
			return unchanged(ctx, tx, selectPlanState, id)
		case err != nil:
			return err
		}
		return emit(ctx, tx, p.Organisation, assess.PlanEvent(p))
	})
}

// WaitingPlans implements [assess.PlanStore].
func (s *Store) WaitingPlans(ctx context.Context, before, after time.Time, limit int) ([]assess.Plan, error) {
	waiting, err := overdue(ctx, s, workedFields, selectWaitingPlans, selectWaitingPlansAhead, before, after, limit)
	if err != nil {
		return nil, fmt.Errorf("select waiting plans: %w", err)
	}
	return waiting, nil
}

// PlanEnqueued implements [assess.PlanStore].
func (s *Store) PlanEnqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	err := s.update(ctx, selectPlanState, id, notePlanEnqueued, attempt, at.UnixMilli(), id)
	if err != nil && !errors.Is(err, assess.ErrFinished) {
		return fmt.Errorf("note attempt %d at plan %s: %w", attempt, id, err)
	}
	return nil
}

// basisFields says where the columns of selectBasis go.
func basisFields(a *assess.Assessment) []any {
	return []any{&a.ID, &a.ReportID, &a.Vehicle, &a.Ordinal, &a.Gate, &a.RuleSet.Name, &a.RuleSet.Version, &a.RuleSet.Digest}
}

// workedFields says where the workedColumns go.
func workedFields(p *assess.Plan) []any {
	return []any{
		&p.ID, &p.Organisation, &p.Vehicle, &p.Ordinal, &p.AssessmentID, &p.ReportID, &p.Gate,
		&p.RuleSet.Name, &p.RuleSet.Version, &p.RuleSet.Digest, &p.Request, &p.State, &p.Attempt, &p.Starts,
		instant{&p.CreatedAt}, instant{&p.EnqueuedAt}, instant{&p.FinishedAt}, orZero[[]byte]{&p.Problem}, &p.WhatIfOf,
	}
}

// tickFields says where the columns of selectTicks go.
func tickFields(t *assess.Tick) []any {
	return []any{&t.Plan, &t.Step, &t.Undone, &t.On, &t.Inspector, &t.Report, instant{&t.At}, &t.By, &t.Stands}
}

// planFields says where the planColumns go.
func planFields(p *assess.Plan) []any { return append(workedFields(p), &p.Current) }

// planFieldsBody says where the planColumns and the body go.
func planFieldsBody(p *assess.Plan) []any { return append(planFields(p), orZero[[]byte]{&p.Body}) }
