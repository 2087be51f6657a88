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
	outcomes "laidup/internal/outcome"
)

// recorded is a stored outcome, with what it came with and what the counts have of it.
type recorded struct {
	assess.RecordedOutcome
	key, fingerprint string
	counted          assess.Judged
}

// counted names a row of the counts.
type counted struct {
	organisation, digest, period string
	kind                         outcomes.Kind
	name                         string
	step                         outcomes.Step
}

var _ assess.OutcomeStore = (*Memory)(nil)

// RecordOutcome implements [assess.OutcomeStore].
func (m *Memory) RecordOutcome(ctx context.Context, s assess.OutcomeSubmission) (assess.RecordedOutcome, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.RecordedOutcome{}, false, err
	}
	defer leave()
	s.Vehicle = m.spelled(s.Organisation, s.Vehicle)
	if m.vehicles[owned{s.Organisation, s.Vehicle}] == nil {
		return assess.RecordedOutcome{}, false, fmt.Errorf("vehicle %s: %w", s.Vehicle, assess.ErrNotFound)
	}
	for _, r := range m.outcomes {
		if s.IdempotencyKey == "" || r.Organisation != s.Organisation || r.key != s.IdempotencyKey {
			continue
		}
		if r.fingerprint != s.Fingerprint {
			return assess.RecordedOutcome{}, false, assess.ErrKeyReused
		}
		return r.shown(), true, nil
	}
	if s.Replaces != "" {
		old := m.outcomes[s.Replaces]
		if old == nil || old.Organisation != s.Organisation || old.Vehicle != s.Vehicle || old.ReplacedBy != "" {
			return assess.RecordedOutcome{}, false, assess.ErrNothingToReplace
		}
		if old.WithdrawnAt.IsZero() {
			old.WithdrawnAt = stored(s.At)
		}
		old.ReplacedBy, old.Waiting = s.ID, true
	}
	r := &recorded{assess.RecordedOutcome{
		ID: s.ID, Vehicle: s.Vehicle, Organisation: s.Organisation, Body: bytes.Clone(s.Body), ReceivedAt: stored(s.At), Before: stored(s.Before),
		Month: s.Month, PostedBy: s.PostedBy, Waiting: true,
	}, s.IdempotencyKey, s.Fingerprint, assess.Judged{}}
	m.outcomes[s.ID] = r
	return r.shown(), false, nil
}

// shown is a copy that does not tell whose it is.
func (r *recorded) shown() assess.RecordedOutcome {
	c := r.RecordedOutcome
	c.Organisation = ""
	return c
}

// Outcome implements [assess.OutcomeStore].
func (m *Memory) Outcome(ctx context.Context, organisation, id string) (assess.RecordedOutcome, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.RecordedOutcome{}, err
	}
	defer leave()
	r := m.outcomes[id]
	if r == nil || r.Organisation != organisation {
		return assess.RecordedOutcome{}, fmt.Errorf("outcome %s: %w", id, assess.ErrNotFound)
	}
	return r.shown(), nil
}

// Outcomes implements [assess.OutcomeStore].
func (m *Memory) Outcomes(ctx context.Context, p assess.OutcomePage) ([]assess.RecordedOutcome, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	p.Vehicle = m.spelled(p.Organisation, p.Vehicle)
	if m.vehicles[owned{p.Organisation, p.Vehicle}] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", p.Vehicle, assess.ErrNotFound)
	}
	newest := func(a, b assess.RecordedOutcome) int {
		return cmp.Or(b.ReceivedAt.Compare(a.ReceivedAt), strings.Compare(b.ID, a.ID))
	}
	var list []assess.RecordedOutcome
	for _, r := range m.outcomes {
		after := p.BeforeID == "" || newest(assess.RecordedOutcome{ReceivedAt: stored(p.BeforeReceived), ID: p.BeforeID}, r.RecordedOutcome) < 0
		if r.Organisation == p.Organisation && r.Vehicle == p.Vehicle && after {
			list = append(list, r.shown())
		}
	}
	slices.SortFunc(list, newest)
	return list[:min(p.Limit, len(list))], nil
}

// WithdrawOutcome implements [assess.OutcomeStore].
func (m *Memory) WithdrawOutcome(ctx context.Context, w assess.OutcomeWithdrawal) (assess.RecordedOutcome, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.RecordedOutcome{}, false, err
	}
	defer leave()
	r := m.outcomes[w.ID]
	if r == nil || r.Organisation != w.Organisation {
		return assess.RecordedOutcome{}, false, fmt.Errorf("outcome %s: %w", w.ID, assess.ErrNotFound)
	}
	repeat := !r.WithdrawnAt.IsZero()
	if !repeat {
		r.WithdrawnAt, r.Because, r.Waiting = stored(w.At), w.Because, true
		m.note(ctx, w.Organisation, assess.WithdrawnOutcome, w.ID, nil)
	}
	return r.shown(), repeat, nil
}

