package main

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"laidup/api"
	"laidup/internal/assess"
	"laidup/internal/queue"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics is what Prometheus is told.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
}

func newMetrics(service *assess.Service, q *queue.Queue) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_http_requests_total", Help: "Requests answered."}, []string{"method", "route", "status"}),
		seconds:  prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "laidup_http_request_seconds", Help: "Time taken to answer a request.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16)}, []string{"method", "route"}),
	}
	m.registry.MustRegister(m.requests, m.seconds, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), &backlog{
		service: service, queue: q,
		unfinished: prometheus.NewDesc("laidup_assessments_unfinished", "Assessments that are queued or running, by the store.", nil, nil),
		tasks:      prometheus.NewDesc("laidup_queue_tasks", "Tasks in the queue.", []string{"state"}, nil),
		up:         prometheus.NewDesc("laidup_up", "Whether a part that the service needs could be asked.", []string{"part"}, nil),
	})
	return m
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
}

func (m *metrics) observe(o api.Observation) {
	m.requests.WithLabelValues(o.Method, o.Route, strconv.Itoa(o.Status)).Inc()
	m.seconds.WithLabelValues(o.Method, o.Route).Observe(o.Took.Seconds())
}

// backlog asks store and queue how much is waiting, whenever somebody looks.
type backlog struct {
	service               *assess.Service
	queue                 *queue.Queue
	unfinished, tasks, up *prometheus.Desc
}

// Describe names the metrics.
func (b *backlog) Describe(out chan<- *prometheus.Desc) {
	out <- b.unfinished
	out <- b.tasks
	out <- b.up
}

// Collect asks. What cannot be asked is down, not nought.
func (b *backlog) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	up := func(part string, err error) bool {
		v := 1.0
		if err != nil {
			v = 0
		}
		out <- prometheus.MustNewConstMetric(b.up, prometheus.GaugeValue, v, part)
		return err == nil
	}
	n, err := b.service.Unfinished(ctx)
	if up("store", err) {
		out <- prometheus.MustNewConstMetric(b.unfinished, prometheus.GaugeValue, float64(n))
	}
	d, err := b.queue.Depth(ctx)
	if up("queue", err) {
		for state, n := range map[string]int{"pending": d.Pending, "retry": d.Retry, "active": d.Active, "aside": d.Aside} {
			out <- prometheus.MustNewConstMetric(b.tasks, prometheus.GaugeValue, float64(n), state)
		}
	}
}
