package pages

import (
	"fmt"
	"html/template"
	"math"
	"slices"

	"laidup/internal/appraisal"
	"laidup/internal/assess"
	"laidup/internal/catalogue"
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
	Vehicles                []assess.Vehicle
	Next                    string // where the next page is; empty after the last
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
	Blocking []score.Blocker // of the gate asked about
	Look     []LookRow
	Split    template.HTML
	Matrix   []MatrixRow
	Entries  []EntryView
	From     int // rank of the first entry shown
	More     int // entries after those shown
	NextRank int // the first of those
	Systems  []SystemRow
	Whole    template.HTML // the condition of the whole vehicle
	Chances  template.HTML
	Worst    []score.Entry
	// The shares of all risk that rest on what was found, on somebody's word, and on what nobody knows.
	Found, Told, Unknown score.Share
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
const EntriesAPage = 15

// Assessed makes the view of an assessment: the gate asked about, the entries of the register from
// a rank on, and earlier assessments for the plot of chances, oldest first.
func (p *Pages) Assessed(a *score.Assessment, cat *catalogue.Catalogue, gate string, from int, earlier []*score.Assessment) (*AssessedView, error) {
	v := &AssessedView{Assessment: a, From: max(1, from)}
	v.Asked = a.Gates[0]
	for _, g := range a.Gates {
		if g.Gate == gate || gate == "" && g.Gate == a.Verdict.Gate {
			v.Asked = g
		}
	}
	v.Blocking = a.BlockersBy(v.Asked.Gate)
	for _, l := range a.LookNext {
		v.Look = append(v.Look, LookRow{l, itemName(cat, l.Item)})
	}
	on := restsOn(a.Register)
	v.Found, v.Told, v.Unknown = on.share(score.RestsOnFound), on.share(score.RestsOnTold), on.share(score.RestsOnUnknown)
	v.Worst = a.Register[:min(5, len(a.Register))]
	var err error
	say := func(key string, args ...any) string {
		s, e := p.text.say(key, args...)
		if e != nil {
			err = e
		}
		return s
	}
	v.Split = split("split", say("split_title", p.words.Percent(v.Found), p.words.Percent(v.Told)), on)
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
	if len(earlier) > 0 {
		v.Chances = chances(p.words.Percent, "chances", say("chances_title"), say("chances_across"), say("chances_up"), chanceSeries(append(earlier, a)))
	}
	return v, err
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

func chanceSeries(history []*score.Assessment) []series {
	var all []series
	newest := history[len(history)-1]
	for _, g := range newest.Gates {
		s := series{label: wording.Spaced(g.Gate)}
		for _, a := range history {
			for _, x := range a.Gates {
				if x.Gate == g.Gate {
					s.points = append(s.points, point{a.Coverage.Share.Float(), x.ChanceThrough.Float()})
				}
			}
		}
		all = append(all, s)
	}
	return all
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
				switch {
				case e.Level != level || e.Severity != s.String():
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

// CompareView is up to four vehicles side by side.
type CompareView struct {
	Frame
	Asked    []string // references, as they were asked for
	Missing  []string // references of which nothing is known
	Vehicles []ComparedVehicle
	Gates    []string
}

// ComparedVehicle is one of them.
type ComparedVehicle struct {
	Vehicle   assess.Vehicle
	Assessed  *AssessedView
	Appraisal *appraisal.Appraisal // nil where it cannot be appraised
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
	Gates       []string
	Coverage    score.Coverage
	Hand        []string // what to have at hand before any start
}

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
