package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/plan"
	"laidup/internal/score"
)

// maxPlanOrder is how many bytes an order of a plan, or the report of a step, may have.
const maxPlanOrder = 64 << 10

// storedPlan is a plan as clients see it. What stands under plan never changes; Current may.
type storedPlan struct {
	ID         string          `json:"id"`
	State      assess.State    `json:"state"`
	Vehicle    string          `json:"vehicle"`
	Gate       string          `json:"gate"`
	Current    bool            `json:"current"`
	Assessment string          `json:"assessment"`
	Report     string          `json:"report"`
	RuleSet    score.RuleSet   `json:"rule_set"`
	Order      json.RawMessage `json:"order"`
	CreatedAt  time.Time       `json:"created_at"`
	FinishedAt *time.Time      `json:"finished_at,omitempty"`
	Plan       json.RawMessage `json:"plan,omitempty"`    // of a done one
	Done       []stepDone      `json:"done,omitempty"`    // of a done one
	Problem    json.RawMessage `json:"problem,omitempty"` // of a failed one
	WhatIfOf   string          `json:"what_if_of,omitempty"`
	Links      planLinks       `json:"links"`
}

// stepDone is a step that is done, on which day, and who said so when. Report is empty where it finds nothing.
type stepDone struct {
	Step      int       `json:"step"`
	On        string    `json:"on"`
	Inspector string    `json:"inspector,omitempty"`
	Report    string    `json:"report,omitempty"`
	At        time.Time `json:"at"`
	By        string    `json:"by,omitempty"`
}

type planLinks struct {
	Plan       string `json:"plan"`
	Assessment string `json:"assessment"`
	Vehicle    string `json:"vehicle"`
	Page       string `json:"page"`
}

func planView(p assess.Plan) storedPlan {
	v := storedPlan{
		ID: p.ID, State: p.State, Vehicle: p.Vehicle, Gate: p.Gate, Current: p.Current, Assessment: p.AssessmentID, Report: p.ReportID,
		RuleSet: score.RuleSet(p.RuleSet), Order: p.Request, CreatedAt: p.CreatedAt, Plan: p.Body, Problem: p.Problem, WhatIfOf: p.WhatIfOf,
		Links: planLinks{"/v1/plans/" + p.ID, "/v1/assessments/" + p.AssessmentID, "/v1/vehicles/" + p.Vehicle, "/plans/" + p.ID},
	}
	for _, d := range p.Done {
		v.Done = append(v.Done, stepDone(d))
	}
	if !p.FinishedAt.IsZero() {
		v.FinishedAt = &p.FinishedAt
	}
	return v
}

func planReply(p assess.Plan) wire.Reply {
	out := wire.Reply{Body: planView(p)}
	if p.State != assess.Done && p.State != assess.Failed {
		out.Header = map[string]string{"Retry-After": pollAfter}
	}
	return out
}

func (a *API) postPlan(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	return a.orderPlan(r, func(body []byte, key string) (assess.Plan, error) {
		return r.Account.OrderPlan(r.Context(), reference, body, key)
	})
}

func (a *API) postWhatIf(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	return a.orderPlan(r, func(body []byte, key string) (assess.Plan, error) {
		return r.Account.WhatIf(r.Context(), id, body, key)
	})
}

// orderPlan takes an order, and waits for the plan where that is wanted.
func (a *API) orderPlan(r *wire.Request, order func(body []byte, key string) (assess.Plan, error)) (wire.Reply, error) {
	key, err := wire.IdempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return wire.Reply{}, err
	}
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.Reply{}, wire.NotJSON.Says("")
	}
	var p assess.Plan
	err = a.bodies.Read(r, "an order of a plan", maxPlanOrder, func(body []byte) (err error) {
		p, err = order(body, key)
		return err
	})
	if err != nil {
		return wire.Reply{}, err
	}
	at := "/v1/plans/" + p.ID
	if wait, ok := wire.PreferredWait(r.Header.Values("Prefer"), a.limits.Wait); ok && a.mayWait() {
		done, err := a.awaitPlan(r, p.ID, wait)
		a.waiting.Add(-1)
		if err != nil {
			// The order is safe: that is what has to be said.
			a.log.WarnContext(r.Context(), "plan not awaited", "plan", p.ID, "error", err)
		} else if done.State == assess.Done || done.State == assess.Failed {
			out := planReply(done)
			out.Header = map[string]string{"Location": at, "Content-Location": at, "Preference-Applied": fmt.Sprintf("wait=%d", int(wait.Seconds()))}
			return out, nil
		}
	}
	// A repeat gets the answer that the first got.
	p.State, p.Body, p.Problem, p.FinishedAt = assess.Queued, nil, nil, time.Time{}
	out := planReply(p)
	out.Status = http.StatusAccepted
	out.Header["Location"] = at
	return out, nil
}

