package main

import (
	"strings"
	"testing"
)

func TestVersion(t *testing.T) {
	for _, args := range [][]string{{"version"}, {"--version"}, {"score", "--version"}} {
		code, out, errs := session(t, "", args...)
		if code != exitClear || errs != "" || !strings.HasPrefix(out, "laidup ") || !strings.Contains(out, ", go1.") {
			t.Errorf("%v: status %d, %q, %q", args, code, out, errs)
		}
	}
	if _, out, _ := session(t, "", "version"); !strings.Contains(out, "\nrule set first-start 2.0.0 sha256:") || !strings.Contains(out, "\nrule set pre-purchase 2.0.0 sha256:") {
		t.Errorf("%s", out)
	}
}
