package assesstest

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/assess"
)

// StoreWithBatches is a store that keeps batches as well, and plans.
type StoreWithBatches interface {
	assess.Store
	assess.BatchStore
	assess.PlanStore
	assess.OutcomeStore
	assess.AttachmentStore
}

// BatchStore runs the suite that every store of batches must pass. Each call of open gives a fresh,
// empty store which the open function closes when its test ends.
func BatchStore(t *testing.T, open func(t *testing.T) StoreWithBatches) {
	for name, test := range map[string]func(batches, *testing.T){
		"a batch is kept as it was opened":                        batches.opened,
		"lines are kept in their order with what becomes of them": batches.life,
		"a batch goes on where it was cut off, and nowhere else":  batches.goesOn,
		"of senders at once one stores a chunk":                   batches.race,
		"a vehicle that is full refuses a line and not the chunk": batches.full,
		"of chunks that finish at once one is the last":           batches.last,
		"a chunk is not finished before its lines are":            batches.unfinished,
		"what is cancelled winds down":                            batches.cancelled,
		"vehicles are scored again by name, by batch or all":      batches.rescored,
		"of vehicles that are not there nothing is stored":        batches.missing,
		"batches are listed newest first, page by page":           batches.listed,
		"lines of a vehicle that is erased keep their numbers":    batches.erasedLines,
		"assessments of a batch are not waited for one by one":    batches.waiting,
		"what is one organisation's is unknown to another":        batches.strangers,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(batches{open(t)}, t)
		})
	}
}

type batches struct{ StoreWithBatches }

func head(id, key string) assess.BatchHead {
	return assess.BatchHead{
		ID: id, Organisation: us, Kind: assess.Reports, Gate: "first_start", IdempotencyKey: key, Fingerprint: "f",
		RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a1b"}, At: start,
	}
}

func (s batches) open(t *testing.T, h assess.BatchHead) assess.Batch {
	t.Helper()
	b, known, err := s.OpenBatch(t.Context(), h)
	check(t, err)
	if known {
		t.Errorf("batch %s is known before it is opened", h.ID)
	}
	return b
}

// chunkOf returns a chunk with a line of a report on each vehicle, and a refused line where the vehicle
// is empty. Vehicle and number make up the ids.
func chunkOf(batch string, number, after int, vehicles ...string) assess.NewChunk {
	c := assess.NewChunk{
		ID: fmt.Sprintf("%s.%d", batch, number), Batch: batch, Organisation: us, Number: number, After: after, Through: after + len(vehicles),
		Tally: fmt.Sprintf("tally-%d", number), Full: []byte(`{"title":"full"}`), At: start,
	}
	for i, v := range vehicles {
		l := assess.NewLine{Number: after + i + 1, Vehicle: v, Problem: []byte(`{"title":"invalid"}`)}
		if v != "" {
			sub := submission(fmt.Sprintf("%s-%d", batch, l.Number), v, start)
			sub.Batch = batch
			l.Submission, l.Problem = &sub, nil
		}
		c.Lines = append(c.Lines, l)
	}
	return c
}

func (s batches) add(t *testing.T, c assess.NewChunk) {
	t.Helper()
	_, err := s.AddChunk(t.Context(), c)
	check(t, err)
}

// work finishes the assessments of a chunk, and the chunk.
func (s batches) work(t *testing.T, id string) (assess.Batch, bool) {
	t.Helper()
	c, err := s.Chunk(t.Context(), id)
	check(t, err)
	lines, err := s.ChunkLines(t.Context(), c)
	check(t, err)
	for _, l := range lines {
		if !l.Assessment.FinishedAt.IsZero() {
			continue
		}
		o := outcome(l.Assessment.ID)
		o.Summary = []byte(`{"of":"` + l.Assessment.ID + `"}`)
		check(t, s.Finish(t.Context(), l.Assessment.ID, o, start))
	}
	b, done, err := s.FinishChunk(t.Context(), c, nil, start.Add(time.Minute))
	check(t, err)
	return b, done
}

