package outcome

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"laidup/internal/calendar"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// Form is what came of an attempt, and what parts in the hand were like, as it is written.
type Form struct {
	// At is when: an RFC 3339 time, or a day. Empty: when it comes in.
	At string `json:"at,omitempty"`
	// Assessment is the one to judge; empty: the last that was received before At.
	Assessment string `json:"assessment,omitempty"`
	Gate       string `json:"gate,omitempty"`
	// Attempted is nil where there is no Gate. False: the gate stayed shut, and nobody knows what would have come.
	Attempted *bool  `json:"attempted,omitempty"`
	Came      []Harm `json:"came,omitzero"` // of an attempt; empty: nothing happened; nil: not said
	Parts     []Part `json:"parts,omitempty"`
	Note      string `json:"note,omitempty"`
	Replaces  string `json:"replaces,omitempty"` // the id of the outcome that this one corrects
}

// Harm is one harm that was done.
type Harm struct {
	Hazard   string `json:"hazard"`             // an id of the rule set, or [Other]
	Severity string `json:"severity,omitempty"` // empty: as forecast
	Fault    string `json:"fault,omitempty"`    // that did it; empty: not known
}

// Other is a harm that the rule set has no hazard for.
const Other = "other"

// Part is a part in the hand.
type Part struct {
	Fault  string `json:"fault"` // an id of the rule set
	Bad    Answer `json:"bad"`
	Method string `json:"method,omitempty"` // by which this is known; empty: not said
}

// Answer says whether a part was bad.
type Answer string

// The answers.
const (
	Yes        Answer = "yes"
	No         Answer = "no"
	CannotTell Answer = "cannot_tell"
)

// The most that an outcome may have.
const (
	mostHarms, mostParts = 20, 200
	mostNote             = 2000
)

// DecodeForm reads an outcome strictly, and returns all that is wrong with it at once. It may name whatever ids it
// likes: [Form.Check] holds them against a rule set.
func DecodeForm(data []byte) (Form, []report.Fault) {
	var f Form
	var attempted bool
	var came, parts []jsontext.Value
	given, wrong := report.Object(data, `write {"gate": "crank", "attempted": true, "came": []} where nothing happened`, map[string]report.Member{
		"at":         {Into: &f.At, Is: `a time such as "2026-05-04T14:30:00Z", or a day such as "2026-05-04"`},
		"assessment": {Into: &f.Assessment, Is: "the id of an assessment"},
		"gate":       {Into: &f.Gate, Is: `the id of a gate, such as "first_start"`},
		"attempted":  {Into: &attempted, Is: "true or false"},
		"came":       {Into: &came, Is: `a list of what happened, such as [{"hazard": "valve_strike", "severity": "critical"}], empty where nothing did`},
		"parts":      {Into: &parts, Is: `a list of parts, such as [{"fault": "belt_weak", "bad": "yes", "method": "seen"}]`},
		"note":       {Into: &f.Note, Is: "a text"},
		"replaces":   {Into: &f.Replaces, Is: "the id of an outcome"},
	})
	if len(wrong) > 0 {
		return f, wrong
	}
	if given["attempted"] {
		f.Attempted = &attempted
	}
	if _, _, err := f.When(time.Time{}); err != nil {
		wrong.Add("/at", report.WrongValue, `write a time such as "2026-05-04T14:30:00Z", or a day such as "2026-05-04"`)
	}
	if utf8.RuneCountInString(f.Note) > mostNote {
		wrong.Add("/note", report.OutOfRange, "a note has at most %d characters", mostNote)
	}
	switch {
	case f.Gate == "" && len(parts) == 0:
		wrong.Add("", report.Missing, "say what came of a gate, of parts in the hand, or of both: gate with attempted and came, or parts")
	case f.Gate == "" && (given["attempted"] || given["came"]):
		wrong.Add("/gate", report.Missing, "say which gate was tried")
	case f.Gate != "" && !given["attempted"]:
		wrong.Add("/attempted", report.Missing, "say whether the gate was attempted: true, or false where it stayed shut")
	case f.Gate != "" && attempted && !given["came"]:
		wrong.Add("/came", report.Missing, "say what came of it: [] where nothing happened")
	case !attempted && len(came) > 0:
		wrong.Add("/came", report.Impossible, "nothing comes of what was not attempted: leave it out, or set attempted to true")
	}
	if len(came) > mostHarms {
		wrong.Add("/came", report.OutOfRange, "at most %d harms at once", mostHarms)
	}
	if len(parts) > mostParts {
		wrong.Add("/parts", report.OutOfRange, "at most %d parts at once: send several outcomes", mostParts)
	}
	if len(came) > mostHarms || len(parts) > mostParts {
		return f, wrong
	}
	for i, raw := range came {
		var h Harm
		at := "/came/" + strconv.Itoa(i)
		_, bad := report.Object(raw, `write {"hazard": "valve_strike"}`, map[string]report.Member{
			"hazard": {Into: &h.Hazard, Is: "the id of a hazard, or other"}, "severity": {Into: &h.Severity, Is: "catastrophic, critical, marginal or negligible"},
			"fault": {Into: &h.Fault, Is: "the id of the fault that did it"},
		})
		if len(bad) > 0 {
			wrong = append(wrong, below(at, bad)...)
			continue
		}
		if h.Hazard == "" {
			wrong.Add(at+"/hazard", report.Missing, "say which hazard it was, or other for what has none")
		}
		if h.Severity != "" && !slices.Contains(severities, h.Severity) {
			wrong.Add(at+"/severity", report.WrongValue, "use one of %s", strings.Join(severities, ", "))
		}
		if h.Hazard == Other && h.Severity == "" {
			wrong.Add(at+"/severity", report.Missing, "say how bad it was: one of %s", strings.Join(severities, ", "))
		}
		if slices.ContainsFunc(f.Came, func(o Harm) bool { return o.Hazard == h.Hazard }) && h.Hazard != Other {
			wrong.Add(at+"/hazard", report.Duplicate, "this hazard stands here before: name each once")
		}
		f.Came = append(f.Came, h)
	}
	for i, raw := range parts {
		var p Part
		at := "/parts/" + strconv.Itoa(i)
		_, bad := report.Object(raw, `write {"fault": "belt_weak", "bad": "yes"}`, map[string]report.Member{
			"fault": {Into: &p.Fault, Is: "the id of a fault"}, "bad": {Into: &p.Bad, Is: "yes, no or cannot_tell"}, "method": {Into: &p.Method, Is: "the id of a method"},
		})
		if len(bad) > 0 {
			wrong = append(wrong, below(at, bad)...)
			continue
		}
		if p.Fault == "" {
			wrong.Add(at+"/fault", report.Missing, "say of which fault this is")
		}
		if p.Bad != Yes && p.Bad != No && p.Bad != CannotTell {
			wrong.Add(at+"/bad", report.WrongValue, "use yes, no or cannot_tell")
		}
		if slices.ContainsFunc(f.Parts, func(o Part) bool { return o.Fault == p.Fault }) {
			wrong.Add(at+"/fault", report.Duplicate, "this fault stands here before: name each once, bad if any of its places was")
		}
		f.Parts = append(f.Parts, p)
	}
	return f, wrong
}

