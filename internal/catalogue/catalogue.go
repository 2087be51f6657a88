// Package catalogue says what can be said about a vehicle: the facts that describe it, its systems
// and items, what can be found on each item, and the methods by which a finding was obtained.
//
// A catalogue is data: it comes out of a rule set. [New] checks it and gives every fact and finding
// a slot in the [condition.Frame] that conditions read. The package is pure.
package catalogue

import (
	"fmt"
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
	Methods []Method      `json:"methods"`
	Facts   []FindingForm `json:"facts"`
	Systems []SystemForm  `json:"systems"`
}

// Method is a way in which a finding was obtained. Credence is the share of such findings that a
// careful second look would repeat, above 0 and at most 1.
type Method struct {
	ID       string  `json:"id"`
	Is       string  `json:"is"`
	Credence float64 `json:"credence"`
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
	MaxFacts = 60
	MaxFinds = 60 // of one item
)

// Access lists what may have to be off before an item can be looked at, least first.
var Access = []string{"none", "covers", "underside", "wheels", "part_strip", "gearbox_split", "engine_out"}

// Catalogue is a checked catalogue. It is safe for concurrent use and never changes.
type Catalogue struct {
	Methods []Method
	Facts   []*Finding
	Systems []*System
	Items   []*Item // of all systems, in order

	// Slots of the frame that belong to no fact or item.
	AsOf, YearsLaidUp, YearsSinceBuilt int
	// Size is the length of a frame.
	Size int
	// Conditions has every name that conditions may read.
	Conditions *condition.Env
	// FactsOnly has the names that conditions on a vehicle alone may read.
	FactsOnly *condition.Env

	itemByID   map[string]*Item
	factByPath map[string]*Finding
	owner      []*Finding // by slot
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

	findByID map[string]*Finding
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
	// Min and Max bound a quantity (in Unit) or count; infinite where nothing bounds it.
	Min, Max float64

	bounds map[string]Bounds
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
func New(doc Document) (*Catalogue, []Fault) {
	b := &builder{c: &Catalogue{itemByID: map[string]*Item{}, factByPath: map[string]*Finding{}}}
	b.methods(doc.Methods)
	b.c.AsOf = b.slot("as_of", condition.Date, nil)
	b.c.YearsLaidUp = b.slot("years_laid_up", condition.Number, nil)
	b.c.YearsSinceBuilt = b.slot("years_since_built", condition.Number, nil)
	b.facts(doc.Facts)
	b.factNames = slices.Clone(b.names)
	b.systems(doc.Systems)
	if len(b.faults) > 0 {
		return nil, b.faults
	}
	b.c.Size = len(b.names)
	b.c.FactsOnly = condition.NewEnv(b.factNames)
	b.c.Conditions = condition.NewEnv(b.names)
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
	faults    []Fault
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
		if !(m.Credence > 0 && m.Credence <= 1) {
			b.fault(at+"/credence", "a credence is above 0 and at most 1")
		}
	}
	if len(methods) == 0 {
		b.fault("/methods", "there has to be a method by which findings are obtained")
	}
	b.c.Methods = methods
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
		f.In = form.In
		if f.In != "vehicle" && f.In != "lay_up" {
			b.fault(at+"/in", `a fact is in "vehicle" or in "lay_up"`)
		}
		if f.Kind == Text {
			b.fault(at+"/kind", "a fact is not free text")
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
	s.Items = append(s.Items, it)
	b.c.Items = append(b.c.Items, it)
	b.c.itemByID[it.ID] = it
}

func (b *builder) conditions(forms []SystemForm) {
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

// Find finds what can be found on the item by its id, or returns nil.
func (it *Item) Find(id string) *Finding { return it.findByID[id] }

// FindBytes is [Item.Find] without the need to make a string of the id first.
func (it *Item) FindBytes(id []byte) *Finding { return it.findByID[string(id)] }

// AppliesTo reports whether the item exists on a vehicle with the facts in a frame. An item whose
// existence hangs on something not known counts as there.
func (it *Item) AppliesTo(f condition.Frame) bool {
	return it.Applies == nil || it.Applies.Holds(f) != condition.False
}