// awaitPlan waits for a plan, but not once the server drains.
func (a *API) awaitPlan(r *wire.Request, id string, wait time.Duration) (assess.Plan, error) {
	waiting, cancel := a.untilDrained(r)
	defer cancel()
	p, err := r.Account.AwaitPlan(waiting, id, wait)
	if errors.Is(err, context.Canceled) && r.Context().Err() == nil {
		return r.Account.Plan(r.Context(), id)
	}
	return p, err
}

func (a *API) getPlan(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	p, err := r.Account.Plan(r.Context(), id)
	if err != nil || r.Media == wire.MediaJSON {
		return planReply(p), err
	}
	made, err := wire.PlanOf(p)
	if err != nil {
		return wire.Reply{}, err
	}
	if r.Media == wire.MediaCSV {
		return wire.CSVReply("plan-"+p.ID, wire.Table(stepColumns, made.Steps)), nil
	}
	return wire.Reply{
		Header: map[string]string{"Content-Disposition": `attachment; filename="plan-` + p.ID + `.ics"`},
		Body:   calendarOf(made, p.CreatedAt), Media: wire.MediaCalendar + "; charset=utf-8",
	}, nil
}

// plansBody is a page of the plans of a vehicle.
type plansBody struct {
	Plans []storedPlan `json:"plans"`
	Next  string       `json:"next,omitempty"`
}

func (a *API) listPlans(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header, err := wire.Listed(r, wire.PlanCursor, func(before wire.Cursor, limit int) ([]assess.Plan, error) {
		return r.Account.Plans(r.Context(), assess.PlanPage{Vehicle: reference, BeforeCreated: before.At, BeforeID: before.Name, Limit: limit})
	}, func(p assess.Plan) wire.Cursor { return wire.Cursor{At: p.CreatedAt, Name: p.ID} })
	if err != nil {
		return wire.Reply{}, err
	}
	body := plansBody{make([]storedPlan, len(page)), next}
	for i, p := range page {
		body.Plans[i] = planView(p)
	}
	return wire.Reply{Header: header, Body: body}, nil
}

