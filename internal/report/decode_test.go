package report_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"laidup/internal/report"
)

// at finds what holds the value at a JSON Pointer, and the last step.
func at(t testing.TB, o object, pointer string) (holder any, last string) {
	t.Helper()
	steps := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	holder = o
	for _, s := range steps[:len(steps)-1] {
		switch h := holder.(type) {
		case object:
			holder = h[s]
		case list:
			i, err := strconv.Atoi(s)
			if err != nil || i >= len(h) {
				t.Fatalf("no %s in the report", pointer)
			}
			holder = h[i]
		}
	}
	return holder, steps[len(steps)-1]
}

func set(t testing.TB, o object, pointer string, v any) {
	t.Helper()
	switch h, last := at(t, o, pointer); h := h.(type) {
	case object:
		h[last] = v
	case list:
		i, err := strconv.Atoi(last)
		if err != nil {
			t.Fatal(err)
		}
		h[i] = v
	default:
		t.Fatalf("no %s in the report", pointer)
	}
}

// spoilt is validReport with values put in at JSON Pointers, in turn; drop takes one out.
func spoilt(t testing.TB, changes ...any) object {
	t.Helper()
	o := validReport()
	for i := 0; i < len(changes); i += 2 {
		pointer := changes[i].(string)
		if changes[i+1] == drop {
			h, last := at(t, o, pointer)
			delete(h.(object), last)
			continue
		}
		set(t, o, pointer, changes[i+1])
	}
	return o
}

type nothing struct{}

var drop = nothing{}

// fault is a fault expected: its detail has to have text in it.
type fault struct {
	pointer string
	code    report.Code
	text    string
}

func compare(t *testing.T, got []report.Fault, want ...fault) {
	t.Helper()
	same := slices.EqualFunc(got, want, func(g report.Fault, w fault) bool {
		return g.Pointer == w.pointer && g.Code == w.code && strings.Contains(g.Detail, w.text)
	})
	if !same {
		var b strings.Builder
		for _, f := range got {
			fmt.Fprintf(&b, "\n  %s %s: %s", f.Pointer, f.Code, f.Detail)
		}
		t.Errorf("faults are%s\nwant %v", b.String(), want)
	}
}

func decodeFaults(t *testing.T, data []byte) []report.Fault {
	t.Helper()
	r, cautions, faults := report.Decode(data, builtIn(t))
	if (r == nil) != (len(faults) > 0) || r == nil && cautions != nil {
		t.Errorf("report %v with cautions %v and faults %v", r, cautions, faults)
	}
	return faults
}

func TestTheValidReportIsValid(t *testing.T) {
	r, cautions, faults := report.Decode(marshal(t, validReport()), builtIn(t))
	if len(faults) > 0 || len(cautions) > 0 {
		t.Fatalf("faults %v, cautions %v", faults, cautions)
	}
	if r.Reference != "bench-2026-014" || r.Vehicle != (report.Vehicle{Reference: "marrick-tern-01", Description: "Marrick Tern 2.0, saloon"}) ||
		r.Inspected.String() != "2026-05-02" || r.Inspector != "bench 2" || r.Purpose != "first_start" || len(r.Facts) != 19 || len(r.Observations) != 4 {
		t.Errorf("the report is %+v", r)
	}
	belt, compression := r.Observations[0], r.Observations[2]
	if belt.Item.ID != "timing_belt" || builtIn(t).Methods[belt.Method].ID != "seen" || belt.On != r.Inspected || belt.Note != "left edge, two cords" || len(belt.Found) != 2 {
		t.Errorf("the belt is %+v", belt)
	}
	if compression.On.String() != "2026-04-30" {
		t.Errorf("the compression was measured on %s", compression.On)
	}
	for _, v := range compression.Found {
		if want := map[string]float64{"lowest": 900, "highest": 1100}[v.Finding.ID]; v.Number != want {
			t.Errorf("%s is %v kPa, want %v", v.Finding.ID, v.Number, want)
		}
	}
}

func TestAFollowUpNeedsLittle(t *testing.T) {
	r, _, faults := report.Decode([]byte(`{"schema": "laidup.report/1", "vehicle": {"reference": "x"}, "inspection": {"date": "2026-05-03"}, "observations": []}`), builtIn(t))
	if len(faults) > 0 || len(r.Facts) != 0 || len(r.Observations) != 0 {
		t.Errorf("%+v %v", r, faults)
	}
}

