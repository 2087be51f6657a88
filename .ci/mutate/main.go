// Command mutate puts small bugs into the code, one at a time, and sees whether the fast tests notice.
//
// All mutants are compiled at once: each place that can be wrong asks by its number whether it is. A test
// binary is then run once for each mutant, which takes a fraction of a second.
//
//	go run ./.ci/mutate                       every mutant, once
//	go run ./.ci/mutate -again docs/mutation.md   those alone that survived before
//	go run ./.ci/mutate -changed main         those on lines changed since they parted from main, and the seeded
//	go run ./.ci/mutate -seed 60              choose the seeded mutants anew, among those killed
package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"hash/fnv"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// target is a package with the files in which mutants are made, and the fast tests that are to notice.
type target struct {
	folder string
	files  []string // none: all
	tests  string
}

var targets = []target{
	{"internal/report", []string{"dossier.go"}, "^(TestWhatStands|TestAges|TestWhatWas|TestFactsThat|TestAWorkspace|TestCredence|TestMisplaced|TestFactsOf|TestOrderOfEquals)"},
	{"internal/condition", nil, "^Test"},
	{"internal/score", nil, "^(TestBlocking|TestWorked|TestPublished|TestRisk|TestGarage|TestShed|TestRanking|TestChangesAre)"},
}

const (
	seededFile = ".ci/mutate/seeded.txt"
	// A mutant that runs on is noticed when it has used up this many times the processor time of the tests without any bug.
	// The clock on the wall decides nothing: on a busy machine it would kill what nobody noticed.
	patience = 20
	memory   = 4 << 30 // bytes of address space, for those that take ever more
	hung     = "20m"   // one that waits without working is a fault of the tests, not a bug that was noticed
)

// mutant is one small bug.
type mutant struct {
	id     int
	target int
	file   string
	line   int
	key    string // what stays the same when lines move: file, function, expression, bug
	seeded bool   // it is one of those that are always tried
}

type edit struct {
	at, order int
	del       int
	text      string
}

// maker makes the mutants of one file.
type maker struct {
	fset     *token.FileSet
	file     *ast.File
	path     string
	target   int
	src      []byte
	info     *types.Info
	pkg      *types.Package
	function string
	next     *int
	list     *[]*mutant
	seen     map[string]int
	edits    []edit
	order    int
}

func (m *maker) offset(p token.Pos) int { return m.fset.Position(p).Offset }

func (m *maker) text(n ast.Node) string {
	return string(m.src[m.offset(n.Pos()):m.offset(n.End())])
}

// before and after put text around a node: what is put around the outer one comes first and last.
func (m *maker) before(p token.Pos, s string) {
	m.order++
	m.edits = append(m.edits, edit{m.offset(p), m.order, 0, s})
}

func (m *maker) after(p token.Pos, s string) {
	m.order++
	m.edits = append(m.edits, edit{m.offset(p), -m.order, 0, s})
}

func (m *maker) replace(p token.Pos, n int, s string) {
	m.order++
	m.edits = append(m.edits, edit{m.offset(p), m.order, n, s})
}

// bugs numbers bugs at a node, and returns the number of the first.
func (m *maker) bugs(n ast.Node, bugs ...string) string {
	first := *m.next
	what := strings.Join(strings.Fields(m.text(n)), " ")
	if len(what) > 70 {
		what = what[:70] + "..."
	}
	for _, b := range bugs {
		key := fmt.Sprintf("%s | %s | %s | %s", m.path, m.function, what, b)
		if m.seen[key]++; m.seen[key] > 1 {
			key += fmt.Sprintf(" | %d", m.seen[key])
		}
		*m.list = append(*m.list, &mutant{id: *m.next, target: m.target, file: m.path, line: m.fset.Position(n.Pos()).Line, key: key})
		*m.next++
	}
	return strconv.Itoa(first)
}

func (m *maker) kind(e ast.Expr) (types.BasicInfo, bool) {
	tv, ok := m.info.Types[e]
	if !ok || tv.Value != nil || tv.Type == nil {
		return 0, false
	}
	b, ok := tv.Type.Underlying().(*types.Basic)
	if !ok {
		return 0, false
	}
	return b.Info(), true
}

