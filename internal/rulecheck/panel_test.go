package rulecheck_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/score"
)

// The panel: dossiers that people judged without sight of the rule set. testdata/panel/README.md says
// more.

var panelFolder = filepath.Join("..", "..", "testdata", "panel")

type judged struct {
	Gates  map[string]*string `json:"gates"` // what most say
	Chance []*float64         `json:"chance_start_unharmed_percent"`
	List   map[string]struct {
		Judges int      `json:"judges"`
		Kind   string   `json:"kind"`
		Gates  []string `json:"gates"`
		Why    string   `json:"why"`
	} `json:"list"`
}

// judges is how many of them make the most.
const judges = 2

// evaluated scores the reports of files, in the order of their names.
func evaluated(t *testing.T, pattern string) *score.Assessment {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(panelFolder, pattern))
	if err != nil || len(files) == 0 {
		t.Fatalf("no reports %s (%v)", pattern, err)
	}
	var reports []*report.Report
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		r, _, faults := report.Decode(data, builtin.FirstStart().Catalogue)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", f, faults)
		}
		reports = append(reports, r)
	}
	set := builtin.FirstStart()
	return score.Evaluate(set, reports, len(set.Gates)-1)
}

// tally counts how often the rule set agrees with the panel.
type tally struct {
	gates, same, clear                int // states of gates; those that are as most say; those that are clear and should not be
	items, listed, hard, kind, atGate int // that most list; of those, ours; defects and duties; of those, ours with their kind; ours at a gate that one names
	ours, alone                       int // items that we list; those that none of them does
	off                               float64
	vehicles                          int
}

func (c tally) String() string {
	return fmt.Sprintf("gate states as most say: %d of %d, clear where most say otherwise: %d; items: %d of %d (%.0f %%), defects and duties with their kind %d of %d (%.0f %%); at a gate that one names: %d of %d (%.0f %%); listed by none: %d of %d (%.1f %%); mean error of the log-odds %.2f",
		c.same, c.gates, c.clear, c.listed, c.items, share(c.listed, c.items), c.kind, c.hard, share(c.kind, c.hard), c.atGate, c.listed, share(c.atGate, c.listed), c.alone, c.ours, share(c.alone, c.ours), c.off/float64(c.vehicles))
}

func share(n, of int) float64 { return 100 * float64(n) / float64(of) }

// logOdds takes chances beyond half a per cent for half a per cent: nobody can tell them apart.
func logOdds(p float64) float64 {
	p = min(max(p, 0.005), 0.995)
	return math.Log(p / (1 - p))
}

func TestThePanelAgreesWithTheRuleSet(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(panelFolder, "panel.json"))
	if err != nil {
		t.Fatal(err)
	}
	var panel map[string]judged
	if err := json.Unmarshal(data, &panel); err != nil {
		t.Fatal(err)
	}
	gate := func(id string) int { return gateAt(t, id) }
	var c tally
	for _, name := range slices.Sorted(maps.Keys(panel)) {
		p := panel[name]
		a := evaluated(t, filepath.Join("dossiers", name+"-*.json"))
		ours := map[string][]score.Blocker{}
		for _, b := range a.Blockers {
			ours[b.Item] = append(ours[b.Item], b)
		}
		for _, g := range a.Gates {
			most := p.Gates[g.Gate]
			if most == nil {
				continue
			}
			c.gates++
			switch {
			case g.State == *most:
				c.same++
			default:
				t.Logf("%s: %s is %s, most say %s", name, g.Gate, g.State, *most)
				if g.State == score.Clear {
					c.clear++
				}
			}
		}
		for _, item := range slices.Sorted(maps.Keys(p.List)) {
			e := p.List[item]
			if e.Judges < judges {
				continue
			}
			c.items++
			hard := e.Kind != "unproven"
			if hard {
				c.hard++
			}
			if len(ours[item]) == 0 {
				t.Logf("%s: %s is not listed (%s at %s): %s", name, item, e.Kind, strings.Join(e.Gates, ", "), e.Why)
				continue
			}
			c.listed++
			if hard && slices.ContainsFunc(ours[item], func(b score.Blocker) bool { return b.Kind != "unproven" }) {
				c.kind++
			} else if hard {
				t.Logf("%s: %s is unproven, judged %s: %s", name, item, e.Kind, e.Why)
			}
			first := len(a.Gates)
			for _, b := range ours[item] {
				first = min(first, gate(b.Gate))
			}
			least, most := len(a.Gates), 0
			for _, g := range e.Gates {
				least, most = min(least, gate(g)), max(most, gate(g))
			}
			if least <= first && first <= most {
				c.atGate++
			} else {
				t.Logf("%s: %s at %s, judged %s", name, item, a.Gates[first].Gate, strings.Join(e.Gates, ", "))
			}
		}
		for _, item := range slices.Sorted(maps.Keys(ours)) {
			c.ours++
			if _, there := p.List[item]; !there {
				c.alone++
				b := ours[item][0]
				t.Logf("%s: %s (%s at %s) is listed by none: %s %v", name, item, b.Kind, b.Gate, b.Reason.Code, b.Faults)
			}
		}
		said, n := 0.0, 0
		for _, percent := range p.Chance {
			if percent != nil {
				said += logOdds(*percent / 100)
				n++
			}
		}
		through := a.Gates[gate("first_start")].ChanceThrough.Float()
		c.off += math.Abs(logOdds(through) - said/float64(n))
		c.vehicles++
		t.Logf("%s: through the first start %.0f %%, judged %.0f", name, 100*through, 100/(1+math.Exp(-said/float64(n))))
	}
	t.Log(c)
	for what, ok := range map[string]bool{
		"gate states as most say: at least 95 %":             share(c.same, c.gates) >= 95,
		"no gate is clear where most say otherwise":          c.clear == 0,
		"items that most list: at least 85 %":                share(c.listed, c.items) >= 85,
		"defects and duties with their kind: at least 85 %":  share(c.kind, c.hard) >= 85,
		"at a gate that one of them names: at least 90 %":    share(c.atGate, c.listed) >= 90,
		"listed by none of them: at most 10 %":               share(c.alone, c.ours) <= 10,
		"mean error of the log-odds of a start: at most 0.7": c.off/float64(c.vehicles) <= 0.7,
	} {
		if !ok {
			t.Errorf("wanted is: %s", what)
		}
	}
}

