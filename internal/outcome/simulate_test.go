package outcome

import (
	"cmp"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

var years = flag.Int("years", 10, "how many years to simulate with a right book")

// world is a book and the truth that it is of: faults in families, each of which may do one harm at one gate.
type world struct {
	rng    *rand.Rand
	faults []simulated
	// What a look finds, and what of good parts it condemns, by the book and in truth.
	book, truth [2]float64
}

type simulated struct {
	name, family, gate    string
	level, slope          float64 // of the prior, in dB, over years
	shift                 float64 // dB by which the truth is worse
	chance, trueChance    float64
	ruleOff               float64 // dB that the rule's weight is off: the book's evidence is this much too weak
	hazard, cause, ruleID string
}

const families, inFamily = 8, 5

func newWorld(seed uint64) *world {
	w := &world{rng: rand.New(rand.NewPCG(seed, 1)), book: [2]float64{.86, .05}, truth: [2]float64{.86, .05}}
	gates := []string{"turn", "crank", "start"}
	for f := range families {
		for i := range inFamily {
			name := fmt.Sprintf("fault_%d%d", f, i)
			s := simulated{name: name, family: fmt.Sprintf("system_%d", f), gate: gates[(f+i)%3],
				level: -17 + 10*w.rng.Float64(), slope: .2 * w.rng.Float64(), chance: .05 + .2*w.rng.Float64(), hazard: "harm_" + name}
			s.trueChance, s.cause, s.ruleID = s.chance, name+">"+s.hazard, name+">rule_"+name
			w.faults = append(w.faults, s)
		}
	}
	return w
}

// counter keeps counts as a store does.
type counter struct {
	at    map[Kind]map[string]*Series
	cells map[*Series]map[string]map[Step]*Cell // by month and step
}

func newCounter() *counter {
	return &counter{map[Kind]map[string]*Series{}, map[*Series]map[string]map[Step]*Cell{}}
}

func (c *counter) add(month string, n Count) {
	if c.at[n.Kind] == nil {
		c.at[n.Kind] = map[string]*Series{}
	}
	s := c.at[n.Kind][n.Name]
	if s == nil {
		s = &Series{Kind: n.Kind, Name: n.Name, Family: n.Family}
		c.at[n.Kind][n.Name], c.cells[s] = s, map[string]map[Step]*Cell{}
	}
	if c.cells[s][month] == nil {
		c.cells[s][month] = map[Step]*Cell{}
	}
	cell := c.cells[s][month][n.Step]
	if cell == nil {
		cell = &Cell{P: CellOf(n.Kind, n.Step).P}
		c.cells[s][month][n.Step] = cell
	}
	cell.Seen, cell.Events, cell.Unseen = cell.Seen+n.Seen, cell.Events+n.Event, cell.Unseen+n.Unseen
}

func (c *counter) series() []Series {
	var list []Series
	for _, of := range c.at {
		for _, s := range of {
			m := Series{Kind: s.Kind, Name: s.Name, Family: s.Family}
			for name, steps := range c.cells[s] {
				p := Period{Name: name}
				for _, cell := range steps {
					p.Cells = append(p.Cells, *cell)
				}
				m.Cells = append(m.Cells, p.Cells...)
				p.Cells = Merge(p.Cells)
				m.Periods = append(m.Periods, p)
			}
			m.Cells = Merge(m.Cells)
			slices.SortFunc(m.Periods, func(a, b Period) int { return cmp.Compare(a.Name, b.Name) })
			list = append(list, m)
		}
	}
	slices.SortFunc(list, func(a, b Series) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Name, b.Name)) })
	return list
}

