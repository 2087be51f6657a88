package api_test

import (
	"cmp"
	"fmt"
	"io/fs"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/api"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"
)

// walk follows a list from page to page by its Link headers, and returns what name takes from each.
func (w *workshop) walk(path, list, name string, between func()) (seen []string, pages int) {
	w.t.Helper()
	for path != "" {
		a := w.get(path)
		a.is(w.t, http.StatusOK)
		body := a.object(w.t)
		for _, e := range body[list].([]any) {
			seen = append(seen, e.(object)[name].(string))
		}
		pages++
		link := a.Header.Get("Link")
		next, _ := body["next"].(string)
		if (next == "") != (link == "") {
			w.t.Fatalf("next is %q and the link %q", next, link)
		}
		path, _, _ = strings.Cut(strings.TrimPrefix(link, "<"), `>; rel="next"`)
		if path != "" {
			u, err := url.Parse(path)
			if err != nil || u.Query().Get("cursor") != next {
				w.t.Fatalf("link %s with next %s", link, next)
			}
			between()
		}
	}
	return seen, pages
}

func TestVehiclesPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	var want []string
	for i := range 11 {
		want = append(want, fmt.Sprintf("tern-%02d", i))
		w.accept(want[i])
	}
	slices.Reverse(want)
	newcomers := 0
	seen, pages := w.walk("/v1/vehicles?limit=4", "vehicles", "reference", func() {
		newcomers++
		w.accept(fmt.Sprintf("new-%02d", newcomers))
		w.accept("tern-10") // was seen already and moves to the top
	})
	if !slices.Equal(seen, want) || pages != 3 {
		t.Errorf("%d pages: %v", pages, seen)
	}
	if seen, pages := w.walk("/v1/vehicles?limit=13", "vehicles", "reference", func() {}); len(seen) != 13 || pages != 1 {
		t.Errorf("%d vehicles on %d pages: a last page that is full has no next", len(seen), pages)
	}
}

func TestNoVehiclesYet(t *testing.T) {
	t.Parallel()
	a := open(t).get("/v1/vehicles")
	a.is(t, http.StatusOK)
	a.has(t, "Link", "")
	if string(a.text) != `{"gate":"first_start","vehicles":[]}` {
		t.Errorf("answer %s", a.text)
	}
}

func TestAVehicle(t *testing.T) {
	t.Parallel()
	w := open(t)
	first := w.assess("tern-01")
	w.queue.holiday.Store(true)
	second := w.accept("tern-01")
	a := w.get("/v1/vehicles/tern-01")
	a.is(t, http.StatusOK)
	var body struct {
		Reference, Description string
		Reports                int
		UpdatedAt              time.Time `json:"updated_at"`
		Waiting                bool
		Newest                 struct {
			ID      string
			State   string
			AsOf    string `json:"as_of"`
			Verdict struct {
				Gate, State string
				Blockers    int
			}
		}
		History []struct {
			ID, State string
			Verdict   *object
		}
		Next string
	}
	a.into(t, &body)
	if body.Reference != "tern-01" || !strings.Contains(body.Description, "Marrick") || body.Reports != 2 || !body.Waiting || body.UpdatedAt.IsZero() {
		t.Errorf("cover %s", a.text)
	}
	whole := w.get("/v1/assessments/" + first).object(t)["verdict"].(object)
	if n := body.Newest; n.ID != first || n.State != "done" || n.AsOf != "2026-05-02" || n.Verdict.Gate != "first_start" ||
		n.Verdict.State != whole["state"] || float64(n.Verdict.Blockers) != whole["blockers"] {
		t.Errorf("newest %+v, verdict %v", n, whole)
	}
	if h := body.History; len(h) != 2 || h[0].ID != second || h[0].State != "queued" || h[0].Verdict != nil || h[1].ID != first || h[1].Verdict == nil {
		t.Errorf("history %s", a.text)
	}
}

func TestAHistoryPageByPage(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	var want []string
	for range 7 {
		want = append(want, w.accept("tern-01"))
		w.accept("tern-02")
	}
	slices.Reverse(want)
	seen, pages := w.walk("/v1/vehicles/tern-01?limit=3", "history", "id", func() { w.accept("tern-01") })
	if !slices.Equal(seen, want) || pages != 3 {
		t.Errorf("%d pages: %v, want %v", pages, seen, want)
	}
}

