package assesstest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
)

// batch is a batch with its lines in their order.
type batch struct {
	assess.Batch
	lines []line
}

// line is a line without what has become of its assessment.
type line struct {
	number, chunk       int
	vehicle, assessment string
	problem, result     []byte
}

type chunk struct {
	id, batch       string
	number, attempt int
	enqueued        time.Time
	finished        bool
}

var _ assess.BatchStore = (*Memory)(nil)

// OpenBatch implements [assess.BatchStore].
func (m *Memory) OpenBatch(ctx context.Context, h assess.BatchHead) (assess.Batch, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, false, err
	}
	defer leave()
	b, known, err := m.openBatch(h)
	if err != nil {
		return assess.Batch{}, false, err
	}
	return b.Batch, known, nil
}

// BatchSent implements [assess.BatchStore].
func (m *Memory) BatchSent(ctx context.Context, organisation, key, fingerprint string) (assess.Batch, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, err
	}
	defer leave()
	for _, b := range m.batches {
		if b.Organisation == organisation && b.IdempotencyKey == key && key != "" {
			if b.Fingerprint != fingerprint {
				return assess.Batch{}, assess.ErrKeyReused
			}
			return b.Batch, nil
		}
	}
	return assess.Batch{}, assess.ErrNotFound
}

func (m *Memory) openBatch(h assess.BatchHead) (*batch, bool, error) {
	h.At = stored(h.At)
	for _, b := range m.batches {
		if h.IdempotencyKey != "" && b.Organisation == h.Organisation && b.IdempotencyKey == h.IdempotencyKey {
			if b.Fingerprint != h.Fingerprint {
				return nil, false, fmt.Errorf("open batch %s: %w", h.ID, assess.ErrKeyReused)
			}
			return b, true, nil
		}
	}
	b := &batch{Batch: assess.Batch{BatchHead: h, State: assess.Receiving}}
	m.batches[h.ID] = b
	return b, false, nil
}

func (m *Memory) ownBatch(organisation, id string) (*batch, error) {
	b, ok := m.batches[id]
	if !ok || b.Organisation != organisation {
		return nil, fmt.Errorf("batch %s: %w", id, assess.ErrNotFound)
	}
	return b, nil
}

// AddChunk implements [assess.BatchStore]. What of it goes wrong for another reason than the batch's is
// not undone.
func (m *Memory) AddChunk(ctx context.Context, c assess.NewChunk) (bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return false, err
	}
	defer leave()
	b, err := m.ownBatch(c.Organisation, c.Batch)
	switch {
	case err != nil:
		return false, err
	case b.State != assess.Receiving:
		return false, fmt.Errorf("batch %s: %w", c.Batch, assess.ErrBatchClosed)
	case b.Through != c.After:
		return false, fmt.Errorf("batch %s: %w", c.Batch, assess.ErrBatchMoved)
	}
	work := false
	var unknown *assess.UnknownPhotosError
	for _, l := range c.Lines {
		to := line{number: l.Number, chunk: c.Number, vehicle: l.Vehicle, problem: bytes.Clone(l.Problem)}
		if l.Submission != nil {
			switch _, err := m.accept(*l.Submission); {
			case errors.As(err, &unknown):
				to.problem = unknown.LineProblem()
			case errors.Is(err, assess.ErrNothingToReplace):
				to.problem = c.NothingToReplace
			case err != nil:
				to.problem = c.Full
			default:
				to.assessment, work = l.Submission.AssessmentID, true
			}
		}
		if to.assessment == "" {
			b.Refused++
		}
		b.lines = append(b.lines, to)
	}
	b.Through, b.Tally, b.Lines = c.Through, c.Tally, b.Lines+len(c.Lines)
	if work {
		b.Chunks++
		m.chunks[c.ID] = &chunk{id: c.ID, batch: c.Batch, number: c.Number, enqueued: stored(c.At)}
	}
	return work, nil
}

// CloseBatch implements [assess.BatchStore].
func (m *Memory) CloseBatch(ctx context.Context, organisation, id string, at time.Time) (assess.Batch, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, err
	}
	defer leave()
	b, err := m.ownBatch(organisation, id)
	if err != nil {
		return assess.Batch{}, err
	}
	m.closeBatch(b, at)
	return b.Batch, nil
}

func (m *Memory) closeBatch(b *batch, at time.Time) {
	if b.State != assess.Receiving {
		return
	}
	b.State, b.ReceivedAt = assess.Working, stored(at)
	if b.Chunks == b.ChunksFinished {
		b.State, b.FinishedAt = assess.BatchDone, stored(at)
	}
}

