package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"
	"github.com/pb33f/libopenapi-validator/config"

	"laidup/api"
	"laidup/internal/assess"
	"laidup/schema"
)

// description is the API's description as tests hold traffic against it: answers may have no member
// that is not described.
type description struct {
	check      validator.Validator
	operations map[string]object // by method and path
	responses  object            // those that operations share
	right      sync.Map          // digests of requests in which nothing was wrong
}

// descriptions has them by their text: another rule set has another schema of reports.
var descriptions sync.Map

// descriptionOf returns the description that an API serves.
func descriptionOf(t testing.TB, a *api.API) *description {
	t.Helper()
	text := api.Description(a)
	once, _ := descriptions.LoadOrStore(string(text), sync.OnceValues(func() (*description, error) { return readDescription(text) }))
	d, err := once.(func() (*description, error))()
	if err != nil {
		t.Fatalf("read the API's description: %s", err)
	}
	return d
}

func readDescription(text []byte) (*description, error) {
	var whole object
	if err := json.Unmarshal(text, &whole); err != nil {
		return nil, err
	}
	components := whole["components"].(object)
	d := &description{operations: map[string]object{}, responses: components["responses"].(object)}
	for path, item := range whole["paths"].(object) {
		for method, o := range item.(object) {
			d.operations[strings.ToUpper(method)+" "+path] = o.(object)
		}
	}
	closeObjects(components["schemas"])
	lineByLine(whole["paths"])
	closed, err := json.Marshal(whole)
	if err != nil {
		return nil, err
	}
	document, err := libopenapi.NewDocument(closed)
	if err != nil {
		return nil, err
	}
	check, errs := validator.NewValidator(document, config.WithFormatAssertions(), config.WithoutSecurityValidation())
	if len(errs) > 0 {
		return nil, fmt.Errorf("%v", errs)
	}
	if ok, faults := check.ValidateDocument(); !ok {
		return nil, fmt.Errorf("%v", faults)
	}
	d.check = check
	return d, nil
}

// closeObjects forbids members that are not described, where the schema does not allow them.
func closeObjects(v any) {
	switch v := v.(type) {
	case object:
		if _, says := v["additionalProperties"]; v["type"] == "object" && v["properties"] != nil && !says {
			v["additionalProperties"] = false
		}
		for _, member := range v {
			closeObjects(member)
		}
	case []any:
		for _, e := range v {
			closeObjects(e)
		}
	}
}

// lineByLine describes bodies of many lines as one line: that is how they are held against it.
func lineByLine(v any) {
	switch v := v.(type) {
	case object:
		for name, member := range v {
			if m, ok := member.(object); ok && name == "application/x-ndjson" {
				m["schema"] = m["schema"].(object)["contentSchema"]
			}
			lineByLine(member)
		}
	case []any:
		for _, e := range v {
			lineByLine(e)
		}
	}
}

// operation finds what is described at a path.
func (d *description) operation(method, path string) (name string, o object) {
	parts := strings.Split(path, "/")
	for name, o := range d.operations {
		m, template, _ := strings.Cut(name, " ")
		if m == method && slices.EqualFunc(strings.Split(template, "/"), parts, func(want, have string) bool {
			return want == have || strings.HasPrefix(want, "{") && have != ""
		}) {
			return name, o
		}
	}
	return "", nil
}

// answered has the operations of which tests saw an answer, with its status.
var answered sync.Map

