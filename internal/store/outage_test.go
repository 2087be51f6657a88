package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	sqlite3 "modernc.org/sqlite/lib"

	"laidup/internal/assess"
	"laidup/internal/testserver"
	"laidup/schema"
)

// state is what PostgreSQL says with a SQLSTATE.
func state(code string) error {
	return fmt.Errorf("insert report: %w", &pgconn.PgError{Severity: "ERROR", Code: code, Message: "told so"})
}

func TestSignsOfErrors(t *testing.T) {
	t.Parallel()
	wrapped := func(err error) error { return fmt.Errorf("commit: %w", err) }
	for name, c := range map[string]struct {
		err  error
		want sign
	}{
		"nothing":                           {nil, faulty},
		"an error that nobody knows":        {errors.New("odd"), faulty},
		"no such row":                       {sql.ErrNoRows, faulty},
		"not found":                         {wrapped(assess.ErrNotFound), faulty},
		"unique violation":                  {state("23505"), faulty},
		"serialization failure":             {state("40001"), away},
		"deadlock":                          {state("40P01"), away},
		"completion unknown":                {state("40003"), away},
		"rollback for a constraint":         {state("40002"), faulty},
		"no transaction":                    {state("25P01"), faulty},
		"read-only transaction":             {state("25006"), away},
		"failed transaction":                {state("25P02"), undone},
		"idle in a transaction":             {state("25P03"), away},
		"transaction took too long":         {state("25P04"), away},
		"connection exception":              {state("08000"), away},
		"connection does not exist":         {state("08003"), away},
		"connection failure":                {state("08006"), away},
		"outcome unknown":                   {state("08007"), away},
		"protocol, as poolers say it":       {state("08P01"), away},
		"disk full":                         {state("53100"), away},
		"out of memory":                     {state("53200"), away},
		"too many connections":              {state("53300"), away},
		"lock not available":                {state("55P03"), away},
		"not in the state for it":           {state("55000"), faulty},
		"statement cancelled":               {state("57014"), cut},
		"administrator's shutdown":          {state("57P01"), away},
		"crash of another process":          {state("57P02"), away},
		"still starting":                    {state("57P03"), away},
		"database dropped":                  {state("57P04"), away},
		"idle session":                      {state("57P05"), away},
		"input or output":                   {state("58030"), away},
		"data corrupted":                    {state("XX001"), faulty},
		"no such table":                     {state("42P01"), faulty},
		"no privilege":                      {state("42501"), faulty},
		"connection not made":               {wrapped(&pgconn.ConnectError{}), cut},
		"connection closed by the driver":   {wrapped(pgconn.ErrConnClosed), cut},
		"bad connection":                    {wrapped(driver.ErrBadConn), cut},
		"reset":                             {wrapped(&net.OpError{Op: "read", Err: os.NewSyscallError("read", syscall.ECONNRESET)}), cut},
		"broken pipe":                       {wrapped(syscall.EPIPE), cut},
		"refused":                           {wrapped(syscall.ECONNREFUSED), cut},
		"no way to it":                      {wrapped(syscall.EHOSTUNREACH), cut},
		"name not found":                    {wrapped(&net.DNSError{IsNotFound: true}), cut},
		"deadline of the connection":        {wrapped(os.ErrDeadlineExceeded), cut},
		"closed by this end":                {wrapped(net.ErrClosed), cut},
		"end amid an answer":                {wrapped(io.ErrUnexpectedEOF), cut},
		"end":                               {wrapped(io.EOF), cut},
		"pipe closed":                       {wrapped(io.ErrClosedPipe), cut},
		"deadline":                          {wrapped(context.DeadlineExceeded), cut},
		"cancelled":                         {wrapped(context.Canceled), undone},
		"transaction over":                  {wrapped(sql.ErrTxDone), undone},
		"connection given back":             {wrapped(sql.ErrConnDone), undone},
		"transaction closed, by the driver": {wrapped(pgx.ErrTxClosed), undone},
		"commit that rolled back":           {wrapped(pgx.ErrTxCommitRollback), undone},
		"store closed":                      {wrapped(errClosed), away},
		"an outage, and what follows it":    {errors.Join(wrapped(sql.ErrTxDone), state("25P03")), away},
		"a fault, and what follows it":      {errors.Join(state("23505"), state("25P02")), undone},
		"a fault, and an outage after it":   {errors.Join(state("23505"), wrapped(io.EOF)), cut},
	} {
		if got := signOf(c.err); got != c.want {
			t.Errorf("%s: %v has sign %d, want %d", name, c.err, got, c.want)
		}
	}
	for name, c := range map[string]struct {
		code int
		want sign
	}{
		"busy":                              {sqlite3.SQLITE_BUSY, away},
		"busy with an older snapshot":       {sqlite3.SQLITE_BUSY_SNAPSHOT, away},
		"locked":                            {sqlite3.SQLITE_LOCKED, away},
		"full":                              {sqlite3.SQLITE_FULL, away},
		"input or output":                   {sqlite3.SQLITE_IOERR, away},
		"not synced":                        {sqlite3.SQLITE_IOERR_FSYNC, away},
		"read-only":                         {sqlite3.SQLITE_READONLY, away},
		"cannot open":                       {sqlite3.SQLITE_CANTOPEN, away},
		"not permitted":                     {sqlite3.SQLITE_PERM, away},
		"no memory":                         {sqlite3.SQLITE_NOMEM, away},
		"protocol of locks":                 {sqlite3.SQLITE_PROTOCOL, away},
		"schema changed":                    {sqlite3.SQLITE_SCHEMA, away},
		"interrupted":                       {sqlite3.SQLITE_INTERRUPT, undone},
		"aborted by a rollback":             {sqlite3.SQLITE_ABORT_ROLLBACK, undone},
		"aborted by a callback":             {sqlite3.SQLITE_ABORT, faulty},
		"error":                             {sqlite3.SQLITE_ERROR, faulty},
		"constraint":                        {sqlite3.SQLITE_CONSTRAINT_UNIQUE, faulty},
		"corrupt":                           {sqlite3.SQLITE_CORRUPT, faulty},
		"no database":                       {sqlite3.SQLITE_NOTADB, faulty},
		"used in a way that makes no sense": {sqlite3.SQLITE_MISUSE, faulty},
	} {
		if got := resultSign(c.code); got != c.want {
			t.Errorf("SQLite, %s: code %d has sign %d, want %d", name, c.code, got, c.want)
		}
	}
}

