package sweepcsv

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"crownmark/fit/csvrow"
)

// Read reads a sweep file in one pass. name is used in messages only. The
// error is an *Error with file, line, column and the fix: nothing is guessed.
func Read(name string, r io.Reader) (File, error) {
	b := bufio.NewReader(&lineGuard{Reader: r, file: name, line: 1})
	if mark, _ := b.Peek(3); string(mark) == "\ufeff" {
		_, _ = b.Discard(3) // a byte-order mark, as spreadsheets write it
	}
	in, err := open(name, b)
	if err != nil {
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
	f.Warnings = append(in.Warnings, f.Warnings...)
	return f, err
}

// reader turns rows into lines.
type reader struct{ *csvrow.Reader }

// line is a Row with the place it was read from.
type line struct {
	Row
	number int
}

func open(name string, r io.Reader) (reader, error) {
	in, err := csvrow.Open(name, r, csvrow.Table{
		Columns: []string{colSweep, colCylinder, colTime, colAngle, colHeightMM, colHeightIn, colIndicator, colMount,
			colSetup, colZeroing, colCount, colRaw, colArrival, colBurst, colSimulated, colZeroOn, colReclock, colAngleU, colRest},
		Needed:     []string{colSweep, colCylinder, colTime, colAngle},
		EmptyFix:   "give a file whose first row names the columns",
		MissingFix: "the first row must name sweep, cylinder, t_s, angle_deg, and height_mm or height_in",
		ShortFix:   "give every row one cell a column; empty ones keep their comma",
	})
	if err != nil {
		return reader{}, err
	}
	switch mm, inch := in.Has(colHeightMM), in.Has(colHeightIn); {
	case mm && inch:
		return reader{}, &Error{File: name, Line: in.Line(), Detail: "there are both height_mm and height_in", Fix: "keep the one the indicator showed"}
	case !mm && !inch:
		return reader{}, &Error{File: name, Line: in.Line(), Detail: "the column height_mm (or height_in) is missing", Fix: "name the height's column by its unit"}
	}
	return reader{in}, nil
}

// maxTimeS: of larger numbers a float64 no longer tells a tenth of a
// millisecond.
const maxTimeS = 1e11

// mostRestMM is beyond every indicator's travel.
const mostRestMM = 1000

// next reads one row; io.EOF after the last.
func (in reader) next() (line, error) {
	if err := in.Next(); err != nil {
		return line{}, err
	}
	var l line
	l.number = in.Line()
	l.Sweep = in.id(colSweep)
	if c := in.id(colCylinder); c != nil {
		n := int(*c)
		l.Cylinder = &n
	}
	switch t := in.decimal(colTime); {
	case t != nil && math.Abs(*t) > maxTimeS:
		in.Bad(colTime, fmt.Sprintf("%g s is too large to tell milliseconds apart", *t), "give seconds from the beginning of the job")
	case t != nil:
		l.TS = *t
	default:
		in.Bad(colTime, "the time is missing", "give the arrival time in seconds")
	}
	l.AngleDeg = in.decimal(colAngle)
	l.HeightMM = in.decimal(colHeightMM)
	if h := in.decimal(colHeightIn); h != nil {
		*h *= mmPerInch
		l.HeightMM = h
	}
	l.Indicator = in.Cell(colIndicator)
	l.Mount, l.Setup, l.Zeroing = in.small(colMount), in.small(colSetup), in.small(colZeroing)
	in.asStood(&l)
	in.extras(&l)
	if err := in.Err(); err != nil {
		return line{}, err
	}
	return l, nil
}

// asStood reads how encoder and indicator stood, where somebody said.
func (in reader) asStood(l *line) {
	if l.AngleUDeg = in.decimal(colAngleU); l.AngleUDeg != nil && !(*l.AngleUDeg > 0 && *l.AngleUDeg <= 5) {
		in.Bad(colAngleU, "the doubt of an angle lies above 0° and is 5° at most", "write how well an eye reads the mark, 0.2 for a fine one, or leave the cell empty where an encoder gave the angle")
	}
	if l.ReclockDeg = in.decimal(colReclock); l.ReclockDeg != nil && math.Abs(*l.ReclockDeg) > 360 {
		in.Bad(colReclock, fmt.Sprintf("%g° is more than a turn", *l.ReclockDeg), "write by how much the encoder was turned on the crank")
	}
	if l.RestMM = in.decimal(colRest); l.RestMM != nil && math.Abs(*l.RestMM) > mostRestMM {
		in.Bad(colRest, fmt.Sprintf("%g mm is beyond every indicator's travel", *l.RestMM), "write what the display shows on the plunger's resting stop, or leave the cell empty")
	}
}

func (in reader) extras(l *line) {
	l.Burst = in.small(colBurst)
	switch l.ZeroOn = in.Cell(colZeroOn); l.ZeroOn {
	case "", "deck":
	default:
		in.Bad(colZeroOn, fmt.Sprintf("%q is not known here", l.ZeroOn), "write deck, or leave it empty")
	}
	switch s := in.Cell(colSimulated); s {
	case "", "0", "false":
	case "1", "true":
		l.Simulated = true
	default:
		in.Bad(colSimulated, fmt.Sprintf("%q is neither true nor false", s), "write true or false")
	}
}

func (in reader) decimal(name string) *float64 {
	s := in.Cell(name)
	if s == "" {
		return nil
	}
	v, ok := csvrow.Number(s)
	if !ok {
		fix := "write a finite number with a decimal point"
		if name != colTime {
			fix += ", or leave the cell empty where there was no reading"
		}
		in.Bad(name, fmt.Sprintf("%q is not a number", s), fix)
		return nil
	}
	return &v
}

// id reads a whole number from 1.
func (in reader) id(name string) *int64 {
	s := in.Cell(name)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil || v < 1 {
		in.Bad(name, fmt.Sprintf("%q is not a whole number from 1", s), "number sweeps, cylinders, mounts, setups and zeroings 1, 2, 3, …")
		return nil
	}
	return &v
}

// small reads a whole number from 0, 0 for an empty cell.
func (in reader) small(name string) int {
	s := in.Cell(name)
	if s == "" {
		return 0
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < 0 || (v == 0 && name != colBurst) {
		in.Bad(name, fmt.Sprintf("%q is not a whole number from 1", s), "number them 1, 2, 3, …, or leave the cell empty")
		return 0
	}
	return v
}
