package assess

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"laidup/internal/plan"
	"laidup/internal/score"
)

// What a stored record says has to be what its row says. These are asked by who looks a store through; the
// error says what is wrong.

// CheckReport looks whether a stored report still can be read, and says what stands beside it.
func (s *Service) CheckReport(r Report) error {
	read, _, faults := s.checker.Decode(r.Body)
	if len(faults) > 0 {
		return fmt.Errorf("it cannot be read: %s: %s", faults[0].Pointer, faults[0].Detail)
	}
	return errors.Join(
		agree("vehicle", strings.ToLower(read.Vehicle.Reference), strings.ToLower(r.Vehicle)),
		agree("date", read.Inspected.String(), r.Inspected),
		agree("reference", read.Reference, r.Reference),
	)
}

// CheckBody looks whether the body of a finished assessment can be read, and says what stands beside it.
func (a Assessment) CheckBody() error {
	var read score.Assessment
	if err := json.Unmarshal(a.Outcome.Body, &read); err != nil {
		return fmt.Errorf("it cannot be read: %w", err)
	}
	return errors.Join(
		agree("id", read.ID, a.ID),
		agree("report", read.Report, a.ReportID),
		agree("vehicle", read.Vehicle, a.Vehicle),
		agree("rule set", RuleSetRef(read.RuleSet), a.RuleSet),
		agree("date", read.AsOf, a.Outcome.AsOf),
		agree("gate", read.Verdict.Gate, a.Gate),
		agree("verdict", read.Verdict.State, a.Outcome.VerdictState),
		agree("number of blockers", read.Verdict.Blockers, a.Outcome.Blockers),
	)
}

// GatesOf returns the states of the gates by the summary of a finished assessment, as [GateStates.String] writes
// them; empty where there is no summary.
func GatesOf(summary []byte) (GateStates, error) {
	if len(summary) == 0 {
		return nil, nil
	}
	var read Summary
	if err := json.Unmarshal(summary, &read); err != nil {
		return nil, fmt.Errorf("its summary cannot be read: %w", err)
	}
	states := make(GateStates, len(read.Gates))
	for i, g := range read.Gates {
		states[i] = GateState{g.Gate, g.State, g.Blockers}
	}
	return states, nil
}

// CheckBody looks whether the body of a finished plan can be read, and says what stands beside it.
func (p Plan) CheckBody() error {
	var read plan.Plan
	if err := json.Unmarshal(p.Body, &read); err != nil {
		return fmt.Errorf("it cannot be read: %w", err)
	}
	return agree("id", read.ID, p.ID)
}

// CheckPhoto looks whether the files of an attachment are there, and have what they should. The error is one of files, or
// says what is wrong.
func (s *Service) CheckPhoto(ctx context.Context, a Attachment) error {
	digest := sha256.New()
	for _, name := range []string{a.File, ThumbnailOf(a.File)} {
		var into io.Writer = io.Discard
		what := "its thumbnail"
		if name == a.File {
			into, what = digest, "its file"
		}
		f, err := s.files.Open(ctx, name)
		if err == nil {
			_, err = io.Copy(into, f)
			err = errors.Join(err, f.Close())
		}
		switch {
		case errors.Is(err, ErrNotFound):
			return fmt.Errorf("%s is missing: nobody sees it", what)
		case err != nil && !errors.Is(err, ErrUnavailable):
			return fmt.Errorf("%s cannot be read: %w", what, err)
		case err != nil:
			return err
		}
	}
	if hex.EncodeToString(digest.Sum(nil)) != a.ID {
		return errors.New("its file is damaged: it is not what was stored")
	}
	return nil
}

func agree[T comparable](what string, read, stored T) error {
	if read == stored {
		return nil
	}
	return fmt.Errorf("its %s is %v, and %v is stored beside it", what, read, stored)
}

// SentAs says whether a fingerprint is that of a request by which a report came: with its gate and rule set
// named or not.
func (r Report) SentAs(print, gate string, set RuleSetRef) bool {
	for _, g := range []string{"", gate} {
		for _, named := range []string{"", set.Name, set.Name + "/" + set.Version} {
			if print == fingerprint(g, named, r.Body) {
				return true
			}
		}
	}
	return false
}

// ErrComesOutOtherwise means that an assessment, worked out again, is not what is stored.
var ErrComesOutOtherwise = errors.New("worked out again it is not the same")

// ErrOfAnotherTime means that an assessment was made under a rule set that this version of the program cannot read.
var ErrOfAnotherTime = errors.New("its rule set cannot be read by this version of the program")

// Recompute works a finished assessment out again, stores nothing, and compares it with what is stored, byte by byte.
// The error is [ErrComesOutOtherwise], [ErrOfAnotherTime], an [*UnscorableError], or one of the store's.
func (s *Service) Recompute(ctx context.Context, a Assessment) error {
	if _, err := s.shelf.version(ctx, a.Organisation, a.RuleSet); errors.As(err, new(*UnscorableError)) {
		return ErrOfAnotherTime
	}
	again, err := guarded(ctx, s, a.ID, 0, func() (Outcome, error) { return s.work(ctx, a) })
	switch {
	case err != nil:
		return err
	case !bytes.Equal(again.Body, a.Outcome.Body):
		return ErrComesOutOtherwise
	}
	return nil
}
