package pages

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Sheet is what is printed. It is made once and written as a page or as PDF, so that both say the
// same, in the same order: title and vehicle, the alarm and what belongs to it, the facts, the
// sections, the foot.
type Sheet struct {
	Name, Gate  string // which sheet, at which gate
	Title       string
	Vehicle     string
	Reference   string // of the vehicle
	Assessment  string
	AsOf        string
	Alarm       string    // said first, in large letters; empty: nothing is
	First       []Section // what belongs to the alarm
	Facts       []Labelled
	Sections    []Section
	Foot        string
	Running     string // what the second page and later ones begin with
	PageOf      string // a format for the number of a page and how many there are
	LostLetters string // what is said where a letter cannot be printed
}

// Labelled is a text with what it is.
type Labelled struct{ Label, Text string }

// Section is a part of a sheet under a heading.
type Section struct {
	Heading string
	Parts   []Part
}

// Part is a paragraph, a list, a table or lines to be filled in by hand.
type Part struct {
	Text   string
	Strong bool // the text is not to be overlooked
	Items  []Item
	Mark   Mark // of the items
	Table  *Table
	Blanks []string
	Photos []*Picture
}

// Picture is a photo, of which the thumbnail is printed.
type Picture struct {
	ID, Caption string
	Thumbnail   []byte // a JPEG; nil: it is not to be had, and a frame stands in its place
}

// Bounds of the photos on a sheet.
const (
	photosOnSheet = 12
	// ThumbnailBytes is how large a thumbnail on a sheet may be: one that is larger is not to be had.
	ThumbnailBytes = 96 << 10
)

// Mark is what an item of a list begins with.
type Mark string

// The marks.
const (
	Bullet Mark = "bullet"
	Number Mark = "number" // counts from 1
	Box    Mark = "box"    // to be ticked by hand
)

// Item is one of a list.
type Item struct {
	Head, Text string // either may be empty
	Notes      []Labelled
}

// Table is a table.
type Table struct {
	Columns []Column
	Rows    [][]Cell // as long as Columns
}

// Column is a column of a table. Share is its part of the width where the writer has to know.
type Column struct {
	Head   string
	Share  float64
	Number bool
}

// Cell is one cell of a table; Small stands under its text.
type Cell struct{ Text, Small string }

// The sheets.
const (
	BlockingSheet = "blocking"
	StartSheet    = "start"
	PurchaseSheet = "purchase"
	RegisterSheet = "register"
)

// SheetNames lists the sheets, the one that is meant where none is named first.
var SheetNames = []string{BlockingSheet, StartSheet, PurchaseSheet, RegisterSheet}

// Sheets makes sheets. It is safe for concurrent use.
type Sheets struct {
	text   text
	words  *wording.Words
	cat    *catalogue.Catalogue
	starts *starts
}

// Sheets returns a maker of sheets on vehicles of a catalogue.
func (p *Pages) Sheets(cat *catalogue.Catalogue) (*Sheets, error) {
	name := "text/start." + p.language + ".yaml"
	data, err := files.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read texts: %w", err)
	}
	s, err := readStarts(data, cat)
	if err != nil {
		return nil, fmt.Errorf("read texts %s: %w", name, err)
	}
	return &Sheets{p.text, p.words, cat, s}, nil
}

// Make makes a sheet of an assessment, the dossier that it is of and the reports in that. Gate is one of the
// assessment's.
func (s *Sheets) Make(name, gate string, a *score.Assessment, d *report.Dossier, reports []ReportRow) (*Sheet, error) {
	at := slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == gate })
	if at < 0 {
		return nil, fmt.Errorf("there is no gate %s", gate)
	}
	b := &sheetBuilder{Sheets: s, a: a, d: d, reports: reports, asked: a.Gates[at], upTo: a.Gates[:at+1], blockers: a.BlockersBy(gate)}
	b.vehicle()
	switch name {
	case BlockingSheet:
		b.blocking()
	case StartSheet:
		b.start()
	case PurchaseSheet:
		b.purchase()
	case RegisterSheet:
		b.register()
	default:
		return nil, fmt.Errorf("there is no sheet %s", name)
	}
	b.sheet.Name, b.sheet.Gate = name, gate
	b.sheet.each(clean)
	return &b.sheet, errors.Join(b.errs...)
}