// One cause may mean an outage, a fault or the caller's own doing: that depends on whose time is over.
func TestWhatTheSignsMeanDependsOnWhoseTimeIsOver(t *testing.T) {
	t.Parallel()
	const outage, fault, callers = "an outage", "a fault", "the caller's"
	over := context.DeadlineExceeded
	for name, c := range map[string]struct {
		err                           error
		inTime, ownOver, gone, atHand string // nobody's time is over; only that of the work; the caller is gone; the caller's deadline is over
	}{
		"the server says that it ends the transaction": {state("25P03"), outage, outage, outage, outage},
		"the server says that it shuts down":           {state("57P01"), outage, outage, outage, outage},
		"the server has cancelled the statement":       {state("57014"), outage, outage, callers, callers},
		"the connection is reset":                      {syscall.ECONNRESET, outage, outage, callers, callers},
		"the connection is bad":                        {driver.ErrBadConn, outage, outage, callers, callers},
		"no connection could be made":                  {&pgconn.ConnectError{}, outage, outage, callers, callers},
		"a deadline is over":                           {over, outage, outage, callers, callers},
		"the transaction is over":                      {sql.ErrTxDone, fault, outage, callers, callers},
		"the commit has rolled back":                   {pgx.ErrTxCommitRollback, fault, outage, callers, callers},
		"something was cancelled":                      {context.Canceled, fault, outage, callers, callers},
		"a constraint does not hold":                   {state("23505"), fault, fault, fault, fault},
		"there is nothing":                             {assess.ErrNotFound, fault, fault, fault, fault},
	} {
		for _, when := range []struct {
			name        string
			caller, own error
			want        string
		}{
			{"in time", nil, nil, c.inTime},
			{"its own time over", nil, over, c.ownOver},
			{"the caller gone", context.Canceled, context.Canceled, c.gone},
			{"the caller's time over", over, over, c.atHand},
		} {
			err := judge(fmt.Errorf("commit: %w", c.err), when.caller, when.own)
			got := fault
			switch {
			case errors.Is(err, assess.ErrUnavailable):
				got = outage
			case when.caller != nil && errors.Is(err, when.caller):
				got = callers
			}
			if got != when.want || !errors.Is(err, c.err) {
				t.Errorf("%s, %s: %v is %s, want %s", name, when.name, err, got, when.want)
			}
		}
	}
	if err := judge(nil, context.Canceled, over); err != nil {
		t.Errorf("what went well is %v", err)
	}
	known := fmt.Errorf("accept: %w", assess.ErrUnavailable)
	if err := judge(known, context.Canceled, over); err != known {
		t.Errorf("what is known to be an outage is %v", err)
	}
}

