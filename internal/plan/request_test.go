package plan

import (
	"encoding/json"
	"slices"
	"testing"

	"laidup/internal/report"
)

func pointers(faults []report.Fault) []string {
	out := []string{}
	for _, f := range faults {
		out = append(out, f.Pointer)
	}
	slices.Sort(out)
	return out
}

func TestWhatIsAskedForIsReadStrictly(t *testing.T) {
	w := ourWorld(t)
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"nothing":               {`{}`, nil},
		"all of it":             {`{"gate":"crank","people":2,"plant":{"lift":0},"traits":{"inner_panel":true},"licences":["refrigerant_handler"],"without":["renew_clutch"],"now":true,"start":"2026-06-01"}`, nil},
		"no object":             {`[]`, []string{""}},
		"null":                  {`null`, []string{""}},
		"not JSON":              {`{`, []string{""}},
		"a member twice":        {`{"now":true,"now":false}`, []string{""}},
		"all of it wrong":       {`{"gate":1,"people":"two","plant":[],"traits":{"inner_panel":1},"licences":"","without":{},"now":null,"start":7,"a/b":1}`, []string{"/a~1b", "/gate", "/licences", "/now", "/people", "/plant", "/start", "/traits", "/without"}},
		"nobody":                {`{"people":0}`, []string{"/people"}},
		"a crowd":               {`{"people":51,"plant":{"lift":-1}}`, []string{"/people", "/plant/lift"}},
		"names that are not":    {`{"gate":"moon","plant":{"crane":1},"traits":{"nice":true},"licences":["pilot"],"without":["renew_clutch","dance"]}`, []string{"/gate", "/licences/0", "/plant/crane", "/traits/nice", "/without/1"}},
		"a month is no day":     {`{"start":"2026-05"}`, []string{"/start"}},
		"a plant that is twice": {`{"plant":{"lift":1,"lift":2}}`, []string{""}},
	} {
		t.Run(name, func(t *testing.T) {
			f, faults := DecodeForm([]byte(c.text))
			if len(faults) == 0 {
				_, faults = f.Request(w.book, w.set)
			}
			if !slices.Equal(pointers(faults), c.want) {
				t.Errorf("faults %+v", faults)
			}
			for _, x := range faults {
				if x.Detail == "" || x.Code == "" {
					t.Errorf("%+v", x)
				}
			}
		})
	}
}

func FuzzDecodeForm(f *testing.F) {
	for _, seed := range []string{`{}`, `{"gate":"crank","people":2,"plant":{"lift":0},"now":true}`, `{"a/b":[]}`, `null`, ``} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		form, faults := DecodeForm(data)
		if len(faults) > 0 {
			return
		}
		// What is taken is written and read as the same.
		text, err := json.Marshal(form)
		if err != nil {
			t.Fatal(err)
		}
		again, faults := DecodeForm(text)
		if second, err := json.Marshal(again); len(faults) > 0 || err != nil || string(second) != string(text) {
			t.Errorf("%s is read as %s, and that as %s, %v", data, text, second, faults)
		}
	})
}
