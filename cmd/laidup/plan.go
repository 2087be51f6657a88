package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/builtin"
	"laidup/internal/jobbook"
	"laidup/internal/plan"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"
)

type planCommand struct {
	Reports []string        `arg:"" name:"report" help:"Report files, all on one vehicle, or - for standard input."`
	Gate    string          `help:"Gate to clear. Default: the rule set's own gate (first_start)."`
	Rules   string          `help:"Rule set: first-start, pre-purchase, a YAML or JSON file, or a folder of YAML files. Default: first-start."`
	Jobs    string          `help:"Job book: a YAML or JSON file, or a folder of YAML files. Default: the generic one, which has no prices."`
	People  int             `default:"1" help:"Number of people who work on the vehicle."`
	Plant   map[string]int  `help:"Number of each piece of workshop equipment, such as lift=0. Default: one of each." placeholder:"lift=0;..."`
	Trait   map[string]bool `help:"Facts about the vehicle that the job book asks for, such as inner_panel=true." placeholder:"NAME=true;..."`
	Licence []string        `help:"Licences held in the workshop, such as refrigerant_handler. Jobs that need another licence are bought in."`
	Without []string        `help:"Jobs to leave out." placeholder:"JOB,..."`
	Now     bool            `help:"Plan only what the gate needs, and no other work while parts are off."`
	Start   string          `help:"First day of work. Default: the day of the latest inspection." placeholder:"2026-05-04"`
	Off     []string        `help:"What is open already, by the ids of the steps that open it." placeholder:"STATE,..."`
	Late    map[string]int  `help:"By how many days more than the job book says parts take to come." placeholder:"PART=DAYS;..."`
	WhatIf  []string        `sep:"none" help:"Compare the plan with one that has a change: gate=GATE, people=N, without=JOB, licence=NAME, now=true, late=PART:DAYS, plant=NAME:N or trait=NAME:true; several with commas between. Repeat it for more plans." placeholder:"CHANGE"`
	Format  string          `enum:"text,json" default:"text" help:"Output format: text or json."`
}

// jobsFrom returns what has the job book for a rule set: the one built in where no path is named, else a file or a
// folder, which may be an overlay on it.
func jobsFrom(path string) func(*ruleset.Set) (*jobbook.Book, error) {
	if path == "" {
		return builtin.JobsOf(nil)
	}
	return builtin.JobsOf(func(generic *jobbook.Book, set *ruleset.Set) (*jobbook.Book, error) {
		l, err := jobbook.NewLoader(schema.FS, set)
		if err != nil {
			return nil, err
		}
		return written(l.Knowing(generic), path, "job book")
	})
}

// Run plans. The exit status says whether the plan leads to the gate.
func (c *planCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	book, err := jobsFrom(c.Jobs)(set)
	if err != nil {
		return err
	}
	q, err := c.request(book, set)
	if err != nil {
		return err
	}
	gate := slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == q.Goal })
	reports, err := readReports(t, c.Reports, set)
	if err != nil {
		return err
	}
	changes, requests, err := c.whatIfs(book, set)
	if err != nil {
		return err
	}
	reports = plan.AsOf(reports, q.Start)
	scorer := score.New(set)
	a := scorer.Evaluate(reports, gate)
	wording.English().Write(a)
	dossier := report.Lay(reports, set.Catalogue, set.ProofCredence)
	p, err := plan.Make(book, set, dossier, a, q)
	if err != nil {
		return err
	}
	var beside []besidePlan
	for i, q := range requests {
		goal := slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == q.Goal })
		asked := scorer.Evaluate(reports, goal)
		wording.English().Write(asked)
		other, err := plan.Make(book, set, dossier, asked, q)
		if err != nil {
			return err
		}
		beside = append(beside, besidePlan{changes[i], other.Figures(), other.Beside(p)})
	}
	switch {
	case c.Format == "json" && len(beside) > 0:
		err = writeIndented(t, whatIfs{p, beside})
	case c.Format == "json":
		err = writePlanJSON(t, p)
	default:
		if err = writePlan(t, p, a, titleOf(reports), book); err == nil && len(beside) > 0 {
			err = writeBeside(t, p, c.WhatIf, beside)
		}
	}
	if err != nil {
		return fmt.Errorf("write plan: %w", err)
	}
	if len(p.Open) > 0 || len(p.Facts) > 0 || p.NoOrder != nil {
		return status(exitBlocked)
	}
	return nil
}

