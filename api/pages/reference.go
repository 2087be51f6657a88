package pages

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Reference is the page about the API: what its description in OpenAPI says, to be read.
type Reference struct {
	Frame
	About   []Prose
	Key     []Prose
	Groups  []ReferenceGroup
	Schemas []ReferenceSchema
}

// ReferenceGroup is a tag with its operations.
type ReferenceGroup struct {
	Name, About string
	Operations  []ReferenceOperation
}

// ReferenceOperation is one operation. Call is a line for a shell.
type ReferenceOperation struct {
	ID, Method, Path, Summary, About, Scope, Call string
	Parameters                                    []ReferenceRow
	Body                                          *ReferenceBody
	Answers                                       []ReferenceBody
}

// ReferenceBody is what is sent or answered.
type ReferenceBody struct {
	Status    string
	Media     []string
	About, Is []Piece
	Examples  []ReferenceExample
}

// ReferenceExample is an example under its name. It is shown once: elsewhere Text is empty.
type ReferenceExample struct{ Name, Text string }

// ReferenceRow is a parameter or a member of a schema.
type ReferenceRow struct {
	Name, In string
	Required bool
	Is       []Piece
	About    string
}

// ReferenceSchema is a schema: either rows or what else it is.
type ReferenceSchema struct {
	Name, About string
	Is          []Piece
	Rows        []ReferenceRow
}

// Prose is a paragraph or a list.
type Prose struct {
	Text []Piece
	List [][]Piece
}

// Piece is a piece of text: a link, code or plain.
type Piece struct {
	Text, To string
	Code     bool
}

// openapi is the part of a description that the page shows.
type openapi struct {
	Info  struct{ Description string }
	Tags  []struct{ Name, Description string }
	Paths map[string]map[string]struct {
		OperationID, Summary, Description string
		Tags                              []string
		Security                          []map[string][]string
		Parameters                        []struct {
			Name, In, Description string
			Required              bool
			Schema                shape
			Example               json.RawMessage
		}
		RequestBody *struct{ Content map[string]content }
		Responses   map[string]response
	}
	shown      map[string]bool // examples
	Components struct {
		Schemas         map[string]shape
		Responses       map[string]response
		Examples        map[string]example
		SecuritySchemes map[string]struct{ Description string }
	}
}

type response struct {
	Ref         string `json:"$ref"`
	Description string
	Content     map[string]content
}

type content struct {
	Schema   shape
	Examples map[string]example
}

type example struct {
	Ref   string `json:"$ref"`
	Value json.RawMessage
}

// shape is a JSON Schema, as far as the page tells of it.
type shape struct {
	Ref                        string `json:"$ref"`
	Description, Title, Format string
	Type                       any
	Const                      any
	Enum                       []any
	Items                      *shape
	OneOf, AnyOf               []shape
	Discriminator              *struct{ PropertyName string }
	Required                   []string
	Properties                 map[string]shape
	Minimum, Maximum           *float64
}

// ReadReference makes the page of a description in OpenAPI 3.1.
func ReadReference(description []byte) (Reference, error) {
	d := openapi{shown: map[string]bool{}}
	if err := json.Unmarshal(description, &d); err != nil {
		return Reference{}, fmt.Errorf("read the API's description: %w", err)
	}
	page := Reference{About: prose(d.Info.Description), Key: prose(d.Components.SecuritySchemes["key"].Description)}
	for _, tag := range d.Tags {
		group := ReferenceGroup{Name: tag.Name, About: tag.Description}
		for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
			for _, method := range slices.Sorted(maps.Keys(d.Paths[path])) {
				if slices.Contains(d.Paths[path][method].Tags, tag.Name) {
					group.Operations = append(group.Operations, d.operation(path, method))
				}
			}
		}
		page.Groups = append(page.Groups, group)
	}
	// What can be found on each item is left to the catalogue: here are the schemas to which there are links.
	for _, name := range d.linked() {
		s := d.Components.Schemas[name]
		schema := ReferenceSchema{Name: name, About: s.about(), Rows: s.rows("")}
		if len(schema.Rows) == 0 {
			schema.Is = s.is()
		}
		page.Schemas = append(page.Schemas, schema)
	}
	return page, nil
}

// linked lists the schemas that operations name, and those that these name.
func (d *openapi) linked() []string {
	var all []string
	var add func(shapes ...shape)
	add = func(shapes ...shape) {
		for _, s := range shapes {
			if name := last(s.Ref); s.Ref != "" && !slices.Contains(all, name) {
				all = append(all, name)
				add(d.Components.Schemas[name])
			}
			if s.Items != nil {
				add(*s.Items)
			}
			few, _ := s.branches()
			add(few...)
			add(slices.Collect(maps.Values(s.Properties))...)
		}
	}
	bodies := func(all map[string]content) {
		for _, c := range all {
			add(c.Schema)
		}
	}
	for _, methods := range d.Paths {
		for _, o := range methods {
			if o.RequestBody != nil {
				bodies(o.RequestBody.Content)
			}
			for _, r := range o.Responses {
				bodies(r.Content)
			}
		}
	}
	for _, r := range d.Components.Responses {
		bodies(r.Content)
	}
	slices.Sort(all)
	return all
}

