package outcome

import (
	"cmp"
	"slices"

	"laidup/internal/score"
)

// Count is one forecast with what came of it: one more in a [Cell] of a [Series]. Exactly one of Seen and Unseen
// is 1.
type Count struct {
	Kind         Kind
	Name, Family string
	Step         Step // of a method 1 after an alarm, 0 after none
	Seen, Event  int
	Unseen       int
}

// Judge counts what an outcome says of an assessment. methods are those by which the items were looked at, by item, where
// all that stands on one was found by the same. What the assessment has no forecast of is left out.
func Judge(f Form, a *score.Assessment, methods map[string]string) []Count {
	system := map[string]string{}
	for _, s := range a.Condition.Systems {
		for _, i := range s.Items {
			system[i.Item] = s.System
		}
	}
	var counts []Count
	add := func(kind Kind, name, family string, step Step, known, event bool) {
		c := Count{Kind: kind, Name: name, Family: family, Step: step}
		switch {
		case !known:
			c.Unseen = 1
		case event:
			c.Seen, c.Event = 1, 1
		default:
			c.Seen = 1
		}
		counts = append(counts, c)
	}
	attempted := f.Attempted != nil && *f.Attempted
	if at := slices.IndexFunc(a.Gates, func(g score.Gate) bool { return g.Gate == f.Gate }); at >= 0 {
		add(Gates, f.Gate, "", StepOf(1-a.Gates[at].ChanceUnharmed.Float()), attempted, slices.ContainsFunc(f.Came, func(h Harm) bool {
			return serious(cmp.Or(h.Severity, severityOf(a, h.Hazard)))
		}))
		for i := range a.Register {
			e := &a.Register[i]
			if e.Gate != f.Gate {
				continue
			}
			k := slices.IndexFunc(f.Came, func(h Harm) bool { return h.Hazard == e.Hazard })
			add(Hazards, e.Hazard, f.Gate, StepOf(e.Probability.Float()), attempted, k >= 0)
			for j := range e.Causes {
				c := &e.Causes[j]
				// Which of several did the harm is known only if it was said.
				told := k < 0 || f.Came[k].Fault != "" || len(e.Causes) == 1
				did := k >= 0 && (f.Came[k].Fault == c.Fault || f.Came[k].Fault == "" && len(e.Causes) == 1)
				add(Causes, c.Fault+">"+e.Hazard, system[c.Item], StepOf(c.Probability.Float()*c.Chance.Float()), attempted && told, did)
			}
		}
	}
	for _, p := range f.Parts {
		c := causeOf(a, p.Fault)
		if c == nil {
			continue
		}
		step, known, bad := StepOf(c.Probability.Float()), p.Bad != CannotTell, p.Bad == Yes
		add(Faults, c.Fault, system[c.Item], step, known, bad)
		alarm := score.Decibans(0)
		for _, e := range c.Evidence {
			add(Rules, c.Fault+">"+e.Rule, system[c.Item], step, known, bad)
			alarm += e.EffectiveDB
		}
		if by := methods[c.Item]; by != "" && len(c.Evidence) > 0 {
			said := Step(0)
			if alarm > 0 {
				said = 1
			}
			add(Methods, by, "", said, known, bad)
		}
	}
	return counts
}

func severityOf(a *score.Assessment, hazard string) string {
	for i := range a.Register {
		if a.Register[i].Hazard == hazard {
			return a.Register[i].Severity
		}
	}
	return ""
}

func causeOf(a *score.Assessment, fault string) *score.Cause {
	for i := range a.Register {
		for k := range a.Register[i].Causes {
			if c := &a.Register[i].Causes[k]; c.Fault == fault {
				return c
			}
		}
	}
	return nil
}

// CellOf is the cell that a count of a series falls into.
func CellOf(kind Kind, step Step) Cell {
	if kind == Methods {
		return Cell{P: float64(step)}
	}
	return Cell{P: step.P()}
}

// TableOf reads the cells of a method as a table.
func TableOf(cells []Cell) Table {
	var t Table
	for _, c := range cells {
		if c.P == 1 {
			t.Hits, t.False, t.AlarmUnseen = t.Hits+c.Events, t.False+c.Seen-c.Events, t.AlarmUnseen+c.Unseen
		} else {
			t.Misses, t.Quiet, t.QuietUnseen = t.Misses+c.Events, t.Quiet+c.Seen-c.Events, t.QuietUnseen+c.Unseen
		}
	}
	return t
}
