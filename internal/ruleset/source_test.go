package ruleset_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
	"laidup/schema"
)

func TestTheSmallRuleSetLoads(t *testing.T) {
	set := load(t, small)
	if set.Name != "small" || set.Version != "1.2.3" || set.Asks != 1 || len(set.Gates) != 2 || len(set.Hazards) != 2 || len(set.Rules) != 4 || len(set.Limits) != 3 || len(set.Faults) != 2 || len(set.Proofs) != 1 || len(set.Follows) != 1 {
		t.Errorf("the set is %+v", set)
	}
	belt, battery := set.Catalogue.Item("timing_belt"), set.Catalogue.Item("battery")
	if set.HalfLife[belt.Index] != 3 || set.HalfLife[battery.Index] != 0.25 || set.ItemWeight[belt.Index] != 3 || set.ItemWeight[battery.Index] != 1 || set.SystemWeight[0] != 1 || set.SystemWeight[1] != 2 {
		t.Errorf("half-lives %v, weights %v %v", set.HalfLife, set.ItemWeight, set.SystemWeight)
	}
	if set.CommonError != 1.5 || set.LikelyBad != 0.3 {
		t.Errorf("common error %v, likely bad %v", set.CommonError, set.LikelyBad)
	}
	if g := set.Gates; g[0].Tolerates != [5]float64{1, 1, 0.0075, 1, 1} || g[1].Tolerates != [5]float64{1, 0.001, 0.0075, 0.1, 1} || g[1].Because != "much force" {
		t.Errorf("the gates are %+v and %+v", g[0], g[1])
	}
	if len(set.Grades[belt.Index]) != 2 || len(set.Grades[battery.Index]) != 3 {
		t.Errorf("grades are %v", set.Grades)
	}
	read := set.RulesReading
	if len(read[belt.Index]) != 3 || len(read[battery.Index]) != 1 {
		t.Errorf("rules read %v", read)
	}
}

func TestFaultsAndWhatTheyDo(t *testing.T) {
	set := load(t, small)
	weak, flat := set.Faults[0], set.Faults[1]
	strike, start := set.Hazards[0], set.Hazards[1]
	if p := weak.Prior; p.Over != ruleset.Age || p.Of != nil || len(p.Curve) != 3 || p.Spread != 3 || p.Cap != 0.9 || len(p.Shifts) != 2 || p.Shifts[0].DB != 2 || p.Anchor.Year != "2019" {
		t.Errorf("the prior is %+v", p)
	}
	if p := flat.Prior; p.Over != ruleset.Constant || !slices.Equal(p.Curve, []ruleset.Knot{{0, 0.3}}) || p.Spread != 2 || p.Cap != 1 || p.Anchor != nil {
		t.Errorf("the prior is %+v", p)
	}
	if weak.Source.String() != "estimate" || flat.Source.String() != "a handbook (from memory)" || weak.Lines != 1 || flat.Lines != 1 || !weak.Reassured || !flat.Reassured || flat.When == nil {
		t.Errorf("the faults are %+v and %+v", weak, flat)
	}
	if c := weak.ClearBy; len(c) != 1 || c[0].Finding != weak.Item.Renewed || c[0].Value != nil {
		t.Errorf("a fault that does not say is cleared by %+v, not by a new part", c)
	}
	if c := flat.ClearBy; len(c) != 1 || string(c[0].Value) != `{"unit":"V","value":12.7}` {
		t.Errorf("the flat battery is cleared by %s", c[0].Value)
	}
	if !slices.Equal(weak.Hazards, set.Hazards) || !slices.Equal(flat.Hazards, []*ruleset.Hazard{start}) {
		t.Errorf("they cause %v and %v", weak.Hazards, flat.Hazards)
	}
	if len(strike.Causes) != 1 || strike.Causes[0].Fault != weak || strike.Causes[0].Spread != 2 || len(start.Causes) != 2 || start.Causes[1].Fault != weak {
		t.Errorf("causes are %+v and %+v", strike.Causes, start.Causes)
	}
	for _, c := range []struct {
		of    string
		facts []*catalogue.Finding
		want  []string
	}{
		{"the weak belt", weak.Facts, []string{"turbocharged", "storage"}},
		{"the flat battery", flat.Facts, nil}, // hangs on a count
		{"valve strike", strike.Facts, []string{"interference", "turbocharged", "storage"}},
		{"no start", start.Facts, []string{"turbocharged", "storage"}},
	} {
		var got []string
		for _, f := range c.facts {
			got = append(got, f.ID)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s hangs on %v, want %v", c.of, got, c.want)
		}
	}
	f := blank(set)
	if got := start.Causes[0].ChanceOn(f); got != 1 {
		t.Errorf("the chance is %v where the fact is not known", got)
	}
	f[set.Catalogue.Fact("vehicle", "turbocharged").Slot] = 0
	if got := start.Causes[0].ChanceOn(f); got != 0.5 {
		t.Errorf("the chance is %v without a turbocharger", got)
	}
}

