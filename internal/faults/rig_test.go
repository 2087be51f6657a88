//go:build linux

package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	toxiproxy "github.com/Shopify/toxiproxy/v2"
	"github.com/jackc/pgx/v5"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/redis/go-redis/v9"
	"github.com/rs/zerolog"

	"laidup/internal/queue"
	"laidup/internal/testserver"
)

// layout is how the processes and services of a rig are put together.
type layout struct {
	sqlite        bool     // one process with its own store and queue; else PostgreSQL and Redis
	apis, workers int      // processes; zero means one and two, less than zero none
	wired         bool     // PostgreSQL and Redis are reached over wires that can be cut
	postgres      []string // settings of a PostgreSQL of its own; nil: one is shared
	parts         bool     // the processes are put together here, not by the program: see part
	photos        bool     // they are kept in an object store over a wire
	flags         []string // more flags for the processes
}

// rig is one installation of the program, with the services that it needs.
type rig struct {
	*testing.T
	layout layout
	rng    *rand.Rand // for who strikes

	postgres, redis     *testserver.Server
	toPostgres, toRedis *wire
	database            string // past the wire
	data                string // SQLite's folder
	key                 string

	// What single faults keep.
	disk      string // where the tests find SQLite's disk; "none": it has none of its own
	strikes   int
	clocks    string // folder of the files that set clocks
	supervise sync.Once
	poisoned  []accepted
	// Three of each vehicle that a fault writes about itself.
	ownReports [][]accepted
	objects    *s3mem.Backend
	toObjects  *wire
	photos     []string // that are stored
	lots       []lot
	handing    sync.Once
	queue      *queue.Queue

	programs      sync.Mutex // guards the lists, not what is in them
	apis, workers []*program
}

// shared is the PostgreSQL server of all rigs that do no harm to the server itself.
var shared struct {
	sync.Mutex
	server    *testserver.Server
	databases atomic.Int64
}

func (l layout) with(t *testing.T, rng *rand.Rand) *rig {
	t.Helper()
	r := &rig{T: t, layout: l, rng: rng}
	path := built(t, current)
	if l.sqlite {
		r.data = t.TempDir()
		r.addAPI(path)
		r.await("it serves", r.apis[0].ready)
		return r
	}
	r.postgres = shared.server
	if l.postgres != nil || r.postgres == nil {
		r.postgres = testserver.OwnPostgreSQL(t, l.postgres...)
	}
	var err error
	if r.database, err = r.postgres.Database(t.Context(), fmt.Sprintf("rig%d", shared.databases.Add(1))); err != nil {
		t.Fatal(err)
	}
	r.redis = testserver.OwnRedis(t)
	if l.wired {
		r.toPostgres, r.toRedis = newWire(t, r.postgres.URL), newWire(t, r.redis.URL)
	}
	out, err := exec.Command(path, "keys", "create", "--label", "test", "--scopes", "admin", "--database-url", r.database).Output()
	if err != nil {
		t.Fatalf("make a key: %v", err)
	}
	r.key = strings.TrimSpace(string(out))
	if l.photos {
		r.keepPhotos()
	}
	for range max(1, l.apis) {
		r.addAPI(path)
	}
	workers := l.workers
	if workers == 0 {
		workers = 2
	}
	for range max(0, workers) {
		r.addWorker(path)
	}
	for _, p := range r.all() {
		r.await("they are ready", p.ready)
	}
	return r
}

// pace is how often the rigs look for what is overdue: much oftener than usual, so that a test need
// not wait for it long.
var pace = []string{"--sweep-every", "200ms", "--overdue-after", "1s"}

// services are the flags that lead to PostgreSQL and Redis.
func (r *rig) services() []string {
	database, redis := r.database, r.redis.URL
	if r.toPostgres != nil {
		database, redis = r.toPostgres.instead(database), r.toRedis.instead(redis)
	}
	return []string{"--database-url", database, "--redis-url", redis}
}

func (r *rig) addAPI(path string) *program {
	p := &program{path: path, addr: freeAddr(r.T)}
	flags := []string{"--workers", "2", "--data", r.data}
	if !r.layout.sqlite {
		flags = append(r.services(), "--workers", "0")
	}
	p.args = slices.Concat([]string{"serve", "--addr", p.addr, "--rate", "1e6", "--burst", "1000000"}, pace, flags, r.layout.flags)
	r.launch(p)
	r.programs.Lock()
	defer r.programs.Unlock()
	r.apis = append(r.apis, p)
	return p
}

