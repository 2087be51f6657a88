package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/google/uuid"

	"laidup/internal/assess"
	"laidup/internal/builtin"
	"laidup/internal/config"
	"laidup/internal/ruleset"
	"laidup/internal/store"
)

type exportCommand struct {
	config.Store
	Organisation string `default:"workshop" help:"Organisation whose data to export."`
	To           string `required:"" help:"File to write, which must not exist yet, or - for standard output."`
}

// Run exports the data of an organisation from the store itself.
func (c *exportCommand) Run(ctx context.Context, t terminal) error {
	return withAccount(ctx, c.Store, c.Organisation, func(ctx context.Context, own assess.Account, st *store.Store) error {
		list, err := st.Subscriptions(ctx, c.Organisation)
		if err != nil {
			return err
		}
		var subscriptions []assess.ExportedSubscription
		for _, s := range list {
			subscriptions = append(subscriptions, assess.ExportedSubscription{ID: s.ID, URL: s.URL, Types: s.Types, CreatedAt: s.CreatedAt})
		}
		missing := 0
		write := func(to io.Writer) error {
			export, err := own.Export(ctx, subscriptions)
			if err != nil {
				return err
			}
			if err := export.Write(ctx, to); err != nil {
				return err
			}
			missing = export.MissingPhotos()
			return nil
		}
		if c.To == "-" {
			if err := write(t.out); err != nil {
				return err
			}
			return lacking(missing)
		}
		if err := writeNew(c.To, write); err != nil {
			return fmt.Errorf("export to %s: %w", c.To, err)
		}
		fmt.Fprintln(t.out, c.To)
		return lacking(missing)
	})
}

// lacking says that an export has not all photos.
func lacking(missing int) error {
	if missing == 0 {
		return nil
	}
	return fmt.Errorf("%d photos that reports link are not in the export, since they were not found: say by --attachments where they are kept, or restore them (laidup verify lists them), and export again; all else is in it", missing)
}

type importCommand struct {
	config.Store
	Organisation string `default:"workshop" help:"Organisation that takes the data in."`
	From         string `arg:"" name:"file" help:"Export to take in, or - for standard input."`
}

// Run takes an export into the store itself. What is to be scored is found there by the service that runs on it, or by
// the next that is started.
func (c *importCommand) Run(ctx context.Context, t terminal) error {
	from := t.in
	if c.From != "-" {
		file, err := os.Open(c.From) // #nosec G304 -- who imports says from where
		if err != nil {
			return fmt.Errorf("import: %w", err)
		}
		defer file.Close()
		from = file
	}
	return withAccount(ctx, c.Store, c.Organisation, func(ctx context.Context, own assess.Account, _ *store.Store) error {
		done, err := own.Import(ctx, assess.ImportOrder{MaxLine: maxExported}, from)
		for _, r := range done.Refusals {
			fmt.Fprintf(t.out, "line %d is refused: %s\n", r.Line, printable(string(r.Problem)))
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(t.out, "Taken in from %s: %d reports, %d withdrawals, %d outcomes, %d photos, %d rule sets. Already there: %d. Left out: %d. Refused: %d.\n",
			done.Organisation, done.Reports, done.Withdrawals, done.Outcomes, done.Attachments, done.RuleSets, done.AlreadyThere, done.LeftOut, done.Refused)
		if done.Refused > 0 {
			return status(exitBlocked)
		}
		return nil
	})
}

// maxExported is how long a line of an export may be: a report or a rule set of the greatest size, each of whose letters
// may take two bytes.
const maxExported = 2*max(maxReport, ruleset.MaxSource) + 64<<10

// withAccount lets do work with what an organisation has in a store.
func withAccount(ctx context.Context, c config.Store, organisation string, do func(context.Context, assess.Account, *store.Store) error) error {
	st, err := openStore(ctx, c)
	if err != nil {
		return err
	}
	files, err := openFiles(ctx, c)
	if err != nil {
		return errors.Join(err, st.Close())
	}
	var kept assess.Files
	if files != nil {
		kept = files
	}
	service, err := assess.New(assess.Options{
		Store: st, Attachments: st, Files: kept, Queue: noQueue{}, RuleSets: builtin.RuleSets(), Loader: builtin.Loader(),
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() },
	})
	if err == nil {
		err = do(assess.By(ctx, assess.Actor{Through: assess.ByCommand}), service.For(organisation), st)
	}
	if files != nil {
		err = errors.Join(err, files.Close())
	}
	return errors.Join(err, st.Close())
}

// noQueue hands nothing over: a service that runs on the same store finds what waits there by itself.
type noQueue struct{}

var errNoQueue = errors.New("a command has no queue")

func (noQueue) Enqueue(context.Context, string, int) error       { return errNoQueue }
func (noQueue) Holds(context.Context, string, int) (bool, error) { return false, errNoQueue }
func (noQueue) Ping(context.Context) error                       { return errNoQueue }

// writeNew writes a file for its owner alone, which has its name once it is whole and on the disk.
func writeNew(name string, write func(io.Writer) error) (err error) {
	if _, err := os.Lstat(name); err == nil {
		return os.ErrExist
	}
	part, err := os.OpenFile(name+".part", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600) // #nosec G304 -- who exports says where to
	if err != nil {
		return err
	}
	to := bufio.NewWriterSize(part, 1<<20)
	err = write(to)
	if err == nil {
		err = errors.Join(to.Flush(), part.Sync())
	}
	if err = errors.Join(err, part.Close()); err != nil {
		return errors.Join(err, os.Remove(part.Name()))
	}
	return os.Rename(part.Name(), name)
}
