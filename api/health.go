package api

import (
	"context"
	"net/http"

	"laidup/api/wire"
)

// health is how the service is doing. Store and queue are "up" or "down".
type health struct {
	Status  string `json:"status"`
	Store   string `json:"store,omitempty"`
	Queue   string `json:"queue,omitempty"`
	Version string `json:"version"`
}

func (a *API) healthz(*wire.Request) (wire.Reply, error) {
	return wire.Reply{Body: health{Status: "ok", Version: a.version}}, nil
}

// readyz counts the queue for nothing: reports are safe without it, and a sweep hands them over
// once it is back.
func (a *API) readyz(r *wire.Request) (wire.Reply, error) {
	select {
	case <-a.draining:
		return wire.Reply{Status: http.StatusServiceUnavailable, Body: health{Status: "draining", Version: a.version}}, nil
	default:
	}
	ctx, cancel := context.WithTimeout(r.Context(), a.limits.Ready)
	defer cancel()
	store, queue := a.service.Ready(ctx)
	status, found := http.StatusOK, health{"ready", "up", "up", a.version}
	if queue != nil {
		a.log.WarnContext(ctx, "queue not reached", "error", queue)
		found.Queue = "down"
	}
	if store != nil {
		a.log.WarnContext(ctx, "store not reached", "error", store)
		status, found.Status, found.Store = http.StatusServiceUnavailable, "unavailable", "down"
	}
	return wire.Reply{Status: status, Body: found}, nil
}

func (a *API) getMetrics(*wire.Request) (wire.Reply, error) {
	if a.metrics == nil {
		return wire.Reply{}, wire.NoSuchRoute.Says("")
	}
	return wire.Reply{Serve: a.metrics}, nil
}
