package pages

import (
	"cmp"
	"errors"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strings"

	"laidup/internal/assess"
	"laidup/internal/plan"
	"laidup/internal/wording"
)

// PlanView is a plan of a vehicle. Plan is nil until it is made; Problem says why it was not.
type PlanView struct {
	Frame
	Stored  assess.Plan
	Vehicle string // what it is called
	Problem string
	Plan    *plan.Plan
	Hours   Spread // of labour
	Cost    Spread // empty: the job book has no rate
	Days    Spread
	Groups  []PlanGroup
	Line    template.HTML // when each step is done
	OpenAt  template.HTML // what is open when; empty: nothing is opened
	Curve   template.HTML // what has been spent by when
	Said    PlanTexts
	// Cards is where the job cards are, and StartSheet the checklist of the goal gate.
	Cards, StartSheet string
	Stages            []PlanStage
	// Beside has the plan first and then those that are held beside it; empty: there are none.
	Beside []BesideRow
	People int          // who work on it
	Jobs   []plan.Named // that can be left out
	Parts  []plan.Named // that can come late
	Gates  []string
}

// Spread is below what it stays in ten, fifty, eighty and ninety cases of a hundred, in words.
type Spread struct{ P10, P50, P80, P90 string }

// PlanStage is a gate on the way to the goal: what has to be shown before it, what is read then, and what to mind.
type PlanStage struct {
	plan.Stage
	Shown []PlanStep
}

// BesideRow is a plan as it is held beside another, in words.
type BesideRow struct {
	ID, Change, State        string
	Labour, Cost, Days       Spread
	Ends                     string
	Steps                    int
	More, Less               string // what it opens and does that the other does not, and the other way round
	Stops                    string // why it does not lead to its gate; empty: it does
	Made, This, First, Waits bool
}

// PlanGroup is the steps that are done one after the other while the same is off.
type PlanGroup struct {
	Off   []string // in words; none: nothing is off
	Steps []PlanStep
}

// PlanStep is a step in words.
type PlanStep struct {
	plan.Doing
	Takes  string
	Report string           // what to report if all is well; empty: nothing
	Fields []PlanField      // for what it measures
	Done   *assess.StepDone // nil: it is not done
}

// PlanField is a field of a form for a reading.
type PlanField struct{ Name, Label string }

// Said tells apart what was said of a step, so that a page that is open sees when it changes.
func (s PlanStep) Said() string {
	if s.Done == nil {
		return ""
	}
	return s.Done.On + " " + s.Done.Inspector + " " + s.Done.Report
}

// PlanTexts are lists of a plan in words.
type PlanTexts struct {
	NotGiven, Facts string
	Off             string // what is open already
	Assumed         []string
	While           []WhileRow
	Looks           []string
}

// WhileRow is a job that was weighed now against later.
type WhileRow struct {
	Is, Now, Later string
	Done           bool
	Chance         int // in per cent
	Because        string
	Look           string // that a look first is worth it; empty: it is not
}

