package assesstest

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"laidup/internal/assess"
)

// attachment is a stored attachment.
type attachment struct {
	assess.Attachment
	touched time.Time
}

// loose is a file that belongs to no attachment.
type loose struct {
	organisation string
	from         time.Time
}

// link is a photo of a report.
type link struct{ organisation, report, vehicle, attachment string }

var _ assess.AttachmentStore = (*Memory)(nil)

// ReserveFile implements [assess.AttachmentStore].
func (m *Memory) ReserveFile(ctx context.Context, organisation, file string, until time.Time) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	if _, taken := m.loose[file]; taken {
		return fmt.Errorf("reserve file %s: it is taken", file)
	}
	m.loose[file] = loose{organisation, stored(until)}
	return nil
}

// KeepAttachment implements [assess.AttachmentStore].
func (m *Memory) KeepAttachment(ctx context.Context, organisation string, a assess.Attachment) (assess.Attachment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Attachment{}, err
	}
	defer leave()
	if known := m.attachments[owned{organisation, a.ID}]; known != nil {
		known.touched = stored(a.CreatedAt)
		return known.Attachment, nil
	}
	if l, ok := m.loose[a.File]; !ok || l.organisation != organisation || !l.from.After(stored(a.CreatedAt)) {
		return assess.Attachment{}, fmt.Errorf("keep attachment %s: the file is gone: %w", a.ID, assess.ErrUnavailable)
	}
	delete(m.loose, a.File)
	a.CreatedAt = stored(a.CreatedAt)
	m.attachments[owned{organisation, a.ID}] = &attachment{a, a.CreatedAt}
	return a, nil
}

// Attachment implements [assess.AttachmentStore].
func (m *Memory) Attachment(ctx context.Context, organisation, id string) (assess.Attachment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Attachment{}, err
	}
	defer leave()
	a := m.attachments[owned{organisation, id}]
	if a == nil {
		return assess.Attachment{}, fmt.Errorf("attachment %s: %w", id, assess.ErrNotFound)
	}
	return a.Attachment, nil
}

// TouchAttachment implements [assess.AttachmentStore].
func (m *Memory) TouchAttachment(ctx context.Context, organisation, id string, at time.Time) (assess.Attachment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Attachment{}, err
	}
	defer leave()
	a := m.attachments[owned{organisation, id}]
	if a == nil {
		return assess.Attachment{}, fmt.Errorf("attachment %s: %w", id, assess.ErrNotFound)
	}
	a.touched = stored(at)
	return a.Attachment, nil
}

// LinkPhotos implements [assess.AttachmentStore].
func (m *Memory) LinkPhotos(ctx context.Context, organisation, report string, ids []string) error {
	r, err := m.Report(ctx, organisation, report)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, id := range ids {
		l := link{organisation, report, r.Vehicle, id}
		if m.attachments[owned{organisation, id}] != nil && !slices.Contains(m.links, l) {
			m.links = append(m.links, l)
		}
	}
	return nil
}

// PruneAttachments implements [assess.AttachmentStore].
func (m *Memory) PruneAttachments(ctx context.Context, before time.Time, limit int) (n int, err error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	for of, a := range m.attachments {
		linked := slices.ContainsFunc(m.links, func(l link) bool { return owned{l.organisation, l.attachment} == of })
		if n < limit && !linked && a.touched.Before(stored(before)) {
			m.loosen(of)
			n++
		}
	}
	return n, nil
}

// loosen takes an attachment away; the store is locked.
func (m *Memory) loosen(of owned) {
	m.loose[m.attachments[of].File] = loose{of.organisation, time.Time{}}
	delete(m.attachments, of)
}

// LooseFiles implements [assess.AttachmentStore].
func (m *Memory) LooseFiles(ctx context.Context, at time.Time, limit int) ([]string, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	var due []string
	for _, file := range slices.Sorted(maps.Keys(m.loose)) {
		if !m.loose[file].from.After(stored(at)) && len(due) < limit {
			m.loose[file] = loose{m.loose[file].organisation, time.Time{}}
			due = append(due, file)
		}
	}
	return due, nil
}

// ForgetFiles implements [assess.AttachmentStore].
func (m *Memory) ForgetFiles(ctx context.Context, files []string) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	for _, file := range files {
		delete(m.loose, file)
	}
	return nil
}

// touch says of which photos of a submission there are no attachments, and keeps the others from being pruned; the
// store is locked.
func (m *Memory) touch(s assess.Submission) error {
	var unknown []string
	for _, id := range s.PhotoIDs() {
		if a := m.attachments[owned{s.Organisation, id}]; a != nil {
			a.touched = stored(s.At)
		} else {
			unknown = append(unknown, id)
		}
	}
	if unknown != nil {
		return fmt.Errorf("accept report %s: %w", s.ReportID, s.UnknownPhotos(unknown))
	}
	return nil
}

// eraseLinks takes the photos of a vehicle away that no other links; the store is locked.
func (m *Memory) eraseLinks(of owned) (erased int) {
	var was []string
	m.links = slices.DeleteFunc(m.links, func(l link) bool {
		gone := owned{l.organisation, l.vehicle} == of
		if gone {
			was = append(was, l.attachment)
		}
		return gone
	})
	for _, id := range was {
		linked := slices.ContainsFunc(m.links, func(l link) bool { return l.organisation == of.organisation && l.attachment == id })
		if photo := (owned{of.organisation, id}); !linked && m.attachments[photo] != nil {
			m.loosen(photo)
			erased++
		}
	}
	return erased
}

// Files is an [assess.Files] that forgets everything with the process. It is safe for concurrent use.
type Files struct {
	mu    sync.Mutex
	files map[string][]byte
	down  error
}

var _ assess.Files = (*Files)(nil)

// Break makes every later call return err, as an object store that cannot be reached would; nil mends it.
func (f *Files) Break(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = err
}

// Names lists the files.
func (f *Files) Names() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Sorted(maps.Keys(f.files))
}

// Holds says whether any file has a text in it.
func (f *Files) Holds(text string) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, data := range f.files {
		if strings.Contains(string(data), text) {
			return true
		}
	}
	return false
}

// Put implements [assess.Files].
func (f *Files) Put(ctx context.Context, name, _ string, data []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down != nil {
		return f.down
	}
	if f.files == nil {
		f.files = map[string][]byte{}
	}
	f.files[name] = bytes.Clone(data)
	return ctx.Err()
}

// Open implements [assess.Files].
func (f *Files) Open(_ context.Context, name string) (io.ReadSeekCloser, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	data, ok := f.files[name]
	switch {
	case f.down != nil:
		return nil, f.down
	case !ok:
		return nil, fmt.Errorf("file %s: %w", name, assess.ErrNotFound)
	}
	return closing{bytes.NewReader(data)}, nil
}

type closing struct{ io.ReadSeeker }

// Close implements [io.Closer].
func (closing) Close() error { return nil }

// Delete implements [assess.Files].
func (f *Files) Delete(_ context.Context, name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down == nil {
		delete(f.files, name)
	}
	return f.down
}
