package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
	"laidup/internal/score"
)

// unscored is an assessment of which there is no more than its state.
type unscored struct {
	Schema     string          `json:"schema"`
	ID         string          `json:"id"`
	State      assess.State    `json:"state"`
	Vehicle    string          `json:"vehicle"`
	Report     string          `json:"report"`
	Gate       string          `json:"gate"`
	RuleSet    score.RuleSet   `json:"rule_set"`
	CreatedAt  time.Time       `json:"created_at"`
	FinishedAt *time.Time      `json:"finished_at,omitempty"`
	Problem    json.RawMessage `json:"problem,omitempty"` // of a failed one
	Links      links           `json:"links"`
}

func (a *API) getAssessment(r *request) (reply, error) {
	stored, err := a.stored(r)
	if err != nil {
		return reply{}, err
	}
	return assessmentReply(stored), nil
}

// stored loads the assessment that the path names.
func (a *API) stored(r *request) (assess.Assessment, error) {
	id, err := r.name("id")
	if err != nil {
		return assess.Assessment{}, err
	}
	return r.account.Assessment(r.Context(), id)
}

// assessmentReply shows an assessment: what was stored, byte for byte, once it is done.
func assessmentReply(s assess.Assessment) reply {
	if s.State == assess.Done {
		return reply{body: raw(s.Outcome.Body)}
	}
	view := unscored{
		Schema: score.SchemaName, ID: s.ID, State: s.State, Vehicle: s.Vehicle, Report: s.ReportID, Gate: s.Gate,
		RuleSet: score.RuleSet(s.RuleSet), CreatedAt: s.CreatedAt, Links: linksOf(s.ID, s.Vehicle),
	}
	out := reply{}
	if s.State == assess.Failed {
		view.FinishedAt, view.Problem = &s.FinishedAt, s.Problem
	} else {
		out.header = map[string]string{"Retry-After": pollAfter}
	}
	out.body = view
	return out
}

// finished loads the assessment that the path names, and reads it.
func (a *API) finished(r *request) (*score.Assessment, error) {
	whole, _, err := a.finishedOf(r)
	return whole, err
}

// finishedOf is finished for who needs to know as well how it is stored.
func (a *API) finishedOf(r *request) (*score.Assessment, assess.Assessment, error) {
	stored, err := a.stored(r)
	if err != nil {
		return nil, stored, err
	}
	switch stored.State {
	case assess.Done:
	case assess.Failed:
		var why assess.UnscorableError
		if err := json.Unmarshal(stored.Problem, &why); err != nil {
			return nil, stored, fmt.Errorf("read problem of assessment %s: %w", stored.ID, err)
		}
		return nil, stored, assessmentFailed.says("%s", why.Detail)
	default:
		return nil, stored, notFinished.says("it is %s: ask again shortly", stored.State)
	}
	var whole score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &whole); err != nil {
		return nil, stored, fmt.Errorf("read assessment %s: %w", stored.ID, err)
	}
	return &whole, stored, nil
}

// register is the risk register, with what it belongs to.
type register struct {
	Assessment string        `json:"assessment"`
	Vehicle    string        `json:"vehicle"`
	AsOf       string        `json:"as_of"`
	RuleSet    score.RuleSet `json:"rule_set"`
	Register   []score.Entry `json:"register"`
}

func (a *API) getRegister(r *request) (reply, error) {
	whole, err := a.finished(r)
	if err != nil {
		return reply{}, err
	}
	if r.media == mediaCSV {
		return csvReply("register-"+whole.ID, table(registerColumns, whole.Register)), nil
	}
	return reply{body: register{whole.ID, whole.Vehicle, whole.AsOf, whole.RuleSet, nonNil(whole.Register)}}, nil
}

// blockers is what blocks one gate, with what it belongs to.
type blockers struct {
	Assessment string          `json:"assessment"`
	Vehicle    string          `json:"vehicle"`
	Gate       string          `json:"gate"`
	State      string          `json:"state"`
	AsOf       string          `json:"as_of"`
	RuleSet    score.RuleSet   `json:"rule_set"`
	Blockers   []score.Blocker `json:"blockers"`
}

func (a *API) getBlockers(r *request) (reply, error) {
	whole, err := a.finished(r)
	if err != nil {
		return reply{}, err
	}
	gate := r.query.Get("gate")
	if gate == "" {
		gate = whole.Verdict.Gate
	}
	at := slices.IndexFunc(whole.Gates, func(g score.Gate) bool { return g.Gate == gate })
	if at < 0 {
		// An older rule set may have had other gates than the current one.
		var names []string
		for _, g := range whole.Gates {
			names = append(names, g.Gate)
		}
		return reply{}, noSuchGate.says("the gates of this assessment are %s", strings.Join(names, ", "))
	}
	list := whole.BlockersBy(gate)
	if r.media == mediaCSV {
		return csvReply("blockers-"+gate+"-"+whole.ID, table(blockerColumns, list)), nil
	}
	return reply{body: blockers{whole.ID, whole.Vehicle, gate, whole.Gates[at].State, whole.AsOf, whole.RuleSet, nonNil(list)}}, nil
}

func csvReply(name string, body raw) reply {
	return reply{header: map[string]string{"Content-Disposition": `attachment; filename="` + name + `.csv"`}, body: body}
}

func (a *API) retryAssessment(r *request) (reply, error) {
	id, err := r.name("id")
	if err != nil {
		return reply{}, err
	}
	if err := r.account.Retry(r.Context(), id); err != nil {
		return reply{}, err
	}
	stored, err := r.account.Assessment(r.Context(), id)
	if err != nil {
		return reply{}, err
	}
	out := assessmentReply(stored)
	out.status = http.StatusAccepted
	return out, nil
}
