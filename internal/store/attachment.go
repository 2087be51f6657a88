package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
)

var _ assess.AttachmentStore = (*Store)(nil)

// ReserveFile implements [assess.AttachmentStore].
func (s *Store) ReserveFile(ctx context.Context, organisation, file string, until time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, insertLooseFile, organisation, file, until.UnixMilli())
		return err
	})
	if err != nil {
		return fmt.Errorf("reserve file %s: %w", file, err)
	}
	return nil
}

// KeepAttachment implements [assess.AttachmentStore].
func (s *Store) KeepAttachment(ctx context.Context, organisation string, a assess.Attachment) (kept assess.Attachment, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		at := a.CreatedAt.UnixMilli()
		n, err := changed(tx.ExecContext(ctx, insertAttachment, organisation, a.ID, a.Media, a.Size, a.Width, a.Height, at, a.File))
		if err != nil {
			return err
		}
		if n > 0 {
			if n, err = changed(tx.ExecContext(ctx, claimFile, a.File, organisation, at)); err == nil && n == 0 {
				err = fmt.Errorf("the file is gone: %w", assess.ErrUnavailable)
			}
			if err != nil {
				return err
			}
		}
		kept, err = one(ctx, tx, attachmentFields, touchAttachment, at, organisation, a.ID)
		return err
	})
	if err != nil {
		return assess.Attachment{}, fmt.Errorf("keep attachment %s: %w", a.ID, err)
	}
	return kept, nil
}

// changed says how many rows a statement has changed.
func changed(result sql.Result, err error) (int64, error) {
	if err != nil {
		return 0, err
	}
	return result.RowsAffected()
}

// Attachment implements [assess.AttachmentStore].
func (s *Store) Attachment(ctx context.Context, organisation, id string) (assess.Attachment, error) {
	a, err := one(ctx, s.read, attachmentFields, selectAttachment, organisation, id)
	if err != nil {
		return a, fmt.Errorf("select attachment %s: %w", id, err)
	}
	return a, nil
}

// TouchAttachment implements [assess.AttachmentStore].
func (s *Store) TouchAttachment(ctx context.Context, organisation, id string, at time.Time) (a assess.Attachment, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		a, err = one(ctx, tx, attachmentFields, touchAttachment, at.UnixMilli(), organisation, id)
		return err
	})
	if err != nil {
		return assess.Attachment{}, fmt.Errorf("touch attachment %s: %w", id, err)
	}
	return a, nil
}

// PruneAttachments implements [assess.AttachmentStore].
func (s *Store) PruneAttachments(ctx context.Context, before time.Time, limit int) (n int, err error) {
	type pruned struct{ organisation, file string }
	fields := func(p *pruned) []any { return []any{&p.organisation, &p.file} }
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		gone, err := many(ctx, tx, fields, pruneAttachments, before.UnixMilli(), limit)
		if err != nil {
			return err
		}
		for _, p := range gone {
			if _, err := tx.ExecContext(ctx, insertLooseFile, p.organisation, p.file, 0); err != nil {
				return err
			}
		}
		n = len(gone)
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("prune attachments: %w", err)
	}
	return n, nil
}

// LooseFiles implements [assess.AttachmentStore].
func (s *Store) LooseFiles(ctx context.Context, at time.Time, limit int) ([]string, error) {
	fields := func(file *string) []any { return []any{file} }
	files, err := many(ctx, s.read, fields, selectLooseFiles, at.UnixMilli(), limit)
	if err == nil && len(files) > 0 { // mostly there are none, and nothing need be written
		err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
			files, err = many(ctx, tx, fields, takeLooseFiles, at.UnixMilli(), limit)
			slices.Sort(files)
			return err
		})
	}
	if err != nil {
		return nil, fmt.Errorf("select loose files: %w", err)
	}
	return files, nil
}

// ForgetFiles implements [assess.AttachmentStore].
func (s *Store) ForgetFiles(ctx context.Context, files []string) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		for _, file := range files {
			if _, err := tx.ExecContext(ctx, deleteLooseFile, file); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("forget %d files: %w", len(files), err)
	}
	if s.scrub != nil {
		s.scrub(ctx, true) // their names say by its digest what was in them
	}
	return nil
}

// touchPhotos says of which photos of a submission there are no attachments, and keeps the others until the
// transaction ends.
func touchPhotos(ctx context.Context, tx *sql.Tx, sub assess.Submission) error {
	var unknown []string
	for _, id := range sub.PhotoIDs() {
		_, err := one(ctx, tx, attachmentFields, touchAttachment, sub.At.UnixMilli(), sub.Organisation, id)
		switch {
		case errors.Is(err, assess.ErrNotFound):
			unknown = append(unknown, id)
		case err != nil:
			return fmt.Errorf("touch attachment %s: %w", id, err)
		}
	}
	if unknown != nil {
		return sub.UnknownPhotos(unknown)
	}
	return nil
}

// LinkPhotos implements [assess.AttachmentStore].
func (s *Store) LinkPhotos(ctx context.Context, organisation, report string, ids []string) error {
	r, err := s.Report(ctx, organisation, report)
	if err != nil {
		return fmt.Errorf("link photos: %w", err)
	}
	ids = slices.Compact(slices.Sorted(slices.Values(ids)))
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		// Nobody erases the vehicle meanwhile.
		n, err := changed(tx.ExecContext(ctx, lockSpelling, organisation, strings.ToLower(r.Vehicle)))
		if err == nil && n == 0 {
			err = assess.ErrNotFound
		}
		if err != nil {
			return err
		}
		for _, id := range ids {
			if _, err := tx.ExecContext(ctx, lockAttachment, organisation, id); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, linkPhoto, organisation, report, id); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("link photos to report %s: %w", report, err)
	}
	return nil
}

// attachmentFields says where the attachmentColumns go.
func attachmentFields(a *assess.Attachment) []any {
	return []any{&a.ID, &a.Media, &a.Size, &a.Width, &a.Height, instant{&a.CreatedAt}, &a.File}
}