func (m *maker) constant(e ast.Expr) bool { return m.info.Types[e].Value != nil }

func plain(e ast.Expr) bool {
	switch x := ast.Unparen(e).(type) {
	case *ast.BinaryExpr:
		return false
	case *ast.UnaryExpr:
		return x.Op != token.NOT
	}
	return true
}

// negate makes the opposite of a condition.
func (m *maker) negate(e ast.Expr) {
	if plain(e) && !m.constant(e) {
		id := m.bugs(e, "its opposite")
		m.before(e.Pos(), "mutNot("+id+", ")
		m.after(e.End(), ")")
	}
}

func (m *maker) visit(n ast.Node) bool {
	switch x := n.(type) {
	case *ast.GenDecl:
		return x.Tok == token.VAR
	case *ast.ArrayType:
		return false
	case *ast.KeyValueExpr:
		if _, ok := x.Key.(*ast.BasicLit); ok {
			ast.Inspect(x.Value, m.visit)
			return false
		}
	case *ast.FuncDecl:
		if x.Body == nil {
			return false
		}
		if m.function = x.Name.Name; x.Recv != nil {
			m.function = strings.Trim(m.text(x.Recv.List[0].Type), "*") + "." + x.Name.Name
		}
		m.body(x.Type, x.Body)
		ast.Inspect(x.Body, m.visit)
		return false
	case *ast.FuncLit:
		m.body(x.Type, x.Body)
		ast.Inspect(x.Body, m.visit)
		return false
	case *ast.IfStmt:
		m.negate(x.Cond)
	case *ast.ForStmt:
		if x.Cond != nil {
			m.negate(x.Cond)
		}
	case *ast.SwitchStmt:
		if x.Tag == nil {
			for _, c := range x.Body.List {
				for _, e := range c.(*ast.CaseClause).List {
					m.negate(e)
				}
			}
		}
	case *ast.BlockStmt:
		for _, s := range x.List {
			m.statement(s)
		}
	case *ast.CaseClause:
		for _, s := range x.Body {
			m.statement(s)
		}
	case *ast.ReturnStmt:
		for _, e := range x.Results {
			if k, ok := m.kind(e); ok && k&types.IsBoolean != 0 {
				m.negate(e)
			}
		}
	case *ast.UnaryExpr:
		if x.Op == token.NOT && !m.constant(x) {
			id := m.bugs(x, "not negated")
			m.before(x.Pos(), "mutNot("+id+", ")
			m.after(x.End(), ")")
		}
	case *ast.BinaryExpr:
		m.binary(x)
	case *ast.AssignStmt:
		if k, ok := m.kind(x.Rhs[0]); len(x.Lhs) == 1 && x.Tok == token.ADD_ASSIGN && (ok && k&types.IsNumeric != 0) {
			id := m.bugs(x, "subtracted")
			m.before(x.Rhs[0].Pos(), "mutNeg("+id+", ")
			m.after(x.Rhs[0].End(), ")")
		}
	case *ast.CallExpr:
		if m.text(x.Fun) == "math.Inf" {
			return false // a sign of 0 and of 1 is the same
		}
		m.extreme(x)
	case *ast.BasicLit:
		m.literal(x)
	}
	return true
}

// body lets a function end where a return was dropped.
func (m *maker) body(t *ast.FuncType, b *ast.BlockStmt) {
	if t.Results != nil {
		m.after(b.Rbrace, "; panic(\"no return\")\n")
	}
}

func (m *maker) statement(s ast.Stmt) {
	what := "left out"
	switch x := s.(type) {
	case *ast.ExprStmt, *ast.IncDecStmt:
	case *ast.AssignStmt:
		if x.Tok == token.DEFINE || m.text(x.Lhs[0]) == "_" {
			return
		}
	case *ast.BranchStmt:
		if x.Tok == token.FALLTHROUGH {
			return
		}
	case *ast.ReturnStmt:
		if m.outermost(x) {
			return
		}
	default:
		return
	}
	id := m.bugs(s, what)
	m.before(s.Pos(), "if mutOn("+id+") { ")
	m.after(s.End(), " }")
}

