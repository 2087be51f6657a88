package store_test

import (
	"database/sql"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
)

// bodySize is that of a common report.
const bodySize = 17_600

// BenchmarkAccept measures how long a report takes until it is stored. The metric x-bare compares
// that to what the driver alone needs for one row of the same body, made as durable, one after
// the other: below 1 the store is faster.
func BenchmarkAccept(b *testing.B) {
	for engine, options := range engines {
		b.Run(engine, func(b *testing.B) {
			o := options(b)
			s := migrated(b, o)
			bare := bareInsert(b, engine, o.DatabaseURL)
			var n atomic.Int64
			accept := func() {
				sub := submission(int(n.Add(1)), bodySize)
				sub.Vehicle = sub.ReportID
				if _, err := s.Accept(b.Context(), sub); err != nil {
					b.Error(err)
				}
			}
			report := func(b *testing.B) {
				b.ReportMetric(float64(b.Elapsed())/float64(b.N)/float64(bare), "x-bare")
			}
			b.Run("one", func(b *testing.B) {
				for b.Loop() {
					accept()
				}
				report(b)
			})
			b.Run("many", func(b *testing.B) {
				b.SetParallelism(16)
				b.RunParallel(func(pb *testing.PB) {
					for pb.Next() {
						accept()
					}
				})
				report(b)
			})
		})
	}
}

// bareInsert returns what one row costs the driver.
func bareInsert(b *testing.B, engine, databaseURL string) time.Duration {
	b.Helper()
	driver, source := "pgx", databaseURL
	if engine == "SQLite" {
		driver = "sqlite"
		source = fmt.Sprintf("file:%s?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)", filepath.Join(b.TempDir(), "bare.db"))
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(b.Context(), "CREATE TABLE bare (id TEXT PRIMARY KEY, body TEXT NOT NULL)"); err != nil {
		b.Fatal(err)
	}
	body := string(submission(0, bodySize).Body)
	const rows = 500
	began := time.Now()
	for i := range rows {
		if _, err := db.ExecContext(b.Context(), "INSERT INTO bare VALUES ($1, $2)", fmt.Sprint(i), body); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(began) / rows
}

// BenchmarkVehicles measures a page from the middle of the list of vehicles, each with a finished
// assessment and one that waits.
func BenchmarkVehicles(b *testing.B) {
	const vehicles = 10_000
	for engine, options := range engines {
		b.Run(engine, func(b *testing.B) {
			o := options(b)
			s := migrated(b, o)
			var all sync.WaitGroup
			for w := range 16 {
				all.Go(func() {
					for i := w; i < 2*vehicles; i += 16 {
						sub := submission(i, 100)
						sub.Vehicle = fmt.Sprintf("tern-%05d", i/2)
						if _, err := s.Accept(b.Context(), sub); err != nil {
							b.Error(err)
						}
						if i%2 == 0 {
							outcome := assess.Outcome{Body: sub.Body, AsOf: "2026-05-02", VerdictState: "blocked", Blockers: 9, Gates: assess.GateStates{{Gate: "crank", State: "clear"}, {Gate: "first_start", State: "blocked", Blockers: 9}}}
							if err := s.Finish(b.Context(), sub.AssessmentID, outcome, sub.At); err != nil {
								b.Error(err)
							}
						}
					}
				})
			}
			all.Wait()
			analyze(b, o.DatabaseURL)
			for b.Loop() {
				list, err := s.Vehicles(b.Context(), assess.VehiclePage{Organisation: access.Workshop, Gate: "crank", AfterTime: time.UnixMilli(vehicles), AfterReference: "z", Limit: 50})
				if err != nil || len(list) != 50 {
					b.Fatalf("%d vehicles, %v", len(list), err)
				}
			}
		})
	}
}

// analyze does what PostgreSQL would do by itself a minute later: it counts the rows.
func analyze(b *testing.B, databaseURL string) {
	b.Helper()
	if databaseURL == "" {
		return
	}
	db, err := sql.Open("pgx", databaseURL)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	if _, err := db.ExecContext(b.Context(), "ANALYZE"); err != nil {
		b.Fatal(err)
	}
}
