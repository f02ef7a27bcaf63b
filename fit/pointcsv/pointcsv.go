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
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"crownmark/fit/calibrate"
	"crownmark/fit/sweepcsv"
)

// Column names.
const (
	colRun       = "run"
	colDirection = "direction"
	colReference = "reference_mm"
	colReading   = "reading_mm"
)

// Error is a cell, a row or a file that cannot be used.
type Error = sweepcsv.Error

// File is what a file of points holds.
type File struct {
	Points   []calibrate.Point // in the file's order
	Warnings []string          // columns that were left out
}

const (
	mostBytes = 16 << 20 // more than any calibration
	mostMM    = 10_000   // longer than any indicator
	mostRuns  = 1_000_000
)

// Read reads a file of points. name is used in messages only. The error is an
// *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (File, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return File{}, fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", name, err)
	}
	if len(text) > mostBytes {
		return File{}, &Error{File: name, Detail: "the file is larger than any calibration", Fix: "give a CSV file with one point a line"}
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // a byte-order mark, as spreadsheets write it
	in := reader{file: name, csv: csv.NewReader(bytes.NewReader(text)), at: map[string]int{}}
	in.csv.Comment = '#'
	if err := in.header(); err != nil {
		return File{}, err
	}
	f := File{Warnings: in.warnings}
	for {
		p, err := in.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return File{}, err
		}
		f.Points = append(f.Points, p)
	}
	if len(f.Points) == 0 {
		return File{}, &Error{File: name, Detail: "there is no point in it", Fix: "give a row for each point below the header"}
	}
	return f, nil
}

// reader turns records into points.
type reader struct {
	file     string
	csv      *csv.Reader
	at       map[string]int // column name → field
	warnings []string
	record   []string
	err      *Error // first bad cell of the row
}

func (in *reader) header() error {
	names, err := in.csv.Read()
	if errors.Is(err, io.EOF) {
		return &Error{File: in.file, Detail: "the file is empty", Fix: "give a file whose first row names the columns " + allColumns}
	}
	if err != nil {
		return in.broken(err)
	}
	line, _ := in.csv.FieldPos(0)
	if len(names) == 1 && strings.ContainsAny(names[0], ";\t") {
		return &Error{File: in.file, Line: line, Detail: "the columns are not separated by commas", Fix: "save the file with commas between the columns and decimal points in the numbers"}
	}
	for i, name := range names {
		name = strings.TrimSpace(name)
		_, column := in.csv.FieldPos(i)
		if _, twice := in.at[name]; twice {
			return &Error{File: in.file, Line: line, Column: column, Name: name, Detail: "two columns have this name", Fix: "keep one of them, or rename the other"}
		}
		in.at[name] = i
		if !slices.Contains(columns(), name) {
			in.warnings = append(in.warnings, fmt.Sprintf("%s:%d:%d(%s): this column is not known and was left out", in.file, line, column, name))
		}
	}
	for _, name := range columns() {
		if _, ok := in.at[name]; !ok {
			return &Error{File: in.file, Line: line, Detail: "the column " + name + " is missing", Fix: "the first row must name " + allColumns}
		}
	}
	return nil
}

const allColumns = "run, direction, reference_mm and reading_mm"

func columns() []string { return []string{colRun, colDirection, colReference, colReading} }

// next reads one point; io.EOF after the last.
func (in *reader) next() (calibrate.Point, error) {
	var err error
	if in.record, err = in.csv.Read(); err != nil {
		if errors.Is(err, io.EOF) {
			return calibrate.Point{}, err
		}
		return calibrate.Point{}, in.broken(err)
	}
	in.err = nil
	p := calibrate.Point{Run: in.run(), Direction: calibrate.Direction(in.cell(colDirection)), ReferenceMM: in.millimetres(colReference), ReadingMM: in.millimetres(colReading)}
	switch p.Direction {
	case calibrate.Up, calibrate.Down, calibrate.Repeat:
	default:
		in.bad(colDirection, fmt.Sprintf("%q is not known here", p.Direction), "write up (plunger moving in), down (moving out again) or repeat (several readings at one point)")
	}
	if in.err != nil {
		return calibrate.Point{}, in.err
	}
	return p, nil
}

func (in *reader) cell(name string) string { return strings.TrimSpace(in.record[in.at[name]]) }

func (in *reader) bad(name, detail, fix string) {
	if in.err == nil {
		in.err = &Error{File: in.file, Name: name, Detail: detail, Fix: fix}
		in.err.Line, in.err.Column = in.csv.FieldPos(in.at[name])
	}
}

func (in *reader) run() int {
	s := in.cell(colRun)
	v, err := strconv.Atoi(s)
	if err != nil || v < 1 || v > mostRuns {
		in.bad(colRun, fmt.Sprintf("%q is not a whole number from 1", s), "number the runs 1, 2, 3, …")
	}
	return v
}

func (in *reader) millimetres(name string) float64 {
	s := in.cell(name)
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case s == "":
		in.bad(name, "the cell is empty", "write the millimetres, or leave out the row of a point that was not taken")
	case err != nil || strings.Trim(s, "+-.0123456789eE") != "":
		in.bad(name, fmt.Sprintf("%q is not a number", s), "write millimetres with a decimal point")
	case math.Abs(v) > mostMM:
		in.bad(name, fmt.Sprintf("%s mm is longer than any indicator", s), "write millimetres")
	}
	return v
}

// broken tells what encoding/csv found in our own words.
func (in *reader) broken(err error) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", in.file, err)
	}
	if errors.Is(p.Err, csv.ErrFieldCount) {
		fix := "give every row one cell a column"
		if len(in.record) > in.csv.FieldsPerRecord {
			fix += "; numbers take a decimal point, as a comma begins another cell"
		}
		return &Error{File: in.file, Line: p.Line, Detail: fmt.Sprintf("the row has %d cells, the header %d", len(in.record), in.csv.FieldsPerRecord), Fix: fix}
	}
	return &Error{File: in.file, Line: p.Line, Column: p.Column, Detail: "a quote stands where none may", Fix: `write a text with quotes as "…" and double the quotes inside`}
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
