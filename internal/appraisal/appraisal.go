// Package appraisal puts an assessment as a buyer asks: what is known of a vehicle before the purchase,
// what is not, and what risk would be carried home. It is pure and has no model of its own: its numbers
// are those of the assessment, or made of them. Its words come from package wording.
package appraisal

import (
	"encoding/json"
	"slices"

	"laidup/internal/catalogue"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

// SchemaName is what an appraisal states as its schema.
const SchemaName = "laidup.appraisal/2"

// Appraisal is what a buyer is to know before the purchase: an assessment put as a dealer asks, with
// what each number rests on. schema/json/appraisal.schema.json describes every field, and
// docs/appraisal.md says how it is made. Its numbers are those of the assessment, or made of them.
type Appraisal struct {
	Schema      string        `json:"schema"`
	Vehicle     string        `json:"vehicle"`
	Description string        `json:"description"`
	Assessment  string        `json:"assessment,omitempty"`
	RuleSet     score.RuleSet `json:"rule_set"`
	AsOf        string        `json:"as_of"`
	// NewerReportWaiting is set by whoever stores reports: the answer may change any moment.
	NewerReportWaiting bool               `json:"newer_report_waiting"`
	Gate               string             `json:"gate"` // the gate asked about
	Gates              []AppraisedGate    `json:"gates"`
	Blockers           []score.Blocker    `json:"blockers"`
	Condition          AppraisedCondition `json:"condition"`
	Coverage           Looked             `json:"coverage"`
	Unknown            Unknown            `json:"unknown"`
	Conflicts          []Contradiction    `json:"conflicts"`
	VIN                VIN                `json:"vin"`
	Risk               CarriedRisk        `json:"risk"`
	Cautions           []string           `json:"cautions"`
	Assumes            []string           `json:"assumes"`
}

// AppraisedGate is a [score.Gate] with the reason for its state in words.
type AppraisedGate struct {
	Gate               string      `json:"gate"`
	Is                 string      `json:"is"`
	State              string      `json:"state"`
	Blockers           int         `json:"blockers"`
	ChanceUnharmed     score.Share `json:"chance_unharmed"`
	ChanceUnharmedLow  score.Share `json:"chance_unharmed_low,omitzero"`
	ChanceUnharmedHigh score.Share `json:"chance_unharmed_high,omitzero"`
	ChanceThrough      score.Share `json:"chance_through"`
	ChanceThroughLow   score.Share `json:"chance_through_low,omitzero"`
	ChanceThroughHigh  score.Share `json:"chance_through_high,omitzero"`
	Because            string      `json:"because"`
}

// AppraisedCondition is the condition with what its range rests on.
type AppraisedCondition struct {
	score.Range
	Because string            `json:"because"`
	Systems []AppraisedSystem `json:"systems"`
	Widest  []Widening        `json:"widest"` // the ungraded items that make it wide, widest first
}

// AppraisedSystem is the condition of one system with what its range rests on.
type AppraisedSystem struct {
	System string `json:"system"`
	Is     string `json:"is"`
	score.Range
	Coverage Looked `json:"coverage"`
	Because  string `json:"because"`
}

// Widening is an item that nobody graded: Points is what it adds to the width of the range of the
// whole vehicle.
type Widening struct {
	Item    string       `json:"item"`
	Is      string       `json:"is"`
	Points  score.Number `json:"points"`
	Because string       `json:"because"`
}

// Looked says what was looked at, and how. Those looked at are measured or tested, known credibly in
// another way (seen), or known by somebody's word alone; Ungraded is of all that apply. Shares are
// weighted as the condition is.
type Looked struct {
	Applying      int         `json:"applying"`
	LookedAt      int         `json:"looked_at"`
	Measured      int         `json:"measured"`
	Seen          int         `json:"seen"`
	ToldOnly      int         `json:"told_only"`
	Ungraded      int         `json:"ungraded"`
	LookedAtShare score.Share `json:"looked_at_share"`
	MeasuredShare score.Share `json:"measured_share"`
	SeenShare     score.Share `json:"seen_share"`
	ToldShare     score.Share `json:"told_share"`
	UngradedShare score.Share `json:"ungraded_share"`
	Because       string      `json:"because"`
}

// Unknown is what nobody has proven of what a gate and all earlier ones need, and what a look at all
// of it would cost.
type Unknown struct {
	Gate     string       `json:"gate"`
	Items    int          `json:"items"`
	Minutes  score.Number `json:"minutes"`
	ByAccess []AccessCost `json:"by_access"` // least to be taken apart first
	LookNext []NamedLook  `json:"look_next"` // what settles most risk a minute, first
	Because  string       `json:"because"`
}

// AccessCost is what the looks cost that need one kind of access.
type AccessCost struct {
	Access  string       `json:"access"`
	Items   int          `json:"items"`
	Minutes score.Number `json:"minutes"`
}

// NamedLook is a [score.Look] with the name of its item.
type NamedLook struct {
	score.Look
	Is string `json:"is"`
}

// What counts of a contradiction.
const (
	SeenCounts  = "seen"  // the word was overturned
	WorseCounts = "worse" // nobody has settled it: the worse counts
)

// Contradiction is a finding on which statements contradict each other: Told is hearsay, Seen what
// is known better.
type Contradiction struct {
	Item      string      `json:"item"`
	Is        string      `json:"is"`
	At        string      `json:"at,omitempty"` // the position, where one was named
	Finding   string      `json:"finding"`
	FindingIs string      `json:"finding_is"`
	Told      []Statement `json:"told"`
	Seen      []Statement `json:"seen"`
	Counts    string      `json:"counts"`
	Because   string      `json:"because"`
}

// Statement is one observation of a finding.
type Statement struct {
	Value   json.RawMessage `json:"value"`
	InWords string          `json:"in_words"`
	Method  string          `json:"method"`
	Date    string          `json:"date"`
}

// VIN is the vehicle identification number as last reported, with what is odd about it.
type VIN struct {
	VIN      string   `json:"vin"`
	Cautions []string `json:"cautions"`
}

// CarriedRisk is the risk that a buyer would carry who starts the vehicle as it stands and goes on to
// the last gate.
type CarriedRisk struct {
	Gate string `json:"gate"` // the last
	// ChanceOfHarm is that at least one critical or catastrophic hazard comes true on the way: what is
	// left of 1 by the chance of getting through the last gate.
	ChanceOfHarm     score.Share `json:"chance_of_harm"`
	ChanceOfHarmLow  score.Share `json:"chance_of_harm_low,omitzero"`
	ChanceOfHarmHigh score.Share `json:"chance_of_harm_high,omitzero"`
	// WithoutTheWord is the same if no reassuring hearsay counted, as for gates: where it is much
	// higher, it is the seller's word that makes the vehicle look good.
	WithoutTheWord score.Share     `json:"without_the_word"`
	RestsOn        RestingShares   `json:"rests_on"`
	Because        string          `json:"because"`
	BySeverity     []SeverityRisk  `json:"by_severity"` // worst first, those that there are
	ByGate         []GateRisk      `json:"by_gate"`
	Hazards        []CarriedRiskOf `json:"hazards"` // as the register ranks them
}

// RestingShares are the shares of a chance of harm. Hazards that all have to be escaped multiply, so
// their logarithms add up: a hazard of probability p has the part -ln(1-p). They add up to 1.
type RestingShares struct {
	Found   score.Share `json:"found"`
	Told    score.Share `json:"told"`
	Unknown score.Share `json:"unknown"`
}

// SeverityRisk sums up the hazards of one severity. Chance is that at least one of them comes true on
// the way to the last gate.
type SeverityRisk struct {
	Severity string      `json:"severity"`
	Hazards  int         `json:"hazards"`
	Chance   score.Share `json:"chance"`
	Worst    string      `json:"worst"` // risk level among them
	Found    int         `json:"found"`
	Told     int         `json:"told"`
	Unknown  int         `json:"unknown"`
}

// GateRisk is the chance of harm at one gate alone.
type GateRisk struct {
	Gate             string      `json:"gate"`
	Hazards          int         `json:"hazards"` // critical and catastrophic
	ChanceOfHarm     score.Share `json:"chance_of_harm"`
	ChanceOfHarmLow  score.Share `json:"chance_of_harm_low,omitzero"`
	ChanceOfHarmHigh score.Share `json:"chance_of_harm_high,omitzero"`
	Because          string      `json:"because"`
}

// CarriedRiskOf is one hazard of the register with what it rests on.
type CarriedRiskOf struct {
	Rank        int          `json:"rank"`
	Hazard      string       `json:"hazard"`
	Item        string       `json:"item"`
	Gate        string       `json:"gate"`
	What        string       `json:"what"`
	Severity    string       `json:"severity"`
	Probability score.Share  `json:"probability"`
	Low         score.Share  `json:"low,omitzero"`
	High        score.Share  `json:"high,omitzero"`
	Risk        string       `json:"risk"`
	RiskIndex   score.Number `json:"risk_index"`
	RestsOn     string       `json:"rests_on"`
	Because     string       `json:"because"`
}

// JSON encodes the appraisal.
func (a *Appraisal) JSON() ([]byte, error) { return json.Marshal(a) }

// mostShown is how many looks, and how many widenings, an appraisal shows.
const mostShown = 10

// instruments are the methods, by the names that the catalogue of the built-in rule sets gives them,
// that read a value off something better than a person.
var instruments = []string{"tested", "measured"}

// Make appraises a vehicle. The reports are those that the assessment was made of, in the order in which
// they came, and the rule set is the one that it was made under. Gate is the index of the gate asked
// about; below 0 means the one that the assessment is about.
func Make(set *ruleset.Set, a *score.Assessment, reports []*report.Report, gate int, words *wording.Words) *Appraisal {
	if gate < 0 {
		gate = slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == a.Verdict.Gate })
	}
	p := &appraiser{set: set, a: a, words: words, dossier: report.Lay(reports, set.Catalogue, set.ProofCredence)}
	out := &Appraisal{
		Schema: SchemaName, Vehicle: a.Vehicle, Description: p.dossier.Vehicle.Description, Assessment: a.ID,
		RuleSet: a.RuleSet, AsOf: a.AsOf, Gate: a.Gates[gate].Gate, Gates: p.gates(),
		Blockers: append([]score.Blocker{}, a.Blockers...), Unknown: p.unknown(a.Gates[gate]), Conflicts: p.contradictions(), VIN: p.vin(),
		Cautions: append([]string{}, a.Cautions...), Assumes: append([]string{}, a.Assumes...),
	}
	out.Condition, out.Coverage = p.condition()
	out.Risk = p.risk()
	return out
}

