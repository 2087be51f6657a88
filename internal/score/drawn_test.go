package score_test

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// everything is the shed with every kind of rule, limit, proof and follow, on items with and without positions.
const everything = `
likely_bad: 0.3
grades:
  - {item: a, of: bad, map: {"false": 100, "true": 20}, source: {kind: judgement}}
  - {item: p, of: n, curve: [[0, 100], [10, 20]], source: {kind: judgement}}
faults:
  - {id: fa, item: a, prior: {of: age, curve: [[0, 0.001], [10, 0.02], [30, 0.3]], shifts: [{when: wet, db: 4}, {when: 'kind == "truck"', db: 3}, {when: 'odometer > 90000.0', db: 2}], cap: 0.4}, cautions: [ca]}
  - {id: fb, item: b, when: 'kind != "cycle"', prior: {of: "years_laid_up + 1.0", curve: [[0, 0.001], [20, 0.2]]}, clear_by: [{item: b, found: {bad: false}}]}
  - {id: fm, item: b, prior: {of: "found.m + years_laid_up", curve: [[0, 0.001], [50, 0.1]]}}
  - {id: fp, item: p, prior: {of: years_laid_up, curve: [[0, 0.001], [20, 0.05]], shifts: [{when: wet, db: 6}]}, clear_by: [{item: p, found: {bad: false}}]}
  - {id: fn, item: p, prior: {of: found.n, curve: [[0, 0.001], [20, 0.2]]}}
  - {id: fr, item: r, prior: {of: odometer, curve: [[0, 0.001], [200000, 0.1]]}}
  - {id: fq, item: q, prior: {of: years_since_built, curve: [[0, 0.001], [40, 0.1]]}, clear_by: [{item: q, found: {bad: false}}]}
  - {id: fc, item: c, prior: {is: 0.01, shifts: [{when: wet, db: 3}]}}
hazards:
  - {id: h1, severity: [{when: 'kind == "car"', is: catastrophic}, {when: wet, is: critical}, {is: marginal}], causes: [{fault: fa, chance: [{when: wet, is: 0.4}, {is: 0.2}]}, {fault: fb, chance: 0.3}]}
  - {id: h2, gate: later, causes: [{fault: fa, chance: 0.1}, {fault: fp, chance: 0.5}, {fault: fr, chance: 0.2}], cautions: [c2]}
  - {id: h3, severity: marginal, causes: [{fault: fq, chance: 1}, {fault: fm, chance: 0.5}]}
  - {id: h4, gate: later, when: 'kind != "truck"', severity: catastrophic, causes: [{fault: fc, chance: 0.05}, {fault: fn, chance: 0.01}]}
  - {id: h5, gate: later, causes: [{fault: fq, chance: 0.1}, {fault: fb, chance: 0.1}]}
rules:
  - {id: a_bad, fault: fa, line: l, when: found.bad, weight: 12, because: "a is bad", blocks: {gate: now, if: 'kind != "cycle"'}, cautions: [bad]}
  - {id: a_well, fault: fa, line: l, when: "!found.bad", weight: -8, because: "a is well"}
  - {id: a_n, fault: fa, line: k, when: found.n >= 0.0, weight: {of: found.n, curve: [[0, -6], [50, 0], [100, 9]]}, because: "a has {found.n}"}
  - {id: a_judged, fault: fa, line: l, when: 'found.judged == "sound"', weight: -2}
  - {id: a_unfit, fault: fa, line: l, when: 'found.judged == "unfit"', weight: 2}
  - {id: a_both, fault: fa, when: found.bad && found.sad, weight: 5}
  - {id: a_by_b, fault: fa, item: b, line: k, when: found.bad, weight: 4}
  - {id: b_bad, fault: fb, line: l, when: found.bad, weight: 9}
  - {id: b_well, fault: fb, line: l, when: "!found.bad && wet", weight: -9}
  - {id: p_bad, fault: fp, line: l, when: found.bad, weight: 12, because: "p is bad", blocks: later}
  - {id: p_well, fault: fp, line: l, when: "!found.bad", weight: -12}
  - {id: p_n, fault: fp, line: l, when: found.n < 5.0, weight: -3}
  - {id: p_n_more, fault: fp, line: k, when: found.n > 50.0, weight: 4}
  - {id: p_and_r, fault: fp, when: found.bad && other.r.bad, weight: 3}
  - {id: b_and_r, fault: fb, when: "!found.bad && !other.r.bad", weight: -3}
  - {id: r_well, fault: fr, line: l, when: "!found.bad", weight: -9}
  - {id: r_bad, fault: fr, line: l, when: found.bad, weight: 9}
  - {id: q_well, fault: fq, line: l, when: "!found.bad", weight: -9}
  - {id: q_bad, fault: fq, line: l, when: found.bad, weight: 9}
  - {id: c_well, fault: fc, line: l, when: "!found.bad", weight: -9}
  - {id: c_bad, fault: fc, line: l, when: found.bad, weight: 9}
limits:
  - {id: a_old, fault: fa, when: "age >= 20.0", because: "a is {age} old", cautions: [old]}
  - {id: a_far, fault: fa, when: "odometer >= 150000.0", gate: later, guards: [h2]}
  - {id: p_thick, fault: fp, when: found.n > 80.0, gate: later}
  - {id: b_owed, item: b, when: found.bad && years_laid_up > 5.0, kind: duty, guards: [h1], clear_by: [{item: b, found: {bad: false}}]}
  - {id: q_old, item: q, when: found.bad && years_since_built > 20.0, gate: later, guards: [h5], clear_by: [{item: q, found: {bad: false}}], cautions: [q]}
proofs:
  - {id: p_shown, item: p, gate: later, proves: "!found.bad", guards: [h2], clear_by: [{item: p, found: {bad: false}}], cautions: [show]}
  - {id: q_shown, item: q, proves: "!found.bad", always: true, when: 'kind != "truck"', clear_by: [{item: q, found: {bad: false}}]}
  - {id: r_shown, item: r, gate: later, proves: "!found.bad && !other.p.bad", guards: [h2, h5], clear_by: [{item: r, found: {bad: false}}, {item: p, found: {bad: false}}]}
  - {id: b_shown, item: b, proves: "!found.bad", guards: [h1], kind: duty, clear_by: [{item: b, found: {bad: false}}], cautions: [b]}
follows:
  - {id: a_was, item: a, when: found.bad, needs: b_shown, because: "a was bad"}
  - {id: p_was, item: p, when: found.bad && found.n > 50.0, needs: q_shown, because: "p was {found.n}"}
  - {id: r_new, item: r, when: 'years_since(found.renewed) < 10.0', needs: p_shown}
`

