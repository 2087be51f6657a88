package api

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/logging"
	"laidup/internal/origin"
)

// request is a request whose query is checked and whose media type is agreed.
type request struct {
	*http.Request
	writer http.ResponseWriter // for limits on reading; the answer goes the way of the reply
	param  func(name string) string
	query  url.Values
	media  string

	account assess.Account // of who asks
	key     access.Key     // of who asks; made up where none is needed
}

// reply is what a handler answers.
type reply struct {
	status int               // zero: 200
	header map[string]string // besides those that every answer has
	body   any               // encoded as JSON, or sent as it is where it is raw
	etag   string            // without quotes; empty: made of the body
	media  string            // where the route leaves it to its handler
	serve  http.Handler      // answers instead
}

// raw is a body that is encoded already.
type raw []byte

// encode writes JSON. What the API answers always can be written.
func encode(v any) raw {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Errorf("encode %T: %w", v, err))
	}
	return b
}

// serve makes a handler for the router out of a row of the table.
func (a *API) serve(r route) echo.HandlerFunc {
	deprecation := r.deprecation()
	return func(c echo.Context) error {
		deprecation.announce(c.Response().Header())
		key, err := a.admit(c, r)
		if err != nil {
			return err
		}
		query, err := checkQuery(c.Request().URL.RawQuery, r)
		if err != nil {
			return err
		}
		media, err := agree(c.Request().Header, query.Get("format"), r)
		if err != nil {
			return err
		}
		out, err := r.handle(&request{
			Request: c.Request(), writer: c.Response().Writer, query: query, media: media,
			param: func(name string) string { return pathParam(c, name) },
			key:   key, account: a.service.For(key.Organisation),
		})
		if err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set("Cache-Control", r.cache)
		if len(r.offers) > 1 {
			h.Set("Vary", "Accept")
		}
		for name, value := range out.header {
			h.Set(name, value)
		}
		if out.serve != nil {
			out.serve.ServeHTTP(c.Response(), c.Request())
			return nil
		}
		if media == mediaHTML && out.media == "" {
			// A 304 has it, too: browsers take its headers for those of the page that they kept.
			h.Set("Content-Security-Policy", pagePolicy)
		}
		if media == mediaPDF {
			h.Set("Content-Security-Policy", paperPolicy)
		}
		body, encoded := out.body.(raw)
		if !encoded {
			body = encode(out.body)
		}
		if r.cache != noStore || out.etag != "" {
			tag := etag(out.etag, body)
			h.Set("ETag", tag)
			if r.method == http.MethodGet && matches(c.Request().Header.Values("If-None-Match"), tag) {
				c.Response().WriteHeader(http.StatusNotModified)
				return nil
			}
		}
		switch {
		case out.media != "":
			media = out.media
		case media == mediaCSV:
			media += "; charset=utf-8; header=present"
		case media == mediaHTML:
			media += "; charset=utf-8"
		}
		write(c, out.status, media, body)
		return nil
	}
}

// pagePolicy lets a page load what is ours, and nothing else.
const pagePolicy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// paperPolicy lets a browser show a PDF, which it does in an object with styles of its own.
const paperPolicy = "default-src 'none'; object-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'none'"

// write sends an answer whole. It has no error to return: a client that went away needs none.
func write(c echo.Context, status int, media string, body []byte) {
	if status == 0 {
		status = http.StatusOK
	}
	h := c.Response().Header()
	h.Set("Content-Type", media)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	c.Response().WriteHeader(status)
	if c.Request().Method != http.MethodHead {
		_, _ = c.Response().Write(body)
	}
}

// checkQuery reads the query: parameters that the route takes, each with a value, and once unless the
// route says that it may come more often.
func checkQuery(rawQuery string, r route) (url.Values, error) {
	query, err := url.ParseQuery(rawQuery)
	if err != nil {
		return nil, badQuery.says("the query cannot be read: %s", err)
	}
	isPage := len(r.offers) > 0 && r.offers[0] == mediaHTML
	if isPage { // forms send what was left empty, too
		for name, values := range query {
			if query[name] = slices.DeleteFunc(values, func(v string) bool { return v == "" }); len(query[name]) == 0 {
				delete(query, name)
			}
		}
	}
	takes, repeats := r.parameters()
	for _, name := range slices.Sorted(maps.Keys(query)) {
		switch {
		case !slices.Contains(takes, name) && len(takes) == 0:
			return nil, badQuery.says("there is no parameter %q here: it takes none", clip(name))
		case !slices.Contains(takes, name):
			return nil, badQuery.says("there is no parameter %q here: it takes %s", clip(name), strings.Join(takes, ", "))
		case len(query[name]) > 1 && !slices.Contains(repeats, name):
			return nil, badQuery.says("%s is given %d times: give it once", name, len(query[name]))
		case slices.Contains(query[name], ""):
			return nil, badQuery.says("%s is empty: give it a value or leave it out", name)
		}
	}
	return query, nil
}

// clip shortens what a client sent, before it is sent back.
func clip(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}

// pathParam returns a parameter of the path as it was meant: where the path has odd escapes, echo
// leaves all of them in.
func pathParam(c echo.Context, name string) string {
	value := c.Param(name)
	if c.Request().URL.RawPath == "" {
		return value
	}
	plain, err := url.PathUnescape(value)
	if err != nil {
		return value
	}
	return plain
}

