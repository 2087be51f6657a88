// Package ruleset reads rule sets and makes them ready to score by: it checks the text against a
// JSON Schema, builds its catalogue, compiles and type-checks every condition, and reports
// everything that is wrong at once, with file, line and the id of the entry. It is pure.
package ruleset

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/url"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/santhosh-tekuri/jsonschema/v5"
)

// SchemaName is what a rule set states as its schema.
const SchemaName = "laidup.rule_set/1"

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

	Gates   []*Gate
	Hazards []*Hazard
	Rules   []*Rule
	Proofs  []*Proof
	// RulesReading has the rules to try, by the index of an item on which something was found:
	// each rule stands once, under one of the items that it needs findings of.
	RulesReading [][]*Rule

	HalfLife     []float64  // years, by item
	ItemWeight   []float64  // by item
	SystemWeight []float64  // by system
	Grades       [][]*Grade // by item
	Unseen       Unseen

	Tests []Test // the rule set's own
}

// Gate is a stage of waking the vehicle up.
type Gate struct {
	ID, Is    string
	Index     int
	Tolerance Risk
	Cautions  []string
}

// Hazard is one way in which an item can hurt the vehicle or a person at one gate.
type Hazard struct {
	ID, What string
	Index    int
	Item     *catalogue.Item
	Gate     *Gate
	When     *condition.Condition // nil: wherever the item is
	Severity []SeverityWhen
	Prior    Prior
	ClearBy  []Clear
	Cautions []string
	Source   string
	Lines    int // number of lines of evidence
	// Reassured reports whether a look at the item could lower the probability.
	Reassured bool
}

// SeverityWhen is a severity and the condition under which it holds; nil always does.
type SeverityWhen struct {
	When *condition.Condition
	Is   Severity
}

// SeverityOn returns the severity on a vehicle with the facts in a frame: the first that holds, or
// the worst of those that may.
func (h *Hazard) SeverityOn(f condition.Frame) Severity {
	worst := Negligible
	for _, s := range h.Severity {
		t := condition.True
		if s.When != nil {
			t = s.When.Holds(f)
		}
		if t != condition.False {
			worst = min(worst, s.Is)
		}
		if t == condition.True {
			break
		}
	}
	return worst
}

// Prior is the probability of a hazard with nobody having looked. Of is nil for a constant, which
// is Unknown.
type Prior struct {
	Of      *condition.Formula
	Needs   []int // slots of findings that Of reads
	Curve   []Knot
	Unknown float64
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

// Rule is what one finding means for one hazard.
type Rule struct {
	ID       string
	Index    int // in Set.Rules
	Hazard   *Hazard
	Item     *catalogue.Item
	Line     int // within its hazard
	LineName string
	When     *condition.Condition
	Needs    []int // slots of findings that all have to be there for the rule to fire
	Weight   float64
	WeightOf *condition.Formula // nil: Weight is the weight
	Curve    []Knot
	Blocks   *Blocks
	Because  Text
	ClearBy  []Clear
	Cautions []string
	Source   string
}

// Blocks says that a rule that fires blocks a gate outright.
type Blocks struct {
	Gate *Gate
	When *condition.Condition // nil: always
	Kind Kind
}

// Proof is something that a gate needs proven.
type Proof struct {
	ID       string
	Item     *catalogue.Item
	Gate     *Gate
	When     *condition.Condition // nil: always
	ProvenBy []Proven
	Because  Text
	ClearBy  []Clear
	Cautions []string
	Source   string
}

// Proven is one way to prove something.
type Proven struct {
	When         *condition.Condition
	Needs        []int // slots of findings that it reads
	ReadsRemoved bool  // it says what is to be thought of a part that is off the vehicle
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

// NewLoader compiles the JSON Schema of rule sets, ruleset/1.schema.json of the schemas given.
func NewLoader(schemas fs.FS) (*Loader, error) {
	const name = "ruleset/1.schema.json"
	data, err := fs.ReadFile(schemas, name)
	if err != nil {
		return nil, fmt.Errorf("read schema %s: %w", name, err)
	}
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	if err := c.AddResource(name, bytes.NewReader(data)); err != nil {
		return nil, fmt.Errorf("read schema %s: %w", name, err)
	}
	s, err := c.Compile(name)
	if err != nil {
		return nil, fmt.Errorf("compile schema %s: %w", name, err)
	}
	return &Loader{schema: s}, nil
}

// Folder reads a rule set from the YAML files of a folder. A rule set that cannot be used gives a
// [Faults] error.
func (l *Loader) Folder(fsys fs.FS, dir string) (*Set, error) {
	src, err := readFolder(fsys, dir)
	if err != nil {
		return nil, err
	}
	return l.load(context.Background(), src)
}

// Document reads a rule set from one YAML or JSON document; name is what faults call it.
func (l *Loader) Document(name string, data []byte) (*Set, error) {
	return l.DocumentWithin(context.Background(), name, data)
}

// DocumentWithin is [Loader.Document] for who has no time without end: once ctx ends, the error is
// soon that of ctx.
func (l *Loader) DocumentWithin(ctx context.Context, name string, data []byte) (*Set, error) {
	return l.load(ctx, readDocument(name, data))
}

func (l *Loader) load(ctx context.Context, src *source) (*Set, error) {
	if len(src.faults) == 0 {
		l.extend(src)
	}
	if len(src.faults) > 0 {
		return nil, src.all()
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("read rule set: %w", err)
	}
	doc := value(src.root)
	if err := l.schema.Validate(doc); err != nil {
		return nil, schemaFaults(src, err)
	}
	canonical, err := canonicalForm(doc)
	if err != nil {
		return nil, Faults{{Detail: err.Error()}}
	}
	if len(canonical) > MaxSource {
		// It is what will be read again.
		return nil, Faults{{File: src.files[src.root], Detail: fmt.Sprintf("the rule set in its canonical form, with all that it extends, is larger than %d bytes", MaxSource)}}
	}
	var form Document
	if err := json.Unmarshal(canonical, &form); err != nil {
		return nil, Faults{{Detail: err.Error()}}
	}
	c := &compiler{src: src, form: &form, ctx: ctx}
	set := c.compile()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("read rule set: %w", err)
	}
	if len(c.faults) > 0 {
		return nil, c.all()
	}
	hash := sha256.Sum256(canonical)
	set.Canonical, set.Digest = canonical, "sha256:"+hex.EncodeToString(hash[:])
	return set, nil
}

func canonicalForm(doc any) ([]byte, error) {
	data, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("encode rule set: %w", err)
	}
	v := jsontext.Value(data)
	if err := v.Canonicalize(); err != nil {
		return nil, fmt.Errorf("encode rule set: %w", err)
	}
	return v, nil
}

