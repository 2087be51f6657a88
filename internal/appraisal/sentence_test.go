package appraisal_test

import (
	"testing"

	"laidup/internal/appraisal"
	"laidup/internal/score"
	"laidup/internal/wording"
)

func TestWhatIsTakenHomeInOneSentence(t *testing.T) {
	t.Parallel()
	defect := func(item, severity string) score.Blocker {
		return score.Blocker{Kind: "defect", Item: item, Severity: severity}
	}
	unknown := appraisal.Unknown{Gate: "first_start", Items: 2, Minutes: 25e6}
	for want, a := range map[string]appraisal.Appraisal{
		"Nothing wrong was found in the 62 of 66 items that were inspected; nothing is left unproven at first start.": {
			Coverage: appraisal.Looked{LookedAt: 62, Applying: 66}, Unknown: appraisal.Unknown{Gate: "first_start"},
		},
		"Carries 1 grave defect (timing belt); a first look at the 2 items not proven at first start takes 25 min.": {
			Blockers: []score.Blocker{defect("timing_belt", "critical"), {Kind: "unproven", Item: "throttle"}}, Unknown: unknown,
		},
		"Carries 2 grave defects (brake hoses), 1 lesser defect and 1 duty; a first look at the 2 items not proven at first start takes 25 min.": {
			Blockers: []score.Blocker{defect("brake_hoses", "catastrophic"), defect("brake_hoses", "critical"), defect("fuel", "marginal"), {Kind: "duty", Item: "refrigerant"}}, Unknown: unknown,
		},
	} {
		if got := a.InOneSentence(wording.English()); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
