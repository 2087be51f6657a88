package score_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"

	"pgregory.net/rapid"
)

// appraised scores reports and appraises what comes out.
func appraised(t testing.TB, set *ruleset.Set, objects ...object) (*score.Assessment, *score.Appraisal) {
	t.Helper()
	var reports []*report.Report
	for _, o := range objects {
		reports = append(reports, decode(t, set, o))
	}
	scorer := score.New(set)
	a := scorer.Evaluate(reports, -1)
	return a, scorer.Appraise(a, reports, -1)
}

func aged(years float64) object { return object{"value": years, "unit": "a"} }

// The example of docs/appraisal.md, reckoned by hand: an eleven-year-old belt (documented) that was
// seen to be frayed, and two parts at which nobody has looked.
//
//	harm      1 - (1-0.55767454)(1-0.004)(1-0.0007)           = 0.55975223
//	logs      0.81570924, 0.00400802, 0.00070025; together      0.82041751
//	found     0.81570924 / 0.82041751                         = 0.994261
//	range     low (36+0+0+0)/4, expected (62.5+3*40)/4, high (94.5+3*90)/4
func TestAnAppraisalByHand(t *testing.T) {
	_, p := appraised(t, worked(t), reportOn("2026-05-02",
		observation("timing_belt", "documented", object{"age": aged(11)}),
		observation("timing_belt", "seen", object{"fraying": true})))
	near(t, "chance of harm", p.Risk.ChanceOfHarm.Float(), 0.55975223, 8)
	near(t, "without the word", p.Risk.WithoutTheWord.Float(), 0.55975223, 8)
	near(t, "share found", p.Risk.RestsOn.Found.Float(), 0.994261, 6)
	near(t, "share of nothing known", p.Risk.RestsOn.Nothing.Float(), 0.005739, 6)
	near(t, "low", p.Condition.Low.Float(), 9, 6)
	near(t, "expected", p.Condition.Expected.Float(), 45.625, 6)
	near(t, "high", p.Condition.High.Float(), 91.125, 6)
	wide := []float64{22.5, 22.5, 22.5, 14.625}
	for i, w := range p.Condition.Widest {
		near(t, w.Item+" widens by", w.Points.Float(), wide[i], 6)
	}
	if len(p.Condition.Widest) != len(wide) || p.Condition.Widest[3].Item != "timing_belt" {
		t.Errorf("widest are %+v", p.Condition.Widest)
	}
	if c := p.Coverage; c.Applying != 4 || c.LookedAt != 1 || c.Measured != 0 || c.Seen != 1 || c.ToldOnly != 0 || c.Ungraded != 4 {
		t.Errorf("coverage %+v", c)
	}
	if p.Risk.Gate != "later" || len(p.Conflicts) != 0 {
		t.Errorf("to %s, conflicts %+v", p.Risk.Gate, p.Conflicts)
	}
}

// The same belt of which somebody only says that it is sound: by hand, p is 0.02036282 with the word
// and 0.03 without it.
//
//	harm      1 - 0.97963718 * 0.996 * 0.9993                 = 0.02496438
//	unheard   1 - 0.97       * 0.996 * 0.9993                 = 0.03455628
//	told      0.02057299 / (0.02057299+0.00400802+0.00070025) = 0.813765
func TestWhatRestsOnTheWordAloneByHand(t *testing.T) {
	_, p := appraised(t, worked(t), reportOn("2026-05-02", observation("timing_belt", "told", object{"fraying": false})))
	near(t, "chance of harm", p.Risk.ChanceOfHarm.Float(), 0.02496438, 8)
	near(t, "without the word", p.Risk.WithoutTheWord.Float(), 0.03455628, 8)
	near(t, "share told", p.Risk.RestsOn.Told.Float(), 0.813765, 6)
	if p.Coverage.ToldOnly != 1 || p.Risk.Hazards[0].RestsOn != score.RestsOnTold {
		t.Errorf("coverage %+v, worst %+v", p.Coverage, p.Risk.Hazards[0])
	}
}

