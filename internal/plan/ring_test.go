package plan

import (
	"encoding/json"
	"strings"
	"testing"

	"laidup/internal/jobbook"
	"laidup/schema"
)

// changed is the generic book with an overlay on it.
func (w *world) changed(t testing.TB, overlay string) *world {
	t.Helper()
	l, err := jobbook.NewLoader(schema.FS, w.set)
	if err != nil {
		t.Fatal(err)
	}
	book, err := l.Knowing(w.book).Document("ours.yaml", []byte("schema: laidup.job_book/1\nname: ours\nversion: 1.0.0\nis: \"ours\"\nextends: {name: generic, version: 1.0.0}\n"+overlay))
	if err != nil {
		t.Fatal(err)
	}
	return &world{w.set, book, w.scorer}
}

// Each of the two undoes what the other reports.
const ring = `jobs:
  - {id: renew_battery, is: "fit a battery", gives: {battery: [renewed, case, secured, open_circuit, judged]}, spoils: {fuel: [renewed]}, hours: [1, 1, 1]}
  - {id: renew_fuel, is: "fill with fresh fuel", gives: {fuel: [renewed, smell, growth, water_found, wrong_fuel, judged]}, spoils: {battery: [renewed]}, hours: [1, 1, 1]}
`

func TestWorkThatHoldsItselfUpIsToldAsARing(t *testing.T) {
	w := ourWorld(t)
	demo := w.demos(t)["marrick-tern-01"]
	p, _ := w.changed(t, ring).plan(t, demo, Request{Goal: "first_start"})
	if p.NoOrder == nil || len(p.Steps) != 0 || p.Proof.Clears || p.Twice != "" {
		t.Fatalf("%d steps, no order %+v, %+v", len(p.Steps), p.NoOrder, p.Proof)
	}
	var said []string
	for _, h := range p.NoOrder.Ring {
		said = append(said, h.Is)
		if h.One == "" || h.Other == "" || h.Because == "" {
			t.Errorf("%+v", h)
		}
	}
	all := strings.Join(said, "; ")
	if !strings.Contains(all, `"fit a battery"`) || !strings.Contains(all, `"fill with fresh fuel"`) {
		t.Errorf("the ring: %s", all)
	}
	if len(p.NoOrder.Jobs) < 5 || len(p.Opening) == 0 || !strings.Contains(strings.Join(p.NoOrder.Do, " "), "renew_battery") {
		t.Errorf("%d jobs, %d states, what to do: %q", len(p.NoOrder.Jobs), len(p.Opening), p.NoOrder.Do)
	}
	// What it says to do helps.
	if p, _ := w.changed(t, ring).plan(t, demo, Request{Goal: "first_start", Without: []string{"renew_battery"}}); p.NoOrder != nil || len(p.Steps) == 0 {
		t.Errorf("without one of the jobs: %d steps, %+v", len(p.Steps), p.NoOrder)
	}
}

func TestMoneyIsWrittenWithTwoDecimals(t *testing.T) {
	for text, cents := range map[string]Cents{"0.00": 0, "0.05": 5, "12.50": 1250, "-0.05": -5, "-3.00": -300} {
		data, err := json.Marshal(cents)
		if err != nil || string(data) != `"`+text+`"` {
			t.Errorf("%d is %s, %v", cents, data, err)
		}
		var back Cents
		if err := json.Unmarshal(data, &back); err != nil || back != cents {
			t.Errorf("%s is read as %d, %v", data, back, err)
		}
	}
	for _, text := range []string{"12", "12.5", "1.2.3", "a.bc", ""} {
		if new(Cents).UnmarshalText([]byte(text)) == nil {
			t.Errorf("%q is read as money", text)
		}
	}
	w := ourWorld(t)
	p, _ := w.changed(t, "rate: {cents: 8000, currency: EUR}\n").plan(t, w.demos(t)["marrick-tern-01"], Request{Goal: "first_start"})
	if p.Currency != "EUR" || p.Totals.Cost == nil || p.Totals.Cost.P90 <= p.Totals.Cost.P10 || p.Order[0].Price == nil {
		t.Errorf("%s %+v", p.Currency, p.Totals.Cost)
	}
	for _, x := range p.While {
		if x.Later.Cost == nil || *x.Later.Cost < 0 || x.Later.Minutes*8000/60 < int64(*x.Later.Cost)-200 || x.Later.Minutes*8000/60 > int64(*x.Later.Cost)+200 {
			t.Errorf("%s: later %+v", x.Job, x.Later)
		}
	}
}
