package assesstest

import (
	"bytes"
	stdcmp "cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"laidup/internal/assess"
	"laidup/internal/score"
)

// Start of the suite's time. The odd microseconds are there to be dropped.
var start = time.Date(2026, 5, 2, 9, 30, 0, 123_456_789, time.FixedZone("", 7200))

// Store runs the suite that every store must pass. Each call of open gives a fresh, empty store
// which the open function closes when its test ends.
func Store(t *testing.T, open func(t *testing.T) assess.Store) {
	for name, test := range map[string]func(suite, *testing.T){
		"an accepted report is kept as it was posted":                    suite.accepted,
		"a body is kept byte for byte":                                   suite.bodies,
		"an id is never stored twice":                                    suite.appendOnly,
		"a refused report leaves nothing":                                suite.nothingLeft,
		"an ended context leaves nothing":                                suite.endedContext,
		"contexts that end midway lose no report that was accepted":      suite.contextsEndingMidway,
		"reports on one vehicle are numbered without gaps":               suite.ordinals,
		"a dossier ends at the ordinal asked for":                        suite.dossier,
		"a withdrawn report stays, and dossiers are laid without it":     suite.withdrawn,
		"a report that replaces another stands for it":                   suite.replaced,
		"without a report nothing is known of a vehicle":                 suite.allWithdrawn,
		"of withdrawals at once one counts":                              suite.withdrawRace,
		"what an assessment covers stays as it was":                      suite.coverage,
		"of a vehicle that is erased nothing is left":                    suite.erased,
		"what is erased meanwhile is not stored again":                   suite.erasedMeanwhile,
		"a vehicle is erased whole or not at all":                        suite.eraseRace,
		"references that differ in case alone are one vehicle":           suite.spellings,
		"reports are listed page by page":                                suite.reportPages,
		"a repeat with the same key gets the first receipt":              suite.repeat,
		"a key with another request is refused":                          suite.keyReused,
		"of requests at once with one key one is stored":                 suite.keyRace,
		"a vehicle takes as many reports as it may have":                 suite.full,
		"an assessment moves from queued to running to done":             suite.life,
		"an assessment that failed keeps its problem":                    suite.failed,
		"an assessment is written once":                                  suite.writtenOnce,
		"of writers at once one writes the assessment":                   suite.writeRace,
		"a finished assessment stays as it is when enqueued again":       suite.enqueued,
		"late word about an earlier attempt changes nothing":             suite.enqueuedLate,
		"the longest waiting come first":                                 suite.waiting,
		"what is left to do, and what failed, is counted":                suite.backlog,
		"a vehicle shows its newest finished assessment":                 suite.newest,
		"a vehicle keeps its description until another one comes":        suite.description,
		"a vehicle's time never goes backwards":                          suite.updatedAt,
		"vehicles are listed newest report first":                        suite.vehicles,
		"pages of vehicles stay apart while reports arrive":              suite.vehiclePages,
		"vehicles are searched, filtered and sorted, page by page":       suite.vehicleSearch,
		"a history is listed newest first, page by page, while it grows": suite.history,
		"an unknown id is not found":                                     suite.notFound,
		"letters of every script are kept and told apart":                suite.unicode,
		"what a caller does to its bytes afterwards is not stored":       suite.ownBytes,
		"a rule set is kept once":                                        suite.ruleSet,
		"a published version never changes":                              suite.published,
		"of publishers at once one publishes a version":                  suite.publishRace,
		"a vehicle is judged by its newest assessment alone":             suite.judgedAnew,
		"what is one organisation's is unknown to another":               suite.strangers,
		"two organisations may have the same names":                      suite.namesakes,
		"a failed assessment is queued again when asked for":             suite.retry,
		"a start that is put back does not count":                        suite.putBack,
		"states follow one another as is written down":                   suite.states,
		"what is done is written down, and stays":                        suite.audit,
		"what is imported keeps its time and waits since now":            suite.imported,
		"what came in on a vehicle is listed in that order":              suite.entries,
		"vehicles outlive the retention of their organisation":           suite.retention,
		"a store that was opened can be reached":                         suite.ping,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(suite{open(t)}, t)
		})
	}
}

// us is the organisation of the suite; them is another.
const us, them = "brennick-motors", "harrow-lane"

// suite is the store under test.
type suite struct{ assess.Store }

// submission returns a good submission with ids made from name.
func submission(name, vehicle string, at time.Time) assess.Submission {
	return assess.Submission{
		Organisation: us,
		ReportID:     "report-" + name, AssessmentID: "assessment-" + name,
		Vehicle: vehicle, Description: "Marrick Tern 2.0, saloon", Reference: "bench-" + name, Inspected: "2026-05-02",
		Body: []byte(`{"schema":"laidup.report/1","name":"` + name + `"}`), Gate: "first_start",
		RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a1b"},
		At:      at,
	}
}

// outcome returns an outcome that name can be told from.
func outcome(name string) assess.Outcome {
	return assess.Outcome{
		Body: []byte(`{"state":"done","by":"` + name + `"}`), AsOf: "2026-05-02", VerdictState: "blocked", Blockers: len(name),
		Gates: assess.GateStates{{Gate: "crank", State: "clear"}, {Gate: "first_start", State: "blocked", Blockers: len(name)}}, Coverage: score.Coverage{Applying: 80, LookedAt: 61, Share: 7_654_321_098},
	}
}

func (s suite) accept(t *testing.T, sub assess.Submission) assess.Receipt {
	t.Helper()
	receipt, err := s.Accept(t.Context(), sub)
	check(t, err)
	return receipt
}

func (s suite) finish(t *testing.T, name string) {
	t.Helper()
	check(t, s.Finish(t.Context(), "assessment-"+name, outcome(name), start))
}

func (s suite) accepted(t *testing.T) {
	sub := submission("a", "tern-01", start)
	same(t, s.accept(t, sub), assess.Receipt{ReportID: "report-a", AssessmentID: "assessment-a"})

	r, err := s.Report(t.Context(), us, "report-a")
	check(t, err)
	same(t, r, assess.Report{
		ID: "report-a", Vehicle: "tern-01", Reference: "bench-a", Inspected: "2026-05-02",
		Ordinal: 1, Body: sub.Body, ReceivedAt: stored(start),
	})
	a, err := s.Assessment(t.Context(), us, "assessment-a")
	check(t, err)
	same(t, a, assess.Assessment{
		ID: "assessment-a", ReportID: "report-a", Vehicle: "tern-01", Gate: "first_start", Ordinal: 1,
		RuleSet: sub.RuleSet, State: assess.Queued, CreatedAt: stored(start), EnqueuedAt: stored(start),
	})
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	same(t, v, assess.Vehicle{
		Reference: "tern-01", Description: sub.Description, Reports: 1, UpdatedAt: stored(start), Waiting: true,
	})
}

