package rulecheck

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// The kinds of [Finding].
const (
	Unread      = "unread"      // a finding that no rule, limit, proof, follow, prior or grade reads
	Unwatched   = "unwatched"   // an item without a fault, a limit and a proof
	NeverFire   = "never"       // an entry of which nothing comes, whatever is reported
	Twice       = "twice"       // one finding that counts on two lines of a fault
	Again       = "again"       // the same rule once more
	Shared      = "shared"      // one finding that speaks for several faults
	General     = "general"     // a general word that weighs as much as a look
	Loud        = "loud"        // a weight beyond what any method may carry
	Backward    = "backward"    // a worse finding that makes a fault less likely, or blocks later
	Constant    = "constant"    // a prior that neither age nor lay-up nor distance changes
	Counted     = "counted"     // a number that is in the prior of a fault and in a rule for it
	Ignorance   = "ignorance"   // a prior by which not knowing is better than knowing
	Bunched     = "bunched"     // a hazard that is tolerated by a hair where nobody looked
	Unclearable = "unclearable" // a hazard that is not tolerated even when all is put right
	Uncleared   = "uncleared"   // something that what is asked for does not clear
	Standing    = "standing"    // an alarm that what clears it does not take back
	Unproving   = "unproving"   // a clearing that leaves a proof of the same item undone
	Unpostable  = "unreported"  // a clearing that no form could post
	Unmeetable  = "unmeetable"  // something that a kind of vehicle is asked for and cannot have
	Clause      = "clause"      // words that do not read well in the middle of a sentence
)

// Finding is something odd about a rule set that loading it does not refuse.
type Finding struct {
	Kind   string
	Entry  string // the rule, hazard, item or finding that it is about
	Detail string
	// Listed says that it may well be right: it is listed for somebody to judge.
	Listed bool
}

// String writes the finding in one line.
func (f Finding) String() string { return f.Entry + ": " + f.Detail + " (" + f.Kind + ")" }

// listed are the kinds that are for somebody to judge.
var listed = []string{Constant, Shared, Bunched, Standing}

// linter collects findings.
type linter struct {
	*bench
	rules    map[*ruleset.Fault][]*ruleset.Rule
	limits   map[*ruleset.Fault][]*ruleset.Limit
	findings []Finding
}

// Lint looks for what is odd about a rule set. It tries the values that the conditions of the set
// tell apart, so that what it reports is an example and what it does not report is no proof.
// The error is that of ctx, when it ends before the search does.
func Lint(ctx context.Context, set *ruleset.Set) ([]Finding, error) {
	l := &linter{bench: newBench(ctx, set), rules: map[*ruleset.Fault][]*ruleset.Rule{}, limits: map[*ruleset.Fault][]*ruleset.Limit{}}
	for _, r := range set.Rules {
		l.rules[r.Fault] = append(l.rules[r.Fault], r)
	}
	for _, x := range set.Limits {
		l.limits[x.Fault] = append(l.limits[x.Fault], x)
	}
	l.unread()
	l.unwatched()
	l.clauses()
	l.never()
	l.shared()
	for _, f := range set.Faults {
		if l.done() {
			break
		}
		l.twice(f)
		l.again(f)
		l.general(f)
		l.loud(f)
		l.counted(f)
		l.backward(f)
	}
	l.worstPriors()
	for _, f := range set.Faults {
		if l.done() {
			break
		}
		l.uncleared(f)
		l.standing(f)
		l.unproving(f.ID, f.Item, f.ClearBy)
	}
	for _, x := range set.Limits {
		if l.done() {
			break
		}
		if x.Fault == nil || !sameClears(x.ClearBy, x.Fault.ClearBy) {
			l.unproving(x.ID, x.Item, x.ClearBy)
		}
	}
	l.unmeetable()
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
		l.findings = append(l.findings, Finding{kind, entry, clip(fmt.Sprintf(format, args...)), slices.Contains(listed, kind)})
	}
}

// full says whether there are as many findings as anybody reads.
func (l *linter) full() bool { return len(l.findings) >= maxFindings }

func (l *linter) done() bool { return l.ctx.Err() != nil || l.full() }

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
	for _, x := range l.set.Limits {
		note(x.Needs)
	}
	for _, p := range l.set.Proofs {
		note(p.Needs)
	}
	for _, f := range l.set.Follows {
		note(f.Needs)
	}
	for _, f := range l.set.Faults {
		note(f.Prior.Needs)
	}
	for _, grades := range l.set.Grades {
		for _, g := range grades {
			note([]int{g.Finding.Slot})
		}
	}
	for _, it := range l.set.Catalogue.Items {
		for _, f := range it.Finds {
			if !f.Common() && f != it.Made && !read[f.Slot] {
				l.add(Unread, it.ID+"."+f.ID, "no rule, limit, proof, follow, prior or grade reads it: write one or take it out of the catalogue")
			}
		}
	}
}

func (l *linter) unwatched() {
	watched := map[*catalogue.Item]bool{}
	for _, f := range l.set.Faults {
		watched[f.Item] = true
	}
	for _, x := range l.set.Limits {
		watched[x.Item] = true
	}
	for _, p := range l.set.Proofs {
		watched[p.Item] = true
	}
	for _, it := range l.set.Catalogue.Items {
		if !watched[it] {
			l.add(Unwatched, it.ID, "has no fault, no limit and no proof: nothing that is found on it matters")
		}
	}
}

