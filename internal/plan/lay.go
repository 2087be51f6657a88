package plan

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/jobbook"
	"laidup/internal/score"
)

// laid is one step with what the schedule needs of it.
type laid struct {
	minutes Range
	people  int
	already bool // it opens what is open already
	parts   []jobbook.Need
	money   Range // of its parts, in cents
}

// lay puts the answer in order, on days, and works out what it comes to.
func (m *maker) lay() error {
	var chosen []*choice
	for _, id := range m.opening.Jobs {
		chosen = append(chosen, m.alone[id])
	}
	reports := m.reporters(chosen)
	closed := m.openingOf(chosen)
	path, err := m.sequence(chosen, reports)
	if clash := new(Clash); errors.As(err, &clash) {
		m.entangled(clash.Parts, chosen)
		return nil
	}
	if err != nil {
		return err
	}
	m.p.Twice = path.Twice
	for _, c := range path.Clash {
		m.p.Clash = append(m.p.Clash, c.String())
	}
	wayTo := map[string]*way{}
	for _, id := range m.opening.Ways {
		w := m.wayOf[id]
		wayTo[w.State.ID] = w
	}
	// Milestones are no steps: they only hold the order.
	number := make([]int, len(path.Steps))
	var kept []Step
	for i, s := range path.Steps {
		if strings.HasPrefix(s.ID, "gate:") && s.Act == Does {
			number[i] = -1
			continue
		}
		number[i] = len(kept)
		kept = append(kept, s)
	}
	before := m.bridge(path, number)
	steps := make([]laid, len(kept))
	for i, s := range kept {
		steps[i] = m.step(s, wayTo, closed)
		m.doing(s, i, steps[i], reports, wayTo)
	}
	for _, e := range before {
		m.p.Steps[e[1]].After = append(m.p.Steps[e[1]].After, e[0]+1)
	}
	project := m.project(kept, steps, before, wayTo)
	s, err := project.Schedule()
	if errors.Is(err, errHeld) {
		m.p.Steps, m.p.Twice, m.p.Clash = []Doing{}, "", nil
		m.entangled(nil, chosen)
		return nil
	}
	if err != nil {
		return err
	}
	if n := m.shorthanded(steps); n > 0 {
		m.p.Assumes = append(m.p.Assumes, fmt.Sprintf("Steps that take more people than there are (%d of them) find somebody who lends a hand; their hours are counted.", n))
	}
	for i := range kept {
		d := &m.p.Steps[i]
		d.Begins, d.Float, d.Slack = s.Start[i], s.Timing.Float(i), s.Slack[i]
		d.Day = m.day(s.Start[i]).String()
	}
	m.p.Proof = Proven{Optimal: m.opening.Proven, Gap: m.opening.Gap(), Work: m.opening.Work, Tries: path.Tries, Least: s.Bound}
	m.branches(kept, wayTo)
	m.parts(kept, steps, s)
	m.totals(kept, steps, project, s)
	m.renumber()
	return nil
}

// openingOf writes down what is opened and what that rests on. It returns the jobs that do the closing, by state.
func (m *maker) openingOf(chosen []*choice) map[string]string {
	opened, closed := m.opened(m.opening), map[string]string{}
	for _, c := range chosen {
		if c.job == nil {
			continue
		}
		for _, s := range c.job.Closes {
			if opened[s.ID] && closed[s.ID] == "" {
				closed[s.ID] = c.id
			}
		}
	}
	for _, id := range m.opening.Ways {
		w := m.wayOf[id]
		m.p.Opening = append(m.p.Opening, Opened{w.State.ID, w.State.Is, w.ID, w.Note, minutesOf(rangeOf(w.Open)), minutesOf(rangeOf(w.Close)), w.People, closed[w.State.ID], w.already})
		m.p.Assumed = append(m.p.Assumed, w.assumed...)
	}
	for _, c := range chosen {
		for _, f := range c.unsure {
			m.p.Assumed = append(m.p.Assumed, Assumed{What: f, Is: "it is not known, and decides whether the job is one here", For: c.id})
		}
	}
	return closed
}