func schemaFaults(src *source, err error) error {
	invalid, ok := err.(*jsonschema.ValidationError)
	if !ok {
		return Faults{{Detail: err.Error()}}
	}
	var faults bounded
	seen := map[string]bool{}
	for _, e := range violations(invalid) {
		if faults.more {
			break
		}
		if key := e.InstanceLocation + "\x00" + e.Message; !seen[key] {
			seen[key] = true
			pointer, err := url.PathUnescape(e.InstanceLocation) // the validator writes URI fragments
			if err != nil {
				pointer = e.InstanceLocation
			}
			faults.note(src.at(pointer, e.Message))
		}
	}
	return faults.all()
}

// violations returns what is behind a failed validation. Where one of several forms was wanted, it
// is what keeps the text from the form that it comes nearest to.
func violations(e *jsonschema.ValidationError) []*jsonschema.ValidationError {
	if len(e.Causes) == 0 {
		if strings.HasSuffix(e.KeywordLocation, "/oneOf") {
			e.Message = "this has several forms at once: use one of them"
		}
		return []*jsonschema.ValidationError{e}
	}
	forms := make([][]*jsonschema.ValidationError, len(e.Causes))
	for i, c := range e.Causes {
		forms[i] = violations(c)
	}
	if strings.HasSuffix(e.KeywordLocation, "/oneOf") {
		forms = nearest(e.InstanceLocation, forms)
	}
	return slices.Concat(forms...)
}

// nearest leaves out the forms that a value is further from than from others. Furthest is that of
// another kind of value, then one that it is no word of, then one that a word inside rules out.
func nearest(at string, forms [][]*jsonschema.ValidationError) [][]*jsonschema.ValidationError {
	const inside, word, kind = 100, 200, 300
	distance := func(form []*jsonschema.ValidationError) int {
		most := 0
		for _, e := range form {
			here := e.InstanceLocation == at
			switch keyword := e.KeywordLocation[strings.LastIndexByte(e.KeywordLocation, '/')+1:]; {
			case here && keyword == "type":
				most = max(most, kind)
			case here && keyword == "enum":
				most = max(most, word)
			case keyword == "enum":
				most = max(most, inside)
			}
		}
		if most == 0 {
			return min(len(form), inside-1) // ruled out by nothing: the one with least to mend
		}
		return most
	}
	least := kind
	for _, form := range forms {
		least = min(least, distance(form))
	}
	return slices.DeleteFunc(forms, func(form []*jsonschema.ValidationError) bool { return distance(form) > least })
}