// request reads the flags; all that is wrong with them comes at once.
func (c *planCommand) request(book *jobbook.Book, set *ruleset.Set) (plan.Request, error) {
	if c.People < 1 {
		return plan.Request{}, fmt.Errorf("--people is %d: use 1 to %d", c.People, plan.MostPeople)
	}
	q, faults := c.form().Request(book, set)
	if q.Goal == "" {
		q.Goal = set.Gates[set.Asks].ID
	}
	var errs []error
	flags := map[string]string{"traits": "trait", "licences": "licence"}
	for _, f := range faults {
		name, at, _ := strings.Cut(strings.TrimPrefix(f.Pointer, "/"), "/")
		if other := flags[name]; other != "" {
			name = other
		}
		switch name {
		case "licence":
			at = c.Licence[position(at)]
		case "without":
			at = c.Without[position(at)]
		case "off":
			at = c.Off[position(at)]
		}
		errs = append(errs, fmt.Errorf("--%s: %s", strings.TrimSuffix(name+" "+at, " "), f.Detail))
	}
	return q, errors.Join(errs...)
}

func (c *planCommand) form() plan.Form {
	return plan.Form{Gate: c.Gate, People: c.People, Plant: c.Plant, Traits: c.Trait, Licences: c.Licence, Without: c.Without, Now: c.Now, Start: c.Start, Off: c.Off, Late: c.Late}
}

// besidePlan is a plan with a change, held beside the plan without it.
type besidePlan struct {
	Change     plan.Form       `json:"change"`
	Figures    plan.Figures    `json:"figures"`
	Difference plan.Difference `json:"difference"`
}

// whatIfs is a plan with those that are held beside it.
type whatIfs struct {
	Plan   *plan.Plan   `json:"plan"`
	WhatIf []besidePlan `json:"what_if"`
}

// whatIfs reads the changes that plans are to be made with.
func (c *planCommand) whatIfs(book *jobbook.Book, set *ruleset.Set) (changes []plan.Form, requests []plan.Request, err error) {
	var errs []error
	for _, text := range c.WhatIf {
		change, err := changeOf(text)
		if err != nil {
			errs = append(errs, fmt.Errorf("--what-if %s: %w", text, err))
			continue
		}
		q, faults := c.form().With(change).Request(book, set)
		for _, f := range faults {
			errs = append(errs, fmt.Errorf("--what-if %s: %s", text, f.Detail))
		}
		if q.Goal == "" {
			q.Goal = set.Gates[set.Asks].ID
		}
		changes, requests = append(changes, change), append(requests, q)
	}
	return changes, requests, errors.Join(errs...)
}

// changeOf reads a change, such as people=2,late=timing_belt:7.
func changeOf(text string) (plan.Form, error) {
	var f plan.Form
	for part := range strings.SplitSeq(text, ",") {
		name, value, _ := strings.Cut(part, "=")
		of, number, _ := strings.Cut(value, ":")
		var err error
		switch name {
		case "gate":
			f.Gate = value
		case "without":
			f.Without = append(f.Without, value)
		case "licence":
			f.Licences = append(f.Licences, value)
		case "now":
			f.Now, err = strconv.ParseBool(value)
		case "people":
			if f.People, err = strconv.Atoi(value); err == nil && f.People < 1 {
				err = fmt.Errorf("people is %d: use 1 to %d", f.People, plan.MostPeople)
			}
		case "late", "plant":
			var n int
			if n, err = strconv.Atoi(number); err == nil {
				one := plan.Form{Late: map[string]int{of: n}}
				if name == "plant" {
					one = plan.Form{Plant: map[string]int{of: n}}
				}
				f = f.With(one)
			}
		case "trait":
			var is bool
			if is, err = strconv.ParseBool(number); err == nil {
				f = f.With(plan.Form{Traits: map[string]bool{of: is}})
			}
		default:
			err = errors.New("use gate=GATE, people=N, without=JOB, licence=NAME, now=true, late=PART:DAYS, plant=NAME:N or trait=NAME:true")
		}
		if err != nil {
			return f, err
		}
	}
	return f, nil
}

