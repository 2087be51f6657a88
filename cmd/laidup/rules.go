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
	Lint    rulesLintCommand    `cmd:"" help:"Check a rule set for likely mistakes."`
	Test    rulesTestCommand    `cmd:"" help:"Run a rule set's own tests."`
	Explain rulesExplainCommand `cmd:"" help:"Show how one rule and its fault are calculated for a dossier."`
	Diff    rulesDiffCommand    `cmd:"" help:"Compare two rule sets, and the verdicts that change."`
	Doc     rulesDocCommand     `cmd:"" help:"Write a rule set as a readable book in Markdown."`
}

// ruleSetFlag chooses a rule set.
type ruleSetFlag struct {
	Rules string `help:"Rule set: first-start, pre-purchase, a YAML or JSON file, or a folder of YAML files. Default: first-start."`
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
	odd := 0
	for _, f := range found {
		fmt.Fprintln(t.out, f)
		if !f.Listed {
			odd++
		}
	}
	fmt.Fprintf(t.out, "%s %s: %d faults, %d rules, %d limits, %d hazards, %d proofs looked through, %d findings, and %d for somebody to judge\n",
		set.Name, set.Version, len(set.Faults), len(set.Rules), len(set.Limits), len(set.Hazards), len(set.Proofs), odd, len(found)-odd)
	if odd > 0 {
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
	fmt.Fprintf(t.out, "%s %s: %d tests of %d rules, %d limits, %d proofs and %d follow-ups, %d failures\n",
		set.Name, set.Version, len(set.Tests), len(set.Rules), len(set.Limits), len(set.Proofs), len(set.Follows), len(failures))
	if len(failures) > 0 {
		return status(exitBlocked)
	}
	return nil
}

type rulesExplainCommand struct {
	ruleSetFlag
	Reports []string `arg:"" name:"report" help:"Report files, all on one vehicle, or - for standard input."`
	Rule    string   `required:"" help:"Rule to explain."`
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
	p := newPage(t.out, t)
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
	From    string `arg:"" help:"The old rule set."`
	To      string `arg:"" help:"The new rule set."`
	Reports string `help:"Folder of reports. All reports on one vehicle, in file name order, form its dossier." type:"existingdir"`
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
	writeDifference(newPage(t.out, t), d, len(dossiers))
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
			p.fill("    "+sign+" ", "      ", fmt.Sprintf("%s %s %s (%s): %s", p.words.Placed(wording.Spaced(b.Item), b.At), verb, wording.Spaced(b.Gate), b.Kind, b.Because))
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