func (s suite) bodies(t *testing.T) {
	for name, body := range map[string]string{
		"short": `{}`,
		"blank": " {\r\n\t\"a\" : 1.0 }\n",
		"words": `{"note":"«’″\\u0000 \\ud834\\udd1e 𝄞 \\\" $1 ? :a"}`,
		"big":   `{"note":"` + strings.Repeat("two cords, left edge; ", 100_000) + `"}`,
	} {
		sub := submission(name, "tern-01", start)
		sub.Body = []byte(body)
		s.accept(t, sub)
		o := outcome(name)
		o.Body = sub.Body
		check(t, s.Finish(t.Context(), sub.AssessmentID, o, start))

		r, err := s.Report(t.Context(), us, sub.ReportID)
		check(t, err)
		a, err := s.Assessment(t.Context(), us, sub.AssessmentID)
		check(t, err)
		if !bytes.Equal(r.Body, sub.Body) || !bytes.Equal(a.Outcome.Body, sub.Body) {
			t.Errorf("the %s body was changed", name)
		}
	}
}

func (s suite) appendOnly(t *testing.T) {
	first := submission("a", "tern-01", start)
	s.accept(t, first)
	for name, spoil := range map[string]func(*assess.Submission){
		"report id":     func(sub *assess.Submission) { sub.ReportID = first.ReportID },
		"assessment id": func(sub *assess.Submission) { sub.AssessmentID = first.AssessmentID },
	} {
		second := submission("b", "tern-01", start)
		spoil(&second)
		if _, err := s.Accept(t.Context(), second); err == nil {
			t.Errorf("the %s was accepted a second time", name)
		}
	}
	r, err := s.Report(t.Context(), us, first.ReportID)
	check(t, err)
	same(t, r.Body, first.Body)
	s.accept(t, submission("c", "tern-01", start))
	r, err = s.Report(t.Context(), us, "report-c")
	check(t, err)
	same(t, r.Ordinal, 2)
}

func (s suite) nothingLeft(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	second := submission("b", "tern-02", start)
	second.AssessmentID = "assessment-a"
	second.IdempotencyKey, second.Fingerprint = "key", "print"
	if _, err := s.Accept(t.Context(), second); err == nil {
		t.Fatal("an assessment id was accepted a second time")
	}
	s.absent(t, second.ReportID, "", second.Vehicle)
	third := submission("c", "tern-03", start)
	third.IdempotencyKey, third.Fingerprint = "key", "another"
	s.accept(t, third)
}

func (s suite) endedContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	sub := submission("a", "tern-01", start)
	if _, err := s.Accept(ctx, sub); !errors.Is(err, context.Canceled) {
		t.Errorf("Accept returned %v, want context.Canceled", err)
	}
	s.absent(t, sub.ReportID, sub.AssessmentID, sub.Vehicle)

	s.accept(t, sub)
	for name, call := range map[string]func() error{
		"Start":    func() error { _, err := s.Start(ctx, sub.AssessmentID); return err },
		"Finish":   func() error { return s.Finish(ctx, sub.AssessmentID, outcome("a"), start) },
		"Fail":     func() error { return s.Fail(ctx, sub.AssessmentID, []byte(`{}`), start) },
		"Enqueued": func() error { return s.Enqueued(ctx, sub.AssessmentID, 1, start) },
		"Report":   func() error { _, err := s.Report(ctx, us, sub.ReportID); return err },
		"Vehicles": func() error { _, err := s.Vehicles(ctx, assess.VehiclePage{Organisation: us, Limit: 1}); return err },
		"Ping":     func() error { return s.Ping(ctx) },
	} {
		if err := call(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s returned %v, want context.Canceled", name, err)
		}
	}
	a, err := s.Assessment(t.Context(), us, sub.AssessmentID)
	check(t, err)
	if a.State != assess.Queued || a.Attempt != 0 {
		t.Errorf("the assessment is %s after %d attempts", a.State, a.Attempt)
	}
}

func (s suite) contextsEndingMidway(t *testing.T) {
	const submissions = 64
	accepted := make([]bool, submissions)
	var all sync.WaitGroup
	for i := range submissions {
		all.Go(func() {
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i)*100*time.Microsecond)
			defer cancel()
			_, err := s.Accept(ctx, submission(fmt.Sprint(i), "tern-01", start))
			accepted[i] = err == nil
		})
	}
	all.Wait()
	for i, ok := range accepted {
		_, err := s.Report(t.Context(), us, fmt.Sprintf("report-%d", i))
		if ok && err != nil {
			t.Errorf("report %d was accepted and is lost: %v", i, err)
		}
	}
	s.accept(t, submission("last", "tern-01", start))
	s.gapless(t, "tern-01")
}

func (s suite) ordinals(t *testing.T) {
	const writers, each = 16, 8
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			for i := range each {
				sub := submission(fmt.Sprintf("%d-%d", w, i), "tern-01", start)
				if i%4 == 3 { // a refused one takes no number
					sub.AssessmentID = fmt.Sprintf("assessment-%d-0", w)
					if _, err := s.Accept(t.Context(), sub); err == nil {
						t.Error("an assessment id was accepted a second time")
					}
					continue
				}
				if _, err := s.Accept(t.Context(), sub); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	if n := s.gapless(t, "tern-01"); n != writers*each*3/4 {
		t.Errorf("%d reports, want %d", n, writers*each*3/4)
	}
}

// gapless checks the numbering of the vehicle's reports and returns how many there are.
func (s suite) gapless(t *testing.T, vehicle string) int {
	t.Helper()
	v, err := s.Vehicle(t.Context(), us, vehicle)
	check(t, err)
	dossier, err := s.Dossier(t.Context(), us, vehicle, 1_000_000)
	check(t, err)
	for i, r := range dossier {
		if r.Ordinal != i+1 {
			t.Errorf("report %d of %d has ordinal %d", i+1, len(dossier), r.Ordinal)
		}
	}
	same(t, v.Reports, len(dossier))
	return len(dossier)
}

func (s suite) dossier(t *testing.T) {
	for _, name := range []string{"c", "a", "b"} {
		s.accept(t, submission(name, "tern-01", start))
	}
	s.accept(t, submission("other", "tern-02", start))
	for upTo, want := range [][]string{nil, {"report-c"}, {"report-c", "report-a"}, {"report-c", "report-a", "report-b"}, {"report-c", "report-a", "report-b"}} {
		dossier, err := s.Dossier(t.Context(), us, "tern-01", upTo)
		check(t, err)
		var got []string
		for _, r := range dossier {
			got = append(got, r.ID)
			if len(r.Body) == 0 {
				t.Errorf("report %s of the dossier has no body", r.ID)
			}
		}
		same(t, got, want)
	}
}

func (s suite) repeat(t *testing.T) {
	first := submission("a", "tern-01", start)
	first.IdempotencyKey, first.Fingerprint = "key", "print"
	same(t, s.accept(t, first), assess.Receipt{ReportID: "report-a", AssessmentID: "assessment-a"})
	s.finish(t, "a")

	second := submission("b", "tern-01", start.Add(time.Hour))
	second.IdempotencyKey, second.Fingerprint = "key", "print"
	same(t, s.accept(t, second), assess.Receipt{ReportID: "report-a", AssessmentID: "assessment-a", Repeat: true})
	s.absent(t, "report-b", "assessment-b", "")
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	if v.Reports != 1 || !v.UpdatedAt.Equal(stored(start)) {
		t.Errorf("a repeat changed the vehicle: %+v", v)
	}
	for _, name := range []string{"c", "d"} { // no key is not a key
		if s.accept(t, submission(name, "tern-01", start)).Repeat {
			t.Error("a submission without a key was taken for a repeat")
		}
	}
}

func (s suite) keyReused(t *testing.T) {
	first := submission("a", "tern-01", start)
	first.IdempotencyKey, first.Fingerprint = "key", "print"
	s.accept(t, first)
	second := submission("b", "tern-02", start)
	second.IdempotencyKey, second.Fingerprint = "key", "another"
	if _, err := s.Accept(t.Context(), second); !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("Accept returned %v, want ErrKeyReused", err)
	}
	s.absent(t, "report-b", "assessment-b", "tern-02")
}

