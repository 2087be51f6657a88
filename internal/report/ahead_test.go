package report_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/report"

	"pgregory.net/rapid"
)

func day(t testing.TB, s string) calendar.Day {
	t.Helper()
	d, err := calendar.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return d.Earliest()
}

// It is 2026-05-02 where reports are read, and 2026-05-03 in some time zone.
func TestDatesThatHaveNotCome(t *testing.T) {
	const (
		inspection = "/inspection/date"
		belt       = "/observations/0"
	)
	tyres := func(code string) object {
		return object{"item": "tyres", "method": "seen", "found": object{"week_code": code}}
	}
	for name, c := range map[string]struct {
		changes []any
		want    []fault
	}{
		"inspected today":               {nil, nil},
		"inspected tomorrow":            {list{inspection, "2026-05-03"}, nil},
		"inspected in two days":         {list{inspection, "2026-05-04"}, []fault{{inspection, report.OutOfRange, "2026-05-04 is in the future (today is 2026-05-02): correct the date, and check the year first"}}},
		"a year mistyped":               {list{inspection, "2062-05-02"}, []fault{{inspection, report.OutOfRange, "2062-05-02 is in the future"}}},
		"found tomorrow":                {list{inspection, "2026-05-03", belt + "/date", "2026-05-03"}, nil},
		"found in two days":             {list{inspection, "2026-05-04", belt + "/date", "2026-05-04"}, []fault{{inspection, report.OutOfRange, "2026-05-04"}, {belt + "/date", report.OutOfRange, "2026-05-04"}}},
		"only found in two days":        {list{belt + "/date", "2026-05-04"}, []fault{{belt + "/date", report.OutOfRange, "2026-05-04 is in the future"}}},
		"found tomorrow, looked today":  {list{belt + "/date", "2026-05-03"}, []fault{{belt + "/date", report.Impossible, "after the inspection"}}},
		"found next month":              {list{belt + "/date", "2026-06"}, []fault{{belt + "/date", report.OutOfRange, "2026-06 is in the future"}}},
		"found this month":              {list{belt + "/date", "2026-05"}, nil},
		"renewed in two days":           {list{belt + "/found", object{"renewed": "2026-05-04"}}, []fault{{belt + "/found/renewed", report.OutOfRange, "2026-05-04 is in the future"}}},
		"renewed tomorrow":              {list{inspection, "2026-05-03", belt + "/found", object{"renewed": "2026-05-03"}}, nil},
		"made next year":                {list{"/observations/1", tyres("0927")}, []fault{{"/observations/1/found/week_code", report.OutOfRange, "2027-03-01 is in the future"}}},
		"ran next year":                 {list{"/lay_up/last_ran", "2027"}, []fault{{"/lay_up/last_ran", report.OutOfRange, "2027 is in the future"}}},
		"built next year":               {list{"/vehicle/built", "2027"}, []fault{{"/vehicle/built", report.OutOfRange, "2027 is in the future"}}},
		"a date not known":              {list{"/lay_up/last_ran", "unknown"}, nil},
		"beside another fault":          {list{inspection, "2062-05-02", "/colour", "red"}, []fault{{"/colour", report.UnknownField, ""}, {inspection, report.OutOfRange, "2062"}}},
		"not to the day, and ahead":     {list{inspection, "2062-05"}, []fault{{inspection, report.OutOfRange, "2062-05"}, {inspection, report.WrongValue, "to the day"}}},
		"found, of which the item lags": {list{belt, object{"found": object{"renewed": "2062"}, "method": "seen", "item": "timing_belt"}}, []fault{{belt + "/found/renewed", report.OutOfRange, "2062 is in the future"}}},
	} {
		t.Run(name, func(t *testing.T) {
			data := marshal(t, spoilt(t, c.changes...))
			_, _, faults := report.DecodeBy(day(t, "2026-05-02"), data, builtIn(t))
			compare(t, faults, c.want...)
		})
	}
	data := marshal(t, spoilt(t, inspection, "2062-05-02"))
	if _, _, faults := report.Decode(data, builtIn(t)); len(faults) > 0 {
		t.Errorf("without a clock there are faults: %v", faults)
	}
	checker := report.NewChecker(builtIn(t))
	_, _, faults := checker.DecodeBy(day(t, "2026-05-02"), data)
	compare(t, faults, fault{inspection, report.OutOfRange, "2062-05-02 is in the future"})
	if _, _, faults := checker.Decode(data); len(faults) > 0 {
		t.Errorf("without a clock there are faults: %v", faults)
	}
}

