// Package quantity converts measured values between units. It is pure.
//
// Units are named by their case-sensitive codes in the Unified Code for Units of Measure (UCUM);
// the short forms of the trade (psi, in, mi, yr, degC, degF ...) are accepted and mean the same.
// Factors are those of UCUM and the NIST Guide to the SI (SP 811), appendix B.
package quantity

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Quantity is a value with its unit, in the form in which reports carry it.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Unit is one unit of measure. Two units are interchangeable when their dimensions are equal.
type Unit struct {
	Code      string // UCUM code
	Sign      string // as a person reads it after a number, such as "°C"
	Dimension string
	Short     []string // other spellings that are understood

	// a value v in this unit is (v + offset) * factor in the dimension's base unit
	offset, factor float64
}

var units = []Unit{
	{Code: "mm", Sign: "mm", Dimension: "length", factor: 0.001},
	{Code: "cm", Sign: "cm", Dimension: "length", factor: 0.01},
	{Code: "m", Sign: "m", Dimension: "length", factor: 1},
	{Code: "km", Sign: "km", Dimension: "length", factor: 1000},
	{Code: "[in_i]", Sign: "in", Dimension: "length", Short: []string{"in"}, factor: 0.0254},
	{Code: "[ft_i]", Sign: "ft", Dimension: "length", Short: []string{"ft"}, factor: 0.3048},
	{Code: "[mi_i]", Sign: "mi", Dimension: "length", Short: []string{"mi"}, factor: 1609.344},

	{Code: "Pa", Sign: "Pa", Dimension: "pressure", factor: 1},
	{Code: "hPa", Sign: "hPa", Dimension: "pressure", factor: 100},
	{Code: "kPa", Sign: "kPa", Dimension: "pressure", factor: 1000},
	{Code: "MPa", Sign: "MPa", Dimension: "pressure", factor: 1e6},
	{Code: "mbar", Sign: "mbar", Dimension: "pressure", factor: 100},
	{Code: "bar", Sign: "bar", Dimension: "pressure", factor: 1e5},
	{Code: "[psi]", Sign: "psi", Dimension: "pressure", Short: []string{"psi"}, factor: 6894.757293168361},
	{Code: "kgf/cm2", Sign: "kgf/cm²", Dimension: "pressure", Short: []string{"kg/cm2"}, factor: 98066.5},
	{Code: "[in_i'Hg]", Sign: "inHg", Dimension: "pressure", Short: []string{"inHg"}, factor: 3386.389},

	{Code: "Cel", Sign: "°C", Dimension: "temperature", Short: []string{"degC", "°C"}, offset: 273.15, factor: 1},
	{Code: "K", Sign: "K", Dimension: "temperature", factor: 1},
	{Code: "[degF]", Sign: "°F", Dimension: "temperature", Short: []string{"degF", "°F"}, offset: 459.67, factor: 5.0 / 9.0},

	{Code: "V", Sign: "V", Dimension: "voltage", factor: 1},
	{Code: "mV", Sign: "mV", Dimension: "voltage", factor: 0.001},

	{Code: "%", Sign: "%", Dimension: "share", factor: 0.01},
	{Code: "1", Sign: "", Dimension: "share", factor: 1},

	{Code: "d", Sign: "d", Dimension: "time", factor: 1},
	{Code: "wk", Sign: "weeks", Dimension: "time", factor: 7},
	{Code: "mo", Sign: "months", Dimension: "time", factor: 30.4375},
	{Code: "a", Sign: "years", Dimension: "time", Short: []string{"yr", "y"}, factor: 365.25},
}

// byName finds units by code and short form. It is filled once and never changed.
var byName = func() map[string]Unit {
	m := map[string]Unit{}
	for _, u := range units {
		m[u.Code] = u
		for _, s := range u.Short {
			m[s] = u
		}
	}
	return m
}()

// Lookup finds a unit by its UCUM code or a short form.
func Lookup(name string) (Unit, bool) {
	u, ok := byName[name]
	return u, ok
}

// LookupBytes is [Lookup] without the need to make a string of the name first.
func LookupBytes(name []byte) (Unit, bool) {
	u, ok := byName[string(name)]
	return u, ok
}

// Like returns the units interchangeable with u, u among them, in the order of the table.
func (u Unit) Like() []Unit {
	var like []Unit
	for _, o := range units {
		if o.Dimension == u.Dimension {
			like = append(like, o)
		}
	}
	return like
}

// Names returns the codes and short forms of the units interchangeable with u.
func (u Unit) Names() []string {
	var names []string
	for _, o := range u.Like() {
		names = append(append(names, o.Code), o.Short...)
	}
	slices.Sort(names)
	return names
}

// Convert returns a value in unit from as a value in unit to. The result is rounded to twelve
// significant digits, so that 1.1 bar and 110 kPa are the same number. Units of different
// dimensions are an error.
func Convert(value float64, from, to Unit) (float64, error) {
	switch {
	case from.Dimension != to.Dimension:
		return 0, fmt.Errorf("%s is a unit of %s, not of %s: use one of %s", from.Code, from.Dimension, to.Dimension, strings.Join(to.Names(), ", "))
	case from.Code == to.Code:
		return value, nil
	}
	v := float64((value+from.offset)*from.factor)/to.factor - to.offset
	if from.offset != 0 || to.offset != 0 {
		// A temperature near zero is the difference of two numbers near 300:
		// below 1e-9 it is rounding, not measurement.
		v = math.Round(v*1e9) / 1e9
	}
	return round(v), nil
}

func round(v float64) float64 {
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return v
	}
	r, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 11, 64), 64)
	return r
}