type appraiser struct {
	set     *ruleset.Set
	a       *score.Assessment
	words   *wording.Words
	dossier *report.Dossier
}

func (p *appraiser) hearsay(by report.Support) bool { return by.Alarms < p.set.ProofCredence }

func (p *appraiser) gates() []AppraisedGate {
	gates := make([]AppraisedGate, len(p.a.Gates))
	for i, g := range p.a.Gates {
		gates[i] = AppraisedGate{
			Gate: g.Gate, Is: g.Is, State: g.State, Blockers: g.Blockers,
			ChanceUnharmed: g.ChanceUnharmed, ChanceUnharmedLow: g.ChanceUnharmedLow, ChanceUnharmedHigh: g.ChanceUnharmedHigh,
			ChanceThrough: g.ChanceThrough, ChanceThroughLow: g.ChanceThroughLow, ChanceThroughHigh: g.ChanceThroughHigh,
			Because: p.gateBecause(g),
		}
	}
	return gates
}

func (p *appraiser) gateBecause(g score.Gate) string {
	if g.Blockers == 0 {
		return p.words.Appraise("gate_clear")
	}
	kinds := map[string]int{}
	here := p.a.BlockersBy(g.Gate)
	for _, b := range here {
		kinds[b.Kind]++
	}
	var list []string
	for k := ruleset.Defect; k <= ruleset.Unproven; k++ {
		if n := kinds[k.String()]; n > 0 {
			list = append(list, p.words.Count(k.String(), n))
		}
	}
	return p.words.Appraise("gate_blocked", "list", p.words.List(list), "because", here[0].Because)
}

// vin says what is odd about the number on the plate.
func (p *appraiser) vin() VIN {
	v := VIN{VIN: p.dossier.Vehicle.VIN, Cautions: []string{}}
	if v.VIN == "" {
		v.Cautions = append(v.Cautions, p.words.Appraise("no_vin"))
		return v
	}
	if odd := report.OddVIN(v.VIN); odd != "" {
		v.Cautions = append(v.Cautions, odd)
	}
	for _, r := range p.dossier.Reports {
		if other := r.Vehicle.VIN; other != "" && other != v.VIN {
			if caution := p.words.Appraise("other_vin", "vin", other); !slices.Contains(v.Cautions, caution) {
				v.Cautions = append(v.Cautions, caution)
			}
		}
	}
	return v
}

func (p *appraiser) item(id string) *catalogue.Item { return p.set.Catalogue.Item(id) }

// is names an item, or a fact where a fact alone decides.
func (p *appraiser) is(id string) string {
	if it := p.item(id); it != nil {
		return it.Is
	}
	return wording.Spaced(id)
}
