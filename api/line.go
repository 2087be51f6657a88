package api

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"strconv"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// Line is what has become of a line of a batch.
type Line struct {
	Number     int             `json:"line"`
	State      string          `json:"state"`             // refused, erased, or that of its assessment
	Vehicle    string          `json:"vehicle,omitempty"` // none: it could not be read
	Report     string          `json:"report,omitempty"`
	Reference  string          `json:"reference,omitempty"` // the sender's own name for the report
	Assessment string          `json:"assessment,omitempty"`
	AsOf       string          `json:"as_of,omitempty"`
	Summary    json.RawMessage `json:"summary,omitempty"` // of a finished assessment
	Rescored   json.RawMessage `json:"rescored,omitempty"`
	Problem    json.RawMessage `json:"problem,omitempty"`
}

// States of lines besides those of their assessments.
const (
	Refused = "refused" // it has no assessment
	Erased  = "erased"  // its vehicle was erased
)

func lineOf(l assess.Line, kind assess.BatchKind) Line {
	b := Line{Number: l.Number, Vehicle: l.Vehicle, Reference: l.Reference, Problem: json.RawMessage(l.Problem)}
	if l.Erased() {
		b.State = Erased
		return b
	}
	a := l.Assessment
	if kind == assess.Rescore {
		b.Assessment, b.Rescored, b.State = a.ID, json.RawMessage(l.Result), string(assess.Queued)
		switch {
		case l.Result != nil:
			b.State = string(assess.Done)
		case l.Problem != nil:
			b.State = string(assess.Failed)
		}
		return b
	}
	if a.ID == "" {
		b.State = Refused
		return b
	}
	b.State, b.Report, b.Assessment, b.AsOf, b.Summary = string(a.State), a.ReportID, a.ID, a.Outcome.AsOf, json.RawMessage(a.Outcome.Summary)
	if a.State == assess.Failed {
		b.Problem = json.RawMessage(a.Problem)
	}
	return b
}

var lineColumns = []wire.Column[lineRow]{
	{Name: "line", Cell: func(l lineRow) string { return strconv.Itoa(l.Number) }},
	{Name: "state", Cell: func(l lineRow) string { return l.State }},
	{Name: "vehicle", Cell: func(l lineRow) string { return l.Vehicle }},
	{Name: "gate", Cell: func(l lineRow) string { return l.Summary.Verdict.Gate }},
	{Name: "verdict", Cell: func(l lineRow) string { return l.Summary.Verdict.State }},
	{Name: "chance_through", Cell: func(l lineRow) string { return l.done(number(l.Summary.Verdict.ChanceThrough)) }},
	{Name: "chance_through_low", Cell: func(l lineRow) string { return end(l.Summary.Verdict.ChanceThroughLow) }},
	{Name: "chance_through_high", Cell: func(l lineRow) string { return end(l.Summary.Verdict.ChanceThroughHigh) }},
	{Name: "blockers", Cell: func(l lineRow) string { return l.done(strconv.Itoa(l.Summary.Verdict.Blockers)) }},
	{Name: "condition", Cell: func(l lineRow) string { return l.done(number(l.Summary.Condition.Expected)) }},
	{Name: "condition_low", Cell: func(l lineRow) string { return l.done(number(l.Summary.Condition.Low)) }},
	{Name: "condition_high", Cell: func(l lineRow) string { return l.done(number(l.Summary.Condition.High)) }},
	{Name: "coverage", Cell: func(l lineRow) string { return l.done(number(l.Summary.Coverage)) }},
	{Name: "as_of", Cell: func(l lineRow) string { return l.AsOf }},
	{Name: "assessment", Cell: func(l lineRow) string { return l.Assessment }},
	{Name: "report", Cell: func(l lineRow) string { return l.Report }},
	{Name: "reference", Cell: func(l lineRow) string { return l.Reference }},
	{Name: "problem", Cell: func(l lineRow) string { return l.problem }},
}

