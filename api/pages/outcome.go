package pages

import (
	"cmp"
	"fmt"
	"html/template"
	"math"
	"slices"

	"laidup/internal/assess"
	"laidup/internal/outcome"
	"laidup/internal/score"
)

// ScoresView shows how good the forecasts were.
type ScoresView struct {
	Frame
	Scores   assess.Scores
	Diagrams []Diagram
	Worst    []assess.ScoredSeries // families of faults, the worst calibrated first
}

// Diagram is a reliability diagram with what it is of.
type Diagram struct {
	Of   assess.ScoredSeries
	Plot template.HTML
}

// familiesShown is how many families are listed.
const familiesShown = 10

// Judged puts the view together of the scores of gates and of families of faults.
func (p *Pages) Judged(v ScoresView, families []assess.ScoredSeries) (ScoresView, error) {
	across, err := p.Say("forecast")
	if err != nil {
		return v, err
	}
	up, err := p.Say("came_true")
	if err != nil {
		return v, err
	}
	for i, s := range v.Scores.Scored {
		title, err := p.Say("reliability_of", s.Name)
		if err != nil {
			return v, err
		}
		v.Diagrams = append(v.Diagrams, Diagram{s, reliability(fmt.Sprint("reliability-", i), title, across, up, s.Scores.Bands)})
	}
	surprise := func(s assess.ScoredSeries) float64 {
		if s.Scores.Surprise == nil {
			return 1
		}
		return *s.Scores.Surprise
	}
	v.Worst = slices.SortedStableFunc(slices.Values(families), func(a, b assess.ScoredSeries) int { return cmp.Compare(surprise(a), surprise(b)) })
	v.Worst = v.Worst[:min(familiesShown, len(v.Worst))]
	return v, nil
}

// reliability draws how often came true what was forecast, each band with its 95 % interval and how many there are. Both
// scales are logarithmic from 1 in 10,000; what never came stands at their foot.
func reliability(id, title, across, up string, bands []outcome.Band) template.HTML {
	const size, left, bottom, top, least = 300.0, 56.0, 44.0, 12.0, 1e-4
	s := newSVG(id, "reliability", title, left+size+40, top+size+bottom)
	at := func(p float64) float64 { return size * (1 - math.Log10(math.Max(p, least))/math.Log10(least)) }
	x := func(p float64) float64 { return left + at(p) }
	y := func(p float64) float64 { return top + size - at(p) }
	for _, p := range []float64{1e-4, 1e-3, 1e-2, 1e-1, 1} {
		s.line("grid", x(p), top, x(p), top+size)
		s.line("grid", left, y(p), left+size, y(p))
		label := fmt.Sprintf("%g %%", p*100)
		s.text("tick middle", x(p), top+size+16, label)
		s.text("tick end", left-6, y(p)+4, label)
	}
	s.text("middle", left+size/2, top+size+36, across)
	s.text("", left+4, top+12, up)
	s.line("even", x(least), y(least), x(1), y(1))
	for _, b := range bands {
		if b.Mean == nil || b.Rate == nil || b.RateIn == nil {
			continue
		}
		s.line("expected", x(*b.Mean), y(b.RateIn.Low), x(*b.Mean), y(b.RateIn.High))
		s.rect("dot", x(*b.Mean)-4, y(*b.Rate)-4, 8, 8)
		s.text("tick", x(*b.Mean)+7, y(*b.Rate)+4, fmt.Sprintf("%d/%d", b.Events, b.Seen))
	}
	return s.end()
}

// RecordView asks what came of an attempt, and what parts were like.
type RecordView struct {
	Frame
	Vehicle, Is string
	Assessment  string
	Gate        string
	Gates       []string
	Stamp       string // tells two taps on one button from two attempts
	Hazards     []score.Entry
	Parts       []score.Cause // likeliest bad first
	Outcomes    []assess.RecordedOutcome
}

// Asking puts the view together of an assessment: what may have come of the gate, and which parts may be in the hand.
func Asking(v RecordView, a *score.Assessment) RecordView {
	seen := map[string]bool{}
	for _, g := range a.Gates {
		v.Gates = append(v.Gates, g.Gate)
	}
	for _, e := range a.Register {
		if e.Gate == v.Gate {
			v.Hazards = append(v.Hazards, e)
		}
		for _, c := range e.Causes {
			if !seen[c.Fault] {
				seen[c.Fault] = true
				v.Parts = append(v.Parts, c)
			}
		}
	}
	slices.SortStableFunc(v.Hazards, func(a, b score.Entry) int { return cmp.Compare(b.Probability, a.Probability) })
	slices.SortStableFunc(v.Parts, func(a, b score.Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return v
}