func TestPagesThatAreNotThere(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	for range 3 {
		w.accept("tern-01")
	}
	w.accept("tern-02")
	other := w.get("/v1/vehicles/tern-01?limit=1").object(t)["next"].(string)
	own := w.get("/v1/vehicles?limit=1").object(t)["next"].(string)
	for _, query := range []string{
		"limit=0", "limit=201", "limit=-1", "limit=1.5", "limit=ten", "limit=99999999999999999999", "limit=", "limit=%2B1",
		"cursor=x", "cursor=" + other, "cursor=" + own + "=", "cursor=" + own + "A", "cursor=%0A" + own, "cursor=" + own[:10],
		"cursor=" + api.EncodeCursor(time.UnixMilli(1<<60), "tern-01"), "cursor=" + api.EncodeCursor(time.UnixMilli(-1), "tern-01"),
		"cursor=" + api.EncodeCursor(time.Now(), "a\x00b"), "cursor=" + api.EncodeCursor(time.Now(), ""),
	} {
		t.Run(query, func(t *testing.T) {
			w.get("/v1/vehicles?"+query).problem(t, http.StatusBadRequest, "bad-query")
		})
	}
	w.get("/v1/vehicles?limit=200&cursor="+own).is(t, http.StatusOK)
	w.get("/v1/vehicles/tern-01?cursor="+own).problem(t, http.StatusBadRequest, "bad-query", "cursor")
}

func TestNoSuchVehicle(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, reference := range []string{"no", "%00", "a%2Fb", "%20", strings.Repeat("x", 101)} {
		for _, part := range []string{"", "/readiness"} {
			w.get("/v1/vehicles/"+reference+part).problem(t, http.StatusNotFound, "not-found")
		}
	}
}

func TestAReferenceMayBeEscaped(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.assess("tern-01")
	w.get("/v1/vehicles/t%65rn%2D01/readiness").is(t, http.StatusOK)
}

func TestReadiness(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	a := w.get("/v1/vehicles/tern-01/readiness?gate=crank")
	a.problem(t, http.StatusConflict, "not-assessed-yet", "again")
	a.has(t, "Retry-After", "1")
	w.queue.work()

	a = w.get("/v1/vehicles/tern-01/readiness?gate=crank")
	a.is(t, http.StatusOK)
	a.has(t, "Cache-Control", "private, no-cache")
	body := a.object(t)
	if body["vehicle"] != "tern-01" || body["gate"] != "crank" || body["state"] == "" || body["as_of"] != "2026-05-02" || body["assessment"] != id ||
		body["blockers"] == nil || body["cautions"] == nil || body["newer_report_waiting"] != false {
		t.Errorf("answer %s", a.text)
	}
	if gate := w.get("/v1/vehicles/tern-01/readiness").object(t)["gate"]; gate != "first_start" {
		t.Errorf("without a gate it is about %v", gate)
	}
	w.accept("tern-01")
	if a := w.get("/v1/vehicles/tern-01/readiness"); a.object(t)["newer_report_waiting"] != true {
		t.Errorf("answer %.300s", a.text)
	}
	w.get("/v1/vehicles/tern-01/readiness?gate=launch").problem(t, http.StatusBadRequest, "no-such-gate", "crank", "first_start")
}

// lot is a workshop with vehicles whose reports asked about different gates: by its report's own gate
// each of them but one is clear.
func lot(t *testing.T) *workshop {
	t.Helper()
	w := open(t)
	for _, of := range []struct{ report, gate string }{
		{"brennick-wren-03.1", "hand_turn"}, {"brennick-wren-03.2", "road_test"}, {"brennick-wren-03.3", "first_start"},
		{"corvane-dale-07.1", "crank"}, {"marrick-tern-01.1", "hand_turn"},
	} {
		body, err := fs.ReadFile(schema.FS, "demo/"+of.report+".json")
		if err != nil {
			t.Fatal(err)
		}
		w.post("/v1/reports?gate="+of.gate, body, "Prefer: wait=20").is(t, http.StatusOK)
	}
	w.queue.holiday.Store(true)
	w.accept("new-09")
	return w
}

