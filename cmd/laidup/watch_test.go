package main

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"laidup/internal/assess"
	"laidup/internal/config"
	"laidup/internal/ruleset"
	"laidup/internal/testserver"
	"laidup/internal/tracing"
	"laidup/internal/version"
)

// begin starts a process that serves inside the test process.
func begin(t *testing.T, hc config.HTTP, sc config.Store, qc config.Queue, workers int, o outlook) *process {
	t.Helper()
	if o.log == nil {
		o.log = slog.New(slog.DiscardHandler)
	}
	hc.Addr, hc.MaxBody = "127.0.0.1:0", 1<<20
	p, err := start(t.Context(), hc, sc, qc, work(workers), config.Webhooks{}, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func work(workers int) config.Work {
	return config.Work{Workers: workers, Grace: 10 * time.Second, SweepEvery: time.Second, OverdueAfter: 10 * time.Second}
}

func end(t *testing.T, processes ...*process) {
	t.Helper()
	for _, p := range processes {
		if err := p.shutDown(); err != nil {
			t.Error(err)
		}
	}
}

func TestOneTraceLeadsFromTheRequestToTheAssessment(t *testing.T) {
	const trace = "4bf92f3577b34da6a3ce929d0e0e4736"
	headers := []string{"Prefer", "wait=20", "X-Request-Id", "tell-tale", "Traceparent", "00-" + trace + "-00f067aa0ba902b7-01"}
	// Each process has a tracer of its own; they send to one place.
	spans := tracetest.NewInMemoryExporter()
	watched := func() outlook {
		return outlook{tracer: tracing.New(sdktrace.NewTracerProvider(sdktrace.WithSyncer(keeper{spans})))}
	}
	for name, launch := range map[string]func(t *testing.T) (processes []*process, key string){
		"in one process": func(t *testing.T) ([]*process, string) {
			return []*process{begin(t, config.HTTP{}, config.Store{Data: t.TempDir()}, config.Queue{}, 2, watched())}, ""
		},
		"through Redis to a worker of its own": func(t *testing.T) ([]*process, string) {
			sc, qc := config.Store{DatabaseURL: testserver.PostgreSQL(t)}, config.Queue{RedisURL: testserver.Redis(t)}
			_, key, _ := session(t, "", "keys", "create", "--label", "test", "--database-url", sc.DatabaseURL)
			serves := begin(t, config.HTTP{Rate: 50, Burst: 50}, sc, qc, 0, watched())
			o := watched()
			o.log = slog.New(slog.DiscardHandler)
			works, err := open(t.Context(), sc, qc, work(2), config.Webhooks{}, o)
			if err != nil {
				t.Fatal(err)
			}
			return []*process{serves, works}, strings.TrimSpace(key)
		},
	} {
		t.Run(name, func(t *testing.T) {
			spans.Reset()
			processes, key := launch(t)
			status, data, err := (&program{url: processes[0].url(), key: key}).post(vehicleReport(t, "traced", 80), headers...)
			end(t, processes...)
			if err != nil || status != http.StatusOK {
				t.Fatalf("%d %s (%v)", status, data, err)
			}
			parent := map[string]string{} // by name
			names := map[string]string{"00f067aa0ba902b7": "the client"}
			for _, s := range spans.GetSpans() {
				names[s.SpanContext.SpanID().String()] = s.Name
			}
			for _, s := range spans.GetSpans() {
				if s.SpanContext.TraceID().String() != trace {
					t.Errorf("%s is part of another trace", s.Name)
				}
				parent[s.Name] = names[s.Parent.SpanID().String()]
			}
			for name, want := range map[string]string{
				"POST /v1/reports": "the client", "store accept": "POST /v1/reports", "enqueue": "POST /v1/reports",
				"score": "enqueue", "store start": "score", "store dossier": "score", "store finish": "score",
			} {
				if parent[name] != want {
					t.Errorf("%s comes after %q, want %q", name, parent[name], want)
				}
			}
		})
	}
}

// keeper keeps what it was sent when its sender stops.
type keeper struct{ *tracetest.InMemoryExporter }

func (keeper) Shutdown(context.Context) error { return nil }

func TestTracesAreSentWhereTheEnvironmentSays(t *testing.T) {
	var mu sync.Mutex
	var sent bytes.Buffer
	collector := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if r.Method == http.MethodPost && r.URL.Path == "/v1/traces" {
			_, _ = io.Copy(&sent, r.Body)
		}
	}))
	defer collector.Close()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.URL)
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir())
	if status, data, err := p.post(vehicleReport(t, "sent", 80), "Prefer", "wait=20"); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, p.log())
	}
	mu.Lock()
	defer mu.Unlock()
	for _, want := range []string{"laidup", "POST /v1/reports", "store accept", "enqueue", "score", "store finish"} {
		if !bytes.Contains(sent.Bytes(), []byte(want)) {
			t.Errorf("%s was not sent", want)
		}
	}
	if lines := regexp.MustCompile(`trace=[0-9a-f]{32}`).FindAllString(p.log(), -1); len(lines) < 3 || len(slices.Compact(lines)) != 1 {
		t.Errorf("the log does not say which trace:\n%s", p.log())
	}
}

