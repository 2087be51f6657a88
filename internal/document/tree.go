// Package document reads what people write in YAML or JSON, in one file or in a folder of them, as one tree that
// remembers where everything stands: whatever is wrong is told at once, each thing with its file, line and entry.
// YAML counts for what JSON has of it. What documents mean is the business of those who read them.
package document

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Kind is a kind of document. Its bounds are there so that whoever brings one has not everybody's time or
// memory with it; its lists have bounds of their own in its JSON Schema.
type Kind struct {
	Is     string // what mistakes call it, such as "rule set"
	Bytes  int    // of all its files, and of its canonical form
	Depth  int    // of nesting
	Values int    // words, numbers, names, lists and objects, those of what it extends too
	Marks  int    // of the characters that part values in YAML
	// Nested says that an entry inside another is told by both their ids.
	Nested bool
}

// Tree is the text of a document, and what is wrong with it so far.
type Tree struct {
	List
	// Root is a mapping: the members of all files, of which lists are joined.
	Root   *yaml.Node
	kind   *Kind
	files  map[*yaml.Node]string // of the root, its values, and the entries of its lists
	values int
}

// tree has nothing in it yet; name is what mistakes of the whole call it.
func (k *Kind) tree(name string) *Tree {
	root := &yaml.Node{Kind: yaml.MappingNode}
	return &Tree{Root: root, kind: k, files: map[*yaml.Node]string{root: name}}
}

// Folder joins all YAML files of a folder, in the order of their names. The error is that of the file system;
// what is wrong with the document is in the tree.
func (k *Kind) Folder(fsys fs.FS, dir string) (*Tree, error) {
	t := k.tree(dir)
	entries, err := fs.ReadDir(fsys, dir)
	if err != nil {
		return nil, fmt.Errorf("read %s %s: %w", k.Is, dir, err)
	}
	size := 0
	for _, e := range entries {
		if e.IsDir() || path.Ext(e.Name()) != ".yaml" {
			continue
		}
		data, err := fs.ReadFile(fsys, path.Join(dir, e.Name()))
		if err != nil {
			return nil, fmt.Errorf("read %s %s: %w", k.Is, dir, err)
		}
		if size += len(data); size > k.Bytes {
			t.tooLarge(dir)
			return t, nil
		}
		t.add(e.Name(), data)
	}
	return t, nil
}

// Document takes one YAML or JSON text; name is what mistakes call it.
func (k *Kind) Document(name string, data []byte) *Tree {
	t := k.tree(name)
	t.Root.Line, t.Root.Column = 1, 1
	if len(data) > k.Bytes {
		t.tooLarge(name)
		return t
	}
	t.add(name, data)
	return t
}

func (t *Tree) tooLarge(file string) {
	t.Note(Mistake{File: file, Detail: fmt.Sprintf("the %s is larger than %d bytes", t.kind.Is, t.kind.Bytes)})
}

func (t *Tree) tooMany(file string) {
	t.Note(Mistake{File: file, Detail: fmt.Sprintf("the %s has more than %d values: it needs fewer entries", t.kind.Is, t.kind.Values)})
}

// marks counts the characters that part values: YAML has no more than two values for each, and what a
// document would take is known before it is read.
func marks(data []byte) int {
	n := 0
	for _, c := range data {
		switch c {
		case ',', '\n', ':', '-', '[', '{', '?':
			n++
		}
	}
	return n
}

func (t *Tree) add(name string, data []byte) {
	top, isJSON := parseJSON(data, t.kind.Values)
	if !isJSON {
		if marks(data) > t.kind.Marks {
			t.tooMany(name)
			return
		}
		var doc yaml.Node
		switch err := unmarshal(data, &doc); {
		case err != nil:
			m := Mistake{File: name, Detail: "not YAML: " + strings.TrimPrefix(err.Error(), "yaml: ")}
			if _, e := fmt.Sscanf(err.Error(), "yaml: line %d:", &m.Line); e == nil {
				m.Column = 1
			}
			t.Note(m)
			return
		case doc.Kind == 0:
			return
		}
		top = doc.Content[0]
	}
	if !t.check(name, top, 0) {
		return
	}
	if top.Kind != yaml.MappingNode {
		t.mistake(name, top, "a %s is a mapping: name: value", t.kind.Is)
		return
	}
	for i := 0; i < len(top.Content); i += 2 {
		key, value := top.Content[i], top.Content[i+1]
		switch old := Child(t.Root, key.Value); {
		case old == nil:
			t.Root.Content = append(t.Root.Content, key, value)
		case old.Kind == yaml.SequenceNode && value.Kind == yaml.SequenceNode:
			old.Content = append(old.Content, value.Content...)
		default:
			t.mistake(name, key, "%q stands in %s already: only lists are joined", key.Value, t.files[old])
		}
	}
}