func TestRulesLimitsProofsAndFollows(t *testing.T) {
	set := load(t, small)
	belt, battery := set.Catalogue.Item("timing_belt"), set.Catalogue.Item("battery")
	fraying, sound, judged := set.Rules[0], set.Rules[1], set.Rules[3]
	if fraying.Line != sound.Line || judged.Line != sound.Line || fraying.General || sound.General || !judged.General || !slices.Equal(judged.Specific, []int{belt.Find("fraying").Slot}) {
		t.Errorf("the rules are %+v, %+v and %+v", fraying, sound, judged)
	}
	over, loose, frayed := set.Limits[0], set.Limits[1], set.Limits[2]
	if fraying.Limit != frayed || sound.Limit != nil || frayed.ID != "belt_fraying" || frayed.When != fraying.When || frayed.If == nil || frayed.Kind != ruleset.Defect || frayed.Gate != set.Gates[1] || frayed.Index != 2 ||
		frayed.Fault != set.Faults[0] || !slices.Equal(frayed.Guards, set.Hazards) || frayed.ClearBy[0].Finding != belt.Renewed || frayed.Source != "common practice" {
		t.Errorf("a rule that blocks is the limit %+v", frayed)
	}
	if !slices.Equal(over.Interval, []int{belt.Age.Slot}) || !slices.Equal(over.Needs, []int{belt.Find("run").Slot}) || over.Item != belt || over.ClearBy[0].Finding != belt.Renewed {
		t.Errorf("the limit is %+v", over)
	}
	if loose.Fault != nil || loose.Item != battery || loose.Kind != ruleset.Duty || !slices.Equal(loose.Guards, set.Hazards[1:]) || loose.Interval != nil {
		t.Errorf("the limit is %+v", loose)
	}
	if r := set.LimitsReading; !slices.Equal(r[belt.Index], []*ruleset.Limit{over, frayed}) || !slices.Equal(r[battery.Index], []*ruleset.Limit{loose}) {
		t.Errorf("limits read %v", r)
	}
	proof, follow := set.Proofs[0], set.Follows[0]
	if proof.Always || proof.Kind != ruleset.Unproven || !slices.Equal(proof.Guards, set.Hazards[:1]) || !slices.Equal(proof.Needs, []int{belt.Find("fraying").Slot, belt.Renewed.Slot}) || proof.ReadsRemoved {
		t.Errorf("the proof is %+v", proof)
	}
	if follow.Proof != proof || !slices.Equal(follow.Needs, []int{belt.Find("fraying").Slot}) || follow.Item != belt {
		t.Errorf("the follow is %+v", follow)
	}
	always := load(t, spoilt(t, "/proofs/0/guards", drop, "/proofs/0/always", true, "/proofs/0/kind", "duty", "/proofs/0/proves", "!found.fraying && (found.removed || !turbocharged || turbocharged)")).Proofs[0]
	if !always.Always || always.Kind != ruleset.Duty || !always.ReadsRemoved {
		t.Errorf("the proof is %+v", always)
	}
}

func TestWhatAPriorIsOver(t *testing.T) {
	for of, want := range map[string]ruleset.PriorOf{
		"age": ruleset.Age, " years_laid_up ": ruleset.LaidUp, "years_since_built": ruleset.SinceBuilt, "odometer": ruleset.Odometer,
		"found.run": ruleset.Formula, "greatest(age, years_laid_up)": ruleset.Formula, "odometer / 2.0": ruleset.Formula,
	} {
		set := load(t, spoilt(t, "/faults/0/prior/of", of))
		p := set.Faults[0].Prior
		needs := 0
		switch of {
		case "found.run", "greatest(age, years_laid_up)":
			needs = 1
		}
		if p.Over != want || (p.Of != nil) != (want == ruleset.Formula) || len(p.Needs) != needs {
			t.Errorf("a prior of %s is %+v", of, p)
		}
	}
	m := mistakesOf(t, "small.json", spoilt(t, "/faults/0/prior/of", "odometer", "/catalogue/facts/1/id", "distance"))
	if !strings.Contains(m.Error(), "/faults/0/prior/of: the catalogue has no odometer") {
		t.Errorf("mistakes are\n%s", m)
	}
}

