package photo_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"slices"
	"strings"
	"testing"

	"laidup/internal/photo"
)

// hidden is in all that is written beside a picture.
const hidden = "Harrow Lane 17"

// corners are the colours of a picture: top left, top right, bottom left, bottom right.
type corners [4]color.RGBA

var (
	red, lime = color.RGBA{255, 0, 0, 255}, color.RGBA{0, 255, 0, 255}
	blue      = color.RGBA{0, 0, 255, 255}
	white     = color.RGBA{255, 255, 255, 255}
	seen      = corners{red, lime, blue, white} // by who looks at it upright
)

func draw(w, h int, c corners) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			at := 0
			if x >= w/2 {
				at++
			}
			if y >= h/2 {
				at += 2
			}
			m.SetRGBA(x, y, c[at])
		}
	}
	return m
}

// tiff is what a camera writes about a picture: its orientation, its maker and where it was taken.
func tiff(orientation uint16) []byte {
	le := binary.LittleEndian
	var b []byte
	entry := func(tag, kind uint16, count, value uint32) {
		b = le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(b, tag), kind), count), value)
	}
	b = append(b, "II*\x00\x08\x00\x00\x00"...)
	const after = 8 + 2 + 3*12 + 4
	b = le.AppendUint16(b, 3)
	entry(0x010f, 2, uint32(len(hidden)+1), after+2+12+4) // the maker
	entry(0x0112, 3, 1, uint32(orientation))
	entry(0x8825, 4, 1, after) // where
	b = le.AppendUint32(b, 0)
	b = le.AppendUint16(b, 1)
	entry(0x001b, 2, uint32(len(hidden)+1), after+2+12+4) // by which means
	b = le.AppendUint32(b, 0)
	return append(b, hidden+"\x00"...)
}

func inJPEG(t testing.TB, m image.Image, orientation uint16) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	segment := func(marker byte, content string) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(content)+2)), content...)
	}
	out := append([]byte{}, b.Bytes()[:2]...)
	out = append(out, segment(0xe1, "Exif\x00\x00"+string(tiff(orientation)))...)
	out = append(out, segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta>"+hidden+"</x:xmpmeta>")...)
	out = append(out, segment(0xfe, hidden)...)
	return append(out, b.Bytes()[2:]...)
}

func inPNG(t testing.TB, m image.Image, orientation uint16) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	chunk := func(name string, content []byte) []byte {
		out := append(binary.BigEndian.AppendUint32(nil, uint32(len(content))), name...)
		out = append(out, content...)
		return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
	}
	const header = 8 + 4 + 4 + 13 + 4
	out := append([]byte{}, b.Bytes()[:header]...)
	out = append(out, chunk("eXIf", tiff(orientation))...)
	out = append(out, chunk("tEXt", []byte("Comment\x00"+hidden))...)
	return append(out, b.Bytes()[header:]...)
}

// bits writes numbers, the lowest bit first.
type bits struct {
	bytes []byte
	n     int
}

func (b *bits) put(value, count int) {
	for ; count > 0; count-- {
		if b.n%8 == 0 {
			b.bytes = append(b.bytes, 0)
		}
		b.bytes[b.n/8] |= byte(value&1) << (b.n % 8)
		value >>= 1
		b.n++
	}
}

// inWebP writes a picture whose colours are nothing or all of red, green and blue.
func inWebP(m image.Image, orientation uint16) []byte {
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	var b bits
	b.put(0x2f, 8)
	b.put(w-1, 14)
	b.put(h-1, 14)
	b.put(0, 1+3+1+1+1) // no alpha, version 0; no transform, no cache, one set of codes
	for range 3 {       // green, red and blue have codes of a bit for 0 and 255
		b.put(0b111, 3)
		b.put(0, 8)
		b.put(255, 8)
	}
	b.put(0b101, 3) // alpha has one value, and no bits
	b.put(255, 8)
	b.put(0b001, 3) // nor has the distance
	b.put(0, 1)
	for y := range h {
		for x := range w {
			r, g, bl, _ := m.At(x, y).RGBA()
			b.put(int(g>>15), 1)
			b.put(int(r>>15), 1)
			b.put(int(bl>>15), 1)
		}
	}
	return riff(webpCanvas(w, h), "VP8L", b.bytes, "EXIF", tiff(orientation))
}

func webpCanvas(w, h int) []byte {
	return []byte{1 << 3, 0, 0, 0, byte(w - 1), byte((w - 1) >> 8), 0, byte(h - 1), byte((h - 1) >> 8), 0}
}

