//go:build linux

package faults

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

func (r *rig) file() string { return filepath.Join(r.data, "laidup.db") }

// limitFiles keeps the process from making any file longer: a write beyond the limit fails.
func limitFiles(r *rig) {
	limit := func(bytes uint64) {
		r.apis[0].mu.Lock()
		pid := r.apis[0].cmd.Process.Pid
		r.apis[0].mu.Unlock()
		to := syscall.Rlimit{Cur: bytes, Max: ^uint64(0)}
		_, _, failed := syscall.RawSyscall6(syscall.SYS_PRLIMIT64, uintptr(pid), syscall.RLIMIT_FSIZE, uintptr(unsafe.Pointer(&to)), 0, 0, 0)
		if failed != 0 {
			r.Errorf("limit files: %v", failed)
		}
	}
	limit(uint64(r.rng.IntN(200_000)))
	time.Sleep(r.between(2*time.Second, 4*time.Second))
	limit(^uint64(0))
}

// lockFile writes to the store from another process, for seconds.
func lockFile(r *rig) {
	db, err := sql.Open("sqlite", "file:"+r.file()+"?_pragma=busy_timeout(10000)&_txlock=immediate")
	if err != nil {
		r.Errorf("lock: %v", err)
		return
	}
	defer db.Close()
	tx, err := db.Begin()
	if err != nil {
		r.Errorf("lock: %v", err)
		return
	}
	// Now and then for longer than the program waits.
	hold := []time.Duration{11 * time.Second, time.Second, 2 * time.Second, 3 * time.Second}
	r.strikes++
	time.Sleep(hold[(r.strikes-1)%len(hold)])
	if err := tx.Rollback(); err != nil {
		r.Errorf("unlock: %v", err)
	}
}

// tearLog kills the process and leaves the log as a power failure amid a write would: after the last
// commit stands a part of a frame. What was answered was synced, and lies before.
func tearLog(r *rig) {
	r.apis[0].end(syscall.SIGKILL)
	name := r.file() + "-wal"
	if log, err := readLog(name); err != nil {
		r.Errorf("read log: %v", err)
	} else if err := log.tear(name, log.committed(), r.rng); err != nil {
		r.Errorf("tear log: %v", err)
	}
	r.restart(r.apis[0])
}

// writeAhead is a write-ahead log of SQLite (https://www.sqlite.org/fileformat2.html#walformat).
type writeAhead struct {
	data    []byte
	commits []int // where each commit ends
	page    int
}

const logHeader, frameHeader = 32, 24

func readLog(name string) (*writeAhead, error) {
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	log := &writeAhead{data: data}
	if len(data) < logHeader {
		return log, nil
	}
	order := binary.ByteOrder(binary.LittleEndian)
	if binary.BigEndian.Uint32(data)&1 == 1 {
		order = binary.BigEndian
	}
	log.page = int(binary.BigEndian.Uint32(data[8:]))
	if log.page < 512 {
		return nil, fmt.Errorf("pages of %d bytes", log.page)
	}
	var a, b uint32
	sum := func(part []byte) {
		for ; len(part) >= 8; part = part[8:] {
			a += order.Uint32(part) + b
			b += order.Uint32(part[4:]) + a
		}
	}
	is := func(part []byte) bool {
		return binary.BigEndian.Uint32(part) == a && binary.BigEndian.Uint32(part[4:]) == b
	}
	if sum(data[:24]); !is(data[24:]) {
		return nil, errors.New("the header's sum is wrong")
	}
	size := frameHeader + log.page
	for at := logHeader; at+size <= len(data); at += size {
		frame := data[at : at+size]
		if string(frame[8:16]) != string(data[16:24]) {
			break // of an earlier log in the same file
		}
		sum(frame[:8])
		if sum(frame[frameHeader:]); !is(frame[16:]) {
			break
		}
		if binary.BigEndian.Uint32(frame[4:]) > 0 {
			log.commits = append(log.commits, at+size)
		}
	}
	return log, nil
}

// committed is where the last commit ends.
func (w *writeAhead) committed() int {
	if len(w.commits) == 0 {
		return min(len(w.data), logHeader)
	}
	return w.commits[len(w.commits)-1]
}

// tear replaces what is behind at by frames that look like the next ones and are not whole.
func (w *writeAhead) tear(name string, at int, rng *rand.Rand) error {
	if at < logHeader {
		return nil // nothing was written: there is nothing to tear
	}
	torn := make([]byte, (frameHeader+w.page)*3)
	for i := range torn {
		torn[i] = byte(rng.UintN(256))
	}
	for i := 0; i < len(torn); i += frameHeader + w.page {
		binary.BigEndian.PutUint32(torn[i:], uint32(1+rng.IntN(20)))
		binary.BigEndian.PutUint32(torn[i+4:], uint32(rng.IntN(2)*50))
		copy(torn[i+8:], w.data[16:24])
	}
	torn = torn[:1+rng.IntN(len(torn))]
	return os.WriteFile(name, append(w.data[:at:at], torn...), 0o600)
}

