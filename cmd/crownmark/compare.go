package main

import (
	"fmt"
	"io"
	"math"

	"crownmark/acquire/virtual"
	"crownmark/fit"
)

// compare prints an index table beside the truth.
func compare(w io.Writer, x fit.Index, truth virtual.Truth) error {
	known := map[int]virtual.CylinderTruth{}
	for _, c := range truth.Cylinders {
		known[c.Number] = c
	}
	fmt.Fprintln(w, "\nIndex in degrees of crank with 95 % doubt (+ late, − early), beside the truth of the virtual bench")
	t := columns(w)
	fmt.Fprintln(t, "cylinder\tindex error\ttruth\toff by\tinside the doubt\tverdict\tadvance to add\t")
	for _, c := range x.Cylinders {
		want := known[c.Number].IndexErrorDeg
		index := fit.WithDoubt(c.IndexErrorDeg, c.IndexU95Deg)
		if c.Number == x.ReferenceCylinder && c.IndexErrorDeg != nil {
			index = "reference"
		}
		off, inside := offBy(c.IndexErrorDeg, c.IndexU95Deg, want)
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t\n", c.Number, index, degrees(&want, 4), off, inside, c.Verdict, degrees(c.TrimSetDeg, 2))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, m := range x.Marks {
		off, inside := offBy(m.ErrorDeg, m.U95Deg, truth.Damper.MarkErrorDeg)
		fmt.Fprintf(w, "damper mark %g°: error %s, truth %s, off by %s, inside the doubt: %s\n", m.MarkDeg, fit.WithDoubt(m.ErrorDeg, m.U95Deg), degrees(&truth.Damper.MarkErrorDeg, 2), off, inside)
	}
	if x.Status != "ok" {
		fmt.Fprintf(w, "no result: %s\n", x.Status)
	}
	flagLines(w, x)
	fmt.Fprintln(w)
	return nil
}

func offBy(got, u95 *float64, want float64) (off, inside string) {
	if got == nil {
		return "—", "—"
	}
	d := *got - want
	if inside = "no"; math.Abs(d) <= value(u95) {
		inside = "yes"
	}
	return degrees(&d, 4), inside
}
