package spreadsheet_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/spreadsheet"
)

func cat() *catalogue.Catalogue { return builtin.FirstStart().Catalogue }

// longest is how many bytes a row may have in these tests.
const longest = 1 << 20

// rows reads a file; err is what ended it.
func rows(text string) (list []spreadsheet.Row, err error) {
	r, err := spreadsheet.NewReader(strings.NewReader(text), cat(), longest)
	if err != nil {
		return nil, err
	}
	for {
		row, _, err := r.Next()
		if errors.Is(err, io.EOF) {
			return list, nil
		}
		if err != nil {
			return list, err
		}
		list = append(list, row)
	}
}

// faults are all of a row.
func faults(row spreadsheet.Row) []report.Fault {
	var decoded []report.Fault
	if row.Report != nil {
		_, _, decoded = report.Decode(row.Report, cat())
	}
	return row.Faults(decoded)
}

// told writes faults as a line each: column, code and what is said.
func told(list []report.Fault) string {
	var b strings.Builder
	for _, f := range list {
		fmt.Fprintf(&b, "%s (%s): %s\n", f.Column, f.Code, f.Detail)
	}
	return b.String()
}

// says holds the lines that were told against parts of what is wanted, line by line.
func says(t *testing.T, got string, want ...string) {
	t.Helper()
	lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
	for i, w := range want {
		if i >= len(lines) || !strings.Contains(lines[i], w) {
			t.Errorf("line %d is not about %q:\n%s", i+1, w, got)
			return
		}
	}
	if len(lines) != len(want) {
		t.Errorf("%d lines, want %d:\n%s", len(lines), len(want), got)
	}
}

const frame = "vehicle.reference,inspection.date,method"

