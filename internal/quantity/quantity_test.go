package quantity_test

import (
	"math"
	"strings"
	"testing"

	"laidup/internal/quantity"

	"pgregory.net/rapid"
)

func unit(t interface{ Fatalf(string, ...any) }, name string) quantity.Unit {
	u, ok := quantity.Lookup(name)
	if !ok {
		t.Fatalf("no unit %q", name)
	}
	return u
}

// Values from NIST SP 811 (2008), appendix B.8, and from 49 CFR 571.116 S5.1 (boiling points
// given in both scales).
func TestPublishedConversions(t *testing.T) {
	for name, c := range map[string]struct {
		value    float64
		from, to string
		want     float64
	}{
		"bar to kPa":                       {2, "bar", "kPa", 200},
		"a tenth of a bar is not lost":     {1.1, "bar", "kPa", 110},
		"psi to kPa":                       {100, "psi", "kPa", 689.475729317},
		"inch to mm":                       {1, "in", "mm", 25.4},
		"thirty-second of an inch":         {0.03125, "[in_i]", "mm", 0.79375},
		"mile to km":                       {131400, "[mi_i]", "km", 211467.8016},
		"kgf/cm2 to kPa":                   {1, "kgf/cm2", "kPa", 98.0665},
		"DOT 3 wet 284 degF":               {284, "degF", "Cel", 140},
		"DOT 4 wet 311 degF":               {311, "[degF]", "Cel", 155},
		"DOT 5 wet 356 degF":               {356, "°F", "Cel", 180},
		"freezing":                         {32, "degF", "degC", 0},
		"minus forty is the same":          {-40, "degF", "Cel", -40},
		"kelvin":                           {273.15, "K", "Cel", 0},
		"half as a share":                  {0.5, "1", "%", 50},
		"months to years":                  {6, "mo", "a", 0.5},
		"inches of mercury (conventional)": {29.92, "inHg", "kPa", 101.32075888},
		"millivolts":                       {12650, "mV", "V", 12.65},
		"the same unit by its short form":  {1, "yr", "a", 1},
		"infinity stays what it is":        {math.Inf(1), "psi", "kPa", math.Inf(1)},
		"nothing is nothing":               {0, "psi", "kPa", 0},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := quantity.Convert(c.value, unit(t, c.from), unit(t, c.to))
			if err != nil || got != c.want {
				t.Errorf("%v %s = %v %s, %v; want %v", c.value, c.from, got, c.to, err, c.want)
			}
		})
	}
}

func TestUnitsOfOtherThingsAreRefusedWithWhatIsRight(t *testing.T) {
	_, err := quantity.Convert(1, unit(t, "V"), unit(t, "kPa"))
	if err == nil || !strings.Contains(err.Error(), "psi") || !strings.Contains(err.Error(), "kPa") {
		t.Errorf("volts as pressure: %v", err)
	}
}

func TestThereAndBackIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := unit(t, rapid.SampledFrom([]string{"mm", "[in_i]", "kPa", "bar", "psi", "Cel", "degF", "K", "a", "mo", "%", "V"}).Draw(t, "from"))
		to := rapid.SampledFrom(from.Like()).Draw(t, "to")
		v := math.Round(rapid.Float64Range(-1e5, 1e5).Draw(t, "v")*1e3) / 1e3
		there, err := quantity.Convert(v, from, to)
		if err != nil {
			t.Fatal(err)
		}
		back, err := quantity.Convert(there, to, from)
		if err != nil || math.Abs(back-v) > 1e-6+1e-8*math.Abs(v) {
			t.Fatalf("%v %s -> %v %s -> %v (%v)", v, from.Code, there, to.Code, back, err)
		}
	})
}

func TestConversionKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := unit(t, rapid.SampledFrom([]string{"mm", "kPa", "Cel", "degF", "a"}).Draw(t, "from"))
		to := rapid.SampledFrom(from.Like()).Draw(t, "to")
		a, b := rapid.Float64Range(-1e4, 1e4).Draw(t, "a"), rapid.Float64Range(-1e4, 1e4).Draw(t, "b")
		x, _ := quantity.Convert(a, from, to)
		y, _ := quantity.Convert(b, from, to)
		if a <= b && x > y {
			t.Fatalf("%v <= %v %s but %v > %v %s", a, b, from.Code, x, y, to.Code)
		}
	})
}

func TestNoNameMeansTwoUnits(t *testing.T) {
	seen := map[string]string{}
	for _, base := range []string{"mm", "kPa", "Cel", "V", "%", "a"} {
		u := unit(t, base)
		for _, like := range u.Like() {
			for _, n := range append([]string{like.Code}, like.Short...) {
				if other, dup := seen[n]; dup {
					t.Errorf("%q names %s and %s", n, other, like.Code)
				}
				seen[n] = like.Code
				if got, ok := quantity.LookupBytes([]byte(n)); !ok || got.Code != like.Code {
					t.Errorf("%q is not found as %s", n, like.Code)
				}
			}
		}
	}
}

func FuzzLookupAndConvert(f *testing.F) {
	f.Add("psi", "kPa", 32.0)
	f.Add("°F", "Cel", -459.67)
	f.Add("parsec", "mm", 1.0)
	f.Fuzz(func(t *testing.T, from, to string, v float64) {
		a, ok := quantity.Lookup(from)
		if !ok {
			return
		}
		b, ok := quantity.Lookup(to)
		if !ok {
			return
		}
		got, err := quantity.Convert(v, a, b)
		if (err == nil) != (a.Dimension == b.Dimension) {
			t.Fatalf("%s to %s: %v", from, to, err)
		}
		if err == nil && !math.IsNaN(v) && math.IsNaN(got) {
			t.Fatalf("%v %s became NaN %s", v, from, to)
		}
	})
}
