package api

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"laidup/api/site"
	"laidup/api/wire"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/logging"
)

// visitor is who needs no key, on a route that needs none.
var visitor = access.Key{}

// local is who sends no key to an open server on its own machine.
var local = access.Key{Organisation: access.Workshop, Label: "this machine", Scopes: []access.Scope{access.Administration}}

// admit says who asks, if he may.
func (a *API) admit(c echo.Context, r route) (access.Key, error) {
	if r.needs == "" {
		return visitor, nil
	}
	header := c.Request().Header
	if cookie, err := c.Request().Cookie(site.SessionCookie); err == nil && len(header.Values("Authorization")) == 0 {
		key, err := a.signedIn(c.Request(), cookie.Value)
		if err == nil {
			known(c, key, assess.BySession)
			err = a.keepPace(c.Response().Header(), key)
		}
		switch {
		case err == nil && key.May(r.needs):
			return key, nil
		case err == nil:
			return visitor, wire.ScopeNeeded.Says("this needs the scope %s; the key that you have signed in by has %v", r.needs, key.Scopes)
		case !a.open:
			return visitor, err
		}
	}
	if len(header.Values("Authorization")) == 0 && a.open {
		if err := wire.OnThisMachine(c.Request()); err != nil {
			return visitor, err
		}
		known(c, local, assess.OnMachine)
		return local, nil
	}
	key, err := a.authenticate(c.Request())
	if err != nil {
		return visitor, err
	}
	known(c, key, assess.ByKey)
	if err := a.keepPace(c.Response().Header(), key); err != nil {
		return visitor, err
	}
	if !key.May(r.needs) {
		p := wire.ScopeNeeded.Says("this needs the scope %s; the key has %v", r.needs, key.Scopes)
		p.Header = map[string]string{"WWW-Authenticate": `Bearer realm="laidup", error="insufficient_scope", scope="` + string(r.needs) + `"`}
		return visitor, p
	}
	return key, nil
}

// known lets the request's lines in the log, and the audit trail, say who asked: by the key's id, never by the
// key.
func known(c echo.Context, key access.Key, through assess.Means) {
	attrs := []slog.Attr{slog.String("organisation", key.Organisation)}
	if key.ID != "" {
		attrs = append(attrs, slog.String("key", key.ID))
	}
	ctx := assess.By(c.Request().Context(), assess.Actor{Through: through, Key: key.ID})
	c.SetRequest(c.Request().WithContext(logging.With(ctx, attrs...)))
}

func (a *API) authenticate(r *http.Request) (access.Key, error) {
	refused := func(detail, parameters string) error {
		return &wire.Problem{Kind: wire.KeyNeeded, Detail: detail, Header: map[string]string{"WWW-Authenticate": `Bearer realm="laidup"` + parameters}}
	}
	given := r.Header.Values("Authorization")
	if len(given) == 0 {
		return visitor, refused("", "")
	}
	scheme, token, _ := strings.Cut(given[0], " ")
	if len(given) > 1 || !strings.EqualFold(scheme, "Bearer") || a.keys == nil {
		return visitor, refused("a key is sent once, as Authorization: Bearer lu_…", `, error="invalid_request"`)
	}
	key, err := a.keys.Authenticate(r.Context(), strings.TrimLeft(token, " "))
	if errors.Is(err, access.ErrUnknownKey) {
		return visitor, refused("the key is unknown, revoked or expired", `, error="invalid_token"`)
	}
	return key, err
}

// signedIn says who has signed in, and lets no page of another site make use of it.
func (a *API) signedIn(r *http.Request, session string) (access.Key, error) {
	if err := wire.OwnSite(r); err != nil {
		return visitor, err
	}
	key, err := a.keys.SignedIn(r.Context(), session)
	if errors.Is(err, access.ErrUnknownKey) {
		return visitor, wire.KeyNeeded.Says("the session has ended: sign in again")
	}
	return key, err
}

