// Package wording says what an assessment says as a person would, in one way everywhere: in what the
// service stores and answers, on the command line, on pages and on sheets. It is pure, and its texts
// stand in text, one file a language.
package wording

import (
	"embed"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"laidup/internal/score"

	"go.yaml.in/yaml/v3"
)

//go:embed text
var files embed.FS

// Words are the texts of one language in which assessments are written. They are safe for concurrent
// use and never change.
type Words struct {
	Language string            `yaml:"language"`
	Version  int               `yaml:"version"`
	Reasons  map[string]string `yaml:"reasons"` // by the code of a [score.Reason]
	// Brief are the reasons in one clause each, by the same codes.
	Brief map[string]string `yaml:"brief"`
	// Verdicts has how a gate stands, by its state; Do has shorter words for what a gate is, by those of a rule set.
	Verdicts map[string]string `yaml:"verdict"`
	Do       map[string]string `yaml:"do"`
	// Misplaced is the caution on what was reported of an item that the vehicle does not have.
	Misplaced string `yaml:"misplaced"`
	// Taken is what is assumed of a fact that nobody told.
	Taken string `yaml:"taken"`
	// Counts has by what is counted the forms for one and for more; And joins the last two of a list.
	Counts map[string]string `yaml:"counts"`
	And    string            `yaml:"and"`
	// Values has how values, shares, contradictions and what clears a blocker are written.
	Values map[string]string `yaml:"values"`
	// Appraisal has what a buyer is told.
	Appraisal map[string]string `yaml:"appraisal"`
}

// English returns the words that assessments are written in.
var English = sync.OnceValue(func() *Words {
	w, err := In("en")
	if err != nil {
		panic("wording: " + err.Error()) // it is embedded, and a test reads it
	}
	return w
})

// In reads the words of a language, such as "en".
func In(language string) (*Words, error) {
	data, err := files.ReadFile("text/" + language + ".yaml")
	if err != nil {
		return nil, fmt.Errorf("read words %s: %w", language, err)
	}
	var w Words
	if err := yaml.Unmarshal(data, &w); err != nil {
		return nil, fmt.Errorf("read words %s: %w", language, err)
	}
	return &w, nil
}

// Name is what an assessment calls the words that it is written in: language and version.
func (w *Words) Name() string { return w.Language + "/" + strconv.Itoa(w.Version) }

// Write puts the reasons of an assessment into words, and notes in which.
func (w *Words) Write(a *score.Assessment) {
	a.Words = w.Name()
	for i := range a.Blockers {
		a.Blockers[i].Because = w.Reason(a.Blockers[i].Reason)
	}
	for _, item := range a.Misplaced {
		a.Cautions = append(a.Cautions, fill(w.Misplaced, []string{"is", Spaced(item)}))
	}
	for _, t := range a.Taken {
		a.Assumes = append(a.Assumes, fill(w.Taken, []string{"fact", factName(t.Fact), "value", w.Value(t.Value)}))
	}
}

// Reason puts a reason into words: a clause without a full stop.
func (w *Words) Reason(r score.Reason) string { return w.reason(w.Reasons, r) }

// Briefly is [Words.Reason] without the danger feared.
func (w *Words) Briefly(r score.Reason) string { return w.reason(w.Brief, r) }

func (w *Words) reason(texts map[string]string, r score.Reason) string {
	code := r.Code
	if code == score.ReasonOnlyTold && r.Says == "" {
		code += "_off"
	}
	text := texts[code]
	if text == "{says}" {
		return r.Says
	}
	return fill(text, []string{"is", r.Is, "says", r.Says, "what", r.What, "chance", w.Percent(r.Chance)})
}

// Count says how many there are of something: "1 item", "2 items".
func (w *Words) Count(key string, n int) string {
	one, more, _ := strings.Cut(w.Counts[key], " | ")
	if n == 1 {
		return one
	}
	return strings.ReplaceAll(more, "{n}", strconv.Itoa(n))
}

// List joins words: "a, b and c".
func (w *Words) List(words []string) string {
	if n := len(words) - 1; n > 0 {
		return strings.Join(words[:n], ", ") + w.And + words[n]
	}
	return strings.Join(words, "")
}

// Appraise says something of an appraisal: the text of a key, with values for the names in braces, given
// in pairs.
func (w *Words) Appraise(key string, pairs ...string) string {
	return fill(w.Appraisal[key], pairs)
}

// value is [Words.Appraise] of the texts for values.
func (w *Words) value(key string, pairs ...string) string { return fill(w.Values[key], pairs) }

// fill puts values in the place of their names in braces. What is in a value stays as it is.
func fill(text string, pairs []string) string {
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		if !found {
			return b.String()
		}
		name, after, _ := strings.Cut(rest, "}")
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == name {
				b.WriteString(pairs[i+1])
			}
		}
		text = after
	}
}
