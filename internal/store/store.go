// Package store keeps reports and assessments in SQL: in one SQLite file, or in PostgreSQL. Both
// engines run the same queries (query.go); what differs between them is how a database is opened
// and migrated and how writes are grouped into transactions (sqlite.go, postgres.go).
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/pressly/goose/v3"

	"laidup/internal/assess"
)

// Options says where the database is.
type Options struct {
	// DatabaseURL is a PostgreSQL URL; empty means the SQLite file laidup.db in DataDir.
	DatabaseURL string
	// DataDir is the folder of the SQLite file. It is made if need be, for its owner alone.
	DataDir string
	// Beside is the name of a file in DataDir that is made once the database is there: with it and without
	// the database something was lost. Empty: there is none.
	Beside string
	// Migrations holds the schema: the folders sqlite and postgres, each with goose SQL files.
	Migrations fs.FS
}

// Store is an [assess.Store] in SQL. It is safe for concurrent use.
type Store struct {
	read querier
	// write runs do in a transaction: all of it is stored durably, or nothing and an error is
	// returned. The context that do gets is the one to run its queries under.
	write      func(ctx context.Context, do func(context.Context, *sql.Tx) error) error
	migrations *goose.Provider
	dialect    goose.Dialect
	newest     int64 // the schema version that this program needs
	pools      map[string]*sql.DB
	damage     func() error // what is wrong with the file; nil: nobody looks
	// scrub has what was erased removed from the files as well; nil: that is for who runs the database.
	scrub     func(ctx context.Context, wait bool)
	close     func() error
	unsettled time.Duration // see [Store.Unsettled]
}

var _ assess.Store = (*Store)(nil)

// Open connects to the database that o names. It leaves the schema as it is: see [Store.Migrate].
func Open(ctx context.Context, o Options) (*Store, error) {
	open := openSQLite
	if o.DatabaseURL != "" {
		open = openPostgreSQL
	}
	s, err := open(ctx, o)
	if err != nil {
		return nil, err
	}
	write := s.write
	s.write = func(ctx context.Context, do func(context.Context, *sql.Tx) error) error {
		return within(ctx, func(ctx context.Context) error { return write(ctx, do) })
	}
	for _, source := range s.migrations.ListSources() {
		s.newest = max(s.newest, source.Version)
	}
	return s, nil
}

// Migrate brings the schema up to the version that this program needs. Several programs may do
// so at once; one of them does the work and the others wait for it.
func (s *Store) Migrate(ctx context.Context) error {
	if _, err := s.migrations.Up(ctx); err != nil {
		return fmt.Errorf("migrate schema: %w", err)
	}
	return nil
}

// Ping says whether the database can be reached and its schema is one that this program can work
// with: the version it needs, or a later one, since later steps leave room for what came before.
func (s *Store) Ping(ctx context.Context) error {
	if s.damage != nil {
		if err := s.damage(); err != nil {
			return err
		}
	}
	var version int64
	if err := row(ctx, s.read, []any{&version}, selectSchemaVersion); err != nil {
		return fmt.Errorf("read schema version: %w", err)
	}
	if version < s.newest {
		return fmt.Errorf("schema version is %d, this program needs %d", version, s.newest)
	}
	return nil
}

// Pools returns the pools of connections by what they are for, to be watched and not to be used.
func (s *Store) Pools() map[string]*sql.DB { return s.pools }

// Close waits for writes in hand and closes the database. The store is of no use afterwards.
func (s *Store) Close() error { return s.close() }

// newMigrations reads the migrations in folder of fsys; they are to run on db.
func newMigrations(dialect goose.Dialect, db *sql.DB, fsys fs.FS, folder string, more ...goose.ProviderOption) (*goose.Provider, error) {
	files, err := fs.Sub(fsys, folder)
	if err != nil {
		return nil, fmt.Errorf("open migrations %s: %w", folder, err)
	}
	// Without this option goose would also run whatever Go migrations any import registered.
	more = append(more, goose.WithDisableGlobalRegistry(true))
	p, err := goose.NewProvider(dialect, db, files, more...)
	if err != nil {
		return nil, fmt.Errorf("read migrations %s: %w", folder, err)
	}
	return p, nil
}

// querier is what a query runs on: a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// domain translates the one database error that the domain has a word for. Conflicts need no
// translation: the queries expect them and say what is to happen.
func domain(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return assess.ErrNotFound
	}
	return err
}

// row runs a query that gives at most one row; [assess.ErrNotFound] if it gives none.
func row(ctx context.Context, q querier, into []any, query string, args ...any) error {
	return within(ctx, func(ctx context.Context) error {
		return domain(q.QueryRowContext(ctx, query, args...).Scan(into...))
	})
}

// sentBefore is the id of what an idempotency key stands for, by a query for that and its fingerprint: [assess.ErrKeyReused]
// where it came with something else.
func sentBefore(ctx context.Context, q querier, query, organisation, key, fingerprint string) (id string, err error) {
	var with string
	if err := row(ctx, q, []any{&id, &with}, query, organisation, key); err != nil {
		return "", err
	}
	if with != fingerprint {
		return "", assess.ErrKeyReused
	}
	return id, nil
}

// one runs a query that gives at most one row; [assess.ErrNotFound] if it gives none.
func one[T any](ctx context.Context, q querier, fields func(*T) []any, query string, args ...any) (T, error) {
	var t T
	if err := row(ctx, q, fields(&t), query, args...); err != nil {
		var zero T
		return zero, err
	}
	return t, nil
}

// many runs a query that gives any number of rows.
func many[T any](ctx context.Context, q querier, fields func(*T) []any, query string, args ...any) ([]T, error) {
	var all []T
	err := within(ctx, func(ctx context.Context) error {
		rows, err := q.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var t T
			if err := rows.Scan(fields(&t)...); err != nil {
				return err
			}
			all = append(all, t)
		}
		return rows.Err()
	})
	return all, err
}
