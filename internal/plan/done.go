package plan

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"laidup/internal/calendar"
	"laidup/internal/report"
	"laidup/internal/score"
)

// DoneForm says that a step was done: on which day, by whom, and what was observed besides what the step reports if all is
// well, or instead of it.
type DoneForm struct {
	Date         string            `json:"date,omitempty"`
	Inspector    string            `json:"inspector,omitempty"`
	Observations []DoneObservation `json:"observations,omitempty"`
}

// DoneObservation is an observation in the form of reports.
type DoneObservation struct {
	Item   string             `json:"item"`
	Method string             `json:"method,omitempty"`
	At     []string           `json:"at,omitempty"`
	Found  score.FindingsForm `json:"found"`
	Note   string             `json:"note,omitempty"`
}

// DecodeDone reads the form strictly, with all faults at once.
func DecodeDone(data []byte) (DoneForm, []report.Fault) {
	var f DoneForm
	var list []jsontext.Value
	_, wrong := report.Object(data, "write {} where the step measures nothing and all is well", map[string]report.Member{
		"date": {Into: &f.Date, Is: `a day, such as "2026-05-04"`}, "inspector": {Into: &f.Inspector, Is: "a text"}, "observations": {Into: &list, Is: "a list, as reports have it"},
	})
	for i, text := range list {
		var o DoneObservation
		if err := json.Unmarshal(text, &o, json.RejectUnknownMembers(true)); err != nil {
			wrong.Add(fmt.Sprintf("/observations/%d", i), report.WrongType, `write it as {"item": "battery", "found": {"renewed": "2026-05-04"}}, with at, method and note if need be`)
			continue
		}
		f.Observations = append(f.Observations, o)
	}
	if f.Date != "" {
		if d, err := calendar.Parse(f.Date); err != nil || !d.ToTheDay() {
			wrong.Add("/date", report.WrongValue, "this is no day: write it as 2026-05-04, or leave it out for today")
		}
	}
	if utf8.RuneCountInString(f.Inspector) > report.MaxText {
		wrong.Add("/inspector", report.OutOfRange, "write at most %d characters", report.MaxText)
	}
	return f, wrong
}

// Measured lists what a step measures one by one: each has one finding, and one position where the item has some.
func (d Doing) Measured() []score.Clearing {
	var list []score.Clearing
	for _, c := range d.Measures {
		for _, x := range c.Found {
			for _, at := range positions(c.At) {
				one := score.Clearing{Item: c.Item, Found: score.FindingsForm{x}}
				if at != "" {
					one.At = []string{at}
				}
				list = append(list, one)
			}
		}
	}
	return list
}

// Done is the report of a step: what it reports if all is well, with the day on which it was done, but for
// the findings that the form has, which stand instead. What the step measures has to be in the form: no value is made up. It is nil where the step finds
// nothing and the form has nothing: then there is only to be said that it is done.
func (p *Plan) Done(step int, f DoneForm) ([]byte, []report.Fault) {
	s := p.Steps[step-1]
	given := map[string]bool{}
	for _, o := range f.Observations {
		for _, x := range o.Found {
			for _, at := range positions(o.At) {
				given[o.Item+"."+x.ID+"@"+at] = true
			}
		}
	}
	has := func(item, finding, at string) bool {
		return given[item+"."+finding+"@"+at] || given[item+"."+finding+"@"]
	}
	var wrong report.Faults
	for _, c := range s.Measured() {
		x, at, where := c.Found[0], "", ""
		if len(c.At) > 0 {
			at = c.At[0]
			where = fmt.Sprintf(", \"at\": [%q]", at)
		}
		if !has(c.Item, x.ID, at) {
			wrong.Add("/observations", report.Missing, "the step measures %s of the item %s: add {\"item\": %q%s, \"found\": {%q: …}} with what was read", x.ID, c.Item, c.Item, where, x.ID)
		}
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	list := []DoneObservation{}
	for _, c := range s.Reports {
		for _, at := range positions(c.At) {
			o := DoneObservation{Item: c.Item, Method: "tested"}
			if at != "" {
				o.At = []string{at}
			}
			for _, x := range c.Found {
				if has(c.Item, x.ID, at) {
					continue
				}
				if string(x.Value) == `"`+p.AsOf+`"` {
					x.Value = []byte(`"` + f.Date + `"`)
				}
				o.Found = append(o.Found, x)
			}
			if len(o.Found) > 0 {
				list = append(list, o)
			}
		}
	}
	for _, o := range f.Observations {
		if o.Method == "" {
			o.Method = "tested"
		}
		list = append(list, o)
	}
	if len(list) == 0 {
		return nil, nil
	}
	inspection := map[string]string{"date": f.Date}
	if f.Inspector != "" {
		inspection["inspector"] = f.Inspector
	}
	data, err := json.Marshal(map[string]any{
		"schema": report.SchemaName, "reference": StepReference(p.ID, step), "vehicle": map[string]any{"reference": p.Vehicle}, "inspection": inspection, "observations": list,
	}, json.Deterministic(true))
	if err != nil {
		return nil, []report.Fault{{Pointer: "", Code: report.Malformed, Detail: strings.TrimSpace(err.Error())}}
	}
	return data, nil
}

// StepReference is the reference of the report of a step, so that people see what it is of.
func StepReference(plan string, step int) string { return fmt.Sprintf("%s/%d", plan, step) }

// positions are those of an item, or one that is empty for the item as a whole.
func positions(at []string) []string {
	if len(at) == 0 {
		return []string{""}
	}
	return at
}
