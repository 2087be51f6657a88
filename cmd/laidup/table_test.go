package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/spreadsheet"
)

// spread writes a file.
func spread(t *testing.T, name, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// between is what stands between two marks in docs/batches.md.
func between(t *testing.T, begin, end string) string {
	t.Helper()
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "batches.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, begins := strings.Cut(string(page), begin)
	text, _, ends := strings.Cut(rest, end)
	if !begins || !ends {
		t.Fatalf("docs/batches.md has nothing between %q and %q", begin, end)
	}
	return text
}

// The file that docs/batches.md shows is answered as it says.
func TestTheSpreadsheetOfTheDocsIsScored(t *testing.T) {
	t.Parallel()
	file := spread(t, "lot.CSV", between(t, "```csv lot.csv\n", "```"))
	code, out, errs := session(t, "", "batch", file)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if code != exitBlocked || len(lines) != 3 {
		t.Fatalf("%d %s %s", code, out, errs)
	}
	for i, want := range []string{`{"line":2,"state":"done","vehicle":"marrick-tern-11",`, `{"line":3,"state":"done","vehicle":"corvane-dale-12",`} {
		if !strings.HasPrefix(lines[i], want) {
			t.Errorf("%.200s, want %s", lines[i], want)
		}
	}
	var got, want any
	if err := json.Unmarshal([]byte(lines[2]), &got); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(`{"line":4,`+between(t, "```json\n{\"line\":4,", "```")), &want); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("docs/batches.md does not show this any more: %s", lines[2])
	}
}

// manyRows are rows on vehicles, some with a second row and some with mistakes, and the reports that they are.
func manyRows(n int) (rows, lines string) {
	rows = "vehicle.reference;inspection.date;method;battery.open_circuit [V];battery.note\r\n"
	for i := range n {
		if i%9 == 8 {
			rows += "lot;2026-05-02;guessed;12,4;\r\n"
			lines += `{"schema":"laidup.report/1","vehicle":{"reference":"lot"},"inspection":{"date":"2026-05-02"},"observations":[{"item":"battery","method":"guessed","found":{"open_circuit":{"value":12.4,"unit":"V"}}}]}` + "\n"
			continue
		}
		rows += fmt.Sprintf("lot-%d;2026-05-02;measured;%d,5;\"two\r\nlines\"\r\n", i/2, 10+i%3)
		lines += fmt.Sprintf(`{"schema":"laidup.report/1","vehicle":{"reference":"lot-%d"},"inspection":{"date":"2026-05-02"},"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":%d.5,"unit":"V"}},"note":"two\nlines"}]}`+"\n", i/2, 10+i%3)
	}
	return rows, lines
}

// Rows are scored as the reports that they are would be: offline and on a server.
func TestRowsAreScoredAsTheirReportsAre(t *testing.T) {
	t.Parallel()
	rows, lines := manyRows(600)
	table, file := spread(t, "lot.csv", rows), spread(t, "lot.ndjson", "\n"+lines) // behind an empty line they have the same numbers
	wantCode, want, _ := session(t, "", "batch", file)
	code, offline, errs := session(t, "", "batch", table)
	if code != wantCode {
		t.Fatalf("%d, want %d: %s", code, wantCode, errs)
	}
	withoutColumns := func(results string) []string {
		return withoutIDs(t, strings.ReplaceAll(results, `,"column":"method"`, ""))
	}
	if got := withoutColumns(offline); !reflect.DeepEqual(got, withoutIDs(t, want)) {
		t.Errorf("%s\nis not\n%s", strings.Join(got, "\n")[:1000], want[:1000])
	}
	if !strings.Contains(offline, `"column":"method"`) {
		t.Error("no column is named")
	}
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir())
	for range 2 { // the second time nothing is left to be done
		code, online, errs := session(t, "", "batch", table, "--server", p.url)
		if code != wantCode || !reflect.DeepEqual(withoutIDs(t, online), withoutIDs(t, offline)) {
			t.Fatalf("%d %s\n%.1000s\nis not\n%.1000s", code, errs, online, offline)
		}
	}
	code, out, errs := session(t, "", "batch", spread(t, "bad.csv", "vehicle.reference,inspection.date,method,battery.secure\nlot-1,2026-05-02,seen,yes\n"), "--server", p.url)
	if code != exitBad || out != "" || !strings.Contains(errs, `column "battery.secure": there is no column "battery.secure": did you mean "battery.secured"?`) {
		t.Errorf("%d %s %s", code, out, errs)
	}
}

