package api

import (
	"context"
	"net/http"
	"net/http/httptest"

	"laidup/internal/assess"
)

// Tail follows a log from its beginning; each call returns the places of the events that are sent.
func Tail(log assess.EventLog) func(context.Context) []int64 {
	t := &tail{log: log, seen: map[int64]bool{}}
	return func(ctx context.Context) []int64 {
		places := []int64{}
		r := httptest.NewRequestWithContext(ctx, http.MethodGet, "/", nil)
		_, _ = t.next(r, func(e assess.RecordedEvent) bool { places = append(places, e.Place); return true })
		return places
	}
}
