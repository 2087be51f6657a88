package score

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	jsonv2 "github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// SchemaName is what an assessment states as its schema.
const SchemaName = "laidup.assessment/1"

// Assessment is what comes back for a dossier. Its numbers are rounded to fixed decimals, so that
// the same dossier and rule set give the same bytes on every machine.
type Assessment struct {
	Schema    string     `json:"schema"`
	ID        string     `json:"id,omitempty"` // set by whoever stores it
	State     string     `json:"state"`
	Vehicle   string     `json:"vehicle"`
	Report    string     `json:"report,omitempty"` // set by whoever stores it
	AsOf      string     `json:"as_of"`
	RuleSet   RuleSet    `json:"rule_set"`
	Verdict   Verdict    `json:"verdict"`
	Gates     []Gate     `json:"gates"`
	Blockers  []Blocker  `json:"blockers"`
	Register  []Entry    `json:"register"`
	Condition Condition  `json:"condition"`
	Coverage  Coverage   `json:"coverage"`
	LookNext  []Look     `json:"look_next"`
	Conflicts []Conflict `json:"conflicts"`
	Cautions  []string   `json:"cautions"`
	Assumes   []string   `json:"assumes"`
}

// JSON encodes the assessment: the one form in which it is stored and served.
func (a *Assessment) JSON() ([]byte, error) { return jsonv2.Marshal(a) }

// RuleSet names the rule set that an assessment was made under.
type RuleSet struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Digest  string `json:"digest"`
}

// The states of a gate.
const (
	Clear    = "clear"
	Unproven = "unproven"
	Blocked  = "blocked"
)

// Verdict is the state of the gate asked about.
type Verdict struct {
	Gate          string `json:"gate"`
	State         string `json:"state"`
	ChanceThrough Share  `json:"chance_through"`
	Blockers      int    `json:"blockers"`
}

// Gate is the state of one gate. Blockers counts those of this gate and of all earlier ones.
type Gate struct {
	Gate           string   `json:"gate"`
	Is             string   `json:"is"`
	State          string   `json:"state"`
	Blockers       int      `json:"blockers"`
	ChanceUnharmed Share    `json:"chance_unharmed"`
	ChanceThrough  Share    `json:"chance_through"`
	Cautions       []string `json:"cautions,omitempty"`
}

// Blocker is one reason why a gate is not clear.
type Blocker struct {
	Rank     int        `json:"rank"`
	Gate     string     `json:"gate"`
	Kind     string     `json:"kind"`
	Item     string     `json:"item"`
	Hazard   string     `json:"hazard,omitempty"`
	Severity string     `json:"severity,omitempty"`
	Because  string     `json:"because"`
	ClearBy  []Clearing `json:"clear_by"`
	Cautions []string   `json:"cautions"`
	Rules    []string   `json:"rules"` // the rules and proofs that put it here
	Source   string     `json:"source"`
}

// Clearing is a set of findings on one item, in the form in which they are reported.
type Clearing struct {
	Item  string       `json:"item"`
	Found FindingsForm `json:"found"`
}

// FindingsForm is a JSON object of findings in the order of the catalogue.
type FindingsForm []FindingForm

// FindingForm is one member of it.
type FindingForm struct {
	ID    string
	Value json.RawMessage
}

// MarshalJSONTo writes the object.
func (f FindingsForm) MarshalJSONTo(out *jsontext.Encoder) error {
	if err := out.WriteToken(jsontext.BeginObject); err != nil {
		return err
	}
	for _, m := range f {
		if err := out.WriteToken(jsontext.String(m.ID)); err != nil {
			return err
		}
		if err := out.WriteValue(jsontext.Value(m.Value)); err != nil {
			return err
		}
	}
	return out.WriteToken(jsontext.EndObject)
}

// MarshalJSON writes the object.
func (f FindingsForm) MarshalJSON() ([]byte, error) { return jsonv2.Marshal(f) }

// UnmarshalJSON reads the object; its members come in the order of their names.
func (f *FindingsForm) UnmarshalJSON(b []byte) error {
	d := json.NewDecoder(strings.NewReader(string(b)))
	if _, err := d.Token(); err != nil {
		return err
	}
	*f = nil
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return err
		}
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return err
		}
		id, _ := key.(string)
		*f = append(*f, FindingForm{id, v})
	}
	return nil
}

// HazardText is what a register says of a hazard whatever the vehicle.
type HazardText struct {
	Hazard string `json:"hazard"`
	Item   string `json:"item"`
	Gate   string `json:"gate"`
	What   string `json:"what"`
	Source string `json:"source"`
}

// Entry is one hazard in the risk register.
type Entry struct {
	Rank int `json:"rank"`
	*HazardText
	Severity    string     `json:"severity"`
	Probability Share      `json:"probability"`
	Level       string     `json:"level"` // A to F, MIL-STD-882E Table II
	Risk        string     `json:"risk"`  // MIL-STD-882E Table III
	RiskIndex   Number     `json:"risk_index"`
	Share       Share      `json:"share"`
	RestsOn     string     `json:"rests_on"` // found or unknown
	Prior       Share      `json:"prior"`
	PriorDB     Decibans   `json:"prior_db"`
	Evidence    []Evidence `json:"evidence"`
	TotalDB     Decibans   `json:"total_db"`
	// Outweighed has the rules that fired on a line on which another one counts.
	Outweighed []Evidence `json:"outweighed,omitempty"`
}