func TestFaults(t *testing.T) {
	const (
		belt = "/observations/0"
		odo  = "/vehicle/odometer"
		on   = "/observations/2/found"
	)
	years := func(v any) object { return object{"value": v, "unit": "a"} }
	for name, c := range map[string]struct {
		changes []any
		want    []fault
	}{
		// unknown fields
		"a field there is not":         {list{"/colour", "red"}, []fault{{"/colour", report.UnknownField, "it takes schema, reference, vehicle"}}},
		"a field of no name":           {list{"/", 1}, []fault{{"/", report.UnknownField, `no field ""`}}},
		"a name to be escaped":         {list{"/vehicle/~a", drop, "/vehicle/b c~", 1}, []fault{{"/vehicle/b c~0", report.UnknownField, "b c~"}}},
		"a fact there is not":          {list{"/vehicle/colour", "red"}, []fault{{"/vehicle/colour", report.UnknownField, "the facts of the catalogue"}}},
		"a fact in capitals":           {list{"/vehicle/Fuel", "petrol"}, []fault{{"/vehicle/Fuel", report.UnknownField, ""}}},
		"a lay-up fact on the vehicle": {list{"/vehicle/storage", "outdoors"}, []fault{{"/vehicle/storage", report.UnknownField, ""}}},
		"a vehicle fact on the lay-up": {list{"/lay_up/fuel", "petrol"}, []fault{{"/lay_up/fuel", report.UnknownField, ""}}},
		"a dotted fact":                {list{"/vehicle/air_conditioning.fitted", true}, []fault{{"/vehicle/air_conditioning.fitted", report.UnknownField, ""}}},
		"inside a group":               {list{"/vehicle/air_conditioning/gas", "R-12"}, []fault{{"/vehicle/air_conditioning/gas", report.UnknownField, "begin with air_conditioning"}}},
		"inside an inspection":         {list{"/inspection/time", "noon"}, []fault{{"/inspection/time", report.UnknownField, "date, inspector, purpose"}}},
		"inside an observation":        {list{belt + "/photo", "1.jpg"}, []fault{{belt + "/photo", report.UnknownField, "item, method, date, found, note"}}},
		"an item there is not":         {list{belt + "/item", "flux_capacitor"}, []fault{{belt + "/item", report.UnknownField, `"flux_capacitor" is not an item`}}},
		"a finding there is not":       {list{belt + "/found/torn", true}, []fault{{belt + "/found/torn", report.UnknownField, `"torn" cannot be found on timing_belt: it takes fraying`}}},
		"inside a measurement":         {list{odo + "/units", "km"}, []fault{{odo + "/units", report.UnknownField, "value, unit"}}},
		"a name too long to repeat":    {list{"/" + strings.Repeat("ä", 50), 1}, []fault{{"/" + strings.Repeat("ä", 50), report.UnknownField, strings.Repeat("ä", 40) + `…"`}}},

		// missing fields
		"no schema":                 {list{"/schema", drop}, []fault{{"/schema", report.Missing, `"laidup.report/1"`}}},
		"no vehicle":                {list{"/vehicle", drop}, []fault{{"/vehicle", report.Missing, ""}}},
		"no inspection":             {list{"/inspection", drop}, []fault{{"/inspection", report.Missing, ""}}},
		"no observations":           {list{"/observations", drop}, []fault{{"/observations", report.Missing, "[] if nothing was looked at"}}},
		"no vehicle's reference":    {list{"/vehicle/reference", drop}, []fault{{"/vehicle/reference", report.Missing, ""}}},
		"no day of inspection":      {list{"/inspection/date", drop}, []fault{{"/inspection/date", report.Missing, ""}}},
		"no item":                   {list{belt + "/item", drop}, []fault{{belt + "/item", report.Missing, ""}}},
		"no method":                 {list{belt + "/method", drop}, []fault{{belt + "/method", report.Missing, "one of tested, measured,"}}},
		"nothing found":             {list{belt + "/found", drop}, []fault{{belt + "/found", report.Missing, ""}}},
		"found empty":               {list{belt + "/found", object{}}, []fault{{belt + "/found", report.Missing, "nothing was found"}}},
		"no value":                  {list{odo + "/value", drop}, []fault{{odo + "/value", report.Missing, ""}}},
		"no unit":                   {list{odo + "/unit", drop}, []fault{{odo + "/unit", report.Missing, "km"}}},
		"an observation of nothing": {list{belt, object{}}, []fault{{belt + "/item", report.Missing, ""}, {belt + "/method", report.Missing, ""}, {belt + "/found", report.Missing, ""}}},

		// wrong types
		"the schema a number":             {list{"/schema", 1}, []fault{{"/schema", report.WrongType, "this is a number"}}},
		"the vehicle a name":              {list{"/vehicle", "tern"}, []fault{{"/vehicle", report.WrongType, "this is text: it has to be an object"}}},
		"the vehicle null":                {list{"/vehicle", nil}, []fault{{"/vehicle", report.WrongType, "this is null"}}},
		"the reference null":              {list{"/vehicle/reference", nil}, []fault{{"/vehicle/reference", report.WrongType, "null"}}},
		"the lay-up a list":               {list{"/lay_up", list{}}, []fault{{"/lay_up", report.WrongType, "this is a list"}}},
		"the inspection a date":           {list{"/inspection", "2026-05-02"}, []fault{{"/inspection", report.WrongType, "text"}}},
		"the inspection null":             {list{"/inspection", nil}, []fault{{"/inspection", report.WrongType, "null"}}},
		"the day of inspection null":      {list{"/inspection/date", nil}, []fault{{"/inspection/date", report.WrongType, "null"}}},
		"the observations an object":      {list{"/observations", object{}}, []fault{{"/observations", report.WrongType, "this is an object: it has to be a list"}}},
		"an observation a word":           {list{belt, "frayed"}, []fault{{belt, report.WrongType, "text"}}},
		"an observation null":             {list{belt, nil}, []fault{{belt, report.WrongType, "null"}}},
		"the item a number":               {list{belt + "/item", 7}, []fault{{belt + "/item", report.WrongType, "a number"}}},
		"the method true":                 {list{belt + "/method", true}, []fault{{belt + "/method", report.WrongType, "this is true"}}},
		"the method null":                 {list{belt + "/method", nil}, []fault{{belt + "/method", report.WrongType, "null"}}},
		"found a list":                    {list{belt + "/found", list{}}, []fault{{belt + "/found", report.WrongType, "a list"}}},
		"found null":                      {list{belt + "/found", nil}, []fault{{belt + "/found", report.WrongType, "null"}}},
		"the note a number":               {list{belt + "/note", 1}, []fault{{belt + "/note", report.WrongType, "a number"}}},
		"the date of an observation null": {list{belt + "/date", nil}, []fault{{belt + "/date", report.WrongType, "null"}}},
		"a flag as text":                  {list{belt + "/found/fraying", "yes"}, []fault{{belt + "/found/fraying", report.WrongType, "this is text: it has to be true or false"}}},
		"a flag as a number":              {list{belt + "/found/fraying", 1}, []fault{{belt + "/found/fraying", report.WrongType, "true or false"}}},
		"a flag null":                     {list{belt + "/found/fraying", nil}, []fault{{belt + "/found/fraying", report.WrongType, "null"}}},
		"a choice as a flag":              {list{"/vehicle/fuel", true}, []fault{{"/vehicle/fuel", report.WrongType, "one of petrol, diesel"}}},
		"a choice as a number":            {list{"/vehicle/interference", 0}, []fault{{"/vehicle/interference", report.WrongType, "one of no, yes"}}},
		"a flag as a word":                {list{"/vehicle/hybrid", "no"}, []fault{{"/vehicle/hybrid", report.WrongType, "or left out where it is not known"}}},
		"a bare number":                   {list{odo, 84210}, []fault{{odo, report.WrongType, "an object: value, unit"}}},
		"a measurement as text":           {list{odo, "84210 km"}, []fault{{odo, report.WrongType, "this is text"}}},
		"a value as text":                 {list{odo + "/value", "84210"}, []fault{{odo + "/value", report.WrongType, "this is text: it has to be a number"}}},
		"a value null":                    {list{odo + "/value", nil}, []fault{{odo + "/value", report.WrongType, "null"}}},
		"a unit null":                     {list{odo + "/unit", nil}, []fault{{odo + "/unit", report.WrongType, "null"}}},
		"a count as text":                 {list{"/vehicle/cylinders", "4"}, []fault{{"/vehicle/cylinders", report.WrongType, "a whole number"}}},
		"a count with a unit":             {list{"/vehicle/cylinders", object{"value": 4, "unit": "1"}}, []fault{{"/vehicle/cylinders", report.WrongType, "an object"}}},
		"a date as a number":              {list{"/vehicle/built", 1987}, []fault{{"/vehicle/built", report.WrongType, "a number"}}},
		"a group as a flag":               {list{"/vehicle/air_conditioning", true}, []fault{{"/vehicle/air_conditioning", report.WrongType, "an object"}}},
		"a VIN as a number":               {list{"/vehicle/vin", 12345}, []fault{{"/vehicle/vin", report.WrongType, "or null"}}},

		// wrong values
		"another schema":            {list{"/schema", "laidup.report/2"}, []fault{{"/schema", report.WrongValue, `write "laidup.report/1"`}}},
		"a reference with a space":  {list{"/vehicle/reference", "tern 01"}, []fault{{"/vehicle/reference", report.WrongValue, "letters, digits"}}},
		"a reference that is empty": {list{"/vehicle/reference", ""}, []fault{{"/vehicle/reference", report.WrongValue, ""}}},
		"a reference from a dash":   {list{"/vehicle/reference", "-1"}, []fault{{"/vehicle/reference", report.WrongValue, ""}}},
		"a reference with a path":   {list{"/vehicle/reference", "a/../b"}, []fault{{"/vehicle/reference", report.WrongValue, ""}}},
		"a reference in Cyrillic":   {list{"/vehicle/reference", "Тёрн"}, []fault{{"/vehicle/reference", report.WrongValue, ""}}},
		"a fuel there is not":       {list{"/vehicle/fuel", "gasoline"}, []fault{{"/vehicle/fuel", report.WrongValue, `"gasoline" is not an answer here: use one of petrol, diesel, lpg, cng`}}},
		"a word in capitals":        {list{"/vehicle/fuel", "Petrol"}, []fault{{"/vehicle/fuel", report.WrongValue, ""}}},
		"a finding unknown":         {list{"/observations/1/found", object{"case": "unknown"}}, []fault{{"/observations/1/found/case", report.WrongValue, `"unknown" is not an answer`}}},
		"a method there is not":     {list{belt + "/method", "dreamt"}, []fault{{belt + "/method", report.WrongValue, "use one of tested, measured"}}},
		"a purpose there is not":    {list{"/inspection/purpose", "fun"}, []fault{{"/inspection/purpose", report.WrongValue, "first_start, pre_purchase, follow_up"}}},
		"thirtieth of February":     {list{"/inspection/date", "2026-02-30"}, []fault{{"/inspection/date", report.WrongValue, "not a date"}}},
		"an inspection of a month":  {list{"/inspection/date", "2026-05"}, []fault{{"/inspection/date", report.WrongValue, "to the day"}}},
		"an inspection at a time":   {list{"/inspection/date", "2026-05-02T10:00:00Z"}, []fault{{"/inspection/date", report.WrongValue, "not a date"}}},
		"built in no month":         {list{"/vehicle/built", "1987-13"}, []fault{{"/vehicle/built", report.WrongValue, "not a date"}}},
		"built in the year 0":       {list{"/vehicle/built", "0000"}, []fault{{"/vehicle/built", report.WrongValue, "not a date"}}},
		"a day first":               {list{belt + "/date", "02.05.2026"}, []fault{{belt + "/date", report.WrongValue, "not a date"}}},
		"a renewal of no day":       {list{belt + "/found/renewed", "2025-06-31"}, []fault{{belt + "/found/renewed", report.WrongValue, "not a date"}}},
		"half a cylinder":           {list{"/vehicle/cylinders", 4.5}, []fault{{"/vehicle/cylinders", report.WrongValue, "whole number"}}},
		"a text of spaces":          {list{"/observations/1", object{"item": "refrigerant", "method": "documented", "found": object{"recovery_record": " \t\u00a0"}}}, []fault{{"/observations/1/found/recovery_record", report.WrongValue, "this is empty"}}},
		"NUL in a note":             {list{belt + "/note", "a\x00b"}, []fault{{belt + "/note", report.WrongValue, "NUL character"}}},
		"NUL in a description":      {list{"/vehicle/description", "\x00"}, []fault{{"/vehicle/description", report.WrongValue, "NUL character"}}},
		"NUL in a short VIN":        {list{"/vehicle/vin", "AB\x00"}, []fault{{"/vehicle/vin", report.WrongValue, "NUL character"}}},

		// wrong units
		"pressure in volts":        {list{on + "/lowest/unit", "V"}, []fault{{on + "/lowest/unit", report.WrongUnit, `"V" is not a unit for this: use one of MPa, Pa, [in_i'Hg], [psi], bar`}}},
		"a unit in capitals":       {list{on + "/lowest/unit", "BAR"}, []fault{{on + "/lowest/unit", report.WrongUnit, "kPa"}}},
		"no unit at all":           {list{on + "/lowest/unit", ""}, []fault{{on + "/lowest/unit", report.WrongUnit, "kPa"}}},
		"distance in years":        {list{odo + "/unit", "a"}, []fault{{odo + "/unit", report.WrongUnit, "[mi_i], cm, ft, in, km, m, mi, mm"}}},
		"a unit and a value wrong": {list{on + "/lowest", object{"value": "9", "unit": "V"}}, []fault{{on + "/lowest/unit", report.WrongUnit, ""}, {on + "/lowest/value", report.WrongType, ""}}},

		// out of range
		"too far":                       {list{odo + "/value", 5000001}, []fault{{odo + "/value", report.OutOfRange, "from 0 to 5000000"}}},
		"too far in miles":              {list{odo, object{"value": 3106856, "unit": "mi"}}, []fault{{odo + "/value", report.OutOfRange, "mi is impossible here"}}},
		"less than nothing":             {list{odo + "/value", -1}, []fault{{odo + "/value", report.OutOfRange, ""}}},
		"a negative age":                {list{belt + "/found/age", years(-0.5)}, []fault{{belt + "/found/age/value", report.OutOfRange, "from 0 to 150"}}},
		"an age of centuries in months": {list{belt + "/found/age", object{"value": 1801, "unit": "mo"}}, []fault{{belt + "/found/age/value", report.OutOfRange, "from 0 to 1800"}}},
		"no cylinders":                  {list{"/vehicle/cylinders", 0}, []fault{{"/vehicle/cylinders", report.OutOfRange, "from 1 to 24"}}},
		"minus one turn":                {list{"/observations/3/found/turns_by_hand_since_fitting", -1}, []fault{{"/observations/3/found/turns_by_hand_since_fitting", report.OutOfRange, ""}}},
		"beyond all numbers":            {list{odo + "/value", json.Number("1e400")}, []fault{{odo + "/value", report.OutOfRange, "the number 1e400 is beyond all measure"}}},
		"far beyond all numbers":        {list{"/vehicle/cylinders", json.Number("1e999999999")}, []fault{{"/vehicle/cylinders", report.OutOfRange, "beyond all measure"}}},
		"a reference of 101":            {list{"/vehicle/reference", strings.Repeat("a", 101)}, []fault{{"/vehicle/reference", report.OutOfRange, "101 characters long: 100 is the limit"}}},
		"a description of 201":          {list{"/vehicle/description", strings.Repeat("ä", 201)}, []fault{{"/vehicle/description", report.OutOfRange, "201 characters long: 200"}}},
		"a note of 2001":                {list{belt + "/note", strings.Repeat("ä", 2001)}, []fault{{belt + "/note", report.OutOfRange, "2001 characters long: 2000"}}},
		"a VIN of 18":                   {list{"/vehicle/vin", "1G4AH59H45G118341X"}, []fault{{"/vehicle/vin", report.OutOfRange, "17 is the limit"}}},

		// not fitted, impossible
		"a chain on a belt engine":     {list{"/observations/1", object{"item": "timing_chain", "method": "felt", "found": object{"rattle": true}}}, []fault{{"/observations/1/item", report.NotFitted, `no timing chain (valve_drive == "chain" `}}},
		"a plug in a diesel":           {list{"/vehicle/fuel", "diesel", "/observations/1", object{"item": "spark_plugs", "method": "seen", "found": object{"judged": "sound"}}}, []fault{{"/observations/1/item", report.NotFitted, ""}}},
		"built after the inspection":   {list{"/vehicle/built", "2027", "/lay_up", drop, belt + "/found/age", drop}, []fault{{"/vehicle/built", report.Impossible, "built after it was inspected"}}},
		"ran after the inspection":     {list{"/lay_up/last_ran", "2026-06"}, []fault{{"/lay_up/last_ran", report.Impossible, "last ran after it was inspected"}}},
		"ran the day before":           {list{"/vehicle/built", "1987-06-02", "/lay_up/last_ran", "1987-06-01"}, []fault{{"/lay_up/last_ran", report.Impossible, "before it was built"}}},
		"ran the month before":         {list{"/vehicle/built", "1987-06-02", "/lay_up/last_ran", "1987-05"}, []fault{{"/lay_up/last_ran", report.Impossible, "before it was built"}}},
		"ran before it was built":      {list{"/lay_up/last_ran", "1986-12"}, []fault{{"/lay_up/last_ran", report.Impossible, "before it was built"}}},
		"found after the inspection":   {list{belt + "/date", "2026-05-03"}, []fault{{belt + "/date", report.Impossible, "2026-05-03 is after the inspection of 2026-05-02"}}},
		"renewed in the future":        {list{belt + "/found/renewed", "2026-06"}, []fault{{belt + "/found/renewed", report.Impossible, "after the inspection"}}},
		"renewed before built":         {list{belt + "/found/renewed", "1986"}, []fault{{belt + "/found/renewed", report.Impossible, "before the vehicle was built (1987)"}}},
		"older than the vehicle":       {list{belt + "/found/age", years(41)}, []fault{{belt + "/found/age", report.Impossible, "before the vehicle was built"}}},
		"the lowest above the highest": {list{on + "/lowest/value", 11.1}, []fault{{on, report.Impossible, "the lowest compression is above the highest"}}},
		"the same in psi and kPa":      {list{on + "/lowest", object{"value": 160, "unit": "psi"}}, []fault{{on, report.Impossible, "swap them"}}},
	} {
		t.Run(name, func(t *testing.T) {
			compare(t, decodeFaults(t, marshal(t, spoilt(t, c.changes...))), c.want...)
		})
	}
}

