package bucket_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"

	"laidup/internal/assess"
	"laidup/internal/bucket"
)

// TestMain sets the credentials that the client of an object store looks for, so that it looks nowhere else.
func TestMain(m *testing.M) {
	for name, value := range map[string]string{"AWS_ACCESS_KEY_ID": "key", "AWS_SECRET_ACCESS_KEY": "secret", "AWS_EC2_METADATA_DISABLED": "true", "AWS_CONFIG_FILE": os.DevNull, "AWS_SHARED_CREDENTIALS_FILE": os.DevNull} {
		if err := os.Setenv(name, value); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

// store is a place for files that can be broken.
type store struct {
	address string
	names   func() []string // of the files that there are
	fail    func()          // from now on nothing can be reached
}

var stores = map[string]func(t *testing.T) store{
	"folder": func(t *testing.T) store {
		folder := filepath.Join(t.TempDir(), "attachments")
		names := func() (names []string) {
			err := fs.WalkDir(os.DirFS(folder), ".", func(name string, d fs.DirEntry, err error) error {
				if err == nil && !d.IsDir() {
					names = append(names, name)
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return names
		}
		return store{"file://" + folder, names, func() {
			if err := os.RemoveAll(folder); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(folder, nil, 0o600); err != nil { // as if another disk were mounted there
				t.Fatal(err)
			}
		}}
	},
	"object store": func(t *testing.T) store {
		backend := s3mem.New()
		if err := backend.CreateBucket("photos"); err != nil {
			t.Fatal(err)
		}
		server := httptest.NewServer(gofakes3.New(backend).Server())
		t.Cleanup(server.Close)
		names := func() (names []string) {
			list, err := backend.ListBucket("photos", nil, gofakes3.ListBucketPage{})
			if err != nil {
				t.Fatal(err)
			}
			for _, object := range list.Contents {
				names = append(names, object.Key)
			}
			return names
		}
		return store{"s3://photos?region=eu-central-1&use_path_style=true&endpoint=" + server.URL, names, func() {
			server.CloseClientConnections()
			server.Close()
		}}
	},
}

func onEachStore(t *testing.T, test func(t *testing.T, s store, b *bucket.Bucket)) {
	t.Parallel()
	for kind, open := range stores {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			b, err := bucket.Open(t.Context(), s.address)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = b.Close() })
			test(t, s, b)
		})
	}
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, b *bucket.Bucket, name string) []byte {
	t.Helper()
	f, err := b.Open(t.Context(), name)
	check(t, err)
	defer f.Close()
	data, err := io.ReadAll(f)
	check(t, err)
	return data
}

func TestFilesAreKeptWhole(t *testing.T) {
	onEachStore(t, func(t *testing.T, s store, b *bucket.Bucket) {
		const name = "harrow-lane/ab/abcdef-1"
		large := bytes.Repeat([]byte("a photo "), 1<<20)
		check(t, b.Put(t.Context(), name, "image/jpeg", large))
		check(t, b.Put(t.Context(), name+".thumbnail", "image/jpeg", []byte("small")))
		if !bytes.Equal(read(t, b, name), large) || string(read(t, b, name+".thumbnail")) != "small" {
			t.Error("what is read is not what was written")
		}
		if got := s.names(); !slices.Equal(got, []string{name, name + ".thumbnail"}) {
			t.Errorf("files are %q", got)
		}
		f, err := b.Open(t.Context(), name)
		check(t, err)
		defer f.Close()
		if size, err := f.Seek(0, io.SeekEnd); err != nil || size != int64(len(large)) {
			t.Errorf("the size is %d, %v", size, err)
		}
		if _, err := f.Seek(2, io.SeekStart); err != nil {
			t.Fatal(err)
		}
		some := make([]byte, 5)
		if _, err := io.ReadFull(f, some); err != nil || string(some) != "photo" {
			t.Errorf("from the third byte it has %q, %v", some, err)
		}
		check(t, b.Delete(t.Context(), name))
		check(t, b.Delete(t.Context(), name)) // twice is once
		if got := s.names(); !slices.Equal(got, []string{name + ".thumbnail"}) {
			t.Errorf("left are %q", got)
		}
		if _, err := b.Open(t.Context(), name); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("a file that is not there opens: %v", err)
		}
	})
}

