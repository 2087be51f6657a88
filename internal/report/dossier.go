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
	// Frame has the facts, what is counted from dates (years at their most), and of each finding
	// on an item as a whole one of the values that stand. What is known by position is not in it.
	Frame condition.Frame
	// Years laid up and since built, and kilometres driven: the whole vehicle's.
	LaidUp, SinceBuilt, Driven Interval
	// Items has what was reported, by the index of the item.
	Items []ItemKnown
	// Stand says by slot of a finding of what kind what stands of it is.
	Stand []Stand
	// Conflicts are the findings with more than one standing value, in the order of the catalogue.
	Conflicts []Conflict
	// Misplaced are items that were reported on although the vehicle, by its facts, has none.
	Misplaced []*catalogue.Item
	// Taken are the facts that nobody told and that were taken from the others.
	Taken []*catalogue.Finding
	// Reports are those laid, in the order in which they count.
	Reports []*Report

	bare [1]Place // what is known of an item on which nothing was reported
}

// Interval is what is known of a number that nothing tells exactly: it is no less than Low and no more
// than High. High is infinite where nothing bounds it.
type Interval struct{ Low, High float64 }

// least is the interval of the lesser of two numbers.
func (i Interval) least(o Interval) Interval { return Interval{min(i.Low, o.Low), min(i.High, o.High)} }

// Stand is of what kind what stands of a finding is. The zero value says that nothing does.
type Stand uint8

const (
	Plainly Stand = iota + 1 // one value for the item as a whole: the one in the frame
	Maybe                    // more than one value, or by position, if anything
)

// ItemKnown is what is known of one item.
type ItemKnown struct {
	Applies   bool // the vehicle, by its facts, has it or may have it
	Reported  bool // something was found on it, or is said of its being there
	NotFitted bool // by a credible word this vehicle never had it, and nothing was found on it
	// Places are where it was looked at: one for the whole where no position was named, else one
	// for each position that the vehicle has, and [Somewhere] for what was said of none.
	// Empty where nothing was reported.
	Places []Place
}

// What a place is that is no position.
const (
	Whole     = -1 // the item as a whole, or all its positions alike
	Somewhere = -2 // some one position that nobody named
	Others    = -3 // the positions that nobody named, where nobody said how many there are
)

// Place is an item at one of its positions.
type Place struct {
	Position int // index among the positions of the item; or [Whole], [Somewhere] or [Others]
	// Standing has what stands of each finding, in the order of the item's findings; nil where
	// nothing was reported.
	Standing []*Standing
	// Age is how old the part is, in years, by all that is credible; Unvouched is the same
	// without anybody's statement of an age, by renewals alone.
	Age, Unvouched Interval
	// How long this part has been laid up, has been there, and has been driven: since its last
	// credible renewal.
	LaidUp, SinceBuilt, Driven Interval
	// Renewed is the last day that its last credible renewal may stand for; NoDay for none.
	Renewed calendar.Day
}

// Of returns what stands of a finding of the item that the place belongs to; nil for nothing.
func (p *Place) Of(f *catalogue.Finding) *Standing {
	if p.Standing == nil {
		return nil
	}
	return p.Standing[f.Slot-f.Item.Finds[0].Slot]
}

// Real reports whether the place is there on the vehicle; [Somewhere] is one of the others.
func (p *Place) Real() bool { return p.Position != Somewhere }

// Places returns the places of an item: where nothing was reported, the item as a whole.
func (d *Dossier) Places(it *catalogue.Item) []Place {
	if known := &d.Items[it.Index]; len(known.Places) > 0 {
		return known.Places
	}
	return d.bare[:]
}

// Standing returns what stands of a finding at the first place at which something does; nil for nothing.
func (d *Dossier) Standing(f *catalogue.Finding) *Standing {
	if f == nil || f.Item == nil {
		return nil
	}
	places := d.Items[f.Item.Index].Places
	for i := range places {
		if st := places[i].Of(f); st != nil {
			return st
		}
	}
	return nil
}

// Conflict is a finding with more than one standing value at a place. Standing is nil where it is
// contradicted whether the vehicle has the item at all.
type Conflict struct {
	Item *catalogue.Item
	At   int // as Place.Position
	*Standing
}

