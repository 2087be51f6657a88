package ruleset

import (
	"slices"

	"laidup/internal/document"

	"go.yaml.in/yaml/v3"
)

// joinSystems puts the systems that stand at the top level among those of the catalogue, so that a
// file can have all that concerns a system. What is said of one system in several places is joined.
func joinSystems(t *document.Tree) {
	key, top := document.Member(t.Root, "systems")
	if top == nil {
		return
	}
	document.Without(t.Root, "systems")
	cat := document.Child(t.Root, "catalogue")
	if cat == nil {
		cat = &yaml.Node{Kind: yaml.MappingNode, Line: key.Line, Column: key.Column}
		t.Stands(cat, top)
		document.Put(t.Root, "catalogue", cat)
	}
	list := document.Child(cat, "systems")
	if list == nil {
		list = &yaml.Node{Kind: yaml.SequenceNode, Line: top.Line, Column: top.Column}
		t.Stands(list, top)
		document.Put(cat, "systems", list)
	}
	if cat.Kind != yaml.MappingNode || list.Kind != yaml.SequenceNode || top.Kind != yaml.SequenceNode {
		t.Note(document.Mistake{File: t.File(top), Line: top.Line, Column: top.Column, Detail: "systems are a list: a dash before each"})
		return
	}
	// Those of the catalogue's own file are as deep in it as items are in theirs.
	for _, system := range list.Content {
		t.Stands(system, cat)
	}
	known := map[string]*yaml.Node{}
	own := list.Content
	list.Content = nil
	for _, system := range slices.Concat(own, top.Content) {
		id := document.Word(system, "id")
		if first := known[id]; first != nil && id != "" {
			joinSystem(t, first, system)
			continue
		}
		known[id] = system
		list.Content = append(list.Content, system)
	}
}

// joinSystem puts into a system what another place says of it.
func joinSystem(t *document.Tree, first, more *yaml.Node) {
	for i := 0; i < len(more.Content); i += 2 {
		key, value := more.Content[i], more.Content[i+1]
		switch old := document.Child(first, key.Value); {
		case old == nil:
			first.Content = append(first.Content, key, value)
			t.Stands(value, more)
		case old.Kind == yaml.SequenceNode && value.Kind == yaml.SequenceNode:
			for _, entry := range value.Content {
				t.Stands(entry, more)
			}
			old.Content = append(old.Content, value.Content...)
		case old.Kind != yaml.ScalarNode || value.Kind != yaml.ScalarNode || old.Value != value.Value:
			t.Note(document.Mistake{
				File: t.File(more), Line: key.Line, Column: key.Column,
				Detail: key.Value + " of the system " + document.Word(first, "id") + " stands in " + t.File(first) + " already, and differs: say it once",
			})
		}
	}
}
