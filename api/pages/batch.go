package pages

import (
	"laidup/internal/assess"
	"laidup/internal/score"
)

// BatchesView takes a file and lists the batches, newest first.
type BatchesView struct {
	Frame
	Gate    string
	Gates   []string
	Batches []assess.Batch
	Next    string // where the next page is; empty: there is none
}

// BatchView is one batch.
type BatchView struct {
	Frame
	Batch   assess.Batch
	First   int // number of the first line shown
	Next    int // of the first line after those shown; 0: there is none
	Lines   []BatchLine
	Refused []BatchLine // the first that were refused, or failed
}

// Finished says whether every line has its answer.
func (v BatchView) Finished() bool { return !v.Batch.FinishedAt.IsZero() }

// Answered is how many lines have one.
func (v BatchView) Answered() int { return v.Batch.Refused + v.Batch.Done + v.Batch.Failed }

// BatchLine is what has become of a line.
type BatchLine struct {
	Number                             int
	Vehicle, Reference, State, Problem string
	Faults                             []LineFault
	Verdict                            *score.Verdict // nil: it is not done
	Coverage                           score.Coverage
	Changed                            bool // scored again, and not as before
}

// LineFault is one thing that is wrong with a line.
type LineFault struct{ Pointer, Column, Detail string }
