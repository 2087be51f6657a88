package api_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"laidup/internal/builtin"
	"laidup/internal/jobbook"
	"laidup/internal/ruleset"
	"laidup/schema"
)

// brought posts a demo report and waits for its assessment.
func (w *workshop) brought(name string, headers ...string) {
	w.t.Helper()
	data, err := schema.FS.ReadFile("demo/" + name + ".json")
	if err != nil {
		w.t.Fatal(err)
	}
	w.post("/v1/reports", data, headers...).is(w.t, http.StatusAccepted)
	w.queue.workers.Wait()
}

func jsonOf(t testing.TB, v any) []byte {
	t.Helper()
	data, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// planned orders a plan, waits for it and returns it as it is answered.
func (w *workshop) planned(vehicle, order string, headers ...string) object {
	w.t.Helper()
	a := w.post("/v1/vehicles/"+vehicle+"/plans", []byte(order), headers...).is(w.t, http.StatusAccepted)
	w.plans.workers.Wait()
	return w.get(a.Header.Get("Location"), headers...).is(w.t, http.StatusOK).object(w.t)
}

func TestAPlanIsOrderedMadeAndReadBack(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	w.plans.holiday.Store(true)
	a := w.post("/v1/vehicles/MARRICK-tern-01/plans", []byte(`{"people":2}`), "Idempotency-Key: one").is(t, http.StatusAccepted)
	queued, at := a.object(t), a.Header.Get("Location")
	if queued["state"] != "queued" || queued["vehicle"] != "marrick-tern-01" || queued["gate"] != "first_start" || queued["plan"] != nil || at != "/v1/plans/"+queued["id"].(string) {
		t.Errorf("%s: %v", at, queued)
	}
	if order := queued["order"].(object); order["start"] != "2026-06-12" || order["people"] != 2. {
		t.Errorf("ordered: %v", order)
	}
	if state := w.get(at).is(t, http.StatusOK); state.object(t)["state"] != "queued" || state.Header.Get("Retry-After") == "" {
		t.Errorf("%s", state.text)
	}
	for _, format := range []string{"csv", "calendar"} {
		w.get(at+"?format="+format).problem(t, http.StatusConflict, "plan-not-finished")
	}
	w.post(at+"/steps/1/done", []byte(`{}`)).problem(t, http.StatusConflict, "plan-not-finished")
	w.plans.work()
	stored := w.get(at).is(t, http.StatusOK)
	done := stored.object(t)
	plan := done["plan"].(object)
	if done["state"] != "done" || done["current"] != true || plan["id"] != queued["id"] || plan["vehicle"] != "marrick-tern-01" ||
		plan["goal"] != "first_start" || plan["assessment"] != done["assessment"] || plan["report"] != done["report"] || plan["as_of"] != "2026-06-12" ||
		plan["job_book"].(object)["digest"] != builtin.Jobs().Digest || len(plan["steps"].([]any)) < 10 || plan["proof"].(object)["clears"] != true {
		t.Errorf("%s", stored.text)
	}
	// A repeat, by the same key, is the first; another order under it is refused.
	if again := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(` {"people": 2}`), "Idempotency-Key: one"); again.StatusCode != http.StatusAccepted || !bytes.Equal(again.text, a.text) {
		t.Errorf("a repeat is answered %d %s", again.StatusCode, again.text)
	}
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{"people":3}`), "Idempotency-Key: one").problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused")
	// It is made once.
	if err := w.service.MakePlan(t.Context(), queued["id"].(string)); err == nil {
		t.Error("it is made again")
	}
	// After a new report it is as it was, and not current.
	w.post("/v1/reports", tern(t, "marrick-tern-01")).is(t, http.StatusAccepted)
	later := w.get(at).object(t)
	if later["current"] != false || !bytes.Equal(jsonOf(t, later["plan"]), jsonOf(t, plan)) {
		t.Errorf("after a new report: current %v", later["current"])
	}
	w.queue.workers.Wait()
}

func TestWhoWaitsIsAnsweredThePlan(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	a := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{"gate":"crank","now":true}`), "Prefer: wait=30").is(t, http.StatusOK)
	if o := a.object(t); o["state"] != "done" || o["plan"].(object)["goal"] != "crank" || a.Header.Get("Preference-Applied") != "wait=30" || a.Header.Get("Location") == "" {
		t.Errorf("%v %s", a.Header, a.text)
	}
	w.plans.holiday.Store(true)
	w.api.Drain() // who waits is not kept
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`), "Prefer: wait=30").is(t, http.StatusAccepted)
}

func TestAPlanThatNoQueueHoldsIsHandedOverByTheSweep(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	w.plans.Break(context.DeadlineExceeded)
	at := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{"gate":"crank"}`)).is(t, http.StatusAccepted).Header.Get("Location")
	w.plans.Break(nil)
	for range 12 { // a tick of the workshop's clock is a second
		w.service.Now()
	}
	if n, err := w.service.Sweep(t.Context()); err != nil || n != 1 {
		t.Errorf("%d are handed over, %v", n, err)
	}
	w.plans.workers.Wait()
	if o := w.get(at).object(t); o["state"] != "done" {
		t.Errorf("%v", o["state"])
	}
}

