package appraisal

import (
	"math"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// unknown adds up what a look costs at all that a gate and the earlier ones miss proof of.
func (p *appraiser) unknown(g score.Gate) Unknown {
	u := Unknown{Gate: g.Gate, ByAccess: []AccessCost{}, LookNext: []NamedLook{}}
	seen := map[string]bool{}
	costs := make([]AccessCost, len(catalogue.Access))
	for _, b := range p.a.BlockersBy(g.Gate) {
		if b.Kind != ruleset.Unproven.String() || seen[b.Item] {
			continue
		}
		seen[b.Item] = true
		it := p.item(b.Item)
		if it == nil {
			continue // a fact: it costs a question
		}
		minutes := score.Number(math.Round(it.Minutes * 1e6))
		u.Items++
		u.Minutes += minutes
		cost := &costs[slices.Index(catalogue.Access, it.Access)]
		cost.Access = it.Access
		cost.Items++
		cost.Minutes += minutes
	}
	for _, c := range costs {
		if c.Items > 0 {
			u.ByAccess = append(u.ByAccess, c)
		}
	}
	for _, l := range p.a.LookNext[:min(len(p.a.LookNext), mostShown)] {
		u.LookNext = append(u.LookNext, NamedLook{l, p.set.Catalogue.Item(l.Item).Is})
	}
	if u.Items == 0 {
		u.Because = p.words.Appraise("nothing_unknown")
		return u
	}
	var how []string
	for _, c := range u.ByAccess {
		how = append(how, p.words.Appraise("unknown_access", "access", wording.Spaced(c.Access), "minutes", points(c.Minutes)))
	}
	u.Because = p.words.Appraise("unknown", "items", p.words.Count("item", u.Items), "minutes", points(u.Minutes), "list", p.words.List(how))
	return u
}
