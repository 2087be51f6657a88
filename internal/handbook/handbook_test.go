package handbook_test

import (
	"errors"
	"math"
	"testing"

	"laidup/internal/calendar"
	"laidup/internal/handbook"

	"pgregory.net/rapid"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// A battery maker's technical table, at 80 °F; and its correction, 0.024 V for every 10 °F below.
func TestStateOfCharge(t *testing.T) {
	const f80 = 80.0/1.8 - 32/1.8
	for volts, want := range map[float64]float64{12.65: 100, 12.45: 75, 12.24: 50, 12.06: 25, 11.89: 0, 12.9: 100, 10.5: 0} {
		within(t, "charge", handbook.StateOfCharge(volts, f80), want, 1e-6)
	}
	within(t, "charge at 30 °F", handbook.StateOfCharge(12.24-5*0.024, -10.0/9), 50, 1e-6)
	if v := handbook.StateOfCharge(-1, 20); v == v {
		t.Errorf("a negative voltage has %v %%", v)
	}
}

// 49 CFR 570.7(a) Table 1.
func TestSteeringPlayLimit(t *testing.T) {
	for inches, want := range map[float64]float64{14: 2, 16: 2, 18: 2.25, 20: 2.5, 22: 2.75} {
		within(t, "play", handbook.SteeringPlayLimit(inches*25.4)/25.4, want, 1e-9)
	}
}

// A maker's service manual (2006): gauge pressures of R-134a. It is off the reference equation by
// up to 1.7 %.
func TestSaturationPressureAgainstAServiceManual(t *testing.T) {
	for celsius, kPa := range map[float64]float64{0: 188.2, 10: 309.6, 20: 467.7, 25: 567.5, 30: 667.8, 40: 916.4, 50: 1222.1} {
		within(t, "R-134a", handbook.GaugePressure(handbook.SaturationPressureR134a(celsius)), kPa, 0.02*kPa)
	}
}

// An engineering thermodynamics text's superheat tables: saturation temperatures of R-134a.
func TestSaturationPressureAgainstATextbook(t *testing.T) {
	for celsius, kPa := range map[float64]float64{-37.07: 60, -26.43: 100, -18.80: 140, -12.73: 180, -10.09: 200, -5.37: 240} {
		within(t, "R-134a", handbook.SaturationPressureR134a(celsius), kPa, 0.01*kPa)
	}
	within(t, "normal boiling point (NIST, -26.06 °C)", handbook.SaturationPressureR134a(-26.06), 101.325, 0.1)
}

// The reference equations reckoned independently, to 0.01 kPa; and common gauge charts in psi for
// R-12 (from memory) and R-134a, at 32, 70, 86 and 100 °F.
func TestSaturationPressureAgainstTheEquations(t *testing.T) {
	for celsius, kPa := range map[float64][2]float64{-30: {84.38, 100.27}, 0: {292.81, 308.18}, 20: {571.70, 566.43}, 25: {665.36, 650.57}, 40: {1016.57, 958.73}, 60: {1681.82, 1521.76}} {
		within(t, "R-134a", handbook.SaturationPressureR134a(celsius), kPa[0], 0.006)
		within(t, "R-12", handbook.SaturationPressureR12(celsius), kPa[1], 0.006)
	}
	for fahrenheit, psi := range map[float64][2]float64{32: {30.1, 27.8}, 70: {70.2, 71.1}, 86: {93.3, 97.0}, 100: {117.2, 124.2}} {
		celsius := (fahrenheit - 32) / 1.8
		within(t, "R-12 gauge", handbook.GaugePressure(handbook.SaturationPressureR12(celsius))/6.894757, psi[0], 0.35)
		within(t, "R-134a gauge", handbook.GaugePressure(handbook.SaturationPressureR134a(celsius))/6.894757, psi[1], 0.35)
	}
	if p := handbook.SaturationPressureR12(120); p == p {
		t.Errorf("above its critical point R-12 has a saturation pressure of %v", p)
	}
}

// ASHRAE (from memory), and a secondary-loop fluid table (35, 40, 60 %: -18.8, -23.8, -51.2 °C), which
// differ by up to 3 K.
func TestGlycolFreezingPoint(t *testing.T) {
	for percent, celsius := range map[float64]float64{35: -18.8, 40: -23.8, 60: -51.2} {
		within(t, "freezing point", handbook.GlycolFreezingPoint(percent), celsius, 3)
	}
	if v := handbook.GlycolFreezingPoint(80); v == v {
		t.Errorf("beyond the table: %v", v)
	}
}

func TestDOT3BoilingPoint(t *testing.T) {
	for water, fahrenheit := range map[float64]float64{0: 401, 1: 369, 2: 320, 3: 293} {
		within(t, "boiling point", handbook.DOT3BoilingPoint(water)*1.8+32, fahrenheit, 1e-9)
	}
	// 49 CFR 571.116 S5.1.2 and S6.2: at 3.7 % of water DOT 3 may not boil below 140 °C.
	if v := handbook.DOT3BoilingPoint(3); v < 140 {
		t.Errorf("with less water than the wet limit it boils at %v", v)
	}
}

// Examples of date codes from tyre guides: week 7 of 2012, week 25 of 2001, week 45 of 2013.
func TestTyreMade(t *testing.T) {
	for code, want := range map[string]string{"0712": "2012-02-13", "2501": "2001-06-18", "4513": "2013-11-04", "0100": "2000-01-03", "5315": "2015-12-28"} {
		got, err := handbook.TyreMade(code)
		if err != nil || got.String() != want {
			t.Errorf("%s: %v (%v), want %s", code, got, err, want)
		}
	}
	for _, code := range []string{"317", "", "0012", "5412", "a712", "07123"} {
		if d, err := handbook.TyreMade(code); err == nil {
			t.Errorf("%q is read as %v", code, d)
		}
	}
}

// 31 in week 317 is from a tyre guide: week 31 of 1997, which the code alone does not say.
func TestTyreMadeBeforeTheCodeSaidWhen(t *testing.T) {
	if _, err := handbook.TyreMade("317"); !errors.Is(err, handbook.ErrDecadeOpen) {
		t.Errorf("three digits: %v", err)
	}
	if _, err := handbook.TyreMade("3x7"); err == nil || errors.Is(err, handbook.ErrDecadeOpen) {
		t.Errorf("three characters: %v", err)
	}
}

func TestTyreCodeIsWhatTyreMadeReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := calendar.DayOf(2000, 1, 3) + calendar.Day(rapid.IntRange(0, 36520).Draw(t, "day"))
		made, err := handbook.TyreMade(handbook.TyreCode(day))
		if err != nil || made > day || day-made > 6 {
			t.Fatalf("%s is in the week %s, which begins on %s (%v)", day, handbook.TyreCode(day), made, err)
		}
	})
}

func TestTablesKeepTheirOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(0, 55).Draw(t, "x")
		step := rapid.Float64Range(0.01, 4).Draw(t, "step")
		if handbook.SaturationPressureR12(x+step) <= handbook.SaturationPressureR12(x) || handbook.SaturationPressureR134a(x+step) <= handbook.SaturationPressureR134a(x) {
			t.Fatal("the pressure falls as it gets warmer")
		}
		if handbook.GlycolFreezingPoint(x+step) > handbook.GlycolFreezingPoint(x) {
			t.Fatal("more glycol freezes sooner")
		}
		if v := 11 + x/30; handbook.StateOfCharge(v+step/10, 20) < handbook.StateOfCharge(v, 20) {
			t.Fatal("the charge falls as the voltage rises")
		}
		if handbook.SteeringPlayLimit(300+10*(x+step)) < handbook.SteeringPlayLimit(300+10*x) {
			t.Fatal("a larger wheel is allowed less")
		}
	})
}
