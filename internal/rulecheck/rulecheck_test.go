package rulecheck_test

import (
	"context"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/schema"
)

var update = flag.Bool("update", false, "write the golden files anew")

//go:embed testdata/small.yaml
var small string

// spoilt is the small rule set with words replaced by others, in pairs.
func spoilt(t testing.TB, pairs ...string) *ruleset.Set {
	t.Helper()
	l := builtin.Loader()
	text := small
	for i := 0; i < len(pairs); i += 2 {
		if !strings.Contains(text, pairs[i]) {
			t.Fatalf("the small rule set has no %q", pairs[i])
		}
		text = strings.Replace(text, pairs[i], pairs[i+1], 1)
	}
	set, err := l.Document("small.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func test(t *testing.T, set *ruleset.Set) []rulecheck.Failure {
	t.Helper()
	failures, err := rulecheck.Test(t.Context(), set)
	if err != nil {
		t.Fatal(err)
	}
	return failures
}

func lint(t *testing.T, set *ruleset.Set) []rulecheck.Finding {
	t.Helper()
	findings, err := rulecheck.Lint(t.Context(), set)
	if err != nil {
		t.Fatal(err)
	}
	return findings
}

func TestAWorkbenchThatIsToldToStopStops(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := rulecheck.Test(ctx, builtin.FirstStart()); !errors.Is(err, context.Canceled) {
		t.Errorf("tests: %v", err)
	}
	if _, err := rulecheck.Lint(ctx, builtin.FirstStart()); !errors.Is(err, context.Canceled) {
		t.Errorf("lint: %v", err)
	}
}

func TestTheBuiltInRuleSetPassesItsOwnTests(t *testing.T) {
	t.Parallel()
	set := builtin.FirstStart()
	for _, f := range test(t, set) {
		t.Error(f)
	}
	dossiers, kinds, gates := 0, map[string]bool{}, map[string]bool{}
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if kind, _ := form.Entry(); kind != "" {
			continue
		}
		dossiers++
		for _, b := range form.Expect.Blocks {
			kinds[b.Kind+" at "+b.By] = true
		}
		for g, state := range form.Expect.Gates {
			gates[g+" "+state] = true
		}
	}
	if dossiers < 60 {
		t.Errorf("only %d dossiers", dossiers)
	}
	for _, g := range set.Gates {
		for _, state := range []string{score.Clear, score.Unproven, score.Blocked} {
			if !gates[g.ID+" "+state] {
				t.Errorf("no dossier expects %s to be %s", g.ID, state)
			}
		}
	}
	for _, kind := range []string{"defect", "unproven", "duty"} {
		if !kinds[kind+" at hand_turn"] || !kinds[kind+" at first_start"] {
			t.Errorf("%s is not expected at hand_turn and first_start", kind)
		}
	}
}

func TestTheBuiltInRuleSetHasNothingOddAboutIt(t *testing.T) {
	t.Parallel()
	for _, f := range lint(t, builtin.FirstStart()) {
		if !f.Listed {
			t.Error(f)
		}
	}
}

func TestTheSmallRuleSetIsInOrder(t *testing.T) {
	set := spoilt(t)
	for _, f := range test(t, set) {
		t.Error(f)
	}
	for _, f := range lint(t, set) {
		t.Error(f)
	}
}

