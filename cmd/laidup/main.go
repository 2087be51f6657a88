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
	"time"

	"github.com/alecthomas/kong"

	"laidup/internal/calendar"
)

// Exit statuses. A blocked and an unproven gate are one to a script: do not turn the key.
const (
	exitClear   = 0
	exitBlocked = 1
	exitBad     = 2 // bad input, or the program could not do its work
)

// commands is the command line.
type commands struct {
	ShowVersion kong.VersionFlag `name:"version" help:"Show the version."`

	Score   scoreCommand   `cmd:"" help:"Score reports offline: verdict, blocking list and risk register. Several files form the dossier of one vehicle."`
	Plan    planCommand    `cmd:"" help:"Plan the work until a gate is clear, offline: what to take apart, in which order, the parts, hours and dates."`
	Check   checkCommand   `cmd:"" help:"Check reports and list every problem."`
	Batch   batchCommand   `cmd:"" help:"Score many reports, one per line, offline or on a server. Results come one per line, in the same order."`
	Serve   serveCommand   `cmd:"" help:"Serve the API and score assessments."`
	Work    workCommand    `cmd:"" help:"Score assessments for other servers. Needs a database URL and a Redis URL."`
	Keys    keysCommand    `cmd:"" help:"Create, list and revoke API keys in the store."`
	Migrate migrateCommand `cmd:"" help:"Update the store's schema."`
	Backup  backupCommand  `cmd:"" help:"Back up the embedded store with its photos while it is in use, and check the copy."`
	Verify  verifyCommand  `cmd:"" help:"Check a store for damage and contradictions, without changing anything."`
	Export  exportCommand  `cmd:"" help:"Export all data of an organisation from the store, one JSON record per line."`
	Import  importCommand  `cmd:"" help:"Import an export into an organisation in the store. Importing it again changes nothing."`
	Rules   rulesCommand   `cmd:"" help:"Tools for writing rule sets: lint, test, explain, diff, doc."`
	Jobs    jobsCommand    `cmd:"" help:"Tools for writing job books: lint."`
	New     newCommand     `cmd:"" help:"Write a starter report."`
	Demo    demoCommand    `cmd:"" help:"Start everything with embedded defaults, submit three demo vehicles and show the results."`
	Version versionCommand `cmd:"" help:"Show the version and the built-in rule sets."`
}

// terminal is what a command speaks to.
type terminal struct {
	in       io.Reader
	out, err io.Writer
	colour   bool         // out is a terminal that shows colour
	watched  bool         // err is a terminal: somebody sees how far it has got
	width    int          // characters a line
	today    calendar.Day // by this machine's clock; commands that keep nothing only warn by it
}

// status is an error that only sets the exit status: everything has been said.
type status int

func (s status) Error() string { return fmt.Sprintf("exit status %d", int(s)) }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	t := terminal{in: os.Stdin, out: os.Stdout, err: os.Stderr, width: 100, today: calendar.DayOf(time.Now().Date())}
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
		kong.Vars{"version": versionLine()},
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
