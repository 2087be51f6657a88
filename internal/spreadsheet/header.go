package spreadsheet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/spelling"
)

// HeaderError means that no row can be read, for what is wrong with the row that names the columns.
type HeaderError struct {
	Faults []report.Fault
}

// Error counts the faults.
func (e *HeaderError) Error() string {
	return fmt.Sprintf("the header row has %d faults", len(e.Faults))
}

// column is a column with a name.
type column struct {
	name  string // as the header row has it
	place int
	meaning
	at   []string // the positions that it speaks of
	unit string   // of the cells that have none of their own
}

// meaning is what a column of a name says.
type meaning struct {
	path   string // in dots, of what is no observation: vehicle.fuel
	item   *catalogue.Item
	part   string // of the item
	member string // of the observation, or of what is found
	found  bool   // it is found
	isFact bool
	kind   catalogue.Kind
	// finding is the finding or fact; nil where anything else is said, which is text or a flag.
	finding *catalogue.Finding
}

// rowMethod is the column that says how everything in a row was found for which no other says it.
const rowMethod = "method"

// The columns of an observation besides what was found.
var observationMembers = []string{"method", "date", "note", "fitted"}

// meanings has the names that columns can have, without positions and units.
func meanings(cat *catalogue.Catalogue) map[string]meaning {
	all := map[string]meaning{}
	for _, it := range cat.Items {
		for _, member := range observationMembers {
			m := meaning{item: it, member: member, kind: catalogue.Text}
			if member == "fitted" {
				m.kind = catalogue.Flag
			}
			all[it.ID+"."+member] = m
		}
		for _, p := range it.Parts {
			name := it.ID + "." + p.ID + "."
			all[name+it.Renewed.ID] = meaning{item: it, part: p.ID, member: it.Renewed.ID, found: true, kind: catalogue.Date}
			for _, member := range []string{"method", "date", "note"} {
				all[name+member] = meaning{item: it, part: p.ID, member: member, kind: catalogue.Text}
			}
		}
		for _, f := range it.Finds {
			all[it.ID+"."+f.ID] = meaning{item: it, member: f.ID, found: true, kind: f.Kind, finding: f}
		}
	}
	for _, f := range cat.Facts {
		name := f.In + "." + f.ID
		all[name] = meaning{path: name, isFact: true, kind: f.Kind, finding: f}
	}
	for _, name := range []string{
		rowMethod, "reference", "replaces", "vehicle.reference", "vehicle.description", "vehicle.vin",
		"inspection.date", "inspection.inspector", "inspection.purpose",
	} {
		all[name] = meaning{path: name, kind: catalogue.Text}
	}
	return all
}

// node is a member of a report that is no observation: a column, or members of its own.
type node struct {
	name    string
	column  *column
	members []*node
}

// observation is what the columns on one item, or part of it, at the same positions make together.
type observation struct {
	item *catalogue.Item
	part string
	at   []string

	columns                    []*column // all of its own
	found                      []*column
	method, date, note, fitted *column
	methods                    []*column // that say how it was found: the first that is not empty does
}

// header is what the columns mean.
type header struct {
	names        []string // by place, as the file has them
	comma        rune
	whole        []*node
	observations []*observation
}

// readHeader reads the row that names the columns.
func readHeader(names []string, comma rune, cat *catalogue.Catalogue) (*header, error) {
	r := &headerReader{header: &header{comma: comma}, cat: cat, known: meanings(cat), columns: map[string]*column{}, about: map[string]*observation{}}
	for i, name := range names {
		name = strings.TrimSpace(name)
		r.names = append(r.names, name)
		if name != "" && len(r.faults) <= report.MaxFaults {
			r.column(i, name)
		}
	}
	if len(r.columns) == 0 && len(r.faults) == 0 {
		r.fault("", report.Missing, "no column has a name: %s", whereNames)
	}
	if len(r.faults) == 0 {
		r.complete()
	}
	if len(r.faults) > report.MaxFaults {
		r.faults = append(r.faults[:report.MaxFaults], report.Fault{Detail: "there are more problems: fix these first", Code: report.OutOfRange})
	}
	if len(r.faults) > 0 {
		return nil, &HeaderError{r.faults}
	}
	return r.header, nil
}

