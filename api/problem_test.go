package api_test

import (
	"errors"
	"fmt"
	"regexp"
	"testing"

	"github.com/labstack/echo/v4"

	"laidup/api"
	"laidup/internal/assess"
)

func TestEveryKindOfProblemHasARow(t *testing.T) {
	t.Parallel()
	name := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	seen := map[string]bool{}
	for i, r := range api.ProblemRows() {
		if !name.MatchString(r.Name) || seen[r.Name] || r.Title == "" || r.Status < 400 || r.Status > 599 || r.Retry < 0 {
			t.Errorf("row %d: %+v", i, r)
		}
		seen[r.Name] = true
	}
}

func TestEveryErrorIsAProblem(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"an invalid report":    {&assess.InvalidError{}, "invalid-report"},
		"nothing there":        {assess.ErrNotFound, "not-found"},
		"a key for two":        {assess.ErrKeyReused, "idempotency-key-reused"},
		"no such gate":         {&assess.NoSuchGateError{Gates: []string{"crank"}}, "no-such-gate"},
		"no such rule set":     {assess.ErrNoSuchRuleSet, "no-such-rule-set"},
		"not assessed":         {assess.ErrNotAssessedYet, "not-assessed-yet"},
		"no path":              {echo.ErrNotFound, "no-such-route"},
		"no method":            {echo.ErrMethodNotAllowed, "method-not-allowed"},
		"nobody thought of it": {errors.New("disk on fire"), "internal-error"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := api.ProblemName(fmt.Errorf("load it: %w", c.err)); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}
