package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"laidup/internal/catalogue"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// Checker decodes reports of one catalogue and holds what it refuses against the JSON Schema that
// clients are given, so that nothing the schema forbids goes unsaid. It is safe for concurrent use.
type Checker struct {
	cat      *catalogue.Catalogue
	text     []byte
	compiled *jsonschema.Schema
}

// NewChecker compiles the JSON Schema of the catalogue's reports.
func NewChecker(cat *catalogue.Catalogue) (*Checker, error) {
	c := &Checker{cat: cat, text: Schema(cat)}
	compiler := jsonschema.NewCompiler()
	compiler.Draft = jsonschema.Draft2020
	compiler.AssertFormat = true
	const name = "report.schema.json"
	if err := compiler.AddResource(name, bytes.NewReader(c.text)); err != nil {
		return nil, fmt.Errorf("read report schema: %w", err)
	}
	compiled, err := compiler.Compile(name)
	if err != nil {
		return nil, fmt.Errorf("compile report schema: %w", err)
	}
	c.compiled = compiled
	return c, nil
}

// Schema returns the JSON Schema.
func (c *Checker) Schema() []byte { return c.text }

// Decode is [Decode], with the schema as a second pair of eyes on a report that is refused.
func (c *Checker) Decode(data []byte) (*Report, []Caution, []Fault) {
	r, cautions, faults := Decode(data, c.cat)
	if len(faults) == 0 || faults[0].Code == Malformed || len(faults) > MaxFaults {
		return r, cautions, faults
	}
	return nil, nil, append(faults, c.beyond(data, faults)...)
}

// beyond returns what the schema finds wrong where, and under what, no fault was found yet.
func (c *Checker) beyond(data []byte, faults []Fault) []Fault {
	var more []Fault
	for _, e := range c.violations(data) {
		covered := func(f Fault) bool {
			return f.Pointer == e.pointer || strings.HasPrefix(f.Pointer, e.pointer+"/") || strings.HasPrefix(e.pointer, f.Pointer+"/")
		}
		if !slices.ContainsFunc(faults, covered) && !slices.ContainsFunc(more, covered) {
			more = append(more, Fault{e.pointer, e.text, WrongValue})
		}
	}
	return more
}

type violation struct{ pointer, text string }

// violations validates a document against the schema; it is slow, and only for what is refused.
func (c *Checker) violations(data []byte) []violation {
	// Not as json.Number: the validator would work with every digit of 1e999999.
	var doc any
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil
	}
	invalid, ok := c.compiled.Validate(doc).(*jsonschema.ValidationError)
	if !ok {
		return nil
	}
	var out []violation
	for _, e := range invalid.BasicOutput().Errors {
		switch {
		case strings.Contains(e.KeywordLocation, "/anyOf/"):
			continue // what each of several forms would have asked for says nothing
		case strings.HasPrefix(e.Error, "anyOf failed"):
			e.Error = "this has none of the forms that are allowed here"
		}
		if e.Error != "" && !strings.HasPrefix(e.Error, "doesn't validate") && !strings.HasPrefix(e.Error, "if-then failed") {
			out = append(out, violation{e.InstanceLocation, e.Error})
		}
	}
	return out
}
