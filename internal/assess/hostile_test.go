package assess_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Here stands what a rule set can cost that was written to cost. The limits of package ruleset are
// there for it; docs/rule-authoring.md lists them.

// hostile is a rule set that is changed until it hurts: the built-in one without what it says of its
// items.
func hostile(t testing.TB) (*ruleset.Loader, *ruleset.Set, *ruleset.Document) {
	t.Helper()
	set := builtin.FirstStart()
	l := builtin.Loader()
	doc, err := set.Document()
	if err != nil {
		t.Fatal(err)
	}
	doc.Name, doc.Faults, doc.Rules, doc.Limits, doc.Hazards, doc.Proofs, doc.Follows, doc.Tests = "hostile", nil, nil, nil, nil, nil, nil, nil
	return l.Knowing(set), set, doc
}

var judgement = ruleset.Source{Kind: "judgement"}

func fault(id string) ruleset.FaultForm {
	half := 0.5
	return ruleset.FaultForm{
		ID: id, Item: "timing_belt", Is: "the belt is weak", Prior: ruleset.PriorForm{Is: &half, Spread: 3}, Source: judgement,
		ClearBy: []ruleset.Clearing{{Item: "timing_belt", Found: map[string]any{"renewed": "as_of"}}},
	}
}

func hazard(id string, faults ...string) ruleset.HazardForm {
	h := ruleset.HazardForm{ID: id, Gate: "crank", What: "it parts", Severity: ruleset.SeverityForm{{Is: "critical"}}, Source: judgement}
	for _, f := range faults {
		h.Causes = append(h.Causes, ruleset.CauseForm{Fault: f, Chance: ruleset.ChanceForm{{Is: 0.5}}, Spread: 2})
	}
	return h
}

// beltReads is a condition that holds whatever was found, and reads as many findings as leave most
// choices where each is contradicted.
const beltReads = `(found.fraying || !found.fraying) && (found.cracked || !found.cracked) && (found.missing_teeth || !found.missing_teeth)` +
	` && (found.oil_soaked || !found.oil_soaked) && found.run_since_renewed > -1.0 && age > -1.0`

func rule(i int, fault, when string) ruleset.RuleForm {
	return ruleset.RuleForm{
		ID: fmt.Sprintf("r%d", i), Fault: fault, When: when, Weight: ruleset.WeightForm{Is: -5},
		Blocks: &ruleset.BlocksForm{Gate: "crank"}, Because: "because {age}", Source: judgement,
	}
}

func proof(i, ways int) ruleset.ProofForm {
	return ruleset.ProofForm{
		ID: fmt.Sprintf("p%d", i), Item: "timing_belt", Gate: "crank", Always: true, Because: "so", Source: judgement,
		Proves:  strings.Repeat(beltReads+" && as_of != as_of || ", ways) + "age < 0.1",
		ClearBy: []ruleset.Clearing{{Item: "timing_belt", Found: map[string]any{"renewed": "as_of"}}},
	}
}

