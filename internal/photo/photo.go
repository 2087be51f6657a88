// Package photo reads the pictures that people send and makes of them what is stored: the picture alone, upright, in
// a form that every browser shows, and a thumbnail. What a camera writes beside a picture, such as where it was taken,
// is not in either.
//
// What a picture is says its content, never its sender. How large it would be once decoded is known, and limited,
// before it is decoded.
package photo

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"slices"
	"strings"

	"github.com/gabriel-vasile/mimetype"
	"golang.org/x/image/draw"
	"golang.org/x/image/webp"
)

// Limits of a picture.
const (
	MaxBytes = 15 << 20 // as it is sent
	// MaxPixels is how many pixels a JPEG may have. What takes more memory for each may have fewer.
	MaxPixels = 50 << 20
	// MaxStored is how many bytes a stored picture may have: stored anew, it may be larger than it was sent.
	MaxStored = 2 * MaxBytes
	// ThumbnailSide is the longest side of a thumbnail in pixels.
	ThumbnailSide = 320
)

const (
	quality          = 90 // of a JPEG that is stored
	thumbnailQuality = 80
)

// Media types of what is stored.
const (
	JPEG = "image/jpeg"
	PNG  = "image/png"
)

// WrongKindError means that something is no picture of a kind that is taken. It says what it looks like, and what to
// send.
type WrongKindError struct{ detail string }

// Error says what to do.
func (e *WrongKindError) Error() string { return e.detail }

// UnusableError means that a picture is of the right kind, and cannot be taken all the same.
type UnusableError struct{ detail string }

// Error says why.
func (e *UnusableError) Error() string { return e.detail }

// Photo is what is stored of a picture.
type Photo struct {
	Media         string // JPEG or PNG
	Width, Height int    // in pixels, upright
	Data          []byte
	Thumbnail     []byte // a JPEG
}

// Picture is a picture of which the header has been read.
type Picture struct {
	data          []byte
	kind          *kind
	asItIs        bool // it was stored before
	Width, Height int  // in pixels, as stored by the camera
	// Cost is how much memory it takes to unpack it, in pixels of a plain JPEG: of some eight bytes, with all that is
	// made of it.
	Cost int64
}

// kind is a kind of picture that is taken.
type kind struct {
	name   string
	config func(io.Reader) (image.Config, error)
	decode func(io.Reader) (image.Image, error)
	stored string // the media type in which it is stored
	cost   int    // how much memory a pixel takes, in those of a plain JPEG
}

var (
	kindJPEG        = &kind{"JPEG", jpeg.DecodeConfig, jpeg.Decode, JPEG, 1}
	kindProgressive = &kind{"progressive JPEG", jpeg.DecodeConfig, jpeg.Decode, JPEG, 3} // all its coefficients are kept
	kindPNG         = &kind{"PNG", png.DecodeConfig, png.Decode, PNG, 2}
	kindWebP        = &kind{"WebP", webp.DecodeConfig, webp.Decode, JPEG, 2}
)

// kinds are those that are taken, by their media types.
var kinds = map[string]*kind{JPEG: kindJPEG, PNG: kindPNG, "image/webp": kindWebP}

// asJPEG is what to do on a telephone whose pictures are not taken.
const asJPEG = "Set the camera to JPEG (on many phones under camera settings, formats, as \"most compatible\"), or export the photo as JPEG, and send it again."

// Read reads the header of a picture, of which data is kept. The error is a [*WrongKindError] or an [*UnusableError].
func Read(data []byte) (*Picture, error) { return read(data, MaxBytes) }

func read(data []byte, most int) (*Picture, error) {
	k, err := kindOf(data)
	if err != nil {
		return nil, err
	}
	if len(data) > most {
		return nil, &UnusableError{fmt.Sprintf("The photo has %d bytes. The limit is %d: send it smaller.", len(data), most)}
	}
	c, err := k.config(bytes.NewReader(data))
	switch {
	case err != nil:
		return nil, damaged(k)
	case c.Width < 1 || c.Height < 1:
		return nil, &UnusableError{fmt.Sprintf("The %s has %d by %d pixels: there is nothing to see.", k.name, c.Width, c.Height)}
	case c.Width > MaxPixels/k.cost/c.Height:
		return nil, &UnusableError{fmt.Sprintf("The photo has %d by %d pixels. The limit of a %s is %d million in all: send it smaller.", c.Width, c.Height, k.name, MaxPixels/k.cost/1_000_000)}
	}
	return &Picture{data, k, false, c.Width, c.Height, int64(c.Width) * int64(c.Height) * int64(k.cost)}, nil
}

func damaged(k *kind) error {
	return &UnusableError{fmt.Sprintf("The %s cannot be read: it is damaged, incomplete or of a rare kind. Take or export the photo once more and send it again.", k.name)}
}

