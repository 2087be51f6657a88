package ruleset

import (
	"slices"

	"laidup/internal/document"

	"go.yaml.in/yaml/v3"
)

// An overlay is a rule set that says only where it differs from another, which it extends:
//
//	extends: {name: first-start, version: 1.0.0}
//	without: {rules: [belt_dry], hazards: [], limits: []}
//
// What it gives takes the place of what the base has: single values whole, entries of lists by their
// id (grades by item and finding, half-lives by item); lists of sentences whole. The catalogue is
// the base's. The base's tests of entries go on to hold, its tests of dossiers do not. What comes out
// is a rule set on its own: the base is not needed to read it again.

// Knowing returns a loader that also reads overlays on the rule sets given.
func (l *Loader) Knowing(bases ...*Set) *Loader {
	return &Loader{l.schema, slices.Concat(l.bases, bases)}
}

// extend puts an overlay on the rule set that it extends; other rule sets are left as they are.
func (l *Loader) extend(t *document.Tree) {
	named := document.Child(t.Root, "extends")
	if named == nil {
		return
	}
	name, version := document.Word(named, "name"), document.Word(named, "version")
	i := slices.IndexFunc(l.bases, func(b *Set) bool { return b.Name == name && b.Version == version })
	if i < 0 {
		t.Mistake("/extends", "there is no rule set %s %s to extend", name, version)
		return
	}
	base := kind.Document(name+" "+version, l.bases[i].Canonical)
	without := document.Child(t.Root, "without")
	if document.Child(t.Root, "catalogue") != nil {
		t.Mistake("/catalogue", "an overlay speaks of the catalogue of what it extends: leave it out")
	}
	for k := 0; k < len(base.Root.Content); k += 2 {
		key, value := base.Root.Content[k].Value, base.Root.Content[k+1]
		dropped := drop(t, value, document.Child(without, key), key)
		switch own := document.Child(t.Root, key); {
		case own == nil && key == "tests":
			document.Put(t.Root, key, dropped.only(isEntryTest))
		case own == nil:
			document.Put(t.Root, key, dropped.node)
		case key == "tests":
			own.Content = append(dropped.only(isEntryTest).Content, own.Content...)
		case value.Kind == yaml.SequenceNode && own.Kind == yaml.SequenceNode && len(value.Content) > 0 && value.Content[0].Kind == yaml.MappingNode:
			own.Content = document.Replaced(dropped.node.Content, own.Content, entryName)
		}
	}
	t.Adopt(base)
	document.Without(t.Root, "extends", "without")
}

// list is a list of entries, or any other value.
type list struct{ node *yaml.Node }

// drop leaves out of a list of the base the entries that the overlay does without.
func drop(t *document.Tree, value, ids *yaml.Node, key string) list {
	if ids == nil {
		return list{value}
	}
	kept := *value
	without := map[string]bool{} // whether the base had it
	for _, id := range ids.Content {
		without[id.Value] = false
	}
	kept.Content = slices.DeleteFunc(slices.Clone(value.Content), func(e *yaml.Node) bool {
		id := document.Word(e, "id")
		_, drop := without[id]
		if drop {
			without[id] = true
		}
		return drop
	})
	for _, id := range ids.Content {
		if !without[id.Value] {
			t.Mistake("/without/"+key, "what it extends has no %s", id.Value)
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

func isEntryTest(e *yaml.Node) bool {
	return slices.ContainsFunc([]string{"rule", "limit", "proof", "follow"}, func(kind string) bool { return document.Word(e, kind) != "" })
}

// entryName is what an entry of a list is known by.
func entryName(e *yaml.Node) string {
	if id := document.Word(e, "id"); id != "" {
		return id
	}
	if item := document.Word(e, "item"); item != "" {
		return item + "\x00" + document.Word(e, "of")
	}
	return ""
}
