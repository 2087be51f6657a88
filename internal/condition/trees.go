package condition

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/types"
)

// Trees are the syntax trees of conditions and formulas that an [Env] of the same names parsed and checked
// before: parsing them is most of the time that a rule set takes to load. Nobody checks them again, so
// they are for what comes with the program. A nil Trees has none.
type Trees struct {
	known map[written]string
	keeps bool
}

// written is a source, and the item that it was written for.
type written struct{ item, source string }

// KeepTrees returns what keeps the tree of all that an [Env] compiles. It is not safe for concurrent use.
func KeepTrees() *Trees { return &Trees{known: map[written]string{}, keeps: true} }

// ReadTrees reads what [Trees.JSON] wrote.
func ReadTrees(data []byte) (*Trees, error) {
	var list [][3]string
	if err := json.Unmarshal(data, &list); err != nil {
		return nil, fmt.Errorf("read syntax trees: %w", err)
	}
	t := &Trees{known: make(map[written]string, len(list))}
	for _, e := range list {
		t.known[written{e[0], e[1]}] = e[2]
	}
	return t, nil
}

// JSON writes the trees, one a line, as a list of item, source and tree.
func (t *Trees) JSON() ([]byte, error) {
	var lines []string
	for k, tree := range t.known {
		line, err := json.Marshal([]string{k.item, k.source, tree})
		if err != nil {
			return nil, fmt.Errorf("write syntax trees: %w", err)
		}
		lines = append(lines, string(line))
	}
	slices.Sort(lines)
	return []byte("[\n" + strings.Join(lines, ",\n") + "\n]\n"), nil
}

// find returns the tree of a source, and how many nodes the source has.
func (t *Trees) find(source, item string) (e ast.Expr, nodes int, err error) {
	if t == nil || t.keeps {
		return nil, 0, nil
	}
	text, known := t.known[written{item, source}]
	if !known {
		return nil, 0, nil
	}
	r := &treeReader{rest: text, make: ast.NewExprFactory()}
	nodes, err = strconv.Atoi(r.word())
	if err == nil {
		e, err = r.expr()
	}
	if err == nil && r.rest != "" {
		err = errBrokenTree
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read the syntax tree of %q: %w", source, err)
	}
	return e, nodes, nil
}

// keep notes the tree of a source that was compiled.
func (t *Trees) keep(source, item string, e ast.Expr, nodes int) {
	if t != nil && t.keeps {
		t.known[written{item, source}] = string(appendTree(strconv.AppendInt(nil, int64(nodes), 10), e))
	}
}

// appendTree writes an expression that was compiled, after a blank: a name or a literal as it is, a call as
// (operator arguments), a list as [elements].
func appendTree(b []byte, e ast.Expr) []byte {
	b = append(b, ' ')
	switch e.Kind() {
	case ast.LiteralKind:
		switch v := e.AsLiteral().(type) {
		case types.Double:
			return strconv.AppendFloat(b, float64(v), 'g', -1, 64)
		case types.String:
			return strconv.AppendQuote(b, string(v))
		default:
			return fmt.Append(b, v.Value())
		}
	case ast.CallKind:
		b = append(append(b, '('), e.AsCall().FunctionName()...)
		for _, a := range e.AsCall().Args() {
			b = appendTree(b, a)
		}
		return append(b, " )"...)
	case ast.ListKind:
		b = append(b, '[')
		for _, a := range e.AsList().Elements() {
			b = appendTree(b, a)
		}
		return append(b, " ]"...)
	}
	path, _ := pathOf(e)
	return append(b, path...)
}

var errBrokenTree = errors.New("it is broken")

// treeReader reads what appendTree wrote.
type treeReader struct {
	rest string
	id   int64
	make ast.ExprFactory
}

// word takes off what there is up to the next blank.
func (r *treeReader) word() string {
	r.rest = strings.TrimPrefix(r.rest, " ")
	var word string
	if quoted, err := strconv.QuotedPrefix(r.rest); err == nil {
		word, r.rest = quoted, r.rest[len(quoted):]
		return word
	}
	word, r.rest = r.rest, ""
	if i := strings.IndexByte(word, ' '); i >= 0 {
		word, r.rest = word[:i], word[i:]
	}
	return word
}

func (r *treeReader) expr() (ast.Expr, error) {
	r.id++
	id, word := r.id, r.word()
	switch {
	case word == "":
		return nil, errBrokenTree
	case word == "true" || word == "false":
		return r.make.NewLiteral(id, types.Bool(word == "true")), nil
	case word[0] == '"':
		s, err := strconv.Unquote(word)
		return r.make.NewLiteral(id, types.String(s)), err
	case word[0] == '(':
		args, err := r.until(")")
		return r.make.NewCall(id, word[1:], args...), err
	case word[0] == '[':
		elements, err := r.until("]")
		return r.make.NewList(id, elements, nil), err
	case word[0] >= '0' && word[0] <= '9' || word[0] == '-':
		v, err := strconv.ParseFloat(word, 64)
		return r.make.NewLiteral(id, types.Double(v)), err
	}
	return r.make.NewIdent(id, word), nil
}

func (r *treeReader) until(end string) ([]ast.Expr, error) {
	var list []ast.Expr
	for !strings.HasPrefix(r.rest, " "+end) {
		e, err := r.expr()
		if err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	r.rest = r.rest[1+len(end):]
	return list, nil
}
