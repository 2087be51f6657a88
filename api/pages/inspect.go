package pages

import (
	"encoding/json"
	"fmt"

	"laidup/internal/assess"
	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/score"
)

// InspectView is the inspection form. Its fields are built by its script, out of the catalogue.
type InspectView struct {
	Frame
	Keeper   string          // the organisation whose reports the phone keeps under this form
	Vehicle  *assess.Vehicle // of a follow-up; nil: a new vehicle
	Gate     string          // asked about; empty: that of the rule set
	Assessed *score.Assessment
	Blocking []BlockingRow
	Absent   []string // items that the vehicle has not
	Places   string   // by item, as JSON: its positions, where not all vehicles have the same
}

// BlockingRow is one thing in the way.
type BlockingRow struct {
	score.Blocker
	Clear string // what clears it, as JSON
}

// FollowUp fills in what the newest assessment of a vehicle says stands in the way of the gate asked
// about, and what its dossier says it has: which items of the catalogue, and where. Without a dossier it
// may have all of them.
func (v *InspectView) FollowUp(a *score.Assessment, cat *catalogue.Catalogue, dossier *report.Dossier) error {
	v.Assessed = a
	for _, b := range a.BlockersBy(v.Gate) {
		clear, err := json.Marshal(b.ClearBy)
		if err != nil {
			return fmt.Errorf("write what clears %s: %w", b.Item, err)
		}
		v.Blocking = append(v.Blocking, BlockingRow{b, string(clear)})
	}
	if dossier == nil {
		return nil
	}
	places := map[string][]string{}
	for _, it := range cat.Items {
		if there, known := it.PositionsOn(dossier.Frame); known && (it.PositionsOf != nil || len(it.PositionsWhen) > 0) {
			places[it.ID] = []string{}
			for _, p := range there {
				places[it.ID] = append(places[it.ID], p.ID)
			}
		}
		if dossier.Items[it.Index].NotFitted || !it.AppliesTo(dossier.Frame) {
			v.Absent = append(v.Absent, it.ID)
		}
	}
	text, err := json.Marshal(places)
	if err != nil {
		return fmt.Errorf("write positions: %w", err)
	}
	v.Places = string(text)
	return nil
}