// databases says where each engine finds a fresh one.
var databases = map[string]func(t *testing.T) Options{
	"SQLite":     func(t *testing.T) Options { return Options{DataDir: t.TempDir()} },
	"PostgreSQL": func(t *testing.T) Options { return Options{DatabaseURL: testserver.PostgreSQL(t)} },
}

// opened opens a database that is migrated.
func opened(t *testing.T, o Options) *Store {
	t.Helper()
	var err error
	if o.Migrations, err = fs.Sub(schema.FS, "migrations"); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s
}

// Whatever ends a transaction on PostgreSQL from outside is an outage; what the program does to it itself
// is none.
func TestTransactionsThatAreEndedFromOutside(t *testing.T) {
	t.Parallel()
	url := testserver.PostgreSQL(t)
	s := opened(t, Options{DatabaseURL: url})
	admin, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = admin.Close(context.Background()) })
	type do = func(ctx context.Context, tx *sql.Tx) error
	exec := func(t *testing.T, ctx context.Context, tx *sql.Tx, statement string) {
		t.Helper()
		if _, err := tx.ExecContext(ctx, statement); err != nil {
			t.Errorf("%s: %v", statement, err)
		}
	}
	process := func(t *testing.T, ctx context.Context, tx *sql.Tx) (pid int) {
		t.Helper()
		if err := tx.QueryRowContext(ctx, "SELECT pg_backend_pid()").Scan(&pid); err != nil {
			t.Error(err)
		}
		return pid
	}
	// gone waits until the server has ended a session.
	gone := func(t *testing.T, pid int) {
		t.Helper()
		for there := true; there; {
			if err := admin.QueryRow(t.Context(), "SELECT EXISTS (SELECT FROM pg_stat_activity WHERE pid = $1)", pid).Scan(&there); err != nil {
				t.Fatal(err)
			}
		}
	}
	stood := func(t *testing.T, ctx context.Context, tx *sql.Tx) {
		t.Helper()
		pid := process(t, ctx, tx)
		exec(t, ctx, tx, "SET LOCAL idle_in_transaction_session_timeout = '20ms'")
		gone(t, pid)
	}
	for _, c := range []struct {
		name  string
		do    func(t *testing.T) do
		state string // what PostgreSQL says, if it can
		want  error  // nil: a fault
	}{
		{"nobody went on, then a commit", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				stood(t, ctx, tx)
				return nil
			}
		}, "25P03", assess.ErrUnavailable},
		{"nobody went on, then a statement", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				stood(t, ctx, tx)
				_, err := tx.ExecContext(ctx, "SELECT 1")
				return err
			}
		}, "25P03", assess.ErrUnavailable},
		{"nobody went on, then a statement whose failure is passed over, then a commit", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				stood(t, ctx, tx)
				_, _ = tx.ExecContext(ctx, "SELECT 1")
				return nil
			}
		}, "", assess.ErrUnavailable},
		{"ended by an administrator", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				pid := process(t, ctx, tx)
				if _, err := admin.Exec(t.Context(), "SELECT pg_terminate_backend($1)", pid); err != nil {
					t.Error(err)
				}
				gone(t, pid)
				return nil
			}
		}, "57P01", assess.ErrUnavailable},
		{"a statement takes longer than the server lets it", func(*testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				_, err := tx.ExecContext(ctx, "SET LOCAL statement_timeout = '1ms'; SELECT pg_sleep(60)")
				return err
			}
		}, "57014", assess.ErrUnavailable},
		{"a lock takes longer than the server lets it", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				if _, err := admin.Exec(t.Context(), "BEGIN; LOCK TABLE vehicles"); err != nil {
					t.Error(err)
				}
				defer func() {
					if _, err := admin.Exec(t.Context(), "ROLLBACK"); err != nil {
						t.Error(err)
					}
				}()
				_, err := tx.ExecContext(ctx, "SET LOCAL lock_timeout = '1ms'; LOCK TABLE vehicles")
				return err
			}
		}, "55P03", assess.ErrUnavailable},
		{"two that wait for one another", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				exec(t, ctx, tx, "SET LOCAL deadlock_timeout = '1ms'")
				exec(t, ctx, tx, "SELECT pg_advisory_xact_lock(1)")
				if _, err := admin.Exec(t.Context(), "BEGIN; SET LOCAL deadlock_timeout = '1h'; SELECT pg_advisory_xact_lock(2)"); err != nil {
					t.Error(err)
				}
				other := make(chan error)
				go func() {
					_, err := admin.Exec(t.Context(), "SELECT pg_advisory_xact_lock(1); ROLLBACK")
					other <- err
				}()
				// Who waits looks for a ring once: the other one has to wait already.
				for waits := false; !waits; time.Sleep(5 * time.Millisecond) {
					if err := tx.QueryRowContext(ctx, "SELECT count(*) > 0 FROM pg_locks JOIN pg_database AS d ON d.oid = database WHERE datname = current_database() AND locktype = 'advisory' AND NOT granted").Scan(&waits); err != nil {
						t.Error(err)
						break
					}
				}
				_, err := tx.ExecContext(ctx, "SELECT pg_advisory_xact_lock(2)")
				if tx.Rollback() != nil || <-other != nil {
					t.Error("the other one did not get its lock")
				}
				return err
			}
		}, "40P01", assess.ErrUnavailable},
		{"somebody else wrote what was read", func(t *testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				exec(t, ctx, tx, "SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
				exec(t, ctx, tx, "SELECT count(*) FROM rule_sets")
				for _, statement := range []string{"INSERT INTO rule_sets VALUES ('d', 'n', 'v', '{}')", "UPDATE rule_sets SET name = 'other'"} {
					if _, err := admin.Exec(t.Context(), statement); err != nil {
						t.Error(err)
					}
				}
				_, err := tx.ExecContext(ctx, "INSERT INTO rule_sets VALUES ('d', 'n', 'v', '{}') ON CONFLICT (digest) DO UPDATE SET name = 'mine'")
				return err
			}
		}, "40001", assess.ErrUnavailable},
		{"it takes longer than it may", func(*testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				<-ctx.Done()
				for {
					if _, err := tx.ExecContext(context.WithoutCancel(ctx), "SELECT 1"); err != nil {
						return err // database/sql has ended it
					}
				}
			}
		}, "", assess.ErrUnavailable},
		{"the program commits twice", func(*testing.T) do {
			return func(_ context.Context, tx *sql.Tx) error { return tx.Commit() }
		}, "", nil},
		{"the program passes a failure over and commits", func(*testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				_, _ = tx.ExecContext(ctx, "SELECT 1/0")
				return nil
			}
		}, "", nil},
		{"the program passes a failure over and goes on", func(*testing.T) do {
			return func(ctx context.Context, tx *sql.Tx) error {
				_, _ = tx.ExecContext(ctx, "SELECT 1/0")
				_, err := tx.ExecContext(ctx, "SELECT 1")
				return err
			}
		}, "25P02", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := s.write(t.Context(), c.do(t))
			var said *pgconn.PgError
			switch {
			case err == nil:
				t.Fatal("it is content")
			case errors.Is(err, assess.ErrUnavailable) != (c.want != nil):
				t.Errorf("%v: an outage is %t", err, c.want != nil)
			// Where the server ends the session, its last words may be lost with it.
			case errors.As(err, &said) && said.Code != c.state:
				t.Errorf("%v, want SQLSTATE %s", err, c.state)
			}
			if err := s.Ping(t.Context()); err != nil {
				t.Errorf("afterwards: %v", err)
			}
		})
	}
}