func (s batches) opened(t *testing.T) {
	b := s.open(t, head("b", "key"))
	same(t, b, assess.Batch{BatchHead: func() assess.BatchHead { h := head("b", "key"); h.At = stored(start); return h }(), State: assess.Receiving})
	again, known, err := s.OpenBatch(t.Context(), head("another", "key"))
	check(t, err)
	same(t, again, b)
	if !known {
		t.Error("a repeat is not known")
	}
	other := head("another", "key")
	other.Fingerprint = "g"
	if _, _, err := s.OpenBatch(t.Context(), other); !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("a key with another order: %v", err)
	}
	sent, err := s.BatchSent(t.Context(), us, "key", other.Fingerprint)
	if !errors.Is(err, assess.ErrKeyReused) {
		t.Errorf("found by another order: %+v, %v", sent, err)
	}
	sent, err = s.BatchSent(t.Context(), us, "key", b.Fingerprint)
	check(t, err)
	same(t, sent, b)
	for _, who := range []struct{ organisation, key string }{{them, "key"}, {us, "none"}} {
		if _, err := s.BatchSent(t.Context(), who.organisation, who.key, b.Fingerprint); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%v finds it: %v", who, err)
		}
	}
	s.open(t, head("c", ""))
	s.open(t, head("d", "")) // none is no key
}

func (s batches) life(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "tern", "", "dale"))
	s.add(t, chunkOf("b", 2, 3, "wren", "tern"))
	if b, done := s.work(t, "b.2"); done || b.Done != 2 || b.State != assess.Receiving {
		t.Errorf("after one of two chunks: %+v", b)
	}
	b, err := s.CloseBatch(t.Context(), us, "b", start.Add(time.Second))
	check(t, err)
	if b.State != assess.Working || b.Lines != 5 || b.Refused != 1 || b.Through != 5 || b.Chunks != 2 || b.ChunksFinished != 1 || b.Tally != "tally-2" || !b.ReceivedAt.Equal(stored(start.Add(time.Second))) {
		t.Errorf("once all lines are there: %+v", b)
	}
	b, done := s.work(t, "b.1")
	if !done || b.State != assess.BatchDone || b.Done != 4 || b.Failed != 0 || !b.FinishedAt.Equal(stored(start.Add(time.Minute))) {
		t.Errorf("at the end: %v, %+v", done, b)
	}
	stored, err := s.Batch(t.Context(), us, "b")
	check(t, err)
	same(t, stored, b)

	var got []string
	for after, pages := 0, 0; ; pages++ {
		lines, err := s.Lines(t.Context(), us, "b", after, 2)
		check(t, err)
		for _, l := range lines {
			after = l.Number
			got = append(got, fmt.Sprintf("%d %s %s %s%s", l.Number, l.Vehicle, l.Assessment.State, l.Problem, l.Assessment.Outcome.Summary))
		}
		if len(lines) < 2 {
			break
		}
	}
	same(t, got, []string{
		`1 tern done {"of":"assessment-b-1"}`, `2   {"title":"invalid"}`, `3 dale done {"of":"assessment-b-3"}`,
		`4 wren done {"of":"assessment-b-4"}`, `5 tern done {"of":"assessment-b-5"}`,
	})
	dossier, err := s.Dossier(t.Context(), us, "tern", 9)
	check(t, err)
	if len(dossier) != 2 || dossier[0].ID != "report-b-1" || dossier[1].Ordinal != 2 {
		t.Errorf("reports on one vehicle are out of order: %+v", dossier)
	}
	if _, err := s.Chunk(t.Context(), "b.1"); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("a finished chunk: %v", err)
	}
	if _, err := s.Chunk(t.Context(), "b.9"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("an unknown chunk: %v", err)
	}
}

