// Command dwellwatch watches vena cava filters beside a hospital's FHIR record. This package wires the parts together and
// is the only one that reads files, the environment and the time zone database for them.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

// cli is the command line. Exit status: 0 done, 1 failed, 2 wrong use.
type cli struct {
	Config configFile `help:"YAML file with settings; keys are the long option names." placeholder:"FILE" env:"DWELLWATCH_CONFIG"`

	Serve      serveCommand      `cmd:"" help:"Run the service: doors, queue, write-back. Example: DWELLWATCH_RECORD_URL=https://record.example.org/fhir dwellwatch serve"`
	Migrate    migrateCommand    `cmd:"" help:"Bring the database to the schema of this version. Example: dwellwatch migrate --database-url=postgres://…"`
	Assess     assessCommand     `cmd:"" help:"Assess FHIR files and print one JSON object per patient. Example: dwellwatch assess chart.json --on 2026-03-01"`
	Sweep      sweepCommand      `cmd:"" help:"Queue everyone whose answer can have changed by a day. Example: dwellwatch sweep --on 2026-03-01"`
	Policy     policyCommand     `cmd:"" help:"Print the thresholds or the rules, each with its source. Example: dwellwatch policy --rules"`
	Quarantine quarantineCommand `cmd:"" help:"Look after payloads that could not be read. Example: dwellwatch quarantine list"`
	Demo       demoCommand       `cmd:"" help:"Show the whole job on an invented hospital. Example: dwellwatch demo --once"`
	Version    versionCommand    `cmd:"" help:"Print the version."`
}

// streams are where a command reads and writes.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
}

// run is the program without the process: arguments in, exit status out.
func run(ctx context.Context, args []string, io streams) int {
	var c cli
	status := -1
	bare := len(args) == 0
	if bare {
		// Without a command nothing was asked for: the usage is the message of a fault.
		args, io.out = []string{"--help"}, io.err
	}
	parser, err := kong.New(&c, kong.Name("dwellwatch"),
		kong.Description("Finds vena cava filters that should be coming out, and drafts the referral into the hospital's FHIR record. Every draft is for clinician review."),
		kong.Writers(io.out, io.err), kong.Exit(func(code int) { status = code }), kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(io), kong.UsageOnError(),
		kong.Resolvers(kong.ResolverFunc(fromEnvironment)))
	if err != nil {
		fmt.Fprintln(io.err, "dwellwatch:", err)
		return 1
	}
	readQuietly(parser.Model.Node)
	cmd, err := parser.Parse(args)
	if bare {
		return 2
	}
	if status >= 0 {
		return status // --help
	}
	if err != nil {
		var usage usageError
		if errors.As(err, &usage) {
			err = usage // without what kong puts around it
		}
		if word, found := strings.CutPrefix(err.Error(), "unexpected argument "); found && strings.Trim(word, "abcdefghijklmnopqrstuvwxyz") != "" {
			err = usageError{"there is an argument too many; it is not repeated here, because it may hold a secret"}
		}
		fmt.Fprintln(io.err, "dwellwatch:", err)
		fmt.Fprintln(io.err, "Try: dwellwatch --help")
		return 2
	}
	warnUnknown(parser, cmd, io)
	if err := cmd.Run(); err != nil {
		var usage usageError
		if errors.As(err, &usage) {
			fmt.Fprintln(io.err, "dwellwatch:", err)
			return 2
		}
		fmt.Fprintln(io.err, "dwellwatch:", err)
		return 1
	}
	return 0
}

// usageError is a fault of how the command was called.
type usageError struct{ text string }

func (e usageError) Error() string { return e.text }
