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

// Whoever forgets whose something is shows it to everybody. The exceptions are asked by who works
// on an assessment, whosever it is, and by who looks for a key.
func TestEveryQueryAsksWhoseItIs(t *testing.T) {
	t.Parallel()
	exceptions := map[string]bool{
		"startAssessment": true, "selectState": true, "finishAssessment": true, "failAssessment": true, "noteEnqueued": true,
		"selectWaiting": true, "selectWaitingAhead": true, "putBackAssessment": true, "selectBacklog": true, "selectAPIKey": true, "noteAPIKeyUsed": true, "selectAnyAPIKey": true, "selectChunk": true,
		// Who looks whose turn it is asks about all.
		"selectQueueing": true, "selectQueueingPlans": true,
		// Who delivers does so for all, and what is old goes, whosever it is.
		"selectDueSubscriptions": true, "selectFlying": true, "claimDelivery": true, "selectTask": true, "settleDelivery": true, "selectDeliveryBacklog": true, "pruneEvents": true, "selectOutlived": true,
		// Who works on plans does so for all.
		"selectPlanState": true, "startPlan": true, "putBackPlan": true, "finishPlan": true, "failPlan": true, "notePlanEnqueued": true,
		"selectWaitingPlans": true, "selectWaitingPlansAhead": true,
		// Who counts outcomes does so for all.
		"selectUncounted": true, "lockUncounted": true, "noteCounted": true, "outcomeColumns": true,
		// Files of nobody go, whosever they were, and so does what no report has linked for long.
		"selectLooseFiles": true, "takeLooseFiles": true, "deleteLooseFile": true, "pruneAttachments": true, "unlinked": true,
		"newestAssessment": true, "vehicleColumns": true, "assessmentColumns": true, "planColumns": true, "finishedColumns": true, "lineColumns": true, // parts of others, which join by the vehicle's
	}
	owned := regexp.MustCompile(`\b(FROM|UPDATE|INTO|JOIN) (vehicles|vehicle_gates|reports|assessments|idempotency|publications|api_keys|batches|events|plans|attachments|photo_links|loose_files|outcomes|outcome_counts|judged_rule_sets|subscriptions|deliveries|audit|retention)\b`)
	whose := regexp.MustCompile(`\borganisation = \$\d|\(organisation, |\(id, organisation, `)
	asked := 0
	for name, query := range queries(t) {
		// Who looks a store through walks along all that there is.
		if !owned.MatchString(query) || exceptions[name] || strings.HasPrefix(name, "walk") {
			delete(exceptions, name)
			continue
		}
		if asked++; !whose.MatchString(query) {
			t.Errorf("%s does not say whose it is:\n%s", name, query)
		}
	}
	if asked < 15 || len(exceptions) > 0 {
		t.Errorf("%d queries ask; exceptions without a query: %v", asked, exceptions)
	}
}