func TestWhatIsNoFault(t *testing.T) {
	const belt = "/observations/0"
	for name, changes := range map[string][]any{
		"everything optional null":        {"/reference", nil, "/vehicle/description", nil, "/vehicle/vin", nil, "/vehicle/fuel", nil, "/vehicle/odometer", nil, "/vehicle/air_conditioning", nil, "/lay_up", nil, "/inspection/inspector", nil, "/inspection/purpose", nil, belt + "/note", nil},
		"ran in the year it was built":    {"/vehicle/built", "1987-06-02", "/lay_up/last_ran", "1987"},
		"built in the month it last ran":  {"/vehicle/built", "1987-06", "/lay_up/last_ran", "1987-06-01"},
		"ran on the day it was built":     {"/vehicle/built", "1987-06-02", "/lay_up/last_ran", "1987-06-02"},
		"every kind of fact unknown":      {"/vehicle/built", "unknown", "/vehicle/odometer", "unknown", "/vehicle/fuel", "unknown", "/vehicle/cylinders", "unknown", "/vehicle/hybrid", "unknown", "/vehicle/air_conditioning", object{"fitted": "unknown", "refrigerant": nil}, "/lay_up", object{"last_ran": "unknown", "storage": "unknown"}},
		"an item of facts not known":      {"/vehicle/valve_drive", drop, "/observations/1", object{"item": "timing_chain", "method": "felt", "found": object{"rattle": true}}},
		"whole numbers with a point":      {"/vehicle/cylinders", json.Number("4.0"), "/observations/3/found/turns_by_hand_since_fitting", json.Number("2e0")},
		"minus nothing":                   {"/vehicle/odometer/value", json.Number("-0")},
		"less than can be told from 0":    {"/vehicle/odometer/value", json.Number("1e-400")},
		"the greatest in each unit":       {"/vehicle/odometer", object{"value": 5000000, "unit": "km"}},
		"the greatest in another":         {belt + "/found/age", object{"value": 468, "unit": "mo"}},
		"lowest and highest the same":     {"/observations/2/found/lowest", object{"value": 1.1, "unit": "MPa"}},
		"the lowest alone":                {"/observations/2/found/highest", drop},
		"built in the year of inspection": {"/vehicle/built", "2026", "/lay_up", drop, belt + "/found/age", object{"value": 1, "unit": "a"}},
		"an age rounded up":               {belt + "/found/age", object{"value": 40, "unit": "a"}},
		"renewed in the year of building": {belt + "/found/renewed", "1987", belt + "/found/age", drop},
		"renewed on the day":              {belt + "/found/renewed", "2026-05-02", belt + "/found/age", drop},
		"renewed this month":              {belt + "/found/renewed", "2026-05", belt + "/found/age", drop},
		"found in a month":                {belt + "/date", "2026-05"},
		"found before it was built":       {belt + "/date", "1950", belt + "/found/age", drop},
		"Unicode":                         {"/reference", "Тёрн 𝄞 «1»", belt + "/note", "línea\u2028y \U0001F527", "/vehicle/description", "車"},
		"as long as may be":               {"/vehicle/reference", strings.Repeat("a", 100), "/vehicle/description", strings.Repeat("𝄞", 200), belt + "/note", strings.Repeat("ä", 2000)},
		"the same item twice":             {"/observations/1", object{"item": "timing_belt", "method": "told", "found": object{"fraying": false}}},
	} {
		t.Run(name, func(t *testing.T) {
			compare(t, decodeFaults(t, marshal(t, spoilt(t, changes...))))
		})
	}
}

