package assess

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// ErrNewerReport means that a vehicle which was to be erased for its age has had a report since.
var ErrNewerReport = errors.New("vehicle has a newer report")

// Erasure is the wish to erase a vehicle with all that hangs on it.
type Erasure struct {
	Organisation string
	Vehicle      string // in any spelling
	Because      string // it is kept, and must not say what was erased
	At           time.Time
	// Before erases only a vehicle whose newest report came before it: [ErrNewerReport] else. Zero: any.
	Before time.Time
}

// Erased counts what was erased.
type Erased struct {
	Reports     int
	Assessments int
	Events      int
	Lines       int // of batches; they stay as numbers
	Attachments int // that no report on another vehicle links
}

// Detail is what the audit trail has of an erasure: why and how much, and not of what.
func (e Erased) Detail(because string) map[string]any {
	return map[string]any{"reason": because, "reports": e.Reports, "assessments": e.Assessments, "events": e.Events, "lines": e.Lines, "attachments": e.Attachments}
}

// erasedProblem is what a line of a batch has whose vehicle was erased.
var erasedProblem = string(lineProblem{"/problems/erased", "The vehicle was erased", "nothing is stored of it any more: neither the report nor what came of it", nil}.encode())

// ErasedProblem is why a line of a batch has neither vehicle nor assessment any more.
func ErasedProblem() []byte { return []byte(erasedProblem) }

// Erased says whether the line's vehicle was erased.
func (l Line) Erased() bool { return string(l.Problem) == erasedProblem }

// eraseTries is how often an erasure is tried that others are in the way of: who finishes an assessment of
// the vehicle at the same moment may hold what it needs, and the other way about.
const eraseTries = 3

// Erase removes a vehicle with all that hangs on it: reports, assessments, events and what was to be sent
// of them, its lines in batches, keys that made its reports' repeats harmless, photos that only its reports
// link. Work on it that is under way ends without a trace. The error is [ErrNotFound] or one of the store's.
func (own Account) Erase(ctx context.Context, reference, because string) (Erased, error) {
	return own.service.erase(ctx, Erasure{Organisation: own.organisation, Vehicle: reference, Because: because, At: own.service.clock()})
}

func (s *Service) erase(ctx context.Context, e Erasure) (done Erased, err error) {
	for range eraseTries {
		if done, err = s.store.Erase(ctx, e); !errors.Is(err, ErrUnavailable) || ctx.Err() != nil {
			break
		}
	}
	if err != nil {
		// No reference: what is said here is logged.
		return Erased{}, fmt.Errorf("erase vehicle: %w", err)
	}
	s.log.InfoContext(ctx, "vehicle erased", "reports", done.Reports, "assessments", done.Assessments, "events", done.Events, "lines", done.Lines, "attachments", done.Attachments)
	if err := s.tidyFiles(ctx); err != nil {
		s.log.WarnContext(ctx, "files of erased attachments wait for the sweep", "error", err)
	}
	return done, nil
}
