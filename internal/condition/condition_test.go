package condition_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/condition"
	"laidup/internal/handbook"
)

// The names that tests read, in the order of their slots.
var names = slot([]condition.Name{
	{Path: "as_of", Kind: condition.Date},
	{Path: "turbocharged", Kind: condition.Flag},
	{Path: "hybrid", Kind: condition.Flag},
	{Path: "interference", Kind: condition.Choice, Values: []string{"no", "yes"}},
	{Path: "cylinders", Kind: condition.Number},
	{Path: "odometer", Kind: condition.Number},
	{Path: "built", Kind: condition.Date},
	{Path: "air_conditioning.fitted", Kind: condition.Flag},
	{Path: "other.battery.leak", Kind: condition.Choice, Values: []string{"none", "weep", "drip", "run"}},
	{Path: "other.battery.fraying", Kind: condition.Flag},
	{Path: "other.battery.renewed", Kind: condition.Date},
	{Path: "other.battery.age", Kind: condition.Number},
	{Path: "other.battery.record", Kind: condition.Text},
	{Path: "other.fuel.grade", Kind: condition.Choice, Values: []string{"fresh", "unknown", "stale"}},
})

func slot(names []condition.Name) []condition.Name {
	for i := range names {
		names[i].Slot = i
	}
	return names
}

var env = condition.NewEnv(names, nil)

// values of names; what is not mentioned is not known.
type values map[string]any

func frame(t testing.TB, known values) condition.Frame {
	t.Helper()
	f := make(condition.Frame, len(names))
	for i := range f {
		f[i] = condition.Unset
	}
	for path, v := range known {
		n, ok := env.Name(path, "battery")
		if !ok {
			t.Fatalf("no name %s", path)
		}
		switch v := v.(type) {
		case bool:
			f[n.Slot] = 0
			if v {
				f[n.Slot] = 1
			}
		case int:
			f[n.Slot] = float64(v)
		case float64:
			f[n.Slot] = v
		case string:
			switch n.Kind {
			case condition.Choice:
				f[n.Slot] = float64(slices.Index(n.Values, v))
			case condition.Date:
				d, err := calendar.Parse(v)
				if err != nil {
					t.Fatal(err)
				}
				f[n.Slot] = float64(d.Earliest())
			default:
				f[n.Slot] = 1
			}
		}
	}
	return f
}

var truths = map[condition.Truth]string{condition.False: "false", condition.True: "true", condition.Unknown: "unknown"}

