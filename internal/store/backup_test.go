package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/store"
	"laidup/internal/testserver"
)

// keepAccepting accepts reports, each on a vehicle of its own, until it is told to stop, and tells how many are
// safe so far.
func keepAccepting(t *testing.T, s *store.Store) (safe *atomic.Int64, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	safe = new(atomic.Int64)
	go func() {
		defer close(done)
		for i := 0; ctx.Err() == nil; i++ {
			sub := submission(i, 2000)
			sub.Vehicle = fmt.Sprintf("tern-%05d", i)
			if _, err := s.Accept(context.WithoutCancel(ctx), sub); err != nil {
				t.Error(err)
				return
			}
			safe.Store(int64(i + 1))
		}
	}()
	return safe, func() { cancel(); <-done }
}

// restored checks that all that was safe when the backup began is in what was made of it, and that it can go on.
func restored(t *testing.T, s *store.Store, before int64) {
	t.Helper()
	if err := s.Ping(t.Context()); err != nil {
		t.Fatal(err)
	}
	list, err := s.Vehicles(t.Context(), assess.VehiclePage{Organisation: access.Workshop, Limit: 1 << 30})
	if err != nil || int64(len(list)) < before {
		t.Fatalf("%d vehicles of %d (%v)", len(list), before, err)
	}
	for _, v := range list {
		dossier, err := s.Dossier(t.Context(), access.Workshop, v.Reference, 9)
		if err != nil || len(dossier) != 1 || !v.Waiting {
			t.Fatalf("%s: %d reports, waiting %t (%v)", v.Reference, len(dossier), v.Waiting, err)
		}
	}
	next := submission(9_999_999, 10)
	if _, err := s.Accept(t.Context(), next); err != nil {
		t.Error(err)
	}
}

func TestABackupOfTheFileIsWholeWhileReportsCome(t *testing.T) {
	t.Parallel()
	o := engines["SQLite"](t)
	s := migrated(t, o)
	safe, stop := keepAccepting(t, s)
	for safe.Load() < 200 {
	}
	before := safe.Load()
	folder := filepath.Join(t.TempDir(), "a", "b")
	file := filepath.Join(folder, "copy.db")
	if err := store.Backup(t.Context(), o.DataDir, file); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := store.Backup(t.Context(), o.DataDir, file); !errors.Is(err, os.ErrExist) {
		t.Errorf("a backup was written over: %v", err)
	}
	entries, err := os.ReadDir(folder)
	if err != nil || len(entries) != 1 {
		t.Errorf("in the folder are %v (%v)", entries, err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v (%v)", info.Mode(), err)
	}
	// To restore is to put the file into an empty data folder.
	fresh := store.Options{DataDir: t.TempDir(), Migrations: o.Migrations}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(fresh.DataDir, "laidup.db"), data, 0o600); err != nil {
		t.Fatal(err)
	}
	restored(t, migrated(t, fresh), before)
}

func TestABackupOfWhatIsNoDatabaseIsNone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "laidup.db"), slices.Repeat([]byte("no database "), 1000), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, from := range []string{dir, t.TempDir()} {
		file := filepath.Join(t.TempDir(), "copy.db")
		if err := store.Backup(t.Context(), from, file); err == nil {
			t.Errorf("%s was backed up", from)
		}
		if _, err := os.Stat(file); err == nil {
			t.Errorf("there is a file as if it was good")
		}
	}
}

// The commands are those of docs/operations.md.
func TestADumpOfPostgreSQLIsWholeWhileReportsCome(t *testing.T) {
	t.Parallel()
	o := engines["PostgreSQL"](t)
	s := migrated(t, o)
	safe, stop := keepAccepting(t, s)
	for safe.Load() < 200 {
	}
	before := safe.Load()
	file := filepath.Join(t.TempDir(), "laidup.dump")
	run := func(args ...string) {
		t.Helper()
		if out, err := exec.CommandContext(t.Context(), testserver.PostgreSQLProgram(t, args[0]), args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	run("pg_dump", "--format=custom", "--file="+file, o.DatabaseURL)
	stop()
	fresh := store.Options{DatabaseURL: testserver.PostgreSQL(t), Migrations: o.Migrations}
	run("pg_restore", "--no-owner", "--exit-on-error", "--dbname="+fresh.DatabaseURL, file)
	restored(t, migrated(t, fresh), before)
}

func TestABackupTakesFoldersFromWhereItIs(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	migrated(t, store.Options{DataDir: "data", Migrations: migrations(t)})
	if err := store.Backup(t.Context(), "data", filepath.Join("copies", "one.db")); err != nil {
		t.Fatal(err)
	}
	if found, err := os.Stat(filepath.Join(folder, "copies", "one.db")); err != nil || found.Size() == 0 {
		t.Errorf("the copy is %v, %v", found, err)
	}
}
