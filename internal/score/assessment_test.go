package score_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"laidup/internal/score"
)

// Numbers are written exactly, and read as they were written.
func TestShedNumbersAsTheyAreWritten(t *testing.T) {
	for _, c := range []struct {
		number interface{ MarshalJSON() ([]byte, error) }
		want   string
	}{
		{score.Share(0), "0"}, {score.Share(1), "0.0000000001"}, {score.Share(1e10), "1"}, {score.Share(5e9), "0.5"},
		{score.Share(12_345_678_901), "1.2345678901"}, {score.Share(-5e9), "-0.5"}, {score.Share(1_010_000_000), "0.101"},
		{score.Number(1), "0.000001"}, {score.Number(-1), "-0.000001"}, {score.Number(12_500_000), "12.5"}, {score.Number(-1e6), "-1"}, {score.Number(1e6), "1"}, {score.Number(10e6), "10"},
		{score.Decibans(1), "0.000000001"}, {score.Decibans(-10_696_257_000), "-10.696257"}, {score.Decibans(0), "0"}, {score.Decibans(20e9), "20"},
	} {
		b, err := c.number.MarshalJSON()
		if err != nil || string(b) != c.want {
			t.Errorf("%#v is written %s, want %s: %v", c.number, b, c.want, err)
		}
		var read interface{ MarshalJSON() ([]byte, error) }
		switch c.number.(type) {
		case score.Share:
			var v score.Share
			err, read = json.Unmarshal(b, &v), v
		case score.Number:
			var v score.Number
			err, read = json.Unmarshal(b, &v), v
		case score.Decibans:
			var v score.Decibans
			err, read = json.Unmarshal(b, &v), v
		}
		if err != nil || read != c.number {
			t.Errorf("%s is read as %#v, want %#v: %v", b, read, c.number, err)
		}
	}
	var s score.Share
	var n score.Number
	var d score.Decibans
	if s.UnmarshalJSON([]byte(`"x"`)) == nil || n.UnmarshalJSON([]byte(`"x"`)) == nil || d.UnmarshalJSON([]byte(`"x"`)) == nil {
		t.Error("a word was read as a number")
	}
}

func TestShedFindingsAsTheyAreWritten(t *testing.T) {
	const text = `{"bad":false,"n":{"value":3,"unit":"mm"}}`
	var f score.FindingsForm
	if err := json.Unmarshal([]byte(text), &f); err != nil || len(f) != 2 || f[0].ID != "bad" || string(f[0].Value) != "false" || f[1].ID != "n" {
		t.Fatalf("read as %v: %v", f, err)
	}
	if b, err := json.Marshal(f); err != nil || string(b) != text {
		t.Errorf("written %s: %v", b, err)
	}
	if err := json.Unmarshal([]byte(`{"n":1}`), &f); err != nil || len(f) != 1 {
		t.Errorf("read again as %v: %v", f, err)
	}
	for _, broken := range []string{"", `{"bad":}`, `{"bad" false}`, `{"bad":false,`, `{bad:false}`} {
		if f.UnmarshalJSON([]byte(broken)) == nil {
			t.Errorf("%s was read", broken)
		}
	}
	if _, err := (score.FindingsForm{{ID: "bad", Value: json.RawMessage("nothing")}}).MarshalJSON(); err == nil {
		t.Error("what is no JSON was written")
	}
	if _, err := (score.FindingsForm{{ID: "bad", Value: json.RawMessage("1")}, {ID: "bad", Value: json.RawMessage("1")}}).MarshalJSON(); err == nil {
		t.Error("a finding was written twice")
	}
}