func (s batches) goesOn(t *testing.T) {
	s.open(t, head("b", "key"))
	s.add(t, chunkOf("b", 1, 0, "tern", "dale"))
	for _, after := range []int{0, 1, 3} {
		c := chunkOf("b", 2, after, "wren")
		c.Lines[0].Submission.ReportID, c.Lines[0].Submission.AssessmentID = fmt.Sprint("other-", after), fmt.Sprint("another-", after)
		c.Lines[0].Number += 10
		if _, err := s.AddChunk(t.Context(), c); !errors.Is(err, assess.ErrBatchMoved) {
			t.Errorf("behind line %d: %v", after, err)
		}
	}
	if _, err := s.Vehicle(t.Context(), us, "wren"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("what was refused left a vehicle: %v", err)
	}
	s.add(t, chunkOf("b", 2, 2, "wren"))
	b, err := s.CloseBatch(t.Context(), us, "b", start)
	check(t, err)
	again, err := s.CloseBatch(t.Context(), us, "b", start.Add(time.Hour))
	check(t, err)
	same(t, again, b)
	if _, err := s.AddChunk(t.Context(), chunkOf("b", 3, 3, "lark")); !errors.Is(err, assess.ErrBatchClosed) {
		t.Errorf("behind the end: %v", err)
	}
}

func (s batches) race(t *testing.T) {
	s.open(t, head("b", ""))
	var stored atomic.Int64
	var senders sync.WaitGroup
	for i := range 6 {
		senders.Go(func() {
			c := chunkOf("b", 1, 0, "tern", "dale", "wren")
			for j := range c.Lines {
				c.Lines[j].Submission.ReportID += fmt.Sprint("-", i)
				c.Lines[j].Submission.AssessmentID += fmt.Sprint("-", i)
			}
			if i%2 == 1 { // nobody waits for another who waits for him
				slices.Reverse(c.Lines)
			}
			c.ID += fmt.Sprint("-", i)
			_, err := s.AddChunk(t.Context(), c)
			switch {
			case err == nil:
				stored.Add(1)
			case !errors.Is(err, assess.ErrBatchMoved) && !errors.Is(err, assess.ErrUnavailable):
				// One whose lines are taken may hear of that first.
				if b, _ := s.Batch(t.Context(), us, "b"); b.Through == 0 {
					t.Errorf("neither stored nor moved: %v", err)
				}
			}
		})
	}
	senders.Wait()
	b, err := s.Batch(t.Context(), us, "b")
	check(t, err)
	if stored.Load() != 1 || b.Lines != 3 || b.Chunks != 1 {
		t.Errorf("%d stored: %+v", stored.Load(), b)
	}
	for _, v := range []string{"tern", "dale", "wren"} {
		if vehicle, err := s.Vehicle(t.Context(), us, v); err != nil || vehicle.Reports != 1 {
			t.Errorf("%s has %d reports (%v)", v, vehicle.Reports, err)
		}
	}
}

func (s batches) full(t *testing.T) {
	s.open(t, head("b", ""))
	c := chunkOf("b", 1, 0, "tern", "tern", "tern", "dale")
	for i := range c.Lines {
		c.Lines[i].Submission.Most = 2
	}
	s.add(t, c)
	lines, err := s.Lines(t.Context(), us, "b", 0, 9)
	check(t, err)
	if len(lines) != 4 || string(lines[2].Problem) != `{"title":"full"}` || lines[2].Assessment.ID != "" || lines[3].Assessment.ID == "" {
		t.Errorf("%+v", lines)
	}
	if v, err := s.Vehicle(t.Context(), us, "tern"); err != nil || v.Reports != 2 {
		t.Errorf("%+v (%v)", v, err)
	}
	if b, err := s.Batch(t.Context(), us, "b"); err != nil || b.Refused != 1 {
		t.Errorf("%+v (%v)", b, err)
	}
}

