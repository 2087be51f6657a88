package jobbook

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"slices"

	"laidup/internal/document"
	"laidup/internal/ruleset"

	"github.com/santhosh-tekuri/jsonschema/v5"
)

// MaxSource is how many bytes a job book may have, in all its files and in its canonical form.
const MaxSource = 1 << 20

var kind = &document.Kind{Is: "job book", Bytes: MaxSource, Depth: 16, Values: 100_000, Marks: 150_000, Nested: true}

// Loader reads job books for one rule set: its catalogue says what there is to look at and to find. It is
// safe for concurrent use.
type Loader struct {
	schema *jsonschema.Schema
	set    *ruleset.Set
	bases  []*Book // what overlays may extend
}

// NewLoader compiles the JSON Schema of job books, jobbook/1.schema.json of the schemas given.
func NewLoader(schemas fs.FS, set *ruleset.Set) (*Loader, error) {
	schema, err := document.Schema(schemas, "jobbook/1.schema.json")
	if err != nil {
		return nil, err
	}
	return &Loader{schema: schema, set: set}, nil
}

// Knowing returns a loader that also reads overlays on the books given.
func (l *Loader) Knowing(bases ...*Book) *Loader {
	return &Loader{l.schema, l.set, slices.Concat(l.bases, bases)}
}

// Folder reads a job book from the YAML files of a folder. A book that cannot be used gives a
// [document.Mistakes] error.
func (l *Loader) Folder(fsys fs.FS, dir string) (*Book, error) {
	src, err := kind.Folder(fsys, dir)
	if err != nil {
		return nil, err
	}
	return l.load(src)
}

// Document reads a job book from one YAML or JSON document; name is what mistakes call it.
func (l *Loader) Document(name string, data []byte) (*Book, error) {
	return l.load(kind.Document(name, data))
}

func (l *Loader) load(src *document.Tree) (*Book, error) {
	if src.Err() == nil {
		l.extend(src)
	}
	canonical, err := src.Canonical(l.schema)
	if err != nil {
		return nil, err
	}
	var form bookForm
	if err := json.Unmarshal(canonical, &form); err != nil {
		return nil, document.Mistakes{{Detail: err.Error()}}
	}
	book := compile(src, &form, l.set)
	if err := src.Err(); err != nil {
		return nil, err
	}
	hash := sha256.Sum256(canonical)
	book.Canonical, book.Digest = canonical, "sha256:"+hex.EncodeToString(hash[:])
	return book, nil
}
