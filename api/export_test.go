package api

import (
	"time"

	"laidup/internal/score"
)

// What tests hold against its edges directly.
var (
	Negotiate      = negotiate
	PreferredWait  = preferredWait
	IdempotencyKey = idempotencyKey
	Harmless       = harmless
	Matches        = matches
)

// DecodeCursor reads a cursor of the list of vehicles and writes it again.
func DecodeCursor(s string) (at time.Time, name, again string, ok bool) {
	c, ok := decodeCursor(s, vehicleCursor)
	if !ok {
		return at, "", "", false
	}
	return c.at, c.name, c.encode(vehicleCursor), true
}

// EncodeCursor writes a cursor of the list of vehicles.
func EncodeCursor(at time.Time, name string) string { return cursor{at, name}.encode(vehicleCursor) }

// RegisterTable writes a register as CSV.
func RegisterTable(entries []score.Entry) []byte { return table(registerColumns, entries) }

// ProblemRow is a row of the table of problems.
type ProblemRow struct {
	Name, Title, Detail string
	Status, Retry       int
}

// ProblemRows lists the table of problems.
func ProblemRows() []ProblemRow {
	var all []ProblemRow
	for _, r := range rows {
		all = append(all, ProblemRow{r.name, r.title, r.detail, r.status, r.retry})
	}
	return all
}

// ProblemName says which row an error gets.
func ProblemName(err error) string { return problemOf(err).kind.row().name }

// Deprecate makes a row of the table of deprecations up; the function takes it out again.
func Deprecate(route string, d Deprecation) func() {
	deprecations[route] = d
	return func() { delete(deprecations, route) }
}

// Deprecations lists the table of deprecations.
func Deprecations() map[string]Deprecation { return deprecations }

// Description is what GET /v1/openapi.json answers.
func Description(a *API) []byte { return a.description }
