package api_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/json"
	"flag"
	"fmt"
	"html"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"
	"unicode/utf16"

	"laidup/api"
	"laidup/api/pages"
	"laidup/internal/access"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"
)

var update = flag.Bool("update", false, "write the golden files anew")

// The demo's reports, in the order in which they are posted.
var demoReports = map[string][]string{
	"marrick-tern-01":  {"marrick-tern-01.1.json"},
	"corvane-dale-07":  {"corvane-dale-07.1.json"},
	"brennick-wren-03": {"brennick-wren-03.1.json", "brennick-wren-03.2.json", "brennick-wren-03.3.json"},
}

var demoVehicles = []string{"marrick-tern-01", "corvane-dale-07", "brennick-wren-03"}

// demo posts the demo's reports and returns the assessments of the vehicles, oldest first.
func (w *workshop) demo() map[string][]string {
	w.t.Helper()
	ids := map[string][]string{}
	for _, v := range demoVehicles {
		for _, name := range demoReports[v] {
			body, err := fs.ReadFile(schema.FS, "demo/"+name)
			if err != nil {
				w.t.Fatal(err)
			}
			ids[v] = append(ids[v], w.posted(body))
		}
	}
	return ids
}

// posted posts a report and returns the id of its assessment, which is finished.
func (w *workshop) posted(body []byte) string {
	w.t.Helper()
	a := w.post("/v1/reports", body)
	a.is(w.t, http.StatusAccepted)
	w.queue.workers.Wait()
	return a.object(w.t)["id"].(string)
}

func (w *workshop) assessment(id string) *score.Assessment {
	w.t.Helper()
	a := w.get("/v1/assessments/" + id)
	a.is(w.t, http.StatusOK)
	var whole score.Assessment
	a.into(w.t, &whole)
	return &whole
}

// sheet is what a sheet says in both forms.
type sheet struct {
	html  string // the source of the article
	lines string // its text, one line for each piece
	pdf   []byte
	pages [][]string // the lines of the pages of the PDF
}

func (w *workshop) sheet(id, query string) sheet {
	w.t.Helper()
	at := "/v1/assessments/" + id + "/sheet?" + query
	page, paper := w.get(at, "Accept: text/html"), w.get(at, "Accept: application/pdf")
	page.is(w.t, http.StatusOK)
	page.has(w.t, "Content-Type", "text/html; charset=utf-8")
	paper.is(w.t, http.StatusOK)
	paper.has(w.t, "Content-Type", "application/pdf")
	s := sheet{pdf: paper.text, pages: pdfPages(w.t, paper.text)}
	_, rest, _ := strings.Cut(string(page.text), "<article")
	_, rest, _ = strings.Cut(rest, ">")
	s.html, _, _ = strings.Cut(rest, "</article>")
	s.lines = htmlText(s.html)
	return s
}

var (
	pdfPage    = regexp.MustCompile(`/Type /Page\n(?s:.*?)/Contents (\d+) 0 R`)
	pdfContent = `\n%s 0 obj\n<</Filter /FlateDecode /Length (\d+)>>\nstream\n`
)

// pdfPages reads the lines of the pages of a PDF, in the order in which they are drawn: enough for
// one whose text is in UTF-16, as ours is.
func pdfPages(t testing.TB, data []byte) (all [][]string) {
	t.Helper()
	for _, page := range pdfPage.FindAllSubmatch(data, -1) {
		at := regexp.MustCompile(fmt.Sprintf(pdfContent, page[1])).FindSubmatchIndex(data)
		if at == nil {
			t.Fatalf("page %s has no content", page[1])
		}
		length, err := strconv.Atoi(string(data[at[2]:at[3]]))
		if err != nil {
			t.Fatal(err)
		}
		r, err := zlib.NewReader(bytes.NewReader(data[at[1] : at[1]+length]))
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, pdfLines(content))
	}
	return all
}

