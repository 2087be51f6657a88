// Package handbook has what the trade reads off a table or reckons with a formula: the charge of a
// battery by its voltage, the play allowed in a steering wheel, the pressure of a refrigerant over
// its liquid. Each function names its source. It is pure.
//
// A function returns NaN where its source says nothing: outside the range of a table, or for values
// that cannot be.
package handbook

import (
	"errors"
	"fmt"
	"math"
	"time"

	"laidup/internal/calendar"
)

// table is piecewise linear between its rows, which go from left to right, and NaN beyond them.
type table [][2]float64

func (t table) at(x float64) float64 {
	if !(x >= t[0][0] && x <= t[len(t)-1][0]) {
		return math.NaN()
	}
	for i := 1; i < len(t); i++ {
		if a, b := t[i-1], t[i]; x <= b[0] {
			return a[1] + float64((x-a[0])*(b[1]-a[1]))/(b[0]-a[0])
		}
	}
	return math.NaN()
}

// chargeByVolts is the state of charge in % of a flooded 12 V lead-acid battery by its voltage at
// rest at 80 °F (26.7 °C). Source: a battery maker's technical table of open-circuit voltage and
// specific gravity (12.65, 12.45, 12.24, 12.06, 11.89 V for 100, 75, 50, 25, 0 %). A magazine has
// 12.30 V for 50 %: other tables differ by some hundredths of a volt.
var chargeByVolts = table{{11.89, 0}, {12.06, 25}, {12.24, 50}, {12.45, 75}, {12.65, 100}}

// StateOfCharge returns the state of charge in % of a flooded 12 V lead-acid battery that has rested
// for at least eight hours, by its open-circuit voltage and its temperature in °C. The voltage
// falls by 0.024 V for every 10 °F below 80 °F (same table). Above and below the table it is 100
// and 0.
func StateOfCharge(volts, celsius float64) float64 {
	fahrenheit := float64(celsius*9/5) + 32
	at80 := volts + float64(0.024*(80-fahrenheit))/10
	switch {
	case !(volts >= 0 && celsius > -60 && celsius < 80):
		return math.NaN()
	case at80 <= chargeByVolts[0][0]:
		return 0
	case at80 >= chargeByVolts[len(chargeByVolts)-1][0]:
		return 100
	}
	return chargeByVolts.at(at80)
}

const millimetresPerInch = 25.4

// SteeringPlayLimit returns the greatest play allowed at the rim of a steering wheel of the diameter
// given, both in mm. Source: 49 CFR 570.7(a) Table 1 (light vehicles): 2 in for wheels of 16 in or
// less, 2 1/4, 2 1/2 and 2 3/4 in for 18, 20 and 22 in, which is 1/8 in for each inch over 16.
func SteeringPlayLimit(wheelDiameter float64) float64 {
	inches := wheelDiameter / millimetresPerInch
	if !(inches > 0) {
		return math.NaN()
	}
	// Rounded, so that a play of just what the limit allows is not above it by a last digit.
	return math.Round((2+float64(0.125*max(0, inches-16)))*millimetresPerInch*1e6) / 1e6
}

// saturation is the vapour-pressure ancillary of an equation of state:
// p = pc exp(Tc/T * sum n_i (1 - T/Tc)^t_i).
type saturation struct {
	kPa, kelvin float64 // critical point
	terms       [][2]float64
	from        float64 // °C; below, the equation is not used here
}

// Sources: R-12, Marx, Pruß and Wagner 1992; R-134a, Tillner-Roth and Baehr 1994; both in the form
// and with the coefficients of the ancillaries carried by the open CoolProp fluid files (stated
// error at most 0.026 % and 0.010 %).
var (
	r12 = saturation{4136.1, 385.12, [][2]float64{
		{-0.4180899251614923, 0.894}, {-6.821426208906223, 1.009}, {1.4450198472690974, 1.274},
		{-1.4837613030063526, 3.0}, {-2.1731387101462754, 4.927}, {-5.72739817030707, 19.696},
	}, -60}
	r134a = saturation{4059.28, 374.21, [][2]float64{
		{0.4331478287291047, 0.845}, {-9.090302559074352, 0.99}, {2.1476074125217703, 1.14},
		{-1.557687007603464, 2.651}, {-3.5020328972698604, 4.507}, {14.958442337201044, 17.235},
	}, -60}
)

