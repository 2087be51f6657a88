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
		RuleSet: s.Basis.RuleSet, Request: bytes.Clone(s.Request), State: assess.Queued, Organisation: s.Organisation, CreatedAt: at, EnqueuedAt: at,
	}, s.IdempotencyKey, s.Fingerprint}
	m.plans[s.ID] = p
	return m.shown(p), false, nil
}

// shown is a copy of a plan that says whether it is current.
func (m *Memory) shown(p *plan) assess.Plan {
	c := p.Plan
	c.Current = m.logs[owned{p.Organisation, p.Vehicle}].entries == p.Ordinal+len(m.stepReports(c))
	return c
}

// stepReports are those of a plan's steps that stand.
func (m *Memory) stepReports(p assess.Plan) (list []assess.Report) {
	for _, r := range m.reports {
		if r.organisation == p.Organisation && r.Vehicle == p.Vehicle && r.Ordinal > p.Ordinal && r.WithdrawnAt.IsZero() && strings.HasPrefix(r.Reference, p.ID+"/") {
			one := r.Report
			one.Body = nil
			list = append(list, one)
		}
	}
	slices.SortFunc(list, func(a, b assess.Report) int { return a.Ordinal - b.Ordinal })
	return list
}

// StepReports implements [assess.PlanStore].
func (m *Memory) StepReports(ctx context.Context, organisation string, p assess.Plan) ([]assess.Report, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	p.Organisation = organisation
	return m.stepReports(p), nil
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
		if p.Organisation == page.Organisation && p.Vehicle == page.Vehicle && after {
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
