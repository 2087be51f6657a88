// Package wording says what an assessment says as a person would, in one way everywhere. It is pure.
package wording

import (
	"encoding/json"
	"fmt"
	"strings"

	"laidup/internal/quantity"
	"laidup/internal/score"
)

// Spaced makes words of an id.
func Spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

// Percent writes a chance without claiming certainty that it does not have.
func Percent(s score.Share) string {
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

// Clearing says in words which findings clear a blocker.
func Clearing(list []score.Clearing) string {
	var items []string
	for _, c := range list {
		var found []string
		for _, f := range c.Found {
			found = append(found, Spaced(f.ID)+" "+Value(f.Value))
		}
		items = append(items, Spaced(c.Item)+" "+strings.Join(found, ", "))
	}
	return strings.Join(items, "; ")
}

// Value writes a value in the form of a report as a person would.
func Value(raw json.RawMessage) string {
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
		return Spaced(v)
	case map[string]any:
		name, _ := v["unit"].(string)
		if u, ok := quantity.Lookup(name); ok {
			name = u.Sign
		}
		return strings.TrimSpace(fmt.Sprintf("%v %s", v["value"], name))
	}
	return fmt.Sprint(v)
}
