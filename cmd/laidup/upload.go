package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
)

// progressEvery is how often it is shown how far something has got.
const progressEvery = 500 * time.Millisecond

// uploadTries is how often in a row a batch is sent on without one more line being stored.
const uploadTries = 8

// waitingTries is how often in a row a server that does not answer is asked how far it has got.
const waitingTries = 240

// batchView is what of a batch on a server is of interest here.
type batchView struct {
	ID    string
	State string
	Lines struct {
		Through, Received, Refused, Done, Failed int
	}
	FinishedAt *time.Time `json:"finished_at"`
}

// send sends the file to the server, waits for the results and writes them. The same file is the same
// batch: sent again after it was cut off, it goes on where it was.
func (c *batchCommand) send(ctx context.Context, t terminal, in *os.File, out io.Writer) error {
	digest := sha256.New()
	fmt.Fprintf(digest, "%s\x00%s\x00", c.Rules, c.Gate)
	if _, err := io.Copy(digest, in); err != nil {
		return fmt.Errorf("read reports: %w", err)
	}
	key := "file-" + hex.EncodeToString(digest.Sum(nil)[:16])
	b, err := c.upload(ctx, t, in, key)
	if err != nil {
		return err
	}
	bar := c.bar(t, int64(b.Lines.Received), "scoring", false)
	for tries := 1; b.FinishedAt == nil; tries++ {
		if err := sleep(ctx, progressEvery); err != nil {
			fmt.Fprintf(t.err, "\nThe server works on batch %s all the same: the same command goes on waiting.\n", b.ID)
			return err
		}
		err := c.get(ctx, "/v1/batches/"+b.ID, &b)
		var refused *refusal
		switch {
		case err == nil:
			tries = 0
		case tries == waitingTries || errors.As(err, &refused) && !refused.passing():
			return err
		}
		_ = bar.Set(b.Lines.Refused + b.Lines.Done + b.Lines.Failed)
	}
	_ = bar.Finish()
	answer, err := c.request(ctx, http.MethodGet, "/v1/batches/"+b.ID+"/results?format="+c.Format, nil, nil)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if _, err := io.Copy(out, answer.Body); err != nil {
		return fmt.Errorf("read results of batch %s: %w", b.ID, err)
	}
	return c.tell(t, b.Lines.Done, b.Lines.Refused+b.Lines.Failed)
}

// upload sends the lines; where it is cut off it goes on behind those that are stored. Of a table all are
// sent again, which the server passes over.
func (c *batchCommand) upload(ctx context.Context, t terminal, in *os.File, key string) (batchView, error) {
	query := url.Values{}
	for name, value := range map[string]string{"gate": c.Gate, "rule_set": c.Rules} {
		if value != "" {
			query.Set(name, value)
		}
	}
	info, err := in.Stat()
	if err != nil {
		return batchView{}, fmt.Errorf("read reports: %w", err)
	}
	through, at := 0, int64(0)
	for tries, pause := 1, time.Second; ; tries, pause = tries+1, min(2*pause, time.Minute) {
		if _, err := in.Seek(at, io.SeekStart); err != nil {
			return batchView{}, fmt.Errorf("read reports: %w", err)
		}
		media := "text/csv"
		if !c.table() {
			media = "application/x-ndjson"
			query.Set("first_line", strconv.Itoa(through+1))
		}
		bar := c.bar(t, info.Size(), "sending", true)
		_ = bar.Set64(at)
		var b batchView
		// The client would close the file.
		answer, err := c.request(ctx, http.MethodPost, "/v1/batches?"+query.Encode(), io.NopCloser(io.TeeReader(in, bar)), http.Header{
			"Content-Type": {media}, "Idempotency-Key": {key},
		})
		_ = bar.Finish()
		if err == nil {
			err = json.NewDecoder(answer.Body).Decode(&b)
			err = errors.Join(err, answer.Body.Close())
		}
		if err == nil {
			return b, nil
		}
		var refused *refusal
		if ctx.Err() != nil || errors.As(err, &refused) && !refused.passing() {
			return b, err
		}
		// Whatever broke, the server knows how far it came, if it can be asked by now.
		if known, ok := c.known(ctx, key); ok && known.Lines.Through > through {
			from := through
			through, tries, pause = known.Lines.Through, 0, time.Second
			if !c.table() {
				if at, err = behind(in, at, through-from); err != nil {
					return b, err
				}
			}
		}
		if tries == uploadTries {
			return b, err
		}
		fmt.Fprintf(t.err, "%v; %d lines are stored; going on in %s\n", err, through, pause)
		if err := sleep(ctx, pause); err != nil {
			return b, err
		}
	}
}

