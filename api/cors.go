package api

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// sentByBrowsers are the headers of requests that pages of other origins may send, readByBrowsers those of
// answers that they may read, besides what browsers let through anyway.
var (
	sentByBrowsers = []string{"Authorization", "Content-Type", "Idempotency-Key", "If-None-Match", "Last-Event-ID", "Prefer", "X-Request-Id"}
	readByBrowsers = []string{
		"Content-Disposition", "Deprecation", "ETag", "Link", "Location", "Preference-Applied", "RateLimit", "RateLimit-Policy",
		"Report-Received", "Report-Replaced-By", "Report-Withdrawn", "Retry-After", "Sunset", "WWW-Authenticate", "X-Request-Id",
	}
)

// preflightKept is how many seconds a browser may go by an answer on what is allowed.
const preflightKept = 600

// sharing lets pages of some origins use the API from a browser, with a key. Sessions are for the pages of the
// service itself: across origins no cookie is looked at.
func sharing(origins []string) echo.MiddlewareFunc {
	share := middleware.CORSWithConfig(middleware.CORSConfig{
		Skipper:         func(c echo.Context) bool { return !strings.HasPrefix(c.Request().URL.Path, "/v1/") },
		AllowOriginFunc: func(origin string) (bool, error) { return slices.Contains(origins, origin), nil },
		AllowHeaders:    sentByBrowsers, ExposeHeaders: readByBrowsers, MaxAge: preflightKept,
	})
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return share(func(c echo.Context) error {
			r := c.Request()
			if c.Response().Header().Get(echo.HeaderAccessControlAllowOrigin) != "" && !ownOrigin(r) {
				r.Header.Del("Cookie")
			}
			return next(c)
		})
	}
}

// ownOrigin reports whether a page of the service itself sent a request.
func ownOrigin(r *http.Request) bool {
	return strings.HasSuffix(r.Header.Get("Origin"), "://"+r.Host)
}
