package pages

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"laidup/internal/assess"
	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/score"
)

// Moment is a day in the life of a vehicle.
type Moment struct {
	On   string // the day, or the year where no more is known
	Kind string // built, ran, renewed, inspected or now
	Says string
	Gap  string // how long nothing is known to have happened before it; empty: not worth saying
	// Opened and Shut are gates that became clear by this inspection, and that no longer are.
	Opened, Shut []string
	day          calendar.Day
}

// telling is the gap in years that is worth saying, of a vehicle that is laid up.
const telling = 2

// timeline lays out what is known of when: built, last ran, renewed, inspected; and which gates came open.
func (p *Pages) timeline(cat *catalogue.Catalogue, d *report.Dossier, history []assess.Assessment, today calendar.Day) (all []Moment, err error) {
	say := func(key string, args ...any) string {
		s, e := p.text.say(key, args...)
		if e != nil {
			err = e
		}
		return s
	}
	add := func(day calendar.Day, on, kind, says string) *Moment {
		all = append(all, Moment{On: on, Kind: kind, Says: says, day: day})
		return &all[len(all)-1]
	}
	if d != nil {
		for _, f := range []struct{ in, id, kind string }{{"vehicle", "built", "built"}, {"lay_up", "last_ran", "ran"}} {
			if fact := cat.Fact(f.in, f.id); fact != nil && d.Frame.Known(fact.Slot) {
				day := calendar.Day(d.Frame[fact.Slot])
				add(day, year(day), f.kind, say("moment_"+f.kind))
			}
		}
		renewed, on := map[string][]string{}, map[string]calendar.Day{}
		for _, it := range cat.Items {
			last := calendar.NoDay
			for _, place := range d.Items[it.Index].Places {
				last = max(last, place.Renewed)
			}
			if last != calendar.NoDay {
				renewed[year(last)] = append(renewed[year(last)], it.Is)
				on[year(last)] = max(on[year(last)], last)
			}
		}
		for _, of := range slices.Sorted(maps.Keys(renewed)) {
			add(on[of], of, "renewed", say("moment_renewed", strings.Join(renewed[of], ", ")))
		}
	}
	// By day, and in the order in which they came.
	was := map[string]string{}
	for _, h := range slices.Backward(history) {
		if h.State != assess.Done {
			continue
		}
		day, bad := calendar.Parse(h.Outcome.AsOf)
		if bad != nil {
			continue
		}
		m := add(day.Latest(), h.Outcome.AsOf, "inspected", "")
		summed, e := h.Summed()
		if e != nil {
			return nil, e
		}
		for _, g := range summed.Gates {
			switch before := was[g.Gate]; {
			case g.State == score.Clear && before != score.Clear:
				m.Opened = append(m.Opened, g.Gate)
			case g.State != score.Clear && before == score.Clear:
				m.Shut = append(m.Shut, g.Gate)
			}
			was[g.Gate] = g.State
		}
		m.Says = say("moment_inspected")
	}
	slices.SortStableFunc(all, func(x, y Moment) int { return cmp.Compare(x.day, y.day) })
	if len(all) > 0 {
		add(today, today.String(), "now", say("moment_now"))
	}
	for i := 1; i < len(all); i++ {
		switch years := all[i-1].day.YearsTo(all[i].day); {
		case years >= telling && all[i-1].Kind != "built":
			if all[i].Gap, err = p.text.count("gap_years", int(years)); err != nil {
				return nil, err
			}
		case i == len(all)-1:
			if all[i].Gap, err = p.text.count("gap_days", int(today-all[i-1].day)); err != nil {
				return nil, err
			}
		}
	}
	return all, err
}

func year(d calendar.Day) string { return d.String()[:len("2006")] }
