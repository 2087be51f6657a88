package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/config"
)

type keysCommand struct {
	Create keysCreateCommand `cmd:"" help:"Create an API key and show it once."`
	List   keysListCommand   `cmd:"" help:"List API keys, without their secrets."`
	Revoke keysRevokeCommand `cmd:"" help:"Revoke an API key permanently."`
}

// withKeys lets do work with the keys of a store.
func withKeys(ctx context.Context, c config.Store, do func(context.Context, *access.Keys) error) error {
	st, err := openStore(ctx, c)
	if err != nil {
		return err
	}
	ctx = assess.By(ctx, assess.Actor{Through: assess.ByCommand})
	return errors.Join(do(ctx, access.New(st, nil, nil)), st.Close())
}

type keysCreateCommand struct {
	config.Store
	Organisation string         `default:"workshop" help:"Organisation of the key. Its data is invisible to other organisations."`
	Label        string         `required:"" help:"Description of what the key is for."`
	Scopes       []access.Scope `default:"reports,read" help:"Scopes, separated by commas: reports, read, rule_sets, webhooks, admin."`
	ExpiresIn    time.Duration  `help:"Lifetime of the key, such as 720h. Default: no end."`
}

// Run makes a key.
func (c *keysCreateCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(ctx context.Context, keys *access.Keys) error {
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
	Organisation string `help:"List only the keys of this organisation."`
}

// Run lists keys.
func (c *keysListCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(ctx context.Context, keys *access.Keys) error {
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
	Organisation string `default:"workshop" help:"Organisation of the key."`
	Key          string `arg:"" help:"The key's name in the list: the part between lu_ and the last _."`
}

// Run revokes a key.
func (c *keysRevokeCommand) Run(ctx context.Context, t terminal) error {
	return withKeys(ctx, c.Store, func(ctx context.Context, keys *access.Keys) error {
		if err := keys.Revoke(ctx, c.Organisation, c.Key); err != nil {
			return err
		}
		fmt.Fprintf(t.out, "The key %s is revoked: servers that run refuse it within seconds.\n", c.Key)
		return nil
	})
}

// firstKey makes a key on the first start with an embedded store, so that programs that are to use
// the service have one. It goes into a file for the owner alone: what is written on a terminal is kept by
// others, in logs and journals.
func firstKey(ctx context.Context, keys *access.Keys, folder string, t terminal) error {
	if list, err := keys.List(ctx, access.Workshop); err != nil || len(list) > 0 {
		return err
	}
	file, err := os.CreateTemp(folder, firstKeyFile+".*") // of mode 0600
	if err != nil {
		return fmt.Errorf("make file for the first key: %w", err)
	}
	defer os.Remove(file.Name())
	token, key, err := keys.Create(ctx, access.Order{Organisation: access.Workshop, Label: "made on the first start", Scopes: []access.Scope{access.Administration}})
	if err != nil {
		return errors.Join(err, file.Close())
	}
	name := filepath.Join(folder, firstKeyFile)
	_, err = fmt.Fprintln(file, token)
	if err = errors.Join(err, file.Sync(), file.Close()); err == nil {
		err = os.Rename(file.Name(), name)
	}
	if err != nil { // nobody has it
		return errors.Join(fmt.Errorf("write the first key: %w", err), keys.Revoke(ctx, access.Workshop, key.ID))
	}
	fmt.Fprintf(t.out, "Your first API key, with full access, is in %s.\nRequests from this machine need no key.\n", name)
	return nil
}

// firstKeyFile is the name of the file with the key of the first start, beside the embedded store.
const firstKeyFile = "first.key"
