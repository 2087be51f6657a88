package score_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"laidup/internal/score"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sheet writes what an assessment says of blockers, hazards and gates, with what each rests on.
func sheet(a *score.Assessment) string {
	var b strings.Builder
	for i, line := range full(a) {
		fmt.Fprintf(&b, "%d. %s", a.Blockers[i].Rank, line)
		if r := a.Blockers[i].Reason; r.What != "" || r.Chance != 0 {
			fmt.Fprintf(&b, " (%s, %.6f)", r.What, r.Chance.Float())
		}
		fmt.Fprintf(&b, " by %s\n", a.Blockers[i].Source)
	}
	for _, e := range a.Register {
		fmt.Fprintf(&b, "%s %s %s %s %.6f (%.6f to %.6f)\n", e.Hazard, e.Severity, e.Level, e.Risk, e.Probability.Float(), e.Low.Float(), e.High.Float())
		for _, c := range e.Causes {
			fmt.Fprintf(&b, "  %s%v %.6f (%.6f to %.6f) x %.6f, share %.6f: %.6f %+.6f = %.6f", c.Fault, c.At, c.Probability.Float(), c.Low.Float(), c.High.Float(), c.Chance.Float(), c.Share.Float(), c.Prior.Float(), c.ShiftsDB.Float(), c.TotalDB.Float())
			for n, list := range [][]score.Evidence{c.Evidence, c.Outweighed} {
				for _, x := range list {
					fmt.Fprintf(&b, "%s%s%v %.1f at %.6f %+.6f", []string{"; ", " ~ "}[n], x.Rule, x.At, x.WeightDB.Float(), x.Credence.Float(), x.EffectiveDB.Float())
				}
			}
			b.WriteByte('\n')
		}
	}
	for _, g := range a.Gates {
		fmt.Fprintf(&b, "%s %s %.6f (%.6f to %.6f, %.6f), %.6f (%.6f to %.6f)\n", g.Gate, g.State, g.ChanceThrough.Float(), g.ChanceThroughLow.Float(), g.ChanceThroughHigh.Float(), g.ChanceWithoutWord.Float(), g.ChanceUnharmed.Float(), g.ChanceUnharmedLow.Float(), g.ChanceUnharmedHigh.Float())
	}
	return b.String()
}

// golden holds the sheets of a table against a file that somebody has read: what a table's own columns say
// nothing of changes only on purpose.
func golden(t *testing.T, name, text string) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text == string(want) {
		return
	}
	got, old := strings.Split(text, "\n"), strings.Split(string(want), "\n")
	row := ""
	for i := range got {
		if strings.HasPrefix(got[i], "# ") {
			row = got[i]
		}
		if i >= len(old) || got[i] != old[i] {
			t.Fatalf("%s, under %s:\n%s\nwas\n%s\nIf that is meant: go test -run '%s' -update", path, row, got[i], old[min(i, len(old)-1)], t.Name())
		}
	}
	t.Fatalf("%s: rows are gone", path)
}
