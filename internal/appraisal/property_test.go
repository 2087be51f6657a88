package appraisal_test

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"slices"
	"testing"

	"laidup/internal/appraisal"
	"laidup/internal/builtin"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
	"laidup/schema"

	"pgregory.net/rapid"
)

// wild draws the reports of a vehicle: any items, findings, positions and methods, in agreement or not.
func wild(t *rapid.T, set *ruleset.Set) []object {
	var list []object
	for i := range rapid.IntRange(1, 3).Draw(t, "reports") {
		r := reportOn(fmt.Sprintf("2026-0%d-15", i+3))
		r["vehicle"] = object{"reference": "drawn"}
		if rapid.Bool().Draw(t, "facts are known") {
			r["vehicle"] = object{"reference": "drawn", "built": "2010", "cylinders": 4}
			r["lay_up"] = object{"last_ran": fmt.Sprint(rapid.IntRange(2012, 2025).Draw(t, "ran last in"))}
		}
		var all []object
		for _, it := range set.Catalogue.Items {
			for range rapid.IntRange(0, 2).Draw(t, it.ID) {
				all = append(all, drawn(t, set, it))
			}
		}
		r["observations"] = fitting(t, set, r, all)
		list = append(list, r)
	}
	return list
}

// drawn draws an observation on an item.
func drawn(t *rapid.T, set *ruleset.Set, it *catalogue.Item) object {
	m := rapid.SampledFrom(set.Catalogue.Methods).Draw(t, "method")
	o := observation(it.ID, m.ID, object{})
	for range rapid.IntRange(1, 2).Draw(t, "findings") {
		f := rapid.SampledFrom(it.Finds).Draw(t, "finding")
		o["found"].(object)[f.ID] = value(t, f)
	}
	if len(it.Positions) > 0 && rapid.Bool().Draw(t, "says where") {
		o["at"] = []string{it.Positions[rapid.IntRange(0, 3).Draw(t, "where")].ID}
	}
	return o
}

func value(t *rapid.T, f *catalogue.Finding) any {
	switch f.Kind {
	case catalogue.Flag:
		return rapid.Bool().Draw(t, f.ID)
	case catalogue.Choice:
		return rapid.SampledFrom(f.Values).Draw(t, f.ID)
	case catalogue.Count:
		return rapid.IntRange(int(max(f.Min, 0)), int(min(f.Max, 30))).Draw(t, f.ID)
	case catalogue.Quantity:
		return object{"value": rapid.IntRange(int(max(f.Min, 0)), int(min(f.Max, 30))).Draw(t, f.ID), "unit": f.Unit.Code}
	case catalogue.Date:
		return fmt.Sprint(rapid.IntRange(2011, 2025).Draw(t, f.ID))
	}
	return "words"
}

// fitting leaves the observations with which a report is valid.
func fitting(t *rapid.T, set *ruleset.Set, r object, all []object) []object {
	kept := []object{}
	for _, o := range all {
		trial := maps.Clone(r)
		trial["observations"] = append(slices.Clone(kept), o)
		data, err := json.Marshal(trial)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, faults := report.Decode(data, set.Catalogue); len(faults) == 0 {
			kept = append(kept, o)
		}
	}
	return kept
}

