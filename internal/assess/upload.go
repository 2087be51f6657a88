package assess

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"sync"
	"time"

	"laidup/internal/logging"
	"laidup/internal/report"
	"laidup/internal/spreadsheet"
)

// Bounds of a batch.
const (
	// MaxLines is how many lines a batch may have.
	MaxLines = 1_000_000
	// A chunk is what is stored, and worked on, at once: at most so many lines, and no more once they
	// have so many bytes. It takes a worker about a second.
	chunkLines = 100
	chunkBytes = 1 << 20
)

// BatchOrder is a batch of reports with what is wanted of it.
type BatchOrder struct {
	Gate    string // the gate asked about; empty: the rule set's own question
	RuleSet string // "name" or "name/version"; empty: the one that reports are scored under by default
	// IdempotencyKey makes a repeat harmless, and an upload that was cut off one that can go on: lines
	// that are stored already are passed over. Empty: neither.
	IdempotencyKey string
	// FirstLine is the number that the first line has: above 1 where an upload goes on behind the lines
	// that are stored. Zero means 1.
	FirstLine int
	MaxLine   int // the greatest length of a line in bytes; required
	// Table says that the lines are the rows of a CSV file; whatever the first line, the header row comes before it.
	Table bool
	// Pause is asked before each chunk is read; an error ends the upload there. nil: never.
	Pause func() error
}

// PartialError means that an upload did not come to its end: the lines up to Through are stored. Batch is
// empty where it ended before there was one.
type PartialError struct {
	Batch   string
	Through int
	Err     error
}

// Error says how far it came.
func (e *PartialError) Error() string {
	return fmt.Sprintf("batch %s is stored up to line %d: %v", e.Batch, e.Through, e.Err)
}

// Unwrap returns the cause.
func (e *PartialError) Unwrap() error { return e.Err }

// ErrLineGap means that an upload would go on behind lines that are not stored.
var ErrLineGap = errors.New("lines between are missing")

// upload is a batch in the course of being received.
type upload struct {
	own     Account
	by      string // the id of the key that it comes with
	order   BatchOrder
	batch   Batch
	input   Input
	number  int    // of the last line that was read
	tally   []byte // digest of the lines up to it
	checked bool   // every line from the first was seen: the tally can be compared
	deaf    time.Time
}

// Receive stores a batch of reports, one a line, as it is read: chunk by chunk, whatever its length, each
// line with its assessment or with the reason why it has none. What is stored is worked on at once. A line
// that is no valid report is refused by itself; a table whose header row is at fault is refused before
// anything is stored. The error may be [*PartialError] around what ended the upload, a [*NoSuchGateError],
// [ErrNoSuchRuleSet], a [*spreadsheet.HeaderError], [ErrKeyReused], [ErrLineGap], [ErrTooManyLines],
// [ErrBatchMoved] or [ErrBatchClosed], or that of the reader or the store.
func (own Account) Receive(ctx context.Context, o BatchOrder, lines io.Reader) (b Batch, known bool, err error) {
	head := BatchHead{
		Organisation: own.organisation, Kind: Reports,
		IdempotencyKey: o.IdempotencyKey, Fingerprint: o.fingerprint(), At: own.service.clock(),
	}
	if b, known, err = own.under(ctx, &head, o.RuleSet, o.Gate); err != nil {
		return Batch{}, false, err
	}
	first := max(o.FirstLine, 1)
	if o.Table {
		// Its header row is read before anything is stored.
		if err := o.pause(); err != nil {
			return Batch{}, false, &PartialError{Err: err}
		}
	}
	input, err := NewInput(lines, o.Table, first, o.MaxLine, own.service.current().Catalogue)
	if err != nil {
		if errors.As(err, new(*spreadsheet.HeaderError)) {
			return Batch{}, false, err
		}
		return Batch{}, false, &PartialError{Err: err}
	}
	if !known {
		head.ID = own.service.newID()
		if b, known, err = own.service.batches.OpenBatch(ctx, head); err != nil {
			return Batch{}, false, err
		}
	}
	if first > b.Through+1 {
		return b, known, &PartialError{b.ID, b.Through, ErrLineGap}
	}
	u := upload{own: own, by: ActorOf(ctx).Key, order: o, batch: b, input: input, number: first - 1, checked: first == 1}
	if err := u.receive(ctx); err != nil {
		return b, known, &PartialError{b.ID, u.batch.Through, err}
	}
	if b, err = own.service.batches.CloseBatch(ctx, own.organisation, b.ID, own.service.clock()); err != nil {
		return b, known, &PartialError{u.batch.ID, u.batch.Through, err}
	}
	own.service.changed(aboutAll(own.organisation))
	own.service.log.InfoContext(ctx, "batch received", "batch", b.ID, "lines", b.Lines, "refused", b.Refused, "repeat", known)
	return b, known, nil
}