// TestWhatARowSays holds what becomes of a row against the report that would have been posted in its place.
func TestWhatARowSays(t *testing.T) {
	for name, c := range map[string]struct{ header, row, want string }{
		"nothing but the vehicle": {frame, "tern-1,2026-05-02,", `{}`},
		"flags in either word, in any case, and a choice": {
			frame + ",timing_belt.fraying,timing_belt.slack,engine_oil.level", "tern-1,2026-05-02,seen,TRUE,no,full",
			`{"observations":[{"item":"timing_belt","method":"seen","found":{"fraying":true,"slack":false}},{"item":"engine_oil","method":"seen","found":{"level":"full"}}]}`,
		},
		"a unit in the header": {
			frame + ",battery.open_circuit [V]", "tern-1,2026-05-02,measured,12.4",
			`{"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":12.4,"unit":"V"}}}]}`,
		},
		"a unit in the cell goes before that in the header": {
			frame + ",compression.lowest [bar]", "tern-1,2026-05-02,measured,130 psi",
			`{"observations":[{"item":"compression","method":"measured","found":{"lowest":{"value":130,"unit":"psi"}}}]}`,
		},
		"a unit that has brackets of its own": {
			frame + ",compression.lowest [[psi]],compression.highest [in_i'Hg]", "tern-1,2026-05-02,measured,+0130,300",
			`{"observations":[{"item":"compression","method":"measured","found":{"lowest":{"value":130,"unit":"[psi]"},"highest":{"value":300,"unit":"[in_i'Hg]"}}}]}`,
		},
		"below zero, and a sign of degrees": {
			frame + ",battery.temperature", "tern-1,2026-05-02,measured,-05.50 °C",
			`{"observations":[{"item":"battery","method":"measured","found":{"temperature":{"value":-5.5,"unit":"°C"}}}]}`,
		},
		"facts, also those in a group, known or not": {
			frame + ",vehicle.fuel,vehicle.odometer,vehicle.voltage,vehicle.cylinders,vehicle.air_conditioning.fitted,lay_up.last_ran,vehicle.turbocharged,reference",
			"tern-1,2026-05-02,,petrol,84210 km,12,4,no,2015-08,unknown,bench-7",
			`{"reference":"bench-7","lay_up":{"last_ran":"2015-08"},"vehicle":{"fuel":"petrol","odometer":{"value":84210,"unit":"km"},"voltage":"12","cylinders":4,"air_conditioning":{"fitted":false},"turbocharged":"unknown","reference":"tern-1"}}`,
		},
		"positions, in whatever order": {
			frame + ",brake_hoses.rubber at rear_left front_right", "tern-1,2026-05-02,seen,cracked",
			`{"observations":[{"item":"brake_hoses","at":["front_right","rear_left"],"method":"seen","found":{"rubber":"cracked"}}]}`,
		},
		"another method for an item": {
			frame + ",battery.secured,battery.method,timing_belt.slack", "tern-1,2026-05-02,told,yes,felt,no",
			`{"observations":[{"item":"battery","method":"felt","found":{"secured":true}},{"item":"timing_belt","method":"told","found":{"slack":false}}]}`,
		},
		"another method for a position": {
			"vehicle.reference,inspection.date,tyres.method,tyres.bulge at rear_left,tyres.method at rear_left,tyres.bulge at rear_right", "tern-1,2026-05-02,seen,yes,felt,no",
			`{"observations":[{"item":"tyres","at":["rear_left"],"method":"felt","found":{"bulge":true}},{"item":"tyres","at":["rear_right"],"method":"seen","found":{"bulge":false}}]}`,
		},
		"a method says nothing by itself": {frame + ",battery.secured,battery.method", "tern-1,2026-05-02,told,,seen", `{}`},
		"a date, and a note with quotes and line breaks": {
			frame + ",timing_belt.fraying,timing_belt.date,timing_belt.note", "tern-1,2026-05-02,seen,yes,2026-04-30,\"left edge,\n\"\"two\"\" cords\"",
			`{"observations":[{"item":"timing_belt","method":"seen","date":"2026-04-30","note":"left edge,\n\"two\" cords","found":{"fraying":true}}]}`,
		},
		"never fitted, and fitted as goes without saying": {
			frame + ",turbocharger.fitted,battery.fitted", "tern-1,2026-05-02,seen,no,yes",
			`{"observations":[{"item":"turbocharger","method":"seen","fitted":false}]}`,
		},
		"a part that was renewed": {
			frame + ",fuel_lines.hoses.renewed,fuel_lines.leak,fuel_lines.hoses.method", "tern-1,2026-05-02,seen,2024,none,documented",
			`{"observations":[{"item":"fuel_lines","part":"hoses","method":"documented","found":{"renewed":"2024"}},{"item":"fuel_lines","method":"seen","found":{"leak":"none"}}]}`,
		},
		"spaces around names and cells": {
			"vehicle.reference , inspection.date,method, battery.open_circuit  [ V ] ", " tern-1, 2026-05-02 ,\u00a0measured, 12.4\t",
			`{"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":12.4,"unit":"V"}}}]}`,
		},
		"columns without a name that are empty": {frame + ",,", "tern-1,2026-05-02,,,", `{}`},
		"cells left out at the end":             {frame + ",battery.secured", "tern-1,2026-05-02", `{}`},
		"what a spreadsheet takes for a formula is text": {
			frame + ",vehicle.description", "tern-1,2026-05-02,,=1+1", `{"vehicle":{"reference":"tern-1","description":"=1+1"}}`,
		},
		"semicolons and decimal commas": {
			"vehicle.reference;inspection.date;method;battery.open_circuit [V];battery.temperature [°C]", "tern-1;2026-05-02;measured;12,4;0,125",
			`{"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":12.4,"unit":"V"},"temperature":{"value":0.125,"unit":"°C"}}}]}`,
		},
		"tabs": {
			"vehicle.reference\tinspection.date\tmethod\tbattery.open_circuit [V]", "tern-1\t2026-05-02\tmeasured\t12.4",
			`{"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":12.4,"unit":"V"}}}]}`,
		},
	} {
		for _, end := range []string{"\n", "\r\n"} {
			for _, mark := range []string{"", "\ufeff"} {
				t.Run(name, func(t *testing.T) {
					list, err := rows(mark + c.header + end + strings.ReplaceAll(c.row, "\n", end) + end)
					if err != nil || len(list) != 1 || list[0].Number != 2 {
						t.Fatalf("%v (%v)", list, err)
					}
					if wrong := told(faults(list[0])); wrong != "" {
						t.Fatal(wrong)
					}
					want := map[string]any{"schema": report.SchemaName, "vehicle": map[string]any{"reference": "tern-1"}, "inspection": map[string]any{"date": "2026-05-02"}, "observations": []any{}}
					var got map[string]any
					if err := errors.Join(json.Unmarshal([]byte(c.want), &want), json.Unmarshal(list[0].Report, &got)); err != nil {
						t.Fatal(err)
					}
					if !reflect.DeepEqual(got, want) {
						t.Errorf("%s\nis not %v", list[0].Report, want)
					}
				})
			}
		}
	}
}

