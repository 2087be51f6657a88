package testserver

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/redis/go-redis/v9"
)

// RedisCluster returns a redis-cluster:// URL of three new nodes. They are stopped when the test ends.
func RedisCluster(t testing.TB) string {
	t.Helper()
	var hosts []string
	for range 3 {
		hosts = append(hosts, node(t, "--cluster-enabled", "yes"))
	}
	create := exec.CommandContext(t.Context(), "redis-cli", append([]string{"--cluster", "create", "--cluster-yes"}, hosts...)...)
	if out, err := create.CombinedOutput(); err != nil {
		t.Fatalf("make cluster: %v\n%s", err, out)
	}
	// Its maker goes when the nodes agree on who has which keys. Until each of them has also heard that
	// the others are up, it refuses to serve.
	for _, host := range hosts {
		if !serves(t.Context(), host) {
			t.Fatalf("node %s does not become part of the cluster", host)
		}
	}
	return fmt.Sprintf("redis-cluster://%s?addr=%s&addr=%s", hosts[0], hosts[1], hosts[2])
}

// RedisSentinel returns a redis-sentinel:// URL of a new master that a new sentinel watches.
func RedisSentinel(t testing.TB) string {
	t.Helper()
	master := node(t)
	file := filepath.Join(t.TempDir(), "sentinel.conf")
	var host, port string
	for i, c := range master {
		if c == ':' {
			host, port = master[:i], master[i+1:]
		}
	}
	if err := os.WriteFile(file, fmt.Appendf(nil, "sentinel monitor main %s %s 1\n", host, port), 0o600); err != nil {
		t.Fatal(err)
	}
	return "redis-sentinel://" + node(t, file, "--sentinel") + "?master=main"
}

// node starts one Redis and returns its address. A first argument that is a file is its configuration.
func node(t testing.TB, args ...string) string {
	t.Helper()
	bin, err := exec.LookPath("redis-server")
	if err != nil {
		missing(t, "Redis", "redis-server")
	}
	for range 5 { // another process may take the free port before Redis does
		port, err := freePort()
		if err != nil {
			t.Fatal(err)
		}
		addr := fmt.Sprintf("127.0.0.1:%d", port)
		all := append(append([]string{}, args...), "--port", fmt.Sprint(port), "--bind", "127.0.0.1", "--dir", t.TempDir())
		if len(args) != 2 || args[1] != "--sentinel" {
			all = append(all, "--save", "", "--appendonly", "no")
		}
		cmd := exec.Command(bin, all...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan struct{})
		go func() { _ = cmd.Wait(); close(ended) }()
		t.Cleanup(func() { _ = cmd.Process.Kill(); <-ended })
		if responds(t.Context(), addr, ended) {
			return addr
		}
	}
	t.Fatal("Redis does not start")
	return ""
}

// serves waits until a node of a cluster thinks that all of it is up.
func serves(ctx context.Context, addr string) bool {
	client := redis.NewClient(&redis.Options{Addr: addr, MaxRetries: -1})
	defer client.Close()
	for range 600 {
		if info, err := client.ClusterInfo(ctx).Result(); err == nil && strings.Contains(info, "cluster_state:ok") {
			return true
		}
		time.Sleep(50 * time.Millisecond)
	}
	return false
}

func responds(ctx context.Context, addr string, ended <-chan struct{}) bool {
	client := redis.NewClient(&redis.Options{Addr: addr, MaxRetries: -1})
	defer client.Close()
	for range 200 {
		if client.Ping(ctx).Err() == nil {
			return true
		}
		select {
		case <-ended:
			return false
		case <-time.After(25 * time.Millisecond):
		}
	}
	return false
}
