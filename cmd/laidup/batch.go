package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"github.com/schollz/progressbar/v3"

	"laidup/api"
	"laidup/internal/assess"
	"laidup/internal/calendar"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/spreadsheet"
)

type batchCommand struct {
	File   string `arg:"" help:"File with one report per line, as JSON or, if its name ends in .csv, as rows of a spreadsheet. - reads JSON from standard input."`
	Gate   string `help:"Gate to judge. Default: the rule set's own gate."`
	Rules  string `help:"Rule set: first-start or pre-purchase. Offline also a YAML or JSON file, or a folder. On a server also name/version."`
	Format string `enum:"ndjson,csv" default:"ndjson" help:"Output format: ndjson or csv."`
	Out    string `help:"File for the results. Default: standard output."`
	Server string `env:"LAIDUP_SERVER" help:"URL of the server to send reports to, which stores them. Without it, nothing is sent or stored."`
	Key    string `env:"LAIDUP_KEY" help:"API key for the server."`
}

// Run scores every line. The exit status is 0 when every line has a result, 1 when some have none.
func (c *batchCommand) Run(ctx context.Context, t terminal) (err error) {
	in, size, forget, err := c.open(t)
	if err != nil {
		return err
	}
	defer forget()
	out, closeOut, err := c.create(t)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeOut()) }()
	if c.Server != "" {
		return c.send(ctx, t, in, out)
	}
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	gate := set.Asks
	if c.Gate != "" {
		if gate = slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == c.Gate }); gate < 0 {
			return fmt.Errorf("there is no gate %q: use one of %s", c.Gate, gateNames(set))
		}
	}
	checker := report.NewChecker(set.Catalogue)
	bar := c.bar(t, size, "scoring", true)
	b := &offlineBatch{
		in: in, table: c.table(), kept: in, set: set, scorer: score.New(set), gate: gate, checker: checker, earlier: map[string][]span{},
		out: api.NewLineWriter(out, assess.Reports, c.Format == "csv"), read: bar, said: t.err, today: t.today,
	}
	if b.table {
		if b.kept, err = os.CreateTemp("", "laidup-batch-"); err != nil {
			return fmt.Errorf("keep reports: %w", err)
		}
		defer func() { _, _ = b.kept.Close(), os.Remove(b.kept.Name()) }()
	}
	err = b.run(ctx)
	var header *spreadsheet.HeaderError
	switch {
	case errors.As(err, &header):
		for _, f := range header.Faults {
			fmt.Fprintln(t.err, printable(c.File+": "+columnFault(f.Column, f.Detail)))
		}
		return status(exitBad)
	case err != nil:
		return err
	}
	return c.tell(t, b.done, b.lines-b.done)
}

// columnFault says what is wrong with a column, or with all of them where it has no name.
func columnFault(column, detail string) string {
	if column == "" {
		return detail
	}
	return fmt.Sprintf("column %q: %s", column, detail)
}

// table reports whether the file is one of a spreadsheet.
func (c *batchCommand) table() bool { return strings.EqualFold(filepath.Ext(c.File), ".csv") }

// tell says what came of the lines.
func (c *batchCommand) tell(t terminal, done, none int) error {
	if done == 0 && none > 0 && c.table() {
		fmt.Fprintf(t.err, "None of the %d rows is a report that can be scored; the results say why.\n", none)
		return status(exitBad)
	}
	if done == 0 && none > 0 {
		fmt.Fprintf(t.err, "None of the %d lines is a report that can be scored; the results say why. A batch has one report per line. If a report takes up several lines, put it on one: tr -d '\\n' < report.json\n", none)
		return status(exitBad)
	}
	fmt.Fprintf(t.err, "%d lines have a result", done)
	if none == 0 {
		fmt.Fprintln(t.err, ".")
		return nil
	}
	fmt.Fprintf(t.err, ", %d have none: the results say why.\n", none)
	return status(exitBlocked)
}

