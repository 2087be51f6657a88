package worker_test

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"laidup/internal/assess"
	"laidup/worker"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// tasks serves by waiting for the end; the function it was given is called by the test.
type tasks struct {
	handle assess.Handlers
	err    error
}

func (s *tasks) Serve(ctx context.Context, concurrency int, grace time.Duration, handle assess.Handlers) error {
	if concurrency < 1 || grace <= 0 {
		return fmt.Errorf("concurrency %d, grace %v", concurrency, grace)
	}
	if s.err != nil {
		return s.err
	}
	s.handle = handle
	<-ctx.Done()
	return nil
}

type scorer struct {
	score  func(id string) error
	sweep  func() (int, error)
	sweeps atomic.Int64
}

func (s *scorer) ScoreNext(_ context.Context, id string) error { return s.score(id) }

func (s *scorer) WorkNextChunk(_ context.Context, id string) error { return s.score(id) }

func (s *scorer) MakeNextPlan(_ context.Context, id string) error { return s.score(id) }

func (s *scorer) Sweep(context.Context) (int, error) {
	s.sweeps.Add(1)
	return s.sweep()
}

func TestErrorsDecideWhetherATaskComesAgain(t *testing.T) {
	t.Parallel()
	broken := errors.New("disk is gone")
	synctest.Test(t, func(t *testing.T) {
		queue := &tasks{}
		s := &scorer{
			sweep: func() (int, error) { return 0, nil },
			score: func(id string) error {
				switch id {
				case "unknown":
					return fmt.Errorf("assessment: %w", assess.ErrNotFound)
				case "finished":
					return fmt.Errorf("assessment: %w", assess.ErrFinished)
				case "broken":
					return broken
				case "panics":
					panic("on purpose")
				}
				return nil
			},
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- worker.New(worker.Options{Tasks: queue, Scorer: s}).Run(ctx) }()
		synctest.Wait()
		for id, again := range map[string]bool{"good": false, "unknown": false, "finished": false, "broken": true, "panics": true} {
			for what, handle := range map[string]func(context.Context, string) error{"assessment": queue.handle.Assessment, "chunk": queue.handle.Chunk} {
				if err := handle(ctx, id); (err != nil) != again {
					t.Errorf("%s %s: %v", what, id, err)
				}
			}
		}
		if err := queue.handle.Assessment(ctx, "broken"); !errors.Is(err, broken) {
			t.Errorf("the cause is lost: %v", err)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

func TestSweepsComeAtOnceAndGoOnWhateverHappens(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		s := &scorer{}
		s.sweep = func() (int, error) {
			switch s.sweeps.Load() {
			case 1:
				panic("on purpose")
			case 2:
				return 0, errors.New("disk is gone")
			}
			return 3, nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() {
			done <- worker.New(worker.Options{Tasks: &tasks{}, Scorer: s, SweepEvery: time.Minute}).Run(ctx)
		}()
		for turn := range 4 {
			synctest.Wait()
			if n := s.sweeps.Load(); n != int64(turn+1) {
				t.Errorf("%d sweeps after %d minutes", n, turn)
			}
			time.Sleep(time.Minute)
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

func TestAQueueThatCannotBeServedEndsTheWorker(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		broken := errors.New("already running")
		s := &scorer{sweep: func() (int, error) { return 0, nil }}
		if err := worker.New(worker.Options{Tasks: &tasks{err: broken}, Scorer: s}).Run(t.Context()); !errors.Is(err, broken) {
			t.Errorf("Run: %v, want %v", err, broken)
		}
	})
}
