package plan

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/jobbook"
	"laidup/internal/report"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// maker is a plan in the making. Amounts in it are sixths of a minute of labour, so that means are whole.
type maker struct {
	book *jobbook.Book
	set  *ruleset.Set
	d    *report.Dossier
	a    *score.Assessment
	q    Request
	goal int             // index of the gate
	came []score.Blocker // that came up once what clears the others had been reported
	p    *Plan

	wants  []*want
	byWant map[place]*want
	alone  map[string]*choice // jobs and looks that can be done here, by id
	order  []*choice          // the same, in the order of ids
	ways   []*way
	wayOf  map[string]*way
	barred map[*jobbook.Trait][]*way      // by what nobody told
	proves map[*catalogue.Finding]*choice // whoever has to prove it again once it was spoiled
	off    map[string]*way                // by which way what is open already was opened, by state

	problem *Problem
	opening *Opening
}

// place is a finding at a position of its item, or on the item as a whole.
type place struct {
	finding *catalogue.Finding
	at      *catalogue.Position // nil: the whole
}

// want is a finding that clears blockers.
type want struct {
	place
	value  json.RawMessage
	ranks  []int // of the blockers
	ask    score.Clearing
	bad    bool // something was found bad, so that showing is not enough
	gate   int
	chance float64 // that the item is bad
}

// key is a finding's name in orders: item.finding.
func key(f *catalogue.Finding) string { return f.Item.ID + "." + f.ID }

// key is the name of a want in the problem.
func (w *want) key() string {
	if w.at != nil {
		return key(w.finding) + "@" + w.at.ID
	}
	return key(w.finding)
}

// mended is the name of a want's being put right.
func (w *want) mended() string { return w.key() + " mended" }

// choice is a job or a look as the plan may take it.
type choice struct {
	id, is   string
	job      *jobbook.Job  // nil for a look
	look     *jobbook.Look // nil for a job
	open     [][]string
	fitted   []*jobbook.Fitting
	needs    []string // jobs
	minutes  Range    // elapsed
	people   int
	parts    []jobbook.Need
	boughtIn bool
	once     int // index of the gate that has to be passed before; -1: none
	spoils   []*catalogue.Finding
	proof    bool
	gives    []*want // what it shows
	mends    []*want // what was found bad and it puts right; whoever shows it comes after it
	branches []branch
	cost     int64
	unsure   []string // facts that are not known and that it hangs on
}

type branch struct {
	what   string
	chance int
	adds   []*jobbook.Job
	order  []*choice // the same where they can be done here
}

type way struct {
	*jobbook.Way
	already       bool // what it opens is open when the work begins
	cost, closing int64
	branches      []branch
	assumed       []Assumed
}

// alreadyOff is the job of a problem that has all open that is open already: it has to be shut again.
const alreadyOff = "already off"

// rounds is how often a plan is made anew because what it reports raises questions; one is usual.
const rounds = 4

// AsOf is a dossier as it speaks on the day on which work begins, where that is later than its newest report: what was
// looked at for a day, a gearbox in neutral say, has to be looked at again, and is part of the work.
func AsOf(reports []*report.Report, start calendar.Day) []*report.Report {
	for _, r := range reports {
		if r.Counts() >= start {
			return reports
		}
	}
	return append(slices.Clip(reports), &report.Report{Vehicle: reports[0].Vehicle, Inspected: start})
}

// Make makes the plan for the goal gate. The dossier is that which the assessment was made of, under the
// rule set. The plan is nil and the error nil never together; where the gate is clear the plan is empty, and where the
// work holds itself up the plan says so.
func Make(book *jobbook.Book, set *ruleset.Set, d *report.Dossier, a *score.Assessment, q Request) (*Plan, error) {
	m := &maker{book: book, set: set, d: d, a: a, q: q}
	if m.q.Goal == "" {
		m.q.Goal = a.Verdict.Gate
	}
	m.q.People = max(1, m.q.People)
	if m.q.DayMinutes <= 0 {
		m.q.DayMinutes = 480
	}
	if m.q.Start == 0 {
		m.q.Start = d.AsOf
	}
	m.goal = slices.IndexFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == m.q.Goal })
	if m.goal < 0 {
		return nil, fmt.Errorf("plan: there is no gate %q", m.q.Goal)
	}
	for _, id := range q.Without {
		if !slices.ContainsFunc(book.Jobs, func(j *jobbook.Job) bool { return j.ID == id }) {
			return nil, fmt.Errorf("plan: the job book has no job %q", id)
		}
	}
	// What the steps report may raise questions of its own: then what answers them is wanted too.
	scorer := score.New(set)
	for range rounds {
		if err := m.make(); err != nil {
			return nil, err
		}
		if m.p.NoOrder != nil {
			break
		}
		left, tried := m.left(scorer)
		if !tried || len(left) == 0 {
			m.p.Proof.Clears = tried
			break
		}
		if !m.ask(left) {
			// The rule set asks for what was reported already.
			for _, b := range left {
				m.p.Open = append(m.p.Open, b.ClearBy...)
			}
			break
		}
	}
	return m.p, nil
}

// make plans for the blockers known.
func (m *maker) make() error {
	m.begin()
	m.collect()
	m.choices()
	m.routes()
	m.price()
	if err := m.choose(); err != nil {
		return err
	}
	if err := m.lay(); err != nil {
		return err
	}
	m.stages()
	return nil
}

// left scores the vehicle as it is once all that the steps report has been reported, and returns what still
// stands in the way; false if that cannot be tried, because something is not given or a fact has to be told
// first.
func (m *maker) left(scorer *score.Scorer) ([]score.Blocker, bool) {
	if len(m.p.Open) > 0 || len(m.p.Facts) > 0 {
		return nil, false
	}
	type observation struct {
		Item   string             `json:"item"`
		Method string             `json:"method"`
		At     []string           `json:"at,omitempty"`
		Found  score.FindingsForm `json:"found"`
	}
	observations := []observation{}
	for _, s := range m.p.Steps {
		for _, c := range slices.Concat(s.Reports, s.Measures) {
			observations = append(observations, observation{c.Item, "tested", c.At, c.Found})
		}
	}
	data, err := json.Marshal(map[string]any{
		"schema": report.SchemaName, "vehicle": map[string]any{"reference": m.d.Vehicle.Reference},
		"inspection": map[string]any{"date": m.d.AsOf.String()}, "observations": observations,
	})
	if err != nil {
		return nil, false
	}
	r, _, faults := report.Decode(data, m.set.Catalogue)
	if len(faults) > 0 {
		return nil, false
	}
	return scorer.Evaluate(append(slices.Clone(m.d.Reports), r), m.goal).BlockersBy(m.q.Goal), true
}