func (s suite) full(t *testing.T) {
	for i := range 3 {
		sub := submission(fmt.Sprint(i), "tern-01", start.Add(time.Duration(i)*time.Second))
		sub.Most, sub.IdempotencyKey, sub.Fingerprint = 2, fmt.Sprint("key ", i), "print"
		_, err := s.Accept(t.Context(), sub)
		if full := errors.Is(err, assess.ErrDossierFull); full != (i == 2) || !full && err != nil {
			t.Errorf("report %d: %v", i+1, err)
		}
	}
	s.absent(t, "report-2", "assessment-2", "")
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	if v.Reports != 2 || !v.UpdatedAt.Equal(stored(start.Add(time.Second))) {
		t.Errorf("what was refused changed the vehicle: %+v", v)
	}
	// The key that came with what was refused stands for nothing.
	other := submission("o", "tern-02", start)
	other.IdempotencyKey, other.Fingerprint = "key 2", "another"
	s.accept(t, other)
}

func (s suite) keyRace(t *testing.T) {
	const requests, keys = 8, 6
	receipts := make([][requests]assess.Receipt, keys)
	var all sync.WaitGroup
	for k := range keys {
		for i := range requests {
			all.Go(func() {
				sub := submission(fmt.Sprintf("%d-%d", k, i), fmt.Sprintf("tern-%d", i%2), start)
				sub.IdempotencyKey, sub.Fingerprint = fmt.Sprintf("key-%d", k), "print"
				var err error
				if receipts[k][i], err = s.Accept(t.Context(), sub); err != nil {
					t.Error(err)
				}
			})
		}
	}
	all.Wait()
	for k := range keys {
		firsts := 0
		for i, r := range receipts[k] {
			if !r.Repeat {
				firsts++
			}
			if r.ReportID != receipts[k][0].ReportID || r.AssessmentID != receipts[k][0].AssessmentID {
				t.Errorf("requests with one key got %v and %v", receipts[k][0], r)
			}
			_, err := s.Report(t.Context(), us, fmt.Sprintf("report-%d-%d", k, i))
			if kept := err == nil; kept == r.Repeat {
				t.Errorf("request %d of key %d: repeat is %v and its report kept is %v", i, k, r.Repeat, kept)
			}
		}
		same(t, firsts, 1)
	}
	list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 2})
	check(t, err)
	kept := 0
	for _, v := range list {
		kept += s.gapless(t, v.Reference)
	}
	same(t, kept, keys)
}

func (s suite) life(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	want, err := s.Assessment(t.Context(), us, "assessment-a")
	check(t, err)

	for starts := range 2 { // the second time after a worker died
		started, err := s.Start(t.Context(), "assessment-a")
		check(t, err)
		want.State, want.Organisation, want.Starts = assess.Running, us, starts+1
		same(t, started, want)
	}
	want.Organisation, want.Starts = "", 0 // nobody else needs to know
	check(t, s.Enqueued(t.Context(), "assessment-a", 1, start.Add(time.Second)))
	want.Attempt, want.EnqueuedAt = 1, stored(start.Add(time.Second))
	s.is(t, want)

	s.finish(t, "a")
	want.State, want.FinishedAt, want.Outcome = assess.Done, stored(start), outcome("a")
	want.Outcome.Gates, want.Outcome.Coverage = nil, score.Coverage{} // taken for lists of vehicles
	s.is(t, want)
}

// is checks what the store says about the assessment.
func (s suite) is(t *testing.T, want assess.Assessment) {
	t.Helper()
	got, err := s.Assessment(t.Context(), us, want.ID)
	check(t, err)
	same(t, got, want)
}

func (s suite) failed(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	want, err := s.Assessment(t.Context(), us, "assessment-a")
	check(t, err)
	check(t, s.Fail(t.Context(), "assessment-a", []byte(`{"title":"no such rule set"}`), start))
	want.State, want.FinishedAt, want.Problem = assess.Failed, stored(start), []byte(`{"title":"no such rule set"}`)
	s.is(t, want)
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	if v.Newest != nil || v.Waiting {
		t.Errorf("a failed assessment shows on its vehicle: %+v", v)
	}
}

func (s suite) writtenOnce(t *testing.T) {
	s.accept(t, submission("done", "tern-01", start))
	s.accept(t, submission("failed", "tern-01", start))
	s.finish(t, "done")
	check(t, s.Fail(t.Context(), "assessment-failed", []byte(`{}`), start))
	for _, id := range []string{"assessment-done", "assessment-failed"} {
		before, err := s.Assessment(t.Context(), us, id)
		check(t, err)
		_, startErr := s.Start(t.Context(), id)
		for call, err := range map[string]error{
			"Start":  startErr,
			"Finish": s.Finish(t.Context(), id, outcome("again"), start.Add(time.Hour)),
			"Fail":   s.Fail(t.Context(), id, []byte(`{"again":true}`), start.Add(time.Hour)),
		} {
			if !errors.Is(err, assess.ErrFinished) {
				t.Errorf("%s of %s returned %v, want ErrFinished", call, id, err)
			}
		}
		s.is(t, before)
	}
}

