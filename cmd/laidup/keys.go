package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"laidup/internal/access"
	"laidup/internal/config"
)

type keysCommand struct {
	Create keysCreateCommand `cmd:"" help:"Make an API key and show it, this once."`
	List   keysListCommand   `cmd:"" help:"List API keys, without what is secret."`
	Revoke keysRevokeCommand `cmd:"" help:"Revoke an API key for good."`
}

// withKeys lets do work with the keys of a store.
func withKeys(ctx context.Context, c config.Store, do func(*access.Keys) error) error {
	st, err := openStore(ctx, c)
	if err != nil {
		return err
	}
	return errors.Join(do(access.New(st, nil, nil)), st.Close())
}

type keysCreateCommand struct {
	config.Store
	Organisation string         `default:"workshop" help:"Organisation that the key is of: everything posted with it belongs to that, and is unknown to others."`
	Label        string         `required:"" help:"What the key is for."`
	Scopes       []access.Scope `default:"reports,read" help:"What it may be used for: some of reports, read, rule_sets, webhooks, admin, with commas between."`
	ExpiresIn    time.Duration  `help:"After how long it ends, as 720h; never unless given."`
}

// Run makes a key.
func (c *keysCreateCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(keys *access.Keys) error {
		order := access.Order{Organisation: c.Organisation, Label: c.Label, Scopes: c.Scopes}
		if c.ExpiresIn != 0 {
			order.ExpiresAt = time.Now().Add(c.ExpiresIn)
		}
		token, key, err := keys.Create(ctx, order)
		if err != nil {
			return err
		}
		fmt.Fprintf(t.err, "The key %s of %s, for %s. It is shown this once: keep it as you would a password.\n", key.ID, key.Organisation, key.Label)
		fmt.Fprintln(t.out, token)
		return nil
	})
}

type keysListCommand struct {
	config.Store
	Organisation string `help:"List the keys of this organisation only."`
}

// Run lists keys.
func (c *keysListCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(keys *access.Keys) error {
		list, err := keys.List(ctx, c.Organisation)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(t.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, "KEY\tORGANISATION\tLABEL\tSCOPES\tMADE\tENDS\tLAST USED")
		for _, k := range list {
			ends := day(k.ExpiresAt, "never")
			if !k.RevokedAt.IsZero() {
				ends = "revoked " + day(k.RevokedAt, "")
			}
			var scopes []string
			for _, s := range k.Scopes {
				scopes = append(scopes, string(s))
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Organisation, k.Label, strings.Join(scopes, ","), day(k.CreatedAt, ""), ends, day(k.LastUsedAt, "never"))
		}
		return w.Flush()
	})
}

func day(at time.Time, otherwise string) string {
	if at.IsZero() {
		return otherwise
	}
	return at.UTC().Format(time.DateOnly)
}

type keysRevokeCommand struct {
	config.Store
	Organisation string `default:"workshop" help:"Organisation that the key is of."`
	Key          string `arg:"" help:"The key's name in the list: what stands between lu_ and the last _."`
}

// Run revokes a key.
func (c *keysRevokeCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(keys *access.Keys) error {
		if err := keys.Revoke(ctx, c.Organisation, c.Key); err != nil {
			return err
		}
		fmt.Fprintf(t.out, "The key %s is revoked: servers that run refuse it within seconds.\n", c.Key)
		return nil
	})
}

// firstKey makes a key on the first start with an embedded store, so that programs that are to use
// the service have one. Standard error has the log, which others keep: no key goes there.
func firstKey(ctx context.Context, keys *access.Keys, t terminal) error {
	if list, err := keys.List(ctx, access.Workshop); err != nil || len(list) > 0 {
		return err
	}
	token, _, err := keys.Create(ctx, access.Order{Organisation: access.Workshop, Label: "made on the first start", Scopes: []access.Scope{access.Administration}})
	if err != nil {
		return err
	}
	fmt.Fprintf(t.out, "A first API key for your programs, shown this once: %s\nOn this machine itself none is needed.\n", token)
	return nil
}