// ask adds to what is wanted what clears blockers that came up; false if all of it was wanted already.
func (m *maker) ask(left []score.Blocker) bool {
	more := false
	for _, b := range left {
		for _, c := range b.ClearBy {
			for _, f := range c.Found {
				at := c.At
				if len(at) == 0 {
					at = []string{""}
				}
				for _, position := range at {
					x := place{finding: m.set.Catalogue.Item(c.Item).Find(f.ID)}
					if position != "" {
						x.at = m.set.Catalogue.Position(position)
					}
					more = more || m.byWant[x] == nil
				}
			}
		}
		b.Rank = 0 // it is none of the assessment's
		m.came = append(m.came, b)
	}
	return more
}

func (m *maker) begin() {
	m.wants, m.order, m.ways = nil, nil, nil
	m.barred = map[*jobbook.Trait][]*way{}
	m.byWant, m.alone, m.wayOf, m.proves = map[place]*want{}, map[string]*choice{}, map[string]*way{}, map[*catalogue.Finding]*choice{}
	m.p = &Plan{
		Schema: SchemaName, Vehicle: m.a.Vehicle, Assessment: m.a.ID, Report: m.a.Report, AsOf: m.a.AsOf, Goal: m.q.Goal, RuleSet: m.a.RuleSet,
		Book: BookName{m.book.Name, m.book.Version, m.book.Digest}, Opening: []Opened{}, Steps: []Doing{}, While: []Weighed{}, Looks: []LookFor{}, Branches: []Branch{}, Order: []Ordered{}, Start: []Stage{}, Cautions: append([]string{}, m.book.Cautions...),
		Assumes: []string{
			"A look costs its minutes and, by the chance that the part is bad, what renewing it then costs.",
			"What comes to light adds its own work and parts; opening more for it is not counted in the ranges.",
			"A part of which nobody knows the age is as old as one that is renewed whenever it fails is on average, at least as old as the lay-up, at most as old as the vehicle.",
		},
	}
	if m.book.Rate > 0 {
		m.p.Currency = m.book.Currency
	}
	m.p.State = m.a.Gates[m.goal].State
	m.already()
}

// already finds out by which ways what is open when the work begins was opened, and what is open with it.
func (m *maker) already() {
	m.off = map[string]*way{}
	todo := slices.Clone(m.q.Off)
	slices.Sort(todo)
	for len(todo) > 0 {
		id := todo[0]
		todo = todo[1:]
		i := slices.IndexFunc(m.book.States, func(s *jobbook.State) bool { return s.ID == id })
		if i < 0 || m.off[id] != nil {
			continue
		}
		s := m.book.States[i]
		var by *jobbook.Way
		fewest := 0
		for _, w := range s.Ways {
			if may, _, _ := m.holds(w.When); !may || !m.has(s) {
				continue
			}
			missing := 0
			for _, n := range m.stateIDs(w.Needs) {
				if !slices.Contains(m.q.Off, n) {
					missing++
				}
			}
			if by == nil || missing < fewest {
				by, fewest = w, missing
			}
		}
		if by == nil {
			m.p.Assumes = append(m.p.Assumes, fmt.Sprintf("This vehicle has no %q that could be open: it is left out.", s.Is))
			continue
		}
		m.off[id] = &way{Way: by, already: true}
		todo = append(todo, m.stateIDs(by.Needs)...)
	}
}

// collect reads the blockers up to the goal.
func (m *maker) collect() {
	for _, b := range slices.Concat(m.a.BlockersBy(m.q.Goal), m.came) {
		gate := slices.IndexFunc(m.set.Gates, func(g *ruleset.Gate) bool { return g.ID == b.Gate })
		for _, c := range b.ClearBy {
			if c.Fact != "" {
				if !slices.ContainsFunc(m.p.Facts, func(f score.Clearing) bool { return f.Fact == c.Fact }) {
					m.p.Facts = append(m.p.Facts, c)
				}
				continue
			}
			it := m.set.Catalogue.Item(c.Item)
			at := []*catalogue.Position{nil}
			if len(c.At) > 0 {
				at = at[:0]
				for _, id := range c.At {
					at = append(at, m.set.Catalogue.Position(id))
				}
			}
			for _, f := range c.Found {
				finding := it.Find(f.ID)
				places := at
				if bad := b.Kind == ruleset.Defect.String() && c.Item == b.Item; len(c.At) == 0 && bad {
					if places = m.apart(finding); len(places) > 1 {
						m.p.Assumed = append(m.p.Assumed, Assumed{What: c.Item, Is: "nobody told where on it, so that all of it is seen to", For: b.Item})
					}
				}
				for _, position := range places {
					x := place{finding, position}
					w := m.byWant[x]
					if w == nil {
						w = &want{place: x, value: f.Value, gate: gate, chance: m.chanceBad(b)}
						w.ask = score.Clearing{Item: c.Item, Found: score.FindingsForm{f}}
						if position != nil {
							w.ask.At = []string{position.ID}
						}
						m.byWant[x] = w
						m.wants = append(m.wants, w)
					}
					if b.Rank > 0 {
						w.ranks = append(w.ranks, b.Rank)
					}
					w.gate = min(w.gate, gate)
					w.bad = w.bad || b.Kind == ruleset.Defect.String() && c.Item == b.Item
				}
			}
		}
	}
	slices.SortFunc(m.wants, func(a, b *want) int { return cmp.Compare(a.key(), b.key()) })
}

// apart returns the positions at which a finding on an item as a whole has to be put right one by one, because no
// job does it everywhere at once; else the whole, nil.
func (m *maker) apart(f *catalogue.Finding) []*catalogue.Position {
	whole := []*catalogue.Position{nil}
	some := false
	for _, j := range m.book.Jobs {
		if may, _, _ := m.holds(j.When); !may || slices.Contains(m.q.Without, j.ID) {
			continue
		}
		if slices.Contains(j.Mends, f) {
			return whole
		}
		for _, g := range j.Gives {
			if g.Finding != f || g.Shown {
				continue
			}
			if g.At == nil {
				return whole
			}
			some = true
		}
	}
	if positions, known := f.Item.PositionsOn(m.d.Frame); some && known && len(positions) > 0 {
		return positions
	}
	return whole
}

