package report_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/internal/catalogue"
	"laidup/internal/report"

	"github.com/santhosh-tekuri/jsonschema/v5"
	"pgregory.net/rapid"
)

func compiledSchema(t testing.TB, cat *catalogue.Catalogue) *jsonschema.Schema {
	t.Helper()
	return compiledText(t, report.Schema(cat))
}

func compiledText(t testing.TB, text []byte) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.AssertFormat = true
	if err := c.AddResource("report.schema.json", bytes.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("report.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// sketch draws reports from a catalogue, valid or spoilt.
type sketch struct {
	t   *rapid.T
	cat *catalogue.Catalogue
}

func (s sketch) one(label string, n int) bool { return rapid.IntRange(1, n).Draw(s.t, label) == 1 }

func (s sketch) date() string {
	return rapid.SampledFrom([]string{"1987", "2015-08", "2026-05-02", "2024-02-29", "0001", "9999-12-31", "2026-05", "1986-12-31"}).Draw(s.t, "date")
}

// text of anything at all that a text may be.
func (s sketch) text() string {
	return rapid.OneOf(
		rapid.SampledFrom([]string{"", " ", "unknown", "book", "\u00a0", "\u2028\u3000", "\u0085", "\ufeff", "\u200b", "\v\f", "a\x00b", " x ", "𝄞", "2026-05-02", "-", "a", "\n"}),
		rapid.StringN(0, 30, -1),
		rapid.Map(rapid.IntRange(198, 203), func(n int) string { return strings.Repeat("é", n) }),
	).Draw(s.t, "text")
}

func (s sketch) value(f *catalogue.Finding) any {
	switch f.Kind {
	case catalogue.Flag:
		return rapid.Bool().Draw(s.t, "flag")
	case catalogue.Choice:
		return rapid.SampledFrom(f.Values).Draw(s.t, "choice")
	case catalogue.Date:
		return s.date()
	case catalogue.WeekCode:
		return rapid.SampledFrom([]string{"0914", "5320", "0100", "0126", "1826", "3598"}).Draw(s.t, "week code")
	case catalogue.Text:
		return "R 12/7"
	case catalogue.Count:
		return int(max(0, f.Min)) + rapid.IntRange(0, 5).Draw(s.t, "count")
	}
	name := rapid.SampledFrom(f.Units()).Draw(s.t, "unit")
	b, _ := f.Bounds([]byte(name))
	share := rapid.SampledFrom([]float64{0, 0.001, 0.5, 1}).Draw(s.t, "share")
	return object{"unit": name, "value": b.Min + (b.Max-b.Min)*share}
}

// facts draws the facts of one part of a report into o.
func (s sketch) facts(part string, o object) {
	for _, f := range s.cat.Facts {
		if f.In != part || s.one("left out", 2) {
			continue
		}
		v := s.value(f)
		if s.one("not known", 8) {
			v = rapid.SampledFrom([]any{nil, "unknown"}).Draw(s.t, "unknown")
		}
		if outer, inner, grouped := strings.Cut(f.ID, "."); grouped {
			group, _ := o[outer].(object)
			if group == nil {
				group = object{}
			}
			group[inner] = v
			o[outer] = group
			continue
		}
		o[f.ID] = v
	}
}

func (s sketch) report() object {
	vehicle := object{"reference": "drawn-1"}
	s.facts("vehicle", vehicle)
	o := object{"schema": report.SchemaName, "vehicle": vehicle, "inspection": object{"date": "2026-05-02"}}
	optional := func(o object, key string, v any) {
		if s.one(key, 3) {
			if s.one("null", 4) {
				v = nil
			}
			o[key] = v
		}
	}
	optional(o, "reference", "book 7")
	optional(o, "replaces", rapid.SampledFrom([]string{"01a21d31-50f4-70db", "-", ""}).Draw(s.t, "replaces"))
	optional(vehicle, "description", "a van")
	optional(vehicle, "vin", rapid.SampledFrom([]string{"1G4AH59H45G118341", "ABC", "", "1g4ah59h45g118341"}).Draw(s.t, "vin"))
	optional(o["inspection"].(object), "inspector", "bench 2")
	optional(o["inspection"].(object), "purpose", "follow_up")
	optional(o, "photos", photos(rapid.IntRange(0, 2).Draw(s.t, "photos")))
	if s.one("lay-up", 2) {
		layUp := object{}
		s.facts("lay_up", layUp)
		o["lay_up"] = layUp
	}
	observations := list{}
	for range rapid.IntRange(0, 3).Draw(s.t, "observations") {
		it := rapid.SampledFrom(s.cat.Items).Draw(s.t, "item")
		found := object{}
		for range rapid.IntRange(1, 3).Draw(s.t, "findings") {
			f := rapid.SampledFrom(it.Finds).Draw(s.t, "finding")
			found[f.ID] = s.value(f)
		}
		observation := object{"item": it.ID, "method": rapid.SampledFrom(s.cat.Methods).Draw(s.t, "method").ID, "found": found}
		switch {
		case s.one("never fitted", 8):
			delete(observation, "found")
			observation["fitted"] = false
		case len(it.Parts) > 0 && s.one("part", 2):
			observation["part"] = rapid.SampledFrom(it.Parts).Draw(s.t, "part").ID
			observation["found"] = object{"renewed": s.date()}
		}
		if len(it.Positions) > 0 && observation["fitted"] == nil && s.one("at", 2) {
			observation["at"] = s.positions(it)
		}
		optional(observation, "note", "left edge")
		optional(observation, "photos", photos(rapid.IntRange(0, 2).Draw(s.t, "photos")))
		if s.one("date", 4) {
			observation["date"] = s.date()
		}
		observations = append(observations, observation)
	}
	o["observations"] = observations
	return o
}

// positions draws some of the positions of an item, each once; not all of them may be there.
func (s sketch) positions(it *catalogue.Item) list {
	var l list
	for _, p := range rapid.SliceOfNDistinct(rapid.SampledFrom(it.Positions), 1, 3, rapid.ID).Draw(s.t, "positions") {
		l = append(l, p.ID)
	}
	return l
}

// place is somewhere in a document where another value can be put.
type place struct {
	holder object // of a member; nil for an element
	key    string
	get    func() any
	set    func(any)
}

func clone(v any) any {
	switch v := v.(type) {
	case object:
		o := object{}
		for k, x := range v {
			o[k] = clone(x)
		}
		return o
	case list:
		l := make(list, len(v))
		for i, x := range v {
			l[i] = clone(x)
		}
		return l
	}
	return v
}

func places(v any, into []place) []place {
	switch v := v.(type) {
	case object:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			into = append(into, place{v, k, func() any { return v[k] }, func(x any) { v[k] = x }})
			into = places(v[k], into)
		}
	case list:
		for i := range v {
			into = append(into, place{nil, "", func() any { return v[i] }, func(x any) { v[i] = x }})
			into = places(v[i], into)
		}
	}
	return into
}

// odd draws a value that may or may not fit anywhere.
func (s sketch) odd() any {
	switch rapid.IntRange(0, 10).Draw(s.t, "kind of oddity") {
	case 0, 1:
		return s.text()
	case 2:
		return json.Number(rapid.SampledFrom([]string{"0", "-0", "1", "-1", "1.5", "4.0", "2e0", "1E2", "1e400", "-1e999999", "1e-400", "1e308", "150", "150.0000001", "9007199254740993", "24", "25", "0.1"}).Draw(s.t, "number"))
	case 3:
		return rapid.SampledFrom([]any{nil, true, false, object{}, list{}, list{nil}, object{"value": 1}, object{"unit": "km"}}).Draw(s.t, "value")
	case 4:
		f := rapid.SampledFrom(rapid.SampledFrom(s.cat.Items).Draw(s.t, "item").Finds).Draw(s.t, "finding")
		return s.value(f)
	case 5:
		return rapid.SampledFrom(s.cat.Items).Draw(s.t, "item").ID
	case 6:
		units := []string{"km", "mi", "[mi_i]", "bar", "psi", "kPa", "V", "mV", "a", "yr", "mo", "Cel", "°F", "%", "1", "KM", ""}
		return object{"value": rapid.SampledFrom([]any{0, 1, -1, 1e5, 1e9, "1", nil, 14.7}).Draw(s.t, "value"), "unit": rapid.SampledFrom(units).Draw(s.t, "unit")}
	case 10:
		l := list{}
		for range rapid.IntRange(0, 3).Draw(s.t, "how many") {
			l = append(l, rapid.SampledFrom([]any{"front_left", "rear_right", "front", "cylinder_1", "cylinder_24", "cylinder_25", "cylinder_01", "over_axle", "cap", "rotor", "", 1, nil}).Draw(s.t, "element"))
		}
		if len(l) == 1 && s.one("bare", 2) {
			return l[0]
		}
		return l
	case 7:
		return rapid.SampledFrom([]string{"2026-02-30", "2026-2-3", "2026-13", "0000", "02026", "2026-05-02T00:00:00Z", "2026-W01", "2026-", "2025-02-29", "2026-05-03", "1900-02-29", "2000-02-29", "２０２６", "2026\n"}).Draw(s.t, "date")
	case 8:
		return rapid.SampledFrom([]string{"1G4AH59H45G11834é", "1G4AH59H45G1183é", "IG4AH59H45G118341", "1G4AH59H45G118341X", "ſG4AH59H45G118341", "first_start", "petrol", "yes", "told", "0914", "5414", "0014", "914", "09144", "０９１４", "0914\n", "-a", "a b", "a~b"}).Draw(s.t, "word")
	}
	return s.text()
}

func (s sketch) spoil(o object) {
	all := places(o, nil)
	p := rapid.SampledFrom(all).Draw(s.t, "place")
	switch rapid.IntRange(0, 7).Draw(s.t, "spoil") {
	case 0:
		delete(p.holder, p.key)
	case 1: // a member that may not be known there
		for range all {
			if m, ok := p.get().(object); ok {
				key := rapid.OneOf(rapid.SampledFrom([]string{"colour", "", "found", "value", "age", "removed", "air_conditioning.fitted", "air_conditioning", "vin", "note", "date", "at", "at", "fitted", "fitted", "part", "part", "renewed", "photos", "photos"}),
					rapid.Map(rapid.SampledFrom(s.cat.Facts), func(f *catalogue.Finding) string { return f.ID })).Draw(s.t, "key")
				m[key] = s.odd()
				return
			}
			p = rapid.SampledFrom(all).Draw(s.t, "place")
		}
	case 2: // the value from elsewhere
		p.set(clone(rapid.SampledFrom(all).Draw(s.t, "from").get()))
	case 3: // another name
		if p.holder != nil {
			v := p.get()
			delete(p.holder, p.key)
			p.holder[rapid.SampledFrom([]string{strings.ToUpper(p.key), p.key + " ", p.key + "s"}).Draw(s.t, "renamed")] = v
		}
	default:
		p.set(s.odd())
	}
}

// write encodes a document with the members of each object in an order drawn.
func (s sketch) write(v any) []byte {
	switch v := v.(type) {
	case object:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		b := []byte{'{'}
		for i, k := range rapid.Permutation(keys).Draw(s.t, "order") {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(append(b, marshal(nil, k)...), ':')
			b = append(b, s.write(v[k])...)
		}
		return append(b, '}')
	case list:
		b := []byte{'['}
		for i, x := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(b, s.write(x)...)
		}
		return append(b, ']')
	}
	return marshal(nil, v)
}

