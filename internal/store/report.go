package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

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
	at := sub.At.UnixMilli()
	if sub.IdempotencyKey != "" {
		claim, err := tx.ExecContext(ctx, insertKey,
			sub.Organisation, sub.IdempotencyKey, sub.Fingerprint, sub.ReportID, sub.AssessmentID, at)
		if err != nil {
			return assess.Receipt{}, fmt.Errorf("insert idempotency key: %w", err)
		}
		if n, err := claim.RowsAffected(); err != nil {
			return assess.Receipt{}, err
		} else if n == 0 {
			return earlier(ctx, tx, sub)
		}
	}
	var ordinal int
	if err := tx.QueryRowContext(ctx, upsertVehicle, sub.Organisation, sub.Vehicle, sub.Description, at, sub.Most).Scan(&ordinal); errors.Is(err, sql.ErrNoRows) {
		return assess.Receipt{}, assess.ErrDossierFull
	} else if err != nil {
		return assess.Receipt{}, fmt.Errorf("update vehicle %s: %w", sub.Vehicle, err)
	}
	if _, err := tx.ExecContext(ctx, insertReport,
		sub.ReportID, sub.Organisation, sub.Vehicle, ordinal, sub.Reference, sub.Inspected, at, string(sub.Body)); err != nil {
		return assess.Receipt{}, fmt.Errorf("insert report: %w", err)
	}
	if _, err := tx.ExecContext(ctx, insertAssessment,
		sub.AssessmentID, sub.Organisation, sub.ReportID, sub.Vehicle, ordinal, sub.Gate,
		sub.RuleSet.Name, sub.RuleSet.Version, sub.RuleSet.Digest, at, sub.Batch); err != nil {
		return assess.Receipt{}, fmt.Errorf("insert assessment %s: %w", sub.AssessmentID, err)
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

// Report implements [assess.Store].
func (s *Store) Report(ctx context.Context, organisation, id string) (assess.Report, error) {
	r, err := one(ctx, s.read, reportFields, selectReport, organisation, id)
	if err != nil {
		return r, fmt.Errorf("select report %s: %w", id, err)
	}
	return r, nil
}

// Dossier implements [assess.Store].
func (s *Store) Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]assess.Report, error) {
	reports, err := many(ctx, s.read, reportFields, selectDossier, organisation, vehicle, upTo)
	if err == nil && len(reports) == 0 {
		err = s.vehicleExists(ctx, organisation, vehicle)
	}
	if err != nil {
		return nil, fmt.Errorf("select dossier %s: %w", vehicle, err)
	}
	return reports, nil
}

// reportFields says where the reportColumns go.
func reportFields(r *assess.Report) []any {
	return []any{&r.ID, &r.Vehicle, &r.Ordinal, &r.Reference, &r.Inspected, instant{&r.ReceivedAt}, &r.Body}
}
