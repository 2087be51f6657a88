package score_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"laidup/internal/score"
)

// harms is four faults with a hazard each.
const harms = `
faults:
  - {id: fa, item: a, prior: {is: 0.02}}
  - {id: fb, item: b, prior: {is: 0.02}}
  - {id: fp, item: p, prior: {is: 0.02}}
  - {id: fq, item: q, prior: {is: 0.002}}
hazards:
  - {id: ha, severity: marginal, gate: later, causes: [{fault: fa, chance: 1}]}
  - {id: hb, severity: critical, gate: later, causes: [{fault: fb, chance: 0.5}]}
  - {id: hp, severity: critical, gate: now, causes: [{fault: fp, chance: 0.5}]}
  - {id: hq, severity: catastrophic, gate: later, causes: [{fault: fq, chance: 1}]}
rules:
  - {id: a_well, fault: fa, line: l, when: "!found.bad", weight: -10, because: "a is well"}
  - {id: a_bad, fault: fa, line: l, when: found.bad, weight: 10, because: "a is bad"}
  - {id: b_well, fault: fb, when: "!found.bad", weight: -10}
  - {id: p_well, fault: fp, when: "!found.bad", weight: -10}
  - {id: q_well, fault: fq, when: "!found.bad", weight: -10}
`

// The register by risk, then by the weight of its severity, then by gate, then by id.
func TestRankingOfTheRegister(t *testing.T) {
	written := func(a *score.Assessment) (out []string) {
		for _, e := range a.Register {
			out = append(out, fmt.Sprintf("%d %s %s %s %s %v %v share %.6f rests on %s", e.Rank, e.Hazard, e.Gate, e.Item, e.Risk, e.Probability.Float(), e.RiskIndex.Float(), e.Share.Float(), e.RestsOn))
		}
		return out
	}
	checkLists(t, written, []edge{
		{"weighed by severity, and then by gate", harms, []object{day()}, []string{
			"1 hq later q high 0.002 2 share 0.476190 rests on unknown",
			"2 hp now p high 0.01 1 share 0.238095 rests on unknown",
			"3 hb later b high 0.01 1 share 0.238095 rests on unknown",
			"4 ha later a serious 0.02 0.2 share 0.047619 rests on unknown"}},
		{"by id where all else is the same", strings.ReplaceAll(harms, "gate: now", "gate: later"), []object{day()}, []string{
			"1 hq later q high 0.002 2 share 0.476190 rests on unknown",
			"2 hb later b high 0.01 1 share 0.238095 rests on unknown",
			"3 hp later p high 0.01 1 share 0.238095 rests on unknown",
			"4 ha later a serious 0.02 0.2 share 0.047619 rests on unknown"}},
		{"what it rests on", harms, []object{day(see("a", false), by("told", "b", false), by("told", "p", false), see("p", false, "left", "right"))}, []string{
			"1 hq later q high 0.002 2 share 0.674580 rests on unknown",
			"2 hb later b serious 0.0068934286 0.689343 share 0.232509 rests on told",
			"3 hp now p serious 0.0022955349 0.229553 share 0.077426 rests on found",
			"4 ha later a medium 0.0045910698 0.045911 share 0.015485 rests on found"}},
	})
}

