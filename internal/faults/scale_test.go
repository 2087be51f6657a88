//go:build linux

package faults

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// measureScale has a backlog worked off by one, two and four worker processes that work on one
// assessment at a time, and returns a table of how fast they were.
func measureScale(t *testing.T) string {
	var table strings.Builder
	fmt.Fprintf(&table, "| worker processes, one assessment at a time each | assessments | seconds | assessments a second | as many times as one |\n|--:|--:|--:|--:|--:|\n")
	one := 0.0
	for _, workers := range []int{1, 2, 4} {
		r := layout{workers: -1}.with(t, rand.New(rand.NewPCG(*flagSeed, uint64(workers))))
		n := max(300, *flagReports)
		l := &load{rig: r, reports: n, clients: 4, fault: &fault{}, odd: map[string]int{}, struck: make(chan struct{}), begun: make(chan struct{})}
		close(l.struck)
		from := time.Now()
		var sending sync.WaitGroup
		for c := range l.clients {
			sending.Go(func() { l.client(c, *flagSeed) })
		}
		sending.Wait()
		r.layout.flags = []string{"--workers", "1"} // the last one counts
		for range workers {
			r.addWorker(built(t, current))
		}
		l.audit(from)
		// By the store's own times: how long processes take to start is not measured.
		conn, err := pgx.Connect(t.Context(), r.database)
		if err != nil {
			t.Fatal(err)
		}
		var milliseconds float64
		err = conn.QueryRow(t.Context(), "SELECT max(finished_at) - min(finished_at) FROM assessments").Scan(&milliseconds)
		if err := errors.Join(err, conn.Close(context.WithoutCancel(t.Context()))); err != nil {
			t.Fatal(err)
		}
		rate := float64(n) / milliseconds * 1000
		if one == 0 {
			one = rate
		}
		fmt.Fprintf(&table, "| %d | %d | %.1f | %.0f | %.1f |\n", workers, n, milliseconds/1000, rate, rate/one)
		for _, p := range r.all() {
			p.end(syscall.SIGKILL)
		}
	}
	fmt.Fprintf(&table, "\nThe workers share %d processors with PostgreSQL, Redis and the tests.\n", runtime.NumCPU())
	return table.String()
}

// balancer passes requests on to the processes in turn, as a load balancer that asks /readyz does. It
// tries another process only where a connection was refused, that is, before anything was sent.
type balancer struct {
	all   []*program
	ready []atomic.Bool
	turn  atomic.Int64
	via   *http.Transport
}

// watch asks every process whether it is ready, until ctx ends.
func (b *balancer) watch(ctx context.Context) {
	for ctx.Err() == nil {
		for i, p := range b.all {
			b.ready[i].Store(p.ready())
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// ServeHTTP implements [http.Handler].
func (b *balancer) ServeHTTP(w http.ResponseWriter, in *http.Request) {
	body, err := io.ReadAll(in.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	last := errors.New("no process is ready")
	for range 2 * len(b.all) {
		i := int(b.turn.Add(1)) % len(b.all)
		if !b.ready[i].Load() {
			continue
		}
		out := in.Clone(in.Context())
		out.URL.Scheme, out.URL.Host, out.RequestURI = "http", b.all[i].addr, ""
		out.Body, out.GetBody = io.NopCloser(strings.NewReader(string(body))), nil
		res, err := b.via.RoundTrip(out)
		if err != nil {
			if last = err; errors.Is(err, syscall.ECONNREFUSED) {
				continue
			}
			break
		}
		defer res.Body.Close()
		for name, values := range res.Header {
			w.Header()[name] = values
		}
		w.WriteHeader(res.StatusCode)
		_, _ = io.Copy(w, res.Body)
		return
	}
	http.Error(w, last.Error(), http.StatusBadGateway)
}

// Every process is replaced, one after the other, while reports come at a constant pace: no request
// fails, though none is repeated.
func TestARollingRestartFailsNoRequest(t *testing.T) {
	r := layout{apis: 2, flags: []string{"--grace", "10s"}}.with(t, rand.New(rand.NewPCG(*flagSeed, 2)))
	for _, p := range r.apis {
		p.end(syscall.SIGTERM)
		p.args = append(p.args, "--drain", "1s")
		r.restart(p)
	}
	b := &balancer{all: r.apis, ready: make([]atomic.Bool, len(r.apis)), via: &http.Transport{MaxIdleConnsPerHost: 16}}
	defer b.via.CloseIdleConnections()
	ctx, cancel := context.WithCancel(t.Context())
	var watching sync.WaitGroup
	watching.Go(func() { b.watch(ctx) })
	defer watching.Wait()
	defer cancel()
	r.await("both are ready", func() bool { return b.ready[0].Load() && b.ready[1].Load() })
	front := httptest.NewServer(b)
	defer front.Close()

	l := &load{rig: r, reports: 1 << 30, fault: &fault{}, odd: map[string]int{}, begun: make(chan struct{})}
	through := &program{addr: strings.TrimPrefix(front.URL, "http://")}
	var sent, failed atomic.Int64
	stop := make(chan struct{})
	var sending sync.WaitGroup
	const clients = 4
	from := time.Now()
	for n := range clients {
		sending.Go(func() {
			rng := rand.New(rand.NewPCG(*flagSeed, uint64(n)))
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				case <-time.After(50 * time.Millisecond):
				}
				s := submission{number: i, vehicle: fmt.Sprintf("rolling-%d-%d", n, i/6)} // no key: there is no second try
				s.body = l.write(rng, s, n)
				sent.Add(1)
				status, _, data, err := r.post(context.Background(), reader, through, s)
				a := accepted{submission: s, client: n}
				if err != nil || status != http.StatusAccepted || json.Unmarshal(data, &a) != nil {
					failed.Add(1)
					t.Errorf("request %d: %d %.200s (%v)", i, status, data, err)
					continue
				}
				l.take(a)
			}
		})
	}
	for range max(2, *flagReports/1000) {
		for _, p := range r.all() {
			p.end(syscall.SIGTERM)
			r.restart(p)
			if p.addr != "" {
				r.await("the balancer knows", func() bool {
					return b.ready[0].Load() && b.ready[1].Load()
				})
			}
		}
	}
	close(stop)
	sending.Wait()
	sum := l.audit(from)
	t.Logf("%d requests, %d failed, %d lost, %d doubled, %d wrong", sent.Load(), failed.Load(), sum.Lost, sum.Doubled, sum.Wrong)
	if sum.Accepted < 100 {
		t.Errorf("hardly any load: %d reports", sum.Accepted)
	}
}
