package ruleset_test

import (
	_ "embed"
	"encoding/json"
	"errors"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"laidup/internal/condition"
	"laidup/internal/ruleset"
	"laidup/schema"

	"go.yaml.in/yaml/v3"
)

//go:embed testdata/small.yaml
var small string

type object = map[string]any
type list = []any

var loaderOnce = sync.OnceValues(func() (*ruleset.Loader, error) { return ruleset.NewLoader(schema.FS) })

func loader(t testing.TB) *ruleset.Loader {
	t.Helper()
	l, err := loaderOnce()
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func load(t testing.TB, data string) *ruleset.Set {
	t.Helper()
	set, err := loader(t).Document("small.yaml", []byte(data))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// mistakesOf loads a rule set that cannot be used.
func mistakesOf(t testing.TB, name, data string) ruleset.Mistakes {
	t.Helper()
	set, err := loader(t).Document(name, []byte(data))
	var mistakes ruleset.Mistakes
	if !errors.As(err, &mistakes) || len(mistakes) == 0 || set != nil {
		t.Fatalf("loaded: %v", err)
	}
	return mistakes
}

func smallDocument(t testing.TB) object {
	t.Helper()
	var o object
	if err := yaml.Unmarshal([]byte(small), &o); err != nil {
		t.Fatal(err)
	}
	return o
}

// blank is a vehicle of which nothing is known.
func blank(set *ruleset.Set) condition.Frame {
	return slices.Repeat(condition.Frame{condition.Unset}, set.Catalogue.Size)
}

type nothing struct{}

var drop = nothing{}

// put puts a value in at a JSON Pointer; drop takes one out, and "-" stands for the end of a list.
func put(t testing.TB, o object, pointer string, v any) {
	t.Helper()
	steps := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	for i, s := range steps {
		steps[i] = strings.NewReplacer("~1", "/", "~0", "~").Replace(s)
	}
	var holder any = o
	set := func(x any) { t.Fatalf("no %s", pointer) }
	for i, s := range steps {
		last := i == len(steps)-1
		switch h := holder.(type) {
		case object:
			if last && v == drop {
				delete(h, s)
				return
			}
			holder, set = h[s], func(x any) { h[s] = x }
		case list:
			if s == "-" {
				set(append(slices.Clone(h), v))
				return
			}
			n, err := strconv.Atoi(s)
			if err != nil || n >= len(h) {
				t.Fatalf("no %s", pointer)
			}
			if last && v == drop {
				set(slices.Delete(slices.Clone(h), n, n+1))
				return
			}
			holder, set = h[n], func(x any) { h[n] = x }
		default:
			t.Fatalf("no %s", pointer)
		}
	}
	set(v)
}

// spoilt is the small rule set as JSON with values put in at JSON Pointers, in turn.
func spoilt(t testing.TB, changes ...any) string {
	t.Helper()
	o := smallDocument(t)
	for i := 0; i < len(changes); i += 2 {
		put(t, o, changes[i].(string), changes[i+1])
	}
	data, err := json.MarshalIndent(o, "", "\t")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
