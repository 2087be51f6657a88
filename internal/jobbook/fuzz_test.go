package jobbook_test

import (
	"bytes"
	"errors"
	"testing"

	"laidup/internal/ruleset"
)

// Whatever is brought is either a book, which reads back the same, or told to be none with a reason.
func FuzzDocument(f *testing.F) {
	for _, seed := range []string{small, yard, "", "{", "a: &a [*a]", `{"a": 1}`, "? [a]\n: b", "!!map {}", "a: !!float x", "- - - -", "\xff", "hours: 1", "extends: {name: generic, version: 1.0.0}\nhours: [{of: raised}]\nprices: {}\nwithout: []"} {
		f.Add([]byte(seed))
	}
	l := loader(f).Knowing(generic(f))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := l.Document("fuzz.yaml", data)
		if err != nil {
			var mistakes ruleset.Mistakes
			if !errors.As(err, &mistakes) || len(mistakes) == 0 || b != nil {
				t.Fatalf("%v", err)
			}
			for _, m := range mistakes {
				if m.Detail == "" || m.Pointer != "" && m.Pointer[0] != '/' || m.Line < 0 || (m.Line == 0) != (m.Column == 0) {
					t.Fatalf("mistake %+v", m)
				}
			}
			return
		}
		again, err := l.Document("canonical.json", b.Canonical)
		if err != nil {
			t.Fatalf("%s\ndoes not load again: %v", b.Canonical, err)
		}
		if again.Digest != b.Digest || !bytes.Equal(again.Canonical, b.Canonical) {
			t.Fatal("reads back as another book")
		}
	})
}
