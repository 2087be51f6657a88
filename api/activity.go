package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// The events of an organisation, for who cannot take webhooks: as pages, or as they happen.
//
// Places of events grow, but an event may become visible after one with a higher place. A page leaves
// out what is so young that something may still come in between. A stream sends everything at once,
// looks that time over again and leaves out what it has sent. Neither ever misses an event.

// eventView is an event in a page: as it is sent to subscriptions, with its id.
type eventView struct {
	ID    string          `json:"id"`
	Event json.RawMessage `json:"event"`
}

func (a *API) organisationEvents(r *wire.Request) (wire.Reply, error) {
	if a.happened == nil {
		return wire.Reply{}, wire.NotFound.Says("this server keeps no events")
	}
	limit, _, err := r.Page(0)
	if err != nil {
		return wire.Reply{}, err
	}
	after := r.Query.Get("after")
	if last := r.Header.Get("Last-Event-ID"); last != "" && r.Media == wire.MediaEvents {
		after = last
	}
	if after != "" && !wire.IsName(after) {
		return wire.Reply{}, wire.BadQuery.Says("after is the id of an event")
	}
	if r.Media == wire.MediaEvents {
		return a.streamEvents(r, after)
	}
	return a.pageOfEvents(r, after, limit)
}

func (a *API) pageOfEvents(r *wire.Request, after string, limit int) (wire.Reply, error) {
	place, _, err := a.placeOf(r, after)
	if err != nil {
		return wire.Reply{}, err
	}
	events, err := a.happened.EventsAfter(r.Context(), r.Key.Organisation, place, time.Now().Add(-a.happened.Unsettled()), limit)
	if err != nil {
		return wire.Reply{}, err
	}
	list := struct {
		Events []eventView `json:"events"`
		After  string      `json:"after,omitempty"` // to ask for what comes next, now or later
	}{[]eventView{}, after}
	for _, e := range events {
		list.Events, list.After = append(list.Events, eventView{e.ID, e.Body}), e.ID
	}
	return wire.Reply{Body: list}, nil
}

// placeOf finds an event. One that is not kept any more, or never was, stands before all that are.
func (a *API) placeOf(r *wire.Request, id string) (place int64, recorded time.Time, err error) {
	if id == "" {
		return 0, time.Time{}, nil
	}
	place, recorded, err = a.happened.EventPlace(r.Context(), r.Key.Organisation, id)
	if errors.Is(err, assess.ErrNotFound) {
		return 0, time.Time{}, nil
	}
	return place, recorded, err
}

// streamed is how many events are read at once.
const streamed = 200

// tail follows the events of an organisation.
type tail struct {
	log          assess.EventLog
	organisation string
	place        int64          // everything up to it was sent and nothing will come in between
	seen         map[int64]bool // places after it that were sent
}

// next calls send for each event that was not sent yet, until that says no.
func (t *tail) next(r *http.Request, send func(assess.RecordedEvent) bool) (ok bool, err error) {
	settled := time.Now().Add(-t.log.Unsettled())
	from, whole := t.place, true // whole: nothing unsettled came so far
	for {
		events, err := t.log.EventsAfter(r.Context(), t.organisation, from, time.Time{}, streamed)
		if err != nil {
			return true, err
		}
		for _, e := range events {
			if !t.seen[e.Place] && !send(e) {
				return false, nil
			}
			from = e.Place
			if whole = whole && !e.RecordedAt.After(settled); whole {
				t.place = e.Place
				delete(t.seen, e.Place)
			} else {
				t.seen[e.Place] = true
			}
		}
		if len(events) < streamed {
			return true, nil
		}
	}
}

// from begins a tail: after an event, or with what happens from now on.
func (a *API) from(r *wire.Request, after string) (*tail, error) {
	t := &tail{a.happened, r.Key.Organisation, 0, map[int64]bool{}}
	place, recorded, err := a.placeOf(r, after)
	switch {
	case err != nil:
		return nil, err
	case after == "":
		if t.place, err = t.log.PlaceBefore(r.Context(), t.organisation, time.Now().Add(-t.log.Unsettled())); err != nil {
			return nil, err
		}
		_, err = t.next(r.Request, func(assess.RecordedEvent) bool { return true })
		return t, err
	case t.log.Unsettled() == 0 || place == 0:
		t.place = place
		return t, nil
	}
	// What may have come in between before the connection was lost is sent once more.
	before, err := t.log.PlaceBefore(r.Context(), t.organisation, recorded.Add(-t.log.Unsettled()))
	t.place = min(before, place)
	t.seen[place] = true
	return t, err
}

func (a *API) streamEvents(r *wire.Request, after string) (wire.Reply, error) {
	if r.Method == http.MethodHead {
		return wire.Reply{Body: wire.Raw(nil)}, nil
	}
	t, err := a.from(r, after)
	if err != nil {
		return wire.Reply{}, err
	}
	begun := false
	return a.streams.Stream(r, r.Account.WatchEvents, func(r *http.Request, send func(string) bool) bool {
		if !begun && !send(": here\n\n") { // so that a client knows from when on it hears
			return false
		}
		begun = true
		// A store that is away for a while only makes events late.
		ok, _ := t.next(r, func(e assess.RecordedEvent) bool {
			return send(fmt.Sprintf("event: %s\nid: %s\ndata: %s\n\n", e.Type, e.ID, e.Body))
		})
		return ok
	})
}
