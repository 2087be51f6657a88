package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"laidup/internal/rulecheck"
	"laidup/internal/wording"
)

// rulesCommand is the workbench of who writes rule sets.
type rulesCommand struct {
	Lint    rulesLintCommand    `cmd:"" help:"Look for what is odd about a rule set that loads."`
	Test    rulesTestCommand    `cmd:"" help:"Run the tests that a rule set carries."`
	Explain rulesExplainCommand `cmd:"" help:"Show the arithmetic of one rule and its hazard on a dossier."`
	Diff    rulesDiffCommand    `cmd:"" help:"Show what another rule set changes, and which verdicts with it."`
	Doc     rulesDocCommand     `cmd:"" help:"Write the whole rule set as a book in Markdown."`
}

// ruleSetFlag chooses a rule set.
type ruleSetFlag struct {
	Rules string `help:"Rule set: a YAML or JSON file, or a folder of YAML files; or the name of a built-in one; first-start unless given."`
}

type rulesLintCommand struct{ ruleSetFlag }

// Run lists what is odd.
func (c *rulesLintCommand) Run(ctx context.Context, t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	found, err := rulecheck.Lint(ctx, set)
	if err != nil {
		return err
	}
	for _, f := range found {
		fmt.Fprintln(t.out, f)
	}
	fmt.Fprintf(t.out, "%s %s: %d hazards, %d rules, %d proofs looked through, %d findings\n", set.Name, set.Version, len(set.Hazards), len(set.Rules), len(set.Proofs), len(found))
	if len(found) > 0 {
		return status(exitBlocked)
	}
	return nil
}

type rulesTestCommand struct{ ruleSetFlag }

// Run runs the tests and lists those that do not hold.
func (c *rulesTestCommand) Run(ctx context.Context, t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	failures, err := rulecheck.Test(ctx, set)
	if err != nil {
		return err
	}
	for _, f := range failures {
		fmt.Fprintln(t.out, f)
	}
	fmt.Fprintf(t.out, "%s %s: %d tests of %d rules, %d failures\n", set.Name, set.Version, len(set.Tests), len(set.Rules), len(failures))
	if len(failures) > 0 {
		return status(exitBlocked)
	}
	return nil
}

type rulesExplainCommand struct {
	ruleSetFlag
	Reports []string `arg:"" name:"report" help:"Report files, all on one vehicle; - is standard input."`
	Rule    string   `required:"" help:"Rule to be explained."`
}

// Run explains one rule on a dossier.
func (c *rulesExplainCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	reports, err := readReports(t, c.Reports, set)
	if err != nil {
		return err
	}
	e, err := rulecheck.Explain(set, reports, c.Rule)
	if err != nil {
		return err
	}
	p := page{t.out, t.colour, t.width}
	for i, s := range e.Steps {
		if i > 0 {
			p.line("")
		}
		p.line("%s", p.strong(s.Head))
		for _, l := range s.Lines {
			text := strings.TrimLeft(l, " ")
			if column := len(l) - len(text); column > 0 { // figures stand under one another
				p.fill("  "+l[:column], strings.Repeat(" ", 15), text)
			} else {
				p.fill("  ", "    ", text)
			}
		}
	}
	return nil
}

type rulesDiffCommand struct {
	From    string `arg:"" help:"Rule set as it was."`
	To      string `arg:"" help:"Rule set as it is to be."`
	Reports string `help:"Folder of reports: those on one vehicle, in the order of their file names, are its dossier." type:"existingdir"`
}

// Run compares two rule sets, and dossiers under both.
func (c *rulesDiffCommand) Run(t terminal) error {
	from, err := loadRules(c.From)
	if err != nil {
		return err
	}
	to, err := loadRules(c.To)
	if err != nil {
		return err
	}
	var dossiers []rulecheck.Dossier
	if c.Reports != "" {
		if dossiers, err = readDossiers(c.Reports); err != nil {
			return err
		}
	}
	d, err := rulecheck.Diff(from, to, dossiers)
	if err != nil {
		return err
	}
	writeDifference(page{t.out, t.colour, t.width}, d, len(dossiers))
	if len(d.Changes)+len(d.Dossiers) > 0 {
		return status(exitBlocked)
	}
	return nil
}

func writeDifference(p page, d *rulecheck.Difference, dossiers int) {
	p.line("%s", p.strong(fmt.Sprintf("%d entries are written otherwise", len(d.Changes))))
	for _, c := range d.Changes {
		p.fill("  - ", "    ", c.String())
	}
	p.line("")
	p.line("%s", p.strong(fmt.Sprintf("%d of %d dossiers come out otherwise", len(d.Dossiers), dossiers)))
	for _, x := range d.Dossiers {
		p.line("  %s", x.Dossier)
		for _, f := range x.Faults {
			p.fill("    cannot be scored: ", "      ", f)
		}
		for _, g := range x.Gates {
			p.line("    %s: %s becomes %s", wording.Spaced(g.Gate), orNone(g.From), orNone(g.To))
		}
		for _, b := range x.Blockers {
			sign, verb := "-", "no longer blocks"
			if b.New {
				sign, verb = "+", "now blocks"
			}
			p.fill("    "+sign+" ", "      ", fmt.Sprintf("%s %s %s (%s): %s", wording.Spaced(b.Item), verb, wording.Spaced(b.Gate), b.Kind, b.Because))
			for _, w := range b.Why {
				p.fill("        by ", "          ", w.String())
			}
		}
	}
}

func orNone(s string) string {
	if s == "" {
		return "no such gate"
	}
	return s
}

// readDossiers reads the reports of a folder and deals them out by vehicle.
func readDossiers(dir string) ([]rulecheck.Dossier, error) {
	names, err := fs.Glob(os.DirFS(dir), "*.json")
	if err != nil {
		return nil, fmt.Errorf("read reports %s: %w", dir, err)
	}
	byVehicle := map[string]*rulecheck.Dossier{}
	var faults []error
	for _, name := range names {
		data, err := readFile(terminal{}, filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		var head struct {
			Vehicle struct {
				Reference string `json:"reference"`
			} `json:"vehicle"`
		}
		if err := json.Unmarshal(data, &head); err != nil {
			faults = append(faults, fmt.Errorf("read report %s: %w", name, err))
			continue
		}
		ref := head.Vehicle.Reference
		if ref == "" {
			ref = name // what is no report is a dossier of its own, and says so
		}
		if byVehicle[ref] == nil {
			byVehicle[ref] = &rulecheck.Dossier{Name: ref}
		}
		byVehicle[ref].Reports = append(byVehicle[ref].Reports, data)
	}
	if len(names) == 0 {
		faults = append(faults, fmt.Errorf("read reports %s: there is no .json file in it", dir))
	}
	var list []rulecheck.Dossier
	for _, ref := range slices.Sorted(maps.Keys(byVehicle)) {
		list = append(list, *byVehicle[ref])
	}
	return list, errors.Join(faults...)
}

type rulesDocCommand struct{ ruleSetFlag }

// Run writes the book.
func (c *rulesDocCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	book, err := rulecheck.Doc(set)
	if err != nil {
		return err
	}
	if _, err := t.out.Write(book); err != nil {
		return fmt.Errorf("write rule book: %w", err)
	}
	return nil
}
