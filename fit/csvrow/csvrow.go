// Package csvrow reads the rows of a CSV table that guesses nothing: the first
// row names the columns in any order, each row has a cell a column, and what
// cannot be used is an Error with its place and the fix.
package csvrow

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Error is a cell, a row or a file that cannot be used.
type Error struct {
	File   string
	Line   int    // from 1; 0: the file as a whole
	Column int    // in bytes, from 1; 0: the row as a whole
	Name   string // of the column
	Detail string
	Fix    string
}

// Error reads "file:line:column(name): what; fix".
func (e *Error) Error() string {
	where := e.File
	if e.Line > 0 {
		where += fmt.Sprintf(":%d", e.Line)
	}
	if e.Column > 0 {
		where += fmt.Sprintf(":%d", e.Column)
	}
	if e.Name != "" {
		where += "(" + e.Name + ")"
	}
	return fmt.Sprintf("%s: %s; %s", where, e.Detail, e.Fix)
}

// Table is what a file must be, and how it is mended.
type Table struct {
	Columns    []string // that are known; others are left out with a warning
	Needed     []string // of them
	Remarks    bool     // lines that begin with # are
	EmptyFix   string   // for a file without a row
	MissingFix string   // for a needed column that is not there
	ShortFix   string   // for a row with another number of cells than the header
}

// Reader gives the rows one by one.
type Reader struct {
	Warnings []string // columns that were left out

	file   string
	table  Table
	csv    *csv.Reader
	at     map[string]int // column name → field
	record []string
	err    *Error // first bad cell of the row
}

// Open reads the header. name is used in messages only; a byte-order mark must
// be gone. Errors: *Error, or that reading failed.
func Open(name string, r io.Reader, t Table) (*Reader, error) {
	in := &Reader{file: name, table: t, csv: csv.NewReader(r), at: map[string]int{}}
	in.csv.ReuseRecord = true
	if t.Remarks {
		in.csv.Comment = '#'
	}
	return in, in.header()
}

func (in *Reader) header() error {
	names, err := in.csv.Read()
	if errors.Is(err, io.EOF) {
		return &Error{File: in.file, Detail: "the file is empty", Fix: in.table.EmptyFix}
	}
	if err != nil {
		return in.broken(err)
	}
	line := in.Line()
	if len(names) == 1 && strings.ContainsAny(names[0], ";\t") {
		return &Error{File: in.file, Line: line, Detail: "the columns are not separated by commas", Fix: "save the file with commas between the columns and decimal points in the numbers"}
	}
	for i, name := range names {
		name = strings.TrimSpace(name)
		_, column := in.csv.FieldPos(i)
		if in.Has(name) {
			return &Error{in.file, line, column, name, "two columns have this name", "keep one of them, or rename the other"}
		}
		in.at[name] = i
		if !slices.Contains(in.table.Columns, name) {
			in.Warnings = append(in.Warnings, fmt.Sprintf("%s:%d:%d(%s): this column is not known and was left out", in.file, line, column, name))
		}
	}
	for _, name := range in.table.Needed {
		if !in.Has(name) {
			return &Error{File: in.file, Line: line, Detail: "the column " + name + " is missing", Fix: in.table.MissingFix}
		}
	}
	return nil
}

// Next goes to the next row; io.EOF after the last.
func (in *Reader) Next() (err error) {
	in.err = nil
	if in.record, err = in.csv.Read(); err != nil && !errors.Is(err, io.EOF) {
		return in.broken(err)
	}
	return err
}

// Line is where the row, or the header, stands.
func (in *Reader) Line() int {
	line, _ := in.csv.FieldPos(0)
	return line
}

// Has says whether the file has a column.
func (in *Reader) Has(name string) bool {
	_, ok := in.at[name]
	return ok
}

// Cell is empty where the file has no such column.
func (in *Reader) Cell(name string) string {
	if i, ok := in.at[name]; ok {
		return strings.TrimSpace(in.record[i])
	}
	return ""
}

// Bad notes a cell that cannot be used; the first of a row counts.
func (in *Reader) Bad(name, detail, fix string) {
	if in.err == nil {
		in.err = &Error{File: in.file, Name: name, Detail: detail, Fix: fix}
		in.err.Line, in.err.Column = in.csv.FieldPos(in.at[name])
	}
}

// Err is the row's first bad cell; nil: none.
func (in *Reader) Err() error {
	if in.err == nil {
		return nil
	}
	return in.err
}

// Number is a finite decimal number: no other spelling, no infinity.
func Number(s string) (v float64, ok bool) {
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && strings.Trim(s, "+-.0123456789eE") == ""
}

// broken tells what encoding/csv found in our own words.
func (in *Reader) broken(err error) error {
	var p *csv.ParseError
	var own *Error
	switch {
	case errors.As(err, &own): // of the reader below
		return own
	case !errors.As(err, &p):
		return fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", in.file, err)
	case errors.Is(p.Err, csv.ErrFieldCount):
		fix := in.table.ShortFix
		if len(in.record) > in.csv.FieldsPerRecord {
			fix += "; numbers take a decimal point, as a comma begins another cell"
		}
		return &Error{File: in.file, Line: p.Line, Detail: fmt.Sprintf("the row has %d cells, the header %d", len(in.record), in.csv.FieldsPerRecord), Fix: fix}
	}
	return &Error{File: in.file, Line: p.Line, Column: p.Column, Detail: "a quote stands where none may", Fix: `write a text with quotes as "…" and double the quotes inside`}
}
