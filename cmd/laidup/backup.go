package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"laidup/internal/assess"
	"laidup/internal/bucket"
	"laidup/internal/config"
	"laidup/internal/store"
	"laidup/schema"
)

type backupCommand struct {
	config.Store
	To string `required:"" help:"Folder for the copy, which is a folder there whose name contains the time."`
}

// backupsBegun is how often a backup begins anew, where photos are erased while they are copied.
const backupsBegun = 5

// Run copies the embedded store, and the photos in it.
func (c *backupCommand) Run(ctx context.Context, t terminal) error {
	if c.DatabaseURL != "" {
		return errors.New("PostgreSQL is backed up by its own pg_dump --format=custom, and photos after that: see docs/operations.md")
	}
	to, err := filepath.Abs(filepath.Join(c.To, "laidup-"+time.Now().UTC().Format("20060102T150405Z")))
	if err != nil {
		return fmt.Errorf("find folder of backup: %w", err)
	}
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("back up to %s: %w", to, fs.ErrExist)
	}
	b := backup{from: c.Store, part: to + ".part", before: lastBackup(filepath.Dir(to))}
	for begun := 1; ; begun++ {
		if err := b.make(ctx); !errors.Is(err, errErasedMeanwhile) || begun == backupsBegun {
			if err != nil {
				return errors.Join(fmt.Errorf("back up to %s: %w", to, err), os.RemoveAll(b.part))
			}
			break
		}
	}
	if err := os.Rename(b.part, to); err != nil {
		return fmt.Errorf("name backup: %w", err)
	}
	fmt.Fprintln(t.out, to)
	if b.elsewhere {
		fmt.Fprintf(t.err, "Photos are not in it: they are in an object store. Copy the bucket now, after the database: docs/operations.md says how.\n")
	}
	if len(b.lacking) > 0 {
		return fmt.Errorf("%d photos are missing or damaged, and not in the backup; all else is: laidup verify says which, and what to do. The first is %s", len(b.lacking), b.lacking[0])
	}
	return nil
}

// lastBackup is the newest of the backups in a folder; empty: there is none.
func lastBackup(in string) string {
	all, err := filepath.Glob(filepath.Join(in, "laidup-*Z"))
	if err != nil || len(all) == 0 {
		return ""
	}
	return all[len(all)-1]
}

// backup is one in the making.
type backup struct {
	from      config.Store
	part      string // where it is made
	before    string // the backup before it; empty: there is none
	elsewhere bool   // photos are in an object store
	lacking   []string
}

// errErasedMeanwhile means that a photo which was copied first in the store is erased there by now.
var errErasedMeanwhile = errors.New("photos are erased at the same time, again and again: try it later")

// make makes it, or makes it anew.
func (b *backup) make(ctx context.Context) (err error) {
	b.lacking = nil
	if err := os.RemoveAll(b.part); err != nil { // one that was cut short
		return err
	}
	if err := store.Backup(ctx, b.from.Data, filepath.Join(b.part, "laidup.db")); err != nil {
		return err
	}
	from, err := openFiles(ctx, b.from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, from.Close()) }()
	if b.elsewhere = from.Folder() == ""; b.elsewhere {
		return nil
	}
	to, err := bucket.OpenFolder(filepath.Join(b.part, photoFolder))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, to.Close()) }()
	st, err := openToRead(ctx, b.part)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	return st.Photos(ctx, func(organisation string, a assess.Attachment) error {
		err := errors.Join(b.copy(ctx, from, to, a.File, a.Media, a.ID), b.copy(ctx, from, to, assess.ThumbnailOf(a.File), "image/jpeg", ""))
		if !errors.Is(err, assess.ErrNotFound) && !errors.Is(err, errDamagedPhoto) {
			return err
		}
		if gone, err := b.erased(ctx, organisation, a); gone || err != nil {
			return errors.Join(err, errErasedMeanwhile)
		}
		b.lacking = append(b.lacking, a.ID)
		return nil
	})
}

// errDamagedPhoto means that a file has not what it should.
var errDamagedPhoto = errors.New("the photo is damaged")

// copy copies a file, which never changes: one that the backup before has is the same. digest is that of what should be
// in it; empty: that is not known.
func (b *backup) copy(ctx context.Context, from, to *bucket.Bucket, name, media, digest string) error {
	in := func(folder string) string { return filepath.Join(folder, filepath.FromSlash(name)) }
	source, err := os.Stat(in(from.Folder()))
	if errors.Is(err, fs.ErrNotExist) {
		return assess.ErrNotFound
	}
	if err != nil {
		return err
	}
	if b.before != "" {
		there := in(filepath.Join(b.before, photoFolder))
		if same, err := os.Stat(there); err == nil && same.Size() == source.Size() {
			link := in(to.Folder())
			if os.MkdirAll(filepath.Dir(link), 0o700) == nil && os.Link(there, link) == nil {
				return nil
			} // where there are no links, it is copied
		}
	}
	f, err := from.Open(ctx, name)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(f)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if sum := sha256.Sum256(data); digest != "" && hex.EncodeToString(sum[:]) != digest {
		return errDamagedPhoto
	}
	return to.Put(ctx, name, media, data)
}

// erased says whether an attachment is not in the store any more, or in another file.
func (b *backup) erased(ctx context.Context, organisation string, a assess.Attachment) (bool, error) {
	st, err := openToRead(ctx, b.from.Data)
	if err != nil {
		return false, err
	}
	now, err := st.Attachment(ctx, organisation, a.ID)
	if errors.Is(err, assess.ErrNotFound) {
		return true, st.Close()
	}
	return now.File != a.File, errors.Join(err, st.Close())
}

// openToRead opens the embedded store in a folder as it is.
func openToRead(ctx context.Context, folder string) (*store.Store, error) {
	migrations, err := fs.Sub(schema.FS, "migrations")
	if err != nil {
		return nil, fmt.Errorf("find migrations: %w", err)
	}
	return store.OpenToRead(ctx, store.Options{DataDir: folder, Migrations: migrations})
}