// sheetBuilder is the work on one sheet.
type sheetBuilder struct {
	*Sheets
	a        *score.Assessment
	d        *report.Dossier
	reports  []ReportRow
	asked    score.Gate
	upTo     []score.Gate    // the gates up to the one asked about
	blockers []score.Blocker // of that one
	sheet    Sheet
	errs     []error
}

func (b *sheetBuilder) say(key string, args ...any) string {
	s, err := b.text.say(key, args...)
	b.keep(err)
	return s
}

// keep keeps an error for the end.
func (b *sheetBuilder) keep(err error) {
	if err != nil {
		b.errs = append(b.errs, err)
	}
}

func (b *sheetBuilder) section(heading string, parts ...Part) {
	b.sheet.Sections = append(b.sheet.Sections, Section{heading, parts})
}

// vehicle says what the sheet is of.
func (b *sheetBuilder) vehicle() {
	a := b.a
	b.sheet.Reference, b.sheet.Assessment, b.sheet.AsOf = a.Vehicle, a.ID, a.AsOf
	b.sheet.Vehicle = a.Vehicle
	if b.d.Vehicle.Description != "" {
		b.sheet.Vehicle = b.say("gate_line", b.d.Vehicle.Description, a.Vehicle)
	}
	b.sheet.Facts = []Labelled{
		{b.say("fact_as_of"), a.AsOf},
		{b.say("fact_gate"), b.say("gate_line", capital(wording.Spaced(b.asked.Gate)), b.asked.Is)},
		{b.say("fact_state"), b.say("state_line", b.say(b.asked.State), b.inTheWay())},
		{b.say("fact_rule_set"), b.say("rule_set_line", a.RuleSet.Name, a.RuleSet.Version, short(a.RuleSet.Digest))},
		{b.say("fact_looked_at"), b.say("looked_at_line", a.Coverage.LookedAt, a.Coverage.Applying, b.words.Looked(a.Coverage))},
		{b.say("fact_assessment"), a.ID},
	}
	b.sheet.Foot, b.sheet.PageOf, b.sheet.LostLetters = b.say("foot"), b.say("page_of"), b.say("lost_letters")
}

func (b *sheetBuilder) titled(title string) {
	b.sheet.Title = title
	b.sheet.Running = b.say("running", title, b.sheet.Vehicle, b.sheet.AsOf)
}

func (b *sheetBuilder) inTheWay() string {
	s, err := b.text.count("in_the_way", len(b.blockers))
	b.keep(err)
	return s
}

// digestShown is how many digits of a digest tell rule sets apart for a person.
const digestShown = 12

func short(digest string) string {
	_, hex, found := strings.Cut(digest, ":")
	if !found {
		hex = digest
	}
	return hex[:min(digestShown, len(hex))]
}

// cautions are those of the rule set.
func (b *sheetBuilder) cautions() {
	if len(b.a.Cautions) > 0 {
		b.section(b.say("cautions"), list(Bullet, b.a.Cautions))
	}
}

func list(mark Mark, texts []string) Part {
	p := Part{Mark: mark}
	for _, t := range texts {
		p.Items = append(p.Items, Item{Text: t})
	}
	return p
}

