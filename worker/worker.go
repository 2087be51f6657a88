// Package worker works assessments out and makes plans: it takes them from the queue as they come, and sweeps up
// those that the queue has lost.
package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"time"

	"laidup/internal/assess"
	"laidup/internal/logging"
)

// Scorer does the work.
type Scorer interface {
	// ScoreNext works the assessment out, or another whose turn it is, and stores it. [assess.ErrNotFound] and
	// [assess.ErrFinished] mean that there is nothing to do; any other error, that it is worth another try.
	ScoreNext(ctx context.Context, assessmentID string) error
	// WorkNextChunk works on a chunk of a batch, as ScoreNext does on an assessment.
	WorkNextChunk(ctx context.Context, chunkID string) error
	// MakeNextPlan makes a plan, in the same way.
	MakeNextPlan(ctx context.Context, planID string) error
	// Sweep hands what has waited too long to the queue again and returns how many.
	Sweep(ctx context.Context) (int, error)
}

// Tasks brings the work.
type Tasks interface {
	// Serve calls handle for assessments, plans and chunks of batches, up to concurrency of them at once, until ctx ends. It
	// then waits up to grace for those in hand. One whose handle returned an error comes again.
	Serve(ctx context.Context, concurrency int, grace time.Duration, handle assess.Handlers) error
}

// Options says what a worker works with.
type Options struct {
	Tasks  Tasks
	Scorer Scorer
	// Concurrency is how many assessments are worked out at once; zero means one a processor.
	Concurrency int
	// Grace is how long work in hand may take once the worker is told to stop; zero means 8 s.
	Grace time.Duration
	// SweepEvery is the time between two sweeps; zero means 5 s.
	SweepEvery time.Duration
	// Logger gets what goes wrong; nil discards it.
	Logger *slog.Logger
}

// Worker takes assessments from the queue and works them out.
type Worker struct{ o Options }

// New returns a worker.
func New(o Options) *Worker {
	if o.Concurrency <= 0 {
		o.Concurrency = runtime.GOMAXPROCS(0)
	}
	if o.Grace <= 0 {
		o.Grace = 8 * time.Second
	}
	if o.SweepEvery <= 0 {
		o.SweepEvery = 5 * time.Second
	}
	o.Logger = logging.Carrying(o.Logger)
	return &Worker{o}
}

// Run works until ctx ends and the work in hand is done or given back to the queue. The error is
// that of a queue which could not be served.
func (w *Worker) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var sweeps sync.WaitGroup
	sweeps.Go(func() { w.sweep(ctx) })
	defer sweeps.Wait()
	defer cancel()
	if err := w.o.Tasks.Serve(ctx, w.o.Concurrency, w.o.Grace, assess.Handlers{Assessment: w.work("assessment", w.o.Scorer.ScoreNext), Chunk: w.work("chunk", w.o.Scorer.WorkNextChunk), Plan: w.work("plan", w.o.Scorer.MakeNextPlan)}); err != nil {
		return fmt.Errorf("serve tasks: %w", err)
	}
	return nil
}

// work does a piece of work that may turn out to be done already.
func (w *Worker) work(what string, do func(context.Context, string) error) func(context.Context, string) error {
	return func(ctx context.Context, id string) error {
		err := w.guard(ctx, func() error { return do(ctx, id) })
		if errors.Is(err, assess.ErrFinished) || errors.Is(err, assess.ErrNotFound) {
			w.o.Logger.DebugContext(ctx, "nothing to do", what, id, "reason", err)
			return nil
		}
		if err != nil {
			return fmt.Errorf("work on %s %s: %w", what, id, err)
		}
		return nil
	}
}

// sweep sweeps at once, for what was lost while no worker ran, and then again and again.
func (w *Worker) sweep(ctx context.Context) {
	tick := time.NewTicker(w.o.SweepEvery)
	defer tick.Stop()
	for {
		var swept int
		err := w.guard(ctx, func() (err error) {
			swept, err = w.o.Scorer.Sweep(ctx)
			return err
		})
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			w.o.Logger.WarnContext(ctx, "sweep failed", "error", err)
		case swept > 0:
			w.o.Logger.InfoContext(ctx, "work handed to the queue again", "count", swept)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// guard turns a panic of do into an error, so that one bad report cannot end the process.
func (w *Worker) guard(ctx context.Context, do func() error) error {
	return logging.Guard(ctx, w.o.Logger, do)
}
