// Package faults holds tests alone: the program runs as real processes on real PostgreSQL, Redis and
// SQLite, under load, while one thing after another goes wrong. What was accepted must be assessed
// exactly once, as it would be offline. docs/reliability.md has the outcome as a table:
//
//	go test ./internal/faults -run Table -reports 5000 -timeout 60m -update
package faults
