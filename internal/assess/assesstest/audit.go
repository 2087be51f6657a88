package assesstest

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"laidup/internal/assess"
)

// deed is an entry of the audit trail with whose it is.
type deed struct {
	organisation string
	entry        assess.AuditEntry
}

// note writes down what somebody does; the store is locked.
func (m *Memory) note(ctx context.Context, organisation, action, subject string, detail map[string]any) {
	body := []byte("{}")
	if detail != nil {
		var err error
		if body, err = json.Marshal(detail); err != nil {
			panic(err)
		}
	}
	m.deeds = append(m.deeds, deed{organisation, assess.AuditEntry{
		ID: fmt.Sprintf("aud_%06d", len(m.deeds)+1), At: stored(time.Now()), By: assess.ActorOf(ctx), Action: action, Subject: subject, Detail: body,
	}})
}

// Note implements [assess.Store].
func (m *Memory) Note(ctx context.Context, organisation, action string, detail map[string]any) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	m.note(ctx, organisation, action, "", detail)
	return nil
}

// Audit implements [assess.Store].
func (m *Memory) Audit(ctx context.Context, p assess.AuditPage) ([]assess.AuditEntry, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.AuditEntry
	for _, d := range slices.Backward(m.deeds) {
		if d.organisation == p.Organisation && (p.BeforeID == "" || d.entry.ID < p.BeforeID) {
			list = append(list, d.entry)
		}
	}
	return list[:min(p.Limit, len(list))], nil
}

func (s suite) audit(t *testing.T) {
	by := assess.Actor{Through: assess.ByKey, Key: "key-1"}
	ctx := assess.By(t.Context(), by)
	sub := submission("a", "Quillon-07", start)
	sub.PostedBy = "key-2"
	s.accept(t, sub)
	s.accept(t, submission("b", "Quillon-07", start))
	r, err := s.Report(t.Context(), us, "report-a")
	check(t, err)
	same(t, r.PostedBy, "key-2")
	for range 2 { // again it is done once
		_, err := s.Withdraw(ctx, assess.Withdrawal{Organisation: us, ReportID: "report-a", AssessmentID: "without-a", Because: "Quillon-07 has another engine", At: start})
		check(t, err)
		_, err = s.Publish(ctx, assess.Publication{Organisation: us, RuleSetRef: assess.RuleSetRef{Name: "ours", Version: "1.0.0", Digest: "sha256:1"}, Is: "x", PublishedAt: start}, []byte("{}"))
		check(t, err)
	}
	_, err = s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "Quillon-07", Because: "its owner asks for it", At: start})
	check(t, err)

	var seen []string
	page := assess.AuditPage{Organisation: us, Limit: 2}
	for range 2 {
		list, err := s.Audit(t.Context(), page)
		check(t, err)
		for _, e := range list {
			page.BeforeID = e.ID
			want := by
			if e.Action == assess.VehicleErased {
				want = assess.Actor{Through: assess.ByService}
			}
			if e.By != want || e.At.IsZero() {
				t.Errorf("%s was done by %+v at %v", e.Action, e.By, e.At)
			}
			var detail map[string]any
			check(t, json.Unmarshal(e.Detail, &detail))
			seen = append(seen, fmt.Sprint(e.Action, " ", e.Subject, " ", detail))
		}
	}
	same(t, seen, []string{
		"vehicle.erased  map[assessments:3 attachments:0 events:" + eventsOf(s) + " lines:0 reason:its owner asks for it reports:2]",
		"rule_set.published ours/1.0.0 map[digest:sha256:1]",
		"report.withdrawn report-a map[]",
	})
	if list, err := s.Audit(t.Context(), assess.AuditPage{Organisation: them, Limit: 9}); err != nil || len(list) > 0 {
		t.Errorf("theirs is %+v, %v", list, err)
	}
}

// eventsOf says how many events the suite's vehicle has had: a store in memory keeps none.
func eventsOf(s suite) string {
	if _, ok := s.Store.(assess.EventLog); ok {
		return "1"
	}
	return "0"
}
