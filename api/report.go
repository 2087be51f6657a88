package api

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"time"

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

func (a *API) postReport(r *request) (reply, error) {
	key, err := idempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return reply{}, err
	}
	var accepted assess.Accepted
	err = a.withBody(r, func(body []byte) (err error) {
		accepted, err = r.account.Submit(r.Context(), assess.Order{Body: body, Gate: r.query.Get("gate"), RuleSet: r.query.Get("rule_set"), IdempotencyKey: key})
		return err
	})
	if err != nil {
		return reply{}, err
	}
	id := accepted.AssessmentID
	to := linksOf(id, accepted.Vehicle)
	if wait, ok := preferredWait(r.Header.Values("Prefer"), a.limits.Wait); ok && a.mayWait() {
		stored, err := a.await(r, id, wait)
		a.waiting.Add(-1)
		if err != nil {
			// The report is safe: that is what has to be said.
			a.log.WarnContext(r.Context(), "assessment not awaited", "assessment", id, "error", err)
		} else if out := assessmentReply(stored); stored.State == assess.Done || stored.State == assess.Failed {
			out.header = map[string]string{
				"Location": to.Assessment, "Content-Location": to.Assessment,
				"Preference-Applied": fmt.Sprintf("wait=%d", int(wait.Seconds())),
			}
			return out, nil
		}
	}
	return reply{
		status: http.StatusAccepted,
		header: map[string]string{"Location": to.Assessment, "Retry-After": pollAfter},
		body:   receipt{id, assess.Queued, accepted.ReportID, accepted.Vehicle, accepted.Cautions, to},
	}, nil
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
func (a *API) await(r *request, id string, wait time.Duration) (assess.Assessment, error) {
	ctx := r.Context()
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-a.draining:
			cancel()
		case <-waiting.Done():
		}
	}()
	stored, err := r.account.Await(waiting, id, wait)
	if errors.Is(err, context.Canceled) && ctx.Err() == nil {
		return r.account.Assessment(ctx, id)
	}
	return stored, err
}

// checked is the answer about a valid report that is not to be stored.
type checked struct {
	Valid bool `json:"valid"`
	assess.Checked
}

func (a *API) checkReport(r *request) (reply, error) {
	var found assess.Checked
	err := a.withBody(r, func(body []byte) (err error) {
		found, err = a.service.Check(body)
		return err
	})
	return reply{body: checked{true, found}}, err
}

// withBody reads a report, which use must not keep: its memory is for the next request.
func (a *API) withBody(r *request, use func(body []byte) error) error {
	if !says(r.Header, mediaJSON) {
		return notJSON.says("")
	}
	return a.read(r, "a report", a.limits.Body, use)
}

// read reads a body, which use must not keep.
func (a *API) read(r *request, what string, most int64, use func(body []byte) error) error {
	tooLarge := bodyTooLarge.says("%s is at most %d bytes long: split it", what, most)
	if r.ContentLength > most { // whoever asks first need not send it
		return tooLarge
	}
	buffer, ok := a.buffers.Get().(*bytes.Buffer)
	if !ok {
		buffer = new(bytes.Buffer)
	}
	defer func() {
		if buffer.Cap() <= keptBuffer {
			a.buffers.Put(buffer)
		}
	}()
	buffer.Reset()

	// Where there is no connection, as in tests, there is no deadline either. The server lifts it
	// once the body is read.
	_ = http.NewResponseController(r.writer).SetReadDeadline(time.Now().Add(a.limits.BodyTime))
	_, err := buffer.ReadFrom(http.MaxBytesReader(r.writer, r.Body, most))
	switch {
	case errors.As(err, new(*http.MaxBytesError)):
		return tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return bodySlow.says("%s has to arrive within %s", what, a.limits.BodyTime)
	case err != nil:
		return bodyCut.says("")
	}
	return use(buffer.Bytes())
}

// keptBuffer is the size up to which the memory of a body is kept for the next.
const keptBuffer = 1 << 20
