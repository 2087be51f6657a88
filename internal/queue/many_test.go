package queue_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"laidup/internal/testserver"
)

func TestTheQueueMayBeAClusterOrBehindSentinels(t *testing.T) {
	t.Parallel()
	for name, address := range map[string]func(testing.TB) string{"cluster": testserver.RedisCluster, "sentinel": testserver.RedisSentinel} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			url := address(t)
			q := open(t, url)
			deadline := time.Now().Add(patience)
			for q.Ping(t.Context()) != nil { // its nodes have to hear of one another first
				if time.Now().After(deadline) {
					t.Fatal("it cannot be reached")
				}
				time.Sleep(50 * time.Millisecond)
			}
			const tasks = 20
			done := make(chan string, 2*tasks)
			var once sync.Map
			serve(t, q, time.Second, func(_ context.Context, id string) error {
				if _, again := once.LoadOrStore(id, true); !again {
					done <- id
				}
				return nil
			})
			for i := range tasks {
				id := fmt.Sprintf("a-%d", i)
				if err := q.Enqueue(t.Context(), id, 1); err != nil {
					t.Fatal(err)
				}
				if _, err := q.Holds(t.Context(), id, 1); err != nil {
					t.Error(err)
				}
			}
			for range tasks {
				select {
				case <-done:
				case <-time.After(patience):
					t.Fatal("a task was not handed out")
				}
			}
			if _, err := q.Depth(t.Context()); err != nil {
				t.Error(err)
			}
		})
	}
}
