package api_test

import (
	"bufio"
	"context"
	"encoding/base64"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"laidup/api"
	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/store"
	"laidup/internal/webhook"
	"laidup/schema"
)

// told is a workshop with webhooks. Its events are those of a store of their own: see happens.
type told struct {
	*workshop
	store *store.Store
	hooks *webhook.Hooks
	n     int
}

func hookStore(t testing.TB) *store.Store {
	t.Helper()
	migrations, err := fs.Sub(schema.FS, "migrations")
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(t.Context(), store.Options{DataDir: t.TempDir(), Migrations: migrations})
	if err == nil {
		t.Cleanup(func() { _ = st.Close() })
		err = st.Migrate(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	return st
}

func hookKey(t testing.TB) *webhook.Key {
	t.Helper()
	key, err := webhook.ParseKey(base64.StdEncoding.EncodeToString(make([]byte, 32)))
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func hooked(t testing.TB, change ...func(*api.Options)) *told {
	t.Helper()
	st := hookStore(t)
	h := webhook.New(webhook.Options{Store: st, Key: hookKey(t), Networks: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	w := closed(t, append(change, func(o *api.Options) { o.Webhooks, o.Events = h, st })...)
	return &told{workshop: w, store: st, hooks: h}
}

// happens has an assessment finished for an organisation: two events.
func (w *told) happens(organisation string) {
	w.t.Helper()
	w.n++
	id, report, vehicle := fmt.Sprintf("id-%06d", 900_000+w.n), fmt.Sprintf("id-%06d", 800_000+w.n), fmt.Sprintf("marrick-tern-9%d", w.n)
	_, err := w.store.Accept(w.t.Context(), assess.Submission{Organisation: organisation, ReportID: report, AssessmentID: id, Vehicle: vehicle, RuleSet: assess.RuleSetRef{Name: "first-start", Version: "2.0.0", Digest: "sha256:" + strings.Repeat("0", 64)}, Inspected: "2026-05-02", Body: []byte("{}"), Gate: "crank", At: time.Now()})
	if err == nil {
		err = w.store.Finish(w.t.Context(), id, assess.Outcome{Body: []byte("{}"), AsOf: "2026-05-02", VerdictState: "clear", Gates: assess.GateStates{{Gate: "crank", State: "clear"}}}, time.Now())
	}
	if err != nil {
		w.t.Fatal(err)
	}
	w.service.For(organisation).Happened() // it was written past the service
}

func TestASubscriptionFromItsOrderToItsEnd(t *testing.T) {
	t.Parallel()
	w := hooked(t)
	key := w.key("brennick-motors", access.Webhooks)
	receiver := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	t.Cleanup(receiver.Close)
	made := w.do(http.MethodPost, "/v1/subscriptions", []byte(`{"url":"`+receiver.URL+`/hook","types":["readiness.changed"]}`), "Content-Type: application/json", key)
	made.is(t, http.StatusCreated)
	at := made.Header.Get("Location")
	if secret, _ := made.object(t)["secret"].(string); !strings.HasPrefix(secret, "whsec_") || at == "" {
		t.Errorf("made %s at %s", made.text, at)
	}
	for _, path := range []string{"/v1/subscriptions", at} {
		if a := w.get(path, key); strings.Contains(string(a.text), "secret") || a.StatusCode != http.StatusOK {
			t.Errorf("%s", a.text)
		}
	}
	post := func(path, body string) answer {
		t.Helper()
		return w.do(http.MethodPost, path, []byte(body), "Content-Type: application/json", key)
	}
	if a := post(at+"/rotate", ""); a.StatusCode != http.StatusOK || !strings.HasPrefix(a.object(t)["secret"].(string), "whsec_") {
		t.Errorf("%s", a.text)
	}
	w.happens("brennick-motors")
	a := post(at+"/test", "")
	a.is(t, http.StatusAccepted)
	event := a.object(t)["delivery"].(string)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { webhook.NewDispatcher(w.hooks, webhook.DispatcherOptions{}).Run(ctx); close(ended) }()
	delivered := func() []any { return w.get(at+"/deliveries?state=delivered", key).object(t)["deliveries"].([]any) }
	for deadline := time.Now().Add(5 * time.Second); len(delivered()) < 2 && time.Now().Before(deadline); {
		time.Sleep(10 * time.Millisecond)
	}
	stop()
	<-ended
	if list := delivered(); len(list) != 2 || list[0].(object)["id"] != event || list[0].(object)["last_status"].(float64) != 200 {
		t.Errorf("deliveries %v", list)
	}
	first := w.get(at+"/deliveries?limit=1", key).object(t)
	second := w.get(at+"/deliveries?limit=1&cursor="+first["next"].(string), key).object(t)
	if second["next"] != nil || second["deliveries"].([]any)[0].(object)["type"] != "readiness.changed" {
		t.Errorf("second page %v", second)
	}
	post(at+"/deliveries/"+event+"/replay", "").is(t, http.StatusAccepted)
	post(at+"/deliveries/evt_none/replay", "").problem(t, http.StatusNotFound, "not-found")
	if n := post(at+"/replay", `{"since":"2026-01-01T00:00:00Z"}`).object(t)["replayed"].(float64); n != 2 {
		t.Errorf("%v replayed", n)
	}
	if err := w.store.DisableSubscription(t.Context(), "brennick-motors", at[strings.LastIndex(at, "/")+1:], "gone", time.Now()); err != nil {
		t.Fatal(err)
	}
	if v := w.get(at, key).object(t); v["state"] != "disabled" || v["disabled_why"] != "gone" {
		t.Errorf("%v", v)
	}
	post(at+"/test", "").problem(t, http.StatusConflict, "subscription-disabled")
	if a := post(at+"/resume", ""); a.StatusCode != http.StatusOK || a.object(t)["state"] != "active" {
		t.Errorf("%s", a.text)
	}
	w.do(http.MethodDelete, at, nil, key).is(t, http.StatusOK)
	w.get(at, key).problem(t, http.StatusNotFound, "not-found")
	w.get("/v1/subscriptions", w.key("brennick-motors", access.Read)).problem(t, http.StatusForbidden, "scope-needed")
}

func TestWhatIsWrongWithASubscription(t *testing.T) {
	t.Parallel()
	w := hooked(t)
	key := w.key("brennick-motors", access.Webhooks)
	post := func(body string) answer {
		return w.do(http.MethodPost, "/v1/subscriptions", []byte(body), "Content-Type: application/json", key)
	}
	for _, body := range []string{``, `{}`, `[]`, `null`, `{"url":1}`, `{"url":"https://example.org/","more":1}`, `{"url":"https://example.org/","url":"https://example.org/"}`, `{"url":"https://10.0.0.1/"}`, `{"url":"https://example.org/","types":["x"]}`} {
		post(body).problem(t, http.StatusUnprocessableEntity, "bad-subscription")
	}
	for range webhook.MaxSubscriptions {
		post(`{"url":"https://example.org/"}`).is(t, http.StatusCreated)
	}
	post(`{"url":"https://example.org/"}`).problem(t, http.StatusConflict, "too-many-subscriptions")
	for _, query := range []string{"?state=x", "?cursor=x", "?limit=0"} {
		list := w.get("/v1/subscriptions", key).object(t)["subscriptions"].([]any)
		w.get("/v1/subscriptions/"+list[0].(object)["id"].(string)+"/deliveries"+query, key).problem(t, http.StatusBadRequest, "bad-query")
	}
	none := hooked(t, func(*api.Options) {})
	keyless := closed(t, func(o *api.Options) { o.Webhooks = webhook.New(webhook.Options{Store: none.store}) })
	keyless.do(http.MethodPost, "/v1/subscriptions", []byte(`{"url":"https://example.org/"}`), "Content-Type: application/json", keyless.key("brennick-motors", access.Webhooks)).
		problem(t, http.StatusConflict, "no-webhooks")
}

func TestEventsAsPages(t *testing.T) {
	t.Parallel()
	w := hooked(t)
	key := w.key("brennick-motors", access.Read)
	for range 3 {
		w.happens("brennick-motors")
		w.happens("harrow-lane")
	}
	var seen []string
	after := ""
	for {
		page := w.get("/v1/events?limit=4"+after, key).object(t)
		for _, e := range page["events"].([]any) {
			seen = append(seen, e.(object)["id"].(string))
			if v := e.(object)["event"].(object)["data"].(object)["vehicle"].(string); !slices.Contains([]string{"marrick-tern-91", "marrick-tern-93", "marrick-tern-95"}, v) {
				t.Errorf("an event of others: %v", e)
			}
		}
		if len(page["events"].([]any)) == 0 {
			break
		}
		after = "&after=" + url.QueryEscape(page["after"].(string))
	}
	if got := len(slices.Compact(slices.Sorted(slices.Values(seen)))); got != 6 || len(seen) != 6 {
		t.Errorf("%d events, %d of them different", len(seen), got)
	}
	// What is not kept any more stands before all that is; what is others' is nothing.
	theirs := w.get("/v1/events", w.key("harrow-lane", access.Read)).object(t)["events"].([]any)
	for _, id := range []string{"evt_long-gone", theirs[5].(object)["id"].(string)} {
		if page := w.get("/v1/events?after="+id, key).object(t); len(page["events"].([]any)) != 6 {
			t.Errorf("after %s: %v", id, page)
		}
	}
	w.get("/v1/events?after=%20", key).problem(t, http.StatusBadRequest, "bad-query")
}

// listen opens a stream and returns the ids of events as they come.
func listen(t *testing.T, s *server, key, last string) (ids <-chan string, end func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, s.url+"/v1/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	name, value, _ := strings.Cut(key, ": ")
	r.Header.Set(name, value)
	r.Header.Set("Accept", "text/event-stream")
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	res, err := s.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if res.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("answer %d %v", res.StatusCode, res.Header)
	}
	heard, lines := make(chan string, 100), bufio.NewScanner(res.Body)
	lines.Scan() // it is there
	go func() {
		defer close(heard)
		for lines.Scan() {
			if id, is := strings.CutPrefix(lines.Text(), "id: "); is {
				heard <- id
			}
		}
	}()
	return heard, func() {
		cancel()
		_ = res.Body.Close()
		for range heard {
		}
	}
}

func hear(t *testing.T, ids <-chan string, n int) (all []string) {
	t.Helper()
	for range n {
		select {
		case id := <-ids:
			all = append(all, id)
		case <-time.After(5 * time.Second):
			t.Fatalf("heard only %v", all)
		}
	}
	return all
}

func TestEventsAsTheyHappen(t *testing.T) {
	t.Parallel()
	w := hooked(t)
	key := w.key("brennick-motors", access.Read)
	s := serve(t, w.workshop)
	w.happens("brennick-motors") // before anybody listens
	ids, end := listen(t, s, key, "")
	w.happens("harrow-lane")
	w.happens("brennick-motors")
	first := hear(t, ids, 2)
	end()
	w.happens("brennick-motors") // while nobody listens
	ids, end = listen(t, s, key, first[0])
	again := hear(t, ids, 3)
	end()
	if again[0] != first[1] || slices.Contains(again, first[0]) {
		t.Errorf("heard %v, and after the first of them %v", first, again)
	}
	w.api.Drain()
	ids, end = listen(t, s, key, "")
	defer end()
	if _, more := <-ids; more {
		t.Error("goes on while the server stops")
	}
}

// lateLog is a log in which transactions end in another order than their events are placed.
type lateLog struct {
	assess.EventLog
	visible []assess.RecordedEvent
}

func (l *lateLog) Unsettled() time.Duration { return 15 * time.Second }

func (l *lateLog) EventsAfter(_ context.Context, _ string, place int64, until time.Time, limit int) (page []assess.RecordedEvent, _ error) {
	for _, e := range l.visible {
		if e.Place > place && (until.IsZero() || !e.RecordedAt.After(until)) && len(page) < limit {
			page = append(page, e)
		}
	}
	return page, nil
}

func TestAnEventThatBecomesVisibleLateIsNotMissed(t *testing.T) {
	t.Parallel()
	now := time.Now()
	at := func(place int64, ago time.Duration) assess.RecordedEvent {
		return assess.RecordedEvent{Place: place, ID: fmt.Sprint("evt_", place), RecordedAt: now.Add(-ago)}
	}
	log := &lateLog{visible: []assess.RecordedEvent{at(1, time.Minute), at(3, 2*time.Second), at(5, time.Second)}}
	next := api.Tail(log)
	for _, step := range []struct {
		add  []assess.RecordedEvent
		want string
	}{
		{nil, "[1 3 5]"}, {nil, "[]"}, {[]assess.RecordedEvent{at(4, time.Second)}, "[4]"}, {[]assess.RecordedEvent{at(2, 3*time.Second), at(6, 0)}, "[2 6]"}, {nil, "[]"},
	} {
		log.visible = append(log.visible, step.add...)
		slices.SortFunc(log.visible, func(a, b assess.RecordedEvent) int { return int(a.Place - b.Place) })
		if got := fmt.Sprint(next(t.Context())); got != step.want {
			t.Errorf("sent %s, want %s", got, step.want)
		}
	}
}

func FuzzSubscriptionOrder(f *testing.F) {
	for _, body := range []string{`{"url":"https://example.org/hook","types":["readiness.changed"]}`, `{"url":"http://127.0.0.1/"}`, `{"url":"https://[::ffff:7f00:1]/"}`, `{"types":[]}`, `{"url":"https://a@b/"}`, `[`} {
		f.Add([]byte(body))
	}
	st := hookStore(f)
	h := webhook.New(webhook.Options{Store: st, Key: hookKey(f)})
	w := closed(f, func(o *api.Options) { o.Webhooks, o.Limits.Rate, o.Limits.Burst = h, 1e9, 1e9 })
	key := w.key("brennick-motors", access.Webhooks)
	f.Fuzz(func(t *testing.T, body []byte) {
		mine := *w
		mine.t = t
		a := mine.do(http.MethodPost, "/v1/subscriptions", body, "Content-Type: application/json", key)
		switch a.StatusCode {
		case http.StatusCreated:
			made := a.object(t)
			u, err := url.Parse(made["url"].(string))
			if err != nil || u.Scheme != "https" || u.User != nil || u.Fragment != "" || !strings.Contains(u.Hostname(), ".") {
				t.Errorf("taken: %q", made["url"])
			}
			if _, err := netip.ParseAddr(u.Hostname()); err == nil {
				t.Errorf("an address was taken: %q", made["url"])
			}
			mine.do(http.MethodDelete, "/v1/subscriptions/"+made["id"].(string), nil, key).is(t, http.StatusOK)
		case http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		default:
			t.Errorf("%d for %q: %s", a.StatusCode, body, a.text)
		}
	})
}
