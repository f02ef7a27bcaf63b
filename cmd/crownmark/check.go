package main

import (
	"errors"
	"fmt"

	"crownmark/fit/engine"
	"crownmark/fit/engine/strict"
)

type checkCmd struct {
	Bench  string `arg:"" optional:"" placeholder:"FILE" help:"Bench file (TOML)."`
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

// Run names every problem.
func (c checkCmd) Run(std stdio) error {
	var problems strict.Problems
	if c.Bench != "" {
		b, err := readBench(c.Bench)
		if !errors.As(err, &problems) && err != nil {
			return err
		}
		if err == nil {
			fmt.Fprintf(std.out, "%s: good: bench %q, %s, page on http://%s\n", c.Bench, b.Bench.Name, count(len(b.Indicator), "indicator"), b.HTTP.Listen)
		}
	}
	if c.Engine != "" {
		src, err := readSettings(c.Engine)
		if err != nil {
			return err
		}
		e, err := engine.Parse(c.Engine, src)
		var more strict.Problems
		if errors.As(err, &more) {
			problems = append(problems, more...)
		} else {
			fmt.Fprintf(std.out, "%s: good: %q, %s, reference %d\n", c.Engine, e.Name, count(len(e.Tops()), "cylinder"), e.Reference())
		}
	}
	for _, p := range problems {
		fmt.Fprintln(std.out, p.Error())
	}
	if len(problems) > 0 {
		return fmt.Errorf("%s found; mend what is named above and check again", count(len(problems), "problem"))
	}
	return nil
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
