package score_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

func garage(t testing.TB) *ruleset.Set {
	t.Helper()
	data, err := os.ReadFile("testdata/garage.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l := builtin.Loader()
	set, err := l.Document("garage.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// car is a report on a car built in 2010, of four cylinders and 50,000 km, that ran last three years
// before the 2nd of May 2026 and stood indoors.
func car(date string, observations ...object) object {
	r := reportOn(date, observations...)
	r["vehicle"] = object{"reference": "garage", "built": "2010-05-02", "odometer": object{"value": 50000, "unit": "km"}, "cylinders": 4, "market": "there", "servo": false}
	r["lay_up"] = object{"last_ran": "2023-05-02", "storage": "indoors"}
	return r
}

// with changes what a report says of the vehicle or its lay-up; nil leaves it out.
func with(r object, where, fact string, value any) object {
	if value == nil {
		delete(r[where].(object), fact)
	} else {
		r[where].(object)[fact] = value
	}
	return r
}

func at(o object, positions ...string) object {
	o["at"] = positions
	return o
}

// sound says all that the garage asks for of a car, seen or tested on one day.
func sound() []object {
	return []object{
		observation("belt", "seen", object{"renewed": "2026-05-02"}),
		observation("bores", "seen", object{"liquid": "none"}),
		observation("gasket", "tested", object{"leaks": false, "even": true}),
		observation("cap", "seen", object{"tracked": false, "burnt": false}),
		observation("radiator", "seen", object{"leaks": false}),
		observation("chain", "seen", object{"slack": false}),
		observation("pump", "seen", object{"stuck": false}),
		observation("hoses", "tested", object{"renewed": "2026-05-02"}),
	}
}

// but is sound, with what is said of an item said otherwise.
func but(item string, instead ...object) []object {
	list := slices.DeleteFunc(sound(), func(o object) bool { return o["item"] == item })
	return append(list, instead...)
}

// list writes a blocking list, an entry a line: gate, kind, item, positions, code of the reason.
func list(a *score.Assessment) []string {
	out := []string{}
	for _, b := range a.Blockers {
		s := b.Gate + " " + b.Kind + " " + b.Item
		if len(b.At) > 0 {
			s += " [" + strings.Join(b.At, " ") + "]"
		}
		out = append(out, s+" "+b.Reason.Code)
	}
	return out
}

const today = "2026-05-02"

// What is on the blocking list, whole: nothing more, nothing less.
func TestBlockingLists(t *testing.T) {
	set := garage(t)
	var sheets strings.Builder
	rows, ran := 0, 0
	for _, c := range []struct {
		name    string
		reports []object
		want    []string
	}{
		{"everything sound", []object{car(today, sound()...)}, []string{}},
		{"nobody looked", []object{car(today)}, []string{
			"start unproven belt not_looked_at", "start unproven bores proof", "road unproven hoses not_looked_at"}},

		// One position says nothing of another.
		{"one good hose does not clear its burst twin", []object{car(today, but("hoses",
			at(observation("hoses", "seen", object{"burst": true}), "front_left"),
			at(observation("hoses", "tested", object{"burst": false}), "front_right", "rear_left", "rear_right"))...)},
			[]string{"road defect hoses [front_left] found"}},
		{"a later good hose does not clear its burst twin either", []object{
			car("2026-04-01", at(observation("hoses", "seen", object{"burst": true}), "front_left")),
			car(today, but("hoses", at(observation("hoses", "tested", object{"burst": false}), "front_right", "rear_left", "rear_right"))...)},
			[]string{"road defect hoses [front_left] found"}},
		{"what is said of no position does not clear the one that was named", []object{
			car("2026-04-01", at(observation("hoses", "seen", object{"burst": true}), "front_left")),
			car(today, but("hoses", observation("hoses", "tested", object{"burst": false}))...)},
			[]string{"road defect hoses [front_left] found"}},
		{"the burst one renewed, the others never looked at", []object{
			car("2026-04-01", at(observation("hoses", "seen", object{"burst": true}), "front_left")),
			car(today, but("hoses", at(observation("hoses", "tested", object{"renewed": today}), "front_left"))...)},
			[]string{"road unproven hoses [front_right rear_left rear_right] not_enough"}},
		{"the burst one renewed, the others renewed too", []object{
			car("2026-04-01", at(observation("hoses", "seen", object{"burst": true}), "front_left")),
			car(today, but("hoses", at(observation("hoses", "tested", object{"renewed": today}), "front_left", "front_right", "rear_left", "rear_right"))...)},
			[]string{}},
		{"burst somewhere, and every position looked at since", []object{
			car("2026-04-01", observation("hoses", "seen", object{"burst": true})),
			car(today, but("hoses", at(observation("hoses", "tested", object{"renewed": today}), "front_left", "front_right", "rear_left", "rear_right"))...)},
			[]string{}},
		{"burst somewhere, and three positions renewed since", []object{
			car("2026-04-01", observation("hoses", "seen", object{"burst": true})),
			car(today, but("hoses", at(observation("hoses", "tested", object{"renewed": today}), "front_left", "front_right", "rear_left"))...)},
			[]string{"road defect hoses found"}},
		{"three of four cylinders dry", []object{car(today, but("bores",
			at(observation("bores", "seen", object{"liquid": "none"}), "cylinder_1", "cylinder_2", "cylinder_3"))...)},
			[]string{"start unproven bores [cylinder_4] proof"}},
		{"nobody said how many cylinders there are", []object{with(car(today, but("bores",
			at(observation("bores", "seen", object{"liquid": "none"}), "cylinder_1", "cylinder_2"))...), "vehicle", "cylinders", nil)},
			[]string{"start unproven bores proof"}},

		// Limits.
		{"a cracked belt", []object{car(today, but("belt", observation("belt", "seen", object{"cracked": true}))...)},
			[]string{"start defect belt found"}},
		{"a belt that somebody says is cracked", []object{car(today, but("belt", observation("belt", "told", object{"cracked": true}))...)},
			[]string{"start unproven belt only_told"}},
		{"a belt of twelve years", []object{car(today, but("belt", observation("belt", "documented", object{"age": object{"value": 12, "unit": "a"}}), observation("belt", "tested", object{"cracked": false}))...)},
			[]string{"start defect belt found"}},
		{"a belt of just under twelve", []object{car(today, but("belt", observation("belt", "documented", object{"age": object{"value": 11.9, "unit": "a"}}), observation("belt", "tested", object{"cracked": false}))...)},
			[]string{}},
		{"a belt that may be sixteen, and looks sound", []object{car(today, but("belt", observation("belt", "tested", object{"cracked": false}))...)},
			[]string{}},
		{"a belt that stood for twelve years at least", []object{with(car(today, but("belt", observation("belt", "tested", object{"cracked": false}))...), "lay_up", "last_ran", "2014-05-02")},
			[]string{"start defect belt found"}},
		{"told to be new, after twelve years", []object{with(car(today, but("belt", observation("belt", "told", object{"renewed": "2025"}), observation("belt", "tested", object{"cracked": false}))...), "lay_up", "last_ran", "2014-05-02")},
			[]string{"start defect belt found"}},
		{"a bore at the limit", []object{car(today, append(sound(), at(observation("hoses", "seen", object{"bore": object{"value": 2, "unit": "mm"}}), "rear_left"))...)},
			[]string{}},
		{"a bore under the limit", []object{car(today, append(sound(), at(observation("hoses", "seen", object{"bore": object{"value": 1.9, "unit": "mm"}}), "rear_left"))...)},
			[]string{"road defect hoses [rear_left] found"}},
		{"a plan counts by whatever method it is told", []object{car(today, append(sound(), observation("gas", "told", object{"to_be_opened": true}))...)},
			[]string{"road duty gas found"}},

		// Proofs and what follows.
		{"both halves of a proof are wanted while the odds are bad", []object{car(today, but("gasket", observation("gasket", "seen", object{"leaks": true}))...)},
			[]string{"start defect gasket found"}},
		{"a proof is not asked for where the odds are good", []object{car(today, but("gasket")...)},
			[]string{}},
		{"a proof that has grown stale", []object{car("2024-05-02", observation("bores", "seen", object{"liquid": "none"})), car(today, but("bores")...)},
			[]string{"start unproven bores proof"}},
		{"a proof by hearsay", []object{car(today, but("bores", observation("bores", "told", object{"liquid": "none"}))...)},
			[]string{"start unproven bores proof"}},
		{"coolant was in a bore, and now it is dry", []object{
			car("2026-04-01", observation("bores", "seen", object{"liquid": "coolant"})),
			car(today, but("gasket")...)},
			[]string{"start unproven gasket follow"}},
		{"and the gasket was shown to be tight before that", []object{
			car("2026-03-01", observation("gasket", "tested", object{"leaks": false, "even": true})),
			car("2026-04-01", observation("bores", "seen", object{"liquid": "coolant"})),
			car(today, but("gasket")...)},
			[]string{"start unproven gasket follow"}},
		{"and the gasket was shown to be tight since", []object{
			car("2026-04-01", observation("bores", "seen", object{"liquid": "coolant"})),
			car(today, sound()...)},
			[]string{}},
		{"told of coolant in a bore long ago", []object{
			car("2026-04-01", observation("bores", "told", object{"liquid": "coolant"})),
			car(today, but("gasket")...)},
			[]string{"start unproven gasket follow"}},
		{"oil in a bore is no reason", []object{
			car("2026-04-01", observation("bores", "seen", object{"liquid": "oil"})),
			car(today, but("gasket")...)},
			[]string{}},

		// What is off, and what was never there.
		{"the radiator is off", []object{car(today, append(sound(), observation("radiator", "seen", object{"removed": true}))...)},
			[]string{"start defect radiator off"}},
		{"the radiator is said to be off", []object{car(today, append(sound(), observation("radiator", "told", object{"removed": true}))...)},
			[]string{"start unproven radiator only_told"}},
		{"the hoses are off", []object{car(today, but("hoses", observation("hoses", "seen", object{"removed": true}))...)},
			[]string{"road defect hoses off"}},
		{"off and back on", []object{
			car("2026-04-01", observation("radiator", "seen", object{"removed": true})),
			car(today, append(sound(), observation("radiator", "seen", object{"removed": false}))...)},
			[]string{}},
		{"the belt was never fitted", []object{car(today, but("belt", object{"item": "belt", "method": "seen", "fitted": false})...)}, []string{}},
		{"the belt is said never to have been fitted", []object{car(today, but("belt", object{"item": "belt", "method": "told", "fitted": false})...)},
			[]string{"start unproven belt not_looked_at"}},

		// Odds.
		{"a part likelier bad than three in ten", []object{with(car(today, but("cap")...), "lay_up", "last_ran", "2010-05-02")},
			[]string{"start unproven cap likely_bad"}},
		{"a part a little less likely bad", []object{with(car(today, but("cap")...), "lay_up", "last_ran", "2012-05-02")}, []string{}},
		{"of the causes of a hazard those are listed that make it intolerable", []object{car(today, but("gasket", observation("gasket", "seen", object{"leaks": true, "even": true}))...)},
			[]string{"start defect gasket found"}},
		{"distance counts", []object{with(car(today, sound()...), "vehicle", "odometer", object{"value": 200000, "unit": "km"})},
			[]string{"start unproven chain not_enough"}},
		{"an unknown distance counts as the worst", []object{with(car(today, sound()...), "vehicle", "odometer", nil)},
			[]string{"start unproven chain not_enough"}},
		{"a general word reassures only where nothing specific was said", []object{car(today, but("belt", observation("belt", "tested", object{"judged": "sound"}))...)},
			[]string{"start unproven belt number_unknown"}},

		// Facts that nobody has told.
		{"one fact that decides about several items", []object{with(car(today, but("pump")[:5]...), "lay_up", "storage", nil)}, []string{
			"start unproven storage fact_unknown", "road unproven hoses not_looked_at"}},
		{"a fact that decides about one item", []object{with(car(today, but("pump")...), "lay_up", "storage", nil)},
			[]string{"start unproven pump not_looked_at"}},
		{"the fact is told", []object{with(car(today, but("pump")...), "lay_up", "storage", "indoors")}, []string{}},
		{"the fact is told, and is the worse one", []object{with(car(today, but("pump")...), "lay_up", "storage", "outdoors")},
			[]string{"start unproven pump not_looked_at"}},
		{"severity by the worse of an unknown fact", []object{with(with(car(today, sound()...), "vehicle", "servo", true), "vehicle", "market", nil)}, []string{}},
	} {
		rows++
		t.Run(c.name, func(t *testing.T) {
			ran++
			a := score.Evaluate(set, decodeAll(t, set, c.reports...), -1)
			fmt.Fprintf(&sheets, "# %s\n%s", c.name, sheet(a))
			if got := list(a); !slices.Equal(got, c.want) {
				t.Errorf("listed\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
		})
	}
	if !t.Failed() && ran == rows {
		golden(t, t.Name(), sheets.String())
	}
}
