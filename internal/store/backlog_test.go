package store_test

import (
	"fmt"
	"sync"
	"testing"
	"time"
)

// A receiver that is down for long has thousands of deliveries waiting: looking for what is due must
// not take long then, since nobody else writes to SQLite meanwhile: no longer than bringing fifty of them did.
func TestALongBacklogIsNoBurden(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.subscribe(us, "hangs")
		const waiting = 2000
		began := time.Now()
		var all sync.WaitGroup
		for w := range 16 {
			all.Go(func() {
				for i := w; i < waiting; i += 16 {
					h.assess(us, fmt.Sprint(i), fmt.Sprint("tern-", i), "crank=blocked")
				}
			})
		}
		all.Wait()
		fifty := time.Since(began) / (waiting / 50)
		now := time.Now().Add(time.Minute)
		for n, want := range []int{4, 0, 0} {
			began := time.Now()
			if got := len(h.claim(now, 4, 24)); got != want {
				h.Errorf("claim %d: %d", n, got)
			}
			took := time.Since(began)
			h.Logf("%s, fifty: %s", took, fifty)
			if took > fifty {
				h.Errorf("claim %d took %s, and bringing fifty %s", n, took, fifty)
			}
		}
	})
}
