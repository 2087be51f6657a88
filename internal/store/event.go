package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"laidup/internal/assess"
)

var _ assess.EventLog = (*Store)(nil)

// emit records events of an organisation, and that whoever subscribes to them is to be told, in the
// transaction that they happen in: neither is there without the other.
func emit(ctx context.Context, tx *sql.Tx, organisation string, events ...assess.Event) error {
	now := time.Now().UnixMilli()
	for _, e := range events {
		id, err := record(ctx, tx, organisation, e, now)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, insertDeliveries, id, now, organisation, e.Type); err != nil {
			return fmt.Errorf("insert deliveries: %w", err)
		}
	}
	return nil
}

// record writes an event, and returns the id that it is known by everywhere.
func record(ctx context.Context, tx *sql.Tx, organisation string, e assess.Event, now int64) (id string, err error) {
	body, err := e.Body()
	if err != nil {
		return "", err
	}
	unique, err := uuid.NewV7()
	if err != nil {
		return "", fmt.Errorf("make id: %w", err)
	}
	id = "evt_" + unique.String()
	if _, err := tx.ExecContext(ctx, insertEvent, id, organisation, e.Type, now, string(body)); err != nil {
		return "", fmt.Errorf("insert event: %w", err)
	}
	return id, nil
}

// unsettled is longer than a transaction on PostgreSQL may take, with some room for clocks that differ:
// see patience and boundLocks.
const unsettled = 15 * time.Second

// Unsettled implements [assess.EventLog]. SQLite has one writer: what is written later becomes visible later.
func (s *Store) Unsettled() time.Duration { return s.unsettled }

// EventsAfter implements [assess.EventLog].
func (s *Store) EventsAfter(ctx context.Context, organisation string, place int64, until time.Time, limit int) ([]assess.RecordedEvent, error) {
	last := int64(math.MaxInt64)
	if !until.IsZero() {
		last = until.UnixMilli()
	}
	events, err := many(ctx, s.read, eventFields, selectEvents, organisation, place, last, limit)
	if err != nil {
		return nil, fmt.Errorf("select events: %w", err)
	}
	return events, nil
}

// EventPlace implements [assess.EventLog].
func (s *Store) EventPlace(ctx context.Context, organisation, id string) (place int64, recorded time.Time, err error) {
	if err := row(ctx, s.read, []any{&place, instant{&recorded}}, selectEventPlace, organisation, id); err != nil {
		return 0, time.Time{}, fmt.Errorf("select event %s: %w", id, err)
	}
	return place, recorded, nil
}

// PlaceBefore implements [assess.EventLog].
func (s *Store) PlaceBefore(ctx context.Context, organisation string, since time.Time) (place int64, err error) {
	if err := row(ctx, s.read, []any{&place}, selectPlaceBefore, organisation, since.UnixMilli()); err != nil {
		return 0, fmt.Errorf("select place: %w", err)
	}
	return place, nil
}

// eventFields says where the columns of an event go.
func eventFields(e *assess.RecordedEvent) []any {
	return []any{&e.Place, &e.ID, &e.Type, instant{&e.RecordedAt}, &e.Body}
}

// finishedFields says where the finishedColumns go.
func finishedFields(a *assess.Assessment) []any {
	return []any{&a.ID, &a.Organisation, &a.Vehicle, &a.Ordinal, &a.ReportID, &a.Gate, &a.RuleSet.Name, &a.RuleSet.Version, &a.RuleSet.Digest, &a.Reference}
}
