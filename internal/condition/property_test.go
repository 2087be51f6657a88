package condition_test

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"laidup/internal/calendar"
	"laidup/internal/condition"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
	"pgregory.net/rapid"
)

// drawn writes random well-typed expressions over the names that tests read.
type drawn struct {
	t *rapid.T
	// asks allows the comparison of a choice with "unknown", divides the division by anything, falls
	// what falls back on another number.
	asks, divides, falls bool
}

func (d drawn) pick(label string, from ...string) string {
	return rapid.SampledFrom(from).Draw(d.t, label)
}

func (d drawn) path(kinds ...condition.Kind) condition.Name {
	var fit []condition.Name
	for _, n := range names {
		if slices.Contains(kinds, n.Kind) {
			fit = append(fit, n)
		}
	}
	return rapid.SampledFrom(fit).Draw(d.t, "name")
}

func (d drawn) literal() string {
	return strconv.FormatFloat(float64(rapid.IntRange(-40, 40).Draw(d.t, "literal"))/4, 'f', 2, 64)
}

func (d drawn) words(n condition.Name, most int) string {
	all := n.Values
	if d.asks {
		all = append(slices.Clone(all), "unknown")
	}
	var quoted []string
	for range rapid.IntRange(1, most).Draw(d.t, "words") {
		quoted = append(quoted, strconv.Quote(rapid.SampledFrom(all).Draw(d.t, "word")))
	}
	return strings.Join(quoted, ", ")
}

func (d drawn) truth(depth int) string {
	kinds := []string{"flag", "constant", "compare", "compare dates", "choice", "choice in", "number in", "text", "same text"}
	if depth > 0 {
		kinds = append(kinds, "not", "and", "or", "if", "equal", "and", "or", "if")
	}
	switch d.pick("condition", kinds...) {
	case "constant":
		return d.pick("constant", "true", "false")
	case "compare":
		return fmt.Sprintf("(%s %s %s)", d.number(depth-1), d.pick("order", "<", "<=", ">", ">=", "==", "!="), d.number(depth-1))
	case "compare dates":
		return fmt.Sprintf("(%s %s %s)", d.path(condition.Date).Path, d.pick("order", "<", "<=", ">", ">=", "==", "!="), d.path(condition.Date).Path)
	case "choice":
		n := d.path(condition.Choice)
		sides := []string{n.Path, d.words(n, 1)}
		if rapid.Bool().Draw(d.t, "swap") {
			slices.Reverse(sides)
		}
		return "(" + strings.Join(sides, d.pick("equal", " == ", " != ")) + ")"
	case "choice in":
		n := d.path(condition.Choice)
		return fmt.Sprintf("(%s in [%s])", n.Path, d.words(n, 3))
	case "number in":
		return fmt.Sprintf("(%s in [%s, %s])", d.path(condition.Number).Path, d.literal(), d.literal())
	case "text":
		return fmt.Sprintf(`(%s != "")`, d.path(condition.Text).Path)
	case "same text":
		return fmt.Sprintf(`("" == %s)`, d.path(condition.Text).Path)
	case "not":
		return "!" + d.truth(depth-1)
	case "and":
		return fmt.Sprintf("(%s && %s)", d.truth(depth-1), d.truth(depth-1))
	case "or":
		return fmt.Sprintf("(%s || %s)", d.truth(depth-1), d.truth(depth-1))
	case "if":
		return fmt.Sprintf("(%s ? %s : %s)", d.truth(depth-1), d.truth(depth-1), d.truth(depth-1))
	case "equal":
		return fmt.Sprintf("(%s %s %s)", d.truth(depth-1), d.pick("equal", "==", "!="), d.truth(depth-1))
	}
	return d.path(condition.Flag).Path
}

