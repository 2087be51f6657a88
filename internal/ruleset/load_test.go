package ruleset_test

import (
	"testing"

	"laidup/internal/ruleset"
	"laidup/schema"
)

func builtIn(t testing.TB) *ruleset.Set {
	t.Helper()
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	set, err := l.Folder(schema.FS, schema.FirstStart)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return set
}

func TestTheBuiltInRuleSetLoads(t *testing.T) {
	set := builtIn(t)
	t.Logf("%d items, %d hazards, %d rules, %d proofs", len(set.Catalogue.Items), len(set.Hazards), len(set.Rules), len(set.Proofs))
}
