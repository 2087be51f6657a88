package api_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/api"
	"laidup/internal/access"
)

// Here stand attacks that need a connection: what net/http does with them is part of what we promise.

// dial opens a connection that ends with the test, or after some seconds.
func (s *server) dial(t testing.TB) net.Conn {
	t.Helper()
	c, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	if err := c.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return c
}

// statuses sends bytes, says that nothing more comes, and returns the status of each answer.
func (s *server) statuses(t testing.TB, text string) (codes []int, rest string) {
	t.Helper()
	c := s.dial(t)
	go func() { // the server may answer before it has taken all
		_, _ = io.WriteString(c, text)
		_ = c.(*net.TCPConn).CloseWrite()
	}()
	in := bufio.NewReader(c)
	for {
		res, err := http.ReadResponse(in, nil)
		if err != nil {
			return codes, fmt.Sprint(err)
		}
		codes = append(codes, res.StatusCode)
		if _, err := io.Copy(io.Discard, res.Body); err != nil {
			return codes, fmt.Sprint(err)
		}
		_ = res.Body.Close()
	}
}

func TestRequestsThatMayBeReadInTwoWays(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	const smuggled = "GET /v1/keys HTTP/1.1\r\nHost: localhost\r\n\r\n"
	post := func(headers, body string) string {
		return "POST /v1/reports/check HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n" + headers + "\r\n" + body
	}
	for name, c := range map[string]struct {
		text string
		want []int
	}{
		// A chunked body ends where its chunks end, whatever the length says (RFC 9112, 6.3): what follows
		// is a request of its own, and none of it is taken for the body.
		"length and chunks":              {post("Content-Length: 4\r\nTransfer-Encoding: chunked\r\n", "0\r\n\r\n"+smuggled), []int{422, 200}},
		"two lengths":                    {post("Content-Length: 2\r\nContent-Length: 40\r\n", "{}"+smuggled), []int{400}},
		"two lengths in one":             {post("Content-Length: 2, 40\r\n", "{}"+smuggled), []int{400}},
		"a length below nothing":         {post("Content-Length: -1\r\n", "{}"), []int{400}},
		"a length with a sign":           {post("Content-Length: +2\r\n", "{}"), []int{400}},
		"a length beyond all numbers":    {post("Content-Length: 99999999999999999999\r\n", "{}"), []int{400}},
		"chunks twice":                   {post("Transfer-Encoding: chunked\r\nTransfer-Encoding: chunked\r\n", "0\r\n\r\n"), []int{400, 501}},
		"chunks and another coding":      {post("Transfer-Encoding: chunked, identity\r\n", "0\r\n\r\n"), []int{501}},
		"gzip as a transfer coding":      {post("Transfer-Encoding: gzip, chunked\r\n", "0\r\n\r\n"), []int{501}},
		"a coding that looks like it":    {post("Transfer-Encoding: xchunked\r\n", "0\r\n\r\n"), []int{501}},
		"a coding behind a tab":          {post("Transfer-Encoding:\tchunked\r\n", "0\r\n\r\n"), []int{422}},
		"a space before the colon":       {post("Transfer-Encoding : chunked\r\n", "0\r\n\r\n"), []int{400}},
		"a folded header":                {post("X-A: 1\r\n Transfer-Encoding: chunked\r\nContent-Length: 2\r\n", "{}"), []int{400, 422}},
		"a size that is no number":       {post("Transfer-Encoding: chunked\r\n", "zz\r\n{}\r\n0\r\n\r\n"), []int{400}},
		"a size beyond all numbers":      {post("Transfer-Encoding: chunked\r\n", "fffffffffffffffff\r\n{}\r\n0\r\n\r\n"), []int{400}},
		"a size with more behind it":     {post("Transfer-Encoding: chunked\r\n", "2;"+strings.Repeat("x", 8000)+"\r\n{}\r\n0\r\n\r\n"), []int{400}},
		"a chunk longer than it says":    {post("Transfer-Encoding: chunked\r\n", "1\r\n{}\r\n0\r\n\r\n"), []int{400}},
		"a header without end in chunks": {post("Transfer-Encoding: chunked\r\n", "0\r\nX: "+strings.Repeat("x", 100_000)), []int{400}},
		"two hosts":                      {"GET /healthz HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n", []int{400}},
		"no host":                        {"GET /healthz HTTP/1.1\r\n\r\n", []int{400}},
		"a NUL in a header":              {"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-A: a\x00b\r\n\r\n", []int{400}},
		"a NUL in the path":              {"GET /health\x00z HTTP/1.1\r\nHost: localhost\r\n\r\n", []int{400}},
		"a bare return":                  {"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-A: a\rb: c\r\n\r\n", []int{400}},
		"no version":                     {"GET /healthz\r\n\r\n", []int{400}},
		"HTTP/2 by the way":              {"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", []int{400, 404, 505}},
		"TLS where there is none":        {"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", []int{400}},
		"CONNECT":                        {"CONNECT evil.example:443 HTTP/1.1\r\nHost: evil.example:443\r\n\r\n", []int{404, 405}},
	} {
		t.Run(strings.ReplaceAll(name, " ", "_"), func(t *testing.T) {
			codes, rest := s.statuses(t, c.text)
			switch {
			case len(codes) == 0:
				t.Errorf("no answer: %s", rest)
			case name == "length and chunks":
				if len(codes) != 2 || codes[0] != 422 {
					t.Errorf("answers %v, %s", codes, rest)
				}
			case len(codes) != 1:
				t.Errorf("%d answers %v: what was smuggled was heard", len(codes), codes)
			default:
				ok := false
				for _, want := range c.want {
					ok = ok || codes[0] == want
				}
				if !ok {
					t.Errorf("answer %d, want one of %v", codes[0], c.want)
				}
			}
		})
	}
	// And the service is as it was.
	s.get(t, "/healthz").is(t, http.StatusOK)
}

