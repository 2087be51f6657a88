package score_test

import (
	"math"
	"os"
	"slices"
	"testing"

	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/schema"
)

func worked(t testing.TB) *ruleset.Set {
	t.Helper()
	data, err := os.ReadFile("testdata/worked.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	set, err := l.Document("worked.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func observation(item, method string, found object) object {
	return object{"item": item, "method": method, "found": found}
}

func reportOn(date string, observations ...object) object {
	if observations == nil {
		observations = []object{}
	}
	return object{
		"schema": "laidup.report/1", "vehicle": object{"reference": "worked"},
		"inspection": object{"date": date}, "observations": observations,
	}
}

func entry(t testing.TB, a *score.Assessment, hazard string) score.Entry {
	t.Helper()
	i := slices.IndexFunc(a.Register, func(e score.Entry) bool { return e.Hazard == hazard })
	if i < 0 {
		t.Fatalf("no %s in the register", hazard)
	}
	return a.Register[i]
}

// near compares to the digits printed.
func near(t *testing.T, what string, got, want float64, decimals int) {
	t.Helper()
	if math.Abs(got-want) > 0.5000001*math.Pow10(-decimals) {
		t.Errorf("%s is %.*f, want %.*f", what, decimals+2, got, decimals, want)
	}
}

// The worked examples of docs/scoring.md, to the digits printed there.
func TestWorkedExamples(t *testing.T) {
	set := worked(t)
	years := func(v float64) object { return object{"value": v, "unit": "a"} }
	for _, c := range []struct {
		name                                   string
		reports                                []object
		prior, priorDB, credence, effective, l float64
		p                                      float64
	}{
		{"nobody looked, age unknown",
			[]object{reportOn("2026-05-02")}, 0.03, -15.096505, 0, 0, -15.096505, 0.03},
		{"age 11 documented, nobody looked",
			[]object{reportOn("2026-05-02", observation("timing_belt", "documented", object{"age": years(11)}))}, 0.0138, -18.540859, 0, 0, -18.540859, 0.0138},
		{"age 11 documented, fraying seen",
			[]object{reportOn("2026-05-02", observation("timing_belt", "documented", object{"age": years(11)}), observation("timing_belt", "seen", object{"fraying": true}))},
			0.0138, -18.540859, 0.9, 19.547248, 1.006389, 0.55767454},
		{"age unknown, fraying told",
			[]object{reportOn("2026-05-02", observation("timing_belt", "told", object{"fraying": true}))}, 0.03, -15.096505, 0.35, 15.520595, 0.424091, 0.52439323},
		{"age unknown, surface sound seen",
			[]object{reportOn("2026-05-02", observation("timing_belt", "seen", object{"fraying": false}))}, 0.03, -15.096505, 0.9, -8.046923, -23.143428, 0.00482566},
		{"age unknown, surface sound told",
			[]object{reportOn("2026-05-02", observation("timing_belt", "told", object{"fraying": false}))}, 0.03, -15.096505, 0.35, -1.725768, -16.822272, 0.02036282},
		{"age 1 documented, surface sound seen",
			[]object{reportOn("2026-05-02", observation("timing_belt", "documented", object{"age": years(1)}), observation("timing_belt", "seen", object{"fraying": false}))},
			0.003504, -24.539115, 0.9, -8.046923, -32.586037, 0.00055101},
		{"the same, seen three years before",
			[]object{
				reportOn("2023-05-02", observation("timing_belt", "documented", object{"age": years(1)}), observation("timing_belt", "seen", object{"fraying": false})),
				reportOn("2026-05-02"),
			},
			0.004476, -23.471617, 0.318198, -1.537378, -25.008995, 0.00314581},
		{"the same, as one report that dates what was found",
			[]object{reportOn("2026-05-02",
				object{"item": "timing_belt", "method": "documented", "date": "2023-05-02", "found": object{"age": years(1)}},
				object{"item": "timing_belt", "method": "seen", "date": "2023-05-02", "found": object{"fraying": false}})},
			0.004476, -23.471617, 0.318198, -1.537378, -25.008995, 0.00314581},
	} {
		t.Run(c.name, func(t *testing.T) {
			var reports []*report.Report
			for _, o := range c.reports {
				reports = append(reports, decode(t, set, o))
			}
			e := entry(t, score.Evaluate(set, reports, -1), "valve_strike")
			near(t, "p0", e.Prior.Float(), c.prior, 8)
			near(t, "L0", e.PriorDB.Float(), c.priorDB, 6)
			near(t, "L", e.TotalDB.Float(), c.l, 6)
			near(t, "p", e.Probability.Float(), c.p, 8)
			if c.credence == 0 {
				if len(e.Evidence) != 0 || e.RestsOn != "unknown" {
					t.Errorf("rests on %s: %+v", e.RestsOn, e.Evidence)
				}
				return
			}
			if len(e.Evidence) != 1 || e.RestsOn != "found" {
				t.Fatalf("rests on %s: %+v", e.RestsOn, e.Evidence)
			}
			near(t, "c", e.Evidence[0].Credence.Float(), c.credence, 6)
			near(t, "w'", e.Evidence[0].EffectiveDB.Float(), c.effective, 6)
		})
	}
}

// Published checks: Eddy (1982), screening for breast cancer, prevalence 1 %, true-positive rate
// 80 %, false-positive rate 9.6 %, answer 7.8 %; General Report on Tunny (1945), section 21: twenty
// heads of a coin are 60 decibans for a double-headed one, from -40 to 20 (exactly 20.206).
func TestPublishedExamplesOfWeighingEvidence(t *testing.T) {
	set := worked(t)
	a := score.Evaluate(set, []*report.Report{decode(t, set, reportOn("2026-05-02",
		observation("patient", "certain", object{"screening_positive": true}),
		observation("patient", "certain", object{"coin_heads": 20}),
	))}, -1)
	near(t, "Eddy's p", entry(t, a, "disease").Probability.Float(), 0.07763975, 8)
	coin := entry(t, a, "double_headed")
	near(t, "the coin's prior", coin.PriorDB.Float(), -40, 3)
	near(t, "the coin's weight", coin.Evidence[0].EffectiveDB.Float(), 60.206, 3)
	near(t, "the coin's total", coin.TotalDB.Float(), 20.206, 3)
	if coin.Evidence[0].Because != "heads 20 times" {
		t.Errorf("because %q", coin.Evidence[0].Because)
	}
}

func TestChanceUnharmedIsTheProductOverWhatIsCriticalOrWorse(t *testing.T) {
	set := worked(t)
	a := score.Evaluate(set, []*report.Report{decode(t, set, reportOn("2026-05-02",
		observation("timing_belt", "documented", object{"age": object{"value": 11, "unit": "a"}}),
		observation("timing_belt", "seen", object{"fraying": true}),
	))}, -1)
	near(t, "chance unharmed", a.Gates[0].ChanceUnharmed.Float(), 0.44024777, 8)
	near(t, "chance through the later gate", a.Gates[1].ChanceThrough.Float(), 0.44024777, 8)
	if a.Gates[1].ChanceUnharmed.Float() != 1 {
		t.Errorf("negligible hazards count: %v", a.Gates[1].ChanceUnharmed.Float())
	}
}

// Every cell of MIL-STD-882E (2012) Table III, and the bounds of Appendix A, Table A-II (that a
// bound belongs to the higher level is from memory).
func TestRiskMatrix(t *testing.T) {
	columns := []ruleset.Severity{ruleset.Catastrophic, ruleset.Critical, ruleset.Marginal, ruleset.Negligible}
	counts := map[string]int{}
	for level, row := range map[byte][]string{
		'A': {"high", "high", "serious", "medium"},
		'B': {"high", "high", "serious", "medium"},
		'C': {"high", "serious", "medium", "low"},
		'D': {"serious", "medium", "medium", "low"},
		'E': {"medium", "medium", "medium", "low"},
		'F': {"eliminated", "eliminated", "eliminated", "eliminated"},
	} {
		for i, want := range row {
			got := score.RiskOf(columns[i], level).String()
			counts[got]++
			if got != want {
				t.Errorf("%s at %c is %s, want %s", columns[i], level, got, want)
			}
		}
	}
	if counts["high"] != 5 || counts["serious"] != 4 || counts["medium"] != 8 || counts["low"] != 3 || counts["eliminated"] != 4 {
		t.Errorf("counts %v", counts)
	}
	for p, want := range map[float64]byte{
		1: 'A', 0.1: 'A', 0.0999999: 'B', 0.01: 'B', 0.00999999: 'C', 0.001: 'C', 0.000999: 'D', 1e-6: 'D', 0.99e-6: 'E', 0: 'E',
	} {
		if got := score.Level(p); got != want {
			t.Errorf("%v is level %c, want %c", p, got, want)
		}
	}
}

// MIL-STD-882D (2000) ranks the 20 live cells strictly (Table A-III) and bands the ranks (Table
// A-IV, from memory): the matrix of 882E says the same.
func TestRiskMatrixAgreesWithTheRankingOf882D(t *testing.T) {
	ranks := map[byte][4]int{'A': {1, 3, 7, 13}, 'B': {2, 5, 9, 16}, 'C': {4, 6, 11, 18}, 'D': {8, 10, 14, 19}, 'E': {12, 15, 17, 20}}
	band := func(rank int) ruleset.Risk {
		switch {
		case rank <= 5:
			return ruleset.High
		case rank <= 9:
			return ruleset.Serious
		case rank <= 17:
			return ruleset.Medium
		}
		return ruleset.Low
	}
	for level, row := range ranks {
		for i, rank := range row {
			if got := score.RiskOf(ruleset.Severity(i+1), level); got != band(rank) {
				t.Errorf("column %d at %c is %s, the ranking says %s", i, level, got, band(rank))
			}
		}
	}
}
