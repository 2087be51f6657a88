package assesstest

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
)

// plan is a stored plan, with what it was ordered with.
type plan struct {
	assess.Plan
	key, fingerprint string
}

var _ assess.PlanStore = (*Memory)(nil)

// Basis implements [assess.PlanStore].
func (m *Memory) Basis(ctx context.Context, organisation, vehicle string) (assess.Assessment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Assessment{}, err
	}
	defer leave()
	vehicle = m.spelled(organisation, vehicle)
	if m.vehicles[owned{organisation, vehicle}] == nil {
		return assess.Assessment{}, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotFound)
	}
	for _, a := range m.history(organisation, vehicle) {
		if a.Ordinal > m.logs[owned{organisation, vehicle}].void && a.State != assess.Failed {
			return assess.Assessment{ID: a.ID, ReportID: a.ReportID, Vehicle: a.Vehicle, Ordinal: a.Ordinal, Gate: a.Gate, RuleSet: a.RuleSet}, nil
		}
	}
	return assess.Assessment{}, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotAssessedYet)
}

// OrderPlan implements [assess.PlanStore].
func (m *Memory) OrderPlan(ctx context.Context, s assess.PlanSubmission) (assess.Plan, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Plan{}, false, err
	}
	defer leave()
	for _, p := range m.plans {
		if s.IdempotencyKey == "" || p.Organisation != s.Organisation || p.key != s.IdempotencyKey {
			continue
		}
		if p.fingerprint != s.Fingerprint {
			return assess.Plan{}, false, assess.ErrKeyReused
		}
		return m.shown(p), true, nil
	}
	at := stored(s.At)
	p := &plan{assess.Plan{
		ID: s.ID, Vehicle: s.Basis.Vehicle, Gate: s.Gate, AssessmentID: s.Basis.ID, ReportID: s.Basis.ReportID, Ordinal: s.Basis.Ordinal,
		RuleSet: s.Basis.RuleSet, Request: bytes.Clone(s.Request), State: assess.Queued, Organisation: s.Organisation, CreatedAt: at, EnqueuedAt: at, WhatIfOf: s.WhatIfOf,
	}, s.IdempotencyKey, s.Fingerprint}
	m.plans[s.ID] = p
	return m.shown(p), false, nil
}

// shown is a copy of a plan that says whether it is current.
func (m *Memory) shown(p *plan) assess.Plan {
	c := p.Plan
	own := 0
	for _, t := range m.ticks {
		if r, is := m.reports[t.Report]; is && t.Plan == p.ID && r.Ordinal > p.Ordinal {
			own++
			if r.withdrawn > 0 && r.ReplacedBy == "" {
				own++
			}
		}
	}
	c.Current = m.logs[owned{p.Organisation, p.Vehicle}].entries == p.Ordinal+own
	return c
}

// Tick implements [assess.PlanStore].
func (m *Memory) Tick(ctx context.Context, t assess.TickSubmission) (bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return false, err
	}
	defer leave()
	if p := m.plans[t.Plan]; p == nil || p.Organisation != t.Organisation || p.Vehicle != t.Vehicle {
		return false, fmt.Errorf("plan %s: %w", t.Plan, assess.ErrNotFound)
	}
	for _, known := range m.ticks {
		if t.IdempotencyKey == "" || known.Organisation != t.Organisation || known.IdempotencyKey != t.IdempotencyKey {
			continue
		}
		if known.Fingerprint != t.Fingerprint {
			return false, assess.ErrKeyReused
		}
		return true, nil
	}
	t.At = stored(t.At)
	m.ticks = append(m.ticks, t)
	return false, nil
}

// Ticks implements [assess.PlanStore].
func (m *Memory) Ticks(ctx context.Context, organisation, vehicle, plan string) ([]assess.Tick, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.Tick
	for _, t := range m.ticks {
		if t.Organisation == organisation && t.Vehicle == m.spelled(organisation, vehicle) && (plan == "" || t.Plan == plan) {
			t.Stands = m.reports[t.Report].withdrawn == 0
			list = append(list, t.Tick)
		}
	}
	return list, nil
}

// WhatIfs implements [assess.PlanStore].
func (m *Memory) WhatIfs(ctx context.Context, organisation, of string, limit int) ([]assess.Plan, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.Plan
	for _, p := range m.plans {
		if p.Organisation == organisation && p.WhatIfOf == of {
			list = append(list, m.shown(p))
		}
	}
	slices.SortFunc(list, func(a, b assess.Plan) int {
		return cmp.Or(a.CreatedAt.Compare(b.CreatedAt), strings.Compare(a.ID, b.ID))
	})
	return list[:min(limit, len(list))], nil
}

