package spelling_test

import (
	"slices"
	"testing"

	"laidup/internal/spelling"
)

func TestNearest(t *testing.T) {
	names := []string{"timing_belt", "timing_marks", "timing_chain", "battery", "fuel", "air"}
	for name, c := range map[string]struct{ word, want string }{
		"the very word":           {"battery", "battery"},
		"a letter changed":        {"timing_bell", "timing_belt"},
		"a letter left out":       {"timing_chan", "timing_chain"},
		"letters put in":          {"batttterry", "battery"},
		"letters swapped":         {"abttery", "battery"},
		"another word altogether": {"windscreen", ""},
		"short words by little":   {"fual", "fuel"},
		"short words by much":     {"feat", ""},
		"nothing":                 {"", ""},
	} {
		t.Run(name, func(t *testing.T) {
			if got := spelling.Nearest(c.word, slices.Values(names)); got != c.want {
				t.Errorf("%q is taken for %q, want %q", c.word, got, c.want)
			}
		})
	}
	if got := spelling.Nearest("bat", slices.Values([]string{"cat", "hat"})); got != "cat" {
		t.Errorf("of two alike it is %q", got)
	}
	if got := spelling.Nearest("bat", slices.Values([]string{"hat", "cat"})); got != "cat" {
		t.Errorf("of two alike the other way round it is %q", got)
	}
}
