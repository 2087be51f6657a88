package api_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"laidup/internal/access"
)

// Whoever holds an upload or a stream open does not go on with a key that was revoked.
func TestARevokedKeyEndsWhatGoesOn(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]func(t *testing.T, w *workshop, server, key string) *http.Request{
		"upload": func(t *testing.T, w *workshop, server, key string) *http.Request {
			body, feed := io.Pipe()
			line := append(bytes.ReplaceAll(tern(t, "tern-01"), []byte("\n"), nil), '\n')
			go func() {
				for range 600 { // a line now and then, for longer than anybody waits here
					if _, err := feed.Write(line); err != nil {
						return
					}
					time.Sleep(100 * time.Millisecond)
				}
				_ = feed.Close()
			}()
			r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, server+"/v1/batches", body)
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("Content-Type", "application/x-ndjson")
			return r
		},
		"stream": func(t *testing.T, w *workshop, server, key string) *http.Request {
			if a := w.post("/v1/reports", tern(t, "tern-01"), key); a.StatusCode != http.StatusAccepted {
				t.Fatalf("the report is answered %d", a.StatusCode)
			}
			r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server+"/v1/vehicles/tern-01/events", nil)
			if err != nil {
				t.Fatal(err)
			}
			return r
		},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			w := closed(t)
			server := httptest.NewServer(w.api.Handler())
			t.Cleanup(server.Close)
			token, key, err := w.keys.Create(t.Context(), access.Order{Organisation: "harrow-lane", Label: "the bench", Scopes: []access.Scope{access.PostReports}})
			if err != nil {
				t.Fatal(err)
			}
			r := c(t, w, server.URL, "Authorization: Bearer "+token)
			r.Header.Set("Authorization", "Bearer "+token)
			ended := make(chan string, 1)
			go func() {
				resp, err := http.DefaultClient.Do(r)
				if err != nil {
					ended <- err.Error()
					return
				}
				defer resp.Body.Close()
				text, _ := io.ReadAll(resp.Body)
				ended <- resp.Status + " " + string(text)
			}()
			select {
			case text := <-ended:
				t.Fatalf("it ended before the key was revoked: %s", text)
			case <-time.After(2 * time.Second):
			}
			if err := w.keys.Revoke(context.Background(), "harrow-lane", key.ID); err != nil {
				t.Fatal(err)
			}
			at := time.Now()
			select {
			case text := <-ended:
				if what == "upload" && !strings.Contains(text, "/problems/key-needed") && !strings.Contains(text, "EOF") && !strings.Contains(text, "reset") && !strings.Contains(text, "pipe") {
					t.Errorf("it ended with %s", text)
				}
				if took := time.Since(at); took > 5*time.Second {
					t.Errorf("it went on for %s", took)
				}
			case <-time.After(20 * time.Second):
				t.Fatal("it goes on")
			}
		})
	}
}
