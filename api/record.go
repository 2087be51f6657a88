package api

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// reportView is what is known of a stored report, besides the report itself.
type reportView struct {
	ID           string         `json:"id"`
	Vehicle      string         `json:"vehicle"`
	Reference    string         `json:"reference"` // the sender's own name for it
	Inspected    string         `json:"inspected"`
	Inspector    string         `json:"inspector"`
	Purpose      string         `json:"purpose"`
	Observations int            `json:"observations"`
	Notes        []assess.Note  `json:"notes"`
	ReceivedAt   time.Time      `json:"received_at"`
	PostedBy     string         `json:"posted_by"` // the id of a key; empty: none was needed, or it is not known
	Withdrawn    *withdrawnView `json:"withdrawn"` // null: it stands
	Links        reportLinks    `json:"links"`
}

type withdrawnView struct {
	At         time.Time `json:"at"`
	Reason     string    `json:"reason,omitempty"`      // none: it was replaced
	ReplacedBy string    `json:"replaced_by,omitempty"` // the report that stands for it
}

type reportLinks struct {
	Report  string `json:"report"`
	Status  string `json:"status"`
	Vehicle string `json:"vehicle"`
}

func reportLink(id string) string { return "/v1/reports/" + id }

func reportOf(r assess.Report) (reportView, error) {
	said, err := r.Said()
	if err != nil {
		return reportView{}, fmt.Errorf("read report %s: %w", r.ID, err)
	}
	view := reportView{
		ID: r.ID, Vehicle: r.Vehicle, Reference: r.Reference, Inspected: r.Inspected, Inspector: said.Inspector, Purpose: said.Purpose,
		Observations: said.Observations, Notes: wire.NonNil(said.Notes), ReceivedAt: r.ReceivedAt, PostedBy: r.PostedBy,
		Links: reportLinks{reportLink(r.ID), reportLink(r.ID) + "/status", "/v1/vehicles/" + r.Vehicle},
	}
	if !r.WithdrawnAt.IsZero() {
		view.Withdrawn = &withdrawnView{r.WithdrawnAt, r.Because, r.ReplacedBy}
	}
	return view, nil
}

// reportNamed loads the report that the path names.
func reportNamed(r *wire.Request) (assess.Report, error) {
	id, err := r.Name("id")
	if err != nil {
		return assess.Report{}, err
	}
	return r.Account.Report(r.Context(), id)
}

// getReport answers a report as it was posted, byte for byte. What has become of it is in headers.
func (a *API) getReport(r *wire.Request) (wire.Reply, error) {
	stored, err := reportNamed(r)
	if err != nil {
		return wire.Reply{}, err
	}
	at := func(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z07:00") }
	header := map[string]string{
		"Report-Received": at(stored.ReceivedAt),
		"Link":            `<` + reportLink(stored.ID) + `/status>; rel="describedby", </v1/vehicles/` + stored.Vehicle + `>; rel="collection"`,
	}
	if !stored.WithdrawnAt.IsZero() {
		header["Report-Withdrawn"] = at(stored.WithdrawnAt)
	}
	if stored.ReplacedBy != "" {
		header["Report-Replaced-By"] = stored.ReplacedBy
	}
	// Headers are kept with the body: once they are others, so is the tag.
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%s", header["Report-Withdrawn"], header["Report-Replaced-By"], stored.Body))
	return wire.Reply{Header: header, Body: wire.Raw(stored.Body), ETag: base64.RawURLEncoding.EncodeToString(sum[:18])}, nil
}

func (a *API) getReportStatus(r *wire.Request) (wire.Reply, error) {
	stored, err := reportNamed(r)
	if err != nil {
		return wire.Reply{}, err
	}
	view, err := reportOf(stored)
	return wire.Reply{Body: view}, err
}

// reports is a page of the reports on a vehicle, the last that came first.
type reports struct {
	Vehicle string       `json:"vehicle"`
	Reports []reportView `json:"reports"`
	Next    string       `json:"next,omitempty"`
}

func (a *API) listReports(r *wire.Request) (wire.Reply, error) {
	reference, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header, err := wire.Listed(r, wire.ReportCursor, func(before wire.Cursor, limit int) ([]assess.Report, error) {
		return r.Account.Reports(r.Context(), assess.ReportPage{Vehicle: reference, BeforeID: before.Name, Limit: limit})
	}, func(s assess.Report) wire.Cursor { return wire.Cursor{At: s.ReceivedAt, Name: s.ID} })
	if err != nil {
		return wire.Reply{}, err
	}
	body := reports{reference, make([]reportView, len(page)), next}
	for i, stored := range page {
		if body.Reports[i], err = reportOf(stored); err != nil {
			return wire.Reply{}, err
		}
		body.Vehicle = stored.Vehicle
	}
	return wire.Reply{Header: header, Body: body}, nil
}

// withdrawal is a report that is withdrawn, with the assessment that is made without it.
type withdrawal struct {
	reportView
	Assessment string `json:"assessment,omitempty"` // none: no report is left, or it was withdrawn before
}

// maxReason is how long the reason of a withdrawal may be, in bytes.
const maxReason = 2000

func (a *API) withdrawReport(r *wire.Request) (wire.Reply, error) {
	// Whether there is such a report comes first: nobody is told how to withdraw what is not there.
	stored, err := reportNamed(r)
	if err != nil {
		return wire.Reply{}, err
	}
	reason, err := a.reason(r, "the report")
	if err != nil {
		return wire.Reply{}, err
	}
	done, err := r.Account.Withdraw(r.Context(), stored.ID, reason)
	if err != nil {
		return wire.Reply{}, err
	}
	view, err := reportOf(done.Report)
	return wire.Reply{Body: withdrawal{view, done.AssessmentID}}, err
}
