package assess

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"laidup/internal/logging"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// ImportOrder is an export that is to be taken in.
type ImportOrder struct {
	MaxLine int // the greatest length of a line in bytes; required
	// Pause is asked before each line is read; an error ends the import there. nil: never.
	Pause func() error
}

// Imported is what has come of an import.
type Imported struct {
	Organisation string // whose export it is
	Lines        int    // that were read
	RuleSets     int    // published
	Attachments  int    // stored
	Reports      int    // stored, each with its assessment
	Withdrawals  int
	Outcomes     int
	AlreadyThere int       // rule sets, attachments, reports, withdrawals and outcomes
	LeftOut      int       // webhooks, whose secrets are not in it, and the retention
	Refused      int       // lines that were not taken, and reports that were taken without one of their photos
	Refusals     []Refusal // the first of them
}

// Refusal is a line of an import that was not taken. Problem is in the form of RFC 9457.
type Refusal struct {
	Line    int
	Problem []byte
}

// maxOfVehicle is how many reports on one vehicle an import keeps in mind, those that were withdrawn among them.
const maxOfVehicle = 50_000

// maxRefusals is how many refused lines an import lists.
const maxRefusals = 1000

// ErrNoExport means that what is to be imported does not begin as an export does. Nothing was taken.
var ErrNoExport = errors.New("not an export")

// ErrExportCut means that an export has not all of its lines, or not as they were written.
var ErrExportCut = errors.New("the export is not whole")

// PartialImportError means that an import did not come to its end: what it has says what was taken.
type PartialImportError struct {
	Imported
	Err error
}

// Error says how far it came.
func (e *PartialImportError) Error() string {
	return fmt.Sprintf("import ended behind line %d: %v", e.Lines, e.Err)
}

// Unwrap returns the cause.
func (e *PartialImportError) Unwrap() error { return e.Err }

// imports is an import in the course of being taken in.
type imports struct {
	own   Account
	order ImportOrder
	lines *bufio.Reader
	done  Imported
	chain chain
	ended bool
	deaf  time.Time

	// The vehicle whose lines come, and what its reports are called here by what they are called in the export; empty: it
	// was refused. The lines of a vehicle stand together, so that no more need be known at once.
	vehicle   string
	known     map[string]string
	newPhotos bool // some have come that were not here before: reports that were are linked to them

	outcomes map[string]string // what its outcomes are called here

	photo *comingPhoto // nil: none is under way
}

// Import takes in what [Export] wrote, of whichever organisation, line by line as it is read. Reports go through the same
// checks as posted ones and are assessed, at the gate and under the rule set that they had; they keep the time at which
// they came in first, since assessments depend on that day. They get ids of their own here, by which the withdrawals and
// replacements among them go. Who imports the same again changes nothing: so does an import that was cut off go on. A line
// that cannot be taken is refused by itself. What follows from webhooks and retention others have, and they are left out:
// nobody shall be sent anything, and nothing be erased, for an import.
//
// The error is [ErrNoExport], or a [*PartialImportError] around what ended it: [ErrExportCut], or an error of the reader,
// the order or the store.
func (own Account) Import(ctx context.Context, o ImportOrder, lines io.Reader) (Imported, error) {
	im := &imports{own: own, order: o, lines: bufio.NewReaderSize(lines, 64<<10)}
	if err := im.head(ctx); err != nil {
		return im.done, err
	}
	err := im.all(ctx)
	if err == nil && !im.ended {
		err = ErrExportCut
	}
	d := im.done
	own.service.log.InfoContext(ctx, "import ended", "lines", d.Lines, "reports", d.Reports, "withdrawals", d.Withdrawals, "already_there", d.AlreadyThere, "refused", d.Refused, "error", err)
	if err != nil {
		return d, &PartialImportError{d, err}
	}
	return d, nil
}

