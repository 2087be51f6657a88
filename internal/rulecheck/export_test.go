package rulecheck

import (
	"context"

	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// Percent is percent.
var Percent = percent

// ReportsOf makes the reports of a dossier test.
func ReportsOf(set *ruleset.Set, form ruleset.TestForm) ([]*report.Report, error) {
	t := &tests{bench: newBench(context.Background(), set)}
	return t.reports(form)
}
