package api_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/photo"
)

// inPicture is beside the picture in what picture makes.
const inPicture = "where it was taken"

// picture is a photo as a camera writes it, different for each size.
func picture(t testing.TB, w, h int) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = byte(i*w + h)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	comment := append(binary.BigEndian.AppendUint16([]byte{0xff, 0xfe}, uint16(len(inPicture)+2)), inPicture...)
	return bytes.Join([][]byte{b.Bytes()[:2], comment, b.Bytes()[2:]}, nil)
}

// attach stores a photo.
func (w *workshop) attach(data []byte, headers ...string) object {
	w.t.Helper()
	return w.photo(data, headers...).is(w.t, http.StatusCreated).object(w.t)
}

// photo sends a photo as a JPEG, unless a header says something else.
func (w *workshop) photo(data []byte, headers ...string) answer {
	w.t.Helper()
	if !slices.ContainsFunc(headers, func(h string) bool { return strings.HasPrefix(h, "Content-Type: ") }) {
		headers = append(headers, "Content-Type: image/jpeg")
	}
	return w.do(http.MethodPost, "/v1/attachments", data, headers...)
}

// showing is a report that links photos: one of the vehicle, and the others of its first observation.
func showing(t testing.TB, vehicle string, whole string, first ...string) []byte {
	t.Helper()
	return demo(t, "brennick-wren-03.1", func(o object) {
		o["vehicle"].(object)["reference"] = vehicle
		o["photos"] = []string{whole}
		o["observations"].([]any)[0].(object)["photos"] = first
	})
}

func TestAPhotoIsStoredAndRead(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", access.PostReports)
		sent := picture(t, 640, 480)
		a := w.photo(sent, key)
		a.is(t, http.StatusCreated)
		o := a.object(t)
		at := "/v1/attachments/" + o["id"].(string)
		a.has(t, "Location", at, "Cache-Control", "no-store")
		if o["media_type"] != "image/jpeg" || o["width"] != 640. || o["height"] != 480. || o["links"].(object)["thumbnail"] != at+"/thumbnail" {
			t.Errorf("it is %v", o)
		}
		for path, size := range map[string]int{at: 640, at + "/thumbnail": 320} {
			got := w.get(path, key, "Range: bytes=0-9").is(t, http.StatusOK)
			got.has(t, "Content-Type", "image/jpeg", "Cache-Control", "private, max-age=31536000, immutable",
				"X-Content-Type-Options", "nosniff", "Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
			c, err := jpeg.DecodeConfig(bytes.NewReader(got.text))
			if err != nil || c.Width != size || bytes.Contains(got.text, []byte(inPicture)) {
				t.Errorf("%s is %d pixels wide, %v", path, c.Width, err)
			}
			if again := w.get(path, key, "If-None-Match: "+got.Header.Get("ETag")); again.StatusCode != http.StatusNotModified || len(again.text) > 0 {
				t.Errorf("%s is sent again: %d", path, again.StatusCode)
			}
			head := w.do(http.MethodHead, path, nil, key).is(t, http.StatusOK)
			head.has(t, "Content-Length", fmt.Sprint(len(got.text)))
			if len(head.text) > 0 {
				t.Errorf("HEAD has %d bytes", len(head.text))
			}
		}
		// The same again is the same, and a page that carries it the other way says so as well.
		files := w.files.Names()
		again := w.photo(sent, key, "Content-Type: image/png").is(t, http.StatusOK)
		if again.object(t)["id"] != o["id"] || len(w.files.Names()) != len(files) || len(files) != 2 {
			t.Errorf("again it is %s; files %q and then %q", again.text, files, w.files.Names())
		}
		if w.files.Holds(inPicture) {
			t.Error("what the camera wrote is stored")
		}
	})
}

