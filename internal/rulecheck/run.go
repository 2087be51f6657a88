package rulecheck

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Failure is a test that does not hold, or an entry that has none.
type Failure struct {
	File    string // where the test is written; empty where there is none
	Line    int
	Pointer string // JSON Pointer to the test, in the document; empty where there is none
	Test    string // the entry, or the name of the dossier
	Detail  string
}

// String writes the failure as editors understand it.
func (f Failure) String() string {
	if f.File == "" {
		return fmt.Sprintf("%s: %s", f.Test, f.Detail)
	}
	return fmt.Sprintf("%s:%d: %s: %s", f.File, f.Line, f.Test, f.Detail)
}

// tests is one run of all tests.
type tests struct {
	*bench
	at       ruleset.Test
	name     string
	failures []Failure

	// By kind and id: entries that a test shows to fire, and to let something pass.
	fires, silent map[string]bool
	names         map[string]bool
}

// Test runs all tests of a rule set and returns those that do not hold. A rule, limit, proof or follow
// without a source, or that no test shows to fire and to let pass what it reads, is a failure too;
// the limit that a rule blocks by is tested with the rule. The error is that of ctx, when it ends
// before the tests do.
func Test(ctx context.Context, set *ruleset.Set) ([]Failure, error) {
	t := &tests{bench: newBench(ctx, set), fires: map[string]bool{}, silent: map[string]bool{}, names: map[string]bool{}}
	for _, written := range set.Tests {
		if t.done() {
			break
		}
		t.at = written
		form, err := written.Form()
		kind, id := form.Entry()
		t.name = cmp.Or(id, form.Name)
		switch {
		case err != nil:
			t.fail("%s", err)
		case kind != "":
			t.entry(kind, id, form)
		default:
			t.dossier(form)
		}
	}
	t.at = ruleset.Test{}
	for _, s := range t.subjects() {
		if t.done() {
			break
		}
		t.tested(s)
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("test rule set %s %s: %w", set.Name, set.Version, err)
	}
	if len(t.failures) > maxTold {
		t.failures = append(t.failures[:maxTold:maxTold], Failure{Detail: "there are more failures: fix these first"})
	}
	return t.failures, nil
}

func (t *tests) done() bool { return t.ctx.Err() != nil || len(t.failures) > maxTold }

// How much is told: of many failures the first, and of what was found in the way the beginning.
const (
	maxTold   = 200
	maxDetail = 1000 // bytes
)

func (t *tests) fail(format string, args ...any) {
	t.failures = append(t.failures, Failure{t.at.File, t.at.Line, t.at.Pointer, t.name, clip(fmt.Sprintf(format, args...))})
}

// clip leaves of a text as much as is told.
func clip(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	return strings.ToValidUTF8(s[:maxDetail], "") + "…"
}

// subject is an entry that a test can speak of.
type subject struct {
	kind, id, source string
	says             string // what it does when it fires
	when             string // its condition, as written
	needs            []int  // slots of findings that all have to be there
	allNeeded        bool   // it says nothing unless all of them are there
	// there says of a vehicle without the entry what it lacks; "" where it has it.
	there func(f condition.Frame) string
	fires func(d *report.Dossier) bool
	// canBeSilent reports whether something that it reads could be let pass.
	canBeSilent func() bool
}

// subjects lists all entries of which tests can speak. Those that go without saying are tested with
// their rule.
func (t *tests) subjects() []subject {
	var list []subject
	for _, r := range t.set.Rules {
		list = append(list, t.ruleSubject(r))
	}
	for _, l := range t.set.Limits {
		if r := findRule(t.set, l.ID); r == nil || r.Limit != l {
			list = append(list, t.limitSubject(l))
		}
	}
	for _, p := range t.set.Proofs {
		list = append(list, t.proofSubject(p))
	}
	for _, f := range t.set.Follows {
		list = append(list, t.followSubject(f))
	}
	return list
}

func (t *tests) subject(kind, id string) (subject, bool) {
	switch kind {
	case "rule":
		if r := findRule(t.set, id); r != nil {
			return t.ruleSubject(r), true
		}
	case "limit":
		if l := find(t.set.Limits, func(l *ruleset.Limit) string { return l.ID }, id); l != nil {
			return t.limitSubject(l), true
		}
	case "proof":
		if p := find(t.set.Proofs, func(p *ruleset.Proof) string { return p.ID }, id); p != nil {
			return t.proofSubject(p), true
		}
	case "follow":
		if f := find(t.set.Follows, func(f *ruleset.Follow) string { return f.ID }, id); f != nil {
			return t.followSubject(f), true
		}
	}
	return subject{}, false
}

