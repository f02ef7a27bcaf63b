package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"syscall"

	"crownmark/dashboards"
	"crownmark/fit"
	"crownmark/fit/sweepcsv"
)

type fitCmd struct {
	File        string            `arg:"" placeholder:"FILE.csv" help:"Recorded sweeps; - for standard input."`
	Engine      string            `required:"" placeholder:"FILE" help:"Engine file (TOML)."`
	Bench       string            `placeholder:"FILE" help:"Bench file: what is known of the instruments. No port is opened."`
	Calibration map[string]string `placeholder:"NAME=FILE" help:"An indicator's calibration, as calibrate --json writes it."`
	JSON        bool              `name:"json" xor:"form" help:"Write the index document as JSON and nothing else."`
	Explain     bool              `xor:"form" help:"Say in words what was found, where the doubt comes from and what to do, instead of the tables."`
	Plot        string            `placeholder:"FILE.svg" help:"Also draw the sweeps."`
}

// Help is shown below the flags.
func (fitCmd) Help() string {
	return `The file's first row names its columns: sweep, cylinder, t_s, angle_deg and height_mm (or height_in); also indicator, mount, setup, zeroing, and rest_mm, what the display shows on the plunger's resting stop, by which a calibration is looked up. One row is one reading. angle_deg must grow in running direction: a reversed encoder turns every trim round.`
}

// Run fits and prints.
func (c fitCmd) Run(std stdio) error {
	debug.SetGCPercent(-1)        // a short run: what is left over goes with the process,
	debug.SetMemoryLimit(1 << 30) // unless there is very much of it
	in := fit.Input{Priors: fit.DefaultPriors(), DirectionConfirmed: true}
	var bench benchFile
	var err error
	if in.Engine, err = readEngine(c.Engine); err != nil {
		return err
	}
	if c.Bench != "" {
		if bench, err = readBench(c.Bench); err != nil {
			return err
		}
		in.Priors = bench.priors()
	}
	file, err := readTable(c.File, std.in, sweepcsv.Read)
	if err != nil {
		return err
	}
	for _, w := range file.Warnings {
		fmt.Fprintf(std.err, "crownmark: %s\n", w)
	}
	in.Sweeps, in.Simulated = file.Sweeps, file.Simulated
	if err := c.correct(in.Sweeps, bench); err != nil {
		return err
	}
	index, err := fit.Solve(in)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	index.Software = software()
	if c.Plot != "" {
		if err := toFile(c.Plot, nil, func(w io.Writer) error { return dashboards.CurvesSVG(w, index, dashboards.PlotOptions{}) }); err != nil {
			return err
		}
	}
	return c.tell(std.out, index)
}

// tell writes the document in the form asked for.
func (c fitCmd) tell(w io.Writer, index fit.Index) error {
	write := writeTable
	switch {
	case c.JSON:
		return writeJSON(w, index)
	case c.Explain:
		write = writeExplained
	}
	if err := write(w, index); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "\nangle_deg was taken to grow in running direction: if it fell, every sign above is turned round.")
	return err
}

// readTable reads a file with read, or standard input for "-".
func readTable[T any](path string, stdin io.Reader, read func(name string, r io.Reader) (T, error)) (none T, err error) {
	if path == "-" {
		return read("standard input", stdin)
	}
	f, err := os.Open(path)
	if err != nil {
		return none, cannotRead(path, err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return none, cannotRead(path, syscall.EISDIR)
	}
	return read(path, f)
}

func writeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
