// Laidup decides whether a vehicle that has stood for years may be turned over, cranked and
// started, and what would happen if it were.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit statuses. A blocked and an unproven gate are one to a script: do not turn the key.
const (
	exitClear   = 0
	exitBlocked = 1
	exitBad     = 2 // bad input, or the program could not do its work
)

// commands is the command line.
type commands struct {
	Score   scoreCommand   `cmd:"" help:"Score reports offline: one verdict, the blocking list and the risk register. Several files are the dossier of one vehicle."`
	Check   checkCommand   `cmd:"" help:"Check reports and say everything that is wrong with them."`
	Batch   batchCommand   `cmd:"" help:"Score many reports, one a line, offline or on a server: one result a line, in the same order."`
	Serve   serveCommand   `cmd:"" help:"Serve the API and work on assessments."`
	Work    workCommand    `cmd:"" help:"Work on assessments that others take in: needs a database URL and a Redis URL."`
	Keys    keysCommand    `cmd:"" help:"Make, list and revoke API keys, in the store itself."`
	Migrate migrateCommand `cmd:"" help:"Bring the store's schema up to date."`
	Backup  backupCommand  `cmd:"" help:"Copy the embedded store, whole and checked, while it is in use."`
	Rules   rulesCommand   `cmd:"" help:"For who writes rule sets: lint, test, explain, diff, doc."`
	New     newCommand     `cmd:"" help:"Write a report to begin with."`
	Demo    demoCommand    `cmd:"" help:"Start everything on embedded defaults, take in three demo vehicles and show the answers."`
}

// terminal is what a command speaks to.
type terminal struct {
	in       io.Reader
	out, err io.Writer
	colour   bool // out is a terminal that shows colour
	watched  bool // err is a terminal: somebody sees how far it has got
	width    int  // characters a line
}

// status is an error that only sets the exit status: everything has been said.
type status int

func (s status) Error() string { return fmt.Sprintf("exit status %d", int(s)) }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	t := terminal{in: os.Stdin, out: os.Stdout, err: os.Stderr, width: 100}
	t.colour = isTerminal(os.Stdout) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	t.watched = isTerminal(os.Stderr)
	code := run(ctx, os.Args[1:], t)
	stop()
	os.Exit(code)
}

func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// run is main without the process around it.
func run(ctx context.Context, args []string, t terminal) (code int) {
	var c commands
	exited := -1
	parser, err := kong.New(&c,
		kong.Name("laidup"),
		kong.Description("Decides whether a vehicle that has stood for years may be turned over, cranked and started, and what would happen if it were.\n\nIt helps careful people think; it does not replace the maker's instructions, local law or licensed work."),
		kong.Writers(t.out, t.err),
		kong.Exit(func(status int) { exited = status }),
		kong.UsageOnError(),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(t),
	)
	if err != nil {
		fmt.Fprintln(t.err, "laidup:", err)
		return exitBad
	}
	parsed, err := parser.Parse(args)
	switch {
	case exited >= 0:
		return exited
	case err != nil:
		fmt.Fprintf(t.err, "laidup: %s\nSee laidup --help.\n", err)
		return exitBad
	}
	err = parsed.Run()
	var s status
	switch {
	case err == nil:
		return exitClear
	case errors.As(err, &s):
		return int(s)
	}
	fmt.Fprintln(t.err, "laidup:", err)
	return exitBad
}