func (s saturation) at(celsius float64) float64 {
	t := celsius + 273.15
	if !(celsius >= s.from && t < s.kelvin) {
		return math.NaN()
	}
	sum := 0.0
	for _, n := range s.terms {
		sum += float64(n[0] * math.Pow(1-t/s.kelvin, n[1]))
	}
	return s.kPa * math.Exp(s.kelvin/t*sum)
}

// SaturationPressureR12 returns the absolute pressure in kPa of R-12 over its liquid at the
// temperature given in °C, from -60 °C to the critical point.
func SaturationPressureR12(celsius float64) float64 { return r12.at(celsius) }

// SaturationPressureR134a returns the absolute pressure in kPa of R-134a over its liquid at the
// temperature given in °C, from -60 °C to the critical point.
func SaturationPressureR134a(celsius float64) float64 { return r134a.at(celsius) }

// atmosphere is the standard atmosphere in kPa, which a gauge does not show.
const atmosphere = 101.325

// GaugePressure returns what a gauge shows of an absolute pressure, both in kPa, at sea level.
func GaugePressure(absolute float64) float64 { return absolute - atmosphere }

// glycolFreezing is the freezing point in °C of ethylene glycol in water by mass %. Source: ASHRAE
// Handbook Fundamentals (2009) chapter 31 table 4, from memory; other tables differ by up to 3 K.
var glycolFreezing = table{{0, 0}, {10, -3.2}, {20, -7.8}, {30, -14.1}, {40, -22.3}, {50, -33.8}, {60, -48.3}}

// GlycolFreezingPoint returns the freezing point in °C of ethylene glycol in water by its share of
// the mass in %, from 0 to 60.
func GlycolFreezingPoint(massPercent float64) float64 { return glycolFreezing.at(massPercent) }

// dot3Boiling is the boiling point in °F of a DOT 3 brake fluid by the water in it in %. Source: a
// trade training text (369, 320 and 293 °F at 1, 2 and 3 %), with the dry limit of 49 CFR 571.116
// S5.1.1 (401 °F) at none.
var dot3Boiling = table{{0, 401}, {1, 369}, {2, 320}, {3, 293}}

// DOT3BoilingPoint returns about what temperature in °C a DOT 3 brake fluid boils at with the share
// of water given in %, from 0 to 3.
func DOT3BoilingPoint(waterPercent float64) float64 {
	return (dot3Boiling.at(waterPercent) - 32) * 5 / 9
}

// ErrDecadeOpen means that a week code has three digits.
var ErrDecadeOpen = errors.New("has three digits: it is from before 2000 and does not say of which decade")

// TyreMade returns the first day of the week that a tyre was made in, by the last four digits of
// its DOT tyre identification number: week and year since 2000 (49 CFR 574.5). Three-digit codes,
// used before 2000, leave the decade open: [ErrDecadeOpen].
func TyreMade(code string) (calendar.Day, error) {
	n := 0
	for _, c := range []byte(code) {
		if c < '0' || c > '9' {
			return calendar.NoDay, fmt.Errorf("%q is not a week code: it is the last four digits of the number on the wall, such as 0914 for week 9 of 2014", code)
		}
		n = n*10 + int(c-'0')
		if n > 9999 {
			break
		}
	}
	switch len(code) {
	case 4:
	case 3:
		return calendar.NoDay, fmt.Errorf("%q %w", code, ErrDecadeOpen)
	default:
		return calendar.NoDay, fmt.Errorf("%q is not a week code: give the last four digits alone, week and year, such as 0914 for week 9 of 2014", code)
	}
	week, year := n/100, 2000+n%100
	if week < 1 || week > 53 {
		return calendar.NoDay, fmt.Errorf("%q is not a week code: there is no week %d", code, week)
	}
	// Week 1 is the one with 4 January in it (ISO 8601); weeks begin on Monday.
	fourth := time.Date(year, 1, 4, 0, 0, 0, 0, time.UTC)
	monday := 4 - (int(fourth.Weekday())+6)%7
	return calendar.DayOf(year, 1, monday+7*(week-1)), nil
}

// TyreWeek returns the week, from 1 to 53, and the year that a day is in, as the codes that
// [TyreMade] reads have them.
func TyreWeek(day calendar.Day) (week, year int) {
	year, week = time.Unix(int64(day)*86400, 0).UTC().ISOWeek()
	return week, year
}

// TyreCode writes the week of a day, from 2000 to 2099, as [TyreMade] reads it.
func TyreCode(day calendar.Day) string {
	week, year := TyreWeek(day)
	return fmt.Sprintf("%02d%02d", week, year%100)
}
