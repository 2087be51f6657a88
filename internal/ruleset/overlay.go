package ruleset

import (
	"slices"

	"go.yaml.in/yaml/v3"
)

// An overlay is a rule set that says only where it differs from another, which it extends:
//
//	extends: {name: first-start, version: 1.0.0}
//	without: {rules: [belt_dry], hazards: [], proofs: []}
//
// What it gives takes the place of what the base has: single values whole, entries of lists by their
// id (grades by item and finding, half-lives by item); lists of sentences whole. The catalogue is
// the base's. The base's tests of rules go on to hold, its tests of dossiers do not. What comes out
// is a rule set on its own: the base is not needed to read it again.

// Knowing returns a loader that also reads overlays on the rule sets given.
func (l *Loader) Knowing(bases ...*Set) *Loader {
	return &Loader{l.schema, slices.Concat(l.bases, bases)}
}

// extend puts an overlay on the rule set that it extends; other rule sets are left as they are.
func (l *Loader) extend(s *source) {
	named := child(s.root, "extends")
	if named == nil {
		return
	}
	name, version := member(named, "name"), member(named, "version")
	i := slices.IndexFunc(l.bases, func(b *Set) bool { return b.Name == name && b.Version == version })
	if i < 0 {
		s.note(s.at("/extends", "there is no rule set "+name+" "+version+" to extend"))
		return
	}
	base := readDocument(name+" "+version, l.bases[i].Canonical)
	without := child(s.root, "without")
	if child(s.root, "catalogue") != nil {
		s.note(s.at("/catalogue", "an overlay speaks of the catalogue of what it extends: leave it out"))
	}
	for k := 0; k < len(base.root.Content); k += 2 {
		key, value := base.root.Content[k], base.root.Content[k+1]
		dropped := s.drop(value, child(without, key.Value), key.Value)
		switch own := child(s.root, key.Value); {
		case own == nil && key.Value == "tests":
			s.set(key, dropped.only(isRuleTest))
		case own == nil:
			s.set(key, dropped.node)
		case key.Value == "tests":
			own.Content = append(dropped.only(isRuleTest).Content, own.Content...)
		case value.Kind == yaml.SequenceNode && own.Kind == yaml.SequenceNode && len(value.Content) > 0 && value.Content[0].Kind == yaml.MappingNode:
			own.Content = replaced(dropped.node.Content, own.Content)
		}
	}
	for node, file := range base.files {
		s.files[node] = file
	}
	if s.values += base.values; s.values > maxValues {
		s.note(tooMany(s.files[s.root]))
	}
	s.remove("extends", "without")
}

// list is a list of entries, or any other value.
type list struct{ node *yaml.Node }

// drop leaves out of a list of the base the entries that the overlay does without.
func (s *source) drop(value, ids *yaml.Node, key string) list {
	if ids == nil {
		return list{value}
	}
	kept := *value
	without := map[string]bool{} // whether the base had it
	for _, id := range ids.Content {
		without[id.Value] = false
	}
	kept.Content = slices.DeleteFunc(slices.Clone(value.Content), func(e *yaml.Node) bool {
		id := member(e, "id")
		_, drop := without[id]
		if drop {
			without[id] = true
		}
		return drop
	})
	for _, id := range ids.Content {
		if !without[id.Value] {
			s.note(s.at("/without/"+key, "what it extends has no "+id.Value))
			without[id.Value] = true // once is enough
		}
	}
	return list{&kept}
}

func (l list) only(keep func(*yaml.Node) bool) *yaml.Node {
	kept := *l.node
	kept.Content = slices.DeleteFunc(slices.Clone(l.node.Content), func(e *yaml.Node) bool { return !keep(e) })
	return &kept
}

func isRuleTest(e *yaml.Node) bool { return member(e, "rule") != "" }

// replaced puts entries of an overlay in the place of those that they name, and new ones at the end.
func replaced(base, own []*yaml.Node) []*yaml.Node {
	out := slices.Clone(base)
	at := map[string]int{}
	for i, b := range slices.Backward(base) {
		at[entryName(b)] = i
	}
	for _, e := range own {
		name := entryName(e)
		i, known := at[name]
		switch {
		case known && name != "":
			out[i] = e
		default:
			at[name] = len(out)
			out = append(out, e)
		}
	}
	return out
}

// entryName is what an entry of a list is known by.
func entryName(e *yaml.Node) string {
	if id := member(e, "id"); id != "" {
		return id
	}
	if item := member(e, "item"); item != "" {
		return item + "\x00" + member(e, "of")
	}
	return ""
}

// child finds the value of a key of a mapping; nil where there is none.
func child(n *yaml.Node, key string) *yaml.Node {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

// set gives the whole document a value that it does not have yet.
func (s *source) set(key, value *yaml.Node) {
	s.root.Content = append(s.root.Content, key, value)
	s.keys[key.Value] = len(s.root.Content) - 1
}

// remove takes values out of the whole document.
func (s *source) remove(keys ...string) {
	content := s.root.Content
	s.root.Content, s.keys = nil, map[string]int{}
	for i := 0; i < len(content); i += 2 {
		if !slices.Contains(keys, content[i].Value) {
			s.set(content[i], content[i+1])
		}
	}
}
