package ruleset

import (
	"fmt"
	"strconv"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/handbook"
)

// Text is a sentence with the places where what was found goes in. The zero value is empty.
type Text struct {
	parts []part
}

type part struct {
	words   string
	slot    int // -1: only words
	finding *catalogue.Finding
}

// compileText reads a sentence in which {found.age} and the like stand for what was found.
func compileText(s, item string, cat *catalogue.Catalogue) (Text, error) {
	var t Text
	for s != "" {
		words, rest, open := strings.Cut(s, "{")
		if words != "" {
			t.parts = append(t.parts, part{words: words, slot: -1})
		}
		if !open {
			break
		}
		name, after, closed := strings.Cut(rest, "}")
		n, ok := cat.Conditions.Name(name, item)
		if !closed || !ok || n.Kind == condition.Text {
			return Text{}, fmt.Errorf("{%s} is not something that can be put in: use {found.x} with a finding of the item that is not text, a fact, or {age}", name)
		}
		p := part{slot: n.Slot, finding: cat.Owner(n.Slot)}
		if n.Slot == cat.AsOf {
			p.finding = &catalogue.Finding{ID: name, Kind: catalogue.Date}
		}
		t.parts = append(t.parts, p)
		s = after
	}
	return t, nil
}

// Reads returns the slots that the sentence names.
func (t Text) Reads() (slots []int) {
	for _, p := range t.parts {
		if p.slot >= 0 {
			slots = append(slots, p.slot)
		}
	}
	return slots
}

// On writes the sentence with the values in a frame.
func (t Text) On(f condition.Frame) string {
	if len(t.parts) == 1 && t.parts[0].slot < 0 {
		return t.parts[0].words
	}
	var b strings.Builder
	for _, p := range t.parts {
		if p.slot < 0 {
			b.WriteString(p.words)
		} else {
			b.WriteString(Say(p.finding, f[p.slot]))
		}
	}
	return b.String()
}

// Say writes a value of a finding as a person would; a nil finding is a plain number.
func Say(f *catalogue.Finding, v float64) string {
	switch {
	case v != v:
		return "unknown"
	case f == nil:
		return number(v)
	}
	switch f.Kind {
	case catalogue.Flag, catalogue.Choice:
		return strings.ReplaceAll(f.Values[int(v)], "_", " ")
	case catalogue.Date:
		return calendar.Day(v).String()
	case catalogue.WeekCode:
		week, year := handbook.TyreWeek(calendar.Day(v))
		return fmt.Sprintf("week %d of %d", week, year)
	case catalogue.Quantity:
		if f.Unit.Sign == "%" {
			return number(v) + " %"
		}
		return strings.TrimSpace(number(v) + " " + f.Unit.Sign)
	}
	return number(v)
}

// number writes at most four significant digits, without an exponent for what occurs in a workshop.
func number(v float64) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 4, 64), 64)
	if err != nil {
		r = v
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}
