package api_test

import (
	"bytes"
	"cmp"
	"encoding/json"
	"html"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/builtin"
	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/quantity"
	"laidup/internal/report"
	"laidup/schema"
)

// formFile is what the form's script reads.
type formFile struct {
	Schema  string
	Methods []struct{ ID, Is string }
	Ways    map[string]struct{ Known, Clear []string }
	Units   map[string][]string
	Signs   map[string]string
	Facts   []formField
	Common  []formField
	Systems []struct {
		ID    string
		Items []struct {
			ID, Access string
			Fitted     *decision
			Finds      []formField
		}
	}
	Gates []struct{ ID string }
	Asks  string
}

type formField struct {
	ID, Is, In, Kind, Unit, Ways string
	Values                       []string
	Bounds                       map[string][2]float64
	Taken                        []struct {
		Is, Reported string
		When         *decision
	}
}

// decision is a condition as the script reads it.
type decision struct {
	Start int
	Steps []struct {
		Of       int
		Cuts, To []int
	}
}

// holds follows the steps as the script does, by the values of facts in words, of which those not known
// are left out.
func (d *decision) holds(facts []formField, known map[string]string) bool {
	at := d.Start
	for at > 1 {
		s := d.Steps[at-2]
		f := facts[s.Of]
		value, there := known[f.ID]
		way := len(s.To) - 1
		if year, err := strconv.Atoi(strings.Split(value, "-")[0]); there && f.Kind == "date" && err == nil {
			way = 0
			for _, cut := range s.Cuts {
				if year >= cut {
					way++
				}
			}
		} else if there && f.Kind != "date" {
			way = slices.Index(f.answers(), value)
		}
		at = s.To[way]
	}
	return at == 1
}

func (f formField) answers() []string {
	switch f.Kind {
	case "flag":
		return []string{"false", "true"}
	case "date":
		return []string{"1890", "1949", "1950-01-01", "1954", "1955", "1969-12-31", "1970", "1974", "1975", "1984", "1985", "1996", "1997", "2026-05-02"}
	}
	return f.Values
}

func formOf(t testing.TB) formFile {
	t.Helper()
	var f formFile
	if err := json.Unmarshal(api.FormOf(builtin.FirstStart()), &f); err != nil {
		t.Fatal(err)
	}
	return f
}

// everyWay calls do with every combination of values of the facts, and not known among them.
func everyWay(facts []formField, known map[string]string, do func()) {
	if len(facts) == 0 {
		do()
		return
	}
	for _, v := range append([]string{""}, facts[0].answers()...) {
		delete(known, facts[0].ID)
		if v != "" {
			known[facts[0].ID] = v
		}
		everyWay(facts[1:], known, do)
	}
}

// agree holds the browser's decision against the condition for every combination of facts.
func agree(t *testing.T, cat *catalogue.Catalogue, what string, d *decision, facts []formField, cond *condition.Condition, answer func(condition.Frame) bool) {
	t.Helper()
	var read []formField
	for _, slot := range cond.Reads() {
		read = append(read, facts[slices.Index(cat.Facts, cat.Owner(slot))])
	}
	frame := make(condition.Frame, cat.Size)
	known := map[string]string{}
	everyWay(read, known, func() {
		for i := range frame {
			frame[i] = condition.Unset
		}
		for _, f := range cat.Facts {
			if v, ok := known[f.ID]; ok && f.Kind == catalogue.Date {
				date, err := calendar.Parse(v)
				if err != nil {
					t.Fatal(err)
				}
				frame[f.Slot] = float64(date.Earliest())
			} else if ok {
				frame[f.Slot] = float64(slices.Index(f.Values, v))
			}
		}
		if got, want := d.holds(facts, known), answer(frame); got != want {
			t.Errorf("%s (%s) with %v: the form says %v, the condition %v", what, cond.Source(), known, got, want)
		}
	})
}

