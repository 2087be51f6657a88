package api

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"laidup/api/wire"
	"laidup/internal/calendar"
	"laidup/internal/plan"
)

// calendarOf writes the schedule of a plan, and what to order by when, as iCalendar (RFC 5545): one event for each day of
// work, and one for each day on which something is to be ordered. made is when the plan was ordered, so that the same
// plan has the same bytes each time.
func calendarOf(p *plan.Plan, made time.Time) wire.Raw {
	w := &icalendar{stamp: made.UTC().Format("20060102T150405Z"), id: p.ID}
	w.line("BEGIN", "VCALENDAR")
	w.line("VERSION", "2.0")
	w.line("PRODID", "-//laidup//plan//EN")
	w.line("CALSCALE", "GREGORIAN")
	for begin := 0; begin < len(p.Order); {
		end := begin
		var parts []string
		for ; end < len(p.Order) && p.Order[end].OrderBy == p.Order[begin].OrderBy; end++ {
			o := p.Order[end]
			text := fmt.Sprintf("%d × %s, for step %d on %s", o.Times, o.Is, o.Step, o.Planned)
			if o.Late {
				text += "; may hold up the rest"
			}
			parts = append(parts, text)
		}
		w.event("order", p.Order[begin].OrderBy, fmt.Sprintf("Order parts for %s (%d)", p.Vehicle, len(parts)), parts)
		begin = end
	}
	for begin := 0; begin < len(p.Steps); {
		end, minutes := begin, int64(0)
		var steps []string
		for ; end < len(p.Steps) && p.Steps[end].Day == p.Steps[begin].Day; end++ {
			s := p.Steps[end]
			minutes += s.Minutes.Likely * int64(s.People)
			steps = append(steps, fmt.Sprintf("%d. %s (%s)", s.Step, actIs(s), hoursText(s.Minutes.Likely)))
		}
		w.event("work", p.Steps[begin].Day, fmt.Sprintf("%s: steps %d to %d, %s", p.Vehicle, p.Steps[begin].Step, p.Steps[end-1].Step, hoursText(minutes)), steps)
		begin = end
	}
	w.line("END", "VCALENDAR")
	return wire.Raw(w.b.String())
}

// actIs is what a step does.
func actIs(s plan.Doing) string {
	switch s.Act {
	case plan.Opens:
		return "open: " + s.Is
	case plan.Shuts:
		return "shut: " + s.Is
	}
	return s.Is
}

func hoursText(minutes int64) string { return fmt.Sprintf("%.1f h", float64(minutes)/60) }

// icalendar writes lines as RFC 5545 has them.
type icalendar struct {
	b         strings.Builder
	stamp, id string
}

// event writes an event that takes a day. What the day cannot be read of is left out.
func (w *icalendar) event(kind, day, summary string, lines []string) {
	date, err := calendar.Parse(day)
	if err != nil {
		return
	}
	compact := func(d calendar.Day) string { return strings.ReplaceAll(d.String(), "-", "") }
	w.line("BEGIN", "VEVENT")
	w.line("UID", fmt.Sprintf("%s-%s-%s@laidup", w.id, kind, day))
	w.line("DTSTAMP", w.stamp)
	w.line("DTSTART;VALUE=DATE", compact(date.Earliest()))
	w.line("DTEND;VALUE=DATE", compact(date.Earliest()+1))
	w.line("SUMMARY", inText(summary))
	w.line("DESCRIPTION", inText(strings.Join(lines, "\n")))
	w.line("TRANSP", "TRANSPARENT")
	w.line("END", "VEVENT")
}

// inText escapes a text.
func inText(s string) string {
	return strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\r\n", `\n`, "\n", `\n`, "\r", "").Replace(s)
}

// longest is how many bytes a line may have, its end left out.
const longest = 75

// line writes a line, folded between runes.
func (w *icalendar) line(name, value string) {
	text := name + ":" + value
	for room := longest; len(text) > room; room = longest - 1 {
		cut := room
		for !utf8.RuneStart(text[cut]) {
			cut--
		}
		w.b.WriteString(text[:cut] + "\r\n ")
		text = text[cut:]
	}
	w.b.WriteString(text + "\r\n")
}
