package store_test

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/report"
	"laidup/internal/score"
	"laidup/internal/store"
	"laidup/internal/webhook"
)

// marker is in everything that is said of the vehicle which is erased.
const marker = "Quillon-Vane"

var inMarker = regexp.MustCompile(`(?i)` + marker)

// marked is a submission on a vehicle that has the marker wherever it can be.
func marked(n, size int) assess.Submission {
	sub := submission(n, size)
	sub.Vehicle, sub.Description, sub.Reference = marker, "saloon of "+marker, marker+" order"
	sub.Body = fmt.Appendf(nil, `{"vehicle":{"reference":%q},"inspection":{"inspector":"M. %[1]s"},"observations":[{"note":"%s"}]}`, marker, strings.Repeat("owned by "+marker+" ", 1+size/30))
	sub.IdempotencyKey, sub.Fingerprint = fmt.Sprint("marked-", n), "x"
	return sub
}

func judged(reference string, size int) assess.Outcome {
	gates := assess.GateStates{{Gate: "crank", State: "blocked", Blockers: 3}, {Gate: "first_start", State: "blocked", Blockers: 4}}
	return assess.Outcome{
		Body: fmt.Appendf(nil, `{"vehicle":%q,"state":"done","why":"%s"}`, reference, strings.Repeat(reference+" ", 1+size/20)),
		AsOf: "2026-05-02", VerdictState: "blocked", Blockers: 3, Summary: fmt.Appendf(nil, `{"of":%q}`, reference),
		Gates: gates, Coverage: score.Coverage{Applying: 9, LookedAt: 3},
	}
}

// populate stores vehicles, one of them with the marker, each with reports, assessments, events that are to
// be delivered, and lines in batches, in an order and of sizes by chance.
func populate(t *testing.T, s *store.Store, chance *rand.Rand) {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	photos := map[bool]string{true: strings.Repeat("a", 64), false: strings.Repeat("b", 64)} // whether it is of the one with the marker
	for of, id := range photos {
		file := fmt.Sprintf("workshop/%s-%t", id, of)
		check(s.ReserveFile(t.Context(), access.Workshop, file, time.Now().Add(time.Hour)))
		_, err := s.KeepAttachment(t.Context(), access.Workshop, assess.Attachment{ID: id, Media: "image/jpeg", Size: 1, Width: 1, Height: 1, CreatedAt: time.Now(), File: file})
		check(err)
	}
	check(s.AddSubscription(t.Context(), webhook.Subscription{ID: "sub", Organisation: access.Workshop, URL: "https://yard.example/", CreatedAt: time.Now()}, 9))
	sizes := []int{40, 900, 5_000, 40_000}
	n := 0
	accept := func(of func(int, int) assess.Submission) {
		n++
		size := sizes[chance.IntN(len(sizes))]
		sub := of(n, size)
		sub.Photos = []report.Photo{{Pointer: "/photos/0", ID: photos[sub.Vehicle == marker]}}
		_, err := s.Accept(t.Context(), sub)
		check(err)
		if n%5 == 0 {
			check(s.Fail(t.Context(), sub.AssessmentID, fmt.Appendf(nil, `{"detail":%q}`, sub.Vehicle), time.Now()))
			return
		}
		check(s.Finish(t.Context(), sub.AssessmentID, judged(sub.Vehicle, sizes[chance.IntN(len(sizes))]), time.Now()))
	}
	other := func(n, size int) assess.Submission {
		sub := submission(n, size)
		sub.Vehicle = fmt.Sprintf("tern-%02d", n%9)
		return sub
	}
	for range 120 {
		accept([]func(int, int) assess.Submission{marked, other, other}[chance.IntN(3)])
	}
	accept(marked)
	_, err := s.Withdraw(t.Context(), assess.Withdrawal{Organisation: access.Workshop, ReportID: marked(n, 0).ReportID, AssessmentID: "without", Because: "it was of another than " + marker, At: time.Now()})
	check(err)

	// One plan is made, another still waits.
	basis, err := s.Basis(t.Context(), access.Workshop, marker)
	check(err)
	for _, id := range []string{"plan-made", "plan-waiting"} {
		_, _, err := s.OrderPlan(t.Context(), assess.PlanSubmission{ID: id, Organisation: access.Workshop, Basis: basis, Gate: "crank", Request: []byte(`{}`), IdempotencyKey: marker + id, Fingerprint: "x", At: time.Now()})
		check(err)
	}
	_, err = s.StartPlan(t.Context(), "plan-made")
	check(err)
	check(s.FinishPlan(t.Context(), "plan-made", fmt.Appendf(nil, `{"vehicle":%q}`, marker), time.Now()))

	_, _, err = s.RecordOutcome(t.Context(), assess.OutcomeSubmission{
		ID: "outcome", Organisation: access.Workshop, Vehicle: marker, Body: fmt.Appendf(nil, `{"gate":"crank","attempted":true,"came":[],"note":%q}`, marker),
		At: time.Now(), Before: time.Now(), Month: "2026-05", IdempotencyKey: marker + "outcome", Fingerprint: "x",
	})
	check(err)

	head := assess.BatchHead{ID: "batch", Organisation: access.Workshop, Kind: assess.Reports, Gate: "crank", RuleSet: submission(0, 9).RuleSet, Fingerprint: "x", At: time.Now()}
	_, _, err = s.OpenBatch(t.Context(), head)
	check(err)
	line := marked(9_001, 700)
	line.IdempotencyKey, line.Batch = "", "batch"
	full := marked(9_002, 700)
	full.IdempotencyKey, full.Batch, full.Most = "", "batch", 1
	_, err = s.AddChunk(t.Context(), assess.NewChunk{
		ID: "batch.1", Batch: "batch", Organisation: access.Workshop, Number: 1, Through: 2, Full: []byte(`{"title":"full"}`), At: time.Now(),
		Lines: []assess.NewLine{{Number: 1, Vehicle: strings.ToUpper(marker), Submission: &line}, {Number: 2, Vehicle: marker, Submission: &full}},
	})
	check(err)
	head.ID, head.Kind = "rescore", assess.Rescore
	_, _, err = s.OpenRescore(t.Context(), head, assess.RescoreScope{Everything: true}, 50, 99, func(n int) string { return fmt.Sprint("rescore.", n) })
	check(err)
	c, err := s.Chunk(t.Context(), "rescore.1")
	check(err)
	lines, err := s.ChunkLines(t.Context(), c)
	check(err)
	var results []assess.LineResult
	for _, l := range lines {
		results = append(results, assess.LineResult{Number: l.Number, Result: fmt.Appendf(nil, `{"vehicle":%q}`, l.Vehicle)})
	}
	_, _, err = s.FinishChunk(t.Context(), c, results, time.Now())
	check(err)
}

