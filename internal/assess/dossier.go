package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

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
		r.Vehicle.Reference = a.Vehicle // a report may have it in other letters
		r.CameIn(dayOf(st.ReceivedAt.Add(furthestEast)))
		reports[i] = r
	}
	return reports, nil
}

// Said is what a report says besides its findings.
type Said struct {
	Inspector    string
	Purpose      string
	Observations int
	Notes        []Note
	Photos       []Shown
}

// Shown is a photo of an item.
type Shown struct {
	Item string // empty: of the vehicle
	ID   string // of the attachment
}

// Note is a remark on an item, word for word.
type Note struct {
	Item string          `json:"item"`
	At   json.RawMessage `json:"at,omitempty"` // where on the vehicle; none: it does not say
	Note string          `json:"note"`
}

// Said reads what a report says besides its findings. It asks no catalogue: that of the report may be gone.
func (r Report) Said() (Said, error) {
	var body struct {
		Inspection struct {
			Inspector string `json:"inspector"`
			Purpose   string `json:"purpose"`
		} `json:"inspection"`
		Observations []struct {
			Item   string          `json:"item"`
			At     json.RawMessage `json:"at"`
			Note   string          `json:"note"`
			Photos []string        `json:"photos"`
		} `json:"observations"`
		Photos []string `json:"photos"`
	}
	if err := json.Unmarshal(r.Body, &body); err != nil {
		return Said{}, err
	}
	said := Said{Inspector: body.Inspection.Inspector, Purpose: body.Inspection.Purpose, Observations: len(body.Observations)}
	show := func(item string, ids []string) {
		for _, id := range ids {
			said.Photos = append(said.Photos, Shown{item, id})
		}
	}
	show("", body.Photos)
	for _, o := range body.Observations {
		show(o.Item, o.Photos)
		if o.Note != "" {
			said.Notes = append(said.Notes, Note{o.Item, o.At, o.Note})
		}
	}
	return said, nil
}

// Covered returns the reports that an assessment covers, in the order in which they came.
func (own Account) Covered(ctx context.Context, a Assessment) ([]Report, error) {
	reports, err := own.store().Dossier(ctx, own.organisation, a.Vehicle, a.Ordinal)
	if err != nil {
		return nil, fmt.Errorf("load reports on %s: %w", a.Vehicle, err)
	}
	return reports, nil
}

// furthestEast is how far the local time that is the most ahead is ahead of UTC. By it one tells the day
// on which a report came in, so that no report counts as of an earlier day than its own for where it is from.
const furthestEast = 14 * time.Hour

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
