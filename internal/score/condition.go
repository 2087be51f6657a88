package score

import (
	"math"

	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
)

type span struct{ expected, low, high float64 }

func (s *span) add(o span, weight float64) {
	s.expected += float64(o.expected * weight)
	s.low += float64(o.low * weight)
	s.high += float64(o.high * weight)
}

func (s span) over(weight float64) Range {
	return Range{Expected: Number(round(s.expected / weight * 1e6)), Low: Number(round(s.low / weight * 1e6)), High: Number(round(s.high / weight * 1e6))}
}

// condition grades every item that is there and rolls the grades up.
func (e *evaluation) condition(a *Assessment) {
	var vehicle span
	var systemWeights, covered, coverable float64
	a.Condition.Systems = make([]SystemCondition, 0, len(e.set.Catalogue.Systems))
	items := make([]ItemCondition, 0, len(e.items))
	for s, sys := range e.set.Catalogue.Systems {
		var system span
		weights := 0.0
		sc := SystemCondition{System: sys.ID}
		first := len(items)
		for _, it := range sys.Items {
			st := e.items[it.Index]
			if !st.applies {
				continue
			}
			weight := e.set.ItemWeight[it.Index]
			a.Coverage.Applying++
			coverable += weight
			if st.found {
				a.Coverage.LookedAt++
				covered += float64(weight * e.seenShare(it))
			}
			grade, graded := e.grade(it)
			system.add(grade, weight)
			weights += weight
			items = append(items, ItemCondition{Item: it.ID, Range: grade.over(1), Graded: graded})
		}
		if weights == 0 {
			continue
		}
		sc.Items = items[first:len(items):len(items)]
		sc.Range = system.over(weights)
		vehicle.add(span{system.expected / weights, system.low / weights, system.high / weights}, e.set.SystemWeight[s])
		systemWeights += e.set.SystemWeight[s]
		a.Condition.Systems = append(a.Condition.Systems, sc)
	}
	if systemWeights > 0 {
		a.Condition.Range = vehicle.over(systemWeights)
		a.Coverage.Share = Share(round(covered / coverable * 1e10))
	}
}

// seenShare is the share of an item's places of which something is known.
func (e *evaluation) seenShare(it *catalogue.Item) float64 {
	places := e.dossier.Items[it.Index].Places
	real, seen := 0.0, 0.0
	for i := range places {
		if !places[i].Real() {
			continue
		}
		real++
		for _, st := range places[i].Standing {
			if st != nil {
				seen++
				break
			}
		}
	}
	return seen / max(real, 1)
}

// grade is the worst of what the findings on an item say, or the range for one nobody graded.
func (e *evaluation) grade(it *catalogue.Item) (span, bool) {
	worst, graded := 100.0, false
	places := e.dossier.Items[it.Index].Places
	for _, g := range e.set.Grades[it.Index] {
		if e.dossier.Stand[g.Finding.Slot] == 0 {
			continue
		}
		for k := range places {
			st := places[k].Of(g.Finding)
			if st == nil {
				continue
			}
			for i := range st.Values {
				v := st.Values[i].Number
				if g.ByValue != nil {
					if v = g.ByValue[int(v)]; v != v {
						continue
					}
				} else {
					v = ruleset.At(g.Curve, v)
				}
				worst, graded = min(worst, v), true
			}
		}
	}
	if graded {
		return span{worst, worst, worst}, true
	}
	return e.unseenGrade(it), false
}

// unseenGrade is what may be expected of an item that nobody graded, at its oldest place.
func (e *evaluation) unseenGrade(it *catalogue.Item) span {
	u := &e.set.Unseen
	x := 0.0
	places := e.dossier.Places(it)
	for i := range places {
		p := &places[i]
		if !p.Real() {
			continue
		}
		switch u.Of {
		case "years_laid_up":
			x = max(x, p.LaidUp.High)
		case "years_since_built":
			x = max(x, p.SinceBuilt.High)
		default:
			x = max(x, p.Age.High)
		}
	}
	if math.IsInf(x, 1) {
		return span{u.ExpectedElse, u.LowElse, u.HighElse}
	}
	return span{ruleset.At(u.Expected, x), ruleset.At(u.Low, x), ruleset.At(u.High, x)}
}
