package report_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"

	"pgregory.net/rapid"
)

// sufficient is the credence from which on a renewal is believed: more than told, less than felt.
const sufficient = 0.6

func found(item, method string, found object, date ...string) object {
	o := object{"item": item, "method": method, "found": found}
	if len(date) > 0 {
		o["date"] = date[0]
	}
	return o
}

// inspected is a report of a day on a vehicle with a belt; changes are made as by spoilt.
func inspected(t testing.TB, day string, observations list, changes ...any) *report.Report {
	t.Helper()
	if observations == nil {
		observations = list{}
	}
	o := object{
		"schema": report.SchemaName, "vehicle": object{"reference": "tern"},
		"inspection": object{"date": day}, "observations": observations,
	}
	for i := 0; i < len(changes); i += 2 {
		set(t, o, changes[i].(string), changes[i+1])
	}
	r, _, faults := report.Decode(marshal(t, o), builtIn(t))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return r
}

// stands writes what stands of a finding: the values in reports' form, each with its methods.
func stands(t testing.TB, d *report.Dossier, item, finding string) string {
	t.Helper()
	cat := builtIn(t)
	f := cat.Item(item).Find(finding)
	st := d.Standing(f)
	if st == nil {
		if d.Frame.Known(f.Slot) {
			t.Errorf("%s.%s is in the frame, but nothing stands", item, finding)
		}
		return ""
	}
	var values []string
	for _, v := range st.Values {
		var by []string
		for _, s := range v.Support {
			by = append(by, cat.Methods[s.Method].ID)
		}
		values = append(values, string(report.Form(v.Value))+" "+strings.Join(by, "+"))
	}
	if got := d.Frame[f.Slot]; got != st.Values[0].Number {
		t.Errorf("%s.%s is %v in the frame, %v stands", item, finding, got, st.Values[0].Number)
	}
	if conflict := slices.ContainsFunc(d.Conflicts, func(c report.Conflict) bool { return c.Standing == st }); conflict != (len(st.Values) > 1) {
		t.Errorf("%s.%s is a conflict: %v", item, finding, conflict)
	}
	return strings.Join(values, " / ")
}

