package appraisal

import (
	"slices"
	"strconv"
	"strings"

	"laidup/internal/ruleset"
	"laidup/internal/wording"
)

// namedInOne is how many grave defects a sentence names.
const namedInOne = 3

// InOneSentence says what a buyer would take home: how many defects, and which of them are grave, at whichever gate;
// and what it takes to know more at the gate asked about. Where nothing was found it says how much was inspected.
func (a *Appraisal) InOneSentence(words *wording.Words) string {
	var grave, lesser, duties int
	var names []string
	for _, b := range a.Blockers {
		switch {
		case b.Kind == ruleset.Duty.String():
			duties++
		case b.Kind != ruleset.Defect.String():
		case b.Severity == ruleset.Catastrophic.String() || b.Severity == ruleset.Critical.String():
			grave++
			if is := wording.Spaced(b.Item); len(names) < namedInOne && !slices.Contains(names, is) {
				names = append(names, is)
			}
		default:
			lesser++
		}
	}
	var list []string
	for _, x := range []struct {
		key string
		n   int
	}{{"grave", grave}, {"lesser", lesser}, {"duty", duties}} {
		if x.n == 0 {
			continue
		}
		said := words.Count(x.key, x.n)
		if x.key == "grave" {
			said += " (" + strings.Join(names, ", ") + ")"
		}
		list = append(list, said)
	}
	said := words.Appraise("home_none", "looked_at", strconv.Itoa(a.Coverage.LookedAt), "items", words.Count("item", a.Coverage.Applying))
	if len(list) > 0 {
		said = words.Appraise("home", "list", words.List(list))
	}
	if a.Unknown.Items == 0 {
		return words.Appraise("home_known", "text", said, "gate", wording.Spaced(a.Unknown.Gate))
	}
	return words.Appraise("home_unknown", "text", said, "items", words.Count("item", a.Unknown.Items), "minutes", points(a.Unknown.Minutes), "gate", wording.Spaced(a.Unknown.Gate))
}
