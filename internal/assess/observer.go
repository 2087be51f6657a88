package assess

import (
	"errors"
	"time"
)

// Observer is told what happens, so that it can be counted. Many call it at once, and it holds up
// what it is told of.
type Observer interface {
	// ReportAccepted is told of a report that was stored; a repeat is not stored.
	ReportAccepted()
	// Finished is told of an assessment that was written.
	Finished(Finished)
	// Interrupted is told of work on an assessment or a plan that ended with an error: it comes again.
	Interrupted()
	// ChunkFinished is told of a chunk of a batch that was written.
	ChunkFinished()
	// PlanFinished is told of a plan that was written, done or failed.
	PlanFinished(State)
	// HandedOver is told of an assessment, a plan or a chunk that the sweep has handed to the queue again.
	HandedOver()
	// RuleSetTried is told of a rule set that was to be checked or published.
	RuleSetTried(Trial)
}

// Finished is what is told of a finished assessment.
type Finished struct {
	State         State // done or failed
	RuleSet       RuleSetRef
	OfBatch       bool          // nobody waits for it by itself
	SinceAccepted time.Duration // from when the report came; by the clocks of two machines, maybe
	WorkedOut     time.Duration // loading the dossier and scoring it, this time
}

// Trial is how the trial of a rule set ended.
type Trial string

// The ends of a trial.
const (
	Sound  Trial = "sound"
	Faulty Trial = "faulty"
	Busy   Trial = "busy" // there was no room to try it
	Broken Trial = "error"
)

func trialOf(err error) Trial {
	switch {
	case err == nil:
		return Sound
	case errors.As(err, new(*FaultyRuleSetError)):
		return Faulty
	case errors.Is(err, ErrBusy):
		return Busy
	}
	return Broken
}

// nobody observes.
type nobody struct{}

func (nobody) ReportAccepted()    {}
func (nobody) Finished(Finished)  {}
func (nobody) Interrupted()       {}
func (nobody) ChunkFinished()     {}
func (nobody) PlanFinished(State) {}
func (nobody) HandedOver()        {}
func (nobody) RuleSetTried(Trial) {}
