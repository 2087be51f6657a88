package api

import (
	"context"
	"net/http"
)

// health is how the service is doing. Store and queue are "up" or "down".
type health struct {
	Status string `json:"status"`
	Store  string `json:"store,omitempty"`
	Queue  string `json:"queue,omitempty"`
}

func (a *API) healthz(*request) (reply, error) { return reply{body: health{Status: "ok"}}, nil }

// readyz counts the queue for nothing: reports are safe without it, and a sweep hands them over
// once it is back.
func (a *API) readyz(r *request) (reply, error) {
	select {
	case <-a.draining:
		return reply{status: http.StatusServiceUnavailable, body: health{Status: "draining"}}, nil
	default:
	}
	ctx, cancel := context.WithTimeout(r.Context(), a.limits.Ready)
	defer cancel()
	store, queue := a.service.Ready(ctx)
	status, found := http.StatusOK, health{"ready", "up", "up"}
	if queue != nil {
		a.log.WarnContext(ctx, "queue not reached", "error", queue)
		found.Queue = "down"
	}
	if store != nil {
		a.log.WarnContext(ctx, "store not reached", "error", store)
		status, found.Status, found.Store = http.StatusServiceUnavailable, "unavailable", "down"
	}
	return reply{status: status, body: found}, nil
}

func (a *API) getMetrics(*request) (reply, error) {
	if a.metrics == nil {
		return reply{}, noSuchRoute.says("")
	}
	return reply{serve: a.metrics}, nil
}
