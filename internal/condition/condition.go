// Package condition compiles the conditions of catalogues and rule sets. They are written in CEL,
// the Common Expression Language (an open specification, cel.dev), parsed and type-checked by
// cel-go against the names that may be read, and then turned into closures over a [Frame].
//
// The part of the language in use is closed: literals, declared names, comparison, arithmetic,
// the logical operators, the conditional operator, "in" over a list of literals, and the functions
// of [Functions]. There are no loops, so that the cost of a condition is the number of its nodes,
// and that is limited when it is compiled.
//
// Two things differ from plain CEL evaluation, both for safety's sake. A value that is not known
// makes what depends on it [Unknown] (Kleene's three-valued logic) rather than an error or a
// zero; comparing a choice with "unknown" asks whether it is known. And whole numbers are read as
// floating-point numbers, since everything in a catalogue is a measurement or a count.
//
// The package is pure.
package condition

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"laidup/internal/calendar"
	"laidup/internal/spelling"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
)

// Frame holds one value for every declared name, at its slot. NaN is a value not known. Flags
// are 0 or 1, choices the position in their list of values, dates days since 1970-01-01.
type Frame []float64

// Known reports whether the value at a slot is known.
func (f Frame) Known(slot int) bool { return f[slot] == f[slot] }

// Unset is the value of a name that is not known.
var Unset = math.NaN()

// Kind is the kind of value behind a name.
type Kind uint8

// The kinds of value.
const (
	Flag   Kind = iota + 1 // true or false
	Number                 // a measurement in its catalogue unit, or a count
	Choice                 // one of a list of words
	Date                   // a calendar date
	Text                   // free text: a condition can only ask whether it is empty
)

// Name is something that a condition may read.
type Name struct {
	Path   string // as written in a condition
	Kind   Kind
	Values []string // of a choice
	Slot   int      // where its value stands in a frame
}

// Truth is what becomes of a condition.
type Truth uint8

// The truth values. The zero value is False.
const (
	False Truth = iota
	True
	Unknown // depends on something that is not known
)

// Limits of one condition.
const (
	MaxLength = 1000 // bytes of source
	MaxNodes  = 200  // nodes of its syntax tree: literals, names, operators
	maxDepth  = 40
)

// Fault is one thing wrong with a condition. Line and Column count from 1.
type Fault struct {
	Line, Column int
	Text         string
}

// Faults is what Compile returns for a condition that cannot be used: everything that is wrong
// with it.
type Faults []Fault

// Error puts all faults in one text.
func (f Faults) Error() string {
	var s []string
	for _, x := range f {
		s = append(s, x.Text)
	}
	return strings.Join(s, "; ")
}

// Env is a set of names that conditions may read. It is safe for concurrent use.
type Env struct {
	cel   func() *cel.Env // made when something has to be parsed
	names map[string]Name
	asOf  int
	trees *Trees
}

// NewEnv declares names; what is in trees need not be parsed. One of the names may be a Date called "as_of",
// to which years_since counts. It panics on a name declared twice: names come from a catalogue that has been
// checked.
func NewEnv(names []Name, trees *Trees) *Env {
	e := &Env{names: make(map[string]Name, len(names)), asOf: -1, trees: trees}
	opts := []cel.EnvOption{
		cel.StdLib(), cel.ClearMacros(), cel.CrossTypeNumericComparisons(true),
		cel.ParserRecursionLimit(maxDepth), cel.ParserExpressionSizeLimit(MaxLength),
	}
	for _, n := range names {
		if _, dup := e.names[n.Path]; dup {
			panic("condition: " + n.Path + " declared twice")
		}
		e.names[n.Path] = n
		if n.Path == "as_of" {
			e.asOf = n.Slot
		}
		opts = append(opts, cel.Variable(n.Path, celType(n.Kind)))
	}
	for _, f := range functions {
		opts = append(opts, f.declare())
	}
	e.cel = sync.OnceValue(func() *cel.Env {
		env, err := cel.NewCustomEnv(opts...)
		if err != nil {
			panic("condition: " + err.Error())
		}
		return env
	})
	return e
}

