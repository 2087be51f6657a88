//go:build linux

package faults

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
)

// bucketName is the bucket of the rigs that keep photos.
const bucketName = "photos"

// keepPhotos gives the rig an object store, at the end of a wire.
func (r *rig) keepPhotos() {
	r.objects = s3mem.New()
	if err := r.objects.CreateBucket(bucketName); err != nil {
		r.Fatal(err)
	}
	server := httptest.NewServer(gofakes3.New(r.objects).Server())
	r.Cleanup(server.Close)
	r.toObjects = newWire(r.T, server.URL)
	r.layout.flags = append(r.layout.flags, "--attachments", fmt.Sprintf("s3://%s?region=main&use_path_style=true&endpoint=%s", bucketName, r.toObjects.instead(server.URL)))
}

// objectStoreEnv is what its client looks for, so that it looks nowhere else.
var objectStoreEnv = []string{"AWS_ACCESS_KEY_ID=key", "AWS_SECRET_ACCESS_KEY=secret", "AWS_EC2_METADATA_DISABLED=true", "AWS_CONFIG_FILE=/dev/null", "AWS_SHARED_CREDENTIALS_FILE=/dev/null"}

// call asks one of the APIs, once, with a key of its own.
func (r *rig) call(api *program, key, method, path, media string, body io.Reader) (status int, header http.Header, data []byte, err error) {
	req, err := http.NewRequest(method, api.url()+path, body)
	if err != nil {
		return 0, nil, nil, err
	}
	req.Header.Set("Content-Type", media)
	req.Header.Set("Authorization", "Bearer "+key)
	res, err := (&http.Client{Timeout: patience}).Do(req)
	if err != nil {
		return 0, nil, nil, err
	}
	defer res.Body.Close()
	data, err = io.ReadAll(res.Body)
	return res.StatusCode, res.Header, data, err
}

// storeAway cuts the object store off while photos are sent and read, and reports that show them.
func storeAway(r *rig) {
	r.strikes++
	send := []int{3*r.strikes + 1, 3*r.strikes + 2, 3*r.strikes + 3}
	before := slices.Clone(r.photos)
	var all sync.WaitGroup
	cut := r.between(0, 60*time.Millisecond)
	all.Go(func() {
		time.Sleep(cut)
		r.toObjects.spoil("reset_peer", "downstream", map[string]any{"timeout": 0})
		time.Sleep(300 * time.Millisecond)
		r.toObjects.mend()
	})
	var mu sync.Mutex
	for i, n := range send {
		all.Go(func() {
			id, ok := r.sendPhoto(i, n)
			if !ok {
				return
			}
			vehicle := fmt.Sprintf("shown-%d", n)
			report := fmt.Sprintf(`{"schema":"laidup.report/1","photos":[%q],"vehicle":{"reference":%q,"description":"shown"},"inspection":{"date":"2026-05-02"},"observations":[]}`, id, vehicle)
			r.insist(http.MethodPost, "/v1/reports", report, http.StatusAccepted)
			mu.Lock()
			defer mu.Unlock()
			r.photos = append(r.photos, id)
		})
	}
	for i, id := range before[max(0, len(before)-3):] {
		all.Go(func() { r.readPhoto(i, id) })
	}
	all.Wait()
}

// sendPhoto sends a photo, another for each number, until it is stored.
func (r *rig) sendPhoto(api, n int) (id string, ok bool) {
	m := image.NewGray(image.Rect(0, 0, 80, 60))
	for i := range m.Pix {
		m.Pix[i] = byte(i * n)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		r.Error(err)
	}
	data, ok := r.untilServed(api, http.MethodPost, "/v1/attachments", b.Bytes(), http.StatusCreated, http.StatusOK)
	var stored struct{ ID string }
	if err := json.Unmarshal(data, &stored); ok && (err != nil || stored.ID == "") {
		r.Errorf("a photo is stored as %.200s", data)
	}
	return stored.ID, ok
}

// readPhoto reads one until it is there: it has to be what was stored.
func (r *rig) readPhoto(api int, id string) {
	data, ok := r.untilServed(api, http.MethodGet, "/v1/attachments/"+id, nil, http.StatusOK)
	if sum := sha256.Sum256(data); ok && hex.EncodeToString(sum[:]) != id {
		r.Errorf("photo %s is read as another", id)
	}
}

// untilServed asks until the answer is one of the good ones; 503 with Retry-After, and an answer that breaks off, are to be
// repeated, and no other is.
func (r *rig) untilServed(api int, method, path string, body []byte, good ...int) ([]byte, bool) {
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		status, header, data, err := r.call(r.api(api), r.key, method, path, "image/jpeg", bytes.NewReader(body))
		switch {
		case err != nil:
		case slices.Contains(good, status):
			return data, true
		case status != http.StatusServiceUnavailable || header.Get("Retry-After") == "":
			r.Errorf("%s %s: %d %.200s", method, path, status, data)
			return nil, false
		}
	}
	r.Errorf("%s %s was never served", method, path)
	return nil, false
}