func (d drawn) number(depth int) string {
	kinds := []string{"literal", "name", "years"}
	if depth > 0 {
		kinds = append(kinds, "+", "-", "*", "/", "minus", "least", "greatest", "if")
		if d.falls {
			kinds = append(kinds, "first_known")
		}
	}
	switch kind := d.pick("number", kinds...); kind {
	case "literal":
		return d.literal()
	case "years":
		return "years_since(" + d.path(condition.Date).Path + ")"
	case "+", "-", "*":
		return fmt.Sprintf("(%s %s %s)", d.number(depth-1), kind, d.number(depth-1))
	case "/":
		by := d.pick("divisor", "2.0", "-0.5", "3.0")
		if d.divides {
			by = d.number(depth - 1)
		}
		return fmt.Sprintf("(%s / %s)", d.number(depth-1), by)
	case "minus":
		return "-(" + d.number(depth-1) + ")"
	case "least", "greatest", "first_known":
		return fmt.Sprintf("%s(%s, %s)", kind, d.number(depth-1), d.number(depth-1))
	case "if":
		return fmt.Sprintf("(%s ? %s : %s)", d.truth(depth-1), d.number(depth-1), d.number(depth-1))
	}
	return d.path(condition.Number).Path
}

// full draws a value for every name.
func full(t *rapid.T) condition.Frame {
	f := make(condition.Frame, len(names))
	for i, n := range names {
		switch n.Kind {
		case condition.Flag:
			f[i] = float64(rapid.IntRange(0, 1).Draw(t, n.Path))
		case condition.Choice:
			f[i] = float64(rapid.IntRange(0, len(n.Values)-1).Draw(t, n.Path))
		case condition.Date:
			f[i] = float64(rapid.IntRange(0, 3000).Draw(t, n.Path))
		case condition.Text:
			f[i] = 1
		default:
			f[i] = float64(rapid.IntRange(-40, 40).Draw(t, n.Path)) / 4
		}
	}
	return f
}

// draw draws a condition that is not too long, with its compiled form.
func draw(t *rapid.T, d drawn) *condition.Condition {
	d.t = t
	source := d.truth(rapid.IntRange(0, 4).Draw(t, "depth"))
	c, err := env.Compile(source, "")
	if err != nil {
		if len(source) > condition.MaxLength || strings.Contains(err.Error(), "nodes") {
			t.Skip("too long")
		}
		t.Fatalf("%s: %v", source, err)
	}
	return c
}

var inCEL = func() *cel.Env {
	opts := []cel.EnvOption{
		cel.CrossTypeNumericComparisons(true),
		cel.Function("years_since", cel.Overload("years_since", []*cel.Type{cel.TimestampType}, cel.DoubleType,
			cel.UnaryBinding(func(v ref.Val) ref.Val {
				then := dayOf(v.(types.Timestamp).Time)
				return types.Double(then.YearsTo(celAsOf))
			}))),
		cel.Function("least", cel.Overload("least", []*cel.Type{cel.DoubleType, cel.DoubleType}, cel.DoubleType,
			cel.BinaryBinding(func(a, b ref.Val) ref.Val {
				return types.Double(math.Min(float64(a.(types.Double)), float64(b.(types.Double))))
			}))),
		cel.Function("greatest", cel.Overload("greatest", []*cel.Type{cel.DoubleType, cel.DoubleType}, cel.DoubleType,
			cel.BinaryBinding(func(a, b ref.Val) ref.Val {
				return types.Double(math.Max(float64(a.(types.Double)), float64(b.(types.Double))))
			}))),
		// CEL knows everything that it is given.
		cel.Function("first_known", cel.Overload("first_known", []*cel.Type{cel.DoubleType, cel.DoubleType}, cel.DoubleType,
			cel.BinaryBinding(func(a, _ ref.Val) ref.Val { return a }))),
	}
	for _, n := range names {
		kind := map[condition.Kind]*cel.Type{condition.Flag: cel.BoolType, condition.Number: cel.DoubleType, condition.Choice: cel.StringType, condition.Text: cel.StringType, condition.Date: cel.TimestampType}[n.Kind]
		opts = append(opts, cel.Variable(n.Path, kind))
	}
	e, err := cel.NewEnv(opts...)
	if err != nil {
		panic(err)
	}
	return e
}()

// celAsOf is the day that cel-go's interpreter counts years_since to: the second as_of of a test.
var celAsOf calendar.Day

func dayOf(t time.Time) calendar.Day { return calendar.DayOf(t.Year(), t.Month(), t.Day()) }

