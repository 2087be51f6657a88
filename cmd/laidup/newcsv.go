package main

import (
	"bytes"
	"encoding/csv"
	"fmt"

	"laidup/internal/catalogue"
	"laidup/internal/ruleset"
	"laidup/internal/spreadsheet"
)

// csvText writes the report as a row of a spreadsheet, below a row with the names of the columns, and holds it
// against what a report has to be. Observations are of all positions, and facts that nobody knows are empty.
func (c *newReportCommand) csvText(set *ruleset.Set, list []exampleObservation) ([]byte, error) {
	var names, cells []string
	column := func(name string, cell any) {
		names = append(names, name)
		cells = append(cells, fmt.Sprint(cell))
	}
	finding := func(name string, f *catalogue.Finding, value any, known bool) {
		if f.Kind == catalogue.Quantity {
			name += " [" + f.Unit.Code + "]"
		}
		if !known {
			value = ""
		}
		column(name, value)
	}
	column("reference", "")
	column("vehicle.reference", c.Reference)
	column("vehicle.description", c.description())
	for _, f := range set.Catalogue.Facts {
		value, known := kindsOfVehicle[c.Vehicle][f.ID]
		finding(f.In+"."+f.ID, f, value, known && f.In == "vehicle")
	}
	column("inspection.date", c.Date)
	column("inspection.inspector", "who looked")
	column("inspection.purpose", c.Purpose)
	column("method", hearsay(set.Catalogue))
	for _, o := range list {
		for _, f := range set.Catalogue.Item(o.Item).Finds {
			if value, known := o.Found[f.ID]; known || !f.Common() {
				finding(o.Item+"."+f.ID, f, value, known)
			}
		}
	}
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	w.UseCRLF = true
	if err := w.WriteAll([][]string{names, cells}); err != nil {
		return nil, fmt.Errorf("make a report: %w", err)
	}
	rows, err := spreadsheet.NewReader(bytes.NewReader(text.Bytes()), set.Catalogue, maxReport)
	if err != nil {
		return nil, fmt.Errorf("make a report: %w", err)
	}
	row, _, err := rows.Next()
	if err != nil {
		return nil, fmt.Errorf("make a report: %w", err)
	}
	_, err = c.read(row.Report, set)
	return text.Bytes(), err
}
