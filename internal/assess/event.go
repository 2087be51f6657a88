package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"time"
)

// The types of events.
const (
	AssessmentFinished = "assessment.finished" // done or failed
	ReadinessChanged   = "readiness.changed"   // the state of a gate is another than before
	BatchFinished      = "batch.finished"      // nothing of a batch is left to do
	PlanFinished       = "plan.finished"       // done or failed
	ReportWithdrawn    = "report.withdrawn"    // a report was withdrawn, or replaced by another
	SubscriptionTest   = "subscription.test"   // somebody wants to see whether events arrive
)

// EventTypes lists the types of events that can be subscribed to. A test is sent to whoever asks for it.
var EventTypes = []string{AssessmentFinished, ReadinessChanged, BatchFinished, PlanFinished, ReportWithdrawn, OutcomeRecorded, OutcomeWithdrawn}

// Event is something that has happened. It is thin: it says what to read, and not all that is there.
type Event struct {
	Type string
	At   time.Time
	Data any // encoded as JSON
}

// Body is the event as it is sent: {"type", "timestamp", "data"}.
func (e Event) Body() ([]byte, error) {
	body, err := json.Marshal(struct {
		Type      string    `json:"type"`
		Timestamp time.Time `json:"timestamp"`
		Data      any       `json:"data"`
	}{e.Type, e.At.UTC().Truncate(time.Millisecond), e.Data})
	if err != nil {
		return nil, fmt.Errorf("encode event %s: %w", e.Type, err)
	}
	return body, nil
}

// RecordedEvent is a stored event. Places grow, but not in the order in which events become visible:
// see [EventLog].
type RecordedEvent struct {
	Place      int64
	ID         string
	Type       string
	RecordedAt time.Time
	Body       []byte
}

// EventLog reads the events of an organisation, which are kept for a while.
type EventLog interface {
	// Unsettled is how long after the record of an event one with a lower place may still become
	// visible: whoever reads up to a place reads that time again, or misses some. Zero: places grow
	// as events become visible.
	Unsettled() time.Duration
	// EventsAfter returns up to limit events with a place above the one given, that were recorded up to
	// a time (zero: any), by place.
	EventsAfter(ctx context.Context, organisation string, place int64, until time.Time, limit int) ([]RecordedEvent, error)
	// EventPlace returns where an event stands and when it was recorded; [ErrNotFound] if it is not
	// kept, or is of another organisation.
	EventPlace(ctx context.Context, organisation, id string) (place int64, recorded time.Time, err error)
	// PlaceBefore returns a place below all events recorded since a time, and as far up as it can be.
	PlaceBefore(ctx context.Context, organisation string, since time.Time) (int64, error)
}

// ruleSetData is a rule set as events name it.
type ruleSetData struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Digest  string `json:"digest"`
}

type verdictData struct {
	Gate     string `json:"gate"`
	State    string `json:"state"`
	Blockers int    `json:"blockers"`
}

// finishedData is what [AssessmentFinished] has.
type finishedData struct {
	Assessment string       `json:"assessment"`
	Report     string       `json:"report"`
	Reference  string       `json:"reference,omitempty"` // the sender's own name for the report
	Vehicle    string       `json:"vehicle"`
	State      State        `json:"state"`
	Gate       string       `json:"gate"`
	Verdict    *verdictData `json:"verdict,omitempty"` // none if it failed
	AsOf       string       `json:"as_of,omitempty"`
	RuleSet    ruleSetData  `json:"rule_set"`
	Path       string       `json:"path"`
}

// GateChange is the state of a gate that is another than before. From is null where it was not known.
type GateChange struct {
	Gate string  `json:"gate"`
	From *string `json:"from"`
	To   string  `json:"to"`
}

// changedData is what [ReadinessChanged] has.
type changedData struct {
	Vehicle    string       `json:"vehicle"`
	Assessment string       `json:"assessment"`
	AsOf       string       `json:"as_of"`
	Gates      []GateChange `json:"gates"`
	RuleSet    ruleSetData  `json:"rule_set"`
	Path       string       `json:"path"`
}

// batchData is what [BatchFinished] has. Lines are counted.
type batchData struct {
	Batch   string      `json:"batch"`
	Kind    BatchKind   `json:"kind"`
	State   BatchState  `json:"state"` // done, refused or cancelled
	RuleSet ruleSetData `json:"rule_set"`
	Lines   batchCounts `json:"lines"`
	Path    string      `json:"path"`
}

type batchCounts struct {
	Received int  `json:"received"`
	Refused  int  `json:"refused"`
	Done     int  `json:"done"`
	Failed   int  `json:"failed"`
	Changed  *int `json:"changed,omitempty"` // of a rescore
}

