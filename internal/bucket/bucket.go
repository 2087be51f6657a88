// Package bucket keeps files in a folder, or in an object store that speaks S3: what is too large for the database.
package bucket

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"gocloud.dev/blob"
	"gocloud.dev/blob/fileblob"
	_ "gocloud.dev/blob/s3blob" // for addresses that begin with s3://
	"gocloud.dev/gcerrors"

	"laidup/internal/assess"
)

// patience is how long an object store may take to answer, tries of its client among them: whoever asked tries again.
const patience = 15 * time.Second

// Bucket is an [assess.Files]. It is safe for concurrent use.
type Bucket struct {
	blob     *blob.Bucket
	folder   string // empty: it is no folder of this machine
	patience time.Duration
}

var _ assess.Files = (*Bucket)(nil)

// Open opens the bucket that an address names: file:///folder, which is made for its owner alone if need be, or
// s3://name with the parameters of the Go CDK (https://gocloud.dev/howto/blob/#s3). That an object store can be reached
// shows with its first file.
func Open(ctx context.Context, address string) (*Bucket, error) {
	u, err := url.Parse(address)
	switch {
	case err != nil:
		return nil, errors.New("the address of the attachments is no URL: give file:///folder or s3://bucket") // it may have a secret
	case u.Scheme == fileblob.Scheme && u.Host == "" && u.Path != "" && u.RawQuery == "":
		return OpenFolder(u.Path)
	case u.Scheme != "s3" || u.Host == "":
		return nil, errors.New("attachments are kept under file:///folder or s3://bucket: give one of these")
	}
	b, err := blob.OpenBucket(ctx, address)
	if err != nil {
		return nil, fmt.Errorf("open bucket %s: %w", u.Host, err)
	}
	return &Bucket{blob: b, patience: patience}, nil
}

// OpenFolder opens a folder, which is made for its owner alone if need be.
func OpenFolder(folder string) (*Bucket, error) {
	path, err := filepath.Abs(filepath.FromSlash(folder))
	if err != nil {
		return nil, fmt.Errorf("find folder of attachments: %w", err)
	}
	b, err := fileblob.OpenBucket(path, &fileblob.Options{
		CreateDir: true, DirFileMode: 0o700,
		NoTempDir: true, // else nothing could be moved to another disk, and what was cut short would lie where nobody looks
		Metadata:  fileblob.MetadataDontWrite,
	})
	if err != nil {
		return nil, fmt.Errorf("open folder of attachments: %w", err)
	}
	return &Bucket{blob: b, folder: path, patience: patience}, nil
}

// Folder is the folder of this machine that it is; empty: it is none.
func (b *Bucket) Folder() string { return b.folder }

// Close ends it. What is open stays so.
func (b *Bucket) Close() error { return b.blob.Close() }

// Put implements [assess.Files].
func (b *Bucket) Put(ctx context.Context, name, media string, data []byte) error {
	limited, cancel := context.WithTimeout(ctx, b.patience)
	defer cancel()
	var file *os.File
	w, err := b.blob.NewWriter(limited, name, &blob.WriterOptions{
		ContentType: media, DisableContentTypeDetection: true,
		BeforeWrite: func(as func(any) bool) error {
			if as(&file) {
				return file.Chmod(0o600)
			}
			return nil
		},
	})
	if err != nil {
		return outage(ctx, "write file", err)
	}
	_, err = w.Write(data)
	if err == nil && file != nil {
		err = file.Sync()
	}
	if err != nil {
		cancel() // of what was not written whole, nothing is kept
	}
	if err = errors.Join(err, w.Close()); err == nil {
		err = b.syncFolders(name)
	}
	return outage(ctx, "write file", err)
}

// syncFolders makes the name of a file durable, as its content is, and those of the folders that were made for it.
func (b *Bucket) syncFolders(name string) error {
	if b.folder == "" {
		return nil
	}
	for at := filepath.Join(b.folder, filepath.FromSlash(name)); at != b.folder; {
		at = filepath.Dir(at)
		folder, err := os.Open(at) // #nosec G304 -- names are made by the service
		if err != nil {
			return err
		}
		if err := errors.Join(folder.Sync(), folder.Close()); err != nil {
			return err
		}
	}
	return nil
}

// Open implements [assess.Files].
func (b *Bucket) Open(ctx context.Context, name string) (io.ReadSeekCloser, error) {
	reading, end := context.WithCancel(ctx)
	tooLate := time.AfterFunc(b.patience, end)
	r, err := b.blob.NewReader(reading, name, nil)
	if err == nil && tooLate.Stop() {
		return file{r, end}, nil
	}
	end()
	switch {
	case err == nil:
		err = errors.Join(context.DeadlineExceeded, r.Close())
	case gcerrors.Code(err) == gcerrors.NotFound:
		return nil, fmt.Errorf("file %s: %w", name, assess.ErrNotFound)
	}
	return nil, outage(ctx, "read file", err)
}

// file is a file that is read.
type file struct {
	*blob.Reader
	end func()
}

// Close implements [io.Closer].
func (f file) Close() error {
	defer f.end()
	return f.Reader.Close()
}

// Delete implements [assess.Files].
func (b *Bucket) Delete(ctx context.Context, name string) error {
	limited, cancel := context.WithTimeout(ctx, b.patience)
	defer cancel()
	err := b.blob.Delete(limited, name)
	if gcerrors.Code(err) == gcerrors.NotFound {
		err = nil
	}
	if err == nil && b.folder != "" {
		err = b.deleteParts(name)
	}
	return outage(ctx, "delete file", err)
}

// deleteParts removes what is left of writes that were cut short, by a loss of power say.
func (b *Bucket) deleteParts(name string) error {
	parts, err := filepath.Glob(filepath.Join(b.folder, filepath.FromSlash(name)) + ".*.tmp")
	for _, part := range parts {
		err = errors.Join(err, os.Remove(part))
	}
	return err
}

// outage says of any error that it passes, as a disk that is full or a network that is down does: that the caller is
// gone tells the caller's context.
func outage(caller context.Context, what string, err error) error {
	switch {
	case err == nil:
		return nil
	case caller.Err() != nil:
		return fmt.Errorf("%s: %w", what, caller.Err())
	}
	return fmt.Errorf("%s: %w: %w", what, assess.ErrUnavailable, err)
}
