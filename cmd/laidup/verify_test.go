package main

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	cmplib "github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	_ "github.com/jackc/pgx/v5/stdlib"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/config"
	"laidup/internal/store"
	"laidup/internal/testserver"
	"laidup/internal/webhook"
)

// sealing is the key for webhooks of these tests.
var sealing = base64.StdEncoding.EncodeToString(bytes.Repeat([]byte{7}, 32))

// bench is a service without processes around it: what is queued is worked on when a test says so.
type bench struct {
	*assess.Service
	store                 *store.Store
	singly, chunks, plans *assesstest.Queue
}

func openBench(t *testing.T, c config.Store) *bench {
	t.Helper()
	st, err := openStore(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{store: st, singly: &assesstest.Queue{}, chunks: &assesstest.Queue{}, plans: &assesstest.Queue{}}
	b.Service, err = assess.New(assess.Options{
		Store: st, Queue: b.singly, Batches: st, Chunks: b.chunks, Outcomes: st, Plans: st, Planning: b.plans, Jobs: builtin.JobsOf(nil),
		RuleSets: builtin.RuleSets(), Loader: builtin.Loader(), NewID: func() string { return uuid.Must(uuid.NewV7()).String() },
	})
	if err == nil {
		err = b.Keep(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// work does what is queued.
func (b *bench) work(t *testing.T) {
	t.Helper()
	for _, lane := range []struct {
		queue *assesstest.Queue
		do    func(context.Context, string) error
	}{{b.singly, b.Score}, {b.chunks, b.WorkChunk}, {b.plans, b.MakePlan}} {
		for task, ok := lane.queue.Take(); ok; task, ok = lane.queue.Take() {
			if err := lane.do(t.Context(), task.AssessmentID); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// furnish fills a store with all that one can have.
func furnish(t *testing.T, c config.Store) {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	b := openBench(t, c)
	own := b.For("workshop")
	ids := map[string]string{}
	post := func(name, edit string) {
		t.Helper()
		body, err := os.ReadFile(demo(name))
		check(err)
		if edit != "" {
			body = bytes.Replace(body, []byte("{"), []byte("{"+edit+","), 1)
		}
		done, err := own.Submit(t.Context(), assess.Order{Body: body, IdempotencyKey: "key-" + name + edit})
		check(err)
		ids[name] = done.ReportID
	}
	for _, name := range []string{"brennick-wren-03.1.json", "brennick-wren-03.2.json", "brennick-wren-03.3.json", "corvane-dale-07.1.json", "marrick-tern-01.1.json"} {
		post(name, "")
	}
	b.work(t)
	_, err := own.Withdraw(t.Context(), ids["brennick-wren-03.2.json"], "of another vehicle")
	check(err)
	_, err = own.Withdraw(t.Context(), ids["corvane-dale-07.1.json"], "of another vehicle") // nothing is left of it
	check(err)
	post("marrick-tern-01.1.json", `"replaces":"`+ids["marrick-tern-01.1.json"]+`"`)
	b.work(t)
	_, err = own.OrderPlan(t.Context(), "marrick-tern-01", []byte(`{"gate":"crank"}`), "")
	check(err)
	b.work(t)
	list, err := own.Plans(t.Context(), assess.PlanPage{Vehicle: "marrick-tern-01", Limit: 1})
	check(err)
	_, _, err = own.ReportStep(t.Context(), list[0].ID, 1, []byte(`{}`), "key-step")
	check(err)

	tern, err := os.ReadFile(demo("marrick-tern-01.1.json"))
	check(err)
	line := bytes.ReplaceAll(tern, []byte("\n"), nil)
	lines := bytes.Join([][]byte{line, bytes.ReplaceAll(line, []byte("marrick-tern-01"), []byte("marrick-tern-02")), []byte("{}"), nil}, []byte("\n"))
	_, _, err = own.Receive(t.Context(), assess.BatchOrder{MaxLine: 1 << 20, IdempotencyKey: "lot"}, bytes.NewReader(lines))
	check(err)
	b.work(t)
	_, _, err = own.Rescore(t.Context(), assess.RescoreOrder{RuleSet: "pre-purchase", Of: assess.RescoreScope{Everything: true}})
	check(err)
	b.work(t)
	_, err = own.Erase(t.Context(), "marrick-tern-02", "its owner asks for it")
	check(err)

	key, err := webhook.ParseKey(sealing)
	check(err)
	hooks := webhook.New(webhook.Options{Store: b.store, Key: key})
	for _, at := range []string{"https://yard.example/a", "https://yard.example/b"} {
		s, _, err := hooks.Subscribe(t.Context(), webhook.Order{Organisation: "workshop", URL: at})
		check(err)
		_, err = hooks.Test(t.Context(), "workshop", s.ID)
		check(err)
		_, _, err = hooks.Rotate(t.Context(), "workshop", s.ID)
		check(err)
		if strings.HasSuffix(at, "b") {
			check(hooks.Delete(t.Context(), "workshop", s.ID))
		}
	}
	check(b.store.Close())
}

// copies lets a test have as many copies of a furnished store as it likes, with where a program finds one.
func copies(t *testing.T, engine string) func(t *testing.T) (args []string, db *sql.DB) {
	t.Helper()
	open := func(t *testing.T, driver, source string) *sql.DB {
		db, err := sql.Open(driver, source)
		if err != nil {
			t.Fatal(err)
		}
		db.SetMaxOpenConns(1)
		t.Cleanup(func() { _ = db.Close() })
		return db
	}
	if engine == "SQLite" {
		folder := t.TempDir()
		furnish(t, config.Store{Data: folder})
		return func(t *testing.T) ([]string, *sql.DB) {
			fresh := t.TempDir()
			if err := os.CopyFS(fresh, os.DirFS(folder)); err != nil {
				t.Fatal(err)
			}
			return []string{"--data", fresh}, open(t, "sqlite", filepath.Join(fresh, "laidup.db"))
		}
	}
	original := testserver.PostgreSQL(t)
	furnish(t, config.Store{DatabaseURL: original})
	made := 0
	return func(t *testing.T) ([]string, *sql.DB) {
		u, err := url.Parse(original)
		if err != nil {
			t.Fatal(err)
		}
		made++
		name := fmt.Sprintf("%s_copy%d", strings.TrimPrefix(u.Path, "/"), made)
		template := strings.TrimPrefix(u.Path, "/")
		u.Path = "/postgres"
		if _, err := open(t, "pgx", u.String()).ExecContext(t.Context(), "CREATE DATABASE "+name+" TEMPLATE "+template); err != nil {
			t.Fatal(err)
		}
		u.Path = "/" + name
		db := open(t, "pgx", u.String())
		if _, err := db.ExecContext(t.Context(), "SET session_replication_role = replica"); err != nil { // as if references and triggers had failed
			t.Fatal(err)
		}
		return []string{"--database-url", u.String()}, db
	}
}

func TestAHealthyStoreIsFoundWell(t *testing.T) {
	for _, engine := range []string{"SQLite", "PostgreSQL"} {
		t.Run(engine, func(t *testing.T) {
			t.Parallel()
			at, _ := copies(t, engine)(t)
			code, out, errs := session(t, "", append([]string{"verify", "--recompute", "all", "--webhook-key", sealing}, at...)...)
			if code != 0 || errs != "" || strings.Count(out, "\n") != 1 {
				t.Fatalf("status %d\n%s%s", code, out, errs)
			}
			for _, want := range []string{"All is well: vehicles 3,", "reports 8,", "plans 1,", "batches 2,", "subscriptions 1,", "deliveries 2,", "recomputed 9."} {
				if !strings.Contains(out, want) {
					t.Errorf("%q is not said in %s", want, out)
				}
			}
		})
	}
}

func TestWhatIsWrongWithAStoreIsTold(t *testing.T) {
	const firstOfWren, firstOfTern = ` WHERE vehicle = 'brennick-wren-03' AND ordinal = 1`, ` WHERE vehicle = 'marrick-tern-01' AND ordinal = 1`
	cases := map[string]struct {
		do                   string
		onSQLite, onPostgres string // in its stead; where both are empty and there are no args it is the other engine's alone
		args                 []string
		told                 []string
	}{
		"a report lost its assessment":            {do: `DELETE FROM assessments` + firstOfWren, told: []string{"report ", "has no assessment: it was accepted and will never be scored", "post it again"}},
		"a withdrawal lost its assessment":        {do: `DELETE FROM assessments WHERE vehicle = 'brennick-wren-03' AND ordinal = 4`, told: []string{"was withdrawn, and the vehicle was not assessed without it"}},
		"an assessment is cut":                    {do: `UPDATE assessments SET body = substr(body, 1, 700)` + firstOfTern, told: []string{"assessment ", "it cannot be read", "restore the last backup"}},
		"an assessment is another's":              {do: `UPDATE assessments SET body = replace(body, id, 'other')` + firstOfTern, told: []string{"its id is other, and "}},
		"a verdict was changed":                   {do: `UPDATE assessments SET verdict_state = 'clear'` + firstOfTern, told: []string{"its verdict is blocked, and clear is stored beside it"}},
		"a rule set is gone":                      {do: `DELETE FROM rule_sets WHERE name = 'first-start'`, told: []string{"was made under rule set first-start", "which is not there"}},
		"a rule set was changed":                  {do: `UPDATE rule_sets SET canonical = replace(canonical, 'first-start', 'first_start') WHERE name = 'first-start'`, told: []string{"rule set first-start", "is not what its digest says"}},
		"two assessments have one number":         {do: `UPDATE assessments SET ordinal = 1 WHERE vehicle = 'brennick-wren-03' AND ordinal = 2`, told: []string{"vehicle brennick-wren-03", "has 1 assessments under a number that another one has"}},
		"an assessment has a number too high":     {do: `UPDATE assessments SET ordinal = 99 WHERE vehicle = 'brennick-wren-03' AND ordinal = 3`, told: []string{"has number 99, at which nothing came in"}},
		"an assessment is of another vehicle":     {do: `UPDATE assessments SET report_id = (SELECT id FROM reports WHERE vehicle = 'corvane-dale-07')` + firstOfWren, told: []string{"which is not there, is on another vehicle, or came after it"}},
		"the numbers of a vehicle have a gap":     {do: `UPDATE vehicles SET reports = reports + 1 WHERE reference = 'brennick-wren-03'`, told: []string{"counts 5 reports and withdrawals, and there are 4", "set vehicles.reports to 4"}},
		"two withdrawals have one number":         {do: `UPDATE reports SET withdrawn_ordinal = 4` + firstOfWren, told: []string{"has 5 reports and withdrawals under 4 numbers", "set vehicles.withdrawn to 2"}},
		"withdrawn reports are counted wrongly":   {do: `UPDATE vehicles SET withdrawn = 0 WHERE reference = 'brennick-wren-03'`, told: []string{"counts 0 reports that do not stand, and there are 1", "set vehicles.withdrawn to 1"}},
		"a vehicle goes by an old assessment":     {do: `UPDATE vehicles SET assessed = 1 WHERE reference = 'brennick-wren-03'`, told: []string{"goes by assessment number 1, and the newest finished one is number 4"}},
		"a vehicle has another age":               {do: `UPDATE vehicles SET updated_at = 1 WHERE reference = 'brennick-wren-03'`, told: []string{"its row says 1970-01-01", "set vehicles.updated_at to "}},
		"a vehicle has other gates":               {do: `UPDATE vehicles SET gates = 'crank=clear' WHERE reference = 'brennick-wren-03'`, told: []string{`stands at its gates as "crank=clear" by its row`}},
		"a gate in lists is another":              {do: `UPDATE vehicle_gates SET in_the_way = in_the_way + 70 WHERE vehicle = 'marrick-tern-01' AND gate = 'crank'`, told: []string{"gate crank of vehicle marrick-tern-01", "with 7"}},
		"a vehicle is not found in other letters": {do: `DELETE FROM vehicle_spellings WHERE folded = 'marrick-tern-01'`, told: []string{"is not found by its reference in other letters"}},
		"a report is no JSON any more":            {do: `UPDATE reports SET body = substr(body, 2)` + firstOfWren, told: []string{"it cannot be read", "cannot be worked out again"}},
		"a report has another date":               {do: `UPDATE reports SET inspected = '2001-01-01'` + firstOfWren, told: []string{"its date is 20", "and 2001-01-01 is stored beside it"}},
		"a report was changed after it came":      {do: `UPDATE reports SET body = replace(body, ':', ': ')` + firstOfWren, told: []string{"is not what was sent with its idempotency key key-brennick-wren-03.1.json"}},
		"a report came on another day":            {do: `UPDATE reports SET received_at = 1000000000000` + firstOfTern, args: []string{"--recompute", "all"}, told: []string{"is not what comes out when it is worked out again from its reports"}},
		"a replacement is gone":                   {do: `UPDATE reports SET replaced_by = 'nobody'` + firstOfTern, told: []string{"was replaced by report nobody, which is not there"}},
		"a key stands for nothing":                {do: `UPDATE idempotency SET report_id = 'nobody' WHERE key = 'key-step'`, told: []string{"idempotency key key-step", "leads nowhere"}},
		"a secret is sealed by another key":       {args: []string{"--webhook-key", base64.StdEncoding.EncodeToString(make([]byte, 32))}, told: []string{"subscription sub_", "has a secret that the key at hand does not open", "/rotate"}},
		"a delivery is to nobody":                 {do: `UPDATE deliveries SET subscription = 'sub_nobody' WHERE number = 1`, told: []string{"delivery 1 of workshop", "is to subscription sub_nobody"}},
		"a delivery tells another organisation":   {do: `UPDATE deliveries SET organisation = 'brennick-motors' WHERE number = 1`, told: []string{"delivery 1 of brennick-motors", "nobody may be told of another's"}},
		"an event was lost":                       {do: `DELETE FROM events WHERE type = 'subscription.test'`, told: []string{"delivery 1 of workshop"}},
		"a reference leads nowhere":               {onSQLite: `DELETE FROM events WHERE type = 'subscription.test'`, told: []string{"a row of deliveries: refers to a row of events that is not there"}},
		"a trigger is off":                        {onPostgres: `ALTER TABLE audit DISABLE TRIGGER audit_stays`, told: []string{"trigger audit_stays of audit: is off"}},
		"an audit entry is gone":                  {onSQLite: `DROP TRIGGER audit_stays; DELETE FROM audit WHERE place = 2`, told: []string{"audit entry aud_", "is number 3 behind number 1: entries between were removed"}},
		"an audit entry is somebody else's":       {onSQLite: `DROP TRIGGER audit_stays_as_it_is; UPDATE audit SET id = 'aud_1' WHERE place = 4`, onPostgres: `UPDATE audit SET id = 'aud_1' WHERE place = 4`, told: []string{"audit entry aud_1 of workshop: has an id that the program does not make"}},
		"audit entries changed places":            {onSQLite: `DROP TRIGGER audit_stays_as_it_is; UPDATE audit SET place = -1 WHERE place = 2; UPDATE audit SET place = 2 WHERE place = 3; UPDATE audit SET place = 3 WHERE place = -1`, told: []string{"and is older: it was put in later"}},
		"the time of an audit entry was changed":  {onSQLite: `DROP TRIGGER audit_stays_as_it_is; UPDATE audit SET at = at - 86400000 WHERE place = 2`, onPostgres: `UPDATE audit SET at = at - 86400000 WHERE place = 2`, told: []string{"and its id is of another time: it was changed"}},
		"a plan is made by another's assessment":  {do: `UPDATE plans SET assessment_id = (SELECT min(id) FROM assessments WHERE vehicle = 'brennick-wren-03')`, told: []string{"plan ", "which is not there or of another vehicle", "order another"}},
		"a plan is cut":                           {do: `UPDATE plans SET body = substr(body, 1, 100)`, told: []string{"plan ", "it cannot be read"}},
		"a batch counts wrongly":                  {do: `UPDATE batches SET done = 9, refused = 5, chunks_finished = 0, lines = 40 WHERE kind = 'reports'`, told: []string{"counts 40 lines, and there are 3", "counts 5 lines refused, and there are 1", "counts 0 finished chunks, and there are 1", "counts 9 lines with an answer, and there are 1", "set batches.done to 1"}},
		"a line of a batch has no assessment":     {do: `UPDATE batch_lines SET assessment_id = 'nobody' WHERE line = 1 AND assessment_id IS NOT NULL`, told: []string{"line 1 of batch ", "has assessment nobody, which is not there"}},
		"a batch has lost a line":                 {do: `DELETE FROM batch_lines WHERE line = 3 AND batch IN (SELECT id FROM batches WHERE kind = 'reports')`, told: []string{"counts 3 lines, and there are 2"}},
		"an erased vehicle left an assessment":    {do: `UPDATE assessments SET vehicle = 'erased-01'` + firstOfWren, told: []string{"assessment ", "an erased one has left it", "DELETE /v1/vehicles/{reference}"}},
		"an erased vehicle left everything":       {do: `DELETE FROM vehicles WHERE reference = 'marrick-tern-01'`, told: []string{"spelling marrick-tern-01", "gate crank of vehicle marrick-tern-01", "report ", "assessment ", "plan ", "event "}},
		"the file of a photo is about to go":      {do: `INSERT INTO attachments VALUES ('workshop', 'photo-1', 'image/jpeg', 1, 1, 1, 0, 0, 'workshop/1'); INSERT INTO loose_files VALUES ('workshop/1', 'workshop', 0)`, told: []string{"photo photo-1 of workshop: is in a file that is about to be removed"}},
		"the schema is of an older program":       {do: `DELETE FROM goose_db_version WHERE version_id = 20`, told: []string{"lacks 00020_plans.sql", "laidup migrate"}},
		"the schema is not there":                 {do: `DROP TABLE goose_db_version`, told: []string{"this is no database of laidup's"}},
	}
	for _, engine := range []string{"SQLite", "PostgreSQL"} {
		t.Run(engine, func(t *testing.T) {
			t.Parallel()
			fresh := copies(t, engine)
			for name, c := range cases {
				damage := cmp.Or(map[string]string{"SQLite": c.onSQLite, "PostgreSQL": c.onPostgres}[engine], c.do)
				if damage == "" && c.args == nil {
					continue
				}
				t.Run(name, func(t *testing.T) {
					at, db := fresh(t)
					for statement := range strings.SplitSeq(damage, "; ") {
						if statement == "" {
							continue
						}
						if done, err := db.ExecContext(t.Context(), statement); err != nil {
							t.Fatal(err)
						} else if n, _ := done.RowsAffected(); n == 0 && !strings.HasPrefix(statement, "DROP") && !strings.HasPrefix(statement, "ALTER") {
							t.Fatalf("nothing was damaged by %s", statement)
						}
					}
					code, out, errs := session(t, "", slices.Concat([]string{"verify"}, at, c.args)...)
					if code != 1 || errs != "" || !strings.Contains(out, " wrong. Looked at: ") {
						t.Errorf("status %d %s", code, errs)
					}
					for _, want := range c.told {
						if !strings.Contains(out, want) {
							t.Errorf("%q is not told in\n%s", want, out)
						}
					}
				})
			}
		})
	}
}

// storeAt is the store that flags name.
func storeAt(flags []string) config.Store {
	if flags[0] == "--data" {
		return config.Store{Data: flags[1]}
	}
	return config.Store{DatabaseURL: flags[1]}
}

// told is all assessments of an organisation's vehicles once what waits is scored, without their ids.
func told(t *testing.T, c config.Store, organisation string) (all []string) {
	t.Helper()
	b := openBench(t, c)
	defer b.store.Close()
	own := b.For(organisation)
	waiting, err := b.store.Waiting(t.Context(), time.Now().Add(time.Hour), time.Now().Add(time.Hour), 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range waiting {
		if err := b.Score(t.Context(), a.ID); err != nil {
			t.Fatal(err)
		}
	}
	vehicles, err := own.Vehicles(t.Context(), assess.VehiclePage{By: assess.ByReference, Gate: "crank", Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range vehicles {
		history, err := own.History(t.Context(), assess.HistoryPage{Vehicle: v.Reference, Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range history {
			a, err := own.Assessment(t.Context(), h.ID)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, fmt.Sprint(v.Reference, v.Reports, v.Withdrawn, a.Ordinal, a.Gate, a.RuleSet, strings.NewReplacer(a.ID, "ID", a.ReportID, "REPORT").Replace(string(a.Outcome.Body))))
		}
	}
	return all
}

func TestAnExportOfAStoreIsWhole(t *testing.T) {
	for _, engine := range []string{"SQLite", "PostgreSQL"} {
		t.Run(engine, func(t *testing.T) {
			t.Parallel()
			at, _ := copies(t, engine)(t)
			file := filepath.Join(t.TempDir(), "all.ndjson")
			export := slices.Concat([]string{"export", "--to", file}, at)
			if code, out, errs := session(t, "", export...); code != 0 || out != file+"\n" {
				t.Fatalf("status %d %s%s", code, out, errs)
			}
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			kinds := map[string]int{}
			for line := range bytes.Lines(text) {
				var l struct{ Kind string }
				if err := json.Unmarshal(line, &l); err != nil {
					t.Fatal(err)
				}
				kinds[l.Kind]++
			}
			if want := map[string]int{"export": 1, "report": 8, "withdrawal": 2, "subscription": 1, "retention": 1, "end": 1}; !maps.Equal(kinds, want) {
				t.Errorf("it has %v", kinds)
			}
			if found, err := os.Stat(file); err != nil || found.Mode() != 0o600 {
				t.Errorf("the file is %v, %v", found.Mode(), err)
			}
			// Another organisation, and another store of the other engine, take it in, and assess all as it was.
			other := config.Store{Data: t.TempDir()}
			if engine == "SQLite" {
				other = config.Store{DatabaseURL: testserver.PostgreSQL(t)}
			}
			here, there := storeAt(at), other
			want := told(t, here, "workshop")
			for _, into := range []config.Store{here, there} {
				args := []string{"import", file, "--organisation", "harrow-lane", "--data", into.Data, "--database-url", into.DatabaseURL}
				if code, out, errs := session(t, "", args...); code != 0 || !strings.Contains(out, "Taken in from workshop: 8 reports, 2 withdrawals, 0 outcomes, 0 photos, 0 rule sets. Already there: 0. Left out: 2. Refused: 0.") {
					t.Fatalf("status %d %s%s", code, out, errs)
				}
				if diff := cmplib.Diff(want, told(t, into, "harrow-lane")); diff != "" {
					t.Error(diff)
				}
				if code, out, errs := session(t, "", args...); code != 0 || !strings.Contains(out, "Taken in from workshop: 0 reports, 0 withdrawals, 0 outcomes, 0 photos, 0 rule sets. Already there: 10.") {
					t.Errorf("again: status %d %s%s", code, out, errs)
				}
				if code, out, errs := session(t, "", "verify", "--recompute", "all", "--data", into.Data, "--database-url", into.DatabaseURL); code != 0 {
					t.Errorf("it is not well: %s%s", out, errs)
				}
			}
			if code, _, errs := session(t, "", export...); code != exitBad || !strings.Contains(errs, "file already exists") {
				t.Errorf("it is written over: status %d %s", code, errs)
			}
			if code, out, _ := session(t, "", slices.Concat([]string{"export", "--organisation", "nobody", "--to", "-"}, at)...); code != 0 || strings.Count(out, "\n") != 3 {
				t.Errorf("of nobody: status %d %s", code, out)
			}
			if code, out, errs := session(t, "", append([]string{"verify"}, at...)...); code != 0 {
				t.Errorf("afterwards: %s%s", out, errs)
			}
		})
	}
}

// Who looks changes nothing, and makes nothing where there is nothing.
func TestAStoreThatIsNotThereIsNotMade(t *testing.T) {
	folder := t.TempDir()
	code, out, errs := session(t, "", "verify", "--data", folder)
	if code != exitBad || out != "" || !strings.Contains(errs, "find database") {
		t.Errorf("status %d %s %s", code, out, errs)
	}
	if made, err := os.ReadDir(folder); err != nil || len(made) > 0 {
		t.Errorf("made are %v, %v", made, err)
	}
	if code, _, errs := session(t, "", "verify", "--data", folder, "--recompute", "some"); code != exitBad || !strings.Contains(errs, "or all") {
		t.Errorf("status %d %s", code, errs)
	}
}

// A damaged file is told, and not what comes of it.
func TestADamagedFileIsTold(t *testing.T) {
	at, db := copies(t, "SQLite")(t)
	if _, err := db.ExecContext(t.Context(), "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(at[1], "laidup.db")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for i := len(data) / 4; i < len(data)/2; i++ {
		data[i] = 0xff
	}
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := session(t, "", append([]string{"verify"}, at...)...)
	if code != 1 || !strings.Contains(out, "the file: is damaged") || !strings.Contains(out, "restore the last backup") {
		t.Errorf("status %d\n%s%s", code, out, errs)
	}
}