// next reads a line. The error is io.EOF behind the last.
func (im *imports) next() (line []byte, long bool, err error) {
	if im.order.Pause != nil {
		if err := im.order.Pause(); err != nil {
			return nil, false, err
		}
	}
	line, _, long, err = readLine(im.lines, im.order.MaxLine, nil)
	if err == nil {
		im.done.Lines++
	}
	return line, long, err
}

func (im *imports) head(ctx context.Context) error {
	text, long, err := im.next()
	if err != nil && !errors.Is(err, io.EOF) {
		return &PartialImportError{im.done, err}
	}
	l, fault := decodeExportLine(text)
	if long || fault != nil || l.Kind != lineHead || l.Format != ExportFormat || !isID(l.Organisation) {
		return ErrNoExport
	}
	im.chain.add(text)
	im.done.Organisation = l.Organisation
	detail := map[string]any{"organisation": l.Organisation, "exported_at": l.At}
	if err := im.own.store().Note(ctx, im.own.organisation, DataImported, detail); err != nil {
		return fmt.Errorf("note import: %w", err)
	}
	return nil
}

func (im *imports) all(ctx context.Context) error {
	for {
		text, long, err := im.next()
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case len(bytes.TrimSpace(text)) == 0 && im.ended:
			continue
		case im.ended:
			return ErrExportCut // something was put behind its end
		case long:
			// What is beyond was not kept: the digest cannot be had any more, and whatever it is, it is no export.
			im.refuse(LineTooLongProblem(im.order.MaxLine))
			return ErrExportCut
		}
		l, fault := decodeExportLine(text)
		if im.photo != nil && fault == nil && !im.photo.goesOn(l) {
			im.cutPhoto()
		}
		if fault == nil && l.Kind == lineEnd {
			if l.Lines != im.chain.lines || l.SHA256 != im.chain.text() {
				return ErrExportCut
			}
			im.ended = true
			continue
		}
		im.chain.add(text)
		if fault != nil {
			im.refuse(importProblem("the line cannot be read: %s", fault))
			continue
		}
		if err := im.line(ctx, l); err != nil {
			return err
		}
	}
}

// decodeExportLine reads a line of an export.
func decodeExportLine(text []byte) (l exportLine, err error) {
	err = json.Unmarshal(text, &l, json.RejectUnknownMembers(true), jsontext.AllowDuplicateNames(false))
	return l, err
}

// line takes a line. One that panics is refused by itself. The error is one that ends the import.
func (im *imports) line(ctx context.Context, l exportLine) error {
	err := logging.Guard(ctx, im.own.service.log, func() error {
		switch l.Kind {
		case lineRuleSet:
			return im.ruleSet(ctx, l)
		case lineAttachment:
			return im.attachment(ctx, l)
		case lineReport:
			return im.report(ctx, l)
		case lineWithdrawal:
			return im.withdrawal(ctx, l)
		case lineOutcome:
			return im.outcome(ctx, l)
		case lineSubscription, lineRetention:
			im.done.LeftOut++
		default:
			im.refuse(importProblem("there are no lines of kind %q: it comes from a later version of the program", l.Kind))
		}
		return nil
	})
	if panicked(err) {
		im.refuse(lineProblem{"/problems/internal-error", "Something went wrong here", "this is our fault, not that of the line: tell us the time", nil}.encode())
		return nil
	}
	return err
}

func (im *imports) refuse(problem []byte) {
	if im.done.Refused++; len(im.done.Refusals) < maxRefusals {
		im.done.Refusals = append(im.done.Refusals, Refusal{im.done.Lines, problem})
	}
}

// importProblem is why a line is refused that an export would not have.
func importProblem(format string, args ...any) []byte {
	return lineProblem{"/problems/bad-import", "Invalid line", fmt.Sprintf(format, args...), nil}.encode()
}

// isID says whether something can be the id, or the name of an organisation, in an export.
func isID(s string) bool {
	other := func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("._~-", c))
	}
	return s != "" && len(s) <= 100 && strings.IndexFunc(s, other) < 0
}

