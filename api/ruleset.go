package api

import (
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// ruleSets lists what assessments can be made under.
type ruleSets struct {
	RuleSets []ruleSetView `json:"rule_sets"`
}

type ruleSetView struct {
	score.RuleSet
	Is      string `json:"is"`
	Current bool   `json:"current"` // new reports are scored under this one
	Link    string `json:"link"`
}

func refOf(set *ruleset.Set) score.RuleSet {
	return score.RuleSet{Name: set.Name, Version: set.Version, Digest: set.Digest}
}

func (a *API) listRuleSets(*request) (reply, error) {
	list := ruleSets{[]ruleSetView{}}
	for i, set := range a.service.RuleSets() {
		list.RuleSets = append(list.RuleSets, ruleSetView{refOf(set), set.Is, i == 0, "/v1/rule_sets/" + set.Name + "/" + set.Version})
	}
	return reply{body: list}, nil
}

func (a *API) getRuleSet(r *request) (reply, error) {
	for _, set := range a.service.RuleSets() {
		if set.Name == r.param("name") && set.Version == r.param("version") {
			return reply{body: raw(set.Canonical), etag: set.Digest}, nil
		}
	}
	return reply{}, notFound.says("there is no rule set %s %s: /v1/rule_sets lists those that there are", clip(r.param("name")), clip(r.param("version")))
}