func TestManyWriteAtOnce(t *testing.T) {
	onEachStore(t, func(t *testing.T, s store, b *bucket.Bucket) {
		var all sync.WaitGroup
		for i := range 12 {
			all.Go(func() {
				if err := b.Put(t.Context(), fmt.Sprintf("yard/%02d/x-%d", i%3, i), "image/png", []byte{byte(i)}); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if n := len(s.names()); n != 12 {
			t.Errorf("there are %d files", n)
		}
	})
}

func TestWhatCannotBeReachedIsAnOutage(t *testing.T) {
	onEachStore(t, func(t *testing.T, s store, b *bucket.Bucket) {
		check(t, b.Put(t.Context(), "yard/a/a", "image/jpeg", []byte("x")))
		s.fail()
		b.Patience(500)
		for what, do := range map[string]func(context.Context) error{
			"put":    func(ctx context.Context) error { return b.Put(ctx, "yard/b/b", "image/jpeg", []byte("x")) },
			"open":   func(ctx context.Context) error { _, err := b.Open(ctx, "yard/a/a"); return err },
			"delete": func(ctx context.Context) error { return b.Delete(ctx, "yard/a/a") },
		} {
			if err := do(t.Context()); !errors.Is(err, assess.ErrUnavailable) {
				t.Errorf("%s: %v", what, err)
			}
			gone, leave := context.WithCancel(t.Context())
			leave()
			if err := do(gone); !errors.Is(err, context.Canceled) || errors.Is(err, assess.ErrUnavailable) {
				t.Errorf("%s for who is gone: %v", what, err)
			}
		}
	})
}

func TestABucketThatIsNotThereIsAnOutage(t *testing.T) {
	t.Parallel()
	server := httptest.NewServer(gofakes3.New(s3mem.New()).Server())
	t.Cleanup(server.Close)
	b, err := bucket.Open(t.Context(), "s3://photos?region=eu-central-1&use_path_style=true&endpoint="+server.URL)
	check(t, err)
	b.Patience(500)
	if err := b.Put(t.Context(), "yard/a/a", "image/jpeg", []byte("x")); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("it takes a file: %v", err)
	}
}

// An object store that answers nothing is an outage within the patience that there is, and who is gone does not wait.
func TestAnObjectStoreThatHangs(t *testing.T) {
	t.Parallel()
	done := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-done }))
	t.Cleanup(server.Close)
	t.Cleanup(func() { close(done) })
	b, err := bucket.Open(t.Context(), "s3://photos?region=eu-central-1&use_path_style=true&endpoint="+server.URL)
	check(t, err)
	b.Patience(100)
	if err := b.Put(t.Context(), "yard/a/a", "image/jpeg", []byte("x")); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("put: %v", err)
	}
	if _, err := b.Open(t.Context(), "yard/a/a"); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("open: %v", err)
	}
	if err := b.Delete(t.Context(), "yard/a/a"); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("delete: %v", err)
	}
}

func TestFilesAreForTheirOwnerAlone(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "data", "attachments")
	b, err := bucket.OpenFolder(folder)
	check(t, err)
	check(t, b.Put(t.Context(), "yard/aa/a", "image/jpeg", []byte("x")))
	err = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s is %v", path, info.Mode())
		}
		return err
	})
	check(t, err)
}

// Of a write that was cut short a part may be left beside the file: it goes with that.
func TestPartsAreRemovedWithTheirFile(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	b, err := bucket.OpenFolder(folder)
	check(t, err)
	check(t, b.Put(t.Context(), "yard/aa/a-1", "image/jpeg", []byte("x")))
	check(t, b.Put(t.Context(), "yard/aa/a-12", "image/jpeg", []byte("x")))
	part := filepath.Join(folder, "yard", "aa", "a-1.1b2c.tmp")
	check(t, os.WriteFile(part, []byte("half a photo"), 0o600))
	check(t, b.Delete(t.Context(), "yard/aa/a-1"))
	if _, err := os.Stat(part); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the part is there: %v", err)
	}
	if string(read(t, b, "yard/aa/a-12")) != "x" {
		t.Error("another file is gone")
	}
}

func TestAddresses(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"", "/srv/photos", "photos", "file://", "file://host/photos", "file:///photos?metadata=skip", "s3://", "gs://photos", "mem://", "https://photos.example", "s3://photos?no_such_parameter=1", "s3://user:secret@\x7f"} {
		_, err := bucket.Open(t.Context(), address)
		if err == nil {
			t.Errorf("%q opens", address)
		} else if strings.Contains(err.Error(), "secret") {
			t.Errorf("%q: %v", address, err)
		}
	}
}