// known looks for the batch under a key among the newest.
func (c *batchCommand) known(ctx context.Context, key string) (batchView, bool) {
	var list struct {
		Batches []struct {
			batchView
			Key string `json:"idempotency_key"`
		}
	}
	if err := c.get(ctx, "/v1/batches", &list); err != nil {
		return batchView{}, false
	}
	for _, b := range list.Batches {
		if b.Key == key {
			return b.batchView, true
		}
	}
	return batchView{}, false
}

// behind returns the place in a file so many lines behind another.
func behind(in *os.File, at int64, lines int) (int64, error) {
	if _, err := in.Seek(at, io.SeekStart); err != nil {
		return 0, fmt.Errorf("read reports: %w", err)
	}
	r := bufio.NewReaderSize(in, 1<<20)
	for lines > 0 {
		part, err := r.ReadSlice('\n')
		at += int64(len(part))
		switch {
		case err == nil:
			lines--
		case errors.Is(err, io.EOF):
			return at, nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return 0, fmt.Errorf("read reports: %w", err)
		}
	}
	return at, nil
}

// refusal is an answer of the server that is an error.
type refusal struct {
	status        int
	title, detail string
	faults        []string
}

// Error says what the server said.
func (r *refusal) Error() string {
	said := printable(fmt.Sprintf("the server answers %d: %s: %s", r.status, r.title, r.detail))
	for _, f := range r.faults {
		said += "\n  " + printable(f)
	}
	return said
}

// passing says whether another try may help.
func (r *refusal) passing() bool {
	return r.status >= 500 || r.status == http.StatusTooManyRequests || r.status == http.StatusRequestTimeout || r.status == http.StatusConflict
}

func (c *batchCommand) get(ctx context.Context, path string, into any) error {
	answer, err := c.request(ctx, http.MethodGet, path, nil, nil)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	if err := json.NewDecoder(answer.Body).Decode(into); err != nil {
		return fmt.Errorf("read the server's answer: %w", err)
	}
	return nil
}

// request sends a request; an answer that is an error is a [*refusal].
func (c *batchCommand) request(ctx context.Context, method, path string, body io.Reader, header http.Header) (*http.Response, error) {
	request, err := http.NewRequestWithContext(ctx, method, strings.TrimRight(c.Server, "/")+path, body)
	if err != nil {
		return nil, fmt.Errorf("ask the server: %w", err)
	}
	for name, values := range header {
		request.Header[name] = values
	}
	if c.Key != "" {
		request.Header.Set("Authorization", "Bearer "+c.Key)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, fmt.Errorf("ask the server: %w", err)
	}
	if answer.StatusCode < 300 {
		return answer, nil
	}
	defer answer.Body.Close()
	r := &refusal{status: answer.StatusCode}
	var problem struct {
		Title, Detail string
		Errors        []struct{ Column, Detail string }
	}
	if data, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20)); err == nil && json.Unmarshal(data, &problem) == nil {
		r.title, r.detail = problem.Title, problem.Detail
		for _, f := range problem.Errors {
			r.faults = append(r.faults, columnFault(f.Column, f.Detail))
		}
	}
	return nil, r
}

func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
