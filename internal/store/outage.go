package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"laidup/internal/assess"
)

// patience is how long a read or a write may take in all. A database that does not answer, or has
// others to serve, is better heard of soon: whoever asked tries again.
const patience = 5 * time.Second

// within gives do a while for its work with the database, and tells what only keeps it from being
// done just now ([assess.ErrUnavailable]) from what is wrong with it.
func within(ctx context.Context, do func(context.Context) error) error {
	limited, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	err := do(limited)
	return judge(err, ctx.Err(), limited.Err())
}

// sign is what an error lets one conclude. A later one outweighs the earlier: of all that is wrapped in
// an error the weightiest counts.
type sign int

const (
	// faulty: something is wrong with what was asked or with who asks. It will be so the next time.
	faulty sign = iota
	// undone: the transaction, or the statement, was ended before, by whom it does not say.
	undone
	// cut: a connection or a wait came to its end. Who gives up waiting ends them as well.
	cut
	// away: the database says itself that it cannot, whoever asked.
	away
)

// judge says of an error whether it is an outage: [assess.ErrUnavailable] then. caller and own say
// whether the time is over that the caller has, and the time that a piece of work has ([patience]),
// which is never later; nil: not yet.
//
// What the caller ended is no outage, and tells so: it is the caller's own error. That a transaction is
// over already is an outage if the time it had was over, for then it was ended for that. If not, somebody
// goes on behind the end of it, which is a fault of this program.
func judge(err, caller, own error) error {
	s := signOf(err)
	switch {
	case err == nil, s == faulty, errors.Is(err, assess.ErrUnavailable):
		return err
	case s == away:
	case caller != nil && errors.Is(err, caller):
		return err
	case caller != nil:
		return fmt.Errorf("%w: %w", caller, err)
	case s == undone && own == nil:
		return err
	}
	return fmt.Errorf("%w: %w", assess.ErrUnavailable, err)
}

// signOf is the weightiest sign of an error and of all that it wraps.
func signOf(err error) sign {
	s := ownSign(err)
	switch err := err.(type) {
	case interface{ Unwrap() error }:
		s = max(s, signOf(err.Unwrap()))
	case interface{ Unwrap() []error }:
		for _, cause := range err.Unwrap() {
			s = max(s, signOf(cause))
		}
	}
	return s
}

// ownSign is the sign of an error without what it wraps.
func ownSign(err error) sign {
	switch err := err.(type) {
	case nil:
		return faulty
	case *pgconn.PgError:
		return stateSign(err.Code)
	case *sqlite.Error:
		return resultSign(err.Code())
	case *pgconn.ConnectError:
		return cut // nothing was asked yet: whatever the reason, it does not lie in that
	case net.Error: // system calls that fail and deadlines are among them
		return cut
	}
	for _, known := range signs {
		if err == known.err {
			return known.sign
		}
	}
	if err.Error() == "sql: database is closed" { // it has no name
		return away
	}
	return faulty
}

// signs are those of errors that have a name.
var signs = []struct {
	err  error
	sign sign
}{
	{errClosed, away}, // this process is about to end; others, or the next, take the work over
	{context.DeadlineExceeded, cut},
	{driver.ErrBadConn, cut},
	{pgconn.ErrConnClosed, cut},
	{net.ErrClosed, cut},
	{io.EOF, cut},
	{io.ErrUnexpectedEOF, cut},
	{io.ErrClosedPipe, cut},
	{context.Canceled, undone},
	{sql.ErrTxDone, undone},
	{sql.ErrConnDone, undone},
	{pgx.ErrTxClosed, undone},
	{pgx.ErrTxCommitRollback, undone},
}

// stateSign is the sign of a SQLSTATE.
func stateSign(code string) sign {
	for _, known := range stateSigns {
		if strings.HasPrefix(code, known.code) {
			return known.sign
		}
	}
	return faulty
}

// stateSigns are those of SQLSTATE codes, by their beginnings; the first that fits counts. An error
// that a constraint, a privilege or the statement itself is the reason of has none of these.
var stateSigns = []struct {
	code string
	sign sign
}{
	{"08", away},      // the connection is broken
	{"25006", away},   // the database is read-only
	{"25P02", undone}, // a statement of the transaction failed before
	{"25P03", away},   // the transaction was not gone on with for too long
	{"25P04", away},   // the transaction took too long
	{"40002", faulty}, // a constraint does not hold
	{"40", away},      // others were in the way
	{"53", away},      // too many connections, no memory, no room on the disk
	{"55P03", away},   // somebody holds a lock
	{"57014", cut},    // the statement was cancelled: for its time, by an administrator or by who asked
	{"57", away},      // told to stop, going down, still starting, idle for too long, or dropped
	{"58", away},      // the system below fails
}

// resultSign is the sign of a result code of SQLite.
func resultSign(code int) sign {
	for _, known := range resultSigns {
		// What is beyond the first eight bits says more exactly where.
		if code == known.code || code&0xff == known.code {
			return known.sign
		}
	}
	return faulty
}

// resultSigns are those of SQLite's result codes.
var resultSigns = []struct {
	code int
	sign sign
}{
	{sqlite3.SQLITE_BUSY, away}, // others are in the way
	{sqlite3.SQLITE_LOCKED, away},
	{sqlite3.SQLITE_PROTOCOL, away},
	{sqlite3.SQLITE_SCHEMA, away}, // others migrate
	{sqlite3.SQLITE_FULL, away},   // the system below fails
	{sqlite3.SQLITE_IOERR, away},
	{sqlite3.SQLITE_READONLY, away},
	{sqlite3.SQLITE_CANTOPEN, away},
	{sqlite3.SQLITE_PERM, away},
	{sqlite3.SQLITE_NOMEM, away},
	{sqlite3.SQLITE_INTERRUPT, undone}, // only who gives up waiting interrupts
	{sqlite3.SQLITE_ABORT_ROLLBACK, undone},
}