// chanceBad is how likely the item of a blocker is bad, by the register: any of its faults.
func (m *maker) chanceBad(b score.Blocker) float64 {
	good := 1.0
	seen := map[string]bool{}
	for _, e := range m.a.Register {
		for _, c := range e.Causes {
			if c.Item == b.Item && !seen[c.Fault] && (len(b.Faults) == 0 || slices.Contains(b.Faults, c.Fault)) {
				seen[c.Fault] = true
				good *= 1 - c.Probability.Float()
			}
		}
	}
	return 1 - good
}

// holds says whether an entry may be taken on this vehicle, and names the facts that it hangs on and that are
// not known.
func (m *maker) holds(c *condition.Condition) (may, sure bool, unsure []string) {
	switch jobbook.Holds(c, m.d.Frame) {
	case condition.True:
		return true, true, nil
	case condition.False:
		return false, false, nil
	}
	for _, slot := range c.Reads() {
		if f := m.set.Catalogue.Owner(slot); f != nil && f.Item == nil && math.IsNaN(m.d.Frame[slot]) {
			unsure = append(unsure, f.In+"."+f.ID)
		}
	}
	return true, false, unsure
}

// has says whether the vehicle has a state, or may have it.
func (m *maker) has(s *jobbook.State) bool {
	return jobbook.Holds(s.When, m.d.Frame) != condition.False
}

// stateIDs names the states that the vehicle has: a need of another is met.
func (m *maker) stateIDs(list []*jobbook.State) []string {
	var out []string
	for _, s := range list {
		if m.has(s) {
			out = append(out, s.ID)
		}
	}
	return out
}

// openings returns the alternatives of a job here; false if there are some in the book and none holds.
func (m *maker) openings(list []jobbook.Opening) ([][]string, bool) {
	if list == nil {
		return nil, true
	}
	sure, possible := jobbook.OpeningsOn(list, m.d.Frame)
	if len(sure) == 0 {
		sure = possible
	}
	var out [][]string
	for _, o := range sure {
		out = append(out, m.stateIDs(o.All))
	}
	return out, len(out) > 0
}

func rangeOf(r jobbook.Range) Range { return Range{int64(r.Low), int64(r.Likely), int64(r.High)} }

// gateIndex returns the place of a gate that an entry has to come after; -1 for none.
func (m *maker) gateIndex(id string) int {
	return slices.IndexFunc(m.set.Gates, func(g *ruleset.Gate) bool { return g.ID == id })
}

// choices lists the jobs and looks that can be done on this vehicle, with what each gives of what is wanted.
func (m *maker) choices() {
	for _, j := range slices.Concat(m.book.Jobs, m.refits()) {
		may, _, unsure := m.holds(j.When)
		once := m.gateIndex(j.Once)
		if !may || slices.Contains(m.q.Without, j.ID) || once >= m.goal {
			continue
		}
		open, can := m.openings(j.Open)
		if !can {
			continue
		}
		c := &choice{id: j.ID, is: j.Is, job: j, open: open, fitted: j.Fitted, minutes: rangeOf(j.Hours), people: j.People, parts: j.Parts, once: once, spoils: j.Spoils, proof: j.Proof, unsure: unsure}
		if j.Licensed != "" && !slices.Contains(m.q.Licences, j.Licensed) {
			if len(j.BoughtIn) == 0 {
				continue
			}
			c.boughtIn, c.minutes, c.parts = true, Range{}, slices.Concat(j.BoughtIn, j.Parts)
		}
		for _, n := range slices.Concat(j.Must, j.With) {
			if mayToo, _, _ := m.holds(n.When); mayToo {
				c.needs = append(c.needs, n.ID)
			}
		}
		for _, w := range m.wants {
			if once > w.gate {
				continue // it would come too late
			}
			for _, g := range j.Gives {
				if g.Finding != w.finding || !g.Covers(w.at) || g.Value != nil && w.value != nil && !sameJSON(g.Value, w.value) {
					continue
				}
				c.gives = append(c.gives, w)
				if w.bad && !g.Shown {
					c.mends = append(c.mends, w)
				}
			}
			if it := w.finding.Item; w.finding == it.Removed && slices.ContainsFunc(j.Gives, func(g jobbook.Give) bool { return g.Finding == it.Renewed && g.Covers(w.at) }) {
				c.gives, c.mends = append(c.gives, w), append(c.mends, w) // who renews a part that is off fits the new one
			}
			if w.bad && slices.Contains(j.Mends, w.finding) && !slices.Contains(c.mends, w) {
				c.mends = append(c.mends, w)
			}
		}
		for _, f := range j.Mends {
			if !slices.Contains(c.spoils, f) {
				c.spoils = append(slices.Clone(c.spoils), f)
			}
		}
		for _, s := range j.Reveals {
			c.branches = append(c.branches, branch{what: s.What, chance: s.Chance, adds: s.Adds})
		}
		m.add(c)
	}
	for _, l := range m.book.Looks {
		if !l.Item.AppliesTo(m.d.Frame) || m.gateIndex(l.Once) >= m.goal {
			continue
		}
		open, can := m.openings(l.Open)
		if !can {
			continue
		}
		c := &choice{id: "look:" + l.Item.ID, is: "look at the " + l.Item.Is, look: l, open: open, fitted: l.Fitted, minutes: rangeOf(l.Hours), people: max(1, l.People), once: m.gateIndex(l.Once)}
		for _, w := range m.wants {
			if slices.Contains(l.Gives, w.finding) && c.once < w.gate {
				c.gives = append(c.gives, w)
			}
		}
		if len(c.gives) > 0 {
			m.add(c)
		}
	}
	slices.SortFunc(m.order, func(a, b *choice) int { return cmp.Compare(a.id, b.id) })
	// What cannot be done here is no need that can be met: whoever needs it goes too.
	for again := true; again; {
		again = false
		for i := 0; i < len(m.order); i++ {
			c := m.order[i]
			if slices.ContainsFunc(c.needs, func(n string) bool { return m.alone[n] == nil }) {
				delete(m.alone, c.id)
				m.order = slices.Delete(m.order, i, i+1)
				again = true
				i--
			}
		}
	}
	m.discovered()
	for _, c := range m.order {
		for i := range c.branches {
			m.follow(&c.branches[i])
		}
	}
}

