package queue_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/hibiken/asynq"
	"go.uber.org/goleak"

	"laidup/internal/assess"
	"laidup/internal/queue"
	"laidup/internal/testserver"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a test waits for what must come.
const patience = 30 * time.Second

// onEachRedis runs test with an empty queue in a Redis server and in the one inside the process.
func onEachRedis(t *testing.T, test func(t *testing.T, q *queue.Queue)) {
	t.Parallel()
	for name, address := range map[string]func(testing.TB) string{
		"server":     testserver.Redis,
		"in process": func(testing.TB) string { return "" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t, open(t, address(t)))
		})
	}
}

func open(t *testing.T, address string) *queue.Queue {
	t.Helper()
	q, err := queue.Open(queue.Options{RedisURL: address})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := q.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	return q
}

// serve serves q until the test ends or stop is called, which returns when Serve has.
func serve(t *testing.T, q *queue.Queue, grace time.Duration, handle func(context.Context, string) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	serving.Go(func() {
		if err := q.Serve(ctx, 4, grace, assess.Handlers{Assessment: handle, Chunk: handle, Plan: handle}); err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	stop = func() {
		cancel()
		serving.Wait()
	}
	t.Cleanup(stop)
	return stop
}

func enqueue(t *testing.T, q *queue.Queue, id string, attempt int) {
	t.Helper()
	if err := q.Enqueue(t.Context(), id, attempt); err != nil {
		t.Fatal(err)
	}
}

func holds(t *testing.T, q *queue.Queue, id string, attempt int) bool {
	t.Helper()
	held, err := q.Holds(t.Context(), id, attempt)
	if err != nil {
		t.Fatal(err)
	}
	return held
}

// eventually waits until is holds.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(patience); !is(); {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("not in time: %s", what)
		}
	}
}

// next waits for the next value.
func next(t *testing.T, from <-chan string) string {
	t.Helper()
	select {
	case v := <-from:
		return v
	case <-time.After(patience):
		t.Fatal("nothing came in time")
		return ""
	}
}

func depth(t *testing.T, q *queue.Queue) queue.Depth {
	t.Helper()
	all, err := q.Depth(t.Context())
	d := all["assessment"]
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestAnAttemptIsHandedOutOnce(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		if err := q.Ping(t.Context()); err != nil {
			t.Fatal(err)
		}
		if d := depth(t, q); d != (queue.Depth{}) {
			t.Errorf("an empty queue has %+v", d)
		}
		for range 3 {
			enqueue(t, q, "a", 1)
		}
		enqueue(t, q, "b", 1)
		if !holds(t, q, "a", 1) || holds(t, q, "a", 2) || holds(t, q, "c", 1) {
			t.Error("the queue holds other attempts than it was handed")
		}
		if d := depth(t, q); d != (queue.Depth{Pending: 2}) {
			t.Errorf("two attempts are %+v", d)
		}
		got := make(chan string, 10)
		stop := serve(t, q, time.Second, func(_ context.Context, id string) error { got <- id; return nil })
		if one, two := next(t, got), next(t, got); one == two {
			t.Errorf("%s came twice", one)
		}
		eventually(t, "an empty queue", func() bool { return depth(t, q) == queue.Depth{} })
		stop()
		if len(got) > 0 {
			t.Errorf("%s came again", <-got)
		}
		if holds(t, q, "a", 1) {
			t.Error("the queue holds an attempt that is done")
		}
	})
}

func TestAnAttemptThatAWorkerHasIsNotHeld(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		enqueue(t, q, "a", 1)
		taken, finish := make(chan string), make(chan struct{})
		serve(t, q, patience, func(_ context.Context, id string) error { taken <- id; <-finish; return nil })
		next(t, taken)
		if holds(t, q, "a", 1) {
			t.Error("the queue holds an attempt that a worker has")
		}
		if d := depth(t, q); d != (queue.Depth{Active: 1}) {
			t.Errorf("an attempt that a worker has is %+v", d)
		}
		enqueue(t, q, "a", 1) // while it runs: harmless
		close(finish)
	})
}

func TestWhatGoesWrongIsTriedAgain(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		enqueue(t, q, "fails", 1)
		enqueue(t, q, "panics", 1)
		var mu sync.Mutex
		tries := map[string]int{}
		done := make(chan string, 2)
		serve(t, q, time.Second, func(_ context.Context, id string) error {
			mu.Lock()
			tries[id]++
			first := tries[id] == 1
			mu.Unlock()
			switch {
			case first && id == "fails":
				return errors.New("the store is busy")
			case first:
				panic("on purpose")
			}
			done <- id
			return nil
		})
		eventually(t, "two that wait for their next try", func() bool { return depth(t, q) == queue.Depth{Retry: 2} })
		if !holds(t, q, "fails", 1) || !holds(t, q, "panics", 1) {
			t.Error("the queue does not hold an attempt that will be tried again")
		}
		next(t, done)
		next(t, done)
	})
}

