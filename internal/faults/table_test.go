//go:build linux

package faults

import (
	"cmp"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/internal/testserver"
)

var (
	flagReports = flag.Int("reports", 120, "reports to send amid each fault")
	flagRate    = flag.Float64("rate", 40, "reports a second to send, at most, amid one fault")
	flagSeed    = flag.Uint64("seed", 20260502, "seed of all that is left to chance")
	flagUpdate  = flag.Bool("update", false, "write the tables in docs/reliability.md anew")
	flagSide    = flag.Int("side", 4, "faults that are tried side by side")
)

func TestMain(m *testing.M) {
	if spec := os.Getenv(partEnv); spec != "" {
		servePart(spec)
		return
	}
	flag.Parse()
	os.Exit(run(m))
}

func run(m *testing.M) int {
	var err error
	if bin, err = os.MkdirTemp("", "laidup-faults-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(bin)
	// Mostly they wait: more of them than processors fit side by side.
	if err := flag.Set("test.parallel", fmt.Sprint(*flagSide)); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

// fault is one thing that goes wrong.
type fault struct {
	name string
	layout
	// strike does it once and mends what it broke. It is called again and again while reports come.
	strike func(r *rig)
	// answer is how long one request may take; zero means 15 s.
	answer time.Duration
	// clients is how many send reports; zero means 8. times is how many times as many reports they send
	// as amid the other faults; zero means once.
	clients, times int
	// before is called by a client before it sends a report, after once it is accepted.
	before func(l *load, rng *rand.Rand, s submission)
	after  func(l *load, a accepted)
	// check is called at the end.
	check func(r *rig)
}

// row is a line of the table.
type row struct {
	fault string
	tally
}

// TestTable tries every fault and prints what came of it.
func TestTable(t *testing.T) {
	t.Logf("seed %d", *flagSeed)
	shared.server = testserver.OwnPostgreSQL(t, "max_connections=500")
	defer func() { shared.server = nil }()
	var mu sync.Mutex
	rows := map[string]row{}
	t.Run("faults", func(t *testing.T) {
		for _, f := range slices.Concat(faults, recordFaults) {
			t.Run(strings.ReplaceAll(f.name, " ", "_"), func(t *testing.T) {
				t.Parallel()
				done := try(t, &f)
				mu.Lock()
				defer mu.Unlock()
				rows[f.name] = row{f.name, done}
			})
		}
	})
	var table strings.Builder
	table.WriteString("| fault | strikes | requests broken off or refused, and repeated | reports accepted | lost | doubled | wrong | seconds until the last answer |\n|---|--:|--:|--:|--:|--:|--:|--:|\n")
	var sum tally
	for _, f := range slices.Concat(faults, recordFaults) {
		r, ok := rows[f.name]
		if !ok {
			continue // not among those that -run names
		}
		fmt.Fprintf(&table, "| %s | %d | %d | %d | %d | %d | %d | %.1f |\n", r.fault, r.Strikes, r.Broken, r.Accepted, r.Lost, r.Doubled, r.Wrong, r.Last.Seconds())
		sum.Strikes, sum.Broken, sum.Accepted = sum.Strikes+r.Strikes, sum.Broken+r.Broken, sum.Accepted+r.Accepted
		sum.Lost, sum.Doubled, sum.Wrong = sum.Lost+r.Lost, sum.Doubled+r.Doubled, sum.Wrong+r.Wrong
		sum.Last = max(sum.Last, r.Last)
	}
	fmt.Fprintf(&table, "| **all %d** | %d | %d | %d | %d | %d | %d | %.1f at most |\n", len(rows), sum.Strikes, sum.Broken, sum.Accepted, sum.Lost, sum.Doubled, sum.Wrong, sum.Last.Seconds())
	t.Logf("\n%s", table.String())

	var scale string
	t.Run("workers", func(t *testing.T) { scale = measureScale(t) })
	t.Logf("\n%s", scale)
	if *flagUpdate && !t.Failed() {
		when := fmt.Sprintf("Run %s with `-reports %d -rate %g -seed %d` on %d processors (%s/%s, %s).\n\n",
			time.Now().UTC().Format(time.DateOnly), *flagReports, *flagRate, *flagSeed, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version())
		if err := errors.Join(insert("faults", when+table.String()), insert("workers", scale)); err != nil {
			t.Fatal(err)
		}
	}
}

// insert writes a part of docs/reliability.md anew.
func insert(part, text string) error {
	path := filepath.Join(root, "docs", "reliability.md")
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	begin, end := "<!-- "+part+": written by the tests -->\n", "<!-- end of "+part+" -->"
	before, rest, found := strings.Cut(string(data), begin)
	_, after, closed := strings.Cut(rest, end)
	if !found || !closed {
		return fmt.Errorf("%s has no place for %s", path, part)
	}
	return os.WriteFile(path, []byte(before+begin+"\n"+strings.TrimSpace(text)+"\n\n"+end+after), 0o600)
}

// try sends reports while a fault strikes, and tells what came of them.
func try(t *testing.T, f *fault) tally {
	h := fnv.New64a()
	h.Write([]byte(f.name))
	seed := *flagSeed ^ h.Sum64()
	r := f.with(t, rand.New(rand.NewPCG(seed, 0)))
	clients := cmp.Or(f.clients, 8)
	l := &load{
		rig: r, fault: f, reports: *flagReports * max(1, f.times), clients: clients,
		every:  time.Duration(float64(time.Second) * float64(clients) / *flagRate),
		struck: make(chan struct{}), begun: make(chan struct{}), odd: map[string]int{},
	}
	from := time.Now()
	var sending sync.WaitGroup
	for n := range clients {
		sending.Go(func() { l.client(n, seed) })
	}
	sent := make(chan struct{})
	go func() {
		sending.Wait()
		close(sent)
	}()
	strikes := 0
	select {
	case <-l.begun:
	case <-sent:
		t.Error("hardly anything was accepted")
	}
	close(l.struck)
	for over := false; !over; {
		began := time.Now()
		f.strike(r)
		strikes++
		select {
		case <-sent:
			over = true
		// As long without it as with it: there has to be something to break.
		case <-time.After(time.Since(began) + r.between(100*time.Millisecond, 600*time.Millisecond)):
		}
	}
	struck := time.Now()
	sum := l.audit(from)
	sum.Strikes = strikes
	for what, n := range l.odd {
		t.Errorf("%d times: %s", n, what)
	}
	if limit := max(f.answer, 15*time.Second); l.slowest > limit {
		t.Errorf("a request took %s", l.slowest)
	}
	if f.check != nil {
		f.check(r)
	}
	t.Logf("%d accepted, %d strikes, %d repeated, slowest %s, last answer after %s, %s after the last strike",
		sum.Accepted, strikes, sum.Broken, l.slowest.Round(time.Millisecond), sum.Last.Round(time.Millisecond), time.Since(struck).Round(time.Millisecond))
	if t.Failed() {
		t.Logf("complaints:\n%s", r.complaints())
	}
	return sum
}