func (t *tests) ruleSubject(r *ruleset.Rule) subject {
	return subject{
		kind: "rule", id: r.ID, source: r.Source, says: "fires", when: r.When.Source(), needs: r.Needs, allNeeded: true,
		there: func(f condition.Frame) string { return faultThere(r.Fault, f) },
		fires: func(d *report.Dossier) bool { return firesIn(r, d) },
		canBeSilent: func() bool {
			return t.canBeSilent(r, blank(t.set.Catalogue))
		},
	}
}

// firesIn reports whether a rule fires on a dossier in which nothing is contradicted.
func firesIn(r *ruleset.Rule, d *report.Dossier) bool {
	if r.General && slices.ContainsFunc(r.Specific, d.Frame.Known) {
		return false
	}
	return answered(r, d.Frame) && firesOn(r, d.Frame)
}

// faultThere says why a vehicle cannot have a fault; "" where it can.
func faultThere(fault *ruleset.Fault, f condition.Frame) string {
	if !fault.Item.AppliesTo(f) {
		return "does not have the " + fault.Item.Is
	}
	if !there(fault.When, f) {
		return "cannot have the fault " + fault.ID
	}
	return ""
}

func (t *tests) limitSubject(l *ruleset.Limit) subject {
	return subject{
		kind: "limit", id: l.ID, source: l.Source, says: "is crossed", when: l.When.Source(), needs: l.Needs, allNeeded: true,
		there: func(f condition.Frame) string {
			if l.Fault != nil {
				return faultThere(l.Fault, f)
			}
			if !l.Item.AppliesTo(f) {
				return "does not have the " + l.Item.Is
			}
			return ""
		},
		fires: func(d *report.Dossier) bool { return t.crossedIn(l, d) },
		canBeSilent: func() bool {
			f := blank(t.set.Catalogue)
			return t.tries(f, slices.Concat(l.Needs, l.Interval), literals(l.When.Source()), func() bool { return l.When.Holds(f) == condition.False })
		},
	}
}

// crossedIn reports whether a limit is certainly past: by the least and by the most that its numbers may
// be. Nothing is reported by position here.
func (b *bench) crossedIn(l *ruleset.Limit, d *report.Dossier) bool {
	if !there(l.If, d.Frame) || slices.ContainsFunc(l.Needs, func(slot int) bool { return !d.Frame.Known(slot) }) {
		return false
	}
	place := &d.Places(l.Item)[0]
	for _, end := range []func(report.Interval) float64{
		func(i report.Interval) float64 { return i.Low }, func(i report.Interval) float64 { return i.High },
	} {
		f := slices.Clone(d.Frame)
		for _, slot := range l.Interval {
			f[slot] = end(b.numberIn(l.Item, place, d, slot))
		}
		if l.When.Holds(f) == condition.False {
			return false
		}
	}
	return true
}

func (t *tests) proofSubject(p *ruleset.Proof) subject {
	return subject{
		kind: "proof", id: p.ID, source: p.Source, says: "is met", when: p.Proves.Source(), needs: p.Needs,
		there: func(f condition.Frame) string {
			if !p.Item.AppliesTo(f) {
				return "does not have the " + p.Item.Is
			}
			if !there(p.When, f) {
				return "is not asked for it"
			}
			return ""
		},
		fires: func(d *report.Dossier) bool {
			if off := p.Item.Removed.Slot; d.Frame.Known(off) && d.Frame[off] == 1 && !p.ReadsRemoved {
				return false
			}
			return p.Proves.Holds(d.Frame) == condition.True
		},
		canBeSilent: func() bool { return true },
	}
}

func (t *tests) followSubject(fo *ruleset.Follow) subject {
	return subject{
		kind: "follow", id: fo.ID, source: fo.Source, says: "opens", when: fo.When.Source(), needs: fo.Needs,
		there: func(f condition.Frame) string {
			if !fo.Item.AppliesTo(f) {
				return "does not have the " + fo.Item.Is
			}
			return ""
		},
		fires: func(d *report.Dossier) bool { return fo.When.Holds(d.Frame) == condition.True },
		canBeSilent: func() bool {
			f := blank(t.set.Catalogue)
			return t.tries(f, fo.Needs, literals(fo.When.Source()), func() bool { return fo.When.Holds(f) == condition.False })
		},
	}
}

