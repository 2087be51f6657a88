package rulecheck_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/quantity"
	"laidup/internal/report"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
	"laidup/internal/score"

	"go.yaml.in/yaml/v3"
)

// The statuses of a published value.
const (
	readInSource  = "read"
	readSecondary = "read in a secondary account"
	fromMemory    = "from memory"
)

// publishedTable is testdata/published-values.yaml, which says what its fields mean.
type publishedTable struct {
	Values []published `yaml:"values"`
	Ours   []ourNumber `yaml:"ours"`
}

type published struct {
	Quantity string   `yaml:"quantity"`
	Value    figure   `yaml:"value"`
	Unit     string   `yaml:"unit"`
	At       *measure `yaml:"at"`
	Within   float64  `yaml:"within"`
	Source   string   `yaml:"source"`
	Status   string   `yaml:"status"`
	Rests    []rest   `yaml:"rests"`
}

// rest is one entry of the rule set that rests on a published value, and how it shows.
type rest struct {
	Rule   string `yaml:"rule"`
	Limit  string `yaml:"limit"`
	Proof  string `yaml:"proof"`
	Grade  string `yaml:"grade"` // item.finding
	Fault  string `yaml:"fault"`
	Hazard string `yaml:"hazard"`

	Finding   string                    `yaml:"finding"` // item.finding, not of a grade
	With      map[string]map[string]any `yaml:"with"`
	Vehicle   map[string]any            `yaml:"vehicle"`
	Remainder bool                      `yaml:"remainder"`
	ShareOf   *measure                  `yaml:"share_of"`
	Times     float64                   `yaml:"times"`
	Plus      float64                   `yaml:"plus"`
	Within    float64                   `yaml:"within"`

	Fires  string `yaml:"fires"`
	Holds  string `yaml:"holds"`
	Bends  bool   `yaml:"bends"`
	States bool   `yaml:"states"`
}

type measure struct {
	Finding string `yaml:"finding"`
	Value   figure `yaml:"value"`
	Unit    string `yaml:"unit"`
}

type ourNumber struct {
	Rule    string    `yaml:"rule"`
	Limit   string    `yaml:"limit"`
	Proof   string    `yaml:"proof"`
	Fault   string    `yaml:"fault"`
	Grade   string    `yaml:"grade"`
	Numbers []float64 `yaml:"numbers"`
	Figures []string  `yaml:"figures"`
	Because string    `yaml:"because"`
}

// figure is a number as the trade writes it: 1.6, or 1/32, or 2 1/4.
type figure float64

func (f *figure) UnmarshalYAML(n *yaml.Node) error {
	v, err := parseFigure(n.Value)
	*f = figure(v)
	return err
}

func parseFigure(s string) (float64, error) {
	sum := 0.0
	for _, part := range strings.Fields(s) {
		over, under, broken := strings.Cut(part, "/")
		v, err := strconv.ParseFloat(over, 64)
		if err != nil {
			return 0, fmt.Errorf("%q is not a figure: %w", s, err)
		}
		if broken {
			d, err := strconv.ParseFloat(under, 64)
			if err != nil || d == 0 {
				return 0, fmt.Errorf("%q is not a figure", s)
			}
			v /= d
		}
		sum += v
	}
	return sum, nil
}

var publishedOnce = sync.OnceValues(func() (*publishedTable, error) {
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "published-values.yaml"))
	if err != nil {
		return nil, err
	}
	d := yaml.NewDecoder(bytes.NewReader(data))
	d.KnownFields(true)
	table := &publishedTable{}
	return table, d.Decode(table)
})

