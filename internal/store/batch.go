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
)

var _ assess.BatchStore = (*Store)(nil)

// OpenBatch implements [assess.BatchStore].
func (s *Store) OpenBatch(ctx context.Context, h assess.BatchHead) (b assess.Batch, known bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		b, known, err = openBatch(ctx, tx, h, assess.Receiving)
		return err
	})
	if err != nil {
		return assess.Batch{}, false, fmt.Errorf("open batch %s: %w", h.ID, err)
	}
	return b, known, nil
}

func openBatch(ctx context.Context, tx *sql.Tx, h assess.BatchHead, state assess.BatchState) (b assess.Batch, known bool, err error) {
	b, err = one(ctx, tx, batchFields, insertBatch, h.ID, h.Organisation, h.Kind, state, h.Gate,
		h.RuleSet.Name, h.RuleSet.Version, h.RuleSet.Digest, h.IdempotencyKey, h.Fingerprint, h.At.UnixMilli())
	if !errors.Is(err, assess.ErrNotFound) {
		return b, false, err
	}
	if b, err = one(ctx, tx, batchFields, selectBatchByKey, h.Organisation, h.IdempotencyKey); err == nil && b.Fingerprint != h.Fingerprint {
		err = assess.ErrKeyReused
	}
	return b, true, err
}

// BatchSent implements [assess.BatchStore].
func (s *Store) BatchSent(ctx context.Context, organisation, key, fingerprint string) (assess.Batch, error) {
	b, err := one(ctx, s.read, batchFields, selectBatchByKey, organisation, key)
	if err == nil && b.Fingerprint != fingerprint {
		err = assess.ErrKeyReused
	}
	if err != nil {
		return assess.Batch{}, fmt.Errorf("select batch by its key: %w", err)
	}
	return b, nil
}

// AddChunk implements [assess.BatchStore].
func (s *Store) AddChunk(ctx context.Context, c assess.NewChunk) (work bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		work, err = addChunk(ctx, tx, c)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("add chunk %s: %w", c.ID, err)
	}
	return work, nil
}

func addChunk(ctx context.Context, tx *sql.Tx, c assess.NewChunk) (work bool, err error) {
	// Vehicles are locked in one order, whoever sends them: two batches on the same vehicles wait for one
	// another, and not each for the other.
	ordered := make([]*assess.NewLine, len(c.Lines))
	for i := range c.Lines {
		ordered[i] = &c.Lines[i]
	}
	slices.SortStableFunc(ordered, func(a, b *assess.NewLine) int {
		return cmp.Compare(strings.ToLower(a.Vehicle), strings.ToLower(b.Vehicle))
	})
	refused := 0
	for _, l := range ordered {
		assessment, problem := "", l.Problem
		if l.Submission != nil {
			var unknown *assess.UnknownPhotosError
			switch _, err := accept(ctx, tx, *l.Submission); {
			case errors.As(err, &unknown):
				problem = unknown.LineProblem()
			case errors.Is(err, assess.ErrDossierFull):
				problem = c.Full
			case errors.Is(err, assess.ErrNothingToReplace):
				problem = c.NothingToReplace
			case err != nil:
				return false, fmt.Errorf("line %d: %w", l.Number, err)
			default:
				assessment = l.Submission.AssessmentID
			}
		}
		if assessment == "" {
			refused++
		}
		if _, err := tx.ExecContext(ctx, insertLine, c.Batch, l.Number, c.Number, l.Vehicle, assessment, string(problem)); err != nil {
			return false, fmt.Errorf("insert line %d: %w", l.Number, err)
		}
	}
	work = refused < len(c.Lines)
	chunks := 0
	if work {
		chunks = 1
		if _, err := tx.ExecContext(ctx, insertChunk, c.ID, c.Batch, c.Number, c.At.UnixMilli(), c.Organisation); err != nil {
			return false, fmt.Errorf("insert chunk: %w", err)
		}
	}
	var state assess.BatchState
	err = tx.QueryRowContext(ctx, growBatch, c.Through, len(c.Lines), refused, chunks, c.Tally, c.Organisation, c.Batch, c.After).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		b, err := one(ctx, tx, batchFields, selectBatch, c.Organisation, c.Batch)
		switch {
		case err != nil:
			return false, err
		case b.State != assess.Receiving:
			return false, assess.ErrBatchClosed
		}
		return false, assess.ErrBatchMoved
	}
	return work, err
}

