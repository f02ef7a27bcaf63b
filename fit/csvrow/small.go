package csvrow

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// mostBytes is more than any small table, in bytes.
const mostBytes = 16 << 20

// Small is a table that is read at once and may have remarks.
type Small struct {
	Table
	Of  string // "calibration"
	Row string // "point"
}

// Each reads a small table and calls row for each of its rows; a Bad cell ends it.
// It gives the warnings about columns. Errors: *Error, or that reading failed.
func (s Small) Each(name string, r io.Reader, row func(*Reader)) ([]string, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: reading failed: %w; check the disk or the pipe", name, err)
	}
	if len(text) > mostBytes {
		return nil, &Error{File: name, Detail: "the file is larger than any " + s.Of, Fix: "give a CSV file with one " + s.Row + " a line"}
	}
	s.Remarks, s.ShortFix = true, "give every row one cell a column"
	in, err := Open(name, bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff"))), s.Table) // a byte-order mark, as spreadsheets write it
	if err != nil {
		return nil, err
	}
	for rows := 0; ; rows++ {
		switch err := in.Next(); {
		case errors.Is(err, io.EOF) && rows == 0:
			return nil, &Error{File: name, Detail: "there is no " + s.Row + " in it", Fix: "give a row for each " + s.Row + " below the header"}
		case errors.Is(err, io.EOF):
			return in.Warnings, nil
		case err != nil:
			return nil, err
		}
		if row(in); in.err != nil {
			return nil, in.err
		}
	}
}
