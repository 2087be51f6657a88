package rulecheck

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"

	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// Dossier is all reports on one vehicle as they were posted, in the order in which they came.
type Dossier struct {
	Name    string
	Reports [][]byte
}

// Difference is what lies between two rule sets.
type Difference struct {
	Changes  []Change
	Dossiers []Changed // only those that come out otherwise
}

// Change is one entry that is written otherwise.
type Change struct {
	Kind string // rules, faults, hazards, ... as the rule set calls the list; empty for what is in none
	ID   string
	What string // added, removed, or the fields with the value before and after

	hazard, fault, item string // that a rule, fault, limit, hazard or proof speaks of
}

// String writes the change in one line.
func (c Change) String() string {
	kind := strings.TrimSuffix(c.Kind, "s")
	if c.Kind == "half_lives" {
		kind = "half-life of"
	}
	return strings.TrimSpace(kind+" "+c.ID) + ": " + c.What
}

// Changed is a dossier that comes out otherwise.
type Changed struct {
	Dossier string
	// Faults is why the dossier cannot be scored under one of the rule sets; then nothing else is
	// said of it.
	Faults   []string
	Gates    []Turn
	Blockers []Moved
}

// Turn is a gate whose state changes.
type Turn struct{ Gate, From, To string }

// Moved is a blocker that is there under one rule set only, with the changes that speak of it.
type Moved struct {
	Gate, Kind, Item string
	At               []string
	Hazard           string
	Because          string
	New              bool // it is on the list of the second rule set
	Why              []Change
}

// Diff compares two rule sets, and what comes of dossiers under each.
func Diff(a, b *ruleset.Set, dossiers []Dossier) (*Difference, error) {
	changes, err := changesBetween(a, b)
	if err != nil {
		return nil, err
	}
	d := &Difference{Changes: changes}
	from, to := newBench(context.Background(), a), newBench(context.Background(), b)
	for _, x := range dossiers {
		c := Changed{Dossier: x.Name}
		before, faults := from.read(x)
		c.Faults = append(c.Faults, faults...)
		after, faults := to.read(x)
		c.Faults = append(c.Faults, faults...)
		if len(c.Faults) == 0 {
			d.compare(&c, from.assess(before...), to.assess(after...))
		}
		if len(c.Faults)+len(c.Gates)+len(c.Blockers) > 0 {
			d.Dossiers = append(d.Dossiers, c)
		}
	}
	return d, nil
}

func (b *bench) read(x Dossier) (reports []*report.Report, said []string) {
	for i, data := range x.Reports {
		r, _, faults := report.Decode(data, b.set.Catalogue)
		for _, f := range faults {
			said = append(said, fmt.Sprintf("under %s %s, report %d: %s: %s", b.set.Name, b.set.Version, i+1, f.Pointer, f.Detail))
		}
		reports = append(reports, r)
	}
	if len(x.Reports) == 0 {
		said = append(said, "has no report")
	}
	return reports, said
}

func (d *Difference) compare(c *Changed, before, after *score.Assessment) {
	states := map[string]string{}
	for _, g := range before.Gates {
		states[g.Gate] = g.State
	}
	for _, g := range after.Gates {
		if states[g.Gate] != g.State {
			c.Gates = append(c.Gates, Turn{g.Gate, states[g.Gate], g.State})
		}
		delete(states, g.Gate)
	}
	for _, g := range slices.Sorted(maps.Keys(states)) {
		c.Gates = append(c.Gates, Turn{g, states[g], ""})
	}
	c.Blockers = append(d.moved(before.Blockers, after.Blockers, false), d.moved(after.Blockers, before.Blockers, true)...)
}

// moved lists the blockers of one list that another one lacks.
func (d *Difference) moved(list, other []score.Blocker, isNew bool) []Moved {
	var out []Moved
	for _, b := range list {
		if !slices.ContainsFunc(other, func(o score.Blocker) bool {
			return o.Gate == b.Gate && o.Kind == b.Kind && o.Item == b.Item && slices.Equal(o.At, b.At)
		}) {
			out = append(out, Moved{b.Gate, b.Kind, b.Item, b.At, b.Hazard, b.Because, isNew, d.why(b)})
		}
	}
	return out
}

// why returns the changes that speak of a blocker; where none does, those of the set as a whole.
func (d *Difference) why(b score.Blocker) []Change {
	var own, all []Change
	for _, c := range d.Changes {
		switch {
		case slices.Contains(b.Rules, c.ID), b.Hazard != "" && c.hazard == b.Hazard, slices.Contains(b.Faults, c.fault), c.item == b.Item:
			own = append(own, c)
		case c.hazard == "" && c.fault == "" && c.item == "":
			all = append(all, c)
		}
	}
	if len(own) > 0 {
		return own
	}
	return all
}