// A caller who does not wait any longer is told that, on either engine, and not of an outage.
func TestWhatTheCallerEndsIsNoOutage(t *testing.T) {
	t.Parallel()
	for engine, options := range databases {
		t.Run(engine, func(t *testing.T) {
			t.Parallel()
			s := opened(t, options(t))
			endless := "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n"
			for name, c := range map[string]struct {
				end  func(context.Context) (context.Context, context.CancelFunc)
				want error
			}{
				"gone": {func(ctx context.Context) (context.Context, context.CancelFunc) {
					ctx, cancel := context.WithCancel(ctx)
					time.AfterFunc(20*time.Millisecond, cancel)
					return ctx, cancel
				}, context.Canceled},
				"time over": {func(ctx context.Context) (context.Context, context.CancelFunc) {
					return context.WithTimeout(ctx, 20*time.Millisecond)
				}, context.DeadlineExceeded},
			} {
				ctx, cancel := c.end(t.Context())
				var n int
				if err := row(ctx, s.read, []any{&n}, endless); !errors.Is(err, c.want) || errors.Is(err, assess.ErrUnavailable) {
					t.Errorf("%s amid a read: %v", name, err)
				}
				cancel()
			}
			ctx, cancel := context.WithCancel(t.Context())
			err := s.write(ctx, func(inner context.Context, tx *sql.Tx) error {
				cancel()
				_, err := tx.ExecContext(inner, "DELETE FROM rule_sets")
				return err
			})
			// SQLite writes for many at once, and what it has begun to write it writes.
			if err != nil && (!errors.Is(err, context.Canceled) || errors.Is(err, assess.ErrUnavailable)) || err == nil && engine != "SQLite" {
				t.Errorf("gone amid a write: %v", err)
			}
			// Its own time over is an outage: the database had its turn.
			err = within(t.Context(), func(context.Context) error {
				short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
				defer cancel()
				var n int
				return s.read.QueryRowContext(short, endless).Scan(&n)
			})
			if !errors.Is(err, assess.ErrUnavailable) {
				t.Errorf("a read that takes too long: %v", err)
			}
		})
	}
}

// A store that is about to end does not take the blame on the report: whoever asks again reaches another.
func TestAClosedStoreIsAnOutage(t *testing.T) {
	t.Parallel()
	for engine, options := range databases {
		t.Run(engine, func(t *testing.T) {
			t.Parallel()
			s := opened(t, options(t))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if err := s.PutBack(t.Context(), "nobody"); !errors.Is(err, assess.ErrUnavailable) {
				t.Errorf("a write: %v", err)
			}
			if err := s.Ping(t.Context()); !errors.Is(err, assess.ErrUnavailable) {
				t.Errorf("a read: %v", err)
			}
		})
	}
}