func publishedValues(t *testing.T) *publishedTable {
	t.Helper()
	table, err := publishedOnce()
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// id names the entry of the rule set, so that ids of different kinds never meet.
func (r rest) id() string {
	for kind, id := range map[string]string{"rule": r.Rule, "limit": r.Limit, "proof": r.Proof, "grade": r.Grade, "fault": r.Fault, "hazard": r.Hazard} {
		if id != "" {
			return kind + " " + id
		}
	}
	return ""
}

func (o ourNumber) id() string {
	return rest{Rule: o.Rule, Limit: o.Limit, Proof: o.Proof, Fault: o.Fault, Grade: o.Grade}.id()
}

// trial is a rule set with what is needed to try published values on it.
type trial struct {
	set    *ruleset.Set
	scorer func() *score.Scorer // made when it is first asked for: most values need none
}

func newTrial(set *ruleset.Set) trial {
	return trial{set, sync.OnceValue(func() *score.Scorer { return score.New(set) })}
}

// on is one report of the findings of a rest, with the published quantity at a value in its unit.
func (tr trial) on(p published, r rest, value float64) (*report.Report, *report.Dossier, error) {
	found := map[string]map[string]any{}
	put := func(finding string, v any) {
		item, id, _ := strings.Cut(finding, ".")
		if found[item] == nil {
			found[item] = map[string]any{}
		}
		found[item][id] = v
	}
	for item, fs := range r.With {
		for f, v := range fs {
			put(item+"."+f, v)
		}
	}
	if p.At != nil && p.At.Finding != "" {
		put(p.At.Finding, map[string]any{"value": float64(p.At.Value), "unit": p.At.Unit})
	}
	unit := p.Unit
	if r.Remainder {
		value = 100 - value
	}
	if r.Times != 0 {
		value *= r.Times
	}
	value += r.Plus
	if r.ShareOf != nil {
		put(r.ShareOf.Finding, map[string]any{"value": float64(r.ShareOf.Value), "unit": r.ShareOf.Unit})
		value, unit = value/100*float64(r.ShareOf.Value), r.ShareOf.Unit
	}
	finding := r.Finding
	if r.Grade != "" {
		finding = r.Grade
	}
	if tr.isDate(finding) {
		if unit != "a" {
			return nil, nil, fmt.Errorf("%s is a date: its age is in years", finding)
		}
		put(finding, (today - calendar.Day(math.Round(value*daysInYear))).String())
	} else {
		put(finding, map[string]any{"value": value, "unit": unit})
	}

	var observations []map[string]any
	for _, item := range slices.Sorted(maps.Keys(found)) {
		observations = append(observations, map[string]any{"item": item, "method": "tested", "found": found[item]})
	}
	vehicle := map[string]any{"reference": "published"}
	maps.Copy(vehicle, r.Vehicle)
	data, err := json.Marshal(map[string]any{
		"schema": report.SchemaName, "vehicle": vehicle, "inspection": map[string]any{"date": rulecheck.Today}, "observations": observations,
	})
	if err != nil {
		return nil, nil, err
	}
	rep, _, faults := report.Decode(data, tr.set.Catalogue)
	if len(faults) > 0 {
		return nil, nil, fmt.Errorf("no form could post %s: %v", data, faults)
	}
	return rep, report.Lay([]*report.Report{rep}, tr.set.Catalogue, tr.set.ProofCredence), nil
}

const daysInYear = 365.25

var today = calendar.DayOf(2026, 5, 2) // rulecheck.Today

func (tr trial) isDate(finding string) bool {
	item, id, _ := strings.Cut(finding, ".")
	it := tr.set.Catalogue.Item(item)
	if it == nil {
		return false
	}
	f := it.Find(id)
	return f != nil && f.Kind == catalogue.Date
}

// answers reports whether a rule fires, a limit is crossed, or a proof is given, with the published
// quantity at a value.
func (tr trial) answers(p published, r rest, value float64) (bool, error) {
	_, d, err := tr.on(p, r, value)
	if err != nil {
		return false, err
	}
	known := func(needs []int) bool {
		return !slices.ContainsFunc(needs, func(slot int) bool { return !d.Frame.Known(slot) })
	}
	switch {
	case r.Rule != "":
		rule := byID(tr.set.Rules, func(x *ruleset.Rule) string { return x.ID }, r.Rule)
		holds := rule.When.Holds(d.Frame)
		weighs := tr.weight(rule, d)
		if holds == condition.Unknown {
			weighs = max(weighs, 0) // undecided reassures nobody
		}
		return known(rule.Needs) && holds != condition.False && (rule.Limit != nil || weighs != 0), nil
	case r.Limit != "":
		limit := byID(tr.set.Limits, func(x *ruleset.Limit) string { return x.ID }, r.Limit)
		return known(limit.Needs) && limit.When.Holds(d.Frame) != condition.False && (limit.If == nil || limit.If.Holds(d.Frame) != condition.False), nil
	}
	proof := byID(tr.set.Proofs, func(x *ruleset.Proof) string { return x.ID }, r.Proof)
	return proof.Proves.Holds(d.Frame) == condition.True, nil
}

func byID[T any](list []*T, idOf func(*T) string, id string) *T {
	return list[slices.IndexFunc(list, func(x *T) bool { return idOf(x) == id })]
}

// weight is what a rule weighs on what was found.
func (tr trial) weight(r *ruleset.Rule, d *report.Dossier) float64 {
	if r.WeightOf == nil {
		return r.Weight
	}
	x := r.WeightOf.Value(d.Frame)
	if x != x {
		return r.Weight
	}
	return ruleset.At(r.Curve, x)
}

// height is what a curve gives with the published quantity at a value, and to how much it is rounded.
func (tr trial) height(p published, r rest, value float64) (y, rounded float64, err error) {
	rep, d, err := tr.on(p, r, value)
	if err != nil {
		return 0, 0, err
	}
	if r.Rule != "" {
		return tr.weight(byID(tr.set.Rules, func(x *ruleset.Rule) string { return x.ID }, r.Rule), d), 1e-9, nil
	}
	a := tr.scorer().Evaluate([]*report.Report{rep}, -1)
	switch {
	case r.Fault != "":
		for _, e := range a.Register {
			for _, c := range e.Causes {
				if c.Fault == r.Fault {
					return c.Prior.Float(), 1e-10, nil
				}
			}
		}
		return 0, 0, fmt.Errorf("the vehicle does not have the fault %s", r.Fault)
	}
	item, _, _ := strings.Cut(r.Grade, ".")
	for _, s := range a.Condition.Systems {
		for _, c := range s.Items {
			if c.Item == item {
				return c.Expected.Float(), 1e-6, nil
			}
		}
	}
	return 0, 0, fmt.Errorf("the vehicle does not have %s", item)
}

// tolerance is by how much published tables differ where that is said.
func tolerance(p published, r rest) float64 {
	if r.Within != 0 {
		return r.Within
	}
	return p.Within
}

// noticeable is by how much a published value has to be altered for a rule to disagree with it.
func noticeable(p published, r rest) float64 {
	return max(2.2*tolerance(p, r), math.Abs(float64(p.Value))/100)
}

// disagreements are the ways in which an entry of the rule set departs from a published value.
func (tr trial) disagreements(p published, r rest) []string {
	var list []string
	say := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	v := float64(p.Value)
	tolerance := tolerance(p, r)
	step := tolerance
	if step == 0 {
		step = math.Abs(v) / 1000 // no gauge of the trade shows as little
	}

	for _, word := range []string{r.Fires, r.Holds} {
		var under, exactly, over bool
		switch word {
		case "":
			continue
		case "below":
			under = true
		case "up_to":
			under, exactly = true, true
		case "from":
			exactly, over = true, true
		case "above":
			over = true
		default:
			say("%q is none of below, up_to, from, above", word)
		}
		for _, c := range []struct {
			at   float64
			want bool
		}{{v - step, under}, {v, exactly}, {v + step, over}} {
			if c.at == v && tolerance > 0 {
				continue // the sources differ by more
			}
			got, err := tr.answers(p, r, c.at)
			switch {
			case err != nil:
				say("%s", err)
			case got != c.want:
				say("at %.10g %s it answers %v, not %v", c.at, p.Unit, got, c.want)
			}
		}
	}
	if r.Bends {
		var y [5]float64
		for i := range y {
			var rounded float64
			var err error
			if y[i], rounded, err = tr.height(p, r, v+float64(i-2)*step); err != nil {
				say("%s", err)
				return list
			}
			if i < 4 {
				continue
			}
			bend := func(i int) bool { return math.Abs(y[i-1]-2*y[i]+y[i+1]) > 5*rounded }
			if !bend(2) || tolerance == 0 && (bend(1) || bend(3)) {
				say("its curve does not bend at %v %s: %v", v, p.Unit, y)
			}
		}
	}
	return list
}

// Every entry that rests on a published value turns exactly there.
func TestRulesTurnAtPublishedValues(t *testing.T) {
	t.Parallel()
	tr := newTrial(builtin.FirstStart())
	texts := textsOf(t, tr.set)
	for _, p := range publishedValues(t).Values {
		for _, r := range p.Rests {
			if _, there := texts[r.id()]; !there {
				continue // said by the test that the table is in order
			}
			for _, d := range tr.disagreements(p, r) {
				t.Errorf("%s: %s (%s): %s", r.id(), p.Quantity, p.Source, d)
			}
			if r.States && !slices.ContainsFunc(figuresIn(texts[r.id()].said()), func(f printed) bool { return f.is(p, r) }) {
				t.Errorf("%s does not state %v %s: %s (%s)", r.id(), p.Value, p.Unit, p.Quantity, p.Source)
			}
		}
	}
}

// A published value that is altered is noticed by every entry that rests on it.
func TestAnAlteredPublishedValueIsNoticed(t *testing.T) {
	t.Parallel()
	tr := newTrial(builtin.FirstStart())
	texts := textsOf(t, tr.set)
	for _, p := range publishedValues(t).Values {
		for _, r := range p.Rests {
			if _, there := texts[r.id()]; !there || r.Fires == "" && r.Holds == "" && !r.Bends {
				continue
			}
			for _, by := range []float64{-1, 1} {
				altered := p
				altered.Value += figure(by * noticeable(p, r))
				if len(tr.disagreements(altered, r)) == 0 {
					t.Errorf("%s agrees with %v %s as well as with the published %v: %s", r.id(), altered.Value, p.Unit, p.Value, p.Quantity)
				}
			}
		}
	}
}

func TestThePublishedTableIsInOrder(t *testing.T) {
	table := publishedValues(t)
	texts := textsOf(t, builtin.FirstStart())
	memory, named := map[string]bool{}, map[string]bool{}
	for _, p := range table.Values {
		if p.Quantity == "" || p.Source == "" || p.Unit == "" || len(p.Rests) == 0 {
			t.Errorf("%+v lacks a quantity, a source, a unit or what rests on it", p)
		}
		if !slices.Contains([]string{readInSource, readSecondary, fromMemory}, p.Status) {
			t.Errorf("%s: %q is not a status", p.Quantity, p.Status)
		}
		for _, r := range p.Rests {
			if n := len(slices.DeleteFunc([]string{r.Rule, r.Limit, r.Proof, r.Grade, r.Fault, r.Hazard}, func(id string) bool { return id == "" })); n != 1 {
				t.Errorf("%s: %d entries in one line: %+v", p.Quantity, n, r)
			}
			text, there := texts[r.id()]
			if !there {
				t.Errorf("%s: there is no %q", p.Quantity, r.id())
				continue
			}
			if r.Fires == "" && r.Holds == "" && !r.Bends && !r.States {
				t.Errorf("%s: %s does nothing with it", p.Quantity, r.id())
			}
			named[r.id()] = true
			if p.Status == fromMemory {
				memory[r.id()] = true
				if !strings.Contains(text.source.Note, fromMemory) {
					t.Errorf("%s rests on %q from memory, and its source does not say so: %+v", r.id(), p.Quantity, text.source)
				}
			}
		}
	}
	for id := range named {
		if strings.Contains(texts[id].source.Note, fromMemory) && !memory[id] {
			t.Errorf("the source of %s says from memory, and all published values that it rests on were read", id)
		}
	}
}

// A number in a condition or on a curve that stands on a cited source is a published one, so that
// the table notices when it is altered, or the table says why it is not.
func TestCitedNumbersArePublished(t *testing.T) {
	t.Parallel()
	set, table := builtin.FirstStart(), publishedValues(t)
	rests := map[string][]func(trial) bool{}
	by := map[string]float64{}
	for _, p := range table.Values {
		for _, r := range p.Rests {
			rests[r.id()] = append(rests[r.id()], func(tr trial) bool { return len(tr.disagreements(p, r)) > 0 })
			by[r.id()] = max(by[r.id()], noticeable(p, r)/math.Abs(float64(p.Value)))
		}
	}
	ours := map[string][]float64{}
	for _, o := range table.Ours {
		id := o.id()
		if ours[id] = append(ours[id], o.Numbers...); o.Because == "" {
			t.Errorf("%s: nobody says why %v is not published", id, o.Numbers)
		}
	}
	texts := textsOf(t, set)
	checked := 0
	for _, id := range slices.Sorted(maps.Keys(texts)) {
		if !texts[id].cited() {
			continue
		}
		if texts[id].readsOffATable() && len(rests[id]) == 0 {
			t.Errorf("%s reads a table of the handbook and no published value", id)
		}
		numbers := numbersOf(set, id)
		unnoticed := map[float64]bool{}
		for _, n := range numbers {
			checked++
			noticed := true
			for _, factor := range []float64{1 - by[id], 1 + by[id]} {
				altered, err := n.altered(factor)
				if err != nil {
					t.Fatalf("%s: %v times %v: %v", id, n.value, factor, err)
				}
				tr := newTrial(altered)
				noticed = noticed && slices.ContainsFunc(rests[id], func(notices func(trial) bool) bool { return notices(tr) })
			}
			unnoticed[n.value] = unnoticed[n.value] || !noticed
			if !noticed && !slices.Contains(ours[id], n.value) {
				t.Errorf("%s has the number %v, which no published value holds: add one to testdata/published-values.yaml, or say there why it is ours", id, n.value)
			}
		}
		for _, v := range ours[id] {
			// Where a number stands several times, one of them may be ours alone.
			switch unheld, there := unnoticed[v]; {
			case !there:
				t.Errorf("%s does not have the number %v that is said to be ours", id, v)
			case !unheld:
				t.Errorf("%s: %v is published and is said to be ours", id, v)
			}
		}
		delete(ours, id)
	}
	for id := range ours {
		t.Errorf("%s does not stand on a cited source: its numbers are its own anyway", id)
	}
	if checked < 50 {
		t.Errorf("only %d numbers were looked at", checked)
	}
}

// What a cited source is quoted to say, in figures with a unit, is in the table too.
func TestQuotedFiguresArePublished(t *testing.T) {
	texts := textsOf(t, builtin.FirstStart())
	table := publishedValues(t)
	for _, id := range slices.Sorted(maps.Keys(texts)) {
		if !texts[id].cited() {
			continue
		}
		for _, f := range figuresIn(texts[id].said()) {
			quoted := slices.ContainsFunc(table.Values, func(p published) bool {
				return slices.ContainsFunc(p.Rests, func(r rest) bool { return r.id() == id && f.is(p, r) })
			})
			isOurs := slices.ContainsFunc(table.Ours, func(o ourNumber) bool { return o.id() == id && slices.Contains(o.Figures, f.text) })
			if !quoted && !isOurs {
				t.Errorf("%s says %q, which is not among its published values", id, f.text)
			}
		}
	}
}

// printed is a figure with its unit as a text has it.
type printed struct {
	text     string
	value    float64
	decimals int
	unit     string
}

var numberWords = strings.NewReplacer("one ", "1 ", "two ", "2 ", "three ", "3 ", "four ", "4 ", "five ", "5 ", "six ", "6 ", "seven ", "7 ", "eight ", "8 ", "ten ", "10 ")

var unitWords = map[string]string{
	"degrees Celsius": "Cel", "degrees Fahrenheit": "degF", "inches": "in", "years": "a", "year": "a", "miles": "mi", "seconds": "s", "hours": "h",
	"ppm": "ppm", "lb": "lb", "cracks": "cracks", "%": "%", "mm": "mm", "in": "in", "ft": "ft", "m": "m", "kPa": "kPa", "psi": "psi", "V": "V", "K": "K",
}

// figureForm finds what stands before a unit: a figure, or a list of them.
var (
	oneFigure  = `-?\d+\.\d+|\d+ \d+/\d+|\d+/\d+|\d+(?: 000)+|-?\d+`
	figureForm = func() *regexp.Regexp {
		words := slices.SortedFunc(maps.Keys(unitWords), func(a, b string) int { return len(b) - len(a) })
		return regexp.MustCompile(`((?:(?:` + oneFigure + `)(?:, | and | or | to ))*(?:` + oneFigure + `)) (` + strings.Join(words, "|") + `)(?:[^A-Za-z]|$)`)
	}()
	figureInList = regexp.MustCompile(oneFigure)
)

func figuresIn(text string) []printed {
	var list []printed
	for _, m := range figureForm.FindAllStringSubmatch(numberWords.Replace(text), -1) {
		for _, s := range figureInList.FindAllString(m[1], -1) {
			v, err := parseFigure(strings.ReplaceAll(s, " 000", "000"))
			if err != nil {
				continue
			}
			decimals := 9 // a fraction is exact
			if !strings.Contains(s, "/") {
				_, after, _ := strings.Cut(s, ".")
				decimals = len(after)
			}
			list = append(list, printed{s + " " + m[2], v, decimals, unitWords[m[2]]})
		}
	}
	return list
}

// is reports whether a printed figure is a published value, or what it was taken at, or by how much
// tables differ, in another unit and rounded as it may be.
func (f printed) is(p published, r rest) bool {
	same := func(value float64, unit string) bool {
		if from, ok := quantity.Lookup(unit); ok {
			to, ok := quantity.Lookup(f.unit)
			if !ok || from.Dimension != to.Dimension {
				return false
			}
			value, _ = quantity.Convert(value, from, to)
		} else if unit != f.unit {
			return false
		}
		return math.Abs(value-f.value) <= 0.5*math.Pow10(-f.decimals)*(1+1e-9)
	}
	return same(float64(p.Value), p.Unit) ||
		r.Remainder && p.Unit == "%" && same(100-float64(p.Value), "%") ||
		p.At != nil && same(float64(p.At.Value), p.At.Unit) ||
		f.unit == "K" && p.Within > 0 && f.value == p.Within
}

// text is what an entry of the rule set says, and on whose word.
type text struct {
	source     ruleset.Source
	says       string
	conditions []string
}

func (x text) said() string { return x.says + "; " + x.source.Cite + "; " + x.source.Note }

func (x text) cited() bool {
	return slices.Contains([]string{"regulation", "standard", "handbook"}, x.source.Kind)
}

// readsOffATable reports whether a condition calls a function of the handbook.
func (x text) readsOffATable() bool {
	for _, name := range condition.FunctionNames() {
		if slices.Contains([]string{"years_since", "least", "greatest", "first_known"}, name) {
			continue
		}
		if slices.ContainsFunc(x.conditions, func(c string) bool { return strings.Contains(c, name+"(") }) {
			return true
		}
	}
	return false
}

// textsOf returns what the entries of a rule set say, by kind and id.
func textsOf(t *testing.T, set *ruleset.Set) map[string]text {
	t.Helper()
	doc, err := set.Document()
	if err != nil {
		t.Fatal(err)
	}
	texts := map[string]text{}
	for _, f := range doc.Faults {
		says := f.Is + "; " + strings.Join(f.Cautions, "; ")
		if a := f.Prior.Anchor; a != nil {
			says += "; " + a.Says
		}
		texts["fault "+f.ID] = text{f.Source, says, []string{f.When, f.Prior.Of}}
	}
	for _, h := range doc.Hazards {
		texts["hazard "+h.ID] = text{h.Source, h.What + "; " + strings.Join(h.Cautions, "; "), []string{h.When}}
	}
	for _, r := range doc.Rules {
		texts["rule "+r.ID] = text{r.Source, r.Because + "; " + strings.Join(r.Cautions, "; "), []string{r.When, r.Weight.Of}}
	}
	for _, l := range doc.Limits {
		texts["limit "+l.ID] = text{l.Source, l.Because + "; " + strings.Join(l.Cautions, "; "), []string{l.When}}
	}
	for _, p := range doc.Proofs {
		texts["proof "+p.ID] = text{p.Source, p.Because + "; " + strings.Join(p.Cautions, "; "), []string{p.Proves, p.When}}
	}
	for _, g := range doc.Grades {
		texts["grade "+g.Item+"."+g.Of] = text{source: g.Source}
	}
	return texts
}

// number is a number other than nothing in a condition or on a curve, and the rule set without it.
type number struct {
	value   float64
	altered func(factor float64) (*ruleset.Set, error)
}

// numbersOf finds the numbers of a rule, a limit, a proof, a grade or a fault.
func numbersOf(set *ruleset.Set, id string) []number {
	var list []number
	kind, name, _ := strings.Cut(id, " ")
	inCondition := func(c *condition.Condition, item *catalogue.Item, with func(*condition.Condition) *ruleset.Set) {
		if c == nil {
			return
		}
		for _, l := range literalsOf(c.Source()) {
			list = append(list, number{l.value, func(factor float64) (*ruleset.Set, error) {
				other, err := set.Catalogue.Conditions.Compile(l.times(factor), item.ID)
				return with(other), err
			}})
		}
	}
	inFormula := func(f *condition.Formula, item *catalogue.Item, with func(*condition.Formula) *ruleset.Set) {
		if f == nil {
			return
		}
		for _, l := range literalsOf(f.Source()) {
			list = append(list, number{l.value, func(factor float64) (*ruleset.Set, error) {
				other, err := set.Catalogue.Conditions.CompileFormula(l.times(factor), item.ID)
				return with(other), err
			}})
		}
	}
	inCurve := func(curve []ruleset.Knot, with func([]ruleset.Knot) *ruleset.Set) {
		for k := range curve {
			if curve[k][0] == 0 {
				continue
			}
			list = append(list, number{curve[k][0], func(factor float64) (*ruleset.Set, error) {
				other := slices.Clone(curve)
				other[k][0] *= factor
				return with(other), nil
			}})
		}
	}
	switch kind {
	case "rule":
		i := slices.IndexFunc(set.Rules, func(r *ruleset.Rule) bool { return r.ID == name })
		r := set.Rules[i]
		with := func(change func(r *ruleset.Rule)) *ruleset.Set {
			changed, copied := *set, *r
			change(&copied)
			changed.Rules = slices.Clone(set.Rules)
			changed.Rules[i] = &copied
			return &changed
		}
		inCondition(r.When, r.Item, func(c *condition.Condition) *ruleset.Set { return with(func(r *ruleset.Rule) { r.When = c }) })
		inFormula(r.WeightOf, r.Item, func(f *condition.Formula) *ruleset.Set { return with(func(r *ruleset.Rule) { r.WeightOf = f }) })
		inCurve(r.Curve, func(k []ruleset.Knot) *ruleset.Set { return with(func(r *ruleset.Rule) { r.Curve = k }) })
	case "limit":
		i := slices.IndexFunc(set.Limits, func(l *ruleset.Limit) bool { return l.ID == name })
		inCondition(set.Limits[i].When, set.Limits[i].Item, func(c *condition.Condition) *ruleset.Set {
			changed, copied := *set, *set.Limits[i]
			copied.When = c
			changed.Limits = slices.Clone(set.Limits)
			changed.Limits[i] = &copied
			return &changed
		})
	case "proof":
		i := slices.IndexFunc(set.Proofs, func(p *ruleset.Proof) bool { return p.ID == name })
		inCondition(set.Proofs[i].Proves, set.Proofs[i].Item, func(c *condition.Condition) *ruleset.Set {
			changed, copied := *set, *set.Proofs[i]
			copied.Proves = c
			changed.Proofs = slices.Clone(set.Proofs)
			changed.Proofs[i] = &copied
			return &changed
		})
	case "grade":
		item, finding, _ := strings.Cut(name, ".")
		at := set.Catalogue.Item(item)
		if at == nil {
			return nil
		}
		i := slices.IndexFunc(set.Grades[at.Index], func(g *ruleset.Grade) bool { return g.Finding.ID == finding })
		inCurve(set.Grades[at.Index][i].Curve, func(k []ruleset.Knot) *ruleset.Set {
			changed, copied := *set, *set.Grades[at.Index][i]
			copied.Curve = k
			changed.Grades = slices.Clone(set.Grades)
			changed.Grades[at.Index] = slices.Clone(set.Grades[at.Index])
			changed.Grades[at.Index][i] = &copied
			return &changed
		})
	case "fault":
		i := slices.IndexFunc(set.Faults, func(f *ruleset.Fault) bool { return f.ID == name })
		if set.Faults[i].Prior.Over == ruleset.Constant {
			return nil
		}
		inCurve(set.Faults[i].Prior.Curve, func(k []ruleset.Knot) *ruleset.Set {
			changed, copied := *set, *set.Faults[i]
			copied.Prior.Curve = k
			changed.Faults = slices.Clone(set.Faults)
			changed.Faults[i] = &copied
			return &changed
		})
	}
	return list
}

// literal is a number in the text of a condition.
type literal struct {
	value         float64
	before, after string
}

// conditionWord finds quoted words and names, so that their digits are not taken for numbers.
var conditionWord = regexp.MustCompile(`"[^"]*"|'[^']*'|[A-Za-z_][\w.]*|\d+(?:\.\d+)?`)

func literalsOf(source string) []literal {
	var list []literal
	for _, at := range conditionWord.FindAllStringIndex(source, -1) {
		if v, err := strconv.ParseFloat(source[at[0]:at[1]], 64); err == nil && v != 0 {
			list = append(list, literal{v, source[:at[0]], source[at[1]:]})
		}
	}
	return list
}

func (l literal) times(factor float64) string {
	s := strconv.FormatFloat(l.value*factor, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return l.before + s + l.after
}