// LastBefore implements [assess.OutcomeStore].
func (m *Memory) LastBefore(ctx context.Context, organisation, vehicle string, before time.Time) (assess.Assessment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Assessment{}, err
	}
	defer leave()
	vehicle, before = m.spelled(organisation, vehicle), stored(before)
	if m.vehicles[owned{organisation, vehicle}] == nil {
		return assess.Assessment{}, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotFound)
	}
	most := 0
	for _, r := range m.reports {
		if r.organisation != organisation || r.Vehicle != vehicle {
			continue
		}
		if r.ReceivedAt.Before(before) {
			most = max(most, r.Ordinal)
		}
		if r.withdrawn > 0 && r.WithdrawnAt.Before(before) {
			most = max(most, r.withdrawn)
		}
	}
	late := func(a assess.Assessment) int {
		if a.CreatedAt.After(before) {
			return 1
		}
		return 0
	}
	var list []assess.Assessment
	for _, a := range m.assessments {
		if a.Organisation == organisation && a.Vehicle == vehicle && a.State != assess.Failed && a.Ordinal <= most {
			c := *a
			c.Organisation, c.Starts, c.Outcome.Summary, c.Outcome.Gates = "", 0, nil, nil
			list = append(list, c)
		}
	}
	if len(list) == 0 {
		return assess.Assessment{}, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotAssessedYet)
	}
	return slices.MinFunc(list, func(a, b assess.Assessment) int {
		newest := b.CreatedAt.Compare(a.CreatedAt)
		if late(a) == 1 {
			newest = -newest
		}
		return cmp.Or(b.Ordinal-a.Ordinal, late(a)-late(b), newest, strings.Compare(a.ID, b.ID))
	}), nil
}

// Uncounted implements [assess.OutcomeStore].
func (m *Memory) Uncounted(ctx context.Context, limit int) ([]assess.RecordedOutcome, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.RecordedOutcome
	for _, r := range m.outcomes {
		if r.Waiting {
			list = append(list, r.RecordedOutcome)
		}
	}
	slices.SortFunc(list, func(a, b assess.RecordedOutcome) int {
		return cmp.Or(a.ReceivedAt.Compare(b.ReceivedAt), strings.Compare(a.ID, b.ID))
	})
	return list[:min(limit, len(list))], nil
}

// CountOutcome implements [assess.OutcomeStore].
func (m *Memory) CountOutcome(ctx context.Context, id string, withdrawn bool, j assess.Judged) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	r := m.outcomes[id]
	if r == nil || !r.Waiting || withdrawn == r.WithdrawnAt.IsZero() {
		return fmt.Errorf("outcome %s: %w", id, assess.ErrFinished)
	}
	m.count(r, r.counted, -1)
	m.count(r, j, 1)
	r.counted, r.AssessmentID, r.Problem, r.Waiting = j, j.AssessmentID, j.Problem, false
	return nil
}

func (m *Memory) count(r *recorded, j assess.Judged, times int) {
	if j.RuleSet.Digest == "" {
		return
	}
	of := owned{r.Organisation, j.RuleSet.Digest}
	set := m.judged[of]
	set.RuleSet = j.RuleSet
	set.Outcomes += times
	if r.ReceivedAt.After(set.NewestAt) {
		set.NewestAt = r.ReceivedAt
	}
	m.judged[of] = set
	for _, period := range []string{"", r.Month} {
		for _, c := range j.Counts {
			if period != "" && c.Kind != outcomes.Gates {
				continue
			}
			at := counted{r.Organisation, j.RuleSet.Digest, period, c.Kind, c.Name, c.Step}
			row, known := m.counts[at]
			if !known {
				row = assess.CountRow{Name: c.Name, Family: c.Family, Period: period, Step: c.Step}
			}
			row.Seen, row.Events, row.Unseen = row.Seen+times*c.Seen, row.Events+times*c.Event, row.Unseen+times*c.Unseen
			m.counts[at] = row
		}
	}
}

// JudgedRuleSets implements [assess.OutcomeStore].
func (m *Memory) JudgedRuleSets(ctx context.Context, organisation string) ([]assess.JudgedRuleSet, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.JudgedRuleSet
	for of, j := range m.judged {
		if of.organisation == organisation && j.Outcomes > 0 {
			list = append(list, j)
		}
	}
	slices.SortFunc(list, func(a, b assess.JudgedRuleSet) int {
		return cmp.Or(b.NewestAt.Compare(a.NewestAt), strings.Compare(a.RuleSet.Digest, b.RuleSet.Digest))
	})
	return list, nil
}

// Counts implements [assess.OutcomeStore].
func (m *Memory) Counts(ctx context.Context, q assess.CountsOf) ([]assess.CountRow, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.CountRow
	for at, row := range m.counts {
		if at.organisation == q.Organisation && at.digest == q.Digest && at.kind == q.Kind && (at.period != "") == q.Monthly {
			list = append(list, row)
		}
	}
	slices.SortFunc(list, func(a, b assess.CountRow) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Period, b.Period), cmp.Compare(a.Step, b.Step))
	})
	return list, nil
}
