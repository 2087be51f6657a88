package api

import (
	"fmt"

	"github.com/go-json-experiment/json"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// retention is after how many days without a report vehicles are erased.
type retention struct {
	Days *int `json:"days"` // null: they are kept
}

func (a *API) getRetention(r *wire.Request) (wire.Reply, error) {
	days, err := r.Account.Retention(r.Context())
	if err != nil || days == 0 {
		return wire.Reply{Body: retention{}}, err
	}
	return wire.Reply{Body: retention{&days}}, nil
}

func (a *API) putRetention(r *wire.Request) (wire.Reply, error) {
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.Reply{}, wire.NotJSON.Says("")
	}
	days := 0
	err := a.bodies.Read(r, "a retention", maxOrder, func(body []byte) error {
		// That it is missing is no wish: whoever wants to keep vehicles says null.
		form := map[string]*int{}
		if err := json.Unmarshal(body, &form); err != nil {
			return wire.BadRetention.Says("a retention is {\"days\": 1825}, or {\"days\": null} to keep vehicles%s", wire.PlaceOf(err))
		}
		given, ok := form["days"]
		switch {
		case !ok || len(form) > 1:
			return wire.BadRetention.Says("a retention is {\"days\": 1825}, or {\"days\": null} to keep vehicles, and nothing else")
		case given == nil:
		case *given < assess.MinRetention || *given > assess.MaxRetention:
			return &wire.Problem{Kind: wire.BadRetention, Errors: []formFault{{"/days", "range", fmt.Sprintf("give a whole number of days from %d to %d, or null to keep vehicles", assess.MinRetention, assess.MaxRetention)}}}
		default:
			days = *given
		}
		return nil
	})
	if err != nil {
		return wire.Reply{}, err
	}
	if err := r.Account.SetRetention(r.Context(), days); err != nil {
		return wire.Reply{}, err
	}
	return a.getRetention(r)
}
