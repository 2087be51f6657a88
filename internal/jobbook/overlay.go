package jobbook

import (
	"slices"
	"strings"

	"laidup/internal/document"

	"go.yaml.in/yaml/v3"
)

// An overlay is a job book that says only where a workshop differs from another, which it extends:
//
//	extends: {name: generic, version: 1.0.0}
//	without: {jobs: [rebuild_alternator]}
//	rate: {cents: 9500, currency: EUR}
//	prices:
//	  - {part: timing_belt, money: [2900, 3400, 5200], lead: [0, 1, 2]}
//	hours:
//	  - {of: renew_timing_belt, hours: [1.0, 1.5, 2.5]}
//	  - {of: raised.lift, open: [0.1, 0.1, 0.2]}
//
// Prices and hours take the place of those figures of the part, and of the job or way, that they name, and
// leave all else about it alone. What else an overlay gives takes the place of what the base has: single
// values whole, entries of lists by their id, looks by item or access, lists of sentences whole. What comes
// out is a job book on its own: the base is not needed to read it again.

// extend puts an overlay on the book that it extends; other books are left as they are.
func (l *Loader) extend(t *document.Tree) {
	named := document.Child(t.Root, "extends")
	if named == nil {
		for _, key := range []string{"without", "prices", "hours"} {
			if document.Child(t.Root, key) != nil {
				t.Mistake("/"+key, "%s changes a book that is extended, and this one extends none", key)
			}
		}
		return
	}
	name, version := document.Word(named, "name"), document.Word(named, "version")
	i := slices.IndexFunc(l.bases, func(b *Book) bool { return b.Name == name && b.Version == version })
	if i < 0 {
		t.Mistake("/extends", "there is no job book %s %s to extend", name, version)
		return
	}
	base := kind.Document(name+" "+version, l.bases[i].Canonical)
	drop(t, base)
	for k := 0; k < len(base.Root.Content); k += 2 {
		key, value := base.Root.Content[k], base.Root.Content[k+1]
		switch own := document.Child(t.Root, key.Value); {
		case own == nil:
			t.Root.Content = append(t.Root.Content, key, value)
		case value.Kind == yaml.SequenceNode && own.Kind == yaml.SequenceNode && slices.ContainsFunc(value.Content, isEntry):
			own.Content = document.Replaced(value.Content, own.Content, entryName)
		}
	}
	t.Adopt(base)
	prices(t)
	hours(t)
	document.Without(t.Root, "extends", "without", "prices", "hours")
}

func isEntry(n *yaml.Node) bool { return n.Kind == yaml.MappingNode }

// drop leaves out of the base the entries that the overlay does without.
func drop(t, base *document.Tree) {
	lists := document.Child(t.Root, "without")
	if lists == nil {
		return
	}
	if lists.Kind != yaml.MappingNode {
		t.Mistake("/without", "takes the names of lists, and in each the ids that are left out")
		return
	}
	for i := 0; i < len(lists.Content); i += 2 {
		key, ids := lists.Content[i].Value, lists.Content[i+1]
		list := document.Child(base.Root, key)
		if list == nil || list.Kind != yaml.SequenceNode || ids.Kind != yaml.SequenceNode {
			t.Mistake(at("without", key), "what it extends has no list %s", key)
			continue
		}
		for k, id := range ids.Content {
			before := len(list.Content)
			list.Content = slices.DeleteFunc(list.Content, func(e *yaml.Node) bool { return entryName(e) == id.Value })
			if len(list.Content) == before {
				t.Mistake(at("without", key, k), "what it extends has no %s", id.Value)
			}
		}
	}
}

// entryName is what an entry of a list is known by.
func entryName(e *yaml.Node) string {
	for _, key := range []string{"id", "item", "access"} {
		if v := document.Word(e, key); v != "" {
			return v
		}
	}
	return ""
}

// prices puts a workshop's own prices and lead times into the parts.
func prices(t *document.Tree) {
	figures(t, "prices", "part", func(*yaml.Node) []string { return []string{"price", "money", "lead"} }, func(id string) *yaml.Node {
		return entryOf(document.Child(t.Root, "parts"), id)
	}, func(part *yaml.Node, key string) {
		switch key {
		case "money":
			document.Without(part, "price")
		case "price":
			document.Without(part, "money")
		}
	})
}

// hours puts a workshop's own hours into jobs and ways.
func hours(t *document.Tree) {
	figures(t, "hours", "of", func(entry *yaml.Node) []string {
		if document.Child(entry, "close") != nil {
			return []string{"open", "close", "people"}
		}
		return []string{"hours", "wait", "people"}
	}, func(id string) *yaml.Node { return timed(t, id) }, nil)
}

// timed finds a job by its id or by job.variant, or a way by that of its state or by state.way.
func timed(t *document.Tree, id string) *yaml.Node {
	base, variant, is := strings.Cut(id, ".")
	job := entryOf(document.Child(t.Root, "jobs"), base)
	if is && job != nil {
		job = entryOf(document.Child(job, "variants"), variant)
	}
	if job != nil {
		return job
	}
	states := document.Child(t.Root, "states")
	if states == nil || states.Kind != yaml.SequenceNode {
		return nil
	}
	for _, state := range states.Content {
		ways := document.Child(state, "ways")
		if ways == nil || ways.Kind != yaml.SequenceNode {
			continue
		}
		for _, w := range ways.Content {
			own := document.Word(w, "id")
			if own != "" && document.Word(state, "id")+"."+own == id || own == "" && document.Word(state, "id") == id {
				return w
			}
		}
	}
	return nil
}

// figures puts the figures of a list of the overlay into the entries that it names. What they are is checked
// with the whole.
func figures(t *document.Tree, list, by string, takes func(entry *yaml.Node) []string, find func(id string) *yaml.Node, before func(entry *yaml.Node, key string)) {
	entries := document.Child(t.Root, list)
	if entries == nil {
		return
	}
	if entries.Kind != yaml.SequenceNode {
		t.Mistake("/"+list, "is a list: a dash before each")
		return
	}
	seen := map[string]bool{}
	for i, e := range entries.Content {
		id := document.Word(e, by)
		target := find(id)
		switch {
		case id == "":
			t.Mistake(at(list, i), "names no %s", by)
			continue
		case target == nil:
			t.Mistake(at(list, i, by), "there is nothing of the name %s", id)
			continue
		case seen[id]:
			t.Mistake(at(list, i, by), "%s stands here twice", id)
			continue
		}
		seen[id] = true
		for k := 0; k < len(e.Content); k += 2 {
			key, value := e.Content[k].Value, e.Content[k+1]
			switch {
			case key == by:
			case !slices.Contains(takes(target), key):
				t.Mistake(at(list, i, key), "%s is not one of its figures: it has %s", key, strings.Join(takes(target), ", "))
			default:
				if before != nil {
					before(target, key)
				}
				document.Put(target, key, value)
				t.Stands(value, e)
			}
		}
	}
}

func entryOf(list *yaml.Node, id string) *yaml.Node {
	if list == nil || list.Kind != yaml.SequenceNode {
		return nil
	}
	for _, e := range list.Content {
		if isEntry(e) && document.Word(e, "id") == id && id != "" {
			return e
		}
	}
	return nil
}
