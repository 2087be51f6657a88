package api_test

import (
	"net/http"
	"testing"
)

func TestRetention(t *testing.T) {
	onEachStore(t, func(t *testing.T, w *workshop) {
		admin, theirs := w.key("harrow-lane", "admin"), w.key("brennick-motors", "admin")
		put := func(body string, headers ...string) answer {
			return w.do(http.MethodPut, "/v1/retention", []byte(body), append(headers, admin, "Content-Type: application/json")...)
		}
		holds := func(key string, want any) {
			t.Helper()
			a := w.get("/v1/retention", key)
			a.is(t, http.StatusOK)
			if got := a.object(t)["days"]; got != want {
				t.Errorf("it is %v, want %v", got, want)
			}
		}
		holds(admin, nil)
		put(`{"days":1825}`).is(t, http.StatusOK)
		holds(admin, 1825.)
		holds(theirs, nil)
		for what, body := range map[string]string{
			"too few": `{"days":29}`, "too many": `{"days":36501}`, "less than nothing": `{"days":-1}`, "none": `{"days":0}`, "a part of a day": `{"days":30.5}`,
			"nothing": `{}`, "something else": `{"days":90,"hours":1}`, "words": `{"days":"90"}`, "no JSON": `90 days`,
		} {
			if p := put(body).problem(t, http.StatusUnprocessableEntity, "bad-retention"); p["detail"] == "" {
				t.Errorf("%s: %v", what, p)
			}
		}
		holds(admin, 1825.)
		put(`{"days":null}`).is(t, http.StatusOK)
		holds(admin, nil)
		first := w.get("/v1/audit", admin).object(t)["entries"].([]any)[0].(object)
		if first["action"] != "retention.set" || first["detail"].(object)["days"] != 0. {
			t.Errorf("the audit trail has %v", first)
		}
		w.do(http.MethodPut, "/v1/retention", []byte(`{"days":90}`), admin).problem(t, http.StatusUnsupportedMediaType, "unsupported-media-type")
		reader := w.key("harrow-lane", "reports", "rule_sets", "webhooks")
		w.get("/v1/retention", reader).problem(t, http.StatusForbidden, "scope-needed")
		w.do(http.MethodPut, "/v1/retention", []byte(`{"days":90}`), reader, "Content-Type: application/json").problem(t, http.StatusForbidden, "scope-needed")
	})
}
