package api_test

import (
	"bytes"
	"net/http"
	"strings"
	"testing"
)

// What the sender calls a report, who looked and what he remarked stands where the findings do.
func TestWhatASenderSaysStandsBesideTheFindings(t *testing.T) {
	t.Parallel()
	w := open(t)
	body := demo(t, "brennick-wren-03.1", func(o object) {
		o["reference"] = "order-4711"
		o["inspection"].(object)["inspector"] = "N. Quillon"
		o["observations"].([]any)[0].(object)["note"] = "smells of <varnish>"
	})
	id := w.posted(body)
	for name, wants := range map[string]struct{ note bool }{"blocking": {true}, "register": {true}, "purchase": {false}} {
		s := w.sheet(id, "sheet="+name)
		paper := ""
		for _, lines := range s.pages {
			paper += strings.Join(lines, " ")
		}
		for form, text := range map[string]string{"page": s.lines, "paper": paper} {
			if !strings.Contains(text, "order-4711") || !strings.Contains(text, "N. Quillon") {
				t.Errorf("%s, as a %s, does not say whose report it is", name, form)
			}
			// What was remarked is for who works on the vehicle, and not for its buyer.
			if strings.Contains(text, "smells of <varnish>") != wants.note {
				t.Errorf("%s, as a %s, has the remark: %t", name, form, !wants.note)
			}
		}
	}
	batch := w.do(http.MethodPost, "/v1/batches", append(bytes.ReplaceAll(body, []byte("\n"), nil), '\n'), "Content-Type: application/x-ndjson")
	batch.is(t, http.StatusAccepted)
	w.chunks.workers.Wait()
	if line := w.get(batch.Header.Get("Location") + "/results").object(t); line["reference"] != "order-4711" {
		t.Errorf("the line is %v", line)
	}
	table := string(w.get(batch.Header.Get("Location")+"/results", "Accept: text/csv").text)
	if !strings.Contains(table, "reference") || !strings.Contains(table, "order-4711") {
		t.Errorf("the table is %s", table)
	}
}