// entangled says that the work holds itself up, by which conditions, and what helps.
func (m *maker) entangled(ring []Conflict, chosen []*choice) {
	no := &NoOrder{Ring: []Held{}, Jobs: []Named{}, Do: []string{}}
	var without []string
	for _, c := range ring {
		no.Ring = append(no.Ring, Held{c.Because, c.One, c.Other, Conflict{c.Because, m.called(c.One), m.called(c.Other)}.String()})
		for _, id := range []string{c.One, c.Other} {
			if a := m.alone[id]; a != nil && a.job != nil && !slices.Contains(without, id) {
				without = append(without, id)
			}
		}
	}
	for _, c := range chosen {
		no.Jobs = append(no.Jobs, Named{c.id, c.is})
	}
	if len(ring) == 0 {
		no.Do = append(no.Do, "What is held while something is open is needed by other steps first: give more of the plant, or ask with other plant.")
	} else {
		no.Do = append(no.Do, "Correct the job book: one of these conditions cannot be kept.")
	}
	if len(without) > 0 {
		no.Do = append(no.Do, "Or plan without one of these jobs, and see to it apart: "+strings.Join(without, ", ")+".")
	}
	if m.goal > 0 {
		no.Do = append(no.Do, "Or plan for an earlier gate first, do that, report it, and plan again.")
	}
	m.p.NoOrder = no
	m.p.Proof = Proven{Optimal: m.opening.Proven, Gap: m.opening.Gap(), Work: m.opening.Work}
	m.p.Totals.Drivers, m.p.Totals.Ends = []Driver{}, m.q.Start.String()
}

// called is what a state or job of an order is called.
func (m *maker) called(id string) string {
	if c := m.alone[id]; c != nil {
		return fmt.Sprintf("%q", c.is)
	}
	if w := m.wayTo(id); w != nil {
		return fmt.Sprintf("%q", w.State.Is)
	}
	if gate, is := strings.CutPrefix(id, milestone("")); is {
		if g := m.gateIndex(gate); g >= 0 {
			return fmt.Sprintf("passing the gate %q", m.set.Gates[g].Is)
		}
	}
	return id
}

// bridge returns what comes before what among the steps kept, over those that are left out.
func (m *maker) bridge(path *Path, number []int) [][2]int {
	into := make([][]int, len(path.Steps))
	for _, e := range path.Before {
		into[e[1]] = append(into[e[1]], e[0])
	}
	var out [][2]int
	for i := range path.Steps {
		if number[i] < 0 {
			continue
		}
		ends := slices.Clone(into[i])
		for len(ends) > 0 {
			e := ends[len(ends)-1]
			ends = ends[:len(ends)-1]
			if number[e] < 0 {
				ends = append(ends, into[e]...)
			} else {
				out = append(out, [2]int{number[e], number[i]})
			}
		}
	}
	slices.SortFunc(out, func(a, b [2]int) int { return slices.Compare(a[:], b[:]) })
	return slices.Compact(out)
}

func minutesOf(r Range) Minutes { return Minutes(r) }

// shorthanded counts the steps that take more people than there are.
func (m *maker) shorthanded(steps []laid) int {
	n := 0
	for _, l := range steps {
		if l.people > m.q.People {
			n++
		}
	}
	return n
}

// money is what parts cost in cents; nothing where the book has no rate.
func (m *maker) money(needs []jobbook.Need) Range {
	var sum Range
	for _, n := range needs {
		sum = sum.Plus(m.priceOf(n.Any[0]).Times(int64(n.Times)))
	}
	return sum
}

