// Package studycsv reads the values of a gauge study as CSV, one row a value:
//
//	part,person,mount,repeat,value_deg
//
// part is what was measured (a cylinder), person who measured it, mount in which
// mounting of the encoder, counted for each person, repeat which of the values
// taken without touching the mounting. value_deg is in degrees of crank. mount
// and repeat may be left out where there is one. The columns' order is free;
// lines that begin with # are remarks.
package studycsv

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

// Error is a cell, a row or a file that cannot be used.
type Error = sweepcsv.Error

// File is what a study's file holds.
type File struct {
	Rows     []calibrate.StudyRow // in the file's order
	Warnings []string             // columns that were left out
}

const (
	mostBytes = 16 << 20 // more than any study
	mostDeg   = 1e6
)

func columns() []string { return []string{"part", "person", "mount", "repeat", "value_deg"} }

// Read reads a study's file. name is used in messages only. The error is an
// *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (File, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return File{}, fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", name, err)
	}
	if len(text) > mostBytes {
		return File{}, &Error{File: name, Detail: "the file is larger than any study", Fix: "give a CSV file with one value a line"}
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff")) // a byte-order mark, as spreadsheets write it
	in := reader{file: name, csv: csv.NewReader(bytes.NewReader(text)), at: map[string]int{}}
	in.csv.Comment = '#'
	if err := in.header(); err != nil {
		return File{}, err
	}
	f := File{Warnings: in.warnings}
	for {
		row, err := in.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return File{}, err
		}
		f.Rows = append(f.Rows, row)
	}
	if len(f.Rows) == 0 {
		return File{}, &Error{File: name, Detail: "there is no value in it", Fix: "give a row for each value below the header"}
	}
	return f, nil
}

// reader turns records into rows.
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
		return &Error{File: in.file, Detail: "the file is empty", Fix: "give a file whose first row names the columns part, person, mount, repeat and value_deg"}
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
	for _, name := range []string{"part", "person", "value_deg"} {
		if _, ok := in.at[name]; !ok {
			return &Error{File: in.file, Line: line, Detail: "the column " + name + " is missing", Fix: "the first row must name part, person and value_deg, and mount and repeat where there are several"}
		}
	}
	return nil
}

// next reads one value; io.EOF after the last.
func (in *reader) next() (calibrate.StudyRow, error) {
	var err error
	if in.record, err = in.csv.Read(); err != nil {
		if errors.Is(err, io.EOF) {
			return calibrate.StudyRow{}, err
		}
		return calibrate.StudyRow{}, in.broken(err)
	}
	in.err = nil
	row := calibrate.StudyRow{Part: in.name("part"), Person: in.name("person"), Mount: in.name("mount"), Repeat: in.name("repeat"), ValueDeg: in.degrees()}
	if in.err != nil {
		return calibrate.StudyRow{}, in.err
	}
	return row, nil
}

// name is a cell that names something; "1" where there is no such column.
func (in *reader) name(column string) string {
	i, ok := in.at[column]
	if !ok {
		return "1"
	}
	s := strings.TrimSpace(in.record[i])
	if s == "" {
		in.bad(column, "the cell is empty", "write which "+column+" the value is of")
	}
	return s
}

func (in *reader) degrees() float64 {
	s := strings.TrimSpace(in.record[in.at["value_deg"]])
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case s == "":
		in.bad("value_deg", "the cell is empty", "write the degrees; a study needs every value, or measure again what is missing")
	case err != nil || strings.Trim(s, "+-.0123456789eE") != "" || math.Abs(v) > mostDeg:
		in.bad("value_deg", fmt.Sprintf("%q is not a number of degrees", s), "write degrees with a decimal point")
	}
	return v
}

func (in *reader) bad(name, detail, fix string) {
	if in.err == nil {
		in.err = &Error{File: in.file, Name: name, Detail: detail, Fix: fix}
		in.err.Line, in.err.Column = in.csv.FieldPos(in.at[name])
	}
}

// broken tells what encoding/csv found in our own words.
func (in *reader) broken(err error) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", in.file, err)
	}
	if errors.Is(p.Err, csv.ErrFieldCount) {
		return &Error{File: in.file, Line: p.Line, Detail: fmt.Sprintf("the row has %d cells, the header %d", len(in.record), in.csv.FieldsPerRecord), Fix: "give every row one cell a column"}
	}
	return &Error{File: in.file, Line: p.Line, Column: p.Column, Detail: "a quote stands where none may", Fix: `write a text with quotes as "…" and double the quotes inside`}
}
