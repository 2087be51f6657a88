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

// Doc writes a rule set as a book in Markdown, by system and item: what can be found, what can
// happen, what each finding weighs and why, what has to be proven, and on whose word it stands.
// The same rule set gives the same bytes.
func Doc(set *ruleset.Set) ([]byte, error) {
	form, err := set.Document()
	if err != nil {
		return nil, err
	}
	b := &book{form: form, halfLife: map[string]ruleset.HalfLifeForm{}, weight: map[string]float64{}}
	for _, h := range form.HalfLives {
		b.halfLife[h.Item] = h
	}
	for _, w := range slices.Concat(form.Weights.Systems, form.Weights.Items) {
		b.weight[w.ID] = w.Weight
	}
	b.front()
	for _, s := range form.Catalogue.Systems {
		b.system(s)
	}
	return []byte(b.text.String()), nil
}

type book struct {
	text     strings.Builder
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
	b.line("Written by `laidup rules doc` from the rule set itself: do not edit it here. %d hazards, %d rules, %d proofs.", len(f.Hazards), len(f.Rules), len(f.Proofs))
	b.line("Weights are in decibans: +10 makes a hazard ten times as likely (in odds), +3 twice, -10 a tenth.")
	b.line("")
	b.line("## Gates")
	b.line("")
	b.head("gate", "means", "a hazard blocks from")
	for _, g := range f.Gates {
		id := g.ID
		if id == f.Asks {
			id += " (asked for unless another is named)"
		}
		b.row(id, g.Is, g.Tolerance+" risk")
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
	b.head("method", "means", "credence")
	for _, m := range f.Catalogue.Methods {
		b.row(m.ID, m.Is, number(m.Credence))
	}
	b.line("")
	b.line("A finding proves something from a credence of %s, aged. A reassuring finding loses half of its credence in %s (%s), unless its item says otherwise.",
		number(f.ProofCredence), years(f.HalfLife.Years), f.HalfLife.Source)
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
	for _, h := range b.form.Hazards {
		if h.Item == it.ID {
			b.hazard(h)
		}
	}
	for _, p := range b.form.Proofs {
		if p.Item == it.ID {
			b.proof(p)
		}
	}
	b.grades(it.ID)
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
	return s
}

func (b *book) hazard(h ruleset.HazardForm) {
	b.line("#### `%s`", h.ID)
	b.line("")
	b.line("%s.", sentence(h.What))
	b.line("")
	b.line("* at %s%s", spaced(h.Gate), where(h.When))
	b.line("* severity %s", severity(h.Severity))
	b.line("* with nobody having looked: %s", prior(h.Prior))
	b.line("* cleared by %s", clearing(h.ClearBy))
	for _, c := range h.Cautions {
		b.line("* caution: %s", c)
	}
	b.line("* source: %s", h.Source)
	b.line("")
	var own []ruleset.RuleForm
	for _, r := range b.form.Rules {
		if r.Hazard == h.ID {
			own = append(own, r)
		}
	}
	if len(own) == 0 {
		return
	}
	b.head("rule", "when", "weighs", "line", "blocks", "says", "source")
	for _, r := range own {
		when := code(r.When)
		if r.Item != "" && r.Item != h.Item {
			when += " of " + spaced(r.Item)
		}
		blocks := ""
		if r.Blocks != nil {
			blocks = spaced(r.Blocks.Gate) + where(r.Blocks.When)
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

func (b *book) proof(p ruleset.ProofForm) {
	b.line("#### Proof `%s`", p.ID)
	b.line("")
	b.line("%s needs it proven%s: else %s.", sentence(spaced(p.Gate)), where(p.When), p.Because)
	b.line("")
	var ways []string
	for _, w := range p.ProvenBy {
		ways = append(ways, code(w))
	}
	b.line("* proven by %s", strings.Join(ways, " or "))
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
	return fmt.Sprintf("%s of %s; %s when that is not known", strings.Join(knots, ", "), words(p.Of), percent(*p.WhenUnknown))
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

// percent writes a probability; three digits are more than anybody knows.
func percent(p float64) string {
	v, _ := strconv.ParseFloat(strconv.FormatFloat(100*p, 'g', 3, 64), 64)
	return number(v) + " %"
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
