package api

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/go-json-experiment/json"

	"laidup/api/wire"
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
	v := subscriptionView{ID: s.ID, URL: s.URL, Types: wire.NonNil(s.Types), CreatedAt: s.CreatedAt, State: "active", DisabledWhy: s.DisabledWhy}
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
func (a *API) hooked(r *wire.Request) (hooks *webhook.Hooks, id string, err error) {
	if a.hooks == nil {
		return nil, "", wire.NoWebhooks.Says("this server has no webhooks")
	}
	if r.Param("id") != "" {
		id, err = r.Name("id")
	}
	return a.hooks, id, err
}

// order reads a JSON body strictly.
func (a *API) order(r *wire.Request, into any, form string) error {
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.NotJSON.Says("")
	}
	return a.bodies.Read(r, "an order", maxOrder, func(body []byte) error {
		if err := json.Unmarshal(body, into, json.RejectUnknownMembers(true)); err != nil {
			return wire.BadSubscription.Says("an order is %s%s", form, wire.PlaceOf(err))
		}
		return nil
	})
}

func (a *API) postSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, _, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	var order struct {
		URL   string   `json:"url"`
		Types []string `json:"types"`
	}
	if err := a.order(r, &order, `{"url": "https://…", "types": ["…"]}, the last if it is not for all types`); err != nil {
		return wire.Reply{}, err
	}
	s, secret, err := hooks.Subscribe(r.Context(), webhook.Order{Organisation: r.Key.Organisation, URL: order.URL, Types: order.Types})
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Status: http.StatusCreated, Header: map[string]string{"Location": "/v1/subscriptions/" + s.ID}, Body: struct {
		Secret string `json:"secret"` // cannot be had again
		subscriptionView
	}{secret, subscriptionOf(s)}}, nil
}

func (a *API) listSubscriptions(r *wire.Request) (wire.Reply, error) {
	hooks, _, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	all, err := hooks.List(r.Context(), r.Key.Organisation)
	if err != nil {
		return wire.Reply{}, err
	}
	list := struct {
		Subscriptions []subscriptionView `json:"subscriptions"`
	}{[]subscriptionView{}}
	for _, s := range all {
		list.Subscriptions = append(list.Subscriptions, subscriptionOf(s))
	}
	return wire.Reply{Body: list}, nil
}

func (a *API) getSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	s, err := hooks.Get(r.Context(), r.Key.Organisation, id)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: subscriptionOf(s)}, nil
}

func (a *API) deleteSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err == nil {
		err = hooks.Delete(r.Context(), r.Key.Organisation, id)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: struct {
		ID      string `json:"id"`
		Deleted bool   `json:"deleted"`
	}{id, true}}, nil
}

func (a *API) rotateSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	secret, until, err := hooks.Rotate(r.Context(), r.Key.Organisation, id)
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: struct {
		ID     string    `json:"id"`
		Secret string    `json:"secret"`
		Until  time.Time `json:"secret_before_signs_until"`
	}{id, secret, until}}, nil
}

func (a *API) resumeSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err == nil {
		err = hooks.Resume(r.Context(), r.Key.Organisation, id)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return a.getSubscription(r)
}

// sent answers what is on its way now.
func sent(id string, more map[string]any) wire.Reply {
	path := "/v1/subscriptions/" + id + "/deliveries"
	body := map[string]any{"deliveries": path}
	for name, value := range more {
		body[name] = value
	}
	return wire.Reply{Status: http.StatusAccepted, Header: map[string]string{"Location": path}, Body: body}
}

func (a *API) testSubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	event, err := hooks.Test(r.Context(), r.Key.Organisation, id)
	if err != nil {
		return wire.Reply{}, err
	}
	r.Account.Happened()
	return sent(id, map[string]any{"delivery": event}), nil
}

func (a *API) replayDelivery(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	event, err := r.Name("delivery")
	if err == nil {
		err = hooks.Replay(r.Context(), r.Key.Organisation, id, event)
	}
	if err != nil {
		return wire.Reply{}, err
	}
	return sent(id, map[string]any{"delivery": event}), nil
}

func (a *API) replaySubscription(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	if _, err := hooks.Get(r.Context(), r.Key.Organisation, id); err != nil { // before a word on the body
		return wire.Reply{}, err
	}
	var order struct {
		Since time.Time `json:"since"`
	}
	form := `{"since": "2026-05-02T12:00:00Z"}`
	if err := a.order(r, &order, form); err != nil {
		return wire.Reply{}, err
	}
	if order.Since.IsZero() {
		return wire.Reply{}, &wire.Problem{Kind: wire.BadSubscription, Detail: "an order is " + form, Errors: []webhook.Fault{{Pointer: "/since", Code: "missing", Detail: "it is missing"}}}
	}
	n, err := hooks.ReplaySince(r.Context(), r.Key.Organisation, id, order.Since)
	if err != nil {
		return wire.Reply{}, err
	}
	return sent(id, map[string]any{"replayed": n}), nil
}

func (a *API) listDeliveries(r *wire.Request) (wire.Reply, error) {
	hooks, id, err := a.hooked(r)
	if err != nil {
		return wire.Reply{}, err
	}
	p := webhook.Page{Organisation: r.Key.Organisation, Subscription: id, State: webhook.State(r.Query.Get("state"))}
	if p.State != "" && !slices.Contains(webhook.States, p.State) {
		return wire.Reply{}, wire.BadQuery.Says("state is one of %s, %s and %s", webhook.Waiting, webhook.Delivered, webhook.Dead)
	}
	limit, after, err := r.Page(wire.DeliveryCursor)
	if err != nil {
		return wire.Reply{}, err
	}
	p.Limit = limit + 1
	if after.Name != "" {
		if p.Before, err = strconv.ParseInt(after.Name, 10, 64); err != nil || p.Before < 1 {
			return wire.Reply{}, wire.BadQuery.Says("the cursor is not one of this list")
		}
	}
	all, err := hooks.Deliveries(r.Context(), p)
	if err != nil {
		return wire.Reply{}, err
	}
	page, next, header := wire.Turn(r, all, limit, wire.DeliveryCursor, func(d webhook.Delivery) wire.Cursor {
		return wire.Cursor{At: d.RecordedAt, Name: strconv.FormatInt(d.Number, 10)}
	})
	list := struct {
		Deliveries []deliveryView `json:"deliveries"`
		Next       string         `json:"next,omitempty"`
	}{[]deliveryView{}, next}
	for _, d := range page {
		list.Deliveries = append(list.Deliveries, deliveryOf(d))
	}
	return wire.Reply{Body: list, Header: header}, nil
}
