package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
	"laidup/internal/spreadsheet"
)

// batchBody is a batch as clients see it.
type batchBody struct {
	ID             string            `json:"id"`
	Kind           assess.BatchKind  `json:"kind"`
	State          assess.BatchState `json:"state"`
	Gate           string            `json:"gate,omitempty"` // none: that of each assessment
	RuleSet        score.RuleSet     `json:"rule_set"`
	IdempotencyKey string            `json:"idempotency_key,omitempty"`
	CreatedAt      time.Time         `json:"created_at"`
	ReceivedAt     *time.Time        `json:"received_at"` // when the last line came; null before
	FinishedAt     *time.Time        `json:"finished_at"` // null before
	Lines          batchLines        `json:"lines"`
	Pace           batchPace         `json:"pace"`
	Links          batchLinks        `json:"links"`
}

// batchLines counts lines. Those that have an answer are counted chunk by chunk, in steps of up to a hundred.
type batchLines struct {
	Through  int  `json:"through"`  // number of the last line that is stored
	Received int  `json:"received"` // that are not blank
	Refused  int  `json:"refused"`
	Waiting  int  `json:"waiting"`
	Done     int  `json:"done"`
	Failed   int  `json:"failed"`
	Changed  *int `json:"changed,omitempty"` // of a rescore: scored again and not as before
}

// batchPace is how fast it goes: since the batch was opened until now, or until it finished.
type batchPace struct {
	PerSecond   float64  `json:"per_second"`
	SecondsLeft *float64 `json:"seconds_left"` // null while that cannot be told
}

type batchLinks struct {
	Batch   string `json:"batch"`
	Results string `json:"results"`
	Cancel  string `json:"cancel"`
}

func batchOf(b assess.Batch, now time.Time) batchBody {
	at := "/v1/batches/" + b.ID
	waiting := b.Lines - b.Refused - b.Done - b.Failed
	if !b.FinishedAt.IsZero() { // lines that were erased before they had an answer are not waited for
		waiting = 0
	}
	body := batchBody{
		ID: b.ID, Kind: b.Kind, State: b.Told(), Gate: b.Gate, RuleSet: score.RuleSet(b.RuleSet), IdempotencyKey: b.IdempotencyKey,
		CreatedAt: b.At, ReceivedAt: timeOrNull(b.ReceivedAt), FinishedAt: timeOrNull(b.FinishedAt),
		Lines: batchLines{Through: b.Through, Received: b.Lines, Refused: b.Refused, Done: b.Done, Failed: b.Failed, Waiting: waiting},
		Links: batchLinks{at, at + "/results", at + "/cancel"},
	}
	if b.Kind == assess.Rescore {
		body.Lines.Changed = &b.Changed
	}
	if !b.FinishedAt.IsZero() {
		now = b.FinishedAt
	}
	answered := b.Refused + b.Done + b.Failed
	if took := now.Sub(b.At).Seconds(); took > 0 && answered > 0 {
		rate := float64(answered) / took
		body.Pace.PerSecond = tenths(rate)
		if left := tenths(float64(body.Lines.Waiting) / rate); b.State != assess.Receiving {
			body.Pace.SecondsLeft = &left
		}
	}
	return body
}

func timeOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func tenths(x float64) float64 { return float64(int64(x*10+0.5)) / 10 }

// Bounds of uploads.
const (
	// chunkTime is how long the lines of a chunk, a hundred or a megabyte, may take to arrive.
	chunkTime = time.Minute
	// uploadsOfOne is how many batches, exports and imports one organisation may have under way in a process at once.
	uploadsOfOne = 4
)

// uploads counts what is being sent: batches, exports, imports and photos, by organisation.
type uploads struct {
	mu sync.Mutex
	n  map[string]int
}

// begin counts one more, unless the organisation sends as many already as it may at once.
func (u *uploads) begin(organisation string, most int) (end func(), ok bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.n == nil {
		u.n = map[string]int{}
	}
	if u.n[organisation] >= most {
		return nil, false
	}
	u.n[organisation]++
	return func() {
		u.mu.Lock()
		defer u.mu.Unlock()
		if u.n[organisation]--; u.n[organisation] == 0 {
			delete(u.n, organisation)
		}
	}, true
}

func (a *API) postBatch(r *wire.Request) (wire.Reply, error) {
	key, err := wire.IdempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return wire.Reply{}, err
	}
	table := wire.Announces(r.Header, wire.MediaCSV)
	if !table && !wire.Announces(r.Header, wire.MediaNDJSON) && !wire.Announces(r.Header, wire.MediaJSONLines) {
		return wire.Reply{}, wire.NotJSON.Says("send one report a line in UTF-8, uncompressed: as JSON with Content-Type: %s, or as rows with Content-Type: %s", wire.MediaNDJSON, wire.MediaCSV)
	}
	first := 1
	if s := r.Query.Get("first_line"); s != "" {
		var ok bool
		if first, ok = wire.Digits(s); !ok || first < 1 || first > assess.MaxLines {
			return wire.Reply{}, wire.BadQuery.Says("first_line is a whole number from 1 to %d", assess.MaxLines)
		}
		if key == "" && first > 1 {
			return wire.Reply{}, wire.BadQuery.Says("first_line goes on with a batch that was begun under an Idempotency-Key: send that, too")
		}
	}
	end, ok := a.uploads.begin(r.Key.Organisation, uploadsOfOne)
	if !ok {
		return wire.Reply{}, tooManyAtOnce()
	}
	defer end()
	b, _, err := r.Account.Receive(r.Context(), assess.BatchOrder{
		Gate: r.Query.Get("gate"), RuleSet: r.Query.Get("rule_set"), IdempotencyKey: key,
		FirstLine: first, MaxLine: int(a.limits.Body), Table: table, Pause: a.paced(r),
	}, r.Body)
	if err != nil {
		return wire.Reply{}, uploadProblem(err, key)
	}
	body := batchOf(b, a.service.Now())
	return wire.Reply{Status: http.StatusAccepted, Header: map[string]string{"Location": body.Links.Batch, "Retry-After": pollAfter}, Body: body}, nil
}

