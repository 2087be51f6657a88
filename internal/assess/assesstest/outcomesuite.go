package assesstest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"laidup/internal/assess"
	outcomes "laidup/internal/outcome"
)

// StoreWithOutcomes is a store that keeps outcomes as well.
type StoreWithOutcomes interface {
	assess.Store
	assess.OutcomeStore
}

// OutcomeStore runs the suite that every store of outcomes must pass. Each call of open gives a fresh, empty store
// which the open function closes when its test ends.
func OutcomeStore(t *testing.T, open func(t *testing.T) StoreWithOutcomes) {
	for name, test := range map[string]func(recording, *testing.T){
		"an outcome is kept as it came":                         recording.kept,
		"a repeat gets the first outcome, another is refused":   recording.repeats,
		"an outcome is replaced by another, once":               recording.replaced,
		"an outcome is withdrawn, and stays":                    recording.withdrawn,
		"outcomes are listed newest first, page by page":        recording.listed,
		"what is judged is what was known before":               recording.lastBefore,
		"each is counted once, however many do so":              recording.countedOnce,
		"counts are those of what stands, whatever the order":   recording.counts,
		"outcomes go with their vehicle, and their counts stay": recording.erased,
		"what is one organisation's is unknown to another":      recording.strangers,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			test(recording{suite{s}, s}, t)
		})
	}
}

type recording struct {
	suite
	assess.OutcomeStore
}

const body = `{"gate":"crank","attempted":true,"came":[]}`

func attempt(name string, at time.Time) assess.OutcomeSubmission {
	return assess.OutcomeSubmission{
		ID: "outcome-" + name, Organisation: us, Vehicle: "tern-01", Body: []byte(body), At: at, Before: at.Add(-time.Hour), Month: "2026-05", PostedBy: "key-1", Fingerprint: "f",
	}
}

func (s recording) record(t *testing.T, o assess.OutcomeSubmission) assess.RecordedOutcome {
	t.Helper()
	r, repeat, err := s.RecordOutcome(t.Context(), o)
	check(t, err)
	if repeat {
		t.Errorf("outcome %s is a repeat", o.ID)
	}
	return r
}

func (s recording) kept(t *testing.T) {
	if _, _, err := s.RecordOutcome(t.Context(), attempt("1", start)); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("on a vehicle that is not there: %v", err)
	}
	s.accept(t, submission("a", "tern-01", start))
	o := attempt("1", start)
	o.Vehicle = "TERN-01"
	want := assess.RecordedOutcome{
		ID: "outcome-1", Vehicle: "tern-01", Body: []byte(body), ReceivedAt: stored(start), Before: stored(start.Add(-time.Hour)), Month: "2026-05", PostedBy: "key-1", Waiting: true,
	}
	same(t, s.record(t, o), want)
	r, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-1")
	check(t, err)
	same(t, r, want)
	if _, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-2"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("one that is not there: %v", err)
	}
	list, err := s.Uncounted(t.Context(), 5)
	check(t, err)
	want.Organisation = us
	same(t, list, []assess.RecordedOutcome{want})
}

func (s recording) repeats(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	o := attempt("1", start)
	o.IdempotencyKey = "k"
	first := s.record(t, o)
	o.ID = "outcome-2"
	r, repeat, err := s.RecordOutcome(t.Context(), o)
	check(t, err)
	if !repeat {
		t.Error("no repeat")
	}
	same(t, r, first)
	o.Fingerprint = "g"
	if _, _, err := s.RecordOutcome(t.Context(), o); !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("another under the same key: %v", err)
	}
}

func (s recording) replaced(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.record(t, attempt("1", start))
	o := attempt("2", start.Add(time.Minute))
	o.Replaces = "outcome-1"
	s.record(t, o)
	old, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-1")
	check(t, err)
	if old.ReplacedBy != "outcome-2" || !old.WithdrawnAt.Equal(stored(o.At)) || old.Because != "" {
		t.Errorf("replaced it is %+v", old)
	}
	for _, replaces := range []string{"outcome-1", "outcome-9"} {
		o := attempt("3", start)
		o.Replaces = replaces
		if _, _, err := s.RecordOutcome(t.Context(), o); !errors.Is(err, assess.ErrNothingToReplace) {
			t.Errorf("in place of %s: %v", replaces, err)
		}
		if _, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-3"); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("what was refused is stored: %v", err)
		}
	}
}

func (s recording) withdrawn(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.record(t, attempt("1", start))
	w := assess.OutcomeWithdrawal{Organisation: us, ID: "outcome-1", Because: "it was another car", At: start.Add(time.Hour)}
	r, repeat, err := s.WithdrawOutcome(t.Context(), w)
	check(t, err)
	if repeat || r.Because != w.Because || !r.WithdrawnAt.Equal(stored(w.At)) {
		t.Errorf("repeat %t, %+v", repeat, r)
	}
	w.Because, w.At = "again", start.Add(2*time.Hour)
	again, repeat, err := s.WithdrawOutcome(t.Context(), w)
	check(t, err)
	if !repeat {
		t.Error("withdrawn again is no repeat")
	}
	same(t, again, r)
	w.ID = "outcome-9"
	if _, _, err := s.WithdrawOutcome(t.Context(), w); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("one that is not there: %v", err)
	}
}

