package queue

import (
	"context"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/redis/go-redis/v9"
)

// Word goes between processes by two channels of Redis, and may be lost: whoever waits for it asks from time to time.
// Each message begins with who sent it, so that he leaves it alone.
const (
	channelWork    = "laidup:work"    // the lanes that have something
	channelChanges = "laidup:changes" // what has changed, as [assess.Notices] has it
)

// held is how many messages wait to be sent; what comes on top is lost.
const held = 256

type message struct{ channel, text string }

// wire sends word to other processes, and hears them.
type notices struct {
	redis   redis.UniversalClient
	self    string
	out     chan message
	heard   func(channel string, about []string)
	stop    context.CancelFunc
	running sync.WaitGroup
}

func startNotices(client redis.UniversalClient, heard func(channel string, about []string)) *notices {
	ctx, stop := context.WithCancel(context.Background())
	n := &notices{redis: client, self: uuid.NewString(), out: make(chan message, held), heard: heard, stop: stop}
	n.running.Go(func() { n.send(ctx) })
	n.running.Go(func() { n.listen(ctx) })
	return n
}

func (n *notices) close() {
	n.stop()
	n.running.Wait()
}

// post sends word soon, or never.
func (n *notices) post(channel string, about ...string) {
	select {
	case n.out <- message{channel, n.self + "\n" + strings.Join(about, "\n")}:
	default:
	}
}

func (n *notices) send(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case m := <-n.out:
			ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
			_ = n.redis.Publish(ctx, m.channel, m.text).Err() // whoever waits asks again
			cancel()
		}
	}
}

func (n *notices) listen(ctx context.Context) {
	from := n.redis.Subscribe(ctx, channelWork, channelChanges)
	defer from.Close()
	came := from.Channel(redis.WithChannelHealthCheckInterval(15 * time.Second))
	for {
		select {
		case <-ctx.Done():
			return
		case m, more := <-came:
			if !more {
				return
			}
			sender, about, ok := strings.Cut(m.Payload, "\n")
			if ok && sender != n.self {
				n.heard(m.Channel, strings.Split(about, "\n"))
			}
		}
	}
}