func (r *rig) addWorker(path string) *program {
	p := &program{path: path, args: slices.Concat([]string{"work", "--workers", "2"}, pace, r.services(), r.layout.flags)}
	r.launch(p)
	r.programs.Lock()
	defer r.programs.Unlock()
	r.workers = append(r.workers, p)
	return p
}

// launch starts a process that ends with the test.
func (r *rig) launch(p *program) {
	if r.layout.photos {
		p.env = append(p.env, objectStoreEnv...)
	}
	if r.layout.parts {
		p.asPart(r)
	}
	r.start(p)
	r.Cleanup(func() { p.end(syscall.SIGKILL) })
}

func (r *rig) start(p *program) {
	if err := p.start(); err != nil {
		r.Errorf("start: %v", err)
	}
}

// restart starts a process again and waits until it is ready.
func (r *rig) restart(p *program) {
	r.start(p)
	r.await("it is ready again", p.ready)
}

// all are the processes, the APIs first.
func (r *rig) all() []*program {
	r.programs.Lock()
	defer r.programs.Unlock()
	return slices.Concat(r.apis, r.workers)
}

func (r *rig) api(n int) *program {
	r.programs.Lock()
	defer r.programs.Unlock()
	return r.apis[n%len(r.apis)]
}

// some picks one.
func some[T any](r *rig, of []T) T { return of[r.rng.IntN(len(of))] }

// between is some time from least to most.
func (r *rig) between(least, most time.Duration) time.Duration {
	return least + time.Duration(r.rng.Int64N(int64(most-least)))
}

// patience is how long anything may take until the rig has recovered.
const patience = 90 * time.Second

func (r *rig) await(what string, is func() bool) {
	r.Helper()
	for deadline := time.Now().Add(patience); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			r.Errorf("not in time: %s\n%s", what, r.complaints())
			return
		}
	}
}

func (r *rig) complaints() string {
	var b strings.Builder
	for i, p := range r.all() {
		fmt.Fprintf(&b, "process %d (%s):\n%s", i, p.args[0], p.log().complaints())
	}
	return b.String()
}

// redisClient is a client past the wire.
func (r *rig) redisClient() *redis.Client {
	o, err := redis.ParseURL(r.redis.URL)
	if err != nil {
		r.Fatal(err)
	}
	c := redis.NewClient(o)
	r.Cleanup(func() { c.Close() })
	return c
}

// admin runs statements as the administrator, from a session of its own past the wire, in the
// server's own database.
func (r *rig) admin(statements ...string) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, r.postgres.URL)
	if err != nil {
		r.Errorf("administer: %v", err)
		return
	}
	defer conn.Close(ctx)
	for _, s := range statements {
		if _, err := conn.Exec(ctx, strings.ReplaceAll(s, "DATABASE_NAME", r.databaseName())); err != nil {
			r.Errorf("%s: %v", s, err)
		}
	}
}

func (r *rig) databaseName() string {
	c, err := pgx.ParseConfig(r.database)
	if err != nil {
		r.Fatal(err)
	}
	return c.Database
}

// wire is a way to a service that can be made bad.
type wire struct {
	t     testing.TB
	proxy *toxiproxy.Proxy
	from  string
}

func newWire(t testing.TB, service string) *wire {
	t.Helper()
	at := hostOf(t, service)
	server := toxiproxy.NewServer(toxiproxy.NewMetricsContainer(prometheus.NewRegistry()), zerolog.Nop())
	w := &wire{t: t, from: at, proxy: toxiproxy.NewProxy(server, at, "127.0.0.1:0", at)}
	if err := w.proxy.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.proxy.Stop)
	return w
}

// instead is the URL with the wire's end in the place of the service.
func (w *wire) instead(url string) string { return strings.Replace(url, w.from, w.proxy.Listen, 1) }

// spoil makes the wire bad, in one direction, until mend.
func (w *wire) spoil(kind, direction string, attributes map[string]any) {
	toxic, err := json.Marshal(map[string]any{"name": kind + direction, "type": kind, "stream": direction, "attributes": attributes})
	if err != nil {
		w.t.Error(err)
		return
	}
	if _, err := w.proxy.Toxics.AddToxicJson(strings.NewReader(string(toxic))); err != nil {
		w.t.Errorf("spoil wire: %v", err)
	}
}

func (w *wire) mend() { w.proxy.Toxics.ResetToxics(context.Background()) }