// open opens the file. What cannot be read twice is kept in a file of its own meanwhile: the earlier
// reports on a vehicle are read again for each later one.
func (c *batchCommand) open(t terminal) (in *os.File, size int64, forget func(), err error) {
	if c.File != "-" {
		if in, err = os.Open(c.File); err != nil { // #nosec G304 -- who scores says which file
			return nil, 0, nil, fmt.Errorf("read reports: %w", err)
		}
		info, err := in.Stat()
		if err != nil {
			return nil, 0, nil, errors.Join(fmt.Errorf("read reports: %w", err), in.Close())
		}
		if info.Mode().IsRegular() {
			return in, info.Size(), func() { _ = in.Close() }, nil
		}
		defer in.Close()
		t.in = in
	}
	kept, err := os.CreateTemp("", "laidup-batch-")
	if err != nil {
		return nil, 0, nil, fmt.Errorf("keep reports: %w", err)
	}
	forget = func() { _, _ = kept.Close(), os.Remove(kept.Name()) }
	if size, err = io.Copy(kept, t.in); err == nil {
		_, err = kept.Seek(0, io.SeekStart)
	}
	if err != nil {
		forget()
		return nil, 0, nil, fmt.Errorf("keep reports: %w", err)
	}
	return kept, size, forget, nil
}

func (c *batchCommand) create(t terminal) (out io.Writer, done func() error, err error) {
	if c.Out == "" {
		return t.out, func() error { return nil }, nil
	}
	f, err := os.Create(c.Out) // #nosec G304 -- who scores says which file
	if err != nil {
		return nil, nil, fmt.Errorf("write results: %w", err)
	}
	return f, f.Close, nil
}

// bar shows how far it has got, if anybody sees it.
func (c *batchCommand) bar(t terminal, total int64, doing string, inBytes bool) *progressbar.ProgressBar {
	if !t.watched {
		return progressbar.DefaultSilent(total)
	}
	options := []progressbar.Option{
		progressbar.OptionSetWriter(t.err), progressbar.OptionSetDescription(doing), progressbar.OptionShowCount(),
		progressbar.OptionSetPredictTime(true), progressbar.OptionThrottle(progressEvery), progressbar.OptionClearOnFinish(), progressbar.OptionFullWidth(),
	}
	if inBytes {
		options = append(options, progressbar.OptionShowBytes(true))
	} else {
		options = append(options, progressbar.OptionShowIts(), progressbar.OptionSetItsString("lines"))
	}
	return progressbar.NewOptions64(total, options...)
}

// span is where a report is in the file that has it.
type span struct {
	at     int64
	length int
}

// offlineBatch scores the lines of a file, each with the earlier lines on the same vehicle. What it keeps
// in memory of a line that is done is where it is.
type offlineBatch struct {
	in      *os.File
	table   bool     // in is a table
	kept    *os.File // has the reports as JSON: in, or a file of its own beside a table
	set     *ruleset.Set
	scorer  *score.Scorer
	gate    int
	checker *report.Checker
	earlier map[string][]span // by vehicle
	out     api.LineWriter
	read    *progressbar.ProgressBar
	said    io.Writer    // what is said beside the results
	today   calendar.Day // by this machine's clock

	lines, done int
	ahead       int // lines with dates that have not come
}

// linesWarnedOf is how many lines are named that have dates which have not come: the others are counted.
const linesWarnedOf = 10

// warn says which dates of a line have not come by this machine's clock: a server would refuse the line.
func (b *offlineBatch) warn(j *job) {
	list := j.report.Ahead(b.today)
	if len(list) == 0 {
		return
	}
	if b.ahead++; b.ahead > linesWarnedOf {
		return
	}
	for _, c := range list {
		fmt.Fprintf(b.said, "line %d: %s: caution: %s\n", j.Number, c.Pointer, c.Detail)
	}
}

// job is a line on its way to its result.
type job struct {
	assess.InputLine
	where   span
	report  *report.Report
	earlier []span
	result  api.Line
}

// block is how many lines are read before they are worked on, side by side.
const block = 256