// Where the upload of a table is cut off, the whole of it is sent again: the server passes over what it has.
func TestATableThatIsCutOffIsSentAgain(t *testing.T) {
	t.Parallel()
	rows, _ := manyRows(300)
	posts := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.Method == http.MethodGet && r.URL.Path == "/v1/batches/b/results":
			fmt.Fprintln(w, "the results")
		case r.Method == http.MethodGet:
			fmt.Fprintf(w, `{"batches":[{"idempotency_key":"other"}]}`)
		default:
			posts++
			body, err := io.ReadAll(io.LimitReader(r.Body, int64(len(rows)/2*posts+1)))
			if posts == 1 {
				panic(http.ErrAbortHandler)
			}
			if err != nil || string(body) != rows || r.Header.Get("Content-Type") != "text/csv" || r.Header.Get("Idempotency-Key") == "" || r.URL.RawQuery != "" {
				t.Errorf("%d bytes, %v, %s (%v)", len(body), r.Header, r.URL, err)
			}
			fmt.Fprint(w, `{"id":"b","lines":{"received":300,"done":300},"finished_at":"2026-06-12T00:00:00Z"}`)
		}
	}))
	t.Cleanup(server.Close)
	code, out, errs := session(t, "", "batch", spread(t, "lot.csv", rows), "--server", server.URL)
	if code != 0 || out != "the results\n" || posts != 2 {
		t.Errorf("%d %q %s after %d posts", code, out, errs, posts)
	}
}

func TestWhatIsWrongWithASpreadsheetIsSaid(t *testing.T) {
	t.Parallel()
	header := "vehicle.reference,inspection.date,method,battery.secured,battery.note\n"
	for name, c := range map[string]struct {
		text  string
		lines int // that have an answer
		want  string
	}{
		"a name":                {header[:len(header)-1] + ",battery.secure\n", 0, `column "battery.secure": there is no column "battery.secure": did you mean "battery.secured"?`},
		"nothing in it":         {"", 0, "the file is empty"},
		"no row is a report":    {header + "a b,2026-05-02\nc d,2026-05-02\n", 2, "None of the 2 rows is a report"},
		"a quote without end":   {header + "a,2026-05-02\nb,2026-05-02\nc,2026-05-02,seen,no,\"left\nd,2026-05-02\n", 2, "row 4: a quotation mark opens a cell on line 4, and none closes it"},
		"a row beyond a report": {header + "a,2026-05-02,seen,no," + strings.Repeat("x", maxReport) + "\n", 1, "None of the 1 rows"},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := session(t, "", "batch", spread(t, "lot.csv", c.text))
			if code != exitBad || strings.Count(out, "\n") != c.lines || !strings.Contains(errs, c.want) {
				t.Errorf("%d, %.300q: %s", code, out, errs)
			}
		})
	}
}

// A spreadsheet to begin with has a column for all that can be found on such a vehicle, and is the report to
// begin with.
func TestASpreadsheetToBeginWithIsTheReportToBeginWith(t *testing.T) {
	t.Parallel()
	cat := builtin.FirstStart().Catalogue
	for kind := range kindsOfVehicle {
		t.Run(kind, func(t *testing.T) {
			args := []string{"new", "report", "--vehicle", kind, "--date", "2026-05-02", "--bare"}
			code, text, errs := session(t, "", append(args, "--format", "csv")...)
			if code != 0 || !strings.Contains(errs, "Then: laidup batch FILE") {
				t.Fatalf("%d %s", code, errs)
			}
			rows, err := spreadsheet.NewReader(strings.NewReader(text), cat, maxReport)
			if err != nil {
				t.Fatal(err)
			}
			row, _, err := rows.Next()
			if err != nil {
				t.Fatal(err)
			}
			got, _, faults := report.Decode(row.Report, cat)
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			_, whole, _ := session(t, "", args...)
			want, _, _ := report.Decode([]byte(whole), cat)
			if len(got.Observations) != len(want.Observations) || len(got.Facts) != len(want.Facts) || got.Vehicle != want.Vehicle || got.Purpose != want.Purpose {
				t.Errorf("%d observations and %d facts of %v, want %d and %d of %v", len(got.Observations), len(got.Facts), got.Vehicle, len(want.Observations), len(want.Facts), want.Vehicle)
			}
			list, err := csv.NewReader(bytes.NewReader([]byte(text))).ReadAll()
			if err != nil || len(list) != 2 {
				t.Fatalf("%d rows (%v)", len(list), err)
			}
			names := strings.Join(list[0], "\n") + "\n"
			for _, o := range got.Observations {
				for _, f := range o.Item.Finds {
					if !f.Common() && !strings.Contains(names, "\n"+o.Item.ID+"."+f.ID+"\n") && !strings.Contains(names, "\n"+o.Item.ID+"."+f.ID+" ["+f.Unit.Code+"]\n") {
						t.Errorf("no column for %s.%s", o.Item.ID, f.ID)
					}
				}
			}
		})
	}
}
