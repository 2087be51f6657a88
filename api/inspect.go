package api

import (
	"bytes"
	"encoding/json"
	"slices"

	"laidup/api/pages"
	"laidup/internal/assess"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/quantity"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// formView is what the script of the inspection form builds its fields from: the catalogue as
// GET /v1/catalogue has it, shorter, and with what only a form needs.
type formView struct {
	Schema   string                    `json:"schema"`
	RuleSet  score.RuleSet             `json:"rule_set"`
	Purposes []string                  `json:"purposes"`
	Methods  []methodWords             `json:"methods"`
	Usual    map[catalogue.Kind]string `json:"usual"` // the method that a finding of a kind begins with
	Units    map[string][]string       `json:"units"` // what a workshop measures in, by the unit of the catalogue
	Signs    map[string]string         `json:"signs"` // of units
	Facts    []fieldView               `json:"facts"`
	Common   []fieldView               `json:"common"` // what every item accepts
	Systems  []formSystem              `json:"systems"`
	Gates    []gateView                `json:"gates"`
	Asks     string                    `json:"asks"`
	Limits   map[string]int            `json:"limits"`
}

type methodWords struct {
	ID string `json:"id"`
	Is string `json:"is"`
}

type formSystem struct {
	ID    string     `json:"id"`
	Is    string     `json:"is"`
	Items []formItem `json:"items"`
}

type formItem struct {
	ID      string      `json:"id"`
	Is      string      `json:"is"`
	Fitted  *fitted     `json:"fitted,omitempty"` // none: on every vehicle, or only the server can say
	Minutes float64     `json:"minutes"`
	Access  string      `json:"access,omitempty"` // what has to be off first; none: nothing
	Finds   []fieldView `json:"finds"`
}

type fieldView struct {
	ID     string                `json:"id"`
	Is     string                `json:"is"`
	In     string                `json:"in,omitempty"`
	Kind   catalogue.Kind        `json:"kind"`
	Values []string              `json:"values,omitempty"`
	Unit   string                `json:"unit,omitempty"`
	Bounds map[string][2]float64 `json:"bounds,omitempty"` // by unit; of a count under ""
	Usual  string                `json:"usual,omitempty"`  // the method that it begins with, where that is not the one of its kind
}

// fitted says on which vehicles an item is found, in a form that needs no interpreter: the places in
// the catalogue of the facts that it hangs on, and a digit for every combination of their values,
// that of the last fact changing fastest. Each fact has its values and, after them, one more for
// "not known". 0: the vehicle has no such item; 1: it has, or may have.
type fitted struct {
	By []int  `json:"by"`
	Is string `json:"is"`
}

// mostWays is how many combinations of facts are spelt out. What hangs on more is shown on every
// vehicle, and the server says where it does not belong.
const mostWays = 4096

// fittedBy spells out the condition under which an item is there. What hangs on numbers or dates
// cannot be spelt out, and has none.
func fittedBy(cat *catalogue.Catalogue, it *catalogue.Item) *fitted {
	if it.Applies == nil {
		return nil
	}
	f, ways := &fitted{By: []int{}}, 1
	var facts []*catalogue.Finding
	for _, slot := range it.Applies.Reads() {
		fact := cat.Owner(slot)
		if fact == nil || fact.Kind != catalogue.Flag && fact.Kind != catalogue.Choice {
			return nil
		}
		facts, f.By = append(facts, fact), append(f.By, slices.Index(cat.Facts, fact))
		if ways *= len(fact.Values) + 1; ways > mostWays {
			return nil
		}
	}
	frame := make(condition.Frame, cat.Size)
	for i := range frame {
		frame[i] = condition.Unset
	}
	is := make([]byte, ways)
	for way := range ways {
		rest := way
		for _, fact := range slices.Backward(facts) {
			n := len(fact.Values)
			if frame[fact.Slot] = float64(rest % (n + 1)); rest%(n+1) == n {
				frame[fact.Slot] = condition.Unset
			}
			rest /= n + 1
		}
		is[way] = '0'
		if it.AppliesTo(frame) {
			is[way] = '1'
		}
	}
	f.Is = string(is)
	return f
}

// usual is the method that a finding of a kind begins with, shown beside it: how such things are
// found as a rule, and nowhere better than that.
var usual = map[catalogue.Kind]string{
	catalogue.Flag: "seen", catalogue.Choice: "seen", catalogue.WeekCode: "seen",
	catalogue.Quantity: "measured", catalogue.Count: "seen",
	catalogue.Date: "documented", catalogue.Text: "documented",
}

// written is how ages and distances run are known: no gauge shows them.
const written = "documented"

// workshopUnits has what people in a workshop measure in, by the unit of the catalogue; the first is
// what a form begins with. Reports may have others.
var workshopUnits = map[string][]string{
	"km":  {"km", "[mi_i]"},
	"mm":  {"mm", "[in_i]"},
	"kPa": {"bar", "[psi]", "kPa"},
	"Cel": {"Cel", "[degF]"},
	"V":   {"V"},
	"%":   {"%"},
	"a":   {"a", "mo"},
}

func formOf(set *ruleset.Set) formView {
	cat := set.Catalogue
	view := formView{
		Schema: report.SchemaName, RuleSet: refOf(set), Purposes: report.Purposes, Usual: map[catalogue.Kind]string{},
		Units: map[string][]string{}, Signs: map[string]string{}, Asks: set.Gates[set.Asks].ID,
		Limits: map[string]int{"text": report.MaxText, "note": report.MaxNote},
	}
	for _, m := range cat.Methods {
		view.Methods = append(view.Methods, methodWords{m.ID, m.Is})
	}
	for kind, method := range usual {
		if cat.Method([]byte(method)) >= 0 { // else the mechanic has to choose
			view.Usual[kind] = method
		}
	}
	for _, f := range cat.Facts {
		view.Facts = append(view.Facts, view.field(f))
	}
	for _, s := range cat.Systems {
		system := formSystem{ID: s.ID, Is: s.Is}
		for _, it := range s.Items {
			item := formItem{ID: it.ID, Is: it.Is, Fitted: fittedBy(cat, it), Minutes: it.Minutes}
			if it.Access != catalogue.Access[0] {
				item.Access = it.Access
			}
			var common []fieldView
			for _, f := range it.Finds {
				if f.Common() {
					common = append(common, view.field(f))
				} else {
					item.Finds = append(item.Finds, view.field(f))
				}
			}
			view.Common = common
			system.Items = append(system.Items, item)
		}
		view.Systems = append(view.Systems, system)
	}
	for _, g := range set.Gates {
		view.Gates = append(view.Gates, gateView{g.ID, g.Is, g.Tolerance.String()})
	}
	return view
}

func (v *formView) field(f *catalogue.Finding) fieldView {
	view := fieldView{ID: f.ID, Is: f.Is, In: f.In, Kind: f.Kind}
	switch f.Kind {
	case catalogue.Choice:
		view.Values = f.Values
	case catalogue.Count:
		if bound(f.Min) != nil && bound(f.Max) != nil {
			view.Bounds = map[string][2]float64{"": {f.Min, f.Max}}
		}
	case catalogue.Quantity:
		view.Unit = f.Unit.Code
		if f.Item != nil && (f.Unit.Dimension == "time" || f.Unit.Code == "km") && slices.ContainsFunc(v.Methods, func(m methodWords) bool { return m.ID == written }) {
			view.Usual = written
		}
		if v.Units[view.Unit] == nil {
			v.Units[view.Unit] = workshopUnits[view.Unit]
			for _, u := range f.Unit.Like() {
				if workshopUnits[view.Unit] == nil {
					v.Units[view.Unit] = append(v.Units[view.Unit], u.Code)
				}
			}
		}
		for _, code := range v.Units[view.Unit] {
			if u, ok := quantity.Lookup(code); ok {
				v.Signs[code] = u.Sign
			}
			if b, ok := f.Bounds([]byte(code)); ok && bound(b.Min) != nil && bound(b.Max) != nil {
				if view.Bounds == nil {
					view.Bounds = map[string][2]float64{}
				}
				view.Bounds[code] = [2]float64{b.Min, b.Max}
			}
		}
	}
	return view
}

// inspectPage is the form for a new vehicle.
func (a *API) inspectPage(r *request) (reply, error) {
	return a.page("inspect", pages.InspectView{Frame: a.frame(r, a.say("inspect_new"), "inspect"), Keeper: r.key.Organisation})
}

// followUpPage is the form for a vehicle that is known: first what stands in the way.
func (a *API) followUpPage(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	v, err := r.account.Vehicle(r.Context(), reference)
	if err != nil {
		return reply{}, err
	}
	view := pages.InspectView{Frame: a.frame(r, title(v), "inspect"), Keeper: r.key.Organisation, Vehicle: &v, Gate: r.query.Get("gate")}
	if v.Newest != nil {
		newest, err := a.whole(r.Context(), r.account, v.Newest.ID)
		if err != nil {
			return reply{}, err
		}
		if view.Gate == "" {
			view.Gate = newest.Verdict.Gate
		}
		if !slices.Contains(gateNames(newest), view.Gate) {
			return reply{}, &assess.NoSuchGateError{Gates: gateNames(newest)}
		}
		if err := view.FollowUp(newest, a.service.Current().Catalogue); err != nil {
			return reply{}, err
		}
	}
	return a.page("inspect", view)
}

// offlineScript is the service worker. It comes from the root, so that it may stand in for any page,
// and begins with what to keep: when that changes, browsers take the new one.
func (a *API) offlineScript(*request) (reply, error) {
	return reply{
		body: raw(a.offline), media: "text/javascript; charset=utf-8",
		// A worker has the policy that it came with, not that of a page.
		header: map[string]string{"Content-Security-Policy": "default-src 'none'; connect-src 'self'; frame-ancestors 'none'"},
	}, nil
}

// readyForm makes what the inspection form needs, once.
func (a *API) readyForm() error {
	a.pages.Add("form.json", encode(formOf(a.service.Current())))
	kept, err := json.Marshal(a.pages.Names())
	if err != nil {
		return err
	}
	source, err := a.pages.Source("offline.js")
	if err != nil {
		return err
	}
	a.offline = slices.Concat([]byte("const kept = "), bytes.TrimSpace(kept), []byte(";\n"), source)
	return nil
}
