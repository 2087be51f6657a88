package jobbook

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// Remark is something about a job book that is likely a mistake, though it can be read.
type Remark struct {
	Kind  RemarkKind
	Entry string // the id of the entry, or item.finding
	Says  string
}

// String writes the remark on one line.
func (r Remark) String() string { return string(r.Kind) + ": " + r.Entry + ": " + r.Says }

// RemarkKind says what is remarked on.
type RemarkKind string

// The kinds of remark.
const (
	Ungiven    RemarkKind = "ungiven"    // a finding that the rules ask of a kind of vehicle, and no job and no look gives
	Unmended   RemarkKind = "unmended"   // one that clears what was found bad, and that jobs and looks only show, with none that mends it
	TooLate    RemarkKind = "too_late"   // one that is asked for before the gate after which alone it can be given
	Otherwise  RemarkKind = "otherwise"  // a value that is not the one that the rules ask for
	Unopenable RemarkKind = "unopenable" // a state that a kind of vehicle has, and no way leads to
	Unreached  RemarkKind = "unreached"  // a job that nothing leads to
	Undoable   RemarkKind = "undoable"   // a job of a kind of vehicle that cannot be done on it
	Unproven   RemarkKind = "unproven"   // a spoiled finding that nobody gives, or nothing asks for
	Clashing   RemarkKind = "clashing"   // a proof that is undone by the closing of what it needs open
	Torn       RemarkKind = "torn"       // jobs whose order would have something opened twice, or a proof undone
	Unused     RemarkKind = "unused"     // something that is named and never used
)

// Vehicle is one to try a book on.
type Vehicle struct {
	Name  string
	Facts condition.Frame // every other slot is [condition.Unset]
}

// Ask is a finding that a rule set may ask of a vehicle to clear something.
type Ask struct {
	Finding *catalogue.Finding
	Value   []byte // as of [ruleset.Clear]; nil: the day of the assessment
	By      string // the id of the fault, limit, rule or proof
	Gate    *ruleset.Gate
	// Found says that it is asked for where something was found bad, not only where it was not proven.
	Found bool
}

// Asked lists what a rule set may ask of a vehicle with the facts in a frame, in the order of the rule set.
func Asked(set *ruleset.Set, f condition.Frame) []Ask {
	var list []Ask
	for _, e := range clearings(set) {
		gate := e.gate
		if gate == nil {
			gate = lastGate(e.fault, f)
		}
		if gate == nil || slices.ContainsFunc(e.on, func(c *condition.Condition) bool { return Holds(c, f) == condition.False }) {
			continue
		}
		for _, c := range e.clears {
			if c.Finding.Item.AppliesTo(f) {
				list = append(list, Ask{c.Finding, c.Value, e.by, gate, e.found})
			}
		}
	}
	return list
}

// clearing is an entry of a rule set that says what clears it.
type clearing struct {
	by     string
	fault  *ruleset.Fault // nil where no fault is concerned
	gate   *ruleset.Gate  // nil: those of the fault's hazards
	found  bool           // see [Ask]
	clears []ruleset.Clear
	on     []*condition.Condition // where one is false the entry asks for nothing; nil always holds
}

// clearings has every entry of a rule set that says what clears it. What a limit reads is not known here, so
// its condition is false only where the facts alone say so.
func clearings(set *ruleset.Set) []clearing {
	var list []clearing
	add := func(c clearing) {
		if c.fault != nil {
			c.on = append(c.on, c.fault.When, c.fault.Item.Applies)
		}
		list = append(list, c)
	}
	for _, x := range set.Faults {
		add(clearing{by: x.ID, fault: x, found: true, clears: x.ClearBy})
	}
	for _, x := range set.Limits {
		add(clearing{by: x.ID, fault: x.Fault, gate: x.Gate, found: true, clears: x.ClearBy, on: []*condition.Condition{x.If, x.When, x.Item.Applies}})
	}
	for _, x := range set.Rules {
		if x.Limit == nil { // else that of its limit
			add(clearing{by: x.ID, fault: x.Fault, found: true, clears: x.ClearBy, on: []*condition.Condition{x.When, x.Item.Applies}})
		}
	}
	for _, x := range set.Proofs {
		add(clearing{by: x.ID, gate: x.Gate, clears: x.ClearBy, on: []*condition.Condition{x.When, x.Item.Applies}})
	}
	return list
}

// lastGate is the last gate at which a fault does harm to a vehicle: a finding has to be had by then. Nil
// where it does none.
func lastGate(x *ruleset.Fault, f condition.Frame) *ruleset.Gate {
	var last *ruleset.Gate
	for _, h := range x.Hazards {
		if Holds(h.When, f) != condition.False && (last == nil || h.Gate.Index > last.Index) {
			last = h.Gate
		}
	}
	return last
}

type linter struct {
	book    *Book
	set     *ruleset.Set
	remarks []Remark
	said    map[string]bool
}

