package store

import (
	"context"
	"fmt"

	"laidup/internal/assess"
)

// Holdings implements [assess.Store].
func (s *Store) Holdings(ctx context.Context, organisation string) (assess.Holdings, error) {
	var h assess.Holdings
	if err := row(ctx, s.read, []any{&h.Vehicles, &h.Reports, &h.Withdrawals}, selectHoldings, organisation); err != nil {
		return assess.Holdings{}, fmt.Errorf("count what %s has: %w", organisation, err)
	}
	return h, nil
}

// Entries implements [assess.Store].
func (s *Store) Entries(ctx context.Context, organisation, vehicle string) ([]assess.Entry, error) {
	fields := func(e *assess.Entry) []any {
		return []any{
			&e.Ordinal, &e.Report, &e.Withdrawal, instant{&e.At}, &e.Because, &e.PostedBy, &e.Replaces,
			&e.Gate, &e.RuleSet.Name, &e.RuleSet.Version, &e.RuleSet.Digest,
		}
	}
	vehicle = s.spelled(ctx, organisation, vehicle)
	entries, err := many(ctx, s.read, fields, selectEntries, organisation, vehicle)
	if err == nil && len(entries) == 0 {
		err = s.vehicleExists(ctx, organisation, vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select what came in on a vehicle: %w", err)
	}
	return entries, nil
}
