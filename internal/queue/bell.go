package queue

import (
	"context"
	"errors"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/redis/go-redis/v9"
)

// askAgain is how often Redis is asked for tasks of a lane that nobody has rung for: what comes back after a try that
// went wrong, and what was rung for while this process could not hear it.
const askAgain = 2 * time.Second

// afterTrouble is how soon a Redis that answered with an error is asked again.
const afterTrouble = 100 * time.Millisecond

// bell keeps a server of tasks from asking Redis again and again for what is not there: asynq polls, as it cannot be
// told that there is something. The bell stands between the two. It lets a look for tasks of a lane through once
// somebody has rung for that lane, or after [askAgain]; until then whoever looks waits here.
type bell struct {
	lanes  map[string]bool // never changes
	mu     sync.Mutex
	next   map[string]time.Time // when a lane is looked at again; the past: at once
	rung   chan struct{}        // has room for one
	closed chan struct{}
	once   sync.Once
}

func newBell(of ...lane) *bell {
	b := &bell{lanes: map[string]bool{}, next: map[string]time.Time{}, rung: make(chan struct{}, 1), closed: make(chan struct{})}
	for _, l := range of {
		b.lanes[l.name], b.next[l.name] = true, time.Time{}
	}
	return b
}

// ring says that there is something in a lane.
func (b *bell) ring(lane string) {
	if !b.lanes[lane] {
		return
	}
	b.mu.Lock()
	b.next[lane] = time.Time{}
	b.mu.Unlock()
	select {
	case b.rung <- struct{}{}:
	default:
	}
}

// close lets go whoever waits, for good.
func (b *bell) close() { b.once.Do(func() { close(b.closed) }) }

// due says whether a lane is to be looked at now, and notes that it is; if not, whether to wait for it, which is not so
// where another lane of the server is due.
func (b *bell) due(lane string) (now bool, wait time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	at := time.Now()
	if !at.Before(b.next[lane]) {
		b.next[lane] = at.Add(askAgain)
		return true, 0
	}
	first := b.next[lane]
	for _, next := range b.next {
		if next.Before(first) {
			first = next
		}
	}
	return false, max(0, first.Sub(at))
}

// soon has a lane looked at again before somebody rings.
func (b *bell) soon(lane string, after time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if at := time.Now().Add(after); at.Before(b.next[lane]) {
		b.next[lane] = at
	}
}

// pass waits until a lane is to be looked at. It is false where the lane need not be, but perhaps another.
func (b *bell) pass(lane string) bool {
	now, wait := b.due(lane)
	if now || wait == 0 {
		return now
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-b.rung:
	case <-timer.C:
	case <-b.closed:
	}
	now, _ = b.due(lane)
	return now
}

// belfry has the bells of the servers in this process, and is a hook of the client through which they look for tasks.
type belfry struct {
	mu    sync.Mutex
	bells []*bell
}

func (f *belfry) hang(b *bell) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.bells = append(f.bells, b)
}

func (f *belfry) takeDown(b *bell) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.bells {
		if f.bells[i] == b {
			f.bells = append(f.bells[:i], f.bells[i+1:]...)
			return
		}
	}
}

// of is the bell of the server that serves a lane; nil: none in this process does.
func (f *belfry) of(lane string) *bell {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, b := range f.bells {
		if b.lanes[lane] {
			return b
		}
	}
	return nil
}

func (f *belfry) ring(lane string) {
	if b := f.of(lane); b != nil {
		b.ring(lane)
	}
}

// lookedAt is the lane that a command looks for tasks in; empty: it does something else.
func lookedAt(cmd redis.Cmder) string {
	args := cmd.Args()
	if name := cmd.Name(); name != "evalsha" && name != "eval" || len(args) < 5 {
		return ""
	}
	pending, _ := args[3].(string)
	paused, _ := args[4].(string)
	if !strings.HasPrefix(pending, "asynq:{") || !strings.HasSuffix(pending, "}:pending") || !strings.HasSuffix(paused, "}:paused") {
		return ""
	}
	return strings.TrimSuffix(strings.TrimPrefix(pending, "asynq:{"), "}:pending")
}

// ProcessHook implements [redis.Hook].
func (f *belfry) ProcessHook(next redis.ProcessHook) redis.ProcessHook {
	return func(ctx context.Context, cmd redis.Cmder) error {
		lane := lookedAt(cmd)
		b := f.of(lane)
		if lane == "" || b == nil {
			return next(ctx, cmd)
		}
		if !b.pass(lane) {
			cmd.SetErr(redis.Nil)
			return redis.Nil
		}
		err := next(ctx, cmd)
		switch {
		case err == nil, noScript(err): // where there was one there may be another
			b.soon(lane, 0)
		case !errors.Is(err, redis.Nil):
			b.soon(lane, afterTrouble)
		}
		return err
	}
}

// noScript says that the script has to be sent in full, which the client does next.
func noScript(err error) bool { return redis.HasErrorPrefix(err, "NOSCRIPT") }

// DialHook implements [redis.Hook].
func (f *belfry) DialHook(next redis.DialHook) redis.DialHook {
	return func(ctx context.Context, network, addr string) (net.Conn, error) { return next(ctx, network, addr) }
}

// ProcessPipelineHook implements [redis.Hook].
func (f *belfry) ProcessPipelineHook(next redis.ProcessPipelineHook) redis.ProcessPipelineHook {
	return next
}
