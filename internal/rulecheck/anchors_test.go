package rulecheck_test

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/ruleset"

	"go.yaml.in/yaml/v3"
)

// baseRate is one source of testdata/base-rates.yaml, which says what its fields mean.
type baseRate struct {
	Source  string      `yaml:"source"`
	Cited   []string    `yaml:"cited"`
	Status  string      `yaml:"status"`
	Figures []float64   `yaml:"figures"`
	Rests   []onTheRate `yaml:"rests"`
}

// onTheRate is one fault whose prior rests on a rate, and how that shows.
type onTheRate struct {
	Fault     string   `yaml:"fault"`
	Level     *float64 `yaml:"level"`
	Crosses   *float64 `yaml:"crosses"`
	Most      *float64 `yaml:"most"`
	Least     *float64 `yaml:"least"`
	Ratio     *float64 `yaml:"ratio"`
	RatioMost *float64 `yaml:"ratio_most"`
	Slope     *float64 `yaml:"slope"`
	FlatAfter *float64 `yaml:"flat_after"`
	Words     string   `yaml:"words"`

	At      *float64 `yaml:"at"`
	From    *float64 `yaml:"from"`
	To      *float64 `yaml:"to"`
	ToFault string   `yaml:"to_fault"`
	DB      float64  `yaml:"db"`
}

// how counts the ways in which a prior is said to rest on a rate: there is one.
func (o onTheRate) how() int {
	n := 0
	for _, v := range []*float64{o.Level, o.Crosses, o.Most, o.Least, o.Ratio, o.RatioMost, o.Slope, o.FlatAfter} {
		if v != nil {
			n++
		}
	}
	if o.Words != "" {
		n++
	}
	return n
}

func baseRates(t *testing.T) []baseRate {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "base-rates.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	d := yaml.NewDecoder(bytes.NewReader(data))
	d.KnownFields(true)
	var table struct {
		Rates []baseRate `yaml:"rates"`
	}
	if err := d.Decode(&table); err != nil {
		t.Fatal(err)
	}
	return table.Rates
}

// leastAnchored is how many priors have to rest on a published rate.
const leastAnchored = 40

// numberInWords finds the numbers of a sentence: 5.75, or 1 069 000.
var numberInWords = regexp.MustCompile(`\d{1,3}(?: \d{3})+|\d+(?:\.\d+)?`)

// An anchor says what was published, of whom and when, and what was judged on top, and all that it
// quotes stands in the table under a source that it cites.
func TestAnchorsQuoteThePublishedRates(t *testing.T) {
	rates := baseRates(t)
	rests := map[string][]baseRate{}
	for _, r := range rates {
		for _, o := range r.Rests {
			rests[o.Fault] = append(rests[o.Fault], r)
		}
	}
	anchored := 0
	for _, f := range builtin.FirstStart().Faults {
		a := f.Prior.Anchor
		if a == nil {
			if rests[f.ID] != nil {
				t.Errorf("%s rests on a published rate by the table, and has no anchor", f.ID)
			}
			continue
		}
		if anchored++; a.Cite == "" || a.Says == "" || a.Population == "" || a.Year == "" || a.Judged == "" {
			t.Errorf("the anchor of %s lacks what was published, of whom, when, or what was judged: %+v", f.ID, a)
		}
		var figures []float64
		for _, r := range rates {
			if slices.ContainsFunc(r.Cited, func(c string) bool { return strings.Contains(a.Cite, c) }) {
				figures = append(figures, r.Figures...)
			}
		}
		for _, s := range numberInWords.FindAllString(a.Says, -1) {
			v, err := strconv.ParseFloat(strings.ReplaceAll(s, " ", ""), 64)
			if err != nil || !slices.Contains(figures, v) {
				t.Errorf("%s quotes %s, which stands under no source that it cites in testdata/base-rates.yaml (%s)", f.ID, s, a.Cite)
			}
		}
		if rests[f.ID] == nil {
			t.Errorf("testdata/base-rates.yaml does not say how the prior of %s rests on %q", f.ID, a.Cite)
		}
		for _, r := range rests[f.ID] {
			if !slices.ContainsFunc(r.Cited, func(c string) bool { return strings.Contains(a.Cite, c) }) {
				t.Errorf("%s rests on %q by the table, and does not cite it: %s", f.ID, r.Source, a.Cite)
			}
		}
	}
	if anchored < leastAnchored {
		t.Errorf("only %d priors rest on a published rate, of %d that have to", anchored, leastAnchored)
	}
	t.Logf("%d of %d priors rest on a published rate", anchored, len(builtin.FirstStart().Faults))
}

