package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"path/filepath"
	"sync"
	"time"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/bucket"
	"laidup/internal/builtin"
	"laidup/internal/config"
	"laidup/internal/logging"
	"laidup/internal/queue"
	"laidup/internal/ruleset"
	"laidup/internal/store"
	"laidup/internal/tracing"
	"laidup/internal/version"
	"laidup/internal/webhook"
	"laidup/schema"
	"laidup/worker"

	"github.com/google/uuid"
)

type serveCommand struct {
	config.HTTP
	config.Store
	config.Queue
	config.Work
	config.Webhooks
	config.Metrics
	config.Log
}

// Run serves until it is told to stop.
func (c *serveCommand) Run(ctx context.Context, t terminal) error {
	o, err := newOutlook(ctx, t, c.Metrics, c.Log)
	if err != nil {
		return err
	}
	p, err := start(ctx, c.HTTP, c.Store, c.Queue, c.Work, c.Webhooks, o)
	if err != nil {
		return err
	}
	if p.open {
		if err := firstKey(ctx, p.keys, c.Data, t); err != nil {
			return errors.Join(err, p.shutDown())
		}
	}
	o.log.Info("serving", "version", version.Current().Version, "address", p.url(), "embedded_store", c.DatabaseURL == "", "embedded_queue", c.RedisURL == "")
	return p.until(ctx)
}

type workCommand struct {
	config.Store
	config.Queue
	config.Work
	config.Webhooks
	config.Metrics
	config.Log
}

// Run works until it is told to stop.
func (c *workCommand) Run(ctx context.Context, t terminal) error {
	if c.DatabaseURL == "" || c.RedisURL == "" {
		return errors.New("a worker of its own needs --database-url and --redis-url: an embedded store and queue belong to the process that serves")
	}
	o, err := newOutlook(ctx, t, c.Metrics, c.Log)
	if err != nil {
		return err
	}
	p, err := open(ctx, c.Store, c.Queue, c.Work, c.Webhooks, o)
	if err != nil {
		return err
	}
	o.log.Info("working", "workers", c.Workers)
	return p.until(ctx)
}

type migrateCommand struct {
	config.Store
}

// Run brings the schema up to date.
func (c *migrateCommand) Run(ctx context.Context, t terminal) error {
	st, err := openStore(ctx, c.Store)
	if err != nil {
		return err
	}
	defer st.Close()
	fmt.Fprintln(t.out, "The store is up to date.")
	return nil
}

// openStore opens the store and migrates it.
func openStore(ctx context.Context, c config.Store) (*store.Store, error) {
	migrations, err := fs.Sub(schema.FS, "migrations")
	if err != nil {
		return nil, fmt.Errorf("find migrations: %w", err)
	}
	st, err := store.Open(ctx, store.Options{DataDir: c.Data, DatabaseURL: c.DatabaseURL, Beside: webhook.KeyFile, Migrations: migrations})
	if err != nil {
		return nil, err
	}
	if err := st.Migrate(ctx); err != nil {
		return nil, errors.Join(err, st.Close())
	}
	return st, nil
}

// openFiles opens where attachments are kept: by default beside the embedded store. Beside PostgreSQL each process would
// have a folder of its own, so there somebody has to say.
func openFiles(ctx context.Context, c config.Store) (*bucket.Bucket, error) {
	switch {
	case c.Attachments != "":
		return bucket.Open(ctx, c.Attachments)
	case c.DatabaseURL == "":
		return bucket.OpenFolder(filepath.Join(c.Data, photoFolder))
	}
	return nil, nil
}

// photoFolder is where attachments are in a data folder.
const photoFolder = "attachments"

// outlook is what of a process can be seen from outside.
type outlook struct {
	log    *slog.Logger
	tracer *tracing.Tracer // nil: nothing is traced
	addr   string          // serves the metrics to everybody who can reach it; empty: there is none
}

func newOutlook(ctx context.Context, t terminal, mc config.Metrics, lc config.Log) (outlook, error) {
	log, err := newLog(t, lc)
	if err != nil {
		return outlook{}, err
	}
	tracer, err := tracing.FromEnvironment(ctx, log)
	return outlook{log, tracer, mc.MetricsAddr}, err
}

// process is the parts of the program that run side by side.
type process struct {
	log      *slog.Logger
	tracer   *tracing.Tracer
	metrics  *metrics
	watch    *http.Server // nil: nobody serves the metrics apart
	watched  net.Listener // nil: nobody serves the metrics apart
	drain    time.Duration
	grace    time.Duration
	store    *store.Store
	files    *bucket.Bucket // nil: nobody has said where attachments are kept
	queue    *queue.Queue
	service  *assess.Service
	keys     *access.Keys
	hooks    *webhook.Hooks
	open     bool         // requests from this machine need no key
	api      *api.API     // nil: this process only works
	server   *http.Server // nil: this process only works
	listener net.Listener // nil: this process only works
	stop     func()       // tells the worker to stop
	silence  func()       // tells the dispatcher to stop
	failed   chan error   // the first part that fails says so
	parts    sync.WaitGroup
}

