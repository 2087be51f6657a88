package api

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"laidup/api/wire"
	"laidup/internal/appraisal"
	"laidup/internal/assess"
	"laidup/internal/score"
)

func (a *API) getAppraisal(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	p, err := wire.Appraise(r, reference, r.Query.Get("gate"))
	if err != nil {
		return wire.Reply{}, err
	}
	if r.Media == wire.MediaCSV {
		return wire.CSVReply("appraisal-"+p.Vehicle, wire.Table(factColumns, factsOf(p))), nil
	}
	return wire.Reply{Body: p}, nil
}

// fact is one line of an appraisal as a spreadsheet has it: whatever has no figure, or no range,
// leaves the cell empty.
type fact struct {
	section, name, at, is, state       string
	value, low, high, minutes, restsOn string
	because                            string
}

var factColumns = []wire.Column[fact]{
	{Name: "section", Cell: func(f fact) string { return f.section }},
	{Name: "name", Cell: func(f fact) string { return f.name }},
	{Name: "at", Cell: func(f fact) string { return f.at }},
	{Name: "is", Cell: func(f fact) string { return f.is }},
	{Name: "state", Cell: func(f fact) string { return f.state }},
	{Name: "value", Cell: func(f fact) string { return f.value }},
	{Name: "low", Cell: func(f fact) string { return f.low }},
	{Name: "high", Cell: func(f fact) string { return f.high }},
	{Name: "minutes", Cell: func(f fact) string { return f.minutes }},
	{Name: "rests_on", Cell: func(f fact) string { return f.restsOn }},
	{Name: "because", Cell: func(f fact) string { return f.because }},
}

// factsOf lays an appraisal out in lines, in the order in which it is read.
func factsOf(p *appraisal.Appraisal) []fact {
	list := []fact{
		{section: "vehicle", name: p.Vehicle, is: p.Description, because: fmt.Sprintf("as of %s, by rule set %s %s", p.AsOf, p.RuleSet.Name, p.RuleSet.Version)},
		{section: "risk", name: "chance_of_harm", is: p.Risk.Gate, value: number(p.Risk.ChanceOfHarm), low: end(p.Risk.ChanceOfHarmLow), high: end(p.Risk.ChanceOfHarmHigh), because: p.Risk.Because},
		{section: "risk", name: "without_the_word", is: p.Risk.Gate, value: number(p.Risk.WithoutTheWord)},
		{section: "risk", name: "share_found", value: number(p.Risk.RestsOn.Found), restsOn: score.RestsOnFound},
		{section: "risk", name: "share_told", value: number(p.Risk.RestsOn.Told), restsOn: score.RestsOnTold},
		{section: "risk", name: "share_unknown", value: number(p.Risk.RestsOn.Unknown), restsOn: score.RestsOnUnknown},
	}
	for _, g := range p.Gates {
		list = append(list, fact{section: "gate", name: g.Gate, is: g.Is, state: g.State, value: number(g.ChanceThrough), low: end(g.ChanceThroughLow), high: end(g.ChanceThroughHigh), because: g.Because})
	}
	list = append(list,
		fact{section: "condition", name: "whole", value: number(p.Condition.Expected), low: number(p.Condition.Low), high: number(p.Condition.High), because: p.Condition.Because},
		fact{section: "coverage", name: "whole", value: number(p.Coverage.LookedAtShare), because: p.Coverage.Because})
	for _, s := range p.Condition.Systems {
		list = append(list,
			fact{section: "condition", name: s.System, is: s.Is, value: number(s.Expected), low: number(s.Low), high: number(s.High), because: s.Because},
			fact{section: "coverage", name: s.System, is: s.Is, value: number(s.Coverage.LookedAtShare), because: s.Coverage.Because})
	}
	for _, w := range p.Condition.Widest {
		list = append(list, fact{section: "widens", name: w.Item, is: w.Is, value: number(w.Points), because: w.Because})
	}
	list = append(list, fact{section: "unknown", name: p.Unknown.Gate, value: strconv.Itoa(p.Unknown.Items), minutes: number(p.Unknown.Minutes), because: p.Unknown.Because})
	for _, l := range p.Unknown.LookNext {
		list = append(list, fact{section: "look_next", name: l.Item, is: l.Is, state: l.Access, value: number(l.RiskIndex), minutes: number(l.Minutes)})
	}
	for _, c := range p.Conflicts {
		list = append(list, fact{section: "conflict", name: c.Item + "." + c.Finding, at: c.At, is: c.Is, state: c.Counts, because: c.Because})
	}
	list = append(list, fact{section: "vin", name: "vin", is: p.VIN.VIN, because: strings.Join(p.VIN.Cautions, "; ")})
	for _, b := range p.Blockers {
		list = append(list, fact{section: "blocker", name: b.Item, at: strings.Join(b.At, " "), is: b.Gate, state: b.Kind, because: b.Because})
	}
	for _, h := range p.Risk.Hazards {
		list = append(list, fact{section: "hazard", name: h.Hazard, is: h.What, state: h.Risk, value: number(h.Probability), low: end(h.Low), high: end(h.High), restsOn: h.RestsOn, because: h.Because})
	}
	for _, c := range p.Cautions {
		list = append(list, fact{section: "caution", because: c})
	}
	return list
}