// outermost reports whether a return is the last statement of its function.
func (m *maker) outermost(r *ast.ReturnStmt) bool {
	found := false
	last := func(b *ast.BlockStmt) {
		found = found || b != nil && len(b.List) > 0 && b.List[len(b.List)-1] == ast.Stmt(r)
	}
	ast.Inspect(m.file, func(n ast.Node) bool {
		switch x := n.(type) {
		case *ast.FuncDecl:
			last(x.Body)
		case *ast.FuncLit:
			last(x.Body)
		}
		return !found
	})
	return found
}

func (m *maker) binary(x *ast.BinaryExpr) {
	if m.constant(x) {
		return
	}
	wrap := func(name, between, end string, bugs ...string) {
		id := m.bugs(x, bugs...)
		m.before(x.Pos(), name+"("+id+", ")
		m.replace(x.OpPos, len(x.Op.String()), between)
		m.after(x.End(), end)
	}
	switch x.Op {
	case token.LAND:
		wrap("mutAnd", ", func() bool { return (", ")})", "||", "the right alone", "the left alone")
	case token.LOR:
		wrap("mutOr", ", func() bool { return (", ")})", "&&", "the right alone", "the left alone")
	case token.EQL, token.NEQ:
		id := m.bugs(x, map[token.Token]string{token.EQL: "!=", token.NEQ: "=="}[x.Op])
		m.before(x.Pos(), "mutNot("+id+", ")
		m.after(x.End(), ")")
	case token.LSS, token.LEQ, token.GTR, token.GEQ:
		k, ok := m.kind(x.X)
		if !ok {
			k, ok = m.kind(x.Y)
		}
		if !ok || k&types.IsOrdered == 0 {
			return
		}
		name := map[token.Token]string{token.LSS: "mutLess", token.LEQ: "mutLeast", token.GTR: "mutMore", token.GEQ: "mutMost"}[x.Op]
		other := map[token.Token]string{token.LSS: "<=", token.LEQ: "<", token.GTR: ">=", token.GEQ: ">"}[x.Op]
		wrap(name, ",", ")", other, "its opposite")
	case token.ADD, token.SUB, token.MUL, token.QUO:
		if k, ok := m.kind(x); !ok || k&types.IsNumeric == 0 || k&types.IsUntyped != 0 {
			return
		}
		name := map[token.Token]string{token.ADD: "mutAdd", token.SUB: "mutSub", token.MUL: "mutMul", token.QUO: "mutDiv"}[x.Op]
		other := map[token.Token]string{token.ADD: "-", token.SUB: "+", token.MUL: "/", token.QUO: "*"}[x.Op]
		wrap(name, ",", ")", other)
	}
}

// extreme mutates min and max of two numbers.
func (m *maker) extreme(x *ast.CallExpr) {
	f, ok := x.Fun.(*ast.Ident)
	if !ok || len(x.Args) != 2 || f.Name != "min" && f.Name != "max" || m.constant(x) {
		return
	}
	if _, builtin := m.info.Uses[f].(*types.Builtin); !builtin {
		return
	}
	if _, ok := m.kind(x); !ok {
		return
	}
	id := m.bugs(x, "the other extreme", "the first", "the second")
	m.replace(f.Pos(), len(f.Name), "mut"+strings.ToUpper(f.Name[:1])+f.Name[1:])
	m.before(x.Lparen+1, id+", ")
}

// literal makes 1 of 0 and 0 of 1.
func (m *maker) literal(x *ast.BasicLit) {
	if x.Kind != token.INT && x.Kind != token.FLOAT || x.Value != "0" && x.Value != "1" && x.Value != "0.0" && x.Value != "1.0" {
		return
	}
	b, ok := m.info.Types[x].Type.(*types.Basic)
	name := ""
	if ok && b.Info()&types.IsUntyped == 0 {
		name = b.Name()
	} else if n, ok := m.info.Types[x].Type.(*types.Named); ok && n.Obj().Pkg() == m.pkg {
		name = n.Obj().Name()
	}
	if name == "" {
		return
	}
	id := m.bugs(x, map[byte]string{'0': "1", '1': "0"}[x.Value[0]])
	m.before(x.Pos(), "mutConst("+id+", "+name+"(")
	m.after(x.End(), "))")
}

