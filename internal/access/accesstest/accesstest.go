// Package accesstest holds the suite that every store of keys must pass, and a fake of one.
package accesstest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"laidup/internal/access"
)

var at = time.Date(2026, 5, 2, 9, 30, 0, 0, time.UTC)

// Store runs the suite. Each call of open gives a fresh, empty store.
func Store(t *testing.T, open func(t *testing.T) access.Store) {
	for name, test := range map[string]func(*testing.T, access.Store){
		"a key is kept as it was made":             kept,
		"keys are listed by organisation":          listedBy,
		"only its organisation can revoke a key":   revoked,
		"the last use is the latest that was told": used,
		"a session lasts until it ends":            session,
		"whether there is any key that is good":    anyKey,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			test(t, open(t))
		})
	}
}

func key(id, organisation string) access.Key {
	return access.Key{ID: id, Organisation: organisation, Label: "the form – Werkstatt", Scopes: []access.Scope{access.PostReports, access.Read}, CreatedAt: at}
}

func add(t *testing.T, s access.Store, k access.Key) {
	t.Helper()
	if err := s.AddKey(t.Context(), k, "digest of "+k.ID); err != nil {
		t.Fatal(err)
	}
}

func get(t *testing.T, s access.Store, id string) access.Key {
	t.Helper()
	k, digest, err := s.KeyByID(t.Context(), id)
	if err != nil || digest != "digest of "+id {
		t.Fatalf("%q, %v", digest, err)
	}
	return k
}

func same(a, b access.Key) bool {
	return a.ID == b.ID && a.Organisation == b.Organisation && a.Label == b.Label && slices.Equal(a.Scopes, b.Scopes) &&
		a.CreatedAt.Equal(b.CreatedAt) && a.ExpiresAt.Equal(b.ExpiresAt) && a.RevokedAt.Equal(b.RevokedAt) && a.LastUsedAt.Equal(b.LastUsedAt)
}

func kept(t *testing.T, s access.Store) {
	k := key("a", "ours")
	k.ExpiresAt = at.Add(time.Hour)
	add(t, s, k)
	if got := get(t, s, "a"); !same(got, k) {
		t.Errorf("%+v, want %+v", got, k)
	}
	if err := s.AddKey(t.Context(), k, "another"); err == nil {
		t.Error("an id was given twice")
	}
	if _, _, err := s.KeyByID(t.Context(), "b"); !errors.Is(err, access.ErrNotFound) {
		t.Errorf("an unknown one: %v", err)
	}
}

func ids(list []access.Key) string {
	var all []string
	for _, k := range list {
		all = append(all, k.ID)
	}
	return strings.Join(all, " ")
}

func listedBy(t *testing.T, s access.Store) {
	late := key("b", "ours")
	late.CreatedAt = at.Add(time.Second)
	for _, k := range []access.Key{late, key("c", "ours"), key("a", "theirs")} {
		add(t, s, k)
	}
	for organisation, want := range map[string]string{"ours": "c b", "theirs": "a", "nobody": "", "": "c b a"} {
		if list, err := s.Keys(t.Context(), organisation); err != nil || ids(list) != want {
			t.Errorf("%q has %q, want %q (%v)", organisation, ids(list), want, err)
		}
	}
}

func revoked(t *testing.T, s access.Store) {
	add(t, s, key("a", "ours"))
	if err := s.RevokeKey(t.Context(), "theirs", "a", at); !errors.Is(err, access.ErrNotFound) {
		t.Errorf("by strangers: %v", err)
	}
	if k := get(t, s, "a"); !k.RevokedAt.IsZero() {
		t.Error("strangers revoked it")
	}
	for _, when := range []time.Time{at, at.Add(time.Hour)} {
		if err := s.RevokeKey(t.Context(), "ours", "a", when); err != nil {
			t.Error(err)
		}
	}
	if k := get(t, s, "a"); !k.RevokedAt.Equal(at) {
		t.Errorf("revoked at %s", k.RevokedAt)
	}
}

func used(t *testing.T, s access.Store) {
	add(t, s, key("a", "ours"))
	for _, when := range []time.Time{at.Add(time.Minute), at} {
		if err := s.KeyUsed(t.Context(), "a", when); err != nil {
			t.Error(err)
		}
	}
	if err := s.KeyUsed(t.Context(), "none", at); err != nil {
		t.Error(err)
	}
	if k := get(t, s, "a"); !k.LastUsedAt.Equal(at.Add(time.Minute)) {
		t.Errorf("used at %s", k.LastUsedAt)
	}
}

