package main

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func TestKeysAreMadeListedAndRevokedInTheStore(t *testing.T) {
	dir := t.TempDir()
	code, token, errs := session(t, "", "keys", "create", "--data", dir, "--organisation", "brennick-motors", "--label", "the form", "--expires-in", "720h")
	if code != 0 || !regexp.MustCompile(`^lu_[a-z2-7]{10}_[a-z2-7]{26}\n$`).MatchString(token) || !strings.Contains(errs, "shown this once") {
		t.Fatalf("status %d: %q %s", code, token, errs)
	}
	id := token[3:13]
	code, out, _ := session(t, "", "keys", "list", "--data", dir)
	if code != 0 || !strings.Contains(out, id) || !strings.Contains(out, "read,reports") || strings.Contains(out, token[14:30]) {
		t.Errorf("status %d: %s", code, out)
	}
	if code, _, errs := session(t, "", "keys", "revoke", id, "--data", dir); code != exitBad || !strings.Contains(errs, "no such key") {
		t.Errorf("of another organisation: status %d: %s", code, errs)
	}
	if code, _, errs := session(t, "", "keys", "revoke", id, "--data", dir, "--organisation", "brennick-motors"); code != 0 {
		t.Errorf("status %d: %s", code, errs)
	}
	if _, out, _ := session(t, "", "keys", "list", "--data", dir, "--organisation", "brennick-motors"); !strings.Contains(out, "revoked 20") {
		t.Errorf("list %s", out)
	}
	if code, _, errs := session(t, "", "keys", "create", "--data", dir, "--organisation", "Brennick Motors", "--label", "x", "--scopes", "all"); code != exitBad || !strings.Contains(errs, "is not a name") || !strings.Contains(errs, `no scope "all"`) {
		t.Errorf("status %d: %s", code, errs)
	}
}

func TestWithoutKeysNothingIsServedToOtherMachines(t *testing.T) {
	for _, flags := range [][]string{{"--addr", "0.0.0.0:0"}, {"--addr", ":0"}, {"--addr", "127.0.0.1:0", "--require-keys"}} {
		code, _, errs := session(t, "", append([]string{"serve", "--data", t.TempDir()}, flags...)...)
		if code != exitBad || !strings.Contains(errs, "laidup keys create") {
			t.Errorf("%v: status %d: %s", flags, code, errs)
		}
	}
}

func TestTheFirstStartMakesAKeyAndPutsItIntoAFile(t *testing.T) {
	dir := t.TempDir()
	shown := regexp.MustCompile(`lu_[a-z2-7]{10}_[a-z2-7]{26}`)
	addr := freeAddr(t)
	p := launch(t, addr, "serve", "--addr", addr, "--data", dir)
	file := filepath.Join(dir, "first.key")
	p.eventually(t, "it says where the key is", func() bool { return strings.Contains(p.output(), file) })
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if found, err := os.Stat(file); err != nil || found.Mode() != 0o600 {
		t.Errorf("the file is %v, %v", found.Mode(), err)
	}
	p.key = shown.FindString(string(text))
	if shown.MatchString(p.log() + p.output()) {
		t.Errorf("the key is shown: %s%s", p.output(), p.log())
	}
	if status, data, err := p.get("/v1/keys"); err != nil || status != http.StatusOK || !strings.Contains(string(data), `"organisation":"workshop"`) {
		t.Errorf("%d %s (%v)", status, data, err)
	}
	p.kill()
	again := launch(t, addr, "serve", "--addr", addr, "--data", dir, "--require-keys")
	if shown.MatchString(again.output() + again.log()) {
		t.Errorf("a key is shown again: %s%s", again.output(), again.log())
	}
	if status, _, err := again.get("/v1/vehicles"); err != nil || status != http.StatusUnauthorized {
		t.Errorf("without a key: %d (%v)", status, err)
	}
	again.key = p.key
	if status, _, err := again.get("/v1/vehicles"); err != nil || status != http.StatusOK {
		t.Errorf("with the key: %d (%v)", status, err)
	}
}
