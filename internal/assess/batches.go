package assess

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"

	"laidup/internal/logging"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// MaxRescored is how many vehicles one order may have scored again.
const MaxRescored = 100_000

// rescoreLines is how many vehicles a worker scores again at once.
const rescoreLines = 50

// Summary is what lists of many show of an assessment.
type Summary struct {
	Verdict   score.Verdict `json:"verdict"`
	Gates     []SummaryGate `json:"gates"`
	Condition score.Range   `json:"condition"`
	Coverage  score.Share   `json:"coverage"` // of what applies, what was looked at
	Applying  int           `json:"applying"`
	LookedAt  int           `json:"looked_at"`
}

// SummaryGate is the state of a gate in a list.
type SummaryGate struct {
	Gate              string      `json:"gate"`
	State             string      `json:"state"`
	Blockers          int         `json:"blockers"`
	ChanceThrough     score.Share `json:"chance_through"`
	ChanceThroughLow  score.Share `json:"chance_through_low,omitzero"` // 80 % range
	ChanceThroughHigh score.Share `json:"chance_through_high,omitzero"`
}

// SummaryOf sums an assessment up.
func SummaryOf(a *score.Assessment) Summary {
	s := Summary{Verdict: a.Verdict, Gates: []SummaryGate{}, Condition: a.Condition.Range, Coverage: a.Coverage.Share, Applying: a.Coverage.Applying, LookedAt: a.Coverage.LookedAt}
	for _, g := range a.Gates {
		s.Gates = append(s.Gates, SummaryGate{g.Gate, g.State, g.Blockers, g.ChanceThrough, g.ChanceThroughLow, g.ChanceThroughHigh})
	}
	return s
}

// RescoreOrder asks for vehicles to be scored again under another rule set.
type RescoreOrder struct {
	RuleSet string // "name" or "name/version"
	Gate    string // the gate asked about; empty: that of each assessment
	Of      RescoreScope
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	IdempotencyKey string
}

// Rescored is what comes of scoring a vehicle again. Nothing that is stored changes by it.
type Rescored struct {
	Vehicle    string        `json:"vehicle"`
	Assessment string        `json:"assessment"` // the one that it is compared with
	From       Scored        `json:"from"`
	To         Scored        `json:"to"`
	Changed    bool          `json:"changed"`           // anything at all
	Decides    bool          `json:"decides_otherwise"` // a gate's state, or what blocks one
	Changes    score.Changes `json:"changes"`
}

// Scored is the answer under one rule set.
type Scored struct {
	RuleSet score.RuleSet `json:"rule_set"`
	Verdict score.Verdict `json:"verdict"`
}

// Rescore has vehicles scored again, each as of its newest finished assessment, or as of those that
// came of a batch, under another rule set. The error may be [ErrNoSuchRuleSet], a [*NoSuchGateError],
// a [*NoSuchVehiclesError], [ErrTooManyLines], [ErrKeyReused], [ErrNotFound] for the batch, or one of the store's.
func (own Account) Rescore(ctx context.Context, o RescoreOrder) (Batch, bool, error) {
	s := own.service
	asked, err := json.Marshal(o.Of)
	if err != nil {
		return Batch{}, false, fmt.Errorf("encode scope: %w", err)
	}
	head := BatchHead{
		Organisation: own.organisation, Kind: Rescore,
		IdempotencyKey: o.IdempotencyKey, Fingerprint: fingerprint(o.Gate, o.RuleSet, append([]byte(Rescore), asked...)), At: s.clock(),
	}
	if b, known, err := own.under(ctx, &head, o.RuleSet, o.Gate); err != nil || known {
		return b, known, err
	}
	head.ID, head.Gate = s.newID(), o.Gate // no gate: each vehicle's own
	name := func(number int) string { return chunkID(head.ID, number) }
	b, known, err := s.batches.OpenRescore(ctx, head, o.Of, rescoreLines, MaxRescored, name)
	if err != nil || known {
		return b, known, err
	}
	s.log.InfoContext(ctx, "rescore ordered", "batch", b.ID, "vehicles", b.Lines, "rule_set", head.RuleSet.Name+"/"+head.RuleSet.Version)
	for i := range b.Chunks {
		if !s.hand(context.WithoutCancel(ctx), s.byTheChunk(), errand{name(i + 1), firstAttempt}, senderWaits) {
			break // the sweep does it
		}
	}
	return b, false, nil
}

