// Package webhook tells an organisation's own programs what has happened, by the Standard Webhooks
// specification 1.0: who subscribes, with which secret, what is sent, how it is signed, and when it is
// tried again. The events themselves are written by the store, in the transaction that they happen in.
package webhook

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
)

// Subscription says who is told of what. Secrets are sealed: see [Key].
type Subscription struct {
	ID           string
	Organisation string
	URL          string
	Types        []string // of events; none: all
	Secret       string   // sealed
	SecretBefore string   // sealed; empty: there was no other
	BeforeUntil  time.Time
	CreatedAt    time.Time
	DisabledAt   time.Time // zero: it is told
	DisabledWhy  string
}

// State is how far a delivery has got.
type State string

// The states of a delivery.
const (
	Waiting   State = "waiting"
	Delivered State = "delivered"
	Dead      State = "dead" // nobody tries any more, unless it is replayed
)

// States lists the states of a delivery.
var States = []State{Waiting, Delivered, Dead}

// Delivery is an event on its way to a subscription. Its name is that of the event, which is the same
// at each try and each replay: receivers tell by it what they have had before.
type Delivery struct {
	Number       int64
	Subscription string
	Event        string
	Type         string
	State        State
	Attempts     int // since it was last begun with
	Status       int // of the last answer; zero: none came
	Trouble      string
	TriedAt      time.Time // zero: not yet
	DueAt        time.Time
	RecordedAt   time.Time // of the event
}

// Page asks for deliveries, newest first. Before is the number of the last one seen; zero begins with the newest.
type Page struct {
	Organisation, Subscription string
	State                      State // empty: any
	Before                     int64
	Limit                      int
}

// Task is a delivery that is to be tried now.
type Task struct {
	Number   int64
	Attempts int // that were made before
	Event    string
	Body     []byte
	To       Subscription // without what no delivery needs
}

// Result is what came of a try.
type Result struct {
	State   State
	Status  int
	Trouble string // in a word of ours: see [Attempt]
	At      time.Time
	DueAt   time.Time // of the next try
}

// Backlog is what is due and not delivered yet.
type Backlog struct {
	Due    int
	Oldest time.Time // since when the oldest is due; zero: there is none
}

// The errors of a [Store] and of [Hooks].
var (
	ErrNotFound = errors.New("no such subscription or delivery")
	ErrTooMany  = errors.New("too many subscriptions")
	ErrDisabled = errors.New("subscription is disabled")
	ErrNoKey    = errors.New("no key to seal secrets with")
)

// Room is how many deliveries may be tried at once, those that are leased already among them but for the last.
type Room struct {
	OfSubscription, OfOrganisation int
	AtOnce                         int // that are claimed
}

// Store keeps subscriptions and deliveries. What belongs to one organisation is unknown to every other:
// only who delivers asks for all.
type Store interface {
	// AddSubscription stores a new one, unless the organisation has most already: [ErrTooMany].
	AddSubscription(ctx context.Context, s Subscription, most int) error
	Subscription(ctx context.Context, organisation, id string) (Subscription, error)
	// Subscriptions lists those of an organisation, oldest first.
	Subscriptions(ctx context.Context, organisation string) ([]Subscription, error)
	// DeleteSubscription ends a subscription; nothing more is sent.
	DeleteSubscription(ctx context.Context, organisation, id string) error
	// RotateSecret makes the secret the one before, until a time, and sealed the secret.
	RotateSecret(ctx context.Context, organisation, id, sealed string, until time.Time) error
	// DisableSubscription stops a subscription and says why; one that is stopped stays as it is.
	DisableSubscription(ctx context.Context, organisation, id, why string, at time.Time) error
	// ResumeSubscription undoes that. What is waiting still is sent then.
	ResumeSubscription(ctx context.Context, organisation, id string) error

	// SendTo records an event and has it delivered to one subscription, whatever types that is for. It
	// returns the event's id.
	SendTo(ctx context.Context, organisation, id string, e assess.Event) (event string, err error)
	Deliveries(ctx context.Context, p Page) ([]Delivery, error)
	// Replay has a delivery made again, whether it arrived or not.
	Replay(ctx context.Context, organisation, id, event string, at time.Time) error
	// ReplaySince has everything made again that was recorded since a time, or that is dead, and what the
	// subscription would have got meanwhile, had it been there. It returns how many that are.
	ReplaySince(ctx context.Context, organisation, id string, since, at time.Time) (int, error)

	// Claim returns deliveries that are due, organisations in turn, and leases them until a time: nobody else
	// gets them before.
	Claim(ctx context.Context, at, until time.Time, room Room) ([]Task, error)
	// Settle writes what came of a try.
	Settle(ctx context.Context, number int64, r Result) error
	// DeliveryBacklog says what is due of all organisations, but for those that are disabled.
	DeliveryBacklog(ctx context.Context, at time.Time) (Backlog, error)
	// PruneEvents removes events from before a time with their deliveries, at most limit, and returns how many.
	PruneEvents(ctx context.Context, before time.Time, limit int) (int, error)
}