func riff(canvas []byte, chunks ...any) []byte {
	var body []byte
	chunks = append([]any{"VP8X", canvas}, chunks...)
	for i := 0; i < len(chunks); i += 2 {
		content := chunks[i+1].([]byte)
		body = append(body, chunks[i].(string)...)
		body = binary.LittleEndian.AppendUint32(body, uint32(len(content)))
		body = append(body, content...)
		if len(content)%2 == 1 {
			body = append(body, 0)
		}
	}
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body)+4)), "WEBP"+string(body)...)
}

// store reads a picture and makes of it what is stored.
func store(t testing.TB, data []byte) photo.Photo {
	t.Helper()
	p, err := photo.Read(data)
	if err != nil {
		t.Fatal(err)
	}
	stored, err := p.Store()
	if err != nil {
		t.Fatal(err)
	}
	return stored
}

// shows checks the size and the corners of an encoded picture.
func shows(t *testing.T, what string, data []byte, w, h int, c corners) {
	t.Helper()
	m, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if b := m.Bounds(); b.Dx() != w || b.Dy() != h {
		t.Errorf("%s has %d by %d pixels, want %d by %d", what, b.Dx(), b.Dy(), w, h)
	}
	for i, want := range c {
		x, y := w/4+i%2*(w/2), h/4+i/2*(h/2)
		got := color.RGBAModel.Convert(m.At(x, y)).(color.RGBA)
		for _, d := range []int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B), int(got.A) - int(want.A)} {
			if d < -12 || d > 12 {
				t.Errorf("%s has %v at %d, %d, want %v", what, got, x, y, want)
				break
			}
		}
	}
}

// TestPicturesAreStoredUpright turns a picture as EXIF says what its first row and its first column show, each by who
// looks at it upright: for 6, the first row is on the right and the first column is at the top.
func TestPicturesAreStoredUpright(t *testing.T) {
	t.Parallel()
	tl, tr, bl, br := seen[0], seen[1], seen[2], seen[3]
	for orientation, c := range map[uint16]corners{
		0: seen, 1: seen, 9: seen, // what says nothing is upright
		2: {tr, tl, br, bl},
		3: {br, bl, tr, tl},
		4: {bl, br, tl, tr},
		5: {tl, bl, tr, br},
		6: {tr, br, tl, bl},
		7: {br, tr, bl, tl},
		8: {bl, tl, br, tr},
	} {
		const w, h = 96, 64
		m := draw(w, h, c)
		if orientation >= 5 && orientation <= 8 {
			m = draw(h, w, c)
		}
		for kind, data := range map[string][]byte{
			"JPEG": inJPEG(t, m, orientation), "PNG": inPNG(t, m, orientation), "WebP": inWebP(m, orientation),
		} {
			t.Run(fmt.Sprint(kind, " ", orientation), func(t *testing.T) {
				t.Parallel()
				stored := store(t, data)
				shows(t, "the photo", stored.Data, w, h, seen)
				shows(t, "the thumbnail", stored.Thumbnail, w, h, seen)
				want := photo.JPEG
				if kind == "PNG" {
					want = photo.PNG
				}
				if stored.Media != want || stored.Width != w || stored.Height != h {
					t.Errorf("stored as %s, %d by %d", stored.Media, stored.Width, stored.Height)
				}
			})
		}
	}
}

func TestNothingButThePictureIsStored(t *testing.T) {
	t.Parallel()
	m := draw(64, 64, seen)
	for kind, data := range map[string][]byte{"JPEG": inJPEG(t, m, 6), "PNG": inPNG(t, m, 6), "WebP": inWebP(m, 6)} {
		// Whatever follows a picture is not part of it, though others may take the whole for a page or an archive.
		data = append(data, "<script>alert(1)</script>PK\x03\x04"+hidden...)
		if !strings.Contains(string(data), hidden) {
			t.Fatalf("%s: nothing is hidden in it", kind)
		}
		stored := store(t, data)
		for _, text := range []string{hidden, "Exif", "eXIf", "EXIF", "II*", "xmpmeta", "tEXt", "<script>", "PK\x03\x04"} {
			if bytes.Contains(stored.Data, []byte(text)) || bytes.Contains(stored.Thumbnail, []byte(text)) {
				t.Errorf("%s: %q is stored", kind, text)
			}
		}
	}
}

func TestTheSamePictureIsStoredAlike(t *testing.T) {
	t.Parallel()
	data := inJPEG(t, draw(700, 400, seen), 5)
	first, second := store(t, data), store(t, data)
	if !bytes.Equal(first.Data, second.Data) || !bytes.Equal(first.Thumbnail, second.Thumbnail) {
		t.Error("the same picture is stored as other bytes")
	}
}