// whereNames says where the names of columns are to be found.
const whereNames = "laidup new report --format csv writes a header row, and GET /v1/catalogue lists items and findings"

type headerReader struct {
	*header
	cat     *catalogue.Catalogue
	known   map[string]meaning
	columns map[string]*column // by what they say
	about   map[string]*observation
	faults  []report.Fault
}

func (r *headerReader) fault(name string, code report.Code, format string, args ...any) {
	r.faults = append(r.faults, report.Fault{Column: clip(name), Detail: fmt.Sprintf(format, args...), Code: code})
}

// column reads the name of a column: what it says, " at " and positions, and a unit in brackets.
func (r *headerReader) column(place int, name string) {
	c := &column{name: name, place: place}
	said := name
	if inside, ok := strings.CutSuffix(said, "]"); ok {
		if said, c.unit, ok = strings.Cut(inside, "["); !ok {
			said = name
		}
		said, c.unit = strings.TrimSpace(said), strings.TrimSpace(c.unit)
	}
	said, positions, placed := strings.Cut(said, " at ")
	var ok bool
	if c.meaning, ok = r.known[said]; !ok {
		r.unknown(name, said)
		return
	}
	before := len(r.faults)
	if placed {
		r.positions(c, strings.Fields(positions))
	}
	if strings.HasSuffix(name, "]") {
		r.unit(c)
	}
	if len(r.faults) > before {
		return
	}
	key := said + " at " + strings.Join(c.at, " ")
	if other := r.columns[key]; other != nil {
		r.fault(name, report.Duplicate, "columns %s and %s say the same: leave one out", columnLetters(other.place), columnLetters(place))
		return
	}
	r.columns[key] = c
	switch {
	case c.item != nil:
		r.observe(c)
	case c.path != rowMethod:
		r.whole = grow(r.whole, strings.Split(c.path, "."), c)
	}
}

func (r *headerReader) unknown(name, said string) {
	near := spelling.Nearest(said, maps.Keys(r.known))
	item, _, _ := strings.Cut(said, ".")
	switch {
	case !strings.ContainsFunc(name, func(c rune) bool { return c > ' ' && c != 0xfffd }):
		r.fault(name, report.UnknownField, "this is no name of a column: %s", whereNames)
	case near != "":
		r.fault(name, report.UnknownField, "there is no column %q: did you mean %q?", clip(said), near)
	case r.cat.Item(item) != nil:
		var takes []string
		for _, f := range r.cat.Item(item).Finds {
			takes = append(takes, f.ID)
		}
		r.fault(name, report.UnknownField, "there is no column %q: %s takes %s", clip(said), item, strings.Join(append(takes, observationMembers...), ", "))
	default:
		r.fault(name, report.UnknownField, "there is no column %q: %s", clip(said), whereNames)
	}
}

func (r *headerReader) positions(c *column, names []string) {
	switch {
	case c.item == nil || len(c.item.Positions) == 0:
		r.fault(c.name, report.UnknownField, "this has no positions: leave out \" at \" and what follows")
		return
	case c.part == "" && c.member == "fitted":
		r.fault(c.name, report.UnknownField, "what was never fitted has no positions: leave out \" at \" and what follows")
		return
	}
	var places []int
	for _, name := range names {
		k := c.item.PositionBytes([]byte(name))
		switch {
		case k < 0:
			r.fault(c.name, report.WrongValue, "%q is not a position of %s: use %s", clip(name), c.item.ID, listOf(c.item.Positions))
		case slices.Contains(places, k):
			r.fault(c.name, report.Duplicate, "%q stands here twice: leave one out", name)
		default:
			places = append(places, k)
		}
	}
	slices.Sort(places) // in whatever order they are named, they are the same
	for _, k := range places {
		c.at = append(c.at, c.item.Positions[k].ID)
	}
}

func listOf(positions []*catalogue.Position) string {
	var names []string
	for _, p := range positions {
		names = append(names, p.ID)
	}
	return strings.Join(names, ", ")
}

