package queue

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/hibiken/asynq"

	"laidup/internal/assess"
	"laidup/internal/logging"
	"laidup/internal/origin"
)

// Serve gives the tasks of the queue to handle, up to concurrency assessments at once and beside them somewhat fewer chunks
// and plans, which take longer and never keep an assessment waiting, until ctx ends. It then takes no more, waits up to
// grace for those in hand, gives back to the queue what is not done by then, and returns nil.
//
// A task whose handle returns an error or panics is tried again after a few seconds. A task may be
// handed out more than once, even at one time: when a worker was thought dead, for example.
//
// The context that handle gets does not end with ctx but after a minute, or when the task was
// given back.
func (q *Queue) Serve(ctx context.Context, concurrency int, grace time.Duration, handle assess.Handlers) error {
	// Not asynq's ServeMux: it would also hand over kinds that merely begin like ours.
	handler := asynq.HandlerFunc(func(ctx context.Context, task *asynq.Task) error {
		switch task.Type() {
		case KindScore:
			t, err := DecodeScoreTask(task.Payload())
			if err != nil {
				return fmt.Errorf("%w: %w", err, asynq.SkipRetry)
			}
			return handle.Assessment(jobContext(ctx, task), t.AssessmentID)
		case KindChunk:
			t, err := DecodeChunkTask(task.Payload())
			if err != nil {
				return fmt.Errorf("%w: %w", err, asynq.SkipRetry)
			}
			return handle.Chunk(jobContext(ctx, task), t.ChunkID)
		case KindPlan:
			t, err := DecodePlanTask(task.Payload())
			if err != nil {
				return fmt.Errorf("%w: %w", err, asynq.SkipRetry)
			}
			return handle.Plan(jobContext(ctx, task), t.PlanID)
		}
		return fmt.Errorf("task of unknown kind %q: %w", task.Type(), asynq.SkipRetry)
	})
	var ends []func()
	defer func() {
		var ending sync.WaitGroup
		for _, end := range ends {
			ending.Go(end)
		}
		ending.Wait()
	}()
	for _, part := range []struct {
		lanes       []lane
		concurrency int
	}{
		{[]lane{assessments}, concurrency},
		{[]lane{chunks, plans}, max(1, concurrency-1)},
	} {
		end, err := q.start(handler, part.concurrency, grace, part.lanes...)
		if err != nil {
			return fmt.Errorf("serve queue: %w", err)
		}
		ends = append(ends, end)
	}
	<-ctx.Done()
	return nil
}

// start serves some lanes until end is called, which waits for work in hand.
func (q *Queue) start(handler asynq.Handler, concurrency int, grace time.Duration, of ...lane) (end func(), err error) {
	weights := map[string]int{}
	for _, l := range of {
		weights[l.name] = l.weight
	}
	server := asynq.NewServerFromRedisClient(q.redis, asynq.Config{
		Queues:                   weights,
		Concurrency:              concurrency,
		ShutdownTimeout:          grace,
		TaskCheckInterval:        time.Millisecond, // who looks for tasks waits at the bell
		DelayedTaskCheckInterval: 2 * time.Second,
		RetryDelayFunc: func(retried int, _ error, _ *asynq.Task) time.Duration {
			return time.Duration(retried+1) * 2 * time.Second
		},
		ErrorHandler: asynq.ErrorHandlerFunc(func(ctx context.Context, task *asynq.Task, err error) {
			id, _ := asynq.GetTaskID(ctx)
			q.logger.WarnContext(jobContext(ctx, task), "task failed", "task", id, "panic", asynq.IsPanicError(err), "error", err)
		}),
		Logger:   logger{q.logger},
		LogLevel: asynq.InfoLevel,
	})
	b := newBell(of...)
	q.bells.hang(b)
	if err := server.Start(handler); err != nil {
		q.bells.takeDown(b)
		return nil, err
	}
	return func() {
		b.close()
		server.Shutdown()
		q.bells.takeDown(b)
	}, nil
}

// jobContext is the context of a task that is worked on: it carries where the task comes from, and
// what its lines in the log have.
func jobContext(ctx context.Context, task *asynq.Task) context.Context {
	from := originOf(task.Headers())
	ctx = origin.With(ctx, from)
	var attrs []slog.Attr
	if from.Request != "" {
		attrs = append(attrs, slog.String("request", from.Request))
	}
	id, _ := asynq.GetTaskID(ctx)
	for _, l := range lanes {
		if of, attempt, ok := l.attemptOf(id); ok {
			attrs = append(attrs, slog.String(l.subject, of), slog.Int("attempt", attempt))
		}
	}
	if retried, _ := asynq.GetRetryCount(ctx); retried > 0 {
		attrs = append(attrs, slog.Int("retried", retried))
	}
	return logging.With(ctx, attrs...)
}

// clientLog lets the Redis client write to a structured log. What goes wrong comes as an error too.
type clientLog struct{ to *slog.Logger }

func (l clientLog) Printf(ctx context.Context, format string, args ...any) {
	l.to.DebugContext(ctx, fmt.Sprintf(format, args...), "by", "redis")
}

// logger lets asynq write to a structured log. What asynq says in passing is of no interest at
// the levels that are usually on; its fatal errors are ours to judge.
type logger struct{ to *slog.Logger }

func (l logger) Debug(args ...any) { l.to.Debug(fmt.Sprint(args...), "by", "asynq") }
func (l logger) Info(args ...any)  { l.to.Debug(fmt.Sprint(args...), "by", "asynq") }
func (l logger) Warn(args ...any)  { l.to.Warn(fmt.Sprint(args...), "by", "asynq") }
func (l logger) Error(args ...any) { l.to.Error(fmt.Sprint(args...), "by", "asynq") }
func (l logger) Fatal(args ...any) { l.to.Error(fmt.Sprint(args...), "by", "asynq") }
