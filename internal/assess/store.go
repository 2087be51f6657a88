package assess

import (
	"context"
	"errors"
	"time"

	"laidup/internal/report"
	"laidup/internal/score"
)

// ErrNotFound means that nothing is stored under the id or reference asked for.
var ErrNotFound = errors.New("not found")

// ErrNothingToReplace means that a report is to replace one that is not there, is on another vehicle, or
// was replaced already.
var ErrNothingToReplace = errors.New("nothing to replace")

// ErrFinished means that an assessment is already done or failed; it is never written twice.
var ErrFinished = errors.New("assessment already finished")

// ErrNotFailed means that an assessment or a plan that is to be tried again has not failed.
var ErrNotFailed = errors.New("has not failed")

// ErrKeyReused means that an idempotency key was sent before with another request.
var ErrKeyReused = errors.New("idempotency key used before with another request")

// ErrDossierFull means that a vehicle has as many reports as it may have.
var ErrDossierFull = errors.New("dossier full")

// ErrUnavailable means that the store cannot be used just now, for a reason that does not lie in what
// was asked of it: what was to be written may be written or not, and trying again helps in the end.
var ErrUnavailable = errors.New("store unavailable")

// State is how far an assessment has got: queued, running, then done or failed. See [Next].
type State string

// The states of an assessment.
const (
	Queued  State = "queued"
	Running State = "running"
	Done    State = "done"
	Failed  State = "failed"
)

// Next says which states may follow which. Running may begin again after a worker died, and a
// failed assessment is queued again when somebody asks for it. Done is for good.
var Next = map[State][]State{
	Queued:  {Running, Done, Failed}, // a late worker may finish what was queued again
	Running: {Running, Done, Failed},
	Failed:  {Queued},
	Done:    {},
}

// RuleSetRef names the rule-set version that an assessment is made under.
type RuleSetRef struct {
	Name, Version, Digest string
}

// Submission is a valid report on its way into the store, with the assessment it asks for.
type Submission struct {
	Organisation string // whose it is
	ReportID     string
	AssessmentID string
	Vehicle      string // the vehicle's reference
	Description  string // of the vehicle; empty leaves an earlier one as it is
	Reference    string // the sender's own name for the report; may be empty
	Inspected    string // ISO 8601 date of the inspection
	Body         []byte // the report as posted
	Gate         string // the gate asked about
	RuleSet      RuleSetRef
	At           time.Time      // when it was received; stored to the millisecond
	ImportedAt   time.Time      // when it was imported, if it was received elsewhere; zero: here
	Batch        string         // the batch it came in; empty: by itself
	Replaces     string         // the id of the report that it is to stand for; empty: none
	PostedBy     string         // the id of the API key that it came with; empty: none was needed
	Photos       []report.Photo // that it links
	Step         *StepRef       // of a plan of the vehicle that it is of; nil: of none

	// Most is how many reports the vehicle may have with this one; zero: any number.
	Most int
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	// Fingerprint is a digest of the request the key came with.
	IdempotencyKey string
	Fingerprint    string
}

// StepRef is a step of a plan that a report says is done, and who did it; empty: nobody told.
type StepRef struct {
	Plan      string
	Number    int
	Inspector string
}

// QueuedAt is since when the assessment waits.
func (s Submission) QueuedAt() time.Time { return later(s.At, s.ImportedAt) }

// later is when something happens here that was done at a time, and perhaps elsewhere.
func later(at, imported time.Time) time.Time {
	if imported.IsZero() {
		return at
	}
	return imported
}

// Receipt says under which ids a submission is stored. Repeat is set when an earlier
// submission with the same key and fingerprint is what they name.
type Receipt struct {
	ReportID     string
	AssessmentID string
	Repeat       bool
}

// Report is a stored report. Ordinal counts what came on one vehicle from 1, reports and
// withdrawals of reports, in the order in which it came, without gaps.
type Report struct {
	ID, Vehicle, Reference, Inspected string
	Ordinal                           int
	Body                              []byte
	ReceivedAt                        time.Time
	// WithdrawnAt is when it was withdrawn, or replaced by another; zero: it stands.
	WithdrawnAt time.Time
	Because     string // why it was withdrawn; empty where it was replaced
	ReplacedBy  string // the id of the report that stands for it; empty: none
	PostedBy    string // the id of the API key that it came with; empty: none was needed, or it is not known
}

