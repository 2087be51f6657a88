// Package spreadsheet reads reports from the rows of a CSV file: a row is a report, a column is a fact or a
// finding.
//
// It makes of a row the JSON that would have been posted in its place, which package report decodes, and
// tells what is wrong with that by the names of columns. The package is pure.
package spreadsheet

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"laidup/internal/catalogue"
	"laidup/internal/report"

	"github.com/go-json-experiment/json/jsontext"
)

// Row is a row of a spreadsheet.
type Row struct {
	Number int             // as spreadsheets count: the header row has one, too
	Report json.RawMessage // none: the row cannot be read as cells, or says nothing
	Long   bool            // it is longer than a row may be, and was not read

	header *header
	looked []looked // by the index of the observation in the report
	own    []fault  // what is wrong with the cells, whatever the report says
}

// looked is an observation that a row has, and the first column that says something of it.
type looked struct {
	*observation
	first *column
}

// fault is a fault in a cell. What the decoder says of the same value is a consequence of it.
type fault struct {
	report.Fault
	place int // of the column; behind all others where there is none
}

// Blank reports whether the row says nothing: there is no answer to it.
func (r Row) Blank() bool { return r.Report == nil && !r.Long && len(r.own) == 0 }

// Faults returns what is wrong with the row, in the order of the columns, given what is wrong with its report.
func (r Row) Faults(decoded []report.Fault) []report.Fault {
	all := slices.Clone(r.own)
	for _, f := range decoded {
		if slices.ContainsFunc(r.own, func(own fault) bool { return under(f.Pointer, own.Pointer) }) {
			continue
		}
		place := len(r.header.names)
		if c := r.header.columnOf(f.Pointer, r.looked); c != nil {
			place, f.Column = c.place, c.name
		}
		all = append(all, fault{f, place})
	}
	slices.SortStableFunc(all, func(a, b fault) int { return a.place - b.place })
	// What is wrong with a cell that speaks of many observations is wrong with each of them.
	all = slices.CompactFunc(all, func(a, b fault) bool { return a.Column != "" && a.Column == b.Column && a.Detail == b.Detail })
	var list []report.Fault
	for _, f := range all[:min(len(all), report.MaxFaults+1)] {
		list = append(list, f.Fault)
	}
	return list
}

// under reports whether a pointer is another or leads into what that points to.
func under(pointer, other string) bool {
	rest, ok := strings.CutPrefix(pointer, other)
	return ok && other != "" && (rest == "" || rest[0] == '/')
}

// read reads the cells of a row.
func (h *header) read(number int, cells []string) Row {
	w := &rowWriter{header: h, cells: cells, row: Row{Number: number, header: h}}
	said := false
	for i, cell := range cells {
		trimmed := strings.TrimSpace(cell)
		if cells[i] = trimmed; trimmed == "" {
			continue
		}
		said = true
		if i >= len(h.names) || h.names[i] == "" {
			w.fault(&column{place: i, name: columnLetters(i)}, "", report.UnknownField, "%q is in column %s, which has no name in the header row: name the column, or empty the cell", clip(trimmed), columnLetters(i))
		}
	}
	if !said {
		return w.row
	}
	w.report()
	w.row.Report = w.json
	return w.row
}

// rowWriter writes a row as JSON.
type rowWriter struct {
	header *header
	cells  []string
	json   []byte
	row    Row
}

// cell is what a row has in a column; empty where it says nothing, or there is no such column.
func (w *rowWriter) cell(c *column) string {
	if c == nil || c.place >= len(w.cells) {
		return ""
	}
	return w.cells[c.place]
}

func (w *rowWriter) fault(c *column, pointer string, code report.Code, format string, args ...any) {
	w.row.own = append(w.row.own, fault{report.Fault{Pointer: pointer, Detail: fmt.Sprintf(format, args...), Code: code, Column: c.name}, c.place})
}

func (w *rowWriter) report() {
	w.put(`{"schema":"` + report.SchemaName + `"`)
	for _, n := range w.header.whole {
		w.member(n, "")
	}
	w.put(`,"observations":[`)
	for _, o := range w.header.observations {
		w.observation(o)
	}
	w.put("]}")
}

func (w *rowWriter) put(text string) { w.json = append(w.json, text...) }

// name begins a member of an object.
func (w *rowWriter) name(name string) {
	if last := w.json[len(w.json)-1]; last != '{' {
		w.put(",")
	}
	w.put(`"` + name + `":`)
}