// tested looks whether an entry has tests.
func (t *tests) tested(s subject) {
	t.name = s.id
	if s.source == "" {
		t.fail("has no source: say on whose word it stands")
	}
	if !t.fires[s.kind+" "+s.id] {
		t.fail("no test says when it %s: add {%s: %s, fires: ...} to tests", s.says, s.kind, s.id)
	}
	if !t.silent[s.kind+" "+s.id] && s.canBeSilent() {
		t.fail("no test says what it lets pass: add silent: ... to its test")
	}
}

func (t *tests) entry(kind, id string, form ruleset.TestForm) {
	s, ok := t.subject(kind, id)
	if !ok {
		t.fail("is not a %s of this rule set", kind)
		return
	}
	if form.Fires != nil {
		t.fires[kind+" "+id] = true
		t.entryFires(s, form)
	}
	if form.Silent != nil {
		t.silent[kind+" "+id] = true
		t.entrySilent(s, form)
	}
	if form.Unanswered != nil {
		t.entryUnanswered(s, form)
	}
}

// tried is what becomes of the findings of a test.
type tried struct {
	fires   bool
	missing []string // findings that the entry reads and that are not there
	reads   int      // how many that it reads are there
	weighs  float64
	known   bool // the weight is known
}

// on tries the findings of a test on an entry.
func (t *tests) on(what string, s subject, form ruleset.TestForm, found ruleset.FindingsForm) (x tried, ok bool) {
	d, err := t.lay(form.Vehicle, form.LayUp, tested(found))
	if err != nil {
		t.fail("%s %s", what, err)
		return x, false
	}
	if lacks := s.there(d.Frame); lacks != "" {
		t.fail("%s is on a vehicle that %s", what, lacks)
		return x, false
	}
	for _, slot := range s.needs {
		if f := t.set.Catalogue.Owner(slot); d.Frame.Known(slot) {
			x.reads++
		} else {
			x.missing = append(x.missing, f.Item.ID+"."+f.ID)
		}
	}
	if x.fires = s.fires(d); x.fires && s.kind == "rule" {
		r := findRule(t.set, s.id)
		x.weighs, _ = weightOn(r, d.Frame)
		x.known = true
	}
	return x, true
}

func (t *tests) entryFires(s subject, form ruleset.TestForm) {
	x, ok := t.on("fires", s, form, form.Fires)
	switch {
	case !ok:
	case s.allNeeded && len(x.missing) > 0:
		t.fail("fires leaves out %v, which the %s reads", x.missing, s.kind)
	case !x.fires:
		t.fail("never %s on %v (%s)", s.says, form.Fires, s.when)
	case form.Weighs != nil && !x.known:
		t.fail("weighs is said of a %s: only a rule weighs anything", s.kind)
	case form.Weighs != nil && math.Abs(x.weighs-*form.Weighs) > 1e-6:
		t.fail("weighs %v dB on %v, not %v", x.weighs, form.Fires, *form.Weighs)
	}
}

func (t *tests) entrySilent(s subject, form ruleset.TestForm) {
	x, ok := t.on("silent", s, form, form.Silent)
	switch {
	case !ok:
	case s.allNeeded && len(x.missing) > 0:
		t.fail("silent leaves out %v: report all that the %s reads, or it says nothing", x.missing, s.kind)
	case len(s.needs) > 0 && x.reads == 0:
		t.fail("silent leaves out all that the %s reads: it says nothing", s.kind)
	case x.fires:
		t.fail("%s on %v, which it should let pass (%s)", s.says, form.Silent, s.when)
	}
}

func (t *tests) entryUnanswered(s subject, form ruleset.TestForm) {
	x, ok := t.on("unanswered", s, form, form.Unanswered)
	switch {
	case !ok:
	case len(s.needs) > 0 && len(x.missing) == 0:
		t.fail("unanswered leaves out nothing that the %s reads", s.kind)
	case x.fires:
		t.fail("%s although %v was not reported", s.says, x.missing)
	}
}

func (t *tests) dossier(form ruleset.TestForm) {
	if t.names[form.Name] {
		t.fail("is the name of another test already")
	}
	t.names[form.Name] = true
	reports, err := t.reports(form)
	if err != nil {
		t.fail("%s", err)
		return
	}
	t.verdicts(form.Expect, t.assess(reports...))
}

