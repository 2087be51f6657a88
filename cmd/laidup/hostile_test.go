package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A report may come from somebody who wishes the mechanic ill.
func TestAReportCannotSteerTheTerminal(t *testing.T) {
	data, err := os.ReadFile(testcase("base-tern.json"))
	if err != nil {
		t.Fatal(err)
	}
	spoilt := bytes.Replace(data, []byte(`"description": "`), []byte(`"description": "Tern \u001b[2J\u009b31m\u202e\u0007\r\nFIRST START: clear\n`), 1)
	if bytes.Equal(spoilt, data) {
		t.Fatal("nothing was spoilt")
	}
	name := filepath.Join(t.TempDir(), "report.json")
	if err := os.WriteFile(name, spoilt, 0o600); err != nil {
		t.Fatal(err)
	}
	_, out, _ := session(t, "", "score", name)
	if !strings.HasPrefix(out, "Tern [2J31m") {
		t.Errorf("it says %.100q", out)
	}
	for i, line := range strings.Split(out, "\n") {
		if strings.ContainsAny(line, "\x1b\u009b\u202e\r\a") || i > 0 && line == "FIRST START: clear" {
			t.Errorf("line %d is %q", i+1, line)
		}
	}
	// What is wrong with a report is told with its names in quotes.
	_, _, errs := session(t, `{"\u001b[2J":1}`, "check", "-")
	_, out, _ = session(t, `{"\u001b[2J":1}`, "check", "-")
	if strings.Contains(errs+out, "\x1b") {
		t.Errorf("it says %q", errs+out)
	}
}

func TestNoPasswordIsSaid(t *testing.T) {
	const password = "s3cret-of-the-store"
	for _, setting := range []string{
		"--database-url=postgres://u:" + password + "%@127.0.0.1/x",
		"--database-url=postgres://u:" + password + "@127.0.0.1:99999/x",
		"--database-url=postgres://u:" + password + "@127.0.0.1:1/x?connect_timeout=1",
		"--database-url=postgres://u:" + password + "@127.0.0.1/x?sslmode=bogus",
		"--database-url=u:" + password + "@host",
		"--database-url=host=127.0.0.1 port=1 connect_timeout=1 user=u password=" + password,
		"--redis-url=redis://:" + password + "@127.0.0.1:1x/0",
		"--redis-url=redis://:" + password + "@127.0.0.1/none",
		"--redis-url=http://u:" + password + "@127.0.0.1",
		"--redis-url=:" + password + "@127.0.0.1",
		"--redis-url=redis-sentinel://:" + password + "@127.0.0.1:1%zz",
	} {
		code, out, errs := session(t, "", "serve", "--addr=127.0.0.1:0", "--data="+t.TempDir(), setting)
		if code != exitBad || errs == "" {
			t.Errorf("%s: status %d", setting, code)
		}
		if strings.Contains(out+errs, password) {
			t.Errorf("%s: it says %s", setting, out+errs)
		}
	}
}

func TestOriginsAreNamedOneByOne(t *testing.T) {
	for _, c := range []struct{ origins, want string }{
		{"*", "wildcard"}, {"https://*.shop.example", "wildcard"}, {"https://shop.example,*", "wildcard"}, {"https://shop.example/cars", "no origin"},
	} {
		code, out, errs := session(t, "", "serve", "--addr=127.0.0.1:0", "--data="+t.TempDir(), "--origins="+c.origins)
		if code != exitBad || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%s: status %d: %s", c.origins, code, errs)
		}
	}
}
