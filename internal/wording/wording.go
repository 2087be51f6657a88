// Package wording says what an assessment says as a person would, in one way everywhere. It is pure.
package wording

import (
	"encoding/json"
	"strings"

	"laidup/internal/score"
)

// Spaced makes words of an id.
func Spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

// Percent is [score.Share.Percent].
func Percent(s score.Share) string { return s.Percent() }

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

// Value is [score.InWords].
func Value(raw json.RawMessage) string { return score.InWords(raw) }
