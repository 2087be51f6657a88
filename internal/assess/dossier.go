package assess

import (
	"context"
	"fmt"

	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// reports loads the reports that an assessment covers, read by the catalogue of a rule set. That
// they cannot be read is an [*UnscorableError].
func (s *Service) reports(ctx context.Context, a Assessment, set *ruleset.Set) ([]*report.Report, error) {
	stored, err := s.store.Dossier(ctx, a.Organisation, a.Vehicle, a.Ordinal)
	if err != nil {
		return nil, fmt.Errorf("load dossier of %s: %w", a.Vehicle, err)
	}
	if len(stored) == 0 {
		return nil, fmt.Errorf("load dossier of %s: %w", a.Vehicle, ErrNotFound)
	}
	reports := make([]*report.Report, len(stored))
	for i, st := range stored {
		r, _, faults := report.Decode(st.Body, set.Catalogue)
		if len(faults) > 0 {
			return nil, &UnscorableError{"Report unreadable", fmt.Sprintf("report %s cannot be read under rule set %s %s: %s", st.ID, set.Name, set.Version, faults[0].Detail)}
		}
		reports[i] = r
	}
	return reports, nil
}

// Dossier lays together what an assessment was made of: the facts of the vehicle, and what stands of
// each finding. It is read by the catalogue of [Service.Current], which knows what every older one
// knew, so that whoever asks needs no other.
func (own Account) Dossier(ctx context.Context, a Assessment) (*report.Dossier, error) {
	a.Organisation = own.organisation
	set := own.service.current()
	reports, err := own.service.reports(ctx, a, set)
	if err != nil {
		return nil, err
	}
	return report.Lay(reports, set.Catalogue, set.ProofCredence), nil
}