// Withdrawal is the wish to withdraw a report, with the assessment that is made without it.
type Withdrawal struct {
	Organisation string
	ReportID     string
	AssessmentID string // of the assessment, if one is made
	Because      string
	At           time.Time // stored to the millisecond
	ImportedAt   time.Time // when it was imported, if it was done elsewhere; zero: here
	// Under says which rule set and gate to assess under, by those that the last report which stands was
	// assessed under; nil: the same.
	Under func(RuleSetRef, string) (RuleSetRef, string)
}

// QueuedAt is since when the assessment waits.
func (w Withdrawal) QueuedAt() time.Time { return later(w.At, w.ImportedAt) }

// Withdrawn is a report that is withdrawn. AssessmentID is empty where no report is left to assess, and
// in a repeat.
type Withdrawn struct {
	Report       Report
	AssessmentID string
	Repeat       bool // it was withdrawn before
}

// ReportPage asks for a vehicle's reports, the last that came first. Cursor: BeforeID of the last one seen;
// empty starts at the beginning.
type ReportPage struct {
	Organisation string
	Vehicle      string
	BeforeID     string
	Limit        int
}

// Assessment is a stored assessment. It covers the reports on Vehicle with an ordinal up to
// Ordinal that were not withdrawn up to it, so that it comes out the same whenever it is worked out.
type Assessment struct {
	ID, ReportID, Vehicle, Gate string
	Ordinal                     int
	RuleSet                     RuleSetRef
	State                       State
	Attempt                     int    // how often it was handed to the queue
	Organisation                string // whose it is; only [Store.Start] tells
	Batch                       string // the batch it came in, if any; only [Store.Start] tells
	Reference                   string // the sender's own name for the report; only who tells of the end has it
	Starts                      int    // how often a worker began with it; only [Store.Start] tells
	CreatedAt                   time.Time
	EnqueuedAt                  time.Time // when it was last handed to the queue, or created
	FinishedAt                  time.Time // zero until done or failed
	Outcome                     Outcome   // zero until done
	Problem                     []byte    // problem details, once failed
}

// Outcome is what a finished assessment says: the whole body as JSON, and what lists show of it.
type Outcome struct {
	Body         []byte
	AsOf         string // ISO 8601 date
	VerdictState string // clear, unproven or blocked, at the gate asked about
	Blockers     int    // at that gate
	Summary      []byte // what lists of many show of it, a [Summary] as JSON
	// Gates are the states of all gates, and Coverage says how much was looked at: [Store.Finish] takes
	// them to see what has changed, and for lists of vehicles. Nothing gives them back.
	Gates    GateStates
	Coverage score.Coverage
}

// Vehicle is a dossier's cover: the newest facts a list needs.
type Vehicle struct {
	Reference   string
	Description string
	Reports     int       // how many reports there are that stand
	Withdrawn   int       // how many were withdrawn or replaced
	UpdatedAt   time.Time // when the newest report came
	Newest      *Assessment
	// Newest is the finished (done) assessment with the highest ordinal, without its body;
	// nil when there is none yet, or every report that it was made of is withdrawn and no other stands.
	Waiting bool // an assessment with a higher ordinal is queued or running
	// At says in a list how it stands at the gate of the list, by the newest finished assessment; nil
	// when there is none, or when that has no such gate.
	At       *GateState
	Coverage score.Coverage // of the newest finished assessment
}

// The orders in which vehicles are listed. The zero value is newest report first.
const (
	ByNewest    = ""
	ByReference = "reference"
	ByBlockers  = "blockers" // most at the gate of the list first; what is not judged at it comes last
)

// Backlog is how much is left to do, and what has failed.
type Backlog struct {
	Unfinished int       // queued and running, without those of a batch
	Oldest     time.Time // when the oldest of these was accepted; zero: there is none
	Failed     int       // that nobody has asked to try again, without those of a batch that was cancelled
	Chunks     int       // of batches, that have not finished
	Plans      int       // that have not finished
}

