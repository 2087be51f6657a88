package report_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"

	"laidup/internal/catalogue"
	"laidup/internal/report"
)

// shed is a catalogue with one of everything that a dossier tells apart.
var shed = sync.OnceValue(func() *catalogue.Catalogue {
	nought, one, most := 0.0, 1.0, 24.0
	flag := func(id string) catalogue.FindingForm { return catalogue.FindingForm{ID: id, Kind: catalogue.Flag} }
	reassures := 0.5
	return newCatalogue(catalogue.Document{
		Methods: []catalogue.Method{
			{ID: "tested", Is: "tested", Alarms: 0.98, Reassures: 0.95, AtMost: 25},
			{ID: "documented", Is: "documented", Alarms: 0.9, Reassures: 0.7, AtMost: 20},
			{ID: "seen", Is: "seen", Alarms: 0.9, Reassures: 0.86, AtMost: 20},
			{ID: "felt", Is: "felt", Alarms: 0.6, Reassures: 0.8, AtMost: 17}, // just credible
			{ID: "told", Is: "told", Alarms: 0.35, Reassures: 0.35, AtMost: 7},
		},
		Positions: map[string]catalogue.PositionList{
			"corners": {IDs: []string{"fl", "fr", "rl", "rr"}},
			"pots":    {Count: "cylinders", Is: "pot"},
			"wheels":  {Cases: []catalogue.PositionCase{{When: `layout == "motorcycle"`, Are: []string{"front", "rear"}}, {When: `layout == "sidecar" && drive == "belt"`, Are: []string{"front", "rear", "side"}}, {Are: []string{"fl", "fr", "rl", "rr"}}}},
		},
		Facts: []catalogue.FindingForm{
			{ID: "built", Kind: catalogue.Date, In: "vehicle"},
			{ID: "odometer", Kind: catalogue.Quantity, Unit: "km", Worse: "high", Min: &nought, In: "vehicle"},
			{ID: "cylinders", Kind: catalogue.Count, Min: &one, Max: &most, In: "vehicle"},
			{ID: "layout", Kind: catalogue.Choice, Values: []string{"car", "motorcycle", "sidecar"}, In: "vehicle"},
			{ID: "drive", Kind: catalogue.Choice, Values: []string{"chain", "belt"}, In: "vehicle", Taken: []catalogue.TakenForm{
				{Is: "chain", When: `layout == "motorcycle"`}, {Is: "belt", When: "cylinders > 6"}, {Is: "chain", Reported: "chain"}}},
			{ID: "last_ran", Kind: catalogue.Date, In: "lay_up"},
		},
		Systems: []catalogue.SystemForm{{ID: "all", Items: []catalogue.ItemForm{
			{ID: "belt", Access: "none", Applies: `drive != "chain"`, Finds: []catalogue.FindingForm{flag("frayed"), {ID: "record", Kind: catalogue.Text}}},
			{ID: "hoses", Access: "none", Positions: catalogue.PositionsForm{List: "corners"}, Finds: []catalogue.FindingForm{
				flag("burst"), {ID: "wet", Kind: catalogue.Flag, Methods: map[string]catalogue.FiguresForm{"seen": {Reassures: &reassures}}}}},
			{ID: "plugs", Access: "none", Positions: catalogue.PositionsForm{List: "pots"}, Finds: []catalogue.FindingForm{flag("fouled")}},
			{ID: "tyres", Access: "none", Positions: catalogue.PositionsForm{List: "wheels"}, Finds: []catalogue.FindingForm{flag("cracked"), {ID: "code", Kind: catalogue.WeekCode}}},
			{ID: "chain", Access: "none", Finds: []catalogue.FindingForm{flag("slack")}},
			{ID: "cap", Access: "none", Parts: map[string][]string{"rotor": {"burnt"}}, Finds: []catalogue.FindingForm{flag("tracked"), flag("burnt")}},
		}}},
	})
})

// look is one observation: what was found where by which method.
func look(method, item, finding string, value any, at ...string) object {
	o := object{"item": item, "method": method, "found": object{finding: value}}
	if len(at) > 0 {
		where := list{}
		for _, p := range at {
			where = append(where, p)
		}
		o["at"] = where
	}
	return o
}

func dated(o object, date string) object {
	o["date"] = date
	return o
}

func partOf(o object, part string) object {
	o["part"] = part
	return o
}

func never(item, method string) object {
	return object{"item": item, "method": method, "fitted": false}
}

func years(v float64) object { return object{"value": v, "unit": "a"} }

// on is a report of a day.
func on(date string, observations ...object) object {
	all := list{}
	for _, o := range observations {
		all = append(all, o)
	}
	return object{"schema": report.SchemaName, "vehicle": object{"reference": "shed"}, "inspection": object{"date": date}, "observations": all}
}

// about adds facts to a report: in pairs, of the lay-up where they are.
func about(o object, facts ...any) object {
	for i := 0; i < len(facts); i += 2 {
		if facts[i] == "last_ran" {
			o["lay_up"] = object{"last_ran": facts[i+1]}
			continue
		}
		if facts[i] == "odometer" {
			facts[i+1] = object{"value": facts[i+1], "unit": "km"}
		}
		o["vehicle"].(object)[facts[i].(string)] = facts[i+1]
	}
	return o
}

func laid(t testing.TB, reports ...object) *report.Dossier {
	t.Helper()
	var all []*report.Report
	for _, o := range reports {
		r, _, faults := report.Decode(marshal(t, o), shed())
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		all = append(all, r)
	}
	return report.Lay(all, shed(), sufficient)
}

func placeName(it *catalogue.Item, at int) string {
	switch at {
	case report.Whole:
		return "whole"
	case report.Somewhere:
		return "somewhere"
	case report.Others:
		return "others"
	}
	return it.Positions[at].ID
}

// everywhere writes what stands of a finding at every place of its item; where nothing does, a dash.
func everywhere(t testing.TB, d *report.Dossier, item, finding string) string {
	t.Helper()
	it := shed().Item(item)
	f := it.Find(finding)
	var all []string
	for i := range d.Items[it.Index].Places {
		p := &d.Items[it.Index].Places[i]
		st := p.Of(f)
		quarrel := slices.ContainsFunc(d.Conflicts, func(c report.Conflict) bool {
			return c.Standing != nil && c.Standing == st && c.At == p.Position && c.Item == it
		})
		if quarrel != (st != nil && len(st.Values) > 1) {
			t.Errorf("%s at %s is a conflict: %v", finding, placeName(it, p.Position), quarrel)
		}
		s := "-"
		if st != nil {
			var values []string
			for _, v := range st.Values {
				var by []string
				for _, x := range v.Support {
					by = append(by, shed().Methods[x.Method].ID)
				}
				values = append(values, strings.Trim(string(report.Form(v.Value)), `"`)+" "+strings.Join(by, "+"))
			}
			s = strings.Join(values, " / ")
		}
		all = append(all, placeName(it, p.Position)+": "+s)
	}
	return strings.Join(all, "; ")
}

