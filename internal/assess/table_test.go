package assess_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/spreadsheet"

	"pgregory.net/rapid"
)

func table(key string) assess.BatchOrder {
	o := order(key)
	o.Table = true
	return o
}

const tableHeader = "vehicle.reference,inspection.date,method,reference,battery.open_circuit [V],battery.secured,battery.note"

// columns has a line for each fault of a line of a batch.
func columns(t *testing.T, l assess.Line) string {
	t.Helper()
	var p struct {
		Errors []struct{ Column, Pointer, Detail string }
	}
	if err := json.Unmarshal(l.Problem, &p); err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range p.Errors {
		all = append(all, e.Column+" "+e.Pointer+": "+e.Detail)
	}
	return strings.Join(all, "\n")
}

func TestARowOfATableIsAReport(t *testing.T) {
	t.Parallel()
	w := open(t)
	b, _, err := w.Receive(t.Context(), table(""), strings.NewReader(strings.Join([]string{
		tableHeader,
		"tern-1,2026-05-02,measured,bench-1,12.4,yes,",
		"",
		"tern 2,2026-05-02,measured,,\"12,4\",perhaps,",
		",,,,,,",
		"tern-3,2026-05-02,seen,,11.9,,\"two\nlines\"",
		"tern-4,2026-05-02,seen,,,,5\" hose",
		"tern-5,2026-05-02,seen",
	}, "\r\n")))
	if err != nil {
		t.Fatal(err)
	}
	w.workAll(t)
	same(t, w.answers(t, b.ID), []string{
		"2 tern-1 done",
		"4   /problems/invalid-report /vehicle/reference wrong_value /observations/0/found/open_circuit wrong_type /observations/0/found/secured wrong_type",
		"6 tern-3 done",
		"7   /problems/invalid-report  malformed",
		"8 tern-5 done",
	})
	lines, err := w.Lines(t.Context(), b.ID, 0, 10)
	if err != nil || lines[0].Reference != "bench-1" {
		t.Fatal(lines, err)
	}
	for _, want := range []string{
		"vehicle.reference /vehicle/reference: a vehicle's reference is",
		"\nbattery.open_circuit [V] /observations/0/found/open_circuit: \"12,4\" is written with a decimal comma",
		"\nbattery.secured /observations/0/found/secured: this is text: it has to be true or false",
	} {
		if got := columns(t, lines[1]); !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	// What is stored is the report that would have been posted.
	r, err := w.Report(t.Context(), lines[0].Assessment.ReportID)
	if want := `{"schema":"laidup.report/1","vehicle":{"reference":"tern-1"},"inspection":{"date":"2026-05-02"},"reference":"bench-1","observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":12.4,"unit":"V"},"secured":true}}]}`; err != nil || string(r.Body) != want {
		t.Errorf("%s (%v)", r.Body, err)
	}
}

func TestATableWithAnUnknownColumnLeavesNothing(t *testing.T) {
	t.Parallel()
	w := open(t)
	_, _, err := w.Receive(t.Context(), table("key"), strings.NewReader(tableHeader+",battery.secure\ntern-1,2026-05-02,seen,,12.4\n"))
	var header *spreadsheet.HeaderError
	if !errors.As(err, &header) || len(header.Faults) != 1 || !strings.Contains(header.Faults[0].Detail, `did you mean "battery.secured"?`) {
		t.Errorf("%v", err)
	}
	if list, err := w.Batches(t.Context(), assess.BatchPage{Limit: 9}); err != nil || len(list) > 0 {
		t.Errorf("%+v (%v)", list, err)
	}
	// Mended, it may go under the same key.
	if b, _, err := w.Receive(t.Context(), table("key"), strings.NewReader(tableHeader+"\ntern-1,2026-05-02,seen,,12.4\n")); err != nil || b.Lines != 1 {
		t.Errorf("%+v (%v)", b, err)
	}
}

func TestATableThatBreaksOffIsMendedAndGoesOn(t *testing.T) {
	t.Parallel()
	w := open(t)
	text := tableHeader + "\n"
	for i := range 250 {
		text += fmt.Sprintf("tern-%d,2026-05-02,seen,,12.4,yes,row %d\n", i%7, i)
	}
	_, _, err := w.Receive(t.Context(), table("key"), strings.NewReader(strings.Replace(text, "row 150", `"row 150`, 1)))
	var partial *assess.PartialError
	var broken *spreadsheet.BrokenError
	if !errors.As(err, &partial) || !errors.As(err, &broken) || broken.Row != 152 || partial.Through < 100 || partial.Through >= 152 {
		t.Fatal(err)
	}
	if b, known, err := w.Receive(t.Context(), table("key"), strings.NewReader(text)); err != nil || !known || b.Lines != 250 || b.Refused != 0 {
		t.Errorf("%+v (%v)", b, err)
	}
}

// However often the upload of a table is cut off, and wherever, and however it goes on: in the end every row is
// there once, as if it had been sent in one go.
func TestATableThatIsCutOffGoesOn(t *testing.T) {
	t.Parallel()
	shared := openWith(t, builtin.Loader(), builtin.FirstStart())
	rapid.Check(t, func(rt *rapid.T) {
		w := shared.another()
		var rows []string
		for i, kind := range rapid.SliceOfN(rapid.IntRange(0, 9), 1, 260).Draw(rt, "rows") {
			rows = append(rows, []string{
				"", ",,,", "tern,x,y", "\"two\nlines\",,",
				fmt.Sprintf("tern-%d,2026-05-02,seen,,12.4,,\"three\n\n\"\"lines\"\"\"", i%50),
				fmt.Sprintf("tern-%d,2026-05-02,seen,,12.4,yes", i%50),
			}[min(kind, 5)])
		}
		whole := tableHeader + "\n" + strings.Join(rows, "\n")
		if rapid.Bool().Draw(rt, "ends with a line") {
			whole += "\n"
		}
		through := 0
		for _, cut := range rapid.SliceOfN(rapid.IntRange(0, len(whole)), 0, 4).Draw(rt, "cuts") {
			o, body := table("key"), whole
			if through > 0 && rapid.Bool().Draw(rt, "goes on behind") {
				o.FirstLine = through + 1
				body = tableHeader + "\n" + strings.Join(rows[through-1:], "\n")
			}
			b, _, err := w.Receive(context.Background(), o, &cutReader{strings.NewReader(body), min(cut, len(body))})
			var partial *assess.PartialError
			switch {
			case errors.As(err, &partial):
				if partial.Batch != "" && partial.Through < through {
					rt.Fatalf("row %d was stored, now %d is the last", through, partial.Through)
				}
				through = max(through, partial.Through)
			case err == nil:
				through = b.Through // the cut lay behind the end
			default:
				rt.Fatal(err)
			}
		}
		b, _, err := w.Receive(context.Background(), table("key"), strings.NewReader(whole))
		if err != nil {
			rt.Fatal(err)
		}
		once := shared.another()
		want, _, err := once.Receive(context.Background(), table(""), strings.NewReader(whole))
		if err != nil {
			rt.Fatal(err)
		}
		same(rt, w.answers(rt, b.ID), once.answers(rt, want.ID))
		if b.Through != want.Through || b.Lines != want.Lines || b.Refused != want.Refused {
			rt.Errorf("%+v, want %+v", b, want)
		}
	})
}

func TestAKeyStandsForTheTableThatItCameWith(t *testing.T) {
	t.Parallel()
	w := open(t)
	text := tableHeader + "\ntern-1,2026-05-02,seen,,12.4,yes,a note\n\ntern-2,2026-05-02,seen,,12.4,yes,a note\n"
	first, _, err := w.Receive(t.Context(), table("key"), strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	behind := func(line int) assess.BatchOrder {
		o := table("key")
		o.FirstLine = line
		return o
	}
	for name, c := range map[string]struct {
		order assess.BatchOrder
		text  string
		want  error
	}{
		"again":                    {table("key"), text, nil},
		"with other line ends":     {table("key"), strings.ReplaceAll(text, "\n", "\r\n"), nil},
		"with other separators":    {table("key"), strings.ReplaceAll(text, ",", ";"), nil},
		"with quotation marks":     {table("key"), strings.ReplaceAll(text, "a note", `"a note"`), nil},
		"another header row":       {table("key"), strings.Replace(text, "secured", "case", 1), assess.ErrKeyReused},
		"another cell":             {table("key"), strings.Replace(text, "tern-2", "tern-3", 1), assess.ErrKeyReused},
		"cells cut elsewhere":      {table("key"), strings.Replace(text, "yes,a note", "yesa, note", 1), assess.ErrKeyReused},
		"no empty line":            {table("key"), strings.Replace(text, "\n\n", "\n", 1), assess.ErrKeyReused},
		"fewer rows":               {table("key"), text[:strings.Index(text, "\n\n")], assess.ErrKeyReused},
		"more rows":                {table("key"), text + "tern-3,2026-05-02,seen\n", assess.ErrBatchClosed},
		"nothing behind it all":    {behind(5), tableHeader, nil},
		"a gap":                    {behind(6), tableHeader + "\ntern-3,2026-05-02,seen\n", assess.ErrLineGap},
		"lines of JSON":            {order("key"), reportLine(t, "tern-1"), assess.ErrKeyReused},
		"behind it, lines of JSON": {assess.BatchOrder{IdempotencyKey: "key", MaxLine: 1 << 20, FirstLine: 5}, "", assess.ErrKeyReused},
	} {
		b, known, err := w.Receive(t.Context(), c.order, strings.NewReader(c.text))
		if c.want == nil && (err != nil || !known || b.ID != first.ID) || !errors.Is(err, c.want) {
			t.Errorf("%s: %+v, %v, %v", name, b, known, err)
		}
	}
	if lines := w.answers(t, first.ID); !slices.Equal(lines, []string{"2 tern-1 queued", "4 tern-2 queued"}) {
		t.Errorf("%q", lines)
	}
}