// Clients are promised that the schema they can build a form from accepts and refuses what the
// service does, up to what one value says about another.
func TestSchemaAndDecoderAgree(t *testing.T) {
	t.Run("on the built-in catalogue", func(t *testing.T) { schemaAndDecoderAgree(t, builtIn(t), 1000) })
	t.Run("on positions and parts", func(t *testing.T) { schemaAndDecoderAgree(t, placed(), 6000) })
}

func schemaAndDecoderAgree(t *testing.T, cat *catalogue.Catalogue, examples int) {
	compiled, byItem := compiledSchema(t, cat), compiledText(t, report.SchemaByItem(cat))
	checker := report.NewChecker(cat)
	accepted, refused := 0, 0
	thorough(t, examples)
	rapid.Check(t, func(t *rapid.T) {
		s := sketch{t, cat}
		o := s.report()
		for range rapid.SampledFrom([]int{0, 1, 1, 1, 2, 4}).Draw(t, "spoilt") {
			s.spoil(o)
		}
		data := s.write(o)
		var doc any
		_, _, faults := report.Decode(data, cat)
		withSchema := faults
		if _, _, f := checker.Decode(data); len(f) < len(faults) || len(faults) > 0 && f[0] != faults[0] {
			t.Fatalf("with the schema the faults are %v, without %v", f, faults)
		} else {
			withSchema = f
		}
		if json.Unmarshal(data, &doc) != nil {
			if len(faults) == 0 {
				t.Fatalf("accepted:\n%s", data)
			}
			return // a number that no float64 holds
		}
		invalid := compiled.Validate(doc)
		if other := byItem.Validate(doc); (other == nil) != (invalid == nil) {
			t.Fatalf("the schema says %#v, by the item it says %#v of\n%s", invalid, other, data)
		}
		if e, ok := byItem.Validate(doc).(*jsonschema.ValidationError); ok && len(faults) <= report.MaxFaults {
			for _, v := range e.BasicOutput().Errors {
				related := func(f report.Fault) bool {
					return strings.HasPrefix(f.Pointer+"/", v.InstanceLocation+"/") || strings.HasPrefix(v.InstanceLocation+"/", f.Pointer+"/")
				}
				if !strings.Contains(v.KeywordLocation, "/anyOf/") && !slices.ContainsFunc(withSchema, related) {
					t.Fatalf("the schema as a whole says %q at %s, part by part it does not, of\n%s", v.Error, v.InstanceLocation, data)
				}
			}
		}
		said := slices.DeleteFunc(slices.Clone(faults), func(f report.Fault) bool { return f.Code == report.NotFitted || f.Code == report.Impossible })
		if (invalid == nil) != (len(said) == 0) {
			t.Fatalf("the schema says %#v\nthe decoder says %v of\n%s", invalid, faults, data)
		}
		for _, f := range withSchema {
			if msg := badPointer(doc, f); msg != "" {
				t.Fatalf("%s in %v of\n%s", msg, f, data)
			}
		}
		if invalid == nil {
			accepted++
		} else {
			refused++
		}
	})
	if accepted == 0 || refused == 0 {
		t.Errorf("%d were accepted, %d refused", accepted, refused)
	}
}

