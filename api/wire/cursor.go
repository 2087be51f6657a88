package wire

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"maps"
	"net/url"
	"time"
)

// Cursor says after which entry a page begins: the time and the name by which a list is sorted.
// The zero value is the beginning.
type Cursor struct {
	At   time.Time
	Name string
}

// The lists that have cursors; one list's cursor is no good for another.
const (
	VehicleCursor    = 'v'
	AssessmentCursor = 'a'
	BatchCursor      = 'b'
	DeliveryCursor   = 'd'
	ReportCursor     = 'r'
	AuditCursor      = 'u'
	PlanCursor       = 'p'
	OutcomeCursor    = 'o'
)

// cursorLatest is the end of the year 9999, beyond which stores need not be asked.
const cursorLatest = 253402300799999

// Encode writes a cursor of a list, to be taken as it is: what is in it may change.
func (c Cursor) Encode(list byte) string {
	b := binary.BigEndian.AppendUint64([]byte{list}, uint64(c.At.UnixMilli()))
	return base64.RawURLEncoding.EncodeToString(append(b, c.Name...))
}

// DecodeCursor reads a cursor of a list; nothing but what encode writes is one.
func DecodeCursor(s string, list byte) (Cursor, bool) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(s)
	if err != nil || len(b) < 10 {
		return Cursor{}, false
	}
	at := binary.BigEndian.Uint64(b[1:9])
	c := Cursor{time.UnixMilli(int64(at)).UTC(), string(b[9:])}
	// The comparison catches other lists' cursors, and what decoders of base64 are lenient with.
	return c, at <= cursorLatest && IsName(c.Name) && c.Encode(list) == s
}

// How long pages are.
const (
	DefaultLimit = 50
	maxLimit     = 200
)

// Page reads which part of a list is asked for.
func (r *Request) Page(list byte) (limit int, after Cursor, err error) {
	limit = DefaultLimit
	if s := r.Query.Get("limit"); s != "" {
		var ok bool
		if limit, ok = Digits(s); !ok || limit < 1 || limit > maxLimit {
			return 0, after, BadQuery.Says("limit is a whole number from 1 to %d", maxLimit)
		}
	}
	if s := r.Query.Get("cursor"); s != "" {
		var ok bool
		if after, ok = DecodeCursor(s, list); !ok {
			return 0, after, BadQuery.Says("the cursor is not one of this list: take it from next, or leave it out to begin at the beginning")
		}
	}
	return limit, after, nil
}

// Listed reads which part of a list is asked for, fetches it with one entry too many, and cuts it as [Turn] does.
func Listed[T any](r *Request, list byte, fetch func(before Cursor, limit int) ([]T, error), at func(T) Cursor) (page []T, next string, header map[string]string, err error) {
	limit, before, err := r.Page(list)
	if err != nil {
		return nil, "", nil, err
	}
	entries, err := fetch(before, limit+1)
	if err != nil {
		return nil, "", nil, err
	}
	page, next, header = Turn(r, entries, limit, list, at)
	return page, next, header, nil
}

// Turn cuts a list that was asked for with one entry too many, and says where the next page is:
// its cursor, empty after the last page, and the headers to go with it.
func Turn[T any](r *Request, entries []T, limit int, list byte, at func(T) Cursor) (page []T, next string, header map[string]string) {
	if len(entries) <= limit {
		return NonNil(entries), "", nil
	}
	page = entries[:limit]
	next = at(page[limit-1]).Encode(list)
	query := maps.Clone(r.Query)
	query.Set("limit", fmt.Sprint(limit))
	query.Set("cursor", next)
	link := url.URL{Path: r.URL.Path, RawQuery: query.Encode()}
	return page, next, map[string]string{"Link": "<" + link.String() + `>; rel="next"`}
}
