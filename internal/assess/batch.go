package assess

import (
	"context"
	"errors"
	"time"
)

// BatchKind is what is done with the lines of a batch.
type BatchKind string

// The kinds of a batch.
const (
	Reports BatchKind = "reports" // each line is a report: it is stored and assessed
	Rescore BatchKind = "rescore" // each line is a vehicle: it is scored again under another rule set
)

// BatchState is how far a batch has got. See [NextOfBatch].
type BatchState string

// The states of a batch.
const (
	Receiving BatchState = "receiving" // more lines may come
	Working   BatchState = "working"   // all lines are stored
	BatchDone BatchState = "done"      // every line has its answer
	Cancelled BatchState = "cancelled" // what was not begun with will not be

	// BatchRefused is what others are told of a batch that is done, if not one of its lines was accepted.
	BatchRefused BatchState = "refused"
)

// Told is the state that others are told.
func (b Batch) Told() BatchState {
	if b.State == BatchDone && b.Lines > 0 && b.Refused == b.Lines {
		return BatchRefused
	}
	return b.State
}

// NextOfBatch says which states may follow which. What is cancelled winds down: it has finished once
// FinishedAt is set.
var NextOfBatch = map[BatchState][]BatchState{
	Receiving: {Working, BatchDone, Cancelled},
	Working:   {BatchDone, Cancelled},
	BatchDone: {},
	Cancelled: {},
}

// ErrBatchClosed means that a batch takes no more lines, or cannot be cancelled any more.
var ErrBatchClosed = errors.New("batch closed")

// ErrBatchMoved means that somebody else is sending lines of the same batch.
var ErrBatchMoved = errors.New("batch moved on")

// ErrTooManyLines means that a batch would have more lines than one may have.
var ErrTooManyLines = errors.New("too many lines")

// ErrChunkUnfinished means that lines of a chunk have no answer yet.
var ErrChunkUnfinished = errors.New("chunk unfinished")

// NoSuchVehiclesError means that vehicles are to be scored again that are not there: these.
type NoSuchVehiclesError struct{ At []int }

// Error counts them.
func (e *NoSuchVehiclesError) Error() string { return "unknown vehicles" }

// BatchHead is what a batch is opened with.
type BatchHead struct {
	ID, Organisation string
	Kind             BatchKind
	Gate             string // the gate asked about; empty, in a rescore: that of each assessment
	RuleSet          RuleSetRef
	IdempotencyKey   string // makes a repeat harmless, and an upload one that can go on; may be empty
	Fingerprint      string // of what is asked for, without the lines
	At               time.Time
}

// Batch is a stored batch. Counts of lines that have an answer are those of finished chunks.
type Batch struct {
	BatchHead
	State   BatchState
	Tally   string // digest of the lines so far
	Through int    // number of the last line that is stored; blank lines have numbers too
	Lines   int    // that are not blank
	Refused int    // of these: no report, or one that is not valid
	Done    int
	Failed  int
	Changed int // scored again, and not as before
	// Chunks is how many there are, ChunksFinished how many of them have an answer to each line.
	Chunks, ChunksFinished int
	ReceivedAt             time.Time // when the last line came; zero before
	FinishedAt             time.Time // zero before
}

// NewLine is a line on its way into the store: with a submission, or with the problem details for
// which it is refused.
type NewLine struct {
	Number     int
	Vehicle    string // empty where it could not be read
	Submission *Submission
	Problem    []byte
}

// NewChunk is lines of a batch on their way into the store, in their order.
type NewChunk struct {
	ID, Batch, Organisation string
	Number                  int
	After, Through          int // the last line that is stored before, and with them
	Tally                   string
	Lines                   []NewLine
	Full                    []byte // the problem details of a line whose vehicle has its most reports
	NothingToReplace        []byte // and of one that is to replace a report which it cannot
	At                      time.Time
}