func TestWhatConditionsMean(t *testing.T) {
	for _, c := range []struct {
		source string
		known  values
		want   condition.Truth
	}{
		// precedence: ! before arithmetic before comparison before && before || before ?:
		{"turbocharged || hybrid && false", values{"turbocharged": true, "hybrid": true}, condition.True},
		{"(turbocharged || hybrid) && false", values{"turbocharged": true, "hybrid": true}, condition.False},
		{"!turbocharged && hybrid", values{"turbocharged": true, "hybrid": false}, condition.False},
		{"!(turbocharged && hybrid)", values{"turbocharged": true, "hybrid": false}, condition.True},
		{"1 + 2 * 3 == 7", nil, condition.True},
		{"(1 + 2) * 3 == 9", nil, condition.True},
		{"10 - 4 - 3 == 3", nil, condition.True},
		{"12 / 3 / 2 == 2", nil, condition.True},
		{"-2 * -3 == 6", nil, condition.True},
		{"-cylinders == 0 - cylinders", values{"cylinders": 4}, condition.True},
		{"cylinders + 1 > 4 == true", values{"cylinders": 4}, condition.True},
		{"turbocharged ? hybrid : true", values{"turbocharged": false, "hybrid": false}, condition.True},
		{"turbocharged ? hybrid : turbocharged ? false : true", values{"turbocharged": false}, condition.True},
		{"true || turbocharged ? false : true", nil, condition.False},

		// whole numbers are floating-point numbers
		{"cylinders == 4", values{"cylinders": 4}, condition.True},
		{"cylinders / 8 == 0.5", values{"cylinders": 4}, condition.True},
		{"1 / 2 == 0.5", nil, condition.True},
		{"cylinders < 4.5 && cylinders > 3", values{"cylinders": 4}, condition.True},
		{"0x10 == 16", nil, condition.True},
		{"9007199254740993 == 9007199254740992", nil, condition.True},

		// comparisons
		{"cylinders < 4", values{"cylinders": 4}, condition.False},
		{"cylinders <= 4", values{"cylinders": 4}, condition.True},
		{"cylinders > 4", values{"cylinders": 4}, condition.False},
		{"cylinders >= 4", values{"cylinders": 4}, condition.True},
		{"cylinders != 4", values{"cylinders": 4}, condition.False},
		{"4 == cylinders", values{"cylinders": 4}, condition.True},
		{"turbocharged == hybrid", values{"turbocharged": false, "hybrid": false}, condition.True},
		{"turbocharged != hybrid", values{"turbocharged": true, "hybrid": false}, condition.True},
		{"true == turbocharged", values{"turbocharged": true}, condition.True},
		{"(cylinders > 3) == turbocharged", values{"cylinders": 4, "turbocharged": false}, condition.False},

		// choices
		{`found.leak == "drip"`, values{"found.leak": "drip"}, condition.True},
		{`"drip" == found.leak`, values{"found.leak": "drip"}, condition.True},
		{`found.leak != "drip"`, values{"found.leak": "run"}, condition.True},
		{`found.leak in ["drip", "run"]`, values{"found.leak": "run"}, condition.True},
		{`found.leak in ["drip", "run"]`, values{"found.leak": "weep"}, condition.False},
		{`!(found.leak in ["drip", "run"])`, values{"found.leak": "weep"}, condition.True},
		{`found.leak in ['drip', "run",]`, values{"found.leak": "drip"}, condition.True},
		{"cylinders in [3, 4, 6.0]", values{"cylinders": 6}, condition.True},
		{"cylinders in [3, 4, 6.0]", values{"cylinders": 5}, condition.False},

		// unknown as a question
		{`interference == "unknown"`, nil, condition.True},
		{`interference == "unknown"`, values{"interference": "no"}, condition.False},
		{`interference != "unknown"`, nil, condition.False},
		{`interference != "unknown"`, values{"interference": "yes"}, condition.True},
		{`interference in ["unknown"]`, nil, condition.True},
		{`interference in ["unknown", "yes"]`, nil, condition.True},
		{`interference in ["unknown", "yes"]`, values{"interference": "yes"}, condition.True},
		{`interference in ["unknown", "yes"]`, values{"interference": "no"}, condition.False},
		{`other.fuel.grade == "unknown"`, values{"other.fuel.grade": "unknown"}, condition.True},
		{`other.fuel.grade == "unknown"`, values{"other.fuel.grade": "stale"}, condition.False},
		{`other.fuel.grade == "unknown"`, nil, condition.Unknown}, // its own word for it, and nobody asked

		// what is not known
		{"turbocharged", nil, condition.Unknown},
		{"turbocharged == turbocharged", nil, condition.Unknown},
		{`interference != "no"`, nil, condition.Unknown},
		{`found.leak in ["none", "weep", "drip", "run"]`, nil, condition.Unknown},
		{"cylinders in [4]", nil, condition.Unknown},
		{"cylinders > 4", nil, condition.Unknown},
		{"cylinders * 0 == 0", nil, condition.Unknown},
		{"cylinders == cylinders", nil, condition.Unknown},
		{"least(cylinders, 3) < 4", nil, condition.Unknown},
		{"first_known(cylinders, odometer) < 4", nil, condition.Unknown},
		{"first_known(cylinders, 3) < 4", nil, condition.True},
		{"first_known(cylinders, 3) < 4", values{"cylinders": 4}, condition.False},
		{"first_known(cylinders, odometer) == 7", values{"odometer": 7}, condition.True},
		{"age >= first_known(cylinders, 10)", values{"age": 10}, condition.True},
		{"age >= first_known(cylinders, 10)", values{"age": 10, "cylinders": 12}, condition.False},
		{"first_known(cylinders / 0, 3) == 3", values{"cylinders": 4}, condition.True},
		{"greatest(3, cylinders) > 2", nil, condition.Unknown},
		{"(turbocharged ? 1 : 1) == 1", nil, condition.Unknown},
		{"turbocharged ? hybrid : hybrid", values{"hybrid": true}, condition.True},
		{"turbocharged ? hybrid : !hybrid", values{"hybrid": true}, condition.Unknown},
		{"turbocharged ? hybrid : !hybrid", values{"turbocharged": true}, condition.Unknown},
		{"cylinders / odometer > 1", values{"cylinders": 4, "odometer": 0}, condition.Unknown},
		{"odometer / odometer == 1", values{"odometer": 0}, condition.Unknown},
		{`found.record != ""`, nil, condition.Unknown},
		{`found.record != ""`, values{"found.record": "R 12/7"}, condition.True},
		{`found.record == ""`, values{"found.record": "R 12/7"}, condition.False},
		{`"" == found.record`, values{"found.record": "R 12/7"}, condition.False},

		// dates
		{"years_since(found.renewed) < 2.0", values{"found.renewed": "2024-05-03", "as_of": "2026-05-02"}, condition.True},
		{"years_since(found.renewed) < 2.0", values{"found.renewed": "2024-05-02", "as_of": "2026-05-02"}, condition.False},
		{"years_since(found.renewed) == 2", values{"found.renewed": "2024-05-02", "as_of": "2026-05-02"}, condition.True},
		{"years_since(built) > 38", values{"built": "1987", "as_of": "2026-05-02"}, condition.True},
		{"years_since(found.renewed) < 0", values{"found.renewed": "2027", "as_of": "2026-05-02"}, condition.True},
		{"years_since(found.renewed) < 2", values{"as_of": "2026-05-02"}, condition.Unknown},
		{"years_since(found.renewed) < 2", values{"found.renewed": "2024"}, condition.Unknown},
		{"found.renewed > built", values{"found.renewed": "1999", "built": "1987"}, condition.True},
		{"found.renewed == as_of", values{"found.renewed": "2026-05-02", "as_of": "2026-05-02"}, condition.True},
		{"found.renewed <= built", values{"built": "1987"}, condition.Unknown},

		// functions
		{"least(cylinders, 3) == 3", values{"cylinders": 4}, condition.True},
		{"greatest(cylinders, 3) == 4", values{"cylinders": 4}, condition.True},
		{"least(greatest(1, 2), 5 - 4) == 1", nil, condition.True},

		// short forms
		{"found.fraying", values{"found.fraying": true}, condition.True},
		{"other.battery.fraying", values{"found.fraying": true}, condition.True},
		{"age > 5 && other.battery.age > 5", values{"age": 6}, condition.True},
		{"air_conditioning.fitted", values{"air_conditioning.fitted": true}, condition.True},

		// layout
		{"// what the book says\nturbocharged\n  || hybrid", values{"hybrid": true}, condition.True},
		{"true", nil, condition.True},
		{"false", nil, condition.False},
	} {
		t.Run(c.source+" "+truths[c.want], func(t *testing.T) {
			cond, err := env.Compile(c.source, "battery")
			if err != nil {
				t.Fatal(err)
			}
			if got := cond.Holds(frame(t, c.known)); got != c.want {
				t.Errorf("with %v it is %s, want %s", c.known, truths[got], truths[c.want])
			}
			if cond.Source() != c.source {
				t.Errorf("source is %q", cond.Source())
			}
		})
	}
}

