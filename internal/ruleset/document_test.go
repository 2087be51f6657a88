package ruleset_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/ruleset"
)

// Every fault says where it is and, where it has one, in which entry.
func TestFaultsOfARuleSet(t *testing.T) {
	for name, c := range map[string]struct {
		changes              []any
		pointer, entry, text string
	}{
		// the JSON Schema
		"a field there is not":              {list{"/author", "me"}, "", "", `additionalProperties 'author' not allowed`},
		"a field of a rule there is not":    {list{"/rules/0/wieght", 3}, "/rules/0", "belt_fraying", `'wieght' not allowed`},
		"no name":                           {list{"/name", drop}, "", "", `missing properties: 'name'`},
		"several missing":                   {list{"/name", drop, "/gates", drop}, "", "", `missing properties: 'name', 'gates'`},
		"another schema":                    {list{"/schema", "laidup.rule_set/2"}, "/schema", "", `value must be "laidup.rule_set/1"`},
		"a version that is a number":        {list{"/version", 1.2}, "/version", "", "expected string, but got number"},
		"a version of two parts":            {list{"/version", "1.2"}, "/version", "", "does not match pattern"},
		"a name with spaces":                {list{"/name", "first start"}, "/name", "", "does not match pattern"},
		"proof that needs no credence":      {list{"/proof_credence", 0}, "/proof_credence", "", "must be > 0"},
		"a weight of a severity missing":    {list{"/severity_weights/marginal", drop}, "/severity_weights", "", "missing properties: 'marginal'"},
		"a half-life of nothing":            {list{"/half_life/years", 0}, "/half_life/years", "", "must be > 0"},
		"no gates":                          {list{"/gates", list{}}, "/gates", "", "minimum 1 items required"},
		"a tolerance there is not":          {list{"/gates/1/tolerance", "extreme"}, "/gates/1/tolerance", "crank", `must be one of "high", "serious", "medium", "low"`},
		"a severity there is not":           {list{"/hazards/1/severity", "awful"}, "/hazards/1/severity", "flat", `must be one of "catastrophic"`},
		"a severity of a case there is not": {list{"/hazards/0/severity/0/is", "awful"}, "/hazards/0/severity/0/is", "valve_strike", `must be one of "catastrophic"`},
		"a certain prior":                   {list{"/hazards/1/prior/is", 1}, "/hazards/1/prior/is", "flat", "must be < 1"},
		"a prior of nothing":                {list{"/hazards/1/prior/is", 0}, "/hazards/1/prior/is", "flat", "must be > 0"},
		"a prior without its unknown":       {list{"/hazards/0/prior/when_unknown", drop}, "/hazards/0/prior", "valve_strike", "missing properties: 'when_unknown'"},
		"a prior with two forms":            {list{"/hazards/0/prior/is", 0.1}, "/hazards/0/prior", "valve_strike", "'is' not allowed"},
		"a knot of three":                   {list{"/hazards/0/prior/curve/0", list{1, 2, 3}}, "/hazards/0/prior/curve/0", "valve_strike", "maximum 2 items required"},
		"a curve without knots":             {list{"/rules/2/weight/curve", list{}}, "/rules/2/weight/curve", "volts", "minimum 1 items required"},
		"a weight of a word":                {list{"/rules/0/weight", "much"}, "/rules/0/weight", "belt_fraying", "expected number, but got string"},
		"a weight of 70 decibans":           {list{"/rules/0/weight", 70}, "/rules/0/weight", "belt_fraying", "must be <= 60"},
		"a kind of blocker there is not":    {list{"/rules/0/blocks/kind", "unproven"}, "/rules/0/blocks/kind", "belt_fraying", `must be one of "defect", "duty"`},
		"a condition that is a list":        {list{"/rules/0/when", list{"found.fraying"}}, "/rules/0/when", "belt_fraying", "expected string, but got array"},
		"an empty condition":                {list{"/rules/0/when", ""}, "/rules/0/when", "belt_fraying", "length must be >= 1"},
		"a condition too long":              {list{"/rules/0/when", strings.Repeat("x", 1001)}, "/rules/0/when", "belt_fraying", "length must be <= 1000"},
		"nothing that clears":               {list{"/hazards/0/clear_by", list{}}, "/hazards/0/clear_by", "valve_strike", "minimum 1 items required"},
		"a regulation not cited":            {list{"/rules/0/source", object{"kind": "regulation"}}, "/rules/0/source", "belt_fraying", "missing properties: 'cite'"},
		"judgement that is cited":           {list{"/rules/0/source/cite", "me"}, "/rules/0/source", "belt_fraying", "'cite' not allowed"},
		"a source there is not":             {list{"/rules/0/source/kind", "forum"}, "/rules/0/source/kind", "belt_fraying", "value must be one of"},
		"no proof":                          {list{"/proofs/0/proven_by", list{}}, "/proofs/0/proven_by", "belt_proven", "minimum 1 items required"},
		"a grade of 101":                    {list{"/grades/0/map/silent", 101}, "/grades/0/map/silent", "", "must be <= 100"},
		"a grade of a strange name":         {list{"/grades/0/map/a b~1c", "x"}, "/grades/0/map/a b~1c", "", "expected number"},
		"a grade of neither":                {list{"/grades/0/map", drop}, "/grades/0", "", "missing properties"},
		"null for a list":                   {list{"/rules", nil}, "/rules", "", "expected array, but got null"},
		"a fact of no kind":                 {list{"/catalogue/facts/1/kind", "word"}, "/catalogue/facts/1/kind", "interference", "must be one of"},

		// the catalogue
		"an item in two systems":     {list{"/catalogue/systems/1/items/0/id", "timing_belt"}, "/catalogue/systems/1/items/0/id", "timing_belt", "is there already"},
		"an unheard-of access":       {list{"/catalogue/systems/1/items/0/access", "roof"}, "/catalogue/systems/1/items/0/access", "battery", "is not an access"},
		"an item that never applies": {list{"/catalogue/systems/1/items/0/applies", "wheels > 4"}, "/catalogue/systems/1/items/0/applies", "battery", `reads "wheels"`},

		// gates, weights
		"asks for no gate":           {list{"/asks", "fly"}, "/asks", "", `"fly" is not a gate of this rule set`},
		"two gates of one name":      {list{"/gates/0/id", "crank"}, "/gates/1/id", "crank", `"crank" is there already`},
		"what is worse weighs less":  {list{"/severity_weights/critical", 2000}, "/severity_weights/critical", "", "weighs more than what is worse"},
		"an access there is not":     {list{"/look_next/access/1", "roof"}, "/look_next/access/1", "", `"roof" is not an access`},
		"a half-life of no item":     {list{"/half_lives/0/item", "wing"}, "/half_lives/0/item", "", `"wing" is not an item`},
		"two half-lives of one item": {list{"/half_lives/-", object{"item": "battery", "years": 3, "source": object{"kind": "judgement"}}}, "/half_lives/1/item", "", `"battery" is there already`},
		"a weight of no item":        {list{"/weights/items/0/id", "wing"}, "/weights/items/0/id", "wing", "is not an item"},
		"a weight of no system":      {list{"/weights/systems/0/id", "wings"}, "/weights/systems/0/id", "wings", "is not a system"},
		"two weights of one item":    {list{"/weights/items/-", object{"id": "timing_belt", "weight": 1}}, "/weights/items/1/id", "timing_belt", "is there already"},
		"two weights of one system":  {list{"/weights/systems/-", object{"id": "electrics", "weight": 1}}, "/weights/systems/1/id", "electrics", "is there already"},

		// hazards
		"two hazards of one name":       {list{"/hazards/1/id", "valve_strike"}, "/hazards/1/id", "valve_strike", "is there already"},
		"a hazard of no item":           {list{"/hazards/1/item", "wing"}, "/hazards/1/item", "flat", `"wing" is not an item`},
		"a hazard at no gate":           {list{"/hazards/1/gate", "fly"}, "/hazards/1/gate", "flat", `"fly" is not a gate`},
		"a hazard when found":           {list{"/hazards/1/when", "other.battery.secured"}, "/hazards/1/when", "flat", "is not declared"},
		"severity by a finding":         {list{"/hazards/0/severity/0/when", "other.timing_belt.fraying"}, "/hazards/0/severity/0/when", "valve_strike", "is not declared"},
		"a severity without an end":     {list{"/hazards/0/severity/1/when", "cylinders > 4"}, "/hazards/0/severity", "valve_strike", "the last case, and only the last"},
		"a severity that ends early":    {list{"/hazards/0/severity/0/when", drop}, "/hazards/0/severity", "valve_strike", "the last case, and only the last"},
		"a prior of a choice":           {list{"/hazards/0/prior/of", "interference"}, "/hazards/0/prior/of", "valve_strike", "gives a word where a number is wanted"},
		"a prior of a misspelling":      {list{"/hazards/0/prior/of", "agee"}, "/hazards/0/prior/of", "valve_strike", `did you mean "age"?) (line 1, column 1 of the condition)`},
		"a prior from right to left":    {list{"/hazards/0/prior/curve/1/0", 0}, "/hazards/0/prior/curve/1", "valve_strike", "from left to right"},
		"a prior above certainty":       {list{"/hazards/0/prior/curve/1/1", 1.5}, "/hazards/0/prior/curve/1", "valve_strike", "between 0 and 1"},
		"a prior that falls to nothing": {list{"/hazards/0/prior/curve/0/1", 0}, "/hazards/0/prior/curve/0", "valve_strike", "between 0 and 1"},
		"not knowing is better":         {list{"/hazards/0/prior/when_unknown", 0.01}, "/hazards/0/prior/when_unknown", "valve_strike", "not knowing would be better than knowing"},

		// rules
		"two rules of one name":         {list{"/rules/1/id", "belt_fraying"}, "/rules/1/id", "belt_fraying", "is there already"},
		"a rule of no hazard":           {list{"/rules/0/hazard", "strike"}, "/rules/0/hazard", "belt_fraying", `"strike" is not a hazard`},
		"a rule on no item":             {list{"/rules/0/item", "wing"}, "/rules/0/item", "belt_fraying", `"wing" is not an item`},
		"a rule that blocks no gate":    {list{"/rules/0/blocks/gate", "fly"}, "/rules/0/blocks/gate", "belt_fraying", "is not a gate"},
		"a rule that blocks when found": {list{"/rules/0/blocks/when", "found.fraying"}, "/rules/0/blocks/when", "belt_fraying", "is not declared"},
		"a rule of another item":        {list{"/rules/0/when", "found.open_circuit < 12"}, "/rules/0/when", "belt_fraying", `reads "found.open_circuit"`},
		"a rule that is a number":       {list{"/rules/0/when", "found.run"}, "/rules/0/when", "belt_fraying", "gives a number"},
		"a rule on facts alone":         {list{"/rules/0/when", "cylinders > 4"}, "/rules/0/when", "belt_fraying", "reads no finding: what the facts alone say belongs into the prior"},
		"a rule on years alone":         {list{"/rules/0/when", "years_laid_up > 4"}, "/rules/0/when", "belt_fraying", "reads no finding"},
		"a weight of a word's place":    {list{"/rules/2/weight/of", "found.secured"}, "/rules/2/weight/of", "volts", "gives a condition"},
		"a weight from right to left":   {list{"/rules/2/weight/curve/1/0", 11}, "/rules/2/weight/curve/1", "volts", "from left to right"},
		"a rule that reads too much": {list{"/rules/0/when", `found.fraying && found.noise == "rough" && found.run > 1 && found.record != "" && found.ordered < found.renewed && age > 1 && found.removed && found.judged == "unfit" && other.battery.secured`},
			"/rules/0/when", "belt_fraying", "reads 10 findings: 8 is the limit"},
		"a reason with no such finding": {list{"/rules/0/because", "at {found.speed}"}, "/rules/0/because", "belt_fraying", "{found.speed} is not something that can be put in"},
		"a reason that is not closed":   {list{"/rules/0/because", "at {age"}, "/rules/0/because", "belt_fraying", "{age} is not something"},
		"a reason with a text in it":    {list{"/rules/0/because", "says {found.record}"}, "/rules/0/because", "belt_fraying", "{found.record} is not something"},
		"a reason with braces":          {list{"/rules/0/because", "a {} b"}, "/rules/0/because", "belt_fraying", "{} is not something"},

		// what clears
		"cleared on no item":             {list{"/hazards/1/clear_by/0/item", "wing"}, "/hazards/1/clear_by/0/item", "flat", "is not an item"},
		"cleared by no finding":          {list{"/hazards/1/clear_by/0/found", object{"charge": 1}}, "/hazards/1/clear_by/0/found/charge", "flat", `"charge" cannot be found on battery`},
		"cleared by a strange finding":   {list{"/hazards/1/clear_by/0/found", object{"a/b": 1}}, "/hazards/1/clear_by/0/found/a~1b", "flat", "cannot be found"},
		"cleared by a wrong unit":        {list{"/hazards/1/clear_by/0/found/open_circuit/unit", "bar"}, "/hazards/1/clear_by/0/found/open_circuit", "flat", "is not a unit for this"},
		"cleared by an impossible value": {list{"/hazards/1/clear_by/0/found/open_circuit/value", 600}, "/hazards/1/clear_by/0/found/open_circuit", "flat", "is impossible here"},
		"cleared by a word for a flag":   {list{"/proofs/0/clear_by/0/found/fraying", "no"}, "/proofs/0/clear_by/0/found/fraying", "belt_proven", "it has to be true or false"},
		"as_of for what is no date":      {list{"/proofs/0/clear_by/0/found", object{"noise": "as_of"}}, "/proofs/0/clear_by/0/found/noise", "belt_proven", `"as_of" is not an answer`},
		"cleared by two values":          {list{"/proofs/0/clear_by/0/found/fraying", true}, "/proofs/0/clear_by/0/found/fraying", "belt_proven", "asks for another value than /rules/1/clear_by/0/found/fraying"},
		"as_of and another day":          {list{"/proofs/0/clear_by/0/found", object{"renewed": "2026-05-02"}}, "/proofs/0/clear_by/0/found/renewed", "belt_proven", "asks for another value"},

		// proofs
		"two proofs of one name":       {list{"/proofs/-", object{"id": "belt_proven", "item": "battery", "gate": "crank", "proven_by": list{"found.secured"}, "because": "x", "clear_by": list{object{"item": "battery", "found": object{"secured": true}}}, "source": object{"kind": "judgement"}}}, "/proofs/1/id", "belt_proven", "is there already"},
		"a proof on no item":           {list{"/proofs/0/item", "wing"}, "/proofs/0/item", "belt_proven", "is not an item"},
		"a proof at no gate":           {list{"/proofs/0/gate", "fly"}, "/proofs/0/gate", "belt_proven", "is not a gate"},
		"a proof by facts":             {list{"/proofs/0/proven_by/1", "cylinders > 4"}, "/proofs/0/proven_by/1", "belt_proven", "facts alone prove nothing"},
		"a proof by a misspelling":     {list{"/proofs/0/proven_by/1", "!found.frayin"}, "/proofs/0/proven_by/1", "belt_proven", `did you mean "found.fraying"?) (line 1, column 2 of the condition)`},
		"a proof needed by nothing":    {list{"/proofs/0/when", "nothing"}, "/proofs/0/when", "belt_proven", "is not declared"},
		"a proof for a strange reason": {list{"/proofs/0/because", "{x}"}, "/proofs/0/because", "belt_proven", "{x} is not something"},

		// condition
		"unseen of a finding":             {list{"/unseen/of", "found.run"}, "/unseen/of", "", "use age, years_laid_up or years_since_built"},
		"unseen from right to left":       {list{"/unseen/high/curve/1/0", 0}, "/unseen/high/curve/1", "", "from left to right"},
		"a grade of no item":              {list{"/grades/0/item", "wing"}, "/grades/0/item", "", "is not an item"},
		"a grade of no finding":           {list{"/grades/0/of", "colour"}, "/grades/0/of", "", `"colour" cannot be found on timing_belt`},
		"a grade of a finding of some":    {list{"/grades/1/of", "noise"}, "/grades/1/of", "", `"noise" cannot be found on battery`},
		"a grade of a value there is not": {list{"/grades/0/map/loud", 50}, "/grades/0/map/loud", "", `noise is never "loud"`},
		"a grade of a strange value":      {list{"/grades/0/map/a~1b", 50}, "/grades/0/map/a~1b", "", "never"},
		"a worse choice graded better":    {list{"/grades/0/map/rough", 70}, "/grades/0/map", "", "a worse noise gets a better condition"},
		"a worse flag graded better":      {list{"/grades/3/map/false", 100.0, "/grades/3/map/true", 20}, "/grades/3/map", "", "a worse secured gets a better condition"},
		"a worse number graded better":    {list{"/grades/2/curve/1/1", 0.0, "/grades/2/curve/0/1", 50}, "/grades/2/curve/1", "", "a worse open_circuit gets a better condition"},
		"a curve above 100":               {list{"/grades/2/curve/1/1", 101}, "/grades/2/curve/1", "", "101 is not between 0 and 100"},
		"a curve from right to left":      {list{"/grades/2/curve/1/0", 11}, "/grades/2/curve/1", "", "from left to right"},
		"a choice graded by a curve":      {list{"/grades/0", object{"item": "timing_belt", "of": "noise", "curve": list{list{0, 1}}, "source": object{"kind": "judgement"}}}, "/grades/0", "", "graded by a map"},
		"a date graded by a map":          {list{"/grades/0/of", "renewed"}, "/grades/0", "", "graded by a map"},
	} {
		t.Run(name, func(t *testing.T) {
			text := spoilt(t, c.changes...)
			faults := faultsOf(t, "small.json", text)
			i := slices.IndexFunc(faults, func(f ruleset.Fault) bool { return f.Pointer == c.pointer && strings.Contains(f.Detail, c.text) })
			if i < 0 {
				t.Fatalf("faults are\n%s\nwant %s: %s", faults, c.pointer, c.text)
			}
			f := faults[i]
			if f.Entry != c.entry || f.File != "small.json" || f.Line < 1 || f.Column < 1 || f.Line > strings.Count(text, "\n")+1 {
				t.Errorf("fault is %+v, want entry %q", f, c.entry)
			}
		})
	}
}

