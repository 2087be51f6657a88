package pages

import (
	"fmt"
	"html/template"
	"math"
	"slices"

	"laidup/internal/appraisal"
	"laidup/internal/assess"
	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// VehiclesView is the list of vehicles, all judged at one gate.
type VehiclesView struct {
	Frame
	Gate                    string
	Search, Verdict, By     string
	Gates, Verdicts, Orders []string // what may be chosen
	Vehicles                []LotRow
	Total                   int  // that match, on all pages
	More                    bool // others match, that are not among them
	Counts                  []LotCount
	Plot                    template.HTML // all that match; empty: none is judged
	Page, Pages             int
	Previous, Next          string // where the pages are; empty: there is none
	Table                   string // all of it as CSV
}

// LotRow is one vehicle of a list. At is how it stands at the gate of the list; nil: it is not judged at it.
type LotRow struct {
	assess.Vehicle
	At        *assess.SummaryGate
	Condition score.Range
	Days      int // since the last inspection
}

// Old says whether the answer is too old to be taken for one of today.
func (r LotRow) Old() bool { return r.Days > oldAfter }

// LotCount is how many vehicles of a list stand so.
type LotCount struct {
	State string // empty: not judged
	N     int
}

// DaysSince is how many days ago a vehicle was last inspected; 0 where that cannot be told.
func DaysSince(asOf string, today calendar.Day) int {
	day, err := calendar.Parse(asOf)
	if err != nil {
		return 0
	}
	return max(0, int(today-day.Latest()))
}

// VehicleView is everything about one vehicle.
type VehicleView struct {
	Frame
	Vehicle  assess.Vehicle
	Gate     string // that the history is judged at; empty before the first finished assessment
	History  []HistoryRow
	Reports  []ReportRow   // the last that came first; those that were withdrawn among them
	More     bool          // there are more reports than these
	Assessed *AssessedView // nil before the first finished assessment
	Moments  []Moment      // of its life, oldest first
	Plans    []assess.Plan // the last that were ordered first
}

// photosAnItem is how many photos of an item stand beside what is in the way of it.
const photosAnItem = 6

// PhotosOf has the newest photos of an item, by the reports shown that stand.
func (v VehicleView) PhotosOf(item string) (shown []assess.Shown) {
	for _, r := range v.Reports {
		for _, p := range r.Photos {
			if r.WithdrawnAt.IsZero() && p.Item == item && len(shown) < photosAnItem && !slices.Contains(shown, p) {
				shown = append(shown, p)
			}
		}
	}
	return shown
}

// ReportRow is one report on a vehicle, with what it says besides its findings.
type ReportRow struct {
	assess.Report
	assess.Said
}

// HistoryRow is one assessment of a vehicle, judged at the gate of the page.
type HistoryRow struct {
	assess.Assessment
	At       *assess.GateState // nil: not finished, or it has no such gate
	Coverage score.Coverage
}

// AssessedView is an assessment in the form in which pages show it.
type AssessedView struct {
	*score.Assessment
	Asked    score.Gate
	Sentence string // how the gate asked about stands
	Days     int    // since the last inspection
	Old      bool   // so long that the answer must not be taken for one of today
	Rungs    []Rung
	Blocking []BlockerView // of the gate asked about
	Outline  Outline
	Look     []LookRow
	Split    template.HTML
	Matrix   []MatrixRow
	Entries  []EntryView
	From     int // rank of the first entry shown
	More     int // entries after those shown
	NextRank int // the first of those
	Systems  []SystemRow
	Whole    template.HTML // the condition of the whole vehicle
	Worst    []score.Entry
	// The shares of all risk that rest on what was found, on somebody's word, and on what nobody knows.
	Found, Told, Unknown score.Share
}

// oldAfter is after how many days an answer looks old: a vehicle that stands in the open changes with the weather.
// Common practice.
const oldAfter = 30

// Basis is what the view of an assessment is made of besides the assessment.
type Basis struct {
	Catalogue *catalogue.Catalogue
	Dossier   *report.Dossier     // nil: its reports cannot be read any more
	Earlier   []*score.Assessment // of the same rule set, oldest first
	Today     calendar.Day
	// Ways says by which methods what clears a blocker may be known; nil: that is not said.
	Ways func(score.Clearing) []string
}

// Rung is a gate with its chance, and what the last visit made of it.
type Rung struct {
	score.Gate
	Plot template.HTML
	Was  *score.Gate // by the assessment before; nil: there is none
}

// BlockerView is a blocker with what to do about it.
type BlockerView struct {
	score.Blocker
	Brief string
	Steps []ClearingStep
}

// Card is a blocker with the photos of its item.
type Card struct {
	BlockerView
	Photos []assess.Shown
}

// stateOf is the state that a kind of blocker makes of a gate.
func stateOf(kind string) string {
	if kind == score.Unproven {
		return score.Unproven
	}
	return score.Blocked
}

// shownFirst is how many blockers a page shows; the others are folded.
const shownFirst = 3

func first(all []BlockerView) []BlockerView { return all[:min(shownFirst, len(all))] }
func rest(all []BlockerView) []BlockerView  { return all[min(shownFirst, len(all)):] }

// ClearingStep is what has to be found on one item.
type ClearingStep struct {
	Is      string
	Minutes string   // that a first look takes; empty: nobody knows
	Access  string   // what has to be off first; empty: nothing
	Ways    []string // methods that are believed
}

// LookRow is an item to be looked at next.
type LookRow struct {
	score.Look
	Item string
}

// MatrixRow is one probability level of the risk matrix, with the entries of each severity.
type MatrixRow struct {
	Level string
	Cells []MatrixCell
}

// MatrixCell is one cell.
type MatrixCell struct {
	Risk  string // of the cell
	Count int    // of its entries
	Ranks []int  // of its first entries
	More  int    // entries besides
}

// ranksACell is how many entries a cell of the matrix names.
const ranksACell = 4

// EntryView is one entry of the register with its arithmetic.
type EntryView struct {
	score.Entry
	Causes []CauseView
}

// CauseView is a fault that may do the harm, with the ledger of its probability.
type CauseView struct {
	score.Cause
	Bars []BarView
}

// BarView is one weight.
type BarView struct {
	Label string
	DB    string
	Plot  template.HTML
}

// SystemRow is the condition of one system.
type SystemRow struct {
	Is   string
	Plot template.HTML
	score.Range
}

// EntriesAPage is how many entries of the register a page shows.
const EntriesAPage = 10

// Assessed makes the view of an assessment: the gate asked about, and the entries of the register from
// a rank on.
func (p *Pages) Assessed(a *score.Assessment, gate string, from int, on Basis) (*AssessedView, error) {
	cat := on.Catalogue
	v := &AssessedView{Assessment: a, From: max(1, from)}
	v.Asked = a.Gates[0]
	for _, g := range a.Gates {
		if g.Gate == gate || gate == "" && g.Gate == a.Verdict.Gate {
			v.Asked = g
		}
	}
	v.Sentence = p.words.Verdict(a, v.Asked.Gate)
	v.Days = DaysSince(a.AsOf, on.Today)
	v.Old = v.Days > oldAfter
	v.Rungs = rungs(a, on.Earlier)
	for _, b := range a.BlockersBy(v.Asked.Gate) {
		v.Blocking = append(v.Blocking, p.blocker(b, on))
	}
	for _, l := range a.LookNext {
		v.Look = append(v.Look, LookRow{l, itemName(cat, l.Item)})
	}
	rests := restsOn(a.Register)
	v.Found, v.Told, v.Unknown = rests.share(score.RestsOnFound), rests.share(score.RestsOnTold), rests.share(score.RestsOnUnknown)
	v.Worst = a.Register[:min(3, len(a.Register))]
	var err error
	if v.Outline, err = p.outlined(a, v.Asked.Gate, cat, on.Dossier); err != nil {
		return nil, err
	}
	say := func(key string, args ...any) string {
		s, e := p.text.say(key, args...)
		if e != nil {
			err = e
		}
		return s
	}
	v.Split = split("split", say("split_title", p.words.Percent(v.Found), p.words.Percent(v.Told)), rests)
	v.Matrix = matrix(a.Register)
	prior, shifts, total := say("prior"), say("shifts"), say("total")
	for _, e := range a.Register {
		if e.Rank < v.From || len(v.Entries) == EntriesAPage {
			continue
		}
		ev := EntryView{Entry: e}
		for _, c := range e.Causes {
			cv := CauseView{Cause: c}
			for _, b := range p.bars(c, prior, shifts, total) {
				cv.Bars = append(cv.Bars, BarView{b.Label, fmt.Sprintf("%+.1f", b.DB), weights(b)})
			}
			ev.Causes = append(ev.Causes, cv)
		}
		v.Entries = append(v.Entries, ev)
	}
	v.NextRank = v.From + len(v.Entries)
	v.More = max(0, len(a.Register)-(v.From-1)-len(v.Entries))
	v.Whole = span(a.Condition.Range)
	for _, s := range a.Condition.Systems {
		v.Systems = append(v.Systems, SystemRow{systemName(cat, s.System), span(s.Range), s.Range})
	}
	return v, err
}

// Lived lays out the life of the vehicle of a view.
func (p *Pages) Lived(v *VehicleView, history []assess.Assessment, on Basis) (err error) {
	v.Moments, err = p.timeline(on.Catalogue, on.Dossier, history, on.Today)
	return err
}

// rungs puts beside each gate how its chance has moved.
func rungs(a *score.Assessment, earlier []*score.Assessment) (all []Rung) {
	for _, g := range a.Gates {
		r := Rung{Gate: g}
		var was []score.Share
		for _, e := range earlier {
			for i := range e.Gates {
				if e.Gates[i].Gate == g.Gate {
					was, r.Was = append(was, e.Gates[i].ChanceThrough), &e.Gates[i]
				}
			}
		}
		r.Plot = strip(g, was)
		all = append(all, r)
	}
	return all
}

// blocker says what to do about a blocker.
func (p *Pages) blocker(b score.Blocker, on Basis) BlockerView {
	v := BlockerView{Blocker: b, Brief: p.words.Briefly(b.Reason)}
	for _, c := range b.ClearBy {
		step := ClearingStep{Is: p.words.Clearing([]score.Clearing{c})}
		if it := on.Catalogue.Item(c.Item); it != nil {
			step.Minutes = fmt.Sprintf("%.0f", it.Minutes)
			if it.Access != "none" {
				step.Access = it.Access
			}
			if on.Ways != nil {
				step.Ways = on.Ways(c)
			}
		}
		v.Steps = append(v.Steps, step)
	}
	return v
}

// resting is how much of all risk rests on what.
type resting map[string]float64

// restsOn says what the risk of a register rests on.
func restsOn(register []score.Entry) resting {
	on := resting{}
	for _, e := range register {
		on[e.RestsOn] += e.RiskIndex.Float()
	}
	return on
}

func (r resting) total() float64 {
	return r[score.RestsOnFound] + r[score.RestsOnTold] + r[score.RestsOnUnknown]
}

// share is the part of all risk that rests on one thing.
func (r resting) share(on string) score.Share { return shareOf(r[on], r.total()) }

// allOfIt is the share that leaves nothing out.
const allOfIt score.Share = 1e10

// shareOf is a part of a whole. What is a part and not the whole stays one, however close it comes.
func shareOf(part, of float64) score.Share {
	switch share := score.Share(math.Round(1e10 * part / of)); {
	case of <= 0 || part <= 0:
		return 0
	case part >= of:
		return 1e10
	default:
		return max(1, min(share, 1e10-1))
	}
}

var severities = []ruleset.Severity{ruleset.Catastrophic, ruleset.Critical, ruleset.Marginal, ruleset.Negligible}

// matrix puts the entries into the cells of MIL-STD-882E, Table III.
func matrix(register []score.Entry) []MatrixRow {
	var rows []MatrixRow
	for _, level := range []string{"A", "B", "C", "D", "E"} {
		row := MatrixRow{Level: level}
		for _, s := range severities {
			cell := MatrixCell{Risk: score.RiskOf(s, level[0]).String()}
			for _, e := range register {
				if e.Level != level || e.Severity != s.String() {
					continue
				}
				cell.Count++
				switch {
				case len(cell.Ranks) < ranksACell:
					cell.Ranks = append(cell.Ranks, e.Rank)
				default:
					cell.More++
				}
			}
			row.Cells = append(row.Cells, cell)
		}
		rows = append(rows, row)
	}
	return rows
}

func itemName(cat *catalogue.Catalogue, id string) string {
	if it := cat.Item(id); it != nil {
		return it.Is
	}
	return wording.Spaced(id)
}

func systemName(cat *catalogue.Catalogue, id string) string {
	for _, s := range cat.Systems {
		if s.ID == id {
			return s.Is
		}
	}
	return wording.Spaced(id)
}

// CompareView is up to twenty vehicles side by side, judged at one gate.
type CompareView struct {
	Frame
	Asked    []string // references, as they were asked for
	Missing  []string // references of which nothing is known
	Vehicles []ComparedVehicle
	Gates    []string // that they have
	Gate, By string
	Choices  []string // gates that may be chosen
	Orders   []string
}

// ComparedVehicle is one of them.
type ComparedVehicle struct {
	Vehicle   assess.Vehicle
	Assessed  *AssessedView
	Appraisal *appraisal.Appraisal // nil where it cannot be appraised
	Sentence  string               // what a buyer would take home; empty without an appraisal
}

// SheetView is a sheet to print, on the screen.
type SheetView struct {
	Frame
	Sheet  *Sheet
	PDF    string // where it is as PDF
	Others []SheetLink
}

// SheetLink leads to a sheet.
type SheetLink struct {
	Name, At string
	Here     bool
}

// ReadyView is the answer to the one question before a gate.
type ReadyView struct {
	Frame
	assess.Readiness
	Description string
	Sentence    string // how the gate stands
	Days        int    // since the last inspection
	Gates       []string
	Coverage    score.Coverage
	Hand        []string // what to have at hand before any start
}

// Old says whether the answer is too old to be taken for one of today.
func (v ReadyView) Old() bool { return v.Days > oldAfter }

// ChangesView is what has changed between two assessments.
type ChangesView struct {
	Frame
	Vehicle  string
	From, To *score.Assessment
	Changes  score.Changes
}

// SignInView asks for a key.
type SignInView struct {
	Frame
	Next   string
	Failed bool
}

// ProblemView says what went wrong.
type ProblemView struct {
	Frame
	Heading, Detail, Instance string
}