func TestKnownValuesGiveWhatCELGives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := draw(t, drawn{asks: true, falls: true})
		f := full(t)
		checked, issues := inCEL.Compile(c.Source())
		if issues.Err() != nil {
			t.Fatalf("%s: CEL: %v", c.Source(), issues.Err())
		}
		program, err := inCEL.Program(checked)
		if err != nil {
			t.Fatal(err)
		}
		bound := map[string]any{}
		for i, n := range names {
			switch n.Kind {
			case condition.Flag:
				bound[n.Path] = f[i] != 0
			case condition.Number:
				bound[n.Path] = f[i]
			case condition.Choice:
				bound[n.Path] = n.Values[int(f[i])]
			case condition.Text:
				bound[n.Path] = "said"
			case condition.Date:
				bound[n.Path] = time.Unix(int64(f[i])*86400, 0).UTC()
			}
		}
		celAsOf = calendar.Day(f[0])
		out, _, err := program.Eval(bound)
		if err != nil {
			t.Fatalf("%s: CEL: %v", c.Source(), err)
		}
		want := condition.False
		if out == types.True {
			want = condition.True
		}
		if got := c.Holds(f); got != want {
			t.Fatalf("%s is %s, CEL says %v; with %v", c.Source(), truths[got], out, bound)
		}
	})
}

// What is decided although something is not known stays so whatever it turns out to be.
func TestKnowingMoreNeverChangesWhatWasDecided(t *testing.T) {
	decided, undecided := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		c := draw(t, drawn{divides: true})
		some := full(t)
		for i := range some {
			if rapid.Bool().Draw(t, "unset") {
				some[i] = condition.Unset
			}
		}
		before := c.Holds(some)
		if before == condition.Unknown {
			undecided++
			return
		}
		decided++
		for range 8 {
			more := full(t)
			for i := range more {
				if some.Known(i) {
					more[i] = some[i]
				} else if rapid.IntRange(0, 4).Draw(t, "still unset") == 0 {
					more[i] = condition.Unset
				}
			}
			if after := c.Holds(more); after != before {
				t.Fatalf("%s is %s with %v, but %s with %v", c.Source(), truths[before], some, truths[after], more)
			}
		}
	})
	if decided == 0 || undecided == 0 {
		t.Errorf("%d were decided, %d were not: nothing was tried", decided, undecided)
	}
}

// What falls back is as good as what it falls back on, and as what it does not.
func TestTheFirstKnownIsOneOfTheTwo(t *testing.T) {
	first, second, neither := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		d := drawn{t: t, divides: true, falls: true}
		a, b := d.number(2), d.number(2)
		var formulas []*condition.Formula
		for _, source := range []string{a, b, fmt.Sprintf("first_known(%s, %s)", a, b)} {
			f, err := env.CompileFormula(source, "")
			if err != nil {
				if len(source) > condition.MaxLength || strings.Contains(err.Error(), "nodes") {
					t.Skip("too long")
				}
				t.Fatalf("%s: %v", source, err)
			}
			formulas = append(formulas, f)
		}
		some := full(t)
		for i := range some {
			if rapid.Bool().Draw(t, "unset") {
				some[i] = condition.Unset
			}
		}
		want := formulas[0].Value(some)
		switch {
		case !math.IsNaN(want):
			first++
		case math.IsNaN(formulas[1].Value(some)):
			neither++
		default:
			want = formulas[1].Value(some)
			second++
		}
		if got := formulas[2].Value(some); got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Fatalf("%s is %v, want %v, with %v", formulas[2].Source(), got, want, some)
		}
	})
	if first == 0 || second == 0 || neither == 0 {
		t.Errorf("the first was known %d times, the second %d times, neither %d times: nothing was tried", first, second, neither)
	}
}

