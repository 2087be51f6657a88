package assesstest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"laidup/internal/assess"
)

// Holdings implements [assess.Store].
func (m *Memory) Holdings(ctx context.Context, organisation string) (h assess.Holdings, err error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return h, err
	}
	defer leave()
	for of, l := range m.logs {
		if of.organisation == organisation {
			h.Vehicles++
			h.Withdrawals += l.entries
		}
	}
	for _, r := range m.reports {
		if r.organisation == organisation {
			h.Reports++
		}
	}
	h.Withdrawals -= h.Reports
	return h, nil
}

// Entries implements [assess.Store].
func (m *Memory) Entries(ctx context.Context, organisation, vehicle string) ([]assess.Entry, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	of := owned{organisation, m.spelled(organisation, vehicle)}
	if m.vehicles[of] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotFound)
	}
	entries := make([]assess.Entry, m.logs[of].entries)
	replaces := map[string]string{}
	for _, withdrawals := range []bool{true, false} { // a report goes before the withdrawal that it brings with it
		for _, r := range m.reports {
			switch {
			case r.organisation != organisation || r.Vehicle != of.name:
			case withdrawals && r.withdrawn > 0:
				entries[r.withdrawn-1] = assess.Entry{Report: r.ID, Withdrawal: true, At: r.WithdrawnAt, Because: r.Because}
				replaces[r.ReplacedBy] = r.ID
			case !withdrawals:
				entries[r.Ordinal-1] = assess.Entry{Report: r.ID, At: r.ReceivedAt, PostedBy: r.PostedBy, Replaces: replaces[r.ID]}
			}
		}
	}
	for _, a := range m.assessments {
		if a.Organisation == organisation && a.Vehicle == of.name {
			entries[a.Ordinal-1].Gate, entries[a.Ordinal-1].RuleSet = a.Gate, a.RuleSet
		}
	}
	for i := range entries {
		entries[i].Ordinal = i + 1
	}
	return entries, nil
}

func (s suite) entries(t *testing.T) {
	later := start.Add(time.Hour)
	accept := func(name, replaces string, at time.Time) {
		t.Helper()
		sub := submission(name, "tern-01", at)
		sub.Replaces, sub.PostedBy, sub.Gate = replaces, "key-"+name, "gate-"+name
		s.accept(t, sub)
	}
	accept("a", "", start)
	accept("b", "", later)
	s.withdraw(t, "a")
	accept("c", "report-a", start) // it was withdrawn before
	accept("d", "report-b", later)
	s.withdraw(t, "d")
	s.withdraw(t, "c")
	s.accept(t, submission("other", "wren-02", start))
	theirs := submission("theirs", "tern-01", start)
	theirs.Organisation = them
	s.accept(t, theirs)

	set := submission("", "", start).RuleSet
	report := func(n int, name, replaces string, at time.Time) assess.Entry {
		return assess.Entry{Ordinal: n, Report: "report-" + name, At: stored(at), PostedBy: "key-" + name, Replaces: replaces, Gate: "gate-" + name, RuleSet: set}
	}
	withdrawal := func(n int, name, gate string) assess.Entry {
		e := assess.Entry{Ordinal: n, Report: "report-" + name, Withdrawal: true, At: stored(later), Because: "it was of another vehicle", Gate: gate}
		if gate != "" {
			e.RuleSet = set
		}
		return e
	}
	list, err := s.Entries(t.Context(), us, "TERN-01")
	check(t, err)
	same(t, list, []assess.Entry{
		report(1, "a", "", start), report(2, "b", "", later), withdrawal(3, "a", "gate-b"), report(4, "c", "report-a", start),
		report(5, "d", "report-b", later), withdrawal(6, "d", "gate-c"), withdrawal(7, "c", ""),
	})
	h, err := s.Holdings(t.Context(), us)
	check(t, err)
	same(t, h, assess.Holdings{Vehicles: 2, Reports: 5, Withdrawals: 3})
	if h, err := s.Holdings(t.Context(), "nobody"); err != nil || h != (assess.Holdings{}) {
		t.Errorf("nobody has %+v, %v", h, err)
	}
	for _, whose := range []string{"nobody", them} {
		if _, err := s.Entries(t.Context(), whose, "wren-02"); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s is told %v", whose, err)
		}
	}
	by := assess.Actor{Through: assess.ByKey, Key: "key-1"}
	check(t, s.Note(assess.By(t.Context(), by), us, assess.DataExported, map[string]any{"reports": 5}))
	trail, err := s.Audit(t.Context(), assess.AuditPage{Organisation: us, Limit: 9})
	check(t, err)
	at := slices.IndexFunc(trail, func(e assess.AuditEntry) bool { return e.Action == assess.DataExported })
	if at != 0 || trail[0].By != by || string(trail[0].Detail) != `{"reports":5}` || trail[0].Subject != "" {
		t.Errorf("the trail has %+v", trail)
	}
}

func (s suite) imported(t *testing.T) {
	later := start.Add(1000 * time.Hour)
	for i, name := range []string{"a", "b", "c"} {
		sub := submission(name, "tern-01", start.Add(time.Duration(i)*time.Hour))
		sub.ImportedAt = later
		if name == "b" {
			sub.Replaces = "report-a"
		}
		s.accept(t, sub)
	}
	_, err := s.Withdraw(t.Context(), assess.Withdrawal{
		Organisation: us, ReportID: "report-c", AssessmentID: "without-c", Because: "it was of another vehicle", At: start.Add(3 * time.Hour), ImportedAt: later,
	})
	check(t, err)
	received := func(name string, hour, withdrawn int) {
		t.Helper()
		r, err := s.Report(t.Context(), us, "report-"+name)
		check(t, err)
		var at time.Time
		if withdrawn > 0 {
			at = stored(start.Add(time.Duration(withdrawn) * time.Hour))
		}
		if !r.ReceivedAt.Equal(stored(start.Add(time.Duration(hour)*time.Hour))) || !r.WithdrawnAt.Equal(at) {
			t.Errorf("%s came at %s and was withdrawn at %s", name, r.ReceivedAt, r.WithdrawnAt)
		}
	}
	received("a", 0, 1)
	received("b", 1, 0)
	received("c", 2, 3)
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	same(t, v.UpdatedAt, stored(start.Add(2*time.Hour)))
	waiting, err := s.Waiting(t.Context(), later.Add(time.Minute), later.Add(time.Hour), 9)
	check(t, err)
	same(t, len(waiting), 4)
	for _, a := range waiting {
		same(t, []time.Time{a.CreatedAt, a.EnqueuedAt}, []time.Time{stored(later), stored(later)})
	}
	if early, err := s.Waiting(t.Context(), later.Add(-time.Minute), later.Add(time.Hour), 9); err != nil || len(early) > 0 {
		t.Errorf("waiting too long are %+v, %v", early, err)
	}
}