// handler is the API's handler. All that goes through it is held against the API's description:
// every answer, and every request that was not refused.
func (w *workshop) handler() http.Handler {
	inner := w.api.Handler()
	return http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
		d := descriptionOf(w.t, w.api)
		name, operation := d.operation(r.Method, r.URL.Path)
		if operation == nil {
			inner.ServeHTTP(out, r)
			return
		}
		var sent, got bytes.Buffer
		asked := r.Clone(r.Context())
		r.Body = struct {
			io.Reader
			io.Closer
		}{io.TeeReader(r.Body, &sent), r.Body}
		answer := &recorder{ResponseWriter: out, body: &got}
		inner.ServeHTTP(answer, r)
		people := answer.status >= 300 && strings.HasPrefix(answer.Header().Get("Content-Type"), "text/html")
		if answer.status == 499 || people { // nobody sees it, or it is a page
			return
		}
		answered.Store(fmt.Sprintf("%s %d", name, answer.status), true)
		asked.Body = io.NopCloser(&sent)
		for _, fault := range d.faults(asked, operation, answer, got.Bytes()) {
			w.t.Errorf("%s %s, answered %d, is not as described: %s", r.Method, r.URL, answer.status, fault)
		}
	})
}

// connected is the handler for real connections. Requests with a body go past the check: where one is
// too long, net/http closes the connection by the writer that it knows, and by no other.
func (w *workshop) connected() http.Handler {
	return http.HandlerFunc(func(out http.ResponseWriter, r *http.Request) {
		if r.Body == http.NoBody {
			w.handler().ServeHTTP(out, r)
			return
		}
		w.api.Handler().ServeHTTP(out, r)
	})
}

// recorder keeps an answer while it is sent.
type recorder struct {
	http.ResponseWriter
	status int
	body   *bytes.Buffer
}

func (r *recorder) Unwrap() http.ResponseWriter { return r.ResponseWriter }

func (r *recorder) WriteHeader(status int) {
	r.status = status
	r.ResponseWriter.WriteHeader(status)
}

func (r *recorder) Write(p []byte) (int, error) {
	if r.status == 0 {
		r.status = http.StatusOK
	}
	r.body.Write(p)
	return r.ResponseWriter.Write(p)
}

func (d *description) faults(r *http.Request, operation object, answer *recorder, body []byte) (faults []string) {
	if answer.Header().Get("Content-Type") == "application/x-ndjson" {
		for line := range bytes.Lines(body) {
			one := &http.Response{StatusCode: answer.status, Header: answer.Header(), Body: io.NopCloser(bytes.NewReader(line)), Request: r}
			if _, wrong := d.check.ValidateHttpResponse(r, one); len(wrong) > 0 {
				faults = append(faults, wrong[0].Error())
			}
		}
		return faults
	}
	response := &http.Response{StatusCode: answer.status, Header: answer.Header(), Body: io.NopCloser(bytes.NewReader(body)), Request: r}
	if _, wrong := d.check.ValidateHttpResponse(r, response); len(wrong) > 0 {
		for _, w := range wrong {
			faults = append(faults, w.Error())
		}
	}
	// Of many lines each is refused by itself.
	if answer.status < 400 && r.Header.Get("Content-Type") != "application/x-ndjson" {
		faults = append(faults, d.requestFaults(r)...)
	}
	if answer.Header().Get("Content-Type") == "application/problem+json" {
		var p struct{ Type string }
		if err := json.Unmarshal(body, &p); err != nil {
			return append(faults, err.Error())
		}
		at, _ := operation["responses"].(object)[fmt.Sprint(answer.status)].(object)
		to, _ := at["$ref"].(string)
		shared, _ := d.responses[strings.TrimPrefix(to, "#/components/responses/")].(object)
		kinds, _ := shared["x-problems"].([]any)
		if !slices.Contains(kinds, any(strings.TrimPrefix(p.Type, "/problems/"))) {
			faults = append(faults, fmt.Sprintf("the problem %s is not among %v: name it under problems in schema/openapi.yaml", p.Type, kinds))
		}
	}
	return faults
}

