package report

import (
	"cmp"
	"math"
	"slices"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
)

// Dossier is what all reports on one vehicle say together.
type Dossier struct {
	Vehicle Vehicle
	AsOf    calendar.Day // the newest inspection
	// Frame has the facts, what is counted from dates, and of each finding one of the values
	// that stand.
	Frame condition.Frame
	// Standing has, by slot, what stands of each finding; nil where nothing was reported.
	Standing []*Standing
	// Conflicts are the findings with more than one standing value, in the order of the catalogue.
	Conflicts []*Standing
	// Misplaced are items that were reported on although the vehicle, by its facts, has none.
	Misplaced []*catalogue.Item
}

// Standing is what stands of one finding.
type Standing struct {
	Finding *catalogue.Finding
	// Values has one value, or the contradicting ones, lowest first: then the worse counts. Of
	// those that one method has, only the lowest and the highest are kept.
	Values []StandingValue
}

// StandingValue is one value of a finding that stands, with the observations that speak for it.
type StandingValue struct {
	Value
	Support []Support // none of them both older and less credible than another
	best    Support   // the most credible, and of those the newest
}

// Support is one observation that speaks for a value.
type Support struct {
	Method   int
	Credence float64
	On       calendar.Day
	Report   int // position among the reports in the order of inspection
}

// Credence is the greatest credence among the observations that speak for the value.
func (v *StandingValue) Credence() float64 { return v.best.Credence }

// Method is the method that has that credence.
func (v *StandingValue) Method() int { return v.best.Method }

// Aged is the greatest credence left when it halves every halfLife years from the observation to
// the day given.
func (v *StandingValue) Aged(asOf calendar.Day, halfLife float64) float64 {
	if v.best.On >= asOf {
		return v.best.Credence
	}
	most := 0.0
	for _, s := range v.Support {
		c := s.Credence
		if s.On < asOf {
			c *= math.Pow(0.5, s.On.YearsTo(asOf)/halfLife)
		}
		most = max(most, c)
	}
	return most
}

// seen is one reported value on its way into the dossier.
type seen struct {
	value Value
	by    Support
}

// Lay lays reports on one vehicle, in the order in which they came, together. At least one report
// is needed. Sufficient is the credence from which on a renewal or removal is believed: hearsay
// overturns nothing.
func Lay(reports []*Report, cat *catalogue.Catalogue, sufficient float64) *Dossier {
	return new(Workspace).Lay(reports, cat, sufficient)
}

// Workspace is memory to lay dossiers in, one after another. The zero value is ready for use; it is
// not safe for concurrent use.
type Workspace struct {
	dossier Dossier
	ordered []*Report
	starts  []int // where what was found on an item begins, and where the next of it goes
	found   []seen
	room    room
}

// Lay is the function [Lay]; its dossier is good until the next.
func (w *Workspace) Lay(reports []*Report, cat *catalogue.Catalogue, sufficient float64) *Dossier {
	w.ordered = append(w.ordered[:0], reports...)
	slices.SortStableFunc(w.ordered, func(a, b *Report) int { return cmp.Compare(a.Inspected, b.Inspected) })
	d := &w.dossier
	*d = Dossier{
		Vehicle:  w.ordered[0].Vehicle,
		AsOf:     w.ordered[len(w.ordered)-1].Inspected,
		Frame:    again(d.Frame, cat.Size),
		Standing: again(d.Standing, cat.Size),
	}
	for i := range d.Frame {
		d.Frame[i] = condition.Unset
	}
	for _, r := range w.ordered {
		r.fill(d.Frame)
		if r.Vehicle.Description != "" {
			d.Vehicle.Description = r.Vehicle.Description
		}
		if r.Vehicle.VIN != "" {
			d.Vehicle.VIN = r.Vehicle.VIN
		}
	}
	d.count(cat)
	w.collect(cat, sufficient)
	return d
}

// again returns n zero elements, in the memory of a slice that is not needed any more if it has
// room for them.
func again[S ~[]T, T any](old S, n int) S {
	if cap(old) < n {
		return make(S, n)
	}
	clear(old[:n])
	return old[:n]
}