// RetryPlan implements [assess.PlanStore].
func (m *Memory) RetryPlan(ctx context.Context, organisation, id string, at time.Time) (int, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	p := m.plans[id]
	switch {
	case p == nil || p.Organisation != organisation:
		return 0, fmt.Errorf("plan %s: %w", id, assess.ErrNotFound)
	case p.State != assess.Failed:
		return 0, fmt.Errorf("plan %s: %w", id, assess.ErrNotFailed)
	}
	p.State, p.Starts, p.EnqueuedAt, p.FinishedAt, p.Problem = assess.Queued, 0, stored(at), time.Time{}, nil
	return p.Attempt, nil
}

// Plan implements [assess.PlanStore].
func (m *Memory) Plan(ctx context.Context, organisation, id string) (assess.Plan, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Plan{}, err
	}
	defer leave()
	p := m.plans[id]
	if p == nil || p.Organisation != organisation {
		return assess.Plan{}, fmt.Errorf("plan %s: %w", id, assess.ErrNotFound)
	}
	return m.shown(p), nil
}

// Plans implements [assess.PlanStore].
func (m *Memory) Plans(ctx context.Context, page assess.PlanPage) ([]assess.Plan, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	page.Vehicle = m.spelled(page.Organisation, page.Vehicle)
	if m.vehicles[owned{page.Organisation, page.Vehicle}] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", page.Vehicle, assess.ErrNotFound)
	}
	newest := func(a, b assess.Plan) int {
		return cmp.Or(b.CreatedAt.Compare(a.CreatedAt), strings.Compare(b.ID, a.ID))
	}
	var list []assess.Plan
	for _, p := range m.plans {
		after := page.BeforeID == "" || newest(assess.Plan{CreatedAt: stored(page.BeforeCreated), ID: page.BeforeID}, p.Plan) < 0
		if p.Organisation == page.Organisation && p.Vehicle == page.Vehicle && p.WhatIfOf == "" && after {
			c := m.shown(p)
			c.Body = nil
			list = append(list, c)
		}
	}
	slices.SortFunc(list, newest)
	return list[:min(page.Limit, len(list))], nil
}

// unfinishedPlan runs change on an unfinished plan; the store is locked.
func (m *Memory) unfinishedPlan(ctx context.Context, id string, change func(*plan)) (assess.Plan, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Plan{}, err
	}
	defer leave()
	p := m.plans[id]
	switch {
	case p == nil:
		return assess.Plan{}, fmt.Errorf("plan %s: %w", id, assess.ErrNotFound)
	case !p.FinishedAt.IsZero():
		return assess.Plan{}, fmt.Errorf("plan %s: %w", id, assess.ErrFinished)
	}
	change(p)
	return p.Plan, nil
}

// StartPlan implements [assess.PlanStore].
func (m *Memory) StartPlan(ctx context.Context, id string) (assess.Plan, error) {
	return m.unfinishedPlan(ctx, id, func(p *plan) {
		p.State = assess.Running
		p.Starts++
	})
}

// PutBackPlan implements [assess.PlanStore].
func (m *Memory) PutBackPlan(ctx context.Context, id string) error {
	_, err := m.unfinishedPlan(ctx, id, func(p *plan) { p.Starts = max(0, p.Starts-1) })
	return err
}

// FinishPlan implements [assess.PlanStore].
func (m *Memory) FinishPlan(ctx context.Context, id string, body []byte, at time.Time) error {
	_, err := m.unfinishedPlan(ctx, id, func(p *plan) {
		p.State, p.FinishedAt, p.Body = assess.Done, stored(at), bytes.Clone(body)
	})
	return err
}

// FailPlan implements [assess.PlanStore].
func (m *Memory) FailPlan(ctx context.Context, id string, problem []byte, at time.Time) error {
	_, err := m.unfinishedPlan(ctx, id, func(p *plan) {
		p.State, p.FinishedAt, p.Problem = assess.Failed, stored(at), bytes.Clone(problem)
	})
	return err
}

// WaitingPlans implements [assess.PlanStore].
func (m *Memory) WaitingPlans(ctx context.Context, before, after time.Time, limit int) ([]assess.Plan, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.Plan
	for _, p := range m.plans {
		if p.FinishedAt.IsZero() && (p.EnqueuedAt.Before(stored(before)) || p.EnqueuedAt.After(stored(after))) {
			list = append(list, p.Plan)
		}
	}
	slices.SortFunc(list, func(a, b assess.Plan) int {
		return cmp.Or(a.EnqueuedAt.Compare(b.EnqueuedAt), strings.Compare(a.ID, b.ID))
	})
	return list[:min(limit, len(list))], nil
}

// PlanEnqueued implements [assess.PlanStore].
func (m *Memory) PlanEnqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	p := m.plans[id]
	if p == nil {
		return fmt.Errorf("plan %s: %w", id, assess.ErrNotFound)
	}
	if p.FinishedAt.IsZero() && attempt >= p.Attempt {
		p.Attempt, p.EnqueuedAt = attempt, stored(at)
	}
	return nil
}
