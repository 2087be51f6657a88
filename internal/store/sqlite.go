package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// maxBatch is how many writes share a transaction at most. A disk that makes one transaction
// durable takes hardly longer for many writes than for one.
const maxBatch = 64

var errClosed = errors.New("store is closed")

func openSQLite(ctx context.Context, o Options) (*Store, error) {
	if err := os.MkdirAll(o.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("make data folder: %w", err)
	}
	path, err := filepath.Abs(filepath.Join(o.DataDir, "laidup.db"))
	if err != nil {
		return nil, fmt.Errorf("find data folder: %w", err)
	}
	if err := gone(o, path); err != nil {
		return nil, err
	}
	// SQLite would make the file readable for everyone whom the folder lets in.
	file, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600) // #nosec G304 -- who runs the service says where its data is
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	if err := file.Close(); err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}

	// One connection writes. FULL makes a commit wait for the disk: what was accepted is kept
	// even if the power fails. What is deleted is overwritten with zeros: the file has nothing of it
	// once the log is in it, see scrubber.
	write, err := openFile(path, 1, url.Values{
		"_pragma": {"busy_timeout(5000)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)", "secure_delete(1)"},
		"_txlock": {"immediate"},
	})
	if err != nil {
		return nil, err
	}
	read, err := openFile(path, max(4, runtime.GOMAXPROCS(0)), url.Values{
		"_pragma": {"busy_timeout(5000)", "query_only(1)"},
	})
	if err != nil {
		_ = write.Close()
		return nil, err
	}
	// The writer's first connection creates what the readers look for.
	err = write.PingContext(ctx)
	if err != nil {
		err = fmt.Errorf("open database: %w", err)
	}
	var migrations *goose.Provider
	if err == nil {
		migrations, err = newMigrations(goose.DialectSQLite3, write, o.Migrations, "sqlite",
			goose.WithSessionLocker(&fileLock{path: path + ".migrating"}))
	}
	if err != nil {
		return nil, errors.Join(err, read.Close(), write.Close())
	}
	w := startWriter(write)
	check := startCheck(read)
	scrub := startScrubber(path)
	return &Store{
		read:       read,
		write:      w.write,
		migrations: migrations,
		dialect:    goose.DialectSQLite3,
		pools:      map[string]*sql.DB{"read": read, "write": write},
		damage:     check.found,
		scrub:      scrub.scrub,
		close: func() error {
			check.stop()
			scrub.stop()
			w.stop()
			return errors.Join(read.Close(), write.Close())
		},
	}, nil
}

func openFile(path string, connections int, settings url.Values) (*sql.DB, error) {
	dsn := url.URL{Scheme: "file", Path: filepath.ToSlash(path), RawQuery: settings.Encode()}
	db, err := sql.Open("sqlite", dsn.String())
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// gone says that the database is missing while what was made beside it is there: an empty one in its place
// would look as if nothing had ever been accepted.
func gone(o Options, path string) error {
	if o.Beside == "" {
		return nil
	}
	if _, err := os.Stat(filepath.Join(o.DataDir, o.Beside)); err != nil {
		return nil // it is not there: nothing was made yet
	}
	if found, err := os.Stat(path); err == nil && found.Size() > 0 || err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil // whatever is wrong with it, opening it tells
	}
	return fmt.Errorf("open database: %s is there, and %s beside which it was made is not, or is empty: put the database, or a backup of it, in its place; to begin anew remove %[1]s",
		filepath.Join(o.DataDir, o.Beside), path)
}

// check looks through the database once, beside all else: of a large one that takes a while.
type check struct {
	mu    sync.Mutex
	err   error
	stop  func()
	ended chan struct{}
}

func startCheck(db *sql.DB) *check {
	ctx, cancel := context.WithCancel(context.Background())
	c := &check{ended: make(chan struct{})}
	c.stop = func() {
		cancel()
		<-c.ended
	}
	go func() {
		defer close(c.ended)
		var said string
		err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&said)
		c.mu.Lock()
		defer c.mu.Unlock()
		switch {
		case ctx.Err() != nil:
		case damaged(err):
			c.err = fmt.Errorf("the database is damaged: %w; restore a backup", err)
		case err == nil && said != "ok":
			c.err = fmt.Errorf("the database is damaged: %s; restore a backup", said)
		}
	}()
	return c
}