// inFiles lists the files of a folder that have the marker in them.
func inFiles(t *testing.T, folder string) (found []string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(folder), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(filepath.Join(folder, name))
		if n := len(inMarker.FindAll(data, -1)); n > 0 {
			found = append(found, fmt.Sprintf("%s (%d times)", name, n))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func TestOfAnErasedVehicleNoByteIsLeft(t *testing.T) {
	t.Parallel()
	for _, seed := range []uint64{1, 2, 12} { // by 12 rows are moved between pages, and leave copies of themselves
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			o := engines["SQLite"](t)
			s := migrated(t, o)
			populate(t, s, rand.New(rand.NewPCG(seed, 12)))
			if len(inFiles(t, o.DataDir)) == 0 {
				t.Fatal("the marker was not in the files before")
			}
			done, err := s.Erase(t.Context(), assess.Erasure{Organisation: access.Workshop, Vehicle: strings.ToLower(marker), Because: "its owner asks for it", At: time.Now()})
			if err != nil || done.Reports < 10 || done.Assessments < 10 || done.Events < 10 || done.Lines != 3 {
				t.Fatalf("erased are %+v, %v", done, err)
			}
			if found := inFiles(t, o.DataDir); found != nil {
				t.Errorf("the marker is in %v", found)
			}
			var said string
			if err := database(t, o).QueryRowContext(t.Context(), "PRAGMA integrity_check").Scan(&said); err != nil || said != "ok" {
				t.Errorf("the file is %s, %v", said, err)
			}
			backup := filepath.Join(t.TempDir(), "copy.db")
			if err := store.Backup(t.Context(), o.DataDir, backup); err != nil {
				t.Fatal(err)
			}
			if found := inFiles(t, filepath.Dir(backup)); found != nil {
				t.Errorf("the marker is in the backup: %v", found)
			}
		})
	}
}

