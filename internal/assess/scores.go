package assess

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"laidup/internal/outcome"
	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
)

// ScoresBy says what is scored by itself.
type ScoresBy string

// What scores are by.
const (
	ByGate         ScoresBy = "gate"
	ByFault        ScoresBy = "fault"
	ByFamily       ScoresBy = "family" // faults of one system
	ByHazard       ScoresBy = "hazard"
	ByRuleSet      ScoresBy = "rule_set"     // all gates under one rule set, whichever
	ByOrganisation ScoresBy = "organisation" // all gates, under whatever rule set
)

// ScoredBy lists what scores may be by.
var ScoredBy = []ScoresBy{ByGate, ByFault, ByFamily, ByHazard, ByRuleSet, ByOrganisation}

// ScoredSeries is one thing with its scores.
type ScoredSeries struct {
	Name   string         `json:"name"`
	Family string         `json:"family,omitempty"`
	Scores outcome.Scores `json:"scores"`
	Drift  outcome.Drift  `json:"drift"`
}

// Scores is how good forecasts were. RuleSet is nil where no outcome was counted.
type Scores struct {
	By       ScoresBy        `json:"by"`
	RuleSet  *RuleSetJudged  `json:"rule_set"`
	RuleSets []RuleSetJudged `json:"rule_sets"` // all that were judged
	Scored   []ScoredSeries  `json:"scored"`
	Alarms   []outcome.Alarm `json:"alarms"` // of what is listed, taken together
}

// RuleSetJudged is a rule set with how many outcomes were counted of it.
type RuleSetJudged struct {
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	Digest   string    `json:"digest"`
	Outcomes int       `json:"outcomes"`
	NewestAt time.Time `json:"newest_at"`
}

// driftAlarm is the probability of a false alarm of one series that stands alone on a page.
const driftAlarm = 0.05

// Scores works out scores of what was counted. ruleSet is a name or name/version; empty: that with the newest outcome. The
// error is [ErrNoSuchRuleSet] where no outcome was counted of that.
func (own Account) Scores(ctx context.Context, by ScoresBy, ruleSet string) (Scores, error) {
	of, all, err := own.judgedRuleSet(ctx, ruleSet)
	if err != nil {
		return Scores{}, err
	}
	out := Scores{By: by, RuleSet: of, RuleSets: all, Scored: []ScoredSeries{}, Alarms: []outcome.Alarm{}}
	if of == nil {
		return out, nil
	}
	var list []outcome.Series
	switch by {
	case ByRuleSet, ByOrganisation:
		for _, set := range all {
			gates, err := own.Series(ctx, set.Digest, outcome.Gates)
			if err != nil {
				return Scores{}, err
			}
			name := set.Name + "/" + set.Version
			if by == ByOrganisation {
				name = own.organisation
			}
			list = append(list, together(gates, func(outcome.Series) string { return name })...)
		}
		list = together(list, func(s outcome.Series) string { return s.Name })
	default:
		kind := map[ScoresBy]outcome.Kind{ByGate: outcome.Gates, ByFault: outcome.Faults, ByFamily: outcome.Faults, ByHazard: outcome.Hazards}[by]
		if list, err = own.Series(ctx, of.Digest, kind); err != nil {
			return Scores{}, err
		}
		if by == ByFamily {
			list = together(list, func(s outcome.Series) string { return s.Family })
		}
	}
	out.Alarms = outcome.Alarms(list)
	for _, s := range list {
		out.Scored = append(out.Scored, ScoredSeries{s.Name, s.Family, outcome.Score(s.Cells), outcome.Drifts(s.Periods, driftAlarm)})
	}
	return out, nil
}

// together joins series of the same name, in the order of the names.
func together(list []outcome.Series, name func(outcome.Series) string) []outcome.Series {
	by := map[string]*outcome.Series{}
	periods := map[string]map[string][]outcome.Cell{}
	for _, s := range list {
		n := name(s)
		if by[n] == nil {
			by[n], periods[n] = &outcome.Series{Kind: s.Kind, Name: n}, map[string][]outcome.Cell{}
		}
		by[n].Cells = append(by[n].Cells, s.Cells...)
		for _, p := range s.Periods {
			periods[n][p.Name] = append(periods[n][p.Name], p.Cells...)
		}
	}
	joined := make([]outcome.Series, 0, len(by))
	for _, n := range slices.Sorted(maps.Keys(by)) {
		s := *by[n]
		s.Cells = outcome.Merge(s.Cells)
		for _, month := range slices.Sorted(maps.Keys(periods[n])) {
			s.Periods = append(s.Periods, outcome.Period{Name: month, Cells: outcome.Merge(periods[n][month])})
		}
		joined = append(joined, s)
	}
	return joined
}

// judgedRuleSet finds a rule set among those that were judged; nil where none was.
func (own Account) judgedRuleSet(ctx context.Context, text string) (*RuleSetJudged, []RuleSetJudged, error) {
	list, err := own.JudgedRuleSets(ctx)
	if err != nil {
		return nil, nil, err
	}
	all := make([]RuleSetJudged, len(list))
	for i, j := range list {
		all[i] = RuleSetJudged{j.RuleSet.Name, j.RuleSet.Version, j.RuleSet.Digest, j.Outcomes, j.NewestAt}
	}
	if text == "" {
		if len(all) == 0 {
			return nil, all, nil
		}
		return &all[0], all, nil
	}
	name, version, _ := strings.Cut(text, "/")
	at := slices.IndexFunc(all, func(j RuleSetJudged) bool {
		return j.Name == name && (version == "" || j.Version == version)
	})
	if at < 0 {
		return nil, all, fmt.Errorf("scores of %s: %w", text, ErrNoSuchRuleSet)
	}
	return &all[at], all, nil
}

