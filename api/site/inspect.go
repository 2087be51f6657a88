package site

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"slices"
	"strings"

	"laidup/api/pages"
	"laidup/api/wire"
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
	Schema   string              `json:"schema"`
	RuleSet  score.RuleSet       `json:"rule_set"`
	Purposes []string            `json:"purposes"`
	Methods  []methodWords       `json:"methods"`
	Ways     map[string]ways     `json:"ways"`  // how a finding may be known, by its kind or by what its Ways says
	Units    map[string][]string `json:"units"` // what a workshop measures in, by the unit of the catalogue
	Signs    map[string]string   `json:"signs"` // of units
	Facts    []fieldView         `json:"facts"`
	Common   []fieldView         `json:"common"` // what every item accepts
	Systems  []formSystem        `json:"systems"`
	Gates    []gateWords         `json:"gates"`
	Asks     string              `json:"asks"`
	Limits   map[string]int      `json:"limits"`
}

type methodWords struct {
	ID     string `json:"id"`
	Is     string `json:"is"`
	Proves bool   `json:"proves"` // what is known by it may prove something
}

type gateWords struct {
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
	Fitted  *decision   `json:"fitted,omitempty"` // none: on every vehicle, or only the server can say
	Minutes float64     `json:"minutes"`
	Access  string      `json:"access,omitempty"` // what has to be off first; none: nothing
	Finds   []fieldView `json:"finds"`
	// Places are the positions on vehicles on which When says yes; the first such. Where PlacesOf names a
	// fact, the vehicle has as many of them as that says.
	Places   []placesView `json:"places,omitempty"`
	PlacesOf string       `json:"places_of,omitempty"`
	Parts    []string     `json:"parts,omitempty"` // that can be renewed by themselves
}

type placesView struct {
	When *decision `json:"when,omitempty"` // none: always
	Are  []string  `json:"are"`
}

// placesOf has the positions of an item; none: the vehicle has one only.
func placesOf(cat *catalogue.Catalogue, it *catalogue.Item) (list []placesView) {
	if len(it.PositionsWhen) == 0 && len(it.Positions) > 0 {
		return []placesView{{nil, names(it.Positions)}}
	}
	for _, p := range it.PositionsWhen {
		view := placesView{Are: names(p.Are)}
		if p.When != nil {
			if view.When = decide(cat, p.When, func(facts condition.Frame) bool { return p.When.Holds(facts) == condition.True }); view.When == nil {
				return []placesView{{nil, names(it.Positions)}} // all that any vehicle has
			}
		}
		list = append(list, view)
	}
	return list
}

func names(positions []*catalogue.Position) []string {
	list := make([]string, len(positions))
	for i, p := range positions {
		list[i] = p.ID
	}
	return list
}

type fieldView struct {
	ID     string                `json:"id"`
	Is     string                `json:"is"`
	In     string                `json:"in,omitempty"`
	Taken  []takenView           `json:"taken,omitempty"` // of a fact that nobody told
	Kind   catalogue.Kind        `json:"kind"`
	Values []string              `json:"values,omitempty"`
	Unit   string                `json:"unit,omitempty"`
	Bounds map[string][2]float64 `json:"bounds,omitempty"` // by unit; of a count under ""
	Ways   string                `json:"ways,omitempty"`   // how it may be known, where that is not as of its kind
}

// takenView is a value that a fact is taken for where nobody told it, and When says yes or something was
// found on the item Reported; with neither, in any case.
type takenView struct {
	Is       string    `json:"is"`
	When     *decision `json:"when,omitempty"`
	Reported string    `json:"reported,omitempty"`
}

// FittedBy is the condition under which an item is there as a decision; none: on every vehicle, or only
// the server can say, and says where it does not belong.
func FittedBy(cat *catalogue.Catalogue, it *catalogue.Item) *decision {
	if it.Applies == nil {
		return nil
	}
	return decide(cat, it.Applies, it.AppliesTo)
}

// takenAs has the values that a fact is taken for where nobody told it, as far as a form can decide.
func takenAs(cat *catalogue.Catalogue, f *catalogue.Finding) (list []takenView) {
	for _, t := range f.Taken {
		view := takenView{Is: f.Values[int(t.Value)]}
		switch {
		case t.Reported != nil:
			view.Reported = t.Reported.ID
		case t.When != nil:
			if view.When = decide(cat, t.When, func(facts condition.Frame) bool { return t.When.Holds(facts) == condition.True }); view.When == nil {
				return list // the first that holds counts: what comes after one that is not known may be wrong
			}
		}
		list = append(list, view)
	}
	return list
}

