package store_test

import (
	"fmt"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/outcome"
)

// manyCounts is what an outcome with a part in the hand counts; times as many outcomes that came out alike.
func manyCounts(shift, times int) []outcome.Count {
	var counts []outcome.Count
	for i := range 5 {
		counts = append(counts, outcome.Count{Kind: outcome.Gates, Name: fmt.Sprint("gate-", i), Step: outcome.Step(-shift), Seen: times})
	}
	for i := range 60 {
		counts = append(counts, outcome.Count{Kind: outcome.Hazards, Name: fmt.Sprint("hazard-", i), Family: "gate-1", Step: outcome.Step(-shift), Seen: times})
	}
	for i := range 190 {
		counts = append(counts, outcome.Count{Kind: outcome.Faults, Name: fmt.Sprint("fault-", i), Family: fmt.Sprint("system-", i%12), Step: outcome.Step(-shift), Seen: times, Event: times / 10})
	}
	return counts
}

// A new outcome costs the same as the first, and counts of a million are read at once: compare the two of each.
func BenchmarkRatioOutcomes(b *testing.B) {
	for name, options := range engines {
		b.Run(name, func(b *testing.B) {
			s := migrated(b, options(b))
			if _, err := s.Accept(b.Context(), submission(1, 100)); err != nil {
				b.Fatal(err)
			}
			set := submission(1, 100).RuleSet
			n := 0
			record := func(month string, counts []outcome.Count) {
				n++
				id := fmt.Sprint("outcome-", n)
				o := assess.OutcomeSubmission{ID: id, Organisation: access.Workshop, Vehicle: submission(1, 100).Vehicle, Body: []byte(`{}`), At: time.Now(), Before: time.Now(), Month: month, Fingerprint: "f"}
				if _, _, err := s.RecordOutcome(b.Context(), o); err != nil {
					b.Fatal(err)
				}
				if err := s.CountOutcome(b.Context(), id, false, assess.Judged{AssessmentID: "a", RuleSet: set, Counts: counts}); err != nil {
					b.Fatal(err)
				}
			}
			measure := func(when string) {
				b.Run("a new one "+when, func(b *testing.B) {
					for b.Loop() {
						record("2026-01", manyCounts(7, 1)[:130])
					}
				})
				b.Run("all gates "+when, func(b *testing.B) {
					for b.Loop() {
						for _, monthly := range []bool{false, true} {
							if _, err := s.Counts(b.Context(), assess.CountsOf{Organisation: access.Workshop, Digest: set.Digest, Kind: outcome.Gates, Monthly: monthly}); err != nil {
								b.Fatal(err)
							}
						}
					}
				})
				b.Run("all faults "+when, func(b *testing.B) {
					for b.Loop() {
						if _, err := s.Counts(b.Context(), assess.CountsOf{Organisation: access.Workshop, Digest: set.Digest, Kind: outcome.Faults}); err != nil {
							b.Fatal(err)
						}
					}
				})
			}
			measure("at first")
			for month := range 24 {
				for shift := range 40 {
					record(fmt.Sprintf("2024-%02d", month), manyCounts(shift, 1042)) // 24 * 40 * 1042: a million
				}
			}
			measure("after a million")
		})
	}
}