func TestAnAppraisalIsNeverBetterThanItsAssessment(t *testing.T) {
	t.Parallel()
	scorer, s := score.New(loaded(t, "garage.yaml")), answerSchema(t, "appraisal")
	rapid.Check(t, func(t *rapid.T) {
		a, p := appraised(t, scorer, wild(t, scorer.RuleSet())...)
		isOf(t, s, "drawn", encoded(t, p))
		r := p.Risk
		for i, g := range a.Gates {
			if p.Gates[i].ChanceThrough != g.ChanceThrough || p.Gates[i].State != g.State || r.ChanceOfHarm < 1e10-g.ChanceThrough {
				t.Fatalf("%s: %+v of %+v, harm %v", g.Gate, p.Gates[i], g, r.ChanceOfHarm.Float())
			}
		}
		if r.WithoutTheWord < r.ChanceOfHarm {
			t.Fatalf("%v without the word, %v with it", r.WithoutTheWord.Float(), r.ChanceOfHarm.Float())
		}
		if r.ChanceOfHarmHigh > 0 && (r.ChanceOfHarmLow > r.ChanceOfHarm || r.ChanceOfHarmHigh < r.ChanceOfHarm) {
			t.Fatalf("%v is not from %v to %v", r.ChanceOfHarm.Float(), r.ChanceOfHarmLow.Float(), r.ChanceOfHarmHigh.Float())
		}
		if sum := r.RestsOn.Found + r.RestsOn.Told + r.RestsOn.Unknown; sum != 1e10 && !(sum == 0 && r.ChanceOfHarm == 0) {
			t.Fatalf("shares add up to %v", sum.Float())
		}
		for _, s := range r.BySeverity {
			if s.Chance == 0 || (s.Severity == "critical" || s.Severity == "catastrophic") && s.Chance > r.ChanceOfHarm {
				t.Fatalf("%s: %v, of any harm %v", s.Severity, s.Chance.Float(), r.ChanceOfHarm.Float())
			}
		}
		// No hazard is left out, and none alone is likelier than all together.
		if len(r.Hazards) != len(a.Register) {
			t.Fatalf("%d hazards of %d", len(r.Hazards), len(a.Register))
		}
		for _, h := range r.Hazards {
			if harm := h.Severity == "critical" || h.Severity == "catastrophic"; harm && h.Probability > r.ChanceOfHarm+10 {
				t.Fatalf("%s is likelier (%v) than any harm at all (%v)", h.Hazard, h.Probability.Float(), r.ChanceOfHarm.Float())
			}
			if h.Because == "" {
				t.Fatalf("%s rests on %s without a reason", h.Hazard, h.RestsOn)
			}
		}
	})
}

func TestTheUnknownIsNeverCalledFound(t *testing.T) {
	t.Parallel()
	scorer := score.New(loaded(t, "garage.yaml"))
	rapid.Check(t, func(t *rapid.T) {
		a, p := appraised(t, scorer, wild(t, scorer.RuleSet())...)
		for i, e := range a.Register {
			if h := p.Risk.Hazards[i]; h.RestsOn != e.RestsOn {
				t.Fatalf("%s rests on %s and is said to rest on %s", e.Hazard, e.RestsOn, h.RestsOn)
			}
		}
		unproven := map[string]bool{}
		for _, b := range a.BlockersBy(p.Gate) {
			if b.Kind == "unproven" && b.Reason.Code != score.ReasonFactUnknown {
				unproven[b.Item] = true
			}
		}
		if p.Unknown.Items != len(unproven) {
			t.Fatalf("%d items are unknown, %d have a proof missing", p.Unknown.Items, len(unproven))
		}
		minutes, items := score.Number(0), 0
		for _, c := range p.Unknown.ByAccess {
			minutes, items = minutes+c.Minutes, items+c.Items
		}
		if minutes != p.Unknown.Minutes || items != p.Unknown.Items {
			t.Fatalf("%+v does not add up", p.Unknown)
		}
		if c := p.Coverage; c.Applying != a.Coverage.Applying || c.LookedAt != a.Coverage.LookedAt || c.ToldOnly+c.Measured+c.Seen != c.LookedAt {
			t.Fatalf("coverage %+v of %+v", c, a.Coverage)
		}
	})
}

