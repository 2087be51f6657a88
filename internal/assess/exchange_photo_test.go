package assess_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/internal/assess"
)

// Lines of what photographed exports.
const (
	atPiece  = 1 // of four, of a large photo
	atSmall  = 5 // a photo of one piece
	atLinked = 6 // the report that links both
)

// photographed is a stand with two reports on one vehicle, the second withdrawn, that link a large photo and a small one.
func photographed(t *testing.T) (s *stand, lines, photos []string) {
	t.Helper()
	s = openStand(t, "from", "brennick-motors", time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC))
	large, small := s.attach(t, 500, 1, true), s.attach(t, 24, 2, false)
	tern := read(t, "testdata", "cases", "base-tern.json")
	for _, linked := range []string{`"` + large + `","` + small + `"`, `"` + small + `"`} {
		if _, err := s.Submit(context.Background(), assess.Order{Body: bytes.Replace(tern, []byte("{"), []byte(`{"photos":[`+linked+`],`), 1)}); err != nil {
			t.Fatal(err)
		}
	}
	s.work(t)
	lines = strings.SplitAfter(strings.TrimSuffix(string(s.export(t)), "\n"), "\n")
	var kinds []string
	for _, l := range lines {
		kind, _, _ := strings.Cut(strings.TrimPrefix(l, `{"kind":"`), `"`)
		kinds = append(kinds, kind)
	}
	if got := strings.Join(kinds, " "); got != "export attachment attachment attachment attachment attachment report report subscription retention end" {
		t.Fatalf("the lines are %s", got)
	}
	return s, lines, []string{large, small}
}

// readable are those of some photos that can be read.
func (s *stand) readable(t *testing.T, photos []string) (which []int) {
	t.Helper()
	for i, id := range photos {
		if _, err := s.Attachment(context.Background(), id); err == nil {
			s.digests(t, id)
			which = append(which, i)
		}
	}
	return which
}

func changed(t *testing.T, line string, change func(map[string]any)) string {
	t.Helper()
	var o map[string]any
	if err := json.Unmarshal([]byte(line), &o); err != nil {
		t.Fatal(err)
	}
	change(o)
	text, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return string(text) + "\n"
}