// position reads the place in a list that a JSON Pointer ends with.
func position(at string) int {
	n, _ := strconv.Atoi(at)
	return n
}

func names[T any](list []T, name func(T) string) string {
	var out []string
	for _, x := range list {
		out = append(out, name(x))
	}
	return strings.Join(out, ", ")
}

func listed(list []int) string { return names(list, func(n int) string { return fmt.Sprint(n) }) }

func writePlanJSON(t terminal, p *plan.Plan) error {
	data, err := p.JSON()
	if err != nil {
		return err
	}
	return writeIndented(t, json.RawMessage(data))
}

func writeIndented(t terminal, v any) error {
	data, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return err
	}
	_, err = t.out.Write(append(data, '\n'))
	return err
}

// writeBeside writes plans side by side, the one without a change first.
func writeBeside(t terminal, p *plan.Plan, asked []string, beside []besidePlan) error {
	var b strings.Builder
	w := planPage{newPage(&b, t), p}
	w.heading("What if")
	rows := [][]string{{"  ", "work", "days", "likely finished", "steps"}}
	if p.Totals.Cost != nil {
		rows[0] = slices.Insert(rows[0], 2, "cost")
	}
	row := func(name string, f plan.Figures) {
		one := []string{"  " + name, hours(f.Labour.P50), fmt.Sprint(f.Days.P50), f.Ends, fmt.Sprint(f.Steps)}
		if f.Cost != nil {
			one = slices.Insert(one, 2, w.money(f.Cost.P50))
		}
		rows = append(rows, one)
	}
	row("as planned", p.Figures())
	for i, x := range beside {
		row(asked[i], x.Figures)
	}
	w.table(rows)
	for i, x := range beside {
		d := x.Difference
		for _, line := range []struct {
			is   string
			list []plan.Named
		}{{"also: ", slices.Concat(d.Opens, d.Does)}, {"not: ", slices.Concat(d.OpensNot, d.DoesNot)}} {
			if len(line.list) > 0 {
				w.fill("  "+asked[i]+", "+line.is, "    ", strings.Join(namesOf(line.list), "; "))
			}
		}
		switch {
		case x.Figures.NoOrder:
			w.line("  %s: no order is possible", asked[i])
		case len(x.Figures.Open) > 0:
			w.fill("  "+asked[i]+", the gate stays shut: ", "    ", w.words.Clearing(x.Figures.Open))
		}
	}
	w.fill("  ", "  ", "Work and days are the middle ones of the draws: it is as likely as not that it takes less.")
	_, err := io.WriteString(t.out, b.String())
	return err
}

func namesOf(list []plan.Named) []string {
	var out []string
	for _, n := range list {
		out = append(out, n.Is)
	}
	return out
}

// hours writes minutes as hours with one decimal.
func hours(minutes int64) string {
	tenths := (minutes + 3) / 6
	if minutes < 0 {
		tenths = (minutes - 3) / 6
	}
	return fmt.Sprintf("%.1f h", float64(tenths)/10)
}

func rangeHours(m plan.Minutes) string {
	if m.Low == m.High {
		return hours(m.Likely)
	}
	return fmt.Sprintf("%s (%s to %s)", hours(m.Likely), strings.TrimSuffix(hours(m.Low), " h"), strings.TrimSuffix(hours(m.High), " h"))
}

func writePlan(t terminal, p *plan.Plan, a *score.Assessment, title string, book *jobbook.Book) error {
	var b strings.Builder
	w := planPage{newPage(&b, t), p}
	if title == "" {
		title = p.Vehicle
	} else {
		title = printable(title) + " (" + p.Vehicle + ")"
	}
	w.line("%s, as of %s", w.strong(title), p.AsOf)
	w.total(a)
	w.unsettled()
	w.entangled()
	w.opening()
	w.steps()
	w.parts()
	w.while()
	w.looks()
	w.branches()
	w.start()
	w.rest()
	w.line("")
	w.line("Rule set %s %s, %s", p.RuleSet.Name, p.RuleSet.Version, p.RuleSet.Digest)
	w.line("Job book %s %s, %s", book.Name, book.Version, book.Digest)
	_, err := io.WriteString(t.out, b.String())
	return err
}

