package api

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"maps"
	"net/url"
	"time"
)

// cursor says after which entry a page begins: the time and the name by which a list is sorted.
// The zero value is the beginning.
type cursor struct {
	at   time.Time
	name string
}

// The lists that have cursors; one list's cursor is no good for another.
const (
	vehicleCursor    = 'v'
	assessmentCursor = 'a'
	batchCursor      = 'b'
	deliveryCursor   = 'd'
)

// cursorLatest is the end of the year 9999, beyond which stores need not be asked.
const cursorLatest = 253402300799999

// encode writes a cursor of a list, to be taken as it is: what is in it may change.
func (c cursor) encode(list byte) string {
	b := binary.BigEndian.AppendUint64([]byte{list}, uint64(c.at.UnixMilli()))
	return base64.RawURLEncoding.EncodeToString(append(b, c.name...))
}

// decodeCursor reads a cursor of a list; nothing but what encode writes is one.
func decodeCursor(s string, list byte) (cursor, bool) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(s)
	if err != nil || len(b) < 10 {
		return cursor{}, false
	}
	at := binary.BigEndian.Uint64(b[1:9])
	c := cursor{time.UnixMilli(int64(at)).UTC(), string(b[9:])}
	// The comparison catches other lists' cursors, and what decoders of base64 are lenient with.
	return c, at <= cursorLatest && isName(c.name) && c.encode(list) == s
}

// How long pages are.
const (
	defaultLimit = 50
	maxLimit     = 200
)

// page reads which part of a list is asked for.
func (r *request) page(list byte) (limit int, after cursor, err error) {
	limit = defaultLimit
	if s := r.query.Get("limit"); s != "" {
		var ok bool
		if limit, ok = digits(s); !ok || limit < 1 || limit > maxLimit {
			return 0, after, badQuery.says("limit is a whole number from 1 to %d", maxLimit)
		}
	}
	if s := r.query.Get("cursor"); s != "" {
		var ok bool
		if after, ok = decodeCursor(s, list); !ok {
			return 0, after, badQuery.says("the cursor is not one of this list: take it from next, or leave it out to begin at the beginning")
		}
	}
	return limit, after, nil
}

// turn cuts a list that was asked for with one entry too many, and says where the next page is:
// its cursor, empty after the last page, and the headers to go with it.
func turn[T any](r *request, entries []T, limit int, list byte, at func(T) cursor) (page []T, next string, header map[string]string) {
	if len(entries) <= limit {
		return nonNil(entries), "", nil
	}
	page = entries[:limit]
	next = at(page[limit-1]).encode(list)
	query := maps.Clone(r.query)
	query.Set("limit", fmt.Sprint(limit))
	query.Set("cursor", next)
	link := url.URL{Path: r.URL.Path, RawQuery: query.Encode()}
	return page, next, map[string]string{"Link": "<" + link.String() + `>; rel="next"`}
}

// nonNil makes an empty list of none, so that JSON has [] and not null.
func nonNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
