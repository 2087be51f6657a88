package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"laidup/api/pages"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// sessionCookie has who has signed in on a page. Over HTTPS it is sent nowhere else.
const sessionCookie = "laidup_session"

// frame is what a page has around it.
func (a *API) frame(r *request, title, here string) pages.Frame {
	return pages.Frame{Title: title, Organisation: r.key.Organisation, SignedIn: r.key.ID != "", Here: here}
}

// page renders a page.
func (a *API) page(name string, view any) (reply, error) {
	body, err := a.pages.Render(name, view)
	if err != nil {
		return reply{}, err
	}
	return reply{body: raw(body)}, nil
}

// say is a text of the pages; that it is there is tested.
func (a *API) say(key string, args ...any) string {
	s, err := a.pages.Say(key, args...)
	if err != nil {
		return key
	}
	return s
}

// seeOther sends a browser on.
func seeOther(to string) reply {
	return reply{status: http.StatusSeeOther, header: map[string]string{"Location": to}, body: raw(nil)}
}

func (a *API) firstPage(*request) (reply, error) { return seeOther("/vehicles"), nil }

func (a *API) getAsset(r *request) (reply, error) {
	asset, ok := a.pages.Asset(r.param("name"))
	if !ok {
		return reply{}, notFound.says("there is no such file")
	}
	return reply{body: raw(asset.Body), media: asset.Media}, nil
}

// orders has the words for orders of vehicles in queries.
var orders = map[string]string{"newest": assess.ByNewest, "reference": assess.ByReference, "blockers": assess.ByBlockers}

var orderNames = []string{"newest", "reference", "blockers"}

// maxSearch is how many letters may be searched for.
const maxSearch = 100

// vehiclePage reads which vehicles are asked for.
func (r *request) vehiclePage() (p assess.VehiclePage, limit int, err error) {
	name := r.query.Get("sort")
	by, ok := orders[name]
	if !ok && name != "" {
		return p, 0, badQuery.says("sort is one of %s", strings.Join(orderNames, ", "))
	}
	verdict := r.query.Get("verdict")
	if verdict != "" && !slices.Contains(verdicts, verdict) {
		return p, 0, badQuery.says("verdict is one of %s", strings.Join(verdicts, ", "))
	}
	search := r.query.Get("search")
	if len(search) > maxSearch || strings.ContainsRune(search, 0) {
		return p, 0, badQuery.says("search has at most %d letters", maxSearch)
	}
	limit, after, err := r.page(vehicleCursor)
	p = assess.VehiclePage{
		Search: search, Verdict: verdict, By: by, Limit: limit + 1,
		AfterReference: after.name, AfterTime: after.at, AfterBlockers: int(after.at.UnixMilli()),
	}
	if by == assess.ByBlockers {
		p.AfterTime = time.Time{}
	}
	return p, limit, err
}

var verdicts = []string{score.Clear, score.Unproven, score.Blocked}

// vehicleAt is the cursor of a vehicle in an order.
func vehicleAt(by string) func(assess.Vehicle) cursor {
	return func(v assess.Vehicle) cursor {
		if by != assess.ByBlockers {
			return cursor{v.UpdatedAt, v.Reference}
		}
		n := 0
		if v.Newest != nil {
			n = v.Newest.Outcome.Blockers
		}
		return cursor{time.UnixMilli(int64(n)), v.Reference}
	}
}

func (a *API) vehiclesPage(r *request) (reply, error) {
	p, limit, err := r.vehiclePage()
	if err != nil {
		return reply{}, err
	}
	list, err := r.account.Vehicles(r.Context(), p)
	if err != nil {
		return reply{}, err
	}
	page, next, _ := turn(r, list, limit, vehicleCursor, vehicleAt(p.By))
	view := pages.VehiclesView{
		Frame: a.frame(r, a.say("vehicles"), "vehicles"), Search: p.Search, Verdict: p.Verdict,
		By: r.query.Get("sort"), Verdicts: verdicts, Orders: orderNames,
	}
	for _, v := range page {
		view.Vehicles = append(view.Vehicles, pages.RowOf(v))
	}
	if next != "" {
		q := url.Values{"cursor": {next}}
		for _, name := range []string{"search", "verdict", "sort", "limit"} {
			if v := r.query.Get(name); v != "" {
				q.Set(name, v)
			}
		}
		view.Next = "/vehicles?" + q.Encode()
	}
	return a.page("vehicles", view)
}

