// Package ruleset reads rule sets and makes them ready to score by: it checks the text against a
// JSON Schema, builds its catalogue, compiles and type-checks every condition, and reports
// everything that is wrong at once, with file, line and the id of the entry. It is pure.
package ruleset

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/document"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// SchemaName is what a rule set states as its schema.
const SchemaName = "laidup.rule_set/2"

// MaxSource is how many bytes a rule set may have, in all its files and in its canonical form.
const MaxSource = 2 << 20

// maxNodes bounds the nodes of all conditions together.
const maxNodes = 50_000

var kind = &document.Kind{Is: "rule set", Bytes: MaxSource, Depth: 24, Values: 250_000, Marks: 300_000}

// Mistake is one thing wrong with a rule set; [Mistakes] is the error of one that cannot be used.
type (
	Mistake  = document.Mistake
	Mistakes = document.Mistakes
)

// Severity is how bad a hazard is, by MIL-STD-882E Table I. The zero value is none.
type Severity uint8

// The severity categories, worst first as the standard numbers them.
const (
	Catastrophic Severity = iota + 1
	Critical
	Marginal
	Negligible
)

var severityNames = []string{"", "catastrophic", "critical", "marginal", "negligible"}

// String names the severity as rule sets and assessments do.
func (s Severity) String() string { return severityNames[s] }

// Risk is a risk level by MIL-STD-882E Table III. The zero value is none.
type Risk uint8

// The risk levels, highest first.
const (
	High Risk = iota + 1
	Serious
	Medium
	Low
	Eliminated
)

var riskNames = []string{"", "high", "serious", "medium", "low", "eliminated"}

// String names the level as rule sets and assessments do.
func (r Risk) String() string { return riskNames[r] }

// Kind is why something is on a blocking list.
type Kind uint8

// The kinds of blocker, in the order in which a list has them.
const (
	Defect   Kind = iota + 1 // something was found that must not be there
	Duty                     // the law or the safety of people demands something first
	Unproven                 // nobody looked, or not well enough
)

var kindNames = []string{"", "defect", "duty", "unproven"}

// String names the kind as rule sets and assessments do.
func (k Kind) String() string { return kindNames[k] }

// Set is a rule set ready to score by. It is safe for concurrent use and never changes.
type Set struct {
	Name, Version string
	Digest        string // "sha256:" and the hash of the canonical form (RFC 8785)
	Is            string
	Canonical     []byte // the rule set as one JSON document in canonical form
	Catalogue     *catalogue.Catalogue

	Asks          int // index of the gate that a verdict is about
	ProofCredence float64
	Weight        [Negligible + 1]float64 // W by severity
	LookNext      LookNext
	Assumes       []string
	Cautions      []string
	CommonError   float64 // decibans: what every estimate may get wrong alike
	LikelyBad     float64 // a part likelier bad than this is unproven wherever it can do critical harm

	Gates   []*Gate
	Faults  []*Fault
	Hazards []*Hazard
	Rules   []*Rule
	Limits  []*Limit // as written, then those that rules block by
	Proofs  []*Proof
	Follows []*Follow
	// RulesReading has the rules to try, by the index of an item on which something was found:
	// each rule stands once, under one of the items that it needs findings of.
	RulesReading [][]*Rule
	// LimitsReading has the limits that need findings, in the same way. Those that read ages,
	// distances and facts alone are not among them.
	LimitsReading [][]*Limit

	HalfLife     []float64  // years, by item
	ItemWeight   []float64  // by item
	SystemWeight []float64  // by system
	Grades       [][]*Grade // by item
	Unseen       Unseen

	Tests []Test // the rule set's own
}

// Gate is a stage of waking the vehicle up.
type Gate struct {
	ID, Is string
	Index  int
	// Tolerates has the probability that a hazard may have, by severity; 1 where anything may.
	Tolerates [Negligible + 1]float64
	Because   string // why these
	Cautions  []string
}

// Fault is one way in which an item can be bad.
type Fault struct {
	ID, Is   string
	Index    int // in Set.Faults
	Item     *catalogue.Item
	When     *condition.Condition // on facts; nil: wherever the item is
	Prior    Prior
	ClearBy  []Clear // what makes it sound
	Cautions []string
	Source   Source
	Lines    int // number of lines of evidence
	// Hazards are those that it causes, by gate and then as written.
	Hazards []*Hazard
	// Reassured reports whether a look could lower the probability.
	Reassured bool
	// Facts are the choices and flags among the facts that the fault hangs on, in the order of the
	// catalogue: where one is not known, each of its values is to be tried.
	Facts []*catalogue.Finding
}

// PriorOf is the number that a prior is a curve over.
type PriorOf uint8

