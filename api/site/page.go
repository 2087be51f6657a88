// Package site has the handlers of the pages and sheets for people. What they look like is in package
// pages.
package site

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/calendar"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Site answers with pages for people.
type Site struct {
	service *assess.Service
	keys    *access.Keys
	open    bool // who is on this machine needs no key
	bodies  *wire.Bodies
	pages   *pages.Pages
	sheets  *pages.Sheets
	offline []byte                 // the service worker
	docs    func() ([]byte, error) // the description of the API, to be read
	pace    func(http.Header, access.Key) error
}

// New makes the pages. The description of the API is in OpenAPI; pace counts a sign-in as a request of its key, and
// refuses what is too much. The error is one of the pages, which are built in.
func New(service *assess.Service, keys *access.Keys, open bool, reads *wire.Bodies, description func() ([]byte, error), pace func(http.Header, access.Key) error) (*Site, error) {
	s := &Site{service: service, keys: keys, open: open, bodies: reads, pace: pace}
	var err error
	if s.pages, err = pages.New("en"); err != nil {
		return nil, err
	}
	if err := s.readyForm(); err != nil {
		return nil, err
	}
	// It is long, the same for everybody, and nobody needs a key for it: whoever asks again and again costs no more
	// than its bytes.
	s.docs = sync.OnceValues(func() ([]byte, error) {
		openAPI, err := description()
		if err != nil {
			return nil, err
		}
		reference, err := pages.ReadReference(openAPI)
		if err != nil {
			return nil, err
		}
		reference.Frame = pages.Frame{Title: s.say("reference")}
		return s.pages.Render("reference", reference)
	})
	s.sheets, err = s.pages.Sheets(service.Current().Catalogue)
	return s, err
}

// SessionCookie has who has signed in on a page. Over HTTPS it is sent nowhere else.
const SessionCookie = "laidup_session"

// frame is what a page has around it.
func (s *Site) frame(r *wire.Request, title, here string) pages.Frame {
	return pages.Frame{Title: title, Organisation: r.Key.Organisation, SignedIn: r.Key.ID != "", Here: here}
}

// page renders a page.
func (s *Site) page(name string, view any) (wire.Reply, error) {
	body, err := s.pages.Render(name, view)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: wire.Raw(body)}, nil
}

// say is a text of the pages; that it is there is tested.
func (s *Site) say(key string, args ...any) string {
	text, err := s.pages.Say(key, args...)
	if err != nil {
		return key
	}
	return text
}

// FirstPage sends to the list of vehicles.
func (s *Site) FirstPage(*wire.Request) (wire.Reply, error) { return wire.SeeOther("/vehicles"), nil }

// GetAsset answers with what pages need.
func (s *Site) GetAsset(r *wire.Request) (wire.Reply, error) {
	asset, ok := s.pages.Asset(r.Param("name"))
	if !ok {
		return wire.Reply{}, wire.NotFound.Says("there is no such file")
	}
	return wire.Reply{Body: wire.Raw(asset.Body), Media: asset.Media}, nil
}

// plotted is how many assessments of a vehicle's history go into the plot of chances.
const plotted = 8

// VehiclePageOf shows a vehicle, with its newest assessment and its history.
func (s *Site) VehiclePageOf(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	from := 1
	if s := r.Query.Get("from"); s != "" {
		var ok bool
		if from, ok = wire.Digits(s); !ok || from < 1 {
			return wire.Reply{}, wire.BadQuery.Says("from is the rank of an entry of the register")
		}
	}
	v, err := r.Account.Vehicle(r.Context(), reference)
	if err != nil {
		return wire.Reply{}, err
	}
	history, err := r.Account.History(r.Context(), assess.HistoryPage{Vehicle: reference, Limit: wire.DefaultLimit})
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.VehicleView{Frame: s.frame(r, title(v), "vehicles"), Vehicle: v}
	if v.Newest != nil {
		on, err := s.basis(r, v)
		if err != nil {
			return wire.Reply{}, err
		}
		if view.Assessed, err = s.assessed(r, v, history, r.Query.Get("gate"), from, on); err != nil {
			return wire.Reply{}, err
		}
		view.Gate = view.Assessed.Asked.Gate
		if err := s.pages.Lived(&view, history, on); err != nil {
			return wire.Reply{}, err
		}
	}
	for _, h := range history {
		row := pages.HistoryRow{Assessment: h}
		if row.At, row.Coverage, err = h.At(view.Gate); err != nil {
			return wire.Reply{}, err
		}
		view.History = append(view.History, row)
	}
	reports, err := r.Account.Reports(r.Context(), assess.ReportPage{Vehicle: reference, Limit: wire.DefaultLimit + 1})
	if err != nil {
		return wire.Reply{}, err
	}
	view.More = len(reports) > wire.DefaultLimit
	if view.Reports, err = rowsOf(reports[:min(len(reports), wire.DefaultLimit)]); err != nil {
		return wire.Reply{}, err
	}
	if view.Plans, err = r.Account.Plans(r.Context(), assess.PlanPage{Vehicle: reference, Limit: plansShown}); err != nil {
		return wire.Reply{}, err
	}
	return s.page("vehicle", view)
}

