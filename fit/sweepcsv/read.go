package sweepcsv

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Read reads a sweep file in one pass. name is used in messages only. The
// error is an *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (File, error) {
	b := bufio.NewReader(&lineGuard{Reader: r, file: name, line: 1})
	if mark, _ := b.Peek(3); string(mark) == "\ufeff" {
		_, _ = b.Discard(3) // a byte-order mark, as spreadsheets write it
	}
	in := reader{file: name, csv: csv.NewReader(b), at: map[string]int{}}
	in.csv.ReuseRecord = true
	if err := in.header(); err != nil {
		return File{}, err
	}
	g := gatherer{file: name, sweeps: map[int64]*sweep{}, shared: map[int]*samples{}}
	for {
		row, err := in.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return File{}, err
		}
		if err := g.add(row); err != nil {
			return File{}, err
		}
	}
	f, err := g.finish()
	f.Warnings = append(in.warnings, f.Warnings...)
	return f, err
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

// line is a Row with the place it was read from.
type line struct {
	Row
	number int
}

func (in *reader) header() error {
	names, err := in.csv.Read()
	if errors.Is(err, io.EOF) {
		return &Error{File: in.file, Detail: "the file is empty", Fix: "give a file whose first row names the columns"}
	}
	if err != nil {
		return in.broken(err)
	}
	known := []string{colSweep, colCylinder, colTime, colAngle, colHeightMM, colHeightIn, colIndicator, colMount,
		colSetup, colZeroing, colCount, colRaw, colArrival, colBurst, colSimulated, colZeroOn, colReclock, colAngleU, colRest}
	for i, name := range names {
		name = strings.TrimSpace(name)
		_, column := in.csv.FieldPos(i)
		if _, twice := in.at[name]; twice {
			return &Error{in.file, 1, column, name, "two columns have this name", "keep one of them, or rename the other"}
		}
		in.at[name] = i
		if !slices.Contains(known, name) {
			in.warnings = append(in.warnings, fmt.Sprintf("%s:1:%d(%s): this column is not known and was left out", in.file, column, name))
		}
	}
	return in.missing(names)
}

func (in *reader) missing(names []string) error {
	if len(names) == 1 && strings.ContainsAny(names[0], ";\t") {
		return &Error{File: in.file, Line: 1, Detail: "the columns are not separated by commas", Fix: "save the file with commas between the columns and decimal points in the numbers"}
	}
	for _, name := range []string{colSweep, colCylinder, colTime, colAngle} {
		if _, ok := in.at[name]; !ok {
			return &Error{File: in.file, Line: 1, Detail: "the column " + name + " is missing", Fix: "the first row must name sweep, cylinder, t_s, angle_deg, and height_mm or height_in"}
		}
	}
	_, mm := in.at[colHeightMM]
	_, inch := in.at[colHeightIn]
	switch {
	case mm && inch:
		return &Error{File: in.file, Line: 1, Detail: "there are both height_mm and height_in", Fix: "keep the one the indicator showed"}
	case !mm && !inch:
		return &Error{File: in.file, Line: 1, Detail: "the column height_mm (or height_in) is missing", Fix: "name the height's column by its unit"}
	}
	return nil
}

// maxTimeS: of larger numbers a float64 no longer tells a tenth of a
// millisecond.
const maxTimeS = 1e11

// mostRestMM is beyond every indicator's travel.
const mostRestMM = 1000