// pdfLines reads what the operator Tj shows.
func pdfLines(content []byte) (lines []string) {
	var text []byte
	inside := false
	for i := 0; i < len(content); i++ {
		switch c := content[i]; {
		case !inside && c == '(':
			inside, text = true, nil
		case !inside:
		case c == '\\':
			i++
			if content[i] == 'r' {
				content[i] = '\r'
			}
			text = append(text, content[i])
		case c == ')':
			inside = false
			if !bytes.HasPrefix(content[i+1:], []byte(" Tj")) {
				continue
			}
			units := make([]uint16, len(text)/2)
			for k := range units {
				units[k] = binary.BigEndian.Uint16(text[2*k:])
			}
			lines = append(lines, string(utf16.Decode(units)))
		default:
			text = append(text, c)
		}
	}
	return lines
}

var (
	tag      = regexp.MustCompile(`<[^>]*>`)
	ordered  = regexp.MustCompile(`(?s)<ol>.*?</ol>`)
	blockEnd = regexp.MustCompile(`</(p|li|h1|h2|tr|div|dt)>|<br>`)
)

// htmlText is what a reader sees of a page, with the numbers of its lists.
func htmlText(source string) string {
	source = ordered.ReplaceAllStringFunc(source, func(list string) string {
		n := 0
		return regexp.MustCompile(`<li>`).ReplaceAllStringFunc(list, func(string) string { n++; return fmt.Sprintf("%d. ", n) })
	})
	source = strings.NewReplacer("\n", " ", `<p class="note">`, "<br>", "</td><td", " | </td><td", "</th><th", " | </th><th").Replace(source)
	source = html.UnescapeString(tag.ReplaceAllString(blockEnd.ReplaceAllString(source, "\n"), ""))
	var lines []string
	for _, line := range strings.Split(source, "\n") {
		if line = strings.Join(strings.Fields(line), " "); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n") + "\n"
}

// squeezed is text without what differs between the forms: spaces, and the bars between cells.
func squeezed(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) || r == '|' {
			return -1
		}
		return r
	}, s)
}

// paper is the text of a PDF without what stands on every page, which is checked.
func (s sheet) paper(t testing.TB) string {
	t.Helper()
	var heads []string
	for _, head := range regexp.MustCompile(`(?s)<thead>.*?</thead>`).FindAllString(s.html, -1) {
		heads = append(heads, squeezed(htmlText(head)))
	}
	foot := squeezed(htmlText(regexp.MustCompile(`<p class="small caveat">.*</p>`).FindString(s.html)))
	var all strings.Builder
	for i, lines := range s.pages {
		if i > 0 {
			if !strings.Contains(lines[0], "as of") {
				t.Errorf("page %d begins with %q", i+1, lines[0])
			}
			lines = lines[1:]
		}
		text, whole := strings.CutSuffix(squeezed(strings.Join(lines, "")), foot+squeezed(fmt.Sprintf("page %d of %d", i+1, len(s.pages))))
		if !whole {
			t.Errorf("page %d ends with %q", i+1, lines[len(lines)-1])
		}
		for _, head := range heads {
			if rest, again := strings.CutPrefix(text, head); i > 0 && again {
				text = rest
				break
			}
		}
		all.WriteString(text)
	}
	return all.String() + foot
}

func (s sheet) bothSayTheSame(t testing.TB) {
	t.Helper()
	page, paper := squeezed(s.lines), s.paper(t)
	if page == paper {
		return
	}
	i := 0
	for i < min(len(page), len(paper)) && page[i] == paper[i] {
		i++
	}
	from := max(0, i-60)
	t.Errorf("the page says …%s\nthe PDF says  …%s", page[from:min(len(page), i+60)], paper[from:min(len(paper), i+60)])
}

func TestSheetsOfTheDemoVehicles(t *testing.T) {
	t.Parallel()
	w := open(t)
	digest := regexp.MustCompile(`digest [0-9a-f]{12}`)
	for v, ids := range w.demo() {
		for _, name := range pages.SheetNames {
			s := w.sheet(ids[len(ids)-1], "sheet="+name)
			s.bothSayTheSame(t)
			got := digest.ReplaceAllString(s.lines, "digest …")
			golden := filepath.Join("testdata", "sheets", v+"-"+name+".txt")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				continue
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				lines, wanted := strings.Split(got, "\n"), strings.Split(string(want), "\n")
				i := 0
				for i < min(len(lines), len(wanted))-1 && lines[i] == wanted[i] {
					i++
				}
				t.Errorf("%s, line %d is %q, want %q (-update writes it anew)", golden, i+1, lines[i], wanted[i])
			}
		}
	}
}

