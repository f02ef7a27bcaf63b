package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"

	"crownmark/acquire"
)

type runCmd struct {
	Config    string `required:"" placeholder:"FILE" help:"Bench file (TOML)."`
	Simulated bool   `help:"For practice on replayed ports: all of this run stays marked as simulated."`
	Verbose   bool   `short:"v" help:"Tell more of what happens, on standard error."`
}

// Help is shown below the flags.
func (runCmd) Help() string {
	return `It reads the instruments, keeps every reading of a sweep in the bench file's data file, and serves the bench page on the loopback only. A missing or lost instrument is waited for; nothing needs a restart. End it with Ctrl-C: what was heard is kept.`
}

// Run watches the bench until it is told to end.
func (c runCmd) Run(ctx context.Context, std stdio) error {
	b, err := readBench(c.Config)
	if err != nil {
		return err
	}
	d, err := openDaemon(ctx, b, daemonOptions{Simulated: c.Simulated, Logger: logger(std.err, c.Verbose)})
	if err != nil {
		return err
	}
	var names []string
	for _, i := range append([]acquire.InstrumentConfig{b.config().Encoder}, b.config().Indicators...) {
		if !i.ByEye() {
			names = append(names, i.Name)
		}
	}
	if len(names) == 0 {
		names = []string{"no instrument, takes what is typed (crownmark record --marks --daemon=…),"}
	}
	fmt.Fprintf(std.out, "bench %q listens to %s and keeps readings in %s\n", b.Bench.Name, strings.Join(names, ", "), b.dataPath())
	for _, i := range b.Indicator {
		if i.Calibration != "" {
			fmt.Fprintf(std.out, "%s: %s is for fit alone; here an indicator's calibration is its certificate in the register\n", i.Name, i.Calibration)
		}
	}
	if c.Simulated {
		fmt.Fprintln(std.out, "SIMULATED: all of this run is marked so")
	}
	fmt.Fprintf(std.out, "page: %s\n", d.page)
	return d.run(ctx)
}

func logger(w io.Writer, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}
