package builtin

import "testing"

func TestTheJobBookIsReadOnceForTheRuleSetThatItIsWrittenFor(t *testing.T) {
	jobs := JobsOf(nil)
	if book, err := jobs(FirstStart()); err != nil || book != Jobs() || book.Catalogue != FirstStart().Catalogue || len(book.Jobs) == 0 {
		t.Errorf("%v", err)
	}
	if book, err := jobs(PrePurchase()); err == nil {
		t.Errorf("job book %s is written for another rule set", book.Name)
	}
}

func BenchmarkJobs(b *testing.B) {
	set := FirstStart()
	for b.Loop() {
		if _, err := readJobs(set); err != nil {
			b.Fatal(err)
		}
	}
}
