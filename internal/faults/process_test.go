//go:build linux

package faults

import (
	"bytes"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// root is the folder of the module.
var root = filepath.Join("..", "..")

// bin is the folder of the programs that are built; it is there as long as the tests run.
var bin string

// build builds the program in folder, without the race detector: it is the program that ships.
func build(folder, name string) (string, error) {
	path := filepath.Join(bin, name)
	cmd := exec.Command("go", "build", "-o", path, "./cmd/laidup")
	cmd.Dir = folder
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", name, err, out)
	}
	return path, nil
}

// current is the program as it is.
var current = sync.OnceValues(func() (string, error) { return build(root, "laidup") })

// parts is the test program without the race detector, which would have it start slowly.
var parts = sync.OnceValues(func() (string, error) {
	path := filepath.Join(bin, "parts")
	cmd := exec.Command("go", "test", "-c", "-o", path, "./internal/faults")
	cmd.Dir = root
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build parts: %w\n%s", err, out)
	}
	return path, nil
})

// next is the program of the version after: it has one migration more.
var next = sync.OnceValues(func() (string, error) {
	folder := filepath.Join(bin, "next")
	for _, part := range []string{"api", "cmd", "internal", "schema", "worker"} {
		if err := os.CopyFS(filepath.Join(folder, part), os.DirFS(filepath.Join(root, part))); err != nil {
			return "", err
		}
	}
	for _, file := range []string{"go.mod", "go.sum"} {
		data, err := os.ReadFile(filepath.Join(root, file))
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(filepath.Join(folder, file), data, 0o600); err != nil {
			return "", err
		}
	}
	for _, engine := range []string{"postgres", "sqlite"} {
		migrations := filepath.Join(folder, "schema", "migrations", engine)
		const step = "-- +goose Up\nALTER TABLE vehicles ADD COLUMN paint TEXT;\n"
		const name = "90000_paint.sql"
		if err := os.WriteFile(filepath.Join(migrations, name), []byte(step), 0o600); err != nil {
			return "", err
		}
	}
	return build(folder, "laidup-next")
})

func built(t *testing.T, which func() (string, error)) string {
	t.Helper()
	path, err := which()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// program is one process, which may be killed and started again.
type program struct {
	path string
	args []string
	env  []string
	addr string // where it serves; empty: it only works

	mu    sync.Mutex
	cmd   *exec.Cmd
	ended chan struct{} // closed when it has
	said  *tail
}

// tail keeps the end of what is written to it, and the last lines that are not about what went well.
type tail struct {
	mu    sync.Mutex
	text  []byte
	line  []byte // that is not ended yet
	amiss []string
}

const linesAmiss = 15

func (b *tail) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.text = append(b.text, p...)
	if len(b.text) > 1<<17 {
		b.text = bytes.Clone(b.text[len(b.text)-1<<16:])
	}
	b.line = append(b.line, p...)
	for {
		line, rest, ended := bytes.Cut(b.line, []byte("\n"))
		if !ended {
			return len(p), nil
		}
		if !bytes.Contains(line, []byte("level=INFO")) {
			b.amiss = append(b.amiss[max(0, len(b.amiss)-linesAmiss+1):], string(line)+"\n")
		}
		b.line = rest
	}
}

func (b *tail) has(words string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bytes.Contains(b.text, []byte(words))
}

// complaints are the last lines of the log that are not about requests that went well.
func (b *tail) complaints() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Join(b.amiss, "")
}

// start starts the process without waiting for it to serve.
func (p *program) start() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.said = &tail{}
	cmd := exec.Command(p.path, p.args...)
	cmd.Env = append(os.Environ(), p.env...)
	cmd.Stderr = p.said
	// It must not outlive the tests, however they end.
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		return err
	}
	ended := make(chan struct{})
	p.cmd, p.ended = cmd, ended
	go func() {
		_ = cmd.Wait() // how it ended is of no interest
		close(ended)
	}()
	return nil
}

func (p *program) signal(s syscall.Signal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	_ = p.cmd.Process.Signal(s)
}

// end sends a signal that ends the process and returns when it has ended.
func (p *program) end(s syscall.Signal) {
	p.signal(s)
	<-p.done()
}

// done is closed once the process has ended.
func (p *program) done() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ended
}

// log is what the process has said since it was last started.
func (p *program) log() *tail {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.said
}

func (p *program) url() string { return "http://" + p.addr }

var probe = &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// working is what a worker says when it begins.
const working = "msg=working"

// ready says whether the process takes reports, or works.
func (p *program) ready() bool {
	if p.addr == "" {
		return p.log().has(working)
	}
	res, err := probe.Get(p.url() + "/readyz")
	if err != nil {
		return false
	}
	res.Body.Close()
	return res.StatusCode == http.StatusOK
}

// freeAddr is a loopback address that nobody listens on.
func freeAddr(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