func TestThumbnails(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ w, h, wantW, wantH int }{
		{1600, 900, 320, 180}, {900, 1600, 180, 320}, {320, 320, 320, 320}, {10, 8, 10, 8}, {5000, 4, 320, 1}, {4, 5000, 1, 320},
	} {
		stored := store(t, inPNG(t, draw(c.w, c.h, seen), 1))
		got, err := jpeg.DecodeConfig(bytes.NewReader(stored.Thumbnail))
		if err != nil || got.Width != c.wantW || got.Height != c.wantH {
			t.Errorf("%d by %d: the thumbnail is %d by %d, %v", c.w, c.h, got.Width, got.Height, err)
		}
	}
}

func TestTransparencyIsKeptInAPNGAndWhiteInAThumbnail(t *testing.T) {
	t.Parallel()
	stored := store(t, inPNG(t, draw(64, 64, corners{red, {}, {}, {}}), 1))
	shows(t, "the photo", stored.Data, 64, 64, corners{red, {}, {}, {}})
	shows(t, "the thumbnail", stored.Thumbnail, 64, 64, corners{red, white, white, white})
}

// headerOfJPEG is a JPEG that says how large it is, and ends there.
func headerOfJPEG(w, h uint16) []byte {
	b := []byte("\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00\xff\xc0\x00\x11\x08")
	b = binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16(b, h), w)
	return append(b, 3, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0)
}

// progressive makes a JPEG one that comes in passes, by its header.
func progressive(data []byte) []byte {
	return bytes.Replace(data, []byte{0xff, 0xc0}, []byte{0xff, 0xc2}, 1)
}

// headerOfPNG is a PNG that says how large it is, and ends there.
func headerOfPNG(w, h uint32) []byte {
	b := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR")
	b = binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(b, w), h)
	b = append(b, 8, 2, 0, 0, 0)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[12:]))
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	m := draw(64, 64, seen)
	asJPEG, asPNG, asWebP := inJPEG(t, m, 1), inPNG(t, m, 1), inWebP(m, 1)
	small := inWebP(draw(2, 2, seen), 1)
	copy(small[20:], webpCanvas(1, 1)) // it says that it is smaller than it is
	ftyp := func(brand string) []byte {
		return []byte("\x00\x00\x00\x18ftyp" + brand + "\x00\x00\x00\x00mif1" + brand + strings.Repeat("\x00", 40))
	}
	for name, c := range map[string]struct {
		data  []byte
		wrong bool // of the wrong kind
		says  string
	}{
		"nothing":                      {nil, true, "empty"},
		"a page":                       {[]byte("<!DOCTYPE html><html><body>photo.jpg</body></html>"), true, "text/html"},
		"a drawing that has scripts":   {[]byte(`<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>`), true, "image/svg+xml"},
		"a GIF":                        {[]byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), true, "image/gif"},
		"a PDF":                        {[]byte("%PDF-1.7\n"), true, "application/pdf"},
		"JSON":                         {[]byte(`{"photo":"…"}`), true, "JPEG, PNG or WebP"},
		"a form":                       {append([]byte("--b0undary\r\nContent-Disposition: form-data; name=\"photo\"\r\n\r\n"), asJPEG...), true, "form"},
		"packed":                       {[]byte("\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"), true, "uncompressed"},
		"HEIC":                         {ftyp("heic"), true, "most compatible"},
		"HEIF":                         {ftyp("mif1"), true, "most compatible"},
		"AVIF":                         {ftyp("avif"), true, "most compatible"},
		"a film":                       {[]byte("\x00\x00\x00\x18ftypisom\x00\x00\x02\x00isomiso2mp41"), true, "JPEG, PNG or WebP"},
		"a JPEG that ends midway":      {asJPEG[:len(asJPEG)/2], false, "damaged"},
		"a PNG that ends midway":       {asPNG[:len(asPNG)*9/10], false, "damaged"},
		"a WebP that ends midway":      {asWebP[:len(asWebP)/2], false, "damaged"},
		"the beginning of a JPEG":      {asJPEG[:4], false, "damaged"},
		"a PNG with a wrong sum":       {bytes.Replace(asPNG, []byte(hidden), []byte(strings.ToUpper(hidden)), 2), false, "damaged"},
		"a large JPEG in few bytes":    {headerOfJPEG(65535, 65535), false, "million"},
		"a large PNG in few bytes":     {headerOfPNG(1<<31-1, 1<<31-1), false, ""},
		"a wide PNG in few bytes":      {headerOfPNG(photo.MaxPixels/2+1, 1), false, "26 million"},
		"a large progressive JPEG":     {progressive(headerOfJPEG(4200, 4200)), false, "17 million"},
		"a hidden progressive JPEG":    {bytes.Replace(progressive(headerOfJPEG(4200, 4200)), []byte("\xff\xc2"), []byte("\x00\xff\xff\xff\xc2"), 1), false, "17 million"},
		"a plain JPEG of that size":    {headerOfJPEG(4200, 4200), false, "damaged"},
		"a progressive one that ends":  {progressive(headerOfJPEG(4000, 4000)), false, "damaged"},
		"a large WebP in few bytes":    {riff(webpCanvas(16384, 16384), "VP8L", []byte{0x2f}), false, "million"},
		"a WebP larger than it says":   {small, false, "damaged"},
		"more bytes than are taken":    {append(bytes.Clone(asJPEG), make([]byte, photo.MaxBytes+1-len(asJPEG))...), false, "limit"},
		"a PNG without any pixel":      {headerOfPNG(0, 7), false, ""},
		"a WebP that moves":            {riff([]byte{1 << 1, 0, 0, 0, 9, 0, 0, 9, 0, 0}, "ANIM", make([]byte, 6)), false, "damaged"},
		"a JPEG of a kind nobody uses": {bytes.Replace(headerOfJPEG(8, 8), []byte{0xff, 0xc0}, []byte{0xff, 0xc3}, 1), false, "damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p, err := photo.Read(c.data)
			if err == nil {
				_, err = p.Store()
			}
			if err == nil {
				t.Fatal("it is taken")
			}
			if wrong := errors.As(err, new(*photo.WrongKindError)); wrong != c.wrong || wrong == errors.As(err, new(*photo.UnusableError)) {
				t.Errorf("refused as %T", err)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
		})
	}
}

