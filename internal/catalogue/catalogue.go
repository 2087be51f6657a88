// Package catalogue says what can be said about a vehicle: the facts that describe it, its systems
// and items, the positions of an item and its parts, what can be found on each, and the methods by
// which a finding was obtained.
//
// A catalogue is data: it comes out of a rule set. [New] checks it and gives every fact and finding
// a slot in the [condition.Frame] that conditions read. The package is pure.
package catalogue

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/condition"
	"laidup/internal/quantity"
)

// Document is a catalogue as it is written.
type Document struct {
	Methods   []Method                `json:"methods"` // most credible first
	Positions map[string]PositionList `json:"positions,omitempty"`
	Facts     []FindingForm           `json:"facts"`
	Systems   []SystemForm            `json:"systems"`
}

// Method is a way in which a finding was obtained, with what it is worth on an item that says
// nothing of its own.
type Method struct {
	ID        string  `json:"id"`
	Is        string  `json:"is"`
	Alarms    float64 `json:"alarms"` // see [Figures]
	Reassures float64 `json:"reassures"`
	AtMost    float64 `json:"at_most"`
	Source    any     `json:"source,omitempty"` // on whose word the figures stand; read by nobody here
}

// Figures say what a finding by a method is worth. Missing a fault and inventing one are different
// things, so there is a number for each.
type Figures struct {
	Alarms    float64 // share of alarms that are true, above 0 and at most 1
	Reassures float64 // (s - f) / (1 - f) of s found among the bad, f condemned among the good; above 0 and at most 1
	AtMost    float64 // decibans beyond which no alarm counts, above 0
}

// FiguresForm are figures as they are written where they differ from those of the method.
type FiguresForm struct {
	Alarms    *float64 `json:"alarms,omitempty"`
	Reassures *float64 `json:"reassures,omitempty"`
	AtMost    *float64 `json:"at_most,omitempty"`
}

// PositionList is a named list of positions as it is written: the positions, or those of one kind of
// vehicle and of another, or a count of alike ones, such as as many cylinders as the fact of that name says.
type PositionList struct {
	IDs   []string
	Cases []PositionCase // the first whose condition holds; the last has none
	Count string         // the fact that says how many there are
	Is    string         // what one of them is called: cylinder makes cylinder_1, cylinder_2, ...
}

// PositionCase are the positions on vehicles on which a condition on facts holds.
type PositionCase struct {
	When string   `json:"when,omitempty"`
	Are  []string `json:"are"`
}

type countForm struct {
	Count string `json:"count"`
	Is    string `json:"is"`
}

// UnmarshalJSON reads a list, or an object with count and is.
func (l *PositionList) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '[' {
		*l = PositionList{}
		if bytes.Contains(b, []byte("{")) {
			return json.Unmarshal(b, &l.Cases)
		}
		return json.Unmarshal(b, &l.IDs)
	}
	var form countForm
	err := json.Unmarshal(b, &form)
	*l = PositionList{Count: form.Count, Is: form.Is}
	return err
}

// MarshalJSON writes what UnmarshalJSON reads.
func (l PositionList) MarshalJSON() ([]byte, error) {
	if l.Count != "" || l.Is != "" {
		return json.Marshal(countForm{l.Count, l.Is})
	}
	if l.Cases != nil {
		return json.Marshal(l.Cases)
	}
	return json.Marshal(l.IDs)
}

// PositionsForm are the positions of an item as they are written: the name of a list, or a list.
type PositionsForm struct {
	List string
	IDs  []string
}

// UnmarshalJSON reads a name or a list.
func (p *PositionsForm) UnmarshalJSON(b []byte) error {
	*p = PositionsForm{}
	if len(b) > 0 && b[0] == '"' {
		return json.Unmarshal(b, &p.List)
	}
	return json.Unmarshal(b, &p.IDs)
}

// MarshalJSON writes what UnmarshalJSON reads.
func (p PositionsForm) MarshalJSON() ([]byte, error) {
	if p.List != "" {
		return json.Marshal(p.List)
	}
	return json.Marshal(p.IDs)
}

// SystemForm is a system as it is written.
type SystemForm struct {
	ID    string     `json:"id"`
	Is    string     `json:"is"`
	Items []ItemForm `json:"items"`
}

// ItemForm is an item as it is written. Applies is a condition on the vehicle's facts under which
// the item exists; empty means on every vehicle.
type ItemForm struct {
	ID      string        `json:"id"`
	Is      string        `json:"is"`
	Applies string        `json:"applies,omitempty"`
	Minutes float64       `json:"minutes"`
	Access  string        `json:"access"`
	Finds   []FindingForm `json:"finds"`
	Must    []Must        `json:"must,omitempty"`

	Positions  PositionsForm          `json:"positions,omitzero"`
	NeededFrom *NeededFromForm        `json:"needed_from,omitempty"`
	HalfLife   *float64               `json:"half_life,omitempty"` // years
	Methods    map[string]FiguresForm `json:"methods,omitempty"`   // by the method's id
	Parts      map[string][]string    `json:"parts,omitempty"`     // the findings that a renewal of the part supersedes
}