func (s suite) writeRace(t *testing.T) {
	const writers = 16
	s.accept(t, submission("a", "tern-01", start))
	errs := make([]error, writers)
	var all sync.WaitGroup
	for i := range writers {
		all.Go(func() {
			if i%4 == 3 {
				errs[i] = s.Fail(t.Context(), "assessment-a", fmt.Appendf(nil, `{"by":%d}`, i), start)
				return
			}
			errs[i] = s.Finish(t.Context(), "assessment-a", outcome(fmt.Sprint(i)), start)
		})
	}
	all.Wait()
	a, err := s.Assessment(t.Context(), us, "assessment-a")
	check(t, err)
	won := 0
	for i, err := range errs {
		switch {
		case errors.Is(err, assess.ErrFinished):
		case err != nil:
			t.Error(err)
		default:
			won++
			wrote := string(outcome(fmt.Sprint(i)).Body)
			if i%4 == 3 {
				wrote = fmt.Sprintf(`{"by":%d}`, i)
			}
			same(t, string(a.Outcome.Body)+string(a.Problem), wrote)
		}
	}
	same(t, won, 1)
}

func (s suite) enqueued(t *testing.T) {
	for _, name := range []string{"done", "failed"} {
		s.accept(t, submission(name, "tern-01", start))
	}
	s.finish(t, "done")
	check(t, s.Fail(t.Context(), "assessment-failed", []byte(`{}`), start))
	for _, id := range []string{"assessment-done", "assessment-failed"} {
		before, err := s.Assessment(t.Context(), us, id)
		check(t, err)
		check(t, s.Enqueued(t.Context(), id, 7, start.Add(time.Hour)))
		s.is(t, before)
	}
}

func (s suite) enqueuedLate(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	check(t, s.Enqueued(t.Context(), "assessment-a", 2, start.Add(time.Minute)))
	check(t, s.Enqueued(t.Context(), "assessment-a", 1, start.Add(time.Hour)))
	a, err := s.Assessment(t.Context(), us, "assessment-a")
	check(t, err)
	if a.Attempt != 2 || !a.EnqueuedAt.Equal(stored(start.Add(time.Minute))) {
		t.Errorf("attempt %d at %v", a.Attempt, a.EnqueuedAt)
	}
}

func (s suite) waiting(t *testing.T) {
	for i, name := range []string{"c", "a", "b", "later", "done", "again"} {
		s.accept(t, submission(name, "tern-01", start.Add(time.Duration(i/2)*time.Second)))
	}
	s.finish(t, "done")
	_, err := s.Start(t.Context(), "assessment-a")
	check(t, err)
	check(t, s.Enqueued(t.Context(), "assessment-a", 1, start.Add(90*time.Second)))
	check(t, s.Enqueued(t.Context(), "assessment-again", 1, start.Add(time.Hour)))
	for _, c := range []struct {
		before, after time.Duration
		limit         int
		want          []string
	}{
		{0, time.Hour, 10, nil},
		{time.Millisecond, time.Hour, 10, []string{"assessment-c"}},
		{time.Minute, time.Hour, 10, []string{"assessment-c", "assessment-b", "assessment-later"}},
		{2 * time.Minute, time.Hour, 10, []string{"assessment-c", "assessment-b", "assessment-later", "assessment-a"}},
		{2 * time.Minute, time.Hour, 2, []string{"assessment-c", "assessment-b"}},
		{time.Millisecond, 2 * time.Minute, 10, []string{"assessment-c", "assessment-again"}},
		{time.Millisecond, time.Minute, 10, []string{"assessment-c", "assessment-a", "assessment-again"}},
		{time.Millisecond, time.Minute, 2, []string{"assessment-c", "assessment-a"}},
		{time.Millisecond, time.Minute, 1, []string{"assessment-c"}},
	} {
		waiting, err := s.Waiting(t.Context(), start.Add(c.before), start.Add(c.after), c.limit)
		check(t, err)
		same(t, assessmentIDs(waiting), c.want)
	}
}

func (s suite) backlog(t *testing.T) {
	is := func(unfinished int, oldest time.Time, failed int) {
		t.Helper()
		b, err := s.Backlog(t.Context())
		check(t, err)
		same(t, b, assess.Backlog{Unfinished: unfinished, Oldest: oldest, Failed: failed})
	}
	is(0, time.Time{}, 0)
	for i, name := range []string{"d", "c", "b", "a"} {
		sub := submission(name, "tern-01", start.Add(time.Duration(i)*time.Second))
		if i%2 == 1 {
			sub.Organisation = them
		}
		s.accept(t, sub)
		is(i+1, stored(start), 0)
	}
	// What is handed over again is no younger for that.
	check(t, s.Enqueued(t.Context(), "assessment-d", 2, start.Add(time.Hour)))
	_, err := s.Start(t.Context(), "assessment-d")
	check(t, err)
	is(4, stored(start), 0)
	s.finish(t, "d")
	is(3, stored(start.Add(time.Second)), 0)
	check(t, s.Fail(t.Context(), "assessment-b", []byte(`{}`), start))
	is(2, stored(start.Add(time.Second)), 1)
	_, err = s.Retry(t.Context(), us, "assessment-b", start.Add(time.Hour))
	check(t, err)
	is(3, stored(start.Add(time.Second)), 0)
}

func (s suite) newest(t *testing.T) {
	for i, name := range []string{"1", "2", "3"} {
		s.accept(t, submission(name, "tern-01", start.Add(time.Duration(i)*time.Second)))
	}
	expect := func(newest string, waiting bool) {
		t.Helper()
		v, err := s.Vehicle(t.Context(), us, "tern-01")
		check(t, err)
		list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 10})
		check(t, err)
		same(t, list, []assess.Vehicle{v})
		same(t, v.Waiting, waiting)
		if newest == "" {
			if v.Newest != nil {
				t.Errorf("newest is %s before anything was finished", v.Newest.ID)
			}
			return
		}
		want, err := s.Assessment(t.Context(), us, "assessment-"+newest)
		check(t, err)
		want.Outcome.Body = nil
		same(t, v.Newest, &want)
	}
	expect("", true)
	s.finish(t, "2")
	expect("2", true)
	s.finish(t, "1") // came late: covers less than what is known
	expect("2", true)
	check(t, s.Fail(t.Context(), "assessment-3", []byte(`{}`), start))
	expect("2", false)
	s.accept(t, submission("4", "tern-01", start.Add(time.Minute)))
	expect("2", true)
	_, err := s.Start(t.Context(), "assessment-4")
	check(t, err)
	expect("2", true)
	s.finish(t, "4")
	expect("4", false)
}

