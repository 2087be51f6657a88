package site

import (
	"encoding/json"
	"fmt"
	"net/url"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
)

// How many lines and refused lines a page shows, and how many lines are looked through for those.
const (
	linesShown   = 50
	refusedShown = 50
	linesSought  = 10_000
	linesAtOnce  = 500
)

// BatchesPage takes a file of reports, and lists the batches.
func (s *Site) BatchesPage(r *wire.Request) (wire.Reply, error) {
	list, next, _, err := wire.Batches(r)
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.BatchesView{Frame: s.frame(r, s.say("batches"), "batches"), Batches: list}
	if next != "" {
		view.Next = "?" + url.Values{"cursor": {next}}.Encode()
	}
	if view.Gates, err = r.Account.Gates(r.Context()); err != nil {
		return wire.Reply{}, err
	}
	if view.Gate, err = r.Account.JudgedAt(r.Context(), ""); err != nil {
		return wire.Reply{}, err
	}
	return s.page("batches", view)
}

// BatchPage shows how far a batch has come, what was refused and why, and its lines.
func (s *Site) BatchPage(r *wire.Request) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	b, err := r.Account.Batch(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	first := 1
	if said := r.Query.Get("first_line"); said != "" {
		var ok bool
		if first, ok = wire.Digits(said); !ok || first < 1 || first > assess.MaxLines {
			return wire.Reply{}, wire.BadQuery.Says("first_line is a whole number from 1 to %d", assess.MaxLines)
		}
	}
	view := pages.BatchView{Frame: s.frame(r, s.say("batch_of", b.At.Format("2006-01-02 15:04")), "batches"), Batch: b, First: first}
	lines, err := r.Account.Lines(r.Context(), id, first-1, linesShown+1)
	if err != nil {
		return wire.Reply{}, err
	}
	if len(lines) > linesShown {
		view.Next, lines = lines[linesShown].Number, lines[:linesShown]
	}
	for _, l := range lines {
		line, err := lineOf(l, b.Kind)
		if err != nil {
			return wire.Reply{}, err
		}
		view.Lines = append(view.Lines, line)
	}
	if view.Refused, err = s.refused(r, b); err != nil {
		return wire.Reply{}, err
	}
	return s.page("batch", view)
}

// refused has the first lines of a batch that were refused or failed.
func (s *Site) refused(r *wire.Request, b assess.Batch) (all []pages.BatchLine, err error) {
	for after := 0; len(all) < min(refusedShown, b.Refused+b.Failed) && after < linesSought; {
		lines, err := r.Account.Lines(r.Context(), b.ID, after, linesAtOnce)
		if err != nil {
			return nil, err
		}
		for _, l := range lines {
			after = l.Number
			line, err := lineOf(l, b.Kind)
			if err != nil {
				return nil, err
			}
			if line.Problem != "" && len(all) < refusedShown {
				all = append(all, line)
			}
		}
		if len(lines) < linesAtOnce {
			break
		}
	}
	return all, nil
}

// lineOf reads what has become of a line.
func lineOf(l assess.Line, kind assess.BatchKind) (line pages.BatchLine, err error) {
	line = pages.BatchLine{Number: l.Number, Vehicle: l.Vehicle, Reference: l.Reference, State: string(l.Assessment.State)}
	problem := l.Problem
	switch {
	case l.Erased():
		line.State = "erased"
	case kind == assess.Rescore:
		line.State = string(assess.Queued)
		if l.Result != nil {
			line.State = string(assess.Done)
			var is assess.Rescored
			if err := json.Unmarshal(l.Result, &is); err != nil {
				return line, fmt.Errorf("read line %d: %w", l.Number, err)
			}
			line.Verdict, line.Changed = &is.To.Verdict, is.Changed
		} else if l.Problem != nil {
			line.State = string(assess.Failed)
		}
	case l.Assessment.ID == "":
		line.State = "refused"
	case l.Assessment.State == assess.Failed:
		problem = l.Assessment.Problem
	case l.Assessment.State == assess.Done:
		summed, err := l.Assessment.Summed()
		if err != nil {
			return line, err
		}
		line.Verdict, line.Coverage = &summed.Verdict, summed.Covered()
	}
	if problem != nil {
		var p struct {
			Title, Detail string
			Errors        []pages.LineFault
		}
		if err := json.Unmarshal(problem, &p); err != nil {
			return line, fmt.Errorf("read problem of line %d: %w", l.Number, err)
		}
		line.Problem, line.Faults = p.Title, p.Errors
		if p.Detail != "" {
			line.Problem += ": " + p.Detail
		}
	}
	return line, nil
}
