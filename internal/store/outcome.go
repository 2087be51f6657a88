package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
	"laidup/internal/outcome"
)

var _ assess.OutcomeStore = (*Store)(nil)

// RecordOutcome implements [assess.OutcomeStore].
func (s *Store) RecordOutcome(ctx context.Context, o assess.OutcomeSubmission) (r assess.RecordedOutcome, repeat bool, err error) {
	o.Vehicle = s.spelled(ctx, o.Organisation, o.Vehicle)
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		repeat = false
		id := o.ID
		// Who erases the vehicle waits, or there is none any more.
		locked, err := tx.ExecContext(ctx, lockVehicle, o.Organisation, o.Vehicle)
		if err != nil {
			return fmt.Errorf("lock vehicle %s: %w", o.Vehicle, err)
		}
		if n, err := locked.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			return assess.ErrNotFound
		}
		added, err := tx.ExecContext(ctx, insertOutcome, o.ID, o.Organisation, o.Vehicle, o.At.UnixMilli(), o.Before.UnixMilli(), o.Month,
			string(o.Body), o.PostedBy, o.IdempotencyKey, o.Fingerprint)
		if err != nil {
			return err
		}
		if n, err := added.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			repeat = true
			if id, err = sentBefore(ctx, tx, selectOutcomeByKey, o.Organisation, o.IdempotencyKey, o.Fingerprint); err != nil {
				return err
			}
			r, err = one(ctx, tx, outcomeFields, selectOutcome, o.Organisation, id)
			return err
		}
		events := []assess.Event{assess.OutcomeEvent(o)}
		if o.Replaces != "" {
			old, err := one(ctx, tx, outcomeFields, replaceOutcome, o.At.UnixMilli(), o.ID, o.Organisation, o.Replaces, o.Vehicle)
			if errors.Is(err, assess.ErrNotFound) {
				return assess.ErrNothingToReplace
			} else if err != nil {
				return err
			}
			events = append(events, assess.OutcomeWithdrawnEvent(old))
		}
		if err := emit(ctx, tx, o.Organisation, events...); err != nil {
			return err
		}
		r, err = one(ctx, tx, outcomeFields, selectOutcome, o.Organisation, id)
		return err
	})
	if err != nil {
		return assess.RecordedOutcome{}, false, fmt.Errorf("store outcome %s: %w", o.ID, err)
	}
	return r, repeat, nil
}

// Outcome implements [assess.OutcomeStore].
func (s *Store) Outcome(ctx context.Context, organisation, id string) (assess.RecordedOutcome, error) {
	r, err := one(ctx, s.read, outcomeFields, selectOutcome, organisation, id)
	if err != nil {
		return r, fmt.Errorf("select outcome %s: %w", id, err)
	}
	return r, nil
}

// Outcomes implements [assess.OutcomeStore].
func (s *Store) Outcomes(ctx context.Context, p assess.OutcomePage) ([]assess.RecordedOutcome, error) {
	p.Vehicle = s.spelled(ctx, p.Organisation, p.Vehicle)
	list, err := many(ctx, s.read, outcomeFields, selectOutcomes, p.Organisation, p.Vehicle, p.BeforeID, p.BeforeReceived.UnixMilli(), p.Limit)
	if err == nil && len(list) == 0 {
		err = s.vehicleExists(ctx, p.Organisation, p.Vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select outcomes of %s: %w", p.Vehicle, err)
	}
	return list, nil
}

// WithdrawOutcome implements [assess.OutcomeStore].
func (s *Store) WithdrawOutcome(ctx context.Context, w assess.OutcomeWithdrawal) (r assess.RecordedOutcome, repeat bool, err error) {
	by := assess.ActorOf(ctx)
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var err error
		repeat = false
		if r, err = one(ctx, tx, outcomeFields, withdrawOutcome, w.At.UnixMilli(), w.Because, w.Organisation, w.ID); errors.Is(err, assess.ErrNotFound) {
			repeat = true
			r, err = one(ctx, tx, outcomeFields, selectOutcome, w.Organisation, w.ID)
			return err
		} else if err != nil {
			return err
		}
		if err := noteDeed(ctx, tx, by, deed{organisation: w.Organisation, action: assess.WithdrawnOutcome, subject: w.ID}); err != nil {
			return err
		}
		return emit(ctx, tx, w.Organisation, assess.OutcomeWithdrawnEvent(r))
	})
	if err != nil {
		return assess.RecordedOutcome{}, false, fmt.Errorf("withdraw outcome %s: %w", w.ID, err)
	}
	return r, repeat, nil
}

// LastBefore implements [assess.OutcomeStore].
func (s *Store) LastBefore(ctx context.Context, organisation, vehicle string, before time.Time) (assess.Assessment, error) {
	vehicle = s.spelled(ctx, organisation, vehicle)
	a, err := one(ctx, s.read, assessmentFieldsBody, selectLastBefore, organisation, vehicle, before.UnixMilli())
	if errors.Is(err, assess.ErrNotFound) {
		if err = s.vehicleExists(ctx, organisation, vehicle); err == nil {
			err = assess.ErrNotAssessedYet
		}
	}
	if err != nil {
		return assess.Assessment{}, fmt.Errorf("select last assessment of %s: %w", vehicle, err)
	}
	return a, nil
}

// Uncounted implements [assess.OutcomeStore].
func (s *Store) Uncounted(ctx context.Context, limit int) ([]assess.RecordedOutcome, error) {
	fields := func(r *assess.RecordedOutcome) []any { return append(outcomeFields(r), &r.Organisation) }
	list, err := many(ctx, s.read, fields, selectUncounted, limit)
	if err != nil {
		return nil, fmt.Errorf("select outcomes to count: %w", err)
	}
	return list, nil
}

