package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"laidup/internal/assess"
)

// deed is what somebody does, on its way into the audit trail.
type deed struct {
	organisation, action, subject string
	detail                        map[string]any // nothing that names a vehicle
}

// noteDeed writes a deed into the audit trail, in the transaction in which it is done: neither is there without the
// other.
func noteDeed(ctx context.Context, tx *sql.Tx, by assess.Actor, d deed) error {
	unique, err := uuid.NewV7()
	if err != nil {
		return fmt.Errorf("make id: %w", err)
	}
	detail := []byte("{}")
	if len(d.detail) > 0 {
		if detail, err = json.Marshal(d.detail); err != nil {
			return fmt.Errorf("encode %s: %w", d.action, err)
		}
	}
	_, err = tx.ExecContext(ctx, insertDeed, "aud_"+unique.String(), d.organisation, time.Now().UnixMilli(), string(by.Through), by.Key, d.action, d.subject, string(detail))
	if err != nil {
		return fmt.Errorf("insert into audit trail: %w", err)
	}
	return nil
}

// execNoted is exec for a deed.
func (s *Store) execNoted(ctx context.Context, d deed, query string, args ...any) error {
	by := assess.ActorOf(ctx) // on SQLite the write runs under another context
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			return assess.ErrNotFound
		}
		return noteDeed(ctx, tx, by, d)
	})
}

// Note implements [assess.Store].
func (s *Store) Note(ctx context.Context, organisation, action string, detail map[string]any) error {
	by := assess.ActorOf(ctx)
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return noteDeed(ctx, tx, by, deed{organisation: organisation, action: action, detail: detail})
	})
	if err != nil {
		return fmt.Errorf("note %s: %w", action, err)
	}
	return nil
}

// Audit implements [assess.Store].
func (s *Store) Audit(ctx context.Context, p assess.AuditPage) ([]assess.AuditEntry, error) {
	list, err := many(ctx, s.read, deedFields, selectDeeds, p.Organisation, p.BeforeID, p.Limit)
	if err != nil {
		return nil, fmt.Errorf("select from audit trail: %w", err)
	}
	return list, nil
}

// deedFields says where the columns of selectDeeds go.
func deedFields(e *assess.AuditEntry) []any {
	return []any{&e.ID, instant{&e.At}, &e.By.Through, &e.By.Key, &e.Action, &e.Subject, &e.Detail}
}
