package queue

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/redis/go-redis/v9"

	"laidup/internal/assess"
	"laidup/internal/testserver"
)

// seen counts what a client sends to Redis behind the bells.
type seen struct {
	redis.Hook
	looks, other atomic.Int64
}

func (s *seen) DialHook(next redis.DialHook) redis.DialHook { return next }

func (s *seen) ProcessPipelineHook(next redis.ProcessPipelineHook) redis.ProcessPipelineHook {
	return next
}

func (s *seen) ProcessHook(next redis.ProcessHook) redis.ProcessHook {
	return func(ctx context.Context, cmd redis.Cmder) error {
		if lookedAt(cmd) != "" {
			s.looks.Add(1)
		} else {
			s.other.Add(1)
		}
		return next(ctx, cmd)
	}
}

// The bell knows asynq's looks for tasks by their keys: a release that names them otherwise would poll without rest.
func TestLooksForTasksAreKnown(t *testing.T) {
	t.Parallel()
	q, err := Open(Options{RedisURL: testserver.Redis(t)})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	s := &seen{}
	q.redis.AddHook(s)
	ctx, cancel := context.WithCancel(t.Context())
	came, served := make(chan string, 1), make(chan error)
	handle := func(_ context.Context, id string) error { came <- id; return nil }
	go func() {
		served <- q.Serve(ctx, 2, time.Second, assess.Handlers{Assessment: handle, Chunk: handle, Plan: handle})
	}()
	for _, lane := range []assess.Queue{q, q.Chunks(), q.Plans()} {
		if err := lane.Enqueue(t.Context(), "a", 1); err != nil {
			t.Fatal(err)
		}
		<-came
	}
	cancel()
	if err := <-served; err != nil {
		t.Error(err)
	}
	if s.looks.Load() == 0 {
		t.Errorf("no look for tasks among %d commands", s.other.Load())
	}
}

func TestWhoLooksWaitsForTheBell(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := newBell(chunks, plans)
		began := time.Now()
		since := func() time.Duration { return time.Since(began) }
		if !b.pass(chunks.name) || !b.pass(plans.name) || since() != 0 {
			t.Errorf("the first looks were held up until %v", since())
		}
		// Nobody rings: each lane is looked at again after a while.
		if !b.pass(chunks.name) || since() != askAgain {
			t.Errorf("the next look came after %v", since())
		}
		if b.pass(chunks.name) {
			t.Error("a lane was looked at again though another is due")
		}
		if !b.pass(plans.name) || since() != askAgain {
			t.Errorf("the other lane was looked at after %v", since())
		}
		// Somebody rings for one lane while the other is waited for.
		began = time.Now()
		go func() {
			time.Sleep(time.Millisecond)
			b.ring(plans.name)
			b.ring(assessments.name) // of another server
		}()
		if b.pass(chunks.name) || since() != time.Millisecond {
			t.Errorf("who waits for another lane was let go after %v", since())
		}
		if !b.pass(plans.name) || since() != time.Millisecond {
			t.Errorf("the lane that was rung for was looked at after %v", since())
		}
		// Whoever waits is let go at the end.
		go func() {
			time.Sleep(time.Millisecond)
			b.close()
		}()
		if b.pass(plans.name) || since() != 2*time.Millisecond {
			t.Errorf("the end came after %v", since())
		}
	})
}

// Word of work and of changes goes from one process to another.
func TestProcessesTellOneAnother(t *testing.T) {
	t.Parallel()
	url := testserver.Redis(t)
	one, err := Open(Options{RedisURL: url})
	if err != nil {
		t.Fatal(err)
	}
	defer one.Close()
	other, err := Open(Options{RedisURL: url})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	heard := make(chan string, 100)
	other.Follow(func(about ...string) {
		for _, a := range about {
			heard <- a
		}
	})
	one.Follow(func(about ...string) { t.Errorf("who posts %q is told himself", about) })
	// The first word may come before the other one listens.
	for {
		one.Post("a", "b c")
		select {
		case a := <-heard:
			if b := <-heard; a != "a" || b != "b c" {
				t.Errorf("heard %q, %q", a, b)
			}
			return
		case <-time.After(10 * time.Millisecond):
		}
	}
}