// A picture of the most bytes that are taken is taken.
func TestAsManyBytesAsAreTaken(t *testing.T) {
	t.Parallel()
	data := inJPEG(t, draw(64, 64, seen), 1)
	store(t, append(data, make([]byte, photo.MaxBytes-len(data))...))
}

func FuzzPhoto(f *testing.F) {
	m := draw(20, 14, seen)
	for o := range uint16(9) {
		f.Add(inJPEG(f, m, o))
		f.Add(inPNG(f, m, o))
		f.Add(inWebP(m, o))
	}
	f.Add(headerOfPNG(1<<31-1, 1<<31-1))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := photo.Read(data)
		if err != nil || p.Width*p.Height > 1<<18 {
			return
		}
		stored, err := p.Store()
		if err != nil {
			return
		}
		again := store(t, stored.Data)
		if again.Width != stored.Width || again.Height != stored.Height || again.Media != stored.Media {
			t.Errorf("stored as %s of %d by %d, again as %s of %d by %d", stored.Media, stored.Width, stored.Height, again.Media, again.Width, again.Height)
		}
		if c, err := jpeg.DecodeConfig(bytes.NewReader(stored.Thumbnail)); err != nil || max(c.Width, c.Height) > photo.ThumbnailSide {
			t.Errorf("the thumbnail is %d by %d, %v", c.Width, c.Height, err)
		}
	})
}

// What was stored is stored again as it is, and nothing that has anything beside the picture.
func TestWhatWasStoredIsStoredAgainAsItIs(t *testing.T) {
	t.Parallel()
	m := draw(64, 48, seen)
	asJPEG, asPNG := store(t, inJPEG(t, m, 1)), store(t, inPNG(t, m, 1))
	for name, before := range map[string]photo.Photo{"JPEG": asJPEG, "PNG": asPNG, "grey": store(t, inPNG(t, image.NewGray(m.Rect), 1)), "few colours": store(t, inPNG(t, image.NewPaletted(m.Rect, color.Palette{red, lime}), 1))} {
		p, err := photo.ReadStored(before.Data)
		if err != nil {
			t.Fatal(name, err)
		}
		again, err := p.Store()
		if err != nil || !bytes.Equal(again.Data, before.Data) || again.Media != before.Media || again.Width != 64 || again.Height != 48 || len(again.Thumbnail) == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	end := len(asPNG.Data) - 12
	for name, data := range map[string][]byte{
		"a JPEG with what a camera writes": inJPEG(t, m, 1),
		"a JPEG with a comment":            slices.Concat(asJPEG.Data[:2], []byte{0xff, 0xfe, 0, 4, 'h', 'i'}, asJPEG.Data[2:]),
		"a JPEG with something behind it":  append(bytes.Clone(asJPEG.Data), "PK"...),
		"a JPEG that is cut":               asJPEG.Data[:len(asJPEG.Data)-2],
		"a JPEG that is cut early":         asJPEG.Data[:100],
		"a PNG with what a camera writes":  inPNG(t, m, 1),
		"a PNG with something behind it":   append(bytes.Clone(asPNG.Data), "PK"...),
		"a PNG with another length":        slices.Concat(asPNG.Data[:end], []byte{0xff, 0xff, 0xff, 0xff}, asPNG.Data[end+4:]),
		"a PNG that is cut":                asPNG.Data[:end],
		"a WebP":                           inWebP(m, 1),
		"a script":                         []byte("<script>"),
		"nothing":                          nil,
	} {
		if _, err := photo.ReadStored(data); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
}
