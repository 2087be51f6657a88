package score_test

import (
	"encoding/json"
	"os"
	"path/filepath"
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
// same report by encoding/json in the same run. The x-plain-decode figures are what counts: the
// goals are at most 2 for decoding with validation and 0.6 for scoring.
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
				b.ReportAllocs()
				// As many plain decodes as steps, one after the other, so that neither pays for
				// the other's garbage.
				n := 0
				for b.Loop() {
					n++
					if err := s.do(); err != nil {
						b.Fatal(err)
					}
				}
				ours := b.Elapsed()
				b.StopTimer()
				began := time.Now()
				for range n {
					var into plainReport
					if err := json.Unmarshal(data, &into); err != nil {
						b.Fatal(err)
					}
				}
				plain := time.Since(began)
				b.ReportMetric(float64(ours)/float64(plain), "x-plain-decode")
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
