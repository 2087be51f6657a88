package api

import (
	"fmt"
	"net/http"
	"time"
)

// Deprecation says that a route is on its way out. docs/versions.md says what is promised of it.
type Deprecation struct {
	Since  time.Time // from when on nobody is to begin using it
	Sunset time.Time // from when on it may be gone; at least a year after Since
	Link   string    // where it says what to use instead
}

// deprecations has the routes that are on their way out, by method and path. It stands beside the table
// of routes since most of them will never be in it.
var deprecations = map[string]Deprecation{}

// deprecation returns what is said of the route's end; nil where it stays.
func (r route) deprecation() *Deprecation {
	if d, ok := deprecations[r.method+" "+r.path]; ok {
		return &d
	}
	return nil
}

// announce sets Deprecation (RFC 9745), Sunset (RFC 8594) and the link that says more. The zero
// pointer announces nothing. It is done before anything can go wrong: who gets an error is told, too.
func (d *Deprecation) announce(h http.Header) {
	if d == nil {
		return
	}
	h.Set("Deprecation", fmt.Sprintf("@%d", d.Since.Unix())) // a Date of structured fields, RFC 9651
	h.Set("Sunset", d.Sunset.UTC().Format(http.TimeFormat))
	h.Add("Link", fmt.Sprintf(`<%s>; rel="deprecation"`, d.Link))
}