// count sets what is counted to the newest inspection.
func (d *Dossier) count(cat *catalogue.Catalogue) {
	d.Frame[cat.AsOf] = float64(d.AsOf)
	since := func(slot int, fact *catalogue.Finding) {
		if d.Frame.Known(fact.Slot) {
			d.Frame[slot] = max(0, calendar.Day(d.Frame[fact.Slot]).YearsTo(d.AsOf))
		}
	}
	since(cat.YearsLaidUp, cat.Fact("lay_up", "last_ran"))
	since(cat.YearsSinceBuilt, cat.Fact("vehicle", "built"))
}

func (w *Workspace) collect(cat *catalogue.Catalogue, sufficient float64) {
	// What was found is dealt out by item into one piece of memory.
	w.starts = again(w.starts, 2*len(cat.Items)+1)
	starts, next := w.starts[:len(cat.Items)+1], w.starts[len(cat.Items)+1:]
	for _, r := range w.ordered {
		for i := range r.Observations {
			o := &r.Observations[i]
			starts[o.Item.Index+1] += len(o.Found)
		}
	}
	for i := range cat.Items {
		starts[i+1] += starts[i]
		next[i] = starts[i]
	}
	total := starts[len(cat.Items)]
	w.found = again(w.found, total)
	for i, r := range w.ordered {
		for k := range r.Observations {
			o := &r.Observations[k]
			by := Support{o.Method, cat.Methods[o.Method].Credence, o.On, i}
			for _, v := range o.Found {
				w.found[next[o.Item.Index]] = seen{v, by}
				next[o.Item.Index]++
			}
		}
	}
	w.room = room{again(w.room.standing, total)[:0], again(w.room.values, total)[:0], again(w.room.support, total)[:0]}
	d := &w.dossier
	for i, item := range cat.Items {
		found := w.found[starts[i]:starts[i+1]:starts[i+1]]
		switch {
		case len(found) == 0:
			continue
		case !item.AppliesTo(d.Frame):
			d.Misplaced = append(d.Misplaced, item)
			continue
		}
		d.lay(item, superseded(item, found, sufficient), sufficient, &w.room)
	}
}

// room is memory for what stands, set aside at once: nearly every finding stands in one value that
// one observation speaks for. What does not fit is allocated as it comes.
type room struct {
	standing []Standing
	values   []StandingValue
	support  []Support
}

func (r *room) stand(f *catalogue.Finding) *Standing {
	if len(r.standing) == cap(r.standing) {
		return &Standing{Finding: f}
	}
	r.standing = append(r.standing, Standing{Finding: f, Values: one(&r.values)})
	return &r.standing[len(r.standing)-1]
}

// one takes an empty slice with room for one element.
func one[T any](from *[]T) []T {
	n := len(*from)
	if n == cap(*from) {
		return nil
	}
	*from = (*from)[:n+1]
	return (*from)[n : n : n+1]
}

// superseded drops what was found on a part before it was renewed.
func superseded(item *catalogue.Item, found []seen, sufficient float64) []seen {
	var renewals []seen
	for _, s := range found {
		if s.value.Finding == item.Renewed && s.by.Credence >= sufficient {
			renewals = append(renewals, s)
		}
	}
	if len(renewals) == 0 {
		return found
	}
	return slices.DeleteFunc(found, func(s seen) bool {
		return slices.ContainsFunc(renewals, func(r seen) bool {
			if s.by.Report == r.by.Report {
				return s.by.On < r.value.Date.Earliest() && s.value.Finding != item.Renewed
			}
			return s.by.Report < r.by.Report && s.by.On <= r.value.Date.Latest()
		})
	})
}

// lay works out what stands of each finding on one item.
func (d *Dossier) lay(item *catalogue.Item, found []seen, sufficient float64, room *room) {
	// A part has aged since its age was reported. What a date of renewal or a week code says of
	// the age contradicts, or agrees with, a reported age.
	for i, s := range found {
		switch s.value.Finding {
		case item.Age:
			found[i].value.Number += s.by.On.YearsTo(d.AsOf)
		case item.Renewed, item.Made:
			age := Value{Finding: item.Age, Number: max(0, s.value.Date.Earliest().YearsTo(d.AsOf))}
			found = append(found, seen{age, s.by})
		}
	}
	if len(found) > 1 {
		slices.SortStableFunc(found, inOrder)
	}
	for len(found) > 0 {
		finding := found[0].value.Finding
		n := 0
		for n < len(found) && found[n].value.Finding == finding {
			n++
		}
		st := stand(finding, found[:n], sufficient, room)
		found = found[n:]
		d.Standing[finding.Slot] = st
		d.Frame[finding.Slot] = st.Values[0].Number
		if len(st.Values) > 1 {
			d.Conflicts = append(d.Conflicts, st)
		}
	}
}