// NeededFromForm is the gate that a vehicle without the item does not pass, and the condition on
// facts under which that is so; empty means always.
type NeededFromForm struct {
	Gate string `json:"gate"`
	When string `json:"when,omitempty"`
}

// Must is a condition that the findings of one observation have to meet to be possible at all.
type Must struct {
	Hold string `json:"hold"`
	Else string `json:"else"` // what is wrong, and how to mend it, when it does not
}

// FindingForm is a finding or a fact as it is written.
type FindingForm struct {
	ID     string   `json:"id"`
	Is     string   `json:"is,omitempty"`
	Kind   Kind     `json:"kind"`
	Values []string `json:"values,omitempty"` // of a choice, best first
	Unit   string   `json:"unit,omitempty"`   // of a quantity, as a UCUM code
	Worse  string   `json:"worse,omitempty"`  // true, false, high, low or neither
	Min    *float64 `json:"min,omitempty"`    // least possible value of a quantity or count
	Max    *float64 `json:"max,omitempty"`    // greatest possible value
	In     string   `json:"in,omitempty"`     // of a fact: the part of a report that has it, vehicle or lay_up

	Methods map[string]FiguresForm `json:"methods,omitempty"` // of a finding on an item, by the method's id
	// Taken says, of a fact that is a choice or flag, what it is taken for where nobody told it: the
	// first value whose condition on the other facts holds.
	Taken []TakenForm `json:"taken,omitempty"`
}

// TakenForm is a value that a fact is taken for where a condition on the other facts holds, or where
// somebody reported on an item that only such a vehicle has; with neither, in any case, which is for the
// worse of two values.
type TakenForm struct {
	Is       string `json:"is"`
	When     string `json:"when,omitempty"`
	Reported string `json:"reported,omitempty"` // the item
}

// Kind is the kind of a finding.
type Kind string

// The kinds of finding.
const (
	Flag     Kind = "flag"
	Choice   Kind = "choice"
	Quantity Kind = "quantity"
	Count    Kind = "count"
	Date     Kind = "date"
	Text     Kind = "text"
	// WeekCode is the code of four digits, week and year, that says when a part was made: "0914".
	// It is read as the date on which that week began, and says the age of the item.
	WeekCode Kind = "week_code"
)

// Limits of a catalogue: readers keep track of what they have seen in the bits of a word.
const (
	MaxFacts     = 60
	MaxFinds     = 60 // of one item
	MaxPositions = 60 // of one item
	MaxCounted   = 24 // positions of a list that is counted
)

// figuresGroup is the group of facts that has the maker's figures. Whose they are is text.
const figuresGroup = "figures"

// Access lists what may have to be off before an item can be looked at, least first.
var Access = []string{"none", "covers", "underside", "wheels", "part_strip", "gearbox_split", "engine_out"}

// Catalogue is a checked catalogue. It is safe for concurrent use and never changes.
type Catalogue struct {
	Methods []Method // most credible first
	Facts   []*Finding
	Systems []*System
	Items   []*Item // of all systems, in order
	// Positions has every position that some item has. Items that have one of the same id share it.
	Positions []*Position

	// Slots of the frame that belong to no fact or item.
	AsOf, YearsLaidUp, YearsSinceBuilt int
	// Slots of the facts that ages and distances are counted from. Odometer is -1 where there is no such fact.
	Built, LastRan, Odometer int
	// Size is the length of a frame.
	Size int
	// Conditions has every name that conditions may read.
	Conditions *condition.Env
	// FactsOnly has the names that conditions on a vehicle alone may read.
	FactsOnly *condition.Env

	itemByID     map[string]*Item
	factByPath   map[string]*Finding
	positionByID map[string]*Position
	owner        []*Finding // by slot
	figures      []Figures  // by method, where neither item nor finding has its own
}

// Position is one of several places at which a vehicle has an item.
type Position struct {
	ID    string
	Index int // in Catalogue.Positions
}

// System is a group of items that are looked at together.
type System struct {
	ID, Is string
	Items  []*Item
}

// Item is something that can be inspected.
type Item struct {
	ID, Is  string
	Index   int // in Catalogue.Items
	System  *System
	Applies *condition.Condition // nil: on every vehicle
	Minutes float64              // what a first look costs a practised hand
	Access  string
	Finds   []*Finding // its own, then those that every item accepts
	Musts   []CompiledMust

	// What every item accepts, besides Judged.
	Age, Renewed, Removed *Finding
	// Made is the week code of the item; nil where it has none.
	Made *Finding

	// Positions are where the vehicle has one each of the item, in order; nil where there is one only.
	Positions []*Position
	// PositionsWhen are those that one kind of vehicle or another has; nil where all have the same.
	PositionsWhen []PositionsWhen
	// PositionsOf is the fact that says how many of the positions there are, from the first; nil
	// where every vehicle has them all.
	PositionsOf *Finding
	NeededFrom  NeededFrom
	HalfLife    float64 // years after which a reassuring finding is worth half; 0: as for all items
	Parts       []*Part // by id

	findByID map[string]*Finding
	figures  []Figures // by method
}

