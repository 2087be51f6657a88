package assess

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"laidup/internal/photo"
	"laidup/internal/report"
)

// Attachment is a photo that is stored. Its content never changes.
type Attachment struct {
	ID            string // the SHA-256 of what is stored, in hexadecimal
	Media         string
	Size          int64 // bytes
	Width, Height int   // pixels
	CreatedAt     time.Time
	// File is the name of the file that has it; that of the thumbnail follows, see [ThumbnailOf]. No other attachment
	// ever had it, not even one of the same content.
	File string
}

// ThumbnailOf is the name of the file that has the thumbnail of an attachment.
func ThumbnailOf(file string) string { return file + ".thumbnail" }

// AttachmentStore keeps what is known of attachments; what is in them is in [Files]. A file is either that of an
// attachment or loose: of one that is being stored, or is erased. What stays loose is removed, so that whoever was
// stopped between file and store leaves nothing behind. Methods return errors as those of [Store] do.
type AttachmentStore interface {
	// ReserveFile notes a file, before it is written, as loose from a time on.
	ReserveFile(ctx context.Context, organisation, file string, until time.Time) error
	// KeepAttachment makes an attachment of a file that was reserved, unless the organisation has one with its id: that is
	// returned then, and the file stays loose. [ErrUnavailable] if the time of the reservation is over at CreatedAt.
	KeepAttachment(ctx context.Context, organisation string, a Attachment) (Attachment, error)
	// Attachment returns an attachment.
	Attachment(ctx context.Context, organisation, id string) (Attachment, error)
	// TouchAttachment returns an attachment, which is not pruned for a while, as if it had just come.
	TouchAttachment(ctx context.Context, organisation, id string, at time.Time) (Attachment, error)
	// LinkPhotos links a report to those of the attachments that its organisation has. [ErrNotFound] if there is no such
	// report.
	LinkPhotos(ctx context.Context, organisation, report string, ids []string) error
	// PruneAttachments takes away attachments, of all organisations, that no report links and that came before a time:
	// their files are loose then. It says of how many, at most limit.
	PruneAttachments(ctx context.Context, before time.Time, limit int) (int, error)
	// LooseFiles returns up to limit files, of all organisations, that are loose at a time. From then on they stay so: no
	// attachment is made of them, whatever the clock of who reserved them shows.
	LooseFiles(ctx context.Context, at time.Time, limit int) ([]string, error)
	// ForgetFiles forgets loose files once they are removed, so that nothing is left of their names either.
	ForgetFiles(ctx context.Context, files []string) error
}

// Files keeps what is in attachments, in files by name. All methods return [ErrUnavailable] where it cannot be reached
// or is full.
type Files interface {
	// Put writes a file durably, whole or not at all.
	Put(ctx context.Context, name, media string, data []byte) error
	// Open opens a file, for as long as ctx lasts; [ErrNotFound] if there is none.
	Open(ctx context.Context, name string) (io.ReadSeekCloser, error)
	// Delete removes a file, and what may be left of an attempt to write it. That there is none is no error.
	Delete(ctx context.Context, name string) error
}

// ErrNoAttachments means that nobody has said where attachments are kept.
var ErrNoAttachments = errors.New("attachments are not set up")

// ErrManyPhotos means that as many photos are in hand as there is memory for.
var ErrManyPhotos = errors.New("too many photos at once")

// UnknownPhotosError means that a report links photos which its organisation does not have.
type UnknownPhotosError struct {
	IDs    []string
	linked []report.Photo
}

// Error counts them.
func (e *UnknownPhotosError) Error() string {
	return fmt.Sprintf("%d photos are not known", len(e.IDs))
}

// UnknownPhotos says which of the photos that a submission links are not there.
func (s Submission) UnknownPhotos(ids []string) error { return &UnknownPhotosError{ids, s.Photos} }

// LineProblem is why a line of a batch that links them has no assessment.
func (e *UnknownPhotosError) LineProblem() []byte { return InvalidLineProblem(e.faults()) }

func (e *UnknownPhotosError) faults() (faults []report.Fault) {
	for _, p := range e.linked {
		if slices.Contains(e.IDs, p.ID) {
			faults = append(faults, report.Fault{Pointer: p.Pointer, Code: report.WrongValue, Detail: "no photo is stored under this id: send it to POST /v1/attachments and put the id of the answer here, or leave it out"})
		}
	}
	return faults
}

// PhotoIDs are the ids of the photos that a submission links, each once, in their order.
func (s Submission) PhotoIDs() []string {
	var ids []string
	for _, p := range s.Photos {
		ids = append(ids, p.ID)
	}
	slices.Sort(ids) // whoever locks several does so in one order
	return slices.Compact(ids)
}

// Bounds of attachments.
const (
	// unlinkedFor is how long an attachment waits for a report that links it.
	unlinkedFor = 7 * 24 * time.Hour
	// writtenWithin is how long it may take from the reservation of a file to its attachment.
	writtenWithin = time.Hour
	// pixelsAtOnce is how many pixels are unpacked at once, by what they cost: it bounds the memory that photos take.
	pixelsAtOnce = photo.MaxPixels
	// photoWaits is how long a photo waits for others to be done.
	photoWaits = 20 * time.Second
	// pruneEvery is how often each process looks for attachments that nobody has linked.
	pruneEvery = time.Hour
	prunedOnce = 1000
	// looseAtOnce is how many files are removed before others are asked for.
	looseAtOnce = 100
)

