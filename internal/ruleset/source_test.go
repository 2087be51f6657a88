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

	"laidup/internal/ruleset"
	"laidup/schema"
)

func TestTheSmallRuleSetLoads(t *testing.T) {
	set := load(t, small)
	if set.Name != "small" || set.Version != "1.2.3" || set.Asks != 1 || len(set.Gates) != 2 || len(set.Hazards) != 2 || len(set.Rules) != 3 || len(set.Proofs) != 1 {
		t.Errorf("the set is %+v", set)
	}
	belt, battery := set.Catalogue.Item("timing_belt"), set.Catalogue.Item("battery")
	if set.HalfLife[belt.Index] != 2 || set.HalfLife[battery.Index] != 0.25 || set.ItemWeight[belt.Index] != 3 || set.ItemWeight[battery.Index] != 1 || set.SystemWeight[0] != 1 || set.SystemWeight[1] != 2 {
		t.Errorf("half-lives %v, weights %v %v", set.HalfLife, set.ItemWeight, set.SystemWeight)
	}
	if h := set.Hazards[0]; h.Lines != 1 || !h.Reassured || h.Source != "judgement" || len(h.ClearBy) != 1 || h.ClearBy[0].Value != nil {
		t.Errorf("the hazard is %+v", h)
	}
	if h := set.Hazards[1]; h.Lines != 1 || !h.Reassured || h.Source != "a handbook (from memory)" || h.Prior.Of != nil || h.Prior.Unknown != 0.3 || string(h.ClearBy[0].Value) != `{"unit":"V","value":12.7}` {
		t.Errorf("the hazard is %+v", h)
	}
	fraying := set.Rules[0]
	if fraying.Line != set.Rules[1].Line || fraying.Blocks.Kind != ruleset.Defect || fraying.Blocks.Gate != set.Gates[1] || len(fraying.ClearBy) != 1 || fraying.ClearBy[0].Finding.ID != "renewed" {
		t.Errorf("the rule is %+v", fraying)
	}
	if len(set.Grades[belt.Index]) != 2 || len(set.Grades[battery.Index]) != 3 {
		t.Errorf("grades are %v", set.Grades)
	}
	read := set.RulesReading
	if len(read[belt.Index]) != 2 || len(read[battery.Index]) != 1 {
		t.Errorf("rules read %v", read)
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
		"other numbers":     strings.NewReplacer("credence: 0.9,", "credence: 9e-1,", "years: 2,", "years: 2.0,", "most: 5", "most: 5.", "weight: 20", "weight: +20").Replace(small),
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

func TestFaultsOfJSONSayWhere(t *testing.T) {
	f := faultsOf(t, "small.json", "{\n \"schema\": \"laidup.rule_set/1\",\n \"é\": \"ß\", \"name\": 5}")
	i := slices.IndexFunc(f, func(f ruleset.Fault) bool { return f.Pointer == "/name" })
	if i < 0 || f[i].Line != 3 || f[i].Column != 20 {
		t.Errorf("faults are\n%s", f)
	}
	f = faultsOf(t, "small.json", strings.Replace(spoilt(t), "{", `{"name": "x", `, 1))
	if len(f) != 1 || !strings.Contains(f[0].Detail, `"name" stands here twice`) {
		t.Errorf("faults are\n%s", f)
	}
	// What is no JSON is read as YAML: an unquoted flow mapping.
	f = faultsOf(t, "small.yaml", "{schema: laidup.rule_set/1, name: 5}")
	if !slices.ContainsFunc(f, func(f ruleset.Fault) bool { return f.Pointer == "/name" && f.Line == 1 && f.Column == 35 }) {
		t.Errorf("faults are\n%s", f)
	}
}

// What YAML has and JSON has not, or what parsers read in different ways, is refused and not guessed at.
func TestTrapsOfYAML(t *testing.T) {
	for name, c := range map[string]struct {
		old, new string
		line     int // in the small rule set; 0 for any
		text     string
	}{
		"an anchor":               {"cautions: [\"keep clear\"]", "cautions: &c [\"keep clear\"]", 14, "anchors and aliases are not used here"},
		"an anchor on a word":     {"name: small", "name: &n small", 3, "anchors and aliases"},
		"an anchor on a key":      {"name: small", "&n name: small", 3, "a key has to be a word"},
		"an alias":                {"assumes: [\"nothing\"]", "assumes: &a [\"nothing\"]\nnotes: *a", 13, "anchors and aliases"},
		"a merge key":             {"half_life: {years: 2,", "half_life: {<<: {years: 2},", 9, "a key has to be a word"},
		"an alias as a key":       {"name: small", "&n name: small\n*n : x", 0, "a key has to be a word"},
		"a list as a key":         {"name: small", "[name]: small", 3, "a key has to be a word"},
		"a key twice":             {"name: small", "name: small\nname: other", 4, `"name" stands here twice`},
		"a key twice deep down":   {"weight: -12", "weight: -12\n    weight: 12", 0, `"weight" stands here twice`},
		"a key twice in quotes":   {"\"false\": 20", "\"false\": 20, false: 21", 0, `"false" stands here twice`},
		"not a number":            {"proof_credence: 0.6", "proof_credence: .nan", 7, `".nan" is not a decimal number`},
		"infinity":                {"proof_credence: 0.6", "proof_credence: .inf", 7, "not a decimal number"},
		"minus infinity":          {"weight: -12", "weight: -.inf", 0, "not a decimal number"},
		"a hexadecimal number":    {"most: 5", "most: 0x5", 12, `"0x5" is not a decimal number`},
		"an octal number":         {"most: 5", "most: 0o5", 12, "not a decimal number"},
		"an old octal number":     {"most: 5", "most: 010", 12, `"010" is not a decimal number`},
		"a binary number":         {"most: 5", "most: 0b101", 12, "not a decimal number"},
		"a number with bars":      {"most: 5", "most: 1_0", 12, "not a decimal number"},
		"a number with a comma":   {"weight: 20", "weight: 1,5", 0, "expected number, but got string"},
		"a number beyond all":     {"weight: 20", "weight: 1e400", 0, ""},
		"a time of day":           {"weight: 20", "weight: 12:30:45", 0, "expected number, but got string"},
		"a version as a number":   {"version: 1.2.3", "version: 1.2", 4, "expected string, but got number"},
		"a date for a word":       {"is: looked at", "is: 2026-05-02T00:00:00Z\n      , credence: 1", 0, ""},
		"no as a word":            {`values: ["no", "yes"]`, "values: [false, yes]", 0, "expected string, but got boolean"},
		"a word as a number":      {"most: 5", "most: !!int five", 12, "not a decimal number"},
		"binary data":             {"name: small", "name: !!binary c21hbGw=", 3, "!!binary is not used here"},
		"a tag of one's own":      {"name: small", "name: !name small", 3, "!name is not used here"},
		"a set":                   {"cautions: [\"keep clear\"]", "cautions: !!set {keep clear}", 14, "!!set is not used here"},
		"a tag of a program":      {"name: small", "name: !!python/object/apply:os.system [ls]", 3, "is not used here"},
		"a NUL":                   {`"nothing"`, `"not\0hing"`, 13, "U+0000"},
		"a NUL in a key":          {"name: small", `name: small` + "\n" + `"a\0b": 1`, 4, "a key has to be a word"},
		"tabs":                    {"  - {id: hand_turn", "\t- {id: hand_turn", 0, "not YAML"},
		"a tab before a key":      {"    hazard: flat", "\thazard: flat", 0, "not YAML"},
		"half a list":             {"look_next: {access: [none, covers]", "look_next: {access: [none, covers", 0, "not YAML"},
		"a bad indent":            {"asks: crank", " asks: crank", 0, "not YAML"},
		"an unknown alias":        {"asks: crank", "asks: *crank", 0, "not YAML"},
		"two documents":           {"gates:", "---\ngates:", 0, "a second document in the file"},
		"something after the end": {"    source: {kind: standard, cite: \"a standard\"}", "    source: {kind: standard, cite: \"a standard\"}\n...\n{]", 0, "not YAML"},
		"control characters":      {`"nothing"`, "\"no\x01thing\"", 0, "not YAML"},
		"invalid UTF-8":           {`"nothing"`, "\"no\xffthing\"", 0, "not YAML"},
		"nested deep":             {`assumes: ["nothing"]`, "assumes: " + strings.Repeat("[", 40) + strings.Repeat("]", 40), 13, "nested more than 24 deep"},
		"nested very deep":        {`assumes: ["nothing"]`, "assumes: " + strings.Repeat("[", 20000) + strings.Repeat("]", 20000), 0, "not YAML"},
	} {
		t.Run(name, func(t *testing.T) {
			text := strings.Replace(small, c.old, c.new, 1)
			if text == small {
				t.Fatalf("no %s", c.old)
			}
			faults := faultsOf(t, "small.yaml", text)
			if !slices.ContainsFunc(faults, func(f ruleset.Fault) bool {
				return f.File == "small.yaml" && (c.line == 0 || f.Line == c.line) && strings.Contains(f.Detail, c.text)
			}) {
				t.Errorf("faults are\n%s\nwant line %d: %s", faults, c.line, c.text)
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
	faultsOf(t, "small.yaml", b.String()+small)
	if d := time.Since(start); d > 5*time.Second {
		t.Errorf("it took %v", d)
	}
}

func TestManyKeysAreReadInTime(t *testing.T) {
	var b strings.Builder
	for i := 0; b.Len() < ruleset.MaxSource/8; i++ {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	start := time.Now()
	faultsOf(t, "small.yaml", b.String())
	if d := time.Since(start); d > 20*time.Second {
		t.Errorf("it took %v", d)
	}
}

func TestTooLarge(t *testing.T) {
	f := faultsOf(t, "small.yaml", small+"#"+strings.Repeat(" ", ruleset.MaxSource))
	if !strings.Contains(f[0].Detail, "larger than 2097152 bytes") {
		t.Errorf("faults are\n%s", f)
	}
	half := strings.Repeat("#\n", ruleset.MaxSource/3)
	_, err := loader(t).Folder(fstest.MapFS{"r/a.yaml": {Data: []byte(half)}, "r/b.yaml": {Data: []byte(half)}}, "r")
	if err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Errorf("%v", err)
	}
}

func TestNoMappingAtTheTop(t *testing.T) {
	for _, text := range []string{"[]", "- a", "just words", "5", "null", `"x"`} {
		if f := faultsOf(t, "x.yaml", text); !strings.Contains(f[0].Detail, "a rule set is a mapping") || f[0].Line != 1 {
			t.Errorf("%s: faults are\n%s", text, f)
		}
	}
	for _, text := range []string{"", "# nothing\n", "{}"} {
		if f := faultsOf(t, "x.yaml", text); !strings.Contains(f[0].Detail, "missing properties: 'schema'") || f[0].File != "x.yaml" {
			t.Errorf("%q: faults are\n%s", text, f)
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
			rules, after, _ := strings.Cut(text, "proofs:")
			first, second, _ := strings.Cut(rules, "  - id: volts")
			m["r/a.yaml"] = &fstest.MapFile{Data: []byte(first)}
			m["r/b.yaml"] = &fstest.MapFile{Data: []byte("rules:\n  - id: volts" + second)}
			m["r/z.yaml"] = &fstest.MapFile{Data: []byte("proofs:" + after)}
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

func TestFaultsOfAFolder(t *testing.T) {
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
		"an entry in another file": {with("y.yaml", "# more\nrules:\n  - {id: more, hazard: strike, when: found.fraying, weight: 1, because: more, source: {kind: judgement}}"), "y.yaml", "more", `"strike" is not a hazard`, 3},
		"twice in two files":       {with("zz.yaml", "rules:\n  - {id: volts, hazard: flat, when: found.secured, weight: 1, because: more, source: {kind: judgement}}"), "zz.yaml", "volts", `"volts" is there already`, 2},
		"not YAML in one":          {with("y.yaml", "a: 1\nb: [1, 2\n"), "y.yaml", "", "not YAML", 0},
		"an alias into another":    {with("y.yaml", "assumes: *nothing"), "y.yaml", "", "not YAML", 0},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := loader(t).Folder(c.fsys, "r")
			var faults ruleset.Faults
			if !errors.As(err, &faults) {
				t.Fatalf("loaded: %v", err)
			}
			if !slices.ContainsFunc(faults, func(f ruleset.Fault) bool {
				return f.File == c.file && f.Entry == c.entry && strings.Contains(f.Detail, c.text) && (c.line == 0 || f.Line == c.line)
			}) {
				t.Errorf("faults are\n%s", faults)
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
		if _, err := ruleset.NewLoader(fstest.MapFS{"ruleset/1.schema.json": {Data: []byte(text)}}); err == nil {
			t.Errorf("%s was taken for a schema", text)
		}
	}
}

var update = flag.Bool("update", false, "write the golden files anew")

const corpus = "../../testdata/rulesets/bad"

// The number of faults of each bad rule set that has more than one. A golden file is not written
// anew while a document has another number.
var faultsIn = map[string]int{"everything_at_once": 7}

// Bad rule sets are named for the reason; what is said of each is in faults.golden.
func TestBadRuleSets(t *testing.T) {
	paths, err := filepath.Glob(filepath.Join(corpus, "*.yaml"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no rule sets (%v)", err)
	}
	var b strings.Builder
	left := len(faultsIn)
	for _, p := range paths {
		data, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimSuffix(filepath.Base(p), ".yaml")
		faults := faultsOf(t, filepath.Base(p), string(data))
		want, several := faultsIn[name]
		if several {
			left--
		} else {
			want = 1
		}
		if len(faults) != want {
			t.Errorf("%s has %d faults, want %d:\n%s", name, len(faults), want, faults)
		}
		fmt.Fprintf(&b, "%s\n", faults)
	}
	if left != 0 {
		t.Errorf("%d rule sets are not there", left)
	}
	golden := filepath.Join(corpus, "faults.golden")
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
			var faults ruleset.Faults
			if !errors.As(err, &faults) || len(faults) == 0 || set != nil {
				t.Fatalf("%v", err)
			}
			for _, fault := range faults {
				if fault.Detail == "" || fault.Pointer != "" && fault.Pointer[0] != '/' || fault.Line < 0 || (fault.Line == 0) != (fault.Column == 0) {
					t.Fatalf("fault %+v", fault)
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
