package outcome

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"
)

func anyCells(t *rapid.T) []Cell {
	var cells []Cell
	for range rapid.IntRange(0, 40).Draw(t, "cells") {
		seen := rapid.IntRange(0, 30).Draw(t, "seen")
		cells = append(cells, Cell{
			P: StepOf(rapid.Float64Range(0, 1).Draw(t, "p")).P(), Seen: seen, Events: rapid.IntRange(0, seen).Draw(t, "events"), Unseen: rapid.IntRange(0, 5).Draw(t, "unseen"),
		})
	}
	return cells
}

// What holds of all scores, whatever is counted.
func TestScoresHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := anyCells(t)
		s := Score(cells)
		if shuffled := Score(rapid.Permutation(cells).Draw(t, "order")); !reflect.DeepEqual(s, shuffled) {
			t.Fatal("the order of cells matters")
		}
		if s.Seen == 0 {
			if s.Brier != nil {
				t.Fatal("a score of nothing")
			}
			return
		}
		if d := *s.Brier - (s.Murphy.Reliability - s.Murphy.Resolution + s.Murphy.Uncertainty); math.Abs(d) > 1e-8 {
			t.Fatalf("Murphy's parts are off by %v", d)
		}
		if d := *s.Brier - (s.CORP.Miscalibration - s.CORP.Discrimination + s.CORP.Uncertainty); math.Abs(d) > 1e-8 {
			t.Fatalf("the parts of CORP are off by %v", d)
		}
		if s.CORP.Miscalibration < -1e-9 || s.CORP.Discrimination < -1e-9 || s.Murphy.Reliability < s.CORP.Miscalibration-1e-8 {
			t.Fatalf("CORP %+v, Murphy %+v", s.CORP, s.Murphy)
		}
		last, of := -1.0, 0
		for _, p := range s.Curve {
			if p.Rate < last {
				t.Fatal("the curve falls")
			}
			last, of = p.Rate, of+p.Seen
		}
		seen, unseen := 0, 0
		for _, b := range s.Bands {
			seen, unseen = seen+b.Seen, unseen+b.Unseen
		}
		if of != s.Seen || seen != s.Seen || unseen != s.Unseen {
			t.Fatalf("%d in the curve, %d and %d in bands, of %d and %d", of, seen, unseen, s.Seen, s.Unseen)
		}
		if s.AUC != nil && (*s.AUC < 0 || *s.AUC > 1) {
			t.Fatalf("AUC %v", *s.AUC)
		}
	})
}

// What is unseen changes no score but those that are corrected for it.
func TestUnseenIsNotHarmless(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells := anyCells(t)
		with := Score(append(cells, Cell{P: .9, Unseen: 50}))
		without := Score(cells)
		if !reflect.DeepEqual(with.Brier, without.Brier) || !reflect.DeepEqual(with.Ratio, without.Ratio) || !reflect.DeepEqual(with.AUC, without.AUC) {
			t.Fatal("a shut gate changes a score")
		}
	})
}

func TestStepsKeepOrderAndRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		if a < b && StepOf(a) > StepOf(b) {
			t.Fatal("rounding turns an order round")
		}
		if s := StepOf(a); StepOf(s.P()) != s {
			t.Fatal("a step is not what its probability rounds to")
		}
	})
}

// More harm never lowers what is suggested, and without any outcome nothing is.
func TestSuggestionsFollowWhatIsSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seen := rapid.IntRange(1, 200).Draw(t, "seen")
		events := rapid.IntRange(0, seen-1).Draw(t, "events")
		p := StepOf(rapid.Float64Range(.001, .9).Draw(t, "p")).P()
		at := func(events int) Suggestion {
			return Suggest([]Series{{Kind: Faults, Name: "a", Cells: []Cell{{P: p, Seen: seen, Events: events}}}})[0]
		}
		less, more := at(events), at(events+1)
		if more.ShiftDB < less.ShiftDB {
			t.Fatalf("%+v after %+v", more, less)
		}
		if less.ShiftIn == nil || less.ShiftDB < less.ShiftIn.Low || less.ShiftDB > less.ShiftIn.High {
			t.Fatalf("interval %+v of %v", less.ShiftIn, less.ShiftDB)
		}
	})
	if s := Suggest([]Series{{Kind: Faults, Name: "a", Cells: []Cell{{P: .1, Unseen: 9}}}}); len(s) != 0 {
		t.Errorf("suggested of nothing: %+v", s)
	}
}
