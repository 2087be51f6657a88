package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
)

const tableHeader = "vehicle.reference,inspection.date,method,reference,battery.open_circuit [V],battery.secured"

// postTable posts rows.
func (w *workshop) postTable(path, text string, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, path, []byte(text), append(headers, "Content-Type: text/csv; charset=utf-8")...)
}

func TestATableIsTakenAndAnsweredRowByRow(t *testing.T) {
	t.Parallel()
	w := open(t)
	text := "\ufeff" + tableHeader + "\r\nlot-1,2026-05-02,measured,bench-1,12.4,yes\r\n\r\nlot-2,2026-05-02,looked,,12.4 bar,no\r\n"
	a := w.postTable("/v1/batches?gate=crank", text, "Idempotency-Key: auction")
	a.is(t, http.StatusAccepted)
	w.chunks.workers.Wait()
	location := a.Header.Get("Location")
	if got := w.get(location).object(t); got["state"] != "done" || at(t, got, "lines", "through") != 4.0 || at(t, got, "lines", "received") != 2.0 || at(t, got, "lines", "refused") != 1.0 {
		t.Errorf("%v", got)
	}
	first, second, _ := strings.Cut(string(w.get(location+"/results").text), "\n")
	for _, want := range []string{`"line":2,"state":"done","vehicle":"lot-1"`, `"reference":"bench-1"`, `"gate":"crank"`} {
		if !strings.Contains(first, want) {
			t.Errorf("no %s in %s", want, first)
		}
	}
	for _, want := range []string{`"line":4,"state":"refused"`, `"pointer":"/observations/0/method"`, `"column":"method"`, `"column":"battery.open_circuit [V]"`} {
		if !strings.Contains(second, want) {
			t.Errorf("no %s in %s", want, second)
		}
	}
	if results := string(w.get(location+"/results", "Accept: text/csv").text); !strings.Contains(results, `; battery.open_circuit [V] ""bar"" is not a unit for this`) {
		t.Errorf("%s", results)
	}
	// The same rows are the same batch, and go on behind themselves only below their header row.
	again := w.postTable("/v1/batches?gate=crank", strings.ReplaceAll(text, "\r\n", "\n"), "Idempotency-Key: auction")
	again.is(t, http.StatusAccepted)
	again.has(t, "Location", location)
	again = w.postTable("/v1/batches?gate=crank&first_line=5", tableHeader, "Idempotency-Key: auction")
	again.is(t, http.StatusAccepted)
	again.has(t, "Location", location)
	w.postBatch("/v1/batches?gate=crank", ternLine(t, "lot-1"), "Idempotency-Key: auction").problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused")
	w.postTable("/v1/batches?gate=crank&first_line=5", "lot-3,2026-05-02,seen", "Idempotency-Key: auction").problem(t, http.StatusUnprocessableEntity, "invalid-table")
}

func TestATableThatCannotBeReadSaysHowToMendIt(t *testing.T) {
	t.Parallel()
	w := open(t)
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"nothing":           {"", []string{"the file is empty"}},
		"an unknown column": {tableHeader + ",battery.secure,x\nlot-1,2026-05-02,seen\n", []string{`"column":"battery.secure"`, `did you mean \"battery.secured\"?`, `"column":"x"`}},
		"UTF-16":            {"\xff\xfev\x00", []string{"save it as CSV UTF-8"}},
		"lines of JSON":     {ternLine(t, "lot-1"), []string{"a quotation mark stands inside a cell"}},
	} {
		t.Run(name, func(t *testing.T) {
			a := w.postTable("/v1/batches", c.text, "Idempotency-Key: lot")
			a.problem(t, http.StatusUnprocessableEntity, "invalid-table", "Nothing was stored")
			for _, want := range c.want {
				if !strings.Contains(string(a.text), want) {
					t.Errorf("no %s in %s", want, a.text)
				}
			}
		})
	}
	if list := w.get("/v1/batches").object(t)["batches"].([]any); len(list) > 0 {
		t.Errorf("%v", list)
	}

	rows := tableHeader + "\n"
	for i := range 120 {
		rows += fmt.Sprintf("lot-%d,2026-05-02,seen,,,yes\n", i%5)
	}
	broken := rows + "lot-9,2026-05-02,seen,\"bench\nlot-9,2026-05-02,seen,,,yes\n"
	a := w.postTable("/v1/batches", broken, "Idempotency-Key: lot")
	a.problem(t, http.StatusUnprocessableEntity, "invalid-table", "row 122: a quotation mark opens a cell on line 122, and none closes it", "lines 1 to 101 are stored", "same Idempotency-Key")
	location := a.Header.Get("Location")
	a = w.postTable("/v1/batches", strings.Replace(broken, `"bench`, "bench", 1), "Idempotency-Key: lot")
	a.is(t, http.StatusAccepted)
	a.has(t, "Location", location)
	w.chunks.workers.Wait()
	if got := w.get(location).object(t); at(t, got, "lines", "done") != 122.0 {
		t.Errorf("%v", got)
	}
}
