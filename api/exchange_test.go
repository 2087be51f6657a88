package api_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
)

// exported reads an export, and looks whether it is whole.
func exported(t testing.TB, text []byte) (lines []object) {
	t.Helper()
	var sum []byte
	raw := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
	for i, line := range raw {
		var o object
		if err := json.Unmarshal(line, &o); err != nil {
			t.Fatalf("line %d: %v: %s", i+1, err, line)
		}
		if lines = append(lines, o); i < len(raw)-1 {
			h := sha256.Sum256(append(bytes.Clone(sum), line...))
			sum = h[:]
		}
	}
	if end := lines[len(lines)-1]; end["kind"] != "end" || end["sha256"] != hex.EncodeToString(sum) || end["lines"] != float64(len(lines)-1) {
		t.Errorf("the end of %d lines is %v, want %x", len(lines), end, sum)
	}
	return lines
}

func TestAnExportHasAllThatWasPutIn(t *testing.T) {
	t.Parallel()
	hooks := hooked(t)
	w := hooks.workshop
	ours, theirs := w.key("brennick-motors", access.Administration), w.key("harrow-lane", access.Administration)
	w.keep("brennick-motors", yard)
	w.post("/v1/reports?gate=crank", tern(t, "tern-02"), theirs).is(t, http.StatusAccepted)
	body := append([]byte("\n\t"), tern(t, "tern-01")...) // it is kept as it is
	a := w.post("/v1/reports?gate=crank", body, ours)
	a.is(t, http.StatusAccepted)
	first := a.object(t)["report"].(string)
	second := w.sent(bytes.Replace(tern(t, "tern-01"), []byte("{"), []byte(`{"replaces":"`+first+`",`), 1), ours)
	w.post("/v1/reports/"+second+"/withdraw", []byte(`{"reason":"of <another> vehicle"}`), ours).is(t, http.StatusOK)
	w.post("/v1/subscriptions", []byte(`{"url":"https://yard.example/hook","types":["batch.finished"]}`), ours)
	w.do(http.MethodPut, "/v1/retention", []byte(`{"days":4000}`), ours, "Content-Type: application/json").is(t, http.StatusOK)
	w.queue.workers.Wait()

	a = w.get("/v1/export", ours)
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/x-ndjson", "Cache-Control", "no-store")
	lines := exported(t, a.text)
	var kinds []string
	for _, l := range lines {
		kinds = append(kinds, l["kind"].(string))
	}
	if got := strings.Join(kinds, " "); got != "export rule_set report report withdrawal subscription retention end" {
		t.Fatalf("there are %s", got)
	}
	head, set, one, two, gone, hook, days := lines[0], lines[1], lines[2], lines[3], lines[4], lines[5], lines[6]
	if head["format"] != "urn:laidup:export:1" || head["organisation"] != "brennick-motors" || fmt.Sprint(head["counts"]) != "map[reports:2 vehicles:1 withdrawals:1]" {
		t.Errorf("the head is %v", head)
	}
	if set["document"].(object)["name"] != set["name"] {
		t.Errorf("the rule set is %v", set)
	}
	if one["id"] != first || one["body"] != string(body) || one["gate"] != "crank" || one["replaces"] != nil || one["vehicle"] != "tern-01" || one["posted_by"] == "" || one["rule_set"].(object)["name"] != "first-start" {
		t.Errorf("the first report is %v", one)
	}
	if two["id"] != second || two["replaces"] != first || two["gate"] != "first_start" {
		t.Errorf("the second report is %v", two)
	}
	if gone["report"] != second || gone["reason"] != "of <another> vehicle" || gone["gate"] != nil {
		t.Errorf("the withdrawal is %v", gone)
	}
	if hook["url"] != "https://yard.example/hook" || days["days"] != 4000. {
		t.Errorf("there are %v and %v", hook, days)
	}
	for _, secret := range []string{"whsec_", "harrow-lane", "tern-02"} {
		if bytes.Contains(a.text, []byte(secret)) {
			t.Errorf("%s is in it", secret)
		}
	}
	if e := w.get("/v1/audit", ours).object(t)["entries"].([]any)[0].(object); e["action"] != "data.exported" || e["detail"].(object)["reports"] != 2. {
		t.Errorf("the audit trail has %v", e)
	}
	w.get("/v1/export", w.key("brennick-motors", access.PostReports, access.Read)).problem(t, http.StatusForbidden, "scope-needed")
	w.get("/v1/export?format=csv", ours).problem(t, http.StatusBadRequest, "bad-query")
}

