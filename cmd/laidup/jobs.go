package main

import (
	"fmt"
	"slices"

	"laidup/internal/condition"
	"laidup/internal/jobbook"
	"laidup/internal/report"
)

// jobsCommand is the workbench of who writes job books.
type jobsCommand struct {
	Lint jobsLintCommand `cmd:"" help:"Check a job book for likely mistakes."`
}

type jobsLintCommand struct {
	ruleSetFlag
	Jobs    string   `help:"Job book: a YAML or JSON file, or a folder of YAML files. Default: the generic one."`
	Reports []string `arg:"" optional:"" name:"report" help:"Report files of vehicles to try the job book on, each file a vehicle, or - for standard input."`
}

// Run lists what is odd.
func (c *jobsLintCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	book, err := jobsFrom(c.Jobs)(set)
	if err != nil {
		return err
	}
	var vehicles []jobbook.Vehicle
	for _, name := range c.Reports {
		dossier, err := readReports(t, []string{name}, set)
		if err != nil {
			return err
		}
		facts := slices.Repeat(condition.Frame{condition.Unset}, set.Catalogue.Size)
		known := report.Lay(dossier, set.Catalogue, set.ProofCredence).Frame
		for _, f := range set.Catalogue.Facts {
			facts[f.Slot] = known[f.Slot]
		}
		vehicles = append(vehicles, jobbook.Vehicle{Name: dossier[0].Vehicle.Reference, Facts: facts})
	}
	remarks := jobbook.Lint(book, set, vehicles)
	for _, r := range remarks {
		fmt.Fprintln(t.out, r)
	}
	fmt.Fprintf(t.out, "%s %s: %d jobs and %d states checked on %d vehicles; %d findings\n", book.Name, book.Version, len(book.Jobs), len(book.States), len(vehicles), len(remarks))
	if len(remarks) > 0 {
		return status(exitBlocked)
	}
	return nil
}
