package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"laidup/internal/assess"
	"laidup/internal/builtin"
)

// reportLine is a report on a vehicle, as one line: of a size that a hundred of them make a chunk, and with
// nothing in it that was done of late.
func reportLine(t testing.TB, vehicle string) string {
	t.Helper()
	var report map[string]any
	if err := json.Unmarshal(read(t, "testdata", "cases", "base-tern.json"), &report); err != nil {
		t.Fatal(err)
	}
	report["vehicle"].(map[string]any)["reference"] = vehicle
	report["observations"] = report["observations"].([]any)[:60]
	line, err := json.Marshal(report)
	if err != nil {
		t.Fatal(err)
	}
	return string(line)
}

// terns are reports on so many vehicles, a line each.
func terns(t testing.TB, vehicles int) string {
	t.Helper()
	var text strings.Builder
	for i := range vehicles {
		text.WriteString(reportLine(t, fmt.Sprintf("tern-%03d", i)) + "\n")
	}
	return text.String()
}

func order(key string) assess.BatchOrder {
	return assess.BatchOrder{IdempotencyKey: key, MaxLine: 1 << 20}
}

// workAll works on every chunk that waits.
func (w *workshop) workAll(t rapid.TB) {
	t.Helper()
	for {
		task, ok := w.chunks.Take()
		if !ok {
			return
		}
		if err := w.WorkChunk(context.Background(), task.AssessmentID); err != nil && !errors.Is(err, assess.ErrFinished) {
			t.Fatal(err)
		}
	}
}

// another is the same workshop for an organisation that has nothing yet.
func (w *workshop) another() *workshop {
	return &workshop{Service: w.Service, Account: w.For(fmt.Sprint("organisation-", w.ids.Add(1))), store: w.store, queue: w.queue, chunks: w.chunks}
}

// answers has a line for each line of a batch.
func (w *workshop) answers(t rapid.TB, id string) (all []string) {
	t.Helper()
	lines, err := w.Lines(context.Background(), id, 0, 1_000_000)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines {
		var p struct {
			Type   string
			Errors []struct{ Pointer, Code string }
		}
		if l.Problem != nil {
			if err := json.Unmarshal(l.Problem, &p); err != nil {
				t.Fatal(err)
			}
		}
		s := fmt.Sprintf("%d %s %s %s", l.Number, l.Vehicle, l.Assessment.State, p.Type)
		for _, e := range p.Errors {
			s += " " + e.Pointer + " " + e.Code
		}
		all = append(all, strings.TrimRight(s, " "))
	}
	return all
}

func TestEveryLineOfABatchIsAnswered(t *testing.T) {
	t.Parallel()
	w := open(t)
	o := order("")
	o.MaxLine = len(reportLine(t, "tern-1")) + 1
	text := strings.Join([]string{
		reportLine(t, "tern-1"),
		"",
		reportLine(t, "tern-2") + "\r",
		"{",
		strings.Replace(reportLine(t, "tern-3"), `"item":"battery"`, `"item":"flux"`, 1),
		`{"schema":"laidup.report/1"}` + strings.Repeat(" ", o.MaxLine),
		"   ",
		reportLine(t, "tern-1"),
	}, "\n")
	b, known, err := w.Receive(t.Context(), o, strings.NewReader(text))
	if err != nil || known {
		t.Fatal(known, err)
	}
	if b.State != assess.Working || b.Through != 8 || b.Lines != 6 || b.Refused != 3 {
		t.Errorf("%+v", b)
	}
	w.workAll(t)
	got := strings.Join(w.answers(t, b.ID), "\n")
	for _, want := range []string{"1 tern-1 done", "3 tern-2 done", "4   /problems/invalid-report", "5   /problems/invalid-report /observations/", "6   /problems/", "8 tern-1 done"} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	if b, err = w.Batch(t.Context(), b.ID); err != nil || b.State != assess.BatchDone || b.Done != 3 || b.FinishedAt.IsZero() {
		t.Errorf("%+v (%v)", b, err)
	}
	if v, err := w.Vehicle(t.Context(), "tern-1"); err != nil || v.Reports != 2 || v.Newest == nil || v.Newest.Ordinal != 2 {
		t.Errorf("%+v (%v)", v, err)
	}
	if list, err := w.Batches(t.Context(), assess.BatchPage{Limit: 9}); err != nil || len(list) != 1 || list[0].ID != b.ID {
		t.Errorf("%+v (%v)", list, err)
	}
}