// written is the file with its mutants.
func (m *maker) written() []byte {
	slices.SortStableFunc(m.edits, func(a, b edit) int {
		// What ends somewhere goes before what begins there.
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(b2i(a.order > 0), b2i(b.order > 0)), cmp.Compare(a.order, b.order))
	})
	var out bytes.Buffer
	from := 0
	for _, e := range m.edits {
		out.Write(m.src[from:e.at])
		out.WriteString(e.text)
		from = e.at + e.del
	}
	out.Write(m.src[from:])
	return out.Bytes()
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// asking is the code that every mutated package gets.
const asking = `package %s

import (
	"cmp"
	"os"
	"strconv"
	"syscall"
)

var mutant, mutHits = mutBegin()
var mutSeen [%d]bool

func mutBegin() (int, *os.File) {
	n, _ := strconv.Atoi(os.Getenv("LAIDUP_MUTANT"))
	for kind, name := range map[int]string{syscall.RLIMIT_CPU: "LAIDUP_MUTANT_SECONDS", syscall.RLIMIT_AS: "LAIDUP_MUTANT_BYTES"} {
		if most, err := strconv.ParseUint(os.Getenv(name), 10, 64); err == nil {
			if err := syscall.Setrlimit(kind, &syscall.Rlimit{Cur: most, Max: most}); err != nil {
				panic(err)
			}
		}
	}
	if name := os.Getenv("LAIDUP_MUTANT_HITS"); name != "" {
		f, err := os.OpenFile(name, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
		if err != nil {
			panic(err)
		}
		return -1, f
	}
	return n, nil
}

func mutHit(id int) {
	if mutant == -1 && !mutSeen[id] {
		mutSeen[id] = true
		mutHits.WriteString(strconv.Itoa(id) + "\n")
	}
}

type mutNumber interface {
	~int | ~int8 | ~int16 | ~int32 | ~int64 | ~uint | ~uint8 | ~uint16 | ~uint32 | ~uint64 | ~float32 | ~float64
}

func mutOn(id int) bool { mutHit(id); return mutant != id }
func mutNot(id int, b bool) bool { mutHit(id); return b != (mutant == id) }
func mutAnd(id int, a bool, b func() bool) bool {
	mutHit(id); mutHit(id+1); mutHit(id+2)
	switch mutant - id {
	case 0: return a || b()
	case 1: return b()
	case 2: return a
	}
	return a && b()
}
func mutOr(id int, a bool, b func() bool) bool {
	mutHit(id); mutHit(id+1); mutHit(id+2)
	switch mutant - id {
	case 0: return a && b()
	case 1: return b()
	case 2: return a
	}
	return a || b()
}
func mutLess[T cmp.Ordered](id int, a, b T) bool { mutHit(id); mutHit(id+1); if mutant == id { return a <= b }; return (a < b) != (mutant == id+1) }
func mutLeast[T cmp.Ordered](id int, a, b T) bool { mutHit(id); mutHit(id+1); if mutant == id { return a < b }; return (a <= b) != (mutant == id+1) }
func mutMore[T cmp.Ordered](id int, a, b T) bool { mutHit(id); mutHit(id+1); if mutant == id { return a >= b }; return (a > b) != (mutant == id+1) }
func mutMost[T cmp.Ordered](id int, a, b T) bool { mutHit(id); mutHit(id+1); if mutant == id { return a > b }; return (a >= b) != (mutant == id+1) }
func mutAdd[T mutNumber](id int, a, b T) T { mutHit(id); if mutant == id { return a - b }; return a + b }
func mutSub[T mutNumber](id int, a, b T) T { mutHit(id); if mutant == id { return a + b }; return a - b }
func mutMul[T mutNumber](id int, a, b T) T { mutHit(id); if mutant == id { return a / b }; return a * b }
func mutDiv[T mutNumber](id int, a, b T) T { mutHit(id); if mutant == id { return a * b }; return a / b }
func mutNeg[T mutNumber](id int, a T) T { mutHit(id); if mutant == id { return -a }; return a }
func mutConst[T mutNumber](id int, a T) T { mutHit(id); if mutant == id { return 1 - a }; return a }
func mutMin[T cmp.Ordered](id int, a, b T) T {
	mutHit(id); mutHit(id+1); mutHit(id+2)
	switch mutant - id {
	case 0: return max(a, b)
	case 1: return a
	case 2: return b
	}
	return min(a, b)
}
func mutMax[T cmp.Ordered](id int, a, b T) T {
	mutHit(id); mutHit(id+1); mutHit(id+2)
	switch mutant - id {
	case 0: return min(a, b)
	case 1: return a
	case 2: return b
	}
	return max(a, b)
}

var _ = []any{mutOn, mutNot, mutAnd, mutOr, mutLess[int], mutLeast[int], mutMore[int], mutMost[int], mutAdd[int], mutSub[int], mutMul[int], mutDiv[int], mutNeg[int], mutConst[int], mutMin[int], mutMax[int]}
`

