package assess

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// The bounds of a retention. A mistyped number is not to erase what is in use.
const (
	MinRetention = 30
	MaxRetention = 36500
)

// Outlived is a vehicle that was kept for as long as its organisation wants: its newest report came before a time.
type Outlived struct {
	Organisation, Vehicle string
	Before                time.Time
}

// retainedAtOnce is how many vehicles a sweep erases for their age: what else a sweep does is not to wait.
const retainedAtOnce = 20

// Retention returns after how many days without a report vehicles are erased; 0: they are kept.
func (own Account) Retention(ctx context.Context) (days int, err error) {
	if days, err = own.store().Retention(ctx, own.organisation); err != nil {
		return 0, fmt.Errorf("load retention: %w", err)
	}
	return days, nil
}

// SetRetention sets after how many days without a report vehicles are erased; 0 keeps them.
func (own Account) SetRetention(ctx context.Context, days int) error {
	if err := own.store().SetRetention(ctx, own.organisation, days); err != nil {
		return fmt.Errorf("set retention: %w", err)
	}
	own.service.log.InfoContext(ctx, "retention set", "days", days)
	return nil
}

// outlived erases some of the vehicles that were kept for long enough; the next sweep goes on. Of several
// processes that do so at once each finds less.
func (s *Service) outlived(ctx context.Context) error {
	now := s.clock()
	due, err := s.store.Outlived(ctx, now, retainedAtOnce)
	if err != nil {
		return fmt.Errorf("find vehicles that outlived their retention: %w", err)
	}
	var failed []error
	for _, o := range due {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		_, err := s.erase(ctx, Erasure{
			Organisation: o.Organisation, Vehicle: o.Vehicle, Because: "no report for longer than the retention of the organisation",
			At: now, Before: o.Before,
		})
		if err != nil && !errors.Is(err, ErrNotFound) && !errors.Is(err, ErrNewerReport) {
			failed = append(failed, err) // the others need not wait for it
		}
	}
	return errors.Join(failed...)
}
