//go:build unix

// Package testserver runs real PostgreSQL and Redis servers for tests. A test that asks for a
// server which is not installed is skipped, or fails where the environment variable CI is set.
//
// A server is a child of a small shell script that reads a pipe from the test process. However
// that process ends, the pipe ends with it; the script then stops the server and removes its
// files.
package testserver

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/redis/go-redis/v9"
)

// startUp is how long a server may take until it answers.
const startUp = 30 * time.Second

// postgres is the one PostgreSQL server of the test process: starting one takes a second, so the
// tests share it, each with a database of its own.
var postgres struct {
	once      sync.Once
	mu        sync.Mutex // guards databases
	databases int
	folder    string
	user      string
	stop      func() // never called: kept so that the pipe stays open as long as the process lives
	err       error
}

// PostgreSQL returns the URL of a new, empty database. It is gone when the test process ends.
func PostgreSQL(t testing.TB) string {
	t.Helper()
	bin := newestPostgreSQL()
	if bin == "" {
		missing(t, "PostgreSQL", "postgresql")
	}
	postgres.once.Do(func() { postgres.err = startPostgreSQL(bin) })
	if postgres.err != nil {
		t.Fatalf("start PostgreSQL: %v", postgres.err)
	}
	name, err := createDatabase(t.Context())
	if err != nil {
		t.Fatalf("create database: %v", err)
	}
	return postgresURL(name)
}

// Redis returns the URL of a new, empty Redis server. It is stopped when the test ends.
func Redis(t testing.TB) string {
	t.Helper()
	bin, err := exec.LookPath("redis-server")
	if err != nil {
		missing(t, "Redis", "redis-server")
	}
	// Another process may take the free port before Redis does.
	for range 3 {
		var port int
		if port, err = freePort(); err != nil {
			break
		}
		u := url.URL{
			Scheme: "redis", User: url.UserPassword("", rand.Text()), // tells it from a stranger on the port
			Host: fmt.Sprintf("127.0.0.1:%d", port), Path: "/0",
		}
		var stop func()
		if stop, err = startRedis(bin, u); err == nil {
			t.Cleanup(stop)
			return u.String()
		}
	}
	t.Fatalf("start Redis: %v", err)
	return ""
}

func missing(t testing.TB, server, pkg string) {
	t.Helper()
	message := fmt.Sprintf("%s is not installed (on Debian: apt-get install %s)", server, pkg)
	if os.Getenv("CI") != "" {
		t.Fatal(message)
	}
	t.Skip(message)
}

// newestPostgreSQL returns the folder of the newest PostgreSQL's programs, or nothing.
func newestPostgreSQL() string {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres") // the pattern is well formed
	if len(found) == 0 {
		path, err := exec.LookPath("postgres")
		if err != nil {
			return ""
		}
		return filepath.Dir(path)
	}
	version := func(path string) int {
		n, _ := strconv.Atoi(strings.Split(path, "/")[4]) // not a number: older than all
		return n
	}
	return filepath.Dir(slices.MaxFunc(found, func(a, b string) int { return version(a) - version(b) }))
}

func startPostgreSQL(bin string) error {
	folder, err := os.MkdirTemp("", "laidup-postgres-")
	if err != nil {
		return err
	}
	self, err := user.Current()
	if err != nil {
		return err
	}
	owner := &syscall.SysProcAttr{}
	if self.Uid == "0" { // PostgreSQL refuses to run as root
		if self, err = user.Lookup("postgres"); err != nil {
			return err
		}
		uid, err := strconv.Atoi(self.Uid)
		if err != nil {
			return err
		}
		gid, err := strconv.Atoi(self.Gid)
		if err != nil {
			return err
		}
		if err := os.Chown(folder, uid, gid); err != nil {
			return err
		}
		owner.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
	postgres.folder, postgres.user = folder, self.Username

	data := filepath.Join(folder, "data")
	initdb := exec.Command(filepath.Join(bin, "initdb"),
		"--pgdata", data, "--username", self.Username, "--auth", "trust", "--encoding", "UTF8",
		"--locale", "C.UTF-8", "--no-sync", "--no-instructions")
	initdb.SysProcAttr, initdb.Dir = owner, folder
	if out, err := initdb.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w\n%s", err, out)
	}
	// Its socket lies in the folder, so that there is no port to collide on.
	postgres.stop, err = start(folder, owner, func(ctx context.Context) error {
		conn, err := pgx.Connect(ctx, postgresURL("postgres"))
		if err != nil {
			return err
		}
		return conn.Close(ctx)
	}, filepath.Join(bin, "postgres"), "-D", data, "-k", folder, "-c", "listen_addresses=",
		"-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off", "-c", "max_connections=200")
	return err
}

func postgresURL(database string) string {
	u := url.URL{
		Scheme: "postgres", User: url.User(postgres.user), Path: "/" + database,
		RawQuery: url.Values{"host": {postgres.folder}, "sslmode": {"disable"}}.Encode(),
	}
	return u.String()
}

func createDatabase(ctx context.Context) (string, error) {
	postgres.mu.Lock()
	defer postgres.mu.Unlock()
	postgres.databases++
	name := fmt.Sprintf("test%d", postgres.databases)
	conn, err := pgx.Connect(ctx, postgresURL("postgres"))
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, "CREATE DATABASE "+name)
	return name, err
}

func startRedis(bin string, u url.URL) (stop func(), err error) {
	options, err := redis.ParseURL(u.String())
	if err != nil {
		return nil, err
	}
	options.MaxRetries = -1
	client := redis.NewClient(options)
	defer client.Close()
	folder, err := os.MkdirTemp("", "laidup-redis-")
	if err != nil {
		return nil, err
	}
	return start(folder, &syscall.SysProcAttr{}, func(ctx context.Context) error {
		return client.Ping(ctx).Err()
	}, bin, "--bind", "127.0.0.1", "--port", u.Port(), "--requirepass", options.Password,
		"--dir", folder, "--save", "", "--appendonly", "no")
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	return l.Addr().(*net.TCPAddr).Port, l.Close()
}

// watch runs the server given as its arguments after the folder, until its input ends.
const watch = `
folder=$1; shift
"$@" >"$folder/log" 2>&1 </dev/null &
server=$!
read -r _ || true
kill -INT $server
wait $server
rm -rf "$folder"
`

// start runs a server that owns folder and waits until ready succeeds. The function returned
// stops the server and removes the folder.
func start(folder string, attr *syscall.SysProcAttr, ready func(context.Context) error, server ...string) (stop func(), err error) {
	input, hold, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	script := exec.Command("/bin/sh", append([]string{"-c", watch, "sh", folder}, server...)...)
	script.Dir = "/"
	script.Stdin = input
	// A group of its own: an interrupt from the terminal must not end the script before its work.
	own := *attr
	own.Setpgid = true
	script.SysProcAttr = &own
	err = script.Start()
	input.Close()
	if err != nil {
		hold.Close()
		return nil, err
	}
	stop = func() {
		hold.Close()
		script.Wait() // says how the server took its end, which is of no interest
	}
	ctx, cancel := context.WithTimeout(context.Background(), startUp)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		last := ready(ctx)
		if last == nil {
			return stop, nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			log, _ := os.Open(filepath.Join(folder, "log"))
			text, _ := io.ReadAll(log)
			stop()
			return nil, fmt.Errorf("%w\n%s", last, text)
		}
	}
}