// PositionsWhen are the positions on vehicles on which a condition on facts holds; nil always does.
type PositionsWhen struct {
	When *condition.Condition
	Are  []*Position
}

// NeededFrom is the first gate that needs the item. Gate is empty where the item does not say: then
// it is the first at which a fault of it does harm.
type NeededFrom struct {
	Gate string
	When *condition.Condition // on facts; nil: always
}

// Part is a part of an item that can be renewed by itself. What was found of it is superseded then,
// and nothing else.
type Part struct {
	ID    string
	Index int // in Item.Parts
	Finds []*Finding
}

// CompiledMust is a [Must] ready to be evaluated.
type CompiledMust struct {
	Hold *condition.Condition
	Else string
}

// Finding is one observable of an item, or one fact about the vehicle.
type Finding struct {
	ID, Is string
	Kind   Kind
	Values []string
	Unit   quantity.Unit // of a quantity
	Worse  Worse
	Slot   int
	Item   *Item  // nil for a fact
	In     string // the part of a report that has a fact
	// Taken has, of a fact, what it is taken for where nobody told it; the first that holds.
	Taken []Taken
	// Min and Max bound a quantity (in Unit) or count; infinite where nothing bounds it.
	Min, Max float64

	bounds  map[string]Bounds
	figures []Figures // by method
}

// Taken is a value, as a frame has it, that a fact is taken for where a condition on the others holds, or
// where an item was reported on; with neither, in any case.
type Taken struct {
	Value    float64
	When     *condition.Condition
	Reported *Item
}

// Worse is the direction in which a finding gets worse. The zero value is neither.
type Worse int8

// The directions. A flag that gets worse when true is Higher; a choice always is.
const (
	Neither Worse = 0
	Higher  Worse = 1
	Lower   Worse = -1
)

// Bounds are the least and greatest possible value in one unit of a quantity.
type Bounds struct {
	Unit     quantity.Unit
	Min, Max float64
}

// Fault is one thing wrong with a catalogue, at a JSON Pointer into its document.
type Fault struct {
	Pointer, Text string
}

