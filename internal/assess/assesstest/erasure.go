package assesstest

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"testing"
	"time"

	"laidup/internal/assess"
)

// Erase implements [assess.Store].
func (m *Memory) Erase(ctx context.Context, e assess.Erasure) (done assess.Erased, err error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return done, err
	}
	defer leave()
	of := owned{e.Organisation, m.spelled(e.Organisation, e.Vehicle)}
	v := m.vehicles[of]
	switch {
	case v == nil:
		return done, fmt.Errorf("erase vehicle: %w", assess.ErrNotFound)
	case !e.Before.IsZero() && !v.UpdatedAt.Before(e.Before):
		return done, fmt.Errorf("erase vehicle: %w", assess.ErrNewerReport)
	}
	maps.DeleteFunc(m.assessments, func(id string, a *assess.Assessment) bool {
		gone := a.Organisation == of.organisation && a.Vehicle == of.name
		if gone {
			delete(m.ofBatch, id)
			done.Assessments++
		}
		return gone
	})
	m.ticks = slices.DeleteFunc(m.ticks, func(t assess.TickSubmission) bool { return t.Organisation == of.organisation && t.Vehicle == of.name })
	maps.DeleteFunc(m.plans, func(_ string, p *plan) bool { return p.Organisation == of.organisation && p.Vehicle == of.name })
	maps.DeleteFunc(m.outcomes, func(_ string, r *recorded) bool { return r.Organisation == of.organisation && r.Vehicle == of.name })
	for _, b := range m.batches {
		for i, l := range b.lines {
			if b.Organisation == of.organisation && m.spelled(of.organisation, l.vehicle) == of.name {
				b.lines[i] = line{number: l.number, chunk: l.chunk, problem: assess.ErasedProblem()}
				done.Lines++
			}
		}
	}
	maps.DeleteFunc(m.keys, func(_ owned, c claim) bool {
		r := m.reports[c.receipt.ReportID]
		return r.organisation == of.organisation && r.Vehicle == of.name
	})
	maps.DeleteFunc(m.reports, func(_ string, r ownedReport) bool {
		gone := r.organisation == of.organisation && r.Vehicle == of.name
		if gone {
			done.Reports++
		}
		return gone
	})
	done.Attachments = m.eraseLinks(of)
	delete(m.vehicles, of)
	delete(m.logs, of)
	maps.DeleteFunc(m.spellings, func(folded owned, as string) bool { return folded.organisation == of.organisation && as == of.name })
	m.note(ctx, e.Organisation, assess.VehicleErased, "", done.Detail(e.Because))
	return done, nil
}

func (s suite) erase(t *testing.T, vehicle string) assess.Erased {
	t.Helper()
	done, err := s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: vehicle, Because: "its owner asks for it", At: start})
	check(t, err)
	return done
}

func (s suite) erased(t *testing.T) {
	for _, name := range []string{"a", "b", "c"} {
		sub := submission(name, "Tern-01", start)
		sub.IdempotencyKey, sub.Fingerprint = "key-"+name, name
		s.accept(t, sub)
	}
	s.finish(t, "a")
	other := submission("other", "wren-02", start)
	other.IdempotencyKey, other.Fingerprint = "key-other", "other"
	s.accept(t, other)
	theirs := submission("theirs", "Tern-01", start)
	theirs.Organisation = them
	s.accept(t, theirs)

	if _, err := s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "Tern-01", At: start, Before: stored(start)}); !errors.Is(err, assess.ErrNewerReport) {
		t.Errorf("what is not old enough is erased: %v", err)
	}
	s.exists(t, us, "Tern-01", 3)
	if done := s.erase(t, "tERN-01"); done.Reports != 3 || done.Assessments != 3 {
		t.Errorf("erased are %+v", done)
	}
	for _, name := range []string{"a", "b", "c"} {
		s.absent(t, "report-"+name, "assessment-"+name, "Tern-01")
	}
	s.exists(t, us, "wren-02", 1)
	s.exists(t, them, "Tern-01", 1)
	if again := s.accept(t, other); !again.Repeat {
		t.Error("the key of a report on another vehicle is gone")
	}
	for what, organisation := range map[string]string{"again": us, "of nobody": "nobody"} {
		if _, err := s.Erase(t.Context(), assess.Erasure{Organisation: organisation, Vehicle: "Tern-01", At: start}); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	// What comes then is of a new vehicle, in its own spelling; no key of before stands for anything.
	sub := submission("a", "TERN-01", start)
	sub.IdempotencyKey, sub.Fingerprint = "key-a", "another"
	if first := s.accept(t, sub); first.Repeat {
		t.Error("a key outlives its report")
	}
	if v, err := s.Vehicle(t.Context(), us, "tern-01"); err != nil || v.Reference != "TERN-01" || v.Reports != 1 || v.Newest != nil {
		t.Errorf("the new vehicle is %+v, %v", v, err)
	}
}

// exists checks that a vehicle is there with its reports.
func (s suite) exists(t *testing.T, organisation, vehicle string, reports int) {
	t.Helper()
	v, err := s.Vehicle(t.Context(), organisation, vehicle)
	if err != nil || v.Reports != reports {
		t.Errorf("%s of %s is %+v, %v", vehicle, organisation, v, err)
	}
}

