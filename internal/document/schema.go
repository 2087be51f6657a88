package document

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/santhosh-tekuri/jsonschema/v5"
)

// Schema compiles a JSON Schema out of a file.
func Schema(schemas fs.FS, name string) (*jsonschema.Schema, error) {
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
	return s, nil
}

// Canonical returns the document in canonical JSON (RFC 8785), if it is as its schema wants it and no longer than
// its kind may be. The error is what is wrong, as [Mistakes].
func (t *Tree) Canonical(schema *jsonschema.Schema) ([]byte, error) {
	if err := t.Err(); err != nil {
		return nil, err
	}
	doc := value(t.Root)
	if err := schema.Validate(doc); err != nil {
		t.violated(err)
		return nil, t.Err()
	}
	data, err := json.Marshal(doc)
	if err != nil {
		return nil, Mistakes{{Detail: err.Error()}}
	}
	v := jsontext.Value(data)
	if err := v.Canonicalize(); err != nil {
		return nil, Mistakes{{Detail: err.Error()}}
	}
	if len(v) > t.kind.Bytes {
		// It is what will be read again.
		return nil, Mistakes{{File: t.files[t.Root], Detail: fmt.Sprintf("the %s in its canonical form, with all that it extends, is larger than %d bytes", t.kind.Is, t.kind.Bytes)}}
	}
	return v, nil
}

// Pointer makes a JSON Pointer of its steps.
func Pointer(steps ...any) string {
	var p jsontext.Pointer
	for _, step := range steps {
		p = p.AppendToken(fmt.Sprint(step))
	}
	return string(p)
}

func (t *Tree) violated(err error) {
	invalid, ok := err.(*jsonschema.ValidationError)
	if !ok {
		t.Note(Mistake{Detail: err.Error()})
		return
	}
	for _, e := range violations(invalid) {
		if t.More() {
			return
		}
		pointer, err := url.PathUnescape(e.InstanceLocation) // the validator writes URI fragments
		if err != nil {
			pointer = e.InstanceLocation
		}
		t.Mistake(pointer, "%s", e.Message)
	}
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
