package queue_test

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/hibiken/asynq"

	"laidup/internal/logging"
	"laidup/internal/origin"
	"laidup/internal/queue"
	"laidup/internal/testserver"
)

var somewhere = origin.Origin{
	Request:     "r-1",
	TraceParent: "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01",
	TraceState:  "a=1",
}

func TestATaskSaysWhereItComesFrom(t *testing.T) {
	onEachRedis(t, func(t *testing.T, q *queue.Queue) {
		came := make(chan origin.Origin, 2)
		for id, from := range map[string]origin.Origin{"a": somewhere, "b": {}} {
			if err := q.Enqueue(origin.With(t.Context(), from), id, 1); err != nil {
				t.Fatal(err)
			}
		}
		serve(t, q, time.Second, func(ctx context.Context, id string) error {
			if want := map[string]origin.Origin{"a": somewhere, "b": {}}[id]; origin.Of(ctx) != want {
				t.Errorf("%s comes from %+v, want %+v", id, origin.Of(ctx), want)
			}
			came <- origin.Of(ctx)
			return nil
		})
		for range 2 {
			select {
			case <-came:
			case <-time.After(patience):
				t.Fatal("nothing came in time")
			}
		}
	})
}

// Two versions side by side: the payload, which is read strictly, is that of before tasks said where
// they come from, and tasks of before are taken.
func TestWhereATaskComesFromIsNotInItsPayload(t *testing.T) {
	t.Parallel()
	q := open(t, testserver.Redis(t))
	if err := q.Enqueue(origin.With(t.Context(), somewhere), "a", 1); err != nil {
		t.Fatal(err)
	}
	info, err := asynq.NewInspectorFromRedisClient(queue.Redis(q)).GetTaskInfo(queue.Name, "score:a:1")
	if err != nil {
		t.Fatal(err)
	}
	if string(info.Payload) != `{"assessment_id":"a"}` {
		t.Errorf("payload %s", info.Payload)
	}
	before := asynq.NewTask(queue.KindScore, []byte(`{"assessment_id":"b"}`))
	if _, err := asynq.NewClientFromRedisClient(queue.Redis(q)).EnqueueContext(t.Context(), before, asynq.Queue(queue.Name), asynq.TaskID("score:b:1")); err != nil {
		t.Fatal(err)
	}
	came := make(chan string, 2)
	serve(t, q, time.Second, func(_ context.Context, id string) error { came <- id; return nil })
	if got := next(t, came) + next(t, came); got != "ab" && got != "ba" {
		t.Errorf("came %s", got)
	}
}

// Lines of a job, also those that are written when its handler has long returned, say which it is.
func TestTheLogOfAJobSaysWhichItIs(t *testing.T) {
	t.Parallel()
	var out journal
	log := logging.New(&out, slog.LevelInfo, false)
	q, err := queue.Open(queue.Options{Logger: log})
	if err != nil {
		t.Fatal(err)
	}
	if err := q.Enqueue(origin.With(t.Context(), somewhere), "a:b", 3); err != nil {
		t.Fatal(err)
	}
	stop := serve(t, q, time.Second, func(ctx context.Context, id string) error {
		log.InfoContext(ctx, "in hand")
		return context.DeadlineExceeded
	})
	eventually(t, "the failure is logged", func() bool { return strings.Contains(out.String(), "task failed") })
	stop()
	if err := q.Close(); err != nil {
		t.Error(err)
	}
	for _, want := range []string{
		`msg="in hand" request=r-1 assessment=a:b attempt=3`,
		`msg="task failed" request=r-1 assessment=a:b attempt=3 task=score:a:b:3 panic=false error="context deadline exceeded"`,
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%s is not in\n%s", want, out.String())
		}
	}
}

// journal is a log that is read while it is written.
type journal struct {
	mu  sync.Mutex
	log bytes.Buffer
}

func (j *journal) Write(p []byte) (int, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.log.Write(p)
}

func (j *journal) String() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.log.String()
}