// CloseBatch implements [assess.BatchStore].
func (s *Store) CloseBatch(ctx context.Context, organisation, id string, at time.Time) (b assess.Batch, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		b, err = one(ctx, tx, batchFields, closeBatch, at.UnixMilli(), organisation, id)
		if errors.Is(err, assess.ErrNotFound) {
			b, err = one(ctx, tx, batchFields, selectBatch, organisation, id)
			return err
		}
		return errors.Join(err, emit(ctx, tx, organisation, assess.BatchEvents(b)...))
	})
	if err != nil {
		return assess.Batch{}, fmt.Errorf("close batch %s: %w", id, err)
	}
	return b, nil
}

// OpenRescore implements [assess.BatchStore].
func (s *Store) OpenRescore(ctx context.Context, h assess.BatchHead, of assess.RescoreScope, size, most int, name func(int) string) (b assess.Batch, known bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		if b, known, err = openBatch(ctx, tx, h, assess.Receiving); err != nil || known {
			return err
		}
		lines, err := insertScope(ctx, tx, h, of, size, most)
		if err != nil {
			return err
		}
		chunks := (lines + size - 1) / size
		for i := range chunks {
			if _, err := tx.ExecContext(ctx, insertChunk, name(i+1), h.ID, i+1, h.At.UnixMilli(), h.Organisation); err != nil {
				return fmt.Errorf("insert chunk %d: %w", i+1, err)
			}
		}
		var state assess.BatchState
		if err := tx.QueryRowContext(ctx, growBatch, lines, lines, 0, chunks, "", h.Organisation, h.ID, 0).Scan(&state); err != nil {
			return err
		}
		b, err = one(ctx, tx, batchFields, closeBatch, h.At.UnixMilli(), h.Organisation, h.ID)
		return errors.Join(err, emit(ctx, tx, h.Organisation, assess.BatchEvents(b)...))
	})
	if err != nil {
		return assess.Batch{}, false, fmt.Errorf("open rescore %s: %w", h.ID, err)
	}
	return b, known, nil
}

// insertScope stores a line for each vehicle and says how many there are.
func insertScope(ctx context.Context, tx *sql.Tx, h assess.BatchHead, of assess.RescoreScope, size, most int) (int, error) {
	var result sql.Result
	var err error
	switch {
	case of.Everything:
		result, err = tx.ExecContext(ctx, insertLinesOfAll, h.ID, size, h.Organisation, most+1)
	case of.Batch != "":
		if _, err := one(ctx, tx, batchFields, selectBatch, h.Organisation, of.Batch); err != nil {
			return 0, err
		}
		result, err = tx.ExecContext(ctx, insertLinesOfBatch, h.ID, size, h.Organisation, of.Batch, most+1)
	default:
		return len(of.Vehicles), insertVehicleLines(ctx, tx, h, of.Vehicles, size, most)
	}
	if err != nil {
		return 0, fmt.Errorf("insert lines: %w", err)
	}
	n, err := result.RowsAffected()
	if err == nil && n > int64(most) {
		err = assess.ErrTooManyLines
	}
	return int(n), err
}

