package store

import (
	"context"
	"fmt"
	"math"

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
	before := int64(math.MaxInt64)
	if !p.AfterTime.IsZero() {
		before = p.AfterTime.UnixMilli()
	}
	vehicles, err := many(ctx, s.read, vehicleFields, selectVehicles, p.Organisation, before, p.AfterReference, p.Limit)
	if err != nil {
		return nil, fmt.Errorf("select vehicles: %w", err)
	}
	for i, v := range vehicles {
		vehicles[i] = settled(v)
	}
	return vehicles, nil
}

// vehicleExists returns [assess.ErrNotFound] for a vehicle that nothing is known about.
func (s *Store) vehicleExists(ctx context.Context, organisation, reference string) error {
	var found int
	return domain(s.read.QueryRowContext(ctx, selectVehicleExists, organisation, reference).Scan(&found))
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