// tally is what the counts have of an outcome.
type tally struct {
	RuleSet assess.RuleSetRef
	Counts  []outcome.Count
}

// text writes it as it is kept beside the outcome: the rule set, and a line for each count. Families are left out, which
// the rows of the counts have.
func (t tally) text() string {
	if t.RuleSet.Digest == "" {
		return ""
	}
	var b strings.Builder
	fmt.Fprintln(&b, t.RuleSet.Name, t.RuleSet.Version, t.RuleSet.Digest)
	for _, c := range t.Counts {
		fmt.Fprintln(&b, c.Kind, c.Name, int(c.Step), c.Seen, c.Event, c.Unseen)
	}
	return b.String()
}

// readTally reads what text writes.
func readTally(text string) (t tally, err error) {
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if text == "" {
		return t, nil
	}
	if _, err := fmt.Sscan(lines[0], &t.RuleSet.Name, &t.RuleSet.Version, &t.RuleSet.Digest); err != nil {
		return t, fmt.Errorf("read what is counted: %w", err)
	}
	for _, line := range lines[1:] {
		var c outcome.Count
		if _, err := fmt.Sscan(line, &c.Kind, &c.Name, &c.Step, &c.Seen, &c.Event, &c.Unseen); err != nil {
			return t, fmt.Errorf("read what is counted: %w", err)
		}
		t.Counts = append(t.Counts, c)
	}
	return t, nil
}

// CountOutcome implements [assess.OutcomeStore].
func (s *Store) CountOutcome(ctx context.Context, id string, withdrawn bool, j assess.Judged) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var organisation, month, text string
		var receivedAt int64
		var gone bool
		// It is locked until the transaction ends: of two that count it one finds that it does not wait.
		err := tx.QueryRowContext(ctx, lockUncounted, id).Scan(&organisation, &month, &text, &receivedAt, &gone)
		if errors.Is(err, sql.ErrNoRows) || err == nil && gone != withdrawn {
			return assess.ErrFinished
		} else if err != nil {
			return err
		}
		before, err := readTally(text)
		if err != nil {
			return err
		}
		now := tally{j.RuleSet, j.Counts}
		if err := count(ctx, tx, organisation, month, receivedAt, before, -1); err != nil {
			return err
		}
		if err := count(ctx, tx, organisation, month, receivedAt, now, 1); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, noteCounted, j.AssessmentID, now.text(), j.Problem, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("count outcome %s: %w", id, err)
	}
	return nil
}

// count adds a tally to the counts, or takes it out of them. Rows are taken in one order: of two that
// count at once neither waits for the other for good.
func count(ctx context.Context, tx *sql.Tx, organisation, month string, receivedAt int64, t tally, times int) error {
	if t.RuleSet.Digest == "" {
		return nil
	}
	if _, err := tx.ExecContext(ctx, noteJudgedRuleSet, organisation, t.RuleSet.Digest, t.RuleSet.Name, t.RuleSet.Version, times, receivedAt); err != nil {
		return fmt.Errorf("note judged rule set: %w", err)
	}
	counts := slices.Clone(t.Counts)
	slices.SortFunc(counts, func(a, b outcome.Count) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Step, b.Step))
	})
	for _, period := range []string{"", month} {
		for _, c := range counts {
			if period != "" && c.Kind != outcome.Gates {
				continue
			}
			if _, err := tx.ExecContext(ctx, addCount, organisation, t.RuleSet.Digest, period, string(c.Kind), c.Name, int(c.Step), c.Family,
				times*c.Seen, times*c.Event, times*c.Unseen); err != nil {
				return fmt.Errorf("count %s %s: %w", c.Kind, c.Name, err)
			}
		}
	}
	return nil
}

// JudgedRuleSets implements [assess.OutcomeStore].
func (s *Store) JudgedRuleSets(ctx context.Context, organisation string) ([]assess.JudgedRuleSet, error) {
	fields := func(j *assess.JudgedRuleSet) []any {
		return []any{&j.RuleSet.Name, &j.RuleSet.Version, &j.RuleSet.Digest, &j.Outcomes, instant{&j.NewestAt}}
	}
	list, err := many(ctx, s.read, fields, selectJudged, organisation)
	if err != nil {
		return nil, fmt.Errorf("select judged rule sets: %w", err)
	}
	return list, nil
}

// Counts implements [assess.OutcomeStore].
func (s *Store) Counts(ctx context.Context, q assess.CountsOf) ([]assess.CountRow, error) {
	fields := func(r *assess.CountRow) []any {
		return []any{&r.Name, &r.Family, &r.Period, &r.Step, &r.Seen, &r.Events, &r.Unseen}
	}
	query := selectCounts
	if q.Monthly {
		query = selectMonthlyCounts
	}
	list, err := many(ctx, s.read, fields, query, q.Organisation, q.Digest, string(q.Kind))
	if err != nil {
		return nil, fmt.Errorf("select counts of %s: %w", q.Kind, err)
	}
	return list, nil
}

// outcomeFields says where the outcomeColumns go.
func outcomeFields(r *assess.RecordedOutcome) []any {
	return []any{
		&r.ID, &r.Vehicle, &r.Body, instant{&r.ReceivedAt}, instant{&r.Before}, &r.Month, &r.PostedBy, instant{&r.WithdrawnAt},
		&r.Because, &r.ReplacedBy, &r.AssessmentID, &r.Waiting, &r.Problem,
	}
}
