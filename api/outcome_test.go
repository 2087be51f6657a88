package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"laidup/internal/access"
)

const vehicle = "tern-01"

// reported is a workshop with a vehicle that is assessed.
func reported(t *testing.T) *workshop {
	t.Helper()
	w := open(t)
	w.assess(vehicle)
	return w
}

func (w *workshop) count() {
	w.t.Helper()
	if _, err := w.service.CountOutcomes(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
}

// scored is the scores of the crank: how many were seen, of how many events.
func (w *workshop) scored() string {
	w.t.Helper()
	var body struct {
		Scored []struct {
			Name   string
			Scores struct {
				Seen, Events, Unseen int
				Brier                *float64
			}
		}
	}
	w.get("/v1/scores").into(w.t, &body)
	for _, s := range body.Scored {
		if s.Name == "crank" {
			return fmt.Sprintf("%d of %d, %d unseen, score %t", s.Scores.Events, s.Scores.Seen, s.Scores.Unseen, s.Scores.Brier != nil)
		}
	}
	return "none"
}

func TestOutcomesAreCountedCorrectedAndWithdrawn(t *testing.T) {
	t.Parallel()
	w := reported(t)
	at := "/v1/vehicles/" + vehicle + "/outcomes"
	if got := w.scored(); got != "none" {
		t.Errorf("scores without outcomes: %s", got)
	}
	first := w.post(at, []byte(`{"gate":"crank","attempted":true,"came":[{"hazard":"valve_strike","severity":"critical"}]}`))
	if first.StatusCode != 201 {
		t.Fatalf("status %d: %s", first.StatusCode, first.text)
	}
	id := first.object(t)["id"].(string)
	if got := w.scored(); got != "none" {
		t.Errorf("counted before anybody counts: %s", got)
	}
	w.count()
	if got, want := w.scored(), "1 of 1, 0 unseen, score true"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if o := w.get("/v1/outcomes/" + id).object(t); o["counted"] != true || o["assessment"] == "" {
		t.Errorf("counted it is %v", o)
	}
	second := w.post(at, fmt.Appendf(nil, `{"gate":"crank","attempted":false,"replaces":%q}`, id))
	if second.StatusCode != 201 {
		t.Fatalf("status %d: %s", second.StatusCode, second.text)
	}
	w.count()
	if got, want := w.scored(), "0 of 0, 1 unseen, score false"; got != want {
		t.Errorf("a shut gate: %s, want %s", got, want)
	}
	if a := w.post("/v1/outcomes/"+second.object(t)["id"].(string)+"/withdraw", []byte(`{"reason":"it was another car"}`)); a.StatusCode != 200 || !strings.Contains(string(a.text), "it was another car") {
		t.Errorf("withdrawn: %d %s", a.StatusCode, a.text)
	}
	w.count()
	if got := w.scored(); got != "none" {
		t.Errorf("withdrawn it still counts: %s", got)
	}
	var list struct{ Outcomes []struct{ ID string } }
	w.get(at).into(t, &list)
	if len(list.Outcomes) != 2 {
		t.Errorf("%d outcomes are listed", len(list.Outcomes))
	}
}

func TestAnOutcomeThatIsSentAgainCountsOnce(t *testing.T) {
	t.Parallel()
	w := reported(t)
	at, body := "/v1/vehicles/"+vehicle+"/outcomes", []byte(`{"gate":"crank","attempted":true,"came":[]}`)
	send := func(body []byte) answer { return w.post(at, body, "Idempotency-Key: tap-1") }
	first, again := send(body), send(body)
	if first.StatusCode != 201 || string(first.text) != string(again.text) {
		t.Errorf("%d %s, then %d %s", first.StatusCode, first.text, again.StatusCode, again.text)
	}
	w.count()
	if got, want := w.scored(), "0 of 1, 0 unseen, score true"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if a := send([]byte(`{"gate":"crank","attempted":false}`)); a.StatusCode != 422 {
		t.Errorf("another under the same key: %d %s", a.StatusCode, a.text)
	}
}

// What an outcome found itself, in a report that came after the attempt, is not in what is judged.
func TestOwnFindingsAreNotJudged(t *testing.T) {
	t.Parallel()
	w := reported(t)
	assessment := func(form string) any {
		t.Helper()
		a := w.post("/v1/vehicles/"+vehicle+"/outcomes", []byte(form))
		if a.StatusCode != 201 {
			t.Fatalf("status %d: %s", a.StatusCode, a.text)
		}
		w.count()
		return w.get("/v1/outcomes/" + a.object(t)["id"].(string)).object(t)["assessment"]
	}
	before := assessment(`{"gate":"crank","attempted":true,"came":[]}`)
	w.ticks.Add(3600)
	w.assess(vehicle)
	if got := assessment(`{"gate":"crank","attempted":true,"came":[],"at":"2026-06-12T09:30:00Z"}`); got != before {
		t.Errorf("judged is %v, want %v", got, before)
	}
	if got := assessment(`{"gate":"crank","attempted":true,"came":[]}`); got == before || got == nil {
		t.Errorf("judged is %v", got)
	}
	if got := assessment(`{"gate":"crank","attempted":true,"came":[],"at":"2026-06-12"}`); got != nil {
		t.Errorf("of a day its beginning counts, and %v is judged", got)
	}
}

func TestBadOutcomesAreRefused(t *testing.T) {
	t.Parallel()
	w := reported(t)
	for name, c := range map[string]struct {
		path, body string
		status     int
		says       string
	}{
		"nothing said":             {vehicle, `{}`, 422, "say what came of a gate"},
		"no such gate":             {vehicle, `{"gate":"moon","attempted":false}`, 422, "/gate"},
		"no such hazard":           {vehicle, `{"gate":"crank","attempted":true,"came":[{"hazard":"moon"}]}`, 422, "/came/0/hazard"},
		"a hazard of another gate": {vehicle, `{"gate":"hand_turn","attempted":true,"came":[{"hazard":"valve_strike"}]}`, 422, "crank"},
		"no such fault":            {vehicle, `{"parts":[{"fault":"moon","bad":"yes"}]}`, 422, "/parts/0/fault"},
		"no such assessment":       {vehicle, `{"gate":"crank","attempted":false,"assessment":"moon"}`, 422, "/assessment"},
		"still to come":            {vehicle, `{"gate":"crank","attempted":false,"at":"2027-06-12"}`, 422, "/at"},
		"nothing to replace":       {vehicle, `{"gate":"crank","attempted":false,"replaces":"moon"}`, 409, "Nothing to replace"},
		"no such vehicle":          {"moon", `{"gate":"crank","attempted":false}`, 404, "not-found"},
	} {
		a := w.post("/v1/vehicles/"+c.path+"/outcomes", []byte(c.body))
		if a.StatusCode != c.status || !strings.Contains(string(a.text), c.says) {
			t.Errorf("%s: %d %s", name, a.StatusCode, a.text)
		}
	}
	if a := w.get("/v1/scores?by=moon"); a.StatusCode != 400 {
		t.Errorf("by=moon: %d", a.StatusCode)
	}
	if a := w.get("/v1/corrections?rule_set=moon"); a.StatusCode != 400 {
		t.Errorf("rule_set=moon: %d %s", a.StatusCode, a.text)
	}
	for _, by := range []string{"gate", "fault", "family", "hazard", "rule_set", "organisation"} {
		if a := w.get("/v1/scores?by=" + by); a.StatusCode != 200 {
			t.Errorf("by=%s: %d %s", by, a.StatusCode, a.text)
		}
	}
}

// An import judges the same, under ids of its own, and importing again changes nothing.
func TestOutcomesAreExportedAndImported(t *testing.T) {
	t.Parallel()
	w := closed(t)
	ours, theirs := w.key("brennick-motors", access.Administration), w.key("harrow-lane", access.Administration)
	w.post("/v1/reports", tern(t, vehicle), ours).is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	at := "/v1/vehicles/" + vehicle + "/outcomes"
	first := w.post(at, []byte(`{"gate":"crank","attempted":true,"came":[]}`), ours).is(t, http.StatusCreated).object(t)["id"].(string)
	w.post(at, fmt.Appendf(nil, `{"gate":"crank","attempted":true,"came":[{"hazard":"valve_strike"}],"replaces":%q}`, first), ours).is(t, http.StatusCreated)
	wrong := w.post(at, []byte(`{"gate":"crank","attempted":false}`), ours).is(t, http.StatusCreated).object(t)["id"].(string)
	w.post("/v1/outcomes/"+wrong+"/withdraw", []byte(`{"reason":"of another vehicle"}`), ours).is(t, http.StatusOK)
	export := w.get("/v1/export", ours).text
	exported(t, export)
	for n, want := range []string{"map[attachments:0 outcomes:3 reports:1 rule_sets:0 withdrawals:0]", "map[attachments:0 outcomes:0 reports:0 rule_sets:0 withdrawals:0]"} {
		got := w.do(http.MethodPost, "/v1/import", export, theirs, "Content-Type: application/x-ndjson").is(t, http.StatusOK).object(t)
		if fmt.Sprint(got["taken"]) != want || got["refused"] != 0. {
			t.Errorf("import %d: %v", n+1, got)
		}
		w.queue.workers.Wait()
	}
	w.count()
	counted := func(key string) string {
		t.Helper()
		a := w.get("/v1/scores", key).is(t, http.StatusOK).object(t)
		return fmt.Sprint(a["scored"])
	}
	if a, b := counted(ours), counted(theirs); a != b || a == "[]" {
		t.Errorf("scores there %s\nhere %s", a, b)
	}
	var list struct{ Outcomes []object }
	w.get(at, theirs).into(t, &list)
	if len(list.Outcomes) != 3 || list.Outcomes[0]["withdrawn"].(object)["reason"] != "of another vehicle" || list.Outcomes[2]["withdrawn"].(object)["replaced_by"] != list.Outcomes[1]["id"] {
		t.Errorf("imported are %v", list.Outcomes)
	}
}

// By the buttons of the page an outcome is recorded, once for two taps, and the scores show it.
func TestOutcomesAreRecordedByButtons(t *testing.T) {
	t.Parallel()
	w := reported(t)
	if a := w.get("/outcomes").is(t, http.StatusOK); !strings.Contains(string(a.text), "No outcome has been recorded yet") {
		t.Errorf("without outcomes: %s", a.text)
	}
	page := string(w.get("/vehicles/"+vehicle+"/outcome?gate=crank").is(t, http.StatusOK).text)
	for _, want := range []string{`value="none"`, `value="shut"`, `value="valve_strike"`, `value="other"`, `value="timing_belt_weak yes"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %s", want)
		}
	}
	assessment := w.get("/v1/vehicles/" + vehicle + "/readiness").object(t)["assessment"].(string)
	press := func(button string) {
		t.Helper()
		form := "gate=crank&stamp=1&assessment=" + assessment + "&" + button
		w.do(http.MethodPost, "/vehicles/"+vehicle+"/outcome", []byte(form), "Content-Type: application/x-www-form-urlencoded", "Sec-Fetch-Site: same-origin", "Origin: http://localhost:8416").is(t, http.StatusSeeOther)
	}
	for _, button := range []string{"came=none", "came=none", "came=shut", "came=other", "came=valve_strike", "part=timing_belt_weak+yes"} {
		press(button)
	}
	w.count()
	if got, want := w.scored(), "2 of 3, 1 unseen, score true"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	shown := string(w.get("/outcomes").is(t, http.StatusOK).text)
	for _, want := range []string{"<svg", "2/3", "Timing drive"} {
		if !strings.Contains(shown, want) {
			t.Errorf("the scores show no %s", want)
		}
	}
}
