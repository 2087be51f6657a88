package assess

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Account is the service for one organisation: there is no other way to what belongs to it, and no
// way from here to what belongs to another.
type Account struct {
	service      *Service
	organisation string
}

// For returns the service for an organisation. Who asks must know that the caller is of it.
func (s *Service) For(organisation string) Account { return Account{s, organisation} }

func (own Account) store() Store { return own.service.store }

// Accepted is a stored report: it will be assessed under the id given.
type Accepted struct {
	Receipt
	Checked
}

// Order is a report with what is wanted of it.
type Order struct {
	Body    []byte
	Sent    []byte // what Body was made of; nil: it was sent as it is
	Gate    string // the gate asked about; empty: the rule set's own question
	RuleSet string // "name" or "name/version"; empty: the one that reports are scored under by default
	// IdempotencyKey makes a repeat harmless; empty means none was sent.
	IdempotencyKey string
	Step           *StepRef // of a plan that the report is of; nil: of none
}

// MaxReports is how many reports a vehicle may have: an assessment reads all of them.
const MaxReports = 300

// ErrNoSuchRuleSet means that a rule set was asked for that is not there.
var ErrNoSuchRuleSet = errors.New("no such rule set")

// ruleSet finds a rule set by "name", or "name/version".
func (own Account) ruleSet(ctx context.Context, named string) (*ruleset.Set, error) {
	if named == "" {
		return own.service.current(), nil
	}
	name, version, _ := strings.Cut(named, "/")
	for _, set := range own.service.builtIn() {
		if set.Name == name && (version == "" || version == set.Version) {
			return set, nil
		}
	}
	ref, err := own.find(ctx, name, version)
	if err != nil {
		return nil, err
	}
	scorer, err := own.service.shelf.version(ctx, own.organisation, ref)
	if err != nil {
		return nil, err
	}
	return scorer.RuleSet(), nil
}

// Submit validates a report, stores it with a queued assessment, and hands that to the queue. Once
// it returns without an error the report is safe, even if the queue is down: the sweep hands it
// over later. A repeat with the same key and order returns the first receipt. The error is an
// [*InvalidError], a [*NoSuchGateError], [ErrNoSuchRuleSet], [ErrKeyReused], [ErrDossierFull], or
// one of the store's.
func (own Account) Submit(ctx context.Context, o Order) (Accepted, error) {
	accepted, err := own.submit(ctx, o)
	if err != nil && o.IdempotencyKey != "" && !errors.Is(err, ErrKeyReused) && !errors.Is(err, ErrUnavailable) {
		// What was accepted once may be refused today, by another release or on another day. Whoever sends it again
		// asks for the receipt.
		if before, known := own.repeat(ctx, o); known {
			return before, nil
		}
	}
	return accepted, err
}

// repeat finds what a key was sent with before, if that was the same.
func (own Account) repeat(ctx context.Context, o Order) (Accepted, bool) {
	receipt, err := own.store().Repeat(ctx, own.organisation, o.IdempotencyKey, o.fingerprint())
	if err != nil {
		return Accepted{}, false
	}
	r, err := own.Report(ctx, receipt.ReportID)
	if err != nil {
		return Accepted{}, false
	}
	said, err := r.Said()
	return Accepted{receipt, Checked{r.Vehicle, r.Inspected, said.Observations, []report.Caution{}}}, err == nil
}

func (own Account) submit(ctx context.Context, o Order) (Accepted, error) {
	set, err := own.ruleSet(ctx, o.RuleSet)
	if err != nil {
		return Accepted{}, err
	}
	g, err := gateOf(set, o.Gate)
	if err != nil {
		return Accepted{}, err
	}
	accepted, err := own.take(ctx, o, set, g, arrival{at: own.service.clock()})
	if err == nil && !accepted.Repeat {
		// The client may be gone by now; the report is stored and wants scoring all the same.
		own.service.hand(context.WithoutCancel(ctx), own.service.singly(), errand{accepted.AssessmentID, firstAttempt}, senderWaits)
		own.service.board.tell(aboutAll(own.organisation)) // a report that it replaces is withdrawn
	}
	return accepted, err
}

// arrival is when and as what a report comes in.
type arrival struct {
	at time.Time
	// imported is when it is brought over from where it came in first; zero: here it comes in first.
	imported time.Time
	// replaces is the report that one which is imported stands for: what it names itself is known by another id here.
	replaces string
	// without gets the ids of photos that are not there: the report is taken all the same. nil: it is refused then.
	without *[]string
}