// Lint looks for what is likely a mistake in a book, on its own, against the rule set that it is for, and on
// each of the vehicles. The remarks come in the order of their kinds and entries.
func Lint(b *Book, set *ruleset.Set, vehicles []Vehicle) []Remark {
	l := &linter{book: b, set: set, said: map[string]bool{}}
	l.otherwise()
	l.unreached()
	l.unproven()
	l.clashing()
	l.unused()
	for _, v := range vehicles {
		l.on(v)
	}
	slices.SortStableFunc(l.remarks, func(a, b Remark) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Entry, b.Entry)) })
	return l.remarks
}

// add remarks on an entry once, however many vehicles it is so on.
func (l *linter) add(kind RemarkKind, entry, format string, args ...any) {
	key := string(kind) + "\x00" + entry
	if !l.said[key] {
		l.said[key] = true
		l.remarks = append(l.remarks, Remark{kind, entry, fmt.Sprintf(format, args...)})
	}
}

func name(f *catalogue.Finding) string { return f.Item.ID + "." + f.ID }

// asks has what every clear_by of the rule set asks for, whatever the vehicle.
func asks(set *ruleset.Set) map[*catalogue.Finding][]byte {
	m := map[*catalogue.Finding][]byte{}
	for _, e := range clearings(set) {
		for _, c := range e.clears {
			m[c.Finding] = c.Value
		}
	}
	return m
}

// agrees reports whether what a job gives is what is asked for.
func agrees(g Give, value []byte) bool { return g.Value == nil || string(g.Value) == string(value) }

func (l *linter) otherwise() {
	asked := asks(l.set)
	for _, j := range l.book.Jobs {
		for _, g := range j.Gives {
			if value, is := asked[g.Finding]; is && !agrees(g, value) {
				want := "the day"
				if value != nil {
					want = string(value)
				}
				l.add(Otherwise, j.ID, "gives %s %s, and the rules ask for %s", name(g.Finding), g.Value, want)
			}
		}
	}
}

func (l *linter) unreached() {
	asked := asks(l.set)
	led := map[*Job]bool{}
	lead := func(lists ...[]*Job) {
		for _, j := range slices.Concat(lists...) {
			led[j] = true
		}
	}
	for _, w := range l.book.Ways {
		lead(w.After, w.Then)
		for _, s := range w.Surprise {
			lead(s.Adds)
		}
	}
	for _, j := range l.book.Jobs {
		lead(j.Must, j.Then, j.With)
		for _, s := range j.Reveals {
			lead(s.Adds)
		}
	}
	for _, j := range l.book.Jobs {
		gives := slices.ContainsFunc(j.Gives, func(g Give) bool { _, is := asked[g.Finding]; return is }) ||
			slices.ContainsFunc(j.Mends, func(f *catalogue.Finding) bool { _, is := asked[f]; return is })
		if !gives && !led[j] {
			l.add(Unreached, j.ID, "gives nothing that is asked for, and no other entry leads to it")
		}
	}
}

func (l *linter) unproven() {
	asked := asks(l.set)
	given := map[*catalogue.Finding]bool{}
	for _, j := range l.book.Jobs {
		for _, g := range j.Gives {
			given[g.Finding] = true
		}
	}
	for _, k := range l.book.Looks {
		for _, f := range k.Gives {
			given[f] = true
		}
	}
	look := func(id string, spoils []*catalogue.Finding) {
		for _, f := range spoils {
			if _, is := asked[f]; !is {
				l.add(Unproven, id, "spoils %s, which nothing asks for", name(f))
			} else if !given[f] {
				l.add(Unproven, id, "spoils %s, which nobody gives", name(f))
			}
		}
	}
	for _, s := range l.book.States {
		look(s.ID, s.Spoils)
	}
	for _, j := range l.book.Jobs {
		look(j.ID, j.Spoils)
	}
}

// clashing looks for jobs that can never have held: all that they may be done with spoils what they give
// once it is shut again.
func (l *linter) clashing() {
	for _, j := range l.book.Jobs {
		for _, g := range j.Gives {
			if len(j.Open) == 0 || slices.ContainsFunc(j.Open, func(o Opening) bool {
				return !slices.ContainsFunc(o.All, func(s *State) bool { return slices.Contains(s.Spoils, g.Finding) && !slices.Contains(j.Closes, s) })
			}) {
				continue
			}
			l.add(Clashing, j.ID, "gives %s, which what has to be open for it spoils", name(g.Finding))
		}
	}
}