// Planned is the view of a plan that is made.
func (p *Pages) Planned(v PlanView) (PlanView, error) {
	made := v.Plan
	w := planWords{p: p, plan: made}
	t := made.Totals
	v.Hours, v.Days = w.spread(t.Labour, w.hours), w.spread(t.Days, number)
	if t.Cost != nil {
		v.Cost = w.costs(*t.Cost)
	}
	v.Groups, v.Line, v.OpenAt, v.Curve = w.groups(), w.line(), w.openAt(), w.curve()
	for _, s := range made.Start {
		stage := PlanStage{Stage: s}
		for _, n := range s.Proofs {
			stage.Shown = append(stage.Shown, w.step(made.Steps[n-1]))
		}
		v.Stages = append(v.Stages, stage)
		v.Gates = append(v.Gates, s.Gate)
	}
	for _, s := range made.Steps {
		if s.Act == plan.Does && !s.Look && !s.Proof && !slices.Contains(v.Jobs, plan.Named{ID: s.ID, Is: s.Is}) {
			v.Jobs = append(v.Jobs, plan.Named{ID: s.ID, Is: s.Is})
		}
	}
	var off []string
	for _, o := range made.Opening {
		if o.Already {
			off = append(off, o.Is)
		}
	}
	v.Said.Off = strings.Join(off, ", ")
	if asked, faults := plan.DecodeForm(v.Stored.Request); len(faults) == 0 {
		v.People = max(1, asked.People)
	}
	for _, o := range made.Order {
		v.Parts = append(v.Parts, plan.Named{ID: o.Part, Is: o.Is})
	}
	for _, d := range v.Stored.Done {
		for i := range v.Groups {
			for k := range v.Groups[i].Steps {
				if s := &v.Groups[i].Steps[k]; s.Step == d.Step {
					s.Done = &d
				}
			}
		}
	}
	v.Said.NotGiven = p.words.Clearing(made.Open)
	var facts []string
	for _, f := range made.Facts {
		facts = append(facts, strings.ReplaceAll(wording.Spaced(f.Fact), ".", ", "))
	}
	v.Said.Facts = strings.Join(facts, "; ")
	for _, a := range made.Assumed {
		text := strings.ReplaceAll(wording.Spaced(a.What), ".", ", ") + ": " + a.Is
		switch string(a.Value) {
		case "true":
			text = w.say("taken_as_so", a.Is)
		case "false":
			text = w.say("taken_as_not_so", a.Is)
		}
		if a.Saves != nil {
			text = w.say("otherwise_saves", text, w.amount(*a.Saves))
		}
		if !slices.Contains(v.Said.Assumed, text) {
			v.Said.Assumed = append(v.Said.Assumed, text)
		}
	}
	for _, x := range made.Looks {
		unit := made.Currency
		if unit == "" {
			unit = w.say("minutes_of_labour")
		}
		text := w.say("look_is_worth", capital(x.Is), x.Minutes, w.amount(x.Worth), float64(x.PerMinute)/100, unit)
		if x.Done {
			text += "; " + w.say("look_spares", x.JobIs)
		} else {
			text += "; " + w.say("look_brings", x.JobIs)
		}
		v.Said.Looks = append(v.Said.Looks, text)
	}
	for _, x := range made.While {
		row := WhileRow{x.Is, w.amount(x.Now), w.amount(x.Later), x.Done, (x.Chance + 50) / 100, x.Because, ""}
		if x.Look != nil {
			row.Look = w.say("look_first", x.Look.Minutes, w.amount(x.Look.Worth))
		}
		v.Said.While = append(v.Said.While, row)
	}
	return v, errors.Join(w.errs...)
}

// planWords puts a plan into words.
type planWords struct {
	p    *Pages
	plan *plan.Plan
	errs []error
}

func (w *planWords) say(key string, args ...any) string {
	s, err := w.p.text.say(key, args...)
	if err != nil {
		w.errs = append(w.errs, err)
	}
	return s
}

func (w *planWords) hours(minutes int64) string { return w.say("hours", float64(minutes)/60) }

func number(n int64) string { return fmt.Sprint(n) }

func (w *planWords) spread(p plan.Percentiles, say func(int64) string) Spread {
	return Spread{say(p.P10), say(p.P50), say(p.P80), say(p.P90)}
}

func (w *planWords) costs(c plan.Sums) Spread {
	return Spread{w.money(c.P10), w.money(c.P50), w.money(c.P80), w.money(c.P90)}
}

func (w *planWords) money(c plan.Cents) string {
	return w.say("money", (int64(c)+50)/100, w.plan.Currency)
}

func (w *planWords) amount(a plan.Amount) string {
	if a.Cost != nil {
		return w.money(*a.Cost)
	}
	return w.hours(a.Minutes)
}

// step puts a step into words: what it does, and what it takes.
func (w *planWords) step(s plan.Doing) PlanStep {
	out := PlanStep{Doing: s}
	switch {
	case s.Already:
		out.Is = w.say("step_already", s.Is)
	case s.Act == plan.Opens:
		out.Is = w.say("step_open", s.Is)
	case s.Act == plan.Shuts:
		out.Is = w.say("step_shut", s.Is)
	}
	switch {
	case s.Already:
		out.Takes = w.say("nothing_to_do")
	case s.BoughtIn:
		out.Takes = w.say("step_bought_in", wording.Spaced(s.Licensed))
	case s.Minutes.Low == s.Minutes.High:
		out.Takes = w.hours(s.Minutes.Likely)
	default:
		out.Takes = w.say("hours_range", float64(s.Minutes.Likely)/60, float64(s.Minutes.Low)/60, float64(s.Minutes.High)/60)
	}
	if s.Licensed != "" && !s.BoughtIn {
		out.Takes += ", " + w.say("step_licence", wording.Spaced(s.Licensed))
	}
	if s.People > 1 && !s.BoughtIn {
		out.Takes += ", " + w.say("step_people", s.People)
	}
	if len(s.Reports) > 0 {
		out.Report = strings.ReplaceAll(w.p.words.Clearing(s.Reports), w.plan.AsOf, s.Day)
	}
	for i, m := range s.Measured() {
		label := wording.Spaced(m.Item) + ": " + wording.Spaced(m.Found[0].ID)
		if len(m.At) > 0 {
			label += ", " + wording.Spaced(m.At[0])
		}
		out.Fields = append(out.Fields, PlanField{fmt.Sprintf("reading-%d", i), label})
	}
	return out
}