func (s suite) description(t *testing.T) {
	for i, c := range []struct{ sent, want string }{
		{"", ""}, {"Marrick Tern 2.0", "Marrick Tern 2.0"}, {"", "Marrick Tern 2.0"}, {"Marrick Tern 2.0, estate", "Marrick Tern 2.0, estate"},
	} {
		sub := submission(fmt.Sprint(i), "tern-01", start)
		sub.Description = c.sent
		s.accept(t, sub)
		v, err := s.Vehicle(t.Context(), us, "tern-01")
		check(t, err)
		same(t, v.Description, c.want)
	}
}

func (s suite) updatedAt(t *testing.T) {
	for i, after := range []time.Duration{0, time.Second, -time.Hour, 500 * time.Millisecond} {
		s.accept(t, submission(fmt.Sprint(i), "tern-01", start.Add(after)))
	}
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	same(t, v.UpdatedAt, stored(start.Add(time.Second)))
}

func (s suite) vehicles(t *testing.T) {
	list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 10})
	check(t, err)
	same(t, len(list), 0)
	for i, vehicle := range []string{"b", "a", "C", "d", "a"} {
		s.accept(t, submission(fmt.Sprint(i), vehicle, start.Add(time.Duration(i/2)*time.Second)))
	}
	list, err = s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 10})
	check(t, err)
	same(t, references(list), []string{"a", "d", "C", "b"})
	list, err = s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 2})
	check(t, err)
	same(t, references(list), []string{"a", "d"})
}

func (s suite) vehiclePages(t *testing.T) {
	const vehicles, limit = 23, 5
	for i := range vehicles {
		s.accept(t, submission(fmt.Sprint(i), fmt.Sprintf("tern-%02d", i), start.Add(time.Duration(i/3)*time.Millisecond)))
	}
	var seen []string
	page := assess.VehiclePage{Organisation: us, Limit: limit}
	for turn := 0; ; turn++ {
		list, err := s.Vehicles(t.Context(), page)
		check(t, err)
		seen = append(seen, references(list)...)
		if len(list) < limit {
			break
		}
		last := list[len(list)-1]
		page.AfterTime, page.AfterReference = last.UpdatedAt, last.Reference
		// One that is new and one that was seen come to the top; neither moves the rest.
		s.accept(t, submission(fmt.Sprintf("new-%d", turn), fmt.Sprintf("new-%d", turn), start.Add(time.Hour)))
		s.accept(t, submission(fmt.Sprintf("more-%d", turn), seen[0], start.Add(time.Hour)))
	}
	var want []string
	for i := range vehicles {
		want = append(want, fmt.Sprintf("tern-%02d", vehicles-1-i))
	}
	same(t, seen, want)
}

// collect reads a list of vehicles from page to page.
func (s suite) collect(t *testing.T, p assess.VehiclePage) (list []assess.Vehicle) {
	t.Helper()
	p.Organisation, p.Limit = us, 3
	for {
		page, err := s.Vehicles(t.Context(), p)
		check(t, err)
		list = append(list, page...)
		if len(page) < p.Limit || len(list) > 100 {
			return list
		}
		last := page[len(page)-1]
		p.AfterTime, p.AfterReference, p.AfterBlockers = last.UpdatedAt, last.Reference, blockersAt(last)
	}
}

func blockersAt(v assess.Vehicle) int {
	if v.At == nil {
		return assess.NotJudged
	}
	return v.At.Blockers
}

// yard has 40 vehicles, of which 30 are assessed, each with other states at two gates; five of those are
// judged at the first alone. It returns what is to be found at each gate.
func (s suite) yard(t *testing.T) map[string]map[string]assess.GateState {
	t.Helper()
	at := map[string]map[string]assess.GateState{"crank": {}, "road_test": {}}
	states := []string{"clear", "unproven", "blocked", ""}
	for i := range 40 {
		name := fmt.Sprintf("%02d", i)
		sub := submission(name, "tern-"+name, start.Add(time.Duration(i*7%40)*time.Second))
		sub.Description = []string{"Marrick Tern", "Corvane Heron 100%", "Corvane_Wren"}[i%3]
		sub.Gate = []string{"crank", "road_test"}[i%2] // what a report asked about is nothing to a list
		s.accept(t, sub)
		if states[i%4] == "" {
			continue
		}
		o := assess.Outcome{Body: []byte(`{}`), AsOf: "2026-05-02", Coverage: score.Coverage{Applying: 80, LookedAt: i, Share: score.Share(i) * 100_000_000}}
		o.Gates = assess.GateStates{{Gate: "crank", State: states[i%4], Blockers: i % 5}}
		if i%8 != 6 {
			o.Gates = append(o.Gates, assess.GateState{Gate: "road_test", State: []string{"blocked", "unproven", "clear"}[i%3], Blockers: i % 5 * (i % 7)})
		}
		for _, g := range o.Gates {
			at[g.Gate][sub.Vehicle] = g
			if g.Gate == sub.Gate {
				o.VerdictState, o.Blockers = g.State, g.Blockers
			}
		}
		check(t, s.Finish(t.Context(), sub.AssessmentID, o, start))
	}
	return at
}

func (s suite) vehicleSearch(t *testing.T) {
	at := s.yard(t)
	at["launch"] = nil // at which nothing was ever judged
	for gate, want := range at {
		for _, by := range []string{assess.ByNewest, assess.ByReference, assess.ByBlockers} {
			for search, want := range map[string]int{"": 40, "TERN-1": 10, "corvane": 26, "100%": 13, "0%": 13, "_": 13, "%_": 0, "!": 0, "marrick tern": 14, "TERN  marrick": 14, "corvane tern": 26, "corvane marrick": 0} {
				if got := s.collect(t, assess.VehiclePage{Gate: gate, By: by, Search: search}); len(got) != want {
					t.Errorf("%q by %q: %d vehicles, want %d", search, by, len(got), want)
				}
			}
			for _, verdict := range []string{"", "clear", "unproven", "blocked"} {
				got := map[string]assess.GateState{}
				for _, v := range s.collect(t, assess.VehiclePage{Gate: gate, By: by, Verdict: verdict}) {
					if v.At != nil {
						got[v.Reference] = *v.At
					} else if verdict != "" || want[v.Reference].Gate != "" {
						t.Errorf("%s is not judged at %s and is listed as %q", v.Reference, gate, verdict)
					}
					if v.Newest != nil && int64(v.Coverage.Share) != int64(v.Coverage.LookedAt)*100_000_000 || v.Newest == nil && v.Coverage != (score.Coverage{}) {
						t.Errorf("of %s %+v was looked at", v.Reference, v.Coverage)
					}
				}
				is := map[string]assess.GateState{}
				for reference, g := range want {
					if verdict == "" || g.State == verdict {
						is[reference] = g
					}
				}
				same(t, got, is)
			}
		}
		order := s.collect(t, assess.VehiclePage{Gate: gate, By: assess.ByBlockers})
		if !slices.IsSortedFunc(order, func(a, b assess.Vehicle) int {
			return stdcmp.Or(blockersAt(b)-blockersAt(a), strings.Compare(b.Reference, a.Reference))
		}) {
			t.Errorf("not by what is in the way of %s: %v", gate, references(order))
		}
	}
	if list := s.collect(t, assess.VehiclePage{Gate: "crank", By: assess.ByReference}); !slices.IsSortedFunc(list, func(a, b assess.Vehicle) int { return strings.Compare(a.Reference, b.Reference) }) {
		t.Error("not by reference")
	}
	gates, err := s.Gates(t.Context(), us)
	check(t, err)
	same(t, gates, []string{"crank", "road_test"})
	gates, err = s.Gates(t.Context(), them)
	check(t, err)
	same(t, len(gates), 0)
}