// plotted is how many assessments of a vehicle's history go into the plot of chances.
const plotted = 8

func (a *API) vehiclePageOf(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	from := 1
	if s := r.query.Get("from"); s != "" {
		var ok bool
		if from, ok = digits(s); !ok || from < 1 {
			return reply{}, badQuery.says("from is the rank of an entry of the register")
		}
	}
	v, err := r.account.Vehicle(r.Context(), reference)
	if err != nil {
		return reply{}, err
	}
	history, err := r.account.History(r.Context(), assess.HistoryPage{Vehicle: reference, Limit: defaultLimit})
	if err != nil {
		return reply{}, err
	}
	view := pages.VehicleView{Frame: a.frame(r, title(v), "vehicles"), Vehicle: v, History: history}
	if v.Newest != nil {
		if view.Assessed, err = a.assessed(r, v, history, r.query.Get("gate"), from); err != nil {
			return reply{}, err
		}
	}
	return a.page("vehicle", view)
}

func title(v assess.Vehicle) string {
	if v.Description != "" {
		return v.Description
	}
	return v.Reference
}

// assessed is the view of the newest finished assessment of a vehicle.
func (a *API) assessed(r *request, v assess.Vehicle, history []assess.Assessment, gate string, from int) (*pages.AssessedView, error) {
	newest, err := a.whole(r.Context(), r.account, v.Newest.ID)
	if err != nil {
		return nil, err
	}
	if gate != "" && !slices.ContainsFunc(newest.Gates, func(g score.Gate) bool { return g.Gate == gate }) {
		return nil, &assess.NoSuchGateError{Gates: gateNames(newest)}
	}
	var earlier []*score.Assessment
	for _, h := range history {
		// What was worked out under another rule set is no earlier point of this line.
		if h.State != assess.Done || h.ID == newest.ID || h.RuleSet != v.Newest.RuleSet || len(earlier) == plotted {
			continue
		}
		one, err := a.whole(r.Context(), r.account, h.ID)
		if err != nil {
			return nil, err
		}
		earlier = append(earlier, one)
	}
	slices.Reverse(earlier)
	return a.pages.Assessed(newest, a.service.Current().Catalogue, gate, from, earlier)
}

// whole loads a finished assessment and reads it.
func (a *API) whole(ctx context.Context, account assess.Account, id string) (*score.Assessment, error) {
	stored, err := account.Assessment(ctx, id)
	if err != nil {
		return nil, err
	}
	if stored.State != assess.Done {
		return nil, notFinished.says("assessment %s is %s", id, stored.State)
	}
	var one score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &one); err != nil {
		return nil, fmt.Errorf("read assessment %s: %w", id, err)
	}
	return &one, nil
}

func gateNames(a *score.Assessment) []string {
	var names []string
	for _, g := range a.Gates {
		names = append(names, g.Gate)
	}
	return names
}

func (a *API) readyPage(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	v, err := r.account.Vehicle(r.Context(), reference)
	if err != nil {
		return reply{}, err
	}
	answer, err := r.account.Readiness(r.Context(), reference, r.query.Get("gate"))
	if errors.Is(err, assess.ErrNotAssessedYet) {
		return seeOther("/vehicles/" + reference), nil
	}
	if err != nil {
		return reply{}, err
	}
	view := pages.ReadyView{Frame: a.frame(r, title(v), "vehicles"), Readiness: answer, Description: v.Description}
	for _, key := range []string{"hand_extinguisher", "hand_chocks", "hand_air", "hand_isolator", "hand_people"} {
		view.Hand = append(view.Hand, a.say(key))
	}
	newest, err := a.whole(r.Context(), r.account, answer.Assessment)
	if err != nil {
		return reply{}, err
	}
	view.Gates = gateNames(newest)
	return a.page("ready", view)
}

func (a *API) changesPage(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	view := pages.ChangesView{Frame: a.frame(r, a.say("changes"), "vehicles"), Vehicle: reference}
	for name, into := range map[string]**score.Assessment{"from": &view.From, "to": &view.To} {
		id := r.query.Get(name)
		if !isName(id) {
			return reply{}, badQuery.says("from and to are ids of assessments")
		}
		if *into, err = a.whole(r.Context(), r.account, id); err != nil {
			return reply{}, err
		}
		if (*into).Vehicle != reference {
			return reply{}, notFound.says("assessment %s is of another vehicle", id)
		}
	}
	view.Changes = view.To.ChangesFrom(view.From)
	return a.page("changes", view)
}