func insertVehicleLines(ctx context.Context, tx *sql.Tx, h assess.BatchHead, vehicles []string, size, most int) error {
	if len(vehicles) > most {
		return assess.ErrTooManyLines
	}
	var missing assess.NoSuchVehiclesError
	for i, reference := range vehicles {
		switch err := tx.QueryRowContext(ctx, selectSpelling, h.Organisation, reference, strings.ToLower(reference)).Scan(&reference); {
		case errors.Is(err, sql.ErrNoRows):
			missing.At = append(missing.At, i)
			continue
		case err != nil:
			return err
		}
		if _, err := tx.ExecContext(ctx, insertLine, h.ID, i+1, i/size+1, reference, "", ""); err != nil {
			return fmt.Errorf("insert line %d: %w", i+1, err)
		}
	}
	if missing.At != nil {
		return &missing
	}
	return nil
}

// CancelBatch implements [assess.BatchStore].
func (s *Store) CancelBatch(ctx context.Context, organisation, id string, at time.Time) (b assess.Batch, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		b, err = one(ctx, tx, batchFields, cancelBatch, at.UnixMilli(), organisation, id)
		if errors.Is(err, assess.ErrNotFound) {
			if b, err = one(ctx, tx, batchFields, selectBatch, organisation, id); err == nil && b.State != assess.Cancelled {
				err = assess.ErrBatchClosed
			}
			return err
		}
		return errors.Join(err, emit(ctx, tx, organisation, assess.BatchEvents(b)...))
	})
	if err != nil {
		return assess.Batch{}, fmt.Errorf("cancel batch %s: %w", id, err)
	}
	return b, nil
}

// Batch implements [assess.BatchStore].
func (s *Store) Batch(ctx context.Context, organisation, id string) (assess.Batch, error) {
	b, err := one(ctx, s.read, batchFields, selectBatch, organisation, id)
	if err != nil {
		return b, fmt.Errorf("select batch %s: %w", id, err)
	}
	return b, nil
}

// Batches implements [assess.BatchStore].
func (s *Store) Batches(ctx context.Context, p assess.BatchPage) ([]assess.Batch, error) {
	list, err := many(ctx, s.read, batchFields, selectBatches, p.Organisation, p.BeforeID, p.BeforeCreated.UnixMilli(), p.Limit)
	if err != nil {
		return nil, fmt.Errorf("select batches: %w", err)
	}
	return list, nil
}

// Lines implements [assess.BatchStore].
func (s *Store) Lines(ctx context.Context, organisation, id string, after, limit int) ([]assess.Line, error) {
	lines, err := many(ctx, s.read, lineFields, selectLines, organisation, id, after, limit)
	if err == nil && len(lines) == 0 {
		_, err = s.Batch(ctx, organisation, id)
	}
	if err != nil {
		return nil, fmt.Errorf("select lines of batch %s: %w", id, err)
	}
	return lines, nil
}

// Chunk implements [assess.BatchStore].
func (s *Store) Chunk(ctx context.Context, id string) (assess.Chunk, error) {
	var c assess.Chunk
	var finished time.Time
	b := &c.Batch
	err := row(ctx, s.read, []any{
		&c.ID, &c.Number, &c.Attempt, instant{&finished}, &b.ID, &b.Organisation, &b.Kind, &b.Gate,
		&b.RuleSet.Name, &b.RuleSet.Version, &b.RuleSet.Digest, &b.State,
	}, selectChunk, id)
	if err == nil && !finished.IsZero() {
		err = assess.ErrFinished
	}
	if err != nil {
		return assess.Chunk{}, fmt.Errorf("select chunk %s: %w", id, err)
	}
	return c, nil
}

// ChunkLines implements [assess.BatchStore].
func (s *Store) ChunkLines(ctx context.Context, c assess.Chunk) ([]assess.Line, error) {
	lines, err := many(ctx, s.read, lineFields, selectChunkLines, c.Batch.Organisation, c.Batch.ID, c.Number)
	if err != nil {
		return nil, fmt.Errorf("select lines of chunk %s: %w", c.ID, err)
	}
	return lines, nil
}