// blocker is a reason as an item of a list.
func (b *sheetBuilder) blocker(x score.Blocker, whole bool) Item {
	by := b.say("blocker_by", b.say("kind_"+x.Kind), wording.Spaced(x.Gate))
	if x.Severity != "" {
		by = b.say("blocker_by_severity", b.say("kind_"+x.Kind), b.say("severity_"+x.Severity), wording.Spaced(x.Gate))
	}
	it := Item{
		Head:  capital(b.words.Placed(itemName(b.cat, x.Item), x.At)),
		Text:  b.say("gate_line", capital(x.Because), by) + ".",
		Notes: []Labelled{{b.say("label_cleared"), b.words.Clearing(x.ClearBy)}},
	}
	for _, c := range x.Cautions {
		it.Notes = append(it.Notes, Labelled{b.say("label_caution"), c})
	}
	if whole {
		it.Notes = append(it.Notes, Labelled{b.say("label_source"), b.say("gate_line", x.Source, strings.Join(x.Rules, ", "))})
	}
	return it
}

func (b *sheetBuilder) blocking() {
	gate := wording.Spaced(b.asked.Gate)
	b.titled(b.say("at_the_gate", b.say("title_blocking"), gate))
	if len(b.blockers) == 0 {
		b.section(b.say("in_the_way_head"), Part{Text: b.say("nothing_in_the_way", gate)})
	} else {
		p := Part{Mark: Box}
		for _, x := range b.blockers {
			p.Items = append(p.Items, b.blocker(x, true))
		}
		b.section(b.say("in_the_way_head"), Part{Text: b.say("in_the_way_how")}, p)
	}
	if len(b.asked.Cautions) > 0 {
		b.section(b.say("before_gate", gate), list(Bullet, b.asked.Cautions))
	}
	b.notLookedAt()
	b.cautions()
	b.said(true)
	b.signed("sign_name", "sign_date", "sign_signature")
}

// signed leaves room for who answers for what was ticked.
func (b *sheetBuilder) signed(keys ...string) {
	p := Part{}
	for _, key := range keys {
		p.Blanks = append(p.Blanks, b.say(key))
	}
	b.section(b.say("signed_head"), p)
}

// lookedAt reports whether anything stands of what was found on an item.
func (b *sheetBuilder) lookedAt(id string) bool {
	it := b.cat.Item(id)
	return it != nil && slices.ContainsFunc(it.Finds, func(f *catalogue.Finding) bool { return b.d.Standing(f) != nil })
}

// looks parts the items of a system that the vehicle has by whether anybody looked at them.
func (b *sheetBuilder) looks(s score.SystemCondition) (seen, unseen []string) {
	for _, it := range s.Items {
		if name := itemName(b.cat, it.Item); b.lookedAt(it.Item) {
			seen = append(seen, name)
		} else {
			unseen = append(unseen, name)
		}
	}
	return seen, unseen
}

// notLookedAt lists what applies to the vehicle and was not looked at.
func (b *sheetBuilder) notLookedAt() {
	p := Part{Mark: Bullet}
	for _, s := range b.a.Condition.Systems {
		if _, unseen := b.looks(s); len(unseen) > 0 {
			p.Items = append(p.Items, Item{Head: capital(systemName(b.cat, s.System)), Text: strings.Join(unseen, ", ")})
		}
	}
	if len(p.Items) == 0 {
		b.section(b.say("not_looked_head"), Part{Text: b.say("all_looked")})
		return
	}
	b.section(b.say("not_looked_head"), Part{Text: b.say("not_looked_how")}, p)
}

