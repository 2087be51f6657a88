// Package jobbook reads job books: what may be off a vehicle and how one gets there, the jobs, what
// each of them gives, what it takes in hours, hands, plant and parts, and what undoes what. A job book is
// data, as a rule set is. The package checks it against a JSON Schema, ties it to a catalogue, compiles
// every condition on the vehicle's facts, and reports everything that is wrong at once, with file, line
// and the id of the entry. It is pure.
//
// All figures are whole numbers, so that who reckons with them gets the same sums on every machine:
// minutes, cents, days, and chances in ten thousand.
//
// What does not hold on a vehicle is as if it were not in the book: a job of which another must have it
// done is not asked for, and a state that is needed but that the vehicle does not have is open there, for
// there is nothing to take off. [Book.Reach] reads it so.
package jobbook

import (
	"encoding/json"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// SchemaName is what a job book states as its schema.
const SchemaName = "laidup.job_book/1"

// Book is a job book ready to plan by. It is safe for concurrent use and never changes.
//
// Each list is in the order of the book, and the Index of an entry is its place there. Names are unique
// within their list; the ids of states and jobs are unique together, for a plan names both as steps.
type Book struct {
	Name, Version string
	Is            string
	Digest        string // "sha256:" and the hash of the canonical form (RFC 8785)
	Canonical     []byte // the book as one JSON document in canonical form, with all that it extends
	Catalogue     *catalogue.Catalogue

	Kinds    []*Kind
	Traits   []*Trait
	Fittings []*Fitting
	Places   []*Place
	Plants   []*Plant
	Parts    []*Part
	States   []*State
	Ways     []*Way // of all states, in the order of these
	Jobs     []*Job
	Looks    []*Look // by the index of the item in the catalogue; never nil

	Rate     int     // cents for an hour of labour; 0: no money is known
	Currency string  // of all cents, as ISO 4217 has it; empty where Rate is 0: then no part has a price in money
	Horizon  Horizon // how far "later" reaches, unless who plans says otherwise
	// Refit is what it takes to put back a part that is off the vehicle, whichever it is. The zero value says
	// that nobody puts any back.
	Refit    Hours
	Cautions []string
}

// Horizon is how far ahead one looks who asks whether a job is done now or later.
type Horizon struct {
	Years    int
	Distance int // km that are driven in that time
}

// Range is a low, a likely and a high figure, Low <= Likely <= High. The zero value is nothing at all.
type Range struct{ Low, Likely, High int }

// Hours is a [Range] in whole minutes of elapsed work. Who counts people's time multiplies it by People.
type Hours = Range

// Days is a [Range] in whole calendar days.
type Days = Range

// Kind is a kind of vehicle that entries of the book speak of by name. One vehicle may be of several.
type Kind struct {
	ID, Is string
	When   *condition.Condition // on facts
}

// Trait is something about a vehicle on which a way in hangs and that no fact of the catalogue tells, such as
// whether a panel comes out. It is not for whoever plans to choose: it is looked up or asked.
type Trait struct {
	ID, Is string // a question's clause: "the panel behind the seats comes out"
	Index  int
	// Assumed is what is taken where nobody told: what makes the plan longer.
	Assumed bool
}

// Fitting is something about the vehicle that a job may need to be in place, such as that it stands on its
// wheels or that the gearbox is on the engine.
type Fitting struct {
	ID, Is string
	Index  int
	// Shut has the states that take it away while they are open. A job that needs the fitting is done
	// before each of them is opened or after it has been shut.
	Shut []*State
}

// Place is somewhere on or about the vehicle in which no more than Room people can work at a time.
type Place struct {
	ID, Is string
	Index  int
	Room   int
}

// Plant is a thing that one has one of or more, or none: a lift, a hoist.
type Plant struct {
	ID, Is string
	Index  int
}

// State is something that can be off, out or open: an access state.
type State struct {
	ID, Is string
	Index  int
	When   *condition.Condition // on facts; nil: every vehicle has it
	Ways   []*Way               // at least one
	Shuts  []*Fitting           // what is not in place while it is open
	// Spoils has the findings that no longer hold once it has been open: whoever reports one of them does
	// so after it has been shut.
	Spoils []*catalogue.Finding
	// ClosedBy has the jobs that do the closing; see Job.Closes.
	ClosedBy []*Job
	Cautions []string
	Source   Source
}

// Way is one way to open a state.
//
// Ways of a state that hold on one vehicle at once are choices, and the cheapest may be taken. Which ways
// hold, by When, is a fact of the vehicle and nobody's choice: a way of which it is not known whether it
// holds is not to be taken without saying so.
type Way struct {
	ID    string // unique within the book: the state's, or state.way where that has several
	State *State
	Index int                  // in Book.Ways
	When  *condition.Condition // on facts; nil: always
	// If and Unless have the traits that the vehicle must have, and must not have, for the way to hold.
	If, Unless []*Trait
	Needs      []*State // what has to be open before, and is shut after it
	After      []*Job   // have to be in the plan, and done before it is opened
	Then       []*Job   // have to be in the plan, and done once it has been shut
	Open       Hours
	Close      Hours
	// People is how many it takes to open and to close, 1 or more.
	People int
	Uses   []*Plant // while it is being opened and closed
	Holds  []*Plant // from its opening until it has been closed
	Places []*Place // where that work goes on
	UsesUp []Need   // renewed on closing
	// Surprise is what may happen on opening; empty where nothing is known.
	Surprise []Surprise
	Note     string
	Source   Source
}

// Surprise is something that comes to light, and the jobs that it adds to the plan.
type Surprise struct {
	What   string
	Chance int // in ten thousand, on a vehicle laid up for years
	Adds   []*Job
}

// PartKind says what it takes to get a part.
type PartKind string

// The kinds of part, easiest to get first.
const (
	Stock        PartKind = "stock"         // on the shelf of any factor
	StandardSize PartKind = "standard_size" // by its measures, whatever vehicle it is for
	Specialist   PartKind = "specialist"    // from who deals in such vehicles
	Rebuilt      PartKind = "rebuilt"       // one's own, or another, made good by somebody else
	MadeToOrder  PartKind = "made_to_order"
	Service      PartKind = "service" // no part but work that is bought in
)

// Part is something that is bought.
type Part struct {
	ID, Is string
	Index  int
	Kind   PartKind
	Price  Range // in minutes of labour; zero where Money is given
	// Money is the price in cents of the book's currency, from a workshop's own price book; nil where there
	// is none.
	Money  *Range
	Lead   Days // from the order to the bench
	Source Source
}

// Need is a part that is wanted.
type Need struct {
	Any   []*Part // one of these; at least one, the usual one first
	Times int     // how many, 1 or more
}

// Give is a finding that may be reported by who did a job.
type Give struct {
	Finding *catalogue.Finding
	// Value is what is reported, in the form of reports; nil: whatever is asked for.
	Value json.RawMessage
	// Shown says that the job only shows how it is and does not see to it: the finding is given if it is
	// so. Something that was found bad is not cleared by such a job alone; see Job.Mends.
	Shown bool
	// At has the positions of the item at which it is given; nil: at all that the vehicle has.
	At []*catalogue.Position
}

// Covers reports whether the finding is given at a position of its item; nil is the item as a whole.
func (g Give) Covers(p *catalogue.Position) bool {
	return g.At == nil || p != nil && slices.Contains(g.At, p)
}

// Opening is what has to be open for a job, on vehicles on which When holds; nil always does.
type Opening struct {
	When *condition.Condition
	All  []*State // empty: nothing
}

// Job is something that is done.
//
// A job of which the book has variants is several: the job itself, which holds where none of them does, and
// each of them, named job.variant. Whoever names the job in the book names all of them.
type Job struct {
	ID, Is string
	Index  int
	Of     *Job                 // of which it is a variant; nil: of none
	When   *condition.Condition // on facts; nil: on every vehicle
	Gives  []Give
	// Mends has the findings that the job puts right and that something else has to show afterwards: a new
	// clutch frees the plate, and that it does is seen once the gearbox is on again. Where such a finding was
	// found bad, a job that mends it and a job or look that shows it clear it together.
	Mends []*catalogue.Finding
	Items []*catalogue.Item // of what it gives and mends, each once, in that order
	// Open has the alternatives: on any vehicle one of those that hold there is enough. Nil: nothing needs
	// to be open. A vehicle on which none of several holds is not one that it can be done on.
	Open   []Opening
	Fitted []*Fitting // what has to be in place while it is done
	After  []*Job     // come before it where both are in the plan
	Must   []*Job     // come before it, and have to be in the plan
	Then   []*Job     // come after it, and have to be in the plan
	With   []*Job     // renewed together, either way round: where one is in the plan the others are too
	// Closes has the states whose closing the job is: where one of them is open in the plan, the job stands
	// in the place of its closing, and neither the way's Close nor what it uses up is counted. What the job
	// needs fitted is in place by then as far as that state is concerned.
	Closes []*State
	// Spoils has the findings that no longer hold once it has been done: whoever reports one of them does
	// so afterwards. What the job gives itself it does not spoil for itself.
	Spoils []*catalogue.Finding
	// Proof says that it changes nothing and shows that all is well: it comes after all that spoils what
	// it gives, and is done even where the finding was given before.
	Proof bool
	// Discovered says that it comes into a plan only when something that was found calls for it: a surprise,
	// or something bad that no other job clears.
	Discovered bool
	// Once is the id of the gate that has to have been passed before it can be done, such as first_start for
	// what only a running engine shows; empty: none.
	Once string
	// Licensed is what who does it has to hold, such as refrigerant_handler; empty: nothing.
	Licensed string
	// BoughtIn is what it costs to have it done by somebody who holds the licence; empty where it cannot be
	// bought. It then takes no hours of one's own.
	BoughtIn []Need
	People   int // 1 or more
	Hours    Hours
	Wait     Hours // passes after it without anybody at work before anything that comes after it
	Uses     []*Plant
	Places   []*Place
	Parts    []Need
	Reveals  []Surprise
	Later    *Later               // nil: it is done when it is asked for, and never put in because something is open
	Readings []*catalogue.Finding // that are measured: a job card leaves room for them and states none
	Cautions []string
	Source   Source
}

// Unit is what a life is counted in.
type Unit uint8

// The units of a life. The zero value is years.
const (
	Years    Unit = iota
	Distance      // km
)

// Later is what becomes of a part that is left for later.
type Later struct {
	Item  *catalogue.Item // whose age counts
	Shape float64         // of a Weibull distribution of its life, above 0
	Scale float64         // of that, in Unit, above 0
	Unit  Unit
	// Fails is what it costs, in minutes of labour, when it fails before it was renewed, beyond what doing it
	// then costs: a tow, other things broken.
	Fails   Range
	Because string
}

// Look is what it takes to look at an item. It gives what can be found by looking, if it is so.
type Look struct {
	Item   *catalogue.Item
	Hours  Hours // from the catalogue's minutes
	People int
	Open   []Opening // as of a job
	Fitted []*Fitting
	Once   string // the gate that has to have been passed before; empty: none
	Gives  []*catalogue.Finding
}

// Source says on whose word an entry stands.
type Source = ruleset.Source

// Holds says whether a condition of the book holds on a vehicle with the facts in a frame; nil always does.
func Holds(c *condition.Condition, f condition.Frame) condition.Truth {
	if c == nil {
		return condition.True
	}
	return c.Holds(f)
}

// OpeningsOn returns the alternatives that hold on a vehicle, or may: possible says that what holds is not
// known for all of them. With neither, and alternatives in the book, it cannot be done on such a vehicle.
func OpeningsOn(list []Opening, f condition.Frame) (sure, possible []Opening) {
	for _, o := range list {
		switch Holds(o.When, f) {
		case condition.True:
			sure = append(sure, o)
		case condition.False:
		default:
			possible = append(possible, o)
		}
	}
	return sure, possible
}
