package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"laidup/internal/assess"
	"laidup/internal/webhook"
)

var _ webhook.Store = (*Store)(nil)

// mine translates what is not there into the word that webhooks have for it.
func mine(err error, what, id string) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, assess.ErrNotFound):
		return webhook.ErrNotFound
	}
	return fmt.Errorf("%s %s: %w", what, id, err)
}

// AddSubscription implements [webhook.Store].
func (s *Store) AddSubscription(ctx context.Context, n webhook.Subscription, most int) error {
	d := deed{n.Organisation, assess.SubscriptionMade, n.ID, map[string]any{"types": n.Types}}
	err := s.execNoted(ctx, d, insertSubscription, n.ID, n.Organisation, n.URL, strings.Join(n.Types, " "), n.Secret, n.CreatedAt.UnixMilli(), most)
	if errors.Is(err, assess.ErrNotFound) {
		return webhook.ErrTooMany
	}
	return mine(err, "insert subscription", n.ID)
}

// Subscription implements [webhook.Store].
func (s *Store) Subscription(ctx context.Context, organisation, id string) (webhook.Subscription, error) {
	n, err := one(ctx, s.read, subscriptionFields, selectSubscription, organisation, id)
	return n, mine(err, "select subscription", id)
}

// Subscriptions implements [webhook.Store].
func (s *Store) Subscriptions(ctx context.Context, organisation string) ([]webhook.Subscription, error) {
	all, err := many(ctx, s.read, subscriptionFields, selectSubscriptions, organisation)
	return all, mine(err, "select subscriptions of", organisation)
}

// DeleteSubscription implements [webhook.Store]. Its deliveries go with their events: nobody sees them.
func (s *Store) DeleteSubscription(ctx context.Context, organisation, id string) error {
	return mine(s.execNoted(ctx, deed{organisation: organisation, action: assess.SubscriptionEnded, subject: id}, deleteSubscription, organisation, id), "delete subscription", id)
}

// RotateSecret implements [webhook.Store].
func (s *Store) RotateSecret(ctx context.Context, organisation, id, sealed string, until time.Time) error {
	return mine(s.execNoted(ctx, deed{organisation: organisation, action: assess.SubscriptionRotated, subject: id}, rotateSecret, until.UnixMilli(), sealed, organisation, id), "rotate secret of", id)
}

// DisableSubscription implements [webhook.Store].
func (s *Store) DisableSubscription(ctx context.Context, organisation, id, why string, at time.Time) error {
	err := s.exec(ctx, disableSubscription, at.UnixMilli(), why, organisation, id)
	if errors.Is(err, assess.ErrNotFound) {
		return nil // it is disabled already, or gone
	}
	return mine(err, "disable subscription", id)
}

// ResumeSubscription implements [webhook.Store].
func (s *Store) ResumeSubscription(ctx context.Context, organisation, id string) error {
	return mine(s.execNoted(ctx, deed{organisation: organisation, action: assess.SubscriptionResumed, subject: id}, resumeSubscription, organisation, id), "resume subscription", id)
}

// SendTo implements [webhook.Store].
func (s *Store) SendTo(ctx context.Context, organisation, id string, e assess.Event) (event string, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var n webhook.Subscription
		if err := tx.QueryRowContext(ctx, selectSubscription, organisation, id).Scan(subscriptionFields(&n)...); err != nil {
			return domain(err)
		}
		now := time.Now().UnixMilli()
		var err error
		if event, err = record(ctx, tx, organisation, e, now); err != nil {
			return err
		}
		if _, err = tx.ExecContext(ctx, insertDelivery, organisation, id, event, now); err != nil {
			return fmt.Errorf("insert delivery: %w", err)
		}
		return nil
	})
	return event, mine(err, "send to", id)
}

// Deliveries implements [webhook.Store].
func (s *Store) Deliveries(ctx context.Context, p webhook.Page) ([]webhook.Delivery, error) {
	before := p.Before
	if before == 0 {
		before = math.MaxInt64
	}
	all, err := many(ctx, s.read, deliveryFields, selectDeliveries, p.Organisation, p.Subscription, p.State, before, p.Limit)
	return all, mine(err, "select deliveries of", p.Subscription)
}

// Replay implements [webhook.Store].
func (s *Store) Replay(ctx context.Context, organisation, id, event string, at time.Time) error {
	return mine(s.exec(ctx, replayDelivery, at.UnixMilli(), organisation, id, event), "replay "+event+" to", id)
}

// ReplaySince implements [webhook.Store].
func (s *Store) ReplaySince(ctx context.Context, organisation, id string, since, at time.Time) (n int, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		n = 0
		for _, query := range []string{replayDeliveries, insertMissedDeliveries} {
			result, err := tx.ExecContext(ctx, query, at.UnixMilli(), organisation, id, since.UnixMilli())
			if err != nil {
				return err
			}
			changed, err := result.RowsAffected()
			if err != nil {
				return err
			}
			n += int(changed)
		}
		return nil
	})
	return n, mine(err, "replay to", id)
}

// dueSubscription is a subscription for which something is due.
type dueSubscription struct{ organisation, id string }

func dueFields(d *dueSubscription) []any { return []any{&d.organisation, &d.id} }

// Claim implements [webhook.Store]. A look costs less than a write, and mostly there is nothing.
func (s *Store) Claim(ctx context.Context, at, until time.Time, room webhook.Room) ([]webhook.Task, error) {
	due, err := many(ctx, s.read, dueFields, selectDueSubscriptions, at.UnixMilli())
	var tasks []webhook.Task
	if err == nil && len(due) > 0 {
		err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
			tasks, err = claim(ctx, tx, due, at, until, room)
			return err
		})
	}
	if err != nil {
		return nil, fmt.Errorf("claim deliveries: %w", err)
	}
	return tasks, nil
}