// refits are jobs that put back what is off the vehicle and is asked for: where a look at it needs something
// opened, so does fitting it.
func (m *maker) refits() []*jobbook.Job {
	if m.book.Refit.High == 0 {
		return nil
	}
	var list []*jobbook.Job
	for _, w := range m.wants {
		it := w.finding.Item
		if w.finding != it.Removed || slices.ContainsFunc(list, func(j *jobbook.Job) bool { return slices.Contains(j.Items, it) }) {
			continue
		}
		look := m.book.Looks[it.Index]
		list = append(list, &jobbook.Job{
			ID: "refit:" + it.ID, Is: "put the " + it.Is + " back on", Items: []*catalogue.Item{it}, Hours: m.book.Refit, People: look.People, Open: look.Open,
			Gives: []jobbook.Give{{Finding: w.finding, Value: json.RawMessage("false")}},
		})
	}
	return list
}

func (m *maker) add(c *choice) {
	m.alone[c.id] = c
	m.order = append(m.order, c)
}

func (m *maker) follow(b *branch) {
	for _, j := range b.adds {
		if c := m.alone[j.ID]; c != nil {
			b.order = append(b.order, c)
		}
	}
}

// discovered lets jobs that are done only when something calls for them give what nobody else gives, and only
// that.
func (m *maker) discovered() {
	given, mended := map[*want]bool{}, map[*want]bool{}
	for _, c := range m.order {
		if c.job != nil && c.job.Discovered {
			continue
		}
		for _, w := range c.gives {
			given[w] = true
		}
		for _, w := range c.mends {
			mended[w] = true
		}
	}
	for _, c := range m.order {
		if c.job != nil && c.job.Discovered {
			c.gives = slices.DeleteFunc(c.gives, func(w *want) bool { return given[w] && (!w.bad || mended[w]) })
			c.mends = slices.DeleteFunc(c.mends, func(w *want) bool { return mended[w] })
		}
	}
}

func sameJSON(a, b json.RawMessage) bool {
	var x, y bytes.Buffer
	return json.Compact(&x, a) == nil && json.Compact(&y, b) == nil && bytes.Equal(x.Bytes(), y.Bytes())
}

// routes lists the ways that hold. Where it is known of one way to a state that it holds, those of which it is
// not known are no choice.
func (m *maker) routes() {
	for _, s := range m.book.States {
		if !m.has(s) {
			continue
		}
		if w := m.off[s.ID]; w != nil {
			m.ways = append(m.ways, w)
			m.wayOf[w.ID] = w
			continue
		}
		var sure, unsure []*way
		for _, w := range s.Ways {
			may, known, facts := m.holds(w.When)
			if !may || slices.ContainsFunc(slices.Concat(w.Uses, w.Holds), func(p *jobbook.Plant) bool { return m.plant(p) == 0 }) {
				continue
			}
			x := &way{Way: w}
			untold := m.traits(x)
			if len(untold) > 0 && untold[0] == nil {
				continue
			}
			for _, b := range w.Surprise {
				x.branches = append(x.branches, branch{what: b.What, chance: b.Chance, adds: b.Adds})
			}
			for i := range x.branches {
				m.follow(&x.branches[i])
			}
			if slices.ContainsFunc(slices.Concat(w.After, w.Then), func(j *jobbook.Job) bool {
				held, _, _ := m.holds(j.When)
				return held && m.alone[j.ID] == nil
			}) {
				continue
			}
			if len(untold) > 0 {
				for _, t := range untold {
					m.barred[t] = append(m.barred[t], x)
				}
				continue
			}
			if known {
				sure = append(sure, x)
				continue
			}
			for _, f := range facts {
				x.assumed = append(x.assumed, Assumed{What: f, Is: "it is not known, and decides the way in", For: w.ID})
			}
			unsure = append(unsure, x)
		}
		if len(sure) == 0 {
			sure = unsure
		}
		for _, w := range sure {
			m.ways = append(m.ways, w)
			m.wayOf[w.ID] = w
		}
	}
}

// traits notes the traits of the vehicle that a way hangs on and that nobody told. It returns those that, as they
// are taken, bar it; one nil where it is told that it does not hold.
func (m *maker) traits(w *way) []*jobbook.Trait {
	var bars []*jobbook.Trait
	for i, t := range slices.Concat(w.If, w.Unless) {
		want := i < len(w.If)
		value, told := m.q.Traits[t.ID]
		switch {
		case told && value != want:
			return []*jobbook.Trait{nil}
		case told:
		case t.Assumed != want:
			bars = append(bars, t)
		default:
			w.assumed = append(w.assumed, Assumed{What: t.ID, Is: t.Is, Value: truth(t.Assumed), For: w.ID})
		}
	}
	return bars
}

func truth(b bool) json.RawMessage {
	if b {
		return json.RawMessage("true")
	}
	return json.RawMessage("false")
}

// other names the traits that are worth looking up: were they not as they are taken, a cheaper way would be open.
func (m *maker) other() {
	for _, t := range m.book.Traits {
		if len(m.barred[t]) == 0 {
			continue
		}
		p := *m.problem
		p.Ways = slices.Clone(p.Ways)
		for _, w := range m.barred[t] {
			m.cost(w)
			p.Ways = append(p.Ways, m.wayIn(w, false))
		}
		if o, err := p.Solve(); err == nil && o.Cost < m.opening.Cost {
			saves := m.shown(m.opening.Cost - o.Cost)
			m.p.Assumed = append(m.p.Assumed, Assumed{What: t.ID, Is: t.Is, Value: truth(t.Assumed), For: m.barred[t][0].ID, Saves: &saves})
		}
	}
}

func (m *maker) plant(p *jobbook.Plant) int {
	if n, is := m.q.Plant[p.ID]; is {
		return n
	}
	return 1
}

// sixths turns a number of cents into sixths of a minute of labour, by the book's rate.
func (m *maker) sixths(cents int64) int64 {
	if m.book.Rate <= 0 {
		return 0
	}
	return (cents*360 + int64(m.book.Rate)/2) / int64(m.book.Rate)
}

// partsCost is the mean of what parts cost, in sixths of a minute.
func (m *maker) partsCost(needs []jobbook.Need) int64 {
	var sum int64
	for _, n := range needs {
		p := n.Any[0]
		if p.Money != nil {
			sum += m.sixths(rangeOf(*p.Money).Sixfold()/6) * int64(n.Times)
		} else {
			sum += rangeOf(p.Price).Sixfold() * int64(n.Times)
		}
	}
	return sum
}

func (m *maker) ownCost(c *choice) int64 {
	return c.minutes.Sixfold()*int64(c.people) + m.partsCost(c.parts)
}