func celType(k Kind) *cel.Type {
	switch k {
	case Flag:
		return cel.BoolType
	case Number:
		return cel.DoubleType
	case Date:
		return cel.TimestampType
	}
	return cel.StringType
}

// Names returns the paths declared, sorted.
func (e *Env) Names() []string {
	paths := make([]string, 0, len(e.names))
	for p := range e.names {
		paths = append(paths, p)
	}
	slices.Sort(paths)
	return paths
}

// Name finds a declared name by its path, in the short forms that [Env.Compile] understands.
func (e *Env) Name(path, item string) (Name, bool) {
	if item != "" {
		if rest, ok := strings.CutPrefix(path, "found."); ok {
			path = "other." + item + "." + rest
		} else if path == "age" {
			path = "other." + item + ".age"
		}
	}
	n, ok := e.names[path]
	return n, ok
}

// Condition is a compiled condition. It is safe for concurrent use.
type Condition struct {
	source string
	reads  []int
	nodes  int
	eval   truthFunc
}

// Source returns the condition as it was written.
func (c *Condition) Source() string { return c.source }

// Reads returns the slots that the condition reads, sorted, each once.
func (c *Condition) Reads() []int { return c.reads }

// Nodes returns what the condition costs: the nodes of its syntax tree.
func (c *Condition) Nodes() int { return c.nodes }

// Holds evaluates the condition.
func (c *Condition) Holds(f Frame) Truth { return c.eval(f) }

// Formula is a compiled expression that yields a number. It is safe for concurrent use.
type Formula struct {
	source string
	reads  []int
	nodes  int
	eval   numberFunc
}

// Source returns the formula as it was written.
func (n *Formula) Source() string { return n.source }

// Reads returns the slots that the formula reads, sorted, each once.
func (n *Formula) Reads() []int { return n.reads }

// Nodes returns what the formula costs: the nodes of its syntax tree.
func (n *Formula) Nodes() int { return n.nodes }

// Value evaluates the formula; NaN where it depends on something not known, or is not a number.
func (n *Formula) Value(f Frame) float64 { return n.eval(f) }

// Compile compiles a condition. Where item is given, "found.x" stands for "other.<item>.x" and
// "age" for "other.<item>.age". The error is a [Faults].
func (e *Env) Compile(source, item string) (*Condition, error) {
	c, checked, err := e.check(source, item, cel.BoolType)
	if err != nil {
		return nil, err
	}
	eval := c.truth(checked)
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	e.trees.keep(source, item, checked, c.nodes)
	return &Condition{source: source, reads: c.slots(), nodes: c.nodes, eval: eval}, nil
}

// CompileFormula compiles an expression that yields a number, as [Env.Compile] does a condition.
func (e *Env) CompileFormula(source, item string) (*Formula, error) {
	c, checked, err := e.check(source, item, cel.DoubleType)
	if err != nil {
		return nil, err
	}
	eval := c.number(checked)
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	e.trees.keep(source, item, checked, c.nodes)
	return &Formula{source: source, reads: c.slots(), nodes: c.nodes, eval: eval}, nil
}

// check parses, shortens and type-checks a source, unless that was done before.
func (e *Env) check(source, item string, want *cel.Type) (*compiler, ast.Expr, error) {
	if tree, nodes, err := e.trees.find(source, item); tree != nil || err != nil {
		return &compiler{env: e, item: item, nodes: nodes, reads: map[int]bool{}}, tree, err
	}
	if len(source) > MaxLength {
		return nil, nil, Faults{{1, 1, fmt.Sprintf("is %d bytes long: %d is the limit", len(source), MaxLength)}}
	}
	parsed, issues := e.cel().Parse(source)
	if issues.Err() != nil {
		return nil, nil, faultsOf(issues)
	}
	rep := parsed.NativeRep()
	nodes := ast.NodeCount(rep)
	if nodes > MaxNodes {
		return nil, nil, Faults{{1, 1, fmt.Sprintf("costs %d nodes: %d is the limit", nodes, MaxNodes)}}
	}
	c := &compiler{env: e, item: item, rep: rep, nodes: nodes, reads: map[int]bool{}, starts: map[int64]common.Location{}}
	c.prepare()
	if len(c.faults) > 0 {
		return nil, nil, c.faults
	}
	checked, issues := e.cel().Check(parsed)
	if issues.Err() != nil {
		return nil, nil, faultsOf(issues)
	}
	if got := checked.OutputType(); !got.IsExactType(want) {
		return nil, nil, Faults{{1, 1, fmt.Sprintf("gives a %s where a %s is wanted", typeName(got), typeName(want))}}
	}
	c.rep = checked.NativeRep()
	return c, c.rep.Expr(), nil
}

