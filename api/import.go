package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/ruleset"
)

// importBody is what has come of an import.
type importBody struct {
	Organisation string        `json:"organisation"` // whose export it was
	Lines        int           `json:"lines"`
	Taken        importCounts  `json:"taken"`
	AlreadyThere int           `json:"already_there"`
	LeftOut      int           `json:"left_out"`
	Refused      int           `json:"refused"`
	Refusals     []refusedLine `json:"refusals"` // the first of them
}

type importCounts struct {
	RuleSets    int `json:"rule_sets"`
	Attachments int `json:"attachments"`
	Reports     int `json:"reports"`
	Withdrawals int `json:"withdrawals"`
	Outcomes    int `json:"outcomes"`
}

type refusedLine struct {
	Line    int             `json:"line"`
	Problem json.RawMessage `json:"problem"`
}

func importOf(d assess.Imported) importBody {
	body := importBody{
		Organisation: d.Organisation, Lines: d.Lines, Taken: importCounts{d.RuleSets, d.Attachments, d.Reports, d.Withdrawals, d.Outcomes},
		AlreadyThere: d.AlreadyThere, LeftOut: d.LeftOut, Refused: d.Refused, Refusals: make([]refusedLine, len(d.Refusals)),
	}
	for i, r := range d.Refusals {
		body.Refusals[i] = refusedLine{r.Line, r.Problem}
	}
	return body
}

// maxEnvelope is how long a line of an export may be besides a report in it.
const maxEnvelope = 64 << 10

// maxExported is how long a line of an export may be: a report is in it as text, in which each quote and each line break
// takes two bytes, or a rule set.
func (a *API) maxExported() int { return 2*max(int(a.limits.Body), ruleset.MaxSource) + maxEnvelope }

func (a *API) postImport(r *wire.Request) (wire.Reply, error) {
	if !wire.Announces(r.Header, wire.MediaNDJSON) && !wire.Announces(r.Header, wire.MediaJSONLines) {
		return wire.Reply{}, wire.NotJSON.Says("send what GET /v1/export answers, uncompressed, as Content-Type: %s", wire.MediaNDJSON)
	}
	end, ok := a.uploads.begin(r.Key.Organisation, uploadsOfOne)
	if !ok {
		return wire.Reply{}, tooManyAtOnce()
	}
	defer end()
	done, err := r.Account.Import(r.Context(), assess.ImportOrder{MaxLine: a.maxExported(), Pause: a.paced(r)}, r.Body)
	if err != nil {
		return wire.Reply{}, importProblem(err)
	}
	return wire.Reply{Body: importOf(done)}, nil
}

// tooManyAtOnce refuses an upload or a stream that is one too many.
func tooManyAtOnce() error {
	return wire.TooMany.Says("an organisation may have %d batches, exports and imports under way at once: wait for one of them", uploadsOfOne)
}

// importProblem says how far an import came, and how to go on.
func importProblem(err error) error {
	var partial *assess.PartialImportError
	if !errors.As(err, &partial) {
		return err
	}
	goOn := fmt.Sprintf("%d reports and %d withdrawals up to line %d are taken and stay; send the whole export again: what is there is not taken twice", partial.Reports, partial.Withdrawals, partial.Lines)
	switch cause := partial.Err; {
	case errors.Is(cause, assess.ErrExportCut):
		return wire.BadImport.Says("the export is not whole, or was changed: its end is missing, or says other than the lines before it; %s", goOn)
	case errors.Is(cause, errDraining), errors.Is(cause, assess.ErrUnavailable):
		return wire.Unavailable.Says("%s", goOn)
	case errors.Is(cause, assess.ErrBusy):
		return wire.Busy.Says("a rule set in it waits to be tried; %s", goOn)
	case errors.Is(cause, assess.ErrManyPhotos):
		return wire.Busy.Says("a photo in it waits for others to be prepared; %s", goOn)
	case errors.Is(cause, os.ErrDeadlineExceeded):
		return wire.BodySlow.Says("a line has to arrive within %s; %s", chunkTime, goOn)
	case errors.Is(cause, context.Canceled), errors.Is(cause, io.ErrUnexpectedEOF), errors.As(cause, new(*http.MaxBytesError)):
		return wire.BodyCut.Says("%s", goOn)
	}
	return err
}

// paced gives each piece of an upload its own time to arrive, and ends it once the server is about to go, or the
// request has ended.
func (a *API) paced(r *wire.Request) func() error {
	control := http.NewResponseController(r.Writer)
	return func() error {
		select {
		case <-a.draining:
			return errDraining
		default:
		}
		// Each piece has its own time, and so has the answer: an upload may take hours.
		_ = control.SetReadDeadline(time.Now().Add(chunkTime))
		_ = control.SetWriteDeadline(time.Now().Add(2 * chunkTime))
		// The other order would lift the end that a revocation has set to the reading.
		return context.Cause(r.Context())
	}
}
