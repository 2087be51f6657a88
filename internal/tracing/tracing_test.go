package tracing_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel/codes"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/origin"
	"laidup/internal/tracing"
)

func recorded(t *testing.T) (*tracing.Tracer, *tracetest.InMemoryExporter) {
	t.Helper()
	spans := tracetest.NewInMemoryExporter()
	tracer := tracing.New(sdktrace.NewTracerProvider(sdktrace.WithSyncer(spans)))
	t.Cleanup(func() {
		if err := tracer.Stop(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return tracer, spans
}

// Off costs nothing: what was to be wrapped comes back as it was.
func TestWithoutATracerNothingIsWrapped(t *testing.T) {
	t.Parallel()
	var off *tracing.Tracer
	store, queue, tasks := assesstest.NewMemory(), new(assesstest.Queue), new(bringer)
	handler := http.NotFoundHandler()
	if off.Store(store) != assess.Store(store) || off.Queue(queue) != assess.Queue(queue) || off.Tasks(tasks) != tasks {
		t.Error("something was wrapped")
	}
	rec := httptest.NewRecorder()
	off.Handler(handler).ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/", nil))
	off.Answered(t.Context(), "GET", "/", 200)
	if err := off.Stop(t.Context()); err != nil || rec.Code != http.StatusNotFound {
		t.Errorf("%d (%v)", rec.Code, err)
	}
}

// bringer brings one assessment, from where it says.
type bringer struct {
	from origin.Origin
	err  error
}

func (b *bringer) Serve(ctx context.Context, _ int, _ time.Duration, handle assess.Handlers) error {
	b.err = handle.Assessment(origin.With(ctx, b.from), "a")
	return nil
}

const theirs = "4bf92f3577b34da6a3ce929d0e0e4736"

func TestARequestContinuesTheTraceOfItsClient(t *testing.T) {
	t.Parallel()
	for header, want := range map[string]string{
		"00-" + theirs + "-00f067aa0ba902b7-01":     theirs,
		"00-" + theirs + "-00f067aa0ba902b7-01\x00": "",
		"": "",
		"00-00000000000000000000000000000000-1-01":              "",
		strings.Repeat("00-"+theirs+"-00f067aa0ba902b7-0", 500): "",
	} {
		tracer, spans := recorded(t)
		r := httptest.NewRequest(http.MethodPost, "/v1/reports", nil)
		r.Header["Traceparent"] = []string{header}
		tracer.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			tracer.Answered(r.Context(), "POST", "/v1/reports", 503)
		})).ServeHTTP(httptest.NewRecorder(), r)
		got := spans.GetSpans()
		if len(got) != 1 || got[0].Name != "POST /v1/reports" || got[0].Status.Code != codes.Error {
			t.Fatalf("%.80q: %+v", header, got)
		}
		if id := got[0].SpanContext.TraceID().String(); (id == theirs) != (want != "") || got[0].Parent.IsValid() != (want != "") {
			t.Errorf("%.80q gives the trace %s", header, id)
		}
	}
}

func TestHealthIsNotTraced(t *testing.T) {
	t.Parallel()
	tracer, spans := recorded(t)
	for _, path := range []string{"/healthz", "/readyz", "/metrics"} {
		tracer.Handler(http.NotFoundHandler()).ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, path, nil))
	}
	if got := spans.GetSpans(); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

func TestWhatIsExpectedIsNoError(t *testing.T) {
	t.Parallel()
	tracer, spans := recorded(t)
	memory := assesstest.NewMemory()
	store := tracer.Store(memory)
	if _, err := store.Start(t.Context(), "nobody"); !errors.Is(err, assess.ErrNotFound) {
		t.Error(err)
	}
	memory.Break(errors.New("disk is gone"))
	if _, err := store.Start(t.Context(), "nobody"); err == nil {
		t.Error("no error")
	}
	got := spans.GetSpans()
	if len(got) != 2 || got[0].Status.Code == codes.Error || got[1].Status.Code != codes.Error || got[1].Status.Description != "disk is gone" {
		t.Errorf("%+v", got)
	}
}

// What comes from nowhere, or from where nobody can tell, is worked on all the same, in a trace of
// its own.
func TestWorkWithoutATraceGetsOne(t *testing.T) {
	t.Parallel()
	tracer, spans := recorded(t)
	for _, from := range []origin.Origin{{}, {Request: "r", TraceParent: "garbage", TraceState: "\n"}} {
		b := &bringer{from: from}
		failure := errors.New("disk is gone")
		if err := tracer.Tasks(b).Serve(t.Context(), 1, 0, assess.Handlers{Assessment: func(context.Context, string) error { return failure }}); err != nil || b.err != failure {
			t.Errorf("%v, %v", err, b.err)
		}
	}
	got := spans.GetSpans()
	if len(got) != 2 || got[0].Name != "score" || got[0].Parent.IsValid() || got[0].Status.Code != codes.Error || got[0].SpanContext.TraceID() == got[1].SpanContext.TraceID() {
		t.Errorf("%+v", got)
	}
}

func TestTheEnvironmentDecides(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(slog.NewTextHandler(&out, nil))
	const endpoint = "OTEL_EXPORTER_OTLP_ENDPOINT"
	for _, c := range []struct {
		set  map[string]string
		on   bool
		says string
	}{
		{nil, false, ""},
		{map[string]string{endpoint: "http://127.0.0.1:1"}, true, ""},
		{map[string]string{"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://127.0.0.1:1/v1/traces"}, true, ""},
		{map[string]string{"OTEL_TRACES_EXPORTER": "otlp"}, true, ""},
		{map[string]string{"OTEL_TRACES_EXPORTER": "none", endpoint: "http://127.0.0.1:1"}, false, ""},
		{map[string]string{"OTEL_SDK_DISABLED": "true", endpoint: "http://127.0.0.1:1"}, false, ""},
		{map[string]string{"OTEL_TRACES_EXPORTER": "zipkin", endpoint: "http://127.0.0.1:1"}, false, "OTEL_TRACES_EXPORTER may be otlp or none"},
		{map[string]string{"OTEL_EXPORTER_OTLP_PROTOCOL": "grpc", endpoint: "http://127.0.0.1:1"}, false, "OTEL_EXPORTER_OTLP_PROTOCOL may be"},
		{map[string]string{"OTEL_EXPORTER_OTLP_PROTOCOL": "grpc", "OTEL_EXPORTER_OTLP_TRACES_PROTOCOL": "http/protobuf", endpoint: "http://127.0.0.1:1"}, true, ""},
	} {
		for _, name := range []string{endpoint, "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "OTEL_TRACES_EXPORTER", "OTEL_SDK_DISABLED", "OTEL_EXPORTER_OTLP_PROTOCOL", "OTEL_EXPORTER_OTLP_TRACES_PROTOCOL"} {
			t.Setenv(name, c.set[name])
		}
		out.Reset()
		tracer, err := tracing.FromEnvironment(t.Context(), log)
		if err != nil || (tracer != nil) != c.on || !strings.Contains(out.String(), c.says) || c.says == "" && out.Len() > 0 {
			t.Errorf("%v: %v (%v), log %q", c.set, tracer != nil, err, out.String())
		}
		if err := tracer.Stop(t.Context()); err != nil {
			t.Error(err)
		}
	}
}
