package api

import (
	"context"
	"net/http"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// getExport streams all that the organisation has put into the service.
func (a *API) getExport(r *wire.Request) (wire.Reply, error) {
	if r.Method == http.MethodHead { // nothing is taken out: nothing is noted
		return wire.Reply{Serve: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("Content-Type", wire.MediaNDJSON) })}, nil
	}
	end, ok := a.uploads.begin(r.Key.Organisation, uploadsOfOne)
	if !ok {
		return wire.Reply{}, tooManyAtOnce()
	}
	var subscriptions []assess.ExportedSubscription
	if a.hooks != nil {
		list, err := a.hooks.List(r.Context(), r.Key.Organisation)
		if err != nil {
			end()
			return wire.Reply{}, err
		}
		for _, s := range list {
			subscriptions = append(subscriptions, assess.ExportedSubscription{ID: s.ID, URL: s.URL, Types: s.Types, CreatedAt: s.CreatedAt})
		}
	}
	export, err := r.Account.Export(r.Context(), subscriptions)
	if err != nil {
		end()
		return wire.Reply{}, err
	}
	return wire.Reply{Serve: http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		defer end()
		w.Header().Set("Content-Type", wire.MediaNDJSON)
		to, done := newPatient(req.Context(), w)
		err := export.Write(req.Context(), to)
		done()
		if err != nil {
			// The status is sent: that the answer is not whole shows by its last line, which is missing.
			a.log.WarnContext(req.Context(), "export broken off", "error", err)
			panic(http.ErrAbortHandler)
		}
	})}, nil
}

// patient writes an answer of any length: each piece has its own time to be taken, and none once the request has ended.
type patient struct {
	to      http.ResponseWriter
	control *http.ResponseController
	ctx     context.Context
}

// newPatient returns it with what is to be called once all is written: the connection may serve another request then.
func newPatient(ctx context.Context, w http.ResponseWriter) (p *patient, done func()) {
	p = &patient{w, http.NewResponseController(w), ctx}
	// A receiver that takes nothing is not waited for once its key is good no more.
	stop := context.AfterFunc(ctx, func() { _ = p.control.SetWriteDeadline(time.Now()) })
	return p, func() { stop() }
}

// Write implements [io.Writer].
func (p *patient) Write(piece []byte) (int, error) {
	_ = p.control.SetWriteDeadline(time.Now().Add(chunkTime))
	// The other order would lift the end that a revocation has set.
	if err := context.Cause(p.ctx); err != nil {
		return 0, err
	}
	return p.to.Write(piece)
}
