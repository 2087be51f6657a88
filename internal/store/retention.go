package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"laidup/internal/assess"
)

// Retention implements [assess.Store].
func (s *Store) Retention(ctx context.Context, organisation string) (days int, err error) {
	err = row(ctx, s.read, []any{&days}, selectRetention, organisation)
	if err != nil && !errors.Is(err, assess.ErrNotFound) {
		return 0, fmt.Errorf("select retention: %w", err)
	}
	return days, nil
}

// SetRetention implements [assess.Store].
func (s *Store) SetRetention(ctx context.Context, organisation string, days int) error {
	by := assess.ActorOf(ctx)
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var err error
		if days == 0 {
			_, err = tx.ExecContext(ctx, deleteRetention, organisation)
		} else {
			_, err = tx.ExecContext(ctx, setRetention, organisation, days)
		}
		if err != nil {
			return err
		}
		return noteDeed(ctx, tx, by, deed{organisation: organisation, action: assess.RetentionSet, detail: map[string]any{"days": days}})
	})
	if err != nil {
		return fmt.Errorf("set retention: %w", err)
	}
	return nil
}

// Outlived implements [assess.Store].
func (s *Store) Outlived(ctx context.Context, now time.Time, limit int) ([]assess.Outlived, error) {
	fields := func(o *assess.Outlived) []any { return []any{&o.Organisation, &o.Vehicle, instant{&o.Before}} }
	due, err := many(ctx, s.read, fields, selectOutlived, now.UnixMilli(), limit)
	if err != nil {
		return nil, fmt.Errorf("select vehicles that outlived their retention: %w", err)
	}
	return due, nil
}