// kindOf says what something is by how it begins.
func kindOf(data []byte) (*kind, error) {
	if len(data) == 0 {
		return nil, &WrongKindError{"The body is empty: send the photo itself as the body."}
	}
	found := mimetype.Detect(data)
	for m := found; m != nil; m = m.Parent() {
		k := kinds[m.String()]
		if k == kindJPEG && progressive(data) {
			k = kindProgressive
		}
		if k != nil {
			return k, nil
		}
		if slices.Contains(heif, m.String()) {
			return nil, &WrongKindError{"This is a HEIC, HEIF or AVIF photo, which not every browser shows. " + asJPEG}
		}
	}
	if bytes.HasPrefix(data, []byte("--")) {
		return nil, &WrongKindError{"This looks like a form (multipart): send the photo itself as the body, and nothing around it."}
	}
	media, _, _ := strings.Cut(found.String(), ";")
	return nil, &WrongKindError{fmt.Sprintf("This is no photo that can be taken; it looks like %s. Send a photo as JPEG, PNG or WebP, as it is and uncompressed.", media)}
}

// progressive says whether a JPEG comes in passes, of which all are kept until the last. It goes from segment to segment
// as image/jpeg does.
func progressive(data []byte) bool {
	for i := 2; i+4 <= len(data); {
		marker := data[i+1]
		switch {
		case data[i] != 0xff, marker == 0xff: // fill, or what should not be there
			i++
		case marker == 0xc2:
			return true
		case marker == 0xc0, marker == 0xc1, marker == 0xda:
			return false
		case marker == 0, marker >= 0xd0 && marker <= 0xd7: // without a length
			i += 2
		default:
			i += 2 + int(data[i+2])<<8 + int(data[i+3])
		}
	}
	return false
}

// heif are the media types of the HEIF family (ISO/IEC 23008-12).
var heif = []string{"image/heic", "image/heic-sequence", "image/heif", "image/heif-sequence", "image/avif"}

// Store makes what is stored of the picture: the same bytes each time, and of what was stored before its own. The error
// is an [*UnusableError].
func (p *Picture) Store() (Photo, error) {
	decoded, err := p.kind.decode(bytes.NewReader(p.data))
	if err != nil {
		return Photo{}, damaged(p.kind)
	}
	if p.asItIs {
		return thumbnailed(Photo{Media: p.kind.stored, Width: p.Width, Height: p.Height, Data: p.data}, decoded)
	}
	if p.kind.stored == JPEG {
		decoded = opaque(decoded)
	}
	upright := turned(decoded, orientation(p.data, p.kind))
	stored := Photo{Media: p.kind.stored, Width: upright.Bounds().Dx(), Height: upright.Bounds().Dy()}
	encode := func(w io.Writer) error { return png.Encode(w, upright) }
	if stored.Media == JPEG {
		encode = func(w io.Writer) error { return jpeg.Encode(w, upright, &jpeg.Options{Quality: quality}) }
	}
	if stored.Data, err = encoded(encode); err != nil {
		return Photo{}, err
	}
	return thumbnailed(stored, upright)
}

// thumbnailed adds the thumbnail of a picture.
func thumbnailed(p Photo, upright image.Image) (Photo, error) {
	small := thumbnail(upright)
	var err error
	p.Thumbnail, err = encoded(func(w io.Writer) error { return jpeg.Encode(w, small, &jpeg.Options{Quality: thumbnailQuality}) })
	return p, err
}

// encoded collects what encode writes, as long as that is not too much.
func encoded(encode func(io.Writer) error) ([]byte, error) {
	var into bytes.Buffer
	if err := encode(limited{&into}); err != nil {
		return nil, &UnusableError{fmt.Sprintf("The photo has more detail than can be stored (%d bytes): send it smaller, or as JPEG.", MaxStored)}
	}
	return into.Bytes(), nil
}

// limited is a buffer that takes no more than a stored picture may have.
type limited struct{ *bytes.Buffer }

var errFull = errors.New("too many bytes")

// Write implements [io.Writer].
func (l limited) Write(p []byte) (int, error) {
	if l.Len()+len(p) > MaxStored {
		return 0, errFull
	}
	return l.Buffer.Write(p)
}

// WriteByte implements [io.ByteWriter], which encoders prefer.
func (l limited) WriteByte(c byte) error {
	_, err := l.Write([]byte{c})
	return err
}

// opaque lays a picture that is transparent somewhere on white.
func opaque(m image.Image) image.Image {
	if o, ok := m.(interface{ Opaque() bool }); ok && o.Opaque() {
		return m
	}
	on := image.NewRGBA(m.Bounds())
	draw.Draw(on, on.Rect, image.White, image.Point{}, draw.Src)
	draw.Draw(on, on.Rect, m, on.Rect.Min, draw.Over)
	return on
}

// thumbnail makes a picture small; one that is small stays as it is.
func thumbnail(m image.Image) image.Image {
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	if longest := max(w, h); longest > ThumbnailSide {
		w, h = max(1, w*ThumbnailSide/longest), max(1, h*ThumbnailSide/longest)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(small, small.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.BiLinear.Scale(small, small.Rect, m, m.Bounds(), draw.Over, nil)
	return small
}
