package rulecheck_test

import (
	"testing"

	"laidup/internal/rulecheck"
)

// A rule book may say how rare a thing is to any digit, and that it is certain only where it is.
func TestABookSaysCertainOnlyOfWhatIs(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{
		0: "0 %", 1: "100 %", 0.998: "99.8 %", 0.9994: "99.9 %", 0.9996: "99.96 %", 0.99999: "99.999 %", 0.0000123: "0.00123 %", 0.12345: "12.3 %",
	} {
		if got := rulecheck.Percent(p); got != want {
			t.Errorf("%g is %q, want %q", p, got, want)
		}
	}
}