func TestTheFormShowsWhatTheConditionsSay(t *testing.T) {
	t.Parallel()
	cat, form := builtin.FirstStart().Catalogue, formOf(t)
	decided := 0
	for _, s := range form.Systems {
		for _, item := range s.Items {
			it := cat.Item(item.ID)
			if it.Applies == nil {
				if item.Fitted != nil {
					t.Errorf("%s is on every vehicle", item.ID)
				}
				continue
			}
			if item.Fitted == nil {
				t.Errorf("%s: %s is not spelt out", item.ID, it.Applies.Source())
				continue
			}
			decided++
			agree(t, cat, item.ID, item.Fitted, form.Facts, it.Applies, it.AppliesTo)
		}
	}
	if decided < 30 {
		t.Errorf("only %d items were looked at", decided)
	}
	for i, f := range form.Facts {
		fact := cat.Facts[i]
		if len(f.Taken) != len(fact.Taken) {
			t.Errorf("%s is taken for %d values, and in the form for %d", f.ID, len(fact.Taken), len(f.Taken))
			continue
		}
		for k := range f.Taken {
			when := fact.Taken[k].When
			if when == nil {
				item := ""
				if fact.Taken[k].Reported != nil {
					item = fact.Taken[k].Reported.ID
				}
				if f.Taken[k].When != nil || f.Taken[k].Reported != item {
					t.Errorf("%s: %+v", f.ID, f.Taken[k])
				}
				continue
			}
			agree(t, cat, f.ID, f.Taken[k].When, form.Facts, when, func(facts condition.Frame) bool { return when.Holds(facts) == condition.True })
		}
	}
}

func TestTheFormShowsWhatAnyConditionSays(t *testing.T) {
	t.Parallel()
	facts := []formField{
		{ID: "fuel", Kind: "choice", Values: []string{"petrol", "diesel", "lpg"}},
		{ID: "drive", Kind: "choice", Values: []string{"belt", "chain"}},
		{ID: "hybrid", Kind: "flag"}, {ID: "ac.fitted", Kind: "flag"},
		{ID: "built", Kind: "date"}, {ID: "last_ran", Kind: "date"}, {ID: "cylinders", Kind: "count"},
	}
	for source, spelt := range map[string]bool{
		`true`:                                true,
		`hybrid`:                              true,
		`!hybrid`:                             true,
		`fuel == "petrol"`:                    true,
		`fuel != "petrol"`:                    true,
		`fuel in ["petrol", "lpg"]`:           true,
		`!(fuel in ["petrol", "lpg"])`:        true,
		`fuel == "unknown"`:                   true,
		`fuel != "unknown" && hybrid`:         true,
		`fuel == "petrol" && drive == "belt"`: true,
		`fuel == "petrol" || drive == "belt"`: true,
		`!(fuel == "petrol" && drive != "belt") || hybrid && !ac.fitted`: true,
		`hybrid ? fuel == "petrol" : drive == "chain"`:                   true,
		`hybrid == ac.fitted`:                                                true,
		`cylinders > 4`:                                                      false,
		`hybrid || cylinders > 4`:                                            false,
		`years_laid_up > 3`:                                                  false,
		`year_of(built) >= 1985.0 || hybrid`:                                 true,
		`year_of(built) < 1970.0 && fuel == "diesel"`:                        true,
		`year_of(built) >= 1955.0 && year_of(last_ran) < 1997.0`:             true,
		`year_of(built) >= 1955.0 && year_of(last_ran) > 1 && cylinders > 4`: false,
	} {
		doc := catalogue.Document{
			Methods: []catalogue.Method{{ID: "seen", Is: "seen", Alarms: 0.9, Reassures: 0.86, AtMost: 20}},
			Systems: []catalogue.SystemForm{{ID: "all", Items: []catalogue.ItemForm{{ID: "part", Applies: source, Access: "none", Finds: []catalogue.FindingForm{{ID: "bad", Kind: catalogue.Flag}}}}}},
		}
		for _, f := range facts {
			form := catalogue.FindingForm{ID: f.ID, In: "vehicle", Kind: catalogue.Kind(f.Kind), Values: f.Values}
			if f.ID == "last_ran" {
				form.In = "lay_up"
			}
			doc.Facts = append(doc.Facts, form)
		}
		cat, faults := catalogue.New(doc)
		if len(faults) > 0 {
			t.Fatal(source, faults)
		}
		it := cat.Item("part")
		var d *decision
		if err := json.Unmarshal(api.FittedBy(cat, it), &d); err != nil {
			t.Fatal(err)
		}
		if (d != nil) != spelt {
			t.Errorf("%s: spelt out %v", source, d != nil)
		}
		if d != nil {
			agree(t, cat, source, d, facts, it.Applies, it.AppliesTo)
		}
	}
}

