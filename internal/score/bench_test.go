package score_test

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"laidup/internal/builtin"
	"laidup/internal/report"
	"laidup/internal/score"
)

// plainReport is what a program without checks would decode a report into.
type plainReport struct {
	Schema, Reference string
	Vehicle           map[string]any
	LayUp             struct{ LastRan, Storage string } `json:"lay_up"`
	Inspection        struct{ Date, Inspector, Purpose string }
	Observations      []struct {
		Item, Method, Note string
		Found              map[string]any
	}
}

// BenchmarkRatioToPlainDecode measures each step of a report's day, and the plain decode of the
// same report by encoding/json, one after the other, so that whatever else the machine does is done to both.
// x-plain-decode is the median of the one over the median of the other, x-at-best the least over the least, which a busy
// machine does not change. The goals are at most 2 for decoding with validation and 0.6 for scoring.
func BenchmarkRatioToPlainDecode(b *testing.B) {
	set := builtin.FirstStart()
	for _, name := range []string{"base-tern.json", "base-dale.json"} {
		data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "cases", name))
		if err != nil {
			b.Fatal(err)
		}
		r, _, faults := report.Decode(data, set.Catalogue)
		if len(faults) > 0 {
			b.Fatal(faults)
		}
		reports, scorer := []*report.Report{r}, score.New(set)
		a := scorer.Evaluate(reports, -1)
		steps := []struct {
			name string
			do   func() error
		}{
			{"decode_and_validate", func() error { _, _, f := report.Decode(data, set.Catalogue); return failed(len(f) > 0) }},
			{"score", func() error { return failed(len(scorer.Evaluate(reports, -1).Register) == 0) }},
			{"encode", func() error { _, err := a.JSON(); return err }},
			{"whole_path", func() error {
				r, _, _ := report.Decode(data, set.Catalogue)
				_, err := scorer.Evaluate([]*report.Report{r}, -1).JSON()
				return err
			}},
		}
		for _, s := range steps {
			b.Run(name+"/"+s.name, func(b *testing.B) {
				var ours, plain []time.Duration
				for b.Loop() {
					began := time.Now()
					err := s.do()
					between := time.Now()
					var into plainReport
					if err := errors.Join(err, json.Unmarshal(data, &into)); err != nil {
						b.Fatal(err)
					}
					ours, plain = append(ours, between.Sub(began)), append(plain, time.Since(between))
				}
				slices.Sort(ours)
				slices.Sort(plain)
				half := len(ours) / 2
				b.ReportMetric(float64(ours[half]), "ns/op")
				b.ReportMetric(float64(ours[half])/float64(plain[half]), "x-plain-decode")
				b.ReportMetric(float64(ours[0])/float64(plain[0]), "x-at-best")
				b.ReportMetric(testing.AllocsPerRun(10, func() {
					if err := s.do(); err != nil {
						b.Fatal(err)
					}
				}), "allocs/op")
			})
		}
	}
}

func failed(is bool) error {
	if is {
		return os.ErrInvalid
	}
	return nil
}
