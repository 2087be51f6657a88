package photo

import (
	"bytes"
	"encoding/binary"
)

// ReadStored reads the header of a picture that was stored before, here or elsewhere: [Picture.Store] leaves its bytes as
// they are. It has to be of a kind that is stored, with nothing in it, before it or behind it but the picture. The error
// is a [*WrongKindError] or an [*UnusableError].
func ReadStored(data []byte) (*Picture, error) {
	p, err := read(data, MaxStored)
	if err != nil {
		return nil, err
	}
	bare := false
	switch p.kind {
	case kindJPEG:
		bare = bareJPEG(data)
	case kindPNG:
		bare = barePNG(data)
	}
	if !bare {
		return nil, &UnusableError{"The photo is not as it is stored here: it has something beside the picture in it. Send it to POST /v1/attachments."}
	}
	p.asItIs = true
	return p, nil
}

// bareJPEG says whether a JPEG (ISO/IEC 10918-1, annex B) has the segments that one scan needs, and no others.
func bareJPEG(data []byte) bool {
	const start, tables, frame, codes, interval, scan, end = 0xd8, 0xdb, 0xc0, 0xc4, 0xdd, 0xda, 0xd9
	if !bytes.HasPrefix(data, []byte{0xff, start}) {
		return false
	}
	for i := 2; i+4 <= len(data) && data[i] == 0xff; {
		marker := data[i+1]
		i += 2 + int(binary.BigEndian.Uint16(data[i+2:]))
		switch marker {
		case tables, frame, codes, interval:
		case scan:
			// Within the scan 0xff is followed by 0, or by a restart marker.
			for ; i+1 < len(data); i++ {
				if next := data[i+1]; data[i] == 0xff && next != 0 && (next < 0xd0 || next > 0xd7) {
					return next == end && i+2 == len(data)
				}
			}
			return false
		default:
			return false
		}
	}
	return false
}

// barePNG says whether a PNG (W3C, PNG specification, clause 5) has the chunks that show the picture, and no others.
func barePNG(data []byte) bool {
	const signature, around = "\x89PNG\r\n\x1a\n", 12 // length, type and checksum of a chunk
	for i := len(signature); i+around <= len(data); {
		name, size := string(data[i+4:i+8]), int64(binary.BigEndian.Uint32(data[i:]))
		next := int64(i) + around + size
		switch name {
		case "IHDR", "PLTE", "tRNS", "IDAT":
		case "IEND":
			return size == 0 && next == int64(len(data))
		default:
			return false
		}
		if next > int64(len(data)) {
			return false
		}
		i = int(next)
	}
	return false
}
