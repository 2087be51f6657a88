package api

import (
	"laidup/api/site"
	"laidup/api/wire"
	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
)

// FittedBy says on which vehicles an item is, as the inspection form has it, in JSON; null where that
// cannot be said there.
func FittedBy(cat *catalogue.Catalogue, it *catalogue.Item) []byte {
	return wire.Encode(site.FittedBy(cat, it))
}

// FormOf is what the script of the inspection form is handed.
func FormOf(set *ruleset.Set) []byte { return wire.Encode(site.FormOf(set)) }