// under finds the rule set and the gate of a batch. Where they are not there, the batch may be known: it came when they
// were, and goes on under what is recorded of it.
func (own Account) under(ctx context.Context, head *BatchHead, ruleSet, gate string) (b Batch, known bool, err error) {
	set, err := own.ruleSet(ctx, ruleSet)
	g := 0
	if err == nil {
		g, err = gateOf(set, gate)
	}
	if err == nil {
		head.Gate, head.RuleSet = set.Gates[g].ID, refOf(set)
		return Batch{}, false, nil
	}
	if head.IdempotencyKey == "" || errors.Is(err, ErrUnavailable) {
		return Batch{}, false, err
	}
	if b, e := own.service.batches.BatchSent(ctx, own.organisation, head.IdempotencyKey, head.Fingerprint); e == nil {
		return b, true, nil
	}
	return Batch{}, false, err
}

// pause lets the sender's time for the next chunk begin.
func (o BatchOrder) pause() error {
	if o.Pause == nil {
		return nil
	}
	return o.Pause()
}

// fingerprint is that of the order, and not of the lines: a digest of those grows as they come.
func (o BatchOrder) fingerprint() string {
	what := string(Reports)
	if o.Table {
		what += " table"
	}
	return fingerprint(o.Gate, o.RuleSet, []byte(what))
}

func (u *upload) receive(ctx context.Context) error {
	if err := u.passOver(); err != nil {
		return err
	}
	if !u.checked {
		var err error
		if u.tally, err = hex.DecodeString(u.batch.Tally); err != nil {
			return fmt.Errorf("read tally of batch %s: %w", u.batch.ID, err)
		}
	}
	for {
		if err := u.order.pause(); err != nil {
			return err
		}
		lines, more, err := u.read()
		if err == nil && (len(lines) > 0 || u.number > u.batch.Through) {
			err = u.store(ctx, lines)
		}
		if err != nil || !more {
			return err
		}
	}
}

// passOver reads the lines that are stored already. Where all were sent again they have to be the same.
func (u *upload) passOver() error {
	for u.number < u.batch.Through {
		_, err := u.next()
		if errors.Is(err, io.EOF) {
			if !u.checked {
				// There is nothing behind what is stored: its sender may have missed the answer.
				u.number = u.batch.Through
				return nil
			}
			return ErrKeyReused
		}
		if err != nil {
			return err
		}
	}
	if u.checked && u.batch.Through > 0 && hex.EncodeToString(u.tally) != u.batch.Tally {
		return ErrKeyReused
	}
	return nil
}

// next reads a line. The error is io.EOF behind the last.
func (u *upload) next() (InputLine, error) {
	digest := sha256.New()
	digest.Write(u.tally)
	l, err := u.input.Next(func(part []byte) { digest.Write(part) })
	if err != nil {
		return InputLine{}, err
	}
	u.number, u.tally = l.Number, digest.Sum(nil)
	return l, nil
}

// read reads the lines of a chunk; blank ones are left out.
func (u *upload) read() (lines []InputLine, more bool, err error) {
	for size := 0; len(lines) < chunkLines && size < chunkBytes; {
		l, err := u.next()
		if errors.Is(err, io.EOF) {
			return lines, false, nil
		}
		if err != nil {
			// What came whole before the connection broke is stored all the same, if it is stored at all
			// by the chunk: the sender goes on behind what is stored.
			return nil, false, err
		}
		if l.Number > MaxLines {
			return nil, false, ErrTooManyLines
		}
		if !l.Blank() {
			lines = append(lines, l)
			size += len(l.Body)
		}
	}
	return lines, true, nil
}