func (l *linter) unused() {
	used := map[any]bool{}
	need := func(needs []Need) {
		for _, n := range needs {
			for _, p := range n.Any {
				used[p] = true
			}
		}
	}
	plant := func(list []*Plant) {
		for _, p := range list {
			used[p] = true
		}
	}
	place := func(list []*Place) {
		for _, p := range list {
			used[p] = true
		}
	}
	opening := func(list []Opening) {
		for _, o := range list {
			for _, s := range o.All {
				used[s] = true
			}
		}
	}
	fitted := func(list []*Fitting) {
		for _, x := range list {
			used[x] = true
		}
	}
	for _, w := range l.book.Ways {
		for _, t := range slices.Concat(w.If, w.Unless) {
			used[t] = true
		}
		need(w.UsesUp)
		plant(w.Uses)
		plant(w.Holds)
		place(w.Places)
		for _, s := range w.Needs {
			used[s] = true
		}
	}
	for _, j := range l.book.Jobs {
		need(j.Parts)
		need(j.BoughtIn)
		plant(j.Uses)
		place(j.Places)
		opening(j.Open)
		fitted(j.Fitted)
		for _, s := range j.Closes {
			used[s] = true
		}
	}
	for _, k := range l.book.Looks {
		opening(k.Open)
		fitted(k.Fitted)
	}
	for _, t := range l.book.Traits {
		if !used[t] {
			l.add(Unused, t.ID, "no way hangs on this trait")
		}
	}
	for _, p := range l.book.Parts {
		if !used[p] {
			l.add(Unused, p.ID, "no job and no way takes this part")
		}
	}
	for _, p := range l.book.Plants {
		if !used[p] {
			l.add(Unused, p.ID, "no job and no way uses this plant")
		}
	}
	for _, p := range l.book.Places {
		if !used[p] {
			l.add(Unused, p.ID, "nobody works in this place")
		}
	}
	for _, s := range l.book.States {
		if !used[s] {
			l.add(Unused, s.ID, "nothing needs this to be open")
		}
	}
	for _, x := range l.book.Fittings {
		switch {
		case !used[x]:
			l.add(Unused, x.ID, "no job and no look needs this in place")
		case len(x.Shut) == 0:
			l.add(Unused, x.ID, "nothing takes this away")
		}
	}
}

// on tries a book on a vehicle.
func (l *linter) on(v Vehicle) {
	r := l.book.Reach(v.Facts)
	for i, s := range l.book.States {
		if r.Has[i] && !r.States[i] {
			l.add(Unopenable, s.ID, "the %s has it, and no way leads there", v.Name)
		}
	}
	for i, j := range l.book.Jobs {
		if !r.Jobs[i] && Holds(j.When, v.Facts) != condition.False && slices.ContainsFunc(j.Items, func(it *catalogue.Item) bool { return it.AppliesTo(v.Facts) }) {
			l.add(Undoable, j.ID, "it is for the %s, and cannot be done there", v.Name)
		}
	}
	l.torn(v, r)
	for _, a := range Asked(l.set, v.Facts) {
		l.given(v, r, a)
	}
}

// given looks for a job or a look that gives what is asked for, at every position that the vehicle has, in
// time and, where something was found bad, by seeing to it.
func (l *linter) given(v Vehicle, r Reach, a Ask) {
	positions, _ := a.Finding.Item.PositionsOn(v.Facts)
	if len(positions) == 0 {
		l.givenAt(v, r, a, nil)
	}
	for _, p := range positions {
		l.givenAt(v, r, a, p)
	}
}

func (l *linter) givenAt(v Vehicle, r Reach, a Ask, p *catalogue.Position) {
	var made, shown, late []string
	mended := false
	inTime := func(once string) bool {
		i := slices.IndexFunc(l.set.Gates, func(g *ruleset.Gate) bool { return g.ID == once })
		return i < a.Gate.Index
	}
	for i, j := range l.book.Jobs {
		mended = mended || r.Jobs[i] && slices.Contains(j.Mends, a.Finding)
		for _, g := range j.Gives {
			switch {
			case g.Finding != a.Finding || !r.Jobs[i] || !agrees(g, a.Value) || !g.Covers(p):
			case !inTime(j.Once):
				late = append(late, j.ID)
			case g.Shown:
				shown = append(shown, j.ID)
			default:
				made = append(made, j.ID)
			}
		}
	}
	if k := l.book.Looks[a.Finding.Item.Index]; r.Looks[a.Finding.Item.Index] && slices.Contains(k.Gives, a.Finding) {
		if inTime(k.Once) {
			shown = append(shown, "a look")
		} else {
			late = append(late, "a look")
		}
	}
	where := v.Name
	if p != nil {
		where += " at " + p.ID
	}
	switch {
	case made == nil && shown == nil && late != nil:
		l.add(TooLate, name(a.Finding), "%s asks for it before %s of the %s, and only %s gives it, later", a.By, a.Gate.ID, where, strings.Join(late, ", "))
	case made == nil && shown == nil:
		l.add(Ungiven, name(a.Finding), "%s asks for it of the %s", a.By, where)
	case made == nil && a.Found && !mended:
		l.add(Unmended, name(a.Finding), "%s asks for it of the %s where something is bad, and %s only shows how it is", a.By, where, strings.Join(shown, ", "))
	}
}
