package ruleset

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
)

// Test is one of the tests that a rule set carries, as it is written. Scoring has no use for it: it
// is read by [Test.Form] when somebody runs it.
type Test struct {
	File    string // where it is written
	Line    int
	Pointer string // JSON Pointer to it, in the document
	raw     json.RawMessage
}

// Form reads the test. Its names and values are as they were written: whether the catalogue has
// them shows when it is run.
func (t Test) Form() (TestForm, error) {
	var f TestForm
	d := json.NewDecoder(bytes.NewReader(t.raw))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return f, fmt.Errorf("read test %s:%d: %w", t.File, t.Line, err)
	}
	return f, nil
}

// TestForm is a test as it is written. Where Rule, Limit, Proof or Follow is given it tests that entry,
// else a dossier.
type TestForm struct {
	Vehicle map[string]any `json:"vehicle,omitempty"`
	LayUp   map[string]any `json:"lay_up,omitempty"`

	Rule   string `json:"rule,omitempty"`
	Limit  string `json:"limit,omitempty"`
	Proof  string `json:"proof,omitempty"`
	Follow string `json:"follow,omitempty"`
	// Findings, by item and in the form of reports, on which a rule fires, a limit is crossed, a proof
	// is met and a follow is opened; that the entry reads and lets pass; and that leave something it
	// reads unanswered.
	Fires      FindingsForm `json:"fires,omitempty"`
	Silent     FindingsForm `json:"silent,omitempty"`
	Unanswered FindingsForm `json:"unanswered,omitempty"`
	Weighs     *float64     `json:"weighs,omitempty"` // the weight that a rule fires with, before credence

	// Of a dossier.
	Name    string              `json:"name,omitempty"`
	Source  string              `json:"source,omitempty"`
	Sound   SoundForm           `json:"sound,omitempty"`
	Unset   []string            `json:"unset,omitempty"`
	Set     map[string]SeenList `json:"set,omitempty"`
	Reports []TestReportForm    `json:"reports,omitempty"`
	Expect  ExpectForm          `json:"expect,omitzero"`
}

// Entry returns the kind of entry that is tested, as lists of rule sets are named by it (rule, limit,
// proof or follow), and its id; nothing where a dossier is.
func (f TestForm) Entry() (kind, id string) {
	switch {
	case f.Rule != "":
		return "rule", f.Rule
	case f.Limit != "":
		return "limit", f.Limit
	case f.Proof != "":
		return "proof", f.Proof
	case f.Follow != "":
		return "follow", f.Follow
	}
	return "", ""
}

// FindingsForm has findings by item and by their own name.
type FindingsForm map[string]map[string]any

// SeenForm is what was found on an item and how, with the members of an observation in a report.
type SeenForm struct {
	Method string         `json:"method"`
	At     []string       `json:"at,omitempty"`
	Fitted *bool          `json:"fitted,omitempty"`
	Part   string         `json:"part,omitempty"`
	Found  map[string]any `json:"found,omitempty"`
}

// SeenList is what was found on an item: at several of its positions, say.
type SeenList []SeenForm

// UnmarshalJSON reads a list, or one that stands alone.
func (l *SeenList) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '{' {
		*l = make(SeenList, 1)
		return json.Unmarshal(b, &(*l)[0])
	}
	return json.Unmarshal(b, (*[]SeenForm)(l))
}

// SoundForm is the date of an inspection that found everything sound, empty where there was none.
// In place of the date it may be written as true: on the day from which tests speak.
type SoundForm string

// SoundToday is a [SoundForm] that was written as true.
const SoundToday SoundForm = "as_of"

// UnmarshalJSON reads a date or a flag.
func (s *SoundForm) UnmarshalJSON(b []byte) error {
	if yes, err := strconv.ParseBool(string(b)); err == nil {
		if *s = ""; yes {
			*s = SoundToday
		}
		return nil
	}
	return json.Unmarshal(b, (*string)(s))
}

// TestReportForm is one report of a dossier test.
type TestReportForm struct {
	Date         string            `json:"date"`
	Vehicle      map[string]any    `json:"vehicle,omitempty"` // facts that it corrects
	Observations []ObservationForm `json:"observations"`
}

// ObservationForm is one observation of a report.
type ObservationForm struct {
	Item string `json:"item"`
	SeenForm
}

// ExpectForm is what is expected of a dossier.
type ExpectForm struct {
	Gates    map[string]string `json:"gates,omitempty"`    // the state of a gate
	Blocks   []BlockForm       `json:"blocks,omitempty"`   // items that block
	Free     []FreeForm        `json:"free,omitempty"`     // items that do not
	Severity map[string]string `json:"severity,omitempty"` // of the register's worst entry for an item
}

// BlockForm is an item that blocks a gate or an earlier one, at the positions given at least; Kind may
// be empty for any.
type BlockForm struct {
	Item string   `json:"item"`
	By   string   `json:"by"`
	Kind string   `json:"kind,omitempty"`
	At   []string `json:"at,omitempty"`
}

// FreeForm is an item that blocks neither a gate nor an earlier one.
type FreeForm struct {
	Item string `json:"item"`
	At   string `json:"at"`
}

// tests notes where each test is written and leaves it unread.
func (c *compiler) tests() {
	for i, raw := range c.form.Tests {
		place := c.src.At(at("tests", i), "")
		c.set.Tests = append(c.set.Tests, Test{File: place.File, Line: place.Line, Pointer: place.Pointer, raw: raw})
	}
}

// Document returns the rule set as it was written, with the files of a folder joined.
func (s *Set) Document() (*Document, error) {
	var form Document
	if err := json.Unmarshal(s.Canonical, &form); err != nil {
		return nil, fmt.Errorf("read rule set %s %s: %w", s.Name, s.Version, err)
	}
	return &form, nil
}