func TestWhatStands(t *testing.T) {
	frayed := func(v bool) object { return object{"fraying": v} }
	age := func(v float64) object { return object{"age": object{"value": v, "unit": "a"}} }
	for name, c := range map[string]struct {
		reports []*report.Report
		finding string
		want    string
	}{
		"nothing found": {[]*report.Report{inspected(t, "2026-05-02", nil)}, "fraying", ""},
		"one look":      {[]*report.Report{inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))})}, "fraying", "true seen"},
		"the newest stands": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(false))}),
		}, "fraying", "false seen"},
		"the newest by inspection, not by arrival": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(false))}),
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "false seen"},
		"reports of one day, by arrival": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(false))}),
		}, "fraying", "false seen"},
		"an old finding in a new report": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(false), "2020-01")}),
		}, "fraying", "true seen"},
		"an old finding in a new report, by who knew better": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "tested", frayed(false), "2020-01")}),
		}, "fraying", "false tested / true seen"},
		"hearsay overturns nothing": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "told", frayed(false))}),
		}, "fraying", "false told / true seen"},
		"a weaker method overturns nothing": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(false))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "felt", frayed(true))}),
		}, "fraying", "false seen / true felt"},
		"a method as good overturns": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(false))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", frayed(true))}),
		}, "fraying", "true documented"},
		"a look ends the quarrel": {[]*report.Report{
			inspected(t, "2024-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2025-05-02", list{found("timing_belt", "told", frayed(false))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "true seen"},
		"agreement adds nothing but its date": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "true seen"},
		"agreement of one who knows less": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "told", frayed(true))}),
		}, "fraying", "true seen"},
		"agreement of one who knows more": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "told", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "true seen"},
		"a contradiction within one report": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true)), found("timing_belt", "tested", frayed(false))}),
		}, "fraying", "false tested / true seen"},
		"two days within one report": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true), "2026-05-01"), found("timing_belt", "seen", frayed(false))}),
		}, "fraying", "false seen"},
		"a contradiction that a later report settles": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true)), found("timing_belt", "tested", frayed(false))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "tested", frayed(true))}),
		}, "fraying", "true tested"},

		// renewal
		"renewed since": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2026-04-01"})}),
		}, "fraying", ""},
		"renewed on the day of the look": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-05-02"})}),
		}, "fraying", ""},
		"renewed before the look": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-05-01"})}),
		}, "fraying", "true seen"},
		"renewed in the month of the look": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-05"})}),
		}, "fraying", ""},
		"renewed, they say": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", frayed(true))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "told", object{"renewed": "2026-04-01"})}),
		}, "fraying", "true seen"},
		"renewed, and frayed again": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-04-01"})}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "true seen"},
		"frayed, renewed and sound in one report": {[]*report.Report{
			inspected(t, "2026-05-02", list{
				found("timing_belt", "seen", frayed(true), "2026-04-30"),
				found("timing_belt", "documented", object{"renewed": "2026-05-01"}),
				found("timing_belt", "felt", frayed(false)),
			}),
		}, "fraying", "false felt"},
		"renewed and frayed on one day of one report": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2026-05-02"}), found("timing_belt", "seen", frayed(true))}),
		}, "fraying", "true seen"},
		"another renewal": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-04-01"})}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2026-04-01"})}),
		}, "renewed", `"2026-04-01" documented`},
		"the age since the renewal": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "documented", age(11))}),
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", object{"renewed": "2025-05-02"})}),
		}, "age", `{"value":1,"unit":"a"} documented`},
		"renewed in a year counts from its first day": {[]*report.Report{
			inspected(t, "2026-01-01", list{found("timing_belt", "documented", object{"renewed": "2024"})}),
		}, "age", `{"value":2,"unit":"a"} documented`},

		// ages
		"an age grows to the newest inspection": {[]*report.Report{
			inspected(t, "2023-05-02", list{found("timing_belt", "documented", age(11))}),
			inspected(t, "2026-05-02", nil),
		}, "age", `{"value":14,"unit":"a"} documented`},
		"an age grows from the day it was found": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", age(11), "2020-05-02")}),
		}, "age", `{"value":17,"unit":"a"} documented`},
		"ages told apart by years": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", age(11)), found("timing_belt", "told", age(3))}),
		}, "age", `{"value":3,"unit":"a"} told / {"value":11,"unit":"a"} documented`},
		"ages less than a year apart agree, and the greater counts": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "documented", age(10.5)), found("timing_belt", "documented", age(11))}),
		}, "age", `{"value":11,"unit":"a"} documented`},

		// week codes
		"a week code says the age": {[]*report.Report{
			inspected(t, "2026-03-07", list{found("tyres", "seen", object{"week_code": "1016"})}),
		}, "age of the tyres", `{"value":10,"unit":"a"} seen`},
		"a week code confirms an age": {[]*report.Report{
			inspected(t, "2026-03-07", list{found("tyres", "seen", object{"week_code": "1016"}), found("tyres", "told", age(9.5))}),
		}, "age of the tyres", `{"value":10,"unit":"a"} seen`},
		"a week code is the date on which its week began": {[]*report.Report{
			inspected(t, "2026-03-07", list{found("tyres", "seen", object{"week_code": "1016"})}),
		}, "week_code of the tyres", `"1016" seen`},
		"old stock fitted late": {[]*report.Report{
			inspected(t, "2026-03-07", list{found("tyres", "seen", object{"week_code": "1016"}), found("tyres", "documented", object{"renewed": "2025-03-07"})}),
		}, "age of the tyres", `{"value":1,"unit":"a"} documented / {"value":10,"unit":"a"} seen`},
		"the code of tyres that are gone": {[]*report.Report{
			inspected(t, "2025-03-07", list{found("tyres", "seen", object{"week_code": "1016"})}),
			inspected(t, "2026-03-07", list{found("tyres", "documented", object{"renewed": "2026-03-07"})}),
		}, "age of the tyres", `{"value":0,"unit":"a"} documented`},

		// removal
		"removed": {[]*report.Report{
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", object{"removed": true})}),
		}, "removed", "true seen"},
		"removed and put back": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", object{"removed": true})}),
			inspected(t, "2026-05-02", list{found("timing_belt", "seen", object{"removed": false})}),
		}, "removed", "false seen"},
		"put back, they say": {[]*report.Report{
			inspected(t, "2025-05-02", list{found("timing_belt", "seen", object{"removed": true})}),
			inspected(t, "2026-05-02", list{found("timing_belt", "told", object{"removed": false})}),
		}, "removed", "false told / true seen"},
	} {
		t.Run(name, func(t *testing.T) {
			d := report.Lay(c.reports, builtIn(t), sufficient)
			finding, item, ok := strings.Cut(c.finding, " of the ")
			if !ok {
				item = "timing_belt"
			}
			if got := stands(t, d, item, finding); got != c.want {
				t.Errorf("%s: %s stands, want %s", c.finding, got, c.want)
			}
		})
	}
}