func TestAPNGStaysOne(t *testing.T) {
	t.Parallel()
	w := open(t)
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20))); err != nil {
		t.Fatal(err)
	}
	o := w.attach(b.Bytes())
	if o["media_type"] != "image/png" {
		t.Errorf("it is %v", o)
	}
	w.get("/v1/attachments/"+o["id"].(string)).is(t, http.StatusOK).has(t, "Content-Type", "image/png")
	w.get("/v1/attachments/"+o["id"].(string)+"/thumbnail").is(t, http.StatusOK).has(t, "Content-Type", "image/jpeg")
}

func TestPhotosThatAreRefusedLeaveNothing(t *testing.T) {
	t.Parallel()
	w := open(t)
	good := picture(t, 64, 48)
	const large = "IHDR\x00\x01\x00\x00\x00\x01\x00\x00\x08\x02\x00\x00\x00" // 65,536 by 65,536 pixels
	for name, c := range map[string]struct {
		body    []byte
		headers []string
		status  int
		kind    string
		says    string
	}{
		"HEIC":               {[]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + strings.Repeat("\x00", 40)), nil, 415, "unsupported-media-type", "most compatible"},
		"a page":             {[]byte("<!DOCTYPE html><script>alert(1)</script>"), []string{"Content-Type: image/jpeg"}, 415, "unsupported-media-type", "text/html"},
		"nothing":            {nil, nil, 415, "unsupported-media-type", "empty"},
		"packed":             {good, []string{"Content-Encoding: gzip"}, 415, "unsupported-media-type", "Content-Encoding"},
		"cut":                {good[:len(good)/2], nil, 422, "bad-photo", "damaged"},
		"too many pixels":    {binary.BigEndian.AppendUint32([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d"+large), crc32.ChecksumIEEE([]byte(large))), nil, 422, "bad-photo", "million"},
		"one byte too large": {append(bytes.Clone(good), make([]byte, photo.MaxBytes+1-len(good))...), nil, 413, "body-too-large", "15728640"},
	} {
		w.photo(c.body, c.headers...).problem(t, c.status, c.kind, c.says)
		if files := w.files.Names(); len(files) > 0 {
			t.Fatalf("%s: stored are %q", name, files)
		}
	}
	w.photo(append(bytes.Clone(good), make([]byte, photo.MaxBytes-len(good))...)).is(t, http.StatusCreated)
}

func TestAPhotoIsOfOneOrganisation(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		ours, theirs := w.key("harrow-lane", access.PostReports), w.key("brennick-motors", access.PostReports)
		id := w.attach(picture(t, 64, 48), ours)["id"].(string)
		for _, path := range []string{"/v1/attachments/" + id, "/v1/attachments/" + id + "/thumbnail"} {
			w.get(path, theirs).problem(t, http.StatusNotFound, "not-found")
			w.get(path, ours).is(t, http.StatusOK)
		}
		w.post("/v1/reports", showing(t, "wren-01", id), theirs).problem(t, http.StatusUnprocessableEntity, "invalid-report")
		// Who sends the same has the same id, of a photo of its own.
		if other := w.attach(picture(t, 64, 48), theirs); other["id"] != id || len(w.files.Names()) != 4 {
			t.Errorf("theirs is %v; files %q", other, w.files.Names())
		}
		w.photo(picture(t, 8, 8), w.key("harrow-lane", access.Read)).problem(t, http.StatusForbidden, "scope-needed")
	})
}

func TestReportsLinkPhotosThatAreThere(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", access.PostReports)
		one, two := w.attach(picture(t, 64, 48), key)["id"].(string), w.attach(picture(t, 48, 64), key)["id"].(string)
		nowhere := strings.Repeat("0", 64)
		p := w.post("/v1/reports", showing(t, "wren-01", nowhere, one, nowhere), key).problem(t, http.StatusUnprocessableEntity, "invalid-report")
		var at []any
		for _, fault := range p["errors"].([]any) {
			at = append(at, fault.(object)["pointer"])
			if !strings.Contains(fault.(object)["detail"].(string), "POST /v1/attachments") {
				t.Errorf("the fault is %v", fault)
			}
		}
		if fmt.Sprint(at) != "[/photos/0 /observations/0/photos/1]" {
			t.Errorf("the faults are at %v", at)
		}
		w.get("/v1/vehicles/wren-01", key).problem(t, http.StatusNotFound, "not-found")

		id := w.sent(showing(t, "wren-01", one, two, one), key)
		report := w.get("/v1/reports/"+id, key).object(t)
		if got := fmt.Sprint(report["photos"], report["observations"].([]any)[0].(object)["photos"]); got != fmt.Sprintf("[%s] [%s %s]", one, two, one) {
			t.Errorf("it links %s", got)
		}
	})
}