// groups puts the steps together that are done while the same is off.
func (w *planWords) groups() []PlanGroup {
	var groups []PlanGroup
	var off []string
	begin := func() {
		if n := len(groups); n == 0 || !slices.Equal(groups[n-1].Off, off) {
			groups = append(groups, PlanGroup{Off: slices.Clone(off)})
		}
	}
	for _, s := range w.plan.Steps {
		if s.Act == plan.Opens {
			off = append(off, s.Is)
		}
		begin()
		groups[len(groups)-1].Steps = append(groups[len(groups)-1].Steps, w.step(s))
		if s.Act == plan.Shuts {
			off = slices.DeleteFunc(off, func(is string) bool { return is == s.Is })
		}
	}
	return groups
}

// A time line has working time from left to right, and a line at the first step of each day.
const lineLeft, lineWidth, lineRow, lineTop = 34.0, 640.0, 14.0, 18.0

// timed begins an image of so many rows below one another; x is where a working minute is.
func (w *planWords) timed(id, title string, height float64) (out *svg, x func(minute int64) float64) {
	total := int64(1)
	for _, s := range w.plan.Steps {
		total = max(total, s.Begins+s.Minutes.Likely)
	}
	out = newSVG(id, "timeline", title, int(lineLeft+lineWidth+20), int(height))
	x = func(minute int64) float64 { return lineLeft + lineWidth*float64(minute)/float64(total) }
	day, last := "", -100.0
	for _, s := range w.plan.Steps {
		if s.Day == day {
			continue
		}
		day = s.Day
		out.line("grid", x(s.Begins), lineTop-4, x(s.Begins), height)
		if x(s.Begins)-last > 56 { // else the dates would stand in one another
			out.text("label", x(s.Begins)+2, 11, s.Day[5:])
			last = x(s.Begins)
		}
	}
	return out, x
}

// line draws when each step is done: a row for each step.
func (w *planWords) line() template.HTML {
	steps := w.plan.Steps
	out, x := w.timed("plan-line", w.say("time_line_alt", len(steps), w.plan.Totals.Ends), lineTop+lineRow*float64(len(steps))+4)
	for i, s := range steps {
		y := lineTop + lineRow*float64(i)
		out.text("label", 4, y+10, fmt.Sprint(s.Step))
		class := "step"
		if s.Float == 0 {
			class = "step tight"
		}
		out.rect(class, x(s.Begins), y+2, max(2, x(s.Begins+s.Minutes.Likely)-x(s.Begins)), lineRow-4)
	}
	return out.end()
}

// openAt draws what is open when: a row for each state, under its name, from the step that opens it to the one that has shut it.
func (w *planWords) openAt() template.HTML {
	opening := w.plan.Opening
	if len(opening) == 0 {
		return ""
	}
	const row = 28.0
	out, x := w.timed("plan-open", w.say("open_at_alt", len(opening)), lineTop+row*float64(len(opening))+4)
	for i, o := range opening {
		y := lineTop + row*float64(i)
		out.text("label", lineLeft+2, y+10, o.Is)
		from := int64(-1)
		for _, s := range w.plan.Steps {
			switch {
			case s.Act == plan.Opens && s.ID == o.State:
				from = s.Begins
			case from >= 0 && (s.Act == plan.Shuts && s.ID == o.State || s.Act == plan.Does && s.ID == o.Closed):
				out.rect("open", x(from), y+13, max(2, x(s.Begins+s.Minutes.Likely)-x(from)), row-18)
				from = -1
			}
		}
	}
	return out.end()
}