// member writes a member of the report that is no observation.
func (w *rowWriter) member(n *node, above string) {
	pointer := above + "/" + n.name
	if n.column == nil {
		w.name(n.name)
		w.put("{")
		for _, m := range n.members {
			w.member(m, pointer)
		}
		w.put("}")
		return
	}
	if text := w.cell(n.column); text != "" {
		w.name(n.name)
		w.value(n.column, pointer, text)
	}
}

// observation writes an observation of which the row says something. How somebody looked says nothing by
// itself: such a column may be filled from top to bottom.
func (w *rowWriter) observation(o *observation) {
	var first *column
	for _, c := range o.columns {
		if c != o.method && w.cell(c) != "" && !(c == o.fitted && isYes(w.cell(c))) {
			first = c
			break
		}
	}
	if first == nil {
		return
	}
	pointer := fmt.Sprintf("/observations/%d", len(w.row.looked))
	w.row.looked = append(w.row.looked, looked{o, first})
	if w.json[len(w.json)-1] == '}' {
		w.put(",")
	}
	w.put(`{"item":"` + o.item.ID + `"`)
	if o.part != "" {
		w.put(`,"part":"` + o.part + `"`)
	}
	if len(o.at) > 0 {
		w.put(`,"at":["` + strings.Join(o.at, `","`) + `"]`)
	}
	for _, c := range o.methods {
		if w.cell(c) != "" {
			w.name("method")
			w.value(c, pointer+"/method", w.cell(c))
			break
		}
	}
	for _, c := range []*column{o.date, o.note, o.fitted} {
		if text := w.cell(c); text != "" && !(c == o.fitted && isYes(text)) {
			w.name(c.member)
			w.value(c, pointer+"/"+c.member, text)
		}
	}
	if slices.ContainsFunc(o.found, func(c *column) bool { return w.cell(c) != "" }) {
		w.put(`,"found":{`)
		for _, c := range o.found {
			if text := w.cell(c); text != "" {
				w.name(c.member)
				w.value(c, pointer+"/found/"+c.member, text)
			}
		}
		w.put("}")
	}
	w.put("}")
}

func isYes(text string) bool {
	return strings.EqualFold(text, "yes") || strings.EqualFold(text, "true")
}
func isNo(text string) bool { return strings.EqualFold(text, "no") || strings.EqualFold(text, "false") }

// value writes a cell as the value that the column takes. What is no such value goes in as text: the
// decoder says what it has to be.
func (w *rowWriter) value(c *column, pointer, text string) {
	if !utf8.ValidString(text) {
		w.fault(c, pointer, report.Malformed, "this is not UTF-8: save the file as CSV UTF-8, which spreadsheets offer under Save as")
		w.quote("?")
		return
	}
	switch c.kind {
	case catalogue.Flag:
		switch {
		case isYes(text):
			w.put("true")
			return
		case isNo(text):
			w.put("false")
			return
		}
	case catalogue.Count, catalogue.Quantity:
		if !c.isFact || text != "unknown" {
			w.number(c, pointer, text)
			return
		}
	}
	w.quote(text)
}

func (w *rowWriter) quote(text string) {
	w.json, _ = jsontext.AppendQuote(w.json, text) // what is UTF-8 always has a form
}

// number writes a count, or a number with its unit.
func (w *rowWriter) number(c *column, pointer, text string) {
	n, unit, mend := readNumber(text, w.header.comma)
	if unit == "" {
		unit = c.unit
	}
	switch {
	case mend != "":
		w.fault(c, pointer, report.WrongType, "%q is %s", clip(text), mend)
	case c.kind == catalogue.Count && unit != "":
		w.fault(c, pointer, report.WrongType, "%q is not a whole number: leave out %q", clip(text), clip(unit))
	case c.kind == catalogue.Quantity && unit == "":
		w.fault(c, pointer, report.WrongUnit, "%q has no unit: write one into the cell, such as %q, or into the name of the column, such as %q; one of %s",
			clip(text), n+" "+c.finding.Unit.Code, c.name+" ["+c.finding.Unit.Code+"]", strings.Join(c.finding.Units(), ", "))
	case c.kind == catalogue.Count:
		w.put(n)
		return
	default:
		w.put(`{"value":` + n + `,"unit":`)
		w.quote(unit)
		w.put("}")
		return
	}
	w.quote(text)
}

func clip(s string) string {
	if utf8.RuneCountInString(s) > 40 {
		return string([]rune(s)[:40]) + "…"
	}
	return s
}

// columnLetters names a column as spreadsheets do: A to Z, AA and so on.
func columnLetters(place int) string {
	var letters []byte
	for n := place + 1; n > 0; n = (n - 1) / 26 {
		letters = append(letters, byte('A'+(n-1)%26))
	}
	slices.Reverse(letters)
	return string(letters)
}