// BatchEvents says what has happened when a batch was changed: that it has finished, if it has.
func BatchEvents(b Batch) []Event {
	if b.FinishedAt.IsZero() {
		return nil
	}
	data := batchData{
		Batch: b.ID, Kind: b.Kind, State: b.Told(), RuleSet: ruleSetData{b.RuleSet.Name, b.RuleSet.Version, b.RuleSet.Digest},
		Lines: batchCounts{Received: b.Lines, Refused: b.Refused, Done: b.Done, Failed: b.Failed},
		Path:  "/v1/batches/" + url.PathEscape(b.ID),
	}
	if b.Kind == Rescore {
		data.Lines.Changed = &b.Changed
	}
	return []Event{{BatchFinished, b.FinishedAt, data}}
}

// plannedData is what [PlanFinished] has.
type plannedData struct {
	Plan       string      `json:"plan"`
	Vehicle    string      `json:"vehicle"`
	Assessment string      `json:"assessment"` // that it was made of
	State      State       `json:"state"`
	Gate       string      `json:"gate"`
	RuleSet    ruleSetData `json:"rule_set"`
	Path       string      `json:"path"`
}

// PlanEvent says that a plan was finished. p has its state and its time.
func PlanEvent(p Plan) Event {
	return Event{PlanFinished, p.FinishedAt, plannedData{
		Plan: p.ID, Vehicle: p.Vehicle, Assessment: p.AssessmentID, State: p.State, Gate: p.Gate,
		RuleSet: ruleSetData{p.RuleSet.Name, p.RuleSet.Version, p.RuleSet.Digest}, Path: "/v1/plans/" + url.PathEscape(p.ID),
	}}
}

// withdrawnData is what [ReportWithdrawn] has.
type withdrawnData struct {
	Report     string `json:"report"`
	Vehicle    string `json:"vehicle"`
	Reference  string `json:"reference,omitempty"`   // the sender's own name for the report
	ReplacedBy string `json:"replaced_by,omitempty"` // the report that stands for it
	Assessment string `json:"assessment,omitempty"`  // made without it; none: no report is left
	Path       string `json:"path"`
}

// WithdrawalEvent says that a report was withdrawn, or replaced, and which assessment is made without it.
func WithdrawalEvent(r Report, assessment string, at time.Time) Event {
	return Event{ReportWithdrawn, at, withdrawnData{
		Report: r.ID, Vehicle: r.Vehicle, Reference: r.Reference, ReplacedBy: r.ReplacedBy, Assessment: assessment,
		Path: "/v1/reports/" + url.PathEscape(r.ID),
	}}
}

// GateState is the state of a gate, and how much stands in the way of it and of all earlier ones.
type GateState struct {
	Gate, State string
	Blockers    int
}

// GateStates are the states of a rule set's gates, in its order.
type GateStates []GateState

// String writes the states in one line, as stores keep them to see what has changed.
func (s GateStates) String() string {
	words := make([]string, len(s))
	for i, g := range s {
		words[i] = g.Gate + "=" + g.State
	}
	return strings.Join(words, " ")
}

// ParseGateStates reads the states that [GateStates.String] writes; what is not of that form is left out.
func ParseGateStates(line string) GateStates {
	var s GateStates
	for _, word := range strings.Fields(line) {
		if gate, state, ok := strings.Cut(word, "="); ok {
			s = append(s, GateState{Gate: gate, State: state})
		}
	}
	return s
}

func (s GateStates) changesFrom(before GateStates) []GateChange {
	known := map[string]string{}
	for _, g := range before {
		known[g.Gate] = g.State
	}
	var changes []GateChange
	for _, g := range s {
		from, ok := known[g.Gate]
		switch {
		case !ok:
			changes = append(changes, GateChange{g.Gate, nil, g.State})
		case from != g.State:
			changes = append(changes, GateChange{g.Gate, &from, g.State})
		}
	}
	return changes
}

// Events says what has happened when an assessment was finished. a has its state, its time and, once
// done, its outcome; before are the gates as they were by what was the vehicle's newest finished
// assessment until now. newest is false for a late word about an earlier one: what it says of the
// gates is not how the vehicle stands.
func Events(a Assessment, before GateStates, newest bool) []Event {
	set := ruleSetData{a.RuleSet.Name, a.RuleSet.Version, a.RuleSet.Digest}
	finished := finishedData{
		Assessment: a.ID, Report: a.ReportID, Reference: a.Reference, Vehicle: a.Vehicle, State: a.State, Gate: a.Gate,
		RuleSet: set, Path: "/v1/assessments/" + url.PathEscape(a.ID),
	}
	if a.State != Done {
		return []Event{{AssessmentFinished, a.FinishedAt, finished}}
	}
	finished.Verdict, finished.AsOf = &verdictData{a.Gate, a.Outcome.VerdictState, a.Outcome.Blockers}, a.Outcome.AsOf
	events := []Event{{AssessmentFinished, a.FinishedAt, finished}}
	if changes := a.Outcome.Gates.changesFrom(before); newest && len(changes) > 0 {
		events = append(events, Event{ReadinessChanged, a.FinishedAt, changedData{
			Vehicle: a.Vehicle, Assessment: a.ID, AsOf: a.Outcome.AsOf, Gates: changes, RuleSet: set,
			Path: "/v1/vehicles/" + url.PathEscape(a.Vehicle) + "/readiness",
		}})
	}
	return events
}
