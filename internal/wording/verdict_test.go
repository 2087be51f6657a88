package wording_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"laidup/internal/score"
	"laidup/internal/wording"
)

func judged(state string, looked int, blockers ...score.Blocker) *score.Assessment {
	return &score.Assessment{
		Gates:    []score.Gate{{Gate: "crank", Is: "spin it on the starter, fuel and ignition held off", State: state, Blockers: len(blockers)}},
		Blockers: blockers, Coverage: score.Coverage{Applying: 90, LookedAt: looked, Share: score.Share(looked) * 1e8},
	}
}

func blocker(kind, code, says string) score.Blocker {
	return score.Blocker{Kind: kind, Reason: score.Reason{Code: code, Is: "battery", Says: says, What: "fire"}}
}

func TestTheVerdictInASentence(t *testing.T) {
	t.Parallel()
	belt, unseen := blocker("defect", score.ReasonFound, "the timing belt is frayed"), blocker("unproven", score.ReasonNotLookedAt, "")
	for want, a := range map[string]*score.Assessment{
		"Do not crank: the timing belt is frayed.":                                                             judged(score.Blocked, 85, belt),
		"Do not crank: the timing belt is frayed, and 1 more.":                                                 judged(score.Blocked, 85, unseen, belt), // what was found comes first
		"Do not crank yet: nobody has looked at the battery, and 2 more.":                                      judged(score.Unproven, 85, unseen, unseen, unseen),
		"Clear to crank, going by what was inspected: 85 of 90 items, 85 % by weight.":                         judged(score.Clear, 85),
		"Nothing says that you must not crank, and nothing says that you may: none of 90 items was inspected.": judged(score.Clear, 0),
	} {
		if got := wording.English().Verdict(a, "crank"); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	a := judged(score.Blocked, 85, belt)
	a.Gates[0].Is = "roll it down the ramp"
	if got := wording.English().Verdict(a, "crank"); got != "Do not roll it down the ramp: the timing belt is frayed." {
		t.Error("a gate that is something else is called a crank: ", got)
	}
	if got := wording.English().Verdict(a, "launch"); got != "" {
		t.Error(got)
	}
}

// A gate that is not clear is never said to be, and one that is clear is not said so without how much was inspected.
func TestNoVerdictSaysMoreThanTheAssessment(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		state := rapid.SampledFrom([]string{score.Clear, score.Unproven, score.Blocked}).Draw(t, "state")
		var blockers []score.Blocker
		if state != score.Clear {
			blockers = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) score.Blocker {
				return blocker(rapid.SampledFrom([]string{"defect", "duty", "unproven"}).Draw(t, "kind"), rapid.SampledFrom(codes).Draw(t, "code"), "it is clear")
			}), 1, 9).Draw(t, "blockers")
		}
		a := judged(state, rapid.IntRange(0, 90).Draw(t, "looked at"), blockers...)
		said := wording.English().Verdict(a, "crank")
		switch {
		case state == score.Clear && !strings.Contains(said, "90 items"), state != score.Clear && !strings.HasPrefix(said, "Do not crank"):
			t.Errorf("%s: %q", state, said)
		}
	})
}