// What a vehicle was judged by an earlier assessment counts no more: not its states, not its gates.
func (s suite) judgedAnew(t *testing.T) {
	expect := func(gate, verdict string, want ...assess.GateState) {
		t.Helper()
		for _, by := range []string{assess.ByNewest, assess.ByReference, assess.ByBlockers} {
			var got []assess.GateState
			for _, v := range s.collect(t, assess.VehiclePage{Gate: gate, Verdict: verdict, By: by}) {
				if v.At != nil {
					got = append(got, *v.At)
				}
			}
			same(t, got, want)
		}
	}
	finish := func(name string, coverage int, gates ...assess.GateState) {
		t.Helper()
		check(t, s.Finish(t.Context(), "assessment-"+name, assess.Outcome{
			Body: []byte(`{}`), Summary: []byte(`{"of":"` + name + `"}`), Gates: gates, Coverage: score.Coverage{Applying: 10, LookedAt: coverage},
		}, start))
		list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Gate: "crank", Limit: 10})
		check(t, err)
		v, err := s.Vehicle(t.Context(), us, "tern-01")
		check(t, err)
		same(t, list[0].Coverage, v.Coverage)
		if v.At != nil || string(list[0].Newest.Outcome.Summary) != string(v.Newest.Outcome.Summary) {
			t.Errorf("%+v, %+v", v, list[0].Newest)
		}
		history, err := s.History(t.Context(), assess.HistoryPage{Organisation: us, Vehicle: "tern-01", Limit: 1})
		check(t, err)
		same(t, *v.Newest, history[0])
	}
	for i, name := range []string{"1", "2", "3"} {
		s.accept(t, submission(name, "tern-01", start.Add(time.Duration(i)*time.Second)))
		if name == "1" {
			finish("1", 4, assess.GateState{Gate: "crank", State: "clear"}, assess.GateState{Gate: "launch", State: "clear"})
		}
	}
	expect("crank", "clear", assess.GateState{Gate: "crank", State: "clear"})
	expect("launch", "", assess.GateState{Gate: "launch", State: "clear"})
	finish("3", 7, assess.GateState{Gate: "crank", State: "blocked", Blockers: 1_000_000}, assess.GateState{Gate: `o"dd'`, State: "clear"})
	// The word about the second comes late.
	check(t, s.Finish(t.Context(), "assessment-2", assess.Outcome{Body: []byte(`{}`), Gates: assess.GateStates{{Gate: "crank", State: "clear"}, {Gate: "launch", State: "clear"}}}, start))
	expect("crank", "clear")
	expect("crank", "blocked", assess.GateState{Gate: "crank", State: "blocked", Blockers: 1_000_000})
	expect("launch", "")
	expect(`o"dd'`, "clear", assess.GateState{Gate: `o"dd'`, State: "clear"})
	list := s.collect(t, assess.VehiclePage{Gate: "launch"})
	same(t, list[0].Coverage.LookedAt, 7)
}

func (s suite) history(t *testing.T) {
	const reports, limit = 11, 3
	for i := range reports {
		// Clocks of several programs need not agree: the ordinal is what counts.
		s.accept(t, submission(fmt.Sprint(i), "tern-01", start.Add(time.Duration(-i%3)*time.Second)))
		s.accept(t, submission(fmt.Sprintf("other-%d", i), "tern-02", start))
	}
	s.finish(t, "4")
	check(t, s.Fail(t.Context(), "assessment-5", []byte(`{"title":"x"}`), start))
	var seen []assess.Assessment
	page := assess.HistoryPage{Organisation: us, Vehicle: "tern-01", Limit: limit}
	for turn := 0; ; turn++ {
		list, err := s.History(t.Context(), page)
		check(t, err)
		seen = append(seen, list...)
		if len(list) < limit {
			break
		}
		last := list[len(list)-1]
		page.BeforeCreated, page.BeforeID = last.CreatedAt, last.ID
		s.accept(t, submission(fmt.Sprintf("new-%d", turn), "tern-01", start.Add(time.Hour)))
	}
	var want []string
	for i := range reports {
		want = append(want, fmt.Sprintf("assessment-%d", reports-1-i))
	}
	same(t, assessmentIDs(seen), want)
	for _, got := range seen {
		whole, err := s.Assessment(t.Context(), us, got.ID)
		check(t, err)
		whole.Outcome.Body = nil
		same(t, got, whole)
	}
	page.BeforeID = "assessment-other-3"
	list, err := s.History(t.Context(), page)
	check(t, err)
	same(t, len(list), 0)
}

func (s suite) notFound(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	ctx := t.Context()
	for name, call := range map[string]func() error{
		"Report":     func() error { _, err := s.Report(ctx, us, "no"); return err },
		"Dossier":    func() error { _, err := s.Dossier(ctx, us, "no", 1); return err },
		"Assessment": func() error { _, err := s.Assessment(ctx, us, "no"); return err },
		"Start":      func() error { _, err := s.Start(ctx, "no"); return err },
		"Finish":     func() error { return s.Finish(ctx, "no", outcome("a"), start) },
		"Fail":       func() error { return s.Fail(ctx, "no", []byte(`{}`), start) },
		"Enqueued":   func() error { return s.Enqueued(ctx, "no", 1, start) },
		"Vehicle":    func() error { _, err := s.Vehicle(ctx, us, "no"); return err },
		"History": func() error {
			_, err := s.History(ctx, assess.HistoryPage{Organisation: us, Vehicle: "no", Limit: 1})
			return err
		},
	} {
		if err := call(); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s returned %v, want ErrNotFound", name, err)
		}
	}
}