func TestFactsOfTheDossier(t *testing.T) {
	cat := builtIn(t)
	fact := func(d *report.Dossier, in, id string) any {
		f := cat.Fact(in, id)
		v := d.Frame[f.Slot]
		switch {
		case v != v:
			return "unknown"
		case f.Kind == catalogue.Choice:
			return f.Values[int(v)]
		}
		return v
	}
	first := inspected(t, "2024-05-02", nil, "/vehicle/fuel", "petrol", "/vehicle/cylinders", 4, "/vehicle/built", "1987", "/lay_up", object{"last_ran": "2014-05-02"}, "/vehicle/description", "a saloon", "/vehicle/vin", "ABC")
	second := inspected(t, "2026-05-02", nil, "/vehicle/fuel", "diesel", "/vehicle/cylinders", "unknown", "/vehicle/built", nil)
	third := inspected(t, "2025-05-02", nil, "/vehicle/fuel", "lpg", "/vehicle/description", "a van", "/vehicle/gearbox", "manual")
	d := report.Lay([]*report.Report{first, second, third}, cat, sufficient)
	for in, want := range map[string]any{"vehicle.fuel": "diesel", "vehicle.cylinders": 4.0, "vehicle.gearbox": "manual", "vehicle.layout": "unknown", "lay_up.storage": "unknown"} {
		part, id, _ := strings.Cut(in, ".")
		if got := fact(d, part, id); got != want {
			t.Errorf("%s is %v, want %v", in, got, want)
		}
	}
	if d.AsOf.String() != "2026-05-02" || d.Frame[cat.AsOf] != float64(d.AsOf) {
		t.Errorf("as of %s", d.AsOf)
	}
	if got := d.Frame[cat.YearsLaidUp]; got != 12 {
		t.Errorf("laid up for %v years, want 12", got)
	}
	if got := d.Frame[cat.YearsSinceBuilt]; !(math.Abs(got-(39+121.0/365)) <= 1e-9) {
		t.Errorf("built %v years ago", got)
	}
	if d.Vehicle != (report.Vehicle{Reference: "tern", Description: "a van", VIN: "ABC"}) {
		t.Errorf("the vehicle is %+v", d.Vehicle)
	}
	alone := report.Lay([]*report.Report{inspected(t, "2026-05-02", nil)}, cat, sufficient)
	if alone.Frame.Known(cat.YearsLaidUp) || alone.Frame.Known(cat.YearsSinceBuilt) {
		t.Error("years are counted from nothing")
	}
}

// A report that was right by its own facts may be about an item that the vehicle turns out not to have.
func TestMisplacedFindings(t *testing.T) {
	cat := builtIn(t)
	first := inspected(t, "2025-05-02", list{found("timing_belt", "seen", object{"fraying": true}), found("battery", "seen", object{"secured": true})})
	second := inspected(t, "2026-05-02", nil, "/vehicle/valve_drive", "chain")
	d := report.Lay([]*report.Report{first, second}, cat, sufficient)
	if len(d.Misplaced) != 1 || d.Misplaced[0].ID != "timing_belt" || stands(t, d, "timing_belt", "fraying") != "" || stands(t, d, "battery", "secured") != "true seen" {
		t.Errorf("misplaced are %v", d.Misplaced)
	}
}

// allStanding lists what stands at every place, in the order of the catalogue.
func allStanding(d *report.Dossier) []*report.Standing {
	var all []*report.Standing
	for i := range d.Items {
		for k := range d.Items[i].Places {
			for _, st := range d.Items[i].Places[k].Standing {
				if st != nil {
					all = append(all, st)
				}
			}
		}
	}
	return all
}

// text writes all that a dossier says, to be compared.
func text(d *report.Dossier) string {
	var b strings.Builder
	fmt.Fprintln(&b, d.Vehicle, d.AsOf, d.Frame)
	for i := range d.Items {
		known := &d.Items[i]
		if len(known.Places) == 0 && !known.Reported && !known.NotFitted {
			continue
		}
		fmt.Fprintln(&b, d.Reports[0].Reference, i, known.Reported, known.NotFitted)
		for k := range known.Places {
			p := &known.Places[k]
			fmt.Fprintln(&b, p.Position, p.Age, p.Unvouched, p.LaidUp, p.SinceBuilt, p.Driven, p.Renewed)
			for _, st := range p.Standing {
				if st == nil {
					continue
				}
				fmt.Fprint(&b, st.Finding.Item.ID, ".", st.Finding.ID)
				for _, v := range st.Values {
					fmt.Fprint(&b, " ", string(report.Form(v.Value)), v.Support)
				}
				fmt.Fprintln(&b)
			}
		}
	}
	for _, c := range d.Conflicts {
		fmt.Fprint(&b, "conflict ", c.Item.ID, " ", c.At)
		if c.Standing != nil {
			fmt.Fprint(&b, " ", c.Finding.ID)
		}
		fmt.Fprintln(&b)
	}
	for _, it := range d.Misplaced {
		fmt.Fprintln(&b, "misplaced", it.ID)
	}
	return b.String()
}