// curve draws what has been spent by when: money where there is any, else hours of labour, if all goes as is likely.
func (w *planWords) curve() template.HTML {
	const height = 160.0
	type point struct{ at, sum int64 }
	var points []point
	for _, s := range w.plan.Steps {
		spent := s.Minutes.Likely * int64(s.People)
		if s.Cost != nil {
			spent = int64(*s.Cost)
		}
		points = append(points, point{s.Begins + s.Minutes.Likely, spent})
	}
	slices.SortStableFunc(points, func(a, b point) int { return cmp.Compare(a.at, b.at) })
	total := int64(0)
	for i := range points {
		total += points[i].sum
		points[i].sum = total
	}
	amount := w.hours
	if w.plan.Totals.Cost != nil {
		amount = func(n int64) string { return w.money(plan.Cents(n)) }
	}
	out, x := w.timed("plan-curve", w.say("curve_alt", amount(total), w.plan.Totals.Ends), lineTop+height+16)
	y := func(sum int64) float64 { return lineTop + height*(1-float64(sum)/float64(max(1, total))) }
	for _, part := range []int64{total / 2, total} {
		out.line("grid", lineLeft, y(part), lineLeft+lineWidth, y(part))
		out.text("label", lineLeft+2, y(part)-3, amount(part))
	}
	fmt.Fprintf(out, `<polyline class="curve" points="%s,%s`, n1(lineLeft), n1(y(0)))
	before := y(0)
	for _, p := range points {
		fmt.Fprintf(out, " %s,%s %s,%s", n1(x(p.at)), n1(before), n1(x(p.at)), n1(y(p.sum)))
		before = y(p.sum)
	}
	_, _ = out.WriteString(`"/>`)
	return out.end()
}

// Beside puts plans that are held side by side into words, the first being the one that the others are held beside. book
// is a plan of them, which has the names of jobs and parts.
func (p *Pages) Beside(book *plan.Plan, shown string, sides []assess.Side) ([]BesideRow, error) {
	w := &planWords{p: p, plan: book}
	var rows []BesideRow
	for i, s := range sides {
		row := BesideRow{ID: s.Stored.ID, Change: w.change(s.Change), State: string(s.Stored.State), This: s.Stored.ID == shown, First: i == 0, Waits: s.Stored.FinishedAt.IsZero()}
		if i == 0 {
			row.Change = w.say("what_if_none")
		}
		if f := s.Figures; f != nil {
			row.Made, row.Steps, row.Ends = true, f.Steps, f.Ends
			row.Labour, row.Days = w.spread(f.Labour, w.hours), w.spread(f.Days, number)
			if f.Cost != nil {
				row.Cost = w.costs(*f.Cost)
			}
			switch {
			case f.NoOrder:
				row.Stops = w.say("no_order")
			case len(f.Open) > 0:
				row.Stops = w.say("plan_not_given", p.words.Clearing(f.Open))
			}
		}
		if d := s.Than; d != nil {
			row.More, row.Less = named(d.Opens, d.Does), named(d.OpensNot, d.DoesNot)
		}
		rows = append(rows, row)
	}
	return rows, errors.Join(w.errs...)
}

func named(lists ...[]plan.Named) string {
	var out []string
	for _, n := range slices.Concat(lists...) {
		out = append(out, n.Is)
	}
	return strings.Join(out, "; ")
}

// change says what an order has otherwise.
func (w *planWords) change(c plan.Form) string {
	var out []string
	if c.Gate != "" {
		out = append(out, w.say("what_if_gate_is", wording.Spaced(c.Gate)))
	}
	if c.People > 0 {
		out = append(out, w.say("what_if_people_is", c.People))
	}
	for _, id := range c.Without {
		out = append(out, w.say("what_if_without_is", w.jobIs(id)))
	}
	for _, id := range slices.Sorted(maps.Keys(c.Late)) {
		out = append(out, w.say("what_if_late_is", w.partIs(id), c.Late[id]))
	}
	for _, id := range slices.Sorted(maps.Keys(c.Plant)) {
		out = append(out, fmt.Sprintf("%s: %d", wording.Spaced(id), c.Plant[id]))
	}
	for _, id := range slices.Sorted(maps.Keys(c.Traits)) {
		out = append(out, fmt.Sprintf("%s: %t", wording.Spaced(id), c.Traits[id]))
	}
	for _, id := range c.Licences {
		out = append(out, w.say("step_licence", wording.Spaced(id)))
	}
	if c.Now {
		out = append(out, w.say("what_if_now_is"))
	}
	if c.Start != "" {
		out = append(out, w.say("what_if_start_is", c.Start))
	}
	if c.Off != nil {
		out = append(out, w.say("off_now", spacedList(c.Off)))
	}
	return strings.Join(out, "; ")
}