func main() {
	changed := flag.String("changed", "", "only mutants on lines changed since the code parted from this commit, and the seeded ones")
	seed := flag.Int("seed", 0, "choose this many seeded mutants anew, among those that the last run killed")
	limit := flag.Duration("for", time.Hour, "try no more after this time")
	only := flag.String("only", "", "only mutants whose key matches this expression")
	procs := flag.Int("p", runtime.NumCPU(), "mutants tried at once")
	survivors := flag.String("survivors", "", "write the survivors to this file")
	again := flag.String("again", "", "only mutants that this file names: survivors, or the document that explains them")
	explained := flag.String("explained", "docs/mutation.md", "survivors that this file names are expected")
	flag.Parse()
	if err := run(*changed, *seed, *limit, *only, *again, *procs, *survivors, *explained); err != nil {
		fmt.Fprintln(os.Stderr, "mutate:", err)
		os.Exit(1)
	}
}

func run(changed string, seed int, limit time.Duration, only, again string, procs int, survivors, explained string) error {
	begun := time.Now()
	work, err := os.MkdirTemp("", "mutate")
	if err != nil {
		return err
	}
	if os.Getenv("KEEP") == "" {
		defer os.RemoveAll(work)
	}
	all, err := build(work)
	if err != nil {
		return err
	}
	hits, cost, err := base(work)
	if err != nil {
		return err
	}
	doc, err := os.ReadFile(explained)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	list, err := choose(all, changed, only)
	if err != nil {
		return err
	}
	if again != "" {
		named, err := os.ReadFile(again)
		if err != nil {
			return err
		}
		keys := map[string]bool{}
		for line := range strings.Lines(string(named)) {
			keys[located.ReplaceAllString(strings.TrimSpace(line), "")] = true
		}
		list = slices.DeleteFunc(list, func(x *mutant) bool { return !keys[x.key] })
	}
	var (
		mu                   sync.Mutex
		wait                 sync.WaitGroup
		killed, ran, skipped int
		alive, dead          []*mutant
		failed               error
		queue                = make(chan *mutant)
	)
	var progress *os.File // a whole run takes long: what it finds is seen as it goes
	if survivors != "" {
		if progress, err = os.Create(survivors); err != nil { //nolint:gosec // from our own command line
			return err
		}
		defer progress.Close()
	}
	for range procs {
		wait.Go(func() {
			for x := range queue {
				late := len(hits[x.id]) > 0 && time.Since(begun) > limit
				how := survived
				if !late {
					var err error
					if how, err = notice(work, x, hits, cost); err != nil {
						mu.Lock()
						failed = errors.Join(failed, err)
						mu.Unlock()
						continue
					}
				}
				mu.Lock()
				switch {
				case late:
					skipped++
				case how == survived:
					alive = append(alive, x)
					if progress != nil {
						fmt.Fprintf(progress, "%s:%d: %s\n", x.file, x.line, x.key)
					}
				default:
					killed++
					dead = append(dead, x)
					if how == ranOn {
						ran++
					}
				}
				mu.Unlock()
			}
		})
	}
	for _, x := range list {
		queue <- x
	}
	close(queue)
	wait.Wait()
	if failed != nil {
		return failed
	}
	slices.SortFunc(alive, func(a, b *mutant) int { return a.id - b.id })
	var out strings.Builder
	unexplained := 0
	for _, x := range alive {
		why := ""
		switch {
		case strings.Contains(string(doc), x.key):
			why = "explained: "
		default:
			unexplained++
		}
		if len(hits[x.id]) == 0 {
			why += "no test comes here: "
		}
		fmt.Fprintf(&out, "%s:%d: %s%s\n", x.file, x.line, why, x.key)
	}
	if survivors != "" {
		if err := os.WriteFile(survivors, []byte(out.String()), 0o600); err != nil {
			return err
		}
	} else {
		fmt.Print(out.String())
	}
	tried := killed + len(alive)
	fmt.Printf("%d mutants, %d tried, %d killed (%.1f %%; %d of them ran on until their processor time was used up), %d survive, of which %d are not explained, %d not tried for want of time; %s\n",
		len(all), tried, killed, 100*float64(killed)/float64(max(tried, 1)), ran, len(alive), unexplained, skipped, time.Since(begun).Round(time.Second))
	if seed > 0 {
		return plant(dead, seed)
	}
	if changed == "" {
		return nil
	}
	for _, x := range alive {
		if x.seeded {
			return fmt.Errorf("the fast tests used to notice this, and do not any more: %s", x.key)
		}
	}
	if unexplained*10 > tried {
		return fmt.Errorf("the fast tests do not notice %d small bugs of %d: make them, or say in %s why they need not", unexplained, tried, explained)
	}
	return nil
}