// Attach stores a photo, as package photo makes it of what was sent. again says that the same was there before. The
// error is one of package photo, [ErrNoAttachments], [ErrManyPhotos], or that of store or files: then nothing is stored
// that would not be removed by itself.
func (own Account) Attach(ctx context.Context, sent []byte) (a Attachment, again bool, err error) {
	s := own.service
	if s.files == nil {
		return a, false, ErrNoAttachments
	}
	picture, err := photo.Read(sent)
	if err != nil {
		return a, false, err
	}
	p, err := s.prepare(ctx, picture)
	if err != nil {
		return a, false, err
	}
	return own.keep(ctx, p)
}

// keep stores what was made of a photo.
func (own Account) keep(ctx context.Context, p photo.Photo) (a Attachment, again bool, err error) {
	s := own.service
	digest := sha256.Sum256(p.Data)
	id, at := hex.EncodeToString(digest[:]), s.clock()
	if a, err = s.attachments.TouchAttachment(ctx, own.organisation, id, at); err == nil || !errors.Is(err, ErrNotFound) {
		return a, true, err
	}
	// The organisation comes first, so that whoever runs the service finds what is whose.
	file := fmt.Sprintf("%s/%s/%s-%s", own.organisation, id[:2], id, s.newID())
	if err := s.attachments.ReserveFile(ctx, own.organisation, file, at.Add(writtenWithin)); err != nil {
		return a, false, fmt.Errorf("reserve file: %w", err)
	}
	if err := s.files.Put(ctx, file, p.Media, p.Data); err != nil {
		return a, false, fmt.Errorf("store photo: %w", err)
	}
	if err := s.files.Put(ctx, ThumbnailOf(file), photo.JPEG, p.Thumbnail); err != nil {
		return a, false, fmt.Errorf("store thumbnail: %w", err)
	}
	a, err = s.attachments.KeepAttachment(ctx, own.organisation, Attachment{
		ID: id, Media: p.Media, Size: int64(len(p.Data)), Width: p.Width, Height: p.Height, CreatedAt: s.clock(), File: file,
	})
	if err != nil {
		return a, false, fmt.Errorf("store attachment: %w", err)
	}
	s.log.InfoContext(ctx, "attachment stored", "attachment", a.ID, "bytes", a.Size, "width", a.Width, "height", a.Height)
	return a, a.File != file, nil
}

// prepare makes of a photo what is stored, when there is memory for it.
func (s *Service) prepare(ctx context.Context, picture *photo.Picture) (photo.Photo, error) {
	waiting, cancel := context.WithTimeout(ctx, photoWaits)
	defer cancel()
	if err := s.unpacking.Acquire(waiting, picture.Cost); err != nil {
		if ctx.Err() != nil {
			return photo.Photo{}, ctx.Err()
		}
		return photo.Photo{}, ErrManyPhotos
	}
	defer s.unpacking.Release(picture.Cost)
	return picture.Store()
}

// Attachment returns an attachment.
func (own Account) Attachment(ctx context.Context, id string) (Attachment, error) {
	if own.service.files == nil {
		return Attachment{}, ErrNoAttachments
	}
	a, err := own.service.attachments.Attachment(ctx, own.organisation, id)
	if err != nil {
		return a, fmt.Errorf("load attachment %s: %w", id, err)
	}
	return a, nil
}

// OpenPhoto opens what is in an attachment, or its thumbnail, for as long as ctx lasts.
func (own Account) OpenPhoto(ctx context.Context, a Attachment, thumbnail bool) (io.ReadSeekCloser, error) {
	file := a.File
	if thumbnail {
		file = ThumbnailOf(file)
	}
	f, err := own.service.files.Open(ctx, file)
	if errors.Is(err, ErrNotFound) {
		// Whoever restored the database without the files has to hear of it.
		own.service.log.ErrorContext(ctx, "the file of an attachment is missing", "attachment", a.ID, "file", file)
	}
	if err != nil {
		return nil, fmt.Errorf("open attachment %s: %w", a.ID, err)
	}
	return f, nil
}

// tidyFiles removes the files that are loose. What cannot be removed now is tried again by the next sweep.
func (s *Service) tidyFiles(ctx context.Context) error {
	if s.files == nil {
		return nil
	}
	for {
		loose, err := s.attachments.LooseFiles(ctx, s.clock(), looseAtOnce)
		if err != nil {
			return fmt.Errorf("find loose files: %w", err)
		}
		removed := 0
		var failed error
		for _, file := range loose {
			if failed = errors.Join(s.files.Delete(ctx, file), s.files.Delete(ctx, ThumbnailOf(file))); failed != nil {
				break // if one fails, so do the others
			}
			removed++
		}
		if removed > 0 {
			if err := s.attachments.ForgetFiles(ctx, loose[:removed]); err != nil {
				return errors.Join(fmt.Errorf("forget loose files: %w", err), failed)
			}
		}
		if failed != nil {
			return fmt.Errorf("remove loose file: %w", failed)
		}
		if len(loose) < looseAtOnce {
			return nil
		}
	}
}

// sweepAttachments takes away what no report has linked for long enough, now and then, and removes loose files.
func (s *Service) sweepAttachments(ctx context.Context) error {
	if s.files == nil {
		return nil
	}
	now := s.clock()
	if last := s.pruned.Load(); now.UnixMilli()-last >= pruneEvery.Milliseconds() && s.pruned.CompareAndSwap(last, now.UnixMilli()) {
		n, err := s.attachments.PruneAttachments(ctx, now.Add(-unlinkedFor), prunedOnce)
		if err != nil {
			s.pruned.Store(last)
			return fmt.Errorf("prune attachments: %w", err)
		}
		if n > 0 {
			s.log.InfoContext(ctx, "attachments that no report links are removed", "attachments", n)
		}
	}
	return s.tidyFiles(ctx)
}