// errAway is what an object store that cannot be reached answers.
var errAway = fmt.Errorf("dial tcp: connection refused: %w", assess.ErrUnavailable)

func TestWhileTheObjectStoreIsAwayNothingIsStored(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", access.PostReports)
		kept := w.attach(picture(t, 64, 48), key)["id"].(string)
		w.files.Break(errAway)
		a := w.photo(picture(t, 48, 64), key)
		a.problem(t, http.StatusServiceUnavailable, "unavailable")
		a.has(t, "Retry-After", "5")
		w.get("/v1/attachments/"+kept, key).problem(t, http.StatusServiceUnavailable, "unavailable")
		// Reports do not need it.
		w.sent(showing(t, "wren-01", kept), key)
		w.files.Break(nil)
		id := w.attach(picture(t, 48, 64), key)["id"].(string)
		w.get("/v1/attachments/"+id, key).is(t, http.StatusOK)
	})
}

// halfway is a store of files that fails with the second one.
type halfway struct {
	*assesstest.Files
	mu sync.Mutex
	n  int
}

func (h *halfway) Put(ctx context.Context, name, media string, data []byte) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.n++; h.n == 2 {
		return errAway
	}
	return h.Files.Put(ctx, name, media, data)
}

func TestWhatIsStoredByHalfIsRemoved(t *testing.T) {
	t.Parallel()
	memory, files := assesstest.NewMemory(), &assesstest.Files{}
	w := openAll(t, builtin.FirstStart(), memory, builtin.JobsOf(nil))
	service, err := assess.New(assess.Options{Store: memory, Queue: w.queue, Attachments: memory, Files: &halfway{Files: files}, RuleSets: builtin.RuleSets(), Loader: builtin.Loader(), NewID: func() string { return "id" }, Clock: w.service.Now})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := service.For("harrow-lane").Attach(t.Context(), picture(t, 64, 48)); err == nil || len(files.Names()) != 1 {
		t.Fatalf("%v; files %q", err, files.Names())
	}
	sweep := func() {
		t.Helper()
		if _, err := service.Sweep(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	sweep()
	if len(files.Names()) != 1 {
		t.Error("a file that may still be of use is removed")
	}
	w.ticks.Add(2 * 3600)
	sweep()
	if left := files.Names(); len(left) > 0 {
		t.Errorf("left are %q", left)
	}
}

func TestPhotosGoWithTheLastVehicleThatLinksThem(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		key := w.key("harrow-lane", access.Administration)
		own, shared := w.attach(picture(t, 64, 48), key)["id"].(string), w.attach(picture(t, 48, 64), key)["id"].(string)
		w.sent(showing(t, "wren-01", own, shared), key)
		w.sent(showing(t, "wren-02", shared), key)
		w.queue.workers.Wait()
		there := func(id string, want int) {
			t.Helper()
			if got := w.get("/v1/attachments/"+id, key); got.StatusCode != want {
				t.Errorf("%s answers %d: %s", id, got.StatusCode, got.text)
			}
		}
		erase := func(vehicle string, attachments float64) {
			t.Helper()
			o := w.erase(vehicle, fmt.Sprintf(`{"reference":%q,"reason":"the owner asks for it"}`, vehicle), key).is(t, http.StatusOK).object(t)
			if o["attachments"] != attachments {
				t.Errorf("erased are %v", o)
			}
		}
		erase("wren-01", 1)
		there(own, http.StatusNotFound)
		there(shared, http.StatusOK)
		for _, file := range w.files.Names() {
			if strings.Contains(file, own) {
				t.Errorf("the file %s is there", file)
			}
		}
		// While the files cannot be reached the vehicle goes all the same, and they go as soon as they can be.
		w.files.Break(errAway)
		erase("wren-02", 1)
		w.files.Break(nil)
		there(shared, http.StatusNotFound)
		if len(w.files.Names()) != 2 {
			t.Errorf("files are %q", w.files.Names())
		}
		if _, err := w.service.Sweep(t.Context()); err != nil || len(w.files.Names()) > 0 {
			t.Errorf("files are %q, %v", w.files.Names(), err)
		}
	})
}

