package api

import (
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"laidup/internal/access"
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
	if cookie, err := c.Request().Cookie(sessionCookie); err == nil && len(header.Values("Authorization")) == 0 {
		key, err := a.signedIn(c.Request(), cookie.Value)
		if err == nil {
			known(c, key)
			err = a.keepPace(c.Response().Header(), key)
		}
		switch {
		case err == nil && key.May(r.needs):
			return key, nil
		case err == nil:
			return visitor, scopeNeeded.says("this needs the scope %s; the key that you have signed in by has %v", r.needs, key.Scopes)
		case !a.open:
			return visitor, err
		}
	}
	if len(header.Values("Authorization")) == 0 && a.open {
		if err := onThisMachine(c.Request()); err != nil {
			return visitor, err
		}
		known(c, local)
		return local, nil
	}
	key, err := a.authenticate(c.Request())
	if err != nil {
		return visitor, err
	}
	known(c, key)
	if err := a.keepPace(c.Response().Header(), key); err != nil {
		return visitor, err
	}
	if !key.May(r.needs) {
		p := scopeNeeded.says("this needs the scope %s; the key has %v", r.needs, key.Scopes)
		p.header = map[string]string{"WWW-Authenticate": `Bearer realm="laidup", error="insufficient_scope", scope="` + string(r.needs) + `"`}
		return visitor, p
	}
	return key, nil
}

// known lets the request's lines in the log say who asked: by the key's id, never by the key.
func known(c echo.Context, key access.Key) {
	attrs := []slog.Attr{slog.String("organisation", key.Organisation)}
	if key.ID != "" {
		attrs = append(attrs, slog.String("key", key.ID))
	}
	c.SetRequest(c.Request().WithContext(logging.With(c.Request().Context(), attrs...)))
}

func (a *API) authenticate(r *http.Request) (access.Key, error) {
	refused := func(detail, parameters string) error {
		return &problem{kind: keyNeeded, detail: detail, header: map[string]string{"WWW-Authenticate": `Bearer realm="laidup"` + parameters}}
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
	if err := ownSite(r); err != nil {
		return visitor, err
	}
	key, err := a.keys.SignedIn(r.Context(), session)
	if errors.Is(err, access.ErrUnknownKey) {
		return visitor, keyNeeded.says("the session has ended: sign in again")
	}
	return key, err
}

// ownSite lets no page of another site change anything in the name of who is signed in.
func ownSite(r *http.Request) error {
	if err := http.NewCrossOriginProtection().Check(r); err != nil {
		return crossSite.says("a page of another site sent it")
	}
	return nil
}

// forwarded are headers by which a proxy says that a request comes from elsewhere.
var forwarded = []string{"Forwarded", "X-Real-Ip", "Via", "True-Client-Ip", "X-Client-Ip"} // and X-Forwarded-…

// onThisMachine lets nobody pass whom another site brings, by a page or by a name that leads here,
// or a proxy.
func onThisMachine(r *http.Request) error {
	for name := range r.Header {
		if slices.Contains(forwarded, name) || strings.HasPrefix(name, "X-Forwarded-") {
			return &problem{kind: keyNeeded, detail: "requests that come through a proxy need a key", header: map[string]string{"WWW-Authenticate": `Bearer realm="laidup"`}}
		}
	}
	host, _, err := net.SplitHostPort(r.Host)
	if err != nil {
		host = r.Host
	}
	address, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if !strings.EqualFold(host, "localhost") && (err != nil || !address.IsLoopback()) {
		return crossSite.says("without a key the service has to be called localhost or by its loopback address, not %q", clip(r.Host))
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
	default:
		return crossSite.says("")
	}
	if origin := r.Header.Get("Origin"); origin != "" && origin != "http://"+r.Host && origin != "https://"+r.Host {
		return crossSite.says("")
	}
	return nil
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
		return &problem{kind: tooMany, header: map[string]string{"Retry-After": strconv.Itoa(wait)}}
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

func (a *API) listKeys(r *request) (reply, error) {
	all, err := a.keys.List(r.Context(), r.key.Organisation)
	if err != nil {
		return reply{}, err
	}
	list := struct {
		Organisation string    `json:"organisation"`
		Keys         []keyView `json:"keys"`
	}{r.key.Organisation, []keyView{}}
	for _, k := range all {
		list.Keys = append(list.Keys, viewOf(k))
	}
	return reply{body: list}, nil
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

func (a *API) postKey(r *request) (reply, error) {
	var order keyOrder
	if !says(r.Header, mediaJSON) {
		return reply{}, notJSON.says("")
	}
	err := a.read(r, "an order for a key", 64<<10, func(body []byte) error {
		if err := json.Unmarshal(body, &order, json.RejectUnknownMembers(true)); err != nil {
			return badKeyOrder.says("an order is {\"label\": \"…\", \"scopes\": [\"…\"], \"expires_at\": \"…\"}, the last if it is to end%s", placeOf(err))
		}
		return nil
	})
	if err != nil {
		return reply{}, err
	}
	wanted := access.Order{Organisation: r.key.Organisation, Label: order.Label, Scopes: order.Scopes}
	if order.ExpiresAt != nil {
		if order.ExpiresAt.IsZero() { // which would mean never
			return reply{}, badKeyOrder.says("the key would have expired already")
		}
		wanted.ExpiresAt = *order.ExpiresAt
	}
	token, key, err := a.keys.Create(r.Context(), wanted)
	if err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusCreated, body: madeKey{token, viewOf(key)}}, nil
}

// placeOf says where JSON is not what was wanted, without the words of the decoder, which speaks of
// our program.
func placeOf(err error) string {
	var syntax *jsontext.SyntacticError
	var meaning *json.SemanticError
	switch {
	case errors.As(err, &syntax):
		return fmt.Sprintf(": not JSON, or a name that stands twice, at byte %d", syntax.ByteOffset)
	case errors.As(err, &meaning) && meaning.JSONPointer != "":
		return ": see " + clip(string(meaning.JSONPointer))
	}
	return ""
}

func (a *API) deleteKey(r *request) (reply, error) {
	id, err := r.name("id")
	if err != nil {
		return reply{}, err
	}
	if err := a.keys.Revoke(r.Context(), r.key.Organisation, id); err != nil {
		return reply{}, err
	}
	return reply{body: struct {
		ID      string `json:"id"`
		Revoked bool   `json:"revoked"`
	}{id, true}}, nil
}
