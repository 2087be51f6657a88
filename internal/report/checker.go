package report

import (
	"bytes"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"sync"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// Checker decodes reports of one catalogue and holds what it refuses against the JSON Schema that
// clients are given, so that nothing the schema forbids goes unsaid. It is safe for concurrent use.
type Checker struct {
	cat   *catalogue.Catalogue
	text  func() []byte
	parts func() object // what parts returns

	mu       sync.Mutex
	compiled map[string]*jsonschema.Schema // by part: each when it is first needed, as the whole takes a second
}

// NewChecker returns what checks reports of a catalogue.
func NewChecker(cat *catalogue.Catalogue) *Checker {
	return &Checker{
		cat:      cat,
		text:     sync.OnceValue(func() []byte { return Schema(cat) }),
		parts:    sync.OnceValue(func() object { return parts(cat) }),
		compiled: map[string]*jsonschema.Schema{},
	}
}

// Schema returns the JSON Schema.
func (c *Checker) Schema() []byte { return c.text() }

// part returns the compiled schema of a part.
func (c *Checker) part(name string) *jsonschema.Schema {
	c.mu.Lock()
	defer c.mu.Unlock()
	known, ok := c.compiled[name]
	if !ok {
		compiler := jsonschema.NewCompiler()
		compiler.Draft = jsonschema.Draft2020
		compiler.AssertFormat = true
		const file = "part.schema.json"
		if err := compiler.AddResource(file, bytes.NewReader(marshal(part(c.parts(), name)))); err == nil {
			known, _ = compiler.Compile(file) // a part that is no schema has nothing to add to the decoder's word
		}
		c.compiled[name] = known
	}
	return known
}

// Decode is [Decode], with the schema as a second pair of eyes on a report that is refused.
func (c *Checker) Decode(data []byte) (*Report, []Caution, []Fault) { return c.DecodeBy(0, data) }

// DecodeBy is [DecodeBy], with the schema as a second pair of eyes as well.
func (c *Checker) DecodeBy(today calendar.Day, data []byte) (*Report, []Caution, []Fault) {
	r, cautions, faults := DecodeBy(today, data, c.cat)
	if len(faults) == 0 || faults[0].Code == Malformed || len(faults) > MaxFaults {
		return r, cautions, faults
	}
	return nil, nil, append(faults, c.beyond(data, faults)...)
}

// beyond returns what the schema finds wrong where, and under what, no fault was found yet. What the decoder
// finds no fault with the schema accepts, so that only the frame and the observations at fault are held against it.
func (c *Checker) beyond(data []byte, faults []Fault) []Fault {
	// Not as json.Number: the validator would work with every digit of 1e999999.
	var doc any
	if err := json.Unmarshal(data, &doc); err != nil {
		return nil
	}
	found := c.violations(frame, "", doc)
	whole, _ := doc.(object)
	observations, _ := whole["observations"].([]any)
	seen := map[int]bool{}
	for _, f := range faults {
		rest, inside := strings.CutPrefix(f.Pointer, "/observations/")
		index, _, _ := strings.Cut(rest, "/")
		i, err := strconv.Atoi(index)
		if !inside || err != nil || i < 0 || i >= len(observations) || seen[i] {
			continue
		}
		seen[i] = true
		name := anyObserved
		if o, ok := observations[i].(object); ok {
			if id, ok := o["item"].(string); ok && c.cat.Item(id) != nil {
				name = id
			}
		}
		found = append(found, c.violations(name, "/observations/"+index, observations[i])...)
	}
	var more []Fault
	for _, e := range found {
		covered := func(f Fault) bool {
			return f.Pointer == e.pointer || strings.HasPrefix(f.Pointer, e.pointer+"/") || strings.HasPrefix(e.pointer, f.Pointer+"/")
		}
		if !slices.ContainsFunc(faults, covered) && !slices.ContainsFunc(more, covered) {
			more = append(more, Fault{Pointer: e.pointer, Detail: e.text, Code: WrongValue})
		}
	}
	return more
}

type violation struct{ pointer, text string }

// violations validates what stands at a pointer against a part of the schema.
func (c *Checker) violations(name, pointer string, doc any) []violation {
	part := c.part(name)
	if part == nil {
		return nil
	}
	invalid, ok := part.Validate(doc).(*jsonschema.ValidationError)
	if !ok {
		return nil
	}
	var out []violation
	for _, e := range invalid.BasicOutput().Errors {
		switch {
		case strings.Contains(e.KeywordLocation, "/anyOf/"):
			continue // what each of several forms would have asked for says nothing
		case strings.HasSuffix(e.KeywordLocation, "/not"):
			e.Error = "this cannot stand together"
		case strings.HasPrefix(e.Error, "anyOf failed"):
			e.Error = "this has none of the forms that are allowed here"
		}
		if e.Error != "" && !strings.HasPrefix(e.Error, "doesn't validate") && !strings.HasPrefix(e.Error, "if-then failed") && !strings.HasPrefix(e.Error, "if-else failed") {
			out = append(out, violation{pointer + e.InstanceLocation, e.Error})
		}
	}
	return out
}