// unmarshal turns a panic of the parser, on text that nobody wrote on purpose, into an error.
func unmarshal(data []byte, into *yaml.Node) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%v", p)
		}
	}()
	d := yaml.NewDecoder(strings.NewReader(string(data)))
	switch err := d.Decode(into); {
	case errors.Is(err, io.EOF):
		return nil
	case err != nil:
		return err
	}
	var second yaml.Node
	switch err := d.Decode(&second); {
	case errors.Is(err, io.EOF):
		return nil
	case err != nil:
		return err
	}
	return errors.New("there is a second document in the file")
}

func (t *Tree) mistake(file string, n *yaml.Node, format string, args ...any) {
	t.Note(Mistake{File: file, Line: n.Line, Column: n.Column, Detail: fmt.Sprintf(format, args...)})
}

// check refuses what JSON does not have, and keys that stand twice, and notes the file of each node.
func (t *Tree) check(file string, n *yaml.Node, depth int) bool {
	if depth <= 2 {
		t.files[n] = file
	}
	ok := true
	switch t.values++; {
	case t.values > t.kind.Values:
		if t.values == t.kind.Values+1 {
			t.tooMany(file)
		}
		return false
	case depth > t.kind.Depth:
		t.mistake(file, n, "nested more than %d deep", t.kind.Depth)
		return false
	case n.Kind != yaml.ScalarNode && !slices.Contains([]string{"", "!!map", "!!seq"}, n.ShortTag()) && n.Kind != yaml.AliasNode:
		t.mistake(file, n, "%s is not used here", n.Tag)
		return false
	case n.Kind == yaml.AliasNode || n.Anchor != "":
		t.mistake(file, n, "anchors and aliases are not used here: write it out")
		return false
	case n.Kind == yaml.MappingNode:
		seen := map[string]bool{}
		for i := 0; i < len(n.Content); i += 2 {
			k := n.Content[i]
			if k.Kind != yaml.ScalarNode || k.Tag == "!!merge" || k.Anchor != "" || strings.ContainsRune(k.Value, 0) {
				t.mistake(file, k, "a key has to be a word")
				ok = false
			} else if seen[k.Value] {
				t.mistake(file, k, "%q stands here twice: leave one out", k.Value)
				ok = false
			}
			seen[k.Value] = true
			t.values++
			ok = t.check(file, n.Content[i+1], depth+1) && ok
		}
	case n.Kind == yaml.SequenceNode:
		for _, c := range n.Content {
			ok = t.check(file, c, depth+1) && ok
		}
	case n.Kind == yaml.ScalarNode:
		if _, err := scalar(n); err != nil {
			t.mistake(file, n, "%s", err)
			ok = false
		}
	}
	return ok
}

// value turns a node into what encoding/json would have made of it.
func value(n *yaml.Node) any {
	switch n.Kind {
	case yaml.MappingNode:
		m := make(map[string]any, len(n.Content)/2)
		for i := 0; i < len(n.Content); i += 2 {
			m[n.Content[i].Value] = value(n.Content[i+1])
		}
		return m
	case yaml.SequenceNode:
		l := make([]any, len(n.Content))
		for i, c := range n.Content {
			l[i] = value(c)
		}
		return l
	}
	v, _ := scalar(n)
	return v
}

// decimal is a number that means the same to everybody: YAML 1.1 reads 017 as 15, YAML 1.2 as 17.
var decimal = regexp.MustCompile(`^[-+]?(\.[0-9]+|(0|[1-9][0-9]*)(\.[0-9]*)?)([eE][-+]?[0-9]+)?$`)

func scalar(n *yaml.Node) (any, error) {
	switch n.ShortTag() {
	case "!!str", "!!timestamp":
		if strings.ContainsRune(n.Value, 0) {
			return nil, errors.New("this has a character U+0000 in it, which cannot be stored: leave it out")
		}
		return n.Value, nil
	case "!!null":
		return nil, nil
	case "!!bool":
		var b bool
		err := n.Decode(&b)
		return b, err
	case "!!int", "!!float":
		f, err := strconv.ParseFloat(n.Value, 64)
		if err != nil || !decimal.MatchString(n.Value) || math.IsInf(f, 0) || math.IsNaN(f) {
			return nil, fmt.Errorf("%q is not a decimal number: put it in quotes if it is a word", n.Value)
		}
		return f, nil
	}
	return nil, fmt.Errorf("%s is not used here", n.Tag)
}

