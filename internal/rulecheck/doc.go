package rulecheck

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
)

// Doc writes a rule set as a book in Markdown: what may happen at each gate, how likely parts are bad
// where nobody looked, and by system and item what can be found, what each finding weighs and why, what
// is not allowed, what has to be shown, and on whose word all that stands. The same rule set gives the
// same bytes.
func Doc(set *ruleset.Set) ([]byte, error) {
	form, err := set.Document()
	if err != nil {
		return nil, err
	}
	b := &book{set: set, form: form, halfLife: map[string]ruleset.HalfLifeForm{}, weight: map[string]float64{}}
	for _, h := range form.HalfLives {
		b.halfLife[h.Item] = h
	}
	for _, w := range slices.Concat(form.Weights.Systems, form.Weights.Items) {
		b.weight[w.ID] = w.Weight
	}
	b.front()
	if err := b.plots(); err != nil {
		return nil, err
	}
	b.hazards()
	for _, s := range form.Catalogue.Systems {
		b.system(s)
	}
	return []byte(b.text.String()), nil
}

type book struct {
	text     strings.Builder
	set      *ruleset.Set
	form     *ruleset.Document
	halfLife map[string]ruleset.HalfLifeForm
	weight   map[string]float64
}

func (b *book) line(format string, args ...any) { fmt.Fprintf(&b.text, format+"\n", args...) }

func (b *book) row(cells ...string) {
	for i, c := range cells {
		cells[i] = strings.ReplaceAll(c, "|", `\|`)
	}
	b.line("| %s |", strings.Join(cells, " | "))
}

func (b *book) head(cells ...string) {
	b.row(cells...)
	b.line("|%s", strings.Repeat("---|", len(cells)))
}

func (b *book) list(items []string) {
	for _, s := range items {
		b.line("* %s", s)
	}
	if len(items) > 0 {
		b.line("")
	}
}

func (b *book) front() {
	f := b.form
	b.line("# Rule book: %s %s", f.Name, f.Version)
	b.line("")
	b.line("%s", f.Is)
	b.line("")
	anchored := 0
	for _, x := range f.Faults {
		if x.Prior.Anchor != nil {
			anchored++
		}
	}
	b.line("Written by `laidup rules doc` from the rule set itself: do not edit it here. %d faults (%d rest on published rates), %d rules, %d limits, %d hazards, %d proofs, %d follow-ups.",
		len(f.Faults), anchored, len(f.Rules), len(b.set.Limits), len(f.Hazards), len(f.Proofs), len(f.Follows))
	b.line("Weights are in decibans: +10 makes a fault ten times as likely (in odds), +3 twice, -10 a tenth.")
	b.line("")
	b.sources()
	b.line("## Gates")
	b.line("")
	b.head("gate", "means", "tolerates", "because")
	for _, g := range f.Gates {
		id := g.ID
		if id == f.Asks {
			id += " (asked for unless another is named)"
		}
		b.row(id, g.Is, tolerates(g.Tolerates), g.Because)
	}
	b.line("")
	for _, g := range f.Gates {
		if len(g.Cautions) > 0 {
			b.line("At %s:", spaced(g.ID))
			b.line("")
			b.list(g.Cautions)
		}
	}
	b.line("## What counts how much")
	b.line("")
	b.head("method, most credible first", "means", "alarms", "reassures", "counts at most", "source")
	for _, m := range f.Catalogue.Methods {
		b.row(m.ID, m.Is, number(m.Alarms), number(m.Reassures), number(m.AtMost)+" dB", sourceOf(m.Source))
	}
	b.line("")
	b.line("What is found proves something where such alarms are true in %s of cases or more, aged. A reassuring finding loses half of its worth in %s (%s), unless its item says otherwise.",
		percent(f.ProofCredence), years(f.HalfLife.Years), f.HalfLife.Source)
	b.line("All estimates may be wrong alike by %s dB. A part that is likelier bad than %s is looked at before it can do critical harm.", number(f.CommonError), percent(f.LikelyBad))
	b.line("The risk index is the probability times %s.", severityWeights(f.SeverityWeights))
	b.line("")
	b.line("An item that nobody graded has, over its %s, a condition from %s to %s, expected %s (%s).",
		words(f.Unseen.Of), curve("", f.Unseen.Low), curve("", f.Unseen.High), curve("", f.Unseen.Expected), f.Unseen.Source)
	b.line("")
	if len(f.Assumes) > 0 {
		b.line("It assumes:")
		b.line("")
		b.list(f.Assumes)
	}
	if len(f.Cautions) > 0 {
		b.line("Whatever it says:")
		b.line("")
		b.list(f.Cautions)
	}
	b.common()
}

