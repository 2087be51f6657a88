package api

import (
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// vehicle is a dossier's cover. Newest is null before an assessment is done; Waiting says that a
// newer one is under way.
type vehicle struct {
	Reference   string    `json:"reference"`
	Description string    `json:"description"`
	Reports     int       `json:"reports"`   // that stand
	Withdrawn   int       `json:"withdrawn"` // reports that were, or were replaced
	UpdatedAt   time.Time `json:"updated_at"`
	Waiting     bool      `json:"waiting"`
	Newest      *summary  `json:"newest"`
}

// summary is what lists show of an assessment. Gate is the one that its report asked about; the verdict
// is of the gate that the list is judged at, and missing where the assessment has none of that name.
type summary struct {
	ID         string          `json:"id"`
	State      assess.State    `json:"state"`
	Report     string          `json:"report"`
	Gate       string          `json:"gate"`
	AsOf       string          `json:"as_of,omitempty"`
	Verdict    *verdict        `json:"verdict,omitempty"`  // of a done one
	Coverage   *score.Coverage `json:"coverage,omitempty"` // of a done one
	RuleSet    score.RuleSet   `json:"rule_set"`
	CreatedAt  time.Time       `json:"created_at"`
	FinishedAt *time.Time      `json:"finished_at,omitempty"`
}

type verdict struct {
	Gate     string `json:"gate"`
	State    string `json:"state"`
	Blockers int    `json:"blockers"`
}

// coverOf is a vehicle with no word about its newest assessment.
func coverOf(v assess.Vehicle) vehicle {
	return vehicle{v.Reference, v.Description, v.Reports, v.Withdrawn, v.UpdatedAt, v.Waiting, nil}
}

// listedVehicle is a vehicle of a list, judged at the gate of the list.
func listedVehicle(v assess.Vehicle) vehicle {
	view := coverOf(v)
	if v.Newest != nil {
		newest := summaryOf(*v.Newest, v.At, v.Coverage)
		view.Newest = &newest
	}
	return view
}

// judged is the summary of an assessment that has its own summary, judged at a gate.
func judged(s assess.Assessment, gate string) (summary, error) {
	at, coverage, err := s.At(gate)
	return summaryOf(s, at, coverage), err
}

func summaryOf(s assess.Assessment, at *assess.GateState, coverage score.Coverage) summary {
	view := summary{
		ID: s.ID, State: s.State, Report: s.ReportID, Gate: s.Gate, AsOf: s.Outcome.AsOf,
		RuleSet: score.RuleSet(s.RuleSet), CreatedAt: s.CreatedAt,
	}
	if !s.FinishedAt.IsZero() {
		view.FinishedAt = &s.FinishedAt
	}
	if s.State != assess.Done {
		return view
	}
	view.Coverage = &coverage
	if at != nil {
		view.Verdict = &verdict{at.Gate, at.State, at.Blockers}
	}
	return view
}

// vehicles is a page of the list of vehicles, all judged at one gate. Next is the cursor of the next
// page; none after the last.
type vehicles struct {
	Gate     string    `json:"gate"`
	Vehicles []vehicle `json:"vehicles"`
	Next     string    `json:"next,omitempty"`
}

func (a *API) listVehicles(r *wire.Request) (wire.Reply, error) {
	p, limit, err := r.VehiclePage()
	if err != nil {
		return wire.Reply{}, err
	}
	list, err := r.Account.Vehicles(r.Context(), p)
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header := wire.Turn(r, list, limit, wire.VehicleCursor, wire.VehicleAt(p.By))
	body := vehicles{p.Gate, make([]vehicle, len(page)), next}
	for i, v := range page {
		body.Vehicles[i] = listedVehicle(v)
	}
	return wire.Reply{Header: header, Body: body}, nil
}

// dossier is a vehicle with a page of its assessments, newest first, all judged at one gate.
type dossier struct {
	vehicle
	Gate    string    `json:"gate"`
	History []summary `json:"history"`
	Next    string    `json:"next,omitempty"`
}

func (a *API) getVehicle(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	limit, before, err := r.Page(wire.AssessmentCursor)
	if err != nil {
		return wire.Reply{}, err
	}
	gate, err := r.Account.JudgedAt(r.Context(), r.Query.Get("gate"))
	if err != nil {
		return wire.Reply{}, err
	}
	cover, err := r.Account.Vehicle(r.Context(), reference)
	if err != nil {
		return wire.Reply{}, err
	}
	list, err := r.Account.History(r.Context(), assess.HistoryPage{Vehicle: reference, BeforeCreated: before.At, BeforeID: before.Name, Limit: limit + 1})
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header := wire.Turn(r, list, limit, wire.AssessmentCursor, func(s assess.Assessment) wire.Cursor { return wire.Cursor{At: s.CreatedAt, Name: s.ID} })
	body := dossier{coverOf(cover), gate, make([]summary, len(page)), next}
	for i, s := range page {
		if body.History[i], err = judged(s, gate); err != nil {
			return wire.Reply{}, err
		}
	}
	if cover.Newest != nil {
		newest, err := judged(*cover.Newest, gate)
		if err != nil {
			return wire.Reply{}, err
		}
		body.Newest = &newest
	}
	return wire.Reply{Header: header, Body: body}, nil
}

func (a *API) getReadiness(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	answer, err := r.Account.Readiness(r.Context(), reference, r.Query.Get("gate"))
	if err != nil {
		return wire.Reply{}, err
	}
	answer.Blockers, answer.Cautions = wire.NonNil(answer.Blockers), wire.NonNil(answer.Cautions)
	return wire.Reply{Body: answer}, nil
}