func TestNotJSON(t *testing.T) {
	valid := string(marshal(t, validReport()))
	for name, c := range map[string]struct {
		text, pointer, detail string
	}{
		"nothing":                 {"", "", "the document is empty"},
		"spaces":                  {" \n\t", "", "the document is empty"},
		"cut off":                 {valid[:len(valid)-1], "", "not JSON at byte " + strconv.Itoa(len(valid)-1)},
		"cut off inside":          {`{"schema": "laidup.report/1", "vehicle": {"reference": "x`, "/vehicle/reference", "not JSON at byte"},
		"a comma too many":        {`{"schema": "laidup.report/1",}`, "", "not JSON at byte 28"},
		"a comma too few":         {`{"schema": "laidup.report/1" "vehicle": {}}`, "", "not JSON at byte 29"},
		"single quotes":           {`{'schema': 1}`, "", "not JSON at byte 1"},
		"a bare word":             {`{"schema": laidup}`, "/schema", "not JSON at byte 11"},
		"a comment":               {`{"schema": "laidup.report/1" /* yes */}`, "", "not JSON"},
		"NaN":                     {`{"vehicle": {"odometer": {"value": NaN}}}`, "/vehicle/odometer/value", "not JSON at byte 35"},
		"a number with a plus":    {`{"vehicle": {"cylinders": +4}}`, "/vehicle/cylinders", "not JSON at byte"},
		"a number from nought":    {`{"vehicle": {"cylinders": 04}}`, "/vehicle", "not JSON at byte"},
		"a tab in a text":         {"{\"schema\": \"a\tb\"}", "/schema", "not JSON at byte"},
		"invalid UTF-8":           {"{\"schema\": \"\xff\"}", "/schema", "not JSON at byte"},
		"invalid UTF-8 in a name": {"{\"\xc3\x28\": 1}", "", "not JSON at byte"},
		"half a surrogate pair":   {`{"schema": "\ud800"}`, "/schema", "not JSON at byte"},
		"a byte order mark":       {"\ufeff" + valid, "", "not JSON at byte 0"},
		"two reports":             {valid + valid, "", "something follows the report"},
		"something after":         {valid + " x", "", "not JSON at byte"},
		"nested without end":      {strings.Repeat(`{"vehicle":`, 20000), "", "not JSON at byte"},
		"nested in a skipped":     {`{"x": ` + strings.Repeat("[", 20000) + strings.Repeat("]", 20000) + "}", "", "not JSON at byte"},
		"UTF-16":                  {"\xff\xfe{\x00}\x00", "", "not JSON at byte 0"},
	} {
		t.Run(name, func(t *testing.T) {
			faults := decodeFaults(t, []byte(c.text))
			if len(faults) != 1 || faults[0].Code != report.Malformed || !strings.Contains(faults[0].Detail, c.detail) {
				t.Fatalf("faults are %+v, want %s", faults, c.detail)
			}
			if !strings.HasPrefix(faults[0].Pointer, c.pointer) {
				t.Errorf("at %q, want %q", faults[0].Pointer, c.pointer)
			}
		})
	}
}

