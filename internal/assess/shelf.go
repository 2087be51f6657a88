package assess

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"

	"github.com/hashicorp/golang-lru/v2/simplelru"
	"golang.org/x/sync/singleflight"

	"laidup/internal/logging"
	"laidup/internal/ruleset"
	"laidup/internal/score"
)

// shelf has the rule sets that assessments are made under: the built-in ones, and of those that are
// stored the ones used last, compiled.
type shelf struct {
	store   Store
	loader  *ruleset.Loader
	builtIn []*score.Scorer

	log *slog.Logger

	mu      sync.Mutex
	used    *simplelru.LRU[string, *score.Scorer]
	reading singleflight.Group // by organisation
}

// onShelf is how many stored rule sets stay compiled: some megabytes each.
const onShelf = 16

func newShelf(o Options) (*shelf, error) {
	used, err := simplelru.NewLRU[string, *score.Scorer](onShelf, nil)
	if err != nil {
		return nil, fmt.Errorf("make shelf of rule sets: %w", err)
	}
	s := &shelf{store: o.Store, loader: o.Loader.Knowing(o.RuleSets...), used: used, log: logging.Carrying(o.Log)}
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
		known, ok := s.used.Get(ref.Digest)
		s.mu.Unlock()
		if ok {
			return known, nil
		}
		turn := s.reading.DoChan(organisation, func() (any, error) {
			// Others wait for it as well: it does not end with who came first.
			return s.load(context.WithoutCancel(ctx), ref), nil
		})
		select {
		case done := <-turn:
			// Who had the turn may have asked for another one of the organisation.
			if got := done.Val.(loaded); got.digest == ref.Digest {
				return got.scorer, got.err
			}
		case <-ctx.Done():
			return nil, fmt.Errorf("load rule set %s %s: %w", ref.Name, ref.Version, ctx.Err())
		}
	}
}

// loaded is what has come of reading a rule set.
type loaded struct {
	digest string
	scorer *score.Scorer
	err    error
}

// load reads a rule set and keeps it. One that panics is unusable, and in nobody's way.
func (s *shelf) load(ctx context.Context, ref RuleSetRef) loaded {
	l := loaded{digest: ref.Digest}
	l.err = logging.Guard(ctx, s.log, func() (err error) {
		l.scorer, err = s.read(ctx, ref)
		return err
	})
	switch {
	case panicked(l.err):
		l.err = &UnscorableError{"Rule set unreadable", fmt.Sprintf("rule set %s %s (%s) cannot be read: this is our fault, tell us the digest", ref.Name, ref.Version, ref.Digest)}
	case l.err == nil:
		s.mu.Lock()
		s.used.Add(ref.Digest, l.scorer)
		s.mu.Unlock()
	}
	return l
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
		return nil, &UnscorableError{"Rule set damaged", fmt.Sprintf("what is stored of rule set %s %s (%s) was changed: its digest is %s; tell who runs the service to look it through (laidup verify)", ref.Name, ref.Version, ref.Digest, set.Digest)}
	}
	return score.New(set), nil
}
