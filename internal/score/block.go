package score

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// blocker is one entry of the blocking list in the making.
type blocker struct {
	kind     ruleset.Kind
	gate     *ruleset.Gate
	item     *catalogue.Item
	fact     *catalogue.Finding // where a fact alone decides; item is nil then
	at       []int              // positions; empty for the whole
	whole    bool               // something in it speaks of no position
	hazard   *hazard            // the worst; nil where none is concerned
	faults   []string
	reason   Reason
	strength Decibans // of the evidence that the reason speaks of
	clear    []ruleset.Clear
	factual  json.RawMessage // the value of the fact with which nothing more is asked for
	cautions []string
	rules    []string
	source   string
}

// speak takes the reason with the strongest evidence.
func (b *blocker) speak(r Reason, strength Decibans, source string) {
	if b.reason.Code == "" || strength > b.strength {
		b.reason, b.strength, b.source = r, strength, source
	}
}

// concern notes the worst hazard that the entry is about.
func (b *blocker) concern(h *hazard) {
	if h != nil && (b.hazard == nil || b.worse(h, b.hazard)) {
		b.hazard = h
	}
}

// worse orders what an entry is about: the severer harm; then what threatens by the entry's own gate, for
// who asks about cranking is told of the starter before the road; then the greater risk.
func (b *blocker) worse(h, than *hazard) bool {
	if h.severity != than.severity {
		return h.severity < than.severity
	}
	if here, there := h.Gate.Index <= b.gate.Index, than.Gate.Index <= b.gate.Index; here != there {
		return here
	}
	return h.index > than.index
}

// place notes positions; none means the item as a whole.
func (b *blocker) place(at []int) {
	if len(at) == 0 {
		b.whole = true
	}
	b.at = addNew(b.at, at...)
}

func (b *blocker) spread(p *places) {
	b.whole = b.whole || p.whole
	if len(p.at) > 0 {
		b.place(p.at)
	}
}

func (b *blocker) blame(f *fault) {
	b.faults = addNew(b.faults, f.ID)
	b.cautions = append(b.cautions, f.Cautions...)
}

// severity orders blockers; where no hazard is concerned there is none, and they come last.
func (b *blocker) severity() ruleset.Severity {
	if b.hazard == nil {
		return ruleset.Negligible + 1
	}
	return b.hazard.severity
}

func (b *blocker) riskIndex() Number {
	if b.hazard == nil {
		return 0
	}
	return b.hazard.index
}

func (b *blocker) itemIndex() int {
	if b.item == nil {
		return -1
	}
	return b.item.Index
}

// Strengths of reasons that are not evidence: the least comes last.
const (
	byOdds   Decibans = 1                     // not enough is known
	byNumber Decibans = 2                     // a number is not known
	byNobody Decibans = 3                     // nothing is known at all
	byRule   Decibans = 4                     // the rule set asks for something
	bySight  Decibans = 200 * unitsPerDeciban // above any evidence: a limit says more than odds
)

// block makes the blocking list: what is found to be wrong, what is owed to the law or to people, and
// what nobody has proven, each once.
func (e *evaluation) block() {
	for i, l := range e.set.Limits {
		if !e.passed[i] {
			e.blockByLimit(l)
		}
	}
	e.blockByFacts()
	for i := range e.hazards {
		if h := &e.hazards[i]; h.above() && !h.decided {
			e.blockByHazard(h)
		}
	}
	for i := range e.faults {
		e.blockLikelyBad(&e.faults[i])
	}
	for _, p := range e.set.Proofs {
		e.blockByProof(p)
	}
	for _, f := range e.set.Follows {
		e.blockByFollow(f)
	}
	e.blockWhatIsOff()
	for _, b := range e.blocks {
		e.followUp(b)
		b.clear = tidy(b.clear)
	}
	slices.SortStableFunc(e.blocks, func(a, b *blocker) int {
		return cmp.Or(
			cmp.Compare(a.gate.Index, b.gate.Index),
			cmp.Compare(a.kind, b.kind),
			cmp.Compare(a.severity(), b.severity()),
			-cmp.Compare(a.riskIndex(), b.riskIndex()),
			cmp.Compare(a.itemIndex(), b.itemIndex()),
			cmp.Compare(a.rules[0], b.rules[0]),
		)
	})
	e.once()
}

// once drops what would be said twice: an entry at a later gate, or one that something is unproven beside
// one that it is wrong, where clearing the earlier clears it too.
func (e *evaluation) once() {
	e.blocks = slices.DeleteFunc(e.blocks, func(b *blocker) bool {
		return slices.ContainsFunc(e.blocks, func(o *blocker) bool {
			if o == b || o.item != b.item || o.item == nil || o.gate.Index > b.gate.Index || o.kind != b.kind && b.kind != ruleset.Unproven {
				return false
			}
			if o.gate == b.gate && o.kind == b.kind {
				return false
			}
			for _, c := range b.clear {
				if !slices.ContainsFunc(o.clear, func(x ruleset.Clear) bool { return x.Finding == c.Finding }) {
					return false
				}
			}
			return o.covers(b)
		})
	})
}

