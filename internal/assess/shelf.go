package assess

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"github.com/hashicorp/golang-lru/v2/simplelru"

	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// shelf has the rule sets that assessments are made under: the built-in ones, and of those that are
// stored the ones used last, compiled.
type shelf struct {
	store   Store
	loader  *ruleset.Loader
	builtIn []*score.Scorer

	mu      sync.Mutex
	used    *simplelru.LRU[string, *score.Scorer]
	reading map[string]chan struct{} // by organisation; closed once it is done
}

// onShelf is how many stored rule sets stay compiled: some megabytes each.
const onShelf = 16

func newShelf(o Options) (*shelf, error) {
	used, err := simplelru.NewLRU[string, *score.Scorer](onShelf, nil)
	if err != nil {
		return nil, fmt.Errorf("make shelf of rule sets: %w", err)
	}
	s := &shelf{store: o.Store, loader: o.Loader.Knowing(o.RuleSets...), used: used, reading: map[string]chan struct{}{}}
	for _, set := range o.RuleSets {
		s.builtIn = append(s.builtIn, score.New(set))
	}
	return s, nil
}

// version returns the rule set that an assessment of an organisation is or was made under. Of one
// organisation one is read at a time, so that whoever has many and large ones takes neither all the
// memory nor the turn of others.
func (s *shelf) version(ctx context.Context, organisation string, ref RuleSetRef) (*score.Scorer, error) {
	for _, b := range s.builtIn {
		if b.RuleSet().Digest == ref.Digest {
			return b, nil
		}
	}
	for {
		s.mu.Lock()
		if known, ok := s.used.Get(ref.Digest); ok {
			s.mu.Unlock()
			return known, nil
		}
		other, busy := s.reading[organisation]
		if !busy {
			break
		}
		s.mu.Unlock()
		select {
		case <-other:
		case <-ctx.Done():
			return nil, fmt.Errorf("load rule set %s %s: %w", ref.Name, ref.Version, ctx.Err())
		}
	}
	done := make(chan struct{})
	s.reading[organisation] = done
	s.mu.Unlock()
	scorer, err := s.read(ctx, ref)
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.reading, organisation)
	close(done)
	if err == nil {
		s.used.Add(ref.Digest, scorer)
	}
	return scorer, err
}

func (s *shelf) read(ctx context.Context, ref RuleSetRef) (*score.Scorer, error) {
	body, err := s.store.RuleSet(ctx, ref.Digest)
	switch {
	case errors.Is(err, ErrNotFound):
		return nil, &UnscorableError{"Rule set gone", fmt.Sprintf("rule set %s %s (%s) is not there any more", ref.Name, ref.Version, ref.Digest)}
	case err != nil:
		return nil, fmt.Errorf("load rule set %s %s: %w", ref.Name, ref.Version, err)
	}
	set, err := s.loader.Document(ref.Name+" "+ref.Version, body)
	switch {
	case err != nil:
		return nil, &UnscorableError{"Rule set unreadable", fmt.Sprintf("rule set %s %s (%s) cannot be read by this version of the program: %s", ref.Name, ref.Version, ref.Digest, err)}
	case set.Digest != ref.Digest:
		return nil, fmt.Errorf("load rule set %s %s: its digest is %s, not %s", ref.Name, ref.Version, set.Digest, ref.Digest)
	}
	return score.New(set), nil
}
