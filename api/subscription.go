package api

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/go-json-experiment/json"

	"laidup/internal/webhook"
)

// maxOrder is how long the body may be that says what is wanted of a subscription.
const maxOrder = 64 << 10

// subscriptionView is a subscription without what is secret.
type subscriptionView struct {
	ID          string     `json:"id"`
	URL         string     `json:"url"`
	Types       []string   `json:"types"` // empty: all
	CreatedAt   time.Time  `json:"created_at"`
	State       string     `json:"state"` // active or disabled
	DisabledAt  *time.Time `json:"disabled_at,omitempty"`
	DisabledWhy string     `json:"disabled_why,omitempty"`
}

func subscriptionOf(s webhook.Subscription) subscriptionView {
	v := subscriptionView{ID: s.ID, URL: s.URL, Types: nonNil(s.Types), CreatedAt: s.CreatedAt, State: "active", DisabledWhy: s.DisabledWhy}
	if !s.DisabledAt.IsZero() {
		v.State, v.DisabledAt = "disabled", &s.DisabledAt
	}
	return v
}

// deliveryView is a delivery. Of what a receiver answered it has the status alone.
type deliveryView struct {
	ID         string        `json:"id"` // of the event, as in the header webhook-id
	Type       string        `json:"type"`
	State      webhook.State `json:"state"`
	Attempts   int           `json:"attempts"`
	LastStatus int           `json:"last_status,omitempty"`
	Trouble    string        `json:"trouble,omitempty"`
	LastTry    *time.Time    `json:"last_try,omitempty"`
	NextTry    *time.Time    `json:"next_try,omitempty"`
	RecordedAt time.Time     `json:"recorded_at"`
}

func deliveryOf(d webhook.Delivery) deliveryView {
	v := deliveryView{ID: d.Event, Type: d.Type, State: d.State, Attempts: d.Attempts, LastStatus: d.Status, Trouble: d.Trouble, RecordedAt: d.RecordedAt}
	if !d.TriedAt.IsZero() {
		v.LastTry = &d.TriedAt
	}
	if d.State == webhook.Waiting {
		v.NextTry = &d.DueAt
	}
	return v
}

// hooked returns the subscriptions, and the id of one where the path has it.
func (a *API) hooked(r *request) (hooks *webhook.Hooks, id string, err error) {
	if a.hooks == nil {
		return nil, "", noWebhooks.says("this server has no webhooks")
	}
	if r.param("id") != "" {
		id, err = r.name("id")
	}
	return a.hooks, id, err
}

// order reads a JSON body strictly.
func (a *API) order(r *request, into any, form string) error {
	if !says(r.Header, mediaJSON) {
		return notJSON.says("")
	}
	return a.read(r, "an order", maxOrder, func(body []byte) error {
		if err := json.Unmarshal(body, into, json.RejectUnknownMembers(true)); err != nil {
			return badSubscription.says("an order is %s%s", form, placeOf(err))
		}
		return nil
	})
}

func (a *API) postSubscription(r *request) (reply, error) {
	hooks, _, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	var order struct {
		URL   string   `json:"url"`
		Types []string `json:"types"`
	}
	if err := a.order(r, &order, `{"url": "https://…", "types": ["…"]}, the last if it is not for all types`); err != nil {
		return reply{}, err
	}
	s, secret, err := hooks.Subscribe(r.Context(), webhook.Order{Organisation: r.key.Organisation, URL: order.URL, Types: order.Types})
	if err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusCreated, header: map[string]string{"Location": "/v1/subscriptions/" + s.ID}, body: struct {
		Secret string `json:"secret"` // cannot be had again
		subscriptionView
	}{secret, subscriptionOf(s)}}, nil
}

func (a *API) listSubscriptions(r *request) (reply, error) {
	hooks, _, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	all, err := hooks.List(r.Context(), r.key.Organisation)
	if err != nil {
		return reply{}, err
	}
	list := struct {
		Subscriptions []subscriptionView `json:"subscriptions"`
	}{[]subscriptionView{}}
	for _, s := range all {
		list.Subscriptions = append(list.Subscriptions, subscriptionOf(s))
	}
	return reply{body: list}, nil
}

