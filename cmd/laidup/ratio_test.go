package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"laidup/internal/assess"
	"laidup/internal/config"
	"laidup/internal/queue"
	"laidup/schema"
)

// BenchmarkRatioServed holds reports that are sent with "Prefer: wait" and answered with their assessments against a
// pipeline of the same shape that does nothing with them: echo takes the report, SQLite keeps it, the same queue brings its
// id to a worker, which stores an answer of the same length. Both write a durable row for the report and one for the
// answer. They run in turns; the figures are medians of the rounds: reports a second of both, their ratio, and how long one
// report takes in the middle.
func BenchmarkRatioServed(b *testing.B) {
	report, err := schema.FS.ReadFile("demo/marrick-tern-01.1.json")
	if err != nil {
		b.Fatal(err)
	}
	for _, clients := range []int{1, 8, 32} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			served := serveForRatio(b)
			answer := served.send(b, numbered(b, report, "first"))
			floor := floorForRatio(b, answer)
			var ours, none, ratios, halves []float64
			for n := 0; b.Loop(); n++ {
				before := floor.rate(b, report, clients, fmt.Sprint("f", n))
				rate := served.rate(b, report, clients, fmt.Sprint("s", n))
				ours, none, ratios = append(ours, rate.perSecond), append(none, before.perSecond), append(ratios, rate.perSecond/before.perSecond)
				halves = append(halves, float64(rate.median.Microseconds())/1000)
			}
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(median(ours), "reports/s")
			b.ReportMetric(median(none), "floor/s")
			b.ReportMetric(median(ratios), "of-the-floor")
			b.ReportMetric(median(halves), "ms-p50")
		})
	}
}

func median(of []float64) float64 {
	of = slices.Sorted(slices.Values(of))
	return of[len(of)/2]
}

// side is a server under load.
type side struct{ url string }

type pace struct {
	perSecond float64
	median    time.Duration
}

// perRound is how many reports a client sends in a round.
const perRound = 20

func (s side) rate(b *testing.B, report []byte, clients int, name string) pace {
	b.Helper()
	var mu sync.Mutex
	var took []time.Duration
	var sending sync.WaitGroup
	began := time.Now()
	for c := range clients {
		sending.Go(func() {
			for i := range perRound {
				body := numbered(b, report, fmt.Sprintf("%s-%d-%d", name, c, i))
				from := time.Now()
				s.send(b, body)
				mu.Lock()
				took = append(took, time.Since(from))
				mu.Unlock()
			}
		})
	}
	sending.Wait()
	slices.Sort(took)
	return pace{float64(len(took)) / time.Since(began).Seconds(), took[len(took)/2]}
}

func (s side) send(b *testing.B, body []byte) []byte {
	b.Helper()
	r, err := http.NewRequest(http.MethodPost, s.url+"/v1/reports", bytes.NewReader(body))
	if err != nil {
		b.Error(err)
		return nil
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Prefer", "wait=30")
	answer, err := ratioClient.Do(r)
	if err != nil {
		b.Error(err)
		return nil
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		b.Errorf("answer %d (%v): %.200s", answer.StatusCode, err, text)
	}
	return text
}

var ratioClient = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64}}

// numbered is a report on a vehicle of its own.
func numbered(b *testing.B, report []byte, name string) []byte {
	b.Helper()
	var body map[string]any
	if err := json.Unmarshal(report, &body); err != nil {
		b.Fatal(err)
	}
	body["vehicle"].(map[string]any)["reference"] = name
	text, err := json.Marshal(body)
	if err != nil {
		b.Fatal(err)
	}
	return text
}

func serveForRatio(b *testing.B) side {
	b.Helper()
	p, err := start(b.Context(), config.HTTP{Addr: "127.0.0.1:0", MaxBody: 1 << 20}, config.Store{Data: b.TempDir()}, config.Queue{},
		config.Work{Workers: 4, Grace: 10 * time.Second, SweepEvery: 5 * time.Second, OverdueAfter: 10 * time.Second}, config.Webhooks{}, outlook{log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		ratioClient.CloseIdleConnections()
		if err := p.shutDown(); err != nil {
			b.Error(err)
		}
	})
	return side{p.url()}
}

func floorForRatio(b *testing.B, answer []byte) side {
	b.Helper()
	db, err := sql.Open("sqlite", filepath.Join(b.TempDir(), "floor.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(5000)")
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("CREATE TABLE reports (id TEXT PRIMARY KEY, body TEXT, answer TEXT)"); err != nil {
		b.Fatal(err)
	}
	q, err := queue.Open(queue.Options{})
	if err != nil {
		b.Fatal(err)
	}
	var waiting sync.Map // the channels that are closed when the work of an id is done
	ctx, stop := context.WithCancel(context.Background())
	var working sync.WaitGroup
	working.Go(func() {
		work := func(ctx context.Context, id string) error {
			var body string
			if err := db.QueryRowContext(ctx, "SELECT body FROM reports WHERE id = ?", id).Scan(&body); err != nil {
				return err
			}
			if _, err := db.ExecContext(ctx, "UPDATE reports SET answer = ? WHERE id = ?", string(answer), id); err != nil {
				return err
			}
			if done, ok := waiting.LoadAndDelete(id); ok {
				close(done.(chan struct{}))
			}
			return nil
		}
		if err := q.Serve(ctx, 4, time.Second, assess.Handlers{Assessment: work, Chunk: work, Plan: work}); err != nil {
			b.Error(err)
		}
	})
	e := echo.New()
	e.POST("/v1/reports", func(c echo.Context) error {
		body, err := io.ReadAll(c.Request().Body)
		if err != nil {
			return err
		}
		id := uuid.NewString()
		if _, err := db.Exec("INSERT INTO reports (id, body) VALUES (?, ?)", id, string(body)); err != nil {
			return err
		}
		done := make(chan struct{})
		waiting.Store(id, done)
		if err := q.Enqueue(c.Request().Context(), id, 1); err != nil {
			return err
		}
		<-done
		var text string
		if err := db.QueryRow("SELECT answer FROM reports WHERE id = ?", id).Scan(&text); err != nil {
			return err
		}
		return c.JSONBlob(http.StatusOK, []byte(text))
	})
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	server := httptest.NewUnstartedServer(e)
	_ = server.Listener.Close()
	server.Listener = listener
	server.Start()
	b.Cleanup(func() {
		server.Close()
		stop()
		working.Wait()
		if err := q.Close(); err != nil {
			b.Error(err)
		}
		if err := db.Close(); err != nil {
			b.Error(err)
		}
	})
	return side{server.URL}
}
