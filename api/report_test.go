package api_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/api"
)

func TestAReportIsAccepted(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.post("/v1/reports?gate=crank", tern(t, "tern-01"))
	a.is(t, http.StatusAccepted)
	body := a.object(t)
	id := body["id"].(string)
	at := "/v1/assessments/" + id
	a.has(t, "Location", at, "Retry-After", "1", "Content-Type", "application/json", "Cache-Control", "no-store", "Preference-Applied", "")
	if body["state"] != "queued" || body["vehicle"] != "tern-01" || body["report"] == "" || body["cautions"] == nil {
		t.Errorf("receipt %s", a.text)
	}
	w.queue.workers.Wait()
	for name, path := range body["links"].(object) {
		if l := w.get(path.(string)); l.StatusCode != http.StatusOK {
			t.Errorf("link %s to %s answers %d", name, path, l.StatusCode)
		}
	}
	if gate := w.get(at).object(t)["verdict"].(object)["gate"]; gate != "crank" {
		t.Errorf("the verdict is about %v", gate)
	}
}

func TestAReportIsAcceptedWhileTheQueueIsDown(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.Break(errors.New("connection refused"))
	id := w.accept("tern-01")
	if state := w.get("/v1/assessments/" + id).object(t)["state"]; state != "queued" {
		t.Errorf("state %v", state)
	}
}

func TestWaitingIsPreferred(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.post("/v1/reports", tern(t, "tern-01"), "Prefer: respond-async, wait=20")
	a.is(t, http.StatusOK)
	stored := w.get(a.Header.Get("Location"))
	a.has(t, "Preference-Applied", "wait=20", "Retry-After", "", "Content-Location", a.Header.Get("Location"))
	if !bytes.Equal(a.text, stored.text) {
		t.Error("the assessment awaited is another than the one read later")
	}
	if a.object(t)["state"] != "done" {
		t.Errorf("answer %.200s", a.text)
	}
}

func TestWaitingEndsWithAReceipt(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) { o.Limits.Wait = time.Second })
	w.queue.holiday.Store(true)
	for _, prefer := range []string{"wait=0", "wait=3600", "wait=soon", "return=minimal"} {
		a := w.post("/v1/reports", tern(t, "tern-01"), "Prefer: "+prefer)
		a.is(t, http.StatusAccepted)
		a.has(t, "Retry-After", "1", "Preference-Applied", "")
	}
}

func TestWaitingForOneThatFails(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	done := make(chan answer)
	go func() { done <- w.post("/v1/reports", tern(t, "tern-01"), "Prefer: wait=20") }()
	for {
		if task, ok := w.queue.Take(); ok {
			if err := w.store.Fail(t.Context(), task.AssessmentID, []byte(`{"title":"Rule set gone","detail":"it is gone"}`), time.Now()); err != nil {
				t.Error(err)
			}
			break
		}
		time.Sleep(time.Millisecond)
	}
	a := <-done
	a.is(t, http.StatusOK)
	a.has(t, "Preference-Applied", "wait=20")
	if body := a.object(t); body["state"] != "failed" || body["problem"].(object)["detail"] != "it is gone" {
		t.Errorf("answer %s", a.text)
	}
}

func TestARepeatIsHarmless(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.post("/v1/reports", tern(t, "tern-01"), `Idempotency-Key: "order 66"`)
	first.problem(t, http.StatusBadRequest, "bad-header", "visible")

	first = w.post("/v1/reports", tern(t, "tern-01"), `Idempotency-Key: "order-66"`)
	first.is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	again := w.post("/v1/reports", tern(t, "tern-01"), `Idempotency-Key: order-66`)
	again.is(t, http.StatusAccepted)
	if !bytes.Equal(first.text, again.text) || first.Header.Get("Location") != again.Header.Get("Location") {
		t.Errorf("first %s, then %s", first.text, again.text)
	}
	if n := w.get("/v1/vehicles/tern-01").object(t)["reports"]; n != 1.0 {
		t.Errorf("%v reports are stored", n)
	}
	for what, other := range map[string]answer{
		"report": w.post("/v1/reports", tern(t, "tern-02"), "Idempotency-Key: order-66"),
		"gate":   w.post("/v1/reports?gate=crank", tern(t, "tern-01"), "Idempotency-Key: order-66"),
	} {
		t.Run("another "+what, func(t *testing.T) {
			other.problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused", "new key")
		})
	}
}