// compared is how many vehicles are compared at once.
const compared = 4

func (a *API) comparePage(r *request) (reply, error) {
	view := pages.CompareView{Frame: a.frame(r, a.say("nav_compare"), "compare"), Asked: r.query["vehicle"]}
	if len(view.Asked) > compared {
		return reply{}, badQuery.says("at most %d vehicles are compared at once", compared)
	}
	for _, reference := range view.Asked {
		if !isName(reference) {
			view.Missing = append(view.Missing, clip(reference))
			continue
		}
		v, err := r.account.Vehicle(r.Context(), reference)
		if errors.Is(err, assess.ErrNotFound) {
			view.Missing = append(view.Missing, reference)
			continue
		}
		if err != nil {
			return reply{}, err
		}
		c := pages.ComparedVehicle{Vehicle: v}
		if v.Newest != nil {
			if c.Assessed, err = a.assessed(r, v, nil, "", 1); err != nil {
				return reply{}, err
			}
			// Without an appraisal the rest still compares.
			if c.Appraisal, err = appraise(r, reference, ""); err != nil && !errors.As(err, new(*problem)) {
				return reply{}, err
			}
			for _, g := range gateNames(c.Assessed.Assessment) {
				if !slices.Contains(view.Gates, g) {
					view.Gates = append(view.Gates, g)
				}
			}
		}
		view.Vehicles = append(view.Vehicles, c)
	}
	return a.page("compare", view)
}

// innerPath says where to go after signing in: a path of this service, and nowhere else.
func innerPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.Contains(next, `\`) {
		return "/vehicles"
	}
	return u.RequestURI()
}

func (a *API) signInPage(r *request) (reply, error) {
	return a.page("sign-in", pages.SignInView{Frame: a.frame(r, a.say("sign_in"), ""), Next: innerPath(r.query.Get("next"))})
}

func (a *API) signIn(r *request) (reply, error) {
	if err := ownSite(r.Request); err != nil { // or it would sign somebody in as somebody else
		return reply{}, err
	}
	if !says(r.Header, mediaForm) {
		return reply{}, notJSON.says("this is for the form of the page")
	}
	var form url.Values
	if err := a.read(r, "a form", 16<<10, func(body []byte) (err error) {
		if form, err = url.ParseQuery(string(body)); err != nil {
			return badQuery.says("the form cannot be read")
		}
		return nil
	}); err != nil {
		return reply{}, err
	}
	next := innerPath(form.Get("next"))
	session, _, err := a.keys.SignIn(r.Context(), strings.TrimSpace(form.Get("key")))
	if errors.Is(err, access.ErrUnknownKey) {
		out, err := a.page("sign-in", pages.SignInView{Frame: a.frame(r, a.say("sign_in"), ""), Next: next, Failed: true})
		out.status = http.StatusUnauthorized
		return out, err
	}
	if err != nil {
		return reply{}, err
	}
	out := seeOther(next)
	out.header["Set-Cookie"] = a.cookie(r.Request, session, int(access.SessionTime.Seconds())).String()
	return out, nil
}

func (a *API) signOut(r *request) (reply, error) {
	if err := ownSite(r.Request); err != nil {
		return reply{}, err
	}
	if c, err := r.Cookie(sessionCookie); err == nil {
		if err := a.keys.SignOut(r.Context(), c.Value); err != nil {
			return reply{}, err
		}
	}
	out := seeOther("/sign-in")
	out.header["Set-Cookie"] = a.cookie(r.Request, "", -1).String()
	return out, nil
}

func (a *API) cookie(r *http.Request, value string, maxAge int) *http.Cookie {
	return &http.Cookie{
		Name: sessionCookie, Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true, SameSite: http.SameSiteStrictMode,
		// On loopback there is no TLS, and nobody to listen.
		Secure: !a.open && onThisMachine(r) != nil,
	}
}

// problemPage says to a person what went wrong.
func (a *API) problemPage(p *problem, instance string) (raw, error) {
	row := p.kind.row()
	detail := p.body(instance).Detail
	if p.kind == internal || p.kind == unavailable {
		detail += " (" + strconv.Itoa(row.status) + ")"
	}
	return a.pages.Render("problem", pages.ProblemView{Frame: pages.Frame{Title: row.title}, Heading: row.title, Detail: detail, Instance: instance})
}
