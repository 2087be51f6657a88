package api

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/labstack/echo/v4"

	"laidup/api/wire"
	"laidup/internal/logging"
	"laidup/internal/origin"
)

// serve makes a handler for the router out of a row of the table.
func (a *API) serve(r route) echo.HandlerFunc {
	deprecation := r.deprecation()
	takes, repeats := r.parameters()
	isPage := len(r.offers) > 0 && r.offers[0] == wire.MediaHTML
	return func(c echo.Context) error {
		deprecation.announce(c.Response().Header())
		key, err := a.admit(c, r)
		if err != nil {
			return err
		}
		done := a.whileGood(c, r, key)
		defer done()
		query, err := wire.CheckQuery(c.Request().URL.RawQuery, takes, repeats, isPage)
		if err != nil {
			return err
		}
		media, err := wire.Agree(c.Request().Header, query.Get("format"), r.offers)
		if err != nil {
			return err
		}
		out, err := r.handle(&wire.Request{
			Request: c.Request(), Writer: c.Response().Writer, Query: query, Media: media,
			Param: func(name string) string { return pathParam(c, name) },
			Key:   key, Account: a.service.For(key.Organisation),
		})
		if err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set("Cache-Control", r.cache)
		if len(r.offers) > 1 {
			h.Add("Vary", "Accept")
		}
		for name, value := range out.Header {
			h.Set(name, value)
		}
		pack := func(answer func()) { answer() }
		if slices.Contains(compressed, media) {
			pack = func(answer func()) { a.pack(c, answer) }
		}
		if out.Serve != nil {
			pack(func() { out.Serve.ServeHTTP(c.Response(), c.Request()) })
			return nil
		}
		if media == wire.MediaHTML && out.Media == "" {
			// A 304 has it, too: browsers take its headers for those of the page that they kept.
			h.Set("Content-Security-Policy", pagePolicy)
		}
		if media == wire.MediaPDF {
			h.Set("Content-Security-Policy", paperPolicy)
		}
		body, encoded := out.Body.(wire.Raw)
		if !encoded {
			body = wire.Encode(out.Body)
		}
		if r.cache != noStore || out.ETag != "" {
			tag := wire.ETag(out.ETag, body)
			h.Set("ETag", tag)
			if has, ok := wire.Matches(c.Request().Header.Values("If-None-Match"), tag); ok && r.method == http.MethodGet {
				h.Set("ETag", has)
				pack(func() { c.Response().WriteHeader(http.StatusNotModified) })
				return nil
			}
		}
		switch {
		case out.Media != "":
			media = out.Media
		case media == wire.MediaCSV:
			media += "; charset=utf-8; header=present"
		case media == wire.MediaHTML:
			media += "; charset=utf-8"
		}
		pack(func() { write(c, out.Status, media, body) })
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
func (a *API) guarded(next echo.HandlerFunc, c echo.Context) error {
	err := logging.Guard(c.Request().Context(), a.log, func() error { return next(c) }, http.ErrAbortHandler)
	if errors.As(err, new(*logging.PanicError)) {
		return wire.Internal.Says("")
	}
	return err
}

// fail answers an error.
func (a *API) fail(c echo.Context, id string, err error) {
	ctx := c.Request().Context()
	p := a.problemOf(ctx, err)
	if p.Kind == wire.Internal || p.Kind == wire.Unavailable {
		a.log.ErrorContext(ctx, "request failed", "error", err)
	}
	if c.Response().Committed {
		return
	}
	h := c.Response().Header()
	h.Set("Cache-Control", noStore)
	if r := p.Kind.Row(); r.Retry > 0 {
		h.Set("Retry-After", strconv.Itoa(r.Retry))
	}
	for name, value := range p.Header {
		h.Set(name, value)
	}
	if a.forPeople(c) {
		if p.Kind == wire.KeyNeeded && c.Request().Method == http.MethodGet {
			h.Set("Location", "/sign-in?next="+url.QueryEscape(c.Request().URL.RequestURI()))
			write(c, http.StatusSeeOther, wire.MediaHTML, nil)
			return
		}
		if body, err := a.site.ProblemPage(p, id); err == nil {
			h.Set("Content-Security-Policy", pagePolicy)
			write(c, p.Kind.Row().Status, wire.MediaHTML+"; charset=utf-8", body)
			return
		}
	}
	write(c, p.Kind.Row().Status, wire.MediaProblem, wire.Encode(p.Body(id)))
}

// forPeople says whether a person reads the answer: on a page, or where a browser asks, on a wrong
// path or for what could be had in another form as well.
func (a *API) forPeople(c echo.Context) bool {
	isPage, known := a.isPage[c.Path()]
	if !known {
		return wire.Negotiate(c.Request().Header.Values("Accept"), []string{wire.MediaProblem, wire.MediaHTML}) == wire.MediaHTML
	}
	return isPage
}

// problemOf says what an error means to a client.
func (a *API) problemOf(ctx context.Context, err error) *wire.Problem {
	p := wire.ProblemOf(err)
	switch {
	case errors.Is(context.Cause(ctx), errRevoked):
		return wire.KeyNeeded.Says("the key was revoked, or the session ended, while this went on: what was stored until then stays")
	case p.Kind != wire.Internal:
		return p
	case ctx.Err() != nil:
		return wire.ClientGone.Says("")
	}
	// A fault of ours, or a store that cannot be reached? The one is no use trying again.
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	if store, _ := a.service.Ready(ctx); store != nil && !errors.As(err, new(*wire.Problem)) {
		return wire.Unavailable.Says("")
	}
	return p
}

// requestID takes over a client's id if that is sane, or makes one.
func requestID(header []string) string {
	if len(header) == 1 && len(header[0]) <= 64 && wire.IsName(header[0]) {
		return header[0]
	}
	return rand.Text()
}