func TestRepeatsAtOnceGetOneReceipt(t *testing.T) {
	t.Parallel()
	w := open(t)
	answers := make([]answer, 24)
	var all sync.WaitGroup
	for i := range answers {
		all.Go(func() { answers[i] = w.post("/v1/reports", tern(t, "tern-01"), "Idempotency-Key: once") })
	}
	all.Wait()
	for _, a := range answers {
		if a.StatusCode != http.StatusAccepted || !bytes.Equal(a.text, answers[0].text) {
			t.Errorf("%d %s", a.StatusCode, a.text)
		}
	}
	if n := w.get("/v1/vehicles/tern-01").object(t)["reports"]; n != 1.0 {
		t.Errorf("%v reports are stored", n)
	}
}

func TestReportsAtOnceDoNotShareABody(t *testing.T) {
	t.Parallel()
	w := open(t)
	var all sync.WaitGroup
	for i := range 24 {
		all.Go(func() {
			vehicle := fmt.Sprintf("tern-%02d", i)
			for range 4 {
				if a := w.post("/v1/reports", tern(t, vehicle)); a.object(t)["vehicle"] != vehicle {
					t.Errorf("%s got %s", vehicle, a.text)
				}
			}
		})
	}
	all.Wait()
	for i := range 24 {
		if n := w.get(fmt.Sprintf("/v1/vehicles/tern-%02d", i)).object(t)["reports"]; n != 4.0 {
			t.Errorf("vehicle %d has %v reports", i, n)
		}
	}
}

func TestAReportIsChecked(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.post("/v1/reports/check", tern(t, "tern-01"))
	a.is(t, http.StatusOK)
	var body struct {
		Valid              bool
		Vehicle, Inspected string
		Observations       int
		Cautions           []any
	}
	a.into(t, &body)
	if !body.Valid || body.Vehicle != "tern-01" || body.Inspected != "2026-05-02" || body.Observations == 0 || body.Cautions == nil {
		t.Errorf("answer %s", a.text)
	}
	w.get("/v1/vehicles/tern-01").problem(t, http.StatusNotFound, "not-found")
}

// The clock of the tests stands in the morning of 2026-06-12.
func TestReportsOfADayThatHasNotComeAreRefused(t *testing.T) {
	t.Parallel()
	w := open(t)
	dated := func(date string) []byte {
		return []byte(strings.Replace(ternLine(t, "tern-01"), `"date":"2026-05-02"`, `"date":"`+date+`"`, 1))
	}
	for _, path := range []string{"/v1/reports/check", "/v1/reports"} {
		p := w.post(path, dated("2026-06-14")).problem(t, http.StatusUnprocessableEntity, "invalid-report")
		faults := p["errors"].([]any)
		fault := faults[0].(object)
		if len(faults) != 1 || fault["pointer"] != "/inspection/date" || fault["code"] != "out_of_range" ||
			fault["detail"] != "2026-06-14 is in the future (today is 2026-06-12): correct the date, and check the year first" {
			t.Errorf("%s: %v", path, faults)
		}
	}
	w.get("/v1/vehicles/tern-01").problem(t, http.StatusNotFound, "not-found")
	w.post("/v1/reports/check", dated("2026-06-13")).is(t, http.StatusOK)
	w.post("/v1/reports", dated("2026-06-13")).is(t, http.StatusAccepted)

	b := w.batch(string(dated("2062-06-12")) + string(dated("2026-06-13")))
	lines := strings.Split(string(w.get(b+"/results").text), "\n")
	if !strings.Contains(lines[0], `"state":"refused"`) || !strings.Contains(lines[0], `"pointer":"/inspection/date","detail":"2062-06-12 is in the future`) || !strings.Contains(lines[1], `"state":"done"`) {
		t.Errorf("%s", lines)
	}
}

