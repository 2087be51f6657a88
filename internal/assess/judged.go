package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"laidup/internal/score"
)

// JudgedAt is the gate that a list is judged at: one for all of it, so that "clear" means the same in
// every row. Without a name it is the one that the rule set of today asks about. The error is a
// [*NoSuchGateError] for a gate that neither that rule set has nor any vehicle was judged at.
func (own Account) JudgedAt(ctx context.Context, gate string) (string, error) {
	set := own.service.current()
	if at, err := gateOf(set, gate); err == nil {
		return set.Gates[at].ID, nil
	}
	gates, err := own.Gates(ctx)
	if err != nil {
		return "", err
	}
	if !slices.Contains(gates, gate) {
		return "", &NoSuchGateError{gates}
	}
	return gate, nil
}

// Gates lists the gates that vehicles can be judged at: those of the rule set of today in their order,
// and then those that rule sets of the organisation's own have besides, by name.
func (own Account) Gates(ctx context.Context) ([]string, error) {
	var gates []string
	for _, g := range own.service.current().Gates {
		gates = append(gates, g.ID)
	}
	judged, err := own.store().Gates(ctx, own.organisation)
	if err != nil {
		return nil, fmt.Errorf("list gates: %w", err)
	}
	for _, g := range judged {
		if !slices.Contains(gates, g) {
			gates = append(gates, g)
		}
	}
	return gates, nil
}

// At says how a finished assessment judges a gate and how much it rests on, by its summary. The state is
// nil where its rule set has no such gate, or where there is no summary.
func (a Assessment) At(gate string) (*GateState, score.Coverage, error) {
	s, err := a.Summed()
	coverage := s.Covered()
	if g := s.Gate(gate); g != nil {
		return &GateState{g.Gate, g.State, g.Blockers}, coverage, nil
	}
	return nil, coverage, err
}

// Summed reads the summary of a finished assessment; the zero value where there is none.
func (a Assessment) Summed() (s Summary, err error) {
	if len(a.Outcome.Summary) == 0 {
		return s, nil
	}
	if err := json.Unmarshal(a.Outcome.Summary, &s); err != nil {
		return Summary{}, fmt.Errorf("read summary of assessment %s: %w", a.ID, err)
	}
	return s, nil
}

// Covered is how much was looked at.
func (s Summary) Covered() score.Coverage {
	return score.Coverage{Applying: s.Applying, LookedAt: s.LookedAt, Share: s.Coverage}
}

// Gate is how a gate stands; nil where there is no such gate.
func (s Summary) Gate(id string) *SummaryGate {
	if at := slices.IndexFunc(s.Gates, func(g SummaryGate) bool { return g.Gate == id }); at >= 0 {
		return &s.Gates[at]
	}
	return nil
}
