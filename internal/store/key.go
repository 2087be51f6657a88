package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
)

var _ access.Store = (*Store)(nil)

// AddKey implements [access.Store].
func (s *Store) AddKey(ctx context.Context, k access.Key, digest string) error {
	words := make([]string, len(k.Scopes))
	for i, scope := range k.Scopes {
		words[i] = string(scope)
	}
	expires := sql.NullInt64{Int64: k.ExpiresAt.UnixMilli(), Valid: !k.ExpiresAt.IsZero()}
	detail := map[string]any{"label": k.Label, "scopes": words}
	if !k.ExpiresAt.IsZero() {
		detail["expires_at"] = k.ExpiresAt.UTC()
	}
	err := s.execNoted(ctx, deed{k.Organisation, assess.KeyMade, k.ID, detail}, insertAPIKey, k.ID, k.Organisation, k.Label, strings.Join(words, " "), digest, k.CreatedAt.UnixMilli(), expires)
	if err != nil {
		return fmt.Errorf("insert key %s: %w", k.ID, err)
	}
	return nil
}

// KeyByID implements [access.Store].
func (s *Store) KeyByID(ctx context.Context, id string) (access.Key, string, error) {
	var k access.Key
	var digest string
	err := row(ctx, s.read, append(keyFields(&k), &digest), selectAPIKey, id)
	switch {
	case errors.Is(err, assess.ErrNotFound):
		return access.Key{}, "", access.ErrNotFound
	case err != nil:
		return access.Key{}, "", fmt.Errorf("select key %s: %w", id, err)
	}
	return k, digest, nil
}

// Keys implements [access.Store].
func (s *Store) Keys(ctx context.Context, organisation string) ([]access.Key, error) {
	all, err := many(ctx, s.read, keyFields, selectAPIKeys, organisation)
	if err != nil {
		return nil, fmt.Errorf("select keys: %w", err)
	}
	return all, nil
}

// RevokeKey implements [access.Store].
func (s *Store) RevokeKey(ctx context.Context, organisation, id string, at time.Time) error {
	err := s.execNoted(ctx, deed{organisation: organisation, action: assess.KeyRevoked, subject: id}, revokeAPIKey, at.UnixMilli(), organisation, id)
	if errors.Is(err, assess.ErrNotFound) { // or it was revoked before
		var known int
		err = row(ctx, s.read, []any{&known}, selectOwnAPIKey, organisation, id)
	}
	switch {
	case errors.Is(err, assess.ErrNotFound):
		return access.ErrNotFound
	case err != nil:
		return fmt.Errorf("revoke key %s: %w", id, err)
	}
	return nil
}

// KeyUsed implements [access.Store].
func (s *Store) KeyUsed(ctx context.Context, id string, at time.Time) error {
	if err := s.exec(ctx, noteAPIKeyUsed, at.UnixMilli(), id); err != nil && !errors.Is(err, assess.ErrNotFound) {
		return fmt.Errorf("note use of key %s: %w", id, err)
	}
	return nil
}

// AddSession implements [access.Store].
func (s *Store) AddSession(ctx context.Context, digest, keyID string, at, expires time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, insertSession, digest, keyID, expires.UnixMilli()); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, deleteOldSessions, at.UnixMilli(), keyID, access.MaxSessions)
		return err
	})
	if err != nil {
		return fmt.Errorf("insert session: %w", err)
	}
	return nil
}

// Session implements [access.Store].
func (s *Store) Session(ctx context.Context, digest string, at time.Time) (keyID string, err error) {
	err = row(ctx, s.read, []any{&keyID}, selectSession, digest, at.UnixMilli())
	switch {
	case errors.Is(err, assess.ErrNotFound):
		return "", access.ErrNotFound
	case err != nil:
		return "", fmt.Errorf("select session: %w", err)
	}
	return keyID, nil
}

// EndSession implements [access.Store].
func (s *Store) EndSession(ctx context.Context, digest string) error {
	if err := s.exec(ctx, deleteSession, digest); err != nil && !errors.Is(err, assess.ErrNotFound) {
		return fmt.Errorf("delete session: %w", err)
	}
	return nil
}

// AnyKey implements [access.Store].
func (s *Store) AnyKey(ctx context.Context, at time.Time) (found bool, err error) {
	if err := row(ctx, s.read, []any{&found}, selectAnyAPIKey, at.UnixMilli()); err != nil {
		return false, fmt.Errorf("select any key: %w", err)
	}
	return found, nil
}

// exec runs a statement in a transaction of its own; [assess.ErrNotFound] if it changes nothing.
func (s *Store) exec(ctx context.Context, query string, args ...any) error {
	return s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return assess.ErrNotFound
	})
}

// keyFields says where the apiKeyColumns go.
func keyFields(k *access.Key) []any {
	return []any{
		&k.ID, &k.Organisation, &k.Label, scopeList{&k.Scopes},
		instant{&k.CreatedAt}, instant{&k.ExpiresAt}, instant{&k.RevokedAt}, instant{&k.LastUsedAt},
	}
}

// scopeList scans scopes with spaces between.
type scopeList struct{ to *[]access.Scope }

// Scan implements [sql.Scanner].
func (l scopeList) Scan(value any) error {
	var text sql.NullString
	if err := text.Scan(value); err != nil {
		return err
	}
	*l.to = nil
	for _, word := range strings.Fields(text.String) {
		*l.to = append(*l.to, access.Scope(word))
	}
	return nil
}
