package assesstest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/internal/assess"
)

func (s suite) withdraw(t *testing.T, name string) assess.Withdrawn {
	t.Helper()
	w, err := s.Withdraw(t.Context(), assess.Withdrawal{
		Organisation: us, ReportID: "report-" + name, AssessmentID: "without-" + name, Because: "it was of another vehicle",
		At: start.Add(time.Hour),
	})
	check(t, err)
	return w
}

// standing has the names of the reports that stand at an ordinal.
func (s suite) standing(t *testing.T, vehicle string, upTo int) []string {
	t.Helper()
	dossier, err := s.Dossier(t.Context(), us, vehicle, upTo)
	check(t, err)
	names := []string{}
	for _, r := range dossier {
		names = append(names, strings.TrimPrefix(r.ID, "report-"))
	}
	return names
}

func (s suite) withdrawn(t *testing.T) {
	for _, name := range []string{"a", "b", "c"} {
		sub := submission(name, "tern-01", start)
		sub.Gate = "crank-" + name
		s.accept(t, sub)
		s.finish(t, name)
	}
	w := s.withdraw(t, "c")
	if w.Repeat || w.AssessmentID != "without-c" || w.Report.Because != "it was of another vehicle" || !w.Report.WithdrawnAt.Equal(stored(start.Add(time.Hour))) {
		t.Errorf("withdrawn is %+v", w)
	}
	again := s.withdraw(t, "c")
	if !again.Repeat || again.AssessmentID != "" || again.Report.WithdrawnAt != w.Report.WithdrawnAt {
		t.Errorf("withdrawn again it is %+v", again)
	}
	r, err := s.Report(t.Context(), us, "report-c")
	check(t, err)
	same(t, r, w.Report)
	same(t, string(r.Body), string(submission("c", "", start).Body))

	a, err := s.Start(t.Context(), "without-c")
	check(t, err)
	if a.ReportID != "report-b" || a.Gate != "crank-b" || a.Ordinal != 4 || a.RuleSet.Name != "first-start" {
		t.Errorf("the assessment without it is %+v", a)
	}
	same(t, s.standing(t, "tern-01", a.Ordinal), []string{"a", "b"})
	same(t, s.standing(t, "tern-01", 3), []string{"a", "b", "c"})
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	if v.Reports != 2 || v.Withdrawn != 1 || !v.Waiting || v.Newest.ID != "assessment-c" {
		t.Errorf("the vehicle is %+v", v)
	}
	check(t, s.Finish(t.Context(), "without-c", outcome("without-c"), start))
	if v, err = s.Vehicle(t.Context(), us, "tern-01"); err != nil || v.Waiting || v.Newest.ID != "without-c" {
		t.Errorf("the vehicle is then %+v, %v", v, err)
	}
	// What comes next has the next ordinal.
	s.accept(t, submission("d", "tern-01", start))
	same(t, s.standing(t, "tern-01", 5), []string{"a", "b", "d"})

	for id, organisation := range map[string]string{"report-a": them, "report-none": us} {
		_, err := s.Withdraw(t.Context(), assess.Withdrawal{Organisation: organisation, ReportID: id, AssessmentID: "x", Because: "x", At: start})
		if !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s of %s withdrawn: %v", id, organisation, err)
		}
	}
	same(t, s.standing(t, "tern-01", 5), []string{"a", "b", "d"})
}

