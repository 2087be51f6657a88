package pages_test

import (
	"math"
	"testing"

	"laidup/api/pages"
	"laidup/internal/wording"
)

// A part that is not the whole is never told as the whole, nor as nothing.
func TestAPartIsNotTheWhole(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		part, of float64
		want     string
	}{
		{0, 0, "0 %"},
		{0, 5, "0 %"},
		{5, 5, "100 %"},
		{1e-12, 1, "under 0.1 %"},
		{math.Nextafter(1, 0), 1, "over 99.9 %"},
		{0.998, 1, "99.8 %"},
		{1, 3, "33 %"},
		{1e-300, 1e300, "under 0.1 %"},
	} {
		if got := wording.English().Percent(pages.ShareOf(c.part, c.of)); got != c.want {
			t.Errorf("%g of %g is %q, want %q", c.part, c.of, got, c.want)
		}
	}
}
