// Package access says who may do what: API keys, each of one organisation, with scopes, an end and a
// revocation. Of a key only a digest is stored; the key itself is shown once.
package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/golang-lru/v2/simplelru"
)

// Scope is one thing that a key may be used for.
type Scope string

// The scopes.
const (
	PostReports    Scope = "reports"   // post reports, and read what comes of them
	Read           Scope = "read"      // read vehicles, assessments and rule sets
	PublishRules   Scope = "rule_sets" // publish rule sets
	Webhooks       Scope = "webhooks"  // manage the organisation's webhooks
	Administration Scope = "admin"     // manage the organisation's keys, read metrics; and all the others
)

// Scopes lists all scopes.
var Scopes = []Scope{PostReports, Read, PublishRules, Webhooks, Administration}

// Workshop is the organisation of who works on one machine without keys.
const Workshop = "workshop"

// Key is what is known of an API key. Times are zero for never.
type Key struct {
	ID           string // public: the part of the key between lu_ and the last _
	Organisation string
	Label        string // what it is for, in the words of who made it
	Scopes       []Scope
	CreatedAt    time.Time
	ExpiresAt    time.Time
	RevokedAt    time.Time
	LastUsedAt   time.Time // to about a minute
}

// May says whether the key may be used for something.
func (k Key) May(s Scope) bool {
	return slices.Contains(k.Scopes, s) || slices.Contains(k.Scopes, Administration) ||
		s == Read && slices.Contains(k.Scopes, PostReports)
}

// Live says whether the key is good at a time.
func (k Key) Live(at time.Time) bool {
	return k.RevokedAt.IsZero() && (k.ExpiresAt.IsZero() || at.Before(k.ExpiresAt))
}

// ErrUnknownKey means that a key is unknown, revoked or expired: which of these is not said.
var ErrUnknownKey = errors.New("unknown key")

// ErrNotFound means that an organisation has no such key.
var ErrNotFound = errors.New("no such key")

// Store keeps keys with their digests.
type Store interface {
	// AddKey stores a new key. Times are stored to the millisecond.
	AddKey(ctx context.Context, k Key, digest string) error
	// KeyByID returns a key of any organisation with its digest; [ErrNotFound] if there is none.
	KeyByID(ctx context.Context, id string) (Key, string, error)
	// Keys lists the keys of an organisation, oldest first; of every organisation if that is empty.
	Keys(ctx context.Context, organisation string) ([]Key, error)
	// RevokeKey ends a key of an organisation; one that was revoked before stays as it was.
	// [ErrNotFound] if the organisation has no such key.
	RevokeKey(ctx context.Context, organisation, id string, at time.Time) error
	// KeyUsed notes when a key was used.
	KeyUsed(ctx context.Context, id string, at time.Time) error
	// AddSession notes that somebody has signed in by a key, from a time until another. What ended before, and of
	// that key all but the newest [MaxSessions], is cleared away.
	AddSession(ctx context.Context, digest, keyID string, at, expires time.Time) error
	// Session returns the id of the key that somebody has signed in by; [ErrNotFound] if nobody has,
	// or it has ended.
	Session(ctx context.Context, digest string, at time.Time) (keyID string, err error)
	// EndSession ends a session. It is no error if there is none.
	EndSession(ctx context.Context, digest string) error
	// AnyKey says whether any key of any organisation is good at a time.
	AnyKey(ctx context.Context, at time.Time) (bool, error)
}

// Keys makes keys and recognises them. It is safe for concurrent use.
type Keys struct {
	store Store
	clock func() time.Time
	log   *slog.Logger

	mu   sync.Mutex
	seen *simplelru.LRU[string, recognised] // by digest
}

// recognised is a key that the store was asked for not long ago.
type recognised struct {
	Key
	at time.Time
}

// How long a key that was recognised is taken without asking the store again: a revocation by
// another process takes as long to be heard of.
const trusted = 3 * time.Second

// noteEvery is how often the use of a key is noted.
const noteEvery = time.Minute