func TestWhatAHazardRestsOn(t *testing.T) {
	set := worked(t)
	belt := func(method string, found object) object { return observation("timing_belt", method, found) }
	for name, c := range map[string]struct {
		reports []object
		want    string
		words   string
	}{
		"nothing at all":           {[]object{reportOn("2026-05-02")}, score.RestsOnNothing, "the years alone"},
		"a documented age":         {[]object{reportOn("2026-05-02", belt("documented", object{"age": aged(3)}))}, score.RestsOnNothing, "known age or wear alone"},
		"an age that is only told": {[]object{reportOn("2026-05-02", belt("told", object{"age": aged(3)}))}, score.RestsOnTold, "somebody only said"},
		"seen":                     {[]object{reportOn("2026-05-02", belt("seen", object{"fraying": false}))}, score.RestsOnFound, "is sound"},
		"told to be frayed":        {[]object{reportOn("2026-05-02", belt("told", object{"fraying": true}))}, score.RestsOnTold, "somebody said so: the timing belt is frayed"},
		// Its credence has aged below that of the word; it was seen all the same.
		"seen long ago":       {[]object{reportOn("2018-05-02", belt("seen", object{"fraying": false})), reportOn("2026-05-02")}, score.RestsOnFound, "is sound"},
		"told, and then seen": {[]object{reportOn("2026-05-01", belt("told", object{"fraying": false})), reportOn("2026-05-02", belt("seen", object{"fraying": true}))}, score.RestsOnFound, "is frayed"},
		"seen, and then told": {[]object{reportOn("2026-05-01", belt("seen", object{"fraying": true})), reportOn("2026-05-02", belt("told", object{"fraying": false}))}, score.RestsOnFound, "is frayed"},
		"off the vehicle":     {[]object{reportOn("2026-05-02", belt("seen", object{"removed": true}))}, score.RestsOnFound, "off the vehicle"},
	} {
		t.Run(name, func(t *testing.T) {
			_, p := appraised(t, set, c.reports...)
			i := slices.IndexFunc(p.Risk.Hazards, func(h score.CarriedRiskOf) bool { return h.Hazard == "valve_strike" })
			if h := p.Risk.Hazards[i]; h.RestsOn != c.want || !strings.Contains(h.Because, c.words) {
				t.Errorf("rests on %s, because %q", h.RestsOn, h.Because)
			}
		})
	}
}

func TestTheWordAgainstTheEye(t *testing.T) {
	set := worked(t)
	told := func(found object) object { return observation("timing_belt", "told", found) }
	seen := func(found object) object { return observation("timing_belt", "seen", found) }
	for name, c := range map[string]struct {
		reports []object
		counts  string // empty: there is no contradiction
		words   string
	}{
		"the eye comes after the word": {[]object{reportOn("2026-05-01", told(object{"fraying": false})), reportOn("2026-05-02", seen(object{"fraying": true}))},
			score.SeenCounts, "fraying: no (told, 2026-05-01) against yes (seen, 2026-05-02)"},
		"the word comes after the eye": {[]object{reportOn("2026-05-01", seen(object{"fraying": true})), reportOn("2026-05-02", told(object{"fraying": false}))},
			score.WorseCounts, "fraying: no (told, 2026-05-02) against yes (seen, 2026-05-01)"},
		"both in one report": {[]object{reportOn("2026-05-02", told(object{"fraying": false}), seen(object{"fraying": true}))}, score.WorseCounts, "the worse one counts"},
		"they agree":         {[]object{reportOn("2026-05-01", told(object{"fraying": true})), reportOn("2026-05-02", seen(object{"fraying": true}))}, "", ""},
		"renewed in between": {[]object{reportOn("2026-05-01", told(object{"fraying": true})), reportOn("2026-05-03", observation("timing_belt", "documented", object{"renewed": "2026-05-02"}), seen(object{"fraying": false}))}, "", ""},
		"an age against a renewal": {[]object{reportOn("2026-05-01", told(object{"renewed": "2025"})), reportOn("2026-05-02", observation("timing_belt", "documented", object{"age": aged(11)}))},
			score.SeenCounts, "renewed on 2025 (told, 2026-05-01) against 11.0 years (documented, 2026-05-02)"},
		"a renewal against an age": {[]object{reportOn("2026-05-01", observation("timing_belt", "documented", object{"renewed": "2024-05-01"})), reportOn("2026-05-02", told(object{"age": aged(11)}))},
			score.WorseCounts, "11.0 years (told, 2026-05-02)"},
		"ages that agree": {[]object{reportOn("2025-05-01", told(object{"age": aged(10)})), reportOn("2026-05-02", observation("timing_belt", "documented", object{"age": aged(11)}))}, "", ""},
		"told alone":      {[]object{reportOn("2026-05-01", told(object{"fraying": false}))}, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			_, p := appraised(t, set, c.reports...)
			if c.counts == "" {
				if len(p.Conflicts) != 0 {
					t.Errorf("%+v", p.Conflicts)
				}
				return
			}
			if len(p.Conflicts) != 1 {
				t.Fatalf("%d contradictions: %+v", len(p.Conflicts), p.Conflicts)
			}
			if one := p.Conflicts[0]; one.Counts != c.counts || !strings.Contains(one.Because, c.words) || len(one.Told) != 1 || len(one.Seen) != 1 {
				t.Errorf("%+v", one)
			}
		})
	}
}