// Whatever the gate, the sheet has everything that stands in its way, what clears it and the
// cautions; what was not looked at is as much as the coverage says.
func TestEverythingThatBlocksIsOnTheSheet(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, ids := range w.demo() {
		for _, id := range ids {
			a := w.assessment(id)
			for _, g := range a.Gates {
				blocking, start := w.sheet(id, "sheet=blocking&gate="+g.Gate), w.sheet(id, "sheet=start&gate="+g.Gate)
				list := a.BlockersBy(g.Gate)
				if boxes := strings.Count(blocking.html, `class="box"`); (boxes > 0) != (len(list) > 0) {
					t.Errorf("%d things are in the way at %s, and there are %d lists to tick", len(list), g.Gate, boxes)
				}
				for _, s := range []sheet{blocking, start} {
					s.bothSayTheSame(t)
					for _, b := range list {
						for _, words := range append([]string{b.Because[1:]}, b.Cautions...) {
							if !strings.Contains(s.paper(t), squeezed(words)) {
								t.Errorf("%s of %s does not say %q", g.Gate, id, words)
							}
						}
					}
				}
				if !strings.Contains(blocking.lines, a.RuleSet.Digest[len("sha256:"):][:12]) || !strings.Contains(blocking.lines, a.ID) {
					t.Errorf("the sheet does not name rule set and assessment: %s", blocking.lines)
				}
				if alarmed := strings.Contains(start.html, `class="alarm"`); alarmed != (g.State != score.Clear) {
					t.Errorf("%s is %s and the start sheet says %s", g.Gate, g.State, start.lines)
				}
				if got := notLookedAt(blocking.lines); got != a.Coverage.Applying-a.Coverage.LookedAt {
					t.Errorf("%d items not looked at are listed, %d of %d were looked at", got, a.Coverage.LookedAt, a.Coverage.Applying)
				}
			}
			register := w.sheet(id, "sheet=register")
			for _, e := range a.Register {
				if !strings.Contains(register.paper(t), squeezed(e.What)) {
					t.Errorf("the register does not say %q", e.What)
				}
			}
		}
	}
}

// notLookedAt counts the items that a sheet lists as not looked at.
func notLookedAt(lines string) int {
	_, rest, _ := strings.Cut(lines, "Not inspected\nNot inspected does not mean sound.\n")
	list, _, _ := strings.Cut(rest, "\nCautions\n")
	n := 0
	for _, line := range strings.Split(list, "\n") {
		if _, items, ok := strings.Cut(line, ": "); ok {
			n += len(strings.Split(items, ", "))
		}
	}
	return n
}

// The first thing that a start sheet of a gate that is not clear says is that it is not, then why.
func TestAStartSheetBeginsWithWhatForbidsIt(t *testing.T) {
	t.Parallel()
	w := open(t)
	ids := w.demo()
	for v, answer := range map[string]string{"marrick-tern-01": "NO", "corvane-dale-07": "NOT YET", "brennick-wren-03": ""} {
		var ready struct{ Blockers []score.Blocker }
		w.get("/v1/vehicles/"+v+"/readiness?gate=first_start").into(t, &ready)
		begins := "As of"
		if answer != "" {
			first := ready.Blockers[0]
			begins = fmt.Sprintf("%s: %d blockers of first start\nBlockers\n", answer, len(ready.Blockers))
			begins += wording.English().Placed(strings.ToUpper(first.Item[:1])+wording.Spaced(first.Item[1:]), first.At) + ": " + strings.ToUpper(first.Because[:1]) + first.Because[1:]
		}
		s := w.sheet(ids[v][len(ids[v])-1], "sheet=start")
		if lines := strings.SplitN(s.lines, "\n", 3); !strings.HasPrefix(lines[2], begins) {
			t.Errorf("%s begins with %.200s", v, s.lines)
		}
	}
}