func (s suite) unicode(t *testing.T) {
	// The two forms of é are two references; so are letters that differ in case alone.
	vehicles := []string{"Zoe\u0301", "Zo\u00e9", "zo\u00eb", "\u8f66\u8f86 \u2460", "\u0645\u0631\u0643\u0628\u0629", "\U0001f697", "a'b\"c%_;--"}
	for i, vehicle := range vehicles {
		sub := submission(fmt.Sprint(i), vehicle, start)
		sub.Description, sub.Reference = vehicle+" \u2013 d", vehicle+" r"
		s.accept(t, sub)
		v, err := s.Vehicle(t.Context(), us, vehicle)
		check(t, err)
		same(t, v, assess.Vehicle{Reference: vehicle, Description: sub.Description, Reports: 1, UpdatedAt: stored(start), Waiting: true})
		r, err := s.Report(t.Context(), us, sub.ReportID)
		check(t, err)
		same(t, r.Reference, sub.Reference)
	}
	// Of one instant, the list goes by the bytes of the reference.
	list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Limit: 100})
	check(t, err)
	slices.Sort(vehicles)
	slices.Reverse(vehicles)
	same(t, references(list), vehicles)
}

func (s suite) ownBytes(t *testing.T) {
	sub := submission("a", "tern-01", start)
	want := string(sub.Body)
	s.accept(t, sub)
	o := outcome("a")
	check(t, s.Finish(t.Context(), "assessment-a", o, start))
	clear(sub.Body)
	clear(o.Body)
	for range 2 {
		r, err := s.Report(t.Context(), us, "report-a")
		check(t, err)
		same(t, string(r.Body), want)
		clear(r.Body)
		a, err := s.Assessment(t.Context(), us, "assessment-a")
		check(t, err)
		same(t, string(a.Outcome.Body), string(outcome("a").Body))
		clear(a.Outcome.Body)
	}
}

// publication returns a publication of a rule set and its canonical form, with a digest of its own.
func publication(name, version, digest string) (assess.Publication, []byte) {
	ref := assess.RuleSetRef{Name: name, Version: version, Digest: "sha256:" + digest}
	return assess.Publication{RuleSetRef: ref, Organisation: us, Is: "May it be cranked?", PublishedAt: start}, []byte(`{"name":"` + name + `","digest":"` + digest + `"}`)
}

func (s suite) ruleSet(t *testing.T) {
	p, canonical := publication("first-start", "1.0.0", "0a")
	for range 2 {
		check(t, s.KeepRuleSet(t.Context(), p.RuleSetRef, canonical))
	}
	got, err := s.RuleSet(t.Context(), p.Digest)
	check(t, err)
	same(t, string(got), string(canonical))
	if _, err := s.RuleSet(t.Context(), "sha256:none"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("an unknown digest: %v", err)
	}
	list, err := s.Published(t.Context(), us)
	check(t, err)
	if len(list) > 0 {
		t.Errorf("what is kept is published: %v", list)
	}
}

func (s suite) published(t *testing.T) {
	p, canonical := publication("yard", "1.0.0", "0b")
	for _, again := range []bool{false, true} {
		got, err := s.Publish(t.Context(), p, canonical)
		check(t, err)
		if got != again {
			t.Errorf("again is %t, want %t", got, again)
		}
	}
	other, otherText := publication("yard", "1.0.0", "0c")
	if _, err := s.Publish(t.Context(), other, otherText); !errors.Is(err, assess.ErrVersionPublished) {
		t.Errorf("another content: %v", err)
	}
	next, nextText := publication("yard", "1.0.1", "0c")
	if _, err := s.Publish(t.Context(), next, nextText); err != nil {
		t.Error(err)
	}
	p.PublishedAt, next.PublishedAt = stored(start), stored(start)
	list, err := s.Published(t.Context(), us)
	check(t, err)
	slices.SortFunc(list, func(a, b assess.Publication) int { return strings.Compare(a.Version, b.Version) })
	same(t, list, []assess.Publication{p, next})
	got, err := s.RuleSet(t.Context(), next.Digest)
	check(t, err)
	same(t, string(got), string(nextText))
}

func (s suite) publishRace(t *testing.T) {
	var first, lost atomic.Int64
	var publishers sync.WaitGroup
	for i := range 8 {
		publishers.Go(func() {
			p, canonical := publication("yard", "1.0.0", fmt.Sprint(i))
			again, err := s.Publish(t.Context(), p, canonical)
			switch {
			case err == nil && !again:
				first.Add(1)
			case errors.Is(err, assess.ErrVersionPublished):
				lost.Add(1)
			default:
				t.Errorf("%t, %v", again, err)
			}
		})
	}
	publishers.Wait()
	if first.Load() != 1 || lost.Load() != 7 {
		t.Errorf("%d published, %d were told no", first.Load(), lost.Load())
	}
}

func (s suite) strangers(t *testing.T) {
	sub := submission("a", "tern-01", start)
	sub.IdempotencyKey, sub.Fingerprint = "key", "print"
	s.accept(t, sub)
	s.finish(t, "a")
	check(t, s.Fail(t.Context(), s.accept(t, submission("b", "tern-01", start)).AssessmentID, []byte(`{}`), start))
	p, canonical := publication("yard", "1.0.0", "0b")
	_, err := s.Publish(t.Context(), p, canonical)
	check(t, err)
	ctx := t.Context()
	for name, call := range map[string]func() error{
		"Report":     func() error { _, err := s.Report(ctx, them, "report-a"); return err },
		"Dossier":    func() error { _, err := s.Dossier(ctx, them, "tern-01", 1); return err },
		"Assessment": func() error { _, err := s.Assessment(ctx, them, "assessment-a"); return err },
		"Retry":      func() error { _, err := s.Retry(ctx, them, "assessment-b", start); return err },
		"Vehicle":    func() error { _, err := s.Vehicle(ctx, them, "tern-01"); return err },
		"History": func() error {
			_, err := s.History(ctx, assess.HistoryPage{Organisation: them, Vehicle: "tern-01", Limit: 1})
			return err
		},
	} {
		if err := call(); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s returned %v, want ErrNotFound", name, err)
		}
	}
	list, err := s.Vehicles(ctx, assess.VehiclePage{Organisation: them, Limit: 10})
	check(t, err)
	published, err := s.Published(ctx, them)
	check(t, err)
	if len(list) > 0 || len(published) > 0 {
		t.Errorf("they see %v, %v", list, published)
	}
}