func TestNotAReport(t *testing.T) {
	for text, what := range map[string]string{"null": "null", "[]": "a list", `"x"`: "text", "1": "a number", "true": "true"} {
		compare(t, decodeFaults(t, []byte(text)), fault{"", report.WrongType, "this is " + what})
	}
	compare(t, decodeFaults(t, []byte("{}")),
		fault{"/schema", report.Missing, ""}, fault{"/vehicle", report.Missing, ""}, fault{"/inspection", report.Missing, ""}, fault{"/observations", report.Missing, ""})
}

func TestDuplicateKeysAtEachLevel(t *testing.T) {
	const text = `{"schema": "laidup.report/1", "vehicle": {"reference": "x", "cylinders": 4, "odometer": {"value": 1, "unit": "km"}, "air_conditioning": {"fitted": true}},
		"lay_up": {"last_ran": "2015"}, "inspection": {"date": "2026-05-02"}, "observations": [{"item": "timing_belt", "method": "seen", "found": {"fraying": true, "age": {"value": 1, "unit": "a"}}}]}`
	compare(t, decodeFaults(t, []byte(text)))
	for _, c := range []struct{ old, new, pointer string }{
		{`{"schema": "laidup.report/1"`, `{"schema": "laidup.report/1", "schema": "laidup.report/1"`, "/schema"},
		{`"lay_up": {"last_ran": "2015"}`, `"lay_up": {"last_ran": "2015"}, "lay_up": null`, "/lay_up"},
		{`"observations": [`, `"observations": [], "observations": [`, "/observations"},
		{`"reference": "x"`, `"reference": "x", "reference": "y"`, "/vehicle/reference"},
		{`"cylinders": 4`, `"cylinders": 4, "cylinders": 4`, "/vehicle/cylinders"},
		{`"cylinders": 4`, `"cylinders": 4, "cyl\u0069nders": 4`, "/vehicle/cylinders"},
		{`"cylinders": 4`, `"cylinders": 4, "vin": null, "vin": 4`, "/vehicle/vin"},
		{`"fitted": true`, `"fitted": true, "fitted": null`, "/vehicle/air_conditioning/fitted"},
		{`"air_conditioning": {`, `"air_conditioning": null, "air_conditioning": {`, "/vehicle/air_conditioning"},
		{`"value": 1, "unit": "km"`, `"value": 1, "unit": "km", "value": 2`, "/vehicle/odometer/value"},
		{`"last_ran": "2015"`, `"last_ran": "2015", "last_ran": "2016"`, "/lay_up/last_ran"},
		{`"date": "2026-05-02"`, `"date": "2026-05-02", "date": "2026-05-01"`, "/inspection/date"},
		{`"item": "timing_belt"`, `"item": "timing_belt", "item": "battery"`, "/observations/0/item"},
		{`"found": {"fraying"`, `"found": null, "found": {"fraying"`, "/observations/0/found"},
		{`"fraying": true`, `"fraying": true, "fraying": false`, "/observations/0/found/fraying"},
		{`"unit": "a"`, `"unit": "a", "unit": "mo"`, "/observations/0/found/age/unit"},
	} {
		twice := strings.Replace(text, c.old, c.new, 1)
		if twice == text {
			t.Fatalf("no %s in the report", c.old)
		}
		faults := decodeFaults(t, []byte(twice))
		if !slices.ContainsFunc(faults, func(f report.Fault) bool {
			return f.Pointer == c.pointer && f.Code == report.Duplicate && strings.Contains(f.Detail, "stands here twice")
		}) {
			t.Errorf("%s twice: %v", c.pointer, faults)
		}
	}
}

