package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// newCommand makes files to begin with.
type newCommand struct {
	Report newReportCommand `cmd:"" help:"Write a starter report for a kind of vehicle, with every item it has and what can be found on each, as JSON or as a spreadsheet for laidup batch."`
}

type newReportCommand struct {
	Vehicle   string `enum:"car,diesel,van,motorcycle,hybrid,unknown" default:"car" help:"Kind of vehicle: car, diesel, van, motorcycle, hybrid or unknown."`
	Reference string `default:"my-vehicle" help:"Your reference for the vehicle."`
	Date      string `help:"Date of the inspection. Default: today."`
	Purpose   string `enum:"first_start,pre_purchase" default:"first_start" help:"Purpose of the inspection: first_start or pre_purchase."`
	Rules     string `help:"Rule set whose catalogue the report uses. Default: first-start."`
	Out       string `placeholder:"FILE" help:"New file to write. Default: standard output."`
	Format    string `enum:"json,csv" default:"json" help:"Output format: json, or csv with a column for each finding and one example row."`
	Looks     int    `help:"Only the items whose look settles the most risk a minute on such a vehicle, at most so many. 0: every item."`
	Bare      bool   `help:"Leave out the notes on what can be found on each item."`
}

// kindsOfVehicle has the facts that a kind of vehicle mostly has. The others are left unknown, and so is
// what costs an engine to get wrong, such as whether its valves meet its pistons.
var kindsOfVehicle = map[string]map[string]any{
	"car": {
		"kind": "car", "drive": "combustion", "fuel": "petrol", "fuel_delivery": "injection", "injection_pump": "none", "ignition": "electronic",
		"stroke": "four", "cylinders": 4, "valve_drive": "belt", "cooling": "liquid", "voltage": "12", "starter": "electric", "hybrid": false,
		"layout": "front_engine_front_drive", "gearbox": "manual", "clutch": "cable", "final_drive": "half_shafts", "brakes": "hydraulic",
	},
	"diesel": { // in-line, rotary or common-rail: that is for who looks
		"kind": "car", "drive": "combustion", "fuel": "diesel", "fuel_delivery": "injection", "ignition": "none",
		"stroke": "four", "cylinders": 4, "valve_drive": "belt", "cooling": "liquid", "voltage": "12", "starter": "electric", "hybrid": false,
		"layout": "front_engine_front_drive", "gearbox": "manual", "clutch": "hydraulic", "final_drive": "half_shafts", "brakes": "hydraulic",
	},
	"van": {
		"kind": "van", "drive": "combustion", "fuel": "diesel", "fuel_delivery": "injection", "ignition": "none",
		"stroke": "four", "cylinders": 4, "valve_drive": "chain", "turbocharged": true, "cooling": "liquid", "voltage": "12", "starter": "electric", "hybrid": false,
		"layout": "front_engine_rear_drive", "gearbox": "manual", "clutch": "hydraulic", "final_drive": "shaft", "brakes": "hydraulic", "brake_servo": true,
	},
	"motorcycle": {
		"kind": "motorcycle", "drive": "combustion", "fuel": "petrol", "fuel_delivery": "carburettor", "injection_pump": "none", "ignition": "electronic",
		"stroke": "four", "cylinders": 2, "valve_drive": "chain", "turbocharged": false, "cooling": "air", "voltage": "12", "starter": "electric", "hybrid": false,
		"layout": "motorcycle", "gearbox": "manual", "clutch": "cable", "final_drive": "chain", "brakes": "hydraulic", "brake_servo": false,
		"power_steering": false, "air_conditioning.fitted": false,
	},
	"hybrid": {
		"kind": "car", "drive": "hybrid", "fuel": "petrol", "fuel_delivery": "injection", "injection_pump": "none", "ignition": "coil_on_plug",
		"stroke": "four", "cylinders": 4, "valve_drive": "chain", "cooling": "liquid", "voltage": "12", "starter": "electric", "hybrid": true,
		"layout": "front_engine_front_drive", "gearbox": "automatic", "clutch": "none", "final_drive": "half_shafts", "brakes": "hydraulic", "brake_servo": true,
	},
	"unknown": {},
}