// build makes the mutants and the test binaries that have them.
func build(work string) ([]*mutant, error) {
	root, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	var all []*mutant
	next := 1
	overlay := map[string]string{}
	put := func(path string, text []byte) error {
		name := filepath.Join(work, fmt.Sprintf("%d.go", len(overlay)))
		overlay[filepath.Join(root, path)] = name
		return os.WriteFile(name, text, 0o600)
	}
	seen := map[string]int{}
	packages := map[string]string{}
	for i, t := range targets {
		exports, err := exported("./" + t.folder)
		if err != nil {
			return nil, err
		}
		fset := token.NewFileSet()
		names, err := filepath.Glob(t.folder + "/*.go")
		if err != nil {
			return nil, err
		}
		var files []*ast.File
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(fset, name, nil, parser.SkipObjectResolution)
			if err != nil {
				return nil, err
			}
			files = append(files, f)
		}
		packages[t.folder] = files[0].Name.Name
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}}
		conf := types.Config{Importer: importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })}
		pkg, err := conf.Check("laidup/"+t.folder, fset, files, info)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			path := fset.Position(f.Pos()).Filename
			if t.files != nil && !slices.Contains(t.files, filepath.Base(path)) {
				continue
			}
			src, err := os.ReadFile(path)
			if err != nil {
				return nil, err
			}
			m := &maker{fset: fset, file: f, path: path, target: i, src: src, info: info, pkg: pkg, next: &next, list: &all, seen: seen}
			ast.Inspect(f, m.visit)
			if err := put(path, m.written()); err != nil {
				return nil, err
			}
		}
	}
	for folder, name := range packages {
		if err := put(folder+"/zz_mutants.go", fmt.Appendf(nil, asking, name, next+3)); err != nil {
			return nil, err
		}
	}
	data, err := json.Marshal(map[string]any{"Replace": overlay})
	if err != nil {
		return nil, err
	}
	over := filepath.Join(work, "overlay.json")
	if err := os.WriteFile(over, data, 0o600); err != nil {
		return nil, err
	}
	for i, t := range targets {
		cmd := exec.Command("go", "test", "-c", "-vet=off", "-overlay", over, "-o", binary(work, i), "./"+t.folder)
		if out, err := cmd.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("build the mutants of %s: %w\n%s", t.folder, err, out)
		}
	}
	return all, nil
}

