package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/report"
)

// receipt is the answer to a report. State is what it was when the report was accepted, so that a
// repeat under the same Idempotency-Key gets the same receipt.
type receipt struct {
	ID       string           `json:"id"`
	State    assess.State     `json:"state"`
	Report   string           `json:"report"`
	Vehicle  string           `json:"vehicle"`
	Cautions []report.Caution `json:"cautions"`
	Links    links            `json:"links"`
}

// links leads to what goes with an assessment.
type links struct {
	Assessment string `json:"assessment"`
	Register   string `json:"register"`
	Blockers   string `json:"blockers"`
	Vehicle    string `json:"vehicle"`
	Readiness  string `json:"readiness"`
}

// linksOf needs no escapes: ids and references are of unreserved characters.
func linksOf(id, vehicle string) links {
	assessment, cover := "/v1/assessments/"+id, "/v1/vehicles/"+vehicle
	return links{assessment, assessment + "/register", assessment + "/blockers", cover, cover + "/readiness"}
}

// maxWaiting is how many requests may wait for their assessments at once: each asks the store again and
// again. The others are answered 202, as if they had not asked to wait.
const maxWaiting = 100

// pollAfter is when to ask again for an assessment that is not finished, in seconds.
const pollAfter = "1"

func (a *API) postReport(r *wire.Request) (wire.Reply, error) {
	key, err := wire.IdempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return wire.Reply{}, err
	}
	var accepted assess.Accepted
	err = a.withBody(r, func(body []byte) (err error) {
		accepted, err = r.Account.Submit(r.Context(), assess.Order{Body: body, Gate: r.Query.Get("gate"), RuleSet: r.Query.Get("rule_set"), IdempotencyKey: key})
		return err
	})
	if err != nil {
		return wire.Reply{}, err
	}
	id := accepted.AssessmentID
	to := linksOf(id, accepted.Vehicle)
	if wait, ok := wire.PreferredWait(r.Header.Values("Prefer"), a.limits.Wait); ok && a.mayWait() {
		stored, err := a.await(r, id, wait)
		a.waiting.Add(-1)
		if err != nil {
			// The report is safe: that is what has to be said.
			a.log.WarnContext(r.Context(), "assessment not awaited", "assessment", id, "error", err)
		} else if out := assessmentReply(stored); stored.State == assess.Done || stored.State == assess.Failed {
			out.Header = map[string]string{
				"Location": to.Assessment, "Content-Location": to.Assessment,
				"Preference-Applied": fmt.Sprintf("wait=%d", int(wait.Seconds())),
			}
			return out, nil
		}
	}
	return receiptReply(accepted), nil
}

// receiptReply says that a report is stored and its assessment queued.
func receiptReply(accepted assess.Accepted) wire.Reply {
	to := linksOf(accepted.AssessmentID, accepted.Vehicle)
	return wire.Reply{
		Status: http.StatusAccepted,
		Header: map[string]string{"Location": to.Assessment, "Retry-After": pollAfter},
		Body:   receipt{accepted.AssessmentID, assess.Queued, accepted.ReportID, accepted.Vehicle, accepted.Cautions, to},
	}
}

// mayWait says whether there is room for one more to wait; who may takes it.
func (a *API) mayWait() bool {
	if a.waiting.Add(1) <= maxWaiting {
		return true
	}
	a.waiting.Add(-1)
	return false
}

// await waits for an assessment, but not once the server drains.
func (a *API) await(r *wire.Request, id string, wait time.Duration) (assess.Assessment, error) {
	waiting, cancel := a.untilDrained(r)
	defer cancel()
	stored, err := r.Account.Await(waiting, id, wait)
	if errors.Is(err, context.Canceled) && r.Context().Err() == nil {
		return r.Account.Assessment(r.Context(), id)
	}
	return stored, err
}

// untilDrained is the context of a request that waits: it ends as well once the server drains.
func (a *API) untilDrained(r *wire.Request) (context.Context, context.CancelFunc) {
	waiting, cancel := context.WithCancel(r.Context())
	go func() {
		select {
		case <-a.draining:
			cancel()
		case <-waiting.Done():
		}
	}()
	return waiting, cancel
}

// checked is the answer about a valid report that is not to be stored.
type checked struct {
	Valid bool `json:"valid"`
	assess.Checked
}

func (a *API) checkReport(r *wire.Request) (wire.Reply, error) {
	var found assess.Checked
	err := a.withBody(r, func(body []byte) (err error) {
		found, err = a.service.Check(body)
		return err
	})
	return wire.Reply{Body: checked{true, found}}, err
}

// withBody reads a report, which use must not keep: its memory is for the next request.
func (a *API) withBody(r *wire.Request, use func(body []byte) error) error {
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.NotJSON.Says("")
	}
	return a.bodies.Read(r, "a report", a.limits.Body, use)
}
