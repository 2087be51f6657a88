package assess

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// ExportFormat names the form of an export, and its version.
const ExportFormat = "urn:laidup:export:1"

// Holdings counts what an organisation has.
type Holdings struct {
	Vehicles    int `json:"vehicles"`
	Reports     int `json:"reports"`
	Withdrawals int `json:"withdrawals"`
}

// Entry is what came in on a vehicle under one ordinal: a report, or the withdrawal of one.
type Entry struct {
	Ordinal    int
	Report     string // the id
	Withdrawal bool   // of the report
	At         time.Time
	Because    string // of a withdrawal
	PostedBy   string // of a report: the id of the API key; empty: none was needed, or it is not known
	Replaces   string // of a report: the id of the one that it stands for; empty: none
	// Gate and RuleSet are those of the assessment that was made of it; a withdrawal after which nothing was left has none.
	Gate    string
	RuleSet RuleSetRef
}

// The kinds of lines, in the order in which they come.
const (
	lineHead         = "export"
	lineRuleSet      = "rule_set"
	lineAttachment   = "attachment"
	lineReport       = "report"
	lineWithdrawal   = "withdrawal"
	lineOutcome      = "outcome"
	lineSubscription = "subscription"
	lineRetention    = "retention"
	lineEnd          = "end"
)

// exportLine is a line of an export, in JSON. Which members it has depends on its kind.
type exportLine struct {
	Kind string `json:"kind"`

	Format       string    `json:"format,omitzero"`       // of the head
	Organisation string    `json:"organisation,omitzero"` // of the head
	Counts       *Holdings `json:"counts,omitzero"`       // of the head: as they were when the export began

	Name        string         `json:"name,omitzero"`    // of a rule set, as are the next three
	Version     string         `json:"version,omitzero"` //
	Digest      string         `json:"digest,omitzero"`
	PublishedAt time.Time      `json:"published_at,omitzero"`
	Document    jsontext.Value `json:"document,omitzero"` // in canonical form

	Pieces  int    `json:"pieces,omitzero"`  // of an attachment, as are the next two: of how many lines this is one; none: its file is missing
	Piece   int    `json:"piece,omitzero"`   // which of them, from 1
	Content []byte `json:"content,omitzero"` // in base64

	ID         string     `json:"id,omitzero"`      // of an attachment, a report, an outcome or a subscription
	Vehicle    string     `json:"vehicle,omitzero"` // of a report or an outcome, as are the next two
	ReceivedAt time.Time  `json:"received_at,omitzero"`
	PostedBy   string     `json:"posted_by,omitzero"`
	Replaces   string     `json:"replaces,omitzero"`
	Gate       string     `json:"gate,omitzero"`     // that a report, or the vehicle after a withdrawal, was assessed at
	RuleSet    *ruleSetID `json:"rule_set,omitzero"` // and under which rule set
	Body       *string    `json:"body,omitzero"`     // of a report or an outcome, as it was posted

	Report string    `json:"report,omitzero"` // that was withdrawn
	At     time.Time `json:"at,omitzero"`     // of the head, of a withdrawal, and of an outcome that was withdrawn
	Reason string    `json:"reason,omitzero"` // why that was; none of an outcome that another one replaces

	URL       string    `json:"url,omitzero"` // of a subscription, as are the next two
	Types     []string  `json:"types,omitzero"`
	CreatedAt time.Time `json:"created_at,omitzero"`

	Days int `json:"days,omitzero"` // of the retention; none: vehicles are kept

	Lines  int    `json:"lines,omitzero"` // of the end: how many came before it
	SHA256 string `json:"sha256,omitzero"`
}

type ruleSetID struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Digest  string `json:"digest"`
}

func idOf(ref RuleSetRef) *ruleSetID {
	if ref == (RuleSetRef{}) {
		return nil
	}
	id := ruleSetID(ref)
	return &id
}

// chain is the digest of lines: of each line behind the digest of all before it. So a stream that was cut, or lines
// that were left out or changed places, are noticed.
type chain struct {
	lines int
	sum   []byte // none before the first
}

func (c *chain) add(line []byte) {
	h := sha256.New()
	h.Write(c.sum)
	h.Write(line)
	c.lines, c.sum = c.lines+1, h.Sum(nil)
}

func (c *chain) text() string { return hex.EncodeToString(c.sum) }