// Where to look next: what could be settled, a minute.
func TestShedLookNext(t *testing.T) {
	written := func(a *score.Assessment) []string {
		out := []string{}
		for _, l := range a.LookNext {
			out = append(out, fmt.Sprintf("%s %s %v min %v %v a minute", l.Item, l.Access, l.Minutes.Float(), l.RiskIndex.Float(), l.PerMinute.Float()))
		}
		return out
	}
	two := `
faults: [{id: fa, item: a, prior: {is: 0.02}}, {id: fb, item: b, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: 0.5}, {fault: fb, chance: 0.25}]}, {id: k, gate: later, severity: marginal, causes: [{fault: fa, chance: 0.5}]}]
rules: [{id: a_well, fault: fa, when: "!found.bad", weight: -10}, {id: b_well, fault: fb, when: "!found.bad", weight: -10}]
`
	checkLists(t, written, []edge{
		{"what takes no time counts as a minute", harms, []object{day()}, []string{
			"b covers 0 min 1 1 a minute", "q none 10 min 2 0.2 a minute", "p none 10 min 1 0.1 a minute", "a none 10 min 0.2 0.02 a minute"}},
		{"no more than so many", strings.Replace(harms, "rules:", "look_next: {access: [none, covers], most: 2}\nrules:", 1), []object{day()}, []string{
			"b covers 0 min 1 1 a minute", "q none 10 min 2 0.2 a minute"}},
		{"not what nobody can get at", strings.Replace(harms, "rules:", "look_next: {access: [none], most: 2}\nrules:", 1), []object{day()}, []string{
			"q none 10 min 2 0.2 a minute", "p none 10 min 1 0.1 a minute"}},
		{"not what was looked at", harms, []object{day(see("b", false), see("q", true))}, []string{
			"q none 10 min 2 0.2 a minute", "p none 10 min 1 0.1 a minute", "a none 10 min 0.2 0.02 a minute"}},
		{"not what is off", harms, []object{day(observation("b", "seen", object{"removed": true}))}, []string{
			"q none 10 min 2 0.2 a minute", "p none 10 min 1 0.1 a minute", "a none 10 min 0.2 0.02 a minute"}},
		{"not where a look settles nothing", strings.Replace(harms, `  - {id: b_well, fault: fb, when: "!found.bad", weight: -10}`, "", 1), []object{day()}, []string{
			"q none 10 min 2 0.2 a minute", "p none 10 min 1 0.1 a minute", "a none 10 min 0.2 0.02 a minute"}},
		// 1 - 0.99 * 0.995 = 0.01495; shares 0.01005034 and 0.00501254 of 0.01506288, that is 1.495 and the rest.
		{"its share of each hazard, weighed by its severity", two, []object{day()}, []string{
			"b covers 0 min 0.497498 0.497498 a minute", "a none 10 min 1.097502 0.10975 a minute"}},
		{"not what the vehicle does not have", strings.NewReplacer("item: b", "item: c", "found.bad\", weight: -10}]", "found.bad\", weight: -10}]\nlook_next: {access: [none, wheels], most: 5}").Replace(two), []object{facts(day(), "kind", "cycle")}, []string{
			"a none 10 min 1.1 0.11 a minute"}},
	})
}

const graded = `
weights: {systems: [{id: first, weight: 3}, {id: second, weight: 1}], items: [{id: a, weight: 2}, {id: b, weight: 1}, {id: p, weight: 1}, {id: r, weight: 1}, {id: q, weight: 1}, {id: c, weight: 2}]}
grades:
  - {item: a, of: bad, map: {"false": 100, "true": 20}, source: {kind: judgement}}
  - {item: a, of: n, curve: [[0, 100], [10, 50], [20, 0]], source: {kind: judgement}}
  - {item: p, of: bad, map: {"false": 100, "true": 20}, source: {kind: judgement}}
` + harms