// changesBetween compares two rule sets as they are written. Their tests and what they are called
// make no difference.
func changesBetween(a, b *ruleset.Set) ([]Change, error) {
	before, err := entriesOf(a)
	if err != nil {
		return nil, err
	}
	after, err := entriesOf(b)
	if err != nil {
		return nil, err
	}
	var changes []Change
	for i, list := range before {
		for _, id := range slices.Sorted(maps.Keys(list.byID)) {
			x := list.byID[id]
			y, still := after[i].byID[id]
			switch {
			case !still:
				changes = append(changes, change(list.kind, id, x, "removed"))
			case !reflect.DeepEqual(x, y):
				changes = append(changes, change(list.kind, id, y, fieldsChanged(x, y)))
			}
		}
		for _, id := range slices.Sorted(maps.Keys(after[i].byID)) {
			if _, was := list.byID[id]; !was {
				changes = append(changes, change(list.kind, id, after[i].byID[id], "added"))
			}
		}
	}
	return changes, nil
}

// blocksNothing marks changes that no blocker can come of: no hazard is called so.
const blocksNothing = "-"

func change(kind, id string, entry any, what string) Change {
	c := Change{Kind: kind, ID: id, What: what}
	m, _ := entry.(map[string]any)
	c.fault, _ = m["fault"].(string)
	c.item, _ = m["item"].(string)
	switch kind {
	case "faults":
		c.fault, c.item = id, ""
	case "hazards":
		c.hazard = id
	case "items":
		c.item = id
	case "weights", "grades":
		c.item, c.hazard = "", blocksNothing
	case "":
		if id != "proof_credence" && id != "half_life" && id != "likely_bad" {
			c.hazard = blocksNothing
		}
	}
	return c
}

// entries is one list of a rule set by id.
type entries struct {
	kind string
	byID map[string]any
}

// entriesOf takes a rule set apart into lists whose members can be told apart, always the same ones
// in the same order. What is in no list stands in the last one by its name.
func entriesOf(s *ruleset.Set) ([]entries, error) {
	var doc map[string]any
	if err := json.Unmarshal(s.Canonical, &doc); err != nil {
		return nil, fmt.Errorf("read rule set %s %s: %w", s.Name, s.Version, err)
	}
	cat, _ := doc["catalogue"].(map[string]any)
	weights, _ := doc["weights"].(map[string]any)
	var items []any
	systems, _ := cat["systems"].([]any)
	for _, x := range systems {
		if m, ok := x.(map[string]any); ok {
			of, _ := m["items"].([]any)
			items = append(items, of...)
		}
	}
	list := func(kind string, v any, keys ...string) entries {
		e := entries{kind, map[string]any{}}
		members, _ := v.([]any)
		for _, x := range members {
			m, _ := x.(map[string]any)
			var id []string
			for _, k := range keys {
				id = append(id, fmt.Sprint(m[k]))
			}
			e.byID[strings.Join(id, ".")] = x
		}
		return e
	}
	positions, _ := cat["positions"].(map[string]any)
	rest := entries{"", map[string]any{}}
	for _, k := range []string{"asks", "proof_credence", "common_error", "likely_bad", "severity_weights", "half_life", "look_next", "assumes", "cautions", "unseen"} {
		rest.byID[k] = doc[k]
	}
	out := []entries{
		list("gates", doc["gates"], "id"), list("faults", doc["faults"], "id"), list("rules", doc["rules"], "id"), list("limits", doc["limits"], "id"),
		list("hazards", doc["hazards"], "id"), list("proofs", doc["proofs"], "id"), list("follows", doc["follows"], "id"), list("half_lives", doc["half_lives"], "item"), list("grades", doc["grades"], "item", "of"),
		list("weights", weights["systems"], "id"), list("weights", weights["items"], "id"),
		list("methods", cat["methods"], "id"), list("facts", cat["facts"], "id"), list("items", items, "id"),
		{"positions", positions}, rest,
	}
	return out, nil
}

// fieldsChanged says which fields of an entry have another value.
func fieldsChanged(x, y any) string {
	before, ok1 := x.(map[string]any)
	after, ok2 := y.(map[string]any)
	if !ok1 || !ok2 {
		return written(x) + " becomes " + written(y)
	}
	keys := map[string]bool{}
	for k := range before {
		keys[k] = true
	}
	for k := range after {
		keys[k] = true
	}
	var said []string
	for _, k := range slices.Sorted(maps.Keys(keys)) {
		if !reflect.DeepEqual(before[k], after[k]) {
			said = append(said, k+" "+written(before[k])+" becomes "+written(after[k]))
		}
	}
	return strings.Join(said, "; ")
}

func written(v any) string {
	if v == nil {
		return "nothing"
	}
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Sprint(v)
	}
	return strings.TrimSpace(b.String())
}
