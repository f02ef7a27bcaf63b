// Package pointcsv reads and writes the points of an indicator's calibration
// as CSV, one row a point:
//
//	run,direction,reference_mm,reading_mm
//
// run is a whole number from 1, direction is up (plunger moving in), down
// (moving out again) or repeat (one of several readings at one point, each come
// to anew). reference_mm is what the reference says, reading_mm what the
// indicator shows. The columns' order is free; lines that begin with # are
// remarks.
package pointcsv

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"

	"crownmark/fit/calibrate"
	"crownmark/fit/csvrow"
)

// Column names.
const (
	colRun       = "run"
	colDirection = "direction"
	colReference = "reference_mm"
	colReading   = "reading_mm"
)

// Error is a cell, a row or a file that cannot be used.
type Error = csvrow.Error

// File is what a file of points holds.
type File struct {
	Points   []calibrate.Point // in the file's order
	Warnings []string          // columns that were left out
}

const (
	mostMM   = 10_000 // longer than any indicator
	mostRuns = 1_000_000
)

const allColumns = "run, direction, reference_mm and reading_mm"

func columns() []string { return []string{colRun, colDirection, colReference, colReading} }

// Read reads a file of points. name is used in messages only. The error is an
// *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (f File, err error) {
	table := csvrow.Small{Of: "calibration", Row: "point", Table: csvrow.Table{Columns: columns(), Needed: columns(),
		EmptyFix: "give a file whose first row names the columns " + allColumns, MissingFix: "the first row must name " + allColumns}}
	f.Warnings, err = table.Each(name, r, func(in *csvrow.Reader) {
		p := calibrate.Point{Run: run(in), Direction: calibrate.Direction(in.Cell(colDirection)), ReferenceMM: millimetres(in, colReference), ReadingMM: millimetres(in, colReading)}
		switch p.Direction {
		case calibrate.Up, calibrate.Down, calibrate.Repeat:
		default:
			in.Bad(colDirection, fmt.Sprintf("%q is not known here", p.Direction), "write up (plunger moving in), down (moving out again) or repeat (several readings at one point)")
		}
		f.Points = append(f.Points, p)
	})
	if err != nil {
		return File{}, err
	}
	return f, nil
}

func run(in *csvrow.Reader) int {
	s := in.Cell(colRun)
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > mostRuns {
		in.Bad(colRun, fmt.Sprintf("%q is not a whole number from 1", s), "number the runs 1, 2, 3, …")
	}
	return v
}

func millimetres(in *csvrow.Reader, name string) float64 {
	s := in.Cell(name)
	v, ok := csvrow.Number(s)
	switch {
	case s == "":
		in.Bad(name, "the cell is empty", "write the millimetres, or leave out the row of a point that was not taken")
	case !ok:
		in.Bad(name, fmt.Sprintf("%q is not a number", s), "write millimetres with a decimal point")
	case math.Abs(v) > mostMM:
		in.Bad(name, fmt.Sprintf("%s mm is longer than any indicator", s), "write millimetres")
	}
	return v
}

// Write writes points with their header. Numbers are written so that reading
// gives the very same ones back.
func Write(w io.Writer, points []calibrate.Point) error {
	out := csv.NewWriter(w)
	if err := out.Write(columns()); err != nil {
		return err
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	for _, p := range points {
		if err := out.Write([]string{strconv.Itoa(p.Run), string(p.Direction), number(p.ReferenceMM), number(p.ReadingMM)}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