// sourceKinds are the kinds of source, best first, and what each means.
var sourceKinds = [][2]string{
	{"regulation", "law, or what an authority tests by"},
	{"standard", "a standard"},
	{"handbook", "makers' manuals, published tables and reports"},
	{"common_practice", "what the trade does"},
	{"estimate", "estimates of several careful people who did not see each other's, pooled"},
	{"judgement", "the judgement of who wrote the entry"},
}

// sources counts on whose word the entries stand.
func (b *book) sources() {
	f := b.form
	columns := []string{"faults", "rules", "limits", "hazards", "proofs", "follow-ups"}
	count := map[string][]int{}
	add := func(column int, kind string) {
		if count[kind] == nil {
			count[kind] = make([]int, len(columns))
		}
		count[kind][column]++
	}
	for _, x := range f.Faults {
		add(0, x.Source.Kind)
	}
	for _, x := range f.Rules {
		add(1, x.Source.Kind)
	}
	for _, x := range f.Limits {
		add(2, x.Source.Kind)
	}
	for _, x := range f.Hazards {
		add(3, x.Source.Kind)
	}
	for _, x := range f.Proofs {
		add(4, x.Source.Kind)
	}
	for _, x := range f.Follows {
		add(5, x.Source.Kind)
	}
	b.line("On whose word the entries stand:")
	b.line("")
	b.head(append([]string{"source", "is"}, columns...)...)
	for _, k := range sourceKinds {
		if count[k[0]] == nil {
			continue
		}
		row := []string{spaced(k[0]), k[1]}
		for _, n := range count[k[0]] {
			row = append(row, number(float64(n)))
		}
		b.row(row...)
	}
	b.line("")
}

// sourceOf writes the source of what the catalogue says, which keeps it as it was written.
func sourceOf(v any) string {
	var s ruleset.Source
	data, err := json.Marshal(v)
	if err != nil || json.Unmarshal(data, &s) != nil {
		return ""
	}
	return s.String()
}

func tolerates(by map[string]float64) string {
	var parts []string
	for s := ruleset.Catastrophic; s <= ruleset.Negligible; s++ {
		if p, ok := by[s.String()]; ok {
			parts = append(parts, fmt.Sprintf("%s %s", s, percent(p)))
		}
	}
	return strings.Join(parts, ", ")
}

// hazards lists what may happen, by gate.
func (b *book) hazards() {
	b.line("## What may happen")
	b.line("")
	for _, g := range b.form.Gates {
		any := false
		for _, h := range b.form.Hazards {
			if h.Gate != g.ID {
				continue
			}
			if !any {
				b.line("### At %s", spaced(g.ID))
				b.line("")
				any = true
			}
			b.hazard(h)
		}
	}
}

// common says once what is so of every item.
func (b *book) common() {
	var rows [][]string
	for _, g := range b.form.Grades {
		if g.Item == "*" {
			rows = append(rows, []string{words(g.Of), graded(g), g.Source.String()})
		}
	}
	if len(rows) == 0 {
		return
	}
	b.line("The condition of every item, 0 to 100:")
	b.line("")
	b.head("from", "is", "source")
	for _, r := range rows {
		b.row(r...)
	}
	b.line("")
}

func (b *book) system(s catalogue.SystemForm) {
	b.line("## %s", sentence(named(s.Is, s.ID)))
	b.line("")
	if w, ok := b.weight[s.ID]; ok {
		b.line("Weighs %s in the condition of the vehicle.", number(w))
		b.line("")
	}
	for _, it := range s.Items {
		b.item(it)
	}
}