// rowsOf reads what reports say besides their findings.
func rowsOf(reports []assess.Report) ([]pages.ReportRow, error) {
	rows := make([]pages.ReportRow, len(reports))
	for i, one := range reports {
		said, err := one.Said()
		if err != nil {
			return nil, fmt.Errorf("read report %s: %w", one.ID, err)
		}
		rows[i] = pages.ReportRow{Report: one, Said: said}
	}
	return rows, nil
}

// plansShown is how many plans the page of a vehicle leads to.
const plansShown = 10

func title(v assess.Vehicle) string {
	if v.Description != "" {
		return v.Description
	}
	return v.Reference
}

// basis is what the view of a vehicle's newest assessment is made of besides.
func (s *Site) basis(r *wire.Request, v assess.Vehicle) (pages.Basis, error) {
	set := s.service.Current()
	on := pages.Basis{Catalogue: set.Catalogue, Today: s.today(), Ways: func(c score.Clearing) []string { return provedBy(set, c) }}
	// Reports that cannot be read any more leave open what the vehicle is.
	var unreadable *assess.UnscorableError
	var err error
	if on.Dossier, err = r.Account.Dossier(r.Context(), *v.Newest); err != nil && !errors.As(err, &unreadable) {
		return on, err
	}
	return on, nil
}

// today is the day that it is in UTC.
func (s *Site) today() calendar.Day { return calendar.DayOf(s.service.Now().UTC().Date()) }

// provedBy has the methods by which all that clears a blocker may be known, of those that are believed.
func provedBy(set *ruleset.Set, c score.Clearing) (methods []string) {
	it := set.Catalogue.Item(c.Item)
	if it == nil {
		return nil
	}
	for _, m := range set.Catalogue.Methods {
		if m.Alarms < set.ProofCredence || m.Reassures < set.ProofCredence {
			continue
		}
		fits := true
		for _, found := range c.Found {
			f := it.Find(found.ID)
			if f == nil {
				continue
			}
			of := waysOf(f)
			if of == "" {
				of = string(f.Kind)
			}
			fits = fits && slices.Contains(knownBy[of].Clear, m.ID)
		}
		if fits {
			methods = append(methods, m.ID)
		}
	}
	return methods
}

// assessed is the view of the newest finished assessment of a vehicle.
func (s *Site) assessed(r *wire.Request, v assess.Vehicle, history []assess.Assessment, gate string, from int, on pages.Basis) (*pages.AssessedView, error) {
	newest, err := wire.Whole(r.Context(), r.Account, v.Newest.ID)
	if err != nil {
		return nil, err
	}
	if gate != "" && !slices.ContainsFunc(newest.Gates, func(g score.Gate) bool { return g.Gate == gate }) {
		return nil, &assess.NoSuchGateError{Gates: wire.GateNames(newest)}
	}
	for _, h := range history {
		// What was worked out under another rule set is no earlier point of this line.
		if h.State != assess.Done || h.ID == newest.ID || h.RuleSet != v.Newest.RuleSet || len(on.Earlier) == plotted {
			continue
		}
		one, err := wire.Whole(r.Context(), r.Account, h.ID)
		if err != nil {
			return nil, err
		}
		on.Earlier = append(on.Earlier, one)
	}
	slices.Reverse(on.Earlier)
	return s.pages.Assessed(newest, gate, from, on)
}

// vehicleOf is the vehicle that a page is of, and the reference that its address has.
func vehicleOf(r *wire.Request) (v assess.Vehicle, reference string, err error) {
	if reference, err = r.Name("reference"); err == nil {
		v, err = r.Account.Vehicle(r.Context(), reference)
	}
	return v, reference, err
}