// judged is what an assessment says of a gate, in short.
func (w *workshop) judged(id, gate string) (state string, blockers int) {
	w.t.Helper()
	var whole score.Assessment
	w.get("/v1/assessments/"+id).into(w.t, &whole)
	for _, g := range whole.Gates {
		if g.Gate == gate {
			return g.State, g.Blockers
		}
	}
	w.t.Fatalf("%s is not judged at %s", id, gate)
	return "", 0
}

func TestAListIsJudgedAtOneGate(t *testing.T) {
	t.Parallel()
	w := lot(t)
	for _, c := range []struct{ gate, verdict, sort, search string }{
		{sort: "reference"},
		{sort: "reference", gate: "hand_turn"},
		{sort: "reference", gate: "crank"},
		{verdict: "clear"},
		{verdict: "clear", gate: "crank"},
		{verdict: "blocked", gate: "hand_turn"},
		{search: "marrick-tern", gate: "crank"},
		{sort: "blockers", gate: "road_test"},
		{sort: "blockers", verdict: "unproven"},
		{sort: "blockers", search: "-0"},
	} {
		gate := cmp.Or(c.gate, "first_start")
		type row struct {
			reference, state string
			blockers         int
		}
		var rows []row
		for _, ref := range []string{"new-09", "marrick-tern-01", "corvane-dale-07", "brennick-wren-03"} { // newest first
			r := row{reference: ref, blockers: -1}
			if newest, ok := w.get("/v1/vehicles/" + ref).object(t)["newest"].(object); ok {
				r.state, r.blockers = w.judged(newest["id"].(string), gate)
			}
			if strings.Contains(ref, c.search) && (c.verdict == "" || r.state == c.verdict) {
				rows = append(rows, r)
			}
		}
		switch c.sort {
		case "reference":
			slices.SortFunc(rows, func(x, y row) int { return cmp.Compare(x.reference, y.reference) })
		case "blockers":
			slices.SortStableFunc(rows, func(x, y row) int {
				return cmp.Or(cmp.Compare(y.blockers, x.blockers), cmp.Compare(x.reference, y.reference))
			})
		}
		q := url.Values{}
		for name, value := range map[string]string{"gate": c.gate, "verdict": c.verdict, "sort": c.sort, "search": c.search} {
			if value != "" {
				q.Set(name, value)
			}
		}
		body := w.get("/v1/vehicles?" + q.Encode()).object(t)
		var got []row
		for _, v := range body["vehicles"].([]any) {
			v := v.(object)
			r := row{reference: v["reference"].(string), blockers: -1}
			if newest, ok := v["newest"].(object); ok {
				is := newest["verdict"].(object)
				if is["gate"] != gate {
					t.Errorf("%+v: %s is judged at %s", c, r.reference, is["gate"])
				}
				r.state, r.blockers = is["state"].(string), int(is["blockers"].(float64))
			}
			got = append(got, r)
		}
		if body["gate"] != gate || !slices.Equal(got, rows) {
			t.Errorf("%+v:\ngot  %s %+v\nwant %s %+v", c, body["gate"], got, gate, rows)
		}
	}
	for _, path := range []string{"/v1/vehicles?gate=launch", "/v1/vehicles/marrick-tern-01?gate=launch"} {
		w.get(path).problem(t, http.StatusBadRequest, "no-such-gate", "first_start", "road_test")
	}
	// How much each verdict rests on stands beside it, as the assessment has it.
	one := w.get("/v1/vehicles/corvane-dale-07").object(t)["newest"].(object)
	whole := w.get("/v1/assessments/" + one["id"].(string)).object(t)
	listed := w.get("/v1/vehicles?search=corvane").object(t)["vehicles"].([]any)[0].(object)["newest"].(object)
	if !reflect.DeepEqual(one["coverage"], whole["coverage"]) || !reflect.DeepEqual(listed, one) {
		t.Errorf("of %v the list has %v, the vehicle %v", whole["coverage"], listed, one)
	}
}