// covers reports whether what clears an entry is asked for at every position at which another asks for it.
func (b *blocker) covers(o *blocker) bool {
	return (b.whole || !o.whole) && !slices.ContainsFunc(o.at, func(p int) bool { return !slices.Contains(b.at, p) })
}

// tidy puts findings in the order of the catalogue, each once.
func tidy(clear []ruleset.Clear) []ruleset.Clear {
	clear = slices.Clone(clear)
	slices.SortStableFunc(clear, func(a, b ruleset.Clear) int { return a.Finding.Slot - b.Finding.Slot })
	return slices.CompactFunc(clear, func(a, b ruleset.Clear) bool { return a.Finding == b.Finding })
}

// entry returns the entry of a kind for an item at a gate, a new one if there is none.
func (e *evaluation) entry(kind ruleset.Kind, g *ruleset.Gate, it *catalogue.Item) *blocker {
	for _, b := range e.blocks {
		if b.kind == kind && b.gate == g && b.item == it && b.fact == nil {
			return b
		}
	}
	b := &blocker{kind: kind, gate: g, item: it}
	e.blocks = append(e.blocks, b)
	return b
}

// guarding reports whether one of the hazards is above what its gate tolerates, and returns the worst of
// those that are.
func (e *evaluation) guarding(hazards []*ruleset.Hazard) *hazard {
	var worst *hazard
	for _, rh := range hazards {
		if h := &e.hazards[rh.Index]; h.above() && (worst == nil || h.index > worst.index) {
			worst = h
		}
	}
	return worst
}

// How far a limit is past.
type past uint8

const (
	within past = iota
	perhaps
	rumoured
	crossed
)

// blockByLimit lists a limit that was crossed, or may have been.
func (e *evaluation) blockByLimit(l *ruleset.Limit) {
	for _, slot := range l.Needs {
		if e.dossier.Stand[slot] == 0 {
			return // most limits read what nobody reported
		}
	}
	if !e.items[l.Item.Index].applies || l.Fault != nil && !e.faults[l.Fault.Index].there {
		return
	}
	if l.If != nil && l.If.Holds(e.frame) == condition.False {
		return
	}
	var at []int
	whole := false
	worst, says := within, ""
	all := e.dossier.Places(l.Item)
	for i := range all {
		how, said := e.pastAt(l, all, i)
		if how > worst {
			worst, says, at, whole = how, said, at[:0], false
		}
		if how != worst || how == within {
			continue
		}
		if p := all[i].Position; p >= 0 && (len(l.Needs) == 0 || e.namedAt(l.Needs, l.Item, &all[i])) {
			at = append(at, p)
		} else {
			whole = true
		}
	}
	var b *blocker
	switch worst {
	case within:
		return
	case perhaps:
		h := e.guarding(l.Guards)
		if h == nil {
			return
		}
		b = e.entry(ruleset.Unproven, l.Gate, l.Item)
		b.concern(h)
		b.speak(Reason{Code: ReasonNumberUnknown, Is: l.Item.Is, Says: says}, byNumber, l.Source)
	case rumoured:
		b = e.entry(ruleset.Unproven, l.Gate, l.Item)
		b.speak(Reason{Code: ReasonOnlyTold, Is: l.Item.Is, Says: says}, bySight, l.Source)
	case crossed:
		b = e.entry(l.Kind, l.Gate, l.Item)
		b.speak(Reason{Code: ReasonFound, Is: l.Item.Is, Says: says}, bySight+e.strength(l), l.Source)
	}
	b.spread(&places{at, whole})
	if l.Fault != nil {
		for _, h := range l.Fault.Hazards {
			if h := &e.hazards[h.Index]; h.applies {
				b.concern(h)
			}
		}
		b.blame(&e.faults[l.Fault.Index])
	}
	b.rules = append(b.rules, l.ID)
	b.clear = append(b.clear, l.ClearBy...)
	b.cautions = append(b.cautions, l.Cautions...)
}

// strength is that of the evidence of the rule that a limit belongs to, so that the weightiest speaks.
func (e *evaluation) strength(l *ruleset.Limit) Decibans {
	var most Decibans
	if l.Fault == nil {
		return 0
	}
	f := &e.faults[l.Fault.Index]
	for _, list := range [][]fired{f.evidence, f.outweighed} {
		for i := range list {
			if list[i].rule.Limit == l {
				most = max(most, list[i].effective)
			}
		}
	}
	return most
}

// namedAt reports whether somebody named the position of an item in one of the findings read there.
func (e *evaluation) namedAt(slots []int, it *catalogue.Item, p *report.Place) bool {
	for _, slot := range slots {
		f := e.set.Catalogue.Owner(slot)
		if f.Item != it {
			continue
		}
		if st := p.Of(f); st != nil && slices.ContainsFunc(st.Values, func(v report.StandingValue) bool { return v.Named() }) {
			return true
		}
	}
	return false
}