func (im *imports) ruleSet(ctx context.Context, l exportLine) error {
	own := im.own
	if ref, err := own.find(ctx, l.Name, l.Version); err == nil && ref.Digest == l.Digest {
		im.done.AlreadyThere++
		return nil
	} else if err != nil && !errors.Is(err, ErrNoSuchRuleSet) {
		return err
	}
	var again bool
	err := own.service.patiently(ctx, "rule set", func() (err error) {
		_, again, err = own.Publish(ctx, l.Document)
		return err
	})
	var faulty *FaultyRuleSetError
	switch {
	case errors.As(err, &faulty):
		im.refuse(importProblem("rule set %s %s cannot be published here: %s: %s", l.Name, l.Version, faulty.Faults[0].Pointer, faulty.Faults[0].Detail))
	case errors.Is(err, ErrVersionPublished):
		im.refuse(importProblem("rule set %s %s is published here already, with another content", l.Name, l.Version))
	case err != nil:
		return err
	case again:
		im.done.AlreadyThere++
	default:
		im.done.RuleSets++
	}
	return nil
}

// key makes a repeat harmless. Nobody can send one like it: a key that is sent has no spaces in it.
func (im *imports) key(id string) string { return "import " + im.done.Organisation + " " + id }

func (im *imports) report(ctx context.Context, l exportLine) error {
	own, now := im.own, im.own.service.clock()
	if im.vehicle != l.Vehicle {
		im.vehicle, im.known, im.outcomes = l.Vehicle, map[string]string{}, map[string]string{}
	}
	switch {
	case len(im.known) > maxOfVehicle:
		im.refuse(importProblem("more than %d reports on one vehicle cannot be imported", maxOfVehicle))
		return nil
	case !isID(l.ID) || l.Body == nil || l.ReceivedAt.IsZero():
		im.refuse(importProblem("a report has an id, received_at and a body"))
		return nil
	case dayOf(l.ReceivedAt) > dayOf(now)+report.DaysAhead:
		im.known[l.ID] = "" // as long as it is not taken
		im.refuse(importProblem("received_at %s is in the future (it is %s here): set the clock right that is wrong", l.ReceivedAt.Format(time.RFC3339), now.UTC().Format(time.RFC3339)))
		return nil
	}
	im.known[l.ID] = ""
	o := Order{Body: []byte(*l.Body), IdempotencyKey: im.key(l.ID)}
	if here, err := im.there(ctx, l.ID, o); err != nil || here != "" {
		if here != "" {
			im.known[l.ID] = here
			im.done.AlreadyThere++
			return im.linkPhotos(ctx, here, o.Body)
		}
		if errors.Is(err, ErrKeyReused) {
			im.refuse(importProblem("report %s was imported before with another body", l.ID))
			err = nil
		}
		return err
	}
	var without []string
	in := arrival{at: l.ReceivedAt, imported: now, without: &without}
	if l.Replaces != "" {
		var named bool
		if in.replaces, named = im.known[l.Replaces]; !named {
			im.refuse(InvalidLineProblem([]report.Fault{{Pointer: "/replaces", Code: report.WrongValue, Detail: "no report on this vehicle that came before has the id " + l.Replaces}}))
			return nil
		}
		// One that was refused is not there to be replaced: the other stands by itself.
	}
	set, gate, err := im.under(ctx, l)
	if err == nil {
		var accepted Accepted
		err = own.service.patiently(ctx, "report", func() (err error) {
			accepted, err = own.take(ctx, o, set, gate, in)
			return err
		})
		if err == nil {
			im.known[l.ID] = accepted.ReportID
			if accepted.Repeat { // somebody else imports the same
				im.done.AlreadyThere++
				return nil
			}
			im.done.Reports++
			for _, id := range without {
				im.refuse(importProblem("report %s is taken without photo %s, which is not there: get an export that has it whole, and import that as well", l.ID, id))
			}
			own.service.handOne(ctx, own.service.singly(), accepted.AssessmentID, &im.deaf)
			return nil
		}
	}
	var invalid *InvalidError
	switch {
	case errors.As(err, &invalid):
		im.refuse(InvalidLineProblem(invalid.Faults))
	case errors.Is(err, ErrDossierFull):
		im.refuse(DossierFullProblem())
	case errors.Is(err, ErrNoSuchRuleSet):
		im.refuse(importProblem("rule set %s is not there: publish it, and import again", l.ruleSetText()))
	default:
		return err
	}
	return nil
}

