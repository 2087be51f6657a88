package main

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/redis/go-redis/v9"

	"laidup/internal/config"
	"laidup/internal/testserver"
)

// files counts the files of a folder.
func files(t *testing.T, folder string) (n int) {
	t.Helper()
	err := filepath.WalkDir(folder, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			n++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// send sends a request and returns the answer.
func send(t *testing.T, method, url, media string, body []byte) (status int, answer string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", media)
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

func photograph(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 400, 300)), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Photos are in files beside the embedded store, or wherever they are to be, and go with their vehicle.
func TestPhotosAreInFilesAndGoWithTheirVehicle(t *testing.T) {
	for name, elsewhere := range map[string]bool{"beside the store": false, "elsewhere": true} {
		t.Run(name, func(t *testing.T) {
			data := t.TempDir()
			folder, c := filepath.Join(data, "attachments"), config.Store{Data: data}
			if elsewhere {
				folder = filepath.Join(t.TempDir(), "photos")
				c.Attachments = "file://" + folder
			}
			p := begin(t, config.HTTP{}, c, config.Queue{}, 1, outlook{})
			defer end(t, p)
			status, text := send(t, http.MethodPost, p.url()+"/v1/attachments", "image/jpeg", photograph(t))
			if status != http.StatusCreated || files(t, folder) != 2 {
				t.Fatalf("status %d: %s; %d files", status, text, files(t, folder))
			}
			id := strings.Split(text, `"`)[3]
			report := strings.Replace(string(vehicleReport(t, "seen-77", 80)), "{", `{"photos":["`+id+`"],`, 1)
			if status, text := send(t, http.MethodPost, p.url()+"/v1/reports", "application/json", []byte(report)); status != http.StatusAccepted {
				t.Fatalf("status %d: %s", status, text)
			}
			if status, text := send(t, http.MethodDelete, p.url()+"/v1/vehicles/seen-77", "application/json", []byte(`{"reference":"seen-77","reason":"it was sold"}`)); status != http.StatusOK || !strings.Contains(text, `"attachments":1`) {
				t.Fatalf("status %d: %s", status, text)
			}
			if n := files(t, folder); n != 0 {
				t.Errorf("%d files are left", n)
			}
			for _, trace := range []string{id, "seen-77"} {
				for name := range in(t, data) {
					if text, err := os.ReadFile(filepath.Join(data, name)); err != nil || bytes.Contains(text, []byte(trace)) {
						t.Errorf("%s still has %s (%v)", name, trace, err)
					}
				}
			}
		})
	}
}

// Of an erased vehicle nothing is in the queue: neither what it is called nor the ids of what hung on it.
func TestOfAnErasedVehicleNothingIsInRedis(t *testing.T) {
	t.Parallel()
	qc := config.Queue{RedisURL: testserver.Redis(t)}
	o, err := redis.ParseURL(qc.RedisURL)
	if err != nil {
		t.Fatal(err)
	}
	queue := redis.NewClient(o)
	t.Cleanup(func() { _ = queue.Close() })
	if err := queue.ConfigSet(t.Context(), "rdbcompression", "no").Err(); err != nil { // for DUMP, which is looked through
		t.Fatal(err)
	}
	p, err := open(t.Context(), config.Store{DatabaseURL: testserver.PostgreSQL(t), Attachments: "file://" + t.TempDir()}, qc, work(1), config.Webhooks{}, outlook{log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	photo, assessment := p.showing(t, "seen-77", photograph(t))
	if _, err := p.service.For("workshop").Erase(t.Context(), "seen-77", "it was sold"); err != nil {
		t.Fatal(err)
	}
	end(t, p) // what was under way is done
	looked := 0
	for keys := queue.Scan(t.Context(), 0, "*", 100).Iterator(); keys.Next(t.Context()); looked++ {
		value, err := queue.Dump(t.Context(), keys.Val()).Result()
		if err != nil && !errors.Is(err, redis.Nil) {
			t.Fatal(err)
		}
		for _, trace := range []string{"seen-77", photo, assessment} {
			if strings.Contains(keys.Val()+value, trace) {
				t.Errorf("%s has %s: %q", keys.Val(), trace, value)
			}
		}
	}
	if looked == 0 {
		t.Error("nothing was looked at")
	}
}

// Beside PostgreSQL several processes have to find the same files: somebody says where they are.
func TestBesidePostgreSQLSomebodySaysWherePhotosAre(t *testing.T) {
	for address, want := range map[string]bool{"": false, "file://" + t.TempDir(): true} {
		b, err := openFiles(t.Context(), config.Store{Data: t.TempDir(), DatabaseURL: "postgres://nowhere", Attachments: address})
		if err != nil || (b != nil) != want {
			t.Errorf("%q: %v, %v", address, b, err)
		}
	}
	if _, err := openFiles(t.Context(), config.Store{Attachments: "photos"}); err == nil || !strings.Contains(err.Error(), "file:///folder") {
		t.Errorf("a name that is no address: %v", err)
	}
	c := config.Store{DatabaseURL: testserver.PostgreSQL(t)}
	p, err := open(t.Context(), c, config.Queue{}, work(1), config.Webhooks{}, outlook{log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer end(t, p)
	if _, _, err := p.service.For("harrow-lane").Attach(t.Context(), photograph(t)); err == nil || !strings.Contains(err.Error(), "not set up") {
		t.Errorf("a photo is stored: %v", err)
	}
}
