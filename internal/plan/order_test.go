package plan

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// checkPath holds a path against the order's own words, step by step.
func checkPath(t interface {
	Helper()
	Errorf(string, ...any)
}, o *Order, p *Path) {
	t.Helper()
	site, piece := map[string]*Site{}, map[string]*Piece{}
	for i := range o.States {
		site[o.States[i].ID] = &o.States[i]
	}
	closes := map[string]string{}
	for i := range o.Jobs {
		piece[o.Jobs[i].ID] = &o.Jobs[i]
		for _, s := range o.Jobs[i].Closes {
			if closes[s] == "" || o.Jobs[i].ID < closes[s] {
				closes[s] = o.Jobs[i].ID
			}
		}
	}
	isOpen, opened, done, reported := map[string]bool{}, map[string]int{}, map[string]bool{}, map[string]string{}
	shut := func(s string) {
		for _, other := range o.States {
			if isOpen[other.ID] && slices.Contains(other.Needs, s) {
				t.Errorf("%s is shut while %s, which needs it, is open", s, other.ID)
			}
		}
		for _, k := range site[s].Then {
			if done[k] {
				t.Errorf("%s is shut after %s", s, k)
			}
		}
		if !isOpen[s] {
			t.Errorf("%s is shut and was not open", s)
		}
		isOpen[s] = false
		for _, g := range site[s].Spoils {
			if by := reported[g]; by != "" && closes[s] != by {
				t.Errorf("%s spoils %s after %s reported it", s, g, by)
			}
		}
	}
	for _, s := range p.Steps {
		switch s.Act {
		case Opens:
			opened[s.ID]++
			if opened[s.ID] != s.Visit {
				t.Errorf("%s is opened for the %dth time in visit %d", s.ID, opened[s.ID], s.Visit)
			}
			if isOpen[s.ID] {
				t.Errorf("%s is opened and is open", s.ID)
			}
			isOpen[s.ID] = true
			for _, n := range site[s.ID].Needs {
				if !isOpen[n] {
					t.Errorf("%s is opened without %s", s.ID, n)
				}
			}
			for _, k := range site[s.ID].First {
				if piece[k] != nil && !done[k] {
					t.Errorf("%s is opened before %s", s.ID, k)
				}
			}
		case Shuts:
			shut(s.ID)
		case Does:
			j := piece[s.ID]
			for _, n := range j.Open {
				if !isOpen[n] {
					t.Errorf("%s is done without %s", j.ID, n)
				}
			}
			for _, c := range j.Closes {
				if closes[c] == j.ID && site[c] != nil {
					shut(c)
				}
			}
			for _, n := range j.Shut {
				if isOpen[n] {
					t.Errorf("%s is done while %s is open", j.ID, n)
				}
			}
			for _, k := range j.After {
				if piece[k] != nil && !done[k] {
					t.Errorf("%s is done before %s", j.ID, k)
				}
			}
			done[j.ID] = true
			for _, g := range j.Spoils {
				if by := reported[g]; by != "" {
					t.Errorf("%s spoils %s after %s reported it", j.ID, g, by)
				}
			}
			for _, g := range j.Reports {
				reported[g] = j.ID
			}
		}
	}
	for s, is := range isOpen {
		if is {
			t.Errorf("%s is left open", s)
		}
	}
	for _, s := range o.States {
		want := 1
		if s.ID == p.Twice {
			want = 2
		}
		if opened[s.ID] != want {
			t.Errorf("%s is opened %d times", s.ID, opened[s.ID])
		}
	}
	if len(done) != len(o.Jobs) {
		t.Errorf("%d of %d jobs are done", len(done), len(o.Jobs))
	}
	for _, e := range p.Before {
		if e[0] >= e[1] {
			t.Errorf("%v before %v, and comes after it", p.Steps[e[0]], p.Steps[e[1]])
		}
	}
}