func TestAllThatIsWrongWithAnOrderIsToldAtOnce(t *testing.T) {
	t.Parallel()
	w := open(t)
	order := func(body string, headers ...string) answer {
		return w.post("/v1/vehicles/marrick-tern-01/plans", []byte(body), headers...)
	}
	order(`{}`).problem(t, http.StatusNotFound, "not-found")
	w.brought("marrick-tern-01.1")
	for body, want := range map[string][]string{
		`{"people":0,"planet":1,"now":"yes"}`:                              {"/now", "/people", "/planet"},
		`{"gate":"moon","plant":{"crane":1},"without":["dance"]}`:          {"/gate", "/plant/crane", "/without/0"},
		`{"start":"1700-01-01","traits":{"nice":true},"licences":["fly"]}`: {"/licences/0", "/start", "/traits/nice"},
		`[]`: {""},
		``:   {""},
	} {
		p := order(body).problem(t, http.StatusUnprocessableEntity, "bad-plan-order")
		var at []string
		for _, f := range p["errors"].([]any) {
			at = append(at, f.(object)["pointer"].(string))
		}
		if slices.Sort(at); !slices.Equal(at, want) {
			t.Errorf("%s: faults at %q", body, at)
		}
	}
	order(`{}`, "Idempotency-Key: \"").problem(t, http.StatusBadRequest, "bad-header")
	w.do(http.MethodPost, "/v1/vehicles/marrick-tern-01/plans", []byte(`{}`), "Content-Type: text/plain").problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
	if list := w.get("/v1/vehicles/marrick-tern-01/plans").object(t)["plans"].([]any); len(list) != 0 {
		t.Errorf("%d plans are stored", len(list))
	}
}

func TestAPlanThatCannotBeMadeSaysWhy(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	w.plans.holiday.Store(true)
	at := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`)).is(t, http.StatusAccepted).Header.Get("Location")
	id := strings.TrimPrefix(at, "/v1/plans/")
	for range 20 { // as if each had ended its worker
		if _, err := w.store.StartPlan(t.Context(), id); err != nil {
			t.Fatal(err)
		}
	}
	w.plans.work()
	o := w.get(at).is(t, http.StatusOK).object(t)
	if o["state"] != "failed" || o["problem"].(object)["title"] != "Given up" || o["finished_at"] == nil {
		t.Errorf("%v", o)
	}
	w.get(at+"?format=csv").problem(t, http.StatusConflict, "plan-failed", "20 times")
}

func TestWithoutReportsOrAJobBookThereIsNoPlan(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	id := w.get("/v1/vehicles/marrick-tern-01/reports").object(t)["reports"].([]any)[0].(object)["id"].(string)
	w.post("/v1/reports/"+id+"/withdraw", []byte(`{"reason":"another car"}`)).is(t, http.StatusOK)
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`)).problem(t, http.StatusConflict, "not-assessed-yet")
	other := openOn(t, builtin.PrePurchase())
	other.brought("marrick-tern-01.1")
	other.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`)).problem(t, http.StatusConflict, "no-plans")
}

func TestWorkThatHoldsItselfUpIsAnAnswerAndNoError(t *testing.T) {
	t.Parallel()
	l, err := jobbook.NewLoader(schema.FS, builtin.FirstStart())
	if err != nil {
		t.Fatal(err)
	}
	book, err := l.Knowing(builtin.Jobs()).Document("ring.yaml", []byte(`{schema: laidup.job_book/1, name: ring, version: 1.0.0, is: x, extends: {name: generic, version: 1.0.0}, jobs: [
  {id: renew_battery, is: "fit a battery", gives: {battery: [renewed, case, secured, open_circuit, judged]}, spoils: {fuel: [renewed]}, hours: [1, 1, 1]},
  {id: renew_fuel, is: "fill with fresh fuel", gives: {fuel: [renewed, smell, growth, water_found, wrong_fuel, judged]}, spoils: {battery: [renewed]}, hours: [1, 1, 1]}]}`))
	if err != nil {
		t.Fatal(err)
	}
	w := openBy(t, func(*ruleset.Set) (*jobbook.Book, error) { return book, nil })
	w.brought("marrick-tern-01.1")
	plan := w.planned("marrick-tern-01", `{}`)["plan"].(object)
	no, told := plan["no_order"].(object)
	if !told || len(plan["steps"].([]any)) != 0 || len(no["ring"].([]any)) < 2 || len(no["do"].([]any)) == 0 {
		t.Errorf("%v", plan)
	}
	if page := w.get("/plans/" + plan["id"].(string)); page.StatusCode != http.StatusOK || !bytes.Contains(page.text, []byte("No order is possible")) {
		t.Errorf("%d %s", page.StatusCode, page.text)
	}
}

func TestThePlansOfAVehicleAreListedPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	w.plans.holiday.Store(true)
	var want, seen []string
	for range 5 {
		want = append([]string{w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`)).object(t)["id"].(string)}, want...)
	}
	for at := "/v1/vehicles/marrick-tern-01/plans?limit=2"; at != ""; {
		page := w.get(at).is(t, http.StatusOK).object(t)
		for _, p := range page["plans"].([]any) {
			seen = append(seen, p.(object)["id"].(string))
		}
		next, more := page["next"].(string)
		if at = ""; more {
			at = "/v1/vehicles/marrick-tern-01/plans?limit=2&cursor=" + next
		}
	}
	if !slices.Equal(seen, want) {
		t.Errorf("listed %q, ordered %q", seen, want)
	}
	w.get("/v1/vehicles/nowhere/plans").problem(t, http.StatusNotFound, "not-found")
}

