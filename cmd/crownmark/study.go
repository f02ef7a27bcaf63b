package main

import (
	"bufio"
	"fmt"
	"io"

	"crownmark/fit"
	"crownmark/fit/calibrate"
	"crownmark/fit/studycsv"
)

type studyCmd struct {
	File       string  `arg:"" placeholder:"FILE.csv" help:"Values of a gauge study; - for standard input."`
	JSON       bool    `name:"json" help:"Write the study as JSON and nothing else."`
	IndexLimit float64 `name:"index-limit-deg" placeholder:"DEG" help:"The shop's limit, ± degrees of crank: says how much of it the gauge takes up."`
}

// Help is shown below the flags.
func (studyCmd) Help() string {
	return `The file's first row names its columns: part (a cylinder), person, mount (of the encoder, counted for each person; all parts are measured in each), repeat (sweeps repeated with nothing touched) and value_deg. Every person needs every part in as many mountings with as many repeats.`
}

// Run analyses and prints.
func (c studyCmd) Run(std stdio) error {
	file, err := readTable(c.File, std.in, studycsv.Read)
	if err != nil {
		return err
	}
	for _, w := range file.Warnings {
		fmt.Fprintf(std.err, "crownmark: %s\n", w)
	}
	study, err := calibrate.Study(file.Rows, calibrate.StudyOptions{IndexLimitDeg: c.IndexLimit})
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	if c.JSON {
		return writeJSON(std.out, study)
	}
	return writeStudy(std.out, study)
}

// writeStudy tells a study as text.
func writeStudy(w io.Writer, s calibrate.StudyResult) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "Gauge study: parts %d, people %d, mountings of each %d, repeats in each %d, values %d\n", s.Parts, s.People, s.Mounts, s.Repeats, s.Values)
	fmt.Fprintln(b, "\nStandard deviations in degrees of crank, and between what bounds each lies with 95 %")
	t := columns(b)
	fmt.Fprintln(t, "source\tstandard deviation\tfrom\tto\t")
	for _, c := range s.Components {
		if c.Zeroed {
			c.Source += " (came out below zero: none)"
		}
		boundedRow(t, c.Source, c.Deg, "")
	}
	fmt.Fprintln(t, "\t\t\t\t")
	boundedRow(t, "repeatability", s.RepeatabilityDeg, "")
	boundedRow(t, "reproducibility", s.ReproducibilityDeg, "")
	boundedRow(t, "gauge (both)", s.GaugeDeg, "")
	boundedRow(t, "parts", s.PartDeg, "")
	boundedRow(t, "total", s.TotalDeg, "")
	fmt.Fprintln(t, "\t\t\t\t")
	boundedRow(t, "gauge of total", s.GaugeOfTotalPercent, " %")
	if s.IndexLimitDeg != nil {
		boundedRow(t, fmt.Sprintf("6 σ of the gauge in ±%g°", *s.IndexLimitDeg), s.GaugeOfTolerancePercent, " %")
	}
	boundedRow(t, "parts told apart", s.Categories, "")
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(b, "\nAnalysis of variance, degrees²")
	t = columns(b)
	fmt.Fprintln(t, "source\tsum of squares\tdegrees of freedom\tmean square\t")
	for _, a := range s.Anova {
		fmt.Fprintf(t, "%s\t%.6g\t%d\t%.6g\t\n", a.Source, a.SquaresDeg, a.DOF, a.MeanDeg)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	list(b, "What it cannot tell", s.Notes)
	list(b, "How to read it", []string{s.Rule, calibrate.StudyWords,
		"Many shops let a gauge serve that takes up to 10 % of the tolerance (6 σ), think twice up to 30 %, and want five parts told apart or more. Look at the bounds too, not at the value alone."})
	return b.Flush()
}

// boundedRow prints a value with two figures more than its bounds are apart by.
func boundedRow(w io.Writer, name string, v *calibrate.Bounded, unit string) {
	if v == nil {
		fmt.Fprintf(w, "%s\t—\t—\t—\t\n", name)
		return
	}
	d := fit.Digits(v.Width())
	top := "—"
	if v.High != nil {
		top = fmt.Sprintf("%.*f%s", d, *v.High, unit)
	}
	fmt.Fprintf(w, "%s\t%.*f%s\t%.*f%s\t%s\t\n", name, d, v.Value, unit, d, v.Low, unit, top)
}