func typeName(t *cel.Type) string {
	switch t.String() {
	case "bool":
		return "condition (true or false)"
	case "double", "int":
		return "number"
	case "string":
		return "word"
	}
	return t.String()
}

func faultsOf(issues *cel.Issues) Faults {
	var f Faults
	for _, x := range issues.Errors() {
		// Some faults have no place of their own: they are at the start.
		f = append(f, Fault{max(1, x.Location.Line()), max(1, x.Location.Column()+1), strings.TrimSpace(x.Message)})
	}
	return f
}

type (
	truthFunc  func(Frame) Truth
	numberFunc func(Frame) float64
)

// compiler turns one checked syntax tree into closures.
type compiler struct {
	env    *Env
	item   string
	rep    *ast.AST // nil: its tree was kept
	nodes  int
	reads  map[int]bool
	starts map[int64]common.Location // where a name begins: CEL places it at its last dot
	faults Faults
}

func (c *compiler) slots() []int {
	s := make([]int, 0, len(c.reads))
	for slot := range c.reads {
		s = append(s, slot)
	}
	slices.Sort(s)
	return s
}

func (c *compiler) fault(e ast.Expr, format string, args ...any) {
	at, ok := c.starts[e.ID()]
	if !ok && c.rep == nil {
		at = common.NewLocation(1, 0) // a tree that was kept: nothing is wrong with it where it came from
	} else if !ok {
		at = c.rep.SourceInfo().GetStartLocation(e.ID())
	}
	c.faults = append(c.faults, Fault{at.Line(), at.Column() + 1, fmt.Sprintf(format, args...)})
}

// prepare rewrites the parsed tree: whole numbers become floating-point ones, found.x and age are
// spelt out, and names that do not exist are reported with what does.
func (c *compiler) prepare() {
	factory := ast.NewExprFactory()
	id := ast.MaxID(c.rep)
	fresh := func() int64 { id++; return id }
	var walk func(e ast.Expr)
	walk = func(e ast.Expr) {
		switch e.Kind() {
		case ast.LiteralKind:
			if i, ok := e.AsLiteral().(types.Int); ok {
				e.SetKindCase(factory.NewLiteral(e.ID(), types.Double(i)))
			}
		case ast.IdentKind, ast.SelectKind:
			path, ok := pathOf(e)
			c.starts[e.ID()] = c.rep.SourceInfo().GetStartLocation(firstOf(e).ID())
			if !ok {
				c.fault(e, "only names from the catalogue can be read here")
				return
			}
			n, ok := c.env.Name(path, c.item)
			if !ok {
				c.fault(e, "reads %q, which is not declared%s", path, c.nearest(path))
				return
			}
			// Every node of a tree needs an id of its own; the whole keeps the place it was written at.
			names := strings.Split(n.Path, ".")
			full := factory.NewIdent(fresh(), names[0])
			for _, field := range names[1:] {
				full = factory.NewSelect(fresh(), full, field)
			}
			e.SetKindCase(full)
		case ast.CallKind:
			call := e.AsCall()
			if call.IsMemberFunction() {
				c.fault(e, "%s is not a function that conditions have", call.FunctionName())
				return
			}
			for _, a := range call.Args() {
				walk(a)
			}
		case ast.ListKind:
			for _, a := range e.AsList().Elements() {
				walk(a)
			}
		}
	}
	walk(c.rep.Expr())
}