// take is the one door for reports that come by themselves: it validates one and stores it with a queued assessment,
// which is to be handed over.
func (own Account) take(ctx context.Context, o Order, set *ruleset.Set, gate int, in arrival) (Accepted, error) {
	r, checked, err := own.service.decode(o.Body, in.at)
	if err != nil {
		return Accepted{}, err
	}
	if in.imported.IsZero() {
		in.replaces = r.Replaces
	}
	sub := Submission{
		Organisation: own.organisation,
		ReportID:     own.service.newID(), AssessmentID: own.service.newID(),
		Vehicle: r.Vehicle.Reference, Description: r.Vehicle.Description, Reference: r.Reference, Inspected: checked.Inspected,
		Replaces: in.replaces, Photos: r.AllPhotos(),
		Body: o.Body, Gate: set.Gates[gate].ID, RuleSet: refOf(set), At: in.at, ImportedAt: in.imported,
		Most: MaxReports, IdempotencyKey: o.IdempotencyKey, PostedBy: ActorOf(ctx).Key, Step: o.Step,
	}
	if o.IdempotencyKey != "" {
		sub.Fingerprint = o.fingerprint()
	}
	receipt, err := own.store().Accept(ctx, sub)
	if errors.Is(err, ErrNothingToReplace) {
		return Accepted{}, &InvalidError{nothingToReplace}
	}
	var unknown *UnknownPhotosError
	if errors.As(err, &unknown) && in.without != nil {
		// What was said counts more than its picture.
		*in.without = unknown.IDs
		sub.Photos = slices.DeleteFunc(sub.Photos, func(p report.Photo) bool { return slices.Contains(unknown.IDs, p.ID) })
		receipt, err = own.store().Accept(ctx, sub)
	}
	if errors.As(err, &unknown) {
		return Accepted{}, &InvalidError{unknown.faults()}
	}
	if err != nil {
		return Accepted{}, fmt.Errorf("store report on %s: %w", sub.Vehicle, err)
	}
	own.service.log.InfoContext(ctx, "report accepted", "report", receipt.ReportID, "assessment", receipt.AssessmentID,
		"rule_set", set.Name+"/"+set.Version, "repeat", receipt.Repeat)
	if !receipt.Repeat {
		own.service.tell.ReportAccepted()
	}
	return Accepted{receipt, checked}, nil
}

func (o Order) fingerprint() string {
	if o.Sent != nil {
		return fingerprint(o.Gate, o.RuleSet, o.Sent)
	}
	return fingerprint(o.Gate, o.RuleSet, o.Body)
}

