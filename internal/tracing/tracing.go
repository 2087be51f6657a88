// Package tracing follows a report from the request that brought it, through the queue, to its
// assessment, and sends what it saw to an OpenTelemetry collector. It wraps the parts between which
// a report goes; none of these know of it. A nil [Tracer] wraps nothing, so that a program that does
// not trace runs the very parts that it would run without this package.
package tracing

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"

	"laidup/internal/assess"
	"laidup/internal/logging"
	"laidup/internal/origin"
	"laidup/worker"
)

// Tracer traces. A nil one does not.
type Tracer struct {
	provider *sdktrace.TracerProvider
	tracer   trace.Tracer
}

// New returns a tracer of what the provider samples, and sends where the provider sends.
func New(provider *sdktrace.TracerProvider) *Tracer {
	return &Tracer{provider, provider.Tracer("laidup")}
}

// Stop sends what has not been sent. It is called when nothing is traced any more.
func (t *Tracer) Stop(ctx context.Context) error {
	if t == nil {
		return nil
	}
	return t.provider.Shutdown(ctx)
}

// The form in which a trace is handed on: the W3C's Trace Context.
var traceContext propagation.TraceContext

// begin begins a span; whatever is logged under its context has the trace's id.
func (t *Tracer) begin(ctx context.Context, name string, kind trace.SpanKind, attrs ...attribute.KeyValue) (context.Context, trace.Span) {
	ctx, span := t.tracer.Start(ctx, name, trace.WithSpanKind(kind), trace.WithAttributes(attrs...))
	if span.SpanContext().IsSampled() {
		ctx = logging.With(ctx, slog.String("trace", span.SpanContext().TraceID().String()))
	}
	return ctx, span
}

// end ends a span. An error that is one of those expected is told as what it is: an answer.
func end(span trace.Span, err error, expected ...error) {
	defer span.End()
	if err == nil {
		return
	}
	span.SetAttributes(attribute.String("error.message", err.Error()))
	if !slices.ContainsFunc(expected, func(e error) bool { return errors.Is(err, e) }) {
		span.SetStatus(codes.Error, err.Error())
	}
}

// untraced are asked for so often, and say so little, that they would bury the rest.
var untraced = []string{"/healthz", "/readyz", "/metrics"}

// Handler traces the requests that next answers. Whose trace a request is part of is taken from its
// headers. [Tracer.Answered] completes the span.
func (t *Tracer) Handler(next http.Handler) http.Handler {
	if t == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if slices.Contains(untraced, r.URL.Path) {
			next.ServeHTTP(w, r)
			return
		}
		ctx := traceContext.Extract(r.Context(), propagation.HeaderCarrier(r.Header))
		ctx, span := t.begin(ctx, "HTTP", trace.SpanKindServer)
		defer span.End()
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// Answered names the span of the request under ctx by what is known once it is answered. The names
// come from closed lists.
func (t *Tracer) Answered(ctx context.Context, method, route string, status int) {
	if t == nil {
		return
	}
	span := trace.SpanFromContext(ctx)
	span.SetName(method + " " + route)
	span.SetAttributes(
		attribute.String("http.request.method", method), attribute.String("http.route", route),
		attribute.Int("http.response.status_code", status), attribute.String("laidup.request", origin.Of(ctx).Request),
	)
	if status >= http.StatusInternalServerError {
		span.SetStatus(codes.Error, http.StatusText(status))
	}
}

// Store traces what is done to a store on a report's way; asking it for things is not traced.
func (t *Tracer) Store(s assess.Store) assess.Store {
	if t == nil {
		return s
	}
	return &store{s, t}
}

type store struct {
	assess.Store
	t *Tracer
}

func (s *store) Accept(ctx context.Context, sub assess.Submission) (assess.Receipt, error) {
	ctx, span := s.t.begin(ctx, "store accept", trace.SpanKindClient, attribute.String("laidup.organisation", sub.Organisation))
	receipt, err := s.Store.Accept(ctx, sub)
	span.SetAttributes(attribute.String("laidup.report", receipt.ReportID), assessmentID(receipt.AssessmentID), attribute.Bool("laidup.repeat", receipt.Repeat))
	end(span, err, assess.ErrKeyReused, assess.ErrDossierFull)
	return receipt, err
}

func (s *store) Start(ctx context.Context, id string) (assess.Assessment, error) {
	ctx, span := s.t.begin(ctx, "store start", trace.SpanKindClient, assessmentID(id))
	a, err := s.Store.Start(ctx, id)
	end(span, err, assess.ErrFinished, assess.ErrNotFound)
	return a, err
}

func (s *store) Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]assess.Report, error) {
	ctx, span := s.t.begin(ctx, "store dossier", trace.SpanKindClient, attribute.Int("laidup.reports", upTo))
	reports, err := s.Store.Dossier(ctx, organisation, vehicle, upTo)
	end(span, err)
	return reports, err
}

