package rulecheck

import (
	"encoding/json"
	"maps"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// sound is what a careful workshop reports of a vehicle that it has put right in everything:
//
//   - whatever clears a fault, a limit or a proof that the vehicle can have (tested);
//   - of every other flag that is good when true - it works, it holds, it is there - that it is so
//     (tested);
//   - of every other flag that is bad when true, and of every other choice, the best value (seen).
//
// Items that the vehicle does not have are left out.
func (b *bench) sound(date string, vehicle, layUp map[string]any) ([]ruleset.ObservationForm, error) {
	bare, err := b.report(date, vehicle, layUp, nil)
	if err != nil {
		return nil, err
	}
	frame := report.Lay([]*report.Report{bare}, b.set.Catalogue, b.set.ProofCredence).Frame
	clears := b.clearings(frame)
	var list []ruleset.ObservationForm
	for _, it := range b.set.Catalogue.Items {
		if !it.AppliesTo(frame) {
			continue
		}
		works, seen := map[string]any{}, map[string]any{}
		for _, f := range it.Finds {
			clear, cleared := clears[f]
			switch {
			case cleared:
				works[f.ID] = clearValue(clear, date)
			case f.Common():
			case f.Kind == catalogue.Flag && f.Worse == catalogue.Lower:
				works[f.ID] = true
			case f.Kind == catalogue.Flag && f.Worse == catalogue.Higher:
				seen[f.ID] = false
			case f.Kind == catalogue.Choice && f.Worse != catalogue.Neither:
				seen[f.ID] = f.Values[0]
			}
		}
		for _, by := range []struct {
			method string
			found  map[string]any
		}{{"tested", works}, {"seen", seen}} {
			if len(by.found) > 0 {
				list = append(list, ruleset.ObservationForm{Item: it.ID, SeenForm: ruleset.SeenForm{Method: by.method, Found: by.found}})
			}
		}
	}
	return list, nil
}

// clearings returns what clears something on a vehicle, by finding: a rule set has one value for each.
func (b *bench) clearings(frame condition.Frame) map[*catalogue.Finding]ruleset.Clear {
	all := map[*catalogue.Finding]ruleset.Clear{}
	add := func(list []ruleset.Clear) {
		for _, c := range list {
			all[c.Finding] = c
		}
	}
	for _, f := range b.set.Faults {
		if faultThere(f, frame) == "" {
			add(f.ClearBy)
		}
	}
	for _, l := range b.set.Limits {
		if there(l.If, frame) && l.Item.AppliesTo(frame) && (l.Fault == nil || faultThere(l.Fault, frame) == "") {
			add(l.ClearBy)
		}
	}
	for _, r := range b.set.Rules {
		if r.Item.AppliesTo(frame) && faultThere(r.Fault, frame) == "" {
			add(r.ClearBy)
		}
	}
	for _, p := range b.set.Proofs {
		if there(p.When, frame) && p.Item.AppliesTo(frame) {
			add(p.ClearBy)
		}
	}
	return all
}

// altered takes items out of observations and puts findings in the place of others. What is said of a
// position stands beside what is said of the whole; another age takes the place of a renewal.
func (b *bench) altered(observations []ruleset.ObservationForm, unset []string, set map[string]ruleset.SeenList) []ruleset.ObservationForm {
	var list []ruleset.ObservationForm
	for _, o := range observations {
		if slices.Contains(unset, o.Item) || slices.ContainsFunc(set[o.Item], func(s ruleset.SeenForm) bool { return s.Fitted != nil && len(s.At) == 0 }) {
			continue
		}
		found := maps.Clone(o.Found)
		for _, s := range set[o.Item] {
			if len(s.At) > 0 || s.Part != "" {
				continue
			}
			for f := range s.Found {
				delete(found, f)
				if it := b.set.Catalogue.Item(o.Item); it != nil && slices.Contains(agesOf(it), f) {
					for _, age := range agesOf(it) {
						delete(found, age)
					}
				}
			}
		}
		if len(found) > 0 {
			o.Found = found
			list = append(list, o)
		}
	}
	for _, item := range slices.Sorted(maps.Keys(set)) {
		for _, s := range set[item] {
			list = append(list, ruleset.ObservationForm{Item: item, SeenForm: s})
		}
	}
	return list
}

// agesOf lists the findings that say how old an item is.
func agesOf(it *catalogue.Item) []string {
	ids := []string{it.Age.ID, it.Renewed.ID}
	if it.Made != nil {
		ids = append(ids, it.Made.ID)
	}
	return ids
}

// clearValue is a clearing finding in the form of a report on a day.
func clearValue(c ruleset.Clear, date string) any {
	if c.Value == nil {
		return date
	}
	return json.RawMessage(c.Value)
}
