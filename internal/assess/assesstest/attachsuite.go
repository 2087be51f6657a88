package assesstest

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/report"
)

// AttachmentStore runs the suite that every store of attachments must pass. Each call of open gives a fresh, empty
// store which the open function closes when its test ends.
func AttachmentStore(t *testing.T, open func(t *testing.T) StoreWithBatches) {
	for name, test := range map[string]func(attachments, *testing.T){
		"an attachment is kept, and its file with it":                   attachments.kept,
		"the same again is the first, and its file is loose":            attachments.again,
		"of those who bring the same at once one keeps it":              attachments.race,
		"a file whose reservation is over is nobody's":                  attachments.late,
		"what is one organisation's is unknown to another":              attachments.strangers,
		"a report that links what is not there is refused":              attachments.unknown,
		"a line of a batch that links what is not there is refused":     attachments.unknownInBatch,
		"what no report links for long is pruned":                       attachments.pruned,
		"a report is linked to what has come since":                     attachments.linked,
		"a photo goes with the last vehicle that links it":              attachments.erased,
		"a report and an erasure at once leave no link without a photo": attachments.eraseRace,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			test(attachments{suite{s}, s}, t)
		})
	}
}

type attachments struct {
	suite
	StoreWithBatches
}

// photoID is an id that name can be told from.
func photoID(name string) string { return strings.Repeat(name, 64/len(name)) }

// keep stores an attachment.
func (s attachments) keep(t *testing.T, organisation, name string, at time.Time) assess.Attachment {
	t.Helper()
	file := organisation + "/" + name
	check(t, s.ReserveFile(t.Context(), organisation, file, at.Add(time.Hour)))
	a, err := s.KeepAttachment(t.Context(), organisation, photoOf(name, file, at))
	check(t, err)
	return a
}

func photoOf(name, file string, at time.Time) assess.Attachment {
	return assess.Attachment{ID: photoID(name), Media: "image/jpeg", Size: 7, Width: 4, Height: 3, CreatedAt: at, File: file}
}

// linking is a submission that links photos.
func linking(name, vehicle string, photos ...string) assess.Submission {
	sub := submission(name, vehicle, start)
	for i, p := range photos {
		sub.Photos = append(sub.Photos, report.Photo{Pointer: fmt.Sprintf("/photos/%d", i), ID: photoID(p)})
	}
	return sub
}

// loose checks which files are loose at a time.
func (s attachments) loose(t *testing.T, at time.Time, want ...string) {
	t.Helper()
	files, err := s.LooseFiles(t.Context(), at, 99)
	check(t, err)
	same(t, files, want)
}

// there checks whether the organisation of the suite has an attachment.
func (s attachments) there(t *testing.T, name string, want bool) {
	t.Helper()
	_, err := s.StoreWithBatches.Attachment(t.Context(), us, photoID(name))
	if (err == nil) != want || err != nil && !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("attachment %s: %v", name, err)
	}
}

const far = 1000 * time.Hour

func (s attachments) kept(t *testing.T) {
	a := s.keep(t, us, "a", start)
	want := photoOf("a", us+"/a", stored(start))
	same(t, a, want)
	found, err := s.StoreWithBatches.Attachment(t.Context(), us, want.ID)
	check(t, err)
	same(t, found, want)
	touched, err := s.TouchAttachment(t.Context(), us, want.ID, start.Add(time.Hour))
	check(t, err)
	same(t, touched, want)
	s.loose(t, start.Add(far))
	if _, err := s.TouchAttachment(t.Context(), us, photoID("b"), start); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("touched is what is not there: %v", err)
	}
}

func (s attachments) again(t *testing.T) {
	first := s.keep(t, us, "a", start)
	check(t, s.ReserveFile(t.Context(), us, "other", start.Add(time.Hour)))
	second, err := s.KeepAttachment(t.Context(), us, photoOf("a", "other", start.Add(time.Minute)))
	check(t, err)
	same(t, second, first)
	s.loose(t, start)
	s.loose(t, start.Add(time.Hour), "other")
	check(t, s.ForgetFiles(t.Context(), []string{"other"}))
	check(t, s.ForgetFiles(t.Context(), []string{"other"})) // twice is once
	s.loose(t, start.Add(far))
}