func (m *maker) surprises(list []branch) int64 {
	var sum int64
	for _, b := range list {
		for _, c := range b.order {
			sum += (m.ownCost(c)*int64(b.chance) + 5000) / 10_000
		}
	}
	return sum
}

// price works out what every choice and way is expected to cost.
func (m *maker) price() {
	for _, c := range m.order {
		c.cost = m.ownCost(c) + m.surprises(c.branches)
	}
	for _, c := range m.order {
		if c.look == nil {
			continue
		}
		// What a look finds bad has to be seen to after all, by the cheapest job that does.
		var worst *want
		for _, w := range c.gives {
			if worst == nil || w.chance > worst.chance {
				worst = w
			}
		}
		if then := m.sees(worst); then != nil {
			chance := int(math.Round(worst.chance * 10_000))
			c.cost += (then.cost*int64(chance) + 5000) / 10_000
			c.branches = append(c.branches, branch{what: c.look.Item.Is + " found bad", chance: chance, order: []*choice{then}})
		}
	}
	for _, w := range m.ways {
		m.cost(w)
	}
}

// cost works out what a way is expected to cost.
func (m *maker) cost(w *way) {
	w.cost = rangeOf(w.Open).Sixfold()*int64(w.People) + m.surprises(w.branches)
	w.closing = rangeOf(w.Close).Sixfold()*int64(w.People) + m.partsCost(w.UsesUp)
}

// wayIn is a way as the problem has it: with the jobs that it brings, and those that prove again what it spoils. What is
// open already costs nothing to open, and what comes before its opening is behind it.
func (m *maker) wayIn(w *way, already bool) Way {
	jobs, cost := []string{}, w.cost
	brings := slices.Concat(w.After, w.Then)
	if already {
		brings, cost = w.Then, 0
	}
	for _, j := range brings {
		if m.alone[j.ID] != nil {
			jobs = append(jobs, j.ID)
		}
	}
	jobs = append(jobs, m.proofsOf(w.State.Spoils, "")...)
	return Way{ID: w.ID, Opens: w.State.ID, Needs: m.stateIDs(w.Needs), Jobs: jobs, Cost: cost, Closing: w.closing}
}

// sees returns the cheapest job that sees to an item which is bad: it gives the finding and does not only show
// it; nil if there is none.
func (m *maker) sees(w *want) *choice {
	var best *choice
	for _, c := range m.order {
		if c.job == nil || c.job.Proof || !slices.Contains(c.job.Mends, w.finding) && !slices.ContainsFunc(c.job.Gives, func(g jobbook.Give) bool { return g.Finding == w.finding && g.Covers(w.at) && !g.Shown }) {
			continue
		}
		if best == nil || c.cost < best.cost {
			best = c
		}
	}
	return best
}

// again finds who has to prove a finding once it was spoiled, if the rule set asks for it by the goal and it
// was known: what was proven before does not hold any more.
func (m *maker) again() {
	asked := map[*catalogue.Finding]bool{}
	for _, a := range jobbook.Asked(m.set, m.d.Frame) {
		if !a.Found && a.Gate.Index <= m.goal {
			asked[a.Finding] = true
		}
	}
	for _, c := range m.order {
		if !c.proof || c.once >= 0 {
			continue
		}
		for _, g := range c.job.Gives {
			if m.proves[g.Finding] == nil && asked[g.Finding] && !m.wanted(g.Finding) && m.d.Standing(g.Finding) != nil {
				m.proves[g.Finding] = c
			}
		}
	}
}

// wanted says whether a finding clears a blocker, wherever on its item.
func (m *maker) wanted(f *catalogue.Finding) bool {
	return slices.ContainsFunc(m.wants, func(w *want) bool { return w.finding == f })
}

func (m *maker) proofsOf(spoiled []*catalogue.Finding, but string) []string {
	var out []string
	for _, f := range spoiled {
		if c := m.proves[f]; c != nil && c.id != but && !slices.Contains(out, c.id) {
			out = append(out, c.id)
		}
	}
	return out
}

// choose sets the problem up and solves it: first what has to be done, then with what might be done while
// it is open.
func (m *maker) choose() error {
	m.again()
	p := &Problem{}
	possible := map[string]bool{}
	for _, c := range m.order {
		for _, w := range c.gives {
			possible[w.key()] = true
		}
		for _, w := range c.mends {
			possible[w.mended()] = true
		}
	}
	for _, w := range m.wants {
		names := []string{w.key()}
		if w.bad {
			names = append(names, w.mended())
		}
		if slices.ContainsFunc(names, func(n string) bool { return !possible[n] }) {
			m.p.Open = append(m.p.Open, w.ask)
		} else {
			p.Want = append(p.Want, names...)
		}
	}
	for _, w := range m.ways {
		p.Ways = append(p.Ways, m.wayIn(w, w.already))
	}
	if len(m.off) > 0 {
		p.Jobs = append(p.Jobs, Task{ID: alreadyOff, Open: [][]string{slices.Sorted(maps.Keys(m.off))}})
		p.Must = []string{alreadyOff}
	}
	for _, c := range m.order {
		t := Task{ID: c.id, Open: c.open, Needs: slices.Concat(c.needs, m.proofsOf(c.spoils, c.id)), Cost: c.cost}
		for _, w := range c.gives {
			t.Gives = append(t.Gives, w.key())
		}
		for _, w := range c.mends {
			t.Gives = append(t.Gives, w.mended())
		}
		if c.job != nil {
			t.Closes = m.stateIDs(c.job.Closes)
		}
		p.Jobs = append(p.Jobs, t)
	}
	m.problem = p
	var err error
	for {
		m.opening, err = p.Solve()
		var beyond *OutOfReach
		if !errors.As(err, &beyond) || len(beyond.Findings) == 0 {
			break
		}
		// What cannot be reached stays open and is named; the rest is planned.
		for _, w := range m.wants {
			names := []string{w.key(), w.mended()}
			if slices.ContainsFunc(names, func(n string) bool { return slices.Contains(beyond.Findings, n) }) {
				m.p.Open = append(m.p.Open, w.ask)
				p.Want = slices.DeleteFunc(p.Want, func(f string) bool { return slices.Contains(names, f) })
			}
		}
	}
	if err != nil {
		return err
	}
	if !m.q.Now {
		if err := m.weigh(); err != nil {
			return err
		}
	}
	m.other()
	m.opening.Jobs = slices.DeleteFunc(m.opening.Jobs, func(id string) bool { return id == alreadyOff })
	return nil
}

