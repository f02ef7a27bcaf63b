package sweepcsv

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
)

// Writer writes sweep files. Numbers are written so that reading gives the
// very same ones back.
type Writer struct {
	csv   *csv.Writer
	extra bool
	rest  bool
	names []string // nil: nothing written yet
	cells []string
}

// NewWriter returns a Writer. extra adds the columns count, raw,
// arrival_s, burst and zero_on. The column simulated is there with extra, or where the first row
// is simulated.
func NewWriter(w io.Writer, extra bool) *Writer {
	return &Writer{csv: csv.NewWriter(w), extra: extra}
}

// WithRest adds the column rest_mm. Call it before the first row.
func (w *Writer) WithRest() *Writer {
	w.rest = true
	return w
}

// Write writes one row, and the header before the first. It refuses what could
// not be read back: NaN, infinities, and a row with neither angle nor height.
func (w *Writer) Write(r Row) error {
	if w.names == nil {
		if err := w.header(r); err != nil {
			return err
		}
	}
	if err := r.check(); err != nil {
		return err
	}
	w.cells = w.cells[:0]
	for _, name := range w.names {
		w.cells = append(w.cells, r.cell(name))
	}
	return w.csv.Write(w.cells)
}

// Flush writes what is buffered (the header at least) and returns the first
// error met.
func (w *Writer) Flush() error {
	if w.names == nil {
		if err := w.header(Row{}); err != nil {
			return err
		}
	}
	w.csv.Flush()
	return w.csv.Error()
}

// header names the columns by the first row.
func (w *Writer) header(first Row) error {
	w.names = []string{colSweep, colCylinder, colTime, colAngle, colHeightMM, colIndicator, colMount, colSetup, colZeroing}
	if w.extra {
		w.names = append(w.names, colCount, colRaw, colArrival, colBurst, colZeroOn)
	}
	if w.rest {
		w.names = append(w.names, colRest)
	}
	if first.AngleUDeg != nil {
		w.names = append(w.names, colAngleU)
	}
	if w.extra || first.Simulated {
		w.names = append(w.names, colReclock, colSimulated)
	}
	return w.csv.Write(w.names)
}

func (r Row) check() error {
	if r.AngleDeg == nil && r.HeightMM == nil {
		return errors.New("a row with neither angle nor height says nothing; leave it out")
	}
	if r.HeightMM != nil && (r.Sweep == nil || r.Cylinder == nil) {
		return errors.New("a height belongs to a sweep and a cylinder; give both")
	}
	for _, v := range []*float64{&r.TS, r.AngleDeg, r.HeightMM, r.RestMM} {
		if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
			return fmt.Errorf("%v cannot be written as a reading; leave the row out", *v)
		}
	}
	return nil
}

func (r Row) cell(name string) string {
	switch name {
	case colSweep:
		return optional(r.Sweep)
	case colCylinder:
		return optional(r.Cylinder)
	case colTime:
		return decimal(&r.TS)
	case colAngle:
		return decimal(r.AngleDeg)
	case colHeightMM:
		return decimal(r.HeightMM)
	case colIndicator:
		return r.Indicator
	case colMount:
		return positive(r.Mount)
	case colSetup:
		return positive(r.Setup)
	case colZeroing:
		return positive(r.Zeroing)
	case colCount:
		return optional(r.Count)
	case colRaw:
		return r.Raw
	case colArrival:
		return decimal(r.ArrivalS)
	case colBurst:
		return positive(r.Burst)
	case colReclock:
		return decimal(r.ReclockDeg)
	case colAngleU:
		return decimal(r.AngleUDeg)
	case colRest:
		return decimal(r.RestMM)
	case colZeroOn:
		return r.ZeroOn
	case colSimulated:
		return strconv.FormatBool(r.Simulated)
	}
	return ""
}

func optional[T int | int64](v *T) string {
	if v == nil {
		return ""
	}
	return strconv.FormatInt(int64(*v), 10)
}

func positive(v int) string {
	if v == 0 {
		return ""
	}
	return strconv.Itoa(v)
}

func decimal(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}
