package api

import (
	"time"

	"laidup/internal/assess"
	"laidup/internal/score"
)

// vehicle is a dossier's cover. Newest is null before an assessment is done; Waiting says that a
// newer one is under way.
type vehicle struct {
	Reference   string    `json:"reference"`
	Description string    `json:"description"`
	Reports     int       `json:"reports"`
	UpdatedAt   time.Time `json:"updated_at"`
	Waiting     bool      `json:"waiting"`
	Newest      *summary  `json:"newest"`
}

// summary is what lists show of an assessment.
type summary struct {
	ID         string        `json:"id"`
	State      assess.State  `json:"state"`
	Report     string        `json:"report"`
	Gate       string        `json:"gate"`
	AsOf       string        `json:"as_of,omitempty"`
	Verdict    *verdict      `json:"verdict,omitempty"` // of a done one
	RuleSet    score.RuleSet `json:"rule_set"`
	CreatedAt  time.Time     `json:"created_at"`
	FinishedAt *time.Time    `json:"finished_at,omitempty"`
}

type verdict struct {
	Gate     string `json:"gate"`
	State    string `json:"state"`
	Blockers int    `json:"blockers"`
}

func vehicleOf(v assess.Vehicle) vehicle {
	view := vehicle{v.Reference, v.Description, v.Reports, v.UpdatedAt, v.Waiting, nil}
	if v.Newest != nil {
		newest := summaryOf(*v.Newest)
		view.Newest = &newest
	}
	return view
}

func summaryOf(s assess.Assessment) summary {
	view := summary{
		ID: s.ID, State: s.State, Report: s.ReportID, Gate: s.Gate, AsOf: s.Outcome.AsOf,
		RuleSet: score.RuleSet(s.RuleSet), CreatedAt: s.CreatedAt,
	}
	if !s.FinishedAt.IsZero() {
		view.FinishedAt = &s.FinishedAt
	}
	if s.State == assess.Done {
		view.Verdict = &verdict{s.Gate, s.Outcome.VerdictState, s.Outcome.Blockers}
	}
	return view
}

// vehicles is a page of the list of vehicles. Next is the cursor of the next page; none after the
// last.
type vehicles struct {
	Vehicles []vehicle `json:"vehicles"`
	Next     string    `json:"next,omitempty"`
}

func (a *API) listVehicles(r *request) (reply, error) {
	p, limit, err := r.vehiclePage()
	if err != nil {
		return reply{}, err
	}
	list, err := r.account.Vehicles(r.Context(), p)
	if err != nil {
		return reply{}, err
	}
	page, next, header := turn(r, list, limit, vehicleCursor, vehicleAt(p.By))
	body := vehicles{make([]vehicle, len(page)), next}
	for i, v := range page {
		body.Vehicles[i] = vehicleOf(v)
	}
	return reply{header: header, body: body}, nil
}

// dossier is a vehicle with a page of its assessments, newest first.
type dossier struct {
	vehicle
	History []summary `json:"history"`
	Next    string    `json:"next,omitempty"`
}

func (a *API) getVehicle(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	limit, before, err := r.page(assessmentCursor)
	if err != nil {
		return reply{}, err
	}
	cover, err := r.account.Vehicle(r.Context(), reference)
	if err != nil {
		return reply{}, err
	}
	list, err := r.account.History(r.Context(), assess.HistoryPage{Vehicle: reference, BeforeCreated: before.at, BeforeID: before.name, Limit: limit + 1})
	if err != nil {
		return reply{}, err
	}
	page, next, header := turn(r, list, limit, assessmentCursor, func(s assess.Assessment) cursor { return cursor{s.CreatedAt, s.ID} })
	body := dossier{vehicleOf(cover), make([]summary, len(page)), next}
	for i, s := range page {
		body.History[i] = summaryOf(s)
	}
	return reply{header: header, body: body}, nil
}

func (a *API) getReadiness(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	answer, err := r.account.Readiness(r.Context(), reference, r.query.Get("gate"))
	if err != nil {
		return reply{}, err
	}
	answer.Blockers, answer.Cautions = nonNil(answer.Blockers), nonNil(answer.Cautions)
	return reply{body: answer}, nil
}