// OpenRescore implements [assess.BatchStore].
func (m *Memory) OpenRescore(ctx context.Context, h assess.BatchHead, of assess.RescoreScope, size, most int, name func(int) string) (assess.Batch, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, false, err
	}
	defer leave()
	var lines []line
	var missing assess.NoSuchVehiclesError
	switch {
	case of.Everything:
		for v := range m.vehicles {
			if v.organisation == h.Organisation {
				lines = append(lines, line{vehicle: v.name})
			}
		}
		slices.SortFunc(lines, func(a, b line) int { return strings.Compare(a.vehicle, b.vehicle) })
	case of.Batch != "":
		from, err := m.ownBatch(h.Organisation, of.Batch)
		if err != nil {
			return assess.Batch{}, false, err
		}
		for _, l := range from.lines {
			if l.assessment != "" {
				lines = append(lines, line{vehicle: l.vehicle, assessment: l.assessment})
			}
		}
	default:
		for i, v := range of.Vehicles {
			if m.vehicles[owned{h.Organisation, v}] == nil {
				missing.At = append(missing.At, i)
			}
			lines = append(lines, line{vehicle: v})
		}
	}
	switch {
	case len(lines) > most:
		return assess.Batch{}, false, assess.ErrTooManyLines
	case missing.At != nil:
		return assess.Batch{}, false, &missing
	}
	b, known, err := m.openBatch(h)
	if err != nil {
		return assess.Batch{}, false, err
	}
	if known {
		return b.Batch, true, nil
	}
	for i := range lines {
		lines[i].number, lines[i].chunk = i+1, i/size+1
	}
	b.lines, b.Lines, b.Through, b.Chunks = lines, len(lines), len(lines), (len(lines)+size-1)/size
	for i := range b.Chunks {
		m.chunks[name(i+1)] = &chunk{id: name(i + 1), batch: h.ID, number: i + 1, enqueued: b.At}
	}
	m.closeBatch(b, h.At)
	return b.Batch, false, nil
}

// CancelBatch implements [assess.BatchStore].
func (m *Memory) CancelBatch(ctx context.Context, organisation, id string, at time.Time) (assess.Batch, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, err
	}
	defer leave()
	b, err := m.ownBatch(organisation, id)
	switch {
	case err != nil:
		return assess.Batch{}, err
	case b.State == assess.BatchDone:
		return assess.Batch{}, fmt.Errorf("batch %s: %w", id, assess.ErrBatchClosed)
	case b.State != assess.Cancelled:
		b.State = assess.Cancelled
		if b.Chunks == b.ChunksFinished {
			b.FinishedAt = stored(at)
		}
	}
	return b.Batch, nil
}

// Batch implements [assess.BatchStore].
func (m *Memory) Batch(ctx context.Context, organisation, id string) (assess.Batch, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, err
	}
	defer leave()
	b, err := m.ownBatch(organisation, id)
	if err != nil {
		return assess.Batch{}, err
	}
	return b.Batch, nil
}

// Batches implements [assess.BatchStore].
func (m *Memory) Batches(ctx context.Context, p assess.BatchPage) ([]assess.Batch, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	newestFirst := func(at, bt time.Time, a, b string) int {
		if c := bt.Compare(at); c != 0 {
			return c
		}
		return strings.Compare(b, a)
	}
	var list []assess.Batch
	for _, b := range m.batches {
		if b.Organisation == p.Organisation && (p.BeforeID == "" || newestFirst(stored(p.BeforeCreated), b.At, p.BeforeID, b.ID) < 0) {
			list = append(list, b.Batch)
		}
	}
	slices.SortFunc(list, func(a, b assess.Batch) int { return newestFirst(a.At, b.At, a.ID, b.ID) })
	return list[:min(p.Limit, len(list))], nil
}

// Lines implements [assess.BatchStore].
func (m *Memory) Lines(ctx context.Context, organisation, id string, after, limit int) ([]assess.Line, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	b, err := m.ownBatch(organisation, id)
	if err != nil {
		return nil, err
	}
	var list []assess.Line
	for _, l := range b.lines {
		if l.number > after && len(list) < limit {
			list = append(list, m.lineOf(l))
		}
	}
	return list, nil
}