// pastAt says how far a limit is past at one place, and what there is to say of it.
func (e *evaluation) pastAt(l *ruleset.Limit, places []report.Place, i int) (past, string) {
	if len(l.Needs) == 0 {
		if !places[i].Real() {
			return within, ""
		}
		return e.pastEnds(l, &places[i], true)
	}
	if !e.choose(l.Needs, l.Item, places, i) {
		return within, ""
	}
	worst, says := within, ""
	for ok := true; ok; ok = e.chooseNext() {
		alarms, _ := e.reading.alarms()
		how, said := e.pastEnds(l, &places[i], alarms >= e.set.ProofCredence || l.Kind == ruleset.Duty)
		if how > worst {
			worst, says = how, said
		}
	}
	e.restore()
	return worst, says
}

// pastEnds tries a limit at both ends of the numbers that are known as intervals.
func (e *evaluation) pastEnds(l *ruleset.Limit, p *report.Place, credible bool) (past, string) {
	says := func() string { return l.Because.On(e.frame) }
	if len(l.Interval) == 0 {
		switch {
		case l.When.Holds(e.frame) == condition.False:
			return within, ""
		case credible:
			return crossed, says()
		}
		return rumoured, says()
	}
	var room [4]float64
	saved := room[:0]
	for _, slot := range l.Interval {
		saved = append(saved, e.frame[slot])
	}
	set := func(end func(report.Interval) float64) {
		for _, slot := range l.Interval {
			e.frame[slot] = end(e.interval(l.Item, p, slot))
		}
	}
	set(func(i report.Interval) float64 { return i.Low })
	least := l.When.Holds(e.frame) != condition.False
	set(func(i report.Interval) float64 { return i.High })
	most := l.When.Holds(e.frame) != condition.False
	how := within
	switch {
	case least && most && credible:
		set(func(i report.Interval) float64 { return i.Low })
		how = crossed
	case least && most:
		how = rumoured
	case least || most:
		how = perhaps
	}
	said := ""
	if how != within {
		for _, slot := range l.Interval {
			if math.IsInf(e.frame[slot], 1) {
				e.frame[slot] = condition.Unset
			}
		}
		said = says()
	}
	for k, slot := range l.Interval {
		e.frame[slot] = saved[k]
	}
	return how, said
}

// interval is what is known at a place of a number that limits read.
func (e *evaluation) interval(it *catalogue.Item, p *report.Place, slot int) report.Interval {
	cat := e.set.Catalogue
	switch slot {
	case it.Age.Slot:
		return p.Age
	case cat.YearsLaidUp:
		return p.LaidUp
	case cat.YearsSinceBuilt:
		return e.dossier.SinceBuilt
	case cat.Odometer:
		return e.dossier.Driven
	}
	return report.Interval{Low: 0, High: math.Inf(1)}
}

// blockByHazard lists the causes of a hazard that is above what its gate tolerates: the weightiest, until
// what is left would be tolerated. Those of which all that clears them has been shown are left if they can
// be: to ask for it again helps little.
func (e *evaluation) blockByHazard(h *hazard) {
	list := slices.Clone(h.causes)
	slices.SortStableFunc(list, func(a, b cause) int { return cmp.Compare(b.gateQ, a.gateQ) })
	tolerated := h.Gate.Tolerates[h.severity]
	shown := func(c cause) bool { return e.cleared(c.fault) }
	left := 1.0
	for i := range list {
		if shown(list[i]) {
			left *= 1 - list[i].gateQ
		}
	}
	if 1-left <= tolerated {
		list = slices.DeleteFunc(list, shown)
	} else {
		left = 1
	}
	for i := range list {
		rest := left
		for k := i; k < len(list); k++ {
			rest *= 1 - list[k].gateQ
		}
		if 1-rest <= tolerated {
			return
		}
		e.blockByCause(h, &list[i], tolerated/list[i].chance)
	}
}

// cleared reports whether all that clears a fault stands, by credible findings, and nothing speaks for it.
func (e *evaluation) cleared(f *fault) bool {
	if f.alarmed || f.rumoured {
		return false
	}
	for _, c := range f.ClearBy {
		places := e.dossier.Places(c.Finding.Item)
		for i := range places {
			if p := &places[i]; p.Real() && !e.stands(p.Of(c.Finding), e.asks[c.Finding.Slot]) {
				return false
			}
		}
	}
	return true
}

// stands reports whether credible findings say what is asked for, or better, and none says otherwise.
func (e *evaluation) stands(st *report.Standing, asked float64) bool {
	if st == nil {
		return false
	}
	f := st.Finding
	return !slices.ContainsFunc(st.Values, func(v report.StandingValue) bool {
		better := f.Kind == catalogue.Quantity && (f.Worse == catalogue.Higher && v.Number < asked || f.Worse == catalogue.Lower && v.Number > asked)
		return v.Number != asked && !better || v.Reassures(e.dossier.AsOf, e.halfLife[f.Item.Index]) < e.set.ProofCredence
	})
}