// badPointer says what is wrong with the pointer of a fault: it has to lead to something that is
// there or, where a field is missing, to where it would be.
func badPointer(doc any, f report.Fault) string {
	if f.Pointer == "" {
		return ""
	}
	if f.Pointer[0] != '/' {
		return "no JSON Pointer"
	}
	steps := strings.Split(f.Pointer[1:], "/")
	for i, step := range steps {
		if strings.Contains(strings.NewReplacer("~0", "", "~1", "").Replace(step), "~") {
			return "a bad escape"
		}
		step = strings.NewReplacer("~1", "/", "~0", "~").Replace(step)
		switch v := doc.(type) {
		case map[string]any:
			next, ok := v[step]
			if !ok && !(f.Code == report.Missing && i == len(steps)-1) {
				return "there is no " + step
			}
			doc = next
		case []any:
			var n int
			if _, err := fmt.Sscan(step, &n); err != nil || n < 0 || n >= len(v) {
				return "there is no element " + step
			}
			doc = v[n]
		default:
			return "there is nothing under " + step
		}
	}
	return ""
}

// A catalogue in which nothing is as in the built-in one: groups first, counts and quantities
// without bounds, a count that may be negative, units with signs in their codes.
func TestSchemaAndDecoderAgreeOnAnotherCatalogue(t *testing.T) {
	least := -5.5
	doc := catalogue.Document{
		Methods: []catalogue.Method{{ID: "seen", Is: "seen", Alarms: 0.9, Reassures: 0.8, AtMost: 20}},
		Facts: []catalogue.FindingForm{
			{ID: "trailer.fitted", Kind: catalogue.Flag, In: "vehicle"}, {ID: "trailer.mass", Kind: catalogue.Count, In: "vehicle"},
			{ID: "shed.dry", Kind: catalogue.Flag, In: "lay_up"}, {ID: "shed.cold", Kind: catalogue.Quantity, Unit: "Cel", In: "lay_up"},
			{ID: "built", Kind: catalogue.Date, In: "vehicle"}, {ID: "last_ran", Kind: catalogue.Date, In: "lay_up"},
		},
		Systems: []catalogue.SystemForm{{ID: "all", Items: []catalogue.ItemForm{{ID: "gauge", Access: "none", Finds: []catalogue.FindingForm{
			{ID: "vacuum", Kind: catalogue.Quantity, Unit: "[in_i'Hg]", Min: &least},
			{ID: "ratio", Kind: catalogue.Quantity, Unit: "1"},
			{ID: "offset", Kind: catalogue.Count, Min: &least},
			{ID: "grade", Kind: catalogue.Choice, Values: []string{"unknown", "known"}},
			{ID: "words", Kind: catalogue.Text},
			{ID: "stamped", Kind: catalogue.WeekCode},
		}}}}},
	}
	cat, faults := catalogue.New(doc)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	compiled := compiledSchema(t, cat)
	base := `{"schema": "laidup.report/1", "vehicle": {"reference": "x", %s}, "lay_up": {%s}, "inspection": {"date": "2026-05-02"}, "observations": [{"item": "gauge", "method": "seen", "found": {%s}}]}`
	for _, c := range []struct {
		vehicle, layUp, found string
		valid                 bool
	}{
		{`"trailer": {"fitted": true, "mass": 0}`, `"shed": {"dry": false, "cold": {"value": -40, "unit": "degF"}}`, `"vacuum": {"value": -5.5, "unit": "inHg"}`, true},
		{`"trailer": null`, `"shed": null`, `"ratio": {"value": -1e300, "unit": "%"}`, true},
		{`"trailer": {"mass": 1e300}`, `"shed": {"cold": "unknown"}`, `"offset": -5`, true},
		{`"trailer": {"mass": -1}`, ``, `"grade": "unknown"`, false},
		{`"trailer": {"mass": 1.5}`, ``, `"grade": "unknown"`, false},
		{`"trailer": "unknown"`, ``, `"grade": "unknown"`, false},
		{`"trailer": {}`, ``, `"grade": "unknown"`, true},
		{`"trailer": {"shed": 1}`, ``, `"grade": "unknown"`, false},
		{`"trailer.fitted": true`, ``, `"grade": "unknown"`, false},
		{`"built": "1999"`, `"shed.dry": true`, `"grade": "unknown"`, false},
		{`"built": "1999"`, ``, `"offset": -6`, false},
		{`"built": "1999"`, ``, `"offset": 0.5`, false},
		{`"built": "1999"`, ``, `"vacuum": {"value": -5.6, "unit": "inHg"}`, false},
		{`"built": "1999"`, ``, `"vacuum": {"value": -18.7, "unit": "kPa"}`, false},
		{`"built": "1999"`, ``, `"words": "\u2003"`, false},
		{`"built": "1999"`, ``, `"words": "\ufeff"`, true},
		{`"built": "1999"`, ``, `"stamped": "5300"`, true},
		{`"built": "1999"`, ``, `"stamped": "0014"`, false},
		{`"built": "1999"`, ``, `"stamped": "914"`, false},
		{`"built": "1999"`, ``, `"stamped": 914`, false},
	} {
		data := fmt.Appendf(nil, base, c.vehicle, c.layUp, c.found)
		data = bytes.ReplaceAll(data, []byte(`, }`), []byte(`}`))
		_, _, faults := report.Decode(data, cat)
		var doc any
		if err := json.Unmarshal(data, &doc); err != nil {
			t.Fatal(err)
		}
		invalid := compiled.Validate(doc)
		if (len(faults) == 0) != c.valid || (invalid == nil) != c.valid {
			t.Errorf("%s\nvalid: %v; the decoder says %v, the schema %v", data, c.valid, faults, invalid)
		}
	}
}