// Kleene (1938), strong three-valued logic.
func TestThreeValuedLogic(t *testing.T) {
	const u, f, tr = condition.Unknown, condition.False, condition.True
	known := map[condition.Truth]any{u: nil, f: false, tr: true}
	for _, c := range []struct{ a, b, and, or, equal condition.Truth }{
		{tr, tr, tr, tr, tr}, {tr, f, f, tr, f}, {tr, u, u, tr, u},
		{f, tr, f, tr, f}, {f, f, f, f, tr}, {f, u, f, u, u},
		{u, tr, u, tr, u}, {u, f, f, u, u}, {u, u, u, u, u},
	} {
		v := values{}
		for path, x := range map[string]any{"turbocharged": known[c.a], "hybrid": known[c.b]} {
			if x != nil {
				v[path] = x
			}
		}
		for source, want := range map[string]condition.Truth{
			"turbocharged && hybrid": c.and, "turbocharged || hybrid": c.or, "turbocharged == hybrid": c.equal,
			"!(!turbocharged || !hybrid)": c.and, "!(!turbocharged && !hybrid)": c.or, "!(turbocharged != hybrid)": c.equal,
		} {
			cond, err := env.Compile(source, "")
			if err != nil {
				t.Fatal(err)
			}
			if got := cond.Holds(frame(t, v)); got != want {
				t.Errorf("%s of %s and %s is %s, want %s", source, truths[c.a], truths[c.b], truths[got], truths[want])
			}
		}
	}
	for a, want := range map[condition.Truth]condition.Truth{tr: f, f: tr, u: u} {
		v := values{}
		if known[a] != nil {
			v["hybrid"] = known[a]
		}
		cond, err := env.Compile("!hybrid", "")
		if err != nil {
			t.Fatal(err)
		}
		if got := cond.Holds(frame(t, v)); got != want {
			t.Errorf("not %s is %s", truths[a], truths[got])
		}
	}
}

