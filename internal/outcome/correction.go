package outcome

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"go.yaml.in/yaml/v3"

	"laidup/internal/ruleset"
)

// Of says which number of a rule set a [Correction] is about.
type Of string

// The numbers that are corrected.
const (
	OfPrior  Of = "prior"  // of a fault, on the scale of log-odds
	OfChance Of = "chance" // of a cause, by a factor
	OfWeight Of = "weight" // of a rule, in decibans
)

// Correction is what a suggestion makes of one number of a rule set.
type Correction struct {
	Of Of `json:"of"`
	Suggestion
	// By is what is added in decibans to log-odds or to a weight, or the factor of a chance; In its 95 % interval.
	By float64   `json:"by"`
	In *Interval `json:"in"`
	// Advised: the interval leaves the number as it is out, there is enough of it, and more than chance speaks
	// for it over all that was looked at ([Alarms]).
	Advised bool `json:"advised"`
}

// MethodCorrection is what parts in the hand say of a method.
type MethodCorrection struct {
	Method string `json:"method"`
	Table  Table  `json:"table"`
	Rates  Rates  `json:"rates"`
	// The same where it is corrected for parts of which nobody could tell ([Table.Unbiased]); null where it cannot be.
	Sensitivity *float64 `json:"sensitivity_corrected"`
	Specificity *float64 `json:"specificity_corrected"`
	// Reassures and Alarms are what the figures of the method would be, with 95 % intervals.
	Reassures   *float64  `json:"reassures"`
	ReassuresIn *Interval `json:"reassures_in"`
	Alarms      *float64  `json:"alarms"`
	AlarmsIn    *Interval `json:"alarms_in"`
	Enough      bool      `json:"enough"` // twenty bad parts and twenty good ones at least
}

// Corrections are suggested from what was seen of priors, chances and weights, in the order of the kinds and names. None is
// applied by itself: [Overlay] writes those that somebody takes.
func Corrections(series []Series) []Correction {
	by := map[Kind][]Series{}
	for _, s := range series {
		by[s.Kind] = append(by[s.Kind], s)
	}
	alarmed := map[Kind]map[string]bool{Faults: {}, Causes: {}, Rules: {}}
	for _, a := range Alarms(series) {
		if of := alarmed[a.Kind]; of != nil {
			of[a.Name] = true
		}
	}
	list := []Correction{}
	faults := map[string]Suggestion{}
	cells := map[string][]Cell{}
	for _, s := range by[Faults] {
		cells[s.Name] = s.Cells
	}
	for _, s := range Suggest(by[Faults]) {
		faults[s.Name] = s
		list = append(list, Correction{Of: OfPrior, Suggestion: s, By: s.ShiftDB, In: s.ShiftIn, Advised: s.Significant && alarmed[Faults][s.Name]})
	}
	causes := map[string][]Cell{}
	for _, s := range by[Causes] {
		causes[s.Name] = s.Cells
	}
	for _, s := range Suggest(by[Causes]) {
		fault, _, _ := strings.Cut(s.Name, ">")
		list = append(list, chance(s, causes[s.Name], faults[fault], cells[fault], alarmed[Causes][s.Name]))
	}
	for _, s := range by[Rules] {
		fault, _, _ := strings.Cut(s.Name, ">")
		with := Suggest([]Series{s})
		without := Suggest([]Series{{Kind: Faults, Name: fault, Family: s.Family, Cells: Without(cells[fault], s.Cells)}})
		if len(with) == 0 || len(without) == 0 {
			continue // whether the rule is wrong or the fault's prior cannot be told apart
		}
		c := Correction{Of: OfWeight, Suggestion: with[0]}
		c.By, c.In = Difference(with[0], without[0])
		c.Advised = alarmed[Rules][s.Name] && leavesOut(c.In, 0) && min(with[0].Seen, without[0].Seen) >= leastSeen && math.Abs(c.By) >= leastShift
		list = append(list, c)
	}
	return list
}