// Whatever an entry gets wrong, a test that speaks of it says so, and where it is written.
func TestFailures(t *testing.T) {
	for name, c := range map[string]struct {
		change []string
		test   string
		says   string
	}{
		"a condition turned round":       {[]string{"when: found.fraying\n    weight", "when: '!found.fraying'\n    weight"}, "belt_fraying", "never fires on map[timing_belt:map[fraying:true]]"},
		"a condition that always holds":  {[]string{`when: 'found.noise in ["slight", "rough"]'`, `when: 'found.noise in ["silent", "slight", "rough"]'`}, "belt_noise", "which it should let pass"},
		"another weight":                 {[]string{"[11.8, 15]", "[11.8, 14]"}, "volts", "weighs 14 dB"},
		"a rule without a test":          {[]string{"  - {rule: bought, vehicle: {cylinders: 4}, fires: {battery: {receipt: \"no. 5\"}}}\n", ""}, "bought", "no test says when it fires: add {rule: bought"},
		"a limit without a test":         {[]string{"  - {limit: battery_loose, fires: {battery: {secured: false}}, silent: {battery: {secured: true}}}\n", ""}, "battery_loose", "no test says when it is crossed: add {limit: battery_loose"},
		"a proof without a test":         {[]string{"  - {proof: belt_proven, fires: {timing_belt: {fraying: false}}, silent: {timing_belt: {fraying: true}}, unanswered: {timing_belt: {noise: rough}}}\n", ""}, "belt_proven", "no test says when it is met: add {proof: belt_proven"},
		"a follow without a test":        {[]string{"  - {follow: belt_was_frayed, fires: {timing_belt: {fraying: true}}, silent: {timing_belt: {fraying: false}}}\n", ""}, "belt_was_frayed", "no test says when it opens: add {follow: belt_was_frayed"},
		"nothing to let pass":            {[]string{", silent: {timing_belt: {noise: silent}}", ""}, "belt_noise", "no test says what it lets pass"},
		"a limit that lets nothing pass": {[]string{", silent: {battery: {secured: true}}", ""}, "battery_loose", "no test says what it lets pass"},
		"a rule there is not":            {[]string{"{rule: bought", "{rule: sold"}, "sold", "is not a rule"},
		"a limit there is not":           {[]string{"{limit: battery_loose", "{limit: belt_loose"}, "belt_loose", "is not a limit"},
		"a rule tested as a proof":       {[]string{"{rule: bought", "{proof: bought"}, "bought", "is not a proof"},
		"an item there is not":           {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_chain: {noise: slight}}"}, "belt_noise", "timing_chain"},
		"a value there is not":           {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_belt: {noise: loud}}"}, "belt_noise", "loud"},
		"something left out":             {[]string{"fires: {timing_belt: {noise: slight}}", "fires: {timing_belt: {fraying: true}}"}, "belt_noise", "fires leaves out [timing_belt.noise]"},
		"silent of something else":       {[]string{"silent: {timing_belt: {noise: silent}}", "silent: {timing_belt: {fraying: false}}"}, "belt_noise", "silent leaves out"},
		"a proof's silence of nothing":   {[]string{"{proof: belt_proven, fires: {timing_belt: {fraying: false}}, silent: {timing_belt: {fraying: true}}", "{proof: belt_proven, fires: {timing_belt: {fraying: false}}, silent: {timing_belt: {noise: rough}}"}, "belt_proven", "silent leaves out all that the proof reads"},
		"answered after all":             {[]string{"unanswered: {timing_belt: {noise: rough}}", "unanswered: {timing_belt: {fraying: false}}"}, "belt_fraying", "unanswered leaves out nothing"},
		"a limit moved":                  {[]string{"when: 'age >= 6.0'", "when: 'age > 6.0'"}, "belt_over_age", "never is crossed on map[timing_belt:map[age:"},
		"a limit moved the other way":    {[]string{"when: 'age >= 6.0'", "when: 'age >= 5.0'"}, "belt_over_age", "is crossed on map[timing_belt:map[age:map[unit:a value:5.99]]], which it should let pass"},
		"a limit for all engines":        {[]string{"    if: 'interference != \"no\"'\n    because: \"the belt is {age} old\"", "    because: \"the belt is {age} old\""}, "belt_over_age", "is crossed on"},
		"a limit on an age not told":     {[]string{"unanswered: {}}", "fires: {}}", "fires: {timing_belt: {age: {value: 6, unit: a}}}, silent", "silent"}, "belt_over_age", "never is crossed on map[]"},
		"a proof by less":                {[]string{"proves: '!found.fraying ||", "proves: '!found.fraying && found.noise != \"rough\" ||", "found: {fraying: false}}]\n    source: {kind: common_practice}\nfollows", "found: {fraying: false, noise: silent}}]\n    source: {kind: common_practice}\nfollows"}, "belt_proven", "never is met on map[timing_belt:map[fraying:false]]"},
		"a follow of something else":     {[]string{"item: timing_belt, when: found.fraying, needs", "item: timing_belt, when: '!found.fraying', needs"}, "belt_was_frayed", "never opens on"},
		"a weight of a limit":            {[]string{"{limit: battery_loose, fires: {battery: {secured: false}}", "{limit: battery_loose, weighs: 2, fires: {battery: {secured: false}}"}, "battery_loose", "only a rule weighs anything"},
		"on a vehicle that has it not":   {[]string{"{rule: bought, vehicle: {cylinders: 4}", "{rule: bought, vehicle: {cylinders: 1}"}, "bought", "battery"},
		"a limit of another vehicle":     {[]string{"{limit: battery_loose,", "{limit: battery_loose, vehicle: {cylinders: 1},"}, "battery_loose", "battery"},
		"the same name twice":            {[]string{"name: frayed", "name: all_sound"}, "all_sound", "name of another test"},
		"another state":                  {[]string{"{hand_turn: clear, crank: clear}", "{hand_turn: clear, crank: blocked}"}, "all_sound", "crank is clear, not blocked: nothing"},
		"a gate there is not":            {[]string{"gates: {hand_turn: clear, crank: clear}", "gates: {take_off: clear}"}, "all_sound", `"take_off", which is not a gate`},
		"another kind of blocker":        {[]string{"kind: defect}]", "kind: duty}]"}, "frayed", "timing_belt does not block by crank (duty)"},
		"another position":               {[]string{"kind: duty, at: [left]", "kind: duty, at: [right]"}, "one_of_two_batteries", "battery right does not block by hand_turn (duty): in the way is battery left at hand_turn"},
		"a twin that is cleared":         {[]string{"at: [left], found: {secured: false}}", "at: [left], found: {secured: true}}"}, "one_of_two_batteries", "hand_turn is clear, not blocked"},
		"an item that is fitted":         {[]string{"{battery: {method: seen, fitted: false}}", "{battery: {method: seen, found: {secured: false}}}"}, "never_fitted", "battery blocks hand_turn (duty): the battery is loose [battery_loose]"},
		"an item that blocks nothing":    {[]string{"{item: timing_belt, by: crank, kind: defect}", "{item: battery, by: crank}"}, "frayed", "battery does not block by crank (any kind)"},
		"an item that is not free":       {[]string{"      severity: {timing_belt: critical}", "      free: [{item: timing_belt, at: crank}]"}, "frayed", "timing_belt blocks crank (defect): the belt is frayed"},
		"an item expected in vain":       {[]string{"severity: {timing_belt: critical}", "severity: {gearbox: critical}"}, "frayed", `"gearbox", which is not an item`},
		"another severity":               {[]string{"severity: {timing_belt: critical}", "severity: {timing_belt: marginal}"}, "frayed", "is critical (valve_strike), not marginal"},
		"a renewal that proves nothing":  {[]string{"method: documented, found: {renewed", "method: told, found: {renewed"}, "renewed_since", "crank is blocked, not clear"},
		"a correction taken back":        {[]string{"vehicle: {cylinders: 1}", "vehicle: {cylinders: 2}", "gates: {crank: clear}", "severity: {battery: critical}"}, "renewed_since", "the worst entry for battery is marginal"},
		"an impossible report":           {[]string{`- date: "2026-05-02"`, `- date: "2026-05-42"`}, "renewed_since", "report 1 is not a report"},
		"a sound day that never was":     {[]string{`sound: "2026-04-30"`, `sound: "2026-04-31"`}, "renewed_since", "is not a report"},
	} {
		t.Run(name, func(t *testing.T) {
			failures := test(t, spoilt(t, c.change...))
			i := slices.IndexFunc(failures, func(f rulecheck.Failure) bool { return f.Test == c.test && strings.Contains(f.Detail, c.says) })
			if i < 0 {
				t.Fatalf("failures are %v", failures)
			}
			f := failures[i]
			if strings.HasPrefix(f.Detail, "no test") {
				if f.File != "" || f.String() != f.Test+": "+f.Detail {
					t.Errorf("a test that is not there is said to be at %s", f)
				}
			} else if f.File != "small.yaml" || f.Line < 120 || f.String() != fmt.Sprintf("small.yaml:%d: %s: %s", f.Line, f.Test, f.Detail) {
				t.Errorf("%s does not say where it is", f)
			}
		})
	}
}

