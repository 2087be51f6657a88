// Package wire is the HTTP of the API, whatever the API is about: requests and replies, media types and
// headers, bodies, cursors, tables, server-sent events, and problem details (RFC 9457).
//
// Every kind of error is one row of the table in problem.go. What resources and pages read alike stands in
// read.go.
package wire

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"laidup/internal/access"
	"laidup/internal/assess"
)

// Request is a request whose query is checked and whose media type is agreed.
type Request struct {
	*http.Request
	Writer http.ResponseWriter // for limits on reading; the answer goes the way of the reply
	Param  func(name string) string
	Query  url.Values
	Media  string

	Account assess.Account // of who asks
	Key     access.Key     // of who asks; made up where none is needed
}

// Reply is what a handler answers.
type Reply struct {
	Status int               // zero: 200
	Header map[string]string // besides those that every answer has
	Body   any               // encoded as JSON, or sent as it is where it is raw
	ETag   string            // without quotes; empty: made of the body
	Media  string            // where the route leaves it to its handler
	Serve  http.Handler      // answers instead
}

// Raw is a body that is encoded already.
type Raw []byte

// Encode writes JSON. What the API answers always can be written.
func Encode(v any) Raw {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Errorf("encode %T: %w", v, err))
	}
	return b
}

// CheckQuery reads the query: parameters that the route takes, each with a value, and once unless the
// route says that it may come more often.
func CheckQuery(rawQuery string, takes, repeats []string, isPage bool) (url.Values, error) {
	query, err := url.ParseQuery(rawQuery)
	if err != nil {
		return nil, BadQuery.Says("the query cannot be read: %s", err)
	}
	if isPage { // forms send what was left empty, too
		for name, values := range query {
			if query[name] = slices.DeleteFunc(values, func(v string) bool { return v == "" }); len(query[name]) == 0 {
				delete(query, name)
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(query)) {
		switch {
		case !slices.Contains(takes, name) && len(takes) == 0:
			return nil, BadQuery.Says("there is no parameter %q here: it takes none", Clip(name))
		case !slices.Contains(takes, name):
			return nil, BadQuery.Says("there is no parameter %q here: it takes %s", Clip(name), strings.Join(takes, ", "))
		case len(query[name]) > 1 && !slices.Contains(repeats, name):
			return nil, BadQuery.Says("%s is given %d times: give it once", name, len(query[name]))
		case slices.Contains(query[name], ""):
			return nil, BadQuery.Says("%s is empty: give it a value or leave it out", name)
		}
	}
	return query, nil
}

// Clip shortens what a client sent, before it is sent back.
func Clip(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}

// Name returns a parameter of the path that names something stored. What has not the form of a
// name cannot be stored, and need not be looked for.
func (r *Request) Name(param string) (string, error) {
	if v := r.Param(param); IsName(v) {
		return v, nil
	}
	return "", NotFound.Says("there can be nothing under the %s %q: names are up to 100 letters, digits and . _ ~ -", param, Clip(r.Param(param)))
}

// IsName says whether something can have such a name: 1 to 100 letters, digits and . _ ~ -
func IsName(s string) bool {
	other := func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("._~-", c))
	}
	return s != "" && len(s) <= 100 && strings.IndexFunc(s, other) < 0
}

// ETag quotes a tag, or makes one of the body.
func ETag(tag string, body []byte) string {
	if tag == "" {
		sum := sha256.Sum256(body)
		tag = base64.RawURLEncoding.EncodeToString(sum[:18])
	}
	return `"` + tag + `"`
}

// GzipTag is what the tag of an answer has at its end where that is compressed.
const GzipTag = "-gzip"

// Matches reports whether an If-None-Match header has the tag, or that of the same answer compressed (RFC 9110,
// 13.1.2: weak comparison), and returns the one that it has.
func Matches(header []string, tag string) (string, bool) {
	packed := strings.TrimSuffix(tag, `"`) + GzipTag + `"`
	for _, line := range header {
		for _, one := range split(line, ',') {
			switch strings.TrimPrefix(one, "W/") {
			case "*", tag:
				return tag, true
			case packed:
				return packed, true
			}
		}
	}
	return "", false
}

// SeeOther sends a browser on.
func SeeOther(to string) Reply {
	return Reply{Status: http.StatusSeeOther, Header: map[string]string{"Location": to}, Body: Raw(nil)}
}

// NonNil makes an empty list of none, so that JSON has [] and not null.
func NonNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
