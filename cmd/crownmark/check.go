package main

import (
	"errors"
	"fmt"
	"regexp"

	"crownmark/fit/engine/strict"
)

type checkCmd struct {
	Bench  string `arg:"" optional:"" placeholder:"FILE" help:"Bench file (TOML), or an engine file."`
	Engine string `placeholder:"FILE" help:"Engine file (TOML) to check as well."`
}

// Help is shown below the flags.
func (checkCmd) Help() string {
	return `Every problem is named with its file, line and cure, one a line on standard output. No port is opened.`
}

// Validate is called once the flags are read.
func (c checkCmd) Validate() error {
	if c.Bench == "" && c.Engine == "" {
		return errors.New("nothing to check: name a bench file, or --engine FILE")
	}
	return nil
}

// Run names every problem. A file that cannot be read hides none of the other's.
func (c checkCmd) Run(std stdio) error {
	var problems strict.Problems
	var unread error
	good := func(err error) bool {
		var found strict.Problems
		if errors.As(err, &found) {
			problems = append(problems, found...)
		} else {
			unread = errors.Join(unread, err)
		}
		return err == nil
	}
	if c.Engine == "" && isEngineFile(c.Bench) {
		c.Bench, c.Engine = "", c.Bench
	}
	if c.Bench != "" {
		if b, err := readBench(c.Bench); good(err) {
			fmt.Fprintf(std.out, "%s: good: bench %q, %s, page on http://%s\n", c.Bench, b.Bench.Name, count(len(b.Indicator), "indicator"), b.HTTP.Listen)
		}
	}
	if c.Engine != "" {
		if e, err := readEngine(c.Engine); good(err) {
			fmt.Fprintf(std.out, "%s: good: %q, %s, reference %d\n", c.Engine, e.Name, count(len(e.Tops()), "cylinder"), e.Reference())
		}
	}
	for _, p := range problems {
		fmt.Fprintln(std.out, p.Error())
	}
	if len(problems) > 0 && unread == nil {
		return fmt.Errorf("%s found; mend what is named above and check again", count(len(problems), "problem"))
	}
	return unread
}

// isEngineFile tells an engine file from a bench file by the key that every
// engine has and no bench.
func isEngineFile(path string) bool {
	src, err := readSettings(path)
	return err == nil && regexp.MustCompile(`(?m)^\s*stroke_mm\s*=`).Match(src)
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