func (s suite) replaced(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.accept(t, submission("b", "tern-01", start))
	s.accept(t, submission("elsewhere", "wren-02", start))
	sub := submission("c", "tern-01", start.Add(time.Minute))
	sub.Replaces, sub.Most = "report-a", 2 // it makes room for itself
	s.accept(t, sub)
	same(t, s.standing(t, "tern-01", 3), []string{"b", "c"})
	same(t, s.standing(t, "tern-01", 2), []string{"a", "b"})
	r, err := s.Report(t.Context(), us, "report-a")
	check(t, err)
	if r.ReplacedBy != "report-c" || r.Because != "" || !r.WithdrawnAt.Equal(stored(start.Add(time.Minute))) {
		t.Errorf("the replaced report is %+v", r)
	}
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	if v.Reports != 2 || v.Withdrawn != 1 {
		t.Errorf("the vehicle is %+v", v)
	}
	for name, of := range map[string]string{"once more": "report-a", "of another vehicle": "report-elsewhere", "unknown": "report-none"} {
		sub := submission("d", "tern-01", start)
		sub.Replaces = of
		if _, err := s.Accept(t.Context(), sub); !errors.Is(err, assess.ErrNothingToReplace) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Nothing is left of what was refused: the next has the next ordinal. What was withdrawn can be replaced.
	s.withdraw(t, "b")
	sub = submission("d", "tern-01", start)
	sub.Replaces = "report-b"
	s.accept(t, sub)
	if r, err = s.Report(t.Context(), us, "report-b"); err != nil || r.ReplacedBy != "report-d" || r.Because == "" {
		t.Errorf("the report that was withdrawn and replaced is %+v, %v", r, err)
	}
	same(t, s.standing(t, "tern-01", 5), []string{"c", "d"})
	if v, err = s.Vehicle(t.Context(), us, "tern-01"); err != nil || v.Reports != 2 || v.Withdrawn != 2 {
		t.Errorf("the vehicle is then %+v, %v", v, err)
	}
}

func (s suite) allWithdrawn(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.finish(t, "a")
	s.accept(t, submission("b", "tern-01", start)) // not finished
	s.withdraw(t, "b")
	if w := s.withdraw(t, "a"); w.AssessmentID != "" {
		t.Errorf("assessment %s is made of nothing", w.AssessmentID)
	}
	unknown := func(when string) {
		t.Helper()
		v, err := s.Vehicle(t.Context(), us, "tern-01")
		check(t, err)
		if v.Reports != 0 || v.Withdrawn != 2 || v.Newest != nil || v.Waiting {
			t.Errorf("%s the vehicle is %+v", when, v)
		}
		for _, by := range []string{assess.ByNewest, assess.ByReference, assess.ByBlockers} {
			list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Gate: "first_start", By: by, Limit: 9})
			if err != nil || len(list) != 1 || list[0].At != nil || list[0].Newest != nil {
				t.Errorf("%s the list by %q is %+v, %v", when, by, list, err)
			}
		}
	}
	unknown("at once")
	check(t, s.Finish(t.Context(), "assessment-b", outcome("b"), start)) // late word
	check(t, s.Finish(t.Context(), "without-b", outcome("without-b"), start))
	unknown("after late word")
	s.accept(t, submission("c", "tern-01", start))
	s.finish(t, "c")
	same(t, s.standing(t, "tern-01", 5), []string{"c"})
	if v, err := s.Vehicle(t.Context(), us, "tern-01"); err != nil || v.Newest == nil || v.Newest.ID != "assessment-c" {
		t.Errorf("with another report the vehicle is %+v, %v", v, err)
	}
}