func TestWhoReadsAllTheSameIsTold(t *testing.T) {
	today := day(t, "2026-05-02")
	for name, c := range map[string]struct {
		report *report.Report
		today  calendar.Day
		want   []string
	}{
		"today":    {inspected(t, "2026-05-02", nil), today, nil},
		"tomorrow": {inspected(t, "2026-05-03", list{found("timing_belt", "seen", object{"fraying": true})}), today, nil},
		"two days": {inspected(t, "2026-05-04", list{found("timing_belt", "seen", object{"fraying": true})}), today, []string{"/inspection/date 2026-05-04"}},
		"an observation of its own date": {inspected(t, "2062-05-02", list{
			found("timing_belt", "seen", object{"fraying": true}),
			found("timing_belt", "seen", object{"slack": true}, "2026-05-03"),
			found("timing_belt", "seen", object{"cracked": true}, "2062-05-01"),
		}), today, []string{"/inspection/date 2062-05-02", "/observations/2/date 2062-05-01"}},
		"no clock": {inspected(t, "2062-05-02", nil), 0, nil},
	} {
		cautions := c.report.Ahead(c.today)
		same := slices.EqualFunc(cautions, c.want, func(got report.Caution, want string) bool {
			pointer, date, _ := strings.Cut(want, " ")
			return got.Pointer == pointer && strings.HasPrefix(got.Detail, date+" is in the future (today is 2026-05-02)")
		})
		if !same {
			t.Errorf("%s: %v, want %v", name, cautions, c.want)
		}
	}
}

// What is refused by a clock is what who reads it all the same is told of, place by place.
func TestWhatIsRefusedIsWhatIsWarnedOf(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		today := day(t, "2026-06-02") + calendar.Day(rapid.IntRange(-3, 3).Draw(r, "today"))
		on := day(t, "2026-06-02") + calendar.Day(rapid.IntRange(-3, 3).Draw(r, "inspected"))
		own := on - calendar.Day(rapid.IntRange(1, 3).Draw(r, "looked before"))
		data := marshal(t, spoilt(t, "/inspection/date", on.String(), "/observations/0/date", own.String()))
		whole, _, faults := report.Decode(data, builtIn(t))
		if len(faults) > 0 {
			r.Fatal(faults)
		}
		_, _, faults = report.DecodeBy(today, data, builtIn(t))
		var refused, warned []string
		for _, f := range faults {
			refused = append(refused, f.Pointer+" "+f.Detail)
		}
		for _, c := range whole.Ahead(today) {
			warned = append(warned, c.Pointer+" "+c.Detail)
		}
		if !slices.Equal(refused, warned) || (len(refused) > 0) != (on > today+1) {
			r.Fatalf("today is %s: refused %q, warned of %q", today, refused, warned)
		}
	})
}

// cameIn is a report that came in on a day.
func cameIn(t testing.TB, on string, r *report.Report) *report.Report {
	t.Helper()
	r.CameIn(day(t, on))
	return r
}