func TestJSONIsReadAsYAMLIs(t *testing.T) {
	want := load(t, small)
	if !strings.HasPrefix(want.Digest, "sha256:") || len(want.Digest) != 7+64 {
		t.Errorf("the digest is %s", want.Digest)
	}
	var indented, compact bytes.Buffer
	if err := json.Indent(&indented, want.Canonical, "", "\t"); err != nil {
		t.Fatal(err)
	}
	if err := json.Compact(&compact, want.Canonical); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"canonical":         string(want.Canonical),
		"with tabs":         indented.String(),
		"compact":           compact.String(),
		"after spaces":      "\n\t " + compact.String() + "\r\n",
		"without comments":  strings.ReplaceAll(small, "# A rule set with one of everything, to be spoilt.\n", ""),
		"with comments":     strings.ReplaceAll(small, "\nrules:", " # that was that\n\n# rules\nrules: # here"),
		"other numbers":     strings.NewReplacer("alarms: 0.9,", "alarms: 9e-1,", "years: 2,", "years: 2.0,", "most: 5", "most: 5.", "weight: 20", "weight: +20").Replace(small),
		"other quotes":      strings.NewReplacer(`"keep clear"`, "'keep clear'", "name: small", `"name": "small"`, "version: 1.2.3", `version: "1.2.3"`, `"true": 100`, "true: 100").Replace(small),
		"block text":        strings.Replace(small, `is: "a small rule set"`, "is: >-\n  a small\n  rule set", 1),
		"Windows lines":     strings.ReplaceAll(small, "\n", "\r\n"),
		"a document mark":   "---\n" + small + "...\n",
		"a byte order mark": "\ufeff" + small,
	} {
		set, err := loader(t).Document(name, []byte(text))
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if set.Digest != want.Digest || !bytes.Equal(set.Canonical, want.Canonical) {
			t.Errorf("%s: the digest is %s, want %s", name, set.Digest, want.Digest)
		}
	}
}

func TestTheDigestChangesWithTheRules(t *testing.T) {
	seen := map[string]string{load(t, small).Digest: "as it was"}
	for name, c := range map[string][2]string{
		"a weight": {"weight: 20", "weight: 20.1"}, "a word": {"nobody has looked", "no one has looked"}, "an order": {"values: [\"no\", \"yes\"]", "values: [\"yes\", \"no\"]"},
		"a version": {"version: 1.2.3", "version: 1.2.4"}, "a space": {"keep clear", "keep  clear"},
	} {
		text := strings.Replace(small, c[0], c[1], 1)
		if text == small {
			t.Fatalf("no %s", c[0])
		}
		d := load(t, text).Digest
		if other, same := seen[d]; same {
			t.Errorf("%s changed, and the digest is that of %s", name, other)
		}
		seen[d] = name
	}
}

// What YAML would fold or refuse in a text, JSON keeps.
func TestTextsOfJSONAreKept(t *testing.T) {
	for _, text := range []string{"line\u2028separated", "next\u0085line", "del\x7fete", "a 𝄞 b", "tab\tand\nline", "\ufeff", "back\\slash \"quotes\" / <&>", "c1\u0081", " spaces around "} {
		set := load(t, spoilt(t, "/assumes", list{text}))
		if set.Assumes[0] != text {
			t.Errorf("%q is read as %q", text, set.Assumes[0])
		}
		again := load(t, string(set.Canonical))
		if again.Digest != set.Digest || again.Assumes[0] != text {
			t.Errorf("%q is read again as %q", text, again.Assumes[0])
		}
	}
	escaped := strings.Replace(spoilt(t), `"nothing"`, `"\ud834\udd1e \/ \u00e9"`, 1)
	if set := load(t, escaped); set.Assumes[0] != "𝄞 / é" {
		t.Errorf("escapes are read as %q", set.Assumes[0])
	}
}