// opened returns the states that an answer opens.
func (m *maker) opened(o *Opening) map[string]bool {
	out := map[string]bool{}
	for _, id := range o.Ways {
		out[m.wayOf[id].State.ID] = true
	}
	return out
}

// weighing is a job that is weighed, in sixths of a minute.
type weighing struct {
	Weighed
	now, later, alone int64
}

// weigh adds the jobs that might be done while things are open, and solves again.
func (m *maker) weigh() error {
	isOpen := m.opened(m.opening)
	within := func(states []string) bool {
		missing := ""
		for _, s := range states {
			if isOpen[s] {
				continue
			}
			if missing != "" {
				return false
			}
			missing = s
		}
		return missing == "" || slices.ContainsFunc(m.ways, func(w *way) bool {
			return w.State.ID == missing && !slices.ContainsFunc(m.stateIDs(w.Needs), func(n string) bool { return !isOpen[n] })
		})
	}
	years, km := float64(m.years()), m.distance()
	// What something costs alone is a plan of its own.
	bare := *m.problem
	bare.Want, bare.Must, bare.Ways = nil, nil, nil
	for _, w := range m.ways {
		bare.Ways = append(bare.Ways, m.wayIn(w, false)) // by then it is shut
	}
	candidates := map[string]*weighing{}
	var far []*weighing // whose access is neither open nor nearly so: only a look may bring them in
	tasks := slices.Clone(m.problem.Jobs)
	for i := range tasks {
		c := m.alone[tasks[i].ID]
		if c == nil || c.job == nil || c.job.Later == nil || c.job.Discovered || c.once >= 0 || c.boughtIn || len(c.unsure) > 0 {
			continue
		}
		if _, is := slices.BinarySearch(m.opening.Jobs, c.id); is || m.renewed(c) {
			continue
		}
		near := len(isOpen) > 0 && len(c.open) > 0 && slices.ContainsFunc(c.open, within) && !slices.ContainsFunc(c.open, func(s []string) bool { return len(s) == 0 })
		if !near && !m.lookable(c.job.Later.Item) {
			continue
		}
		bare.Must = []string{c.id}
		alone, err := bare.Solve()
		if err != nil {
			continue
		}
		l := c.job.Later
		age, ahead := m.age(l), years
		if l.Unit == jobbook.Distance {
			ahead = km
		}
		w := &weighing{Weighed: Weighed{Job: c.id, Is: c.is, Because: l.Because}}
		w.now, w.alone = alone.Cost, alone.Cost+rangeOf(l.Fails).Sixfold()
		w.Chance = tenThousandths(math.Max(Fails(l.Shape, l.Scale, age, ahead), m.chanceOf(l.Item)))
		w.New = tenThousandths(Fails(l.Shape, l.Scale, 0, ahead))
		if !near {
			far = append(far, w)
			continue
		}
		weighed := NowOrLater{Chance: w.Chance, New: w.New, Alone: w.alone}
		w.later = weighed.Later()
		tasks[i].Optional, tasks[i].Later = true, w.later
		tasks[i].Cost += weighed.expected(w.New)
		candidates[c.id] = w
	}
	if len(candidates) == 0 {
		m.looks(far)
		return nil
	}
	full := *m.problem
	full.Jobs = tasks
	o, err := full.Solve()
	if err != nil {
		return err
	}
	m.problem, m.opening = &full, o
	var all []*weighing
	for i := range tasks {
		w := candidates[tasks[i].ID]
		if w == nil {
			continue
		}
		_, w.Done = slices.BinarySearch(o.Jobs, w.Job)
		// What it adds is the difference between the plan with it and the best one without.
		other := full
		other.Jobs = slices.Clone(tasks)
		if w.Done {
			other.Jobs[i].Cost = maxCost / 4
			other.Jobs[i].Optional = false
			if alt, err := other.Solve(); err == nil && !slices.Contains(alt.Jobs, w.Job) {
				w.now = o.Cost - alt.Cost
			} else {
				w.now = tasks[i].Cost
			}
		} else {
			other.Must = append(slices.Clone(full.Must), w.Job)
			if alt, err := other.Solve(); err == nil {
				w.now = alt.Cost - (o.Cost - w.later)
			}
		}
		all = append(all, w)
	}
	slices.SortFunc(all, func(a, b *weighing) int {
		return cmp.Or(cmp.Compare(btoi(b.Done), btoi(a.Done)), cmp.Compare(b.later-b.now, a.later-a.now), cmp.Compare(a.Job, b.Job))
	})
	m.looks(slices.Concat(all, far))
	for _, w := range all {
		w.Now, w.Later, w.Alone = m.shown(w.now), m.shown(w.later), m.shown(w.alone)
		m.p.While = append(m.p.While, w.Weighed)
	}
	return nil
}

// looks names the looks that are worth more than they take, the most per minute first.
func (m *maker) looks(list []*weighing) {
	for _, w := range list {
		m.lookFirst(w)
		if w.Look == nil {
			continue
		}
		it := m.alone[w.Job].job.Later.Item
		x := LookFor{LookFirst: *w.Look, Is: it.Is, Job: w.Job, JobIs: w.Is, Done: w.Done}
		worth := w.Look.Worth.Minutes * 100
		if w.Look.Worth.Cost != nil {
			worth = int64(*w.Look.Worth.Cost)
		}
		x.PerMinute = Cents(worth / max(1, w.Look.Minutes))
		m.p.Looks = append(m.p.Looks, x)
	}
	slices.SortStableFunc(m.p.Looks, func(a, b LookFor) int {
		return cmp.Or(cmp.Compare(b.PerMinute, a.PerMinute), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Job, b.Job))
	})
}

// lookable says whether nobody had a look at an item yet, and one needs nothing more opened.
func (m *maker) lookable(it *catalogue.Item) bool {
	if it == nil {
		return false
	}
	look := m.book.Looks[it.Index]
	open, can := m.openings(look.Open)
	isOpen := m.opened(m.opening)
	reached := len(open) == 0 || slices.ContainsFunc(open, func(states []string) bool {
		return !slices.ContainsFunc(states, func(s string) bool { return !isOpen[s] })
	})
	return can && reached && look.Once == "" && it.AppliesTo(m.d.Frame) && !slices.ContainsFunc(look.Gives, func(f *catalogue.Finding) bool { return m.d.Standing(f) != nil })
}

