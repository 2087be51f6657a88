//go:build unix

package testserver_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/redis/go-redis/v9"

	"laidup/internal/testserver"
)

func TestPostgreSQLGivesEachCallerItsOwnDatabase(t *testing.T) {
	t.Parallel()
	first, second := testserver.PostgreSQL(t), testserver.PostgreSQL(t)
	for _, url := range []string{first, second} {
		conn, err := pgx.Connect(t.Context(), url)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(t.Context())
		if _, err := conn.Exec(t.Context(), "CREATE TABLE mine (id INT)"); err != nil {
			t.Errorf("%s is not empty: %v", url, err)
		}
	}
}

func TestRedisGivesEachCallerItsOwnServer(t *testing.T) {
	t.Parallel()
	for range 2 {
		options, err := redis.ParseURL(testserver.Redis(t))
		if err != nil {
			t.Fatal(err)
		}
		client := redis.NewClient(options)
		defer client.Close()
		if set, err := client.SetNX(t.Context(), "mine", 1, 0).Result(); err != nil || !set {
			t.Errorf("SETNX: %v, %v", set, err)
		}
	}
}

// The test runs itself as a child process that starts servers and is then killed.
func TestServersEndWithAKilledProcess(t *testing.T) {
	const child = "LAIDUP_TESTSERVER_CHILD"
	if os.Getenv(child) != "" {
		testserver.PostgreSQL(t)
		testserver.Redis(t)
		os.Stdout.WriteString("up\n")
		select {}
	}
	testserver.PostgreSQL(t) // or skip
	temp := t.TempDir()
	// PostgreSQL runs as another user, who must get through to the folder.
	for dir := temp; strings.HasPrefix(dir, os.TempDir()) && dir != os.TempDir(); dir = dir[:strings.LastIndex(dir, "/")] {
		if err := os.Chmod(dir, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestServersEndWithAKilledProcess$")
	cmd.Env = append(os.Environ(), child+"=1", "TMPDIR="+temp)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	if _, err := out.Read(make([]byte, 3)); err != nil {
		t.Fatal(err)
	}
	if n := left(t, temp); n != 2 {
		t.Errorf("%d folders while the servers run, want 2", n)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(30 * time.Second); left(t, temp) > 0; {
		if time.Now().After(deadline) {
			t.Fatal("the servers outlived their process")
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func left(t *testing.T, folder string) int {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

func TestAnOwnServerComesBackAfterItWasKilled(t *testing.T) {
	t.Parallel()
	t.Run("PostgreSQL", func(t *testing.T) {
		t.Parallel()
		s := testserver.OwnPostgreSQL(t, "max_connections=10")
		database, err := s.Database(t.Context(), "mine")
		if err != nil {
			t.Fatal(err)
		}
		run := func(statement string) {
			t.Helper()
			conn, err := pgx.Connect(t.Context(), database)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close(t.Context())
			if _, err := conn.Exec(t.Context(), statement); err != nil {
				t.Fatal(err)
			}
		}
		run("CREATE TABLE kept (id INT)")
		s.Kill("QUIT")
		if conn, err := pgx.Connect(t.Context(), database); err == nil {
			conn.Close(t.Context())
			t.Error("it answers after it was killed")
		}
		if err := s.Start(); err != nil {
			t.Fatal(err)
		}
		run("INSERT INTO kept VALUES (1)")
	})
	t.Run("Redis", func(t *testing.T) {
		t.Parallel()
		s := testserver.OwnRedis(t)
		options, err := redis.ParseURL(s.URL)
		if err != nil {
			t.Fatal(err)
		}
		client := redis.NewClient(options)
		defer client.Close()
		if err := client.Set(t.Context(), "mine", 1, 0).Err(); err != nil {
			t.Fatal(err)
		}
		s.Kill("KILL")
		if err := client.Ping(t.Context()).Err(); err == nil {
			t.Error("it answers after it was killed")
		}
		if err := s.Start(); err != nil {
			t.Fatal(err)
		}
		if n, err := client.Exists(t.Context(), "mine").Result(); n != 0 || err != nil {
			t.Errorf("it remembers %d (%v)", n, err)
		}
	})
}