func TestMistakesOfJSONSayWhere(t *testing.T) {
	m := mistakesOf(t, "small.json", "{\n \"schema\": \"laidup.rule_set/2\",\n \"é\": \"ß\", \"name\": 5}")
	i := slices.IndexFunc(m, func(m ruleset.Mistake) bool { return m.Pointer == "/name" })
	if i < 0 || m[i].Line != 3 || m[i].Column != 20 {
		t.Errorf("mistakes are\n%s", m)
	}
	m = mistakesOf(t, "small.json", strings.Replace(spoilt(t), "{", `{"name": "x", `, 1))
	if len(m) != 1 || !strings.Contains(m[0].Detail, `"name" stands here twice`) {
		t.Errorf("mistakes are\n%s", m)
	}
	// What is no JSON is read as YAML: an unquoted flow mapping.
	m = mistakesOf(t, "small.yaml", "{schema: laidup.rule_set/2, name: 5}")
	if !slices.ContainsFunc(m, func(m ruleset.Mistake) bool { return m.Pointer == "/name" && m.Line == 1 && m.Column == 35 }) {
		t.Errorf("mistakes are\n%s", m)
	}
}

// What YAML has and JSON has not, or what parsers read in different ways, is refused and not guessed at.
func TestTrapsOfYAML(t *testing.T) {
	for name, c := range map[string]struct {
		old, new string
		line     int // in the small rule set; 0 for any
		text     string
	}{
		"an anchor":               {"cautions: [\"keep clear\"]", "cautions: &c [\"keep clear\"]", 16, "anchors and aliases are not used here"},
		"an anchor on a word":     {"name: small", "name: &n small", 3, "anchors and aliases"},
		"an anchor on a key":      {"name: small", "&n name: small", 3, "a key has to be a word"},
		"an alias":                {"assumes: [\"nothing\"]", "assumes: &a [\"nothing\"]\nnotes: *a", 15, "anchors and aliases"},
		"a merge key":             {"half_life: {years: 2,", "half_life: {<<: {years: 2},", 11, "a key has to be a word"},
		"an alias as a key":       {"name: small", "&n name: small\n*n : x", 0, "a key has to be a word"},
		"a list as a key":         {"name: small", "[name]: small", 3, "a key has to be a word"},
		"a key twice":             {"name: small", "name: small\nname: other", 4, `"name" stands here twice`},
		"a key twice deep down":   {"weight: -12", "weight: -12\n    weight: 12", 0, `"weight" stands here twice`},
		"a key twice in quotes":   {"\"false\": 20", "\"false\": 20, false: 21", 0, `"false" stands here twice`},
		"not a number":            {"proof_credence: 0.6", "proof_credence: .nan", 7, `".nan" is not a decimal number`},
		"infinity":                {"proof_credence: 0.6", "proof_credence: .inf", 7, "not a decimal number"},
		"minus infinity":          {"weight: -12", "weight: -.inf", 0, "not a decimal number"},
		"a hexadecimal number":    {"most: 5", "most: 0x5", 14, `"0x5" is not a decimal number`},
		"an octal number":         {"most: 5", "most: 0o5", 14, "not a decimal number"},
		"an old octal number":     {"most: 5", "most: 010", 14, `"010" is not a decimal number`},
		"a binary number":         {"most: 5", "most: 0b101", 14, "not a decimal number"},
		"a number with bars":      {"most: 5", "most: 1_0", 14, "not a decimal number"},
		"a number with a comma":   {"weight: 20", "weight: 1,5", 0, "expected number, but got string"},
		"a number beyond all":     {"weight: 20", "weight: 1e400", 0, ""},
		"a time of day":           {"weight: 20", "weight: 12:30:45", 0, "expected number, but got string"},
		"a version as a number":   {"version: 1.2.3", "version: 1.2", 4, "expected string, but got number"},
		"a date for a word":       {"is: looked at", "is: 2026-05-02T00:00:00Z\n      , credence: 1", 0, ""},
		"no as a word":            {`values: ["no", "yes"]`, "values: [false, yes]", 0, "expected string, but got boolean"},
		"a word as a number":      {"most: 5", "most: !!int five", 14, "not a decimal number"},
		"binary data":             {"name: small", "name: !!binary c21hbGw=", 3, "!!binary is not used here"},
		"a tag of one's own":      {"name: small", "name: !name small", 3, "!name is not used here"},
		"a set":                   {"cautions: [\"keep clear\"]", "cautions: !!set {keep clear}", 16, "!!set is not used here"},
		"a tag of a program":      {"name: small", "name: !!python/object/apply:os.system [ls]", 3, "is not used here"},
		"a NUL":                   {`"nothing"`, `"not\0hing"`, 15, "U+0000"},
		"a NUL in a key":          {"name: small", `name: small` + "\n" + `"a\0b": 1`, 4, "a key has to be a word"},
		"tabs":                    {"  - {id: hand_turn", "\t- {id: hand_turn", 0, "not YAML"},
		"a tab before a key":      {"    fault: battery_flat", "\tfault: battery_flat", 0, "not YAML"},
		"half a list":             {"look_next: {access: [none, covers]", "look_next: {access: [none, covers", 0, "not YAML"},
		"a bad indent":            {"asks: crank", " asks: crank", 0, "not YAML"},
		"an unknown alias":        {"asks: crank", "asks: *crank", 0, "not YAML"},
		"two documents":           {"gates:", "---\ngates:", 0, "a second document in the file"},
		"something after the end": {"    source: {kind: standard, cite: \"a standard\"}", "    source: {kind: standard, cite: \"a standard\"}\n...\n{]", 0, "not YAML"},
		"control characters":      {`"nothing"`, "\"no\x01thing\"", 0, "not YAML"},
		"invalid UTF-8":           {`"nothing"`, "\"no\xffthing\"", 0, "not YAML"},
		"nested deep":             {`assumes: ["nothing"]`, "assumes: " + strings.Repeat("[", 40) + strings.Repeat("]", 40), 15, "nested more than 24 deep"},
		"nested very deep":        {`assumes: ["nothing"]`, "assumes: " + strings.Repeat("[", 20000) + strings.Repeat("]", 20000), 0, "not YAML"},
	} {
		t.Run(name, func(t *testing.T) {
			text := strings.Replace(small, c.old, c.new, 1)
			if text == small {
				t.Fatalf("no %s", c.old)
			}
			mistakes := mistakesOf(t, "small.yaml", text)
			if !slices.ContainsFunc(mistakes, func(m ruleset.Mistake) bool {
				return m.File == "small.yaml" && (c.line == 0 || m.Line == c.line) && strings.Contains(m.Detail, c.text)
			}) {
				t.Errorf("mistakes are\n%s\nwant line %d: %s", mistakes, c.line, c.text)
			}
		})
	}
}