// Run writes the report, and on standard error what to do with it.
func (c *newReportCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	if c.Looks < 0 {
		return fmt.Errorf("--looks is %d: use the most items that you want, or 0 for all", c.Looks)
	}
	if c.Date == "" {
		c.Date = t.today.String()
	}
	list, err := c.observations(t, set)
	if err != nil {
		return err
	}
	write := c.jsonText
	if c.Format == "csv" {
		write = c.csvText
	}
	text, err := write(set, list)
	if err != nil {
		return err
	}
	if err := c.write(t, text); err != nil {
		return err
	}
	name := c.Out
	if name == "" {
		name = "FILE"
	}
	if c.Format == "csv" {
		fmt.Fprintf(t.err, "This starter file has a row with the names of %d columns, and an example. Its method is \"told\" (hearsay), which clears no gate: nobody has looked yet.\n", bytes.Count(text[:bytes.IndexByte(text, '\n')], []byte(","))+1)
		fmt.Fprintf(t.err, "Replace the example by a row for each report. Leave a cell empty where nobody looked; delete the columns that you do not need. Every item also takes the columns\n")
		fmt.Fprintf(t.err, "  judged, age, renewed, removed, method, date, note, such as timing_belt.age [a], and positions, such as spark_plugs.gap at cylinder_1 [mm]. Methods:\n")
		c.listMethods(t, set)
		fmt.Fprintf(t.err, "Then: laidup batch %s\n", name)
		return nil
	}
	fmt.Fprintf(t.err, "This starter report has %d observations. All are marked \"told\" (hearsay), which clears no gate: nobody has looked yet.\n", len(list))
	fmt.Fprintf(t.err, "Look at each item, then enter what you found and the method, or delete the observation. Leave facts you do not know as \"unknown\". Methods:\n")
	c.listMethods(t, set)
	fmt.Fprintf(t.err, "Then: laidup check %s; laidup score %s\n", name, name)
	return nil
}

func (c *newReportCommand) listMethods(t terminal, set *ruleset.Set) {
	for _, m := range set.Catalogue.Methods {
		fmt.Fprintf(t.err, "  %-11s %s\n", m.ID, m.Is)
	}
}

func (c *newReportCommand) write(t terminal, text []byte) (err error) {
	if c.Out == "" {
		_, err = t.out.Write(text)
		return err
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Close())
}

// exampleObservation is an observation as the file has it.
type exampleObservation struct {
	Item   string         `json:"item"`
	At     []string       `json:"at,omitempty"`
	Method string         `json:"method"`
	Found  map[string]any `json:"found"`
	Note   string         `json:"note,omitempty"`
}

// observations lists what the report has. What the catalogue asks of an observation as a whole may refuse the best
// that can be said of each finding: such an item is only judged.
func (c *newReportCommand) observations(t terminal, set *ruleset.Set) (list []exampleObservation, err error) {
	bare, err := c.text(set.Catalogue, nil)
	if err != nil {
		return nil, err
	}
	known, err := c.read(bare, set)
	if err != nil {
		return nil, err
	}
	for _, a := range known.Ahead(t.today) {
		fmt.Fprintf(t.err, "%s: caution: %s\n", a.Pointer, a.Detail)
	}
	frame := report.Lay([]*report.Report{known}, set.Catalogue, set.ProofCredence).Frame
	worth := c.worthALook(set, known)
	for _, it := range set.Catalogue.Items {
		if !it.AppliesTo(frame) || c.Looks > 0 && !worth[it.ID] {
			continue
		}
		o := exampleObservation{Item: it.ID, At: positions(it, frame), Method: hearsay(set.Catalogue), Found: allWell(it)}
		if !c.Bare {
			o.Note = sayable(it)
		}
		one, err := c.text(set.Catalogue, []exampleObservation{o})
		if err != nil {
			return nil, err
		}
		if _, err := c.read(one, set); err != nil || len(o.Found) == 0 {
			o.Found = map[string]any{"judged": "serviceable"}
		}
		list = append(list, o)
	}
	return list, nil
}

// worthALook has the items that are to be looked at first on a vehicle of which nothing else is known.
func (c *newReportCommand) worthALook(set *ruleset.Set, blank *report.Report) map[string]bool {
	worth := map[string]bool{}
	if c.Looks > 0 {
		few := *set
		few.LookNext.Most = c.Looks
		for _, l := range score.Evaluate(&few, []*report.Report{blank}, -1).LookNext {
			worth[l.Item] = true
		}
	}
	return worth
}

// jsonText writes the report as JSON, and holds it against what a report has to be.
func (c *newReportCommand) jsonText(set *ruleset.Set, list []exampleObservation) ([]byte, error) {
	text, err := c.text(set.Catalogue, list)
	if err != nil {
		return nil, err
	}
	_, err = c.read(text, set)
	return text, err
}

// read holds what was written against what a report has to be.
func (c *newReportCommand) read(text []byte, set *ruleset.Set) (*report.Report, error) {
	r, _, faults := report.Decode(text, set.Catalogue)
	if len(faults) > 0 {
		return nil, fmt.Errorf("make a report: %s: %s", faults[0].Pointer, faults[0].Detail)
	}
	return r, nil
}

// hearsay is the method that is believed least.
func hearsay(cat *catalogue.Catalogue) string { return cat.Methods[len(cat.Methods)-1].ID }

// positions lists where the vehicle has the item; where nobody knows how many it has, the one that
// it has for certain.
func positions(it *catalogue.Item, frame condition.Frame) []string {
	there, known := it.PositionsOn(frame)
	if !known {
		there = there[:1]
	}
	var names []string
	for _, p := range there {
		names = append(names, p.ID)
	}
	return names
}

// allWell is the best that can be said of an item without a gauge.
func allWell(it *catalogue.Item) map[string]any {
	found := map[string]any{}
	for _, f := range it.Finds {
		switch {
		case f.Common():
		case f.Kind == catalogue.Flag:
			found[f.ID] = f.Worse == catalogue.Lower
		case f.Kind == catalogue.Choice:
			found[f.ID] = f.Values[0]
		}
	}
	return found
}