// clauses looks for words that are put into the middle of a sentence and do not go there.
func (l *linter) clauses() {
	check := func(entry, what, text string) {
		first, n := utf8.DecodeRuneInString(text)
		second, _ := utf8.DecodeRuneInString(text[n:])
		switch {
		case strings.HasSuffix(text, "."):
			l.add(Clause, entry, "%s ends with a full stop: it is a part of a sentence", what)
		case unicode.IsUpper(first) && unicode.IsLower(second):
			l.add(Clause, entry, "%s begins with a capital: it is a part of a sentence", what)
		}
	}
	f := blank(l.set.Catalogue)
	for _, x := range l.set.Faults {
		check(x.ID, "is", x.Is)
	}
	for _, x := range l.set.Hazards {
		check(x.ID, "what", x.What)
	}
	for _, x := range l.set.Rules {
		check(x.ID, "because", x.Because.On(f))
	}
	for _, x := range l.set.Limits {
		if r := findRule(l.set, x.ID); r == nil {
			check(x.ID, "because", x.Because.On(f))
		}
	}
	for _, x := range l.set.Proofs {
		check(x.ID, "because", x.Because.On(f))
	}
	for _, x := range l.set.Follows {
		check(x.ID, "because", x.Because.On(f))
	}
}

// never looks for a dossier on which each entry does something. Facts take every value, and may be
// unknown.
func (l *linter) never() {
	for _, r := range l.set.Rules {
		if l.done() {
			return
		}
		conditions := []*condition.Condition{r.Fault.When, r.Fault.Item.Applies, r.Item.Applies}
		if r.Limit != nil {
			conditions = append(conditions, r.Limit.If)
		}
		_, facts := readsOf(r)
		if !l.comesOf(r.Needs, facts, conditions, limitsOf(r), func(f condition.Frame) bool { return firesOn(r, f) }) {
			l.add(NeverFire, r.ID, "fires on nothing that could be reported (when: %s)", r.When.Source())
		}
	}
	for _, x := range l.set.Limits {
		if l.done() {
			return
		}
		if r := findRule(l.set, x.ID); r != nil {
			continue
		}
		conditions := []*condition.Condition{x.Item.Applies, x.If}
		if x.Fault != nil {
			conditions = append(conditions, x.Fault.When, x.Fault.Item.Applies)
		}
		needs := slices.Concat(x.Needs, x.Interval)
		if !l.comesOf(needs, x.When.Reads(), conditions, literals(x.When.Source()), func(f condition.Frame) bool { return x.When.Holds(f) != condition.False }) {
			l.add(NeverFire, x.ID, "is crossed by nothing that could be reported (when: %s)", x.When.Source())
		}
	}
	for _, x := range l.set.Follows {
		if l.done() {
			return
		}
		if !l.comesOf(x.Needs, x.When.Reads(), []*condition.Condition{x.Item.Applies}, literals(x.When.Source()), func(f condition.Frame) bool { return x.When.Holds(f) == condition.True }) {
			l.add(NeverFire, x.ID, "opens on nothing that could be reported (when: %s)", x.When.Source())
		}
	}
	for _, h := range l.set.Hazards {
		if l.done() {
			return
		}
		if !slices.ContainsFunc(h.Causes, func(c ruleset.Cause) bool { _, ok := l.vehicleWith(h, c.Fault); return ok }) {
			l.add(NeverFire, h.ID, "exists on no vehicle")
		}
	}
	for _, f := range l.set.Faults {
		if l.done() {
			return
		}
		if len(f.Hazards) == 0 {
			continue
		}
		if !slices.ContainsFunc(f.Hazards, func(h *ruleset.Hazard) bool { _, ok := l.vehicleWith(h, f); return ok }) {
			l.add(NeverFire, f.ID, "no vehicle has it and one of its hazards")
		}
	}
}

// comesOf looks for findings, and facts under which none of the conditions is false, on which yes
// returns true.
func (l *linter) comesOf(needs, reads []int, conditions []*condition.Condition, limits []float64, yes func(condition.Frame) bool) bool {
	cat := l.set.Catalogue
	facts := slices.Clone(reads)
	for _, c := range conditions {
		if c != nil {
			facts = append(facts, c.Reads()...)
		}
	}
	slices.Sort(facts)
	facts = slices.DeleteFunc(slices.Compact(facts), func(slot int) bool { return slices.Contains(needs, slot) })
	slots := slices.Concat(facts, needs) // the findings in turn first: most entries need few facts
	values := make([][]float64, len(slots))
	for i, slot := range slots {
		values[i] = valuesOf(cat, slot, limits)
		if i < len(facts) && slot != cat.AsOf {
			values[i] = append([]float64{condition.Unset}, values[i]...)
		}
	}
	f := blank(cat)
	return l.combine(f, slots, values, func() bool {
		return !slices.ContainsFunc(conditions, func(c *condition.Condition) bool { return !there(c, f) }) && yes(f)
	})
}
