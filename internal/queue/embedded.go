package queue

import (
	"crypto/rand"
	"fmt"
	"sync"
	"time"

	"github.com/alicebob/miniredis/v2"
	"github.com/redis/go-redis/v9"
)

// embedded is a Redis inside the process. It listens on the loopback interface, as its clients
// know no other way, and lets nobody in who lacks the password.
type embedded struct {
	server   *miniredis.Miniredis
	password string
	quit     chan struct{}
	clock    sync.WaitGroup
}

func startEmbedded() (*embedded, error) {
	e := &embedded{server: miniredis.NewMiniRedis(), password: rand.Text(), quit: make(chan struct{})}
	e.server.RequireAuth(e.password)
	if err := e.server.StartAddr("127.0.0.1:0"); err != nil {
		return nil, fmt.Errorf("start Redis: %w", err)
	}
	e.clock.Go(e.runClock)
	return e, nil
}

// runClock lets keys expire, which they do not do by themselves in this server.
func (e *embedded) runClock() {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	last := time.Now()
	for {
		select {
		case now := <-tick.C:
			e.server.FastForward(now.Sub(last))
			last = now
		case <-e.quit:
			return
		}
	}
}

func (e *embedded) connect() redis.UniversalClient {
	return redis.NewClient(&redis.Options{Addr: e.server.Addr(), Password: e.password, DisableIdentity: true})
}

func (e *embedded) stop() {
	close(e.quit)
	e.clock.Wait()
	e.server.Close()
}
