package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"laidup/internal/config"
	"laidup/internal/store"
)

type backupCommand struct {
	config.Store
	To string `required:"" help:"Folder for the copy. The copy's name contains the time."`
}

// Run copies the embedded store.
func (c *backupCommand) Run(ctx context.Context, t terminal) error {
	if c.DatabaseURL != "" {
		return errors.New("PostgreSQL is backed up by its own pg_dump --format=custom, see docs/operations.md")
	}
	file := filepath.Join(c.To, "laidup-"+time.Now().UTC().Format("20060102T150405Z")+".db")
	if err := store.Backup(ctx, c.Data, file); err != nil {
		return err
	}
	fmt.Fprintln(t.out, file)
	return nil
}
