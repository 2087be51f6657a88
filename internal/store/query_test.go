package store_test

import (
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// queries reads the constants of query.go by name.
func queries(t *testing.T) map[string]string {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "query.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	var value func(ast.Expr) string
	value = func(e ast.Expr) string {
		switch e := e.(type) {
		case *ast.BasicLit:
			return constant.StringVal(constant.MakeFromLiteral(e.Value, e.Kind, 0))
		case *ast.Ident:
			return all[e.Name]
		case *ast.BinaryExpr:
			return value(e.X) + value(e.Y)
		}
		t.Fatalf("query.go holds an expression of kind %T", e)
		return ""
	}
	for _, decl := range file.Decls {
		if consts, ok := decl.(*ast.GenDecl); ok && consts.Tok == token.CONST {
			for _, spec := range consts.Specs {
				spec := spec.(*ast.ValueSpec)
				all[spec.Names[0].Name] = value(spec.Values[0])
			}
		}
	}
	return all
}

func TestParametersAreNumberedAsTheyFirstAppear(t *testing.T) {
	t.Parallel()
	for name, query := range queries(t) {
		highest := 0
		for _, parameter := range regexp.MustCompile(`\$(\d+)`).FindAllStringSubmatch(query, -1) {
			n, err := strconv.Atoi(parameter[1])
			if err != nil {
				t.Fatal(err)
			}
			if n > highest+1 {
				t.Errorf("%s: $%d comes before $%d", name, n, highest+1)
			}
			highest = max(highest, n)
		}
		if strings.Contains(query, "?") {
			t.Errorf("%s: PostgreSQL has no ? parameters", name)
		}
	}
}