func TestAHeaderRowIsRefusedWithAllThatIsWrong(t *testing.T) {
	for name, c := range map[string]struct {
		header string
		want   []string
	}{
		"nothing at all":             {"", []string{" (missing): the file is empty"}},
		"only empty lines":           {"\n\r\n\n", []string{"the file is empty"}},
		"no names":                   {",,,", []string{"no column has a name"}},
		"a column that has no like":  {frame + ",colour", []string{`colour (unknown_field): there is no column "colour": laidup new report`}},
		"a slip in an item":          {frame + ",timing_bell.fraying", []string{`did you mean "timing_belt.fraying"?`}},
		"a slip in a finding":        {frame + ",timing_belt.frayng", []string{`did you mean "timing_belt.fraying"?`}},
		"a finding that has no like": {frame + ",timing_belt.colour_of_it", []string{`there is no column "timing_belt.colour_of_it": timing_belt takes fraying, cracked, `}},
		"a slip in a fact":           {frame + ",vehicle.fule", []string{`did you mean "vehicle.fuel"?`}},
		"other letters":              {frame + ",Vehicle.fuel", []string{`did you mean "vehicle.fuel"?`}},
		"a unit that does not fit":   {frame + ",battery.open_circuit [bar]", []string{`battery.open_circuit [bar] (wrong_unit): "bar" is not a unit for this: use one of V, mV`}},
		"an empty unit":              {frame + ",battery.open_circuit []", []string{`"" is not a unit for this`}},
		"a unit of what has none":    {frame + ",battery.secured [V]", []string{`this has no unit: leave out "[V]"`}},
		"a position there is not":    {frame + ",tyres.bulge at middle", []string{`"middle" is not a position of tyres: use front, rear, front_left, `}},
		"a position twice":           {frame + ",tyres.bulge at rear_left rear_left", []string{`"rear_left" stands here twice`}},
		"no position":                {frame + ",tyres.bulge at [mm]", []string{`did you mean "tyres.bulge"?`}},
		"positions of what has none": {frame + ",battery.secured at front,vehicle.fuel at home", []string{"battery.secured at front (unknown_field): this has no positions", "vehicle.fuel at home (unknown_field): this has no positions"}},
		"positions of what was never fitted": {
			frame + ",tyres.fitted at rear_left", []string{"what was never fitted has no positions"},
		},
		"the same twice":           {frame + ",battery.secured,battery.secured", []string{"battery.secured (duplicate): columns D and E say the same"}},
		"the same in other units":  {frame + ",battery.open_circuit [V],battery.open_circuit [mV]", []string{"columns D and E say the same"}},
		"the same in other order":  {frame + ",tyres.bulge at rear_left rear_right,tyres.bulge at rear_right rear_left", []string{"columns D and E say the same"}},
		"the method of rows twice": {frame + ",method", []string{"columns C and D say the same"}},
		"what every row needs":     {"battery.secured", []string{`vehicle.reference (missing)`, `inspection.date (missing)`, `method (missing): nothing says how "battery.secured" was found: add a column "method" for the whole row, or "battery.method" for the item`}},
		"several at once":          {frame + ",a.b,c.d", []string{`"a.b"`, `"c.d"`}},
		"a quotation mark":         {frame + `,5" hose`, []string{"line 1: a quotation mark stands inside a cell"}},
		"a quotation mark that no other closes": {
			frame + ",\"battery\n\n", []string{"line 1: a quotation mark"},
		},
		"UTF-16":                         {"\xff\xfev\x00e\x00", []string{"the file is in UTF-16"}},
		"UTF-16 the other way round":     {"\xfe\xff\x00v\x00e", []string{"save it as CSV UTF-8"}},
		"UTF-16 without its mark":        {"v\x00e\x00h\x00", []string{"save it as CSV UTF-8"}},
		"a NUL":                          {frame + ",battery\x00", []string{"save it as CSV UTF-8"}},
		"lines that end as long ago":     {frame + "\rtern-1,2026-05-02,\r", []string{"save it as CSV UTF-8"}},
		"Latin-1":                        {frame + ",\xe4\xf6", []string{"(unknown_field)"}},
		"another file altogether":        {"PK\x03\x04 zip", []string{`there is no column "PK\x03\x04 zip"`}},
		"a report as JSON":               {`{"schema":"laidup.report/1","vehicle":{}}`, []string{"a quotation mark stands inside a cell"}},
		"a name that is longer than any": {frame + "," + strings.Repeat("x", 100_000), []string{"there is no column"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := rows(c.header)
			var header *spreadsheet.HeaderError
			if !errors.As(err, &header) {
				t.Fatalf("%v", err)
			}
			says(t, told(header.Faults), c.want...)
			for _, f := range header.Faults {
				if len(f.Column)+len(f.Detail) > 2000 {
					t.Errorf("%d bytes are said", len(f.Detail))
				}
			}
		})
	}
}