func (b *sheetBuilder) start() {
	gate := wording.Spaced(b.asked.Gate)
	b.titled(b.say("at_the_gate", b.say("title_start"), gate))
	if b.asked.State != score.Clear {
		b.sheet.Alarm = b.say("alarm", b.say("answer_"+b.asked.State), b.inTheWay(), gate)
		p := Part{Mark: Box}
		for _, x := range b.blockers {
			p.Items = append(p.Items, b.blocker(x, false))
		}
		b.sheet.First = []Section{{b.say("in_the_way_head"), []Part{p}}}
	}
	if unknown := b.starts.unknown(b.cat, b.d.Frame); len(unknown) > 0 {
		b.section(b.say("start_unsure_head"), Part{Text: b.say("start_unsure", strings.Join(unknown, ", "))})
	}
	instead := b.starts.Instead
	qualified := b.starts.is(instead.Of, b.d.Frame) == condition.True
	if qualified {
		b.section(instead.Heading, b.lines(Box, instead.Lines))
	} else {
		b.section(b.say("start_hand"), b.lines(Box, b.starts.AtHand))
	}
	for i, g := range b.upTo {
		parts := []Part{{Text: b.say("gate_is_" + g.State), Strong: g.State != score.Clear}}
		if !qualified {
			parts = append(parts, b.lines(Box, b.starts.Gates[g.Gate]))
		}
		cautions := Part{Mark: Bullet}
		for _, c := range g.Cautions {
			cautions.Items = append(cautions.Items, Item{Head: b.say("label_caution"), Text: c})
		}
		b.section(b.say("start_gate", i+1, capital(wording.Spaced(g.Gate)), g.Is), append(parts, cautions)...)
	}
	for _, w := range b.starts.Watch {
		if !qualified && b.reaches(w.From) {
			b.section(w.Heading, b.lines(Bullet, w.Lines))
		}
	}
	b.notLookedAt()
	b.cautions()
	b.section(b.say("start_sources_head"), Part{Text: b.say("start_sources")})
	b.signed("sign_controls", "sign_watch", "sign_date")
}

// reaches reports whether the gate asked about is the one named or a later one. Of a rule set that
// has no such gate nobody can tell: what is to be watched is rather said once too often.
func (b *sheetBuilder) reaches(gate string) bool {
	is := func(g score.Gate) bool { return g.Gate == gate }
	return slices.ContainsFunc(b.upTo, is) || !slices.ContainsFunc(b.a.Gates, is)
}

// lines is a list of those lines of a start sheet that fit the vehicle.
func (b *sheetBuilder) lines(mark Mark, lines []lineForm) Part {
	p := Part{Mark: mark}
	for _, line := range b.starts.fitting(lines, b.d.Frame) {
		it := Item{Text: line.Say}
		for _, c := range line.Cautions {
			it.Notes = append(it.Notes, Labelled{b.say("label_caution"), c})
		}
		if line.Source.Kind != "common_practice" || line.Source.Note != "" {
			it.Notes = append(it.Notes, Labelled{b.say("label_source"), line.Source.String()})
		}
		p.Items = append(p.Items, it)
	}
	return p
}

func (b *sheetBuilder) purchase() {
	a := b.a
	b.titled(b.say("title_purchase"))
	on := restsOn(a.Register)
	inShort := []string{
		b.say("purchase_looked", a.Coverage.LookedAt, a.Coverage.Applying),
		b.say("purchase_through", wording.Spaced(b.asked.Gate), b.words.Chance(b.asked.ChanceThrough, b.asked.ChanceThroughLow, b.asked.ChanceThroughHigh)),
		b.say("purchase_condition", whole(a.Condition.Expected), whole(a.Condition.Low), whole(a.Condition.High)),
	}
	if on.total() > 0 {
		inShort = append(inShort, b.say("purchase_unknown", b.words.Percent(on.share(score.RestsOnUnknown)), b.words.Percent(on.share(score.RestsOnTold))))
	}
	b.section(b.say("purchase_short"), list(Bullet, inShort))
	b.section(b.say("purchase_gates"), Part{Text: b.say("purchase_gates_is")}, b.chances())
	b.defects()
	b.conflicts()
	b.worst()
	b.looksNext()
	b.section(b.say("purchase_known"), Part{Text: b.say("not_looked_how")}, b.known())
	b.section(b.say("condition"), Part{Text: b.say("purchase_condition_is")}, b.conditions())
	b.facts()
	if len(a.Assumes) > 0 {
		b.section(b.say("assumes"), list(Bullet, a.Assumes))
	}
	b.cautions()
	b.said(false)
	b.signed("sign_given_to", "sign_by", "sign_date")
}