// RuleText is what an explanation says of a rule whatever the vehicle.
type RuleText struct {
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

// Evidence is one rule that fired: its weight w, the credence c of what it read, and the
// effective weight w'.
type Evidence struct {
	*RuleText
	WeightDB    Decibans `json:"weight_db"`
	Credence    Share    `json:"credence"`
	EffectiveDB Decibans `json:"effective_db"`
	Because     string   `json:"because"`
}

// Condition is a condition from 0 to 100, with the range that comes from what was not seen.
type Condition struct {
	Range
	Systems []SystemCondition `json:"systems"`
}

// Range is what is expected and the least and most it may be.
type Range struct {
	Expected Number `json:"expected"`
	Low      Number `json:"low"`
	High     Number `json:"high"`
}

// SystemCondition is the condition of one system, with that of its items.
type SystemCondition struct {
	System string `json:"system"`
	Range
	Items []ItemCondition `json:"items"`
}

// ItemCondition is the condition of one item. Graded says whether a finding was graded.
type ItemCondition struct {
	Item string `json:"item"`
	Range
	Graded bool `json:"graded"`
}

// Coverage says how much of the vehicle was looked at; Share is weighted.
type Coverage struct {
	Applying int   `json:"applying"`
	LookedAt int   `json:"looked_at"`
	Share    Share `json:"share"`
}

// Look is an item to be looked at next.
type Look struct {
	Item      string `json:"item"`
	Minutes   Number `json:"minutes"`
	Access    string `json:"access"`
	RiskIndex Number `json:"risk_index"`
	PerMinute Number `json:"per_minute"`
}

// Conflict is a finding on which observations contradict each other, so that the worse counts.
type Conflict struct {
	Item    string          `json:"item"`
	Finding string          `json:"finding"`
	Values  []ConflictValue `json:"values"`
	Says    string          `json:"says"`
}

// ConflictValue is one of the contradicting values.
type ConflictValue struct {
	Value  json.RawMessage `json:"value"`
	Method string          `json:"method"`
	Date   string          `json:"date"`
}

// Decibans is a weight of evidence in whole billionths of a deciban: weights in whole units add up
// exactly, in any order and on every machine.
type Decibans int64

const unitsPerDeciban = 1_000_000_000

// Float returns the weight in decibans.
func (d Decibans) Float() float64 { return float64(d) / unitsPerDeciban }

// MarshalJSON writes the weight in decibans as an exact decimal number.
func (d Decibans) MarshalJSON() ([]byte, error) {
	return appendFixed(nil, int64(d), 9), nil
}

// MarshalJSONTo writes what MarshalJSON does, without memory of its own.
func (d Decibans) MarshalJSONTo(out *jsontext.Encoder) error {
	return out.WriteValue(appendFixed(out.AvailableBuffer(), int64(d), 9))
}

// UnmarshalJSON reads a decimal number of decibans.
func (d *Decibans) UnmarshalJSON(b []byte) error {
	v, err := parseFixed(b, 9)
	*d = Decibans(v)
	return err
}

// Share is a probability or another part of one, in whole units of 1e-10.
type Share int64

// Float returns the share as a number from 0 to 1.
func (s Share) Float() float64 { return float64(s) / 1e10 }

// MarshalJSON writes the share as an exact decimal number.
func (s Share) MarshalJSON() ([]byte, error) { return appendFixed(nil, int64(s), 10), nil }

// MarshalJSONTo writes what MarshalJSON does, without memory of its own.
func (s Share) MarshalJSONTo(out *jsontext.Encoder) error {
	return out.WriteValue(appendFixed(out.AvailableBuffer(), int64(s), 10))
}

// UnmarshalJSON reads a decimal number.
func (s *Share) UnmarshalJSON(b []byte) error {
	v, err := parseFixed(b, 10)
	*s = Share(v)
	return err
}

// Number is any other number, in whole millionths.
type Number int64

// Float returns the number.
func (n Number) Float() float64 { return float64(n) / 1e6 }

// MarshalJSON writes the number as an exact decimal number.
func (n Number) MarshalJSON() ([]byte, error) { return appendFixed(nil, int64(n), 6), nil }

// MarshalJSONTo writes what MarshalJSON does, without memory of its own.
func (n Number) MarshalJSONTo(out *jsontext.Encoder) error {
	return out.WriteValue(appendFixed(out.AvailableBuffer(), int64(n), 6))
}

// UnmarshalJSON reads a decimal number.
func (n *Number) UnmarshalJSON(b []byte) error {
	v, err := parseFixed(b, 6)
	*n = Number(v)
	return err
}

// appendFixed writes v * 10^-decimals without trailing zeros.
func appendFixed(b []byte, v int64, decimals int) []byte {
	if v < 0 {
		b = append(b, '-')
	}
	u := uint64(max(v, -v))
	unit := uint64(1)
	for range decimals {
		unit *= 10
	}
	b = strconv.AppendUint(b, u/unit, 10)
	rest := u % unit
	if rest == 0 {
		return b
	}
	b = append(b, '.')
	for rest > 0 {
		unit /= 10
		b = append(b, byte('0'+rest/unit))
		rest %= unit
	}
	return b
}

func parseFixed(b []byte, decimals int) (int64, error) {
	f, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return 0, err
	}
	unit := 1.0
	for range decimals {
		unit *= 10
	}
	return round(f * unit), nil
}

// BlockersBy returns the blockers of a gate and of all earlier ones; nil for an unknown gate.
func (a *Assessment) BlockersBy(gate string) []Blocker {
	upTo := slices.IndexFunc(a.Gates, func(g Gate) bool { return g.Gate == gate })
	if upTo < 0 {
		return nil
	}
	return a.Blockers[:a.Gates[upTo].Blockers]
}