func session(t *testing.T, s access.Store) {
	is := func(digest, want string, when time.Time) {
		t.Helper()
		id, err := s.Session(t.Context(), digest, when)
		if id != want || (want == "") != errors.Is(err, access.ErrNotFound) {
			t.Errorf("%q (%v), want %q", id, err, want)
		}
	}
	for _, d := range []string{"one", "two", "three"} {
		if err := s.AddSession(t.Context(), d, "key of "+d, at, at.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	is("one", "key of one", at)
	is("one", "", at.Add(time.Hour))
	is("none", "", at)
	for _, d := range []string{"one", "none"} {
		if err := s.EndSession(t.Context(), d); err != nil {
			t.Error(err)
		}
	}
	is("one", "", at)
	is("two", "key of two", at)
	// Whoever signs in clears away what ended by itself, and the oldest of too many by the same key.
	for n := range access.MaxSessions + 2 {
		since := at.Add(2*time.Hour + time.Duration(n)*time.Second)
		if err := s.AddSession(t.Context(), fmt.Sprint("again ", n), "key of one", since, since.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	is("two", "", at)
	late := at.Add(2*time.Hour + 30*time.Minute)
	is("again 0", "", late)
	is("again 1", "", late)
	is("again 2", "key of one", late)
	is(fmt.Sprint("again ", access.MaxSessions+1), "key of one", late)
}

func anyKey(t *testing.T, s access.Store) {
	is := func(want bool) {
		t.Helper()
		if got, err := s.AnyKey(t.Context(), at); err != nil || got != want {
			t.Errorf("%t, want %t (%v)", got, want, err)
		}
	}
	is(false)
	past := key("a", "ours")
	past.ExpiresAt = at
	add(t, s, past)
	is(false)
	add(t, s, key("b", "ours"))
	is(true)
	if err := s.RevokeKey(t.Context(), "ours", "b", at); err != nil {
		t.Fatal(err)
	}
	is(false)
}

// Memory is an [access.Store] that forgets everything with the process. The zero value is empty.
type Memory struct {
	mu       sync.Mutex
	keys     map[string]access.Key
	digests  map[string]string
	sessions map[string]begun
}

type begun struct {
	key     string
	expires time.Time
}

var _ access.Store = (*Memory)(nil)

// AddKey implements [access.Store].
func (m *Memory) AddKey(_ context.Context, k access.Key, digest string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.keys == nil {
		m.keys, m.digests = map[string]access.Key{}, map[string]string{}
	}
	if _, taken := m.keys[k.ID]; taken {
		return errors.New("the id is taken")
	}
	m.keys[k.ID], m.digests[k.ID] = k, digest
	return nil
}

// KeyByID implements [access.Store].
func (m *Memory) KeyByID(_ context.Context, id string) (access.Key, string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	k, ok := m.keys[id]
	if !ok {
		return k, "", access.ErrNotFound
	}
	return k, m.digests[id], nil
}

// Keys implements [access.Store].
func (m *Memory) Keys(_ context.Context, organisation string) ([]access.Key, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []access.Key
	for _, k := range m.keys {
		if organisation == "" || k.Organisation == organisation {
			list = append(list, k)
		}
	}
	slices.SortFunc(list, func(a, b access.Key) int {
		return cmp.Or(strings.Compare(a.Organisation, b.Organisation), a.CreatedAt.Compare(b.CreatedAt), strings.Compare(a.ID, b.ID))
	})
	return list, nil
}

// RevokeKey implements [access.Store].
func (m *Memory) RevokeKey(_ context.Context, organisation, id string, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	k, ok := m.keys[id]
	if !ok || k.Organisation != organisation {
		return access.ErrNotFound
	}
	if k.RevokedAt.IsZero() {
		k.RevokedAt = at
	}
	m.keys[id] = k
	return nil
}

// KeyUsed implements [access.Store].
func (m *Memory) KeyUsed(_ context.Context, id string, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if k, ok := m.keys[id]; ok && at.After(k.LastUsedAt) {
		k.LastUsedAt = at
		m.keys[id] = k
	}
	return nil
}

// AddSession implements [access.Store].
func (m *Memory) AddSession(_ context.Context, digest, keyID string, at, expires time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sessions == nil {
		m.sessions = map[string]begun{}
	}
	m.sessions[digest] = begun{keyID, expires}
	maps.DeleteFunc(m.sessions, func(_ string, b begun) bool { return !at.Before(b.expires) })
	own := slices.SortedFunc(maps.Keys(m.sessions), func(a, b string) int {
		return m.sessions[b].expires.Compare(m.sessions[a].expires)
	})
	own = slices.DeleteFunc(own, func(d string) bool { return m.sessions[d].key != keyID })
	for _, d := range own[min(len(own), access.MaxSessions):] {
		delete(m.sessions, d)
	}
	return nil
}

// Session implements [access.Store].
func (m *Memory) Session(_ context.Context, digest string, at time.Time) (string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	b, ok := m.sessions[digest]
	if !ok || !at.Before(b.expires) {
		return "", access.ErrNotFound
	}
	return b.key, nil
}

// EndSession implements [access.Store].
func (m *Memory) EndSession(_ context.Context, digest string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.sessions, digest)
	return nil
}

// AnyKey implements [access.Store].
func (m *Memory) AnyKey(_ context.Context, at time.Time) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, k := range m.keys {
		if k.Live(at) {
			return true, nil
		}
	}
	return false, nil
}