// lookFirst finds out whether a look at the part, which nobody had, is worth more than it takes. The part is bad
// now, by the register, or is not; a bad one that is left costs what it costs alone, a good one that by the
// chance of its age. The look finds what the strongest rule for and the strongest against speak of, whichever
// fault of the part they are on.
func (m *maker) lookFirst(w *weighing) {
	l := m.alone[w.Job].job.Later
	if !m.lookable(l.Item) {
		return
	}
	look := m.book.Looks[l.Item.Index]
	found, clear := 0.0, 0.0
	for _, r := range m.set.Rules {
		if r.Fault == nil || r.Fault.Item != l.Item || r.WeightOf != nil || len(r.Curve) > 0 || r.General || len(r.Needs) == 0 {
			continue
		}
		if slices.ContainsFunc(r.Needs, func(slot int) bool {
			return !slices.Contains(look.Gives, m.set.Catalogue.Owner(slot))
		}) {
			continue
		}
		found, clear = max(found, r.Weight), min(clear, r.Weight)
	}
	if found <= 0 || clear >= 0 {
		return
	}
	bad := m.chanceOf(l.Item)
	ahead := float64(m.years())
	if l.Unit == jobbook.Distance {
		ahead = m.distance()
	}
	alone, now := float64(w.alone), float64(w.now)
	d := &Decision{Prior: []float64{bad, 1 - bad}, Cost: [][]float64{{now, now}, {alone, alone * Fails(l.Shape, l.Scale, m.age(l), ahead)}}}
	worth := int64(math.Round(d.Sample(LookSignal(found, clear))))
	if takes := rangeOf(look.Hours).Sixfold() * int64(max(1, look.People)); worth > takes {
		w.Look = &LookFirst{l.Item.ID, int64(look.Hours.Likely), m.shown(worth)}
	}
}

// years is how far "later" reaches.
func (m *maker) years() int {
	if m.q.Years > 0 {
		return m.q.Years
	}
	return m.book.Horizon.Years
}

// distance is how many km are driven by then.
func (m *maker) distance() float64 {
	return float64(m.book.Horizon.Distance) * float64(m.years()) / float64(max(1, m.book.Horizon.Years))
}

