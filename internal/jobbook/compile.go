package jobbook

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/document"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/spelling"
)

// maxNodes are the nodes of all conditions of a book together.
const maxNodes = 20_000

// lookTakes is how long a look takes, in percent of the catalogue's minutes, where a book says nothing.
var lookTakes = []int{70, 100, 200}

type compiler struct {
	src  *document.Tree
	form *bookForm
	set  *ruleset.Set
	cat  *catalogue.Catalogue
	book *Book

	kinds    map[string]*kindForm
	traits   map[string]*Trait
	fittings map[string]*Fitting
	places   map[string]*Place
	plants   map[string]*Plant
	parts    map[string]*Part
	states   map[string]*State
	jobs     map[string]*Job
	variants map[*Job][]*Job
	entries  []*jobEntry // by the index of the job

	conditions map[string]*condition.Condition // by their text
	nodes      int
}

func compile(src *document.Tree, form *bookForm, set *ruleset.Set) *Book {
	c := &compiler{
		src: src, form: form, set: set, cat: set.Catalogue,
		book: &Book{Name: form.Name, Version: form.Version, Is: form.Is, Catalogue: set.Catalogue, Horizon: form.Horizon, Cautions: form.Cautions},

		kinds: map[string]*kindForm{}, traits: map[string]*Trait{}, fittings: map[string]*Fitting{}, places: map[string]*Place{}, plants: map[string]*Plant{},
		parts: map[string]*Part{}, states: map[string]*State{}, jobs: map[string]*Job{}, variants: map[*Job][]*Job{}, conditions: map[string]*condition.Condition{},
	}
	if form.RuleSet.Name != set.Name || form.RuleSet.Version != set.Version {
		c.mistake("/rule_set", "is written for %s %s, and the rules at hand are %s %s", form.RuleSet.Name, form.RuleSet.Version, set.Name, set.Version)
	}
	if form.Rate != nil {
		c.book.Rate, c.book.Currency = form.Rate.Cents, form.Rate.Currency
	}
	if form.RefitTakes != nil {
		c.book.Refit = c.hours("/refit_takes", form.RefitTakes)
	}
	c.names()
	c.allStates()
	c.allJobs()
	c.looks()
	c.rings()
	return c.book
}

func (c *compiler) mistake(pointer, format string, args ...any) {
	c.src.Mistake(pointer, format, args...)
}

func at(steps ...any) string { return document.Pointer(steps...) }

// entry puts an entry into the index of its list.
func entry[T any](c *compiler, index map[string]*T, pointer, id string, x *T) {
	if _, twice := index[id]; twice {
		c.mistake(pointer+"/id", "there is a %s already", id)
		return
	}
	index[id] = x
}

