package api

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"

	"laidup/api/wire"
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

func (a *API) getAssessment(r *wire.Request) (wire.Reply, error) {
	stored, err := wire.StoredOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	return assessmentReply(stored), nil
}

// assessmentReply shows an assessment: what was stored, byte for byte, once it is done.
func assessmentReply(s assess.Assessment) wire.Reply {
	if s.State == assess.Done {
		return wire.Reply{Body: wire.Raw(s.Outcome.Body)}
	}
	view := unscored{
		Schema: score.SchemaName, ID: s.ID, State: s.State, Vehicle: s.Vehicle, Report: s.ReportID, Gate: s.Gate,
		RuleSet: score.RuleSet(s.RuleSet), CreatedAt: s.CreatedAt, Links: linksOf(s.ID, s.Vehicle),
	}
	out := wire.Reply{}
	if s.State == assess.Failed {
		view.FinishedAt, view.Problem = &s.FinishedAt, s.Problem
	} else {
		out.Header = map[string]string{"Retry-After": pollAfter}
	}
	out.Body = view
	return out
}

// register is the risk register, with what it belongs to.
type register struct {
	Assessment string        `json:"assessment"`
	Vehicle    string        `json:"vehicle"`
	AsOf       string        `json:"as_of"`
	RuleSet    score.RuleSet `json:"rule_set"`
	Register   []score.Entry `json:"register"`
}

func (a *API) getRegister(r *wire.Request) (wire.Reply, error) {
	whole, err := wire.Finished(r)
	if err != nil {
		return wire.Reply{}, err
	}
	if r.Media == wire.MediaCSV {
		return wire.CSVReply("register-"+whole.ID, wire.Table(registerColumns, whole.Register)), nil
	}
	return wire.Reply{Body: register{whole.ID, whole.Vehicle, whole.AsOf, whole.RuleSet, wire.NonNil(whole.Register)}}, nil
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

func (a *API) getBlockers(r *wire.Request) (wire.Reply, error) {
	whole, err := wire.Finished(r)
	if err != nil {
		return wire.Reply{}, err
	}
	gate := r.Query.Get("gate")
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
		return wire.Reply{}, wire.NoSuchGate.Says("the gates of this assessment are %s", strings.Join(names, ", "))
	}
	list := whole.BlockersBy(gate)
	if r.Media == wire.MediaCSV {
		return wire.CSVReply("blockers-"+gate+"-"+whole.ID, wire.Table(blockerColumns, list)), nil
	}
	return wire.Reply{Body: blockers{whole.ID, whole.Vehicle, gate, whole.Gates[at].State, whole.AsOf, whole.RuleSet, wire.NonNil(list)}}, nil
}

func (a *API) retryAssessment(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.Retry(r.Context(), id); err != nil {
		return wire.Reply{}, err
	}
	stored, err := r.Account.Assessment(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	out := assessmentReply(stored)
	out.Status = http.StatusAccepted
	return out, nil
}