// checkPhotos wants each photo to be there, and no attachment that nobody has heard of.
func checkPhotos(r *rig) {
	slices.Sort(r.photos)
	for i, id := range r.photos {
		r.readPhoto(i, id)
		if data, ok := r.untilServed(i, http.MethodGet, "/v1/attachments/"+id+"/thumbnail", nil, http.StatusOK); ok && len(data) == 0 {
			r.Errorf("photo %s has no thumbnail", id)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, r.database)
	if err != nil {
		r.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, "SELECT a.id FROM attachments AS a JOIN photo_links AS l ON l.organisation = a.organisation AND l.attachment_id = a.id ORDER BY a.id")
	if err != nil {
		r.Fatal(err)
	}
	stored, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || !slices.Equal(stored, r.photos) {
		r.Errorf("linked are %d photos, and %d were sent (%v)", len(stored), len(r.photos), err)
	}
}

// revokeAmid revokes a key while a batch comes in with it, and has the batch sent again with another key.
func revokeAmid(r *rig) {
	var key struct{ ID, Key string }
	r.strikes++
	made := func() bool {
		status, _, data, err := r.call(r.api(0), r.key, http.MethodPost, "/v1/keys", "application/json", strings.NewReader(`{"label":"a tablet","scopes":["reports","read"]}`))
		return err == nil && status == http.StatusCreated && json.Unmarshal(data, &key) == nil
	}
	r.await("a key is made", made)
	const lines, before = 130, 110 // a chunk is stored, and another one is coming
	line := func(n int) string {
		return fmt.Sprintf(`{"schema":"laidup.report/1","vehicle":{"reference":"revoked-%d-%d","description":"sent by a tablet"},"inspection":{"date":"2026-05-02"},"observations":[]}`+"\n", r.strikes, n)
	}
	idempotency := fmt.Sprintf("lot-%d", r.strikes)
	body, feed := io.Pipe()
	ended := make(chan int, 1)
	send := func(key string, body io.Reader) (int, []byte, error) {
		req, err := http.NewRequest(http.MethodPost, r.api(0).url()+"/v1/batches", body)
		if err != nil {
			return 0, nil, err
		}
		req.Header.Set("Content-Type", "application/x-ndjson")
		req.Header.Set("Authorization", "Bearer "+key)
		req.Header.Set("Idempotency-Key", idempotency)
		res, err := (&http.Client{Timeout: patience}).Do(req)
		if err != nil {
			return 0, nil, err
		}
		defer res.Body.Close()
		data, err := io.ReadAll(res.Body)
		return res.StatusCode, data, err
	}
	go func() {
		status, _, _ := send(key.Key, body)
		_ = body.Close() // who writes on is told
		ended <- status
	}()
	sent := 0
	write := func() bool {
		_, err := io.WriteString(feed, line(sent))
		if err == nil {
			sent++
		}
		return err == nil
	}
	for sent < before && write() {
	}
	// The other API is told: the one that the upload goes to has to find out.
	r.await("the key is revoked", func() bool {
		status, _, _, err := r.call(r.api(1), r.key, http.MethodDelete, "/v1/keys/"+key.ID, "application/json", nil)
		return err == nil && status/100 == 2
	})
	from := time.Now()
	var status int
	for open := true; open; {
		select {
		case status = <-ended:
			open = false
		case <-time.After(100 * time.Millisecond):
			if sent < lines && !write() {
				status, open = <-ended, false
			}
		}
	}
	_ = feed.Close()
	took := time.Since(from)
	if status >= 200 && status < 300 {
		r.Errorf("an upload with a key that is revoked came to its end: %d", status)
	}
	if took > revokedWithin {
		r.Errorf("an upload went on for %s after its key was revoked", took)
	}
	r.Logf("ended %s after the key was revoked, by %d", took.Round(10*time.Millisecond), status)
	var whole strings.Builder
	for n := range lines {
		whole.WriteString(line(n))
	}
	var b struct{ ID string }
	r.await("the batch is sent again", func() bool {
		status, data, err := send(r.key, strings.NewReader(whole.String()))
		return err == nil && status/100 == 2 && json.Unmarshal(data, &b) == nil
	})
	r.lots = append(r.lots, lot{b.ID, r.strikes, lines})
}

// revokedWithin is how long an upload may go on after its key was revoked: 5 s, by docs/security.md, and what a machine that
// has much else to do takes until it notices.
const revokedWithin = 10 * time.Second

// lot is a batch that was sent anew.
type lot struct {
	id       string
	strike   int
	vehicles int
}

// checkLots wants each line of the batches to be assessed, once.
func checkLots(r *rig) {
	for _, l := range r.lots {
		var b struct {
			State string
			Lines struct{ Received, Done int }
		}
		r.await("batch "+l.id+" is done", func() bool {
			status, _, err := r.get("/v1/batches/"+l.id, &b)
			return err == nil && status == http.StatusOK && b.State == "done"
		})
		if b.Lines.Received != l.vehicles || b.Lines.Done != l.vehicles {
			r.Errorf("batch %s is %+v, want %d lines done", l.id, b, l.vehicles)
		}
		for _, n := range []int{0, 99, 100, 109, 110, l.vehicles - 1} { // around where it was cut off
			var v struct{ Reports int }
			if status, _, err := r.get(fmt.Sprintf("/v1/vehicles/revoked-%d-%d", l.strike, n), &v); err != nil || status != http.StatusOK || v.Reports != 1 {
				r.Errorf("vehicle %d of batch %s has %d reports: %d (%v)", n, l.id, v.Reports, status, err)
			}
		}
	}
}
