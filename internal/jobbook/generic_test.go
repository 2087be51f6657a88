package jobbook_test

import (
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/jobbook"
)

// All that the rules ask of any kind of vehicle is given by a job or a look of the generic book, and all
// that has to be open for it can be opened.
func TestTheGenericBookAnswersTheRules(t *testing.T) {
	for _, r := range jobbook.Lint(generic(t), builtin.FirstStart(), vehicles(t)) {
		t.Error(r)
	}
}
