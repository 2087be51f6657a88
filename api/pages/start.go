package pages

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/ruleset"
)

// startForm is what a start sheet says beyond the rule set, as it is written in text/.
type startForm struct {
	Kinds   map[string]kindForm   `yaml:"kinds"`
	Instead insteadForm           `yaml:"instead"`
	AtHand  []lineForm            `yaml:"at_hand"`
	Gates   map[string][]lineForm `yaml:"gates"`
	Watch   []watchForm           `yaml:"watch"`
}

type kindForm struct {
	When   string `yaml:"when"`   // a condition on the facts of a vehicle
	Unsure string `yaml:"unsure"` // what a line begins with where the facts do not say
}

type insteadForm struct {
	Of      string     `yaml:"of"`
	Heading string     `yaml:"heading"`
	Lines   []lineForm `yaml:"lines"`
}

type watchForm struct {
	Heading string     `yaml:"heading"`
	From    string     `yaml:"from"` // the first gate on whose sheet it stands
	Lines   []lineForm `yaml:"lines"`
}

type lineForm struct {
	Of       string         `yaml:"of"` // a kind; empty: every vehicle
	Say      string         `yaml:"say"`
	Cautions []string       `yaml:"cautions"`
	Source   ruleset.Source `yaml:"source"`
}

// starts is a startForm whose conditions are compiled for a catalogue.
type starts struct {
	startForm
	when map[string]*condition.Condition
}

func readStarts(data []byte, cat *catalogue.Catalogue) (*starts, error) {
	s := &starts{when: map[string]*condition.Condition{}}
	in := yaml.NewDecoder(bytes.NewReader(data))
	in.KnownFields(true)
	if err := in.Decode(&s.startForm); err != nil {
		return nil, err
	}
	for name, k := range s.Kinds {
		// A catalogue that has not the facts leaves open what the vehicle is.
		if when, err := cat.FactsOnly.Compile(k.When, ""); err == nil {
			s.when[name] = when
		}
	}
	for _, line := range append(s.lines(), lineForm{Of: s.Instead.Of}) {
		if _, known := s.Kinds[line.Of]; !known && line.Of != "" {
			return nil, fmt.Errorf("there is no kind %q: %s", line.Of, line.Say)
		}
	}
	return s, nil
}

// is says whether a vehicle with the facts in a frame is of a kind.
func (s *starts) is(kind string, facts condition.Frame) condition.Truth {
	if when := s.when[kind]; when != nil {
		return when.Holds(facts)
	}
	return condition.Unknown
}

// lines are all lines.
func (s *starts) lines() []lineForm {
	all := slices.Concat(s.Instead.Lines, s.AtHand)
	for _, gate := range slices.Sorted(maps.Keys(s.Gates)) {
		all = append(all, s.Gates[gate]...)
	}
	for _, w := range s.Watch {
		all = append(all, w.Lines...)
	}
	return all
}

// fitting leaves the lines for a vehicle with the facts in a frame. What the facts do not rule out
// is said, with what it is for.
func (s *starts) fitting(lines []lineForm, facts condition.Frame) []lineForm {
	var all []lineForm
	for _, line := range lines {
		if line.Of != "" {
			switch s.is(line.Of, facts) {
			case condition.False:
				continue
			case condition.Unknown:
				line.Say = s.Kinds[line.Of].Unsure + ": " + uncapital(line.Say)
			}
		}
		all = append(all, line)
	}
	return all
}

// unknown lists the facts that lines hang on and that are not known, in the order of the catalogue.
func (s *starts) unknown(cat *catalogue.Catalogue, facts condition.Frame) []string {
	var all []string
	for _, f := range cat.Facts {
		read := func(when *condition.Condition) bool { return slices.Contains(when.Reads(), f.Slot) }
		if !facts.Known(f.Slot) && slices.ContainsFunc(slices.Collect(maps.Values(s.when)), read) {
			all = append(all, f.Is)
		}
	}
	return all
}

// uncapital lets a text follow another one, unless it begins with an abbreviation.
func uncapital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	second, _ := utf8.DecodeRuneInString(s[size:])
	if size == 0 || !unicode.IsLower(second) && second != ' ' {
		return s
	}
	return string(unicode.ToLower(first)) + s[size:]
}