// Words that YAML 1.1 takes for true and false are words here, as in YAML 1.2.
func TestWordsStayWords(t *testing.T) {
	set := load(t, strings.Replace(small, "{silent: 95, slight: 60, rough: 5}", "{silent: 95, slight: 60, rough: 5}", 1))
	if got := set.Catalogue.Fact("vehicle", "interference").Values; !slices.Equal(got, []string{"no", "yes"}) {
		t.Errorf("values are %q", got)
	}
	bare := load(t, strings.Replace(small, `values: ["no", "yes"]`, "values: [no, yes]", 1))
	if bare.Digest != set.Digest {
		t.Error("no and yes without quotes are something else")
	}
	off := load(t, strings.Replace(small, `assumes: ["nothing"]`, "assumes: [on, off, y, n, 2026-05-02, 12:30, 1.2.3, =, nan, inf, 1e400]", 1))
	if want := []string{"on", "off", "y", "n", "2026-05-02", "12:30", "1.2.3", "=", "nan", "inf", "1e400"}; !slices.Equal(off.Assumes, want) {
		t.Errorf("words are %q", off.Assumes)
	}
}

func TestABillionLaughsAreNotLaughed(t *testing.T) {
	var b strings.Builder
	b.WriteString("a0: &a0 [lol, lol, lol, lol, lol, lol, lol, lol, lol]\n")
	for i := range 30 {
		fmt.Fprintf(&b, "a%d: &a%d [%s]\n", i+1, i+1, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*a%d, ", i), 9), ", "))
	}
	start := time.Now()
	mistakesOf(t, "small.yaml", b.String()+small)
	if d := time.Since(start); d > 5*time.Second {
		t.Errorf("it took %v", d)
	}
}

func TestManyKeysAreReadInTime(t *testing.T) {
	var b strings.Builder
	for i := 0; b.Len() < ruleset.MaxSource/32; i++ {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	start := time.Now()
	mistakesOf(t, "small.yaml", b.String())
	if d := time.Since(start); d > 20*time.Second {
		t.Errorf("it took %v", d)
	}
}

func TestTooLarge(t *testing.T) {
	m := mistakesOf(t, "small.yaml", small+"#"+strings.Repeat(" ", ruleset.MaxSource))
	if !strings.Contains(m[0].Detail, "larger than 2097152 bytes") {
		t.Errorf("mistakes are\n%s", m)
	}
	half := strings.Repeat("#\n", ruleset.MaxSource/3)
	_, err := loader(t).Folder(fstest.MapFS{"r/a.yaml": {Data: []byte(half)}, "r/b.yaml": {Data: []byte(half)}}, "r")
	if err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Errorf("%v", err)
	}
}

func TestNoMappingAtTheTop(t *testing.T) {
	for _, text := range []string{"[]", "- a", "just words", "5", "null", `"x"`} {
		if m := mistakesOf(t, "x.yaml", text); !strings.Contains(m[0].Detail, "a rule set is a mapping") || m[0].Line != 1 {
			t.Errorf("%s: mistakes are\n%s", text, m)
		}
	}
	for _, text := range []string{"", "# nothing\n", "{}"} {
		if m := mistakesOf(t, "x.yaml", text); !strings.Contains(m[0].Detail, "missing properties: 'schema'") || m[0].File != "x.yaml" {
			t.Errorf("%q: mistakes are\n%s", text, m)
		}
	}
}

// folder cuts the small rule set into files before the top-level keys given.
func folder(t testing.TB, cuts ...string) fstest.MapFS {
	t.Helper()
	fsys := fstest.MapFS{}
	rest := small
	for i, key := range cuts {
		before, _, ok := strings.Cut(rest, "\n"+key+":")
		if !ok {
			t.Fatalf("no %s", key)
		}
		fsys[fmt.Sprintf("r/%d.yaml", i)] = &fstest.MapFile{Data: []byte(before + "\n")}
		rest = rest[len(before)+1:]
	}
	fsys["r/z.yaml"] = &fstest.MapFile{Data: []byte(rest)}
	return fsys
}

func TestAFolderIsOneDocument(t *testing.T) {
	want := load(t, small)
	for name, fsys := range map[string]fs.FS{
		"one file":    folder(t),
		"three files": folder(t, "catalogue", "rules"),
		"lists joined in the order of names": func() fs.FS {
			m := folder(t, "rules")
			text := string(m["r/z.yaml"].Data)
			rules, after, _ := strings.Cut(text, "limits:")
			first, second, _ := strings.Cut(rules, "  - id: volts")
			m["r/a.yaml"] = &fstest.MapFile{Data: []byte(first)}
			m["r/b.yaml"] = &fstest.MapFile{Data: []byte("rules:\n  - id: volts" + second)}
			m["r/z.yaml"] = &fstest.MapFile{Data: []byte("limits:" + after)}
			return m
		}(),
		"with what is not of the set": func() fs.FS {
			m := folder(t, "rules")
			m["r/README.md"] = &fstest.MapFile{Data: []byte("{")}
			m["r/old.yml"] = &fstest.MapFile{Data: []byte("{")}
			m["r/tests/more.yaml"] = &fstest.MapFile{Data: []byte("{")}
			m["r/empty.yaml"] = &fstest.MapFile{Data: []byte("# nothing yet\n")}
			return m
		}(),
	} {
		set, err := loader(t).Folder(fsys, "r")
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if set.Digest != want.Digest {
			t.Errorf("%s: another digest", name)
		}
	}
}

// A file may have all that concerns a system: its items stand with its rules.
func TestSystemsMayStandBesideTheirRules(t *testing.T) {
	want := load(t, small)
	systems := func(text string) (before, systems, after string) {
		before, rest, _ := strings.Cut(text, "  systems:\n")
		systems, after, _ = strings.Cut(rest, "gates:\n")
		systems = strings.ReplaceAll("\n"+systems, "\n  ", "\n")[1:]
		return before, "systems:\n" + systems, "gates:\n" + after
	}
	before, both, after := systems(small)
	drive, electrics, _ := strings.Cut(both, "  - id: electrics\n")
	electrics = "systems:\n  - id: electrics\n" + electrics
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	for name, fsys := range map[string]fstest.MapFS{
		"in one file":             {"r/a.yaml": file(before + both + after)},
		"in a file each":          {"r/a.yaml": file(before + after), "r/b.yaml": file(drive), "r/c.yaml": file(electrics)},
		"some in the catalogue":   {"r/a.yaml": file(before + strings.ReplaceAll("\n"+drive, "\n", "\n  ")[1:] + "\n" + after), "r/c.yaml": file(electrics)},
		"one from two files":      {"r/a.yaml": file(before + after), "r/b.yaml": file(drive + "  - {id: electrics, is: electrics, items: []}\n"), "r/c.yaml": file(electrics)},
		"said in two files alike": {"r/a.yaml": file(before + after), "r/b.yaml": file(drive + "  - {id: electrics, items: []}\n"), "r/c.yaml": file(electrics)},
	} {
		set, err := loader(t).Folder(fsys, "r")
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if set.Digest != want.Digest {
			t.Errorf("%s: another digest:\n%s\n%s", name, set.Canonical, want.Canonical)
		}
	}
	for name, c := range map[string]struct {
		fsys fstest.MapFS
		want string
	}{
		"an item at fault": {
			fstest.MapFS{"r/a.yaml": file(before + after), "r/b.yaml": file(drive), "r/c.yaml": file(strings.Replace(electrics, "access: none", "access: roof", 1))},
			`c.yaml:7:17: battery: /catalogue/systems/1/items/0/access: "roof" is not an access`,
		},
		"an item at fault in a second file": {
			fstest.MapFS{"r/a.yaml": file(before + after), "r/b.yaml": file(drive + "  - {id: electrics, is: electrics, items: []}\n"), "r/c.yaml": file(strings.Replace(electrics, "access: none", "access: roof", 1))},
			`c.yaml:7:17: battery: /catalogue/systems/1/items/0/access: "roof" is not an access`,
		},
		"an item of two files": {
			fstest.MapFS{"r/a.yaml": file(before + after), "r/b.yaml": file(drive), "r/c.yaml": file(strings.TrimRight(electrics, "\n") + "\n      - {id: timing_belt, minutes: 1, access: none, finds: []}\n")},
			`timing_belt: /catalogue/systems/1/items/1/id: "timing_belt" is there already`,
		},
		"two names of one system": {
			fstest.MapFS{"r/a.yaml": file(before + after), "r/b.yaml": file(drive), "r/c.yaml": file(electrics), "r/d.yaml": file("systems:\n  - {id: electrics, is: electricity}\n")},
			`d.yaml:2:21: is of the system electrics stands in c.yaml already, and differs: say it once`,
		},
		"no list": {
			fstest.MapFS{"r/a.yaml": file(before + after), "r/b.yaml": file("systems: {id: electrics}\n")},
			`b.yaml:1:10: systems are a list: a dash before each`,
		},
	} {
		_, err := loader(t).Folder(c.fsys, "r")
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %q is not in\n%v", name, c.want, err)
		}
	}
}

