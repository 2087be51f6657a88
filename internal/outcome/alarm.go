package outcome

import (
	"cmp"
	"slices"
)

// falseAlarms is the probability that a right rule set raises any alarm at all, over everything that is looked at
// and the whole time: half of it for calibration, half for drift.
const falseAlarms = 0.05

// Alarm is something that is hardly chance.
type Alarm struct {
	Kind  Kind    `json:"kind"`
	Name  string  `json:"name"`
	What  string  `json:"what"`            // calibration or drift
	Goes  string  `json:"goes"`            // worse: more came than was forecast; better: fewer
	Since string  `json:"since,omitempty"` // of a drift: the period
	P     float64 `json:"p"`               // of a calibration: what chance alone does, all that was looked at taken together
}

// The kinds of alarms.
const (
	Calibration = "calibration"
	Drifting    = "drift"
)

// Alarms says which series are out of order. Whatever number of series is looked at, a rule set that is right raises
// any alarm with a probability of at most 5 %: calibration by exact tests of each series and its bands, after Holm
// (Scand. J. Statist. 6:65, 1979); drift by CUSUM with a limit for all of them.
func Alarms(series []Series) []Alarm {
	var found []Alarm
	looked := 0
	for _, s := range series {
		t := total(s.Cells)
		if t.seen == 0 || s.Kind == Methods {
			continue
		}
		looked++
		a := Alarm{Kind: s.Kind, Name: s.Name, What: Calibration, Goes: Worse, P: twoSided(t.events, t.seen, t.expected/float64(t.seen))}
		if float64(t.events) < t.expected {
			a.Goes = Better
		}
		tests := 1.0
		least := a.P
		split(Merge(s.Cells), func(_, _ float64, _ []Cell, b sum) {
			if b.seen == 0 {
				return
			}
			tests++
			if p := twoSided(b.events, b.seen, b.expected/float64(b.seen)); p < least {
				least, a.Goes = p, Worse
				if float64(b.events) < b.expected {
					a.Goes = Better
				}
			}
		})
		a.P = min(1, least*tests)
		found = append(found, a)
	}
	slices.SortStableFunc(found, func(a, b Alarm) int { return cmp.Compare(a.P, b.P) })
	alarms := []Alarm{}
	var most float64
	for i, a := range found {
		most = max(most, a.P*float64(len(found)-i))
		if most > falseAlarms/2 {
			break
		}
		a.P = *known(most)
		alarms = append(alarms, a)
	}
	for _, s := range series {
		if len(s.Periods) == 0 || s.Kind == Methods {
			continue
		}
		if d := Drifts(s.Periods, falseAlarms/2/float64(max(1, looked))); d.Alarm != "" {
			alarms = append(alarms, Alarm{Kind: s.Kind, Name: s.Name, What: Drifting, Goes: d.Alarm, Since: d.Since})
		}
	}
	return alarms
}