var rescoredColumns = []wire.Column[lineRow]{
	{Name: "line", Cell: func(l lineRow) string { return strconv.Itoa(l.Number) }},
	{Name: "state", Cell: func(l lineRow) string { return l.State }},
	{Name: "vehicle", Cell: func(l lineRow) string { return l.Vehicle }},
	{Name: "changed", Cell: func(l lineRow) string { return l.done(strconv.FormatBool(l.Rescored.Changed)) }},
	{Name: "decides_otherwise", Cell: func(l lineRow) string { return l.done(strconv.FormatBool(l.Rescored.Decides)) }},
	{Name: "gate", Cell: func(l lineRow) string { return l.Rescored.To.Verdict.Gate }},
	{Name: "verdict_from", Cell: func(l lineRow) string { return l.Rescored.From.Verdict.State }},
	{Name: "verdict_to", Cell: func(l lineRow) string { return l.Rescored.To.Verdict.State }},
	{Name: "chance_through_from", Cell: func(l lineRow) string { return l.done(number(l.Rescored.From.Verdict.ChanceThrough)) }},
	{Name: "chance_through_to", Cell: func(l lineRow) string { return l.done(number(l.Rescored.To.Verdict.ChanceThrough)) }},
	{Name: "blockers_gone", Cell: func(l lineRow) string { return wire.Lines(l.Rescored.Changes.Gone, blockerInWords) }},
	{Name: "blockers_new", Cell: func(l lineRow) string { return wire.Lines(l.Rescored.Changes.New, blockerInWords) }},
	{Name: "assessment", Cell: func(l lineRow) string { return l.Rescored.Assessment }},
	{Name: "problem", Cell: func(l lineRow) string { return l.problem }},
}

// lineRow is a line with what is in it read, for a table.
type lineRow struct {
	Line
	Summary  assess.Summary
	Rescored assess.Rescored
	problem  string
}

// done leaves a cell empty that means nothing before a line is done.
func (l lineRow) done(cell string) string {
	if l.State != string(assess.Done) {
		return ""
	}
	return cell
}

func rowOf(b Line) (row lineRow, err error) {
	row.Line = b
	if b.Summary != nil {
		err = json.Unmarshal(b.Summary, &row.Summary)
	}
	if b.Rescored != nil {
		err = errors.Join(err, json.Unmarshal(b.Rescored, &row.Rescored))
	}
	if b.Problem != nil {
		var p struct {
			Title, Detail string
			Errors        []struct{ Pointer, Column, Detail string }
		}
		err = errors.Join(err, json.Unmarshal(b.Problem, &p))
		row.problem = p.Title + ": " + p.Detail
		for _, e := range p.Errors {
			row.problem += "; " + cmp.Or(e.Column, e.Pointer) + " " + e.Detail
		}
	}
	return row, err
}

// LineWriter writes lines in a form.
type LineWriter interface {
	// Write writes a line, which may have to wait for Flush.
	Write(Line) error
	Flush() error
}

// NewLineWriter returns what writes lines of a batch of a kind as CSV (RFC 4180), or as JSON, one a
// line.
func NewLineWriter(w io.Writer, kind assess.BatchKind, asCSV bool) LineWriter {
	if asCSV {
		return newLineCSV(w, kind)
	}
	return &lineJSON{w: w}
}

type lineJSON struct {
	w      io.Writer
	buffer bytes.Buffer
}

func (j *lineJSON) Write(b Line) error {
	j.buffer.Write(wire.Encode(b))
	j.buffer.WriteByte('\n')
	return nil
}

func (j *lineJSON) Flush() error {
	_, err := j.buffer.WriteTo(j.w)
	return err
}

type lineCSV struct {
	w       *csv.Writer
	columns []wire.Column[lineRow]
	cells   []string
}

func newLineCSV(w io.Writer, kind assess.BatchKind) *lineCSV {
	c := &lineCSV{w: csv.NewWriter(w), columns: lineColumns}
	if kind == assess.Rescore {
		c.columns = rescoredColumns
	}
	c.w.UseCRLF = true
	for _, column := range c.columns {
		c.cells = append(c.cells, column.Name)
	}
	_ = c.w.Write(c.cells) // it is buffered: flush has the error
	return c
}

func (c *lineCSV) Write(b Line) error {
	row, err := rowOf(b)
	if err != nil {
		return err
	}
	for i, column := range c.columns {
		c.cells[i] = wire.Harmless(column.Cell(row))
	}
	return c.w.Write(c.cells)
}

func (c *lineCSV) Flush() error {
	c.w.Flush()
	return c.w.Error()
}
