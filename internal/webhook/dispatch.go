package webhook

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"sync"
	"time"

	"laidup/internal/logging"
)

// Schedule is how long after each try that failed the next one is made: the example of the Standard
// Webhooks specification, under "Retry schedule and disabling". After the last one it is dead.
var Schedule = []time.Duration{
	5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour, 10 * time.Hour, 14 * time.Hour, 20 * time.Hour, 24 * time.Hour,
}

// jitter is by how much more, at most, a pause is lengthened: receivers that come back do not get
// everything at once.
const jitter = 0.2

// longestPause is how far away the next try is at most, whatever a receiver asks for.
const longestPause = 24 * time.Hour

const (
	answerTime  = 15 * time.Second // for a try, with the connection
	answerBytes = 64 << 10         // of an answer that are read, and thrown away
	leaseTime   = 45 * time.Second // after it somebody else tries: longer than a try takes
	inFlight    = 64               // tries at once
	inFlightOf  = 4                // tries at once to one subscription
	inFlightAll = 8                // tries at once to all subscriptions of one organisation
	pollEvery   = time.Second
	pruneEvery  = time.Minute
	prunedAt    = 500 // events at once
)

// The words for what went wrong other than by an answer. What a receiver says is never repeated.
const (
	troubleAddress = "address_refused"
	troubleTimeout = "timeout"
	troubleNone    = "no_connection"
	troubleSecret  = "secret_unreadable" // #nosec G101 -- a word, and no secret
	troublePanic   = "internal"
)

// The outcomes of a try, for metrics.
const (
	OutcomeDelivered = "delivered"
	OutcomeRetried   = "retried"
	OutcomeDead      = "dead"
	OutcomeDisabled  = "disabled"
)

// Outcomes lists the outcomes of a try.
var Outcomes = []string{OutcomeDelivered, OutcomeRetried, OutcomeDead, OutcomeDisabled}

// DispatcherOptions are what a [Dispatcher] is made of besides its [Hooks]. All may be left out.
type DispatcherOptions struct {
	Log      *slog.Logger
	Tried    func(outcome string) // is told of every try; safe for concurrent use
	Roots    *x509.CertPool       // nil: those of the system
	Resolver *net.Resolver
	Poll     time.Duration // between two looks for what is due; zero: a second
	Lease    time.Duration // zero: 45 s
	Schedule []time.Duration
}

// Dispatcher delivers what is due. Any number of them may run, in any number of processes.
type Dispatcher struct {
	hooks   *Hooks
	o       DispatcherOptions
	clients map[string]*http.Client // by scheme
}

// NewDispatcher returns a dispatcher. Where the hooks have no key it sends nothing, and removes old
// events all the same.
func NewDispatcher(h *Hooks, o DispatcherOptions) *Dispatcher {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Tried == nil {
		o.Tried = func(string) {}
	}
	if o.Poll == 0 {
		o.Poll = pollEvery
	}
	if o.Lease == 0 {
		o.Lease = leaseTime
	}
	if o.Schedule == nil {
		o.Schedule = Schedule
	}
	d := &Dispatcher{hooks: h, o: o, clients: map[string]*http.Client{}}
	for _, scheme := range []string{"http", "https"} {
		d.clients[scheme] = &http.Client{
			Timeout: answerTime,
			// Where a receiver moves to, its owner says here and nobody else.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
			Transport: &http.Transport{
				Proxy:                  nil, // a proxy would dial what the guard does not see
				DialContext:            h.guard.dial(scheme, o.Resolver),
				TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: o.Roots},
				MaxIdleConnsPerHost:    inFlightOf,
				MaxIdleConns:           4 * inFlight,
				IdleConnTimeout:        30 * time.Second,
				MaxResponseHeaderBytes: answerBytes,
				DisableCompression:     true,
			},
		}
	}
	return d
}

// Run delivers until ctx ends. Tries in flight are broken off then, without being counted: their lease
// is over soon.
func (d *Dispatcher) Run(ctx context.Context) {
	var tries sync.WaitGroup
	defer func() {
		tries.Wait()
		for _, c := range d.clients {
			c.CloseIdleConnections()
		}
	}()
	free := make(chan struct{}, inFlight)
	for range inFlight {
		free <- struct{}{}
	}
	done := make(chan struct{}, inFlight)
	poll, prune := time.NewTicker(d.o.Poll), time.NewTicker(pruneEvery)
	defer poll.Stop()
	defer prune.Stop()
	for {
		for _, task := range d.claim(ctx, len(free)) {
			<-free
			tries.Go(func() {
				defer func() { free <- struct{}{}; done <- struct{}{} }()
				d.try(ctx, task)
			})
		}
		select {
		case <-ctx.Done():
			return
		case <-d.hooks.wake:
		case <-done: // there is room again, perhaps for what this one stood in the way of
			drain(done)
		case <-poll.C:
			drain(done)
		case <-prune.C:
			d.prune(ctx)
		}
	}
}

// drain empties a channel: one look serves for all.
func drain(c <-chan struct{}) {
	for {
		select {
		case <-c:
		default:
			return
		}
	}
}

func (d *Dispatcher) claim(ctx context.Context, room int) (tasks []Task) {
	if room == 0 || ctx.Err() != nil || d.hooks.key == nil {
		return nil
	}
	d.guarded(ctx, func() {
		now := d.hooks.clock()
		var err error
		if tasks, err = d.hooks.store.Claim(ctx, now, now.Add(d.o.Lease), Room{inFlightOf, inFlightAll, room}); err != nil && ctx.Err() == nil {
			d.o.Log.WarnContext(ctx, "deliveries not claimed", "error", err)
		}
	})
	return tasks
}