// ways are the methods by which a finding may be known, best first: in any case, and where it is to
// clear what stands in the way. The form offers no others, and none is chosen before somebody does.
type ways struct {
	Known []string `json:"known"`
	Clear []string `json:"clear"`
}

// The findings whose ways are not those of their kind.
const (
	aged   = "aged"        // an age or a distance run: no gauge shows it
	tested = "tested"      // a flag that says that a thing does what it is for
	none   = "none_fitted" // that the vehicle never had the item
)

// knownBy has the ways of each kind of finding. A number that is only told, or only seen, is nobody's
// measurement, and that a thing works shows when it is tried.
var knownBy = map[string]ways{
	string(catalogue.Quantity): {[]string{"measured", "tested", "documented", "told"}, []string{"measured", "tested", "documented"}},
	string(catalogue.Count):    {[]string{"measured", "tested", "documented", "told"}, []string{"measured", "tested", "documented"}},
	string(catalogue.Flag):     same("seen", "felt", "tested", "measured", "documented", "told"),
	string(catalogue.Choice):   same("seen", "felt", "tested", "measured", "documented", "told"),
	string(catalogue.Date):     same("seen", "documented", "tested", "told"),
	string(catalogue.WeekCode): same("seen", "documented", "told"),
	string(catalogue.Text):     same("documented", "seen", "told"),
	aged:                       same("documented", "seen", "told"),
	none:                       same("seen", "documented", "told"),
	tested:                     {[]string{"tested", "documented", "told"}, []string{"tested", "documented"}},
}

func same(methods ...string) ways { return ways{methods, methods} }

// doing are words in the ids of flags that say that a thing does what it is for.
var doing = []string{"works", "held", "holds", "delivers", "runs", "opens", "assists", "locks", "primed", "selects"}

// waysOf says how a finding may be known, where that is not as of its kind.
func waysOf(f *catalogue.Finding) string {
	switch {
	case f.Item == nil:
		return "" // facts have no method
	case f.Kind == catalogue.Quantity && (f.Unit.Dimension == "time" || f.Unit.Code == "km"):
		return aged
	case f.Kind == catalogue.Flag && f.Worse == catalogue.Lower &&
		slices.ContainsFunc(strings.Split(f.ID, "_"), func(word string) bool { return slices.Contains(doing, word) }):
		return tested
	}
	return ""
}

// among leaves those methods that a catalogue has; where it has none of them, any will have to do.
func among(cat *catalogue.Catalogue, methods []string) []string {
	left := slices.DeleteFunc(slices.Clone(methods), func(id string) bool { return cat.Method([]byte(id)) < 0 })
	if len(left) == 0 {
		for _, m := range cat.Methods {
			left = append(left, m.ID)
		}
	}
	return left
}

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

// FormOf is what the script of the inspection form is handed.
func FormOf(set *ruleset.Set) formView {
	cat := set.Catalogue
	view := formView{
		Schema: report.SchemaName, RuleSet: wire.RefOf(set), Purposes: report.Purposes, Ways: map[string]ways{},
		Units: map[string][]string{}, Signs: map[string]string{}, Asks: set.Gates[set.Asks].ID,
		Limits: map[string]int{"text": report.MaxText, "note": report.MaxNote},
	}
	for _, m := range cat.Methods {
		view.Methods = append(view.Methods, methodWords{m.ID, m.Is, m.Alarms >= set.ProofCredence})
	}
	for of, w := range knownBy {
		view.Ways[of] = ways{among(cat, w.Known), among(cat, w.Clear)}
	}
	for _, f := range cat.Facts {
		fact := view.field(f)
		fact.Taken = takenAs(cat, f)
		view.Facts = append(view.Facts, fact)
	}
	for _, s := range cat.Systems {
		system := formSystem{ID: s.ID, Is: s.Is}
		for _, it := range s.Items {
			item := formItem{ID: it.ID, Is: it.Is, Fitted: FittedBy(cat, it), Minutes: it.Minutes, Places: placesOf(cat, it)}
			if f := it.PositionsOf; f != nil {
				item.PlacesOf = f.In + "." + f.ID
			}
			for _, p := range it.Parts {
				item.Parts = append(item.Parts, p.ID)
			}
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
		view.Gates = append(view.Gates, gateWords{g.ID, g.Is})
	}
	return view
}

func (v *formView) field(f *catalogue.Finding) fieldView {
	view := fieldView{ID: f.ID, Is: f.Is, In: f.In, Kind: f.Kind, Ways: waysOf(f)}
	switch f.Kind {
	case catalogue.Choice:
		view.Values = f.Values
	case catalogue.Count:
		if wire.Bound(f.Min) != nil && wire.Bound(f.Max) != nil {
			view.Bounds = map[string][2]float64{"": {f.Min, f.Max}}
		}
	case catalogue.Quantity:
		view.Unit = f.Unit.Code
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
			if b, ok := f.Bounds([]byte(code)); ok && wire.Bound(b.Min) != nil && wire.Bound(b.Max) != nil {
				if view.Bounds == nil {
					view.Bounds = map[string][2]float64{}
				}
				view.Bounds[code] = [2]float64{b.Min, b.Max}
			}
		}
	}
	return view
}

