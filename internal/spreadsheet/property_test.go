package spreadsheet_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/spreadsheet"

	"pgregory.net/rapid"
)

type object = map[string]any

// sketch draws a report twice: as JSON, and as the cells of a row with the names of their columns.
type sketch struct {
	t     *rapid.T
	comma rune
	names []string
	cells []string
}

func (s *sketch) one(label string, n int) bool { return rapid.IntRange(1, n).Draw(s.t, label) == 1 }

func (s *sketch) column(name, cell string) {
	s.names, s.cells = append(s.names, name), append(s.cells, cell)
}

func (s *sketch) text(label string) string {
	return strings.TrimSpace(rapid.OneOf(
		rapid.SampledFrom([]string{"left edge", "a,b;c\td", "\"quoted\"", "two\nlines", "=1+1", "'", "-", "12,5", "é", "unknown"}),
		rapid.StringOfN(rapid.RuneFrom([]rune("ab ,;\t\"\n'=é𝄞0")), 1, 20, -1),
	).Draw(s.t, label))
}

// number writes a number as somebody might, and never so that it could be two.
func (s *sketch) number(v float64) string {
	text := strconv.FormatFloat(v, 'f', -1, 64)
	whole, decimals, _ := strings.Cut(text, ".")
	if decimals == "" {
		return text
	}
	if len(decimals) == 3 {
		decimals += "0"
	}
	if s.comma != ',' && s.one("decimal comma", 2) {
		return whole + "," + decimals
	}
	return whole + "." + decimals
}

// value draws a value of a finding, and puts it into a column.
func (s *sketch) value(name string, f *catalogue.Finding) any {
	switch f.Kind {
	case catalogue.Flag:
		v := rapid.Bool().Draw(s.t, "flag")
		s.column(name, map[bool][]string{true: {"true", "YES"}, false: {"False", "no"}}[v][rapid.IntRange(0, 1).Draw(s.t, "word")])
		return v
	case catalogue.Count:
		n := int(max(0, f.Min)) + rapid.IntRange(0, 5).Draw(s.t, "count")
		s.column(name, strconv.Itoa(n))
		return n
	case catalogue.Quantity:
		unit := rapid.SampledFrom(f.Units()).Draw(s.t, "unit")
		b, _ := f.Bounds([]byte(unit))
		v := b.Min + (b.Max-b.Min)*rapid.SampledFrom([]float64{0, 0.001, 1. / 3, 0.5, 1}).Draw(s.t, "share")
		if unit == "1" || s.one("unit in header", 2) {
			s.column(name+" ["+unit+"]", s.number(v))
		} else {
			s.column(name, s.number(v)+strings.Repeat(" ", rapid.IntRange(0, 1).Draw(s.t, "space"))+unit)
		}
		return object{"value": v, "unit": unit}
	}
	var v string
	switch f.Kind {
	case catalogue.Choice:
		v = rapid.SampledFrom(f.Values).Draw(s.t, "choice")
	case catalogue.Date:
		v = rapid.SampledFrom([]string{"1987", "2015-08", "2026-05-02"}).Draw(s.t, "date")
	case catalogue.WeekCode:
		v = rapid.SampledFrom([]string{"0914", "5320"}).Draw(s.t, "week code")
	default:
		v = "R 12/7"
	}
	s.column(name, v)
	return v
}

func (s *sketch) facts(part string, o object) {
	for _, f := range cat().Facts {
		if f.In != part || !s.one("given", 6) {
			continue
		}
		v := s.value(part+"."+f.ID, f)
		if outer, inner, grouped := strings.Cut(f.ID, "."); grouped {
			group, _ := o[outer].(object)
			if group == nil {
				group = object{}
			}
			group[inner] = v
			o[outer] = group
		} else {
			o[f.ID] = v
		}
	}
}

func (s *sketch) optional(o object, path, key string) {
	if s.one(key, 3) {
		if text := s.text(key); text != "" {
			o[key] = text
			s.column(path+key, text)
		}
	}
}