func TestFormulas(t *testing.T) {
	for source, want := range map[string]float64{
		"age":                               6,
		"age * 2 + 1":                       13,
		"7":                                 7,
		"-age":                              -6,
		"least(age, cylinders)":             4,
		"greatest(age, cylinders)":          6,
		"years_since(found.renewed)":        2,
		"turbocharged ? age : cylinders":    6,
		"odometer / cylinders":              21000,
		"(age - cylinders) / cylinders":     0.5,
		"age > 5 ? 1 : 0":                   1,
		"hybrid ? 1 : 2":                    condition.Unset,
		"cylinders / (age - 6)":             condition.Unset,
		"other.battery.age - found.age + 1": 1,
	} {
		f, err := env.CompileFormula(source, "battery")
		if err != nil {
			t.Errorf("%s: %v", source, err)
			continue
		}
		got := f.Value(frame(t, values{"age": 6, "cylinders": 4, "odometer": 84000, "turbocharged": true, "found.renewed": "2024-05-02", "as_of": "2026-05-02"}))
		if got != want && (got == got || want == want) {
			t.Errorf("%s is %v, want %v", source, got, want)
		}
		if f.Source() != source {
			t.Errorf("source is %q", f.Source())
		}
	}
}

func TestReadsNamesEachSlotOnce(t *testing.T) {
	slots := func(paths ...string) []int {
		var s []int
		for _, p := range paths {
			n, ok := env.Name(p, "battery")
			if !ok {
				t.Fatalf("no name %s", p)
			}
			s = append(s, n.Slot)
		}
		slices.Sort(s)
		return s
	}
	for source, want := range map[string][]int{
		"true":                           slots(),
		"found.fraying && found.fraying": slots("found.fraying"),
		`found.leak == "drip" || age > 1 && other.fuel.grade != "fresh"`: slots("found.leak", "age", "other.fuel.grade"),
		"years_since(found.renewed) > 1":                                 slots("found.renewed", "as_of"),
		"air_conditioning.fitted ? turbocharged : cylinders in [2]":      slots("air_conditioning.fitted", "turbocharged", "cylinders"),
		"found.renewed < built":                                          slots("found.renewed", "built"),
		`found.record != ""`:                                             slots("found.record"),
		"false && hybrid":                                                slots("hybrid"),
	} {
		c, err := env.Compile(source, "battery")
		if err != nil {
			t.Errorf("%s: %v", source, err)
		} else if !slices.Equal(c.Reads(), want) {
			t.Errorf("%s reads %v, want %v", source, c.Reads(), want)
		}
	}
	f, err := env.CompileFormula("least(age, years_since(built))", "battery")
	if err != nil || !slices.Equal(f.Reads(), slots("age", "built", "as_of")) {
		t.Errorf("the formula reads %v (%v)", f.Reads(), err)
	}
}

func TestShortFormsNeedAnItem(t *testing.T) {
	for _, source := range []string{"found.fraying", "age > 1"} {
		if _, err := env.Compile(source, ""); err == nil {
			t.Errorf("%s was taken without an item", source)
		}
	}
	if _, err := env.Compile("other.battery.fraying", ""); err != nil {
		t.Error(err)
	}
	if _, err := env.Compile("found.leak == \"drip\"", "fuel"); err == nil {
		t.Error("a finding of another item was taken")
	}
}

