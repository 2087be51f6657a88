package assesstest

import (
	"context"
	"testing"
	"time"

	"laidup/internal/assess"
)

// Retention implements [assess.Store].
func (m *Memory) Retention(ctx context.Context, organisation string) (int, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	return m.retention[organisation], nil
}

// SetRetention implements [assess.Store].
func (m *Memory) SetRetention(ctx context.Context, organisation string, days int) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	m.retention[organisation] = days
	m.note(ctx, organisation, assess.RetentionSet, "", map[string]any{"days": days})
	return nil
}

// Outlived implements [assess.Store].
func (m *Memory) Outlived(ctx context.Context, now time.Time, limit int) (due []assess.Outlived, err error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	for of, v := range m.vehicles {
		days := m.retention[of.organisation]
		before := stored(now).Add(-time.Duration(days) * 24 * time.Hour)
		if days > 0 && v.UpdatedAt.Before(before) && len(due) < limit {
			due = append(due, assess.Outlived{Organisation: of.organisation, Vehicle: of.name, Before: before})
		}
	}
	return due, nil
}

func (s suite) retention(t *testing.T) {
	const day = 24 * time.Hour
	for name, age := range map[string]time.Duration{"old": 40 * day, "older": 50 * day, "young": 20 * day} {
		s.accept(t, submission(name, name, start.Add(-age)))
		theirs := submission("theirs-"+name, name, start.Add(-age))
		theirs.Organisation = them
		s.accept(t, theirs)
	}
	outlived := func(limit int) []assess.Outlived {
		t.Helper()
		due, err := s.Outlived(t.Context(), start, limit)
		check(t, err)
		return due
	}
	same(t, len(outlived(9)), 0)
	check(t, s.SetRetention(t.Context(), us, 400))
	check(t, s.SetRetention(t.Context(), us, 30))
	if days, err := s.Retention(t.Context(), us); err != nil || days != 30 {
		t.Errorf("the retention is %d days, %v", days, err)
	}
	same(t, len(outlived(1)), 1)
	due := outlived(9)
	same(t, len(due), 2)
	for _, o := range due {
		if o.Organisation != us || o.Vehicle == "young" || !o.Before.Equal(stored(start).Add(-30*day)) {
			t.Errorf("due is %+v", o)
		}
	}
	check(t, s.SetRetention(t.Context(), us, 0))
	same(t, len(outlived(9)), 0)
	list, err := s.Audit(t.Context(), assess.AuditPage{Organisation: us, Limit: 9})
	check(t, err)
	var details []string
	for _, e := range list {
		details = append(details, e.Action+" "+string(e.Detail))
	}
	same(t, details, []string{`retention.set {"days":0}`, `retention.set {"days":30}`, `retention.set {"days":400}`})
}