// requestFaults says what is wrong with a request that was not refused. A report takes the validator a second under
// the race detector, and tests send the same one hundreds of times: what was right once is not looked at again.
func (d *description) requestFaults(r *http.Request) (faults []string) {
	sent, err := io.ReadAll(r.Body)
	if err != nil {
		return []string{err.Error()}
	}
	var whole bytes.Buffer
	fmt.Fprintln(&whole, r.Method, r.URL)
	if err := r.Header.Write(&whole); err != nil {
		return []string{err.Error()}
	}
	whole.Write(sent)
	key := sha256.Sum256(whole.Bytes())
	if _, known := d.right.Load(key); known {
		return nil
	}
	r.Body = io.NopCloser(bytes.NewReader(sent))
	_, wrong := d.check.ValidateHttpRequestSync(r)
	for _, w := range wrong {
		faults = append(faults, "request: "+w.Error())
	}
	if len(faults) == 0 {
		d.right.Store(key, true)
	}
	return faults
}

// unanswered lists the successes that are described and that no test saw.
func unanswered() (list []string) {
	descriptions.Range(func(_, once any) bool {
		d, _ := once.(func() (*description, error))()
		for name, o := range d.operations {
			for status := range o["responses"].(object) {
				if _, seen := answered.Load(name + " " + status); status < "300" && !seen {
					list = append(list, name+" "+status)
				}
			}
		}
		return true
	})
	slices.Sort(list)
	return slices.Compact(list)
}

func TestEveryRouteForProgramsIsDescribed(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.get("/v1/openapi.json")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/json", "Cache-Control", "public, max-age=3600, must-revalidate")
	w.get("/v1/openapi.json", "If-None-Match: "+a.Header.Get("ETag")).is(t, http.StatusNotModified)
	if info := a.object(t)["info"].(object); info["version"] != "1" || info["x-program-version"] != "v1.2.3" {
		t.Errorf("%v", info)
	}
	d := descriptionOf(t, w.api)
	ids := map[any]bool{}
	for _, r := range w.api.Routes() {
		name := r.Method + " " + r.Path
		o := d.operations[name]
		if !r.ForPrograms {
			if o != nil {
				t.Errorf("%s is for people and is described", name)
			}
			continue
		}
		if o == nil {
			t.Errorf("%s is not described: give it an entry under operations in schema/openapi.yaml", name)
			continue
		}
		if o["summary"] != r.Doc || ids[o["operationId"]] {
			t.Errorf("%s: summary %q, id %v", name, o["summary"], o["operationId"])
		}
		ids[o["operationId"]] = true
		var query []string
		parameters, _ := o["parameters"].([]any)
		for _, p := range parameters {
			p := p.(object)
			if p["in"] == "query" {
				query = append(query, p["name"].(string))
			}
		}
		if !slices.Equal(query, r.Query) {
			t.Errorf("%s takes %v, described are %v", name, r.Query, query)
		}
	}
	if len(ids) != len(d.operations) {
		t.Errorf("%d operations are described, %d are there", len(d.operations), len(ids))
	}
}

// What each of them has is held against its schema wherever tests read events.
func TestEveryTypeOfEventIsDescribed(t *testing.T) {
	t.Parallel()
	var whole struct{ Webhooks map[string]any }
	if err := json.Unmarshal(api.Description(open(t).api), &whole); err != nil {
		t.Fatal(err)
	}
	want := slices.Sorted(slices.Values(append(slices.Clone(assess.EventTypes), assess.SubscriptionTest)))
	if got := slices.Sorted(maps.Keys(whole.Webhooks)); !slices.Equal(got, want) {
		t.Errorf("described are %v, sent are %v: give each a schema, and a place in the mapping of Event, in schema/openapi.yaml", got, want)
	}
}

