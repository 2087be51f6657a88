// Package builtin loads the rule sets and the job book that come with the program. Rule sets are loaded from what package
// schema has prepared of them: reading what people write takes ten times as long. Each is loaded once, when it is first
// asked for, and never changes. What is built in wrongly panics: the tests of this package see that nothing is.
package builtin

import (
	"fmt"
	"io/fs"
	"strings"
	"sync"

	"laidup/internal/jobbook"
	"laidup/internal/ruleset"
	"laidup/schema"
)

var (
	loader      = sync.OnceValue(func() *ruleset.Loader { return must(ruleset.NewLoader(schema.FS)) })
	firstStart  = sync.OnceValue(func() *ruleset.Set { return must(load(schema.FirstStart)) })
	prePurchase = sync.OnceValue(func() *ruleset.Set { return must(load(schema.PrePurchase)) })
	jobs        = sync.OnceValue(func() *jobbook.Book { return must(readJobs(FirstStart())) })
)

// Loader reads rule sets that extend no other; see [ruleset.Loader.Knowing].
func Loader() *ruleset.Loader { return loader() }

// FirstStart is the rule set that is used unless another is named.
func FirstStart() *ruleset.Set { return firstStart() }

// PrePurchase is the rule set for a seller's yard; it extends [FirstStart].
func PrePurchase() *ruleset.Set { return prePurchase() }

// RuleSets are all of them, that of [FirstStart] first.
func RuleSets() []*ruleset.Set {
	var beside sync.WaitGroup
	beside.Go(func() { PrePurchase() })
	FirstStart()
	beside.Wait()
	return []*ruleset.Set{FirstStart(), PrePurchase()}
}

// Jobs is the generic job book, which has no prices, for [FirstStart].
func Jobs() *jobbook.Book { return jobs() }

// JobsOf returns a function that has the job book for any rule set, read once: the generic one, or what a workshop
// lays over that; nil: nothing. It is safe for concurrent use.
func JobsOf(overlay func(*jobbook.Book, *ruleset.Set) (*jobbook.Book, error)) func(*ruleset.Set) (*jobbook.Book, error) {
	type read struct {
		book *jobbook.Book
		err  error
	}
	const most = 16 // rule sets that somebody publishes come and go
	var mu sync.Mutex
	var order []*ruleset.Set
	known := map[*ruleset.Set]read{} // a book knows the findings of one set, and not of another that reads the same
	return func(set *ruleset.Set) (*jobbook.Book, error) {
		mu.Lock()
		defer mu.Unlock()
		r, ok := known[set]
		if !ok {
			if r.book, r.err = JobsFor(set); r.err == nil && overlay != nil {
				r.book, r.err = overlay(r.book, set)
			}
			if len(order) == most {
				delete(known, order[0])
				order = order[1:]
			}
			known[set], order = r, append(order, set)
		}
		return r.book, r.err
	}
}

// JobsFor reads the generic job book for a rule set, which takes a quarter of a second. The error is that of
// a rule set for which the book is not written.
func JobsFor(set *ruleset.Set) (*jobbook.Book, error) {
	if set == FirstStart() {
		return Jobs(), nil
	}
	return readJobs(set)
}

func readJobs(set *ruleset.Set) (*jobbook.Book, error) {
	l, err := jobbook.NewLoader(schema.FS, set)
	if err != nil {
		return nil, fmt.Errorf("read job books: %w", err)
	}
	book, err := l.Folder(schema.FS, schema.GenericJobs)
	if err != nil {
		return nil, fmt.Errorf("load the generic job book for rule set %s: %w", set.Name, err)
	}
	return book, nil
}

func must[T any](v T, err error) T {
	if err != nil {
		panic("builtin: " + err.Error())
	}
	return v
}

// files names what is prepared of the rule set in a folder of package schema.
func files(folder string) (canonical, trees string) {
	name := "prepared/" + strings.ReplaceAll(strings.TrimPrefix(folder, "rulesets/"), "/", "-")
	return name + ".json", name + ".trees.json"
}

func load(folder string) (*ruleset.Set, error) {
	canonical, trees := files(folder)
	var p ruleset.Prepared
	var err error
	if p.Canonical, err = fs.ReadFile(schema.FS, canonical); err != nil {
		return nil, fmt.Errorf("load %s: %w", folder, err)
	}
	if p.Trees, err = fs.ReadFile(schema.FS, trees); err != nil {
		return nil, fmt.Errorf("load %s: %w", folder, err)
	}
	set, err := p.Set()
	if err != nil {
		return nil, fmt.Errorf("load %s: %w", folder, err)
	}
	return set, nil
}
