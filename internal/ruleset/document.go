package ruleset

import (
	"encoding/json"
	"fmt"

	"laidup/internal/catalogue"
)

// Document is a rule set as it is written. docs/rule-authoring.md describes its fields.
type Document struct {
	Schema  string `json:"schema"`
	Name    string `json:"name"`
	Version string `json:"version"`
	Is      string `json:"is"`
	Asks    string `json:"asks"`

	ProofCredence   float64            `json:"proof_credence"`
	SeverityWeights map[string]float64 `json:"severity_weights"`
	HalfLife        HalfLifeForm       `json:"half_life"`
	HalfLives       []HalfLifeForm     `json:"half_lives,omitempty"`
	LookNext        LookNext           `json:"look_next"`
	Assumes         []string           `json:"assumes,omitempty"`
	Cautions        []string           `json:"cautions,omitempty"`

	Catalogue catalogue.Document `json:"catalogue"`
	Gates     []GateForm         `json:"gates"`
	Hazards   []HazardForm       `json:"hazards"`
	Rules     []RuleForm         `json:"rules"`
	Proofs    []ProofForm        `json:"proofs"`
	Weights   WeightsForm        `json:"weights,omitzero"`
	Unseen    UnseenForm         `json:"unseen"`
	Grades    []GradeForm        `json:"grades,omitempty"`
	Tests     []json.RawMessage  `json:"tests,omitempty"` // see [Test]
}

// Source says on whose word an entry stands.
type Source struct {
	Kind string `json:"kind"`
	Cite string `json:"cite,omitempty"`
	Note string `json:"note,omitempty"`
}

// String names the source as a person would.
func (s Source) String() string {
	text := s.Cite
	switch s.Kind {
	case "common_practice":
		text = "common practice"
	case "judgement":
		text = "judgement"
	}
	if s.Note != "" {
		text += " (" + s.Note + ")"
	}
	return text
}

// HalfLifeForm is the time in years after which a reassuring finding is worth half; of all items
// where Item is empty.
type HalfLifeForm struct {
	Item   string  `json:"item,omitempty"`
	Years  float64 `json:"years"`
	Source Source  `json:"source"`
}

// LookNext limits what is proposed to be looked at next.
type LookNext struct {
	Access []string `json:"access"`
	Most   int      `json:"most"`
}

// GateForm is a gate as it is written. Tolerance is the risk level at or above which a hazard blocks.
type GateForm struct {
	ID        string   `json:"id"`
	Is        string   `json:"is"`
	Tolerance string   `json:"tolerance"`
	Cautions  []string `json:"cautions,omitempty"`
}

// HazardForm is a hazard as it is written.
type HazardForm struct {
	ID       string       `json:"id"`
	Item     string       `json:"item"`
	Gate     string       `json:"gate"`
	When     string       `json:"when,omitempty"`
	What     string       `json:"what"`
	Severity SeverityForm `json:"severity"`
	Prior    PriorForm    `json:"prior"`
	ClearBy  []Clearing   `json:"clear_by"`
	Cautions []string     `json:"cautions,omitempty"`
	Source   Source       `json:"source"`
}

// SeverityForm is how bad a hazard is: the first entry whose condition holds counts.
type SeverityForm []SeverityCase

// SeverityCase is one severity and the vehicle facts under which it holds.
type SeverityCase struct {
	When string `json:"when,omitempty"`
	Is   string `json:"is"`
}

// UnmarshalJSON reads a list of cases, or one word for all cases.
func (s *SeverityForm) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		*s = SeverityForm{{}}
		return json.Unmarshal(b, &(*s)[0].Is)
	}
	return json.Unmarshal(b, (*[]SeverityCase)(s))
}

// PriorForm is a prior probability: one number, or a curve over one number.
type PriorForm struct {
	Is *float64 `json:"is,omitempty"`
	Of string   `json:"of,omitempty"`
	Curve
}

// Curve is piecewise linear between its knots [x, y] and flat beyond them.
type Curve struct {
	Knots       []Knot   `json:"curve,omitempty"`
	WhenUnknown *float64 `json:"when_unknown,omitempty"`
}

// Knot is one point of a curve.
type Knot [2]float64

// UnmarshalJSON reads a pair of numbers.
func (k *Knot) UnmarshalJSON(b []byte) error {
	var pair []float64
	if err := json.Unmarshal(b, &pair); err != nil {
		return err
	}
	if len(pair) != 2 {
		return fmt.Errorf("a knot is a pair of numbers, not %d", len(pair))
	}
	*k = Knot(pair)
	return nil
}

// Clearing is a set of findings on one item that would clear a blocker, in the form in which they
// are reported; the date as_of stands for the day the assessment speaks of.
type Clearing struct {
	Item  string         `json:"item"`
	Found map[string]any `json:"found"`
}

// RuleForm is a rule as it is written.
type RuleForm struct {
	ID       string      `json:"id"`
	Hazard   string      `json:"hazard"`
	Item     string      `json:"item,omitempty"`
	Line     string      `json:"line,omitempty"`
	When     string      `json:"when"`
	Weight   WeightForm  `json:"weight"`
	Blocks   *BlocksForm `json:"blocks,omitempty"`
	Because  string      `json:"because"`
	ClearBy  []Clearing  `json:"clear_by,omitempty"`
	Cautions []string    `json:"cautions,omitempty"`
	Source   Source      `json:"source"`
}

// WeightForm is a weight of evidence in decibans: one number, or a curve over a formula.
type WeightForm struct {
	Is float64
	Of string
	Curve
}

// UnmarshalJSON reads a number, or an object with of and curve.
func (w *WeightForm) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '{' {
		var form struct {
			Of string `json:"of"`
			Curve
		}
		err := json.Unmarshal(b, &form)
		w.Of, w.Curve = form.Of, form.Curve
		return err
	}
	return json.Unmarshal(b, &w.Is)
}

// BlocksForm says that a rule that fires blocks a gate outright.
type BlocksForm struct {
	Gate string `json:"gate"`
	When string `json:"when,omitempty"`
	Kind string `json:"kind,omitempty"`
}

// ProofForm is something that a gate needs proven, as it is written.
type ProofForm struct {
	ID       string     `json:"id"`
	Item     string     `json:"item"`
	Gate     string     `json:"gate"`
	When     string     `json:"when,omitempty"`
	ProvenBy []string   `json:"proven_by"`
	Because  string     `json:"because"`
	ClearBy  []Clearing `json:"clear_by"`
	Cautions []string   `json:"cautions,omitempty"`
	Source   Source     `json:"source"`
}

// WeightsForm has the weights of systems and items for condition and coverage; 1 unless given.
type WeightsForm struct {
	Systems []WeightOf `json:"systems,omitempty"`
	Items   []WeightOf `json:"items,omitempty"`
}

// WeightOf is the weight of one system or item.
type WeightOf struct {
	ID     string  `json:"id"`
	Weight float64 `json:"weight"`
}

// UnseenForm is the condition of an item that nobody graded, over one number.
type UnseenForm struct {
	Of       string `json:"of"`
	Low      Curve  `json:"low"`
	Expected Curve  `json:"expected"`
	High     Curve  `json:"high"`
	Source   Source `json:"source"`
}

// GradeForm turns one finding into a condition from 0 to 100. Item "*" means every item.
type GradeForm struct {
	Item string             `json:"item"`
	Of   string             `json:"of"`
	Map  map[string]float64 `json:"map,omitempty"`
	Curve
	Source Source `json:"source"`
}