func (d *openapi) operation(path, method string) ReferenceOperation {
	o := d.Paths[path][method]
	out := ReferenceOperation{ID: o.OperationID, Method: strings.ToUpper(method), Path: path, Summary: o.Summary, About: o.Description}
	for _, need := range o.Security {
		for _, scopes := range need {
			out.Scope = strings.Join(scopes, ", ")
		}
	}
	at := path
	for _, p := range o.Parameters {
		out.Parameters = append(out.Parameters, ReferenceRow{p.Name, p.In, p.Required, p.Schema.is(), p.Description})
		if p.In == "path" {
			at = strings.ReplaceAll(at, "{"+p.Name+"}", strings.Trim(string(p.Example), `"`))
		}
	}
	call := "curl"
	if out.Method != "GET" {
		call += " -X " + out.Method
	}
	if out.Scope != "" {
		call += ` -H "Authorization: Bearer $KEY"`
	}
	if o.RequestBody != nil {
		body := d.body("", "", o.RequestBody.Content)
		out.Body = &body
		media := "application/json"
		if _, ok := o.RequestBody.Content[media]; !ok {
			media = slices.Max(slices.Collect(maps.Keys(o.RequestBody.Content)))
		}
		call += " -H 'Content-Type: " + media + "' --data-binary @body"
	}
	out.Call = call + " $LAIDUP" + at
	for _, status := range slices.Sorted(maps.Keys(o.Responses)) {
		r := o.Responses[status]
		if r.Ref != "" {
			r = d.Components.Responses[last(r.Ref)]
		}
		out.Answers = append(out.Answers, d.body(status, r.Description, r.Content))
	}
	return out
}

func (d *openapi) body(status, about string, all map[string]content) ReferenceBody {
	b := ReferenceBody{Status: status, About: inline(about), Media: slices.Sorted(maps.Keys(all))}
	for _, media := range b.Media {
		c := all[media]
		if !strings.Contains(media, "json") || len(b.Is) > 0 {
			continue
		}
		b.Is = c.Schema.is()
		if strings.HasPrefix(media, "application/problem") && len(status) > 0 && status != "422" {
			continue // they all look alike
		}
		for _, name := range slices.Sorted(maps.Keys(c.Examples)) {
			e := c.Examples[name]
			if e.Ref != "" {
				e = d.Components.Examples[last(e.Ref)]
			}
			var text bytes.Buffer
			if !d.shown[name] && json.Indent(&text, e.Value, "", "  ") != nil {
				continue
			}
			d.shown[name] = true
			b.Examples = append(b.Examples, ReferenceExample{name, text.String()})
		}
	}
	return b
}

// last is the name that a reference ends in.
func last(ref string) string { return ref[strings.LastIndexByte(ref, '/')+1:] }

func (s shape) about() string {
	if s.Description != "" {
		return s.Description
	}
	return s.Title
}

// mostBranches is how many forms a union may have to be shown whole.
const mostBranches = 20

// branches are the forms that a value may have. Of a union of many that are alike but for what tells them
// apart, it is the first, and like says so: the others are left to the catalogue.
func (s shape) branches() (few []shape, like []Piece) {
	few = slices.Concat(s.OneOf, s.AnyOf)
	if s.Discriminator == nil || len(few) <= mostBranches {
		return few, nil
	}
	return few[:1], []Piece{{Text: ", and so on by "}, {Text: s.Discriminator.PropertyName, Code: true}}
}

// is says what a value has to be.
func (s shape) is() []Piece {
	plain := func(text string) []Piece { return []Piece{{Text: text}} }
	choice, like := s.branches()
	switch {
	case s.Ref != "":
		return []Piece{{Text: last(s.Ref), To: "#schema-" + last(s.Ref)}}
	case s.Const != nil:
		return []Piece{{Text: word(s.Const), Code: true}}
	case len(s.Enum) > 0:
		var words []string
		for _, e := range s.Enum {
			words = append(words, word(e))
		}
		return []Piece{{Text: strings.Join(words, " | "), Code: true}}
	case s.Items != nil:
		return append(plain("list of "), s.Items.is()...)
	case len(choice) > 0 && s.Properties == nil:
		var all []Piece
		for i, c := range choice {
			if i > 0 {
				all = append(all, plain(" or ")...)
			}
			all = append(all, c.is()...)
		}
		return append(all, like...)
	}
	text := "any value"
	switch t := s.Type.(type) {
	case string:
		text = t
	case []any:
		var words []string
		for _, e := range t {
			words = append(words, fmt.Sprint(e))
		}
		text = strings.Join(words, " or ")
	}
	if s.Format != "" && s.Format != "double" {
		text += ", " + s.Format
	}
	if s.Minimum != nil && s.Maximum != nil {
		text += fmt.Sprintf(", %v to %v", *s.Minimum, *s.Maximum)
	}
	return plain(text)
}

func word(v any) string {
	if s, is := v.(string); is {
		return s
	}
	b, _ := json.Marshal(v) // it was read from JSON
	return string(b)
}

// rows lists members, those of members that have no schema of their own after them.
func (s shape) rows(under string) []ReferenceRow {
	var rows []ReferenceRow
	for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
		p := s.Properties[name]
		rows = append(rows, ReferenceRow{Name: under + name, Required: slices.Contains(s.Required, name), Is: p.is(), About: p.about()})
		inner, below := p, under+name+"."
		if p.Items != nil {
			inner, below = *p.Items, under+name+"[]."
		}
		rows = append(rows, inner.rows(below)...)
	}
	return rows
}

// prose reads paragraphs, lists whose lines begin with a star, and code between backticks.
func prose(text string) []Prose {
	var all []Prose
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		var p Prose
		for i, part := range strings.Split(paragraph, "* ") {
			pieces := inline(strings.Join(strings.Fields(part), " "))
			switch {
			case i > 0:
				p.List = append(p.List, pieces)
			case part != "":
				p.Text = pieces
			}
		}
		all = append(all, p)
	}
	return all
}

func inline(text string) []Piece {
	var pieces []Piece
	for i, part := range strings.Split(text, "`") {
		pieces = append(pieces, Piece{Text: part, Code: i%2 == 1})
	}
	return pieces
}