func TestAllFaultsAreToldAtOnce(t *testing.T) {
	faults := faultsOf(t, "small.json", spoilt(t, "/asks", "fly", "/hazards/0/item", "wing", "/hazards/1/gate", "fly", "/rules/2/when", "found.x", "/proofs/0/because", "{x}", "/unseen/of", "luck", "/grades/0/of", "colour"))
	if len(faults) < 7 {
		t.Errorf("faults are\n%s", faults)
	}
	if lines := strings.Split(faults.Error(), "\n"); len(lines) != len(faults) || lines[0] != faults[0].String() {
		t.Errorf("as one text:\n%s", faults)
	}
	faults = faultsOf(t, "small.json", spoilt(t, "/name", "X Y", "/version", 1, "/rules/0/weight", "x", "/hazards/0/gate", 5))
	for _, pointer := range []string{"/name", "/version", "/rules/0/weight", "/hazards/0/gate"} {
		if !slices.ContainsFunc(faults, func(f ruleset.Fault) bool { return f.Pointer == pointer }) {
			t.Errorf("nothing is said of %s:\n%s", pointer, faults)
		}
	}
}

func TestAFaultReadsAsEditorsUnderstandIt(t *testing.T) {
	for want, f := range map[string]ruleset.Fault{
		"rules.yaml:3:5: belt: /rules/0/when: wrong": {File: "rules.yaml", Line: 3, Column: 5, Entry: "belt", Pointer: "/rules/0/when", Detail: "wrong"},
		"rules.yaml: wrong":                          {File: "rules.yaml", Detail: "wrong"},
		"/asks: wrong":                               {Pointer: "/asks", Detail: "wrong"},
		"3:5: /asks: wrong":                          {Line: 3, Column: 5, Pointer: "/asks", Detail: "wrong"},
	} {
		if got := f.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Where a value may have one of several forms, what is said is what keeps it from the one that was meant.
func TestFaultsOfAFormAmongSeveral(t *testing.T) {
	for name, c := range map[string]struct {
		changes []any
		want    []string
	}{
		"a prior over a number":  {list{"/hazards/0/prior/when_unknown", drop}, []string{"/hazards/0/prior: missing properties: 'when_unknown'"}},
		"a severity":             {list{"/hazards/1/severity", "awful"}, []string{`/hazards/1/severity: value must be one of "catastrophic", "critical", "marginal", "negligible"`}},
		"a severity in cases":    {list{"/hazards/0/severity/0/is", "awful"}, []string{`/hazards/0/severity/0/is: value must be one of "catastrophic", "critical", "marginal", "negligible"`}},
		"a weight over a number": {list{"/rules/2/weight/curve", drop}, []string{"/rules/2/weight: missing properties: 'curve'"}},
		"a weight that is none":  {list{"/rules/2/weight", true}, []string{"/rules/2/weight: expected number, but got boolean", "/rules/2/weight: expected object, but got boolean"}},
		"a cited source":         {list{"/rules/2/source/cite", drop}, []string{"/rules/2/source: missing properties: 'cite'"}},
		"an uncited source":      {list{"/rules/0/source/cite", "x"}, []string{"/rules/0/source: additionalProperties 'cite' not allowed"}},
		"a grade both ways":      {list{"/grades/0/curve", list{list{0, 0}}}, []string{"/grades/0: this has several forms at once: use one of them"}},
		"a grade in no way":      {list{"/grades/0/map", drop}, []string{"/grades/0: missing properties: 'map'", "/grades/0: missing properties: 'curve'"}},
	} {
		var got []string
		for _, f := range faultsOf(t, "small.json", spoilt(t, c.changes...)) {
			got = append(got, f.Pointer+": "+f.Detail)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: faults are %q, want %q", name, got, c.want)
		}
	}
}