func TestASheetIsNegotiated(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.demo()["brennick-wren-03"][2]
	at := "/v1/assessments/" + id + "/sheet"
	for _, c := range []struct{ path, accept, media string }{
		{at, "", "text/html; charset=utf-8"},
		{at, "*/*", "text/html; charset=utf-8"},
		{at, "application/pdf", "application/pdf"},
		{at, "application/*, text/html;q=0.5", "application/pdf"},
		{at + "?format=pdf", "text/html", "application/pdf"},
		{at + "?format=html", "application/pdf", "text/html; charset=utf-8"},
	} {
		a := w.get(c.path, "Accept: "+c.accept)
		a.is(t, http.StatusOK)
		a.has(t, "Content-Type", c.media, "Vary", "Accept", "Cache-Control", "private, no-cache")
		if link := a.Header.Get("Link"); !strings.Contains(link, `rel="alternate"`) || !strings.HasPrefix(link, "<"+at+"?") {
			t.Errorf("the link is %s", link)
		}
		again := w.get(c.path, "Accept: "+c.accept, "If-None-Match: "+a.Header.Get("Etag"))
		again.is(t, http.StatusNotModified)
	}
	w.get(at+"?format=pdf").has(t, "Content-Disposition", `inline; filename="blocking-brennick-wren-03-2026-03-22.pdf"`)
	w.get(at+"?sheet=start").has(t, "Content-Disposition", `inline; filename="start-brennick-wren-03-2026-03-22.html"`)
	w.get(at+"?format=docx").problem(t, http.StatusBadRequest, "bad-query", "html, pdf")
	w.get(at, "Accept: image/png").problem(t, http.StatusNotAcceptable, "not-acceptable")
	w.get(at+"?sheet=shopping").problem(t, http.StatusBadRequest, "bad-query", strings.Join(pages.SheetNames, ", "))
	w.get(at+"?gate=fly").problem(t, http.StatusBadRequest, "no-such-gate", "hand_turn")
	w.get("/v1/assessments/no/sheet").problem(t, http.StatusNotFound, "not-found")
	if a := w.get("/v1/assessments/no/sheet", "Accept: text/html,application/xhtml+xml,*/*;q=0.8"); !strings.Contains(string(a.text), "<h1>") {
		t.Errorf("a browser is told %s", a.text)
	}
	w.queue.holiday.Store(true)
	w.get("/v1/assessments/"+w.accept("tern-09")+"/sheet").problem(t, http.StatusConflict, "not-finished")
}

func TestTheSameSheetHasTheSameBytes(t *testing.T) {
	t.Parallel()
	w := open(t)
	for _, ids := range w.demo() {
		for _, name := range pages.SheetNames {
			at := "/v1/assessments/" + ids[0] + "/sheet?format=pdf&sheet=" + name
			if first, second := w.get(at), w.get(at); !bytes.Equal(first.text, second.text) {
				t.Errorf("two PDFs of sheet %s of %s differ", name, ids[0])
			}
		}
	}
}

// described is a report on a vehicle of the description and with the note given.
func described(t testing.TB, reference, description string) []byte {
	t.Helper()
	var report object
	if err := json.Unmarshal(tern(t, reference), &report); err != nil {
		t.Fatal(err)
	}
	report["vehicle"].(object)["description"] = description
	body, err := json.Marshal(report)
	if err != nil {
		t.Fatal(err)
	}
	return body
}

