//go:build linux

package faults

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

func hostOf(t testing.TB, address string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	return u.Host
}

// book is the rule set that reports are scored under, with what scores them.
var book = sync.OnceValue(func() *score.Scorer { return score.New(builtin.FirstStart()) })

// patterns are the reports that all others are made of.
var patterns = sync.OnceValues(func() (all []map[string]any, err error) {
	files, err := filepath.Glob(filepath.Join(root, "schema", "demo", "*.json"))
	if err != nil {
		return nil, err
	}
	for _, name := range append(files, filepath.Join(root, "testdata", "cases", "base-tern.json"), filepath.Join(root, "testdata", "cases", "base-dale.json")) {
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		var pattern map[string]any
		if err := json.Unmarshal(data, &pattern); err != nil {
			return nil, err
		}
		all = append(all, pattern)
	}
	return all, nil
})

// submission is a report that a client wants to be taken in.
type submission struct {
	number  int // counts what one client sends
	vehicle string
	gate    string // empty: the rule set's own question
	key     string
	body    []byte
}

// accepted is a submission with its receipt.
type accepted struct {
	submission
	client int
	ID     string `json:"id"`
	Report string `json:"report"`
}

// load is clients that send reports for as long as there are any left.
type load struct {
	*rig
	reports  int
	clients  int
	every    time.Duration // between two reports of one client
	fault    *fault
	struck   chan struct{} // closed at the first strike: the last reports wait for it
	begun    chan struct{} // closed when some reports are accepted
	once     sync.Once
	sent     atomic.Int64
	mu       sync.Mutex
	accepted []accepted
	broken   int // requests that came to no good answer and were repeated
	slowest  time.Duration
	odd      map[string]int // answers that nobody should get
}

var gates = []string{"", "", "crank", "road_test"}

// client sends its share of the reports.
func (l *load) client(n int, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	transport := &http.Transport{MaxIdleConnsPerHost: 1}
	defer transport.CloseIdleConnections()
	c := &http.Client{Transport: transport, Timeout: 20 * time.Second}
	own := max(1, l.reports/l.clients/5)
	for i := range l.reports / l.clients {
		if i >= l.reports/l.clients*2/3 {
			<-l.struck
		}
		vehicle := fmt.Sprintf("own-%d-%d", n, rng.IntN(own))
		if rng.IntN(4) == 0 {
			vehicle = fmt.Sprintf("shared-%d", rng.IntN(max(1, l.reports/40)))
		}
		s := submission{number: i, vehicle: vehicle, gate: gates[rng.IntN(len(gates))], key: fmt.Sprintf("key-%d-%d", n, i)}
		s.body = l.write(rng, s, n)
		if l.fault.before != nil {
			l.fault.before(l, rng, s)
		}
		a, ok := l.send(c, rng, s)
		if !ok {
			return
		}
		a.client = n
		l.take(a)
		if l.fault.after != nil {
			l.fault.after(l, a)
		}
		if rng.IntN(10) == 0 {
			if again, ok := l.send(c, rng, s); ok && (again.ID != a.ID || again.Report != a.Report) {
				l.oddly("another receipt for the same key")
			}
		}
		time.Sleep(time.Duration(rng.Int64N(int64(2*l.every) + 1)))
	}
}

func (l *load) take(a accepted) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.accepted = append(l.accepted, a)
	if len(l.accepted) > l.reports/8 {
		l.once.Do(func() { close(l.begun) })
	}
}

func (l *load) oddly(what string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.odd[what]++
}

// write makes up a valid report: a pattern, with some observations left out.
func (l *load) write(rng *rand.Rand, s submission, client int) []byte {
	all, err := patterns()
	if err != nil {
		l.Error(err)
		return nil
	}
	h := uint32(0)
	for _, b := range []byte(s.vehicle) {
		h = h*31 + uint32(b)
	}
	pattern := all[int(h)%len(all)] // all the reports on one vehicle are of one pattern
	keep := 0.1 + 0.9*rng.Float64()*rng.Float64()
	var observations []any
	for _, o := range pattern["observations"].([]any) {
		if rng.Float64() < keep {
			observations = append(observations, o)
		}
	}
	if len(observations) == 0 {
		observations = pattern["observations"].([]any)[:1]
	}
	out := map[string]any{}
	for k, v := range pattern {
		out[k] = v
	}
	vehicle := map[string]any{}
	for k, v := range pattern["vehicle"].(map[string]any) {
		vehicle[k] = v
	}
	vehicle["reference"] = s.vehicle
	out["vehicle"], out["observations"], out["reference"] = vehicle, observations, fmt.Sprintf("bench-%d-%d", client, s.number)
	data, err := json.Marshal(out)
	if err != nil {
		l.Error(err)
	}
	return data
}

// send sends a report until it is accepted.
func (l *load) send(c *http.Client, rng *rand.Rand, s submission) (accepted, bool) {
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); {
		from := time.Now()
		status, retry, data, err := l.post(context.Background(), c, l.api(int(l.sent.Add(1))), s)
		took := time.Since(from)
		l.mu.Lock()
		l.slowest = max(l.slowest, took)
		l.mu.Unlock()
		switch {
		case err == nil && status == http.StatusAccepted:
			a := accepted{submission: s}
			if err := json.Unmarshal(data, &a); err != nil || a.ID == "" || a.Report == "" {
				l.oddly("a receipt that is none")
			}
			return a, true
		case err == nil && status == http.StatusServiceUnavailable && retry != "":
		case err == nil:
			l.oddly(fmt.Sprintf("%d with Retry-After %q: %.120s", status, retry, data))
		}
		l.mu.Lock()
		l.broken++
		l.mu.Unlock()
		time.Sleep(50*time.Millisecond + time.Duration(rng.Int64N(int64(100*time.Millisecond))))
	}
	l.Errorf("report %s was not accepted in time", s.key)
	return accepted{}, false
}