// year lets vehicles come through a year. Gates are opened where the book says that harm is not likely; parts are
// taken off now and then, and oftener after an alarm.
func (w *world) year(c *counter, vehicles int) {
	for v := range vehicles {
		month := fmt.Sprintf("m%02d", v*12/vehicles)
		age := 30 * w.rng.Float64()
		through := map[string]float64{"turn": 1, "crank": 1, "start": 1}
		type known struct {
			p      float64
			bad    bool
			looked bool
			alarm  bool
		}
		all := make([]known, len(w.faults))
		for i, f := range w.faults {
			l := f.level + f.slope*age
			k := known{bad: w.rng.Float64() < probability(l+f.shift), looked: w.rng.Float64() < .5}
			if k.looked {
				// The book's weight may be off: then the finding is likelier on bad parts than the book thinks.
				s, fa := w.truth[0], w.truth[1]
				if k.bad {
					k.alarm = w.rng.Float64() < s
				} else {
					k.alarm = w.rng.Float64() < fa
				}
				if k.alarm {
					l += 10*math.Log10(w.book[0]/w.book[1]) - f.ruleOff
				} else {
					l += 10 * math.Log10((1-w.book[0])/(1-w.book[1]))
				}
			}
			k.p = probability(l)
			through[f.gate] *= 1 - k.p*f.chance
			all[i] = k
		}
		for _, gate := range []string{"turn", "crank", "start"} {
			forecast := 1 - through[gate]
			opened := forecast < .5
			harmed := false
			for i, f := range w.faults {
				if f.gate != gate {
					continue
				}
				q := all[i].p * f.chance
				n := Count{Kind: Hazards, Name: f.hazard, Family: gate, Step: StepOf(q)}
				if opened {
					n.Seen = 1
					if all[i].bad && w.rng.Float64() < f.trueChance {
						n.Event, harmed = 1, true
					}
				} else {
					n.Unseen = 1
				}
				c.add(month, n)
				n.Kind, n.Name, n.Family = Causes, f.cause, f.family
				c.add(month, n)
			}
			n := Count{Kind: Gates, Name: gate, Step: StepOf(forecast), Unseen: 1}
			if opened {
				n.Unseen, n.Seen = 0, 1
				if harmed {
					n.Event = 1
				}
			}
			c.add(month, n)
		}
		for i, f := range w.faults {
			k := all[i]
			take := .2
			if k.alarm {
				take = .6
			}
			inHand := w.rng.Float64() < take
			n := Count{Kind: Faults, Name: f.name, Family: f.family, Step: StepOf(k.p)}
			switch {
			case !inHand:
				n.Unseen = 1
			case k.bad:
				n.Seen, n.Event = 1, 1
			default:
				n.Seen = 1
			}
			if inHand {
				c.add(month, n)
			}
			if k.looked {
				if k.alarm && inHand {
					n.Kind, n.Name = Rules, f.ruleID
					c.add(month, n)
				}
				n.Kind, n.Name, n.Step = Methods, "seen", 0
				if k.alarm {
					n.Step = 1
				}
				c.add(month, n)
			}
		}
	}
}

func hasAlarm(alarms []Alarm, kind Kind, name string) bool {
	return slices.ContainsFunc(alarms, func(a Alarm) bool { return a.Kind == kind && a.Name == name })
}

// A book of which some priors and a family are wrong: the scores say which, and the suggestions come nearer to the truth
// and have it in their intervals.
func TestWrongPriorsAreFound(t *testing.T) {
	w := newWorld(1)
	wrong := map[string]float64{"fault_00": 5, "fault_13": -5, "fault_42": 4}
	for i := range w.faults {
		w.faults[i].shift = wrong[w.faults[i].name]
		if w.faults[i].family == "system_6" {
			w.faults[i].shift = 3
		}
	}
	c := newCounter()
	w.year(c, 5000)
	alarms := Alarms(c.series())
	corrections := Corrections(c.series())
	in, of, found, harmless := 0, 0, 0, 0
	var before, after float64
	for _, x := range corrections {
		if x.Of != OfPrior {
			continue
		}
		truth := w.faults[slices.IndexFunc(w.faults, func(f simulated) bool { return f.name == x.Name })].shift
		of++
		if x.In.Low <= truth && truth <= x.In.High {
			in++
		}
		before, after = before+truth*truth, after+(truth-x.By)*(truth-x.By)
		switch {
		case truth != 0 && x.Advised:
			found++
			if math.Abs(truth-x.By) >= math.Abs(truth) {
				t.Errorf("%s: truth %+.1f dB, suggested %+.1f: no nearer", x.Name, truth, x.By)
			}
		case truth == 0 && x.Advised:
			t.Errorf("%s is right, and a correction of %+.1f dB is advised", x.Name, x.By)
		case truth == 0:
			harmless++
		}
	}
	t.Logf("%d of %d intervals have the truth; %d of 8 wrong priors found, %d right ones left alone; mean square error %.2f before, %.2f after", in, of, found, harmless, before/float64(of), after/float64(of))
	if in < of*9/10 {
		t.Errorf("%d of %d intervals have the truth in them", in, of)
	}
	if found < 7 || after > before/4 {
		t.Errorf("%d of 8 wrong priors found, error %.1f before and %.1f after", found, before, after)
	}
	for name := range wrong {
		if !hasAlarm(alarms, Faults, name) {
			t.Errorf("no alarm for %s", name)
		}
	}
}