func binary(work string, i int) string { return filepath.Join(work, fmt.Sprintf("tests%d", i)) }

// exported finds the compiled packages that a package imports.
func exported(pkg string) (map[string]string, error) {
	out, err := exec.Command("go", "list", "-export", "-deps", "-f", "{{.ImportPath}} {{.Export}}", pkg).Output()
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", pkg, err)
	}
	list := map[string]string{}
	for line := range strings.Lines(string(out)) {
		path, file, _ := strings.Cut(strings.TrimSpace(line), " ")
		list[path] = file
	}
	return list, nil
}

// outcome is what became of a mutant.
type outcome int

const (
	survived outcome = iota
	noticed
	ranOn // it used up its processor time, or its memory
)

// tests runs the fast tests of a target, in so many seconds of processor time; 0: as many as they need. What comes
// to any other end than passing, failing or running on is an error.
func tests(work string, i, seconds int, env ...string) (outcome, time.Duration, error) {
	cmd := exec.Command(binary(work, i), "-test.failfast", "-test.short", "-test.timeout", hung, "-test.run", targets[i].tests, "-rapid.nofailfile", "-rapid.shrinktime=0s") //nolint:gosec // our own
	cmd.Dir = targets[i].folder
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
	if seconds > 0 {
		cmd.Env = append(cmd.Env, fmt.Sprintf("LAIDUP_MUTANT_SECONDS=%d", seconds), fmt.Sprintf("LAIDUP_MUTANT_BYTES=%d", memory))
	}
	cmd.Env = append(cmd.Env, env...)
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState == nil {
		return survived, 0, fmt.Errorf("run the tests of %s: %w", targets[i].folder, err)
	}
	used := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	switch {
	case err == nil:
		return survived, used, nil
	case bytes.Contains(out, []byte("panic: test timed out")):
		return survived, used, fmt.Errorf("the tests of %s wait for something that does not come\n%s", targets[i].folder, out)
	case ok && status.Signaled() && seconds > 0 && used >= time.Duration(seconds-1)*time.Second,
		bytes.Contains(out, []byte("fatal error: runtime: out of memory")),
		bytes.Contains(out, []byte("fatal error: runtime: cannot allocate memory")):
		return ranOn, used, nil
	case cmd.ProcessState.ExitCode() == 1 && bytes.Contains(out, []byte("--- FAIL")),
		cmd.ProcessState.ExitCode() == 2 && (bytes.Contains(out, []byte("panic: ")) || bytes.Contains(out, []byte("fatal error: "))):
		return noticed, used, nil
	}
	return survived, used, fmt.Errorf("run the tests of %s: %w\n%s", targets[i].folder, err, out)
}

// base runs the tests without any bug: by mutant, the targets whose tests come across it; by target, the seconds of
// processor time that a mutant is given.
func base(work string) (map[int][]int, []int, error) {
	hits := map[int][]int{}
	var cost []int
	for i, t := range targets {
		name := filepath.Join(work, "hits")
		how, used, err := tests(work, i, 0, "LAIDUP_MUTANT_HITS="+name)
		if err != nil || how != survived {
			return nil, nil, fmt.Errorf("the fast tests of %s fail without any bug: %w", t.folder, err)
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, nil, err
		}
		for line := range strings.Lines(string(data)) {
			if id, err := strconv.Atoi(strings.TrimSpace(line)); err == nil {
				hits[id] = append(hits[id], i)
			}
		}
		if err := os.Remove(name); err != nil {
			return nil, nil, err
		}
		cost = append(cost, max(10, int(patience*used/time.Second)))
		fmt.Printf("%s: its fast tests take %s of processor time, a mutant may take %d s\n", t.folder, used.Round(time.Millisecond), cost[i])
	}
	return hits, cost, nil
}

