package builtin

import (
	"bytes"
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"laidup/internal/ruleset"
	"laidup/schema"
)

var update = flag.Bool("update", false, "prepare the built-in rule sets anew")

// written are the built-in rule sets as people write them.
func written(t testing.TB) map[string]*ruleset.Set {
	l := Loader()
	first, err := l.Folder(schema.FS, schema.FirstStart)
	if err != nil {
		t.Fatal(err)
	}
	second, err := l.Knowing(first).Folder(schema.FS, schema.PrePurchase)
	if err != nil {
		t.Fatal(err)
	}
	return map[string]*ruleset.Set{schema.FirstStart: first, schema.PrePurchase: second}
}

func TestWhatIsPreparedIsWhatIsWritten(t *testing.T) {
	for folder, set := range written(t) {
		want, err := set.Prepare()
		if err != nil {
			t.Fatal(err)
		}
		canonical, trees := files(folder)
		for name, data := range map[string][]byte{canonical: want.Canonical, trees: want.Trees} {
			if *update {
				if err := os.WriteFile(filepath.Join("..", "..", "schema", filepath.FromSlash(name)), data, 0o644); err != nil {
					t.Fatal(err)
				}
				continue
			}
			if have, err := fs.ReadFile(schema.FS, name); err != nil || !bytes.Equal(have, data) {
				t.Errorf("schema/%s is not what %s comes to (%v): go test ./internal/builtin -update", name, folder, err)
			}
		}
	}
}

func TestASetThatWasPreparedIsTheSame(t *testing.T) {
	written := written(t)
	for folder, have := range map[string]*ruleset.Set{schema.FirstStart: FirstStart(), schema.PrePurchase: PrePurchase()} {
		want := written[folder]
		if have.Digest != want.Digest || have.Name != want.Name || len(have.Rules) != len(want.Rules) || len(have.Tests) != len(want.Tests) {
			t.Errorf("%s is loaded as %s %s", folder, have.Name, have.Digest)
		}
	}
}

func BenchmarkLoad(b *testing.B) {
	b.Run("prepared", func(b *testing.B) {
		for b.Loop() {
			if _, err := load(schema.FirstStart); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("written", func(b *testing.B) {
		l := Loader()
		for b.Loop() {
			if _, err := l.Folder(schema.FS, schema.FirstStart); err != nil {
				b.Fatal(err)
			}
		}
	})
}
