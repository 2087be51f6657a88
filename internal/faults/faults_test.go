//go:build linux

package faults

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"laidup/internal/queue"
)

// faults are all of them, in the order of the table. A strike runs on one goroutine.
var faults = []fault{
	// Processes.
	{name: "API killed", strike: func(r *rig) {
		p := some(r, r.apis)
		p.end(syscall.SIGKILL)
		r.restart(p)
	}},
	{name: "worker killed", strike: func(r *rig) {
		p := some(r, r.workers)
		p.end(syscall.SIGKILL)
		time.Sleep(r.between(0, time.Second))
		r.start(p)
	}},
	{name: "APIs and workers killed at once", layout: layout{apis: 2}, strike: func(r *rig) {
		for _, p := range r.all() {
			p.signal(syscall.SIGKILL)
		}
		for _, p := range r.all() {
			<-p.done()
			r.start(p)
		}
		for _, p := range r.apis {
			r.await("it serves again", p.ready)
		}
	}},
	{name: "the one process with its own store and queue killed", layout: layout{sqlite: true}, strike: func(r *rig) {
		r.apis[0].end(syscall.SIGKILL)
		r.restart(r.apis[0])
	}},
	{name: "API told to stop", strike: func(r *rig) {
		p := some(r, r.apis)
		p.end(syscall.SIGTERM)
		r.restart(p)
	}},
	{name: "worker told to stop", strike: func(r *rig) {
		p := some(r, r.workers)
		p.end(syscall.SIGTERM)
		r.start(p)
	}},
	// A worker that wakes up after its lease has ended goes on with what others have done.
	{name: "worker stands still for longer than its lease", layout: layout{workers: 2}, strike: func(r *rig) {
		p := some(r, r.workers)
		p.signal(syscall.SIGSTOP)
		time.Sleep(32 * time.Second)
		p.signal(syscall.SIGCONT)
	}},
	{name: "API stands still amid its transactions", layout: layout{apis: 2, wired: true}, answer: 30 * time.Second, clients: 24, times: 3, strike: standStill},

	// Redis.
	{name: "Redis killed and started empty", strike: func(r *rig) {
		r.redis.Kill("KILL")
		time.Sleep(r.between(0, 2*time.Second))
		if err := r.redis.Start(); err != nil {
			r.Errorf("start Redis: %v", err)
		}
	}},
	{name: "Redis away for long", strike: func(r *rig) {
		r.redis.Kill("KILL")
		time.Sleep(r.between(8*time.Second, 12*time.Second))
		if err := r.redis.Start(); err != nil {
			r.Errorf("start Redis: %v", err)
		}
	}},
	{name: "Redis forgets everything (FLUSHALL)", strike: func(r *rig) {
		c := r.redisClient()
		for range 5 {
			if err := c.FlushAll(context.Background()).Err(); err != nil {
				r.Errorf("flush: %v", err)
			}
			time.Sleep(r.between(0, 200*time.Millisecond))
		}
	}},
	{name: "Redis slow", layout: layout{wired: true}, strike: func(r *rig) {
		r.toRedis.spoil("latency", "downstream", map[string]any{"latency": 300, "jitter": 200})
		time.Sleep(r.between(2*time.Second, 4*time.Second))
		r.toRedis.mend()
	}},
	{name: "connections to Redis reset", layout: layout{wired: true}, strike: func(r *rig) {
		r.toRedis.spoil("reset_peer", "downstream", map[string]any{"timeout": r.rng.IntN(20)})
		time.Sleep(r.between(time.Second, 3*time.Second))
		r.toRedis.mend()
	}},
	{name: "Redis does not answer", layout: layout{wired: true}, strike: func(r *rig) {
		r.toRedis.spoil("timeout", "upstream", map[string]any{"timeout": 0})
		time.Sleep(r.between(3*time.Second, 6*time.Second))
		r.toRedis.mend()
	}},
	{name: "Redis out of memory", strike: func(r *rig) {
		c := r.redisClient()
		if err := c.ConfigSet(context.Background(), "maxmemory", "1").Err(); err != nil {
			r.Errorf("limit memory: %v", err)
		}
		time.Sleep(r.between(2*time.Second, 4*time.Second))
		if err := c.ConfigSet(context.Background(), "maxmemory", "0").Err(); err != nil {
			r.Errorf("lift limit: %v", err)
		}
	}},

	// PostgreSQL.
	{name: "PostgreSQL restarted without a shutdown", layout: layout{postgres: []string{"max_connections=100"}}, strike: func(r *rig) {
		r.postgres.Kill("QUIT") // as after a crash: it recovers from its log
		time.Sleep(r.between(0, 2*time.Second))
		if err := r.postgres.Start(); err != nil {
			r.Errorf("start PostgreSQL: %v", err)
		}
	}},
	{name: "PostgreSQL slow", layout: layout{wired: true}, strike: func(r *rig) {
		r.toPostgres.spoil("latency", "downstream", map[string]any{"latency": 100, "jitter": 80})
		time.Sleep(r.between(2*time.Second, 4*time.Second))
		r.toPostgres.mend()
	}},
	{name: "connections to PostgreSQL reset", layout: layout{wired: true}, strike: func(r *rig) {
		r.toPostgres.spoil("reset_peer", "downstream", map[string]any{"timeout": r.rng.IntN(20)})
		time.Sleep(r.between(time.Second, 3*time.Second))
		r.toPostgres.mend()
	}},
	{name: "PostgreSQL cut off amid statements", layout: layout{wired: true}, strike: func(r *rig) {
		for range 6 {
			r.toPostgres.spoil("limit_data", "upstream", map[string]any{"bytes": 1000 + r.rng.IntN(30_000)})
			time.Sleep(r.between(200*time.Millisecond, 600*time.Millisecond))
			r.toPostgres.mend()
		}
	}},
	// What was committed is known to the server and not to who asked for it.
	{name: "PostgreSQL cut off amid answers", layout: layout{wired: true}, strike: func(r *rig) {
		for range 6 {
			r.toPostgres.spoil("limit_data", "downstream", map[string]any{"bytes": 50 + r.rng.IntN(1200)})
			time.Sleep(r.between(200*time.Millisecond, 600*time.Millisecond))
			r.toPostgres.mend()
		}
	}},
	{name: "PostgreSQL does not answer", layout: layout{wired: true}, strike: func(r *rig) {
		r.toPostgres.spoil("timeout", "upstream", map[string]any{"timeout": 0})
		time.Sleep(r.between(14*time.Second, 16*time.Second))
		r.toPostgres.mend()
	}},
	{name: "PostgreSQL out of connections", layout: layout{postgres: []string{"max_connections=30", "superuser_reserved_connections=0"}}, strike: func(r *rig) {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		var held []*pgx.Conn
		take := func() {
			for {
				c, err := pgx.Connect(ctx, r.postgres.URL)
				if err != nil {
					return
				}
				held = append(held, c)
			}
		}
		take()
		if len(held) > 0 {
			for range 10 { // whoever lets go of a connection does not get one again
				if _, err := held[0].Exec(ctx, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1", r.databaseName()); err != nil {
					r.Errorf("end connections: %v", err)
				}
				take()
				time.Sleep(r.between(100*time.Millisecond, 400*time.Millisecond))
			}
		}
		for _, c := range held {
			c.Close(ctx)
		}
	}},
	{name: "PostgreSQL read-only", strike: func(r *rig) {
		const end = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'DATABASE_NAME'"
		r.admin("ALTER DATABASE DATABASE_NAME SET default_transaction_read_only = on", end)
		time.Sleep(r.between(time.Second, 4*time.Second))
		r.admin("ALTER DATABASE DATABASE_NAME RESET default_transaction_read_only", end)
	}},
	{name: "connections ended by PostgreSQL", strike: func(r *rig) {
		for range 5 {
			r.admin("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = 'DATABASE_NAME'")
			time.Sleep(r.between(0, 300*time.Millisecond))
		}
	}},
	{name: "tables of PostgreSQL locked by somebody else", strike: func(r *rig) {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		conn, err := pgx.Connect(ctx, r.database)
		if err != nil {
			r.Errorf("lock: %v", err)
			return
		}
		defer conn.Close(ctx)
		if _, err := conn.Exec(ctx, "BEGIN; LOCK TABLE assessments IN ACCESS EXCLUSIVE MODE"); err != nil {
			r.Errorf("lock: %v", err)
		}
		time.Sleep(r.between(2*time.Second, 4*time.Second))
	}},
	{name: "PostgreSQL and Redis restarted together", layout: layout{postgres: []string{"max_connections=100"}}, strike: func(r *rig) {
		r.redis.Kill("KILL")
		r.postgres.Kill("QUIT")
		time.Sleep(r.between(0, 2*time.Second))
		if err := r.postgres.Start(); err != nil {
			r.Errorf("start PostgreSQL: %v", err)
		}
		time.Sleep(r.between(0, time.Second))
		if err := r.redis.Start(); err != nil {
			r.Errorf("start Redis: %v", err)
		}
	}},

	// SQLite.
	{name: "writes of SQLite fail", layout: layout{sqlite: true}, strike: limitFiles},
	{name: "disk of SQLite full", layout: layout{sqlite: true}, strike: fillDisk},
	{name: "SQLite killed amid a write, which is torn", layout: layout{sqlite: true}, strike: tearLog},
	{name: "SQLite locked by another process", layout: layout{sqlite: true}, strike: lockFile},

	// Clients.
	{name: "clients go away before the answer, and repeat", strike: func(r *rig) { time.Sleep(time.Second) }, before: goAway},
	{name: "every task handed out three times", strike: func(r *rig) { time.Sleep(time.Second) }, after: handOut},

	// Versions, clocks, reports.
	{name: "two versions of the program on one database", layout: layout{apis: 2}, strike: func(r *rig) {
		path := built(r.T, next)
		if r.rng.IntN(2) == 0 {
			path = built(r.T, current)
		}
		for _, p := range []*program{some(r, r.apis), some(r, r.workers)} {
			p.end(syscall.SIGTERM)
			p.path = path
			r.restart(p)
			path = built(r.T, next)
		}
		time.Sleep(r.between(0, time.Second))
	}},
	{name: "clocks of the processes set an hour forward and back", layout: layout{parts: true, apis: 2}, strike: stepClocks},
	{name: "reports that end every worker", layout: layout{parts: true}, strike: poison, check: checkPoisoned},
}