// drawReports draws reports on one vehicle, of different days, on few items: they contradict one another.
func drawReports(t *rapid.T, cat *catalogue.Catalogue) []object {
	var items []*catalogue.Item
	for _, id := range []string{"timing_belt", "timing_chain", "compression", "refrigerant"} {
		items = append(items, cat.Item(id))
	}
	s := sketch{t, cat}
	day := calendar.DayOf(2022, 1, 1)
	var reports []object
	for range rapid.IntRange(1, 4).Draw(t, "reports") {
		day += calendar.Day(rapid.IntRange(1, 400).Draw(t, "days between"))
		vehicle := object{"reference": "drawn"}
		if rapid.Bool().Draw(t, "belt known") {
			vehicle["valve_drive"] = "belt"
		}
		observations := list{}
		for range rapid.IntRange(0, 6).Draw(t, "observations") {
			it := rapid.SampledFrom(items).Draw(t, "item")
			found := object{}
			for range rapid.IntRange(1, 3).Draw(t, "findings") {
				f := rapid.SampledFrom(it.Finds).Draw(t, "finding")
				if f.Kind == catalogue.Date {
					found[f.ID] = rapid.SampledFrom([]string{"2022", "2022-01", "2022-01-01", "2021-06"}).Draw(t, "date")
					continue
				}
				if f.Kind == catalogue.WeekCode {
					found[f.ID] = rapid.SampledFrom([]string{"0114", "5221", "2018"}).Draw(t, "week code")
					continue
				}
				found[f.ID] = s.value(f)
			}
			o := object{"item": it.ID, "method": rapid.SampledFrom(cat.Methods).Draw(t, "method").ID, "found": found}
			if rapid.IntRange(0, 3).Draw(t, "dated") == 0 {
				o["date"] = (day - calendar.Day(rapid.IntRange(0, 900).Draw(t, "days before"))).String()
			}
			observations = append(observations, o)
		}
		reports = append(reports, object{"schema": report.SchemaName, "vehicle": vehicle, "inspection": object{"date": day.String()}, "observations": observations})
	}
	return reports
}

func decodeDrawn(t *rapid.T, cat *catalogue.Catalogue, o object) *report.Report {
	r, _, faults := report.Decode(sketch{t, cat}.write(o), cat)
	for _, f := range faults {
		if f.Code != report.NotFitted && f.Code != report.Impossible {
			t.Fatal(faults)
		}
	}
	if r == nil {
		t.Skip("impossible")
	}
	return r
}

func TestOrderAndUnitsChangeNothing(t *testing.T) {
	cat := builtIn(t)
	thorough(t, 500)
	rapid.Check(t, func(t *rapid.T) {
		drawn := drawReports(t, cat)
		var reports, again []*report.Report
		for _, o := range drawn {
			reports = append(reports, decodeDrawn(t, cat, o))
		}
		before := text(report.Lay(reports, cat, sufficient))
		if same := text(report.Lay(reports, cat, sufficient)); same != before {
			t.Fatalf("laid twice:\n%s\n%s", before, same)
		}
		for _, o := range drawn {
			o = clone(o).(object)
			o["observations"] = rapid.Permutation(o["observations"].(list)).Draw(t, "order of observations")
			for _, p := range places(o["observations"], nil) {
				if m, ok := p.get().(object); ok && m["unit"] != nil {
					inOtherUnit(t, m)
				}
			}
			again = append(again, decodeDrawn(t, cat, o))
		}
		// Each report is of a day of its own: removing one and adding it again puts it last.
		again = rapid.Permutation(again).Draw(t, "order of reports")
		if after := text(report.Lay(again, cat, sufficient)); after != before {
			t.Fatalf("before:\n%s\nafter:\n%s", before, after)
		}
	})
}