func TestPhotosThatNoReportLinksAreRemoved(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		const day = 24 * 3600
		key := w.key("harrow-lane", access.PostReports)
		linked, never, again := picture(t, 64, 48), picture(t, 48, 64), picture(t, 32, 32)
		id := w.attach(linked, key)["id"].(string)
		w.attach(never, key)
		w.attach(again, key)
		w.sent(showing(t, "wren-01", id), key)
		w.ticks.Add(5 * day)
		w.photo(again, key).is(t, http.StatusOK)
		sweep := func(files int) {
			t.Helper()
			if _, err := w.service.Sweep(t.Context()); err != nil || len(w.files.Names()) != files {
				t.Errorf("files are %q, %v", w.files.Names(), err)
			}
		}
		sweep(6)
		w.ticks.Add(3 * day)
		sweep(4)
		w.ticks.Add(30 * day)
		sweep(2)
		w.get("/v1/attachments/"+id, key).is(t, http.StatusOK)
	})
}

func TestWithoutAPlaceForThemThereAreNoAttachments(t *testing.T) {
	t.Parallel()
	w := open(t)
	service, err := assess.New(assess.Options{Store: w.store, Queue: w.queue, RuleSets: builtin.RuleSets(), Loader: builtin.Loader(), NewID: func() string { return "id" }})
	if err != nil {
		t.Fatal(err)
	}
	if w.api, err = api.New(api.Options{Service: service, Keys: w.keys, Open: true}); err != nil {
		t.Fatal(err)
	}
	rec := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/v1/attachments", bytes.NewReader(picture(t, 8, 8)))
	r.Host = "localhost"
	w.api.Handler().ServeHTTP(rec, r)
	if rec.Code != http.StatusConflict || !strings.Contains(rec.Body.String(), "--attachments") {
		t.Errorf("status %d: %s", rec.Code, rec.Body)
	}
	if _, err := service.Sweep(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestPhotosSentAtOnceAreLimited(t *testing.T) {
	t.Parallel()
	w := open(t)
	good := picture(t, 8, 8)
	var all sync.WaitGroup
	var pipes []*io.PipeWriter
	for range 8 {
		in, out := io.Pipe()
		pipes = append(pipes, out)
		all.Go(func() {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/v1/attachments", in)
			r.Host = "localhost"
			rec := httptest.NewRecorder()
			w.api.Handler().ServeHTTP(rec, r)
			if rec.Code != http.StatusCreated && rec.Code != http.StatusOK {
				t.Errorf("status %d: %s", rec.Code, rec.Body)
			}
		})
		if _, err := out.Write(good[:1]); err != nil {
			t.Fatal(err)
		}
	}
	w.photo(good).problem(t, http.StatusTooManyRequests, "too-many-requests", "8 photos")
	for _, p := range pipes {
		if _, err := p.Write(good[1:]); err != nil {
			t.Fatal(err)
		}
		_ = p.Close()
	}
	all.Wait()
	w.photo(good).is(t, http.StatusOK)
}

// Photos stand beside what is in the way of their item, and with the report that links them, each leading to the whole
// picture.
func TestThePageOfAVehicleShowsItsPhotos(t *testing.T) {
	t.Parallel()
	w := open(t)
	whole, belt, gone := w.attach(picture(t, 64, 48))["id"].(string), w.attach(picture(t, 48, 64))["id"].(string), w.attach(picture(t, 32, 32))["id"].(string)
	linking := func(id string) []byte {
		return demo(t, "marrick-tern-01.1", func(o object) {
			o["photos"] = []string{whole}
			for _, one := range o["observations"].([]any) {
				if one.(object)["item"] == "timing_belt" { // three say something of it
					one.(object)["photos"] = []string{id}
				}
			}
		})
	}
	withdrawn := w.sent(linking(gone), "")
	w.post("/v1/reports/"+withdrawn+"/withdraw", []byte(`{"reason":"of another vehicle"}`)).is(t, http.StatusOK)
	w.sent(linking(belt), "")
	w.queue.workers.Wait()
	page := string(w.get("/vehicles/marrick-tern-01").is(t, http.StatusOK).text)
	blocking, reports, _ := strings.Cut(page, `id="reports"`)
	img := func(id, alt string) string {
		return `<a href="/v1/attachments/` + id + `"><img src="/v1/attachments/` + id + `/thumbnail" alt="` + alt + `" loading="lazy"></a>`
	}
	for _, c := range []struct {
		where, what string
		want        int
	}{
		{blocking, img(belt, "Photo: timing belt"), 1}, {blocking, whole, 0}, {blocking, gone, 0},
		{reports, img(belt, "Photo: timing belt"), 3}, {reports, img(whole, "Photo: vehicle"), 2}, {reports, img(gone, "Photo: timing belt"), 3},
	} {
		if got := strings.Count(c.where, c.what); got != c.want {
			t.Errorf("%s is there %d times, want %d", c.what, got, c.want)
		}
	}
}

// Sheets show the newest photos, some of them, each as its thumbnail; a photo that is lost leaves a frame.
func TestSheetsShowPhotos(t *testing.T) {
	t.Parallel()
	w := open(t)
	var all []string
	for i := range 14 {
		all = append(all, w.attach(picture(t, 64+i, 48))["id"].(string))
	}
	w.sent(demo(t, "marrick-tern-01.1", func(o object) {
		o["photos"] = all[:13]
		for _, one := range o["observations"].([]any) {
			if one.(object)["item"] == "timing_belt" {
				one.(object)["photos"] = all[12:]
			}
		}
	}), "")
	w.queue.workers.Wait()
	id := w.get("/v1/vehicles/marrick-tern-01").object(t)["history"].([]any)[0].(object)["id"].(string)
	at := "/v1/assessments/" + id + "/sheet?sheet="
	for _, name := range []string{"blocking", "purchase", "register"} {
		page := string(w.get(at+name, "Accept: text/html").is(t, http.StatusOK).text)
		if n := strings.Count(page, `/thumbnail"`); n != 12 || !strings.Contains(page, "2 more photos are in the reports.") || !strings.Contains(page, `alt="Vehicle, 20`) {
			t.Errorf("%s shows %d photos", name, n)
		}
		paper := w.get(at+name, "Accept: application/pdf").is(t, http.StatusOK).text
		if n := bytes.Count(paper, []byte("/Subtype /Image")); n != 12 || !bytes.Equal(paper, w.get(at+name, "Accept: application/pdf").text) {
			t.Errorf("%s as PDF has %d photos, or is not the same twice", name, n)
		}
	}
	if page := string(w.get(at+"start", "Accept: text/html").text); strings.Contains(page, "/thumbnail") {
		t.Error("a start sheet has photos")
	}
	w.files.Break(assess.ErrUnavailable)
	w.get(at+"register", "Accept: application/pdf").problem(t, http.StatusServiceUnavailable, "unavailable")
	w.files.Break(nil)
	for _, name := range w.files.Names() {
		_ = w.files.Delete(t.Context(), name)
	}
	if paper := w.get(at+"register", "Accept: application/pdf").is(t, http.StatusOK).text; bytes.Contains(paper, []byte("/Subtype /Image")) {
		t.Error("what is lost is shown")
	}
}
