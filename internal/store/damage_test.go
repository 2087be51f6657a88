package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/store"
)

// A store that has lost pages opens, for what is left can be read, and is not ready.
func TestADamagedFileIsNotReady(t *testing.T) {
	t.Parallel()
	o := store.Options{DataDir: t.TempDir(), Migrations: migrations(t)}
	s, err := store.Open(t.Context(), o)
	if err == nil {
		err = s.Migrate(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	for i := range 200 {
		_, err := s.Accept(t.Context(), assess.Submission{
			Organisation: "brennick-motors", ReportID: fmt.Sprint("r", i), AssessmentID: fmt.Sprint("a", i), Vehicle: fmt.Sprint("tern-", i),
			Inspected: "2026-05-02", Body: []byte(`{"note":"` + strings.Repeat("x", 2000) + `"}`), Gate: "crank", At: time.Now(),
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(o.DataDir, "laidup.db")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for at := len(data) / 2; at < len(data)/2+20*4096; at++ {
		data[at] = 0xff
	}
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if err := s.Ping(t.Context()); err != nil {
			if !strings.Contains(err.Error(), "damaged") || !strings.Contains(err.Error(), "backup") {
				t.Errorf("it says %v", err)
			}
			return
		}
		if time.Now().After(end) {
			t.Fatal("it is ready")
		}
	}
}

func TestAStoreThatWasLostIsNotMadeAnew(t *testing.T) {
	t.Parallel()
	o := store.Options{DataDir: t.TempDir(), Migrations: migrations(t), Beside: "webhook.key"}
	key, file := filepath.Join(o.DataDir, o.Beside), filepath.Join(o.DataDir, "laidup.db")
	if err := os.WriteFile(key, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 { // nor the second time
		if _, err := store.Open(t.Context(), o); err == nil || !strings.Contains(err.Error(), key) || !strings.Contains(err.Error(), file) {
			t.Errorf("it opens with %v", err)
		}
	}
	if err := os.Remove(key); err != nil {
		t.Fatal(err)
	}
	s := migrated(t, o)
	if err := s.Ping(t.Context()); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(key, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	open(t, o)
}
