package assess_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/ruleset"
)

// A sender that has not heard of its receipt sends again what it sent, whatever release answers it then.
func TestARepeatIsOneAcrossARelease(t *testing.T) {
	t.Parallel()
	before := openWith(t, builtin.Loader(), builtin.RuleSets()...)
	sets := builtin.RuleSets()
	if len(sets) < 2 {
		t.Fatal("there is one rule set alone")
	}
	later := func(now time.Time, sets ...*ruleset.Set) assess.Account {
		t.Helper()
		s, err := assess.New(assess.Options{
			Store: before.store, Queue: before.queue, Batches: before.store, Chunks: before.chunks, RuleSets: sets, Loader: builtin.Loader(),
			Clock: func() time.Time { return now }, NewID: func() string { return "later" },
		})
		if err != nil {
			t.Fatal(err)
		}
		return s.For("brennick-motors")
	}
	ctx := context.Background()
	body := read(t, "testdata", "cases", "base-tern.json")
	plain := assess.Order{Body: body, IdempotencyKey: "plain"}
	pinned := assess.Order{Body: body, IdempotencyKey: "pinned", RuleSet: sets[0].Name + "/" + sets[0].Version, Gate: sets[0].Gates[0].ID}
	for name, o := range map[string]assess.Order{"as it is": plain, "under a version by name": pinned} {
		first, err := before.Submit(ctx, o)
		if err != nil {
			t.Fatal(err)
		}
		for when, own := range map[string]assess.Account{
			"a release with another rule set in the first place": later(before.now, sets[1]),
			"a clock that was set back":                          later(before.now.AddDate(-3, 0, 0), sets...),
		} {
			again, err := own.Submit(ctx, o)
			if err != nil || !again.Repeat || again.ReportID != first.ReportID || again.AssessmentID != first.AssessmentID || again.Vehicle != first.Vehicle {
				t.Errorf("%s, after %s: %+v, %v", name, when, again, err)
			}
		}
		other := o
		other.Body = []byte(strings.Replace(string(body), "marrick-tern-01", "marrick-tern-02", 1))
		if _, err := before.Submit(ctx, other); !errors.Is(err, assess.ErrKeyReused) {
			t.Errorf("%s: another report under the key: %v", name, err)
		}
	}
	// An upload that was cut off goes on under the rule set that it began with.
	line := strings.ReplaceAll(string(body), "\n", "") + "\n"
	order := assess.BatchOrder{IdempotencyKey: "upload", MaxLine: 1 << 20}
	b, _, err := before.Receive(ctx, order, strings.NewReader(line))
	if err != nil {
		t.Fatal(err)
	}
	again, known, err := later(before.now, sets[1]).Receive(ctx, order, strings.NewReader(line))
	if err != nil || !known || again.ID != b.ID || again.RuleSet != b.RuleSet {
		t.Errorf("the upload goes on as %+v, %t, %v", again, known, err)
	}
}