// Line is a line of a batch with what has become of it.
type Line struct {
	Number     int
	Vehicle    string     // empty: it could not be read, or was erased
	Reference  string     // the sender's own name for the report; empty: it has none, or is not stored
	Problem    []byte     // of a line that was refused, or could not be scored again
	Result     []byte     // of one that was scored again: what has changed
	Assessment Assessment // without its body; zero where there is none
}

// LineResult is what has come of scoring a vehicle again: a result or a problem.
type LineResult struct {
	Number          int
	Changed         bool
	Result, Problem []byte
}

// Chunk is what a worker takes at once of a batch.
type Chunk struct {
	ID      string
	Number  int
	Attempt int
	Batch   Batch // only what it was opened with, and its state
}

// RescoreScope is which vehicles are to be scored again: one of the three.
type RescoreScope struct {
	Vehicles   []string
	Batch      string // the assessments that came of a batch
	Everything bool   // every vehicle of the organisation, by reference
}

// BatchPage asks for batches, newest first. Cursor: the last one seen; zero starts at the beginning.
type BatchPage struct {
	Organisation  string
	BeforeCreated time.Time
	BeforeID      string
	Limit         int
}

// BatchStore keeps batches. What goes for [Store] goes for it.
type BatchStore interface {
	// OpenBatch stores a batch that receives; known is set when there is one under its idempotency key
	// already, which is what is returned then. ErrKeyReused when that has another fingerprint.
	OpenBatch(ctx context.Context, h BatchHead) (b Batch, known bool, err error)
	// BatchSent returns the batch under an idempotency key; ErrKeyReused when that has another fingerprint.
	BatchSent(ctx context.Context, organisation, key, fingerprint string) (Batch, error)
	// AddChunk stores lines with the reports and queued assessments that they ask for, all or nothing.
	// work says whether any of them is to be worked on. ErrBatchMoved when After is not the last line,
	// ErrBatchClosed when the batch does not receive.
	AddChunk(ctx context.Context, c NewChunk) (work bool, err error)
	// CloseBatch notes that all lines are there. One that does not receive is left as it is.
	CloseBatch(ctx context.Context, organisation, id string, at time.Time) (Batch, error)
	// OpenRescore stores a batch with a line for each vehicle of the scope, all or nothing, in chunks
	// of size lines, whose ids name makes. known as for OpenBatch. The error may be
	// [*NoSuchVehiclesError], ErrTooManyLines where there are more than most, or ErrNotFound for the batch.
	OpenRescore(ctx context.Context, h BatchHead, of RescoreScope, size, most int, name func(number int) string) (b Batch, known bool, err error)
	// CancelBatch cancels a batch; ErrBatchClosed when it has finished.
	CancelBatch(ctx context.Context, organisation, id string, at time.Time) (Batch, error)
	// Batch returns one batch.
	Batch(ctx context.Context, organisation, id string) (Batch, error)
	// Batches lists batches.
	Batches(ctx context.Context, p BatchPage) ([]Batch, error)
	// Lines returns up to limit lines of a batch after one, in their order.
	Lines(ctx context.Context, organisation, id string, after, limit int) ([]Line, error)

	// Chunk returns a chunk that is not finished; ErrFinished for one that is.
	Chunk(ctx context.Context, id string) (Chunk, error)
	// ChunkLines returns those lines of a chunk that are to be worked on.
	ChunkLines(ctx context.Context, c Chunk) ([]Line, error)
	// FinishChunk writes once what has come of a chunk. Of reports each must be done or failed:
	// ErrChunkUnfinished when that is not so. With the last chunk of a batch that is not receiving the
	// batch has finished; that is what it returns then, with done set.
	FinishChunk(ctx context.Context, c Chunk, results []LineResult, at time.Time) (b Batch, done bool, err error)
	// WaitingChunks returns up to limit unfinished chunks last handed to the queue before the one
	// time, or after the other, longest waiting first; with id and attempt alone.
	WaitingChunks(ctx context.Context, before, after time.Time, limit int) ([]Chunk, error)
	// ChunkEnqueued notes that attempt of an unfinished chunk was handed to the queue.
	ChunkEnqueued(ctx context.Context, id string, attempt int, at time.Time) error
}
