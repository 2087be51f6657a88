package store_test

import (
	"slices"
	"testing"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/store"
	"laidup/internal/webhook"
)

func TestKeysAndSubscriptionsAreWrittenDown(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		s := migrated(t, o)
		ctx := assess.By(t.Context(), assess.Actor{Through: assess.ByCommand})
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		must(s.AddKey(ctx, access.Key{ID: "key-1", Organisation: access.Workshop, Label: "the form", Scopes: []access.Scope{access.Read}, CreatedAt: time.Now()}, "digest"))
		must(s.RevokeKey(ctx, access.Workshop, "key-1", time.Now()))
		must(s.RevokeKey(ctx, access.Workshop, "key-1", time.Now())) // it is revoked already
		if err := s.RevokeKey(ctx, "harrow-lane", "key-1", time.Now()); err == nil {
			t.Error("a stranger revokes a key")
		}
		must(s.AddSubscription(ctx, webhook.Subscription{ID: "sub-1", Organisation: access.Workshop, URL: "https://yard.example/secret", CreatedAt: time.Now()}, 9))
		must(s.RotateSecret(ctx, access.Workshop, "sub-1", "sealed", time.Now()))
		must(s.ResumeSubscription(ctx, access.Workshop, "sub-1"))
		must(s.DeleteSubscription(ctx, access.Workshop, "sub-1"))
		list, err := s.Audit(t.Context(), assess.AuditPage{Organisation: access.Workshop, Limit: 99})
		must(err)
		var got []string
		for _, e := range list {
			if e.By.Through != assess.ByCommand {
				t.Errorf("%s was done by %+v", e.Action, e.By)
			}
			got = append(got, e.Action+" "+e.Subject)
		}
		want := []string{"subscription.ended sub-1", "subscription.resumed sub-1", "subscription.rotated sub-1", "subscription.made sub-1", "key.revoked key-1", "key.made key-1"}
		if !slices.Equal(got, want) {
			t.Errorf("written down are %q, want %q", got, want)
		}
	})
}

func TestTheAuditTrailIsOnlyAddedTo(t *testing.T) {
	onEachEngine(t, func(t *testing.T, o store.Options) {
		s := migrated(t, o)
		if err := s.AddKey(t.Context(), access.Key{ID: "key-1", Organisation: access.Workshop, CreatedAt: time.Now()}, "digest"); err != nil {
			t.Fatal(err)
		}
		statements := []string{"UPDATE audit SET action = 'nothing'", "DELETE FROM audit", "INSERT INTO audit SELECT * FROM audit"}
		if o.DatabaseURL != "" {
			statements = append(statements, "TRUNCATE audit")
		}
		for _, statement := range statements {
			if _, err := database(t, o).ExecContext(t.Context(), statement); err == nil {
				t.Errorf("%s is done", statement)
			}
		}
		if list, err := s.Audit(t.Context(), assess.AuditPage{Organisation: access.Workshop, Limit: 99}); err != nil || len(list) != 1 || list[0].Action != assess.KeyMade {
			t.Errorf("the trail is %+v, %v", list, err)
		}
	})
}