// written is a document as somebody would send it: the catalogue and the like as the base has them.
func written(t testing.TB, base *ruleset.Set, doc *ruleset.Document) []byte {
	t.Helper()
	var o map[string]any
	if err := json.Unmarshal(base.Canonical, &o); err != nil {
		t.Fatal(err)
	}
	entries := func(form any) any {
		data, err := json.Marshal(form)
		if err != nil {
			t.Fatal(err)
		}
		var list []any
		if err := json.Unmarshal(data, &list); err != nil {
			t.Fatal(err)
		}
		if list == nil {
			list = []any{}
		}
		return bare(list)
	}
	o["name"], o["faults"], o["hazards"], o["tests"] = doc.Name, entries(doc.Faults), entries(doc.Hazards), entries(doc.Tests)
	o["limits"], o["proofs"], o["follows"] = entries(doc.Limits), entries(doc.Proofs), entries(doc.Follows)
	rules := entries(doc.Rules)
	for i, r := range doc.Rules {
		rules.([]any)[i].(map[string]any)["weight"] = r.Weight.Is // the form reads more than it writes
	}
	o["rules"] = rules
	data, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// bare takes out what was not given.
func bare(v any) any {
	switch v := v.(type) {
	case []any:
		for i := range v {
			v[i] = bare(v[i])
		}
	case map[string]any:
		for k, x := range v {
			if x == nil || x == "" {
				delete(v, k)
			} else {
				v[k] = bare(x)
			}
		}
	}
	return v
}

// contradictory is a report in which every method has said two things of the belt, over and over.
func contradictory(t testing.TB, set *ruleset.Set, lines int) *report.Report {
	t.Helper()
	var observations []map[string]any
	for i := range lines {
		m := set.Catalogue.Methods[i%len(set.Catalogue.Methods)].ID
		observations = append(observations, map[string]any{"item": "timing_belt", "method": m, "found": map[string]any{
			"fraying": i%2 == 0, "cracked": i%3 == 0, "missing_teeth": i%2 == 1, "oil_soaked": i%5 < 2, "coolant_soaked": i%2 == 0, "slack": i%3 == 1,
			"run_since_renewed": map[string]any{"value": i * 100, "unit": "km"}, "age": map[string]any{"value": i%6*3 + i/6%2*50, "unit": "a"},
		}})
	}
	data, err := json.Marshal(map[string]any{
		"schema": report.SchemaName, "vehicle": map[string]any{"reference": "tern-01", "valve_drive": "belt"},
		"inspection": map[string]any{"date": "2026-05-02"}, "observations": observations,
	})
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return r
}

// spent runs something and says what processor time and memory it took. Others may be at work at the
// same time: it is an upper bound.
func spent(t testing.TB, what string, do func()) (busy time.Duration, allocated uint64) {
	t.Helper()
	now := func() time.Duration {
		var r syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
			t.Fatal(err)
		}
		return time.Duration(r.Utime.Nano() + r.Stime.Nano())
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := now()
	do()
	busy = now() - start
	runtime.ReadMemStats(&after)
	allocated = after.TotalAlloc - before.TotalAlloc
	t.Logf("%s: %v, %d MB", what, busy.Round(time.Millisecond), allocated>>20)
	return busy, allocated
}

// A few seconds and some hundreds of megabytes is what one report may cost under the worst rule set
// that can be published; the race detector multiplies the time.
const (
	mostBusy      = 30 * time.Second
	mostAllocated = 600 << 20
)

func TestTheWorstRuleSetCostsNoReportMoreThanAFewSeconds(t *testing.T) {
	loader, base, doc := hostile(t)
	for name, spoil := range map[string]func(doc *ruleset.Document){
		"simple rules that all fire": func(doc *ruleset.Document) {
			for i := range 4000 {
				doc.Rules = append(doc.Rules, rule(i, "f0", "found.fraying || !found.fraying"))
			}
		},
		"rules that read contradicted findings": func(doc *ruleset.Document) {
			for i := range 1300 {
				doc.Rules = append(doc.Rules, rule(i, "f0", beltReads))
			}
		},
		"proofs": func(doc *ruleset.Document) {
			for i := range 300 {
				doc.Proofs = append(doc.Proofs, proof(i, 3))
			}
		},
		"causes under facts that nobody told": func(doc *ruleset.Document) {
			doc.Faults, doc.Hazards = nil, nil
			for i := range 200 {
				f := fault(fmt.Sprintf("f%d", i))
				f.When = `interference != "no"`
				f.Prior.Shifts = []ruleset.ShiftForm{{When: `storage == "outdoors" || fuel == "diesel" || gearbox == "manual" || clutch == "none"`, DB: 1}}
				doc.Faults = append(doc.Faults, f)
			}
			for i := range 25 {
				h := hazard(fmt.Sprintf("h%d", i))
				for k := range 200 {
					h.Causes = append(h.Causes, ruleset.CauseForm{Fault: fmt.Sprintf("f%d", k), Chance: ruleset.ChanceForm{{When: "turbocharged", Is: 0.5}, {Is: 0.1}}, Spread: 2})
				}
				doc.Hazards = append(doc.Hazards, h)
			}
		},
		"limits and follows": func(doc *ruleset.Document) {
			doc.Proofs = []ruleset.ProofForm{proof(0, 0)}
			for i := range 400 {
				doc.Limits = append(doc.Limits, ruleset.LimitForm{
					ID: fmt.Sprintf("l%d", i), Fault: "f0", When: beltReads, Gate: "crank", Because: "because {age}", Source: judgement,
				})
				doc.Follows = append(doc.Follows, ruleset.FollowForm{
					ID: fmt.Sprintf("w%d", i), Item: "timing_belt", When: "found.fraying || !found.fraying", Needs: "p0", Because: "it was {found.fraying}", Source: judgement,
				})
			}
		},
		"cautions": func(doc *ruleset.Document) {
			for i := range 2000 {
				r := rule(i, "f0", "found.fraying || !found.fraying")
				for k := range 50 {
					r.Cautions = append(r.Cautions, fmt.Sprintf("%x", i*50+k))
				}
				doc.Rules = append(doc.Rules, r)
			}
		},
		"shared clearings": func(doc *ruleset.Document) {
			var all []ruleset.Clearing
			for _, it := range base.Catalogue.Items[:30] {
				found := map[string]any{"removed": false, "renewed": "as_of"}
				all = append(all, ruleset.Clearing{Item: it.ID, Found: found})
			}
			doc.Faults[0].ClearBy = all
			for i := range 4000 {
				doc.Rules = append(doc.Rules, rule(i, "f0", "found.fraying || !found.fraying"))
			}
		},
		"hazards": func(doc *ruleset.Document) {
			doc.Faults, doc.Hazards = nil, nil
			for i := range 1000 {
				f := fault(fmt.Sprintf("f%d", i))
				h := hazard(fmt.Sprintf("h%d", i), f.ID)
				for k := range 9 {
					h.Cautions = append(h.Cautions, fmt.Sprintf("caution %d", k))
				}
				doc.Faults, doc.Hazards = append(doc.Faults, f), append(doc.Hazards, h)
				for k := range 4 {
					doc.Rules = append(doc.Rules, rule(4*i+k, f.ID, "found.fraying || !found.fraying"))
				}
			}
		},
		"long texts": func(doc *ruleset.Document) {
			for i := range 1000 {
				r := rule(i, "f0", "found.fraying || !found.fraying")
				r.Because = strings.Repeat("{found.run_since_renewed}", 40)
				doc.Rules = append(doc.Rules, r)
			}
		},
	} {
		t.Run(strings.ReplaceAll(name, " ", "_"), func(t *testing.T) {
			mine := *doc
			mine.Faults, mine.Hazards = []ruleset.FaultForm{fault("f0")}, []ruleset.HazardForm{hazard("h0", "f0")}
			spoil(&mine)
			text := written(t, base, &mine)
			var set *ruleset.Set
			var err error
			busy, allocated := spent(t, fmt.Sprintf("loading %d KiB", len(text)>>10), func() { set, err = loader.Document("", text) })
			if err != nil {
				t.Fatalf("%.500s", err)
			}
			if busy > mostBusy || allocated > mostAllocated {
				t.Errorf("loading takes %v and %d MB", busy, allocated>>20)
			}
			r := contradictory(t, set, 480)
			scorer := score.New(set)
			var a *score.Assessment
			var body []byte
			busy, allocated = spent(t, "scoring", func() {
				a = scorer.Evaluate([]*report.Report{r}, -1)
				wording.English().Write(a)
				body, err = a.JSON()
			})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("an assessment of %d KiB, %d conflicts", len(body)>>10, len(a.Conflicts))
			if busy > mostBusy || allocated > mostAllocated {
				t.Errorf("one report takes %v and %d MB", busy, allocated>>20)
			}
			if len(body) > 8<<20 {
				t.Errorf("an assessment of %d MB", len(body)>>20)
			}
		})
	}
}

// Trying a rule set ends when its time is up, whatever is in it.
func TestTryingARuleSetEndsInTime(t *testing.T) {
	loader, base, doc := hostile(t)
	for name, spoil := range map[string]func(doc *ruleset.Document){
		"rules without a test that lets something pass": func(doc *ruleset.Document) {
			for i := range 1000 {
				doc.Rules = append(doc.Rules, rule(i, "f0", beltReads))
			}
		},
		"one finding on thousands of lines of one fault": func(doc *ruleset.Document) {
			for i := range 4000 {
				r := rule(i, "f0", fmt.Sprintf("found.run_since_renewed > %d.0 // %s", i, strings.Repeat("1 ", 100)))
				r.Line = fmt.Sprintf("l%d", i)
				doc.Rules = append(doc.Rules, r)
			}
		},
		"a dossier with much in the way": func(doc *ruleset.Document) {
			doc.Hazards = nil
			for i := range 1000 {
				h := hazard(fmt.Sprintf("h%d", i), "f0")
				h.What = strings.Repeat("x", 900)
				doc.Hazards = append(doc.Hazards, h)
			}
			for i := range 1000 {
				doc.Tests = append(doc.Tests, json.RawMessage(fmt.Sprintf(`{"name":"d%d","source":"x","vehicle":{"valve_drive":"belt"},"expect":{"gates":{"crank":"clear"}}}`, i)))
			}
		},
	} {
		t.Run(strings.ReplaceAll(name, " ", "_"), func(t *testing.T) {
			mine := *doc
			mine.Faults, mine.Hazards = []ruleset.FaultForm{fault("f0")}, []ruleset.HazardForm{hazard("h0", "f0")}
			spoil(&mine)
			set, err := loader.Document("", written(t, base, &mine))
			if err != nil {
				t.Fatalf("%.500s", err)
			}
			for what, try := range map[string]func(context.Context) (int, error){
				"test": func(ctx context.Context) (int, error) { f, err := rulecheck.Test(ctx, set); return len(f), err },
				"lint": func(ctx context.Context) (int, error) { f, err := rulecheck.Lint(ctx, set); return len(f), err },
			} {
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				start := time.Now()
				told, err := try(ctx)
				cancel()
				took := time.Since(start)
				t.Logf("%s: %v, %d things, %v", what, took, told, err)
				if err != nil && !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("%s: %v", what, err)
				}
				if took > 10*time.Second {
					t.Errorf("%s takes %v of one second", what, took)
				}
				if told > 1001 {
					t.Errorf("%s tells %d things", what, told)
				}
			}
		})
	}
}

