package assess

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/mod/semver"

	"laidup/internal/rulecheck"
	"laidup/internal/ruleset"
)

// Publication is a rule set as lists have it.
type Publication struct {
	RuleSetRef
	Organisation string // whose it is; empty: built in
	Is           string
	PublishedAt  time.Time // zero: built in
}

// ErrVersionPublished means that a version is published already, with another content.
var ErrVersionPublished = errors.New("version published before with another content")

// ErrBusy means that others are at work on something of which there is only so much.
var ErrBusy = errors.New("busy")

// FaultyRuleSetError means that a rule set cannot be published: these are its faults.
type FaultyRuleSetError struct {
	Faults []RuleSetFault
}

// Error counts the faults.
func (e *FaultyRuleSetError) Error() string {
	return fmt.Sprintf("the rule set has %d faults", len(e.Faults))
}

// RuleSetFault is one thing that keeps a rule set from being published.
type RuleSetFault struct {
	Pointer string           `json:"pointer"` // JSON Pointer into the document
	Detail  string           `json:"detail"`
	Code    RuleSetFaultCode `json:"code"`
	Entry   string           `json:"entry,omitempty"` // the rule, hazard, test or other entry at fault
	Line    int              `json:"line,omitempty"`  // in the document, from 1
	Column  int              `json:"column,omitempty"`
}

// RuleSetFaultCode is the kind of a fault, for programs.
type RuleSetFaultCode string

// The kinds of faults of rule sets.
const (
	Unloadable     RuleSetFaultCode = "unloadable"      // it breaks the form of rule sets, or a condition is wrong
	TestFailed     RuleSetFaultCode = "test_failed"     // one of its tests does not hold, or a rule has none
	NameTaken      RuleSetFaultCode = "name_taken"      // a built-in rule set has the name
	OtherCatalogue RuleSetFaultCode = "other_catalogue" // it speaks of another catalogue than reports do
	TooCostly      RuleSetFaultCode = "too_costly"      // trying it takes too long
	NoRoom         RuleSetFaultCode = "no_room"         // the organisation has published as many as it may
)

// CheckedRuleSet is a rule set that can be published.
type CheckedRuleSet struct {
	Set     *ruleset.Set
	Remarks []rulecheck.Finding // what is odd about it, and does no harm
}

// Bounds of what a rule set may cost to try. Its size, the number of its entries and the cost of
// each condition are bounded by package ruleset.
//
// Who waits for the turn of another waits longer than that one may take ([Options.TryFor]): one
// organisation alone keeps no other from its turn. The timeouts of the server leave room for both.
const (
	maxTrials    = 10_000_000 // rules times tests
	longerToWait = 10 * time.Second
	triedAtOnce  = 1
	maxPublished = 500 // versions, by one organisation
)

// CheckRuleSet reads a rule set in YAML or JSON, whole or as an overlay on one that is built in,
// runs its tests and looks through it; nothing is stored. The error is a [*FaultyRuleSetError], or [ErrBusy].
func (s *Service) CheckRuleSet(ctx context.Context, document []byte) (*CheckedRuleSet, error) {
	return s.checkFor(ctx, document, func(*ruleset.Set) error { return nil })
}

// checkFor checks a rule set for a purpose: whether it fits that is asked before it is tried.
func (s *Service) checkFor(ctx context.Context, document []byte, fits func(*ruleset.Set) error) (*CheckedRuleSet, error) {
	checked, err := s.checkRuleSet(ctx, document, fits)
	s.tell.RuleSetTried(trialOf(err))
	return checked, err
}

func (s *Service) checkRuleSet(ctx context.Context, document []byte, fits func(*ruleset.Set) error) (*CheckedRuleSet, error) {
	select {
	case s.trying <- struct{}{}:
		defer func() { <-s.trying }()
	case <-ctx.Done():
		return nil, ErrBusy
	case <-time.After(s.tryFor + longerToWait):
		return nil, ErrBusy
	}
	trial, cancel := context.WithTimeout(ctx, s.tryFor)
	defer cancel()
	set, err := s.shelf.loader.DocumentWithin(trial, "", document)
	var bad ruleset.Mistakes
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("try rule set: %w", ctx.Err())
	case trial.Err() != nil:
		return nil, s.tookTooLong()
	case errors.As(err, &bad):
		return nil, faulty(bad, func(m ruleset.Mistake) RuleSetFault {
			return RuleSetFault{Pointer: m.Pointer, Detail: m.Detail, Code: Unloadable, Entry: m.Entry, Line: m.Line, Column: m.Column}
		})
	case err != nil:
		return nil, fmt.Errorf("load rule set: %w", err)
	}
	if own := s.unfit(set); len(own) > 0 {
		return nil, &FaultyRuleSetError{own}
	}
	if err := fits(set); err != nil {
		return nil, err
	}
	failures, err := rulecheck.Test(trial, set)
	var remarks []rulecheck.Finding
	if err == nil && len(failures) == 0 {
		remarks, err = rulecheck.Lint(trial, set)
	}
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("try rule set: %w", ctx.Err())
	case err != nil:
		return nil, s.tookTooLong()
	case len(failures) > 0:
		return nil, faulty(failures, func(f rulecheck.Failure) RuleSetFault {
			return RuleSetFault{Pointer: f.Pointer, Detail: f.Detail, Code: TestFailed, Entry: f.Test, Line: f.Line}
		})
	}
	return &CheckedRuleSet{set, remarks}, nil
}

