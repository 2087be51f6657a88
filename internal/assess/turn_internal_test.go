package assess

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// line is a store's line of work: of each organisation what waits, longest first.
type line struct {
	mu      sync.Mutex
	waiting map[string][]string
	done    map[string]bool
}

func (l *line) Queueing(context.Context, Lane) (all []string, _ error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for o, ids := range l.waiting {
		if len(ids) > 0 {
			all = append(all, o)
		}
	}
	slices.Sort(all)
	return all, nil
}

func (l *line) Take(_ context.Context, _ Lane, organisation string) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	ids := l.waiting[organisation]
	if len(ids) == 0 {
		return "", ErrNotFound
	}
	l.waiting[organisation] = ids[1:]
	return ids[0], nil
}

// begin is what the store does where work is begun with by its id.
func (l *line) begin(id string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.done[id] {
		return ErrFinished
	}
	for o := range l.waiting {
		l.waiting[o] = slices.DeleteFunc(slices.Clone(l.waiting[o]), func(other string) bool { return other == id })
	}
	return nil
}

func (l *line) end(id string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.done[id] = true
}

// One floods, with work that takes long. Tasks come in the order in which the work did: what of others comes last is
// done soon all the same, and in the end all of it is done, once.
func TestWhoFloodsKeepsNobodyWaiting(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := &line{waiting: map[string][]string{}, done: map[string]bool{}}
		cost := map[string]time.Duration{"flood": 100 * time.Millisecond, "a": 5 * time.Millisecond, "b": 5 * time.Millisecond}
		var tasks []string
		for o, n := range map[string]int{"flood": 500, "a": 20, "b": 20} {
			for i := range n {
				l.waiting[o] = append(l.waiting[o], fmt.Sprintf("%s %d", o, i))
			}
		}
		for _, o := range []string{"flood", "a", "b"} {
			tasks = append(tasks, l.waiting[o]...)
		}
		s := &Service{turns: newTurns(l)}
		began := time.Now()
		var mu sync.Mutex
		times, last := map[string]int{}, map[string]time.Duration{}
		next := make(chan string)
		var workers sync.WaitGroup
		for range 2 {
			workers.Go(func() {
				for task := range next {
					err := s.turn(t.Context(), Assessments, task, func(_ context.Context, id string) error {
						if err := l.begin(id); err != nil {
							return err
						}
						var o string
						fmt.Sscan(id, &o)
						time.Sleep(cost[o])
						l.end(id)
						mu.Lock()
						defer mu.Unlock()
						times[id]++
						last[o] = time.Since(began)
						return nil
					})
					if err != nil && !errors.Is(err, ErrFinished) {
						t.Error(err)
					}
				}
			})
		}
		for _, task := range tasks {
			next <- task
		}
		close(next)
		workers.Wait()
		if len(times) != len(tasks) {
			t.Errorf("%d of %d were done", len(times), len(tasks))
		}
		for id, n := range times {
			if n != 1 {
				t.Errorf("%s was done %d times", id, n)
			}
		}
		for _, o := range []string{"a", "b"} {
			if last[o] > 2*time.Second {
				t.Errorf("the last of %s was done after %v", o, last[o])
			}
		}
	})
}

// Whoever comes anew does not catch up on what others had before.
func TestTurnsAreSharedFromNowOn(t *testing.T) {
	t.Parallel()
	turns := newTurns(nil)
	for range 10 {
		turns.charge(turns.next([]string{"a"}), 10*time.Millisecond)
	}
	count := map[string]int{}
	for range 100 {
		o := turns.next([]string{"a", "b"})
		turns.charge(o, map[string]time.Duration{"a": 10 * time.Millisecond, "b": 30 * time.Millisecond}[o])
		count[o]++
	}
	if count["b"] < 20 || count["b"] > 30 {
		t.Errorf("turns %v: who costs three times as much has a third of them", count)
	}
}
