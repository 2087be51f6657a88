package document_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"laidup/internal/document"

	"go.yaml.in/yaml/v3"
)

var kind = &document.Kind{Is: "parts list", Bytes: 10_000, Depth: 8, Values: 500, Marks: 1_000}

func TestAFolderIsOneDocument(t *testing.T) {
	folder := fstest.MapFS{
		"b.yaml":     {Data: []byte("parts:\n  - {id: belt}\n")},
		"a.yaml":     {Data: []byte("name: ours\nparts:\n  - {id: plug}\n")},
		"notes.txt":  {Data: []byte("name: theirs")},
		"sub/c.yaml": {Data: []byte("name: theirs")},
	}
	tree, err := kind.Folder(folder, ".")
	if err != nil || tree.Err() != nil {
		t.Fatal(err, tree.Err())
	}
	var ids []string
	for _, p := range document.Child(tree.Root, "parts").Content {
		ids = append(ids, document.Word(p, "id"))
	}
	if strings.Join(ids, " ") != "plug belt" || document.Word(tree.Root, "name") != "ours" {
		t.Errorf("read are %v", ids)
	}
	if m := tree.At("/parts/1/price", "is missing"); m.File != "b.yaml" || m.Line != 2 || m.Entry != "belt" {
		t.Errorf("told is %v", m)
	}
}

func TestWhatIsWrongIsToldWhereItStands(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"no YAML":               {"parts: [", "ours.yaml:1:1: not YAML"},
		"no mapping":            {"- 1", "ours.yaml:1:1: a parts list is a mapping"},
		"a key twice":           {"name: a\nname: b", `ours.yaml:2:1: "name" stands here twice`},
		"an anchor":             {"name: &a b", "ours.yaml:1:7: anchors and aliases are not used here"},
		"an octal number":       {"price: 017", `ours.yaml:1:8: "017" is not a decimal number`},
		"a tag":                 {"name: !ours b", "ours.yaml:1:7: !ours is not used here"},
		"a character of JSON":   {`{"name": "a\u0000b"}`, "ours.yaml:1:10: this has a character U+0000"},
		"a second document":     {"name: a\n---\nname: b", "there is a second document"},
		"too deep":              {"a: " + strings.Repeat("[", 20) + strings.Repeat("]", 20), "nested more than 8 deep"},
		"too many values":       {"a: [" + strings.Repeat("1,", 600) + "1]", "has more than 500 values"},
		"too many marks":        {"a: [" + strings.Repeat("1,", 1200) + "1]", "has more than 500 values"},
		"too many, as JSON":     {`{"a": [` + strings.Repeat("1,", 2000) + "1]}", "has more than 500 values"},
		"too long":              {strings.Repeat("#", 10_001), "is larger than 10000 bytes"},
		"a second list of kind": {"parts: [1]\nparts: [2]", "stands here twice"},
	} {
		t.Run(name, func(t *testing.T) {
			err := kind.Document("ours.yaml", []byte(c.text)).Err()
			if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
				t.Errorf("told is %v, want %q", err, c.says)
			}
		})
	}
}

func TestMistakesAreToldOnceAndNotWithoutEnd(t *testing.T) {
	tree := kind.Document("ours.yaml", []byte("name: a"))
	for range 3 {
		tree.Mistake("/name", "is taken")
	}
	if tree.Len() != 1 || tree.More() || tree.Err().Error() != "ours.yaml:1:7: /name: is taken" {
		t.Errorf("told is %v", tree.Err())
	}
	for i := range 300 {
		tree.Mistake("/name", "is wrong in way %d", i)
	}
	told := strings.Split(tree.Err().Error(), "\n")
	if !tree.Full() || !tree.More() || len(told) != 201 || !strings.Contains(told[200], "there are more mistakes") {
		t.Errorf("told are %d, the last of them %s", len(told), told[len(told)-1])
	}
}

func TestAnEntryInsideAnother(t *testing.T) {
	nested := *kind
	nested.Nested = true
	text := []byte("states:\n  - id: raised\n    ways:\n      - {id: lift}\n")
	for k, want := range map[*document.Kind]string{kind: "lift", &nested: "raised.lift"} {
		if m := k.Document("ours.yaml", text).At("/states/0/ways/0/open", ""); m.Entry != want || m.Line != 4 {
			t.Errorf("it is in %q on line %d, want %q", m.Entry, m.Line, want)
		}
	}
}

func TestReplaced(t *testing.T) {
	entries := func(text string) []*yaml.Node {
		return document.Child(kind.Document("ours.yaml", []byte(text)).Root, "parts").Content
	}
	base := entries("parts: [{id: a, n: 1}, {id: b, n: 1}, {n: 1}]")
	own := entries("parts: [{id: b, n: 2}, {id: c, n: 2}, {n: 2}, {id: b, n: 3}]")
	var got []string
	for _, e := range document.Replaced(base, own, func(n *yaml.Node) string { return document.Word(n, "id") }) {
		got = append(got, document.Word(e, "id")+document.Word(e, "n"))
	}
	if want := "a1 b2 1 c2 2 b3"; strings.Join(got, " ") != want {
		t.Errorf("comes out as %v, want %s", got, want)
	}
	if document.Word(base[1], "n") != "1" {
		t.Error("the base was changed")
	}
}

func TestPointer(t *testing.T) {
	if p := document.Pointer("parts", 3, "a/b~c"); p != "/parts/3/a~1b~0c" {
		t.Errorf("it is %s", p)
	}
}