// ReadyPage answers the one question before a gate, to be read from afar.
func (s *Site) ReadyPage(r *wire.Request) (wire.Reply, error) {
	v, reference, err := vehicleOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	answer, err := r.Account.Readiness(r.Context(), reference, r.Query.Get("gate"))
	if errors.Is(err, assess.ErrNotAssessedYet) {
		return wire.SeeOther("/vehicles/" + reference), nil
	}
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.ReadyView{Frame: s.frame(r, title(v), "vehicles"), Readiness: answer, Description: v.Description}
	for _, key := range []string{"hand_extinguisher", "hand_chocks", "hand_air", "hand_isolator", "hand_people"} {
		view.Hand = append(view.Hand, s.say(key))
	}
	newest, err := wire.Whole(r.Context(), r.Account, answer.Assessment)
	if err != nil {
		return wire.Reply{}, err
	}
	view.Gates, view.Coverage = wire.GateNames(newest), newest.Coverage
	view.Sentence, view.Days = wording.English().Verdict(newest, answer.Gate), pages.DaysSince(newest.AsOf, s.today())
	return s.page("ready", view)
}

// ChangesPage shows what has changed between two assessments.
func (s *Site) ChangesPage(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.ChangesView{Frame: s.frame(r, s.say("changes"), "vehicles"), Vehicle: reference}
	for name, into := range map[string]**score.Assessment{"from": &view.From, "to": &view.To} {
		id := r.Query.Get(name)
		if !wire.IsName(id) {
			return wire.Reply{}, wire.BadQuery.Says("from and to are ids of assessments")
		}
		if *into, err = wire.Whole(r.Context(), r.Account, id); err != nil {
			return wire.Reply{}, err
		}
		if !strings.EqualFold((*into).Vehicle, reference) {
			return wire.Reply{}, wire.NotFound.Says("assessment %s is of another vehicle", id)
		}
	}
	view.Changes = view.To.ChangesFrom(view.From)
	return s.page("changes", view)
}

// compared is how many vehicles are compared at once.
const compared = 20

// comparisons has the orders of a comparison by name; what is best for a buyer comes first, and what is not known last.
// Asked is the order in which they were named.
var comparisons = map[string]func(x, y pages.ComparedVehicle) int{
	"asked": func(pages.ComparedVehicle, pages.ComparedVehicle) int { return 0 },
	"chance": func(x, y pages.ComparedVehicle) int {
		return cmp.Compare(y.Assessed.Asked.ChanceThrough, x.Assessed.Asked.ChanceThrough)
	},
	"known": func(x, y pages.ComparedVehicle) int {
		return cmp.Compare(y.Assessed.Coverage.Share, x.Assessed.Coverage.Share)
	},
	"condition": func(x, y pages.ComparedVehicle) int {
		return cmp.Compare(y.Assessed.Condition.Expected, x.Assessed.Condition.Expected)
	},
}

var comparisonNames = []string{"asked", "chance", "known", "condition"}

// ComparePage shows vehicles side by side, all judged at one gate.
func (s *Site) ComparePage(r *wire.Request) (wire.Reply, error) {
	view := pages.CompareView{Frame: s.frame(r, s.say("nav_compare"), "compare"), Asked: r.Query["vehicle"], Orders: comparisonNames, By: cmp.Or(r.Query.Get("sort"), comparisonNames[0])}
	order := comparisons[view.By]
	if order == nil {
		return wire.Reply{}, wire.BadQuery.Says("sort is one of %s", strings.Join(comparisonNames, ", "))
	}
	if len(view.Asked) > compared {
		return wire.Reply{}, wire.BadQuery.Says("at most %d vehicles are compared at once", compared)
	}
	var err error
	if view.Gate, err = r.Account.JudgedAt(r.Context(), r.Query.Get("gate")); err != nil {
		return wire.Reply{}, err
	}
	if view.Choices, err = r.Account.Gates(r.Context()); err != nil {
		return wire.Reply{}, err
	}
	for _, reference := range view.Asked {
		if !wire.IsName(reference) {
			view.Missing = append(view.Missing, wire.Clip(reference))
			continue
		}
		v, err := r.Account.Vehicle(r.Context(), reference)
		if errors.Is(err, assess.ErrNotFound) {
			view.Missing = append(view.Missing, reference)
			continue
		}
		if err != nil {
			return wire.Reply{}, err
		}
		c := pages.ComparedVehicle{Vehicle: v}
		if v.Newest != nil {
			if err := s.compare(r, &c, view.Gate); err != nil {
				return wire.Reply{}, err
			}
			for _, g := range wire.GateNames(c.Assessed.Assessment) {
				if !slices.Contains(view.Gates, g) {
					view.Gates = append(view.Gates, g)
				}
			}
		}
		view.Vehicles = append(view.Vehicles, c)
	}
	slices.SortStableFunc(view.Vehicles, func(x, y pages.ComparedVehicle) int {
		if x.Assessed == nil || y.Assessed == nil {
			return cmp.Compare(unassessed(x), unassessed(y))
		}
		return order(x, y)
	})
	return s.page("compare", view)
}