// What is stored says as much as what was just worked out.
func TestAnAppraisalOfAStoredAssessment(t *testing.T) {
	t.Parallel()
	scorer := score.New(loaded(t, "garage.yaml"))
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, scorer.RuleSet())
		a, p := appraised(t, scorer, objects...)
		var stored score.Assessment
		if err := json.Unmarshal(encoded(t, a), &stored); err != nil {
			t.Fatal(err)
		}
		again := appraisal.Make(scorer.RuleSet(), &stored, decoded(t, scorer.RuleSet(), objects...), -1, wording.English())
		if string(encoded(t, p)) != string(encoded(t, again)) {
			t.Fatal("it is appraised otherwise once it is stored")
		}
	})
}

func TestALookAtNothingChangesNoAppraisal(t *testing.T) {
	t.Parallel()
	scorer := score.New(loaded(t, "garage.yaml"))
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, scorer.RuleSet())
		a, p := appraised(t, scorer, objects...)
		nothing := reportOn(a.AsOf)
		nothing["vehicle"] = object{"reference": "drawn"}
		_, again := appraised(t, scorer, append(objects, nothing)...)
		if string(encoded(t, p)) != string(encoded(t, again)) {
			t.Fatalf("%s\n%s", encoded(t, p), encoded(t, again))
		}
	})
}

// Whatever is told well of a vehicle leaves the chance without the word as it was, up to rounding. All
// is of one day here: a word that confirms an old look freshens that up, as far as a word does.
func TestReassuringHearsayLowersNothingWithoutTheWord(t *testing.T) {
	t.Parallel()
	scorer := score.New(loaded(t, "garage.yaml"))
	set := scorer.RuleSet()
	rapid.Check(t, func(t *rapid.T) {
		before := wild(t, set)
		for _, o := range before {
			o["inspection"] = object{"date": "2026-05-15"}
		}
		_, p := appraised(t, scorer, before...)
		told := reportOn("2026-05-15")
		told["vehicle"] = object{"reference": "drawn"}
		var all []object
		for _, it := range set.Catalogue.Items {
			found := object{}
			for _, f := range it.Finds {
				if f.Kind == catalogue.Flag && !f.Common() {
					found[f.ID] = f.Worse == catalogue.Lower
				}
			}
			if len(found) > 0 {
				all = append(all, observation(it.ID, "told", found))
			}
		}
		told["observations"] = fitting(t, set, told, all)
		_, after := appraised(t, scorer, append(before, told)...)
		if after.Risk.WithoutTheWord < p.Risk.WithoutTheWord-10 {
			t.Fatalf("%v, and %v once all is told well", p.Risk.WithoutTheWord.Float(), after.Risk.WithoutTheWord.Float())
		}
	})
}

// The vehicles of the demo, under the books that the program comes with, at every gate. The schemas are
// closed: a field that they do not describe fails here.
func TestAppraisalsOfTheDemoAreAsTheirSchemaSays(t *testing.T) {
	t.Parallel()
	whole, appraisals := answerSchema(t, "assessment"), answerSchema(t, "appraisal")
	files, err := fs.Glob(schema.FS, "demo/*.json")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, set := range builtin.RuleSets() {
		scorer := score.New(set)
		dossiers := map[string][]*report.Report{}
		for _, file := range files {
			data, err := fs.ReadFile(schema.FS, file)
			if err != nil {
				t.Fatal(err)
			}
			r, _, faults := report.Decode(data, set.Catalogue)
			if len(faults) > 0 {
				t.Fatal(file, faults)
			}
			dossier := append(dossiers[r.Vehicle.Reference], r)
			dossiers[r.Vehicle.Reference] = dossier
			a := scorer.Evaluate(dossier, -1)
			wording.English().Write(a)
			isOf(t, whole, file, encoded(t, a))
			for gate := range a.Gates {
				p := appraisal.Make(set, a, dossier, gate, wording.English())
				isOf(t, appraisals, file, encoded(t, p))
				if p.Risk.ChanceOfHarm == 0 || math.IsNaN(p.Risk.ChanceOfHarm.Float()) {
					t.Errorf("%s: no chance of harm", file)
				}
			}
		}
	}
}