// fingerprint is a digest of what was sent, and not of what that stands for today: a repeat is one across
// a release whose rule sets, or whose question, are others.
func fingerprint(gate, ruleSet string, body []byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%s\x00%s\x00", gate, ruleSet)
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// Assessment returns a stored assessment.
func (own Account) Assessment(ctx context.Context, id string) (Assessment, error) {
	a, err := own.store().Assessment(ctx, own.organisation, id)
	if err != nil {
		return a, fmt.Errorf("load assessment %s: %w", id, err)
	}
	return a, nil
}

// Await returns an assessment as soon as it is finished, or as it is when ctx ends or the time
// given is over.
func (own Account) Await(ctx context.Context, id string, wait time.Duration) (Assessment, error) {
	return await(ctx, own.WatchAssessment(id), wait, func() (Assessment, State, error) {
		a, err := own.Assessment(ctx, id)
		return a, a.State, err
	})
}

// Report returns a stored report.
func (own Account) Report(ctx context.Context, id string) (Report, error) {
	r, err := own.store().Report(ctx, own.organisation, id)
	if err != nil {
		return r, fmt.Errorf("load report %s: %w", id, err)
	}
	return r, nil
}

// Reports lists a vehicle's reports; the organisation of the page is filled in.
func (own Account) Reports(ctx context.Context, p ReportPage) ([]Report, error) {
	p.Organisation = own.organisation
	list, err := own.store().Reports(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list reports on %s: %w", p.Vehicle, err)
	}
	return list, nil
}

// Withdraw takes a report out of its vehicle's dossier, and has the vehicle assessed again from what is
// left. The report stays and says why. Withdrawing it again changes nothing.
func (own Account) Withdraw(ctx context.Context, id, because string) (Withdrawn, error) {
	done, err := own.store().Withdraw(ctx, Withdrawal{
		Organisation: own.organisation, ReportID: id, AssessmentID: own.service.newID(), Because: because,
		At: own.service.clock(), Under: own.service.stillUsable,
	})
	if err != nil {
		return Withdrawn{}, fmt.Errorf("withdraw report %s: %w", id, err)
	}
	own.service.log.InfoContext(ctx, "report withdrawn", "report", id, "assessment", done.AssessmentID, "repeat", done.Repeat)
	if !done.Repeat {
		own.service.changed(aboutVehicle(own.organisation, done.Report.Vehicle), aboutAll(own.organisation))
	}
	if done.AssessmentID != "" {
		own.service.hand(context.WithoutCancel(ctx), own.service.singly(), errand{done.AssessmentID, firstAttempt}, senderWaits)
	}
	return done, nil
}

// stillUsable keeps the rule set and the gate that a report was assessed under. Of a built-in rule set that
// this program has only a newer version of, that version is taken.
func (s *Service) stillUsable(ref RuleSetRef, gate string) (RuleSetRef, string) {
	same := func(set *ruleset.Set) bool { return set.Digest == ref.Digest }
	namesake := func(set *ruleset.Set) bool { return set.Name == ref.Name }
	all := s.builtIn()
	if slices.ContainsFunc(all, same) {
		return ref, gate
	}
	at := slices.IndexFunc(all, namesake)
	if at < 0 {
		return ref, gate
	}
	if _, err := gateOf(all[at], gate); err != nil {
		gate = all[at].Gates[all[at].Asks].ID
	}
	return refOf(all[at]), gate
}

// Vehicle returns a vehicle.
func (own Account) Vehicle(ctx context.Context, reference string) (Vehicle, error) {
	v, err := own.store().Vehicle(ctx, own.organisation, reference)
	if err != nil {
		return v, fmt.Errorf("load vehicle %s: %w", reference, err)
	}
	return v, nil
}

// Vehicles lists vehicles; the organisation of the page is filled in. Its gate is one of [Account.Gates].
func (own Account) Vehicles(ctx context.Context, p VehiclePage) ([]Vehicle, error) {
	p.Organisation = own.organisation
	v, err := own.store().Vehicles(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list vehicles: %w", err)
	}
	return v, nil
}

// History lists a vehicle's assessments; the organisation of the page is filled in.
func (own Account) History(ctx context.Context, p HistoryPage) ([]Assessment, error) {
	p.Organisation = own.organisation
	h, err := own.store().History(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list assessments of %s: %w", p.Vehicle, err)
	}
	return h, nil
}

// Readiness is the answer to "what still blocks this gate?".
type Readiness struct {
	Vehicle           string          `json:"vehicle"`
	Gate              string          `json:"gate"`
	State             string          `json:"state"`
	ChanceThrough     score.Share     `json:"chance_through"`
	ChanceThroughLow  score.Share     `json:"chance_through_low,omitzero"` // 80 % range
	ChanceThroughHigh score.Share     `json:"chance_through_high,omitzero"`
	Blockers          []score.Blocker `json:"blockers"`
	Cautions          []string        `json:"cautions"`
	AsOf              string          `json:"as_of"`
	Assessment        string          `json:"assessment"`
	RuleSet           score.RuleSet   `json:"rule_set"`
	// NewerReportWaiting is set when a newer report is stored but not scored yet: the answer is not
	// current, and no gate is clear.
	NewerReportWaiting bool `json:"newer_report_waiting"`
}

// ErrNotAssessedYet means that a vehicle has no finished assessment yet.
var ErrNotAssessedYet = errors.New("no finished assessment yet")

// Readiness answers the one question before a gate from the newest finished assessment. The error
// is [ErrNotFound], a [*NoSuchGateError] or [ErrNotAssessedYet].
func (own Account) Readiness(ctx context.Context, reference, gate string) (Readiness, error) {
	v, err := own.Vehicle(ctx, reference)
	if err != nil {
		return Readiness{}, err
	}
	if v.Newest == nil {
		return Readiness{}, ErrNotAssessedYet
	}
	stored, err := own.Assessment(ctx, v.Newest.ID)
	if err != nil {
		return Readiness{}, err
	}
	var a score.Assessment
	if err := json.Unmarshal(stored.Outcome.Body, &a); err != nil {
		return Readiness{}, fmt.Errorf("read assessment %s: %w", stored.ID, err)
	}
	if gate == "" {
		gate = a.Verdict.Gate
	}
	at := slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == gate })
	if at < 0 {
		none := &NoSuchGateError{}
		for _, g := range a.Gates {
			none.Gates = append(none.Gates, g.Gate)
		}
		return Readiness{}, none
	}
	g := a.Gates[at]
	state, cautions := told(g.State, v.Waiting)
	return Readiness{
		Vehicle: v.Reference, Gate: g.Gate, State: state,
		ChanceThrough: g.ChanceThrough, ChanceThroughLow: g.ChanceThroughLow, ChanceThroughHigh: g.ChanceThroughHigh,
		Blockers: a.BlockersBy(g.Gate), Cautions: slices.Concat(cautions, g.Cautions, a.Cautions), AsOf: a.AsOf,
		Assessment: a.ID, RuleSet: a.RuleSet, NewerReportWaiting: v.Waiting,
	}, nil
}

// told is the state of a gate as it is told, and what to say of it: while a newer report waits to be assessed no gate is
// clear, as that may have found what stands in the way.
func told(state string, waiting bool) (is string, cautions []string) {
	if !waiting {
		return state, nil
	}
	if state == score.Clear {
		state = score.Unproven
	}
	return state, []string{"A newer report on this vehicle is not assessed yet: this answer is not current. Ask again before you rely on it."}
}

// Retry queues a failed assessment again. The error is [ErrNotFound] or [ErrNotFailed].
func (own Account) Retry(ctx context.Context, id string) error {
	attempt, err := own.store().Retry(ctx, own.organisation, id, own.service.clock())
	if err != nil {
		return fmt.Errorf("retry assessment %s: %w", id, err)
	}
	own.service.log.InfoContext(ctx, "failed assessment is tried again", "assessment", id, "attempt", max(attempt, firstAttempt)+1)
	own.service.hand(context.WithoutCancel(ctx), own.service.singly(), errand{id, max(attempt, firstAttempt) + 1}, senderWaits)
	return nil
}
