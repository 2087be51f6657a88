package api

import (
	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
)

// FittedBy spells out on which vehicles an item is, as the inspection form has it; by is nil where
// that cannot be spelt out.
func FittedBy(cat *catalogue.Catalogue, it *catalogue.Item) (by []int, is string) {
	f := fittedBy(cat, it)
	if f == nil {
		return nil, ""
	}
	return f.By, f.Is
}

// FormOf is what the script of the inspection form is handed.
func FormOf(set *ruleset.Set) []byte { return encode(formOf(set)) }
