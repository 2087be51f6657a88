package appraisal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/score"
)

// look is how one item was looked at.
type look struct {
	item                      *catalogue.Item
	found, credible, measured bool
}

func (p *appraiser) look(id string) look {
	l := look{item: p.item(id)}
	places := p.dossier.Items[l.item.Index].Places
	for k := range places {
		for _, st := range places[k].Standing {
			if st == nil {
				continue
			}
			l.found = true
			for i := range st.Values {
				for _, by := range st.Values[i].Support {
					l.credible = l.credible || !p.hearsay(by)
					l.measured = l.measured || !p.hearsay(by) && slices.Contains(instruments, p.set.Catalogue.Methods[by.Method].ID)
				}
			}
		}
	}
	return l
}

// tally adds up how items were looked at.
type tally struct {
	Looked
	toldAndGraded                           int
	all, lookedAt, measured, told, ungraded float64 // weights
}

func (t *tally) add(l look, graded bool, weight float64) {
	t.Applying++
	t.all += weight
	if !graded {
		t.Ungraded++
		t.ungraded += weight
	}
	if !l.found {
		return
	}
	t.LookedAt++
	t.lookedAt += weight
	switch {
	case l.measured:
		t.Measured++
		t.measured += weight
	case l.credible:
		t.Seen++
	default:
		t.ToldOnly++
		t.told += weight
		if graded {
			t.toldAndGraded++
		}
	}
}

func (p *appraiser) sum(t *tally) Looked {
	part := func(of float64) score.Share { return score.Share(math.Round(of / t.all * 1e10)) }
	if t.all > 0 {
		t.LookedAtShare, t.MeasuredShare, t.ToldShare, t.UngradedShare = part(t.lookedAt), part(t.measured), part(t.told), part(t.ungraded)
		t.SeenShare = max(0, t.LookedAtShare-t.MeasuredShare-t.ToldShare)
	}
	t.Because = p.words.Appraise("looked_at", "looked_at", strconv.Itoa(t.LookedAt), "items", p.words.Count("item", t.Applying),
		"measured", strconv.Itoa(t.Measured), "seen", strconv.Itoa(t.Seen), "told", strconv.Itoa(t.ToldOnly))
	return t.Looked
}

// rangeBecause says what the range of a condition rests on.
func (p *appraiser) rangeBecause(t *tally, r score.Range) string {
	var text string
	wide := points(r.High - r.Low)
	switch {
	case t.Ungraded == 0:
		text = p.words.Appraise("range_none")
	case t.Ungraded == t.Applying:
		text = p.words.Appraise("range_all", "points", wide)
	default:
		text = p.words.Appraise("range_some", "points", wide, "items", p.words.Count("item", t.Ungraded))
	}
	if t.toldAndGraded > 0 {
		text = p.words.Appraise("range_by_word", "text", text, "graded_by_word", p.words.Count("graded_by_word", t.toldAndGraded))
	}
	return text
}

func points(n score.Number) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", n.Float()), ".0")
}

func (p *appraiser) condition() (AppraisedCondition, Looked) {
	c := AppraisedCondition{Range: p.a.Condition.Range, Systems: []AppraisedSystem{}, Widest: []Widening{}}
	var whole tally
	systemWeights := 0.0
	for _, s := range p.a.Condition.Systems {
		systemWeights += p.set.SystemWeight[p.system(s.System)]
	}
	for _, s := range p.a.Condition.Systems {
		at := p.system(s.System)
		var t tally
		for _, it := range s.Items {
			l := p.look(it.Item)
			weight := p.set.ItemWeight[l.item.Index]
			t.add(l, it.Graded, weight)
			whole.add(l, it.Graded, weight)
		}
		for _, it := range s.Items {
			item := p.set.Catalogue.Item(it.Item)
			part := p.set.ItemWeight[item.Index] / t.all * p.set.SystemWeight[at] / systemWeights
			wide := score.Number(math.Round((it.High - it.Low).Float() * part * 1e6))
			if it.Graded || wide <= 0 {
				continue
			}
			c.Widest = append(c.Widest, Widening{it.Item, item.Is, wide, p.words.Appraise("ungraded", "low", points(it.Low), "high", points(it.High))})
		}
		c.Systems = append(c.Systems, AppraisedSystem{s.System, p.set.Catalogue.Systems[at].Is, s.Range, p.sum(&t), p.rangeBecause(&t, s.Range)})
	}
	slices.SortStableFunc(c.Widest, func(x, y Widening) int { return cmp.Compare(y.Points, x.Points) })
	c.Widest = c.Widest[:min(len(c.Widest), mostShown)]
	c.Because = p.rangeBecause(&whole, c.Range)
	return c, p.sum(&whole)
}

func (p *appraiser) system(id string) int {
	return slices.IndexFunc(p.set.Catalogue.Systems, func(s *catalogue.System) bool { return s.ID == id })
}
