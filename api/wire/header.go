package wire

import (
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
)

// split cuts the value of a header at a separator, but not inside quoted strings, and trims what it
// gets; empty parts are left out (RFC 9110, 5.6.1).
func split(s string, separator byte) []string {
	var parts []string
	start, quoted := 0, false
	cut := func(end int) {
		if part := strings.Trim(s[start:end], " \t"); part != "" {
			parts = append(parts, part)
		}
		start = end + 1
	}
	for i := 0; i < len(s); i++ {
		switch {
		case quoted && s[i] == '\\':
			i++
		case s[i] == '"':
			quoted = !quoted
		case s[i] == separator && !quoted:
			cut(i)
		}
	}
	if start < len(s) {
		cut(len(s))
	}
	return parts
}

// Agree finds the media type to answer in: what the parameter format asks for, or else the header.
func Agree(h http.Header, format string, offers []string) (string, error) {
	if offers == nil {
		return "", nil
	}
	if format != "" {
		var formats []string
		for _, offer := range offers {
			_, subtype, _ := strings.Cut(offer, "/")
			subtype = strings.TrimPrefix(subtype, "x-") // which only says that nobody has registered it
			if subtype == format {
				return offer, nil
			}
			formats = append(formats, subtype)
		}
		return "", BadQuery.Says("there is no format %q: use one of %s", Clip(format), strings.Join(formats, ", "))
	}
	if media := Negotiate(h.Values("Accept"), offers); media != "" {
		return media, nil
	}
	return "", NotAcceptable.Says("accept one of %s", strings.Join(offers, ", "))
}

// Negotiate returns the offer that an Accept header likes best, the first of several that it likes
// alike; empty where it likes none (RFC 9110, 12.5.1). A header that says nothing likes all.
// Parameters of media types, other than their q, are not looked at.
func Negotiate(accept []string, offers []string) string {
	type mediaRange struct {
		media   string
		quality int // in thousandths
	}
	var ranges []mediaRange
	for _, line := range accept {
		for _, element := range split(line, ',') {
			parts := split(element, ';')
			if len(parts) == 0 {
				continue
			}
			one := mediaRange{strings.ToLower(parts[0]), 1000}
			for _, p := range parts[1:] {
				if name, value, _ := strings.Cut(p, "="); strings.EqualFold(name, "q") {
					one.quality = quality(value)
				}
			}
			if one.quality >= 0 && strings.Contains(one.media, "/") {
				ranges = append(ranges, one)
			}
		}
	}
	if len(ranges) == 0 {
		return offers[0]
	}
	best, bestQuality := "", 0
	for _, offer := range offers {
		kind, _, _ := strings.Cut(offer, "/")
		// The closest range counts.
		for _, media := range []string{offer, kind + "/*", "*/*"} {
			i := slices.IndexFunc(ranges, func(r mediaRange) bool { return r.media == media })
			if i < 0 {
				continue
			}
			if ranges[i].quality > bestQuality {
				best, bestQuality = offer, ranges[i].quality
			}
			break
		}
	}
	return best
}

// quality reads a qvalue in thousandths: 0 to 1 with up to three decimals; -1 for anything else.
func quality(s string) int {
	whole, decimals, _ := strings.Cut(s, ".")
	if (whole != "0" && whole != "1") || len(decimals) > 3 {
		return -1
	}
	n, ok := Digits(whole + decimals + "000"[len(decimals):])
	if !ok || n > 1000 {
		return -1
	}
	return n
}

// Digits reads a whole number of up to nine digits and nothing else.
func Digits(s string) (int, bool) {
	if s == "" || len(s) > 9 || strings.Trim(s, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.Atoi(s)
	return n, err == nil
}

// PreferredWait reads how long a Prefer header (RFC 7240) wants to wait, at most limit. Preferences
// that are not known, or not understood, count for nothing; of one that stands there twice the
// first counts.
func PreferredWait(prefer []string, limit time.Duration) (time.Duration, bool) {
	for _, line := range prefer {
		for _, preference := range split(line, ',') {
			parts := split(preference, ';')
			if len(parts) == 0 {
				continue
			}
			name, value, _ := strings.Cut(parts[0], "=")
			if !strings.EqualFold(strings.TrimRight(name, " \t"), "wait") {
				continue
			}
			value = strings.TrimLeft(value, " \t")
			if len(value) > 1 && value[0] == '"' && value[len(value)-1] == '"' {
				value = value[1 : len(value)-1]
			}
			seconds, ok := Digits(value)
			return min(time.Duration(seconds)*time.Second, limit), ok
		}
	}
	return 0, false
}

// maxKey is how long an idempotency key may be.
const maxKey = 200

// IdempotencyKey reads the Idempotency-Key header: a string as structured fields have it (RFC 9651),
// or the same without its quotes. It is empty where there is no such header.
func IdempotencyKey(header []string) (string, error) {
	if len(header) == 0 {
		return "", nil
	}
	if len(header) > 1 {
		return "", badHeader.Says("there are %d Idempotency-Key headers: send one", len(header))
	}
	key, ok := strings.Trim(header[0], " \t"), true
	if strings.HasPrefix(key, `"`) {
		key, ok = unquote(key)
	} else {
		ok = !strings.Contains(key, `"`)
	}
	invisible := func(c rune) bool { return c <= ' ' || c > '~' }
	if !ok || key == "" || len(key) > maxKey || strings.IndexFunc(key, invisible) >= 0 {
		return "", badHeader.Says("an Idempotency-Key is 1 to %d visible ASCII characters, with or without quotes around them", maxKey)
	}
	return key, nil
}

// unquote reads a string of structured fields.
func unquote(s string) (string, bool) {
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch s[i] {
		case '"':
			return b.String(), i == len(s)-1
		case '\\':
			i++
			if i == len(s) || (s[i] != '"' && s[i] != '\\') {
				return "", false
			}
		}
		b.WriteByte(s[i])
	}
	return "", false
}

// Announces reports whether headers announce a body of one of the media types, in UTF-8, as it stands.
func Announces(h http.Header, media ...string) bool {
	// What could be small here and large once it is unpacked is not taken.
	for _, coding := range h.Values("Content-Encoding") {
		if coding != "" && !strings.EqualFold(coding, "identity") {
			return false
		}
	}
	if len(h.Values("Content-Type")) != 1 {
		return false
	}
	is, params, err := mime.ParseMediaType(h.Get("Content-Type"))
	charset, given := params["charset"]
	return err == nil && slices.Contains(media, is) && (!given || strings.EqualFold(charset, "utf-8"))
}