func (s batches) last(t *testing.T) {
	const chunks = 8
	s.open(t, head("b", ""))
	for i := range chunks {
		s.add(t, chunkOf("b", i+1, i, fmt.Sprint("tern-", i)))
	}
	_, err := s.CloseBatch(t.Context(), us, "b", start)
	check(t, err)
	var ends atomic.Int64
	var workers sync.WaitGroup
	for i := range chunks {
		workers.Go(func() {
			if _, done := s.work(t, fmt.Sprintf("b.%d", i+1)); done {
				ends.Add(1)
			}
		})
	}
	workers.Wait()
	b, err := s.Batch(t.Context(), us, "b")
	check(t, err)
	if ends.Load() != 1 || b.State != assess.BatchDone || b.Done != chunks || b.ChunksFinished != chunks {
		t.Errorf("it ended %d times: %+v", ends.Load(), b)
	}
}

func (s batches) unfinished(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "tern", "dale"))
	c, err := s.Chunk(t.Context(), "b.1")
	check(t, err)
	check(t, s.Fail(t.Context(), "assessment-b-1", []byte(`{}`), start))
	if _, _, err := s.FinishChunk(t.Context(), c, nil, start); !errors.Is(err, assess.ErrChunkUnfinished) {
		t.Errorf("half of it: %v", err)
	}
	check(t, s.Finish(t.Context(), "assessment-b-2", outcome("b"), start))
	b, _, err := s.FinishChunk(t.Context(), c, nil, start)
	check(t, err)
	if b.Done != 1 || b.Failed != 1 {
		t.Errorf("%+v", b)
	}
	if _, _, err := s.FinishChunk(t.Context(), c, nil, start); !errors.Is(err, assess.ErrFinished) {
		t.Errorf("twice: %v", err)
	}
}

func (s batches) cancelled(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "tern"))
	b, err := s.CancelBatch(t.Context(), us, "b", start)
	check(t, err)
	if b.State != assess.Cancelled || !b.FinishedAt.IsZero() {
		t.Errorf("while a chunk is left: %+v", b)
	}
	if _, err := s.AddChunk(t.Context(), chunkOf("b", 2, 1, "dale")); !errors.Is(err, assess.ErrBatchClosed) {
		t.Errorf("more lines: %v", err)
	}
	if a, err := s.Start(t.Context(), "assessment-b-1"); err != nil || a.Batch != "b" {
		t.Errorf("%+v (%v)", a, err)
	}
	check(t, s.Fail(t.Context(), "assessment-b-1", []byte(`{}`), start))
	if left, err := s.Backlog(t.Context()); err != nil || left.Failed != 0 || left.Chunks != 1 {
		t.Errorf("%+v (%v)", left, err)
	}
	if b, done := s.work(t, "b.1"); !done || b.State != assess.Cancelled || b.FinishedAt.IsZero() {
		t.Errorf("at the end: %+v", b)
	}
	_, err = s.CancelBatch(t.Context(), us, "b", start)
	check(t, err) // again is harmless

	s.open(t, head("none", ""))
	if b, err := s.CancelBatch(t.Context(), us, "none", start); err != nil || b.FinishedAt.IsZero() {
		t.Errorf("one without lines: %+v (%v)", b, err)
	}
	s.open(t, head("done", ""))
	b, err = s.CloseBatch(t.Context(), us, "done", start)
	check(t, err)
	if b.State != assess.BatchDone || b.FinishedAt.IsZero() {
		t.Errorf("an empty one is not done: %+v", b)
	}
	if _, err := s.CancelBatch(t.Context(), us, "done", start); !errors.Is(err, assess.ErrBatchClosed) {
		t.Errorf("a finished one: %v", err)
	}
}

func (s batches) rescore(t *testing.T, id, key string, of assess.RescoreScope) (assess.Batch, bool, error) {
	h := head(id, key)
	h.Kind, h.Gate = assess.Rescore, ""
	return s.OpenRescore(t.Context(), h, of, 2, 5, func(n int) string { return fmt.Sprintf("%s.%d", id, n) })
}

