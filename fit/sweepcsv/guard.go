package sweepcsv

import (
	"bytes"
	"io"
)

// mostLine is longer than any row, in bytes.
const mostLine = 1 << 16

// lineGuard fails in a line that does not end, before it fills the memory.
type lineGuard struct {
	io.Reader
	file string
	line int // being read, from 1
	long int // bytes of it so far
}

func (g *lineGuard) Read(p []byte) (int, error) {
	n, err := g.Reader.Read(p)
	for rest := p[:n]; len(rest) > 0; {
		end := bytes.IndexByte(rest, '\n')
		if end < 0 {
			g.long += len(rest)
			break
		}
		g.line, g.long, rest = g.line+1, 0, rest[end+1:]
	}
	if g.long > mostLine {
		return 0, &Error{File: g.file, Line: g.line, Detail: "the line does not end", Fix: "this is no table of sweeps; give a CSV file with one reading a line"}
	}
	return n, err
}