// there returns the id under which a report is here already: it was imported before, or the export is of this very
// organisation. Empty: it is not.
func (im *imports) there(ctx context.Context, id string, o Order) (string, error) {
	receipt, err := im.own.store().Repeat(ctx, im.own.organisation, o.IdempotencyKey, o.fingerprint())
	if !errors.Is(err, ErrNotFound) {
		return receipt.ReportID, err
	}
	r, err := im.own.store().Report(ctx, im.own.organisation, id)
	switch {
	case errors.Is(err, ErrNotFound):
		return "", nil
	case err != nil:
		return "", err
	case !bytes.Equal(r.Body, o.Body):
		return "", ErrKeyReused
	}
	return r.ID, nil
}

func (l exportLine) ruleSetText() string {
	if l.RuleSet == nil {
		return "(none)"
	}
	return fmt.Sprintf("%s %s (%s)", l.RuleSet.Name, l.RuleSet.Version, l.RuleSet.Digest)
}

// under finds the rule set and the gate that something was assessed under and at. Of a built-in rule set that is not there
// in that version the one of this program is taken. A rule set of another organisation is unknown here, even to who knows
// its digest.
func (im *imports) under(ctx context.Context, l exportLine) (set *ruleset.Set, gate int, err error) {
	if l.RuleSet == nil {
		return nil, 0, ErrNoSuchRuleSet
	}
	own, ref := im.own, RuleSetRef(*l.RuleSet)
	builtIn := func(name string) bool {
		return slices.ContainsFunc(own.service.builtIn(), func(s *ruleset.Set) bool { return s.Name == name })
	}
	if !builtIn(ref.Name) {
		known, err := own.find(ctx, ref.Name, ref.Version)
		if err == nil && known.Digest != ref.Digest {
			err = ErrNoSuchRuleSet
		}
		if err != nil {
			return nil, 0, err
		}
	}
	scorer, err := own.service.shelf.version(ctx, own.organisation, ref)
	if err == nil && builtIn(ref.Name) && !builtIn(scorer.RuleSet().Name) || errors.As(err, new(*UnscorableError)) {
		now, asked := own.service.stillUsable(ref, l.Gate)
		l.Gate = asked
		scorer, err = own.service.shelf.version(ctx, own.organisation, now)
	}
	if err != nil {
		return nil, 0, err
	}
	set = scorer.RuleSet()
	gate, err = gateOf(set, l.Gate)
	if errors.As(err, new(*NoSuchGateError)) {
		return set, set.Asks, nil
	}
	return set, gate, err
}

func (im *imports) withdrawal(ctx context.Context, l exportLine) error {
	own, now := im.own, im.own.service.clock()
	id, named := im.known[l.Report]
	switch {
	case !named:
		im.refuse(importProblem("no report on this vehicle that came before has the id %s", l.Report))
		return nil
	case id == "":
		im.refuse(importProblem("report %s, which is to be withdrawn, was refused", l.Report))
		return nil
	case strings.TrimSpace(l.Reason) == "" || len(l.Reason) > maxReason || strings.ContainsRune(l.Reason, 0) || l.At.IsZero() || dayOf(l.At) > dayOf(now)+report.DaysAhead:
		im.refuse(importProblem("a withdrawal has a reason of 1 to %d bytes without NUL, and a time that has come", maxReason))
		return nil
	}
	w := Withdrawal{
		Organisation: own.organisation, ReportID: id, AssessmentID: own.service.newID(), Because: l.Reason,
		At: l.At, ImportedAt: now, Under: own.service.stillUsable,
	}
	if l.RuleSet != nil {
		set, gate, err := im.under(ctx, l)
		switch {
		case err == nil:
			w.Under = func(RuleSetRef, string) (RuleSetRef, string) { return refOf(set), set.Gates[gate].ID }
		case !errors.Is(err, ErrNoSuchRuleSet):
			return err
		}
	}
	var done Withdrawn
	err := own.service.patiently(ctx, "withdrawal", func() (err error) {
		done, err = own.store().Withdraw(ctx, w)
		return err
	})
	switch {
	case err != nil:
		return fmt.Errorf("withdraw report %s: %w", id, err)
	case done.Repeat:
		im.done.AlreadyThere++
		return nil
	}
	im.done.Withdrawals++
	if done.AssessmentID != "" {
		own.service.handOne(ctx, own.service.singly(), done.AssessmentID, &im.deaf)
	}
	return nil
}

