package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"laidup/internal/testserver"
)

// manyLines is how long the batch is that has to go through in flat memory. docs/batches.md has the
// figures of a hundred thousand.
var manyLines = flag.Int("lines", 1000, "lines of the long batch")

// lot writes a file with so many lines: reports on as many vehicles, some of them with a second one, and
// now and then a line that is none. It returns the lines that have no result.
func lot(t *testing.T, name string, lines int) (bad int) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := bufio.NewWriter(f)
	var bodies []string
	for _, file := range []string{"marrick-tern-01.1.json", "corvane-dale-07.1.json", "brennick-wren-03.1.json"} {
		data, err := os.ReadFile(demo(file))
		if err != nil {
			t.Fatal(err)
		}
		var line bytes.Buffer
		if err := json.Compact(&line, data); err != nil {
			t.Fatal(err)
		}
		bodies = append(bodies, strings.Replace(line.String(), `"`+strings.TrimSuffix(file, ".1.json")+`"`, `"%s"`, 1))
	}
	for i := range lines {
		if i%97 == 50 {
			bad++
			fmt.Fprintln(w, `{"schema":"laidup.report/1"}`)
			continue
		}
		fmt.Fprintln(w, strings.Replace(bodies[i/2%len(bodies)], "%s", fmt.Sprintf("lot-%06d", i-i%2*(i/2%5/4)), 1))
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return bad
}

// withoutIDs leaves out of results what only a server gives.
func withoutIDs(t *testing.T, results string) (all []string) {
	t.Helper()
	for line := range strings.Lines(results) {
		var o map[string]any
		if err := json.Unmarshal([]byte(line), &o); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		delete(o, "assessment")
		delete(o, "report")
		b, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, string(b))
	}
	return all
}