// ExportedSubscription is a subscription without its secret.
type ExportedSubscription struct {
	ID, URL   string
	Types     []string // none: all
	CreatedAt time.Time
}

// Export is all that an organisation has put into the service, about to be written out.
type Export struct {
	own           Account
	at            time.Time
	holdings      Holdings
	ruleSets      []Publication
	subscriptions []ExportedSubscription
	days          int
	missing       int
}

// MissingPhotos is how many photos that reports link are not in the export, since they could not be found. It is known
// once the export is written.
func (x *Export) MissingPhotos() int { return x.missing }

// Export begins an export, and writes into the audit trail that it was asked for.
func (own Account) Export(ctx context.Context, subscriptions []ExportedSubscription) (*Export, error) {
	x := &Export{own: own, at: own.service.clock(), subscriptions: subscriptions}
	var err error
	if x.holdings, err = own.store().Holdings(ctx, own.organisation); err != nil {
		return nil, fmt.Errorf("count what is exported: %w", err)
	}
	if x.ruleSets, err = own.store().Published(ctx, own.organisation); err != nil {
		return nil, fmt.Errorf("list rule sets: %w", err)
	}
	if x.days, err = own.Retention(ctx); err != nil {
		return nil, err
	}
	detail := map[string]any{"vehicles": x.holdings.Vehicles, "reports": x.holdings.Reports}
	if err := own.store().Note(ctx, own.organisation, DataExported, detail); err != nil {
		return nil, fmt.Errorf("note export: %w", err)
	}
	own.service.log.InfoContext(ctx, "export begun", "vehicles", x.holdings.Vehicles, "reports", x.holdings.Reports)
	return x, nil
}

// pieceOfPhoto is how many bytes of a photo stand in a line.
const pieceOfPhoto = 256 << 10

// exportedAtOnce is how many vehicles are asked for at once.
const exportedAtOnce = 100

// Write writes it out, one record a line, vehicle by vehicle: of each what came in up to the moment when its turn comes,
// in that order, each photo before the first report of the vehicle that links it. No more than a report or a piece of a
// photo, and the list of what came in on one vehicle, is in memory, and nothing is held open in the store.
func (x *Export) Write(ctx context.Context, to io.Writer) error {
	w := &exportWriter{to: bufio.NewWriterSize(to, 64<<10)}
	w.write(exportLine{Kind: lineHead, Format: ExportFormat, Organisation: x.own.organisation, At: inUTC(x.at), Counts: &x.holdings})
	for _, p := range x.ruleSets {
		document, err := x.own.store().RuleSet(ctx, p.Digest)
		if err != nil {
			return fmt.Errorf("load rule set %s %s: %w", p.Name, p.Version, err)
		}
		w.write(exportLine{Kind: lineRuleSet, Name: p.Name, Version: p.Version, Digest: p.Digest, PublishedAt: inUTC(p.PublishedAt), Document: document})
	}
	page := VehiclePage{Organisation: x.own.organisation, By: ByReference, Limit: exportedAtOnce}
	for more := true; more && w.err == nil; {
		vehicles, err := x.own.store().Vehicles(ctx, page)
		if err != nil {
			return fmt.Errorf("list vehicles: %w", err)
		}
		for _, v := range vehicles {
			page.AfterReference = v.Reference
			// One that was erased meanwhile is left where it was.
			if err := x.vehicle(ctx, w, v.Reference); err != nil && !errors.Is(err, ErrNotFound) {
				return fmt.Errorf("export vehicle: %w", err)
			}
		}
		more = len(vehicles) == exportedAtOnce
	}
	for _, s := range x.subscriptions {
		w.write(exportLine{Kind: lineSubscription, ID: s.ID, URL: s.URL, Types: s.Types, CreatedAt: inUTC(s.CreatedAt)})
	}
	w.write(exportLine{Kind: lineRetention, Days: x.days})
	w.write(exportLine{Kind: lineEnd, Lines: w.lines, SHA256: w.text()})
	if err := errors.Join(w.err, w.to.Flush()); err != nil {
		return fmt.Errorf("write export: %w", err)
	}
	x.own.service.log.InfoContext(ctx, "export written", "lines", w.lines)
	return nil
}

