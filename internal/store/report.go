package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"laidup/internal/assess"
)

// Accept implements [assess.Store].
func (s *Store) Accept(ctx context.Context, sub assess.Submission) (assess.Receipt, error) {
	var receipt assess.Receipt
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var err error
		receipt, err = accept(ctx, tx, sub)
		return err
	})
	if err != nil {
		return assess.Receipt{}, fmt.Errorf("accept report %s: %w", sub.ReportID, err)
	}
	return receipt, nil
}

func accept(ctx context.Context, tx *sql.Tx, sub assess.Submission) (assess.Receipt, error) {
	at, queued := sub.At.UnixMilli(), sub.QueuedAt().UnixMilli()
	if sub.IdempotencyKey != "" {
		claim, err := tx.ExecContext(ctx, insertKey,
			sub.Organisation, sub.IdempotencyKey, sub.Fingerprint, sub.ReportID, sub.AssessmentID, queued)
		if err != nil {
			return assess.Receipt{}, fmt.Errorf("insert idempotency key: %w", err)
		}
		if n, err := claim.RowsAffected(); err != nil {
			return assess.Receipt{}, err
		} else if n == 0 {
			return earlier(ctx, tx, sub)
		}
	}
	if err := tx.QueryRowContext(ctx, spellVehicle, sub.Organisation, strings.ToLower(sub.Vehicle), sub.Vehicle).Scan(&sub.Vehicle); err != nil {
		return assess.Receipt{}, fmt.Errorf("spell vehicle %s: %w", sub.Vehicle, err)
	}
	var replaced *assess.Report
	if sub.Replaces != "" {
		var err error
		if replaced, err = toReplace(ctx, tx, sub); err != nil {
			return assess.Receipt{}, err
		}
		if sub.Most > 0 && replaced.WithdrawnAt.IsZero() {
			sub.Most++ // it makes room
		}
	}
	if err := touchPhotos(ctx, tx, sub); err != nil {
		return assess.Receipt{}, err
	}
	var ordinal int
	if err := tx.QueryRowContext(ctx, upsertVehicle, sub.Organisation, sub.Vehicle, sub.Description, at, sub.Most).Scan(&ordinal); errors.Is(err, sql.ErrNoRows) {
		return assess.Receipt{}, assess.ErrDossierFull
	} else if err != nil {
		return assess.Receipt{}, fmt.Errorf("update vehicle %s: %w", sub.Vehicle, err)
	}
	if _, err := tx.ExecContext(ctx, insertReport,
		sub.ReportID, sub.Organisation, sub.Vehicle, ordinal, sub.Reference, sub.Inspected, at, sub.PostedBy, string(sub.Body)); err != nil {
		return assess.Receipt{}, fmt.Errorf("insert report: %w", err)
	}
	for _, id := range sub.PhotoIDs() {
		if _, err := tx.ExecContext(ctx, insertPhotoLink, sub.Organisation, sub.ReportID, sub.Vehicle, id); err != nil {
			return assess.Receipt{}, fmt.Errorf("link attachment %s: %w", id, err)
		}
	}
	if _, err := tx.ExecContext(ctx, insertAssessment,
		sub.AssessmentID, sub.Organisation, sub.ReportID, sub.Vehicle, ordinal, sub.Gate,
		sub.RuleSet.Name, sub.RuleSet.Version, sub.RuleSet.Digest, queued, sub.Batch); err != nil {
		return assess.Receipt{}, fmt.Errorf("insert assessment %s: %w", sub.AssessmentID, err)
	}
	if sub.Step != nil {
		if err := insertStep(ctx, tx, assess.TickSubmission{Organisation: sub.Organisation, Vehicle: sub.Vehicle, Tick: assess.Tick{
			Plan: sub.Step.Plan, Step: sub.Step.Number, On: sub.Inspected, Inspector: sub.Step.Inspector, Report: sub.ReportID, At: sub.At, By: sub.PostedBy,
		}}); err != nil {
			return assess.Receipt{}, err
		}
	}
	if replaced != nil {
		if err := replace(ctx, tx, sub, *replaced, ordinal); err != nil {
			return assess.Receipt{}, err
		}
	}
	return assess.Receipt{ReportID: sub.ReportID, AssessmentID: sub.AssessmentID}, nil
}