func TestTheFormHasTheWholeCatalogue(t *testing.T) {
	t.Parallel()
	set, form := builtin.FirstStart(), formOf(t)
	cat := set.Catalogue
	if form.Schema != report.SchemaName || len(form.Methods) != len(cat.Methods) || len(form.Facts) != len(cat.Facts) || len(form.Gates) != len(set.Gates) || form.Asks != "first_start" {
		t.Errorf("the form has %d methods, %d facts, %d gates and asks %q", len(form.Methods), len(form.Facts), len(form.Gates), form.Asks)
	}
	hold := func(f formField, want *catalogue.Finding) {
		if want == nil || f.Kind != string(want.Kind) || f.Is != want.Is {
			t.Fatalf("field %+v", f)
		}
		by := form.Ways[cmp.Or(f.Ways, f.Kind)]
		if len(by.Clear) == 0 || slices.ContainsFunc(by.Known, func(id string) bool { return cat.Method([]byte(id)) < 0 }) ||
			slices.ContainsFunc(by.Clear, func(id string) bool { return !slices.Contains(by.Known, id) }) {
			t.Errorf("%s may be known by %v", f.ID, by)
		}
		if want.Kind != catalogue.Quantity {
			return
		}
		units := form.Units[f.Unit]
		if len(units) == 0 {
			t.Errorf("%s has no units", f.ID)
		}
		for _, u := range units {
			b, ok := want.Bounds([]byte(u))
			unit, _ := quantity.Lookup(u)
			if !ok || f.Bounds[u] != [2]float64{b.Min, b.Max} || form.Signs[u] != unit.Sign || unit.Sign == "" {
				t.Errorf("%s in %s: %v, sign %q", f.ID, u, f.Bounds[u], form.Signs[u])
			}
		}
	}
	for i, f := range form.Facts {
		hold(f, cat.Facts[i])
	}
	items := 0
	for _, s := range form.Systems {
		for _, it := range s.Items {
			want := cat.Item(it.ID)
			if want == nil || len(it.Finds)+len(form.Common) != len(want.Finds) {
				t.Fatalf("item %+v", it)
			}
			for _, f := range slices.Concat(it.Finds, form.Common) {
				hold(f, want.Find(f.ID))
			}
			items++
		}
	}
	if items != len(cat.Items) {
		t.Errorf("%d of %d items", items, len(cat.Items))
	}
}