func (m *maker) priceOf(p *jobbook.Part) Range {
	switch {
	case m.book.Rate <= 0:
		return Range{}
	case p.Money != nil:
		return rangeOf(*p.Money)
	}
	r := rangeOf(p.Price).Times(int64(m.book.Rate))
	return Range{(r.Low + 30) / 60, (r.Likely + 30) / 60, (r.High + 30) / 60}
}

// step is what a step takes: hours, hands, parts.
func (m *maker) step(s Step, wayTo map[string]*way, closed map[string]string) laid {
	var l laid
	switch s.Act {
	case Does:
		c := m.alone[s.ID]
		l.minutes, l.people, l.parts = c.minutes, c.people, c.parts
	case Opens:
		w := wayTo[s.ID]
		l.people = w.People
		if l.already = w.already && s.Visit < 2; !l.already {
			l.minutes = rangeOf(w.Open)
		}
	case Shuts:
		w := wayTo[s.ID]
		l.minutes, l.people, l.parts = rangeOf(w.Close), w.People, w.UsesUp
	}
	l.money = m.money(l.parts)
	return l
}

// doing writes a step down.
func (m *maker) doing(s Step, i int, l laid, reports reporting, wayTo map[string]*way) {
	d := Doing{Step: i + 1, Act: s.Act, ID: s.ID, Minutes: minutesOf(l.minutes), People: l.people, Parts: needsText(l.parts)}
	if m.book.Rate > 0 {
		cost := Cents((l.minutes.Likely*int64(l.people)*int64(m.book.Rate)+30)/60 + l.money.Likely)
		d.Cost = &cost
	}
	if s.Visit > 1 {
		d.Visit = s.Visit
	}
	if s.Act != Does {
		w := wayTo[s.ID]
		d.Is = w.State.Is
		d.Already = l.already
		if s.Act == Opens && !d.Already {
			d.Cautions = w.State.Cautions
		}
		m.p.Steps = append(m.p.Steps, d)
		return
	}
	c := m.alone[s.ID]
	d.Is, d.Look, d.Proof, d.BoughtIn = c.is, c.look != nil, c.proof, c.boughtIn
	if c.job != nil {
		d.Licensed, d.Cautions = c.job.Licensed, c.job.Cautions
		for _, f := range c.job.Readings {
			d.Readings = append(d.Readings, words(f))
		}
	}
	var ranks []int
	for _, w := range c.gives {
		if !reports.wants[c.id][w] {
			continue
		}
		ranks = append(ranks, w.ranks...)
		if !measured(w.finding) {
			d.Reports = merge(d.Reports, w.ask)
			continue
		}
		d.Measures = merge(d.Measures, w.ask)
		if name := words(w.finding); !slices.Contains(d.Readings, name) {
			d.Readings = append(d.Readings, name)
		}
	}
	m.renewals(c, &d)
	d.Reports, d.Measures = together(d.Reports), together(d.Measures)
	slices.Sort(ranks)
	for _, r := range slices.Compact(ranks) {
		b := m.a.Blockers[r-1]
		d.Clears = append(d.Clears, Cleared{b.Gate, b.Item, b.At})
	}
	switch {
	case len(d.Clears) > 0:
		d.Why = "asked"
	case slices.ContainsFunc(m.p.While, func(w Weighed) bool { return w.Job == c.id && w.Done }):
		d.Why = "while_open"
	case c.proof && len(reports.findings[c.id]) > 0:
		d.Why = "proof"
	default:
		d.Why = "needed"
	}
	m.p.Steps = append(m.p.Steps, d)
}

// renewals adds to what a step reports the parts that it renews though nobody asked for it: who looks at the vehicle next
// finds them new.
func (m *maker) renewals(c *choice, d *Doing) {
	if c.job == nil {
		return
	}
	for _, g := range c.job.Gives {
		it := g.Finding.Item
		if g.Finding != it.Renewed || g.Shown || slices.ContainsFunc(d.Reports, func(r score.Clearing) bool {
			return r.Item == it.ID && slices.ContainsFunc(r.Found, func(f score.FindingForm) bool { return f.ID == g.Finding.ID })
		}) {
			continue
		}
		report := score.Clearing{Item: it.ID, Found: score.FindingsForm{{ID: g.Finding.ID, Value: json.RawMessage(`"` + m.p.AsOf + `"`)}}}
		for _, p := range g.At {
			report.At = append(report.At, p.ID)
		}
		d.Reports = merge(d.Reports, report)
	}
}

