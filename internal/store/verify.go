package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"laidup/internal/assess"
	"laidup/internal/webhook"
)

// OpenToRead opens the database that o names as it is at one moment: nothing that others write meanwhile is seen, and
// nothing can be written. There has to be one.
func OpenToRead(ctx context.Context, o Options) (*Store, error) {
	db, dialect, folder, err := readOnly(ctx, o)
	if err != nil {
		return nil, err
	}
	migrations, err := newMigrations(dialect, db, o.Migrations, folder)
	var moment *sql.Tx
	if err == nil {
		isolation := sql.LevelDefault // SQLite has one alone: that of a snapshot
		if dialect == goose.DialectPostgres {
			isolation = sql.LevelRepeatableRead
		}
		moment, err = db.BeginTx(ctx, &sql.TxOptions{Isolation: isolation, ReadOnly: true})
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open database: %w", err), db.Close())
	}
	s := &Store{
		read:       moment,
		write:      func(context.Context, func(context.Context, *sql.Tx) error) error { return errReadOnly },
		migrations: migrations,
		dialect:    dialect,
		close:      func() error { return errors.Join(moment.Rollback(), db.Close()) },
	}
	for _, source := range s.migrations.ListSources() {
		s.newest = max(s.newest, source.Version)
	}
	return s, nil
}

var errReadOnly = errors.New("the store is open to read alone")