// FinishChunk implements [assess.BatchStore].
func (s *Store) FinishChunk(ctx context.Context, c assess.Chunk, results []assess.LineResult, at time.Time) (b assess.Batch, done bool, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		written, err := tx.ExecContext(ctx, finishChunk, at.UnixMilli(), c.ID)
		if err != nil {
			return err
		}
		if n, err := written.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			return assess.ErrFinished
		}
		var answered, failed, changed, unfinished int
		if c.Batch.Kind == assess.Reports {
			err = tx.QueryRowContext(ctx, selectChunkCounts, c.Batch.Organisation, c.Batch.ID, c.Number).Scan(&answered, &failed, &unfinished)
			if err == nil && unfinished > 0 {
				err = assess.ErrChunkUnfinished
			}
			if err != nil {
				return err
			}
		}
		for _, r := range results {
			if _, err := tx.ExecContext(ctx, finishLine, string(r.Result), string(r.Problem), c.Batch.ID, r.Number); err != nil {
				return fmt.Errorf("write line %d: %w", r.Number, err)
			}
			if r.Problem != nil {
				failed++
			} else {
				answered++
			}
			if r.Changed {
				changed++
			}
		}
		if c.Batch.Kind == assess.Rescore {
			if _, err := tx.ExecContext(ctx, eraseLinesOfNobody, string(assess.ErasedProblem()), c.Batch.ID, c.Number, c.Batch.Organisation); err != nil {
				return fmt.Errorf("erase lines of nobody: %w", err)
			}
		}
		b, err = one(ctx, tx, batchFields, chunkFinished, answered, failed, changed, at.UnixMilli(), c.Batch.Organisation, c.Batch.ID)
		done = !b.FinishedAt.IsZero()
		return errors.Join(err, emit(ctx, tx, c.Batch.Organisation, assess.BatchEvents(b)...))
	})
	if err != nil {
		return assess.Batch{}, false, fmt.Errorf("finish chunk %s: %w", c.ID, err)
	}
	return b, done, nil
}

// WaitingChunks implements [assess.BatchStore].
func (s *Store) WaitingChunks(ctx context.Context, before, after time.Time, limit int) ([]assess.Chunk, error) {
	fields := func(c *assess.Chunk) []any { return []any{&c.ID, &c.Attempt} }
	waiting, err := many(ctx, s.read, fields, selectWaitingChunks, before.UnixMilli(), after.UnixMilli(), limit)
	if err != nil {
		return nil, fmt.Errorf("select waiting chunks: %w", err)
	}
	return waiting, nil
}

// ChunkEnqueued implements [assess.BatchStore].
func (s *Store) ChunkEnqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	err := s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, noteChunkEnqueued, attempt, at.UnixMilli(), id)
		return err
	})
	if err != nil {
		return fmt.Errorf("note attempt %d at chunk %s: %w", attempt, id, err)
	}
	return nil
}

// batchFields says where the batchColumns go.
func batchFields(b *assess.Batch) []any {
	return []any{
		&b.ID, &b.Organisation, &b.Kind, &b.Gate, &b.RuleSet.Name, &b.RuleSet.Version, &b.RuleSet.Digest, &b.IdempotencyKey, &b.Fingerprint, instant{&b.At},
		&b.State, &b.Tally, &b.Through, &b.Lines, &b.Refused, &b.Done, &b.Failed, &b.Changed, &b.Chunks, &b.ChunksFinished,
		instant{&b.ReceivedAt}, instant{&b.FinishedAt},
	}
}

// lineFields says where the lineColumns go.
func lineFields(l *assess.Line) []any {
	return append(append([]any{&l.Number, &l.Vehicle, orZero[[]byte]{&l.Problem}, orZero[[]byte]{&l.Result}}, assessmentFields(&l.Assessment)...),
		orZero[[]byte]{&l.Assessment.Outcome.Summary}, orZero[string]{&l.Reference})
}
