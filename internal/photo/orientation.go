package photo

import (
	"bytes"
	"image"
	"io"

	"github.com/bep/imagemeta"
	"golang.org/x/image/draw"
	"golang.org/x/image/riff"
)

// upright is the orientation of a picture that is stored as it is to be seen.
const upright = 1

var metaFormats = map[*kind]imagemeta.ImageFormat{kindJPEG: imagemeta.JPEG, kindProgressive: imagemeta.JPEG, kindPNG: imagemeta.PNG, kindWebP: imagemeta.TIFF}

// orientation reads how a picture is to be turned, as EXIF numbers it from 1 to 8. What does not say, or says something
// else, is upright.
func orientation(data []byte, k *kind) (o int) {
	o = upright
	if k == kindWebP {
		// The reader gets lost behind the first chunk of an odd length: it is given the block of EXIF, which is a TIFF.
		data = exifOf(data)
	}
	is := func(t imagemeta.TagInfo) bool {
		return t.Source == imagemeta.EXIF && t.Tag == "Orientation" && t.Namespace == "IFD0"
	}
	// The reader was written for what is hostile as well; what it finds wrong is no reason to refuse a picture.
	_, _ = imagemeta.Decode(imagemeta.Options{
		R: bytes.NewReader(data), ImageFormat: metaFormats[k], Sources: imagemeta.EXIF,
		ShouldHandleTag: is,
		HandleTag: func(t imagemeta.TagInfo) error {
			if v, ok := t.Value.(uint16); ok && v >= 1 && v <= 8 {
				o = int(v)
			}
			return imagemeta.ErrStopWalking
		},
	})
	return o
}

// exifOf finds the block of EXIF in a WebP; nil where there is none.
func exifOf(webp []byte) []byte {
	_, chunks, err := riff.NewReader(bytes.NewReader(webp))
	for err == nil {
		var id riff.FourCC
		var content io.Reader
		if id, _, content, err = chunks.Next(); err == nil && id == (riff.FourCC{'E', 'X', 'I', 'F'}) {
			block, err := io.ReadAll(content)
			if err != nil {
				return nil
			}
			return bytes.TrimPrefix(block, []byte("Exif\x00\x00")) // as in a JPEG, which some programs copy
		}
	}
	return nil
}

// bandRows is how many rows are turned at once: a picture is not unpacked as a whole.
const bandRows = 16

// turned turns a picture upright.
func turned(m image.Image, orientation int) image.Image {
	if orientation == upright {
		return m
	}
	b := m.Bounds()
	w, h := b.Dx(), b.Dy()
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	if orientation >= 5 { // sides change
		out = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	band := image.NewRGBA(image.Rect(0, 0, w, bandRows))
	for top := 0; top < h; top += bandRows {
		rows := min(bandRows, h-top)
		draw.Draw(band, image.Rect(0, 0, w, rows), m, image.Pt(b.Min.X, b.Min.Y+top), draw.Src)
		for row := range rows {
			for x := range w {
				toX, toY := place(orientation, x, top+row, w, h)
				copy(out.Pix[out.PixOffset(toX, toY):][:4], band.Pix[band.PixOffset(x, row):][:4])
			}
		}
	}
	return out
}

// place says where a pixel of a picture of w by h pixels is once that is upright (EXIF 2.32, 4.6.4, Orientation).
func place(orientation, x, y, w, h int) (toX, toY int) {
	switch orientation {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return h - 1 - y, x
	case 7:
		return h - 1 - y, w - 1 - x
	case 8:
		return y, w - 1 - x
	}
	return x, y
}
