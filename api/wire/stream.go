package wire

import (
	"fmt"
	"net/http"
	"sync/atomic"
	"time"
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

// Streams are the connections that wait for events.
type Streams struct {
	n        atomic.Int64
	draining <-chan struct{} // closed once the server is about to go
}

// NewStreams makes streams that end once draining is closed.
func NewStreams(draining <-chan struct{}) *Streams { return &Streams{draining: draining} }

// Stream lets look send what there is to tell, again and again, until that says that there will be no
// more, or the client is gone.
func (s *Streams) Stream(r *Request, look func(r *http.Request, send func(text string) bool) (more bool)) (Reply, error) {
	if r.Method == http.MethodHead {
		return Reply{Body: Raw(nil)}, nil
	}
	if s.n.Add(1) > maxListeners {
		s.n.Add(-1)
		return Reply{}, Busy.Says("too many wait for events: ask from time to time instead")
	}
	return Reply{Serve: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.n.Add(-1)
		control := http.NewResponseController(w)
		h := w.Header()
		h.Set("Content-Type", MediaEvents)
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
			case <-s.draining:
				return
			case <-r.Context().Done():
				return
			}
		}
	})}, nil
}
