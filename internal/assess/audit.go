package assess

import (
	"context"
	"fmt"
	"time"
)

// Means is the way on which somebody came to do something.
type Means string

// The means.
const (
	ByKey     Means = "key"     // a request with an API key
	BySession Means = "session" // on the pages, signed in by a key
	OnMachine Means = "machine" // a request from this machine, where none needs a key
	ByCommand Means = "command" // on the command line
	ByService Means = "service" // nobody asked: the service keeps to what was set
)

// Actor is who does something.
type Actor struct {
	Through Means
	Key     string // the id of the API key; empty: none was needed
}

type actor struct{}

// By returns a context of what a does.
func By(ctx context.Context, a Actor) context.Context { return context.WithValue(ctx, actor{}, a) }

// ActorOf returns who does what is done under ctx: the service itself, unless somebody else is known.
func ActorOf(ctx context.Context) Actor {
	if a, ok := ctx.Value(actor{}).(Actor); ok {
		return a
	}
	return Actor{Through: ByService}
}

// The actions that the audit trail has. Each is written in the transaction in which it happens.
const (
	KeyMade             = "key.made"
	KeyRevoked          = "key.revoked"
	RuleSetPublished    = "rule_set.published"
	WithdrawnReport     = "report.withdrawn"
	WithdrawnOutcome    = "outcome.withdrawn"
	VehicleErased       = "vehicle.erased"
	RetentionSet        = "retention.set"
	DataExported        = "data.exported"
	DataImported        = "data.imported"
	SubscriptionMade    = "subscription.made"
	SubscriptionEnded   = "subscription.ended"
	SubscriptionRotated = "subscription.rotated"
	SubscriptionResumed = "subscription.resumed"
)

// Actions lists the actions.
var Actions = []string{
	KeyMade, KeyRevoked, RuleSetPublished, WithdrawnReport, WithdrawnOutcome, VehicleErased, RetentionSet, DataExported, DataImported,
	SubscriptionMade, SubscriptionEnded, SubscriptionRotated, SubscriptionResumed,
}

// AuditEntry is something that somebody did. Nothing in it says what a vehicle is called or what was found on it.
type AuditEntry struct {
	ID      string
	At      time.Time
	By      Actor
	Action  string
	Subject string // the id of what it was done to; empty: it has none that may be kept
	Detail  []byte // a JSON object
}

// AuditPage asks for what was done, the newest first. Cursor: BeforeID of the last one seen; empty starts at
// the beginning.
type AuditPage struct {
	Organisation string
	BeforeID     string
	Limit        int
}

// Audit lists what was done; the organisation of the page is filled in.
func (own Account) Audit(ctx context.Context, p AuditPage) ([]AuditEntry, error) {
	p.Organisation = own.organisation
	list, err := own.store().Audit(ctx, p)
	if err != nil {
		return nil, fmt.Errorf("read audit trail: %w", err)
	}
	return list, nil
}