func TestCompileFaults(t *testing.T) {
	for name, c := range map[string]struct {
		source       string
		line, column int
		text         string // a part of it
	}{
		"nothing":                      {"", 1, 1, "Syntax error"},
		"half a comparison":            {"cylinders >", 1, 12, "Syntax error"},
		"two expressions":              {"cylinders > 1 2", 1, 15, "extraneous input"},
		"an unclosed text":             {`found.leak == "drip`, 1, 15, "Syntax error"},
		"an unknown name":              {"wheels > 4", 1, 1, `reads "wheels", which is not declared`},
		"an unknown name on line 2":    {"turbocharged &&\n  wheels > 4", 2, 3, `reads "wheels"`},
		"a misspelt finding":           {`found.lek == "drip"`, 1, 1, `reads "found.lek", which is not declared (did you mean "found.leak"?)`},
		"a misspelt fact":              {"turbo && turbocharge", 1, 10, `did you mean "turbocharged"?`},
		"a group that is no name":      {"air_conditioning", 1, 1, `reads "air_conditioning"`},
		"deeper than the name":         {"found.leak.size", 1, 1, `reads "found.leak.size"`},
		"a type's name":                {"type(cylinders) == double", 1, 20, `reads "double"`},
		"a word that is no value":      {`found.leak == "pouring"`, 1, 15, `other.battery.leak is never "pouring": it is one of none, weep, drip, run`},
		"a listed word that is none":   {`found.leak in ["drip", "pouring"]`, 1, 24, `never "pouring"`},
		"a choice against a choice":    {"found.leak == interference", 1, 15, "can only be compared with words in quotes"},
		"a choice listed with names":   {`found.leak in ["drip", interference]`, 1, 24, "can only be compared with words in quotes"},
		"a choice in order":            {`found.leak > "drip"`, 1, 1, "compare it with == or in"},
		"a choice that is a number":    {"found.leak == 2", 1, 12, "no matching overload"},
		"a number that is text":        {`cylinders == "4"`, 1, 11, "no matching overload"},
		"a number in order with text":  {`cylinders > "4"`, 1, 11, "no matching overload"},
		"a number listed with text":    {`cylinders in [4, "6"]`, 1, 18, "is a number: list numbers"},
		"a number in a number":         {"cylinders in cylinders", 1, 11, "no matching overload"},
		"a list that is a name":        {"4 in [cylinders]", 1, 1, "only a choice or a number can be looked for in a list"},
		"a flag in a list":             {"turbocharged in [true]", 1, 1, "only a choice or a number"},
		"a date in a list":             {"built in []", 1, 1, "only a choice or a number"},
		"a flag as a number":           {"turbocharged > 1", 1, 14, "no matching overload"},
		"a flag equal to a number":     {"turbocharged == 1", 1, 14, "no matching overload"},
		"a flag in order":              {"turbocharged < true", 1, 1, "turbocharged is not a number"},
		"a number as a flag":           {"cylinders && true", 1, 1, "expected type 'bool' but found 'double'"},
		"not a number":                 {"!cylinders", 1, 1, "no matching overload"},
		"minus a flag":                 {"-turbocharged", 1, 1, "no matching overload"},
		"a number as the whole":        {"cylinders + 1", 1, 1, "gives a number where a condition (true or false) is wanted"},
		"a word as the whole":          {`"drip"`, 1, 1, "gives a word where a condition"},
		"a date as the whole":          {"built", 1, 1, "where a condition (true or false) is wanted"},
		"text compared":                {`found.record == "R 12"`, 1, 17, "is free text: only"},
		"text listed":                  {`found.record in ["R 12"]`, 1, 18, "is free text: only"},
		"text in order":                {`found.record > "A"`, 1, 1, "is not a number"},
		"text against text":            {"found.record == found.record", 1, 17, "can only be compared with words in quotes"},
		"two words":                    {`"a" == "a"`, 1, 1, "not something that conditions have"},
		"a date against a number":      {"built < 1987", 1, 7, "no matching overload"},
		"a date less a date":           {`built - as_of > duration("1s")`, 1, 1, "not something that conditions have"},
		"a date written out":           {`timestamp("2026-01-01T00:00:00Z") < built`, 1, 10, "not something that conditions have"},
		"years since a word":           {`years_since("2020") > 1`, 1, 12, "no matching overload"},
		"years since one of two":       {"years_since(turbocharged ? built : as_of) > 1", 1, 12, "years_since needs the name of a date"},
		"the year of one of two":       {"year_of(turbocharged ? built : as_of) > 1", 1, 8, "year_of needs the name of a date"},
		"a choice that is empty":       {`found.leak == ""`, 1, 15, `never ""`},
		"something in what is no list": {`found.leak in {"drip": true}`, 1, 15, ""},
		"a field that may be there":    {"has(turbocharged.x)", 1, 5, `reads "turbocharged.x"`},
		"words to fall back on":        {`first_known(interference, "yes") == 1`, 1, 12, "no matching overload"},
		"one argument too few":         {"least(1) > 1", 1, 6, "no matching overload"},
		"one argument too many":        {"least(1, 2, 3) > 1", 1, 6, "no matching overload"},
		"a function there is not":      {"most(1, 2) > 1", 1, 5, "undeclared reference to 'most'"},
		"has":                          {"has(found.leak)", 1, 4, "undeclared reference to 'has'"},
		"all":                          {"[1, 2].all(x, x > 0)", 1, 11, "all is not a function that conditions have"},
		"exists":                       {"[1].exists(x, x > 0)", 1, 11, "exists is not a function"},
		"map":                          {"[1].map(x, x * 2) == [2]", 1, 8, "map is not a function"},
		"a member function":            {`found.leak.startsWith("d")`, 1, 22, "startsWith is not a function"},
		"a function of text":           {`matches("drip", "d.*")`, 1, 8, "not something that conditions have"},
		"a conversion":                 {"int(2.5) == 2", 1, 10, "no matching overload"},
		"dyn":                          {"dyn(cylinders) == 1", 1, 4, "not something that conditions have"},
		"size":                         {"size([1]) > 1", 1, 5, "not something that conditions have"},
		"a map":                        {`{"a": 1.0}["a"] == 1.0`, 1, 11, ""},
		"a message":                    {"google.protobuf.Int64Value{value: 1} == 1", 1, 38, "no matching overload"},
		"an index":                     {"cylinders[0] == 1", 1, 10, "no matching overload"},
		"lists":                        {"[cylinders] == [1]", 1, 1, "not something that conditions have"},
		"nothing compared":             {"null == null", 1, 1, "not something that conditions have"},
		"bytes":                        {`b"x" == b"x"`, 1, 1, "not something that conditions have"},
		"an unsigned number":           {"cylinders > 1u", 1, 13, "not something that conditions have"},
		"a remainder":                  {"cylinders % 2 == 0", 1, 11, "no matching overload"},
		"a number beyond measure":      {"cylinders > 1e400", 1, 13, "invalid double literal"},
		"a whole number beyond it":     {"cylinders > 99999999999999999999", 1, 13, "invalid int literal"},
		"too long":                     {strings.Repeat(" ", condition.MaxLength) + "true", 1, 1, "is 1004 bytes long: 1000 is the limit"},
		"too many nodes":               {strings.Repeat("hybrid||", 101) + "hybrid", 1, 1, "costs 203 nodes: 200 is the limit"},
		"nested too deep":              {strings.Repeat("(", 60) + "true" + strings.Repeat(")", 60), 1, 1, "recursion limit"},
		"bytes that are not UTF-8":     {"turbocharged || \xff", 1, 17, "Syntax error"},
		"a NUL":                        {"turbocharged || \x00", 1, 17, "Syntax error"},
		"columns count characters":     {`found.leak == "тёк" || wheels > 1`, 1, 24, `reads "wheels"`},
		"a leading dot":                {".turbocharged", 1, 2, `reads ".turbocharged"`},
		"a reserved word":              {"turbocharged && package", 1, 17, "reserved identifier"},
		"the name of another language": {"turbocharged and hybrid", 1, 14, "Syntax error"},
	} {
		t.Run(name, func(t *testing.T) {
			cond, err := env.Compile(c.source, "battery")
			var faults condition.Faults
			if !errors.As(err, &faults) || len(faults) == 0 || cond != nil {
				t.Fatalf("taken: %v", err)
			}
			for _, f := range faults {
				if f.Line == c.line && f.Column == c.column && strings.Contains(f.Text, c.text) {
					return
				}
			}
			t.Errorf("faults are %+v, want %d:%d %s", []condition.Fault(faults), c.line, c.column, c.text)
		})
	}
}

