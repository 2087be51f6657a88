package spreadsheet

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/report"
)

// BrokenError means that the file cannot be read beyond a row: where the next one begins cannot be told.
type BrokenError struct {
	Row    int
	Detail string // what is wrong and how to mend it
}

// Error says where, and how to mend it.
func (e *BrokenError) Error() string { return fmt.Sprintf("row %d: %s", e.Row, e.Detail) }

// Reader reads the rows of a file. Cells are separated by commas, semicolons or tabs: what the header row
// has most of. Quotes are those of RFC 4180.
type Reader struct {
	in     bounded
	csv    *csv.Reader
	most   int
	header *header
	number int   // of the row that was read last
	line   int   // of the file, on which that ended
	begin  int64 // of the row that is read next
	mark   int64 // the bytes of the byte order mark
}

// A row may take so many times the length of a row before it is given up: up to there it is refused by
// itself.
const givenUp = 4

// buffer is how much is read of a file at once.
const buffer = 64 << 10

// NewReader reads the header row. A row may have most bytes. The error may be a [*HeaderError], or that of
// in.
func NewReader(in io.Reader, cat *catalogue.Catalogue, most int) (*Reader, error) {
	r := &Reader{in: bounded{in: in}, most: most}
	r.allow(0)
	text := bufio.NewReaderSize(&r.in, buffer)
	begin, err := peekLine(text)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, errGivenUp) {
		return nil, fmt.Errorf("read header row: %w", err)
	}
	if bytes.HasPrefix(begin, []byte("\xff\xfe")) || bytes.HasPrefix(begin, []byte("\xfe\xff")) || bytes.ContainsAny(firstLine(begin), "\x00\r") {
		return nil, headerFault(report.Malformed, "the file is in UTF-16, has no line ends that are known, or is no text: save it as CSV UTF-8, which spreadsheets offer under Save as")
	}
	if bytes.HasPrefix(begin, []byte("\xef\xbb\xbf")) {
		mark, _ := text.Discard(3) // it was read
		r.mark, begin = int64(mark), begin[mark:]
	}
	r.csv = csv.NewReader(text)
	r.csv.Comma, r.csv.FieldsPerRecord, r.csv.ReuseRecord = separator(firstLine(begin)), -1, true
	names, err := r.csv.Read()
	var syntax *csv.ParseError
	switch {
	case errors.Is(err, io.EOF):
		return nil, headerFault(report.Missing, "the file is empty: its first row names the columns; %s", whereNames)
	case errors.As(err, &syntax):
		return nil, headerFault(report.Malformed, "line %d: %s", syntax.StartLine, mendQuotes)
	case errors.Is(err, errGivenUp):
		return nil, headerFault(report.OutOfRange, "the header row has more than %d bytes", most)
	case err != nil:
		return nil, fmt.Errorf("read header row: %w", err)
	}
	r.ended(names)
	if r.header, err = readHeader(slices.Clone(names), r.csv.Comma, cat); err != nil {
		return nil, err
	}
	return r, nil
}

func headerFault(code report.Code, format string, args ...any) error {
	return &HeaderError{[]report.Fault{{Detail: fmt.Sprintf(format, args...), Code: code}}}
}

const mendQuotes = `a quotation mark stands inside a cell: put the whole cell between quotation marks, and write each inside it twice, "5"" hose"`

// peekLine looks at a text up to the end of its first line, or as much as there is room for. It waits for no
// more: whoever sends the rows may take his time.
func peekLine(text *bufio.Reader) (begin []byte, err error) {
	for n := 1; n <= buffer && err == nil; n = text.Buffered() + 1 {
		_, err = text.Peek(n)
		begin, _ = text.Peek(text.Buffered()) // it is there
		if bytes.IndexByte(bytes.TrimLeft(begin, "\r\n"), '\n') >= 0 {
			break
		}
	}
	return begin, err
}

