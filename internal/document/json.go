package document

import (
	"bytes"
	"errors"
	"io"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
	"go.yaml.in/yaml/v3"
)

// parseJSON makes the tree of a JSON document; false where it is none, or has more values than most. On paper JSON is YAML. In
// fact YAML folds the line separators, and refuses the surrogate pairs and control characters,
// that a text in JSON may have.
func parseJSON(data []byte, most int) (*yaml.Node, bool) {
	r := &jsonReader{
		data: data, line: 1, column: 1, most: most,
		in: jsontext.NewDecoder(bytes.NewBuffer(data), jsontext.AllowDuplicateNames(true)),
	}
	if r.in.PeekKind() != '{' {
		return nil, false
	}
	n, err := r.value()
	if err != nil {
		return nil, false
	}
	_, err = r.in.ReadToken()
	return n, err == io.EOF
}

type jsonReader struct {
	data   []byte
	in     *jsontext.Decoder
	values int
	most   int // of them

	// The byte that has been come to, and its line and column.
	at, line, column int
}

// errTooMany ends the reading of a document that nobody has written by hand.
var errTooMany = errors.New("too many values")

func (r *jsonReader) value() (*yaml.Node, error) {
	if r.values++; r.values > r.most {
		return nil, errTooMany
	}
	kind := r.in.PeekKind()
	line, column := r.place()
	t, err := r.in.ReadToken()
	if err != nil {
		return nil, err
	}
	n := &yaml.Node{Kind: yaml.ScalarNode, Line: line, Column: column}
	switch kind {
	case '{', '[':
		n.Kind, n.Tag = yaml.SequenceNode, "!!seq"
		if kind == '{' {
			n.Kind, n.Tag = yaml.MappingNode, "!!map"
		}
		for end := kind + 2; r.in.PeekKind() != end; {
			c, err := r.value()
			if err != nil {
				return nil, err
			}
			n.Content = append(n.Content, c)
		}
		_, err = r.in.ReadToken()
		return n, err
	case '"':
		n.Tag, n.Style = "!!str", yaml.DoubleQuotedStyle
	case '0':
		n.Tag = "!!float"
	case 'n':
		n.Tag = "!!null"
	default:
		n.Tag = "!!bool"
	}
	n.Value = t.String()
	return n, nil
}

// place returns the line and column at which the next token begins.
func (r *jsonReader) place() (line, column int) {
	next := int(r.in.InputOffset())
	for next < len(r.data) && bytes.IndexByte([]byte(" \t\r\n,:"), r.data[next]) >= 0 {
		next++
	}
	for ; r.at < next; r.at++ {
		switch c := r.data[r.at]; {
		case c == '\n':
			r.line, r.column = r.line+1, 1
		case utf8.RuneStart(c):
			r.column++
		}
	}
	return r.line, r.column
}
