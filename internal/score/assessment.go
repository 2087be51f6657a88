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
const SchemaName = "laidup.assessment/2"

// Assessment is what comes back for a dossier. Its numbers are rounded to fixed decimals, so that
// the same dossier and rule set give the same bytes on every machine.
type Assessment struct {
	Schema  string  `json:"schema"`
	ID      string  `json:"id,omitempty"` // set by whoever stores it
	State   string  `json:"state"`
	Vehicle string  `json:"vehicle"`
	Report  string  `json:"report,omitempty"` // set by whoever stores it
	AsOf    string  `json:"as_of"`
	RuleSet RuleSet `json:"rule_set"`
	// Words names the texts in which Because of blockers and the like are written, and their version;
	// set by who writes them (package wording).
	Words     string     `json:"words,omitempty"`
	Verdict   Verdict    `json:"verdict"`
	Gates     []Gate     `json:"gates"`
	Blockers  []Blocker  `json:"blockers"`
	Register  []Entry    `json:"register"`
	Condition Condition  `json:"condition"`
	Coverage  Coverage   `json:"coverage"`
	LookNext  []Look     `json:"look_next"`
	Conflicts []Conflict `json:"conflicts"`
	// Taken are facts that nobody told, with the values that the others make plain.
	Taken []TakenFact `json:"taken,omitempty"`
	// Misplaced are items that were reported on although the vehicle, by its facts, has none.
	Misplaced []string `json:"misplaced,omitempty"`
	Cautions  []string `json:"cautions"`
	Assumes   []string `json:"assumes"`
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

// TakenFact is a fact that nobody told, and the value that it is taken for.
type TakenFact struct {
	Fact  string          `json:"fact"` // vehicle.NAME or lay_up.NAME
	Value json.RawMessage `json:"value"`
}

// Interval80 is the 80 % range of a chance: what the spread of the rule set's own estimates makes of
// it. The zero value is no range: there is none where a chance is 0 or 1.
type Interval80 struct{ Low, High Share }

// Verdict is the state of the gate asked about.
type Verdict struct {
	Gate              string `json:"gate"`
	State             string `json:"state"`
	ChanceThrough     Share  `json:"chance_through"`
	ChanceThroughLow  Share  `json:"chance_through_low,omitzero"`
	ChanceThroughHigh Share  `json:"chance_through_high,omitzero"`
	Blockers          int    `json:"blockers"`
}

// Gate is the state of one gate. Blockers counts those of this gate and of all earlier ones. Low and
// High are the 80 % range.
type Gate struct {
	Gate               string `json:"gate"`
	Is                 string `json:"is"`
	State              string `json:"state"`
	Blockers           int    `json:"blockers"`
	ChanceUnharmed     Share  `json:"chance_unharmed"`
	ChanceUnharmedLow  Share  `json:"chance_unharmed_low,omitzero"`
	ChanceUnharmedHigh Share  `json:"chance_unharmed_high,omitzero"`
	ChanceThrough      Share  `json:"chance_through"`
	ChanceThroughLow   Share  `json:"chance_through_low,omitzero"`
	ChanceThroughHigh  Share  `json:"chance_through_high,omitzero"`
	// ChanceWithoutWord is ChanceThrough if nothing counted that is only told and reassures; left out
	// where that makes no difference.
	ChanceWithoutWord Share    `json:"chance_without_word,omitzero"`
	Cautions          []string `json:"cautions,omitempty"`
}

// The codes of a [Reason].
const (
	ReasonFound         = "found"          // a rule fired or a limit was crossed: Says, in the rule set's words
	ReasonOff           = "off"            // the item is off the vehicle
	ReasonNotLookedAt   = "not_looked_at"  // nothing is known of the item, and What may happen
	ReasonNotEnough     = "not_enough"     // what is known of the item is not enough to rule out What
	ReasonOnlyTold      = "only_told"      // somebody says so, nobody looked: Says
	ReasonLikelyBad     = "likely_bad"     // nobody knows, and the part is likelier bad than one careful person would pass: What
	ReasonProof         = "proof"          // what has to be shown: Says
	ReasonFollow        = "follow"         // what was found once has to be followed up: Says
	ReasonNumberUnknown = "number_unknown" // a limit may have been crossed: Says
	ReasonFactUnknown   = "fact_unknown"   // a fact about the vehicle alone decides
)

// Reason is why something is on the blocking list, as a code with its arguments. Package wording
// makes a sentence of it.
type Reason struct {
	Code string `json:"code"`
	// Is is the item or fact, as the catalogue calls it.
	Is string `json:"is,omitempty"`
	// Says is a clause of the rule set, with what was found filled in.
	Says string `json:"says,omitempty"`
	// What is the harm feared.
	What string `json:"what,omitempty"`
	// Chance is the probability that the item is bad, where that is the reason.
	Chance Share `json:"chance,omitzero"`
}

// Blocker is one reason why a gate is not clear. At names the positions concerned; empty means the
// item as a whole, or a position that nobody named. Item is the id of a fact where Reason is
// [ReasonFactUnknown].
type Blocker struct {
	Rank     int        `json:"rank"`
	Gate     string     `json:"gate"`
	Kind     string     `json:"kind"`
	Item     string     `json:"item"`
	At       []string   `json:"at,omitempty"`
	Hazard   string     `json:"hazard,omitempty"`
	Faults   []string   `json:"faults,omitempty"`
	Severity string     `json:"severity,omitempty"`
	Reason   Reason     `json:"reason"`
	Because  string     `json:"because"` // Reason in words
	ClearBy  []Clearing `json:"clear_by"`
	Cautions []string   `json:"cautions"`
	Rules    []string   `json:"rules"` // the rules, limits, proofs and hazards that put it here
	Source   string     `json:"source"`
}

// Clearing is a set of findings on one item, in the form in which they are reported: at the positions
// named, or on the item as a whole. Where Fact is given there is no item: Found has the value of the
// vehicle's fact with which nothing more is asked for; any other value is an answer too.
type Clearing struct {
	Item  string       `json:"item,omitempty"`
	Fact  string       `json:"fact,omitempty"` // vehicle.NAME or lay_up.NAME
	At    []string     `json:"at,omitempty"`
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
	Gate   string `json:"gate"`
	What   string `json:"what"`
	Source string `json:"source"`
}

// Entry is one hazard in the risk register. Item is that of its weightiest cause.
type Entry struct {
	Rank int `json:"rank"`
	*HazardText
	Item        string  `json:"item"`
	Severity    string  `json:"severity"`
	Probability Share   `json:"probability"`
	Low         Share   `json:"low,omitzero"` // 80 % range of Probability
	High        Share   `json:"high,omitzero"`
	Level       string  `json:"level"` // A to F, MIL-STD-882E Table II
	Risk        string  `json:"risk"`  // MIL-STD-882E Table III
	RiskIndex   Number  `json:"risk_index"`
	Share       Share   `json:"share"`
	RestsOn     string  `json:"rests_on"` // found, told or unknown
	Causes      []Cause `json:"causes"`   // weightiest first
}

// FaultText is what a register says of a fault whatever the vehicle.
type FaultText struct {
	Fault  string `json:"fault"`
	Item   string `json:"item"`
	Is     string `json:"is"`
	Source string `json:"source"`
}

// Cause is a fault that may do the harm of a hazard: the probability that the part is bad with the
// ledger that it comes from, and the chance that it then does this harm.
type Cause struct {
	*FaultText
	At          []string   `json:"at,omitempty"` // where the alarms are
	Probability Share      `json:"probability"`
	Low         Share      `json:"low,omitzero"`
	High        Share      `json:"high,omitzero"`
	Chance      Share      `json:"chance"`
	Share       Share      `json:"share"`
	Prior       Share      `json:"prior"`
	PriorDB     Decibans   `json:"prior_db"`
	ShiftsDB    Decibans   `json:"shifts_db"`
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
	At          []string `json:"at,omitempty"`
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
	At      string          `json:"at,omitempty"`
	Finding string          `json:"finding"`
	Values  []ConflictValue `json:"values"`
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
