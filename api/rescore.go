package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/go-json-experiment/json"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// rescoreForm is what a rescore is ordered with.
type rescoreForm struct {
	RuleSet    string   `json:"rule_set"`
	Gate       string   `json:"gate"`
	Vehicles   []string `json:"vehicles"`
	Batch      string   `json:"batch"`
	Everything bool     `json:"everything"`
}

func (a *API) postRescore(r *wire.Request) (wire.Reply, error) {
	key, err := wire.IdempotencyKey(r.Header.Values("Idempotency-Key"))
	if err != nil {
		return wire.Reply{}, err
	}
	var form rescoreForm
	err = a.withBody(r, func(body []byte) error {
		if err := json.Unmarshal(body, &form, json.RejectUnknownMembers(true)); err != nil {
			return wire.BadRescoreOrder.Says("an order is {\"rule_set\": \"name/version\", \"vehicles\": [\"…\"]}, with batch or everything for vehicles, and gate if need be%s", wire.PlaceOf(err))
		}
		return nil
	})
	if err != nil {
		return wire.Reply{}, err
	}
	if faults := form.faults(); faults != nil {
		return wire.Reply{}, &wire.Problem{Kind: wire.BadRescoreOrder, Errors: faults}
	}
	b, _, err := r.Account.Rescore(r.Context(), assess.RescoreOrder{
		RuleSet: form.RuleSet, Gate: form.Gate, IdempotencyKey: key,
		Of: assess.RescoreScope{Vehicles: form.Vehicles, Batch: form.Batch, Everything: form.Everything},
	})
	var missing *assess.NoSuchVehiclesError
	switch {
	case errors.As(err, &missing):
		var faults []formFault
		for _, i := range missing.At {
			faults = append(faults, formFault{fmt.Sprintf("/vehicles/%d", i), "unknown", fmt.Sprintf("there is no vehicle %q: GET /v1/vehicles lists them", wire.Clip(form.Vehicles[i]))})
		}
		return wire.Reply{}, &wire.Problem{Kind: wire.BadRescoreOrder, Errors: faults}
	case errors.Is(err, assess.ErrTooManyLines):
		return wire.Reply{}, wire.BodyTooLarge.Says("at most %d vehicles are scored again at once: name them, or a batch, in parts", assess.MaxRescored)
	case err != nil:
		return wire.Reply{}, err
	}
	body := batchOf(b, a.service.Now())
	return wire.Reply{Status: http.StatusAccepted, Header: map[string]string{"Location": body.Links.Batch, "Retry-After": pollAfter}, Body: body}, nil
}

// formFault is one fault of a form: where it is and how to mend it.
type formFault struct {
	Pointer string `json:"pointer"`
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

func (f rescoreForm) faults() (faults []formFault) {
	if f.RuleSet == "" {
		faults = append(faults, formFault{"/rule_set", "missing", "name the rule set to score under, as name or name/version: GET /v1/rule_sets lists them"})
	}
	scopes := 0
	for _, given := range []bool{f.Vehicles != nil, f.Batch != "", f.Everything} {
		if given {
			scopes++
		}
	}
	if scopes != 1 {
		faults = append(faults, formFault{"", "scope", "say which vehicles: give just one of vehicles, a list of references; batch, the id of one; or everything, which is true"})
	}
	if f.Batch != "" && !wire.IsName(f.Batch) {
		faults = append(faults, formFault{"/batch", "form", "it is no id of a batch"})
	}
	if f.Vehicles != nil && len(f.Vehicles) == 0 {
		faults = append(faults, formFault{"/vehicles", "empty", "name at least one vehicle"})
	}
	seen := map[string]bool{}
	for i, v := range f.Vehicles {
		at := fmt.Sprintf("/vehicles/%d", i)
		if !wire.IsName(v) {
			faults = append(faults, formFault{at, "form", "references are up to 100 letters, digits and . _ ~ -"})
		} else if seen[strings.ToLower(v)] {
			faults = append(faults, formFault{at, "twice", fmt.Sprintf("%s is named twice", v)})
		}
		seen[strings.ToLower(v)] = true
	}
	return faults
}

func blockerInWords(b score.Blocker) string {
	if len(b.At) > 0 {
		return b.Gate + ": " + b.Because + " (" + strings.Join(b.At, ", ") + ")"
	}
	return b.Gate + ": " + b.Because
}