func (b *book) item(it catalogue.ItemForm) {
	b.line("### %s (`%s`)", sentence(named(it.Is, it.ID)), it.ID)
	b.line("")
	var facts []string
	if it.Applies != "" {
		facts = append(facts, "where "+code(it.Applies))
	}
	facts = append(facts, number(it.Minutes)+" minutes", "off first: "+spaced(it.Access))
	facts = append(facts, own(it)...)
	if h, ok := b.halfLife[it.ID]; ok {
		facts = append(facts, fmt.Sprintf("half-life of a look %s (%s)", years(h.Years), h.Source))
	}
	if w, ok := b.weight[it.ID]; ok {
		facts = append(facts, "weight "+number(w))
	}
	b.line("%s.", sentence(strings.Join(facts, "; ")))
	b.line("")
	for _, f := range it.Finds {
		b.line("* %s", found(f))
	}
	for _, m := range it.Must {
		b.line("* refused unless %s: %s", code(m.Hold), m.Else)
	}
	b.line("")
	for _, f := range b.form.Faults {
		if f.Item == it.ID {
			b.fault(f)
		}
	}
	b.limits(it.ID)
	for _, p := range b.form.Proofs {
		if p.Item == it.ID {
			b.proof(p)
		}
	}
	for _, f := range b.form.Follows {
		if f.Item == it.ID {
			ends := "or it is renewed"
			if f.Outlasts {
				ends = "and renewing it does not end that"
			}
			b.line("* once %s: %s, until `%s` is shown anew, %s (`%s`; %s)", code(f.When), f.Because, f.Needs, ends, f.ID, f.Source)
			b.line("")
		}
	}
	b.grades(it.ID)
}

// own says what an item has of its own of what others have in common.
func own(it catalogue.ItemForm) []string {
	var said []string
	switch {
	case it.Positions.List != "":
		said = append(said, "positions: "+spaced(it.Positions.List))
	case len(it.Positions.IDs) > 0:
		said = append(said, "positions: "+spaced(strings.Join(it.Positions.IDs, ", ")))
	}
	if n := it.NeededFrom; n != nil {
		said = append(said, "needed from "+spaced(n.Gate)+" on"+where(n.When))
	}
	if it.HalfLife != nil {
		said = append(said, "half-life of a look "+years(*it.HalfLife))
	}
	for _, part := range slices.Sorted(maps.Keys(it.Parts)) {
		said = append(said, fmt.Sprintf("the %s renewed by itself supersedes %s", spaced(part), spaced(strings.Join(it.Parts[part], ", "))))
	}
	return append(said, figures(it.Methods)...)
}

// figures says what methods are worth where that is not what it is elsewhere.
func figures(by map[string]catalogue.FiguresForm) []string {
	var said []string
	for _, m := range slices.Sorted(maps.Keys(by)) {
		var parts []string
		for _, x := range []struct {
			word string
			v    *float64
		}{{"alarms", by[m].Alarms}, {"reassures", by[m].Reassures}, {"counts at most", by[m].AtMost}} {
			if x.v != nil {
				parts = append(parts, x.word+" "+number(*x.v))
			}
		}
		said = append(said, m+" "+strings.Join(parts, ", "))
	}
	return said
}

func found(f catalogue.FindingForm) string {
	s := "`" + f.ID + "`: "
	switch f.Kind {
	case catalogue.Flag:
		s += "yes or no"
	case catalogue.Choice:
		s += strings.Join(f.Values, ", ")
	case catalogue.Quantity:
		s += "in " + f.Unit
	case catalogue.WeekCode:
		s += "four digits, week and year of making"
	default:
		s += string(f.Kind)
	}
	if f.Worse != "" && f.Worse != "neither" {
		s += ", worse when " + f.Worse
	}
	if own := figures(f.Methods); len(own) > 0 {
		s += " (" + strings.Join(own, "; ") + ")"
	}
	return s
}

func (b *book) hazard(h ruleset.HazardForm) {
	b.line("#### `%s`", h.ID)
	b.line("")
	b.line("%s.", sentence(h.What))
	b.line("")
	if h.When != "" {
		b.line("*%s", where(h.When))
	}
	b.line("* severity %s", severity(h.Severity))
	for _, c := range h.Causes {
		b.line("* by `%s`: %s of the time, give or take %s dB", c.Fault, chance(c.Chance), number(c.Spread))
	}
	for _, c := range h.Cautions {
		b.line("* caution: %s", c)
	}
	b.line("* source: %s", h.Source)
	b.line("")
}

func chance(c ruleset.ChanceForm) string {
	var cases []string
	for _, x := range c {
		cases = append(cases, percent(x.Is)+where(x.When))
	}
	return strings.Join(cases, ", else ")
}

