package assess

import (
	"strings"
	"sync"
)

// Notices carries word between processes of what has changed. It may lose word: whoever waits for it asks from time to
// time all the same.
type Notices interface {
	// Post tells the other processes. It does not wait.
	Post(about ...string)
	// Follow has changed called with what other processes post.
	Follow(changed func(about ...string))
}

// board tells those in this process who wait for a change. The zero value is ready.
type board struct {
	mu       sync.Mutex
	watching map[string]map[*Watch]struct{}
}

// Watch waits for changes. Whoever has one looks at how things stand, waits at C, and looks again.
type Watch struct {
	C     <-chan struct{} // has something once there was a change since it was last received from
	c     chan struct{}
	about []string
	board *board
}

func (b *board) watch(about ...string) *Watch {
	c := make(chan struct{}, 1)
	w := &Watch{C: c, c: c, about: about, board: b}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.watching == nil {
		b.watching = map[string]map[*Watch]struct{}{}
	}
	for _, a := range about {
		if b.watching[a] == nil {
			b.watching[a] = map[*Watch]struct{}{}
		}
		b.watching[a][w] = struct{}{}
	}
	return w
}

// Stop ends the watch.
func (w *Watch) Stop() {
	b := w.board
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, a := range w.about {
		if delete(b.watching[a], w); len(b.watching[a]) == 0 {
			delete(b.watching, a)
		}
	}
}

func (b *board) tell(about ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, a := range about {
		for w := range b.watching[a] {
			select {
			case w.c <- struct{}{}:
			default:
			}
		}
	}
}

// What there is to watch, as processes name it to one another. Ids are unique, whosever they are.
func aboutWork(id string) string { return "work " + id }
func aboutVehicle(organisation, name string) string {
	return "vehicle " + organisation + " " + strings.ToLower(name)
}
func aboutAll(organisation string) string { return "all " + organisation }

// changed tells everybody who waits for it, here and in other processes.
func (s *Service) changed(about ...string) {
	s.board.tell(about...)
	if s.notices != nil {
		s.notices.Post(about...)
	}
}

// WatchAssessment waits for an assessment to be begun with and finished.
func (own Account) WatchAssessment(id string) *Watch { return own.service.board.watch(aboutWork(id)) }

// WatchVehicle waits for assessments of a vehicle to be finished.
func (own Account) WatchVehicle(reference string) *Watch {
	return own.service.board.watch(aboutVehicle(own.organisation, reference))
}

// WatchEvents waits for events of the organisation.
func (own Account) WatchEvents() *Watch { return own.service.board.watch(aboutAll(own.organisation)) }

// Happened tells those who wait for events of the organisation that there is one of which the service does not know.
func (own Account) Happened() { own.service.changed(aboutAll(own.organisation)) }
