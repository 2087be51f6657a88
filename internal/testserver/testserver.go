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
	"errors"
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

// PostgreSQLProgram returns the path of a program that comes with PostgreSQL, such as pg_dump.
func PostgreSQLProgram(t testing.TB, name string) string {
	t.Helper()
	bin := newestPostgreSQL()
	if bin == "" {
		missing(t, "PostgreSQL", "postgresql")
	}
	return filepath.Join(bin, name)
}

// Redis returns the URL of a new, empty Redis server. It is stopped when the test ends.
func Redis(t testing.TB) string {
	t.Helper()
	return OwnRedis(t).URL
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
	c, err := newCluster(bin)
	if err != nil {
		return err
	}
	postgres.folder, postgres.user = c.folder, c.user
	// Its socket lies in the folder, so that there is no port to collide on.
	running, err := start(c.folder, c.owner, answers(postgresURL("postgres")), c.server("-c", "listen_addresses=",
		"-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off", "-c", "max_connections=200")...)
	if err == nil {
		postgres.stop = running.stop
	}
	return err
}

// cluster is the files of a PostgreSQL server.
type cluster struct {
	bin, folder    string
	user, password string // local connections need no password
	owner          *syscall.SysProcAttr
}

func newCluster(bin string) (c cluster, err error) {
	c = cluster{bin: bin, password: rand.Text(), owner: &syscall.SysProcAttr{}}
	if c.folder, err = os.MkdirTemp("", "laidup-postgres-"); err != nil {
		return c, err
	}
	self, err := user.Current()
	if err != nil {
		return c, err
	}
	password := filepath.Join(c.folder, "password")
	if err := os.WriteFile(password, []byte(c.password), 0o600); err != nil {
		return c, err
	}
	if self.Uid == "0" { // PostgreSQL refuses to run as root
		if self, err = user.Lookup("postgres"); err != nil {
			return c, err
		}
		uid, err := strconv.Atoi(self.Uid)
		if err != nil {
			return c, err
		}
		gid, err := strconv.Atoi(self.Gid)
		if err != nil {
			return c, err
		}
		if err := errors.Join(os.Chown(c.folder, uid, gid), os.Chown(password, uid, gid)); err != nil {
			return c, err
		}
		c.owner.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
	c.user = self.Username
	initdb := exec.Command(filepath.Join(bin, "initdb"),
		"--pgdata", c.data(), "--username", c.user, "--auth-local", "trust", "--auth-host", "scram-sha-256", "--pwfile", password,
		"--encoding", "UTF8", "--locale", "C.UTF-8", "--no-sync", "--no-instructions")
	initdb.SysProcAttr, initdb.Dir = c.owner, c.folder
	if out, err := initdb.CombinedOutput(); err != nil {
		return c, fmt.Errorf("initdb: %w\n%s", err, out)
	}
	return c, nil
}

func (c cluster) data() string { return filepath.Join(c.folder, "data") }

// server is the command that serves the cluster.
func (c cluster) server(settings ...string) []string {
	return append([]string{filepath.Join(c.bin, "postgres"), "-D", c.data(), "-k", c.folder}, settings...)
}

// answers says whether the PostgreSQL server at url takes connections.
func answers(url string) func(context.Context) error {
	return func(ctx context.Context) error {
		conn, err := pgx.Connect(ctx, url)
		if err != nil {
			return err
		}
		return conn.Close(ctx)
	}
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

func startRedis(bin string, u url.URL, folder string) (*child, error) {
	options, err := redis.ParseURL(u.String())
	if err != nil {
		return nil, err
	}
	options.MaxRetries = -1
	client := redis.NewClient(options)
	defer client.Close()
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

// watch runs the server given as its arguments after the folder, until its input ends: then it
// stops the server and removes the folder. A line of input is the name of a signal to end the
// server with; the folder stays.
const watch = `
folder=$1; shift
"$@" >>"$folder/log" 2>&1 </dev/null &
server=$!
read -r signal || true
kill -"${signal:-INT}" $server
wait $server
[ -n "$signal" ] || rm -rf "$folder"
`

// child is a server that runs.
type child struct {
	script *exec.Cmd
	hold   *os.File // the pipe to the script
}

// stop stops the server and removes its folder.
func (c *child) stop() {
	c.hold.Close()
	_ = c.script.Wait() // says how the server took its end, which is of no interest
}

// kill ends the server with a signal and leaves its folder.
func (c *child) kill(signal string) {
	_, _ = fmt.Fprintln(c.hold, signal) // fails if the script is gone, and the server with it
	c.stop()
}

// start runs a server that owns folder and waits until ready succeeds.
func start(folder string, attr *syscall.SysProcAttr, ready func(context.Context) error, server ...string) (*child, error) {
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
	c := &child{script, hold}
	ctx, cancel := context.WithTimeout(context.Background(), startUp)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		last := ready(ctx)
		if last == nil {
			return c, nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			log, _ := os.Open(filepath.Join(folder, "log"))
			text, _ := io.ReadAll(log)
			c.stop()
			return nil, fmt.Errorf("%w\n%s", last, text)
		}
	}
}
