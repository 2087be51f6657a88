package pages

import (
	"errors"
	"fmt"
	"html/template"
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
	Said    PlanTexts
	// Cards is where the job cards are.
	Cards string
}

// Spread is what is low, likely and high, in words.
type Spread struct{ Low, Likely, High string }

// PlanGroup is the steps that are done one after the other while the same is off.
type PlanGroup struct {
	Off   []string // in words; none: nothing is off
	Steps []PlanStep
}

// PlanStep is a step in words.
type PlanStep struct {
	plan.Doing
	Takes  string
	Report string // what to report if all is well; empty: nothing
	// Asked says that the step may be reported as it is, and Read that it has readings to be reported with it.
	Asked, Read bool
	Done        *assess.StepDone // nil: nobody has reported it
}

// PlanTexts are lists of a plan in words.
type PlanTexts struct {
	NotGiven, Facts string
	Assumed         []string
	While           []WhileRow
}

// WhileRow is a job that was weighed now against later.
type WhileRow struct {
	Is, Now, Later string
	Done           bool
	Chance         int // in per cent
	Because        string
}

// Planned is the view of a plan that is made.
func (p *Pages) Planned(v PlanView) (PlanView, error) {
	made := v.Plan
	w := planWords{p: p, plan: made}
	t := made.Totals
	v.Hours = Spread{w.hours(t.Labour.P10), w.hours(t.Labour.P50), w.hours(t.Labour.P90)}
	v.Days = Spread{fmt.Sprint(t.Days.P10), fmt.Sprint(t.Days.P50), fmt.Sprint(t.Days.P90)}
	if t.Cost != nil {
		v.Cost = Spread{w.money(t.Cost.P10), w.money(t.Cost.P50), w.money(t.Cost.P90)}
	}
	v.Groups, v.Line = w.groups(), w.line()
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
	for _, x := range made.While {
		v.Said.While = append(v.Said.While, WhileRow{x.Is, w.amount(x.Now), w.amount(x.Later), x.Done, (x.Chance + 50) / 100, x.Because})
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
	switch s.Act {
	case plan.Opens:
		out.Is = w.say("step_open", s.Is)
	case plan.Shuts:
		out.Is = w.say("step_shut", s.Is)
	}
	switch {
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
	out.Read = len(s.Readings)+len(s.Measures) > 0
	out.Asked = len(s.Reports) > 0 && !out.Read
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

// line draws when each step is done: a row for each step, working time from left to right, a line at the first step of
// each day.
func (w *planWords) line() template.HTML {
	const left, width, row, top = 34.0, 640.0, 14.0, 18.0
	steps := w.plan.Steps
	total := int64(1)
	for _, s := range steps {
		total = max(total, s.Begins+s.Minutes.Likely)
	}
	height := top + row*float64(len(steps)) + 4
	out := newSVG("plan-line", "timeline", w.say("time_line_alt", len(steps), w.plan.Totals.Ends), int(left+width+20), int(height))
	at := func(minute int64) float64 { return left + width*float64(minute)/float64(total) }
	day, last := "", -100.0
	for _, s := range steps {
		if s.Day == day {
			continue
		}
		day = s.Day
		x := at(s.Begins)
		out.line("grid", x, top-4, x, height)
		if x-last > 56 { // else the dates would stand in one another
			out.text("label", x+2, 11, s.Day[5:])
			last = x
		}
	}
	for i, s := range steps {
		y := top + row*float64(i)
		out.text("label", 4, y+10, fmt.Sprint(s.Step))
		class := "step"
		if s.Float == 0 {
			class = "step tight"
		}
		out.rect(class, at(s.Begins), y+2, max(2, at(s.Begins+s.Minutes.Likely)-at(s.Begins)), row-4)
	}
	return out.end()
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