func TestAListIsAChainOfOrs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := drawn{t: t}.path(condition.Choice)
		words := rapid.SliceOfN(rapid.SampledFrom(append(slices.Clone(n.Values), "unknown")), 1, 4).Draw(t, "words")
		var quoted, equal []string
		for _, w := range words {
			quoted = append(quoted, strconv.Quote(w))
			equal = append(equal, n.Path+" == "+strconv.Quote(w))
		}
		list, err := env.Compile(n.Path+" in ["+strings.Join(quoted, ", ")+"]", "")
		if err != nil {
			t.Fatal(err)
		}
		chain, err := env.Compile(strings.Join(equal, " || "), "")
		if err != nil {
			t.Fatal(err)
		}
		f := full(t)
		if rapid.Bool().Draw(t, "unset") {
			f[n.Slot] = condition.Unset
		}
		if a, b := list.Holds(f), chain.Holds(f); a != b {
			t.Fatalf("%s is %s, %s is %s, at %v", list.Source(), truths[a], chain.Source(), truths[b], f[n.Slot])
		}
	})
}

func FuzzCompile(f *testing.F) {
	for _, seed := range []string{
		"", "true", `found.leak in ["drip", "run"] && age > 5`, "years_since(found.renewed) < 2.0", `interference != "unknown" ? turbocharged : !hybrid`,
		"least(cylinders, 3) * -odometer / 0 >= 1e-300", "[1].all(x, x > 0)", "has(found.leak)", "google.protobuf.Int64Value{value: 1} == 1", "dyn(1)", `"\x00" == found.record`,
		"((((((((((((((((((((((((((((((((((((((((true", "!!!!!!!!!hybrid", "a.b.c.d.e.f", "// nothing", "turbocharged\n&&\nwheels", "{1:2}[1]", "-9223372036854775808 < cylinders", "`x`", "cylinders > 1u",
	} {
		f.Add(seed, "battery")
	}
	f.Add("found.grade == \"unknown\"", "fuel")
	f.Fuzz(func(t *testing.T, source, item string) {
		c, err := env.Compile(source, item)
		again, errAgain := env.Compile(source, item)
		if (err == nil) != (errAgain == nil) || err != nil && err.Error() != errAgain.Error() {
			t.Fatalf("%v, then %v", err, errAgain)
		}
		if _, err := env.CompileFormula(source, item); err == nil && c != nil {
			t.Fatal("both a condition and a number")
		}
		if err != nil {
			for _, f := range err.(condition.Faults) {
				if f.Line < 1 || f.Column < 1 || f.Text == "" {
					t.Fatalf("fault %+v", f)
				}
			}
			return
		}
		if !slices.Equal(c.Reads(), again.Reads()) || !slices.IsSorted(c.Reads()) {
			t.Fatalf("reads %v, then %v", c.Reads(), again.Reads())
		}
		unset := make(condition.Frame, len(names))
		zero := make(condition.Frame, len(names))
		for i := range unset {
			unset[i] = condition.Unset
		}
		for _, f := range []condition.Frame{unset, zero} {
			if c.Holds(f) != again.Holds(f) {
				t.Fatal("two answers")
			}
		}
		// What is not read does not count.
		for i := range unset {
			if !slices.Contains(c.Reads(), i) {
				unset[i] = 1
			}
		}
		blank := make(condition.Frame, len(names))
		for i := range blank {
			blank[i] = condition.Unset
		}
		if c.Holds(unset) != c.Holds(blank) {
			t.Fatal("it reads more than it says")
		}
	})
}

var benchmarked = []string{
	"found.fraying",
	`found.leak in ["drip", "run"] && (age > 5 || years_since(found.renewed) > 5.0)`,
	`interference != "no" && (turbocharged || cylinders >= 6 && least(odometer / 1000, 300) > 150)`,
}

func BenchmarkHolds(b *testing.B) {
	for _, source := range benchmarked {
		c, err := env.Compile(source, "battery")
		if err != nil {
			b.Fatal(err)
		}
		f := frame(b, values{"found.fraying": true, "found.leak": "run", "age": 3, "found.renewed": "2020-01-01", "as_of": "2026-05-02", "interference": "yes", "turbocharged": false, "cylinders": 6, "odometer": 210000})
		b.Run(source, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if c.Holds(f) != condition.True {
					b.Fatal("does not hold")
				}
			}
		})
	}
}

func BenchmarkCompile(b *testing.B) {
	for _, source := range benchmarked {
		b.Run(source, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := env.Compile(source, "battery"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
