package assesstest

import (
	"context"
	"slices"
	"sync"

	"laidup/internal/assess"
)

// Task is one attempt at an assessment that was handed to a [Queue].
type Task struct {
	AssessmentID string
	Attempt      int
}

// Queue is an [assess.Queue] without workers: it keeps what it is handed until a test takes or
// loses it. The zero value is ready for use; it is safe for concurrent use.
type Queue struct {
	mu   sync.Mutex
	held []Task
	all  []Task
	down error
}

var _ assess.Queue = (*Queue)(nil)

// Break makes every later call return err, as a queue that cannot be reached would; nil mends it.
func (q *Queue) Break(err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.down = err
}

// Enqueue implements [assess.Queue].
func (q *Queue) Enqueue(ctx context.Context, assessmentID string, attempt int) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err := q.unreachable(ctx); err != nil {
		return err
	}
	task := Task{assessmentID, attempt}
	if !slices.Contains(q.held, task) {
		q.held = append(q.held, task)
		q.all = append(q.all, task)
	}
	return nil
}

// Holds implements [assess.Queue].
func (q *Queue) Holds(ctx context.Context, assessmentID string, attempt int) (bool, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Contains(q.held, Task{assessmentID, attempt}), q.unreachable(ctx)
}

// Ping implements [assess.Queue].
func (q *Queue) Ping(ctx context.Context) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.unreachable(ctx)
}

func (q *Queue) unreachable(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return q.down
}

// Take removes the task that has waited longest, as a worker does; false if there is none.
func (q *Queue) Take() (Task, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.held) == 0 {
		return Task{}, false
	}
	task := q.held[0]
	q.held = q.held[1:]
	return task, true
}

// Lose forgets all the tasks that wait, as a queue without a disk does when it is restarted.
func (q *Queue) Lose() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.held = nil
}

// Handed returns every task that was ever handed over, in order.
func (q *Queue) Handed() []Task {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.all)
}