// fillDisk has the process work on a disk of its own, which is then filled up.
func fillDisk(r *rig) {
	if r.disk == "" {
		// The data folder becomes a small file system that only the new process sees; without the
		// right to mount one, a limit on the size of files has to do.
		p := r.apis[0]
		p.end(syscall.SIGTERM)
		// What was accepted so far moves along.
		const onDisk = `set -e
mount -t tmpfs -o size=400m none "$DISK"
[ -f "$KEPT/laidup.db" ] && cp "$KEPT"/* "$DISK"
exec "$@"`
		kept := r.TempDir()
		if err := os.CopyFS(kept, os.DirFS(r.data)); err != nil {
			r.Errorf("keep data: %v", err)
		}
		program, args := p.path, p.args
		p.path, p.args = "/usr/bin/unshare", append([]string{"--map-root-user", "--mount", "/bin/sh", "-c", onDisk, "sh", program}, args...)
		p.env = append(p.env, "DISK="+r.data, "KEPT="+kept)
		r.start(p)
		for begin := time.Now(); !p.ready(); time.Sleep(20 * time.Millisecond) {
			ended := false
			select {
			case <-p.done():
				ended = true
			default:
			}
			if ended || time.Since(begin) > patience {
				r.Logf("no disk of its own (%s): a limit on the size of files has to do", strings.TrimSpace(p.log().complaints()))
				p.path, p.args, r.disk = program, args, "none"
				r.restart(p)
				break
			}
		}
		if r.disk == "" {
			r.disk = fmt.Sprintf("/proc/%d/root%s", p.cmd.Process.Pid, r.data)
		}
	}
	if r.disk == "none" {
		limitFiles(r)
		return
	}
	ballast, err := os.Create(filepath.Join(r.disk, "ballast"))
	if err != nil {
		r.Errorf("fill disk: %v", err)
		return
	}
	defer ballast.Close()
	for end := time.Now().Add(r.between(2*time.Second, 4*time.Second)); time.Now().Before(end); {
		if _, err := ballast.Write(make([]byte, 4096)); err != nil {
			time.Sleep(10 * time.Millisecond) // full
		}
	}
	if err := os.Remove(ballast.Name()); err != nil {
		r.Errorf("clear disk: %v", err)
	}
}

// A log that lost synced frames, which no store can make good, gives back a beginning of what was
// accepted: whole reports in their order, on a sound file. Clients that repeat what they sent with
// the same keys get everything in, once.
func TestALogThatLostItsEndGivesBackABeginning(t *testing.T) {
	t.Parallel()
	r := layout{sqlite: true, flags: []string{"--workers", "0"}}.with(t, rand.New(rand.NewPCG(*flagSeed, 1)))
	for round := range 5 {
		l := &load{rig: r, reports: 30, clients: 1, fault: &fault{}, odd: map[string]int{}, struck: make(chan struct{}), begun: make(chan struct{})}
		rng := rand.New(rand.NewPCG(*flagSeed, uint64(round)))
		var sent []accepted
		send := func(s submission) accepted {
			a, ok := l.send(http.DefaultClient, rng, s)
			if !ok {
				t.FailNow()
			}
			return a
		}
		for i := range 30 {
			s := submission{number: i, vehicle: fmt.Sprintf("torn-%d-%d", round, i%7), key: fmt.Sprintf("torn-%d-%d", round, i)}
			s.body = l.write(rng, s, round)
			sent = append(sent, send(s))
		}
		r.apis[0].end(syscall.SIGKILL)
		name := r.file() + "-wal"
		log, err := readLog(name)
		if err != nil {
			t.Fatal(err)
		}
		at := len(log.commits) - 1 - rng.IntN(min(20, len(log.commits)))
		if err := log.tear(name, log.commits[at], rng); err != nil {
			t.Fatal(err)
		}
		r.restart(r.apis[0])

		db, err := sql.Open("sqlite", "file:"+r.file())
		if err != nil {
			t.Fatal(err)
		}
		var sound string
		if err := db.QueryRowContext(context.Background(), "PRAGMA integrity_check").Scan(&sound); err != nil || sound != "ok" {
			t.Errorf("the file is not sound: %s (%v)", sound, err)
		}
		kept := map[string]bool{}
		rows, err := db.QueryContext(context.Background(), "SELECT r.id, a.id FROM reports AS r JOIN assessments AS a ON a.report_id = r.id JOIN idempotency AS i ON i.assessment_id = a.id")
		if err != nil {
			t.Fatal(err)
		}
		for rows.Next() {
			var report, assessment string
			if err := rows.Scan(&report, &assessment); err != nil {
				t.Fatal(err)
			}
			kept[report] = true
		}
		if err := errors.Join(rows.Err(), rows.Close(), db.Close()); err != nil {
			t.Fatal(err)
		}
		lost := 0
		for _, a := range sent {
			if !kept[a.Report] {
				lost++
			} else if lost > 0 {
				t.Errorf("report %s is there, and one before it is not", a.key)
			}
		}
		t.Logf("%d of %d reports were lost with the end of the log", lost, len(sent))
		for _, before := range sent {
			if again := send(before.submission); kept[before.Report] != (again.ID == before.ID) {
				t.Errorf("report %s: %s before, %s again, kept: %v", before.key, before.ID, again.ID, kept[before.Report])
			}
		}
	}
	// All of it can be worked out.
	p := r.apis[0]
	p.end(syscall.SIGTERM)
	p.args = append(p.args[:len(p.args)-2:len(p.args)-2], "--workers", "2")
	r.restart(p)
	r.await("all is assessed", func() bool {
		n := -1
		db, err := sql.Open("sqlite", "file:"+r.file())
		if err != nil {
			return false
		}
		defer db.Close()
		err = db.QueryRowContext(context.Background(), "SELECT count(*) FROM assessments WHERE state <> 'done'").Scan(&n)
		return err == nil && n == 0
	})
}