var errDraining = errors.New("the server is about to go")

// uploadProblem says how far a batch came, and how to go on.
func uploadProblem(err error, key string) error {
	var partial *assess.PartialError
	var header *spreadsheet.HeaderError
	var broken *spreadsheet.BrokenError
	switch {
	case errors.As(err, &header):
		return &wire.Problem{Kind: wire.InvalidTable, Errors: header.Faults}
	case !errors.As(err, &partial):
		return err
	}
	goOn := fmt.Sprintf("lines 1 to %d are stored as batch %s: send it again with the same Idempotency-Key, and first_line=%d if you like, to go on behind them", partial.Through, partial.Batch, partial.Through+1)
	if key == "" {
		goOn = fmt.Sprintf("lines 1 to %d are stored as batch %s and will be worked on; send the others as another batch, next time with an Idempotency-Key, which lets it go on", partial.Through, partial.Batch)
	}
	if partial.Batch == "" {
		goOn = "nothing is stored: send it again"
	}
	cause := partial.Err
	var p *wire.Problem
	switch {
	case errors.Is(cause, assess.ErrLineGap):
		return wire.BadQuery.Says("first_line is %s", fmt.Sprintf("at most %d: the lines before are not there yet", partial.Through+1))
	case errors.As(cause, &broken):
		p = wire.InvalidTable.Says("%s; %s", broken, goOn)
	case errors.Is(cause, errDraining), errors.Is(cause, assess.ErrUnavailable):
		p = wire.Unavailable.Says("%s", goOn)
	case errors.Is(cause, assess.ErrTooManyLines):
		p = wire.BodyTooLarge.Says("a batch has at most %d lines; %s", assess.MaxLines, goOn)
	case errors.Is(cause, assess.ErrBatchMoved):
		p = wire.BatchMoved.Says("")
	case errors.Is(cause, assess.ErrBatchClosed):
		p = wire.BatchClosed.Says("")
	case errors.Is(cause, assess.ErrKeyReused):
		p = wire.KeyReused.Says("this Idempotency-Key came before with another batch: use a new key for a new batch")
	case errors.Is(cause, os.ErrDeadlineExceeded):
		p = wire.BodySlow.Says("a hundred lines have to arrive within %s; %s", chunkTime, goOn)
	case errors.Is(cause, context.Canceled), errors.Is(cause, io.ErrUnexpectedEOF), errors.As(cause, new(*http.MaxBytesError)):
		p = wire.BodyCut.Says("%s", goOn)
	default:
		return err
	}
	if partial.Batch != "" {
		p.Header = map[string]string{"Location": "/v1/batches/" + partial.Batch}
	}
	return p
}

func (a *API) listBatches(r *wire.Request) (wire.Reply, error) {
	list, next, header, err := wire.Batches(r)
	if err != nil {
		return wire.Reply{}, err
	}
	body := struct {
		Batches []batchBody `json:"batches"`
		Next    string      `json:"next,omitempty"`
	}{[]batchBody{}, next}
	for _, b := range list {
		body.Batches = append(body.Batches, batchOf(b, a.service.Now()))
	}
	return wire.Reply{Header: header, Body: body}, nil
}

func (a *API) getBatch(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	b, err := r.Account.Batch(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	out := wire.Reply{Body: batchOf(b, a.service.Now())}
	if b.FinishedAt.IsZero() {
		out.Header = map[string]string{"Retry-After": pollAfter}
	}
	return out, nil
}

func (a *API) cancelBatch(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	b, err := r.Account.CancelBatch(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: batchOf(b, a.service.Now())}, nil
}

// pageOfLines is how many lines the store is asked for at once.
const pageOfLines = 500

// getResults streams the lines of a batch in their order, as they stand: it need not be finished.
func (a *API) getResults(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	first := 1
	if s := r.Query.Get("first_line"); s != "" {
		var ok bool
		if first, ok = wire.Digits(s); !ok || first < 1 || first > assess.MaxLines {
			return wire.Reply{}, wire.BadQuery.Says("first_line is a whole number from 1 to %d", assess.MaxLines)
		}
	}
	b, err := r.Account.Batch(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	if r.Method == http.MethodHead {
		return wire.Reply{Body: wire.Raw(nil)}, nil
	}
	return wire.Reply{Serve: http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		h := w.Header()
		h.Set("Content-Type", r.Media)
		if r.Media == wire.MediaCSV {
			h.Set("Content-Type", r.Media+"; charset=utf-8; header=present")
		}
		out := NewLineWriter(w, b.Kind, r.Media == wire.MediaCSV)
		control := http.NewResponseController(w)
		for after := first - 1; ; {
			list, err := r.Account.Lines(req.Context(), id, after, pageOfLines)
			if err == nil {
				// Each page has its own time: the server's is for answers that are small.
				_ = control.SetWriteDeadline(time.Now().Add(chunkTime))
				for _, l := range list {
					after = l.Number
					if err = out.Write(lineOf(l, b.Kind)); err != nil {
						break
					}
				}
			}
			if err == nil {
				err = out.Flush()
			}
			if err != nil {
				// The status is sent: that the answer is not whole can only be shown by breaking it off.
				a.log.WarnContext(req.Context(), "results broken off", "batch", id, "after_line", after, "error", err)
				panic(http.ErrAbortHandler)
			}
			if len(list) < pageOfLines {
				return
			}
		}
	})}, nil
}
