// Package api serves the use cases of package assess over HTTP: JSON in and out, CSV for what goes
// into a spreadsheet, problem details (RFC 9457) for everything that goes wrong.
//
// Every endpoint is one row of the table in routes.go. What the rows have in common stands in serve.go:
// query parameters, content negotiation, conditional requests, request ids, the access log. Handlers see
// neither echo nor the response writer: they take a request and return a reply or an error.
//
// The handlers of resources are here, a file for each. Package wire is the HTTP below them, package site
// has the handlers of pages, package describe the description of the API.
package api

import (
	"cmp"
	"context"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/hashicorp/golang-lru/v2/simplelru"
	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"

	"laidup/api/describe"
	"laidup/api/site"
	"laidup/api/wire"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/logging"
	"laidup/internal/webhook"
)

// Options are what an [API] is made of. Service is required, and Keys unless it is Open.
type Options struct {
	Service *assess.Service
	Keys    *access.Keys
	// Open lets who is on this machine and sends no key do everything for [access.Workshop]. It is
	// for a server that listens on loopback alone.
	Open bool
	Log  *slog.Logger // nil: no log
	// Metrics answers GET /metrics; nil: there is no such route.
	Metrics http.Handler
	// Observe is told of every request once it is answered, under its context; nil: nobody is. It has
	// to be safe for concurrent use.
	Observe func(context.Context, Observation)
	Limits  Limits
	Version string // of the program, as GET /healthz and the description say it
	// Origins are those whose pages may use the API from a browser, such as https://shop.example.
	Origins []string
	// Schemas has the JSON Schemas besides that of reports, as package schema has them; nil: there are
	// no others.
	Schemas fs.FS
	// Webhooks are the subscriptions; nil: there are none.
	Webhooks *webhook.Hooks
	// Events are what has happened; nil: nobody is told.
	Events assess.EventLog
}

// Observation is one request that was answered. Route and Method are from closed lists, so that
// they may label a metric: Route is the path of [Route], or "unmatched"; an odd method is "other".
type Observation struct {
	Method, Route string
	Status        int
	Took          time.Duration
}

// Limits keep one client from taking what others need.
type Limits struct {
	Body     int64         // bytes of a report; zero means 1 MiB
	BodyTime time.Duration // how long a report may take to arrive; zero means 10 s
	Wait     time.Duration // how long "Prefer: wait" may wait, to the second; zero means 30 s
	Rate     float64       // requests a second of one key; zero means 50
	Burst    int           // requests at once of one key; zero means 200
	Ready    time.Duration // how long store and queue may take to answer /readyz; zero means 2 s
}

// MaxWait is the longest [Limits.Wait] that the timeouts of [Server] leave room for.
const MaxWait = 60 * time.Second

// API is the service's HTTP side. It is safe for concurrent use.
type API struct {
	service     *assess.Service
	keys        *access.Keys
	open        bool
	paceMu      sync.Mutex
	pace        *simplelru.LRU[string, *rate.Limiter] // by the id of a key
	log         *slog.Logger
	metrics     http.Handler
	version     string
	observe     func(context.Context, Observation)
	limits      Limits
	origins     []string
	compress    func(http.Handler) http.HandlerFunc
	bodies      *wire.Bodies
	uploads     uploads // batches, exports, imports
	photoBodies *wire.Bodies
	photos      uploads
	trying      sync.Map // organisations of which a rule set is in hand
	waiting     atomic.Int64
	catalogue   wire.Raw
	echo        *echo.Echo
	paths       map[string]string // the path of a route by what echo calls it
	isPage      map[string]bool   // whether a person reads what is there, by what echo calls it
	site        *site.Site
	streams     *wire.Streams
	hooks       *webhook.Hooks  // nil: there are none
	happened    assess.EventLog // nil: nobody is told
	draining    chan struct{}   // closed by Drain
	drain       sync.Once

	described func() (description, error) // made when somebody first asks
}

// description is what the API says of itself.
type description struct {
	openAPI wire.Raw
	schemas map[string]wire.Raw // by name
	list    describe.Schemas
}

// New makes an API. The error is one of the pages, which are built in.
func New(o Options) (*API, error) {
	a := &API{
		service: o.Service, keys: o.Keys, open: o.Open, log: logging.Carrying(o.Log),
		metrics: o.Metrics, version: o.Version, observe: o.Observe, hooks: o.Webhooks, happened: o.Events, origins: o.Origins,
		limits: Limits{
			Body:     cmp.Or(o.Limits.Body, 1<<20),
			BodyTime: cmp.Or(o.Limits.BodyTime, 10*time.Second),
			Wait:     min(cmp.Or(o.Limits.Wait, 30*time.Second), MaxWait),
			Rate:     cmp.Or(o.Limits.Rate, 50),
			Burst:    cmp.Or(o.Limits.Burst, 200),
			Ready:    cmp.Or(o.Limits.Ready, 2*time.Second),
		},
		draining: make(chan struct{}),
	}
	a.pace, _ = simplelru.NewLRU[string, *rate.Limiter](10_000, nil) // fails on a size below one alone
	if a.observe == nil {
		a.observe = func(context.Context, Observation) {}
	}
	a.photoBodies = wire.NewBodies(photoTime, "send it smaller")
	a.bodies, a.streams = wire.NewBodies(a.limits.BodyTime, "split it"), wire.NewStreams(a.draining)
	a.catalogue = wire.Encode(catalogueOf(o.Service.Current()))
	var err error
	if a.compress, err = newCompression(); err != nil {
		return nil, err
	}
	// It takes longer than all the rest of a start, and few ask.
	a.described = sync.OnceValues(func() (d description, err error) {
		if d.schemas, d.list, err = describe.ReadSchemas(o.Schemas, o.Service.ReportSchema()); err == nil {
			d.openAPI, err = describe.OpenAPI(a.rows(), o.Service.ReportSchema(), o.Version)
		}
		return d, err
	})
	openAPI := func() ([]byte, error) {
		d, err := a.described()
		return d.openAPI, err
	}
	if a.site, err = site.New(o.Service, o.Keys, o.Open, a.bodies, openAPI, a.keepPace); err != nil {
		return nil, err
	}
	a.route()
	return a, nil
}

// Handler answers the requests.
func (a *API) Handler() http.Handler { return a.echo }

// Drain is called some time before the server shuts down: from now on /readyz answers 503, so that
// no new clients are sent here, and requests that wait for an assessment are answered 202 at once.
// Everything else is answered as before.
func (a *API) Drain() { a.drain.Do(func() { close(a.draining) }) }

// Server returns a server for the handler of an [API] that lets no client hold a connection for
// ever or send headers without end.
func Server(handler http.Handler, addr string) *http.Server {
	return &http.Server{
		Addr:              addr,
		Handler:           handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      MaxWait + 30*time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
	}
}
