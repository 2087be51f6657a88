// Package report reads inspection reports as they are posted, and lays all reports on one vehicle
// together into its dossier. It is pure.
//
// [Decode] is strict: malformed JSON, duplicate keys, unknown fields, wrong units, items that the
// vehicle does not have and impossible values are faults, all reported at once, each with a JSON
// Pointer, plain words and the mend. [Schema] is the same contract as a JSON Schema.
package report

import (
	"encoding/json"
	"slices"
	"strconv"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/handbook"

	"github.com/go-json-experiment/json/jsontext"
)

// SchemaName is what a report states as its schema.
const SchemaName = "laidup.report/1"

// Limits of one report.
const (
	MaxObservations = 2000
	MaxText         = 200  // characters of a name or reference
	MaxNote         = 2000 // characters of a note
	MaxFaults       = 200  // faults reported of one report; one more says that there are others
	MaxPhotos       = 200  // photos that a report links, each time that it does so
)

// Report is a valid report.
type Report struct {
	Reference    string // the sender's own name for it; may be empty
	Replaces     string // the id of an earlier report that it is to stand for; may be empty
	Vehicle      Vehicle
	Facts        []Value // vehicle and lay-up facts that are given and known
	Inspected    calendar.Day
	Received     calendar.Day // the day on which it came in, see [Report.CameIn]; 0: not known
	Inspector    string
	Purpose      string   // first_start, pre_purchase, follow_up, or empty
	Photos       []string // the ids of attachments that show the vehicle as a whole
	Observations []Observation
}

// Vehicle names the vehicle that a report is about.
type Vehicle struct {
	Reference   string
	Description string
	VIN         string
}

// Purposes lists what a report can be made for.
var Purposes = []string{"first_start", "pre_purchase", "follow_up"}

// Observation is what was found on one item, by one method, on one day.
type Observation struct {
	Item   *catalogue.Item
	Method int // index in the catalogue's methods
	On     calendar.Day
	Note   string
	Found  []Value
	// At are the positions that it speaks of, as indexes in Item.Positions, sorted; empty where it
	// does not say, or the item has none.
	At []int
	// NotFitted says that the vehicle never had the item: then nothing is found.
	NotFitted bool
	// Part is the part of the item that was renewed by itself: then Found is the renewal. Nil: the
	// whole of it.
	Part *catalogue.Part
	// Photos are the ids of attachments that show it.
	Photos []string
}

// Photo is an attachment that a report links.
type Photo struct {
	Pointer string // JSON Pointer to where its id stands
	ID      string
}

// AllPhotos lists the photos that the report links, in the order of the fields: of the vehicle, then of each observation.
func (r *Report) AllPhotos() (all []Photo) {
	list := func(at string, ids []string) {
		for i, id := range ids {
			all = append(all, Photo{at + "/photos/" + strconv.Itoa(i), id})
		}
	}
	list("", r.Photos)
	for i := range r.Observations {
		list("/observations/"+strconv.Itoa(i), r.Observations[i].Photos)
	}
	return all
}

// Value is one finding or fact with its value.
type Value struct {
	Finding *catalogue.Finding
	// Number is the value as a condition reads it: 0 or 1 for a flag, the place in the list of
	// values for a choice, a quantity in its catalogue unit, a count, the earliest day of a
	// date or of the week of a week code, 1 for a text.
	Number float64
	Date   calendar.Date // of a date or a week code
	Text   string        // of a text
}

// Fault is one thing wrong with a report.
type Fault struct {
	Pointer string `json:"pointer"` // JSON Pointer into the document; empty is the whole of it
	Detail  string `json:"detail"`  // what is wrong and how to mend it
	Code    Code   `json:"code"`
	Column  string `json:"column,omitempty"` // of a spreadsheet, by its name, where the report came as a row of one
}

// Code is the kind of a fault, for programs.
type Code string

// The kinds of fault.
const (
	Malformed    Code = "malformed"      // not JSON
	Duplicate    Code = "duplicate"      // a key stands twice in one object
	UnknownField Code = "unknown_field"  // there is no such field, item or finding
	Missing      Code = "missing"        // a required field is not there
	WrongType    Code = "wrong_type"     // another kind of JSON value is wanted
	WrongValue   Code = "wrong_value"    // not one of the words, or not the form, that is wanted
	WrongUnit    Code = "wrong_unit"     // a unit that does not fit the quantity
	OutOfRange   Code = "out_of_range"   // too long, too many, below or above what is possible
	NotFitted    Code = "does_not_apply" // the vehicle has no such item
	Impossible   Code = "impossible"     // contradicts something else in the report
)

// Caution is something odd about a report that does not make it invalid.
type Caution struct {
	Pointer string `json:"pointer"`
	Detail  string `json:"detail"`
}

// fill puts the facts into a frame.
func (r *Report) fill(f []float64) {
	for _, v := range r.Facts {
		f[v.Finding.Slot] = v.Number
	}
}

// CameIn says on which day the report came in; 0 is not known. Nothing in it counts as later than that:
// what bears a date that had not come yet counts as of that day.
func (r *Report) CameIn(on calendar.Day) {
	if r.Received = on; on == 0 {
		return
	}
	for i := range r.Observations {
		o := &r.Observations[i]
		o.On = min(o.On, on)
		for k := range o.Found {
			if v := &o.Found[k]; v.Date.Earliest() > on {
				v.Date, v.Number = on.Date(), float64(on)
			}
		}
	}
}

// Counts is the day by which the report is ordered among others, and to which it counts: that of the
// inspection, or that on which it came in where this is known and earlier.
func (r *Report) Counts() calendar.Day {
	if r.Received != 0 {
		return min(r.Inspected, r.Received)
	}
	return r.Inspected
}

// Form writes a value in the form in which reports have it, in the unit of the catalogue.
func Form(v Value) json.RawMessage {
	f := v.Finding
	switch f.Kind {
	case catalogue.Flag:
		return json.RawMessage(f.Values[int(v.Number)])
	case catalogue.Choice:
		return quote(f.Values[int(v.Number)])
	case catalogue.Date:
		if v.Date.IsZero() {
			return quote(calendar.Day(v.Number).String())
		}
		return quote(v.Date.String())
	case catalogue.WeekCode:
		return quote(handbook.TyreCode(calendar.Day(v.Number)))
	case catalogue.Text:
		return quote(v.Text)
	}
	number := strconv.AppendFloat(nil, v.Number, 'f', -1, 64)
	if f.Kind == catalogue.Count {
		return number
	}
	return slices.Concat([]byte(`{"value":`), number, []byte(`,"unit":`), quote(f.Unit.Code), []byte(`}`))
}

func quote(s string) []byte {
	b, _ := jsontext.AppendQuote(nil, s)
	return b
}
