// Command goclient shows that a Go client which is generated from the API's description does the main
// job against a running service: goclient PROGRAM, where PROGRAM is a built laidup. The client is made
// anew each time by .ci/run.
package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: goclient PROGRAM")
		os.Exit(2)
	}
	if err := run(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "goclient:", err)
		os.Exit(1)
	}
}

func run(program string) (err error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	folder, err := os.MkdirTemp("", "laidup-goclient-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	made, err := exec.CommandContext(ctx, program, "keys", "create", "--data", folder, "--label", "client", "--scopes", "reports").Output()
	if err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	key := regexp.MustCompile(`lu_\w+`).FindString(string(made))

	serving, stop := context.WithCancel(ctx)
	defer stop()
	server := exec.CommandContext(serving, program, "serve", "--require-keys", "--data", folder, "--addr", "127.0.0.1:0")
	server.Cancel = func() error { return server.Process.Signal(os.Interrupt) }
	server.WaitDelay = 5 * time.Second
	log, err := server.StderrPipe()
	if err != nil {
		return err
	}
	if err := server.Start(); err != nil {
		return fmt.Errorf("start the service: %w", err)
	}
	defer func() {
		stop()
		_ = server.Wait() // it was told to end
	}()
	lines, url := bufio.NewScanner(log), ""
	for url == "" && lines.Scan() {
		url = regexp.MustCompile(`http://127\.0\.0\.1:\d+`).FindString(lines.Text())
	}
	if url == "" {
		return errors.New("the service did not say where it serves")
	}
	go func() {
		for lines.Scan() { // so that it can go on
		}
	}()

	var reports [][]byte
	for _, n := range []string{"1", "2", "3"} {
		data, err := os.ReadFile(filepath.Join("..", "..", "schema", "demo", "brennick-wren-03."+n+".json"))
		if err != nil {
			return err
		}
		reports = append(reports, data)
	}
	said, err := mainJob(ctx, url, key, reports[0], reports[1:]...)
	if err != nil {
		return err
	}
	if len(said) < 3 || said[0] != "crank is unproven" || said[len(said)-1] != "crank is clear, 0 in the way" {
		return fmt.Errorf("the main job came out as %q", said)
	}
	said, err = mainJob(ctx, url, key, bytes.Replace(reports[2], []byte("2026-03-22"), []byte("2026-02-30"), 1))
	if err != nil {
		return err
	}
	if len(said) != 1 || !strings.Contains(said[0], " at /inspection/date: ") {
		return fmt.Errorf("an invalid report was answered with %q", said)
	}
	return nil
}