// slowStore takes its time with one rule set.
type slowStore struct {
	*assesstest.Memory
	slow        string // its digest
	begun, goOn chan struct{}
}

func (s *slowStore) RuleSet(ctx context.Context, digest string) ([]byte, error) {
	if digest == s.slow {
		close(s.begun)
		<-s.goOn
	}
	return s.Memory.RuleSet(ctx, digest)
}

const yardOverlay = `{"schema":"laidup.rule_set/2","extends":{"name":"first-start","version":"%[1]s"},"name":"%[2]s","version":"%[3]s","is":"?","asks":"crank"}`

func TestARuleSetThatIsSlowToReadHoldsUpItsOwnersAlone(t *testing.T) {
	loader, base, _ := hostile(t)
	store := &slowStore{Memory: assesstest.NewMemory(), begun: make(chan struct{}), goOn: make(chan struct{})}
	ids := 0
	service, err := assess.New(assess.Options{
		Store: store, Queue: &assesstest.Queue{}, RuleSets: []*ruleset.Set{base}, Loader: loader,
		NewID: func() string { ids++; return fmt.Sprintf("id-%04d", ids) },
	})
	if err != nil {
		t.Fatal(err)
	}
	publish := func(organisation, name string) string {
		set, err := loader.Document("", fmt.Appendf(nil, yardOverlay, base.Version, name, "1.0.0"))
		if err != nil {
			t.Fatal(err)
		}
		ref := assess.RuleSetRef{Name: set.Name, Version: set.Version, Digest: set.Digest}
		if _, err := store.Publish(t.Context(), assess.Publication{RuleSetRef: ref, Organisation: organisation, Is: "?"}, set.Canonical); err != nil {
			t.Fatal(err)
		}
		return set.Digest
	}
	store.slow = publish("brennick-motors", "slow-yard")
	publish("brennick-motors", "other-yard")
	publish("harrow-lane", "quick-yard")
	body := read(t, "testdata", "cases", "base-tern.json")
	slow := make(chan error)
	go func() {
		_, err := service.For("brennick-motors").Submit(context.Background(), assess.Order{Body: body, RuleSet: "slow-yard"})
		slow <- err
	}()
	<-store.begun
	if _, err := service.For("harrow-lane").Submit(t.Context(), assess.Order{Body: body, RuleSet: "quick-yard"}); err != nil {
		t.Error(err)
	}
	if _, err := service.For("brennick-motors").Submit(t.Context(), assess.Order{Body: body}); err != nil {
		t.Error(err) // the built-in one is there
	}
	// The owners read one at a time, and who does not wait gets no turn.
	gone, leave := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer leave()
	if _, err := service.For("brennick-motors").Submit(gone, assess.Order{Body: body, RuleSet: "other-yard"}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v", err)
	}
	close(store.goOn)
	if err := <-slow; err != nil {
		t.Error(err)
	}
}

func TestAnOrganisationPublishesNotWithoutEnd(t *testing.T) {
	w := open(t)
	for i := range 500 {
		ref := assess.RuleSetRef{Name: "yard", Version: fmt.Sprintf("1.0.%d", i), Digest: fmt.Sprint("sha256:", i)}
		if _, err := w.store.Publish(t.Context(), assess.Publication{RuleSetRef: ref, Organisation: "brennick-motors"}, nil); err != nil {
			t.Fatal(err)
		}
	}
	_, _, err := w.Publish(t.Context(), fmt.Appendf(nil, yardOverlay, w.Current().Version, "yard", "2.0.0"))
	var faulty *assess.FaultyRuleSetError
	if !errors.As(err, &faulty) || len(faulty.Faults) != 1 || faulty.Faults[0].Code != assess.NoRoom {
		t.Errorf("%v", err)
	}
}