func below(at string, faults report.Faults) report.Faults {
	for i := range faults {
		faults[i].Pointer = at + faults[i].Pointer
	}
	return faults
}

// severities are the words of MIL-STD-882E, Table I.
var severities = []string{"catastrophic", "critical", "marginal", "negligible"}

// serious says whether a harm counts against the chance of getting through a gate unharmed.
func serious(severity string) bool { return severity == "catastrophic" || severity == "critical" }

// When is the latest time at which what is known before counts, and the month of the outcome: the time itself; of a
// day its beginning, for what was found on it may be what came of the attempt; received where no time is told.
func (f Form) When(received time.Time) (before time.Time, month string, err error) {
	const months = "2006-01"
	if f.At == "" {
		return received, received.UTC().Format(months), nil
	}
	if t, err := time.Parse(time.RFC3339, f.At); err == nil {
		return t, t.UTC().Format(months), nil
	}
	d, err := calendar.Parse(f.At)
	if err != nil || len(f.At) != len(time.DateOnly) {
		return time.Time{}, "", calendar.ErrNotADate
	}
	t := time.Unix(int64(d.Earliest())*86400, 0).UTC()
	return t, t.Format(months), nil
}

// Check holds the names of the form against a rule set.
func (f Form) Check(set *ruleset.Set) []report.Fault {
	var wrong report.Faults
	if f.Gate != "" && !slices.ContainsFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == f.Gate }) {
		ids := make([]string, len(set.Gates))
		for i, g := range set.Gates {
			ids[i] = g.ID
		}
		wrong.Add("/gate", report.WrongValue, "there is no such gate: use one of %s", strings.Join(ids, ", "))
	}
	isFault := func(id string) bool {
		return slices.ContainsFunc(set.Faults, func(x *ruleset.Fault) bool { return x.ID == id })
	}
	for i, h := range f.Came {
		at := "/came/" + strconv.Itoa(i)
		k := slices.IndexFunc(set.Hazards, func(x *ruleset.Hazard) bool { return x.ID == h.Hazard })
		switch {
		case h.Hazard != Other && k < 0:
			wrong.Add(at+"/hazard", report.WrongValue, "there is no such hazard: the register of an assessment names them; use other where none fits")
		case k >= 0 && f.Gate != "" && set.Hazards[k].Gate.ID != f.Gate:
			wrong.Add(at+"/hazard", report.Impossible, "this hazard is one of the gate %s: send an outcome of that gate, or use other", set.Hazards[k].Gate.ID)
		}
		if h.Fault != "" && !isFault(h.Fault) {
			wrong.Add(at+"/fault", report.WrongValue, "there is no such fault: the register of an assessment names them; leave it out where it is not known")
		}
	}
	for i, p := range f.Parts {
		if !isFault(p.Fault) {
			wrong.Add("/parts/"+strconv.Itoa(i)+"/fault", report.WrongValue, "there is no such fault: the register of an assessment names them")
		}
		if p.Method != "" && set.Catalogue.Method([]byte(p.Method)) < 0 {
			wrong.Add("/parts/"+strconv.Itoa(i)+"/method", report.WrongValue, "there is no such method: GET /v1/catalogue lists them")
		}
	}
	return wrong
}
