package condition_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/condition"

	"pgregory.net/rapid"
)

// again writes trees and reads them.
func again(t interface{ Fatal(...any) }, trees *condition.Trees) *condition.Trees {
	data, err := trees.JSON()
	if err != nil {
		t.Fatal(err)
	}
	read, err := condition.ReadTrees(data)
	if err != nil {
		t.Fatal(err)
	}
	return read
}

func TestATreeThatWasKeptMeansTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawn{t: t, asks: true, divides: true, falls: true}
		source, formula := d.truth(3), d.number(3)
		trees := condition.KeepTrees()
		parsed := condition.NewEnv(names, trees)
		want, err := parsed.Compile(source, "battery")
		if err != nil {
			t.Skip(err)
		}
		wantNumber, err := parsed.CompileFormula(formula, "battery")
		if err != nil {
			t.Skip(err)
		}
		read := condition.NewEnv(names, again(t, trees))
		have, err := read.Compile(source, "battery")
		if err != nil {
			t.Fatal(err)
		}
		haveNumber, err := read.CompileFormula(formula, "battery")
		if err != nil {
			t.Fatal(err)
		}
		if have.Nodes() != want.Nodes() || !slices.Equal(have.Reads(), want.Reads()) || have.Source() != source {
			t.Fatalf("%s has %d nodes and reads %v, kept %d and %v", source, want.Nodes(), want.Reads(), have.Nodes(), have.Reads())
		}
		f := full(t)
		for i := range f {
			if rapid.IntRange(0, 3).Draw(t, "unknown") == 0 {
				f[i] = condition.Unset
			}
		}
		if have.Holds(f) != want.Holds(f) {
			t.Fatalf("%s is %v, kept %v", source, want.Holds(f), have.Holds(f))
		}
		if a, b := wantNumber.Value(f), haveNumber.Value(f); a != b && (a == a || b == b) {
			t.Fatalf("%s is %v, kept %v", formula, a, b)
		}
	})
}

// Whoever was not kept is parsed, and told what is wrong as ever.
func TestWhatWasNotKeptIsParsed(t *testing.T) {
	trees := condition.KeepTrees()
	if _, err := condition.NewEnv(names, trees).Compile(`found.leak == "weep"`, "battery"); err != nil {
		t.Fatal(err)
	}
	e := condition.NewEnv(names, again(t, trees))
	if _, err := e.Compile(`found.leak == "drip"`, "battery"); err != nil {
		t.Error(err)
	}
	if _, err := e.Compile(`found.leak == "weep"`, ""); err == nil {
		t.Error("kept for one item, it was taken for another")
	}
	if _, err := e.Compile(`found.leek == "weep"`, "battery"); err == nil || !strings.Contains(err.Error(), "found.leak") {
		t.Errorf("told is %v", err)
	}
}

func TestABrokenTreeIsTold(t *testing.T) {
	source := `odometer > 5.0`
	for _, tree := range []string{"", "3", "x (_>_ odometer 5 )", "3 (_>_ odometer 5", "3 (_>_ odometer 5 ) 7", "3 (_>_ odometer", `3 "`, "3 [", "3 odometer"} {
		data := `[["", "` + source + `", ` + strings.ReplaceAll("`"+tree+"`", "`", `"`) + `]]`
		if strings.Contains(tree, `"`) {
			data = strings.Replace(data, `"3 ""`, `"3 \""`, 1)
		}
		trees, err := condition.ReadTrees([]byte(data))
		if err != nil {
			t.Fatal(err, data)
		}
		if _, err := condition.NewEnv(names, trees).Compile(source, ""); err == nil {
			t.Errorf("%q is taken for a tree", tree)
		}
	}
	if _, err := condition.ReadTrees([]byte("{")); err == nil {
		t.Error("{ are trees")
	}
}