func (b *offlineBatch) run(ctx context.Context) error {
	input, err := assess.NewInput(io.TeeReader(b.in, b.read), b.table, 1, maxReport, b.set.Catalogue)
	if err != nil {
		return fmt.Errorf("read reports: %w", err)
	}
	for at, more := int64(0), true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		var jobs []*job
		var broken error
		for len(jobs) < block && more {
			line, err := input.Next(nil)
			if err != nil {
				more = false
				if !errors.Is(err, io.EOF) {
					broken = fmt.Errorf("read reports: %w", err)
				}
				break
			}
			j := &job{InputLine: line, where: span{at, len(line.Body)}}
			at += line.Size
			if line.Blank() {
				continue
			}
			if b.table {
				if _, err := b.kept.WriteAt(line.Body, at); err != nil {
					return fmt.Errorf("keep reports: %w", err)
				}
				at += int64(len(line.Body))
			}
			jobs = append(jobs, j)
		}
		if err := errors.Join(b.work(jobs), broken); err != nil {
			return err
		}
	}
	_ = b.read.Finish()
	if more := b.ahead - linesWarnedOf; more > 0 {
		fmt.Fprintf(b.said, "%d more lines have dates in the future.\n", more)
	}
	return nil
}

func (b *offlineBatch) work(jobs []*job) error {
	sideBySide(jobs, b.decode)
	for _, j := range jobs { // in their order: a line is scored with those before it
		if j.report == nil {
			continue
		}
		b.warn(j)
		vehicle := j.report.Vehicle.Reference
		if len(b.earlier[vehicle]) == assess.MaxReports {
			j.report = nil
			j.result.Problem = assess.DossierFullProblem()
			continue
		}
		j.earlier = b.earlier[vehicle]
		b.earlier[vehicle] = append(j.earlier[:len(j.earlier):len(j.earlier)], j.where)
	}
	var failed error
	var once sync.Once
	sideBySide(jobs, func(j *job) {
		if err := b.score(j); err != nil {
			once.Do(func() { failed = err })
		}
	})
	if failed != nil {
		return failed
	}
	for _, j := range jobs {
		b.lines++
		if j.report != nil {
			b.done++
		}
		if err := b.out.Write(j.result); err != nil {
			return fmt.Errorf("write results: %w", err)
		}
	}
	if err := b.out.Flush(); err != nil {
		return fmt.Errorf("write results: %w", err)
	}
	return nil
}

// sideBySide does something with each job, as many at once as there are processors.
func sideBySide(jobs []*job, do func(*job)) {
	var workers sync.WaitGroup
	next := make(chan *job)
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for j := range next {
				do(j)
			}
		})
	}
	for _, j := range jobs {
		next <- j
	}
	close(next)
	workers.Wait()
}

func (b *offlineBatch) decode(j *job) {
	j.result = api.Line{Number: j.Number, State: api.Refused}
	var r *report.Report
	j.result.Problem = j.InputLine.Problem(maxReport, func(body []byte) (faults []report.Fault) {
		r, _, faults = b.checker.Decode(bytes.TrimRight(body, "\r\n"))
		return faults
	})
	if j.result.Problem != nil {
		return
	}
	j.report, j.result.Vehicle, j.result.Reference = r, r.Vehicle.Reference, r.Reference
}

func (b *offlineBatch) score(j *job) error {
	if j.report == nil {
		return nil
	}
	reports := make([]*report.Report, 0, len(j.earlier)+1)
	for _, s := range j.earlier {
		body := make([]byte, s.length)
		if _, err := b.kept.ReadAt(body, s.at); err != nil {
			return fmt.Errorf("read an earlier report on %s again: %w", j.report.Vehicle.Reference, err)
		}
		r, _, faults := b.checker.Decode(bytes.TrimRight(body, "\r\n"))
		if len(faults) > 0 {
			return fmt.Errorf("an earlier report on %s has changed while it was read", j.report.Vehicle.Reference)
		}
		reports = append(reports, r)
	}
	a := b.scorer.Evaluate(append(reports, j.report), b.gate)
	summary, err := json.Marshal(assess.SummaryOf(a))
	if err != nil {
		return fmt.Errorf("encode summary of line %d: %w", j.Number, err)
	}
	j.result.State, j.result.AsOf, j.result.Summary = string(assess.Done), a.AsOf, summary
	return nil
}