// Grades, ranges and coverage, reckoned by hand.
func TestShedConditionAndCoverage(t *testing.T) {
	written := func(a *score.Assessment) []string {
		of := func(r score.Range) string {
			return fmt.Sprintf("%v (%v to %v)", r.Expected.Float(), r.Low.Float(), r.High.Float())
		}
		out := []string{"vehicle " + of(a.Condition.Range)}
		for _, s := range a.Condition.Systems {
			line := s.System + " " + of(s.Range)
			for _, it := range s.Items {
				if it.Graded {
					line += ", " + it.Item + " " + of(it.Range)
				}
			}
			out = append(out, line)
		}
		return append(out, fmt.Sprintf("%d of %d, %v", a.Coverage.LookedAt, a.Coverage.Applying, a.Coverage.Share.Float()))
	}
	old := func(r object) object { return facts(r, "last_ran", "2016-05-02") } // 65 (40 to 95)
	checkLists(t, written, []edge{
		{"nobody looked, and nobody knows how long it stood", graded, []object{day()}, []string{
			"vehicle 30 (10 to 70)", "first 30 (10 to 70)", "second 30 (10 to 70)", "0 of 6, 0"}},
		{"ten years", graded, []object{old(day())}, []string{
			"vehicle 65 (40 to 95)", "first 65 (40 to 95)", "second 65 (40 to 95)", "0 of 6, 0"}},
		// first: (2*100 + 65 + 65)/4 = 82.5; vehicle (3*82.5 + 65)/4
		{"one found well", graded, []object{old(day(see("a", false)))}, []string{
			"vehicle 78.125 (62.5 to 96.875)", "first 82.5 (70 to 97.5), a 100 (100 to 100)", "second 65 (40 to 95)", "1 of 6, 0.25"}},
		{"the worse finding counts", graded, []object{old(day(see("a", false), observation("a", "seen", object{"n": mm(15)})))}, []string{
			"vehicle 50 (34.375 to 68.75)", "first 45 (32.5 to 60), a 25 (25 to 25)", "second 65 (40 to 95)", "1 of 6, 0.25"}},
		{"the worse of two that contradict", graded, []object{old(reportOn("2026-05-01", by("tested", "a", false))), old(day(see("a", true)))}, []string{
			"vehicle 48.125 (32.5 to 66.875)", "first 42.5 (30 to 57.5), a 20 (20 to 20)", "second 65 (40 to 95)", "1 of 6, 0.25"}},
		{"one of two sides seen", graded, []object{old(day(see("p", true, "left")))}, []string{
			"vehicle 56.5625 (36.25 to 80.9375)", "first 53.75 (35 to 76.25), p 20 (20 to 20)", "second 65 (40 to 95)", "1 of 6, 0.0625"}},
		{"seen without a word where", graded, []object{old(day(see("p", false)))}, []string{
			"vehicle 71.5625 (51.25 to 95.9375)", "first 73.75 (55 to 96.25), p 100 (100 to 100)", "second 65 (40 to 95)", "1 of 6, 0.125"}},
		{"seen, and not graded", graded, []object{old(day(see("c", false)))}, []string{
			"vehicle 65 (40 to 95)", "first 65 (40 to 95)", "second 65 (40 to 95)", "1 of 6, 0.25"}},
		{"what is not there has no weight", graded, []object{facts(old(day(see("a", false))), "kind", "cycle")}, []string{
			"vehicle 78.125 (62.5 to 96.875)", "first 82.5 (70 to 97.5), a 100 (100 to 100)", "second 65 (40 to 95)", "1 of 5, 0.3333333333"}},
		{"renewed lately, and not graded", graded, []object{old(day(observation("b", "seen", object{"renewed": today})))}, []string{
			"vehicle 69.6875 (47.5 to 95.9375)", "first 71.25 (50 to 96.25)", "second 65 (40 to 95)", "1 of 6, 0.125"}},
		{"by age", strings.Replace(graded, "weights:", "unseen: {of: age, low: {curve: [[0, 80], [20, 0]], when_unknown: 10}, expected: {curve: [[0, 90], [20, 40]], when_unknown: 30}, high: {curve: [[0, 100], [20, 90]], when_unknown: 70}, source: {kind: judgement}}\nweights:", 1), []object{facts(day(), "built", "2016-05-02")}, []string{
			"vehicle 65 (40 to 95)", "first 65 (40 to 95)", "second 65 (40 to 95)", "0 of 6, 0"}},
		{"by the years since it was built", strings.Replace(graded, "weights:", "unseen: {of: years_since_built, low: {curve: [[0, 80], [20, 0]], when_unknown: 10}, expected: {curve: [[0, 90], [20, 40]], when_unknown: 30}, high: {curve: [[0, 100], [20, 90]], when_unknown: 70}, source: {kind: judgement}}\nweights:", 1), []object{facts(day(), "built", "2016-05-02", "last_ran", "2024-05-02")}, []string{
			"vehicle 65 (40 to 95)", "first 65 (40 to 95)", "second 65 (40 to 95)", "0 of 6, 0"}},
	})
}

