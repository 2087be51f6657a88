package store

import (
	"context"
	"database/sql"
	"fmt"

	"laidup/internal/assess"
)

var _ assess.TurnStore = (*Store)(nil)

// lanes has the queries of each kind of work.
var lanes = map[assess.Lane]struct{ queueing, take string }{
	assess.Assessments: {selectQueueing, takeAssessment},
	assess.Chunks:      {selectQueueingChunks, takeChunk},
	assess.PlansLane:   {selectQueueingPlans, takePlan},
}

// Queueing implements [assess.TurnStore].
func (s *Store) Queueing(ctx context.Context, lane assess.Lane) ([]string, error) {
	all, err := many(ctx, s.read, func(o *string) []any { return []any{o} }, lanes[lane].queueing)
	if err != nil {
		return nil, fmt.Errorf("select who waits for %s: %w", lane, err)
	}
	return all, nil
}

// Take implements [assess.TurnStore].
func (s *Store) Take(ctx context.Context, lane assess.Lane, organisation string) (id string, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return domain(tx.QueryRowContext(ctx, lanes[lane].take, organisation).Scan(&id))
	})
	if err != nil {
		return "", fmt.Errorf("take %s of %s: %w", lane, organisation, err)
	}
	return id, nil
}
