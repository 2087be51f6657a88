package api_test

import (
	"io/fs"
	"net/http"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"laidup/api"
	"laidup/internal/access"
	"laidup/schema"
)

const shop = "https://shop.example"

func shared(o *api.Options) { o.Origins = []string{shop, "http://localhost:3000"} }

// listed reports whether a header has a name in its list.
func (a answer) listed(header, name string) bool {
	for _, line := range a.Header.Values(header) {
		for _, one := range strings.Split(line, ",") {
			if strings.EqualFold(strings.TrimSpace(one), name) {
				return true
			}
		}
	}
	return false
}

func TestPagesOfNamedOriginsMayUseTheAPI(t *testing.T) {
	t.Parallel()
	w := closed(t, shared)
	key := w.key("brennick-motors", access.PostReports, access.Read)
	for _, origin := range []string{shop, "http://localhost:3000"} {
		asked := w.do(http.MethodOptions, "/v1/reports", nil, "Origin: "+origin, "Access-Control-Request-Method: POST", "Access-Control-Request-Headers: authorization,content-type,idempotency-key,prefer")
		asked.is(t, http.StatusNoContent)
		asked.has(t, "Access-Control-Allow-Origin", origin, "Access-Control-Allow-Credentials", "", "Access-Control-Max-Age", "600")
		for _, name := range []string{"Authorization", "Content-Type", "Idempotency-Key", "Prefer", "If-None-Match", "Last-Event-ID"} {
			if !asked.listed("Access-Control-Allow-Headers", name) {
				t.Errorf("%s may not be sent: %v", name, asked.Header)
			}
		}
		if !asked.listed("Access-Control-Allow-Methods", "POST") || asked.listed("Access-Control-Allow-Methods", "DELETE") || !asked.listed("Vary", "Origin") {
			t.Errorf("%v", asked.Header)
		}
		posted := w.post("/v1/reports", tern(t, "tern-01"), key, "Origin: "+origin, "Sec-Fetch-Site: cross-site")
		posted.is(t, http.StatusAccepted)
		posted.has(t, "Access-Control-Allow-Origin", origin, "Access-Control-Allow-Credentials", "")
		if !posted.listed("Access-Control-Expose-Headers", "Location") || !posted.listed("Vary", "Origin") {
			t.Errorf("%v", posted.Header)
		}
		// What went wrong can be read as well.
		wrong := w.get("/v1/vehicles/none", key, "Origin: "+origin)
		wrong.problem(t, http.StatusNotFound, "not-found")
		wrong.has(t, "Access-Control-Allow-Origin", origin)
		nobody := w.get("/v1/vehicles", "Origin: "+origin)
		nobody.problem(t, http.StatusUnauthorized, "key-needed")
		nobody.has(t, "Access-Control-Allow-Origin", origin)
		if a := w.get("/v1/appraisals?vehicle=a&vehicle=b", key, "Origin: "+origin); !a.listed("Vary", "Accept") || !a.listed("Vary", "Origin") {
			t.Errorf("what an answer depends on is %q", a.Header.Values("Vary"))
		}
	}
}

func TestOtherOriginsAreToldNothing(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		origins []string
		path    string
		origin  string
	}{
		"another origin":                {[]string{shop}, "/v1/catalogue", "https://evil.example"},
		"a name that ends alike":        {[]string{shop}, "/v1/catalogue", "https://evilshop.example"},
		"a name that begins alike":      {[]string{shop}, "/v1/catalogue", "https://shop.example.evil.example"},
		"another port":                  {[]string{shop}, "/v1/catalogue", "https://shop.example:8443"},
		"without TLS":                   {[]string{shop}, "/v1/catalogue", "http://shop.example"},
		"no origin that has a name":     {[]string{shop}, "/v1/catalogue", "null"},
		"a wildcard means nothing":      {[]string{"*", "https://*.example"}, "/v1/catalogue", shop},
		"where none is set":             {nil, "/v1/catalogue", shop},
		"a page":                        {[]string{shop}, "/vehicles", shop},
		"the sign-in page":              {[]string{shop}, "/sign-in", shop},
		"the first page":                {[]string{shop}, "/", shop},
		"the metrics":                   {[]string{shop}, "/metrics", shop},
		"a path that begins like those": {[]string{shop}, "/v10", shop},
	} {
		t.Run(name, func(t *testing.T) {
			w := closed(t, func(o *api.Options) { o.Origins = c.origins })
			for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodOptions} {
				a := w.do(method, c.path, nil, "Origin: "+c.origin, "Access-Control-Request-Method: GET")
				for header := range a.Header {
					if strings.HasPrefix(header, "Access-Control-") {
						t.Errorf("%s is told %s: %v", method, header, a.Header[header])
					}
				}
			}
		})
	}
}

