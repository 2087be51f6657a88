package score

import (
	"encoding/json"
	"fmt"
	"strings"

	"laidup/internal/quantity"
)

// Percent writes a chance without claiming certainty that it does not have.
func (s Share) Percent() string {
	switch v := 100 * s.Float(); {
	case v > 99.9 && v < 100:
		return "over 99.9 %"
	case v >= 10:
		return fmt.Sprintf("%.0f %%", v)
	case v >= 0.1:
		return fmt.Sprintf("%.1f %%", v)
	case v > 0:
		return "under 0.1 %"
	}
	return "0 %"
}

// spaced makes words of an id.
func spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

// InWords writes a value in the form of a report as a person would.
func InWords(raw json.RawMessage) string {
	var v any
	if json.Unmarshal(raw, &v) != nil {
		return string(raw)
	}
	switch v := v.(type) {
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case string:
		return spaced(v)
	case map[string]any:
		name, _ := v["unit"].(string)
		if u, ok := quantity.Lookup(name); ok {
			name = u.Sign
		}
		return strings.TrimSpace(fmt.Sprintf("%v %s", v["value"], name))
	}
	return fmt.Sprint(v)
}

// counted writes "1 thing" and "2 things".
func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

// listed writes "a, b and c".
func listed(words []string) string {
	if n := len(words) - 1; n > 0 {
		return strings.Join(words[:n], ", ") + " and " + words[n]
	}
	return strings.Join(words, "")
}