// damaged tells an error of a damaged file from one that passes.
func damaged(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && (e.Code()&0xff == sqlite3.SQLITE_CORRUPT || e.Code()&0xff == sqlite3.SQLITE_NOTADB)
}

// found is what was found so far.
func (c *check) found() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

// writer is the one goroutine that writes. All the writes that came while it was busy go into its
// next transaction, so that they wait for the disk together.
type writer struct {
	db      *sql.DB
	waiting chan *write // unbuffered: a write that was handed over will be answered
	closing chan struct{}
	ended   chan struct{}
	once    sync.Once
}

type write struct {
	ctx  context.Context
	do   func(context.Context, *sql.Tx) error
	err  error         // what became of it, once done is closed
	done chan struct{} // closed when it is durable, or void
}

func startWriter(db *sql.DB) *writer {
	w := &writer{db: db, waiting: make(chan *write), closing: make(chan struct{}), ended: make(chan struct{})}
	go w.run()
	return w
}

// write hands do over and waits for its end. A caller whose ctx ends while the batch is being
// written still waits, for milliseconds, and is told what is true.
func (w *writer) write(ctx context.Context, do func(context.Context, *sql.Tx) error) error {
	one := &write{ctx: ctx, do: do, done: make(chan struct{})}
	select {
	case w.waiting <- one:
		<-one.done
		return one.err
	case <-ctx.Done():
		return ctx.Err()
	case <-w.closing:
		return errClosed
	}
}

func (w *writer) stop() {
	w.once.Do(func() { close(w.closing) })
	<-w.ended
}

func (w *writer) run() {
	defer close(w.ended)
	for {
		var batch []*write
		select {
		case one := <-w.waiting:
			batch = append(batch, one)
		case <-w.closing:
			return
		}
		for more := true; more && len(batch) < maxBatch; {
			select {
			case one := <-w.waiting:
				batch = append(batch, one)
			default:
				more = false
			}
		}
		w.commit(batch)
	}
}

// commit writes the batch in one transaction and answers everyone in it.
func (w *writer) commit(batch []*write) {
	// Not a caller's context: SQLite answers an interrupted statement by rolling back the whole
	// transaction, and with it the writes of everyone else.
	err := transact(context.Background(), w.db, func(ctx context.Context, tx *sql.Tx) error {
		for _, one := range batch {
			if err := one.in(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	for _, one := range batch {
		if err != nil {
			one.err = err
		}
		close(one.done)
	}
}

// in runs the write inside a savepoint, so that its failure undoes nothing but itself. The error
// returned is one that spoils the whole transaction.
func (one *write) in(ctx context.Context, tx *sql.Tx) error {
	if one.err = one.ctx.Err(); one.err != nil {
		return nil
	}
	if _, err := tx.ExecContext(ctx, "SAVEPOINT one"); err != nil {
		return fmt.Errorf("begin write: %w", err)
	}
	if one.err = one.do(ctx, tx); one.err != nil {
		if _, err := tx.ExecContext(ctx, "ROLLBACK TO one"); err != nil {
			// Where SQLite cannot go on, as on a full disk, it has undone the whole transaction: that is
			// the reason then, for all who are in it.
			if signOf(one.err) > undone {
				err = one.err
			}
			return fmt.Errorf("undo write: %w", err)
		}
	}
	if _, err := tx.ExecContext(ctx, "RELEASE one"); err != nil {
		return fmt.Errorf("end write: %w", err)
	}
	return nil
}

// fileLock keeps programs from migrating one SQLite file at once. It is the write lock of an
// empty database beside the file, which the operating system releases if the holder dies.
type fileLock struct {
	path string
	db   *sql.DB
	held *sql.Tx
}

// SessionLock implements goose's lock.SessionLocker.
func (l *fileLock) SessionLock(ctx context.Context, _ *sql.Conn) error {
	db, err := openFile(l.path, 1, url.Values{"_pragma": {"busy_timeout(60000)"}, "_txlock": {"exclusive"}})
	if err != nil {
		return err
	}
	held, err := db.BeginTx(ctx, nil)
	if err != nil {
		return errors.Join(fmt.Errorf("lock migrations: %w", err), db.Close())
	}
	l.db, l.held = db, held
	return nil
}

// SessionUnlock implements goose's lock.SessionLocker.
func (l *fileLock) SessionUnlock(context.Context, *sql.Conn) error {
	return errors.Join(l.held.Rollback(), l.db.Close())
}
