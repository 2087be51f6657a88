package access_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/access/accesstest"
)

func TestTheFake(t *testing.T) {
	accesstest.Store(t, func(*testing.T) access.Store { return new(accesstest.Memory) })
}

// office is keys with a clock that is set by hand.
type office struct {
	*access.Keys
	store *accesstest.Memory
	now   time.Time
}

func open() *office {
	o := &office{store: new(accesstest.Memory), now: time.Date(2026, 5, 2, 9, 0, 0, 0, time.UTC)}
	o.Keys = access.New(o.store, func() time.Time { return o.now }, nil)
	return o
}

func (o *office) create(t *testing.T, scopes ...access.Scope) (string, access.Key) {
	t.Helper()
	token, key, err := o.Create(t.Context(), access.Order{Organisation: "brennick-motors", Label: "form", Scopes: scopes, ExpiresAt: o.now.Add(24 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	return token, key
}

func (o *office) knows(t *testing.T, token string) bool {
	t.Helper()
	_, err := o.Authenticate(t.Context(), token)
	if err != nil && !errors.Is(err, access.ErrUnknownKey) {
		t.Fatal(err)
	}
	return err == nil
}

func TestAKeyIsRecognisedUntilItEnds(t *testing.T) {
	o := open()
	token, made := o.create(t, access.PostReports)
	if !regexp.MustCompile(`^lu_[a-z2-7]{10}_[a-z2-7]{26}$`).MatchString(token) || !strings.Contains(token, made.ID) {
		t.Errorf("key %s of %s", token, made.ID)
	}
	key, err := o.Authenticate(t.Context(), token)
	if err != nil || key.Organisation != "brennick-motors" || !key.May(access.PostReports) || !key.LastUsedAt.Equal(o.now) {
		t.Fatalf("%+v (%v)", key, err)
	}
	o.now = o.now.Add(24*time.Hour - 1)
	if !o.knows(t, token) {
		t.Error("it ended too early")
	}
	o.now = o.now.Add(1)
	if o.knows(t, token) {
		t.Error("it did not expire")
	}
}

func TestARevokedKeyIsUnknownAtOnce(t *testing.T) {
	o := open()
	token, made := o.create(t, access.Read)
	if !o.knows(t, token) {
		t.Fatal("it is unknown")
	}
	if err := o.Revoke(t.Context(), "harrow-lane", made.ID); !errors.Is(err, access.ErrNotFound) {
		t.Errorf("by strangers: %v", err)
	}
	if err := o.Revoke(t.Context(), "brennick-motors", made.ID); err != nil {
		t.Fatal(err)
	}
	if o.knows(t, token) {
		t.Error("it is still good")
	}
}

func TestNothingButTheKeyIsTheKey(t *testing.T) {
	o := open()
	token, made := o.create(t, access.Read)
	other, _ := o.create(t, access.Read)
	for _, wrong := range []string{"", "lu_", made.ID, token[:len(token)-1], token + "a", strings.ToUpper(token), " " + token,
		token[:13] + other[13:], token[:len(token)-1] + string('a'+('b'-token[len(token)-1]+26)%2)} {
		if wrong != token && o.knows(t, wrong) {
			t.Errorf("%q is taken for %q", wrong, token)
		}
	}
	if _, digest, err := o.store.KeyByID(t.Context(), made.ID); err != nil || strings.Contains(digest, token[14:]) || len(digest) != 64 {
		t.Errorf("stored is %q (%v)", digest, err)
	}
}

func TestScopes(t *testing.T) {
	for _, c := range []struct {
		has access.Scope
		may []access.Scope
		not []access.Scope
	}{
		{access.Read, []access.Scope{access.Read}, []access.Scope{access.PostReports, access.PublishRules, access.Administration}},
		{access.PostReports, []access.Scope{access.Read, access.PostReports}, []access.Scope{access.PublishRules, access.Administration}},
		{access.PublishRules, []access.Scope{access.PublishRules}, []access.Scope{access.Read, access.PostReports, access.Administration}},
		{access.Administration, access.Scopes, nil},
	} {
		k := access.Key{Scopes: []access.Scope{c.has}}
		for _, s := range c.may {
			if !k.May(s) {
				t.Errorf("%s does not open %s", c.has, s)
			}
		}
		for _, s := range c.not {
			if k.May(s) {
				t.Errorf("%s opens %s", c.has, s)
			}
		}
	}
}

func TestAnOrderThatCannotBeFilledSaysAllThatIsWrong(t *testing.T) {
	o := open()
	_, _, err := o.Create(t.Context(), access.Order{Organisation: "Brennick Motors", Label: " ", Scopes: []access.Scope{"all"}, ExpiresAt: o.now})
	var wrong access.OrderError
	if !errors.As(err, &wrong) || len(wrong) != 4 {
		t.Errorf("%v", err)
	}
	if any, err := o.Any(t.Context()); any || err != nil {
		t.Errorf("a key was made (%v)", err)
	}
}
