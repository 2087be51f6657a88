package main

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"laidup/api"
	"laidup/internal/assess"
	"laidup/internal/queue"
	"laidup/internal/ruleset"
	"laidup/internal/version"
	"laidup/internal/webhook"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics is what Prometheus is told; docs/operations.md says what each metric means. It counts as
// an [assess.Observer].
type metrics struct {
	registry *prometheus.Registry
	builtIn  []string // names of the built-in rule sets

	requests       *prometheus.CounterVec
	requestSeconds *prometheus.HistogramVec
	accepted       prometheus.Counter
	finished       *prometheus.CounterVec
	turnaround     prometheus.Histogram
	scoreSeconds   *prometheus.HistogramVec
	interrupted    prometheus.Counter
	chunks         prometheus.Counter
	plans          *prometheus.CounterVec
	handedOver     prometheus.Counter
	tried          *prometheus.CounterVec
	workers        prometheus.Gauge
	tries          *prometheus.CounterVec
}

// ofOthers labels the rule sets that somebody has published: their names are for their organisation
// alone, and there is no end to them.
const ofOthers = "published"

func newMetrics(sets []*ruleset.Set) *metrics {
	m := &metrics{
		registry:       prometheus.NewRegistry(),
		requests:       prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_http_requests_total", Help: "Requests answered."}, []string{"method", "route", "status"}),
		requestSeconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "laidup_http_request_duration_seconds", Help: "Time taken to answer a request, with the waiting that it asked for.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16)}, []string{"method", "route"}),
		accepted:       prometheus.NewCounter(prometheus.CounterOpts{Name: "laidup_reports_accepted_total", Help: "Reports stored, each with an assessment to be worked out."}),
		finished:       prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_assessments_finished_total", Help: "Assessments written by this process, done or failed."}, []string{"outcome", "rule_set"}),
		turnaround:     prometheus.NewHistogram(prometheus.HistogramOpts{Name: "laidup_assessment_turnaround_seconds", Help: "Time from the acceptance of a report to its finished assessment.", Buckets: []float64{.01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 60, 300, 1800, 7200}}),
		scoreSeconds:   prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "laidup_score_duration_seconds", Help: "Time taken to load a dossier and score it.", Buckets: prometheus.ExponentialBuckets(0.0005, 2, 16)}, []string{"rule_set"}),
		interrupted:    prometheus.NewCounter(prometheus.CounterOpts{Name: "laidup_jobs_interrupted_total", Help: "Tries at an assessment or a plan that ended with an error and are made again."}),
		chunks:         prometheus.NewCounter(prometheus.CounterOpts{Name: "laidup_chunks_finished_total", Help: "Chunks of batches written by this process."}),
		plans:          prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_plans_finished_total", Help: "Plans written by this process, done or failed."}, []string{"outcome"}),
		handedOver:     prometheus.NewCounter(prometheus.CounterOpts{Name: "laidup_sweep_handovers_total", Help: "Assessments, plans and chunks of batches that waited too long, held by no queue, and were handed over again."}),
		tries:          prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_webhook_tries_total", Help: "Tries at delivering an event to a webhook."}, []string{"outcome"}),
		tried:          prometheus.NewCounterVec(prometheus.CounterOpts{Name: "laidup_rule_sets_tried_total", Help: "Rule sets that were checked or to be published."}, []string{"outcome"}),
		workers:        prometheus.NewGauge(prometheus.GaugeOpts{Name: "laidup_workers", Help: "Assessments that this process works out at once at most."}),
	}
	for _, set := range sets {
		m.builtIn = append(m.builtIn, set.Name)
	}
	// What is counted starts at nought and not with the first of it: else the first would be missed.
	for _, name := range append(slices.Clone(m.builtIn), ofOthers) {
		m.finished.WithLabelValues(string(assess.Done), name)
		m.finished.WithLabelValues(string(assess.Failed), name)
	}
	for _, outcome := range []assess.Trial{assess.Sound, assess.Faulty, assess.Busy, assess.Broken} {
		m.tried.WithLabelValues(string(outcome))
	}
	for _, state := range []assess.State{assess.Done, assess.Failed} {
		m.plans.WithLabelValues(string(state))
	}
	for _, outcome := range webhook.Outcomes {
		m.tries.WithLabelValues(outcome)
	}
	v := version.Current()
	build := prometheus.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "laidup_build_info", Help: "1, with the version of the program and the commit that it was built of.",
		ConstLabels: prometheus.Labels{"version": v.Version, "commit": cmp.Or(v.Commit, "unknown")},
	}, func() float64 { return 1 })
	m.registry.MustRegister(build, m.requests, m.requestSeconds, m.accepted, m.finished, m.turnaround, m.scoreSeconds, m.interrupted, m.chunks, m.plans, m.handedOver, m.tried, m.tries, m.workers,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), collectors.NewBuildInfoCollector())
	return m
}

