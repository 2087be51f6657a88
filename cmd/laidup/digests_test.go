package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/schema"
)

// A published version never changes: assessments name it, and are worked out again under it. Who
// changes a rule makes the folder of the next version, with a line of its own in DIGESTS.
func TestPublishedVersionsAreAsTheyWere(t *testing.T) {
	file := filepath.Join("..", "..", "schema", "rulesets", "DIGESTS")
	sets := builtin.RuleSets()
	if *update {
		var lines strings.Builder
		for _, s := range sets {
			fmt.Fprintln(&lines, s.Name, s.Version, s.Digest)
		}
		if err := os.WriteFile(file, []byte(lines.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range sets {
		if line := fmt.Sprintln(s.Name, s.Version, s.Digest); !strings.Contains(string(text), line) {
			t.Errorf("%s %s is not the version that was published: undo the change, or make it a new version's.\nIts line would be %s", s.Name, s.Version, line)
		}
	}
	// Every folder is built in, and every line has its folder.
	folders, err := fs.Glob(schema.FS, "rulesets/*/*/rule-set.yaml")
	if err != nil || len(folders) != len(sets) || strings.Count(string(text), "\n") != len(sets) {
		t.Errorf("%d folders, %d built in, %d lines in DIGESTS (%v)", len(folders), len(sets), strings.Count(string(text), "\n"), err)
	}
}