func (t *tests) reports(form ruleset.TestForm) ([]*report.Report, error) {
	var list []*report.Report
	date, observations := Today, []ruleset.ObservationForm(nil)
	switch {
	case form.Sound != "":
		if form.Sound != ruleset.SoundToday {
			date = string(form.Sound)
		}
		var err error
		if observations, err = t.sound(date, form.Vehicle, form.LayUp); err != nil {
			return nil, err
		}
	case len(form.Reports) > 0:
		date = form.Reports[0].Date
	}
	// What is set is a report of its own where nothing else was looked at.
	observations = t.altered(observations, form.Unset, form.Set)
	if len(form.Reports) == 0 || len(observations) > 0 {
		r, err := t.report(date, form.Vehicle, form.LayUp, observations)
		if err != nil {
			return nil, err
		}
		list = append(list, r)
	}
	for i, rf := range form.Reports {
		vehicle, layUp := rf.Vehicle, map[string]any(nil)
		if len(list) == 0 {
			vehicle, layUp = maps.Clone(form.Vehicle), form.LayUp
			if vehicle == nil {
				vehicle = map[string]any{}
			}
			maps.Copy(vehicle, rf.Vehicle)
		}
		r, err := t.report(rf.Date, vehicle, layUp, rf.Observations)
		if err != nil {
			return nil, fmt.Errorf("report %d %w", i+1, err)
		}
		list = append(list, r)
	}
	return list, nil
}

func (t *tests) verdicts(want ruleset.ExpectForm, a *score.Assessment) {
	gate := func(id string) int {
		i := gateIndex(t.set, id)
		if i < 0 {
			t.fail("expects something of %q, which is not a gate", id)
		}
		return i
	}
	item := func(id string) {
		if t.set.Catalogue.Item(id) == nil {
			t.fail("expects something of %q, which is not an item", id)
		}
	}
	checks := 0
	for _, id := range slices.Sorted(maps.Keys(want.Gates)) {
		checks++
		if i := gate(id); i >= 0 && a.Gates[i].State != want.Gates[id] {
			t.fail("%s is %s, not %s: %s", id, a.Gates[i].State, want.Gates[id], inTheWay(a, id))
		}
	}
	for _, w := range want.Blocks {
		checks++
		item(w.Item)
		if by := gate(w.By); by >= 0 && !slices.ContainsFunc(a.BlockersBy(w.By), func(b score.Blocker) bool { return blocksAs(b, w) }) {
			t.fail("%s does not block by %s (%s): in the way is %s", strings.Join(append([]string{w.Item}, w.At...), " "), w.By, cmp.Or(w.Kind, "any kind"), inTheWay(a, w.By))
		}
	}
	for _, w := range want.Free {
		checks++
		item(w.Item)
		if gate(w.At) < 0 {
			continue
		}
		for _, b := range a.BlockersBy(w.At) {
			if b.Item == w.Item {
				t.fail("%s blocks %s (%s): %s %v", b.Item, b.Gate, b.Kind, b.Because, b.Rules)
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(want.Severity)) {
		checks++
		item(id)
		i := slices.IndexFunc(a.Register, func(e score.Entry) bool {
			return slices.ContainsFunc(e.Causes, func(c score.Cause) bool { return c.Item == id })
		})
		switch {
		case i < 0:
			t.fail("there is no hazard of %s on this vehicle", id)
		case a.Register[i].Severity != want.Severity[id]:
			t.fail("the worst entry for %s is %s (%s), not %s", id, a.Register[i].Severity, a.Register[i].Hazard, want.Severity[id])
		}
	}
	if checks == 0 {
		t.fail("expects nothing")
	}
}

// blocksAs reports whether a blocker is what is expected: of the item and kind, and at the positions
// named at least.
func blocksAs(b score.Blocker, w ruleset.BlockForm) bool {
	if b.Item != w.Item || w.Kind != "" && b.Kind != w.Kind {
		return false
	}
	return !slices.ContainsFunc(w.At, func(p string) bool { return !slices.Contains(b.At, p) })
}

// inTheWay names what blocks a gate.
func inTheWay(a *score.Assessment, gate string) string {
	s := ""
	for _, b := range a.BlockersBy(gate) {
		if len(s) > maxDetail {
			break
		}
		if s != "" {
			s += "; "
		}
		s += fmt.Sprintf("%s at %s (%s: %s)", strings.Join(append([]string{b.Item}, b.At...), " "), b.Gate, b.Kind, b.Because)
	}
	return cmp.Or(s, "nothing")
}
