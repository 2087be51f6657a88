package api

import (
	"math"

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
	ID       string  `json:"id"`
	Is       string  `json:"is"`
	Credence float64 `json:"credence"`
}

type systemView struct {
	ID    string     `json:"id"`
	Is    string     `json:"is"`
	Items []itemView `json:"items"`
}

type itemView struct {
	ID      string        `json:"id"`
	Is      string        `json:"is"`
	Applies string        `json:"applies,omitempty"` // a condition on facts; none: on every vehicle
	Minutes float64       `json:"minutes"`
	Access  string        `json:"access"`
	Finds   []findingView `json:"finds"`
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
	ID        string `json:"id"`
	Is        string `json:"is"`
	Tolerance string `json:"tolerance"` // the highest risk level that leaves it clear
}

func catalogueOf(set *ruleset.Set) catalogueView {
	cat := set.Catalogue
	view := catalogueView{RuleSet: refOf(set), Access: catalogue.Access, Asks: set.Gates[set.Asks].ID}
	for _, m := range cat.Methods {
		view.Methods = append(view.Methods, methodView(m))
	}
	view.Facts = findingsOf(cat.Facts)
	for _, s := range cat.Systems {
		system := systemView{ID: s.ID, Is: s.Is}
		for _, it := range s.Items {
			item := itemView{ID: it.ID, Is: it.Is, Minutes: it.Minutes, Access: it.Access, Finds: findingsOf(it.Finds)}
			if it.Applies != nil {
				item.Applies = it.Applies.Source()
			}
			system.Items = append(system.Items, item)
		}
		view.Systems = append(view.Systems, system)
	}
	for _, g := range set.Gates {
		view.Gates = append(view.Gates, gateView{g.ID, g.Is, g.Tolerance.String()})
	}
	return view
}

func findingsOf(list []*catalogue.Finding) []findingView {
	views := make([]findingView, len(list))
	for i, f := range list {
		view := findingView{ID: f.ID, Is: f.Is, In: f.In, Kind: f.Kind, Min: bound(f.Min), Max: bound(f.Max)}
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

// bound returns no bound where there is none.
func bound(v float64) *float64 {
	if math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (a *API) getCatalogue(*request) (reply, error) { return reply{body: a.catalogue}, nil }