func TestMistakesOfAFolder(t *testing.T) {
	with := func(name, text string) fstest.MapFS {
		m := folder(t, "catalogue", "rules")
		m["r/"+name] = &fstest.MapFile{Data: []byte(text)}
		return m
	}
	for name, c := range map[string]struct {
		fsys              fstest.MapFS
		file, entry, text string
		line              int
	}{
		"a word in two files":      {with("y.yaml", "name: other"), "y.yaml", "", `"name" stands in 0.yaml already: only lists are joined`, 1},
		"a mapping in two files":   {with("y.yaml", "\n\nunseen: {of: age}"), "z.yaml", "", `"unseen" stands in y.yaml already`, 0},
		"a list and a word":        {with("y.yaml", "rules: none"), "z.yaml", "", `"rules" stands in y.yaml already`, 0},
		"an unknown field":         {with("y.yaml", "trials: []"), "r", "", "'trials' not allowed", 0},
		"an entry in another file": {with("y.yaml", "# more\nrules:\n  - {id: more, fault: strike, when: found.fraying, weight: 1, because: more, source: {kind: judgement}}"), "y.yaml", "more", `"strike" is not a fault`, 3},
		"twice in two files":       {with("zz.yaml", "rules:\n  - {id: volts, fault: battery_flat, when: found.secured, weight: 1, because: more, source: {kind: judgement}}"), "zz.yaml", "volts", `"volts" is there already`, 2},
		"not YAML in one":          {with("y.yaml", "a: 1\nb: [1, 2\n"), "y.yaml", "", "not YAML", 0},
		"an alias into another":    {with("y.yaml", "assumes: *nothing"), "y.yaml", "", "not YAML", 0},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := loader(t).Folder(c.fsys, "r")
			var mistakes ruleset.Mistakes
			if !errors.As(err, &mistakes) {
				t.Fatalf("loaded: %v", err)
			}
			if !slices.ContainsFunc(mistakes, func(m ruleset.Mistake) bool {
				return m.File == c.file && m.Entry == c.entry && strings.Contains(m.Detail, c.text) && (c.line == 0 || m.Line == c.line)
			}) {
				t.Errorf("mistakes are\n%s", mistakes)
			}
		})
	}
	if _, err := loader(t).Folder(fstest.MapFS{}, "nowhere"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v", err)
	}
}