// What a prior is a curve over. The zero value is nothing: the prior is the same for all.
const (
	Constant   PriorOf = iota
	Age                // of the fault's item
	LaidUp             // years laid up
	SinceBuilt         // years since the vehicle was built
	Odometer           // the distance on the odometer
	Formula            // Prior.Of
)

// Prior is the probability of a fault with nobody having looked.
type Prior struct {
	Over   PriorOf
	Of     *condition.Formula // of Formula, else nil
	Needs  []int              // slots of findings that Of reads
	Curve  []Knot             // one knot where Over is Constant
	Spread float64            // decibans, one standard deviation of its log-odds
	Cap    float64            // the most that shifts make of it; 1 where nothing is said
	Shifts []Shift
	Anchor *Anchor // nil: rests on no published rate
}

// Shift moves the log-odds of a prior by DB decibans where it holds.
type Shift struct {
	When *condition.Condition // on facts
	DB   float64
}

// At returns the value of a curve: linear between its knots, flat beyond its ends.
func At(curve []Knot, x float64) float64 {
	if x <= curve[0][0] {
		return curve[0][1]
	}
	for i := 1; i < len(curve); i++ {
		if a, b := curve[i-1], curve[i]; x <= b[0] {
			// The conversion keeps machines with fused arithmetic to the same digits.
			return a[1] + float64((x-a[0])*(b[1]-a[1]))/(b[0]-a[0])
		}
	}
	return curve[len(curve)-1][1]
}

// Hazard is one harm that faults do at one gate.
type Hazard struct {
	ID, What string
	Index    int // in Set.Hazards
	Gate     *Gate
	When     *condition.Condition // on facts; nil: always
	Severity []SeverityWhen
	Causes   []Cause
	Cautions []string
	Source   string
	// Facts are the choices and flags among the facts that the hazard and its causes hang on, in
	// the order of the catalogue.
	Facts []*catalogue.Finding
}

// SeverityWhen is a severity and the condition under which it holds; nil always does.
type SeverityWhen struct {
	When *condition.Condition
	Is   Severity
}

// SeverityOn returns the severity on a vehicle with the facts in a frame: the first that holds, or
// the worst of those that may.
func (h *Hazard) SeverityOn(f condition.Frame) Severity {
	return h.SeverityBy(func(i int) condition.Truth { return holds(h.Severity[i].When, f) })
}

// SeverityBy is SeverityOn for whoever knows already which of its conditions hold.
func (h *Hazard) SeverityBy(holds func(i int) condition.Truth) Severity {
	worst := Negligible
	for i, s := range h.Severity {
		t := holds(i)
		if t != condition.False {
			worst = min(worst, s.Is)
		}
		if t == condition.True {
			break
		}
	}
	return worst
}

// Cause is a fault and the chance that it does the harm in one attempt.
type Cause struct {
	Fault  *Fault
	Chance []ChanceWhen
	Spread float64 // decibans, one standard deviation of its log-odds
}

// ChanceWhen is a chance and the condition under which it holds; nil always does.
type ChanceWhen struct {
	When *condition.Condition
	Is   float64
}

// ChanceOn returns the chance on a vehicle with the facts in a frame: the first that holds, or the
// worst of those that may.
func (c *Cause) ChanceOn(f condition.Frame) float64 {
	return c.ChanceBy(func(i int) condition.Truth { return holds(c.Chance[i].When, f) })
}

// ChanceBy is ChanceOn for whoever knows already which of its conditions hold.
func (c *Cause) ChanceBy(holds func(i int) condition.Truth) float64 {
	worst := 0.0
	for i, x := range c.Chance {
		t := holds(i)
		if t != condition.False {
			worst = max(worst, x.Is)
		}
		if t == condition.True {
			break
		}
	}
	return worst
}

func holds(c *condition.Condition, f condition.Frame) condition.Truth {
	if c == nil {
		return condition.True
	}
	return c.Holds(f)
}

// Rule is what one finding means for one fault.
type Rule struct {
	ID       string
	Index    int // in Set.Rules
	Fault    *Fault
	Item     *catalogue.Item
	Line     int // within its fault
	LineName string
	// General reports whether it reads no finding but what was judged of an item. It counts only
	// where none of the findings at the slots of Specific was reported.
	General  bool
	Specific []int
	When     *condition.Condition
	Needs    []int // slots of findings that all have to be there for the rule to fire
	Weight   float64
	WeightOf *condition.Formula // nil: Weight is the weight
	Curve    []Knot
	Because  Text
	ClearBy  []Clear // what takes it back where it speaks for the fault
	Cautions []string
	Source   string
	Limit    *Limit // of the same id, where the rule blocks a gate; nil else
}

