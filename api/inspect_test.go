package api_test

import (
	"bytes"
	"encoding/json"
	"html"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"laidup/api"
	"laidup/internal/access"
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
	Usual   map[string]string
	Units   map[string][]string
	Signs   map[string]string
	Facts   []formField
	Common  []formField
	Systems []struct {
		ID    string
		Items []struct {
			ID, Access string
			Fitted     *struct {
				By []int
				Is string
			}
			Finds []formField
		}
	}
	Gates []struct{ ID string }
	Asks  string
}

type formField struct {
	ID, Is, In, Kind, Unit, Usual string
	Values                        []string
	Bounds                        map[string][2]float64
}

func (f formField) answers() []string {
	if f.Kind == "flag" {
		return []string{"false", "true"}
	}
	return f.Values
}

func formOf(t testing.TB) formFile {
	t.Helper()
	var f formFile
	if err := json.Unmarshal(api.FormOf(builtIn(t)), &f); err != nil {
		t.Fatal(err)
	}
	return f
}

// mayHave is the decision as the script makes it: by the values of facts in words, of which those
// not known are left out.
func mayHave(by []int, is string, facts []formField, known map[string]string) bool {
	way := 0
	for _, i := range by {
		values := facts[i].answers()
		at := slices.Index(values, known[facts[i].ID])
		if at < 0 {
			at = len(values)
		}
		way = way*(len(values)+1) + at
	}
	return is[way] == '1'
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
func agree(t *testing.T, cat *catalogue.Catalogue, it *catalogue.Item, by []int, is string, facts []formField) {
	t.Helper()
	var read []formField
	for _, i := range by {
		read = append(read, facts[i])
	}
	ways := 0
	known := map[string]string{}
	everyWay(read, known, func() {
		ways++
		frame := make(condition.Frame, cat.Size)
		for i := range frame {
			frame[i] = condition.Unset
		}
		for _, f := range cat.Facts {
			if v, ok := known[f.ID]; ok {
				frame[f.Slot] = float64(slices.Index(f.Values, v))
			}
		}
		if got, want := mayHave(by, is, facts, known), it.AppliesTo(frame); got != want {
			t.Errorf("%s (%s) with %v: the form says %v, the condition %v", it.ID, it.Applies.Source(), known, got, want)
		}
	})
	if ways != len(is) {
		t.Errorf("%s: %d combinations, %d answers", it.ID, ways, len(is))
	}
}

func TestTheFormShowsWhatTheConditionsSay(t *testing.T) {
	t.Parallel()
	cat, form := builtIn(t).Catalogue, formOf(t)
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
			agree(t, cat, it, item.Fitted.By, item.Fitted.Is, form.Facts)
		}
	}
	if decided < 30 {
		t.Errorf("only %d items were looked at", decided)
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
		`hybrid == ac.fitted`:     true,
		`cylinders > 4`:           false,
		`hybrid || cylinders > 4`: false,
		`years_laid_up > 3`:       false,
	} {
		doc := catalogue.Document{
			Methods: []catalogue.Method{{ID: "seen", Is: "seen", Credence: 0.9}},
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
		by, is := api.FittedBy(cat, it)
		if (by != nil) != spelt {
			t.Errorf("%s: spelt out %v", source, by != nil)
		}
		if by != nil {
			agree(t, cat, it, by, is, facts)
		}
	}
}

func TestTheFormHasTheWholeCatalogue(t *testing.T) {
	t.Parallel()
	set, form := builtIn(t), formOf(t)
	cat := set.Catalogue
	if form.Schema != report.SchemaName || len(form.Methods) != len(cat.Methods) || len(form.Facts) != len(cat.Facts) || len(form.Gates) != len(set.Gates) || form.Asks != "first_start" {
		t.Errorf("the form has %d methods, %d facts, %d gates and asks %q", len(form.Methods), len(form.Facts), len(form.Gates), form.Asks)
	}
	hold := func(f formField, want *catalogue.Finding) {
		if want == nil || f.Kind != string(want.Kind) || f.Is != want.Is {
			t.Fatalf("field %+v", f)
		}
		method := f.Usual
		if method == "" {
			method = form.Usual[f.Kind]
		}
		if cat.Method([]byte(method)) < 0 || method == "tested" {
			t.Errorf("%s begins with the method %q", f.ID, method)
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
	if !bytes.Equal(file.text, api.FormOf(builtIn(t))) || len(file.text) > 100_000 {
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
	cat := builtIn(t).Catalogue
	for _, text := range data["clear"] {
		var clears []struct {
			Item  string
			Found map[string]any
		}
		if err := json.Unmarshal([]byte(text), &clears); err != nil {
			t.Fatal(err)
		}
		for _, c := range clears {
			for id := range c.Found {
				if it := cat.Item(c.Item); it == nil || it.Find(id) == nil {
					t.Errorf("%s %s is not in the catalogue", c.Item, id)
				}
			}
		}
	}
	// What the form leaves out is what a report may not speak of.
	body, _, faults := report.Decode(posted, cat)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	frame := make(condition.Frame, cat.Size)
	for i := range frame {
		frame[i] = condition.Unset
	}
	for _, v := range body.Facts {
		frame[v.Finding.Slot] = v.Number
	}
	absent := strings.Fields(data["absent"][0])
	for _, it := range cat.Items {
		if slices.Contains(absent, it.ID) == it.AppliesTo(frame) {
			t.Errorf("%s: left out %v", it.ID, slices.Contains(absent, it.ID))
		}
	}
	if len(absent) == 0 {
		t.Error("nothing is left out")
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