// What is odd is found, of each kind; what is in order is not.
func TestLint(t *testing.T) {
	for name, c := range map[string]struct {
		change      []string
		kind, entry string
		says        string
	}{
		"a finding nobody reads":               {[]string{"            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: colour, kind: text}\n"}, rulecheck.Unread, "timing_belt.colour", "no rule"},
		"an item nobody needs":                 {[]string{"    - id: electrics\n      is: electrics\n      items:\n", "    - id: electrics\n      is: electrics\n      items:\n        - {id: horn, minutes: 1, access: none, finds: []}\n"}, rulecheck.Unwatched, "horn", "no fault, no limit and no proof"},
		"a rule between two limits that cross": {[]string{"when: found.open_circuit >= 0.0", "when: found.open_circuit > 12.6 && found.open_circuit < 12.5"}, rulecheck.NeverFire, "volts", "fires on nothing"},
		"a rule of no weight":                  {[]string{"    weight: 3\n", "    weight: 0\n"}, rulecheck.NeverFire, "belt_noise", "fires on nothing"},
		"a limit beyond what there is":         {[]string{"when: 'age >= 6.0'", "when: 'age >= 600.0'"}, rulecheck.NeverFire, "belt_over_age", "crossed by nothing"},
		"a follow of nothing":                  {[]string{"item: timing_belt, when: found.fraying, needs", "item: timing_belt, when: 'found.fraying && !found.fraying', needs"}, rulecheck.NeverFire, "belt_was_frayed", "opens on nothing"},
		"a hazard of no vehicle":               {[]string{"    severity: marginal\n", "    severity: marginal\n    when: 'cylinders < 1'\n"}, rulecheck.NeverFire, "no_start", "exists on no vehicle"},
		"a fault of no vehicle":                {[]string{"    item: battery\n    is:", "    item: battery\n    when: 'cylinders < 1'\n    is:"}, rulecheck.NeverFire, "battery_flat", "no vehicle has it"},
		"one finding counted twice":            {[]string{"line: noise\n    when: 'found.noise in [\"slight\", \"rough\"]'", "line: noise\n    when: found.fraying"}, rulecheck.Twice, "belt_weak", "belt_fraying and belt_noise both count timing_belt.fraying = true"},
		"a rule once more":                     {[]string{"when: 'found.noise in [\"slight\", \"rough\"]'", "when: ' found.fraying'", "line: noise", "line: surface"}, rulecheck.Again, "belt_noise", "has the condition of belt_fraying"},
		"one finding for two faults":           {[]string{"    line: receipt\n    when: found.receipt != \"\"", "    line: receipt\n    when: other.timing_belt.fraying"}, rulecheck.Shared, "timing_belt.fraying", "speaks for 2 faults: belt_weak, battery_flat"},
		"a general word as good as a look":     {[]string{"weight: -4\n", "weight: -4.1\n"}, rulecheck.General, "belt_judged_sound", "weighs -4.1 dB, more than a third of the look belt_sound (12 dB)"},
		"a general word beside the looks":      {[]string{"    line: surface\n    when: found.judged == \"sound\"", "    line: general\n    when: found.judged == \"sound\""}, rulecheck.General, "belt_judged_sound", "counts beside every look"},
		"a weight that nobody can carry":       {[]string{"    weight: 20\n", "    weight: 26\n"}, rulecheck.Loud, "belt_fraying", "weighs 26 dB, and no method carries more than 25"},
		"an age counted twice":                 {[]string{"when: 'found.noise in [\"slight\", \"rough\"]'", "when: 'found.noise in [\"slight\", \"rough\"] && age > 3.0'"}, rulecheck.Counted, "belt_noise", "reads timing_belt.age, and so does the prior of belt_weak"},
		"a lay-up counted twice":               {[]string{"when: found.open_circuit >= 0.0", "when: found.open_circuit >= 0.0 && years_laid_up > 0.5"}, rulecheck.Counted, "volts", "reads the years laid up, and so does"},
		"a formula counted twice":              {[]string{"{of: years_laid_up, curve: [[0, 0.05], [1, 0.3]]", "{of: found.open_circuit, curve: [[0, 0.05], [1, 0.3]]"}, rulecheck.Counted, "volts", "reads battery.open_circuit, and so does"},
		"a prior the same for all":             {[]string{"{of: years_laid_up, curve: [[0, 0.05], [1, 0.3]]", "{is: 0.3"}, rulecheck.Constant, "battery_flat", "as likely after three months as after fifty years"},
		"a hazard fitted to its gate":          {[]string{"critical: 0.01, marginal: 0.1}", "critical: 0.12, marginal: 0.2}"}, rulecheck.Bunched, "valve_strike", "comes to 11.4 % at the worst, just below the 12 % that crank tolerates"},
		"a hazard that nothing clears":         {[]string{"[[0, 0.05], [1, 0.3]]", "[[0, 0.05], [1, 0.5]]"}, rulecheck.Unclearable, "no_start", "is still 15.4 % likely when all its causes are cleared, and crank tolerates 10 %: most of it is battery_flat"},
		"a part that stays likely bad":         {[]string{"[[0, 0.05], [1, 0.3]]", "[[0, 0.05], [1, 0.9]]", "severity: marginal\n    causes: [{fault: battery_flat, chance: 1", "severity: critical\n    causes: [{fault: battery_flat, chance: 0.001"}, rulecheck.Unclearable, "no_start", "battery_flat is still 62.2 % likely when it is cleared"},
		"a worse word that weighs less":        {[]string{`found.noise in ["slight", "rough"]`, `found.noise == "slight"`}, rulecheck.Backward, "belt_weak", "timing_belt.noise = rough makes it less likely than slight"},
		"a curve that turns back":              {[]string{"[[11.8, 15], [12.2, 0], [12.7, -10]]", "[[10, 5], [11.8, 15], [12.7, -10]]"}, rulecheck.Backward, "battery_flat", "battery.open_circuit ="},
		"a worse word that blocks no more":     {[]string{"    weight: 3\n", "    weight: 3\n    blocks: crank\n", `found.noise in ["slight", "rough"]`, `found.noise == "slight"`}, rulecheck.Backward, "belt_weak", "timing_belt.noise = rough"},
		"an age that is allowed again":         {[]string{"when: 'age >= 6.0'", "when: 'age >= 6.0 && age < 9.0'"}, rulecheck.Backward, "belt_weak", "no longer blocks crank"},
		"a clearing that leaves it":            {[]string{"[[11.8, 15], [12.2, 0], [12.7, -10]]", "[[11.8, 15], [12.2, 3], [12.7, 1]]"}, rulecheck.Uncleared, "battery_flat", "what clears it leaves it blocking crank"},
		"a finding that stands":                {[]string{"[[11.8, 15], [12.2, 0], [12.7, -10]]", "[[11.8, 15], [12.2, 3], [12.7, 1]]"}, rulecheck.Standing, "volts", "still speaks for battery_flat"},
		"a renewal that proves nothing":        {[]string{" || years_since(found.renewed) < 2.0", "", "    guards: [valve_strike]\n", "    always: true\n"}, rulecheck.Unproving, "belt_weak", "leaves the proof belt_proven undone"},
		"a proof that some cannot give":        {[]string{"proves: '!found.fraying ||", "proves: '(interference == \"no\" || interference == \"yes\") && !found.fraying ||"}, rulecheck.Unmeetable, "belt_proven", "is not met by what clears it on a vehicle with interference unknown"},
		"a proof by what some do not have":     {[]string{"    applies: 'cylinders > 1'\n", "    applies: 'interference != \"no\"'\n", "clear_by: [{item: timing_belt, found: {fraying: false}}]", "clear_by: [{item: timing_belt, found: {fraying: false}}, {item: battery, found: {secured: true}}]"}, rulecheck.Unmeetable, "belt_proven", "asks for secured of the battery, which a vehicle with interference no does not have"},
		"a sentence for a clause":              {[]string{`is: "the battery is flat"`, `is: "The battery is flat."`}, rulecheck.Clause, "battery_flat", "is ends with a full stop"},
		"a capital in a clause":                {[]string{`because: "the belt is frayed"`, `because: "The belt is frayed"`}, rulecheck.Clause, "belt_fraying", "because begins with a capital"},
	} {
		t.Run(name, func(t *testing.T) {
			change := c.change
			for i := len(change) - 2; i >= 0; i -= 2 {
				if change[i] == change[i+1] {
					change = slices.Delete(slices.Clone(change), i, i+2)
				}
			}
			findings := lint(t, spoilt(t, change...))
			if !slices.ContainsFunc(findings, func(f rulecheck.Finding) bool {
				return f.Kind == c.kind && f.Entry == c.entry && strings.Contains(f.Detail, c.says) && strings.HasSuffix(f.String(), "("+c.kind+")") &&
					f.Listed == slices.Contains([]string{rulecheck.Constant, rulecheck.Shared, rulecheck.Bunched, rulecheck.Standing}, c.kind)
			}) {
				t.Errorf("findings are %v", findings)
			}
		})
	}
}

