package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path"
	"time"

	"laidup/internal/assess"
	"laidup/internal/config"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"
)

type demoCommand struct {
	Addr string `default:"127.0.0.1:8416" env:"LAIDUP_ADDR" help:"Address to listen on. If it is taken, a free port is used."`
	Exit bool   `help:"Stop after showing the results."`
}

// story is one vehicle of the demo.
type story struct {
	vehicle string
	reports []string // in the order in which they are posted
	told    string
}

var stories = []story{
	{"marrick-tern-01", []string{"marrick-tern-01.1.json"}, "A saloon eleven years off the road. The bench has found things that must not be there."},
	{"corvane-dale-07", []string{"corvane-dale-07.1.json"}, "A diesel van. Nothing bad was found, but nobody has looked everywhere."},
	{"brennick-wren-03", []string{"brennick-wren-03.1.json", "brennick-wren-03.2.json", "brennick-wren-03.3.json"}, "A motorcycle, inspected, put right in two follow-ups."},
}

// Run starts the service on embedded defaults, posts the reports over HTTP and shows the answers.
func (c *demoCommand) Run(ctx context.Context, t terminal) error {
	log, err := newLog(t, config.Log{LogLevel: "warn", LogFormat: "text"})
	if err != nil {
		return err
	}
	data, err := os.MkdirTemp("", "laidup-demo-")
	if err != nil {
		return fmt.Errorf("make a folder for the demo: %w", err)
	}
	defer os.RemoveAll(data)
	p, err := start(ctx, config.HTTP{Addr: free(c.Addr), MaxBody: maxReport}, config.Store{Data: data}, config.Queue{},
		config.Work{Workers: 2, Grace: 5 * time.Second, SweepEvery: 5 * time.Second, OverdueAfter: 10 * time.Second}, config.Webhooks{}, outlook{log: log})
	if err != nil {
		return err
	}
	if err := c.show(ctx, t, p.url()); err != nil {
		return errors.Join(err, p.shutDown())
	}
	if c.Exit {
		return p.shutDown()
	}
	fmt.Fprintf(t.out, "\nServing at %s until you press Ctrl-C. Try:\n\n  curl '%s/v1/vehicles/marrick-tern-01/readiness?gate=crank'\n  curl '%s/v1/vehicles'\n", p.url(), p.url(), p.url())
	return p.until(ctx)
}

// free returns the address if nobody listens there, else one with a port that is free.
func free(addr string) string {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		host, _, splitErr := net.SplitHostPort(addr)
		if splitErr != nil {
			return addr
		}
		return net.JoinHostPort(host, "0")
	}
	_ = l.Close()
	return addr
}

func (c *demoCommand) show(ctx context.Context, t terminal, url string) error {
	p := newPage(t.out, t)
	p.line("The service runs at %s: one program, its own store and queue.", url)
	for i, s := range stories {
		p.line("")
		p.line("%s", p.strong(fmt.Sprintf("%d. %s", i+1, s.vehicle)))
		p.fill("   ", "   ", s.told)
		for _, name := range s.reports {
			if err := post(ctx, p, url, name); err != nil {
				return err
			}
		}
		if err := readiness(ctx, p, url, s.vehicle); err != nil {
			return err
		}
	}
	return nil
}

// post sends a report and says what came back.
func post(ctx context.Context, p page, url, name string) error {
	body, err := fs.ReadFile(schema.FS, path.Join("demo", name))
	if err != nil {
		return fmt.Errorf("read demo report: %w", err)
	}
	var a score.Assessment
	took, err := call(ctx, http.MethodPost, url+"/v1/reports", body, &a)
	if err != nil {
		return fmt.Errorf("post %s: %w", name, err)
	}
	p.line("")
	p.line("   POST /v1/reports  %s", name)
	p.line("   %s by %s: %s, %s, chance of getting there without harm %s (answered in %d ms)", wording.Spaced(a.Verdict.Gate), a.AsOf, p.state(a.Verdict.State), blockers(a.Verdict.Blockers), p.words.Chance(a.Verdict.ChanceThrough, a.Verdict.ChanceThroughLow, a.Verdict.ChanceThroughHigh), took.Milliseconds())
	p.line("   worst risks:")
	for _, e := range a.Register[:min(3, len(a.Register))] {
		p.fill(fmt.Sprintf("     %-8s", e.Risk), "             ", fmt.Sprintf("%s: %s (%s, %s at %s)", wording.Spaced(e.Item), e.What, e.Severity, p.words.Chance(e.Probability, e.Low, e.High), wording.Spaced(e.Gate)))
	}
	return nil
}

// readiness asks the mechanic's question.
func readiness(ctx context.Context, p page, url, vehicle string) error {
	var r assess.Readiness
	at := "/v1/vehicles/" + vehicle + "/readiness?gate=first_start"
	if _, err := call(ctx, http.MethodGet, url+at, nil, &r); err != nil {
		return fmt.Errorf("ask for readiness of %s: %w", vehicle, err)
	}
	p.line("")
	p.line("   GET %s", at)
	p.line("   %s", p.state(r.State))
	for _, b := range r.Blockers {
		p.fill(fmt.Sprintf("   %2d. %s, %s: ", b.Rank, wording.Spaced(b.Gate), b.Kind), "       ", p.words.Placed(wording.Spaced(b.Item), b.At)+": "+b.Because)
		p.fill("       to clear it: ", "         ", p.words.Clearing(b.ClearBy))
	}
	return nil
}

// call makes one request and reads the answer, waiting for the assessment.
func call(ctx context.Context, method, url string, body []byte, into any) (time.Duration, error) {
	req, err := http.NewRequestWithContext(ctx, method, url, bytes.NewReader(body))
	if err != nil {
		return 0, err
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Prefer", "wait=20")
	}
	began := time.Now()
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	took := time.Since(began)
	switch {
	case err != nil:
		return 0, err
	case res.StatusCode != http.StatusOK:
		return 0, fmt.Errorf("answered %s: %s", res.Status, cmp.Or(string(data), "nothing"))
	}
	return took, json.Unmarshal(data, into)
}
