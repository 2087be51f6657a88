package assess

import (
	"bufio"
	"bytes"
	"fmt"
	"io"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/spreadsheet"
)

// Input is the lines of a batch as they come.
type Input interface {
	// Next reads a line; each, unless nil, gets what the line says, in parts. The error is io.EOF behind the
	// last line, a [*spreadsheet.BrokenError] before one that cannot be told from those behind it, or that of
	// the reader.
	Next(each func(part []byte)) (InputLine, error)
	// Faults names the columns of faults of a report, where there are columns.
	Faults([]report.Fault) []report.Fault
}

// InputLine is a line of a batch as it came.
type InputLine struct {
	Number int
	Body   []byte // the report as JSON
	Long   bool   // it was longer than a line may be, and is not whole
	Size   int64  // what it took, with its end; of a line of JSON

	row *spreadsheet.Row
}

// Blank reports whether the line says nothing: there is no answer to it.
func (l InputLine) Blank() bool {
	if l.row != nil {
		return l.row.Blank()
	}
	return len(bytes.TrimSpace(l.Body)) == 0
}

// Problem says why the line has no assessment, nil where it has one; decode reads its report, most is how
// many bytes a line may have.
func (l InputLine) Problem(most int, decode func(body []byte) []report.Fault) []byte {
	if l.Long || len(l.Body) > most {
		return LineTooLongProblem(most)
	}
	var faults []report.Fault
	if l.row == nil || l.Body != nil {
		faults = decode(l.Body)
	}
	if l.row != nil {
		faults = l.row.Faults(faults)
	}
	if len(faults) > 0 {
		return InvalidLineProblem(faults)
	}
	return nil
}

// NewInput reads lines that are numbered from first and have at most so many bytes: reports as JSON, one a
// line, or where it is a table, the rows of a CSV file. Of a table the header row is read at once, whatever the
// first row behind it; it has a number, too, but says nothing. The error may be a [*spreadsheet.HeaderError].
func NewInput(in io.Reader, table bool, first, most int, cat *catalogue.Catalogue) (Input, error) {
	if !table {
		return &jsonLines{lines: bufio.NewReaderSize(in, 64<<10), most: most, number: first - 1}, nil
	}
	rows, err := spreadsheet.NewReader(in, cat, most)
	if err != nil {
		return nil, err
	}
	t := &tableRows{Reader: rows, header: first == 1}
	if first > 1 {
		t.ahead = first - 1 - rows.Number()
	}
	return t, nil
}

// jsonLines are reports as JSON, one a line.
type jsonLines struct {
	lines  *bufio.Reader
	most   int
	number int // of the line that was read last
}

func (j *jsonLines) Next(each func(part []byte)) (InputLine, error) {
	body, size, long, err := readLine(j.lines, j.most, each)
	if err != nil {
		return InputLine{}, err
	}
	j.number++
	return InputLine{Number: j.number, Body: body, Long: long, Size: size}, nil
}

func (j *jsonLines) Faults(faults []report.Fault) []report.Fault { return faults }

// tableRows are reports as the rows of a CSV file.
type tableRows struct {
	*spreadsheet.Reader
	header bool // comes next
	ahead  int  // by how much the numbers of rows are above those in the file
}

func (t *tableRows) Next(each func(part []byte)) (InputLine, error) {
	row, cells := spreadsheet.Row{Number: t.Number()}, t.Names()
	if t.header {
		t.header = false
	} else {
		var err error
		if row, cells, err = t.Reader.Next(); err != nil {
			return InputLine{}, err
		}
		row.Number += t.ahead
	}
	if each != nil {
		each(fmt.Append(nil, row.Number)) // empty lines before it are part of what was sent
		for _, cell := range cells {
			each(fmt.Appendf(nil, ",%d:", len(cell)))
			each([]byte(cell))
		}
	}
	return InputLine{Number: row.Number, Body: row.Report, Long: row.Long, row: &row}, nil
}