func TestWorkInHandIsFinishedBeforeServeReturns(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		enqueue(t, q, "a", 1)
		// Of "b" there may be word too: whether it is taken before the end is not what is asked here.
		taken, finish, done := make(chan string, 2), make(chan struct{}), make(chan string, 2)
		stop := serve(t, q, patience, func(ctx context.Context, id string) error {
			taken <- id
			<-finish
			if ctx.Err() != nil {
				t.Error("the context of work in hand has ended")
			}
			done <- id
			return nil
		})
		next(t, taken)
		stopped := make(chan string)
		go func() { stop(); close(stopped) }()
		enqueue(t, q, "b", 1)
		close(finish)
		next(t, done)
		next(t, stopped)
	})
}

func TestWorkThatTakesTooLongGoesBackToTheQueue(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		enqueue(t, q, "a", 1)
		taken := make(chan string)
		stop := serve(t, q, 10*time.Millisecond, func(ctx context.Context, id string) error {
			taken <- id
			<-ctx.Done()
			return ctx.Err()
		})
		next(t, taken)
		stop()
		eventually(t, "an attempt that was given back", func() bool { return holds(t, q, "a", 1) })
		if d := depth(t, q); d != (queue.Depth{Pending: 1}) {
			t.Errorf("an attempt that was given back is %+v", d)
		}
		serve(t, q, time.Second, func(_ context.Context, id string) error { taken <- id; return nil })
		next(t, taken)
	})
}

func TestTasksOfOthersArePutAside(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		client := asynq.NewClientFromRedisClient(queue.Redis(q))
		for _, task := range []*asynq.Task{
			asynq.NewTask(queue.KindScore+":all", []byte(`{"assessment_id":"a"}`)),
			asynq.NewTask(queue.KindScore, []byte(`{"assessment":"a"}`)),
		} {
			if _, err := client.EnqueueContext(t.Context(), task, asynq.Queue(queue.Name)); err != nil {
				t.Fatal(err)
			}
		}
		serve(t, q, time.Second, func(_ context.Context, id string) error {
			t.Errorf("%q was handed out", id)
			return nil
		})
		eventually(t, "two put aside", func() bool { return depth(t, q) == queue.Depth{Aside: 2} })
	})
}

func TestTheQueueGoesOnAfterRedisForgotEverything(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		got := make(chan string, 10)
		stop := serve(t, q, time.Second, func(_ context.Context, id string) error { got <- id; return nil })
		enqueue(t, q, "a", 1)
		next(t, got)
		stop()
		enqueue(t, q, "b", 1)
		if err := queue.Redis(q).FlushAll(t.Context()).Err(); err != nil {
			t.Fatal(err)
		}
		if holds(t, q, "b", 1) {
			t.Error("the queue holds what was lost")
		}
		enqueue(t, q, "c", 1)
		if !holds(t, q, "c", 1) {
			t.Error("the queue does not hold what it was handed since")
		}
		serve(t, q, time.Second, func(_ context.Context, id string) error { got <- id; return nil })
		if id := next(t, got); id != "c" {
			t.Errorf("%s came", id)
		}
	})
}

func TestKeysExpire(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		if err := queue.Redis(q).Set(t.Context(), "short", "life", time.Second).Err(); err != nil {
			t.Fatal(err)
		}
		eventually(t, "an expired key", func() bool { return queue.Redis(q).Exists(t.Context(), "short").Val() == 0 })
	})
}

func TestAnEndedContextIsRespected(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, holdsErr := q.Holds(ctx, "a", 1)
		_, depthErr := q.Depth(ctx)
		for call, err := range map[string]error{
			"Enqueue": q.Enqueue(ctx, "a", 1), "Ping": q.Ping(ctx), "Holds": holdsErr, "Depth": depthErr,
		} {
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s returned %v, want context.Canceled", call, err)
			}
		}
		if holds(t, q, "a", 1) {
			t.Error("the queue took what it said it did not")
		}
	})
}

func TestARedisThatIsAwayIsAnError(t *testing.T) {
	t.Parallel()
	q := open(t, "redis://:secret@127.0.0.1:1/0")
	_, holdsErr := q.Holds(t.Context(), "a", 1)
	for call, err := range map[string]error{
		"Enqueue": q.Enqueue(t.Context(), "a", 1), "Ping": q.Ping(t.Context()), "Holds": holdsErr,
	} {
		if err == nil {
			t.Errorf("%s is content without a Redis", call)
		}
	}
}

func TestTheRedisInTheProcessWantsItsPassword(t *testing.T) {
	t.Parallel()
	q := open(t, "")
	stranger := open(t, "redis://"+queue.Address(q))
	if err := stranger.Ping(t.Context()); err == nil {
		t.Error("a stranger was let in")
	}
}

func TestOpenRefusesBadURLs(t *testing.T) {
	t.Parallel()
	for _, address := range []string{
		"http://:secret@127.0.0.1", "redis://:secret@127.0.0.1/x", "redis://:secret@[::1/", "redis-sentinel://:secret@%zz", "127.0.0.1:6379",
	} {
		q, err := queue.Open(queue.Options{RedisURL: address})
		if err == nil {
			q.Close()
			t.Errorf("%s was accepted", address)
			continue
		}
		if strings.Contains(err.Error(), "secret") {
			t.Errorf("the message gives the password away: %v", err)
		}
	}
}