func (s *server) get(t testing.TB, path string) answer {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, s.url+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s.send(r)
}

func TestRequestsInAPipelineAreAnsweredInOrder(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	text := ""
	var want []int
	for i := range 200 {
		path, code := "/healthz", 200
		if i%2 == 1 {
			path, code = "/nowhere", 404
		}
		text += "GET " + path + " HTTP/1.1\r\nHost: localhost\r\n\r\n"
		want = append(want, code)
	}
	if codes, _ := s.statuses(t, text); fmt.Sprint(codes) != fmt.Sprint(want) {
		t.Errorf("answers %v", codes)
	}
}

// Whoever opens connections and says little on them keeps nobody else waiting, and is shown out.
func TestManySlowConnections(t *testing.T) {
	t.Parallel()
	w := open(t)
	s := serveWith(t, w, func(h *http.Server) {
		h.ReadHeaderTimeout, h.ReadTimeout, h.IdleTimeout = time.Second, 2*time.Second, time.Second
	})
	const each = 100
	var slow []net.Conn
	for i, text := range []string{
		"", "G", "GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-A: ",
		"POST /v1/reports/check HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{",
		"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n",
	} {
		for range each {
			c := s.dial(t)
			if _, err := io.WriteString(c, text); err != nil {
				t.Fatal(i, err)
			}
			slow = append(slow, c)
		}
	}
	start := time.Now()
	s.get(t, "/healthz").is(t, http.StatusOK)
	s.get(t, "/v1/vehicles").is(t, http.StatusOK)
	if took := time.Since(start); took > 15*time.Second {
		t.Errorf("others waited %v", took)
	}
	var all sync.WaitGroup
	for _, c := range slow {
		all.Go(func() {
			// A byte now and then does not help.
			for range 3 {
				_, _ = io.WriteString(c, "x")
				time.Sleep(200 * time.Millisecond)
			}
			if _, err := io.Copy(io.Discard, c); err != nil && strings.Contains(err.Error(), "timeout") {
				t.Error("a connection is held for ever")
			}
		})
	}
	all.Wait()
}

func TestFloodsOfHeaders(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t))
	for name, headers := range map[string]string{
		"many":     strings.Repeat("X-A: b\r\n", 10_000),
		"cookies":  "Cookie: " + strings.Repeat("laidup=x; ", 5_000) + "\r\n",
		"one line": "X-" + strings.Repeat("a", 30_000) + ": b\r\n",
	} {
		back := s.raw("GET /healthz HTTP/1.1\r\nHost: localhost\r\n" + headers + "\r\n")
		if !strings.HasPrefix(back, "HTTP/1.1 431 ") {
			t.Errorf("%s: answer %.200s", name, back)
		}
	}
	// As many as fit are no burden.
	s.get(t, "/healthz").is(t, http.StatusOK)
	long := "GET /v1/vehicles?" + strings.Repeat("a=1&", 3_000) + " HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAccept: " + strings.Repeat("a/b;q=0.1,", 300) + "\r\n\r\n"
	if back := s.raw(long); !strings.HasPrefix(back, "HTTP/1.1 400 ") && !strings.HasPrefix(back, "HTTP/1.1 406 ") {
		t.Errorf("answer %.200s", back)
	}
}

func TestABodyInChunksIsNoLongerThanOneInAPiece(t *testing.T) {
	t.Parallel()
	s := serve(t, open(t, func(o *api.Options) { o.Limits.Body = 4 << 10 }))
	chunk := "400\r\n" + strings.Repeat(" ", 1024) + "\r\n"
	codes, _ := s.statuses(t, "POST /v1/reports HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"+strings.Repeat(chunk, 1000)+"0\r\n\r\n")
	if len(codes) != 1 || codes[0] != http.StatusRequestEntityTooLarge {
		t.Errorf("answers %v", codes)
	}
	// A byte a chunk is slow to read, and ends like any other.
	codes, _ = s.statuses(t, "POST /v1/reports HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"+strings.Repeat("1\r\n \r\n", 4000)+"0\r\n\r\n")
	if len(codes) == 0 || codes[0] != http.StatusUnprocessableEntity && codes[0] != http.StatusBadRequest {
		t.Errorf("answers %v", codes)
	}
}

// Who has no key has no body read.
func TestABodyIsReadOnlyOfWhoMaySendIt(t *testing.T) {
	t.Parallel()
	w := closed(t)
	s := serve(t, w)
	for _, key := range []string{"", w.key("harrow-lane", access.Read) + "\r\n"} {
		text := "POST /v1/reports HTTP/1.1\r\nHost: localhost\r\n" + key + "Content-Type: application/json\r\nContent-Length: 1000000\r\nExpect: 100-continue\r\n\r\n"
		back := s.raw(text)
		if !strings.HasPrefix(back, "HTTP/1.1 401 ") && !strings.HasPrefix(back, "HTTP/1.1 403 ") {
			t.Errorf("answer %.300s", back)
		}
	}
}