// How many vehicles are appraised side by side, and the gate whose chance they are compared by unless
// another is named: one for all, whatever their assessments were about.
const (
	fewestAppraised = 2
	mostAppraised   = 50
	comparedBy      = "first_start"
)

// comparison has vehicles side by side.
type comparison struct {
	Gate     string         `json:"gate"` // whose chance and whose unknowns are compared
	Sort     string         `json:"sort"`
	Vehicles []appraisedRow `json:"vehicles"`
	Cautions []string       `json:"cautions"`
}

// appraisedRow is one vehicle of a comparison. State is appraised, not_assessed, cannot_be_appraised
// or unknown; of all but the first there are no figures, and Because says why.
type appraisedRow struct {
	Vehicle     string   `json:"vehicle"`
	Description string   `json:"description"`
	State       string   `json:"state"`
	Because     string   `json:"because"`
	Figures     *figures `json:"figures"`
}

// figures are what vehicles are compared by. ChanceThrough, State, Blockers and what is unknown are of
// the gate compared by.
type figures struct {
	ChanceThrough      score.Share             `json:"chance_through"`
	ChanceThroughLow   score.Share             `json:"chance_through_low,omitzero"`
	ChanceThroughHigh  score.Share             `json:"chance_through_high,omitzero"`
	State              string                  `json:"state"`
	Blockers           int                     `json:"blockers"`
	ChanceOfHarm       score.Share             `json:"chance_of_harm"`
	ChanceOfHarmLow    score.Share             `json:"chance_of_harm_low,omitzero"`
	ChanceOfHarmHigh   score.Share             `json:"chance_of_harm_high,omitzero"`
	WithoutTheWord     score.Share             `json:"without_the_word"`
	RestsOn            appraisal.RestingShares `json:"rests_on"`
	Condition          score.Range             `json:"condition"`
	LookedAtShare      score.Share             `json:"looked_at_share"`
	MeasuredShare      score.Share             `json:"measured_share"`
	ToldShare          score.Share             `json:"told_share"`
	UnknownItems       int                     `json:"unknown_items"`
	UnknownMinutes     score.Number            `json:"unknown_minutes"`
	Conflicts          int                     `json:"conflicts"`
	VINCautions        int                     `json:"vin_cautions"`
	AsOf               string                  `json:"as_of"`
	Assessment         string                  `json:"assessment"`
	RuleSet            score.RuleSet           `json:"rule_set"`
	NewerReportWaiting bool                    `json:"newer_report_waiting"`
	Link               string                  `json:"link"`
}

// What becomes of a vehicle in a comparison.
const (
	rowAppraised   = "appraised"
	rowNotAssessed = "not_assessed"
	rowCannot      = "cannot_be_appraised"
	rowUnknown     = "unknown"
)

func figuresOf(p *appraisal.Appraisal) *figures {
	at := slices.IndexFunc(p.Gates, func(g appraisal.AppraisedGate) bool { return g.Gate == p.Gate })
	g := p.Gates[at]
	return &figures{
		ChanceThrough: g.ChanceThrough, ChanceThroughLow: g.ChanceThroughLow, ChanceThroughHigh: g.ChanceThroughHigh,
		State: g.State, Blockers: g.Blockers,
		ChanceOfHarm: p.Risk.ChanceOfHarm, ChanceOfHarmLow: p.Risk.ChanceOfHarmLow, ChanceOfHarmHigh: p.Risk.ChanceOfHarmHigh,
		WithoutTheWord: p.Risk.WithoutTheWord, RestsOn: p.Risk.RestsOn, Condition: p.Condition.Range,
		LookedAtShare: p.Coverage.LookedAtShare, MeasuredShare: p.Coverage.MeasuredShare, ToldShare: p.Coverage.ToldShare,
		UnknownItems: p.Unknown.Items, UnknownMinutes: p.Unknown.Minutes, Conflicts: len(p.Conflicts), VINCautions: len(p.VIN.Cautions),
		AsOf: p.AsOf, Assessment: p.Assessment, RuleSet: p.RuleSet, NewerReportWaiting: p.NewerReportWaiting, Link: "/v1/vehicles/" + p.Vehicle + "/appraisal",
	}
}

