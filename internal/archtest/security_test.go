package archtest

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The tests that docs/security.md names are there.
func TestWhatTheTableOfAttemptsNamesExists(t *testing.T) {
	root := filepath.Join("..", "..")
	page, err := os.ReadFile(filepath.Join(root, "docs", "security.md"))
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	function := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(`)
	err = fs.WalkDir(os.DirFS(root), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, "_test.go") {
			return err
		}
		text, err := os.ReadFile(filepath.Join(root, name))
		for _, f := range function.FindAllSubmatch(text, -1) {
			there[string(f[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile("`((?:Test|Fuzz)\\w+)`").FindAllSubmatch(page, -1)
	if len(named) < 40 {
		t.Errorf("only %d tests are named", len(named))
	}
	for _, n := range named {
		if !there[string(n[1])] {
			t.Errorf("docs/security.md names %s, which is not there", n[1])
		}
	}
	for line := range strings.Lines(string(page)) {
		if strings.HasPrefix(line, "| ") && !strings.HasPrefix(line, "| attempt") && !regexp.MustCompile("`(?:Test|Fuzz)").MatchString(line) {
			t.Errorf("nothing shows it: %s", line)
		}
	}
}