func (s *sketch) report() object {
	vehicle, layUp, inspection := object{"reference": "drawn-1"}, object{}, object{"date": "2026-05-02"}
	o := object{"schema": report.SchemaName, "vehicle": vehicle, "lay_up": layUp, "inspection": inspection}
	s.column("vehicle.reference", "drawn-1")
	s.column("inspection.date", "2026-05-02")
	byRow := rapid.SampledFrom(cat().Methods).Draw(s.t, "method of the row").ID
	s.column("method", byRow)
	s.optional(o, "", "reference")
	s.optional(vehicle, "vehicle.", "description")
	s.optional(inspection, "inspection.", "inspector")
	s.facts("vehicle", vehicle)
	s.facts("lay_up", layUp)
	observations := []any{}
	items := rapid.SliceOfNDistinct(rapid.SampledFrom(cat().Items), 0, 4, func(it *catalogue.Item) string { return it.ID }).Draw(s.t, "items")
	for _, it := range items {
		for _, at := range s.places(it) {
			observations = append(observations, s.observation(it, at, byRow))
		}
	}
	o["observations"] = observations
	return o
}

// places are lists of positions of an item of which no two are the same; the empty one says nothing of them.
func (s *sketch) places(it *catalogue.Item) [][]string {
	if len(it.Positions) == 0 || s.one("anywhere", 2) {
		return [][]string{nil}
	}
	var names []string
	for _, p := range it.Positions {
		names = append(names, p.ID)
	}
	names = rapid.Permutation(names).Draw(s.t, "positions")
	cut := rapid.IntRange(1, len(names)).Draw(s.t, "first of them")
	if cut == len(names) {
		return [][]string{names}
	}
	return [][]string{names[:cut], names[cut:]}
}

func (s *sketch) observation(it *catalogue.Item, at []string, byRow string) object {
	o := object{"item": it.ID, "method": byRow}
	name, where := it.ID+".", ""
	part := len(it.Parts) > 0 && s.one("part", 3)
	if part {
		p := rapid.SampledFrom(it.Parts).Draw(s.t, "part").ID
		o["part"], name = p, name+p+"."
	}
	if at != nil {
		o["at"], where = at, " at "+strings.Join(at, " ")
	}
	first := len(s.names)
	switch {
	case part:
		o["found"] = object{"renewed": s.value(name+"renewed", it.Renewed)}
	case at == nil && s.one("never fitted", 8):
		o["fitted"] = false
		s.column(name+"fitted", "no")
	default:
		found := object{}
		for _, f := range rapid.SliceOfNDistinct(rapid.SampledFrom(it.Finds), 1, 3, func(f *catalogue.Finding) string { return f.ID }).Draw(s.t, "findings") {
			found[f.ID] = s.value(name+f.ID, f)
		}
		o["found"] = found
	}
	if s.one("method of its own", 2) {
		m := rapid.SampledFrom(cat().Methods).Draw(s.t, "method").ID
		o["method"] = m
		s.column(name+"method", m)
	}
	if s.one("date of its own", 4) {
		o["date"] = "2026-04-30"
		s.column(name+"date", "2026-04-30")
	}
	s.optional(o, name, "note")
	for i := first; i < len(s.names); i++ { // positions stand before the unit
		plain, unit, has := strings.Cut(s.names[i], " [")
		if s.names[i] = plain + where; has {
			s.names[i] += " [" + unit
		}
	}
	return o
}

// file writes what was drawn, and columns of which nothing is said.
func (s *sketch) file() string {
	for _, other := range []string{"timing_belt.judged", "vehicle.vin", "", ""} {
		if (other == "" || !slices.Contains(s.names, other)) && s.one("empty column", 2) {
			s.column(other, rapid.SampledFrom([]string{"", " "}).Draw(s.t, "empty"))
		}
	}
	var text bytes.Buffer
	if s.one("byte order mark", 2) {
		text.WriteString("\ufeff")
	}
	w := csv.NewWriter(&text)
	w.Comma, w.UseCRLF = s.comma, s.one("CRLF", 2)
	if err := w.WriteAll([][]string{s.names, s.cells}); err != nil {
		s.t.Fatal(err)
	}
	return text.String()
}

