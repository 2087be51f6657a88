package score_test

import (
	"math"
	"os"
	"slices"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

func worked(t testing.TB) *ruleset.Set {
	t.Helper()
	data, err := os.ReadFile("testdata/worked.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l := builtin.Loader()
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

func causeOf(t testing.TB, a *score.Assessment, hazard, fault string) score.Cause {
	t.Helper()
	e := entry(t, a, hazard)
	i := slices.IndexFunc(e.Causes, func(c score.Cause) bool { return c.Fault == fault })
	if i < 0 {
		t.Fatalf("%s has no cause %s", hazard, fault)
	}
	return e.Causes[i]
}

func decodeAll(t testing.TB, set *ruleset.Set, list ...object) []*report.Report {
	t.Helper()
	var reports []*report.Report
	for _, o := range list {
		reports = append(reports, decode(t, set, o))
	}
	return reports
}

// near compares to the digits printed.
func near(t *testing.T, what string, got, want float64, decimals int) {
	t.Helper()
	if math.Abs(got-want) > 0.5000001*math.Pow10(-decimals) {
		t.Errorf("%s is %.*f, want %.*f", what, decimals+2, got, decimals, want)
	}
}

// worn is the dossier of the worked examples: built 30 years, laid up 8 years before the inspection.
func worn(storage, date string, observations ...object) object {
	r := reportOn(date, observations...)
	r["vehicle"] = object{"reference": "worked", "built": "1996-05-02"}
	r["lay_up"] = object{"last_ran": "2018-05-02", "storage": storage}
	return r
}

// The worked examples of docs/scoring.md, to the digits printed there.
func TestWorkedExamples(t *testing.T) {
	set := worked(t)
	aged := observation("timing_belt", "documented", object{"age": object{"value": 11, "unit": "a"}})
	looked := func(method string, fraying bool) object {
		return observation("timing_belt", method, object{"fraying": fraying})
	}
	for _, c := range []struct {
		name                                       string
		reports                                    []object
		prior, priorDB, shift, credence, effective float64
		l, p                                       float64
	}{
		{"age between the lay-up and the making", []object{worn("indoors", "2026-05-02")}, 0.2, -6.020600, 0, 0, 0, -6.020600, 0.2},
		{"age 11 documented", []object{worn("indoors", "2026-05-02", aged)}, 0.0785, -10.696257, 0, 0, 0, -10.696257, 0.0785},
		{"as before, stood outdoors", []object{worn("outdoors", "2026-05-02", aged)}, 0.0785, -10.696257, 2, 0, 0, -8.696257, 0.11895252},
		{"age 11 documented, fraying seen", []object{worn("indoors", "2026-05-02", aged, looked("seen", true))}, 0.0785, -10.696257, 0, 0.9, 19.547248, 8.850991, 0.88473109},
		{"age 11 documented, fraying told", []object{worn("indoors", "2026-05-02", aged, looked("told", true))}, 0.0785, -10.696257, 0, 0.35, 7, -3.696257, 0.29920329},
		{"age 11 documented, sound all round seen", []object{worn("indoors", "2026-05-02", aged, looked("seen", false))}, 0.0785, -10.696257, 0, 0.86, -7.116114, -17.812371, 0.01627926},
		{"as before through a borescope", []object{worn("indoors", "2026-05-02", aged, looked("scoped", false))}, 0.0785, -10.696257, 0, 0.62, -3.776623, -14.472880, 0.03447280},
		{"as before by eye, three years before", []object{worn("indoors", "2023-05-02", looked("seen", false)), worn("indoors", "2026-05-02", aged)}, 0.0785, -10.696257, 0, 0.304056, -1.456158, -12.152415, 0.05742169},
		{"the same, as one report that dates what was found", []object{worn("indoors", "2026-05-02", aged,
			object{"item": "timing_belt", "method": "seen", "date": "2023-05-02", "found": object{"fraying": false}})}, 0.0785, -10.696257, 0, 0.304056, -1.456158, -12.152415, 0.05742169},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := score.Evaluate(set, decodeAll(t, set, c.reports...), -1)
			x := causeOf(t, a, "valve_strike", "belt_weak")
			near(t, "p0", x.Prior.Float(), c.prior, 8)
			near(t, "L0", x.PriorDB.Float(), c.priorDB, 6)
			near(t, "shift", x.ShiftsDB.Float(), c.shift, 6)
			near(t, "L", x.TotalDB.Float(), c.l, 6)
			near(t, "P", x.Probability.Float(), c.p, 8)
			restsOn := "unknown"
			switch {
			case c.credence > 0.35 || c.credence == 0.304056:
				restsOn = "found"
			case c.credence > 0:
				restsOn = "told"
			}
			if e := entry(t, a, "valve_strike"); e.RestsOn != restsOn {
				t.Errorf("rests on %s, want %s", e.RestsOn, restsOn)
			}
			if c.credence == 0 {
				if len(x.Evidence) != 0 {
					t.Errorf("evidence %+v", x.Evidence)
				}
				return
			}
			if len(x.Evidence) != 1 {
				t.Fatalf("evidence %+v", x.Evidence)
			}
			near(t, "c", x.Evidence[0].Credence.Float(), c.credence, 6)
			near(t, "w'", x.Evidence[0].EffectiveDB.Float(), c.effective, 6)
		})
	}
}

func TestWorkedExamplesOfHazards(t *testing.T) {
	set := worked(t)
	aged := observation("timing_belt", "documented", object{"age": object{"value": 11, "unit": "a"}})
	for _, c := range []struct {
		name    string
		fraying bool
		p       float64
		shares  []float64
	}{
		{"frayed", true, 0.35776908, []float64{0.98640928, 0.01359072}},
		{"seen sound", false, 0.01247263, []float64{0.52051325, 0.47948675}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := score.Evaluate(set, decodeAll(t, set, worn("indoors", "2026-05-02", aged, observation("timing_belt", "seen", object{"fraying": c.fraying}))), -1)
			e := entry(t, a, "valve_strike")
			near(t, "p", e.Probability.Float(), c.p, 8)
			for i, id := range []string{"belt_weak", "tensioner_bad"} {
				near(t, "share of "+id, causeOf(t, a, "valve_strike", id).Share.Float(), c.shares[i], 8)
			}
		})
	}
}

