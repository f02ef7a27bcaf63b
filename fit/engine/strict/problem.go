// Package strict reads a definition from TOML or JSON into a struct and leaves
// nothing unsaid: every unknown key, wrong type and contradiction is a Problem
// that names file and line (TOML) or JSON pointer, and the cure. Struct fields
// carry their key in a `toml` tag, for both languages.
package strict

import (
	"fmt"
	"strings"
)

// Problem is one thing wrong: where, what, and what to do about it.
type Problem struct {
	File    string // TOML only
	Line    int    // TOML only, from 1
	Pointer string // JSON pointer (RFC 6901), "" for the whole
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
		where = "/"
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

// Add notes one problem at a JSON pointer. fix is literal.
func (ps *Problems) Add(pointer, fix, detail string, args ...any) {
	*ps = append(*ps, Problem{Pointer: pointer, Detail: fmt.Sprintf(detail, args...), Fix: fix})
}
