package main

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"crownmark/fit"
)

// writeTable tells an index document as text: the index, what to set, what
// stands behind it and what to do next, with every sign in words.
func writeTable(w io.Writer, x fit.Index) error {
	b := bufio.NewWriter(w)
	simulated := ""
	if x.Simulated {
		simulated = "   SIMULATED: no engine was measured"
	}
	fmt.Fprintf(b, "%s: reference cylinder %d, limit ±%g°%s\n", x.Engine, x.ReferenceCylinder, x.IndexLimitDeg, simulated)
	if x.Status != "ok" {
		fmt.Fprintf(b, "\nNo result: %s\n", x.Status)
	}
	indexTable(b, x)
	trimTable(b, x)
	stepTable(b, x)
	benchLines(b, x)
	lightTable(b, x)
	durationTable(b, x)
	heightTable(b, x)
	flagLines(b, x)
	list(b, "Next, to shrink the doubt", x.Advice)
	list(b, "How to read it", append(fit.SignNotes(), "Verdicts: "+x.Rule))
	list(b, "Caution", fit.Cautions())
	return b.Flush()
}

// writeExplained tells an index document in words.
func writeExplained(w io.Writer, x fit.Index) error {
	b := bufio.NewWriter(w)
	for _, l := range fit.Explain(x) {
		fmt.Fprintln(b, l)
	}
	list(b, "Caution", fit.Cautions())
	return b.Flush()
}

func columns(w io.Writer) *tabwriter.Writer {
	return tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
}

func indexTable(w io.Writer, x fit.Index) {
	fmt.Fprintln(w, "\nIndex, in degrees of crank with 95 % doubt (+ late, − early)")
	t := columns(w)
	fmt.Fprintln(t, "cylinder\tnominal\ttop at\tindex error\tthrow error\tverdict\tsweeps\treadings\tleft out\t")
	for _, c := range x.Cylinders {
		index, throw := fit.WithDoubt(c.IndexErrorDeg, c.IndexU95Deg), fit.WithDoubt(c.ThrowErrorDeg, c.ThrowU95Deg)
		if c.Number == x.ReferenceCylinder && c.IndexErrorDeg != nil {
			index, throw = "reference", "reference"
		}
		fmt.Fprintf(t, "%d\t%g\t%s\t%s\t%s\t%s\t%d\t%d\t%d\t\n", c.Number, c.NominalDeg, topAt(c), index, throw, c.Verdict, c.Sweeps, c.Samples, c.Rejected)
	}
	t.Flush()
}

// topAt prints a top on the encoder's scale without a sign.
func topAt(c fit.Cylinder) string {
	if c.TDCDeg == nil {
		return "—"
	}
	digits := 3
	if c.TDCU95Deg != nil {
		digits = fit.Digits(*c.TDCU95Deg)
	}
	return fmt.Sprintf("%.*f", digits, *c.TDCDeg)
}

func trimTable(w io.Writer, x fit.Index) {
	if !slices.ContainsFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.TrimSetDeg != nil }) {
		fmt.Fprintln(w, "\nNo trim is issued; see the flags below.")
		return
	}
	fmt.Fprintln(w, "\nTrims, whichever way the controller thinks: one of the three columns, base timing first")
	t := columns(w)
	fmt.Fprintln(t, "cylinder\tadvance to add\tretard to add\ttop angle to enter\tthen left\tin words\t")
	for _, c := range x.Cylinders {
		if c.TrimSetDeg == nil || c.IndexErrorDeg == nil {
			fmt.Fprintf(t, "%d\t—\t—\t—\t—\tno trim\t\n", c.Number)
			continue
		}
		words := "reference"
		if c.Number != x.ReferenceCylinder {
			words = fmt.Sprintf("%s: %s", fit.LateWords(*c.IndexErrorDeg, value(c.IndexU95Deg)), fit.TrimWords(*c.TrimSetDeg))
		}
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\t%s\t\n", c.Number, degrees(c.TrimSetDeg, 2), degrees(c.TrimRetardDeg, 2), strings.TrimPrefix(degrees(c.TrimTopDeg, 2), "+"), fit.WithDoubt(c.LeftDeg, c.IndexU95Deg), words)
	}
	t.Flush()
}

// stepTable tells what controllers of other steps would leave of each trim.
func stepTable(w io.Writer, x fit.Index) {
	var head []fit.StepLeft
	for _, c := range x.Cylinders {
		if len(c.LeftByStep) > 0 {
			head = c.LeftByStep
		}
	}
	if head == nil {
		return
	}
	fmt.Fprintln(w, "\nAdvance to set, and what is left, on a controller with steps of")
	t := columns(w)
	fmt.Fprint(t, "cylinder\t")
	for _, l := range head {
		fmt.Fprintf(t, "%g°\tleft\t", l.StepDeg)
	}
	fmt.Fprintln(t)
	for _, c := range x.Cylinders {
		if len(c.LeftByStep) == 0 {
			continue
		}
		fmt.Fprintf(t, "%d\t", c.Number)
		for _, l := range c.LeftByStep {
			fmt.Fprintf(t, "%s\t%s\t", fit.Signed(l.SetDeg, 2), fit.Signed(l.LeftDeg, 2))
		}
		fmt.Fprintln(t)
	}
	t.Flush()
}

