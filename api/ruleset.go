package api

import (
	"errors"
	"net/http"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// ruleSets lists what assessments can be made under.
type ruleSets struct {
	RuleSets []ruleSetView `json:"rule_sets"`
}

type ruleSetView struct {
	score.RuleSet
	Is          string     `json:"is"`
	Current     bool       `json:"current"`                // new reports are scored under this one unless they name another
	PublishedAt *time.Time `json:"published_at,omitempty"` // none: built in
	Link        string     `json:"link"`
}

func ruleSetLink(name, version string) string { return "/v1/rule_sets/" + name + "/" + version }

func (a *API) listRuleSets(r *wire.Request) (wire.Reply, error) {
	all, err := r.Account.RuleSets(r.Context())
	if err != nil {
		return wire.Reply{}, err
	}
	list := ruleSets{[]ruleSetView{}}
	for _, p := range all {
		view := ruleSetView{score.RuleSet(p.RuleSetRef), p.Is, p.Digest == a.service.Current().Digest, nil, ruleSetLink(p.Name, p.Version)}
		if !p.PublishedAt.IsZero() {
			view.PublishedAt = &p.PublishedAt
		}
		list.RuleSets = append(list.RuleSets, view)
	}
	return wire.Reply{Body: list}, nil
}

func (a *API) getRuleSet(r *wire.Request) (wire.Reply, error) {
	name, version := r.Param("name"), r.Param("version")
	if !wire.IsName(name) || !wire.IsName(version) {
		return wire.Reply{}, noRuleSet(name, version)
	}
	ref, canonical, err := r.Account.RuleSet(r.Context(), name, version)
	if errors.Is(err, assess.ErrNoSuchRuleSet) {
		return wire.Reply{}, noRuleSet(name, version)
	}
	return wire.Reply{Body: wire.Raw(canonical), ETag: ref.Digest}, err
}

func noRuleSet(name, version string) error {
	return wire.NotFound.Says("there is no rule set %s %s: /v1/rule_sets lists those that there are", wire.Clip(name), wire.Clip(version))
}

// checkedRuleSet is the answer about a rule set that can be published.
type checkedRuleSet struct {
	Valid   bool          `json:"valid"`
	RuleSet score.RuleSet `json:"rule_set"`
	Is      string        `json:"is"`
	Faults  int           `json:"faults"`
	Hazards int           `json:"hazards"`
	Rules   int           `json:"rules"`
	Limits  int           `json:"limits"`
	Proofs  int           `json:"proofs"`
	Follows int           `json:"follows"`
	Tests   int           `json:"tests"`
	Remarks []remark      `json:"remarks"` // what is odd about it, and keeps nobody from publishing it
	Link    string        `json:"link,omitempty"`
}

type remark struct {
	Kind   string `json:"kind"`
	Entry  string `json:"entry"`
	Detail string `json:"detail"`
	Listed bool   `json:"listed,omitempty"` // it may well be right: somebody is to judge
}

func checkedReply(c *assess.CheckedRuleSet) checkedRuleSet {
	set := c.Set
	view := checkedRuleSet{
		Valid: true, RuleSet: wire.RefOf(set), Is: set.Is, Faults: len(set.Faults), Hazards: len(set.Hazards), Rules: len(set.Rules), Limits: len(set.Limits),
		Proofs: len(set.Proofs), Follows: len(set.Follows), Tests: len(set.Tests), Remarks: []remark{},
	}
	for _, f := range c.Remarks {
		view.Remarks = append(view.Remarks, remark(f))
	}
	return view
}

func (a *API) checkRuleSet(r *wire.Request) (wire.Reply, error) {
	var out checkedRuleSet
	err := a.withRuleSet(r, func(document []byte) error {
		c, err := a.service.CheckRuleSet(r.Context(), document)
		if err == nil {
			out = checkedReply(c)
		}
		return err
	})
	return wire.Reply{Body: out}, err
}

func (a *API) postRuleSet(r *wire.Request) (wire.Reply, error) {
	var out wire.Reply
	err := a.withRuleSet(r, func(document []byte) error {
		c, again, err := r.Account.Publish(r.Context(), document)
		if err != nil {
			return err
		}
		view := checkedReply(c)
		view.Link = ruleSetLink(view.RuleSet.Name, view.RuleSet.Version)
		out = wire.Reply{Status: http.StatusCreated, Header: map[string]string{"Location": view.Link}, Body: view}
		if again {
			out.Status = http.StatusOK
		}
		return nil
	})
	return out, err
}

// withRuleSet reads a rule set, which use must not keep. Of one organisation one is in hand at a time:
// rule sets are tried one after another, and nobody is to stand in the line twice.
func (a *API) withRuleSet(r *wire.Request, use func(document []byte) error) error {
	if _, busyWithAnother := a.trying.LoadOrStore(r.Key.Organisation, true); busyWithAnother {
		return wire.Busy.Says("another rule set of %s is being tried: try this one after it", r.Key.Organisation)
	}
	defer a.trying.Delete(r.Key.Organisation)
	if !wire.Announces(r.Header, wire.MediaYAML, wire.MediaJSON) {
		return wire.NotJSON.Says("send a rule set in UTF-8, uncompressed, as Content-Type: application/yaml or application/json")
	}
	return a.bodies.Read(r, "a rule set", ruleset.MaxSource, use)
}
