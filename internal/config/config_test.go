package config_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"laidup/internal/config"
)

var update = flag.Bool("update", false, "write docs/settings.md anew")

// The page of settings is made of the fields: a setting that is not on it does not exist.
func TestDocsListEverySetting(t *testing.T) {
	path := filepath.Join("..", "..", "docs", "settings.md")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(data), "|---|---|---|---|\n")
	var b strings.Builder
	b.WriteString(head + "|---|---|---|---|\n")
	seen := map[string]bool{}
	for _, part := range []any{config.HTTP{}, config.Store{}, config.Queue{}, config.Work{}, config.Webhooks{}, config.Metrics{}, config.Log{}} {
		typ := reflect.TypeOf(part)
		for i := range typ.NumField() {
			f := typ.Field(i)
			env, help := f.Tag.Get("env"), f.Tag.Get("help")
			name := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(env, "LAIDUP_")), "_", "-")
			if !strings.HasPrefix(env, "LAIDUP_") || !strings.HasSuffix(help, ".") || seen[name] {
				t.Errorf("%s: variable %q, sentence %q", f.Name, env, help)
			}
			seen[name] = true
			fmt.Fprintf(&b, "| `--%s` | `%s` | %s | %s |\n", name, env, f.Tag.Get("default"), help)
		}
	}
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if string(data) != b.String() && !*update {
		t.Errorf("docs/settings.md is not what the settings are: write it anew with -update")
	}
}