// unit checks the unit of a column. Units that are written in brackets may have those of the column only.
func (r *headerReader) unit(c *column) {
	if c.kind != catalogue.Quantity {
		r.fault(c.name, report.WrongUnit, "this has no unit: leave out %q", "["+clip(c.unit)+"]")
		return
	}
	for _, unit := range []string{c.unit, "[" + c.unit + "]"} {
		if _, ok := c.finding.Bounds([]byte(unit)); ok {
			c.unit = unit
			return
		}
	}
	r.fault(c.name, report.WrongUnit, "%q is not a unit for this: use one of %s", clip(c.unit), strings.Join(c.finding.Units(), ", "))
}

// observe lays a column to the others on the same item, part and positions.
func (r *headerReader) observe(c *column) {
	key := about(c.item, c.part, c.at)
	o := r.about[key]
	if o == nil {
		o = &observation{item: c.item, part: c.part, at: c.at}
		r.about[key], r.observations = o, append(r.observations, o)
	}
	o.columns = append(o.columns, c)
	switch {
	case c.found:
		o.found = append(o.found, c)
	case c.member == "method":
		o.method = c
	case c.member == "date":
		o.date = c
	case c.member == "note":
		o.note = c
	case c.member == "fitted":
		o.fitted = c
	}
}

// about tells observations apart.
func about(item *catalogue.Item, part string, at []string) string {
	return item.ID + "." + part + " at " + strings.Join(at, " ")
}

// grow puts a column where a path leads to.
func grow(nodes []*node, path []string, c *column) []*node {
	i := slices.IndexFunc(nodes, func(n *node) bool { return n.name == path[0] })
	if i < 0 {
		i, nodes = len(nodes), append(nodes, &node{name: path[0]})
	}
	if len(path) == 1 {
		nodes[i].column = c
	} else {
		nodes[i].members = grow(nodes[i].members, path[1:], c)
	}
	return nodes
}

// complete checks that there is what every report needs, and finds out who says how things were found.
func (r *headerReader) complete() {
	for _, need := range []struct{ name, why string }{
		{"vehicle.reference", "it names the vehicle of the row"},
		{"inspection.date", "it says on which day the vehicle was inspected, such as 2026-05-02"},
	} {
		if r.columns[need.name+" at "] == nil {
			r.fault(need.name, report.Missing, "there is no column %q: %s", need.name, need.why)
		}
	}
	var unsaid *observation
	for _, o := range r.observations {
		o.methods = append(o.methods, o.method)
		for _, wider := range []*observation{r.about[about(o.item, o.part, nil)], r.about[about(o.item, "", nil)]} {
			if wider != nil {
				o.methods = append(o.methods, wider.method)
			}
		}
		o.methods = slices.DeleteFunc(append(o.methods, r.columns[rowMethod+" at "]), func(c *column) bool { return c == nil })
		if len(o.methods) == 0 && unsaid == nil {
			unsaid = o
		}
	}
	if unsaid != nil {
		r.fault(rowMethod, report.Missing, "nothing says how %q was found: add a column %q for the whole row, or %q for the item", unsaid.columns[0].name, rowMethod, unsaid.item.ID+"."+rowMethod)
	}
}

// columnOf finds the column that a JSON Pointer into the report of a row leads to; nil where none does.
func (h *header) columnOf(pointer string, row []looked) *column {
	steps := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	if steps[0] != "observations" {
		nodes := h.whole
		for _, step := range steps {
			i := slices.IndexFunc(nodes, func(n *node) bool { return n.name == step })
			if i < 0 {
				return nil
			}
			if nodes[i].column != nil {
				return nodes[i].column
			}
			nodes = nodes[i].members
		}
		return nil
	}
	if len(steps) < 2 {
		return nil
	}
	i, err := strconv.Atoi(steps[1])
	if err != nil || i < 0 || i >= len(row) {
		return nil
	}
	o := row[i]
	if len(steps) < 3 {
		return o.first
	}
	switch member := steps[2]; {
	case member == "method":
		return o.methods[0]
	case member == "found" && len(steps) == 3:
		return o.first
	case member == "found":
		member = steps[3]
		fallthrough
	default:
		for _, c := range o.columns {
			if c.member == member && c.found == (steps[2] == "found") {
				return c
			}
		}
	}
	return o.first
}
