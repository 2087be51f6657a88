package condition

import (
	"laidup/internal/handbook"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
)

// function is one function that conditions can call. A new one is one entry in functions.
type function struct {
	name    string
	params  []*cel.Type
	numbers func(args []float64) float64       // for functions of numbers that are all known
	lazy    func(args []numberFunc) numberFunc // for those that do without some
	special func(c *compiler, e ast.Expr, args []ast.Expr) numberFunc
}

var functions = []function{
	{name: "years_since", params: []*cel.Type{cel.TimestampType}, special: yearsSince},
	{name: "year_of", params: []*cel.Type{cel.TimestampType}, special: yearOf},
	{name: "least", params: []*cel.Type{cel.DoubleType, cel.DoubleType}, numbers: func(a []float64) float64 { return min(a[0], a[1]) }},
	{name: "greatest", params: []*cel.Type{cel.DoubleType, cel.DoubleType}, numbers: func(a []float64) float64 { return max(a[0], a[1]) }},
	{name: "first_known", params: []*cel.Type{cel.DoubleType, cel.DoubleType}, lazy: firstKnown},

	// What the trade reads off a table: see package handbook for units and sources.
	{name: "state_of_charge", params: []*cel.Type{cel.DoubleType, cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.StateOfCharge(a[0], a[1]) }},
	{name: "steering_play_limit", params: []*cel.Type{cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.SteeringPlayLimit(a[0]) }},
	{name: "r12_gauge_pressure", params: []*cel.Type{cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.GaugePressure(handbook.SaturationPressureR12(a[0])) }},
	{name: "r134a_gauge_pressure", params: []*cel.Type{cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.GaugePressure(handbook.SaturationPressureR134a(a[0])) }},
	{name: "glycol_freezing_point", params: []*cel.Type{cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.GlycolFreezingPoint(a[0]) }},
	{name: "dot3_boiling_point", params: []*cel.Type{cel.DoubleType}, numbers: func(a []float64) float64 { return handbook.DOT3BoilingPoint(a[0]) }},
}

// FunctionNames lists the functions that conditions can call.
func FunctionNames() []string {
	var names []string
	for _, f := range functions {
		names = append(names, f.name)
	}
	return names
}

func functionNamed(name string) (function, bool) {
	for _, f := range functions {
		if f.name == name {
			return f, true
		}
	}
	return function{}, false
}

func (fn function) declare() cel.EnvOption {
	return cel.Function(fn.name, cel.Overload(fn.name, fn.params, cel.DoubleType))
}

// firstKnown compiles first_known(a, b): the maker's figure, say, or else the general one.
func firstKnown(args []numberFunc) numberFunc {
	a, b := args[0], args[1]
	return func(f Frame) float64 {
		if v := a(f); v == v {
			return v
		}
		return b(f)
	}
}

func (fn function) compile(c *compiler, e ast.Expr, args []ast.Expr) numberFunc {
	if fn.special != nil {
		return fn.special(c, e, args)
	}
	compiled := make([]numberFunc, len(args))
	for i, a := range args {
		compiled[i] = c.number(a)
	}
	if fn.lazy != nil {
		return fn.lazy(compiled)
	}
	apply := fn.numbers
	return func(f Frame) float64 {
		var buffer [4]float64
		values := buffer[:0]
		for _, a := range compiled {
			v := a(f)
			if v != v {
				return Unset
			}
			values = append(values, v)
		}
		return apply(values)
	}
}