// Standing is what stands of one finding at one place.
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
	Method int
	// Figures say how far the method is to be believed on this finding.
	catalogue.Figures
	On     calendar.Day
	Report int // position among the reports in the order of inspection
	// Named says that the observation was made at this position by name.
	Named bool
}

// Alarms is the share of such alarms that are true, of the most credible observation.
func (v *StandingValue) Alarms() float64 { return v.best.Alarms }

// AtMost bounds what the value may weigh as an alarm, in decibans.
func (v *StandingValue) AtMost() float64 { return v.best.AtMost }

// Method is the method of the most credible observation.
func (v *StandingValue) Method() int { return v.best.Method }

// On is the day of the most credible observation.
func (v *StandingValue) On() calendar.Day { return v.best.On }

// Named reports whether somebody named the position for which the value stands.
func (v *StandingValue) Named() bool {
	return slices.ContainsFunc(v.Support, func(s Support) bool { return s.Named })
}

// Reassures is the greatest share of bad parts that a reassurance by one of the observations would
// have found, when it halves every halfLife years from the observation to the day given. Of
// observations before since none counts; the zero Day given with all true counts all.
func (v *StandingValue) Reassures(asOf calendar.Day, halfLife float64) float64 {
	return v.ReassuresSince(calendar.NoDay, asOf, halfLife)
}