// chance is the factor of a chance: that of the harm by this fault, less what the fault itself explains by being likelier
// or less likely than was thought.
func chance(s Suggestion, cells []Cell, fault Suggestion, faultCells []Cell, alarmed bool) Correction {
	factor := logFactor(cells, s.ShiftDB)
	low, high := 0.0, 0.0
	if s.ShiftIn != nil {
		low, high = factor-logFactor(cells, s.ShiftIn.Low), logFactor(cells, s.ShiftIn.High)-factor
	}
	if fault.ShiftIn != nil && totalSeen(faultCells) > 0 {
		own := logFactor(faultCells, fault.ShiftDB)
		factor -= own
		low = math.Hypot(low, logFactor(faultCells, fault.ShiftIn.High)-own)
		high = math.Hypot(high, own-logFactor(faultCells, fault.ShiftIn.Low))
	}
	c := Correction{Of: OfChance, Suggestion: s, By: *known(math.Exp(factor)), In: between(math.Exp(factor-low), math.Exp(factor+high))}
	c.Advised = alarmed && s.Seen >= leastSeen && leavesOut(c.In, 1)
	return c
}

// logFactor is by how much a correction of log-odds changes the mean forecast, as a logarithm.
func logFactor(cells []Cell, db float64) float64 {
	var before, after float64
	for _, c := range cells {
		before += float64(c.Seen) * c.P
		after += float64(c.Seen) * Shifted(c.P, db)
	}
	return math.Log(ratio(after, before))
}

func leavesOut(in *Interval, x float64) bool { return in != nil && (in.Low > x || in.High < x) }

// CorrectMethod says what a method's figures would be by parts in the hand.
func CorrectMethod(method string, cells []Cell) MethodCorrection {
	t := TableOf(cells)
	m := MethodCorrection{Method: method, Table: t, Rates: t.Rates()}
	m.Sensitivity, m.Specificity = t.Unbiased()
	bad, good := t.Hits+t.Misses, t.False+t.Quiet
	m.Enough = bad >= leastSeen && good >= leastSeen
	if bad > 0 && good > 0 {
		// Jeffreys' prior, worth one part.
		s, f := Posterior{.5, .5}.After(t.Hits, bad), Posterior{.5, .5}.After(t.False, good)
		at, over, sdAt, sdOver := s.Mean(), f.Mean(), s.SD(), f.SD()
		if found, spared, sdFound, sdSpared := t.unbiased(); t.AlarmUnseen+t.QuietUnseen > 0 && !math.IsNaN(sdFound+sdSpared) {
			at, over, sdAt, sdOver = found, 1-spared, sdFound, sdSpared
		}
		m.Reassures = known(min(max(Credence(at, over), 0), 1))
		// By propagation of both variances: dc/ds = 1/(1-f), dc/df = -(1-s)/(1-f)^2.
		sd := math.Hypot(sdAt/(1-over), sdOver*(1-at)/((1-over)*(1-over)))
		const z = 1.959963985
		m.ReassuresIn = between(max(0, *m.Reassures-z*sd), min(1, *m.Reassures+z*sd))
	}
	m.Alarms, m.AlarmsIn = m.Rates.TrueOfAlarms, Exact(t.Hits, t.Hits+t.False)
	return m
}