// A receiver that takes nothing holds nothing up, and gets no more once its key is revoked.
func TestAnExportEndsWithItsKey(t *testing.T) {
	t.Parallel()
	w := closed(t)
	w.queue.holiday.Store(true)
	for i := range 400 {
		if _, err := w.service.For("harrow-lane").Submit(t.Context(), assess.Order{Body: tern(t, fmt.Sprint("tern-", i))}); err != nil {
			t.Fatal(err)
		}
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: w.api.Handler(), ReadHeaderTimeout: time.Second, ConnContext: func(ctx context.Context, c net.Conn) context.Context {
		_ = c.(*net.TCPConn).SetWriteBuffer(4096)
		return ctx
	}}
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close() })
	token, key, err := w.keys.Create(t.Context(), access.Order{Organisation: "harrow-lane", Label: "the bench", Scopes: []access.Scope{access.Administration}})
	if err != nil {
		t.Fatal(err)
	}
	connection, err := net.Dial("tcp", listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = connection.Close() })
	_ = connection.(*net.TCPConn).SetReadBuffer(4096)
	fmt.Fprintf(connection, "GET /v1/export HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer %s\r\n\r\n", token)
	in := bufio.NewReader(connection)
	if status, err := in.ReadString('\n'); err != nil || !strings.Contains(status, "200") {
		t.Fatalf("it answers %s, %v", status, err)
	}
	if err := w.keys.Revoke(t.Context(), "harrow-lane", key.ID); err != nil {
		t.Fatal(err)
	}
	at := time.Now()
	for !strings.Contains(w.log.String(), "export broken off") {
		if time.Since(at) > 5*time.Second {
			t.Fatal("it goes on")
		}
		time.Sleep(20 * time.Millisecond)
	}
	_ = connection.SetReadDeadline(time.Now().Add(5 * time.Second))
	var rest bytes.Buffer
	_, _ = rest.ReadFrom(in)
	if strings.Contains(rest.String(), `"kind":"end"`) {
		t.Error("it looks whole")
	}
}

func (w *workshop) imports(text []byte, headers ...string) answer {
	w.t.Helper()
	return w.do(http.MethodPost, "/v1/import", text, append(headers, "Content-Type: application/x-ndjson")...)
}

func TestAnImportTakesInWhatWasExported(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		ours, theirs := w.key("brennick-motors", access.Administration), w.key("harrow-lane", access.Administration)
		first := w.sent(tern(t, "tern-01"), ours)
		second := w.sent(bytes.Replace(tern(t, "tern-01"), []byte("{"), []byte(`{"replaces":"`+first+`",`), 1), ours)
		w.sent(tern(t, "tern-02"), ours)
		w.post("/v1/reports/"+w.sent(tern(t, "tern-02"), ours)+"/withdraw", []byte(`{"reason":"of another vehicle"}`), ours).is(t, http.StatusOK)
		text := w.get("/v1/export", ours).text
		exported(t, text)

		a := w.imports(text, theirs)
		a.is(t, http.StatusOK)
		if got := string(a.text); got != `{"organisation":"brennick-motors","lines":8,"taken":{"rule_sets":0,"attachments":0,"reports":4,"withdrawals":1,"outcomes":0},"already_there":0,"left_out":1,"refused":0,"refusals":[]}` {
			t.Errorf("it answers %s", got)
		}
		for _, vehicle := range []string{"tern-01", "tern-02"} {
			if want, got := w.newest(vehicle, ours), w.newest(vehicle, theirs); want == "" || got != want {
				t.Errorf("%s is assessed as %s, want %s", vehicle, got, want)
			}
		}
		w.get("/v1/reports/"+second, theirs).problem(t, http.StatusNotFound, "not-found") // it has an id of its own
		list := w.get("/v1/vehicles/tern-01/reports", theirs).object(t)["reports"].([]any)
		if old := list[1].(object)["withdrawn"].(object); old["replaced_by"] != list[0].(object)["id"] {
			t.Errorf("the reports are %v", list)
		}
		if got := w.imports(text, theirs).object(t); got["already_there"] != 5. || got["taken"].(object)["reports"] != 0. {
			t.Errorf("again it answers %v", got)
		}
		if e := w.get("/v1/audit", theirs).object(t)["entries"].([]any)[0].(object); e["action"] != "data.imported" || e["detail"].(object)["organisation"] != "brennick-motors" {
			t.Errorf("the audit trail has %v", e)
		}

		other := w.key("quillon-yard", access.Administration)
		cut := text[:bytes.LastIndexByte(text[:len(text)-1], '\n')]
		if p := w.imports(cut, other).problem(t, http.StatusUnprocessableEntity, "bad-import"); !strings.Contains(p["detail"].(string), "4 reports and 1 withdrawals up to line 7 are taken") {
			t.Errorf("it says %v", p)
		}
		changed := bytes.Replace(text, []byte(`of another`), []byte(`of an other`), 1)
		w.imports(changed, w.key("quillon-lane", access.Administration)).problem(t, http.StatusUnprocessableEntity, "bad-import")
		w.imports([]byte("{}"), other).problem(t, http.StatusUnprocessableEntity, "bad-import")
		w.imports(nil, other).problem(t, http.StatusUnprocessableEntity, "bad-import")
		w.post("/v1/import", text, other).problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
		w.imports(text, w.key("quillon-yard", access.PostReports, access.PublishRules)).problem(t, http.StatusForbidden, "scope-needed")
	})
}