// planPage writes a plan for people.
type planPage struct {
	page
	p *plan.Plan
}

// amount writes what the plan weighs: money where there is any, else hours of labour.
func (w planPage) amount(a plan.Amount) string {
	if a.Cost == nil {
		return hours(a.Minutes)
	}
	return w.money(*a.Cost)
}

func (w planPage) money(cents plan.Cents) string {
	return fmt.Sprintf("%d %s", (cents+50)/100, w.p.Currency)
}

func (w planPage) total(a *score.Assessment) {
	p := w.p
	w.line("%s: %s, %s", w.strong(strings.ToUpper(wording.Spaced(p.Goal))), w.state(p.State), blockers(a.Verdict.Blockers))
	if len(p.Steps) == 0 {
		return
	}
	t := p.Totals
	w.line("")
	rows := [][]string{{"  ", "one in ten below", "as likely as not", "four in five below", "nine in ten below"}}
	rows = append(rows, []string{"  work", hours(t.Labour.P10), hours(t.Labour.P50), hours(t.Labour.P80), hours(t.Labour.P90)})
	if t.Cost != nil {
		rows = append(rows, []string{"  cost", w.money(t.Cost.P10), w.money(t.Cost.P50), w.money(t.Cost.P80), w.money(t.Cost.P90)})
	}
	rows = append(rows, []string{"  days", fmt.Sprint(t.Days.P10), fmt.Sprint(t.Days.P50), fmt.Sprint(t.Days.P80), fmt.Sprint(t.Days.P90)})
	w.table(rows)
	w.line("  Likely finished on %s.", t.Ends)
	var drivers []string
	for _, d := range t.Drivers[:min(3, len(t.Drivers))] {
		drivers = append(drivers, fmt.Sprintf("%s (%d %%)", d.Is, d.Share))
	}
	if len(drivers) > 0 {
		w.fill("  What makes the hours uncertain: ", "    ", strings.Join(drivers, "; "))
	}
}

// unsettled says what has to be told or looked up before the plan is worth anything, and what it does not reach.
func (w planPage) unsettled() {
	if len(w.p.Facts) > 0 {
		w.heading("To be told first: it decides what there is to do")
		for _, f := range w.p.Facts {
			w.line("  - %s", strings.ReplaceAll(wording.Spaced(f.Fact), ".", ", "))
		}
	}
	if len(w.p.Open) > 0 {
		w.heading("What no job gives: the gate stays shut")
		w.fill("  - ", "    ", w.words.Clearing(w.p.Open))
	}
	if len(w.p.Assumed) > 0 {
		w.heading("To be looked up before anything comes off")
		said := map[string]bool{}
		for _, x := range w.p.Assumed {
			if said[x.What] {
				continue
			}
			said[x.What] = true
			if x.Value != nil {
				text := fmt.Sprintf("%s: taken for %s (--trait %s)", x.Is, map[string]string{"true": "so", "false": "not so"}[string(x.Value)], x.What)
				if x.Saves != nil {
					text += "; if it is otherwise, that saves " + w.amount(*x.Saves)
				}
				w.fill("  - ", "    ", text)
			} else {
				w.fill("  - ", "    ", fmt.Sprintf("%s: %s", strings.ReplaceAll(wording.Spaced(x.What), ".", ", "), x.Is))
			}
		}
	}
}

// entangled says why there is no order, and what helps.
func (w planPage) entangled() {
	if w.p.NoOrder == nil {
		return
	}
	w.heading("No order is possible: some jobs wait for each other")
	for _, x := range w.p.NoOrder.Ring {
		w.fill("  - ", "    ", x.Is)
	}
	for _, d := range w.p.NoOrder.Do {
		w.fill("  ", "  ", d)
	}
	w.heading("What was to be done")
	for _, j := range w.p.NoOrder.Jobs {
		w.fill("  - ", "    ", j.Is)
	}
}