// sorted lays what was found, and the facts, in the order of the catalogue.
func sorted(r *report.Report) *report.Report {
	if r == nil {
		return nil
	}
	bySlot := func(a, b report.Value) int { return a.Finding.Slot - b.Finding.Slot }
	slices.SortFunc(r.Facts, bySlot)
	for _, o := range r.Observations {
		slices.SortFunc(o.Found, bySlot)
	}
	return r
}

// A report in a row is the report as JSON; and what is wrong with that is wrong with the row.
func TestARowIsTheReport(t *testing.T) {
	valid := 0
	rapid.Check(t, func(rt *rapid.T) {
		s := &sketch{t: rt, comma: rapid.SampledFrom([]rune(",;\t")).Draw(rt, "separator")}
		text, err := json.Marshal(s.report())
		if err != nil {
			rt.Fatal(err)
		}
		list, err := rows(s.file())
		if err != nil || len(list) != 1 {
			rt.Fatalf("%v (%v)", list, err)
		}
		want, cautions, wrong := report.Decode(text, cat())
		got, gotCautions, gotWrong := report.Decode(list[0].Report, cat())
		if len(wrong) != len(gotWrong) || len(wrong) > 0 && len(list[0].Faults(gotWrong)) == 0 {
			rt.Fatalf("%s\n%s\n%v\n%v", text, list[0].Report, wrong, gotWrong)
		}
		if len(wrong) == 0 {
			valid++
		}
		if own := list[0].Faults(nil); len(own) > 0 {
			rt.Fatal(told(own))
		}
		if !reflect.DeepEqual(sorted(got), sorted(want)) || len(cautions) != len(gotCautions) {
			rt.Fatalf("%s\nis not\n%s", list[0].Report, text)
		}
	})
	if valid == 0 {
		t.Error("no report that was drawn is valid")
	}
}

// FuzzReader feeds anything at all: no row is lost, counted twice or taken for two, whatever it says, and what
// becomes of a row is JSON that a report could be.
func FuzzReader(f *testing.F) {
	f.Add([]byte(frame+",battery.open_circuit [V],tyres.bulge at rear_left\ntern-1,2026-05-02,seen,12.4,yes\n"), uint16(1000))
	f.Add([]byte("\ufeffvehicle.reference;inspection.date;timing_belt.note;timing_belt.method\r\na;2026;\"x\r\n\"\"y\";told\r\n\r\n;;;\r\nb;;\"z"), uint16(1000))
	f.Add([]byte("vehicle.reference\tinspection.date\tvehicle.odometer\n\xff\t\x00\t1e999 km\n\"a\"b\t\t12,345\n"), uint16(40))
	f.Add([]byte("\xff\xfev\x00"), uint16(0))
	f.Fuzz(func(t *testing.T, text []byte, most uint16) {
		read := func(in io.Reader) (list []spreadsheet.Row, names []string, err error) {
			r, err := spreadsheet.NewReader(in, cat(), int(most))
			if err != nil {
				return nil, nil, err
			}
			for {
				row, _, err := r.Next()
				if err != nil {
					return list, r.Names(), err
				}
				list = append(list, row)
			}
		}
		list, names, err := read(bytes.NewReader(text))
		var header *spreadsheet.HeaderError
		var broken *spreadsheet.BrokenError
		if !errors.Is(err, io.EOF) && !errors.As(err, &header) && !errors.As(err, &broken) {
			t.Fatal(err)
		}
		last := 0
		for _, row := range list {
			if row.Number <= last {
				t.Errorf("row %d comes behind row %d", row.Number, last)
			}
			last = row.Number
			if row.Long {
				continue
			}
			for _, f := range faults(row) {
				if f.Code == report.Malformed && row.Report != nil && f.Column == "" {
					t.Errorf("%s is no JSON: %s", row.Report, f.Detail)
				}
				if letters := strings.Trim(f.Column, "ABCDEFGHIJKLMNOPQRSTUVWXYZ"); letters != "" && !slices.Contains(names, f.Column) {
					t.Errorf("there is no column %q: %s", f.Column, f.Detail)
				}
			}
		}
		again, _, againErr := read(iotest.OneByteReader(bytes.NewReader(text)))
		if len(again) != len(list) || againErr.Error() != err.Error() {
			t.Errorf("byte by byte: %d rows (%v), at once: %d rows (%v)", len(again), againErr, len(list), err)
		}
	})
}