// Corrections is what outcomes suggest of a rule set. Nothing of it is applied.
type Corrections struct {
	RuleSet     *RuleSetJudged             `json:"rule_set"`
	Corrections []outcome.Correction       `json:"corrections"`
	Methods     []outcome.MethodCorrection `json:"methods"`
	Alarms      []outcome.Alarm            `json:"alarms"`
	// Overlay has those that are advised, as a rule set to be edited, tested and published; empty: none is.
	Overlay string `json:"overlay"`
	// LookedAt is how many vehicles were assessed with and without them, those with the newest reports; Changes are those
	// that come out otherwise.
	LookedAt int              `json:"looked_at"`
	Changes  []VehicleChanged `json:"changes"`
}

// VehicleChanged is a vehicle whose verdicts would change.
type VehicleChanged struct {
	Vehicle  string       `json:"vehicle"`
	Gates    []GateChange `json:"gates"`
	Blockers int          `json:"blockers"` // that come or go
}

// triedVehicles is on how many vehicles a correction is tried.
const triedVehicles = 25

// Corrections suggests corrections to a rule set by what was counted; as for [Account.Scores].
func (own Account) Corrections(ctx context.Context, ruleSet string) (Corrections, error) {
	of, _, err := own.judgedRuleSet(ctx, ruleSet)
	if err != nil {
		return Corrections{}, err
	}
	out := Corrections{RuleSet: of, Corrections: []outcome.Correction{}, Methods: []outcome.MethodCorrection{}, Alarms: []outcome.Alarm{}, Changes: []VehicleChanged{}}
	if of == nil {
		return out, nil
	}
	var list []outcome.Series
	for _, kind := range []outcome.Kind{outcome.Gates, outcome.Hazards, outcome.Causes, outcome.Faults, outcome.Rules, outcome.Methods} {
		series, err := own.Series(ctx, of.Digest, kind)
		if err != nil {
			return Corrections{}, err
		}
		list = append(list, series...)
		if kind == outcome.Methods {
			for _, s := range series {
				out.Methods = append(out.Methods, outcome.CorrectMethod(s.Name, s.Cells))
			}
		}
	}
	out.Alarms = outcome.Alarms(list)
	out.Corrections = outcome.Corrections(list)
	advised := slices.DeleteFunc(slices.Clone(out.Corrections), func(c outcome.Correction) bool { return !c.Advised })
	if len(advised) == 0 {
		return out, nil
	}
	scorer, err := own.service.shelf.version(ctx, own.organisation, RuleSetRef{of.Name, of.Version, of.Digest})
	if errors.As(err, new(*UnscorableError)) {
		return out, nil // its text is not there any more
	} else if err != nil {
		return Corrections{}, err
	}
	set := scorer.RuleSet()
	text, entries, err := outcome.Overlay(set, advised)
	if err != nil || entries == 0 {
		return out, err
	}
	out.Overlay = string(text)
	return out, own.tryCorrections(ctx, set, text, &out)
}

// tryCorrections assesses some vehicles with and without corrections.
func (own Account) tryCorrections(ctx context.Context, set *ruleset.Set, overlay []byte, out *Corrections) error {
	corrected, err := own.service.shelf.loader.Knowing(set).DocumentWithin(ctx, "corrections", overlay)
	if err != nil {
		// A number that was corrected may break what the rule set says elsewhere: whoever edits it is told when trying it.
		own.service.log.WarnContext(ctx, "corrections make no rule set", "rule_set", set.Name+"/"+set.Version, "error", err)
		return nil
	}
	vehicles, err := own.Vehicles(ctx, VehiclePage{Limit: triedVehicles})
	if err != nil {
		return err
	}
	var dossiers []rulecheck.Dossier
	for _, v := range vehicles {
		if v.Newest == nil {
			continue
		}
		reports, err := own.store().Dossier(ctx, own.organisation, v.Reference, v.Newest.Ordinal)
		if errors.Is(err, ErrNotFound) {
			continue // erased meanwhile
		}
		if err != nil {
			return fmt.Errorf("load dossier: %w", err)
		}
		d := rulecheck.Dossier{Name: v.Reference}
		for _, r := range reports {
			d.Reports = append(d.Reports, r.Body)
		}
		dossiers = append(dossiers, d)
	}
	diff, err := rulecheck.Diff(set, corrected, dossiers)
	if err != nil {
		return fmt.Errorf("try corrections: %w", err)
	}
	out.LookedAt = len(dossiers)
	for _, c := range diff.Dossiers {
		changed := VehicleChanged{Vehicle: c.Dossier, Gates: []GateChange{}, Blockers: len(c.Blockers)}
		for _, g := range c.Gates {
			from := g.From
			changed.Gates = append(changed.Gates, GateChange{g.Gate, &from, g.To})
		}
		out.Changes = append(out.Changes, changed)
	}
	slices.SortFunc(out.Changes, func(a, b VehicleChanged) int {
		return cmp.Or(len(b.Gates)-len(a.Gates), strings.Compare(a.Vehicle, b.Vehicle))
	})
	return nil
}
