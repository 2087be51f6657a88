package main

import (
	"cmp"
	"fmt"

	"laidup/internal/builtin"
	"laidup/internal/version"
)

type versionCommand struct{}

// Run shows the version, and the rule sets that are built in.
func (versionCommand) Run(t terminal) error {
	fmt.Fprintln(t.out, versionLine())
	for _, set := range builtin.RuleSets() {
		fmt.Fprintf(t.out, "rule set %s %s %s\n", set.Name, set.Version, set.Digest)
	}
	return nil
}

func versionLine() string {
	v := version.Current()
	return fmt.Sprintf("laidup %s (commit %s, %s)", v.Version, cmp.Or(v.Commit, "unknown"), v.Go)
}