// A batch outlives the rule set that it was sent under: its upload goes on, and each line ends, under what is recorded of it
// where that can be read, else with what to do.
func TestABatchOutlivesTheRuleSetItWasSentUnder(t *testing.T) {
	t.Parallel()
	sets := builtin.RuleSets()
	body := strings.ReplaceAll(string(read(t, "testdata", "cases", "base-tern.json")), "\n", "")
	lines := body + "\n" + strings.ReplaceAll(body, "marrick-tern-01", "marrick-tern-02") + "\n{}\n"
	pinned := assess.BatchOrder{IdempotencyKey: "lot", MaxLine: 1 << 20, RuleSet: sets[0].Name + "/" + sets[0].Version, Gate: "crank"}
	for name, c := range map[string]struct {
		stored string // in place of the rule set; empty: as it was, "gone": nothing
		state  assess.State
		why    string
	}{
		"it is kept":              {"", assess.Done, ""},
		"it is gone":              {"gone", assess.Failed, "is not there any more"},
		"it can no more be read":  {`{"schema":"laidup.rules/0"}`, assess.Failed, "cannot be read by this version of the program"},
		"it is another by digest": {string(sets[1].Canonical), assess.Failed, "was changed"},
	} {
		t.Run(name, func(t *testing.T) {
			before := openWith(t, builtin.Loader(), sets...)
			ctx := context.Background()
			// The upload is cut off behind a chunk.
			chunks := 0
			cut := pinned
			cut.Pause = func() error {
				if chunks++; chunks == 2 {
					return errors.New("cut off")
				}
				return nil
			}
			many := lines + strings.Repeat("{}\n", 200)
			var partial *assess.PartialError
			if _, _, err := before.Receive(ctx, cut, strings.NewReader(many)); !errors.As(err, &partial) {
				t.Fatalf("it is not cut off: %v", err)
			}
			ref := assess.RuleSetRef{Name: sets[0].Name, Version: sets[0].Version, Digest: sets[0].Digest}
			switch c.stored {
			case "":
				c.stored = string(sets[0].Canonical)
				fallthrough
			default:
				if err := before.store.KeepRuleSet(ctx, ref, []byte(c.stored)); err != nil {
					t.Fatal(err)
				}
			case "gone":
			}
			ids := 0
			later, err := assess.New(assess.Options{
				Store: before.store, Queue: before.queue, Batches: before.store, Chunks: before.chunks, RuleSets: sets[1:], Loader: builtin.Loader(),
				Clock: func() time.Time { return before.now }, NewID: func() string { ids++; return fmt.Sprint("later-", ids) },
			})
			if err != nil {
				t.Fatal(err)
			}
			own := later.For("brennick-motors")
			b, known, err := own.Receive(ctx, pinned, strings.NewReader(many))
			if err != nil || !known || b.ID != partial.Batch || b.RuleSet != ref || b.Lines != 203 {
				t.Fatalf("it goes on as %+v, %t, %v", b, known, err)
			}
			for task, ok := before.chunks.Take(); ok; task, ok = before.chunks.Take() {
				if err := later.WorkChunk(ctx, task.AssessmentID); err != nil && !errors.Is(err, assess.ErrFinished) {
					t.Fatal(err)
				}
			}
			b, err = own.Batch(ctx, b.ID)
			if err != nil || b.State != assess.BatchDone || b.Done+b.Failed != 2 || b.Refused != 201 {
				t.Fatalf("it ends as %+v, %v", b, err)
			}
			answers, err := own.Lines(ctx, b.ID, 0, 2)
			if err != nil {
				t.Fatal(err)
			}
			for _, l := range answers {
				a, err := own.Assessment(ctx, l.Assessment.ID)
				if err != nil || a.State != c.state || a.RuleSet != ref {
					t.Errorf("line %d is %s under %v, %v", l.Number, a.State, a.RuleSet, err)
				}
				if c.state == assess.Failed && !(strings.Contains(string(a.Problem), c.why) && strings.Contains(string(a.Problem), a.ReportID)) {
					t.Errorf("line %d says %s", l.Number, a.Problem)
				}
			}
			if c.state == assess.Done {
				return
			}
			// As the problem says, the report is posted again in its stead.
			again := strings.Replace(body, "{", `{"replaces":"`+answers[0].Assessment.ReportID+`",`, 1)
			done, err := own.Submit(ctx, assess.Order{Body: []byte(again)})
			if err == nil {
				err = later.Score(ctx, done.AssessmentID)
			}
			if err != nil {
				t.Fatal(err)
			}
			if a, err := own.Assessment(ctx, done.AssessmentID); err != nil || a.State != assess.Done {
				t.Errorf("posted again it is %s, %v", a.State, err)
			}
		})
	}
	// What was never sent, or was something else, is refused as any order under what is not there.
	later := openWith(t, builtin.Loader(), sets[1:]...)
	for _, key := range []string{"", "lot"} {
		o := pinned
		o.IdempotencyKey = key
		if _, _, err := later.Receive(context.Background(), o, strings.NewReader(lines)); !errors.Is(err, assess.ErrNoSuchRuleSet) {
			t.Errorf("under key %q: %v", key, err)
		}
	}
}

// panicky is a store that panics as a rule set is read from it.
type panicky struct {
	*assesstest.Memory
	panics atomic.Bool
}

func (p *panicky) RuleSet(ctx context.Context, digest string) ([]byte, error) {
	if p.panics.Load() {
		panic("nobody thought of that")
	}
	return p.Memory.RuleSet(ctx, digest)
}

func TestARuleSetThatPanicsBlocksNobody(t *testing.T) {
	t.Parallel()
	st := &panicky{Memory: assesstest.NewMemory()}
	st.panics.Store(true)
	sets := builtin.RuleSets()
	// This program knows one of them alone; the other one is in the store.
	s, err := assess.New(assess.Options{
		Store: st, Queue: &assesstest.Queue{}, RuleSets: sets[:1], Loader: builtin.Loader(), NewID: func() string { return "id" },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	stored := assess.RuleSetRef{Name: sets[1].Name, Version: sets[1].Version, Digest: sets[1].Digest}
	if err := st.KeepRuleSet(ctx, stored, sets[1].Canonical); err != nil {
		t.Fatal(err)
	}
	accept := func(name string) {
		t.Helper()
		_, err := st.Accept(ctx, assess.Submission{
			Organisation: "brennick-motors", ReportID: "report-" + name, AssessmentID: name, Vehicle: "marrick-tern-01", Inspected: "2026-05-02",
			Body: read(t, "testdata", "cases", "base-tern.json"), Gate: sets[1].Gates[0].ID, RuleSet: stored, At: time.Now(),
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	ids := []string{"a", "b", "c"}
	for _, id := range ids {
		accept(id)
	}
	var all sync.WaitGroup
	for _, id := range ids {
		all.Go(func() {
			if err := s.Score(ctx, id); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait() // none waits for ever for one that panicked
	for _, id := range ids {
		if a, err := s.For("brennick-motors").Assessment(ctx, id); err != nil || a.State != assess.Failed {
			t.Errorf("%s is %s, %v", id, a.State, err)
		}
	}
	st.panics.Store(false)
	accept("d")
	if err := s.Score(ctx, "d"); err != nil {
		t.Fatal(err)
	}
	if a, err := s.For("brennick-motors").Assessment(ctx, "d"); err != nil || a.State != assess.Done {
		t.Errorf("once it can be read the assessment is %s, %v", a.State, err)
	}
}
