package store

import (
	"context"
	"database/sql"
	"fmt"

	"laidup/internal/assess"
)

// KeepRuleSet implements [assess.Store].
func (s *Store) KeepRuleSet(ctx context.Context, ref assess.RuleSetRef, canonical []byte) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return keepRuleSet(ctx, tx, ref, canonical)
	})
	if err != nil {
		return fmt.Errorf("keep rule set %s: %w", ref.Digest, err)
	}
	return nil
}

func keepRuleSet(ctx context.Context, tx *sql.Tx, ref assess.RuleSetRef, canonical []byte) error {
	if _, err := tx.ExecContext(ctx, insertRuleSet, ref.Digest, ref.Name, ref.Version, string(canonical)); err != nil {
		return fmt.Errorf("insert rule set: %w", err)
	}
	return nil
}

// RuleSet implements [assess.Store].
func (s *Store) RuleSet(ctx context.Context, digest string) ([]byte, error) {
	var canonical []byte
	if err := row(ctx, s.read, []any{&canonical}, selectRuleSet, digest); err != nil {
		return nil, fmt.Errorf("select rule set %s: %w", digest, err)
	}
	return canonical, nil
}

// Publish implements [assess.Store].
func (s *Store) Publish(ctx context.Context, p assess.Publication, canonical []byte) (again bool, err error) {
	by := assess.ActorOf(ctx)
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := keepRuleSet(ctx, tx, p.RuleSetRef, canonical); err != nil {
			return err
		}
		result, err := tx.ExecContext(ctx, insertPublication, p.Organisation, p.Name, p.Version, p.Digest, p.Is, p.PublishedAt.UnixMilli())
		if err != nil {
			return fmt.Errorf("insert publication: %w", err)
		}
		if n, err := result.RowsAffected(); err != nil {
			return err
		} else if n > 0 {
			return noteDeed(ctx, tx, by, deed{p.Organisation, assess.RuleSetPublished, p.Name + "/" + p.Version, map[string]any{"digest": p.Digest}})
		}
		var digest string
		if err := tx.QueryRowContext(ctx, selectPublishedDigest, p.Organisation, p.Name, p.Version).Scan(&digest); err != nil {
			return fmt.Errorf("select publication: %w", err)
		}
		if again = digest == p.Digest; !again {
			return assess.ErrVersionPublished
		}
		return nil
	})
	if err != nil {
		return false, fmt.Errorf("publish rule set %s %s: %w", p.Name, p.Version, err)
	}
	return again, nil
}

// Published implements [assess.Store].
func (s *Store) Published(ctx context.Context, organisation string) ([]assess.Publication, error) {
	all, err := many(ctx, s.read, publicationFields, selectPublications, organisation)
	if err != nil {
		return nil, fmt.Errorf("select publications: %w", err)
	}
	for i := range all {
		all[i].Organisation = organisation
	}
	return all, nil
}

// publicationFields says where the columns of selectPublications go.
func publicationFields(p *assess.Publication) []any {
	return []any{&p.Name, &p.Version, &p.Digest, &p.Is, instant{&p.PublishedAt}}
}