// Batch returns a stored batch.
func (own Account) Batch(ctx context.Context, id string) (Batch, error) {
	return own.service.batches.Batch(ctx, own.organisation, id)
}

// Batches lists batches; the organisation of the page is filled in.
func (own Account) Batches(ctx context.Context, p BatchPage) ([]Batch, error) {
	p.Organisation = own.organisation
	return own.service.batches.Batches(ctx, p)
}

// Lines returns up to limit lines of a batch after one, with what has become of each.
func (own Account) Lines(ctx context.Context, id string, after, limit int) ([]Line, error) {
	return own.service.batches.Lines(ctx, own.organisation, id, after, limit)
}

// CancelBatch cancels a batch: what no worker has begun with will not be worked on. Reports of it that
// are stored stay, and their assessments have failed: they can be tried again one by one. The error is
// [ErrNotFound] or [ErrBatchClosed].
func (own Account) CancelBatch(ctx context.Context, id string) (Batch, error) {
	b, err := own.service.batches.CancelBatch(ctx, own.organisation, id, own.service.clock())
	if err == nil {
		own.service.changed(aboutAll(own.organisation))
		own.service.log.InfoContext(ctx, "batch cancelled", "batch", id)
	}
	return b, err
}

// WorkChunk works on a chunk of a batch and writes what came of it once. The error is [ErrNotFound] or
// [ErrFinished] where there is nothing to do, else one worth a retry, which goes on where this ended.
func (s *Service) WorkChunk(ctx context.Context, id string) error {
	c, err := s.batches.Chunk(ctx, id)
	if err != nil {
		return err
	}
	ctx = logging.With(ctx, slog.String("batch", c.Batch.ID), slog.Int("chunk", c.Number), slog.String("organisation", c.Batch.Organisation))
	lines, err := s.batches.ChunkLines(ctx, c)
	if err != nil {
		return err
	}
	var results []LineResult
	if c.Batch.Kind == Rescore {
		results, err = s.rescoreLines(ctx, c, lines)
	} else {
		err = s.scoreLines(ctx, c, lines)
	}
	if err != nil {
		return err
	}
	b, done, err := s.batches.FinishChunk(ctx, c, results, s.clock())
	if err != nil {
		return err
	}
	s.tell.ChunkFinished()
	if done {
		s.changed(aboutAll(b.Organisation))
		s.log.InfoContext(ctx, "batch finished", "state", b.State, "lines", b.Lines, "refused", b.Refused, "done", b.Done, "failed", b.Failed)
	}
	return nil
}

// cancelled is why an assessment of a cancelled batch was not made.
var cancelled = &UnscorableError{"Cancelled", "its batch was cancelled before it was worked out: try it again by itself if it is wanted"}