func TestWorkedExamplesOfChancesAndRanges(t *testing.T) {
	set := worked(t)
	a := score.Evaluate(set, decodeAll(t, set, worn("indoors", "2026-05-02",
		observation("timing_belt", "documented", object{"age": object{"value": 11, "unit": "a"}}),
		observation("timing_belt", "seen", object{"fraying": true}))), -1)
	for i, want := range []struct{ through, low, high, unharmed float64 }{
		{0.64223092, 0.50351745, 0.76061429, 0.64223092},
		{0.48189004, 0.36176847, 0.60414197, 0.75033765},
		{0.29532738, 0.19807148, 0.41558938, 0.61285222},
	} {
		g := a.Gates[i]
		near(t, g.Gate+": through", g.ChanceThrough.Float(), want.through, 8)
		near(t, g.Gate+": low", g.ChanceThroughLow.Float(), want.low, 8)
		near(t, g.Gate+": high", g.ChanceThroughHigh.Float(), want.high, 8)
		near(t, g.Gate+": unharmed", g.ChanceUnharmed.Float(), want.unharmed, 8)
	}
}

// Published checks: Eddy (1982), screening for breast cancer, prevalence 1 %, true-positive rate
// 80 %, false-positive rate 9.6 %, answer 7.8 %; General Report on Tunny (1945), section 21: twenty
// heads of a coin are 60 decibans for a double-headed one, from -40 to 20 (exactly 20.206).
func TestPublishedExamplesOfWeighingEvidence(t *testing.T) {
	set := worked(t)
	a := score.Evaluate(set, decodeAll(t, set, reportOn("2026-05-02",
		observation("patient", "certain", object{"screening_positive": true}),
		observation("patient", "certain", object{"coin_heads": 20}),
	)), -1)
	near(t, "Eddy's p", entry(t, a, "screened").Probability.Float(), 0.07763975, 8)
	coin := causeOf(t, a, "lost_bet", "double_headed")
	near(t, "the coin's prior", coin.PriorDB.Float(), -40, 3)
	near(t, "the coin's weight", coin.Evidence[0].EffectiveDB.Float(), 60.206, 3)
	near(t, "the coin's total", coin.TotalDB.Float(), 20.206, 3)
	if coin.Evidence[0].Because != "heads 20 times" {
		t.Errorf("because %q", coin.Evidence[0].Because)
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