// worstShown is how many risks a customer is told of.
const worstShown = 5

func (b *sheetBuilder) worst() {
	p := Part{Mark: Number}
	for _, e := range b.a.Register[:min(worstShown, len(b.a.Register))] {
		of := b.say("risk_line", b.say("severity_"+e.Severity), b.words.Chance(e.Probability, e.Low, e.High), wording.Spaced(e.Gate))
		p.Items = append(p.Items, Item{
			Head: capital(b.feared(e)),
			Text: b.say("gate_line", e.What, b.say("state_line", of, b.say("rests_"+e.RestsOn))),
		})
	}
	if len(p.Items) > 0 {
		b.section(b.say("purchase_worst"), p)
	}
}

// feared names what a hazard comes of most, and where.
func (b *sheetBuilder) feared(e score.Entry) string {
	return b.words.Placed(itemName(b.cat, e.Item), e.Causes[0].At)
}

// facts says what the vehicle is, as far as anybody gave it.
func (b *sheetBuilder) facts() {
	t := &Table{Columns: []Column{{Head: b.say("what_it_is"), Share: 0.4}, {Head: b.say("fact_given"), Share: 0.6}}}
	for _, f := range b.cat.Facts {
		value := b.say("not_given")
		if x := b.d.Frame[f.Slot]; b.d.Frame.Known(f.Slot) {
			if f.Kind == catalogue.Quantity {
				x = math.Round(x) // it may have been given in another unit
			}
			value = b.words.Value(report.Form(report.Value{Finding: f, Number: x}))
			if f.Kind == catalogue.Date {
				// A year may be all that was given: its first day would claim more.
				value = value[:len("2006")]
			}
		}
		t.Rows = append(t.Rows, []Cell{{Text: capital(f.Is)}, {Text: value}})
	}
	b.section(b.say("purchase_facts"), Part{Table: t})
}

func (b *sheetBuilder) chances() Part {
	t := &Table{Columns: []Column{
		{Head: b.say("step"), Share: 0.18}, {Head: b.say("what_it_is"), Share: 0.37},
		{Head: b.say("chance"), Share: 0.15, Number: true}, {Head: b.say("found_head"), Share: 0.3},
	}}
	for _, g := range b.a.Gates {
		t.Rows = append(t.Rows, []Cell{{Text: capital(wording.Spaced(g.Gate))}, {Text: g.Is}, {b.words.Percent(g.ChanceThrough), b.words.Range(g.ChanceThrough, g.ChanceThroughLow, g.ChanceThroughHigh)}, {Text: b.say("purchase_state_" + g.State)}})
	}
	return Part{Table: t}
}

// defects lists what was found that must not be there. What the workplace lacks is no business of
// who buys the vehicle, and what was not shown is said elsewhere.
func (b *sheetBuilder) defects() {
	p := Part{Mark: Bullet}
	for _, x := range b.a.Blockers {
		if x.Kind == "defect" {
			p.Items = append(p.Items, Item{Head: capital(b.words.Placed(itemName(b.cat, x.Item), x.At)), Text: x.Because})
		}
	}
	if len(p.Items) == 0 {
		p = Part{Text: b.say("purchase_found_none")}
	}
	b.section(b.say("purchase_found"), p)
}

func (b *sheetBuilder) conflicts() {
	p := Part{Mark: Bullet}
	for _, c := range b.a.Conflicts {
		p.Items = append(p.Items, Item{Head: capital(b.words.Contradicted(itemName(b.cat, c.Item), c)), Text: b.words.Contradiction(c)})
	}
	if len(p.Items) == 0 {
		b.section(b.say("purchase_conflicts"), Part{Text: b.say("purchase_conflicts_none")})
		return
	}
	b.section(b.say("purchase_conflicts"), Part{Text: b.say("conflicts")}, p)
}