// blockByCause lists one fault for what it may do at a gate, where it is likelier than most.
func (e *evaluation) blockByCause(h *hazard, c *cause, most float64) {
	var b *blocker
	f := c.fault
	wanting, every := e.wanting(f, most)
	switch duty := e.duty(f, h.Gate); {
	case f.alarmed && duty != nil:
		b = duty // the law or people's safety comes first: it is said once
	case f.alarmed:
		at := e.alarms(f)
		b = e.entry(ruleset.Defect, h.Gate, f.Item)
		b.spread(&places{at, e.alarmedSomewhere(f)})
		for _, list := range [][]fired{f.evidence, f.outweighed} {
			for i := range list {
				if x := &list[i]; x.effective > 0 && !x.hearsay {
					b.speak(Reason{Code: ReasonFound, Is: f.Item.Is, Says: x.says}, x.effective, x.rule.Source)
					b.rules = append(b.rules, x.rule.ID)
					b.clear = append(b.clear, x.rule.ClearBy...)
					b.cautions = append(b.cautions, x.rule.Cautions...)
				}
			}
		}
		if len(at) > 0 && wanting.any() && !b.whole {
			// What is wrong at one position says nothing of those that nobody looked at.
			u := e.entry(ruleset.Unproven, h.Gate, f.Item)
			u.spread(&wanting)
			u.speak(Reason{Code: ReasonNotEnough, Is: f.Item.Is, What: h.What}, byOdds, f.Source.String())
			e.clearCause(u, h, f)
		}
	case f.rumoured:
		b = e.entry(ruleset.Unproven, h.Gate, f.Item)
		b.place(nil)
		for _, list := range [][]fired{f.evidence, f.outweighed} {
			for i := range list {
				if x := &list[i]; x.effective > 0 {
					b.speak(Reason{Code: ReasonOnlyTold, Is: f.Item.Is, Says: x.says}, x.effective, x.rule.Source)
					b.rules = append(b.rules, x.rule.ID)
					b.clear = append(b.clear, x.rule.ClearBy...)
				}
			}
		}
	default:
		b = e.entry(ruleset.Unproven, h.Gate, f.Item)
		if !wanting.any() {
			wanting = every
		}
		if !wanting.any() {
			wanting.whole = true
		}
		b.spread(&wanting)
		code, strength := ReasonNotEnough, byOdds
		switch {
		case c.gateP.Float() > e.set.LikelyBad:
			code, strength = ReasonLikelyBad, byNobody+1
		case !e.items[f.Item.Index].found:
			code, strength = ReasonNotLookedAt, byNobody
		}
		b.speak(Reason{Code: code, Is: f.Item.Is, What: h.What, Chance: c.gateP}, strength, f.Source.String())
	}
	e.clearCause(b, h, f)
}

// duty returns the entry by which a fault is a duty at a gate or an earlier one; nil for none.
func (e *evaluation) duty(f *fault, g *ruleset.Gate) *blocker {
	for _, b := range e.blocks {
		if b.kind == ruleset.Duty && b.item == f.Item && b.gate.Index <= g.Index && slices.Contains(b.faults, f.ID) {
			return b
		}
	}
	return nil
}

func (e *evaluation) clearCause(b *blocker, h *hazard, f *fault) {
	b.concern(h)
	b.blame(f)
	b.rules = append(b.rules, h.ID)
	b.clear = append(b.clear, f.ClearBy...)
	b.cautions = append(b.cautions, h.Cautions...)
}

// blockByFacts lists facts of which nobody has spoken and which alone keep hazards of several items above
// what their gates tolerate, in place of those items. Where a fact decides about one item only, a look
// at that says more.
func (e *evaluation) blockByFacts() {
	open := map[*catalogue.Finding][]decided{}
	for i := range e.hazards {
		h := &e.hazards[i]
		if !h.above() || slices.ContainsFunc(h.causes, func(c cause) bool { return c.fault.alarmed || c.fault.rumoured }) {
			continue
		}
		for _, tried := range h.facts {
			if by := e.decides(tried.fact, h.open, func() bool {
				now := hazard{Hazard: h.Hazard}
				e.trial = e.under(&now, e.trial[:0])
				return now.applies && now.excess > 1
			}); by != 0 {
				open[tried.fact] = append(open[tried.fact], decided{h, nil, h.causes[0].fault.Item, by})
				break
			}
		}
	}
	for i := range e.faults {
		f := &e.faults[i]
		h := e.likelyBad(f)
		if h == nil || f.alarmed || f.rumoured {
			continue
		}
		for _, fact := range f.open {
			if by := e.decides(fact, f.open, func() bool { return e.applies(f.fixed) && e.likely(f) }); by != 0 {
				open[fact] = append(open[fact], decided{h, f, f.Item, by})
				break
			}
		}
	}
	for _, fact := range e.set.Catalogue.Facts {
		// The value that settles most is the one to name.
		var settled []decided
		value := 0
		for v := range fact.Values {
			if by := settledBy(open[fact], v); len(by) > len(settled) {
				settled, value = by, v
			}
		}
		if !slices.ContainsFunc(settled, func(d decided) bool { return d.item != settled[0].item }) {
			continue // it decides about one item: a look at that says more
		}
		b := &blocker{kind: ruleset.Unproven, fact: fact, factual: report.Form(report.Value{Finding: fact, Number: float64(value)})}
		e.blocks = append(e.blocks, b)
		for _, d := range settled {
			if d.fault != nil {
				d.fault.decided = true
			} else {
				d.hazard.decided = true
			}
			if b.gate == nil || d.hazard.Gate.Index < b.gate.Index {
				b.gate = d.hazard.Gate
			}
			b.concern(d.hazard)
			b.rules = addNew(b.rules, d.hazard.ID)
		}
		b.speak(Reason{Code: ReasonFactUnknown, Is: fact.Is, What: b.hazard.What}, byOdds, b.hazard.Source)
	}
}