// notice tells what becomes of a bug in the tests that come across it.
func notice(work string, x *mutant, hits map[int][]int, cost []int) (outcome, error) {
	order := slices.Clone(hits[x.id])
	slices.SortStableFunc(order, func(a, b int) int { return b2i(b == x.target) - b2i(a == x.target) })
	for _, i := range order {
		how, _, err := tests(work, i, cost[i], "LAIDUP_MUTANT="+strconv.Itoa(x.id))
		if err != nil || how != survived {
			return how, err
		}
	}
	return survived, nil
}

// choose picks the mutants to try, in an order that tells nothing.
func choose(all []*mutant, changed, only string) ([]*mutant, error) {
	list := slices.Clone(all)
	if only != "" {
		re, err := regexp.Compile(only)
		if err != nil {
			return nil, err
		}
		list = slices.DeleteFunc(list, func(x *mutant) bool { return !re.MatchString(x.key) })
	}
	mixed := func(x *mutant) uint64 {
		h := fnv.New64a()
		h.Write([]byte(x.key))
		return h.Sum64()
	}
	slices.SortFunc(list, func(a, b *mutant) int { return cmp.Compare(mixed(a), mixed(b)) })
	if changed == "" {
		return list, nil
	}
	data, err := os.ReadFile(seededFile)
	if err != nil {
		return nil, err
	}
	byKey := map[string]*mutant{}
	for _, x := range list {
		byKey[x.key] = x
	}
	var first []*mutant
	for line := range strings.Lines(string(data)) {
		if key := strings.TrimSpace(line); key != "" && key[0] != '#' {
			x := byKey[key]
			if x == nil {
				fmt.Printf("%s: the code has changed, this one is no more: %s\n", seededFile, key)
				continue
			}
			x.seeded = true
			first = append(first, x)
		}
	}
	lines, err := changedLines(changed)
	if err != nil {
		return nil, err
	}
	for _, x := range list {
		if lines[fmt.Sprintf("%s:%d", x.file, x.line)] && !slices.Contains(first, x) {
			first = append(first, x)
		}
	}
	return first, nil
}

// located is what goes before the key of a survivor.
var located = regexp.MustCompile(`^\S+:\d+: (explained: )?(no test comes here: )?`)

var hunk = regexp.MustCompile(`^@@ -\S+ \+(\d+)(?:,(\d+))? @@`)

// changedLines lists the lines that differ from where the code parted from a commit; none where that is
// not known.
func changedLines(since string) (map[string]bool, error) {
	lines := map[string]bool{}
	out, err := exec.Command("git", "merge-base", "HEAD", since).Output() //nolint:gosec // from our own command line
	if err != nil {
		fmt.Printf("%s is not known here: only the seeded mutants are tried\n", since)
		return lines, nil
	}
	diff, err := exec.Command("git", "diff", "-U0", "--no-prefix", strings.TrimSpace(string(out)), "--", "internal").Output() //nolint:gosec // as above
	if err != nil {
		return nil, fmt.Errorf("git diff: %w", err)
	}
	file := ""
	for line := range strings.Lines(string(diff)) {
		if name, ok := strings.CutPrefix(line, "+++ "); ok {
			file = strings.TrimSpace(name)
		}
		if m := hunk.FindStringSubmatch(line); m != nil {
			from, _ := strconv.Atoi(m[1])
			n := 1
			if m[2] != "" {
				n, _ = strconv.Atoi(m[2])
			}
			for i := range n {
				lines[fmt.Sprintf("%s:%d", file, from+i)] = true
			}
		}
	}
	return lines, nil
}

// plant writes down some of the mutants that were killed.
func plant(dead []*mutant, n int) error {
	slices.SortFunc(dead, func(a, b *mutant) int { return a.id - b.id })
	var out strings.Builder
	out.WriteString("# Small bugs that the fast tests have to notice: file | function | expression | bug. See docs/mutation.md.\n")
	for i := range min(n, len(dead)) {
		out.WriteString(dead[i*len(dead)/min(n, len(dead))].key + "\n")
	}
	return os.WriteFile(seededFile, []byte(out.String()), 0o600)
}