// All faults are told at once, in the order of the document, wherever found stands.
func TestFaultsStandInTheOrderOfTheDocument(t *testing.T) {
	const text = `{"schema": "x", "vehicle": {"fuel": "gasoline", "odometer": {"value": -1, "unit": "km"}}, "inspection": {"date": "2026-02-30", "purpose": 4},
		"observations": [
			{"found": {"torn": 1, "fraying": 2}, "item": "timing_belt", "method": "dreamt"},
			{"method": "guessed", "found": {"fraying": 3}, "note": 5, "item": "timing_belt", "date": "x"},
			{"item": "timing_belt", "found": {"fraying": 4}, "method": 6},
			{"found": {"fraying": 7}, "item": "wing"},
			{"found": {"fraying": 8}},
			{"found": 9, "item": "battery", "method": "seen"}
		], "colour": 1}`
	want := []fault{
		{"/schema", report.WrongValue, ""},
		{"/vehicle/fuel", report.WrongValue, ""}, {"/vehicle/odometer/value", report.OutOfRange, ""}, {"/vehicle/reference", report.Missing, ""},
		{"/inspection/date", report.WrongValue, ""}, {"/inspection/purpose", report.WrongType, ""},
		{"/observations/0/found/torn", report.UnknownField, ""}, {"/observations/0/found/fraying", report.WrongType, ""}, {"/observations/0/method", report.WrongValue, ""},
		{"/observations/1/method", report.WrongValue, ""}, {"/observations/1/found/fraying", report.WrongType, ""}, {"/observations/1/note", report.WrongType, ""}, {"/observations/1/date", report.WrongValue, ""},
		{"/observations/2/found/fraying", report.WrongType, ""}, {"/observations/2/method", report.WrongType, ""},
		{"/observations/3/item", report.UnknownField, ""}, {"/observations/3/method", report.Missing, ""},
		{"/observations/4/item", report.Missing, ""}, {"/observations/4/method", report.Missing, ""},
		{"/observations/5/found", report.WrongType, ""},
		{"/colour", report.UnknownField, ""},
	}
	compare(t, decodeFaults(t, []byte(text)), want...)
}

