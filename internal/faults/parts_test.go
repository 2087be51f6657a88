//go:build linux

package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/google/uuid"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/queue"
	"laidup/internal/ruleset"
	"laidup/internal/store"
	"laidup/schema"
	"laidup/worker"
)

// partEnv has the test program be an API or a worker: made of the same parts as the program that
// ships, but with a clock that tests can set and reports that end it.
const partEnv = "LAIDUP_FAULTS_PART"

// part says what the test program is to be.
type part struct {
	Addr, DatabaseURL, RedisURL string
	Clock                       string // a file with the milliseconds that its clock is ahead
}

// asPart makes a process of the rig a part.
func (p *program) asPart(r *rig) {
	database, redis := r.services()[1], r.services()[3]
	spec, err := json.Marshal(part{p.addr, database, redis, p.clock(r)})
	if err != nil {
		r.Fatal(err)
	}
	p.path, p.args, p.env = built(r.T, parts), []string{"part"}, []string{partEnv + "=" + string(spec)}
}

// clock is the file that sets the clock of a process.
func (p *program) clock(r *rig) string {
	if r.clocks == "" {
		r.clocks = r.TempDir()
	}
	return filepath.Join(r.clocks, fmt.Sprintf("%p", p))
}

func servePart(spec string) {
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
	var p part
	if err := json.Unmarshal([]byte(spec), &p); err != nil {
		panic(err)
	}
	if err := p.serve(context.Background(), log); err != nil {
		log.Error("part failed", "error", err)
		os.Exit(1)
	}
}

func (p part) serve(ctx context.Context, log *slog.Logger) error {
	clock := func() time.Time {
		text, _ := os.ReadFile(p.Clock) // not set: nothing ahead
		ahead, _ := strconv.Atoi(string(text))
		return time.Now().Add(time.Duration(ahead) * time.Millisecond)
	}
	migrations, err := fs.Sub(schema.FS, "migrations")
	if err != nil {
		return err
	}
	st, err := store.Open(ctx, store.Options{DatabaseURL: p.DatabaseURL, Migrations: migrations})
	if err != nil {
		return err
	}
	q, err := queue.Open(queue.Options{RedisURL: p.RedisURL, Logger: log})
	if err != nil {
		return err
	}
	loader := builtin.Loader()
	set := builtin.FirstStart()
	service, err := assess.New(assess.Options{
		Store: deadly{st}, Queue: q, Batches: st, Chunks: q.Chunks(), Notices: q, Turns: st, RuleSets: []*ruleset.Set{set}, Loader: loader, Log: log, Clock: clock,
		OverdueAfter: 300 * time.Millisecond, NewID: func() string { return uuid.Must(uuid.NewV7()).String() },
	})
	if err != nil {
		return err
	}
	if err := service.Keep(ctx); err != nil {
		return err
	}
	if p.Addr == "" {
		fmt.Fprintln(os.Stderr, working)
		return worker.New(worker.Options{Tasks: q, Scorer: service, Concurrency: 2, SweepEvery: 200 * time.Millisecond, Logger: log}).Run(ctx)
	}
	listener, err := net.Listen("tcp", p.Addr)
	if err != nil {
		return err
	}
	a, err := api.New(api.Options{Service: service, Keys: access.New(st, clock, log), Log: log, Limits: api.Limits{Rate: 1e6, Burst: 1e6}})
	if err != nil {
		return err
	}
	return api.Server(a.Handler(), p.Addr).Serve(listener)
}

// deadly is a store with reports that end who reads them.
type deadly struct{ assess.Store }

const deadlyVehicle, panicVehicle = "deadly-", "panic-"

// Dossier implements [assess.Store].
func (d deadly) Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]assess.Report, error) {
	switch {
	case strings.HasPrefix(vehicle, deadlyVehicle):
		time.Sleep(10 * time.Millisecond) // others are in the middle of something too
		os.Exit(3)
	case strings.HasPrefix(vehicle, panicVehicle):
		panic("on purpose")
	}
	return d.Store.Dossier(ctx, organisation, vehicle, upTo)
}

// stepClocks sets the clocks of all processes, each to a time of its own, and has the queue forget
// what waits: what was accepted by one clock has to be found by another.
func stepClocks(r *rig) {
	for _, p := range r.workers {
		p.signal(syscall.SIGSTOP)
	}
	for _, p := range r.all() {
		ahead := []int{-3_600_000, 0, 3_600_000}[r.rng.IntN(3)]
		if err := os.WriteFile(p.clock(r), []byte(strconv.Itoa(ahead)), 0o600); err != nil {
			r.Errorf("set clock: %v", err)
		}
	}
	time.Sleep(r.between(0, time.Second))
	if err := r.redisClient().FlushAll(context.Background()).Err(); err != nil {
		r.Errorf("flush: %v", err)
	}
	for _, p := range r.workers {
		p.signal(syscall.SIGCONT)
	}
}

// poison posts a report that no worker survives, and one that none can work out, and starts workers again
// whenever they end, as whoever runs them would.
func poison(r *rig) {
	r.supervise.Do(func() {
		for _, p := range r.workers {
			stop := make(chan struct{})
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				for {
					select {
					case <-p.done():
						r.start(p)
					case <-stop:
						return
					}
				}
			}()
			r.Cleanup(func() { close(stop); <-ended })
		}
		l := &load{rig: r}
		for i, vehicle := range []string{deadlyVehicle + "1", panicVehicle + "1"} {
			s := submission{number: i, vehicle: vehicle, key: vehicle}
			s.body = l.write(r.rng, s, 0)
			if a, ok := l.send(http.DefaultClient, r.rng, s); ok {
				r.poisoned = append(r.poisoned, a)
			}
		}
	})
	time.Sleep(time.Second)
}

// checkPoisoned wants the reports of poison to have failed, with a problem that says why.
func checkPoisoned(r *rig) {
	for _, a := range r.poisoned {
		var got struct {
			State   string
			Problem struct{ Title, Detail string }
		}
		r.await(a.vehicle+" failed", func() bool {
			_, _, err := r.get("/v1/assessments/"+a.ID, &got)
			return err == nil && got.State == "failed"
		})
		want := "Given up"
		if strings.HasPrefix(a.vehicle, panicVehicle) {
			want = "Something went wrong here"
		}
		if got.Problem.Title != want || !strings.Contains(got.Problem.Detail, a.ID) {
			r.Errorf("%s: %+v", a.vehicle, got)
		}
	}
}
