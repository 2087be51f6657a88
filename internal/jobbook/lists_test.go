package jobbook_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/catalogue"
	"laidup/internal/jobbook"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// What stands on the lists of vehicles at which nobody looked, and of sick ones, is given by jobs that can be
// done on them, at every position that is named: what was found bad by a job that sees to it.
func TestTheGenericBookAnswersRealLists(t *testing.T) {
	b, set := generic(t), builtin.FirstStart()
	scorer := score.New(set)
	lists, entries := 0, 0
	for _, x := range set.Tests {
		form, err := x.Form()
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(form.Name, "nobody_looked_at_") && !strings.HasPrefix(form.Name, "sick_") {
			continue
		}
		reports := []*report.Report{reportOf(t, form)}
		v := jobbook.Vehicle{Name: form.Name, Facts: report.Lay(reports, set.Catalogue, set.ProofCredence).Frame}
		r := b.Reach(v.Facts)
		lists++
		for _, blocker := range scorer.Evaluate(reports, len(set.Gates)-1).Blockers {
			for _, c := range blocker.ClearBy {
				it := set.Catalogue.Item(c.Item)
				if it == nil {
					continue // a fact is asked for
				}
				positions := []*catalogue.Position{nil}
				if len(c.At) > 0 {
					positions = nil
					for _, at := range c.At {
						positions = append(positions, set.Catalogue.Position(at))
					}
				}
				for _, f := range c.Found {
					for _, p := range positions {
						entries++
						if !cleared(b, r, it.Find(f.ID), p, blocker.Kind == ruleset.Defect.String()) {
							t.Errorf("%s: nothing clears %s.%s at %v of %s", form.Name, c.Item, f.ID, c.At, strings.Join(blocker.Rules, ", "))
						}
					}
				}
			}
		}
	}
	if lists < 40 || entries < 2000 {
		t.Errorf("only %d lists with %d things asked for", lists, entries)
	}
}

func cleared(b *jobbook.Book, r jobbook.Reach, f *catalogue.Finding, p *catalogue.Position, bad bool) bool {
	made, shown := false, false
	for i, j := range b.Jobs {
		if !r.Jobs[i] {
			continue
		}
		made = made || slices.Contains(j.Mends, f)
		for _, g := range j.Gives {
			if g.Finding == f && (g.Covers(p) || p == nil) {
				shown, made = true, made || !g.Shown
			}
		}
	}
	k := b.Looks[f.Item.Index]
	shown = shown || r.Looks[f.Item.Index] && slices.Contains(k.Gives, f)
	return shown && (made || !bad)
}