func TestOddDescriptionsDoNoHarm(t *testing.T) {
	t.Parallel()
	w := open(t)
	for i, c := range []struct{ description, page, paper string }{
		{"Żółw 1,6 °C – 12 Ω ½ „łódź“ ☐", "Żółw 1,6 °C – 12 Ω ½ „łódź“ ☐", "Żółw 1,6 °C – 12 Ω ½ „łódź“ □"},
		{"Фургон Ωμέγα", "Фургон Ωμέγα", "Фургон Ωμέγα"},
		{"轿车 🚗 سيارة", "轿车 🚗 سيارة", "□□ □ □□□□□"},
		{"Z\u0307uk ạx̂", "Żuk ạx̂", "Żuk ax"},
		{"safe\u202Egnihton\u202C\u2066 x\u200b\u00ad", "safegnihton x", "safegnihton x"},
		{"a\nb\tc\u2028d\u0085e", "a b c d e", "a b c d e"},
		{`</p><script>alert(1)</script>"'&amp;`, `&lt;/p&gt;&lt;script&gt;alert(1)&lt;/script&gt;&#34;&#39;&amp;amp;`, `</p><script>alert(1)</script>"'&amp;`},
		{`) Tj ET (\ \r \( čĊ`, `) Tj ET (\ \r \( čĊ`, `) Tj ET (\ \r \( čĊ`},
		{strings.Repeat("W", 200), strings.Repeat("W", 200), strings.Repeat("W", 200)},
		{"%d %s %n", "%d\u00a0%s\u00a0%n", "%d\u00a0%s\u00a0%n"},
	} {
		reference := fmt.Sprintf("odd-%02d", i)
		id := w.posted(described(t, reference, c.description))
		for _, name := range pages.SheetNames {
			s := w.sheet(id, "sheet="+name)
			if !strings.Contains(s.html, `<p class="of">`+c.page+` (`+reference+`)</p>`) {
				t.Errorf("%q is shown as %.300s", c.description, s.html)
			}
			if !strings.Contains(squeezed(strings.Join(s.pages[0], "")), squeezed(c.paper)) {
				t.Errorf("%q is printed as %q", c.description, s.pages[0][:4])
			}
			if lost := strings.Contains(strings.Join(slices.Concat(s.pages...), " "), "does not have"); lost != strings.Contains(c.paper, "□") {
				t.Errorf("%q: that letters are lost is said: %t", c.description, lost)
			}
			if strings.Contains(s.html, "<script") {
				t.Errorf("%q is a script: %.300s", c.description, s.html)
			}
		}
	}
}

// What was told and what was seen both stand on the summary, each with who says so.
func TestContradictionsAreOnTheSummary(t *testing.T) {
	t.Parallel()
	w := open(t)
	var report object
	if err := json.Unmarshal(tern(t, "tern-01"), &report); err != nil {
		t.Fatal(err)
	}
	report["observations"] = append(report["observations"].([]any), object{"item": "dampers", "method": "told", "found": object{"leak": "run"}})
	body, err := json.Marshal(report)
	if err != nil {
		t.Fatal(err)
	}
	s := w.sheet(w.posted(body), "sheet=purchase")
	s.bothSayTheSame(t)
	if !regexp.MustCompile(`\nDampers, leak: \w+ \(\w+, 2026-05-02\) against run \(told, 2026-05-02\)\n`).MatchString(s.lines) {
		t.Errorf("the summary says %s", s.lines)
	}
}

// Everybody's sheets are his own.
func TestSheetsNeedTheScopeToRead(t *testing.T) {
	t.Parallel()
	w := open(t)
	id := w.demo()["brennick-wren-03"][0]
	i := slices.IndexFunc(w.api.Routes(), func(r api.Route) bool { return strings.HasSuffix(r.Path, "/sheet") })
	if r := w.api.Routes()[i]; r.Needs != access.Read {
		t.Errorf("a sheet needs %q", r.Needs)
	}
	w.get("/v1/assessments/"+id+"/sheet?format=pdf", "X-Forwarded-For: 192.0.2.1").problem(t, http.StatusUnauthorized, "key-needed")
	w = closed(t)
	w.get("/v1/assessments/x/sheet").problem(t, http.StatusUnauthorized, "key-needed")
	w.get("/v1/assessments/x/sheet", "Accept: application/pdf").problem(t, http.StatusUnauthorized, "key-needed")
	browser := w.get("/v1/assessments/x/sheet?sheet=start", "Accept: text/html,application/xhtml+xml,*/*;q=0.8")
	browser.is(t, http.StatusSeeOther)
	browser.has(t, "Location", "/sign-in?next=%2Fv1%2Fassessments%2Fx%2Fsheet%3Fsheet%3Dstart")
}
