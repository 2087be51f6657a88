package store

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"time"

	"laidup/internal/assess"
)

// erasure is one step of the erasure of a vehicle: a statement that takes the organisation and the
// reference, and the tables of which nothing is left of the vehicle then.
type erasure struct {
	tables    []string
	statement string
	count     func(*assess.Erased) *int // nil: nobody is told how many
	before    []any                     // what the statement takes first
}

// erasures is the one place that knows where anything of a vehicle is, in the order in which it goes: what
// refers to something goes before it. A test compares it with the tables that there are: those that have
// a vehicle, report, assessment, event, attachment or file among their columns.
var erasures = []erasure{
	{tables: []string{"plan_ticks"}, statement: eraseTicks},
	{tables: []string{"plans"}, statement: erasePlans},
	{tables: []string{"outcomes"}, statement: eraseOutcomes},
	{tables: []string{"assessments"}, statement: eraseAssessments, count: func(e *assess.Erased) *int { return &e.Assessments }},
	{tables: []string{"events", "deliveries"}, statement: eraseEvents, count: func(e *assess.Erased) *int { return &e.Events }},
	{tables: []string{"batch_lines"}, statement: eraseLines, count: func(e *assess.Erased) *int { return &e.Lines }, before: []any{string(assess.ErasedProblem())}},
	{tables: []string{"idempotency"}, statement: eraseKeys},
	// What the vehicle alone links goes, and its files are loose; links go with it, and then those to the others.
	{tables: []string{"loose_files"}, statement: loosenPhotosOf},
	{tables: []string{"attachments"}, statement: erasePhotosOf, count: func(e *assess.Erased) *int { return &e.Attachments }},
	{tables: []string{"photo_links"}, statement: erasePhotoLinks},
	{tables: []string{"reports"}, statement: eraseReports, count: func(e *assess.Erased) *int { return &e.Reports }},
	{tables: []string{"vehicle_gates"}, statement: eraseGates},
	{tables: []string{"vehicles"}, statement: eraseVehicle},
	{tables: []string{"vehicle_spellings"}, statement: eraseSpellings},
}

// Erase implements [assess.Store].
func (s *Store) Erase(ctx context.Context, e assess.Erasure) (assess.Erased, error) {
	e.Vehicle = s.spelled(ctx, e.Organisation, e.Vehicle)
	var done assess.Erased
	by := assess.ActorOf(ctx)
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		done = assess.Erased{}
		if err := erase(ctx, tx, e, &done); err != nil {
			return err
		}
		return noteDeed(ctx, tx, by, deed{organisation: e.Organisation, action: assess.VehicleErased, detail: done.Detail(e.Because)})
	})
	if err != nil {
		return assess.Erased{}, fmt.Errorf("erase vehicle: %w", err) // without its name
	}
	if s.scrub != nil {
		s.scrub(ctx, e.Before.IsZero()) // nobody waits for what goes for its age
	}
	return done, nil
}

func erase(ctx context.Context, tx *sql.Tx, e assess.Erasure, done *assess.Erased) error {
	// Locks are taken in the order in which others take them. Who brings a report takes the spelling and then the
	// vehicle; who finishes an assessment takes that and then the vehicle. Once the vehicle is locked as well
	// there is nobody left who could add to it: the assessments that came until then go with the rest.
	if _, err := tx.ExecContext(ctx, lockSpelling, e.Organisation, strings.ToLower(e.Vehicle)); err != nil {
		return fmt.Errorf("lock spelling: %w", err)
	}
	early, err := tx.ExecContext(ctx, eraseAssessments, e.Organisation, e.Vehicle)
	if err != nil {
		return fmt.Errorf("delete assessments: %w", err)
	}
	gone, err := early.RowsAffected()
	if err != nil {
		return err
	}
	var newest time.Time
	if err := tx.QueryRowContext(ctx, lockVehicleAsOf, e.Organisation, e.Vehicle).Scan(instant{&newest}); err != nil {
		return domain(err)
	}
	if !e.Before.IsZero() && !newest.Before(e.Before) {
		return assess.ErrNewerReport
	}
	// Reports on other vehicles that link the same photos wait until the vehicle is gone, or it waits for them.
	if _, err := tx.ExecContext(ctx, lockPhotosOf, e.Organisation, e.Vehicle); err != nil {
		return fmt.Errorf("lock attachments: %w", err)
	}
	for _, step := range erasures {
		result, err := tx.ExecContext(ctx, step.statement, append(step.before, e.Organisation, e.Vehicle)...)
		if err != nil {
			return fmt.Errorf("erase from %s: %w", step.tables[0], err)
		}
		if step.count == nil {
			continue
		}
		n, err := result.RowsAffected()
		if err != nil {
			return err
		}
		*step.count(done) += int(n)
	}
	done.Assessments += int(gone)
	return nil
}
