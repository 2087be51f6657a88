package api_test

import (
	"bytes"
	"encoding/csv"
	"html"
	"io/fs"
	"maps"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/appraisal"
	"laidup/internal/wording"
	"laidup/schema"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// compiled compiles a schema as it is served.
func (w *workshop) compiled(name string) *jsonschema.Schema {
	w.t.Helper()
	a := w.get("/v1/schemas/" + name)
	a.is(w.t, http.StatusOK)
	c := jsonschema.NewCompiler()
	c.Draft, c.AssertFormat = jsonschema.Draft2020, true
	id := a.object(w.t)["$id"].(string)
	if err := c.AddResource(id, bytes.NewReader(a.text)); err != nil {
		w.t.Fatal(err)
	}
	s, err := c.Compile(id)
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

func (a answer) isOf(t testing.TB, s *jsonschema.Schema) {
	t.Helper()
	var v any
	a.into(t, &v)
	if err := s.Validate(v); err != nil {
		t.Errorf("%#v", err)
	}
}

func TestAnAppraisalIsMadeOfTheNewestAssessment(t *testing.T) {
	t.Parallel()
	w := open(t)
	s := w.compiled("appraisal")
	w.get("/v1/vehicles/marrick-tern-01/appraisal").problem(t, http.StatusNotFound, "not-found")
	data, err := fs.ReadFile(schema.FS, "demo/marrick-tern-01.1.json")
	if err != nil {
		t.Fatal(err)
	}
	w.posted(data)
	a := w.get("/v1/vehicles/marrick-tern-01/appraisal")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "application/json", "Cache-Control", "private, no-cache", "Vary", "Accept")
	a.isOf(t, s)
	one := a.object(t)
	newest := w.get("/v1/vehicles/marrick-tern-01").object(t)["newest"].(object)["id"]
	whole := w.get("/v1/assessments/" + newest.(string)).object(t)
	gates := whole["gates"].([]any)
	last := gates[len(gates)-1].(object)
	if one["assessment"] != newest || one["gate"] != whole["verdict"].(object)["gate"] || one["newer_report_waiting"] != false {
		t.Errorf("answer %.300s", a.text)
	}
	if harm := one["risk"].(object)["chance_of_harm"].(float64); harm < 0.1 || math.Abs(harm+last["chance_through"].(float64)-1) > 1e-9 {
		t.Errorf("harm %v, through %v", harm, last["chance_through"])
	}
	w.get("/v1/vehicles/marrick-tern-01/appraisal?gate=crank").isOf(t, s)
	if got := w.get("/v1/vehicles/marrick-tern-01/appraisal?gate=crank").object(t)["unknown"].(object)["gate"]; got != "crank" {
		t.Errorf("unknown at %v", got)
	}
	w.get("/v1/vehicles/marrick-tern-01/appraisal?gate=polish").problem(t, http.StatusBadRequest, "no-such-gate", "crank")
	w.get("/v1/vehicles/marrick-tern-01/appraisal", "If-None-Match: "+a.Header.Get("ETag")).is(t, http.StatusNotModified)

	w.queue.holiday.Store(true)
	w.post("/v1/reports", data).is(t, http.StatusAccepted)
	if got := w.get("/v1/vehicles/marrick-tern-01/appraisal").object(t); got["newer_report_waiting"] != true || got["assessment"] != newest {
		t.Errorf("waiting %v, made of %v", got["newer_report_waiting"], got["assessment"])
	}
	w.accept("tern-02")
	w.get("/v1/vehicles/tern-02/appraisal").problem(t, http.StatusConflict, "not-assessed-yet")
}

func TestAnAppraisalAsATable(t *testing.T) {
	t.Parallel()
	w := open(t)
	report := strings.Replace(string(tern(t, "tern-01")), `"reference": "tern-01",`, `"reference": "tern-01", "vin": "=HYPERLINK(1)",`, 1)
	if !strings.Contains(report, "HYPERLINK") {
		t.Fatal("the report has no such VIN")
	}
	w.posted([]byte(report))
	a := w.get("/v1/vehicles/tern-01/appraisal?format=csv")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "text/csv; charset=utf-8; header=present", "Content-Disposition", `attachment; filename="appraisal-tern-01.csv"`)
	rows, err := csv.NewReader(bytes.NewReader(a.text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	sections := map[string]int{}
	for _, r := range rows[1:] {
		sections[r[0]]++
		for _, cell := range r {
			if strings.HasPrefix(cell, "=") {
				t.Errorf("a formula: %s", cell)
			}
		}
	}
	if sections["gate"] != 6 || sections["hazard"] < 50 || sections["vin"] != 1 || sections["risk"] != 5 {
		t.Errorf("sections %v", sections)
	}
}

func TestVehiclesSideBySide(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.demo()
	w.queue.holiday.Store(true)
	w.accept("tern-02")
	const all = "/v1/appraisals?vehicle=nobody&vehicle=tern-02&vehicle=marrick-tern-01&vehicle=%3D1%2B1&vehicle=corvane-dale-07&vehicle=brennick-wren-03"
	a := w.get(all)
	a.is(t, http.StatusOK)
	a.isOf(t, w.compiled("appraisals"))
	body := a.object(t)
	names := func(body object) (list []string) {
		for _, v := range body["vehicles"].([]any) {
			list = append(list, v.(object)["vehicle"].(string)+" "+v.(object)["state"].(string))
		}
		return list
	}
	want := []string{"brennick-wren-03 appraised", "corvane-dale-07 appraised", "marrick-tern-01 appraised", "nobody unknown", "tern-02 not_assessed", "=1+1 unknown"}
	if got := names(body); !slices.Equal(got, want) || body["gate"] != "first_start" || body["sort"] != "chance" {
		t.Errorf("rows %v by %v", got, body["sort"])
	}
	chance := 1.0
	for i, v := range body["vehicles"].([]any) {
		f, there := v.(object)["figures"].(object)
		if there != (i < 3) || v.(object)["because"] == "" {
			t.Fatalf("%v", v)
		}
		if there {
			if now := f["chance_through"].(float64); now > chance {
				t.Errorf("%v comes after %v", now, chance)
			} else {
				chance = now
			}
			one := w.get(f["link"].(string) + "?gate=first_start").object(t)
			if one["risk"].(object)["chance_of_harm"] != f["chance_of_harm"] || one["unknown"].(object)["minutes"] != f["unknown_minutes"] {
				t.Errorf("the row is not what its link says: %v", v)
			}
		}
	}
	if c := body["cautions"].([]any); len(c) != 1 || !strings.Contains(c[0].(string), "Of 3 of them there are no figures") {
		t.Errorf("cautions %v", c)
	}
	if got := names(w.get(all + "&sort=asked").object(t)); got[0] != "nobody unknown" {
		t.Errorf("as asked: %v", got)
	}
	for _, sort := range []string{"harm", "condition", "known", "minutes"} {
		if got := names(w.get(all + "&sort=" + sort).object(t)); !slices.Equal(slices.Sorted(slices.Values(got[:3])), want[:3]) {
			t.Errorf("by %s: %v", sort, got)
		}
	}
	table := w.get(all, "Accept: text/csv")
	rows, err := csv.NewReader(bytes.NewReader(table.text)).ReadAll()
	if err != nil || len(rows) != 7 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if rows[6][0] != "'=1+1" || rows[1][0] != "brennick-wren-03" {
		t.Errorf("rows %v", rows)
	}
	for query, words := range map[string]string{
		"":                                "2 to 50",
		"?vehicle=a":                      "2 to 50",
		"?vehicle=a&vehicle=a":            "twice",
		"?vehicle=a&vehicle=b&sort=price": "chance, harm",
		"?vehicle=a&vehicle=":             "empty",
		"?vehicle=a&vehicle=b&sort=harm&sort=known":     "2 times",
		"?vehicle=x" + strings.Repeat("&vehicle=y", 50): "51 came",
		"?vehicle=a&vehicle=b&vehicles=c":               "vehicle, gate, sort, format",
	} {
		w.get("/v1/appraisals"+query).problem(t, http.StatusBadRequest, "bad-query", words)
	}
	// Of a gate that no rule set has, every row says so.
	for _, v := range w.get("/v1/appraisals?vehicle=marrick-tern-01&vehicle=corvane-dale-07&gate=polish").object(t)["vehicles"].([]any) {
		if v.(object)["state"] != "cannot_be_appraised" || !strings.Contains(v.(object)["because"].(string), "no gate polish") {
			t.Errorf("%v", v)
		}
	}
}

// An appraisal is made under the rule set of its assessment, be it one that somebody published.
func TestAnAppraisalUnderARuleSetOfOnesOwn(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.keep(access.Workshop, yard)
	w.post("/v1/reports?rule_set=brennick-yard", tern(t, "tern-01")).is(t, http.StatusAccepted)
	w.posted(tern(t, "tern-02"))
	a := w.get("/v1/vehicles/tern-01/appraisal")
	a.is(t, http.StatusOK)
	a.isOf(t, w.compiled("appraisal"))
	if set := a.object(t)["rule_set"].(object)["name"]; set != "brennick-yard" {
		t.Errorf("made under %v", set)
	}
	cautions := w.get("/v1/appraisals?vehicle=tern-01&vehicle=tern-02").object(t)["cautions"].([]any)
	if len(cautions) != 1 || !strings.Contains(cautions[0].(string), "different rule sets") {
		t.Errorf("cautions %v", cautions)
	}
}

func TestThePageBeforeThePurchase(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.demo()
	a := w.get("/vehicles/corvane-dale-07/appraisal?gate=road_test")
	a.is(t, http.StatusOK)
	one := w.get("/v1/vehicles/corvane-dale-07/appraisal?gate=road_test").object(t)
	var risk struct{ Risk appraisal.CarriedRisk }
	w.get("/v1/vehicles/corvane-dale-07/appraisal?gate=road_test").into(t, &risk)
	r := risk.Risk
	harm := wording.English().Chance(r.ChanceOfHarm, r.ChanceOfHarmLow, r.ChanceOfHarmHigh)
	page := strings.ReplaceAll(string(a.text), "\u00a0", " ")
	for _, want := range []string{
		"Corvane Dale 2.5 D, panel van: before the purchase", "up to road test", harm + "</b>", "nothing is known, estimated from the years alone",
		html.EscapeString(one["unknown"].(object)["because"].(string)[1:]), "/v1/vehicles/corvane-dale-07/appraisal?gate=road_test&amp;format=csv",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %s", want)
		}
	}
	for _, path := range []string{"/vehicles/corvane-dale-07", "/compare?vehicle=corvane-dale-07&vehicle=marrick-tern-01"} {
		if !strings.Contains(string(w.get(path).text), `href="/vehicles/corvane-dale-07/appraisal`) {
			t.Errorf("%s does not lead to it", path)
		}
	}
	w.queue.holiday.Store(true)
	w.accept("tern-02")
	w.get("/vehicles/tern-02/appraisal").has(t, "Location", "/vehicles/tern-02")
	w.get("/vehicles/nobody/appraisal").is(t, http.StatusNotFound)
}

func TestSchemasHaveStableNames(t *testing.T) {
	t.Parallel()
	w := open(t)
	list := w.get("/v1/schemas")
	list.is(t, http.StatusOK)
	got := map[string]string{}
	for _, s := range list.object(t)["schemas"].([]any) {
		one := s.(object)
		a := w.get(one["link"].(string))
		a.is(t, http.StatusOK)
		a.has(t, "Content-Type", "application/schema+json", "Cache-Control", "public, max-age=3600, must-revalidate")
		if a.object(t)["$id"] != one["id"] || one["title"] == "" {
			t.Errorf("%v has the $id %v", one, a.object(t)["$id"])
		}
		got[one["name"].(string)] = one["id"].(string)
	}
	want := map[string]string{"report": "urn:laidup:report:1", "assessment": "urn:laidup:assessment:2", "appraisal": "urn:laidup:appraisal:2", "appraisals": "urn:laidup:appraisals:2", "plan": "urn:laidup:plan:1", "rule_set": "urn:laidup:rule_set:2"}
	if !maps.Equal(got, want) {
		t.Errorf("schemas %v", got)
	}
	w.get("/v1/schemas/receipt").problem(t, http.StatusNotFound, "not-found", "appraisal, appraisals, assessment, plan, report, rule_set")
}

// What is served is what the schemas say, in every state of an assessment.
func TestWhatIsServedIsAsItsSchemaSays(t *testing.T) {
	t.Parallel()
	w := open(t)
	assessment := w.compiled("assessment")
	w.get("/v1/rule_sets/first-start/2.0.0").isOf(t, w.compiled("rule_set"))
	w.queue.holiday.Store(true)
	id := w.accept("tern-01")
	w.get("/v1/assessments/"+id).isOf(t, assessment) // queued
	if err := w.store.Fail(t.Context(), id, []byte(`{"title":"Given up","detail":"no worker finished"}`), time.Now()); err != nil {
		t.Fatal(err)
	}
	w.get("/v1/assessments/"+id).isOf(t, assessment)
	w.queue.holiday.Store(false)
	w.get("/v1/assessments/"+w.assess("tern-02")).isOf(t, assessment)
}

func TestARouteOnItsWayOutSaysSo(t *testing.T) {
	// Not in parallel: it makes a row up.
	defer api.Deprecate("GET /v1/catalogue", api.Deprecation{
		Since: time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC), Sunset: time.Date(2027, 11, 5, 8, 0, 0, 0, time.FixedZone("", 3600)), Link: "https://laidup.example/versions#catalogue",
	})()
	w := open(t)
	says := []string{"Deprecation", "@1777680000", "Sunset", "Fri, 05 Nov 2027 07:00:00 GMT", "Link", `<https://laidup.example/versions#catalogue>; rel="deprecation"`}
	w.get("/v1/catalogue").has(t, says...)
	w.do(http.MethodHead, "/v1/catalogue", nil).has(t, says...)
	bad := w.get("/v1/catalogue?x=1")
	bad.is(t, http.StatusBadRequest)
	bad.has(t, says...)
	if h := w.get("/v1/schemas").Header; h.Get("Deprecation") != "" || h.Get("Sunset") != "" {
		t.Error("a route that stays says that it goes")
	}
	for _, r := range w.api.Routes() {
		if (r.Deprecated != nil) != (r.Path == "/v1/catalogue") {
			t.Errorf("%s is listed as %+v", r.Path, r.Deprecated)
		}
	}
}

// What docs/versions.md promises of a route on its way out.
func TestDeprecationsKeepWhatIsPromised(t *testing.T) {
	routes := map[string]bool{}
	for _, r := range open(t).api.Routes() {
		routes[r.Method+" "+r.Path] = true
	}
	for route, d := range api.Deprecations() {
		if !routes[route] {
			t.Errorf("there is no route %s", route)
		}
		if d.Sunset.Before(d.Since.AddDate(1, 0, 0)) || d.Link == "" {
			t.Errorf("%s: %+v", route, d)
		}
	}
}