// names makes all entries known by id, so that they can name one another whatever their order.
func (c *compiler) names() {
	b := c.book
	for i := range c.form.Kinds {
		f := &c.form.Kinds[i]
		entry(c, c.kinds, at("kinds", i), f.ID, f)
		b.Kinds = append(b.Kinds, &Kind{ID: f.ID, Is: f.Is, When: c.condition(at("kinds", i, "when"), f.When)})
	}
	for i, f := range c.form.Traits {
		x := &Trait{ID: f.ID, Is: f.Is, Index: i, Assumed: f.Assumed}
		entry(c, c.traits, at("traits", i), f.ID, x)
		b.Traits = append(b.Traits, x)
	}
	for i, f := range c.form.Fittings {
		x := &Fitting{ID: f.ID, Is: f.Is, Index: i}
		entry(c, c.fittings, at("fittings", i), f.ID, x)
		b.Fittings = append(b.Fittings, x)
	}
	for i, f := range c.form.Places {
		x := &Place{ID: f.ID, Is: f.Is, Index: i, Room: f.Room}
		entry(c, c.places, at("places", i), f.ID, x)
		b.Places = append(b.Places, x)
	}
	for i, f := range c.form.Plant {
		x := &Plant{ID: f.ID, Is: f.Is, Index: i}
		entry(c, c.plants, at("plant", i), f.ID, x)
		b.Plants = append(b.Plants, x)
	}
	for i, f := range c.form.Parts {
		p := at("parts", i)
		x := &Part{ID: f.ID, Is: f.Is, Index: i, Kind: f.Kind, Price: c.hours(p+"/price", f.Price), Lead: c.rangeOf(p+"/lead", f.Lead), Source: c.source(f.Source)}
		switch {
		case f.Money != nil && f.Price != nil:
			c.mistake(p+"/price", "has a price in money too: leave one out")
		case f.Money != nil && c.form.Rate == nil:
			c.mistake(p+"/money", "money needs a currency: give the book a rate")
		case f.Money != nil:
			money := c.rangeOf(p+"/money", f.Money)
			x.Money = &money
		case f.Price == nil:
			c.mistake(p, "needs a price, in hours of labour, or money")
		}
		entry(c, c.parts, p, f.ID, x)
		b.Parts = append(b.Parts, x)
	}
	for i, f := range c.form.States {
		x := &State{ID: f.ID, Is: f.Is, Index: i, Cautions: f.Cautions, Source: c.source(f.Source)}
		entry(c, c.states, at("states", i), f.ID, x)
		b.States = append(b.States, x)
	}
	for i, f := range c.form.Jobs {
		p := at("jobs", i)
		base := c.name(&jobEntry{form: f, pointer: p, variant: -1})
		if c.states[f.ID] != nil {
			c.mistake(p+"/id", "%s is the name of a state: a plan has both", f.ID)
		}
		for k, v := range f.Variants {
			x := c.name(v.of(f, p, k))
			x.Of = base
			c.variants[base] = append(c.variants[base], x)
		}
	}
}

// jobEntry is a job, or a variant of one, as it is written. Own has the places of what the variant says
// itself.
type jobEntry struct {
	form    jobForm
	pointer string
	own     map[string]string
	variant int // which of the job's it is; -1: the job itself
	job     *Job
}

// at is where a field of the job is written.
func (e *jobEntry) at(field string) string {
	if p, own := e.own[field]; own {
		return p
	}
	return e.pointer + at(field)
}

// of is the whole of a variant: what it does not say itself is the job's.
func (v *variantForm) of(f jobForm, pointer string, k int) *jobEntry {
	own := pointer + at("variants", k)
	e := &jobEntry{form: f, pointer: pointer, variant: k, own: map[string]string{"id": own + "/id"}}
	e.form.ID += "." + v.ID
	take := func(field string, says bool, put func()) {
		if says {
			put()
			e.own[field] = own + at(field)
		}
	}
	take("is", v.Is != "", func() { e.form.Is = v.Is })
	take("open", v.Open != nil, func() { e.form.Open = v.Open })
	take("people", v.People != 0, func() { e.form.People = v.People })
	take("hours", v.Hours != nil, func() { e.form.Hours = v.Hours })
	take("wait", v.Wait != nil, func() { e.form.Wait = v.Wait })
	take("uses", v.Uses != nil, func() { e.form.Uses = v.Uses })
	take("places", v.Places != nil, func() { e.form.Places = v.Places })
	take("parts", v.Parts != nil, func() { e.form.Parts = v.Parts })
	take("bought_in", v.BoughtIn != nil, func() { e.form.BoughtIn = v.BoughtIn })
	take("source", v.Source != nil, func() { e.form.Source = v.Source })
	return e
}

// name makes a job known by its id.
func (c *compiler) name(e *jobEntry) *Job {
	f := e.form
	e.job = &Job{ID: f.ID, Is: f.Is, Index: len(c.book.Jobs), Cautions: f.Cautions, Source: c.source(f.Source)}
	if _, twice := c.jobs[f.ID]; twice {
		c.mistake(e.at("id"), "there is a %s already", f.ID)
	} else {
		c.jobs[f.ID] = e.job
	}
	c.book.Jobs = append(c.book.Jobs, e.job)
	c.entries = append(c.entries, e)
	return e.job
}