// decided is a hazard that is intolerable, or a fault that is likely, only because nobody told a fact.
type decided struct {
	hazard *hazard
	fault  *fault // nil where the hazard is meant
	item   *catalogue.Item
	by     uint64 // a bit for each value of the fact with which it is not
}

func settledBy(list []decided, value int) []decided {
	var by []decided
	for _, d := range list {
		if d.by&(1<<value) != 0 {
			by = append(by, d)
		}
	}
	return by
}

// decides has a bit for each value of a fact with which something is not so whatever the other facts are.
func (e *evaluation) decides(fact *catalogue.Finding, open []*catalogue.Finding, so func() bool) (by uint64) {
	e.unknown[fact.Slot], e.supposing = false, true
	for v := range fact.Values[:min(len(fact.Values), 64)] {
		e.frame[fact.Slot] = float64(v)
		is := false
		e.assign(open, func([]choice) { is = is || so() })
		if !is {
			by |= 1 << v
		}
	}
	e.unknown[fact.Slot], e.frame[fact.Slot], e.supposing = true, condition.Unset, false
	return by
}

// likely reports whether a fault, under the facts in the frame, is likelier than a careful person passes.
func (e *evaluation) likely(f *fault) bool {
	_, atGate := f.totals(e.shift(f.fixed))
	return probability(atGate).Float() > e.set.LikelyBad
}

// blockLikelyBad lists a part that is likely bad at the first gate at which it can do critical harm,
// whatever the chance of that.
func (e *evaluation) blockLikelyBad(f *fault) {
	if h := e.likelyBad(f); h != nil && !f.decided && !h.decided {
		at := slices.IndexFunc(h.causes, func(c cause) bool { return c.fault == f })
		e.blockByCause(h, &h.causes[at], e.set.LikelyBad)
	}
}

// likelyBad returns the first hazard that is critical or worse and of which a fault that is likely is a
// cause; nil for none.
func (e *evaluation) likelyBad(f *fault) *hazard {
	if !f.there || f.atGate.Float() <= e.set.LikelyBad {
		return nil
	}
	for _, rh := range f.Hazards {
		h := &e.hazards[rh.Index]
		if h.applies && h.severity <= ruleset.Critical &&
			slices.ContainsFunc(h.causes, func(c cause) bool { return c.fault == f && c.gateP.Float() > e.set.LikelyBad }) {
			return h
		}
	}
	return nil
}

// blockByProof lists a proof that a gate needs and that nobody has given.
func (e *evaluation) blockByProof(p *ruleset.Proof) {
	if !e.asked(p) {
		return
	}
	var h *hazard
	if !p.Always {
		if h = e.guarding(p.Guards); h == nil {
			return
		}
	}
	missing, contradicted := e.proven(p, calendar.NoDay)
	if missing == nil {
		return
	}
	// What was found to be otherwise, or is shown once a defect is cleared, is on the list already.
	for _, b := range e.blocks {
		if b.kind == ruleset.Unproven || b.item != p.Item || b.gate.Index > p.Gate.Index {
			continue
		}
		if e.shownBy(p, b.clear) {
			return
		}
		if contradicted {
			if b.gate == p.Gate {
				b.clear = append(b.clear, p.ClearBy...)
			}
			return
		}
	}
	b := e.entry(p.Kind, p.Gate, p.Item)
	b.spread(missing)
	b.concern(h)
	// What is to be shown says more than that a risk is not small enough.
	b.speak(Reason{Code: ReasonProof, Is: p.Item.Is, Says: p.Because.On(e.frame)}, byRule, p.Source)
	b.rules = append(b.rules, p.ID)
	b.clear = append(b.clear, p.ClearBy...)
	b.cautions = append(b.cautions, p.Cautions...)
}

// shownBy reports whether what clears an entry shows what a proof wants.
func (e *evaluation) shownBy(p *ruleset.Proof, clear []ruleset.Clear) bool {
	e.aside(p.Needs)
	for _, c := range clear {
		if !slices.Contains(p.Needs, c.Finding.Slot) {
			continue
		}
		v := e.asks[c.Finding.Slot]
		if c.Value == nil || math.IsInf(v, 1) {
			v = float64(e.dossier.AsOf)
		}
		e.frame[c.Finding.Slot] = v
	}
	shown := p.Proves.Holds(e.frame) == condition.True
	e.restore()
	return shown
}

// asked reports whether a proof can be asked of the vehicle.
func (e *evaluation) asked(p *ruleset.Proof) bool {
	return e.items[p.Item.Index].applies && (p.When == nil || p.When.Holds(e.frame) != condition.False)
}

