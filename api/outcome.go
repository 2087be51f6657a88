package api

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// maxOutcome is how many bytes an outcome may have.
const maxOutcome = 64 << 10

// outcomeView is an outcome as clients see it.
type outcomeView struct {
	ID         string         `json:"id"`
	Vehicle    string         `json:"vehicle"`
	ReceivedAt time.Time      `json:"received_at"`
	PostedBy   string         `json:"posted_by"`
	Outcome    jsontext.Value `json:"outcome"`              // as it was posted
	Counted    bool           `json:"counted"`              // the counts have it, or are without it once it is withdrawn
	Assessment string         `json:"assessment,omitempty"` // that it judges, once counted
	NotCounted string         `json:"not_counted,omitempty"`
	Withdrawn  *withdrawnView `json:"withdrawn"`
	Links      outcomeLinks   `json:"links"`
}

type outcomeLinks struct {
	Outcome    string `json:"outcome"`
	Vehicle    string `json:"vehicle"`
	Assessment string `json:"assessment,omitempty"`
}

func outcomeOf(r assess.RecordedOutcome) outcomeView {
	v := outcomeView{
		ID: r.ID, Vehicle: r.Vehicle, ReceivedAt: r.ReceivedAt, PostedBy: r.PostedBy, Outcome: jsontext.Value(r.Body), Counted: !r.Waiting,
		Assessment: r.AssessmentID, NotCounted: r.Problem, Links: outcomeLinks{Outcome: "/v1/outcomes/" + r.ID, Vehicle: "/v1/vehicles/" + r.Vehicle},
	}
	if r.AssessmentID != "" {
		v.Links.Assessment = "/v1/assessments/" + r.AssessmentID
	}
	if !r.WithdrawnAt.IsZero() {
		v.Withdrawn = &withdrawnView{r.WithdrawnAt, r.Because, r.ReplacedBy}
	}
	return v
}

func (a *API) postOutcome(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
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
	var recorded assess.RecordedOutcome
	err = a.bodies.Read(r, "an outcome", maxOutcome, func(body []byte) (err error) {
		recorded, _, err = r.Account.RecordOutcome(r.Context(), reference, assess.OutcomeOrder{Body: slices.Clone(body), IdempotencyKey: key})
		return err
	})
	if err != nil {
		return wire.Reply{}, err
	}
	// A repeat gets the answer that the first got.
	recorded.Waiting, recorded.AssessmentID, recorded.Problem, recorded.WithdrawnAt = true, "", "", time.Time{}
	v := outcomeOf(recorded)
	return wire.Reply{Status: http.StatusCreated, Header: map[string]string{"Location": v.Links.Outcome}, Body: v}, nil
}

func (a *API) getOutcome(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	recorded, err := r.Account.Outcome(r.Context(), id)
	return wire.Reply{Body: outcomeOf(recorded)}, err
}

// outcomesBody is a page of the outcomes of a vehicle.
type outcomesBody struct {
	Outcomes []outcomeView `json:"outcomes"`
	Next     string        `json:"next,omitempty"`
}

func (a *API) listOutcomes(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header, err := wire.Listed(r, wire.OutcomeCursor, func(before wire.Cursor, limit int) ([]assess.RecordedOutcome, error) {
		return r.Account.Outcomes(r.Context(), assess.OutcomePage{Vehicle: reference, BeforeReceived: before.At, BeforeID: before.Name, Limit: limit})
	}, func(o assess.RecordedOutcome) wire.Cursor { return wire.Cursor{At: o.ReceivedAt, Name: o.ID} })
	if err != nil {
		return wire.Reply{}, err
	}
	body := outcomesBody{make([]outcomeView, len(page)), next}
	for i, o := range page {
		body.Outcomes[i] = outcomeOf(o)
	}
	return wire.Reply{Header: header, Body: body}, nil
}

func (a *API) withdrawOutcome(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	if _, err := r.Account.Outcome(r.Context(), id); err != nil {
		return wire.Reply{}, err
	}
	reason, err := a.reason(r, "the outcome")
	if err != nil {
		return wire.Reply{}, err
	}
	done, err := r.Account.WithdrawOutcome(r.Context(), id, reason)
	return wire.Reply{Body: outcomeOf(done)}, err
}

// reason reads why something is withdrawn.
func (a *API) reason(r *wire.Request, what string) (string, error) {
	var form struct {
		Reason string `json:"reason"`
	}
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return "", wire.NotJSON.Says("")
	}
	err := a.bodies.Read(r, "a withdrawal", maxOrder, func(body []byte) error {
		if err := json.Unmarshal(body, &form, json.RejectUnknownMembers(true)); err != nil {
			return wire.BadWithdrawal.Says("a withdrawal is {\"reason\": \"…\"}%s", wire.PlaceOf(err))
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	reason := strings.TrimSpace(form.Reason)
	if reason == "" || len(reason) > maxReason || strings.ContainsRune(reason, 0) {
		return "", wire.BadWithdrawal.Says("reason says why %s is withdrawn, in 1 to %d bytes without NUL", what, maxReason)
	}
	return reason, nil
}

func (a *API) getScores(r *wire.Request) (wire.Reply, error) {
	by := assess.ByGate
	if r.Query.Has("by") {
		if by = assess.ScoresBy(r.Query.Get("by")); !slices.Contains(assess.ScoredBy, by) {
			words := make([]string, len(assess.ScoredBy))
			for i, w := range assess.ScoredBy {
				words[i] = string(w)
			}
			return wire.Reply{}, wire.BadQuery.Says("by is one of %s", strings.Join(words, ", "))
		}
	}
	scores, err := r.Account.Scores(r.Context(), by, r.Query.Get("rule_set"))
	return wire.Reply{Body: scores}, err
}

func (a *API) getCorrections(r *wire.Request) (wire.Reply, error) {
	corrections, err := r.Account.Corrections(r.Context(), r.Query.Get("rule_set"))
	return wire.Reply{Body: corrections}, err
}
