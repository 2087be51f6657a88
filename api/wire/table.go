package wire

import (
	"bytes"
	"encoding/csv"
	"strings"
)

// Column is one column of a table of Ts.
type Column[T any] struct {
	Name string
	Cell func(T) string
}

// Table writes rows as CSV (RFC 4180) with a line of names.
func Table[T any](columns []Column[T], rows []T) Raw {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	line := make([]string, len(columns))
	for i, c := range columns {
		line[i] = c.Name
	}
	_ = w.Write(line) // a buffer takes everything
	for _, r := range rows {
		for i, c := range columns {
			line[i] = Harmless(c.Cell(r))
		}
		_ = w.Write(line)
	}
	w.Flush()
	return b.Bytes()
}

// Harmless puts an apostrophe before what a spreadsheet would take for a formula. Plain numbers
// stay numbers, even those below zero.
func Harmless(cell string) string {
	if cell == "" || !strings.ContainsRune("=+-@\t\r", rune(cell[0])) || plainNumber(cell) {
		return cell
	}
	return "'" + cell
}

// plainNumber reports whether s is a decimal number, with or without a minus.
func plainNumber(s string) bool {
	whole, decimals, point := strings.Cut(strings.TrimPrefix(s, "-"), ".")
	isDigits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	return isDigits(whole) && (!point || isDigits(decimals))
}

// Lines writes a list into one cell.
func Lines[T any](list []T, one func(T) string) string {
	var all []string
	for _, e := range list {
		all = append(all, one(e))
	}
	return strings.Join(all, "; ")
}

// CSVReply is a table to be kept as a file of that name.
func CSVReply(name string, body Raw) Reply {
	return Reply{Header: map[string]string{"Content-Disposition": `attachment; filename="` + name + `.csv"`}, Body: body}
}
