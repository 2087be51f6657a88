package store_test

import (
	"fmt"
	"sync"
	"testing"
	"time"
)

// A receiver that is down for long has thousands of deliveries waiting: looking for what is due must
// not take long then, since nobody else writes to SQLite meanwhile.
func TestALongBacklogIsNoBurden(t *testing.T) {
	onEachStore(t, func(h hooked) {
		h.subscribe(us, "hangs")
		var all sync.WaitGroup
		for w := range 16 {
			all.Go(func() {
				for i := w; i < 2000; i += 16 {
					h.assess(us, fmt.Sprint(i), fmt.Sprint("tern-", i), "crank=blocked")
				}
			})
		}
		all.Wait()
		now := time.Now().Add(time.Minute)
		for n, want := range []int{4, 0, 0} {
			began := time.Now()
			if got := len(h.claim(now, 4, 24)); got != want {
				h.Errorf("claim %d: %d", n, got)
			}
			if took := time.Since(began); took > time.Second {
				h.Errorf("claim %d took %s", n, took)
			}
			h.Log(time.Since(began))
		}
	})
}
