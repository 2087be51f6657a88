package score

import (
	"cmp"
	"math"
	"slices"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// fired is a rule that fired at one place.
type fired struct {
	rule      *ruleset.Rule
	position  int // as report.Place has it
	named     bool
	weight    float64
	credence  float64
	effective Decibans
	hearsay   bool   // its method proves nothing, at any age
	silent    bool   // it reassures by one value that stands and says nothing by another: it does not count
	says      string // because, with what was found
}

// fire tries the rules that read findings of the items on which something was found.
func (e *evaluation) fire() {
	for i := range e.items {
		if !e.items[i].found {
			continue
		}
		rules := e.rulesReading[i]
		for k := range rules {
			if r := &rules[k]; e.items[r.item].applies && e.items[r.of].applies {
				e.try(r)
			}
		}
	}
}

// try tries a rule at every place of its item.
func (e *evaluation) try(r *fixedRule) {
	if e.idle(r) {
		if r.limit >= 0 {
			e.passed[r.limit] = true
		}
		return
	}
	places := e.dossier.Places(r.Item)
	for i := range places {
		if r.General && e.specific(r.Rule, &places[i]) {
			continue
		}
		e.tryAt(r, places, i)
	}
}

// idle reports whether a rule holds nowhere, as most do not: one of the findings that it needs was not reported,
// or none is contradicted or known by position and the condition is false in the frame as it is.
func (e *evaluation) idle(r *fixedRule) bool {
	if r.slot >= 0 {
		stand := e.dossier.Stand[r.slot]
		return stand == 0 || stand == report.Plainly && r.holds>>uint(e.frame[r.slot])&1 == 0
	}
	plain := true
	for _, slot := range r.Needs {
		switch e.dossier.Stand[slot] {
		case 0:
			return true
		case report.Maybe:
			plain = false
		}
	}
	return plain && r.When.Holds(e.frame) == condition.False
}

// specific reports whether something more specific than a general word was reported on the line of a rule.
func (e *evaluation) specific(r *ruleset.Rule, p *report.Place) bool {
	for _, slot := range r.Specific {
		f := e.set.Catalogue.Owner(slot)
		if f.Item == r.Item {
			if p.Of(f) != nil {
				return true
			}
		} else if e.dossier.Standing(f) != nil {
			return true
		}
	}
	return false
}

// tryAt fires a rule at a place if everything that it reads was reported there. Of the values that
// stand the one that speaks most for the fault counts.
func (e *evaluation) tryAt(r *fixedRule, places []report.Place, i int) {
	if !e.choose(r.Needs, r.Item, places, i) {
		return
	}
	n := len(e.tried)
	e.tried = append(e.tried, fired{}) // read in place
	best := &e.tried[n]
	e.read(r, best)
	silent := best.credence == 0 // under some choice it says nothing, which is more than what reassures
	for e.chooseNext() {
		var now fired
		e.read(r, &now)
		silent = silent || now.credence == 0
		if best.credence == 0 || now.credence > 0 && (now.effective > best.effective || now.effective == best.effective && now.credence > best.credence) {
			*best = now
		}
	}
	if best.credence > 0 && best.weight != 0 {
		best.silent = silent && best.effective < 0
		best.position = places[i].Position
	} else {
		e.tried = e.tried[:n]
	}
	e.restore()
}

// read reads a rule under the choice made; its credence stays 0 where it does not fire.
func (e *evaluation) read(r *fixedRule, now *fired) {
	now.rule = r.Rule
	holds := r.When.Holds(e.frame)
	if holds == condition.False {
		return
	}
	likelier := r.ratio
	now.weight = r.Weight
	if r.WeightOf != nil {
		if x := r.WeightOf.Value(e.frame); x == x {
			now.weight = ruleset.At(r.Curve, x)
			likelier = ratio(now.weight)
		}
	}
	if now.weight < 0 && (holds == condition.Unknown || len(e.reading.partial) > 0) {
		// Undecided is read as the worse way: it alarms but does not reassure.
		now.weight, likelier = 0, 1
	}
	alarms, most := e.reading.alarms()
	now.hearsay = alarms < e.set.ProofCredence
	now.named = e.reading.named()
	if now.weight < 0 {
		now.credence = e.reassures()
		now.effective = effective(likelier, now.credence)
	} else {
		now.credence = alarms
		now.effective = min(effective(likelier, alarms), toDecibans(most))
	}
	now.says = r.Because.On(e.frame)
}

// effective is the weight of a finding of a likelihood ratio that tells the truth with share c, and else nothing:
// 10 log10(c ratio + 1 - c).
func effective(ratio, c float64) Decibans {
	return decibans(float64(c*ratio) + (1 - c))
}

// maxChoices bounds the choices tried among contradicting values: with more, only the lowest and the
// highest of each finding are tried.
const maxChoices = 4096

// reading is a way of going through the choices among the values that stand of some findings.
type reading struct {
	list    []chosen
	choices int
	partial []int // those of another item with positions of which some were not reported on
}

// chosen is the value of one finding in a choice.
type chosen struct {
	slot    int
	options []report.StandingValue
	at      int     // which of them
	saved   float64 // what the frame had
}

func (c *chosen) value() *report.StandingValue { return &c.options[c.at] }

// aside empties slots of the frame; restore puts back what was there.
func (e *evaluation) aside(slots []int) {
	r := &e.reading
	r.list = r.list[:0]
	for _, slot := range slots {
		r.list = append(r.list, chosen{slot: slot, saved: e.frame[slot]})
		e.frame[slot] = condition.Unset
	}
}

// choose begins to go through the choices among the standing values of the findings at the slots
// given, as they are at one place of an item. The first choice, all lowest, is made; it returns false
// when one of the findings was not reported. After it returned true, restore is due.
//
//	if e.choose(slots, item, places, i) {
//		for ok := true; ok; ok = e.chooseNext() { ... }
//		e.restore()
//	}
func (e *evaluation) choose(slots []int, it *catalogue.Item, places []report.Place, i int) bool {
	return e.gather(slots, it, places, i, false)
}

// chooseKnown is choose for conditions that can do without some of the findings: those that were not
// reported stay unknown. It returns false where none was.
func (e *evaluation) chooseKnown(slots []int, it *catalogue.Item, places []report.Place, i int) bool {
	return e.gather(slots, it, places, i, true)
}

func (e *evaluation) gather(slots []int, it *catalogue.Item, places []report.Place, i int, some bool) bool {
	r := &e.reading
	r.list, r.choices, r.partial = r.list[:0], 1, r.partial[:0]
	for _, slot := range slots {
		values, all := e.values(e.set.Catalogue.Owner(slot), it, places, i)
		if !all {
			r.partial = append(r.partial, slot)
		}
		if len(values) == 0 {
			if some {
				continue
			}
			return false
		}
		r.choices = min(r.choices*len(values), maxChoices+1)
		r.list = append(r.list, chosen{slot: slot, options: values, saved: e.frame[slot]})
	}
	for k := range r.list {
		e.frame[r.list[k].slot] = r.list[k].options[0].Number
	}
	return len(r.list) > 0
}

// values returns what stands of a finding as seen from a place of an item; all is false where the
// finding is of another item with positions of which some were not reported on.
func (e *evaluation) values(f *catalogue.Finding, it *catalogue.Item, places []report.Place, i int) (values []report.StandingValue, all bool) {
	if f.Item == it {
		if st := places[i].Of(f); st != nil {
			return st.Values, true
		}
		return nil, true
	}
	others := e.dossier.Items[f.Item.Index].Places
	if len(others) == 1 {
		if st := others[0].Of(f); st != nil {
			return st.Values, true
		}
		return nil, true
	}
	if at := places[i].Position; at >= 0 {
		for k := range others {
			if o := &others[k]; o.Position >= 0 && f.Item.Positions[o.Position] == it.Positions[at] {
				if st := o.Of(f); st != nil {
					return st.Values, true
				}
				return nil, true
			}
		}
	}
	all = true
	for k := range others {
		switch st := others[k].Of(f); {
		case st != nil:
			values = append(values, st.Values...)
		case others[k].Real():
			all = false
		}
	}
	return values, all
}

// chooseNext makes the next choice, as one counts; after the last it goes back to the first and
// returns false.
func (e *evaluation) chooseNext() bool {
	r := &e.reading
	if r.choices == 1 {
		return false
	}
	for i := range r.list {
		c := &r.list[i]
		next := c.at + 1
		if r.choices > maxChoices && next < len(c.options) {
			next = len(c.options) - 1
		}
		if next == len(c.options) || c.at == len(c.options)-1 {
			next = 0
		}
		c.at, e.frame[c.slot] = next, c.options[next].Number
		if next > 0 {
			return true
		}
	}
	return false
}

// restore puts back what the frame had before the choice.
func (e *evaluation) restore() {
	for i := range e.reading.list {
		c := &e.reading.list[i]
		e.frame[c.slot] = c.saved
	}
}

// alarms is the least share of true alarms among the values chosen, and the most that an alarm by
// them may weigh.
func (r *reading) alarms() (c, atMost float64) {
	c, atMost = math.Inf(1), math.Inf(1)
	for i := range r.list {
		v := r.list[i].value()
		c, atMost = min(c, v.Alarms()), min(atMost, v.AtMost())
	}
	return c, atMost
}

// named reports whether somebody named the position that the values chosen are of.
func (r *reading) named() bool {
	for i := range r.list {
		if r.list[i].value().Named() {
			return true
		}
	}
	return false
}

// reassures is the least that a reassurance by the values chosen is to be believed, as it has aged.
func (e *evaluation) reassures() float64 {
	least := 1.0
	for i := range e.reading.list {
		v := e.reading.list[i].value()
		least = min(least, v.Reassures(e.dossier.AsOf, e.halfLife[v.Finding.Item.Index]))
	}
	return least
}

// deal gives each fault the rules that fired for it, and counts one of each line.
func (e *evaluation) deal() {
	starts, next := e.starts[:len(e.faults)+1], e.starts[len(e.faults)+1:]
	for i := range e.tried {
		starts[e.tried[i].rule.Fault.Index+1]++
	}
	for i := range e.faults {
		starts[i+1] += starts[i]
		next[i] = starts[i]
	}
	e.dealt = again(e.dealt, len(e.tried))
	for i := range e.tried {
		f := e.tried[i].rule.Fault.Index
		e.dealt[next[f]] = e.tried[i]
		next[f]++
	}
	for i := range e.faults {
		f := &e.faults[i]
		f.Fault = e.set.Faults[i]
		mine := e.dealt[starts[i]:starts[i+1]]
		if len(mine) == 0 {
			continue
		}
		slices.SortFunc(mine, byLine)
		e.picked = e.picked[:0]
		f.weightDB = e.count(mine, nil, &e.picked)
		told := func(x *fired) bool { return x.hearsay && x.effective < 0 }
		if f.credibleDB = f.weightDB; slices.ContainsFunc(mine, func(x fired) bool { return told(&x) }) {
			f.credibleDB = e.count(mine, told, nil)
		}
		for n, k := range e.picked { // in rising order: to the front, one after another
			x := mine[k]
			copy(mine[n+1:k+1], mine[n:k])
			mine[n] = x
		}
		counts := len(e.picked)
		f.evidence, f.outweighed = mine[:counts:counts], mine[counts:]
		slices.SortFunc(f.evidence, strongestFirst)
		for k := range mine {
			x := &mine[k]
			f.told = f.told || x.hearsay
			switch {
			case x.effective <= 0:
			case x.hearsay:
				f.rumoured = true
			default:
				f.alarmed = true
			}
		}
		f.rumoured = f.rumoured && !f.alarmed
	}
}

// count adds up the lines of evidence among rules that fired, in the order of byLine. On a line the
// largest weight counts if one speaks for the fault; else, of an item with positions, what speaks
// against it counts only if it is known at every position, and at the least. It notes which count.
func (e *evaluation) count(list []fired, leaveOut func(*fired) bool, picked *[]int) Decibans {
	var total Decibans
	for from := 0; from < len(list); {
		to := from
		most, least := -1, -1
		for to < len(list) && list[to].rule.Line == list[from].rule.Line {
			first := to
			item := list[to].rule.Item
			for to < len(list) && list[to].rule.Line == list[from].rule.Line && list[to].rule.Item == item {
				to++
			}
			up, down := e.overPlaces(list, first, to, leaveOut)
			if up >= 0 && (most < 0 || list[up].effective > list[most].effective) {
				most = up
			}
			if down >= 0 && (least < 0 || list[down].effective < list[least].effective) {
				least = down
			}
		}
		if most < 0 {
			most = least
		}
		if most >= 0 {
			total += list[most].effective
			if picked != nil {
				*picked = append(*picked, most)
			}
		}
		from = to
	}
	return total
}

// overPlaces returns which of the rules of one line and item speaks most for the fault, and else which
// speaks against it at the place that is known least well; -1 for none. A position at which the part was
// renewed needs no look, unless every one was: then a look at each counts.
func (e *evaluation) overPlaces(list []fired, from, to int, leaveOut func(*fired) bool) (up, down int) {
	places := e.dossier.Places(list[from].rule.Item)
	aged := false
	for i := range places {
		aged = aged || places[i].Real() && places[i].Renewed == calendar.NoDay
	}
	needs := func(p *report.Place) bool { return p.Real() && !(aged && p.Renewed != calendar.NoDay) }
	up, down = -1, -1
	for i := range places {
		// Those of one place: the strongest for the fault first, then the strongest against it.
		best := -1
		for k := from; k < to; k++ {
			if list[k].position == places[i].Position && !list[k].silent && (leaveOut == nil || !leaveOut(&list[k])) {
				best = k
				break
			}
		}
		switch {
		case best >= 0 && list[best].effective > 0:
			if up < 0 || list[best].effective > list[up].effective {
				up = best
			}
		case !needs(&places[i]):
			// A reassurance that names no position stands at each of them.
		case best < 0:
			down = unknownPlace
		case down != unknownPlace && (down < 0 || list[best].effective > list[down].effective):
			down = best
		}
	}
	if up >= 0 || down == unknownPlace {
		return up, -1
	}
	return up, down
}

// unknownPlace stands for a position of which nothing is known.
const unknownPlace = -2

// byLine puts the rules of one line, item and place together, what speaks for the fault first.
func byLine(a, b fired) int {
	if a.rule.Line != b.rule.Line {
		return a.rule.Line - b.rule.Line
	}
	if a.rule.Item != b.rule.Item {
		return a.rule.Item.Index - b.rule.Item.Index
	}
	if a.position != b.position {
		return b.position - a.position
	}
	if x, y := max(a.effective, 0), max(b.effective, 0); x != y {
		return cmp.Compare(y, x)
	}
	if a.effective != b.effective {
		return cmp.Compare(a.effective, b.effective)
	}
	return cmp.Compare(a.rule.ID, b.rule.ID)
}

func strongestFirst(a, b fired) int {
	if x, y := magnitude(a.effective), magnitude(b.effective); x != y {
		return cmp.Compare(y, x)
	}
	return cmp.Or(cmp.Compare(a.rule.ID, b.rule.ID), a.position-b.position)
}

// alarms lists the positions at which credible evidence speaks for a fault, where they were named.
func (e *evaluation) alarms(f *fault) []int {
	var at []int
	for _, list := range [][]fired{f.evidence, f.outweighed} {
		for i := range list {
			if x := &list[i]; x.effective > 0 && !x.hearsay && x.position >= 0 && x.named && x.rule.Item == f.Item && !slices.Contains(at, x.position) {
				at = append(at, x.position)
			}
		}
	}
	slices.Sort(at)
	return at
}

// alarmedSomewhere reports whether credible evidence speaks for a fault at a position that nobody named.
func (e *evaluation) alarmedSomewhere(f *fault) bool {
	for _, list := range [][]fired{f.evidence, f.outweighed} {
		for i := range list {
			if x := &list[i]; x.effective > 0 && !x.hearsay && (x.position < 0 || !x.named || x.rule.Item != f.Item) {
				return true
			}
		}
	}
	return false
}

// wanting lists the positions of a fault's item at which, by what is known of each alone, the fault is
// likelier than a probability, and no credible evidence speaks for it; and every position of which that
// second is true. What is known of those that nobody named is known of the whole.
func (e *evaluation) wanting(f *fault, most float64) (wants, every places) {
	places := e.dossier.Places(f.Item)
	for i := range places {
		p := places[i].Position
		if !places[i].Real() {
			continue
		}
		prior := f.Prior.Curve[0][1]
		if f.Prior.Over != ruleset.Constant {
			_, prior = e.priorAt(&f.Prior, f.Item, places, i)
		}
		total, alarmed := logOdds(prior), false
		total += f.capped(total, f.shift)
		lines := map[int]Decibans{}
		for _, list := range [][]fired{f.evidence, f.outweighed} {
			for k := range list {
				x := &list[k]
				if x.rule.Item == f.Item && x.position != p || x.effective < 0 && (x.hearsay || x.silent) {
					continue
				}
				alarmed = alarmed || x.effective > 0 && !x.hearsay && x.named
				if best, ok := lines[x.rule.Line]; !ok || stronger(x.effective, best) {
					lines[x.rule.Line] = x.effective
				}
			}
		}
		if alarmed {
			continue
		}
		every.add(p)
		for _, w := range lines {
			total += w
		}
		if probability(total).Float() > most {
			wants.add(p)
		}
	}
	return wants, every
}

// add notes a position, or where it is none the whole.
func (p *places) add(position int) {
	if position < 0 {
		p.whole = true
	} else {
		p.at = append(p.at, position)
	}
}

// stronger reports whether of two weights on one line the first counts.
func stronger(a, b Decibans) bool {
	if a > 0 || b > 0 {
		return a > b
	}
	return a < b
}

func names(it *catalogue.Item, at []int) []string {
	if len(at) == 0 {
		return nil
	}
	out := make([]string, len(at))
	for i, p := range at {
		out[i] = it.Positions[p].ID
	}
	return out
}