func (b *sheetBuilder) known() Part {
	t := &Table{Columns: []Column{{Head: b.say("system"), Share: 0.2}, {Head: b.say("looked_head"), Share: 0.4}, {Head: b.say("not_looked"), Share: 0.4}}}
	for _, s := range b.a.Condition.Systems {
		seen, unseen := b.looks(s)
		t.Rows = append(t.Rows, []Cell{{Text: capital(systemName(b.cat, s.System))}, {Text: strings.Join(seen, ", ")}, {Text: strings.Join(unseen, ", ")}})
	}
	return Part{Table: t}
}

func (b *sheetBuilder) conditions() Part {
	t := &Table{Columns: []Column{{Head: b.say("system"), Share: 0.5}, {Head: b.say("expected"), Share: 0.2, Number: true}, {Head: b.say("range"), Share: 0.3, Number: true}}}
	row := func(name string, r score.Range) {
		t.Rows = append(t.Rows, []Cell{{Text: name}, {Text: whole(r.Expected)}, {Text: between(r)}})
	}
	row(b.say("whole_vehicle"), b.a.Condition.Range)
	for _, s := range b.a.Condition.Systems {
		row(capital(systemName(b.cat, s.System)), s.Range)
	}
	return Part{Table: t}
}

func between(r score.Range) string {
	low, high := whole(r.Low), whole(r.High)
	if low == high {
		return low
	}
	return low + "–" + high
}

func (b *sheetBuilder) looksNext() {
	t := &Table{Columns: []Column{{Head: b.say("item"), Share: 0.5}, {Head: b.say("minutes"), Share: 0.2, Number: true}, {Head: b.say("off_first"), Share: 0.3}}}
	for _, l := range b.a.LookNext {
		t.Rows = append(t.Rows, []Cell{{Text: capital(itemName(b.cat, l.Item))}, {Text: whole(l.Minutes)}, {Text: wording.Spaced(l.Access)}})
	}
	p := Part{Table: t}
	if len(t.Rows) == 0 {
		p = Part{Text: b.say("purchase_looks_none")}
	}
	b.section(b.say("purchase_looks"), p)
}

func (b *sheetBuilder) register() {
	b.titled(b.say("title_register"))
	if len(b.a.Register) == 0 {
		b.section(b.say("register_head"), Part{Text: b.say("register_none")})
	} else {
		t := &Table{Columns: []Column{
			{Head: b.say("rank"), Share: 0.065, Number: true}, {Head: b.say("risk_head"), Share: 0.085},
			{Head: b.say("hazard_head"), Share: 0.34}, {Head: b.say("severity"), Share: 0.13},
			{Head: b.say("chance"), Share: 0.135, Number: true}, {Head: b.say("share_head"), Share: 0.135, Number: true}, {Head: b.say("rests_head"), Share: 0.11},
		}}
		for _, e := range b.a.Register {
			t.Rows = append(t.Rows, []Cell{
				{Text: fmt.Sprint(e.Rank)}, {Text: b.say("risk_" + e.Risk)},
				{Text: b.say("hazard_line", capital(b.feared(e)), e.What), Small: b.say("register_small", wording.Spaced(e.Gate), e.Source)},
				{Text: b.say("severity_" + e.Severity)}, {b.words.Percent(e.Probability), b.words.Range(e.Probability, e.Low, e.High)}, {Text: b.words.Percent(e.Share)}, {Text: b.say("rests_short_" + e.RestsOn)},
			})
		}
		b.section(b.say("register_head"), Part{Text: b.say("register_is")}, Part{Table: t})
	}
	b.notLookedAt()
	b.cautions()
	b.said(true)
}