func TestVehiclesAreErasedWhileReportsCome(t *testing.T) {
	t.Parallel()
	o := engines["SQLite"](t)
	s := migrated(t, o)
	safe, stop := keepAccepting(t, s)
	erased := 0
	for safe.Load() < 300 {
		_, err := s.Erase(t.Context(), assess.Erasure{Organisation: access.Workshop, Vehicle: fmt.Sprintf("tern-%05d", safe.Load()/2), At: time.Now()})
		switch {
		case err == nil:
			erased++
		case !errors.Is(err, assess.ErrNotFound):
			t.Fatal(err)
		}
	}
	stop()
	var said string
	if err := database(t, o).QueryRowContext(t.Context(), "PRAGMA integrity_check").Scan(&said); err != nil || said != "ok" || erased == 0 {
		t.Errorf("with %d erased the file is %s, %v", erased, said, err)
	}
	if list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: access.Workshop, Limit: 1 << 20}); err != nil || len(list) != int(safe.Load())-erased {
		t.Errorf("of %d vehicles %d were erased and %d are there, %v", safe.Load(), erased, len(list), err)
	}
}

// tables reads which columns the tables have.
func tables(t *testing.T, o store.Options) map[string][]string {
	t.Helper()
	list := `SELECT m.name, p.name FROM sqlite_master AS m JOIN pragma_table_xinfo(m.name) AS p WHERE m.type = 'table'`
	if o.DatabaseURL != "" {
		list = `SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = current_schema()`
	}
	rows, err := database(t, o).QueryContext(t.Context(), list)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	all := map[string][]string{}
	for rows.Next() {
		var table, column string
		if err := rows.Scan(&table, &column); err != nil {
			t.Fatal(err)
		}
		all[table] = append(all[table], column)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return all
}

// database opens the database past the store.
func database(t *testing.T, o store.Options) *sql.DB {
	t.Helper()
	driver, name := "sqlite", filepath.Join(o.DataDir, "laidup.db")
	if o.DatabaseURL != "" {
		driver, name = "pgx", o.DatabaseURL
	}
	db, err := sql.Open(driver, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}

func TestAnEventNamesTheReportAsItsSenderDoes(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		s := migrated(t, o)
		sub := submission(1, 40)
		sub.Reference = "order-4711"
		if _, err := s.Accept(t.Context(), sub); err != nil {
			t.Fatal(err)
		}
		if err := s.Finish(t.Context(), sub.AssessmentID, judged(sub.Vehicle, 40), time.Now()); err != nil {
			t.Fatal(err)
		}
		events, err := s.EventsAfter(t.Context(), access.Workshop, 0, time.Time{}, 9)
		if err != nil || len(events) == 0 || !strings.Contains(string(events[0].Body), `"reference":"order-4711"`) {
			t.Errorf("the events are %+v, %v", events, err)
		}
	})
}

func TestOfAnErasedVehicleNoRowIsLeft(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		s := migrated(t, o)
		populate(t, s, rand.New(rand.NewPCG(3, 12)))
		found := func() (in []string) {
			db := database(t, o)
			for table, columns := range tables(t, o) {
				if strings.HasPrefix(table, "sqlite_") {
					continue
				}
				for _, column := range columns {
					var n int
					look := fmt.Sprintf(`SELECT count(*) FROM %s WHERE lower(CAST(%s AS TEXT)) LIKE $1`, table, column)
					if err := db.QueryRowContext(t.Context(), look, "%"+strings.ToLower(marker)+"%").Scan(&n); err != nil {
						t.Fatal(err)
					}
					if n > 0 {
						in = append(in, table+"."+column)
					}
				}
			}
			slices.Sort(in)
			return in
		}
		if before := found(); len(before) < 12 {
			t.Fatalf("before it is only in %v", before)
		}
		vehicles, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: access.Workshop, Limit: 99})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Erase(t.Context(), assess.Erasure{Organisation: access.Workshop, Vehicle: marker, At: time.Now()}); err != nil {
			t.Fatal(err)
		}
		if loose, err := s.LooseFiles(t.Context(), time.Now(), 9); err != nil || len(loose) != 1 || !strings.HasSuffix(loose[0], "-true") {
			t.Errorf("loose are %q, %v", loose, err)
		}
		if after := found(); after != nil {
			t.Errorf("the marker is in %v", after)
		}
		if left, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: access.Workshop, Limit: 99}); err != nil || len(left) != len(vehicles)-1 {
			t.Errorf("of %d vehicles %d are left, %v", len(vehicles), len(left), err)
		}
		if due, err := s.Claim(t.Context(), time.Now().Add(time.Hour), time.Now().Add(2*time.Hour), webhook.Room{OfSubscription: 1000, OfOrganisation: 1000, AtOnce: 1000}); err != nil || slices.ContainsFunc(due, func(task webhook.Task) bool { return inMarker.Match(task.Body) }) || len(due) == 0 {
			t.Errorf("%d deliveries are due, %v", len(due), err)
		}
	})
}