func TestShedBlockersUpToAGate(t *testing.T) {
	set := shedWith(t, harms+"\n")
	a := score.Evaluate(set, decodeAll(t, set, day(see("a", true))), -1)
	for gate, want := range map[string]int{"now": 0, "later": len(a.Blockers), "never": 0} {
		if got := a.BlockersBy(gate); len(got) != want || gate == "never" && got != nil {
			t.Errorf("by %s: %v, want %d", gate, got, want)
		}
	}
	if len(a.Blockers) == 0 {
		t.Error("nothing blocks")
	}
	// A question about another gate is answered by that.
	if now := score.Evaluate(set, decodeAll(t, set, day(see("a", true))), 0).Verdict; now.Gate != "now" || now.State != score.Clear {
		t.Errorf("%+v", now)
	}
}

// What rounding leaves over goes to the largest share, wherever it stands.
func TestShedSharesAddUp(t *testing.T) {
	set := shedWith(t, `
faults: [{id: fa, item: a, prior: {is: 0.002}}, {id: fb, item: b, prior: {is: 0.5}}]
hazards: [{id: ha, severity: catastrophic, causes: [{fault: fa, chance: 1}]}, {id: hb, severity: marginal, causes: [{fault: fb, chance: 1}]}]
`)
	a := score.Evaluate(set, decodeAll(t, set, day()), -1)
	if len(a.Register) != 2 || a.Register[0].Share != 2857142857 || a.Register[1].Share != 7142857143 {
		t.Errorf("%+v", a.Register)
	}
	for i, want := range []struct{ low, high string }{{"0.000744", "0.005363"}, {"0.270960", "0.729040"}} {
		e := a.Register[i]
		if got := fmt.Sprintf("%.6f %.6f", e.Causes[0].Low.Float(), e.Causes[0].High.Float()); got != want.low+" "+want.high {
			t.Errorf("%s is between %s, want %s %s", e.Hazard, got, want.low, want.high)
		}
	}
}