func TestWhatStandsWhere(t *testing.T) {
	four := []any{"cylinders", 4}
	for _, c := range []struct {
		name    string
		of      string
		reports []object
		want    string
	}{
		{"nothing was said", "hoses.burst", []object{on("2026-05-02")}, ""},
		{"no position was named", "hoses.burst", []object{on("2026-05-02", look("seen", "hoses", "burst", true))}, "whole: true seen"},
		{"one was", "hoses.burst", []object{on("2026-05-02", look("seen", "hoses", "burst", true, "fl"))}, "fl: true seen; fr: -; rl: -; rr: -"},
		{"two at once", "hoses.burst", []object{on("2026-05-02", look("seen", "hoses", "burst", true, "rr", "fl"))}, "fl: true seen; fr: -; rl: -; rr: true seen"},
		{"one good hose says nothing of its twin", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("tested", "hoses", "burst", false, "fr"))}, "fl: true seen; fr: false tested; rl: -; rr: -"},
		{"a newer look at the same position", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl"))}, "fl: false seen; fr: -; rl: -; rr: -"},
		{"a less credible look at the same position", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("felt", "hoses", "burst", false, "fl"))}, "fl: false felt / true seen; fr: -; rl: -; rr: -"},
		{"a named alarm, then all well", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("tested", "hoses", "burst", false))},
			"fl: false tested / true seen; fr: false tested; rl: false tested; rr: false tested; somewhere: false tested"},
		{"all well, then a named alarm", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", false)),
			on("2026-05-02", look("seen", "hoses", "burst", true, "fl"))},
			"fl: true seen; fr: false seen; rl: false seen; rr: false seen; somewhere: false seen"},
		{"all well as tested, then a named alarm by eye", "hoses.burst", []object{
			on("2025-05-02", look("tested", "hoses", "burst", false)),
			on("2026-05-02", look("seen", "hoses", "burst", true, "fl"))},
			"fl: false tested / true seen; fr: false tested; rl: false tested; rr: false tested; somewhere: false tested"},
		{"a named alarm and all well in one report", "hoses.burst", []object{
			on("2026-05-02", look("seen", "hoses", "burst", true, "fl"), look("seen", "hoses", "burst", false))},
			"fl: false seen / true seen; fr: false seen; rl: false seen; rr: false seen; somewhere: false seen"},
		{"a named and an unnamed word that agree", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("tested", "hoses", "burst", true))},
			"fl: true seen+tested; fr: true tested; rl: true tested; rr: true tested; somewhere: true tested"},

		// An alarm of no position is about one that nobody named.
		{"an unnamed alarm, and three named reassurances", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: true seen; somewhere: true seen"},
		{"an unnamed alarm, and four", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: false seen"},
		{"one of the four less credible", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("felt", "hoses", "burst", false, "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: false felt / true seen; somewhere: true seen"},
		{"one of the four by hearsay, against hearsay", "hoses.burst", []object{
			on("2025-05-02", look("told", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("told", "hoses", "burst", false, "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: false told / true told; somewhere: true told"},
		{"one of the four said the same again", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("seen", "hoses", "burst", true, "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: true seen+seen; somewhere: true seen"},
		{"the four are older", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr")),
			on("2026-05-02", look("seen", "hoses", "burst", true))},
			"fl: false seen / true seen; fr: false seen / true seen; rl: false seen / true seen; rr: false seen / true seen; somewhere: true seen"},
		{"the four are of the same report", "hoses.burst", []object{
			on("2026-05-02", look("seen", "hoses", "burst", true), look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"))},
			"fl: false seen / true seen; fr: false seen / true seen; rl: false seen / true seen; rr: false seen / true seen; somewhere: true seen"},
		{"the four are of the same day, in a later report", "hoses.burst", []object{
			on("2026-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: false seen"},
		{"the four are of the same day, in an earlier report", "hoses.burst", []object{
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr")),
			on("2026-05-02", look("seen", "hoses", "burst", true))},
			"fl: false seen / true seen; fr: false seen / true seen; rl: false seen / true seen; rr: false seen / true seen; somewhere: true seen"},
		{"three reassured, and the fourth renewed", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("seen", "hoses", "renewed", "2026-05-01", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: -"},
		{"three reassured, and the fourth renewed, they say", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("told", "hoses", "renewed", "2026-05-01", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: true seen; somewhere: true seen"},
		{"three reassured, and the fourth renewed on the very day of the alarm", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("seen", "hoses", "renewed", "2025-05-02", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: -"},
		{"three reassured, and the fourth renewed before the alarm", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl"), look("seen", "hoses", "renewed", "2025-05-01", "rr"))},
			"fl: false seen; fr: false seen; rl: false seen; rr: true seen; somewhere: true seen"},
		{"said of no position that it is bad and that it is well, and then all are", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true), look("seen", "hoses", "burst", false)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"))},
			"fl: false seen+seen; fr: false seen+seen; rl: false seen+seen; rr: false seen+seen; somewhere: false seen"},
		{"the four were looked at before, and told of since", "hoses.burst", []object{
			on("2026-05-01", look("seen", "hoses", "burst", true)),
			on("2026-05-02", dated(look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"), "2026-04-01"))},
			"fl: false seen / true seen; fr: false seen / true seen; rl: false seen / true seen; rr: false seen / true seen; somewhere: true seen"},
		{"four tyres made since", "tyres.cracked", []object{
			about(on("2019-05-02", look("seen", "tyres", "cracked", true)), "layout", "car"),
			on("2026-05-02", look("seen", "tyres", "code", "1020", "fl", "fr", "rl", "rr"))},
			"fl: true seen; fr: true seen; rl: true seen; rr: true seen; somewhere: true seen"},
		{"a renewal of all, after each was renewed by name long ago", "hoses.renewed", []object{
			on("2020-05-02", look("seen", "hoses", "renewed", "2020-05-01", "fl", "fr", "rl", "rr")),
			on("2026-05-01", look("seen", "hoses", "renewed", "2026-05-01"))},
			"fl: 2020-05-01 seen / 2026-05-01 seen; fr: 2020-05-01 seen / 2026-05-01 seen; rl: 2020-05-01 seen / 2026-05-01 seen; rr: 2020-05-01 seen / 2026-05-01 seen; somewhere: 2026-05-01 seen"},
		{"the same word with and without a position, the unnamed one more credible", "hoses.burst", []object{
			on("2026-05-02", look("tested", "hoses", "burst", true), look("seen", "hoses", "burst", true, "fl"))},
			"fl: true tested+seen; fr: true tested; rl: true tested; rr: true tested; somewhere: true tested"},
		{"all renewed by name", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "renewed", "2026-05-01", "fl", "fr", "rl", "rr"))},
			"fl: -; fr: -; rl: -; rr: -"},
		{"ended of one finding, not of another", "hoses.wet", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true), look("seen", "hoses", "wet", true)),
			on("2026-05-02", look("seen", "hoses", "burst", false, "fl", "fr", "rl", "rr"))},
			"fl: true seen; fr: true seen; rl: true seen; rr: true seen; somewhere: true seen"},

		// Renewals by position.
		{"one renewed", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl", "fr")),
			on("2026-05-02", look("seen", "hoses", "renewed", "2026-05-01", "fl"))}, "fl: -; fr: true seen; rl: -; rr: -"},
		{"renewed, without a word where, overturns nothing that was named", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true, "fl")),
			on("2026-05-02", look("seen", "hoses", "renewed", "2026-05-01"))}, "fl: true seen; fr: -; rl: -; rr: -; somewhere: -"},
		{"alarmed and renewed, without a word where", "hoses.burst", []object{
			on("2025-05-02", look("seen", "hoses", "burst", true)),
			on("2026-05-02", look("seen", "hoses", "renewed", "2026-05-01"))}, "whole: -"},

		// Positions that are counted.
		{"four cylinders", "plugs.fouled", []object{about(on("2026-05-02", look("seen", "plugs", "fouled", true, "pot_2")), four...)}, "pot_1: -; pot_2: true seen; pot_3: -; pot_4: -"},
		{"nobody counted them", "plugs.fouled", []object{on("2026-05-02", look("seen", "plugs", "fouled", true, "pot_2"), look("seen", "plugs", "fouled", false, "pot_5"))}, "pot_2: true seen; pot_5: false seen; others: -"},
		{"nobody counted them, and they were named twice and backwards", "plugs.fouled", []object{on("2026-05-02", look("seen", "plugs", "fouled", true, "pot_5"), look("seen", "plugs", "fouled", false, "pot_2"), look("tested", "plugs", "fouled", true, "pot_5"))}, "pot_2: false seen; pot_5: true tested; others: -"},
		{"nobody counted them, and all are well", "plugs.fouled", []object{
			on("2025-05-02", look("seen", "plugs", "fouled", true, "pot_2")),
			on("2026-05-02", look("tested", "plugs", "fouled", false))}, "pot_2: false tested / true seen; others: false tested; somewhere: false tested"},
		{"nobody counted them, and one is bad somewhere", "plugs.fouled", []object{
			on("2025-05-02", look("seen", "plugs", "fouled", true)),
			on("2026-05-02", look("seen", "plugs", "fouled", false, "pot_1"))}, "pot_1: false seen; others: true seen; somewhere: true seen"},
		{"a cylinder named that a later report says there is not", "plugs.fouled", []object{
			about(on("2025-05-02", look("seen", "plugs", "fouled", true, "pot_6")), "cylinders", 6),
			about(on("2026-05-02"), "cylinders", 2)}, "pot_1: -; pot_2: -"},

		// Positions by the kind of vehicle.
		{"wheels of a motorcycle", "tyres.cracked", []object{about(on("2026-05-02", look("seen", "tyres", "cracked", true, "rear")), "layout", "motorcycle")}, "front: -; rear: true seen"},
		{"wheels of a car", "tyres.cracked", []object{about(on("2026-05-02", look("seen", "tyres", "cracked", true, "fl")), "layout", "car")}, "fl: true seen; fr: -; rl: -; rr: -"},
		{"nobody said which, and a rear wheel is named", "tyres.cracked", []object{on("2026-05-02", look("seen", "tyres", "cracked", true, "rear"))}, "front: -; rear: true seen; side: -"},
		{"nobody said which, and a rear left wheel is named", "tyres.cracked", []object{on("2026-05-02", look("seen", "tyres", "cracked", true, "rl"))}, "fl: -; fr: -; rl: true seen; rr: -"},

		{"nobody said which, and wheels of two kinds are named", "tyres.cracked", []object{on("2026-05-02", look("seen", "tyres", "cracked", true, "rear", "rl"))}, "rear: true seen; fl: -; fr: -; rl: true seen; rr: -"},
		{"of a kind that cannot be, though nobody said which", "tyres.cracked", []object{about(on("2026-05-02", look("seen", "tyres", "cracked", true, "rear")), "drive", "chain")}, "front: -; rear: true seen"},
		{"of a kind that may be", "tyres.cracked", []object{about(on("2026-05-02", look("seen", "tyres", "cracked", true, "rear")), "drive", "belt")}, "front: -; rear: true seen; side: -"},

		// Parts.
		{"the rotor renewed", "cap.burnt", []object{on("2025-05-02", look("seen", "cap", "burnt", true)), on("2026-05-02", partOf(look("seen", "cap", "renewed", "2026-05-01"), "rotor"))}, "whole: -"},
		{"the rotor renewed, the cap not", "cap.tracked", []object{on("2025-05-02", look("seen", "cap", "tracked", true)), on("2026-05-02", partOf(look("seen", "cap", "renewed", "2026-05-01"), "rotor"))}, "whole: true seen"},
		{"the rotor renewed, they say", "cap.burnt", []object{on("2025-05-02", look("seen", "cap", "burnt", true)), on("2026-05-02", partOf(look("told", "cap", "renewed", "2026-05-01"), "rotor"))}, "whole: true seen"},
		{"the rotor renewed before it was burnt", "cap.burnt", []object{on("2025-05-02", look("seen", "cap", "burnt", true)), on("2026-05-02", partOf(look("seen", "cap", "renewed", "2025-05-01"), "rotor"))}, "whole: true seen"},

		// Off and on again.
		{"off at one corner", "hoses.removed", []object{on("2026-05-02", look("seen", "hoses", "removed", true, "fl"))}, "fl: true seen; fr: -; rl: -; rr: -"},
		{"off, and back at that corner", "hoses.removed", []object{on("2025-05-02", look("seen", "hoses", "removed", true, "fl")), on("2026-05-02", look("seen", "hoses", "removed", false, "fl"))}, "fl: false seen; fr: -; rl: -; rr: -"},
		{"what was found waits while it is off", "hoses.burst", []object{on("2025-05-02", look("seen", "hoses", "burst", true)), on("2026-05-02", look("seen", "hoses", "removed", true))}, "whole: true seen"},

		// Who is believed.
		{"just credible, it overturns its like", "belt.frayed", []object{on("2025-05-02", look("felt", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "frayed", false))}, "whole: false felt"},
		{"hearsay does not overturn hearsay", "belt.frayed", []object{on("2025-05-02", look("told", "belt", "frayed", true)), on("2026-05-02", look("told", "belt", "frayed", false))}, "whole: false told / true told"},
		{"just credible, a renewal counts", "belt.frayed", []object{on("2025-05-02", look("tested", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "renewed", "2026-01-01"))}, "whole: -"},
		{"older support that knows more is kept", "belt.frayed", []object{on("2024-05-02", look("tested", "belt", "frayed", true)), on("2025-05-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "frayed", true))}, "whole: true tested+seen+felt"},
		{"older support that knows less is not", "belt.frayed", []object{on("2024-05-02", look("felt", "belt", "frayed", true)), on("2025-05-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("tested", "belt", "frayed", true))}, "whole: true tested"},
		{"of one day, the better method supports it", "belt.frayed", []object{on("2026-05-02", look("seen", "belt", "frayed", true), look("felt", "belt", "frayed", true))}, "whole: true seen"},
		{"a quarrel outlasts who takes one side with less to go by", "belt.frayed", []object{
			on("2025-05-02", look("tested", "belt", "frayed", false)), on("2025-06-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "frayed", false))}, "whole: false tested+felt / true seen"},
		{"a quarrel within one report outlasts a word like one of them", "belt.frayed", []object{
			on("2025-05-02", look("seen", "belt", "frayed", false), look("seen", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "frayed", true))}, "whole: false seen / true seen+felt"},

		{"what was seen and then tested is as good as tested", "belt.frayed", []object{on("2024-05-02", look("felt", "belt", "frayed", true)), on("2025-05-02", look("tested", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "frayed", false))}, "whole: false seen / true tested"},
		{"hearsay adds nothing to what is known", "belt.frayed", []object{on("2025-05-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("told", "belt", "frayed", true))}, "whole: true seen"},
		{"nor to what is just known", "belt.frayed", []object{on("2025-05-02", look("felt", "belt", "frayed", true)), on("2026-05-02", look("told", "belt", "frayed", true))}, "whole: true felt"},
		{"what is known takes the place of hearsay", "belt.frayed", []object{on("2025-05-02", look("told", "belt", "frayed", true)), on("2026-05-02", look("felt", "belt", "frayed", true))}, "whole: true felt"},
		{"another finding between", "belt.frayed", []object{on("2025-05-02", look("seen", "belt", "judged", "worn"), look("seen", "belt", "frayed", true)), on("2026-05-02", look("told", "belt", "frayed", false), look("seen", "belt", "judged", "sound"))}, "whole: false told / true seen"},
		{"reports that tell of one day, in the order in which they were made", "belt.frayed", []object{on("2026-05-01", dated(look("seen", "belt", "frayed", false), "2026-04-01")), on("2026-05-02", dated(look("seen", "belt", "frayed", true), "2026-04-01"))}, "whole: true seen"},
		{"the same, the other way about", "belt.frayed", []object{on("2026-05-01", dated(look("seen", "belt", "frayed", true), "2026-04-01")), on("2026-05-02", dated(look("seen", "belt", "frayed", false), "2026-04-01"))}, "whole: false seen"},
		{"several findings of several days", "belt.frayed", []object{on("2026-05-02", look("seen", "belt", "judged", "worn"), look("told", "belt", "frayed", true), dated(look("seen", "belt", "judged", "sound"), "2026-04-01"), dated(look("seen", "belt", "frayed", false), "2026-04-01"))}, "whole: false seen / true told"},
		{"reports of one day in the order in which they came", "belt.frayed", []object{on("2026-05-02", look("seen", "belt", "frayed", false)), on("2026-05-02", look("seen", "belt", "frayed", true))}, "whole: true seen"},

		// When a renewal supersedes.
		{"renewed this year, said of a day before the look in a later report", "belt.frayed", []object{on("2026-05-01", look("seen", "belt", "frayed", true)), on("2026-05-02", dated(look("seen", "belt", "renewed", "2026"), "2026-04-01"))}, "whole: true seen"},
		{"made since the look, and renewed before it", "tyres.cracked", []object{on("2019-05-02", look("seen", "tyres", "cracked", true), look("seen", "tyres", "renewed", "2018")), on("2026-05-02", look("seen", "tyres", "code", "1020"))}, "whole: true seen"},
		{"renewed on the day of the look", "belt.frayed", []object{on("2025-05-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025-05-02"))}, "whole: -"},
		{"renewed the day before", "belt.frayed", []object{on("2025-05-02", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025-05-01"))}, "whole: true seen"},
		{"renewed in the month of the look", "belt.frayed", []object{on("2025-05-31", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025-05"))}, "whole: -"},
		{"renewed in the month before", "belt.frayed", []object{on("2025-06-01", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025-05"))}, "whole: true seen"},
		{"renewed in the year of the look", "belt.frayed", []object{on("2025-12-31", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025"))}, "whole: -"},
		{"renewed in the year before", "belt.frayed", []object{on("2026-01-01", look("seen", "belt", "frayed", true)), on("2026-05-02", look("seen", "belt", "renewed", "2025"))}, "whole: true seen"},
		{"renewed this year, and looked at since in a report between", "belt.frayed", []object{on("2026-03-01", look("seen", "belt", "renewed", "2026")), on("2026-05-02", look("seen", "belt", "frayed", true))}, "whole: true seen"},
		{"renewed this year, by a report that came before the look was told of", "belt.frayed", []object{on("2026-03-01", look("seen", "belt", "renewed", "2026")), on("2026-05-02", dated(look("seen", "belt", "frayed", true), "2026-02-01"))}, "whole: true seen"},
		{"in one report, the look before the renewal", "belt.frayed", []object{on("2026-05-02", dated(look("seen", "belt", "frayed", true), "2026-03-31"), look("seen", "belt", "renewed", "2026-04-01"))}, "whole: -"},
		{"in one report, both of one day", "belt.frayed", []object{on("2026-05-02", dated(look("seen", "belt", "frayed", true), "2026-04-01"), look("seen", "belt", "renewed", "2026-04-01"))}, "whole: true seen"},
		{"in one report, the look in the month of the renewal", "belt.frayed", []object{on("2026-05-02", dated(look("seen", "belt", "frayed", true), "2026-04-15"), look("seen", "belt", "renewed", "2026-04"))}, "whole: true seen"},
		{"two renewals in one report", "belt.renewed", []object{on("2026-05-02", look("seen", "belt", "renewed", "2024-04-01"), look("seen", "belt", "renewed", "2026-04-01"))}, "whole: 2024-04-01 seen / 2026-04-01 seen"},
		{"a renewal after another", "belt.renewed", []object{on("2025-05-02", look("seen", "belt", "renewed", "2024-04-01")), on("2026-05-02", look("seen", "belt", "renewed", "2026-04-01"))}, "whole: 2026-04-01 seen"},
		{"a renewal, they say, after another", "belt.renewed", []object{on("2025-05-02", look("seen", "belt", "renewed", "2024-04-01")), on("2026-05-02", look("told", "belt", "renewed", "2026-04-01"))}, "whole: 2024-04-01 seen / 2026-04-01 told"},

		// Ages.
		{"an age has grown", "belt.age", []object{on("2024-05-02", look("seen", "belt", "age", years(11))), on("2026-05-02")}, `whole: {"value":13,"unit":"a"} seen`},
		{"ages less than a year apart, the greater", "belt.age", []object{on("2026-05-02", look("documented", "belt", "age", years(10.5)), look("seen", "belt", "age", years(11)))}, `whole: {"value":11,"unit":"a"} documented`},
		{"hearsay makes an age no greater", "belt.age", []object{on("2026-05-02", look("documented", "belt", "age", years(10.5)), look("told", "belt", "age", years(11)))}, `whole: {"value":10.5,"unit":"a"} documented`},
		{"nor does it where it came first", "belt.age", []object{on("2025-05-02", look("told", "belt", "age", years(10))), on("2026-05-02", look("documented", "belt", "age", years(10.5)))}, `whole: {"value":10.5,"unit":"a"} documented`},
		{"two words of hearsay, the greater", "belt.age", []object{on("2026-05-02", look("told", "belt", "age", years(10.5)), look("told", "belt", "age", years(11)))}, `whole: {"value":11,"unit":"a"} told`},
		{"the greater first, and then the less", "belt.age", []object{on("2026-05-02", look("documented", "belt", "age", years(11))), on("2026-05-02", look("documented", "belt", "age", years(10.5)))}, `whole: {"value":11,"unit":"a"} documented`},
		{"the greater first, and then the less by who knows more", "belt.age", []object{on("2026-05-02", look("seen", "belt", "age", years(11))), on("2026-05-02", look("tested", "belt", "age", years(10.5)))}, `whole: {"value":11,"unit":"a"} tested`},
		{"hearsay, the greater first", "belt.age", []object{on("2026-05-02", look("told", "belt", "age", years(11))), on("2026-05-02", look("told", "belt", "age", years(10.5)))}, `whole: {"value":11,"unit":"a"} told`},
		{"hearsay first, and then the less by who knows", "belt.age", []object{on("2026-05-02", look("told", "belt", "age", years(11))), on("2026-05-02", look("documented", "belt", "age", years(10.5)))}, `whole: {"value":10.5,"unit":"a"} documented`},
		{"just credible, it may make an age greater", "belt.age", []object{on("2026-05-02", look("documented", "belt", "age", years(10.5)), look("felt", "belt", "age", years(11)))}, `whole: {"value":11,"unit":"a"} documented`},
		{"a year apart they quarrel", "belt.age", []object{on("2026-05-02", look("seen", "belt", "age", years(10)), look("seen", "belt", "age", years(11)))}, `whole: {"value":10,"unit":"a"} seen / {"value":11,"unit":"a"} seen`},
		{"of many the least and the greatest", "belt.age", []object{on("2026-05-02", look("seen", "belt", "age", years(3)), look("seen", "belt", "age", years(11)), look("seen", "belt", "age", years(7)))}, `whole: {"value":3,"unit":"a"} seen / {"value":11,"unit":"a"} seen`},
		{"of many the least and the greatest by each method", "belt.age", []object{on("2026-05-02", look("seen", "belt", "age", years(3)), look("seen", "belt", "age", years(11)), look("tested", "belt", "age", years(7)), look("tested", "belt", "age", years(5)), look("tested", "belt", "age", years(9)))},
			`whole: {"value":3,"unit":"a"} seen / {"value":5,"unit":"a"} tested / {"value":9,"unit":"a"} tested / {"value":11,"unit":"a"} seen`},
		{"a renewal says an age", "belt.age", []object{on("2026-05-02", look("seen", "belt", "renewed", "2024-05-02"))}, `whole: {"value":2,"unit":"a"} seen`},
		{"a part renewed says none", "cap.age", []object{on("2026-05-02", partOf(look("seen", "cap", "renewed", "2024-05-02"), "rotor"))}, "whole: -"},
		{"a week code says an age", "tyres.age", []object{on("2026-03-02", look("seen", "tyres", "code", "1020"))}, `whole: {"value":6,"unit":"a"} seen`},
	} {
		t.Run(c.name, func(t *testing.T) {
			item, finding, _ := strings.Cut(c.of, ".")
			if got := everywhere(t, laid(t, c.reports...), item, finding); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// bounds writes what is known of the numbers of a place, to a hundredth.
func bounds(p *report.Place) string {
	of := func(i report.Interval) string {
		number := func(v float64) string {
			if math.IsInf(v, 1) {
				return "?"
			}
			return strings.TrimSuffix(strings.TrimSuffix(fmt.Sprintf("%.2f", v), "0"), ".0")
		}
		return number(i.Low) + ".." + number(i.High)
	}
	return fmt.Sprintf("age %s, unvouched %s, laid up %s, there %s, driven %s", of(p.Age), of(p.Unvouched), of(p.LaidUp), of(p.SinceBuilt), of(p.Driven))
}

func TestAgesAreIntervals(t *testing.T) {
	old := []any{"built", "1996-05-02", "last_ran", "2018-05-02"}
	for _, c := range []struct {
		name, of string // an item, or an item and a place
		reports  []object
		want     string
	}{
		{"nothing is known", "belt", []object{on("2026-05-02")}, "age 0..?, unvouched 0..?, laid up 0..?, there 0..?, driven 0..?"},
		{"laid up and built", "belt", []object{about(on("2026-05-02"), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"laid up alone", "belt", []object{about(on("2026-05-02"), "last_ran", "2018-05-02")}, "age 8..?, unvouched 8..?, laid up 8..8, there 0..?, driven 0..?"},
		{"built alone", "belt", []object{about(on("2026-05-02"), "built", "1996-05-02")}, "age 0..30, unvouched 0..30, laid up 0..30, there 30..30, driven 0..?"},
		{"both by the year", "belt", []object{about(on("2026-01-01"), "built", "1996", "last_ran", "2018")}, "age 7..30, unvouched 7..30, laid up 7..8, there 29..30, driven 0..?"},
		{"laid up in the year it was built", "belt", []object{about(on("2026-01-01"), "built", "2018-06", "last_ran", "2018")}, "age 7..7.59, unvouched 7..7.59, laid up 7..8, there 7.51..7.59, driven 0..?"},
		{"the longest lay-up on file", "belt", []object{about(on("2025-05-02"), "last_ran", "2018-05-02"), about(on("2026-05-02"), "last_ran", "2025-06-01")}, "age 8..?, unvouched 8..?, laid up 8..8, there 0..?, driven 0..?"},
		{"the longest, told last", "belt", []object{about(on("2025-05-02"), "last_ran", "2024-05-02"), about(on("2026-05-02"), "last_ran", "2018-05-02")}, "age 8..?, unvouched 8..?, laid up 8..8, there 0..?, driven 0..?"},
		{"the newest word on when it was built", "belt", []object{about(on("2025-05-02"), "built", "1990-05-02"), about(on("2026-05-02"), "built", "1996-05-02")}, "age 0..30, unvouched 0..30, laid up 0..30, there 30..30, driven 0..?"},
		{"built and laid up this year", "belt", []object{about(on("2026-07-02"), "built", "2026", "last_ran", "2026")}, "age 0..0.5, unvouched 0..0.5, laid up 0..0.5, there 0..0.5, driven 0..?"},
		{"laid up before it was built, by two reports", "belt", []object{about(on("2025-05-02"), "last_ran", "2018-05-02"), about(on("2026-05-02"), "built", "2020-05-02")}, "age 8..8, unvouched 8..8, laid up 8..8, there 6..6, driven 0..?"},
		{"distance", "belt", []object{about(on("2026-05-02"), "odometer", 50000)}, "age 0..?, unvouched 0..?, laid up 0..?, there 0..?, driven 50000..50000"},

		{"an age on paper", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(11))), old...)}, "age 11..11, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age, they say", "belt", []object{about(on("2026-05-02", look("told", "belt", "age", years(11))), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age just credible", "belt", []object{about(on("2026-05-02", look("felt", "belt", "age", years(11))), old...)}, "age 11..11, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age below the lay-up, on paper, says that it was renewed", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(3))), old...)}, "age 3..3, unvouched 3..3, laid up 3..3, there 3..3, driven 0..?"},
		{"an age at the lay-up says nothing of the kind", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(8))), old...)}, "age 8..8, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age below the lay-up, they say", "belt", []object{about(on("2026-05-02", look("told", "belt", "age", years(3))), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age below the lay-up, with a renewal", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(3)), look("documented", "belt", "renewed", "2023-05-02")), old...)}, "age 3..3, unvouched 3..3, laid up 3..3, there 3..3, driven 0..?"},
		{"an age below the lay-up and a renewal, they say", "belt", []object{about(on("2026-05-02", look("told", "belt", "age", years(3)), look("told", "belt", "renewed", "2023-05-02")), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"old stock fitted late", "tyres", []object{about(on("2026-03-02", look("seen", "tyres", "code", "1020"), look("seen", "tyres", "renewed", "2025-03-02")), old...)}, "age 1..6, unvouched 1..1, laid up 1..1, there 1..1, driven 0..?"},
		{"two ages that quarrel", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(11)), look("seen", "belt", "age", years(14))), old...)}, "age 11..14, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age on paper and another, they say", "belt", []object{about(on("2026-05-02", look("documented", "belt", "age", years(11)), look("told", "belt", "age", years(14))), old...)}, "age 11..11, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"an age and a lay-up of nothing known", "belt", []object{on("2026-05-02", look("documented", "belt", "age", years(3)))}, "age 3..3, unvouched 0..?, laid up 0..?, there 0..?, driven 0..?"},

		{"renewed on a day", "belt", []object{about(on("2026-05-02", look("documented", "belt", "renewed", "2016-05-02")), old...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 0..?"},
		{"renewed in a month", "belt", []object{about(on("2026-05-01", look("documented", "belt", "renewed", "2024-05")), old...)}, "age 1.92..2, unvouched 1.92..2, laid up 1.92..2, there 1.92..2, driven 0..?"},
		{"renewed in a year", "belt", []object{about(on("2026-01-01", look("documented", "belt", "renewed", "2024")), old...)}, "age 1..2, unvouched 1..2, laid up 1..2, there 1..2, driven 0..?"},
		{"renewed this year, by a report of a while ago", "belt", []object{about(on("2026-03-02", look("documented", "belt", "renewed", "2026")), old...), on("2026-07-02")}, "age 0.33..0.5, unvouched 0.33..0.5, laid up 0.33..0.5, there 0.33..0.5, driven 0..?"},
		{"renewed this year: not later than the report", "belt", []object{about(on("2026-07-02", look("documented", "belt", "renewed", "2026")), old...)}, "age 0..0.5, unvouched 0..0.5, laid up 0..0.5, there 0..0.5, driven 0..?"},
		{"renewed today", "belt", []object{about(on("2026-05-02", look("documented", "belt", "renewed", "2026-05-02")), old...)}, "age 0..0, unvouched 0..0, laid up 0..0, there 0..0, driven 0..0"},
		{"renewed, they say", "belt", []object{about(on("2026-05-02", look("told", "belt", "renewed", "2024-05-02")), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"a code and an age that agree", "tyres", []object{about(on("2026-03-02", look("seen", "tyres", "code", "1020"), look("documented", "tyres", "age", years(5.5))), old...)}, "age 6..6, unvouched 5.5..5.5, laid up 5.5..5.5, there 5.5..5.5, driven 0..?"},
		{"renewed twice, the later counts", "belt", []object{about(on("2025-05-02", look("seen", "belt", "renewed", "2024-05-02")), old...), on("2026-05-02", look("seen", "belt", "renewed", "2020-05-02"))}, "age 2..2, unvouched 2..2, laid up 2..2, there 2..2, driven 0..?"},
		{"a part renewed makes nothing younger", "cap", []object{about(on("2026-05-02", partOf(look("seen", "cap", "renewed", "2024-05-02"), "rotor")), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"renewed in a year, after a look in it", "belt", []object{
			about(on("2024-07-01", look("seen", "belt", "frayed", true)), old...), on("2026-01-01", look("seen", "belt", "renewed", "2024"))}, "age 1..1.5, unvouched 1..1.5, laid up 1..1.5, there 1..1.5, driven 0..?"},
		{"renewed in a year, after a look before it", "belt", []object{
			about(on("2023-07-01", look("seen", "belt", "frayed", true)), old...), on("2026-01-01", look("seen", "belt", "renewed", "2024"))}, "age 1..2, unvouched 1..2, laid up 1..2, there 1..2, driven 0..?"},
		{"renewed at one corner", "hoses fl", []object{about(on("2026-05-02", look("seen", "hoses", "renewed", "2024-05-02", "fl")), old...)}, "age 2..2, unvouched 2..2, laid up 2..2, there 2..2, driven 0..?"},
		{"its twin", "hoses fr", []object{about(on("2026-05-02", look("seen", "hoses", "renewed", "2024-05-02", "fl")), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},
		{"a week code", "tyres", []object{about(on("2026-03-02", look("seen", "tyres", "code", "1020")), old...)}, "age 6..6, unvouched 6..6, laid up 6..6, there 6..6, driven 0..?"},
		{"a week code, they say", "tyres", []object{about(on("2026-05-02", look("told", "tyres", "code", "1020")), old...)}, "age 8..30, unvouched 8..30, laid up 8..8, there 30..30, driven 0..?"},

		// Distance since the renewal.
		{"renewed before the lay-up, one reading", "belt", []object{about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 0..50000"},
		{"a reading before the renewal", "belt", []object{about(on("2015-05-02"), "odometer", 40000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 0..10000"},
		{"a reading after it too", "belt", []object{about(on("2015-05-02"), "odometer", 40000), about(on("2017-05-02"), "odometer", 46000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 4000..10000"},
		{"a reading on the day", "belt", []object{about(on("2016-05-02"), "odometer", 45000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 5000..5000"},
		{"renewed in a year, readings in it", "belt", []object{about(on("2016-05-02"), "odometer", 45000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016")), append(old, "odometer", 50000)...)}, "age 9.33..10.33, unvouched 9.33..10.33, laid up 8..8, there 9.33..10.33, driven 0..50000"},
		{"renewed while it stood", "belt", []object{about(on("2026-05-02", look("seen", "belt", "renewed", "2020-05-02")), append(old, "odometer", 50000)...)}, "age 6..6, unvouched 6..6, laid up 6..6, there 6..6, driven 0..0"},
		{"renewed on the day it was laid up", "belt", []object{about(on("2026-05-02", look("seen", "belt", "renewed", "2018-05-02")), append(old, "odometer", 50000)...)}, "age 8..8, unvouched 8..8, laid up 8..8, there 8..8, driven 0..0"},
		{"renewed, and nobody says how long it stood", "belt", []object{about(on("2026-05-02", look("seen", "belt", "renewed", "2020-05-02")), "odometer", 50000)}, "age 6..6, unvouched 6..6, laid up 0..6, there 0..6, driven 0..50000"},
		{"a clock that went back long ago", "belt", []object{about(on("2014-05-02"), "odometer", 45000), about(on("2015-05-02"), "odometer", 40000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 0..5000"},
		{"a clock that went back", "belt", []object{about(on("2015-05-02"), "odometer", 60000), about(on("2026-05-02", look("seen", "belt", "renewed", "2016-05-02")), append(old, "odometer", 50000)...)}, "age 10..10, unvouched 10..10, laid up 8..8, there 10..10, driven 0..0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			item, place, _ := strings.Cut(c.of, " ")
			it := shed().Item(item)
			places := laid(t, c.reports...).Places(it)
			i := 0
			if place != "" {
				i = slices.IndexFunc(places, func(p report.Place) bool { return placeName(it, p.Position) == place })
			}
			if got := bounds(&places[i]); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestWhatWasNeverFitted(t *testing.T) {
	for _, c := range []struct {
		name    string
		reports []object
		want    string
	}{
		{"nobody says so", []object{on("2026-05-02")}, ""},
		{"seen", []object{on("2026-05-02", never("belt", "seen"))}, "reported, never fitted"},
		{"just credible", []object{on("2026-05-02", never("belt", "felt"))}, "reported, never fitted"},
		{"told", []object{on("2026-05-02", never("belt", "told"))}, "reported"},
		{"seen, and found before", []object{on("2025-05-02", look("seen", "belt", "frayed", false)), on("2026-05-02", never("belt", "seen"))}, "reported, conflict"},
		{"seen, and found since", []object{on("2025-05-02", never("belt", "seen")), on("2026-05-02", look("seen", "belt", "frayed", false))}, "reported, conflict"},
		{"seen, and said to have been found", []object{on("2025-05-02", look("told", "belt", "frayed", false)), on("2026-05-02", never("belt", "seen"))}, "reported, never fitted"},
		{"told, and found", []object{on("2025-05-02", look("seen", "belt", "frayed", false)), on("2026-05-02", never("belt", "told"))}, "reported"},
		{"seen, and found at a position of another item", []object{on("2026-05-02", look("seen", "belt", "frayed", false), look("seen", "hoses", "burst", true, "fl"), look("tested", "hoses", "burst", false)), on("2026-05-02", never("belt", "seen"), never("hoses", "seen"))}, "reported, conflict"},
		{"of another item", []object{on("2026-05-02", never("cap", "seen"), look("seen", "belt", "frayed", false))}, "reported"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := laid(t, c.reports...)
			known := d.Items[shed().Item("belt").Index]
			var got []string
			if known.Reported {
				got = append(got, "reported")
			}
			if known.NotFitted {
				got = append(got, "never fitted")
			}
			for _, q := range d.Conflicts {
				if q.Standing == nil && q.At == report.Whole && q.Item.ID == "belt" {
					got = append(got, "conflict")
				}
			}
			if strings.Join(got, ", ") != c.want {
				t.Errorf("got %v, want %s", got, c.want)
			}
		})
	}
}

func TestFactsThatAreTaken(t *testing.T) {
	for _, c := range []struct {
		name    string
		facts   []any
		drive   string
		taken   bool
		applies bool
	}{
		{"told", []any{"layout", "motorcycle", "drive", "belt"}, "belt", false, true},
		{"taken", []any{"layout", "motorcycle"}, "chain", true, false},
		{"the first that holds", []any{"layout", "motorcycle", "cylinders", 8}, "chain", true, false},
		{"the second", []any{"layout", "car", "cylinders", 8}, "belt", true, true},
		{"none holds", []any{"layout", "car", "cylinders", 6}, "", false, true},
		{"one of its parts was looked at", []any{"layout", "car", "chain", "seen"}, "chain", true, false},
		{"one of its parts was never fitted", []any{"layout", "car", "chain", "never"}, "", false, true},
		{"what would decide is not known", nil, "", false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			report := on("2026-05-02")
			if n := len(c.facts); n > 0 && c.facts[n-2] == "chain" {
				chain := look("seen", "chain", "slack", true)
				if c.facts[n-1] == "never" {
					chain = never("chain", "seen")
				}
				report, c.facts = on("2026-05-02", chain), c.facts[:n-2]
			}
			d := laid(t, on("2025-05-02", look("seen", "belt", "frayed", true)), about(report, c.facts...))
			fact := shed().Fact("vehicle", "drive")
			drive := ""
			if d.Frame.Known(fact.Slot) {
				drive = fact.Values[int(d.Frame[fact.Slot])]
			}
			if drive != c.drive || slices.Contains(d.Taken, fact) != c.taken || len(d.Taken) > 1 {
				t.Errorf("it is %q, taken are %v", drive, d.Taken)
			}
			if misplaced := slices.Contains(d.Misplaced, shed().Item("belt")); misplaced == c.applies || d.Items[shed().Item("belt").Index].Reported != c.applies {
				t.Errorf("misplaced: %v", misplaced)
			}
		})
	}
}

// A workspace that was used for another dossier gives the same as a new one.
func TestAWorkspaceForgets(t *testing.T) {
	reports := func(all ...object) (list []*report.Report) {
		for _, o := range all {
			r, _, faults := report.Decode(marshal(t, o), shed())
			if len(faults) > 0 {
				t.Fatal(faults)
			}
			list = append(list, r)
		}
		return list
	}
	dossiers := [][]*report.Report{
		reports(about(on("2026-05-02", look("seen", "hoses", "burst", true, "fl"), never("belt", "seen"), look("seen", "tyres", "code", "1020")), "built", "1996", "last_ran", "2018", "odometer", 50000, "layout", "car", "cylinders", 8)),
		reports(on("2025-05-02", look("seen", "cap", "burnt", true))),
		reports(on("2025-05-02", look("seen", "belt", "frayed", true)), on("2025-06-02", look("told", "belt", "frayed", false)), about(on("2026-05-02", look("seen", "hoses", "burst", false)), "drive", "chain")),
		reports(on("2025-05-02")),
		reports(about(on("2015-05-02"), "odometer", 40000), about(on("2026-05-02", look("seen", "cap", "renewed", "2016-05-02")), "odometer", 50000)),
		reports(about(on("2026-05-02", look("seen", "cap", "renewed", "2016-05-02")), "odometer", 60000)),
	}
	var used report.Workspace
	for round := range 2 {
		for i, r := range dossiers {
			want := text(report.Lay(r, shed(), sufficient))
			if got := text(used.Lay(r, shed(), sufficient)); got != want {
				t.Errorf("round %d, dossier %d:\n%s\nwant\n%s", round, i, got, want)
			}
		}
	}
}

func TestCredenceAges(t *testing.T) {
	d := laid(t, on("2023-05-02", look("seen", "belt", "frayed", false)), on("2026-05-02", look("felt", "belt", "frayed", false)))
	v := &d.Standing(shed().Item("belt").Find("frayed")).Values[0]
	if v.Alarms() != 0.9 || v.AtMost() != 20 || v.On() != day(t, "2023-05-02") {
		t.Errorf("alarms %v, at most %v, on %s", v.Alarms(), v.AtMost(), v.On())
	}
	for _, c := range []struct {
		name           string
		since, asOf    string
		halfLife, want float64
	}{
		{"0.86 * 0.5^1.5 is less than what was felt today", "0001-01-01", "2026-05-02", 2, 0.8},
		{"by a half-life of thirty years it is more", "0001-01-01", "2026-05-02", 30, 0.86 * math.Pow(0.5, 0.1)},
		{"on the day itself nothing has aged", "0001-01-01", "2023-05-02", 2, 0.86},
		{"what was felt a year ago has aged too", "0001-01-01", "2027-05-02", 1, 0.4},
		{"the look was on the day from which it counts", "2023-05-02", "2026-05-02", 30, 0.86 * math.Pow(0.5, 0.1)},
		{"the look was the day before", "2023-05-03", "2026-05-02", 30, 0.8},
		{"nothing since", "2026-05-03", "2026-05-02", 30, 0},
	} {
		if got := v.ReassuresSince(day(t, c.since), day(t, c.asOf), c.halfLife); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	if got := v.Reassures(d.AsOf, 30); math.Abs(got-0.86*math.Pow(0.5, 0.1)) > 1e-12 {
		t.Errorf("by any look it reassures by %v", got)
	}
	again := laid(t, on("2023-05-02", look("seen", "belt", "frayed", false)), on("2026-05-02", look("seen", "belt", "frayed", false)))
	if w := again.Standing(shed().Item("belt").Find("frayed")).Values[0]; w.On() != day(t, "2026-05-02") {
		t.Errorf("of two looks the newer is of %s", w.On())
	}
	if d.Standing(nil) != nil || d.Standing(shed().Fact("vehicle", "built")) != nil {
		t.Error("something stands of what is found on no item")
	}
}

// What a vehicle is called is what the newest report calls it; built and laid up are counted to the day on
// which what is known came in.
func TestFactsThatTheNewestReportTells(t *testing.T) {
	d := laid(t, on("2025-05-02"), about(on("2026-05-02"), "vin", "ABC", "description", "a van"))
	if d.Vehicle.VIN != "ABC" || d.Vehicle.Description != "a van" {
		t.Errorf("the vehicle is %+v", d.Vehicle)
	}
	r, _, faults := report.Decode(marshal(t, about(on("2026-05-02"), "built", "2026-05-02", "last_ran", "2026-05-02")), shed())
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	r.CameIn(day(t, "2026-05-01"))
	ahead := report.Lay([]*report.Report{r}, shed(), sufficient)
	if zero := (report.Interval{}); ahead.SinceBuilt != zero || ahead.LaidUp != zero {
		t.Errorf("built %v, laid up %v", ahead.SinceBuilt, ahead.LaidUp)
	}
	frame := laid(t, about(on("2025-05-02"), "built", "2010-05-02", "last_ran", "2018"), about(on("2026-05-02"), "last_ran", "2026-03")).Frame
	cat := shed()
	if ran := frame[cat.Fact("lay_up", "last_ran").Slot]; ran != float64(day(t, "2018-01-01")) {
		t.Errorf("it last ran on %v", ran)
	}
	if built := frame[cat.YearsSinceBuilt]; built != 16 {
		t.Errorf("built %v years ago", built)
	}
}