// vehicle writes what came in on a vehicle.
func (x *Export) vehicle(ctx context.Context, w *exportWriter, reference string) error {
	entries, err := x.own.store().Entries(ctx, x.own.organisation, reference)
	if err != nil {
		return err
	}
	written := map[string]bool{} // photos
	for _, e := range entries {
		if w.err != nil {
			return w.err
		}
		if e.Withdrawal {
			w.write(exportLine{Kind: lineWithdrawal, Report: e.Report, At: inUTC(e.At), Reason: e.Because, Gate: e.Gate, RuleSet: idOf(e.RuleSet)})
			continue
		}
		r, err := x.own.store().Report(ctx, x.own.organisation, e.Report)
		if err != nil {
			return err
		}
		if err := x.photos(ctx, w, r, written); err != nil {
			return err
		}
		body := string(r.Body)
		w.write(exportLine{
			Kind: lineReport, ID: e.Report, Vehicle: reference, ReceivedAt: inUTC(e.At), PostedBy: e.PostedBy, Replaces: e.Replaces,
			Gate: e.Gate, RuleSet: idOf(e.RuleSet), Body: &body,
		})
	}
	return x.outcomes(ctx, w, reference)
}

// outcomes writes the outcomes of a vehicle, oldest first.
func (x *Export) outcomes(ctx context.Context, w *exportWriter, reference string) error {
	var all []RecordedOutcome
	page := OutcomePage{Vehicle: reference, Limit: exportedAtOnce}
	for more := true; more; {
		list, err := x.own.Outcomes(ctx, page)
		if err != nil {
			return err
		}
		all = append(all, list...)
		if more = len(list) == exportedAtOnce; more {
			last := list[len(list)-1]
			page.BeforeReceived, page.BeforeID = last.ReceivedAt, last.ID
		}
	}
	for _, r := range slices.Backward(all) {
		body := string(r.Body)
		l := exportLine{Kind: lineOutcome, ID: r.ID, Vehicle: reference, ReceivedAt: inUTC(r.ReceivedAt), PostedBy: r.PostedBy, Body: &body}
		if !r.WithdrawnAt.IsZero() {
			l.At, l.Reason = inUTC(r.WithdrawnAt), r.Because
		}
		w.write(l)
	}
	return nil
}

// photos writes those that a report links and that are not written yet.
func (x *Export) photos(ctx context.Context, w *exportWriter, r Report, written map[string]bool) error {
	said, err := r.Said()
	if err != nil {
		return fmt.Errorf("read report %s: %w", r.ID, err)
	}
	for _, shown := range said.Photos {
		if written[shown.ID] {
			continue
		}
		written[shown.ID] = true
		switch err := x.photo(ctx, w, shown.ID); {
		case errors.Is(err, ErrNotFound), errors.Is(err, ErrNoAttachments):
			x.missing++
			w.write(exportLine{Kind: lineAttachment, ID: shown.ID})
		case err != nil:
			return err
		}
	}
	return nil
}

// photo writes what is in an attachment, piece by piece.
func (x *Export) photo(ctx context.Context, w *exportWriter, id string) (err error) {
	a, err := x.own.Attachment(ctx, id)
	if err != nil {
		return err
	}
	file, err := x.own.OpenPhoto(ctx, a, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	l := exportLine{Kind: lineAttachment, ID: id, Pieces: int((a.Size + pieceOfPhoto - 1) / pieceOfPhoto)}
	piece := make([]byte, min(a.Size, pieceOfPhoto))
	for l.Piece = 1; l.Piece <= l.Pieces && w.err == nil; l.Piece++ {
		n, err := io.ReadFull(file, piece)
		// A file that ends too early is not what it was: whoever imports it is told.
		if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return fmt.Errorf("read attachment %s: %w", id, err)
		}
		l.Content = piece[:n]
		w.write(l)
	}
	return nil
}

// inUTC is a time as stores keep it: to the millisecond.
func inUTC(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }

// exportWriter writes lines, and keeps the first error.
type exportWriter struct {
	chain
	to  *bufio.Writer
	err error
}

func (w *exportWriter) write(l exportLine) {
	if w.err != nil {
		return
	}
	line, err := json.Marshal(l)
	if err != nil {
		w.err = err
		return
	}
	w.add(line)
	_, err = w.to.Write(line)
	w.err = errors.Join(err, w.to.WriteByte('\n'))
}