func (s batches) rescored(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "wren", "", "tern", "dale"))
	for id, of := range map[string]assess.RescoreScope{
		"wren tern dale": {Batch: "b"}, "dale tern wren": {Everything: true}, "tern dale wren": {Vehicles: []string{"tern", "dale", "wren"}},
	} {
		b, known, err := s.rescore(t, id, id, of)
		check(t, err)
		if known || b.State != assess.Working || b.Lines != 3 || b.Chunks != 2 || b.Through != 3 || b.ReceivedAt.IsZero() {
			t.Errorf("%s: %v, %+v", id, known, b)
		}
		lines, err := s.Lines(t.Context(), us, id, 0, 9)
		check(t, err)
		got := ""
		for i, l := range lines {
			got += l.Vehicle + " "
			if (l.Assessment.ID != "") != (of.Batch != "") || l.Number != i+1 {
				t.Errorf("%s: %+v", id, l)
			}
		}
		if got != id+" " {
			t.Errorf("%s: %s", id, got)
		}
		if again, known, err := s.rescore(t, "another", id, of); err != nil || !known || again.ID != id {
			t.Errorf("again: %v, %+v (%v)", known, again, err)
		}
		c, err := s.Chunk(t.Context(), id+".1")
		check(t, err)
		if work, err := s.ChunkLines(t.Context(), c); err != nil || len(work) != 2 || work[1].Number != 2 {
			t.Errorf("%s: %+v (%v)", id, work, err)
		}
		_, done, err := s.FinishChunk(t.Context(), c, []assess.LineResult{{Number: 1, Changed: true, Result: []byte(`{"a":1}`)}, {Number: 2, Problem: []byte(`{"b":2}`)}}, start)
		check(t, err)
		c, err = s.Chunk(t.Context(), id+".2")
		check(t, err)
		b, last, err := s.FinishChunk(t.Context(), c, []assess.LineResult{{Number: 3, Result: []byte(`{}`)}}, start)
		check(t, err)
		if done || !last || b.Done != 2 || b.Failed != 1 || b.Changed != 1 || b.State != assess.BatchDone {
			t.Errorf("%s: %v, %v, %+v", id, done, last, b)
		}
		lines, err = s.Lines(t.Context(), us, id, 0, 9)
		check(t, err)
		if string(lines[0].Result) != `{"a":1}` || string(lines[1].Problem) != `{"b":2}` || lines[1].Result != nil {
			t.Errorf("%s: %+v", id, lines)
		}
	}
}

func (s batches) missing(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "wren", "tern", "dale", "lark", "rook", "kite"))
	var missing *assess.NoSuchVehiclesError
	if _, _, err := s.rescore(t, "r", "key", assess.RescoreScope{Vehicles: []string{"no", "tern", "none"}}); !errors.As(err, &missing) || !slices.Equal(missing.At, []int{0, 2}) {
		t.Errorf("unknown vehicles: %v", err)
	}
	for name, of := range map[string]assess.RescoreScope{"all": {Everything: true}, "batch": {Batch: "b"}, "named": {Vehicles: make([]string, 6)}} {
		if _, _, err := s.rescore(t, "r", "key", of); !errors.Is(err, assess.ErrTooManyLines) {
			t.Errorf("%s are more than may be: %v", name, err)
		}
	}
	if _, _, err := s.rescore(t, "r", "key", assess.RescoreScope{Batch: "none"}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("an unknown batch: %v", err)
	}
	if b, err := s.Batch(t.Context(), us, "r"); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("something is stored: %+v (%v)", b, err)
	}
}