func readOnly(ctx context.Context, o Options) (db *sql.DB, dialect goose.Dialect, folder string, err error) {
	if o.DatabaseURL != "" {
		config, err := pgx.ParseConfig(o.DatabaseURL)
		if err != nil {
			return nil, "", "", fmt.Errorf("read database URL: %w", err)
		}
		db = stdlib.OpenDB(*config)
		if err := db.PingContext(ctx); err != nil {
			return nil, "", "", errors.Join(fmt.Errorf("connect to database: %w", err), db.Close())
		}
		return db, goose.DialectPostgres, "postgres", nil
	}
	path, err := filepath.Abs(filepath.Join(o.DataDir, "laidup.db"))
	if err == nil {
		_, err = os.Stat(path)
	}
	if err != nil {
		return nil, "", "", fmt.Errorf("find database: %w", err)
	}
	db, err = openFile(path, 1, url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(5000)", "query_only(1)"}})
	return db, goose.DialectSQLite3, "sqlite", err
}

// Flaw is something in a store that is not as it should be.
type Flaw struct {
	Of    string // what has it: "report 01a2…"
	Whose string // the organisation; empty: it is nobody's
	Is    string // what is wrong, and what that means
	Mend  string
}

// Checks look at what only others understand. What is nil is not looked at.
type Checks struct {
	Report     func(assess.Report) error
	Assessment func(assess.Assessment) error // finished, with its body
	Plan       func(assess.Plan) error       // finished, with its body
	Secret     func(webhook.Subscription) error
	Photo      func(context.Context, assess.Attachment) error // its files
	// Recompute works a finished assessment out again; [assess.ErrOfAnotherTime] where it cannot.
	Recompute func(context.Context, assess.Assessment) error
	// Recomputed is how many are, the newest first.
	Recomputed int
}

// Looked counts what was looked at.
type Looked struct {
	What string // in the plural
	N    int
}

// Verify looks a store through, page by page, and tells every flaw. The error is of what kept it from looking.
func (s *Store) Verify(ctx context.Context, c Checks, tell func(Flaw)) ([]Looked, error) {
	v := &verification{s: s, c: c, tell: tell}
	if err := v.engine(ctx); err != nil {
		return nil, err
	}
	current, err := v.current(ctx)
	if err != nil || !current {
		return nil, err // what there should be is another thing then
	}
	var looked []Looked
	for _, w := range []struct {
		what string
		walk func(context.Context) (int, error)
	}{
		{"vehicles", v.vehicles}, {"spellings", v.spellings}, {"gates", v.gates}, {"reports", v.reports}, {"photos", v.photos}, {"assessments", v.assessments},
		{"rule sets", v.ruleSets}, {"idempotency keys", v.keys}, {"plans", v.plans}, {"batches", v.batches}, {"batch lines", v.lines},
		{"events", v.events}, {"subscriptions", v.subscriptions}, {"deliveries", v.deliveries}, {"audit entries", v.audit},
		{"recomputed", v.recompute}, {"not recomputed: their rule set is of another version of the program", func(context.Context) (int, error) { return v.passed, nil }},
	} {
		n, err := w.walk(ctx)
		if damaged(err) {
			v.flaw("", "the table of "+w.what, "", "cannot be read to its end: "+err.Error(), restore)
			err = nil
		}
		if err != nil {
			return nil, fmt.Errorf("look through %s: %w", w.what, err)
		}
		if n > 0 || w.what == "vehicles" {
			looked = append(looked, Looked{w.what, n})
		}
	}
	return looked, nil
}

// What is to be done, where several flaws have the same cure.
const (
	restore  = "restore the last backup that laidup verify finds nothing wrong with"
	leftOver = "erase the vehicle again under its reference if it was erased (DELETE /v1/vehicles/{reference}); else " + restore
)

// verification is a look through a store.
type verification struct {
	s      *Store
	c      Checks
	tell   func(Flaw)
	passed int // that could not be recomputed
}

func (v *verification) flaw(kind, id, whose, is, mend string) {
	v.tell(Flaw{strings.TrimSpace(kind + " " + id), whose, is, mend})
}

// pageOfRows is how many rows are asked for at once.
const pageOfRows = 500

// walk goes along a table by a query that takes what it goes on behind, and a limit. Rows are looked at as they come:
// none is kept but the last.
func walk[T any](ctx context.Context, v *verification, query string, fields func(*T) []any, key func(T) []any, look func(T)) (n int, err error) {
	var last T
	for {
		rows, err := v.s.read.QueryContext(ctx, query, append(key(last), pageOfRows)...)
		if err != nil {
			return n, err
		}
		page := 0
		for rows.Next() {
			var t T
			if err := rows.Scan(fields(&t)...); err != nil {
				return n, errors.Join(err, rows.Close())
			}
			look(t)
			last, page = t, page+1
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return n, err
		}
		if n += page; page < pageOfRows {
			return n, nil
		}
	}
}

// engine asks the database itself.
func (v *verification) engine(ctx context.Context) error {
	if v.s.dialect == goose.DialectPostgres {
		return v.postgres(ctx)
	}
	said, err := texts(ctx, v.s.read, "PRAGMA integrity_check", 1)
	switch {
	case damaged(err):
		v.flaw("", "the file", "", "is damaged: "+err.Error(), restore)
		return nil
	case err != nil:
		return fmt.Errorf("check the file: %w", err)
	}
	for _, line := range said {
		if line != "ok" {
			v.flaw("", "the file", "", "is damaged: "+line, restore)
		}
	}
	broken, err := texts(ctx, v.s.read, "PRAGMA foreign_key_check", 4)
	if err != nil && !damaged(err) {
		return fmt.Errorf("check references: %w", err)
	}
	for _, line := range broken {
		f := strings.Split(line, "\t")
		v.flaw("a row of", f[0], "", "refers to a row of "+f[2]+" that is not there", restore)
	}
	return nil
}

func (v *verification) postgres(ctx context.Context) error {
	unproven, err := texts(ctx, v.s.read, selectUnproven, 1)
	if err != nil {
		return fmt.Errorf("check constraints: %w", err)
	}
	for _, name := range unproven {
		v.flaw("", name, "", "is off, or was never completed: the database lets through what it should refuse", "ALTER TABLE … VALIDATE CONSTRAINT or ENABLE TRIGGER, REINDEX INDEX: what that finds has to be mended first")
	}
	var bad int
	if err := v.s.read.QueryRowContext(ctx, selectBadPages).Scan(&bad); err != nil {
		return fmt.Errorf("ask for damaged pages: %w", err)
	}
	if bad > 0 {
		v.flaw("", "the database", "", fmt.Sprintf("has read pages whose checksum is wrong %d times: its disk loses data", bad), restore+", on another disk")
	}
	return nil
}

// texts returns the columns of each row, with tabs between.
func texts(ctx context.Context, q querier, query string, columns int) (all []string, err error) {
	rows, err := q.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		cells, into := make([]sql.NullString, columns), make([]any, columns)
		for i := range cells {
			into[i] = &cells[i]
		}
		if err := rows.Scan(into...); err != nil {
			return all, err
		}
		words := make([]string, columns)
		for i, c := range cells {
			words[i] = c.String
		}
		all = append(all, strings.Join(words, "\t"))
	}
	return all, rows.Err()
}