// What clears a blocker is known in a way that fits it.
func TestTheFormOffersMethodsThatFit(t *testing.T) {
	t.Parallel()
	form := formOf(t)
	fields := map[string]formField{}
	for _, s := range form.Systems {
		for _, it := range s.Items {
			for _, f := range slices.Concat(it.Finds, form.Common) {
				fields[it.ID+" "+f.ID] = f
			}
		}
	}
	look := "seen felt tested measured documented told"
	for finding, want := range map[string][2]string{ // in any case, and to clear
		"oil_pressure on_crank":         {"measured tested documented told", "measured tested documented"},
		"brake_pedal reserve":           {"measured tested documented told", "measured tested documented"},
		"crankshaft turns_done":         {"measured tested documented told", "measured tested documented"},
		"engine_oil level":              {look, look},
		"timing_belt cracked":           {look, look},
		"timing_marks aligned":          {look, look},
		"second_person present":         {look, look},
		"brake_hoses judged":            {look, look},
		"timing_belt renewed":           {"seen documented tested told", "seen documented tested told"},
		"timing_belt age":               {"documented seen told", "documented seen told"},
		"timing_belt run_since_renewed": {"documented seen told", "documented seen told"},
		"tyres week_code":               {"seen documented told", "seen documented told"},
		"high_voltage record":           {"documented seen told", "documented seen told"},
		"fuel_leak_test held":           {"tested documented told", "tested documented"},
		"oil_pressure primed":           {"tested documented told", "tested documented"},
		"parking_brake holds":           {"tested documented told", "tested documented"},
		"engine_stop works":             {"tested documented told", "tested documented"},
		"gear_selection selects_all":    {"tested documented told", "tested documented"},
	} {
		f, ok := fields[finding]
		by := form.Ways[cmp.Or(f.Ways, f.Kind)]
		if got := [2]string{strings.Join(by.Known, " "), strings.Join(by.Clear, " ")}; !ok || got != want {
			t.Errorf("%s may be known by %q, want %q", finding, got, want)
		}
	}
}

var inlineScript = regexp.MustCompile(`<script(?: type="application/json" id="\w+"| src="/assets/[\w.-]+" defer)>`)

// clean holds a page against what every page keeps to.
func clean(t *testing.T, a answer) string {
	t.Helper()
	a.is(t, http.StatusOK)
	page := string(a.text)
	if len(page) > 100_000 {
		t.Errorf("the page has %d bytes", len(page))
	}
	if n := strings.Count(page, "<script"); n != len(inlineScript.FindAllString(page, -1)) {
		t.Errorf("of %d scripts some are written into the page, which its policy forbids", n)
	}
	if strings.Contains(page, " style=") || strings.Contains(page, "<style") || regexp.MustCompile(` on\w+="`).MatchString(page) {
		t.Error("styles or handlers are written into the page, which its policy forbids")
	}
	if !strings.Contains(page, "data-scriptless") || !strings.Contains(page, "/v1/reports") {
		t.Error("without scripts nothing is said")
	}
	return page
}

// A browser takes the headers of a 304 for those of the page that it kept, its policy among them.
func TestAPageThatIsStillGoodKeepsItsPolicy(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.post("/v1/reports", tern(t, "tern-01"))
	w.queue.workers.Wait()
	for _, path := range []string{"/vehicles", "/vehicles/tern-01", "/inspect", "/vehicles/tern-01/inspect", "/offline.js"} {
		first := w.get(path)
		again := w.get(path, "If-None-Match: "+first.Header.Get("ETag"))
		again.is(t, http.StatusNotModified)
		for _, name := range []string{"Content-Security-Policy", "Cache-Control", "Referrer-Policy"} {
			if got, want := again.Header.Get(name), first.Header.Get(name); got != want {
				t.Errorf("%s: %s becomes %q, from %q", path, name, got, want)
			}
		}
	}
}

var attribute = regexp.MustCompile(`data-([a-z]+)="([^"]*)"`)

func dataOf(page string) map[string][]string {
	all := map[string][]string{}
	for _, m := range attribute.FindAllStringSubmatch(page, -1) {
		all[m[1]] = append(all[m[1]], html.UnescapeString(m[2]))
	}
	return all
}

func TestTheInspectionForm(t *testing.T) {
	t.Parallel()
	w := open(t)
	page := clean(t, w.get("/inspect"))
	data := dataOf(page)
	if data["inspect"][0] != access.Workshop || data["vehicle"][0] != "" || data["absent"][0] != "" || len(data["clear"]) != 0 {
		t.Errorf("data %v", data)
	}
	file := w.get(data["catalogue"][0])
	file.is(t, http.StatusOK)
	file.has(t, "Content-Type", "application/json", "Cache-Control", "public, max-age=31536000, immutable")
	if !bytes.Equal(file.text, api.FormOf(builtin.FirstStart())) || len(file.text) > 100_000 {
		t.Errorf("the catalogue of the form has %d bytes", len(file.text))
	}
}