func TestAPlanIsAnOrganisationsOwnAndReadersOrderNone(t *testing.T) {
	t.Parallel()
	w := open(t)
	ours, theirs, reader := w.key("harrow-lane", "reports"), w.key("brennick-motors", "admin"), w.key("harrow-lane", "read")
	w.brought("marrick-tern-01.1", ours)
	at := "/v1/plans/" + w.planned("marrick-tern-01", `{"gate":"crank"}`, ours)["id"].(string)
	w.get(at, reader).is(t, http.StatusOK)
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`), reader).problem(t, http.StatusForbidden, "scope-needed")
	w.post(at+"/steps/1/done", []byte(`{}`), reader).problem(t, http.StatusForbidden, "scope-needed")
	for _, path := range []string{at, at + "?format=csv", "/v1/vehicles/marrick-tern-01/plans"} {
		w.get(path, theirs).problem(t, http.StatusNotFound, "not-found")
	}
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`), theirs).problem(t, http.StatusNotFound, "not-found")
	w.post(at+"/steps/1/done", []byte(`{}`), theirs).problem(t, http.StatusNotFound, "not-found")
}

func TestTheStepsOfAPlanAreATable(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{}`)
	a := w.get("/v1/plans/"+o["id"].(string), "Accept: text/csv").is(t, http.StatusOK)
	rows, err := csv.NewReader(bytes.NewReader(a.text)).ReadAll()
	steps := o["plan"].(object)["steps"].([]any)
	if err != nil || len(rows) != len(steps)+1 || rows[0][0] != "step" || rows[3][4] != steps[2].(object)["is"] || !strings.Contains(a.Header.Get("Content-Disposition"), ".csv") {
		t.Errorf("%v: %d rows of %d steps\n%s", err, len(rows), len(steps), a.text)
	}
}

func TestTheScheduleOfAPlanIsACalendar(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{"start":"2026-06-15"}`)
	at := "/v1/plans/" + o["id"].(string)
	a := w.get(at, "Accept: text/calendar").is(t, http.StatusOK)
	if a.Header.Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Errorf("Content-Type %s", a.Header.Get("Content-Type"))
	}
	if again := w.get(at + "?format=calendar"); !bytes.Equal(again.text, a.text) {
		t.Error("the same plan has another calendar")
	}
	text := string(a.text)
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		if len(line) > 75 || strings.ContainsAny(line, "\r\n") || !utf8.ValidString(line) {
			t.Errorf("line of %d bytes: %q", len(line), line)
		}
	}
	plan := o["plan"].(object)
	days, orders := map[any]bool{}, map[any]bool{}
	for _, s := range plan["steps"].([]any) {
		days[s.(object)["day"]] = true
	}
	for _, p := range plan["parts"].([]any) {
		orders[p.(object)["order_by"]] = true
	}
	whole := strings.ReplaceAll(text, "\r\n ", "")
	if n := strings.Count(whole, "BEGIN:VEVENT\r\n"); n != len(days)+len(orders) || n != strings.Count(whole, "END:VEVENT\r\n") || n != strings.Count(whole, "\r\nUID:") {
		t.Errorf("%d events of %d days of work and %d of orders", n, len(days), len(orders))
	}
	for _, want := range []string{"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n", "DTSTART;VALUE=DATE:20260615\r\nDTEND;VALUE=DATE:20260616\r\n", "SUMMARY:Order parts for marrick-tern-01", "1. put an extinguisher for burning liquids within reach (0.1 h)\\n2. ", `shut: covers off`, "END:VCALENDAR\r\n"} {
		if !strings.Contains(whole, want) {
			t.Errorf("it has no %q", want)
		}
	}
}

