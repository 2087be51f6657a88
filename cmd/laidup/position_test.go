package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// However good the others are, a cracked hose stays in the way until something is done about that one,
// and the text says which it is.
func TestOneGoodHoseDoesNotClearItsTwin(t *testing.T) {
	followUp := func(observation string) string {
		file := filepath.Join(t.TempDir(), "follow-up.json")
		text := `{"schema":"laidup.report/1","vehicle":{"reference":"marrick-tern-01"},"inspection":{"date":"2026-05-03"},"observations":[` + observation + `]}`
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	const entry = "defect: brake hoses (front left)"
	for name, c := range map[string]struct {
		then string
		want bool
	}{
		"the other three are renewed": {`{"item":"brake_hoses","at":["front_right","rear_left","rear_right"],"method":"tested","found":{"renewed":"2026-05-03"}}`, true},
		"somebody tested them all":    {`{"item":"brake_hoses","method":"tested","found":{"rubber":"sound","leak":"none"}}`, true},
		"that one is renewed":         {`{"item":"brake_hoses","at":["front_left"],"method":"tested","found":{"renewed":"2026-05-03"}}`, false},
	} {
		t.Run(name, func(t *testing.T) {
			_, out, errs := session(t, "", "score", "--gate", "yard_move", demo("marrick-tern-01.1.json"), followUp(c.then))
			if errs != "" || strings.Contains(out, entry) != c.want {
				t.Errorf("%q is said: %v, want %v\n%s%s", entry, !c.want, c.want, errs, out)
			}
		})
	}
}