func (s recording) listed(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	for i := range 5 {
		s.record(t, attempt(fmt.Sprint(i), start.Add(time.Duration(i/2)*time.Minute)))
	}
	var ids []string
	p := assess.OutcomePage{Organisation: us, Vehicle: "Tern-01", Limit: 2}
	for {
		list, err := s.Outcomes(t.Context(), p)
		check(t, err)
		for _, r := range list {
			ids = append(ids, r.ID)
			p.BeforeID, p.BeforeReceived = r.ID, r.ReceivedAt
		}
		if len(list) < 2 {
			break
		}
	}
	same(t, ids, []string{"outcome-4", "outcome-3", "outcome-2", "outcome-1", "outcome-0"})
	if _, err := s.Outcomes(t.Context(), assess.OutcomePage{Organisation: us, Vehicle: "tern-02", Limit: 2}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("of a vehicle that is not there: %v", err)
	}
}

func (s recording) lastBefore(t *testing.T) {
	last := func(before time.Time) string {
		t.Helper()
		a, err := s.LastBefore(t.Context(), us, "tern-01", before)
		if errors.Is(err, assess.ErrNotAssessedYet) {
			return "none"
		}
		check(t, err)
		return a.ID
	}
	if _, err := s.LastBefore(t.Context(), us, "tern-01", start); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("of a vehicle that is not there: %v", err)
	}
	s.accept(t, submission("a", "tern-01", start))
	s.accept(t, submission("b", "tern-01", start.Add(2*time.Minute)))
	same(t, last(start), "none") // what comes with the outcome is not known before
	same(t, last(start.Add(time.Minute)), "assessment-a")
	same(t, last(start.Add(3*time.Minute)), "assessment-b")
	check(t, s.Fail(t.Context(), "assessment-b", []byte(`{}`), start.Add(4*time.Minute)))
	same(t, last(start.Add(3*time.Minute)), "assessment-a") // a failed one forecasts nothing
	s.finish(t, "a")
	a, err := s.LastBefore(t.Context(), us, "tern-01", start.Add(time.Minute))
	check(t, err)
	if a.State != assess.Done || len(a.Outcome.Body) == 0 {
		t.Errorf("it comes without its body: %+v", a)
	}
	s.withdraw(t, "b") // an hour after the start
	same(t, last(start.Add(30*time.Minute)), "assessment-a")
	same(t, last(start.Add(2*time.Hour)), "without-b")
}

func judgement(event int) assess.Judged {
	return assess.Judged{AssessmentID: "assessment-a", RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a1b"}, Counts: []outcomes.Count{
		{Kind: outcomes.Gates, Name: "crank", Step: -20, Seen: 1, Event: event},
		{Kind: outcomes.Faults, Name: "belt_weak", Family: "timing_drive", Step: -8, Unseen: 1},
		{Kind: outcomes.Hazards, Name: "valve_strike", Family: "crank", Step: -31, Seen: 1, Event: event},
	}}
}

func (s recording) rows(t *testing.T, organisation string, kind outcomes.Kind, monthly bool) []assess.CountRow {
	t.Helper()
	rows, err := s.Counts(t.Context(), assess.CountsOf{Organisation: organisation, Digest: "sha256:0a1b", Kind: kind, Monthly: monthly})
	check(t, err)
	return rows
}

func (s recording) countedOnce(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.record(t, attempt("1", start))
	var wait sync.WaitGroup
	for range 8 {
		wait.Go(func() {
			if err := s.CountOutcome(t.Context(), "outcome-1", false, judgement(1)); err != nil && !errors.Is(err, assess.ErrFinished) {
				t.Errorf("count: %v", err)
			}
		})
	}
	wait.Wait()
	same(t, s.rows(t, us, outcomes.Gates, false), []assess.CountRow{{Name: "crank", Step: -20, Seen: 1, Events: 1}})
	same(t, s.rows(t, us, outcomes.Gates, true), []assess.CountRow{{Name: "crank", Period: "2026-05", Step: -20, Seen: 1, Events: 1}})
	same(t, s.rows(t, us, outcomes.Faults, false), []assess.CountRow{{Name: "belt_weak", Family: "timing_drive", Step: -8, Unseen: 1}})
	same(t, s.rows(t, us, outcomes.Hazards, false), []assess.CountRow{{Name: "valve_strike", Family: "crank", Step: -31, Seen: 1, Events: 1}})
	if rows := s.rows(t, us, outcomes.Hazards, true); len(rows) > 0 {
		t.Errorf("hazards are counted by months: %+v", rows)
	}
	r, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-1")
	check(t, err)
	if r.Waiting || r.AssessmentID != "assessment-a" {
		t.Errorf("counted it is %+v", r)
	}
	sets, err := s.JudgedRuleSets(t.Context(), us)
	check(t, err)
	same(t, sets, []assess.JudgedRuleSet{{RuleSet: judgement(0).RuleSet, Outcomes: 1, NewestAt: stored(start)}})
	// Who has not seen that it was withdrawn counts nothing.
	_, _, err = s.WithdrawOutcome(t.Context(), assess.OutcomeWithdrawal{Organisation: us, ID: "outcome-1", At: start})
	check(t, err)
	if err := s.CountOutcome(t.Context(), "outcome-1", false, judgement(1)); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("counted although it is withdrawn: %v", err)
	}
	check(t, s.CountOutcome(t.Context(), "outcome-1", true, assess.Judged{}))
	same(t, s.rows(t, us, outcomes.Gates, false), []assess.CountRow{{Name: "crank", Step: -20}})
	if sets, err := s.JudgedRuleSets(t.Context(), us); err != nil || len(sets) > 0 {
		t.Errorf("judged rule sets without outcomes: %+v, %v", sets, err)
	}
}

