package calendar_test

import (
	"testing"
	"time"

	"laidup/internal/calendar"

	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	for text, want := range map[string][2]string{
		"2026-05-02": {"2026-05-02", "2026-05-02"},
		"2015-08":    {"2015-08-01", "2015-08-31"},
		"2024-02":    {"2024-02-01", "2024-02-29"},
		"1987":       {"1987-01-01", "1987-12-31"},
		"2024-02-29": {"2024-02-29", "2024-02-29"},
	} {
		d, err := calendar.Parse(text)
		if err != nil || d.String() != text || d.Earliest().String() != want[0] || d.Latest().String() != want[1] {
			t.Errorf("%s: %v, %v to %v (%v)", text, d, d.Earliest(), d.Latest(), err)
		}
	}
	for _, text := range []string{"", "26", "0000", "2026-", "2026-00", "2026-13", "2026-5", "2026-05-00", "2026-02-29", "2026-04-31", "2026-05-02T00:00:00Z", " 2026", "2026/05/02", "20２6", "-2026", "+026"} {
		if d, err := calendar.Parse(text); err != calendar.ErrNotADate || !d.IsZero() {
			t.Errorf("%q was read as %v (%v)", text, d, err)
		}
	}
}

func TestYears(t *testing.T) {
	for _, c := range []struct {
		from, to string
		want     float64
	}{
		{"2023-05-02", "2026-05-02", 3},
		{"2026-05-02", "2026-05-02", 0},
		{"2025-05-02", "2026-05-01", 364.0 / 365},
		{"2024-02-29", "2025-03-01", 1},
		{"2024-02-29", "2028-02-29", 4},
		{"2026-05-02", "2023-05-02", -3},
	} {
		from, _ := calendar.Parse(c.from)
		to, _ := calendar.Parse(c.to)
		if got := from.Earliest().YearsTo(to.Earliest()); got != c.want {
			t.Errorf("%s to %s: %v, want %v", c.from, c.to, got, c.want)
		}
	}
}

func TestYearsGrowDayByDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := calendar.Day(rapid.IntRange(-20000, 40000).Draw(t, "from"))
		to := from + calendar.Day(rapid.IntRange(0, 20000).Draw(t, "after"))
		if a, b := from.YearsTo(to), from.YearsTo(to+1); !(a < b) {
			t.Fatalf("%v to %v is %v, a day later %v", from, to, a, b)
		}
	})
}

func TestDaysAgreeWithTheStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := calendar.Day(rapid.IntRange(-300000, 2900000).Draw(t, "day"))
		want := time.Unix(int64(d)*86400, 0).UTC().Format("2006-01-02")
		if d.String() != want {
			t.Fatalf("day %d is %s, want %s", int(d), d, want)
		}
		back, err := calendar.Parse(want)
		if err != nil || back.Earliest() != d {
			t.Fatalf("%s came back as %v (%v)", want, back, err)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"2026-05-02", "2026-05", "2026", "2026-02-30", "202605"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := calendar.Parse(s)
		if err == nil && (d.String() != s || d.Earliest() > d.Latest()) {
			t.Fatalf("%q became %v, %v to %v", s, d, d.Earliest(), d.Latest())
		}
	})
}