func (a *API) getSubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	s, err := hooks.Get(r.Context(), r.key.Organisation, id)
	if err != nil {
		return reply{}, err
	}
	return reply{body: subscriptionOf(s)}, nil
}

func (a *API) deleteSubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err == nil {
		err = hooks.Delete(r.Context(), r.key.Organisation, id)
	}
	if err != nil {
		return reply{}, err
	}
	return reply{body: struct {
		ID      string `json:"id"`
		Deleted bool   `json:"deleted"`
	}{id, true}}, nil
}

func (a *API) rotateSubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	secret, until, err := hooks.Rotate(r.Context(), r.key.Organisation, id)
	if err != nil {
		return reply{}, err
	}
	return reply{body: struct {
		ID     string    `json:"id"`
		Secret string    `json:"secret"`
		Until  time.Time `json:"secret_before_signs_until"`
	}{id, secret, until}}, nil
}

func (a *API) resumeSubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err == nil {
		err = hooks.Resume(r.Context(), r.key.Organisation, id)
	}
	if err != nil {
		return reply{}, err
	}
	return a.getSubscription(r)
}

// sent answers what is on its way now.
func sent(id string, more map[string]any) reply {
	path := "/v1/subscriptions/" + id + "/deliveries"
	body := map[string]any{"deliveries": path}
	for name, value := range more {
		body[name] = value
	}
	return reply{status: http.StatusAccepted, header: map[string]string{"Location": path}, body: body}
}

func (a *API) testSubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	event, err := hooks.Test(r.Context(), r.key.Organisation, id)
	if err != nil {
		return reply{}, err
	}
	return sent(id, map[string]any{"delivery": event}), nil
}

func (a *API) replayDelivery(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	event, err := r.name("delivery")
	if err == nil {
		err = hooks.Replay(r.Context(), r.key.Organisation, id, event)
	}
	if err != nil {
		return reply{}, err
	}
	return sent(id, map[string]any{"delivery": event}), nil
}

func (a *API) replaySubscription(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	if _, err := hooks.Get(r.Context(), r.key.Organisation, id); err != nil { // before a word on the body
		return reply{}, err
	}
	var order struct {
		Since time.Time `json:"since"`
	}
	form := `{"since": "2026-05-02T12:00:00Z"}`
	if err := a.order(r, &order, form); err != nil {
		return reply{}, err
	}
	if order.Since.IsZero() {
		return reply{}, &problem{kind: badSubscription, detail: "an order is " + form, errors: []webhook.Fault{{Pointer: "/since", Code: "missing", Detail: "it is missing"}}}
	}
	n, err := hooks.ReplaySince(r.Context(), r.key.Organisation, id, order.Since)
	if err != nil {
		return reply{}, err
	}
	return sent(id, map[string]any{"replayed": n}), nil
}

func (a *API) listDeliveries(r *request) (reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return reply{}, err
	}
	p := webhook.Page{Organisation: r.key.Organisation, Subscription: id, State: webhook.State(r.query.Get("state"))}
	if p.State != "" && !slices.Contains(webhook.States, p.State) {
		return reply{}, badQuery.says("state is one of %s, %s and %s", webhook.Waiting, webhook.Delivered, webhook.Dead)
	}
	limit, after, err := r.page(deliveryCursor)
	if err != nil {
		return reply{}, err
	}
	p.Limit = limit + 1
	if after.name != "" {
		if p.Before, err = strconv.ParseInt(after.name, 10, 64); err != nil || p.Before < 1 {
			return reply{}, badQuery.says("the cursor is not one of this list")
		}
	}
	all, err := hooks.Deliveries(r.Context(), p)
	if err != nil {
		return reply{}, err
	}
	page, next, header := turn(r, all, limit, deliveryCursor, func(d webhook.Delivery) cursor {
		return cursor{d.RecordedAt, strconv.FormatInt(d.Number, 10)}
	})
	list := struct {
		Deliveries []deliveryView `json:"deliveries"`
		Next       string         `json:"next,omitempty"`
	}{[]deliveryView{}, next}
	for _, d := range page {
		list.Deliveries = append(list.Deliveries, deliveryOf(d))
	}
	return reply{body: list, header: header}, nil
}