func (w planPage) opening() {
	p := w.p
	if len(p.Opening) == 0 {
		return
	}
	w.heading("What comes off, once")
	for _, o := range p.Opening {
		text := o.Is + ": open " + hours(o.Open.Likely)
		if o.Already {
			text = o.Is + ": open already"
		}
		if o.Closed == "" {
			text += ", close " + hours(o.Close.Likely)
		}
		if o.People > 1 && !o.Already {
			text += fmt.Sprintf(", %d people", o.People)
		}
		if o.Closed != "" {
			text += "; closed by: " + wording.Spaced(o.Closed)
		}
		if o.Note != "" {
			text += "; " + o.Note
		}
		w.fill("  - ", "    ", text)
	}
	if p.Proof.Optimal {
		w.line("  No other choice of ways and jobs is expected to cost less: proven.")
	} else {
		w.line("  The cheapest found; another may cost up to %.2f %% less.", float64(p.Proof.Gap)/100)
	}
	if p.Twice != "" {
		w.fill("  Opened twice, for there is no order otherwise: ", "    ", wording.Spaced(p.Twice)+", because "+strings.Join(p.Clash, "; "))
	}
}

// tight writes a table whose last column may be empty.
func (w planPage) tight(rows [][]string) {
	var b strings.Builder
	inner := w.page
	inner.Writer = &b
	inner.table(rows)
	for line := range strings.Lines(b.String()) {
		w.line("%s", strings.TrimRight(line, " \n"))
	}
}

func (w planPage) steps() {
	p := w.p
	if len(p.Steps) == 0 {
		return
	}
	w.heading("Step by step")
	day := ""
	for _, s := range p.Steps {
		if s.Day != day {
			day = s.Day
			w.line("  %s", w.strong(day))
		}
		what := s.Is
		switch {
		case s.Already:
			what = "already open: " + what
		case s.Act == plan.Opens:
			what = "open: " + what
		case s.Act == plan.Shuts:
			what = "shut: " + what
		}
		if s.Visit > 1 {
			what += ", for the second time"
		}
		how := []string{rangeHours(s.Minutes)}
		if s.Already {
			how = []string{"nothing to do"}
		} else if s.BoughtIn {
			how = []string{"bought in, licence: " + wording.Spaced(s.Licensed)}
		} else if s.Licensed != "" {
			how = append(how, "licence: "+wording.Spaced(s.Licensed))
		}
		if s.People > 1 && !s.BoughtIn && !s.Already {
			how = append(how, fmt.Sprintf("%d people", s.People))
		}
		if s.Float == 0 && !s.Already {
			how = append(how, "no day to lose")
		}
		w.fill(fmt.Sprintf("%4d. ", s.Step), "      ", what+"; "+strings.Join(how, ", "))
		var notes []string
		switch {
		case len(s.Clears) > 0:
			notes = append(notes, "clears "+names(s.Clears, func(c plan.Cleared) string { return w.words.Placed(wording.Spaced(c.Item), c.At) }))
		case s.Why == "while_open":
			notes = append(notes, "while it is open")
		case s.Why == "proof":
			notes = append(notes, "proves again what the work undid")
		}
		if len(s.Parts) > 0 {
			notes = append(notes, "parts: "+strings.Join(s.Parts, ", "))
		}
		if len(notes) > 0 {
			w.fill("      ", "        ", strings.Join(notes, "; "))
		}
		if len(s.Readings) > 0 {
			w.fill("      To be measured: ", "        ", strings.Join(s.Readings, "; "))
		}
		if len(s.Reports) > 0 {
			// What was renewed is renewed on the day of the step, not on that of the assessment.
			w.fill("      To report, if it is so: ", "        ", strings.ReplaceAll(w.words.Clearing(s.Reports), p.AsOf, s.Day))
		}
		for _, c := range s.Cautions {
			w.fill("      Caution: ", "        ", c)
		}
	}
}