// renewed says whether what a job renews was renewed in the year before the assessment.
func (m *maker) renewed(c *choice) bool {
	it := c.job.Later.Item
	if it == nil || it.Renewed == nil {
		return false
	}
	s := m.d.Standing(it.Renewed)
	return s != nil && m.age(c.job.Later) < 1
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// shown turns sixths of a minute into what a plan shows.
func (m *maker) shown(sixths int64) Amount {
	half := int64(3)
	if sixths < 0 {
		half = -3
	}
	a := Amount{Minutes: (sixths + half) / 6}
	if m.book.Rate > 0 {
		cost := Cents((sixths*int64(m.book.Rate) + 60*half) / 360)
		a.Cost = &cost
	}
	return a
}

func tenThousandths(p float64) int { return int(math.Round(min(1, max(0, p)) * 10_000)) }

// chanceOf is how likely any fault of an item is, by the register.
func (m *maker) chanceOf(it *catalogue.Item) float64 {
	if it == nil {
		return 0
	}
	return m.chanceBad(score.Blocker{Item: it.ID})
}

// age is how old a part is, in the unit of its life: by its own date if there is one. Where nobody knows it is
// as old as such a part is on average if it is renewed whenever it fails, but nobody renewed it while the vehicle
// stood, and it is no older than the vehicle.
func (m *maker) age(l *jobbook.Later) float64 {
	average := usualAge(l.Shape, l.Scale)
	if l.Unit == jobbook.Distance {
		if slot := m.set.Catalogue.Odometer; slot >= 0 && !math.IsNaN(m.d.Frame[slot]) {
			return min(average, m.d.Frame[slot])
		}
		return average
	}
	if l.Item != nil && l.Item.Age != nil {
		if v := m.d.Frame[l.Item.Age.Slot]; !math.IsNaN(v) {
			return v
		}
	}
	return min(max(average, m.d.LaidUp.Low), m.d.SinceBuilt.High)
}

// reporting says who reports what: of each choice, by its id, the wants, and the names of the findings that
// have to hold at the end because it reports them.
type reporting struct {
	wants    map[string]map[*want]bool
	findings map[string][]string
}

// reporters settles for each want which of the jobs chosen report it: those that prove it; else the one that
// spoils it itself; else all jobs that give it; else the looks.
func (m *maker) reporters(chosen []*choice) reporting {
	r := reporting{map[string]map[*want]bool{}, map[string][]string{}}
	holds := func(c *choice, f *catalogue.Finding) {
		if !slices.Contains(r.findings[c.id], key(f)) {
			r.findings[c.id] = append(r.findings[c.id], key(f))
		}
	}
	for _, w := range m.wants {
		pick := func(yes func(*choice) bool) []*choice {
			var some []*choice
			for _, c := range chosen {
				if slices.Contains(c.gives, w) && yes(c) {
					some = append(some, c)
				}
			}
			return some
		}
		list := pick(func(c *choice) bool { return c.proof })
		if len(list) == 0 {
			list = pick(func(c *choice) bool { return slices.Contains(c.spoils, w.finding) })
			list = list[:min(len(list), 1)]
		}
		if len(list) == 0 {
			list = pick(func(c *choice) bool { return c.job != nil })
		}
		if len(list) == 0 {
			list = pick(func(*choice) bool { return true })
		}
		for _, c := range list {
			if r.wants[c.id] == nil {
				r.wants[c.id] = map[*want]bool{}
			}
			r.wants[c.id][w] = true
			holds(c, w.finding)
		}
	}
	for _, c := range chosen {
		for f, p := range m.proves {
			if p == c {
				holds(c, f)
			}
		}
		slices.Sort(r.findings[c.id])
	}
	return r
}

func keys(list []*catalogue.Finding) []string {
	var out []string
	for _, f := range list {
		out = append(out, key(f))
	}
	return out
}

// milestone is the name of passing a gate among the jobs of an order.
func milestone(gate string) string { return "gate:" + gate }

// sequence puts the answer in an order. What a blocker asks for besides its own item, such as the timing of the
// ignition after a new belt, is shown once the item has been seen to, if that makes no trouble.
func (m *maker) sequence(chosen []*choice, reports reporting) (*Path, error) {
	late := m.besides(chosen, reports)
	path, err := m.sequenced(chosen, reports, late)
	if len(late) > 0 && (err != nil || path.Twice != "") {
		return m.sequenced(chosen, reports, nil)
	}
	return path, err
}

// besides returns for choices, by id, those that come before them although the book does not say so.
func (m *maker) besides(chosen []*choice, reports reporting) map[string][]string {
	itemOf := map[int]string{}
	for _, b := range m.a.BlockersBy(m.q.Goal) {
		itemOf[b.Rank] = b.Item
	}
	late := map[string][]string{}
	for _, c := range chosen {
		for w := range reports.wants[c.id] {
			for _, rank := range w.ranks {
				if w.finding.Item.ID == itemOf[rank] {
					continue
				}
				for _, first := range chosen {
					if first == c || first.job == nil || slices.Contains(late[c.id], first.id) || m.precedes(c, first) {
						continue
					}
					for own := range reports.wants[first.id] {
						if own.finding.Item.ID == itemOf[rank] && slices.Contains(own.ranks, rank) {
							late[c.id] = append(late[c.id], first.id)
							break
						}
					}
				}
			}
		}
		slices.Sort(late[c.id])
	}
	return late
}

// precedes says whether the book has a job before another, by a chain of jobs.
func (m *maker) precedes(c, other *choice) bool {
	if c.job == nil || other.job == nil {
		return false
	}
	seen := map[*jobbook.Job]bool{}
	todo := []*jobbook.Job{other.job}
	for len(todo) > 0 {
		j := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if j == c.job {
			return true
		}
		if !seen[j] {
			seen[j] = true
			todo = append(todo, slices.Concat(j.After, j.Must)...)
		}
	}
	return false
}

func (m *maker) sequenced(chosen []*choice, reports reporting, late map[string][]string) (*Path, error) {
	isOpen := m.opened(m.opening)
	o := &Order{}
	shut := func(fitted []*jobbook.Fitting) []string {
		var out []string
		for _, f := range fitted {
			for _, s := range f.Shut {
				if isOpen[s.ID] && !slices.Contains(out, s.ID) {
					out = append(out, s.ID)
				}
			}
		}
		return out
	}
	for _, id := range m.opening.Ways {
		w := m.wayOf[id]
		s := Site{ID: w.State.ID, Needs: m.stateIDs(w.Needs), Spoils: keys(w.State.Spoils), Already: w.already, Again: w.cost + w.closing}
		for _, j := range w.After {
			s.First = append(s.First, j.ID)
		}
		for _, j := range w.Then {
			s.Then = append(s.Then, j.ID)
		}
		o.States = append(o.States, s)
	}
	gates := map[int]bool{}
	for _, c := range chosen {
		j := Piece{ID: c.id, Open: m.access(c, isOpen), Shut: shut(c.fitted), Reports: reports.findings[c.id], Spoils: keys(c.spoils), Proof: c.proof}
		if c.job != nil {
			for _, k := range slices.Concat(c.job.After, c.job.Must) {
				j.After = append(j.After, k.ID)
			}
			for _, s := range c.job.Closes {
				if isOpen[s.ID] {
					j.Closes = append(j.Closes, s.ID)
				}
			}
		}
		j.After = append(j.After, late[c.id]...)
		if c.once >= 0 {
			gates[c.once] = true
			j.After = append(j.After, milestone(m.set.Gates[c.once].ID))
		}
		o.Jobs = append(o.Jobs, j)
	}
	// A gate is passed once all that clears it has been done and the vehicle is together.
	for g := range m.set.Gates {
		if !gates[g] {
			continue
		}
		j := Piece{ID: milestone(m.set.Gates[g].ID), Proof: true}
		for _, s := range o.States {
			j.Shut = append(j.Shut, s.ID)
		}
		for _, c := range chosen {
			if slices.ContainsFunc(c.gives, func(w *want) bool { return w.gate <= g && reports.wants[c.id][w] }) {
				j.After = append(j.After, c.id)
			}
		}
		o.Jobs = append(o.Jobs, j)
	}
	return o.Sequence()
}

// access is the alternative of a job that the answer opens, the smallest, then the first.
func (m *maker) access(c *choice, isOpen map[string]bool) []string {
	var best []string
	found := false
	for _, states := range c.open {
		if slices.ContainsFunc(states, func(s string) bool { return !isOpen[s] }) {
			continue
		}
		if !found || len(states) < len(best) {
			best, found = states, true
		}
	}
	return best
}

// day returns the calendar day of a working minute: the working days from the start on, Monday to Friday.
func (m *maker) day(minute int64) calendar.Day {
	n := minute / int64(m.q.DayMinutes)
	d := m.workday(m.q.Start)
	d += calendar.Day(n / 5 * 7) // #nosec G115 -- days
	for range n % 5 {
		d = m.workday(d + 1)
	}
	return d
}

// workday returns the first working day from a day on.
func (m *maker) workday(d calendar.Day) calendar.Day {
	for weekend(d) {
		d++
	}
	return d
}

// weekend says whether a day is a Saturday or Sunday: day 0 was a Thursday.
func weekend(d calendar.Day) bool { return ((int(d)+3)%7+7)%7 >= 5 }

// minute returns the working minute at which a number of calendar days after the start begin.
func (m *maker) minute(days int64) int64 {
	to := m.q.Start + calendar.Day(days) // #nosec G115 -- days
	n := int64(0)
	for d := m.workday(m.q.Start); d < to; d++ {
		if !weekend(d) {
			n++
		}
	}
	return n * int64(m.q.DayMinutes)
}

// needsText names parts.
func needsText(needs []jobbook.Need) []string {
	var out []string
	for _, n := range needs {
		s := n.Any[0].Is
		if n.Times > 1 {
			s = fmt.Sprintf("%d × %s", n.Times, s)
		}
		out = append(out, s)
	}
	return out
}

func (m *maker) stages() {
	byGate := map[int][]int{}
	for i := range m.p.Steps {
		s := &m.p.Steps[i]
		if !s.Proof || s.Act != Does {
			continue
		}
		c := m.alone[s.ID]
		for _, w := range c.gives {
			if !slices.Contains(byGate[w.gate], s.Step) {
				byGate[w.gate] = append(byGate[w.gate], s.Step)
			}
		}
	}
	for g := range m.goal + 1 {
		gate := m.a.Gates[g]
		s := Stage{Gate: gate.Gate, Is: gate.Is, State: gate.State, Proofs: byGate[g], Cautions: gate.Cautions}
		for _, n := range s.Proofs {
			s.Readings = append(s.Readings, m.p.Steps[n-1].Readings...)
		}
		m.p.Start = append(m.p.Start, s)
	}
}

func words(f *catalogue.Finding) string {
	if f.Item == nil {
		return f.Is
	}
	return strings.TrimSpace(f.Item.Is + ": " + f.Is)
}