// MaxSubscriptions is how many subscriptions an organisation may have.
const MaxSubscriptions = 20

// OldSecretSigns is for how long the secret before a rotation signs as well.
const OldSecretSigns = 24 * time.Hour

// Kept is for how long events can be had.
const Kept = 30 * 24 * time.Hour

// Options are what [Hooks] are made of. Store is required.
type Options struct {
	Store    Store
	Key      *Key           // nil: nobody can subscribe
	Networks []netip.Prefix // of one's own, where receivers may be, too
	Clock    func() time.Time
}

// Hooks are the subscriptions. They are safe for concurrent use.
type Hooks struct {
	store Store
	key   *Key
	guard *Guard
	clock func() time.Time
	wake  chan struct{} // has room for one
}

// New returns the subscriptions of a store.
func New(o Options) *Hooks {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	return &Hooks{store: o.Store, key: o.Key, guard: NewGuard(o.Networks), clock: o.Clock, wake: make(chan struct{}, 1)}
}

// Wake says that something may be due now. It costs nothing, and nothing is lost without it.
func (h *Hooks) Wake() {
	select {
	case h.wake <- struct{}{}:
	default:
	}
}

// Fault is one thing that is wrong with an order.
type Fault struct {
	Pointer string `json:"pointer"` // JSON Pointer to it
	Code    string `json:"code"`
	Detail  string `json:"detail"`
}

// OrderError says everything that is wrong with an order.
type OrderError []Fault

// Error lists what is wrong.
func (e OrderError) Error() string {
	words := make([]string, len(e))
	for i, f := range e {
		words[i] = f.Pointer + ": " + f.Detail
	}
	return strings.Join(words, "; ")
}

// Order is a subscription that is wanted.
type Order struct {
	Organisation string
	URL          string
	Types        []string // none: all
}

func (h *Hooks) check(o Order) error {
	var wrong OrderError
	if err := h.guard.Check(o.URL); err != nil {
		wrong = append(wrong, Fault{"/url", "refused", err.Error()})
	}
	for i, t := range o.Types {
		at := fmt.Sprintf("/types/%d", i)
		switch {
		case !slices.Contains(assess.EventTypes, t):
			wrong = append(wrong, Fault{at, "unknown", "the types are " + strings.Join(assess.EventTypes, ", ")})
		case slices.Contains(o.Types[:i], t):
			wrong = append(wrong, Fault{at, "twice", "it stands there twice"})
		}
		if len(wrong) > 10 {
			break
		}
	}
	if len(wrong) > 0 {
		return wrong
	}
	return nil
}

// Subscribe makes a subscription and returns it with its secret, which cannot be had again. The error
// is an [OrderError], [ErrTooMany], [ErrNoKey] or one of the store's.
func (h *Hooks) Subscribe(ctx context.Context, o Order) (Subscription, string, error) {
	if err := h.check(o); err != nil {
		return Subscription{}, "", err
	}
	s := Subscription{
		ID: "sub_" + strings.ToLower(rand.Text()), Organisation: o.Organisation, URL: o.URL,
		Types: o.Types, CreatedAt: h.clock().UTC(),
	}
	secret, sealed, err := h.newSecret(s.ID)
	if err != nil {
		return Subscription{}, "", err
	}
	s.Secret = sealed
	if err := h.store.AddSubscription(ctx, s, MaxSubscriptions); err != nil {
		return Subscription{}, "", fmt.Errorf("store subscription: %w", err)
	}
	return s, secret, nil
}