func (s batches) listed(t *testing.T) {
	for i := range 5 {
		h := head(fmt.Sprint("b", i), "")
		h.At = start.Add(time.Duration(i/2) * time.Second)
		s.open(t, h)
	}
	var got []string
	p := assess.BatchPage{Organisation: us, Limit: 2}
	for {
		list, err := s.Batches(t.Context(), p)
		check(t, err)
		for _, b := range list {
			got = append(got, b.ID)
			p.BeforeCreated, p.BeforeID = b.At, b.ID
		}
		if len(list) < 2 {
			break
		}
	}
	same(t, got, []string{"b4", "b3", "b2", "b1", "b0"})
}

func (s batches) waiting(t *testing.T) {
	s.open(t, head("b", ""))
	s.add(t, chunkOf("b", 1, 0, "tern"))
	s.add(t, chunkOf("b", 2, 1, "dale"))
	later := start.Add(time.Hour)
	list, err := s.Waiting(t.Context(), later, later, 9)
	check(t, err)
	if len(list) != 0 {
		t.Errorf("assessments of a batch wait: %+v", list)
	}
	if left, err := s.Backlog(t.Context()); err != nil || left.Unfinished != 0 || left.Chunks != 2 || !left.Oldest.IsZero() {
		t.Errorf("%+v (%v)", left, err)
	}
	ids := func(before, after time.Time) (ids []string) {
		chunks, err := s.WaitingChunks(t.Context(), before, after, 9)
		check(t, err)
		for _, c := range chunks {
			ids = append(ids, fmt.Sprint(c.ID, " ", c.Attempt))
		}
		return ids
	}
	same(t, ids(later, later), []string{"b.1 0", "b.2 0"})
	check(t, s.ChunkEnqueued(t.Context(), "b.1", 2, later))
	check(t, s.ChunkEnqueued(t.Context(), "b.1", 1, start)) // late word
	same(t, ids(later, later), []string{"b.2 0"})
	same(t, ids(start.Add(-time.Hour), start.Add(time.Minute)), []string{"b.1 2"}) // the clock was set back
	s.work(t, "b.2")
	same(t, ids(later.Add(time.Hour), later.Add(time.Hour)), []string{"b.1 2"})

	// What failed and is tried again by itself is waited for by itself.
	check(t, s.Fail(t.Context(), "assessment-b-1", []byte(`{}`), start))
	_, err = s.Retry(t.Context(), us, "assessment-b-1", start)
	check(t, err)
	if list, err = s.Waiting(t.Context(), later, later, 9); err != nil || len(list) != 1 {
		t.Errorf("%+v (%v)", list, err)
	}
}

func (s batches) strangers(t *testing.T) {
	s.open(t, head("b", "key"))
	s.add(t, chunkOf("b", 1, 0, "tern"))
	for name, ask := range map[string]func() error{
		"Batch":       func() error { _, err := s.Batch(t.Context(), them, "b"); return err },
		"Lines":       func() error { _, err := s.Lines(t.Context(), them, "b", 0, 9); return err },
		"CancelBatch": func() error { _, err := s.CancelBatch(t.Context(), them, "b", start); return err },
		"CloseBatch":  func() error { _, err := s.CloseBatch(t.Context(), them, "b", start); return err },
		"AddChunk": func() error {
			c := chunkOf("b", 2, 1)
			c.Organisation = them
			_, err := s.AddChunk(t.Context(), c)
			return err
		},
		"OpenRescore": func() error {
			h := head("r", "")
			h.Organisation = them
			_, _, err := s.OpenRescore(t.Context(), h, assess.RescoreScope{Batch: "b"}, 2, 5, func(int) string { return "r.1" })
			return err
		},
	} {
		if err := ask(); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if list, err := s.Batches(t.Context(), assess.BatchPage{Organisation: them, Limit: 9}); err != nil || len(list) != 0 {
		t.Errorf("%+v (%v)", list, err)
	}
	h := head("theirs", "key")
	h.Organisation, h.Fingerprint = them, "other"
	s.open(t, h) // the same key means something else to them
}