var idForm = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
var factForm = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*(\.[a-z][a-z0-9]*(_[a-z0-9]+)*)?$`)

// celWords are the words that CEL keeps for itself: no condition could read something of that name.
var celWords = []string{
	"as", "break", "const", "continue", "else", "false", "for", "function", "if", "import", "in", "let",
	"loop", "namespace", "null", "package", "return", "true", "var", "void", "while",
}

// everyItem is what each item accepts besides its own findings.
func everyItem() []FindingForm {
	zero, century := 0.0, 150.0
	return []FindingForm{
		{ID: "judged", Is: "judged overall", Kind: Choice, Values: []string{"sound", "serviceable", "worn", "unfit"}},
		{ID: "age", Is: "age since new or renewed", Kind: Quantity, Unit: "a", Worse: "high", Min: &zero, Max: &century},
		{ID: "renewed", Is: "renewed on", Kind: Date},
		{ID: "removed", Is: "removed from the vehicle", Kind: Flag, Worse: "neither"},
	}
}

// New checks a document and lays out its frame. With any fault there is no catalogue.
func New(doc Document) (*Catalogue, []Fault) { return Knowing(nil, doc) }

// Knowing is [New] for who has syntax trees of the document's conditions, or keeps them.
func Knowing(trees *condition.Trees, doc Document) (*Catalogue, []Fault) {
	b := &builder{
		c:     &Catalogue{Odometer: -1, itemByID: map[string]*Item{}, factByPath: map[string]*Finding{}, positionByID: map[string]*Position{}},
		lists: map[string]places{},
	}
	b.methods(doc.Methods)
	b.c.AsOf = b.slot("as_of", condition.Date, nil)
	b.c.YearsLaidUp = b.slot("years_laid_up", condition.Number, nil)
	b.c.YearsSinceBuilt = b.slot("years_since_built", condition.Number, nil)
	b.facts(doc.Facts)
	b.factNames = slices.Clone(b.names)
	b.positions(doc.Positions)
	b.systems(doc.Systems)
	if len(b.faults) > 0 {
		return nil, b.faults
	}
	b.c.Size = len(b.names)
	b.c.FactsOnly = condition.NewEnv(b.factNames, trees)
	b.c.Conditions = condition.NewEnv(b.names, trees)
	b.taken(doc.Facts)
	b.conditions(doc.Systems)
	if len(b.faults) > 0 {
		return nil, b.faults
	}
	return b.c, nil
}

type builder struct {
	c         *Catalogue
	names     []condition.Name
	factNames []condition.Name
	lists     map[string]places
	later     []laterCase
	faults    []Fault
}

// places are the positions of a list, and the fact that says how many of them there are.
type places struct {
	ids   []string
	of    *Finding
	cases []PositionCase
	at    string
}

// laterCase is a case of an item's positions whose condition waits for the facts to be declared.
type laterCase struct {
	item *Item
	are  PositionCase
	at   string
}

func (b *builder) fault(pointer, format string, args ...any) {
	b.faults = append(b.faults, Fault{pointer, fmt.Sprintf(format, args...)})
}

func (b *builder) slot(path string, kind condition.Kind, values []string) int {
	n := condition.Name{Path: path, Kind: kind, Values: values, Slot: len(b.names)}
	b.names = append(b.names, n)
	b.c.owner = append(b.c.owner, nil)
	return n.Slot
}

func (b *builder) methods(methods []Method) {
	seen := map[string]bool{}
	for i, m := range methods {
		at := "/methods/" + strconv.Itoa(i)
		b.id(at, m.ID, idForm, seen)
		b.share(at+"/alarms", m.Alarms)
		b.share(at+"/reassures", m.Reassures)
		b.decibans(at+"/at_most", m.AtMost)
		b.c.figures = append(b.c.figures, Figures{m.Alarms, m.Reassures, m.AtMost})
	}
	if len(methods) == 0 {
		b.fault("/methods", "there has to be a method by which findings are obtained")
	}
	b.c.Methods = methods
}

func (b *builder) share(at string, v float64) {
	if !(v > 0 && v <= 1) {
		b.fault(at, "what a method is worth is above 0 and at most 1")
	}
}

func (b *builder) decibans(at string, v float64) {
	if !(v > 0) || math.IsInf(v, 1) {
		b.fault(at, "an alarm counts up to some number of decibans above 0")
	}
}

// ownFigures puts an item's or a finding's own figures over those that count without them.
func (b *builder) ownFigures(at string, forms map[string]FiguresForm, without []Figures) []Figures {
	if len(forms) == 0 {
		return without
	}
	figures := slices.Clone(without)
	for _, id := range slices.Sorted(maps.Keys(forms)) {
		at, form := at+"/methods/"+token(id), forms[id]
		m := b.c.Method([]byte(id))
		if m < 0 {
			b.fault(at, "%q is not a method: use one of %s", id, strings.Join(b.c.methodIDs(), ", "))
			continue
		}
		if form == (FiguresForm{}) {
			b.fault(at, "nothing differs here: give alarms, reassures or at_most, or leave the method out")
		}
		if form.Alarms != nil {
			b.share(at+"/alarms", *form.Alarms)
			figures[m].Alarms = *form.Alarms
		}
		if form.Reassures != nil {
			b.share(at+"/reassures", *form.Reassures)
			figures[m].Reassures = *form.Reassures
		}
		if form.AtMost != nil {
			b.decibans(at+"/at_most", *form.AtMost)
			figures[m].AtMost = *form.AtMost
		}
	}
	return figures
}

// token writes a name as one step of a JSON Pointer.
func token(name string) string { return strings.NewReplacer("~", "~0", "/", "~1").Replace(name) }

func (b *builder) positions(lists map[string]PositionList) {
	for _, name := range slices.Sorted(maps.Keys(lists)) {
		at, form := "/positions/"+token(name), lists[name]
		if !idForm.MatchString(name) {
			b.fault(at, "%q is not an id: use lower-case words joined by underscores", name)
		}
		if form.Cases != nil {
			b.lists[name] = b.cased(at, form)
			continue
		}
		if form.Count == "" && form.Is == "" {
			b.lists[name] = places{ids: b.placeIDs(at, form.IDs)}
			continue
		}
		b.lists[name] = b.counted(at, form)
	}
}

// placeIDs checks a list of positions that is written out.
func (b *builder) placeIDs(at string, ids []string) []string {
	for i, id := range ids {
		switch {
		case !idForm.MatchString(id):
			b.fault(at+"/"+strconv.Itoa(i), "%q is not an id: use lower-case words joined by underscores", id)
		case slices.Contains(ids[:i], id):
			b.fault(at+"/"+strconv.Itoa(i), "%q is there already", id)
		}
	}
	switch {
	case len(ids) < 2:
		b.fault(at, "there are at least two positions: an item that is there once has none")
	case len(ids) > MaxPositions:
		b.fault(at, "there are %d positions: %d is the limit", len(ids), MaxPositions)
	}
	return ids
}

// cased makes the list of all positions that one kind of vehicle or another has.
func (b *builder) cased(at string, form PositionList) (list places) {
	for i, c := range form.Cases {
		if last := i == len(form.Cases)-1; last != (c.When == "") {
			b.fault(at+"/"+strconv.Itoa(i)+"/when", "the last case, and only the last, goes without a condition")
		}
		for _, id := range b.placeIDs(at+"/"+strconv.Itoa(i)+"/are", c.Are) {
			if !slices.Contains(list.ids, id) {
				list.ids = append(list.ids, id)
			}
		}
	}
	list.cases, list.at = form.Cases, at
	return list
}

// counted makes the list of as many positions as a fact can say that there are.
func (b *builder) counted(at string, form PositionList) (list places) {
	if !idForm.MatchString(form.Is) {
		b.fault(at+"/is", "%q is not an id: use lower-case words joined by underscores", form.Is)
	}
	f := b.c.factByPath["vehicle."+form.Count]
	switch {
	case f == nil || f.Kind != Count:
		b.fault(at+"/count", "%q is not a fact of the vehicle that is a count", form.Count)
	case !(f.Min >= 1 && f.Max <= MaxCounted):
		b.fault(at+"/count", "%s counts positions: give it a min of at least 1 and a max of at most %d", form.Count, MaxCounted)
	default:
		list.of = f
		for i := range int(f.Max) {
			list.ids = append(list.ids, form.Is+"_"+strconv.Itoa(i+1))
		}
	}
	return list
}

// place gives an item its positions.
func (b *builder) place(at string, it *Item, form PositionsForm) {
	list, known := b.lists[form.List]
	switch {
	case form.List == "" && form.IDs == nil:
		return
	case form.List == "":
		list.ids = b.placeIDs(at, form.IDs)
	case !known:
		b.fault(at, "%q is not a list of positions: use one of %s", form.List, strings.Join(slices.Sorted(maps.Keys(b.lists)), ", "))
	}
	it.PositionsOf = list.of
	for i, c := range list.cases {
		b.later = append(b.later, laterCase{it, c, list.at + "/" + strconv.Itoa(i) + "/when"})
	}
	for _, id := range list.ids {
		p := b.c.positionByID[id]
		if p == nil {
			p = &Position{ID: id, Index: len(b.c.Positions)}
			b.c.Positions = append(b.c.Positions, p)
			b.c.positionByID[id] = p
		}
		it.Positions = append(it.Positions, p)
	}
}

// parts gives an item the parts of it that can be renewed by themselves.
func (b *builder) parts(at string, it *Item, forms map[string][]string) {
	for _, id := range slices.Sorted(maps.Keys(forms)) {
		at, part := at+"/parts/"+token(id), &Part{ID: id, Index: len(it.Parts)}
		if !idForm.MatchString(id) {
			b.fault(at, "%q is not an id: use lower-case words joined by underscores", id)
		}
		if len(forms[id]) == 0 {
			b.fault(at, "name the findings that renewing the %s supersedes", id)
		}
		for i, name := range forms[id] {
			f := it.findByID[name]
			switch {
			case f == nil || f.Common():
				b.fault(at+"/"+strconv.Itoa(i), "%q is not a finding of this item's own", name)
			case slices.Contains(part.Finds, f):
				b.fault(at+"/"+strconv.Itoa(i), "%q is there already", name)
			default:
				part.Finds = append(part.Finds, f)
			}
		}
		it.Parts = append(it.Parts, part)
	}
}

func (b *builder) id(at, id string, form *regexp.Regexp, seen map[string]bool) {
	switch {
	case !form.MatchString(id):
		b.fault(at+"/id", "%q is not an id: use lower-case words joined by underscores", id)
	case seen[id]:
		b.fault(at+"/id", "%q is there already", id)
	case slices.ContainsFunc(strings.Split(id, "."), func(word string) bool { return slices.Contains(celWords, word) }):
		b.fault(at+"/id", "%q has a word of the language that conditions are written in", id)
	}
	seen[id] = true
}

func (b *builder) facts(forms []FindingForm) {
	seen := map[string]bool{"as_of": true, "years_laid_up": true, "years_since_built": true, "found": true, "other": true, "age": true}
	groups := map[string]bool{}
	for i, form := range forms {
		at := "/facts/" + strconv.Itoa(i)
		b.id(at, form.ID, factForm, seen)
		group, _, grouped := strings.Cut(form.ID, ".")
		switch {
		case grouped:
			groups[group] = true
			if seen[group] {
				b.fault(at+"/id", "%q is there already, and not as the name of a group", group)
			}
		case groups[form.ID]:
			b.fault(at+"/id", "%q is there already, as the name of a group", form.ID)
		}
		if form.In == "vehicle" && slices.Contains([]string{"reference", "description", "vin"}, group) {
			b.fault(at+"/id", "every vehicle has its %s: a fact cannot take the name", group)
		}
		f := b.finding(at, form)
		f.In, f.figures = form.In, b.c.figures
		if f.In != "vehicle" && f.In != "lay_up" {
			b.fault(at+"/in", `a fact is in "vehicle" or in "lay_up"`)
		}
		if f.Kind == Text && group != figuresGroup {
			b.fault(at+"/kind", "a fact is not free text: only whose the %s are is", figuresGroup)
		}
		if len(form.Methods) > 0 {
			b.fault(at+"/methods", "a fact is not obtained by a method")
		}
		if f.Kind == WeekCode {
			b.fault(at+"/kind", "a week code is found on an item: it says the item's age")
		}
		if slices.Contains(f.Values, "unknown") {
			b.fault(at+"/values", `"unknown" goes without saying`)
		}
		f.Slot = b.slot(f.ID, f.conditionKind(), f.Values)
		b.c.owner[f.Slot] = f
		b.c.Facts = append(b.c.Facts, f)
		b.c.factByPath[f.In+"."+f.ID] = f
	}
	if len(forms) > MaxFacts {
		b.fault("/facts", "there are %d facts: %d is the limit", len(forms), MaxFacts)
	}
	for _, need := range []string{"vehicle.built", "lay_up.last_ran"} {
		if f := b.c.factByPath[need]; f == nil || f.Kind != Date {
			b.fault("/facts", "the date %s is missing: ages are counted from it", need)
		}
	}
	if len(b.faults) > 0 {
		return
	}
	b.c.Built, b.c.LastRan = b.c.factByPath["vehicle.built"].Slot, b.c.factByPath["lay_up.last_ran"].Slot
	if f := b.c.factByPath["vehicle.odometer"]; f != nil && f.Kind == Quantity {
		b.c.Odometer = f.Slot
	}
}

func (b *builder) systems(forms []SystemForm) {
	systems, items := map[string]bool{}, map[string]bool{}
	for i, form := range forms {
		at := "/systems/" + strconv.Itoa(i)
		b.id(at, form.ID, idForm, systems)
		s := &System{ID: form.ID, Is: label(form.Is, form.ID)}
		b.c.Systems = append(b.c.Systems, s)
		if len(form.Items) == 0 {
			b.fault(at+"/items", "a system has at least one item")
		}
		for j, item := range form.Items {
			b.item(at+"/items/"+strconv.Itoa(j), s, item, items)
		}
	}
	if len(forms) == 0 {
		b.fault("/systems", "there is nothing to inspect")
	}
}

func (b *builder) item(at string, s *System, form ItemForm, seen map[string]bool) {
	b.id(at, form.ID, idForm, seen)
	it := &Item{ID: form.ID, Is: label(form.Is, form.ID), Index: len(b.c.Items), System: s, Minutes: form.Minutes, Access: form.Access, findByID: map[string]*Finding{}}
	if !slices.Contains(Access, form.Access) {
		b.fault(at+"/access", "%q is not an access: use one of %s", form.Access, strings.Join(Access, ", "))
	}
	if !(form.Minutes >= 0 && form.Minutes <= 10000) {
		b.fault(at+"/minutes", "minutes are 0 to 10000")
	}
	if form.HalfLife != nil {
		it.HalfLife = *form.HalfLife
		if !(it.HalfLife > 0) || math.IsInf(it.HalfLife, 1) {
			b.fault(at+"/half_life", "a half-life is some number of years above 0")
		}
	}
	it.figures = b.ownFigures(at, form.Methods, b.c.figures)
	common, finds := everyItem(), map[string]bool{}
	for _, ff := range common {
		finds[ff.ID] = true
	}
	for k, ff := range slices.Concat(form.Finds, common) {
		fat := at + "/finds/" + strconv.Itoa(k)
		if k < len(form.Finds) {
			b.id(fat, ff.ID, idForm, finds)
		}
		f := b.finding(fat, ff)
		f.Item = it
		f.figures = b.ownFigures(fat, ff.Methods, it.figures)
		f.Slot = b.slot("other."+it.ID+"."+f.ID, f.conditionKind(), f.Values)
		b.c.owner[f.Slot] = f
		it.Finds = append(it.Finds, f)
		it.findByID[f.ID] = f
		if f.Kind == WeekCode {
			if it.Made != nil {
				b.fault(fat+"/kind", "the item has a week code already: it was made once")
			}
			it.Made = f
		}
	}
	if len(it.Finds) > MaxFinds {
		b.fault(at+"/finds", "there are %d findings: %d is the limit, with those that every item accepts", len(it.Finds), MaxFinds)
	}
	it.Age, it.Renewed, it.Removed = it.findByID["age"], it.findByID["renewed"], it.findByID["removed"]
	b.place(at+"/positions", it, form.Positions)
	b.parts(at, it, form.Parts)
	if form.NeededFrom != nil {
		it.NeededFrom.Gate = form.NeededFrom.Gate
		if it.NeededFrom.Gate == "" {
			b.fault(at+"/needed_from/gate", "name the gate that needs the item")
		}
	}
	s.Items = append(s.Items, it)
	b.c.Items = append(b.c.Items, it)
	b.c.itemByID[it.ID] = it
}

// positionsWhen compiles the cases of the items' positions.
func (b *builder) positionsWhen() {
	compiled := map[string]*condition.Condition{}
	for _, l := range b.later {
		c := PositionsWhen{}
		if l.are.When != "" {
			cond, seen := compiled[l.at]
			if !seen {
				var err error
				if cond, err = b.c.FactsOnly.Compile(l.are.When, ""); err != nil {
					b.fault(l.at, "%s", err)
				}
				compiled[l.at] = cond
			}
			c.When = cond
		}
		for _, id := range l.are.Are {
			c.Are = append(c.Are, b.c.positionByID[id])
		}
		l.item.PositionsWhen = append(l.item.PositionsWhen, c)
	}
}

// taken compiles what facts are taken for where nobody told them.
func (b *builder) taken(forms []FindingForm) {
	for i, form := range forms {
		f := b.c.Facts[i]
		for k, t := range form.Taken {
			at := fmt.Sprintf("/facts/%d/taken/%d", i, k)
			value := slices.Index(f.Values, t.Is)
			if value < 0 || f.Kind != Flag && f.Kind != Choice {
				b.fault(at+"/is", "%s is never %q", f.ID, t.Is)
				continue
			}
			taken := Taken{Value: float64(value)}
			switch {
			case t.When != "" && t.Reported != "":
				b.fault(at, "a fact is taken for something either when a condition holds or where an item was reported on: leave out when or reported")
				continue
			case t.When == "" && t.Reported == "":
				if k < len(form.Taken)-1 {
					b.fault(at, "what a fact is taken for in any case comes last")
				}
			case t.When == "":
				if taken.Reported = b.c.itemByID[t.Reported]; taken.Reported == nil {
					b.fault(at+"/reported", "%q is not an item of the catalogue", t.Reported)
					continue
				}
			default:
				cond, err := b.c.FactsOnly.Compile(t.When, "")
				if err != nil {
					b.fault(at+"/when", "%s", err)
					continue
				}
				if slices.Contains(cond.Reads(), f.Slot) {
					b.fault(at+"/when", "reads the fact itself, which is not known there")
				}
				taken.When = cond
			}
			f.Taken = append(f.Taken, taken)
		}
	}
}

func (b *builder) conditions(forms []SystemForm) {
	b.positionsWhen()
	for i, s := range forms {
		for j, form := range s.Items {
			at := fmt.Sprintf("/systems/%d/items/%d", i, j)
			it := b.c.itemByID[form.ID]
			if form.Applies != "" {
				cond, err := b.c.FactsOnly.Compile(form.Applies, "")
				if err != nil {
					b.fault(at+"/applies", "%s", err)
				}
				it.Applies = cond
			}
			if form.NeededFrom != nil && form.NeededFrom.When != "" {
				cond, err := b.c.FactsOnly.Compile(form.NeededFrom.When, "")
				if err != nil {
					b.fault(at+"/needed_from/when", "%s", err)
				}
				it.NeededFrom.When = cond
			}
			for k, m := range form.Must {
				cond, err := b.c.Conditions.Compile(m.Hold, it.ID)
				if err != nil {
					b.fault(at+"/must/"+strconv.Itoa(k)+"/hold", "%s", err)
					continue
				}
				for _, slot := range cond.Reads() {
					if f := b.c.owner[slot]; f != nil && f.Item != it {
						b.fault(at+"/must/"+strconv.Itoa(k)+"/hold", "reads %s, which is not a finding of this item", f.ID)
					}
				}
				it.Musts = append(it.Musts, CompiledMust{cond, m.Else})
			}
		}
	}
}

func (b *builder) finding(at string, form FindingForm) *Finding {
	f := &Finding{ID: form.ID, Is: label(form.Is, form.ID), Kind: form.Kind, Values: form.Values, Min: math.Inf(-1), Max: math.Inf(1)}
	switch f.Kind {
	case Choice:
		seen := map[string]bool{}
		for i, v := range f.Values {
			if seen[v] || v == "" {
				b.fault(at+"/values/"+strconv.Itoa(i), "%q is empty or there already", v)
			}
			seen[v] = true
		}
		if len(f.Values) < 2 {
			b.fault(at+"/values", "a choice has at least two values, best first")
		}
		f.Worse = Higher
	case Flag:
		f.Values = []string{"false", "true"}
		f.Worse = Higher
	case Quantity:
		unit, ok := quantity.Lookup(form.Unit)
		if !ok || unit.Code != form.Unit {
			b.fault(at+"/unit", "%q is not the UCUM code of a known unit", form.Unit)
		}
		f.Unit = unit
	case Count:
		f.Min = 0
	case Date, Text, WeekCode:
	default:
		b.fault(at+"/kind", "%q is not a kind of finding: use flag, choice, quantity, count, date, week_code or text", form.Kind)
	}
	if (form.Values != nil) != (f.Kind == Choice) {
		b.fault(at+"/values", "a choice, and nothing else, has values")
	}
	if (form.Unit != "") != (f.Kind == Quantity) {
		b.fault(at+"/unit", "a quantity, and nothing else, has a unit")
	}
	b.worse(at, form, f)
	b.limits(at, form, f)
	return f
}

func (b *builder) worse(at string, form FindingForm, f *Finding) {
	if form.Worse == "" {
		return
	}
	allowed := map[Kind]map[string]Worse{
		Flag:     {"true": Higher, "false": Lower, "neither": Neither},
		Choice:   {"neither": Neither},
		Quantity: {"high": Higher, "low": Lower, "neither": Neither},
		Count:    {"high": Higher, "low": Lower, "neither": Neither},
	}[f.Kind]
	w, ok := allowed[form.Worse]
	if !ok {
		b.fault(at+"/worse", "%q is not how a %s gets worse", form.Worse, f.Kind)
	}
	f.Worse = w
}

func (b *builder) limits(at string, form FindingForm, f *Finding) {
	if form.Min != nil {
		f.Min = *form.Min
	}
	if form.Max != nil {
		f.Max = *form.Max
	}
	if (form.Min != nil || form.Max != nil) && f.Kind != Quantity && f.Kind != Count {
		b.fault(at+"/min", "only a quantity or a count has bounds")
	}
	if !(f.Min < f.Max) {
		b.fault(at+"/min", "the least value is not below the greatest")
	}
	if f.Kind != Quantity || f.Unit.Code == "" {
		return
	}
	f.bounds = map[string]Bounds{}
	for _, u := range f.Unit.Like() {
		lo, _ := quantity.Convert(f.Min, f.Unit, u)
		hi, _ := quantity.Convert(f.Max, f.Unit, u)
		for _, name := range append([]string{u.Code}, u.Short...) {
			f.bounds[name] = Bounds{u, lo, hi}
		}
	}
}

func label(is, id string) string {
	if is != "" {
		return is
	}
	return strings.ReplaceAll(id, "_", " ")
}

func (f *Finding) conditionKind() condition.Kind {
	switch f.Kind {
	case Flag:
		return condition.Flag
	case Choice:
		return condition.Choice
	case Date, WeekCode:
		return condition.Date
	case Text:
		return condition.Text
	}
	return condition.Number
}

// Bounds returns what a quantity may be in the unit of the name given; false when the unit does
// not fit the quantity.
func (f *Finding) Bounds(unit []byte) (Bounds, bool) {
	b, ok := f.bounds[string(unit)]
	return b, ok
}

// Units returns the unit names that a quantity is accepted in, sorted.
func (f *Finding) Units() []string {
	names := make([]string, 0, len(f.bounds))
	for n := range f.bounds {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// Common reports whether every item accepts the finding.
func (f *Finding) Common() bool {
	return f.Item != nil && slices.ContainsFunc(everyItem(), func(e FindingForm) bool { return e.ID == f.ID })
}

// Item finds an item by its id, or returns nil.
func (c *Catalogue) Item(id string) *Item { return c.itemByID[id] }

// ItemBytes is [Catalogue.Item] without the need to make a string of the id first.
func (c *Catalogue) ItemBytes(id []byte) *Item { return c.itemByID[string(id)] }

// Fact finds a fact by the part of a report that has it and its id (air_conditioning.fitted), or
// returns nil.
func (c *Catalogue) Fact(in, id string) *Finding { return c.factByPath[in+"."+id] }

// Owner returns the fact or finding whose value stands at a slot; nil for as_of and what is
// counted from dates.
func (c *Catalogue) Owner(slot int) *Finding { return c.owner[slot] }

// Method finds a method by its id: its index in Methods, or -1.
func (c *Catalogue) Method(id []byte) int {
	for i := range c.Methods {
		if c.Methods[i].ID == string(id) {
			return i
		}
	}
	return -1
}

func (c *Catalogue) methodIDs() []string {
	ids := make([]string, len(c.Methods))
	for i, m := range c.Methods {
		ids[i] = m.ID
	}
	return ids
}

// Position finds a position that some item has by its id, or returns nil.
func (c *Catalogue) Position(id string) *Position { return c.positionByID[id] }

// Figures returns what a finding on an item is worth by a method, of which the index is given: its
// own figures, else the item's, else the method's.
func (f *Finding) Figures(method int) Figures { return f.figures[method] }

// PositionBytes finds a position of the item by its id: its index in Positions, or -1.
func (it *Item) PositionBytes(id []byte) int {
	for i, p := range it.Positions {
		if p.ID == string(id) {
			return i
		}
	}
	return -1
}

// PositionsOn returns the positions that the item has on a vehicle with the facts in a frame. Where
// their number hangs on a fact that is not known, that is all that there may be, and known is false;
// where their kind does, it is those of the vehicles of which nothing is said.
func (it *Item) PositionsOn(f condition.Frame) (positions []*Position, known bool) {
	if n := len(it.PositionsWhen); n > 0 {
		known = true
		for _, c := range it.PositionsWhen[:n-1] {
			switch c.When.Holds(f) {
			case condition.True:
				return c.Are, known
			case condition.Unknown:
				known = false
			}
		}
		return it.PositionsWhen[n-1].Are, known
	}
	if it.PositionsOf == nil {
		return it.Positions, true
	}
	n := f[it.PositionsOf.Slot]
	if n != n {
		return it.Positions, false
	}
	return it.Positions[:min(int(n), len(it.Positions))], true
}

// PartBytes finds a part of the item by its id, or returns nil.
func (it *Item) PartBytes(id []byte) *Part {
	for _, p := range it.Parts {
		if p.ID == string(id) {
			return p
		}
	}
	return nil
}

// Find finds what can be found on the item by its id, or returns nil.
func (it *Item) Find(id string) *Finding { return it.findByID[id] }

// FindBytes is [Item.Find] without the need to make a string of the id first.
func (it *Item) FindBytes(id []byte) *Finding { return it.findByID[string(id)] }

// AppliesTo reports whether the item exists on a vehicle with the facts in a frame. An item whose
// existence hangs on something not known counts as there.
func (it *Item) AppliesTo(f condition.Frame) bool {
	return it.Applies == nil || it.Applies.Holds(f) != condition.False
}
