package score

import (
	"cmp"
	"encoding/json"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// blocker is one entry of the blocking list in the making.
type blocker struct {
	kind     ruleset.Kind
	gate     *ruleset.Gate
	item     *catalogue.Item
	hazard   *hazard // nil where only a proof is missing
	because  string
	strength Decibans // of the evidence that because speaks of
	clear    []ruleset.Clear
	clears   []*ruleset.Clear // where the lists begin that are in clear already
	cautions []string
	rules    []string
	source   string
}

// block makes the blocking list: what is found to be wrong, what is owed to the law or to people,
// and what nobody has proven, each once.
func (e *evaluation) block() {
	e.blockByHazards(true)
	onceRefitted := e.blocks
	e.blocks = make([]*blocker, 0, 8)
	e.blockByHazards(false)
	for _, p := range e.set.Proofs {
		e.blockByProof(p)
	}
	for _, b := range e.blocks {
		if e.items[b.item.Index].maybeOff {
			b.refit(onceRefitted)
		}
	}
	slices.SortStableFunc(e.blocks, func(a, b *blocker) int {
		return cmp.Or(
			cmp.Compare(a.gate.Index, b.gate.Index),
			cmp.Compare(a.kind, b.kind),
			cmp.Compare(a.severity(), b.severity()),
			-cmp.Compare(a.riskIndex(), b.riskIndex()),
			cmp.Compare(a.item.Index, b.item.Index),
			cmp.Compare(a.rules[0], b.rules[0]),
		)
	})
}

// blockByHazards lists the hazards of items that are off the vehicle, or of all others.
func (e *evaluation) blockByHazards(removed bool) {
	for i := range e.hazards {
		h := &e.hazards[i]
		if h.applies && h.removed == removed {
			e.blockByRules(h)
			e.blockByRisk(h)
		}
	}
}

// clearBy adds what clears the blocker. The rules of a hazard mostly share one list.
func (b *blocker) clearBy(list []ruleset.Clear) {
	if len(list) == 0 || slices.Contains(b.clears, &list[0]) {
		return
	}
	b.clears = append(b.clears, &list[0])
	b.clear = append(b.clear, list...)
}

// severity orders blockers; where only a proof is missing there is none, and they come last.
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

// blockByRules lists the rules of a hazard that block outright.
func (e *evaluation) blockByRules(h *hazard) {
	for i := range len(h.evidence) + len(h.outweighed) {
		f := h.fired(i)
		if !f.blocks {
			continue
		}
		r := f.rule
		b := e.find(func(b *blocker) bool { return b.hazard == h && b.kind == r.Blocks.Kind })
		if b == nil {
			b = &blocker{kind: r.Blocks.Kind, gate: r.Blocks.Gate, item: h.Item, hazard: h, cautions: slices.Clone(h.Cautions)}
			e.blocks = append(e.blocks, b)
		}
		if r.Blocks.Gate.Index < b.gate.Index {
			b.gate = r.Blocks.Gate
		}
		b.speak(f.rule.Because.On(e.frame), f.effective, r.Source)
		b.rules = append(b.rules, r.ID)
		b.clearBy(r.ClearBy)
		b.cautions = append(b.cautions, r.Cautions...)
	}
}

// fired returns the rules that fired, those that count first.
func (h *hazard) fired(i int) *fired {
	if i < len(h.evidence) {
		return &h.evidence[i]
	}
	return &h.outweighed[i-len(h.evidence)]
}

// speak takes the reason with the strongest evidence.
func (b *blocker) speak(because string, strength Decibans, source string) {
	if b.because == "" || strength > b.strength {
		b.because, b.strength, b.source = because, strength, source
	}
}

// blockByRisk lists a hazard that is at or above the tolerance of its gate. Where one of its rules
// blocks outright it is on the list already, and only what clears it is added.
func (e *evaluation) blockByRisk(h *hazard) {
	if h.atGate > h.Gate.Tolerance {
		return
	}
	if !h.alarmed {
		b := e.unproven(h.Gate, h.Item)
		if b == nil {
			return
		}
		if b.hazard == nil || b.severity() > h.severity || b.severity() == h.severity && b.riskIndex() < h.index {
			b.hazard = h
		}
		b.speak("nobody has looked well enough at the "+h.Item.Is+" to know that this will not happen: "+h.What, 0, h.Source)
		b.rules = append(b.rules, h.ID)
		b.clearBy(h.ClearBy)
		b.cautions = append(b.cautions, h.Cautions...)
		return
	}
	b := e.find(func(b *blocker) bool { return b.hazard == h })
	if b == nil {
		b = &blocker{kind: ruleset.Defect, gate: h.Gate, item: h.Item, hazard: h, cautions: slices.Clone(h.Cautions)}
		e.blocks = append(e.blocks, b)
	}
	if h.Gate.Index < b.gate.Index {
		b.gate = h.Gate
	}
	for _, f := range h.evidence {
		if f.effective > 0 {
			b.speak(f.rule.Because.On(e.frame), f.effective, f.rule.Source)
			b.rules = append(b.rules, f.rule.ID)
			b.cautions = append(b.cautions, f.rule.Cautions...)
		}
	}
	b.clearBy(h.ClearBy)
}

func (e *evaluation) find(match func(*blocker) bool) *blocker {
	if i := slices.IndexFunc(e.blocks, match); i >= 0 {
		return e.blocks[i]
	}
	return nil
}

// unproven returns the entry for what is not proven of an item at a gate.
func (e *evaluation) unproven(g *ruleset.Gate, it *catalogue.Item) *blocker {
	b := e.find(func(b *blocker) bool { return b.kind == ruleset.Unproven && b.gate == g && b.item == it })
	if b == nil {
		b = &blocker{kind: ruleset.Unproven, gate: g, item: it}
		e.blocks = append(e.blocks, b)
	}
	return b
}

// blockByProof lists a proof that a gate needs and that nobody has given.
func (e *evaluation) blockByProof(p *ruleset.Proof) {
	if !e.items[p.Item.Index].applies || p.When != nil && p.When.Holds(e.frame) == condition.False {
		return
	}
	proven, contradicted := e.proven(p)
	if proven {
		return
	}
	// What was found to be otherwise is on the list already, as a defect or a duty.
	if contradicted && e.find(func(b *blocker) bool {
		return b.kind != ruleset.Unproven && b.item == p.Item && b.gate.Index <= p.Gate.Index
	}) != nil {
		return
	}
	b := e.unproven(p.Gate, p.Item)
	if b.strength == 0 {
		// What is to be proven says more than that a risk is not small enough.
		b.because, b.source, b.strength = p.Because.On(e.frame), p.Source, 1
	}
	b.rules = append(b.rules, p.ID)
	b.clearBy(p.ClearBy)
	b.cautions = append(b.cautions, p.Cautions...)
}

// proven reports whether one of the ways to prove something is met by credible findings under
// every choice among contradicting values, and whether credible findings speak against one.
func (e *evaluation) proven(p *ruleset.Proof) (proven, contradicted bool) {
	for i := range p.ProvenBy {
		way := &p.ProvenBy[i]
		if !e.choose(way.Needs) {
			continue
		}
		holds, credence := true, 0.0
		for ok := true; ok; ok = e.chooseNext(way.Needs) {
			holds = holds && way.When.Holds(e.frame) == condition.True
			credence = max(credence, e.aged())
		}
		switch {
		case credence < e.set.ProofCredence:
		case !holds:
			contradicted = true
		case !e.items[p.Item.Index].maybeOff || way.ReadsRemoved:
			proven = true
		}
	}
	return proven, contradicted
}

// refit adds to what clears the entry of an item that is said to be off that it be put back, in a
// state in which it does not block in its turn.
func (b *blocker) refit(onceRefitted []*blocker) {
	b.clear = append(b.clear, ruleset.Clear{Finding: b.item.Removed, Value: json.RawMessage("false")})
	for _, o := range onceRefitted {
		if o.item == b.item {
			b.clear = append(b.clear, o.clear...)
		}
	}
}

// gates works out the state of every gate and the blocking list.
func (e *evaluation) gates(a *Assessment, asked int) {
	a.Blockers = make([]Blocker, len(e.blocks))
	for i, b := range e.blocks {
		a.Blockers[i] = e.written(i, b)
	}
	through := 1.0
	state, count, next := Clear, 0, 0
	for _, g := range e.set.Gates {
		for ; next < len(e.blocks) && e.blocks[next].gate == g; next++ {
			count++
			switch {
			case e.blocks[next].kind != ruleset.Unproven:
				state = Blocked
			case state == Clear:
				state = Unproven
			}
		}
		unharmed := 1.0
		for i := range e.hazards {
			if h := &e.hazards[i]; h.applies && h.Gate == g && h.severity <= ruleset.Critical {
				unharmed *= 1 - h.p.Float()
			}
		}
		through *= unharmed
		a.Gates = append(a.Gates, Gate{
			Gate: g.ID, Is: g.Is, State: state, Blockers: count,
			ChanceUnharmed: Share(round(unharmed * 1e10)), ChanceThrough: Share(round(through * 1e10)), Cautions: g.Cautions,
		})
	}
	g := a.Gates[asked]
	a.Verdict = Verdict{Gate: g.Gate, State: g.State, ChanceThrough: g.ChanceThrough, Blockers: g.Blockers}
}

func (e *evaluation) written(i int, b *blocker) Blocker {
	w := Blocker{
		Rank: i + 1, Gate: b.gate.ID, Kind: b.kind.String(), Item: b.item.ID,
		Because: b.because, ClearBy: e.clearBy(b.clear), Cautions: once(b.cautions), Rules: once(b.rules), Source: b.source,
	}
	if b.hazard != nil {
		w.Hazard, w.Severity = b.hazard.ID, b.hazard.severity.String()
	}
	return w
}

// once drops what stands in a list already.
func once(list []string) []string {
	out := make([]string, 0, len(list))
	if len(list) <= 32 {
		for _, s := range list {
			if !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
		return out
	}
	seen := make(map[string]bool, len(list))
	for _, s := range list {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}

// clearBy writes what clears a blocker, by item in the order of the catalogue, dated as_of.
func (e *evaluation) clearBy(clear []ruleset.Clear) []Clearing {
	clear = slices.Clone(clear)
	slices.SortStableFunc(clear, func(a, b ruleset.Clear) int { return a.Finding.Slot - b.Finding.Slot })
	clear = slices.CompactFunc(clear, func(a, b ruleset.Clear) bool { return a.Finding == b.Finding })
	out := make([]Clearing, 0, 2)
	for _, c := range clear {
		if len(out) == 0 || out[len(out)-1].Item != c.Finding.Item.ID {
			out = append(out, Clearing{Item: c.Finding.Item.ID})
		}
		value := c.Value
		if value == nil {
			value = json.RawMessage(`"` + e.dossier.AsOf.String() + `"`)
		}
		last := &out[len(out)-1]
		last.Found = append(last.Found, FindingForm{c.Finding.ID, value})
	}
	return out
}