// Whoever has signed in on the pages has done so for no other origin, be it one that may use the API.
func TestASessionIsOfNoUseAcrossOrigins(t *testing.T) {
	t.Parallel()
	w := closed(t, shared)
	key := w.key("brennick-motors", access.PostReports, access.Read)
	cookie := "Cookie: " + strings.Split(w.signIn(strings.TrimPrefix(key, "Authorization: Bearer "), "").Header.Get("Set-Cookie"), ";")[0]
	w.get("/v1/vehicles", cookie).is(t, http.StatusOK)
	a := w.get("/v1/vehicles", cookie, "Origin: "+shop)
	a.problem(t, http.StatusUnauthorized, "key-needed")
	a.has(t, "Access-Control-Allow-Credentials", "")
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Origin: "+shop).problem(t, http.StatusUnauthorized, "key-needed")
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Origin: https://evil.example").problem(t, http.StatusForbidden, "cross-site")
	w.do(http.MethodPost, "/sign-out", nil, cookie, "Origin: "+shop).is(t, http.StatusForbidden)
	w.get("/v1/vehicles", cookie).is(t, http.StatusOK)
	// A service that names itself among them keeps its own pages working.
	w = closed(t, func(o *api.Options) { o.Origins = []string{"https://laidup.example"} })
	cookie = "Cookie: " + strings.Split(w.signIn(strings.TrimPrefix(w.key("brennick-motors", access.PostReports), "Authorization: Bearer "), "", "Host: laidup.example").Header.Get("Set-Cookie"), ";")[0]
	w.post("/v1/reports/check", tern(t, "tern-01"), cookie, "Host: laidup.example", "Origin: https://laidup.example").is(t, http.StatusOK)
}

// A server that asks this machine for no key asks pages of other origins for one.
func TestAnOpenServerAsksOtherOriginsForAKey(t *testing.T) {
	t.Parallel()
	w := open(t, shared)
	w.get("/v1/vehicles").is(t, http.StatusOK)
	w.get("/v1/vehicles", "Origin: "+shop).problem(t, http.StatusForbidden, "cross-site")
}

// Every header that the API takes may be sent, and every one that it answers with may be read.
func TestBrowsersSeeEveryHeader(t *testing.T) {
	t.Parallel()
	text, err := fs.ReadFile(schema.FS, "openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var described struct{ Accepts, Headers map[string]any }
	if err := yaml.Unmarshal(text, &described); err != nil || len(described.Accepts) == 0 || len(described.Headers) == 0 {
		t.Fatal(err)
	}
	w := closed(t, shared)
	asked := w.do(http.MethodOptions, "/v1/reports", nil, "Origin: "+shop, "Access-Control-Request-Method: POST")
	for name := range described.Accepts {
		if !asked.listed("Access-Control-Allow-Headers", name) {
			t.Errorf("%s may not be sent", name)
		}
	}
	answered := w.get("/v1/catalogue", "Origin: "+shop)
	withoutBeingExposed := []string{"Cache-Control", "Content-Type"}
	for name := range described.Headers {
		if !slices.Contains(withoutBeingExposed, name) && !answered.listed("Access-Control-Expose-Headers", name) {
			t.Errorf("%s may not be read", name)
		}
	}
}