// open opens store and queue and starts the worker.
func open(ctx context.Context, sc config.Store, qc config.Queue, wc config.Work, hc config.Webhooks, o outlook) (*process, error) {
	log := o.log
	jobs := jobsFrom(wc.Jobs)
	if wc.Jobs != "" { // or every plan would fail
		if _, err := jobs(builtin.FirstStart()); err != nil {
			return nil, err
		}
	}
	// Side by side: together they are most of a start.
	loading := make(chan []*ruleset.Set, 1)
	go func() { loading <- builtin.RuleSets() }()
	st, err := openStore(ctx, sc)
	sets := <-loading
	if err != nil {
		return nil, err
	}
	p := &process{log: log, store: st, tracer: o.tracer, metrics: newMetrics(sets), grace: wc.Grace, failed: make(chan error, 3), stop: func() {}, silence: func() {}}
	if p.queue, err = queue.Open(queue.Options{RedisURL: qc.RedisURL, Logger: log}); err != nil {
		return nil, errors.Join(err, p.close())
	}
	var files assess.Files
	if p.files, err = openFiles(ctx, sc); err != nil {
		return nil, errors.Join(err, p.close())
	}
	if p.files != nil {
		files = p.files
	}
	if err := p.openHooks(sc, hc); err != nil {
		return nil, errors.Join(err, p.close())
	}
	p.service, err = assess.New(assess.Options{
		Store: p.tracer.Store(p.store), Queue: p.tracer.Queue(p.queue), Batches: p.store, Chunks: p.tracer.Chunks(p.queue.Chunks()),
		Outcomes: p.store, Plans: p.store, Planning: p.tracer.Plans(p.queue.Plans()), Jobs: jobs, Attachments: p.store, Files: files, Observer: waking{p.metrics, p.hooks}, Notices: p.queue, Turns: p.store, RuleSets: sets, Loader: builtin.Loader(), Log: log, OverdueAfter: wc.OverdueAfter,
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() },
	})
	if err == nil {
		err = p.service.Keep(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, p.close())
	}
	p.metrics.ask(p.service, p.queue, p.hooks, p.store.Pools())
	p.metrics.workers.Set(float64(wc.Workers))
	if err := p.serveMetrics(o.addr); err != nil {
		return nil, errors.Join(err, p.close())
	}
	if wc.Workers > 0 {
		p.work(worker.New(worker.Options{Tasks: p.tracer.Tasks(p.queue), Scorer: p.service, Concurrency: wc.Workers, Grace: wc.Grace, SweepEvery: wc.SweepEvery, Logger: log}))
		p.dispatch()
		p.parts.Go(func() { _, _ = jobs(sets[0]) }) // the first plan need not wait for it
	}
	return p, nil
}

// serveMetrics serves the metrics apart from the API, as long as there is anything to tell.
func (p *process) serveMetrics(addr string) (err error) {
	if addr == "" {
		return nil
	}
	if p.watched, err = net.Listen("tcp", watchAddr(addr)); err != nil {
		return fmt.Errorf("listen for who asks for metrics: %w", err)
	}
	p.watch = watchServer(p.metrics, addr)
	p.watch.ErrorLog = slog.NewLogLogger(p.log.Handler(), slog.LevelWarn)
	p.log.Info("metrics are served", "address", "http://"+p.watched.Addr().String()+"/metrics")
	go func() {
		if err := p.watch.Serve(p.watched); !errors.Is(err, http.ErrServerClosed) {
			p.failed <- fmt.Errorf("serve metrics: %w", err)
		}
	}()
	return nil
}

func (p *process) work(w *worker.Worker) {
	// The worker stops after the server: what the last requests hand over is still taken.
	ctx, stop := context.WithCancel(context.Background())
	p.stop = stop
	p.parts.Go(func() {
		if err := w.Run(ctx); err != nil {
			p.failed <- fmt.Errorf("work: %w", err)
		}
	})
}

