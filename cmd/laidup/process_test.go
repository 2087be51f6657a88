package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"laidup/internal/report"
	"laidup/internal/score"
	"laidup/internal/testserver"
	"laidup/internal/wording"
)

// runAsProgram makes the test binary be the program itself, so that it can be killed.
const runAsProgram = "LAIDUP_TEST_RUN_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(runAsProgram) != "" {
		main()
		return
	}
	os.Exit(m.Run())
}

// program is the program as another process.
type program struct {
	cmd  *exec.Cmd
	url  string
	key  string // empty: none is needed
	mu   sync.Mutex
	said bytes.Buffer // the log
	told bytes.Buffer // standard output
}

// launch starts the program and waits until it serves at the address given, if any.
func launch(t *testing.T, addr string, args ...string) *program {
	t.Helper()
	p := &program{cmd: exec.Command(os.Args[0], args...), url: "http://" + addr}
	if at := slices.Index(args, "--database-url"); at >= 0 && addr != "" {
		code, out, errs := session(t, "", "keys", "create", "--label", "test", "--scopes", "admin", "--database-url", args[at+1])
		if code != 0 {
			t.Fatalf("no key: %s", errs)
		}
		p.key = strings.TrimSpace(out)
	}
	p.cmd.Env = append(os.Environ(), runAsProgram+"=1")
	errs, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.kill() })
	listen := func(from io.Reader, into *bytes.Buffer) {
		for lines := bufio.NewScanner(from); lines.Scan(); {
			p.mu.Lock()
			fmt.Fprintln(into, lines.Text())
			p.mu.Unlock()
		}
	}
	go listen(errs, &p.said)
	go listen(out, &p.told)
	if addr != "" {
		p.eventually(t, "serves", func() bool {
			res, err := http.Get(p.url + "/readyz")
			if err != nil {
				return false
			}
			defer res.Body.Close()
			return res.StatusCode == http.StatusOK
		})
	}
	return p
}

func (p *program) kill() {
	_ = p.cmd.Process.Signal(syscall.SIGKILL)
	_ = p.cmd.Wait()
}

func (p *program) log() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.said.String()
}

func (p *program) output() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.told.String()
}

func (p *program) eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(5 * time.Minute); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within five minutes: %s\n%s", what, p.log())
		}
	}
}

