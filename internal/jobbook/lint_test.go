package jobbook_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/builtin"
	"laidup/internal/condition"
	"laidup/internal/jobbook"
)

// Each change to the generic book, as an overlay, is remarked on.
func TestLintRemarksOn(t *testing.T) {
	base := generic(t)
	// A few are enough to see each remark; all of them are tried on the book itself.
	var on []jobbook.Vehicle
	for i, v := range vehicles(t) {
		if i%6 == 0 {
			on = append(on, v)
		}
	}
	for name, c := range map[string]struct {
		overlay string
		kind    jobbook.RemarkKind
		entry   string
	}{
		"what nobody gives":                 {"without: {jobs: [lead_exhaust_out]}", jobbook.Ungiven, "ventilation.exhaust_led_outside"},
		"what nobody sees to at one place":  {"without: {jobs: [renew_rear_seal]}\njobs: [{id: renew_clutch, is: x, when: 'kind != \"motorcycle\" && gearbox == \"manual\"', gives: {clutch_plate: [renewed, pieces_found, takes_up, judged], clutch_pressure_plate: [renewed, corrosion, heat_marks, judged], release_bearing: [renewed, noise, seized, judged]}, mends: {clutch_plate: [stuck_to_flywheel]}, open: [gearbox_split], hours: [1, 1, 1]}]", jobbook.Ungiven, "cam_and_crank_seals.renewed"},
		"what nobody sees to":               {"jobs: [{id: mend_lamps, is: x, shows: {lamps_and_horn: [works, contacts]}, hours: [1, 1, 1]}]", jobbook.Unmended, "lamps_and_horn.works"},
		"what is given too late":            {"jobs: [{id: lead_exhaust_out, is: x, once: warm_up, gives: {ventilation: [exhaust_led_outside, carbon_monoxide_alarm]}, hours: [1, 1, 1]}]", jobbook.TooLate, "ventilation.exhaust_led_outside"},
		"another value":                     {"jobs: [{id: mend_lamps, is: x, gives: {lamps_and_horn: {works: false, contacts: clean}}, hours: [1, 1, 1]}]", jobbook.Otherwise, "mend_lamps"},
		"no way on one kind":                {"states: [{id: undertray_off, is: x, ways: [{on: [mid], open: [0, 0, 0], close: [0, 0, 0]}]}]", jobbook.Unopenable, "undertray_off"},
		"ways in a ring":                    {"states: [{id: oil_out, is: x, on: [four_stroke], shuts: [oil_in], ways: [{needs: [sump_off], open: [0, 0, 0], close: [0, 0, 0]}]}]", jobbook.Unopenable, "oil_out"},
		"a job for nothing":                 {"jobs: [{id: polish, is: x, gives: {tyres: [age]}, hours: [1, 1, 1]}]", jobbook.Unreached, "polish"},
		"a job that cannot be done":         {"jobs: [{id: renew_fork, is: x, gives: {fork: [renewed, leak]}, open: [{on: [four_wheels], all: [raised]}], hours: [1, 1, 1]}]", jobbook.Undoable, "renew_fork"},
		"spoils what nothing asks for":      {"jobs: [{id: mend_lamps, is: x, gives: {lamps_and_horn: [works, contacts]}, spoils: {coolant: [coldest]}, hours: [1, 1, 1]}]", jobbook.Unproven, "mend_lamps"},
		"given inside of what spoils it":    {"jobs: [{id: chock_wheels, is: x, gives: {vehicle_support: [wheels_chocked]}, open: [raised], hours: [1, 1, 1]}]", jobbook.Clashing, "chock_wheels"},
		"a part that is not used":           {"parts: [{id: ribbon, is: x, kind: stock, price: [0, 0, 0], lead: [0, 0, 0]}]", jobbook.Unused, "ribbon"},
		"proven before it is shut":          {"jobs: [{id: mend_exhaust, is: x, gives: {exhaust: [renewed, blocked, leak, into_cabin, hangers, judged]}, open: [raised], after: [chock_wheels], hours: [1, 1, 1]}]", jobbook.Torn, "chock_wheels"},
		"in place between two that take it": {"jobs: [{id: look_again, is: x, shows: {timing_belt: [slack]}, open: [timing_cover_off], after: [prime_oil], hours: [1, 1, 1]}]", jobbook.Torn, "prime_oil"},
		"undone after it was proven":        {"jobs: [{id: free_throttle, is: x, gives: {throttle: [renewed, returns_freely, cable, judged]}, spoils: {brake_pedal: [feel]}, must: [prove_brakes], hours: [1, 1, 1]}, {id: prove_throttle, is: x, proof: true, shows: {throttle: [cable]}, hours: [1, 1, 1]}]", jobbook.Torn, "free_throttle"},
	} {
		t.Run(name, func(t *testing.T) {
			text := "schema: laidup.job_book/1\nextends: {name: generic, version: 1.0.0}\nname: bad\nversion: 1.0.0\nis: bad\n" + c.overlay + "\n"
			b, err := loader(t).Knowing(base).Document("bad.yaml", []byte(text))
			if err != nil {
				t.Fatal(err)
			}
			remarks := jobbook.Lint(b, builtin.FirstStart(), on)
			if !slices.ContainsFunc(remarks, func(r jobbook.Remark) bool { return r.Kind == c.kind && r.Entry == c.entry && r.Says != "" }) {
				t.Errorf("remarks on\n%v", remarks)
			}
		})
	}
}

