package engine

import (
	"fmt"
	"strings"
)

// Problem is one thing wrong with an engine definition: where, what, and what
// to do about it.
type Problem struct {
	File    string // TOML only
	Line    int    // TOML only; 0: the file as a whole
	Pointer string // JSON pointer (RFC 6901) into the engine, "" for the whole
	Detail  string // what is wrong
	Fix     string // what to do
}

// Error reads "where: what; fix".
func (p Problem) Error() string {
	where := p.Pointer
	switch {
	case p.File != "" && p.Line > 0:
		where = fmt.Sprintf("%s:%d", p.File, p.Line)
	case p.File != "":
		where = p.File
	case where == "":
		where = "engine"
	}
	return fmt.Sprintf("%s: %s; %s", where, p.Detail, p.Fix)
}

// Problems is everything found wrong, in the order of the file.
type Problems []Problem

// Error is one problem a line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Err is nil where there is no problem.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	return ps
}
