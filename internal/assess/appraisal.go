package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"laidup/internal/appraisal"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// Appraisal appraises a vehicle for a buyer by its newest finished assessment, under the rule set that
// it was made under; gate is the gate asked about, the assessment's own where it is empty. The error is
// [ErrNotFound], a [*NoSuchGateError], [ErrNotAssessedYet], or an [*UnscorableError] where the rule set
// is not there any more.
func (own Account) Appraisal(ctx context.Context, reference, gate string) (*appraisal.Appraisal, error) {
	v, err := own.Vehicle(ctx, reference)
	if err != nil {
		return nil, err
	}
	if v.Newest == nil {
		return nil, ErrNotAssessedYet
	}
	stored, err := own.Assessment(ctx, v.Newest.ID)
	if err != nil {
		return nil, err
	}
	var a score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &a); err != nil {
		return nil, fmt.Errorf("read assessment %s: %w", stored.ID, err)
	}
	at := -1
	if gate != "" {
		if at = slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == gate }); at < 0 {
			none := &NoSuchGateError{}
			for _, g := range a.Gates {
				none.Gates = append(none.Gates, g.Gate)
			}
			return nil, none
		}
	}
	scorer, err := own.service.shelf.version(ctx, own.organisation, stored.RuleSet)
	if err != nil {
		return nil, err
	}
	stored.Organisation = own.organisation
	reports, err := own.service.reports(ctx, stored, scorer.RuleSet())
	if err != nil {
		return nil, err
	}
	out := appraisal.Make(scorer.RuleSet(), &a, reports, at, wording.English())
	out.NewerReportWaiting = v.Waiting
	return out, nil
}
