package store

import "slices"

// ErasedTables lists the tables that erasures knows.
func ErasedTables() (all []string) {
	for _, step := range erasures {
		all = slices.Concat(all, step.tables)
	}
	return all
}