func (w planPage) parts() {
	if len(w.p.Order) == 0 {
		return
	}
	w.heading("What to order, the most pressing first")
	rows := [][]string{{"  order by", "part", "kind", "step", "days", ""}}
	for _, o := range w.p.Order {
		is := o.Is
		if o.Times > 1 {
			is = fmt.Sprintf("%d × %s", o.Times, is)
		}
		note := ""
		if o.Price != nil {
			note = fmt.Sprintf("%s to %s", w.money(o.Price.Low), w.money(o.Price.High))
		}
		if o.Late {
			note = strings.TrimPrefix(note+"; may hold up the rest", "; ")
		}
		rows = append(rows, []string{"  " + o.OrderBy, is, wording.Spaced(o.Kind), fmt.Sprint(o.Step), fmt.Sprintf("%d (%d to %d)", o.Lead.Likely, o.Lead.Low, o.Lead.High), note})
	}
	w.tight(rows)
}

func (w planPage) while() {
	if len(w.p.While) == 0 {
		return
	}
	w.heading("While it is open: now, or later")
	unit := "in hours of labour, parts included"
	if w.p.Currency != "" {
		unit = "in " + w.p.Currency + ", parts included"
	}
	w.fill("  ", "  ", "What it adds to the work now, against what it is expected to cost later, "+unit+".")
	for _, x := range w.p.While {
		verdict := "leave it"
		if x.Done {
			verdict = "do it"
		}
		text := fmt.Sprintf("%s: %s; now %s, later %s (needed by then: %d %%)", x.Is, verdict, w.amount(x.Now), w.amount(x.Later), (x.Chance+50)/100)
		if x.Because != "" {
			text += "; " + x.Because
		}
		if x.Look != nil {
			text += fmt.Sprintf("; a look first, %s, is worth %s", hours(x.Look.Minutes), w.amount(x.Look.Worth))
		}
		w.fill("  - ", "    ", text)
	}
}

func (w planPage) looks() {
	if len(w.p.Looks) == 0 {
		return
	}
	w.heading("Looks that are worth more than they take")
	for _, x := range w.p.Looks {
		does := "it may bring in: "
		if x.Done {
			does = "it may spare: "
		}
		per := fmt.Sprintf("%.1f minutes of labour", float64(x.PerMinute)/100)
		if w.p.Currency != "" {
			per = fmt.Sprintf("%.2f %s", float64(x.PerMinute)/100, w.p.Currency)
		}
		w.fill("  - ", "    ", fmt.Sprintf("%s, %d minutes: worth %s, %s a minute; %s%s", x.Is, x.Minutes, w.amount(x.Worth), per, does, x.JobIs))
	}
}

func (w planPage) branches() {
	if len(w.p.Branches) == 0 {
		return
	}
	w.heading("What may come to light")
	for _, x := range w.p.Branches {
		text := fmt.Sprintf("step %d: %s (%d %%)", x.Step, x.What, (x.Chance+50)/100)
		if len(x.Adds) > 0 {
			var adds []string
			for _, id := range x.Adds {
				adds = append(adds, wording.Spaced(id))
			}
			text += ": then " + strings.Join(adds, ", ") + ", " + rangeHours(x.Minutes)
		}
		w.fill("  - ", "    ", text)
	}
}

func (w planPage) start() {
	if len(w.p.Steps) == 0 {
		return
	}
	w.heading("On the way to the goal")
	for _, s := range w.p.Start {
		line := s.Is
		switch len(s.Proofs) {
		case 0:
		case 1:
			line += fmt.Sprintf("; once step %d has shown that all is well", s.Proofs[0])
		default:
			line += "; once steps " + listed(s.Proofs) + " have shown that all is well"
		}
		w.fill("  "+wording.Spaced(s.Gate)+": ", "    ", line)
		for _, c := range s.Cautions {
			w.fill("    - ", "      ", c)
		}
	}
}

func (w planPage) rest() {
	if len(w.p.Cautions) > 0 {
		w.heading("Cautions")
		for _, c := range w.p.Cautions {
			w.fill("  - ", "    ", c)
		}
	}
	if len(w.p.Steps) > 0 {
		w.heading("Assumptions")
		for _, c := range w.p.Assumes {
			w.fill("  - ", "    ", c)
		}
	}
}