// Gates, the chances of getting through them, and the state of the vehicle.
func TestShedGates(t *testing.T) {
	written := func(a *score.Assessment) []string {
		out := []string{fmt.Sprintf("%s %s %d", a.Verdict.Gate, a.Verdict.State, a.Verdict.Blockers)}
		for _, g := range a.Gates {
			s := fmt.Sprintf("%s %s %d, through %.6f, unharmed %.6f", g.Gate, g.State, g.Blockers, g.ChanceThrough.Float(), g.ChanceUnharmed.Float())
			if g.ChanceWithoutWord > 0 {
				s += fmt.Sprintf(", by nobody's word %.6f", g.ChanceWithoutWord.Float())
			}
			if len(g.Cautions) > 0 {
				s += " " + strings.Join(g.Cautions, "+")
			}
			out = append(out, s)
		}
		return out
	}
	const both = `
faults: [{id: fa, item: a, prior: {is: 0.019}}, {id: fb, item: b, prior: {is: 0.1}}]
hazards:
  - {id: h, causes: [{fault: fa, chance: 0.5}]}
  - {id: k, gate: later, causes: [{fault: fa, chance: 0.5}, {fault: fb, chance: 0.4}]}
  - {id: m, gate: later, severity: marginal, causes: [{fault: fb, chance: 1}]}
rules: [{id: a_well, fault: fa, line: l, when: "!found.bad", weight: -10}, {id: a_bad, fault: fa, line: l, when: "found.bad", weight: 10}, {id: b_well, fault: fb, when: "!found.bad", weight: -10}]
`
	checkLists(t, written, []edge{
		// now: 1 - 0.019 * 0.5; later: (1 - 0.019 * 0.75) (1 - 0.1 * 0.4).
		{"a fault counts once, whatever it does", both, []object{day()}, []string{
			"later unproven 1", "now clear 0, through 0.990500, unharmed 0.990500 mind the gap", "later unproven 1, through 0.946320, unharmed 0.955396"}},
		{"a defect at the first gate blocks the second", both, []object{day(see("a", true))}, []string{
			"later blocked 2",
			"now blocked 1, through " + fmt.Sprintf("%.6f", 1-0.5*chance(odds(0.019)+weighed(10, 0.9))) + ", unharmed " + fmt.Sprintf("%.6f", 1-0.5*chance(odds(0.019)+weighed(10, 0.9))) + " mind the gap",
			"later blocked 2, through " + fmt.Sprintf("%.6f", 0.96*(1-0.75*chance(odds(0.019)+weighed(10, 0.9)))) + ", unharmed " + fmt.Sprintf("%.6f", 0.96*(1-0.75*chance(odds(0.019)+weighed(10, 0.9)))/(1-0.5*chance(odds(0.019)+weighed(10, 0.9))))}},
		{"hearsay is shown apart", both, []object{day(by("told", "a", false))}, []string{
			"later unproven 1",
			fmt.Sprintf("now clear 0, through %.6f, unharmed %.6f, by nobody's word 0.990500 mind the gap", 1-0.5*chance(odds(0.019)+weighed(-10, 0.35)), 1-0.5*chance(odds(0.019)+weighed(-10, 0.35))),
			fmt.Sprintf("later unproven 1, through %.6f, unharmed %.6f, by nobody's word 0.946320", 0.96*(1-0.75*chance(odds(0.019)+weighed(-10, 0.35))), 0.96*(1-0.75*chance(odds(0.019)+weighed(-10, 0.35)))/(1-0.5*chance(odds(0.019)+weighed(-10, 0.35))))}},
		{"a chance by a kind that nobody told: the worst", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: [{when: 'kind == "cycle"', is: 0.4}, {is: 0.1}]}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.992000, unharmed 0.992000 mind the gap", "later clear 0, through 0.992000, unharmed 1.000000"}},
		{"a chance by a kind that was told", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: [{when: 'kind == "cycle"', is: 0.4}, {is: 0.1}]}]}]