func (b *book) fault(f ruleset.FaultForm) {
	b.line("#### Fault `%s`", f.ID)
	b.line("")
	b.line("%s%s.", sentence(f.Is), where(f.When))
	b.line("")
	b.line("* with nobody having looked: %s, give or take %s dB", prior(f.Prior), number(f.Prior.Spread))
	for _, s := range f.Prior.Shifts {
		b.line("* %s dB%s", signed(s.DB), where(s.When))
	}
	if f.Prior.Cap != nil {
		b.line("* never more than %s", percent(*f.Prior.Cap))
	}
	if a := f.Prior.Anchor; a != nil {
		b.line("* rests on %s: %s%s", a.Cite, a.Says, inBrackets(a.Population, a.Year))
		if a.Judged != "" {
			b.line("* judged on top: %s", a.Judged)
		}
	}
	for _, h := range b.form.Hazards {
		for _, c := range h.Causes {
			if c.Fault == f.ID {
				b.line("* may cause `%s` at %s", h.ID, spaced(h.Gate))
			}
		}
	}
	if len(f.ClearBy) > 0 {
		b.line("* cleared by %s", clearing(f.ClearBy))
	} else {
		b.line("* cleared by a new part")
	}
	for _, c := range f.Cautions {
		b.line("* caution: %s", c)
	}
	b.line("* source: %s", f.Source)
	b.line("")
	var rules []ruleset.RuleForm
	for _, r := range b.form.Rules {
		if r.Fault == f.ID {
			rules = append(rules, r)
		}
	}
	if len(rules) == 0 {
		return
	}
	b.head("rule", "when", "weighs", "line", "blocks", "says", "source")
	for _, r := range rules {
		when := code(r.When)
		if r.Item != "" && r.Item != f.Item {
			when += " of " + spaced(r.Item)
		}
		blocks := ""
		if r.Blocks != nil {
			blocks = spaced(r.Blocks.Gate) + where(r.Blocks.If)
			if r.Blocks.Kind == "duty" {
				blocks += " (duty)"
			}
		}
		says := r.Because
		if len(r.ClearBy) > 0 {
			says += "; cleared by " + clearing(r.ClearBy)
		}
		for _, c := range r.Cautions {
			says += "; caution: " + c
		}
		b.row("`"+r.ID+"`", when, weight(r.Weight), spaced(r.Line), blocks, says, r.Source.String())
	}
	b.line("")
}

func inBrackets(parts ...string) string {
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == "" })
	if len(parts) == 0 {
		return ""
	}
	return " (" + strings.Join(parts, ", ") + ")"
}

// limits lists what is not allowed on an item, whatever the odds.
func (b *book) limits(item string) {
	began := false
	for _, l := range b.form.Limits {
		of := l.Item
		for _, f := range b.form.Faults {
			if of == "" && f.ID == l.Fault {
				of = f.Item
			}
		}
		if of != item {
			continue
		}
		if !began {
			b.line("Not allowed, whatever the odds:")
			b.line("")
			b.head("limit", "when", "before", "says", "source")
			began = true
		}
		before := spaced(l.Gate) + where(l.If)
		if l.Kind == "duty" {
			before += " (duty)"
		}
		says := l.Because
		if len(l.Guards) > 0 {
			says += "; guards " + spaced(strings.Join(l.Guards, ", "))
		}
		if len(l.ClearBy) > 0 {
			says += "; cleared by " + clearing(l.ClearBy)
		}
		for _, c := range l.Cautions {
			says += "; caution: " + c
		}
		b.row("`"+l.ID+"`", code(l.When), before, says, l.Source.String())
	}
	if began {
		b.line("")
	}
}

func (b *book) proof(p ruleset.ProofForm) {
	b.line("#### Proof `%s`", p.ID)
	b.line("")
	asked := "Always"
	if !p.Always {
		var ids []string
		for _, h := range p.Guards {
			ids = append(ids, "`"+h+"`")
		}
		asked = "While " + strings.Join(ids, " or ") + " is likelier than is tolerated"
	}
	b.line("%s, %s needs it shown%s: else %s.", asked, spaced(p.Gate), where(p.When), p.Because)
	b.line("")
	b.line("* shown by %s", code(p.Proves))
	b.line("* cleared by %s", clearing(p.ClearBy))
	for _, c := range p.Cautions {
		b.line("* caution: %s", c)
	}
	b.line("* source: %s", p.Source)
	b.line("")
}

