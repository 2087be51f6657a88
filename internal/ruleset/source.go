package ruleset

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

// Limits of one rule set as it is written: who publishes one is not to have everybody's time or memory
// with it. The lists have limits of their own in the JSON Schema of rule sets.
const (
	MaxSource = 2 << 20 // bytes of all its files, and of its canonical form
	maxDepth  = 24      // of nesting
	maxValues = 250_000 // words, numbers, names, lists and objects, those of an overlay's base too
	maxMarks  = 300_000 // of the characters that part values in YAML
	maxFaults = 200     // that are told
	maxNodes  = 50_000  // of all its conditions together
	maxDetail = 500     // bytes of what is told of a fault
)

// Fault is one thing wrong with a rule set.
type Fault struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	// Entry is the id of the hazard, rule, proof or other entry at fault, if it has one.
	Entry   string `json:"entry,omitempty"`
	Pointer string `json:"pointer"` // JSON Pointer into the document
	Detail  string `json:"detail"`
}

// String writes the fault as editors understand it: file:line:column: entry: text.
func (f Fault) String() string {
	var b strings.Builder
	if f.File != "" {
		fmt.Fprintf(&b, "%s:", f.File)
	}
	if f.Line > 0 {
		fmt.Fprintf(&b, "%d:%d:", f.Line, f.Column)
	}
	if b.Len() > 0 {
		b.WriteByte(' ')
	}
	if f.Entry != "" {
		fmt.Fprintf(&b, "%s: ", f.Entry)
	}
	if f.Pointer != "" {
		fmt.Fprintf(&b, "%s: ", f.Pointer)
	}
	b.WriteString(f.Detail)
	return b.String()
}

// Faults is the error of a rule set that cannot be used: everything that is wrong with it.
type Faults []Fault

// Error lists all faults, one a line.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, x := range f {
		lines[i] = x.String()
	}
	return strings.Join(lines, "\n")
}

// bounded is a list of faults of a size that can be sent.
type bounded struct {
	faults Faults
	more   bool // there were more
}

func (b *bounded) note(f Fault) {
	if len(b.faults) == maxFaults {
		b.more = true
		return
	}
	f.Detail, f.Pointer, f.Entry = clip(f.Detail, maxDetail), clip(f.Pointer, maxDetail), clip(f.Entry, 100)
	b.faults = append(b.faults, f)
}

// all returns the faults, and whether there are more than are told.
func (b *bounded) all() Faults {
	if b.more {
		return append(slices.Clip(b.faults), Fault{Detail: "there are more faults than these: mend these first"})
	}
	return b.faults
}