`, []object{facts(day(), "kind", "car")}, []string{"later clear 0", "now clear 0, through 0.998000, unharmed 0.998000 mind the gap", "later clear 0, through 0.998000, unharmed 1.000000"}},
		{"a chance by a distance that nobody told: the worst", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: [{when: 'odometer < 1000.0', is: 0.1}, {when: 'odometer < 2000.0', is: 0.4}, {is: 0.2}]}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.992000, unharmed 0.992000 mind the gap", "later clear 0, through 0.992000, unharmed 1.000000"}},
		{"a harm of another kind of vehicle", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, when: 'kind == "cycle"', causes: [{fault: fa, chance: 1}]}]
`, []object{facts(day(), "kind", "car")}, []string{"later clear 0", "now clear 0, through 1.000000, unharmed 1.000000 mind the gap", "later clear 0, through 1.000000, unharmed 1.000000"}},
		{"facts that exclude one another are not put together", `
faults: [{id: fa, item: a, prior: {is: 0.02, shifts: [{when: 'kind == "car"', db: -3}]}}]
hazards: [{id: h, causes: [{fault: fa, chance: [{when: 'kind == "car"', is: 0.4}, {is: 0.3}]}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.994000, unharmed 0.994000 mind the gap", "later clear 0, through 0.994000, unharmed 1.000000"}},
		{"a severity by a kind that nobody told: critical counts", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, severity: [{when: 'kind == "cycle"', is: critical}, {is: marginal}], causes: [{fault: fa, chance: 0.4}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.992000, unharmed 0.992000 mind the gap", "later clear 0, through 0.992000, unharmed 1.000000"}},
		{"a severity by a kind that was told: marginal does not", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: h, severity: [{when: 'kind == "cycle"', is: critical}, {is: marginal}], causes: [{fault: fa, chance: 0.4}]}]
`, []object{facts(day(), "kind", "car")}, []string{"later clear 0", "now clear 0, through 1.000000, unharmed 1.000000 mind the gap", "later clear 0, through 1.000000, unharmed 1.000000"}},
		{"what is as good as certain, and as good as impossible", `
faults: [{id: fa, item: a, prior: {is: 0.9999999999999}}, {id: fb, item: b, prior: {is: 0.0000000000001}}, {id: fc, item: c, prior: {is: 0.5}}]
hazards: [{id: h, causes: [{fault: fa, chance: 1}]}, {id: k, gate: later, causes: [{fault: fa, chance: 0.5}, {fault: fb, chance: 0.5}]}, {id: m, causes: [{fault: fb, chance: 1}]}, {id: n, gate: later, causes: [{fault: fc, chance: 0.5}]}]
`, []object{day()}, []string{"later unproven 2", "now unproven 1, through 0.000000, unharmed 0.000000 mind the gap", "later unproven 2, through 0.000000, unharmed 0.750000"}},
		{"what is certain at a later gate alone", `
faults: [{id: fa, item: a, prior: {is: 0.9999999999999}}, {id: fc, item: c, prior: {is: 0.5}}]
hazards: [{id: h, causes: [{fault: fa, chance: 0.5}, {fault: fc, chance: 0.000001}]}, {id: k, gate: later, causes: [{fault: fa, chance: 1}]}]
`, []object{day()}, []string{"later unproven 1", "now unproven 1, through 0.500000, unharmed 0.500000 mind the gap", "later unproven 1, through 0.000000, unharmed 0.000000"}},
		{"a shift that nobody told, and chances that hang on nothing", `
faults: [{id: fa, item: a, prior: {is: 0.02, shifts: [{when: wet, db: 3}]}}, {id: fb, item: b, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fb, chance: 0.1}, {fault: fa, chance: 0.1}]}]
`, []object{day()}, []string{"later clear 0", fmt.Sprintf("now clear 0, through %.6f, unharmed %.6f mind the gap", 0.998*(1-0.1*chance(odds(0.02)+3)), 0.998*(1-0.1*chance(odds(0.02)+3))), fmt.Sprintf("later clear 0, through %.6f, unharmed 1.000000", 0.998*(1-0.1*chance(odds(0.02)+3)))}},
		{"the order of the book's hazards is not that of its gates", `
faults: [{id: fa, item: a, prior: {is: 0.02}}]
hazards: [{id: k, gate: later, causes: [{fault: fa, chance: 0.2}]}, {id: h, causes: [{fault: fa, chance: 0.1}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.998000, unharmed 0.998000 mind the gap", "later clear 0, through 0.994400, unharmed 0.996393"}},
		{"a fault of a kind of vehicle that nobody told, and its chance", `
faults: [{id: fa, item: a, when: 'kind == "cycle"', prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fa, chance: [{when: 'kind == "cycle"', is: 0.1}, {is: 0.4}]}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.998000, unharmed 0.998000 mind the gap", "later clear 0, through 0.998000, unharmed 1.000000"}},
		{"a part that the vehicle may not have", `
faults: [{id: fc, item: c, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fc, chance: 0.4}]}]
`, []object{day()}, []string{"later clear 0", "now clear 0, through 0.992000, unharmed 0.992000 mind the gap", "later clear 0, through 0.992000, unharmed 1.000000"}},
		{"a part that it does not", `
faults: [{id: fc, item: c, prior: {is: 0.02}}]
hazards: [{id: h, causes: [{fault: fc, chance: 0.4}]}]
`, []object{facts(day(), "kind", "cycle")}, []string{"later clear 0", "now clear 0, through 1.000000, unharmed 1.000000 mind the gap", "later clear 0, through 1.000000, unharmed 1.000000"}},
	})
}