// besides has what everything lacks: what is cleared by a value or better, by a renewal or by what one rule alone asks
// for; harms of several causes of which some are cleared already; numbers of which less is worse; duties at several
// gates; limits on items with the same positions.
const besides = `
likely_bad: 0.2
systems:
  - id: s
    is: s
    items:
      - {id: a, is: a, minutes: 5, access: none, needed_from: {gate: now}, finds: [{id: bad, kind: flag}, {id: w, kind: quantity, unit: mm, worse: low, min: 0, max: 100}, {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}, {id: how, kind: choice, values: [fine, fair, foul]}]}
      - {id: b, is: b, minutes: 5, access: covers, finds: [{id: bad, kind: flag}, {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}
      - {id: p, is: p, minutes: 5, access: none, positions: sides, finds: [{id: bad, kind: flag}, {id: w, kind: quantity, unit: mm, worse: low, min: 0, max: 100}]}
      - {id: o, is: o, minutes: 5, access: none, positions: sides, finds: [{id: bad, kind: flag}, {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}
faults:
  - {id: fa, item: a, prior: {is: 0.03}, clear_by: [{item: a, found: {w: {value: 20, unit: mm}}}]}
  - {id: fb, item: b, prior: {is: 0.03, shifts: [{when: 'kind == "truck"', db: 9}, {when: wet, db: -3}]}, clear_by: [{item: b, found: {n: {value: 10, unit: mm}}}]}
  - {id: fc, item: a, prior: {is: 0.02, shifts: [{when: 'kind == "car"', db: 12}], cap: 0.15}, clear_by: [{item: a, found: {renewed: as_of, bad: false}}]}
  - {id: fp, item: p, prior: {is: 0.02, shifts: [{when: 'drive == "belt"', db: 5}]}, clear_by: [{item: p, found: {renewed: as_of}}, {item: o, found: {bad: false}}]}
  - {id: fo, item: o, prior: {is: 0.02, shifts: [{when: 'drive == "belt"', db: 5}]}, clear_by: [{item: o, found: {bad: false, n: {value: 5, unit: mm}}}]}
hazards:
  - {id: h1, causes: [{fault: fa, chance: 0.4}, {fault: fb, chance: 0.4}, {fault: fp, chance: 0.1}], cautions: [one]}
  - {id: h2, gate: later, severity: [{when: wet, is: catastrophic}, {is: critical}], causes: [{fault: fc, chance: [{when: 'kind == "car"', is: 0.5}, {is: 0.1}]}, {fault: fo, chance: 0.3}]}
  - {id: h3, severity: marginal, causes: [{fault: fp, chance: 1}, {fault: fo, chance: 1}, {fault: fa, chance: 0.5}]}
  - {id: h4, gate: later, when: 'drive == "chain" || wet', causes: [{fault: fo, chance: 0.6}, {fault: fp, chance: 0.6}, {fault: fb, chance: 0.05}]}
rules:
  - {id: a_bad, fault: fa, line: l, when: found.bad, weight: 8, clear_by: [{item: a, found: {bad: false}}], because: "a is bad", cautions: [bad a]}
  - {id: a_thin, fault: fa, line: l, when: found.w < 12.0, weight: 9, because: "a has {found.w}", blocks: {gate: later, kind: duty}}
  - {id: a_thick, fault: fa, line: l, when: found.w >= 20.0, weight: -14}
  - {id: a_foul, fault: fc, line: l, when: 'found.how == "foul"', weight: 10, clear_by: [{item: a, found: {how: fine}}], blocks: now}
  - {id: a_fine, fault: fc, line: l, when: 'found.how in ["fine", "fair"]', weight: -10}
  - {id: a_new, fault: fc, line: k, when: "years_since(found.renewed) < 3.0 && !found.bad", weight: -9}
  - {id: a_n, fault: fc, line: l, when: found.n > 40.0, weight: 3}
  - {id: b_n, fault: fb, line: l, when: found.n >= 0.0, weight: {of: found.n, curve: [[10, -12], [20, 0], [60, 10]]}, because: "b has {found.n}"}
  - {id: b_bad, fault: fb, line: l, when: found.bad, weight: 7, blocks: {gate: now, kind: duty}}
  - {id: p_bad, fault: fp, line: l, when: found.bad, weight: 10, because: "p is bad", blocks: now}
  - {id: p_well, fault: fp, line: l, when: "!found.bad", weight: -10}
  - {id: p_thin, fault: fp, line: l, when: found.w < 5.0, weight: 6, blocks: {gate: later, if: 'kind != "cycle"'}}
  - {id: p_by_o, fault: fp, item: o, line: k, when: found.bad, weight: 5}
  - {id: o_bad, fault: fo, line: l, when: found.bad, weight: 12}
  - {id: o_well, fault: fo, line: l, when: "!found.bad", weight: -6}
  - {id: o_n, fault: fo, line: k, when: found.n < 8.0, weight: -6}
  - {id: o_n_more, fault: fo, line: k, when: found.n > 60.0, weight: 11, blocks: later}
limits:
  - {id: p_over, fault: fp, when: found.w > 90.0, kind: duty, clear_by: [{item: p, found: {w: {value: 50, unit: mm}}}, {item: o, found: {bad: false}}]}
  - {id: o_over, fault: fo, when: "found.n > 50.0 && age > 4.0", gate: later, guards: [h2]}
proofs:
  - {id: a_shown, item: a, proves: "found.w >= 20.0 && years_since(found.renewed) < 5.0", guards: [h1], clear_by: [{item: a, found: {w: {value: 20, unit: mm}, renewed: as_of}}]}
  - {id: a_again, item: a, gate: later, proves: "!found.bad", always: true, clear_by: [{item: a, found: {bad: false}}], cautions: [again]}
  - {id: o_shown, item: o, gate: later, proves: "found.n < 8.0", guards: [h4], kind: duty, clear_by: [{item: o, found: {n: {value: 5, unit: mm}}}]}
follows:
  - {id: a_renewed, item: a, when: "years_since(found.renewed) < 10.0", needs: o_shown, because: "a was renewed"}
  - {id: o_was, item: o, when: found.bad, needs: a_again, outlasts: true, because: "o was bad"}
`