func TestAllFaultsAreToldAtOnce(t *testing.T) {
	_, err := env.Compile("wheels > 4 &&\n doors > 2", "")
	var faults condition.Faults
	if !errors.As(err, &faults) || len(faults) != 2 || faults[0].Line != 1 || faults[1].Line != 2 {
		t.Errorf("faults are %+v", faults)
	}
	if want := faults[0].Text + "; " + faults[1].Text; err.Error() != want {
		t.Errorf("as one text: %q", err)
	}
	_, err = env.Compile(`found.leak == "a" || found.leak == "b"`, "battery")
	if !errors.As(err, &faults) || len(faults) != 2 {
		t.Errorf("faults are %+v", faults)
	}
}

func TestAFormulaThatIsACondition(t *testing.T) {
	_, err := env.CompileFormula("cylinders > 4", "")
	if err == nil || !strings.Contains(err.Error(), "gives a condition (true or false) where a number is wanted") {
		t.Errorf("%v", err)
	}
	if _, err := env.CompileFormula("dyn(1)", ""); err == nil {
		t.Error("dyn was taken")
	}
	if _, err := env.CompileFormula("wheels + doors", ""); err == nil || !strings.Contains(err.Error(), "wheels") || !strings.Contains(err.Error(), "doors") {
		t.Errorf("%v", err)
	}
}