// stepOf finds a step of a plan by the id of its job.
func stepOf(t *testing.T, plan object, id string) string {
	t.Helper()
	for _, s := range plan["steps"].([]any) {
		if s := s.(object); s["id"] == id && s["act"] != "shut" {
			return strings.TrimSuffix(strings.TrimSpace(string(jsonOf(t, s["step"]))), ".0")
		}
	}
	t.Fatalf("there is no step %s", id)
	return ""
}

func TestAStepThatIsDoneIsAReportOnTheVehicle(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{}`)
	at, plan := "/v1/plans/"+o["id"].(string), o["plan"].(object)
	blocks := func(item string) bool {
		for _, b := range w.get("/v1/vehicles/marrick-tern-01/readiness").object(t)["blockers"].([]any) {
			if b.(object)["item"] == item {
				return true
			}
		}
		return false
	}
	if !blocks("fuel") {
		t.Fatal("the fuel is in nobody's way")
	}
	done := at + "/steps/" + stepOf(t, plan, "renew_fuel") + "/done"
	a := w.post(done, []byte(`{"date":"2026-06-11","inspector":"A. Brenner"}`), "Idempotency-Key: fuel").is(t, http.StatusAccepted).object(t)
	w.queue.workers.Wait()
	if again := w.post(done, []byte(`{"date":"2026-06-11","inspector":"A. Brenner"}`), "Idempotency-Key: fuel").object(t); again["report"] != a["report"] {
		t.Errorf("a repeat is report %v, the first %v", again["report"], a["report"])
	}
	report := w.get("/v1/reports/" + a["report"].(string)).text
	if !bytes.Contains(report, []byte(`"date":"2026-06-11"`)) || !bytes.Contains(report, []byte(`"renewed":"2026-06-11"`)) || bytes.Contains(report, []byte("2026-05-02")) {
		t.Errorf("%s", report)
	}
	if blocks("fuel") {
		t.Error("the fuel is still in the way")
	}
	stored := w.get(at).object(t)
	if stored["current"] != true {
		t.Error("a step of its own makes the plan outdated")
	}
	if steps := stored["done"].([]any); len(steps) != 1 || fmt.Sprint(steps[0].(object)["step"]) != stepOf(t, plan, "renew_fuel") || steps[0].(object)["report"] != a["report"] || steps[0].(object)["on"] != "2026-06-11" {
		t.Errorf("done is %v", stored["done"])
	}
	// A step that is sent again after midnight is dated as it was, and another under its key is refused.
	undated := w.post(done, []byte(`{}`), "Idempotency-Key: undated").is(t, http.StatusAccepted).object(t)
	w.ticks.Add(24 * 60 * 60)
	if again := w.post(done, []byte(`{}`), "Idempotency-Key: undated").object(t); again["report"] != undated["report"] {
		t.Errorf("a repeat a day later is report %v, the first %v", again["report"], undated["report"])
	}
	other := at + "/steps/" + stepOf(t, plan, "renew_battery") + "/done"
	w.post(other, []byte(`{}`), "Idempotency-Key: undated").problem(t, http.StatusUnprocessableEntity, "idempotency-key-reused")
	w.ticks.Add(-24 * 60 * 60)
	// What was found otherwise stands instead.
	a = w.post(done, []byte(`{"observations":[{"item":"fuel","found":{"growth":true},"note":"slime in the filter"}]}`)).is(t, http.StatusAccepted).object(t)
	report = w.get("/v1/reports/" + a["report"].(string)).text
	if !bytes.Contains(report, []byte(`"growth":true`)) || bytes.Contains(report, []byte(`"growth":false`)) || !bytes.Contains(report, []byte(`"water_found":false`)) {
		t.Errorf("%s", report)
	}
	w.queue.workers.Wait()
}

func TestAStepThatMeasuresAsksForItsReadings(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{}`)
	at, plan := "/v1/plans/"+o["id"].(string), o["plan"].(object)
	done := at + "/steps/" + stepOf(t, plan, "recover_refrigerant") + "/done"
	p := w.post(done, []byte(`{}`)).problem(t, http.StatusUnprocessableEntity, "bad-step-report")
	if asked := string(jsonOf(t, p["errors"])); len(p["errors"].([]any)) != 2 || !strings.Contains(asked, "licensed_handler") || !strings.Contains(asked, "recovery_record") {
		t.Errorf("%v", p["errors"])
	}
	w.post(done, []byte(`{"observations":[{"item":"refrigerant","found":{"licensed_handler":"R. Holt, 4711","recovery_record":"2026-17"}}]}`)).is(t, http.StatusAccepted)
	// What is wrong with the report itself is told as for any report.
	w.post(done, []byte(`{"observations":[{"item":"refrigerant","found":{"licensed_handler":4711,"recovery_record":"2026-17"}}]}`)).problem(t, http.StatusUnprocessableEntity, "invalid-report")
	for _, body := range []string{``, `[]`, `{"done":true}`, `{"date":null}`, `{"date":"2026-06"}`, `{"date":"2036-06-12"}`, `{"observations":[{"item":1}]}`} {
		w.post(done, []byte(body)).problem(t, http.StatusUnprocessableEntity, "bad-step-report")
	}
	for _, n := range []string{"0", "999", "x", "-1"} {
		w.post(at+"/steps/"+n+"/done", []byte(`{}`)).problem(t, http.StatusNotFound, "not-found")
	}
	w.post(at+"/steps/1/done", []byte(`{}`), "Idempotency-Key: \"").problem(t, http.StatusBadRequest, "bad-header")
	w.do(http.MethodPost, at+"/steps/1/done", []byte(`{}`), "Content-Type: text/plain").problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
	w.queue.workers.Wait()
}

