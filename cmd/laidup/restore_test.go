package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"io/fs"
	"log/slog"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"laidup/internal/assess"
	"laidup/internal/config"
	"laidup/internal/testserver"
)

// running is the program on a store, without a server.
func running(t *testing.T, c config.Store) *process {
	t.Helper()
	p, err := open(t.Context(), c, config.Queue{}, work(1), config.Webhooks{}, outlook{log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// showing has a vehicle assessed by a report that shows a photo, of which it returns the id, and the assessment's.
func (p *process) showing(t *testing.T, vehicle string, sent []byte) (photo, assessment string) {
	t.Helper()
	own := p.service.For("workshop")
	a, _, err := own.Attach(t.Context(), sent)
	if err != nil {
		t.Fatal(err)
	}
	done, err := own.Submit(t.Context(), assess.Order{Body: bytes.Replace(vehicleReport(t, vehicle, 80), []byte("{"), []byte(`{"photos":["`+a.ID+`"],`), 1)})
	if err == nil {
		_, err = own.Await(t.Context(), done.AssessmentID, time.Minute)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a.ID, done.AssessmentID
}

// digest is that of a photo, as it is read.
func (p *process) digest(t *testing.T, photo string) string {
	t.Helper()
	own := p.service.For("workshop")
	a, err := own.Attachment(t.Context(), photo)
	var file io.ReadSeekCloser
	if err == nil {
		file, err = own.OpenPhoto(t.Context(), a, false)
	}
	if err != nil {
		t.Fatal(err)
	}
	digest := sha256.New()
	if _, err := io.Copy(digest, file); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(digest.Sum(nil))
}

// flagsOf names a store on the command line.
func flagsOf(c config.Store) (args []string) {
	if c.DatabaseURL != "" {
		args = append(args, "--database-url", c.DatabaseURL)
	} else {
		args = append(args, "--data", c.Data)
	}
	if c.Attachments != "" {
		args = append(args, "--attachments", c.Attachments)
	}
	return args
}

// dumped restores a dump of a PostgreSQL, with the commands of docs/operations.md.
func dumped(t *testing.T, from string) string {
	t.Helper()
	file, to := filepath.Join(t.TempDir(), "laidup.dump"), testserver.PostgreSQL(t)
	for _, args := range [][]string{
		{"pg_dump", "--format=custom", "--file=" + file, from},
		{"pg_restore", "--no-owner", "--exit-on-error", "--dbname=" + to, file},
	} {
		if out, err := exec.CommandContext(t.Context(), testserver.PostgreSQLProgram(t, args[0]), args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	return to
}

// Restoring as docs/operations.md says brings everything back: laidup verify finds nothing wrong, and each photo.
func TestWhatIsRestoredHasEverything(t *testing.T) {
	for name, set := range map[string]func(t *testing.T) (c config.Store, copied func() config.Store, lose func(config.Store)){
		"the embedded store": func(t *testing.T) (config.Store, func() config.Store, func(config.Store)) {
			c := config.Store{Data: t.TempDir()}
			return c, func() config.Store {
				code, out, errs := session(t, "", "backup", "--data", c.Data, "--to", filepath.Join(t.TempDir(), "copies"))
				if code != 0 {
					t.Fatalf("status %d %s", code, errs)
				}
				return config.Store{Data: strings.TrimSpace(out)}
			}, func(c config.Store) { removeFiles(t, filepath.Join(c.Data, "attachments")) }
		},
		"PostgreSQL and a folder": func(t *testing.T) (config.Store, func() config.Store, func(config.Store)) {
			photos := t.TempDir()
			c := config.Store{DatabaseURL: testserver.PostgreSQL(t), Attachments: "file://" + photos}
			return c, func() config.Store {
				database, to := dumped(t, c.DatabaseURL), filepath.Join(t.TempDir(), "photos")
				if err := os.CopyFS(to, os.DirFS(photos)); err != nil {
					t.Fatal(err)
				}
				return config.Store{DatabaseURL: database, Attachments: "file://" + to}
			}, func(c config.Store) { removeFiles(t, strings.TrimPrefix(c.Attachments, "file://")) }
		},
		"PostgreSQL and an object store": func(t *testing.T) (config.Store, func() config.Store, func(config.Store)) {
			objects := s3mem.New()
			server := httptest.NewServer(gofakes3.New(objects).Server())
			t.Cleanup(server.Close)
			for name, value := range map[string]string{"AWS_ACCESS_KEY_ID": "key", "AWS_SECRET_ACCESS_KEY": "secret", "AWS_EC2_METADATA_DISABLED": "true", "AWS_CONFIG_FILE": os.DevNull, "AWS_SHARED_CREDENTIALS_FILE": os.DevNull} {
				t.Setenv(name, value)
			}
			for _, name := range []string{"photos", "replica"} {
				if err := objects.CreateBucket(name); err != nil {
					t.Fatal(err)
				}
			}
			list := func(bucket string) (names []string) {
				all, err := objects.ListBucket(bucket, nil, gofakes3.ListBucketPage{})
				if err != nil {
					t.Fatal(err)
				}
				for _, o := range all.Contents {
					names = append(names, o.Key)
				}
				return names
			}
			address := "?region=main&use_path_style=true&endpoint=" + server.URL
			c := config.Store{DatabaseURL: testserver.PostgreSQL(t), Attachments: "s3://photos" + address}
			return c, func() config.Store {
					database := dumped(t, c.DatabaseURL)
					for _, name := range list("photos") {
						o, err := objects.GetObject("photos", name, nil)
						if err == nil {
							_, err = objects.PutObject("replica", name, o.Metadata, o.Contents, o.Size, nil)
						}
						if err != nil {
							t.Fatal(err)
						}
					}
					return config.Store{DatabaseURL: database, Attachments: "s3://replica" + address}
				}, func(config.Store) {
					for _, name := range list("replica") {
						if _, err := objects.DeleteObject("replica", name); err != nil {
							t.Fatal(err)
						}
					}
				}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c, copied, lose := set(t)
			p := running(t, c)
			defer end(t, p)
			photo, assessment := p.showing(t, "seen", photograph(t))
			copy := copied() // while it runs
			p.showing(t, "later", photograph(t))
			verify := append([]string{"verify", "--recompute", "all"}, flagsOf(copy)...)
			code, out, errs := session(t, "", verify...)
			if code != 0 || !strings.Contains(out, "All is well: vehicles 1, ") || !strings.Contains(out, "photos 1, ") || !strings.Contains(out, "recomputed 1") {
				t.Errorf("status %d\n%s%s", code, out, errs)
			}
			restored := running(t, copy)
			if a, err := restored.service.For("workshop").Assessment(t.Context(), assessment); err != nil || a.State != assess.Done {
				t.Errorf("the assessment is %s, %v", a.State, err)
			}
			if restored.digest(t, photo) != photo {
				t.Error("the photo is another")
			}
			end(t, restored)
			lose(copy)
			code, out, errs = session(t, "", verify...)
			if code != 1 || !strings.Contains(out, "photo "+photo+" of workshop: its file is missing") {
				t.Errorf("status %d\n%s%s", code, out, errs)
			}
		})
	}
}

func removeFiles(t *testing.T, folder string) {
	t.Helper()
	if err := os.RemoveAll(folder); err != nil {
		t.Fatal(err)
	}
}

// in lists the files of a folder, with what each is.
func in(t *testing.T, folder string) map[string]fs.FileInfo {
	t.Helper()
	all := map[string]fs.FileInfo{}
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			all[strings.TrimPrefix(path, folder)], err = d.Info()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// A backup has the photos of its moment and no others, takes no room for those that the one before it has, and tells of
// what it lacks.
func TestABackupHasThePhotos(t *testing.T) {
	c := config.Store{Data: t.TempDir()}
	p := running(t, c)
	defer end(t, p)
	photo, _ := p.showing(t, "seen", photograph(t))
	to := t.TempDir()
	backup := func() (code int, folder, errs string) {
		t.Helper()
		b := backupCommand{Store: c, To: to}
		var out, said bytes.Buffer
		err := b.Run(t.Context(), terminal{out: &out, err: &said})
		if err != nil {
			code = 1
			said.WriteString(err.Error())
		}
		folder = strings.TrimSpace(out.String())
		if folder != "" { // as if a day passed until the next
			day := filepath.Join(to, "laidup-2026010"+string(rune('1'+len(entries(t, to))))+"T000000Z")
			if err := os.Rename(folder, day); err != nil {
				t.Fatal(err)
			}
			folder = day
		}
		return code, folder, said.String()
	}
	code, first, errs := backup()
	if code != 0 || len(in(t, first)) != 3 {
		t.Fatalf("status %d %s: %v", code, errs, in(t, first))
	}
	code, second, errs := backup()
	if code != 0 {
		t.Fatal(errs)
	}
	before := in(t, first)
	for name, info := range in(t, second) {
		if os.SameFile(before[name], info) != strings.HasPrefix(name, "/attachments") {
			t.Errorf("%s is the same file: %t", name, os.SameFile(before[name], info))
		}
		if info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v", name, info.Mode())
		}
	}
	file := filepath.Join(c.Data, "attachments", "workshop", photo[:2])
	names := entries(t, file)
	for _, name := range names { // its disk fails
		if err := os.WriteFile(filepath.Join(file, name), []byte("?"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	code, third, errs := backup()
	if code != 1 || !strings.Contains(errs, "1 photos are missing or damaged") || !strings.Contains(errs, photo) || third == "" {
		t.Errorf("status %d %s %s", code, third, errs)
	}
	if _, err := p.service.For("workshop").Erase(context.Background(), "seen", "it was sold"); err != nil {
		t.Fatal(err)
	}
	code, fourth, errs := backup()
	if files := in(t, fourth); code != 0 || len(files) != 1 {
		t.Errorf("status %d %s: %v", code, errs, files)
	}
	if left := entries(t, to); len(left) != 4 {
		t.Errorf("there are %v", left)
	}
}

func entries(t *testing.T, folder string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}