func spacedList(ids []string) string {
	var out []string
	for _, id := range ids {
		out = append(out, wording.Spaced(id))
	}
	return strings.Join(out, ", ")
}

func (w *planWords) jobIs(id string) string {
	for _, s := range w.plan.Steps {
		if s.ID == id {
			return s.Is
		}
	}
	return wording.Spaced(id)
}

func (w *planWords) partIs(id string) string {
	for _, o := range w.plan.Order {
		if o.Part == id {
			return o.Is
		}
	}
	return wording.Spaced(id)
}

// JobCards makes the job cards of a plan: a card for each step, with its cautions, what it takes, what is read, and room to
// write in by hand.
func (p *Pages) JobCards(made *plan.Plan, vehicle string) (*Sheet, error) {
	w := &planWords{p: p, plan: made}
	gate := capital(wording.Spaced(made.Goal))
	s := &Sheet{
		Name: "cards", Gate: made.Goal, Title: w.say("title_cards"), Vehicle: vehicle, Reference: made.Vehicle, Assessment: made.Assessment, AsOf: made.AsOf,
		Foot: w.say("foot"), PageOf: w.say("page_of"), LostLetters: w.say("lost_letters"),
	}
	s.Running = w.say("running", s.Title, vehicle, made.AsOf)
	s.Facts = []Labelled{
		{w.say("fact_as_of"), made.AsOf}, {w.say("fact_goal"), gate}, {w.say("fact_work"), w.say("work_line", float64(made.Totals.Labour.P50)/60, made.Totals.Ends)},
		{w.say("fact_rule_set"), w.say("rule_set_line", made.RuleSet.Name, made.RuleSet.Version, short(made.RuleSet.Digest))},
		{w.say("fact_job_book"), w.say("rule_set_line", made.Book.Name, made.Book.Version, short(made.Book.Digest))},
		{w.say("fact_plan"), made.ID},
	}
	if len(made.Cautions) > 0 {
		part := Part{Mark: Bullet}
		for _, c := range made.Cautions {
			part.Items = append(part.Items, Item{Text: c})
		}
		s.Sections = append(s.Sections, Section{w.say("cautions"), []Part{part}})
	}
	for _, x := range made.Steps {
		s.Sections = append(s.Sections, w.card(x))
	}
	if made.NoOrder != nil {
		part := Part{Mark: Bullet}
		for _, h := range made.NoOrder.Ring {
			part.Items = append(part.Items, Item{Text: h.Is})
		}
		s.Alarm = w.say("no_order")
		s.First = []Section{{w.say("no_order_why"), []Part{part}}}
	}
	s.each(clean)
	return s, errors.Join(w.errs...)
}

// card is the job card of a step.
func (w *planWords) card(x plan.Doing) Section {
	step := w.step(x)
	takes := w.say("card_takes", x.Day, step.Takes)
	if len(x.After) > 0 {
		var after []string
		for _, n := range x.After {
			after = append(after, fmt.Sprint(n))
		}
		takes = w.say("card_after", takes, strings.Join(after, ", "))
	}
	parts := []Part{{Text: takes}}
	for _, c := range x.Cautions {
		parts = append(parts, Part{Text: w.say("card_caution", c), Strong: true})
	}
	var list []Item
	if len(x.Parts) > 0 {
		list = append(list, Item{Head: w.say("card_parts"), Text: strings.Join(x.Parts, "; ")})
	}
	if step.Report != "" {
		list = append(list, Item{Head: w.say("card_report"), Text: step.Report})
	}
	if len(list) > 0 {
		parts = append(parts, Part{Items: list, Mark: Box})
	}
	blanks := slices.Clone(x.Readings)
	if x.Act == plan.Does {
		blanks = append(blanks, w.say("card_done"))
	}
	if len(blanks) > 0 {
		parts = append(parts, Part{Blanks: blanks})
	}
	return Section{fmt.Sprintf("%d. %s", x.Step, step.Is), parts}
}