func TestTheLimitsAreInclusive(t *testing.T) {
	if _, err := env.Compile(strings.Repeat(" ", condition.MaxLength-4)+"true", ""); err != nil {
		t.Errorf("%d bytes: %v", condition.MaxLength, err)
	}
	// n names and n-1 operators
	if _, err := env.Compile(strings.Repeat("hybrid||", condition.MaxNodes/2-1)+"hybrid", ""); err != nil {
		t.Errorf("%d nodes: %v", condition.MaxNodes-1, err)
	}
}

func TestYearsSinceNeedsADateToCountTo(t *testing.T) {
	e := condition.NewEnv([]condition.Name{{Path: "built", Kind: condition.Date}}, nil)
	if _, err := e.Compile("years_since(built) > 1", ""); err == nil || !strings.Contains(err.Error(), "needs the name of a date") {
		t.Errorf("%v", err)
	}
}

func TestANameDeclaredTwicePanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("no panic")
		}
	}()
	condition.NewEnv([]condition.Name{{Path: "a", Kind: condition.Flag}, {Path: "a", Kind: condition.Flag, Slot: 1}}, nil)
}

func TestNames(t *testing.T) {
	got := env.Names()
	if len(got) != len(names) || !slices.IsSorted(got) {
		t.Errorf("names are %v", got)
	}
	for _, f := range []string{"years_since", "least", "greatest", "first_known"} {
		if !slices.Contains(condition.FunctionNames(), f) {
			t.Errorf("functions are %v, without %s", condition.FunctionNames(), f)
		}
	}
	if f := frame(t, values{"hybrid": false}); !f.Known(2) || f.Known(1) {
		t.Error("what is known is not")
	}
}

// A function gives what the handbook says, and nothing where a number that it needs is not known.
func TestFunctionsGiveWhatTheHandbookSays(t *testing.T) {
	known := values{"cylinders": 12.5, "odometer": 20, "built": "1996", "as_of": "2026-05-02"}
	for source, want := range map[string]float64{
		"state_of_charge(cylinders, odometer)":     handbook.StateOfCharge(12.5, 20),
		"state_of_charge(odometer, cylinders)":     handbook.StateOfCharge(20, 12.5),
		"steering_play_limit(odometer)":            handbook.SteeringPlayLimit(20),
		"r12_gauge_pressure(odometer)":             handbook.GaugePressure(handbook.SaturationPressureR12(20)),
		"r134a_gauge_pressure(odometer)":           handbook.GaugePressure(handbook.SaturationPressureR134a(20)),
		"glycol_freezing_point(odometer)":          handbook.GlycolFreezingPoint(20),
		"dot3_boiling_point(cylinders)":            handbook.DOT3BoilingPoint(12.5),
		"year_of(built)":                           1996,
		"year_of(found.renewed)":                   condition.Unset,
		"least(odometer, cylinders)":               12.5,
		"least(cylinders, odometer)":               12.5,
		"greatest(odometer, cylinders)":            20,
		"greatest(cylinders, odometer)":            20,
		"greatest(cylinders, age)":                 condition.Unset,
		"least(age, cylinders)":                    condition.Unset,
		"state_of_charge(cylinders, age)":          condition.Unset,
		"first_known(age, cylinders) + odometer":   32.5,
		"cylinders - odometer":                     -7.5,
		"years_since(built) - years_since(built)":  0,
		"odometer < cylinders ? odometer : -1":     -1,
		"cylinders < odometer ? cylinders : 0 - 1": 12.5,
	} {
		f, err := env.CompileFormula(source, "battery")
		if err != nil {
			t.Errorf("%s: %v", source, err)
			continue
		}
		if got := f.Value(frame(t, known)); got != want && (got == got || want == want) {
			t.Errorf("%s is %v, want %v", source, got, want)
		}
	}
	if _, err := env.CompileFormula("years_since(turbocharged ? built : as_of)", "battery"); err == nil {
		t.Error("years since one of two dates were taken for a number")
	}
}