func claim(ctx context.Context, tx *sql.Tx, due []dueSubscription, at, until time.Time, room webhook.Room) (tasks []webhook.Task, err error) {
	type flight struct {
		of    dueSubscription
		tries int
	}
	flying, err := many(ctx, tx, func(f *flight) []any { return append(dueFields(&f.of), &f.tries) }, selectFlying, at.UnixMilli())
	if err != nil {
		return nil, err
	}
	ofOne, ofAll := map[string]int{}, map[string]int{}
	for _, f := range flying {
		ofOne[f.of.id] += f.tries
		ofAll[f.of.organisation] += f.tries
	}
	// One of each organisation, then one more of each, and so on; among its subscriptions each in turn.
	rand.Shuffle(len(due), func(i, j int) { due[i], due[j] = due[j], due[i] }) // #nosec G404 -- nobody gains by guessing it
	numbers := map[string][]int64{}                                            // of each subscription, what is due and not chosen yet
	var chosen []int64
	for len(due) > 0 && len(chosen) < room.AtOnce {
		var later []dueSubscription
		had := map[string]bool{} // the organisations, this time round
		for _, d := range due {
			switch next, known := numbers[d.id]; {
			case len(chosen) == room.AtOnce || ofOne[d.id] >= room.OfSubscription || ofAll[d.organisation] >= room.OfOrganisation:
				continue // there is no room for it
			case had[d.organisation]:
				later = append([]dueSubscription{d}, later...)
				continue
			case !known:
				if next, err = many(ctx, tx, func(n *int64) []any { return []any{n} }, selectDueOf, d.organisation, d.id, at.UnixMilli(), room.OfSubscription); err != nil {
					return nil, err
				}
				fallthrough
			default:
				if len(next) == 0 {
					continue
				}
				had[d.organisation] = true
				ofOne[d.id]++
				ofAll[d.organisation]++
				chosen, numbers[d.id] = append(chosen, next[0]), next[1:]
				later = append(later, d)
			}
		}
		due = later
	}
	// In one order, whoever claims: of two at once one waits for the other, and not each for the other.
	slices.Sort(chosen)
	for _, number := range chosen {
		result, err := tx.ExecContext(ctx, claimDelivery, until.UnixMilli(), at.UnixMilli(), number)
		if err != nil {
			return nil, err
		}
		if n, err := result.RowsAffected(); err != nil {
			return nil, err
		} else if n == 0 {
			continue // somebody else has it
		}
		var t webhook.Task
		if err := tx.QueryRowContext(ctx, selectTask, number).Scan(taskFields(&t)...); errors.Is(err, sql.ErrNoRows) {
			continue // the subscription ended this moment
		} else if err != nil {
			return nil, err
		}
		tasks = append(tasks, t)
	}
	return tasks, nil
}

// Settle implements [webhook.Store].
func (s *Store) Settle(ctx context.Context, number int64, r webhook.Result) error {
	err := s.exec(ctx, settleDelivery, r.State, r.Status, r.Trouble, r.At.UnixMilli(), r.DueAt.UnixMilli(), number)
	if err != nil && !errors.Is(err, assess.ErrNotFound) {
		return fmt.Errorf("settle delivery %d: %w", number, err)
	}
	return nil
}

// DeliveryBacklog implements [webhook.Store].
func (s *Store) DeliveryBacklog(ctx context.Context, at time.Time) (webhook.Backlog, error) {
	var b webhook.Backlog
	if err := row(ctx, s.read, []any{&b.Due, instant{&b.Oldest}}, selectDeliveryBacklog, at.UnixMilli()); err != nil {
		return webhook.Backlog{}, fmt.Errorf("select what is due: %w", err)
	}
	return b, nil
}

// PruneEvents implements [webhook.Store].
func (s *Store) PruneEvents(ctx context.Context, before time.Time, limit int) (n int, err error) {
	err = s.write(ctx, func(ctx context.Context, tx *sql.Tx) error {
		result, err := tx.ExecContext(ctx, pruneEvents, before.UnixMilli(), limit)
		if err != nil {
			return err
		}
		removed, err := result.RowsAffected()
		n = int(removed)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("delete old events: %w", err)
	}
	return n, nil
}

// wordList scans words with spaces between.
type wordList struct{ to *[]string }

// Scan implements [sql.Scanner].
func (l wordList) Scan(value any) error {
	var text sql.NullString
	if err := text.Scan(value); err != nil {
		return err
	}
	*l.to = strings.Fields(text.String)
	return nil
}

// subscriptionFields says where the subscriptionColumns go.
func subscriptionFields(n *webhook.Subscription) []any {
	return []any{
		&n.ID, &n.Organisation, &n.URL, wordList{&n.Types}, &n.Secret, &n.SecretBefore, instant{&n.BeforeUntil},
		instant{&n.CreatedAt}, instant{&n.DisabledAt}, &n.DisabledWhy,
	}
}

// deliveryFields says where the deliveryColumns go.
func deliveryFields(d *webhook.Delivery) []any {
	return []any{
		&d.Number, &d.Subscription, &d.Event, &d.Type, &d.State, &d.Attempts, &d.Status, &d.Trouble,
		instant{&d.TriedAt}, instant{&d.DueAt}, instant{&d.RecordedAt},
	}
}

// taskFields says where the columns of selectTask go.
func taskFields(t *webhook.Task) []any {
	return []any{
		&t.Number, &t.Attempts, &t.Event, &t.Body, &t.To.ID, &t.To.Organisation, &t.To.URL, &t.To.Secret, &t.To.SecretBefore, instant{&t.To.BeforeUntil},
	}
}