func gateAt(t *testing.T, id string) int {
	t.Helper()
	for i, g := range builtin.FirstStart().Gates {
		if g.ID == id {
			return i
		}
	}
	t.Fatalf("no gate %s", id)
	return 0
}

// Where nobody looked, priors and chances speak alone: what they come to has to be what anybody would
// expect of such a vehicle.
func TestThePanelsVehiclesThatNobodyLookedAt(t *testing.T) {
	for file, want := range map[string]struct{ least, most float64 }{
		"2020-three-months.json": {0.85, 1},
		"1955-outdoors.json":     {0, 0.12},
	} {
		a := evaluated(t, filepath.Join("bare", file))
		through := a.Gates[len(a.Gates)-1].ChanceThrough.Float()
		t.Logf("%s: through the road test %.1f %%, %d entries", file, 100*through, len(a.Blockers))
		if through < want.least || through > want.most {
			t.Errorf("%s gets through the road test with %.1f %%, not %g to %g %%", file, 100*through, 100*want.least, 100*want.most)
		}
	}
}

// The worst of a barn find is what everybody fears of one: brakes, a seized engine and old fuel.
func TestThePanelsBarnFindBeginsWithWhatEverybodyFears(t *testing.T) {
	a := evaluated(t, filepath.Join("bare", "1978-twenty-damp-years.json"))
	about := map[string]bool{}
	for _, e := range a.Register[:3] {
		t.Logf("%d. %s at %s: %s, %.3g", e.Rank, e.Hazard, e.Gate, e.Severity, e.Probability.Float())
		for _, c := range e.Causes[:1] {
			about[fearOf(t, c.Item)] = true
		}
	}
	for _, fear := range []string{"brakes", "a seized engine", "fuel"} {
		if !about[fear] {
			t.Errorf("none of the first three entries is about %s: %v", fear, slices.Sorted(maps.Keys(about)))
		}
	}
}

// fearOf is what an item makes people fear.
func fearOf(t *testing.T, item string) string {
	t.Helper()
	it := builtin.FirstStart().Catalogue.Item(item)
	switch {
	case it == nil:
		t.Fatalf("no item %s", item)
	case it.System.ID == "brakes", it.System.ID == "fuel":
		return it.System.ID
	case slices.Contains([]string{"crankshaft", "cylinders", "valve_gear"}, item):
		return "a seized engine"
	}
	return item
}

// A list that nobody can read is not read. About 70 items are the most for a barn find: an item whose
// later gate asks for more than an earlier one stands on the list for each.
func TestBareListsStayReadable(t *testing.T) {
	dry := bareReport(t, "2020-three-months.json", func(o map[string]any) {
		o["lay_up"] = map[string]any{"last_ran": "2025-11-20", "storage": "dry_indoors"}
	})
	set := builtin.FirstStart()
	for name, c := range map[string]struct {
		a           *score.Assessment
		least, most int
	}{
		"a dry year":        {score.Evaluate(set, []*report.Report{dry}, len(set.Gates)-1), 10, 20},
		"twenty damp years": {evaluated(t, filepath.Join("bare", "1978-twenty-damp-years.json")), 45, 72},
	} {
		t.Run(name, func(t *testing.T) {
			items := map[string]bool{}
			for _, b := range c.a.Blockers {
				items[b.Item] = true
			}
			n := len(items)
			t.Logf("%d entries on %d items", len(c.a.Blockers), n)
			if n < c.least || n > c.most {
				var said []string
				for _, b := range c.a.Blockers {
					said = append(said, fmt.Sprintf("%s at %s (%s)", b.Item, b.Gate, b.Kind))
				}
				t.Errorf("%d items, not %d to %d: %s", n, c.least, c.most, strings.Join(said, ", "))
			}
		})
	}
}

// bareReport is the report of a vehicle that nobody looked at, changed.
func bareReport(t *testing.T, file string, change func(map[string]any)) *report.Report {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(panelFolder, "bare", file))
	if err != nil {
		t.Fatal(err)
	}
	var o map[string]any
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	change(o)
	if data, err = json.Marshal(o); err != nil {
		t.Fatal(err)
	}
	return decode(t, builtin.FirstStart(), string(data))
}
