package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/config"
	"laidup/internal/store"
	"laidup/internal/webhook"
	"laidup/schema"
)

type verifyCommand struct {
	config.Store
	WebhookKey string `env:"LAIDUP_WEBHOOK_KEY" help:"Key that encrypts webhook secrets, to check that it opens them. Default: webhook.key in the data folder, if there is one."`
	Recompute  howOld `default:"0" help:"Score this many stored assessments again, newest first, or all, and compare."`
}

// howOld is a number, or all.
type howOld int

// UnmarshalText reads it.
func (n *howOld) UnmarshalText(text []byte) error {
	if string(text) == "all" {
		*n = math.MaxInt
		return nil
	}
	v, err := strconv.Atoi(string(text))
	if err != nil || v < 0 {
		return errors.New("give a number of assessments, or all")
	}
	*n = howOld(v)
	return nil
}

// Run looks through a store.
func (c *verifyCommand) Run(ctx context.Context, t terminal) (err error) {
	key, err := c.key()
	if err != nil {
		return err
	}
	migrations, err := fs.Sub(schema.FS, "migrations")
	if err != nil {
		return fmt.Errorf("find migrations: %w", err)
	}
	st, err := store.OpenToRead(ctx, store.Options{DataDir: c.Data, DatabaseURL: c.DatabaseURL, Migrations: migrations})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	files, closeFiles, err := c.files(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeFiles()) }()
	service, err := assess.New(assess.Options{Store: st, Attachments: st, Files: files, RuleSets: builtin.RuleSets(), Loader: builtin.Loader()})
	if err != nil {
		return err
	}
	checks := store.Checks{
		Report: service.CheckReport, Assessment: assess.Assessment.CheckBody, Plan: assess.Plan.CheckBody,
		Recompute: service.Recompute, Recomputed: int(c.Recompute),
	}
	if files != nil {
		checks.Photo = service.CheckPhoto
	}
	if key != nil {
		checks.Secret = key.Opens
	}
	wrong := 0
	looked, err := st.Verify(ctx, checks, func(f store.Flaw) {
		wrong++
		whose := ""
		if f.Whose != "" {
			whose = " of " + f.Whose
		}
		fmt.Fprintf(t.out, "%s%s: %s.\n    To fix it: %s.\n", printable(f.Of), printable(whose), printable(f.Is), printable(f.Mend))
	})
	if err != nil {
		return err
	}
	var counts []string
	for _, l := range looked {
		if l.What == "photos" && files == nil {
			l.What = "photos without their files (say by --attachments where these are)"
		}
		counts = append(counts, fmt.Sprintf("%s %d", l.What, l.N))
	}
	seen := strings.Join(counts, ", ")
	if wrong > 0 {
		fmt.Fprintf(t.out, "%d %s wrong. Looked at: %s.\n", wrong, are(wrong), seen)
		return status(exitBlocked)
	}
	fmt.Fprintf(t.out, "All is well: %s.\n", seen)
	return nil
}

// files are where attachments are kept; nil: nobody has said. No folder is made.
func (c *verifyCommand) files(ctx context.Context) (assess.Files, func() error, error) {
	if _, err := os.Stat(filepath.Join(c.Data, photoFolder)); c.Attachments == "" && c.DatabaseURL == "" && errors.Is(err, fs.ErrNotExist) {
		return noFiles{}, func() error { return nil }, nil
	}
	b, err := openFiles(ctx, c.Store)
	if err != nil || b == nil {
		return nil, func() error { return nil }, err
	}
	return b, b.Close, nil
}

// noFiles is a folder that is not there.
type noFiles struct{ assess.Files }

// Open implements [assess.Files].
func (noFiles) Open(context.Context, string) (io.ReadSeekCloser, error) {
	return nil, assess.ErrNotFound
}

func are(n int) string {
	if n == 1 {
		return "thing is"
	}
	return "things are"
}

// key is the key for webhooks that is at hand; nil: none is.
func (c *verifyCommand) key() (*webhook.Key, error) {
	switch {
	case c.WebhookKey != "":
		return webhook.ParseKey(c.WebhookKey)
	case c.DatabaseURL == "":
		return webhook.FindKey(c.Data)
	}
	return nil, nil
}