func (s *Service) tookTooLong() error {
	return &FaultyRuleSetError{[]RuleSetFault{{Detail: fmt.Sprintf("trying it takes more than %s: it needs fewer rules, simpler ones, or fewer tests", s.tryFor), Code: TooCostly}}}
}

func faulty[F any](list []F, one func(F) RuleSetFault) error {
	e := &FaultyRuleSetError{}
	for _, f := range list {
		e.Faults = append(e.Faults, one(f))
	}
	return e
}

// unfit says what keeps a sound rule set out of this service.
func (s *Service) unfit(set *ruleset.Set) (faults []RuleSetFault) {
	for _, b := range s.builtIn() {
		if b.Name == set.Name {
			faults = append(faults, RuleSetFault{Pointer: "/name", Detail: set.Name + " is built in: give yours a name of its own", Code: NameTaken})
		}
	}
	// Every report on a vehicle has to be readable under every rule set.
	if !bytes.Equal(catalogueText(set), catalogueText(s.current())) {
		faults = append(faults, RuleSetFault{Pointer: "/catalogue", Detail: "reports are read by the catalogue of " + s.current().Name + " " + s.current().Version + ": say extends and leave the catalogue out, or copy it as it is", Code: OtherCatalogue})
	}
	if trials := len(set.Rules) * len(set.Tests); trials > maxTrials {
		faults = append(faults, RuleSetFault{Pointer: "/tests", Detail: fmt.Sprintf("%d rules with %d tests are %d trials: %d is the limit", len(set.Rules), len(set.Tests), trials, maxTrials), Code: TooCostly})
	}
	return faults
}

// catalogueText is the catalogue of a rule set in canonical form.
func catalogueText(set *ruleset.Set) []byte {
	var form struct{ Catalogue json.RawMessage }
	if err := json.Unmarshal(set.Canonical, &form); err != nil {
		panic(fmt.Errorf("read rule set %s %s: %w", set.Name, set.Version, err)) // it was read before
	}
	return form.Catalogue
}

// Publish publishes a rule set that can be; from then on it never changes. Publishing the same
// again is harmless, which the result says. The error is that of [Service.CheckRuleSet],
// [ErrVersionPublished], or one of the store's.
func (own Account) Publish(ctx context.Context, document []byte) (checked *CheckedRuleSet, again bool, err error) {
	room := func(set *ruleset.Set) error { return own.roomFor(ctx, set) }
	if checked, err = own.service.checkFor(ctx, document, room); err != nil {
		return nil, false, err
	}
	set := checked.Set
	again, err = own.store().Publish(ctx, Publication{refOf(set), own.organisation, set.Is, own.service.clock()}, set.Canonical)
	if err != nil {
		return nil, false, fmt.Errorf("publish rule set %s %s: %w", set.Name, set.Version, err)
	}
	return checked, again, nil
}

// roomFor says whether the organisation may publish one more version; one that it has is no more.
func (own Account) roomFor(ctx context.Context, set *ruleset.Set) error {
	published, err := own.store().Published(ctx, own.organisation)
	if err != nil {
		return fmt.Errorf("count rule sets: %w", err)
	}
	known := slices.ContainsFunc(published, func(p Publication) bool { return p.Name == set.Name && p.Version == set.Version })
	if len(published) >= maxPublished && !known {
		return &FaultyRuleSetError{[]RuleSetFault{{Detail: fmt.Sprintf("%d versions are published, which is all there is room for", len(published)), Code: NoRoom}}}
	}
	return nil
}

func refOf(set *ruleset.Set) RuleSetRef { return RuleSetRef{set.Name, set.Version, set.Digest} }

// RuleSets lists the rule sets that assessments can be made under: the built-in ones, the one that
// is used unless another is named first, then those that were published, by name and version.
func (own Account) RuleSets(ctx context.Context) ([]Publication, error) {
	published, err := own.store().Published(ctx, own.organisation)
	if err != nil {
		return nil, fmt.Errorf("list rule sets: %w", err)
	}
	var all []Publication
	for _, set := range own.service.builtIn() {
		all = append(all, Publication{RuleSetRef: refOf(set), Is: set.Is})
	}
	slices.SortFunc(published, func(a, b Publication) int {
		if a.Name != b.Name {
			return strings.Compare(a.Name, b.Name)
		}
		return semver.Compare("v"+a.Version, "v"+b.Version)
	})
	return append(all, published...), nil
}

// RuleSet returns a rule set that assessments can be made under, in canonical form.
func (own Account) RuleSet(ctx context.Context, name, version string) (RuleSetRef, []byte, error) {
	ref, err := own.find(ctx, name, version)
	if err != nil {
		return ref, nil, err
	}
	for _, set := range own.service.builtIn() {
		if set.Digest == ref.Digest {
			return ref, set.Canonical, nil
		}
	}
	body, err := own.store().RuleSet(ctx, ref.Digest)
	if err != nil {
		return ref, nil, fmt.Errorf("load rule set %s %s: %w", name, version, err)
	}
	return ref, body, nil
}

// find finds a rule set by its name and version; without a version it is the latest of the name.
func (own Account) find(ctx context.Context, name, version string) (RuleSetRef, error) {
	all, err := own.RuleSets(ctx)
	if err != nil {
		return RuleSetRef{}, err
	}
	for _, p := range slices.Backward(all) {
		if p.Name == name && (version == "" || p.Version == version) {
			return p.RuleSetRef, nil
		}
	}
	return RuleSetRef{}, ErrNoSuchRuleSet
}