// store stores a chunk and hands it over.
func (u *upload) store(ctx context.Context, lines []InputLine) error {
	s := u.own.service
	c := NewChunk{
		Batch: u.batch.ID, Organisation: u.own.organisation, Number: u.batch.Chunks + 1,
		After: u.batch.Through, Through: u.number, Tally: hex.EncodeToString(u.tally),
		Lines: make([]NewLine, len(lines)), At: s.clock(),
		Full: DossierFullProblem(), NothingToReplace: InvalidLineProblem(u.input.Faults(nothingToReplace)),
	}
	// Behind a chunk that was refused as a whole the next has the number it would have had.
	c.ID = chunkID(u.batch.ID, c.Number)
	u.decode(lines, c)
	var work bool
	err := s.patiently(ctx, "chunk "+c.ID, func() (err error) {
		work, err = s.batches.AddChunk(ctx, c)
		return err
	})
	if err != nil {
		return err
	}
	u.batch.Through, u.batch.Tally = c.Through, c.Tally
	if !work {
		return nil
	}
	u.batch.Chunks++
	for _, l := range c.Lines {
		if l.Submission != nil {
			s.tell.ReportAccepted()
		}
	}
	s.handOne(ctx, s.byTheChunk(), c.ID, &u.deaf)
	return nil
}

// handOne hands over one of many pieces of work that are stored and will be worked on even if the queue is down: then
// it need not be waited for again and again, and nothing is handed over until deaf.
func (s *Service) handOne(ctx context.Context, l lane, id string, deaf *time.Time) {
	if now := s.clock(); now.After(*deaf) && !s.hand(context.WithoutCancel(ctx), l, errand{id, firstAttempt}, senderWaits) {
		*deaf = now.Add(s.overdue)
	}
}

// patiently does something with the store; what is in the way for a moment is waited for.
func (s *Service) patiently(ctx context.Context, what string, do func() error) error {
	for pause := 50 * time.Millisecond; ; pause *= 3 {
		err := do()
		if !errors.Is(err, ErrUnavailable) || pause > time.Second || ctx.Err() != nil {
			return err
		}
		s.log.WarnContext(ctx, what+" not stored yet", "error", err)
		select {
		case <-time.After(pause):
		case <-ctx.Done():
		}
	}
}

// decode reads the lines of a chunk as reports, side by side.
func (u *upload) decode(lines []InputLine, c NewChunk) {
	var workers sync.WaitGroup
	next := make(chan int)
	for range min(runtime.GOMAXPROCS(0), len(lines)) {
		workers.Go(func() {
			for i := range next {
				c.Lines[i] = u.decodeLine(lines[i], c.At)
			}
		})
	}
	for i := range lines {
		next <- i
	}
	close(next)
	workers.Wait()
}

// decodeLine reads a line. One that panics is refused by itself.
func (u *upload) decodeLine(l InputLine, at time.Time) (line NewLine) {
	ctx := logging.With(context.Background(), slog.String("batch", u.batch.ID), slog.Int("line", l.Number))
	err := logging.Guard(ctx, u.own.service.log, func() error {
		line = u.lineOf(l, at)
		return nil
	})
	if err != nil {
		line = NewLine{Number: l.Number, Problem: lineProblem{"/problems/internal-error", "Something went wrong here", fmt.Sprintf("this is our fault, not that of the report: tell us the batch %s and the line", u.batch.ID), nil}.encode()}
	}
	return line
}

func (u *upload) lineOf(l InputLine, at time.Time) (line NewLine) {
	s := u.own.service
	line.Number = l.Number
	var r *report.Report
	var checked Checked
	line.Problem = l.Problem(u.order.MaxLine, func(body []byte) []report.Fault {
		var err error
		var invalid *InvalidError
		if r, checked, err = s.decode(body, at); errors.As(err, &invalid) {
			return invalid.Faults
		}
		return nil
	})
	if line.Problem != nil {
		return line
	}
	line.Vehicle = r.Vehicle.Reference
	line.Submission = &Submission{
		Organisation: u.own.organisation, ReportID: s.newID(), AssessmentID: s.newID(),
		Vehicle: r.Vehicle.Reference, Description: r.Vehicle.Description, Reference: r.Reference, Inspected: checked.Inspected,
		Replaces: r.Replaces, Photos: r.AllPhotos(), PostedBy: u.by,
		Body: l.Body, Gate: u.batch.Gate, RuleSet: u.batch.RuleSet, At: at, Most: MaxReports, Batch: u.batch.ID,
	}
	return line
}

func chunkID(batch string, number int) string { return fmt.Sprintf("%s.%d", batch, number) }