func TestChangesAreToldOfEveryKind(t *testing.T) {
	set := shedWith(t, harms+"\n")
	evaluate := func(reports ...object) *score.Assessment {
		return score.Evaluate(set, decodeAll(t, set, reports...), -1)
	}
	nobody := evaluate(day())
	// Somebody says that q is well: it is still not proven, for another reason.
	said := evaluate(day(by("told", "q", false)))
	c := said.ChangesFrom(nobody)
	if len(c.Other) != 1 || c.Other[0].Item != "q" || c.Other[0].Reason.Code != score.ReasonNotEnough || len(c.New)+len(c.Gone)+len(c.Gates) > 0 {
		t.Errorf("%+v", c)
	}
	// What was seen is tested: the same words, and other odds.
	seen, tested := evaluate(day(by("felt", "a", false))), evaluate(day(by("tested", "a", false)))
	if c := tested.ChangesFrom(seen); len(c.Risk) != 1 || len(c.Risk[0].Gone)+len(c.Risk[0].New) > 0 {
		t.Errorf("%+v", c.Risk)
	}
	// Gates that only one of the two knows.
	more := shedWith(t, strings.Replace(one(0.5, 0.2, "critical"), "faults:", "gates: [{id: now, is: now, tolerates: {critical: 0.01}, because: an example}, {id: later, is: later, because: an example, tolerates: {critical: 0.5}}, {id: last, is: last, because: an example, tolerates: {critical: 0.5}}]\nfaults:", 1))
	before := score.Evaluate(more, decodeAll(t, more, day()), -1)
	for _, c := range []struct {
		changes score.Changes
		want    []string
	}{
		{before.ChangesFrom(nobody), []string{"now clear to unproven", "last  to unproven"}},
		{nobody.ChangesFrom(before), []string{"now unproven to clear", "last unproven to "}},
	} {
		var gates []string
		for _, g := range c.changes.Gates {
			gates = append(gates, g.Gate+" "+g.From+" to "+g.To)
		}
		if !slices.Equal(gates, c.want) {
			t.Errorf("%q, want %q", gates, c.want)
		}
	}
	// What was impossible and what is certain have odds too.
	certain, impossible := evaluate(day()), evaluate(day())
	certain.Register, impossible.Register = certain.Register[:2], impossible.Register[:2]
	certain.Register[0].Probability, impossible.Register[0].Probability = 1e10, 0
	certain.Register[1].Probability, impossible.Register[1].Probability = 9e9, 1e9
	if c := certain.ChangesFrom(impossible); len(c.Risk) != 2 || c.Risk[0].Hazard != certain.Register[0].Hazard {
		t.Errorf("%+v", c.Risk)
	}
	if c := impossible.ChangesFrom(certain); len(c.Risk) != 2 || c.Risk[0].Hazard != certain.Register[0].Hazard {
		t.Errorf("%+v", c.Risk)
	}
	if c := certain.ChangesFrom(certain); c.Any() {
		t.Errorf("%+v", c)
	}
	halves, other := evaluate(day()), evaluate(day())
	halves.Register, other.Register = halves.Register[:1], other.Register[:1]
	halves.Register[0].Probability, other.Register[0].Probability = 4e9, 6e9
	if c := halves.ChangesFrom(other); len(c.Risk) != 1 {
		t.Errorf("%+v", c.Risk)
	}
	// Each of what may differ is something.
	whole := func() *score.Assessment { return evaluate(day()) }
	for name, change := range map[string]func(*score.Assessment){
		"a gate":       func(a *score.Assessment) { a.Gates[0].State = score.Blocked },
		"a blocker":    func(a *score.Assessment) { a.Blockers = a.Blockers[:len(a.Blockers)-1] },
		"a reason":     func(a *score.Assessment) { a.Blockers[0].Reason.Says = "otherwise" },
		"where":        func(a *score.Assessment) { a.Blockers[0].At = []string{"left"} },
		"a gate's own": func(a *score.Assessment) { a.Blockers[0].Gate = "now" },
		"a kind":       func(a *score.Assessment) { a.Blockers[0].Kind = "duty" },
		"an item":      func(a *score.Assessment) { a.Blockers[0].Item = "c" },
	} {
		other := whole()
		change(other)
		if c := other.ChangesFrom(nobody); !c.Decide() || !c.Any() {
			t.Errorf("%s: %+v", name, c)
		}
	}
	for name, change := range map[string]func(*score.Assessment){
		"a risk":            func(a *score.Assessment) { a.Register[0].Probability *= 2 },
		"a risk the better": func(a *score.Assessment) { a.Register[0].Probability /= 2 },
		"the condition":     func(a *score.Assessment) { a.Condition.Low++ },
		"the coverage":      func(a *score.Assessment) { a.Coverage.Share++ },
		"the chance":        func(a *score.Assessment) { a.Gates[1].ChanceThrough++ },
		"no gates":          func(a *score.Assessment) { a.Gates, a.Blockers, a.Register = nil, nil, nil },
	} {
		other := whole()
		change(other)
		if c := other.ChangesFrom(nobody); name != "no gates" && c.Decide() || !c.Any() {
			t.Errorf("%s: %+v", name, c)
		}
	}
	little := whole()
	little.Register[0].Probability = little.Register[0].Probability * 125 / 100 // less than a deciban
	if c := little.ChangesFrom(nobody); c.Any() || len(c.Risk) > 0 {
		t.Errorf("%+v", c)
	}
	a, b := whole(), whole()
	a.Register, b.Register = a.Register[:2], b.Register[:2]
	a.Register[0].Probability *= 2
	a.Register[1].Probability *= 4
	if c := a.ChangesFrom(b); len(c.Risk) != 2 || c.Risk[0].Hazard != a.Register[1].Hazard || *c.Risk[0].Probability.From != b.Register[1].Probability || *c.Risk[0].Probability.To != a.Register[1].Probability {
		t.Errorf("%+v", c.Risk)
	}
	if none := (&score.Assessment{}).ChangesFrom(&score.Assessment{}); none.Any() {
		t.Errorf("%+v", none)
	}
	if c := (&score.Assessment{}).ChangesFrom(nobody); c.ChanceThrough.From != nil || c.ChanceThrough.To != nil || !c.Any() {
		t.Errorf("%+v", c.ChanceThrough)
	}
}