func (s suite) namesakes(t *testing.T) {
	ours, theirs := submission("a", "tern-01", start), submission("b", "tern-01", start.Add(time.Second))
	ours.IdempotencyKey, ours.Fingerprint = "key", "ours"
	theirs.IdempotencyKey, theirs.Fingerprint, theirs.Organisation, theirs.Description = "key", "theirs", them, "Corvane Heron"
	s.accept(t, ours)
	if r := s.accept(t, theirs); r.Repeat {
		t.Error("their key is ours")
	}
	s.finish(t, "b")
	for _, c := range []struct {
		organisation, description string
		waiting                   bool
	}{{us, ours.Description, true}, {them, "Corvane Heron", false}} {
		v, err := s.Vehicle(t.Context(), c.organisation, "tern-01")
		check(t, err)
		if v.Reports != 1 || v.Description != c.description || v.Waiting != c.waiting || (v.Newest == nil) != c.waiting {
			t.Errorf("%s has %+v", c.organisation, v)
		}
		dossier, err := s.Dossier(t.Context(), c.organisation, "tern-01", 5)
		check(t, err)
		if len(dossier) != 1 || dossier[0].Ordinal != 1 {
			t.Errorf("%s has the dossier %+v", c.organisation, dossier)
		}
	}
	p, canonical := publication("yard", "1.0.0", "0b")
	for i, organisation := range []string{us, them} {
		p.Organisation, p.Digest = organisation, fmt.Sprint("sha256:", i)
		again, err := s.Publish(t.Context(), p, canonical)
		check(t, err)
		if again {
			t.Errorf("%s had published it before", organisation)
		}
	}
}

func (s suite) putBack(t *testing.T) {
	id := s.accept(t, submission("a", "tern-01", start)).AssessmentID
	check(t, s.PutBack(t.Context(), id)) // nobody has begun with it
	for _, want := range []int{1, 2, 2, 2} {
		a, err := s.Start(t.Context(), id)
		check(t, err)
		if a.Starts != want {
			t.Errorf("start %d, want %d", a.Starts, want)
		}
		if want == 2 {
			check(t, s.PutBack(t.Context(), id))
		}
	}
	s.finish(t, "a")
	if err := s.PutBack(t.Context(), id); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("PutBack of a finished one returned %v", err)
	}
	if err := s.PutBack(t.Context(), "nobody"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("PutBack of an unknown one returned %v", err)
	}
}

func (s suite) retry(t *testing.T) {
	id := s.accept(t, submission("a", "tern-01", start)).AssessmentID
	if _, err := s.Retry(t.Context(), us, id, start); !errors.Is(err, assess.ErrNotFailed) {
		t.Errorf("a queued one: %v", err)
	}
	check(t, s.Enqueued(t.Context(), id, 3, start))
	for starts := range 2 {
		a, err := s.Start(t.Context(), id)
		check(t, err)
		if a.Starts != starts+1 || a.Organisation != us {
			t.Errorf("start %d of %q", a.Starts, a.Organisation)
		}
	}
	check(t, s.Fail(t.Context(), id, []byte(`{"title":"no"}`), start))
	later := start.Add(time.Hour)
	attempt, err := s.Retry(t.Context(), us, id, later)
	check(t, err)
	a, err := s.Assessment(t.Context(), us, id)
	check(t, err)
	if attempt != 3 || a.State != assess.Queued || a.Problem != nil || !a.FinishedAt.IsZero() || !a.EnqueuedAt.Equal(stored(later)) {
		t.Errorf("attempt %d of %+v", attempt, a)
	}
	if a, err = s.Start(t.Context(), id); err != nil || a.Starts != 1 {
		t.Errorf("starts are counted from %d (%v)", a.Starts, err)
	}
	check(t, s.Finish(t.Context(), id, outcome("a"), start))
	if _, err := s.Retry(t.Context(), us, id, start); !errors.Is(err, assess.ErrNotFailed) {
		t.Errorf("a finished one: %v", err)
	}
}

// states does what could be done to an assessment, in every order of some length.
func (s suite) states(t *testing.T) {
	ctx := t.Context()
	steps := []func(id string) error{
		func(id string) error { _, err := s.Start(ctx, id); return err },
		func(id string) error { return s.Finish(ctx, id, outcome(id), start) },
		func(id string) error { return s.Fail(ctx, id, []byte(`{}`), start) },
		func(id string) error { _, err := s.Retry(ctx, us, id, start); return err },
		func(id string) error { return s.Enqueued(ctx, id, 1, start) },
	}
	seen := map[[2]assess.State]bool{}
	const length = 4
	for n := range 5 * 5 * 5 * 5 {
		sub := submission(fmt.Sprint(n), "tern-01", start)
		s.accept(t, sub)
		state, code := assess.Queued, n
		for range length {
			err := steps[code%5](sub.AssessmentID)
			code /= 5
			if err != nil && !errors.Is(err, assess.ErrFinished) && !errors.Is(err, assess.ErrNotFailed) {
				t.Fatal(err)
			}
			a, err := s.Assessment(ctx, us, sub.AssessmentID)
			check(t, err)
			if a.State != state {
				if !slices.Contains(assess.Next[state], a.State) {
					t.Fatalf("order %d: %s follows %s", n, a.State, state)
				}
				seen[[2]assess.State{state, a.State}] = true
				state = a.State
			}
		}
	}
	for from, list := range assess.Next {
		for _, to := range list {
			if from != to && !seen[[2]assess.State{from, to}] {
				t.Errorf("%s never followed %s", to, from)
			}
		}
	}
}

func (s suite) ping(t *testing.T) { check(t, s.Ping(t.Context())) }

// absent checks that the store knows none of the ids and references given; empty ones are not
// looked for.
func (s suite) absent(t *testing.T, report, assessment, vehicle string) {
	t.Helper()
	if _, err := s.Report(t.Context(), us, report); report != "" && !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("report %s: %v, want ErrNotFound", report, err)
	}
	if _, err := s.Assessment(t.Context(), us, assessment); assessment != "" && !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("assessment %s: %v, want ErrNotFound", assessment, err)
	}
	if _, err := s.Vehicle(t.Context(), us, vehicle); vehicle != "" && !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("vehicle %s: %v, want ErrNotFound", vehicle, err)
	}
}

func assessmentIDs(list []assess.Assessment) []string {
	var ids []string
	for _, a := range list {
		ids = append(ids, a.ID)
	}
	return ids
}

func references(list []assess.Vehicle) []string {
	var all []string
	for _, v := range list {
		all = append(all, v.Reference)
	}
	return all
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func same[T any](t *testing.T, got, want T) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}