// A way that holds on one vehicle only opens nothing on others, and a state that a vehicle does not have is
// no obstacle.
func TestReach(t *testing.T) {
	b := generic(t)
	state := func(id string) int {
		return slices.IndexFunc(b.States, func(s *jobbook.State) bool { return s.ID == id })
	}
	job := func(id string) int {
		return slices.IndexFunc(b.Jobs, func(j *jobbook.Job) bool { return j.ID == id })
	}
	for _, v := range vehicles(t) {
		r := b.Reach(v.Facts)
		motorcycle := strings.Contains(v.Name, "motorcycle") || strings.Contains(v.Name, "scooter") || strings.Contains(v.Name, "single")
		if strings.Contains(v.Name, "nothing") {
			continue
		}
		if r.Has[state("seat_and_tank_off")] != motorcycle || r.States[state("seat_and_tank_off")] != motorcycle {
			t.Errorf("the %s has its seat and tank off: %v", v.Name, r.States[state("seat_and_tank_off")])
		}
		if !r.Jobs[job("chock_wheels")] || r.Jobs[job("renew_head_bearings")] != motorcycle {
			t.Errorf("the %s: jobs are wrong", v.Name)
		}
		electric := strings.HasPrefix(v.Name, "electric")
		if r.States[state("engine_out")] == electric {
			t.Errorf("the engine of the %s comes out: %v", v.Name, !electric)
		}
	}
}

// What is asked of a vehicle is of items that it has.
func TestAskedOfAVehicle(t *testing.T) {
	set := builtin.FirstStart()
	for _, v := range vehicles(t) {
		asked := jobbook.Asked(set, v.Facts)
		if len(asked) < 100 {
			t.Errorf("only %d things are asked of the %s", len(asked), v.Name)
		}
		for _, a := range asked {
			if a.Gate == nil || a.By == "" || !a.Finding.Item.AppliesTo(v.Facts) {
				t.Errorf("%s: %v is asked", v.Name, a)
			}
		}
	}
}

func TestOpeningsOn(t *testing.T) {
	b := generic(t)
	i := slices.IndexFunc(b.Jobs, func(j *jobbook.Job) bool { return j.ID == "renew_water_pump" })
	known := vehicle(t, "belted", map[string]any{"valve_drive": "belt"}, nil)
	if sure, possible := jobbook.OpeningsOn(b.Jobs[i].Open, known.Facts); len(sure) != 1 || len(possible) != 0 {
		t.Errorf("%d are sure and %d possible", len(sure), len(possible))
	}
	unknown := vehicle(t, "unknown", nil, nil)
	if sure, possible := jobbook.OpeningsOn(b.Jobs[i].Open, unknown.Facts); len(sure) != 0 || len(possible) != 2 {
		t.Errorf("%d are sure and %d possible", len(sure), len(possible))
	}
	if jobbook.Holds(nil, unknown.Facts) != condition.True {
		t.Error("no condition does not hold")
	}
}