// What contradicts, what was taken, and what is not there.
func TestShedWhatElseIsSaid(t *testing.T) {
	written := func(a *score.Assessment) []string {
		out := []string{"as of " + a.AsOf + " of " + a.Vehicle}
		for _, c := range a.Conflicts {
			s := "conflict " + c.Item + " [" + c.At + "] " + c.Finding
			for _, v := range c.Values {
				s += " " + string(v.Value) + " " + v.Method + " " + v.Date
			}
			out = append(out, s)
		}
		for _, f := range a.Taken {
			out = append(out, "taken "+f.Fact+" "+string(f.Value))
		}
		for _, m := range a.Misplaced {
			out = append(out, "misplaced "+m)
		}
		return append(append(out, a.Cautions...), a.Assumes...)
	}
	checkLists(t, written, []edge{
		{"two values", harms, []object{reportOn("2026-05-01", by("tested", "a", false)), day(see("a", true))}, []string{
			"as of 2026-05-02 of worked", "conflict a [] bad false tested 2026-05-01 true seen 2026-05-02"}},
		{"two values at one side", harms, []object{reportOn("2026-05-01", by("tested", "p", false, "right")), day(see("p", true, "right"))}, []string{
			"as of 2026-05-02 of worked", "conflict p [right] bad false tested 2026-05-01 true seen 2026-05-02"}},
		{"never fitted, and found", harms, []object{reportOn("2026-05-01", see("a", false)), day(object{"item": "a", "method": "seen", "fitted": false})}, []string{
			"as of 2026-05-02 of worked", "conflict a [] fitted"}},
		{"a fact that is plain", harms, []object{facts(day(), "kind", "cycle")}, []string{"as of 2026-05-02 of worked", `taken vehicle.drive "chain"`}},
		{"what it does not have", harms, []object{reportOn("2026-05-01", see("c", false)), facts(day(), "kind", "cycle")}, []string{"as of 2026-05-02 of worked", `taken vehicle.drive "chain"`, "misplaced c"}},
		{"what the book says of all", "cautions: [take care]\nassumes: [a level floor]" + harms, []object{day()}, []string{"as of 2026-05-02 of worked", "take care", "a level floor"}},
	})
}