func TestFaultsOfTheWholeComeTogether(t *testing.T) {
	o := spoilt(t, "/lay_up/last_ran", "1980", "/observations/0/date", "2027", "/observations/0/found/renewed", "2030", "/observations/0/found/age", drop,
		"/observations/1", object{"item": "timing_chain", "method": "felt", "date": "2026-06-01", "found": object{"rattle": true}},
		"/observations/2/found/lowest/value", 90)
	compare(t, decodeFaults(t, marshal(t, o)),
		fault{"/lay_up/last_ran", report.Impossible, ""},
		fault{"/observations/0/date", report.Impossible, ""}, fault{"/observations/0/found/renewed", report.Impossible, ""},
		fault{"/observations/1/item", report.NotFitted, ""}, fault{"/observations/1/date", report.Impossible, ""},
		fault{"/observations/2/found", report.Impossible, ""})
}

func TestTooManyFaults(t *testing.T) {
	many := make(list, report.MaxFaults+50)
	faults := decodeFaults(t, marshal(t, spoilt(t, "/observations", many)))
	if len(faults) != report.MaxFaults+1 {
		t.Fatalf("%d faults", len(faults))
	}
	if last := faults[report.MaxFaults]; last.Pointer != "" || !strings.Contains(last.Detail, "there are more problems") {
		t.Errorf("the last is %+v", last)
	}
	if faults := decodeFaults(t, marshal(t, spoilt(t, "/observations", many[:report.MaxFaults]))); len(faults) != report.MaxFaults {
		t.Errorf("%d faults", len(faults))
	}
	// Faults of findings that came before their item.
	early := list{}
	for range report.MaxFaults {
		early = append(early, object{"found": object{"fraying": 1, "cracked": 1}, "item": "timing_belt", "method": "seen"})
	}
	if faults := decodeFaults(t, marshal(t, spoilt(t, "/observations", early))); len(faults) != report.MaxFaults+1 || faults[report.MaxFaults].Pointer != "" {
		t.Errorf("%d faults", len(faults))
	}
}

func TestTooManyObservations(t *testing.T) {
	many := make(list, report.MaxObservations+2)
	for i := range many {
		many[i] = object{"item": "battery", "method": "seen", "found": object{"secured": true}}
	}
	compare(t, decodeFaults(t, marshal(t, spoilt(t, "/observations", many))), fault{"/observations", report.OutOfRange, "more than 2000 observations"})
	compare(t, decodeFaults(t, marshal(t, spoilt(t, "/observations", many[:report.MaxObservations]))))
}

// Worked examples of 49 CFR 565.15 (the regulation's Table V, and NHTSA's outline for new
// manufacturers).
func TestVehicleIdentificationNumbers(t *testing.T) {
	for vin, want := range map[string]string{
		"1G4AH59H45G118341":      "",
		"1J9RP1A36A1644345":      "",
		"1g4ah59h45g118341":      "",
		"1G4AH59H55G118341":      "is 5 where 49 CFR 565.15 asks for 4",
		"1G4AH59HX5G118341":      "is X where",
		"11111111111111111":      "", // all ones: 89 mod 11 is 1
		"00000000000000000":      "",
		"G118341":                "",
		"":                       "",
		"ÄÖÜ-1 of 3":             "",
		"WVWZZZ1KZAW000001"[:16]: "",
		"WVWZZZ1KZAW000001":      "is Z where", // European: position 9 is filled in
	} {
		r, cautions, faults := report.Decode(marshal(t, spoilt(t, "/vehicle/vin", vin)), builtIn(t))
		switch {
		case len(faults) > 0:
			t.Errorf("%s: %v", vin, faults)
		case want == "" && len(cautions) > 0, want != "" && (len(cautions) != 1 || cautions[0].Pointer != "/vehicle/vin" || !strings.Contains(cautions[0].Detail, want)):
			t.Errorf("%s: cautions are %v, want %q", vin, cautions, want)
		case r.Vehicle.VIN != strings.ToUpper(vin):
			t.Errorf("%s is kept as %s", vin, r.Vehicle.VIN)
		}
	}
	for _, vin := range []string{"IG4AH59H45G118341", "1O4AH59H45G118341", "1G4AH59H45Q118341", "1i4AH59H45G118341", "1G4AH59H45G11834 ", "1G4AH59H45G11834é", "ſG4AH59H45G118341", "1G4AH59H45G11834-"} {
		compare(t, decodeFaults(t, marshal(t, spoilt(t, "/vehicle/vin", vin))), fault{"/vehicle/vin", report.WrongValue, "without I, O and Q"})
	}
}