// Whoever has read what was erased and would store what comes of it stores nothing.
func (s suite) erasedMeanwhile(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	a, err := s.Start(t.Context(), "assessment-a")
	check(t, err)
	s.erase(t, "tern-01")
	for what, do := range map[string]func() error{
		"start":     func() error { _, err := s.Start(t.Context(), a.ID); return err },
		"finish":    func() error { return s.Finish(t.Context(), a.ID, outcome("a"), start) },
		"fail":      func() error { return s.Fail(t.Context(), a.ID, []byte(`{"title":"x"}`), start) },
		"put back":  func() error { return s.PutBack(t.Context(), a.ID) },
		"retry":     func() error { _, err := s.Retry(t.Context(), us, a.ID, start); return err },
		"hand over": func() error { return s.Enqueued(t.Context(), a.ID, 2, start) },
		"dossier":   func() error { _, err := s.Dossier(t.Context(), us, "tern-01", 1); return err },
		"withdraw": func() error {
			_, err := s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-a", AssessmentID: "x", Because: "x", At: start})
			return err
		},
	} {
		if err := do(); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s: %v", what, err)
		}
	}
	s.absent(t, "report-a", "assessment-a", "tern-01")
	if waiting, err := s.Waiting(t.Context(), start.Add(time.Hour), start.Add(2*time.Hour), 9); err != nil || len(waiting) > 0 {
		t.Errorf("%+v waits, %v", waiting, err)
	}
}

// Reports come, assessments are finished and the vehicle is erased, all at once: in the end it is there whole
// or not at all.
func (s suite) eraseRace(t *testing.T) {
	const side = 12
	var all sync.WaitGroup
	for i := range side {
		all.Go(func() {
			name := fmt.Sprint(i)
			tried(t, func() error { _, err := s.Accept(t.Context(), submission(name, "tern-01", start)); return err })
			tried(t, func() error {
				err := s.Finish(t.Context(), "assessment-"+name, outcome(name), start)
				if errors.Is(err, assess.ErrNotFound) {
					err = nil
				}
				return err
			})
			if i%4 == 0 {
				tried(t, func() error {
					_, err := s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "tern-01", At: start})
					if errors.Is(err, assess.ErrNotFound) {
						err = nil
					}
					return err
				})
			}
		})
	}
	all.Wait()
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	if errors.Is(err, assess.ErrNotFound) {
		v.Reports = 0
	} else {
		check(t, err)
	}
	found := 0
	for i := range side {
		_, noReport := s.Report(t.Context(), us, fmt.Sprint("report-", i))
		a, noAssessment := s.Assessment(t.Context(), us, fmt.Sprint("assessment-", i))
		if (noReport == nil) != (noAssessment == nil) || noAssessment == nil && a.State != assess.Done {
			t.Errorf("%d: report %v, assessment %+v %v", i, noReport, a, noAssessment)
		}
		if noReport == nil {
			found++
		}
	}
	if found != v.Reports {
		t.Errorf("%d reports are there, the vehicle has %d", found, v.Reports)
	}
	if v.Reports > 0 {
		s.erase(t, "tern-01")
	}
	if gates, err := s.Gates(t.Context(), us); err != nil || len(gates) > 0 {
		t.Errorf("gates %q are left, %v", gates, err)
	}
}

// tried does something that others may be in the way of.
func tried(t *testing.T, do func() error) {
	t.Helper()
	var err error
	for range 20 {
		if err = do(); !errors.Is(err, assess.ErrUnavailable) {
			break
		}
	}
	if err != nil {
		t.Error(err)
	}
}

func (s batches) erasedLines(t *testing.T) {
	s.open(t, head("batch-a", ""))
	c := chunkOf("batch-a", 1, 0, "tern-01", "wren-02", "")
	c.Lines[0].Vehicle = "TERN-01" // as its sender spells it
	_, err := s.AddChunk(t.Context(), c)
	check(t, err)
	_, err = s.CloseBatch(t.Context(), us, "batch-a", start)
	check(t, err)
	for _, line := range []string{"1", "2"} {
		check(t, s.Finish(t.Context(), "assessment-batch-a-"+line, outcome(line), start))
	}
	rescore := head("batch-r", "")
	rescore.Kind = assess.Rescore
	_, _, err = s.OpenRescore(t.Context(), rescore, assess.RescoreScope{Vehicles: []string{"tern-01", "wren-02"}}, 50, 9, func(n int) string { return fmt.Sprint("batch-r.", n) })
	check(t, err)
	work, err := s.Chunk(t.Context(), "batch-r.1")
	check(t, err)

	done, err := s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: "tern-01", At: start})
	check(t, err)
	if done.Lines != 2 {
		t.Errorf("of lines %d are erased", done.Lines)
	}
	// A worker has worked on the lines meanwhile.
	_, _, err = s.FinishChunk(t.Context(), work, []assess.LineResult{
		{Number: 1, Changed: true, Result: []byte(`{"vehicle":"tern-01"}`)}, {Number: 2, Result: []byte(`{"vehicle":"wren-02"}`)},
	}, start)
	check(t, err)
	for batch, want := range map[string]int{"batch-a": 3, "batch-r": 2} {
		lines, err := s.Lines(t.Context(), us, batch, 0, 9)
		if err != nil || len(lines) != want {
			t.Fatalf("%s has the lines %+v, %v", batch, lines, err)
		}
		if l := lines[0]; !l.Erased() || l.Vehicle != "" || l.Result != nil || l.Assessment.ID != "" {
			t.Errorf("%s: the line of what was erased is %+v", batch, l)
		}
		if slices.ContainsFunc(lines[1:], assess.Line.Erased) || lines[1].Vehicle != "wren-02" {
			t.Errorf("%s: the other lines are %+v", batch, lines[1:])
		}
	}
	// The chunk of reports ends as well.
	work, err = s.Chunk(t.Context(), "batch-a.1")
	check(t, err)
	if b, finished, err := s.FinishChunk(t.Context(), work, nil, start); err != nil || !finished || b.Done != 1 {
		t.Errorf("the batch is %+v, %t, %v", b, finished, err)
	}
}