// measured says whether a finding is a reading or something written down, not a plain yes or one of several
// words.
func measured(f *catalogue.Finding) bool {
	switch f.Kind {
	case catalogue.Quantity, catalogue.Count, catalogue.Text:
		return true
	}
	return false
}

// merge adds a finding to those that a step reports of the same positions.
func merge(list []score.Clearing, ask score.Clearing) []score.Clearing {
	for i := range list {
		if list[i].Item == ask.Item && slices.Equal(list[i].At, ask.At) {
			list[i].Found = append(slices.Clone(list[i].Found), ask.Found...)
			return list
		}
	}
	return append(list, ask)
}

// together puts what is reported alike of several positions of an item into one.
func together(list []score.Clearing) []score.Clearing {
	var out []score.Clearing
	for _, c := range list {
		i := slices.IndexFunc(out, func(o score.Clearing) bool {
			return o.Item == c.Item && len(o.At) > 0 && len(c.At) > 0 && slices.EqualFunc(o.Found, c.Found, func(a, b score.FindingForm) bool {
				return a.ID == b.ID && sameJSON(a.Value, b.Value)
			})
		})
		if i >= 0 {
			out[i].At = slices.Concat(out[i].At, c.At)
		} else {
			out = append(out, c)
		}
	}
	return out
}

// project makes the steps work that shares people, plant and places.
func (m *maker) project(kept []Step, steps []laid, before [][2]int, wayTo map[string]*way) *Project {
	p := &Project{Capacity: []int{m.q.People}}
	plant, place := map[*jobbook.Plant]int{}, map[*jobbook.Place]int{}
	for _, x := range m.book.Plants {
		plant[x] = len(p.Capacity)
		p.Capacity = append(p.Capacity, max(m.plant(x), m.taken(x)))
	}
	for _, x := range m.book.Places {
		place[x] = len(p.Capacity)
		p.Capacity = append(p.Capacity, max(1, x.Room))
	}
	for i, s := range kept {
		l := &steps[i]
		w := Work{ID: string(s.Act) + " " + s.ID, Minutes: l.minutes.Likely, Release: m.released(l.parts, func(d jobbook.Days) int64 { return int64(d.Likely) })}
		people := l.people
		if l.already || s.Act == Does && m.alone[s.ID].boughtIn {
			people = 0
		}
		if people > 0 {
			// Where more are needed than there are, somebody lends a hand: the plan says how many it takes.
			w.Needs = append(w.Needs, Demand{0, min(people, m.q.People)})
		}
		var uses, holds []*jobbook.Plant
		var places []*jobbook.Place
		switch s.Act {
		case Does:
			if c := m.alone[s.ID]; c.job != nil {
				uses, places = c.job.Uses, c.job.Places
			}
		default:
			x := wayTo[s.ID]
			if !l.already {
				uses, places = x.Uses, x.Places
			}
			if s.Act == Opens {
				holds = x.Holds
			}
		}
		for _, x := range uses {
			// What is held all the while by a state below is not taken twice.
			if m.plant(x) > 0 && !m.heldBelow(s, x, wayTo) && !slices.Contains(holds, x) {
				w.Needs = append(w.Needs, Demand{plant[x], 1})
			}
		}
		for _, x := range places {
			if people > 0 {
				w.Needs = append(w.Needs, Demand{place[x], min(people, p.Capacity[place[x]])})
			}
		}
		for _, x := range holds {
			until := slices.IndexFunc(kept, func(o Step) bool { return o.Act == Shuts && o.ID == s.ID && o.Visit == s.Visit })
			if until < 0 { // a job does the closing
				until = slices.IndexFunc(kept, func(o Step) bool {
					return o.Act == Does && m.alone[o.ID].job != nil && slices.ContainsFunc(m.alone[o.ID].job.Closes, func(c *jobbook.State) bool { return c.ID == s.ID })
				})
			}
			if until >= 0 && !m.heldBelow(s, x, wayTo) {
				w.Holds = append(w.Holds, Hold{Demand{plant[x], 1}, until})
			}
		}
		p.Work = append(p.Work, w)
	}
	for _, e := range before {
		lag := int64(0)
		if s := kept[e[0]]; s.Act == Does && m.alone[s.ID].job != nil {
			lag = m.waits(int64(m.alone[s.ID].job.Wait.Likely))
		}
		p.Work[e[1]].After = append(p.Work[e[1]].After, Link{e[0], lag})
	}
	return p
}

