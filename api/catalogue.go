package api

import (
	"laidup/api/wire"
	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// catalogueView is what a form is built from. "is" is the label of everything that has one.
type catalogueView struct {
	RuleSet score.RuleSet `json:"rule_set"`
	Methods []methodView  `json:"methods"`
	Facts   []findingView `json:"facts"`
	Systems []systemView  `json:"systems"`
	Access  []string      `json:"access"` // what may have to be off before an item can be looked at, least first
	Gates   []gateView    `json:"gates"`
	Asks    string        `json:"asks"` // the gate that a verdict is about, unless a caller names another
}

type methodView struct {
	ID        string  `json:"id"`
	Is        string  `json:"is"`
	Alarms    float64 `json:"alarms"`    // share of its alarms that are true
	Reassures float64 `json:"reassures"` // share of bad parts that a look by it would have found
	AtMost    float64 `json:"at_most"`   // decibans beyond which no alarm by it counts
}

type systemView struct {
	ID    string     `json:"id"`
	Is    string     `json:"is"`
	Items []itemView `json:"items"`
}

type itemView struct {
	ID      string  `json:"id"`
	Is      string  `json:"is"`
	Applies string  `json:"applies,omitempty"` // a condition on facts; none: on every vehicle
	Minutes float64 `json:"minutes"`
	Access  string  `json:"access"`
	// Positions are where the vehicle has one each; none where there is one only. Where PositionsOf
	// names a fact, the vehicle has as many of them as that says.
	Positions   []string      `json:"positions,omitempty"`
	PositionsOf string        `json:"positions_of,omitempty"`
	Parts       []string      `json:"parts,omitempty"` // that can be renewed by themselves
	Finds       []findingView `json:"finds"`
}

type findingView struct {
	ID     string         `json:"id"`
	Is     string         `json:"is"`
	In     string         `json:"in,omitempty"` // of a fact: the part of a report that has it
	Kind   catalogue.Kind `json:"kind"`
	Values []string       `json:"values,omitempty"` // of a choice, best first
	Unit   string         `json:"unit,omitempty"`   // of a quantity; min and max are in it
	Units  []string       `json:"units,omitempty"`  // all names of units that are accepted
	Min    *float64       `json:"min,omitempty"`
	Max    *float64       `json:"max,omitempty"`
}

type gateView struct {
	ID string `json:"id"`
	Is string `json:"is"`
	// Tolerates has the probability that a hazard may have, by severity; without one anything may.
	Tolerates map[string]float64 `json:"tolerates"`
}

func catalogueOf(set *ruleset.Set) catalogueView {
	cat := set.Catalogue
	view := catalogueView{RuleSet: wire.RefOf(set), Access: catalogue.Access, Asks: set.Gates[set.Asks].ID}
	for _, m := range cat.Methods {
		view.Methods = append(view.Methods, methodView{m.ID, m.Is, m.Alarms, m.Reassures, m.AtMost})
	}
	view.Facts = findingsOf(cat.Facts)
	for _, s := range cat.Systems {
		system := systemView{ID: s.ID, Is: s.Is}
		for _, it := range s.Items {
			item := itemView{ID: it.ID, Is: it.Is, Minutes: it.Minutes, Access: it.Access, Finds: findingsOf(it.Finds)}
			if it.Applies != nil {
				item.Applies = it.Applies.Source()
			}
			for _, p := range it.Positions {
				item.Positions = append(item.Positions, p.ID)
			}
			if it.PositionsOf != nil {
				item.PositionsOf = it.PositionsOf.ID
			}
			for _, p := range it.Parts {
				item.Parts = append(item.Parts, p.ID)
			}
			system.Items = append(system.Items, item)
		}
		view.Systems = append(view.Systems, system)
	}
	for _, g := range set.Gates {
		tolerates := map[string]float64{}
		for s := ruleset.Catastrophic; s <= ruleset.Negligible; s++ {
			if p := g.Tolerates[s]; p < 1 {
				tolerates[s.String()] = p
			}
		}
		view.Gates = append(view.Gates, gateView{g.ID, g.Is, tolerates})
	}
	return view
}

func findingsOf(list []*catalogue.Finding) []findingView {
	views := make([]findingView, len(list))
	for i, f := range list {
		view := findingView{ID: f.ID, Is: f.Is, In: f.In, Kind: f.Kind, Min: wire.Bound(f.Min), Max: wire.Bound(f.Max)}
		switch f.Kind {
		case catalogue.Choice:
			view.Values = f.Values
		case catalogue.Quantity:
			view.Unit, view.Units = f.Unit.Code, f.Units()
		}
		views[i] = view
	}
	return views
}

func (a *API) getCatalogue(*wire.Request) (wire.Reply, error) {
	return wire.Reply{Body: a.catalogue}, nil
}