func (s attachments) race(t *testing.T) {
	const side = 8
	var all sync.WaitGroup
	var first atomic.Int64
	for i := range side {
		all.Go(func() {
			file := fmt.Sprint("file-", i)
			tried(t, func() error { return s.ReserveFile(t.Context(), us, file, start.Add(time.Hour)) })
			tried(t, func() error {
				a, err := s.KeepAttachment(t.Context(), us, photoOf("a", file, start))
				if err == nil && a.File == file {
					first.Add(1)
				}
				return err
			})
		})
	}
	all.Wait()
	files, err := s.LooseFiles(t.Context(), start.Add(far), 99)
	if err != nil || first.Load() != 1 || len(files) != side-1 {
		t.Errorf("%d kept it, %d files are loose, %v", first.Load(), len(files), err)
	}
}

func (s attachments) late(t *testing.T) {
	check(t, s.ReserveFile(t.Context(), us, "file", start))
	s.loose(t, start, "file")
	if _, err := s.KeepAttachment(t.Context(), us, photoOf("a", "file", start)); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("kept after its time: %v", err)
	}
	if _, err := s.KeepAttachment(t.Context(), us, photoOf("a", "never reserved", start)); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("kept without a reservation: %v", err)
	}
	s.there(t, "a", false)
	s.loose(t, start, "file")
	// Nor is one that somebody was told to remove, whose clock is ahead.
	check(t, s.ReserveFile(t.Context(), us, "taken", start.Add(time.Hour)))
	s.loose(t, start.Add(time.Hour), "file", "taken")
	if _, err := s.KeepAttachment(t.Context(), us, photoOf("a", "taken", start)); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("kept while it is removed: %v", err)
	}
}

func (s attachments) strangers(t *testing.T) {
	s.keep(t, them, "a", start)
	s.there(t, "a", false)
	if _, err := s.TouchAttachment(t.Context(), us, photoID("a"), start); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger touches it: %v", err)
	}
	var unknown *assess.UnknownPhotosError
	if _, err := s.Accept(t.Context(), linking("a", "tern-01", "a")); !errors.As(err, &unknown) {
		t.Errorf("a stranger links it: %v", err)
	}
	// A file that is reserved by one is not another's.
	check(t, s.ReserveFile(t.Context(), them, "theirs", start.Add(far)))
	if _, err := s.KeepAttachment(t.Context(), us, photoOf("b", "theirs", start)); !errors.Is(err, assess.ErrUnavailable) {
		t.Errorf("a stranger's file is kept: %v", err)
	}
	// The same photo is each one's own.
	s.keep(t, us, "a", start)
	s.accept(t, linking("b", "tern-01", "a"))
	s.erase(t, "tern-01")
	if _, err := s.StoreWithBatches.Attachment(t.Context(), them, photoID("a")); err != nil {
		t.Errorf("with ours theirs went: %v", err)
	}
}

func (s attachments) unknown(t *testing.T) {
	s.keep(t, us, "a", start)
	sub := linking("a", "tern-01", "c", "a", "b", "c")
	sub.IdempotencyKey, sub.Fingerprint = "key", "print"
	var unknown *assess.UnknownPhotosError
	if _, err := s.Accept(t.Context(), sub); !errors.As(err, &unknown) {
		t.Fatalf("accepted: %v", err)
	}
	same(t, unknown.IDs, []string{photoID("b"), photoID("c")})
	s.absent(t, sub.ReportID, sub.AssessmentID, "tern-01")
	// Mended, it is taken under the same key; and again, it is a repeat whatever has become of the photos.
	sub.Photos = linking("a", "tern-01", "a").Photos
	if s.accept(t, sub).Repeat || !s.accept(t, sub).Repeat {
		t.Error("the key of what was refused stands for something")
	}
}

func (s attachments) unknownInBatch(t *testing.T) {
	s.keep(t, us, "a", start)
	_, _, err := s.OpenBatch(t.Context(), head("batch-a", ""))
	check(t, err)
	c := chunkOf("batch-a", 1, 0, "tern-01", "tern-02")
	c.Lines[0].Submission.Photos = linking("", "", "a").Photos
	c.Lines[1].Submission.Photos = linking("", "", "a", "b").Photos
	_, err = s.AddChunk(t.Context(), c)
	check(t, err)
	lines, err := s.Lines(t.Context(), us, "batch-a", 0, 9)
	check(t, err)
	if len(lines) != 2 || lines[0].Assessment.ID == "" || lines[1].Assessment.ID != "" || !strings.Contains(string(lines[1].Problem), `"pointer":"/photos/1"`) || strings.Contains(string(lines[1].Problem), "/photos/0") {
		t.Errorf("the lines are %+v", lines)
	}
}

