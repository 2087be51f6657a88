package score_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/ruleset"
	"laidup/internal/score"

	"go.yaml.in/yaml/v3"
)

// shed is a rule set of nothing but items to be looked at and two gates; each test says what can be wrong
// with them.
const shed = `
schema: laidup.rule_set/2
name: shed
version: 1.0.0
is: a shed
asks: later
proof_credence: 0.6
common_error: 1.5
likely_bad: 0.5
severity_weights: {catastrophic: 1000, critical: 100, marginal: 10, negligible: 1}
half_life: {years: 2, source: {kind: judgement}}
look_next: {access: [none, covers], most: 5}
unseen:
  of: years_laid_up
  low: {curve: [[0, 80], [20, 0]], when_unknown: 10}
  expected: {curve: [[0, 90], [20, 40]], when_unknown: 30}
  high: {curve: [[0, 100], [20, 90]], when_unknown: 70}
  source: {kind: judgement}
gates:
  - {id: now, is: now, tolerates: {catastrophic: 0.001, critical: 0.01, marginal: 0.1}, because: an example, cautions: [mind the gap]}
  - {id: later, is: later, tolerates: {catastrophic: 0.001, critical: 0.01, marginal: 0.1}, because: an example}
catalogue:
  methods:
    - {id: tested, is: tested, alarms: 0.98, reassures: 0.95, at_most: 25, source: {kind: judgement}}
    - {id: seen, is: seen, alarms: 0.9, reassures: 0.86, at_most: 20, source: {kind: judgement}}
    - {id: felt, is: felt, alarms: 0.6, reassures: 0.6, at_most: 17, source: {kind: judgement}}
    - {id: told, is: told, alarms: 0.35, reassures: 0.35, at_most: 7, source: {kind: judgement}}
  positions:
    sides: [left, right]
    pots: {count: cylinders, is: pot}
  facts:
    - {id: built, in: vehicle, kind: date}
    - {id: odometer, in: vehicle, kind: quantity, unit: km, worse: high, min: 0}
    - {id: cylinders, in: vehicle, kind: count, min: 1, max: 24}
    - {id: kind, in: vehicle, kind: choice, values: [car, cycle, truck]}
    - {id: wet, in: vehicle, kind: flag}
    - {id: drive, in: vehicle, kind: choice, values: [chain, belt], taken: [{is: chain, when: 'kind == "cycle"'}]}
    - {id: last_ran, in: lay_up, kind: date}
systems:
  - id: first
    is: first
    items:
      - {id: a, is: a, minutes: 10, access: none, finds: [{id: bad, kind: flag}, {id: sad, kind: flag}, {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}
      - {id: b, is: b, minutes: 0, access: covers, needed_from: {gate: later, when: 'kind != "cycle"'}, finds: [{id: bad, kind: flag}, {id: m, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}
      - {id: p, is: p, minutes: 10, access: none, positions: sides, finds: [{id: bad, kind: flag}, {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}
  - id: second
    is: second
    items:
      - {id: r, is: r, minutes: 10, access: none, positions: sides, finds: [{id: bad, kind: flag}]}
      - {id: q, is: q, minutes: 10, access: none, positions: pots, half_life: 8, finds: [{id: bad, kind: flag}]}
      - {id: c, is: c, applies: 'kind != "cycle"', minutes: 10, access: wheels, finds: [{id: bad, kind: flag, methods: {seen: {reassures: 0.65, alarms: 0.5, at_most: 3}}}]}
`

// shedWith is the shed with what a test says. What goes without saying is filled in: sources, words and
// spreads.
func shedWith(t testing.TB, text string) *ruleset.Set {
	t.Helper()
	if set := sheds[text]; set != nil {
		return set
	}
	var doc, more object
	if err := yaml.Unmarshal([]byte(shed), &doc); err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal([]byte(text), &more); err != nil {
		t.Fatal(err)
	}
	for _, of := range []string{"faults", "rules", "hazards", "limits", "proofs", "follows"} {
		entries, _ := more[of].([]any)
		for _, x := range entries {
			e := x.(object)
			def := func(o object, k string, v any) {
				if o[k] == nil {
					o[k] = v
				}
			}
			def(e, "source", object{"kind": "judgement"})
			switch of {
			case "faults":
				def(e, "is", e["id"])
				def(e["prior"].(object), "spread", 3)
			case "hazards":
				def(e, "gate", "now")
				def(e, "what", e["id"])
				def(e, "severity", "critical")
				for _, c := range e["causes"].([]any) {
					def(c.(object), "spread", 2)
				}
			default:
				def(e, "because", e["id"])
			}
			if of == "limits" || of == "proofs" {
				def(e, "gate", "now")
			}
		}
	}
	doc["rules"] = []any{}
	maps.Copy(doc, more)
	data, err := json.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	l := builtin.Loader()
	set, err := l.Document("shed.json", data)
	if err != nil {
		t.Fatal(err)
	}
	sheds[text] = set
	return set
}

// sheds keeps those that were made.
var sheds = map[string]*ruleset.Set{}

// facts adds facts to a report, in pairs: of the vehicle, or of the lay-up where they are.
func facts(r object, pairs ...any) object {
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i] == "last_ran" {
			r["lay_up"] = object{"last_ran": pairs[i+1]}
			continue
		}
		if pairs[i] == "odometer" {
			r["vehicle"].(object)["odometer"] = object{"value": pairs[i+1], "unit": "km"}
			continue
		}
		r["vehicle"].(object)[pairs[i].(string)] = pairs[i+1]
	}
	return r
}

func mm(v float64) object { return object{"value": v, "unit": "mm"} }

func see(item string, bad bool, where ...string) object { return by("seen", item, bad, where...) }

func by(method, item string, bad bool, where ...string) object {
	o := observation(item, method, object{"bad": bad})
	if len(where) > 0 {
		o["at"] = where
	}
	return o
}

func day(observations ...object) object { return reportOn(today, observations...) }

// full writes a blocking list with all that it says: what is written, positions, the sentence of the book,
// the hazard, the faults, the rules and what clears it.
func full(a *score.Assessment) []string {
	out := list(a)
	for i, b := range a.Blockers {
		s := ""
		if b.Reason.Says != "" {
			s += " (" + b.Reason.Says + ")"
		}
		if b.Hazard != "" {
			s += " " + b.Severity + " " + b.Hazard
		}
		if len(b.Faults) > 0 {
			s += " faults " + strings.Join(b.Faults, "+")
		}
		s += " rules " + strings.Join(b.Rules, "+")
		for _, c := range b.ClearBy {
			of := c.Item
			if c.Fact != "" {
				of = c.Fact
			}
			if len(c.At) > 0 {
				of += fmt.Sprint(c.At)
			}
			for _, f := range c.Found {
				if c.Fact == "" {
					of += "." + f.ID
				}
				s += " clear " + of + "=" + string(f.Value)
				of = strings.TrimSuffix(of, "."+f.ID)
			}
		}
		if len(b.Cautions) > 0 {
			s += " cautions " + strings.Join(b.Cautions, "+")
		}
		out[i] += s
	}
	return out
}

type edge struct {
	name    string
	set     string
	reports []object
	want    []string
}