func TestAFollowUpBeginsWithWhatIsInTheWay(t *testing.T) {
	t.Parallel()
	w := open(t)
	posted, err := fs.ReadFile(schema.FS, "demo/marrick-tern-01.1.json")
	if err != nil {
		t.Fatal(err)
	}
	posted = bytes.Replace(posted, []byte("marrick-tern-01"), []byte("tern-01"), 1)
	w.post("/v1/reports", posted).is(t, http.StatusAccepted)
	w.queue.workers.Wait()
	page := clean(t, w.get("/vehicles/tern-01/inspect?gate=road_test"))
	data := dataOf(page)
	var want struct {
		Blockers []struct {
			ClearBy json.RawMessage `json:"clear_by"`
		}
	}
	w.get("/v1/vehicles/tern-01/readiness?gate=road_test").into(t, &want)
	if len(data["clear"]) != len(want.Blockers) || len(want.Blockers) == 0 || data["gate"][0] != "road_test" || data["vehicle"][0] != "tern-01" {
		t.Fatalf("%d blockers, %d on the page, %v", len(want.Blockers), len(data["clear"]), data)
	}
	cat := builtin.FirstStart().Catalogue
	for _, text := range data["clear"] {
		var clears []struct {
			Item, Fact string
			At         []string
			Found      map[string]any
		}
		if err := json.Unmarshal([]byte(text), &clears); err != nil {
			t.Fatal(err)
		}
		for _, c := range clears {
			if c.Fact != "" {
				continue
			}
			it := cat.Item(c.Item)
			for id := range c.Found {
				if it == nil || it.Find(id) == nil {
					t.Errorf("%s %s is not in the catalogue", c.Item, id)
				}
			}
			for _, p := range c.At {
				if it == nil || it.PositionBytes([]byte(p)) < 0 {
					t.Errorf("%s is nowhere at %s", c.Item, p)
				}
			}
		}
	}
	// What the form leaves out is what a report may not speak of.
	body, _, faults := report.Decode(posted, cat)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	frame := report.Lay([]*report.Report{body}, cat, builtin.FirstStart().ProofCredence).Frame
	absent := strings.Fields(data["absent"][0])
	for _, it := range cat.Items {
		if slices.Contains(absent, it.ID) == it.AppliesTo(frame) {
			t.Errorf("%s: left out %v", it.ID, slices.Contains(absent, it.ID))
		}
	}
	if len(absent) == 0 {
		t.Error("nothing is left out")
	}
	var places map[string][]string
	if err := json.Unmarshal([]byte(data["places"][0]), &places); err != nil || len(places["spark_plugs"]) != 4 || places["spark_plugs"][3] != "cylinder_4" {
		t.Errorf("spark plugs at %v (%v)", places["spark_plugs"], err)
	}
	// Without a gate it is the one that was asked about.
	if data := dataOf(clean(t, w.get("/vehicles/tern-01/inspect"))); data["gate"][0] != "first_start" {
		t.Errorf("gate %v", data["gate"])
	}
	html := "Accept: text/html"
	if a := w.get("/vehicles/tern-01/inspect?gate=flying", html); a.StatusCode != http.StatusBadRequest || !bytes.Contains(a.text, []byte("first_start")) {
		t.Errorf("%d %s", a.StatusCode, a.text)
	}
	w.get("/vehicles/nobody/inspect", html).is(t, http.StatusNotFound)
}

func TestAFollowUpOfWhatNobodyLookedAt(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.post("/v1/reports", []byte(`{"schema":"laidup.report/1","vehicle":{"reference":"bare-01"},"inspection":{"date":"2026-05-02"},"observations":[]}`))
	w.queue.workers.Wait()
	page := clean(t, w.get("/vehicles/bare-01/inspect?gate=road_test"))
	if n := len(dataOf(page)["clear"]); n < 30 {
		t.Errorf("only %d things are in the way", n)
	}
	t.Logf("%d bytes", len(page))

	w.queue.holiday.Store(true)
	w.post("/v1/reports", tern(t, "waiting-01"))
	page = clean(t, w.get("/vehicles/waiting-01/inspect"))
	if data := dataOf(page); len(data["clear"]) != 0 || data["vehicle"][0] != "waiting-01" {
		t.Errorf("data %v", data)
	}
}