// A week code is read as the age, says weeks since 2000 only, and is said as a person would.
func TestLintKnowsWeekCodes(t *testing.T) {
	stamped := func(years string) *ruleset.Set {
		return spoilt(t, "            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: stamped, kind: week_code}\n",
			`found.noise in ["slight", "rough"]`, `found.noise != "silent" && years_since(found.stamped) > `+years, "{found.noise}", "of {found.stamped}")
	}
	if findings := lint(t, spoilt(t, "            - {id: fraying, kind: flag}\n", "            - {id: fraying, kind: flag}\n            - {id: stamped, kind: week_code}\n")); len(findings) > 0 {
		t.Errorf("findings are %v", findings)
	}
	for years, never := range map[string]bool{"9.0": false, "26.0": false, "27.0": true} {
		findings := lint(t, stamped(years))
		if got := slices.ContainsFunc(findings, func(f rulecheck.Finding) bool { return f.Kind == rulecheck.NeverFire && f.Entry == "belt_noise" }); got != never {
			t.Errorf("more than %s years: findings are %v", years, findings)
		}
	}
	set := stamped("9.0")
	r := decode(t, set, smallReport("2026-05-02", `"cylinders":1`, `{"item":"timing_belt","method":"seen","found":{"noise":"rough","stamped":"0914"}}`))
	e, err := rulecheck.Explain(set, []*report.Report{r}, "belt_noise")
	if err != nil || !strings.Contains(e.String(), "Because the belt is of week 9 of 2014.") {
		t.Errorf("it says %s (%v)", e, err)
	}
}