// Photos come along, under their ids.
func TestAnImportHasThePhotos(t *testing.T) {
	t.Parallel()
	w := closed(t)
	ours, theirs := w.key("brennick-motors", access.Administration), w.key("harrow-lane", access.Administration)
	photo := w.attach(picture(t, 320, 240), ours)["id"].(string)
	report := showing(t, "wren-01", photo, photo)
	w.post("/v1/reports", report, ours).is(t, http.StatusAccepted)
	text := w.get("/v1/export", ours).is(t, http.StatusOK).text
	if line := exported(t, text)[1]; line["kind"] != "attachment" || line["id"] != photo || line["pieces"] != 1. || line["piece"] != 1. {
		t.Errorf("the line is %v", line)
	}
	w.get("/v1/attachments/"+photo, theirs).problem(t, http.StatusNotFound, "not-found")
	if got := w.imports(text, theirs).is(t, http.StatusOK).object(t); got["taken"].(object)["attachments"] != 1. || got["refused"] != 0. {
		t.Errorf("it answers %v", got)
	}
	if want := w.get("/v1/attachments/"+photo, ours).text; !bytes.Equal(w.get("/v1/attachments/"+photo, theirs).is(t, http.StatusOK).text, want) {
		t.Error("the photo is another")
	}
	w.get("/v1/attachments/"+photo+"/thumbnail", theirs).is(t, http.StatusOK)
	// Where its file is missing, who imports is told.
	for _, name := range w.files.Names() {
		_ = w.files.Delete(t.Context(), name)
	}
	text = w.get("/v1/export", ours).is(t, http.StatusOK).text
	if got := w.imports(text, w.key("quillon-yard", access.Administration)).object(t); got["taken"].(object)["reports"] != 1. || got["refused"] != 2. || got["refusals"].([]any)[0].(object)["line"] != 2. {
		t.Errorf("it answers %v", got)
	}
}

// A key that is revoked meanwhile takes nothing more in.
func TestAnImportEndsWithItsKey(t *testing.T) {
	t.Parallel()
	w := closed(t)
	w.queue.holiday.Store(true)
	for i := range 3 {
		if _, err := w.service.For("harrow-lane").Submit(t.Context(), assess.Order{Body: tern(t, fmt.Sprint("tern-", i))}); err != nil {
			t.Fatal(err)
		}
	}
	var text bytes.Buffer
	x, err := w.service.For("harrow-lane").Export(t.Context(), nil)
	if err == nil {
		err = x.Write(t.Context(), &text)
	}
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(w.api.Handler())
	t.Cleanup(server.Close)
	token, key, err := w.keys.Create(t.Context(), access.Order{Organisation: "brennick-motors", Label: "the bench", Scopes: []access.Scope{access.Administration}})
	if err != nil {
		t.Fatal(err)
	}
	body, feed := io.Pipe()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, server.URL+"/v1/import", body)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Content-Type", "application/x-ndjson")
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if resp, err := http.DefaultClient.Do(r); err == nil {
			_ = resp.Body.Close()
		}
	}()
	lines := bytes.SplitAfter(text.Bytes(), []byte("\n"))
	for _, line := range lines[:2] {
		if _, err := feed.Write(line); err != nil {
			t.Fatal(err)
		}
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) { // the first report is taken in
		if _, err := w.service.For("brennick-motors").Vehicle(t.Context(), "tern-0"); err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal("nothing is taken in")
		}
	}
	if err := w.keys.Revoke(t.Context(), "brennick-motors", key.ID); err != nil {
		t.Fatal(err)
	}
	select {
	case <-ended:
	case <-time.After(5 * time.Second):
		t.Error("it goes on")
	}
	_ = feed.Close()
	if list, err := w.service.For("brennick-motors").Vehicles(t.Context(), assess.VehiclePage{Gate: "crank", Limit: 9}); err != nil || len(list) != 1 {
		t.Errorf("there are %+v, %v", list, err)
	}
}