// Chances, weights and methods that are wrong, one at a time.
func TestOtherWrongNumbersAreFound(t *testing.T) {
	t.Run("chance", func(t *testing.T) {
		w := newWorld(2)
		f := &w.faults[7]
		f.level, f.chance, f.trueChance = -8, .1, .3
		c := newCounter()
		w.year(c, 5000)
		for _, x := range Corrections(c.series()) {
			if x.Of == OfChance && x.Name == f.cause {
				t.Logf("factor 3: %.2f (%.2f to %.2f)", x.By, x.In.Low, x.In.High)
				if !x.Advised || x.In.Low > 3 || x.In.High < 3 || math.Abs(x.By-3) > 1.5 {
					t.Errorf("the chance is three times as large: %+v, %+v", x, x.In)
				}
			} else if x.Of == OfChance && x.Advised {
				t.Errorf("%s is right, and a factor of %.2f is advised", x.Name, x.By)
			}
		}
	})
	t.Run("weight", func(t *testing.T) {
		w := newWorld(3)
		f := &w.faults[11]
		f.level, f.ruleOff = -12, 6
		c := newCounter()
		w.year(c, 5000)
		for _, x := range Corrections(c.series()) {
			if x.Of == OfWeight && x.Name == f.ruleID {
				t.Logf("6 dB: %.2f (%.2f to %.2f)", x.By, x.In.Low, x.In.High)
				if !x.Advised || x.In.Low > 6 || x.In.High < 6 {
					t.Errorf("the weight is 6 dB too small: %+v, %+v", x, x.In)
				}
			}
		}
	})
	t.Run("method", func(t *testing.T) {
		w := newWorld(4)
		w.truth = [2]float64{.6, .1}
		c := newCounter()
		w.year(c, 5000)
		all := c.series()
		m := CorrectMethod("seen", all[slices.IndexFunc(all, func(s Series) bool { return s.Kind == Methods })].Cells)
		want := Credence(.6, .1)
		t.Logf("found by those checked alone %.3f, corrected %.3f; reassures %.3f (%.3f to %.3f), truth %.3f", *m.Rates.Sensitivity, *m.Sensitivity, *m.Reassures, m.ReassuresIn.Low, m.ReassuresIn.High, want)
		if math.Abs(*m.Sensitivity-.6) > .05 || math.Abs(*m.Specificity-.9) > .01 {
			t.Errorf("sensitivity %.3f, specificity %.3f", *m.Sensitivity, *m.Specificity)
		}
		if *m.Rates.Sensitivity < .7 {
			t.Errorf("parts are taken off after alarms, and those checked alone give %.3f", *m.Rates.Sensitivity)
		}
		if m.ReassuresIn.Low > want || m.ReassuresIn.High < want || !m.Enough {
			t.Errorf("reassures %.3f in %+v, want %.3f", *m.Reassures, m.ReassuresIn, want)
		}
	})
}

// A right book raises any alarm at all in at most one of twenty years.
func TestRightBookIsLeftAlone(t *testing.T) {
	alarmed, advised := 0, 0
	for y := range *years {
		w := newWorld(uint64(100 + y))
		c := newCounter()
		w.year(c, 500)
		if alarms := Alarms(c.series()); len(alarms) > 0 {
			alarmed++
			t.Logf("year %d: %+v", y, alarms)
		}
		if slices.ContainsFunc(Corrections(c.series()), func(x Correction) bool { return x.Advised }) {
			advised++
		}
	}
	t.Logf("%d of %d years raise an alarm, %d advise a correction", alarmed, *years, advised)
	if float64(alarmed) > math.Ceil(.05*float64(*years)) {
		t.Errorf("%d of %d years with a right book raise an alarm", alarmed, *years)
	}
}

// A chance that doubles in the middle is seen as a drift.
func TestDriftIsSeen(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	var periods []Period
	for m := range 24 {
		p := .1
		if m >= 12 {
			p = probability(decibans(.1) + 10*math.Log10(3))
		}
		events := 0
		for range 40 {
			if rng.Float64() < p {
				events++
			}
		}
		periods = append(periods, Period{fmt.Sprintf("%02d", m), []Cell{{P: .1, Seen: 40, Events: events}}})
	}
	d := Drifts(periods, .01)
	if d.Alarm != Worse || d.Since < "12" || d.Since > "17" {
		t.Errorf("alarm %q since %q", d.Alarm, d.Since)
	}
	if none := Drifts(nil, .01); none.Limit != nil || none.Alarm != "" {
		t.Errorf("drift of nothing: %+v", none)
	}
}