func TestALoaderNeedsItsSchema(t *testing.T) {
	if _, err := ruleset.NewLoader(fstest.MapFS{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v", err)
	}
	for _, text := range []string{"{", `{"type": 5}`} {
		if _, err := ruleset.NewLoader(fstest.MapFS{"ruleset/2.schema.json": {Data: []byte(text)}}); err == nil {
			t.Errorf("%s was taken for a schema", text)
		}
	}
}

var update = flag.Bool("update", false, "write the golden files anew")

const corpus = "../../testdata/rulesets/bad"

// The number of mistakes of each bad rule set that has more than one. A golden file is not written
// anew while a document has another number.
var mistakesIn = map[string]int{"everything_at_once": 9, "method_with_credence": 2}

// Bad rule sets are named for the reason; what is said of each is in mistakes.golden.
func TestBadRuleSets(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join(corpus, "*.yaml"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no rule sets (%v)", err)
	}
	var b strings.Builder
	left := len(mistakesIn)
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimSuffix(filepath.Base(p), ".yaml")
		mistakes := mistakesOf(t, filepath.Base(p), string(data))
		want, several := mistakesIn[name]
		if several {
			left--
		} else {
			want = 1
		}
		if len(mistakes) != want {
			t.Errorf("%s has %d mistakes, want %d:\n%s", name, len(mistakes), want, mistakes)
		}
		fmt.Fprintf(&b, "%s\n", mistakes)
	}
	if left != 0 {
		t.Errorf("%d rule sets are not there", left)
	}
	golden := filepath.Join(corpus, "mistakes.golden")
	if *update {
		if t.Failed() {
			t.Fatal("not written: mend the above first")
		}
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Split(b.String(), "\n")
	lines := strings.Split(string(want), "\n")
	for i := range min(len(got), len(lines)) {
		if got[i] != lines[i] {
			t.Fatalf("line %d is %q, want %q (-update writes it anew)", i+1, got[i], lines[i])
		}
	}
	if len(got) != len(lines) {
		t.Errorf("%d lines, want %d", len(got), len(lines))
	}
}

func FuzzDocument(f *testing.F) {
	f.Add([]byte(small))
	f.Add([]byte(spoilt(f)))
	paths, err := filepath.Glob(filepath.Join(corpus, "*.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, seed := range []string{"", "{", "a: &a [*a]", "{\"a\": 1}", "? [a]\n: b", "!!map {}", "a: !!float x", "- - - -", "\xff", "%YAML 1.1\n---\na: 1"} {
		f.Add([]byte(seed))
	}
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		set, err := l.Document("fuzz.yaml", data)
		if err != nil {
			var mistakes ruleset.Mistakes
			if !errors.As(err, &mistakes) || len(mistakes) == 0 || set != nil {
				t.Fatalf("%v", err)
			}
			for _, m := range mistakes {
				if m.Detail == "" || m.Pointer != "" && m.Pointer[0] != '/' || m.Line < 0 || (m.Line == 0) != (m.Column == 0) {
					t.Fatalf("mistake %+v", m)
				}
			}
			return
		}
		again, err := l.Document("canonical.json", set.Canonical)
		if err != nil {
			t.Fatalf("%s\ndoes not load again: %v", set.Canonical, err)
		}
		if again.Digest != set.Digest || !bytes.Equal(again.Canonical, set.Canonical) {
			t.Fatalf("%s\nis another when it is loaded again:\n%s", set.Canonical, again.Canonical)
		}
	})
}