// named looks up the jobs that a list names, each with its variants: what does not hold on a vehicle is as if
// it were not in the book.
func (c *compiler) named(pointer string, ids []string) []*Job {
	var list []*Job
	for _, j := range named(c, c.jobs, "job", pointer, ids) {
		list = append(list, j)
		list = append(list, c.variants[j]...)
	}
	return list
}

// source is an entry's own source, or the book's.
func (c *compiler) source(own *Source) Source {
	if own != nil {
		return *own
	}
	return c.form.Source
}

// named looks up the entries that a list names.
func named[T any](c *compiler, index map[string]*T, what, pointer string, ids []string) []*T {
	var list []*T
	for i, id := range ids {
		x, known := index[id]
		switch {
		case !known:
			c.mistake(pointer+at(i), "there is no %s %q%s", what, id, nearest(id, index))
		case slices.Contains(list, x):
			c.mistake(pointer+at(i), "%s stands here twice", id)
		default:
			list = append(list, x)
		}
	}
	return list
}

// nearest proposes the name that somebody may have meant.
func nearest[T any](id string, index map[string]*T) string {
	best := spelling.Nearest(id, maps.Keys(index))
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

func (c *compiler) condition(pointer, text string) *condition.Condition {
	if text == "" || c.nodes > maxNodes {
		return nil
	}
	if known, ok := c.conditions[text]; ok {
		return known
	}
	cond, err := c.cat.FactsOnly.Compile(text, "")
	if err != nil {
		faults, ok := err.(condition.Faults)
		if !ok {
			faults = condition.Faults{{Text: err.Error()}}
		}
		for _, f := range faults {
			c.mistake(pointer, "%s (line %d, column %d of the condition)", f.Text, f.Line, f.Column)
		}
		return nil
	}
	if c.nodes += cond.Nodes(); c.nodes > maxNodes {
		c.mistake(pointer, "all conditions up to here have more than %d nodes together: the job book needs fewer, or simpler ones", maxNodes)
	}
	c.conditions[text] = cond
	return cond
}

// on compiles the condition of an entry: of one of its kinds, and what it says itself.
func (c *compiler) on(pointer string, form onForm) *condition.Condition {
	text := c.onText(pointer, form)
	if text == "" {
		return nil
	}
	return c.condition(pointer, text)
}

// onText is the condition of an entry, written as one; empty where it says none or is not one. What is wrong
// with its parts is told where they stand.
func (c *compiler) onText(pointer string, form onForm) string {
	if form.When != "" && c.condition(pointer+"/when", form.When) == nil {
		return ""
	}
	var any []string
	for _, k := range named(c, c.kinds, "kind of vehicle", pointer+"/on", form.On) {
		if c.conditions[k.When] == nil {
			return "" // its own mistakes are told
		}
		any = append(any, "("+k.When+")")
	}
	text := strings.Join(any, " || ")
	switch {
	case text == "":
		return form.When
	case form.When != "":
		return "(" + text + ") && (" + form.When + ")"
	}
	return text
}

// rangeOf checks that a low, a likely and a high figure are in that order.
func (c *compiler) rangeOf(pointer string, form []int) Range {
	if len(form) != 3 {
		return Range{}
	}
	if form[0] > form[1] || form[1] > form[2] {
		c.mistake(pointer, "low, likely and high, in this order: %d, %d, %d are not", form[0], form[1], form[2])
	}
	return Range{form[0], form[1], form[2]}
}

// hours makes whole minutes of hours.
func (c *compiler) hours(pointer string, form []float64) Hours {
	minutes := make([]int, len(form))
	for i, h := range form {
		minutes[i] = int(math.Round(h * 60))
	}
	return c.rangeOf(pointer, minutes)
}

func (c *compiler) findings(pointer string, form map[string][]string) []*catalogue.Finding {
	var list []*catalogue.Finding
	for _, id := range slices.Sorted(maps.Keys(form)) {
		if it := c.item(pointer+at(id), id); it != nil {
			list = append(list, c.found(pointer+at(id), it, form[id])...)
		}
	}
	return list
}

func (c *compiler) found(pointer string, it *catalogue.Item, ids []string) []*catalogue.Finding {
	list := []*catalogue.Finding{} // none, rather than nothing said
	for i, id := range ids {
		f := it.Find(id)
		switch {
		case f == nil:
			c.cannotBeFound(pointer+at(i), it, id)
		case slices.Contains(list, f):
			c.mistake(pointer+at(i), "%s stands here twice", id)
		default:
			list = append(list, f)
		}
	}
	return list
}

func (c *compiler) cannotBeFound(pointer string, it *catalogue.Item, id string) {
	var takes []string
	for _, f := range it.Finds {
		takes = append(takes, f.ID)
	}
	c.mistake(pointer, "%q cannot be found on %s: it takes %s", id, it.ID, strings.Join(takes, ", "))
}

func (c *compiler) item(pointer, id string) *catalogue.Item {
	it := c.cat.Item(id)
	if it == nil {
		c.mistake(pointer, "there is no item %q", id)
	}
	return it
}

func (c *compiler) people(n int) int { return max(n, 1) }

func (c *compiler) needs(pointer string, form []needForm) []Need {
	var list []Need
	for i, f := range form {
		p := pointer + at(i)
		if parts := named(c, c.parts, "part", p+"/any", f.Any); len(parts) > 0 {
			list = append(list, Need{Any: parts, Times: max(f.Times, 1)})
		}
	}
	return list
}

func (c *compiler) surprises(pointer string, form []surpriseForm) []Surprise {
	var list []Surprise
	for i, f := range form {
		s := Surprise{What: f.What, Chance: int(math.Round(f.Chance * 10_000)), Adds: c.named(pointer+at(i, "adds"), f.Adds)}
		if s.Chance == 0 || s.Chance == 10_000 {
			c.mistake(pointer+at(i, "chance"), "%v is as good as never or always: chances are counted in ten thousand", f.Chance)
		}
		list = append(list, s)
	}
	return list
}

func (c *compiler) openings(pointer string, form openForms) []Opening {
	var list []Opening
	for i, f := range form {
		p := pointer + at(i)
		all := p + "/all"
		if len(form) == 1 && c.src.IsWord(p) {
			all = pointer
		}
		list = append(list, Opening{When: c.on(p, f.onForm), All: named(c, c.states, "state", all, f.All)})
	}
	return list
}

func (c *compiler) allStates() {
	wayIDs := map[string]*Way{}
	for i, f := range c.form.States {
		s, p := c.book.States[i], at("states", i)
		s.When = c.on(p, f.onForm)
		s.Shuts = named(c, c.fittings, "fitting", p+"/shuts", f.Shuts)
		for _, x := range s.Shuts {
			x.Shut = append(x.Shut, s)
		}
		s.Spoils = c.findings(p+"/spoils", f.Spoils)
		for k, wf := range f.Ways {
			p := p + at("ways", k)
			w := &Way{
				ID: s.ID, State: s, Index: len(c.book.Ways), When: c.on(p, wf.onForm), Note: wf.Note, Source: c.source(wf.Source),
				If: named(c, c.traits, "trait", p+"/if", wf.If), Unless: named(c, c.traits, "trait", p+"/unless", wf.Unless),
				Needs: named(c, c.states, "state", p+"/needs", wf.Needs),
				After: c.named(p+"/after", wf.After), Then: c.named(p+"/then", wf.Then),
				Open: c.hours(p+"/open", wf.Open), Close: c.hours(p+"/close", wf.Close), People: c.people(wf.People),
				Uses: named(c, c.plants, "plant", p+"/uses", wf.Uses), Holds: named(c, c.plants, "plant", p+"/holds", wf.Holds),
				Places: named(c, c.places, "place", p+"/places", wf.Places),
				UsesUp: c.needs(p+"/uses_up", wf.UsesUp), Surprise: c.surprises(p+"/surprise", wf.Surprise),
			}
			if wf.ID != "" {
				w.ID += "." + wf.ID
			} else if len(f.Ways) > 1 {
				c.mistake(p, "needs an id, for %s has several ways", s.ID)
			}
			if slices.Contains(w.Needs, s) {
				c.mistake(p+"/needs", "%s needs itself", s.ID)
			}
			entry(c, wayIDs, p, w.ID, w)
			s.Ways = append(s.Ways, w)
			c.book.Ways = append(c.book.Ways, w)
		}
	}
}

func (c *compiler) allJobs() {
	for _, e := range c.entries {
		c.oneJob(e)
	}
	for _, j := range c.book.Jobs {
		for _, other := range j.With {
			p := c.entries[j.Index].at("with")
			switch {
			case other == j || other.Of != nil && other.Of == j.Of || other.Of == j || other == j.Of:
				c.mistake(p, "is renewed with itself")
			case !slices.Contains(other.With, j):
				c.mistake(p, "%s is not renewed with %s: with goes both ways", other.ID, j.ID)
			}
		}
	}
}

func (c *compiler) oneJob(e *jobEntry) {
	j, f, p := e.job, e.form, e.pointer
	j.When = c.variantOn(e)
	j.Gives = slices.Concat(c.gives(p+"/gives", f.Gives, false), c.gives(p+"/shows", f.Shows, true))
	for k, g := range j.Gives {
		if it := g.Finding.Item; !slices.Contains(j.Items, it) {
			j.Items = append(j.Items, it)
		}
		if slices.ContainsFunc(j.Gives[:k], func(x Give) bool { return x.Finding == g.Finding }) {
			c.mistake(p+at("shows", g.Finding.Item.ID), "%s is among what it gives already", g.Finding.ID)
		}
		if measured(g.Finding) {
			j.Readings = append(j.Readings, g.Finding)
		}
	}
	c.given(j, p+"/at", f.At)
	j.Mends = c.findings(p+"/mends", f.Mends)
	for _, m := range j.Mends {
		if !slices.Contains(j.Items, m.Item) {
			j.Items = append(j.Items, m.Item)
		}
		if slices.ContainsFunc(j.Gives, func(g Give) bool { return g.Finding == m }) {
			c.mistake(p+at("mends", m.Item.ID), "%s is among what it gives already", m.ID)
		}
	}
	j.Open = c.openings(e.at("open"), f.Open)
	j.Fitted = named(c, c.fittings, "fitting", p+"/fitted", f.Fitted)
	j.After = c.named(p+"/after", f.After)
	j.Must = c.named(p+"/must", f.Must)
	j.Then = c.named(p+"/then", f.Then)
	j.With = c.named(p+"/with", f.With)
	j.Closes = named(c, c.states, "state", p+"/closes", f.Closes)
	for _, s := range j.Closes {
		s.ClosedBy = append(s.ClosedBy, j)
	}
	j.Spoils = c.findings(p+"/spoils", f.Spoils)
	j.Proof, j.Discovered, j.Once, j.Licensed = f.Proof, f.Discovered, f.Once, f.Licensed
	c.gate(p+"/once", f.Once)
	j.BoughtIn = c.needs(e.at("bought_in"), f.BoughtIn)
	if j.Licensed == "" && j.BoughtIn != nil {
		c.mistake(e.at("bought_in"), "only licensed work is bought in: name the licence")
	}
	j.People, j.Hours, j.Wait = c.people(f.People), c.hours(e.at("hours"), f.Hours), c.hours(e.at("wait"), f.Wait)
	j.Uses = named(c, c.plants, "plant", e.at("uses"), f.Uses)
	j.Places = named(c, c.places, "place", e.at("places"), f.Places)
	j.Parts = c.needs(e.at("parts"), f.Parts)
	j.Reveals = c.surprises(p+"/reveals", f.Reveals)
	j.Later = c.later(p+"/later", f.Later)
	c.inside(j, e)
}

// variantOn compiles where a job holds: a variant where its own condition does and those of the ones before it
// do not, the job itself where none of them does.
func (c *compiler) variantOn(e *jobEntry) *condition.Condition {
	var all []string
	if text := c.onText(e.pointer, e.form.onForm); text != "" {
		all = append(all, "("+text+")")
	}
	for k, v := range e.form.Variants {
		p := e.pointer + at("variants", k)
		text := c.onText(p, v.onForm)
		if v.When == "" && len(v.On) == 0 {
			c.mistake(p, "has to say on which vehicles: on or when")
		}
		if text == "" {
			return nil // what is wrong is told
		}
		if k == e.variant {
			all = append(all, "("+text+")")
			break
		}
		all = append(all, "!("+text+")")
	}
	return c.condition(e.pointer, strings.Join(all, " && "))
}

// inside looks for a job that contradicts itself: one that is done with something open, and needs fitted
// what that takes away.
func (c *compiler) inside(j *Job, e *jobEntry) {
	for k, o := range j.Open {
		for _, s := range o.All {
			for _, x := range s.Shuts {
				if slices.Contains(j.Fitted, x) && !slices.Contains(j.Closes, s) {
					c.mistake(e.at("open")+at(k), "%s takes away %s, which the job needs fitted", s.ID, x.ID)
				}
			}
		}
	}
}

// measured reports whether a finding is a reading or a word that only who did the job can know.
func measured(f *catalogue.Finding) bool {
	switch f.Kind {
	case catalogue.Quantity, catalogue.Count, catalogue.Text, catalogue.WeekCode:
		return true
	case catalogue.Date:
		return f != f.Item.Renewed
	}
	return false
}

func (c *compiler) gives(pointer string, form map[string]giveForm, shown bool) []Give {
	var list []Give
	for _, id := range slices.Sorted(maps.Keys(form)) {
		p := pointer + at(id)
		it := c.item(p, id)
		if it == nil {
			continue
		}
		for i, id := range form[id].ids {
			fp := p + at(i)
			value := form[it.ID].values[id]
			if value != nil {
				fp = p + at(id)
			}
			f := it.Find(id)
			if f == nil {
				c.cannotBeFound(fp, it, id)
				continue
			}
			if string(value) == "null" {
				value = nil
			}
			if value != nil {
				_, faults := report.DecodeFound(fmt.Appendf(nil, "{%q:%s}", f.ID, value), it, c.cat)
				for _, x := range faults {
					c.mistake(fp, "%s", x.Detail)
				}
			}
			if slices.ContainsFunc(list, func(g Give) bool { return g.Finding == f }) {
				c.mistake(fp, "%s stands here twice", id)
				continue
			}
			list = append(list, Give{Finding: f, Value: json.RawMessage(value), Shown: shown})
		}
	}
	return list
}

// given says at which positions a job gives what it gives of an item.
func (c *compiler) given(j *Job, pointer string, form map[string][]string) {
	for _, id := range slices.Sorted(maps.Keys(form)) {
		p := pointer + at(id)
		it := c.item(p, id)
		if it == nil {
			continue
		}
		var list []*catalogue.Position
		for i, name := range form[id] {
			k := slices.IndexFunc(it.Positions, func(x *catalogue.Position) bool { return x.ID == name })
			if k < 0 {
				c.mistake(p+at(i), "%s has no position %q", it.ID, name)
				continue
			}
			list = append(list, it.Positions[k])
		}
		any := false
		for k := range j.Gives {
			if j.Gives[k].Finding.Item == it {
				j.Gives[k].At, any = list, true
			}
		}
		if !any {
			c.mistake(p, "gives nothing on %s", it.ID)
		}
	}
}

func (c *compiler) gate(pointer, id string) {
	if id != "" && !slices.ContainsFunc(c.set.Gates, func(g *ruleset.Gate) bool { return g.ID == id }) {
		c.mistake(pointer, "there is no gate %q", id)
	}
}

func (c *compiler) later(pointer string, form *laterForm) *Later {
	if form == nil {
		return nil
	}
	l := &Later{Item: c.item(pointer+"/item", form.Item), Shape: form.Shape, Scale: form.Scale, Fails: c.hours(pointer+"/fails", form.Fails), Because: form.Because}
	if form.Per == "km" {
		l.Unit = Distance
	}
	return l
}

// looks gives every item its look: its own, or that of the catalogue's word for what has to be off.
func (c *compiler) looks() {
	takes := c.form.LookTakes
	if takes == nil {
		takes = lookTakes
	}
	c.rangeOf("/look_takes", takes)
	byWord, byItem := map[string]int{}, map[string]int{}
	for i, f := range c.form.Looks {
		p := at("looks", i)
		switch {
		case f.Item != "" && f.Access == "":
			if c.item(p+"/item", f.Item) == nil {
				continue
			}
			if _, twice := byItem[f.Item]; twice {
				c.mistake(p, "there is a look at %s already", f.Item)
			}
			byItem[f.Item] = i
		case f.Access != "" && f.Item == "":
			if _, twice := byWord[f.Access]; twice {
				c.mistake(p, "there is a look by %s already", f.Access)
			}
			if f.Gives != nil || f.Not != nil {
				c.mistake(p, "what a look gives is said of an item")
			}
			byWord[f.Access] = i
		default:
			c.mistake(p, "a look is at an item, or at all items of one access: one of the two")
		}
	}
	told := map[string]bool{}
	for _, it := range c.cat.Items {
		minutes := func(percent int) int { return int(math.Round(it.Minutes * float64(percent) / 100)) }
		l := &Look{Item: it, People: 1, Hours: Hours{minutes(takes[0]), minutes(takes[1]), minutes(takes[2])}}
		c.book.Looks = append(c.book.Looks, l)
		i, own := byItem[it.ID]
		w, byAccess := byWord[it.Access]
		if !own && !byAccess && told[it.Access] {
			continue
		}
		if !own && !byAccess {
			told[it.Access] = true
			c.mistake("/looks", "the catalogue has items behind %q, such as %s, and no look says what that is", it.Access, it.ID)
			continue
		}
		for _, f := range it.Finds {
			if f.Kind != catalogue.Text && f.Kind != catalogue.Date && f != it.Age {
				l.Gives = append(l.Gives, f)
			}
		}
		// An item's own look takes what has to be off from its access unless it says so itself.
		if byAccess && (!own || c.form.Looks[i].Open == nil) {
			l.Open = c.openings(at("looks", w, "open"), c.form.Looks[w].Open)
			l.Fitted = named(c, c.fittings, "fitting", at("looks", w, "fitted"), c.form.Looks[w].Fitted)
		}
		if !own {
			continue
		}
		f, p := c.form.Looks[i], at("looks", i)
		if f.Open != nil {
			l.Open = c.openings(p+"/open", f.Open)
		}
		if f.Fitted != nil {
			l.Fitted = named(c, c.fittings, "fitting", p+"/fitted", f.Fitted)
		}
		l.People, l.Once = c.people(f.People), f.Once
		c.gate(p+"/once", f.Once)
		if f.Gives != nil {
			l.Gives = c.found(p+"/gives", it, *f.Gives)
		}
		not := c.found(p+"/not", it, f.Not)
		l.Gives = slices.DeleteFunc(l.Gives, func(f *catalogue.Finding) bool { return slices.Contains(not, f) })
	}
}

// rings looks for jobs that come after themselves.
func (c *compiler) rings() {
	const (
		unseen = iota
		open
		done
	)
	state := make([]int, len(c.book.Jobs))
	before := make([][]*Job, len(c.book.Jobs))
	for _, j := range c.book.Jobs {
		before[j.Index] = append(before[j.Index], slices.Concat(j.After, j.Must)...)
		for _, next := range j.Then {
			before[next.Index] = append(before[next.Index], j)
		}
	}
	var path []*Job
	var visit func(j *Job)
	visit = func(j *Job) {
		switch state[j.Index] {
		case done:
			return
		case open:
			ring := path[slices.Index(path, j):]
			var ids []string
			for _, x := range slices.Backward(ring) {
				ids = append(ids, x.ID)
			}
			c.mistake(c.entries[j.Index].pointer, "comes after itself: %s, then %s again", strings.Join(ids, ", then "), ids[0])
			return
		}
		state[j.Index] = open
		path = append(path, j)
		for _, first := range before[j.Index] {
			visit(first)
		}
		path = path[:len(path)-1]
		state[j.Index] = done
	}
	for _, j := range c.book.Jobs {
		visit(j)
	}
}
