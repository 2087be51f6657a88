package rulecheck

import (
	"encoding/json"
	"maps"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// soundAge is the documented age, in years, of every part whose age the rules read: new enough to
// be within every limit, old enough not to count as just renewed.
const soundAge = 0.2

// sound is what a careful inspection of a vehicle without a fault reports:
//
//   - of every flag that is good when true - it works, it holds, it is there - that it is so (tested);
//   - of every flag that is bad when true, and of every choice, the best value (seen);
//   - of every measurement, count and other choice that something in the rule set is cleared by,
//     the value that clears it (measured); the same of texts and dates (documented);
//   - an age of 0.2 years (documented) of every item whose age or renewal a rule, a proof or a prior
//     reads.
//
// Items that the vehicle does not have are left out. Nothing is judged overall: a look says more.
func (b *bench) sound(date string, vehicle, layUp map[string]any) ([]ruleset.ObservationForm, error) {
	bare, err := b.report(date, vehicle, layUp, nil)
	if err != nil {
		return nil, err
	}
	frame := report.Lay([]*report.Report{bare}, b.set.Catalogue, b.set.ProofCredence).Frame
	clears := clearings(b.set)
	aged := agesRead(b.set)
	var list []ruleset.ObservationForm
	for _, it := range b.set.Catalogue.Items {
		if !it.AppliesTo(frame) {
			continue
		}
		works, seen, measured, documented := map[string]any{}, map[string]any{}, map[string]any{}, map[string]any{}
		for _, f := range it.Finds {
			clear, cleared := clears[f]
			switch {
			case f.Common():
			case f.Kind == catalogue.Flag && f.Worse == catalogue.Lower:
				works[f.ID] = true
			case f.Kind == catalogue.Flag && f.Worse == catalogue.Higher:
				seen[f.ID] = false
			case f.Kind == catalogue.Choice && f.Worse != catalogue.Neither:
				seen[f.ID] = f.Values[0]
			case !cleared:
			case f.Kind == catalogue.Text || f.Kind == catalogue.Date:
				documented[f.ID] = clearValue(clear, date)
			default:
				measured[f.ID] = clearValue(clear, date)
			}
		}
		if aged[it] {
			documented["age"] = map[string]any{"value": soundAge, "unit": "a"}
		}
		for _, by := range []struct {
			method string
			found  map[string]any
		}{{"tested", works}, {"seen", seen}, {"measured", measured}, {"documented", documented}} {
			if len(by.found) > 0 {
				list = append(list, ruleset.ObservationForm{Item: it.ID, SeenForm: ruleset.SeenForm{Method: by.method, Found: by.found}})
			}
		}
	}
	return list, nil
}

// clearings returns what clears something, by finding: a rule set has one value for each.
func clearings(set *ruleset.Set) map[*catalogue.Finding]ruleset.Clear {
	all := map[*catalogue.Finding]ruleset.Clear{}
	add := func(list []ruleset.Clear) {
		for _, c := range list {
			all[c.Finding] = c
		}
	}
	for _, h := range set.Hazards {
		add(h.ClearBy)
	}
	for _, r := range set.Rules {
		add(r.ClearBy)
	}
	for _, p := range set.Proofs {
		add(p.ClearBy)
	}
	return all
}

// agesRead returns the items whose age or date of renewal something reads.
func agesRead(set *ruleset.Set) map[*catalogue.Item]bool {
	read := map[*catalogue.Item]bool{}
	look := func(slots []int) {
		for _, slot := range slots {
			if f := set.Catalogue.Owner(slot); f != nil && f.Item != nil && (f == f.Item.Age || f == f.Item.Renewed) {
				read[f.Item] = true
			}
		}
	}
	for _, h := range set.Hazards {
		look(h.Prior.Needs)
	}
	for _, r := range set.Rules {
		look(r.Needs)
	}
	for _, p := range set.Proofs {
		for _, way := range p.ProvenBy {
			look(way.Needs)
		}
	}
	return read
}

// altered takes items out of observations and puts findings in the place of others.
func altered(observations []ruleset.ObservationForm, unset []string, set map[string]ruleset.SeenForm) []ruleset.ObservationForm {
	var list []ruleset.ObservationForm
	for _, o := range observations {
		if slices.Contains(unset, o.Item) {
			continue
		}
		found := maps.Clone(o.Found)
		for f := range set[o.Item].Found {
			delete(found, f)
		}
		if len(found) > 0 {
			o.Found = found
			list = append(list, o)
		}
	}
	for _, item := range slices.Sorted(maps.Keys(set)) {
		list = append(list, ruleset.ObservationForm{Item: item, SeenForm: set[item]})
	}
	return list
}

// clearValue is a clearing finding in the form of a report on a day.
func clearValue(c ruleset.Clear, date string) any {
	if c.Value == nil {
		return date
	}
	return json.RawMessage(c.Value)
}
