package jobbook_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/jobbook"
	"laidup/internal/ruleset"
)

const yard = `schema: laidup.job_book/1
extends: {name: generic, version: 1.0.0}
without: {jobs: [fill_chain_tensioner]}
name: our-yard
version: 1.0.0
is: "what it takes with us"
rate: {cents: 9500, currency: EUR}
prices:
  - {part: timing_belt, money: [2900, 3400, 5200], lead: [0, 1, 2]}
  - {part: coolant, lead: [0, 0, 0]}
hours:
  - {of: renew_timing_belt, hours: [1.0, 1.5, 2.5], people: 2}
  - {of: raised.lift, open: [0.1, 0.1, 0.2]}
  - {of: change_oil.motorcycle, hours: [0.5, 0.5, 0.5]}
jobs:
  - {id: mend_lamps, is: "lamps at our bench", gives: {lamps_and_horn: [works, contacts]}, hours: [1, 2, 3]}
  - {id: wash_it, is: "wash it first", gives: {lamps_and_horn: [contacts]}, hours: [0.5, 0.5, 1]}
looks:
  - {access: underside, open: [raised]}
  - {item: cabin, not: [mould]}
`

func TestAnOverlayChangesWhatItNames(t *testing.T) {
	base := generic(t)
	b, err := loader(t).Knowing(base).Document("yard.yaml", []byte(yard))
	if err != nil {
		t.Fatal(err)
	}
	job := func(b *jobbook.Book, id string) *jobbook.Job {
		i := slices.IndexFunc(b.Jobs, func(j *jobbook.Job) bool { return j.ID == id })
		if i < 0 {
			return nil
		}
		return b.Jobs[i]
	}
	part := func(b *jobbook.Book, id string) *jobbook.Part {
		return b.Parts[slices.IndexFunc(b.Parts, func(p *jobbook.Part) bool { return p.ID == id })]
	}
	way := func(b *jobbook.Book, id string) *jobbook.Way {
		return b.Ways[slices.IndexFunc(b.Ways, func(w *jobbook.Way) bool { return w.ID == id })]
	}
	if p := part(b, "timing_belt"); p.Money == nil || *p.Money != (jobbook.Range{Low: 2900, Likely: 3400, High: 5200}) || p.Price != (jobbook.Range{}) || p.Lead.High != 2 || p.Is != part(base, "timing_belt").Is {
		t.Errorf("the belt is %v", p)
	}
	if p := part(b, "coolant"); p.Money != nil || p.Price != part(base, "coolant").Price || p.Lead != (jobbook.Days{}) {
		t.Errorf("coolant is %v", p)
	}
	if j, was := job(b, "renew_timing_belt"), job(base, "renew_timing_belt"); j.Hours.Likely != 90 || j.People != 2 || len(j.Gives) != len(was.Gives) || len(j.Must) != len(was.Must) {
		t.Errorf("the belt takes %v and %d people", j.Hours, j.People)
	}
	if w, was := way(b, "raised.lift"), way(base, "raised.lift"); w.Open.Likely != 6 || w.Close != was.Close {
		t.Errorf("the lift takes %v and %v", w.Open, w.Close)
	}
	if j := job(b, "mend_lamps"); j.Is != "lamps at our bench" || j.Parts != nil || j.Index != job(base, "mend_lamps").Index {
		t.Errorf("lamps are %v", j)
	}
	if m, o := job(b, "change_oil.motorcycle"), job(b, "change_oil"); m.Hours.Likely != 30 || o.Hours != job(base, "change_oil").Hours {
		t.Errorf("oil takes %v, and %v on a motorcycle", o.Hours, m.Hours)
	}
	if job(b, "wash_it") == nil || job(b, "fill_chain_tensioner") != nil {
		t.Error("what is new and what is left out are not")
	}
	if len(b.Jobs) != len(base.Jobs) || b.Name != "our-yard" || b.Rate != 9500 {
		t.Errorf("%s has %d jobs at %d", b.Name, len(b.Jobs), b.Rate)
	}
	if k := b.Looks[b.Catalogue.Item("exhaust").Index]; len(k.Open) != 1 || k.Open[0].When != nil {
		t.Errorf("the look from below is %v", k.Open)
	}
	if k := b.Looks[b.Catalogue.Item("cabin").Index]; slices.Contains(k.Gives, k.Item.Find("mould")) || !slices.Contains(k.Gives, k.Item.Find("droppings")) {
		t.Errorf("the look into the cabin gives %v", k.Gives)
	}
	if base.Rate != 0 || part(base, "timing_belt").Money != nil {
		t.Error("the base has changed")
	}
	again, err := loader(t).Document("again.json", b.Canonical)
	if err != nil || again.Digest != b.Digest {
		t.Errorf("what came out does not stand on its own: %v", err)
	}
}

func TestMistakesOfAnOverlay(t *testing.T) {
	for name, c := range map[string]struct{ from, to, says, pointer string }{
		"no such base":       {"{name: generic, version: 1.0.0}", "{name: generic, version: 1.2.0}", "there is no job book generic 1.2.0", "/extends"},
		"leaves out nothing": {"[fill_chain_tensioner]", "[fill_tensioner]", "has no fill_tensioner", "/without/jobs/0"},
		"no such list":       {"{jobs: [fill_chain_tensioner]}", "{work: [x]}", "has no list work", "/without/work"},
		"no such part":       {"part: coolant", "part: coolants", "nothing of the name coolants", "/prices/1/part"},
		"no such way":        {"of: raised.lift", "of: raised.lifts", "nothing of the name raised.lifts", "/hours/1/of"},
		"no such figure":     {"hours: [1.0, 1.5, 2.5]", "close: [1.0, 1.5, 2.5]", "close is not one of its figures: it has hours, wait, people", "/hours/0/close"},
		"twice":              {"part: coolant", "part: timing_belt", "timing_belt stands here twice", "/prices/1/part"},
		"names nothing":      {"part: coolant, ", "", "names no part", "/prices/1"},
		"not in order":       {"[2900, 3400, 5200]", "[2900, 2400, 5200]", "low, likely and high", "/parts/"},
		"leaves a job alone": {"[fill_chain_tensioner]", "[find_reference]", "there is no job \"find_reference\"", "/jobs/"},
		"no figure":          {"open: [0.1, 0.1, 0.2]", "open: 0.1", "expected array", "/states/"},
	} {
		t.Run(name, func(t *testing.T) {
			if strings.Count(yard, c.from) != 1 {
				t.Fatalf("%q stands %d times", c.from, strings.Count(yard, c.from))
			}
			mistakes := mistakesOf(t, loader(t).Knowing(generic(t)), strings.Replace(yard, c.from, c.to, 1))
			if !slices.ContainsFunc(mistakes, func(m ruleset.Mistake) bool {
				return strings.Contains(m.Detail, c.says) && strings.HasPrefix(m.Pointer, c.pointer)
			}) {
				t.Errorf("says\n%v", mistakes)
			}
		})
	}
	// What is wrong with a figure of the overlay is told at its place in the overlay.
	m := mistakesOf(t, loader(t).Knowing(generic(t)), strings.Replace(yard, "[2900, 3400, 5200]", "[2900, 2400, 5200]", 1))
	if m[0].File != "small.yaml" || m[0].Line != 9 || m[0].Entry != "timing_belt" {
		t.Errorf("is told at %v", m[0])
	}
}