// A year that was mistyped once must not hide what is found from then on.
func TestAReportCountsNoLaterThanItCameIn(t *testing.T) {
	seized := func(v bool) object { return object{"fraying": v} }
	mistyped := func(observations ...any) *report.Report { return inspected(t, "2062-05-02", observations) }
	for name, c := range map[string]struct {
		reports []*report.Report
		finding string
		want    string
		asOf    string
	}{
		"it came in on its day": {[]*report.Report{
			cameIn(t, "2026-05-02", inspected(t, "2026-05-02", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "true seen", "2026-05-02"},
		"it came in later": {[]*report.Report{
			cameIn(t, "2026-06-30", inspected(t, "2026-05-02", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "true seen", "2026-05-02"},
		"it came in before its day": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "seen", seized(true)))),
		}, "fraying", "true seen", "2026-05-02"},
		"a later report outweighs it": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "seen", seized(false)))),
			cameIn(t, "2026-05-03", inspected(t, "2026-05-03", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "true seen", "2026-05-03"},
		"one of the day on which it came in outweighs it": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "seen", seized(false)))),
			cameIn(t, "2026-05-02", inspected(t, "2026-05-02", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "true seen", "2026-05-02"},
		"it outweighs an earlier one": {[]*report.Report{
			cameIn(t, "2026-05-02", inspected(t, "2026-05-01", list{found("timing_belt", "seen", seized(false))})),
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "seen", seized(true)))),
		}, "fraying", "true seen", "2026-05-02"},
		"where nobody knows when it came in it is taken at its word": {[]*report.Report{
			mistyped(found("timing_belt", "seen", seized(false))),
			cameIn(t, "2026-05-03", inspected(t, "2026-05-03", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "false seen", "2062-05-02"},
		"a renewal that has not come does not clear what was found with it": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "seen", object{"fraying": true, "renewed": "2062-05-02"}))),
		}, "fraying", "true seen", "2026-05-02"},
		"nor what is found later": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "documented", object{"renewed": "2062"}))),
			cameIn(t, "2026-05-03", inspected(t, "2026-05-03", list{found("timing_belt", "seen", seized(true))})),
		}, "fraying", "true seen", "2026-05-03"},
		"it clears what was found before": {[]*report.Report{
			cameIn(t, "2026-05-01", inspected(t, "2026-05-01", list{found("timing_belt", "seen", seized(true))})),
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "documented", object{"renewed": "2062-05-02"}))),
		}, "fraying", "", "2026-05-02"},
		"the date of a renewal": {[]*report.Report{
			cameIn(t, "2026-05-02", mistyped(found("timing_belt", "documented", object{"renewed": "2062-05-02"}))),
		}, "renewed", `"2026-05-02" documented`, "2026-05-02"},
	} {
		t.Run(name, func(t *testing.T) {
			d := report.Lay(c.reports, builtIn(t), sufficient)
			if got := stands(t, d, "timing_belt", c.finding); got != c.want || d.AsOf.String() != c.asOf {
				t.Errorf("%s stands as of %s, want %s as of %s", got, d.AsOf, c.want, c.asOf)
			}
		})
	}
}

// Nothing that stands is of a day after the last on which a report came in, whatever dates they bear.
func TestNothingCountsLaterThanTheLastReportCameIn(t *testing.T) {
	cat := builtIn(t)
	rapid.Check(t, func(r *rapid.T) {
		begin := day(t, "2026-05-02")
		var reports []*report.Report
		last, came := begin, begin
		for range rapid.IntRange(1, 6).Draw(r, "reports") {
			came += calendar.Day(rapid.IntRange(0, 40).Draw(r, "days until it came in"))
			on := begin + calendar.Day(rapid.IntRange(-400, 20_000).Draw(r, "inspected"))
			own := on - calendar.Day(rapid.IntRange(0, 600).Draw(r, "looked before"))
			renewed := on - calendar.Day(rapid.IntRange(0, 600).Draw(r, "renewed before"))
			one := inspected(t, on.String(), list{
				found("timing_belt", "seen", object{"fraying": rapid.Bool().Draw(r, "fraying")}, own.String()),
				found("timing_belt", "documented", object{"renewed": renewed.String()}),
			})
			one.CameIn(came)
			reports, last = append(reports, one), max(last, came)
		}
		d := report.Lay(reports, cat, sufficient)
		if d.AsOf > last {
			r.Fatalf("as of %s, the last report came in on %s", d.AsOf, last)
		}
		for _, st := range allStanding(d) {
			for _, v := range st.Values {
				for _, s := range v.Support {
					if s.On > d.AsOf {
						r.Fatalf("%s is of %s, the dossier as of %s", st.Finding.ID, s.On, d.AsOf)
					}
				}
				if v.Date.Earliest() > d.AsOf {
					r.Fatalf("%s says %s, the dossier is as of %s", st.Finding.ID, v.Date, d.AsOf)
				}
			}
		}
	})
}
