package wording

import (
	"slices"
	"strconv"
	"strings"

	"laidup/internal/score"
)

// Verdict says in one sentence how an assessment judges a gate: "Do not crank: the timing belt is frayed,
// and 2 more." Of a gate that is clear it says how much was inspected, and of one that is not it names what
// was found before what is only not proven. It is empty for a gate that the assessment does not have.
func (w *Words) Verdict(a *score.Assessment, gate string) string {
	at := slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == gate })
	if at < 0 {
		return ""
	}
	g, blockers := a.Gates[at], a.BlockersBy(gate)
	key := g.State
	if key == score.Clear && a.Coverage.LookedAt == 0 {
		key = "clear_unseen"
	}
	var first, more string
	if len(blockers) > 0 {
		named := max(0, slices.IndexFunc(blockers, func(b score.Blocker) bool { return g.State != score.Blocked || b.Kind != score.Unproven }))
		first = w.Clause(blockers[named].Reason)
		if n := len(blockers) - 1; n > 0 {
			more = w.Count("further", n)
		}
	}
	return fill(w.Verdicts[key], []string{
		"do", w.Doing(g.Is), "first", first, "more", more,
		"looked_at", strconv.Itoa(a.Coverage.LookedAt), "items", w.Count("item", a.Coverage.Applying), "share", w.Looked(a.Coverage),
	})
}

// roomForOne is how many letters of a reason a sentence has room for.
const roomForOne = 60

// Clause is [Words.Briefly] without what a rule set adds after a colon, where that is long.
func (w *Words) Clause(r score.Reason) string {
	said := w.Briefly(r)
	if clause, _, more := strings.Cut(said, ": "); more && len(said) > roomForOne {
		return clause
	}
	return said
}

// Doing is what a gate is, shorter where there are shorter words for it: "crank".
func (w *Words) Doing(is string) string {
	if short := w.Do[is]; short != "" {
		return short
	}
	return is
}