func (r *rig) post(ctx context.Context, c *http.Client, to *program, s submission) (status int, retry string, data []byte, err error) {
	target := to.url() + "/v1/reports"
	if s.gate != "" {
		target += "?gate=" + s.gate
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, target, bytes.NewReader(s.body))
	if err != nil {
		return 0, "", nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	if s.key != "" {
		req.Header.Set("Idempotency-Key", s.key)
	}
	if r.key != "" {
		req.Header.Set("Authorization", "Bearer "+r.key)
	}
	res, err := c.Do(req)
	if err != nil {
		return 0, "", nil, err
	}
	defer res.Body.Close()
	data, err = io.ReadAll(res.Body)
	return res.StatusCode, res.Header.Get("Retry-After"), data, err
}

var reader = &http.Client{Timeout: 20 * time.Second}

// get asks for JSON.
func (r *rig) get(path string, into any) (status int, data []byte, err error) {
	if status, data, err = r.ask(0, http.MethodGet, path, ""); err != nil {
		return 0, nil, err
	}
	return status, data, json.Unmarshal(data, into)
}

// tally is what came of the reports.
type tally struct {
	Accepted, Lost, Doubled, Wrong int
	Broken, Strikes                int
	Last                           time.Duration // from the first report to the last answer
}

// audit waits for all assessments and holds them against what was accepted.
func (l *load) audit(from time.Time) tally {
	sum := tally{Accepted: len(l.accepted), Broken: l.broken}
	bodies := map[string][]byte{}
	deadline := time.Now().Add(patience + time.Duration(len(l.accepted))*50*time.Millisecond)
	for _, a := range l.accepted {
		for {
			var got struct{ State string }
			status, data, err := l.get("/v1/assessments/"+a.ID, &got)
			if err == nil && status == http.StatusOK && got.State == "done" {
				bodies[a.ID] = bytes.TrimSpace(data)
				break
			}
			if err == nil && (status == http.StatusNotFound || got.State == "failed") || time.Now().After(deadline) {
				l.Errorf("assessment %s of %s on %s: %d %.300s (%v)", a.ID, a.key, a.vehicle, status, data, err)
				sum.Lost++
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	sum.Last = time.Since(from)
	vehicles := map[string][]accepted{}
	for _, a := range l.accepted {
		vehicles[a.vehicle] = append(vehicles[a.vehicle], a)
	}
	for vehicle, sent := range vehicles {
		l.auditVehicle(vehicle, sent, bodies, &sum)
	}
	return sum
}

// entry is a line of a vehicle's history.
type entry struct {
	ID, State, Report string
}

// auditVehicle holds a vehicle's history against what was sent, and every assessment against the one
// scored offline.
func (l *load) auditVehicle(vehicle string, sent []accepted, bodies map[string][]byte, sum *tally) {
	var history []entry
	var reports int
	for next := ""; ; {
		var page struct {
			Reports int
			History []entry
			Next    string
		}
		status, data, err := l.get("/v1/vehicles/"+vehicle+"?limit=100"+next, &page)
		if err != nil || status != http.StatusOK {
			l.Errorf("vehicle %s: %d %.300s (%v)", vehicle, status, data, err)
			return
		}
		history, reports = append(history, page.History...), page.Reports
		if page.Next == "" {
			break
		}
		next = "&cursor=" + url.QueryEscape(page.Next)
	}
	slices.Reverse(history) // the oldest first
	if extra := max(reports, len(history)) - len(sent); extra > 0 {
		l.Errorf("vehicle %s has %d reports and %d assessments; %d were accepted", vehicle, reports, len(history), len(sent))
		sum.Doubled += extra
	}
	byReport, last := map[string]accepted{}, map[int]int{}
	for _, a := range sent {
		byReport[a.Report] = a
	}
	s := book()
	var dossier []*report.Report
	for _, h := range history {
		a, known := byReport[h.Report]
		if !known {
			return // one too many, which is counted
		}
		delete(byReport, h.Report)
		// What one client sent one after the other is stored in that order.
		if before, ok := last[a.client]; ok && before > a.number {
			l.Errorf("vehicle %s has the reports of client %d out of order", vehicle, a.client)
			sum.Wrong++
		}
		last[a.client] = a.number
		r, _, faults := report.Decode(a.body, s.RuleSet().Catalogue)
		if len(faults) > 0 {
			l.Errorf("report %s: %v", a.key, faults)
			return
		}
		dossier = append(dossier, r)
		body, done := bodies[a.ID]
		if !done {
			continue // lost, which is counted
		}
		gate := slices.IndexFunc(s.RuleSet().Gates, func(g *ruleset.Gate) bool { return g.ID == a.gate })
		want := s.Evaluate(dossier, gate)
		wording.English().Write(want)
		want.ID, want.Report = a.ID, a.Report
		data, err := want.JSON()
		if err != nil || !bytes.Equal(data, body) || h.ID != a.ID || h.State != "done" {
			l.Errorf("assessment %s of %s is not the one scored offline (%v):\n%.300s\n%.300s", a.ID, a.key, err, data, body)
			sum.Wrong++
		}
	}
	for _, a := range byReport {
		l.Errorf("report %s on %s is not in the vehicle's history", a.Report, vehicle)
		sum.Lost++
	}
}