func (s *store) Finish(ctx context.Context, id string, o assess.Outcome, at time.Time) error {
	ctx, span := s.t.begin(ctx, "store finish", trace.SpanKindClient, assessmentID(id), attribute.String("laidup.verdict", o.VerdictState))
	err := s.Store.Finish(ctx, id, o, at)
	end(span, err, assess.ErrFinished)
	return err
}

func (s *store) Fail(ctx context.Context, id string, problem []byte, at time.Time) error {
	ctx, span := s.t.begin(ctx, "store fail", trace.SpanKindClient, assessmentID(id))
	err := s.Store.Fail(ctx, id, problem, at)
	end(span, err, assess.ErrFinished)
	return err
}

func assessmentID(id string) attribute.KeyValue { return attribute.String("laidup.assessment", id) }

func chunkID(id string) attribute.KeyValue { return attribute.String("laidup.chunk", id) }

func planID(id string) attribute.KeyValue { return attribute.String("laidup.plan", id) }

// Queue traces what is handed to a queue, and hands the trace on with it.
func (t *Tracer) Queue(q assess.Queue) assess.Queue { return t.queue(q, assessmentID) }

// Chunks does the same for the queue of chunks of batches.
func (t *Tracer) Chunks(q assess.Queue) assess.Queue { return t.queue(q, chunkID) }

// Plans does the same for the queue of plans.
func (t *Tracer) Plans(q assess.Queue) assess.Queue { return t.queue(q, planID) }

func (t *Tracer) queue(q assess.Queue, id func(string) attribute.KeyValue) assess.Queue {
	if t == nil {
		return q
	}
	return &queue{q, t, id}
}

type queue struct {
	assess.Queue
	t  *Tracer
	id func(string) attribute.KeyValue
}

func (q *queue) Enqueue(ctx context.Context, id string, attempt int) error {
	ctx, span := q.t.begin(ctx, "enqueue", trace.SpanKindProducer, q.id(id), attribute.Int("laidup.attempt", attempt))
	from := origin.Of(ctx)
	carrier := propagation.MapCarrier{}
	traceContext.Inject(ctx, carrier)
	from.TraceParent, from.TraceState = carrier["traceparent"], carrier["tracestate"]
	err := q.Queue.Enqueue(origin.With(ctx, from), id, attempt)
	end(span, err)
	return err
}

// Tasks traces the work on what k brings, as part of the trace that it was handed over in.
func (t *Tracer) Tasks(k worker.Tasks) worker.Tasks {
	if t == nil {
		return k
	}
	return &tasks{k, t}
}

type tasks struct {
	worker.Tasks
	t *Tracer
}

func (k *tasks) Serve(ctx context.Context, concurrency int, grace time.Duration, handle assess.Handlers) error {
	traced := func(name string, id func(string) attribute.KeyValue, do func(context.Context, string) error) func(context.Context, string) error {
		return func(ctx context.Context, of string) error {
			from := origin.Of(ctx)
			ctx = traceContext.Extract(ctx, propagation.MapCarrier{"traceparent": from.TraceParent, "tracestate": from.TraceState})
			ctx, span := k.t.begin(ctx, name, trace.SpanKindConsumer, id(of), attribute.String("laidup.request", from.Request))
			err := do(ctx, of)
			end(span, err)
			return err
		}
	}
	return k.Tasks.Serve(ctx, concurrency, grace, assess.Handlers{
		Assessment: traced("score", assessmentID, handle.Assessment),
		Chunk:      traced("work on chunk", chunkID, handle.Chunk),
		Plan:       traced("plan", planID, handle.Plan),
	})
}