func TestReportsThatAreNotValid(t *testing.T) {
	t.Parallel()
	w := open(t)
	good := string(tern(t, "tern-01"))
	for name, c := range map[string]struct {
		body          string
		code, pointer string
	}{
		"empty":               {"", "malformed", ""},
		"not JSON":            {"schema: laidup.report/1", "malformed", ""},
		"cut short":           {good[:len(good)/2], "malformed", "*"},
		"two documents":       {good + good, "malformed", ""},
		"invalid UTF-8":       {strings.Replace(good, "Marrick", "M\xffrrick", 1), "malformed", "*"},
		"a lone surrogate":    {strings.Replace(good, "Marrick", `M\ud800rrick`, 1), "malformed", "*"},
		"a NUL":               {strings.Replace(good, "Marrick", `M\u0000rrick`, 1), "wrong_value", "/vehicle/description"},
		"a raw NUL":           {strings.Replace(good, "Marrick", "M\x00rrick", 1), "malformed", "*"},
		"a list":              {"[]", "wrong_type", ""},
		"nothing but nesting": {strings.Repeat("[", 100_000), "malformed", "*"},
		"another schema":      {strings.Replace(good, "laidup.report/1", "laidup.report/9", 1), "wrong_value", "/schema"},
		"a field not known":   {strings.Replace(good, `"reference"`, `"a/b~c": 1, "reference"`, 1), "unknown_field", "/a~1b~0c"},
		"a name twice":        {strings.Replace(good, `"reference"`, `"reference": "x", "reference"`, 1), "duplicate", "/reference"},
	} {
		for _, path := range []string{"/v1/reports", "/v1/reports/check"} {
			t.Run(name+" at "+path, func(t *testing.T) {
				p := w.post(path, []byte(c.body)).problem(t, http.StatusUnprocessableEntity, "invalid-report")
				fault := p["errors"].([]any)[0].(object)
				if fault["code"] != c.code || fault["detail"] == "" || (c.pointer != "*" && fault["pointer"] != c.pointer) {
					t.Errorf("fault %v", fault)
				}
			})
		}
	}
	if list := w.get("/v1/vehicles").object(t)["vehicles"].([]any); len(list) > 0 {
		t.Errorf("something was stored: %v", list)
	}
}

func TestAllFaultsAtOnce(t *testing.T) {
	t.Parallel()
	p := open(t).post("/v1/reports", []byte(`{"schema": 1, "observations": [{"item": "flux_capacitor"}]}`)).
		problem(t, http.StatusUnprocessableEntity, "invalid-report")
	if n := len(p["errors"].([]any)); n < 4 {
		t.Errorf("%d faults: %v", n, p["errors"])
	}
}

func TestBodiesThatAreRefusedUnread(t *testing.T) {
	t.Parallel()
	const limit = 100_000
	w := open(t, func(o *api.Options) { o.Limits.Body = limit })
	good := tern(t, "tern-01")
	padded := func(n int) []byte { return append(bytes.Repeat([]byte(" "), n-len(good)), good...) }
	for name, c := range map[string]struct {
		body    []byte
		headers []string
		status  int
		problem string
		words   string
	}{
		"no media type":     {good, nil, http.StatusUnsupportedMediaType, "unsupported-media-type", "application/json"},
		"a form":            {good, []string{"Content-Type: application/x-www-form-urlencoded"}, http.StatusUnsupportedMediaType, "unsupported-media-type", ""},
		"another charset":   {good, []string{"Content-Type: application/json; charset=latin1"}, http.StatusUnsupportedMediaType, "unsupported-media-type", ""},
		"two media types":   {good, []string{"Content-Type: application/json", "Content-Type: text/plain"}, http.StatusUnsupportedMediaType, "unsupported-media-type", ""},
		"compressed":        {good, []string{"Content-Type: application/json", "Content-Encoding: gzip"}, http.StatusUnsupportedMediaType, "unsupported-media-type", "uncompressed"},
		"one byte too many": {padded(limit + 1), []string{"Content-Type: application/json"}, http.StatusRequestEntityTooLarge, "body-too-large", "100000"},
		"as much as may be": {padded(limit), []string{"Content-Type: Application/JSON; charset=UTF-8"}, http.StatusAccepted, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			a := w.do(http.MethodPost, "/v1/reports", c.body, c.headers...)
			if c.problem == "" {
				a.is(t, c.status)
				return
			}
			a.problem(t, c.status, c.problem, c.words)
		})
	}
}