func (s attachments) pruned(t *testing.T) {
	for _, name := range []string{"a", "b", "c", "d"} {
		s.keep(t, us, name, start)
	}
	s.keep(t, them, "a", start)
	s.accept(t, linking("x", "tern-01", "b"))
	_, err := s.TouchAttachment(t.Context(), us, photoID("c"), start.Add(2*time.Hour))
	check(t, err)
	prune := func(before time.Time, limit, want int) {
		t.Helper()
		n, err := s.PruneAttachments(t.Context(), before, limit)
		check(t, err)
		same(t, n, want)
	}
	prune(start, 99, 0)
	prune(start.Add(time.Hour), 1, 1)
	prune(start.Add(time.Hour), 99, 2)
	prune(start.Add(time.Hour), 99, 0)
	s.loose(t, start, us+"/a", us+"/d", them+"/a")
	for name, want := range map[string]bool{"a": false, "b": true, "c": true, "d": false} {
		s.there(t, name, want)
	}
	// What is gone can come again.
	check(t, s.ReserveFile(t.Context(), us, "new", start.Add(far)))
	_, err = s.KeepAttachment(t.Context(), us, photoOf("a", "new", start))
	check(t, err)
	s.there(t, "a", true)
}

func (s attachments) linked(t *testing.T) {
	s.keep(t, us, "a", start)
	s.keep(t, us, "b", start)
	s.keep(t, them, "c", start)
	sub := linking("1", "Tern-01", "a")
	s.accept(t, sub)
	for range 2 { // twice is once
		check(t, s.LinkPhotos(t.Context(), us, sub.ReportID, []string{photoID("b"), photoID("a"), photoID("c"), photoID("b")}))
	}
	for _, organisation := range []string{us, them} {
		if err := s.LinkPhotos(t.Context(), organisation, "nobody", []string{photoID("a")}); !errors.Is(err, assess.ErrNotFound) {
			t.Errorf("linked to what is not there: %v", err)
		}
	}
	if err := s.LinkPhotos(t.Context(), them, sub.ReportID, []string{photoID("c")}); !errors.Is(err, assess.ErrNotFound) {
		t.Errorf("a stranger links a photo to it: %v", err)
	}
	if done := s.erase(t, "tern-01"); done.Attachments != 2 {
		t.Errorf("erased are %+v", done)
	}
	s.there(t, "b", false)
}

func (s attachments) erased(t *testing.T) {
	for _, name := range []string{"a", "b", "c", "d"} {
		s.keep(t, us, name, start)
	}
	s.accept(t, linking("1", "Tern-01", "a", "b"))
	s.accept(t, linking("2", "tern-01", "b"))
	s.accept(t, linking("3", "wren-02", "b", "c"))
	if done := s.erase(t, "TERN-01"); done.Attachments != 1 {
		t.Errorf("erased are %+v", done)
	}
	for name, want := range map[string]bool{"a": false, "b": true, "c": true, "d": true} {
		s.there(t, name, want)
	}
	s.loose(t, start, us+"/a")
	if done := s.erase(t, "wren-02"); done.Attachments != 2 {
		t.Errorf("erased are %+v", done)
	}
	s.loose(t, start, us+"/a", us+"/b", us+"/c")
	list, err := s.Audit(t.Context(), assess.AuditPage{Organisation: us, Limit: 1})
	check(t, err)
	if len(list) != 1 || !strings.Contains(string(list[0].Detail), `"attachments":2`) {
		t.Errorf("the audit trail has %+v", list)
	}
}

func (s attachments) eraseRace(t *testing.T) {
	s.keep(t, us, "a", start)
	s.accept(t, linking("first", "tern-00", "a"))
	var all sync.WaitGroup
	for i := range 12 {
		all.Go(func() {
			vehicle := fmt.Sprintf("tern-%02d", i)
			tried(t, func() error {
				_, err := s.Accept(t.Context(), linking(fmt.Sprint(i), vehicle, "a"))
				if errors.As(err, new(*assess.UnknownPhotosError)) {
					err = nil
				}
				return err
			})
			if i%2 == 0 {
				tried(t, func() error {
					_, err := s.Erase(t.Context(), assess.Erasure{Organisation: us, Vehicle: vehicle, At: start})
					if errors.Is(err, assess.ErrNotFound) {
						err = nil
					}
					return err
				})
			}
		})
	}
	all.Wait()
	left := 0
	for i := range 12 {
		if _, err := s.Vehicle(t.Context(), us, fmt.Sprintf("tern-%02d", i)); err == nil {
			left++
		}
	}
	s.there(t, "a", left > 0)
}
