package archtest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The programs that docs/integrating.md shows are those that .ci/run runs, between their lines "begin"
// and "end".
func TestThePagesOnIntegratingShowProgramsThatAreRun(t *testing.T) {
	root := filepath.Join("..", "..")
	page, err := os.ReadFile(filepath.Join(root, "docs", "integrating.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, program := range []string{".ci/clients/main-job.ts", ".ci/goclient/job.go"} {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(program)))
		if err != nil {
			t.Fatal(err)
		}
		_, shown, begins := strings.Cut(string(text), "// begin\n")
		shown, _, ends := strings.Cut(shown, "// end\n")
		if !begins || !ends || len(shown) < 500 {
			t.Errorf("%s has no part to show between // begin and // end", program)
		}
		if !strings.Contains(string(page), strings.TrimSpace(shown)+"\n```") {
			t.Errorf("docs/integrating.md does not show %s as it is: copy what stands there between begin and end", program)
		}
	}
}
