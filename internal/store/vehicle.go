package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"laidup/internal/assess"
)

// Vehicle implements [assess.Store].
func (s *Store) Vehicle(ctx context.Context, organisation, reference string) (assess.Vehicle, error) {
	v, err := one(ctx, s.read, coverFields, selectVehicle, organisation, s.spelled(ctx, organisation, reference))
	if err != nil {
		return assess.Vehicle{}, fmt.Errorf("select vehicle %s: %w", reference, err)
	}
	return settled(v, ""), nil
}

// Vehicles implements [assess.Store].
func (s *Store) Vehicles(ctx context.Context, p assess.VehiclePage) ([]assess.Vehicle, error) {
	vehicles, err := s.vehicles(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("select vehicles: %w", err)
	}
	for i, v := range vehicles {
		vehicles[i] = settled(v, p.Gate)
	}
	return vehicles, nil
}

func (s *Store) vehicles(ctx context.Context, p assess.VehiclePage) ([]assess.Vehicle, error) {
	args := []any{p.Gate, p.Organisation, p.Verdict, patterns(p.Search)}
	first := p.AfterReference == ""
	switch p.By {
	case assess.ByReference:
		return many(ctx, s.read, vehicleFields, selectVehiclesByReference, append(args, p.AfterReference, p.Limit)...)
	case assess.ByBlockers:
		return s.byBlockers(ctx, p, args)
	}
	before := int64(math.MaxInt64)
	if !first {
		before = p.AfterTime.UnixMilli()
	}
	return many(ctx, s.read, vehicleFields, selectVehicles, append(args, before, p.AfterReference, p.Limit)...)
}

// byBlockers returns a page of those that are judged at the gate, filled up with those that are not.
func (s *Store) byBlockers(ctx context.Context, p assess.VehiclePage, args []any) (page []assess.Vehicle, err error) {
	after := p.AfterReference
	if after == "" || p.AfterBlockers != assess.NotJudged {
		before := int64(p.AfterBlockers)
		if after == "" {
			before = math.MaxInt64
		}
		page, err = many(ctx, s.read, vehicleFields, selectVehiclesByBlockers, append(args, before, after, p.Limit)...)
		after = ""
	}
	if err != nil || len(page) == p.Limit || p.Verdict != "" {
		return page, err
	}
	rest, err := many(ctx, s.read, vehicleFields, selectVehiclesNotJudged, p.Gate, p.Organisation, patterns(p.Search), after, p.Limit-len(page))
	return append(page, rest...), err
}

// Gates implements [assess.Store].
func (s *Store) Gates(ctx context.Context, organisation string) ([]string, error) {
	gates, err := many(ctx, s.read, func(gate *string) []any { return []any{gate} }, selectGates, organisation)
	if err != nil {
		return nil, fmt.Errorf("select gates: %w", err)
	}
	return gates, nil
}

// patterns are what LIKE takes for "has these letters in it", one for each word; no letter of it means more than
// itself. They come as the keys of a JSON object.
func patterns(search string) string {
	all := map[string]int{}
	for _, word := range strings.Fields(strings.ToLower(search)) {
		all["%"+strings.NewReplacer("!", "!!", "%", "!%", "_", "!_").Replace(word)+"%"] = 0
	}
	text, err := json.Marshal(all)
	if err != nil {
		return "{}" // a map of text and numbers
	}
	return string(text)
}

// spelled returns a reference as the vehicle has it, whatever the case of its letters. What is unknown, or
// cannot be looked for, is left as it is: the query that follows has the error.
func (s *Store) spelled(ctx context.Context, organisation, reference string) string {
	var as string
	if err := row(ctx, s.read, []any{&as}, selectSpelling, organisation, reference, strings.ToLower(reference)); err != nil {
		return reference
	}
	return as
}

// vehicleExists returns [assess.ErrNotFound] for a vehicle that nothing is known about.
func (s *Store) vehicleExists(ctx context.Context, organisation, reference string) error {
	var found int
	return row(ctx, s.read, []any{&found}, selectVehicleExists, organisation, reference)
}

// coverFields says where the vehicleColumns and the summary of the newest assessment go; see settled.
func coverFields(v *assess.Vehicle) []any {
	return append(ownFields(v), orZero[[]byte]{&v.Newest.Outcome.Summary})
}

// vehicleFields says where the vehicleColumns and the summary go, and how the vehicle stands at the gate of the list;
// see settled.
func vehicleFields(v *assess.Vehicle) []any {
	v.At = new(assess.GateState)
	return append(coverFields(v), orZero[string]{&v.At.State}, orZero[int]{&v.At.Blockers})
}

func ownFields(v *assess.Vehicle) []any {
	v.Newest = new(assess.Assessment)
	return append(
		[]any{&v.Reference, &v.Description, &v.Reports, &v.Withdrawn, instant{&v.UpdatedAt}, &v.Coverage.Applying, &v.Coverage.LookedAt, &v.Coverage.Share, &v.Waiting},
		assessmentFields(v.Newest)...)
}

// settled drops the empty assessment that was scanned for a vehicle without a finished one, and the
// empty state of one that is not judged at the gate of the list.
func settled(v assess.Vehicle, gate string) assess.Vehicle {
	if v.Newest.ID == "" {
		v.Newest = nil
	}
	if v.At != nil {
		if v.At.Gate = gate; v.At.State == "" {
			v.At = nil
		}
	}
	return v
}