// next reads one row; io.EOF after the last.
func (in *reader) next() (line, error) {
	var err error
	if in.record, err = in.csv.Read(); err != nil {
		if errors.Is(err, io.EOF) {
			return line{}, err
		}
		return line{}, in.broken(err)
	}
	in.err = nil
	var l line
	l.number, _ = in.csv.FieldPos(0)
	l.Sweep = in.id(colSweep)
	if c := in.id(colCylinder); c != nil {
		n := int(*c)
		l.Cylinder = &n
	}
	switch t := in.decimal(colTime); {
	case t != nil && math.Abs(*t) > maxTimeS:
		in.bad(colTime, fmt.Sprintf("%g s is too large to tell milliseconds apart", *t), "give seconds from the beginning of the job")
	case t != nil:
		l.TS = *t
	default:
		in.bad(colTime, "the time is missing", "give the arrival time in seconds")
	}
	l.AngleDeg = in.decimal(colAngle)
	l.HeightMM = in.decimal(colHeightMM)
	if h := in.decimal(colHeightIn); h != nil {
		*h *= mmPerInch
		l.HeightMM = h
	}
	l.Indicator = in.cell(colIndicator)
	l.Mount, l.Setup, l.Zeroing = in.small(colMount), in.small(colSetup), in.small(colZeroing)
	if l.AngleUDeg = in.decimal(colAngleU); l.AngleUDeg != nil && !(*l.AngleUDeg > 0 && *l.AngleUDeg <= 5) {
		in.bad(colAngleU, "the doubt of an angle lies above 0° and is 5° at most", "write how well an eye reads the mark, 0.2 for a fine one, or leave the cell empty where an encoder gave the angle")
	}
	if l.ReclockDeg = in.decimal(colReclock); l.ReclockDeg != nil && math.Abs(*l.ReclockDeg) > 360 {
		in.bad(colReclock, fmt.Sprintf("%g° is more than a turn", *l.ReclockDeg), "write by how much the encoder was turned on the crank")
	}
	if l.RestMM = in.decimal(colRest); l.RestMM != nil && math.Abs(*l.RestMM) > mostRestMM {
		in.bad(colRest, fmt.Sprintf("%g mm is beyond every indicator's travel", *l.RestMM), "write what the display shows on the plunger's resting stop, or leave the cell empty")
	}
	in.extras(&l)
	if in.err != nil {
		return line{}, in.err
	}
	return l, nil
}

func (in *reader) extras(l *line) {
	l.Burst = in.small(colBurst)
	switch l.ZeroOn = in.cell(colZeroOn); l.ZeroOn {
	case "", "deck":
	default:
		in.bad(colZeroOn, fmt.Sprintf("%q is not known here", l.ZeroOn), "write deck, or leave it empty")
	}
	switch s := in.cell(colSimulated); s {
	case "", "0", "false":
	case "1", "true":
		l.Simulated = true
	default:
		in.bad(colSimulated, fmt.Sprintf("%q is neither true nor false", s), "write true or false")
	}
}

// cell is empty where the file has no such column.
func (in *reader) cell(name string) string {
	if i, ok := in.at[name]; ok {
		return strings.TrimSpace(in.record[i])
	}
	return ""
}

func (in *reader) bad(name, detail, fix string) {
	if in.err == nil {
		in.err = &Error{File: in.file, Name: name, Detail: detail, Fix: fix}
		in.err.Line, in.err.Column = in.csv.FieldPos(in.at[name])
	}
}

func (in *reader) decimal(name string) *float64 {
	s := in.cell(name)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || strings.Trim(s, "+-.0123456789eE") != "" || math.IsInf(v, 0) {
		fix := "write a finite number with a decimal point"
		if name != colTime {
			fix += ", or leave the cell empty where there was no reading"
		}
		in.bad(name, fmt.Sprintf("%q is not a number", s), fix)
		return nil
	}
	return &v
}

// id reads a whole number from 1.
func (in *reader) id(name string) *int64 {
	s := in.cell(name)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil || v < 1 {
		in.bad(name, fmt.Sprintf("%q is not a whole number from 1", s), "number sweeps, cylinders, mounts, setups and zeroings 1, 2, 3, …")
		return nil
	}
	return &v
}

// small reads a whole number from 0, 0 for an empty cell.
func (in *reader) small(name string) int {
	s := in.cell(name)
	if s == "" {
		return 0
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < 0 || (v == 0 && name != colBurst) {
		in.bad(name, fmt.Sprintf("%q is not a whole number from 1", s), "number them 1, 2, 3, …, or leave the cell empty")
		return 0
	}
	return v
}

// broken tells what encoding/csv found in our own words.
func (in *reader) broken(err error) error {
	var p *csv.ParseError
	var own *Error
	if errors.As(err, &own) {
		return own
	}
	if !errors.As(err, &p) {
		return fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", in.file, err)
	}
	switch {
	case errors.Is(p.Err, csv.ErrFieldCount):
		return &Error{File: in.file, Line: p.Line, Detail: fmt.Sprintf("the row has %d cells, the header %d", len(in.record), in.csv.FieldsPerRecord), Fix: "give every row one cell a column; empty ones keep their comma"}
	default:
		return &Error{File: in.file, Line: p.Line, Column: p.Column, Detail: "a quote stands where none may", Fix: `write a text with quotes as "…" and double the quotes inside`}
	}
}