func TestTheFormIsForWhoMayReport(t *testing.T) {
	t.Parallel()
	w := closed(t)
	html := "Accept: text/html"
	for _, path := range []string{"/inspect", "/vehicles/tern-01/inspect"} {
		w.get(path, html, w.key("brennick-motors", access.Read)).is(t, http.StatusForbidden)
		w.get(path, html).is(t, http.StatusSeeOther)
	}
	page := clean(t, w.get("/inspect", html, w.key("brennick-motors", access.PostReports)))
	if got := dataOf(page)["inspect"][0]; got != "brennick-motors" {
		t.Errorf("the phone keeps reports for %q", got)
	}
}

func TestTheServiceWorker(t *testing.T) {
	t.Parallel()
	w := open(t)
	a := w.get("/offline.js")
	a.is(t, http.StatusOK)
	a.has(t, "Content-Type", "text/javascript; charset=utf-8", "Cache-Control", "public, no-cache", "Content-Security-Policy", "default-src 'none'; connect-src 'self'; frame-ancestors 'none'")
	list, _, ok := strings.Cut(strings.TrimPrefix(string(a.text), "const kept = "), ";\n")
	var kept []string
	if err := json.Unmarshal([]byte(list), &kept); !ok || err != nil {
		t.Fatalf("%.200s", a.text)
	}
	for _, path := range kept {
		w.get(path).is(t, http.StatusOK)
	}
	for _, page := range []string{"/inspect"} {
		for _, m := range regexp.MustCompile(`"(/assets/[^"]+)"`).FindAllStringSubmatch(string(w.get(page).text), -1) {
			if !slices.Contains(kept, m[1]) {
				t.Errorf("%s needs %s, which is not kept", page, m[1])
			}
		}
	}
}

// spoken are texts of the script whose keys are put together.
var spoken = []string{
	"state_kept", "state_waiting", "state_sent", "state_accepted", "state_refused", "said_waiting", "said_sent", "job_queued", "job_running", "job_failed",
	"kind_new", "kind_follow_up", "clear", "unproven", "blocked", "date", "inspector", "own", "reference", "description", "vin", "gate", "purpose",
}

func TestTheFormsScriptHasItsTexts(t *testing.T) {
	t.Parallel()
	script, err := os.ReadFile(filepath.Join("pages", "assets", "form.js"))
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join("pages", "text", "en.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var texts map[string]string
	if err := yaml.Unmarshal(data, &texts); err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`\b(say|count|wrong|button)\("(\w+)"[,)]`).FindAllStringSubmatch(string(script), -1) {
		used[m[2]] = true
		text, ok := texts["form_"+m[2]]
		if !ok {
			t.Errorf("the script says %s, for which there is no text", m[2])
		}
		if (m[1] == "count") != strings.Contains(text, " | ") {
			t.Errorf("%s(%q): %q", m[1], m[2], text)
		}
	}
	for _, key := range spoken {
		used[key] = true
		if texts["form_"+key] == "" {
			t.Errorf("there is no text form_%s", key)
		}
	}
	for key := range texts {
		if rest, ok := strings.CutPrefix(key, "form_"); ok && !used[rest] {
			t.Errorf("nothing says %s", key)
		}
	}
	var shown struct{ words map[string]string }
	page := string(open(t).get("/inspect").text)
	_, block, _ := strings.Cut(page, `id="words">`)
	block, _, _ = strings.Cut(block, "</script>")
	if err := json.Unmarshal([]byte(block), &shown.words); err != nil || shown.words["send"] != texts["form_send"] {
		t.Errorf("%.200s: %v", block, err)
	}
}