func TestABatchIsScoredAsItsReportsWouldBeByThemselves(t *testing.T) {
	t.Parallel()
	alone, together := open(t), open(t)
	var text string
	for i := range 230 {
		vehicle := fmt.Sprintf("tern-%d", i%70)
		text += reportLine(t, vehicle) + "\n"
		if _, err := alone.Submit(t.Context(), assess.Order{Body: []byte(reportLine(t, vehicle))}); err != nil {
			t.Fatal(err)
		}
	}
	for task, ok := alone.queue.Take(); ok; task, ok = alone.queue.Take() {
		if err := alone.Score(t.Context(), task.AssessmentID); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := together.Receive(t.Context(), order(""), strings.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	if n := len(together.chunks.Handed()); n != 3 || len(together.queue.Handed()) != 0 {
		t.Errorf("230 lines are %d chunks and %d single tasks", n, len(together.queue.Handed()))
	}
	together.workAll(t)
	for i := range 70 {
		reference := fmt.Sprintf("tern-%d", i)
		a, err := alone.Readiness(t.Context(), reference, "")
		if err != nil {
			t.Fatal(err)
		}
		b, err := together.Readiness(t.Context(), reference, "")
		if err != nil {
			t.Fatal(err)
		}
		a.Assessment, b.Assessment = "", ""
		same(t, b, a)
	}
}

func same(t rapid.TB, got, want any) {
	t.Helper()
	g, errG := json.Marshal(got)
	w, errW := json.Marshal(want)
	if errG != nil || errW != nil || !bytes.Equal(g, w) {
		t.Errorf("%s\nwant %s", g, w)
	}
}

// cutReader ends with an error after some bytes.
type cutReader struct {
	from io.Reader
	left int
}

func (c *cutReader) Read(p []byte) (int, error) {
	if c.left == 0 {
		return 0, io.ErrUnexpectedEOF
	}
	n, err := c.from.Read(p[:min(len(p), c.left)])
	c.left -= n
	return n, err
}

// However often an upload is cut off, and wherever, and however it goes on: in the end every line is
// there once, as if it had been sent in one go.
func TestAnUploadThatIsCutOffGoesOn(t *testing.T) {
	t.Parallel()
	line := `{"schema":"laidup.report/1","vehicle":{"reference":"tern-%d"},"inspection":{"date":"2026-05-02"},"observations":[{"item":"battery","method":"measured","found":{"open_circuit":{"value":11.9,"unit":"V"}}}]}`
	l := builtin.Loader()
	set := builtin.FirstStart()
	shared := openWith(t, l, set)
	rapid.Check(t, func(rt *rapid.T) {
		w := shared.another()
		var lines []string
		for i, kind := range rapid.SliceOfN(rapid.IntRange(0, 9), 1, 260).Draw(rt, "lines") {
			switch kind {
			case 0:
				lines = append(lines, "")
			case 1:
				lines = append(lines, "{}")
			default:
				lines = append(lines, fmt.Sprintf(line, i%50))
			}
		}
		text := strings.Join(lines, "\n")
		if rapid.Bool().Draw(rt, "ends with a line") {
			text += "\n"
		}
		cuts := rapid.SliceOfN(rapid.IntRange(0, len(text)), 0, 4).Draw(rt, "cuts")
		through := 0
		for _, cut := range cuts {
			o, body := order("key"), text
			if rapid.Bool().Draw(rt, "goes on behind") {
				o.FirstLine = through + 1
				body = strings.Join(lines[through:], "\n")
			}
			_, _, err := w.Receive(context.Background(), o, &cutReader{strings.NewReader(body), min(cut, len(body))})
			var partial *assess.PartialError
			if errors.As(err, &partial) {
				if partial.Through < through {
					rt.Fatalf("line %d was stored, now %d is the last", through, partial.Through)
				}
				through = partial.Through
			} else if err == nil {
				through = len(lines) // the cut lay behind the end
			} else {
				rt.Fatal(err)
			}
			if rapid.Bool().Draw(rt, "worked on meanwhile") {
				w.workAll(rt)
			}
		}
		b, _, err := w.Receive(context.Background(), order("key"), strings.NewReader(text))
		if err != nil {
			rt.Fatal(err)
		}
		w.workAll(rt)
		whole := shared.another()
		want, _, err := whole.Receive(context.Background(), order(""), strings.NewReader(text))
		if err != nil {
			rt.Fatal(err)
		}
		answers := whole.answers(rt, want.ID)
		for i := range answers {
			answers[i] = strings.Replace(answers[i], " queued", " done", 1)
		}
		same(rt, w.answers(rt, b.ID), answers)
		b, err = w.Batch(context.Background(), b.ID)
		if err != nil || b.State != assess.BatchDone || b.Lines != want.Lines || b.Refused != want.Refused || b.Done != b.Lines-b.Refused {
			rt.Errorf("%+v (%v)", b, err)
		}
	})
}

func TestAKeyStandsForTheLinesThatItCameWith(t *testing.T) {
	t.Parallel()
	w := open(t)
	text := reportLine(t, "tern-1") + "\n" + reportLine(t, "tern-2") + "\n"
	first, _, err := w.Receive(t.Context(), order("key"), strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		order assess.BatchOrder
		text  string
		want  error
	}{
		"again":              {order("key"), text, nil},
		"again, line by CR":  {order("key"), strings.ReplaceAll(text, "\n", "\r\n"), assess.ErrKeyReused},
		"other lines":        {order("key"), strings.ReplaceAll(text, "tern-2", "tern-3"), assess.ErrKeyReused},
		"fewer lines":        {order("key"), reportLine(t, "tern-1"), assess.ErrKeyReused},
		"more lines":         {order("key"), text + text, assess.ErrBatchClosed},
		"none behind it all": {assess.BatchOrder{IdempotencyKey: "key", MaxLine: 1 << 20, FirstLine: 3}, "", nil},
		"a gap":              {assess.BatchOrder{IdempotencyKey: "key", MaxLine: 1 << 20, FirstLine: 4}, text, assess.ErrLineGap},
		"another gate":       {assess.BatchOrder{IdempotencyKey: "key", MaxLine: 1 << 20, Gate: "crank"}, text, assess.ErrKeyReused},
		"no such gate":       {assess.BatchOrder{MaxLine: 1 << 20, Gate: "take_off"}, text, new(assess.NoSuchGateError)},
		"no such rule set":   {assess.BatchOrder{MaxLine: 1 << 20, RuleSet: "none"}, text, assess.ErrNoSuchRuleSet},
	} {
		b, known, err := w.Receive(t.Context(), c.order, strings.NewReader(c.text))
		var gate *assess.NoSuchGateError
		switch {
		case c.want == nil && (err != nil || !known || b.ID != first.ID):
			t.Errorf("%s: %+v, %v, %v", name, b, known, err)
		case errors.As(c.want, &gate):
			if !errors.As(err, &gate) {
				t.Errorf("%s: %v", name, err)
			}
		case c.want != nil && !errors.Is(err, c.want):
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	for _, vehicle := range []string{"tern-1", "tern-2"} {
		if v, err := w.Vehicle(t.Context(), vehicle); err != nil || v.Reports != 1 {
			t.Errorf("%+v (%v)", v, err)
		}
	}
}

func TestAnUploadIsEndedBetweenTwoChunks(t *testing.T) {
	t.Parallel()
	w := open(t)
	over := errors.New("about to go")
	o, asked := order("key"), 0
	o.Pause = func() error {
		if asked++; asked == 3 {
			return over
		}
		return nil
	}
	text := terns(t, 299)
	_, _, err := w.Receive(t.Context(), o, strings.NewReader(text))
	var partial *assess.PartialError
	if !errors.As(err, &partial) || !errors.Is(err, over) || partial.Through != 200 {
		t.Errorf("%v", err)
	}
	if b, _, err := w.Receive(t.Context(), order("key"), strings.NewReader(text)); err != nil || b.Lines != 299 {
		t.Errorf("%+v (%v)", b, err)
	}
}

func TestChunksThatTheQueueLostAreHandedOverAgain(t *testing.T) {
	t.Parallel()
	w := open(t)
	w.chunks.Break(errors.New("queue is gone"))
	b, _, err := w.Receive(t.Context(), order(""), strings.NewReader(terns(t, 250)))
	if err != nil {
		t.Fatal(err)
	}
	w.chunks.Break(nil)
	w.now = w.now.Add(time.Minute)
	if n, err := w.Sweep(t.Context()); err != nil || n != 3 {
		t.Errorf("handed over %d (%v)", n, err)
	}
	w.now = w.now.Add(time.Minute)
	if n, err := w.Sweep(t.Context()); err != nil || n != 0 {
		t.Errorf("handed over %d that wait their turn (%v)", n, err)
	}
	w.chunks.Lose()
	w.now = w.now.Add(time.Minute)
	if n, err := w.Sweep(t.Context()); err != nil || n != 3 {
		t.Errorf("handed over %d (%v)", n, err)
	}
	w.workAll(t)
	if b, err = w.Batch(t.Context(), b.ID); err != nil || b.State != assess.BatchDone || b.Done != 250 {
		t.Errorf("%+v (%v)", b, err)
	}
}

func TestWhatIsCancelledIsNotWorkedOn(t *testing.T) {
	t.Parallel()
	w := open(t)
	b, _, err := w.Receive(t.Context(), order(""), strings.NewReader(terns(t, 150)))
	if err != nil {
		t.Fatal(err)
	}
	task, _ := w.chunks.Take()
	if err := w.WorkChunk(t.Context(), task.AssessmentID); err != nil {
		t.Fatal(err)
	}
	if _, err := w.CancelBatch(t.Context(), b.ID); err != nil {
		t.Fatal(err)
	}
	w.workAll(t)
	b, err = w.Batch(t.Context(), b.ID)
	if err != nil || b.State != assess.Cancelled || b.Done != 100 || b.Failed != 50 || b.FinishedAt.IsZero() {
		t.Errorf("%+v (%v)", b, err)
	}
	lines, err := w.Lines(t.Context(), b.ID, 120, 1)
	if err != nil || lines[0].Assessment.State != assess.Failed || !strings.Contains(string(lines[0].Assessment.Problem), "cancelled") {
		t.Errorf("%+v (%v)", lines, err)
	}
	// Its report is stored: whoever wants it after all tries it again.
	if err := w.Retry(t.Context(), lines[0].Assessment.ID); err != nil {
		t.Error(err)
	}
	if err := w.Score(t.Context(), lines[0].Assessment.ID); err != nil {
		t.Error(err)
	}
	if again, err := w.Lines(t.Context(), b.ID, 120, 1); err != nil || again[0].Assessment.State != assess.Done {
		t.Errorf("%+v (%v)", again, err)
	}
}

// twoBooks opens a workshop with both built-in rule sets and some vehicles that are assessed.
func twoBooks(t *testing.T, vehicles int) (*workshop, assess.Batch) {
	t.Helper()
	l := builtin.Loader()
	first := builtin.FirstStart()
	second := builtin.PrePurchase()
	w := openWith(t, l, first, second)
	b, _, err := w.Receive(t.Context(), order(""), strings.NewReader(terns(t, vehicles)))
	if err != nil {
		t.Fatal(err)
	}
	w.workAll(t)
	return w, b
}

func TestScoringAgainUnderTheSameRuleSetChangesNothing(t *testing.T) {
	t.Parallel()
	w, b := twoBooks(t, 60)
	before, err := w.Readiness(t.Context(), "tern-007", "")
	if err != nil {
		t.Fatal(err)
	}
	for name, of := range map[string]assess.RescoreScope{"all": {Everything: true}, "batch": {Batch: b.ID}, "named": {Vehicles: []string{"tern-007", "tern-001"}}} {
		for book, changes := range map[string]bool{"first-start": false, "first-start/2.0.0": false, "pre-purchase": true} {
			r, known, err := w.Rescore(t.Context(), assess.RescoreOrder{RuleSet: book, Of: of, IdempotencyKey: name + book})
			if err != nil || known {
				t.Fatal(known, err)
			}
			w.workAll(t)
			r, err = w.Batch(t.Context(), r.ID)
			want := 0
			if changes {
				want = r.Lines
			}
			if err != nil || r.State != assess.BatchDone || r.Done != r.Lines || r.Changed != want || r.Lines == 0 {
				t.Errorf("%s under %s: %+v (%v)", name, book, r, err)
			}
			lines, err := w.Lines(t.Context(), r.ID, 0, 1)
			if err != nil {
				t.Fatal(err)
			}
			var again assess.Rescored
			if err := json.Unmarshal(lines[0].Result, &again); err != nil {
				t.Fatal(err)
			}
			if again.Changed != changes || again.From.RuleSet.Name != "first-start" || again.To.RuleSet.Name != strings.Split(book, "/")[0] || again.Changes.Any() != changes {
				t.Errorf("%s under %s: %+v", name, book, again)
			}
			if changes && again.Changes.Condition.From == again.Changes.Condition.To { // which is what the other book weighs otherwise here
				t.Errorf("%s under %s: it is not said what has changed: %s", name, book, lines[0].Result)
			}
			if again, known, err := w.Rescore(t.Context(), assess.RescoreOrder{RuleSet: book, Of: of, IdempotencyKey: name + book}); err != nil || !known || again.ID != r.ID {
				t.Errorf("again: %+v, %v (%v)", again, known, err)
			}
		}
	}
	after, err := w.Readiness(t.Context(), "tern-007", "")
	if err != nil {
		t.Fatal(err)
	}
	same(t, after, before) // nothing that is stored has changed
	if h, err := w.History(t.Context(), assess.HistoryPage{Vehicle: "tern-007", Limit: 9}); err != nil || len(h) != 1 {
		t.Errorf("%+v (%v)", h, err)
	}
}

func TestWhatCannotBeScoredAgainSaysWhy(t *testing.T) {
	t.Parallel()
	w, _ := twoBooks(t, 2)
	if _, err := w.Submit(t.Context(), assess.Order{Body: []byte(reportLine(t, "waiting-1"))}); err != nil {
		t.Fatal(err)
	}
	r, _, err := w.Rescore(t.Context(), assess.RescoreOrder{RuleSet: "pre-purchase", Of: assess.RescoreScope{Everything: true}})
	if err != nil {
		t.Fatal(err)
	}
	w.workAll(t)
	lines, err := w.Lines(t.Context(), r.ID, 2, 9)
	if err != nil || len(lines) != 1 || !strings.Contains(string(lines[0].Problem), "no finished assessment") {
		t.Errorf("%+v (%v)", lines, err)
	}
	if r, err = w.Batch(t.Context(), r.ID); err != nil || r.Done != 2 || r.Failed != 1 {
		t.Errorf("%+v (%v)", r, err)
	}
	var gate *assess.NoSuchGateError
	if _, _, err := w.Rescore(t.Context(), assess.RescoreOrder{RuleSet: "pre-purchase", Gate: "take_off", Of: assess.RescoreScope{Everything: true}}); !errors.As(err, &gate) {
		t.Errorf("%v", err)
	}
	if _, _, err := w.Rescore(t.Context(), assess.RescoreOrder{RuleSet: "none", Of: assess.RescoreScope{Everything: true}}); !errors.Is(err, assess.ErrNoSuchRuleSet) {
		t.Errorf("%v", err)
	}
}

// FuzzReceive feeds an upload with anything at all: every line that is not blank has an answer.
func FuzzReceive(f *testing.F) {
	f.Add([]byte("{}\n\n{\"schema\":\"laidup.report/1\"}\r\n"), 20)
	f.Add([]byte("\x00\n\xff\xfe\n[[[[[[["), 3)
	l := builtin.Loader()
	set := builtin.FirstStart()
	shared := openWith(f, l, set)
	f.Fuzz(func(t *testing.T, text []byte, longest int) {
		w := shared.another()
		o := order("key")
		o.MaxLine = 1 + (longest&0xffff)%5000
		b, _, err := w.Receive(context.Background(), o, io.MultiReader(bytes.NewReader(text), bytes.NewReader(nil)))
		if err != nil {
			t.Fatal(err)
		}
		want, physical := 0, bytes.Split(text, []byte("\n"))
		for _, line := range physical {
			if len(bytes.TrimSpace(line[:min(len(line), o.MaxLine)])) > 0 {
				want++
			}
		}
		if lines, err := w.Lines(context.Background(), b.ID, 0, 1_000_000); err != nil || len(lines) != want || b.Lines != want {
			t.Errorf("%d lines, %d answers, %+v (%v)", want, len(lines), b, err)
		}
		again, known, err := w.Receive(context.Background(), o, bytes.NewReader(text))
		if err != nil || !known && b.Through > 0 || again.ID != b.ID {
			t.Errorf("again: %+v, %v (%v)", again, known, err)
		}
	})
}
