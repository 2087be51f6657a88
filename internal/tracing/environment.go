package tracing

import (
	"cmp"
	"context"
	"fmt"
	"laidup/internal/version"
	"log/slog"
	"os"
	"strings"

	"github.com/go-logr/logr"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
)

// FromEnvironment returns the tracer that OpenTelemetry's environment variables ask for; nil if
// they ask for none. Traces are sent by OTLP over HTTP. A variable that asks for something else is
// logged, and nothing is traced: no service stands still for want of a trace.
func FromEnvironment(ctx context.Context, log *slog.Logger) (*Tracer, error) {
	if !wanted(log) {
		return nil, nil
	}
	// All this would else be told to standard error in a form of its own, whatever that of the log.
	otel.SetLogger(logr.FromSlogHandler(log.Handler()))
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces not sent", "error", err) }))
	exporter, err := otlptracehttp.New(ctx)
	if err != nil {
		return nil, fmt.Errorf("trace: %w", err)
	}
	// The environment comes last: OTEL_SERVICE_NAME and OTEL_RESOURCE_ATTRIBUTES have the last word.
	is, err := resource.New(ctx,
		resource.WithAttributes(attribute.String("service.name", "laidup"), attribute.String("service.version", version.Current().Version)),
		resource.WithTelemetrySDK(), resource.WithHost(), resource.WithFromEnv())
	if err != nil {
		log.Warn("traces do not say in full where they come from", "error", err)
	}
	return New(sdktrace.NewTracerProvider(sdktrace.WithBatcher(exporter), sdktrace.WithResource(is))), nil
}

// wanted reads the variables that the exporter does not read itself.
func wanted(log *slog.Logger) bool {
	if strings.EqualFold(os.Getenv("OTEL_SDK_DISABLED"), "true") {
		return false
	}
	switch exporter := os.Getenv("OTEL_TRACES_EXPORTER"); exporter {
	case "otlp":
	case "":
		if os.Getenv("OTEL_EXPORTER_OTLP_ENDPOINT") == "" && os.Getenv("OTEL_EXPORTER_OTLP_TRACES_ENDPOINT") == "" {
			return false
		}
	case "none":
		return false
	default:
		log.Warn("nothing is traced: OTEL_TRACES_EXPORTER may be otlp or none", "is", exporter)
		return false
	}
	protocol := cmp.Or(os.Getenv("OTEL_EXPORTER_OTLP_TRACES_PROTOCOL"), os.Getenv("OTEL_EXPORTER_OTLP_PROTOCOL"), "http/protobuf")
	if protocol != "http/protobuf" && protocol != "http/json" {
		log.Warn("nothing is traced: OTEL_EXPORTER_OTLP_PROTOCOL may be http/protobuf or http/json", "is", protocol)
		return false
	}
	return true
}