// taken is 1 where what is open already holds a plant, whatever there is of it.
func (m *maker) taken(x *jobbook.Plant) int {
	for _, id := range m.opening.Ways {
		if w := m.wayOf[id]; w.already && slices.Contains(w.Holds, x) {
			return 1
		}
	}
	return 0
}

// waits turns minutes that pass by the clock into working minutes.
func (m *maker) waits(minutes int64) int64 {
	return (minutes*int64(m.q.DayMinutes) + 1439) / 1440
}

// heldBelow says whether a state that this step's state needs holds the plant already, or for a job one that
// is open while it is done.
func (m *maker) heldBelow(s Step, x *jobbook.Plant, wayTo map[string]*way) bool {
	var todo []string
	if s.Act == Does {
		todo = slices.Clone(m.access(m.alone[s.ID], m.opened(m.opening)))
	} else {
		todo = m.stateIDs(wayTo[s.ID].Needs)
	}
	seen := map[string]bool{}
	for len(todo) > 0 {
		id := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		w := wayTo[id]
		if w == nil || seen[id] {
			continue
		}
		seen[id] = true
		if slices.Contains(w.Holds, x) {
			return true
		}
		todo = append(todo, m.stateIDs(w.Needs)...)
	}
	return false
}

// released is the working minute at which all parts are there.
func (m *maker) released(needs []jobbook.Need, days func(jobbook.Days) int64) int64 {
	at := int64(0)
	for _, n := range needs {
		if d := days(n.Any[0].Lead) + int64(m.q.Late[n.Any[0].ID]); d > 0 {
			at = max(at, m.minute(d))
		}
	}
	return at
}

// lead is how many days a part takes to come.
func (m *maker) lead(p *jobbook.Part) Range {
	late := int64(m.q.Late[p.ID])
	return rangeOf(p.Lead).Plus(Range{late, late, late})
}

// branches writes down what may come to light.
func (m *maker) branches(kept []Step, wayTo map[string]*way) {
	for i, s := range kept {
		var list []branch
		switch s.Act {
		case Does:
			list = m.alone[s.ID].branches
		case Opens:
			list = wayTo[s.ID].branches
		}
		for _, b := range list {
			x := Branch{Step: i + 1, What: b.what, Chance: b.chance, Adds: []string{}}
			for _, c := range b.order {
				x.Adds = append(x.Adds, c.id)
				r := c.minutes.Times(int64(c.people))
				x.Minutes = Minutes{x.Minutes.Low + r.Low, x.Minutes.Likely + r.Likely, x.Minutes.High + r.High}
				x.Parts = append(x.Parts, needsText(c.parts)...)
			}
			m.p.Branches = append(m.p.Branches, x)
		}
	}
}