// outcome takes an outcome: it judges what was assessed here of the reports that came before it.
func (im *imports) outcome(ctx context.Context, l exportLine) error {
	own, now := im.own, im.own.service.clock()
	switch {
	case im.vehicle != l.Vehicle || im.outcomes == nil:
		im.refuse(importProblem("no report on the vehicle of this outcome came before it"))
		return nil
	case !isID(l.ID) || l.Body == nil || l.ReceivedAt.IsZero() || dayOf(l.ReceivedAt) > dayOf(now)+report.DaysAhead:
		im.refuse(importProblem("an outcome has an id, a received_at that has come, and a body"))
		return nil
	}
	if here, err := own.Outcome(ctx, l.ID); err == nil && string(here.Body) == *l.Body {
		im.outcomes[l.ID] = here.ID
		im.done.AlreadyThere++
		return nil
	} else if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	o := OutcomeOrder{Body: im.renamed([]byte(*l.Body)), IdempotencyKey: im.key(l.ID), received: l.ReceivedAt}
	var r RecordedOutcome
	var repeat bool
	err := own.service.patiently(ctx, "outcome", func() (err error) {
		r, repeat, err = own.RecordOutcome(ctx, l.Vehicle, o)
		return err
	})
	var bad *BadOutcomeError
	switch {
	case errors.As(err, &bad):
		im.refuse(InvalidLineProblem(bad.Faults))
		return nil
	case errors.Is(err, ErrNothingToReplace), errors.Is(err, ErrKeyReused), errors.Is(err, ErrNotFound):
		im.refuse(importProblem("outcome %s cannot be taken: %s", l.ID, err))
		return nil
	case err != nil:
		return err
	}
	im.outcomes[l.ID] = r.ID
	if repeat {
		im.done.AlreadyThere++
	} else {
		im.done.Outcomes++
	}
	if l.Reason == "" || l.At.IsZero() {
		return nil
	}
	return own.service.patiently(ctx, "withdrawal of an outcome", func() error {
		_, _, err := own.service.outcomes.WithdrawOutcome(ctx, OutcomeWithdrawal{own.organisation, r.ID, l.Reason[:min(len(l.Reason), maxReason)], l.At})
		return err
	})
}

// renamed is an outcome that names the one which it replaces as it is called here, and no assessment: what was assessed
// here is found by the time.
func (im *imports) renamed(body []byte) []byte {
	var form map[string]jsontext.Value
	if json.Unmarshal(body, &form) != nil {
		return body // it is refused for that
	}
	var replaces string
	old := form["replaces"] != nil && json.Unmarshal(form["replaces"], &replaces) == nil
	if !old && form["assessment"] == nil {
		return body
	}
	delete(form, "assessment")
	delete(form, "replaces")
	if here := im.outcomes[replaces]; here != "" {
		form["replaces"], _ = jsontext.AppendQuote(nil, here)
	}
	text, err := json.Marshal(form, json.Deterministic(true))
	if err != nil {
		return body
	}
	return text
}

// maxReason is how long the reason of a withdrawal may be, in bytes.
const maxReason = 2000