// scoreLines works out what of the chunk is not finished yet.
func (s *Service) scoreLines(ctx context.Context, c Chunk, lines []Line) error {
	var failed []error
	for _, l := range lines {
		if l.Assessment.ID == "" || !l.Assessment.FinishedAt.IsZero() {
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		var err error
		if c.Batch.State == Cancelled {
			err = s.failFor(ctx, l.Assessment.ID, cancelled)
		} else {
			err = s.Score(ctx, l.Assessment.ID)
		}
		switch {
		case err == nil, errors.Is(err, ErrFinished), errors.Is(err, ErrNotFound):
		case errors.Is(err, ErrUnavailable):
			return err
		default:
			failed = append(failed, err)
		}
	}
	return errors.Join(failed...)
}

func (s *Service) failFor(ctx context.Context, id string, why *UnscorableError) error {
	problem, err := json.Marshal(why)
	if err != nil {
		return fmt.Errorf("encode problem of %s: %w", id, err)
	}
	return s.store.Fail(ctx, id, problem, s.clock())
}

// rescoreLines scores the vehicles of a chunk again.
func (s *Service) rescoreLines(ctx context.Context, c Chunk, lines []Line) ([]LineResult, error) {
	results := make([]LineResult, 0, len(lines))
	for _, l := range lines {
		r := LineResult{Number: l.Number}
		again, err := s.rescore(ctx, c, l)
		var unscorable *UnscorableError
		switch {
		case errors.As(err, &unscorable):
			r.Problem = lineProblem{"/problems/not-scored-again", unscorable.Title, unscorable.Detail, nil}.encode()
		case err != nil:
			return nil, err
		default:
			r.Changed = again.Changed
			if r.Result, err = json.Marshal(again); err != nil {
				return nil, fmt.Errorf("encode result of line %d: %w", l.Number, err)
			}
		}
		results = append(results, r)
	}
	return results, nil
}

func (s *Service) rescore(ctx context.Context, c Chunk, l Line) (again *Rescored, err error) {
	switch {
	case c.Batch.State == Cancelled:
		return nil, &UnscorableError{"Cancelled", "the order was cancelled before it was worked on"}
	case c.Attempt > maxStarts:
		return nil, &UnscorableError{"Given up", fmt.Sprintf("workers began with it %d times and none finished: tell us the batch %s", c.Attempt, c.Batch.ID)}
	}
	ctx = logging.With(ctx, slog.Int("line", l.Number))
	err = logging.Guard(ctx, s.log, func() (err error) {
		again, err = s.rescoreLine(ctx, c, l)
		return err
	})
	if panicked(err) {
		return nil, &UnscorableError{"Something went wrong here", fmt.Sprintf("this is our fault, not that of the reports: tell us the batch %s and the line", c.Batch.ID)}
	}
	return again, err
}

func (s *Service) rescoreLine(ctx context.Context, c Chunk, l Line) (*Rescored, error) {
	own := s.For(c.Batch.Organisation)
	id := l.Assessment.ID
	if id == "" {
		v, err := own.Vehicle(ctx, l.Vehicle)
		switch {
		case errors.Is(err, ErrNotFound) || err == nil && v.Newest == nil:
			return nil, &UnscorableError{"Not assessed yet", "the vehicle has no finished assessment to compare with"}
		case err != nil:
			return nil, err
		}
		id = v.Newest.ID
	}
	a, err := own.Assessment(ctx, id)
	switch {
	case err != nil:
		return nil, err
	case a.State != Done:
		return nil, &UnscorableError{"Not assessed yet", fmt.Sprintf("its assessment is %s: there is nothing to compare with", a.State)}
	}
	a.Organisation = c.Batch.Organisation
	return s.compare(ctx, a, c.Batch.RuleSet, c.Batch.Gate)
}

// compare works an assessment out under another rule set and says what is different.
func (s *Service) compare(ctx context.Context, a Assessment, ref RuleSetRef, asked string) (*Rescored, error) {
	scorer, err := s.shelf.version(ctx, a.Organisation, ref)
	var gone *UnscorableError
	if errors.As(err, &gone) {
		return nil, &UnscorableError{gone.Title, gone.Detail + "; order it again under a rule set that is there (GET /v1/rule_sets)"}
	}
	if err != nil {
		return nil, err
	}
	set := scorer.RuleSet()
	if asked == "" {
		asked = a.Gate
	}
	gate := slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == asked })
	if gate < 0 {
		return nil, &UnscorableError{"No such gate", fmt.Sprintf("the gate asked about, %s, is none of rule set %s %s: name one of its own", asked, set.Name, set.Version)}
	}
	reports, err := s.reports(ctx, a, set)
	if err != nil {
		return nil, err
	}
	result := scorer.Evaluate(reports, gate)
	wording.English().Write(result)
	result.ID, result.Report = a.ID, a.ReportID
	body, err := result.JSON()
	if err != nil {
		return nil, fmt.Errorf("encode assessment %s: %w", a.ID, err)
	}
	// Both are read from their stored form, so that one is not finer than the other.
	var before, after score.Assessment
	if err := errors.Join(json.Unmarshal(a.Outcome.Body, &before), json.Unmarshal(body, &after)); err != nil {
		return nil, fmt.Errorf("read assessment %s: %w", a.ID, err)
	}
	changes := after.ChangesFrom(&before)
	return &Rescored{
		Vehicle: a.Vehicle, Assessment: a.ID,
		From: Scored{before.RuleSet, before.Verdict}, To: Scored{after.RuleSet, after.Verdict},
		Changed: before.Verdict != after.Verdict || changes.Any(), Decides: before.Verdict.State != after.Verdict.State || changes.Decide(), Changes: changes,
	}, nil
}

// sweptChunks is how many chunks one sweep looks at: those that are held are looked at again behind the
// others, and few at a time are enough to keep workers busy after the queue was lost.
const sweptChunks = 50