// The order in which a mechanic takes a mid-engined car apart and puts it back (no published example): the
// reference while the gearbox is on, the engine turned by hand once the oil is in, the fuel system proven
// after everything that opens it.
func midEnginedOrder() *Order {
	return &Order{
		States: []Site{
			{ID: "battery_isolated"}, {ID: "raised", Spoils: []string{"chocked"}},
			{ID: "coolant_out", Needs: []string{"raised"}, Spoils: []string{"coolant_level"}},
			{ID: "fuel_depressurised", Needs: []string{"battery_isolated"}, Spoils: []string{"fuel_held"}},
			{ID: "engine_out", Needs: []string{"battery_isolated", "raised", "coolant_out", "fuel_depressurised"}, Spoils: []string{"primed", "neutral"}, Again: 2640},
			{ID: "timing_cover_off", Needs: []string{"engine_out"}, Again: 48},
			{ID: "gearbox_split", Needs: []string{"engine_out"}, Spoils: []string{"neutral"}, Again: 324},
			{ID: "oil_out", Needs: []string{"raised"}, Spoils: []string{"oil_level", "primed"}},
		},
		Jobs: []Piece{
			{ID: "find_reference", Open: []string{"timing_cover_off"}, Shut: []string{"gearbox_split"}},
			{ID: "renew_belt", Open: []string{"timing_cover_off"}, Shut: []string{"gearbox_split"}, After: []string{"find_reference"}, Spoils: []string{"aligned"}},
			{ID: "prove_marks", Open: []string{"timing_cover_off"}, Shut: []string{"gearbox_split", "oil_out"}, After: []string{"renew_belt"}, Reports: []string{"aligned"}, Proof: true},
			{ID: "renew_clutch", Open: []string{"gearbox_split"}},
			{ID: "change_oil", Open: []string{"oil_out"}, Closes: []string{"oil_out"}, Reports: []string{"oil_level"}},
			{ID: "flush_cooling", Shut: []string{"coolant_out", "engine_out"}, Closes: []string{"coolant_out"}, Reports: []string{"coolant_level"}},
			{ID: "turn_by_hand", Shut: []string{"oil_out"}, After: []string{"change_oil", "prove_marks"}, Proof: true},
			{ID: "prime", Shut: []string{"battery_isolated", "engine_out", "gearbox_split", "timing_cover_off", "oil_out"}, After: []string{"turn_by_hand"}, Reports: []string{"primed"}, Proof: true},
			{ID: "leak_test", Shut: []string{"fuel_depressurised"}, Reports: []string{"fuel_held"}, Proof: true},
			{ID: "confirm_neutral", Shut: []string{"engine_out", "gearbox_split"}, Reports: []string{"neutral"}, Proof: true},
			{ID: "make_ready", Shut: []string{"raised"}, Reports: []string{"chocked"}},
		},
	}
}

func TestTheOrderIsThatOfAMechanic(t *testing.T) {
	o := midEnginedOrder()
	// Flushing does the closing of the coolant, and the engine has to be back for it: what the engine needs
	// drained cannot be closed by it while the engine is out, but after.
	p, err := o.Sequence()
	if err != nil {
		t.Fatal(err)
	}
	checkPath(t, o, p)
	if p.Twice != "" {
		t.Errorf("%s is opened twice: %v", p.Twice, p.Clash)
	}
	var at []string
	for _, s := range p.Steps {
		at = append(at, string(s.Act)+" "+s.ID)
	}
	t.Logf("%d tries: %s", p.Tries, strings.Join(at, ", "))
	before := func(a, b string) {
		t.Helper()
		if slices.Index(at, a) < 0 || slices.Index(at, a) > slices.Index(at, b) {
			t.Errorf("%s does not come before %s", a, b)
		}
	}
	before("do find_reference", "open gearbox_split")
	before("do renew_belt", "do prove_marks")
	before("shut gearbox_split", "shut engine_out")
	before("shut engine_out", "do flush_cooling")
	before("shut engine_out", "do prime")
	before("do turn_by_hand", "do prime")
	before("shut fuel_depressurised", "do leak_test")
	before("shut raised", "do make_ready")
	again, err := midEnginedOrder().Sequence()
	if err != nil || cmp.Diff(p, again) != "" {
		t.Errorf("another path: %v %s", err, cmp.Diff(p, again))
	}
}

