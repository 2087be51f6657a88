package photo_test

import (
	"bytes"
	"image/jpeg"
	"testing"
)

// BenchmarkPhoto stores a photo of the size that telephones take.
func BenchmarkPhoto(b *testing.B) {
	var data bytes.Buffer
	if err := jpeg.Encode(&data, draw(4032, 3024, seen), nil); err != nil {
		b.Fatal(err)
	}
	upright, lying := data.Bytes(), inJPEG(b, draw(4032, 3024, seen), 6)
	for name, photo := range map[string][]byte{"upright": upright, "turned": lying} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				store(b, photo)
			}
		})
	}
}
