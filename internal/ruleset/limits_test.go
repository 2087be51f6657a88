package ruleset_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"laidup/internal/ruleset"
	"laidup/schema"
)

// What a rule set that means harm can take from us is bounded before it is taken: the table in
// docs/security.md names these tests, docs/rule-authoring.md lists the limits.

// quickly fails where something takes so long that it must be more than linear.
func quickly(t *testing.T, do func()) {
	t.Helper()
	start := time.Now()
	do()
	if took := time.Since(start); took > 30*time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestTooManyValues(t *testing.T) {
	for name, text := range map[string]string{
		"JSON":                    `{"rules":[` + strings.Repeat("1,", 300_000) + `1]}`,
		"JSON that is not whole":  `{"rules":[` + strings.Repeat("1,", 400_000),
		"YAML in brackets":        "rules: [" + strings.Repeat("1,", 400_000) + "1]",
		"YAML in lines":           "rules:\n" + strings.Repeat("- 1\n", 260_000),
		"YAML of empty names":     strings.Repeat("? a\n", 260_000),
		"comments":                "a:\n" + strings.Repeat("- #\n", 260_000),
		"anchors and aliases":     "a: &a b\nc:\n" + strings.Repeat("- *a\n", 260_000),
		"tags":                    "a:\n" + strings.Repeat("- !a b\n", 160_000),
		"names that stand twice":  strings.Repeat("k: 1\n", 160_000),
		"brackets that stay open": strings.Repeat("[", 1<<20),
		"a number without end":    "proof_credence: " + strings.Repeat("1", 1<<20),
	} {
		t.Run(strings.ReplaceAll(name, " ", "_"), func(t *testing.T) {
			quickly(t, func() {
				mistakes := mistakesOf(t, "small.yaml", text)
				size := len(mistakes.Error())
				if len(mistakes) > 201 || size > 201*1500 {
					t.Errorf("%d mistakes in %d bytes", len(mistakes), size)
				}
			})
		})
	}
	if m := mistakesOf(t, "small.json", `{"rules":[`+strings.Repeat("1,", 130_000)+`1],"a":[`+strings.Repeat("1,", 130_000)+`1]}`); !strings.Contains(m.Error(), "more than 250000 values") {
		t.Errorf("mistakes are\n%.300s", m)
	}
}

func TestAnOverlayOfManyEntriesIsReadInTime(t *testing.T) {
	l, _ := overlayLoader(t)
	head := strings.Replace(overlay, "without: {rules: [belt_fraying]}\n", "", 1)
	var own strings.Builder
	for i := range 25_000 {
		fmt.Fprintf(&own, "  - {id: r%d, item: a%d}\n", i, i)
	}
	for name, text := range map[string]string{
		"entries of its own":  head + strings.Replace(own.String(), "  - ", "grades:\n  - ", 1),
		"entries of the base": head + "without: {rules: [" + strings.Repeat("a,", 50_000) + "a]}\n",
	} {
		t.Run(strings.ReplaceAll(name, " ", "_"), func(t *testing.T) {
			quickly(t, func() {
				_, err := l.Document("ours.yaml", []byte(text))
				var mistakes ruleset.Mistakes
				if !errors.As(err, &mistakes) || len(mistakes) > 201 {
					t.Errorf("%d mistakes, %v", len(mistakes), err)
				}
			})
		})
	}
}

// What is read is written in canonical form, and has to be read again: it must not have grown out of
// what can be.
func TestWhatGrowsTooLargeInCanonicalFormIsRefused(t *testing.T) {
	l, _ := overlayLoader(t)
	var b strings.Builder
	head, rest, _ := strings.Cut(overlay, "proofs:\n")
	b.WriteString(head + "cautions: [x]\nproofs:\n")
	for i := range 330 {
		fmt.Fprintf(&b, "  - id: p%d\n    item: timing_belt\n    gate: crank\n    proves: '!found.fraying'\n    always: true\n    because: y\n    clear_by: [{item: timing_belt, found: {fraying: false}}]\n    source: {kind: judgement}\n    cautions: [", i)
		for range 5 {
			b.WriteString(strings.Repeat("z", 1000) + ", ")
		}
		b.WriteString("z]\n")
	}
	b.WriteString(rest)
	if b.Len() > ruleset.MaxSource {
		t.Fatalf("it is %d bytes by itself", b.Len())
	}
	if _, err := l.Document("ours.yaml", []byte(b.String())); err == nil || !strings.Contains(err.Error(), "in its canonical form") {
		t.Errorf("%.300v", err)
	}
}

func TestAllConditionsTogetherAreBounded(t *testing.T) {
	long := "found.fraying" + strings.Repeat(" || found.fraying", 55)
	var rules list
	for i := range 500 {
		rules = append(rules, object{"id": fmt.Sprintf("r%d", i), "fault": "belt_weak", "when": long, "weight": 1, "because": "x", "source": object{"kind": "judgement"}})
	}
	m := mistakesOf(t, "small.json", spoilt(t, "/rules", rules, "/proofs", drop, "/follows", drop))
	if !strings.Contains(m.Error(), "more than 50000 nodes together") {
		t.Errorf("mistakes are\n%.300s", m)
	}
	var faults, causes, hazards list
	for i := range 100 {
		id := fmt.Sprintf("f%d", i)
		faults = append(faults, object{"id": id, "item": "battery", "is": "x", "prior": object{"is": 0.1, "spread": 1}, "source": object{"kind": "judgement"}})
		causes = append(causes, object{"fault": id, "chance": 0.1, "spread": 1})
	}
	for i := range 51 {
		hazards = append(hazards, object{"id": fmt.Sprintf("h%d", i), "gate": "crank", "what": "x", "severity": "marginal", "causes": causes, "source": object{"kind": "judgement"}})
	}
	m = mistakesOf(t, "small.json", spoilt(t, "/faults", faults, "/hazards", hazards, "/rules", list{}, "/limits", drop, "/proofs", drop, "/follows", drop))
	if !strings.Contains(m.Error(), "/hazards: have 5100 causes together: 5000 is the limit") {
		t.Errorf("mistakes are\n%.300s", m)
	}
	// A thousand words that nobody knows, each of which is looked for.
	for i := range rules {
		rules[i].(object)["when"] = strings.Repeat("xinterference || ", 58) + "x"
	}
	quickly(t, func() {
		if m := mistakesOf(t, "small.json", spoilt(t, "/rules", rules)); len(m) != 201 {
			t.Errorf("%d mistakes", len(m))
		}
	})
}

func TestNumbersThatNothingCanBeReckonedWith(t *testing.T) {
	for pointer, value := range map[string]any{
		"/rules/2/weight/curve/0/0":      -1e13,
		"/rules/2/weight/curve/1/1":      1e308,
		"/faults/0/prior/curve/2/0":      1e308,
		"/faults/0/prior/curve/0/1":      1.5,
		"/unseen/low/curve/0/1":          1e300,
		"/unseen/high/curve/1/1":         -1,
		"/grades/2/curve/1/0":            1e200,
		"/severity_weights/catastrophic": 1e307,
		"/half_life/years":               1e300,
		"/half_lives/0/years":            1e6,
		"/weights/items/0/weight":        1e308,
		"/weights/systems/0/weight":      1e308,
		"/rules/0/weight":                61,
		"/faults/0/prior/spread":         31,
		"/faults/0/prior/shifts/0/db":    -61,
		"/common_error":                  1e9,
	} {
		if m := mistakesOf(t, "small.json", spoilt(t, pointer, value)); len(m) == 0 {
			t.Errorf("%s may be %v", pointer, value)
		}
	}
	for _, number := range []string{"1e999999", "-1e999999", ".nan", ".inf", "0x10", "0o7", "017", "1_000", "1:30", "NaN"} {
		mistakesOf(t, "small.yaml", strings.Replace(small, "proof_credence: 0.6", "proof_credence: "+number, 1))
	}
}

func TestReadingEndsWithItsTime(t *testing.T) {
	l, err := ruleset.NewLoader(schema.FS)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if set, err := l.DocumentWithin(ctx, "small.yaml", []byte(small)); !errors.Is(err, context.Canceled) || set != nil {
		t.Errorf("%v", err)
	}
}