// standStill stops an API amid several transactions, again and again: for about as long as the program
// gives a write (5 s), for about as long as PostgreSQL waits for a transaction that nobody goes on with
// (10 s), and for longer than either. A wire that is slow keeps the transactions open for a while.
func standStill(r *rig) {
	r.toPostgres.spoil("latency", "downstream", map[string]any{"latency": 30, "jitter": 20})
	defer r.toPostgres.mend()
	for _, around := range []time.Duration{5 * time.Second, 10 * time.Second, 13 * time.Second} {
		p := some(r, r.apis)
		p.signal(syscall.SIGSTOP)
		// Stopped at some moment it has any number of them in hand: this is about moments with many.
		for end := time.Now().Add(5 * time.Second); r.openTransactions() < 4 && time.Now().Before(end); {
			p.signal(syscall.SIGCONT)
			time.Sleep(r.between(5*time.Millisecond, 30*time.Millisecond))
			p.signal(syscall.SIGSTOP)
		}
		time.Sleep(r.between(around-time.Second, around+time.Second))
		p.signal(syscall.SIGCONT)
		time.Sleep(r.between(200*time.Millisecond, time.Second))
	}
}

// openTransactions counts the transactions that somebody has begun and does not go on with.
func (r *rig) openTransactions() (n int) {
	time.Sleep(300 * time.Millisecond) // what is on the wire arrives
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, r.postgres.URL)
	if err == nil {
		defer conn.Close(ctx)
		err = conn.QueryRow(ctx, "SELECT count(*) FROM pg_stat_activity WHERE datname = $1 AND state = 'idle in transaction' AND state_change < clock_timestamp() - interval '200 ms'", r.databaseName()).Scan(&n)
	}
	if err != nil {
		r.Errorf("count transactions: %v", err)
	}
	return n
}