// ReassuresSince is Reassures by observations of a day or later alone; 0 where there is none.
func (v *StandingValue) ReassuresSince(since, asOf calendar.Day, halfLife float64) float64 {
	most := 0.0
	for i := range v.Support {
		s := &v.Support[i]
		if s.On < since {
			continue
		}
		c := s.Figures.Reassures
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
	at    []int           // positions named; empty for none
	part  *catalogue.Part // of the renewal of a part
}

// Lay lays reports on one vehicle, in the order in which they came, together. At least one report
// is needed. Sufficient is the share of true alarms from which on a method is believed: below, it is
// hearsay and overturns nothing.
func Lay(reports []*Report, cat *catalogue.Catalogue, sufficient float64) *Dossier {
	return new(Workspace).Lay(reports, cat, sufficient)
}

// Workspace is memory to lay dossiers in, one after another. The zero value is ready for use; it is
// not safe for concurrent use.
type Workspace struct {
	dossier    Dossier
	cat        *catalogue.Catalogue
	sufficient float64
	starts     []int // where what was found on an item begins, and where the next of it goes
	found      []seen
	mine       []seen // what concerns one place
	readings   []reading
	unfitted   bool // somebody says of some item that the vehicle never had it
	room       room
}

// reading is an odometer reading on file.
type reading struct {
	on calendar.Day
	km float64
}

// Lay is the function [Lay]; its dossier is good until the next.
func (w *Workspace) Lay(reports []*Report, cat *catalogue.Catalogue, sufficient float64) *Dossier {
	w.cat, w.sufficient = cat, sufficient
	d := &w.dossier
	*d = Dossier{
		Frame:   again(d.Frame, cat.Size),
		Items:   again(d.Items, len(cat.Items)),
		Stand:   again(d.Stand, cat.Size),
		Reports: append(d.Reports[:0], reports...),
		Taken:   d.Taken[:0],
		bare:    d.bare,
	}
	slices.SortStableFunc(d.Reports, func(a, b *Report) int { return cmp.Compare(a.Counts(), b.Counts()) })
	d.Vehicle, d.AsOf = d.Reports[0].Vehicle, d.Reports[len(d.Reports)-1].Counts()
	for i := range d.Frame {
		d.Frame[i] = condition.Unset
	}
	for _, r := range d.Reports {
		r.fill(d.Frame)
		if r.Vehicle.Description != "" {
			d.Vehicle.Description = r.Vehicle.Description
		}
		if r.Vehicle.VIN != "" {
			d.Vehicle.VIN = r.Vehicle.VIN
		}
	}
	w.count()
	w.take()
	w.collect()
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

// count works out what is counted to the newest inspection. The lay-up is the longest on file: a start
// of two minutes since resets nothing but what was renewed or looked at after it.
func (w *Workspace) count() {
	d, cat := &w.dossier, w.cat
	d.Frame[cat.AsOf] = float64(d.AsOf)
	d.LaidUp, d.SinceBuilt, d.Driven = Interval{0, math.Inf(1)}, Interval{0, math.Inf(1)}, Interval{0, math.Inf(1)}
	w.readings = w.readings[:0]
	lastRan, built := cat.Fact("lay_up", "last_ran"), cat.Fact("vehicle", "built")
	longest := calendar.Date{}
	for _, r := range d.Reports {
		for i := range r.Facts {
			v := &r.Facts[i]
			switch {
			case v.Finding == lastRan:
				if longest.IsZero() || v.Date.Earliest() < longest.Earliest() {
					longest = v.Date
				}
			case v.Finding == built:
				d.SinceBuilt = since(v.Date, d.AsOf)
			case v.Finding.Slot == cat.Odometer:
				w.readings = append(w.readings, reading{r.Counts(), v.Number})
				d.Driven = Interval{v.Number, v.Number}
			}
		}
	}
	if !longest.IsZero() {
		d.LaidUp = since(longest, d.AsOf)
		d.Frame[lastRan.Slot] = float64(longest.Earliest())
		d.Frame[cat.YearsLaidUp] = d.LaidUp.High
	}
	if !math.IsInf(d.SinceBuilt.High, 1) {
		d.Frame[cat.YearsSinceBuilt] = d.SinceBuilt.High
		if longest.IsZero() {
			d.LaidUp.High = d.SinceBuilt.High // nothing stands for longer than it has been there
		}
	}
	d.bare[0] = Place{Position: Whole, Renewed: calendar.NoDay}
	w.age(&d.bare[0], nil)
}

// take fills in the facts that nobody told and that the others make plain.
func (w *Workspace) take() {
	d := &w.dossier
	for _, f := range w.cat.Facts {
		if len(f.Taken) == 0 || d.Frame.Known(f.Slot) {
			continue
		}
		for _, t := range f.Taken {
			if t.When != nil && t.When.Holds(d.Frame) == condition.True || t.Reported != nil && d.reportedOn(t.Reported) || t.When == nil && t.Reported == nil {
				d.Frame[f.Slot] = t.Value
				d.Taken = append(d.Taken, f)
				break
			}
		}
	}
}

// reportedOn reports whether something was found on an item.
func (d *Dossier) reportedOn(it *catalogue.Item) bool {
	for _, r := range d.Reports {
		for i := range r.Observations {
			if o := &r.Observations[i]; o.Item == it && len(o.Found) > 0 {
				return true
			}
		}
	}
	return false
}

// since counts the years from a date to a day.
func since(from calendar.Date, to calendar.Day) Interval {
	return Interval{max(0, from.Latest().YearsTo(to)), max(0, from.Earliest().YearsTo(to))}
}

func (w *Workspace) collect() {
	// What was found is dealt out by item into one piece of memory.
	d, cat := &w.dossier, w.cat
	w.unfitted = false
	w.starts = again(w.starts, 2*len(cat.Items)+1)
	starts, next := w.starts[:len(cat.Items)+1], w.starts[len(cat.Items)+1:]
	for _, r := range d.Reports {
		for i := range r.Observations {
			o := &r.Observations[i]
			starts[o.Item.Index+1] += len(o.Found)
			if o.NotFitted || len(o.Found) > 0 {
				d.Items[o.Item.Index].Reported = true
			}
			w.unfitted = w.unfitted || o.NotFitted
		}
	}
	for i := range cat.Items {
		starts[i+1] += starts[i]
		next[i] = starts[i]
	}
	total := starts[len(cat.Items)]
	w.found = again(w.found, total)
	for i, r := range d.Reports {
		for k := range r.Observations {
			o := &r.Observations[k]
			by := Support{Method: o.Method, On: o.On, Report: i}
			for _, v := range o.Found {
				by.Figures = v.Finding.Figures(o.Method)
				w.found[next[o.Item.Index]] = seen{v, by, o.At, o.Part}
				next[o.Item.Index]++
			}
		}
	}
	w.room = room{again(w.room.standing, total)[:0], again(w.room.values, total)[:0], again(w.room.support, total)[:0], again(w.room.places, len(cat.Items))[:0], again(w.room.by, cat.Size)[:0]}
	for i, item := range cat.Items {
		if d.Items[i].Applies = item.AppliesTo(d.Frame); !d.Items[i].Reported {
			continue
		}
		found := w.found[starts[i]:starts[i+1]:starts[i+1]]
		if !d.Items[i].Applies {
			d.Misplaced = append(d.Misplaced, item)
			d.Items[i].Reported = false
			continue
		}
		w.item(item, found)
	}
}

// item lays what was found on one item, place by place.
func (w *Workspace) item(item *catalogue.Item, found []seen) {
	d := &w.dossier
	known := &d.Items[item.Index]
	if w.unfitted && w.neverFitted(item) {
		if slices.ContainsFunc(found, func(s seen) bool { return !w.hearsay(s.by) }) {
			d.Conflicts = append(d.Conflicts, Conflict{Item: item, At: Whole})
		} else {
			known.NotFitted = true
		}
	}
	named := false
	for i := range found {
		named = named || len(found[i].at) > 0
	}
	if !named {
		known.Places = one(&w.room.places)
		known.Places = append(known.Places, w.place(item, Whole, found))
		return
	}
	positions, counted := d.positions(item)
	for _, p := range positions {
		known.Places = append(known.Places, w.place(item, p, found))
	}
	if !counted {
		known.Places = append(known.Places, w.place(item, Others, found))
	}
	if slices.ContainsFunc(found, func(s seen) bool { return len(s.at) == 0 }) {
		somewhere := w.place(item, Somewhere, found)
		w.end(&somewhere, known.Places)
		if slices.ContainsFunc(somewhere.Standing, func(st *Standing) bool { return st != nil }) {
			known.Places = append(known.Places, somewhere)
		}
	}
	d.Conflicts = slices.DeleteFunc(d.Conflicts, func(c Conflict) bool { return c.Standing != nil && len(c.Values) < 2 })
}

// positions returns the positions of an item that the vehicle has; counted is false where nobody said
// how many there are: then they are those that somebody named. Where nobody said of what kind the vehicle
// is, what was named says it.
func (d *Dossier) positions(item *catalogue.Item) (list []int, counted bool) {
	has, known := item.PositionsOn(d.Frame)
	var named []int
	if !known {
		for _, r := range d.Reports {
			for i := range r.Observations {
				if o := &r.Observations[i]; o.Item == item {
					named = append(named, o.At...)
				}
			}
		}
		slices.Sort(named)
		named = slices.Compact(named)
		if item.PositionsOf != nil {
			return named, false
		}
		for _, c := range item.PositionsWhen {
			if !slices.ContainsFunc(named, func(p int) bool { return !slices.Contains(c.Are, item.Positions[p]) }) &&
				(c.When == nil || c.When.Holds(d.Frame) != condition.False) {
				has = c.Are
			}
		}
	}
	for i, p := range item.Positions {
		if slices.Contains(has, p) || slices.Contains(named, i) {
			list = append(list, i)
		}
	}
	return list, true
}

// neverFitted reports whether somebody credible says that the vehicle never had the item.
func (w *Workspace) neverFitted(item *catalogue.Item) bool {
	for _, r := range w.dossier.Reports {
		for i := range r.Observations {
			if o := &r.Observations[i]; o.Item == item && o.NotFitted && w.cat.Methods[o.Method].Alarms >= w.sufficient {
				return true
			}
		}
	}
	return false
}

func (w *Workspace) hearsay(by Support) bool { return by.Alarms < w.sufficient }

// room is memory for what stands, set aside at once: nearly every finding stands in one value that
// one observation speaks for. What does not fit is allocated as it comes.
type room struct {
	standing []Standing
	values   []StandingValue
	support  []Support
	places   []Place
	by       []*Standing // by finding
}

func (r *room) stand(f *catalogue.Finding) *Standing {
	if len(r.standing) == cap(r.standing) {
		return &Standing{Finding: f}
	}
	r.standing = append(r.standing, Standing{Finding: f, Values: one(&r.values)})
	return &r.standing[len(r.standing)-1]
}

// findings takes a slice for what stands of n findings.
func (r *room) findings(n int) []*Standing {
	at := len(r.by)
	if at+n > cap(r.by) {
		return make([]*Standing, n)
	}
	r.by = r.by[:at+n]
	return r.by[at : at+n : at+n]
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

// place lays what was found on an item at one place: what was said of it by name, and what was said of
// no position.
func (w *Workspace) place(item *catalogue.Item, position int, found []seen) Place {
	mine := found
	if position != Whole {
		mine = w.mine[:0]
		for _, s := range found {
			if named := slices.Contains(s.at, position); named || len(s.at) == 0 {
				s.by.Named = named
				mine = append(mine, s)
			}
		}
		w.mine = mine
	}
	p := Place{Position: position, Renewed: calendar.NoDay, Standing: w.room.findings(len(item.Finds))}
	mine = w.superseded(item, mine)
	w.lay(item, &p, mine)
	return p
}

// supersedes reports whether a renewal makes a finding a matter of the past. What was said of no
// position overturns nothing that was said of one.
func (w *Workspace) supersedes(r, s *seen) bool {
	if s.by.Named && !r.by.Named || r.part != nil && !slices.Contains(r.part.Finds, s.value.Finding) {
		return false
	}
	if s.by.Report == r.by.Report {
		return s.by.On < r.value.Date.Earliest() && s.value.Finding != s.value.Finding.Item.Renewed
	}
	return s.by.Report < r.by.Report && s.by.On <= min(r.value.Date.Latest(), r.by.On)
}

// superseded drops what was found on a part before it was renewed, by hearsay not.
func (w *Workspace) superseded(item *catalogue.Item, found []seen) []seen {
	renewed := false
	for i := range found {
		renewed = renewed || found[i].value.Finding == item.Renewed && !w.hearsay(found[i].by)
	}
	if !renewed {
		return found
	}
	var renewals []seen
	for _, s := range found {
		if s.value.Finding == item.Renewed && !w.hearsay(s.by) {
			renewals = append(renewals, s)
		}
	}
	kept := make([]seen, 0, len(found))
	for i := range found {
		if !slices.ContainsFunc(renewals, func(r seen) bool { return w.supersedes(&r, &found[i]) }) {
			kept = append(kept, found[i])
		}
	}
	// A renewal known to the year is no older than what it superseded.
	for i := range kept {
		k := &kept[i]
		if k.value.Finding != item.Renewed || k.part != nil || k.value.Date.ToTheDay() {
			continue
		}
		from := k.value.Date.Earliest()
		for j := range found {
			if w.supersedes(k, &found[j]) {
				from = max(from, min(found[j].by.On, k.value.Date.Latest()))
			}
		}
		k.value.Number = float64(from)
	}
	return kept
}

// lay works out what stands of each finding at one place, and how old the part is.
func (w *Workspace) lay(item *catalogue.Item, p *Place, found []seen) {
	// A part has aged since its age was reported. What its last renewal or a week code says of the age
	// contradicts, or agrees with, a reported age.
	d := &w.dossier
	for i := range found {
		if s := &found[i]; s.value.Finding == item.Age {
			s.value.Number += s.by.On.YearsTo(d.AsOf)
		}
	}
	w.age(p, found)
	for i, n := 0, len(found); i < n; i++ {
		s := found[i]
		switch {
		case s.part != nil:
			continue // the rest of the item is as old as it was
		case s.value.Finding == item.Renewed && min(s.value.Date.Latest(), s.by.On) >= p.Renewed:
			s.value.Number = max(0, calendar.Day(s.value.Number).YearsTo(d.AsOf))
		case s.value.Finding == item.Made:
			s.value.Number = max(0, s.value.Date.Earliest().YearsTo(d.AsOf))
		default:
			continue
		}
		s.value = Value{Finding: item.Age, Number: s.value.Number, Date: s.value.Date}
		found = append(found, s)
	}
	if len(found) > 1 {
		slices.SortStableFunc(found, inOrder)
	}
	first := item.Finds[0].Slot
	for len(found) > 0 {
		finding := found[0].value.Finding
		n := 0
		for n < len(found) && found[n].value.Finding == finding {
			n++
		}
		st := w.stand(finding, found[:n])
		found = found[n:]
		p.Standing[finding.Slot-first] = st
		d.Stand[finding.Slot] = Maybe
		if p.Position == Whole {
			d.Frame[finding.Slot] = st.Values[0].Number
			if len(st.Values) == 1 {
				d.Stand[finding.Slot] = Plainly
			}
		}
		if len(st.Values) > 1 {
			d.Conflicts = append(d.Conflicts, Conflict{item, p.Position, st})
		}
	}
	w.said(item, p)
}

// daysAYear is the mean length of a year.
const daysAYear = 365.2425

// age works out how old the part at a place is, and how long it has stood and been driven, by credible
// renewals alone: one that is reported, or that a credible age below the lay-up implies.
func (w *Workspace) age(p *Place, found []seen) {
	d := &w.dossier
	p.LaidUp, p.SinceBuilt, p.Driven = d.LaidUp, d.SinceBuilt, d.Driven
	p.Unvouched = Interval{d.LaidUp.Low, max(d.LaidUp.Low, d.SinceBuilt.High)}
	for i := range found {
		s := &found[i]
		it := s.value.Finding.Item
		var from, latest calendar.Day
		switch {
		case w.hearsay(s.by) || s.part != nil:
			continue
		case s.value.Finding == it.Renewed:
			from, latest = calendar.Day(s.value.Number), min(s.value.Date.Latest(), s.by.On)
		case s.value.Finding == it.Made:
			from, latest = s.value.Date.Earliest(), min(s.value.Date.Latest(), s.by.On)
		case s.value.Finding == it.Age && s.value.Number < d.LaidUp.Low:
			// An invoice for a part younger than the lay-up says that it was renewed since.
			from = d.AsOf - calendar.Day(s.value.Number*daysAYear)
			latest = from
		default:
			continue
		}
		if latest < p.Renewed {
			continue
		}
		p.Renewed = latest
		p.Unvouched = Interval{max(0, latest.YearsTo(d.AsOf)), max(0, from.YearsTo(d.AsOf))}
		p.LaidUp, p.SinceBuilt = d.LaidUp.least(p.Unvouched), d.SinceBuilt.least(p.Unvouched)
		p.Driven = w.drivenSince(from, latest)
	}
	p.Age = p.Unvouched
}

// drivenSince is how far the vehicle went after a day between two.
func (w *Workspace) drivenSince(from, latest calendar.Day) Interval {
	d := &w.dossier
	if from >= d.AsOf {
		return Interval{0, 0}
	}
	if len(w.readings) == 0 {
		return Interval{0, math.Inf(1)}
	}
	// Whatever was renewed while it stood has not been driven.
	if d.LaidUp.Low >= from.YearsTo(d.AsOf) {
		return Interval{0, 0}
	}
	now := w.readings[len(w.readings)-1].km
	most, least := now, 0.0
	for _, r := range w.readings {
		if r.on <= from {
			most = min(most, now-r.km)
		}
		if r.on >= latest {
			least = max(least, now-r.km)
		}
	}
	return Interval{least, max(0, most)}
}

// said narrows the age of the part at a place by what is credibly said of it. An age below the lay-up
// needs a renewal.
func (w *Workspace) said(item *catalogue.Item, p *Place) {
	st := p.Of(item.Age)
	if st == nil {
		return
	}
	narrowed := Interval{math.Inf(1), 0}
	for i := range st.Values {
		v := &st.Values[i]
		if w.hearsay(v.best) {
			continue
		}
		least := v.Number
		if !v.Date.IsZero() { // of a renewal or a week code: known between two days
			least = max(0, min(v.Date.Latest(), v.On()).YearsTo(w.dossier.AsOf))
		}
		narrowed = Interval{min(narrowed.Low, least), max(narrowed.High, v.Number)}
	}
	if narrowed.Low <= narrowed.High {
		p.Age = narrowed
	}
}

// end takes out of what was said of no position the values of which every position has a newer and no
// less credible contradiction, or a renewal.
func (w *Workspace) end(somewhere *Place, places []Place) {
	for i, st := range somewhere.Standing {
		if st == nil {
			continue
		}
		item := st.Finding.Item
		st.Values = slices.DeleteFunc(st.Values, func(v StandingValue) bool {
			for k := range places {
				if !w.outlived(&v, &places[k], item) {
					return false
				}
			}
			return true
		})
		if len(st.Values) == 0 {
			somewhere.Standing[i] = nil
		}
	}
}

// outlived reports whether what was said of no position cannot be meant of one any more.
func (w *Workspace) outlived(v *StandingValue, p *Place, item *catalogue.Item) bool {
	if v.Finding != item.Renewed && p.Renewed >= v.best.On {
		if st := p.Of(item.Renewed); st != nil && slices.ContainsFunc(st.Values, func(r StandingValue) bool { return r.Named() }) {
			return true
		}
	}
	st := p.Of(v.Finding)
	if st == nil {
		return false
	}
	for i := range st.Values {
		o := &st.Values[i]
		for k := range o.Support {
			s := &o.Support[k]
			newer := s.On > v.best.On || s.On == v.best.On && s.Report > v.best.Report
			if s.Named && newer && !w.hearsay(*s) && s.Method <= v.best.Method && !agree(o.Value, v.Value) {
				return true
			}
		}
	}
	return false
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
	case a.by.Method != b.by.Method:
		return a.by.Method - b.by.Method
	case a.by.Named != b.by.Named:
		if a.by.Named {
			return -1
		}
		return 1
	case a.value.Text != b.value.Text:
		return cmp.Compare(a.value.Text, b.value.Text)
	}
	return int(a.value.Date.Latest()) - int(b.value.Date.Latest())
}

// stand goes through the observations of one finding, oldest first, a report at a time. A newer one
// takes the place of those that it contradicts, unless they are more credible, it is hearsay, or it
// was said of no position and they were.
func (w *Workspace) stand(finding *catalogue.Finding, found []seen) *Standing {
	st := w.room.stand(finding)
	if len(found) == 1 {
		st.add(found[0], &w.room, w.sufficient)
		return st
	}
	for len(found) > 0 {
		n := 1
		for n < len(found) && found[n].by.On == found[0].by.On && found[n].by.Report == found[0].by.Report {
			n++
		}
		together := found[:n]
		found = found[n:]
		st.Values = slices.DeleteFunc(st.Values, func(v StandingValue) bool {
			if slices.ContainsFunc(together, func(s seen) bool { return agree(v.Value, s.value) }) {
				return false
			}
			return slices.ContainsFunc(together, func(s seen) bool {
				return !w.hearsay(s.by) && s.by.Method <= v.best.Method && (s.by.Named || !v.Named())
			})
		})
		for _, s := range together {
			st.add(s, &w.room, w.sufficient)
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

// add adds an observation to the value that it speaks for. Hearsay makes no value that somebody
// credible reported any worse.
func (st *Standing) add(s seen, room *room, sufficient float64) {
	for i := range st.Values {
		v := &st.Values[i]
		if !agree(v.Value, s.value) {
			continue
		}
		// Beside what is known, hearsay makes nothing worse and nothing fresher.
		said, known := s.by.Alarms < sufficient, v.best.Alarms >= sufficient
		switch {
		case said && known:
			return
		case !said && !known:
			v.Value, v.Support, v.best = s.value, append(v.Support[:0], s.by), s.by
			return
		}
		number := max(v.Number, s.value.Number)
		v.Number = number
		if slices.ContainsFunc(v.Support, func(old Support) bool {
			return old.Method <= s.by.Method && old.On >= s.by.On && old.Named == s.by.Named
		}) {
			return
		}
		v.Support = append(slices.DeleteFunc(v.Support, func(old Support) bool {
			return old.Method >= s.by.Method && old.On <= s.by.On && old.Named == s.by.Named
		}), s.by)
		if s.by.Method < v.best.Method || s.by.Method == v.best.Method && s.by.On > v.best.On {
			value := s.value
			value.Number = number
			v.Value, v.best = value, s.by
		}
		return
	}
	st.Values = append(st.Values, StandingValue{s.value, append(one(&room.support), s.by), s.by})
}
