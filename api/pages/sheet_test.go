package pages_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"laidup/api/pages"
	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

func sheets(t testing.TB) (*ruleset.Set, *pages.Sheets) {
	t.Helper()
	set := builtin.FirstStart()
	p, err := pages.New("en")
	if err != nil {
		t.Fatal(err)
	}
	s, err := p.Sheets(set.Catalogue)
	if err != nil {
		t.Fatal(err)
	}
	return set, s
}

type object = map[string]any

// with is facts with some others.
func with(facts, others object) object {
	all := maps.Clone(facts)
	maps.Copy(all, others)
	return all
}

// made makes a sheet of a vehicle of which nobody has looked at more than the battery.
func made(t testing.TB, name, gate string, facts object) *pages.Sheet {
	t.Helper()
	set, s := sheets(t)
	body, err := json.Marshal(object{
		"schema": report.SchemaName, "vehicle": with(object{"reference": "tern-01"}, facts),
		"inspection":   object{"date": "2026-05-02"},
		"observations": []object{{"item": "battery", "method": "seen", "found": object{"case": "sound"}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(body, set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	a := score.Evaluate(set, []*report.Report{r}, -1)
	a.ID = "id-01"
	sheet, err := s.Make(name, gate, a, report.Lay([]*report.Report{r}, set.Catalogue, set.ProofCredence), nil)
	if err != nil {
		t.Fatal(err)
	}
	return sheet
}

// says is everything that the sections of a sheet say.
func says(sections []pages.Section) string {
	var b strings.Builder
	for _, s := range sections {
		fmt.Fprintln(&b, s.Heading)
		for _, p := range s.Parts {
			fmt.Fprintln(&b, p.Text)
			for _, it := range p.Items {
				fmt.Fprintln(&b, it.Head, it.Text)
				for _, n := range it.Notes {
					fmt.Fprintln(&b, n.Label, n.Text)
				}
			}
		}
	}
	return b.String()
}

func TestLinesOfAStartSheetAreWhole(t *testing.T) {
	set, s := sheets(t)
	lines, kinds := s.StartLines()
	used := map[string]bool{}
	for _, l := range lines {
		used[l.Of] = true
		if !strings.HasSuffix(l.Say, ".") || l.Say[:1] != strings.ToUpper(l.Say[:1]) {
			t.Errorf("%q is no sentence", l.Say)
		}
		cited := slices.Contains([]string{"regulation", "standard", "handbook"}, l.Kind)
		if !cited && l.Kind != "common_practice" && l.Kind != "judgement" || cited != (l.Cite != "") {
			t.Errorf("%q has the source %q %q", l.Say, l.Kind, l.Cite)
		}
	}
	for _, k := range kinds {
		if !used[k] {
			t.Errorf("there is no line for %s", k)
		}
		if !s.Decides(k) {
			t.Errorf("the condition of %s cannot be read", k)
		}
	}
	for _, g := range s.StartGates() {
		if !slices.ContainsFunc(set.Gates, func(x *ruleset.Gate) bool { return x.ID == g }) {
			t.Errorf("there is no gate %s", g)
		}
	}
}

// unsure is what lines begin with that hang on a fact that nobody gave.
var unsure = regexp.MustCompile(`If (it (is|has|runs)|the) |Unless `)

func TestAStartSheetFitsTheVehicle(t *testing.T) {
	saloon := object{
		"fuel": "petrol", "fuel_delivery": "carburettor", "ignition": "points", "turbocharged": false, "cooling": "liquid",
		"layout": "front_engine_rear_drive", "gearbox": "manual", "brake_servo": false, "power_steering": false, "hybrid": false,
		"air_conditioning": object{"fitted": false},
	}
	// Words of lines that vehicles of a kind have, and no other.
	words := map[string]string{
		"choke": "Choke on", "float": "float chamber", "points": "Points cleaned", "rail": "fills the rail", "relays": "relays of pump",
		"glow": "glow for the whole time", "runaway": "Revs that rise by themselves", "air off": "never with a hand, a rag",
		"detector": "gas detector", "coolant": "upper hose", "tin": "sheet metal that leads", "fan": "large fan before",
		"lever": "Gear lever in neutral", "selector": "Selector in P", "stand": "centre stand", "chocks": "Wheels chocked",
		"turbo": "last to be oiled", "servo": "Press the pedal hard", "steering": "lock to lock", "air conditioning": "compressor's plug",
		"plugs": "Spark plugs out", "hybrid": "This is a hybrid",
	}
	for name, c := range map[string]struct {
		facts object
		has   []string
	}{
		"a saloon":     {saloon, []string{"choke", "float", "points", "coolant", "lever", "chocks", "plugs"}},
		"injection":    {with(saloon, object{"fuel_delivery": "injection", "ignition": "coil_on_plug"}), []string{"rail", "relays", "coolant", "lever", "chocks", "plugs"}},
		"a diesel":     {with(saloon, object{"fuel": "diesel", "fuel_delivery": "injection", "ignition": "none", "turbocharged": true, "brake_servo": true}), []string{"glow", "runaway", "air off", "turbo", "servo", "coolant", "lever", "chocks"}},
		"gas":          {with(saloon, object{"fuel": "lpg", "fuel_delivery": "injection", "ignition": "electronic"}), []string{"detector", "coolant", "lever", "chocks", "plugs"}},
		"air-cooled":   {with(saloon, object{"cooling": "air", "layout": "rear_engine"}), []string{"choke", "float", "points", "tin", "lever", "chocks", "plugs"}},
		"an automatic": {with(saloon, object{"gearbox": "automatic", "power_steering": true}), []string{"choke", "float", "points", "coolant", "selector", "steering", "chocks", "plugs"}},
		"a motorcycle": {with(saloon, object{"cooling": "air", "layout": "motorcycle"}), []string{"choke", "float", "points", "fan", "stand", "plugs"}},
		"cold air":     {with(saloon, object{"air_conditioning": object{"fitted": true}}), []string{"choke", "float", "points", "coolant", "lever", "chocks", "air conditioning", "plugs"}},
		"a hybrid":     {with(saloon, object{"hybrid": true}), []string{"hybrid"}},
	} {
		text := says(made(t, pages.StartSheet, "road_test", c.facts).Sections)
		for key, w := range words {
			if has := strings.Contains(text, w); has != slices.Contains(c.has, key) {
				t.Errorf("%s: that the sheet says %q is %t", name, w, has)
			}
		}
		if unsure.MatchString(text) || strings.Contains(text, "Missing facts") {
			t.Errorf("%s: all facts are known and the sheet says %s", name, text)
		}
		if name != "a hybrid" {
			for _, heading := range []string{"First ten seconds", "First minute", "First ten minutes", "Stop at once"} {
				if !strings.Contains(text, heading) {
					t.Errorf("%s: the sheet does not say %q", name, heading)
				}
			}
		} else if strings.Contains(text, "First ten seconds") || !strings.Contains(text, "qualified for high-voltage vehicles") {
			t.Errorf("a hybrid is not left to those who are qualified: %s", text)
		}
	}
}

// Of a vehicle of which nobody said what it is everything is said, with what it is for.
func TestAStartSheetOfAnUnknownVehicle(t *testing.T) {
	text := says(made(t, pages.StartSheet, "first_start", nil).Sections)
	for _, words := range []string{
		"Nobody said which of these the vehicle has: fuel, fuel delivery,",
		"If it is a diesel: a way to shut off the fuel",
		"If it has a carburettor: fill the float chamber",
		"If it is a hybrid: stop here",
		"Unless it is a motorcycle: wheels chocked",
		"If it has air conditioning: the compressor's plug",
	} {
		if !strings.Contains(text, words) {
			t.Errorf("the sheet does not say %q", words)
		}
	}
	if strings.Contains(text, "This is a hybrid") {
		t.Error("nobody said that it is a hybrid")
	}
}

// Before the engine is to run there is nothing to watch it run for.
func TestWhatIsToBeWatchedComesWithTheFirstStart(t *testing.T) {
	for gate, watched := range map[string]bool{"hand_turn": false, "crank": false, "first_start": true, "warm_up": true, "road_test": true} {
		text := says(made(t, pages.StartSheet, gate, object{"hybrid": false}).Sections)
		if strings.Contains(text, "First ten seconds") != watched {
			t.Errorf("that the sheet of %s says what to watch is %t", gate, !watched)
		}
		if strings.Contains(text, "4. Warm up") != (gate == "warm_up" || gate == "road_test") {
			t.Errorf("the sheet of %s says %s", gate, text)
		}
	}
}

func TestThereIsNoSheetOfThatName(t *testing.T) {
	set, s := sheets(t)
	a := &score.Assessment{Gates: []score.Gate{{Gate: "crank", State: "clear"}}}
	d := report.Lay([]*report.Report{{}}, set.Catalogue, set.ProofCredence)
	for _, c := range [][2]string{{"shopping", "crank"}, {pages.StartSheet, "fly"}} {
		if sheet, err := s.Make(c[0], c[1], a, d, nil); err == nil {
			t.Errorf("%v makes %v", c, sheet)
		}
	}
}

func TestLongListsBreakAcrossPages(t *testing.T) {
	for _, n := range []int{1, 5, 23, 24, 25, 26, 27, 28, 40, 41, 42, 43, 100, 400} {
		s := &pages.Sheet{Title: "Title", Vehicle: "Vehicle", Foot: "Foot", PageOf: "%d of %d", AsOf: "2026-05-02"}
		table := &pages.Table{Columns: []pages.Column{{Head: "Headed", Share: 0.5}, {Head: "Number", Share: 0.5, Number: true}}}
		list := pages.Part{Mark: pages.Box}
		var want []string
		for i := range n {
			list.Items = append(list.Items, pages.Item{Head: fmt.Sprintf("item-%03d", i), Text: strings.Repeat("some words ", i%40), Notes: []pages.Labelled{{Label: "Note", Text: "of it"}}})
			want = append(want, fmt.Sprintf("item-%03d:", i))
		}
		for i := range n {
			table.Rows = append(table.Rows, []pages.Cell{{Text: fmt.Sprintf("row-%03d", i), Small: strings.Repeat("small words ", i%30)}, {Text: "1"}})
			want = append(want, fmt.Sprintf("row-%03d", i))
		}
		s.Sections = []pages.Section{
			{Heading: "HEADING", Parts: []pages.Part{{Text: "Of what follows."}, list}},
			{Heading: "HEADING", Parts: []pages.Part{{Table: table}}},
			{Heading: "HEADING", Parts: []pages.Part{{Blanks: []string{"Name", "Date"}}}},
		}
		laid, err := s.Laid()
		if err != nil {
			t.Errorf("%d: %s", n, err)
		}
		var got []string
		for i, page := range laid {
			last := page[len(page)-1]
			if strings.HasPrefix(last, "HEADING") || strings.HasPrefix(last, "Headed") || strings.HasPrefix(last, "Of what follows") {
				t.Errorf("%d: page %d ends with %q", n, i+1, last)
			}
			if i > 0 && strings.HasPrefix(page[0], "row-") {
				t.Errorf("%d: page %d begins with %q, without the head of its table", n, i+1, page[0])
			}
			for _, block := range page {
				if word, _, _ := strings.Cut(block, " "); strings.HasPrefix(word, "item-") || strings.HasPrefix(word, "row-") {
					got = append(got, word)
				}
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%d: pages have %v, want %v", n, got, want)
		}
	}
}

// What is higher than a page goes on over the next ones, and nothing of it is lost.
func TestWhatIsHigherThanAPage(t *testing.T) {
	var words []string
	for i := range 3000 {
		words = append(words, fmt.Sprintf("word%d", i))
	}
	all := strings.Join(words, " ")
	s := &pages.Sheet{Title: "Title", Vehicle: "Vehicle", PageOf: "%d of %d", AsOf: "2026-05-02", Alarm: strings.Repeat("alarm ", 100), Sections: []pages.Section{
		{Heading: "Text", Parts: []pages.Part{{Text: all}}},
		{Heading: "List", Parts: []pages.Part{{Items: []pages.Item{{Text: all}}, Mark: pages.Number}}},
		{Heading: "Table", Parts: []pages.Part{{Table: &pages.Table{Columns: []pages.Column{{Head: "One", Share: 0.2}, {Head: "Two", Share: 0.8}}, Rows: [][]pages.Cell{{{Text: all}, {Text: strings.Repeat("x", 5000)}}}}}}},
	}}
	laid, err := s.Laid()
	if err != nil {
		t.Error(err)
	}
	var text strings.Builder
	for _, page := range laid {
		for _, block := range page {
			text.WriteString(block)
		}
	}
	for _, w := range words {
		if n := strings.Count(text.String(), w+" "); n != 3 {
			t.Fatalf("%s is there %d times", w, n)
		}
	}
	if n := strings.Count(text.String(), "x"); n < 5000 {
		t.Errorf("of a long word %d letters are there", n)
	}
	if _, err := s.PDF(); err != nil {
		t.Error(err)
	}
}
