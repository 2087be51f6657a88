package wire

import (
	"fmt"
	"net/http"
	"sync"
	"time"

	"laidup/internal/assess"
)

// Server-sent events (WHATWG HTML). A stream looks at how things stand when it is told that something has changed, and from
// time to time all the same, as word from another process may be lost. A client that lost the connection asks again and is
// told how things stand.

const (
	// lookEvery is the time between two looks where nobody says that anything has changed, and lookPause the least that
	// there is where much does.
	lookEvery = 5 * time.Second
	lookPause = 50 * time.Millisecond
	pingEvery = 15 * time.Second
	// eventsTime is how long one connection lasts; the client then opens another by itself.
	eventsTime = 10 * time.Minute
)

// How many connections wait for events at once: all of them, those of one organisation, and those of one key or of those
// who need none.
const (
	maxListeners       = 2000
	maxListenersOf     = 400
	maxListenersOfAKey = 200
)

// Streams are the connections that wait for events.
type Streams struct {
	mu       sync.Mutex
	all      int
	of       map[string]int  // by organisation
	ofKey    map[string]int  // by organisation and key
	draining <-chan struct{} // closed once the server is about to go
}

// NewStreams makes streams that end once draining is closed.
func NewStreams(draining <-chan struct{}) *Streams {
	return &Streams{of: map[string]int{}, ofKey: map[string]int{}, draining: draining}
}

// enter takes a place; the error says that there is none. leave gives it back.
func (s *Streams) enter(organisation, key string) (leave func(), err error) {
	key = organisation + " " + key
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.ofKey[key] >= maxListenersOfAKey:
		return nil, TooMany.Says("a key may wait for events on %d connections at once: close some", maxListenersOfAKey)
	case s.of[organisation] >= maxListenersOf:
		return nil, TooMany.Says("an organisation may wait for events on %d connections at once: close some", maxListenersOf)
	case s.all >= maxListeners:
		return nil, Busy.Says("too many wait for events: ask from time to time instead")
	}
	s.all++
	s.of[organisation]++
	s.ofKey[key]++
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.all--
		if s.of[organisation]--; s.of[organisation] == 0 {
			delete(s.of, organisation)
		}
		if s.ofKey[key]--; s.ofKey[key] == 0 {
			delete(s.ofKey, key)
		}
	}, nil
}

// Stream lets look send what there is to tell, whenever the watch says that something has changed, until look says that
// there will be no more, or the client is gone.
func (s *Streams) Stream(r *Request, watch func() *assess.Watch, look func(r *http.Request, send func(text string) bool) (more bool)) (Reply, error) {
	if r.Method == http.MethodHead {
		return Reply{Body: Raw(nil)}, nil
	}
	leave, err := s.enter(r.Key.Organisation, r.Key.ID)
	if err != nil {
		return Reply{}, err
	}
	return Reply{Serve: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer leave()
		changes := watch()
		defer changes.Stop()
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
		again, ping, over := time.NewTimer(lookEvery), time.NewTicker(pingEvery), time.NewTimer(eventsTime)
		defer again.Stop()
		defer ping.Stop()
		defer over.Stop()
		var told <-chan struct{} // nil: the last look was this moment
		for look(r, send) {
			told = nil
			rest := time.NewTimer(lookPause)
			again.Reset(lookEvery)
			for waiting := true; waiting; {
				select {
				case <-rest.C:
					told = changes.C
				case <-told:
					waiting = false
				case <-again.C:
					waiting = false
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
			rest.Stop()
		}
	})}, nil
}
