package site

import (
	"encoding/json"
	"errors"
	"strconv"
	"strings"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/outcome"
	"laidup/internal/score"
)

// ScoresPage shows how good the forecasts were.
func (s *Site) ScoresPage(r *wire.Request) (wire.Reply, error) {
	set := r.Query.Get("rule_set")
	gates, err := r.Account.Scores(r.Context(), assess.ByGate, set)
	if err != nil {
		return wire.Reply{}, err
	}
	families, err := r.Account.Scores(r.Context(), assess.ByFamily, set)
	if err != nil {
		return wire.Reply{}, err
	}
	view, err := s.pages.Judged(pages.ScoresView{Frame: s.frame(r, s.say("scores"), "vehicles"), Scores: gates}, families.Scored)
	if err != nil {
		return wire.Reply{}, err
	}
	return s.page("scores", view)
}

// outcomesShown is how many outcomes the page of a vehicle lists.
const outcomesShown = 10

// RecordPage asks what came of an attempt on a vehicle.
func (s *Site) RecordPage(r *wire.Request) (wire.Reply, error) {
	v, reference, err := vehicleOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	answer, err := r.Account.Readiness(r.Context(), reference, r.Query.Get("gate"))
	if errors.Is(err, assess.ErrNotAssessedYet) {
		return wire.SeeOther("/vehicles/" + reference), nil
	}
	if err != nil {
		return wire.Reply{}, err
	}
	var whole *score.Assessment
	if whole, err = wire.Whole(r.Context(), r.Account, answer.Assessment); err != nil {
		return wire.Reply{}, err
	}
	view := pages.RecordView{
		Frame: s.frame(r, s.say("record_outcome"), "vehicles"), Vehicle: v.Reference, Is: title(v), Assessment: answer.Assessment, Gate: answer.Gate,
		Stamp: strconv.FormatInt(s.service.Now().UnixMilli(), 10),
	}
	if view.Outcomes, err = r.Account.Outcomes(r.Context(), assess.OutcomePage{Vehicle: v.Reference, Limit: outcomesShown}); err != nil {
		return wire.Reply{}, err
	}
	return s.page("record", pages.Asking(view, whole))
}

// Record records an outcome by a button of the page.
func (s *Site) Record(r *wire.Request) (wire.Reply, error) {
	_, reference, err := vehicleOf(r) // before the form is read: a stranger is told nothing else of it than of what there is not
	if err != nil {
		return wire.Reply{}, err
	}
	form, err := s.form(r)
	if err != nil {
		return wire.Reply{}, err
	}
	said := outcome.Form{Assessment: form.Get("assessment")}
	if fault, bad, ok := strings.Cut(form.Get("part"), " "); ok {
		said.Parts = []outcome.Part{{Fault: fault, Bad: outcome.Answer(bad)}}
	} else {
		attempted := form.Get("came") != "shut"
		said.Gate, said.Attempted = form.Get("gate"), &attempted
		switch came := form.Get("came"); came {
		case "shut":
		case "none":
			said.Came = []outcome.Harm{}
		case outcome.Other:
			said.Came = []outcome.Harm{{Hazard: outcome.Other, Severity: "critical"}}
		default:
			said.Came = []outcome.Harm{{Hazard: came}}
		}
	}
	body, err := json.Marshal(said)
	if err != nil {
		return wire.Reply{}, err
	}
	// Two taps on one button are one outcome.
	key := "page/" + form.Get("stamp") + "/" + reference + "/" + form.Get("part") + form.Get("came")
	_, _, err = r.Account.RecordOutcome(r.Context(), reference, assess.OutcomeOrder{Body: body, IdempotencyKey: key})
	if bad := new(assess.BadOutcomeError); errors.As(err, &bad) {
		return wire.Reply{}, wire.BadQuery.Says("%s: %s", bad.Faults[0].Pointer, bad.Faults[0].Detail)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	to := "/vehicles/" + reference + "/outcome"
	if said.Gate != "" {
		to += "?gate=" + said.Gate
	}
	return wire.SeeOther(to), nil
}
