// Package studycsv reads and writes the values of a gauge study as CSV, one row a value:
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
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"

	"crownmark/fit/calibrate"
	"crownmark/fit/csvrow"
)

// Error is a cell, a row or a file that cannot be used.
type Error = csvrow.Error

// File is what a study's file holds.
type File struct {
	Rows     []calibrate.StudyRow // in the file's order
	Warnings []string             // columns that were left out
}

const mostDeg = 1e6

func columns() []string { return []string{"part", "person", "mount", "repeat", "value_deg"} }

// Read reads a study's file. name is used in messages only. The error is an
// *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (f File, err error) {
	table := csvrow.Small{Of: "study", Row: "value", Table: csvrow.Table{Columns: columns(), Needed: []string{"part", "person", "value_deg"},
		EmptyFix:   "give a file whose first row names the columns part, person, mount, repeat and value_deg",
		MissingFix: "the first row must name part, person and value_deg, and mount and repeat where there are several"}}
	f.Warnings, err = table.Each(name, r, func(in *csvrow.Reader) {
		f.Rows = append(f.Rows, calibrate.StudyRow{Part: which(in, "part"), Person: which(in, "person"), Mount: which(in, "mount"), Repeat: which(in, "repeat"), ValueDeg: degrees(in)})
	})
	if err != nil {
		return File{}, err
	}
	return f, nil
}

// which is a cell that names something; "1" where there is no such column.
func which(in *csvrow.Reader, column string) string {
	if !in.Has(column) {
		return "1"
	}
	s := in.Cell(column)
	if s == "" {
		in.Bad(column, "the cell is empty", "write which "+column+" the value is of")
	}
	return s
}

func degrees(in *csvrow.Reader) float64 {
	s := in.Cell("value_deg")
	v, ok := csvrow.Number(s)
	switch {
	case s == "":
		in.Bad("value_deg", "the cell is empty", "write the degrees; a study needs every value, or measure again what is missing")
	case !ok || math.Abs(v) > mostDeg:
		in.Bad("value_deg", fmt.Sprintf("%q is not a number of degrees", s), "write degrees with a decimal point")
	}
	return v
}

// Write writes values with their header. Numbers are written so that reading
// gives the very same ones back.
func Write(w io.Writer, rows []calibrate.StudyRow) error {
	out := csv.NewWriter(w)
	if err := out.Write(columns()); err != nil {
		return err
	}
	for _, r := range rows {
		if err := out.Write([]string{r.Part, r.Person, r.Mount, r.Repeat, strconv.FormatFloat(r.ValueDeg, 'f', -1, 64)}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