func pathOf(e ast.Expr) (string, bool) {
	switch e.Kind() {
	case ast.IdentKind:
		return e.AsIdent(), true
	case ast.SelectKind:
		s := e.AsSelect()
		if s.IsTestOnly() {
			return "", false
		}
		p, ok := pathOf(s.Operand())
		return p + "." + s.FieldName(), ok
	}
	return "", false
}

// firstOf returns what a selection of fields begins with.
func firstOf(e ast.Expr) ast.Expr {
	for e.Kind() == ast.SelectKind {
		e = e.AsSelect().Operand()
	}
	return e
}

// nearest suggests the declared name that differs least from a path.
func (c *compiler) nearest(path string) string {
	best := spelling.Nearest(path, func(yield func(string) bool) {
		for p := range c.env.names {
			if rest, ok := strings.CutPrefix(p, "other."+c.item+"."); ok && c.item != "" {
				p = "found." + rest
				if rest == "age" && !strings.HasPrefix(path, "found.") {
					p = "age"
				}
			}
			if !yield(p) {
				return
			}
		}
	})
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

// name returns the declared name that an expression reads.
func (c *compiler) name(e ast.Expr) (Name, bool) {
	if k := e.Kind(); k != ast.IdentKind && k != ast.SelectKind {
		return Name{}, false
	}
	path, _ := pathOf(e)
	n, ok := c.env.names[path]
	if ok {
		c.reads[n.Slot] = true
	}
	return n, ok
}

func (c *compiler) truth(e ast.Expr) truthFunc {
	never := func(Frame) Truth { return False }
	switch e.Kind() {
	case ast.LiteralKind:
		if b, ok := e.AsLiteral().(types.Bool); ok {
			t := truthOf(bool(b))
			return func(Frame) Truth { return t }
		}
	case ast.IdentKind, ast.SelectKind:
		if n, ok := c.name(e); ok && n.Kind == Flag {
			slot := n.Slot
			return func(f Frame) Truth {
				switch v := f[slot]; {
				case v != v:
					return Unknown
				case v != 0:
					return True
				}
				return False
			}
		}
	case ast.CallKind:
		call := e.AsCall()
		args := call.Args()
		switch call.FunctionName() {
		case operators.LogicalNot:
			x := c.truth(args[0])
			return func(f Frame) Truth { return not(x(f)) }
		case operators.LogicalAnd:
			x, y := c.truth(args[0]), c.truth(args[1])
			return func(f Frame) Truth {
				a := x(f)
				if a == False {
					return False
				}
				return and(a, y(f))
			}
		case operators.LogicalOr:
			x, y := c.truth(args[0]), c.truth(args[1])
			return func(f Frame) Truth {
				a := x(f)
				if a == True {
					return True
				}
				return not(and(not(a), not(y(f))))
			}
		case operators.Conditional:
			cond, x, y := c.truth(args[0]), c.truth(args[1]), c.truth(args[2])
			return func(f Frame) Truth {
				switch cond(f) {
				case True:
					return x(f)
				case False:
					return y(f)
				}
				if a := x(f); a == y(f) {
					return a
				}
				return Unknown
			}
		case operators.Equals:
			return c.equal(e, args[0], args[1])
		case operators.NotEquals:
			eq := c.equal(e, args[0], args[1])
			return func(f Frame) Truth { return not(eq(f)) }
		case operators.In:
			return c.in(e, args[0], args[1])
		case operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals:
			x, y := c.ordered(args[0]), c.ordered(args[1])
			return compare(call.FunctionName(), x, y)
		}
	}
	c.fault(e, "is not something that conditions have: use comparisons, &&, ||, ! and in")
	return never
}

func truthOf(b bool) Truth {
	if b {
		return True
	}
	return False
}

func not(t Truth) Truth {
	switch t {
	case True:
		return False
	case False:
		return True
	}
	return Unknown
}

func and(a, b Truth) Truth {
	switch {
	case a == False || b == False:
		return False
	case a == True && b == True:
		return True
	}
	return Unknown
}

func compare(op string, x, y numberFunc) truthFunc {
	var holds func(a, b float64) bool
	switch op {
	case operators.Less:
		holds = func(a, b float64) bool { return a < b }
	case operators.LessEquals:
		holds = func(a, b float64) bool { return a <= b }
	case operators.Greater:
		holds = func(a, b float64) bool { return a > b }
	case operators.GreaterEquals:
		holds = func(a, b float64) bool { return a >= b }
	default:
		holds = func(a, b float64) bool { return a == b }
	}
	return func(f Frame) Truth {
		a, b := x(f), y(f)
		if a != a || b != b {
			return Unknown
		}
		return truthOf(holds(a, b))
	}
}

// ordered compiles an operand of an ordering: a number or a date.
func (c *compiler) ordered(e ast.Expr) numberFunc {
	if n, ok := c.name(e); ok {
		if n.Kind == Number || n.Kind == Date {
			return slotValue(n.Slot)
		}
		c.fault(e, "%s is not a number: compare it with == or in", n.Path)
		return unset
	}
	return c.number(e)
}

func slotValue(slot int) numberFunc { return func(f Frame) float64 { return f[slot] } }

func unset(Frame) float64 { return Unset }

// equal compiles x == y.
func (c *compiler) equal(e, x, y ast.Expr) truthFunc {
	if x.Kind() == ast.LiteralKind {
		x, y = y, x
	}
	n, named := c.name(x)
	if named && (n.Kind == Choice || n.Kind == Text) {
		return c.in(e, x, ast.NewExprFactory().NewList(e.ID(), []ast.Expr{y}, nil))
	}
	if c.isTruth(x) {
		a, b := c.truth(x), c.truth(y)
		return func(f Frame) Truth {
			s, t := a(f), b(f)
			if s == Unknown || t == Unknown {
				return Unknown
			}
			return truthOf(s == t)
		}
	}
	return compare(operators.Equals, c.ordered(x), c.ordered(y))
}

// isTruth reports whether an expression is something that is true or false.
func (c *compiler) isTruth(e ast.Expr) bool {
	switch e.Kind() {
	case ast.IdentKind, ast.SelectKind:
		path, _ := pathOf(e)
		return c.env.names[path].Kind == Flag
	case ast.LiteralKind:
		_, ok := e.AsLiteral().(types.Bool)
		return ok
	case ast.CallKind:
		switch e.AsCall().FunctionName() {
		case operators.LogicalNot, operators.LogicalAnd, operators.LogicalOr, operators.Equals, operators.NotEquals,
			operators.In, operators.Less, operators.LessEquals, operators.Greater, operators.GreaterEquals:
			return true
		case operators.Conditional:
			return c.isTruth(e.AsCall().Args()[1])
		}
	}
	return false
}

// in compiles x in [literals], and the comparison of a choice or text with one literal.
func (c *compiler) in(e, x, list ast.Expr) truthFunc {
	never := func(Frame) Truth { return False }
	if list.Kind() != ast.ListKind {
		c.fault(list, `"in" needs a list of literals`)
		return never
	}
	n, named := c.name(x)
	if !named || n.Kind == Flag || n.Kind == Date {
		c.fault(x, `only a choice or a number can be looked for in a list`)
		return never
	}
	slot := n.Slot
	if n.Kind == Number {
		var values []float64
		for _, v := range list.AsList().Elements() {
			d, ok := literal(v).(types.Double)
			if !ok {
				c.fault(v, "%s is a number: list numbers", n.Path)
				return never
			}
			values = append(values, float64(d))
		}
		return func(f Frame) Truth {
			if v := f[slot]; v == v {
				return truthOf(slices.Contains(values, v))
			}
			return Unknown
		}
	}
	wanted, unknown := make([]bool, len(n.Values)), false
	for _, v := range list.AsList().Elements() {
		s, ok := literal(v).(types.String)
		i := slices.Index(n.Values, string(s))
		switch {
		case ok && n.Kind == Text && s == "":
			// a text that was reported is never empty
		case ok && n.Kind == Text:
			c.fault(v, `%s is free text: only %s == "" or != "" can be asked`, n.Path, n.Path)
		case ok && i >= 0:
			wanted[i] = true
		case ok && s == "unknown":
			unknown = true
		case ok:
			c.fault(v, "%s is never %q: it is one of %s", n.Path, string(s), strings.Join(n.Values, ", "))
		default:
			c.fault(v, "%s can only be compared with words in quotes", n.Path)
		}
	}
	if n.Kind == Text {
		return func(f Frame) Truth {
			if v := f[slot]; v == v {
				return False
			}
			return Unknown
		}
	}
	return func(f Frame) Truth {
		v := f[slot]
		switch {
		case v == v:
			return truthOf(wanted[int(v)])
		case unknown:
			return True
		}
		return Unknown
	}
}

func literal(e ast.Expr) any {
	if e.Kind() != ast.LiteralKind {
		return nil
	}
	return e.AsLiteral()
}

// number compiles an expression that yields a number.
func (c *compiler) number(e ast.Expr) numberFunc {
	switch e.Kind() {
	case ast.LiteralKind:
		if d, ok := e.AsLiteral().(types.Double); ok {
			v := float64(d)
			return func(Frame) float64 { return v }
		}
	case ast.IdentKind, ast.SelectKind:
		if n, ok := c.name(e); ok && n.Kind == Number {
			return slotValue(n.Slot)
		}
	case ast.CallKind:
		call := e.AsCall()
		args := call.Args()
		op := call.FunctionName()
		switch op {
		case operators.Negate:
			x := c.number(args[0])
			return func(f Frame) float64 { return -x(f) }
		case operators.Add, operators.Subtract, operators.Multiply, operators.Divide:
			x, y := c.number(args[0]), c.number(args[1])
			switch op {
			case operators.Add:
				return func(f Frame) float64 { return x(f) + y(f) }
			case operators.Subtract:
				return func(f Frame) float64 { return x(f) - y(f) }
			case operators.Multiply:
				return func(f Frame) float64 { return float64(x(f) * y(f)) }
			}
			return func(f Frame) float64 {
				// What is divided by nothing is not known.
				if q := x(f) / y(f); !math.IsInf(q, 0) {
					return q
				}
				return Unset
			}
		case operators.Conditional:
			cond, x, y := c.truth(args[0]), c.number(args[1]), c.number(args[2])
			return func(f Frame) float64 {
				switch cond(f) {
				case True:
					return x(f)
				case False:
					return y(f)
				}
				return Unset
			}
		}
		if fn, ok := functionNamed(op); ok {
			return fn.compile(c, e, args)
		}
	}
	c.fault(e, "is not something that conditions have: use numbers, + - * / and the functions %s", strings.Join(FunctionNames(), ", "))
	return unset
}

// yearsSince compiles years_since(date): the years from a date to as_of.
func yearsSince(c *compiler, e ast.Expr, args []ast.Expr) numberFunc {
	n, ok := c.name(args[0])
	if !ok || n.Kind != Date || c.env.asOf < 0 {
		c.fault(e, "years_since needs the name of a date")
		return unset
	}
	slot, asOf := n.Slot, c.env.asOf
	c.reads[asOf] = true
	return func(f Frame) float64 {
		if !f.Known(slot) || !f.Known(asOf) {
			return Unset
		}
		return calendar.Day(f[slot]).YearsTo(calendar.Day(f[asOf]))
	}
}

// yearOf compiles year_of(date): the calendar year of a date, of one known to the year its own.
func yearOf(c *compiler, e ast.Expr, args []ast.Expr) numberFunc {
	n, ok := c.name(args[0])
	if !ok || n.Kind != Date {
		c.fault(e, "year_of needs the name of a date")
		return unset
	}
	slot := n.Slot
	return func(f Frame) float64 {
		if !f.Known(slot) {
			return Unset
		}
		return float64(calendar.Day(f[slot]).Year())
	}
}
