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
	CommonError     float64            `json:"common_error"`
	LikelyBad       float64            `json:"likely_bad"`
	SeverityWeights map[string]float64 `json:"severity_weights"`
	HalfLife        HalfLifeForm       `json:"half_life"`
	HalfLives       []HalfLifeForm     `json:"half_lives,omitempty"`
	LookNext        LookNext           `json:"look_next"`
	Assumes         []string           `json:"assumes,omitempty"`
	Cautions        []string           `json:"cautions,omitempty"`

	// Catalogue has the systems that stand at the top level too.
	Catalogue catalogue.Document `json:"catalogue"`
	Gates     []GateForm         `json:"gates"`
	Faults    []FaultForm        `json:"faults"`
	Rules     []RuleForm         `json:"rules"`
	Limits    []LimitForm        `json:"limits,omitempty"`
	Hazards   []HazardForm       `json:"hazards"`
	Proofs    []ProofForm        `json:"proofs,omitempty"`
	Follows   []FollowForm       `json:"follows,omitempty"`
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
	case "judgement", "estimate":
		text = s.Kind
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

// GateForm is a gate as it is written. Tolerates has the probability that a hazard may have, by its
// severity; of a severity that is not named any is tolerated.
type GateForm struct {
	ID        string             `json:"id"`
	Is        string             `json:"is"`
	Tolerates map[string]float64 `json:"tolerates"`
	Because   string             `json:"because"`
	Cautions  []string           `json:"cautions,omitempty"`
}

// FaultForm is one way in which an item can be bad, as it is written. Where ClearBy is empty, a new
// part makes it sound.
type FaultForm struct {
	ID       string     `json:"id"`
	Item     string     `json:"item"`
	When     string     `json:"when,omitempty"`
	Is       string     `json:"is"`
	Prior    PriorForm  `json:"prior"`
	ClearBy  []Clearing `json:"clear_by,omitempty"`
	Cautions []string   `json:"cautions,omitempty"`
	Source   Source     `json:"source"`
}

// PriorForm is a prior probability: one number, or a curve over one number.
type PriorForm struct {
	Is     *float64    `json:"is,omitempty"`
	Of     string      `json:"of,omitempty"`
	Knots  []Knot      `json:"curve,omitempty"`
	Spread float64     `json:"spread"`
	Shifts []ShiftForm `json:"shifts,omitempty"`
	Cap    *float64    `json:"cap,omitempty"`
	Anchor *Anchor     `json:"anchor,omitempty"`
}

// ShiftForm moves the log-odds of a prior on vehicles of which When holds.
type ShiftForm struct {
	When string  `json:"when"`
	DB   float64 `json:"db"`
}

// Anchor is a published rate that a prior rests on.
type Anchor struct {
	Cite       string `json:"cite"`
	Says       string `json:"says"`                 // the rate
	Population string `json:"population,omitempty"` // of what
	Year       string `json:"year,omitempty"`       // of when
	Judged     string `json:"judged,omitempty"`     // what was made of it by judgement
}

// HazardForm is a harm that faults do at a gate, as it is written.
type HazardForm struct {
	ID       string       `json:"id"`
	Gate     string       `json:"gate"`
	When     string       `json:"when,omitempty"`
	What     string       `json:"what"`
	Severity SeverityForm `json:"severity"`
	Causes   []CauseForm  `json:"causes"`
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

// CauseForm is a fault that causes a hazard, and the chance that it does so in one attempt.
type CauseForm struct {
	Fault  string     `json:"fault"`
	Chance ChanceForm `json:"chance"`
	Spread float64    `json:"spread"`
}

// ChanceForm is a chance: the first entry whose condition holds counts.
type ChanceForm []ChanceCase

// ChanceCase is one chance and the vehicle facts under which it holds.
type ChanceCase struct {
	When string  `json:"when,omitempty"`
	Is   float64 `json:"is"`
}

// UnmarshalJSON reads a list of cases, or one number for all cases.
func (c *ChanceForm) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] != '[' {
		*c = ChanceForm{{}}
		return json.Unmarshal(b, &(*c)[0].Is)
	}
	return json.Unmarshal(b, (*[]ChanceCase)(c))
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

// RuleForm is what one finding means for one fault, as it is written. Where Blocks is given it is a
// limit too, of the same id, condition and reason.
type RuleForm struct {
	ID       string      `json:"id"`
	Fault    string      `json:"fault"`
	Item     string      `json:"item,omitempty"`
	Line     string      `json:"line,omitempty"`
	When     string      `json:"when"`
	Weight   WeightForm  `json:"weight"`
	Blocks   *BlocksForm `json:"blocks,omitempty"`
	Because  string      `json:"because"`
	ClearBy  []Clearing  `json:"clear_by,omitempty"` // that of the fault unless given
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

// BlocksForm is the rest of a limit whose condition is that of a rule.
type BlocksForm struct {
	Gate string `json:"gate"`
	If   string `json:"if,omitempty"`
	Kind string `json:"kind,omitempty"`
}

// UnmarshalJSON reads an object, or the name of the gate alone.
func (b *BlocksForm) UnmarshalJSON(data []byte) error {
	if len(data) > 0 && data[0] == '"' {
		*b = BlocksForm{}
		return json.Unmarshal(data, &b.Gate)
	}
	type plain BlocksForm
	return json.Unmarshal(data, (*plain)(b))
}

// LimitForm is what the trade or the law does not allow before a gate, as it is written. It speaks
// of a fault, or of an item where no fault is concerned.
type LimitForm struct {
	ID       string     `json:"id"`
	Fault    string     `json:"fault,omitempty"`
	Item     string     `json:"item,omitempty"`
	When     string     `json:"when"`
	Gate     string     `json:"gate"`
	If       string     `json:"if,omitempty"`
	Kind     string     `json:"kind,omitempty"`   // defect unless given
	Guards   []string   `json:"guards,omitempty"` // all hazards of the fault unless given
	Because  string     `json:"because"`
	ClearBy  []Clearing `json:"clear_by,omitempty"` // that of the fault unless given
	Cautions []string   `json:"cautions,omitempty"`
	Source   Source     `json:"source"`
}

// ProofForm is something that has to be shown before a gate, as it is written: always, or while one
// of the hazards that it guards is above what its gate tolerates.
type ProofForm struct {
	ID       string     `json:"id"`
	Item     string     `json:"item"`
	Gate     string     `json:"gate"`
	When     string     `json:"when,omitempty"`
	Proves   string     `json:"proves"`
	Guards   []string   `json:"guards,omitempty"`
	Always   bool       `json:"always,omitempty"`
	Kind     string     `json:"kind,omitempty"` // unproven unless given
	Because  string     `json:"because"`
	ClearBy  []Clearing `json:"clear_by"`
	Cautions []string   `json:"cautions,omitempty"`
	Source   Source     `json:"source"`
}

// FollowForm is what a cure does not wipe out, as it is written.
type FollowForm struct {
	ID    string `json:"id"`
	Item  string `json:"item"`
	When  string `json:"when"`
	Needs string `json:"needs"` // the proof
	// Outlasts says that renewing the item does not end it either: new oil says nothing of where the
	// water in the old one came from.
	Outlasts bool   `json:"outlasts,omitempty"`
	Because  string `json:"because"`
	Source   Source `json:"source"`
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
