package api_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
)

// packed asks as a client that unpacks for itself; it returns the body as it came and unpacked.
func (w *workshop) packed(method, path string, headers ...string) (a answer, plain []byte) {
	w.t.Helper()
	r := httptest.NewRequest(method, path, nil)
	r.Host = "127.0.0.1:8416"
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Add(name, value)
	}
	rec := httptest.NewRecorder()
	w.api.Handler().ServeHTTP(rec, r)
	a = answer{rec.Result(), rec.Body.Bytes()}
	if a.Header.Get("Content-Encoding") != "gzip" {
		return a, a.text
	}
	z, err := gzip.NewReader(bytes.NewReader(a.text))
	if err != nil {
		w.t.Fatalf("%s: %v", path, err)
	}
	if plain, err = io.ReadAll(z); err != nil {
		w.t.Fatalf("%s: %v", path, err)
	}
	return a, plain
}

func TestLargeAnswersAreCompressedForWhoAsks(t *testing.T) {
	t.Parallel()
	w := open(t)
	lot := ""
	for _, vehicle := range []string{"lot-1", "lot-2", "lot-3"} {
		lot += ternLine(t, vehicle)
	}
	batch := w.batch(lot)
	id := w.assess("tern-01")
	for name, c := range map[string]struct {
		path, accept, encoding string
		want                   bool
	}{
		"an answer as JSON":         {"/v1/catalogue", "", "gzip", true},
		"of several":                {"/v1/catalogue", "", "br, deflate;q=0.5, GZIP;q=0.8", true},
		"a schema":                  {"/v1/schemas/report", "", "gzip", true},
		"a table":                   {"/v1/assessments/" + id + "/register", "text/csv", "gzip", true},
		"results as lines":          {batch + "/results", "application/x-ndjson", "gzip", true},
		"results as a table":        {batch + "/results", "text/csv", "gzip", false}, // it is short
		"nobody asks":               {"/v1/catalogue", "", "", false},
		"anything but that":         {"/v1/catalogue", "", "*, gzip;q=0", false},
		"another":                   {"/v1/catalogue", "", "br", false},
		"a short answer":            {"/healthz", "", "gzip", false},
		"a problem":                 {"/v1/vehicles/none", "", "gzip", false},
		"a page":                    {"/vehicles", "text/html", "gzip", false},
		"a page of the API":         {"/docs", "text/html", "gzip", false},
		"a sheet on paper":          {"/v1/assessments/" + id + "/sheet", "application/pdf", "gzip", false},
		"events of an assessment":   {"/v1/assessments/" + id + "/events", "text/event-stream", "gzip", false},
		"events, whatever is asked": {"/v1/assessments/" + id + "/events", "", "gzip", false},
	} {
		t.Run(name, func(t *testing.T) {
			headers := []string{}
			if c.accept != "" {
				headers = append(headers, "Accept: "+c.accept)
			}
			whole, want := w.packed(http.MethodGet, c.path, headers...)
			if c.encoding != "" {
				headers = append(headers, "Accept-Encoding: "+c.encoding)
			}
			a, got := w.packed(http.MethodGet, c.path, headers...)
			is := a.Header.Get("Content-Encoding") == "gzip"
			if is != c.want || a.StatusCode != whole.StatusCode || a.Header.Get("Content-Type") != whole.Header.Get("Content-Type") {
				t.Errorf("answer %d %v", a.StatusCode, a.Header)
			}
			if a.StatusCode == http.StatusOK && !bytes.Equal(got, want) {
				t.Errorf("%.300q\nis not\n%.300q", got, want)
			}
			if is && len(a.text) >= len(want) {
				t.Errorf("%d bytes became %d", len(want), len(a.text))
			}
			if length := a.Header.Get("Content-Length"); is && length != "" {
				t.Errorf("Content-Length %s", length)
			}
		})
	}
}

// The tag of an answer is that of its form, and one copy of it is as good as the other.
func TestTagsTellCompressedAnswersApart(t *testing.T) {
	t.Parallel()
	w := open(t)
	whole, _ := w.packed(http.MethodGet, "/v1/catalogue")
	small, _ := w.packed(http.MethodGet, "/v1/catalogue", "Accept-Encoding: gzip")
	head, _ := w.packed(http.MethodHead, "/v1/catalogue", "Accept-Encoding: gzip")
	tag, packed := whole.Header.Get("ETag"), small.Header.Get("ETag")
	if tag == "" || packed != strings.TrimSuffix(tag, `"`)+`-gzip"` || len(head.text) != 0 || head.StatusCode != http.StatusOK {
		t.Fatalf("%s, %s; %d %v", tag, packed, head.StatusCode, head.Header)
	}
	for _, a := range []answer{whole, small} {
		if !slices.Contains(a.Header.Values("Vary"), "Accept-Encoding") {
			t.Errorf("Vary: %v", a.Header.Values("Vary"))
		}
	}
	for _, has := range []string{tag, packed, "W/" + packed, `"x", ` + packed} {
		for _, headers := range [][]string{nil, {"Accept-Encoding: gzip"}} {
			a, _ := w.packed(http.MethodGet, "/v1/catalogue", append(headers, "If-None-Match: "+has)...)
			if a.StatusCode != http.StatusNotModified || len(a.text) > 0 || a.Header.Get("Content-Encoding") != "" || !strings.Contains(has, a.Header.Get("ETag")) || !slices.Contains(a.Header.Values("Vary"), "Accept-Encoding") {
				t.Errorf("%s: %d %v", has, a.StatusCode, a.Header)
			}
		}
	}
	for _, has := range []string{`"-gzip"`, strings.TrimSuffix(tag, `"`) + `-br"`, strings.TrimSuffix(packed, `"`) + `-gzip"`} {
		if a, _ := w.packed(http.MethodGet, "/v1/catalogue", "If-None-Match: "+has); a.StatusCode != http.StatusOK {
			t.Errorf("%s: %d", has, a.StatusCode)
		}
	}
}