// name returns a parameter of the path that names something stored. What has not the form of a
// name cannot be stored, and need not be looked for.
func (r *request) name(param string) (string, error) {
	if v := r.param(param); isName(v) {
		return v, nil
	}
	return "", notFound.says("there can be nothing under the %s %q: names are up to 100 letters, digits and . _ ~ -", param, clip(r.param(param)))
}

func isName(s string) bool {
	other := func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("._~-", c))
	}
	return s != "" && len(s) <= 100 && strings.IndexFunc(s, other) < 0
}

// etag quotes a tag, or makes one of the body.
func etag(tag string, body []byte) string {
	if tag == "" {
		sum := sha256.Sum256(body)
		tag = base64.RawURLEncoding.EncodeToString(sum[:18])
	}
	return `"` + tag + `"`
}

// matches reports whether an If-None-Match header has the tag (RFC 9110, 13.1.2: weak comparison).
func matches(header []string, tag string) bool {
	for _, line := range header {
		for _, one := range split(line, ',') {
			if one == "*" || strings.TrimPrefix(one, "W/") == tag {
				return true
			}
		}
	}
	return false
}

// watch is around every request: it names it, answers its errors and panics, and logs it.
func (a *API) watch(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		start := time.Now()
		id := requestID(c.Request().Header.Values("X-Request-Id"))
		h := c.Response().Header()
		h.Set("X-Request-Id", id)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", noStore) // unless the route knows better
		ctx := origin.With(c.Request().Context(), origin.Origin{Request: id})
		c.SetRequest(c.Request().WithContext(logging.With(ctx, slog.String("request", id))))
		if err := a.guarded(next, c); err != nil {
			a.fail(c, id, err)
		}
		ctx = c.Request().Context() // by now it knows who asked
		seen := Observation{"other", "unmatched", c.Response().Status, time.Since(start)}
		if slices.Contains(methods, c.Request().Method) {
			seen.Method = c.Request().Method
		}
		if path := a.paths[c.Path()]; path != "" {
			seen.Route = path
		}
		a.observe(ctx, seen)
		a.log.InfoContext(ctx, "answered", "method", seen.Method, "route", seen.Route, "status", seen.Status,
			"ms", float64(seen.Took.Microseconds())/1000, "bytes", c.Response().Size)
		return nil
	}
}

var methods = []string{
	http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions,
}

// guarded turns a panic into an error, so that one request cannot end another one's answer.
func (a *API) guarded(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		cause := recover()
		if cause == nil {
			return
		}
		if cause == http.ErrAbortHandler {
			panic(cause)
		}
		a.log.ErrorContext(c.Request().Context(), "panic", "cause", fmt.Sprint(cause), "stack", string(debug.Stack()))
		err = internal.says("")
	}()
	return next(c)
}

// fail answers an error.
func (a *API) fail(c echo.Context, id string, err error) {
	ctx := c.Request().Context()
	p := a.problemOf(ctx, err)
	if p.kind == internal || p.kind == unavailable {
		a.log.ErrorContext(ctx, "request failed", "error", err)
	}
	if c.Response().Committed {
		return
	}
	h := c.Response().Header()
	h.Set("Cache-Control", noStore)
	if r := p.kind.row(); r.retry > 0 {
		h.Set("Retry-After", strconv.Itoa(r.retry))
	}
	for name, value := range p.header {
		h.Set(name, value)
	}
	if a.forPeople(c) {
		if p.kind == keyNeeded && c.Request().Method == http.MethodGet {
			h.Set("Location", "/sign-in?next="+url.QueryEscape(c.Request().URL.RequestURI()))
			write(c, http.StatusSeeOther, mediaHTML, nil)
			return
		}
		if body, err := a.problemPage(p, id); err == nil {
			h.Set("Content-Security-Policy", pagePolicy)
			write(c, p.kind.row().status, mediaHTML+"; charset=utf-8", body)
			return
		}
	}
	write(c, p.kind.row().status, mediaProblem, encode(p.body(id)))
}

// forPeople says whether a person reads the answer: on a page, or where a browser asks, on a wrong
// path or for what could be had in another form as well.
func (a *API) forPeople(c echo.Context) bool {
	isPage, known := a.isPage[c.Path()]
	if !known {
		return negotiate(c.Request().Header.Values("Accept"), []string{mediaProblem, mediaHTML}) == mediaHTML
	}
	return isPage
}

// problemOf says what an error means to a client.
func (a *API) problemOf(ctx context.Context, err error) *problem {
	p := problemOf(err)
	switch {
	case p.kind != internal:
		return p
	case ctx.Err() != nil:
		return clientGone.says("")
	}
	// A fault of ours, or a store that cannot be reached? The one is no use trying again.
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	if store, _ := a.service.Ready(ctx); store != nil && !errors.As(err, new(*problem)) {
		return unavailable.says("")
	}
	return p
}

// requestID takes over a client's id if that is sane, or makes one.
func requestID(header []string) string {
	if len(header) == 1 && len(header[0]) <= 64 && isName(header[0]) {
		return header[0]
	}
	return rand.Text()
}