// parts lists what to order, the most pressing first. It is to be ordered so that, with a chance of 80 per cent,
// it is there on the latest day on which the step may begin without making the whole late.
func (m *maker) parts(kept []Step, steps []laid, s *Schedule) {
	at := map[*jobbook.Part]int{}
	for i := range kept {
		for _, n := range steps[i].parts {
			p := n.Any[0]
			latest := m.day(max(s.Start[i]+s.Slack[i], s.Timing.LS[i]))
			k, is := at[p]
			if !is {
				k = len(m.p.Order)
				at[p] = k
				o := Ordered{Part: p.ID, Is: p.Is, Kind: string(p.Kind), Step: i + 1, Planned: m.day(s.Start[i]).String(), Latest: latest.String(), Lead: minutesOf(m.lead(p))}
				for _, other := range n.Any[1:] {
					o.Instead = strings.TrimPrefix(o.Instead+", "+other.Is, ", ")
				}
				// A lead time of days is drawn as the hours are.
				by := latest - calendar.Day(m.lead(p).Quantile(8000)) // #nosec G115 -- days
				if by < m.q.Start {
					by = m.q.Start
					o.Late = m.lead(p).High > 0
				}
				// Nor later than for the day that the step is planned on, though that may wait.
				by = max(m.q.Start, min(by, m.day(s.Start[i])-calendar.Day(m.lead(p).Likely))) // #nosec G115 -- days
				o.OrderBy = by.String()
				m.p.Order = append(m.p.Order, o)
			}
			o := &m.p.Order[k]
			o.Times += n.Times
			if m.book.Rate > 0 {
				r := m.priceOf(p).Times(int64(o.Times))
				o.Price = &Money{Cents(r.Low), Cents(r.Likely), Cents(r.High)}
			}
		}
	}
	slices.SortStableFunc(m.p.Order, func(a, b Ordered) int {
		return cmp.Or(cmp.Compare(a.OrderBy, b.OrderBy), cmp.Compare(b.Lead.Likely, a.Lead.Likely), cmp.Compare(a.Part, b.Part))
	})
}

// totals draws what the plan comes to.
func (m *maker) totals(kept []Step, steps []laid, p *Project, s *Schedule) {
	t := &m.p.Totals
	t.Makes = s.Makespan
	t.Ends = m.day(max(0, s.Makespan-1)).String()
	t.Drivers = []Driver{}
	if len(kept) == 0 {
		t.Ends = m.q.Start.String()
		return
	}
	draws := NewDraws(Runs)
	labour, cost := make([]int64, Runs), make([]int64, Runs)
	minutes := make([][]int64, len(kept)) // of each step in each run
	release := make([][]int64, len(kept))
	spread := int64(0)
	var drivers []Driver
	for i, k := range kept {
		l := &steps[i]
		name := string(k.Act) + " " + k.ID
		if k.Visit > 1 {
			name += " again"
		}
		minutes[i] = draws.Of(name, l.minutes, Common)
		paid := draws.Of("money "+name, l.money, Common)
		for r := range Runs {
			labour[r] += minutes[i][r] * int64(l.people)
			cost[r] += paid[r]
		}
		q := draws.table(l.minutes)
		if wide := (q.below(9000) - q.below(1000)) * int64(l.people); wide > 0 {
			spread += wide
			drivers = append(drivers, Driver{ID: k.ID, Is: m.p.Steps[i].Is, Wide: wide})
		}
		release[i] = m.lateParts(draws, l.parts)
	}
	for i, k := range kept {
		var list []branch
		switch k.Act {
		case Does:
			list = m.alone[k.ID].branches
		case Opens:
			list = m.wayTo(k.ID).branches
		}
		for _, b := range list {
			if len(b.order) == 0 {
				continue
			}
			happens := draws.Happens(k.ID+" "+b.what, b.chance)
			for _, c := range b.order {
				extra := draws.Of("added "+k.ID+" "+c.id, c.minutes, Common)
				paid := draws.Of("money added "+k.ID+" "+c.id, m.money(c.parts), Common)
				late := m.lateParts(draws, c.parts)
				for r := range Runs {
					if !happens[r] {
						continue
					}
					labour[r] += extra[r] * int64(c.people)
					cost[r] += paid[r]
					// Whatever is found holds up the step that finds it, until its parts are there.
					minutes[i][r] += extra[r]
					if late != nil {
						minutes[i][r] += late[r]
					}
				}
			}
		}
	}
	if m.book.Rate > 0 {
		for r := range Runs {
			cost[r] += (labour[r]*int64(m.book.Rate) + 30) / 60
		}
		c := PercentilesOf(cost)
		t.Cost = &Sums{Cents(c.P10), Cents(c.P50), Cents(c.P80), Cents(c.P90)}
	}
	t.Labour = PercentilesOf(labour)
	ends := endings(p, s, minutes, release)
	for r := range ends {
		ends[r] = int64(m.day(max(0, ends[r]-1)) - m.q.Start + 1)
	}
	t.Days = PercentilesOf(ends)
	slices.SortStableFunc(drivers, func(a, b Driver) int { return cmp.Compare(b.Wide, a.Wide) })
	for _, d := range drivers[:min(len(drivers), 5)] {
		d.Share = int(d.Wide * 100 / max(1, spread))
		t.Drivers = append(t.Drivers, d)
	}
}

