package pages

import (
	"encoding/json"
	"fmt"

	"laidup/internal/assess"
	"laidup/internal/catalogue"
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
}

// BlockingRow is one thing in the way.
type BlockingRow struct {
	score.Blocker
	Clear string // what clears it, as JSON
}

// FollowUp fills in what the newest assessment of a vehicle says: what stands in the way of the gate
// asked about, and which items of the catalogue the vehicle has not.
func (v *InspectView) FollowUp(a *score.Assessment, cat *catalogue.Catalogue) error {
	v.Assessed = a
	for _, b := range a.BlockersBy(v.Gate) {
		clear, err := json.Marshal(b.ClearBy)
		if err != nil {
			return fmt.Errorf("write what clears %s: %w", b.Item, err)
		}
		v.Blocking = append(v.Blocking, BlockingRow{b, string(clear)})
	}
	has, graded := map[string]bool{}, map[string]bool{}
	for _, s := range a.Condition.Systems {
		graded[s.System] = true
		for _, it := range s.Items {
			has[it.Item] = true
		}
	}
	for _, b := range a.Blockers { // as an item in the way is there
		has[b.Item] = true
	}
	for _, it := range cat.Items {
		// Of a system without any weight an assessment does not say what is there.
		if it.Applies != nil && graded[it.System.ID] && !has[it.ID] {
			v.Absent = append(v.Absent, it.ID)
		}
	}
	return nil
}