func (a *API) retryPlan(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.RetryPlan(r.Context(), id); err != nil {
		return wire.Reply{}, err
	}
	p, err := r.Account.Plan(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	out := planReply(p)
	out.Status = http.StatusAccepted
	return out, nil
}

// whatIfs is a plan with those that are held beside it.
type whatIfs struct {
	Plan   besidePlan   `json:"plan"`
	WhatIf []besidePlan `json:"what_if"`
}

// besidePlan is a plan in few numbers. Change and Difference are against the plan that it is held beside.
type besidePlan struct {
	ID         string           `json:"id"`
	State      assess.State     `json:"state"`
	Change     json.RawMessage  `json:"change,omitempty"`
	Figures    *plan.Figures    `json:"figures,omitempty"`    // of a done one
	Difference *plan.Difference `json:"difference,omitempty"` // where both are done
	Problem    json.RawMessage  `json:"problem,omitempty"`    // of a failed one
	Links      planLinks        `json:"links"`
}

func (a *API) getWhatIfs(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	sides, err := r.Account.WhatIfs(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	body := whatIfs{WhatIf: []besidePlan{}}
	for i, s := range sides {
		one := besidePlan{ID: s.Stored.ID, State: s.Stored.State, Figures: s.Figures, Difference: s.Than, Problem: s.Stored.Problem, Links: planView(s.Stored).Links}
		if i == 0 {
			body.Plan = one
			continue
		}
		if one.Change, err = json.Marshal(s.Change); err != nil {
			return wire.Reply{}, fmt.Errorf("encode what is otherwise in plan %s: %w", one.ID, err)
		}
		body.WhatIf = append(body.WhatIf, one)
	}
	return wire.Reply{Body: body}, nil
}

// stepSaid is what was said of a step that finds nothing, or is not done after all.
type stepSaid struct {
	Plan      string `json:"plan"`
	Step      int    `json:"step"`
	Done      bool   `json:"done"`
	On        string `json:"on,omitempty"`
	Inspector string `json:"inspector,omitempty"`
}

// planStep reads the path of a step.
func planStep(r *wire.Request) (id string, step int, err error) {
	if id, err = r.Name("id"); err != nil {
		return "", 0, err
	}
	step, ok := wire.Digits(r.Param("step"))
	if !ok {
		return "", 0, wire.NotFound.Says("steps have numbers: GET /v1/plans/%s lists them", id)
	}
	return id, step, nil
}

func (a *API) postStepUndone(r *wire.Request) (wire.Reply, error) {
	id, step, err := planStep(r)
	if err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.TakeBackStep(r.Context(), id, step); err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: stepSaid{Plan: id, Step: step}}, nil
}

func (a *API) postStepDone(r *wire.Request) (wire.Reply, error) {
	id, step, err := planStep(r)
	if err != nil {
		return wire.Reply{}, err
	}
	key, err := wire.IdempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return wire.Reply{}, err
	}
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.Reply{}, wire.NotJSON.Says("")
	}
	var said assess.StepDone
	var found *assess.Accepted
	err = a.bodies.Read(r, "the report of a step", maxPlanOrder, func(body []byte) (err error) {
		said, found, err = r.Account.ReportStep(r.Context(), id, step, body, key)
		return err
	})
	if err != nil {
		return wire.Reply{}, err
	}
	if found == nil {
		return wire.Reply{Body: stepSaid{id, step, true, said.On, said.Inspector}}, nil
	}
	return receiptReply(*found), nil
}

// stepColumns are the columns of the table of steps. Minutes are of working time.
var stepColumns = []wire.Column[plan.Doing]{
	{Name: "step", Cell: func(s plan.Doing) string { return fmt.Sprint(s.Step) }},
	{Name: "day", Cell: func(s plan.Doing) string { return s.Day }},
	{Name: "act", Cell: func(s plan.Doing) string { return string(s.Act) }},
	{Name: "id", Cell: func(s plan.Doing) string { return s.ID }},
	{Name: "is", Cell: func(s plan.Doing) string { return s.Is }},
	{Name: "minutes_low", Cell: func(s plan.Doing) string { return fmt.Sprint(s.Minutes.Low) }},
	{Name: "minutes", Cell: func(s plan.Doing) string { return fmt.Sprint(s.Minutes.Likely) }},
	{Name: "minutes_high", Cell: func(s plan.Doing) string { return fmt.Sprint(s.Minutes.High) }},
	{Name: "people", Cell: func(s plan.Doing) string { return fmt.Sprint(s.People) }},
	{Name: "float", Cell: func(s plan.Doing) string { return fmt.Sprint(s.Float) }},
	{Name: "after", Cell: func(s plan.Doing) string { return wire.Lines(s.After, func(n int) string { return fmt.Sprint(n) }) }},
	{Name: "clears", Cell: func(s plan.Doing) string {
		return wire.Lines(s.Clears, func(c plan.Cleared) string { return strings.Join(append([]string{c.Item}, c.At...), " ") })
	}},
	{Name: "licence", Cell: func(s plan.Doing) string { return s.Licensed }},
	{Name: "bought_in", Cell: func(s plan.Doing) string { return fmt.Sprint(s.BoughtIn) }},
	{Name: "why", Cell: func(s plan.Doing) string { return s.Why }},
	{Name: "parts", Cell: func(s plan.Doing) string { return strings.Join(s.Parts, "; ") }},
	{Name: "readings", Cell: func(s plan.Doing) string { return strings.Join(s.Readings, "; ") }},
	{Name: "cautions", Cell: func(s plan.Doing) string { return strings.Join(s.Cautions, "; ") }},
}