func checkLists(t *testing.T, write func(*score.Assessment) []string, edges []edge) {
	t.Helper()
	var sheets strings.Builder
	ran := 0
	for _, c := range edges {
		t.Run(c.name, func(t *testing.T) {
			ran++
			set := shedWith(t, c.set)
			a := score.Evaluate(set, decodeAll(t, set, c.reports...), -1)
			fmt.Fprintf(&sheets, "# %s\n%s", c.name, sheet(a))
			if got := write(a); !slices.Equal(got, c.want) {
				t.Errorf("listed\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
		})
	}
	if !t.Failed() && ran == len(edges) {
		golden(t, t.Name(), sheets.String())
	}
}

// one is a fault of a with a hazard: p0, chance, severity.
func one(p0, chance float64, severity string) string {
	return fmt.Sprintf(`
faults: [{id: fa, item: a, prior: {is: %v}}]
hazards: [{id: ha, severity: %s, causes: [{fault: fa, chance: %v}]}]
rules:
  - {id: a_bad, fault: fa, line: l, when: found.bad, weight: 10}
  - {id: a_well, fault: fa, line: l, when: "!found.bad", weight: -10}
`, p0, severity, chance)
}

// Every edge at which something begins to block, or to be proven.
func TestShedBlockingAtTheEdges(t *testing.T) {
	notLooked, notEnough := "now unproven a not_looked_at", "now unproven a not_enough"
	shifted := func(by string) string {
		return `
faults: [{id: fa, item: a, prior: {is: 0.001` + by + `}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
`
	}
	const positions = `
faults: [{id: fp, item: p, prior: {is: 0.02}}]
hazards: [{id: hp, causes: [{fault: fp, chance: 1}]}]
rules:
  - {id: p_bad, fault: fp, line: l, when: found.bad, weight: 20}
  - {id: p_well, fault: fp, line: l, when: "!found.bad", weight: -20}
`
	const proven = `
faults: [{id: fa, item: a, prior: {is: 0.001}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
proofs: [{id: shown, item: a, proves: "!found.bad", always: true, clear_by: [{item: a, found: {bad: false}}]}]
`
	const provenWhere = `
faults: [{id: fp, item: p, prior: {is: 0.001}}]
hazards: [{id: hp, causes: [{fault: fp, chance: 1}]}]
proofs: [{id: shown, item: p, proves: "!found.bad", always: true, clear_by: [{item: p, found: {bad: false}}]}]
`
	const followed = `
faults: [{id: fa, item: a, prior: {is: 0.001}}, {id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
proofs: [{id: shown, item: b, proves: "!found.bad", guards: [hb], clear_by: [{item: b, found: {bad: false}}]}]
follows: [{id: a_was_bad, item: a, when: found.bad, needs: shown}]
`
	const followedWhere = `
faults: [{id: fp, item: p, prior: {is: 0.001}}, {id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: hp, causes: [{fault: fp, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
proofs: [{id: shown, item: b, proves: "!found.bad", guards: [hb], clear_by: [{item: b, found: {bad: false}}]}]
follows: [{id: p_was_bad, item: p, when: found.bad, needs: shown}]
`
	const limited = `
faults: [{id: fa, item: a, prior: {of: age, curve: [[0, 0.001], [10, 0.3]]}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 0.2}]}]
limits: [{id: too_old, fault: fa, when: "age >= 12.0", because: "{age} old"}]
`
	checkLists(t, list, []edge{
		// Tolerance.
		{"exactly what is tolerated", one(0.5, 0.2, "marginal"), []object{day()}, []string{}},
		{"a little more", one(0.5, 0.2001, "marginal"), []object{day()}, []string{notLooked}},
		{"as likely, and critical", one(0.5, 0.2, "critical"), []object{day()}, []string{notLooked}},
		{"of no severity that the gate names", one(0.5, 1, "negligible"), []object{day()}, []string{}},
		{"catastrophic: one in a thousand", one(0.5, 0.002, "catastrophic"), []object{day()}, []string{}},
		{"catastrophic: more", one(0.5, 0.0021, "catastrophic"), []object{day()}, []string{notLooked}},
		{"two causes that are tolerated one by one", `
faults: [{id: fa, item: a, prior: {is: 0.008}}, {id: fb, item: b, prior: {is: 0.007}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}, {fault: fb, chance: 1}]}]
`, []object{day()}, []string{notLooked}},
		{"and both where neither alone would be enough", `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: fb, item: b, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}, {fault: fb, chance: 1}]}]
`, []object{day()}, []string{notLooked, "now unproven b not_looked_at"}},

		// What is likely bad.
		{"as likely bad as the bound", one(0.5, 0.001, "critical"), []object{day()}, []string{}},
		{"likelier", one(0.51, 0.001, "critical"), []object{day()}, []string{"now unproven a likely_bad"}},
		{"likelier, of a marginal harm", one(0.51, 0.001, "marginal"), []object{day()}, []string{}},
		{"likelier, and its critical harm is later", `
faults: [{id: fa, item: a, prior: {is: 0.51}}]
hazards: [{id: h, severity: marginal, causes: [{fault: fa, chance: 0.001}]}, {id: k, gate: later, causes: [{fault: fa, chance: 0.001}]}]
`, []object{day()}, []string{"later unproven a likely_bad"}},
		{"likelier, by hearsay no more", one(0.51, 0.001, "critical"), []object{day(by("told", "a", false))}, []string{"now unproven a likely_bad"}},
		{"likelier, and an alarm", one(0.51, 0.001, "critical"), []object{day(see("a", true))}, []string{"now defect a found"}},

		// Hearsay and gates.
		{"hearsay that reassures clears nothing", one(0.02, 1, "critical"), []object{day(by("told", "a", false))}, []string{notEnough}},
		{"a look does", one(0.02, 1, "critical"), []object{day(see("a", false))}, []string{}},
		{"hearsay beside a look changes nothing", one(0.02, 1, "critical"), []object{day(see("a", false)), day(by("told", "a", false))}, []string{}},
		{"hearsay that alarms calls for a look", one(0.02, 1, "critical"), []object{day(by("told", "a", true))}, []string{"now unproven a only_told"}},
		{"hearsay that alarms beside a look that reassures", one(0.02, 1, "critical"), []object{day(see("a", false)), day(by("told", "a", true))}, []string{"now unproven a only_told"}},
		{"just credible, it is a defect", one(0.02, 1, "critical"), []object{day(by("felt", "a", true))}, []string{"now defect a found"}},
		{"one credible alarm among values that stand is a defect", one(0.02, 1, "critical"), []object{day(by("felt", "a", true)), day(by("told", "a", false))}, []string{"now defect a found"}},
		{"an alarm overruled by who knows better", one(0.02, 1, "critical"), []object{reportOn("2026-05-01", by("felt", "a", true)), day(by("tested", "a", false))}, []string{}},
		{"an alarm that leaves it tolerable is none", one(0.0001, 1, "critical"), []object{day(see("a", true))}, []string{}},
		{"hearsay of a new part clears nothing", `
faults: [{id: fa, item: a, prior: {of: age, curve: [[0, 0.001], [10, 0.05]]}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
`, []object{day(observation("a", "told", object{"age": object{"value": 1, "unit": "a"}}))}, []string{notEnough}},

		// Positions.
		{"one side seen, the other not", positions, []object{day(see("p", false, "left"))}, []string{"now unproven p [right] not_enough"}},
		{"both seen", positions, []object{day(see("p", false, "left", "right"))}, []string{}},
		{"both seen at once", positions, []object{day(see("p", false))}, []string{}},
		{"one bad, the other not seen", positions, []object{day(see("p", true, "left"))}, []string{"now defect p [left] found", "now unproven p [right] not_enough"}},
		{"one bad, the other seen", positions, []object{day(see("p", true, "left"), see("p", false, "right"))}, []string{"now defect p [left] found"}},
		{"bad somewhere", positions, []object{day(see("p", true))}, []string{"now defect p found"}},
		{"nobody looked", positions, []object{day()}, []string{"now unproven p not_looked_at"}},
		{"both bad", positions, []object{day(see("p", true, "right", "left"))}, []string{"now defect p [left right] found"}},
		{"one said to be bad", positions, []object{day(by("told", "p", true, "left"), see("p", false, "right"))}, []string{"now unproven p only_told"}},

		// Proofs.
		{"a proof just credible", proven, []object{day(by("felt", "a", false))}, []string{}},
		{"a proof a day old, that was just credible", proven, []object{reportOn("2026-05-01", by("felt", "a", false)), day()}, []string{"now unproven a proof"}},
		{"a proof within its half-life", proven, []object{reportOn("2025-05-02", see("a", false)), day()}, []string{}}, // 0.86 * 0.707
		{"a proof beyond", proven, []object{reportOn("2025-03-02", see("a", false)), day()}, []string{"now unproven a proof"}},
		{"a proof against which somebody speaks: it calls for another look", proven, []object{day(see("a", false)), day(by("told", "a", true))}, []string{"now unproven a proof"}},
		{"a proof against which somebody credible speaks", proven, []object{day(by("tested", "a", false)), day(see("a", true))}, []string{"now unproven a proof"}},
		{"the half-life of the item itself", `
faults: [{id: fq, item: q, prior: {is: 0.001}}]
hazards: [{id: hq, causes: [{fault: fq, chance: 1}]}]
proofs: [{id: shown, item: q, proves: "!found.bad", always: true, clear_by: [{item: q, found: {bad: false}}]}]
`, []object{reportOn("2022-05-02", see("q", false)), day()}, []string{}},
		{"the half-life that the book gives an item", strings.Replace(proven, "faults:", "half_lives: [{item: a, years: 8, source: {kind: judgement}}]\nfaults:", 1), []object{reportOn("2022-05-02", see("a", false)), day()}, []string{}},
		{"a proof by a finding's own figures", strings.ReplaceAll(proven, "item: a", "item: c"), []object{day(see("c", false))}, []string{"now unproven c proof"}},
		{"a proof for vehicles of another kind", strings.Replace(proven, "always: true", `always: true, when: 'kind == "cycle"'`, 1), []object{facts(day(), "kind", "car")}, []string{}},
		{"a proof for vehicles of this kind", strings.Replace(proven, "always: true", `always: true, when: 'kind == "cycle"'`, 1), []object{facts(day(), "kind", "cycle")}, []string{"now unproven a proof"}},
		{"a proof for a kind that nobody told", strings.Replace(proven, "always: true", `always: true, when: 'kind == "cycle"'`, 1), []object{day()}, []string{"now unproven a proof"}},
		{"a proof of what the vehicle does not have", strings.ReplaceAll(proven, "item: a", "item: c"), []object{facts(day(), "kind", "cycle")}, []string{}},
		{"a proof that guards what is tolerated", strings.Replace(proven, "always: true", "guards: [ha]", 1), []object{day()}, []string{}},
		{"a proof that guards what is not", strings.NewReplacer("always: true", "guards: [ha]", "0.001", "0.02").Replace(proven), []object{day()}, []string{"now unproven a proof"}},
		{"a proof that is a duty", strings.Replace(proven, "always: true", "always: true, kind: duty", 1), []object{day()}, []string{"now duty a proof"}},
		{"a proof of the part while it is said to be off", proven, []object{day(see("a", false), observation("a", "told", object{"removed": true}))}, []string{"now unproven a proof"}},
		{"one of two findings will do", strings.Replace(proven, "!found.bad", "!found.bad || !found.sad", 1), []object{day(observation("a", "seen", object{"sad": false}))}, []string{}},
		{"both are wanted", strings.NewReplacer("!found.bad", "!found.bad && !found.sad", "{bad: false}", "{bad: false, sad: false}").Replace(proven), []object{day(see("a", false))}, []string{"now unproven a proof"}},

		// Follows.
		{"found, and not followed up", followed, []object{day(see("a", true))}, []string{"now unproven b follow"}},
		{"told, and not followed up", followed, []object{day(by("told", "a", true))}, []string{"now unproven b follow"}},
		{"put right, and not followed up", followed, []object{reportOn("2026-05-01", see("a", true)), day(see("a", false))}, []string{"now unproven b follow"}},
		{"followed up the day before", followed, []object{reportOn("2026-05-01", see("b", false)), day(see("a", true))}, []string{"now unproven b follow"}},
		{"followed up on the day", followed, []object{day(see("b", false)), day(see("a", true))}, []string{}},
		{"followed up by hearsay", followed, []object{day(see("a", true), by("told", "b", false))}, []string{"now unproven b follow"}},
		{"followed up, and found again", followed, []object{reportOn("2026-04-01", see("a", true)), reportOn("2026-04-02", see("b", false)), day(see("a", true))}, []string{"now unproven b follow"}},
		{"never found", followed, []object{day(see("a", false))}, []string{}},
		{"the whole item renewed since", followed, []object{reportOn("2026-05-01", see("a", true)), day(observation("a", "seen", object{"renewed": today}))}, []string{}},
		{"renewed since, they say", followed, []object{reportOn("2026-05-01", see("a", true)), day(observation("a", "told", object{"renewed": today}))}, []string{"now unproven b follow"}},
		{"renewed before", followed, []object{reportOn("2026-05-01", observation("a", "seen", object{"renewed": "2026-05-01"})), day(see("a", true))}, []string{"now unproven b follow"}},
		{"renewed on the day it was found, in a later report", followed, []object{day(see("a", true)), day(observation("a", "seen", object{"renewed": today}))}, []string{}},
		{"renewed on the day it was found, in that report", followed, []object{day(see("a", true), observation("a", "seen", object{"renewed": today}))}, []string{"now unproven b follow"}},
		{"renewed at the side where it was found", followedWhere, []object{reportOn("2026-05-01", see("p", true, "left")), day(at(observation("p", "seen", object{"renewed": today}), "left"))}, []string{}},
		{"renewed at the other side", followedWhere, []object{reportOn("2026-05-01", see("p", true, "left")), day(at(observation("p", "seen", object{"renewed": today}), "right"))}, []string{"now unproven b follow"}},
		{"found somewhere, and one side renewed", followedWhere, []object{reportOn("2026-05-01", see("p", true)), day(at(observation("p", "seen", object{"renewed": today}), "left"))}, []string{"now unproven b follow"}},
		{"found somewhere, and both renewed", followedWhere, []object{reportOn("2026-05-01", see("p", true)), day(at(observation("p", "seen", object{"renewed": today}), "left", "right"))}, []string{}},

		// Limits on a number that is an interval.
		{"certainly younger", limited, []object{facts(day(), "built", "2014-05-03")}, []string{notLooked}},
		{"perhaps at the limit", limited, []object{facts(day(see("a", false)), "built", "2014-05-02", "last_ran", "2020-05-02")}, []string{"now unproven a number_unknown"}},
		{"perhaps at the limit, and nobody looked", limited, []object{facts(day(), "built", "2014-05-02", "last_ran", "2020-05-02")}, []string{notLooked}},
		{"certainly below it, and looked at", limited, []object{facts(day(see("a", false)), "built", "2014-05-03", "last_ran", "2020-05-02")}, []string{notEnough}},
		{"certainly at the limit", limited, []object{facts(day(), "built", "2010-05-02", "last_ran", "2014-05-02")}, []string{"now defect a found"}},
		{"certainly older, by a lay-up, whatever they say", limited, []object{facts(day(observation("a", "told", object{"renewed": "2025"})), "last_ran", "2014-05-02")}, []string{"now defect a found"}},
		{"perhaps at the limit, and the odds are good", strings.Replace(limited, "chance: 0.2", "chance: 0.001", 1), []object{facts(day(), "built", "1980")}, []string{}},
		{"certainly at the limit, and the odds are good", strings.Replace(limited, "chance: 0.2", "chance: 0.001", 1), []object{facts(day(), "last_ran", "2014-05-02")}, []string{"now defect a found"}},
		{"renewed in a year that may be too long ago", limited, []object{facts(day(observation("a", "seen", object{"renewed": "2014"})), "built", "1980")}, []string{"now unproven a number_unknown"}},
		{"a limit for vehicles of another kind", strings.Replace(limited, `because:`, `if: 'kind == "cycle"', because:`, 1), []object{facts(day(), "last_ran", "2014-05-02", "kind", "car")}, []string{notLooked}},
		{"a limit for vehicles of a kind that nobody told", strings.Replace(limited, `because:`, `if: 'kind == "cycle"', because:`, 1), []object{facts(day(), "last_ran", "2014-05-02")}, []string{"now defect a found"}},
		{"a limit on the distance", strings.Replace(limited, "age >= 12.0", "odometer >= 100000.0", 1), []object{facts(day(), "odometer", 100000)}, []string{"now defect a found"}},
		{"a little less", strings.Replace(limited, "age >= 12.0", "odometer >= 100000.0", 1), []object{facts(day(), "odometer", 99999)}, []string{notLooked}},
		{"nobody read the clock", strings.Replace(limited, "age >= 12.0", "odometer >= 100000.0", 1), []object{day(see("a", false))}, []string{"now unproven a number_unknown"}},
		{"a limit on the years laid up", strings.Replace(limited, "age >= 12.0", "years_laid_up >= 5.0", 1), []object{facts(day(), "last_ran", "2021-05-02")}, []string{"now defect a found"}},
		{"of a part renewed since", strings.Replace(limited, "age >= 12.0", "years_laid_up >= 5.0", 1), []object{facts(day(observation("a", "seen", object{"renewed": "2025-05-02"})), "last_ran", "2021-05-02")}, []string{}},

		{"a limit on the years since it was built", strings.Replace(limited, "age >= 12.0", "years_since_built >= 30.0", 1), []object{facts(day(), "built", "1996-05-02")}, []string{"now defect a found"}},
		{"a little less", strings.Replace(limited, "age >= 12.0", "years_since_built >= 30.0", 1), []object{facts(day(), "built", "1996-05-03")}, []string{notLooked}},
		{"a limit on an age and on what is found", strings.Replace(limited, "age >= 12.0", "found.bad && age >= 12.0", 1), []object{facts(day(see("a", true)), "last_ran", "2014-05-02")}, []string{"now defect a found"}},
		{"the same, by hearsay", strings.Replace(limited, "age >= 12.0", "found.bad && age >= 12.0", 1), []object{facts(day(by("told", "a", true)), "last_ran", "2014-05-02")}, []string{"now unproven a only_told"}},
		{"the same, and something else was found", strings.Replace(limited, "age >= 12.0", "found.bad && age >= 12.0", 1), []object{facts(day(observation("a", "seen", object{"sad": true})), "last_ran", "2014-05-02")}, []string{notEnough}},
		{"the same, and younger", strings.Replace(limited, "age >= 12.0", "found.bad && age >= 12.0", 1), []object{facts(day(see("a", true)), "built", "2015-05-02")}, []string{notEnough}},

		// Proofs by position.
		{"what is said of no position does not prove the one that was named", provenWhere, []object{reportOn("2026-05-01", see("p", true, "left")), day(see("p", false))}, []string{"now unproven p [left] proof"}},
		{"proven at one of two", provenWhere, []object{day(see("p", false, "left"))}, []string{"now unproven p [right] proof"}},
		{"otherwise somewhere", provenWhere, []object{day(see("p", true), see("p", false, "left"))}, []string{"now unproven p [left] proof"}},
		{"proven at both", provenWhere, []object{day(see("p", false, "left"), see("p", false, "right"))}, []string{}},
		{"of two words on one line at a side the stronger counts", strings.Replace(positions, "weight: -20}", "weight: -20}\n  - {id: p_n, fault: fp, line: l, when: 'found.n < 5.0', weight: -1}", 1), []object{day(see("p", false, "left"), at(observation("p", "seen", object{"n": mm(1)}), "left"))}, []string{"now unproven p [right] not_enough"}},

		// What is likely bad for want of a fact.
		{"two parts that are likely bad if it was wet", `
faults: [{id: fa, item: a, prior: {is: 0.3, shifts: [{when: wet, db: 10}]}}, {id: fb, item: b, prior: {is: 0.3, shifts: [{when: wet, db: 10}]}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 0.001}]}, {id: hb, causes: [{fault: fb, chance: 0.001}]}]
`, []object{day()}, []string{"now unproven wet fact_unknown"}},
		{"one part that is likely bad if it was wet", `
faults: [{id: fa, item: a, prior: {is: 0.3, shifts: [{when: wet, db: 10}]}}, {id: fb, item: b, prior: {is: 0.3}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 0.001}]}, {id: hb, causes: [{fault: fb, chance: 0.001}]}]
`, []object{day()}, []string{"now unproven a likely_bad"}},

		// Conditions of faults, shifts, chances and severities.
		{"a fault of another kind of vehicle", strings.Replace(one(0.02, 1, "critical"), "item: a,", `item: a, when: 'kind == "cycle"',`, 1), []object{facts(day(), "kind", "car")}, []string{}},
		{"a fault of this kind", strings.Replace(one(0.02, 1, "critical"), "item: a,", `item: a, when: 'kind == "cycle"',`, 1), []object{facts(day(), "kind", "cycle")}, []string{notLooked}},
		{"a shift that holds", shifted(`, shifts: [{when: wet, db: 11}]`), []object{facts(day(), "wet", true)}, []string{notLooked}},
		{"a shift that does not", shifted(`, shifts: [{when: wet, db: 11}]`), []object{facts(day(), "wet", false)}, []string{}},
		{"a shift of which nobody spoke", shifted(`, shifts: [{when: wet, db: 11}]`), []object{day()}, []string{notLooked}},
		{"a shift the other way of which nobody spoke", shifted(`, shifts: [{when: "odometer < 1000.0", db: -11}, {when: "odometer < 2000.0", db: 11}]`), []object{day()}, []string{notLooked}},
		{"two that exclude one another", shifted(`, shifts: [{when: 'kind == "car"', db: 6}, {when: 'kind == "cycle"', db: 6}]`), []object{day()}, []string{}},
		{"two that do not", shifted(`, shifts: [{when: 'kind == "car"', db: 6}, {when: wet, db: 6}]`), []object{day()}, []string{notLooked}},
		{"a cap", shifted(`, shifts: [{when: wet, db: 11}], cap: 0.009`), []object{facts(day(), "wet", true)}, []string{}},
		{"a cap a little higher", shifted(`, shifts: [{when: wet, db: 11}], cap: 0.011`), []object{facts(day(), "wet", true)}, []string{notLooked}},

		// Duty beside defect.
		{"a duty beside a defect is said once", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
rules: [{id: a_bad, fault: fa, when: found.bad, weight: 10}]
limits: [{id: owed, fault: fa, when: found.bad, kind: duty}]
`, []object{day(see("a", true))}, []string{"now duty a found"}},
		{"a duty counts by hearsay", `
faults: [{id: fa, item: a, prior: {is: 0.001}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
limits: [{id: owed, fault: fa, when: found.bad, kind: duty}]
`, []object{day(by("told", "a", true))}, []string{"now duty a found"}},

		// What is off.
		{"off, and no fault of it does harm", `
faults: [{id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: hb, causes: [{fault: fb, chance: 1}]}]
`, []object{day(observation("a", "seen", object{"removed": true}))}, []string{}},
		{"off, and needed from where its first fault does harm", one(0.001, 1, "critical"), []object{day(observation("a", "seen", object{"removed": true}))}, []string{"now defect a off"}},
		{"off, and needed from where the book says", `
faults: [{id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: hb, causes: [{fault: fb, chance: 1}]}]
`, []object{day(observation("b", "seen", object{"removed": true}))}, []string{"later defect b off"}},
		{"off, and by the book not needed on this kind of vehicle", `
faults: [{id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: hb, causes: [{fault: fb, chance: 1}]}]
`, []object{facts(day(observation("b", "seen", object{"removed": true})), "kind", "cycle")}, []string{}},
		{"off at one side", positions, []object{day(at(observation("p", "seen", object{"removed": true}), "left"))}, []string{"now defect p [left right] off"}},
	})
}

// What an entry says, whole.
func TestShedBlockersSayWhatClearsThem(t *testing.T) {
	checkLists(t, full, []edge{
		{"what nobody looked at", one(0.02, 1, "critical"), []object{day()}, []string{
			`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02"`}},
		{"the fault's own words, and its cautions", `
faults: [{id: fa, item: a, prior: {is: 0.02}, clear_by: [{item: a, found: {bad: false}}, {item: b, found: {bad: false}}], cautions: [careful]}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}], cautions: [more careful]}]
`, []object{day()}, []string{`now unproven a not_looked_at critical ha faults fa rules ha clear a.bad=false clear b.bad=false cautions careful+more careful`}},
		{"a defect at one of two sides", `
faults: [{id: fp, item: p, prior: {is: 0.02}, clear_by: [{item: p, found: {bad: false}}]}]
hazards: [{id: hp, causes: [{fault: fp, chance: 1}]}]
rules: [{id: p_bad, fault: fp, line: l, when: found.bad, weight: 20, because: "it is bad", cautions: [mind it]}, {id: p_well, fault: fp, line: l, when: "!found.bad", weight: -20}]
`, []object{day(see("p", true, "left"), see("p", false, "right"))}, []string{
			`now defect p [left] found (it is bad) critical hp faults fp rules p_bad+hp clear p[left].bad=false cautions mind it`}},
		{"what is off, and bad", `
faults: [{id: fa, item: a, prior: {is: 0.02}, clear_by: [{item: a, found: {bad: false}}]}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
rules: [{id: a_bad, fault: fa, when: found.bad, weight: 20}]
`, []object{day(observation("a", "seen", object{"bad": true, "removed": true}))}, []string{
			`now defect a off critical ha faults fa rules off+a_bad+ha clear a.bad=false clear a.removed=false`}},
		{"what is said to be off, and bad", `
faults: [{id: fa, item: a, prior: {is: 0.02}, clear_by: [{item: a, found: {bad: false}}]}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
rules: [{id: a_bad, fault: fa, when: found.bad, weight: 20}]
`, []object{day(see("a", true), observation("a", "told", object{"removed": true}))}, []string{
			`now defect a found (a_bad) critical ha faults fa rules a_bad+ha clear a.bad=false clear a.removed=false`}},
		{"what comes off at one side, and is bad at the other", `
faults: [{id: fp, item: p, prior: {is: 0.001}, clear_by: [{item: p, found: {bad: false}}]}]
hazards: [{id: hp, causes: [{fault: fp, chance: 1}]}]
rules: [{id: p_bad, fault: fp, when: found.bad, weight: 20}]
`, []object{day(see("p", true, "right"), at(observation("p", "seen", object{"removed": true}), "left"))}, []string{
			`now defect p [left right] off critical hp faults fp rules off+p_bad+hp clear p[left right].bad=false clear p[left right].removed=false`}},
		{"a renewal that has to be shown", `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
proofs: [{id: shown, item: b, proves: "!found.bad", guards: [hb], clear_by: [{item: b, found: {bad: false}}]}]
follows: [{id: a_is_new, item: a, when: 'years_since(found.renewed) < 10.0', needs: shown}]
`, []object{day()}, []string{`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02" clear b.bad=false`}},
		{"a renewal that cannot be asked to be shown of this kind of vehicle", `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: fb, item: b, prior: {is: 0.001}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
proofs: [{id: shown, item: b, when: 'kind != "cycle"', proves: "!found.bad", guards: [hb], clear_by: [{item: b, found: {bad: false}}]}]
follows: [{id: a_is_new, item: a, when: 'years_since(found.renewed) < 10.0', needs: shown}]
`, []object{facts(day(), "kind", "cycle")}, []string{`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02"`}},
		{"a fact that decides about several items", `
faults: [{id: fa, item: a, prior: {is: 0.004, shifts: [{when: wet, db: 10}]}}, {id: fb, item: b, prior: {is: 0.004, shifts: [{when: wet, db: 10}]}}]
hazards: [{id: ha, gate: later, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
`, []object{day()}, []string{`now unproven wet fact_unknown critical hb rules ha+hb clear vehicle.wet=false`}},
		{"an alarm is said, not the fact", `
faults: [{id: fa, item: a, prior: {is: 0.004, shifts: [{when: wet, db: 10}]}}, {id: fb, item: b, prior: {is: 0.004, shifts: [{when: wet, db: 10}]}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
rules: [{id: a_bad, fault: fa, when: found.bad, weight: 1}]
`, []object{day(see("a", true))}, []string{
			`now defect a found (a_bad) critical ha faults fa rules a_bad+ha clear a.renewed="2026-05-02"`,
			`now unproven b not_looked_at critical hb faults fb rules hb clear b.renewed="2026-05-02"`}},
		{"the strongest evidence speaks", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
rules: [{id: weak, fault: fa, when: found.bad, weight: 3}, {id: strong, fault: fa, when: found.sad, weight: 6}]
`, []object{day(observation("a", "seen", object{"bad": true, "sad": true}))}, []string{
			`now defect a found (strong) critical ha faults fa rules strong+weak+ha clear a.renewed="2026-05-02"`}},
		{"the worst harm is named", `
faults: [{id: fa, item: a, prior: {is: 0.2}}]
hazards: [{id: small, severity: marginal, causes: [{fault: fa, chance: 1}]}, {id: large, severity: critical, causes: [{fault: fa, chance: 0.1}]}, {id: larger, severity: critical, causes: [{fault: fa, chance: 0.2}]}]
`, []object{day()}, []string{`now unproven a not_looked_at critical larger faults fa rules small+large+larger clear a.renewed="2026-05-02"`}},
		{"a limit is said of the worst harm", `
faults: [{id: fa, item: a, prior: {is: 0.001}}]
hazards: [{id: small, severity: marginal, causes: [{fault: fa, chance: 1}]}, {id: less, severity: critical, causes: [{fault: fa, chance: 0.1}]}, {id: more, severity: critical, causes: [{fault: fa, chance: 0.2}]}, {id: least, severity: critical, causes: [{fault: fa, chance: 0.05}]}]
limits: [{id: no_bad, fault: fa, when: found.bad}]
`, []object{day(see("a", true))}, []string{`now defect a found (no_bad) critical more faults fa rules no_bad clear a.renewed="2026-05-02"`}},
		{"later gates say nothing twice", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, gate: later, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, []string{`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02"`}},
		{"at a later gate something else is asked for", `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: ga, item: a, prior: {is: 0.02}, clear_by: [{item: a, found: {bad: false}}]}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}, {id: hb, gate: later, causes: [{fault: ga, chance: 1}]}]
`, []object{day()}, []string{
			`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02"`,
			`later unproven a not_looked_at critical hb faults ga rules hb clear a.bad=false`}},
		{"in the order of gates, kinds, severities, risk and items", `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: fb, item: b, prior: {is: 0.03}}, {id: fc, item: c, prior: {is: 0.02}}, {id: fp, item: p, prior: {is: 0.002}}, {id: fq, item: q, prior: {is: 0.02}}, {id: fr, item: r, prior: {is: 0.02}}]
hazards:
  - {id: hq, gate: later, causes: [{fault: fq, chance: 1}]}
  - {id: hc, causes: [{fault: fc, chance: 1}]}
  - {id: hb, causes: [{fault: fb, chance: 1}]}
  - {id: ha, causes: [{fault: fa, chance: 1}]}
  - {id: hp, severity: catastrophic, causes: [{fault: fp, chance: 1}]}
  - {id: hr, causes: [{fault: fr, chance: 1}]}
rules: [{id: r_bad, fault: fr, when: found.bad, weight: 1}]
`, []object{day(see("r", true))}, []string{
			`now defect r found (r_bad) critical hr faults fr rules r_bad+hr clear r.renewed="2026-05-02"`,
			`now unproven p not_looked_at catastrophic hp faults fp rules hp clear p.renewed="2026-05-02"`,
			`now unproven b not_looked_at critical hb faults fb rules hb clear b.renewed="2026-05-02"`,
			`now unproven a not_looked_at critical ha faults fa rules ha clear a.renewed="2026-05-02"`,
			`now unproven c not_looked_at critical hc faults fc rules hc clear c.renewed="2026-05-02"`,
			`later unproven q not_looked_at critical hq faults fq rules hq clear q.renewed="2026-05-02"`}},
	}[:])
}

// odds turns a probability into decibans, by hand.
func odds(p float64) float64 { return 10 * math.Log10(p/(1-p)) }

func chance(db float64) float64 { return 1 / (1 + math.Pow(10, -db/10)) }

// weighed is w' of a finding of weight w that tells the truth with share c.
func weighed(w, c float64) float64 { return 10 * math.Log10(c*math.Pow(10, w/10)+1-c) }

// Probabilities of a fault, reckoned by hand.
func TestShedProbabilities(t *testing.T) {
	const curve = `
faults: [{id: fa, item: a, prior: {of: %s, curve: [[0, 0.01], [10, 0.11], [20, 0.31]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`
	const p = `
faults: [{id: fa, item: p, prior: {is: 0.1}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
rules:
  - {id: p_bad, fault: fa, line: l, when: found.bad, weight: 10}
  - {id: p_well, fault: fa, line: l, when: "!found.bad", weight: -10}
`
	base := func(rules string) string {
		return `
faults: [{id: fa, item: a, prior: {is: 0.1}}, {id: fb, item: b, prior: {is: 0.1}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}, {id: hb, causes: [{fault: fb, chance: 1}]}]
rules:
` + rules
	}
	age := func(method string, v float64) object {
		return observation("a", method, object{"age": object{"value": v, "unit": "a"}})
	}
	var sheets strings.Builder
	rows, ran := 0, 0
	for _, c := range []struct {
		name    string
		set     string
		reports []object
		want    float64
	}{
		{"at a knot", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(), "last_ran", "2016-05-02")}, 0.11},
		{"between two", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(), "last_ran", "2011-05-02")}, 0.21},
		{"beyond the last", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(), "last_ran", "1990-05-02")}, 0.31},
		{"not known", fmt.Sprintf(curve, "years_laid_up"), []object{day()}, 0.31},
		{"laid up for no longer than it has been there", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(), "built", "2016-05-02")}, 0.11},
		{"renewed since", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(observation("a", "seen", object{"renewed": "2021-05-02"})), "last_ran", "2006-05-02")}, 0.06},
		{"renewed since, they say", fmt.Sprintf(curve, "years_laid_up"), []object{facts(day(observation("a", "told", object{"renewed": "2021-05-02"})), "last_ran", "2006-05-02")}, 0.31},
		{"since it was built", fmt.Sprintf(curve, "years_since_built"), []object{facts(day(), "built", "2011-05-02")}, 0.21},
		{"since it was built: renewed", fmt.Sprintf(curve, "years_since_built"), []object{facts(day(observation("a", "seen", object{"renewed": "2021-05-02"})), "built", "1980")}, 0.06},
		{"age of which nobody spoke", fmt.Sprintf(curve, "age"), []object{facts(day(), "built", "2011-05-02", "last_ran", "2020-05-02")}, 0.21},
		{"age on credible word", fmt.Sprintf(curve, "age"), []object{facts(day(age("seen", 10)), "built", "2006-05-02", "last_ran", "2020-05-02")}, 0.9*0.11 + 0.1*0.31},
		{"age on hearsay", fmt.Sprintf(curve, "age"), []object{facts(day(age("told", 10)), "built", "2006-05-02", "last_ran", "2020-05-02")}, 0.35*0.11 + 0.65*0.31},
		{"two ages: the worse", fmt.Sprintf(curve, "age"), []object{facts(day(age("seen", 10), age("seen", 15)), "built", "2006-05-02", "last_ran", "2020-05-02")}, 0.9*0.21 + 0.1*0.31},
		{"an age beyond the making is no worse than none", fmt.Sprintf(curve, "age"), []object{day(age("seen", 19)), facts(day(), "built", "2016-05-02", "last_ran", "2020-05-02")}, 0.11},
		{"hearsay below the lay-up counts as the lay-up", fmt.Sprintf(curve, "age"), []object{facts(day(age("told", 1)), "built", "2006-05-02", "last_ran", "2016-05-02")}, 0.35*0.11 + 0.65*0.31},
		{"distance", `
faults: [{id: fa, item: a, prior: {of: odometer, curve: [[0, 0.01], [100000, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "odometer", 50000)}, 0.06},
		{"a number that was found", `
faults: [{id: fa, item: a, prior: {of: found.n, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day(observation("a", "seen", object{"n": mm(5)}))}, 0.9*0.06 + 0.1*0.11},
		{"a number that was told", `
faults: [{id: fa, item: a, prior: {of: found.n, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day(observation("a", "told", object{"n": mm(5)}))}, 0.35*0.06 + 0.65*0.11},
		{"a number that nobody found", `
faults: [{id: fa, item: a, prior: {of: found.n, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, 0.11},
		{"a number found at the worst of two sides", `
faults: [{id: fa, item: p, prior: {of: found.n, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day(at(observation("p", "seen", object{"n": mm(2)}), "left"), at(observation("p", "seen", object{"n": mm(5)}), "right"))}, 0.9*0.06 + 0.1*0.11},

		{"found bad", base(`  - {id: bad, fault: fa, when: found.bad, weight: 10}`), []object{day(see("a", true))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"found well", base(`  - {id: well, fault: fa, when: "!found.bad", weight: -10}`), []object{day(see("a", false))}, chance(odds(0.1) + weighed(-10, 0.86))},
		{"found well a half-life ago", base(`  - {id: well, fault: fa, when: "!found.bad", weight: -10}`), []object{reportOn("2024-05-02", see("a", false)), day()}, chance(odds(0.1) + weighed(-10, 0.43))},
		{"a defect does not heal", base(`  - {id: bad, fault: fa, when: found.bad, weight: 10}`), []object{reportOn("2016-05-02", see("a", true)), day()}, chance(odds(0.1) + weighed(10, 0.9))},
		{"no alarm by eye counts for more than 20", base(`  - {id: bad, fault: fa, when: found.bad, weight: 40}`), []object{day(see("a", true))}, chance(odds(0.1) + 20)},
		{"nor by test for more than 25", base(`  - {id: bad, fault: fa, when: found.bad, weight: 40}`), []object{day(by("tested", "a", true))}, chance(odds(0.1) + 25)},
		{"by a finding's own figures", strings.ReplaceAll(base(`  - {id: bad, fault: fa, when: found.bad, weight: 40}`), "id: fa, item: a", "id: fa, item: c"), []object{day(see("c", true))}, chance(odds(0.1) + 3)},
		{"a reassurance is not bounded", base(`  - {id: well, fault: fa, when: "!found.bad", weight: -40}`), []object{day(by("told", "a", false))}, chance(odds(0.1) + weighed(-40, 0.35))},
		{"two lines add up", base("  - {id: one, fault: fa, when: found.bad, weight: 10}\n  - {id: two, fault: fa, when: found.sad, weight: 5}"), []object{day(observation("a", "seen", object{"bad": true, "sad": true}))}, chance(odds(0.1) + weighed(10, 0.9) + weighed(5, 0.9))},
		{"on one line the larger counts", base("  - {id: one, fault: fa, line: l, when: found.bad, weight: 10}\n  - {id: two, fault: fa, line: l, when: found.sad, weight: 5}"), []object{day(observation("a", "seen", object{"bad": true, "sad": true}))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"on one line an alarm outweighs a reassurance", base("  - {id: one, fault: fa, line: l, when: found.bad, weight: 3}\n  - {id: two, fault: fa, line: l, when: \"!found.sad\", weight: -9}"), []object{day(observation("a", "seen", object{"bad": true, "sad": false}))}, chance(odds(0.1) + weighed(3, 0.9))},
		{"on one line the stronger reassurance counts", base("  - {id: one, fault: fa, line: l, when: \"!found.bad\", weight: -3}\n  - {id: two, fault: fa, line: l, when: \"!found.sad\", weight: -9}"), []object{day(observation("a", "seen", object{"bad": false, "sad": false}))}, chance(odds(0.1) + weighed(-9, 0.86))},
		{"a line across two items", base("  - {id: one, fault: fa, line: l, when: found.bad, weight: 4}\n  - {id: two, fault: fa, item: b, line: l, when: found.bad, weight: 9}"), []object{day(see("a", true), see("b", true))}, chance(odds(0.1) + weighed(9, 0.9))},
		{"a line across two items, both well", base("  - {id: one, fault: fa, line: l, when: \"!found.bad\", weight: -4}\n  - {id: two, fault: fa, item: b, line: l, when: \"!found.bad\", weight: -9}"), []object{day(see("a", false), see("b", false))}, chance(odds(0.1) + weighed(-9, 0.86))},
		{"the same line of two faults", base("  - {id: one, fault: fa, line: l, when: found.bad, weight: 4}\n  - {id: two, fault: fb, item: a, line: l, when: found.bad, weight: 9}"), []object{day(see("a", true))}, chance(odds(0.1) + weighed(4, 0.9))},
		{"a rule of no weight", base("  - {id: one, fault: fa, when: found.bad, weight: 0}"), []object{day(see("a", true))}, 0.1},
		{"a weight by what was measured", base("  - {id: one, fault: fa, when: found.n > 0.0, weight: {of: found.n, curve: [[0, 0], [10, 20]]}}"), []object{day(observation("a", "seen", object{"n": mm(5)}))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"a weight that reassures by what was measured", base("  - {id: one, fault: fa, when: found.n >= 0.0, weight: {of: found.n, curve: [[0, -10], [10, 10]]}}"), []object{day(observation("a", "seen", object{"n": mm(0)}))}, chance(odds(0.1) + weighed(-10, 0.86))},
		{"two findings: the least credible counts", base("  - {id: one, fault: fa, when: found.bad && found.sad, weight: 10}"), []object{day(see("a", true), observation("a", "told", object{"sad": true}))}, chance(odds(0.1) + weighed(10, 0.35))},
		{"two findings: the least that an alarm may weigh counts", base("  - {id: one, fault: fa, when: found.bad && found.sad, weight: 40}"), []object{day(see("a", true), observation("a", "told", object{"sad": true}))}, chance(odds(0.1) + 7)},
		{"two findings that reassure: the least counts", base("  - {id: one, fault: fa, when: \"!found.bad && !found.sad\", weight: -10}"), []object{day(see("a", false), observation("a", "felt", object{"sad": false}))}, chance(odds(0.1) + weighed(-10, 0.6))},
		{"another item on which something else was found", base("  - {id: one, fault: fa, when: found.bad && other.b.bad, weight: 10}"), []object{day(see("a", true), observation("b", "seen", object{"m": mm(1)}))}, 0.1},
		{"another item on which that was found", base("  - {id: one, fault: fa, when: found.bad && other.b.bad, weight: 10}"), []object{day(see("a", true), see("b", true))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"a formula of the years laid up", `
faults: [{id: fa, item: a, prior: {of: "years_laid_up + 5.0", curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "last_ran", "2024-05-02")}, 0.08},
		{"a formula of the years laid up, of a part renewed since", `
faults: [{id: fa, item: a, prior: {of: "years_laid_up + 5.0", curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(observation("a", "seen", object{"renewed": "2025-05-02"})), "last_ran", "2023-05-02")}, 0.07},
		{"a formula of what is not known", `
faults: [{id: fa, item: a, prior: {of: "years_laid_up + 5.0", curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, 0.11},
		{"one of the two is not known", base("  - {id: one, fault: fa, when: found.bad && found.sad, weight: 10}"), []object{day(see("a", true))}, 0.1},
		{"of values that contradict the worse counts", base("  - {id: one, fault: fa, line: l, when: found.bad, weight: 10}\n  - {id: two, fault: fa, line: l, when: \"!found.bad\", weight: -10}"), []object{reportOn("2026-05-01", by("tested", "a", false)), day(see("a", true))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"of values that contradict the worse counts, whichever is the lower", base("  - {id: one, fault: fa, line: l, when: found.n < 5.0, weight: 10}\n  - {id: two, fault: fa, line: l, when: found.n >= 5.0, weight: -10}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(9)})), day(observation("a", "seen", object{"n": mm(1)}))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"of two alarms that contradict the heavier counts", base("  - {id: one, fault: fa, when: found.n >= 1.0, weight: {of: found.n, curve: [[1, 4], [9, 12]]}}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(9)})), day(observation("a", "seen", object{"n": mm(1)}))}, chance(odds(0.1) + weighed(12, 0.98))},
		{"and where the lower weighs more", base("  - {id: one, fault: fa, when: found.n >= 1.0, weight: {of: found.n, curve: [[1, 12], [9, 4]]}}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(9)})), day(observation("a", "seen", object{"n": mm(1)}))}, chance(odds(0.1) + weighed(12, 0.9))},
		{"of two that weigh the same the more credible counts", base("  - {id: one, fault: fa, when: found.n >= 1.0, weight: 25}"), []object{reportOn("2026-05-01", by("seen", "a", true), observation("a", "seen", object{"n": mm(9)})), day(observation("a", "told", object{"n": mm(1)}))}, chance(odds(0.1) + 20)},
		{"of two reassurances that contradict the lesser counts", base("  - {id: one, fault: fa, when: found.n >= 1.0, weight: {of: found.n, curve: [[1, -4], [9, -12]]}}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(9)})), day(observation("a", "seen", object{"n": mm(1)}))}, chance(odds(0.1) + weighed(-4, 0.86))},
		{"a value that does not fire beside one that reassures", base("  - {id: one, fault: fa, when: found.n < 5.0, weight: -10}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(9)})), day(observation("a", "seen", object{"n": mm(1)}))}, 0.1},
		{"two findings that contradict, each with two values", base("  - {id: one, fault: fa, when: found.bad && found.n >= 5.0, weight: 10}"), []object{reportOn("2026-05-01", by("tested", "a", false), observation("a", "tested", object{"n": mm(1)})), day(see("a", true), observation("a", "seen", object{"n": mm(9)}))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"what one rule read does not change what the next reads", base("  - {id: one, fault: fa, line: l, when: found.n >= 5.0, weight: 3}\n  - {id: two, fault: fa, when: 'found.bad && found.n < 5.0', weight: 5}"), []object{reportOn("2026-05-01", observation("a", "tested", object{"n": mm(1)})), day(observation("a", "seen", object{"n": mm(9), "bad": true}))}, chance(odds(0.1) + weighed(3, 0.9) + weighed(5, 0.9))},
		{"a fact not known is read the worse way", base("  - {id: one, fault: fa, when: found.bad && wet, weight: 10}"), []object{day(see("a", true))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"a fact not known does not reassure", base("  - {id: one, fault: fa, when: \"!found.bad && wet\", weight: -10}"), []object{day(see("a", false))}, 0.1},

		// General words.
		{"a general word", base("  - {id: g, fault: fa, line: l, when: 'found.judged == \"sound\"', weight: -3}\n  - {id: s, fault: fa, line: l, when: \"!found.bad\", weight: -10}"), []object{day(observation("a", "seen", object{"judged": "sound"}))}, chance(odds(0.1) + weighed(-3, 0.86))},
		{"a general word beside a specific one that says nothing", base("  - {id: g, fault: fa, line: l, when: 'found.judged == \"sound\"', weight: -3}\n  - {id: s, fault: fa, line: l, when: found.bad, weight: 10}"), []object{day(observation("a", "seen", object{"judged": "sound", "bad": false}))}, 0.1},
		{"a general alarm beside a specific word", base("  - {id: g, fault: fa, line: l, when: 'found.judged == \"unfit\"', weight: 3}\n  - {id: s, fault: fa, line: l, when: \"!found.bad\", weight: -10}"), []object{day(observation("a", "seen", object{"judged": "unfit", "bad": false}))}, chance(odds(0.1) + weighed(-10, 0.86))},
		{"a general word and a specific one about another item", base("  - {id: g, fault: fa, line: l, when: 'found.judged == \"sound\"', weight: -3}\n  - {id: s, fault: fa, item: b, line: l, when: found.bad, weight: 10}"), []object{day(observation("a", "seen", object{"judged": "sound"}), see("b", false))}, 0.1},
		{"a general word where the specific was at the other side", strings.Replace(p, "rules:", "rules:\n  - {id: g, fault: fa, line: l, when: 'found.judged == \"sound\"', weight: -3}", 1), []object{day(see("p", false, "left"), at(observation("p", "seen", object{"judged": "sound"}), "right"))}, chance(odds(0.1) + weighed(-3, 0.86))},

		// Positions.
		{"well at one side", p, []object{day(see("p", false, "left"))}, 0.1},
		{"well at both, at the least of the two", p, []object{day(see("p", false, "left"), by("felt", "p", false, "right"))}, chance(odds(0.1) + weighed(-10, 0.6))},
		{"well without a word where", p, []object{day(see("p", false))}, chance(odds(0.1) + weighed(-10, 0.86))},
		{"bad at one, well at the other", p, []object{day(see("p", true, "left"), see("p", false, "right"))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"bad at both, at the worse", p, []object{day(see("p", true, "left"), by("told", "p", true, "right"))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"well at one, the other new", p, []object{day(see("p", false, "left"), at(observation("p", "seen", object{"renewed": today}), "right"))}, chance(odds(0.1) + weighed(-10, 0.86))},
		{"a prior at the worse of two sides", `
faults: [{id: fa, item: p, prior: {of: years_laid_up, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(at(observation("p", "seen", object{"renewed": "2025-05-02"}), "left")), "last_ran", "2021-05-02")}, 0.06},
		{"a prior where both are new", `
faults: [{id: fa, item: p, prior: {of: years_laid_up, curve: [[0, 0.01], [10, 0.11]]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(at(observation("p", "seen", object{"renewed": "2025-05-02"}), "left", "right")), "last_ran", "2021-05-02")}, 0.02},
		{"another item's finding at the same side", strings.NewReplacer("when: found.bad", "when: found.bad && other.r.bad").Replace(p), []object{day(see("p", true, "left"), see("r", true, "left"))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"another item's finding at the other side", strings.NewReplacer("when: found.bad", "when: found.bad && other.r.bad").Replace(p), []object{day(see("p", true, "left"), see("r", true, "right"))}, 0.1},
		{"another item's finding at no side", strings.NewReplacer("when: found.bad", "when: found.bad && other.r.bad").Replace(p), []object{day(see("p", true, "left"), see("r", true))}, chance(odds(0.1) + weighed(10, 0.9))},
		{"a finding of one item that is well at one of another's sides", base("  - {id: one, fault: fa, when: \"!found.bad && !other.r.bad\", weight: -10}"), []object{day(see("a", false), see("r", false, "left"))}, 0.1},
		{"a finding of one item that is well at all of another's sides", base("  - {id: one, fault: fa, when: \"!found.bad && !other.r.bad\", weight: -10}"), []object{day(see("a", false), see("r", false, "left", "right"))}, chance(odds(0.1) + weighed(-10, 0.86))},

		// Shifts.
		{"shifts add up", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: wet, db: 3}, {when: 'kind == "car"', db: 2.5}, {when: 'kind == "cycle"', db: 9}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "wet", true, "kind", "car")}, chance(odds(0.1) + 5.5)},
		{"shifts the other way", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: wet, db: -3}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "wet", true)}, chance(odds(0.1) - 3)},
		{"shifts the other way, undecided", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: "odometer > 5.0", db: -3}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, 0.1},
		{"shifts undecided", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: "odometer > 5.0", db: 3}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, chance(odds(0.1) + 3)},
		{"the worst of what the kind may be", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: 'kind == "car"', db: 3}, {when: 'kind == "cycle"', db: 5}, {when: 'kind == "truck"', db: 4}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, chance(odds(0.1) + 5)},
		{"not above the cap", `
faults: [{id: fa, item: a, prior: {is: 0.1, shifts: [{when: wet, db: 30}], cap: 0.4}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "wet", true)}, 0.4},
		{"a prior at the cap by itself is not shifted up", `
faults: [{id: fa, item: a, prior: {of: years_laid_up, curve: [[0, 0.1], [10, 0.5]], shifts: [{when: wet, db: 30}], cap: 0.5}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "wet", true, "last_ran", "2016-05-02")}, 0.5},
	} {
		rows++
		t.Run(c.name, func(t *testing.T) {
			ran++
			set := shedWith(t, c.set)
			a := score.Evaluate(set, decodeAll(t, set, c.reports...), -1)
			x := causeOf(t, a, "h", "fa")
			near(t, "P", x.Probability.Float(), c.want, 6)
			fmt.Fprintf(&sheets, "# %s\n%s", c.name, sheet(a))
		})
	}
	if !t.Failed() && ran == rows {
		golden(t, t.Name(), sheets.String())
	}
}