func TestARowIsRefusedWithAllThatIsWrong(t *testing.T) {
	header := frame + ",battery.open_circuit,battery.secured,vehicle.cylinders,timing_belt.fraying,timing_belt.note,compression.lowest [bar],compression.highest [bar],tyres.week_code,vehicle.vin"
	for name, c := range map[string]struct {
		header, row string
		want        []string
	}{
		"a value of each kind": {
			header, "tern 1,2/5/2026,looked,twelve V,maybe,four,1,,9 furlongs,,914,1", []string{
				"vehicle.reference (wrong_value): a vehicle's reference is",
				"inspection.date (wrong_value)",
				`method (wrong_value): "looked" is not a method`,
				`battery.open_circuit (wrong_type): "twelve V" is not a number: write one such as 12.4`,
				"battery.secured (wrong_type): this is text: it has to be true or false",
				`vehicle.cylinders (wrong_type): "four" is not a number`,
				"timing_belt.fraying (wrong_type): this is text: it has to be true or false",
				`compression.lowest [bar] (wrong_unit): "furlongs" is not a unit for this`,
				"tyres.week_code (wrong_value)",
			},
		},
		"what has to be there": {header, ",,,,yes", []string{"vehicle.reference (missing)", "inspection.date (missing)", "method (missing): method is missing: say how it was found"}},
		"no unit":              {header, "tern-1,2026-05-02,measured,12.4", []string{`battery.open_circuit (wrong_unit): "12.4" has no unit: write one into the cell, such as "12.4 V", or into the name of the column, such as "battery.open_circuit [V]"; one of V, mV`}},
		"a unit of a count":    {header, "tern-1,2026-05-02,measured,,,4 pieces", []string{`"4 pieces" is not a whole number: leave out "pieces"`}},
		"out of range":         {header, "tern-1,2026-05-02,measured,1e3 V", []string{"battery.open_circuit (out_of_range): 1000 V is impossible here"}},
		"beyond all measure":   {header, "tern-1,2026-05-02,measured,1e999 V", []string{"beyond all measure"}},
		"two that contradict each other": {
			header, "tern-1,2026-05-02,measured,,,,,,10,9", []string{"compression.lowest [bar] (impossible): the lowest compression is above the highest"},
		},
		"a note by itself":             {header, "tern-1,2026-05-02,seen,,,,,left edge", []string{"timing_belt.note (missing): found is missing"}},
		"a cell below no name":         {frame + ",,", "tern-1,2026-05-02,,,x", []string{`E (unknown_field): "x" is in column E, which has no name`}},
		"more cells than names":        {frame, "tern-1,2026-05-02,,x", []string{`D (unknown_field): "x" is in column D`}},
		"a vehicle without the item":   {frame + ",vehicle.brakes,brake_hoses.leak", "tern-1,2026-05-02,seen,cable,none", []string{"brake_hoses.leak (does_not_apply)"}},
		"a vehicle without the place":  {frame + ",vehicle.cylinders,spark_plugs.gap at cylinder_6 [mm]", "tern-1,2026-05-02,measured,4,0.7", []string{"spark_plugs.gap at cylinder_6 [mm] ("}},
		"never fitted, and yet found":  {frame + ",battery.fitted,battery.secured", "tern-1,2026-05-02,seen,no,yes", []string{"battery.fitted (wrong_value): what was never fitted"}},
		"a decimal comma":              {frame + ",battery.open_circuit [V]", `tern-1,2026-05-02,measured,"12,4"`, []string{`"12,4" is written with a decimal comma, in a file whose columns are separated by commas: write 12.4, or separate the columns by semicolons`}},
		"thousands":                    {frame + ",vehicle.odometer [km]", `tern-1,2026-05-02,,"84,210.5"`, []string{"is not a number: write one such as 12345.6, with nothing between the thousands"}},
		"thousands with a space":       {frame + ",vehicle.odometer [km]", `tern-1,2026-05-02,,84 210`, []string{"with nothing between the thousands"}},
		"thousands with an apostrophe": {frame + ",vehicle.odometer [km]", `tern-1,2026-05-02,,84’210`, []string{"with nothing between the thousands"}},
		"a point that may part thousands": {
			"vehicle.reference;inspection.date;vehicle.odometer [km]", "tern-1;2026-05-02;84.210", []string{`"84.210" is two numbers, depending on who reads it: write 84210 if these are thousands, or else 84.2100`},
		},
		"a comma that may part thousands": {
			"vehicle.reference\tinspection.date\tvehicle.odometer [km]", "tern-1\t2026-05-02\t84,210", []string{`write 84210 if these are thousands, or else 84.2100`},
		},
		"half a unit of a formula": {frame + ",battery.open_circuit [V]", "tern-1,2026-05-02,measured,=6+6.4", []string{"is not a number"}},
		"a NUL":                    {frame + ",vehicle.description", "tern-1,2026-05-02,,a\x00b", []string{"vehicle.description (wrong_value): there is a NUL character"}},
		"Latin-1":                  {frame + ",vehicle.description,battery.open_circuit [V]", "tern-1,2026-05-02,measured,K\xe4fer,\xb112", []string{"vehicle.description (malformed): this is not UTF-8: save the file as CSV UTF-8", "battery.open_circuit [V] (malformed): this is not UTF-8"}},
		"a quotation mark inside":  {frame + ",vehicle.description", `tern-1,2026-05-02,,5" hose`, []string{" (malformed): line 2: a quotation mark stands inside a cell: put the whole cell between quotation marks"}},
		"a quotation mark between": {frame + ",vehicle.description", `tern-1,2026-05-02,,"5" hose"`, []string{"a quotation mark stands inside a cell"}},
	} {
		t.Run(name, func(t *testing.T) {
			// What follows is read all the same.
			list, err := rows(c.header + "\n" + c.row + "\n\nvan-2" + strings.Repeat(",2026-05-02", strings.Count(c.header[:20], ",")) + "\n")
			if err != nil || len(list) != 2 || list[1].Number != 4 {
				t.Fatalf("%v (%v)", list, err)
			}
			says(t, told(faults(list[0])), c.want...)
		})
	}
}