// current says whether the schema is one that this program knows.
func (v *verification) current(ctx context.Context) (bool, error) {
	applied, err := many(ctx, v.s.read, func(n *int64) []any { return []any{n} }, selectMigrations)
	if err != nil && (errors.Is(err, assess.ErrUnavailable) || ctx.Err() != nil) {
		return false, fmt.Errorf("read schema version: %w", err)
	}
	if err != nil {
		v.flaw("", "the schema", "", "is not there: this is no database of laidup's, or an empty one ("+err.Error()+")", "name the right one by --data or --database-url; "+restore)
		return false, nil
	}
	var missing []string
	for _, source := range v.s.migrations.ListSources() {
		if !slices.Contains(applied, source.Version) {
			missing = append(missing, filepath.Base(source.Path))
		}
	}
	if missing != nil {
		v.flaw("", "the schema", "", "lacks "+strings.Join(missing, ", ")+": this version of the program cannot work with it, and nothing else was looked at", "run laidup migrate, or take the version of the program that the store is of")
	}
	return missing == nil, nil
}

type vehicleRow struct {
	organisation, reference                               string
	entries, withdrawals, withdrawn, void, assessed       int
	updated, received                                     sql.NullInt64
	gates                                                 string
	reports, marked, ownOrdinals, taken, doubles, newDone int
	summary                                               []byte
	spelled                                               bool
}

func (v *verification) vehicles(ctx context.Context) (int, error) {
	fields := func(r *vehicleRow) []any {
		return []any{
			&r.organisation, &r.reference, &r.entries, &r.withdrawals, &r.withdrawn, &r.void, &r.assessed, &r.updated, &r.gates,
			&r.reports, &r.marked, &r.ownOrdinals, &r.taken, &r.received, &r.doubles, &r.newDone, &r.summary, &r.spelled,
		}
	}
	return walk(ctx, v, walkVehicles, fields, func(r vehicleRow) []any { return []any{r.organisation, r.reference} }, func(r vehicleRow) {
		wrong := func(is, mend string) { v.flaw("vehicle", r.reference, r.organisation, is, mend) }
		counts := func(column string, says, are int, of string) {
			if says != are {
				wrong(fmt.Sprintf("counts %d %s, and there are %d: lists and limits go by the wrong number", says, of, are), fmt.Sprintf("set vehicles.%s to %d", column, are))
			}
		}
		counts("withdrawn", r.withdrawn, r.marked, "reports that do not stand")
		counts("withdrawals", r.withdrawals, r.ownOrdinals, "withdrawals")
		counts("reports", r.entries, r.reports+r.ownOrdinals, "reports and withdrawals")
		if most := r.reports + r.ownOrdinals; r.taken != most {
			wrong(fmt.Sprintf("has %d reports and withdrawals under %d numbers: assessments cover others than they should", most, r.taken), restore)
		}
		if r.doubles > 0 {
			wrong(fmt.Sprintf("has %d assessments under a number that another one has: which of them counts is chance", r.doubles), restore)
		}
		if want := max(r.void, r.newDone); r.assessed != want {
			wrong(fmt.Sprintf("goes by assessment number %d, and the newest finished one is number %d: lists show an old verdict", r.assessed, want), fmt.Sprintf("set vehicles.assessed to %d, and post a report, or withdraw one, to have the rest written anew", want))
		}
		if r.received.Valid && r.updated != r.received {
			wrong(fmt.Sprintf("has its newest report of %s, and its row says %s: retention and lists go by that", moment(r.received.Int64), moment(r.updated.Int64)), fmt.Sprintf("set vehicles.updated_at to %d", r.received.Int64))
		}
		if states, err := assess.GatesOf(r.summary); err != nil {
			wrong(err.Error(), restore)
		} else if len(states) > 0 && r.gates != "" && r.gates != states.String() {
			wrong(fmt.Sprintf("stands at its gates as %q by its row, and as %q by its newest assessment: the next change is told wrongly", r.gates, states), fmt.Sprintf("set vehicles.gates to '%s'", states))
		}
		if !r.spelled {
			wrong("is not found by its reference in other letters: reports in another spelling make a second vehicle", "insert its reference in small letters and as it is into vehicle_spellings")
		}
	})
}

func moment(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }

