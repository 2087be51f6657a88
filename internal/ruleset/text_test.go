package ruleset_test

import (
	"math"
	"strings"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"

	"pgregory.net/rapid"
)

func TestReasonsSayWhatWasFound(t *testing.T) {
	for template, c := range map[string]struct {
		known map[string]float64
		want  string
	}{
		"plain words":                        {nil, "plain words"},
		"after {found.run}, {age} old":       {map[string]float64{"found.run": 84210.4, "age": 11}, "after 84210 km, 11 years old"},
		"{found.run}":                        {nil, "unknown"},
		"{found.noise} and {found.fraying}":  {map[string]float64{"found.noise": 2, "found.fraying": 1}, "rough and true"},
		"renewed {found.renewed}":            {map[string]float64{"found.renewed": float64(calendar.DayOf(2024, 3, 1))}, "renewed 2024-03-01"},
		"as of {as_of}":                      {map[string]float64{"as_of": float64(calendar.DayOf(2026, 5, 2))}, "as of 2026-05-02"},
		"laid up {years_laid_up} years":      {map[string]float64{"years_laid_up": 10.666}, "laid up 10.67 years"},
		"{cylinders} cylinders":              {map[string]float64{"cylinders": 4}, "4 cylinders"},
		"interference {interference}":        {map[string]float64{"interference": 1}, "interference yes"},
		"{other.battery.open_circuit} there": {map[string]float64{"other.battery.open_circuit": 11.94999}, "11.95 V there"},
		"closed } alone":                     {nil, "closed } alone"},
		"{age}{age}":                         {map[string]float64{"age": 0.5}, "0.5 years0.5 years"},
	} {
		set := load(t, spoilt(t, "/rules/0/because", template))
		f := make(condition.Frame, set.Catalogue.Size)
		for i := range f {
			f[i] = condition.Unset
		}
		for path, v := range c.known {
			n, ok := set.Catalogue.Conditions.Name(path, "timing_belt")
			if !ok {
				t.Fatalf("no %s", path)
			}
			f[n.Slot] = v
		}
		if got := set.Rules[0].Because.On(f); got != c.want {
			t.Errorf("%q says %q, want %q", template, got, c.want)
		}
	}
	if got := (ruleset.Text{}).On(nil); got != "" {
		t.Errorf("nothing says %q", got)
	}
}

func TestSay(t *testing.T) {
	set := load(t, small)
	volts := set.Catalogue.Item("battery").Find("open_circuit")
	for want, v := range map[string]float64{"12.65 V": 12.65, "12.35 V": 12.3456, "0 V": 0, "-0.0001235 V": -0.00012346, "123500 V": 123456, "unknown": math.NaN()} {
		if got := ruleset.Say(volts, v); got != want {
			t.Errorf("%v is said as %q, want %q", v, got, want)
		}
	}
	if got := ruleset.Say(&catalogue.Finding{Kind: catalogue.Choice, Values: []string{"none", "tight_spot"}}, 1); got != "tight spot" {
		t.Errorf("a choice is said as %q", got)
	}
	if got := ruleset.Say(nil, 2.5); got != "2.5" {
		t.Errorf("a plain number is said as %q", got)
	}
}

func TestSourcesReadAsAPersonWouldSayThem(t *testing.T) {
	for want, s := range map[string]ruleset.Source{
		"judgement":                     {Kind: "judgement"},
		"common practice (from memory)": {Kind: "common_practice", Note: "from memory"},
		"49 CFR 571.116":                {Kind: "regulation", Cite: "49 CFR 571.116"},
		"a handbook (p. 3)":             {Kind: "handbook", Cite: "a handbook", Note: "p. 3"},
	} {
		if got := s.String(); got != want {
			t.Errorf("%+v reads %q, want %q", s, got, want)
		}
	}
}

func TestCurves(t *testing.T) {
	curve := []ruleset.Knot{{0, 10}, {5, 20}, {10, 0}}
	for x, want := range map[float64]float64{
		-1: 10, 0: 10, 2.5: 15, 5: 20, 7.5: 10, 10: 0, 11: 0, math.Inf(1): 0, math.Inf(-1): 10,
	} {
		if got := ruleset.At(curve, x); got != want {
			t.Errorf("at %v it is %v, want %v", x, got, want)
		}
	}
	if got := ruleset.At([]ruleset.Knot{{3, 7}}, 100); got != 7 {
		t.Errorf("one knot gives %v", got)
	}
}

func TestCurvesStayBetweenTheirKnots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-100, 100).Draw(t, "first")
		var curve []ruleset.Knot
		for range rapid.IntRange(1, 6).Draw(t, "knots") {
			curve = append(curve, ruleset.Knot{x, rapid.Float64Range(-60, 60).Draw(t, "y")})
			x += rapid.Float64Range(0.001, 50).Draw(t, "step")
		}
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, k := range curve {
			lo, hi = min(lo, k[1]), max(hi, k[1])
			if got := ruleset.At(curve, k[0]); math.Abs(got-k[1]) > 1e-9 {
				t.Fatalf("at the knot %v it is %v", k, got)
			}
		}
		at := rapid.Float64Range(-200, 500).Draw(t, "x")
		if got := ruleset.At(curve, at); got < lo-1e-9 || got > hi+1e-9 || got != got {
			t.Fatalf("%v at %v is %v", curve, at, got)
		}
	})
}

// Of cases that hang on something not known, the worst that may hold counts (docs/scoring.md, section 4).
func TestSeverityOfWhatIsNotKnown(t *testing.T) {
	set := load(t, spoilt(t, "/hazards/0/severity", list{
		object{"when": `interference == "no"`, "is": "negligible"}, object{"when": "cylinders > 8", "is": "catastrophic"}, object{"is": "critical"},
	}))
	interference, cylinders := set.Catalogue.Fact("vehicle", "interference"), set.Catalogue.Fact("vehicle", "cylinders")
	for _, c := range []struct {
		interference, cylinders float64
		want                    ruleset.Severity
	}{
		{0, 4, ruleset.Negligible}, {0, condition.Unset, ruleset.Negligible}, {1, 4, ruleset.Critical}, {1, 12, ruleset.Catastrophic},
		{1, condition.Unset, ruleset.Catastrophic}, {condition.Unset, 4, ruleset.Critical}, {condition.Unset, condition.Unset, ruleset.Catastrophic},
	} {
		f := make(condition.Frame, set.Catalogue.Size)
		f[interference.Slot], f[cylinders.Slot] = c.interference, c.cylinders
		if got := set.Hazards[0].SeverityOn(f); got != c.want {
			t.Errorf("interference %v, %v cylinders: %s, want %s", c.interference, c.cylinders, got, c.want)
		}
	}
}

func TestNamesOfLevels(t *testing.T) {
	for got, want := range map[string]string{
		ruleset.Catastrophic.String(): "catastrophic", ruleset.Critical.String(): "critical", ruleset.Marginal.String(): "marginal", ruleset.Negligible.String(): "negligible",
		ruleset.High.String(): "high", ruleset.Serious.String(): "serious", ruleset.Medium.String(): "medium", ruleset.Low.String(): "low", ruleset.Eliminated.String(): "eliminated",
		ruleset.Defect.String(): "defect", ruleset.Duty.String(): "duty", ruleset.Unproven.String(): "unproven",
		strings.TrimSpace(ruleset.Severity(0).String() + ruleset.Risk(0).String() + ruleset.Kind(0).String()): "",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