// drawnFrom is a dossier drawn by a source of chance that is the same everywhere: of up to three reports, and
// in each up to so many observations of an item.
func drawnFrom(t *testing.T, set *ruleset.Set, random *rand.Rand, most int) []*report.Report {
	t.Helper()
	chance := func(n int) bool { return random.IntN(n) == 0 }
	today := calendar.DayOf(2026, 5, 2)
	var reports []*report.Report
	for range 1 + random.IntN(3) {
		date := today - calendar.Day(random.IntN(3)*400)
		r := reportOn(date.String())
		pick := func(of ...string) string { return of[random.IntN(len(of))] }
		if chance(2) {
			facts(r, "kind", pick("car", "cycle", "truck"))
		}
		if chance(2) {
			facts(r, "wet", chance(2))
		}
		if chance(2) {
			facts(r, "odometer", random.IntN(250000))
		}
		if chance(2) {
			facts(r, "cylinders", 1+random.IntN(3))
		}
		if chance(2) {
			facts(r, "built", pick("1990", "2001-05-02", "2010-03"))
		}
		if chance(2) {
			facts(r, "last_ran", pick("2012", "2019-05-02", "2023-04"))
		}
		var observations []object
		for _, it := range set.Catalogue.Items {
			for range random.IntN(most + 1) {
				found := object{}
				for _, f := range it.Finds {
					if f.Common() != chance(5) {
						continue
					}
					switch f.Kind {
					case catalogue.Flag:
						found[f.ID] = chance(3)
					case catalogue.Choice:
						found[f.ID] = f.Values[random.IntN(len(f.Values))]
					case catalogue.Quantity:
						found[f.ID] = object{"value": random.IntN(int(min(f.Max, 30))), "unit": f.Unit.Code}
						if !f.Common() {
							found[f.ID] = object{"value": random.IntN(101), "unit": f.Unit.Code}
						}
					case catalogue.Date:
						found[f.ID] = pick("2014", "2020-05", "2024-11-02")
					}
				}
				if len(found) == 0 {
					continue
				}
				o := observation(it.ID, pick("tested", "seen", "seen", "felt", "told"), found)
				if n := len(it.Positions); n > 0 && chance(2) {
					at(o, it.Positions[random.IntN(min(n, 2))].ID)
				}
				if chance(40) {
					o = object{"item": it.ID, "method": o["method"], "fitted": false}
				}
				observations = append(observations, o)
			}
		}
		// What the decoder refuses is left out, one by one.
		for _, o := range observations {
			r["observations"] = append(r["observations"].([]object), o)
			if _, faults := tryDecode(t, set, r); len(faults) > 0 {
				list := r["observations"].([]object)
				r["observations"] = list[:len(list)-1]
			}
		}
		if one, faults := tryDecode(t, set, r); len(faults) == 0 {
			reports = append(reports, one)
		}
	}
	if len(reports) == 0 {
		reports = decodeAll(t, set, day())
	}
	return reports
}

