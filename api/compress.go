package api

import (
	"fmt"
	"net/http"

	"github.com/klauspost/compress/gzhttp"
	"github.com/labstack/echo/v4"

	"laidup/api/wire"
)

// compressed are the media types that are compressed for who asks. Streams of events are not: each event is
// to arrive at once.
var compressed = []string{wire.MediaJSON, wire.MediaSchema, wire.MediaNDJSON, wire.MediaCSV}

// worthCompressing is how many bytes an answer has at least that is compressed.
const worthCompressing = 1024

// newCompression makes what compresses answers with gzip.
func newCompression() (func(http.Handler) http.HandlerFunc, error) {
	compress, err := gzhttp.NewWrapper(
		gzhttp.EnableZstd(false), gzhttp.MinSize(worthCompressing), gzhttp.ContentTypes(compressed), gzhttp.SuffixETag(wire.GzipTag),
	)
	if err != nil {
		return nil, fmt.Errorf("make compression: %w", err)
	}
	return compress, nil
}

// pack has an answer compressed that answer writes, if the client asks for that.
func (a *API) pack(c echo.Context, answer func()) {
	plain := c.Response().Writer
	defer func() { c.Response().Writer = plain }()
	a.compress(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		c.Response().Writer = w
		answer()
	})).ServeHTTP(plain, c.Request())
}
