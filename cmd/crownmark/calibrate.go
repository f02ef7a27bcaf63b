package main

import (
	"context"
	"fmt"
	"io"

	"crownmark/dashboards"
	"crownmark/fit/calibrate"
	"crownmark/fit/pointcsv"
)

type calibrateCmd struct {
	File               string             `arg:"" optional:"" placeholder:"FILE.csv" help:"Points of a calibration; - for standard input."`
	JSON               bool               `name:"json" help:"Write the result as JSON and nothing else."`
	LocalSpan          float64            `default:"1" placeholder:"MM" help:"Span of the local error, mm."`
	Limits             map[string]float64 `mapsep:"," placeholder:"total=MM,..." help:"Judge against these limits, mm: total, local, hysteresis, repeatability, linearity."`
	ReferenceU95MM     *float64           `name:"reference-u95-mm" placeholder:"MM" help:"Expanded uncertainty of one value of the reference."`
	ReferenceU95PerMMM float64            `name:"reference-u95-per-m-mm" placeholder:"MM" help:"What that grows by for each metre."`
	TemperatureC       *float64           `name:"temperature-c" placeholder:"C" help:"Temperature of indicator and reference."`
	TemperatureU95C    float64            `name:"temperature-u95-c" placeholder:"C" help:"Its expanded uncertainty."`
	ResolutionMM       float64            `name:"resolution-mm" placeholder:"MM" help:"Step of the display; learnt from the readings where it is not given."`
	Plot               string             `placeholder:"FILE.svg" help:"Also draw the errors."`

	liveFlags
}

// Help is shown below the flags.
func (calibrateCmd) Help() string {
	return `The file's first row names its columns: run, direction (up: plunger moving in, down, repeat), reference_mm, reading_mm. Error is reading minus reference; a correction is added to a reading.`
}

// Validate is called once the flags are read.
func (c calibrateCmd) Validate() error { return c.liveFlags.check(c.File != "") }

// Run evaluates and prints.
func (c calibrateCmd) Run(ctx context.Context, std stdio) error {
	if c.Live {
		return c.live(ctx, std)
	}
	file, err := readTable(c.File, std.in, pointcsv.Read)
	if err != nil {
		return err
	}
	for _, w := range file.Warnings {
		fmt.Fprintf(std.err, "crownmark: %s\n", w)
	}
	result, err := calibrate.Evaluate(file.Points, c.options())
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	if c.Plot != "" {
		if err := toFile(c.Plot, nil, func(w io.Writer) error { return dashboards.CalibrationSVG(w, result) }); err != nil {
			return err
		}
	}
	if c.JSON {
		return writeJSON(std.out, result)
	}
	return writeCalibration(std.out, result)
}

func (c calibrateCmd) options() calibrate.Options {
	o := calibrate.DefaultOptions()
	o.LocalSpanMM, o.Limits, o.ResolutionMM, o.TemperatureC, o.TempU95C = c.LocalSpan, c.Limits, c.ResolutionMM, c.TemperatureC, c.TemperatureU95C
	o.Reference.PerM = c.ReferenceU95PerMMM
	if c.ReferenceU95MM != nil {
		o.Reference.U95MM, o.Reference.Stated = *c.ReferenceU95MM, true
	}
	return o
}