// Overlay writes a rule set that extends the one given by corrected entries and has nothing else: YAML, to be edited,
// tested and published by a person. Corrections of what the rule set does not have are left out; the count says how many
// entries are in it. Methods are in the catalogue, of which no overlay speaks.
func Overlay(set *ruleset.Set, corrections []Correction) (text []byte, entries int, err error) {
	var base map[string]any
	if err := json.Unmarshal(set.Canonical, &base); err != nil {
		return nil, 0, fmt.Errorf("read rule set %s %s: %w", set.Name, set.Version, err)
	}
	changed := map[string]map[string]map[string]any{"faults": {}, "hazards": {}, "rules": {}}
	for _, c := range corrections {
		fault, rest, _ := strings.Cut(c.Name, ">")
		list, id, correct := "faults", fault, correctPrior
		switch c.Of {
		case OfChance:
			list, id, correct = "hazards", rest, correctChance
		case OfWeight:
			list, id, correct = "rules", rest, correctWeight
		}
		entry := changed[list][id]
		if entry == nil {
			entry = entryOf(base, list, id)
		}
		if entry != nil && correct(entry, fault, c) {
			changed[list][id] = entry
		}
	}
	out := map[string]any{
		"schema": base["schema"], "extends": map[string]any{"name": set.Name, "version": set.Version},
		"name": set.Name + "-corrected", "version": "0.1.0", "is": base["is"],
	}
	for list, by := range changed {
		var entriesOf []any
		for _, e := range base[list].([]any) {
			if entry, ok := e.(map[string]any); ok {
				if id, _ := entry["id"].(string); by[id] != nil {
					entriesOf = append(entriesOf, by[id])
				}
			}
		}
		if len(entriesOf) > 0 {
			out[list] = entriesOf
			entries += len(entriesOf)
		}
	}
	text, err = yaml.Marshal(out)
	if err != nil {
		return nil, 0, fmt.Errorf("write overlay on %s %s: %w", set.Name, set.Version, err)
	}
	return append([]byte("# Suggested by outcomes. Look at every number, write tests, and publish it under a name of your own.\n"), text...), entries, nil
}

func entryOf(base map[string]any, list, id string) map[string]any {
	entries, _ := base[list].([]any)
	for _, e := range entries {
		if entry, ok := e.(map[string]any); ok && entry["id"] == id {
			return entry
		}
	}
	return nil
}

// rests says in an entry what its new number rests on.
func rests(c Correction) map[string]any {
	return map[string]any{"kind": "estimate", "note": fmt.Sprintf(
		"corrected by outcomes: %d of %d, where %.1f were expected; %+.1f dB, what its family says counting for %.0f attempts", c.Events, c.Seen, deref(c.Expected), c.ShiftDB, c.PriorWorth)}
}

func deref(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// digits is how a corrected number is written: to three significant digits.
func digits(x float64) float64 {
	if x == 0 {
		return 0
	}
	by := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*by) / by
}

func correctPrior(entry map[string]any, _ string, c Correction) bool {
	prior, ok := entry["prior"].(map[string]any)
	if !ok {
		return false
	}
	if is, ok := prior["is"].(float64); ok {
		prior["is"] = digits(Shifted(is, c.By))
	}
	knots, _ := prior["curve"].([]any)
	for _, k := range knots {
		if pair, ok := k.([]any); ok && len(pair) == 2 {
			if p, ok := pair[1].(float64); ok {
				pair[1] = digits(Shifted(p, c.By))
			}
		}
	}
	// What it was anchored to no longer gives this level.
	delete(prior, "anchor")
	entry["source"] = rests(c)
	return true
}

func correctChance(entry map[string]any, fault string, c Correction) bool {
	const most = 0.99
	done := false
	causes, _ := entry["causes"].([]any)
	for _, x := range causes {
		cause, ok := x.(map[string]any)
		if !ok || cause["fault"] != fault {
			continue
		}
		done = true
		switch chance := cause["chance"].(type) {
		case float64:
			cause["chance"] = digits(min(most, chance*c.By))
		case []any:
			for _, y := range chance {
				if one, ok := y.(map[string]any); ok {
					if is, ok := one["is"].(float64); ok {
						one["is"] = digits(min(most, is*c.By))
					}
				}
			}
		}
	}
	if done {
		entry["source"] = rests(c)
	}
	return done
}

func correctWeight(entry map[string]any, _ string, c Correction) bool {
	switch w := entry["weight"].(type) {
	case float64:
		entry["weight"] = digits(w + c.By)
	case map[string]any:
		knots, _ := w["curve"].([]any)
		for _, k := range knots {
			if pair, ok := k.([]any); ok && len(pair) == 2 {
				if at, ok := pair[1].(float64); ok {
					pair[1] = digits(at + c.By)
				}
			}
		}
	default:
		return false
	}
	entry["source"] = rests(c)
	return true
}