// Each prior has the level or the shape that its anchor gives it.
func TestAnchoredPriorsAreAsPublished(t *testing.T) {
	set := builtin.FirstStart()
	prior := func(id string, x float64) float64 {
		i := slices.IndexFunc(set.Faults, func(f *ruleset.Fault) bool { return f.ID == id })
		if i < 0 {
			t.Errorf("there is no fault %s", id)
			return math.NaN()
		}
		return ruleset.At(set.Faults[i].Prior.Curve, x)
	}
	db := func(p float64) float64 { return 10 * math.Log10(p/(1-p)) }
	held := 0
	for _, r := range baseRates(t) {
		if r.Source == "" || len(r.Cited) == 0 || len(r.Rests) == 0 || !slices.Contains([]string{readInSource, readSecondary}, r.Status) {
			t.Errorf("%+v lacks a source, how it is cited, its status or what rests on it", r)
		}
		for _, o := range r.Rests {
			if o.how() != 1 {
				t.Errorf("%s, %s: a prior rests on a rate in one way, not in %d", r.Source, o.Fault, o.how())
			}
			if o.Words == "" {
				held++
			}
			say := func(ok bool, format string, args ...any) {
				if !ok {
					t.Errorf("%s, %s: "+format, append([]any{r.Source, o.Fault}, args...)...)
				}
			}
			switch {
			case o.Words != "":
			case o.Level != nil:
				p := prior(o.Fault, *o.At)
				say(math.Abs(db(p)-db(*o.Level)) <= o.DB, "%.4g at %v, not %v within %v dB", p, *o.At, *o.Level, o.DB)
			case o.Crosses != nil:
				from, to := prior(o.Fault, *o.From), prior(o.Fault, *o.To)
				say(from <= *o.Crosses && *o.Crosses <= to, "%.4g at %v and %.4g at %v: it does not come to %v between", from, *o.From, to, *o.To, *o.Crosses)
			case o.Most != nil:
				p := prior(o.Fault, *o.At)
				say(p <= *o.Most, "%.4g at %v, more than %v", p, *o.At, *o.Most)
			case o.Least != nil:
				p := prior(o.Fault, *o.At)
				say(p >= *o.Least, "%.4g at %v, less than %v", p, *o.At, *o.Least)
			case o.Ratio != nil:
				ratio := prior(o.Fault, *o.At) / prior(o.ToFault, *o.At)
				say(math.Abs(10*math.Log10(ratio / *o.Ratio)) <= o.DB, "%.4g times %s at %v, not %v within %v dB", ratio, o.ToFault, *o.At, *o.Ratio, o.DB)
			case o.RatioMost != nil:
				ratio := prior(o.Fault, *o.At) / prior(o.ToFault, *o.At)
				say(ratio <= *o.RatioMost, "%.4g times %s at %v, more than %v", ratio, o.ToFault, *o.At, *o.RatioMost)
			case o.Slope != nil:
				slope := (db(prior(o.Fault, *o.To)) - db(prior(o.Fault, *o.From))) / (*o.To - *o.From)
				say(math.Abs(slope-*o.Slope) <= o.DB, "%.4g dB a year from %v to %v, not %v within %v", slope, *o.From, *o.To, *o.Slope, o.DB)
			case o.FlatAfter != nil:
				p, later := prior(o.Fault, *o.FlatAfter), prior(o.Fault, *o.FlatAfter+60)
				say(p == later, "%.4g at %v and %.4g sixty years later", p, *o.FlatAfter, later)
			}
		}
	}
	if held < leastAnchored {
		t.Errorf("only %d priors are held to a number", held)
	}
}
