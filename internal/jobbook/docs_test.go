package jobbook_test

import (
	"os"
	"strings"
	"testing"
)

// What docs/job-book.md shows is a book, and an overlay on the built-in one.
func TestTheExamplesOfTheDocsAreBooks(t *testing.T) {
	text, err := os.ReadFile("../../docs/job-book.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(text), "```yaml\n")[1:]
	if len(blocks) != 2 {
		t.Fatalf("%d examples", len(blocks))
	}
	for i, block := range blocks {
		example, _, _ := strings.Cut(block, "```")
		if _, err := loader(t).Knowing(generic(t)).Document("job-book.md", []byte(example)); err != nil {
			t.Errorf("example %d:\n%v", i+1, err)
		}
	}
}