// counts records, replaces, withdraws and counts by chance: in the end the counts are those of what stands.
func (s recording) counts(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	chance := rand.New(rand.NewPCG(7, 7)) // #nosec G404 -- draws of a test that repeat
	events := map[string]int{}            // of those that stand
	settle := func() {
		list, err := s.Uncounted(t.Context(), 3)
		check(t, err)
		for _, r := range list {
			j := judgement(int(r.Body[0] - '0'))
			if !r.WithdrawnAt.IsZero() {
				j = assess.Judged{}
			}
			check(t, s.CountOutcome(t.Context(), r.ID, !r.WithdrawnAt.IsZero(), j))
		}
	}
	for i := range 60 {
		o := attempt(fmt.Sprint(i), start.Add(time.Duration(i)*time.Second))
		event := chance.IntN(2)
		o.Body = []byte(fmt.Sprint(event))
		var some string
		for id := range events {
			some = id
			break
		}
		switch n := chance.IntN(6); {
		case n == 0 && some != "":
			_, _, err := s.WithdrawOutcome(t.Context(), assess.OutcomeWithdrawal{Organisation: us, ID: some, At: start})
			check(t, err)
			delete(events, some)
		case n == 1:
			settle()
		default:
			if n == 2 && some != "" {
				o.Replaces = some
				delete(events, some)
			}
			s.record(t, o)
			events[o.ID] = event
		}
	}
	for range 40 {
		settle()
	}
	want := assess.CountRow{Name: "crank", Step: -20, Seen: len(events)}
	for _, n := range events {
		want.Events += n
	}
	same(t, s.rows(t, us, outcomes.Gates, false), []assess.CountRow{want})
	if list, err := s.Uncounted(t.Context(), 3); err != nil || len(list) > 0 {
		t.Errorf("%d still wait, %v", len(list), err)
	}
}

func (s recording) erased(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.record(t, attempt("1", start))
	check(t, s.CountOutcome(t.Context(), "outcome-1", false, judgement(1)))
	s.record(t, attempt("2", start))
	s.erase(t, "tern-01")
	if _, err := s.OutcomeStore.Outcome(t.Context(), us, "outcome-1"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("it is still there: %v", err)
	}
	if err := s.CountOutcome(t.Context(), "outcome-2", false, judgement(1)); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("it is counted after that: %v", err)
	}
	same(t, s.rows(t, us, outcomes.Gates, false), []assess.CountRow{{Name: "crank", Step: -20, Seen: 1, Events: 1}})
}

func (s recording) strangers(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.record(t, attempt("1", start))
	check(t, s.CountOutcome(t.Context(), "outcome-1", false, judgement(1)))
	const them = "another"
	if _, err := s.OutcomeStore.Outcome(t.Context(), them, "outcome-1"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's outcome: %v", err)
	}
	if _, err := s.Outcomes(t.Context(), assess.OutcomePage{Organisation: them, Vehicle: "tern-01", Limit: 3}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's outcomes: %v", err)
	}
	if _, _, err := s.WithdrawOutcome(t.Context(), assess.OutcomeWithdrawal{Organisation: them, ID: "outcome-1", At: start}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger withdraws it: %v", err)
	}
	if _, err := s.LastBefore(t.Context(), them, "tern-01", start.Add(time.Hour)); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger's assessment: %v", err)
	}
	theirs := submission("b", "tern-01", start)
	theirs.Organisation = them
	s.accept(t, theirs)
	o := attempt("2", start)
	o.Organisation, o.Replaces = them, "outcome-1"
	if _, _, err := s.RecordOutcome(t.Context(), o); !errors.Is(err, assess.ErrNothingToReplace) {
		t.Errorf("a stranger replaces it: %v", err)
	}
	if rows := s.rows(t, them, outcomes.Gates, false); len(rows) > 0 {
		t.Errorf("a stranger's counts: %+v", rows)
	}
	if sets, err := s.JudgedRuleSets(t.Context(), them); err != nil || len(sets) > 0 {
		t.Errorf("a stranger's rule sets: %+v, %v", sets, err)
	}
}