// earlier returns the receipt of the submission that took sub's idempotency key.
func earlier(ctx context.Context, tx *sql.Tx, sub assess.Submission) (assess.Receipt, error) {
	var fingerprint string
	receipt := assess.Receipt{Repeat: true}
	err := tx.QueryRowContext(ctx, selectKey, sub.Organisation, sub.IdempotencyKey).
		Scan(&fingerprint, &receipt.ReportID, &receipt.AssessmentID)
	if err != nil {
		return assess.Receipt{}, fmt.Errorf("select idempotency key: %w", err)
	}
	if fingerprint != sub.Fingerprint {
		return assess.Receipt{}, assess.ErrKeyReused
	}
	return receipt, nil
}

// Repeat implements [assess.Store].
func (s *Store) Repeat(ctx context.Context, organisation, key, fingerprint string) (assess.Receipt, error) {
	receipt := assess.Receipt{Repeat: true}
	var known string
	err := row(ctx, s.read, []any{&known, &receipt.ReportID, &receipt.AssessmentID}, selectKey, organisation, key)
	if err == nil && known != fingerprint {
		err = assess.ErrKeyReused
	}
	if err != nil {
		return assess.Receipt{}, fmt.Errorf("select idempotency key: %w", err)
	}
	return receipt, nil
}

// Report implements [assess.Store].
func (s *Store) Report(ctx context.Context, organisation, id string) (assess.Report, error) {
	r, err := one(ctx, s.read, reportFieldsBody, selectReport, organisation, id)
	if err != nil {
		return r, fmt.Errorf("select report %s: %w", id, err)
	}
	return r, nil
}

// toReplace finds the report that a submission is to stand for. Until the transaction ends nobody else
// withdraws or replaces it.
func toReplace(ctx context.Context, tx *sql.Tx, sub assess.Submission) (*assess.Report, error) {
	if _, err := tx.ExecContext(ctx, lockVehicle, sub.Organisation, sub.Vehicle); err != nil {
		return nil, fmt.Errorf("lock vehicle %s: %w", sub.Vehicle, err)
	}
	r, err := one(ctx, tx, reportFieldsBody, selectReport, sub.Organisation, sub.Replaces)
	if errors.Is(err, assess.ErrNotFound) || err == nil && (r.Vehicle != sub.Vehicle || r.ReplacedBy != "") {
		return nil, assess.ErrNothingToReplace
	}
	return &r, err
}

// replace marks a report as replaced by a submission, and as withdrawn with it unless it was before.
func replace(ctx context.Context, tx *sql.Tx, sub assess.Submission, old assess.Report, ordinal int) error {
	at := sub.At.UnixMilli()
	if old.WithdrawnAt.IsZero() {
		if _, err := tx.ExecContext(ctx, withdrawReport, ordinal, at, "", sub.Organisation, old.ID); err != nil {
			return fmt.Errorf("withdraw report %s: %w", old.ID, err)
		}
		if _, err := tx.ExecContext(ctx, noteReplacement, sub.Organisation, sub.Vehicle); err != nil {
			return fmt.Errorf("update vehicle %s: %w", sub.Vehicle, err)
		}
		old.WithdrawnAt = sub.At
	}
	if _, err := tx.ExecContext(ctx, replaceReport, sub.ReportID, sub.Organisation, old.ID); err != nil {
		return fmt.Errorf("replace report %s: %w", old.ID, err)
	}
	old.ReplacedBy = sub.ReportID
	return emit(ctx, tx, sub.Organisation, assess.WithdrawalEvent(old, sub.AssessmentID, sub.QueuedAt()))
}

// Withdraw implements [assess.Store].
func (s *Store) Withdraw(ctx context.Context, w assess.Withdrawal) (assess.Withdrawn, error) {
	var done assess.Withdrawn
	by := assess.ActorOf(ctx)
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var err error
		if done, err = withdraw(ctx, tx, w); err != nil || done.Repeat {
			return err
		}
		return noteDeed(ctx, tx, by, deed{organisation: w.Organisation, action: assess.WithdrawnReport, subject: w.ReportID})
	})
	if err != nil {
		return assess.Withdrawn{}, fmt.Errorf("withdraw report %s: %w", w.ReportID, err)
	}
	return done, nil
}

