package plan

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"laidup/internal/calendar"
	"laidup/internal/jobbook"
	"laidup/internal/report"
	"laidup/internal/ruleset"
)

// MostPeople is how many may work on a vehicle, and how many there may be of each plant.
const MostPeople = 50

// mostDaysLate is by how many days more than the book says a part may come.
const mostDaysLate = 730

// Form is a request as it is written: every member may be left out.
type Form struct {
	Gate     string          `json:"gate,omitempty"`
	People   int             `json:"people,omitzero"`
	Plant    map[string]int  `json:"plant,omitempty"`
	Traits   map[string]bool `json:"traits,omitempty"`
	Licences []string        `json:"licences,omitempty"`
	Without  []string        `json:"without,omitempty"`
	Now      bool            `json:"now,omitzero"`
	Start    string          `json:"start,omitempty"`
	// Off is nil where it is for the service to say, by the steps that were ticked.
	Off  []string       `json:"off,omitzero"`
	Late map[string]int `json:"late,omitempty"`
}

// DecodeForm reads a request strictly: every member that is not known, stands twice or is of another type is a fault, and
// all of them are returned at once.
func DecodeForm(data []byte) (Form, []report.Fault) {
	var f Form
	given, wrong := report.Object(data, `write {} for all as it is, or {"gate": "first_start", "people": 2}`, map[string]report.Member{
		"gate": {Into: &f.Gate, Is: "the id of a gate, such as \"first_start\""}, "people": {Into: &f.People, Is: "a whole number, such as 2"},
		"plant":  {Into: &f.Plant, Is: "an object with a whole number for each plant, such as {\"lift\": 0}"},
		"traits": {Into: &f.Traits, Is: "an object with true or false for each trait, such as {\"inner_panel\": true}"}, "licences": {Into: &f.Licences, Is: "a list of texts"},
		"without": {Into: &f.Without, Is: "a list of ids of jobs"}, "now": {Into: &f.Now, Is: "true or false"}, "start": {Into: &f.Start, Is: "a day, such as \"2026-05-04\""},
		"off":  {Into: &f.Off, Is: "a list of ids of states that are open"},
		"late": {Into: &f.Late, Is: "an object with a whole number of days for each part, such as {\"timing_belt\": 7}"},
	})
	if given["people"] && f.People < 1 {
		wrong.Add("/people", report.OutOfRange, "use 1 to %d, or leave it out for one", MostPeople)
	}
	return f, wrong
}

// Request is what the form asks for by a job book and a rule set, with all faults at once.
func (f Form) Request(book *jobbook.Book, set *ruleset.Set) (Request, []report.Fault) {
	q := Request{Goal: f.Gate, People: f.People, Plant: f.Plant, Traits: f.Traits, Licences: f.Licences, Without: f.Without, Now: f.Now, Off: f.Off, Late: f.Late}
	var wrong report.Faults
	if f.Gate != "" && !slices.ContainsFunc(set.Gates, func(g *ruleset.Gate) bool { return g.ID == f.Gate }) {
		wrong.Add("/gate", report.WrongValue, "there is no such gate: use one of %s", listed(set.Gates, func(g *ruleset.Gate) string { return g.ID }))
	}
	if f.People > MostPeople {
		wrong.Add("/people", report.OutOfRange, "use 1 to %d, or leave it out for one", MostPeople)
	}
	for _, id := range slices.Sorted(maps.Keys(f.Plant)) {
		if !slices.ContainsFunc(book.Plants, func(p *jobbook.Plant) bool { return p.ID == id }) {
			wrong.Add("/plant/"+report.Escaped(id), report.WrongValue, "the job book has no such plant: use one of %s", listed(book.Plants, func(p *jobbook.Plant) string { return p.ID }))
		} else if n := f.Plant[id]; n < 0 || n > MostPeople {
			wrong.Add("/plant/"+id, report.OutOfRange, "use 0 to %d", MostPeople)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(f.Traits)) {
		if !slices.ContainsFunc(book.Traits, func(t *jobbook.Trait) bool { return t.ID == id }) {
			wrong.Add("/traits/"+report.Escaped(id), report.WrongValue, "the job book asks for no such trait: use one of %s", listed(book.Traits, func(t *jobbook.Trait) string { return t.ID }))
		}
	}
	licences := map[string]bool{}
	for _, j := range book.Jobs {
		if j.Licensed != "" {
			licences[j.Licensed] = true
		}
	}
	for i, id := range f.Licences {
		if !licences[id] {
			wrong.Add(fmt.Sprintf("/licences/%d", i), report.WrongValue, "no job takes such a licence: use one of %s", strings.Join(slices.Sorted(maps.Keys(licences)), ", "))
		}
	}
	for i, id := range f.Without {
		if !slices.ContainsFunc(book.Jobs, func(j *jobbook.Job) bool { return j.ID == id }) {
			wrong.Add(fmt.Sprintf("/without/%d", i), report.WrongValue, "the job book has no such job: a plan names jobs as the id of its steps")
		}
	}
	for i, id := range f.Off {
		if !slices.ContainsFunc(book.States, func(s *jobbook.State) bool { return s.ID == id }) {
			wrong.Add(fmt.Sprintf("/off/%d", i), report.WrongValue, "the job book has no such state: a plan names states as the id of the steps that open them")
		}
	}
	for _, id := range slices.Sorted(maps.Keys(f.Late)) {
		if !slices.ContainsFunc(book.Parts, func(p *jobbook.Part) bool { return p.ID == id }) {
			wrong.Add("/late/"+report.Escaped(id), report.WrongValue, "the job book has no such part: a plan names them under parts")
		} else if n := f.Late[id]; n < 0 || n > mostDaysLate {
			wrong.Add("/late/"+id, report.OutOfRange, "use 0 to %d days", mostDaysLate)
		}
	}
	if f.Start != "" {
		d, err := calendar.Parse(f.Start)
		if err != nil || !d.ToTheDay() {
			wrong.Add("/start", report.WrongValue, "this is no day: write it as 2026-05-04")
		} else {
			q.Start = d.Earliest()
		}
	}
	return q, wrong
}

func listed[T any](list []T, name func(T) string) string {
	names := make([]string, len(list))
	for i, x := range list {
		names[i] = name(x)
	}
	return strings.Join(names, ", ")
}
