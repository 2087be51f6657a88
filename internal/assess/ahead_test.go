package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/report"
	"laidup/internal/score"
)

// dated is the tern's report with another date of inspection, as one line.
func dated(t testing.TB, date string) []byte {
	t.Helper()
	return []byte(strings.Replace(reportLine(t, "tern"), `"date":"2026-05-02"`, `"date":"`+date+`"`, 1))
}

// A report is taken up to the day after that of the service's clock, by whichever way it comes in.
func TestReportsOfADayThatHasNotComeAreRefused(t *testing.T) {
	t.Parallel()
	apia := time.FixedZone("", 13*60*60)
	for name, c := range map[string]struct {
		now   time.Time
		date  string
		taken bool
	}{
		"today":                                {time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC), "2026-05-02", true},
		"tomorrow, as the day begins":          {time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC), "2026-05-03", true},
		"in two days, as the day begins":       {time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC), "2026-05-04", false},
		"tomorrow, as the day ends":            {time.Date(2026, 5, 2, 23, 59, 59, 0, time.UTC), "2026-05-03", true},
		"in two days, as the day ends":         {time.Date(2026, 5, 2, 23, 59, 59, 999, time.UTC), "2026-05-04", false},
		"in two days, by a clock of elsewhere": {time.Date(2026, 5, 3, 0, 30, 0, 0, apia), "2026-05-04", false},
		"a year mistyped":                      {time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC), "2062-05-02", false},
		"years ago":                            {time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC), "2025-05-02", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := open(t)
			w.now = c.now
			body := dated(t, c.date)
			refused := func(err error) bool {
				var invalid *assess.InvalidError
				return errors.As(err, &invalid) && len(invalid.Faults) == 1 && invalid.Faults[0].Pointer == "/inspection/date" &&
					invalid.Faults[0].Code == report.OutOfRange && strings.Contains(invalid.Faults[0].Detail, c.date+" is in the future (today is 2026-05-02)")
			}
			if _, err := w.Check(body); c.taken && err != nil || !c.taken && !refused(err) {
				t.Errorf("checked: %v", err)
			}
			if _, err := w.Submit(t.Context(), assess.Order{Body: body}); c.taken && err != nil || !c.taken && !refused(err) {
				t.Errorf("posted: %v", err)
			}
			b, _, err := w.Receive(t.Context(), order(""), bytes.NewReader(body))
			if err != nil {
				t.Fatal(err)
			}
			w.workAll(t)
			want := "1   /problems/invalid-report /inspection/date out_of_range"
			if c.taken {
				want = "1 tern done"
			}
			if got := strings.Join(w.answers(t, b.ID), "\n"); got != want {
				t.Errorf("as a line: %s, want %s", got, want)
			}
		})
	}
}

// assessed is the vehicle's newest assessment.
func (w *workshop) assessed(t *testing.T, id string) (a score.Assessment) {
	t.Helper()
	if err := w.Score(context.Background(), id); err != nil {
		t.Fatal(err)
	}
	stored, err := w.Assessment(context.Background(), id)
	if err == nil {
		err = json.Unmarshal(stored.Outcome.Body, &a)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// What is stored with a date that has not come counts as of the day on which it came in, and hides
// nothing that is found later.
func TestWhatIsStoredCountsNoLaterThanItCameIn(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.now = time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC)
	set := w.Current()
	sound := strings.NewReplacer("marrick-tern-01", "tern", "2026-05-02", "2062-05-02").Replace(string(read(t, "testdata", "cases", "base-tern.json")))
	if _, err := w.store.Accept(t.Context(), assess.Submission{
		Organisation: "brennick-motors", ReportID: "mistyped", AssessmentID: "first", Vehicle: "tern", Inspected: "2062-05-02",
		Body: []byte(sound), Gate: "first_start", RuleSet: assess.RuleSetRef{Name: set.Name, Version: set.Version, Digest: set.Digest}, At: w.now,
	}); err != nil {
		t.Fatal(err)
	}
	if a := w.assessed(t, "first"); a.AsOf != "2026-05-02" || a.Verdict.State != score.Clear {
		t.Errorf("%s as of %s, want clear as of 2026-05-02", a.Verdict.State, a.AsOf)
	}
	w.now = w.now.AddDate(0, 0, 1)
	later, err := w.Submit(t.Context(), assess.Order{Body: []byte(`{"schema":"laidup.report/1","vehicle":{"reference":"tern"},"inspection":{"date":"2026-05-03"},
		"observations":[{"item":"timing_belt","method":"seen","found":{"fraying":true}}]}`)})
	if err != nil {
		t.Fatal(err)
	}
	if a := w.assessed(t, later.AssessmentID); a.AsOf != "2026-05-03" || a.Verdict.State != score.Blocked {
		t.Errorf("%s as of %s, want blocked as of 2026-05-03: what was found is hidden", a.Verdict.State, a.AsOf)
	}
	// What the dossier says besides is of the same days.
	stored, err := w.Assessment(t.Context(), later.AssessmentID)
	if err != nil {
		t.Fatal(err)
	}
	if d, err := w.Dossier(t.Context(), stored); err != nil || d.AsOf.String() != "2026-05-03" {
		t.Errorf("the dossier is as of %s (%v)", d.AsOf, err)
	}
}

// Who is ahead of UTC posts a report of the day that it is there, and it is counted to that day.
func TestAReportCountsToItsOwnDayWhereverItIsFrom(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.now = time.Date(2026, 5, 2, 20, 0, 0, 0, time.UTC) // eight in the morning of the next day in Auckland
	a, err := w.Submit(t.Context(), assess.Order{Body: dated(t, "2026-05-03")})
	if err != nil {
		t.Fatal(err)
	}
	if got := w.assessed(t, a.AssessmentID); got.AsOf != "2026-05-03" {
		t.Errorf("as of %s", got.AsOf)
	}
}
