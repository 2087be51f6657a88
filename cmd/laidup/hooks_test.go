package main

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"

	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"laidup/internal/testserver"
)

// receiver is who subscribes: it checks what it gets by the library of the specification itself.
type receiver struct {
	mu       sync.Mutex
	check    *standardwebhooks.Webhook // nil until it knows the secret
	got      map[string]map[string]int // how often each event came, by type and id
	refused  int
	tampered int // copies with another body, another id or an old time that the library did not refuse
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	r.mu.Lock()
	defer r.mu.Unlock()
	if err != nil || r.check == nil || r.check.Verify(body, req.Header) != nil {
		r.refused++
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	for name, value := range map[string]string{"": "", "Webhook-Id": "evt_other", "Webhook-Timestamp": "1700000000"} {
		header, text := req.Header.Clone(), body
		if name == "" {
			text = bytes.Replace(body, []byte(`"type"`), []byte(`"tYpe"`), 1)
		} else {
			header.Set(name, value)
		}
		if r.check.Verify(text, header) == nil {
			r.tampered++
		}
	}
	var event struct{ Type string }
	if json.Unmarshal(body, &event) != nil {
		r.refused++
		return
	}
	if r.got[event.Type] == nil {
		r.got[event.Type] = map[string]int{}
	}
	r.got[event.Type][req.Header.Get("Webhook-Id")]++
}

func TestAReceiverOfTheSpecificationIsToldOfEveryLineOfABatch(t *testing.T) {
	t.Run("one process", func(t *testing.T) {
		addr := freeAddr(t)
		toldOfEveryLine(t, launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--webhook-networks", "127.0.0.0/8"))
	})
	t.Run("a server and two workers", func(t *testing.T) {
		addr := freeAddr(t)
		shared := []string{
			"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t),
			"--webhook-networks", "127.0.0.0/8", "--webhook-key", base64.StdEncoding.EncodeToString(make([]byte, 32)),
		}
		p := launch(t, addr, append([]string{"serve", "--addr", addr, "--workers", "0"}, shared...)...)
		for range 2 {
			launch(t, "", append([]string{"work", "--workers", "2"}, shared...)...)
		}
		toldOfEveryLine(t, p)
	})
}

func toldOfEveryLine(t *testing.T, p *program) {
	t.Helper()
	r := &receiver{got: map[string]map[string]int{}}
	server := httptest.NewServer(r)
	defer server.Close()

	send := func(path, media string, body []byte) []byte {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, p.url+path, bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", media)
		status, answer, err := p.do(req)
		if err != nil || status >= 300 {
			t.Fatalf("%s: %d %s (%v)", path, status, answer, err)
		}
		return answer
	}
	var made struct{ ID, Secret string }
	if err := json.Unmarshal(send("/v1/subscriptions", "application/json", fmt.Appendf(nil, `{"url":%q}`, server.URL+"/laidup")), &made); err != nil {
		t.Fatal(err)
	}
	check, err := standardwebhooks.NewWebhook(made.Secret)
	if err != nil {
		t.Fatal(err)
	}
	r.mu.Lock()
	r.check = check
	r.mu.Unlock()

	file := filepath.Join(t.TempDir(), "lot.ndjson")
	const sent = 130 // two chunks
	bad := lot(t, file, sent)
	lines, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	send("/v1/batches", "application/x-ndjson", lines)
	p.eventually(t, "every line is told of", func() bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		return len(r.got["batch.finished"]) == 1 && len(r.got["assessment.finished"]) == sent-bad
	})
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.refused > 0 || r.tampered > 0 || len(r.got["readiness.changed"]) < sent/3 {
		t.Errorf("%d refused, %d tampered with and taken, %d changes", r.refused, r.tampered, len(r.got["readiness.changed"]))
	}
	for kind, events := range r.got {
		for id, n := range events {
			if n != 1 {
				t.Errorf("%s %s came %d times", kind, id, n)
			}
		}
	}
}