// Every step, posted as it is on the day of the assessment with readings that would do, makes the goal clear.
func TestAPlanThatIsTickedOffMakesTheGoalClear(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{"gate":"crank","now":true}`)
	at, plan := "/v1/plans/"+o["id"].(string), o["plan"].(object)
	for _, s := range plan["steps"].([]any) {
		s := s.(object)
		if s["reports"] == nil && s["measures"] == nil {
			continue
		}
		observations := s["measures"]
		if observations == nil {
			observations = []any{}
		}
		body := jsonOf(t, object{"date": plan["as_of"], "observations": observations})
		w.post(at+"/steps/"+strings.TrimSpace(string(jsonOf(t, s["step"])))+"/done", body).is(t, http.StatusAccepted)
	}
	w.queue.workers.Wait()
	if r := w.get("/v1/vehicles/marrick-tern-01/readiness?gate=crank").object(t); r["state"] != "clear" {
		t.Errorf("the gate is %v: %v", r["state"], r["blockers"])
	}
}

func TestThePageOfAPlanAndItsJobCards(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	form := func(path, body string, headers ...string) answer {
		return w.do(http.MethodPost, path, []byte(body), append(headers, "Content-Type: application/x-www-form-urlencoded", "Sec-Fetch-Site: same-origin")...)
	}
	if page := string(w.get("/vehicles/marrick-tern-01").is(t, http.StatusOK).text); !strings.Contains(page, `action="/vehicles/marrick-tern-01/plan"`) {
		t.Error("the vehicle's page orders no plan")
	}
	// So does a browser send the form of a page that has no referrers.
	at := form("/vehicles/marrick-tern-01/plan", "gate=first_start&people=2", "Origin: null").is(t, http.StatusSeeOther).Header.Get("Location")
	w.plans.workers.Wait()
	if page := string(w.get("/vehicles/marrick-tern-01").text); !strings.Contains(page, `href="`+at+`"`) {
		t.Errorf("the vehicle's page does not lead to %s", at)
	}
	page := string(w.get(at).is(t, http.StatusOK).text)
	for _, want := range []string{">Work<", "Nothing is off", "Off: battery isolated", "coolant drained", "Renew the timing belt", "To be measured: refrigerant", "<svg", "What is open when", "Hours of work by when", "nine in ten below"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	place := 0
	for _, want := range []string{"To clear first start, which is blocked", "What to order first", "Step by step", "Time line", "Start procedure", "While it is open", "What if"} {
		i := strings.Index(page[place:], want)
		if i < 0 {
			t.Fatalf("the page has no %q, or too early", want)
		}
		place += i
	}
	cards := w.get(at+"/cards").is(t, http.StatusOK)
	for _, want := range []string{"Job cards", "1. put an extinguisher", "Caution: Coolant is poison", "To report", "Done on, by", "battery: voltage at rest"} {
		if !strings.Contains(string(cards.text), want) {
			t.Errorf("the cards have no %q", want)
		}
	}
	if pdf := w.get(at+"/cards?format=pdf").is(t, http.StatusOK); !bytes.HasPrefix(pdf.text, []byte("%PDF-")) || pdf.Header.Get("Content-Type") != "application/pdf" {
		t.Errorf("no PDF: %.40q", pdf.text)
	}
	nothing := w.planned("marrick-tern-01", `{"gate":"hand_turn"}`)["id"].(string)
	if page := string(w.get("/plans/"+nothing).is(t, http.StatusOK).text); !strings.Contains(page, "there is nothing to do") {
		t.Error("the page of an empty plan does not say so")
	}
	// A step without readings is done by its button, once a day however often it is pressed; another is not.
	plan := w.get("/v1" + at).object(t)["plan"].(object)
	fuel, measured := stepOf(t, plan, "renew_fuel"), stepOf(t, plan, "recover_refrigerant")
	for range 2 {
		form(at+"/steps/"+fuel, "").has(t, "Location", at+"#step-"+fuel)
	}
	w.queue.workers.Wait()
	if n := len(w.get("/v1/vehicles/marrick-tern-01/reports").object(t)["reports"].([]any)); n != 2 {
		t.Errorf("%d reports", n)
	}
	form(at+"/steps/"+measured, "").is(t, http.StatusBadRequest)
	form(at+"/steps/"+measured, "reading-0=R.+Holt,+4711&reading-1=2026-17&inspector=B.+Orlo").is(t, http.StatusSeeOther)
	page = string(w.get(at).text)
	for want, is := range map[string]bool{
		"Done on 2026-06-12": true, "Done on 2026-06-12 by B. Orlo": true, "2 steps are done": true, "/steps/" + fuel + `"`: false, "/steps/" + fuel + `/undo"`: true, "have changed since this plan was made": false,
	} {
		if strings.Contains(page, want) != is {
			t.Errorf("once a step is done the page says %q: %t", want, !is)
		}
	}
	w.post("/v1/reports", tern(t, "marrick-tern-01")).is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	if page := string(w.get(at).text); !strings.Contains(page, "have changed since this plan was made") {
		t.Error("the page does not say that the plan is outdated")
	}
	form("/vehicles/marrick-tern-01/plan", "gate=moon&people=2").is(t, http.StatusBadRequest)
	form("/vehicles/marrick-tern-01/plan", "people=none").is(t, http.StatusBadRequest)
	w.do(http.MethodPost, "/vehicles/marrick-tern-01/plan", []byte("people=1"), "Content-Type: application/x-www-form-urlencoded", "Sec-Fetch-Site: cross-site").is(t, http.StatusForbidden)
	// A plan that is being made and one that failed are pages too.
	w.plans.holiday.Store(true)
	queued := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{}`)).object(t)["id"].(string)
	if page := string(w.get("/plans/"+queued).is(t, http.StatusOK).text); !strings.Contains(page, "is being made") {
		t.Error("the page of a queued plan does not say so")
	}
	w.get("/plans/"+queued+"/cards").is(t, http.StatusConflict)
	if err := w.store.FailPlan(t.Context(), queued, []byte(`{"title":"Given up","detail":"for a reason"}`), w.service.Now()); err != nil {
		t.Fatal(err)
	}
	if page := string(w.get("/plans/"+queued).is(t, http.StatusOK).text); !strings.Contains(page, "for a reason") {
		t.Error("the page of a failed plan does not say why")
	}
	// It is made again where somebody asks for it.
	if w.plans.holiday.Store(false); !strings.Contains(string(w.get("/plans/"+queued).text), `action="/plans/`+queued+`/retry"`) {
		t.Error("the page of a failed plan has no way to try again")
	}
	form("/plans/"+queued+"/retry", "").has(t, "Location", "/plans/"+queued)
	w.plans.workers.Wait()
	if page := string(w.get("/plans/" + queued).text); !strings.Contains(page, "Step by step") {
		t.Error("a failed plan that was tried again is not there")
	}
	form("/plans/"+queued+"/retry", "").is(t, http.StatusConflict)
}