// List lists the subscriptions of an organisation, oldest first.
func (h *Hooks) List(ctx context.Context, organisation string) ([]Subscription, error) {
	all, err := h.store.Subscriptions(ctx, organisation)
	if err != nil {
		return nil, fmt.Errorf("list subscriptions: %w", err)
	}
	return all, nil
}

// Get returns a subscription.
func (h *Hooks) Get(ctx context.Context, organisation, id string) (Subscription, error) {
	s, err := h.store.Subscription(ctx, organisation, id)
	if err != nil {
		return s, fmt.Errorf("load subscription %s: %w", id, err)
	}
	return s, nil
}

// Delete ends a subscription.
func (h *Hooks) Delete(ctx context.Context, organisation, id string) error {
	if err := h.store.DeleteSubscription(ctx, organisation, id); err != nil {
		return fmt.Errorf("delete subscription %s: %w", id, err)
	}
	return nil
}

// Rotate gives a subscription a new secret and returns it; the one before signs as well until the time returned.
func (h *Hooks) Rotate(ctx context.Context, organisation, id string) (secret string, until time.Time, err error) {
	if _, err := h.Get(ctx, organisation, id); err != nil { // before anything is said of keys
		return "", time.Time{}, err
	}
	secret, sealed, err := h.newSecret(id)
	if err != nil {
		return "", time.Time{}, err
	}
	until = h.clock().Add(OldSecretSigns).UTC()
	if err := h.store.RotateSecret(ctx, organisation, id, sealed, until); err != nil {
		return "", time.Time{}, fmt.Errorf("rotate secret of %s: %w", id, err)
	}
	return secret, until, nil
}

// Resume has a subscription that was disabled told again.
func (h *Hooks) Resume(ctx context.Context, organisation, id string) error {
	if err := h.store.ResumeSubscription(ctx, organisation, id); err != nil {
		return fmt.Errorf("resume subscription %s: %w", id, err)
	}
	h.Wake()
	return nil
}

// live returns a subscription that is told; [ErrDisabled] if it is not.
func (h *Hooks) live(ctx context.Context, organisation, id string) error {
	s, err := h.Get(ctx, organisation, id)
	if err == nil && !s.DisabledAt.IsZero() {
		return ErrDisabled
	}
	return err
}

// Test sends [assess.SubscriptionTest] to a subscription, the way of all events, and returns its id.
func (h *Hooks) Test(ctx context.Context, organisation, id string) (event string, err error) {
	if err := h.live(ctx, organisation, id); err != nil {
		return "", err
	}
	event, err = h.store.SendTo(ctx, organisation, id, assess.Event{Type: assess.SubscriptionTest, At: h.clock(), Data: map[string]string{"subscription": id}})
	if err != nil {
		return "", fmt.Errorf("send test to %s: %w", id, err)
	}
	h.Wake()
	return event, nil
}

// Deliveries lists deliveries.
func (h *Hooks) Deliveries(ctx context.Context, p Page) ([]Delivery, error) {
	if _, err := h.Get(ctx, p.Organisation, p.Subscription); err != nil {
		return nil, err
	}
	list, err := h.store.Deliveries(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("list deliveries of %s: %w", p.Subscription, err)
	}
	return list, nil
}

// Replay has a delivery made again.
func (h *Hooks) Replay(ctx context.Context, organisation, id, event string) error {
	if err := h.live(ctx, organisation, id); err != nil {
		return err
	}
	if err := h.store.Replay(ctx, organisation, id, event, h.clock()); err != nil {
		return fmt.Errorf("replay %s to %s: %w", event, id, err)
	}
	h.Wake()
	return nil
}

// ReplaySince has everything since a time, and everything dead, delivered again.
func (h *Hooks) ReplaySince(ctx context.Context, organisation, id string, since time.Time) (int, error) {
	if err := h.live(ctx, organisation, id); err != nil {
		return 0, err
	}
	n, err := h.store.ReplaySince(ctx, organisation, id, since, h.clock())
	if err != nil {
		return 0, fmt.Errorf("replay to %s: %w", id, err)
	}
	h.Wake()
	return n, nil
}

// Backlog says what is due.
func (h *Hooks) Backlog(ctx context.Context) (Backlog, error) {
	b, err := h.store.DeliveryBacklog(ctx, h.clock())
	if err != nil {
		return b, fmt.Errorf("ask for what is due: %w", err)
	}
	return b, nil
}