func decode(t testing.TB, set *ruleset.Set, data string) *report.Report {
	t.Helper()
	r, _, faults := report.Decode([]byte(data), set.Catalogue)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return r
}

// smallReport is a report on the vehicle of the small rule set; storage may be given.
func smallReport(date, vehicle, observations string, storage ...string) string {
	layUp := ""
	if len(storage) > 0 {
		layUp = `"lay_up":{"storage":"` + storage[0] + `"},`
	}
	return `{"schema":"laidup.report/1","vehicle":{"reference":"t1",` + vehicle + `},` + layUp + `"inspection":{"date":"` + date + `"},"observations":[` + observations + `]}`
}

// The figures are those of the worked examples: a belt aged 11 documented, frayed seen.
func TestExplainShowsTheArithmetic(t *testing.T) {
	set := spoilt(t)
	frayed := decode(t, set, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}},{"item":"timing_belt","method":"documented","found":{"age":{"value":11,"unit":"a"}}}`, "indoors"))
	sound := decode(t, set, smallReport("2023-05-02", `"interference":"no"`, `{"item":"timing_belt","method":"seen","found":{"fraying":false}}`))
	later := decode(t, set, smallReport("2026-05-02", `"cylinders":1`, `{"item":"timing_belt","method":"told","found":{"noise":"silent"}}`))
	word := decode(t, set, smallReport("2026-05-02", `"cylinders":1`, `{"item":"timing_belt","method":"seen","found":{"judged":"sound"}}`))
	told := decode(t, set, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"told","found":{"fraying":true}}`))
	left := decode(t, set, smallReport("2026-05-02", `"cylinders":4`, `{"item":"battery","method":"seen","at":["left"],"found":{"open_circuit":{"value":11.8,"unit":"V"}}}`))
	for name, c := range map[string]struct {
		reports []*report.Report
		rule    string
		says    []string
	}{
		"it fires, counts and blocks": {[]*report.Report{frayed}, "belt_fraying", []string{
			"-10.696257", "+19.547248", "+8.850991", "P = 1 / (1 + 10^(-L/10)) = 0.88473109", "An age of 11 years is reported, to be believed for 0.9: 0.9 * 0.065 + 0.1 * 0.2",
			"+2 dB where storage == \"outdoors\", which does not hold", "It rests on a study: a fifth of such belts part", "belt_weak: 0.88473109 * 0.4 = 0.35389244, share 1.0000",
			"Crank tolerates 0.01 of what is critical: this is more than that", "blocks crank (defect) by itself", "On the blocking list: rank 1, crank, defect: the belt is frayed"}},
		"a reassuring look three years old": {[]*report.Report{sound, later}, "belt_sound", []string{
			"reassures 0.86, 3.00 years before 2026-05-02, half-life 2 years: 0.86 * 0.5^(3.00/2) = 0.3041", "w' = -1.4562 dB", "as much as you like, where the curve is at 0.2", "severity marginal", "The rule itself never blocks",
			"+2 dB where storage == \"outdoors\", which is not decided: what is worse counts"}},
		"an alarm that somebody told":          {[]*report.Report{told}, "belt_fraying", []string{"That is +15.5206 dB, and an alarm by this method counts for +7.0000 dB at most", "The rule would block crank (defect) if there were more than somebody's word for it", "somebody says, and nobody has looked"}},
		"what was not found":                   {[]*report.Report{frayed}, "belt_sound", []string{"It does not fire", "does not meet the condition"}},
		"what nobody looked at":                {[]*report.Report{frayed}, "belt_noise", []string{"noise: not reported", "Not reported: timing_belt.noise"}},
		"a general word that counts":           {[]*report.Report{word}, "belt_judged_sound", []string{"It is a general word", "It fires and counts"}},
		"a general word beside a look":         {[]*report.Report{sound, word}, "belt_judged_sound", []string{"It does not fire", "It is a general word, and timing_belt.fraying says more"}},
		"a rule of a vehicle without the item": {[]*report.Report{later}, "volts", []string{"does nothing on this vehicle", "battery is there where cylinders > 1"}},
		"one of two positions":                 {[]*report.Report{left}, "volts", []string{"battery left, open circuit: 11.8 V (seen, alarms 0.9, reassures 0.86, 2026-05-02)", "At left.", "On the blocking list: rank 1, crank, defect at left: 11.8 V at rest"}},
		"a free-running engine":                {[]*report.Report{decode(t, set, smallReport("2026-05-02", `"interference":"no"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}}`))}, "belt_fraying", []string{`only where interference != "no"`}},
		"two that contradict each other":       {[]*report.Report{decode(t, set, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}},{"item":"timing_belt","method":"tested","found":{"fraying":false}}`))}, "belt_fraying", []string{"these contradict each other: the worse counts", "fraying: false (tested, alarms 0.98", "It fires and counts"}},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := rulecheck.Explain(set, c.reports, c.rule)
			if err != nil {
				t.Fatal(err)
			}
			text := e.String()
			for _, want := range c.says {
				if !strings.Contains(text, want) {
					t.Errorf("%q is not said in\n%s", want, text)
				}
			}
		})
	}
	oneLine := spoilt(t, "line: noise", "line: surface")
	both := decode(t, oneLine, smallReport("2026-05-02", `"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true,"noise":"rough"}}`))
	if e, err := rulecheck.Explain(oneLine, []*report.Report{both}, "belt_noise"); err != nil || !strings.Contains(e.String(), "It fires and does not count") || !strings.Contains(e.String(), "On the same line: belt_fraying, +19.5472 dB") || !strings.Contains(e.String(), "not counted: belt_noise") {
		t.Errorf("an outweighed rule: %v\n%v", err, e)
	}
	if _, err := rulecheck.Explain(set, []*report.Report{frayed}, "belt_frayed"); err == nil || !strings.Contains(err.Error(), "explain rule belt_frayed") {
		t.Errorf("a rule there is not: %v", err)
	}
	if _, err := rulecheck.Explain(set, nil, "belt_fraying"); err == nil {
		t.Error("nothing to explain it on")
	}
}

// Every rule of the built-in set can be explained on a demo dossier, and the sums that are shown are
// those of the assessment.
func TestExplainAgreesWithTheAssessment(t *testing.T) {
	t.Parallel()
	set := builtin.FirstStart()
	data, err := schema.FS.ReadFile("demo/marrick-tern-01.1.json")
	if err != nil {
		t.Fatal(err)
	}
	reports := []*report.Report{decode(t, set, string(data))}
	causes := map[string]score.Cause{}
	for _, e := range score.Evaluate(set, reports, -1).Register {
		for _, c := range e.Causes {
			if c.Probability > causes[c.Fault].Probability {
				causes[c.Fault] = c
			}
		}
	}
	for _, r := range set.Rules {
		e, err := rulecheck.Explain(set, reports, r.ID)
		if err != nil {
			t.Fatal(err)
		}
		c, there := causes[r.Fault.ID]
		if !there {
			continue
		}
		if want := fmt.Sprintf("%+12.6f  together", c.TotalDB.Float()); !strings.Contains(e.String(), want) {
			t.Errorf("%s: no %q in\n%s", r.ID, want, e)
		}
		sum := c.PriorDB.Float() + c.ShiftsDB.Float()
		for _, ev := range c.Evidence {
			sum += ev.EffectiveDB.Float()
			if !strings.Contains(e.String(), fmt.Sprintf("%+12.6f  %s: ", ev.EffectiveDB.Float(), ev.Rule)) {
				t.Errorf("%s: %s is not in the sum", r.ID, ev.Rule)
			}
		}
		if math.Abs(sum-c.TotalDB.Float()) > 1e-6 {
			t.Errorf("%s: the parts make %v", r.ID, sum)
		}
	}
}

func TestDiff(t *testing.T) {
	frayed := rulecheck.Dossier{Name: "frayed", Reports: [][]byte{[]byte(smallReport("2026-05-02", `"cylinders":1,"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":true}}`))}}
	seen := rulecheck.Dossier{Name: "seen", Reports: [][]byte{[]byte(smallReport("2026-05-02", `"cylinders":1,"interference":"yes"`, `{"item":"timing_belt","method":"seen","found":{"fraying":false,"noise":"slight"}},{"item":"timing_belt","method":"documented","found":{"renewed":"2024-05-02"}}`, "indoors"))}}
	cut := func(from, to string) string { return small[strings.Index(small, from):strings.Index(small, to)] }
	for name, c := range map[string]struct {
		change   []string
		changes  []string
		dossiers string
	}{
		"nothing":                          {nil, nil, "[]"},
		"only its tests and its name":      {[]string{"name: small", "name: smaller", "weighs: 15", "weighs: 14"}, nil, "[]"},
		"a weight that changes no verdict": {[]string{"weight: 3\n", "weight: 4\n"}, []string{"rule belt_noise: weight 3 becomes 4"}, "[]"},
		"a block taken away": {[]string{"    blocks: {gate: crank, if: 'interference != \"no\"'}\n", "", "weight: 20\n", "weight: 0.5\n"},
			[]string{`rule belt_fraying: blocks {"gate":"crank","if":"interference != \"no\""} becomes nothing; weight 20 becomes 0.5`}, "[]"},
		"a rule that blocks sooner": {[]string{"    weight: 3\n", "    weight: 3\n    blocks: hand_turn\n"}, []string{`rule belt_noise: blocks nothing becomes "hand_turn"`},
			`[{seen [] [{hand_turn clear blocked} {crank clear blocked}] [+timing_belt hand_turn defect by rule belt_noise]}]`},
		"what a method is worth": {[]string{"{id: seen, is: looked at, alarms: 0.9,", "{id: seen, is: looked at, alarms: 0.5,"}, []string{"method seen: alarms 0.9 becomes 0.5"},
			`[{frayed [] [{crank blocked unproven}] [-timing_belt crank defect by method seen]}`},
		"a shift": {[]string{"db: 2}", "db: 5}"}, []string{`fault belt_weak: prior {"anchor":{"cite":"a study","judged":"the shape","population":"cars","says":"a fifth of such belts part","year":"2019"},"curve":[[0,0.001],[5,0.01],[10,0.05],[20,0.2]],"of":"age","shifts":[{"db":2,"when":"storage == \"outdoors\""}],"spread":3} becomes {"anchor":{"cite":"a study","judged":"the shape","population":"cars","says":"a fifth of such belts part","year":"2019"},"curve":[[0,0.001],[5,0.01],[10,0.05],[20,0.2]],"of":"age","shifts":[{"db":5,"when":"storage == \"outdoors\""}],"spread":3}`}, "[]"},
		"a limit": {[]string{"when: 'age >= 6.0'", "when: 'age >= 1.0'"}, []string{`limit belt_over_age: when "age >= 6.0" becomes "age >= 1.0"`},
			`[{seen [] [{crank clear blocked}] [+timing_belt crank defect by limit belt_over_age]}]`},
		"a proof": {[]string{"    guards: [valve_strike]\n", "    always: true\n", "proves: '!found.fraying || years_since(found.renewed) < 2.0'", "proves: 'found.noise == \"silent\"'", "clear_by: [{item: timing_belt, found: {fraying: false}}]", "clear_by: [{item: timing_belt, found: {noise: silent}}]"},
			[]string{`proof belt_proven: always nothing becomes true; clear_by [{"found":{"fraying":false},"item":"timing_belt"}] becomes [{"found":{"noise":"silent"},"item":"timing_belt"}]; guards ["valve_strike"] becomes nothing; proves "!found.fraying || years_since(found.renewed) < 2.0" becomes "found.noise == \"silent\""`},
			`[{seen [] [{crank clear unproven}] [+timing_belt crank unproven by proof belt_proven]}]`},
		"a tolerance": {[]string{"critical: 0.01, marginal", "critical: 0.0001, marginal"}, []string{`gate crank: tolerates {"critical":0.01,"marginal":0.1} becomes {"critical":0.0001,"marginal":0.1}`},
			`[{seen [] [{crank clear blocked}] [+timing_belt crank defect by gate crank]}]`},
		"a follow": {[]string{"because: \"the belt was frayed\"", "because: \"it was frayed\""}, []string{`follow belt_was_frayed: because "the belt was frayed" becomes "it was frayed"`}, "[]"},
		"a fault gone": {[]string{cut("  - id: battery_flat\n", "rules:\n"), "", cut("  - id: volts\n", "  - id: belt_judged_sound\n"), "", cut("  - id: no_start\n", "proofs:\n"), ""},
			[]string{"fault battery_flat: removed", "rule bought: removed", "rule volts: removed", "hazard no_start: removed"}, "[]"},
		"a finding with another name": {[]string{"{id: noise, kind: choice", "{id: sound, kind: choice", `found.noise in`, `found.sound in`, "{found.noise}", "{found.sound}", "of: noise", "of: sound"}, nil,
			"[{seen [under small 1.0.0, report 1: /observations/0/found/noise"},
	} {
		t.Run(name, func(t *testing.T) {
			d, err := rulecheck.Diff(spoilt(t), spoilt(t, c.change...), []rulecheck.Dossier{frayed, seen})
			if err != nil {
				t.Fatal(err)
			}
			var said []string
			for _, x := range d.Changes {
				said = append(said, x.String())
			}
			if c.changes != nil && !slices.Equal(said, c.changes) || c.changes == nil && strings.HasPrefix(name, "only") && len(said) > 0 {
				t.Errorf("changes are %q", said)
			}
			var out []string
			for _, x := range d.Dossiers {
				var moved []string
				for _, b := range x.Blockers {
					sign, by := "-", ""
					if b.New {
						sign = "+"
					}
					for _, w := range b.Why {
						by, _, _ = strings.Cut(w.String(), ":")
					}
					moved = append(moved, sign+b.Item+" "+b.Gate+" "+b.Kind+" by "+by)
				}
				out = append(out, fmt.Sprintf("{%s %v %v %v}", x.Dossier, x.Faults, x.Gates, moved))
			}
			if got := fmt.Sprint(out); !strings.HasPrefix(got, c.dossiers) {
				t.Errorf("dossiers are %s\nwant %s", got, c.dossiers)
			}
		})
	}
	if d, err := rulecheck.Diff(spoilt(t), spoilt(t), []rulecheck.Dossier{{Name: "empty"}}); err != nil || len(d.Dossiers) != 1 || len(d.Dossiers[0].Faults) == 0 {
		t.Errorf("a dossier without a report: %+v, %v", d, err)
	}
}

// Whatever a rule set has is in its book.
func TestTheBookOfTheSmallRuleSet(t *testing.T) {
	set := spoilt(t, "    applies: 'cylinders > 1'\n", "    applies: 'cylinders > 1'\n          needed_from: {gate: crank, when: 'interference == \"no\"'}\n          half_life: 3\n          methods: {seen: {reassures: 0.65, at_most: 9}}\n          parts: {clamp: [secured]}\n",
		"half_lives:\n  - {item: battery, years: 0.25, source: {kind: common_practice}}\n", "", "spread: 3\n      shifts", "spread: 3\n      cap: 0.8\n      shifts")
	book, err := rulecheck.Doc(set)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"2 faults (1 rest on published rates), 6 rules, 3 limits, 2 hazards, 1 proofs, 1 follow-ups",
		"| crank (asked for unless another is named) | spin it on the starter | critical 1 %, marginal 10 % | much force |",
		"| seen | looked at | 0.9 | 0.86 | 20 dB | judgement |",
		"All estimates may be wrong alike by 1.5 dB. A part that is likelier bad than 30 % is looked at",
		"| `battery_flat` | ▄▆▆▆▆ 11.2, 30, 30, 30, 30 % | ▅▆▆▆▆ 13.8, 35, 35, 35, 35 % |",
		"## Priors over the age", "| `belt_weak` | ▁▁▁▅▅ 0.1, ",
		"| +3 | +6 |", "### At crank", "* by `belt_weak`: 40 % of the time, give or take 2 dB",
		"positions: sides; needed from crank on where `interference == \"no\"`; half-life of a look 3 years; the clamp renewed by itself supersedes secured; seen reassures 0.65, counts at most 9.",
		"* with nobody having looked: 0.1 % at 0, 1 % at 5, 5 % at 10, 20 % at 20 of age, give or take 3 dB", "* +2 dB where `storage == \"outdoors\"`", "* never more than 80 %",
		"* rests on a study: a fifth of such belts part (cars, 2019)", "* judged on top: the shape", "* may cause `valve_strike` at crank", "* cleared by a new part",
		"| `belt_over_age` | `age >= 6.0` | crank where `interference != \"no\"` | the belt is {age} old | a handbook |",
		"| `battery_loose` | `!found.secured` | hand turn (duty) | the battery is loose; cleared by battery: secured yes | common practice |",
		"While `valve_strike` is likelier than is tolerated, crank needs it shown: else nobody has looked at the belt.", "* shown by `!found.fraying || years_since(found.renewed) < 2.0`",
		"* once `found.fraying`: the belt was frayed, until `belt_proven` is shown anew, or it is renewed (`belt_was_frayed`; common practice)",
	} {
		if !strings.Contains(string(book), want) {
			t.Errorf("the book does not say %q", want)
		}
	}
	if t.Failed() {
		t.Logf("%s", book)
	}
}