// goAway sends a report, or a part of it, and does not wait for the answer.
func goAway(l *load, rng *rand.Rand, s submission) {
	if rng.IntN(2) == 0 {
		return
	}
	p := l.api(rng.IntN(4))
	conn, err := net.Dial("tcp", p.addr)
	if err != nil {
		l.Errorf("connect: %v", err)
		return
	}
	defer conn.Close()
	var b strings.Builder
	path := "/v1/reports"
	if s.gate != "" {
		path += "?gate=" + s.gate
	}
	fmt.Fprintf(&b, "POST %s HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nAuthorization: Bearer %s\r\nIdempotency-Key: %s\r\nContent-Length: %d\r\n\r\n%s",
		path, p.addr, l.key, s.key, len(s.body), s.body)
	request := b.String()
	if rng.IntN(4) == 0 {
		request = request[:rng.IntN(len(request))]
	}
	if _, err := conn.Write([]byte(request)); err != nil {
		l.Errorf("send: %v", err)
	}
	time.Sleep(time.Duration(rng.Int64N(int64(10 * time.Millisecond))))
	if rng.IntN(2) == 0 {
		_ = conn.(*net.TCPConn).SetLinger(0) // the connection is reset
	}
	l.mu.Lock()
	l.broken++
	l.mu.Unlock()
}

// handOut hands an assessment to the workers again, and again.
func handOut(l *load, a accepted) {
	l.handing.Do(func() {
		q, err := queue.Open(queue.Options{RedisURL: l.redis.URL})
		if err != nil {
			l.Errorf("open queue: %v", err)
			return
		}
		l.queue = q
		l.Cleanup(func() { q.Close() })
	})
	for _, attempt := range []int{1001, 1002} {
		if err := l.queue.Enqueue(context.Background(), a.ID, attempt); err != nil {
			l.Errorf("hand out %s: %v", a.ID, err)
		}
	}
}