// InspectPage is the form for a new vehicle.
func (s *Site) InspectPage(r *wire.Request) (wire.Reply, error) {
	return s.page("inspect", pages.InspectView{Frame: s.frame(r, s.say("inspect_new"), "inspect"), Keeper: r.Key.Organisation})
}

// FollowUpPage is the form for a vehicle that is known: first what stands in the way.
func (s *Site) FollowUpPage(r *wire.Request) (wire.Reply, error) {
	v, _, err := vehicleOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.InspectView{Frame: s.frame(r, title(v), "inspect"), Keeper: r.Key.Organisation, Vehicle: &v, Gate: r.Query.Get("gate")}
	if v.Newest != nil {
		newest, err := wire.Whole(r.Context(), r.Account, v.Newest.ID)
		if err != nil {
			return wire.Reply{}, err
		}
		if view.Gate == "" {
			view.Gate = newest.Verdict.Gate
		}
		if !slices.Contains(wire.GateNames(newest), view.Gate) {
			return wire.Reply{}, &assess.NoSuchGateError{Gates: wire.GateNames(newest)}
		}
		// Reports that cannot be read any more say of no item that the vehicle has none.
		var unreadable *assess.UnscorableError
		dossier, err := r.Account.Dossier(r.Context(), *v.Newest)
		if err != nil && !errors.As(err, &unreadable) {
			return wire.Reply{}, err
		}
		if err := view.FollowUp(newest, s.service.Current().Catalogue, dossier); err != nil {
			return wire.Reply{}, err
		}
	}
	return s.page("inspect", view)
}

// OfflineScript is the service worker. It comes from the root, so that it may stand in for any page,
// and begins with what to keep: when that changes, browsers take the new one.
func (s *Site) OfflineScript(*wire.Request) (wire.Reply, error) {
	return wire.Reply{
		Body: wire.Raw(s.offline), Media: "text/javascript; charset=utf-8",
		// A worker has the policy that it came with, not that of a page.
		Header: map[string]string{"Content-Security-Policy": "default-src 'none'; connect-src 'self'; frame-ancestors 'none'"},
	}, nil
}

// readyForm makes what the inspection form needs, once.
func (s *Site) readyForm() error {
	s.pages.Add("form.json", wire.Encode(FormOf(s.service.Current())))
	kept, err := json.Marshal(s.pages.Names())
	if err != nil {
		return err
	}
	source, err := s.pages.Source("offline.js")
	if err != nil {
		return err
	}
	s.offline = slices.Concat([]byte("const kept = "), bytes.TrimSpace(kept), []byte(";\n"), source)
	return nil
}

// AppraisalPage shows what a buyer is to know of a vehicle.
func (s *Site) AppraisalPage(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	p, err := wire.Appraise(r, reference, r.Query.Get("gate"))
	if errors.Is(err, assess.ErrNotAssessedYet) {
		return wire.SeeOther("/vehicles/" + reference), nil
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return s.page("appraisal", s.pages.Appraised(s.frame(r, s.say("appraisal_of", cmp.Or(p.Description, p.Vehicle)), "vehicles"), p, s.today()))
}

// ReferencePage is the description of the API, to be read.
func (s *Site) ReferencePage(*wire.Request) (wire.Reply, error) {
	body, err := s.docs()
	return wire.Reply{Body: wire.Raw(body)}, err
}