// What is not as described is found: the tests of this package would fail on each of these.
func TestTrafficThatIsNotAsDescribedIsFound(t *testing.T) {
	t.Parallel()
	d := descriptionOf(t, open(t).api)
	const health = `{"status":"ok","version":"v1.2.3"}`
	for what, c := range map[string]struct {
		method, path, sent string
		status             int
		media, got         string
		fault              string
	}{
		"as described":             {"GET", "/healthz", "", 200, "application/json", health, ""},
		"a member too many":        {"GET", "/healthz", "", 200, "application/json", `{"status":"ok","version":"v1.2.3","mood":"good"}`, "mood"},
		"a member too few":         {"GET", "/healthz", "", 200, "application/json", `{}`, "status"},
		"a word that is not known": {"GET", "/healthz", "", 200, "application/json", `{"status":"fine","version":"v1.2.3"}`, "fine"},
		"another status":           {"GET", "/healthz", "", 201, "application/json", health, "201"},
		"another media type":       {"GET", "/healthz", "", 200, "text/csv", "a,b", "text/csv"},
		"a problem of another kind": {
			"GET", "/healthz", "", 400, "application/problem+json",
			`{"type":"/problems/busy","title":"x","status":400,"detail":"x","instance":"x"}`, "/problems/busy",
		},
		"no time": {
			"GET", "/v1/keys", "", 200, "application/json",
			`{"organisation":"x","keys":[{"id":"a","label":"a","scopes":["read"],"created_at":"yesterday"}]}`, "yesterday",
		},
		"a request that should have been refused": {
			"POST", "/v1/reports/check", `{"schema":"laidup.report/1"}`, 200, "application/json",
			`{"valid":true,"vehicle":"a","inspected":"2026-05-02","observations":0,"cautions":[]}`, "request: ",
		},
	} {
		r := httptest.NewRequestWithContext(t.Context(), c.method, c.path, strings.NewReader(c.sent))
		if c.sent != "" {
			r.Header.Set("Content-Type", "application/json")
		}
		rec := &recorder{httptest.NewRecorder(), c.status, nil}
		rec.Header().Set("Content-Type", c.media)
		_, o := d.operation(c.method, c.path)
		found := strings.Join(d.faults(r, o, rec, []byte(c.got)), "; ")
		if (found == "") != (c.fault == "") || !strings.Contains(found, c.fault) {
			t.Errorf("%s: found %q, want %q", what, found, c.fault)
		}
	}
}

