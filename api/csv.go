package api

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strconv"
	"strings"

	"laidup/internal/score"
)

// column is one column of a table of Ts.
type column[T any] struct {
	name string
	cell func(T) string
}

// table writes rows as CSV (RFC 4180) with a line of names.
func table[T any](columns []column[T], rows []T) raw {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	line := make([]string, len(columns))
	for i, c := range columns {
		line[i] = c.name
	}
	_ = w.Write(line) // a buffer takes everything
	for _, r := range rows {
		for i, c := range columns {
			line[i] = harmless(c.cell(r))
		}
		_ = w.Write(line)
	}
	w.Flush()
	return b.Bytes()
}

// harmless puts an apostrophe before what a spreadsheet would take for a formula. Plain numbers
// stay numbers, even those below zero.
func harmless(cell string) string {
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

func number[N interface {
	json.Marshaler
	score.Share | score.Number | score.Decibans
}](n N) string {
	b, _ := n.MarshalJSON() // a fixed-point number always has a form
	return string(b)
}

func lines[T any](list []T, one func(T) string) string {
	var all []string
	for _, e := range list {
		all = append(all, one(e))
	}
	return strings.Join(all, "; ")
}

var registerColumns = []column[score.Entry]{
	{"rank", func(e score.Entry) string { return strconv.Itoa(e.Rank) }},
	{"hazard", func(e score.Entry) string { return e.Hazard }},
	{"item", func(e score.Entry) string { return e.Item }},
	{"gate", func(e score.Entry) string { return e.Gate }},
	{"what", func(e score.Entry) string { return e.What }},
	{"severity", func(e score.Entry) string { return e.Severity }},
	{"probability", func(e score.Entry) string { return number(e.Probability) }},
	{"level", func(e score.Entry) string { return e.Level }},
	{"risk", func(e score.Entry) string { return e.Risk }},
	{"risk_index", func(e score.Entry) string { return number(e.RiskIndex) }},
	{"share", func(e score.Entry) string { return number(e.Share) }},
	{"rests_on", func(e score.Entry) string { return e.RestsOn }},
	{"prior", func(e score.Entry) string { return number(e.Prior) }},
	{"prior_db", func(e score.Entry) string { return number(e.PriorDB) }},
	{"total_db", func(e score.Entry) string { return number(e.TotalDB) }},
	{"evidence", func(e score.Entry) string {
		return lines(e.Evidence, func(v score.Evidence) string { return v.Because + " (" + number(v.EffectiveDB) + " dB)" })
	}},
	{"source", func(e score.Entry) string { return e.Source }},
}

var blockerColumns = []column[score.Blocker]{
	{"rank", func(b score.Blocker) string { return strconv.Itoa(b.Rank) }},
	{"gate", func(b score.Blocker) string { return b.Gate }},
	{"kind", func(b score.Blocker) string { return b.Kind }},
	{"item", func(b score.Blocker) string { return b.Item }},
	{"hazard", func(b score.Blocker) string { return b.Hazard }},
	{"severity", func(b score.Blocker) string { return b.Severity }},
	{"because", func(b score.Blocker) string { return b.Because }},
	{"clear_by", func(b score.Blocker) string {
		return lines(b.ClearBy, func(c score.Clearing) string { return c.Item + " " + string(encode(c.Found)) })
	}},
	{"cautions", func(b score.Blocker) string { return strings.Join(b.Cautions, " ") }},
	{"rules", func(b score.Blocker) string { return strings.Join(b.Rules, "; ") }},
	{"source", func(b score.Blocker) string { return b.Source }},
}
