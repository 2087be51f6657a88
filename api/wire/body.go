package wire

import (
	"bytes"
	"errors"
	"net/http"
	"os"
	"sync"
	"time"
)

// Bodies reads the bodies of requests.
type Bodies struct {
	buffers sync.Pool     // of *bytes.Buffer
	time    time.Duration // how long a body may take to arrive
	shorten string        // what to do with a body that is too large
}

// NewBodies makes what reads bodies that may take a time to arrive. It says what to do with one that is too large.
func NewBodies(most time.Duration, shorten string) *Bodies {
	return &Bodies{time: most, shorten: shorten}
}

// Read reads a body, which use must not keep.
func (b *Bodies) Read(r *Request, what string, most int64, use func(body []byte) error) error {
	tooLarge := BodyTooLarge.Says("%s is at most %d bytes long: %s", what, most, b.shorten)
	if r.ContentLength > most { // whoever asks first need not send it
		return tooLarge
	}
	buffer, ok := b.buffers.Get().(*bytes.Buffer)
	if !ok {
		buffer = new(bytes.Buffer)
	}
	defer func() {
		if buffer.Cap() <= keptBuffer {
			b.buffers.Put(buffer)
		}
	}()
	buffer.Reset()

	// Where there is no connection, as in tests, there is no deadline either. The server lifts it
	// once the body is read.
	_ = http.NewResponseController(r.Writer).SetReadDeadline(time.Now().Add(b.time))
	_, err := buffer.ReadFrom(http.MaxBytesReader(r.Writer, r.Body, most))
	switch {
	case errors.As(err, new(*http.MaxBytesError)):
		return tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return BodySlow.Says("%s has to arrive within %s", what, b.time)
	case err != nil:
		return BodyCut.Says("")
	}
	return use(buffer.Bytes())
}

// keptBuffer is the size up to which the memory of a body is kept for the next.
const keptBuffer = 1 << 20