func (b *book) grades(item string) {
	began := false
	for _, g := range b.form.Grades {
		if g.Item != item {
			continue
		}
		if !began {
			b.line("Condition, 0 to 100:")
			b.line("")
			b.head("from", "is", "source")
			began = true
		}
		b.row(words(g.Of), graded(g), g.Source.String())
	}
	if began {
		b.line("")
	}
}

func graded(g ruleset.GradeForm) string {
	if g.Map == nil {
		return curve("", g.Curve)
	}
	keys := slices.SortedFunc(maps.Keys(g.Map), func(x, y string) int {
		if g.Map[x] != g.Map[y] {
			return int(1e6 * (g.Map[y] - g.Map[x]))
		}
		return strings.Compare(x, y)
	})
	for i, k := range keys {
		keys[i] = fmt.Sprintf("%s %s", k, number(g.Map[k]))
	}
	return strings.Join(keys, ", ")
}

func severity(s ruleset.SeverityForm) string {
	var cases []string
	for _, c := range s {
		cases = append(cases, c.Is+where(c.When))
	}
	return strings.Join(cases, ", else ")
}

func prior(p ruleset.PriorForm) string {
	if p.Is != nil {
		return percent(*p.Is)
	}
	var knots []string
	for _, k := range p.Knots {
		knots = append(knots, fmt.Sprintf("%s at %s", percent(k[1]), number(k[0])))
	}
	return fmt.Sprintf("%s of %s", strings.Join(knots, ", "), words(p.Of))
}

func weight(w ruleset.WeightForm) string {
	if w.Of == "" {
		return signed(w.Is)
	}
	return curve(words(w.Of), w.Curve)
}

func curve(of string, c ruleset.Curve) string {
	var knots []string
	for _, k := range c.Knots {
		knots = append(knots, fmt.Sprintf("%s at %s", number(k[1]), number(k[0])))
	}
	s := strings.Join(knots, ", ")
	if of != "" {
		s += " of " + of
	}
	if c.WhenUnknown != nil {
		s += " (unknown: " + number(*c.WhenUnknown) + ")"
	}
	return s
}

// clearing writes what clears something as a person would.
func clearing(list []ruleset.Clearing) string {
	var parts []string
	for _, c := range list {
		var found []string
		for _, f := range slices.Sorted(maps.Keys(c.Found)) {
			found = append(found, spaced(f)+" "+plain(c.Found[f]))
		}
		parts = append(parts, spaced(c.Item)+": "+strings.Join(found, ", "))
	}
	return strings.Join(parts, "; ")
}

func plain(v any) string {
	switch v := v.(type) {
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case float64:
		return number(v)
	case string:
		if v == "as_of" {
			return "on the day"
		}
		return spaced(v)
	case map[string]any:
		return plain(v["value"]) + " " + fmt.Sprint(v["unit"])
	}
	data, _ := json.Marshal(v)
	return string(data)
}

// words writes a short name in words and leaves a formula as it is.
func words(of string) string {
	if strings.ContainsAny(of, " ()<>=") {
		return code(of)
	}
	return spaced(strings.TrimPrefix(of, "found."))
}

func code(s string) string {
	if s == "" {
		return ""
	}
	return "`" + s + "`"
}

func where(condition string) string {
	if condition == "" {
		return ""
	}
	return " where " + code(condition)
}

func named(is, id string) string {
	if is != "" {
		return is
	}
	return spaced(id)
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func signed(v float64) string {
	if v > 0 {
		return "+" + number(v)
	}
	return number(v)
}

// percent writes a probability; three digits are more than anybody knows, unless they would make it
// certain.
func percent(p float64) string {
	for digits := 3; ; digits++ {
		v, _ := strconv.ParseFloat(strconv.FormatFloat(100*p, 'g', digits, 64), 64)
		if v < 100 || p >= 1 || digits > 16 {
			return number(v) + " %"
		}
	}
}

func years(v float64) string {
	if v == 1 {
		return "1 year"
	}
	return number(v) + " years"
}

func severityWeights(w map[string]float64) string {
	var parts []string
	for s := ruleset.Catastrophic; s <= ruleset.Negligible; s++ {
		parts = append(parts, number(w[s.String()])+" where it is "+s.String())
	}
	return strings.Join(parts, ", ")
}