func withdraw(ctx context.Context, tx *sql.Tx, w assess.Withdrawal) (assess.Withdrawn, error) {
	var done assess.Withdrawn
	find := func() (err error) {
		done.Report, err = one(ctx, tx, reportFieldsBody, selectReport, w.Organisation, w.ReportID)
		return err
	}
	if err := find(); err != nil {
		return done, err
	}
	vehicle := done.Report.Vehicle
	if _, err := tx.ExecContext(ctx, lockVehicle, w.Organisation, vehicle); err != nil {
		return done, fmt.Errorf("lock vehicle %s: %w", vehicle, err)
	}
	if err := find(); err != nil { // once more: somebody else may have withdrawn it meanwhile
		return done, err
	}
	if done.Repeat = !done.Report.WithdrawnAt.IsZero(); done.Repeat {
		return done, nil
	}
	at := w.At.UnixMilli()
	var ordinal int
	if err := tx.QueryRowContext(ctx, noteWithdrawal, w.Organisation, vehicle).Scan(&ordinal); err != nil {
		return done, fmt.Errorf("update vehicle %s: %w", vehicle, err)
	}
	if _, err := tx.ExecContext(ctx, withdrawReport, ordinal, at, w.Because, w.Organisation, w.ReportID); err != nil {
		return done, err
	}
	if err := find(); err != nil {
		return done, err
	}
	var report, gate string
	var set assess.RuleSetRef
	err := tx.QueryRowContext(ctx, selectLastStanding, w.Organisation, vehicle).Scan(&report, &gate, &set.Name, &set.Version, &set.Digest)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		_, err = tx.ExecContext(ctx, voidVehicle, ordinal, w.Organisation, vehicle)
	case err == nil:
		if w.Under != nil {
			set, gate = w.Under(set, gate)
		}
		done.AssessmentID = w.AssessmentID
		_, err = tx.ExecContext(ctx, insertAssessment, w.AssessmentID, w.Organisation, report, vehicle, ordinal, gate, set.Name, set.Version, set.Digest, w.QueuedAt().UnixMilli(), "")
	}
	if err != nil {
		return done, fmt.Errorf("assess vehicle %s again: %w", vehicle, err)
	}
	return done, emit(ctx, tx, w.Organisation, assess.WithdrawalEvent(done.Report, done.AssessmentID, w.QueuedAt()))
}

// Reports implements [assess.Store].
func (s *Store) Reports(ctx context.Context, p assess.ReportPage) ([]assess.Report, error) {
	p.Vehicle = s.spelled(ctx, p.Organisation, p.Vehicle)
	reports, err := many(ctx, s.read, reportFieldsBody, selectReports, p.Organisation, p.Vehicle, p.BeforeID, p.Limit)
	if err == nil && len(reports) == 0 {
		err = s.vehicleExists(ctx, p.Organisation, p.Vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select reports of %s: %w", p.Vehicle, err)
	}
	return reports, nil
}

// Dossier implements [assess.Store].
func (s *Store) Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]assess.Report, error) {
	reports, err := many(ctx, s.read, reportFieldsBody, selectDossier, organisation, vehicle, upTo)
	if err == nil && len(reports) == 0 {
		err = s.vehicleExists(ctx, organisation, vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select dossier %s: %w", vehicle, err)
	}
	return reports, nil
}

// reportFieldsBody says where the reportColumns and the body go.
func reportFieldsBody(r *assess.Report) []any { return append(reportFields(r), &r.Body) }

// reportFields says where the reportColumns go.
func reportFields(r *assess.Report) []any {
	return []any{
		&r.ID, &r.Vehicle, &r.Ordinal, &r.Reference, &r.Inspected, instant{&r.ReceivedAt},
		instant{&r.WithdrawnAt}, &r.Because, &r.ReplacedBy, &r.PostedBy,
	}
}