// keepPace counts a request of a key, and says in the headers how many it may still send
// (draft-ietf-httpapi-ratelimit-headers).
func (a *API) keepPace(h http.Header, key access.Key) error {
	limiter, now := a.limiter(key.ID), time.Now()
	allowed := limiter.AllowN(now, 1)
	left := max(0, limiter.TokensAt(now))
	full := math.Ceil((float64(a.limits.Burst) - left) / a.limits.Rate)
	h.Set("RateLimit-Policy", fmt.Sprintf(`"key";q=%d;w=%d`, a.limits.Burst, max(1, int(math.Ceil(float64(a.limits.Burst)/a.limits.Rate)))))
	h.Set("RateLimit", fmt.Sprintf(`"key";r=%d;t=%d`, int(left), int(full)))
	if !allowed {
		wait := max(1, int(math.Ceil((1-left)/a.limits.Rate)))
		return &wire.Problem{Kind: wire.TooMany, Header: map[string]string{"Retry-After": strconv.Itoa(wait)}}
	}
	return nil
}

func (a *API) limiter(key string) *rate.Limiter {
	a.paceMu.Lock()
	defer a.paceMu.Unlock()
	limiter, ok := a.pace.Get(key)
	if !ok {
		limiter = rate.NewLimiter(rate.Limit(a.limits.Rate), a.limits.Burst)
		a.pace.Add(key, limiter)
	}
	return limiter
}

// keyView is an API key without what is secret.
type keyView struct {
	ID         string         `json:"id"`
	Label      string         `json:"label"`
	Scopes     []access.Scope `json:"scopes"`
	CreatedAt  time.Time      `json:"created_at"`
	ExpiresAt  *time.Time     `json:"expires_at,omitempty"`
	RevokedAt  *time.Time     `json:"revoked_at,omitempty"`
	LastUsedAt *time.Time     `json:"last_used_at,omitempty"`
}

func viewOf(k access.Key) keyView {
	unless := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		return &t
	}
	return keyView{k.ID, k.Label, k.Scopes, k.CreatedAt, unless(k.ExpiresAt), unless(k.RevokedAt), unless(k.LastUsedAt)}
}

func (a *API) listKeys(r *wire.Request) (wire.Reply, error) {
	all, err := a.keys.List(r.Context(), r.Key.Organisation)
	if err != nil {
		return wire.Reply{}, err
	}
	list := struct {
		Organisation string    `json:"organisation"`
		Keys         []keyView `json:"keys"`
	}{r.Key.Organisation, []keyView{}}
	for _, k := range all {
		list.Keys = append(list.Keys, viewOf(k))
	}
	return wire.Reply{Body: list}, nil
}

// keyOrder is what a key is made of.
type keyOrder struct {
	Label     string         `json:"label"`
	Scopes    []access.Scope `json:"scopes"`
	ExpiresAt *time.Time     `json:"expires_at"` // none: it does not end
}

// madeKey is a key that was made, with the key itself.
type madeKey struct {
	Key string `json:"key"` // cannot be had again
	keyView
}

func (a *API) postKey(r *wire.Request) (wire.Reply, error) {
	// Any program on this machine may ask without a key: none of them gets one that outlasts it.
	if r.Key.ID == "" {
		return wire.Reply{}, wire.KeyNeeded.Says("a key is made by who has one with the scope %s, or by laidup keys create", access.Administration)
	}
	var order keyOrder
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.Reply{}, wire.NotJSON.Says("")
	}
	err := a.bodies.Read(r, "an order for a key", 64<<10, func(body []byte) error {
		if err := json.Unmarshal(body, &order, json.RejectUnknownMembers(true)); err != nil {
			return wire.BadKeyOrder.Says("an order is {\"label\": \"…\", \"scopes\": [\"…\"], \"expires_at\": \"…\"}, the last if it is to end%s", wire.PlaceOf(err))
		}
		return nil
	})
	if err != nil {
		return wire.Reply{}, err
	}
	wanted := access.Order{Organisation: r.Key.Organisation, Label: order.Label, Scopes: order.Scopes}
	if order.ExpiresAt != nil {
		if order.ExpiresAt.IsZero() { // which would mean never
			return wire.Reply{}, wire.BadKeyOrder.Says("the key would have expired already")
		}
		wanted.ExpiresAt = *order.ExpiresAt
	}
	token, key, err := a.keys.Create(r.Context(), wanted)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Status: http.StatusCreated, Body: madeKey{token, viewOf(key)}}, nil
}

func (a *API) deleteKey(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	if err := a.keys.Revoke(r.Context(), r.Key.Organisation, id); err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: struct {
		ID      string `json:"id"`
		Revoked bool   `json:"revoked"`
	}{id, true}}, nil
}
