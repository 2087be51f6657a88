//go:build linux

package faults

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// hookReceiver takes deliveries at one address, when it is there, and is slow.
type hookReceiver struct {
	mu  sync.Mutex
	ids map[string]map[string]bool // the webhook-ids under which an assessment was told
}

func (h *hookReceiver) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var body struct{ Data struct{ Assessment string } }
	data, err := io.ReadAll(r.Body)
	if err != nil || json.Unmarshal(data, &body) != nil {
		return // the sender died amid it
	}
	time.Sleep(20 * time.Millisecond)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ids[body.Data.Assessment] == nil {
		h.ids[body.Data.Assessment] = map[string]bool{}
	}
	h.ids[body.Data.Assessment][r.Header.Get("webhook-id")] = true
	w.WriteHeader(http.StatusNoContent)
}

// serve takes deliveries until the function returned is called, which cuts off those that are in hand.
func (h *hookReceiver) serve(t *testing.T, addr string) (stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: h, ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = s.Serve(l) }()
	return func() { _ = s.Close() }
}

// The process is killed again and again, the receiver comes and goes: whatever was accepted is told in
// the end, under one id each.
func TestWhateverIsAcceptedIsToldThoughTheSenderIsKilledAndTheReceiverIsDown(t *testing.T) {
	const reports = 60
	h, addr := &hookReceiver{ids: map[string]map[string]bool{}}, freeAddr(t)
	p := &program{path: built(t, current), addr: freeAddr(t)}
	p.args = []string{"serve", "--addr", p.addr, "--data", t.TempDir(), "--webhook-networks", "127.0.0.0/8", "--rate", "1e6", "--burst", "1000000"}
	begin := func() {
		t.Helper()
		if err := p.start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(20 * time.Second); !p.ready(); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(deadline) {
				t.Fatalf("not ready: %s", p.log().complaints())
			}
		}
	}
	begin()
	t.Cleanup(func() { p.end(syscall.SIGKILL) })
	post := func(path string, body []byte) map[string]any {
		t.Helper()
		res, err := probe.Post(p.url()+path, "application/json", bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		var answer map[string]any
		if err := json.NewDecoder(res.Body).Decode(&answer); err != nil || res.StatusCode >= 300 {
			t.Fatalf("%s: %d %v (%v)", path, res.StatusCode, answer, err)
		}
		return answer
	}
	subscription := post("/v1/subscriptions", fmt.Appendf(nil, `{"url":"http://%s/hook","types":["assessment.finished"]}`, addr))["id"].(string)
	report, err := os.ReadFile(filepath.Join(root, "schema", "demo", "corvane-dale-07.1.json"))
	if err != nil {
		t.Fatal(err)
	}
	accepted := map[string]bool{}
	for i := range reports {
		body := bytes.ReplaceAll(report, []byte("corvane-dale-07"), fmt.Appendf(nil, "corvane-dale-%d", i))
		accepted[post("/v1/reports", body)["id"].(string)] = true
		if i%15 == 14 {
			stop := h.serve(t, addr)
			time.Sleep(100 * time.Millisecond) // some arrive
			p.end(syscall.SIGKILL)
			stop()
			begin()
		}
	}
	defer h.serve(t, addr)()
	missing := func() (n int) {
		h.mu.Lock()
		defer h.mu.Unlock()
		for id := range accepted {
			if len(h.ids[id]) == 0 {
				n++
			}
		}
		return n
	}
	// What was in flight comes again when its lease is over; what has failed is not waited for.
	for deadline := time.Now().Add(90 * time.Second); missing() > 0; time.Sleep(time.Second) {
		if time.Now().After(deadline) {
			t.Fatalf("%d of %d were never told\n%s", missing(), len(accepted), p.log().complaints())
		}
		for _, d := range list(t, p.url()+"/v1/subscriptions/"+subscription+"/deliveries?state=waiting&limit=200") {
			if d.LastTry != "" {
				post("/v1/subscriptions/"+subscription+"/deliveries/"+d.ID+"/replay", nil)
			}
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for id, ids := range h.ids {
		if len(ids) != 1 || !accepted[id] {
			t.Errorf("%s was told as %v (accepted: %t)", id, ids, accepted[id])
		}
	}
}

type waitingDelivery struct {
	ID      string `json:"id"`
	LastTry string `json:"last_try"`
}

func list(t *testing.T, url string) []waitingDelivery {
	t.Helper()
	res, err := probe.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var page struct{ Deliveries []waitingDelivery }
	if err := json.NewDecoder(res.Body).Decode(&page); err != nil {
		t.Fatal(err)
	}
	return page.Deliveries
}
