// Package calendar has calendar dates as a workshop knows them: to the day, to the month or to
// the year. It is pure: it never asks what day it is.
//
// Dates are written as ISO 8601 has them: 2026-05-02, 2026-05 or 2026. A date known to the year
// or month stands for any day in it; where that matters, callers take [Date.Earliest] or
// [Date.Latest], whichever is the less flattering.
package calendar

import (
	"errors"
	"math"
	"time"
)

// ErrNotADate means that a text is not an ISO 8601 calendar date, year-month or year.
var ErrNotADate = errors.New(`not a date: write it as "2026-05-02", or "2026-05" or "2026" where the day is not known`)

// Day is a day, counted from 1970-01-01, which is day 0.
type Day int32

// NoDay is no day at all.
const NoDay = Day(math.MinInt32)

// DayOf returns the day of a Gregorian calendar date; months and days out of range carry over.
func DayOf(year int, month time.Month, day int) Day {
	return Day(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

func (d Day) date() (int, time.Month, int) {
	return time.Unix(int64(d)*86400, 0).UTC().Date()
}

// Date returns d as a date known to the day.
func (d Day) Date() Date {
	y, m, day := d.date()
	return Date{year: int16(y), month: uint8(m), day: uint8(day)}
}

// Year returns the calendar year that d is in.
func (d Day) Year() int {
	y, _, _ := d.date()
	return y
}

// String writes the day as 2026-05-02.
func (d Day) String() string { return d.Date().String() }

// YearsTo returns the years from d to the day given: whole anniversaries plus the share of the
// year begun. It grows steadily with to and is negative when to comes before d.
func (d Day) YearsTo(to Day) float64 {
	switch {
	case to == d:
		return 0
	case to < d:
		return -to.YearsTo(d)
	}
	y, m, day := d.date()
	ty, _, _ := to.date()
	whole := ty - y
	if DayOf(ty, m, day) > to {
		whole--
	}
	last, next := DayOf(y+whole, m, day), DayOf(y+whole+1, m, day)
	return float64(whole) + float64(to-last)/float64(next-last)
}

// Date is a calendar date of the years 1 to 9999 known to the day, the month or the year. The
// zero value is no date. Dates are comparable with ==.
type Date struct {
	year       int16
	month, day uint8 // zero where not known
}

// Parse reads an ISO 8601 date, year-month or year; the error is [ErrNotADate].
func Parse(s string) (Date, error) {
	year, ok := digits(s, 0, 4)
	if !ok || year == 0 {
		return Date{}, ErrNotADate
	}
	d := Date{year: int16(year)}
	if len(s) == 4 {
		return d, nil
	}
	month, ok := digits(s, 5, 2)
	if !ok || s[4] != '-' || month < 1 || month > 12 {
		return Date{}, ErrNotADate
	}
	d.month = uint8(month)
	if len(s) == 7 {
		return d, nil
	}
	day, ok := digits(s, 8, 2)
	if !ok || len(s) != 10 || s[7] != '-' || day < 1 {
		return Date{}, ErrNotADate
	}
	d.day = uint8(day)
	if DayOf(year, time.Month(month), day).Date() != d {
		return Date{}, ErrNotADate
	}
	return d, nil
}

func digits(s string, at, n int) (int, bool) {
	if len(s) < at+n {
		return 0, false
	}
	v := 0
	for _, c := range []byte(s[at : at+n]) {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int(c-'0')
	}
	return v, true
}

// IsZero reports whether d is no date.
func (d Date) IsZero() bool { return d == Date{} }

// ToTheDay reports whether the day is known.
func (d Date) ToTheDay() bool { return d.day != 0 }

// Earliest returns the first day that d may stand for; [NoDay] for no date.
func (d Date) Earliest() Day {
	if d.IsZero() {
		return NoDay
	}
	return DayOf(int(d.year), time.Month(max(d.month, 1)), int(max(d.day, 1)))
}

// Latest returns the last day that d may stand for; [NoDay] for no date.
func (d Date) Latest() Day {
	switch {
	case d.IsZero():
		return NoDay
	case d.month == 0:
		return DayOf(int(d.year)+1, 1, 0)
	case d.day == 0:
		return DayOf(int(d.year), time.Month(d.month)+1, 0)
	}
	return d.Earliest()
}

// String writes the date as [Parse] reads it; no date is the empty text.
func (d Date) String() string {
	switch {
	case d.IsZero():
		return ""
	case d.month == 0:
		return string(pad(nil, int(d.year), 4))
	}
	b := append(pad(make([]byte, 0, 10), int(d.year), 4), '-')
	b = pad(b, int(d.month), 2)
	if d.day != 0 {
		b = pad(append(b, '-'), int(d.day), 2)
	}
	return string(b)
}

func pad(b []byte, v, width int) []byte {
	for unit := int(math.Pow10(width - 1)); unit > 0; unit /= 10 {
		b = append(b, byte('0'+v/unit%10))
	}
	return b
}

// MarshalText writes the date as String does.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what [Parse] reads; the empty text is no date.
func (d *Date) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	*d, err = Parse(string(b))
	return err
}