func TestRowsAreCountedAsSpreadsheetsDo(t *testing.T) {
	list, err := rows(frame + ",timing_belt.note\r\n\r\na,2026-05-02,seen,\"one\r\ntwo\r\n\r\nthree\"\r\n,,,\r\n\r\n\r\nb,2026-05-02,seen,\nc,,")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, row := range list {
		got = append(got, fmt.Sprint(row.Number, " ", row.Blank()))
	}
	if want := []string{"3 false", "4 true", "7 false", "8 false"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestAQuotationMarkThatNoneClosesEndsTheFile(t *testing.T) {
	for name, text := range map[string]string{
		"with a mark":    "\ufeff" + frame + "\na,2026-05-02,\nb,\"2026-05-02,\nc,2026-05-02,\n",
		"without a mark": frame + "\na,2026-05-02,\nb,\"2026-05-02,\nc,2026-05-02,",
	} {
		t.Run(name, func(t *testing.T) {
			list, err := rows(text)
			var broken *spreadsheet.BrokenError
			if len(list) != 1 || !errors.As(err, &broken) || broken.Row != 3 || !strings.Contains(broken.Detail, "line 3") {
				t.Errorf("%v (%v)", list, err)
			}
		})
	}
}

// endless is text without end.
type endless struct {
	from io.Reader
	fill string
	read int
}

func (e *endless) Read(p []byte) (n int, err error) {
	if n, err = e.from.Read(p); n == 0 {
		n, err = copy(p, e.fill), nil
	}
	e.read += n
	return n, err
}

func TestTextWithoutEndIsGivenUp(t *testing.T) {
	for name, c := range map[string]struct{ text, fill, want string }{
		"a header row":                 {"", "x", "the header row has more than"},
		"a header row of many columns": {frame, ",battery.secured", "the header row has more than"},
		"a row":                        {frame + "\na,", "x", ""},
		"a quoted cell":                {frame + "\na,\"", "x\n", "look for a quotation mark"},
	} {
		t.Run(name, func(t *testing.T) {
			in := &endless{from: strings.NewReader(c.text), fill: c.fill}
			r, err := spreadsheet.NewReader(in, cat(), 1000)
			var header *spreadsheet.HeaderError
			if errors.As(err, &header) {
				err = errors.New(told(header.Faults))
			} else if err == nil {
				_, _, err = r.Next()
			}
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v", err)
			}
			if in.read > 1<<20 {
				t.Errorf("%d bytes were read", in.read)
			}
		})
	}
}

// Rows are read as they come: nothing waits for those behind them.
func TestRowsAreReadAsTheyCome(t *testing.T) {
	in, out := io.Pipe()
	said := make(chan string)
	go func() {
		for text := range said {
			if _, err := out.Write([]byte(text)); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { close(said); in.Close() })
	said <- frame + "\n"
	r, err := spreadsheet.NewReader(in, cat(), longest)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		said <- fmt.Sprintf("tern-%d,2026-05-02,\n", i)
		if row, _, err := r.Next(); err != nil || row.Number != i+2 {
			t.Fatalf("%v (%v)", row, err)
		}
	}
}

func TestARowThatIsTooLongIsRefusedByItself(t *testing.T) {
	list, err := rows(frame + ",timing_belt.note\na,2026-05-02,seen," + strings.Repeat("x", longest) + "\nb,2026-05-02,seen,\n")
	if err != nil || len(list) != 2 || !list[0].Long || list[0].Report != nil || list[0].Blank() || list[1].Long || list[1].Number != 3 {
		t.Errorf("%v (%v)", list, err)
	}
}

func TestTenThousandColumns(t *testing.T) {
	for name, column := range map[string]func(i int) string{
		"of no meaning":   func(i int) string { return fmt.Sprintf("timing_belt.frayin%d", i) },
		"all the same":    func(int) string { return "battery.secured" },
		"without a name":  func(int) string { return "" },
		"of many letters": func(int) string { return strings.Repeat("timing_belt", 8) },
	} {
		t.Run(name, func(t *testing.T) {
			names := []string{frame}
			for i := range 10_000 {
				names = append(names, column(i))
			}
			list, err := rows(strings.Join(names, ",") + "\na,2026-05-02,seen\n")
			var header *spreadsheet.HeaderError
			switch {
			case name == "without a name":
				if err != nil || len(list) != 1 {
					t.Errorf("%v (%v)", list, err)
				}
			case !errors.As(err, &header) || len(header.Faults) != report.MaxFaults+1:
				t.Errorf("%v", err)
			}
		})
	}
}

// A row is forgotten once it is read.
func TestMemoryStaysFlat(t *testing.T) {
	header := frame + ",timing_belt.fraying,timing_belt.note\n"
	row := "tern-1,2026-05-02,seen,yes,\"" + strings.Repeat("left edge\n", 190) + "\"\n"
	in := &endless{from: strings.NewReader(header), fill: row}
	r, err := spreadsheet.NewReader(in, cat(), longest)
	if err != nil {
		t.Fatal(err)
	}
	used := func(rows int) uint64 {
		for range rows {
			if _, _, err := r.Next(); err != nil && in.read > len(header) {
				t.Fatal(err)
			}
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	if before, after := used(100), used(20_000); after > before+1<<20 {
		t.Errorf("%d bytes after 100 rows, %d after 20,100", before, after)
	}
}
