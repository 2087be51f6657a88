package logging

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
)

// PanicError is what came of a piece of work that panicked.
type PanicError struct{ Cause any }

// Error says what it panicked with.
func (e *PanicError) Error() string { return fmt.Sprintf("panic: %v", e.Cause) }

// Guard runs do. A panic of it is logged with its stack and becomes a [*PanicError]: one piece of work that goes
// wrong ends no other. Panics with one of through are for somebody further out: they go on.
func Guard(ctx context.Context, log *slog.Logger, do func() error, through ...any) (err error) {
	defer func() {
		if cause := recover(); cause != nil {
			if slices.Contains(through, cause) {
				panic(cause)
			}
			log.ErrorContext(ctx, "panic", "cause", fmt.Sprint(cause), "stack", string(debug.Stack()))
			err = &PanicError{cause}
		}
	}()
	return do()
}
