package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
)

// Backup writes a whole and consistent copy of the SQLite file in a data folder to another file,
// which must not be there yet, while programs go on writing. The copy is checked before it gets its
// name: where there is a file of that name, it is good.
func Backup(ctx context.Context, dataDir, file string) error {
	// SQLite takes the names of files in URLs, which know no place to begin from.
	path, err := filepath.Abs(filepath.Join(dataDir, "laidup.db"))
	if err == nil {
		file, err = filepath.Abs(file)
	}
	if err != nil {
		return fmt.Errorf("find database: %w", err)
	}
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("find database: %w", err)
	}
	if _, err := os.Lstat(file); err == nil {
		return fmt.Errorf("back up to %s: %w", file, os.ErrExist)
	}
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return fmt.Errorf("make folder of backup: %w", err)
	}
	part := file + ".part"
	if err := errors.Join(copyDatabase(ctx, path, part), checkDatabase(ctx, part)); err != nil {
		return errors.Join(fmt.Errorf("back up to %s: %w", file, err), os.Remove(part))
	}
	if err := os.Rename(part, file); err != nil {
		return fmt.Errorf("name backup: %w", err)
	}
	return nil
}

// copyDatabase copies what one transaction sees, and makes the copy durable.
func copyDatabase(ctx context.Context, path, to string) (err error) {
	db, err := openFile(path, 1, url.Values{"_pragma": {"busy_timeout(10000)"}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := os.Remove(to); err != nil && !errors.Is(err, os.ErrNotExist) { // of a backup that was cut short
		return err
	}
	if _, err := db.ExecContext(ctx, "VACUUM INTO $1", to); err != nil {
		return fmt.Errorf("copy database: %w", err)
	}
	f, err := os.OpenFile(to, os.O_RDWR, 0) // #nosec G304 -- who makes the backup says where it goes
	if err != nil {
		return err
	}
	return errors.Join(f.Chmod(0o600), f.Sync(), f.Close())
}

func checkDatabase(ctx context.Context, path string) (err error) {
	db, err := openFile(path, 1, url.Values{"_pragma": {"query_only(1)"}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var said string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check").Scan(&said); err != nil && !errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("check copy: %w", err)
	}
	if said != "ok" {
		return fmt.Errorf("check copy: %s", said)
	}
	return nil
}