// A table that has anything of a vehicle is in the list by which vehicles are erased.
func TestEveryTableThatNamesAVehicleIsErasedFrom(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		migrated(t, o)
		erased := store.ErasedTables()
		names := regexp.MustCompile(`vehicle|report|assessment|attachment|^event$|^file$`)
		// They name a kind, or count.
		harmless := map[string]string{"batches": "counts of lines"}
		all := tables(t, o)
		for table, columns := range all {
			if slices.ContainsFunc(columns, names.MatchString) && !slices.Contains(erased, table) && harmless[table] == "" {
				t.Errorf("table %s has the columns %v: what is in it of a vehicle has to go when that is erased, by a line in erasures in erase.go", table, columns)
			}
		}
		for _, table := range erased {
			if all[table] == nil {
				t.Errorf("%s is in the list and not in the schema, which has %v", table, slices.Sorted(maps.Keys(all)))
			}
		}
	})
}

// A reader that looks at what was keeps the log from being emptied, and not the vehicle from being erased: the log
// is emptied once the reader has ended.
func TestALongReaderHoldsUpNoErasure(t *testing.T) {
	t.Parallel()
	o := engines["SQLite"](t)
	s := migrated(t, o)
	populate(t, s, rand.New(rand.NewPCG(1, 12)))
	reader, err := database(t, o).BeginTx(t.Context(), &sql.TxOptions{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer reader.Rollback()
	var n int
	if err := reader.QueryRowContext(t.Context(), `SELECT count(*) FROM reports`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	erased := make(chan error)
	go func() {
		_, err := s.Erase(t.Context(), assess.Erasure{Organisation: access.Workshop, Vehicle: marker, At: time.Now()})
		erased <- err
	}()
	for { // it is erased, whether or not the files are done
		if _, err := s.Vehicle(t.Context(), access.Workshop, marker); errors.Is(err, assess.ErrNotFound) {
			break
		}
	}
	if _, err := s.Accept(t.Context(), submission(9_999, 40)); err != nil {
		t.Errorf("others are held up: %v", err)
	}
	if err := reader.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := <-erased; err != nil {
		t.Fatal(err)
	}
	for inFiles(t, o.DataDir) != nil { // else the test ends with its time
	}
}

// Whoever was stopped between the erasure and the emptying of the log leaves that to the next who opens the file.
func TestALogThatWasLeftIsEmptiedByTheNext(t *testing.T) {
	t.Parallel()
	o := engines["SQLite"](t)
	populate(t, migrated(t, o), rand.New(rand.NewPCG(2, 12)))
	crashed := store.Options{DataDir: t.TempDir(), Migrations: o.Migrations}
	for _, name := range []string{"laidup.db", "laidup.db-wal"} {
		data, err := os.ReadFile(filepath.Join(o.DataDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if name == "laidup.db-wal" && !bytes.Contains(data, []byte(marker)) {
			t.Fatal("the log has nothing that could be left")
		}
		if err := os.WriteFile(filepath.Join(crashed.DataDir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, crashed)
	for {
		log, err := os.Stat(filepath.Join(crashed.DataDir, "laidup.db-wal"))
		if err == nil && log.Size() == 0 {
			break
		}
	}
	if _, err := s.Vehicle(t.Context(), access.Workshop, marker); err != nil {
		t.Errorf("what was in the log is lost: %v", err)
	}
}