func tryDecode(t *testing.T, set *ruleset.Set, o object) (*report.Report, []report.Fault) {
	data, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	r, _, faults := report.Decode(data, set.Catalogue)
	return r, faults
}

// Dossiers that are drawn, always the same, and all that is said of them: a change of the core that its
// author did not mean shows here.
func TestShedDrawnDossiersSayWhatTheySaid(t *testing.T) {
	set := shedWith(t, everything)
	scorer := score.New(set)
	var text strings.Builder
	random := rand.New(rand.NewPCG(10, 5))
	for i := range 250 {
		a := scorer.Evaluate(drawnFrom(t, set, random, 2), random.IntN(3)-1)
		a.RuleSet = score.RuleSet{} // its digest is not what this is about
		fmt.Fprintf(&text, "# dossier %d: %016x\n%s\n", i, digest(bytesOf(t, a)), strings.Join(list(a), "\n"))
		if i < 10 {
			text.WriteString(sheet(a))
		}
	}
	golden(t, t.Name(), text.String())
}

// The same of a rule set with what the first lacks.
func TestShedDrawnDossiersBesides(t *testing.T) {
	set := shedWith(t, besides)
	scorer := score.New(set)
	var text strings.Builder
	random := rand.New(rand.NewPCG(10, 7))
	for i := range 250 {
		a := scorer.Evaluate(drawnFrom(t, set, random, 2), random.IntN(3)-1)
		a.RuleSet = score.RuleSet{}
		fmt.Fprintf(&text, "# dossier %d: %016x\n%s\n", i, digest(bytesOf(t, a)), strings.Join(list(a), "\n"))
		if i < 10 {
			text.WriteString(sheet(a))
		}
	}
	golden(t, t.Name(), text.String())
}

// Where many looked at the same and nobody agrees, every choice among what they say is tried; and what has
// changed from one day to the next is told.
func TestShedDrawnQuarrelsSayWhatTheySaid(t *testing.T) {
	set := shedWith(t, everything)
	scorer := score.New(set)
	var text strings.Builder
	random := rand.New(rand.NewPCG(10, 6))
	for i := range 16 {
		reports := drawnFrom(t, set, random, 7)
		a := scorer.Evaluate(reports, -1)
		a.RuleSet = score.RuleSet{}
		fmt.Fprintf(&text, "# dossier %d: %016x\n%s\n", i, digest(bytesOf(t, a)), strings.Join(list(a), "\n"))
		for n := 1; n < len(reports); n++ {
			c := a.ChangesFrom(scorer.Evaluate(reports[:n], -1))
			data, err := json.Marshal(c)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&text, "since report %d: %016x decides %t any %t\n", n, digest(string(data)), c.Decide(), c.Any())
		}
	}
	golden(t, t.Name(), text.String())
}

