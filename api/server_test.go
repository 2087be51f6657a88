package api_test

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"laidup/api"
)

// server is a workshop behind a real connection.
type server struct {
	t      testing.TB
	url    string
	addr   string
	client *http.Client
}

func serve(t testing.TB, w *workshop) *server {
	t.Helper()
	return serveWith(t, w, func(*http.Server) {})
}

// serveWith serves with some of the server's settings changed.
func serveWith(t testing.TB, w *workshop, change func(*http.Server)) *server {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := api.Server(w.connected(), listener.Addr().String())
	change(s)
	ended := make(chan error)
	go func() { ended <- s.Serve(listener) }()
	transport := &http.Transport{}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if err := s.Shutdown(ctx); err != nil {
			t.Error(err)
		}
		<-ended
	})
	return &server{t, "http://" + s.Addr, s.Addr, &http.Client{Transport: transport}}
}

func (s *server) send(r *http.Request) answer {
	s.t.Helper()
	res, err := s.client.Do(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return answer{res, text}
}

// raw sends bytes and returns all that comes back.
func (s *server) raw(text string) string {
	s.t.Helper()
	c, err := (&net.Dialer{}).DialContext(s.t.Context(), "tcp", s.addr)
	if err != nil {
		s.t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, text); err != nil {
		s.t.Fatal(err)
	}
	back, err := io.ReadAll(c)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(back)
}

func TestEveryTimeAndSizeOfTheServerIsLimited(t *testing.T) {
	t.Parallel()
	s := api.Server(http.NotFoundHandler(), "127.0.0.1:0")
	for name, d := range map[string]time.Duration{"headers": s.ReadHeaderTimeout, "read": s.ReadTimeout, "write": s.WriteTimeout, "idle": s.IdleTimeout} {
		if d <= 0 {
			t.Errorf("%s may take for ever", name)
		}
	}
	if s.WriteTimeout <= api.MaxWait || s.MaxHeaderBytes <= 0 {
		t.Errorf("write timeout %v, header bytes %d", s.WriteTimeout, s.MaxHeaderBytes)
	}
}

func TestABodyThatTrickles(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t, func(o *api.Options) { o.Limits.BodyTime = 50 * time.Millisecond }))
	back := s.raw("POST /v1/reports HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
	if !strings.HasPrefix(back, "HTTP/1.1 408 ") || !strings.Contains(back, "/problems/body-too-slow") || !strings.Contains(back, "Connection: close") {
		t.Errorf("answer %s", back)
	}
}

func TestATooLargeBodyThatIsAnnounced(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	back := s.raw("POST /v1/reports HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nExpect: 100-continue\r\nContent-Length: 99999999\r\n\r\n")
	if !strings.HasPrefix(back, "HTTP/1.1 413 ") || !strings.Contains(back, "1048576") {
		t.Errorf("answer %s", back)
	}
}

func TestABodyThatIsCut(t *testing.T) {
	t.Parallel()
	w := open(t)
	s := serve(t, w)
	c, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, "POST /v1/reports HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{"); err != nil {
		t.Fatal(err)
	}
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		t.Fatal(err)
	}
	back, err := io.ReadAll(c)
	if err != nil || !strings.HasPrefix(string(back), "HTTP/1.1 400 ") || !strings.Contains(string(back), "/problems/body-incomplete") {
		t.Errorf("answer %s, %v", back, err)
	}
}

func TestAClientThatLeaves(t *testing.T) {
	t.Parallel()
	w := open(t)
	gone, leave := context.WithCancel(t.Context())
	leave()
	r := httptest.NewRequestWithContext(gone, http.MethodGet, "/v1/vehicles", nil)
	r.Host = "localhost"
	rec := httptest.NewRecorder()
	w.handler().ServeHTTP(rec, r)
	if rec.Code != 499 || strings.Contains(w.log.String(), `"ERROR"`) {
		t.Errorf("status %d, log %s", rec.Code, w.log)
	}
}

func TestWaitingOutlastsTheTimeForTheBody(t *testing.T) {
	t.Parallel()
	w := open(t, func(o *api.Options) { o.Limits.BodyTime = 200 * time.Millisecond })
	w.queue.holiday.Store(true)
	s := serve(t, w)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.url+"/v1/reports", strings.NewReader(string(tern(t, "tern-01"))))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Prefer", "wait=20")
	late := time.AfterFunc(500*time.Millisecond, w.queue.work)
	defer late.Stop()
	s.send(r).is(t, http.StatusOK)
}

func TestHeadersWithoutEnd(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	back := s.raw("GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Long: " + strings.Repeat("x", 21<<10) + "\r\n\r\n")
	if !strings.HasPrefix(back, "HTTP/1.1 431 ") {
		t.Errorf("answer %.200s", back)
	}
}

func TestDraining(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.queue.holiday.Store(true)
	w.get("/readyz").is(t, http.StatusOK)
	done := make(chan answer)
	go func() { done <- w.post("/v1/reports", tern(t, "tern-01"), "Prefer: wait=30") }()
	for len(w.queue.Handed()) == 0 {
		time.Sleep(time.Millisecond)
	}
	w.api.Drain()
	w.api.Drain() // twice is once
	select {
	case a := <-done:
		a.is(t, http.StatusAccepted)
	case <-time.After(10 * time.Second):
		t.Fatal("a request still waits for its assessment")
	}
	a := w.get("/readyz")
	a.is(t, http.StatusServiceUnavailable)
	if a.object(t)["status"] != "draining" {
		t.Errorf("answer %s", a.text)
	}
	w.get("/healthz").is(t, http.StatusOK)
	w.accept("tern-02")
}

func TestHeadOverAConnection(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	r, err := http.NewRequestWithContext(t.Context(), http.MethodHead, s.url+"/v1/catalogue", nil)
	if err != nil {
		t.Fatal(err)
	}
	a := s.send(r)
	a.is(t, http.StatusOK)
	if len(a.text) > 0 || a.ContentLength < 1000 {
		t.Errorf("%d bytes, length %d", len(a.text), a.ContentLength)
	}
	if banner := a.Header.Get("Server"); banner != "" {
		t.Errorf("the server says that it is %s", banner)
	}
}