// inOtherUnit may write a measurement in another unit, where that can be done without loss.
func inOtherUnit(t *rapid.T, m object) {
	other, ok := map[string]struct {
		unit   string
		factor float64
	}{"kPa": {"bar", 0.01}, "MPa": {"bar", 10}, "hPa": {"kPa", 0.1}, "a": {"mo", 12}, "mo": {"a", 1.0 / 12}, "%": {"1", 0.01}, "km": {"m", 1000}}[m["unit"].(string)]
	if ok && rapid.Bool().Draw(t, "other unit") {
		m["value"], m["unit"] = m["value"].(float64)*other.factor, other.unit
	}
}

func TestLayLeavesReportsAsTheyAre(t *testing.T) {
	cat := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		var reports []*report.Report
		for _, o := range drawReports(t, cat) {
			reports = append(reports, decodeDrawn(t, cat, o))
		}
		before := fmt.Sprintf("%+v", dereferenced(reports))
		report.Lay(reports, cat, sufficient)
		if after := fmt.Sprintf("%+v", dereferenced(reports)); after != before {
			t.Fatalf("before %s\nafter %s", before, after)
		}
	})
}

func dereferenced(reports []*report.Report) []report.Report {
	var all []report.Report
	for _, r := range reports {
		all = append(all, *r)
	}
	return all
}

// What stands was reported, and of what was reported about an item that is there, something stands
// unless the item was renewed.
func TestStandingWasReported(t *testing.T) {
	cat := builtIn(t)
	rapid.Check(t, func(t *rapid.T) {
		var reports []*report.Report
		reported, renewed := map[int]bool{}, map[*catalogue.Item]bool{}
		for _, o := range drawReports(t, cat) {
			r := decodeDrawn(t, cat, o)
			reports = append(reports, r)
			for _, o := range r.Observations {
				for _, v := range o.Found {
					reported[v.Finding.Slot] = true
					if v.Finding == o.Item.Renewed {
						reported[o.Item.Age.Slot] = true
						renewed[o.Item] = true
					}
				}
			}
		}
		d := report.Lay(reports, cat, sufficient)
		for slot := range reported {
			owner := cat.Owner(slot)
			if owner != nil && owner.Item != nil && d.Standing(owner) == nil && !renewed[owner.Item] && !slices.Contains(d.Misplaced, owner.Item) {
				t.Fatalf("nothing stands of %s.%s", owner.Item.ID, owner.ID)
			}
		}
		conflicts := 0
		for _, st := range allStanding(d) {
			owner := st.Finding
			switch {
			case !reported[owner.Slot]:
				t.Fatalf("%s.%s stands, and nobody said so", owner.Item.ID, owner.ID)
			case !slices.IsSortedFunc(st.Values, func(a, b report.StandingValue) int { return int(math.Copysign(1, a.Number-b.Number)) }):
				t.Fatalf("values of %s.%s are not sorted", owner.Item.ID, owner.ID)
			}
			if len(st.Values) > 1 {
				conflicts++
			}
			for _, v := range st.Values {
				if len(v.Support) == 0 || v.Alarms() <= 0 || v.Number != v.Number {
					t.Fatalf("%s.%s: %+v", owner.Item.ID, owner.ID, v)
				}
				for _, a := range v.Support {
					for _, b := range v.Support {
						if a != b && a.Method <= b.Method && a.On >= b.On && a.Named == b.Named {
							t.Fatalf("%s.%s: %+v is beaten by %+v", owner.Item.ID, owner.ID, b, a)
						}
					}
				}
			}
		}
		if told := len(slices.DeleteFunc(slices.Clone(d.Conflicts), func(c report.Conflict) bool { return c.Standing == nil })); conflicts != told {
			t.Fatalf("%d conflicts, %d told", conflicts, told)
		}
	})
}

func TestOrderOfEqualsChangesNothing(t *testing.T) {
	cat := builtIn(t)
	for name, o := range map[string]list{
		"dates known more or less well": {
			found("timing_belt", "seen", object{"renewed": "2022"}), found("timing_belt", "seen", object{"renewed": "2022-01-01"}), found("timing_belt", "seen", object{"renewed": "2022-01"}),
		},
		"methods of one credence": {
			found("timing_belt", "seen", object{"fraying": true}), found("timing_belt", "documented", object{"fraying": true}),
		},
		"texts": {
			found("refrigerant", "seen", object{"recovery_record": "R 12/7"}), found("refrigerant", "seen", object{"recovery_record": "R 12/8"}),
		},
	} {
		first := text(report.Lay([]*report.Report{inspected(t, "2026-05-02", o)}, cat, sufficient))
		slices.Reverse(o)
		if second := text(report.Lay([]*report.Report{inspected(t, "2026-05-02", o)}, cat, sufficient)); first != second {
			t.Errorf("%s:\n%s\n%s", name, first, second)
		}
	}
}
