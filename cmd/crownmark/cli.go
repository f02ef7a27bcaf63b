package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"crownmark/fit/engine/strict"

	"github.com/alecthomas/kong"
)

// Exit statuses.
const (
	exitDone  = 0
	exitNot   = 1 // the work could not be done
	exitUsage = 2
)

type cli struct {
	Demo      demoCmd      `cmd:"" help:"Show the whole job on a virtual bench, no hardware needed."`
	Run       runCmd       `cmd:"" help:"Watch the instruments, record sweeps and serve the bench page."`
	Ports     portsCmd     `cmd:"" help:"List the serial ports, and what is heard on each."`
	Setup     setupCmd     `cmd:"" help:"Recognise the instruments and write a bench file."`
	Check     checkCmd     `cmd:"" help:"Find every mistake in a bench file, and in an engine file with --engine."`
	Fit       fitCmd       `cmd:"" help:"From recorded sweeps to the index table."`
	Calibrate calibrateCmd `cmd:"" help:"From an indicator's calibration points to its characteristics and its correction."`
	Study     studyCmd     `cmd:"" help:"From a gauge study's values to how far people, mountings and repeats agree."`
	Record    recordCmd    `cmd:"" help:"Without an encoder: read the damper's degree marks, height by height."`
	Capture   captureCmd   `cmd:"" help:"Write what the instruments say to a file, byte for byte, with its times."`
	Replay    replayCmd    `cmd:"" help:"Say a captured file again, on pseudo-terminals."`
	Simulate  simulateCmd  `cmd:"" help:"Write virtual sweeps, and the truth behind them."`
	Jobs      jobsCmd      `cmd:"" help:"List the jobs in the store."`
	Report    reportCmd    `cmd:"" help:"Write a job's report."`
	Export    exportCmd    `cmd:"" help:"Write a job's sweeps as CSV, raw readings and all."`
	Verify    verifyCmd    `cmd:"" help:"Check that nothing in the store was changed or lost."`
	Backup    backupCmd    `cmd:"" help:"Copy the store while it is in use."`

	Version versionFlag `help:"Print the version."`
}

const description = `True TDC and crank index from a crank turned by hand: an angle encoder on the nose, an indicator on each piston, one sweep each way through every top.

New here? Run "crownmark demo". A job of your own: let "crownmark setup" write a bench file, write an engine file, check them with "crownmark check", then "crownmark run --config bench.toml" and open the page it names.`

// stdio is where a command reads and writes.
type stdio struct {
	in       io.Reader
	out, err io.Writer
}

// Run is the whole program: it returns the exit status. ctx ends long work, as
// do the signals INT and TERM.
func Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) (status int) {
	ctx, stop := signal.NotifyContext(ctx, syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	type exited int
	defer func() {
		switch e := recover().(type) {
		case nil:
		case exited:
			status = int(e)
		default:
			panic(e)
		}
	}()
	var c cli
	io := stdio{stdin, stdout, stderr}
	parser, err := kong.New(&c, kong.Name("crownmark"), kong.Description(description), kong.Writers(stdout, stderr),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 96}), kong.Exit(func(code int) { panic(exited(code)) }),
		kong.PostBuild(func(k *kong.Kong) error { k.Model.HelpFlag.Help = "Show this help."; return nil }),
		kong.Vars{"listen": defaultListen}, kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(io))
	if err != nil {
		panic(err) // a mistake in the struct tags above
	}
	chosen, err := parser.Parse(args)
	if err != nil {
		return usage(stderr, err)
	}
	return complain(stderr, chosen.Run())
}

// complain writes one line on what went wrong: what, where, what to do.
func complain(stderr io.Writer, err error) int {
	var ps strict.Problems
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(stderr, "crownmark: interrupted before the work was done; start it again")
	case errors.As(err, &ps) && len(ps) > 1:
		fmt.Fprintf(stderr, "crownmark: %s (and %d more; crownmark check names them all)\n", ps[0].Error(), len(ps)-1)
	default:
		fmt.Fprintf(stderr, "crownmark: %s\n", strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return exitNot
}

func usage(stderr io.Writer, err error) int {
	help := "crownmark --help"
	var p *kong.ParseError
	if errors.As(err, &p) && p.Context != nil && p.Context.Command() != "" {
		help = "crownmark " + strings.Fields(p.Context.Command())[0] + " --help"
	}
	fmt.Fprintf(stderr, "crownmark: %s; see %s\n", err, help)
	return exitUsage
}

type versionFlag bool

// BeforeReset prints the version and ends the program.
func (versionFlag) BeforeReset(app *kong.Kong) error {
	fmt.Fprintln(app.Stdout, software())
	app.Exit(exitDone)
	return nil
}

// software names this program and its version, as kept with every result.
func software() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "crownmark (devel)"
	}
	return "crownmark " + info.Main.Version
}