// proven reports whether something is shown at every place by credible findings of a day or later, under
// every choice among contradicting values; at which positions it is not, and whether at more than those;
// and whether credible findings speak against it.
func (e *evaluation) proven(p *ruleset.Proof, since calendar.Day) (missing *places, against bool) {
	all := e.dossier.Places(p.Item)
	var lacking, speaking []int
	whole, lacks := false, 0
	for i := range all {
		shown, contradicted := e.shownAt(p, all, i, since)
		against = against || contradicted
		if shown || !all[i].Real() && !contradicted {
			continue
		}
		lacks++
		switch at := all[i].Position; {
		case at < 0:
			whole = true
		case e.namedAt(p.Needs, p.Item, &all[i]):
			speaking = append(speaking, at) // what is said of no position does not overturn it
		default:
			lacking = append(lacking, at)
		}
	}
	switch {
	case lacks == 0:
		return nil, against
	case lacks == len(all) || whole:
		return &places{speaking, true}, against
	}
	return &places{append(speaking, lacking...), false}, against
}

// places are positions of an item, and whether the item as a whole is meant too.
type places struct {
	at    []int
	whole bool
}

func (p *places) any() bool { return p.whole || len(p.at) > 0 }

func (e *evaluation) shownAt(p *ruleset.Proof, places []report.Place, i int, since calendar.Day) (shown, against bool) {
	if e.items[p.Item.Index].saidOff && !p.ReadsRemoved {
		return false, false
	}
	if !e.chooseKnown(p.Needs, p.Item, places, i) {
		return false, false
	}
	shown = true
	for ok := true; ok; ok = e.chooseNext() {
		// What is not credible any more, or was seen too early, is as good as unknown.
		list := e.reading.list
		for k := range list {
			v := list[k].value()
			if !e.credible(v) || v.ReassuresSince(since, e.dossier.AsOf, e.halfLife[v.Finding.Item.Index]) < e.set.ProofCredence {
				e.frame[list[k].slot] = condition.Unset
			}
		}
		against = against || p.Proves.Holds(e.frame) == condition.False
		for _, slot := range e.reading.partial {
			e.frame[slot] = condition.Unset // seen at some positions only, it shows nothing
		}
		shown = shown && p.Proves.Holds(e.frame) == condition.True
		for k := range list {
			e.frame[list[k].slot] = list[k].value().Number
		}
	}
	e.restore()
	return shown, against
}

// blockByFollow lists what was found once and has not been followed up, even where it has been put right.
func (e *evaluation) blockByFollow(f *ruleset.Follow) {
	if !e.items[f.Item.Index].applies || !e.dossier.Items[f.Item.Index].Reported || !e.asked(f.Proof) {
		return
	}
	on, said := e.lastFound(f)
	if on == calendar.NoDay {
		return
	}
	missing, _ := e.proven(f.Proof, on)
	if missing == nil {
		return
	}
	b := e.entry(ruleset.Unproven, f.Proof.Gate, f.Proof.Item)
	b.spread(missing)
	b.concern(e.guarding(f.Proof.Guards))
	b.speak(Reason{Code: ReasonFollow, Is: f.Proof.Item.Is, Says: said}, bySight, f.Source)
	b.rules = append(b.rules, f.ID)
	b.clear = append(b.clear, f.Proof.ClearBy...)
	b.cautions = append(b.cautions, f.Proof.Cautions...)
}

// lastFound is the last day on which something was found, by whatever method, that has to be followed up
// and that no renewal of the item since has ended; NoDay for none.
func (e *evaluation) lastFound(f *ruleset.Follow) (calendar.Day, string) {
	last, said := calendar.NoDay, ""
	places := e.dossier.Places(f.Item)
	for n, r := range e.dossier.Reports {
		for i := range r.Observations {
			o := &r.Observations[i]
			if o.Item != f.Item || len(o.Found) == 0 {
				continue
			}
			on := o.On
			if on < last || !e.foundThen(f, o) || !f.Outlasts && e.renewedSince(f, o, on, n, places) {
				continue
			}
			last, said = on, e.saidThen(f, o)
		}
	}
	return last, said
}

// followUp adds to what clears an entry what has to be shown once that is done: a chain that was renewed
// has its timing to be shown.
func (e *evaluation) followUp(b *blocker) {
	for _, f := range e.set.Follows {
		if !slices.ContainsFunc(b.clear, func(c ruleset.Clear) bool { return c.Finding.Item == f.Item }) || !e.asked(f.Proof) {
			continue
		}
		reads := e.followReads[f.Index]
		e.aside(reads)
		for _, c := range b.clear {
			if !slices.Contains(reads, c.Finding.Slot) {
				continue
			}
			v := e.asks[c.Finding.Slot]
			if c.Value == nil || math.IsInf(v, 1) {
				v = float64(e.dossier.AsOf)
			}
			e.frame[c.Finding.Slot] = v
		}
		if f.When.Holds(e.frame) == condition.True {
			b.clear = append(b.clear, f.Proof.ClearBy...)
		}
		e.restore()
	}
}

// then puts what one observation found into the frame, in place of what stands; restore is due after it. Only what
// the condition and the words read is put there.
func (e *evaluation) then(f *ruleset.Follow, o *report.Observation) {
	reads := e.followReads[f.Index]
	e.aside(reads)
	for i := range o.Found {
		if slot := o.Found[i].Finding.Slot; slices.Contains(reads, slot) {
			e.frame[slot] = o.Found[i].Number
		}
	}
}

func (e *evaluation) foundThen(f *ruleset.Follow, o *report.Observation) bool {
	e.then(f, o)
	defer e.restore()
	return f.When.Holds(e.frame) == condition.True
}

