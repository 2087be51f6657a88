package store

import (
	"context"
	"fmt"
	"math"
	"strings"

	"laidup/internal/assess"
)

// Vehicle implements [assess.Store].
func (s *Store) Vehicle(ctx context.Context, organisation, reference string) (assess.Vehicle, error) {
	v, err := one(ctx, s.read, vehicleFields, selectVehicle, organisation, reference)
	if err != nil {
		return assess.Vehicle{}, fmt.Errorf("select vehicle %s: %w", reference, err)
	}
	return settled(v), nil
}

// Vehicles implements [assess.Store].
func (s *Store) Vehicles(ctx context.Context, p assess.VehiclePage) ([]assess.Vehicle, error) {
	args := []any{p.Organisation, p.Verdict, pattern(p.Search)}
	query, first := selectVehicles, p.AfterReference == ""
	switch p.By {
	case assess.ByReference:
		query, args = selectVehiclesByReference, append(args, p.AfterReference, p.Limit)
	case assess.ByBlockers:
		before := int64(p.AfterBlockers)
		if first {
			before = math.MaxInt64
		}
		query, args = selectVehiclesByBlockers, append(args, before, p.AfterReference, p.Limit)
	default:
		before := int64(math.MaxInt64)
		if !first {
			before = p.AfterTime.UnixMilli()
		}
		args = append(args, before, p.AfterReference, p.Limit)
	}
	vehicles, err := many(ctx, s.read, vehicleFields, query, args...)
	if err != nil {
		return nil, fmt.Errorf("select vehicles: %w", err)
	}
	for i, v := range vehicles {
		vehicles[i] = settled(v)
	}
	return vehicles, nil
}

// pattern is what LIKE takes for "has these letters in it"; no letter of it means more than itself.
func pattern(search string) string {
	return "%" + strings.NewReplacer("!", "!!", "%", "!%", "_", "!_").Replace(strings.ToLower(search)) + "%"
}

// vehicleExists returns [assess.ErrNotFound] for a vehicle that nothing is known about.
func (s *Store) vehicleExists(ctx context.Context, organisation, reference string) error {
	var found int
	return row(ctx, s.read, []any{&found}, selectVehicleExists, organisation, reference)
}

// vehicleFields says where the vehicleColumns go; see settled.
func vehicleFields(v *assess.Vehicle) []any {
	v.Newest = new(assess.Assessment)
	return append(
		[]any{&v.Reference, &v.Description, &v.Reports, instant{&v.UpdatedAt}, &v.Waiting},
		assessmentFields(v.Newest)...)
}

// settled drops the empty assessment that was scanned for a vehicle without a finished one.
func settled(v assess.Vehicle) assess.Vehicle {
	if v.Newest.ID == "" {
		v.Newest = nil
	}
	return v
}