// A collector that is not there costs nobody an answer, and is said in the form of the log.
func TestACollectorThatIsNotThereDoesNoHarm(t *testing.T) {
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://"+freeAddr(t))
	t.Setenv("OTEL_BSP_SCHEDULE_DELAY", "50")
	t.Setenv("OTEL_EXPORTER_OTLP_TIMEOUT", "200")
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--log-format", "json")
	if status, data, err := p.post(vehicleReport(t, "sent", 80), "Prefer", "wait=20"); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	p.eventually(t, "it is said", func() bool { return strings.Contains(p.log(), `"msg":"traces not sent"`) })
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("stopped with %v", err)
	}
	events(t, p.log())
}

// events reads a log in JSON.
func events(t *testing.T, log string) (all []map[string]any) {
	t.Helper()
	for lines := bufio.NewScanner(strings.NewReader(log)); lines.Scan(); {
		var o map[string]any
		if err := json.Unmarshal(lines.Bytes(), &o); err != nil {
			t.Errorf("%q is no event: %v", lines.Text(), err)
		}
		all = append(all, o)
	}
	return all
}

// From the line of a request to the lines of the job that it caused, in another process.
func TestTheLogLeadsFromTheRequestToTheJob(t *testing.T) {
	shared := []string{"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t), "--log-format", "json"}
	addr := freeAddr(t)
	serves := launch(t, addr, append([]string{"serve", "--addr", addr, "--workers", "0"}, shared...)...)
	works := launch(t, "", append([]string{"work"}, shared...)...)
	status, data, err := serves.post(vehicleReport(t, "logged", 80), "X-Request-Id", "tell-tale")
	if err != nil || status != http.StatusAccepted {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	var a struct{ ID, Report string }
	if err := json.Unmarshal(data, &a); err != nil {
		t.Fatal(err)
	}
	find := func(p *program, msg string) (found map[string]any) {
		p.eventually(t, msg, func() bool { return strings.Contains(p.log(), `"msg":"`+msg+`","request":"tell-tale"`) })
		for _, e := range events(t, p.log()) {
			if e["msg"] == msg && e["request"] == "tell-tale" {
				found = e
			}
		}
		return found
	}
	key := strings.Split(serves.key, "_")[1]
	for _, c := range []struct {
		of   *program
		msg  string
		want map[string]any
	}{
		{serves, "report accepted", map[string]any{"organisation": "workshop", "key": key, "assessment": a.ID, "report": a.Report}},
		{serves, "answered", map[string]any{"organisation": "workshop", "key": key, "route": "/v1/reports", "status": 202.0}},
		{works, "assessment done", map[string]any{"organisation": "workshop", "assessment": a.ID, "report": a.Report, "attempt": 1.0, "starts": 1.0, "verdict": "clear"}},
	} {
		e := find(c.of, c.msg)
		for name, want := range c.want {
			if e[name] != want {
				t.Errorf("%s: %s is %v, want %v", c.msg, name, e[name], want)
			}
		}
	}
	if all := serves.log() + works.log(); strings.Contains(all, serves.key) || strings.Contains(all, "lu_") {
		t.Errorf("the log has a key:\n%s", all)
	}
}

// What clients send neither ends a line of the log nor begins another.
func TestClientsCannotForgeTheLog(t *testing.T) {
	const forged = "forged-by-a-client"
	for _, form := range []string{"text", "json"} {
		t.Run(form, func(t *testing.T) {
			addr := freeAddr(t)
			p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--log-format", form, "--log-level", "debug")
			evil := "x\nlevel=ERROR msg=" + forged + "\r\n{\"level\":\"ERROR\",\"msg\":\"" + forged + "\"}\n"
			escaped := "x%0Alevel=ERROR%20msg=" + forged + "%0D%0A%7B%22msg%22:%22" + forged + "%22%7D"
			body, err := json.Marshal(map[string]any{"schema": evil, evil: evil, "vehicle": map[string]any{"reference": evil}})
			if err != nil {
				t.Fatal(err)
			}
			_, _, _ = p.post(body)
			_, _, _ = p.post([]byte(evil))
			for _, path := range []string{"/" + escaped, "/v1/vehicles/" + escaped, "/v1/assessments/" + escaped + "?" + escaped + "=1", "/v1/vehicles?cursor=" + escaped, "/v1/rule_sets/x/" + escaped} {
				_, _, _ = p.get(path)
			}
			// Go's own client would not send these.
			for _, text := range []string{
				"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Request-Id: a\"  msg=" + forged + "\r\n\r\n",
				"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Request-Id: a\x0bmsg=" + forged + "\r\n\r\n",
				"GET /v1/vehicles HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer lu_\"," + forged + "\r\nTraceparent: \"msg=" + forged + "\r\nIdempotency-Key: \"\"msg=" + forged + "\r\n\r\n",
				"G\"msg=" + forged + " / HTTP/1.1\r\nHost: localhost\r\n\r\n",
				"\x16\x03\x01\nlevel=ERROR msg=" + forged + "\n\n",
			} {
				c, err := net.Dial("tcp", addr)
				if err != nil {
					t.Fatal(err)
				}
				_, _ = io.WriteString(c, text)
				_ = c.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
				_, _ = io.ReadAll(c)
				_ = c.Close()
			}
			p.eventually(t, "all is logged", func() bool { return strings.Count(p.log(), "answered") >= 10 })
			for lines := bufio.NewScanner(strings.NewReader(p.log())); lines.Scan(); {
				line := lines.Text()
				if form == "text" {
					if !regexp.MustCompile(`^time=\S+ level=(DEBUG|INFO|WARN|ERROR) msg=`).MatchString(line) || strings.Contains(line, " msg="+forged) {
						t.Errorf("forged: %q", line)
					}
					continue
				}
				var o map[string]any
				if err := json.Unmarshal([]byte(line), &o); err != nil || o["msg"] == forged || o["level"] == nil {
					t.Errorf("forged: %q (%v)", line, err)
				}
			}
		})
	}
}

// numbers reads metrics: lines of a name with its labels, and a number.
func numbers(text string) map[string]string {
	all := map[string]string{}
	for _, line := range strings.Split(text, "\n") {
		if at := strings.LastIndexByte(line, ' '); at > 0 && !strings.HasPrefix(line, "#") {
			all[line[:at]] = line[at+1:]
		}
	}
	return all
}

func TestMetricsSayWhatHappened(t *testing.T) {
	p := begin(t, config.HTTP{}, config.Store{Data: t.TempDir()}, config.Queue{}, 2, outlook{addr: "0"})
	defer end(t, p)
	client := &program{url: p.url()}
	if status, data, err := client.post(vehicleReport(t, "counted", 80), "Prefer", "wait=20"); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	if status, data, err := answer(http.Post(p.url()+"/v1/rule_sets/check", "application/json", strings.NewReader(`{"no":1}`))); err != nil || status != http.StatusUnprocessableEntity {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	want := map[string]string{
		`laidup_reports_accepted_total`: "1", `laidup_assessments_finished_total{outcome="done",rule_set="first-start"}`: "1",
		`laidup_assessments_finished_total{outcome="failed",rule_set="published"}`: "0",
		`laidup_assessment_turnaround_seconds_count`:                               "1", `laidup_score_duration_seconds_count{rule_set="first-start"}`: "1",
		`laidup_assessments_unfinished`: "0", `laidup_assessments_failed`: "0", `laidup_oldest_unfinished_assessment_age_seconds`: "0",
		`laidup_jobs_interrupted_total`: "0", `laidup_sweep_handovers_total`: "0", `laidup_workers`: "2",
		`laidup_rule_sets_tried_total{outcome="faulty"}`: "1", `laidup_rule_sets_tried_total{outcome="sound"}`: "0",
		`laidup_up{part="store"}`: "1", `laidup_up{part="queue"}`: "1", `laidup_queue_tasks{kind="assessment",state="aside"}`: "0",
		`laidup_http_requests_total{method="POST",route="/v1/reports",status="200"}`:                                                   "1",
		`laidup_http_request_duration_seconds_count{method="POST",route="/v1/rule_sets/check"}`:                                        "1",
		`go_sql_max_open_connections{db_name="write"}`:                                                                                 "1",
		fmt.Sprintf(`laidup_build_info{commit=%q,version=%q}`, cmp.Or(version.Current().Commit, "unknown"), version.Current().Version): "1",
	}
	for _, from := range []string{p.url(), "http://" + p.watched.Addr().String()} {
		status, data, err := answer(http.Get(from + "/metrics"))
		if err != nil || status != http.StatusOK {
			t.Fatalf("%d (%v)", status, err)
		}
		got := numbers(string(data))
		for name, value := range want {
			if got[name] != value {
				t.Errorf("%s is %q, want %s", name, got[name], value)
			}
		}
	}
	if problems, err := testutil.GatherAndLint(p.metrics.registry); err != nil || len(problems) > 0 {
		t.Errorf("%v (%v)", problems, err)
	}
}

// What waits shows by its age, whatever the queue says.
func TestMetricsShowWhatIsStuck(t *testing.T) {
	p := begin(t, config.HTTP{}, config.Store{Data: t.TempDir()}, config.Queue{}, 0, outlook{})
	defer end(t, p)
	if status, data, err := (&program{url: p.url()}).post(vehicleReport(t, "stuck", 80)); err != nil || status != http.StatusAccepted {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	time.Sleep(20 * time.Millisecond)
	_, data, err := answer(http.Get(p.url() + "/metrics"))
	if got := numbers(string(data)); err != nil || got["laidup_assessments_unfinished"] != "1" || got[`laidup_queue_tasks{kind="assessment",state="pending"}`] != "1" ||
		!regexp.MustCompile(`^0\.[0-9]*[1-9]|^[1-9]`).MatchString(got["laidup_oldest_unfinished_assessment_age_seconds"]) {
		t.Errorf("%v\n%s", err, data)
	}
}

// Names of rule sets that an organisation has published are not told to all who may see metrics.
func TestMetricsDoNotTellTheNamesOfPublishedRuleSets(t *testing.T) {
	m := newMetrics([]*ruleset.Set{{Name: "first-start"}})
	for _, name := range []string{"first-start", "secret-recipe", "another"} {
		m.Finished(assess.Finished{State: assess.Done, RuleSet: assess.RuleSetRef{Name: name, Version: "1.0.0"}})
	}
	rec := httptest.NewRecorder()
	m.handler().ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if got := numbers(rec.Body.String()); strings.Contains(rec.Body.String(), "secret-recipe") || got[`laidup_assessments_finished_total{outcome="done",rule_set="published"}`] != "2" {
		t.Error(rec.Body)
	}
}

func TestAWorkerCanBeWatched(t *testing.T) {
	shared := []string{"--database-url", testserver.PostgreSQL(t), "--redis-url", testserver.Redis(t)}
	addr := freeAddr(t)
	_, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	p := launch(t, "", append([]string{"work", "--metrics-addr", port}, shared...)...)
	p.url = "http://" + addr
	p.eventually(t, "it can be asked", func() bool {
		status, data, err := p.get("/healthz")
		return err == nil && status == http.StatusOK && strings.HasPrefix(string(data), `{"status":"ok","version":"`)
	})
	status, data, err := p.get("/metrics")
	got := numbers(string(data))
	if err != nil || status != http.StatusOK || got[`laidup_up{part="store"}`] != "1" || got["laidup_workers"] != "4" || got[`go_sql_max_open_connections{db_name="all"}`] == "" {
		t.Errorf("%d (%v)\n%s", status, err, data)
	}
	if status, _, err := p.get("/v1/vehicles"); err != nil || status != http.StatusNotFound {
		t.Errorf("a worker serves more than metrics: %d (%v)", status, err)
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("stopped with %v\n%s", err, p.log())
	}
}

func TestAPortAloneIsReachedFromThisMachineOnly(t *testing.T) {
	for addr, want := range map[string]string{
		"9417": "127.0.0.1:9417", ":9417": "127.0.0.1:9417", "0.0.0.0:9417": "0.0.0.0:9417", "[::]:9417": "[::]:9417", "10.1.2.3:9417": "10.1.2.3:9417", "localhost:0": "localhost:0",
	} {
		if got := watchAddr(addr); got != want {
			t.Errorf("%s: %s, want %s", addr, got, want)
		}
	}
	_, err := open(t.Context(), config.Store{Data: t.TempDir()}, config.Queue{}, work(0), config.Webhooks{}, outlook{log: slog.New(slog.DiscardHandler), addr: "no port"})
	if err == nil || !strings.Contains(err.Error(), "metrics") {
		t.Errorf("an address without a port: %v", err)
	}
}

// Whoever spreads requests has the time of --drain to hear that this process is about to go; until
// then nobody is refused.
func TestAProcessThatIsToldToStopSaysSoBeforeItRefusesAnybody(t *testing.T) {
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--drain", "3s", "--metrics-addr", "0")
	waits := make(chan int, 1)
	go func() {
		status, _, _ := p.post(vehicleReport(t, "before", 80), "Prefer", "wait=1")
		waits <- status
	}()
	if status := <-waits; status != http.StatusOK {
		t.Fatalf("before: %d", status)
	}
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	told := time.Now()
	p.eventually(t, "it says that it is about to go", func() bool {
		status, data, err := p.get("/readyz")
		return err == nil && status == http.StatusServiceUnavailable && strings.Contains(string(data), "draining")
	})
	status, data, err := p.post(vehicleReport(t, "meanwhile", 80))
	if err != nil || status != http.StatusAccepted {
		t.Errorf("meanwhile: %d %s (%v)", status, data, err)
	}
	if err := p.cmd.Wait(); err != nil || time.Since(told) < 3*time.Second {
		t.Errorf("stopped after %v with %v\n%s", time.Since(told), err, p.log())
	}
	if !strings.Contains(p.log(), "msg=stopping drain=3s grace=20s") {
		t.Error(p.log())
	}
}

// What cannot be asked is missing: nought would say that all is well.
func TestWhatCannotBeAskedIsMissingFromTheMetrics(t *testing.T) {
	p := begin(t, config.HTTP{}, config.Store{Data: t.TempDir()}, config.Queue{}, 0, outlook{addr: "0"})
	defer end(t, p)
	if err := p.store.Close(); err != nil {
		t.Fatal(err)
	}
	status, data, err := answer(http.Get("http://" + p.watched.Addr().String() + "/metrics"))
	got := numbers(string(data))
	_, counted := got["laidup_assessments_unfinished"]
	if err != nil || status != http.StatusOK || got[`laidup_up{part="store"}`] != "0" || got[`laidup_up{part="queue"}`] != "1" || counted {
		t.Errorf("%d (%v)\n%s", status, err, data)
	}
}

// The libraries behind the queue have much to say when Redis is gone. They say it in the form of the
// log.
func TestTheLogKeepsItsFormWhenTheQueueIsDown(t *testing.T) {
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", t.TempDir(), "--redis-url", "redis://"+freeAddr(t), "--log-format", "json", "--log-level", "debug")
	if status, data, err := p.post(vehicleReport(t, "waits", 80)); err != nil || status != http.StatusAccepted {
		t.Fatalf("%d %s (%v)", status, data, err)
	}
	p.eventually(t, "it is said that it waits", func() bool { return strings.Contains(p.log(), `"msg":"assessment waits for the sweep"`) })
	for _, e := range events(t, p.log()) {
		if e["msg"] == "assessment waits for the sweep" && (e["request"] == nil || e["assessment"] == nil || e["organisation"] != "workshop") {
			t.Errorf("%v does not say what it is of", e)
		}
	}
}
