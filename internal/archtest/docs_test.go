package archtest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The programs that pages show are those that .ci/run runs, between their lines "begin" and "end".
func TestPagesShowProgramsThatAreRun(t *testing.T) {
	root := filepath.Join("..", "..")
	for _, c := range []struct{ page, program, mark string }{
		{"docs/integrating.md", ".ci/clients/main-job.ts", ""},
		{"docs/integrating.md", ".ci/goclient/job.go", ""},
		{"docs/webhooks.md", ".ci/clients/dealer.ts", ""},
		{"docs/batches.md", ".ci/clients/dealer.ts", " batch"},
	} {
		page, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(c.page)))
		if err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(c.program)))
		if err != nil {
			t.Fatal(err)
		}
		_, shown, begins := strings.Cut(string(text), "// begin"+c.mark+"\n")
		shown, _, ends := strings.Cut(shown, "// end"+c.mark+"\n")
		if !begins || !ends || len(shown) < 500 {
			t.Errorf("%s has no part to show between // begin%s and // end%s", c.program, c.mark, c.mark)
		}
		if !strings.Contains(string(page), strings.TrimSpace(shown)+"\n```") {
			t.Errorf("%s does not show %s as it is: copy what stands there between begin and end", c.page, c.program)
		}
	}
}