func (e *evaluation) saidThen(f *ruleset.Follow, o *report.Observation) string {
	e.then(f, o)
	defer e.restore()
	return f.Because.On(e.frame)
}

// renewedSince reports whether the whole item was credibly renewed, at the places that an observation
// speaks of, after it was made.
func (e *evaluation) renewedSince(f *ruleset.Follow, o *report.Observation, on calendar.Day, n int, places []report.Place) bool {
	for i := range places {
		p := &places[i]
		if !p.Real() || p.Position >= 0 && len(o.At) > 0 && !slices.Contains(o.At, p.Position) {
			continue
		}
		st := p.Of(f.Item.Renewed)
		if p.Renewed == calendar.NoDay || p.Renewed < on || st == nil {
			return false
		}
		later := false
		for k := range st.Values {
			for _, s := range st.Values[k].Support {
				later = later || s.Report > n || s.Report == n && p.Renewed > on
			}
		}
		if !later {
			return false
		}
	}
	return true
}

// blockWhatIsOff lists items that a gate needs and that are off the vehicle. What else there is to say of
// such an item waits until it is back: it is part of what clears the entry.
func (e *evaluation) blockWhatIsOff() {
	for i, it := range e.set.Catalogue.Items {
		s := &e.items[i]
		if !s.applies || !s.saidOff {
			continue
		}
		back := ruleset.Clear{Finding: it.Removed, Value: json.RawMessage("false")}
		gate := e.neededFrom[i]
		needed := gate >= 0 && (it.NeededFrom.When == nil || it.NeededFrom.When.Holds(e.frame) != condition.False)
		if !s.off || !needed {
			for _, b := range e.blocks {
				if b.item == it {
					b.clear = append(b.clear, back)
					b.spread(&places{e.offAt(it), false})
				}
			}
			if s.off || !needed {
				continue
			}
			b := e.entry(ruleset.Unproven, e.set.Gates[gate], it)
			b.place(e.offAt(it))
			b.speak(Reason{Code: ReasonOnlyTold, Is: it.Is}, byRule, "")
			b.rules = append(b.rules, "off")
			b.clear = append(b.clear, back)
			continue
		}
		off := &blocker{kind: ruleset.Defect, gate: e.set.Gates[gate], item: it, clear: []ruleset.Clear{back}, rules: []string{"off"}}
		off.place(e.offAt(it))
		off.speak(Reason{Code: ReasonOff, Is: it.Is}, byRule, "")
		e.blocks = slices.DeleteFunc(e.blocks, func(b *blocker) bool {
			if b.item != it {
				return false
			}
			if b.kind == ruleset.Duty {
				b.clear = append(b.clear, back)
				return false
			}
			if b.gate.Index <= off.gate.Index {
				off.clear = append(off.clear, b.clear...) // what only a later gate asks for may need this one passed
			}
			off.cautions = append(off.cautions, b.cautions...)
			off.rules = append(off.rules, b.rules...)
			off.concern(b.hazard)
			if b.whole {
				off.place(nil)
			}
			off.place(b.at)
			off.faults = addNew(off.faults, b.faults...)
			return true
		})
		e.blocks = append(e.blocks, off)
	}
}

// offAt lists the positions at which an item is said to be off, where they were named.
func (e *evaluation) offAt(it *catalogue.Item) []int {
	var at []int
	places := e.dossier.Places(it)
	for i := range places {
		st := places[i].Of(it.Removed)
		if st == nil || places[i].Position < 0 {
			continue
		}
		if slices.ContainsFunc(st.Values, func(v report.StandingValue) bool { return v.Number == 1 && v.Named() }) {
			at = append(at, places[i].Position)
		}
	}
	return at
}

// gates works out the state of every gate and the blocking list.
func (e *evaluation) gates(a *Assessment, asked int) {
	a.Blockers = make([]Blocker, len(e.blocks))
	for i, b := range e.blocks {
		a.Blockers[i] = e.written(i, b)
	}
	t := e.getThrough()
	state, count, next := Clear, 0, 0
	least := Share(1e10)
	for i, g := range e.set.Gates {
		for ; next < len(e.blocks) && e.blocks[next].gate == g; next++ {
			count++
			switch {
			case e.blocks[next].kind != ruleset.Unproven:
				state = Blocked
			case state == Clear:
				state = Unproven
			}
		}
		through := Share(round(math.Exp(t.log[i]) * 1e10))
		through = min(through, least)
		least = through
		range80, step80 := t.ranged(i, e.set.CommonError), t.rangedStep(i, e.set.CommonError)
		out := Gate{
			Gate: g.ID, Is: g.Is, State: state, Blockers: count, Cautions: g.Cautions,
			ChanceUnharmed: Share(round(t.step(i) * 1e10)), ChanceUnharmedLow: step80.Low, ChanceUnharmedHigh: step80.High,
			ChanceThrough: through, ChanceThroughLow: range80.Low, ChanceThroughHigh: range80.High,
		}
		if heard := Share(round(math.Exp(t.unheard[i]) * 1e10)); heard < through {
			out.ChanceWithoutWord = max(heard, 1)
		}
		a.Gates = append(a.Gates, out)
	}
	g := a.Gates[asked]
	a.Verdict = Verdict{Gate: g.Gate, State: g.State, ChanceThrough: g.ChanceThrough, ChanceThroughLow: g.ChanceThroughLow, ChanceThroughHigh: g.ChanceThroughHigh, Blockers: g.Blockers}
}