// Where more choices stand than are tried, the least and the greatest of each finding are, and nothing between.
func TestShedTooManyChoices(t *testing.T) {
	set := shedWith(t, `
systems: [{id: s, is: s, items: [{id: a, is: a, minutes: 5, access: none, finds: [
  {id: n, kind: quantity, unit: mm, worse: high, min: 0, max: 100}, {id: o, kind: quantity, unit: mm, worse: high, min: 0, max: 100},
  {id: p, kind: quantity, unit: mm, worse: high, min: 0, max: 100}, {id: q, kind: quantity, unit: mm, worse: high, min: 0, max: 100},
  {id: r, kind: quantity, unit: mm, worse: high, min: 0, max: 100}]}]}]
faults: [{id: fa, item: a, prior: {is: 0.01}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
rules:
  - {id: ends, fault: fa, line: k, when: found.n > 90.0 && found.o < 5.0 && found.p > 90.0 && found.q < 5.0 && found.r > 90.0, weight: 5}
  - {id: between, fault: fa, line: l, when: found.n > 40.0 && found.n < 60.0 && found.o >= 0.0 && found.p >= 0.0 && found.q >= 0.0 && found.r >= 0.0, weight: 6}
  - {id: fewer, fault: fa, line: m, when: found.n > 40.0 && found.n < 60.0 && found.o >= 0.0 && found.p >= 0.0 && found.q >= 0.0, weight: 7}
`)
	for _, c := range []struct {
		name string
		most int // values of each finding
		want []string
	}{{"more", 6, []string{"fewer", "ends"}}, {"few enough", 5, []string{"fewer", "between", "ends"}}} {
		t.Run(c.name, func(t *testing.T) {
			r := day()
			for i, v := range []float64{0, 100, 50, 51, 1, 99}[:c.most] {
				found := object{}
				for _, id := range []string{"n", "o", "p", "q", "r"} {
					found[id] = mm(v)
				}
				r["observations"] = append(r["observations"].([]object), observation("a", []string{"tested", "tested", "seen", "felt", "seen", "felt"}[i], found))
			}
			var fired []string
			for _, x := range score.Evaluate(set, decodeAll(t, set, r), -1).Register[0].Causes[0].Evidence {
				fired = append(fired, x.Rule)
			}
			if !slices.Equal(fired, c.want) {
				t.Errorf("counted %v, want %v", fired, c.want)
			}
		})
	}
}

// Where more values of unknown facts would have to be tried than are, each fact counts the worse way by itself.
func TestShedTooManyUnknownFacts(t *testing.T) {
	var facts, when, shifts []string
	for i := range 10 {
		facts = append(facts, fmt.Sprintf("{id: f%d, in: vehicle, kind: flag}", i))
		when = append(when, fmt.Sprintf("f%d", i))
		shifts = append(shifts, fmt.Sprintf("{when: f%d, db: 2}, {when: '!f%d', db: 1}", i, i))
	}
	for _, c := range []struct {
		name string
		told int
		want score.Decibans // of the shifts
	}{{"all tried", 1, 19}, {"too many", 0, 30}} {
		t.Run(c.name, func(t *testing.T) {
			set := shedWith(t, `
catalogue:
  methods: [{id: seen, is: seen, alarms: 0.9, reassures: 0.86, at_most: 20, source: {kind: judgement}}]
  facts: [{id: built, in: vehicle, kind: date}, {id: last_ran, in: lay_up, kind: date}, `+strings.Join(facts, ", ")+`]
systems: [{id: s, is: s, items: [{id: a, is: a, minutes: 5, access: none, finds: [{id: bad, kind: flag}]}]}]
faults: [{id: fa, item: a, when: '`+strings.Join(when, " || ")+` || f0', prior: {is: 0.001, shifts: [`+strings.Join(shifts, ", ")+`]}}]
hazards: [{id: ha, causes: [{fault: fa, chance: 1}]}]
`)
			r := day()
			for i := range c.told {
				r["vehicle"].(object)[fmt.Sprintf("f%d", i)] = false
			}
			got := score.Evaluate(set, decodeAll(t, set, r), -1).Register[0].Causes[0].ShiftsDB
			if got != c.want*1_000_000_000 {
				t.Errorf("shifts of %v, want %v", got.Float(), c.want)
			}
		})
	}
}

// digest stands for every byte of what was said.
func digest(said string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(said))
	return h.Sum64()
}