// A mark that shows only with the gearbox on, to be read between two jobs behind the split.
func TestAStateIsOpenedTwiceWhereThereIsNoOrderAndTheClashIsNamed(t *testing.T) {
	o := &Order{
		States: []Site{{ID: "raised", Again: 10}, {ID: "split", Needs: []string{"raised"}, Again: 300}},
		Jobs: []Piece{
			{ID: "flywheel", Open: []string{"split"}},
			{ID: "read_mark", Shut: []string{"split"}, After: []string{"flywheel"}},
			{ID: "lock_clutch", Open: []string{"split"}, After: []string{"read_mark"}},
			{ID: "tyres", Open: []string{"raised"}},
		},
	}
	p, err := o.Sequence()
	if err != nil {
		t.Fatal(err)
	}
	checkPath(t, o, p)
	if p.Twice != "split" {
		t.Errorf("%q is opened twice", p.Twice)
	}
	want := []Conflict{{"inside", "flywheel", "split"}, {"after", "read_mark", "lock_clutch"}, {"inside", "lock_clutch", "split"}, {"fitted", "read_mark", "split"}, {"after", "flywheel", "read_mark"}}
	less := func(a, b Conflict) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) }
	slices.SortFunc(want, less)
	got := slices.Clone(p.Clash)
	slices.SortFunc(got, less)
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestWhatCannotBeOrderedIsNamed(t *testing.T) {
	for name, c := range map[string]struct {
		o    Order
		want string
	}{
		"a ring": {Order{Jobs: []Piece{{ID: "a", After: []string{"b"}}, {ID: "b", After: []string{"a"}}, {ID: "c", After: []string{"a"}}}},
			"plan: there is no order: b comes before a; a comes before b"},
		"open and shut at once": {Order{States: []Site{{ID: "s"}}, Jobs: []Piece{{ID: "a", Open: []string{"s"}, Shut: []string{"s"}}}},
			"plan: there is no order: a needs s open; a is not done while s is open"},
		"spoiled inside": {Order{States: []Site{{ID: "s", Spoils: []string{"f"}}}, Jobs: []Piece{{ID: "a", Open: []string{"s"}, Reports: []string{"f"}}}},
			"plan: there is no order: a needs s open; s spoils what a reports"},
	} {
		_, err := c.o.Sequence()
		var clash *Clash
		if !errors.As(err, &clash) || err.Error() != c.want {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, o := range map[string]*Order{
		"not opened":     {Jobs: []Piece{{ID: "a", Open: []string{"s"}}}},
		"two jobs":       {Jobs: []Piece{{ID: "a"}, {ID: "a"}}},
		"two states":     {States: []Site{{ID: "a"}, {ID: "a"}}},
		"state unopened": {States: []Site{{ID: "a", Needs: []string{"b"}}}},
	} {
		if p, err := o.Sequence(); err == nil {
			t.Errorf("%s: %v", name, p)
		}
	}
	if p, err := (&Order{}).Sequence(); err != nil || len(p.Steps) > 0 {
		t.Errorf("nothing to do: %v %v", p, err)
	}
}

// smallOrder draws an order whose hard conditions have no ring.
func smallOrder(r *rand.Rand) *Order {
	o := &Order{}
	states, jobs := 1+r.IntN(6), 1+r.IntN(12)
	for i := range states {
		s := Site{ID: fmt.Sprintf("s%d", i), Again: int64(r.IntN(100))}
		for k := range i {
			if r.IntN(3) == 0 {
				s.Needs = append(s.Needs, fmt.Sprintf("s%d", k))
			}
		}
		if r.IntN(3) == 0 {
			s.Spoils = []string{fmt.Sprintf("f%d", r.IntN(4))}
		}
		o.States = append(o.States, s)
	}
	for i := range jobs {
		j := Piece{ID: fmt.Sprintf("j%02d", i), Proof: r.IntN(4) == 0}
		for k := range states {
			switch r.IntN(5) {
			case 0:
				j.Open = append(j.Open, fmt.Sprintf("s%d", k))
			case 1:
				j.Shut = append(j.Shut, fmt.Sprintf("s%d", k))
			}
		}
		if i > 0 && r.IntN(3) == 0 {
			j.After = []string{fmt.Sprintf("j%02d", r.IntN(i))}
		}
		if j.Proof {
			j.Reports = []string{fmt.Sprintf("f%d", r.IntN(4))}
		} else if r.IntN(4) == 0 {
			j.Spoils = []string{fmt.Sprintf("f%d", r.IntN(4))}
		}
		if r.IntN(6) == 0 {
			j.Closes = []string{fmt.Sprintf("s%d", r.IntN(states))}
		}
		o.Jobs = append(o.Jobs, j)
	}
	return o
}

func TestNothingIsDoneTooSoonNorSpoiledAfterwards(t *testing.T) {
	found, twice := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		o := smallOrder(rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 5)))
		p, err := o.Sequence()
		var clash *Clash
		if errors.As(err, &clash) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		checkPath(t, o, p)
		found++
		if p.Twice != "" {
			twice++
		}
		turned := &Order{slices.Clone(o.States), slices.Clone(o.Jobs)}
		slices.Reverse(turned.States)
		slices.Reverse(turned.Jobs)
		if q, err := turned.Sequence(); err != nil || cmp.Diff(p, q) != "" {
			t.Errorf("in another order of entries: %v %s", err, cmp.Diff(p, q))
		}
	})
	t.Logf("%d found, %d of them with a state opened twice", found, twice)
}