func (e *evaluation) written(i int, b *blocker) Blocker {
	w := Blocker{
		Rank: i + 1, Gate: b.gate.ID, Kind: b.kind.String(), Faults: b.faults, Reason: b.reason,
		Cautions: addNew([]string{}, b.cautions...), Rules: addNew([]string{}, b.rules...), Source: b.source,
	}
	if b.hazard != nil {
		w.Hazard, w.Severity = b.hazard.ID, b.hazard.severity.String()
	}
	if b.fact != nil {
		w.Item = b.fact.ID
		w.ClearBy = []Clearing{{Fact: b.fact.In + "." + b.fact.ID, Found: FindingsForm{{b.fact.ID, b.factual}}}}
		return w
	}
	w.Item = b.item.ID
	slices.Sort(b.at)
	w.At = names(b.item, b.at)
	w.ClearBy = e.clearBy(b)
	return w
}

// clearBy writes what clears a blocker, by item in the order of the catalogue, dated as_of. What was said
// of a position is cleared at that position, what was said of none by what is said of none.
func (e *evaluation) clearBy(b *blocker) []Clearing {
	out := make([]Clearing, 0, 2)
	for from := 0; from < len(b.clear); {
		it := b.clear[from].Finding.Item
		to := from
		var found FindingsForm
		for ; to < len(b.clear) && b.clear[to].Finding.Item == it; to++ {
			value := b.clear[to].Value
			if value == nil {
				value = json.RawMessage(`"` + e.dossier.AsOf.String() + `"`)
			}
			found = append(found, FindingForm{b.clear[to].Finding.ID, value})
		}
		named, whole := []int(nil), true
		if it == b.item || sameAt(it, b.item) {
			named, whole = slices.Clone(b.at), b.whole || len(b.at) == 0
		}
		named = addNew(addNew(named, e.otherwise(it, b.clear[from:to])...), e.accused(it, b)...)
		if whole {
			// What is said of no position does not overturn what was said of one by name.
			named = addNew(named, e.everNamed(it)...)
		}
		slices.Sort(named)
		if len(named) > 0 {
			out = append(out, Clearing{Item: it.ID, At: names(it, named), Found: found})
		}
		if whole {
			out = append(out, Clearing{Item: it.ID, Found: found})
		}
		from = to
	}
	return out
}

// otherwise lists the positions of an item at which somebody, naming them, found something else than is
// asked for: what is said of no position does not overturn that.
func (e *evaluation) otherwise(it *catalogue.Item, clear []ruleset.Clear) []int {
	var at []int
	places := e.dossier.Items[it.Index].Places
	for i := range places {
		p := &places[i]
		if p.Position < 0 {
			continue
		}
		for _, c := range clear {
			st := p.Of(c.Finding)
			if st != nil && slices.ContainsFunc(st.Values, func(v report.StandingValue) bool {
				return v.Named() && v.Number != e.asks[c.Finding.Slot]
			}) {
				at = append(at, p.Position)
				break
			}
		}
	}
	return at
}

// accused lists the positions of an item at which somebody, naming them, found what speaks for a fault that
// an entry is about: what is renewed at no position does not overturn that.
func (e *evaluation) accused(it *catalogue.Item, b *blocker) []int {
	var at []int
	for i := range e.faults {
		f := &e.faults[i]
		if !slices.Contains(b.faults, f.ID) {
			continue
		}
		for _, list := range [][]fired{f.evidence, f.outweighed} {
			for k := range list {
				if x := &list[k]; x.effective > 0 && x.named && x.position >= 0 && x.rule.Item == it {
					at = append(at, x.position)
				}
			}
		}
	}
	for _, l := range e.set.Limits {
		if l.Item != it || len(l.Needs) == 0 || !slices.Contains(b.rules, l.ID) {
			continue
		}
		places := e.dossier.Places(it)
		for i := range places {
			if p := &places[i]; p.Position >= 0 && e.namedAt(l.Needs, it, p) {
				if how, _ := e.pastAt(l, places, i); how != within {
					at = append(at, p.Position)
				}
			}
		}
	}
	return at
}

// everNamed lists the positions of an item of which somebody spoke by name.
func (e *evaluation) everNamed(it *catalogue.Item) []int {
	var at []int
	for i := range e.dossier.Items[it.Index].Places {
		p := e.dossier.Items[it.Index].Places[i].Position
		if p >= 0 && slices.ContainsFunc(e.dossier.Reports, func(r *report.Report) bool {
			return slices.ContainsFunc(r.Observations, func(o report.Observation) bool { return o.Item == it && slices.Contains(o.At, p) })
		}) {
			at = append(at, p)
		}
	}
	return at
}

// sameAt reports whether two items have the same positions.
func sameAt(a, b *catalogue.Item) bool {
	return len(a.Positions) > 0 && slices.Equal(a.Positions, b.Positions)
}