// prune removes old events, in small steps so that others write in between.
func (d *Dispatcher) prune(ctx context.Context) {
	d.guarded(ctx, func() {
		for {
			n, err := d.hooks.store.PruneEvents(ctx, d.hooks.clock().Add(-Kept), prunedAt)
			if err != nil && ctx.Err() == nil {
				d.o.Log.WarnContext(ctx, "old events not removed", "error", err)
			}
			if err != nil || n < prunedAt {
				return
			}
		}
	})
}

// guarded keeps a panic from ending the process.
func (d *Dispatcher) guarded(ctx context.Context, do func()) (ok bool) {
	return logging.Guard(ctx, d.o.Log, func() error {
		do()
		return nil
	}) == nil
}

// answer is what came of sending.
type answer struct {
	status  int
	trouble string
	pause   time.Duration // that the receiver asks for
}

// try makes one try and writes what came of it.
func (d *Dispatcher) try(ctx context.Context, t Task) {
	a := answer{trouble: troublePanic}
	d.guarded(ctx, func() { a = d.send(ctx, t) })
	if ctx.Err() != nil {
		return
	}
	now := d.hooks.clock()
	r := Result{State: Waiting, Status: a.status, Trouble: a.trouble, At: now, DueAt: now}
	outcome := OutcomeRetried
	switch {
	case a.status >= 200 && a.status < 300:
		r.State, outcome = Delivered, OutcomeDelivered
	case a.status == http.StatusGone:
		outcome = OutcomeDisabled
		if err := d.hooks.store.DisableSubscription(ctx, t.To.Organisation, t.To.ID, "the receiver answered 410 Gone", now); err != nil {
			d.o.Log.WarnContext(ctx, "subscription not disabled", "subscription", t.To.ID, "error", err)
		}
		r.DueAt = now.Add(d.pause(t.Attempts, 0))
	case t.Attempts >= len(d.o.Schedule):
		r.State, outcome = Dead, OutcomeDead
	default:
		r.DueAt = now.Add(d.pause(t.Attempts, a.pause))
	}
	if err := d.hooks.store.Settle(ctx, t.Number, r); err != nil {
		// It comes again when the lease is over: twice is better than never.
		d.o.Log.WarnContext(ctx, "delivery not settled", "subscription", t.To.ID, "event", t.Event, "error", err)
		return
	}
	d.o.Tried(outcome)
	level := slog.LevelDebug
	if outcome == OutcomeDead || outcome == OutcomeDisabled {
		level = slog.LevelWarn
	}
	d.o.Log.Log(ctx, level, "delivery tried", "subscription", t.To.ID, "organisation", t.To.Organisation, "event", t.Event,
		"attempt", t.Attempts+1, "outcome", outcome, "status", a.status, "trouble", a.trouble)
}

// pause is how long to wait after a number of tries before the one that failed now; a receiver may ask
// for more.
func (d *Dispatcher) pause(before int, asked time.Duration) time.Duration {
	p := d.o.Schedule[min(before, len(d.o.Schedule)-1)]
	p += time.Duration(rand.Float64() * jitter * float64(p)) // #nosec G404 -- nobody gains by guessing it
	return max(p, min(asked, longestPause))
}

// send posts a delivery and reads what comes back.
func (d *Dispatcher) send(ctx context.Context, t Task) answer {
	at := d.hooks.clock()
	signature, err := d.hooks.key.sign(t.To, t.Event, at, t.Body)
	if err != nil {
		d.o.Log.ErrorContext(ctx, "delivery not signed", "subscription", t.To.ID, "error", err)
		return answer{trouble: troubleSecret}
	}
	// Networks may have been taken off the list since.
	if err := d.hooks.guard.Check(t.To.URL); err != nil {
		return answer{trouble: troubleAddress}
	}
	u, err := url.Parse(t.To.URL)
	if err != nil {
		return answer{trouble: troubleAddress}
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, u.String(), bytes.NewReader(t.Body))
	if err != nil {
		return answer{trouble: troubleAddress}
	}
	// Not to be made again by the client itself: the schedule does that.
	r.GetBody = nil
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "laidup-webhooks/1")
	r.Header.Set("Webhook-Id", t.Event)
	r.Header.Set("Webhook-Timestamp", strconv.FormatInt(at.Unix(), 10))
	r.Header.Set("Webhook-Signature", signature)
	res, err := d.clients[u.Scheme].Do(r)
	if err != nil {
		return answer{trouble: troubleOf(err)}
	}
	defer res.Body.Close()
	// A connection whose answer was read serves again.
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, answerBytes))
	a := answer{status: res.StatusCode}
	if a.status == http.StatusTooManyRequests || a.status == http.StatusServiceUnavailable {
		a.pause = retryAfter(res.Header.Get("Retry-After"), at)
	}
	return a
}

func troubleOf(err error) string {
	var timeout net.Error
	switch {
	case errors.Is(err, errRefused):
		return troubleAddress
	case errors.As(err, &timeout) && timeout.Timeout():
		return troubleTimeout
	}
	return troubleNone
}

// retryAfter reads a Retry-After header (RFC 9110, 10.2.3); zero if it says nothing of use.
func retryAfter(header string, now time.Time) time.Duration {
	if seconds, err := strconv.ParseUint(header, 10, 31); err == nil {
		return time.Duration(seconds) * time.Second // #nosec G115 -- 31 bits
	}
	if at, err := http.ParseTime(header); err == nil {
		return max(0, at.Sub(now))
	}
	return 0
}