func TestWhatIsOddAboutTheNumberOnThePlate(t *testing.T) {
	set := worked(t)
	on := func(date string, vin any) object {
		o := reportOn(date)
		o["vehicle"].(object)["vin"] = vin
		return o
	}
	const good, bad = "1M8GDM9AXKP042788", "1M8GDM9A1KP042788" // 49 CFR 565.15's own example, and spoilt
	for name, c := range map[string]struct {
		reports []object
		words   []string
	}{
		"none":            {[]object{on("2026-05-02", nil)}, []string{"nobody reported"}},
		"good":            {[]object{on("2026-05-02", good)}, nil},
		"of an old frame": {[]object{on("2026-05-02", "MT-4711")}, nil},
		"misread":         {[]object{on("2026-05-02", bad)}, []string{"check digit (position 9) is 1"}},
		"two vehicles":    {[]object{on("2026-05-01", "MT-4711"), on("2026-05-02", good)}, []string{"another number, MT-4711"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, p := appraised(t, set, c.reports...)
			if len(p.VIN.Cautions) != len(c.words) {
				t.Fatalf("%v", p.VIN.Cautions)
			}
			for i, w := range c.words {
				if !strings.Contains(p.VIN.Cautions[i], w) {
					t.Errorf("%q", p.VIN.Cautions[i])
				}
			}
		})
	}
}

func TestEveryAppraisalIsAsItsSchemaSays(t *testing.T) {
	s := answerSchema(t, "appraisal")
	for _, set := range []*ruleset.Set{builtIn(t), prePurchase(t)} {
		scorer := score.New(set)
		for name, dossier := range everyDossier(t, set) {
			a := scorer.Evaluate(dossier, -1)
			for gate := range a.Gates {
				isOf(t, s, set.Name+": "+name, encoded(t, scorer.Appraise(a, dossier, gate)))
			}
		}
	}
}