// However many pages, in every order, each vehicle comes once, and so it does at a gate that only some
// are judged at.
func TestPagesKeepToTheGate(t *testing.T) {
	t.Parallel()
	w := lot(t)
	for _, query := range []string{"", "&sort=reference", "&sort=blockers"} {
		seen, pages := w.walk("/v1/vehicles?limit=1&gate=crank"+query, "vehicles", "reference", func() {})
		slices.Sort(seen)
		if want := []string{"brennick-wren-03", "corvane-dale-07", "marrick-tern-01", "new-09"}; !slices.Equal(seen, want) || pages != len(want) {
			t.Errorf("%q: %v on %d pages", query, seen, pages)
		}
	}
	first := w.get("/v1/vehicles?limit=1&sort=blockers&gate=road_test")
	if link := first.Header.Get("Link"); !strings.Contains(link, "gate=road_test") {
		t.Errorf("the next page is %s", link)
	}
}

func TestAHistoryIsJudgedAtOneGate(t *testing.T) {
	t.Parallel()
	w := lot(t)
	for query, gate := range map[string]string{"": "first_start", "?gate=crank": "crank", "?gate=yard_move": "yard_move"} {
		body := w.get("/v1/vehicles/brennick-wren-03" + query).object(t)
		if body["gate"] != gate || len(body["history"].([]any)) != 3 {
			t.Errorf("%q: %v assessments at %s", query, len(body["history"].([]any)), body["gate"])
		}
		var states []string
		for _, h := range body["history"].([]any) {
			is := h.(object)["verdict"].(object)
			state, blockers := w.judged(h.(object)["id"].(string), gate)
			if is["gate"] != gate || is["state"] != state || is["blockers"] != float64(blockers) {
				t.Errorf("%q: an assessment is judged %v, and is %s with %d", query, is, state, blockers)
			}
			states = append(states, state)
		}
		if gate == "first_start" && !slices.Equal(states, []string{"clear", "unproven", "blocked"}) {
			t.Errorf("the story of the motorcycle is %v", states)
		}
		if newest, first := body["newest"], body["history"].([]any)[0]; !reflect.DeepEqual(newest, first) {
			t.Errorf("the newest is %v, the first %v", newest, first)
		}
	}
}

// The page says at which gate it judges, and keeps to it wherever it leads.
func TestThePageOfVehiclesIsJudgedAtOneGate(t *testing.T) {
	t.Parallel()
	w := lot(t)
	page := func(path string) string {
		a := w.get(path, "Accept: text/html")
		a.is(t, http.StatusOK)
		return string(a.text)
	}
	// looked says how much of a vehicle was looked at, as its page does.
	looked := func(ref string) string {
		var whole score.Assessment
		w.get("/v1/assessments/"+w.get("/v1/vehicles/" + ref).object(t)["newest"].(object)["id"].(string)).into(t, &whole)
		c := whole.Coverage
		return fmt.Sprintf("%d of %d items inspected, %s by weight", c.LookedAt, c.Applying, strings.ReplaceAll(wording.English().Looked(c), " %", "\u00a0%"))
	}
	for path, want := range map[string][]string{
		"/vehicles": {
			"All vehicles are judged at the same gate, first start", `<th scope="col">At first start</th>`, `<option value="first_start" selected>First start</option>`,
			`href="/vehicles/marrick-tern-01?gate=first_start"`, strings.Replace(strings.TrimSuffix(looked("corvane-dale-07"), " by weight"), " items inspected", "", 1), "not assessed yet",
		},
		"/vehicles?gate=crank&verdict=clear&sort=blockers&limit=1": {`<th scope="col">At crank</th>`, "gate=crank&amp;", "verdict=clear", "sort=blockers"},
		"/vehicles/brennick-wren-03?gate=crank":                    {"Each assessment is judged at the same gate, crank", "Clear to crank, going by what was inspected: "},
		"/vehicles/brennick-wren-03/ready?gate=crank":              {looked("brennick-wren-03")},
		"/compare?vehicle=brennick-wren-03":                        {looked("brennick-wren-03"), "All vehicles are judged at the same gate, first start"},
	} {
		got := page(path)
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("%s has no %s", path, w)
			}
		}
	}
	if got := page("/vehicles"); strings.Contains(got, "100\u00a0%") {
		t.Error("something is said to be looked at whole")
	}
	w.get("/vehicles?gate=launch", "Accept: text/html").is(t, http.StatusBadRequest)
}
