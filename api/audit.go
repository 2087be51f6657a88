package api

import (
	"encoding/json"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
)

// deedView is an entry of the audit trail.
type deedView struct {
	ID      string          `json:"id"`
	At      time.Time       `json:"at"`
	By      actorView       `json:"by"`
	Action  string          `json:"action"`
	Subject string          `json:"subject,omitempty"` // none: it has no name that may be kept
	Detail  json.RawMessage `json:"detail"`
}

type actorView struct {
	Through assess.Means `json:"through"`
	Key     string       `json:"key,omitempty"` // none: none was needed
}

func (a *API) listAudit(r *wire.Request) (wire.Reply, error) {
	page, next, header, err := wire.Listed(r, wire.AuditCursor, func(before wire.Cursor, limit int) ([]assess.AuditEntry, error) {
		return r.Account.Audit(r.Context(), assess.AuditPage{BeforeID: before.Name, Limit: limit})
	}, func(e assess.AuditEntry) wire.Cursor { return wire.Cursor{At: e.At, Name: e.ID} })
	if err != nil {
		return wire.Reply{}, err
	}
	body := struct {
		Entries []deedView `json:"entries"`
		Next    string     `json:"next,omitempty"`
	}{make([]deedView, len(page)), next}
	for i, e := range page {
		body.Entries[i] = deedView{e.ID, e.At, actorView{e.By.Through, e.By.Key}, e.Action, e.Subject, e.Detail}
	}
	return wire.Reply{Header: header, Body: body}, nil
}