// New returns the keys of a store. clock and log may be nil.
func New(store Store, clock func() time.Time, log *slog.Logger) *Keys {
	if clock == nil {
		clock = time.Now
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	seen, _ := simplelru.NewLRU[string, recognised](10_000, nil) // fails on a size below one alone
	return &Keys{store: store, clock: clock, log: log, seen: seen}
}

// MaxKeys is how many keys of an organisation may be good at once.
const MaxKeys = 100

// Order is a key that is wanted.
type Order struct {
	Organisation string
	Label        string
	Scopes       []Scope
	ExpiresAt    time.Time // zero: never
}

// OrderError says everything that is wrong with an order.
type OrderError []string

// Error lists what is wrong.
func (e OrderError) Error() string { return strings.Join(e, "; ") }

var organisationForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func (o Order) check(now time.Time) error {
	var wrong OrderError
	if !organisationForm.MatchString(o.Organisation) || len(o.Organisation) > 60 {
		wrong = append(wrong, fmt.Sprintf("organisation %q is not a name such as brennick-motors: up to 60 small letters and digits, with single hyphens between", o.Organisation))
	}
	if strings.TrimSpace(o.Label) == "" || len(o.Label) > 100 || strings.ContainsFunc(o.Label, func(r rune) bool { return !unicode.IsPrint(r) }) || !utf8.ValidString(o.Label) {
		wrong = append(wrong, "the label has to say in up to 100 letters what the key is for: lists and terminals show it")
	}
	if len(o.Scopes) == 0 {
		wrong = append(wrong, "a key without scopes is good for nothing: give some of "+listed(Scopes))
	}
	for _, s := range o.Scopes {
		if !slices.Contains(Scopes, s) {
			wrong = append(wrong, fmt.Sprintf("there is no scope %q: the scopes are %s", s, listed(Scopes)))
		}
	}
	if !o.ExpiresAt.IsZero() && !o.ExpiresAt.After(now) {
		wrong = append(wrong, "the key would have expired already")
	}
	if len(wrong) > 0 {
		return wrong
	}
	return nil
}

func listed(scopes []Scope) string {
	words := make([]string, len(scopes))
	for i, s := range scopes {
		words[i] = string(s)
	}
	return strings.Join(words, ", ")
}

// Create makes a key and returns it with what is stored of it. The key cannot be had again. The
// error is an [OrderError] or one of the store's.
func (k *Keys) Create(ctx context.Context, o Order) (token string, made Key, err error) {
	now := k.clock()
	if err := o.check(now); err != nil {
		return "", Key{}, err
	}
	// Each key has a pace of its own: who makes keys without end would have none.
	all, err := k.store.Keys(ctx, o.Organisation)
	if err != nil {
		return "", Key{}, fmt.Errorf("count keys: %w", err)
	}
	if live := len(slices.DeleteFunc(all, func(k Key) bool { return !k.Live(now) })); live >= MaxKeys {
		return "", Key{}, OrderError{fmt.Sprintf("%s has %d keys: revoke those that nobody needs", o.Organisation, live)}
	}
	scopes := slices.Clone(o.Scopes)
	slices.Sort(scopes)
	made = Key{
		ID: strings.ToLower(rand.Text()[:10]), Organisation: o.Organisation, Label: o.Label,
		Scopes: slices.Compact(scopes), CreatedAt: now, ExpiresAt: o.ExpiresAt,
	}
	token = tokenStart + made.ID + "_" + strings.ToLower(rand.Text())
	if err := k.store.AddKey(ctx, made, digest(token)); err != nil {
		return "", Key{}, fmt.Errorf("store key %s: %w", made.ID, err)
	}
	return token, made, nil
}

const tokenStart = "lu_"

var tokenForm = regexp.MustCompile(`^lu_([a-z2-7]{10})_[a-z2-7]{26}$`)

// digest is what is stored of a key. A key has 128 random bits: no slow hash is needed to keep
// anybody from guessing it.
func digest(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// Authenticate recognises a key. The error is [ErrUnknownKey] or one of the store's.
func (k *Keys) Authenticate(ctx context.Context, token string) (Key, error) {
	form := tokenForm.FindStringSubmatch(token)
	if form == nil {
		return Key{}, ErrUnknownKey
	}
	now, presented := k.clock(), digest(token)
	key, known := k.recall(presented, now)
	if !known {
		var stored string
		var err error
		key, stored, err = k.store.KeyByID(ctx, form[1])
		switch {
		case errors.Is(err, ErrNotFound):
			return Key{}, ErrUnknownKey
		case err != nil:
			return Key{}, fmt.Errorf("look for key %s: %w", form[1], err)
		case subtle.ConstantTimeCompare([]byte(stored), []byte(presented)) != 1:
			return Key{}, ErrUnknownKey
		}
	}
	if !key.Live(now) {
		return Key{}, ErrUnknownKey
	}
	if now.Sub(key.LastUsedAt) >= noteEvery {
		// That a key was used is no reason to refuse it.
		if err := k.store.KeyUsed(ctx, key.ID, now); err != nil {
			k.log.WarnContext(ctx, "use of key not noted", "key", key.ID, "error", err)
		}
		key.LastUsedAt, known = now, false
	}
	if !known {
		k.mu.Lock()
		k.seen.Add(presented, recognised{key, now})
		k.mu.Unlock()
	}
	return key, nil
}

// StillGood asks the store once more whether a key that was recognised before is good. The error is
// [ErrUnknownKey] or one of the store's.
func (k *Keys) StillGood(ctx context.Context, id string) error {
	key, _, err := k.store.KeyByID(ctx, id)
	switch {
	case errors.Is(err, ErrNotFound), err == nil && !key.Live(k.clock()):
		return ErrUnknownKey
	case err != nil:
		return fmt.Errorf("look for key %s: %w", id, err)
	}
	return nil
}

// recall returns a key that was recognised so lately that it is trusted still.
func (k *Keys) recall(digest string, now time.Time) (Key, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	r, ok := k.seen.Get(digest)
	return r.Key, ok && now.Sub(r.at) < trusted && !now.Before(r.at)
}

// Bounds of sessions.
const (
	SessionTime = 12 * time.Hour // how long somebody stays signed in
	MaxSessions = 20             // how many may be signed in by one key: the oldest is signed out for the next
)

// SignIn begins a session with a key that was recognised, and returns what is to be kept in a cookie. The error is
// one of the store's.
func (k *Keys) SignIn(ctx context.Context, key Key) (session string, err error) {
	session = strings.ToLower(rand.Text())
	now := k.clock()
	if err := k.store.AddSession(ctx, digest(session), key.ID, now, now.Add(SessionTime)); err != nil {
		return "", fmt.Errorf("store session of key %s: %w", key.ID, err)
	}
	return session, nil
}

// SignedIn returns the key that a session was begun with, as long as both are good. The error is
// [ErrUnknownKey] or one of the store's.
func (k *Keys) SignedIn(ctx context.Context, session string) (Key, error) {
	now := k.clock()
	id, err := k.store.Session(ctx, digest(session), now)
	var key Key
	if err == nil {
		key, _, err = k.store.KeyByID(ctx, id)
	}
	switch {
	case errors.Is(err, ErrNotFound):
		return Key{}, ErrUnknownKey
	case err != nil:
		return Key{}, fmt.Errorf("look for session: %w", err)
	case !key.Live(now):
		return Key{}, ErrUnknownKey
	}
	return key, nil
}

// SignOut ends a session.
func (k *Keys) SignOut(ctx context.Context, session string) error {
	if err := k.store.EndSession(ctx, digest(session)); err != nil {
		return fmt.Errorf("end session: %w", err)
	}
	return nil
}

// List lists the keys of an organisation, oldest first; of every organisation if that is empty.
func (k *Keys) List(ctx context.Context, organisation string) ([]Key, error) {
	all, err := k.store.Keys(ctx, organisation)
	if err != nil {
		return nil, fmt.Errorf("list keys: %w", err)
	}
	return all, nil
}

// Revoke ends a key of an organisation at once in this process, and within seconds in others. The
// error is [ErrNotFound] or one of the store's.
func (k *Keys) Revoke(ctx context.Context, organisation, id string) error {
	if err := k.store.RevokeKey(ctx, organisation, id, k.clock()); err != nil {
		return fmt.Errorf("revoke key %s: %w", id, err)
	}
	k.mu.Lock()
	k.seen.Purge()
	k.mu.Unlock()
	return nil
}

// Any says whether there is a key that is good.
func (k *Keys) Any(ctx context.Context) (bool, error) {
	any, err := k.store.AnyKey(ctx, k.clock())
	if err != nil {
		return false, fmt.Errorf("look for keys: %w", err)
	}
	return any, nil
}