// sayable says what can be found on an item, and what a look costs.
func sayable(it *catalogue.Item) string {
	var b strings.Builder
	fmt.Fprintf(&b, "EXAMPLE. %s: %v min, access %s.", it.Is, it.Minutes, wording.Spaced(it.Access))
	for _, f := range it.Finds {
		if f.Common() {
			continue
		}
		fmt.Fprintf(&b, " %s: %s.", f.ID, form(f))
	}
	if len(it.Positions) > 0 {
		fmt.Fprintf(&b, " at: those of %s that you looked at.", spanOf(it))
	}
	for _, p := range it.Parts {
		fmt.Fprintf(&b, " part: %s, beside renewed and nothing else, where it alone was renewed.", p.ID)
	}
	b.WriteString(" Of every item: judged, age, renewed, removed; or fitted: false in place of found, where the vehicle never had it.")
	if b.Len() > report.MaxNote {
		return strings.ToValidUTF8(b.String()[:report.MaxNote], "")
	}
	return b.String()
}

// spanOf names the positions of an item.
func spanOf(it *catalogue.Item) string {
	first, last := it.Positions[0].ID, it.Positions[len(it.Positions)-1].ID
	if it.PositionsOf != nil {
		return first + " to " + last
	}
	var names []string
	for _, p := range it.Positions {
		names = append(names, p.ID)
	}
	return strings.Join(names, ", ")
}

// form says how a finding is written.
func form(f *catalogue.Finding) string {
	switch f.Kind {
	case catalogue.Flag:
		return "true or false"
	case catalogue.Choice:
		return strings.Join(f.Values, " | ")
	case catalogue.Quantity:
		return fmt.Sprintf(`{"value": …, "unit": %q}`, f.Unit.Code)
	case catalogue.Count:
		return "a whole number"
	case catalogue.Date:
		return "a date, 2026-05-02, 2026-05 or 2026"
	case catalogue.WeekCode:
		return "week and year, 0914 is week 9 of 2014"
	}
	return "words"
}

// description is what the example says of the vehicle.
func (c *newReportCommand) description() string {
	if c.Vehicle == "unknown" {
		return "an example"
	}
	return "an example: a " + c.Vehicle
}

// text writes a report as a person would: a line for each fact and each observation.
func (c *newReportCommand) text(cat *catalogue.Catalogue, list []exampleObservation) ([]byte, error) {
	var b bytes.Buffer
	vehicle := append([]member{{"reference", c.Reference}, {"description", c.description()}}, factsIn(cat, "vehicle", kindsOfVehicle[c.Vehicle])...)
	w := &lineWriter{out: &b}
	w.line(0, "{")
	w.member(1, member{"schema", report.SchemaName}, ",")
	w.object(1, "vehicle", vehicle, ",")
	w.object(1, "lay_up", factsIn(cat, "lay_up", nil), ",")
	w.object(1, "inspection", []member{{"date", c.Date}, {"inspector", "who looked"}, {"purpose", c.Purpose}}, ",")
	w.line(1, `"observations": [`)
	for i, o := range list {
		w.line(2, w.json(o)+comma(i, len(list)))
	}
	w.line(1, "]")
	w.line(0, "}")
	return b.Bytes(), w.err
}

// member is a member of an object in the making.
type member struct {
	name  string
	value any
}

// factsIn lists the facts of one part of a report, in the order of the catalogue: as the kind of
// vehicle has them, else unknown. Those with a dot stand in an object of their own.
func factsIn(cat *catalogue.Catalogue, part string, known map[string]any) []member {
	var list []member
	for _, f := range cat.Facts {
		if f.In != part {
			continue
		}
		value, ok := known[f.ID]
		if !ok {
			value = "unknown"
		}
		group, inner, grouped := strings.Cut(f.ID, ".")
		if !grouped {
			list = append(list, member{f.ID, value})
			continue
		}
		at := slices.IndexFunc(list, func(m member) bool { return m.name == group })
		if at < 0 {
			at, list = len(list), append(list, member{group, map[string]any{}})
		}
		list[at].value.(map[string]any)[inner] = value
	}
	return list
}

// lineWriter writes JSON in lines; its error is the first.
type lineWriter struct {
	out io.Writer
	err error
}

func (w *lineWriter) line(depth int, text string) {
	if w.err == nil {
		_, w.err = fmt.Fprintln(w.out, strings.Repeat("  ", depth)+text)
	}
}

func (w *lineWriter) json(v any) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil && w.err == nil {
		w.err = err
	}
	return strings.TrimSpace(b.String())
}

func (w *lineWriter) member(depth int, m member, end string) {
	w.line(depth, w.json(m.name)+": "+w.json(m.value)+end)
}

func (w *lineWriter) object(depth int, name string, members []member, end string) {
	w.line(depth, w.json(name)+": {")
	for i, m := range members {
		w.member(depth+1, m, comma(i, len(members)))
	}
	w.line(depth, "}"+end)
}

func comma(i, of int) string {
	if i < of-1 {
		return ","
	}
	return ""
}
