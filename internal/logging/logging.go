// Package logging lets every line of the log say what it belongs to: a context carries the ids of
// the request or the job in hand, and whatever is logged under it has them.
package logging

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"unicode"
)

// New returns a logger to w in the form of text, or of JSON. One line is one event in both: what
// clients send may end up in a value, but neither ends the line nor looks like another value.
func New(w io.Writer, level slog.Leveler, inJSON bool) *slog.Logger {
	if !inJSON {
		return Carrying(slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level})))
	}
	// The text form escapes whatever cannot be printed. That of JSON leaves in what JSON allows, and
	// some of that moves the cursor of whoever reads along in a terminal.
	clean := func(_ []string, a slog.Attr) slog.Attr {
		switch v := a.Value.Any().(type) {
		case string:
			a.Value = slog.StringValue(printable(v))
		case error:
			a.Value = slog.StringValue(printable(v.Error()))
		case fmt.Stringer:
			if a.Value.Kind() == slog.KindAny { // not a duration or a time, which the handler knows better
				a.Value = slog.StringValue(printable(v.String()))
			}
		}
		return a
	}
	return Carrying(slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level, ReplaceAttr: clean})))
}

// printable replaces what cannot be printed and JSON does not escape.
func printable(s string) string {
	odd := func(r rune) bool { return r >= 0x7f && !unicode.IsPrint(r) }
	if strings.IndexFunc(s, odd) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if odd(r) {
			return unicode.ReplacementChar
		}
		return r
	}, s)
}

type carried struct{}

// With returns a context under which every line has the attributes given, besides those that lines
// under ctx have. A name that ctx carries already gets the new value.
func With(ctx context.Context, attrs ...slog.Attr) context.Context {
	before, _ := ctx.Value(carried{}).([]slog.Attr)
	all := slices.Clone(before)
	for _, a := range attrs {
		if at := indexOf(all, a.Key); at >= 0 {
			all[at] = a
		} else {
			all = append(all, a)
		}
	}
	return context.WithValue(ctx, carried{}, all)
}

// Without returns a context under which lines have no attribute of a name.
func Without(ctx context.Context, name string) context.Context {
	before, _ := ctx.Value(carried{}).([]slog.Attr)
	if indexOf(before, name) < 0 {
		return ctx
	}
	return context.WithValue(ctx, carried{}, slices.DeleteFunc(slices.Clone(before), func(a slog.Attr) bool { return a.Key == name }))
}

func indexOf(attrs []slog.Attr, key string) int {
	return slices.IndexFunc(attrs, func(a slog.Attr) bool { return a.Key == key })
}

// Carrying returns a logger to the same place whose lines have what their contexts carry. A logger
// that is one already is returned as it is; nil gives one that discards everything.
func Carrying(l *slog.Logger) *slog.Logger {
	if l == nil {
		return slog.New(slog.DiscardHandler)
	}
	if _, is := l.Handler().(handler); is {
		return l
	}
	return slog.New(handler{l.Handler()})
}

// handler adds what the context carries, and leaves form and escapes to the handler behind it.
type handler struct{ slog.Handler }

// Handle implements [slog.Handler]. What the line says of itself goes before what the context says.
func (h handler) Handle(ctx context.Context, line slog.Record) error {
	attrs, _ := ctx.Value(carried{}).([]slog.Attr)
	if len(attrs) == 0 {
		return h.Handler.Handle(ctx, line)
	}
	var own []slog.Attr
	line.Attrs(func(a slog.Attr) bool {
		own = append(own, a)
		return true
	})
	whole := slog.NewRecord(line.Time, line.Level, line.Message, line.PC)
	for _, a := range attrs {
		if indexOf(own, a.Key) < 0 {
			whole.AddAttrs(a)
		}
	}
	whole.AddAttrs(own...)
	return h.Handler.Handle(ctx, whole)
}

// WithAttrs implements [slog.Handler].
func (h handler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return handler{h.Handler.WithAttrs(attrs)}
}

// WithGroup implements [slog.Handler].
func (h handler) WithGroup(name string) slog.Handler { return handler{h.Handler.WithGroup(name)} }