// firstLine is a text up to the first line end that is not the first thing in it.
func firstLine(text []byte) []byte {
	text = bytes.TrimLeft(text, "\r\n")
	line, _, _ := bytes.Cut(text, []byte("\n"))
	return bytes.TrimSuffix(line, []byte("\r"))
}

// separator is what a header row has most of outside quotes.
func separator(line []byte) rune {
	count := map[byte]int{}
	quoted := false
	for _, c := range line {
		switch {
		case c == '"':
			quoted = !quoted
		case !quoted:
			count[c]++
		}
	}
	best := byte(',')
	for _, c := range []byte(";\t") {
		if count[c] > count[best] {
			best = c
		}
	}
	return rune(best)
}

// Number is that of the row that was read last; behind the header row, its number.
func (r *Reader) Number() int { return r.number }

// Names are the names of the columns, as the file has them.
func (r *Reader) Names() []string { return r.header.names }

// Faults names the columns of what is wrong with a report, whichever row it stands in.
func (r *Reader) Faults(decoded []report.Fault) []report.Fault {
	return Row{header: r.header}.Faults(decoded)
}

// allow lets a row be read that begins at an offset.
func (r *Reader) allow(begin int64) {
	r.begin = begin
	r.in.until = begin + givenUp*int64(r.most) + buffer
}

// ended notes that a row was read to its end.
func (r *Reader) ended(cells []string) {
	first, _ := r.csv.FieldPos(0)
	last, _ := r.csv.FieldPos(len(cells) - 1)
	r.number += first - r.line
	r.line = last + strings.Count(cells[len(cells)-1], "\n")
	r.allow(r.csv.InputOffset())
}

// Next reads a row; cells has what stood in it, until the next call. Empty lines are passed over, and keep
// their numbers. The error may be io.EOF behind the last row, a [*BrokenError], or that of the reader.
func (r *Reader) Next() (row Row, cells []string, err error) {
	begin := r.begin
	cells, err = r.csv.Read()
	var syntax *csv.ParseError
	switch {
	case err == nil:
		r.ended(cells)
	case errors.Is(err, errGivenUp):
		return Row{}, nil, &BrokenError{r.number + 1, fmt.Sprintf("it goes on for more than %d bytes: look for a quotation mark that opens a cell and that none closes", givenUp*r.most)}
	case !errors.As(err, &syntax):
		return Row{}, nil, err
	case errors.Is(err, csv.ErrQuote) && r.in.atEnd && r.csv.InputOffset()+r.mark >= r.in.read:
		return Row{}, nil, &BrokenError{r.number + syntax.StartLine - r.line, fmt.Sprintf("a quotation mark opens a cell on line %d, and none closes it: everything behind it would be in this cell", syntax.StartLine)}
	default:
		row = Row{Number: r.number + syntax.StartLine - r.line, header: r.header}
		row.own = []fault{{report.Fault{Code: report.Malformed, Detail: fmt.Sprintf("line %d: %s", syntax.Line, mendQuotes)}, 0}}
		r.number, r.line = row.Number, syntax.Line
		r.allow(r.csv.InputOffset())
		return row, cells, nil
	}
	if r.begin-begin > int64(r.most) {
		return Row{Number: r.number, Long: true, header: r.header}, cells, nil
	}
	return r.header.read(r.number, cells), cells, nil
}

// errGivenUp means that a row does not end.
var errGivenUp = errors.New("the row does not end")

// bounded reads up to an offset, which moves as rows are read.
type bounded struct {
	in          io.Reader
	read, until int64
	atEnd       bool
}

func (b *bounded) Read(p []byte) (int, error) {
	if b.read >= b.until {
		return 0, errGivenUp
	}
	n, err := b.in.Read(p[:min(int64(len(p)), b.until-b.read)])
	b.read += int64(n)
	b.atEnd = b.atEnd || errors.Is(err, io.EOF)
	return n, err
}
