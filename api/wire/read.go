package wire

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"laidup/internal/appraisal"
	"laidup/internal/assess"
	"laidup/internal/plan"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// orders has the words for orders of vehicles in queries.
var orders = map[string]string{"newest": assess.ByNewest, "reference": assess.ByReference, "blockers": assess.ByBlockers}

// OrderNames are the words for orders of vehicles.
var OrderNames = []string{"newest", "reference", "blockers"}

// maxSearch is how many letters may be searched for.
const maxSearch = 100

// VehiclePage reads which vehicles are asked for.
func (r *Request) VehiclePage() (p assess.VehiclePage, limit int, err error) {
	name := r.Query.Get("sort")
	by, ok := orders[name]
	if !ok && name != "" {
		return p, 0, BadQuery.Says("sort is one of %s", strings.Join(OrderNames, ", "))
	}
	if p, err = r.VehicleFilter(); err != nil {
		return p, 0, err
	}
	limit, after, err := r.Page(VehicleCursor)
	if err != nil {
		return p, 0, err
	}
	p.By, p.Limit = by, limit+1
	p.AfterReference, p.AfterTime, p.AfterBlockers = after.Name, after.At, int(after.At.UnixMilli())+assess.NotJudged
	if by == assess.ByBlockers {
		p.AfterTime = time.Time{}
	}
	return p, limit, nil
}

// VehicleFilter reads which vehicles are asked for, and the gate that they are judged at, but not in which order.
func (r *Request) VehicleFilter() (p assess.VehiclePage, err error) {
	verdict := r.Query.Get("verdict")
	if verdict != "" && !slices.Contains(Verdicts, verdict) {
		return p, BadQuery.Says("verdict is one of %s", strings.Join(Verdicts, ", "))
	}
	search := r.Query.Get("search")
	if len(search) > maxSearch || strings.ContainsRune(search, 0) {
		return p, BadQuery.Says("search has at most %d letters", maxSearch)
	}
	p.Search, p.Verdict = search, verdict
	p.Gate, err = r.Account.JudgedAt(r.Context(), r.Query.Get("gate"))
	return p, err
}

// Verdicts are the states of gates that may be asked for.
var Verdicts = []string{score.Clear, score.Unproven, score.Blocked}

// VehicleAt is the cursor of a vehicle in an order. Cursors have no numbers below nought: what is in the
// way counts from one there, and what is not judged is nought.
func VehicleAt(by string) func(assess.Vehicle) Cursor {
	return func(v assess.Vehicle) Cursor {
		if by != assess.ByBlockers {
			return Cursor{v.UpdatedAt, v.Reference}
		}
		n := assess.NotJudged
		if v.At != nil {
			n = v.At.Blockers
		}
		return Cursor{time.UnixMilli(int64(n - assess.NotJudged)), v.Reference}
	}
}

// Whole loads a finished assessment and reads it.
func Whole(ctx context.Context, account assess.Account, id string) (*score.Assessment, error) {
	stored, err := account.Assessment(ctx, id)
	if err != nil {
		return nil, err
	}
	if stored.State != assess.Done {
		return nil, notFinished.Says("assessment %s is %s", id, stored.State)
	}
	var one score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &one); err != nil {
		return nil, fmt.Errorf("read assessment %s: %w", id, err)
	}
	return &one, nil
}

// GateNames has the ids of the gates of an assessment.
func GateNames(a *score.Assessment) []string {
	var names []string
	for _, g := range a.Gates {
		names = append(names, g.Gate)
	}
	return names
}

// stored loads the assessment that the path names.
func StoredOf(r *Request) (assess.Assessment, error) {
	id, err := r.Name("id")
	if err != nil {
		return assess.Assessment{}, err
	}
	return r.Account.Assessment(r.Context(), id)
}

// Finished loads the assessment that the path names, and reads it.
func Finished(r *Request) (*score.Assessment, error) {
	whole, _, err := FinishedOf(r)
	return whole, err
}

// FinishedOf is finished for who needs to know as well how it is stored.
func FinishedOf(r *Request) (*score.Assessment, assess.Assessment, error) {
	stored, err := StoredOf(r)
	if err != nil {
		return nil, stored, err
	}
	switch stored.State {
	case assess.Done:
	case assess.Failed:
		var why assess.UnscorableError
		if err := json.Unmarshal(stored.Problem, &why); err != nil {
			return nil, stored, fmt.Errorf("read problem of assessment %s: %w", stored.ID, err)
		}
		return nil, stored, assessmentFailed.Says("%s", why.Detail)
	default:
		return nil, stored, notFinished.Says("The assessment is %s. Try again shortly.", stored.State)
	}
	var whole score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &whole); err != nil {
		return nil, stored, fmt.Errorf("read assessment %s: %w", stored.ID, err)
	}
	return &whole, stored, nil
}

// Appraise appraises a vehicle of who asks. That the rule set of its assessment is gone is no fault of
// the program, and is said.
func Appraise(r *Request, reference, gate string) (*appraisal.Appraisal, error) {
	p, err := r.Account.Appraisal(r.Context(), reference, gate)
	var why *assess.UnscorableError
	if errors.As(err, &why) {
		return nil, assessmentFailed.Says("the vehicle has to be assessed again before it can be appraised: %s", why.Detail)
	}
	return p, err
}

// Batches is the part of an organisation's batches that is asked for, newest first.
func Batches(r *Request) (page []assess.Batch, next string, header map[string]string, err error) {
	return Listed(r, BatchCursor, func(before Cursor, limit int) ([]assess.Batch, error) {
		return r.Account.Batches(r.Context(), assess.BatchPage{BeforeCreated: before.At, BeforeID: before.Name, Limit: limit})
	}, func(b assess.Batch) Cursor { return Cursor{At: b.At, Name: b.ID} })
}

// PlanOf reads a plan that is done.
func PlanOf(stored assess.Plan) (*plan.Plan, error) {
	switch stored.State {
	case assess.Done:
	case assess.Failed:
		var why assess.UnscorableError
		if err := json.Unmarshal(stored.Problem, &why); err != nil {
			return nil, fmt.Errorf("read problem of plan %s: %w", stored.ID, err)
		}
		return nil, planFailed.Says("%s", why.Detail)
	default:
		return nil, planNotFinished.Says("it is %s: ask again shortly", stored.State)
	}
	var made plan.Plan
	if err := json.Unmarshal(stored.Body, &made); err != nil {
		return nil, fmt.Errorf("read plan %s: %w", stored.ID, err)
	}
	return &made, nil
}

// Bound returns no bound where there is none.
func Bound(v float64) *float64 {
	if math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// RefOf names a rule set.
func RefOf(set *ruleset.Set) score.RuleSet {
	return score.RuleSet{Name: set.Name, Version: set.Version, Digest: set.Digest}
}