func (m *Memory) lineOf(l line) assess.Line {
	to := assess.Line{Number: l.number, Vehicle: l.vehicle, Problem: bytes.Clone(l.problem), Result: bytes.Clone(l.result)}
	if a := m.assessments[l.assessment]; a != nil {
		to.Assessment = listed(a)
		to.Assessment.Outcome.Summary = bytes.Clone(a.Outcome.Summary)
		to.Reference = m.reports[a.ReportID].Reference
	}
	return to
}

// Chunk implements [assess.BatchStore].
func (m *Memory) Chunk(ctx context.Context, id string) (assess.Chunk, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Chunk{}, err
	}
	defer leave()
	c, ok := m.chunks[id]
	switch {
	case !ok:
		return assess.Chunk{}, fmt.Errorf("chunk %s: %w", id, assess.ErrNotFound)
	case c.finished:
		return assess.Chunk{}, fmt.Errorf("chunk %s: %w", id, assess.ErrFinished)
	}
	b := m.batches[c.batch]
	return assess.Chunk{ID: id, Number: c.number, Attempt: c.attempt, Batch: assess.Batch{
		BatchHead: assess.BatchHead{ID: b.ID, Organisation: b.Organisation, Kind: b.Kind, Gate: b.Gate, RuleSet: b.RuleSet}, State: b.State,
	}}, nil
}

// ChunkLines implements [assess.BatchStore].
func (m *Memory) ChunkLines(ctx context.Context, c assess.Chunk) ([]assess.Line, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var list []assess.Line
	for _, l := range m.batches[c.Batch.ID].lines {
		if l.chunk == c.Number && l.problem == nil && l.result == nil {
			list = append(list, m.lineOf(l))
		}
	}
	return list, nil
}

// FinishChunk implements [assess.BatchStore].
func (m *Memory) FinishChunk(ctx context.Context, c assess.Chunk, results []assess.LineResult, at time.Time) (assess.Batch, bool, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Batch{}, false, err
	}
	defer leave()
	if m.chunks[c.ID].finished {
		return assess.Batch{}, false, fmt.Errorf("chunk %s: %w", c.ID, assess.ErrFinished)
	}
	b := m.batches[c.Batch.ID]
	done, failed := 0, 0
	for _, l := range b.lines {
		if a := m.assessments[l.assessment]; b.Kind == assess.Reports && l.chunk == c.Number && a != nil {
			switch a.State {
			case assess.Done:
				done++
			case assess.Failed:
				failed++
			default:
				return assess.Batch{}, false, fmt.Errorf("chunk %s: %w", c.ID, assess.ErrChunkUnfinished)
			}
		}
	}
	for _, r := range results {
		at := slices.IndexFunc(b.lines, func(l line) bool { return l.number == r.Number })
		if b.lines[at].problem == nil { // else it was erased meanwhile
			b.lines[at].result, b.lines[at].problem = bytes.Clone(r.Result), bytes.Clone(r.Problem)
		}
		if r.Problem != nil {
			failed++
		} else {
			done++
		}
		if r.Changed {
			b.Changed++
		}
	}
	m.chunks[c.ID].finished = true
	b.Done, b.Failed, b.ChunksFinished = b.Done+done, b.Failed+failed, b.ChunksFinished+1
	if b.Chunks == b.ChunksFinished && b.State != assess.Receiving {
		b.FinishedAt = stored(at)
		if b.State == assess.Working {
			b.State = assess.BatchDone
		}
	}
	return b.Batch, !b.FinishedAt.IsZero(), nil
}

// WaitingChunks implements [assess.BatchStore].
func (m *Memory) WaitingChunks(ctx context.Context, before, after time.Time, limit int) ([]assess.Chunk, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var waiting []*chunk
	for _, c := range m.chunks {
		if !c.finished && (c.enqueued.Before(stored(before)) || c.enqueued.After(stored(after))) {
			waiting = append(waiting, c)
		}
	}
	slices.SortFunc(waiting, func(a, b *chunk) int {
		if c := a.enqueued.Compare(b.enqueued); c != 0 {
			return c
		}
		return strings.Compare(a.id, b.id)
	})
	var list []assess.Chunk
	for _, c := range waiting[:min(limit, len(waiting))] {
		list = append(list, assess.Chunk{ID: c.id, Attempt: c.attempt})
	}
	return list, nil
}

// ChunkEnqueued implements [assess.BatchStore].
func (m *Memory) ChunkEnqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	if c := m.chunks[id]; c != nil && !c.finished && c.attempt <= attempt {
		c.attempt, c.enqueued = attempt, stored(at)
	}
	return nil
}
