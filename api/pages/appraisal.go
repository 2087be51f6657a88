package pages

import (
	"fmt"
	"html/template"

	"laidup/internal/appraisal"
	"laidup/internal/calendar"
	"laidup/internal/score"
)

// AppraisalView is what a buyer is to know of a vehicle.
type AppraisalView struct {
	Frame
	*appraisal.Appraisal
	Sentence string // what a buyer would take home
	Days     int    // since the last inspection
	Resting  []RestingRow
	Whole    template.HTML // the condition of the whole vehicle
	Systems  []AppraisedRow
	Shown    []appraisal.CarriedRiskOf // the first of the hazards
}

// RestingRow is the share of the chance of harm that rests on one thing.
type RestingRow struct {
	On    string
	Share score.Share
	Plot  template.HTML
}

// AppraisedRow is the condition of one system.
type AppraisedRow struct {
	appraisal.AppraisedSystem
	Plot template.HTML
}

// Appraised makes the view of an appraisal.
func (p *Pages) Appraised(f Frame, a *appraisal.Appraisal, today calendar.Day) AppraisalView {
	v := AppraisalView{Frame: f, Appraisal: a, Sentence: a.InOneSentence(p.words), Days: DaysSince(a.AsOf, today), Whole: span(a.Condition.Range), Shown: a.Risk.Hazards[:min(EntriesAPage, len(a.Risk.Hazards))]}
	on := a.Risk.RestsOn
	v.Resting = []RestingRow{
		{score.RestsOnFound, on.Found, shareBar("found", on.Found)},
		{score.RestsOnTold, on.Told, shareBar("told", on.Told)},
		{score.RestsOnUnknown, on.Unknown, shareBar("unknown", on.Unknown)},
	}
	for _, s := range a.Condition.Systems {
		v.Systems = append(v.Systems, AppraisedRow{s, span(s.Range)})
	}
	return v
}

// Old says whether the answer is too old to be taken for one of today.
func (v AppraisalView) Old() bool { return v.Days > oldAfter }

// shareBar draws a share of a whole.
func shareBar(class string, of score.Share) template.HTML {
	const width, height = 200.0, 14.0
	var s svg
	fmt.Fprintf(&s, `<svg class="span" viewBox="0 0 %g %g" preserveAspectRatio="none" aria-hidden="true">`, width, height)
	s.line("scale", 0, height/2, width, height/2)
	s.rect(class, 0, 3, of.Float()*width, height-6)
	return s.end()
}