func TestABatchIsScoredOffline(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "lot.ndjson")
	bad := lot(t, file, 600)
	code, out, errs := session(t, "", "batch", file)
	if lines := strings.Count(out, "\n"); code != exitBlocked || lines != 600 || !strings.Contains(errs, fmt.Sprintf("%d have none", bad)) {
		t.Fatalf("%d, %d lines, %s", code, lines, errs)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if _, piped, _ := session(t, string(text), "batch", "-"); piped != out {
		t.Error("what comes in by a pipe is scored otherwise")
	}
	// A vehicle's second line is scored with its first.
	var first, second string
	for i, line := range strings.Split(string(text), "\n") {
		if strings.Contains(line, `"lot-000008"`) && first == "" {
			first = line
		} else if strings.Contains(line, `"lot-000008"`) {
			second = line
			dir := t.TempDir()
			for name, body := range map[string]string{"1.json": first, "2.json": second} {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			_, whole, _ := session(t, "", "score", filepath.Join(dir, "1.json"), filepath.Join(dir, "2.json"), "--format", "json")
			var a struct {
				Verdict   json.RawMessage
				Condition struct{ Expected, Low, High json.Number }
			}
			if err := json.Unmarshal([]byte(whole), &a); err != nil {
				t.Fatal(err)
			}
			var got struct {
				Summary struct{ Verdict, Condition json.RawMessage }
			}
			if err := json.Unmarshal([]byte(strings.Split(out, "\n")[i]), &got); err != nil {
				t.Fatal(err)
			}
			var verdict bytes.Buffer
			if err := json.Compact(&verdict, a.Verdict); err != nil {
				t.Fatal(err)
			}
			if verdict.String() != string(got.Summary.Verdict) || !strings.Contains(string(got.Summary.Condition), a.Condition.Expected.String()) {
				t.Errorf("%s, %+v, want %s %v", got.Summary.Verdict, got.Summary, verdict.String(), a.Condition)
			}
		}
	}
	if second == "" {
		t.Error("no vehicle has a second report")
	}

	table := filepath.Join(t.TempDir(), "out.csv")
	if code, out, errs := session(t, "", "batch", file, "--format", "csv", "--out", table, "--gate", "crank"); code != exitBlocked || out != "" {
		t.Errorf("%d %s %s", code, out, errs)
	}
	if csv, err := os.ReadFile(table); err != nil || bytes.Count(csv, []byte("\n")) != 601 || !bytes.Contains(csv, []byte(",crank,")) {
		t.Errorf("%v", err)
	}
	if code, _, errs := session(t, "{\n  \"schema\": \"laidup.report/1\"\n}\n", "batch", "-"); code != exitBad || !strings.Contains(errs, "one report per line") {
		t.Errorf("a report over three lines: %d %s", code, errs)
	}
	for _, args := range [][]string{{"batch", "none.ndjson"}, {"batch", file, "--gate", "take_off"}, {"batch", file, "--rules", "none"}} {
		if code, _, errs := session(t, "", args...); code != exitBad || errs == "" {
			t.Errorf("%q: %d %s", args, code, errs)
		}
	}
}

// Killed again and again while a batch is sent and worked on, the server has in the end an answer to
// every line, once, and the same as offline.
func TestABatchSurvivesTheServerBeingKilled(t *testing.T) {
	for name, flags := range map[string]func(t *testing.T) []string{
		"embedded store and queue": func(t *testing.T) []string { return []string{"--data", t.TempDir()} },
		"PostgreSQL and Redis": func(t *testing.T) []string {
			return []string{"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t)}
		},
	} {
		t.Run(name, func(t *testing.T) { survives(t, flags(t)) })
	}
}

func survives(t *testing.T, flags []string) {
	dir := t.TempDir()
	file, out := filepath.Join(dir, "lot.ndjson"), filepath.Join(dir, "out.ndjson")
	const sent = 330 // four chunks
	bad := lot(t, file, sent)
	_, want, _ := session(t, "", "batch", file)

	addr := freeAddr(t)
	args := append([]string{"serve", "--addr", addr, "--overdue-after", "500ms", "--sweep-every", "200ms", "--workers", "2"}, flags...)
	p := launch(t, addr, args...)
	client := launch(t, "", "batch", file, "--server", "http://"+addr, "--out", out, "--key", p.key)
	ended := make(chan error, 1)
	go func() { ended <- client.cmd.Wait() }()
	kills, done, began, next := 0, false, time.Now(), 250*time.Millisecond
	for !done {
		select {
		case <-ended:
			done = true
		case <-time.After(next):
			next = 700 * time.Millisecond
			if kills < 3 {
				kills++
				p.kill()
				p = launch(t, addr, args...)
			} else if time.Since(began) > 5*time.Minute {
				t.Fatalf("it does not end: %s\n%s", client.log(), p.log())
			}
		}
	}
	if kills < 1 {
		t.Errorf("it was over after %d kills", kills)
	}
	results, err := os.ReadFile(out)
	if err != nil {
		t.Fatalf("%v: %s", err, client.log())
	}
	got, offline := withoutIDs(t, string(results)), withoutIDs(t, want)
	if len(got) != len(offline) || len(got) != sent {
		t.Fatalf("%d answers, want %d: %s", len(got), len(offline), client.log())
	}
	for i := range got {
		if got[i] != offline[i] {
			t.Fatalf("line %d: %s\nwant %s", i+1, got[i], offline[i])
		}
	}
	if !strings.Contains(client.log(), fmt.Sprintf("%d have none", bad)) {
		t.Error(client.log())
	}
	_, text, err := p.get("/v1/batches")
	if err != nil || strings.Count(string(text), `"kind":"reports"`) != 1 {
		t.Errorf("%s (%v)", text, err)
	}
	_, text, err = p.get("/v1/vehicles/lot-000000")
	if err != nil || !strings.Contains(string(text), `"reports":1`) {
		t.Errorf("%s (%v)", text, err)
	}
}

// resident is how much memory a process has, in MiB; 0 once it has ended.
func (p *program) resident() int {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(status)) {
		if fields := strings.Fields(line); fields[0] == "VmRSS:" {
			kib, _ := strconv.Atoi(fields[1])
			return kib / 1024
		}
	}
	return 0
}

func TestALongBatchGoesThroughInFlatMemory(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Fatal("memory is read from /proc")
	}
	dir := t.TempDir()
	file, out := filepath.Join(dir, "lot.ndjson"), filepath.Join(dir, "out.csv")
	bad := lot(t, file, *manyLines)
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", filepath.Join(dir, "data"), "--workers", "2", "--log-level", "warn")
	client := launch(t, "", "batch", file, "--server", "http://"+addr, "--out", out, "--format", "csv")
	ended := make(chan error, 1)
	began := time.Now()
	go func() { ended <- client.cmd.Wait() }()
	var server, sender []int
	for done := false; !done; {
		select {
		case <-ended:
			done = true
		case <-time.After(250 * time.Millisecond):
			server = append(server, p.resident())
			if n := client.resident(); n > 0 { // it may have ended by now
				sender = append(sender, n)
			}
		}
	}
	took := time.Since(began)
	table, err := os.ReadFile(out)
	if err != nil {
		t.Fatalf("%v: %s", err, client.log())
	}
	answers := bytes.Count(table, []byte("\n")) - 1
	if answers != *manyLines || bytes.Count(table, []byte(",refused,")) != bad || bytes.Count(table, []byte(",done,")) != answers-bad {
		t.Errorf("%d answers, %d refused, %d done: %s", answers, bytes.Count(table, []byte(",refused,")), bytes.Count(table, []byte(",done,")), client.log())
	}
	// The whole batch and its results take some 100 KiB a line: whoever kept them would show.
	highest := func(all []int) (most int) {
		for _, n := range all {
			most = max(most, n)
		}
		return most
	}
	if len(server) == 0 || len(sender) == 0 || server[0] == 0 {
		t.Fatalf("memory was not seen: %v, %v", server, sender)
	}
	early, late := highest(server[:len(server)/4+1]), highest(server)
	t.Logf("%d lines in %.0f s, %.0f a second; server %d MiB in the first quarter, %d MiB at most; sender %d MiB at most",
		answers, took.Seconds(), float64(answers)/took.Seconds(), early, late, highest(sender))
	if late > 700 || highest(sender) > 300 {
		t.Errorf("memory grows: server %v, sender %v", server, sender)
	}
	if res, err := http.Get(p.url + "/readyz"); err != nil || res.StatusCode != http.StatusOK {
		t.Error(err)
	} else {
		res.Body.Close()
	}
}
