package assess

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"laidup/internal/logging"
)

// Lane is a kind of work that waits for workers.
type Lane string

// The lanes.
const (
	Assessments Lane = "assessments" // those that are not of a batch
	Chunks      Lane = "chunks"
	PlansLane   Lane = "plans"
)

// TurnStore says who waits. A task of the queue says that there is work; the store says whose turn it is.
type TurnStore interface {
	// Queueing lists the organisations that have something in a lane that no worker has begun with.
	Queueing(ctx context.Context, lane Lane) ([]string, error)
	// Take marks what of an organisation waits longest in a lane as begun with, and returns its id; [ErrNotFound] where
	// nothing waits.
	Take(ctx context.Context, lane Lane, organisation string) (id string, err error)
}

// lookedUpFor is how long it is taken for granted who waits.
const lookedUpFor = 100 * time.Millisecond

// turns shares the time of this process among organisations: where several wait, the one goes first that has had least of it
// since they wait side by side. Each process does so by itself, whatever others do.
type turns struct {
	store TurnStore // nil: first come, first served

	mu     sync.Mutex
	now    time.Duration            // how much those have had whose turn it was last
	had    map[string]time.Duration // by organisation; none: as much as now
	lanes  map[Lane]queueing
	inHand map[string]bool // the work that this process has begun with, by its id
}

type queueing struct {
	organisations []string
	at            time.Time
}

func newTurns(store TurnStore) *turns {
	return &turns{store: store, had: map[string]time.Duration{}, lanes: map[Lane]queueing{}, inHand: map[string]bool{}}
}

// queueing lists who waits in a lane, as of now or of a moment ago.
func (t *turns) queueing(ctx context.Context, lane Lane, atLeast time.Time) ([]string, error) {
	t.mu.Lock()
	known := t.lanes[lane]
	t.mu.Unlock()
	if !known.at.IsZero() && known.at.After(atLeast) {
		return known.organisations, nil
	}
	at := time.Now()
	all, err := t.store.Queueing(ctx, lane)
	if err != nil {
		return nil, err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.lanes[lane] = queueing{all, at}
	return all, nil
}

// next is whose turn it is of those given. What one had while others did not wait does not count.
func (t *turns) next(of []string) string {
	t.mu.Lock()
	defer t.mu.Unlock()
	least := func(a, b string) int {
		return int(max(t.had[a], t.now) - max(t.had[b], t.now))
	}
	organisation := slices.MinFunc(of, least)
	t.now = max(t.had[organisation], t.now)
	t.had[organisation] = t.now
	for o, had := range t.had {
		if had < t.now {
			delete(t.had, o)
		}
	}
	return organisation
}

// charge notes how much time an organisation had.
func (t *turns) charge(organisation string, took time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.had[organisation] = max(t.had[organisation], t.now) + took
}

// alone works on something unless this process does so already.
func (t *turns) alone(ctx context.Context, id string, work func(context.Context, string) error) (begun bool, err error) {
	t.mu.Lock()
	if t.inHand[id] {
		t.mu.Unlock()
		return false, nil
	}
	t.inHand[id] = true
	t.mu.Unlock()
	defer func() { // after a panic, too: the next try is not kept out
		t.mu.Lock()
		delete(t.inHand, id)
		t.mu.Unlock()
	}()
	return true, work(ctx, id)
}

// ScoreNext is told by a task that there is an assessment to work out. It works out that one, or another whose turn it is.
// Errors are those of [Service.Score].
func (s *Service) ScoreNext(ctx context.Context, id string) error {
	return s.turn(ctx, Assessments, id, s.Score)
}

// WorkNextChunk does the same for chunks of batches.
func (s *Service) WorkNextChunk(ctx context.Context, id string) error {
	return s.turn(ctx, Chunks, id, s.WorkChunk)
}

// MakeNextPlan does the same for plans.
func (s *Service) MakeNextPlan(ctx context.Context, id string) error {
	return s.turn(ctx, PlansLane, id, s.MakePlan)
}

// turn works on what a task says, or in its stead on what of another organisation has its turn first. There are as many
// tasks as there is work: one that finds its own work done by another does the work that was left for that.
func (s *Service) turn(ctx context.Context, lane Lane, id string, work func(context.Context, string) error) error {
	if s.turns.store == nil {
		return work(ctx, id)
	}
	waiting, err := s.turns.queueing(ctx, lane, time.Now().Add(-lookedUpFor))
	if err != nil {
		return err
	}
	if len(waiting) > 1 {
		if done, err := s.inTurn(ctx, lane, id, waiting, work); done {
			return err
		}
	}
	if begun, worked := s.turns.alone(ctx, id, work); begun {
		if err = worked; !nothingToDo(err) {
			return err
		}
	}
	if waiting, again := s.turns.queueing(ctx, lane, time.Now()); again == nil && len(waiting) > 0 {
		if done, other := s.inTurn(ctx, lane, id, waiting, work); done {
			return other
		}
	}
	return err
}

// nothingToDo says that somebody else has done the work, or that it is gone.
func nothingToDo(err error) bool { return errors.Is(err, ErrFinished) || errors.Is(err, ErrNotFound) }

// inTurn works on what has its turn of those who wait; done is false where in the end nothing does.
func (s *Service) inTurn(ctx context.Context, lane Lane, id string, waiting []string, work func(context.Context, string) error) (done bool, err error) {
	for waiting = slices.Clone(waiting); len(waiting) > 0; {
		organisation := s.turns.next(waiting)
		other, err := s.turns.store.Take(ctx, lane, organisation)
		if errors.Is(err, ErrNotFound) {
			waiting = slices.DeleteFunc(waiting, func(o string) bool { return o == organisation })
			continue
		}
		if err != nil {
			return true, err
		}
		if other != id { // the request that brought the task did not bring this
			ctx = logging.Without(ctx, "request")
		}
		began := time.Now()
		begun, err := s.turns.alone(ctx, other, work)
		if !begun {
			continue
		}
		s.turns.charge(organisation, time.Since(began))
		if !nothingToDo(err) {
			return true, err
		}
	}
	return false, nil
}