func TestTheBookSaysWhatANewPartDoesNotEnd(t *testing.T) {
	book, err := rulecheck.Doc(spoilt(t, "when: found.fraying, needs", "when: found.fraying, outlasts: true, needs"))
	if err != nil || !strings.Contains(string(book), "is shown anew, and renewing it does not end that (`belt_was_frayed`") {
		t.Errorf("%v\n%s", err, book)
	}
}

func TestTheRuleBookIsThatOfTheBuiltInRuleSet(t *testing.T) {
	set := builtin.FirstStart()
	book, err := rulecheck.Doc(set)
	if err != nil {
		t.Fatal(err)
	}
	again, err := rulecheck.Doc(set)
	if err != nil || string(again) != string(book) {
		t.Errorf("the book is another the second time: %v", err)
	}
	text := string(book)
	for _, r := range set.Rules {
		if !strings.Contains(text, "| `"+r.ID+"` |") {
			t.Errorf("the book has no rule %s", r.ID)
		}
	}
	for _, h := range set.Hazards {
		if !strings.Contains(text, "#### `"+h.ID+"`\n") {
			t.Errorf("the book has no hazard %s", h.ID)
		}
	}
	for _, f := range set.Faults {
		if !strings.Contains(text, "Fault `"+f.ID+"`\n") {
			t.Errorf("the book has no fault %s", f.ID)
		}
	}
	for _, l := range set.Limits {
		if !strings.Contains(text, "| `"+l.ID+"` |") {
			t.Errorf("the book has no limit %s", l.ID)
		}
	}
	for _, f := range set.Follows {
		if !strings.Contains(text, "(`"+f.ID+"`; ") {
			t.Errorf("the book has no follow %s", f.ID)
		}
	}
	for _, p := range set.Proofs {
		if !strings.Contains(text, "Proof `"+p.ID+"`\n") {
			t.Errorf("the book has no proof %s", p.ID)
		}
	}
	for _, it := range set.Catalogue.Items {
		if !strings.Contains(text, "(`"+it.ID+"`)") {
			t.Errorf("the book has no item %s", it.ID)
		}
	}
	for i, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(line, "|") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") < 3 || strings.TrimRight(line, " ") != line {
			t.Errorf("line %d is not as it should be: %q", i+1, line)
		}
	}
	path := filepath.Join("..", "..", "docs", "rule-book.md")
	if *update {
		if err := os.WriteFile(path, book, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Error("docs/rule-book.md is not that of the rule set any more: look at what changed, then write it anew with -update")
	}
}
