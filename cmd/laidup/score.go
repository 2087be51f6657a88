package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
	"laidup/internal/wording"
)

type scoreCommand struct {
	Reports []string `arg:"" name:"report" help:"Report files, all on one vehicle, or - for standard input."`
	Gate    string   `help:"Gate to judge. Default: the rule set's own gate (first_start)."`
	Rules   string   `help:"Rule set: first-start, pre-purchase, a YAML or JSON file, or a folder of YAML files. Default: first-start."`
	Format  string   `enum:"text,json" default:"text" help:"Output format: text or json."`
	All     bool     `help:"Show the whole risk register, not only the top."`
}

// Run scores the dossier.
func (c *scoreCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	gate := -1
	if c.Gate != "" {
		if gate = slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == c.Gate }); gate < 0 {
			return fmt.Errorf("there is no gate %q: use one of %s", c.Gate, gateNames(set))
		}
	}
	reports, err := readReports(t, c.Reports, set)
	if err != nil {
		return err
	}
	a := score.Evaluate(set, reports, gate)
	wording.English().Write(a)
	if c.Format == "json" {
		err = writeJSON(t, a)
	} else {
		err = writeAssessment(t, a, titleOf(reports), c.All)
	}
	if err != nil {
		return fmt.Errorf("write assessment: %w", err)
	}
	if a.Verdict.State != score.Clear {
		return status(exitBlocked)
	}
	return nil
}

func writeJSON(t terminal, a *score.Assessment) error {
	data, err := a.JSON()
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := json.Indent(&b, data, "", "  "); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err = b.WriteTo(t.out)
	return err
}

func gateNames(set *ruleset.Set) string {
	var names []string
	for _, g := range set.Gates {
		names = append(names, g.ID)
	}
	return strings.Join(names, ", ")
}

func titleOf(reports []*report.Report) string {
	title := ""
	for _, r := range reports {
		if r.Vehicle.Description != "" {
			title = r.Vehicle.Description
		}
	}
	return title
}

// loadRules loads a rule set: the first built-in one where nothing is named, else the built-in one
// of that name, else a file or a folder.
func loadRules(path string) (*ruleset.Set, error) {
	if path == "" {
		return builtin.FirstStart(), nil
	}
	known := builtin.RuleSets()
	for _, set := range known {
		if path == set.Name {
			return set, nil
		}
	}
	return written(builtin.Loader().Knowing(known...), path, "rule set")
}

// written loads what somebody wrote: a folder of YAML files, or one file.
func written[T any](l interface {
	Folder(fs.FS, string) (T, error)
	Document(string, []byte) (T, error)
}, path, is string) (none T, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return none, fmt.Errorf("read %s: %w", is, err)
	}
	if info.IsDir() {
		return l.Folder(os.DirFS(path), ".")
	}
	data, err := fs.ReadFile(os.DirFS(filepath.Dir(path)), filepath.Base(path))
	if err != nil {
		return none, fmt.Errorf("read %s: %w", is, err)
	}
	return l.Document(filepath.Base(path), data)
}

// readReports reads and checks report files; faults of all of them are written out before it gives
// up.
func readReports(t terminal, names []string, set *ruleset.Set) ([]*report.Report, error) {
	checker := report.NewChecker(set.Catalogue)
	var reports []*report.Report
	bad := false
	for _, name := range names {
		data, err := readFile(t, name)
		if err != nil {
			return nil, err
		}
		r, cautions, faults := checker.Decode(data)
		for _, f := range faults {
			fmt.Fprintf(t.err, "%s: %s: %s (%s)\n", name, where(f.Pointer), printable(f.Detail), f.Code)
		}
		if r != nil {
			cautions = append(cautions, r.Ahead(t.today)...)
			reports = append(reports, r)
		}
		for _, c := range cautions {
			fmt.Fprintf(t.err, "%s: %s: caution: %s\n", name, where(c.Pointer), printable(c.Detail))
		}
		bad = bad || len(faults) > 0
	}
	if bad {
		return nil, status(exitBad)
	}
	for i, r := range reports {
		if first := reports[0].Vehicle.Reference; r.Vehicle.Reference != first {
			return nil, fmt.Errorf("%s is about %s and %s about %s: score one vehicle at a time", names[0], first, names[i], r.Vehicle.Reference)
		}
	}
	return reports, nil
}

// maxReport is the greatest size of a report file, as the API has it.
const maxReport = 1 << 20

func readFile(t terminal, name string) ([]byte, error) {
	in := t.in
	if name != "-" {
		f, err := os.Open(name) // #nosec G304 -- who scores says which file
		if err != nil {
			return nil, fmt.Errorf("read report: %w", err)
		}
		defer f.Close()
		in = f
	}
	data, err := io.ReadAll(io.LimitReader(in, maxReport+1))
	if err != nil {
		return nil, fmt.Errorf("read report %s: %w", name, err)
	}
	if len(data) > maxReport {
		return nil, fmt.Errorf("read report %s: it is larger than %d bytes: split it", name, maxReport)
	}
	return data, nil
}

func where(pointer string) string {
	if pointer == "" {
		return "(the whole document)"
	}
	return printable(pointer)
}

type checkCommand struct {
	Reports []string `arg:"" name:"report" help:"Report files, or - for standard input."`
	Rules   string   `help:"Rule set whose catalogue the reports use. Default: first-start."`
}

// Run checks each report on its own.
func (c *checkCommand) Run(t terminal) error {
	set, err := loadRules(c.Rules)
	if err != nil {
		return err
	}
	bad := false
	for _, name := range c.Reports {
		reports, err := readReports(t, []string{name}, set)
		switch err.(type) {
		case nil:
			fmt.Fprintf(t.out, "%s: valid: %d observations on %s, inspected on %s\n", name, len(reports[0].Observations), reports[0].Vehicle.Reference, reports[0].Inspected)
		case status:
			bad = true
		default:
			return err
		}
	}
	if bad {
		return status(exitBad)
	}
	return nil
}