// inOrder sorts by finding, then oldest first, then in an order that no shuffling of a report changes.
func inOrder(a, b seen) int {
	switch {
	case a.value.Finding.Slot != b.value.Finding.Slot:
		return a.value.Finding.Slot - b.value.Finding.Slot
	case a.by.On != b.by.On:
		return int(a.by.On) - int(b.by.On)
	case a.by.Report != b.by.Report:
		return a.by.Report - b.by.Report
	case a.value.Number != b.value.Number:
		return cmp.Compare(a.value.Number, b.value.Number)
	case a.by.Credence != b.by.Credence:
		return cmp.Compare(b.by.Credence, a.by.Credence)
	case a.value.Text != b.value.Text:
		return cmp.Compare(a.value.Text, b.value.Text)
	case a.value.Date != b.value.Date:
		return int(a.value.Date.Latest()) - int(b.value.Date.Latest())
	}
	return a.by.Method - b.by.Method
}

// stand goes through the observations of one finding, oldest first, a report at a time. A newer one
// takes the place of those that it contradicts, unless they are more credible or it is hearsay.
func stand(finding *catalogue.Finding, found []seen, sufficient float64, room *room) *Standing {
	st := room.stand(finding)
	if len(found) == 1 {
		st.add(found[0], room)
		return st
	}
	for len(found) > 0 {
		n := 1
		for n < len(found) && found[n].by.On == found[0].by.On && found[n].by.Report == found[0].by.Report {
			n++
		}
		together := found[:n]
		found = found[n:]
		most := 0.0
		for _, s := range together {
			most = max(most, s.by.Credence)
		}
		st.Values = slices.DeleteFunc(st.Values, func(v StandingValue) bool {
			agreed := slices.ContainsFunc(together, func(s seen) bool { return agree(v.Value, s.value) })
			return !agreed && most >= sufficient && v.best.Credence <= most
		})
		for _, s := range together {
			st.add(s, room)
		}
	}
	slices.SortFunc(st.Values, func(a, b StandingValue) int { return cmp.Compare(a.Number, b.Number) })
	if len(st.Values) > 2 {
		st.Values = extremes(st.Values)
	}
	return st
}

// extremes leaves of sorted values the lowest and the highest that each method has: what is worst is
// among them.
func extremes(values []StandingValue) []StandingValue {
	return slices.DeleteFunc(slices.Clone(values), func(v StandingValue) bool {
		same := func(o StandingValue) bool { return o.best.Method == v.best.Method }
		first := values[slices.IndexFunc(values, same)]
		last := first
		for _, o := range values {
			if same(o) {
				last = o
			}
		}
		return v.Number != first.Number && v.Number != last.Number
	})
}

// agree reports whether two values of a finding say the same. Ages are told in whole years.
func agree(a, b Value) bool {
	if a.Finding == a.Finding.Item.Age {
		return math.Abs(a.Number-b.Number) < 1
	}
	return a.Number == b.Number
}

func (st *Standing) add(s seen, room *room) {
	for i := range st.Values {
		v := &st.Values[i]
		if !agree(v.Value, s.value) {
			continue
		}
		if slices.ContainsFunc(v.Support, func(old Support) bool { return old.Credence >= s.by.Credence && old.On >= s.by.On }) {
			v.Number = max(v.Number, s.value.Number)
			return
		}
		v.Support = slices.DeleteFunc(v.Support, func(old Support) bool { return old.Credence <= s.by.Credence && old.On <= s.by.On })
		if len(v.Support) > 0 {
			s.value.Number = max(v.Number, s.value.Number)
		}
		v.Value, v.Support = s.value, append(v.Support, s.by)
		if v.best.Credence < s.by.Credence || v.best.Credence == s.by.Credence && v.best.On < s.by.On {
			v.best = s.by
		}
		return
	}
	st.Values = append(st.Values, StandingValue{s.value, append(one(&room.support), s.by), s.by})
}