func TestTheSchemaIsTheSameEachTime(t *testing.T) {
	if !bytes.Equal(report.Schema(builtIn(t)), report.Schema(builtIn(t))) {
		t.Error("two schemas of one catalogue")
	}
	if !bytes.Equal(report.NewChecker(builtIn(t)).Schema(), report.Schema(builtIn(t))) {
		t.Error("the checker has another schema")
	}
}

func TestCheckerAddsWhatWasNotSaid(t *testing.T) {
	checker := report.NewChecker(builtIn(t))
	if r, _, faults := checker.Decode(marshal(t, validReport())); r == nil || len(faults) > 0 {
		t.Errorf("the valid report has %v", faults)
	}
	if _, _, faults := checker.Decode([]byte("{")); len(faults) != 1 || faults[0].Code != report.Malformed {
		t.Errorf("faults are %v", faults)
	}
	// Findings on an item that is not known are not read, and the schema sees that they are no object.
	o := spoilt(t, "/observations/0/item", "wing", "/observations/0/found", list{})
	_, _, faults := checker.Decode(marshal(t, o))
	compare(t, faults, fault{"/observations/0/item", report.UnknownField, ""}, fault{"/observations/0/found", report.WrongValue, "expected object, but got array"})
}

// A validator that works with every digit of a number can be kept busy with a few bytes.
func TestHugeNumbersDoNotKeepTheCheckerBusy(t *testing.T) {
	checker := report.NewChecker(builtIn(t))
	for _, n := range []json.Number{"1e999999", "1e9999999", "-1e999999999", "1e-999999"} {
		observations := list{}
		for range 150 {
			observations = append(observations, object{"item": "timing_marks", "method": "seen", "found": object{"turns_by_hand_since_fitting": n, "age": object{"value": n, "unit": "a"}}})
		}
		start := time.Now()
		checker.Decode(marshal(t, spoilt(t, "/observations", observations, "/colour", 1)))
		if d := time.Since(start); d > 3*time.Second {
			t.Errorf("%s took %v", n, d)
		}
	}
}
