package api_test

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"

	"laidup/api"
	"laidup/internal/access"
)

// signIn sends the form of the sign-in page.
func (w *workshop) signIn(key, next string, headers ...string) answer {
	w.t.Helper()
	form := url.Values{"key": {key}, "next": {next}}
	return w.do(http.MethodPost, "/sign-in", []byte(form.Encode()), append(headers, "Content-Type: application/x-www-form-urlencoded")...)
}

func TestAKeyIsExchangedForASession(t *testing.T) {
	t.Parallel()
	w := closed(t)
	w.get("/vehicles?search=tern").has(t, "Location", "/sign-in?next=%2Fvehicles%3Fsearch%3Dtern")
	token := strings.TrimPrefix(w.key("brennick-motors", access.PostReports), "Authorization: Bearer ")

	a := w.signIn(token, "/vehicles?search=tern", "Host: laidup.example")
	a.is(t, http.StatusSeeOther)
	a.has(t, "Location", "/vehicles?search=tern")
	set := a.Header.Get("Set-Cookie")
	for _, want := range []string{"laidup_session=", "HttpOnly", "SameSite=Strict", "Secure", "Path=/"} {
		if !strings.Contains(set, want) {
			t.Errorf("Set-Cookie %q has no %s", set, want)
		}
	}
	if strings.Contains(set, token) {
		t.Error("the cookie has the key in it")
	}
	cookie := "Cookie: " + strings.Split(set, ";")[0]
	w.get("/vehicles", cookie).is(t, http.StatusOK)
	// Pages post reports by the session, and only pages of ours.
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Sec-Fetch-Site: same-origin").is(t, http.StatusOK)
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Sec-Fetch-Site: cross-site").problem(t, http.StatusForbidden, "cross-site")
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Origin: https://evil.example").problem(t, http.StatusForbidden, "cross-site")
	// The session does what the key does, and no more.
	w.get("/v1/keys", cookie).problem(t, http.StatusForbidden, "scope-needed")

	w.do(http.MethodPost, "/sign-out", nil, cookie, "Sec-Fetch-Site: cross-site").is(t, http.StatusForbidden)
	w.get("/vehicles", cookie).is(t, http.StatusOK)
	w.do(http.MethodPost, "/sign-out", nil, cookie).has(t, "Location", "/sign-in")
	w.get("/vehicles", cookie).is(t, http.StatusSeeOther)
}

func TestASessionEndsWithItsKey(t *testing.T) {
	t.Parallel()
	w := closed(t)
	token, key, err := w.keys.Create(t.Context(), access.Order{Organisation: "brennick-motors", Label: "bench", Scopes: []access.Scope{access.Read}})
	if err != nil {
		t.Fatal(err)
	}
	cookie := "Cookie: " + strings.Split(w.signIn(token, "").Header.Get("Set-Cookie"), ";")[0]
	w.get("/vehicles", cookie).is(t, http.StatusOK)
	if err := w.keys.Revoke(t.Context(), "brennick-motors", key.ID); err != nil {
		t.Fatal(err)
	}
	w.get("/vehicles", cookie).is(t, http.StatusSeeOther)
}

func TestSigningInLeadsNowhereElse(t *testing.T) {
	t.Parallel()
	w := closed(t)
	token := strings.TrimPrefix(w.key("brennick-motors", access.Read), "Authorization: Bearer ")
	for _, next := range []string{"", "https://evil.example", "//evil.example", "/\\evil.example", "javascript:alert(1)", "vehicles", "http:evil", "/\nX: y"} {
		a := w.signIn(token, next)
		a.is(t, http.StatusSeeOther)
		a.has(t, "Location", "/vehicles")
	}
	a := w.signIn("lu_wrong", "/compare")
	a.is(t, http.StatusUnauthorized)
	if a.Header.Get("Set-Cookie") != "" || !strings.Contains(string(a.text), `value="/compare"`) {
		t.Errorf("answer %.300s", a.text)
	}
	w.signIn(token, "", "Sec-Fetch-Site: cross-site").is(t, http.StatusForbidden)
}

// Whoever signs in again and again is slowed down as one who asks again and again, and an old session makes room.
func TestSignInsOfAKeyAreCounted(t *testing.T) {
	t.Parallel()
	const paced = 3
	w := closed(t, func(o *api.Options) { o.Limits.Rate, o.Limits.Burst = 0.001, paced })
	token := strings.TrimPrefix(w.key("brennick-motors", access.Read), "Authorization: Bearer ")
	for range paced {
		w.signIn(token, "/").is(t, http.StatusSeeOther)
	}
	a := w.signIn(token, "/")
	a.is(t, http.StatusTooManyRequests)
	if a.Header.Get("Set-Cookie") != "" || a.Header.Get("Retry-After") == "" {
		t.Errorf("answered with %v", a.Header)
	}

	w = closed(t)
	token = strings.TrimPrefix(w.key("brennick-motors", access.Read), "Authorization: Bearer ")
	var cookies []string
	for range access.MaxSessions + 1 {
		cookies = append(cookies, "Cookie: "+strings.Split(w.signIn(token, "/").Header.Get("Set-Cookie"), ";")[0])
	}
	w.get("/vehicles", cookies[0]).is(t, http.StatusSeeOther)
	w.get("/vehicles", cookies[1]).is(t, http.StatusOK)
	w.get("/vehicles", cookies[access.MaxSessions]).is(t, http.StatusOK)
}

func TestTheListAsATable(t *testing.T) {
	t.Parallel()
	w := lot(t)
	a := w.get("/vehicles.csv?gate=crank&sort=chance")
	a.is(t, http.StatusOK)
	rows, err := csv.NewReader(bytes.NewReader(a.text)).ReadAll()
	if err != nil || len(rows) != 5 {
		t.Fatalf("%v: %q", err, rows)
	}
	at := func(row int, column string) string { return rows[row][slices.Index(rows[0], column)] }
	for i := 2; i < 4; i++ {
		before, _ := strconv.ParseFloat(at(i-1, "chance_through"), 64)
		if is, err := strconv.ParseFloat(at(i, "chance_through"), 64); err != nil || is > before {
			t.Errorf("%s is not sorted by chance: %s after %g", at(i, "vehicle"), at(i, "chance_through"), before)
		}
	}
	// What is not judged comes last, and has no figures.
	if at(4, "vehicle") != "new-09" || at(4, "state") != "" || at(4, "chance_through") != "" || at(1, "gate") != "crank" {
		t.Errorf("%q", rows)
	}
	w.get("/vehicles.csv?sort=beauty").problem(t, http.StatusBadRequest, "bad-query", "chance, condition")
	for _, path := range []string{"/vehicles?page=0", "/vehicles?limit=x", "/compare?sort=beauty", "/batches/nothing?first_line=0"} {
		if a := w.get(path, "Accept: text/html"); a.StatusCode != http.StatusBadRequest && a.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d", path, a.StatusCode)
		}
	}
	// After the last page comes the last.
	if a := w.get("/vehicles?limit=3&page=9"); !strings.Contains(string(a.text), "Page 2 of 2") {
		t.Error("the last page is not the last")
	}
}