// VehiclePage asks for vehicles. All are judged at one gate, whatever their reports asked about. After
// is the cursor: the UpdatedAt or the blockers, as the order goes, and the Reference of the last one
// seen; zero starts at the beginning. Limit is at least 1.
type VehiclePage struct {
	Organisation   string
	Gate           string
	Search         string // words, all of which reference and description have in them, in any order
	Verdict        string // at the gate, of the newest finished assessment; empty: any
	By             string
	AfterTime      time.Time
	AfterBlockers  int // [NotJudged] after a vehicle without At
	AfterReference string
	Limit          int
}

// NotJudged stands for the blockers of a vehicle that is not judged at the gate of a list.
const NotJudged = -1

// HistoryPage asks for a vehicle's assessments without bodies, highest ordinal (then newest) first.
// Cursor: BeforeCreated and BeforeID of the last one seen; zero starts at the beginning.
type HistoryPage struct {
	Organisation  string
	Vehicle       string
	BeforeCreated time.Time
	BeforeID      string
	Limit         int
}

// Store keeps reports and assessments. Reports are append-only; an assessment is written once.
// All methods return ErrNotFound for an unknown id or reference, and ErrUnavailable within seconds
// where the database is away, full, overloaded or read-only. What belongs to one organisation
// is unknown to every other: only who works on an assessment asks by its id alone.
type Store interface {
	// Accept stores the report and its queued assessment in one transaction, or nothing.
	// It returns ErrKeyReused when the idempotency key is known with another fingerprint, and
	// ErrDossierFull when the vehicle has its Most already, and ErrNothingToReplace when there is no
	// report on the vehicle that it may replace, and the error of [Submission.UnknownPhotos] when it links
	// photos that the organisation does not have.
	Accept(ctx context.Context, s Submission) (Receipt, error)

	// Repeat returns the receipt that a key stands for; ErrKeyReused when it came with another fingerprint.
	Repeat(ctx context.Context, organisation, key, fingerprint string) (Receipt, error)
	// Report returns one report.
	Report(ctx context.Context, organisation, id string) (Report, error)
	// Reports lists a vehicle's reports, those that are withdrawn among them.
	Reports(ctx context.Context, p ReportPage) ([]Report, error)
	// Withdraw marks a report as withdrawn and stores the queued assessment that is made without it, if any
	// report is left, in one transaction. Again changes nothing.
	Withdraw(ctx context.Context, w Withdrawal) (Withdrawn, error)
	// Erase removes a vehicle with all that hangs on it in one transaction. What was removed cannot come
	// back: who has read it before and would store something that comes of it gets ErrNotFound. Attachments
	// that no report on another vehicle links go with it, and their files are loose.
	Erase(ctx context.Context, e Erasure) (Erased, error)
	// Dossier returns the reports on a vehicle that stood at the ordinal upTo, in ordinal order.
	Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]Report, error)

	// Assessment returns one assessment with its body.
	Assessment(ctx context.Context, organisation, id string) (Assessment, error)
	// Start marks an unfinished assessment as running and returns it. It may be started again
	// after a worker died; ErrFinished when there is nothing left to do.
	Start(ctx context.Context, id string) (Assessment, error)
	// PutBack takes back a Start of unfinished work that was broken off for a reason that does not lie
	// in the assessment: it counts no more among those that no worker survived.
	PutBack(ctx context.Context, id string) error
	// Finish writes the outcome once; ErrFinished when it is already done or failed.
	Finish(ctx context.Context, id string, o Outcome, at time.Time) error
	// Fail writes the problem once; ErrFinished when it is already done or failed.
	Fail(ctx context.Context, id string, problem []byte, at time.Time) error

	// Retry makes a failed assessment queued again, as if nobody had begun with it, and returns the
	// last attempt at it; ErrNotFailed when it has not failed.
	Retry(ctx context.Context, organisation, id string, at time.Time) (attempt int, err error)

	// Waiting returns up to limit unfinished assessments that are not of a batch, last handed to the queue before the one
	// time, longest waiting first, and then those handed over after the other, as by a clock that was
	// set back since; without bodies.
	Waiting(ctx context.Context, before, after time.Time, limit int) ([]Assessment, error)
	// Enqueued notes that attempt of an unfinished assessment was handed to the queue.
	// A finished one is left as it is.
	Enqueued(ctx context.Context, id string, attempt int, at time.Time) error
	// Backlog says how much is left to do, and what has failed, of all organisations.
	Backlog(ctx context.Context) (Backlog, error)

	// Vehicle returns one vehicle. Its newest assessment has its summary.
	Vehicle(ctx context.Context, organisation, reference string) (Vehicle, error)
	// Vehicles lists vehicles, newest report first; without summaries.
	Vehicles(ctx context.Context, p VehiclePage) ([]Vehicle, error)
	// Gates returns the gates at which any vehicle was ever judged, by name.
	Gates(ctx context.Context, organisation string) ([]string, error)
	// History lists a vehicle's assessments, with their summaries.
	History(ctx context.Context, p HistoryPage) ([]Assessment, error)

	// KeepRuleSet keeps the canonical form of a rule set under its digest; again changes nothing.
	KeepRuleSet(ctx context.Context, ref RuleSetRef, canonical []byte) error
	// RuleSet returns the canonical form of a rule set that is kept under a digest.
	RuleSet(ctx context.Context, digest string) ([]byte, error)
	// Publish keeps a rule set and lists it as published, once. again says that the very same was
	// published before; with another digest that is ErrVersionPublished.
	Publish(ctx context.Context, p Publication, canonical []byte) (again bool, err error)
	// Published lists what an organisation has published, in any order.
	Published(ctx context.Context, organisation string) ([]Publication, error)

	// Retention returns after how many days without a report an organisation's vehicles are erased; 0: never.
	Retention(ctx context.Context, organisation string) (days int, err error)
	// SetRetention sets it; 0: never.
	SetRetention(ctx context.Context, organisation string, days int) error
	// Outlived returns up to limit vehicles, of all organisations, that are older than their retention.
	Outlived(ctx context.Context, now time.Time, limit int) ([]Outlived, error)
	// Holdings counts what an organisation has.
	Holdings(ctx context.Context, organisation string) (Holdings, error)
	// Entries lists all that came in on a vehicle, in that order, as it is at one moment.
	Entries(ctx context.Context, organisation, vehicle string) ([]Entry, error)
	// Note writes down that somebody does what changes nothing here, or no one thing: [DataExported], [DataImported].
	Note(ctx context.Context, organisation, action string, detail map[string]any) error
	// Audit lists what was done. Other entries are written with what is done: nobody else can add, change or
	// remove one.
	Audit(ctx context.Context, p AuditPage) ([]AuditEntry, error)

	// Ping says whether the store can be reached and its schema is the one this program needs.
	Ping(ctx context.Context) error
}

// Queue hands assessments to workers, at least once each. It carries ids only and may lose
// what it holds: the store is the truth.
type Queue interface {
	// Enqueue hands over one attempt at an assessment. Handing over the same attempt again
	// is harmless.
	Enqueue(ctx context.Context, assessmentID string, attempt int) error
	// Holds says whether an attempt still waits for a worker (pending, scheduled or due for a
	// retry). An attempt that a worker has taken, or that is gone, is not held.
	Holds(ctx context.Context, assessmentID string, attempt int) (bool, error)
	// Ping says whether the queue can be reached.
	Ping(ctx context.Context) error
}

// Handlers do the work that a queue brings, each given the id of what it is to work on. One that
// returns an error is given the same again.
type Handlers struct {
	Assessment func(ctx context.Context, assessmentID string) error
	Chunk      func(ctx context.Context, chunkID string) error
	Plan       func(ctx context.Context, planID string) error
}

// Clock tells the time. What is stored about receiving and finishing depends on it, and which dates of a
// report have not come yet; a score does so only by the day on which a report came in, as that is stored.
type Clock func() time.Time