// freeAddr is a loopback address that nobody listens on.
func freeAddr(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// post posts a report and returns status and answer.
func (p *program) post(body []byte, headers ...string) (int, []byte, error) {
	req, err := http.NewRequest(http.MethodPost, p.url+"/v1/reports", bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	return p.do(req)
}

func (p *program) get(path string) (int, []byte, error) {
	req, err := http.NewRequest(http.MethodGet, p.url+path, nil)
	if err != nil {
		return 0, nil, err
	}
	return p.do(req)
}

func (p *program) do(req *http.Request) (int, []byte, error) {
	if p.key != "" {
		req.Header.Set("Authorization", "Bearer "+p.key)
	}
	return answer(http.DefaultClient.Do(req))
}

func answer(res *http.Response, err error) (int, []byte, error) {
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	return res.StatusCode, data, err
}

// vehicleReport is the sound saloon's report for another vehicle, with n observations.
func vehicleReport(t *testing.T, vehicle string, n int) []byte {
	t.Helper()
	data, err := os.ReadFile(testcase("base-tern.json"))
	if err != nil {
		t.Fatal(err)
	}
	var o map[string]any
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	o["vehicle"].(map[string]any)["reference"] = vehicle
	obs := o["observations"].([]any)
	for i := 0; len(obs) < n; i++ {
		obs = append(obs, map[string]any{"item": "seat_belts", "method": "felt", "note": fmt.Sprint(i), "found": map[string]any{"locks": true}})
	}
	o["observations"] = obs
	if data, err = json.Marshal(o); err != nil {
		t.Fatal(err)
	}
	return data
}

// offline is the assessment that the pure core gives, with the ids of a stored one.
func offline(t *testing.T, body []byte, stored *score.Assessment) string {
	t.Helper()
	set, err := loadRules("")
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(body, set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	a := score.Evaluate(set, []*report.Report{r}, -1)
	wording.English().Write(a)
	a.ID, a.Report = stored.ID, stored.Report
	data, err := a.JSON()
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestAReportOf120ObservationsComesBackScored(t *testing.T) {
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir())
	body := vehicleReport(t, "waits", 120)
	status, data, err := p.post(body, "Prefer", "wait=5")
	if err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)\n%s", status, data, err, p.log())
	}
	var a score.Assessment
	if err := json.Unmarshal(data, &a); err != nil {
		t.Fatal(err)
	}
	if want := offline(t, body, &a); strings.TrimSpace(string(data)) != want {
		t.Errorf("served %d bytes that are not those scored offline", len(data))
	}
	if a.Verdict.State != score.Clear || len(a.Register) < 100 {
		t.Errorf("%+v with %d entries", a.Verdict, len(a.Register))
	}
}

// Whatever was answered 202 is assessed exactly once, as it would be offline, although the process
// is killed before, or while, it works.
func TestNothingAcceptedIsLostWhenTheProcessIsKilled(t *testing.T) {
	stores := map[string]func(t *testing.T) []string{
		"embedded store and queue": func(t *testing.T) []string { return []string{"--data", t.TempDir()} },
		"PostgreSQL and Redis": func(t *testing.T) []string {
			return []string{"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t)}
		},
	}
	for name, flags := range stores {
		for when, workers := range map[string]string{"between the 202 and the answer": "0", "amid the work": "2"} {
			t.Run(name+", "+when, func(t *testing.T) {
				addr := freeAddr(t)
				args := append([]string{"serve", "--addr", addr, "--sweep-every", "200ms", "--overdue-after", "1s"}, flags(t)...)
				first := launch(t, addr, append(slices.Clone(args), "--workers", workers)...)
				accepted := map[string][]byte{}
				for i := range 20 {
					body := vehicleReport(t, fmt.Sprintf("vehicle-%d", i), 120)
					status, data, err := first.post(body, "Idempotency-Key", fmt.Sprintf("key-%d", i))
					if err != nil || status != http.StatusAccepted {
						t.Fatalf("%d %s (%v)", status, data, err)
					}
					var receipt struct{ ID string }
					if err := json.Unmarshal(data, &receipt); err != nil {
						t.Fatal(err)
					}
					accepted[receipt.ID] = body
				}
				first.kill()

				second := launch(t, addr, append(slices.Clone(args), "--workers", "2")...)
				// The client has not heard whether its last request arrived, and sends it again.
				_, again, err := second.post(vehicleReport(t, "vehicle-19", 120), "Idempotency-Key", "key-19")
				if err != nil || len(accepted) != 20 {
					t.Fatalf("%s (%v), %d accepted", again, err, len(accepted))
				}
				for id, body := range accepted {
					second.eventually(t, "assessment "+id+" is done", func() bool {
						_, data, err := second.get("/v1/assessments/" + id)
						if err != nil {
							return false
						}
						var a score.Assessment
						if json.Unmarshal(data, &a) != nil || a.State != "done" {
							return false
						}
						if want := offline(t, body, &a); strings.TrimSpace(string(data)) != want {
							t.Fatalf("assessment %s is not the one scored offline", id)
						}
						return true
					})
				}
				for i := range 20 {
					_, data, err := second.get(fmt.Sprintf("/v1/vehicles/vehicle-%d", i))
					if n := len(regexp.MustCompile(`"state":"done"`).FindAll(data, -1)); err != nil || !strings.Contains(string(data), `"reports":1`) || n == 0 {
						t.Fatalf("vehicle %d: %s (%v)", i, data, err)
					}
				}
			})
		}
	}
}

func TestAReportCanBeScoredUnderAnotherRuleSet(t *testing.T) {
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir())
	for query, want := range map[string]string{"": "first-start", "?rule_set=pre-purchase": "pre-purchase", "?rule_set=pre-purchase/2.0.0&gate=crank": "pre-purchase"} {
		req, err := http.NewRequest(http.MethodPost, p.url+"/v1/reports"+query, bytes.NewReader(vehicleReport(t, "yard", 80)))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Prefer", "wait=20")
		status, data, err := answer(http.DefaultClient.Do(req))
		var a score.Assessment
		if err != nil || status != http.StatusOK || json.Unmarshal(data, &a) != nil || a.RuleSet.Name != want {
			t.Errorf("%q: %d under %q (%v)", query, status, a.RuleSet.Name, err)
		}
	}
	res, err := http.Post(p.url+"/v1/reports?rule_set=moon", "application/json", bytes.NewReader(vehicleReport(t, "yard", 80)))
	status, data, err := answer(res, err)
	if err != nil || status != http.StatusBadRequest || !strings.Contains(string(data), "no-such-rule-set") {
		t.Errorf("%d %s (%v)", status, data, err)
	}
	status, data, err = p.get("/v1/rule_sets")
	if err != nil || status != http.StatusOK || !strings.Contains(string(data), `"pre-purchase"`) {
		t.Errorf("%d %s (%v)", status, data, err)
	}
}

func TestAJobInHandIsFinishedOnASignalToStop(t *testing.T) {
	addr := freeAddr(t)
	dir := t.TempDir()
	p := launch(t, addr, "serve", "--addr", addr, "--data", dir)
	var ids []string
	for i := range 10 {
		_, data, err := p.post(vehicleReport(t, fmt.Sprintf("stop-%d", i), 120))
		var receipt struct{ ID string }
		if err != nil || json.Unmarshal(data, &receipt) != nil || receipt.ID == "" {
			t.Fatalf("%s (%v)", data, err)
		}
		ids = append(ids, receipt.ID)
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Fatalf("stopped with %v\n%s", err, p.log())
	}
	again := launch(t, addr, "serve", "--addr", addr, "--data", dir, "--sweep-every", "200ms", "--overdue-after", "1s")
	for _, id := range ids {
		again.eventually(t, id+" is done", func() bool {
			_, data, err := again.get("/v1/assessments/" + id)
			return err == nil && strings.Contains(string(data), `"state":"done"`)
		})
	}
}

// Two processes serve and one works, on one PostgreSQL and one Redis.
func TestApisAndWorkersOfTheirOwnShareTheWork(t *testing.T) {
	shared := []string{"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t)}
	a1, a2 := freeAddr(t), freeAddr(t)
	one := launch(t, a1, append([]string{"serve", "--addr", a1, "--workers", "0"}, shared...)...)
	two := launch(t, a2, append([]string{"serve", "--addr", a2, "--workers", "0"}, shared...)...)
	launch(t, "", append([]string{"work"}, shared...)...)
	status, data, err := one.post(vehicleReport(t, "shared", 80), "Prefer", "wait=20")
	if err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	status, data, err = two.get("/v1/vehicles/shared/readiness?gate=road_test")
	if err != nil || status != http.StatusOK || !strings.Contains(string(data), `"gate":"road_test","state":"`) {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	status, data, err = two.get("/metrics")
	if err != nil || status != http.StatusOK || !strings.Contains(string(data), `laidup_assessments_unfinished 0`) || !strings.Contains(string(data), `laidup_up{part="queue"} 1`) {
		t.Fatalf("%d (%v)\n%s", status, err, data)
	}
}

func TestDemoShowsABlockedAnUnprovenAndAClearedVehicle(t *testing.T) {
	code, out, errs := session(t, "", "demo", "--exit", "--addr", "127.0.0.1:0")
	if code != 0 || errs != "" {
		t.Fatalf("status %d: %s", code, errs)
	}
	for _, want := range []string{
		"first start by 2026-05-02: blocked, ", "crank, defect: timing belt: the timing belt is frayed",
		"first start by 2026-06-11: unproven, ", "engine stop: nobody has shown that the engine can be stopped",
		"first start by 2026-03-14: blocked, ", "first start by 2026-03-22: clear, no blockers",
	} {
		// Where the lines break is not what is tested here.
		if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}
