package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"sync/atomic"
	"time"

	"laidup/internal/assess"
)

// Server-sent events (WHATWG HTML). The store is asked every second: an event may come from any
// process. A client that lost the connection asks again and is told how things stand.

const (
	eventsEvery = time.Second
	pingEvery   = 15 * time.Second
	// eventsTime is how long one connection lasts; the client then opens another by itself.
	eventsTime = 10 * time.Minute
)

// maxListeners is how many connections wait for events at once.
const maxListeners = 2000

// listeners counts them.
type listeners struct{ n atomic.Int64 }

// event is one state of an assessment.
type event struct {
	ID      string       `json:"id"`
	State   assess.State `json:"state"`
	Vehicle string       `json:"vehicle"`
}

func (a *API) assessmentEvents(r *request) (reply, error) {
	id, err := r.name("id")
	if err != nil {
		return reply{}, err
	}
	ask := func() (event, bool, error) {
		s, err := r.account.Assessment(r.Context(), id)
		return event{s.ID, s.State, s.Vehicle}, s.State == assess.Done || s.State == assess.Failed, err
	}
	if _, _, err := ask(); err != nil {
		return reply{}, err
	}
	return a.events(r, ask)
}

func (a *API) vehicleEvents(r *request) (reply, error) {
	reference, err := r.name("reference")
	if err != nil {
		return reply{}, err
	}
	ask := func() (event, bool, error) {
		v, err := r.account.Vehicle(r.Context(), reference)
		e := event{Vehicle: reference, State: assess.Queued}
		if v.Newest != nil {
			e.ID, e.State = v.Newest.ID, v.Newest.State
		}
		return e, false, err
	}
	if _, _, err := ask(); err != nil {
		return reply{}, err
	}
	return a.events(r, ask)
}

// events tells a client of every change of what ask answers, until that is the last.
func (a *API) events(r *request, ask func() (e event, last bool, err error)) (reply, error) {
	var told *event
	return a.stream(r, func(_ *http.Request, send func(string) bool) bool {
		e, last, err := ask()
		if err != nil {
			return true
		}
		if told == nil || e != *told {
			told = &e
			data, err := json.Marshal(e)
			if err != nil || !send(fmt.Sprintf("event: assessment\nid: %s\ndata: %s\n\n", e.ID, data)) {
				return false
			}
		}
		return !last
	})
}

// stream lets look send what there is to tell, again and again, until that says that there will be no
// more, or the client is gone.
func (a *API) stream(r *request, look func(r *http.Request, send func(text string) bool) (more bool)) (reply, error) {
	if r.Method == http.MethodHead {
		return reply{body: raw(nil)}, nil
	}
	if a.listeners.n.Add(1) > maxListeners {
		a.listeners.n.Add(-1)
		return reply{}, busy.says("too many wait for events: ask from time to time instead")
	}
	return reply{serve: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer a.listeners.n.Add(-1)
		control := http.NewResponseController(w)
		h := w.Header()
		h.Set("Content-Type", mediaEvents)
		h.Set("X-Accel-Buffering", "no")
		send := func(text string) bool {
			// Each event has its own time: the server's is for answers that end.
			_ = control.SetWriteDeadline(time.Now().Add(pingEvery))
			if _, err := fmt.Fprint(w, text); err != nil {
				return false
			}
			return control.Flush() == nil
		}
		tick, ping, over := time.NewTicker(eventsEvery), time.NewTicker(pingEvery), time.NewTimer(eventsTime)
		defer tick.Stop()
		defer ping.Stop()
		defer over.Stop()
		for look(r, send) {
			select {
			case <-tick.C:
			case <-ping.C:
				if !send(": still here\n\n") {
					return
				}
			case <-over.C:
				return
			case <-a.draining:
				return
			case <-r.Context().Done():
				return
			}
		}
	})}, nil
}
