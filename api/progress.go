package api

import (
	"encoding/json"
	"fmt"
	"net/http"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// event is one state of an assessment.
type event struct {
	ID      string       `json:"id"`
	State   assess.State `json:"state"`
	Vehicle string       `json:"vehicle"`
}

func (a *API) assessmentEvents(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	ask := func() (event, bool, error) {
		s, err := r.Account.Assessment(r.Context(), id)
		return event{s.ID, s.State, s.Vehicle}, s.State == assess.Done || s.State == assess.Failed, err
	}
	if _, _, err := ask(); err != nil {
		return wire.Reply{}, err
	}
	return a.events(r, func() *assess.Watch { return r.Account.WatchAssessment(id) }, ask)
}

func (a *API) vehicleEvents(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	ask := func() (event, bool, error) {
		v, err := r.Account.Vehicle(r.Context(), reference)
		e := event{Vehicle: reference, State: assess.Queued}
		if v.Newest != nil {
			e.ID, e.State = v.Newest.ID, v.Newest.State
		}
		return e, false, err
	}
	if _, _, err := ask(); err != nil {
		return wire.Reply{}, err
	}
	return a.events(r, func() *assess.Watch { return r.Account.WatchVehicle(reference) }, ask)
}

// events tells a client of every change of what ask answers, until that is the last.
func (a *API) events(r *wire.Request, watch func() *assess.Watch, ask func() (e event, last bool, err error)) (wire.Reply, error) {
	var told *event
	return a.streams.Stream(r, watch, func(_ *http.Request, send func(string) bool) bool {
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
