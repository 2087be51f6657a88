package appraisal

import (
	"fmt"
	"math"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/wording"
)

// contradictions lists the word against the eye first: what stands against each other in the dossier,
// and the words that better knowledge has overturned.
func (p *appraiser) contradictions() []Contradiction {
	list := []Contradiction{}
	for _, known := range p.dossier.Conflicts {
		if known.Standing == nil {
			continue
		}
		c := p.contradictionOn(known.Finding, known.At, WorseCounts)
		for i := range known.Values {
			v := &known.Values[i]
			by := v.Support[len(v.Support)-1]
			if p.hearsay(by) {
				c.Told = append(c.Told, p.statement(v.Value, by.Method, by.On.String()))
			} else {
				c.Seen = append(c.Seen, p.statement(v.Value, by.Method, by.On.String()))
			}
		}
		list = append(list, c)
	}
	list = append(list, p.overturned()...)
	for i := range list {
		list[i].Because = p.contradicting(&list[i])
	}
	slices.SortStableFunc(list, func(x, y Contradiction) int { return x.order() - y.order() })
	return list
}

func (p *appraiser) contradictionOn(f *catalogue.Finding, at int, counts string) Contradiction {
	c := Contradiction{Item: f.Item.ID, Is: f.Item.Is, Finding: f.ID, FindingIs: f.Is, Told: []Statement{}, Seen: []Statement{}, Counts: counts}
	if at >= 0 {
		c.At = f.Item.Positions[at].ID
	}
	return c
}

func (c *Contradiction) order() int {
	switch {
	case len(c.Told) > 0 && len(c.Seen) > 0:
		return 0
	case len(c.Seen) > 0:
		return 1
	}
	return 2
}

func (p *appraiser) contradicting(c *Contradiction) string {
	var said []string
	for _, s := range slices.Concat(c.Told, c.Seen) {
		said = append(said, p.words.Said(s.InWords, s.Method, s.Date))
	}
	counts := p.words.Appraise("worse_counts")
	if c.Counts == SeenCounts {
		counts = p.words.Appraise("seen_counts")
	}
	key := "conflict"
	if c.At != "" {
		key = "conflict_at"
	}
	return p.words.Appraise(key, "is", c.Is, "at", wording.Spaced(c.At), "finding", c.FindingIs, "said", p.words.Against(said), "counts", counts)
}

func (p *appraiser) statement(v report.Value, method int, date string) Statement {
	s := Statement{report.Form(v), "", p.set.Catalogue.Methods[method].ID, date}
	s.InWords = p.words.Value(s.Value)
	switch it := v.Finding.Item; v.Finding {
	case it.Age:
		// Counted from dates, it has many decimals.
		s.InWords = p.words.Appraise("years", "years", fmt.Sprintf("%.1f", v.Number))
	case it.Renewed, it.Made:
		s.InWords = v.Finding.Is + " " + s.InWords
	}
	return s
}

// overturned lists hearsay that does not stand any more since better knowledge contradicts it. What a
// renewal has made a matter of the past contradicts nothing.
func (p *appraiser) overturned() []Contradiction {
	var list []Contradiction
	for _, r := range p.dossier.Reports {
		for i := range r.Observations {
			o := &r.Observations[i]
			if p.set.Catalogue.Methods[o.Method].Alarms >= p.set.ProofCredence {
				continue
			}
			places := p.dossier.Items[o.Item.Index].Places
			for _, v := range o.Found {
				for k := range places {
					list = p.against(list, o, p.saidOf(o, v), v, &places[k])
				}
			}
		}
	}
	return list
}

// against adds what was said of a place to the list, where better knowledge has overturned it.
func (p *appraiser) against(list []Contradiction, o *report.Observation, about, said report.Value, at *report.Place) []Contradiction {
	if len(o.At) > 0 && !slices.Contains(o.At, at.Position) || at.Renewed >= o.On {
		return list
	}
	st := at.Of(about.Finding)
	if st == nil || about.Finding.Kind == catalogue.Text || stands(st, about) {
		return list
	}
	told := p.statement(said, o.Method, o.On.String())
	c := p.contradictionOn(about.Finding, at.Position, SeenCounts)
	if i := slices.IndexFunc(list, func(x Contradiction) bool {
		return x.Item == c.Item && x.Finding == c.Finding && x.At == c.At
	}); i >= 0 {
		list[i].Told = append(list[i].Told, told)
		return list
	}
	c.Told = append(c.Told, told)
	for k := range st.Values {
		by := st.Values[k].Support[len(st.Values[k].Support)-1]
		if !p.hearsay(by) {
			c.Seen = append(c.Seen, p.statement(st.Values[k].Value, by.Method, by.On.String()))
		}
	}
	if len(c.Seen) > 0 {
		list = append(list, c)
	}
	return list
}

// saidOf is what an observed value says as the dossier has it: when a part was made or renewed, and how
// old it was on that day, says how old it is now.
func (p *appraiser) saidOf(o *report.Observation, v report.Value) report.Value {
	switch v.Finding {
	case o.Item.Age:
		v.Number += o.On.YearsTo(p.dossier.AsOf)
	case o.Item.Renewed, o.Item.Made:
		return report.Value{Finding: o.Item.Age, Number: max(0, v.Date.Earliest().YearsTo(p.dossier.AsOf))}
	}
	return v
}

// stands reports whether a value is still one of those that stand. Ages are told in whole years.
func stands(st *report.Standing, v report.Value) bool {
	return slices.ContainsFunc(st.Values, func(s report.StandingValue) bool {
		return s.Number == v.Number || v.Finding == v.Finding.Item.Age && math.Abs(s.Number-v.Number) < 1
	})
}