// Every step of a plan can be marked as done, what it finds or not, and taken back.
func TestEveryStepCanBeTickedAndTakenBack(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{}`)
	at, steps := "/v1/plans/"+o["id"].(string), o["plan"].(object)["steps"].([]any)
	reports := func() int {
		return len(w.get("/v1/vehicles/marrick-tern-01/reports").object(t)["reports"].([]any))
	}
	silent, open := 0, ""
	for i, s := range steps {
		s := s.(object)
		measures, _ := s["measures"].([]any)
		body := jsonOf(t, object{"date": "2026-06-12", "inspector": "A. Brenner", "observations": append([]any{}, measures...)})
		a := w.post(fmt.Sprintf("%s/steps/%d/done", at, i+1), body)
		if s["reports"] == nil && s["measures"] == nil {
			said := a.is(t, http.StatusOK).object(t)
			if said["done"] != true || said["step"] != float64(i+1) || said["on"] != "2026-06-12" || said["inspector"] != "A. Brenner" {
				t.Errorf("step %d: %v", i+1, said)
			}
			if silent++; s["act"] == "open" {
				open = fmt.Sprint(i + 1)
			}
		} else {
			a.is(t, http.StatusAccepted)
		}
	}
	w.queue.workers.Wait()
	if n := reports(); silent == 0 || n != 1+len(steps)-silent {
		t.Errorf("%d of %d steps find nothing, and there are %d reports", silent, len(steps), n)
	}
	stored := w.get(at).object(t)
	if done := stored["done"].([]any); len(done) != len(steps) || stored["current"] != true {
		t.Errorf("%d of %d steps are done, current %v", len(done), len(steps), stored["current"])
	}
	if r := w.get("/v1/vehicles/marrick-tern-01/readiness").object(t); r["state"] != "clear" {
		t.Errorf("the gate is %v: %v", r["state"], r["blockers"])
	}
	// Taken back, a step is not done, and what was reported of it is withdrawn; the plan is as current as it was.
	done := func(step string) bool {
		return slices.ContainsFunc(w.get(at).object(t)["done"].([]any), func(d any) bool { return fmt.Sprint(d.(object)["step"]) == step })
	}
	fuel := stepOf(t, o["plan"].(object), "renew_fuel")
	for _, step := range []string{open, fuel} {
		for range 2 {
			if said := w.post(at+"/steps/"+step+"/undone", nil).is(t, http.StatusOK).object(t); said["done"] != false {
				t.Errorf("%v", said)
			}
		}
		if done(step) {
			t.Errorf("step %s is done after all", step)
		}
	}
	w.queue.workers.Wait()
	if r := w.get("/v1/vehicles/marrick-tern-01/readiness").object(t); r["state"] != "blocked" || w.get(at).object(t)["current"] != true {
		t.Errorf("without the fuel the gate is %v", r["state"])
	}
	// And may be ticked again; a key stands for one answer.
	for range 2 {
		w.post(at+"/steps/"+open+"/done", []byte(`{}`), "Idempotency-Key: again").is(t, http.StatusOK)
	}
	w.post(at+"/steps/"+fuel+"/done", []byte(`{}`)).is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	if !done(open) || !done(fuel) {
		t.Error("ticked again they are not done")
	}
	// A report that only calls itself so ticks nothing.
	var form object
	if err := json.Unmarshal(tern(t, "marrick-tern-01"), &form); err != nil {
		t.Fatal(err)
	}
	form["reference"] = o["id"].(string) + "/1"
	w.post(at+"/steps/1/undone", nil).is(t, http.StatusOK)
	w.post("/v1/reports", jsonOf(t, form)).is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	if done("1") || w.get(at).object(t)["current"] != false {
		t.Error("a report that calls itself a step ticks it")
	}
	for _, path := range []string{"/steps/0/undone", "/steps/999/undone", "/steps/x/undone"} {
		w.post(at+path, nil).problem(t, http.StatusNotFound, "not-found")
	}
}

// A plan in the middle of the work knows by the ticks of the one before what is open, and can be told otherwise.
func TestAnotherPlanKnowsWhatIsOpen(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{"now":true}`)
	at, plan := "/v1/plans/"+o["id"].(string), o["plan"].(object)
	drained := stepOf(t, plan, "coolant_out")
	w.post(at+"/steps/"+drained+"/done", []byte(`{}`)).is(t, http.StatusOK)
	already := func(order string) (states []any, asked any) {
		o := w.planned("marrick-tern-01", order)
		for _, s := range o["plan"].(object)["opening"].([]any) {
			if s := s.(object); s["already"] == true {
				states = append(states, s["state"])
			}
		}
		return states, o["order"].(object)["off"]
	}
	for _, order := range []string{`{"now":true}`, `{"now":true}`} { // the second goes by the first
		if states, asked := already(order); fmt.Sprint(states) != "[coolant_out]" || fmt.Sprint(asked) != "[coolant_out]" {
			t.Errorf("%s: open already are %v, ordered %v", order, states, asked)
		}
	}
	page := string(w.get("/plans/" + w.planned("marrick-tern-01", `{"now":true}`)["id"].(string)).text)
	for _, want := range []string{"Taken as open already: coolant drained", "Already open: coolant drained", `name="off" value="none"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	// It was ticked by mistake.
	w.post(at+"/steps/"+drained+"/undone", nil).is(t, http.StatusOK)
	if states, asked := already(`{"now":true}`); len(states) != 0 || asked != nil {
		t.Errorf("nothing is open, and open are %v, ordered %v", states, asked)
	}
	w.post(at+"/steps/"+drained+"/done", []byte(`{}`)).is(t, http.StatusOK)
	if states, _ := already(`{"off":[],"now":true}`); len(states) != 0 {
		t.Errorf("told otherwise, open are %v", states)
	}
	if states, _ := already(`{"now":true}`); len(states) != 0 {
		t.Errorf("told otherwise before, open are %v", states)
	}
	w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{"off":["roof_off"],"late":{"moon":1,"coolant":9999}}`)).problem(t, http.StatusUnprocessableEntity, "bad-plan-order")
}

