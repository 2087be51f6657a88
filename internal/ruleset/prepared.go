package ruleset

import (
	"context"
	"fmt"

	"laidup/internal/condition"
)

// Prepared is a rule set that a [Loader] has read, in the form in which it loads fastest: for those that
// come with the program, since nobody checks it again.
type Prepared struct {
	Canonical []byte // as in [Set]
	Trees     []byte // of all conditions, as [condition.Trees] writes them
}

// Prepare takes down what a set loads fastest from.
func (s *Set) Prepare() (Prepared, error) {
	trees := condition.KeepTrees()
	if _, err := s.again(trees); err != nil {
		return Prepared{}, err
	}
	data, err := trees.JSON()
	return Prepared{s.Canonical, data}, err
}

// Set loads the rule set. Its tests stand in no file.
func (p Prepared) Set() (*Set, error) {
	trees, err := condition.ReadTrees(p.Trees)
	if err != nil {
		return nil, err
	}
	return (&Set{Canonical: p.Canonical}).again(trees)
}

func (s *Set) again(trees *condition.Trees) (*Set, error) {
	again, err := compile(context.Background(), kind.Document("", []byte("{}")), s.Canonical, trees)
	if err != nil {
		return nil, fmt.Errorf("load prepared rule set: %w", err)
	}
	return again, nil
}
