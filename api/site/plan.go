package site

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/plan"
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
	switch p.State {
	case assess.Done:
		if view.Plan, err = wire.PlanOf(p); err == nil {
			view, err = s.pages.Planned(view)
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

// form reads a form of a page of ours.
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
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	// Whether there is such a vehicle comes first.
	if _, err := r.Account.Vehicle(r.Context(), reference); err != nil {
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
	order, err := json.Marshal(plan.Form{Gate: form.Get("gate"), People: people})
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

// TickStep reports that a step was done as it stands in the plan, by the button of the page.
func (s *Site) TickStep(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	step, ok := wire.Digits(r.Param("step"))
	if !ok {
		return wire.Reply{}, wire.NotFound.Says("steps have numbers")
	}
	if _, err := r.Account.Plan(r.Context(), id); err != nil {
		return wire.Reply{}, err
	}
	if _, err := s.form(r); err != nil {
		return wire.Reply{}, err
	}
	// Whoever presses it twice on one day reports it once.
	key := fmt.Sprintf("step/%s/%d/%s", id, step, s.service.Today())
	_, err = r.Account.ReportStep(r.Context(), id, step, []byte(`{}`), key)
	if bad := new(assess.BadPlanOrderError); errors.As(err, &bad) {
		return wire.Reply{}, wire.BadQuery.Says("%s", bad.Faults[0].Detail)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.SeeOther(fmt.Sprintf("/plans/%s#step-%d", id, step)), nil
}