func TestAFailedPlanIsTriedAgain(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	w.plans.holiday.Store(true)
	at := w.post("/v1/vehicles/marrick-tern-01/plans", []byte(`{"gate":"crank"}`)).is(t, http.StatusAccepted).Header.Get("Location")
	w.post(at+"/retry", nil).problem(t, http.StatusConflict, "not-failed")
	if err := w.store.FailPlan(t.Context(), strings.TrimPrefix(at, "/v1/plans/"), []byte(`{"title":"Given up","detail":"for a reason"}`), w.service.Now()); err != nil {
		t.Fatal(err)
	}
	w.plans.holiday.Store(false)
	if again := w.post(at+"/retry", nil).is(t, http.StatusAccepted).object(t); again["state"] == "failed" || again["problem"] != nil {
		t.Errorf("%v", again)
	}
	w.plans.workers.Wait()
	if o := w.get(at).object(t); o["state"] != "done" {
		t.Errorf("%v", o["state"])
	}
	w.post("/v1/plans/nothing/retry", nil).problem(t, http.StatusNotFound, "not-found")
}

// Side by side: without a job, with another person, with a part that comes late, up to another gate.
func TestWhatIfStandsBesideThePlan(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.brought("marrick-tern-01.1")
	o := w.planned("marrick-tern-01", `{"gate":"first_start"}`)
	at := "/v1/plans/" + o["id"].(string)
	part := o["plan"].(object)["parts"].([]any)[0].(object)["part"].(string)
	changes := []string{`{"without":["renew_timing_belt"]}`, `{"people":2}`, `{"late":{"` + part + `":7}}`, `{"gate":"crank"}`}
	for i, change := range changes {
		a := w.post(at+"/what-if", []byte(change), fmt.Sprintf("Idempotency-Key: %d", i)).is(t, http.StatusAccepted).object(t)
		if a["what_if_of"] != o["id"] || a["assessment"] != o["assessment"] {
			t.Errorf("%s: %v", change, a)
		}
	}
	w.plans.workers.Wait()
	beside := w.get(at+"/what-if").is(t, http.StatusOK).object(t)
	list := beside["what_if"].([]any)
	if len(list) != len(changes) || beside["plan"].(object)["id"] != o["id"] {
		t.Fatalf("%v", beside)
	}
	figures := func(x any) object { return x.(object)["figures"].(object) }
	base := figures(beside["plan"])
	for i, change := range changes {
		if got := string(jsonOf(t, list[i].(object)["change"])); got != change {
			t.Errorf("%s is told as %s", change, got)
		}
	}
	if f := figures(list[0]); f["clears"] != false || len(f["not_given"].([]any)) == 0 || len(list[0].(object)["difference"].(object)["does_not"].([]any)) == 0 {
		t.Errorf("without the belt: %v", f)
	}
	if figures(list[1])["working_minutes"].(float64) >= base["working_minutes"].(float64) {
		t.Errorf("two people: %v", figures(list[1]))
	}
	if figures(list[2])["ends"].(string) < base["ends"].(string) {
		t.Errorf("a part late: %v", figures(list[2]))
	}
	if figures(list[3])["goal"] != "crank" {
		t.Errorf("up to another gate: %v", figures(list[3]))
	}
	if a := w.post(at+"/what-if", []byte(changes[3]), "Prefer: wait=20").is(t, http.StatusOK).object(t); a["state"] != "done" {
		t.Errorf("waited for, it is %v", a["state"])
	}
	// They are not among the plans of the vehicle, and lead back.
	if plans := w.get("/v1/vehicles/marrick-tern-01/plans").object(t)["plans"].([]any); len(plans) != 1 {
		t.Errorf("%d plans are listed", len(plans))
	}
	other := list[1].(object)["id"].(string)
	if again := w.get("/v1/plans/" + other + "/what-if").object(t); again["plan"].(object)["id"] != o["id"] {
		t.Errorf("%v", again["plan"])
	}
	for _, bad := range []string{`{}`, `{"people":1}`, `{"people":0}`, `{"gate":"moon"}`, `[]`} {
		w.post(at+"/what-if", []byte(bad)).problem(t, http.StatusUnprocessableEntity, "bad-plan-order")
	}
	w.post("/v1/plans/nothing/what-if", []byte(`{"people":2}`)).problem(t, http.StatusNotFound, "not-found")
	w.get("/v1/plans/nothing/what-if").problem(t, http.StatusNotFound, "not-found")
	// The page has them side by side, and a form for one more.
	form := func(body string) answer {
		return w.do(http.MethodPost, "/plans/"+o["id"].(string)+"/what-if", []byte(body), "Content-Type: application/x-www-form-urlencoded", "Sec-Fetch-Site: same-origin")
	}
	form("people=3&days=7").has(t, "Location", "/plans/"+o["id"].(string)+"#what-if")
	form("part="+part+"&days=many").is(t, http.StatusBadRequest)
	form("people=none").is(t, http.StatusBadRequest)
	form("days=7").is(t, http.StatusBadRequest)
	w.plans.workers.Wait()
	page := string(w.get("/plans/" + o["id"].(string)).text)
	for _, want := range []string{"without: renew the timing belt", "people: 2", "people: 3", ", 7 days", "up to crank", "No job in the job book covers this", "not: "} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if page := string(w.get("/plans/" + other).text); !strings.Contains(page, "This plan is a what-if") {
		t.Error("the page of a what-if does not say that it is one")
	}
}