func encoded(t interface{ Fatal(...any) }, p *score.Appraisal) []byte {
	data, err := p.JSON()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// weighed scores and appraises a drawn dossier.
func weighed(t *rapid.T, scorer *score.Scorer, objects []object) (*score.Assessment, *score.Appraisal) {
	var reports []*report.Report
	for _, o := range objects {
		reports = append(reports, drawn(t, scorer.RuleSet(), o))
	}
	a := scorer.Evaluate(reports, -1)
	return a, scorer.Appraise(a, reports, -1)
}

func TestAnAppraisalIsNeverBetterThanItsAssessment(t *testing.T) {
	scorer, s := score.New(builtIn(t)), answerSchema(t, "appraisal")
	rapid.Check(t, func(t *rapid.T) {
		a, p := weighed(t, scorer, wild(t, scorer.RuleSet()))
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
		if sum := r.RestsOn.Found + r.RestsOn.Told + r.RestsOn.Nothing; sum != 1e10 && !(sum == 0 && r.ChanceOfHarm == 0) {
			t.Fatalf("shares add up to %v", sum.Float())
		}
		// The chance is that of the hazards shown, and no hazard is left out.
		if len(r.Hazards) != len(a.Register) {
			t.Fatalf("%d hazards of %d", len(r.Hazards), len(a.Register))
		}
		through := 1.0
		for _, h := range r.Hazards {
			if h.Severity == "critical" || h.Severity == "catastrophic" {
				through *= 1 - h.Probability.Float()
			}
			if h.Because == "" {
				t.Fatalf("%s rests on %s without a reason", h.Hazard, h.RestsOn)
			}
		}
		if math.Abs(1-through-r.ChanceOfHarm.Float()) > 1e-9 {
			t.Fatalf("by its hazards %v, said %v", 1-through, r.ChanceOfHarm.Float())
		}
	})
}

func TestAWorseFindingMakesNoAppraisalBetter(t *testing.T) {
	scorer := score.New(builtIn(t))
	rapid.Check(t, func(t *rapid.T) {
		before, after, what := spoilt(t, scorer.RuleSet())
		_, p := weighed(t, scorer, before)
		_, q := weighed(t, scorer, after)
		// Chances are rounded to ten decimals, each a little otherwise.
		if q.Risk.ChanceOfHarm < p.Risk.ChanceOfHarm-10 || q.Risk.WithoutTheWord < p.Risk.WithoutTheWord-10 {
			t.Fatalf("%s: harm from %v to %v, without the word from %v to %v", what,
				p.Risk.ChanceOfHarm.Float(), q.Risk.ChanceOfHarm.Float(), p.Risk.WithoutTheWord.Float(), q.Risk.WithoutTheWord.Float())
		}
		if q.Condition.High > p.Condition.High || q.Condition.Low > p.Condition.Low {
			t.Fatalf("%s: the condition rises from %+v to %+v", what, p.Condition.Range, q.Condition.Range)
		}
	})
}

func TestTheUnknownIsNeverCalledFound(t *testing.T) {
	scorer := score.New(builtIn(t))
	rapid.Check(t, func(t *rapid.T) {
		a, p := weighed(t, scorer, wild(t, scorer.RuleSet()))
		for i, e := range a.Register {
			h := p.Risk.Hazards[i]
			if e.RestsOn == "unknown" && h.RestsOn == score.RestsOnFound {
				t.Fatalf("%s rests on nothing and is said to rest on something found", e.Hazard)
			}
		}
		unproven := map[string]bool{}
		for _, b := range a.BlockersBy(p.Gate) {
			if b.Kind == "unproven" {
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
		if c := p.Coverage; c.Applying != a.Coverage.Applying || c.LookedAt != a.Coverage.LookedAt || c.LookedAtShare != a.Coverage.Share || c.ToldOnly+c.Measured+c.Seen != c.LookedAt {
			t.Fatalf("coverage %+v of %+v", c, a.Coverage)
		}
	})
}

// What is stored says as much as what was just worked out.
func TestAnAppraisalOfAStoredAssessment(t *testing.T) {
	scorer := score.New(builtIn(t))
	for name, dossier := range everyDossier(t, scorer.RuleSet()) {
		a := scorer.Evaluate(dossier, -1)
		var stored score.Assessment
		if err := json.Unmarshal([]byte(bytesOf(t, a)), &stored); err != nil {
			t.Fatal(err)
		}
		if string(encoded(t, scorer.Appraise(a, dossier, -1))) != string(encoded(t, scorer.Appraise(&stored, dossier, -1))) {
			t.Errorf("%s: it is appraised otherwise once it is stored", name)
		}
	}
}

func TestALookAtNothingChangesNoAppraisal(t *testing.T) {
	scorer := score.New(builtIn(t))
	rapid.Check(t, func(t *rapid.T) {
		objects := wild(t, scorer.RuleSet())
		a, p := weighed(t, scorer, objects)
		nothing := reportOn(a.AsOf)
		nothing["vehicle"] = object{"reference": "drawn"}
		_, again := weighed(t, scorer, append(copyOf(t, objects), nothing))
		if string(encoded(t, p)) != string(encoded(t, again)) {
			t.Fatalf("%s\n%s", encoded(t, p), encoded(t, again))
		}
	})
}

// Whatever is told well of a vehicle leaves the chance without the word as it was, up to rounding. All
// is of one day here: a word that confirms an old look freshens that up, as far as a word does.
func TestReassuringHearsayLowersNothingWithoutTheWord(t *testing.T) {
	scorer := score.New(builtIn(t))
	set := scorer.RuleSet()
	rapid.Check(t, func(t *rapid.T) {
		before := wild(t, set)
		for _, o := range before {
			o["inspection"] = object{"date": asOf.String()}
		}
		a, p := weighed(t, scorer, before)
		told := reportOn(a.AsOf)
		told["vehicle"] = before[0]["vehicle"]
		var observations []object
		for _, it := range set.Catalogue.Items {
			ob := drawObservation(t, set, it, 0)
			ob["method"] = "told"
			observations = append(observations, ob)
		}
		told["observations"] = fitting(t, set, told, observations)
		_, after := weighed(t, scorer, append(copyOf(t, before), told))
		if after.Risk.WithoutTheWord < p.Risk.WithoutTheWord-10 {
			t.Fatalf("%v, and %v once all is told well", p.Risk.WithoutTheWord.Float(), after.Risk.WithoutTheWord.Float())
		}
	})
}