func (v *verification) spellings(ctx context.Context) (int, error) {
	type row struct {
		organisation, folded string
		known                bool
	}
	return walk(ctx, v, walkSpellings, func(r *row) []any { return []any{&r.organisation, &r.folded, &r.known} }, func(r row) []any { return []any{r.organisation, r.folded} }, func(r row) {
		if !r.known {
			v.flaw("spelling", r.folded, r.organisation, "is of a vehicle that is not there: an erased one has left it", leftOver)
		}
	})
}

func (v *verification) gates(ctx context.Context) (int, error) {
	type row struct {
		organisation, vehicle, gate, state string
		inTheWay                           int
		known                              bool
		summary                            []byte
	}
	fields := func(r *row) []any {
		return []any{&r.organisation, &r.vehicle, &r.gate, &r.state, &r.inTheWay, &r.known, &r.summary}
	}
	return walk(ctx, v, walkGates, fields, func(r row) []any { return []any{r.organisation, r.vehicle, r.gate} }, func(r row) {
		if !r.known {
			v.flaw("gate "+r.gate+" of vehicle", r.vehicle, r.organisation, "is of a vehicle that is not there: an erased one has left it", leftOver)
		}
		states, err := assess.GatesOf(r.summary)
		if err != nil {
			return // the vehicle tells
		}
		for _, g := range states {
			if g.Gate == r.gate && (g.State != r.state || g.Blockers != r.inTheWay) {
				v.flaw("gate "+r.gate+" of vehicle", r.vehicle, r.organisation, fmt.Sprintf("is %s with %d blockers in lists, and %s with %d by the newest assessment", r.state, r.inTheWay, g.State, g.Blockers), "set vehicle_gates.state and in_the_way to what the assessment says")
			}
		}
	})
}

func (v *verification) reports(ctx context.Context) (int, error) {
	type row struct {
		assess.Report
		organisation                         string
		vehicle, assessed, unmade, replacing bool
	}
	fields := func(r *row) []any {
		return append(reportFieldsBody(&r.Report), &r.organisation, &r.vehicle, &r.assessed, &r.unmade, &r.replacing)
	}
	return walk(ctx, v, walkReports, fields, func(r row) []any { return []any{r.ID} }, func(r row) {
		wrong := func(is, mend string) { v.flaw("report", r.ID, r.organisation, is, mend) }
		if !r.vehicle {
			wrong("is on a vehicle that is not there: an erased one has left it", leftOver)
			return
		}
		if !r.assessed {
			wrong("has no assessment: it was accepted and will never be scored", restore+"; or withdraw it and post it again")
		}
		if r.unmade {
			wrong("was withdrawn, and the vehicle was not assessed without it: what it says still counts", restore+"; or post the next report on the vehicle, which is assessed without it")
		}
		if r.replacing {
			wrong("was replaced by report "+r.ReplacedBy+", which is not there", restore)
		}
		if v.c.Report != nil {
			if err := v.c.Report(r.Report); err != nil {
				wrong(oneLine(err)+": assessments of the vehicle cannot be worked out again", restore)
			}
		}
	})
}