// clip leaves of a text so many bytes.
func clip(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// source is the text of a rule set as one tree, which remembers where everything was written.
type source struct {
	bounded
	root   *yaml.Node
	keys   map[string]int        // where in the root's content the value of a key stands
	files  map[*yaml.Node]string // of the root, its values, and the entries of its lists
	values int
}

// newSource has nothing in it yet; name is what faults of the whole call it.
func newSource(name string) *source {
	root := &yaml.Node{Kind: yaml.MappingNode}
	return &source{root: root, keys: map[string]int{}, files: map[*yaml.Node]string{root: name}}
}

// readFolder joins all YAML files of a folder, in the order of their names.
func readFolder(fsys fs.FS, dir string) (*source, error) {
	s := newSource(dir)
	entries, err := fs.ReadDir(fsys, dir)
	if err != nil {
		return nil, fmt.Errorf("read rule set %s: %w", dir, err)
	}
	size := 0
	for _, e := range entries {
		if e.IsDir() || path.Ext(e.Name()) != ".yaml" {
			continue
		}
		data, err := fs.ReadFile(fsys, path.Join(dir, e.Name()))
		if err != nil {
			return nil, fmt.Errorf("read rule set %s: %w", dir, err)
		}
		if size += len(data); size > MaxSource {
			return nil, Faults{tooLarge(dir)}
		}
		s.add(e.Name(), data)
	}
	return s, nil
}

// readDocument takes one YAML or JSON document.
func readDocument(name string, data []byte) *source {
	s := newSource(name)
	s.root.Line, s.root.Column = 1, 1
	if len(data) > MaxSource {
		s.note(tooLarge(name))
		return s
	}
	s.add(name, data)
	return s
}

func tooLarge(file string) Fault {
	return Fault{File: file, Detail: fmt.Sprintf("the rule set is larger than %d bytes", MaxSource)}
}

func tooMany(file string) Fault {
	return Fault{File: file, Detail: fmt.Sprintf("the rule set has more than %d values: it needs fewer entries", maxValues)}
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

func (s *source) add(name string, data []byte) {
	top, isJSON := parseJSON(data)
	if !isJSON {
		if marks(data) > maxMarks {
			s.note(tooMany(name))
			return
		}
		var doc yaml.Node
		switch err := unmarshal(data, &doc); {
		case err != nil:
			f := Fault{File: name, Detail: "not YAML: " + strings.TrimPrefix(err.Error(), "yaml: ")}
			if _, e := fmt.Sscanf(err.Error(), "yaml: line %d:", &f.Line); e == nil {
				f.Column = 1
			}
			s.note(f)
			return
		case doc.Kind == 0:
			return
		}
		top = doc.Content[0]
	}
	if !s.check(name, top, 0) {
		return
	}
	if top.Kind != yaml.MappingNode {
		s.fault(name, top, "a rule set is a mapping: name: value")
		return
	}
	for i := 0; i < len(top.Content); i += 2 {
		s.join(name, top.Content[i], top.Content[i+1])
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

func (s *source) fault(file string, n *yaml.Node, format string, args ...any) {
	s.note(Fault{File: file, Line: n.Line, Column: n.Column, Detail: fmt.Sprintf(format, args...)})
}

// check refuses what JSON does not have, and keys that stand twice, and notes the file of each node.
func (s *source) check(file string, n *yaml.Node, depth int) bool {
	if depth <= 2 {
		s.files[n] = file
	}
	ok := true
	switch s.values++; {
	case s.values > maxValues:
		if s.values == maxValues+1 {
			s.note(tooMany(file))
		}
		return false
	case depth > maxDepth:
		s.fault(file, n, "nested more than %d deep", maxDepth)
		return false
	case n.Kind != yaml.ScalarNode && !slices.Contains([]string{"", "!!map", "!!seq"}, n.ShortTag()) && n.Kind != yaml.AliasNode:
		s.fault(file, n, "%s is not used here", n.Tag)
		return false
	case n.Kind == yaml.AliasNode || n.Anchor != "":
		s.fault(file, n, "anchors and aliases are not used here: write it out")
		return false
	case n.Kind == yaml.MappingNode:
		seen := map[string]bool{}
		for i := 0; i < len(n.Content); i += 2 {
			k := n.Content[i]
			if k.Kind != yaml.ScalarNode || k.Tag == "!!merge" || k.Anchor != "" || strings.ContainsRune(k.Value, 0) {
				s.fault(file, k, "a key has to be a word")
				ok = false
			} else if seen[k.Value] {
				s.fault(file, k, "%q stands here twice: leave one out", k.Value)
				ok = false
			}
			seen[k.Value] = true
			s.values++
			ok = s.check(file, n.Content[i+1], depth+1) && ok
		}
	case n.Kind == yaml.SequenceNode:
		for _, c := range n.Content {
			ok = s.check(file, c, depth+1) && ok
		}
	case n.Kind == yaml.ScalarNode:
		if _, err := scalar(n); err != nil {
			s.fault(file, n, "%s", err)
			ok = false
		}
	}
	return ok
}

func (s *source) join(file string, key, value *yaml.Node) {
	if i, ok := s.keys[key.Value]; ok {
		old := s.root.Content[i]
		if old.Kind != yaml.SequenceNode || value.Kind != yaml.SequenceNode {
			s.fault(file, key, "%q stands in %s already: only lists are joined", key.Value, s.files[old])
			return
		}
		joined := &yaml.Node{Kind: yaml.SequenceNode, Line: old.Line, Column: old.Column, Content: slices.Concat(old.Content, value.Content)}
		s.files[joined] = s.files[old]
		s.root.Content[i] = joined
		return
	}
	s.root.Content = append(s.root.Content, key, value)
	s.keys[key.Value] = len(s.root.Content) - 1
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

// at makes a fault at a JSON Pointer into the document.
func (s *source) at(pointer, detail string) Fault {
	f := Fault{Pointer: pointer, Detail: detail}
	n := s.root
	where := n
	f.File = s.files[n]
	for _, step := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
		step = strings.ReplaceAll(strings.ReplaceAll(step, "~1", "/"), "~0", "~")
		var next *yaml.Node
		switch n.Kind {
		case yaml.MappingNode:
			for i := 0; i < len(n.Content); i += 2 {
				if n.Content[i].Value == step {
					next = n.Content[i+1]
				}
			}
		case yaml.SequenceNode:
			if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(n.Content) {
				next = n.Content[i]
			}
		}
		if next == nil {
			break
		}
		n, where = next, next
		if file, ok := s.files[n]; ok {
			f.File = file
		}
		if id := member(n, "id"); id != "" {
			f.Entry = id
		}
	}
	f.Line, f.Column = where.Line, where.Column
	return f
}

func member(n *yaml.Node, key string) string {
	if n.Kind == yaml.MappingNode {
		for i := 0; i < len(n.Content); i += 2 {
			if n.Content[i].Value == key && n.Content[i+1].Kind == yaml.ScalarNode {
				return n.Content[i+1].Value
			}
		}
	}
	return ""
}