func (s suite) withdrawRace(t *testing.T) {
	s.accept(t, submission("a", "tern-01", start))
	s.accept(t, submission("b", "tern-01", start))
	const side = 6
	var all sync.WaitGroup
	ids := make([]string, side)
	for i := range side {
		all.Go(func() {
			var w assess.Withdrawn
			var err error
			if i%2 == 0 {
				w, err = s.Withdraw(t.Context(), assess.Withdrawal{Organisation: us, ReportID: "report-a", AssessmentID: fmt.Sprint("without-", i), Because: "x", At: start})
				if w.AssessmentID != "" && !w.Repeat {
					ids[i] = w.AssessmentID
				}
			} else {
				sub := submission(fmt.Sprint("new-", i), "tern-01", start)
				sub.Replaces = "report-a"
				if _, err = s.Accept(t.Context(), sub); errors.Is(err, assess.ErrNothingToReplace) {
					err = nil
				}
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if made := slices.DeleteFunc(ids, func(id string) bool { return id == "" }); len(made) > 1 {
		t.Errorf("assessments %q are made", made)
	}
	v, err := s.Vehicle(t.Context(), us, "tern-01")
	check(t, err)
	r, err := s.Report(t.Context(), us, "report-a")
	check(t, err)
	if v.Withdrawn != 1 || v.Reports != 2 || r.ReplacedBy == "" {
		t.Errorf("the vehicle is %+v, the report %+v", v, r)
	}
}

// coverage accepts, withdraws and replaces by chance, and holds every dossier there ever was against one
// that is kept beside.
func (s suite) coverage(t *testing.T) {
	chance := rand.New(rand.NewPCG(7, 12)) // #nosec G404 -- a test that repeats
	var stand []string
	was := [][]string{{}}
	for n := 1; n <= 24; n++ {
		name := fmt.Sprint(n)
		if i := chance.IntN(len(stand) + 2); i < len(stand) && n%3 > 0 {
			old := stand[i]
			stand = slices.Delete(slices.Clone(stand), i, i+1)
			if n%3 == 1 {
				s.withdraw(t, old)
			} else {
				sub := submission(name, "tern-01", start)
				sub.Replaces = "report-" + old
				s.accept(t, sub)
				stand = append(stand, name)
			}
		} else {
			s.accept(t, submission(name, "tern-01", start))
			stand = append(slices.Clone(stand), name)
		}
		was = append(was, slices.Clone(stand))
		v, err := s.Vehicle(t.Context(), us, "tern-01")
		check(t, err)
		same(t, v.Reports, len(stand))
	}
	for ordinal, want := range was[1:] {
		if got := s.standing(t, "tern-01", ordinal+1); !slices.Equal(got, want) {
			t.Errorf("at %d stand %q, want %q", ordinal+1, got, want)
		}
	}
}

func (s suite) reportPages(t *testing.T) {
	for _, name := range []string{"a", "b", "c", "d"} {
		s.accept(t, submission(name, "tern-01", start))
	}
	s.withdraw(t, "b")
	var got []string
	page := assess.ReportPage{Organisation: us, Vehicle: "tern-01", Limit: 3}
	for range 2 {
		list, err := s.Reports(t.Context(), page)
		check(t, err)
		for _, r := range list {
			got = append(got, r.ID)
			page.BeforeID = r.ID
			same(t, r.WithdrawnAt.IsZero(), r.ID != "report-b")
		}
	}
	same(t, got, []string{"report-d", "report-c", "report-b", "report-a"})
	for _, p := range []assess.ReportPage{{Organisation: them, Vehicle: "tern-01", Limit: 3}, {Organisation: us, Vehicle: "none", Limit: 3}} {
		if _, err := s.Reports(t.Context(), p); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("reports on %s of %s: %v", p.Vehicle, p.Organisation, err)
		}
	}
}

func (s suite) spellings(t *testing.T) {
	var all sync.WaitGroup
	for i, vehicle := range []string{"KA-1234", "ka-1234", "Ka-1234", "kA-1234"} {
		all.Go(func() {
			if _, err := s.Accept(t.Context(), submission(fmt.Sprint(i), vehicle, start)); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	v, err := s.Vehicle(t.Context(), us, "KA-1234")
	check(t, err)
	for _, spelled := range []string{"ka-1234", "Ka-1234", v.Reference} {
		same, err := s.Vehicle(t.Context(), us, spelled)
		if err != nil || same.Reference != v.Reference || same.Reports != 4 {
			t.Errorf("%s is %+v, %v", spelled, same, err)
		}
		history, err := s.History(t.Context(), assess.HistoryPage{Organisation: us, Vehicle: spelled, Limit: 9})
		reports, more := s.Reports(t.Context(), assess.ReportPage{Organisation: us, Vehicle: spelled, Limit: 9})
		if err != nil || more != nil || len(history) != 4 || len(reports) != 4 {
			t.Errorf("%s has %d assessments and %d reports, %v, %v", spelled, len(history), len(reports), err, more)
		}
	}
	if list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: us, Gate: "crank", Limit: 9}); err != nil || len(list) != 1 {
		t.Errorf("the vehicles are %+v, %v", list, err)
	}
	sub := submission("corrected", "ka-1234", start)
	sub.Replaces = "report-0"
	s.accept(t, sub)
	// Another organisation spells as it likes.
	sub = submission("theirs", "kA-1234", start)
	sub.Organisation = them
	s.accept(t, sub)
	if theirs, err := s.Vehicle(t.Context(), them, "KA-1234"); err != nil || theirs.Reference != "kA-1234" || theirs.Reports != 1 {
		t.Errorf("theirs is %+v, %v", theirs, err)
	}
}