func TestWhatIsNotKnownOnEitherSide(t *testing.T) {
	for _, source := range []string{"4 < cylinders", "cylinders < 4", "cylinders > odometer", "odometer >= cylinders", "cylinders == odometer", "built < as_of", "as_of > built"} {
		cond, err := env.Compile(source, "battery")
		if err != nil {
			t.Fatal(err)
		}
		if got := cond.Holds(frame(t, values{"odometer": 4, "as_of": "2026-05-02"})); got != condition.Unknown {
			t.Errorf("%s is %s", source, truths[got])
		}
	}
}

// One mistake is told once, and what was written near it suggested.
func TestWhatIsSuggested(t *testing.T) {
	alike := condition.NewEnv([]condition.Name{{Path: "ab", Kind: condition.Flag}, {Path: "ac", Kind: condition.Flag, Slot: 1}, {Path: "ae", Kind: condition.Flag, Slot: 2}}, nil)
	for _, c := range []struct {
		env          *condition.Env
		source, item string
		want         string
	}{
		{env, "hybrit", "", "hybrid"},
		{env, "hybird", "", "hybrid"},
		{env, "hybr", "", "hybrid"},
		{env, "brid", "", "hybrid"},
		{env, "hyb", "", ""},
		{env, "xybr", "", ""},
		{env, "hybridized", "", ""},
		{env, "hybrids", "", "hybrid"},
		{env, "turbochargers", "", "turbocharged"},
		{env, "turbocharging", "", "turbocharged"},
		{env, "turbochargings", "", ""},
		{env, "turbochargingss", "", ""},
		{env, "uilt", "", "built"},
		{env, "buil", "", "built"},
		{env, "buuilt", "", "built"},
		{env, "biult", "", "built"},
		{env, "x", "", ""},
		{env, "agee", "battery", "age"},
		{env, "found.agee", "battery", "found.age"},
		{env, "found.lek", "battery", "found.leak"},
		{env, "other.battery.lek", "battery", ""},
		{env, "other.battery.lek", "", "other.battery.leak"},
		{env, "other.battery.lek", "fuel", "other.battery.leak"},
		{alike, "ad", "", "ab"},
		{alike, "aaaa", "", ""},
		{alike, "aab", "", "ab"},
	} {
		_, err := c.env.Compile(c.source, c.item)
		var faults condition.Faults
		if !errors.As(err, &faults) || len(faults) != 1 {
			t.Errorf("%s: %v", c.source, err)
			continue
		}
		want := `reads "` + c.source + `", which is not declared`
		if c.want != "" {
			want += ` (did you mean "` + c.want + `"?)`
		}
		if faults[0].Text != want {
			t.Errorf("%s of %s: %s, want %s", c.source, c.item, faults[0].Text, want)
		}
	}
	for _, source := range []string{"[1].map(x, x * 2) == [2]", "turbocharged in [true]", `cylinders in [4, "6", "7"]`, `found.leak in ["pouring"]`, "year_of(turbocharged ? built : as_of) > 1"} {
		_, err := env.Compile(source, "battery")
		var faults condition.Faults
		if !errors.As(err, &faults) || len(faults) != 1 {
			t.Errorf("%s: %v", source, err)
		}
	}
}

func TestAsManyNodesAsAllowed(t *testing.T) {
	if _, err := env.Compile("!hybrid"+strings.Repeat("||hybrid", condition.MaxNodes/2-1), ""); err != nil {
		t.Errorf("%d nodes: %v", condition.MaxNodes, err)
	}
}
