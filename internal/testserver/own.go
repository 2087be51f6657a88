//go:build unix

package testserver

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"testing"

	"github.com/jackc/pgx/v5"
)

// Server is a server of one test's own, which may end it in bad ways and start it again. It is
// stopped, and its files are removed, when the test ends.
type Server struct {
	// URL is where it listens, on the loopback interface: of a PostgreSQL server the database that
	// belongs to its administrator.
	URL string

	folder string
	serve  func() (*child, error)
	runs   *child // nil: it does not
}

// OwnRedis returns a new, empty Redis server. It forgets everything when it ends.
func OwnRedis(t testing.TB) *Server {
	t.Helper()
	bin, err := exec.LookPath("redis-server")
	if err != nil {
		missing(t, "Redis", "redis-server")
	}
	return own(t, "Redis", func(address string) (*Server, error) {
		folder, err := os.MkdirTemp("", "laidup-redis-")
		if err != nil {
			return nil, err
		}
		u := url.URL{
			Scheme: "redis", User: url.UserPassword("", rand.Text()), // tells it from a stranger on the port
			Host: address, Path: "/0",
		}
		return &Server{URL: u.String(), folder: folder, serve: func() (*child, error) { return startRedis(bin, u, folder) }}, nil
	})
}

// OwnPostgreSQL returns a PostgreSQL server with settings such as "max_connections=20" besides the
// usual ones: unlike [PostgreSQL] it makes commits durable.
func OwnPostgreSQL(t testing.TB, settings ...string) *Server {
	t.Helper()
	bin := newestPostgreSQL()
	if bin == "" {
		missing(t, "PostgreSQL", "postgresql")
	}
	return own(t, "PostgreSQL", func(address string) (*Server, error) {
		c, err := newCluster(bin)
		if err != nil {
			return nil, err
		}
		u := url.URL{
			Scheme: "postgres", User: url.UserPassword(c.user, c.password), Host: address, Path: "/postgres",
			RawQuery: url.Values{"sslmode": {"disable"}}.Encode(),
		}
		flags := []string{"-c", "listen_addresses=" + u.Hostname(), "-p", u.Port()}
		for _, s := range settings {
			flags = append(flags, "-c", s)
		}
		return &Server{URL: u.String(), folder: c.folder, serve: func() (*child, error) {
			return start(c.folder, c.owner, answers(u.String()), c.server(flags...)...)
		}}, nil
	})
}

// own starts a server that is made for an address.
func own(t testing.TB, kind string, at func(address string) (*Server, error)) *Server {
	t.Helper()
	// Another process may take the free port before the server does.
	var err error
	for range 3 {
		var port int
		if port, err = freePort(); err != nil {
			break
		}
		var s *Server
		if s, err = at(fmt.Sprintf("127.0.0.1:%d", port)); err != nil {
			break
		}
		if err = s.Start(); err == nil {
			t.Cleanup(func() {
				if s.runs != nil {
					s.runs.stop()
				}
				_ = os.RemoveAll(s.folder) // left only by a server that was killed and not started again
			})
			return s
		}
	}
	t.Fatalf("start %s: %v", kind, err)
	return nil
}

// Kill ends the server with a signal, as KILL, or as QUIT, which PostgreSQL takes for an order to
// drop everything, and returns when it has ended.
func (s *Server) Kill(signal string) {
	s.runs.kill(signal)
	s.runs = nil
}

// Start starts a server that was killed, where it was.
func (s *Server) Start() (err error) {
	s.runs, err = s.serve()
	return err
}

// Database makes a new, empty database in a PostgreSQL server and returns its URL.
func (s *Server) Database(ctx context.Context, name string) (string, error) {
	conn, err := pgx.Connect(ctx, s.URL)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	if _, err = conn.Exec(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize()); err != nil {
		return "", err
	}
	u, err := url.Parse(s.URL)
	if err != nil {
		return "", err
	}
	u.Path = "/" + name
	return u.String(), nil
}