// comparisons has the orders of a comparison by name: what is best for a buyer comes first. Asked is
// the order in which they were named.
var comparisons = map[string]func(x, y *figures) int{
	"chance":    func(x, y *figures) int { return cmp.Compare(y.ChanceThrough, x.ChanceThrough) },
	"harm":      func(x, y *figures) int { return cmp.Compare(x.ChanceOfHarm, y.ChanceOfHarm) },
	"condition": func(x, y *figures) int { return cmp.Compare(y.Condition.Expected, x.Condition.Expected) },
	"known":     func(x, y *figures) int { return cmp.Compare(y.LookedAtShare, x.LookedAtShare) },
	"minutes":   func(x, y *figures) int { return cmp.Compare(x.UnknownMinutes, y.UnknownMinutes) },
	"asked":     func(*figures, *figures) int { return 0 },
}

var comparisonNames = []string{"chance", "harm", "condition", "known", "minutes", "asked"}

func (a *API) listAppraisals(r *wire.Request) (wire.Reply, error) {
	asked := r.Query["vehicle"]
	if len(asked) < fewestAppraised || len(asked) > mostAppraised {
		return wire.Reply{}, wire.BadQuery.Says("name %d to %d vehicles, each as vehicle=: %d came", fewestAppraised, mostAppraised, len(asked))
	}
	out := comparison{Gate: cmp.Or(r.Query.Get("gate"), comparedBy), Sort: cmp.Or(r.Query.Get("sort"), comparisonNames[0]), Cautions: []string{}}
	order, ok := comparisons[out.Sort]
	if !ok {
		return wire.Reply{}, wire.BadQuery.Says("sort is one of %s", strings.Join(comparisonNames, ", "))
	}
	for i, reference := range asked {
		if slices.Contains(asked[:i], reference) {
			return wire.Reply{}, wire.BadQuery.Says("vehicle %q is named twice", wire.Clip(reference))
		}
		row, err := a.appraisedRow(r, reference, out.Gate)
		if err != nil {
			return wire.Reply{}, err
		}
		out.Vehicles = append(out.Vehicles, row)
	}
	slices.SortStableFunc(out.Vehicles, func(x, y appraisedRow) int {
		switch {
		case out.Sort == "asked":
			return 0
		case x.Figures == nil || y.Figures == nil:
			// Those of which there is nothing to compare come last.
			return cmp.Compare(btoi(x.Figures == nil), btoi(y.Figures == nil))
		}
		return cmp.Or(order(x.Figures, y.Figures), cmp.Compare(x.Vehicle, y.Vehicle))
	})
	out.Cautions = odd(out.Vehicles)
	if r.Media == wire.MediaCSV {
		return wire.CSVReply("appraisals", wire.Table(rowColumns, out.Vehicles)), nil
	}
	return wire.Reply{Body: out}, nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// appraisedRow is the row of one vehicle. That there is nothing to be said of it is no error.
func (a *API) appraisedRow(r *wire.Request, reference, gate string) (appraisedRow, error) {
	row := appraisedRow{Vehicle: reference, State: rowUnknown, Because: "there is no such vehicle"}
	if !wire.IsName(reference) {
		row.Vehicle = wire.Clip(reference)
		return row, nil
	}
	p, err := wire.Appraise(r, reference, gate)
	var none *assess.NoSuchGateError
	var failed *wire.Problem
	switch {
	case err == nil:
		row.Description, row.State, row.Because, row.Figures = p.Description, rowAppraised, p.Risk.Because, figuresOf(p)
	case errors.Is(err, assess.ErrNotFound):
	case errors.Is(err, assess.ErrNotAssessedYet):
		row.State, row.Because = rowNotAssessed, "none of its assessments is finished"
	case errors.As(err, &none):
		row.State, row.Because = rowCannot, fmt.Sprintf("its assessment knows no gate %s: its gates are %s", wire.Clip(gate), strings.Join(none.Gates, ", "))
	case errors.As(err, &failed):
		row.State, row.Because = rowCannot, failed.Detail
	default:
		return row, err
	}
	return row, nil
}

// odd says what makes rows hard to compare.
func odd(rows []appraisedRow) []string {
	sets, waiting, missing := map[string]bool{}, 0, 0
	for _, v := range rows {
		if v.Figures == nil {
			missing++
			continue
		}
		sets[v.Figures.RuleSet.Digest] = true
		waiting += btoi(v.Figures.NewerReportWaiting)
	}
	list := []string{}
	if len(sets) > 1 {
		list = append(list, "The vehicles were assessed under different rule sets: their figures are not of one measure.")
	}
	if waiting > 0 {
		list = append(list, fmt.Sprintf("A newer report is waiting of %d of them: their figures may change any moment.", waiting))
	}
	if missing > 0 {
		list = append(list, fmt.Sprintf("Of %d of them there are no figures: that says nothing good of them.", missing))
	}
	return list
}

// rowColumns has the columns of a comparison; where a vehicle has no figures the cells are empty.
var rowColumns = func() []wire.Column[appraisedRow] {
	figure := func(name string, cell func(*figures) string) wire.Column[appraisedRow] {
		return wire.Column[appraisedRow]{Name: name, Cell: func(v appraisedRow) string {
			if v.Figures == nil {
				return ""
			}
			return cell(v.Figures)
		}}
	}
	return []wire.Column[appraisedRow]{
		{Name: "vehicle", Cell: func(v appraisedRow) string { return v.Vehicle }},
		{Name: "description", Cell: func(v appraisedRow) string { return v.Description }},
		{Name: "appraised", Cell: func(v appraisedRow) string { return v.State }},
		figure("chance_through", func(f *figures) string { return number(f.ChanceThrough) }),
		figure("chance_through_low", func(f *figures) string { return end(f.ChanceThroughLow) }),
		figure("chance_through_high", func(f *figures) string { return end(f.ChanceThroughHigh) }),
		figure("state", func(f *figures) string { return f.State }),
		figure("blockers", func(f *figures) string { return strconv.Itoa(f.Blockers) }),
		figure("chance_of_harm", func(f *figures) string { return number(f.ChanceOfHarm) }),
		figure("chance_of_harm_low", func(f *figures) string { return end(f.ChanceOfHarmLow) }),
		figure("chance_of_harm_high", func(f *figures) string { return end(f.ChanceOfHarmHigh) }),
		figure("without_the_word", func(f *figures) string { return number(f.WithoutTheWord) }),
		figure("share_found", func(f *figures) string { return number(f.RestsOn.Found) }),
		figure("share_told", func(f *figures) string { return number(f.RestsOn.Told) }),
		figure("share_unknown", func(f *figures) string { return number(f.RestsOn.Unknown) }),
		figure("condition", func(f *figures) string { return number(f.Condition.Expected) }),
		figure("condition_low", func(f *figures) string { return number(f.Condition.Low) }),
		figure("condition_high", func(f *figures) string { return number(f.Condition.High) }),
		figure("looked_at_share", func(f *figures) string { return number(f.LookedAtShare) }),
		figure("measured_share", func(f *figures) string { return number(f.MeasuredShare) }),
		figure("told_share", func(f *figures) string { return number(f.ToldShare) }),
		figure("unknown_items", func(f *figures) string { return strconv.Itoa(f.UnknownItems) }),
		figure("unknown_minutes", func(f *figures) string { return number(f.UnknownMinutes) }),
		figure("conflicts", func(f *figures) string { return strconv.Itoa(f.Conflicts) }),
		figure("vin_cautions", func(f *figures) string { return strconv.Itoa(f.VINCautions) }),
		figure("as_of", func(f *figures) string { return f.AsOf }),
		figure("rule_set", func(f *figures) string { return f.RuleSet.Name + " " + f.RuleSet.Version }),
		figure("assessment", func(f *figures) string { return f.Assessment }),
		figure("newer_report_waiting", func(f *figures) string { return strconv.FormatBool(f.NewerReportWaiting) }),
		{Name: "because", Cell: func(v appraisedRow) string { return v.Because }},
	}
}()
