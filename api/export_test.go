package api

import (
	"time"

	"laidup/api/wire"
	"laidup/internal/score"
)

// DecodeCursor reads a cursor of the list of vehicles and writes it again.
func DecodeCursor(s string) (at time.Time, name, again string, ok bool) {
	c, ok := wire.DecodeCursor(s, wire.VehicleCursor)
	if !ok {
		return at, "", "", false
	}
	return c.At, c.Name, c.Encode(wire.VehicleCursor), true
}

// EncodeCursor writes a cursor of the list of vehicles.
func EncodeCursor(at time.Time, name string) string {
	return wire.Cursor{At: at, Name: name}.Encode(wire.VehicleCursor)
}

// RegisterTable writes a register as CSV.
func RegisterTable(entries []score.Entry) []byte { return wire.Table(registerColumns, entries) }

// ProblemRow is a row of the table of problems.
type ProblemRow struct {
	Name, Title, Detail string
	Status, Retry       int
}

// ProblemRows lists the table of problems.
func ProblemRows() []ProblemRow {
	var all []ProblemRow
	for _, r := range wire.Rows {
		all = append(all, ProblemRow{r.Name, r.Title, r.Detail, r.Status, r.Retry})
	}
	return all
}

// ProblemName says which row an error gets.
func ProblemName(err error) string { return wire.ProblemOf(err).Kind.Row().Name }

// Deprecate makes a row of the table of deprecations up; the function takes it out again.
func Deprecate(route string, d Deprecation) func() {
	deprecations[route] = d
	return func() { delete(deprecations, route) }
}

// Deprecations lists the table of deprecations.
func Deprecations() map[string]Deprecation { return deprecations }

// Description is what GET /v1/openapi.json answers.
func Description(a *API) []byte {
	d, err := a.described()
	if err != nil {
		panic(err)
	}
	return d.openAPI
}
