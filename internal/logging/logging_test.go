package logging_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"strings"
	"testing"
	"unicode"

	"laidup/internal/logging"
)

func TestALineHasWhatItsContextCarries(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	log := logging.Carrying(slog.New(slog.NewJSONHandler(&out, nil)))
	ctx := logging.With(t.Context(), slog.String("request", "r1"))
	job := logging.With(ctx, slog.String("assessment", "a1"), slog.Int("attempt", 1))
	again := logging.With(job, slog.Int("attempt", 2))
	for _, c := range []struct {
		ctx  context.Context
		own  []any
		want string
	}{
		{t.Context(), nil, `"msg":"m"}`},
		{ctx, nil, `"msg":"m","request":"r1"}`},
		{job, []any{"error", "e"}, `"msg":"m","request":"r1","assessment":"a1","attempt":1,"error":"e"}`},
		{again, nil, `"msg":"m","request":"r1","assessment":"a1","attempt":2}`},
		{job, nil, `"msg":"m","request":"r1","assessment":"a1","attempt":1}`}, // as it was before again
		{job, []any{"assessment", "a2"}, `"msg":"m","request":"r1","attempt":1,"assessment":"a2"}`},
	} {
		out.Reset()
		log.InfoContext(c.ctx, "m", c.own...)
		if !strings.HasSuffix(strings.TrimSpace(out.String()), c.want) {
			t.Errorf("%s does not end in %s", out.String(), c.want)
		}
	}
	out.Reset()
	log.With("part", "worker").InfoContext(ctx, "m")
	if !strings.HasSuffix(strings.TrimSpace(out.String()), `"msg":"m","part":"worker","request":"r1"}`) {
		t.Error(out.String())
	}
}

func TestALoggerCarriesOnce(t *testing.T) {
	t.Parallel()
	log := logging.Carrying(slog.New(slog.NewTextHandler(io.Discard, nil)))
	if logging.Carrying(log) != log {
		t.Error("a logger that carries was wrapped again")
	}
	logging.Carrying(nil).Info("goes nowhere")
}

// Whatever a value holds, it stays one value on one line: nobody writes lines of their own into the
// log.
func TestLinesCannotBeForged(t *testing.T) {
	t.Parallel()
	hostile := []string{
		"x\nlevel=ERROR msg=forged", "x\r\n{\"level\":\"ERROR\",\"msg\":\"forged\"}", "x\u2028msg=forged", "x\u0085msg=forged",
		`x" msg="forged`, `x","msg":"forged`, "x msg=forged", "x\x1b[2K\x1b[1Gmsg=forged", "x\x00\x7f", "x\xff\xfe\nmsg=forged", `x\nmsg=forged`, "x\u202emsg=forged",
	}
	for _, value := range hostile {
		for _, form := range []string{"text", "json"} {
			var out bytes.Buffer
			ctx := logging.With(t.Context(), slog.String("request", value))
			logging.New(&out, slog.LevelInfo, form == "json").InfoContext(ctx, "answered", "error", errorOf(value), "cause", value)
			line := strings.TrimSuffix(out.String(), "\n")
			if strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) && r != unicode.ReplacementChar }) {
				t.Errorf("%s: %q gives %q", form, value, line)
			}
			if form == "json" {
				var o map[string]any
				if err := json.Unmarshal([]byte(line), &o); err != nil || o["msg"] != "answered" || len(o) != 6 || strings.Count(line, `"msg":`) != 1 {
					t.Errorf("%q gives %s (%v)", value, line, err)
				}
				continue
			}
			if fields := textFields(t, line); fields["msg"] != "answered" || len(fields) != 6 {
				t.Errorf("%q gives %s", value, line)
			}
		}
	}
}

type errorOf string

func (e errorOf) Error() string { return string(e) }

// textFields reads a line of the text form as a log reader would: names, =, and values that stand in
// quotes where they have spaces, quotes or = in them.
func textFields(t *testing.T, line string) map[string]string {
	t.Helper()
	fields := map[string]string{}
	for line != "" {
		name, rest, ok := strings.Cut(line, "=")
		if !ok || fields[name] != "" || strings.ContainsAny(name, "\" ") {
			t.Fatalf("%q is not a field", line)
		}
		value := rest
		if strings.HasPrefix(rest, `"`) {
			end := 1
			for rest[end] != '"' {
				if rest[end] == '\\' {
					end++
				}
				end++
			}
			value = rest[:end+1]
		} else if space := strings.IndexByte(rest, ' '); space >= 0 {
			value = rest[:space]
		}
		fields[name] = value
		line = strings.TrimPrefix(rest[len(value):], " ")
	}
	return fields
}