// walk goes down a JSON Pointer as far as there is something, and tells each node that it comes to.
func (t *Tree) walk(pointer string, each func(*yaml.Node)) (whole bool) {
	n := t.Root
	for step := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
		step = strings.ReplaceAll(strings.ReplaceAll(step, "~1", "/"), "~0", "~")
		next := Child(n, step)
		if n.Kind == yaml.SequenceNode {
			if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(n.Content) {
				next = n.Content[i]
			}
		}
		if next == nil {
			return false
		}
		n = next
		each(n)
	}
	return true
}

// At makes a mistake at a JSON Pointer into the document.
func (t *Tree) At(pointer, detail string) Mistake {
	m := Mistake{Pointer: pointer, Detail: detail, File: t.files[t.Root], Line: t.Root.Line, Column: t.Root.Column}
	t.walk(pointer, func(n *yaml.Node) {
		m.Line, m.Column = n.Line, n.Column
		if file, ok := t.files[n]; ok {
			m.File = file
		}
		switch id := Word(n, "id"); {
		case id == "":
		case m.Entry != "" && t.kind.Nested:
			m.Entry += "." + id
		default:
			m.Entry = id
		}
	})
	return m
}

// Mistake notes a mistake at a JSON Pointer into the document.
func (t *Tree) Mistake(pointer, format string, args ...any) {
	if t.Full() {
		t.more = true
		return
	}
	t.Note(t.At(pointer, fmt.Sprintf(format, args...)))
}

// IsWord reports whether there is a word or number at a JSON Pointer.
func (t *Tree) IsWord(pointer string) bool {
	var last *yaml.Node
	return t.walk(pointer, func(n *yaml.Node) { last = n }) && last.Kind == yaml.ScalarNode
}

// File is the file that a node near the root stands in; empty where that is told of no such node.
func (t *Tree) File(n *yaml.Node) string { return t.files[n] }

// Stands notes that a node is of the file that another is of.
func (t *Tree) Stands(n, like *yaml.Node) { t.files[n] = t.files[like] }

// Adopt takes in what another tree knows of its nodes, before they become part of this one.
func (t *Tree) Adopt(other *Tree) {
	for n, file := range other.files {
		t.files[n] = file
	}
	if t.values += other.values; t.values > t.kind.Values {
		t.tooMany(t.files[t.Root])
	}
}

// Child finds the value of a key of a mapping; nil where there is none, or no mapping.
func Child(n *yaml.Node, key string) *yaml.Node {
	_, value := Member(n, key)
	return value
}

// Member finds a key of a mapping and its value; nil where there is none, or no mapping.
func Member(n *yaml.Node, key string) (k, value *yaml.Node) {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil, nil
	}
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i], n.Content[i+1]
		}
	}
	return nil, nil
}

// Word is the value of a key where that is a word or number, else empty.
func Word(n *yaml.Node, key string) string {
	if c := Child(n, key); c != nil && c.Kind == yaml.ScalarNode {
		return c.Value
	}
	return ""
}

// Put gives a mapping a value, in the place of the one that it has.
func Put(n *yaml.Node, key string, v *yaml.Node) {
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			n.Content[i+1] = v
			return
		}
	}
	n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: key, Line: v.Line, Column: v.Column}, v)
}

// Without leaves keys out of a mapping.
func Without(n *yaml.Node, keys ...string) {
	var kept []*yaml.Node
	for i := 0; i < len(n.Content); i += 2 {
		if !slices.Contains(keys, n.Content[i].Value) {
			kept = append(kept, n.Content[i], n.Content[i+1])
		}
	}
	n.Content = kept
}

// Replaced puts entries of an overlay in the place of those that they name, and new ones at the end. One that
// stands in the overlay twice does so in what comes out.
func Replaced(base, own []*yaml.Node, name func(*yaml.Node) string) []*yaml.Node {
	out := slices.Clone(base)
	at := map[string]int{}
	for i, b := range slices.Backward(base) {
		at[name(b)] = i
	}
	for _, e := range own {
		if i, known := at[name(e)]; known && name(e) != "" && out[i] == base[i] {
			out[i] = e
		} else {
			out = append(out, e)
		}
	}
	return out
}
