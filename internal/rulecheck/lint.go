package rulecheck

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// The kinds of [Finding].
const (
	Unread     = "unread"     // a finding that no rule, proof, prior or grade reads
	Unwatched  = "unwatched"  // an item without a hazard and without a proof
	NeverFire  = "never"      // a rule that fires on nothing that could be reported
	Twice      = "twice"      // one finding that counts on two lines of a hazard
	Backward   = "backward"   // a worse finding that makes a hazard less likely, or blocks later
	Uncleared  = "uncleared"  // something that what is asked for does not clear
	Unproving  = "unproving"  // a clearing that leaves a proof of the same item undone
	Unpostable = "unreported" // a clearing that no form could post
)

// Finding is something odd about a rule set that loading it does not refuse.
type Finding struct {
	Kind   string
	Entry  string // the rule, hazard, item or finding that it is about
	Detail string
}

// String writes the finding in one line.
func (f Finding) String() string { return f.Entry + ": " + f.Detail + " (" + f.Kind + ")" }

// linter collects findings.
type linter struct {
	*bench
	rules    map[*ruleset.Hazard][]*ruleset.Rule
	findings []Finding
}

// Lint looks for what is odd about a rule set. It tries the values that the conditions of the set
// tell apart, so that what it reports is an example and what it does not report is no proof.
// Priors that reward ignorance are not looked for: a rule set with one does not load. The error is
// that of ctx, when it ends before the search does.
func Lint(ctx context.Context, set *ruleset.Set) ([]Finding, error) {
	l := &linter{bench: newBench(ctx, set), rules: map[*ruleset.Hazard][]*ruleset.Rule{}}
	for _, r := range set.Rules {
		l.rules[r.Hazard] = append(l.rules[r.Hazard], r)
	}
	l.unread()
	l.unwatched()
	for _, r := range set.Rules {
		if ctx.Err() != nil || l.full() {
			break
		}
		l.never(r)
	}
	for _, h := range set.Hazards {
		if ctx.Err() != nil || l.full() {
			break
		}
		l.twice(h)
		l.backward(h)
		l.uncleared(h)
		l.unproving(h.ID, h.Item, h.ClearBy)
	}
	for _, r := range set.Rules {
		if ctx.Err() != nil || l.full() {
			break
		}
		if len(r.ClearBy) > 0 && !sameClears(r.ClearBy, r.Hazard.ClearBy) {
			l.unproving(r.ID, r.Hazard.Item, r.ClearBy)
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("look through rule set %s %s: %w", set.Name, set.Version, err)
	}
	return l.findings, nil
}

func sameClears(a, b []ruleset.Clear) bool {
	return slices.EqualFunc(a, b, func(x, y ruleset.Clear) bool {
		return x.Finding == y.Finding && string(x.Value) == string(y.Value)
	})
}

func (l *linter) add(kind, entry, format string, args ...any) {
	if !l.full() {
		l.findings = append(l.findings, Finding{kind, entry, clip(fmt.Sprintf(format, args...))})
	}
}

// full says whether there are as many findings as anybody reads.
func (l *linter) full() bool { return len(l.findings) >= maxFindings }

const maxFindings = 1000

// unread lists findings that count for nothing. What every item accepts is read by the machinery, and
// a week code as the age.
func (l *linter) unread() {
	read := map[int]bool{}
	note := func(lists ...[]int) {
		for _, slot := range slices.Concat(lists...) {
			read[slot] = true
		}
	}
	for _, r := range l.set.Rules {
		note(r.Needs)
	}
	for _, p := range l.set.Proofs {
		for _, way := range p.ProvenBy {
			note(way.Needs)
		}
	}
	for _, h := range l.set.Hazards {
		note(h.Prior.Needs)
	}
	for _, grades := range l.set.Grades {
		for _, g := range grades {
			note([]int{g.Finding.Slot})
		}
	}
	for _, it := range l.set.Catalogue.Items {
		for _, f := range it.Finds {
			if !f.Common() && f != it.Made && !read[f.Slot] {
				l.add(Unread, it.ID+"."+f.ID, "no rule, proof, prior or grade reads it: write one or take it out of the catalogue")
			}
		}
	}
}

func (l *linter) unwatched() {
	for _, it := range l.set.Catalogue.Items {
		if !slices.ContainsFunc(l.set.Hazards, func(h *ruleset.Hazard) bool { return h.Item == it }) &&
			!slices.ContainsFunc(l.set.Proofs, func(p *ruleset.Proof) bool { return p.Item == it }) {
			l.add(Unwatched, it.ID, "has no hazard and no proof: nothing that is found on it matters")
		}
	}
}

// never looks for a dossier on which a rule fires. Facts take every value, and may be unknown.
func (l *linter) never(r *ruleset.Rule) {
	cat := l.set.Catalogue
	findings, facts := readsOf(r)
	for _, c := range []*condition.Condition{r.Hazard.When, r.Hazard.Item.Applies, r.Item.Applies} {
		if c != nil {
			facts = append(facts, c.Reads()...)
		}
	}
	if r.Blocks != nil && r.Blocks.When != nil {
		facts = append(facts, r.Blocks.When.Reads()...)
	}
	slices.Sort(facts)
	slots := slices.Concat(findings, slices.Compact(facts))
	limits := limitsOf(r)
	values := make([][]float64, len(slots))
	for i, slot := range slots {
		values[i] = valuesOf(cat, slot, limits)
		if i >= len(findings) && slot != cat.AsOf {
			values[i] = append([]float64{condition.Unset}, values[i]...)
		}
	}
	f := blank(cat)
	there := func(c *condition.Condition) bool { return c == nil || c.Holds(f) != condition.False }
	if !l.combine(f, slots, values, func() bool {
		return there(r.Hazard.When) && there(r.Hazard.Item.Applies) && there(r.Item.Applies) && firesOn(r, f)
	}) {
		l.add(NeverFire, r.ID, "fires on nothing that could be reported (when: %s)", r.When.Source())
	}
}

// twice looks for one finding that counts on two lines of a hazard at once: it would be taken for
// two pieces of evidence.
func (l *linter) twice(h *ruleset.Hazard) {
	cat := l.set.Catalogue
	rules := l.rules[h]
	for i, a := range rules {
		for _, b := range rules[i+1:] {
			if l.over() || l.full() {
				return
			}
			if a.Line == b.Line || len(a.Needs) != 1 || len(b.Needs) != 1 || a.Needs[0] != b.Needs[0] {
				continue
			}
			slot := a.Needs[0]
			f := blank(cat)
			for _, v := range valuesOf(cat, slot, append(limitsOf(a), limitsOf(b)...)) {
				f[slot] = v
				wa, _ := weightOn(a, f)
				wb, _ := weightOn(b, f)
				if wa*wb > 0 {
					owner := cat.Owner(slot)
					l.add(Twice, h.ID, "%s and %s both count %s.%s = %s, on different lines: put them on one", a.ID, b.ID, owner.Item.ID, owner.ID, ruleset.Say(owner, v))
					break
				}
			}
		}
	}
}

// backward looks for a worse value of a finding on which the hazard is less likely than on a better
// one, or a rule blocks a later gate. The other findings that the rules read together with it are
// not reported, at their best, and at their worst.
func (l *linter) backward(h *ruleset.Hazard) {
	cat := l.set.Catalogue
	limits := map[int][]float64{}
	for _, r := range l.rules[h] {
		if l.ctx.Err() != nil {
			return
		}
		of := limitsOf(r)
		for _, slot := range r.Needs {
			if len(limits[slot]) < mostLimits {
				limits[slot] = append(limits[slot], of...)
			}
		}
	}
	for _, slot := range h.Prior.Needs {
		for _, k := range h.Prior.Curve {
			limits[slot] = append(limits[slot], k[0])
		}
	}
	slots := make([]int, 0, len(limits))
	for slot := range limits {
		slots = append(slots, slot)
	}
	slices.Sort(slots)
	values := map[int][]float64{} // best first
	for _, slot := range slots {
		f := cat.Owner(slot)
		list := valuesOf(cat, slot, limits[slot])
		if f.Worse == catalogue.Lower {
			slices.Reverse(list)
		}
		values[slot] = list
	}
	for _, slot := range slots {
		f := cat.Owner(slot)
		if f.Worse == catalogue.Neither || l.ctx.Err() != nil {
			continue
		}
		for _, others := range []string{"not reported", "best", "worst"} {
			frame := blank(cat)
			for _, o := range slots {
				switch list := values[o]; others {
				case "best":
					frame[o] = list[0]
				case "worst":
					frame[o] = list[len(list)-1]
				}
			}
			if l.falls(h, f, frame, values[slot], others) {
				break
			}
		}
	}
}

// falls goes through the values of a finding, best first, and reports the first step back.
func (l *linter) falls(h *ruleset.Hazard, f *catalogue.Finding, frame condition.Frame, values []float64, others string) bool {
	last, lastGate := math.Inf(-1), len(l.set.Gates)
	for i, v := range values {
		if l.over() {
			return true
		}
		frame[f.Slot] = v
		if !possible(l.set.Catalogue, frame, []int{f.Slot}) {
			continue
		}
		total, gate := l.total(h, frame)
		if total < last-1e-9 {
			l.add(Backward, h.ID, "%s.%s = %s makes it less likely than %s (%.2f after %.2f dB; other findings %s)",
				f.Item.ID, f.ID, ruleset.Say(f, v), ruleset.Say(f, values[max(0, i-1)]), total, last, others)
			return true
		}
		if gate > lastGate {
			l.add(Backward, h.ID, "%s.%s = %s no longer blocks %s as %s does (other findings %s)",
				f.Item.ID, f.ID, ruleset.Say(f, v), l.set.Gates[lastGate].ID, ruleset.Say(f, values[max(0, i-1)]), others)
			return true
		}
		last, lastGate = total, min(lastGate, gate)
	}
	return false
}

// total is the weight of prior and evidence on a frame of tested findings, and the first gate that
// a rule blocks.
func (l *linter) total(h *ruleset.Hazard, f condition.Frame) (total float64, gate int) {
	gate = len(l.set.Gates)
	p := h.Prior.Unknown
	if h.Prior.Of != nil {
		if x := h.Prior.Of.Value(f); x == x {
			p = ruleset.At(h.Prior.Curve, x)
		}
	}
	total = 10 * math.Log10(p/(1-p))
	lines := map[int]float64{}
	for _, r := range l.rules[h] {
		if l.over() {
			return 0, 0 // nobody will hear of it
		}
		if !answered(r, f) {
			continue
		}
		w, blocks := weightOn(r, f)
		if blocks {
			gate = min(gate, r.Blocks.Gate.Index)
		}
		switch old := lines[r.Line]; {
		case w > 0:
			lines[r.Line] = math.Max(old, w)
		case old <= 0:
			lines[r.Line] = math.Min(old, w)
		}
	}
	for _, w := range lines {
		total += w
	}
	return math.Round(total*1e9) / 1e9, gate
}

func answered(r *ruleset.Rule, f condition.Frame) bool {
	return !slices.ContainsFunc(r.Needs, func(slot int) bool { return !f.Known(slot) })
}

// uncleared posts the worst that the rules of a hazard know, one rule after another, then what is
// said to clear it, and looks whether it still blocks.
func (l *linter) uncleared(h *ruleset.Hazard) {
	vehicle, ok := l.vehicleWith(h)
	if !ok {
		l.add(NeverFire, h.ID, "exists on no vehicle")
		return
	}
	l.clears(h, vehicle, "with nobody having looked", nil)
	for _, r := range l.rules[h] {
		if l.ctx.Err() != nil || l.full() {
			return
		}
		if found := l.worst(r); found != nil {
			l.clears(h, vehicle, "after "+r.ID, found)
		}
	}
}

// vehicleWith finds facts on which a hazard exists and is at its worst. Facts that nothing asks for
// stay unknown.
func (l *linter) vehicleWith(h *ruleset.Hazard) (condition.Frame, bool) {
	cat := l.set.Catalogue
	var slots []int
	conditions := []*condition.Condition{h.When, h.Item.Applies}
	for _, s := range h.Severity {
		conditions = append(conditions, s.When)
	}
	worst := ruleset.Negligible
	for _, s := range h.Severity {
		worst = min(worst, s.Is)
	}
	for _, c := range conditions {
		if c != nil {
			slots = append(slots, c.Reads()...)
		}
	}
	slices.Sort(slots)
	slots = slices.Compact(slots)
	values := make([][]float64, len(slots))
	for i, slot := range slots {
		values[i] = valuesOf(cat, slot, nil)
	}
	f := blank(cat)
	there := func(c *condition.Condition) bool { return c == nil || c.Holds(f) == condition.True }
	ok := l.combine(f, slots, values, func() bool {
		return there(h.When) && there(h.Item.Applies) && h.SeverityOn(f) == worst
	})
	return f, ok
}

// worst returns findings on which a rule speaks most for its hazard, or blocks; nil where it only
// reassures.
func (l *linter) worst(r *ruleset.Rule) condition.Frame {
	cat := l.set.Catalogue
	limits := limitsOf(r)
	values := make([][]float64, len(r.Needs))
	for i, slot := range r.Needs {
		values[i] = valuesOf(cat, slot, limits)
	}
	f := blank(cat)
	var best condition.Frame
	most := 0.0
	l.combine(f, r.Needs, values, func() bool {
		w, blocks := weightOn(r, f)
		if w > most || blocks && best == nil {
			best, most = slices.Clone(f), math.Max(w, most)
		}
		return false
	})
	return best
}

// clears posts findings, then what clears the hazard and those of its rules that block, and reports
// what still blocks on account of the hazard.
func (l *linter) clears(h *ruleset.Hazard, vehicle condition.Frame, when string, found condition.Frame) {
	facts, layUp := l.factsOf(vehicle)
	var observations []ruleset.ObservationForm
	if found != nil {
		observations = l.observed(found)
	}
	before, err := l.report(Today, facts, layUp, observations)
	if err != nil {
		return // what is not possible together is not asked
	}
	a := l.scorer.Evaluate([]*report.Report{before}, -1)
	asked := ruleset.FindingsForm{}
	blocked := false
	for _, b := range a.Blockers {
		if !concerns(b, h) {
			continue
		}
		blocked = true
		for _, c := range b.ClearBy {
			if asked[c.Item] == nil {
				asked[c.Item] = map[string]any{}
			}
			for _, f := range c.Found {
				asked[c.Item][f.ID] = json.RawMessage(f.Value)
			}
		}
	}
	if !blocked {
		return
	}
	after, err := l.report(Today, nil, nil, tested(asked))
	if err != nil {
		l.add(Unpostable, h.ID, "what clears it %s", err)
		return
	}
	for _, b := range l.scorer.Evaluate([]*report.Report{before, after}, -1).Blockers {
		if concerns(b, h) {
			l.add(Uncleared, h.ID, "%s, what clears it leaves it blocking %s (%s: %s, by %s)", when, b.Gate, b.Kind, b.Because, strings.Join(b.Rules, ", "))
		}
	}
}

func concerns(b score.Blocker, h *ruleset.Hazard) bool {
	return b.Hazard == h.ID || slices.Contains(b.Rules, h.ID)
}

// factsOf writes the known facts of a frame in the form of reports.
func (l *linter) factsOf(f condition.Frame) (vehicle, layUp map[string]any) {
	vehicle, layUp = map[string]any{}, map[string]any{}
	for _, fact := range l.set.Catalogue.Facts {
		if !f.Known(fact.Slot) {
			continue
		}
		into := vehicle
		if fact.In == "lay_up" {
			into = layUp
		}
		id := fact.ID
		if group, member, grouped := strings.Cut(id, "."); grouped {
			if into[group] == nil {
				into[group] = map[string]any{}
			}
			into, id = into[group].(map[string]any), member
		}
		into[id] = formOf(fact, f[fact.Slot])
	}
	return vehicle, layUp
}

// observed writes the known findings of a frame as observations by test.
func (l *linter) observed(f condition.Frame) []ruleset.ObservationForm {
	found := ruleset.FindingsForm{}
	for _, it := range l.set.Catalogue.Items {
		for _, x := range it.Finds {
			if !f.Known(x.Slot) {
				continue
			}
			if found[it.ID] == nil {
				found[it.ID] = map[string]any{}
			}
			found[it.ID][x.ID] = formOf(x, f[x.Slot])
		}
	}
	return tested(found)
}

func formOf(f *catalogue.Finding, v float64) json.RawMessage {
	return report.Form(report.Value{Finding: f, Number: v, Text: "given"})
}

// unproving looks whether, once what clears something has been posted, the item's proofs can still
// be given: what is renewed has lost all that was found on it, and has to count as proven by itself.
func (l *linter) unproving(entry string, it *catalogue.Item, clears []ruleset.Clear) {
	renewed := slices.ContainsFunc(clears, func(c ruleset.Clear) bool { return c.Finding == it.Renewed })
	for _, p := range l.set.Proofs {
		if p.Item != it {
			continue
		}
		f := blank(l.set.Catalogue)
		lay := func(list []ruleset.Clear) {
			for _, c := range list {
				f[c.Finding.Slot] = l.numberOf(c)
				if c.Finding == c.Finding.Item.Renewed {
					f[c.Finding.Item.Age.Slot] = 0
				}
			}
		}
		if !renewed {
			lay(p.ClearBy)
		}
		lay(clears)
		if !slices.ContainsFunc(p.ProvenBy, func(way ruleset.Proven) bool { return way.When.Holds(f) == condition.True }) {
			l.add(Unproving, entry, "what clears it leaves the proof %s undone", p.ID)
		}
	}
}

// numberOf is a clearing value as a condition reads it.
func (l *linter) numberOf(c ruleset.Clear) float64 {
	if c.Value == nil {
		return float64(today)
	}
	one := fmt.Appendf(nil, "{%q:%s}", c.Finding.ID, c.Value)
	values, faults := report.DecodeFound(one, c.Finding.Item, l.set.Catalogue)
	if len(faults) > 0 || len(values) == 0 {
		return condition.Unset
	}
	return values[0].Number
}