// oneLine says several faults side by side.
func oneLine(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

func (v *verification) assessments(ctx context.Context) (int, error) {
	type row struct {
		assess.Assessment
		vehicle, report, number, ruleSet bool
	}
	fields := func(r *row) []any {
		return append(assessmentFieldsBody(&r.Assessment), &r.Organisation, &r.vehicle, &r.report, &r.number, &r.ruleSet)
	}
	return walk(ctx, v, walkAssessments, fields, func(r row) []any { return []any{r.ID} }, func(r row) {
		wrong := func(is, mend string) { v.flaw("assessment", r.ID, r.Organisation, is, mend) }
		if !r.vehicle {
			wrong("is of a vehicle that is not there: an erased one has left it", leftOver)
			return
		}
		if !r.report {
			wrong("is of report "+r.ReportID+", which is not there, is on another vehicle, or came after it", restore)
		}
		if !r.number {
			wrong(fmt.Sprintf("has number %d, at which nothing came in on the vehicle and nothing was withdrawn", r.Ordinal), restore)
		}
		if r.State != assess.Done {
			return
		}
		if !r.ruleSet {
			wrong(fmt.Sprintf("was made under rule set %s %s (%s), which is not there: it can neither be worked out again nor explained", r.RuleSet.Name, r.RuleSet.Version, r.RuleSet.Digest), "start the version of the program once that has it, or "+restore)
		}
		if v.c.Assessment != nil {
			if err := v.c.Assessment(r.Assessment); err != nil {
				wrong(oneLine(err), restore)
			}
		}
	})
}

func (v *verification) ruleSets(ctx context.Context) (int, error) {
	type row struct {
		assess.RuleSetRef
		canonical []byte
	}
	fields := func(r *row) []any { return []any{&r.Digest, &r.Name, &r.Version, &r.canonical} }
	return walk(ctx, v, walkRuleSets, fields, func(r row) []any { return []any{r.Digest} }, func(r row) {
		if sum := sha256.Sum256(r.canonical); r.Digest != "sha256:"+hex.EncodeToString(sum[:]) {
			v.flaw("rule set "+r.Name+" "+r.Version+",", r.Digest, "", "is not what its digest says: assessments under it cannot be worked out again", restore)
		}
	})
}

func (v *verification) keys(ctx context.Context) (int, error) {
	type row struct {
		organisation, key, print    string
		report, gate, name, version sql.NullString
		body                        []byte
		ofStep                      bool
	}
	fields := func(r *row) []any {
		return []any{&r.organisation, &r.key, &r.print, &r.report, &r.body, &r.gate, &r.name, &r.version, &r.ofStep}
	}
	return walk(ctx, v, walkKeys, fields, func(r row) []any { return []any{r.organisation, r.key} }, func(r row) {
		wrong := func(is, mend string) { v.flaw("idempotency key", r.key, r.organisation, is, mend) }
		switch {
		case !r.report.Valid || !r.gate.Valid:
			wrong("stands for a report or an assessment that is not there: who sends it again is told an id that leads nowhere", "delete its row from idempotency if the vehicle was erased; else "+restore)
		case !r.ofStep && !assess.Report{Body: r.body}.SentAs(r.print, r.gate.String, assess.RuleSetRef{Name: r.name.String, Version: r.version.String}):
			v.flaw("report", r.report.String, r.organisation, "is not what was sent with its idempotency key "+r.key+": it was changed after it came", restore)
		}
	})
}

func (v *verification) plans(ctx context.Context) (int, error) {
	type row struct {
		assess.Plan
		vehicle, assessment bool
	}
	fields := func(r *row) []any {
		return append(workedFields(&r.Plan), orZero[[]byte]{&r.Body}, &r.vehicle, &r.assessment)
	}
	return walk(ctx, v, walkPlans, fields, func(r row) []any { return []any{r.ID} }, func(r row) {
		wrong := func(is, mend string) { v.flaw("plan", r.ID, r.Organisation, is, mend) }
		if !r.vehicle {
			wrong("is of a vehicle that is not there: an erased one has left it", leftOver)
			return
		}
		if !r.assessment {
			wrong("is made by assessment "+r.AssessmentID+", which is not there or of another vehicle", "delete it, and order another")
		}
		if r.State == assess.Done && v.c.Plan != nil {
			if err := v.c.Plan(r.Plan); err != nil {
				wrong(oneLine(err), "delete it, and order another")
			}
		}
	})
}

func (v *verification) batches(ctx context.Context) (int, error) {
	type row struct {
		assess.Batch
		lines, last, refused, erased, chunks, finished, answered int
	}
	fields := func(r *row) []any {
		return append(batchFields(&r.Batch), &r.lines, &r.last, &r.refused, &r.erased, &r.chunks, &r.finished, &r.answered)
	}
	gone := string(assess.ErasedProblem())
	return walk(ctx, v, walkBatches, fields, func(r row) []any { return []any{gone, r.ID} }, func(r row) {
		wrong := func(is, column string, right int) {
			v.flaw("batch", r.ID, r.Organisation, is+": its progress is told wrongly", fmt.Sprintf("set batches.%s to %d", column, right))
		}
		if r.Lines != r.lines {
			wrong(fmt.Sprintf("counts %d lines, and there are %d", r.Lines, r.lines), "lines", r.lines)
		}
		if r.Through < r.last {
			wrong(fmt.Sprintf("is stored up to line %d, and line %d is there", r.Through, r.last), "through", r.last)
		}
		// What lines of erased vehicles were before nobody knows.
		if r.Kind == assess.Reports && (r.Refused < r.refused || r.Refused > r.refused+r.erased) {
			wrong(fmt.Sprintf("counts %d lines refused, and there are %d", r.Refused, r.refused), "refused", r.refused)
		}
		if r.Chunks != r.chunks {
			wrong(fmt.Sprintf("counts %d chunks, and there are %d", r.Chunks, r.chunks), "chunks", r.chunks)
		}
		if r.ChunksFinished != r.finished {
			wrong(fmt.Sprintf("counts %d finished chunks, and there are %d", r.ChunksFinished, r.finished), "chunks_finished", r.finished)
		}
		if n := r.Done + r.Failed; n < r.answered || n > r.answered+r.erased {
			wrong(fmt.Sprintf("counts %d lines with an answer, and there are %d", n, r.answered), "done", max(0, r.answered-r.Failed))
		}
		if r.State == assess.BatchDone && r.finished < r.chunks {
			v.flaw("batch", r.ID, r.Organisation, fmt.Sprintf("is done with %d of %d chunks", r.finished, r.chunks), "set batches.state to 'working' and finished_at to NULL: the sweep does the rest")
		}
	})
}

func (v *verification) lines(ctx context.Context) (int, error) {
	type row struct {
		batch, assessment, organisation string
		line                            int
		lost                            bool
	}
	fields := func(r *row) []any { return []any{&r.batch, &r.line, &r.assessment, &r.organisation, &r.lost} }
	return walk(ctx, v, walkLines, fields, func(r row) []any { return []any{r.batch, r.line} }, func(r row) {
		if r.lost {
			v.flaw(fmt.Sprintf("line %d of batch", r.line), r.batch, r.organisation, "has assessment "+r.assessment+", which is not there", leftOver)
		}
	})
}

func (v *verification) events(ctx context.Context) (int, error) {
	type row struct {
		assess.RecordedEvent
		organisation string
		left         bool
	}
	fields := func(r *row) []any { return []any{&r.Place, &r.ID, &r.organisation, &r.left} }
	return walk(ctx, v, walkEvents, fields, func(r row) []any { return []any{r.Place} }, func(r row) {
		if r.left {
			v.flaw("event", r.ID, r.organisation, "names a vehicle that is not there: an erased one has left it", leftOver)
		}
	})
}

func (v *verification) subscriptions(ctx context.Context) (int, error) {
	return walk(ctx, v, walkSubscriptions, subscriptionFields, func(r webhook.Subscription) []any { return []any{r.ID} }, func(r webhook.Subscription) {
		if v.c.Secret == nil {
			return
		}
		if err := v.c.Secret(r); err != nil {
			v.flaw("subscription", r.ID, r.Organisation, "has a secret that the key at hand does not open: nothing can be delivered to it", "bring the key back that it was sealed with, or POST /v1/subscriptions/"+r.ID+"/rotate for a new one")
		}
	})
}

func (v *verification) deliveries(ctx context.Context) (int, error) {
	type row struct {
		number                            int64
		organisation, subscription, event string
		happened, known                   bool
	}
	fields := func(r *row) []any {
		return []any{&r.number, &r.organisation, &r.subscription, &r.event, &r.happened, &r.known}
	}
	return walk(ctx, v, walkDeliveries, fields, func(r row) []any { return []any{r.number} }, func(r row) {
		name := fmt.Sprint(r.number)
		if !r.happened {
			v.flaw("delivery", name, r.organisation, "is of event "+r.event+", which the organisation has not: nobody may be told of another's", "delete it")
		}
		if !r.known {
			v.flaw("delivery", name, r.organisation, "is to subscription "+r.subscription+", which the organisation neither has nor had: nobody is told", "delete it: it would go with its event after 30 days")
		}
	})
}

// storedPhoto is a row of attachments.
type storedPhoto struct {
	organisation string
	assess.Attachment
	loose bool
}

func (v *verification) photos(ctx context.Context) (int, error) {
	var ended error
	n, err := v.s.walkPhotos(ctx, func(p storedPhoto) {
		wrong := func(is, mend string) { v.flaw("photo", p.ID, p.organisation, is, mend) }
		if p.loose {
			wrong("is in a file that is about to be removed: nobody will see it", "delete the row of "+p.File+" in loose_files")
		}
		if v.c.Photo == nil || ended != nil {
			return
		}
		switch err := v.c.Photo(ctx, p.Attachment); {
		case err != nil && (errors.Is(err, assess.ErrUnavailable) || ctx.Err() != nil):
			ended = err
		case err != nil:
			wrong(err.Error(), "bring its files back from a copy: they are "+p.File+" and "+assess.ThumbnailOf(p.File)+"; or send the photo again where it is from")
		}
	})
	return n, errors.Join(err, ended)
}

// walkPhotos goes along the attachments of all organisations.
func (s *Store) walkPhotos(ctx context.Context, look func(storedPhoto)) (int, error) {
	fields := func(p *storedPhoto) []any {
		return append(append([]any{&p.organisation}, attachmentFields(&p.Attachment)...), &p.loose)
	}
	key := func(p storedPhoto) []any { return []any{p.organisation, p.ID} }
	return walk(ctx, &verification{s: s}, walkAttachments, fields, key, look)
}

// Photos calls do with the attachments of all organisations, until it fails.
func (s *Store) Photos(ctx context.Context, do func(organisation string, a assess.Attachment) error) error {
	var failed error
	_, err := s.walkPhotos(ctx, func(p storedPhoto) {
		if failed == nil {
			failed = do(p.organisation, p.Attachment)
		}
	})
	if failed == nil && err != nil {
		failed = fmt.Errorf("list attachments: %w", err)
	}
	return failed
}

func (v *verification) audit(ctx context.Context) (int, error) {
	type row struct {
		place            int64
		id, organisation string
		at               time.Time
		detail           []byte
	}
	var before row
	embedded := v.s.dialect != goose.DialectPostgres
	fields := func(r *row) []any { return []any{&r.place, &r.id, &r.organisation, instant{&r.at}, &r.detail} }
	return walk(ctx, v, walkAudit, fields, func(r row) []any { return []any{r.place} }, func(r row) {
		wrong := func(is, mend string) { v.flaw("audit entry", r.id, r.organisation, is, mend) }
		const ask = "compare it with a backup: whoever can write to the database can have done it"
		made, err := uuid.Parse(strings.TrimPrefix(r.id, "aud_"))
		switch {
		case err != nil || made.Version() != 7:
			wrong("has an id that the program does not make: somebody else has written it", ask)
		// On PostgreSQL several write side by side.
		case before.id != "" && r.id < before.id && (embedded || before.at.Sub(r.at) > unsettled):
			wrong("stands behind "+before.id+" and is older: it was put in later, or the clock was set back then", ask)
		case abs(time.Unix(made.Time().UnixTime()).Sub(r.at)) > unsettled:
			wrong(fmt.Sprintf("says %s, and its id is of another time: it was changed", r.at.Format(time.RFC3339)), ask)
		}
		// One writer numbers without gaps; what several begin and give up leaves some.
		if embedded && r.place != before.place+1 {
			wrong(fmt.Sprintf("is number %d behind number %d: entries between were removed", r.place, before.place), ask)
		}
		if !json.Valid(r.detail) {
			wrong("has a detail that is no JSON: the trail cannot be read past it", ask)
		}
		before = r
	})
}

func abs(d time.Duration) time.Duration { return max(d, -d) }

// recompute works finished assessments out again, the newest first.
func (v *verification) recompute(ctx context.Context) (n int, err error) {
	type name struct{ organisation, id string }
	after := ""
	for v.c.Recompute != nil && n+v.passed < v.c.Recomputed {
		page, err := many(ctx, v.s.read, func(r *name) []any { return []any{&r.organisation, &r.id} }, walkDone, after, min(pageOfRows, v.c.Recomputed-n-v.passed))
		if err != nil {
			return n, err
		}
		for _, r := range page {
			a, err := v.s.Assessment(ctx, r.organisation, r.id)
			if err != nil {
				return n, err
			}
			a.Organisation = r.organisation
			var never *assess.UnscorableError
			switch err := v.c.Recompute(ctx, a); {
			case errors.Is(err, assess.ErrOfAnotherTime):
				v.passed++
				n--
			case errors.Is(err, assess.ErrComesOutOtherwise):
				v.flaw("assessment", r.id, r.organisation, "is not what comes out when it is worked out again from its reports: it, a report or the rule set was changed, or the program counts otherwise", restore+"; if the backup says the same, tell us")
			case errors.As(err, &never):
				v.flaw("assessment", r.id, r.organisation, "cannot be worked out again: "+never.Error(), restore)
			case err != nil:
				return n, err
			}
			n++
			after = r.id
		}
		if len(page) == 0 {
			break
		}
	}
	return n, nil
}