// lightTable tells what a timing light's readings really are.
func lightTable(w io.Writer, x fit.Index) {
	if len(x.TimingLight) == 0 {
		return
	}
	fmt.Fprintf(w, "\nTiming light on the %g° mark, in degrees before the reference's top\n", x.TimingLight[0].MarkDeg)
	t := columns(w)
	fmt.Fprintln(t, "light shows\treally\t")
	for _, l := range x.TimingLight {
		fmt.Fprintf(t, "%g\t%s\t\n", l.ShowsDeg, strings.TrimPrefix(fit.WithDoubt(&l.RealDeg, &l.U95Deg), "+"))
	}
	t.Flush()
}

// durationTable tells how long each piston stays near its top, and its stroke.
func durationTable(w io.Writer, x fit.Index) {
	var head []fit.Duration
	for _, c := range x.Cylinders {
		if len(c.Durations) > len(head) {
			head = c.Durations
		}
	}
	if head == nil {
		return
	}
	fmt.Fprintln(w, "\nDegrees between equal heights either side of the top, by the crank model; stroke as the indicator showed it")
	t := columns(w)
	fmt.Fprint(t, "cylinder\t")
	for _, d := range head {
		fmt.Fprintf(t, "%g mm below\t", d.DropMM)
	}
	fmt.Fprintln(t, "stroke seen, mm\tprobe leans\t")
	for _, c := range x.Cylinders {
		if len(c.Durations) == 0 {
			continue
		}
		fmt.Fprintf(t, "%d\t", c.Number)
		for i := range head {
			text := "—"
			if i < len(c.Durations) {
				text = fmt.Sprintf("%.2f", c.Durations[i].Deg)
			}
			fmt.Fprintf(t, "%s\t", text)
		}
		leans := "—"
		if c.TiltDeg != nil {
			leans = fmt.Sprintf("%.0f°", *c.TiltDeg)
		}
		fmt.Fprintf(t, "%s\t%s\t\n", strings.TrimPrefix(fit.WithDoubt(c.StrokeSeenMM, c.StrokeSeenU95MM), "+"), leans)
	}
	t.Flush()
}

// heightTable tells what the display showed on the tops.
func heightTable(w io.Writer, x fit.Index) {
	if !slices.ContainsFunc(x.Cylinders, func(c fit.Cylinder) bool { return c.PeakMM != nil }) {
		return
	}
	fmt.Fprintln(w, "\nHeights in mm with 95 % doubt: the display on the top, its true height above a zero on the deck, and the scale of the readings")
	t := columns(w)
	fmt.Fprintln(t, "cylinder\tpeak\tabove the deck\tscale\t")
	for _, c := range x.Cylinders {
		if c.PeakMM != nil {
			fmt.Fprintf(t, "%d\t%s\t%s\t%s\t\n", c.Number, fit.WithDoubt(c.PeakMM, c.PeakU95MM), fit.WithDoubt(c.DeckMM, c.DeckU95MM), strings.TrimPrefix(fit.WithDoubt(c.Scale, c.ScaleU95), "+"))
		}
	}
	t.Flush()
}

func benchLines(w io.Writer, x fit.Index) {
	var lines []string
	for _, s := range x.Bench.Streams {
		lines = append(lines, fmt.Sprintf("indicator %q speaks %.1f ± %.1f ms after the encoder", s.Indicator, s.LatencyMS, s.LatencyU95MS))
	}
	if x.Bench.LashDeg != nil {
		lines = append(lines, fmt.Sprintf("lash between crank and encoder %s°", strings.TrimPrefix(fit.WithDoubt(x.Bench.LashDeg, x.Bench.LashU95Deg), "+")))
	}
	closure := "closure "
	if x.ClosureDeg != nil {
		closure += fit.WithDoubt(x.ClosureDeg, x.ClosureU95Deg) + "°, "
	}
	lines = append(lines, closure+fit.ClosureWords(x))
	for _, m := range x.Marks {
		lines = append(lines, fmt.Sprintf("damper mark %g°: %s° in %s; %s", m.MarkDeg, fit.WithDoubt(m.ErrorDeg, m.U95Deg), presses(m.Presses), fit.MarkWords(m)))
	}
	if x.SetAside > 0 {
		lines = append(lines, count(x.SetAside, "sweep")+" set aside by hand")
	}
	list(w, "The bench", lines)
}

func presses(n int) string {
	if n == 1 {
		return "1 press"
	}
	return fmt.Sprintf("%d presses", n)
}

// flagLines tells each flag once, with its cylinders, cause and cure.
func flagLines(w io.Writer, x fit.Index) {
	var lines []string
	for _, f := range x.RaisedFlags() {
		lines = append(lines, fmt.Sprintf("%s (cylinder %s): %s %s", f.Flag, strings.Trim(strings.ReplaceAll(fmt.Sprint(f.Cylinders), " ", ", "), "[]"), f.Cause, f.Cure))
	}
	list(w, "Flags", lines)
}

func list(w io.Writer, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(w, "\n%s\n", title)
	for _, l := range lines {
		fmt.Fprintf(w, "  - %s\n", l)
	}
}

func value(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

// degrees prints a value that may be unknown, with its sign.
func degrees(p *float64, digits int) string {
	if p == nil {
		return "—"
	}
	return fit.Signed(*p, digits)
}
