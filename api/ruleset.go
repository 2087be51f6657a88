package api

import (
	"errors"
	"net/http"
	"time"

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

func refOf(set *ruleset.Set) score.RuleSet {
	return score.RuleSet{Name: set.Name, Version: set.Version, Digest: set.Digest}
}

func ruleSetLink(name, version string) string { return "/v1/rule_sets/" + name + "/" + version }

func (a *API) listRuleSets(r *request) (reply, error) {
	all, err := r.account.RuleSets(r.Context())
	if err != nil {
		return reply{}, err
	}
	list := ruleSets{[]ruleSetView{}}
	for _, p := range all {
		view := ruleSetView{score.RuleSet(p.RuleSetRef), p.Is, p.Digest == a.service.Current().Digest, nil, ruleSetLink(p.Name, p.Version)}
		if !p.PublishedAt.IsZero() {
			view.PublishedAt = &p.PublishedAt
		}
		list.RuleSets = append(list.RuleSets, view)
	}
	return reply{body: list}, nil
}

func (a *API) getRuleSet(r *request) (reply, error) {
	name, version := r.param("name"), r.param("version")
	if !isName(name) || !isName(version) {
		return reply{}, noRuleSet(name, version)
	}
	ref, canonical, err := r.account.RuleSet(r.Context(), name, version)
	if errors.Is(err, assess.ErrNoSuchRuleSet) {
		return reply{}, noRuleSet(name, version)
	}
	return reply{body: raw(canonical), etag: ref.Digest}, err
}

func noRuleSet(name, version string) error {
	return notFound.says("there is no rule set %s %s: /v1/rule_sets lists those that there are", clip(name), clip(version))
}

// checkedRuleSet is the answer about a rule set that can be published.
type checkedRuleSet struct {
	Valid   bool          `json:"valid"`
	RuleSet score.RuleSet `json:"rule_set"`
	Is      string        `json:"is"`
	Hazards int           `json:"hazards"`
	Rules   int           `json:"rules"`
	Proofs  int           `json:"proofs"`
	Tests   int           `json:"tests"`
	Remarks []remark      `json:"remarks"` // what is odd about it, and keeps nobody from publishing it
	Link    string        `json:"link,omitempty"`
}

type remark struct {
	Kind   string `json:"kind"`
	Entry  string `json:"entry"`
	Detail string `json:"detail"`
}

func checkedReply(c *assess.CheckedRuleSet) checkedRuleSet {
	set := c.Set
	view := checkedRuleSet{true, refOf(set), set.Is, len(set.Hazards), len(set.Rules), len(set.Proofs), len(set.Tests), []remark{}, ""}
	for _, f := range c.Remarks {
		view.Remarks = append(view.Remarks, remark(f))
	}
	return view
}

func (a *API) checkRuleSet(r *request) (reply, error) {
	var out checkedRuleSet
	err := a.withRuleSet(r, func(document []byte) error {
		c, err := a.service.CheckRuleSet(r.Context(), document)
		if err == nil {
			out = checkedReply(c)
		}
		return err
	})
	return reply{body: out}, err
}

func (a *API) postRuleSet(r *request) (reply, error) {
	var out reply
	err := a.withRuleSet(r, func(document []byte) error {
		c, again, err := r.account.Publish(r.Context(), document)
		if err != nil {
			return err
		}
		view := checkedReply(c)
		view.Link = ruleSetLink(view.RuleSet.Name, view.RuleSet.Version)
		out = reply{status: http.StatusCreated, header: map[string]string{"Location": view.Link}, body: view}
		if again {
			out.status = http.StatusOK
		}
		return nil
	})
	return out, err
}

// withRuleSet reads a rule set, which use must not keep. Of one organisation one is in hand at a time:
// rule sets are tried one after another, and nobody is to stand in the line twice.
func (a *API) withRuleSet(r *request, use func(document []byte) error) error {
	if _, busyWithAnother := a.trying.LoadOrStore(r.key.Organisation, true); busyWithAnother {
		return busy.says("another rule set of %s is being tried: try this one after it", r.key.Organisation)
	}
	defer a.trying.Delete(r.key.Organisation)
	if !says(r.Header, mediaYAML, mediaJSON) {
		return notJSON.says("send a rule set in UTF-8, uncompressed, as Content-Type: application/yaml or application/json")
	}
	return a.read(r, "a rule set", ruleset.MaxSource, use)
}