// said lists the reports: when and by whom each was made and what its sender calls it and, for who works on the
// vehicle, what was remarked on items.
func (b *sheetBuilder) said(notes bool) {
	if len(b.reports) == 0 {
		return
	}
	p := Part{Mark: Bullet}
	for _, r := range b.reports {
		var of []string
		if r.Inspector != "" {
			of = append(of, b.say("report_by", r.Inspector))
		}
		if r.Purpose != "" {
			of = append(of, wording.Spaced(r.Purpose))
		}
		if r.Report.Reference != "" {
			of = append(of, r.Report.Reference)
		}
		it := Item{Head: r.Inspected, Text: strings.Join(of, ", ")}
		for _, n := range r.Notes {
			if notes {
				it.Notes = append(it.Notes, Labelled{capital(itemName(b.cat, n.Item)), n.Note})
			}
		}
		p.Items = append(p.Items, it)
	}
	b.section(b.say("reports"), p)
	b.photos()
}

// photos shows the newest.
func (b *sheetBuilder) photos() {
	var p Part
	seen, more := map[string]bool{}, 0
	for _, r := range slices.Backward(b.reports) {
		for _, shown := range r.Photos {
			switch {
			case seen[shown.ID]:
				continue
			case len(p.Photos) == photosOnSheet:
				more++
			default:
				of := b.say("photo_whole")
				if shown.Item != "" {
					of = capital(itemName(b.cat, shown.Item))
				}
				p.Photos = append(p.Photos, &Picture{ID: shown.ID, Caption: b.say("photo_caption", of, r.Inspected)})
			}
			seen[shown.ID] = true
		}
	}
	if len(p.Photos) == 0 {
		return
	}
	parts := []Part{p}
	if more > 0 {
		parts = append(parts, Part{Text: b.say("photos_more", more)})
	}
	b.section(b.say("photos"), parts...)
}

// Pictures are the photos on the sheet.
func (s *Sheet) Pictures() (all []*Picture) {
	for _, sections := range [][]Section{s.First, s.Sections} {
		for _, section := range sections {
			for _, p := range section.Parts {
				all = append(all, p.Photos...)
			}
		}
	}
	return all
}

// each changes every text of the sheet.
func (s *Sheet) each(change func(string) string) {
	for _, at := range []*string{&s.Title, &s.Vehicle, &s.Alarm, &s.Foot, &s.Running, &s.PageOf, &s.LostLetters} {
		*at = change(*at)
	}
	labelled := func(list []Labelled) {
		for i := range list {
			list[i] = Labelled{change(list[i].Label), change(list[i].Text)}
		}
	}
	labelled(s.Facts)
	for _, sections := range [][]Section{s.First, s.Sections} {
		for i := range sections {
			sections[i].Heading = change(sections[i].Heading)
			for k := range sections[i].Parts {
				p := &sections[i].Parts[k]
				p.Text = change(p.Text)
				for n := range p.Items {
					it := &p.Items[n]
					it.Head, it.Text = change(it.Head), change(it.Text)
					labelled(it.Notes)
				}
				for n := range p.Blanks {
					p.Blanks[n] = change(p.Blanks[n])
				}
				for _, photo := range p.Photos {
					photo.Caption = change(photo.Caption)
				}
				if p.Table == nil {
					continue
				}
				for n := range p.Table.Columns {
					p.Table.Columns[n].Head = change(p.Table.Columns[n].Head)
				}
				for _, row := range p.Table.Rows {
					for n := range row {
						row[n] = Cell{change(row[n].Text), change(row[n].Small)}
					}
				}
			}
		}
	}
}

// clean leaves what has a place on paper: letters in their composed form, and no controls, among
// them those that turn the direction of what follows, so that no description can make a line read
// otherwise than it is.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) && r != '\u00a0':
			return ' '
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), unicode.Is(unicode.Co, r):
			return -1
		}
		return r
	}, norm.NFC.String(strings.ToValidUTF8(s, "\ufffd")))
	// A number stays with its sign.
	return strings.ReplaceAll(strings.TrimSpace(s), " %", "\u00a0%")
}

// day is the day that the sheet is of; every other time would make two of the same differ.
func (s *Sheet) day() time.Time {
	day, err := time.Parse(time.DateOnly, s.AsOf)
	if err != nil {
		return time.Unix(0, 0).UTC()
	}
	return day
}