// A photo that is not whole is told with its line; reports are taken all the same, and linked once it comes.
func TestAPhotoThatIsNotWholeIsToldWithItsLine(t *testing.T) {
	t.Parallel()
	s, lines, photos := photographed(t)
	set := func(at int, name string, value any) func([]string) []string {
		return func(l []string) []string {
			l[at] = changed(t, l[at], func(o map[string]any) { o[name] = value })
			return l
		}
	}
	script := []byte("<script>alert(1)</script>")
	digest := sha256.Sum256(script)
	gone := func(ids ...int) (lines []int) { return ids }
	for name, c := range map[string]struct {
		change   func([]string) []string
		readable []int
		refused  []int // lines from 1
		why      string
	}{
		"all is whole":               {func(l []string) []string { return l }, []int{0, 1}, nil, ""},
		"a piece is damaged":         {set(atPiece+1, "content", base64.StdEncoding.EncodeToString([]byte("another"))), []int{1}, gone(5, 7), "it is damaged, since its id is not its digest"},
		"a piece is not base64":      {set(atPiece+1, "content", "*"), []int{1}, gone(3, 4, 7), "the line cannot be read"},
		"the first piece is missing": {func(l []string) []string { return slices.Delete(l, atPiece, atPiece+1) }, []int{1}, gone(2, 6), "piece 1 of 4 is missing before this line"},
		"a piece is missing":         {func(l []string) []string { return slices.Delete(l, atPiece+1, atPiece+2) }, []int{1}, gone(3, 6), "piece 2 of 4 is missing before this line"},
		"the last piece is missing":  {func(l []string) []string { return slices.Delete(l, atPiece+3, atPiece+4) }, []int{1}, gone(5, 6), "ends before this line, behind piece 3 of 4"},
		"a piece is there twice":     {func(l []string) []string { return slices.Insert(l, atPiece+1, l[atPiece]) }, []int{0, 1}, gone(3), "ends before this line, behind piece 1 of 4"},
		"pieces changed places":      {func(l []string) []string { l[atPiece+1], l[atPiece+2] = l[atPiece+2], l[atPiece+1]; return l }, []int{1}, gone(3, 4, 7), "piece 2 of 4 is missing"},
		"another number of pieces":   {set(atPiece+1, "pieces", 9), []int{1}, gone(3, 7), "there are 9 pieces by this line, and 4 by the first"},
		"pieces below nothing":       {set(atSmall, "pieces", -1), []int{0}, gone(6, 7, 8), "was missing where the export comes from"},
		"a photo is not there":       {func(l []string) []string { return slices.Delete(l, atSmall, atSmall+1) }, []int{0}, gone(6, 7), "is taken without photo " + photos[1]},
		"the file was missing there": {func(l []string) []string {
			l[atSmall] = `{"kind":"attachment","id":"` + photos[1] + `"}` + "\n"
			return l
		}, []int{0}, gone(6, 7, 8), "was missing where the export comes from"},
		"an id that is none": {set(atSmall, "id", "../../etc/passwd"), []int{0}, gone(6, 7, 8), "an attachment has an id, which is 64 of"},
		"something that is no photo": {func(l []string) []string {
			return set(atSmall, "id", hex.EncodeToString(digest[:]))(set(atSmall, "content", script)(l))
		}, []int{0}, gone(6, 7, 8), "This is no photo that can be taken"},
		"the photo of another":        {set(atSmall, "id", photos[0]), []int{0}, gone(7, 8), "is taken without photo " + photos[1]},
		"the report is refused later": {set(atLinked, "body", "{}"), []int{0, 1}, gone(7), "invalid-report"},
	} {
		t.Run(name, func(t *testing.T) {
			organisation := "harrow-lane-" + strings.ReplaceAll(name, " ", "-")
			to := s.another(t, organisation)
			text := assess.Sealed(c.change(slices.Clone(lines[:len(lines)-1])))
			done, err := to.take(text)
			if err != nil {
				t.Fatal(err)
			}
			var refused []int
			for i, r := range done.Refusals {
				if refused = append(refused, r.Line); i == 0 && !strings.Contains(string(r.Problem), c.why) {
					t.Errorf("line %d is refused for %s, want %s", r.Line, r.Problem, c.why)
				}
			}
			if !slices.Equal(refused, c.refused) || done.Refused != len(refused) || done.Attachments != len(c.readable) {
				t.Errorf("taken are %+v: %s", done, done.Refusals)
			}
			if got := to.readable(t, photos); !slices.Equal(got, c.readable) {
				t.Errorf("photos that can be read are %v, want %v", got, c.readable)
			}
			// The whole one brings what is missing, and then erasing the vehicle takes all of it.
			again, err := to.take([]byte(strings.Join(lines, "")))
			if err != nil || again.Refused > 0 || again.Attachments != 2-len(c.readable) || len(to.readable(t, photos)) != 2 {
				t.Errorf("again: %+v, %v: %s", again, err, again.Refusals)
			}
			erased, err := to.Erase(context.Background(), "marrick-tern-01", "it was sold")
			left := slices.ContainsFunc(to.files.Names(), func(name string) bool { return strings.HasPrefix(name, organisation+"/") })
			if err != nil || erased.Attachments != 2 || left {
				t.Errorf("erased are %+v, %v; files are %v", erased, err, to.files.Names())
			}
		})
	}
}

// Photos that cannot be found do not end an export, nor are they passed over in silence.
func TestAnExportTellsOfPhotosThatAreMissing(t *testing.T) {
	t.Parallel()
	s, _, _ := photographed(t)
	for _, file := range s.files.Names() {
		if err := s.files.Delete(context.Background(), file); err != nil {
			t.Fatal(err)
		}
	}
	x, err := s.Export(context.Background(), nil)
	var out bytes.Buffer
	if err == nil {
		err = x.Write(context.Background(), &out)
	}
	if err != nil || x.MissingPhotos() != 2 {
		t.Fatalf("%d are missing, %v", x.MissingPhotos(), err)
	}
	to := s.another(t, "harrow-lane")
	if done, err := to.take(out.Bytes()); err != nil || done.Reports != 2 || done.Refused != 5 {
		t.Errorf("taken are %+v, %v: %s", done, err, done.Refusals)
	}
}

// While files cannot be reached, an import ends, and goes on when it is sent again.
func TestAnImportEndsWhileFilesCannotBeReached(t *testing.T) {
	t.Parallel()
	s, lines, photos := photographed(t)
	to := s.another(t, "harrow-lane")
	to.files.Break(assess.ErrUnavailable)
	done, err := to.take([]byte(strings.Join(lines, "")))
	if !errors.Is(err, assess.ErrUnavailable) || done.Reports+done.Attachments != 0 {
		t.Errorf("taken are %+v, %v", done, err)
	}
	to.files.Break(nil)
	if done, err := to.take([]byte(strings.Join(lines, ""))); err != nil || done.Attachments != 2 || done.Refused > 0 || len(to.readable(t, photos)) != 2 {
		t.Errorf("taken are %+v, %v: %s", done, err, done.Refusals)
	}
}
