package outcome

import (
	"slices"
	"testing"
	"time"

	"laidup/internal/report"
)

func pointers(faults []report.Fault) []string {
	var list []string
	for _, f := range faults {
		list = append(list, f.Pointer)
	}
	return list
}

func TestDecodeForm(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []string // pointers of the faults
	}{
		"nothing happened":         {`{"gate": "crank", "attempted": true, "came": []}`, nil},
		"shut":                     {`{"gate": "crank", "attempted": false}`, nil},
		"parts alone":              {`{"parts": [{"fault": "a", "bad": "cannot_tell"}]}`, nil},
		"all of it":                {`{"at": "2026-05-04T14:30:00Z", "assessment": "x", "gate": "crank", "attempted": true, "came": [{"hazard": "h", "severity": "critical", "fault": "a"}, {"hazard": "other", "severity": "marginal"}], "parts": [{"fault": "a", "bad": "yes", "method": "seen"}], "note": "n", "replaces": "y"}`, nil},
		"no object":                {`[]`, []string{""}},
		"nothing said":             {`{}`, []string{""}},
		"twice":                    {`{"gate": "a", "gate": "b"}`, []string{""}},
		"a member that is not":     {`{"gates": "crank"}`, []string{"/gates"}},
		"no gate":                  {`{"attempted": true, "came": []}`, []string{""}},
		"no gate beside parts":     {`{"attempted": true, "came": [], "parts": [{"fault": "a", "bad": "no"}]}`, []string{"/gate"}},
		"not said whether tried":   {`{"gate": "crank"}`, []string{"/attempted"}},
		"not said what came":       {`{"gate": "crank", "attempted": true}`, []string{"/came"}},
		"came of what was not":     {`{"gate": "crank", "attempted": false, "came": [{"hazard": "h"}]}`, []string{"/came"}},
		"a month is no day":        {`{"gate": "crank", "attempted": false, "at": "2026-05"}`, []string{"/at"}},
		"several at once":          {`{"gate": "crank", "attempted": true, "at": "soon", "came": [{"severity": "bad"}, {"hazard": "other"}, 3], "parts": [{"fault": "a", "bad": "maybe"}, {"fault": "a", "bad": "no"}]}`, []string{"/at", "/came/0/hazard", "/came/0/severity", "/came/1/severity", "/came/2", "/parts/0/bad", "/parts/1/fault"}},
		"a hazard stands twice":    {`{"gate": "crank", "attempted": true, "came": [{"hazard": "h"}, {"hazard": "h"}]}`, []string{"/came/1/hazard"}},
		"another type":             {`{"gate": 3, "attempted": "yes"}`, []string{"/attempted", "/gate"}},
		"a member in a part is no": {`{"parts": [{"fault": "a", "bad": "no", "really": true}]}`, []string{"/parts/0/really"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, faults := DecodeForm([]byte(c.text))
			if !slices.Equal(pointers(faults), c.want) {
				t.Errorf("faults %+v, want %v", faults, c.want)
			}
			for _, f := range faults {
				if f.Detail == "" || f.Code == "" {
					t.Errorf("a fault says nothing: %+v", f)
				}
			}
		})
	}
}

func TestWhen(t *testing.T) {
	received := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct{ at, before, month string }{
		"not told": {"", "2026-06-01T08:00:00Z", "2026-06"},
		"a time":   {"2026-05-04T01:30:00+02:00", "2026-05-03T23:30:00Z", "2026-05"},
		"a day":    {"2026-05-04", "2026-05-04T00:00:00Z", "2026-05"},
	} {
		t.Run(name, func(t *testing.T) {
			before, month, err := Form{At: c.at}.When(received)
			if err != nil || before.UTC().Format(time.RFC3339) != c.before || month != c.month {
				t.Errorf("%v, %s, %v", before, month, err)
			}
		})
	}
}

func FuzzDecodeForm(f *testing.F) {
	f.Add([]byte(`{"gate": "crank", "attempted": true, "came": [{"hazard": "h", "severity": "critical"}], "parts": [{"fault": "a", "bad": "yes"}]}`))
	f.Add([]byte(`{"at": "2026-05-04", "parts": []}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		form, faults := DecodeForm(data)
		if len(faults) > 0 {
			return
		}
		if form.Gate == "" && len(form.Parts) == 0 {
			t.Fatal("an outcome of nothing is taken")
		}
		if _, _, err := form.When(time.Unix(0, 0)); err != nil {
			t.Fatal(err)
		}
	})
}
