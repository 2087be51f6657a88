package api

import (
	"io"
	"net/http"
	"strings"
	"time"

	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/photo"
)

// Bounds of photos that are being sent.
const (
	// photoTime is how long one may take to arrive: a yard may have a weak signal.
	photoTime = time.Minute
	// photosOfOne is how many one organisation may send to a process at once: each takes memory.
	photosOfOne = 8
)

// attachmentBody is an attachment as clients see it.
type attachmentBody struct {
	ID        string          `json:"id"`
	MediaType string          `json:"media_type"`
	Size      int64           `json:"size"` // bytes
	Width     int             `json:"width"`
	Height    int             `json:"height"`
	CreatedAt time.Time       `json:"created_at"`
	Links     attachmentLinks `json:"links"`
}

type attachmentLinks struct {
	Attachment string `json:"attachment"`
	Thumbnail  string `json:"thumbnail"`
}

func (a *API) postAttachment(r *wire.Request) (wire.Reply, error) {
	for _, coding := range r.Header.Values("Content-Encoding") {
		if coding != "" && !strings.EqualFold(coding, "identity") {
			return wire.Reply{}, wire.NotJSON.Says("Send the photo as it is, without Content-Encoding: %s.", wire.Clip(coding))
		}
	}
	end, ok := a.photos.begin(r.Key.Organisation, photosOfOne)
	if !ok {
		return wire.Reply{}, wire.TooMany.Says("an organisation may send %d photos at once: wait for one of them", photosOfOne)
	}
	defer end()
	var stored assess.Attachment
	status := http.StatusCreated
	err := a.photoBodies.Read(r, "a photo", photo.MaxBytes, func(body []byte) error {
		attached, again, err := r.Account.Attach(r.Context(), body)
		if again {
			status = http.StatusOK
		}
		stored = attached
		return err
	})
	if err != nil {
		return wire.Reply{}, err
	}
	at := "/v1/attachments/" + stored.ID
	return wire.Reply{
		Status: status, Header: map[string]string{"Location": at},
		Body: attachmentBody{stored.ID, stored.Media, stored.Size, stored.Width, stored.Height, stored.CreatedAt, attachmentLinks{at, at + "/thumbnail"}},
	}, nil
}

func (a *API) getAttachment(r *wire.Request) (wire.Reply, error) { return photoOf(r, false) }

func (a *API) getThumbnail(r *wire.Request) (wire.Reply, error) { return photoOf(r, true) }

// photoOf answers with the photo that the path names, or its thumbnail.
func photoOf(r *wire.Request, thumbnail bool) (wire.Reply, error) {
	id, err := r.Name("id")
	if err != nil {
		return wire.Reply{}, err
	}
	stored, err := r.Account.Attachment(r.Context(), id)
	if err != nil {
		return wire.Reply{}, err
	}
	media, tag := stored.Media, stored.ID
	if thumbnail {
		media, tag = photo.JPEG, tag+".thumbnail"
	}
	file, err := r.Account.OpenPhoto(r.Context(), stored, thumbnail)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Header: map[string]string{"Content-Type": media, "ETag": wire.ETag(tag, nil)}, Serve: photoFile{file}}, nil
}

// photoFile answers with a file, and closes it.
type photoFile struct{ file io.ReadSeekCloser }

// ServeHTTP implements [http.Handler].
func (s photoFile) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	defer s.file.Close()
	r.Header.Del("Range") // a photo is wanted whole
	http.ServeContent(w, r, "", time.Time{}, s.file)
}