// What is different between two assessments.
func TestChangesAreThoseOfTheTables(t *testing.T) {
	set := shedWith(t, harms)
	evaluate := func(reports ...object) *score.Assessment {
		return score.Evaluate(set, decodeAll(t, set, reports...), -1)
	}
	written := func(c score.Changes) (out []string) {
		for _, g := range c.Gates {
			out = append(out, "gate "+g.Gate+" "+g.From+" to "+g.To)
		}
		for name, list := range map[string][]score.Blocker{"gone": c.Gone, "new": c.New, "other": c.Other} {
			for _, b := range list {
				out = append(out, name+" "+b.Gate+" "+b.Kind+" "+b.Item+" "+b.Reason.Code)
			}
		}
		slices.Sort(out)
		for _, r := range c.Risk {
			of := func(s *score.Share) string {
				if s == nil {
					return "none"
				}
				return fmt.Sprintf("%.4f", s.Float())
			}
			out = append(out, fmt.Sprintf("risk %s %s %s: %s to %s, gone %v, new %v", r.Hazard, r.Item, r.What, of(r.Probability.From), of(r.Probability.To), r.Gone, r.New))
		}
		return append(out, fmt.Sprintf("condition %v to %v, coverage %.4f to %.4f, through %.4f to %.4f", c.Condition.From.Expected.Float(), c.Condition.To.Expected.Float(), c.Coverage.From.Float(), c.Coverage.To.Float(), c.ChanceThrough.From.Float(), c.ChanceThrough.To.Float()))
	}
	nobody, soundA, badA := evaluate(day()), evaluate(day(see("a", false))), evaluate(day(see("a", true)))
	off := evaluate(day(object{"item": "q", "method": "seen", "fitted": false}))
	for _, c := range []struct {
		name        string
		from, to    *score.Assessment
		want        []string
		decide, any bool
	}{
		{"nothing", nobody, evaluate(day()), []string{"condition 30 to 30, coverage 0.0000 to 0.0000, through 0.9781 to 0.9781"}, false, false},
		{"a look at what decides nothing", nobody, soundA, []string{
			"risk ha a ha: 0.0200 to 0.0046, gone [], new [a is well]",
			"condition 30 to 30, coverage 0.0000 to 0.1667, through 0.9781 to 0.9781"}, false, true},
		{"a look, taken back", soundA, nobody, []string{
			"risk ha a ha: 0.0046 to 0.0200, gone [a is well], new []",
			"condition 30 to 30, coverage 0.1667 to 0.0000, through 0.9781 to 0.9781"}, false, true},
		{"from well to bad", soundA, badA, []string{
			"gate later unproven to blocked",
			"new later defect a found",
			"risk ha a ha: 0.0046 to 0.1566, gone [a is well], new [a is bad]",
			"condition 30 to 30, coverage 0.1667 to 0.1667, through 0.9781 to 0.9781"}, true, true},
		{"a part that was never there", nobody, off, []string{
			"gate later unproven to clear",
			"gone later unproven q not_looked_at",
			"risk hq q hq: 0.0020 to none, gone [], new []",
			"condition 30 to 30, coverage 0.0000 to 0.0000, through 0.9781 to 0.9801"}, true, true},
		{"and back", off, nobody, []string{
			"gate later clear to unproven",
			"new later unproven q not_looked_at",
			"risk hq q hq: none to 0.0020, gone [], new []",
			"condition 30 to 30, coverage 0.0000 to 0.0000, through 0.9801 to 0.9781"}, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			changes := c.to.ChangesFrom(c.from)
			if got := written(changes); !slices.Equal(got, c.want) {
				t.Errorf("changed\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
			if changes.Decide() != c.decide || changes.Any() != c.any {
				t.Errorf("decides %v, any %v", changes.Decide(), changes.Any())
			}
		})
	}
}