// ask lets store and queue be asked whenever somebody looks.
func (m *metrics) ask(service *assess.Service, q *queue.Queue, hooks *webhook.Hooks, pools map[string]*sql.DB) {
	m.registry.MustRegister(&backlog{
		service: service, queue: q,
		unfinished: prometheus.NewDesc("laidup_assessments_unfinished", "Assessments that are queued or running, without those of batches, by the store.", nil, nil),
		oldest:     prometheus.NewDesc("laidup_oldest_unfinished_assessment_age_seconds", "Time since the oldest of the unfinished assessments was accepted; 0: there is none.", nil, nil),
		chunks:     prometheus.NewDesc("laidup_chunks_unfinished", "Chunks of batches, a hundred lines or fewer, that have not finished, by the store.", nil, nil),
		plans:      prometheus.NewDesc("laidup_plans_unfinished", "Plans that are queued or running, by the store.", nil, nil),
		failed:     prometheus.NewDesc("laidup_assessments_failed", "Assessments in the store that failed and that nobody has tried again.", nil, nil),
		tasks:      prometheus.NewDesc("laidup_queue_tasks", "Tasks in the queue.", []string{"kind", "state"}, nil),
		up:         prometheus.NewDesc("laidup_up", "Whether a part that the service needs could be reached.", []string{"part"}, nil),
	})
	m.registry.MustRegister(newHooksBacklog(hooks))
	for name, pool := range pools {
		m.registry.MustRegister(collectors.NewDBStatsCollector(pool, name))
	}
}

func (m *metrics) handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4})
}

func (m *metrics) observe(o api.Observation) {
	m.requests.WithLabelValues(o.Method, o.Route, strconv.Itoa(o.Status)).Inc()
	m.requestSeconds.WithLabelValues(o.Method, o.Route).Observe(o.Took.Seconds())
}

var _ assess.Observer = (*metrics)(nil)

// ReportAccepted implements [assess.Observer].
func (m *metrics) ReportAccepted() { m.accepted.Inc() }

// Finished implements [assess.Observer].
func (m *metrics) Finished(f assess.Finished) {
	name := f.RuleSet.Name
	if !slices.Contains(m.builtIn, name) {
		name = ofOthers
	}
	m.finished.WithLabelValues(string(f.State), name).Inc()
	if !f.OfBatch {
		m.turnaround.Observe(f.SinceAccepted.Seconds())
	}
	m.scoreSeconds.WithLabelValues(name).Observe(f.WorkedOut.Seconds())
}

// ChunkFinished implements [assess.Observer].
func (m *metrics) ChunkFinished() { m.chunks.Inc() }

// PlanFinished implements [assess.Observer].
func (m *metrics) PlanFinished(s assess.State) { m.plans.WithLabelValues(string(s)).Inc() }

// Interrupted implements [assess.Observer].
func (m *metrics) Interrupted() { m.interrupted.Inc() }

// HandedOver implements [assess.Observer].
func (m *metrics) HandedOver() { m.handedOver.Inc() }

// RuleSetTried implements [assess.Observer].
func (m *metrics) RuleSetTried(t assess.Trial) { m.tried.WithLabelValues(string(t)).Inc() }

// backlog asks store and queue how much is waiting, whenever somebody looks.
type backlog struct {
	service                                              *assess.Service
	queue                                                *queue.Queue
	unfinished, oldest, failed, chunks, plans, tasks, up *prometheus.Desc
}

// Describe names the metrics.
func (b *backlog) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{b.unfinished, b.oldest, b.failed, b.chunks, b.plans, b.tasks, b.up} {
		out <- d
	}
}

// Collect asks. What cannot be asked is missing, not nought. A store that answers is up, however
// long it takes to count what is waiting in it.
func (b *backlog) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	up := func(part string, err error) bool {
		if err != nil {
			gauge(b.up, 0, part)
			return false
		}
		gauge(b.up, 1, part)
		return true
	}
	reach, done := context.WithTimeout(ctx, 2*time.Second)
	store, tasks := b.service.Ready(reach)
	done()
	if up("store", store) {
		if left, err := b.service.Backlog(ctx); err == nil {
			age := 0.0
			if !left.Oldest.IsZero() {
				age = max(0, time.Since(left.Oldest).Seconds())
			}
			gauge(b.unfinished, float64(left.Unfinished))
			gauge(b.oldest, age)
			gauge(b.failed, float64(left.Failed))
			gauge(b.chunks, float64(left.Chunks))
			gauge(b.plans, float64(left.Plans))
		}
	}
	if up("queue", tasks) {
		if lanes, err := b.queue.Depth(ctx); err == nil {
			for of, d := range lanes {
				for state, n := range map[string]int{"pending": d.Pending, "retry": d.Retry, "active": d.Active, "aside": d.Aside} {
					gauge(b.tasks, float64(n), of, state)
				}
			}
		}
	}
}

// watchServer serves the metrics, and whether the process runs, without a key: to who may reach the
// address.
func watchServer(m *metrics, addr string) *http.Server {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", m.handler())
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = fmt.Fprintf(w, `{"status":"ok","version":%q}`, version.Current().Version)
	})
	return api.Server(mux, addr)
}

// watchAddr completes the address to listen on for metrics: where it names no machine, it is this
// one's own. Whoever wants all of its addresses says 0.0.0.0 or [::].
func watchAddr(addr string) string {
	if !strings.Contains(addr, ":") {
		addr = ":" + addr
	}
	if host, port, err := net.SplitHostPort(addr); err == nil && host == "" {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return addr
}
