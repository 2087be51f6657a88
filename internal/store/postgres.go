package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

// maxConnections is how many connections one program holds to PostgreSQL at most.
const maxConnections = 16

func openPostgreSQL(ctx context.Context, o Options) (*Store, error) {
	config, err := pgx.ParseConfig(o.DatabaseURL)
	if err != nil {
		return nil, fmt.Errorf("read database URL: %w", err)
	}
	if config.ConnectTimeout == 0 {
		config.ConnectTimeout = patience
	}
	db := stdlib.OpenDB(*config, stdlib.OptionAfterConnect(boundLocks))
	db.SetMaxOpenConns(maxConnections)
	db.SetMaxIdleConns(maxConnections)
	db.SetConnMaxIdleTime(5 * time.Minute)
	migrations, err := postgresMigrations(ctx, db, o)
	if err != nil {
		_ = db.Close()
		return nil, err
	}
	return &Store{
		read: db,
		write: func(ctx context.Context, do func(context.Context, *sql.Tx) error) error {
			return transact(ctx, db, do)
		},
		migrations: migrations,
		dialect:    goose.DialectPostgres,
		pools:      map[string]*sql.DB{"all": db},
		close:      db.Close,
		unsettled:  unsettled,
	}, nil
}

// boundLocks has the server end transactions that nobody goes on with: a program that stands still, or
// that the network has cut off, would otherwise keep others from the vehicle that it was writing to
// for as long as the server believes in the connection, which may be hours.
func boundLocks(ctx context.Context, conn *pgx.Conn) error {
	if _, err := conn.Exec(ctx, "SET idle_in_transaction_session_timeout = '10s'"); err != nil {
		return fmt.Errorf("bound transactions: %w", err)
	}
	return nil
}

func postgresMigrations(ctx context.Context, db *sql.DB, o Options) (*goose.Provider, error) {
	if err := db.PingContext(ctx); err != nil {
		return nil, fmt.Errorf("connect to database: %w", err)
	}
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return nil, fmt.Errorf("make migration lock: %w", err)
	}
	return newMigrations(goose.DialectPostgres, db, o.Migrations, "postgres", goose.WithSessionLocker(locker))
}

// transact runs do in a transaction of its own. The queries count on READ COMMITTED: a statement
// that has waited for another transaction's lock must see what that one wrote.
func transact(ctx context.Context, db *sql.DB, do func(context.Context, *sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, &sql.TxOptions{Isolation: sql.LevelReadCommitted})
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	defer tx.Rollback()
	if err := do(ctx, tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}