// A change of one character is missed only where the values of both differ by a multiple of 11
// times nothing: that is, where they are the same (A, J and 1; B, K, S and 2; ...).
func TestSingleCharacterErrorsOfAVIN(t *testing.T) {
	values := map[byte]int{}
	for i, c := range []byte("0123456789") {
		values[c] = i
	}
	for i, c := range []byte("ABCDEFGH") {
		values[c] = i + 1
	}
	for i, c := range []byte("JKLMN") {
		values[c] = i + 1
	}
	values['P'], values['R'] = 7, 9
	for i, c := range []byte("STUVWXYZ") {
		values[c] = i + 2
	}
	vin := []byte("1G4AH59H45G118341")
	for i := range vin {
		if i == 8 {
			continue
		}
		for c, value := range values {
			wrong := bytes.Clone(vin)
			wrong[i] = c
			_, cautions, faults := report.Decode(marshal(t, spoilt(t, "/vehicle/vin", string(wrong))), builtIn(t))
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			if caught := len(cautions) > 0; caught != (value != values[vin[i]]) {
				t.Errorf("%s for %s: caught %v", wrong, vin, caught)
			}
		}
	}
}

func TestDecodeFound(t *testing.T) {
	cat := builtIn(t)
	belt := cat.Item("timing_belt")
	values, faults := report.DecodeFound([]byte(`{"fraying": true, "age": {"value": 18, "unit": "mo"}, "renewed": "2025"}`), belt, cat)
	if len(faults) > 0 || len(values) != 3 || values[0].Number != 1 || values[1].Number != 1.5 || values[2].Date.String() != "2025" {
		t.Errorf("%+v %v", values, faults)
	}
	for text, want := range map[string]fault{
		`{"fraying": 1}`:                     {"/fraying", report.WrongType, ""},
		`{"torn": 1}`:                        {"/torn", report.UnknownField, ""},
		`{}`:                                 {"", report.Missing, ""},
		`[]`:                                 {"", report.WrongType, ""},
		`{"fraying": true, "fraying": true}`: {"/fraying", report.Duplicate, ""},
		`{"fraying": true} {}`:               {"", report.Malformed, "something follows"},
		`{"fraying": `:                       {"/fraying", report.Malformed, ""},
		``:                                   {"", report.Malformed, "empty"},
	} {
		_, faults := report.DecodeFound([]byte(text), belt, cat)
		compare(t, faults, want)
	}
}

// What Form writes, DecodeFound reads as the same.
func TestFormIsReadBack(t *testing.T) {
	cat := builtIn(t)
	r, _, faults := report.Decode(largeReport(t, cat, 200), cat)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	for _, o := range r.Observations {
		for _, v := range o.Found {
			text := fmt.Appendf(nil, "{%q: %s}", v.Finding.ID, report.Form(v))
			again, faults := report.DecodeFound(text, o.Item, cat)
			if len(faults) > 0 || len(again) != 1 || again[0] != v {
				t.Errorf("%s is %+v, was %+v (%v)", text, again, v, faults)
			}
		}
	}
}

func TestMinusNothingIsNothing(t *testing.T) {
	cat := builtIn(t)
	values, faults := report.DecodeFound([]byte(`{"age": {"value": -0, "unit": "a"}}`), cat.Item("timing_belt"), cat)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if got := string(report.Form(values[0])); got != `{"value":0,"unit":"a"}` {
		t.Errorf("it is %s", got)
	}
}

// photos is a list of so many ids of photos, each another.
func photos(n int) list {
	var ids list
	for i := range n {
		ids = append(ids, fmt.Sprintf("%064x", i+10))
	}
	return ids
}

func TestPhotosOfAReport(t *testing.T) {
	const belt = "/observations/0/photos"
	for name, c := range map[string]struct {
		changes []any
		want    []fault
	}{
		"none":                    {list{"/photos", nil, belt, list{}}, nil},
		"as many as may be":       {list{"/photos", photos(report.MaxPhotos - 1), belt, photos(1)}, nil},
		"one too many in all":     {list{"/photos", photos(report.MaxPhotos), belt, photos(2)}, []fault{{"/photos", report.OutOfRange, "more than 200"}}},
		"no list":                 {list{belt, "photo.jpg"}, []fault{{belt, report.WrongType, "a list"}}},
		"the name of a file":      {list{"/photos", list{"photo.jpg"}}, []fault{{"/photos/0", report.WrongValue, "POST /v1/attachments"}}},
		"in capitals":             {list{belt, list{strings.Repeat("A", 64)}}, []fault{{belt + "/0", report.WrongValue, "0-9 and a-f"}}},
		"one character too few":   {list{belt, list{strings.Repeat("a", 63)}}, []fault{{belt + "/0", report.WrongValue, ""}}},
		"a letter in the middle":  {list{belt, list{strings.Repeat("a", 31) + "g" + strings.Repeat("a", 32)}}, []fault{{belt + "/0", report.WrongValue, ""}}},
		"a number":                {list{belt, list{7}}, []fault{{belt + "/0", report.WrongType, "this is a number"}}},
		"twice":                   {list{belt, append(photos(2), photos(1)...)}, []fault{{belt + "/2", report.Duplicate, "stands here twice"}}},
		"all that is wrong":       {list{"/photos", list{"x"}, belt, list{1, "y"}}, []fault{{belt + "/0", report.WrongType, ""}, {belt + "/1", report.WrongValue, ""}, {"/photos/0", report.WrongValue, ""}}},
		"of what was never there": {list{"/observations/0/fitted", false, "/observations/0/found", drop, belt, photos(1)}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			o := spoilt(t, c.changes...)
			compare(t, decodeFaults(t, marshal(t, o)), c.want...)
		})
	}
	o := spoilt(t, "/photos", photos(2), belt, photos(1), "/observations/2/photos", photos(1))
	r, _, _ := report.Decode(marshal(t, o), builtIn(t))
	one, two := photos(2)[0].(string), photos(2)[1].(string)
	want := []report.Photo{{"/photos/0", one}, {"/photos/1", two}, {"/observations/0/photos/0", one}, {"/observations/2/photos/0", one}}
	if got := r.AllPhotos(); !slices.Equal(got, want) {
		t.Errorf("its photos are %v", got)
	}
}