func (m *maker) wayTo(state string) *way {
	for _, id := range m.opening.Ways {
		if w := m.wayOf[id]; w.State.ID == state {
			return w
		}
	}
	return nil
}

// lateParts draws when the parts of a step are there; nil where it has none that take time.
func (m *maker) lateParts(draws *Draws, needs []jobbook.Need) []int64 {
	var out []int64
	for _, n := range needs {
		p := n.Any[0]
		if m.lead(p).High == 0 {
			continue
		}
		if out == nil {
			out = make([]int64, Runs)
		}
		for r, d := range draws.Of("lead "+p.ID, m.lead(p), 0) {
			out[r] = max(out[r], m.minute(d))
		}
	}
	return out
}

// dayRuns is how many of the runs are scheduled to see when they end: each takes a schedule of its own.
const dayRuns = 400

// endings schedules runs with the minutes and the arrival of parts that were drawn, the steps taken in the order
// of the schedule that was made; who waits for a part does meanwhile what can be done.
func endings(p *Project, s *Schedule, minutes, release [][]int64) []int64 {
	run := &Project{Work: slices.Clone(p.Work), Capacity: p.Capacity}
	ends := make([]int64, 0, dayRuns)
	for r := range dayRuns {
		for i := range run.Work {
			run.Work[i].Minutes = minutes[i][r]
			run.Work[i].Release = 0
			if release[i] != nil {
				run.Work[i].Release = release[i][r]
			}
		}
		if start, ok := run.serial(s.Start, false); ok {
			ends = append(ends, run.makespan(start))
		}
	}
	return ends
}

// renumber puts the steps in the order in which the schedule begins them, and all that names a step with them.
func (m *maker) renumber() {
	order := make([]int, len(m.p.Steps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(m.p.Steps[a].Begins, m.p.Steps[b].Begins) })
	place := make([]int, len(order)+1)
	steps := make([]Doing, len(order))
	for to, from := range order {
		place[from+1] = to + 1
		steps[to] = m.p.Steps[from]
		steps[to].Step = to + 1
	}
	for i := range steps {
		for k, n := range steps[i].After {
			steps[i].After[k] = place[n]
		}
		slices.Sort(steps[i].After)
	}
	m.p.Steps = steps
	for i := range m.p.Branches {
		m.p.Branches[i].Step = place[m.p.Branches[i].Step]
	}
	slices.SortStableFunc(m.p.Branches, func(a, b Branch) int { return cmp.Compare(a.Step, b.Step) })
	for i := range m.p.Order {
		m.p.Order[i].Step = place[m.p.Order[i].Step]
	}
}