func TestATooLargeBodyOfUnknownLength(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) { o.Limits.Body = 1000 })
	server := serve(t, w)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, server.url+"/v1/reports", strings.NewReader(strings.Repeat(" ", 5000)))
	if err != nil {
		t.Fatal(err)
	}
	r.ContentLength = -1
	r.Header.Set("Content-Type", "application/json")
	server.send(r).problem(t, http.StatusRequestEntityTooLarge, "body-too-large", "1000")
}

func TestHeadersOfReportsThatAreNotUnderstood(t *testing.T) {
	t.Parallel()
	w := open(t)
	for name, headers := range map[string][]string{
		"an empty key":      {`Idempotency-Key: ""`},
		"an open quote":     {`Idempotency-Key: "a`},
		"a quote inside":    {`Idempotency-Key: a"b`},
		"more after a key":  {`Idempotency-Key: "a";b=1`},
		"a letter of yours": {"Idempotency-Key: schl\u00fcssel"},
		"too long a key":    {"Idempotency-Key: " + strings.Repeat("k", 201)},
		"two keys":          {"Idempotency-Key: a", "Idempotency-Key: b"},
	} {
		t.Run(name, func(t *testing.T) {
			w.post("/v1/reports", tern(t, "tern-01"), headers...).problem(t, http.StatusBadRequest, "bad-header", "Idempotency-Key")
		})
	}
	w.post("/v1/reports", tern(t, "tern-01"), "Idempotency-Key: "+strings.Repeat("k", 200)).is(t, http.StatusAccepted)
}

func TestAReportForNoSuchGate(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, gate := range []string{"launch", "%00", "Crank"} {
		w.post("/v1/reports?gate="+gate, tern(t, "tern-01")).problem(t, http.StatusBadRequest, "no-such-gate", "crank", "first_start")
	}
}

func TestTheStoreIsDown(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.store.Break(errors.New("secret-host: connection refused"))
	a := w.post("/v1/reports", tern(t, "tern-01"))
	a.problem(t, http.StatusServiceUnavailable, "unavailable", "again")
	a.has(t, "Retry-After", "5")
	for _, path := range []string{"/v1/assessments/id-000002", "/v1/vehicles", "/v1/vehicles/tern-01", "/v1/vehicles/tern-01/readiness"} {
		w.get(path).problem(t, http.StatusServiceUnavailable, "unavailable")
	}
	if bytes.Contains(a.text, []byte("secret-host")) {
		t.Errorf("the client is told %s", a.text)
	}
	if !strings.Contains(w.log.String(), "secret-host") {
		t.Error("the log is not told")
	}
}

func TestCautionsComeWithTheReceipt(t *testing.T) {
	t.Parallel()
	var body object
	if err := json.Unmarshal(tern(t, "tern-01"), &body); err != nil {
		t.Fatal(err)
	}
	body["vehicle"].(object)["vin"] = "1M8GDM9A0KP042788" // the check digit is X
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	cautions := open(t).post("/v1/reports", data).object(t)["cautions"].([]any)
	if len(cautions) != 1 || cautions[0].(object)["pointer"] != "/vehicle/vin" {
		t.Errorf("cautions %v", cautions)
	}
}