// The examples of answers are what the demo is answered, with lists cut short.
func TestTheExamplesAreWhatTheDemoIsAnswered(t *testing.T) {
	t.Parallel()
	hooked := hooked(t)
	w := hooked.workshop
	admin, token := "", ""
	read := func(name string) []byte {
		data, err := fs.ReadFile(schema.FS, name+".json")
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	recorded := map[string]answer{}
	keep := func(name string, a answer) answer {
		recorded[name] = a
		return a
	}
	admin = w.key("harrow-lane", "admin")
	post := func(path string, body []byte) answer { return w.post(path, body, admin) }
	get := func(path string) answer { return w.get(path, admin) }

	keep("checked-report", post("/v1/reports/check", read("demo/marrick-tern-01.1")))
	keep("invalid-report", post("/v1/reports/check", bytes.Replace(read("demo/brennick-wren-03.3"), []byte(`"held": true`), []byte(`"held": "yes", "head": 1`), 1)))
	keep("receipt", post("/v1/reports", read("demo/brennick-wren-03.1")))
	w.queue.workers.Wait()
	done := recorded["receipt"].object(t)["id"].(string)
	keep("assessment", get("/v1/assessments/"+done))
	keep("register", get("/v1/assessments/"+done+"/register"))
	keep("blockers", get("/v1/assessments/"+done+"/blockers?gate=crank"))
	keep("readiness", get("/v1/vehicles/brennick-wren-03/readiness?gate=crank"))
	w.queue.holiday.Store(true)
	id := post("/v1/reports", read("demo/brennick-wren-03.2")).object(t)["id"].(string)
	keep("queued-assessment", get("/v1/assessments/"+id))
	keep("vehicle", get("/v1/vehicles/brennick-wren-03"))
	keep("vehicles", get("/v1/vehicles"))
	keep("appraisal", get("/v1/vehicles/brennick-wren-03/appraisal?gate=crank"))
	keep("appraisals", get("/v1/appraisals?vehicle=brennick-wren-03&vehicle=marrick-tern-01"))
	var lot bytes.Buffer
	for _, name := range []string{"demo/marrick-tern-01.1", "demo/corvane-dale-07.1"} {
		if err := json.Compact(&lot, read(name)); err != nil {
			t.Fatal(err)
		}
		lot.WriteByte('\n')
	}
	lot.WriteString("a line that is no report\n")
	batch := w.do(http.MethodPost, "/v1/batches", lot.Bytes(), admin, "Content-Type: application/x-ndjson", "Idempotency-Key: auction-2026-11").Header.Get("Location")
	w.chunks.workers.Wait()
	keep("batch", get(batch))
	keep("batches", get("/v1/batches"))
	keep("invalid-table", w.do(http.MethodPost, "/v1/batches", []byte("vehicle.reference,inspection.date,method,battery.open_circuit [bar],timing_bell.fraying\n"), admin, "Content-Type: text/csv"))
	keep("rescore", post("/v1/rescores", read("examples/rescore-order")))
	keep("bad-rescore-order", post("/v1/rescores", []byte(`{"vehicles":["corvane-dale-07"],"everything":true}`)))
	w.chunks.workers.Wait()
	keep("queued-plan", post("/v1/vehicles/brennick-wren-03/plans", read("examples/plan-order")))
	w.plans.workers.Wait()
	planned := recorded["queued-plan"].Header.Get("Location")
	keep("plan", get(planned))
	keep("plans", get("/v1/vehicles/brennick-wren-03/plans"))
	keep("bad-plan-order", post("/v1/vehicles/brennick-wren-03/plans", []byte(`{"gate":"moon","people":0,"lift":1}`)))
	post(planned+"/what-if", read("examples/what-if-order"))
	w.plans.workers.Wait()
	keep("what-ifs", get(planned+"/what-if"))
	keep("step-receipt", post(planned+"/steps/1/done", read("examples/step-done")))
	keep("bad-step-report", post(planned+"/steps/1/done", []byte(`{"date":"yesterday","done":true}`)))
	keep("step-said", post(planned+"/steps/1/undone", nil))
	report := recorded["receipt"].object(t)["report"].(string)
	keep("report-status", get("/v1/reports/"+report+"/status"))
	keep("withdrawn-report", post("/v1/reports/"+report+"/withdraw", read("examples/withdrawal")))
	keep("reports", get("/v1/vehicles/brennick-wren-03/reports"))
	keep("bad-erasure", w.do(http.MethodDelete, "/v1/vehicles/brennick-wren-03", []byte(`{"reference":"brennick-wren-30","reason":"brennick-wren-03 was sold"}`), admin, "Content-Type: application/json"))
	keep("erased-vehicle", w.do(http.MethodDelete, "/v1/vehicles/brennick-wren-03", read("examples/erasure"), admin, "Content-Type: application/json"))
	keep("schemas", get("/v1/schemas"))
	keep("catalogue", get("/v1/catalogue"))
	keep("checked-rule-set", post("/v1/rule_sets/check", read("examples/overlay")))
	keep("published-rule-set", post("/v1/rule_sets", read("examples/overlay")))
	keep("faulty-rule-set", post("/v1/rule_sets/check", bytes.ReplaceAll(read("examples/overlay"), []byte("timing_belt_weak"), []byte("timing_belt_weka"))))
	keep("rule-sets", get("/v1/rule_sets"))
	keep("new-key", post("/v1/keys", bytes.Replace(read("examples/key-order"), []byte("2027"), []byte("2999"), 1)))
	token = recorded["new-key"].object(t)["key"].(string)
	key := recorded["new-key"].object(t)["id"].(string)
	keep("keys", get("/v1/keys"))
	keep("revoked-key", w.do(http.MethodDelete, "/v1/keys/"+key, nil, admin))
	keep("bad-subscription", post("/v1/subscriptions", []byte(`{"url":"http://10.0.0.7/hook","types":["engine.started"]}`)))
	subscription := keep("new-subscription", post("/v1/subscriptions", bytes.Replace(read("examples/subscription-order"), []byte("yard.example"), []byte("127.0.0.1"), 1)))
	secret, hook := subscription.object(t)["secret"].(string), subscription.object(t)["id"].(string)
	at := "/v1/subscriptions/" + hook
	keep("subscription", get(at))
	keep("subscriptions", get("/v1/subscriptions"))
	hooked.happens("harrow-lane")
	keep("sent", post(at+"/test", nil))
	keep("replayed", post(at+"/replay", read("examples/replay-order")))
	keep("deliveries", get(at+"/deliveries"))
	keep("rotated-secret", post(at+"/rotate", nil))
	keep("deleted-subscription", w.do(http.MethodDelete, at, nil, admin))
	keep("events", get("/v1/events"))
	keep("bad-retention", w.do(http.MethodPut, "/v1/retention", []byte(`{"days":7}`), admin, "Content-Type: application/json"))
	keep("retention", w.do(http.MethodPut, "/v1/retention", []byte(`{"days":1825}`), admin, "Content-Type: application/json"))
	keep("audit", get("/v1/audit"))
	keep("attachment", w.photo(picture(t, 40, 30), admin))
	w.chunks.workers.Wait()
	// Of the two lines of the lot either may have been given its ids first.
	line, _, _ := bytes.Cut(lot.Bytes(), []byte("\n"))
	w.do(http.MethodPost, "/v1/batches", line, admin, "Content-Type: application/x-ndjson")
	w.chunks.workers.Wait()
	keep("outcome", post("/v1/vehicles/marrick-tern-01/outcomes", read("examples/outcome-order")))
	post("/v1/vehicles/marrick-tern-01/outcomes", read("examples/outcome-parts"))
	if _, err := w.service.CountOutcomes(t.Context()); err != nil {
		t.Fatal(err)
	}
	keep("outcomes", get("/v1/vehicles/marrick-tern-01/outcomes"))
	keep("bad-outcome", post("/v1/vehicles/marrick-tern-01/outcomes", []byte(`{"gate":"moon","attempted":true,"came":[{"hazard":"valve_strik"}],"parts":[{"fault":"timing_belt_weka","bad":"no"}]}`)))
	keep("scores", get("/v1/scores"))
	keep("corrections", get("/v1/corrections"))
	keep("alive", get("/healthz"))
	keep("ready", get("/readyz"))
	w.api.Drain()
	keep("draining", get("/readyz"))

	// What chance and the clock have made is made the same every time.
	same := strings.NewReplacer(token, "lu_"+strings.Repeat("x", 10)+"_"+strings.Repeat("x", 26), key, "xxxxxxxxxx", strings.Split(admin, "_")[1], "yyyyyyyyyy", "2999-", "2027-",
		secret, "whsec_"+strings.Repeat("x", 43)+"=", recorded["rotated-secret"].object(t)["secret"].(string), "whsec_"+strings.Repeat("y", 43)+"=",
		hook, "sub_"+strings.Repeat("x", 10), "127.0.0.1", "yard.example")
	ids := regexp.MustCompile(`id-(\d{6})`)
	request, now, others := regexp.MustCompile(`"instance": "\w+"`), regexp.MustCompile(`"((?:created|last_used|revoked|recorded)_at|at|timestamp|next_try|secret_before_signs_until)": "[^"]+"`), regexp.MustCompile(`"id": "[a-z2-7]{10}"`)
	byTheClock := []string{"subscription", "subscriptions", "new-subscription", "deleted-subscription", "rotated-secret", "sent", "replayed", "deliveries", "events", "audit"}
	events := regexp.MustCompile(`evt_[0-9a-f-]{36}`)
	for name, a := range recorded {
		var v any
		a.into(t, &v)
		text, err := json.MarshalIndent(cut(v), "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		s := ids.ReplaceAllString(same.Replace(string(text)), "019de7c6-3a11-7c52-b3c0-5b1f6d$1")
		s = request.ReplaceAllString(s, `"instance": "6NRJWT3M5DZDWYNJ6R3AM7NXQS"`)
		if strings.Contains(name, "key") || slices.Contains(byTheClock, name) {
			s = others.ReplaceAllString(now.ReplaceAllString(s, `"$1": "2026-05-02T09:00:00Z"`), `"id": "xxxxxxxxxx"`)
			s = events.ReplaceAllString(s, "evt_019de7c6-3a11-7c52-b3c0-5b1f6d000001")
		}
		file := filepath.Join("..", "schema", "examples", name+".json")
		if *update {
			if err := os.WriteFile(file, []byte(s+"\n"), 0o600); err != nil {
				t.Error(err)
			}
			continue
		}
		if string(read("examples/"+name)) != s+"\n" {
			t.Errorf("%s is not what the demo is answered: run go test ./api -run Examples -update and look at the difference", file)
		}
	}
	given := []string{"erasure", "key-order", "outcome-order", "outcome-parts", "overlay", "plan-order", "replay-order", "rescore-order", "step-done", "subscription-order", "what-if-order", "withdrawal"} // what is sent
	files, err := fs.ReadDir(schema.FS, "examples")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(f.Name(), ".json")
		if recorded[name].Response == nil && !slices.Contains(given, name) {
			t.Errorf("nothing records the example %s", name)
		}
	}
}

// cut leaves two entries of each list.
func cut(v any) any {
	switch v := v.(type) {
	case object:
		for name := range maps.Keys(v) {
			v[name] = cut(v[name])
		}
	case []any:
		v = v[:min(len(v), 2)]
		for i := range v {
			v[i] = cut(v[i])
		}
		return v
	}
	return v
}

func TestEventsUntilTheLast(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.assess("tern-01")
	told := fmt.Sprintf("event: assessment\nid: %[1]s\ndata: {\"id\":%[1]q,\"state\":\"done\",\"vehicle\":\"tern-01\"}\n\n", id)
	for _, path := range []string{"/v1/assessments/" + id + "/events", "/v1/vehicles/tern-01/events"} {
		a := w.get(path)
		a.is(t, http.StatusOK)
		a.has(t, "Content-Type", "text/event-stream", "Cache-Control", "no-store")
		if string(a.text) != told {
			t.Errorf("%s tells %q, want %q", path, a.text, told)
		}
		w.api.Drain() // a vehicle's events have no end of their own
	}
}

// The page about the API has every operation, and its links lead somewhere.
func TestThePageAboutTheAPI(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.get("/docs")
	a.is(t, http.StatusOK)
	a.has(t, "Cache-Control", "public, no-cache")
	page := string(a.text)
	d := descriptionOf(t, w.api)
	for name, o := range d.operations {
		method, path, _ := strings.Cut(name, " ")
		if id := o["operationId"].(string); !strings.Contains(page, `id="`+id+`"><span class="method">`+method+`</span> <code>`+path+`</code>`) {
			t.Errorf("%s is not there", name)
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		if ids[m[1]] {
			t.Errorf("the id %s stands there twice", m[1])
		}
		ids[m[1]] = true
	}
	links := regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(page, -1)
	if len(links) < 100 {
		t.Errorf("only %d links", len(links))
	}
	for _, m := range links {
		if !ids[m[1]] {
			t.Errorf("#%s leads nowhere", m[1])
		}
	}
	if strings.Contains(page, "<script") || !strings.Contains(page, "brennick-wren-03") {
		t.Error("it has a script, or no example")
	}
}
