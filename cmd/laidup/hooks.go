package main

import (
	"context"
	"time"

	"laidup/internal/assess"
	"laidup/internal/config"
	"laidup/internal/webhook"

	"github.com/prometheus/client_golang/prometheus"
)

// openHooks finds the key for webhooks, or makes one beside the embedded store.
func (p *process) openHooks(sc config.Store, wc config.Webhooks) (err error) {
	var key *webhook.Key
	switch {
	case wc.WebhookKey != "":
		key, err = webhook.ParseKey(wc.WebhookKey)
	case sc.DatabaseURL == "":
		key, err = webhook.KeyIn(sc.Data)
	}
	if err != nil {
		return err
	}
	if key == nil {
		p.log.Info("there are no webhooks: no --webhook-key was given")
	}
	p.hooks = webhook.New(webhook.Options{Store: p.store, Key: key, Networks: wc.WebhookNetworks})
	return nil
}

// dispatch delivers events, from where assessments are worked out. The dispatcher stops together with
// the worker: what that finishes last is delivered by whoever comes next.
func (p *process) dispatch() {
	ctx, stop := context.WithCancel(context.Background())
	p.silence = stop
	d := webhook.NewDispatcher(p.hooks, webhook.DispatcherOptions{
		Log: p.log, Tried: func(outcome string) { p.metrics.tries.WithLabelValues(outcome).Inc() },
	})
	p.parts.Go(func() { d.Run(ctx) })
}

// waking lets the dispatcher look at once for what an assessment has to tell.
type waking struct {
	assess.Observer
	hooks *webhook.Hooks
}

// Finished implements [assess.Observer].
func (w waking) Finished(f assess.Finished) {
	w.Observer.Finished(f)
	w.hooks.Wake()
}

// ChunkFinished implements [assess.Observer].
func (w waking) ChunkFinished() {
	w.Observer.ChunkFinished()
	w.hooks.Wake()
}

// PlanFinished implements [assess.Observer].
func (w waking) PlanFinished(s assess.State) {
	w.Observer.PlanFinished(s)
	w.hooks.Wake()
}

// hooksBacklog asks the store what of webhooks is due, whenever somebody looks.
type hooksBacklog struct {
	hooks       *webhook.Hooks
	due, oldest *prometheus.Desc
}

func newHooksBacklog(hooks *webhook.Hooks) *hooksBacklog {
	desc := func(name, help string) *prometheus.Desc { return prometheus.NewDesc(name, help, nil, nil) }
	return &hooksBacklog{
		hooks,
		desc("laidup_webhook_deliveries_due", "Deliveries to webhooks that are due and not made yet."),
		desc("laidup_webhook_oldest_due_age_seconds", "How long the oldest of them is due."),
	}
}

// Describe names the metrics.
func (b *hooksBacklog) Describe(out chan<- *prometheus.Desc) {
	out <- b.due
	out <- b.oldest
}

// Collect asks. What cannot be asked is missing, not nought.
func (b *hooksBacklog) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	left, err := b.hooks.Backlog(ctx)
	if err != nil {
		return
	}
	age := 0.0
	if !left.Oldest.IsZero() {
		age = max(0, time.Since(left.Oldest).Seconds())
	}
	out <- prometheus.MustNewConstMetric(b.due, prometheus.GaugeValue, float64(left.Due))
	out <- prometheus.MustNewConstMetric(b.oldest, prometheus.GaugeValue, age)
}