func unassessed(c pages.ComparedVehicle) int {
	if c.Assessed == nil {
		return 1
	}
	return 0
}

// compare fills in what is known of a vehicle at a gate, or where its rule set has no such gate, at its own.
func (s *Site) compare(r *wire.Request, c *pages.ComparedVehicle, gate string) (err error) {
	on := pages.Basis{Catalogue: s.service.Current().Catalogue, Today: s.today()}
	c.Assessed, err = s.assessed(r, c.Vehicle, nil, gate, 1, on)
	if errors.As(err, new(*assess.NoSuchGateError)) {
		gate = ""
		c.Assessed, err = s.assessed(r, c.Vehicle, nil, "", 1, on)
	}
	if err != nil {
		return err
	}
	// Without an appraisal the rest still compares.
	if c.Appraisal, err = wire.Appraise(r, c.Vehicle.Reference, gate); err != nil && !errors.As(err, new(*wire.Problem)) {
		return err
	}
	if c.Appraisal != nil {
		c.Sentence = c.Appraisal.InOneSentence(wording.English())
	}
	return nil
}

// innerPath says where to go after signing in: a path of this service, and nowhere else.
func innerPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.Contains(next, `\`) {
		return "/vehicles"
	}
	return u.RequestURI()
}

// SignInPage asks for an API key.
func (s *Site) SignInPage(r *wire.Request) (wire.Reply, error) {
	return s.page("sign-in", pages.SignInView{Frame: s.frame(r, s.say("sign_in"), ""), Next: innerPath(r.Query.Get("next"))})
}

// SignIn exchanges an API key for a session.
func (s *Site) SignIn(r *wire.Request) (wire.Reply, error) {
	form, err := s.form(r)
	if err != nil {
		return wire.Reply{}, err
	}
	next := innerPath(form.Get("next"))
	key, err := s.keys.Authenticate(r.Context(), strings.TrimSpace(form.Get("key")))
	if errors.Is(err, access.ErrUnknownKey) {
		out, err := s.page("sign-in", pages.SignInView{Frame: s.frame(r, s.say("sign_in"), ""), Next: next, Failed: true})
		out.Status = http.StatusUnauthorized
		return out, err
	}
	if err == nil {
		err = s.pace(http.Header{}, key)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	session, err := s.keys.SignIn(r.Context(), key)
	if err != nil {
		return wire.Reply{}, err
	}
	out := wire.SeeOther(next)
	out.Header["Set-Cookie"] = s.cookie(r.Request, session, int(access.SessionTime.Seconds())).String()
	return out, nil
}

// SignOut ends a session.
func (s *Site) SignOut(r *wire.Request) (wire.Reply, error) {
	if err := wire.OwnSite(r.Request); err != nil {
		return wire.Reply{}, err
	}
	if c, err := r.Cookie(SessionCookie); err == nil {
		if err := s.keys.SignOut(r.Context(), c.Value); err != nil {
			return wire.Reply{}, err
		}
	}
	out := wire.SeeOther("/sign-in")
	out.Header["Set-Cookie"] = s.cookie(r.Request, "", -1).String()
	return out, nil
}

func (s *Site) cookie(r *http.Request, value string, maxAge int) *http.Cookie {
	return &http.Cookie{
		Name: SessionCookie, Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		// On loopback there is no TLS, and nobody to listen.
		Secure: !s.open && wire.OnThisMachine(r) != nil,
	}
}

// ProblemPage says to a person what went wrong.
func (s *Site) ProblemPage(p *wire.Problem, instance string) (wire.Raw, error) {
	row := p.Kind.Row()
	detail := p.Body(instance).Detail
	if p.Kind == wire.Internal || p.Kind == wire.Unavailable {
		detail += " (" + strconv.Itoa(row.Status) + ")"
	}
	return s.pages.Render("problem", pages.ProblemView{Frame: pages.Frame{Title: row.Title}, Heading: row.Title, Detail: detail, Instance: instance})
}