// Limit is what the trade or the law does not allow before a gate, whatever the odds.
type Limit struct {
	ID    string
	Index int    // in Set.Limits
	Fault *Fault // nil: no fault is concerned
	Item  *catalogue.Item
	Gate  *Gate
	When  *condition.Condition
	If    *condition.Condition // on facts; nil: always
	Needs []int                // slots of findings other than ages that When reads
	// Interval has the slots of the ages, years and distances that When reads: it is evaluated at
	// both ends of what they may be.
	Interval []int
	Kind     Kind // Defect or Duty
	Guards   []*Hazard
	Because  Text
	ClearBy  []Clear
	Cautions []string
	Source   string
}

// Proof is something that has to be shown before a gate.
type Proof struct {
	ID     string
	Index  int // in Set.Proofs
	Item   *catalogue.Item
	Gate   *Gate
	When   *condition.Condition // on facts; nil: always
	Proves *condition.Condition
	Needs  []int // slots of findings that Proves reads
	// ReadsRemoved reports whether it says what is to be thought of a part that is off the vehicle.
	ReadsRemoved bool
	Guards       []*Hazard // asked for only while one of them is above what its gate tolerates
	Always       bool      // asked for whatever the odds
	Kind         Kind      // Unproven or Duty
	Because      Text
	ClearBy      []Clear
	Cautions     []string
	Source       string
}

// Follow is what a cure does not wipe out: once When was found, Proof has to be met by what was
// seen on that day or later.
type Follow struct {
	ID    string
	Index int // in Set.Follows
	Item  *catalogue.Item
	When  *condition.Condition
	Needs []int // slots of findings that When reads
	Proof *Proof
	// Outlasts reports whether renewing the item does not end it either.
	Outlasts bool
	Because  Text
	Source   string
}

// Clear is a finding that helps to clear a blocker, in the form in which it is reported.
type Clear struct {
	Finding *catalogue.Finding
	Value   json.RawMessage // nil: the date of the assessment
}

// Grade turns a finding into a condition from 0 to 100.
type Grade struct {
	Finding *catalogue.Finding
	ByValue []float64 // of a choice or flag, by value; NaN where nothing is said
	Curve   []Knot    // of a measurement or count
}

// Unseen is the condition of an item that nobody graded.
type Unseen struct {
	Of                              string
	Low, Expected, High             []Knot
	LowElse, ExpectedElse, HighElse float64
}

// Loader reads rule sets. It is safe for concurrent use.
type Loader struct {
	schema *jsonschema.Schema
	bases  []*Set // what overlays may extend
}

// NewLoader compiles the JSON Schema of rule sets, ruleset/2.schema.json of the schemas given.
func NewLoader(schemas fs.FS) (*Loader, error) {
	schema, err := document.Schema(schemas, "ruleset/2.schema.json")
	if err != nil {
		return nil, err
	}
	return &Loader{schema: schema}, nil
}

// Folder reads a rule set from the YAML files of a folder. A rule set that cannot be used gives a
// [Mistakes] error.
func (l *Loader) Folder(fsys fs.FS, dir string) (*Set, error) {
	src, err := kind.Folder(fsys, dir)
	if err != nil {
		return nil, err
	}
	return l.load(context.Background(), src)
}

// Document reads a rule set from one YAML or JSON document; name is what mistakes call it.
func (l *Loader) Document(name string, data []byte) (*Set, error) {
	return l.DocumentWithin(context.Background(), name, data)
}

// DocumentWithin is [Loader.Document] for who has no time without end: once ctx ends, the error is
// soon that of ctx.
func (l *Loader) DocumentWithin(ctx context.Context, name string, data []byte) (*Set, error) {
	return l.load(ctx, kind.Document(name, data))
}

func (l *Loader) load(ctx context.Context, src *document.Tree) (*Set, error) {
	joinSystems(src)
	if src.Err() == nil {
		l.extend(src)
	}
	if err := src.Err(); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("read rule set: %w", err)
	}
	canonical, err := src.Canonical(l.schema)
	if err != nil {
		return nil, err
	}
	return compile(ctx, src, canonical, nil)
}

// compile makes a set of a document in canonical form; src says where things are written.
func compile(ctx context.Context, src *document.Tree, canonical []byte, trees *condition.Trees) (*Set, error) {
	var form Document
	if err := json.Unmarshal(canonical, &form); err != nil {
		return nil, Mistakes{{Detail: err.Error()}}
	}
	c := &compiler{src: src, form: &form, ctx: ctx, trees: trees}
	set := c.compile()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("read rule set: %w", err)
	}
	if err := src.Err(); err != nil {
		return nil, err
	}
	hash := sha256.Sum256(canonical)
	set.Canonical, set.Digest = canonical, "sha256:"+hex.EncodeToString(hash[:])
	return set, nil
}
