package api

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"time"

	"github.com/labstack/echo/v4"

	"laidup/api/site"
	"laidup/internal/access"
)

// errRevoked is why a request ends whose key, or session, is good no more.
var errRevoked = errors.New("the key was revoked meanwhile")

// lookAgain is how often a request that goes on asks whether its key is still good: a revocation ends uploads
// and streams within five seconds, in whichever process they are.
const lookAgain = 1500 * time.Millisecond

// whileGood ends a request that goes on once who asks may not any more: its context is cancelled, and the
// rest of its body not read. The function returned is called when the request is answered.
func (a *API) whileGood(c echo.Context, r route, key access.Key) (done func()) {
	if r.needs == "" || key.ID == "" || a.keys == nil {
		return func() {}
	}
	// What is asked again must not be cancelled with what it is asked for.
	original := c.Request()
	asks := context.WithoutCancel(original.Context())
	ctx, cancel := context.WithCancelCause(original.Context())
	c.SetRequest(original.WithContext(ctx))
	control := http.NewResponseController(c.Response().Writer)
	var mu sync.Mutex
	var over bool
	var timer *time.Timer
	look := func() {
		good := a.stillGood(asks, original, key)
		mu.Lock()
		defer mu.Unlock()
		switch {
		case over: // the connection may serve another request by now
		case good:
			timer.Reset(lookAgain)
		default:
			a.log.InfoContext(asks, "request ended: its key is good no more", "key", key.ID)
			cancel(errRevoked)
			_ = control.SetReadDeadline(time.Now())
		}
	}
	mu.Lock()
	timer = time.AfterFunc(lookAgain, look)
	mu.Unlock()
	return func() {
		mu.Lock()
		defer mu.Unlock()
		over = true
		timer.Stop()
		if context.Cause(ctx) == nil { // else it is told why
			c.SetRequest(original)
		}
		cancel(nil)
	}
}

// stillGood asks once more for the key or the session that a request was admitted by. A store that is away
// for a while ends nothing.
func (a *API) stillGood(ctx context.Context, r *http.Request, key access.Key) bool {
	ctx, cancel := context.WithTimeout(ctx, lookAgain)
	defer cancel()
	var err error
	if cookie, none := r.Cookie(site.SessionCookie); none == nil && len(r.Header.Values("Authorization")) == 0 {
		_, err = a.keys.SignedIn(ctx, cookie.Value)
	} else {
		err = a.keys.StillGood(ctx, key.ID)
	}
	return !errors.Is(err, access.ErrUnknownKey)
}