// start opens everything and serves the API.
func start(ctx context.Context, hc config.HTTP, sc config.Store, qc config.Queue, wc config.Work, wh config.Webhooks, o outlook) (*process, error) {
	p, err := open(ctx, sc, qc, wc, wh, o)
	if err != nil {
		return nil, err
	}
	log := o.log
	p.drain = hc.Drain
	p.keys = access.New(p.store, nil, log)
	if p.open, err = mayBeOpen(ctx, p.keys, hc, sc); err != nil {
		return nil, errors.Join(err, p.shutDown())
	}
	if p.listener, err = net.Listen("tcp", hc.Addr); err != nil {
		return nil, errors.Join(fmt.Errorf("listen: %w", err), p.shutDown())
	}
	var origins []string
	for _, o := range hc.Origins {
		origins = append(origins, string(o))
	}
	p.api, err = api.New(api.Options{
		Service: p.service, Keys: p.keys, Open: p.open, Log: log, Metrics: p.metrics.handler(),
		Webhooks: p.hooks, Events: p.store, Origins: origins,
		Observe: func(ctx context.Context, seen api.Observation) {
			p.metrics.observe(seen)
			p.tracer.Answered(ctx, seen.Method, seen.Route, seen.Status)
		},
		Limits: api.Limits{Body: hc.MaxBody, Rate: hc.Rate, Burst: hc.Burst}, Schemas: schema.FS, Version: version.Current().Version,
	})
	if err != nil {
		return nil, errors.Join(err, p.shutDown())
	}
	p.server = api.Server(p.tracer.Handler(p.api.Handler()), hc.Addr)
	p.server.ErrorLog = slog.NewLogLogger(log.Handler(), slog.LevelWarn)
	p.parts.Go(func() {
		if err := p.server.Serve(p.listener); !errors.Is(err, http.ErrServerClosed) {
			p.failed <- fmt.Errorf("serve: %w", err)
		}
	})
	return p, nil
}

// mayBeOpen says whether requests from this machine need no key. Where they do, there has to be one:
// a service that nobody can use is a mistake that shows at once.
func mayBeOpen(ctx context.Context, keys *access.Keys, hc config.HTTP, sc config.Store) (bool, error) {
	if !hc.RequireKeys && sc.DatabaseURL == "" && onLoopback(hc.Addr) {
		return true, nil
	}
	any, err := keys.Any(ctx)
	switch {
	case err != nil:
		return false, err
	case !any:
		return false, fmt.Errorf("there is no API key, and one is needed to serve %s: make one with laidup keys create --organisation NAME --label WHAT-FOR", hc.Addr)
	}
	return false, nil
}

func onLoopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	address, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && address.IsLoopback()
}

func (p *process) url() string { return "http://" + p.listener.Addr().String() }

// until runs until ctx ends or a part fails, and then shuts down.
func (p *process) until(ctx context.Context) error {
	var err error
	select {
	case <-ctx.Done():
		p.log.Info("stopping", "drain", p.drain, "grace", p.grace)
		err = p.drainOff()
	case err = <-p.failed:
	}
	return errors.Join(err, p.shutDown())
}

// drainOff says at /readyz that this process is about to go, and serves on as before for as long as
// others may take to hear of it and send requests elsewhere.
func (p *process) drainOff() error {
	if p.api == nil || p.drain == 0 {
		return nil
	}
	p.api.Drain()
	select {
	case <-time.After(p.drain):
		return nil
	case err := <-p.failed:
		return err
	}
}

// shutDown stops the parts in the order in which they need each other. No more requests are taken
// and those in hand are finished; then no more jobs, and those in hand are finished; then the metrics
// and traces end, which tell of both; then queue and store close. What is not done in time is given
// back to the queue.
func (p *process) shutDown() error {
	var errs []error
	if p.server != nil {
		p.api.Drain()
		ctx, cancel := context.WithTimeout(context.Background(), p.grace)
		defer cancel()
		if err := p.server.Shutdown(ctx); err != nil {
			errs = append(errs, fmt.Errorf("finish requests: %w", err), p.server.Close())
		}
	}
	p.stop()
	p.silence()
	p.parts.Wait()
	return errors.Join(append(errs, p.close())...)
}

func (p *process) close() error {
	var errs []error
	// Now that nothing happens any more there is nothing to tell.
	if p.watch != nil {
		errs = append(errs, p.watch.Close())
	}
	ctx, cancel := context.WithTimeout(context.Background(), timeToTell)
	defer cancel()
	if err := p.tracer.Stop(ctx); err != nil {
		p.log.Warn("last traces not sent", "error", err)
	}
	if p.queue != nil {
		errs = append(errs, p.queue.Close())
	}
	if p.files != nil {
		errs = append(errs, p.files.Close())
	}
	if p.store != nil {
		errs = append(errs, p.store.Close())
	}
	return errors.Join(errs...)
}

// timeToTell is how long the last traces may take to be sent.
const timeToTell = 5 * time.Second

func newLog(t terminal, c config.Log) (*slog.Logger, error) {
	var level slog.Level
	if err := level.UnmarshalText([]byte(c.LogLevel)); err != nil {
		return nil, fmt.Errorf("log level: %w", err)
	}
	return logging.New(t.err, level, c.LogFormat == "json"), nil
}
