// Package sweepcsv reads and writes recorded sweeps as CSV: one row a reading.
package sweepcsv

import (
	"errors"
	"io"

	"crownmark/fit"
)

// File is what a sweep file holds.
type File struct {
	Sweeps    []fit.Sweep // in the order of their first row
	Warnings  []string    // columns that were kept out, rows without any use
	Simulated bool        // a row of the file says that it is simulated
}

// Read reads a sweep file. name is used in messages only. The error names
// file, line, column, and what to do.
func Read(name string, r io.Reader) (File, error) { return File{}, errors.New("not yet") }

// Row is one row of the file. Nil, or an empty text, is an empty cell.
type Row struct {
	Sweep     *int64 // nil only on encoder-only rows that serve every sweep
	Cylinder  *int
	TS        float64 // arrival, seconds
	AngleDeg  *float64
	HeightMM  *float64 // nil: encoder-only row
	Indicator string
	Mount     int // 0: left empty
	Setup     int
	Zeroing   int

	// Only written where the Writer was made with extra.
	Count     *int64 // raw encoder count
	Raw       string // the line as it came
	Burst     int    // position within one read of the port
	Simulated bool
}

// Writer writes sweep files.
type Writer struct{}

// NewWriter returns a Writer. extra adds the columns count, raw, burst and
// simulated.
func NewWriter(w io.Writer, extra bool) *Writer { return &Writer{} }

// Write writes one row; the header before the first.
func (w *Writer) Write(r Row) error { return errors.New("not yet") }

// Flush writes what is buffered and returns the first error met.
func (w *Writer) Flush() error { return errors.New("not yet") }
