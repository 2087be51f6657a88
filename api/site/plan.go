package site

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/plan"
	"laidup/internal/score"
)

// planAndVehicle loads the plan that the path names, and what its vehicle is called.
func planAndVehicle(r *wire.Request) (assess.Plan, string, error) {
	id, err := r.Name("id")
	if err != nil {
		return assess.Plan{}, "", err
	}
	p, err := r.Account.Plan(r.Context(), id)
	if err != nil {
		return p, "", err
	}
	v, err := r.Account.Vehicle(r.Context(), p.Vehicle)
	return p, title(v), err
}

// PlanPage shows a plan, or how far it has got.
func (s *Site) PlanPage(r *wire.Request) (wire.Reply, error) {
	p, vehicle, err := planAndVehicle(r)
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.PlanView{Frame: s.frame(r, s.say("plan_of", vehicle), "vehicles"), Stored: p, Vehicle: vehicle, Cards: "/plans/" + p.ID + "/cards"}
	view.StartSheet = "/v1/assessments/" + p.AssessmentID + "/sheet?sheet=start&gate=" + url.QueryEscape(p.Gate)
	switch p.State {
	case assess.Done:
		if view.Plan, err = wire.PlanOf(p); err == nil {
			view, err = s.planned(r, view)
		}
	case assess.Failed:
		var why assess.UnscorableError
		if err = json.Unmarshal(p.Problem, &why); err != nil {
			err = fmt.Errorf("read problem of plan %s: %w", p.ID, err)
		}
		view.Problem = why.Detail
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return s.page("plan", view)
}

// planned is the view of a plan that is made, and of those that are held beside it.
func (s *Site) planned(r *wire.Request, view pages.PlanView) (pages.PlanView, error) {
	view, err := s.pages.Planned(view)
	if err != nil {
		return view, err
	}
	sides, err := r.Account.WhatIfs(r.Context(), view.Stored.ID)
	if err != nil || len(sides) < 2 {
		return view, err
	}
	view.Beside, err = s.pages.Beside(view.Plan, view.Stored.ID, sides)
	return view, err
}

// JobCards prints the job cards of a plan, as a page or as PDF.
func (s *Site) JobCards(r *wire.Request) (wire.Reply, error) {
	p, vehicle, err := planAndVehicle(r)
	if err != nil {
		return wire.Reply{}, err
	}
	made, err := wire.PlanOf(p)
	if err != nil {
		return wire.Reply{}, err
	}
	sheet, err := s.pages.JobCards(made, vehicle)
	if err != nil {
		return wire.Reply{}, err
	}
	at := "/plans/" + p.ID + "/cards"
	out, other, ending := wire.Reply{}, `<`+at+`?format=pdf>; rel="alternate"; type="`+wire.MediaPDF+`"`, "html"
	if r.Media == wire.MediaPDF {
		other, ending = `<`+at+`?format=html>; rel="alternate"; type="`+wire.MediaHTML+`"`, "pdf"
		body, err := sheet.PDF()
		if err != nil {
			return wire.Reply{}, err
		}
		out.Body = wire.Raw(body)
	} else if out, err = s.page("sheet", pages.SheetView{Frame: s.frame(r, sheet.Title, "vehicles"), Sheet: sheet, PDF: at + "?format=pdf"}); err != nil {
		return wire.Reply{}, err
	}
	out.Header = map[string]string{"Link": other, "Content-Disposition": `inline; filename="cards-` + p.ID + `.` + ending + `"`}
	return out, nil
}

// form reads a form of a page of ours, and of no other: it would have somebody do what another wants.
func (s *Site) form(r *wire.Request) (form url.Values, err error) {
	if err := wire.OwnSite(r.Request); err != nil {
		return nil, err
	}
	if !wire.Announces(r.Header, wire.MediaForm) {
		return nil, wire.NotJSON.Says("this is for the form of the page")
	}
	err = s.bodies.Read(r, "a form", 16<<10, func(body []byte) error {
		if form, err = url.ParseQuery(string(body)); err != nil {
			return wire.BadQuery.Says("the form cannot be read")
		}
		return nil
	})
	return form, err
}

// planWaits is how long who orders a plan on a page waits for it.
const planWaits = 3 * time.Second

// OrderPlan orders a plan by the form of a vehicle's page.
func (s *Site) OrderPlan(r *wire.Request) (wire.Reply, error) {
	_, reference, err := vehicleOf(r) // before the form is read: a stranger is told nothing else of it than of what there is not
	if err != nil {
		return wire.Reply{}, err
	}
	form, err := s.form(r)
	if err != nil {
		return wire.Reply{}, err
	}
	people, ok := wire.Digits(form.Get("people"))
	if !ok || people < 1 {
		return wire.Reply{}, wire.BadQuery.Says("people is a whole number from 1 to %d", plan.MostPeople)
	}
	asked := plan.Form{Gate: form.Get("gate"), People: people}
	if form.Get("off") == "none" {
		asked.Off = []string{}
	}
	order, err := json.Marshal(asked)
	if err != nil {
		return wire.Reply{}, err
	}
	p, err := r.Account.OrderPlan(r.Context(), reference, order, "")
	if bad := new(assess.BadPlanOrderError); errors.As(err, &bad) {
		return wire.Reply{}, wire.BadQuery.Says("%s: %s", bad.Faults[0].Pointer, bad.Faults[0].Detail)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	// Most plans are made while the browser turns the page.
	if _, err := r.Account.AwaitPlan(r.Context(), p.ID, planWaits); err != nil {
		return wire.Reply{}, err
	}
	return wire.SeeOther("/plans/" + p.ID), nil
}

// stepOf reads the path of a step, and loads its plan.
func stepOf(r *wire.Request) (p assess.Plan, step int, err error) {
	id, err := r.Name("id")
	if err != nil {
		return p, 0, err
	}
	step, ok := wire.Digits(r.Param("step"))
	if !ok {
		return p, 0, wire.NotFound.Says("steps have numbers")
	}
	p, err = r.Account.Plan(r.Context(), id)
	return p, step, err
}

// planOf is the id of a plan that there is: a stranger is told nothing else of it than of one that there is not.
func planOf(r *wire.Request) (id string, err error) {
	if id, err = r.Name("id"); err == nil {
		_, err = r.Account.Plan(r.Context(), id)
	}
	return id, err
}

// TickStep says that a step was done as it stands in the plan, with what was read, by the button of the page.
func (s *Site) TickStep(r *wire.Request) (wire.Reply, error) {
	p, step, err := stepOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	form, err := s.form(r)
	if err != nil {
		return wire.Reply{}, err
	}
	back := wire.SeeOther(fmt.Sprintf("/plans/%s#step-%d", p.ID, step))
	if slices.ContainsFunc(p.Done, func(d assess.StepDone) bool { return d.Step == step }) {
		return back, nil // somebody else was quicker
	}
	made, err := wire.PlanOf(p)
	if err != nil {
		return wire.Reply{}, err
	}
	done := plan.DoneForm{Inspector: strings.TrimSpace(form.Get("inspector"))}
	if step > 0 && step <= len(made.Steps) {
		for i, m := range made.Steps[step-1].Measured() {
			if text := strings.TrimSpace(form.Get(fmt.Sprintf("reading-%d", i))); text != "" {
				done.Observations = append(done.Observations, plan.DoneObservation{Item: m.Item, At: m.At, Found: score.FindingsForm{{ID: m.Found[0].ID, Value: reading(text, m.Found[0].Value)}}})
			}
		}
	}
	body, err := json.Marshal(done)
	if err != nil {
		return wire.Reply{}, err
	}
	// Whoever presses it twice says it once; who has taken it back may say it again.
	said, err := r.Account.Said(r.Context(), p)
	if err != nil {
		return wire.Reply{}, err
	}
	_, _, err = r.Account.ReportStep(r.Context(), p.ID, step, body, fmt.Sprintf("step/%s/%d/%d", p.ID, step, said[step]))
	if bad := new(assess.BadStepReportError); errors.As(err, &bad) {
		return wire.Reply{}, wire.BadQuery.Says("%s", bad.Faults[0].Detail)
	}
	if bad := new(assess.InvalidError); errors.As(err, &bad) && len(bad.Faults) > 0 {
		return wire.Reply{}, wire.BadQuery.Says("%s", bad.Faults[0].Detail)
	}
	return back, err
}

// reading is what somebody wrote into a field as JSON: a number where such a value is one, else a text.
func reading(text string, like json.RawMessage) json.RawMessage {
	var n json.Number
	if json.Unmarshal(like, &n) == nil && !strings.HasPrefix(string(like), `"`) {
		if number := strings.Replace(text, ",", ".", 1); json.Unmarshal([]byte(number), &n) == nil {
			return json.RawMessage(number)
		}
	}
	data, err := json.Marshal(text)
	if err != nil {
		return nil
	}
	return data
}

// UndoStep says that a step is not done after all, by the button of the page.
func (s *Site) UndoStep(r *wire.Request) (wire.Reply, error) {
	p, step, err := stepOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	if _, err := s.form(r); err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.TakeBackStep(r.Context(), p.ID, step); err != nil {
		return wire.Reply{}, err
	}
	return wire.SeeOther(fmt.Sprintf("/plans/%s#step-%d", p.ID, step)), nil
}

// RetryPlan has a failed plan made again, by the button of the page.
func (s *Site) RetryPlan(r *wire.Request) (wire.Reply, error) {
	id, err := planOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	if _, err := s.form(r); err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.RetryPlan(r.Context(), id); err != nil {
		return wire.Reply{}, err
	}
	if _, err := r.Account.AwaitPlan(r.Context(), id, planWaits); err != nil {
		return wire.Reply{}, err
	}
	return wire.SeeOther("/plans/" + id), nil
}

// WhatIf orders a plan to be held beside one, by the form of its page.
func (s *Site) WhatIf(r *wire.Request) (wire.Reply, error) {
	id, err := planOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	form, err := s.form(r)
	if err != nil {
		return wire.Reply{}, err
	}
	change := plan.Form{Gate: form.Get("gate")}
	if job := form.Get("without"); job != "" {
		change.Without = []string{job}
	}
	if text := form.Get("people"); text != "" {
		var ok bool
		if change.People, ok = wire.Digits(text); !ok || change.People < 1 {
			return wire.Reply{}, wire.BadQuery.Says("people is a whole number from 1 to %d", plan.MostPeople)
		}
	}
	if part := form.Get("part"); part != "" {
		days, ok := wire.Digits(form.Get("days"))
		if !ok {
			return wire.Reply{}, wire.BadQuery.Says("days is a whole number")
		}
		change.Late = map[string]int{part: days}
	}
	body, err := json.Marshal(change)
	if err != nil {
		return wire.Reply{}, err
	}
	p, err := r.Account.WhatIf(r.Context(), id, body, "")
	if bad := new(assess.BadPlanOrderError); errors.As(err, &bad) {
		return wire.Reply{}, wire.BadQuery.Says("%s", bad.Faults[0].Detail)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	if _, err := r.Account.AwaitPlan(r.Context(), p.ID, planWaits); err != nil {
		return wire.Reply{}, err
	}
	return wire.SeeOther("/plans/" + id + "#what-if"), nil
}
